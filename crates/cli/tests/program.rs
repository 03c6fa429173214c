//! The program as its users meet it: words in, two streams and a status out.
#![allow(clippy::unwrap_used, reason = "a test may stop where it stands")]

mod common;

use common::{SHEET, STAGE, folder, json, run, status, stderr, stdout, write};
use serde_json::Value;
use std::io::Write;
use std::process::{Command, Stdio};

#[test]
fn a_sound_netlist_is_well() {
    let folder = folder("sound");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&["check", &stage]);
    status(&output, 0);
    assert!(stdout(&output).starts_with("ok"), "{}", stdout(&output));
    assert!(stdout(&output).contains("2 of 2 values of the print"));
    assert_eq!(stderr(&output), "");
}

#[test]
fn a_missed_value_of_the_print_is_a_no() {
    let folder = folder("missed");
    let text = STAGE.replace("expect plate1   165V", "expect plate1   65V");
    let stage = write(&folder, "missed.stage", &text);
    let output = run(&["check", &stage, "--format", "json"]);
    status(&output, 1);
    let found = json(&output);
    assert_eq!(found["schema"], "deadstage.check/1");
    let expects = &found["files"][0]["settings"][0]["expects"];
    assert_eq!(expects[0]["pass"], false);
    assert_eq!(expects[1]["pass"], true);
    let computed = expects[0]["computed"].as_f64().unwrap();
    assert!((140.0..190.0).contains(&computed), "{computed}");
}

#[test]
fn every_fault_of_a_bad_file_is_told_in_one_run() {
    let folder = folder("bad");
    let text = STAGE
        .replace("resistor  R3 100k", "resistr   R3 100k")
        .replace("12AX7", "12AXX7");
    let stage = write(&folder, "bad.stage", &text);
    let output = run(&["check", &stage]);
    status(&output, 2);
    let said = stderr(&output);
    for words in ["bad.stage:7", "resistr", "resistor", "12AXX7", "12AX7"] {
        assert!(said.contains(words), "{words} is missing in\n{said}");
    }
    assert!(stdout(&output).contains("BAD"));
}

#[test]
fn folders_are_walked_in_order_and_the_worst_status_wins() {
    let folder = folder("walk");
    std::fs::create_dir_all(folder.join("b")).unwrap();
    write(&folder, "z.stage", STAGE);
    write(&folder, "a.stage", STAGE);
    write(&folder, "b/inner.stage", "stage \"Empty\"\nresistr R1\n");
    write(&folder, "notes.txt", "not a stage");
    let path = folder.display().to_string();
    let output = run(&["check", &path, "--format", "json"]);
    status(&output, 2);
    let found = json(&output);
    let files: Vec<&str> = found["files"]
        .as_array()
        .unwrap()
        .iter()
        .map(|file| file["file"].as_str().unwrap())
        .collect();
    assert_eq!(files.len(), 3);
    assert!(files[0].ends_with("a.stage"));
    assert!(files[1].ends_with("inner.stage"));
    assert!(files[2].ends_with("z.stage"));
    let empty = folder.join("nothing");
    std::fs::create_dir_all(&empty).unwrap();
    status(&run(&["check", &empty.display().to_string()]), 2);
}

#[test]
fn junit_is_written_for_every_value() {
    let folder = folder("junit");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&["check", &stage, "--format", "junit"]);
    status(&output, 0);
    assert!(
        stdout(&output).contains("tests=\"4\" failures=\"0\" errors=\"0\""),
        "{}",
        stdout(&output)
    );
    assert!(stdout(&output).contains("name=\"cathode1\""));
}

#[test]
fn a_chart_shows_what_the_meter_makes_of_it() {
    let folder = folder("chart");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&["chart", &stage, "--meter", "1k/V", "--format", "json"]);
    status(&output, 0);
    let found = json(&output);
    assert_eq!(found["schema"], "deadstage.chart/1");
    let points = found["points"].as_array().unwrap();
    let plate = points.iter().find(|p| p["point"] == "plate1").unwrap();
    let (volts, shown) = (
        plate["volts"].as_f64().unwrap(),
        plate["shown"].as_f64().unwrap(),
    );
    assert!((140.0..190.0).contains(&volts), "{volts}");
    assert!(
        shown < volts - 5.0,
        "a 1 kΩ/V meter must load the plate: {shown}"
    );
    assert!(plate["low"].as_f64().unwrap() < volts && plate["high"].as_f64().unwrap() > volts);
    assert_eq!(plate["print"], 165.0);
    let parts = found["parts"].as_array().unwrap();
    let amps = |name: &str| {
        parts.iter().find(|p| p["part"] == name).unwrap()["amps"]
            .as_f64()
            .unwrap()
    };
    assert!((amps("R3") - amps("V1 plate")).abs() < 1e-6);
    let text = run(&["chart", &stage]);
    status(&text, 0);
    assert!(stdout(&text).contains("plate1"));
    assert!(stdout(&text).contains("Caution"));
}

#[test]
fn a_resistance_chart_has_null_for_no_path() {
    let folder = folder("ohms");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&["chart", &stage, "--ohms", "--format", "json"]);
    status(&output, 0);
    let found = json(&output);
    assert_eq!(found["schema"], "deadstage.ohms/1");
    let grid = found["points"]
        .as_array()
        .unwrap()
        .iter()
        .find(|p| p["point"] == "grid1")
        .unwrap();
    let ohms = grid["ohms"].as_f64().unwrap();
    assert!((0.99e6..1.01e6).contains(&ohms), "{ohms}");
}

#[test]
fn a_plan_is_printed_if_it_is_asked_for() {
    let folder = folder("plan");
    let stage = write(&folder, "good.stage", STAGE);
    let asked = ["suspect", &stage, "--read", "plate1=249V", "--meter", "11M"];
    let with = |more: &[&str]| {
        let output = run(&[&asked[..], more].concat());
        status(&output, 0);
        output
    };
    let text = stdout(&with(&["--plan"]));
    let plan = text.split("\nPlan\n").nth(1).unwrap();
    assert!(
        plan.contains("  * ") && plan.contains("-> Replace "),
        "{plan}"
    );
    assert!(plan.contains("below ") && plan.contains("above "), "{plan}");
    assert!(plan.contains("Caution"), "{plan}");
    assert!(text.lines().all(|line| line.chars().count() <= 100));
    assert!(!stdout(&with(&[])).contains("\nPlan\n"));
    let found = json(&with(&["--plan", "--format", "json"]));
    let plan = &found["plan"];
    assert_eq!(plan["then"], "measure");
    assert_eq!(plan["point"], found["next"][0]["point"]);
    assert_eq!(plan["kind"], found["next"][0]["kind"]);
    let sum: f64 = plan["branches"]
        .as_array()
        .unwrap()
        .iter()
        .map(|branch| branch["probability"].as_f64().unwrap())
        .sum();
    assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    let without = json(&with(&["--format", "json"]));
    assert!(without.get("plan").is_none());
    assert_eq!(without["next"], found["next"]);
}

#[test]
fn suspects_add_to_one_and_explain_the_readings() {
    let folder = folder("suspect");
    let stage = write(&folder, "good.stage", STAGE);
    let sheet = write(&folder, "found.readings", SHEET);
    let output = run(&["suspect", &stage, "--readings", &sheet, "--format", "json"]);
    status(&output, 0);
    let found = json(&output);
    assert_eq!(found["schema"], "deadstage.suspects/1");
    let suspects = found["suspects"].as_array().unwrap();
    let sum: f64 = suspects
        .iter()
        .map(|s| s["probability"].as_f64().unwrap())
        .chain(["healthy", "unexplained", "rest"].map(|key| found[key].as_f64().unwrap()))
        .sum();
    assert!((sum - 1.0).abs() < 1e-6, "{sum}");
    // No current in the plate load, none in the cathode: the tube, its
    // cathode circuit or a contact, never the plate load.
    let top = &suspects[0]["faults"][0];
    assert!(
        ["V1", "R2"].contains(&top["part"].as_str().unwrap()),
        "{top}"
    );
    assert_eq!(found["readings"].as_array().unwrap().len(), 4);
    let next = found["next"].as_array().unwrap();
    assert!(!next.is_empty());
    assert!(next.iter().all(|n| n["bits"].as_f64().unwrap() > 0.0));
    let text = run(&["suspect", &stage, "--readings", &sheet]);
    status(&text, 0);
    for words in [
        "Suspects",
        "Measure next",
        "Readings that are off",
        "Caution",
    ] {
        assert!(stdout(&text).contains(words), "{words}");
    }
    assert!(
        !stdout(&text).contains('\u{1b}'),
        "styles only on a terminal"
    );
    assert!(
        stdout(&text)
            .lines()
            .all(|line| line.chars().count() <= 100)
    );
}

#[test]
fn readings_may_come_from_the_command_line_alone() {
    let folder = folder("read");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&[
        "suspect",
        &stage,
        "--read",
        "plate1=249V",
        "--read",
        "V1 pin 3=0.02V",
        "--read",
        "grid1=-0.01V",
        "--meter",
        "11M 3%",
        "--most",
        "3",
        "--format",
        "json",
    ]);
    status(&output, 0);
    let found = json(&output);
    assert_eq!(found["readings"].as_array().unwrap().len(), 3);
    assert!(found["suspects"].as_array().unwrap().len() <= 3);
    assert!(found["rest"].as_f64().unwrap() > 0.0);
}

#[test]
fn nothing_typed_is_lost_on_an_error() {
    let folder = folder("kept");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&[
        "suspect",
        &stage,
        "--read",
        "plate1=249V",
        "--read",
        "plte1=5V",
        "--format",
        "json",
    ]);
    status(&output, 2);
    let said = stderr(&output);
    assert!(said.contains("plate1"), "{said}");
    assert!(said.contains("volts plate1 249V"), "{said}");
    let found = json(&output);
    assert_eq!(found["schema"], "deadstage.errors/1");
    assert_eq!(found["unused"][0], "plate1=249V");
    // The same where the stage itself is at fault.
    let missing = run(&["suspect", "no-such.stage", "--read", "plate1=249V"]);
    status(&missing, 2);
    assert!(stderr(&missing).contains("no-such.stage"));
    assert!(stderr(&missing).contains("volts plate1 249V"));
}

#[test]
fn bad_words_of_the_command_line_are_bad_input() {
    let folder = folder("words");
    let stage = write(&folder, "good.stage", STAGE);
    for words in [
        vec!["chart", &stage, "--meter", "20q/V"],
        vec!["chart", &stage, "--line", "many"],
        vec!["chart", &stage, "--setting", "transmit"],
        vec!["chart", "missing.stage"],
        vec!["suspect", &stage],
        vec!["suspect", &stage, "--read", "plate1"],
        vec![
            "suspect",
            &stage,
            "--read",
            "plate1=1V",
            "--rates",
            "in-servise",
        ],
        vec!["tubes", "12AXX"],
        vec!["no-such-command"],
        vec![],
    ] {
        let output = run(&words);
        status(&output, 2);
        assert!(!stderr(&output).is_empty(), "{words:?}");
        assert_eq!(stdout(&output), "", "{words:?}");
    }
}

/// Probability of all suspects that name this part.
fn blamed(found: &Value, part: &str) -> f64 {
    let suspects = found["suspects"].as_array().unwrap();
    let names = |s: &Value| {
        let faults = s["faults"].as_array().unwrap();
        faults.iter().any(|fault| fault["part"] == part)
    };
    suspects
        .iter()
        .filter(|s| names(s))
        .map(|s| s["probability"].as_f64().unwrap())
        .sum()
}

#[test]
fn standard_input_holds_one_text_and_an_empty_rates_file_is_none() {
    let folder = folder("twice");
    let stage = write(&folder, "bench.stage", STAGE);
    let sheet = write(&folder, "bench.readings", SHEET);
    let twice = run(&["suspect", &stage, "--readings", "-", "--rates", "-"]);
    assert_eq!(twice.status.code(), Some(2));
    assert!(stderr(&twice).contains("given twice"), "{}", stderr(&twice));
    let empty = write(&folder, "empty.rates", "");
    let output = run(&["suspect", &stage, "--readings", &sheet, "--rates", &empty]);
    assert_eq!(output.status.code(), Some(2));
    assert!(
        stderr(&output).contains("begins with its title"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn a_rates_file_moves_the_odds_and_what_is_wrong_in_it_is_shown() {
    let folder = folder("rates");
    let stage = write(&folder, "good.stage", STAGE);
    let sheet = write(&folder, "found.readings", SHEET);
    let good = write(
        &folder,
        "own.rates",
        "rates \"Own\"\ntube x0.1\nR2 open 20%\n",
    );
    let ask = |rates: &str| {
        let words = ["suspect", &stage, "--readings", &sheet, "--rates", rates];
        run(&[&words[..], &["--format", "json"]].concat())
    };
    let table = ask("decades-old");
    status(&table, 0);
    let own = ask(&good);
    status(&own, 0);
    let (before, after) = (json(&table), json(&own));
    assert!(blamed(&after, "R2") > blamed(&before, "R2") + 0.1);
    assert!(blamed(&after, "V1") < blamed(&before, "V1"));
    // A failure that no reading shows is a warning, and the answer comes all the same.
    let hidden = write(&folder, "hidden.rates", "rates \"Own\"\nC1 open x2\n");
    let output = ask(&hidden);
    status(&output, 0);
    assert!(
        stderr(&output).contains("hidden.rates:2:4"),
        "{}",
        stderr(&output)
    );
    let bad = write(
        &folder,
        "bad.rates",
        "rates \"Own\"\nresistr open x5\nR2 opn x5\n",
    );
    let words = ["suspect", &stage, "--read", "plate1=249V", "--rates", &bad];
    let output = run(&words);
    status(&output, 2);
    let said = stderr(&output);
    for words in [
        "bad.rates:2:1",
        "did you mean `resistor`?",
        "bad.rates:3:4",
        "did you mean `open`?",
        "^^^",
        "volts plate1 249V",
    ] {
        assert!(said.contains(words), "{words} in\n{said}");
    }
}

#[test]
fn what_was_read_before_a_repair_is_marked_and_still_counts() {
    let folder = folder("repair");
    let stage = write(&folder, "good.stage", STAGE);
    let found = write(&folder, "found.readings", SHEET);
    let after = write(
        &folder,
        "after.readings",
        "readings \"After\"\nmeter 11M 3%\nline 117V\nreplaced V1\nvolts plate1 248V\nvolts cathode1 0.01V\n",
    );
    let words = [
        "suspect",
        &stage,
        "--readings",
        &found,
        "--readings",
        &after,
    ];
    let output = run(&[&words[..], &["--format", "json"]].concat());
    status(&output, 0);
    let both = json(&output);
    let readings = both["readings"].as_array().unwrap();
    let before: Vec<Option<u64>> = readings
        .iter()
        .map(|r| r["repairs_since"].as_u64())
        .collect();
    assert_eq!(before, [Some(1), Some(1), Some(1), Some(1), None, None]);
    // A new tube changed nothing: it was not the tube, and what is left is its socket or the cathode's circuit.
    let found = run(&[&words[..4], &["--format", "json"]].concat());
    let top = |answer: &Value| answer["suspects"][0]["faults"].as_array().unwrap().clone();
    assert_eq!(top(&json(&found))[0]["mode"], "dead");
    assert!(
        top(&both)
            .iter()
            .any(|fault| fault["mode"] == "poor contact")
    );
    let dead = |s: &&Value| s["faults"].to_string().contains("dead");
    let suspects = both["suspects"].as_array().unwrap();
    let left: f64 = suspects
        .iter()
        .filter(dead)
        .map(|s| s["probability"].as_f64().unwrap())
        .sum();
    assert!(left < 0.02, "{left}");
    let text = run(&words);
    assert!(stdout(&text).contains("plate1 before the last repair"));
}

#[test]
fn a_file_that_is_no_text_is_told_by_name() {
    let folder = folder("binary");
    let path = folder.join("noise.stage");
    std::fs::write(&path, [b's', b'\n', 0xff, 0xfe, 0x00]).unwrap();
    let output = run(&["chart", &path.display().to_string()]);
    status(&output, 2);
    assert!(
        stderr(&output).contains("noise.stage is not UTF-8 text (line 2)"),
        "{}",
        stderr(&output)
    );
}

#[test]
fn a_stage_may_come_on_standard_input() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_deadstage"))
        .args(["chart", "-"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    child
        .stdin
        .take()
        .unwrap()
        .write_all(STAGE.as_bytes())
        .unwrap();
    let output = child.wait_with_output().unwrap();
    status(&output, 0);
    assert!(stdout(&output).contains("Classroom preamplifier"));
}

#[test]
fn the_tube_table_is_there_for_people_and_programs() {
    let all = run(&["tubes", "--format", "json"]);
    status(&all, 0);
    let found = json(&all);
    assert_eq!(found["schema"], "deadstage.tubes/1");
    let tubes = found["tubes"].as_array().unwrap();
    assert!(
        tubes
            .iter()
            .any(|t| t["type"] == "12AX7" && t["kind"] == "triode")
    );
    let one = run(&["tubes", "ecc83"]);
    status(&one, 0);
    assert!(stdout(&one).starts_with("12AX7"));
}

#[test]
fn a_tube_is_told_by_any_name_with_what_fits_and_where_it_is_used() {
    // A version that the table does not know is told as such.
    let doubtful = run(&["tubes", "6L6XQ"]);
    status(&doubtful, 0);
    assert!(
        stdout(&doubtful).contains("ratings"),
        "{}",
        stdout(&doubtful)
    );
    assert!(!stdout(&run(&["tubes", "6L6-G"])).contains("!"));
    let drawn = stdout(&run(&["tubes", "6v6 gt"]));
    assert!(drawn.contains("Base from below, octal"), "{drawn}");
    assert!(drawn.contains("design-center"), "{drawn}");

    let like = run(&["tubes", "12AX7WA", "--like"]);
    status(&like, 0);
    assert!(stdout(&like).contains("12AD7"), "{}", stdout(&like));
    let like = json(&run(&["tubes", "12AX7", "--like", "--format", "json"]));
    assert_eq!(like["tubes"][0]["substitutes"][0]["type"], "12AD7");

    let netlists = concat!(env!("CARGO_MANIFEST_DIR"), "/../../netlists");
    let used = run(&["tubes", "6V6GT", "--used-in", netlists]);
    status(&used, 0);
    assert!(stdout(&used).contains("self-biased-output.stage: V2"));
    let all = run(&["tubes", "--used-in", netlists, "--format", "json"]);
    status(&all, 0);
    let found = json(&all);
    let tubes = found["tubes"].as_array().unwrap();
    let used = tubes.iter().find(|t| t["type"] == "6V6").unwrap();
    assert!(used["used_in"].as_array().unwrap().len() >= 3);
    assert!(
        tubes
            .iter()
            .all(|t| !t["used_in"].as_array().unwrap().is_empty())
    );
    // Nothing there, and no such place.
    let none = run(&["tubes", "813", "--used-in", netlists]);
    assert!(stdout(&none).contains("No stage there uses a 813"));
    status(&run(&["tubes", "6V6", "--used-in", "no-such-folder"]), 2);
    status(&run(&["tubes", "--like"]), 2);
    let begun = run(&["tubes", "12ax"]);
    status(&begun, 2);
    let said = String::from_utf8_lossy(&begun.stderr).into_owned();
    assert!(said.contains("12AX7"), "{said}");
}

#[test]
fn a_shunt_is_worked_out_and_tried() {
    let words = "shunt --movement 1mA --coil 100 --full-scale 100mA --series e12";
    let words: Vec<&str> = words.split(' ').collect();
    let output = run(&words);
    status(&output, 0);
    assert!(stdout(&output).contains("1.0101 Ω"), "{}", stdout(&output));
    let with = |more: &[&'static str]| run(&[&words[..], more].concat());
    let tried = with(&["--known", "80mA", "--shows", "76mA", "--format", "json"]);
    status(&tried, 0);
    let found = json(&tried);
    assert_eq!(found["schema"], "deadstage.shunt/1");
    assert_eq!(found["kind"], "shunt");
    assert_eq!(found["preferred"][0]["ohms"], 1.0);
    assert_eq!(found["bench"]["error_percent"], -5.0);
    // Its volts at full scale say as much of a movement as its current.
    let by_volts = run(&[
        "shunt",
        "--movement",
        "100mV",
        "--coil",
        "100",
        "--full-scale",
        "100mA",
        "--series",
        "e12",
    ]);
    assert_eq!(stdout(&by_volts), stdout(&output));
}

#[test]
fn a_shunt_that_can_not_be_is_a_no_and_a_slip_of_units_bad_input() {
    let shunt = |scale: &str, more: &[&str]| {
        let words = [
            "shunt",
            "--movement",
            "1mA",
            "--coil",
            "100",
            "--full-scale",
            scale,
        ];
        run(&[&words[..], more].concat())
    };
    let coarse = shunt("0.5mA", &["--format", "json"]);
    status(&coarse, 1);
    assert_eq!(json(&coarse)["errors"][0]["code"], "no-such-resistor");
    let bare = shunt("500", &[]);
    status(&bare, 2);
    assert!(
        stderr(&bare).contains("write the unit too"),
        "{}",
        stderr(&bare)
    );
    let mixed = shunt("500V", &["--known", "80mA", "--shows", "100V"]);
    status(&mixed, 2);
    assert!(
        stderr(&mixed).contains("give a voltage"),
        "{}",
        stderr(&mixed)
    );
    status(&shunt("500V", &["--known", "80V"]), 2);
}

#[test]
fn a_drawing_goes_to_the_screen_or_to_a_file() {
    let folder = folder("drawn");
    let stage = write(&folder, "good.stage", STAGE);
    let output = run(&["draw", &stage]);
    status(&output, 0);
    let plain = stdout(&output);
    assert!(plain.starts_with("<svg"), "{plain}");
    assert!(plain.contains("data-part=\"R3\""), "{plain}");
    // A drawing of the print alone speaks of no voltage, and needs no caution.
    assert!(!plain.contains("it can kill"), "{plain}");
    let path = folder.join("drawn.svg").display().to_string();
    let output = run(&["draw", &stage, "--volts", "--out", &path]);
    status(&output, 0);
    assert_eq!(stdout(&output), "");
    let measured = std::fs::read_to_string(&path).unwrap();
    assert!(measured.contains("it can kill"), "{measured}");
    assert!(measured.contains("class=\"volts\""), "{measured}");
    let sheet = write(&folder, "taken.readings", SHEET);
    let output = run(&["draw", &stage, "--readings", &sheet]);
    status(&output, 0);
    let suspected = stdout(&output);
    assert!(suspected.contains("class=\"suspect-body\""), "{suspected}");
    assert!(suspected.contains("class=\"read off\""), "{suspected}");
    assert!(suspected.contains("it can kill"), "{suspected}");
}

#[test]
fn sections_are_drawn_one_by_one() {
    let folder = folder("sections");
    let text = STAGE.replace("resistor  R3", "section \"Load, and more\"\nresistor  R3");
    let stage = write(&folder, "two.stage", &text);
    let output = run(&["draw", &stage, "--section", "load, and more"]);
    status(&output, 0);
    let drawn = stdout(&output);
    assert!(drawn.contains("data-part=\"R3\""), "{drawn}");
    let output = run(&["draw", &stage, "--section", "Nowhere"]);
    status(&output, 2);
    assert!(stderr(&output).contains("Load, and more"));
    let into = folder.join("drawings");
    let path = into.display().to_string();
    // The folder is not there yet.
    status(&run(&["draw", &stage, "--sections", &path]), 2);
    std::fs::create_dir_all(&into).unwrap();
    status(&run(&["draw", &stage, "--sections", &path]), 0);
    let files: Vec<String> = std::fs::read_dir(&into)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert_eq!(files, ["01-load--and-more.svg"]);
    let bad = run(&["draw", &stage, "--read", "plate1=oops", "--volts"]);
    status(&bad, 2);
    assert!(stderr(&bad).contains("plate1"), "{}", stderr(&bad));
}

#[test]
fn a_chart_and_an_answer_are_pages_in_one_file() {
    let folder = folder("pages");
    let stage = write(&folder, "good.stage", STAGE);
    let sheet = write(&folder, "taken.readings", SHEET);
    let chart = run(&["chart", &stage, "--format", "html", "--meter", "20k/V"]);
    status(&chart, 0);
    let page = stdout(&chart);
    for words in [
        "<!DOCTYPE html>",
        "Classroom preamplifier",
        "data-part=\"R3\"",
        "class=\"volts\"",
        "Points beside the print",
        "load line of 10",
        "it can kill",
    ] {
        assert!(page.contains(words), "{words} is missing in\n{page}");
    }
    status(&run(&["chart", &stage, "--ohms", "--format", "html"]), 0);
    let answer = run(&["suspect", &stage, "--readings", &sheet, "--format", "html"]);
    status(&answer, 0);
    let page = stdout(&answer);
    for words in [
        "class=\"suspect-body\"",
        "Readings beside what a healthy unit shows",
        "How the odds moved",
        "Measure next",
        "it can kill",
    ] {
        assert!(page.contains(words), "{words} is missing in\n{page}");
    }
    // Nothing is fetched and nothing runs.
    for page in [stdout(&chart), page] {
        assert!(page.contains("default-src 'none'") || page.contains("default-src &#39;none&#39;"));
        for word in ["<script", "src=", "href=", "@import", "url(http"] {
            assert!(!page.contains(word), "{word}");
        }
    }
}
