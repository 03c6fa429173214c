//! From the table's text to its types.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::Deserialize;

use super::{
    Confidence, Drop, Electrode, Glow, Heater, Pin, PublishedPoint, Ratings, TubeTable, TubeType,
    Unit, UnitKind, normalise,
};
use crate::tube::{OperatingPoint, TubeKind};

/// What is wrong with a table.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// Not the expected shape.
    #[error("{file}: {error}")]
    Shape {
        /// Which file.
        file: &'static str,
        /// The parser's message.
        error: Box<toml::de::Error>,
    },
    /// One name for two types.
    #[error("`{0}` names two types")]
    Twice(String),
    /// A kind of unit that does not exist.
    #[error("`{0}`: `{1}` is no kind of unit")]
    Kind(String, String),
    /// A pin that is neither a number from 1 nor a cap.
    #[error("`{0}`: no such pin")]
    Pin(String),
    /// A cathode resistor without a current to give a bias.
    #[error("`{0}`: a point with a cathode resistor needs its currents")]
    Bias(String),
    /// A type like one that is not further up in the table.
    #[error("`{0}`: no `{1}` before it to be like")]
    Like(String, String),
    /// A unit that does not say what it needs to say.
    #[error("`{0}`: unit {1} has no figures")]
    NoFigures(String, usize),
}

/// In this order, so that a type may be like one of an earlier file.
#[rustfmt::skip]
const FILES: [(&str, &str); 9] = [
    ("tubes-triodes.toml", include_str!("../../data/tubes-triodes.toml")),
    ("tubes-diode-triodes.toml", include_str!("../../data/tubes-diode-triodes.toml")),
    ("tubes-power-triodes.toml", include_str!("../../data/tubes-power-triodes.toml")),
    ("tubes-pentodes.toml", include_str!("../../data/tubes-pentodes.toml")),
    ("tubes-converters.toml", include_str!("../../data/tubes-converters.toml")),
    ("tubes-power.toml", include_str!("../../data/tubes-power.toml")),
    ("tubes-transmitting.toml", include_str!("../../data/tubes-transmitting.toml")),
    ("tubes-battery.toml", include_str!("../../data/tubes-battery.toml")),
    ("tubes-rectifiers.toml", include_str!("../../data/tubes-rectifiers.toml")),
];

/// Reads the data that is compiled in.
pub(super) fn shipped() -> Result<TubeTable, TableError> {
    let mut types = Vec::new();
    for (file, text) in FILES {
        let raw: RawTable = toml::from_str(text).map_err(|error| TableError::Shape {
            file,
            error: Box::new(error),
        })?;
        for tube in raw.tube {
            let tube = tube.build(&types)?;
            types.push(tube);
        }
    }
    types.sort_by_cached_key(|tube: &TubeType| manual_order(&tube.name));
    let mut index = BTreeMap::new();
    for (i, tube) in types.iter().enumerate() {
        for name in std::iter::once(&tube.name).chain(&tube.aliases) {
            if index.insert(normalise(name), i).is_some() {
                return Err(TableError::Twice(name.clone()));
            }
        }
    }
    Ok(TubeTable { types, index })
}

/// The leading number, then the rest.
fn manual_order(name: &str) -> (u32, String) {
    let digits = name.len() - name.trim_start_matches(|c: char| c.is_ascii_digit()).len();
    let (number, rest) = name.split_at(digits);
    (number.parse().unwrap_or(u32::MAX), rest.to_owned())
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTable {
    tube: Vec<RawTube>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTube {
    name: String,
    #[serde(default)]
    aliases: Vec<String>,
    /// Volts, amperes.
    heater: Option<(f64, f64)>,
    #[serde(default)]
    heater_pins: Vec<RawPin>,
    source: Option<String>,
    confidence: Confidence,
    note: Option<String>,
    /// A type with the same figures, wherever this one does not give its own.
    like: Option<String>,
    #[serde(default)]
    unit: Vec<RawUnit>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawUnit {
    kind: String,
    pins: BTreeMap<Electrode, RawPins>,
    max: Option<Ratings>,
    #[serde(default)]
    points: Vec<RawPoint>,
    drop: Option<RawDrop>,
    glow: Option<RawGlow>,
    target: Option<RawDrop>,
}

#[derive(Clone, Deserialize)]
#[serde(untagged)]
enum RawPin {
    Number(u8),
    Word(String),
}

#[derive(Deserialize)]
#[serde(untagged)]
enum RawPins {
    One(RawPin),
    Several(Vec<RawPin>),
}

/// A point in the units of a data sheet: volts, milliamperes, micromhos, kilohms.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawPoint {
    plate: f64,
    #[serde(default)]
    screen: f64,
    grid: Option<f64>,
    /// Cathode resistor in place of a grid voltage, ohms.
    rk: Option<f64>,
    #[serde(default)]
    grid3: f64,
    ma: Option<f64>,
    screen_ma: Option<f64>,
    cathode_ma: Option<f64>,
    screen_ratio: Option<f64>,
    cathode_us: Option<f64>,
    us: Option<f64>,
    kohm: Option<f64>,
    mu: Option<f64>,
    confidence: Option<Confidence>,
    #[serde(default)]
    check_only: bool,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawDrop {
    volts: f64,
    ma: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawGlow {
    volts: f64,
    strike: f64,
    ma: (f64, f64),
    change: f64,
}

impl RawTube {
    fn build(self, earlier: &[TubeType]) -> Result<TubeType, TableError> {
        let name = self.name;
        let model = match &self.like {
            Some(like) => Some(
                earlier
                    .iter()
                    .find(|tube| tube.name == *like)
                    .ok_or_else(|| TableError::Like(name.clone(), like.clone()))?,
            ),
            None => None,
        };
        let mut units: Vec<Unit> = Vec::with_capacity(self.unit.len());
        for (number, raw) in self.unit.into_iter().enumerate() {
            let kind = unit_kind(&name, &raw.kind)?;
            let mut pins = BTreeMap::new();
            for (electrode, raw) in raw.pins {
                let list = match raw {
                    RawPins::One(pin) => vec![pin.build(&name)?],
                    RawPins::Several(list) => list
                        .into_iter()
                        .map(|pin| pin.build(&name))
                        .collect::<Result<_, _>>()?,
                };
                pins.insert(electrode, list);
            }
            let points = raw
                .points
                .into_iter()
                .map(|point| point.build(&name, self.confidence))
                .collect::<Result<Vec<_>, _>>()?;
            let built = |d: RawDrop| Drop {
                volts: d.volts,
                amps: d.ma / 1000.0,
            };
            let (drop, target) = (raw.drop.map(built), raw.target.map(built));
            let glow = raw.glow.map(|g| Glow {
                volts: g.volts,
                strike_volts: g.strike,
                least_amps: g.ma.0 / 1000.0,
                most_amps: g.ma.1 / 1000.0,
                change_volts: g.change,
            });
            let mut unit = Unit {
                kind,
                pins,
                ratings: raw.max.unwrap_or_default(),
                points,
                drop,
                glow,
                target,
                fits: [OnceLock::new(), OnceLock::new()],
            };
            if is_silent(&unit) {
                // Without figures a unit is like the same unit of the type
                // that this one is like, or like the first of its kind here.
                let first = model
                    .and_then(|tube| tube.units.get(number))
                    .or_else(|| units.iter().find(|u| u.kind == kind))
                    .filter(|u| u.kind == kind)
                    .ok_or_else(|| TableError::NoFigures(name.clone(), number + 1))?;
                take_figures(&mut unit, first, raw.max.is_none());
            }
            units.push(unit);
        }
        if let Some(model) = model.filter(|_| units.is_empty()) {
            units = model.units.iter().map(copy).collect();
        }
        if units.is_empty() {
            return Err(TableError::NoFigures(name, 1));
        }
        let heater_pins = self
            .heater_pins
            .into_iter()
            .map(|pin| pin.build(&name))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(TubeType {
            aliases: self.aliases,
            heater: self.heater.map(|(volts, amps)| Heater {
                volts,
                amps,
                pins: heater_pins,
            }),
            units,
            source: self
                .source
                .unwrap_or_else(|| "data sheet, from memory".to_owned()),
            confidence: self.confidence,
            note: self.note,
            name,
        })
    }
}

fn is_silent(unit: &Unit) -> bool {
    unit.points.is_empty() && unit.drop.is_none() && unit.glow.is_none()
}

fn take_figures(unit: &mut Unit, from: &Unit, ratings_too: bool) {
    unit.points.clone_from(&from.points);
    unit.drop = from.drop;
    unit.glow = from.glow;
    unit.target = unit.target.or(from.target);
    if ratings_too {
        unit.ratings = from.ratings;
    }
}

/// The same unit, not yet fitted.
fn copy(unit: &Unit) -> Unit {
    Unit {
        kind: unit.kind,
        pins: unit.pins.clone(),
        ratings: unit.ratings,
        points: unit.points.clone(),
        drop: unit.drop,
        glow: unit.glow,
        target: unit.target,
        fits: [OnceLock::new(), OnceLock::new()],
    }
}

fn unit_kind(name: &str, word: &str) -> Result<UnitKind, TableError> {
    Ok(match word {
        "diode" => UnitKind::Diode,
        "rectifier" => UnitKind::Rectifier,
        "gas rectifier" => UnitKind::GasRectifier,
        "regulator" => UnitKind::Regulator,
        _ => UnitKind::Amplifier(
            word.parse::<TubeKind>()
                .map_err(|_| TableError::Kind(name.to_owned(), word.to_owned()))?,
        ),
    })
}

impl RawPin {
    fn build(self, name: &str) -> Result<Pin, TableError> {
        match self {
            Self::Number(number) if number > 0 => Ok(Pin::Number(number)),
            Self::Word(word) if word == "cap" => Ok(Pin::Cap),
            Self::Word(word) if word == "cap2" => Ok(Pin::Cap2),
            _ => Err(TableError::Pin(name.to_owned())),
        }
    }
}

impl RawPoint {
    fn build(self, name: &str, usual: Confidence) -> Result<PublishedPoint, TableError> {
        let amps = |ma: Option<f64>| ma.map(|ma| ma / 1000.0);
        let mut point = OperatingPoint {
            plate_volts: self.plate,
            grid_volts: self.grid.unwrap_or(0.0),
            screen_volts: self.screen,
            grid3_volts: self.grid3,
            plate_amps: amps(self.ma),
            screen_amps: amps(self.screen_ma),
            cathode_amps: amps(self.cathode_ma),
            screen_ratio: self.screen_ratio,
            cathode_gm: self.cathode_us.map(|us| us * 1e-6),
            gm: self.us.map(|us| us * 1e-6),
            plate_ohms: self.kohm.map(|kohm| kohm * 1000.0),
            mu: self.mu,
        };
        if let Some(rk) = self.rk {
            let cathode = point
                .cathode_amps
                .or_else(|| Some(point.plate_amps? + point.screen_amps.unwrap_or(0.0)))
                .ok_or_else(|| TableError::Bias(name.to_owned()))?;
            point.grid_volts = -rk * cathode;
        }
        Ok(PublishedPoint {
            point,
            confidence: self.confidence.unwrap_or(usual),
            fitted: !self.check_only,
        })
    }
}
