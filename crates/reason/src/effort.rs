//! What measuring and repairing cost in trouble: the one place for these figures.
//!
//! The unit is a voltage read at an easy pin, about a minute's work. All figures are common practice, no source.
//! They choose only what to do next; no probability depends on them.

use deadstage_netlist::{Access, PartKind};
use deadstage_parts::Mode;

/// A reading of volts, unit on, at a place of this access.
pub(crate) fn volts(access: Access) -> f64 {
    match access {
        Access::Easy => 1.0,
        Access::Awkward => 1.6,
        Access::Hazard => 4.0,
    }
}

/// Two probes to hold instead of one, as a ratio.
pub(crate) const ACROSS: f64 = 1.15;

/// Reading a panel meter.
pub(crate) const PANEL: f64 = 0.5;

/// Switching off, bleeding the capacitors and proving them empty.
pub(crate) const POWER_OFF: f64 = 1.2;

/// A reading of ohms once that is done. What was a hazard must be bled and proved by itself.
pub(crate) fn ohms(access: Access) -> f64 {
    match access {
        Access::Easy => 0.8,
        Access::Awkward => 1.3,
        Access::Hazard => 1.6,
    }
}

/// Pulling a tube, besides the power off, and switching on again.
pub(crate) const PULLED: f64 = 1.5;

/// Lifting a lead, besides: solder, and back again.
pub(crate) const LIFTED: f64 = 3.0;

/// Taking a tube to the tester and warming it there.
pub(crate) const TESTER: f64 = 2.0;

/// Putting a control in another setting and letting things settle.
pub(crate) const OTHER_SETTING: f64 = 1.0;

/// Switching on again after something was done with the power off.
pub(crate) const ON_AGAIN: f64 = 0.5;

/// Measuring again after a repair that was not the whole cure, and thinking anew.
pub(crate) const AGAIN: f64 = 6.0;

/// Giving back a unit as healthy that is not: the whole job again, and a name lost.
pub(crate) const MISSED: f64 = 40.0;

/// Putting right a part that fails so, for nothing if it was good.
pub(crate) fn repair(kind: &PartKind, mode: Mode) -> f64 {
    if mode == Mode::PoorContact {
        return 4.0;
    }
    match kind {
        // From the socket, a spare being at hand.
        PartKind::Tube { .. }
        | PartKind::Rectifier { .. }
        | PartKind::Regulator { .. }
        | PartKind::Lamp { .. }
        | PartKind::Fuse { .. } => 4.0,
        PartKind::Link { .. } => 5.0,
        // Two leads, a soldering iron.
        PartKind::Resistor { .. }
        | PartKind::Capacitor { .. }
        | PartKind::Diode { .. }
        | PartKind::Transistor { .. }
        | PartKind::Thermistor { .. } => 15.0,
        // Many leads, or a search through something that is not drawn.
        PartKind::Potentiometer { .. }
        | PartKind::Switch { .. }
        | PartKind::Relay { .. }
        | PartKind::Contact { .. }
        | PartKind::Supply { .. } => 20.0,
        PartKind::Meter { .. } => 30.0,
        // Heavy, and hard to come by.
        PartKind::Choke { .. } | PartKind::Winding { .. } => 40.0,
    }
}
