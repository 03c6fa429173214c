//! What a meter reads at a point found near a known one, and how that moves
//! with every tolerance.
//!
//! The adjoint is a = mᵀ B'', with B'' = B' − C N (M + K N)⁻¹ L: the slopes
//! of the devices that left their tangents are one more update. Every
//! parameter's part in a reading is then Σ drive · (a₊ − a₋), a handful of
//! products that are the same for all readings of the point.

use std::cell::{OnceCell, RefCell};

use deadstage_parts::MAX_PORTS;

use super::NearPoint;
use super::centre::{Load, add_scaled};
use super::drives::Drive;
use super::load::UnderLoad;
use super::newton::{Settling, blocks};
use crate::base::Scratch;
use crate::dense::{Lu, Matrix};
use crate::linear::Tap;
use crate::network::{DeviceId, ElementId, ParameterKind};
use crate::overlay::{Change, Overlay};
use crate::probe::{Flow, Probe};

/// Source resistance below this share of the meter's, and a drop below
/// [`LINEAR_DROP`], and a meter's load may be taken by proportion.
const LINEAR_LOAD: f64 = 0.02;

/// Volts; see [`LINEAR_LOAD`].
const LINEAR_DROP: f64 = 0.3;

/// What an adjoint is made of; made at first need.
#[derive(Clone, Debug, Default)]
pub(super) struct Adjoints {
    parts: OnceCell<Parts>,
    pub(super) drives: OnceCell<Vec<Drive>>,
    pub(super) traits: OnceCell<Vec<[f64; MAX_PORTS]>>,
    /// By device, what its ports reach with every device on its tangent at the point.
    pub(super) reaches: OnceCell<Vec<OnceCell<[f64; MAX_PORTS]>>>,
    /// Meters whose load was laid over the point.
    pub(super) loads: RefCell<Vec<UnderLoad>>,
}

#[derive(Clone, Debug)]
pub(super) struct Parts {
    /// L: uᵀ B' for every active port.
    pub(super) rows: Vec<Vec<f64>>,
    /// N (M + K N)⁻¹.
    pub(super) turn: Matrix,
}

impl NearPoint<'_> {
    pub(super) fn parts(&self) -> &Parts {
        self.adjoints.parts.get_or_init(|| {
            let active = &self.settled.active;
            let rows = active
                .ports
                .iter()
                .map(|&p| {
                    let mut row = Vec::new();
                    self.centre.row(self.base.linear.port_taps[p], &mut row);
                    self.update.correct_row(&mut row);
                    row
                })
                .collect();
            let currents: Vec<_> = active
                .devices
                .iter()
                .map(|&d| self.settled.state.currents[d])
                .collect();
            let count = active.ports.len();
            let mut jacobian = Matrix::default();
            let settling = Settling {
                base: self.base,
                centre: self.centre,
                values: &self.values,
                update: &self.update,
            };
            settling.jacobian(active, &currents, &mut jacobian);
            let mut turn = Matrix::zeros(count, count);
            let mut lu = Lu::default();
            if lu.factor(&jacobian).is_err() {
                return Parts { rows, turn };
            }
            let mut at = 0;
            for (&device, now) in active.devices.iter().zip(&currents) {
                let slot = &self.base.network.devices[device];
                let then = &self.centre.state.currents[device];
                let (_, n) = blocks(&self.values, device, slot, now, then);
                let ports = slot.ports.len();
                for (p, n) in n.iter().enumerate().take(ports) {
                    let row = turn.row_mut(at + p);
                    row[at..at + ports].copy_from_slice(&n[..ports]);
                    lu.solve_transposed(row);
                }
                at += ports;
            }
            Parts { rows, turn }
        })
    }

    /// Turns a = mᵀ B' into mᵀ B'', given Mᵀ C.
    pub(super) fn turn(&self, to_active: &[f64], a: &mut [f64]) {
        if to_active.is_empty() {
            return;
        }
        let parts = self.parts();
        for (j, row) in parts.rows.iter().enumerate() {
            let weight: f64 = to_active
                .iter()
                .enumerate()
                .map(|(i, seen)| seen * parts.turn[(i, j)])
                .sum();
            add_scaled(a, -weight, row);
        }
    }

    /// The change of what `taps` watch together, each by its weight, by a current into every node.
    pub(super) fn adjoint(&self, taps: &[(Tap, f64)], scratch: &mut Scratch) {
        let Scratch {
            adjoint,
            column,
            weights,
            ..
        } = scratch;
        adjoint.clear();
        adjoint.resize(self.settled.unknowns.len(), 0.0);
        weights.clear();
        weights.resize(self.settled.active.ports.len(), 0.0);
        for &(tap, weight) in taps {
            self.centre.row(tap, column);
            add_scaled(adjoint, weight, column);
            for (seen, c) in weights.iter_mut().zip(&self.settled.active.columns) {
                *seen += weight * tap.of(c);
            }
        }
        self.update.correct_row(adjoint);
        self.turn(weights, adjoint);
    }

    /// What `probe` reads, and where asked for, its change with every parameter of the network
    /// (in [`Network::parameters`](crate::Network::parameters) order; the reading's unit by the parameter's measure).
    /// `None`: a meter's load takes the network further than can be followed from here.
    pub fn read(
        &self,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
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
    ) -> Option<f64> {
        match *probe {
            Probe::Volts {
                from,
                to,
                load: Some(ohms),
            } if within > 0.0 => {
                let load = Load { from, to, ohms };
                if let Some((shown, known)) = self.read_unmoved(load, within) {
                    if let Some(gradient) = gradient {
                        gradient.clone_from(&known.gradient);
                    }
                    return Some(shown);
                }
                self.read_volts((from, to), Some(ohms), scratch, gradient)
            }
            Probe::Volts { from, to, load } => self.read_volts((from, to), load, scratch, gradient),
            Probe::Ohms { from, to } => {
                Some(self.read_ohms(Tap::between(from, to), scratch, gradient))
            }
            Probe::Amps(Flow::Element(id)) => Some(self.read_element_amps(id, scratch, gradient)),
            Probe::Amps(Flow::Port(device, port)) => {
                Some(self.read_port_amps(device, port, scratch, gradient))
            }
        }
    }

    pub(super) fn read_volts(
        &self,
        (from, to): (usize, usize),
        load: Option<f64>,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
        let tap = Tap::between(from, to);
        let bare = tap.of(&self.settled.unknowns);
        if load.is_none() && gradient.is_none() {
            return Some(bare);
        }
        let mut gradient = gradient;
        if let Some(ohms) = load
            && let Some(shown) =
                self.read_known_load(Load { from, to, ohms }, gradient.as_deref_mut())
        {
            return Some(shown);
        }
        self.adjoint(&[(tap, 1.0)], scratch);
        let mut share = 1.0;
        if let Some(meter) = load {
            let source = tap.of(&scratch.adjoint);
            share = meter / (meter + source);
            if source.abs() >= LINEAR_LOAD * meter || (bare * (1.0 - share)).abs() >= LINEAR_DROP {
                let load = Load {
                    from,
                    to,
                    ohms: meter,
                };
                if let Some((shown, known)) = self.read_unmoved(load, 0.0) {
                    if let Some(gradient) = gradient {
                        gradient.clone_from(&known.gradient);
                    }
                    return Some(shown);
                }
                let found = self.read_under_load(load, scratch, gradient.as_deref_mut());
                if found.is_some() {
                    return found;
                }
                // The meter is one more part of the circuit.
                let mut overlay: Overlay = self.overlay.clone();
                overlay.push(Change::Shunt {
                    from,
                    to,
                    ohms: meter,
                });
                let loaded = self.beside(overlay, scratch)?;
                return loaded.read_volts((from, to), None, scratch, gradient);
            }
        }
        if let Some(gradient) = gradient {
            self.gradient(&scratch.adjoint, share, gradient);
        }
        Some(bare * share)
    }

    fn read_ohms(&self, tap: Tap, scratch: &mut Scratch, gradient: Option<&mut Vec<f64>>) -> f64 {
        debug_assert!(
            !self.base.situation().power,
            "ohms are taken with the power off"
        );
        self.adjoint(&[(tap, 1.0)], scratch);
        if let Some(gradient) = gradient {
            let change = |id: ElementId| {
                let value = self.values.elements[id.0 as usize];
                let seen = self.element_tap(id).of(&scratch.adjoint);
                let weight = match (value.stiff, value.ohms.is_finite()) {
                    (true, true) => value.ohms,
                    (true, false) => 0.0,
                    (false, _) => 1.0 / value.ohms,
                };
                seen * seen * weight
            };
            gradient.clear();
            gradient.extend(self.base.network.parameters.iter().map(|p| match &p.kind {
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
        let value = self.values.elements[id.0 as usize];
        let amps = self.element_amps(id);
        if let Some(gradient) = gradient {
            self.adjoint(&[(self.element_tap(id), 1.0)], scratch);
            let scale = if value.stiff { 1.0 } else { 1.0 / value.ohms };
            self.gradient(&scratch.adjoint, scale, gradient);
            if !value.stiff {
                let source = value.emf / value.ohms;
                for (entry, parameter) in gradient.iter_mut().zip(&self.base.network.parameters) {
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
        let slot = self.base.network.device(id);
        let amps = self.settled.state.amps[slot.first_port + port];
        if let Some(gradient) = gradient {
            let mut row = [0.0; MAX_PORTS];
            row[port] = 1.0;
            self.behind_pins(id, &mut row, true);
            let slopes = &self.settled.state.currents[id.0 as usize].siemens;
            let taps: Vec<(Tap, f64)> = (0..slot.ports.len())
                .map(|q| {
                    let by: f64 = row.iter().zip(slopes).map(|(r, s)| r * s[q]).sum();
                    (self.base.linear.port_taps[slot.first_port + q], by)
                })
                .collect();
            self.adjoint(&taps, scratch);
            self.gradient(&scratch.adjoint, 1.0, gradient);
            let parameters = self.base.network.parameters.iter().zip(self.traits());
            for (entry, (parameter, moved)) in gradient.iter_mut().zip(parameters) {
                if matches!(parameter.kind, ParameterKind::Device(device, _) if device == id) {
                    *entry += moved[port];
                }
            }
        }
        amps
    }

    pub(super) fn element_tap(&self, id: ElementId) -> Tap {
        self.base.linear.taps[id.0 as usize]
    }
}
