//! Failures whose laying depends on what else is wired.

use deadstage_circuit::{Base, Network, Scratch, Situation};
use deadstage_netlist::SettingId;
use deadstage_parts::{LawForm, Mode};

use super::{Action, Failure};
use crate::outcome::Suspect;
use crate::test_bench::{failures, sheet, stage};
use crate::{Options, diagnose};

/// Choke input: 400 V a side, a bleeder that holds the choke, capacitors of 450 V.
const CHOKE_INPUT: &str = "stage \"choke input\"
line 117V
rectifier V1 5U4 full-wave 400V winding 55 input choke from raw to chassis
choke L1 90 20H from raw to bplus
capacitor C1 20u 450V electrolytic from bplus to chassis
resistor R1 15k 25W wirewound from bplus to chassis
resistor R2 4k 50W wirewound from bplus to load
switch S1 from load to chassis closed in on
";

/// Volts of `raw` and `bplus` with this failure, half-way along its range.
fn with_failure(text: &str, part: &str, mode: Mode, share: f64) -> (f64, f64) {
    let stage = stage(text);
    let network = Network::compile(&stage, LawForm::default()).expect("known types");
    let mut scratch = Scratch::default();
    // Of the settings `on off`.
    let setting = (stage.settings.len() == 2).then_some(SettingId(1));
    let base = Base::new(&network, &Situation::running(setting), &mut scratch).expect("it solves");
    let list = failures(&stage, &network);
    let found = list
        .iter()
        .find(|f| f.mode == mode && stage.part(f.part).name == part)
        .expect("a failure that it has");
    let mut overlay = Vec::new();
    let u = found.range.low + share * found.range.width();
    found.lay(u, &base, &mut overlay);
    let point = base.solve(&overlay, None, &mut scratch).expect("it solves");
    let volts = |name: &str| {
        let node = network.node_names.iter().position(|n| n == name);
        point.node_volts(node.expect("a node"))
    };
    (volts("raw"), volts("bplus"))
}

fn supply(filter: &str) -> String {
    format!(
        "stage \"supply\"
rectifier V1 silicon full-wave 300V winding 40 input capacitor from raw to chassis
capacitor C1 10u 450V electrolytic from raw to chassis
{filter} from raw to bplus
capacitor C2 20u 450V electrolytic from bplus to chassis
resistor R1 5k 25W wirewound from bplus to chassis
"
    )
}

/// Two contacts of one relay, and a coil that is fed in `transmit`.
const RELAY: &str = "stage \"relay\"
settings receive transmit
supply B1 24V source 10 from relayplus to chassis
supply B2 250V source 100 from bplus to chassis
switch S1 from relayplus to coil closed in transmit
relay K1 500 pulls-in 20mA from coil to chassis
contact K1a of K1 from bplus to out normally open
resistor R1 10k 10W from out to chassis
resistor R2 22k 5W from bplus to mute
contact K1b of K1 from mute to chassis normally closed
resistor R3 22k 5W from mute to chassis
";

/// Both contacts stay as without current, though the coil has its 23.5 V (0.98 of 24 V by the divider).
#[test]
fn an_armature_that_sticks_is_named_before_two_contacts() {
    let stage = stage(RELAY);
    let first = |lines: &str| {
        let sheet = sheet(&stage, lines);
        let found = diagnose(&stage, &[sheet], &Options::default()).expect("it solves");
        let first = &found.suspects[0];
        assert_eq!(first.faults.len(), 1);
        let fault = &first.faults[0];
        // An open coil under its full voltage reads no other: the relay it is.
        let of_relay = |s: &&Suspect| s.faults.len() == 1 && s.faults[0].part == "K1";
        let relay: f64 = found
            .suspects
            .iter()
            .filter(of_relay)
            .map(|s| s.probability)
            .sum();
        (fault.part.clone(), fault.mode, fault.phrase, relay)
    };
    let (part, mode, phrase, probability) = first(
        "setting transmit\nvolts coil 23.5V\nvolts bplus 250V\nvolts out 0V\nvolts mute 0V\nsetting receive\nvolts out 0V\nvolts mute 0V",
    );
    assert_eq!((part.as_str(), mode), ("K1", "stuck"));
    assert_eq!(phrase, "stuck, all its contacts at rest");
    assert!(probability > 0.95, "{probability}");
    let (part, _, phrase, probability) = first(
        "setting receive\nvolts coil 0V\nvolts out 248V\nvolts mute 124V\nsetting transmit\nvolts coil 23.5V\nvolts out 248V\nvolts mute 124V",
    );
    assert_eq!(part, "K1");
    assert_eq!(phrase, "stuck, all its contacts as if pulled in");
    assert!(probability > 0.93, "{probability}");
}

/// Nothing else of a contact can be held together with its armature.
#[test]
fn a_contact_goes_with_its_armature() {
    let stage = stage(RELAY);
    let network = Network::compile(&stage, LawForm::default()).expect("known types");
    let list = failures(&stage, &network);
    let of = |part: &str| -> Vec<&Failure> {
        list.iter()
            .filter(|f| stage.part(f.part).name == part)
            .collect()
    };
    let armature: Vec<_> = of("K1")
        .into_iter()
        .filter(|f| f.mode == Mode::Stuck)
        .collect();
    assert_eq!(armature.len(), 2);
    for failure in armature {
        assert!(
            of("K1a")
                .iter()
                .all(|f| !f.goes_with(failure, &stage) && !failure.goes_with(f, &stage))
        );
        assert!(of("B2").iter().all(|f| f.goes_with(failure, &stage)));
    }
    // Of one contact, the contact's own row says it.
    let one = RELAY.replace(
        "contact K1b of K1 from mute to chassis normally closed\n",
        "",
    );
    let stage = crate::test_bench::stage(&one);
    let network = Network::compile(&stage, LawForm::default()).expect("known types");
    let list = failures(&stage, &network);
    assert!(
        !list
            .iter()
            .any(|f| matches!(f.action, Action::Armature(..)))
    );
}

/// A pair of output tubes on one primary.
const PAIR: &str = "stage \"pair\"
supply B1 300V source 150 from bplus to chassis
transformer T1
winding T1a 160 of T1 from bplus to plateA
winding T1b 175 of T1 from bplus to plateB
winding T1s 0.7 of T1 from speaker to chassis
resistor R1 220 5W wirewound from cathodes to chassis
resistor R2 220k from gridA to chassis
resistor R3 220k from gridB to chassis
resistor R4 2.2k 2W from bplus to screens
resistor R5 8 from speaker to chassis
tube V1 6V6 plate=plateA grid=gridA cathode=cathodes screen=screens suppressor=cathodes
tube V2 6V6 plate=plateB grid=gridB cathode=cathodes screen=screens suppressor=cathodes
";

/// One half of the primary open starves one plate, the tap both, which stay joined through the winding.
#[test]
fn half_a_primary_and_its_tap_are_told_apart() {
    let stage = stage(PAIR);
    let first = |lines: &str| {
        let found = diagnose(&stage, &[sheet(&stage, lines)], &Options::default());
        let found = found.expect("it solves");
        let fault = &found.suspects[0].faults[0];
        assert_eq!(found.suspects[0].faults.len(), 1);
        (fault.part.clone(), fault.phrase)
    };
    let one = first(
        "volts bplus 291V\nvolts plateA 13V\nvolts plateB 286V\nvolts cathodes 13V\nohms across T1a > 20M",
    );
    assert_eq!(one, ("T1a".to_owned(), "open"));
    let other = first(
        "volts bplus 291V\nvolts plateA 286V\nvolts plateB 13V\nvolts cathodes 13V\nohms across T1b > 20M",
    );
    assert_eq!(other, ("T1b".to_owned(), "open"));
    let tap = "volts bplus 293V\nvolts plateA 10V\nvolts plateB 10V\nvolts cathodes 10V\nvolts screens 196V\nohms across T1a > 20M";
    let both = first(tap);
    assert_eq!(
        both,
        ("T1a".to_owned(), "open at the tap that both halves share")
    );
}

/// A doubler has halves, a half-wave circuit nothing that could be one of two.
#[test]
fn one_side_is_said_as_the_circuit_has_it() {
    let said = |connection: &str| {
        let text = supply("choke L1 300 8H").replace("full-wave", connection);
        let stage = stage(&text);
        let network = Network::compile(&stage, LawForm::default()).expect("known types");
        let list = failures(&stage, &network);
        let side = list.iter().find(|f| f.mode == Mode::SideDead);
        side.map(|f| f.phrase(&stage))
    };
    assert_eq!(said("full-wave"), Some("one side dead"));
    assert_eq!(said("doubler"), Some("one half dead"));
    assert_eq!(said("half-wave"), None);
}

/// Volts of `raw` with C1 open, at the least and the most that the failure may leave.
fn opened(text: &str) -> (f64, f64) {
    let stage = stage(text);
    let network = Network::compile(&stage, LawForm::default()).expect("known types");
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("it solves");
    let list = failures(&stage, &network);
    let open: Vec<_> = list
        .iter()
        .filter(|f| f.mode == Mode::Open && stage.part(f.part).name == "C1")
        .collect();
    assert_eq!(open.len(), 1, "one part opens once");
    let mut volts = |u: f64| {
        let mut overlay = Vec::new();
        open[0].lay(u, &base, &mut overlay);
        let point = base.solve(&overlay, None, &mut scratch);
        let raw = network.node_names.iter().position(|n| n == "raw");
        point.expect("it solves").node_volts(raw.expect("a node"))
    };
    (volts(open[0].range.low), volts(open[0].range.high))
}

/// Without its reservoir a supply gives the average of the rectified wave,
/// 0.9 of the RMS voltage less drops (handbook rule, from memory, high) before a choke.
#[test]
fn an_open_reservoir_makes_choke_input_of_capacitor_input() {
    let (low, high) = opened(&supply("choke L1 300 8H"));
    assert_eq!(low, high);
    assert!((0.9 * 300.0 - 12.0..0.9 * 300.0).contains(&low), "{low} V");
    // Before a resistor it may stand anywhere from there to about the peak.
    let (low, high) = opened(&supply("resistor R2 300 10W"));
    assert!(low < 270.0 && high > 340.0 && high < 425.0, "{low} {high}");
}

/// Only a reservoir's loss shows: not the second capacitor's, nor that of one of two side by side.
#[test]
fn other_capacitors_open_unseen() {
    let unseen = |text: &str| {
        let stage = stage(text);
        let network = Network::compile(&stage, LawForm::default()).expect("known types");
        let list = failures(&stage, &network);
        let mut parts: Vec<String> = Vec::new();
        for failure in list
            .iter()
            .filter(|f| matches!(f.action, Action::NoReservoir(_)))
        {
            parts.push(stage.part(failure.part).name.clone());
        }
        parts
    };
    let text = supply("choke L1 300 8H");
    assert_eq!(unseen(&text), ["C1"]);
    let doubled = format!("{text}capacitor C3 10u 450V electrolytic from chassis to raw\n");
    assert!(unseen(&doubled).is_empty());
    assert!(unseen(&text.replace("full-wave", "doubler")).is_empty());
}

/// Lightly loaded and with its choke failed. Peak 566 V, average 0.9 of 400 V (handbook rule, from memory, high).
#[test]
fn a_choke_input_supply_climbs_and_follows_its_choke() {
    let text = CHOKE_INPUT.replace("line 117V\n", "line 117V\nsettings on off\n");
    let (raw, bplus) = with_failure(&text, "R1", Mode::Open, 0.5);
    assert!((545.0..566.0).contains(&raw), "bleeder open: {raw} V");
    assert!((raw - bplus).abs() < 1.0);
    // Open, it leaves the meter the rectified wave.
    for share in [0.0, 0.5, 1.0] {
        let (raw, bplus) = with_failure(&text, "L1", Mode::Open, share);
        assert!((350.0..361.0).contains(&raw), "choke open: {raw} V");
        assert!(bplus < 2.0, "{bplus} V");
    }
    // Bridged or most of its turns shorted, the capacitor behind it is charged to near the peak.
    for (mode, share) in [(Mode::Short, 0.0), (Mode::Low, 0.1)] {
        let (_, bplus) = with_failure(&text, "L1", mode, share);
        assert!((490.0..566.0).contains(&bplus), "{mode:?}: {bplus} V");
    }
}

#[test]
fn an_open_bleeder_behind_a_choke_is_named_and_the_capacitor_warned_of() {
    let text = CHOKE_INPUT.replace("line 117V\n", "line 117V\nsettings on off\n");
    let stage = stage(&text);
    let lines = "line 117V\nsetting off\nvolts bplus 545V\nsetting on\nvolts bplus 325V\n";
    let found = diagnose(&stage, &[sheet(&stage, lines)], &Options::default()).expect("it solves");
    let first = &found.suspects[0];
    assert_eq!(
        (first.faults[0].part.as_str(), first.faults[0].mode),
        ("R1", "open")
    );
    let overdriven = first.casualties.join("; ");
    assert!(
        overdriven.contains("C1: 5") && overdriven.contains("450 V part"),
        "{overdriven}"
    );
    assert!(found.highest_volts > 540.0, "{}", found.highest_volts);
}

/// Two lamps of one string: the one burnt out has all the volts across it, the other none.
#[test]
fn a_burnt_out_lamp_is_named() {
    let text = "stage \"lamps\"
supply B1 12.6V source 1 from feed to chassis
lamp P1 42 6.3V from feed to middle
lamp P2 42 6.3V from middle to chassis
";
    let stage = stage(text);
    for (lines, part) in [
        ("volts feed 12.6V\nvolts middle 0V", "P1"),
        ("volts feed 12.6V\nvolts middle 12.6V", "P2"),
    ] {
        let sheet = sheet(&stage, lines);
        let found = diagnose(&stage, &[sheet], &Options::default()).expect("it solves");
        let fault = &found.suspects[0].faults[0];
        assert_eq!((fault.part.as_str(), fault.mode), (part, "open"));
    }
    // Healthy, half of the volts each.
    let sheet = sheet(&stage, "volts feed 12.3V\nvolts middle 6.2V");
    let found = diagnose(&stage, &[sheet], &Options::default()).expect("it solves");
    assert!(found.healthy > 0.9, "{}", found.healthy);
}

/// A string of two regulators: healthy, the lower one dark, the upper one dark.
#[test]
fn a_string_of_regulators_is_judged_by_its_readings() {
    let text = "stage \"string\"
line 117V
supply B1 450V source 200 from bplus to chassis follows line
resistor R1 8k 10W wirewound from bplus to upper
regulator V1 0B2 from upper to middle
regulator V2 0D3 from middle to chassis
resistor R2 40k 10W from upper to chassis
";
    let stage = stage(text);
    let judged = |lines: &str| {
        let found = diagnose(&stage, &[sheet(&stage, lines)], &Options::default());
        found.expect("it solves")
    };
    let healthy = judged("line 117V\nvolts upper 259V\nvolts middle 150V\nvolts bplus 445V");
    assert!(healthy.healthy > 0.9, "{}", healthy.healthy);
    // Neither passes anything: the divider alone, 450 V · 40/48.2, and nothing at the middle.
    let dark = judged("line 117V\nvolts upper 373V\nvolts middle 0V\nvolts bplus 448V");
    let fault = &dark.suspects[0].faults[0];
    assert_eq!(fault.part, "V1", "{:?}", dark.suspects[0].faults);
    // A meter below the lit one pulls the middle up by its own current.
    let lower = judged("line 117V\nvolts upper 373V\nvolts middle 265V\nvolts bplus 448V");
    let fault = &lower.suspects[0].faults[0];
    assert_eq!(fault.part, "V2", "{:?}", lower.suspects[0].faults);
}

/// Ohms read across a part that volts were read across too are no voltage to be warned of.
#[test]
fn only_volts_are_warned_of() {
    let lines = "volts across R2 13V\nohms across R2 > 20M\nohms across R1 470k\n";
    let stage = stage(crate::test_bench::OUTPUT);
    let sheet = sheet(&stage, lines);
    let found = diagnose(&stage, &[sheet], &Options::default()).expect("the stage solves");
    assert!(
        (259.9..600.0).contains(&found.highest_volts),
        "{}",
        found.highest_volts
    );
}
