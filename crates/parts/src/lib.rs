//! What each kind of part does at DC, how specimens differ, how they fail.
//!
//! No text and no matrices: a law takes voltages and gives currents with
//! their derivatives, in SI units.
#![forbid(unsafe_code)]

mod class;
mod device;
mod dual;
mod failures;
mod lamp;
mod preferred;
mod rectifier;
mod regulator;
mod shunt;
mod solid;
pub mod table;
mod tolerance;
pub mod tube;

pub use class::PartClass;
pub use device::{Condition, Device, DeviceLaw, MAX_PORTS, PortCurrents, PortVolts, Spread, Trait};
pub use dual::Dual;
pub use failures::{
    FailureRow, Measure, Mode, ParameterPrior, RateProfile, composition_drift_factor, failure,
    failures, rate, rate_source,
};
pub use lamp::{LAMP_BYPASS, LampLaw};
pub use preferred::Series;
pub use rectifier::{
    Connection, Filter, MAINS_HERTZ, RectifierElement, RectifierError, RectifierLaw,
};
pub use regulator::RegulatorLaw;
pub use shunt::{COPPER_PER_CELSIUS, Calibration, FullScale, Movement, ScaleResistor, ShuntError};
pub use solid::{DiodeLaw, Polarity, TransistorLaw};
pub use table::{
    Base, Confidence, Electrode, Pin, RatingSystem, Ratings, TubeTable, TubeType, Unit, UnitKind,
    tube_table,
};
pub use tolerance::{
    Scatter, default_tolerance, healthy_leakage_ohms, leakage_ln_sigma, scatter, tolerance_reason,
};
pub use tube::{
    DrivenTube, Fit, FitError, LawForm, OperatingPoint, PlateLoad, TubeDrive, TubeKind, TubeLaw,
    fit_points,
};
