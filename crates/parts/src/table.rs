//! The table of tube types: basing, ratings, heater and the published
//! operating points from which the laws are fitted.

mod read;

use std::collections::BTreeMap;
use std::fmt;
use std::sync::{LazyLock, OnceLock};

use crate::device::Device;
use crate::regulator::RegulatorLaw;
use crate::solid::DiodeLaw;
use crate::tube::{Fit, FitError, LawForm, OperatingPoint, TubeKind, TubeLaw, fit_points};

pub use read::TableError;

/// The table that ships with the crate.
///
/// # Panics
/// Never in a tested build: the data is compiled in and a test reads it.
#[must_use]
pub fn tube_table() -> &'static TubeTable {
    static TABLE: LazyLock<TubeTable> = LazyLock::new(|| {
        read::shipped().unwrap_or_else(|error| panic!("the shipped tube table: {error}"))
    });
    &TABLE
}

/// Tube types by name.
#[derive(Debug)]
pub struct TubeTable {
    types: Vec<TubeType>,
    /// Normalised names and aliases to indices in `types`.
    index: BTreeMap<String, usize>,
}

impl TubeTable {
    /// The type of that name: case, blanks, hyphens and strokes do not count,
    /// an alias will do, the letter O may stand for a leading zero, and where
    /// the name as such is not known, the letters that tell only of the
    /// envelope or of a ruggedised version (G, GT, GTA, W, WA ...) are dropped.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<&TubeType> {
        let key = normalise(name);
        let index = self.index.get(&key).or_else(|| {
            ENVELOPES
                .iter()
                .filter_map(|suffix| key.strip_suffix(suffix))
                .find_map(|plain| self.index.get(plain))
        })?;
        self.types.get(*index)
    }

    /// All types, in the order of a tube manual: by the leading number, then the rest.
    #[must_use]
    pub fn types(&self) -> &[TubeType] {
        &self.types
    }
}

/// Suffixes of envelope and ruggedised versions, longest first.
const ENVELOPES: [&str; 11] = [
    "WGTA", "WGT", "GTA", "GTB", "GTY", "WA", "WB", "GT", "GA", "G", "W",
];

/// A name as it is compared.
fn normalise(name: &str) -> String {
    let mut key: String = name
        .chars()
        .filter(|c| !c.is_whitespace() && !matches!(c, '-' | '/' | '.' | '_'))
        .flat_map(char::to_uppercase)
        .collect();
    let mut chars = key.chars();
    if chars.next() == Some('O')
        && chars.next().is_some_and(|c| c.is_ascii_alphabetic())
        && chars.next().is_some_and(|c| c.is_ascii_digit())
    {
        key.replace_range(..1, "0");
    }
    key
}

/// How sure a figure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Confidence {
    /// From memory, and doubtful.
    Low,
    /// From memory, likely right.
    Medium,
    /// From memory, sure.
    High,
    /// Read in a published source.
    Seen,
}

impl fmt::Display for Confidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Low => "from memory, low confidence",
            Self::Medium => "from memory, medium confidence",
            Self::High => "from memory, high confidence",
            Self::Seen => "read in the source",
        })
    }
}

/// One type of tube: a bottle with one or more units.
#[derive(Debug)]
pub struct TubeType {
    /// The usual name.
    pub name: String,
    /// Other names of the same tube, or of one that is the same at DC.
    pub aliases: Vec<String>,
    /// Heater or filament.
    pub heater: Option<Heater>,
    /// Units that are alike in the order of their lowest pin (not every maker
    /// numbers them, and those who do differ), others in the order of the sheet.
    pub units: Vec<Unit>,
    /// Where the row is from.
    pub source: String,
    /// How sure the row is, basing and ratings included.
    pub confidence: Confidence,
    /// What else a reader must know.
    pub note: Option<String>,
}

impl TubeType {
    /// The law of a unit (counted from 0) as a device: amplifying units in the
    /// given form; diodes and rectifier plates as vacuum diodes; regulators.
    /// `None` when there is no such unit, or too little is known of it.
    #[must_use]
    pub fn law(&self, unit: usize, form: LawForm) -> Option<Device> {
        let unit = self.units.get(unit)?;
        match unit.kind {
            UnitKind::Amplifier(_) => unit.tube_law(form).map(Device::Tube),
            UnitKind::Diode | UnitKind::Rectifier => {
                let drop = unit.drop?;
                Some(Device::Diode(DiodeLaw::vacuum_from_drop(
                    drop.volts, drop.amps,
                )))
            }
            UnitKind::GasRectifier => {
                let drop = unit.drop?;
                Some(Device::Diode(DiodeLaw::mercury_vapour(drop.volts)))
            }
            UnitKind::Regulator => unit
                .glow
                .as_ref()
                .map(|glow| Device::Regulator(RegulatorLaw::new(glow))),
        }
    }
}

/// Heater ratings.
#[derive(Clone, Debug, PartialEq)]
pub struct Heater {
    /// Volts.
    pub volts: f64,
    /// Amperes.
    pub amps: f64,
    /// Pins, a centre tap last.
    pub pins: Vec<Pin>,
}

/// What a unit of a bottle is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum UnitKind {
    /// It has a control grid.
    Amplifier(TubeKind),
    /// Small diode: detector, bias, noise limiter.
    Diode,
    /// Vacuum power rectifier.
    Rectifier,
    /// Mercury-vapour, xenon or cold-cathode power rectifier: a nearly constant drop.
    GasRectifier,
    /// Gas voltage regulator.
    Regulator,
}

impl fmt::Display for UnitKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Amplifier(kind) => kind.name(),
            Self::Diode => "diode",
            Self::Rectifier => "rectifier",
            Self::GasRectifier => "gas rectifier",
            Self::Regulator => "regulator",
        })
    }
}

/// An electrode with a pin.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Electrode {
    /// Plate; of a regulator its anode.
    Plate,
    /// The second plate of a rectifier.
    Plate2,
    /// Control grid.
    Grid,
    /// Screen grid (of a heptode grids 2 and 4).
    Screen,
    /// Suppressor grid or beam plates, where they have a pin of their own.
    Suppressor,
    /// Second control grid of a heptode.
    Grid3,
    /// Oscillator plate of an octal converter (its grid 2).
    Oscillator,
    /// Fluorescent target of a tuning indicator.
    Target,
    /// Cathode; of a battery tube the negative end of the filament.
    Cathode,
    /// Starter or jumper.
    Jumper,
    /// Internal shield.
    Shield,
}

impl Electrode {
    /// Its name in reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Plate => "plate",
            Self::Plate2 => "second plate",
            Self::Grid => "grid",
            Self::Screen => "screen",
            Self::Suppressor => "suppressor",
            Self::Grid3 => "grid 3",
            Self::Oscillator => "oscillator plate",
            Self::Target => "target",
            Self::Cathode => "cathode",
            Self::Jumper => "jumper",
            Self::Shield => "shield",
        }
    }
}

/// Where an electrode comes out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Pin {
    /// Base pin, from 1.
    Number(u8),
    /// Top cap.
    Cap,
    /// Second top cap.
    Cap2,
}

impl fmt::Display for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Number(number) => write!(f, "{number}"),
            Self::Cap => f.write_str("cap"),
            Self::Cap2 => f.write_str("second cap"),
        }
    }
}

/// Maximum ratings of a unit, design centre where the sheet gives both.
/// `None`: not rated or not remembered.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ratings {
    /// Plate dissipation, watts.
    pub plate_watts: Option<f64>,
    /// Plate voltage, volts.
    pub plate_volts: Option<f64>,
    /// Screen dissipation, watts.
    pub screen_watts: Option<f64>,
    /// Screen voltage, volts.
    pub screen_volts: Option<f64>,
    /// Cathode current, amperes.
    pub cathode_amps: Option<f64>,
    /// Heater against cathode, volts.
    pub heater_cathode_volts: Option<f64>,
    /// Peak inverse plate voltage, volts (rectifiers, diodes).
    pub inverse_volts: Option<f64>,
    /// DC output current, amperes (rectifiers: both plates).
    pub dc_amps: Option<f64>,
    /// Peak current of a plate, amperes.
    pub peak_amps: Option<f64>,
}

/// A published operating point with its standing.
#[derive(Clone, Debug, PartialEq)]
pub struct PublishedPoint {
    /// The figures.
    pub point: OperatingPoint,
    /// How sure they are.
    pub confidence: Confidence,
    /// Whether the law is fitted to it; otherwise it is kept for checking only.
    pub fitted: bool,
}

/// Published drop of a vacuum diode: so many volts at so many amperes of one plate.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drop {
    /// Volts.
    pub volts: f64,
    /// Amperes.
    pub amps: f64,
}

/// Published figures of a gas regulator.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Glow {
    /// Maintaining voltage, volts.
    pub volts: f64,
    /// Supply voltage needed to strike, volts.
    pub strike_volts: f64,
    /// Least current of the regulated range, amperes.
    pub least_amps: f64,
    /// Greatest current, amperes.
    pub most_amps: f64,
    /// Change of voltage over the range, volts.
    pub change_volts: f64,
}

/// One unit of a bottle.
#[derive(Debug)]
pub struct Unit {
    /// What it is.
    pub kind: UnitKind,
    /// Pins by electrode; an electrode may have several.
    pub pins: BTreeMap<Electrode, Vec<Pin>>,
    /// Maximum ratings.
    pub ratings: Ratings,
    /// Published operating points.
    pub points: Vec<PublishedPoint>,
    /// Drop of a vacuum diode, or the constant drop of a gas rectifier.
    pub drop: Option<Drop>,
    /// Figures of a regulator.
    pub glow: Option<Glow>,
    /// Current of a tuning indicator's target at so many volts.
    pub target: Option<Drop>,
    fits: [OnceLock<Result<Fit, FitError>>; 2],
}

impl Unit {
    /// The law fitted to the unit's points, with its errors; made at first use.
    ///
    /// # Errors
    /// [`FitError`] when the unit does not amplify or its points are too few.
    pub fn fit(&self, form: LawForm) -> Result<&Fit, FitError> {
        let UnitKind::Amplifier(kind) = self.kind else {
            return Err(FitError::TooLittle);
        };
        let slot = match form {
            LawForm::TwoPitch => &self.fits[0],
            LawForm::Koren => &self.fits[1],
        };
        slot.get_or_init(|| {
            let points: Vec<OperatingPoint> = self
                .points
                .iter()
                .filter(|p| p.fitted)
                .map(|p| p.point)
                .collect();
            fit_points(kind, &points, form)
        })
        .as_ref()
        .map_err(Clone::clone)
    }

    /// The fitted law, with grid 3 as a port where it has a pin of its own.
    #[must_use]
    pub fn tube_law(&self, form: LawForm) -> Option<TubeLaw> {
        let own_pin = self.pins.contains_key(&Electrode::Suppressor)
            || self.pins.contains_key(&Electrode::Grid3);
        self.fit(form).ok().map(|fit| fit.law.with_grid3(own_pin))
    }

    /// Perveance of a vacuum diode or rectifier plate from its published drop,
    /// amperes per volt^1.5 (C. D. Child 1911, I. Langmuir 1913).
    #[must_use]
    pub fn diode_perveance(&self) -> Option<f64> {
        match self.kind {
            UnitKind::Diode | UnitKind::Rectifier => {
                self.drop.map(|drop| drop.amps / drop.volts.powf(1.5))
            }
            _ => None,
        }
    }
}
