//! `deadstage.shunt/1`.

use super::document;
use crate::numbers::rounded;
use crate::text::BenchReading;
use deadstage_parts::{FullScale, ScaleResistor, Series};
use serde::Serialize;

#[derive(Serialize)]
struct Document {
    schema: &'static str,
    kind: &'static str,
    movement: MovementEntry,
    full_scale: Scale,
    ohms: Option<f64>,
    volts: Option<f64>,
    watts: Option<f64>,
    drift_per_celsius: Option<f64>,
    series: &'static str,
    preferred: Vec<Preferred>,
    bench: Option<Bench>,
}

#[derive(Serialize)]
struct MovementEntry {
    amps: Option<f64>,
    ohms: Option<f64>,
    volts: Option<f64>,
}

#[derive(Serialize)]
struct Scale {
    value: Option<f64>,
    unit: &'static str,
}

#[derive(Serialize)]
struct Preferred {
    ohms: Option<f64>,
    error_percent: Option<f64>,
    watts: Option<f64>,
}

#[derive(Serialize)]
struct Bench {
    known: Option<f64>,
    shown: Option<f64>,
    accuracy_percent: Option<f64>,
    error_percent: Option<f64>,
    ohms: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    may_be_right: bool,
}

/// The shunt or multiplier, in SI units; an error is what the panel shows too
/// much, in per cent. `high` of `bench` is `null` where the reading may be that
/// of an open shunt, and `bench` where no reading was given.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn shunt(
    resistor: &ScaleResistor,
    series: Series,
    bench: Option<&BenchReading>,
) -> Result<String, serde_json::Error> {
    let (movement, ohms) = (resistor.movement(), resistor.ohms());
    let (kind, unit) = match resistor.full_scale() {
        FullScale::Amps(_) => ("shunt", "A"),
        FullScale::Volts(_) => ("multiplier", "V"),
    };
    document(&Document {
        schema: "deadstage.shunt/1",
        kind,
        movement: MovementEntry {
            amps: rounded(movement.full_scale_amps()),
            ohms: rounded(movement.coil_ohms()),
            volts: rounded(movement.full_scale_volts()),
        },
        full_scale: Scale {
            value: rounded(resistor.full_scale().size()),
            unit,
        },
        ohms: rounded(ohms),
        volts: rounded(resistor.volts(ohms)),
        watts: rounded(resistor.watts(ohms)),
        drift_per_celsius: rounded(resistor.drift_per_celsius()),
        series: series.name(),
        preferred: series
            .beside(ohms)
            .into_iter()
            .map(|value| Preferred {
                ohms: rounded(value),
                error_percent: rounded(100.0 * resistor.error(value)),
                watts: rounded(resistor.watts(value)),
            })
            .collect(),
        bench: bench.map(|bench| Bench {
            known: rounded(bench.known),
            shown: rounded(bench.shown),
            accuracy_percent: rounded(100.0 * bench.accuracy),
            error_percent: rounded(100.0 * bench.found.error),
            ohms: rounded(bench.found.ohms),
            low: rounded(bench.found.ohms_within.0),
            high: rounded(bench.found.ohms_within.1),
            may_be_right: bench.found.allows(ohms),
        }),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_parts::Movement;
    use serde_json::Value;

    #[test]
    fn a_multiplier_and_a_reading_of_it() -> Result<(), Box<dyn std::error::Error>> {
        let resistor = ScaleResistor::new(Movement::new(8e-3, 10.0)?, FullScale::Volts(100.0))?;
        let bench = BenchReading {
            known: 50.0,
            shown: 40.0,
            accuracy: 0.03,
            found: resistor.calibrate(50.0, 40.0, 0.03)?,
        };
        let found: Value = serde_json::from_str(&shunt(&resistor, Series::E24, Some(&bench))?)?;
        assert_eq!(found["schema"], "deadstage.shunt/1");
        assert_eq!(found["kind"], "multiplier");
        assert_eq!(found["ohms"], 12_490.0);
        assert_eq!(found["preferred"][0]["ohms"], 12_000.0);
        assert_eq!(found["preferred"][1]["ohms"], 13_000.0);
        // 50 V and 3.2 mA in all: 15 625 Ω, ten of them the coil's.
        assert_eq!(found["bench"]["ohms"], 15_615.0);
        assert_eq!(found["bench"]["error_percent"], -20.0);
        assert_eq!(found["bench"]["may_be_right"], false);
        let untried: Value = serde_json::from_str(&shunt(&resistor, Series::E24, None)?)?;
        assert!(untried["bench"].is_null());
        Ok(())
    }
}
