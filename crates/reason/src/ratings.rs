//! Maximum ratings of the tubes of a stage, as the table has them.

use deadstage_netlist::{Electrode, PartId, PartKind, Stage};
use deadstage_parts::table::Ratings;
use deadstage_parts::{TubeType, Unit, UnitKind, tube_table};

/// How much more than its rating a tube bears before it is called over it: a
/// current computed from the published points is no better known than this, and
/// sheets print ways to run a tube that take the whole of its rating.
pub(crate) const ALLOWED: f64 = 1.05;

/// A part's type in the table, and which unit of it the part is.
#[derive(Clone, Copy)]
pub(crate) struct Rated {
    pub(crate) tube: &'static TubeType,
    pub(crate) unit: &'static Unit,
}

impl Rated {
    /// Of a tube, rectifier or regulator of the table; none for a type that the file defines.
    pub(crate) fn of(stage: &Stage, id: PartId) -> Option<Self> {
        let kind = &stage.part(id).kind;
        let (tube_type, unit) = match kind {
            PartKind::Tube {
                tube_type, unit, ..
            } => (tube_type, *unit),
            PartKind::Rectifier { tube_type, .. } | PartKind::Regulator { tube_type, .. } => {
                (tube_type, None)
            }
            _ => return None,
        };
        let own = |name: &str| name.eq_ignore_ascii_case(tube_type);
        if stage.tube_types.iter().any(|t| own(&t.name)) {
            return None;
        }
        let tube = tube_table().find(tube_type)?;
        let unit = match kind {
            // The rectifier of a bottle that holds another tube too.
            PartKind::Rectifier { .. } => tube.units.iter().find(|unit| rectifies(unit.kind))?,
            _ => tube
                .units
                .get(usize::from(unit.unwrap_or(1)).saturating_sub(1))?,
        };
        Some(Self { tube, unit })
    }

    /// Heat that an electrode bears in any service, watts.
    pub(crate) fn watts(&self, electrode: Electrode) -> Option<f64> {
        heat(&self.unit.greatest(), electrode)
    }

    /// Heat that it bears in continuous service, watts, where that is less.
    pub(crate) fn continuous_watts(&self, electrode: Electrode) -> Option<f64> {
        let continuous = heat(&self.unit.ratings, electrode)?;
        (continuous < self.watts(electrode)?).then_some(continuous)
    }

    /// Whether the part's plate counts toward what all plates of its bottle bear together, watts.
    pub(crate) fn plates_watts(&self) -> Option<f64> {
        let first = self.tube.units.first()?;
        self.tube
            .plates_watts
            .filter(|_| first.kind == self.unit.kind)
    }
}

fn rectifies(kind: UnitKind) -> bool {
    matches!(
        kind,
        UnitKind::Rectifier | UnitKind::GasRectifier | UnitKind::Diode
    )
}

fn heat(ratings: &Ratings, electrode: Electrode) -> Option<f64> {
    match electrode {
        Electrode::Plate => ratings.plate_watts,
        Electrode::Screen => ratings.screen_watts,
        _ => None,
    }
}
