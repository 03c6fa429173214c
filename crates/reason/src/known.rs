//! The failures that the reasoning knows of a stage, for those who lay them on from outside: benches and tests.

use deadstage_circuit::{Base, Network, Overlay};
use deadstage_netlist::{PartId, Stage};
use deadstage_parts::Mode;

use crate::failure::{Failure, candidates};
use crate::rates::Rates;

/// One way in which one part of a stage can fail.
#[derive(Clone, Debug)]
pub struct KnownFailure {
    failure: Failure,
}

/// Every failure of `stage` that DC can show, in the order of its parts.
#[must_use]
pub fn known_failures(stage: &Stage, network: &Network) -> Vec<KnownFailure> {
    let (list, _) = candidates(stage, network, &Rates::default());
    list.into_iter()
        .map(|failure| KnownFailure { failure })
        .collect()
}

impl KnownFailure {
    /// The part; of a whole bottle, its first section.
    #[must_use]
    pub fn part(&self) -> PartId {
        self.failure.part
    }

    /// The mode.
    #[must_use]
    pub fn mode(&self) -> Mode {
        self.failure.mode
    }

    /// Where in the part, in words, if only there.
    #[must_use]
    pub fn place(&self) -> Option<&'static str> {
        self.failure.place
    }

    /// The size, ohms or ratio, that lies so far (0 to 1) within the failure's range; `None` where it has no size.
    #[must_use]
    pub fn size(&self, share: f64) -> Option<f64> {
        let range = self.failure.range;
        range.is_open().then(|| range.value(self.at(share)))
    }

    /// Whether the two can be present together: not two modes of one part.
    #[must_use]
    pub fn goes_with(&self, other: &Self, stage: &Stage) -> bool {
        self.failure.goes_with(&other.failure, stage)
    }

    /// Adds what the failure changes in the situation of `base`, of the size that [`size`](Self::size) gives.
    pub fn lay(&self, share: f64, base: &Base<'_>, overlay: &mut Overlay) {
        self.failure.lay(self.at(share), base, overlay);
    }

    fn at(&self, share: f64) -> f64 {
        let range = self.failure.range;
        range.low + share.clamp(0.0, 1.0) * range.width()
    }
}
