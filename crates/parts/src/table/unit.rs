//! One unit of a bottle: what it is, where it comes out, what is published of it.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::OnceLock;

use super::Confidence;
use super::ratings::Ratings;
use crate::tube::{Fit, FitError, LawForm, OperatingPoint, TubeKind, TubeLaw, fit_points};

/// What a unit of a bottle is, as far as its law goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum UnitKind {
    /// It has a control grid.
    Amplifier(TubeKind),
    /// Small diode: detector, bias, noise limiter.
    Diode,
    /// Vacuum power rectifier.
    Rectifier,
    /// Mercury-vapour, xenon or cold-cathode power rectifier: a nearly constant
    /// drop. A thyratron or a trigger tube that has fired is one too.
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

/// What the trade calls a unit, and the kind whose law it has.
const TRADE_NAMES: [(&str, UnitKind); 17] = [
    ("triode", UnitKind::Amplifier(TubeKind::Triode)),
    ("tuning eye", UnitKind::Amplifier(TubeKind::Triode)),
    ("tetrode", UnitKind::Amplifier(TubeKind::Pentode)),
    ("pentode", UnitKind::Amplifier(TubeKind::Pentode)),
    (
        "remote-cutoff tetrode",
        UnitKind::Amplifier(TubeKind::RemotePentode),
    ),
    (
        "remote-cutoff pentode",
        UnitKind::Amplifier(TubeKind::RemotePentode),
    ),
    ("hexode", UnitKind::Amplifier(TubeKind::RemotePentode)),
    ("beam tube", UnitKind::Amplifier(TubeKind::Beam)),
    ("power tetrode", UnitKind::Amplifier(TubeKind::Beam)),
    ("heptode", UnitKind::Amplifier(TubeKind::Heptode)),
    (
        "pentagrid converter",
        UnitKind::Amplifier(TubeKind::Heptode),
    ),
    ("diode", UnitKind::Diode),
    ("rectifier", UnitKind::Rectifier),
    ("gas rectifier", UnitKind::GasRectifier),
    ("thyratron", UnitKind::GasRectifier),
    ("trigger tube", UnitKind::GasRectifier),
    ("regulator", UnitKind::Regulator),
];

/// The trade's name for a unit and its kind, from the table's word.
pub(super) fn trade_name(word: &str) -> Option<(&'static str, UnitKind)> {
    TRADE_NAMES.into_iter().find(|(name, _)| *name == word)
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
    /// Starter of a trigger tube, or jumper of a regulator.
    Jumper,
    /// Internal shield.
    Shield,
    /// Metal shell, or the metal sleeve of a glass tube's base.
    Shell,
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
            Self::Shell => "shell",
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

/// A published operating point with its standing.
#[derive(Clone, Debug, PartialEq)]
pub struct PublishedPoint {
    /// The figures.
    pub point: OperatingPoint,
    /// How sure they are.
    pub confidence: Confidence,
    /// Whether the law is fitted to it; otherwise it is kept for checking only.
    pub fitted: bool,
    /// Measured for a moment, over what the tube may bear: characteristics, and no way to run it.
    pub momentary: bool,
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
    /// Least and greatest maintaining voltage of new tubes, volts, where the sheet prints them.
    pub limits: Option<(f64, f64)>,
    /// Voltage at which tubes usually strike, volts; that of the sheet where it prints only one.
    pub usual_strike_volts: f64,
    /// Supply voltage that strikes every good tube, in darkness too, volts.
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
    /// Whose law it has.
    pub kind: UnitKind,
    /// What the trade calls it: `tetrode`, `pentagrid converter`, `tuning eye` ...
    pub name: &'static str,
    /// Pins by electrode; an electrode may have several.
    pub pins: BTreeMap<Electrode, Vec<Pin>>,
    /// Maximum ratings: for continuous service where `intermittent` has others.
    pub ratings: Ratings,
    /// Maximum ratings for intermittent (amateur) service, of transmitting tubes.
    pub intermittent: Option<Ratings>,
    /// Published operating points.
    pub points: Vec<PublishedPoint>,
    /// Drop of a vacuum diode, or the constant drop of a gas rectifier.
    pub drop: Option<Drop>,
    /// Figures of a regulator.
    pub glow: Option<Glow>,
    /// Current of a tuning indicator's target at so many volts.
    pub target: Option<Drop>,
    pub(super) fits: [OnceLock<Result<Fit, FitError>>; 2],
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

    /// The greatest that any service allows: the ratings for intermittent
    /// service where there are such, else the only ones.
    #[must_use]
    pub fn greatest(&self) -> Ratings {
        match &self.intermittent {
            Some(intermittent) => intermittent.or(&self.ratings),
            None => self.ratings,
        }
    }

    /// The same unit, not yet fitted.
    pub(super) fn copy(&self) -> Self {
        Self {
            kind: self.kind,
            name: self.name,
            pins: self.pins.clone(),
            ratings: self.ratings,
            intermittent: self.intermittent,
            points: self.points.clone(),
            drop: self.drop,
            glow: self.glow,
            target: self.target,
            fits: [OnceLock::new(), OnceLock::new()],
        }
    }
}
