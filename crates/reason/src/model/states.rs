//! A stage that may rest in several states: which of them a unit is in is not known, as its law is not,
//! and every reading is held against each.

use deadstage_circuit::{Base, Network, Scratch, Situation, SolveError};
use deadstage_netlist::Stage;

use super::{Model, Starts, Wanted};
use crate::error::Error;
use crate::observe::Observation;

/// Ways in which the states of all situations are put together, at most: each costs as much as a law.
/// Ten cells of a counter in one situation, or a flip-flop in three, are within it.
const MOST_STATES: usize = 12;

/// What a reading may be off, besides its meter, before it speaks for another state, as a share of what is forecast.
const ROUGHLY: f64 = 0.1;

/// No reading speaks more loudly against a state than one so many spreads off: it may be the failure's.
const MOST_OFF: f64 = 5.0;

/// By state, the bases of every situation.
///
/// # Errors
/// A situation that does not solve.
pub(super) fn in_each<'a>(
    stage: &Stage,
    network: &'a Network,
    situations: &[Situation],
    scratch: &mut Scratch,
) -> Result<Vec<Vec<Base<'a>>>, Error> {
    let mut states: Vec<Vec<Base<'a>>> = vec![Vec::new()];
    for situation in situations {
        let found = Base::all(network, situation, scratch)
            .map_err(|source| unsolved(stage, situation, source))?;
        let fits = MOST_STATES / states.len();
        let found = &found[..found.len().min(fits.max(1))];
        states = states
            .iter()
            .flat_map(|before| {
                found.iter().map(|base| {
                    let mut with = before.clone();
                    with.push(base.clone());
                    with
                })
            })
            .collect();
    }
    Ok(states)
}

fn unsolved(stage: &Stage, situation: &Situation, source: SolveError) -> Error {
    let name = |setting: deadstage_netlist::SettingId| stage.settings.get(setting.0 as usize);
    Error::Healthy {
        setting: situation.setting.and_then(name).cloned(),
        source,
    }
}

impl<'a> Model<'a> {
    /// Puts those states first in which most is read as it should be, every law's first state before any second:
    /// what is asked of one law alone is asked of these.
    pub(crate) fn put_likely_states_first(
        &mut self,
        observations: &[Observation],
        scratch: &mut Scratch,
    ) {
        let laws = self.networks.list.len();
        if self.bases.len() == laws {
            return;
        }
        let off: Vec<f64> = (0..self.bases.len())
            .map(|law| self.misfit(law, observations, scratch))
            .collect();
        let mut by_law: Vec<Vec<(f64, Vec<Base<'a>>)>> = vec![Vec::new(); laws];
        for (off, bases) in off.into_iter().zip(std::mem::take(&mut self.bases)) {
            let network = bases.first().map(Base::network);
            let law = self
                .networks
                .list
                .iter()
                .position(|own| network.is_some_and(|network| std::ptr::eq(own, network)));
            by_law[law.unwrap_or(0)].push((off, bases));
        }
        let mut ranked: Vec<(usize, Vec<Base<'a>>)> = Vec::new();
        for mut states in by_law {
            states.sort_by(|a, b| a.0.total_cmp(&b.0));
            ranked.extend(states.into_iter().map(|(_, bases)| bases).enumerate());
        }
        ranked.sort_by_key(|(rank, _)| *rank);
        self.bases = ranked.into_iter().map(|(_, bases)| bases).collect();
    }

    /// How far the readings are from a healthy unit's in one state.
    fn misfit(&self, law: usize, observations: &[Observation], scratch: &mut Scratch) -> f64 {
        let mut starts = Starts::new();
        let forecast = self.forecast(law, &[], observations, Wanted::Means, &mut starts, scratch);
        let Ok(forecast) = forecast else {
            return f64::INFINITY;
        };
        let pairs = forecast.mean.iter().zip(observations);
        pairs
            .map(|(mean, observation)| {
                let rough = match observation.scale {
                    crate::observe::Scale::Plain => ROUGHLY * mean.abs(),
                    crate::observe::Scale::Log => ROUGHLY,
                };
                let off = observation.compared(observation.read) - mean;
                (off / observation.sigma.hypot(rough))
                    .abs()
                    .min(MOST_OFF)
                    .powi(2)
            })
            .sum()
    }

    /// The same with further situations behind its own, each in the state that is nearest to the one it stands beside.
    ///
    /// # Errors
    /// A situation that does not solve.
    pub(crate) fn widened(
        &self,
        situations: &[Situation],
        scratch: &mut Scratch,
    ) -> Result<Self, Error> {
        let mut bases = self.bases.clone();
        for by_situation in &mut bases {
            let further = &situations[by_situation.len().min(situations.len())..];
            let beside = by_situation
                .iter()
                .find(|base| base.situation().power)
                .cloned();
            for situation in further {
                let Some(network) = by_situation.first().map(Base::network) else {
                    continue;
                };
                let unsolved = |source| unsolved(self.stage, situation, source);
                let found = if self.bases.len() == self.networks.list.len() {
                    Base::new(network, situation, scratch).map_err(unsolved)?
                } else {
                    let mut found = Base::all(network, situation, scratch).map_err(unsolved)?;
                    let nearest = nearest(beside.as_ref(), &found, scratch);
                    found.swap_remove(nearest)
                };
                by_situation.push(found);
            }
        }
        Ok(Self {
            stage: self.stage,
            networks: self.networks,
            bases,
            joint: None,
        })
    }
}

/// Which of some states has its nodes nearest to where another has them.
fn nearest(beside: Option<&Base<'_>>, states: &[Base<'_>], scratch: &mut Scratch) -> usize {
    let mut volts = |base: &Base<'_>| -> Option<Vec<f64>> {
        let point = base.solve(&[], None, scratch).ok()?;
        let nodes = 0..base.network().nodes;
        Some(nodes.map(|node| point.node_volts(node)).collect())
    };
    let Some(there) = beside.and_then(&mut volts) else {
        return 0;
    };
    let apart = states.iter().map(|state| {
        let here = volts(state)?;
        let apart = here.iter().zip(&there).map(|(a, b)| (a - b).powi(2));
        Some(apart.sum::<f64>())
    });
    let apart = apart
        .map(|apart| apart.unwrap_or(f64::INFINITY))
        .enumerate();
    apart
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map_or(0, |(state, _)| state)
}

#[cfg(test)]
mod tests {
    use deadstage_circuit::tube_names;
    use deadstage_netlist::parse_readings;

    use crate::diagnose::{Options, diagnose};
    use crate::outcome::Diagnosis;
    use crate::test_bench::{FLIP_FLOP, stage};

    fn asked(plate1: f64, plate2: f64) -> Diagnosis {
        let stage = stage(FLIP_FLOP);
        let sheet = format!(
            "readings \"test\"\nmeter 11M 2%\nvolts plate1 {plate1}V\nvolts plate2 {plate2}V\n"
        );
        let sheet = parse_readings("test.readings", &sheet, &stage, &tube_names());
        assert!(!sheet.has_errors(), "{:?}", sheet.diagnostics);
        diagnose(&stage, &[sheet.value], &Options::default()).expect("it is weighed")
    }

    #[test]
    fn readings_are_held_against_either_state() {
        for (plate1, plate2) in [(37.0, 226.0), (226.0, 37.0)] {
            let found = asked(plate1, plate2);
            assert!(found.healthy > 0.5, "{}", found.healthy);
            assert!((found.readings[0].healthy - plate1).abs() < 10.0);
        }
    }

    #[test]
    fn no_unit_stands_between_its_states() {
        // Both plates alike: the equations have that solution too, and no unit stays in it.
        let found = asked(94.0, 94.0);
        assert!(found.healthy < 0.01, "{}", found.healthy);
    }

    #[test]
    fn both_halves_down_or_up_is_a_failure() {
        let found = asked(226.0, 226.0);
        assert!(found.healthy < 0.3, "{}", found.healthy);
    }
}
