//! What is in one of several states: gas regulators, relays, switches, potentiometers, power.

use crate::fixtures::{Circuit, healthy, near};
use deadstage_circuit::{Base, Change, DeviceChange, Probe, Scratch, Situation, SolveError};

fn regulated(supply: f64, feed: f64, load: f64) -> Circuit {
    Circuit::new(&format!(
        "supply B1 {supply}V from bplus to chassis\n\
         resistor R1 {feed} from bplus to regulated\n\
         regulator V1 0A2 from regulated to chassis\n\
         resistor R2 {load} from regulated to chassis\n"
    ))
}

#[test]
fn a_regulator_strikes_where_the_dark_voltage_reaches_it() {
    let circuit = regulated(280.0, 5000.0, 15000.0);
    let base = circuit.running();
    let point = healthy(&base);
    let v1 = circuit.device("V1");
    assert!(point.fired(v1));
    near(point.node_volts(circuit.node("regulated")), 150.0, 5.0);
    let tube = point.device_amps(v1)[0];
    near(tube, (280.0 - 150.0) / 5000.0 - 150.0 / 15000.0, 2e-3);

    // Dark, the divider gives 280 · 5/(5 + 5) = 140 V: not enough.
    let heavy = regulated(280.0, 5000.0, 5000.0);
    let base = heavy.running();
    let point = healthy(&base);
    assert!(!point.fired(heavy.device("V1")));
    near(point.node_volts(heavy.node("regulated")), 140.0, 0.1);
}

#[test]
fn a_regulator_that_does_not_fire_leaves_its_node_high() {
    let circuit = regulated(280.0, 5000.0, 15000.0);
    let base = circuit.running();
    let overlay = [Change::Device(
        circuit.device("V1"),
        DeviceChange::NotFiring,
    )];
    let point = base
        .solve(&overlay, None, &mut Scratch::default())
        .expect("no state is easier");
    near(point.node_volts(circuit.node("regulated")), 210.0, 0.1);
    // And a heavy load puts a healthy one out.
    let overlay = [Change::Ohms(circuit.element("R2"), 4000.0)];
    let point = base
        .solve(&overlay, None, &mut Scratch::default())
        .expect("one state");
    assert!(!point.fired(circuit.device("V1")));
    near(
        point.node_volts(circuit.node("regulated")),
        280.0 * 4.0 / 9.0,
        0.1,
    );
}

#[test]
fn regulators_in_series_both_strike() {
    let circuit = Circuit::new(
        "supply B1 450V from bplus to chassis\n\
         resistor R1 6800 from bplus to upper\n\
         regulator V1 0A2 from upper to lower\n\
         resistor R2 220000 from lower to chassis\n\
         regulator V2 0B2 from lower to chassis\n",
    );
    let base = circuit.running();
    let point = healthy(&base);
    assert!(point.fired(circuit.device("V1")) && point.fired(circuit.device("V2")));
    near(point.node_volts(circuit.node("lower")), 108.0, 4.0);
    near(point.node_volts(circuit.node("upper")), 258.0, 8.0);
}

/// With nothing else at the node between them, in either order and on any supply that lights both.
#[test]
fn regulators_in_series_need_no_resistor_between_them() {
    for (upper, lower, low) in [
        ("0B2", "0D3", 150.0),
        ("0D3", "0B2", 108.0),
        ("0D3", "0C3", 105.0),
    ] {
        for supply in [420.0, 430.0, 450.0, 500.0, 560.0, 640.0] {
            let circuit = Circuit::new(&format!(
                "supply B1 {supply}V source 200 from bplus to chassis\n\
                 resistor R1 8000 from bplus to upper\n\
                 regulator V1 {upper} from upper to middle\n\
                 regulator V2 {lower} from middle to chassis\n\
                 resistor R2 40000 from upper to chassis\n",
            ));
            let base = circuit.running();
            let point = healthy(&base);
            let (first, second) = (circuit.device("V1"), circuit.device("V2"));
            assert!(
                point.fired(first) && point.fired(second),
                "{upper} {lower} on {supply}"
            );
            near(point.node_volts(circuit.node("middle")), low, 4.0);
            let amps = |id| point.device_amps(id)[0];
            near(amps(first), amps(second), 2e-6);
            // One of them out leaves nothing to flow, and the one below it nothing to strike on.
            let out = [Change::Device(first, DeviceChange::Absent)];
            let point = base.solve(&out, None, &mut Scratch::default());
            let point = point.expect("one state");
            assert!(!point.fired(second));
        }
    }
}

const RELAY: &str = "settings receive transmit\n\
     supply B1 24V source 5 from plus to chassis\n\
     switch S1 from plus to keyed closed in transmit\n\
     relay K1 400 pulls-in 40mA from keyed to chassis\n\
     contact K1a of K1 from plus to made normally open\n\
     contact K1b of K1 from plus to broken normally closed\n\
     resistor R1 10000 from made to chassis\n\
     resistor R2 10000 from broken to chassis\n";

#[test]
fn contacts_follow_the_coil_and_the_coil_its_switch() {
    let circuit = Circuit::new(RELAY);
    for (setting, made, broken, pulled) in
        [("receive", 0.0, 24.0, false), ("transmit", 24.0, 0.0, true)]
    {
        let base = circuit.in_situation(&Situation::running(circuit.setting(setting)));
        let point = healthy(&base);
        assert_eq!(base.energised(), [pulled], "{setting}");
        near(point.node_volts(circuit.node("made")), made, 0.5);
        near(point.node_volts(circuit.node("broken")), broken, 0.5);
        assert_eq!(point.is_closed(circuit.element("K1a")), pulled);
        assert_eq!(point.is_closed(circuit.element("K1b")), !pulled);
    }
}

#[test]
fn a_failure_moves_contacts_but_for_those_that_stick() {
    let circuit = Circuit::new(RELAY);
    let base = circuit.in_situation(&Situation::running(circuit.setting("transmit")));
    let solve = |overlay: &[Change]| {
        base.solve(overlay, None, &mut Scratch::default())
            .expect("one state")
    };
    // An open coil is a relay at rest.
    let open = Change::Ohms(circuit.element("K1"), f64::INFINITY);
    let point = solve(&[open]);
    near(point.node_volts(circuit.node("made")), 0.0, 1e-6);
    near(point.node_volts(circuit.node("broken")), 24.0, 0.5);
    // A weak one pulls too little current to move it.
    let weak = Change::Ohms(circuit.element("K1"), 800.0);
    near(solve(&[weak]).node_volts(circuit.node("made")), 0.0, 1e-6);
    // A welded contact stays.
    let welded = Change::Ohms(circuit.element("K1a"), 0.1);
    let point = solve(&[open, welded]);
    near(point.node_volts(circuit.node("made")), 24.0, 0.5);
    near(point.node_volts(circuit.node("broken")), 24.0, 0.5);
}

#[test]
fn a_buzzer_has_no_steady_state() {
    let circuit = Circuit::new(
        "supply B1 24V from plus to chassis\n\
         contact K1a of K1 from plus to fed normally closed\n\
         relay K1 400 pulls-in 40mA from fed to chassis\n",
    );
    let found = Base::new(
        &circuit.network,
        &Situation::running(None),
        &mut Scratch::default(),
    );
    let error = found
        .map(|_| ())
        .expect_err("it would keep going on and off");
    assert_eq!(
        error,
        SolveError::NoSteadyState {
            part: "K1".to_owned()
        }
    );
}

#[test]
fn a_switch_is_closed_in_its_settings_only() {
    let circuit = Circuit::new(
        "settings low middle high\n\
         supply B1 100V from plus to chassis\n\
         switch S1 from plus to tap closed in middle high\n\
         switch S2 from tap to chassis closed in low\n\
         resistor R1 1000 from tap to out\n\
         resistor R2 1000 from out to chassis\n",
    );
    for (setting, out) in [("low", 0.0), ("middle", 50.0), ("high", 50.0)] {
        let base = circuit.in_situation(&Situation::running(circuit.setting(setting)));
        near(healthy(&base).node_volts(circuit.node("out")), out, 1e-2);
    }
}

#[test]
fn a_wiper_divides_the_track() {
    for (at, share) in [("0", 1.0), ("25", 0.75), ("50", 0.5), ("100", 0.0)] {
        let circuit = Circuit::new(&format!(
            "supply B1 100V from plus to chassis\n\
             potentiometer P1 100000 at {at}% from plus to chassis wiper arm\n"
        ));
        near(circuit.volts("arm"), 100.0 * share, 1e-2);
        // Loaded by its own resistance.
        let loaded = Circuit::new(&format!(
            "supply B1 100V from plus to chassis\n\
             potentiometer P1 100000 at {at}% from plus to chassis wiper arm\n\
             resistor R1 100000 from arm to chassis\n"
        ));
        let (upper, lower) = ((1.0 - share) * 1e5, share * 1e5);
        let below = lower * 1e5 / (lower + 1e5);
        near(loaded.volts("arm"), 100.0 * below / (below + upper), 1e-2);
    }
    // A place that nobody knows starts in the middle.
    let unknown = Circuit::new(
        "supply B1 100V from plus to chassis\n\
         potentiometer P1 100000 at ? from plus to chassis wiper arm\n",
    );
    near(unknown.volts("arm"), 50.0, 1e-2);
}

#[test]
fn with_the_power_off_ohms_are_those_of_the_resistors() {
    let circuit = Circuit::new(
        "supply B1 250V source 100 from bplus to chassis\n\
         resistor R1 100000 from bplus to plate\n\
         resistor R2 1500 from cathode to chassis\n\
         resistor R3 1000000 from grid to chassis\n\
         resistor R4 22000 from bplus to chassis\n\
         tube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n",
    );
    let base = circuit.in_situation(&Situation::running(None).power_off());
    let point = healthy(&base);
    let ohms = |from: &str, to: &str| {
        let probe = Probe::Ohms {
            from: circuit.node(from),
            to: circuit.node(to),
        };
        point.read(&probe, &mut Scratch::default(), None)
    };
    near(ohms("cathode", "chassis"), 1500.0, 1e-3);
    near(ohms("grid", "chassis"), 1e6, 1.0);
    near(ohms("plate", "chassis"), 122e3, 0.1);
    near(ohms("plate", "bplus"), 100e3, 0.1);
    near(ohms("cathode", "grid"), 1.0015e6, 1.0);
    assert!(point.node_volts(circuit.node("bplus")).abs() < 1e-9);
}

#[test]
fn pulled_and_lifted_parts_pass_nothing() {
    let circuit = Circuit::new(
        "supply B1 250V source 100 from bplus to chassis\n\
         resistor R1 100000 from bplus to plate\n\
         resistor R2 1500 from cathode to chassis\n\
         resistor R3 1000000 from grid to chassis\n\
         tube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n",
    );
    let mut pulled = Situation::running(None);
    pulled.pulled.push(circuit.part("V1"));
    let base = circuit.in_situation(&pulled);
    let point = healthy(&base);
    near(point.node_volts(circuit.node("plate")), 250.0, 1e-6);
    near(point.node_volts(circuit.node("cathode")), 0.0, 1e-9);
    let mut lifted = Situation::running(None);
    lifted.lifted.push(circuit.part("R1"));
    let base = circuit.in_situation(&lifted);
    let point = healthy(&base);
    let plate = point.node_volts(circuit.node("plate"));
    // Emitted electrons charge what nothing discharges a volt or two below the cathode.
    assert!((-4.0..0.1).contains(&plate), "{plate} V");
    near(point.element_amps(circuit.element("R1")), 0.0, 1e-15);
}

/// What its own current warms is of one resistance at work and of another with
/// the power off; a lamp of which only the hot one is stated is taken at a tenth of it.
#[test]
fn lamps_and_thermistors_are_of_another_resistance_cold() {
    let circuit = Circuit::new(
        "supply B1 12V from plus to chassis\n\
         lamp P1 47 cold 6 from plus to a\n\
         lamp P2 47 from a to b\n\
         thermistor TH1 26 cold 300 from b to chassis\n",
    );
    // The supply has a milliohm.
    near(circuit.amps("P1"), 0.1, 1e-6);
    near(circuit.volts("b"), 2.6, 1e-4);
    let base = circuit.in_situation(&Situation::running(None).power_off());
    let point = healthy(&base);
    for (from, to, expected) in [("plus", "a", 6.0), ("a", "b", 4.7), ("b", "chassis", 300.0)] {
        let probe = Probe::Ohms {
            from: circuit.node(from),
            to: circuit.node(to),
        };
        near(
            point.read(&probe, &mut Scratch::default(), None),
            expected,
            1e-6,
        );
    }
    // A failure laid over is what it says in either state.
    let open = [Change::Ohms(circuit.element("P1"), 1e9)];
    let failed = base
        .solve(&open, None, &mut Scratch::default())
        .expect("it is linear");
    let probe = Probe::Ohms {
        from: circuit.node("plus"),
        to: circuit.node("a"),
    };
    near(failed.read(&probe, &mut Scratch::default(), None), 1e9, 1e3);
}

/// Lamps of 6.3 V in series on 12.6 V: the one of less current takes the most of it, and both
/// are as cold with the power off as stated (a tenth where nothing is).
#[test]
fn lamps_in_series_share_by_their_heat() {
    let circuit = Circuit::new(
        "supply B1 12.6V source 0.01 from feed to chassis\n\
         lamp P1 42 6.3V from feed to middle\n\
         lamp P2 25.2 cold 3 6.3V from middle to chassis\n",
    );
    let base = circuit.running();
    let point = healthy(&base);
    let middle = point.node_volts(circuit.node("middle"));
    let amps = |name| point.device_amps(circuit.device(name))[0];
    near(amps("P1"), amps("P2"), 1e-4 * amps("P1"));
    // Of fixed 42 and 25.2 ohms the middle would stand at 4.7 V.
    // With I as V^0.54 (common practice, no source) the volts go as (25.2/42)^(1/0.54).
    let share = 1.0 / (1.0 + (42.0_f64 / 25.2).powf(1.0 / 0.54));
    near(middle, 12.6 * share, 0.1);
    assert!(amps("P1") > 0.15 && amps("P2") < 0.25);
    let off = Situation::running(None).power_off();
    let base = Base::new(&circuit.network, &off, &mut Scratch::default()).expect("it solves");
    let point = healthy(&base);
    let probe = |from, to| Probe::Ohms {
        from: circuit.node(from),
        to: circuit.node(to),
    };
    let read = |from, to| point.read(&probe(from, to), &mut Scratch::default(), None);
    near(read("feed", "middle"), 4.2, 0.01);
    near(read("middle", "chassis"), 3.0, 0.01);
}

/// A string of lamps behind a dropper, on a supply raised from a flicker to ten times its volts.
#[test]
fn a_string_of_lamps_always_settles() {
    for count in [1, 4, 12] {
        let mut before = 0.0;
        for volts in [0.01, 1.0, 10.0, 50.0, 120.0, 1200.0] {
            let mut text = format!(
                "supply B1 {volts}V source 0.1 from feed to chassis\n\
                 resistor R1 150 from feed to n0\n"
            );
            for lamp in 1..=count {
                let to = if lamp == count {
                    "chassis".to_owned()
                } else {
                    format!("n{lamp}")
                };
                let from = lamp - 1;
                text.push_str(&format!("lamp P{lamp} 42 6.3V from n{from} to {to}\n"));
            }
            let circuit = Circuit::new(&text);
            let base = circuit.running();
            let point = healthy(&base);
            let (_, left, through) = point.kirchhoff();
            assert!(left < 1e-9 + 1e-9 * through, "{left}");
            let amps = point.device_amps(circuit.device("P1"))[0];
            assert!(amps > before, "{amps} at {volts}");
            before = amps;
        }
    }
}
