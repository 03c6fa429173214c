//! Failures whose laying depends on what else is wired.

use deadstage_circuit::{Base, Network, Scratch, Situation};
use deadstage_parts::{LawForm, Mode};

use super::Action;
use crate::test_bench::{failures, stage};

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
