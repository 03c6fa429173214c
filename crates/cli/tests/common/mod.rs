//! What the tests of the program share: a stage and a sheet, folders, and running it.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

pub(crate) const STAGE: &str = r#"stage "Classroom preamplifier"
line 117V
supply    B1 250V ±5% source 1.2k from bplus to chassis follows line
resistor  R1 1M 10% 0.5W          from grid1 to chassis
resistor  R2 1k5 10% 0.5W         from cathode1 to chassis
capacitor C1 25u 25V electrolytic from cathode1 to chassis
resistor  R3 100k 10% 0.5W        from bplus to plate1
tube      V1 12AX7 section 1      plate=plate1 grid=grid1 cathode=cathode1
capacitor C2 20n 400V paper       from plate1 to out
resistor  R4 470k 20% 0.5W        from out to chassis
expect plate1   165V ±15%
expect cathode1 1.3V ±20%
"#;

pub(crate) const SHEET: &str = r#"readings "No sound from the classroom"
meter 11M 3%
line 117V
volts bplus 249V
volts plate1 249V
volts cathode1 0.01V
volts across R3 0.02V
"#;

/// A folder of its own for one test.
pub(crate) fn folder(test: &str) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join(test);
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

pub(crate) fn write(folder: &Path, name: &str, text: &str) -> String {
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

pub(crate) fn run(words: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_deadstage"))
        .args(words)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

pub(crate) fn stdout(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

pub(crate) fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

pub(crate) fn json(output: &Output) -> Value {
    serde_json::from_str(&stdout(output))
        .unwrap_or_else(|error| panic!("{error} in\n{}\n{}", stdout(output), stderr(output)))
}

#[track_caller]
pub(crate) fn status(output: &Output, expected: i32) {
    assert_eq!(
        output.status.code(),
        Some(expected),
        "stdout:\n{}\nstderr:\n{}",
        stdout(output),
        stderr(output)
    );
}
