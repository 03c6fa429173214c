//! The table against its sources, and the cuts of the priors.

use super::*;

fn written() -> file::File {
    toml::from_str(include_str!("../../data/failures.toml")).expect("the table parses")
}

#[test]
fn every_class_has_failures_whose_shares_add_to_one() {
    for class in PartClass::ALL {
        let rows = failures(class);
        assert!(!rows.is_empty(), "{}", class.name());
        let sum: f64 = rows.iter().map(|row| row.share).sum();
        assert!((sum - 1.0).abs() < 1e-9, "{}: {sum}", class.name());
        assert!(rows.iter().all(|row| row.share > 0.0), "{}", class.name());
    }
}

#[test]
fn published_splits_add_to_one_and_are_used_up() {
    for class in written().class {
        if class.published.is_empty() {
            continue;
        }
        let sum: f64 = class.published.values().sum();
        assert!((sum - 1.0).abs() < 1e-9, "{}: {sum}", class.class.name());
        for category in class.published.keys() {
            let taken: f64 = class
                .modes
                .iter()
                .filter(|row| row.of.as_ref() == Some(category))
                .map(|row| row.part)
                .sum();
            let due = f64::from(u8::from(!class.unused.contains(category)));
            assert!(
                (taken - due).abs() < 1e-9,
                "{}, {category}: {taken}",
                class.class.name()
            );
        }
    }
}

#[test]
fn every_row_names_a_category_and_a_range_that_exist() {
    let file = written();
    for class in &file.class {
        for row in &class.modes {
            assert!(file.has_range(&row.range), "{}", row.range);
            match &row.of {
                Some(of) => assert!(class.published.contains_key(of), "{of}"),
                None => assert!(row.share > 0.0, "{}", class.class.name()),
            }
        }
    }
}

#[test]
fn a_class_has_one_row_a_mode_and_one_word_a_row() {
    for class in PartClass::ALL {
        let rows = failures(class);
        for (i, row) in rows.iter().enumerate() {
            assert!(rows[..i].iter().all(|other| other.mode != row.mode));
        }
    }
}

// MIL-HDBK-338B (1998), failure mode distributions (from memory, high):
// where nothing is added or dropped, the shares are the printed ones.
#[test]
fn shares_are_those_of_the_handbook() {
    let share = |class, mode| failure(class, mode).map_or(0.0, |row| row.share);
    let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} for {b}");
    let resistor = PartClass::CompositionResistor;
    close(share(resistor, Mode::Open), 0.31);
    close(share(resistor, Mode::Short), 0.03);
    close(
        share(resistor, Mode::High) + share(resistor, Mode::Low),
        0.66,
    );
    let paper = PartClass::PaperCapacitor;
    close(share(paper, Mode::Open), 0.37);
    close(share(paper, Mode::Short) + share(paper, Mode::Leaky), 0.63);
    let tube = PartClass::Tube;
    close(share(tube, Mode::Weak) + share(tube, Mode::Gassy), 0.53);
    close(share(tube, Mode::Dead), 0.25);
    // 0.02 of the electrolytic's split (low capacitance) is dropped.
    let electrolytic = PartClass::ElectrolyticCapacitor;
    close(share(electrolytic, Mode::Open), 0.45 / 0.98);
}

#[test]
fn an_open_capacitor_does_not_show_and_a_leaky_one_does() {
    for class in PartClass::ALL.into_iter().filter(|c| c.is_capacitor()) {
        for row in failures(class) {
            assert_eq!(row.shows_at_dc, row.mode != Mode::Open, "{}", class.name());
        }
    }
}

#[test]
fn tubes_lead_in_service_and_not_after_decades() {
    let tube = rate(PartClass::Tube, RateProfile::InService);
    for class in [
        PartClass::CompositionResistor,
        PartClass::PaperCapacitor,
        PartClass::ElectrolyticCapacitor,
        PartClass::MicaCapacitor,
    ] {
        assert!(rate(class, RateProfile::InService) < tube / 4.0);
    }
    let old = |class| rate(class, RateProfile::DecadesOld);
    assert!(old(PartClass::PaperCapacitor) > old(PartClass::Tube));
    for class in PartClass::ALL {
        for profile in [RateProfile::InService, RateProfile::DecadesOld] {
            let p = rate(class, profile);
            assert!(p > 0.0 && p < 1.0, "{}: {p}", class.name());
        }
        // No strong prior where nothing is published.
        if class != PartClass::Link {
            assert!((0.01..=0.1).contains(&old(class)), "{}", class.name());
        }
    }
}

// One failure expected, in the sum of rates; in the sum of probabilities a little less.
#[test]
fn the_reference_unit_expects_one_failure() {
    let events = |class| -(1.0 - rate(class, RateProfile::InService)).ln();
    let stage = events(PartClass::Tube)
        + events(PartClass::ElectrolyticCapacitor)
        + 2.0 * events(PartClass::PaperCapacitor)
        + 6.0 * events(PartClass::CompositionResistor);
    assert!((4.0 * stage - 1.0).abs() < 1e-9, "{stage}");
}

// Field removals of 1 to 3 % per 100 hours, two in three of them defective (ARINC
// field study, abstract only): 0.1 to 0.3 in 1500 hours.
#[test]
fn the_tube_rate_agrees_with_field_removals() {
    let tube = rate(PartClass::Tube, RateProfile::InService);
    assert!((0.1..0.3).contains(&tube), "{tube}");
}

#[test]
fn priors_keep_clear_of_the_neighbouring_mode() {
    let ends = |class, mode, ohms| match failure(class, mode).map(|row| row.prior_for(ohms)) {
        Some(ParameterPrior::LogUniform { low, high, .. }) => (low, high),
        other => panic!("{other:?}"),
    };
    let resistor = PartClass::CompositionResistor;
    assert_eq!(ends(resistor, Mode::Open, None).0, 5e6);
    assert_eq!(ends(resistor, Mode::Open, Some(1e5)).0, 5e6);
    assert_eq!(ends(resistor, Mode::Open, Some(1e6)).0, 3e7);
    let (low, high) = ends(resistor, Mode::Short, Some(1.0));
    assert!(low < high && high <= 0.03);
    let electrolytic = PartClass::ElectrolyticCapacitor;
    assert_eq!(
        ends(electrolytic, Mode::Leaky, Some(3e6)),
        (3e3, 1e6),
        "a healthy electrolytic leaks more than a leaky mica"
    );
    let (low, high) = ends(electrolytic, Mode::Leaky, Some(1e3));
    assert!(0.0 < low && low < high);
    assert_eq!(ends(electrolytic, Mode::Short, Some(3e6)), (0.1, 100.0));
    // A giga-ohm part still has an open of its own.
    let (low, high) = ends(resistor, Mode::Open, Some(1e10));
    assert!(low == 3e11 && high > low);
}

#[test]
fn mid_values_of_composition_drift_most() {
    let worst = composition_drift_factor(1e5);
    assert!(worst > composition_drift_factor(9.9e3) * 3.0);
    assert!((composition_drift_factor(3.3e4) - worst).abs() < 1e-12);
    assert!((composition_drift_factor(4.7e5) - worst).abs() < 1e-12);
    assert!(composition_drift_factor(1.0) <= composition_drift_factor(5e3));
    assert!(composition_drift_factor(2.2e7) < worst);
    for silly in [0.0, -1.0, f64::NAN, f64::INFINITY] {
        assert_eq!(composition_drift_factor(silly), 1.0);
    }
}

#[test]
fn names_are_the_thirteen_words_of_an_answer() {
    let mut words: Vec<_> = Mode::ALL.iter().map(|mode| mode.name()).collect();
    words.sort_unstable();
    words.dedup();
    assert_eq!(words.len(), 13);
    assert_ne!(Mode::SiliconInPlace.phrase(), Mode::High.phrase());
    assert_ne!(Mode::SideDead.phrase(), Mode::Weak.phrase());
}
