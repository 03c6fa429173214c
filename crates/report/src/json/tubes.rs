//! `deadstage.tubes/1`.

use super::document;
use crate::numbers::rounded;
use deadstage_parts::table::PublishedPoint;
use deadstage_parts::{LawForm, TubeType, Unit};
use serde::Serialize;
use std::collections::BTreeMap;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    tubes: Vec<Tube<'a>>,
}

#[derive(Serialize)]
struct Tube<'a> {
    #[serde(rename = "type")]
    name: &'a str,
    kind: String,
    aliases: &'a [String],
    heater: Option<Heater>,
    units: Vec<UnitEntry>,
    source: &'a str,
    confidence: String,
    note: Option<&'a str>,
}

#[derive(Serialize)]
struct Heater {
    volts: Option<f64>,
    amps: Option<f64>,
    pins: Vec<String>,
}

#[derive(Serialize)]
struct UnitEntry {
    kind: String,
    pins: BTreeMap<&'static str, Vec<String>>,
    ratings: Ratings,
    points: Vec<Point>,
    fits: Vec<FitEntry>,
    drop: Option<Drop>,
    glow: Option<Glow>,
}

#[derive(Serialize)]
struct Ratings {
    plate_watts: Option<f64>,
    plate_volts: Option<f64>,
    screen_watts: Option<f64>,
    screen_volts: Option<f64>,
    cathode_amps: Option<f64>,
    heater_cathode_volts: Option<f64>,
    inverse_volts: Option<f64>,
    dc_amps: Option<f64>,
    peak_amps: Option<f64>,
}

#[derive(Serialize)]
struct Point {
    plate_volts: Option<f64>,
    grid_volts: Option<f64>,
    screen_volts: Option<f64>,
    plate_amps: Option<f64>,
    screen_amps: Option<f64>,
    gm_siemens: Option<f64>,
    mu: Option<f64>,
    plate_ohms: Option<f64>,
    confidence: String,
}

/// How far a law is off at worst, as fractions.
#[derive(Serialize)]
struct FitEntry {
    law: &'static str,
    plate_amps: Option<f64>,
    screen_amps: Option<f64>,
    gm_siemens: Option<f64>,
    mu: Option<f64>,
    plate_ohms: Option<f64>,
}

#[derive(Serialize)]
struct Drop {
    volts: Option<f64>,
    amps: Option<f64>,
}

#[derive(Serialize)]
struct Glow {
    volts: Option<f64>,
    strike_volts: Option<f64>,
    least_amps: Option<f64>,
    most_amps: Option<f64>,
}

/// Tube types with pins, ratings and published points, all in SI units; what
/// is not known is `null`. `kind` names the kinds of the bottle's units, the
/// amplifying ones first. `fits` says of each law how far it is off the points
/// that it was fitted to at worst, as a fraction of the published figure.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn tubes<'a>(
    types: impl IntoIterator<Item = &'a TubeType>,
) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.tubes/1",
        tubes: types.into_iter().map(tube).collect(),
    })
}

fn tube(tube: &TubeType) -> Tube<'_> {
    let mut kinds: Vec<_> = tube.units.iter().map(|unit| unit.kind).collect();
    kinds.sort();
    kinds.dedup();
    let kinds: Vec<String> = kinds.iter().map(ToString::to_string).collect();
    Tube {
        name: &tube.name,
        kind: kinds.join(", "),
        aliases: &tube.aliases,
        heater: tube.heater.as_ref().map(|heater| Heater {
            volts: rounded(heater.volts),
            amps: rounded(heater.amps),
            pins: heater.pins.iter().map(ToString::to_string).collect(),
        }),
        units: tube.units.iter().map(unit).collect(),
        source: &tube.source,
        confidence: tube.confidence.to_string(),
        note: tube.note.as_deref(),
    }
}

fn unit(unit: &Unit) -> UnitEntry {
    let rated = &unit.ratings;
    UnitEntry {
        kind: unit.kind.to_string(),
        pins: unit
            .pins
            .iter()
            .map(|(electrode, pins)| {
                (
                    electrode.name(),
                    pins.iter().map(ToString::to_string).collect(),
                )
            })
            .collect(),
        ratings: Ratings {
            plate_watts: rated.plate_watts.and_then(rounded),
            plate_volts: rated.plate_volts.and_then(rounded),
            screen_watts: rated.screen_watts.and_then(rounded),
            screen_volts: rated.screen_volts.and_then(rounded),
            cathode_amps: rated.cathode_amps.and_then(rounded),
            heater_cathode_volts: rated.heater_cathode_volts.and_then(rounded),
            inverse_volts: rated.inverse_volts.and_then(rounded),
            dc_amps: rated.dc_amps.and_then(rounded),
            peak_amps: rated.peak_amps.and_then(rounded),
        },
        points: unit.points.iter().map(point).collect(),
        fits: [(LawForm::TwoPitch, "first"), (LawForm::Koren, "second")]
            .into_iter()
            .filter_map(|(form, law)| {
                let worst = unit.fit(form).ok()?.worst_errors();
                Some(FitEntry {
                    law,
                    plate_amps: worst.plate_amps.and_then(rounded),
                    screen_amps: worst.screen_amps.and_then(rounded),
                    gm_siemens: worst.gm.and_then(rounded),
                    mu: worst.mu.and_then(rounded),
                    plate_ohms: worst.plate_ohms.and_then(rounded),
                })
            })
            .collect(),
        drop: unit.drop.map(|drop| Drop {
            volts: rounded(drop.volts),
            amps: rounded(drop.amps),
        }),
        glow: unit.glow.map(|glow| Glow {
            volts: rounded(glow.volts),
            strike_volts: rounded(glow.strike_volts),
            least_amps: rounded(glow.least_amps),
            most_amps: rounded(glow.most_amps),
        }),
    }
}

fn point(published: &PublishedPoint) -> Point {
    let point = &published.point;
    Point {
        plate_volts: rounded(point.plate_volts),
        grid_volts: rounded(point.grid_volts),
        screen_volts: (point.screen_volts != 0.0)
            .then(|| rounded(point.screen_volts))
            .flatten(),
        plate_amps: point.plate_amps.and_then(rounded),
        screen_amps: point.screen_amps.and_then(rounded),
        gm_siemens: point.gm.and_then(rounded),
        mu: point.mu.and_then(rounded),
        plate_ohms: point.plate_ohms.and_then(rounded),
        confidence: published.confidence.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_parts::tube_table;
    use serde_json::Value;

    #[test]
    fn type_and_kind_are_there_and_pins_are_by_electrode() -> Result<(), serde_json::Error> {
        let found: Value = serde_json::from_str(&tubes(tube_table().find("12AX7"))?)?;
        assert_eq!(found["schema"], "deadstage.tubes/1");
        let tube = &found["tubes"][0];
        assert_eq!(tube["type"], "12AX7");
        assert_eq!(tube["kind"], "triode");
        assert_eq!(tube["units"][1]["pins"]["plate"][0], "6");
        assert_eq!(tube["units"][0]["points"][1]["plate_amps"], 0.0012);
        let fit = &tube["units"][0]["fits"][0];
        assert_eq!(fit["law"], "first");
        let error = fit["plate_amps"].as_f64();
        assert!(error.is_some_and(|e| (0.0..0.1).contains(&e)), "{fit}");
        assert_eq!(fit["screen_amps"], Value::Null);
        let all: Value = serde_json::from_str(&tubes(tube_table().types())?)?;
        assert_eq!(
            all["tubes"].as_array().map(Vec::len),
            Some(tube_table().types().len())
        );
        Ok(())
    }
}
