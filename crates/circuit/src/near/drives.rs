//! What every tolerance does at a point: the drives that an adjoint is weighed with.
//!
//! A parameter's part in a reading is Σ drive · (a₊ − a₋): the current that its
//! change drives, at the tap where it does. The drives are the same for all readings
//! of a point, and those of a device that has hardly moved are known from elsewhere.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts, Trait};

use super::NearPoint;
use crate::dense::{Lu, Matrix};
use crate::linear::Tap;
use crate::network::{DeviceId, ElementId, ElementRole, Network, ParameterKind};

/// Step of a trait's own measure for its derivative by a difference to one side.
const TRAIT_STEP: f64 = 1e-6;

/// A device of which no current and no slope changed by more than these ratios moves with its traits as it did.
const ALIKE: (f64, f64) = (0.005, 0.005);

/// A current that differs by less than this is the same, amperes.
const LEAST_AMPS: f64 = 1e-13;

/// One product of the sum that a parameter's part is.
#[derive(Clone, Copy, Debug)]
pub(super) struct Drive {
    parameter: usize,
    tap: Tap,
    amount: f64,
}

/// Volts at a device's own electrodes, and its currents there.
type Place = (PortVolts, [f64; MAX_PORTS]);

/// Where a device is, at its own electrodes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Origin {
    pub(super) volts: PortVolts,
    pub(super) currents: PortCurrents,
}

/// Σ drive · (a₊ − a₋) over the drives of every parameter, times `scale`.
pub(super) fn add_up(
    drives: &[Drive],
    a: &[f64],
    scale: f64,
    network: &Network,
    gradient: &mut Vec<f64>,
) {
    gradient.clear();
    gradient.resize(network.parameters.len(), 0.0);
    for drive in drives {
        gradient[drive.parameter] += scale * drive.amount * drive.tap.of(a);
    }
}

impl NearPoint<'_> {
    pub(super) fn follows_line(&self, id: ElementId) -> bool {
        matches!(
            self.base.network.element(id).role,
            ElementRole::Source { follows_line: true }
        )
    }

    /// Factors of the two halves' logarithms for a wiper's travel.
    pub(super) fn wiper(&self, upper: ElementId, lower: ElementId) -> (f64, f64) {
        let ohms = |id: ElementId| self.values().elements[id.0 as usize].ohms;
        let track = ohms(upper) + ohms(lower);
        if track.is_finite() {
            (track / ohms(upper), track / ohms(lower))
        } else {
            (0.0, 0.0)
        }
    }

    /// (1 + J R)⁻¹ δ: what a change δ of a device's currents is behind the
    /// resistance of its pins; of a row r, r (1 + J R)⁻¹.
    pub(super) fn behind_pins(&self, id: DeviceId, vector: &mut [f64; MAX_PORTS], is_row: bool) {
        let slot = self.base.network.device(id);
        let ports = slot.ports.len();
        let own = &self.values().port_ohms[slot.first_port..slot.first_port + ports];
        let common = self.values().common_ohms[id.0 as usize];
        if common == 0.0 && own.iter().all(|r| *r == 0.0) {
            return;
        }
        let slopes = &self.settled.state.currents[id.0 as usize].siemens;
        let mut matrix = Matrix::zeros(ports, ports);
        for p in 0..ports {
            let total: f64 = slopes[p][..ports].iter().sum();
            for q in 0..ports {
                matrix[(p, q)] = slopes[p][q] * own[q] + total * common;
            }
            matrix[(p, p)] += 1.0;
        }
        let mut lu = Lu::default();
        if lu.factor(&matrix).is_ok() {
            if is_row {
                lu.solve_transposed(&mut vector[..ports]);
            } else {
                lu.solve(&mut vector[..ports]);
            }
        }
    }

    /// By parameter, what a trait does to its device's port currents, as the sockets see it.
    pub(super) fn traits(&self) -> &[[f64; MAX_PORTS]] {
        self.adjoints.traits.get_or_init(|| {
            let state = &self.settled.state;
            self.traits_from(&self.centre.traits, |id| {
                let index = id.0 as usize;
                let slot = self.base.network.device(id);
                let range = slot.first_port..slot.first_port + slot.ports.len();
                let unchanged = self.values().conditions[index]
                    == self.centre.values.conditions[index]
                    && self.values().present[index] == self.centre.values.present[index]
                    && self.values().common_ohms[index] == 0.0
                    && self.values().port_ohms[range.clone()]
                        .iter()
                        .all(|r| *r == 0.0);
                let mut now = state.currents[index];
                now.amps[..slot.ports.len()].copy_from_slice(&state.amps[range.clone()]);
                if unchanged && acts_alike(&now, &self.centre.state.currents[index]) {
                    return None;
                }
                let mut volts = [0.0; MAX_PORTS];
                volts[..slot.ports.len()].copy_from_slice(&state.volts[range]);
                Some(volts)
            })
        })
    }

    /// Traits of the devices that `moved_to` gives new voltages for, and those `known` of the others.
    fn traits_from(
        &self,
        known: &[[f64; MAX_PORTS]],
        mut moved_to: impl FnMut(DeviceId) -> Option<PortVolts>,
    ) -> Vec<[f64; MAX_PORTS]> {
        let network = self.base.network;
        let mut last: Option<(DeviceId, Option<Place>)> = None;
        network
            .parameters
            .iter()
            .zip(known)
            .map(|(parameter, known)| {
                let ParameterKind::Device(id, of) = parameter.kind else {
                    return *known;
                };
                let index = id.0 as usize;
                if !self.values().present[index] {
                    return [0.0; MAX_PORTS];
                }
                let (law, condition) = (&network.device(id).law, &self.values().conditions[index]);
                let (_, fresh) = match &mut last {
                    Some(last) if last.0 == id => last,
                    _ => last.insert((
                        id,
                        moved_to(id).map(|volts| (volts, law.currents(&volts, condition).amps)),
                    )),
                };
                let Some((volts, here)) = fresh else {
                    return *known;
                };
                let above = law.currents(volts, &condition.moved(of, TRAIT_STEP)).amps;
                let mut moved = std::array::from_fn(|p| (above[p] - here[p]) / TRAIT_STEP);
                self.behind_pins(id, &mut moved, false);
                moved
            })
            .collect()
    }

    pub(super) fn gradient(&self, a: &[f64], scale: f64, gradient: &mut Vec<f64>) {
        add_up(self.drives(), a, scale, self.base.network, gradient);
    }

    fn drives(&self) -> &[Drive] {
        self.adjoints
            .drives
            .get_or_init(|| self.drives_with(|id| self.element_amps(id), self.traits()))
    }

    /// The drives where elements have these currents and some devices have moved on.
    pub(super) fn drives_of(
        &self,
        amps: impl Fn(ElementId) -> f64,
        moved: &mut dyn FnMut(usize) -> Option<Origin>,
    ) -> Vec<Drive> {
        let traits = self.traits_from(self.traits(), |id| {
            let index = id.0 as usize;
            let origin = moved(index)?;
            let mut here = self.settled.state.currents[index];
            let slot = self.base.network.device(id);
            let range = slot.first_port..slot.first_port + slot.ports.len();
            here.amps[..slot.ports.len()].copy_from_slice(&self.settled.state.amps[range]);
            (!acts_alike(&origin.currents, &here)).then_some(origin.volts)
        });
        self.drives_with(amps, &traits)
    }

    fn drives_with(
        &self,
        amps: impl Fn(ElementId) -> f64,
        traits: &[[f64; MAX_PORTS]],
    ) -> Vec<Drive> {
        let network = self.base.network;
        let mut drives = Vec::with_capacity(2 * network.parameters.len());
        let by_ohms = |id: ElementId| amps(id);
        let by_emf = |id: ElementId| {
            let value = self.values().elements[id.0 as usize];
            value.emf / value.ohms
        };
        let mut line = None;
        for ((parameter, kind), moved) in network
            .parameters
            .iter()
            .map(|p| &p.kind)
            .enumerate()
            .zip(traits)
        {
            let mut add = |parameter: usize, tap: Tap, amount: f64| {
                if amount != 0.0 {
                    drives.push(Drive {
                        parameter,
                        tap,
                        amount,
                    });
                }
            };
            match kind {
                ParameterKind::Ohms(elements) => {
                    for &id in elements {
                        add(parameter, self.element_tap(id), by_ohms(id));
                    }
                }
                ParameterKind::Wiper(upper, lower) => {
                    let (up, down) = self.wiper(*upper, *lower);
                    add(parameter, self.element_tap(*upper), up * by_ohms(*upper));
                    add(parameter, self.element_tap(*lower), -down * by_ohms(*lower));
                }
                ParameterKind::Emf(id) => add(parameter, self.element_tap(*id), by_emf(*id)),
                ParameterKind::Line => {
                    line = Some(parameter);
                    for (index, _) in (0u32..).zip(&network.elements) {
                        let id = ElementId(index);
                        if self.follows_line(id) {
                            add(parameter, self.element_tap(id), by_emf(id));
                        }
                    }
                }
                ParameterKind::Device(id, of) => {
                    let slot = network.device(*id);
                    for (p, amps) in moved.iter().enumerate().take(slot.ports.len()) {
                        let tap = self.frame.port_taps[slot.first_port + p];
                        add(parameter, tap, -amps);
                        if let (Some(line), Trait::Volts, true) = (line, of, slot.follows_line) {
                            add(line, tap, -amps);
                        }
                    }
                }
            }
        }
        drives
    }
}

/// Whether a device carries so nearly the same currents, and answers its ports so nearly alike,
/// that its traits move it as they did.
fn acts_alike(now: &PortCurrents, then: &PortCurrents) -> bool {
    differ_less(now, then, ALIKE)
}

/// Whether no current and no slope differs by more than these ratios.
pub(super) fn differ_less(now: &PortCurrents, then: &PortCurrents, ratios: (f64, f64)) -> bool {
    let largest = |currents: &PortCurrents| {
        let all = currents.siemens.iter().flatten();
        all.fold(0.0f64, |most, s| most.max(s.abs()))
    };
    let floor = ratios.1 * largest(then);
    let amps = now.amps.iter().zip(&then.amps);
    let slopes = now.siemens.iter().flatten();
    let mut amps = amps;
    amps.all(|(a, b)| (a - b).abs() <= LEAST_AMPS + ratios.0 * b.abs())
        && slopes
            .zip(then.siemens.iter().flatten())
            .all(|(a, b)| (a - b).abs() <= floor + ratios.1 * b.abs())
}
