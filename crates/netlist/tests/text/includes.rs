//! A chassis made of stages.

use std::collections::BTreeMap;

use deadstage_netlist::*;

use crate::fixtures::names;

/// Reads `main.stage` of a made-up folder. Paths are names in the folder.
fn chassis(files: &[(&str, &str)]) -> Parsed<Stage> {
    let folder: BTreeMap<&str, &str> = files.iter().copied().collect();
    let mut load = |_: &str, path: &str| match folder.get(path) {
        Some(text) => Ok((path.to_owned(), (*text).to_owned())),
        None => Err("there is no such file".to_owned()),
    };
    parse_stage("main.stage", folder["main.stage"], &names(), &mut load)
}

fn codes<T>(parsed: &Parsed<T>) -> Vec<&str> {
    parsed.diagnostics.iter().map(|d| d.code).collect()
}

const POWER: &str = "stage \"Power\"\ncommon earth\nline 117V\nsettings receive transmit\n\
    section \"Supply\"\nsupply B1 250V from bplus to earth follows line\n\
    relay K1 5k pulls-in 8mA from bplus to key\ncontact K1 from key to earth normally open\n\
    switch S1 from key to earth closed in transmit\nexpect bplus 250V\nexpect across B1 250V\n\
    notes \"power\"\n";

#[test]
fn files_are_joined_at_nodes_of_one_name_and_at_their_commons() {
    let parsed = chassis(&[
        (
            "main.stage",
            "stage \"Chassis\"\nsettings receive\nsection \"Audio\"\nresistor R1 1k from bplus to out\n\
             include \"power.stage\" as PS\nresistor R2 1k from out to chassis\n",
        ),
        ("power.stage", POWER),
    ]);
    assert_eq!(codes(&parsed), Vec::<&str>::new());
    let stage = parsed.value;
    assert_eq!(stage.title, "Chassis");
    assert_eq!(stage.notes, ["power"]);
    assert_eq!(stage.line, Some(Volts(117.0)));
    assert_eq!(stage.settings, ["receive", "transmit"]);
    let designators: Vec<&str> = stage.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(
        designators,
        ["R1", "PS.B1", "PS.K1", "PS.K1", "PS.S1", "R2"]
    );
    let nodes: Vec<&str> = stage.nodes.iter().map(|n| n.name.as_str()).collect();
    assert_eq!(nodes, ["chassis", "bplus", "out", "key"]);
    assert_eq!(stage.parts[1].kind.ends(), Some((NodeId(1), COMMON)));
    assert!(matches!(
        stage.parts[3].kind,
        PartKind::Contact {
            relay: PartId(2),
            ..
        }
    ));
    // The section of the including file goes on behind the include.
    assert_eq!(stage.parts[1].section, Some(SectionId(1)));
    assert_eq!(stage.parts[5].section, Some(SectionId(0)));
    let labels: Vec<&str> = stage
        .expects
        .iter()
        .map(|e| e.point.label.as_str())
        .collect();
    assert_eq!(labels, ["bplus", "across PS.B1"]);

    let printed = print_stage(&stage);
    let again = parse_stage("flat.stage", &printed, &names(), &mut |_, _| {
        Err(String::new())
    });
    assert_eq!(codes(&again), Vec::<&str>::new());
    assert_eq!(again.value, stage, "{printed}");
}

#[test]
fn prefixes_add_up() {
    let parsed = chassis(&[
        (
            "main.stage",
            "stage \"m\"\ninclude \"a\" as X\nresistor R1 1k from a to chassis",
        ),
        (
            "a",
            "stage \"a\"\ninclude \"b\" as Y\nresistor R1 1k from a to chassis",
        ),
        (
            "b",
            "stage \"b\"\ntubetype T triode mu 20 plate 250V grid -8V current 9mA gm 2mS\nresistor R1 1k from a to chassis",
        ),
    ]);
    assert_eq!(codes(&parsed), Vec::<&str>::new());
    let designators: Vec<&str> = parsed.value.parts.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(designators, ["X.Y.R1", "X.R1", "R1"]);
}

#[test]
fn without_a_prefix_a_designator_used_twice_is_an_error() {
    let parsed = chassis(&[
        (
            "main.stage",
            "stage \"m\"\nresistor R1 1k from a to chassis\ninclude \"a\"",
        ),
        ("a", "stage \"a\"\nresistor R1 1k from b to chassis"),
    ]);
    assert_eq!(codes(&parsed), ["duplicate-designator"]);
    assert_eq!(
        render(&parsed.diagnostics[0], &parsed.sources, false).trim_end(),
        "error[duplicate-designator]: `R1` is the designator of an earlier part
 --> a:2:10
  |
2 | resistor R1 1k from b to chassis
  |          ^^ second use
  |
 ::: main.stage:2:1
  |
2 | resistor R1 1k from a to chassis
  | -------------------------------- first use
  |
  = help: give every part a designator of its own"
    );
}

#[test]
fn a_file_that_comes_back_to_itself_is_reported() {
    let parsed = chassis(&[
        ("main.stage", "stage \"m\"\ninclude \"a\""),
        ("a", "stage \"a\"\ninclude \"b\""),
        ("b", "stage \"b\"\ninclude \"a\""),
    ]);
    assert_eq!(codes(&parsed), ["include-cycle"]);
    assert_eq!(
        parsed.diagnostics[0].message,
        "a includes itself: a → b → a"
    );
    assert_eq!(
        parsed.sources.locate(parsed.diagnostics[0].span),
        Some(("b", 2, 9))
    );
}

#[test]
fn endless_includes_of_ever_new_names_stop() {
    let mut count = 0;
    let parsed = parse_stage(
        "main",
        "stage \"m\"\ninclude \"x\"\ninclude \"x\"",
        &names(),
        &mut |_, _| {
            count += 1;
            Ok((
                format!("file{count}"),
                "stage \"s\"\ninclude \"x\"\ninclude \"x\"".to_owned(),
            ))
        },
    );
    assert!(count < 3000, "{count}");
    assert!(
        codes(&parsed)
            .iter()
            .all(|&code| code == "too-many-includes")
    );
}

#[test]
fn the_first_mains_voltage_wins() {
    let parsed = chassis(&[
        ("main.stage", "stage \"m\"\nline 110V\ninclude \"a\""),
        (
            "a",
            "stage \"a\"\nline 117V\nresistor R1 1k from b to chassis",
        ),
    ]);
    assert_eq!(codes(&parsed), ["line-differs"]);
    assert!(!parsed.has_errors());
    assert_eq!(parsed.value.line, Some(Volts(110.0)));
}

#[test]
fn defaults_hold_below_their_line_and_in_their_file() {
    let parsed = chassis(&[
        (
            "main.stage",
            "stage \"m\"\nresistor R1 1k from a to b\ndefaults resistor 5%\ndefaults resistor 2W\n\
             include \"a\"\nresistor R2 1k from a to b\nresistor R3 1k 1% from a to b",
        ),
        (
            "a",
            "stage \"a\"\nresistor R9 1k from a to b\ndefaults resistor 2%",
        ),
    ]);
    assert_eq!(codes(&parsed), Vec::<&str>::new());
    let stated: Vec<_> = parsed
        .value
        .parts
        .iter()
        .map(|p| (p.tolerance, p.rating_watts))
        .collect();
    let two = Some(Watts(2.0));
    assert_eq!(
        stated,
        [
            (None, None),
            (None, None),
            (Some(0.05), two),
            (Some(0.01), two)
        ]
    );
}

#[test]
fn a_type_that_two_files_bring_along_is_one_type() {
    let own = "tubetype MY triode mu 20 plate 250V grid -8V current 9mA gm 2mS";
    let main = format!("stage \"m\"\n{own}\ninclude \"a\"");
    let same = format!("stage \"a\"\n{own}");
    let other = same.replace("mu 20", "mu 21");
    let parsed = chassis(&[("main.stage", &main), ("a", &same)]);
    assert_eq!(codes(&parsed), Vec::<&str>::new());
    assert_eq!(parsed.value.tube_types.len(), 1);
    let parsed = chassis(&[("main.stage", &main), ("a", &other)]);
    assert_eq!(codes(&parsed), ["duplicate-tube-type"]);
}
