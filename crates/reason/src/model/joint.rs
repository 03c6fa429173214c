//! How many readings scatter together, without telling each one's scatter.
//!
//! Most readings of a sheet are voltages taken in one situation: of these the network's sparse equations say it at
//! once ([`OperatingPoint::joint_spread`]), a meter's load taken as the share that it leaves. That is not told so where
//! the load takes much; such a reading, and any that is no voltage or was taken in another situation, is told by
//! its own column, as long as there are few.

use deadstage_circuit::{OperatingPoint, Probe, Scratch, Watched};
use deadstage_netlist::Bound;
use nalgebra::DVector;

use super::{Reading, When};
use crate::likelihood::{Joint, Other};
use crate::observe::{Observation, Scale};

/// Readings told by columns of their own, at most.
const MOST_OWN: usize = 24;

/// A meter's load is taken as the share that it leaves where it takes less than this of what the meter itself may be off (standard
/// deviations): what tolerances do to that share is a tenth of it, and less.
const LIGHT: f64 = 0.3;

/// Or where it takes no more than this share, whatever that is in volts.
const LEAST_TAKEN: f64 = 0.05;

impl Reading<'_> {
    /// How the first `count` readings scatter together, their spreads `widened`; `quiet` gives the column of a reading in a situation
    /// that was not solved. `None`: not to be told so.
    pub(super) fn joint(
        &mut self,
        points: &[(When, OperatingPoint<'_>)],
        count: usize,
        widened: f64,
        quiet: impl Fn(usize) -> Option<DVector<f64>>,
        scratch: &mut Scratch,
    ) -> Option<Joint> {
        let networks = self.model.networks;
        if !networks.renewed.is_empty() || points.iter().any(|(when, _)| !when.is_always()) {
            return None;
        }
        let readings = &self.observations[..count];
        // Where most was read.
        let (main, at) = points.iter().max_by_key(|(when, _)| {
            let here = readings.iter().filter(|o| when.is_of(o)).count();
            (here, std::cmp::Reverse(when.situation))
        })?;
        let mut watched = Vec::new();
        let mut places = Vec::new();
        let mut own = Vec::new();
        for (index, observation) in readings.iter().enumerate() {
            let here = main.is_of(observation) && quiet(index).is_none();
            match here.then(|| watch(observation, at)).flatten() {
                Some(voltage) => {
                    watched.push(voltage);
                    places.push(index);
                }
                None => own.push(index),
            }
        }
        if own.len() > MOST_OWN {
            return None;
        }
        let sigma = self.model.sigma_beside(self.held, main.stretch);
        let sigma: Vec<f64> = sigma.iter().map(|sigma| sigma * widened).collect();
        let spread = at.joint_spread(&sigma, &watched)?;
        let mut apart: Vec<Vec<f64>> = Vec::new();
        for (_, effect) in spread.apart() {
            let mut all = vec![0.0; count];
            for (&index, effect) in places.iter().zip(effect) {
                all[index] = *effect;
            }
            apart.push(all);
        }
        let mut others = Vec::with_capacity(own.len());
        for index in own {
            let mut column: Vec<f64> = match quiet(index) {
                Some(column) => column.iter().copied().collect(),
                None => self.own_column(index, points, scratch)?,
            };
            for entry in &mut column {
                *entry *= widened;
            }
            for ((parameter, _), all) in spread.apart().iter().zip(&mut apart) {
                all[index] = std::mem::take(&mut column[*parameter]);
            }
            let moved: Vec<f64> = column.iter().zip(&sigma).map(|(c, s)| c * s).collect();
            let with_watched = at.respond_to(&moved, &spread, scratch);
            others.push(Other {
                index,
                column,
                with_watched,
            });
        }
        Some(Joint {
            spread,
            watched: places,
            others,
            apart,
        })
    }

    /// The scatter of one reading, told by itself.
    fn own_column(
        &mut self,
        index: usize,
        points: &[(When, OperatingPoint<'_>)],
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        let observation = &self.observations[index];
        let (when, point) = points.iter().find(|(when, _)| when.is_of(observation))?;
        let factor = self.read(index, *when, point, true, scratch);
        let sigma = self.model.sigma_beside(self.held, when.stretch);
        let changes = self.gradient.iter().zip(sigma.iter());
        Some(
            changes
                .map(|(change, sigma)| change * sigma * factor)
                .collect(),
        )
    }
}

/// A reading as a voltage that is watched with others; `None` for one that has to be told by itself.
fn watch(observation: &Observation, at: &OperatingPoint<'_>) -> Option<Watched> {
    let Probe::Volts { from, to, load } = observation.probe else {
        return None;
    };
    if observation.scale != Scale::Plain || !at.can_watch(from, to) {
        return None;
    }
    let mut share = 1.0;
    if let Some(ohms) = load {
        share = at.meter_share(from, to, ohms);
        let bare = at.node_volts(from) - at.node_volts(to);
        let takes = (bare * (1.0 - share) * observation.factor).abs();
        let is_light = takes <= LIGHT * observation.sigma || (1.0 - share).abs() < LEAST_TAKEN;
        if !is_light {
            return None;
        }
    }
    Some(Watched {
        from,
        to,
        share: share * observation.factor,
        variance: match observation.bound {
            Bound::Exact => observation.sigma * observation.sigma,
            Bound::Above | Bound::Below => f64::INFINITY,
        },
    })
}
