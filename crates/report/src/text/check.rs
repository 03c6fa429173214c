//! Netlists held against their prints.

use crate::layout::{ALARM, Columns, Page, WELL, styled};
use crate::problem::FileCheck;
use crate::{numbers, words};
use deadstage_netlist::visible;
use deadstage_reason::{Check, ExpectCheck};

/// Stands before what is missed, under the name of its file.
const INDENT: &str = "    ";

/// One line a file that is well and overloads nothing; for the others, everything that is not.
///
/// Problems of the text are only counted: the caller shows them at length,
/// with their places.
pub fn check(files: &[FileCheck]) -> String {
    let mut page = Page::default();
    for file in files {
        one(&mut page, file);
    }
    summary(&mut page, files);
    page.finish()
}

fn one(page: &mut Page, file: &FileCheck) {
    let (word, style) = if file.pass() {
        ("ok", WELL)
    } else if file.readable() {
        ("NO", ALARM)
    } else {
        ("BAD", ALARM)
    };
    let mark = styled(&format!("{word:<4}"), style);
    page.line(&format!("{mark} {}{}", visible(&file.path), counted(file)));
    for setting in file.outcome.iter().flat_map(|outcome| &outcome.settings) {
        let in_setting = if setting.setting.is_empty() {
            String::new()
        } else {
            format!("set to {}: ", setting.setting)
        };
        if let Some(why) = &setting.unsolved {
            page.hung(
                "       ",
                "         ",
                &format!("{in_setting}does not solve: {why}"),
            );
        }
        for overload in &setting.overloads {
            page.hung_in(
                "       ",
                "         ",
                &format!("{in_setting}{overload}"),
                Some(ALARM),
            );
        }
        let missed: Vec<&ExpectCheck> = setting
            .expects
            .iter()
            .filter(|expect| !expect.pass)
            .collect();
        if missed.is_empty() {
            continue;
        }
        if !in_setting.is_empty() {
            page.line(&format!("       {}", in_setting.trim_end()));
        }
        let mut columns = Columns::new(&["", "", "", "", ""]);
        for expect in missed {
            columns.row(
                [
                    INDENT.to_owned(),
                    words::place(&expect.point, expect.kind, None),
                    format!(
                        "print {} ±{}",
                        numbers::in_unit(expect.print, &expect.unit),
                        numbers::per_cent(expect.tolerance)
                    ),
                    format!(
                        "computed {}",
                        numbers::in_unit(expect.computed, &expect.unit)
                    ),
                    off(expect),
                ],
                None,
            );
        }
        page.table(columns);
    }
}

fn counted(file: &FileCheck) -> String {
    let Some(outcome) = &file.outcome else {
        let listed = file.problems.iter().filter(|p| p.error).count();
        return match listed + file.unlisted.errors {
            1 => "  (1 error)".to_owned(),
            errors => format!("  ({errors} errors)"),
        };
    };
    let (kept, all) = expects(outcome);
    let settings = match outcome.settings.len() {
        0 | 1 => String::new(),
        several => format!("{several} settings, "),
    };
    match all {
        0 => format!("  ({settings}no values of a print)"),
        _ => format!("  ({settings}{kept} of {all} values of the print)"),
    }
}

fn expects(outcome: &Check) -> (usize, usize) {
    let all = outcome.settings.iter().flat_map(|setting| &setting.expects);
    (
        all.clone().filter(|expect| expect.pass).count(),
        all.count(),
    )
}

fn off(expect: &ExpectCheck) -> String {
    let share = expect.computed / expect.print - 1.0;
    if share.is_finite() {
        format!("{} %", numbers::signed(share * 100.0, 0))
    } else {
        String::new()
    }
}

fn summary(page: &mut Page, files: &[FileCheck]) {
    let bad = files.iter().filter(|file| !file.readable()).count();
    let well = files.iter().filter(|file| file.pass()).count();
    let no = files.len() - bad - well;
    let mut said = vec![format!("{well} of {} well", files.len())];
    if no > 0 {
        said.push(format!("{no} not as the print says"));
    }
    if bad > 0 {
        said.push(format!("{bad} that cannot be used"));
    }
    page.gap();
    page.line(&format!("{}.", said.join(", ")));
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::problem::Problem;
    use crate::samples;
    use deadstage_netlist::Unlisted;

    #[test]
    fn what_is_well_takes_a_line_and_what_is_not_is_told_in_full() {
        let mut good = samples::check();
        good.settings.truncate(1);
        for expect in &mut good.settings[0].expects {
            expect.pass = true;
        }
        let files = [
            FileCheck {
                path: "good.stage".to_owned(),
                problems: Vec::new(),
                unlisted: Unlisted::default(),
                outcome: Some(good),
            },
            FileCheck {
                path: "missed.stage".to_owned(),
                problems: Vec::new(),
                unlisted: Unlisted::default(),
                outcome: Some(samples::check()),
            },
            FileCheck {
                path: "bad.stage".to_owned(),
                problems: vec![Problem::plain("unreadable", "cannot read bad.stage")],
                unlisted: Unlisted::default(),
                outcome: None,
            },
        ];
        let text = samples::plain(&check(&files));
        assert!(
            text.starts_with("ok   good.stage  (2 of 2 values of the print)\nNO   missed.stage"),
            "{text}"
        );
        assert!(text.contains("computed 2.1 V"));
        assert!(text.contains("+62 %"));
        assert!(text.contains("set to transmit: does not solve: no operating point"));
        assert!(text.contains("BAD  bad.stage  (1 error)\n"));
        assert!(text.ends_with("1 of 3 well, 1 not as the print says, 1 that cannot be used.\n"));
    }
}
