//! How small and how large a value of each kind can be before it must be a slip.
//!
//! Common practice, no source: generous by orders of magnitude around what
//! equipment of the 1930s to 1960s holds, so that only a wrong prefix or a
//! dropped digit falls outside.

use crate::value::Dimension;

/// What a value may be.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// What the value is, as in `a resistor's value`.
    pub(crate) what: &'static str,
    pub(crate) dimension: Dimension,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

const fn limits(what: &'static str, dimension: Dimension, low: f64, high: f64) -> Limits {
    Limits {
        what,
        dimension,
        low,
        high,
    }
}

pub(crate) const LINE: Limits = limits("the mains voltage", Dimension::Volts, 1.0, 1e3);
pub(crate) const SUPPLY: Limits = limits("a supply's voltage", Dimension::Volts, 1e-3, 1e5);
pub(crate) const SOURCE: Limits =
    limits("a supply's source resistance", Dimension::Ohms, 1e-4, 1e8);
pub(crate) const WINDING_VOLTS: Limits = limits("a winding's voltage", Dimension::Volts, 0.1, 1e5);
pub(crate) const RESISTOR: Limits = limits("a resistor's value", Dimension::Ohms, 1e-4, 1e11);
pub(crate) const POTENTIOMETER: Limits =
    limits("a potentiometer's value", Dimension::Ohms, 0.1, 1e9);
pub(crate) const CAPACITOR: Limits = limits("a capacitor's value", Dimension::Farads, 1e-14, 0.5);
pub(crate) const COIL: Limits = limits("a coil's DC resistance", Dimension::Ohms, 1e-4, 1e6);
pub(crate) const HENRIES: Limits = limits("a coil's inductance", Dimension::Henries, 1e-9, 1e5);
pub(crate) const LAMP: Limits = limits("a lamp's hot resistance", Dimension::Ohms, 1e-2, 1e7);
pub(crate) const COLD: Limits = limits("a cold resistance", Dimension::Ohms, 1e-3, 1e8);
pub(crate) const FUSE: Limits = limits("a fuse's cold resistance", Dimension::Ohms, 1e-6, 1e4);
pub(crate) const LINK: Limits = limits("a link's resistance", Dimension::Ohms, 1e-6, 1e3);
pub(crate) const THERMISTOR: Limits =
    limits("a thermistor's hot resistance", Dimension::Ohms, 1e-2, 1e8);
pub(crate) const RELAY_COIL: Limits =
    limits("a relay's coil resistance", Dimension::Ohms, 0.1, 1e6);
pub(crate) const PULLS_IN: Limits =
    limits("a relay's pull-in current", Dimension::Amps, 1e-6, 100.0);
pub(crate) const FULL_SCALE: Limits =
    limits("a meter's full-scale current", Dimension::Amps, 1e-7, 1e4);
pub(crate) const FULL_SCALE_VOLTS: Limits =
    limits("a meter's full-scale voltage", Dimension::Volts, 1e-4, 1e5);
pub(crate) const METER_OHMS: Limits = limits("a meter's resistance", Dimension::Ohms, 1e-6, 1e8);
pub(crate) const RATING_WATTS: Limits = limits("a power rating", Dimension::Watts, 1e-3, 1e5);
pub(crate) const RATING_VOLTS: Limits = limits("a voltage rating", Dimension::Volts, 0.5, 1e6);
pub(crate) const DRIVE_VOLTS: Limits = limits("a drive voltage", Dimension::Volts, 1e-3, 1e4);
pub(crate) const DRIVE_AMPS: Limits = limits("a grid current", Dimension::Amps, 1e-9, 10.0);

pub(crate) const MU: Limits = limits("an amplification factor", Dimension::Plain, 0.5, 1e4);
pub(crate) const PLATE_VOLTS: Limits = limits("a plate voltage", Dimension::Volts, 1.0, 1e5);
pub(crate) const GRID_VOLTS: Limits = limits("a grid voltage", Dimension::Volts, -5e3, 500.0);
pub(crate) const TUBE_AMPS: Limits = limits("a tube's current", Dimension::Amps, 1e-6, 100.0);
pub(crate) const GM: Limits = limits("a transconductance", Dimension::Siemens, 1e-6, 1.0);

pub(crate) const VOLTS_READ: Limits =
    limits("a voltage on a print or sheet", Dimension::Volts, -1e5, 1e5);
pub(crate) const AMPS_READ: Limits =
    limits("a current on a print or sheet", Dimension::Amps, -1e3, 1e3);
pub(crate) const OHMS_READ: Limits = limits("a resistance reading", Dimension::Ohms, 0.0, 1e13);
pub(crate) const RANGE_VOLTS: Limits = limits("a meter's range", Dimension::Volts, 1e-3, 1e6);
pub(crate) const RANGE_AMPS: Limits = limits("a meter's range", Dimension::Amps, 1e-9, 1e4);
pub(crate) const BENCH_AMPS: Limits = limits("a bench current", Dimension::Amps, 1e-7, 100.0);
pub(crate) const RANGE_OHMS: Limits = limits("a meter's range", Dimension::Ohms, 1e-3, 1e13);
pub(crate) const OHMS_PER_VOLT: Limits =
    limits("a meter's ohms per volt", Dimension::Ohms, 1.0, 1e9);
pub(crate) const INPUT_OHMS: Limits =
    limits("a meter's input resistance", Dimension::Ohms, 5e4, 1e12);
pub(crate) const METER_OFFSET: Limits = limits("a meter's fixed error", Dimension::Volts, 0.0, 1e3);
