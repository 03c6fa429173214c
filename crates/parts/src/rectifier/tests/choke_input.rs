//! Choke input below the critical current, and with its choke failed.

use super::*;

// Critical resistance 1130 ohms a henry at 60 Hz full-wave (handbook rule, from memory, high),
// from the second harmonic alone; all harmonics together make it 1170.
#[test]
fn below_its_critical_current_a_choke_lets_the_output_climb() {
    let make = |henries| {
        law(
            RectifierElement::vacuum_from_drop(44.0, 0.225),
            Connection::FullWave,
            450.0,
            75.0,
            Filter::Choke { henries },
        )
    };
    let (known, large) = (make(Some(10.0)), make(None));
    let critical = known.critical_amps().unwrap_or(0.0);
    let average = 2.0 / PI * 450.0 * SQRT_2;
    assert!((average / critical / 11_300.0 - 1.0).abs() < 0.04);
    // The rule's 1130 L keeps the second harmonic alone; with all of them it is 1170 L.
    let whole = 2.0 / PI / choke::CRITICAL * 4.0 * PI * 60.0 * 10.0;
    assert!((average / critical / whole - 1.0).abs() < 1e-4);
    let at = |supply: &RectifierLaw, amps| supply.volts_at(amps, &healthy());
    assert!((at(&known, 4.0 * critical) - at(&large, 4.0 * critical)).abs() < 0.5);
    let climb = at(&known, critical) - at(&large, critical);
    assert!(
        climb > 0.0 && climb < 0.03 * (450.0 * SQRT_2 - average),
        "{climb}"
    );
    let idle = at(&known, 1e-5);
    assert!(
        idle > 0.93 * 450.0 * SQRT_2 && idle < 450.0 * SQRT_2,
        "{idle}"
    );
}

/// Average current times reactance at the ripple frequency over the peak, of an ideal
/// rectifier and choke that feed a constant voltage of this share of the peak, by
/// following the current through one pulse.
fn pulse_by_pulse(share: f64) -> f64 {
    let start = share.asin();
    let steps = 200_000;
    let mut sum = 0.0;
    for step in 0..steps {
        let angle = (f64::from(step) + 0.5) / f64::from(steps) * PI;
        let theta = start + angle;
        let amps = 2.0 * (start.cos() - theta.cos() - angle * share);
        if amps < 0.0 {
            break;
        }
        sum += amps;
    }
    sum / f64::from(steps)
}

// Discontinuous conduction worked pulse by pulse (textbook analysis; our own arithmetic).
#[test]
fn the_climb_is_that_of_the_current_followed_through_a_pulse() {
    let (rms, henries) = (400.0, 10.0);
    let supply = law(
        RectifierElement::Silicon,
        Connection::FullWave,
        rms,
        0.5,
        Filter::Choke {
            henries: Some(henries),
        },
    );
    let peak = supply.peak(&healthy());
    let reactance = 2.0 * PI * 120.0 * henries;
    for share in [0.99, 0.97, 0.93, 0.9, 0.85, 0.8, 0.75, 0.7, 0.67] {
        let amps = pulse_by_pulse(share) * peak / reactance;
        let got = supply.volts_at(amps, &healthy()) / peak;
        assert!((got - share).abs() < 2e-3, "{share}: {got}");
    }
    // Where the current just reaches the next pulse, the output is the average.
    let critical = pulse_by_pulse(2.0 / PI + 1e-9) * peak / reactance;
    let rule = supply.critical_amps().unwrap_or(0.0);
    assert!((critical / rule - 1.0).abs() < 1e-4, "{critical} {rule}");
}

#[test]
fn less_load_never_means_less_output() {
    let supply = law(
        RectifierElement::vacuum_from_drop(44.0, 0.225),
        Connection::FullWave,
        400.0,
        55.0,
        Filter::Choke {
            henries: Some(20.0),
        },
    );
    let mut before = f64::INFINITY;
    for step in 0..60 {
        let volts = supply.volts_at(1e-5 * 1.2_f64.powi(step), &healthy());
        assert!(volts < before, "{volts} {before}");
        before = volts;
    }
}

// 50 Hz mains asks for 6/5 of the load (handbook rule 6 π f L, from memory, high).
#[test]
fn a_slower_mains_needs_more_current() {
    let supply = law(
        RectifierElement::Silicon,
        Connection::Bridge,
        300.0,
        10.0,
        Filter::Choke { henries: Some(5.0) },
    );
    let critical = |law: &RectifierLaw| law.critical_amps().unwrap_or(0.0);
    let slow = supply.clone().at_hertz(50.0);
    assert!((critical(&slow) / critical(&supply) - 1.2).abs() < 1e-9);
    assert_eq!(critical(&supply.clone().at_hertz(0.0)), critical(&supply));
}

#[test]
fn a_shorted_choke_makes_capacitor_input_and_an_open_one_the_average() {
    let make = |filter| {
        law(
            RectifierElement::vacuum_from_drop(44.0, 0.225),
            Connection::FullWave,
            400.0,
            55.0,
            filter,
        )
    };
    let choke = make(Filter::Choke {
        henries: Some(10.0),
    });
    let with = |choke| Condition { choke, ..healthy() };
    let reservoir = make(Filter::Capacitor);
    let endless = make(Filter::Choke { henries: None });
    for amps in [1e-4, 0.01, 0.1] {
        let shorted = choke.volts_at(amps, &with(0.0));
        assert!((shorted - reservoir.volts_at(amps, &healthy())).abs() < 1e-6);
        let open = choke.volts_at(amps, &with(f64::INFINITY));
        assert!((open - endless.volts_at(amps, &healthy())).abs() < 1e-6);
        // Whatever is left of it, the output lies between.
        let mut last = shorted;
        for henries in [0.01, 0.05, 0.1, 1.0, 5.0, 10.0] {
            let left = choke.volts_at(amps, &with(henries / 10.0));
            assert!(
                left >= open - 1e-6 && left <= last + 1e-6,
                "{henries}: {left}"
            );
            last = left;
            // It is the same choke, whether so much is left of it or it never had more.
            let small = make(Filter::Choke {
                henries: Some(henries),
            });
            let found = small.volts_at(amps, &healthy());
            assert!((found - left).abs() < 1e-6, "{henries}: {found} {left}");
        }
    }
    // The reservoir lost, the choke behind it is the input.
    let lost = Condition {
        reservoir: false,
        ..healthy()
    };
    let behind = reservoir.with_choke_behind(10.0);
    for amps in [1e-4, 0.01, 0.1] {
        let got = behind.volts_at(amps, &lost);
        assert!((got - choke.volts_at(amps, &healthy())).abs() < 1e-6);
    }
}

#[test]
fn what_is_left_of_a_choke_follows_from_its_ohms() {
    let choke = law(
        RectifierElement::Silicon,
        Connection::FullWave,
        400.0,
        55.0,
        Filter::Choke {
            henries: Some(10.0),
        },
    );
    let reactance = 2.0 * PI * 120.0 * 10.0;
    assert_eq!(choke.choke_left(100.0, 100.0), 1.0);
    // As many ohms as reactance in series: √2 of it.
    let series = choke.choke_left(100.0, 100.0 + reactance);
    assert!((series - SQRT_2).abs() < 1e-12);
    assert!(choke.choke_left(100.0, f64::INFINITY).is_infinite());
    // A tenth of the turns shorted: 100 (0.9)²/0.1 = 810 ohms across 0.81 of the reactance.
    let want = 1.0 / (1.0 / 810.0_f64).hypot(1.0 / (0.81 * reactance)) / reactance;
    let got = choke.choke_left(100.0, 90.0);
    assert!((got / want - 1.0).abs() < 1e-9, "{got} {want}");
    assert_eq!(choke.choke_left(100.0, 0.0), 0.0);
    assert!(choke.choke_bridged(1.0) < 2e-4);
    let unknown = law(
        RectifierElement::Silicon,
        Connection::FullWave,
        400.0,
        55.0,
        Filter::Choke { henries: None },
    );
    assert_eq!(unknown.choke_left(100.0, 50.0), 1.0);
    assert_eq!(unknown.choke_bridged(1.0), 0.0);
}
