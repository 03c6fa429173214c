//! What a meter reads at a point found near a known one, and how that moves
//! with every tolerance.
//!
//! The adjoint is a = J⁻ᵀ m, with J the equations' slopes at the point. Every
//! parameter's part in a reading is then Σ term · (a₊ − a₋), a handful of
//! products that are the same for all readings of the point.

use std::cell::{OnceCell, RefCell};

use deadstage_parts::MAX_PORTS;

use super::OperatingPoint;
use super::meter_load::UnderLoad;
use super::sensitivities::SensitivityTerm;
use crate::continuation::expansion::MeterLoad;
use crate::equations::factors::Factors;
use crate::equations::pins::{Block, Pinned, pins};
use crate::equations::stamped::{Extra, StampedEquations};
use crate::equations::tap::Tap;
use crate::network::{DeviceId, ElementId, ParameterKind};
use crate::overlay::{Change, Overlay};
use crate::probe::{Flow, Probe};
use crate::scratch::Scratch;

/// Source resistance below this share of the meter's, and a drop below
/// [`LINEAR_DROP`], and a meter's load may be taken by proportion.
const LINEAR_LOAD: f64 = 0.02;

/// Volts; see [`LINEAR_LOAD`]. And what a drop may be where a reading is wanted as it is.
const LINEAR_DROP: f64 = 0.3;
const EXACT_DROP: f64 = 1e-3;

/// So many times as much as the reading may be off, a drop may be in its place: what a light load bends
/// a tube's currents by is a small share of what it takes.
const LINEAR_WITHIN: f64 = 3.0;

/// Or by so many volts, far less than the roundness of a grid's corner: what the meter sees does not change with them, and it may
/// be as much as the meter itself where no more than the reading is asked for.
const SMALL_DROP: f64 = 0.005;

/// What an adjoint is made of; made at first need.
#[derive(Clone, Debug, Default)]
pub(crate) struct Adjoints {
    factors: OnceCell<Option<RefCell<Factors>>>,
    pub(crate) terms: OnceCell<Vec<SensitivityTerm>>,
    pub(crate) joint_terms: OnceCell<Vec<SensitivityTerm>>,
    pub(crate) traits: OnceCell<Vec<[f64; MAX_PORTS]>>,
    /// By device, what its ports reach at the point.
    pub(crate) reaches: OnceCell<Vec<OnceCell<[f64; MAX_PORTS]>>>,
    /// Meters whose load was stamped over the point.
    pub(crate) loads: RefCell<Vec<UnderLoad>>,
}

impl OperatingPoint<'_> {
    /// The factors of the equations at this point; `None`: singular.
    fn factors(&self) -> Option<&RefCell<Factors>> {
        let factors = self.adjoints.factors.get_or_init(|| {
            let (mut factors, extras) = self.slopes_here()?;
            factors.finish(&self.pattern.elimination, &extras)?;
            Some(RefCell::new(factors))
        });
        factors.as_ref()
    }

    /// The equations' slopes at this point, not factored yet, and the paths that have no place among them.
    pub(crate) fn slopes_here(&self) -> Option<(Factors, Vec<Extra>)> {
        let network = self.network();
        let values = self.values();
        let mut stamped = StampedEquations::default();
        self.pattern.lay(
            network,
            &self.overlay,
            values,
            &self.expansion.stamped,
            &mut stamped,
        );
        self.expansion
            .sum_stamped(network, self.pattern, &mut stamped);
        let mut factors = Factors::default();
        let matrix = factors.begin(&stamped);
        let currents = &self.converged.state.currents;
        for (device, (slot, now)) in network.devices.iter().zip(currents).enumerate() {
            let then = &self.expansion.linearisations[device].currents.siemens;
            let mut slopes: Block = now.siemens;
            if let Some(pins) = pins(values, device, slot.first_port, slot.ports.len()) {
                slopes = Pinned::new(device, pins, &slopes)?.through;
            }
            if slopes != *then {
                self.pattern.socket(device).turn(&slopes, then, matrix);
            }
        }
        Some((factors, stamped.extras))
    }

    /// What a current through a tap does to every node: J⁻¹ u.
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        self.columns(&[(tap, 1.0)], column);
    }

    /// What currents through several taps do together to every node, each by its weight.
    pub(crate) fn columns(&self, taps: &[(Tap, f64)], column: &mut Vec<f64>) {
        self.fill(taps, column);
        if let Some(factors) = self.factors() {
            let mut factors = factors.borrow_mut();
            factors.solve(&self.pattern.elimination, column);
        }
    }

    /// What a current into every node does to what `taps` watch together, each by its weight.
    pub(crate) fn row(&self, taps: &[(Tap, f64)], row: &mut Vec<f64>) {
        self.fill(taps, row);
        if let Some(factors) = self.factors() {
            let mut factors = factors.borrow_mut();
            factors.solve_transposed(&self.pattern.elimination, row);
        }
    }

    /// What a current through one tap does to another, uᵀ J⁻¹ v, ohms.
    pub(crate) fn ohms_between(&self, at: Tap, by: Tap) -> f64 {
        self.factors().map_or(0.0, |factors| {
            factors
                .borrow_mut()
                .between(&self.pattern.elimination, at, by)
        })
    }

    /// What a current into each of a device's ports does to the others, where that stands in the inverse.
    pub(crate) fn ohms_of(&self, device: usize) -> Option<Block> {
        let mut factors = self.factors()?.borrow_mut();
        let inverse = factors.inverse(&self.pattern.elimination)?;
        Some(self.pattern.socket(device).ohms(inverse))
    }

    fn fill(&self, taps: &[(Tap, f64)], vector: &mut Vec<f64>) {
        vector.clear();
        vector.resize(self.converged.unknowns.len(), 0.0);
        for &(tap, weight) in taps {
            tap.add_to(vector, weight);
        }
    }

    pub(crate) fn adjoint(&self, taps: &[(Tap, f64)], scratch: &mut Scratch) {
        self.row(taps, &mut scratch.adjoint);
    }

    /// What `probe` reads, and where asked for, its change with every parameter of the network
    /// (in [`Network::parameters`](crate::Network::parameters) order; the reading's unit by the parameter's measure).
    /// A meter with whose load no operating point is found is taken by its share of the voltage.
    pub fn read(
        &self,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        self.read_to_within(0.0, probe, scratch, gradient)
    }

    /// As [`read`](Self::read), but where a meter's reading differs from that at
    /// the known point by no more than `within` volts, it is told from that one
    /// by proportion, and its changes are those that it had there.
    pub fn read_to_within(
        &self,
        within: f64,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        match *probe {
            Probe::Volts { from, to, load } => {
                self.read_volts((from, to), load, within, scratch, gradient)
            }
            Probe::Ohms { from, to } => {
                self.read_ohms(self.pattern.tap(from, to), scratch, gradient)
            }
            Probe::Amps(Flow::Element(id)) => self.read_element_amps(id, scratch, gradient),
            Probe::Amps(Flow::Port(device, port)) => {
                self.read_port_amps(device, port, scratch, gradient)
            }
        }
    }

    pub(crate) fn read_volts(
        &self,
        (from, to): (usize, usize),
        load: Option<f64>,
        within: f64,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        let tap = self.pattern.tap(from, to);
        let bare = tap.of(&self.converged.unknowns);
        if load.is_none() && gradient.is_none() {
            return bare;
        }
        let mut gradient = gradient;
        if let Some(ohms) = load
            && within > 0.0
            && let Some(shown) =
                self.read_known_load(MeterLoad { from, to, ohms }, gradient.as_deref_mut())
        {
            return shown;
        }
        let mut share = 1.0;
        if let Some(meter) = load {
            let source = self.ohms_between(tap, tap);
            share = meter / (meter + source);
            let load = MeterLoad {
                from,
                to,
                ohms: meter,
            };
            let drop = (bare * (1.0 - share)).abs();
            let is_small = within > 0.0 && drop < SMALL_DROP.max(LINEAR_WITHIN * within);
            let linear_drop = if within > 0.0 {
                LINEAR_DROP
            } else {
                EXACT_DROP
            };
            let is_soft = source.abs() >= LINEAR_LOAD * meter;
            let is_light =
                !is_soft && (drop < linear_drop || is_small) || is_small && gradient.is_none();
            if within > 0.0
                && let Some((shown, known)) = self.read_unmoved(load, source, within)
            {
                if let Some(gradient) = gradient {
                    gradient.clone_from(&known.gradient);
                }
                return shown;
            }
            if !is_light {
                let is_followed = within > 0.0 && !self.has_dark_regulator();
                if is_followed {
                    self.adjoint(&[(tap, 1.0)], scratch);
                }
                if is_followed
                    && let Some(shown) =
                        self.read_under_load(load, scratch, gradient.as_deref_mut())
                {
                    return shown;
                }
                // The meter is one more part of the circuit.
                let mut overlay: Overlay = self.overlay.clone();
                let ohms = meter;
                overlay.push(Change::Shunt { from, to, ohms });
                if let Some(loaded) = self.beside(&overlay, scratch) {
                    return loaded.read_volts((from, to), None, 0.0, scratch, gradient);
                }
            }
        }
        if let Some(gradient) = gradient {
            self.adjoint(&[(tap, 1.0)], scratch);
            self.gradient(&scratch.adjoint, share, gradient);
        }
        bare * share
    }

    fn read_ohms(&self, tap: Tap, scratch: &mut Scratch, gradient: Option<&mut Vec<f64>>) -> f64 {
        debug_assert!(
            !self.solver.situation.power,
            "ohms are taken with the power off"
        );
        if gradient.is_none() {
            return self.ohms_between(tap, tap);
        }
        self.adjoint(&[(tap, 1.0)], scratch);
        if let Some(gradient) = gradient {
            let change = |id: ElementId| {
                let seen = self.element_tap(id).of(&scratch.adjoint);
                seen * seen / self.values().elements[id.0 as usize].ohms
            };
            gradient.clear();
            gradient.extend(self.network().parameters.iter().map(|p| match &p.kind {
                ParameterKind::Ohms(elements) => elements.iter().map(|&id| change(id)).sum(),
                ParameterKind::Wiper(upper, lower) => {
                    let (up, down) = self.wiper(*upper, *lower);
                    change(*upper) * up - change(*lower) * down
                }
                ParameterKind::Emf(_) | ParameterKind::Line | ParameterKind::Device(..) => 0.0,
            }));
        }
        tap.of(&scratch.adjoint)
    }

    fn read_element_amps(
        &self,
        id: ElementId,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        let value = self.values().elements[id.0 as usize];
        let amps = self.element_amps(id);
        if let Some(gradient) = gradient {
            self.adjoint(&[(self.element_tap(id), 1.0)], scratch);
            self.gradient(&scratch.adjoint, 1.0 / value.ohms, gradient);
            {
                let source = value.emf / value.ohms;
                for (entry, parameter) in gradient.iter_mut().zip(&self.network().parameters) {
                    match &parameter.kind {
                        ParameterKind::Ohms(elements) if elements.contains(&id) => *entry -= amps,
                        ParameterKind::Wiper(upper, lower) if *upper == id || *lower == id => {
                            let (up, down) = self.wiper(*upper, *lower);
                            *entry += if *upper == id {
                                -amps * up
                            } else {
                                amps * down
                            };
                        }
                        ParameterKind::Emf(e) if *e == id => *entry -= source,
                        ParameterKind::Line if self.follows_line(id) => *entry -= source,
                        _ => {}
                    }
                }
            }
        }
        amps
    }

    /// The current into a device's port, i = i(v): what its slopes make of the
    /// socket's voltages, and what its own traits do.
    fn read_port_amps(
        &self,
        id: DeviceId,
        port: usize,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        let slot = self.network().device(id);
        let amps = self.converged.state.amps[slot.first_port + port];
        if let Some(gradient) = gradient {
            let mut row = [0.0; MAX_PORTS];
            row[port] = 1.0;
            self.behind_pins(id, &mut row, true);
            let slopes = &self.converged.state.currents[id.0 as usize].siemens;
            let taps: Vec<(Tap, f64)> = (0..slot.ports.len())
                .map(|q| {
                    let by: f64 = row.iter().zip(slopes).map(|(r, s)| r * s[q]).sum();
                    (self.pattern.port_taps[slot.first_port + q], by)
                })
                .collect();
            self.adjoint(&taps, scratch);
            self.gradient(&scratch.adjoint, 1.0, gradient);
            let parameters = self.network().parameters.iter().zip(self.traits());
            for (entry, (parameter, moved)) in gradient.iter_mut().zip(parameters) {
                if matches!(parameter.kind, ParameterKind::Device(device, _) if device == id) {
                    *entry += moved[port];
                }
            }
        }
        amps
    }

    pub(crate) fn element_tap(&self, id: ElementId) -> Tap {
        let element = self.network().element(id);
        self.pattern.tap(element.from, element.to)
    }
}
