//! An operating point: every voltage and current of one network, in one
//! situation, with one set of failures; and what a meter would read there.

mod balance;
mod joint;
pub(crate) mod known;
mod meter_load;
mod read;
mod sensitivities;
mod unchanged;

use std::cell::OnceCell;

use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::{Converged, Precision};
use crate::equations::pattern::NodalPattern;
use crate::error::SolveError;
use crate::network::{DeviceId, ElementId, Network};
use crate::overlay::{Change, Overlay};
use crate::scratch::Scratch;
use crate::situation::Values;
use crate::solve::solver::{Glow, Solver};
use crate::state::PortState;
use balance::StiffCurrents;
pub use joint::{JointSpread, Watched};
use known::Known;
use read::Adjoints;

/// Every voltage and current of a network in one state.
#[derive(Clone, Debug)]
pub struct OperatingPoint<'a> {
    known: &'a Known<'a>,
    solver: &'a Solver<'a>,
    pattern: &'a NodalPattern,
    expansion: &'a ExpansionPoint,
    overlay: Overlay,
    glow: Glow,
    precision: Precision,
    values: OnceCell<Values>,
    converged: Converged,
    stiff: OnceCell<StiffCurrents>,
    adjoints: Adjoints,
}

impl<'a> OperatingPoint<'a> {
    /// With `overlay` laid over the network and regulators as they `glow`, from an expansion point or from nothing.
    ///
    /// # Errors
    /// No operating point found.
    pub(crate) fn find(
        known: &'a Known<'a>,
        expansion: &'a ExpansionPoint,
        overlay: &[Change],
        glow: Glow,
        start: Option<&PortState>,
        precision: Precision,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let solver = &known.solver;
        let newton = &mut scratch.newton;
        let converged = solver.locate(expansion, overlay, &glow, start, precision, newton)?;
        Ok(Self {
            known,
            solver,
            pattern: &solver.pattern,
            expansion,
            overlay: overlay.to_vec(),
            glow,
            precision,
            values: OnceCell::new(),
            converged,
            stiff: OnceCell::new(),
            adjoints: Adjoints::default(),
        })
    }

    /// The point with a further change, relays held as they are: what glows keeps glowing, and what strikes then, strikes.
    fn beside(&self, overlay: &[Change], scratch: &mut Scratch) -> Option<Self> {
        let (known, at) = (self.known, self.expansion);
        let start = Some(&self.converged.state);
        let glow = self.glow.clone();
        let precision = self.precision;
        let found = Self::find(known, at, overlay, glow, start, precision, scratch).ok()?;
        known.strike(found, overlay, start, precision, scratch).ok()
    }

    /// Whether a regulator that is there is dark.
    fn has_dark_regulator(&self) -> bool {
        let mut regulators = self.solver.regulators.iter().zip(&self.glow);
        regulators.any(|(&d, glows)| !glows && self.values().present[d])
    }

    fn network(&self) -> &'a Network {
        self.solver.network
    }

    /// Which regulators glow, in the order of the solver's.
    pub(crate) fn glow(&self) -> &Glow {
        &self.glow
    }

    /// Which regulators glow, and where the devices and nodes are.
    pub(crate) fn into_parts(self) -> (Glow, Converged) {
        (self.glow, self.converged)
    }

    /// The port voltages and currents, to start a neighbouring solution from.
    pub fn state(&self) -> &PortState {
        &self.converged.state
    }

    /// What the elements and devices are at this point.
    pub fn values(&self) -> &Values {
        self.values.get_or_init(|| {
            let mut values = self.solver.values.clone();
            values.change_devices(self.network(), &self.overlay);
            values.change_elements(&self.overlay);
            self.solver.lay_glow(&self.glow, &mut values);
            values
        })
    }

    /// Voltage of a node against the common, volts.
    pub fn node_volts(&self, node: usize) -> f64 {
        self.pattern.tap(node, 0).of(&self.converged.unknowns)
    }

    /// Voltage across an element from its first node to its second, volts.
    pub fn element_volts(&self, id: ElementId) -> f64 {
        self.element_tap(id).of(&self.converged.unknowns)
    }

    /// Current through an element from its first node to its second, A.
    pub fn element_amps(&self, id: ElementId) -> f64 {
        let value = self.values().elements[id.0 as usize];
        match self.stiff_amps(id) {
            Some(amps) => amps,
            None => (self.element_volts(id) - value.emf) / value.ohms,
        }
    }

    /// Currents into the ports of a device, what leaks across its socket among them, A.
    pub fn device_amps(&self, id: DeviceId) -> &[f64] {
        let slot = self.network().device(id);
        &self.converged.state.amps[slot.first_port..slot.first_port + slot.ports.len()]
    }

    /// Port voltages of a device at the device itself (behind its pins), volts.
    pub fn device_volts(&self, id: DeviceId) -> &[f64] {
        let slot = self.network().device(id);
        &self.converged.state.volts[slot.first_port..slot.first_port + slot.ports.len()]
    }

    /// Whether a regulator glows.
    pub fn fired(&self, id: DeviceId) -> bool {
        self.values().conditions[id.0 as usize].fired
    }

    /// By relay, whether its coil has the current to pull in.
    pub fn energised_relays(&self) -> Vec<bool> {
        let relays = self.network().relays.iter();
        relays
            .map(|relay| self.element_amps(relay.coil).abs() >= relay.pulls_in)
            .collect()
    }

    /// Whether a contact passes current in this state.
    pub fn is_closed(&self, id: ElementId) -> bool {
        self.values().elements[id.0 as usize].ohms < 1e3
    }

    /// The share of a voltage that a meter of so many ohms leaves, tubes on their tangents.
    pub fn meter_share(&self, from: usize, to: usize, ohms: f64) -> f64 {
        let tap = self.pattern.tap(from, to);
        ohms / (ohms + self.ohms_between(tap, tap))
    }

    /// Resistance that a small current into `from` and out of `to` would meet, ohms, tubes working.
    pub fn source_ohms(&self, from: usize, to: usize, scratch: &mut Scratch) -> f64 {
        let tap = self.pattern.tap(from, to);
        self.column(tap, &mut scratch.column);
        tap.of(&scratch.column)
    }
}
