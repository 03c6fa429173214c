//! `deadstage.check/1`.

use super::document;
use super::errors::{Entry, Others};
use crate::numbers::rounded;
use crate::problem::FileCheck;
use deadstage_reason::{ExpectCheck, SettingCheck};
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    pass: bool,
    files: Vec<File<'a>>,
}

#[derive(Serialize)]
struct File<'a> {
    file: &'a str,
    stage: Option<&'a str>,
    pass: bool,
    problems: Vec<Entry<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unlisted: Option<Others>,
    settings: Vec<Setting<'a>>,
}

#[derive(Serialize)]
struct Setting<'a> {
    setting: &'a str,
    solved: bool,
    reason: Option<&'a str>,
    remarks: &'a [String],
    overloads: &'a [String],
    expects: Vec<Expect<'a>>,
}

#[derive(Serialize)]
struct Expect<'a> {
    point: &'a str,
    kind: &'static str,
    unit: &'a str,
    print: Option<f64>,
    tolerance: Option<f64>,
    computed: Option<f64>,
    pass: bool,
}

/// Every file with its problems, its settings and its values of the print;
/// `tolerance` is a fraction of the printed value.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn check(files: &[FileCheck]) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.check/1",
        pass: files.iter().all(FileCheck::pass),
        files: files.iter().map(file).collect(),
    })
}

fn file(file: &FileCheck) -> File<'_> {
    File {
        file: &file.path,
        stage: file.outcome.as_ref().map(|outcome| outcome.stage.as_str()),
        pass: file.pass(),
        problems: file.problems.iter().map(Entry::of).collect(),
        unlisted: Others::of(file.unlisted),
        settings: file
            .outcome
            .iter()
            .flat_map(|outcome| &outcome.settings)
            .map(setting)
            .collect(),
    }
}

fn setting(setting: &SettingCheck) -> Setting<'_> {
    Setting {
        setting: &setting.setting,
        solved: setting.unsolved.is_none(),
        reason: setting.unsolved.as_deref(),
        remarks: &setting.remarks,
        overloads: &setting.overloads,
        expects: setting.expects.iter().map(expect).collect(),
    }
}

fn expect(expect: &ExpectCheck) -> Expect<'_> {
    Expect {
        point: &expect.point,
        kind: expect.kind,
        unit: &expect.unit,
        print: rounded(expect.print),
        tolerance: rounded(expect.tolerance),
        computed: rounded(expect.computed),
        pass: expect.pass,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use deadstage_netlist::Unlisted;
    use serde_json::{Value, json};

    #[test]
    fn a_missed_value_fails_its_file() -> Result<(), serde_json::Error> {
        let files = [FileCheck {
            path: "missed.stage".to_owned(),
            problems: Vec::new(),
            unlisted: Unlisted::default(),
            outcome: Some(samples::check()),
        }];
        let found: Value = serde_json::from_str(&check(&files)?)?;
        assert_eq!(found["schema"], "deadstage.check/1");
        assert_eq!(found["pass"], false);
        assert_eq!(found["files"][0]["file"], "missed.stage");
        assert_eq!(
            found["files"][0]["settings"][0]["expects"][1],
            json!({"point": "cathode1", "kind": "volts", "unit": "V", "print": 1.3,
                   "tolerance": 0.2, "computed": 2.1, "pass": false})
        );
        assert_eq!(found["files"][0]["settings"][1]["solved"], false);
        Ok(())
    }
}
