//! What every tolerance does at a point: the terms that an adjoint is weighed with.
//!
//! A parameter's part in a reading is Σ term · (a₊ − a₋): the current that its
//! change terms, at the tap where it does. The terms are the same for all readings
//! of a point, and those of a device that has hardly moved are known from elsewhere.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts, Trait};

use super::OperatingPoint;
use crate::continuation::newton::Precision;
use crate::equations::tap::Tap;
use crate::linalg::dense::{Lu, Matrix};
use crate::network::{DeviceId, ElementId, ElementRole, Network, ParameterKind};
use crate::situation::{INSULATION_SIEMENS, Values};

/// ConductanceChange of a trait's own measure for its derivative by a difference to one side.
const TRAIT_STEP: f64 = 1e-6;

/// A device of which no current and no slope changed by more than these ratios moves with its traits as it did.
const ALIKE: (f64, f64) = (0.005, 0.005);

/// The same where many readings are looked at together, in each of which a device's traits are one thing of many: what a
/// trait does goes nearly with the current.
const NEARLY_ALIKE: (f64, f64) = (0.04, 0.04);

/// A current that differs by less than this is the same, amperes.
const LEAST_AMPS: f64 = 1e-13;

/// Below this a current's ratio says nothing, amperes.
const SOME_AMPS: f64 = 1e-11;

/// One product of the sum that a parameter's part is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct SensitivityTerm {
    pub(super) parameter: usize,
    pub(super) tap: Tap,
    pub(super) amount: f64,
}

/// How a device has moved from where its traits are known.
enum Moved {
    /// By port, its current by this ratio and no further: what a trait does there goes with it.
    Along([f64; MAX_PORTS]),
    /// To these volts at its own electrodes.
    To(PortVolts),
}

/// Where a device is, at its own electrodes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Origin {
    pub(crate) volts: PortVolts,
    pub(crate) currents: PortCurrents,
}

/// Σ term · (a₊ − a₋) over the terms of every parameter, times `scale`.
pub(crate) fn add_up(
    terms: &[SensitivityTerm],
    a: &[f64],
    scale: f64,
    network: &Network,
    gradient: &mut Vec<f64>,
) {
    gradient.clear();
    gradient.resize(network.parameters.len(), 0.0);
    for term in terms {
        gradient[term.parameter] += scale * term.amount * term.tap.of(a);
    }
}

impl OperatingPoint<'_> {
    pub(crate) fn follows_line(&self, id: ElementId) -> bool {
        matches!(
            self.network().element(id).role,
            ElementRole::Source { follows_line: true }
        )
    }

    /// Factors of the two halves' logarithms for a wiper's travel.
    pub(crate) fn wiper(&self, upper: ElementId, lower: ElementId) -> (f64, f64) {
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
    pub(crate) fn behind_pins(&self, id: DeviceId, vector: &mut [f64; MAX_PORTS], is_row: bool) {
        let slot = self.network().device(id);
        let ports = slot.ports.len();
        let own = &self.values().port_ohms[slot.first_port..slot.first_port + ports];
        let common = self.values().common_ohms[id.0 as usize];
        if common == 0.0 && own.iter().all(|r| *r == 0.0) {
            return;
        }
        let slopes = &self.converged.state.currents[id.0 as usize].siemens;
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
    pub(crate) fn traits(&self) -> &[[f64; MAX_PORTS]] {
        self.adjoints.traits.get_or_init(|| self.find_traits(ALIKE))
    }

    /// The same, of devices that act alike to within these ratios as at the expansion point, there.
    fn find_traits(&self, alike: (f64, f64)) -> Vec<[f64; MAX_PORTS]> {
        let state = &self.converged.state;
        self.traits_from(self.expansion_traits(), |id| {
            let index = id.0 as usize;
            let slot = self.network().device(id);
            let range = slot.first_port..slot.first_port + slot.ports.len();
            let unchanged = self.values().conditions[index]
                == self.expansion.values.conditions[index]
                && self.values().present[index] == self.expansion.values.present[index]
                && self.values().common_ohms[index] == 0.0
                && self.values().port_ohms[range.clone()]
                    .iter()
                    .all(|r| *r == 0.0);
            let mut now = state.currents[index];
            now.amps[..slot.ports.len()].copy_from_slice(&state.amps[range.clone()]);
            let then = &self.expansion.state.currents[index];
            if unchanged && self.acts_alike(&now, then, alike) {
                return Moved::Along(std::array::from_fn(|p| {
                    let (now, then) = (now.amps[p], then.amps[p]);
                    let is_any = then.abs() > SOME_AMPS;
                    if is_any { now / then } else { 1.0 }
                }));
            }
            let mut volts = [0.0; MAX_PORTS];
            volts[..slot.ports.len()].copy_from_slice(&state.volts[range]);
            Moved::To(volts)
        })
    }

    /// The same at the expansion point.
    fn expansion_traits(&self) -> &[[f64; MAX_PORTS]] {
        let (network, at) = (self.network(), self.expansion);
        at.traits.get_or_init(|| {
            let parameters = network.parameters.iter();
            parameters
                .map(|parameter| match parameter.kind {
                    ParameterKind::Device(id, of) => {
                        let index = id.0 as usize;
                        let (volts, values) = (&at.linearisations[index].volts, &at.values);
                        let here = values.device_currents(network, index, volts);
                        trait_amps(network, values, (id, of), volts, &here.amps)
                    }
                    _ => [0.0; MAX_PORTS],
                })
                .collect()
        })
    }

    /// Whether a device carries so nearly the same currents, and answers its ports so nearly alike,
    /// that its traits move it as they did: to within these ratios where readings are all that is asked for.
    fn acts_alike(&self, now: &PortCurrents, then: &PortCurrents, alike: (f64, f64)) -> bool {
        match self.precision {
            Precision::Currents => now == then,
            Precision::Readings => differ_less(now, then, alike),
        }
    }

    /// Traits of the devices as they have `moved`, and those `known` of the others.
    fn traits_from(
        &self,
        known: &[[f64; MAX_PORTS]],
        mut moved: impl FnMut(DeviceId) -> Moved,
    ) -> Vec<[f64; MAX_PORTS]> {
        let network = self.network();
        let values = self.values();
        let mut last: Option<(DeviceId, Moved, [f64; MAX_PORTS])> = None;
        network
            .parameters
            .iter()
            .zip(known)
            .map(|(parameter, known)| {
                let ParameterKind::Device(id, of) = parameter.kind else {
                    return *known;
                };
                let index = id.0 as usize;
                if !values.present[index] {
                    return [0.0; MAX_PORTS];
                }
                let (_, has, here) = match &mut last {
                    Some(last) if last.0 == id => last,
                    _ => {
                        let has = moved(id);
                        let here = match &has {
                            Moved::To(v) => values.device_currents(network, index, v).amps,
                            Moved::Along(_) => [0.0; MAX_PORTS],
                        };
                        last.insert((id, has, here))
                    }
                };
                match has {
                    Moved::Along(ratios) => std::array::from_fn(|p| ratios[p] * known[p]),
                    Moved::To(volts) => {
                        let mut amps = trait_amps(network, values, (id, of), volts, here);
                        self.behind_pins(id, &mut amps, false);
                        amps
                    }
                }
            })
            .collect()
    }

    pub(crate) fn gradient(&self, a: &[f64], scale: f64, gradient: &mut Vec<f64>) {
        add_up(self.terms(), a, scale, self.network(), gradient);
    }

    pub(super) fn terms(&self) -> &[SensitivityTerm] {
        self.adjoints
            .terms
            .get_or_init(|| self.terms_with(|id| self.element_amps(id), self.traits()))
    }

    /// The terms to within what many readings together can tell: devices that have moved by some hundredths are not asked.
    pub(super) fn joint_terms(&self) -> &[SensitivityTerm] {
        if let Some(terms) = self.adjoints.terms.get() {
            return terms;
        }
        self.adjoints.joint_terms.get_or_init(|| {
            let traits = self.find_traits(NEARLY_ALIKE);
            self.terms_with(|id| self.element_amps(id), &traits)
        })
    }

    /// The terms where elements have these currents and some devices have moved on.
    pub(crate) fn terms_of(
        &self,
        amps: impl Fn(ElementId) -> f64,
        moved: &mut dyn FnMut(usize) -> Option<Origin>,
    ) -> Vec<SensitivityTerm> {
        let traits = self.traits_from(self.traits(), |id| {
            let index = id.0 as usize;
            let Some(origin) = moved(index) else {
                return Moved::Along([1.0; MAX_PORTS]);
            };
            let mut here = self.converged.state.currents[index];
            let slot = self.network().device(id);
            let range = slot.first_port..slot.first_port + slot.ports.len();
            here.amps[..slot.ports.len()].copy_from_slice(&self.converged.state.amps[range]);
            if self.acts_alike(&origin.currents, &here, ALIKE) {
                return Moved::Along([1.0; MAX_PORTS]);
            }
            Moved::To(origin.volts)
        });
        self.terms_with(amps, &traits)
    }

    fn terms_with(
        &self,
        amps: impl Fn(ElementId) -> f64,
        traits: &[[f64; MAX_PORTS]],
    ) -> Vec<SensitivityTerm> {
        let network = self.network();
        let mut terms = Vec::with_capacity(2 * network.parameters.len());
        let by_ohms = |id: ElementId| amps(id);
        let by_emf = |id: ElementId| {
            let value = self.values().elements[id.0 as usize];
            value.emf / value.ohms
        };
        let mut line = None;
        // Behind the others, so that each parameter's own stand together.
        let mut with_line = Vec::new();
        for ((parameter, kind), moved) in network
            .parameters
            .iter()
            .map(|p| &p.kind)
            .enumerate()
            .zip(traits)
        {
            let mut add = |parameter: usize, tap: Tap, amount: f64| {
                if amount != 0.0 {
                    terms.push(SensitivityTerm {
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
                        let tap = self.pattern.port_taps[slot.first_port + p];
                        add(parameter, tap, -amps);
                        if let (Some(line), Trait::Volts, true) = (line, of, slot.follows_line) {
                            with_line.push((line, tap, -amps));
                        }
                    }
                }
            }
        }
        let with_line = with_line
            .into_iter()
            .filter(|(_, _, amount)| *amount != 0.0);
        terms.extend(with_line.map(|(parameter, tap, amount)| SensitivityTerm {
            parameter,
            tap,
            amount,
        }));
        terms
    }
}

/// Change of a device's port currents with one trait, from what they are `here`.
fn trait_amps(
    network: &Network,
    values: &Values,
    (id, of): (DeviceId, Trait),
    volts: &PortVolts,
    here: &[f64; MAX_PORTS],
) -> [f64; MAX_PORTS] {
    let index = id.0 as usize;
    if !values.present[index] {
        return [0.0; MAX_PORTS];
    }
    let condition = values.conditions[index].moved(of, TRAIT_STEP);
    let above = network.device(id).law.currents(volts, &condition).amps;
    let ports = network.device(id).ports.len();
    std::array::from_fn(|p| {
        let leaks = INSULATION_SIEMENS * volts[p];
        match p < ports {
            true => (above[p] + leaks - here[p]) / TRAIT_STEP,
            false => 0.0,
        }
    })
}

/// Whether no current and no slope differs by more than these ratios.
pub(crate) fn differ_less(now: &PortCurrents, then: &PortCurrents, ratios: (f64, f64)) -> bool {
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
