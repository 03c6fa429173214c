//! What was read on the bench, with every name resolved against a stage.

use crate::span::Span;
use crate::stage::{PartId, Place, Point, Quantity, SettingId};
use crate::units::{Amps, Ohms, Volts};

/// One readings sheet.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// Title of the `readings` statement.
    pub title: String,
    /// Numbers that were read, in order.
    pub readings: Vec<Reading>,
    /// What else is known of the unit.
    pub remarks: Vec<Remark>,
    /// `notes`, in order.
    pub notes: Vec<String>,
    /// What holds at the end of the sheet, for readings that are added to it.
    pub conditions: Conditions,
}

/// What holds for the readings below it: the meter in hand, the control
/// setting, the mains.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Conditions {
    /// The meter in hand.
    pub meter: Meter,
    /// Control setting; `None` is the default setting.
    pub setting: Option<SettingId>,
    /// Mains voltage, if recorded.
    pub line: Option<Volts>,
}

impl Default for Conditions {
    /// An ideal meter, the default setting, the mains not recorded.
    fn default() -> Self {
        Self {
            meter: Meter::IDEAL,
            setting: None,
            line: None,
        }
    }
}

/// One number read, with all that held when it was read.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// What kind of number.
    pub quantity: Quantity,
    /// Where: of `panel M1` and `tester V1` the place is `Through` the part named.
    pub point: Point,
    /// The number, in volts, ohms, amperes, scale units or per cent.
    pub value: f64,
    /// Whether the number is the reading or only bounds it.
    pub bound: Bound,
    /// The meter in hand.
    pub meter: Meter,
    /// Full scale of the range used, if recorded.
    pub range: Option<f64>,
    /// Control setting; `None` is the default setting.
    pub setting: Option<SettingId>,
    /// Mains voltage at the time, if recorded.
    pub line: Option<Volts>,
    /// Tubes out of their sockets, by any part of that bottle.
    pub pulled: Vec<PartId>,
    /// Parts with one lead off.
    pub lifted: Vec<PartId>,
    /// Of a panel meter, and of volts across a part: the known current that was sent
    /// through it and what lies across it, with the power off.
    pub bench: Option<Amps>,
    /// The statement.
    pub span: Span,
}

/// What was read and under which conditions, but for the number: readings that have it in common are one, taken again.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Taken {
    quantity: Quantity,
    place: Place,
    bound: Bound,
    /// Meter, range, mains and bench current, by their bits.
    numbers: [Option<u64>; 7],
    setting: Option<SettingId>,
    pulled: Vec<PartId>,
    lifted: Vec<PartId>,
}

impl Reading {
    /// What it has in common with readings that are the same, taken again.
    pub fn taken(&self) -> Taken {
        let (per_volt, input) = match self.meter.input {
            MeterInput::Ideal => (None, None),
            MeterInput::OhmsPerVolt(each) => (Some(each), None),
            MeterInput::Fixed(ohms) => (None, Some(ohms.0)),
        };
        let sorted = |parts: &[PartId]| {
            let mut parts = parts.to_vec();
            parts.sort_unstable();
            parts
        };
        Taken {
            quantity: self.quantity,
            place: self.point.place,
            bound: self.bound,
            numbers: [
                per_volt,
                input,
                Some(self.meter.fraction),
                Some(self.meter.offset.0),
                self.range,
                self.line.map(|line| line.0),
                self.bench.map(|amps| amps.0),
            ]
            .map(|number| number.map(f64::to_bits)),
            setting: self.setting,
            pulled: sorted(&self.pulled),
            lifted: sorted(&self.lifted),
        }
    }
}

/// How a number bounds what was read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Bound {
    /// It is the reading.
    #[default]
    Exact,
    /// The reading was above it (`> 300V`); an `inf` on ohms is above the number stored.
    Above,
    /// The reading was below it.
    Below,
}

/// A meter: how it loads and how far it may be off.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Meter {
    /// How it loads a voltage point.
    pub input: MeterInput,
    /// Accuracy as a fraction: of full scale where a range is known, of the reading elsewhere.
    pub fraction: f64,
    /// Further error in volts, as in `0.8% + 0.02V`.
    pub offset: Volts,
}

/// How a meter loads a voltage point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum MeterInput {
    /// Draws nothing.
    Ideal,
    /// A pointer meter of so many ohms for each volt of full scale.
    OhmsPerVolt(f64),
    /// An electronic meter with one input resistance on all ranges.
    Fixed(Ohms),
}

impl Meter {
    /// A meter that draws nothing and is never off.
    pub const IDEAL: Self = Self {
        input: MeterInput::Ideal,
        fraction: 0.0,
        offset: Volts(0.0),
    };
}

/// Something known of a part other than by a number read in circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Remark {
    /// The part (of a bottle with two sections, the first).
    pub part: PartId,
    /// What is known.
    pub kind: RemarkKind,
    /// The statement.
    pub span: Span,
}

/// What may be remarked of a part.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RemarkKind {
    /// It looks so.
    Seen(Look),
    /// Proved good.
    Good,
    /// A new part.
    Replaced,
}

/// What a damaged part looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Look {
    /// Burnt or discoloured.
    Burnt,
    /// Cracked or broken.
    Cracked,
    /// Leaking electrolyte, wax or compound.
    Leaking,
    /// Hotter than it should be.
    Hot,
    /// Arcing, or with the marks of it.
    Arcing,
}
