//! Published figures and general properties of the supply law.

use proptest::prelude::*;

use super::*;

mod choke_input;

fn law(
    element: RectifierElement,
    connection: Connection,
    rms: f64,
    ohms: f64,
    filter: Filter,
) -> RectifierLaw {
    RectifierLaw::new(element, connection, rms, ohms, filter).expect("figures of a real supply")
}

fn healthy() -> Condition {
    Condition::default()
}

/// Output over peak for a load that is `1/ratio` of the series resistance.
fn loaded(connection: Connection, ratio: f64) -> f64 {
    let ohms = 100.0;
    let supply = law(
        RectifierElement::Silicon,
        connection,
        5000.0,
        ohms,
        Filter::Capacitor,
    );
    let peak = supply.peak(&healthy());
    let load = ohms / ratio;
    let (mut low, mut high) = (0.0, peak);
    for _ in 0..80 {
        let v = 0.5 * (low + high);
        if supply.delivered(v, &healthy()).0 > v / load {
            low = v;
        } else {
            high = v;
        }
    }
    low / peak
}

// O. H. Schade, "Analysis of rectifier operation", Proc. IRE 31(7), 1943: the limit of
// his curves for a large capacitor, tan θ − θ = π Rs/(n RL), worked out here to three
// digits.
#[test]
fn capacitor_input_follows_the_conduction_angle() {
    let ratios = [0.001, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5];
    let half = [0.978, 0.938, 0.904, 0.853, 0.752, 0.646, 0.517, 0.337];
    let full = [0.986, 0.960, 0.938, 0.904, 0.832, 0.752, 0.646, 0.473];
    for (i, ratio) in ratios.into_iter().enumerate() {
        let got = loaded(Connection::HalfWave, ratio);
        assert!((got - half[i]).abs() < 0.002, "half-wave {ratio}: {got}");
        for connection in [Connection::FullWave, Connection::Bridge] {
            let got = loaded(connection, ratio);
            assert!((got - full[i]).abs() < 0.002, "full-wave {ratio}: {got}");
        }
    }
}

#[test]
fn one_side_of_full_wave_is_half_wave() {
    let one = Condition {
        sides: 0.5,
        ..healthy()
    };
    let make = |connection| {
        law(
            RectifierElement::vacuum_from_drop(50.0, 0.125),
            connection,
            350.0,
            80.0,
            Filter::Capacitor,
        )
    };
    let (full, half) = (make(Connection::FullWave), make(Connection::HalfWave));
    for v in [100.0, 300.0, 450.0] {
        let (a, b) = (full.delivered(v, &one), half.delivered(v, &healthy()));
        assert!((a.0 - b.0).abs() < 1e-12 && (a.1 - b.1).abs() < 1e-12);
    }
    assert!(full.has_sides() && !half.has_sides());
    assert_eq!(half.delivered(100.0, &one), (0.0, 0.0));
}

#[test]
fn a_doubler_gives_about_twice_half_wave() {
    let make = |connection| {
        law(
            RectifierElement::Silicon,
            connection,
            120.0,
            10.0,
            Filter::Capacitor,
        )
    };
    let (single, double) = (make(Connection::HalfWave), make(Connection::Doubler));
    let (v1, v2) = (
        single.volts_at(0.1, &healthy()),
        double.volts_at(0.1, &healthy()),
    );
    assert!((v2 / v1 - 2.0).abs() < 1e-6, "{v1} {v2}");
    assert!(v2 > 280.0 && v2 < 2.0 * 120.0 * SQRT_2);
}

// Data sheets, typical capacitor-input operation (from memory, medium; hence wide): 5Y3GT at
// 350 V a side and 50 ohms a plate gives about 350 V at 125 mA and 390 V at half of that;
// 5U4G at 450 V a side and 75 ohms about 480 V at 225 mA and 530 V at half of that.
// The sheets' 10 uF reservoir costs some volts that the large-capacitor limit does not.
#[test]
fn rectifier_tubes_deliver_about_what_their_sheets_say() {
    for (drop, rms, ohms, amps, full, half) in [
        ((50.0, 0.125), 350.0, 50.0, 0.125, 350.0, 390.0),
        ((44.0, 0.225), 450.0, 75.0, 0.225, 480.0, 530.0),
    ] {
        let supply = law(
            RectifierElement::vacuum_from_drop(drop.0, drop.1),
            Connection::FullWave,
            rms,
            ohms,
            Filter::Capacitor,
        );
        for (load, want) in [(amps, full), (0.5 * amps, half)] {
            let got = supply.volts_at(load, &healthy());
            assert!((got / want - 1.0).abs() < 0.06, "{load}: {got} for {want}");
        }
    }
}

// Choke input: 0.9 of the RMS voltage less drops (handbook rule, from memory, high).
#[test]
fn choke_input_gives_nine_tenths_less_drops() {
    let supply = law(
        RectifierElement::MercuryVapour,
        Connection::FullWave,
        1000.0,
        50.0,
        Filter::Choke { henries: None },
    );
    let got = supply.volts_at(0.2, &healthy());
    let want = 900.3 - 2.0 / PI * 15.0 - 0.2 * 50.0;
    assert!((got - want).abs() < 0.5, "{got} {want}");
    let tube = law(
        RectifierElement::vacuum_from_drop(44.0, 0.225),
        Connection::FullWave,
        450.0,
        75.0,
        Filter::Choke { henries: None },
    );
    let got = tube.volts_at(0.225, &healthy());
    assert!((got - (0.9003 * 450.0 - 44.0 - 16.9)).abs() < 0.5, "{got}");
    assert_eq!(supply.critical_amps(), None);
}

#[test]
fn silicon_in_a_tubes_place_lifts_the_output() {
    let tube = law(
        RectifierElement::vacuum_from_drop(44.0, 0.225),
        Connection::FullWave,
        350.0,
        100.0,
        Filter::Capacitor,
    );
    let silicon = tube.clone().with_element(RectifierElement::Silicon);
    let rise = silicon.volts_at(0.08, &healthy()) - tube.volts_at(0.08, &healthy());
    // 20 to 60 V (common practice, no source).
    assert!((20.0..60.0).contains(&rise), "{rise}");
    assert_eq!(silicon.element(), RectifierElement::Silicon);
    assert_eq!(silicon.spreads().len(), 1);
    assert_eq!(tube.spreads().len(), 2);
}

#[test]
fn a_weak_bottle_and_a_low_line_give_less() {
    let tube = law(
        RectifierElement::vacuum_from_drop(22.0, 0.070),
        Connection::FullWave,
        300.0,
        150.0,
        Filter::Capacitor,
    );
    let at = |condition| tube.volts_at(0.05, &condition);
    let weak = Condition {
        perveance: 0.2,
        ..healthy()
    };
    let low = Condition {
        volts: 0.9,
        ..healthy()
    };
    let dead = Condition {
        perveance: 0.0,
        ..healthy()
    };
    assert!(at(weak) < at(healthy()) - 10.0);
    assert!((at(low) / at(healthy()) - 0.9).abs() < 0.02);
    assert_eq!(at(dead), 0.0);
    assert_eq!(tube.delivered(0.0, &dead), (0.0, 0.0));
}

// Saw-tooth rule for a large reservoir, I/(4 √3 f C) full-wave (handbook rule,
// from memory, high): the conduction angle takes a part of it off.
#[test]
fn ripple_is_that_of_the_saw_tooth() {
    let supply = law(
        RectifierElement::Silicon,
        Connection::FullWave,
        300.0,
        20.0,
        Filter::Capacitor,
    );
    let got = supply.ripple_volts(0.05, 40e-6, 60.0).unwrap_or(0.0);
    let rule = 0.05 / (4.0 * 3.0_f64.sqrt() * 60.0 * 40e-6);
    assert!(got < rule && got > 0.75 * rule, "{got} {rule}");
    let twice = supply.ripple_volts(0.05, 20e-6, 60.0).unwrap_or(0.0);
    assert!((twice / got - 2.0).abs() < 1e-9);
    assert_eq!(supply.ripple_volts(0.05, 0.0, 60.0), None);
    assert_eq!(supply.ripple_volts(0.05, 1e-6, f64::NAN), None);
}

// Choke input: 0.47 of the average voltage is second harmonic, RMS (handbook figure, from
// memory, high).
#[test]
fn choke_ripple_is_the_second_harmonic_behind_the_filter() {
    let supply = law(
        RectifierElement::MercuryVapour,
        Connection::FullWave,
        1000.0,
        50.0,
        Filter::Choke {
            henries: Some(10.0),
        },
    );
    let got = supply.ripple_volts(0.2, 8e-6, 60.0).unwrap_or(0.0);
    let average = 2.0 / PI * supply.peak(&healthy());
    let omega = 2.0 * PI * 120.0;
    let want = 0.4714 * average / (omega * omega * 10.0 * 8e-6 - 1.0);
    assert!((got / want - 1.0).abs() < 1e-3, "{got} {want}");
    assert_eq!(supply.ripple_volts(0.2, 1e-9, 60.0), None);
}

#[test]
fn figures_that_no_part_has_are_refused() {
    let make = |rms, ohms, filter| {
        RectifierLaw::new(
            RectifierElement::Silicon,
            Connection::Bridge,
            rms,
            ohms,
            filter,
        )
    };
    for rms in [0.0, -5.0, f64::NAN, f64::INFINITY] {
        assert!(matches!(
            make(rms, 10.0, Filter::Capacitor),
            Err(RectifierError::NotPositive { .. })
        ));
    }
    assert!(matches!(
        make(100.0, -1.0, Filter::Capacitor),
        Err(RectifierError::Resistance { .. })
    ));
    let choke = Filter::Choke { henries: Some(0.0) };
    let error = make(100.0, 1.0, choke).expect_err("a choke of 0 H");
    assert_eq!(
        error.to_string(),
        "choke inductance must be above zero, and is 0"
    );
    assert!(make(100.0, 0.0, Filter::Capacitor).is_ok());
}

#[test]
fn elements_come_from_the_tube_table() {
    let table = crate::table::tube_table();
    let of = |name: &str| table.find(name).and_then(RectifierElement::of_type);
    // 50 V at 125 mA (data sheet, from memory, high).
    let Some(RectifierElement::Vacuum { perveance }) = of("5Y3") else {
        panic!("a vacuum rectifier");
    };
    assert!((perveance / 3.54e-4 - 1.0).abs() < 0.01, "{perveance}");
    assert_eq!(of("12AX7"), None);
    // About 15 V, nearly constant (data sheet, from memory, high).
    if let Some(element) = of("866A") {
        assert!((element.constant_volts() - 15.0).abs() < 2.0, "{element:?}");
    }
}

fn any_law() -> impl Strategy<Value = RectifierLaw> {
    let element = prop_oneof![
        (1e-5..5e-3_f64).prop_map(|perveance| RectifierElement::Vacuum { perveance }),
        Just(RectifierElement::MercuryVapour),
        (0.0..40.0_f64).prop_map(|volts| RectifierElement::Gas { volts }),
        Just(RectifierElement::Silicon),
    ];
    let connection = prop_oneof![
        Just(Connection::FullWave),
        Just(Connection::HalfWave),
        Just(Connection::Bridge),
        Just(Connection::Doubler),
    ];
    let filter = prop_oneof![
        2 => Just(Filter::Capacitor),
        1 => Just(Filter::Choke { henries: None }),
        1 => (0.1..50.0_f64).prop_map(|h| Filter::Choke { henries: Some(h) }),
    ];
    (element, connection, 5.0..2000.0_f64, 0.0..500.0_f64, filter)
        .prop_map(|(e, c, rms, ohms, f)| law(e, c, rms, ohms, f))
}

fn any_condition() -> impl Strategy<Value = Condition> {
    let choke = prop_oneof![
        3 => Just(1.0),
        1 => Just(0.0),
        1 => Just(f64::INFINITY),
        2 => 0.001..3.0_f64,
    ];
    (
        0.05..1.5_f64,
        0.5..1.3_f64,
        prop_oneof![Just(0.5), Just(1.0)],
        choke,
    )
        .prop_map(|(perveance, volts, sides, choke)| Condition {
            perveance,
            volts,
            sides,
            choke,
            ..Condition::default()
        })
}

proptest! {
    #[test]
    fn finite_and_monotone_everywhere(
        supply in any_law(), condition in any_condition(), v in -5000.0..5000.0_f64,
    ) {
        let got = supply.currents(&[v, 0.0, 0.0, 0.0], &condition);
        prop_assert!(got.amps[0].is_finite());
        prop_assert!(got.siemens[0][0].is_finite() && got.siemens[0][0] > 0.0);
        let more = supply.currents(&[v + 1.0, 0.0, 0.0, 0.0], &condition);
        prop_assert!(more.amps[0] >= got.amps[0]);
    }

    // Where the law is at work: between nothing and its peak.
    #[test]
    fn the_derivative_is_that_of_the_current(
        supply in any_law(), condition in any_condition(), share in -0.3..1.01_f64,
    ) {
        let top = supply.top_volts(&condition);
        let v = share * top;
        let at = |v: f64| supply.currents(&[v, 0.0, 0.0, 0.0], &condition);
        let h = 1e-6 * top;
        let slope = (at(v + h).amps[0] - at(v - h).amps[0]) / (2.0 * h);
        let g = at(v).siemens[0][0];
        prop_assert!((g - slope).abs() <= 2e-4 * g + 1e-8, "{g} {slope} at {v} of {top}");
    }

    #[test]
    fn what_is_drawn_comes_out_at_the_voltage_found(
        supply in any_law(), amps in 1e-4..0.5_f64,
    ) {
        let condition = healthy();
        let v = supply.volts_at(amps, &condition);
        let (short, _) = supply.delivered(0.0, &condition);
        if short > amps {
            let (got, _) = supply.delivered(v, &condition);
            prop_assert!((got / amps - 1.0).abs() < 1e-6, "{got} {amps} at {v}");
        } else {
            prop_assert!(v < 1e-6);
        }
    }
}
