//! A failure laid over a network: what it changes, without a copy of the network.

use deadstage_parts::Trait;

use crate::network::{DeviceId, ElementId};

/// A set of changes.
pub type Overlay = Vec<Change>;

/// One elementary change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// An element has another resistance, ohms.
    Ohms(ElementId, f64),
    /// An element's source has another voltage, volts.
    Emf(ElementId, f64),
    /// A path between two nodes that the print does not have.
    Shunt {
        /// Node index.
        from: usize,
        /// Node index.
        to: usize,
        /// Its resistance, ohms.
        ohms: f64,
    },
    /// A resistance in series with one port of a device, or with its common terminal.
    Pin {
        /// The device.
        device: DeviceId,
        /// Port index; `None` is the common terminal.
        port: Option<usize>,
        /// Ohms.
        ohms: f64,
    },
    /// A device is in another condition.
    Device(DeviceId, DeviceChange),
}

impl Change {
    /// The same change in a network whose sources are at this share of their voltage.
    pub(crate) fn scaled(&self, share: f64) -> Self {
        match *self {
            Self::Emf(element, volts) => Self::Emf(element, share * volts),
            other => other,
        }
    }
}

/// How a device's condition is changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum DeviceChange {
    /// Emission as a ratio; 0 is dead.
    Perveance(f64),
    /// Grid current of gas, as a fraction of the plate current.
    Gas(f64),
    /// A regulator that does not strike.
    NotFiring,
    /// Output or maintaining voltage as a ratio.
    Volts(f64),
    /// Fraction of a rectifier's sides alive.
    Sides(f64),
    /// A rectifier's reservoir capacitor gone.
    NoReservoir,
    /// Inductance of a rectifier's input choke as a ratio; 0 is a shorted one.
    Choke(f64),
    /// Amplification factor as a ratio.
    Mu(f64),
    /// Shift of the effective bias, volts.
    ContactVolts(f64),
    /// Screen share as a ratio.
    ScreenShare(f64),
    /// Positive-grid current as a ratio.
    GridCurrent(f64),
    /// Knee voltage as a ratio.
    Knee(f64),
    /// Signal at the grid of a driven tube as a ratio; 0 is no signal.
    Drive(f64),
    /// A trait of the specimen is off by so much of its own measure.
    Moved(Trait, f64),
    /// Out of its socket.
    Absent,
}
