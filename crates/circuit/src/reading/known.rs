//! A network in one situation with its healthy state, and which regulators glow in any other.
//!
//! A dark regulator strikes where the volts across it reach what strikes it. The search starts with all dark; the one that has
//! most to spare lights first, as it would where the supply rises, and what it holds down may keep others dark.

use super::OperatingPoint;
use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::{NewtonScratch, Precision};
use crate::error::SolveError;
use crate::linalg::dense::{Lu, Matrix};
use crate::network::strike_volts;
use crate::overlay::Change;
use crate::scratch::Scratch;
use crate::solve::solver::{Glow, Solver};
use crate::state::PortState;
use deadstage_parts::{Condition, PortCurrents, PortVolts};

/// Volts over the striking voltage, as a ratio, at which a regulator would strike whatever
/// the devices about it do in the dark: grid current and cutoff bend what the network's response at the point tells.
const SURE_STRIKE: f64 = 1.25;

/// A network in one situation with its healthy state.
#[derive(Clone, Debug)]
pub(crate) struct Known<'n> {
    pub(crate) solver: Solver<'n>,
    /// The healthy state.
    pub(crate) healthy: ExpansionPoint,
    /// The same with every regulator dark; `None` where there are none.
    dark: Option<ExpansionPoint>,
}

impl<'n> Known<'n> {
    /// Finds the healthy state from nothing.
    ///
    /// # Errors
    /// No operating point found.
    pub(crate) fn from_nothing(
        solver: Solver<'n>,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let found = solver.locate_from_nothing(&mut scratch.newton)?;
        let glow = vec![false; solver.regulators.len()];
        let dark = solver.expand(&glow, found)?;
        let has_dark = !glow.is_empty() && solver.situation.power;
        let mut known = Self {
            dark: has_dark.then(|| dark.clone()),
            solver,
            healthy: dark,
        };
        if has_dark {
            let lit = known.point(&[], None, Precision::Currents, scratch)?;
            let (glow, found) = lit.into_parts();
            known.healthy = known.solver.expand(&glow, found)?;
        }
        Ok(known)
    }

    /// The same with a healthy state that holds by itself, if one is found.
    pub(crate) fn stabilised(mut self, scratch: &mut NewtonScratch) -> Self {
        if self.solver.situation.power {
            let glow = self.solver.glow_in(&self.healthy.values);
            self.healthy = self.solver.stabilised(self.healthy, &glow, scratch);
        }
        self
    }

    /// The same network in other states that hold by themselves.
    pub(crate) fn states_beside(&self, scratch: &mut NewtonScratch) -> Vec<Self> {
        let glow = self.solver.glow_in(&self.healthy.values);
        let states = self.solver.states_beside(&self.healthy, &glow, scratch);
        let known = states.into_iter().map(|healthy| Self {
            solver: self.solver.clone(),
            healthy,
            dark: self.dark.clone(),
        });
        known.collect()
    }

    /// The operating point with `overlay` laid over the network, relays held as they are.
    ///
    /// # Errors
    /// No operating point found.
    pub(crate) fn point(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        precision: Precision,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        let find = |at, glow, start, scratch: &mut Scratch| {
            OperatingPoint::find(self, at, overlay, glow, start, precision, scratch)
        };
        let Some(dark) = &self.dark else {
            return find(&self.healthy, Glow::new(), start, scratch);
        };
        // Where those that glow would strike with volts to spare, and no other
        // would, there is no need to see them all dark.
        let mut glow = self.solver.glow_in(&self.healthy.values);
        if glow.contains(&true)
            && let Ok(point) = find(&self.healthy, glow.clone(), start, scratch)
            && self.strikes_surely(&point).unwrap_or(false)
        {
            return Ok(point);
        }
        glow.fill(false);
        let point = find(dark, glow, None, scratch)?;
        self.strike(point, overlay, start, precision, scratch)
    }

    /// Lights whatever would strike at a point, one after another.
    ///
    /// # Errors
    /// No operating point found.
    pub(crate) fn strike<'a>(
        &'a self,
        mut point: OperatingPoint<'a>,
        overlay: &[Change],
        start: Option<&PortState>,
        precision: Precision,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'a>, SolveError> {
        while let Some(next) = self.next_to_strike(&point) {
            let mut glow = point.glow().clone();
            glow[next] = true;
            let at = &self.healthy;
            point = OperatingPoint::find(self, at, overlay, glow, start, precision, scratch)?;
        }
        Ok(point)
    }

    /// The dark regulator that has most volts to strike, by its place among [`Solver::regulators`], if any has enough.
    fn next_to_strike(&self, point: &OperatingPoint<'_>) -> Option<usize> {
        let values = point.values();
        let regulators = self.solver.regulators.iter().enumerate();
        let shares = regulators.filter_map(|(place, &d)| {
            let slot = &self.solver.network.devices[d];
            let strike = strike_volts(&slot.law)? * values.conditions[d].volts;
            let share = point.state().volts[slot.first_port] / strike;
            (values.present[d] && !point.glow()[place] && share >= 1.0).then_some((place, share))
        });
        shares
            .max_by(|one, other| one.1.total_cmp(&other.1))
            .map(|(place, _)| place)
    }

    /// Whether every glowing regulator would strike out of the dark by a wide
    /// margin, as far as the network's response at the point tells, and no other
    /// would. `None`: it does not tell.
    fn strikes_surely(&self, point: &OperatingPoint<'_>) -> Option<bool> {
        let network = self.solver.network;
        let state = point.state();
        let values = point.values();
        let regulators = &self.solver.regulators;
        let mut glowing = regulators.clone();
        glowing.retain(|&d| values.present[d] && values.conditions[d].fired);
        let port = |d: usize| network.devices[d].first_port;
        if regulators.iter().any(|&d| values.has_pins(network, d)) {
            return None;
        }
        let count = glowing.len();
        // With the glow out, v + K (1 − S K)⁻¹ i: what they see of each other through
        // the failed network, their own slopes taken out of it again. What they leak in the
        // dark stays: behind an open resistor nothing else holds them.
        let leaks: Vec<PortCurrents> = glowing
            .iter()
            .map(|&d| {
                let mut volts = PortVolts::default();
                volts[0] = state.volts[port(d)];
                let condition = Condition {
                    fired: false,
                    ..values.conditions[d]
                };
                network.devices[d].law.currents(&volts, &condition)
            })
            .collect();
        let taps = &self.solver.pattern.port_taps;
        let mut columns = Vec::with_capacity(count);
        let mut turned = Matrix::zeros(count, count);
        for (q, &by) in glowing.iter().enumerate() {
            let mut column = Vec::new();
            point.column(taps[port(by)], &mut column);
            for (p, &at) in glowing.iter().enumerate() {
                let slope = state.currents[at].siemens[0][0] - leaks[p].siemens[0][0];
                turned[(p, q)] = -slope * taps[port(at)].of(&column);
            }
            turned[(q, q)] += 1.0;
            columns.push(column);
        }
        let mut lu = Lu::default();
        lu.factor(&turned).ok()?;
        let glow = glowing.iter().zip(&leaks);
        let mut amps: Vec<f64> = glow
            .map(|(&d, leak)| state.amps[port(d)] - leak.amps[0])
            .collect();
        lu.solve(&mut amps);
        let present = regulators.iter().filter(|&&d| values.present[d]);
        let mut all = present.map(|&d| {
            let condition = &values.conditions[d];
            let strike =
                strike_volts(&network.devices[d].law).unwrap_or(f64::INFINITY) * condition.volts;
            let tap = taps[port(d)];
            let rise: f64 = columns.iter().zip(&amps).map(|(c, i)| tap.of(c) * i).sum();
            let dark = state.volts[port(d)] + rise;
            if condition.fired {
                dark >= SURE_STRIKE * strike
            } else {
                state.volts[port(d)] < strike && SURE_STRIKE * dark < strike
            }
        });
        Some(all.all(|sure| sure))
    }
}
