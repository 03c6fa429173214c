//! Ugly input: what is no text, what is too much, what waits, what plays tricks.
#![allow(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod common;

use common::{SHEET, STAGE, folder, json, run, status, stderr, stdout, write};
use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

/// Characters that a terminal obeys or nobody sees (a line feed aside).
fn hidden(text: &str) -> Option<char> {
    text.chars()
        .find(|&c| c != '\n' && deadstage_netlist::is_hidden(c))
}

fn write_bytes(folder: &Path, name: &str, bytes: &[u8]) -> String {
    let path = folder.join(name);
    std::fs::write(&path, bytes).unwrap();
    path.display().to_string()
}

#[test]
fn fifty_findings_are_shown_and_the_others_counted() {
    let folder = folder("many");
    let mut text = STAGE.to_owned();
    for number in 0..20_000 {
        writeln!(text, "resistr R{number}x 1k from a to b").unwrap();
    }
    let stage = write(&folder, "many.stage", &text);
    let output = run(&["chart", &stage, "--format", "json"]);
    status(&output, 2);
    let said = stderr(&output);
    assert_eq!(said.matches("error[unknown-keyword]").count(), 50);
    assert!(said.ends_with("... and 19950 more errors\n"), "{said}");
    let found = json(&output);
    assert_eq!(found["errors"].as_array().unwrap().len(), 50);
    assert_eq!(found["unlisted"]["errors"], 19_950);
    // Over all files and sheets of a run.
    let other = write(&folder, "other.stage", &text);
    let output = run(&["check", &stage, &other, "--format", "json"]);
    assert_eq!(stderr(&output).matches("error[").count(), 50);
    assert!(stderr(&output).ends_with("... and 39950 more errors\n"));
    let found = json(&output);
    assert_eq!(found["files"][1]["unlisted"]["errors"], 19_950);
    let text = stdout(&run(&["check", &stage]));
    assert!(text.contains("(20000 errors)"), "{text}");
}

#[test]
fn a_million_lines_are_refused_at_once() {
    let folder = folder("million");
    let stage = write(&folder, "good.stage", STAGE);
    let bad = write(&folder, "bad.stage", &"bad line\n".repeat(1_000_000));
    let title = "readings \"x\"\n";
    let lines = "volts plate1 5V\n".repeat(1_000_000);
    let sheet = write(&folder, "long.readings", &format!("{title}{lines}"));
    let full = write(
        &folder,
        "full.readings",
        &format!("{title}{}", &lines[..16 * 60_000]),
    );
    let main = write(
        &folder,
        "main.stage",
        "stage \"x\"\ninclude \"bad.stage\"\n",
    );
    let start = Instant::now();
    for (words, said) in [
        (vec!["chart", &bad], "bad.stage is longer than 1 MiB"),
        (
            vec!["suspect", &stage, "--readings", &sheet],
            "long.readings is longer than 1 MiB",
        ),
        (
            vec!["suspect", &stage, "--readings", &full],
            "there are more than 500 readings",
        ),
        (
            vec!["suspect", &stage, "--read", "plate1=5V", "--rates", &bad],
            "bad.stage is longer than 1 MiB",
        ),
        (vec!["chart", &main], "bad.stage is longer than 1 MiB"),
    ] {
        let output = run(&words);
        status(&output, 2);
        assert!(stderr(&output).contains(said), "{}", stderr(&output));
    }
    // A fiftieth of a second each on a machine left alone; one took minutes, or asked for more memory than there is.
    assert!(
        start.elapsed() < Duration::from_secs(10),
        "{:?}",
        start.elapsed()
    );
}

/// The memory that a refusal takes, held by the system's own limit.
#[cfg(target_os = "linux")]
#[test]
fn a_long_sheet_is_refused_in_little_memory() {
    let folder = folder("memory");
    let stage = write(&folder, "good.stage", STAGE);
    let lines = "volts plate1 5V\n".repeat(60_000);
    let sheet = write(
        &folder,
        "full.readings",
        &format!("readings \"x\"\n{lines}"),
    );
    let words = write(&folder, "words.stage", &"x\n".repeat(500_000));
    let limited = |words: &str| {
        let program = env!("CARGO_BIN_EXE_deadstage");
        Command::new("sh")
            .args(["-c", &format!("ulimit -v 200000; exec {program} {words}")])
            .output()
            .unwrap()
    };
    let output = limited(&format!("suspect {stage} --readings {sheet}"));
    status(&output, 2);
    assert!(stderr(&output).contains("more than 500 readings"));
    let output = limited(&format!("chart {words}"));
    status(&output, 2);
    assert!(
        stderr(&output).contains("... and 499950 more errors"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn more_readings_than_can_be_weighed_are_refused() {
    let folder = folder("weighed");
    let stage = write(&folder, "good.stage", STAGE);
    let lines = "volts plate1 5V\n".repeat(400);
    let sheet = write(&folder, "s.readings", &format!("readings \"x\"\n{lines}"));
    let mut words = vec!["suspect", &stage];
    for _ in 0..3 {
        words.extend(["--readings", &sheet]);
    }
    let output = run(&words);
    status(&output, 2);
    assert!(
        stderr(&output).contains("1200 readings are more than the 1000"),
        "{}",
        stderr(&output)
    );
    let mut words = vec!["suspect", &stage, "--format", "json"];
    words.extend(["--read", "plate1=5V"].repeat(501));
    let output = run(&words);
    status(&output, 2);
    assert_eq!(json(&output)["errors"][0]["code"], "too-many-readings");
}

#[test]
fn a_long_line_is_cut_about_its_caret() {
    let folder = folder("wide");
    let wide = format!(
        "{STAGE}resistr R9 1k from a to b # {}\n",
        "c".repeat(900_000)
    );
    let stage = write(&folder, "wide.stage", &wide);
    let word = write(
        &folder,
        "word.stage",
        &format!("{STAGE}{}\n", "9".repeat(900_000)),
    );
    for file in [&stage, &word] {
        let output = run(&["chart", file]);
        status(&output, 2);
        let said = stderr(&output);
        assert!(said.contains('^'), "{said}");
        assert!(
            said.lines().all(|line| line.chars().count() < 250),
            "{}",
            said.len()
        );
    }
}

#[test]
fn what_is_no_text_of_ours_is_named_for_what_it_is() {
    let folder = folder("kinds");
    let stage = write(&folder, "good.stage", STAGE);
    let sheet = write(&folder, "good.readings", SHEET);
    let utf16: Vec<u8> = std::iter::once(0xfeff)
        .chain(STAGE.encode_utf16())
        .flat_map(u16::to_le_bytes)
        .collect();
    let utf16 = write_bytes(&folder, "utf16.stage", &utf16);
    let older: Vec<u8> = STAGE
        .chars()
        .map(|c| u8::try_from(u32::from(c)).unwrap())
        .collect();
    let older = write_bytes(&folder, "older.stage", &older);
    let zeros = write_bytes(&folder, "zeros.stage", &[0; 1000]);
    let picture = write_bytes(&folder, "p.stage", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR");
    let empty = write(&folder, "empty.stage", "");
    let comments = write(&folder, "comments.stage", "# one\n  # two\n");
    let title = write(&folder, "title.stage", "stage \"x\"\n");
    let inside = format!("{stage}/x");
    let slip = stage.replace("good", "godo");
    let folder_name = folder.display().to_string();
    for (file, said) in [
        (&utf16, "UTF-16"),
        (&older, "the byte B1 in column 19 would be `±`"),
        (&zeros, "it holds zero bytes"),
        (&picture, "the byte 89 in column 1 is no character"),
        (
            &empty,
            "the file is empty: a stage file begins with its title",
        ),
        (&comments, "the file holds comments only"),
        (&title, "title.stage holds no part"),
        (
            &sheet,
            "this is a readings sheet, and a stage file should be here",
        ),
        (&folder_name, "is a folder"),
        (&inside, "can't be read"),
        (&slip, "good.stage?"),
    ] {
        let output = run(&["chart", file]);
        status(&output, 2);
        assert!(
            stderr(&output).contains(said),
            "{file}: {}",
            stderr(&output)
        );
        assert!(stderr(&output).lines().count() < 10, "{}", stderr(&output));
        assert_eq!(stdout(&output), "");
    }
    let output = run(&["suspect", &stage, "--readings", &stage]);
    status(&output, 2);
    assert!(stderr(&output).contains("this is a stage file, and a readings sheet should be here"));
}

#[test]
fn lines_may_end_as_any_editor_ends_them() {
    let folder = folder("ends");
    let plain = write(&folder, "lf.stage", STAGE);
    let expected = stdout(&run(&["chart", &plain]));
    for (name, text) in [
        ("crlf.stage", STAGE.replace('\n', "\r\n")),
        ("cr.stage", STAGE.replace('\n', "\r")),
        ("mark.stage", format!("\u{feff}{STAGE}")),
        ("open.stage", STAGE.trim_end().to_owned()),
    ] {
        let output = run(&["chart", &write(&folder, name, &text)]);
        status(&output, 0);
        assert_eq!(stdout(&output), expected, "{name}");
    }
}

#[cfg(unix)]
#[test]
fn what_waits_or_never_ends_is_not_opened() {
    let folder = folder("devices");
    let stage = write(&folder, "good.stage", STAGE);
    let pipe = folder.join("pipe.stage");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    let link = folder.join("link.stage");
    std::os::unix::fs::symlink("/dev/zero", &link).unwrap();
    let main = write(
        &folder,
        "main.stage",
        "stage \"x\"\ninclude \"pipe.stage\"\n",
    );
    let (pipe, link) = (pipe.display().to_string(), link.display().to_string());
    let start = Instant::now();
    for words in [
        vec!["chart", &pipe],
        vec!["check", &pipe],
        vec!["chart", &link],
        vec!["chart", "/dev/zero"],
        vec!["chart", &main],
        vec!["suspect", &stage, "--readings", &pipe],
        vec![
            "suspect",
            &stage,
            "--read",
            "plate1=5V",
            "--rates",
            "/dev/zero",
        ],
    ] {
        let output = run(&words);
        status(&output, 2);
        assert!(
            stderr(&output).contains("is no regular file"),
            "{words:?}: {}",
            stderr(&output)
        );
    }
    // Standard input may be a pipe, and is bounded too.
    let zero = std::fs::File::open("/dev/zero").unwrap();
    let output = Command::new(env!("CARGO_BIN_EXE_deadstage"))
        .args(["chart", "-"])
        .stdin(zero)
        .output()
        .unwrap();
    status(&output, 2);
    assert!(stderr(&output).contains("standard input is longer than 1 MiB"));
    assert!(start.elapsed() < Duration::from_secs(10));
}

#[cfg(unix)]
#[test]
fn includes_stay_in_the_folder_of_the_first_file() {
    let folder = folder("inside");
    std::fs::create_dir_all(folder.join("set/parts")).unwrap();
    std::fs::create_dir_all(folder.join("elsewhere")).unwrap();
    let part = "stage \"Part\"\nresistor R9 1k from plate1 to chassis\n";
    write(&folder, "elsewhere/part.stage", part);
    write(&folder, "set/parts/part.stage", part);
    write(
        &folder,
        "set/parts/over.stage",
        "stage \"Over\"\ninclude \"../parts/part.stage\"\n",
    );
    write(
        &folder,
        "set/parts/out.stage",
        "stage \"Out\"\ninclude \"../../elsewhere/part.stage\"\n",
    );
    let secret = folder.join("elsewhere/part.stage");
    std::os::unix::fs::symlink(&secret, folder.join("set/parts/link.stage")).unwrap();
    let elsewhere = folder.join("elsewhere").display().to_string();
    let absolute = secret.display().to_string();
    for (path, inside) in [
        ("parts/part.stage", true),
        ("parts/over.stage", true),
        ("parts/../parts/part.stage", true),
        ("parts/out.stage", false),
        ("parts/link.stage", false),
        ("../elsewhere/part.stage", false),
        (&absolute, false),
    ] {
        let stage = write(
            &folder,
            "set/main.stage",
            &format!("{STAGE}include \"{path}\"\n"),
        );
        let output = run(&["chart", &stage]);
        status(&output, if inside { 0 } else { 2 });
        let said = stderr(&output);
        assert_eq!(
            said.contains("it lies outside the folder of"),
            !inside,
            "{path}: {said}"
        );
        assert_eq!(said.contains("--include-from"), !inside, "{path}: {said}");
        for command in ["chart", "check"] {
            let allowed = run(&[command, &stage, "--include-from", &elsewhere]);
            assert_ne!(
                allowed.status.code(),
                Some(2),
                "{path}: {}",
                stderr(&allowed)
            );
        }
    }
    let stage = folder.join("set/main.stage").display().to_string();
    let output = run(&["chart", &stage, "--include-from", "no/such/folder"]);
    status(&output, 2);
    assert!(stderr(&output).contains("there is no such folder"));
}

#[test]
fn nothing_hidden_reaches_a_terminal_or_a_document() {
    let folder = folder("hidden");
    let tricks = "\u{1b}]0;x\u{7}\u{202e}\u{200b}\u{9b}1m";
    let text = STAGE.replace("Classroom", tricks)
        + &format!(
            "notes \"{tricks}\"\nsection \"{tricks}\"\nresistor R9 1k from plate1 to chassis\n"
        );
    let stage = write(
        &folder,
        &format!("g\u{1b}[1mood{}.stage", '\u{202e}'),
        &text,
    );
    let bad = write(
        &folder,
        "bad.stage",
        &format!(
            "stage \"x\"\nresistor R1{tricks} 1k from a to b\ninclude \"{tricks}\"\n{tricks}\n"
        ),
    );
    let sheet = write(&folder, "s.readings", &SHEET.replace("No sound", tricks));
    for words in [
        vec!["chart", &stage],
        vec!["chart", &stage, "--ohms"],
        vec!["chart", &stage, "--setting", tricks],
        vec!["chart", &bad],
        vec!["suspect", &stage, "--readings", &sheet],
        vec!["suspect", &stage, "--read", tricks, "--rates", tricks],
        vec!["tubes", tricks],
        vec!["check", &stage, &bad],
        vec!["chart", tricks],
        vec!["chart", &stage, &format!("--{tricks}")],
    ] {
        for format in [&[][..], &["--format", "json"]] {
            let output = run(&[&words[..], format].concat());
            assert_eq!(
                hidden(&stdout(&output)),
                None,
                "{words:?}\n{}",
                stdout(&output)
            );
            assert_eq!(
                hidden(&stderr(&output)),
                None,
                "{words:?}\n{}",
                stderr(&output)
            );
            if !format.is_empty() {
                json(&output);
            }
        }
    }
    let output = run(&["check", &stage, &bad, "--format", "junit"]);
    assert_eq!(hidden(&stdout(&output)), None);
    // A program gets the name of the file as it is.
    let found = json(&run(&["check", &stage, "--format", "json"]));
    assert_eq!(found["files"][0]["file"], stage);
}

#[test]
fn words_that_mean_nothing_are_a_document_too() {
    for words in [
        "--format json",
        "chart --format json",
        "chart x.stage --format=json --bad",
        "check --format json",
        "no-such-command --format json",
        "suspect x.stage --format json --most 0 --read a=1V --read=b=2V",
        "tubes --format json --no",
        "shunt --format json --movement 1mA",
    ] {
        let words: Vec<&str> = words.split(' ').collect();
        let output = run(&words);
        status(&output, 2);
        assert!(!stderr(&output).is_empty());
        let found = json(&output);
        assert_eq!(found["schema"], "deadstage.errors/1");
        let error = &found["errors"][0];
        assert_eq!(error["code"], "usage", "{words:?}");
        assert_eq!(error["severity"], "error");
        let message = error["message"].as_str().unwrap();
        assert!(!message.is_empty() && !message.contains('\n'), "{message}");
        if words.contains(&"--most") {
            assert_eq!(found["unused"], serde_json::json!(["a=1V", "b=2V"]));
            assert!(stderr(&output).contains("volts b 2V"));
        }
    }
    // Help that was asked for is no error.
    for words in [
        vec!["--help"],
        vec!["chart", "--help", "--format", "json"],
        vec!["--version"],
    ] {
        let output = run(&words);
        status(&output, 0);
        assert_eq!(stderr(&output), "");
        assert!(stdout(&output).to_lowercase().contains("deadstage"));
    }
}

/// A minus sign before a number that is nothing: `-0`, `-0.00`, `-0 V`, but not `-0.5`, `e-06` or `x-0`.
fn signed_zero(text: &str) -> Option<&str> {
    let starts = text.match_indices('-').map(|(at, _)| at);
    starts
        .filter(|&at| {
            !text[..at].ends_with(|c: char| c.is_alphanumeric()) && text[at + 1..].starts_with('0')
        })
        .map(|at| {
            let rest = &text[at + 1..];
            let end = rest.find(|c: char| c != '.' && !c.is_ascii_digit());
            &text[at..at + 1 + end.unwrap_or(rest.len())]
        })
        .find(|number| !number.contains(|c| matches!(c, '1'..='9')))
}

#[test]
fn no_zero_has_a_sign() {
    assert_eq!(signed_zero("a -0.5 e-06 -1 x-0"), None);
    assert_eq!(signed_zero("off by -0.0 spreads"), Some("-0.0"));
    let folder = folder("zero");
    let more = "supply B2 12V source 1k from chassis to bias\nresistor R8 1k from bias to chassis\n\
        meter M1 1mA 100 scale \"0-100 mA\" from out to m\nresistor R9 1M from m to chassis\n\
        expect out -0V\nexpect bias -6V ±0.1%\nexpect plate1 164.9V ±0.01%\nexpect panel M1 -0mA\n";
    let stage = write(&folder, "z.stage", &format!("{STAGE}{more}"));
    let sheet = format!(
        "{SHEET}volts out -0V\nvolts grid1 -0.0001V\npanel M1 -0.001mA\nohms out 0\nvolts bias -6V\n"
    );
    let sheet = write(&folder, "z.readings", &sheet);
    for words in [
        vec!["check", &stage],
        vec!["chart", &stage],
        vec!["chart", &stage, "--ohms"],
        vec![
            "suspect",
            &stage,
            "--readings",
            &sheet,
            "--plan",
            "--most",
            "1000",
        ],
        vec![
            "suspect",
            &stage,
            "--read",
            "out=-0V",
            "--read",
            "grid1=-0.00V",
        ],
    ] {
        for format in [&[][..], &["--format", "json"]] {
            let output = run(&[&words[..], format].concat());
            assert_ne!(output.status.code(), Some(2), "{}", stderr(&output));
            let text = stdout(&output);
            assert_eq!(signed_zero(&text), None, "{words:?}\n{text}");
        }
    }
}

#[test]
fn the_mains_voltage_of_a_sheet_and_of_the_command_line_are_bounded_alike() {
    let folder = folder("line");
    let stage = write(&folder, "good.stage", STAGE);
    for typed in ["5000V", "0V", "117A", "many"] {
        let sheet = write(
            &folder,
            "l.readings",
            &format!("readings \"x\"\nline {typed}\nvolts plate1 5V\n"),
        );
        let message = |words: &[&str]| {
            let output = run(&[words, &["--format", "json"]].concat());
            status(&output, 2);
            let error = json(&output)["errors"][0].clone();
            (
                error["code"].clone(),
                error["message"].clone(),
                error["help"].clone(),
            )
        };
        let on_sheet = message(&["suspect", &stage, "--readings", &sheet]);
        assert_eq!(message(&["chart", &stage, "--line", typed]), on_sheet);
        assert_eq!(
            message(&["suspect", &stage, "--read", "plate1=5V", "--line", typed]),
            on_sheet
        );
    }
}

#[test]
fn a_shorted_supply_is_warned_of_and_answered_all_the_same() {
    let folder = folder("shorted");
    let text = format!("{STAGE}link J1 from bplus to a\nfuse F1 from a to chassis\n");
    let stage = write(&folder, "shorted.stage", &text);
    let output = run(&["chart", &stage, "--format", "json"]);
    status(&output, 0);
    let said = stderr(&output);
    assert!(
        said.contains("warning[shorted-supply]: B1 is shorted by J1, F1"),
        "{said}"
    );
    let found = json(&run(&["check", &stage, "--format", "json"]));
    let problem = &found["files"][0]["problems"][0];
    assert_eq!(problem["code"], "shorted-supply");
    assert_eq!(problem["severity"], "warning");
}
