//! A shunt or multiplier: what to fit, and what a known current says of the one fitted.

use super::{caution_foot, remarks};
use crate::layout::{ALARM, Columns, Page, WELL};
use crate::numbers;
use deadstage_parts::{Calibration, FullScale, ScaleResistor, Series};

/// What was read at a known current or voltage, with what follows from it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchReading {
    /// Amperes or volts applied, in the unit of the full scale.
    pub known: f64,
    /// What the panel showed, in the same unit.
    pub shown: f64,
    /// The movement's accuracy, as a fraction of full scale.
    pub accuracy: f64,
    /// What follows.
    pub found: Calibration,
}

/// The resistor, the preferred values beside it and, if one was taken, the reading that tries it.
pub fn shunt(resistor: &ScaleResistor, series: Series, bench: Option<&BenchReading>) -> String {
    let mut page = Page::default();
    let movement = resistor.movement();
    let full_scale = resistor.full_scale();
    let ohms = resistor.ohms();
    page.paragraph(
        "",
        &format!(
            "{} for {} full scale, on a movement of {} and {} ({} across it at full scale)",
            capital(noun(full_scale)),
            in_scale_unit(full_scale, full_scale.size()),
            numbers::amps(movement.full_scale_amps()),
            numbers::ohms(movement.coil_ohms()),
            small_volts(movement.full_scale_volts()),
        ),
    );
    page.gap();
    page.paragraph(
        "  ",
        &format!(
            "{}, {} the movement; at full scale {} across it and {} in it",
            numbers::ohms_fine(ohms),
            wiring(full_scale),
            small_volts(resistor.volts(ohms)),
            numbers::watts_fine(resistor.watts(ohms)),
        ),
    );
    page.heading(&format!("Preferred values beside it ({})", series.name()));
    let mut columns = Columns::new(&[">fitted", ">panel off by", ">heat at full scale"]);
    for value in series.beside(ohms) {
        columns.row(
            [
                numbers::ohms_fine(value),
                numbers::signed_per_cent(resistor.error(value)),
                numbers::watts_fine(resistor.watts(value)),
            ],
            None,
        );
    }
    page.table(columns);
    if let Some(bench) = bench {
        tried(&mut page, resistor, bench);
    }
    remarks(&mut page, &advice(resistor));
    // Where a shunt sits in its set is not said here, so it counts as dangerous.
    let highest_volts = match full_scale {
        FullScale::Amps(_) => f64::NAN,
        FullScale::Volts(volts) => volts,
    };
    caution_foot(&mut page, highest_volts);
    page.finish()
}

fn tried(page: &mut Page, resistor: &ScaleResistor, bench: &BenchReading) {
    let full_scale = resistor.full_scale();
    let (noun, found) = (noun(full_scale), &bench.found);
    page.heading("Tried on the bench");
    page.paragraph(
        "  ",
        &format!(
            "{} known, {} shown: the panel shows {}. The coil carries {}, so the {noun} fitted is {} for a right one of {}.",
            in_scale_unit(full_scale, bench.known),
            in_scale_unit(full_scale, bench.shown),
            too_much(found.error),
            numbers::amps(found.coil_amps),
            numbers::ohms_fine(found.ohms),
            numbers::ohms_fine(resistor.ohms()),
        ),
    );
    let (low, high) = found.ohms_within;
    let within = format!(
        "A movement good to {} of full scale leaves {} to {}",
        numbers::per_cent(bench.accuracy),
        numbers::ohms_fine(low),
        numbers::ohms_fine(high),
    );
    let (verdict, style) = if found.allows(resistor.ohms()) {
        (
            format!("{within}: the {noun} may be right, and the movement a little off."),
            WELL,
        )
    } else {
        (
            format!(
                "{within}: the {noun} is not right, or the movement is not the one stated. Measure the coil before the {noun} is changed."
            ),
            ALARM,
        )
    };
    page.hung_in("  ", "  ", &verdict, Some(style));
}

fn advice(resistor: &ScaleResistor) -> Vec<String> {
    let drift = 10.0 * resistor.drift_per_celsius();
    let mut said = match resistor.full_scale() {
        FullScale::Amps(_) => vec![
            "Bring the current in by heavy terminals of the shunt and take the coil's leads off inside them: a joint in series with the shunt alone adds to it. With the shunt open, all the current is in the coil.".to_owned(),
            "Try it on the bench at low voltage, a known meter in series and a resistor that limits the current, not in the set.".to_owned(),
        ],
        FullScale::Volts(volts) => vec![
            format!(
                "The movement and its multiplier load a circuit with {} in all, {}/V.",
                numbers::ohms(resistor.ohms() + resistor.movement().coil_ohms()),
                numbers::ohms(1.0 / resistor.movement().full_scale_amps()),
            ),
            format!(
                "A resistor has a rating in volts besides its watts: let several in series share the {} where one does not stand it.",
                small_volts(volts - resistor.movement().full_scale_volts())
            ),
        ],
    };
    said.push(
        "Fit one rated at twice the heat or more, so that it stays cool enough to keep its value (common practice)."
            .to_owned(),
    );
    // Less than a tenth of a per cent is hidden by any panel meter.
    if drift.abs() >= 1e-3 {
        said.push(format!(
            "With the copper of the coil 10 °C warmer the panel shows {}; less if part of its ohms is a swamping resistor.",
            too_much(drift)
        ));
    }
    said
}

/// A share of what is true that the panel shows too much or too little.
fn too_much(error: f64) -> String {
    let size = numbers::signed_per_cent(error.abs());
    match size.strip_prefix('+') {
        Some(size) if error > 0.0 => format!("{size} too much"),
        Some(size) => format!("{size} too little"),
        None => "what is true".to_owned(),
    }
}

fn noun(full_scale: FullScale) -> &'static str {
    match full_scale {
        FullScale::Amps(_) => "shunt",
        FullScale::Volts(_) => "multiplier",
    }
}

fn wiring(full_scale: FullScale) -> &'static str {
    match full_scale {
        FullScale::Amps(_) => "across",
        FullScale::Volts(_) => "in series with",
    }
}

fn in_scale_unit(full_scale: FullScale, value: f64) -> String {
    match full_scale {
        FullScale::Amps(_) => numbers::amps(value),
        FullScale::Volts(_) => small_volts(value),
    }
}

/// Millivolts where a movement has them: its drop is printed so on its face.
fn small_volts(volts: f64) -> String {
    if volts.abs() < 0.999_5 {
        numbers::in_unit(volts * 1e3, "mV")
    } else {
        numbers::volts(volts)
    }
}

fn capital(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().collect::<String>() + letters.as_str()
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use deadstage_parts::{Movement, ShuntError};

    fn resistor(amps: f64, ohms: f64, full_scale: FullScale) -> Result<ScaleResistor, ShuntError> {
        ScaleResistor::new(Movement::new(amps, ohms)?, full_scale)
    }

    #[test]
    fn a_shunt_with_the_values_beside_it() -> Result<(), ShuntError> {
        let resistor = resistor(1e-3, 100.0, FullScale::Amps(0.1))?;
        let text = samples::plain(&shunt(&resistor, Series::E12, None));
        assert!(text.starts_with("Shunt for 100 mA full scale"), "{text}");
        assert!(text.contains("1.0101 Ω, across the movement"), "{text}");
        assert!(text.contains("-0.99 %"), "{text}");
        assert!(text.contains("+18.6 %"), "{text}");
        assert!(text.contains("9.9 mW"), "{text}");
        assert!(text.contains("qualified"), "{text}");
        assert!(!text.contains("Tried"), "{text}");
        Ok(())
    }

    #[test]
    fn a_multiplier_below_fifty_volts_needs_no_caution() -> Result<(), ShuntError> {
        let low = resistor(50e-6, 1700.0, FullScale::Volts(10.0))?;
        let text = samples::plain(&shunt(&low, Series::E24, None));
        assert!(text.contains("198.3 kΩ, in series with"), "{text}");
        assert!(text.contains("20 kΩ/V"), "{text}");
        assert!(!text.contains("qualified"), "{text}");
        let high = resistor(50e-6, 1700.0, FullScale::Volts(500.0))?;
        let text = samples::plain(&shunt(&high, Series::E24, None));
        assert!(text.contains("Up to about 500 V"), "{text}");
        Ok(())
    }

    #[test]
    fn a_reading_condemns_only_past_the_movements_accuracy() -> Result<(), ShuntError> {
        let resistor = resistor(1e-3, 100.0, FullScale::Amps(0.1))?;
        let told = |shown: f64| -> Result<String, ShuntError> {
            let bench = BenchReading {
                known: 0.08,
                shown,
                accuracy: 0.03,
                found: resistor.calibrate(0.08, shown, 0.03)?,
            };
            Ok(samples::plain(&shunt(&resistor, Series::E12, Some(&bench))))
        };
        let off = told(0.072)?;
        assert!(off.contains("shows 10 % too little"), "{off}");
        assert!(
            off.contains("0.9082 Ω for a right one of 1.0101 Ω"),
            "{off}"
        );
        assert!(off.contains("not right"), "{off}");
        assert!(told(0.079)?.contains("may be right"));
        Ok(())
    }
}
