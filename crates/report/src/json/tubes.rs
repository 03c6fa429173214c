//! `deadstage.tubes/1`.

use super::document;
use crate::numbers::rounded;
use crate::{TubeAnswer, TypeUse};
use deadstage_parts::table::{HeaterTap, PinUse, PublishedPoint, Substitute};
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
    called: String,
    doubt: Option<&'a str>,
    aliases: &'a [String],
    base: &'static str,
    heater: Option<Heater>,
    units: Vec<UnitEntry>,
    plates_watts: Option<f64>,
    rating_system: Option<&'static str>,
    like: Option<&'a str>,
    source: &'a str,
    second_source: Option<&'a str>,
    confidence: String,
    note: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    substitutes: Option<Vec<SubstituteEntry<'a>>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    used_in: Option<Vec<Use<'a>>>,
}

/// A type that goes into the socket, with what its first unit does at the working
/// point of the type that it replaces.
#[derive(Serialize)]
struct SubstituteEntry<'a> {
    #[serde(rename = "type")]
    name: &'a str,
    heater_fits: bool,
    heater_volts: Option<f64>,
    heater_amps: Option<f64>,
    pins: Vec<PinEntry>,
    plate_amps: Option<f64>,
    gm_siemens: Option<f64>,
    mu: Option<f64>,
    drop_volts: Option<f64>,
    maintained_volts: Option<f64>,
}

/// A pin that means another thing there.
#[derive(Serialize)]
struct PinEntry {
    pin: String,
    was: Option<&'static str>,
    is: Option<&'static str>,
}

#[derive(Serialize)]
struct Use<'a> {
    path: &'a str,
    part: &'a str,
    section: Option<u8>,
    written: &'a str,
}

#[derive(Serialize)]
struct Heater {
    volts: Option<f64>,
    amps: Option<f64>,
    pins: Vec<String>,
    tap: Option<&'static str>,
}

#[derive(Serialize)]
struct UnitEntry {
    kind: String,
    called: &'static str,
    pins: BTreeMap<&'static str, Vec<String>>,
    ratings: Ratings,
    intermittent: Option<Ratings>,
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
    momentary: bool,
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
    least_volts: Option<f64>,
    most_volts: Option<f64>,
    usual_strike_volts: Option<f64>,
    strike_volts: Option<f64>,
    least_amps: Option<f64>,
    most_amps: Option<f64>,
}

/// Tube types with pins, ratings and published points, all in SI units; what
/// is not known is `null`. `kind` names the kinds of the bottle's units, the
/// amplifying ones first, `called` what the trade calls it. `ratings` are by the
/// `rating_system`, for continuous service where there are `intermittent` ones. `fits`
/// says of each law how far it is off the points that it was fitted to at worst, as a
/// fraction of the published figure. `substitutes` and `used_in` are there where they were asked for.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn tubes(answers: &[TubeAnswer<'_>]) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.tubes/1",
        tubes: answers.iter().map(tube).collect(),
    })
}

fn tube<'a>(answer: &'a TubeAnswer<'_>) -> Tube<'a> {
    let tube: &TubeType = answer.tube;
    let mut kinds: Vec<_> = tube.units.iter().map(|unit| unit.kind).collect();
    kinds.sort();
    kinds.dedup();
    let kinds: Vec<String> = kinds.iter().map(ToString::to_string).collect();
    Tube {
        name: &tube.name,
        kind: kinds.join(", "),
        called: crate::text::kinds(tube),
        doubt: answer.doubt.as_deref(),
        aliases: &tube.aliases,
        base: tube.base.name(),
        heater: tube.heater.as_ref().map(|heater| Heater {
            volts: rounded(heater.volts),
            amps: rounded(heater.amps),
            pins: heater.pins.iter().map(ToString::to_string).collect(),
            tap: heater.tap.map(|tap| match tap {
                HeaterTap::Center => "center",
                HeaterTap::Lamp(_) => "lamp",
            }),
        }),
        units: tube.units.iter().map(unit).collect(),
        plates_watts: tube.plates_watts.and_then(rounded),
        rating_system: tube.rated_by.map(|system| system.name()),
        like: tube.like.as_deref(),
        source: &tube.source,
        second_source: tube.second_source.as_deref(),
        confidence: tube.confidence.to_string(),
        note: tube.note.as_deref(),
        substitutes: answer
            .substitutes
            .as_ref()
            .map(|all| all.iter().map(substitute).collect()),
        used_in: answer
            .uses
            .as_ref()
            .map(|all| all.iter().map(used).collect()),
    }
}

fn substitute<'a>(found: &'a Substitute<'_>) -> SubstituteEntry<'a> {
    let heater = found.tube.heater.as_ref();
    let figures = &found.figures;
    SubstituteEntry {
        name: &found.tube.name,
        heater_fits: found.heater_fits,
        heater_volts: heater.and_then(|heater| rounded(heater.volts)),
        heater_amps: heater.and_then(|heater| rounded(heater.amps)),
        pins: found
            .pins
            .iter()
            .map(|difference| PinEntry {
                pin: difference.pin.to_string(),
                was: difference.was.map(PinUse::name),
                is: difference.is.map(PinUse::name),
            })
            .collect(),
        plate_amps: figures.plate_amps.and_then(rounded),
        gm_siemens: figures.gm.and_then(rounded),
        mu: figures.mu.and_then(rounded),
        drop_volts: figures.drop_volts.and_then(rounded),
        maintained_volts: figures.maintained_volts.and_then(rounded),
    }
}

fn used(of: &TypeUse) -> Use<'_> {
    Use {
        path: &of.path,
        part: &of.part,
        section: of.section,
        written: &of.written,
    }
}

fn ratings(rated: &deadstage_parts::Ratings) -> Ratings {
    Ratings {
        plate_watts: rated.plate_watts.and_then(rounded),
        plate_volts: rated.plate_volts.and_then(rounded),
        screen_watts: rated.screen_watts.and_then(rounded),
        screen_volts: rated.screen_volts.and_then(rounded),
        cathode_amps: rated.cathode_amps.and_then(rounded),
        heater_cathode_volts: rated.heater_cathode_volts.and_then(rounded),
        inverse_volts: rated.inverse_volts.and_then(rounded),
        dc_amps: rated.dc_amps.and_then(rounded),
        peak_amps: rated.peak_amps.and_then(rounded),
    }
}

fn unit(unit: &Unit) -> UnitEntry {
    UnitEntry {
        kind: unit.kind.to_string(),
        called: unit.name,
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
        ratings: ratings(&unit.ratings),
        intermittent: unit.intermittent.map(|_| ratings(&unit.greatest())),
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
            least_volts: glow.limits.and_then(|(least, _)| rounded(least)),
            most_volts: glow.limits.and_then(|(_, most)| rounded(most)),
            usual_strike_volts: rounded(glow.usual_strike_volts),
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
        momentary: published.momentary,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_parts::tube_table;
    use serde_json::Value;

    fn asked(name: &str) -> Result<Value, serde_json::Error> {
        let found: Vec<TubeAnswer<'_>> = tube_table()
            .find(name)
            .into_iter()
            .map(TubeAnswer::of)
            .collect();
        serde_json::from_str(&tubes(&found)?)
    }

    #[test]
    fn type_and_kind_are_there_and_pins_are_by_electrode() -> Result<(), serde_json::Error> {
        let found = asked("12AX7")?;
        assert_eq!(found["schema"], "deadstage.tubes/1");
        let tube = &found["tubes"][0];
        assert_eq!(tube["type"], "12AX7");
        assert_eq!(tube["kind"], "triode");
        assert_eq!(tube["called"], "double triode");
        assert_eq!(tube["base"], "9-pin miniature");
        assert_eq!(tube["rating_system"], "design-center");
        assert_eq!(tube["heater"]["tap"], "center");
        assert_eq!(tube["units"][1]["pins"]["plate"][0], "6");
        assert_eq!(tube["units"][0]["points"][1]["plate_amps"], 0.0012);
        let fit = &tube["units"][0]["fits"][0];
        assert_eq!(fit["law"], "first");
        let error = fit["plate_amps"].as_f64();
        assert!(error.is_some_and(|e| (0.0..0.1).contains(&e)), "{fit}");
        assert_eq!(fit["screen_amps"], Value::Null);
        assert!(tube.get("substitutes").is_none() && tube.get("used_in").is_none());
        let every: Vec<TubeAnswer<'_>> = tube_table().types().iter().map(TubeAnswer::of).collect();
        let all: Value = serde_json::from_str(&tubes(&every)?)?;
        assert_eq!(
            all["tubes"].as_array().map(Vec::len),
            Some(tube_table().types().len())
        );
        Ok(())
    }

    #[test]
    fn both_services_and_the_limits_of_a_regulator_are_told() -> Result<(), serde_json::Error> {
        let found = asked("6146")?;
        let unit = &found["tubes"][0]["units"][0];
        assert_eq!(unit["ratings"]["plate_watts"], 20.0);
        assert_eq!(unit["intermittent"]["plate_watts"], 25.0);
        let found = asked("0A2")?;
        let glow = &found["tubes"][0]["units"][0]["glow"];
        assert_eq!(glow["most_volts"], 168.0);
        assert_eq!(glow["usual_strike_volts"], 156.0);
        assert_eq!(glow["strike_volts"], 185.0);
        Ok(())
    }

    #[test]
    fn substitutes_and_uses_are_listed_where_asked_for() -> Result<(), serde_json::Error> {
        let table = tube_table();
        let mut answers: Vec<TubeAnswer<'_>> =
            table.find("6L6").into_iter().map(TubeAnswer::of).collect();
        for answer in &mut answers {
            answer.substitutes = Some(table.substitutes(answer.tube));
            answer.uses = Some(vec![TypeUse {
                path: "a.stage".to_owned(),
                part: "V1".to_owned(),
                section: None,
                written: "6L6G".to_owned(),
            }]);
        }
        let found: Value = serde_json::from_str(&tubes(&answers)?)?;
        let tube = &found["tubes"][0];
        assert_eq!(tube["used_in"][0]["written"], "6L6G");
        let all = tube["substitutes"].as_array().cloned().unwrap_or_default();
        let el34 = all.iter().find(|s| s["type"] == "EL34");
        let el34 = el34.cloned().unwrap_or_default();
        assert_eq!(el34["heater_fits"], true);
        assert_eq!(el34["pins"][0]["is"], "suppressor");
        assert!(el34["plate_amps"].as_f64().is_some_and(|amps| amps > 0.03));
        Ok(())
    }
}
