//! From the table's text to its types.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use serde::Deserialize;

use super::names::Index;
use super::unit::trade_name;
use super::{
    Base, Confidence, Drop, Electrode, Glow, Heater, HeaterTap, LampTap, Pin, PublishedPoint,
    RatingSystem, Ratings, TubeTable, TubeType, Unit,
};
use crate::tube::OperatingPoint;

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
    /// A type that does not say what it stands on.
    #[error("`{0}`: no base")]
    NoBase(String),
}

/// In this order, so that a type may be like one of an earlier file.
#[rustfmt::skip]
const FILES: [(&str, &str); 19] = [
    ("tubes-triodes.toml", include_str!("../../data/tubes-triodes.toml")),
    ("tubes-double-triodes.toml", include_str!("../../data/tubes-double-triodes.toml")),
    ("tubes-diode-triodes.toml", include_str!("../../data/tubes-diode-triodes.toml")),
    ("tubes-eyes.toml", include_str!("../../data/tubes-eyes.toml")),
    ("tubes-power-triodes.toml", include_str!("../../data/tubes-power-triodes.toml")),
    ("tubes-pentodes.toml", include_str!("../../data/tubes-pentodes.toml")),
    ("tubes-miniature-pentodes.toml", include_str!("../../data/tubes-miniature-pentodes.toml")),
    ("tubes-triode-pentodes.toml", include_str!("../../data/tubes-triode-pentodes.toml")),
    ("tubes-converters.toml", include_str!("../../data/tubes-converters.toml")),
    ("tubes-power.toml", include_str!("../../data/tubes-power.toml")),
    ("tubes-miniature-power.toml", include_str!("../../data/tubes-miniature-power.toml")),
    ("tubes-sweep.toml", include_str!("../../data/tubes-sweep.toml")),
    ("tubes-transmitting.toml", include_str!("../../data/tubes-transmitting.toml")),
    ("tubes-transmitting-triodes.toml", include_str!("../../data/tubes-transmitting-triodes.toml")),
    ("tubes-battery.toml", include_str!("../../data/tubes-battery.toml")),
    ("tubes-rectifiers.toml", include_str!("../../data/tubes-rectifiers.toml")),
    ("tubes-gas-rectifiers.toml", include_str!("../../data/tubes-gas-rectifiers.toml")),
    ("tubes-diodes.toml", include_str!("../../data/tubes-diodes.toml")),
    ("tubes-regulators.toml", include_str!("../../data/tubes-regulators.toml")),
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
            let tube = tube.build(&types, raw.rated_by)?;
            types.push(tube);
        }
    }
    types.sort_by_cached_key(|tube: &TubeType| manual_order(&tube.name));
    let mut index = Index::default();
    for (i, tube) in types.iter().enumerate() {
        for name in std::iter::once(&tube.name).chain(&tube.aliases) {
            if !index.add(name, i) {
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
    /// System of the ratings of the file's types that name no other.
    rated_by: Option<RatingSystem>,
    tube: Vec<RawTube>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawTube {
    name: String,
    #[serde(default)]
    aliases: Vec<String>,
    called: Option<String>,
    base: Option<Base>,
    /// Volts, amperes.
    heater: Option<(f64, f64)>,
    #[serde(default)]
    heater_pins: Vec<RawPin>,
    lamp_tap: Option<LampTap>,
    source: Option<String>,
    second_source: Option<String>,
    confidence: Confidence,
    note: Option<String>,
    /// A type with the same figures, wherever this one does not give its own.
    like: Option<String>,
    rated_by: Option<RatingSystem>,
    plates_watts: Option<f64>,
    /// Ratings of the first unit and of those of its kind that differ from those of the type that this one is like.
    max: Option<Ratings>,
    intermittent: Option<Ratings>,
    #[serde(default)]
    unit: Vec<RawUnit>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawUnit {
    kind: String,
    pins: BTreeMap<Electrode, RawPins>,
    max: Option<Ratings>,
    intermittent: Option<Ratings>,
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
    #[serde(default)]
    momentary: bool,
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
    limits: Option<(f64, f64)>,
    usual_strike: Option<f64>,
    strike: f64,
    ma: (f64, f64),
    change: f64,
}

impl RawTube {
    fn build(
        self,
        earlier: &[TubeType],
        rated_by: Option<RatingSystem>,
    ) -> Result<TubeType, TableError> {
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
        // Without units of its own it has the other one's, on the same pins.
        let same_pins = model.filter(|_| self.unit.is_empty());
        let mut units: Vec<Unit> = Vec::with_capacity(self.unit.len());
        for raw in self.unit {
            let unit = raw.build(&name, self.confidence, model, &units)?;
            units.push(unit);
        }
        if let Some(model) = same_pins {
            units = model.units.iter().map(Unit::copy).collect();
        }
        let first = units
            .first()
            .map(|unit| unit.kind)
            .ok_or_else(|| TableError::NoFigures(name.clone(), 1))?;
        for unit in units.iter_mut().filter(|unit| unit.kind == first) {
            if let Some(own) = &self.max {
                unit.ratings = own.or(&unit.ratings);
                unit.intermittent = None;
            }
            unit.intermittent = self.intermittent.or(unit.intermittent);
        }
        let heater_pins = self
            .heater_pins
            .into_iter()
            .map(|pin| pin.build(&name))
            .collect::<Result<Vec<_>, _>>()?;
        let models_heater = same_pins.and_then(|model| model.heater.as_ref());
        let heater = self
            .heater
            .map(|rating| heater(rating, heater_pins, self.lamp_tap, models_heater))
            .or_else(|| models_heater.cloned());
        Ok(TubeType {
            aliases: self.aliases,
            called: self
                .called
                .or_else(|| model.and_then(|model| model.called.clone())),
            base: self
                .base
                .or_else(|| same_pins.map(|model| model.base))
                .ok_or_else(|| TableError::NoBase(name.clone()))?,
            heater,
            units,
            plates_watts: self
                .plates_watts
                .or_else(|| model.and_then(|model| model.plates_watts)),
            rated_by: self
                .rated_by
                .or_else(|| model.and_then(|model| model.rated_by))
                .or(rated_by),
            source: self
                .source
                .unwrap_or_else(|| "data sheet, from memory".to_owned()),
            second_source: self.second_source,
            confidence: self.confidence,
            note: self
                .note
                .or_else(|| model.and_then(|model| model.note.clone())),
            like: self.like,
            name,
        })
    }
}

/// A heater of so many volts and amperes; what is not said of its pins is as in `model`.
fn heater(
    (volts, amps): (f64, f64),
    pins: Vec<Pin>,
    lamp_tap: Option<LampTap>,
    model: Option<&Heater>,
) -> Heater {
    let (pins, models_tap) = match model {
        Some(model) if pins.is_empty() => (model.pins.clone(), model.tap),
        _ => (pins, None),
    };
    let tap = lamp_tap
        .map(HeaterTap::Lamp)
        .or(models_tap)
        .or_else(|| (pins.len() > 2).then_some(HeaterTap::Center));
    Heater {
        volts,
        amps,
        pins,
        tap,
    }
}

impl RawUnit {
    /// The unit of a type that may be like `model`, behind the `earlier` units of the same bottle.
    fn build(
        self,
        name: &str,
        usual: Confidence,
        model: Option<&TubeType>,
        earlier: &[Unit],
    ) -> Result<Unit, TableError> {
        let (called, kind) = trade_name(&self.kind)
            .ok_or_else(|| TableError::Kind(name.to_owned(), self.kind.clone()))?;
        let mut pins = BTreeMap::new();
        for (electrode, raw) in self.pins {
            let list = match raw {
                RawPins::One(pin) => vec![pin.build(name)?],
                RawPins::Several(list) => list
                    .into_iter()
                    .map(|pin| pin.build(name))
                    .collect::<Result<_, _>>()?,
            };
            pins.insert(electrode, list);
        }
        let points = self
            .points
            .into_iter()
            .map(|point| point.build(name, usual))
            .collect::<Result<Vec<_>, _>>()?;
        let mut unit = Unit {
            kind,
            name: called,
            pins,
            ratings: self.max.unwrap_or_default(),
            intermittent: self.intermittent,
            points,
            drop: self.drop.map(RawDrop::build),
            glow: self.glow.map(RawGlow::build),
            target: self.target.map(RawDrop::build),
            fits: [OnceLock::new(), OnceLock::new()],
        };
        if unit.points.is_empty() && unit.drop.is_none() && unit.glow.is_none() {
            // Without figures a unit is like the same unit of the type that this
            // one is like, or like the first of its kind in the bottle.
            let number = earlier.len();
            let from = model
                .and_then(|tube| tube.units.get(number))
                .or_else(|| earlier.iter().find(|u| u.kind == kind))
                .filter(|u| u.kind == kind)
                .ok_or_else(|| TableError::NoFigures(name.to_owned(), number + 1))?;
            take_figures(&mut unit, from, self.max.is_none());
        }
        Ok(unit)
    }
}

fn take_figures(unit: &mut Unit, from: &Unit, ratings_too: bool) {
    unit.points.clone_from(&from.points);
    unit.drop = from.drop;
    unit.glow = from.glow;
    unit.target = unit.target.or(from.target);
    if ratings_too {
        unit.ratings = from.ratings;
        unit.intermittent = unit.intermittent.or(from.intermittent);
    }
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

impl RawDrop {
    fn build(self) -> Drop {
        Drop {
            volts: self.volts,
            amps: self.ma / 1000.0,
        }
    }
}

impl RawGlow {
    fn build(self) -> Glow {
        Glow {
            volts: self.volts,
            limits: self.limits,
            usual_strike_volts: self.usual_strike.unwrap_or(self.strike),
            strike_volts: self.strike,
            least_amps: self.ma.0 / 1000.0,
            most_amps: self.ma.1 / 1000.0,
            change_volts: self.change,
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
            momentary: self.momentary,
        })
    }
}
