//! `shunt`: another full scale for a panel meter.

use crate::Status;
use crate::args::{Format, PreferredSeries, ShuntArgs};
use crate::failure::Failure;
use crate::{input, output};
use deadstage_netlist::{VoltsOrAmps, parse_coil_ohms, parse_volts_or_amps, visible};
use deadstage_parts::{
    FullScale, Movement, PartClass, ScaleResistor, Series, ShuntError, default_tolerance,
};
use deadstage_report::text::BenchReading;
use deadstage_report::{json, text};

pub(crate) fn run(args: &ShuntArgs) -> Result<Status, Failure> {
    let coil_ohms = input::word("--coil", &args.coil, parse_coil_ohms)?.0;
    let movement_amps = match input::word("--movement", &args.movement, parse_volts_or_amps)? {
        VoltsOrAmps::Amps(amps) => amps.0,
        VoltsOrAmps::Volts(volts) => volts.0 / coil_ohms,
    };
    let full_scale = match input::word("--full-scale", &args.full_scale, parse_volts_or_amps)? {
        VoltsOrAmps::Amps(amps) => FullScale::Amps(amps.0),
        VoltsOrAmps::Volts(volts) => FullScale::Volts(volts.0),
    };
    let resistor = Movement::new(movement_amps, coil_ohms)
        .and_then(|movement| ScaleResistor::new(movement, full_scale))
        .map_err(refused)?;
    let bench = match (&args.known, &args.shows) {
        (Some(known), Some(shows)) => Some(tried(&resistor, known, shows)?),
        _ => None,
    };
    let series = match args.series {
        PreferredSeries::E12 => Series::E12,
        PreferredSeries::E24 => Series::E24,
    };
    let shown = match args.format {
        Format::Text => text::shunt(&resistor, series, bench.as_ref()),
        Format::Json => {
            json::shunt(&resistor, series, bench.as_ref()).map_err(anyhow::Error::from)?
        }
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(Status::AllWell)
}

fn tried(resistor: &ScaleResistor, known: &str, shows: &str) -> Result<BenchReading, Failure> {
    let scale = resistor.full_scale();
    let known = on_scale("--known", known, scale)?;
    let shown = on_scale("--shows", shows, scale)?;
    let accuracy = default_tolerance(PartClass::PanelMeter);
    let found = resistor
        .calibrate(known, shown, accuracy)
        .map_err(refused)?;
    Ok(BenchReading {
        known,
        shown,
        accuracy,
        found,
    })
}

/// A value in the unit of the full scale.
fn on_scale(option: &str, typed: &str, scale: FullScale) -> Result<f64, Failure> {
    match (input::word(option, typed, parse_volts_or_amps)?, scale) {
        (VoltsOrAmps::Amps(amps), FullScale::Amps(_)) => Ok(amps.0),
        (VoltsOrAmps::Volts(volts), FullScale::Volts(_)) => Ok(volts.0),
        (_, scale) => Err(Failure::plain(
            "wrong-unit",
            format!(
                "{option} {}: not in the unit of the full scale",
                visible(typed)
            ),
            Some(match scale {
                FullScale::Amps(_) => "give a current, as in `80mA`".to_owned(),
                FullScale::Volts(_) => "give a voltage, as in `250V`".to_owned(),
            }),
        )),
    }
}

fn refused(error: ShuntError) -> Failure {
    Failure::no("no-such-resistor", error.to_string())
}
