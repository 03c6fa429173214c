//! Resistors and sources: worked examples of textbooks.
//!
//! A current source beside a resistor is written as the voltage source behind
//! that resistor which is its equal (Thévenin and Norton).

use crate::fixtures::{Circuit, near};

/// D. Irwin, *Basic Engineering Circuit Analysis*, problem 3.5: 4 mA into node 1, which has
/// 6 kΩ to ground and 4 kΩ to node 2; 6 mA from node 1 to node 2, which has 6 kΩ
/// and 3 kΩ to ground. Answers 0 V and 8 V.
#[test]
fn irwin_problem_3_5() {
    let circuit = Circuit::new(
        "supply I1 24V source 6000 from n1 to chassis\n\
         supply I2 24V source 4000 from n2 to n1\n\
         resistor R1 6000 from n2 to chassis\n\
         resistor R2 3000 from n2 to chassis\n",
    );
    near(circuit.volts("n1"), 0.0, 1e-9);
    near(circuit.volts("n2"), 8.0, 1e-9);
}

/// Ohio University course notes, example 3-5: 2 Ω to ground, 2 Ω to 5 V, 3 A in. Answer 5.5 V.
#[test]
fn ohio_example_3_5() {
    let circuit = Circuit::new(
        "supply I1 6V source 2 from n to chassis\n\
         supply V1 5V source 2 from n to chassis\n",
    );
    near(circuit.volts("n"), 5.5, 1e-12);
}

/// FOSSEE textbook companion 1445, example 1.35: open-circuit 30 V and 5 V, 4.630 A in the 1 Ω between.
#[test]
fn fossee_1445_example_1_35() {
    let sources = "supply I1 60V source 6 from a to chassis\n\
                   supply VA 10V source 4 from a to chassis\n\
                   supply VB 10V source 4 from b to chassis\n\
                   resistor R1 4 from b to chassis\n";
    let open = Circuit::new(sources);
    near(open.volts("a"), 30.0, 1e-9);
    near(open.volts("b"), 5.0, 1e-9);
    let joined = Circuit::new(&format!("{sources}resistor R2 1 from a to b\n"));
    near(joined.amps("R2"), 4.630, 5e-4);
}

/// FOSSEE textbook companion 3830, example 6.2: a Wheatstone bridge out of balance.
/// Thévenin 314.8 Ω and 7.599 mV; 20.83 µA in a galvanometer of 50 Ω.
#[test]
fn unbalanced_wheatstone_bridge() {
    let bridge = "supply B1 1.5V from plus to chassis\n\
                  resistor R1 1000 from plus to a\n\
                  resistor R3 400 from a to chassis\n\
                  resistor R2 100 from plus to b\n\
                  resistor RX 41 from b to chassis\n";
    let open = Circuit::new(bridge);
    let base = open.running();
    let point = crate::fixtures::healthy(&base);
    let mut scratch = deadstage_circuit::Scratch::default();
    let (a, b) = (open.node("a"), open.node("b"));
    near(point.node_volts(b) - point.node_volts(a), 7.599e-3, 1e-6);
    near(point.source_ohms(a, b, &mut scratch), 314.8, 0.05);
    let with_meter = Circuit::new(&format!("{bridge}meter M1 100uA 50 from b to a\n"));
    near(with_meter.amps("M1"), 20.83e-6, 5e-9);
}

/// FOSSEE textbook companion 1544, example 2.12: a balanced bridge.
#[test]
fn balanced_wheatstone_bridge() {
    let circuit = Circuit::new(
        "supply B1 10V from a to chassis\n\
         resistor AB 6 from a to b\n\
         resistor AD 3 from a to d\n\
         resistor BC 4 from b to chassis\n\
         resistor DC 2 from d to chassis\n\
         resistor BD 10 from b to d\n",
    );
    near(circuit.amps("BD"), 0.0, 1e-12);
}

/// Bridge of 2, 4, 4, 8 and 10 Ω on 5 V: 0.119 A in the 10 Ω, worked by hand; the
/// answer in public copies of the exercise (1.071 A) can't be right.
#[test]
fn bridge_of_five() {
    let circuit = Circuit::new(
        "supply B1 5V from a to chassis\n\
         resistor AB 2 from a to b\n\
         resistor BC 4 from b to chassis\n\
         resistor CD 4 from chassis to d\n\
         resistor DA 8 from d to a\n\
         resistor BD 10 from b to d\n",
    );
    near(circuit.amps("BD"), 0.119, 5e-4);
    near(circuit.volts("b"), 3.175, 5e-3);
    near(circuit.volts("d"), 1.984, 5e-3);
}

/// B. Grob, *Basic Electronics*, the loaded voltage divider: 100 V over sections
/// that drop 18 V at 30 mA, 22 V at 66 mA and 60 V at 120 mA.
#[test]
fn loaded_divider() {
    let circuit = Circuit::new(
        "supply B1 100V from top to chassis\n\
         resistor R3 500 from top to upper\n\
         resistor R2 333.3333333 from upper to lower\n\
         resistor R1 600 from lower to chassis\n\
         resistor LOAD2 740.7407407 from upper to chassis\n\
         resistor LOAD1 500 from lower to chassis\n",
    );
    near(circuit.volts("upper"), 40.0, 1e-3);
    near(circuit.volts("lower"), 18.0, 1e-3);
    near(circuit.amps("R3"), 0.120, 1e-6);
    near(circuit.amps("R1"), 0.030, 1e-6);
}

/// 21 V, 5 Ω in series with 35 Ω and 14 Ω in parallel: 400 mA in the 35 Ω.
#[test]
fn series_and_parallel() {
    let circuit = Circuit::new(
        "supply B1 21V source 5 from a to chassis\n\
         resistor R1 35 from a to chassis\n\
         resistor R2 14 from a to chassis\n",
    );
    near(circuit.amps("R1"), 0.400, 1e-9);
}

/// A. D. Helfrick, W. D. Cooper, *Modern Electronic Instrumentation and Measurement Techniques*,
/// example 4-1: 1.01 Ω take a movement of 1 mA and 100 Ω to 100 mA. Calibrated with
/// a known current and the set switched off, it deflects in proportion.
#[test]
fn a_bench_current_divides_between_movement_and_shunt() {
    let circuit = Circuit::new(
        "supply B1 300V source 100 from bplus to chassis\n\
         resistor R1 4000 from bplus to m1\n\
         meter M1 1mA 100 from m1 to out\n\
         resistor R2 1.0101 from m1 to out\n\
         resistor R3 1000 from out to chassis\n",
    );
    let (from, to) = (circuit.node("m1"), circuit.node("out"));
    for (bench, shown) in [(100e-3, 1e-3), (80e-3, 0.8e-3)] {
        let mut situation = deadstage_circuit::Situation::running(None).power_off();
        situation.bench = Some(deadstage_circuit::BenchCurrent {
            from,
            to,
            amps: bench,
        });
        let base = circuit.in_situation(&situation);
        let point = crate::fixtures::healthy(&base);
        near(point.element_amps(circuit.element("M1")), shown, 1e-7);
        near(point.element_amps(circuit.element("R3")), 0.0, 1e-12);
        // And with the shunt failed, from the healthy state and near it.
        let open = [deadstage_circuit::Change::Ohms(
            circuit.element("R2"),
            2.0202,
        )];
        let mut scratch = deadstage_circuit::Scratch::default();
        let point = base.solve(&open, None, &mut scratch).expect("it is linear");
        crate::fixtures::kirchhoff_holds(&point);
        let expected = bench * 2.0202 / 102.0202;
        near(point.element_amps(circuit.element("M1")), expected, 1e-7);
        let probe =
            deadstage_circuit::Probe::Amps(deadstage_circuit::Flow::Element(circuit.element("M1")));
        near(point.read(&probe, &mut scratch, None), expected, 1e-7);
    }
}
