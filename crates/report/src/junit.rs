//! The answer of a check as JUnit XML, for continuous integration.

use crate::problem::FileCheck;
use crate::{numbers, words};
use deadstage_netlist::visible;
use deadstage_reason::{ExpectCheck, SettingCheck};
use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

/// The XML could not be put together.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum JunitError {
    /// The writer refused an element; only memory running out does that.
    #[error("cannot write the XML of the check")]
    Write(#[from] std::io::Error),
    /// The bytes written are not text.
    #[error("the XML of the check is not UTF-8")]
    Text(#[from] std::string::FromUtf8Error),
}

/// One test suite a file; one test case for its text, one for each setting
/// that must solve and one for each value of the print.
///
/// # Errors
/// [`JunitError`] if the XML cannot be written to memory.
pub fn junit(files: &[FileCheck]) -> Result<String, JunitError> {
    let suites: Vec<(String, Vec<Case>)> = files
        .iter()
        .map(|file| (printable(&file.path), cases(file)))
        .collect();
    let mut writer = Writer::new_with_indent(Vec::new(), b' ', 2);
    writer.write_event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)))?;
    let mut root = BytesStart::new("testsuites");
    root.push_attribute(("name", "deadstage check"));
    let all = suites.iter().flat_map(|(_, cases)| cases);
    count(&mut root, all);
    writer.write_event(Event::Start(root))?;
    for (path, cases) in &suites {
        let mut suite = BytesStart::new("testsuite");
        suite.push_attribute(("name", path.as_str()));
        count(&mut suite, cases.iter());
        writer.write_event(Event::Start(suite))?;
        for case in cases {
            case.write(path, &mut writer)?;
        }
        writer.write_event(Event::End(BytesEnd::new("testsuite")))?;
    }
    writer.write_event(Event::End(BytesEnd::new("testsuites")))?;
    let mut text = String::from_utf8(writer.into_inner())?;
    text.push('\n');
    Ok(text)
}

enum Verdict {
    Pass,
    /// The answer is no.
    Failure(String),
    /// The file could not be used.
    Error(String),
}

struct Case {
    name: String,
    verdict: Verdict,
}

impl Case {
    fn write(&self, class: &str, writer: &mut Writer<Vec<u8>>) -> Result<(), std::io::Error> {
        let mut start = BytesStart::new("testcase");
        start.push_attribute(("classname", class));
        start.push_attribute(("name", printable(&self.name).as_str()));
        let (tag, said) = match &self.verdict {
            Verdict::Pass => return writer.write_event(Event::Empty(start)),
            Verdict::Failure(said) => ("failure", said),
            Verdict::Error(said) => ("error", said),
        };
        writer.write_event(Event::Start(start))?;
        let said = printable(said);
        let mut verdict = BytesStart::new(tag);
        verdict.push_attribute(("message", said.lines().next().unwrap_or_default()));
        writer.write_event(Event::Start(verdict))?;
        writer.write_event(Event::Text(BytesText::new(&said)))?;
        writer.write_event(Event::End(BytesEnd::new(tag)))?;
        writer.write_event(Event::End(BytesEnd::new("testcase")))
    }
}

/// The text with what XML 1.0 has no way to write as escapes: control characters but the line
/// feed, and the noncharacters U+FFFE and U+FFFF.
fn printable(text: &str) -> String {
    let lines: Vec<_> = text.lines().map(visible).collect();
    lines.join("\n")
}

fn count<'a>(element: &mut BytesStart<'_>, cases: impl Iterator<Item = &'a Case>) {
    let (mut tests, mut failures, mut errors) = (0_usize, 0_usize, 0_usize);
    for case in cases {
        tests += 1;
        match case.verdict {
            Verdict::Pass => {}
            Verdict::Failure(_) => failures += 1,
            Verdict::Error(_) => errors += 1,
        }
    }
    element.push_attribute(("tests", tests.to_string().as_str()));
    element.push_attribute(("failures", failures.to_string().as_str()));
    element.push_attribute(("errors", errors.to_string().as_str()));
}

fn cases(file: &FileCheck) -> Vec<Case> {
    let errors: Vec<String> = file
        .problems
        .iter()
        .filter(|problem| problem.error)
        .map(|problem| problem.one_line())
        .collect();
    let mut cases = vec![Case {
        name: "text".to_owned(),
        verdict: if errors.is_empty() {
            Verdict::Pass
        } else {
            Verdict::Error(errors.join("\n"))
        },
    }];
    for setting in file.outcome.iter().flat_map(|outcome| &outcome.settings) {
        cases.push(Case {
            name: in_setting("solves", setting),
            verdict: match &setting.unsolved {
                None => Verdict::Pass,
                Some(why) => Verdict::Failure(why.clone()),
            },
        });
        cases.extend(setting.expects.iter().map(|expect| Case {
            name: in_setting(&words::place(&expect.point, expect.kind, None), setting),
            verdict: verdict(expect),
        }));
    }
    cases
}

fn in_setting(what: &str, setting: &SettingCheck) -> String {
    if setting.setting.is_empty() {
        what.to_owned()
    } else {
        format!("{what} in {}", setting.setting)
    }
}

fn verdict(expect: &ExpectCheck) -> Verdict {
    if expect.pass {
        Verdict::Pass
    } else {
        Verdict::Failure(format!(
            "print {} ±{}, computed {}",
            numbers::in_unit(expect.print, &expect.unit),
            numbers::per_cent(expect.tolerance),
            numbers::in_unit(expect.computed, &expect.unit),
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::problem::Problem;
    use crate::samples;
    use deadstage_netlist::Unlisted;

    #[test]
    fn failures_and_errors_are_counted_and_escaped() {
        let files = [
            FileCheck {
                path: "a<b>.stage".to_owned(),
                problems: Vec::new(),
                unlisted: Unlisted::default(),
                outcome: Some(samples::check()),
            },
            FileCheck {
                path: "bad.stage".to_owned(),
                problems: vec![Problem::plain("unreadable", "R1 & \u{1}R2")],
                unlisted: Unlisted::default(),
                outcome: None,
            },
        ];
        let xml = junit(&files).unwrap_or_default();
        assert!(xml.starts_with("<?xml version=\"1.0\" encoding=\"UTF-8\"?>"));
        assert!(xml.contains(
            "<testsuites name=\"deadstage check\" tests=\"6\" failures=\"2\" errors=\"1\">"
        ));
        assert!(xml.contains("name=\"a&lt;b&gt;.stage\""));
        assert!(xml.contains("print 1.3 V ±20 %, computed 2.1 V"));
        assert!(xml.contains("R1 &amp; \\u{1}R2"));
        assert_eq!(depth_at_end(&xml), 0);
    }

    #[test]
    fn any_character_may_stand_in_a_name_or_a_message() {
        let every: String = ('\0'..=char::MAX)
            .step_by(1)
            .filter(|&c| u32::from(c) < 0x3_0000)
            .collect();
        let mut outcome = samples::check();
        outcome.settings[0].setting = every.clone();
        outcome.settings[0].unsolved = Some(every.clone());
        outcome.settings[0].expects[0].point = every.clone();
        let file = FileCheck {
            path: every.clone(),
            problems: vec![Problem::plain("unreadable", every)],
            unlisted: Unlisted::default(),
            outcome: Some(outcome),
        };
        let xml = junit(&[file]).unwrap_or_default();
        // XML 1.0 (fifth edition), production 2, `Char`.
        let of_xml = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..='\u{10ffff}');
        assert_eq!(xml.chars().find(|&c| !of_xml(c)), None);
        assert_eq!(depth_at_end(&xml), 0);
    }

    /// What is written can be read again, and every element is closed.
    fn depth_at_end(xml: &str) -> i32 {
        let mut reader = quick_xml::Reader::from_str(xml);
        let mut depth = 0_i32;
        loop {
            match reader.read_event() {
                Ok(Event::Start(_)) => depth += 1,
                Ok(Event::End(_)) => depth -= 1,
                Ok(Event::Eof) => return depth,
                Ok(_) => {}
                Err(error) => panic!("{error}"),
            }
        }
    }
}
