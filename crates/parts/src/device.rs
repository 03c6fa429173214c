//! What every non-linear part has in common: a few ports, all against one
//! terminal, and the current into each for given voltages.
//!
//! | device | common terminal | ports, in order |
//! | --- | --- | --- |
//! | tube | cathode | plate, grid, screen, grid 3 (as many as the kind has) |
//! | diode, regulator | cathode | anode |
//! | lamp | either end | the other |
//! | rectifier supply | negative output | positive output |
//! | transistor | emitter | base, collector |
//!
//! Voltages are port against common terminal, in volts. Currents flow from
//! the circuit into the port, in amperes, and leave by the common terminal.

use std::fmt::Debug;
use std::sync::Arc;

use crate::lamp::LampLaw;
use crate::rectifier::RectifierLaw;
use crate::regulator::RegulatorLaw;
use crate::solid::{DiodeLaw, TransistorLaw};
use crate::tube::{DrivenTube, TubeLaw};

/// Most ports a device can have.
pub const MAX_PORTS: usize = 4;

/// Port voltages of one device, volts; entries past [`Device::ports`](crate::Device::ports) are zero.
pub type PortVolts = [f64; MAX_PORTS];

/// Currents into the ports of one device and their derivatives.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PortCurrents {
    /// Amperes into each port.
    pub amps: [f64; MAX_PORTS],
    /// `siemens[i][j]`: change of `amps[i]` with the voltage at port `j`.
    pub siemens: [[f64; MAX_PORTS]; MAX_PORTS],
}

/// The state a device is in: how far this one specimen is from its type.
///
/// The default is a healthy specimen right on its type's law. A device looks
/// only at the fields that mean something for its kind.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Condition {
    /// Emission or perveance as a ratio: 1 healthy, 0 dead. (Rectifiers: of the tube.)
    pub perveance: f64,
    /// Shift of the grid's effective bias, volts: positive conducts more.
    pub contact_volts: f64,
    /// Amplification factor as a ratio.
    pub mu: f64,
    /// Screen current as a ratio of its share.
    pub screen_share: f64,
    /// Positive-grid and initial-velocity grid current as a ratio.
    pub grid_current: f64,
    /// Plate current at low plate voltage, as a ratio of the knee voltage.
    pub knee: f64,
    /// Softness and reach of cutoff, as a ratio: the range of grid voltage over which the last current fades.
    pub tail: f64,
    /// Current that the plate pulls past a screen at nothing beyond what its law says, over that of the tube at zero bias; healthy 0.
    pub plate_pull: f64,
    /// Gas: grid current *out of* the grid as a fraction of the plate current.
    pub gas: f64,
    /// Signal at the grid of a [`DrivenTube`] as a ratio of what is stated; 0 is no signal.
    pub drive: f64,
    /// Regulators: whether the glow is struck.
    pub fired: bool,
    /// Regulators, rectifiers: output voltage as a ratio (mains voltage, tube to tube).
    pub volts: f64,
    /// Rectifiers: fraction of the sides alive (0.5 for one side dead).
    pub sides: f64,
    /// Rectifiers with capacitor input: whether the reservoir is there.
    pub reservoir: bool,
    /// Rectifiers with choke input: what steadies the current, as a ratio to the choke's
    /// inductance; 0 is none (shorted), infinite an open choke.
    pub choke: f64,
    /// Lamps: resistance as a ratio.
    pub filament: f64,
}

impl Default for Condition {
    fn default() -> Self {
        Self {
            perveance: 1.0,
            contact_volts: 0.0,
            mu: 1.0,
            screen_share: 1.0,
            grid_current: 1.0,
            knee: 1.0,
            tail: 1.0,
            plate_pull: 0.0,
            gas: 0.0,
            drive: 1.0,
            fired: false,
            volts: 1.0,
            sides: 1.0,
            reservoir: true,
            choke: 1.0,
            filament: 1.0,
        }
    }
}

/// A way in which healthy specimens differ from their type.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Trait {
    /// [`Condition::perveance`], spread in its logarithm.
    Perveance,
    /// [`Condition::contact_volts`], spread in volts.
    ContactVolts,
    /// [`Condition::mu`], spread in its logarithm.
    Mu,
    /// [`Condition::screen_share`], spread in its logarithm.
    ScreenShare,
    /// [`Condition::grid_current`], spread in its logarithm.
    GridCurrent,
    /// [`Condition::knee`], spread in its logarithm.
    Knee,
    /// [`Condition::tail`], spread in its logarithm.
    Tail,
    /// [`Condition::plate_pull`], spread as it is.
    PlatePull,
    /// [`Condition::volts`], spread in its logarithm.
    Volts,
    /// [`Condition::drive`], spread in its logarithm.
    Drive,
    /// [`Condition::filament`], spread in its logarithm.
    Filament,
}

/// One standard deviation of a [`Trait`] among healthy specimens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Spread {
    /// Which trait.
    pub of: Trait,
    /// One standard deviation, in the trait's own measure.
    pub sigma: f64,
}

impl Condition {
    /// The condition with one trait moved by `amount` of its own measure.
    #[must_use]
    pub fn moved(mut self, of: Trait, amount: f64) -> Self {
        match of {
            Trait::Perveance => self.perveance *= amount.exp(),
            Trait::ContactVolts => self.contact_volts += amount,
            Trait::Mu => self.mu *= amount.exp(),
            Trait::ScreenShare => self.screen_share *= amount.exp(),
            Trait::GridCurrent => self.grid_current *= amount.exp(),
            Trait::Knee => self.knee *= amount.exp(),
            Trait::Tail => self.tail *= amount.exp(),
            Trait::PlatePull => self.plate_pull += amount,
            Trait::Volts => self.volts *= amount.exp(),
            Trait::Drive => self.drive *= amount.exp(),
            Trait::Filament => self.filament *= amount.exp(),
        }
        self
    }
}

/// A law from outside this library: of a part that it does not know, or another
/// one than its own for a part that it does. [`Device::Own`] puts it to work.
///
/// [`Dual`](crate::Dual) spares writing the derivatives by hand.
pub trait DeviceLaw: Debug + Send + Sync {
    /// How many ports it has, at most [`MAX_PORTS`].
    fn ports(&self) -> usize;

    /// Amperes into the ports and their derivatives (siemens), in the order of
    /// the table at the head of this module; exact derivatives, and both finite
    /// for any finite voltages. A solver does best with currents that have no steps.
    fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents;

    /// How healthy specimens differ. Each trait named must be one that
    /// [`currents`](Self::currents) looks at.
    fn spreads(&self) -> Vec<Spread>;
}

/// Any non-linear part: what the circuit engine puts at its ports.
#[derive(Clone, Debug)]
pub enum Device {
    /// One unit of an amplifying tube.
    Tube(TubeLaw),
    /// One unit of an amplifying tube under a large signal, on the average of a cycle.
    Driven(DrivenTube),
    /// A diode of any kind.
    Diode(DiodeLaw),
    /// A supply behind a transformer winding.
    Rectifier(RectifierLaw),
    /// A gas voltage regulator.
    Regulator(RegulatorLaw),
    /// A filament lamp.
    Lamp(LampLaw),
    /// A bipolar transistor.
    Transistor(TransistorLaw),
    /// Whatever has a law of its own.
    Own(Arc<dyn DeviceLaw>),
}

impl Device {
    /// How many ports it has.
    #[must_use]
    pub fn ports(&self) -> usize {
        match self {
            Self::Tube(law) => law.ports(),
            Self::Driven(stage) => stage.ports(),
            Self::Diode(law) => law.ports(),
            Self::Rectifier(law) => law.ports(),
            Self::Regulator(law) => law.ports(),
            Self::Lamp(law) => law.ports(),
            Self::Transistor(law) => law.ports(),
            Self::Own(law) => law.ports(),
        }
    }

    /// Currents into the ports and their derivatives.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        match self {
            Self::Tube(law) => law.currents(volts, condition),
            Self::Driven(stage) => stage.currents(volts, condition),
            Self::Diode(law) => law.currents(volts, condition),
            Self::Rectifier(law) => law.currents(volts, condition),
            Self::Regulator(law) => law.currents(volts, condition),
            Self::Lamp(law) => law.currents(volts, condition),
            Self::Transistor(law) => law.currents(volts, condition),
            Self::Own(law) => law.currents(volts, condition),
        }
    }

    /// How healthy specimens differ.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        match self {
            Self::Tube(law) => law.spreads(),
            Self::Driven(stage) => stage.spreads(),
            Self::Diode(law) => law.spreads(),
            Self::Rectifier(law) => law.spreads(),
            Self::Regulator(law) => law.spreads(),
            // What is known of it is the tolerance of the one part.
            Self::Lamp(_) => Vec::new(),
            Self::Transistor(law) => law.spreads(),
            Self::Own(law) => law.spreads(),
        }
    }
}
