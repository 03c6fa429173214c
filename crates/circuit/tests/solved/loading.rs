//! What a meter does to what it measures: worked examples.

use crate::fixtures::{Circuit, healthy, near};
use deadstage_circuit::{Probe, Scratch};

/// What a meter of `ohms` shows at a node; `None` is a meter that draws nothing.
fn shown(circuit: &Circuit, from: &str, to: &str, load: Option<f64>) -> f64 {
    let base = circuit.running();
    let probe = Probe::Volts {
        from: circuit.node(from),
        to: circuit.node(to),
        load,
    };
    healthy(&base).read(&probe, &mut Scratch::default(), None)
}

fn divider(volts: f64, upper: f64, lower: f64) -> Circuit {
    Circuit::new(&format!(
        "supply B1 {volts}V from top to chassis\n\
         resistor R1 {upper} from top to tap\n\
         resistor R2 {lower} from tap to chassis\n"
    ))
}

/// A. D. Helfrick, W. D. Cooper, *Modern Electronic Instrumentation and Measurement
/// Techniques*, example 4-5: 150 V, 100 kΩ and 50 kΩ, on the 50 V range: 50 V true, 30 V with 1 kΩ/V,
/// 48.4 V with 20 kΩ/V (the book rounds to 48.37).
#[test]
fn helfrick_and_cooper_4_5() {
    let circuit = divider(150.0, 100e3, 50e3);
    near(shown(&circuit, "tap", "chassis", None), 50.0, 1e-6);
    near(shown(&circuit, "tap", "chassis", Some(50e3)), 30.0, 1e-6);
    near(shown(&circuit, "tap", "chassis", Some(1e6)), 48.387, 1e-3);
}

/// FOSSEE textbook companion 2360, example 3.14: 250 V, 20 kΩ and 25 kΩ, on a 150 V range.
#[test]
fn fossee_2360_example_3_14() {
    let circuit = divider(250.0, 20e3, 25e3);
    near(shown(&circuit, "tap", "chassis", None), 138.89, 5e-3);
    near(
        shown(&circuit, "tap", "chassis", Some(500.0 * 150.0)),
        120.97,
        5e-3,
    );
    near(
        shown(&circuit, "tap", "chassis", Some(1000.0 * 150.0)),
        129.31,
        5e-3,
    );
}

/// Two 400 kΩ on 30 V, 20 kΩ/V on its 20 V range: 10 V on either half (common exercise).
#[test]
fn either_half_reads_low() {
    let circuit = divider(30.0, 400e3, 400e3);
    near(shown(&circuit, "tap", "chassis", Some(400e3)), 10.0, 1e-6);
    near(shown(&circuit, "top", "tap", Some(400e3)), 10.0, 1e-6);
}

/// Two 250 MΩ on 24 V with 10 MΩ: 0.889 V; 300 V over two 1 MΩ: 143.48 V with 11 MΩ, 142.86 V with 10 MΩ (worked by hand).
#[test]
fn high_resistances() {
    let circuit = divider(24.0, 250e6, 250e6);
    near(shown(&circuit, "tap", "chassis", Some(10e6)), 0.889, 5e-4);
    let circuit = divider(300.0, 1e6, 1e6);
    near(shown(&circuit, "tap", "chassis", Some(11e6)), 143.48, 5e-3);
    near(shown(&circuit, "tap", "chassis", Some(10e6)), 142.86, 5e-3);
}

/// A meter at a tube's plate is a load like any other: the reading is that of
/// the circuit with a resistor of its ohms there.
#[test]
fn at_a_tube_the_meter_is_a_resistor() {
    let stage = "supply B1 250V source 1200 from bplus to chassis\n\
                 resistor R1 220000 from bplus to plate\n\
                 resistor R2 2200 from cathode to chassis\n\
                 resistor R3 1000000 from grid to chassis\n\
                 tube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n";
    for (node, ohms) in [
        ("plate", 250e3),
        ("plate", 1e6),
        ("cathode", 10e3),
        ("grid", 11e6),
    ] {
        let bare = Circuit::new(stage);
        let loaded = Circuit::new(&format!(
            "{stage}resistor RM {ohms} from {node} to chassis\n"
        ));
        near(
            shown(&bare, node, "chassis", Some(ohms)),
            loaded.volts(node),
            1e-8,
        );
    }
}
