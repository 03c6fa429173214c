//! An operating point: every voltage and current of one network, in one
//! situation, with one set of failures; and what a meter would read there.

use std::cell::OnceCell;

use deadstage_netlist::PartId;
use deadstage_parts::MAX_PORTS;

use crate::base::Scratch;
use crate::dense::{Lu, Matrix};
use crate::faulted::Faulted;
use crate::linear::{Linear, STRAY_LEAK_OHMS, Tap};
use crate::network::{DeviceId, ElementId, ElementRole, Network, ParameterKind};
use crate::ports::{self, PortNetwork, PortState};
use crate::probe::{Flow, Probe};
use crate::situation::Values;

/// The linear part under an operating point: updated, or built anew where an update would lose digits.
#[derive(Clone, Debug)]
pub(crate) enum LinearPart<'a> {
    /// By a low-rank update.
    Updated(Faulted<'a>),
    /// From its own equations.
    Anew(Linear),
}

impl LinearPart<'_> {
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        match self {
            Self::Updated(faulted) => faulted.column(tap, column),
            Self::Anew(linear) => linear.column(tap, column),
        }
    }

    pub(crate) fn open(&self) -> &[f64] {
        match self {
            Self::Updated(faulted) => &faulted.open,
            Self::Anew(linear) => &linear.open,
        }
    }
}

/// Every voltage and current of a network in one state.
#[derive(Clone, Debug)]
pub struct OperatingPoint<'a> {
    network: &'a Network,
    base: &'a Linear,
    power: bool,
    values: Values,
    linear: LinearPart<'a>,
    /// A'⁻¹ u for every port.
    columns: Vec<Vec<f64>>,
    seen: PortNetwork,
    state: PortState,
    /// Node voltages and stiff currents.
    unknowns: Vec<f64>,
    /// J (1 + K J)⁻¹, made at first need: what the ports draw by what they would be at.
    answer: OnceCell<Matrix>,
    /// By parameter, what a trait does to its device's port currents; made at first need.
    traits: OnceCell<Vec<[f64; MAX_PORTS]>>,
}

/// Source resistance below this share of the meter's, and a drop below
/// [`LINEAR_DROP`], and a meter's load may be taken by proportion.
const LINEAR_LOAD: f64 = 0.02;

/// Volts; see [`LINEAR_LOAD`].
const LINEAR_DROP: f64 = 0.3;

/// Step of a trait's own measure for its derivative by difference.
const TRAIT_STEP: f64 = 1e-4;

impl<'a> OperatingPoint<'a> {
    #[allow(clippy::too_many_arguments, reason = "the pieces of one solution")]
    pub(crate) fn new(
        network: &'a Network,
        base: &'a Linear,
        power: bool,
        values: Values,
        linear: LinearPart<'a>,
        columns: Vec<Vec<f64>>,
        seen: PortNetwork,
        state: PortState,
    ) -> Self {
        let mut unknowns = linear.open().to_vec();
        for (column, amps) in columns.iter().zip(&state.amps) {
            if *amps != 0.0 {
                for (x, c) in unknowns.iter_mut().zip(column) {
                    *x -= amps * c;
                }
            }
        }
        Self {
            network,
            base,
            power,
            values,
            linear,
            columns,
            seen,
            state,
            unknowns,
            answer: OnceCell::new(),
            traits: OnceCell::new(),
        }
    }

    /// J (1 + K J)⁻¹ at this state.
    pub(crate) fn answer(&self) -> &Matrix {
        self.answer
            .get_or_init(|| answer_of(self.network, &self.seen, &self.state))
    }

    /// By parameter, the change of its device's port currents with a trait.
    pub(crate) fn traits(&self) -> &[[f64; MAX_PORTS]] {
        self.traits.get_or_init(|| self.traits_at(&self.state))
    }

    fn traits_at(&self, state: &PortState) -> Vec<[f64; MAX_PORTS]> {
        self.network
            .parameters
            .iter()
            .map(|parameter| match parameter.kind {
                ParameterKind::Device(id, of) => self.trait_currents(id, of, state),
                _ => [0.0; MAX_PORTS],
            })
            .collect()
    }

    /// The port voltages and currents, to start a neighbouring solution from.
    pub fn state(&self) -> &PortState {
        &self.state
    }

    pub(crate) fn unknowns(&self) -> &[f64] {
        &self.unknowns
    }

    pub(crate) fn into_state(self) -> PortState {
        self.state
    }

    /// What the elements and devices are in this state.
    pub fn values(&self) -> &Values {
        &self.values
    }

    /// Voltage of a node against the common, volts.
    pub fn node_volts(&self, node: usize) -> f64 {
        Tap::between(node, 0).of(&self.unknowns)
    }

    /// Voltage across an element from its first node to its second, volts.
    pub fn element_volts(&self, id: ElementId) -> f64 {
        let element = self.network.element(id);
        Tap::between(element.from, element.to).of(&self.unknowns)
    }

    fn element_tap(&self, id: ElementId) -> Tap {
        match &self.linear {
            LinearPart::Updated(_) => self.base.taps[id.0 as usize],
            LinearPart::Anew(linear) => linear.taps[id.0 as usize],
        }
    }

    /// Current through an element from its first node to its second, A.
    pub fn element_amps(&self, id: ElementId) -> f64 {
        self.element_amps_in(id, &self.unknowns)
    }

    fn element_amps_in(&self, id: ElementId, unknowns: &[f64]) -> f64 {
        let value = self.values.elements[id.0 as usize];
        let picked = self.element_tap(id).of(unknowns);
        if value.stiff {
            picked
        } else {
            (picked - value.emf) / value.ohms
        }
    }

    /// Currents into the ports of a device, A.
    pub fn device_amps(&self, id: DeviceId) -> &[f64] {
        let slot = self.network.device(id);
        &self.state.amps[slot.first_port..slot.first_port + slot.ports.len()]
    }

    /// Port voltages of a device at the device itself (behind its pins), volts.
    pub fn device_volts(&self, id: DeviceId) -> &[f64] {
        let slot = self.network.device(id);
        &self.state.volts[slot.first_port..slot.first_port + slot.ports.len()]
    }

    /// Whether a regulator glows.
    pub fn fired(&self, id: DeviceId) -> bool {
        self.values.conditions[id.0 as usize].fired
    }

    /// By relay, whether its coil has the current to pull in.
    pub fn energised_relays(&self) -> Vec<bool> {
        self.network
            .relays
            .iter()
            .map(|relay| self.element_amps(relay.coil).abs() >= relay.pulls_in)
            .collect()
    }

    /// Whether a contact passes current in this state.
    pub fn is_closed(&self, id: ElementId) -> bool {
        self.values.elements[id.0 as usize].ohms < 1e3
    }

    /// Largest current left over at any node: node index and A. Every element
    /// and device is asked again for its current; nothing is taken on trust.
    pub fn kirchhoff(&self) -> (usize, f64, f64) {
        let mut left = vec![0.0; self.network.nodes];
        let mut through = vec![0.0f64; self.network.nodes];
        let mut add = |node: usize, amps: f64| {
            left[node] += amps;
            through[node] += amps.abs();
        };
        for (index, element) in (0u32..).zip(&self.network.elements) {
            let amps = self.element_amps(ElementId(index));
            add(element.from, amps);
            add(element.to, -amps);
        }
        for slot in &self.network.devices {
            for (port, node) in slot.ports.iter().enumerate() {
                let amps = self.state.amps[slot.first_port + port];
                add(*node, amps);
                add(slot.common, -amps);
            }
        }
        for &(from, to, ohms) in &self.values.shunts {
            let amps = (self.node_volts(from) - self.node_volts(to)) / ohms;
            add(from, amps);
            add(to, -amps);
        }
        if let Some(bench) = self.values.bench {
            add(bench.from, -bench.amps);
            add(bench.to, bench.amps);
        }
        let strays = match &self.linear {
            LinearPart::Updated(_) => &self.base.strays,
            LinearPart::Anew(linear) => &linear.strays,
        };
        for &node in strays {
            add(node, self.node_volts(node) / STRAY_LEAK_OHMS);
        }
        let (node, amps) =
            left.iter()
                .enumerate()
                .skip(1)
                .fold((0, 0.0), |worst: (usize, f64), (node, amps)| {
                    if amps.abs() > worst.1 {
                        (node, amps.abs())
                    } else {
                        worst
                    }
                });
        (node, amps, through[node])
    }

    /// What `probe` reads, and where asked for, its change with every parameter of the network
    /// (in [`Network::parameters`](crate::Network::parameters) order; the reading's unit by the parameter's measure).
    pub fn read(
        &self,
        probe: &Probe,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        match *probe {
            Probe::Volts { from, to, load } => {
                self.read_volts(Tap::between(from, to), load, scratch, gradient)
            }
            Probe::Ohms { from, to } => self.read_ohms(Tap::between(from, to), scratch, gradient),
            Probe::Amps(Flow::Element(id)) => self.read_element_amps(id, scratch, gradient),
            Probe::Amps(Flow::Port(device, port)) => {
                self.read_port_amps(device, port, scratch, gradient)
            }
        }
    }

    /// Resistance that a small current into `from` and out of `to` would meet, ohms, tubes working.
    pub fn source_ohms(&self, from: usize, to: usize, scratch: &mut Scratch) -> f64 {
        let tap = Tap::between(from, to);
        self.adjoint_of_tap(tap, scratch);
        tap.of(&scratch.adjoint)
    }

    /// Fills `scratch.adjoint` with a, where a·u is the change of the tap's
    /// voltage by a current into u, and `scratch.weights` with w (see the crate's notes).
    fn adjoint_of_tap(&self, tap: Tap, scratch: &mut Scratch) {
        self.linear.column(tap, &mut scratch.column);
        scratch.adjoint.clone_from(&scratch.column);
        scratch.weights.clear();
        if self.state.volts.is_empty() {
            return;
        }
        // w = (K_mP J)(1 + K J)⁻¹
        let seen_by: Vec<f64> = self
            .base
            .port_taps
            .iter()
            .map(|p| p.of(&scratch.column))
            .collect();
        row_times(&seen_by, self.answer(), &mut scratch.weights);
        for (column, w) in self.columns.iter().zip(&scratch.weights) {
            if *w != 0.0 {
                for (a, c) in scratch.adjoint.iter_mut().zip(column) {
                    *a -= w * c;
                }
            }
        }
    }

    fn read_volts(
        &self,
        tap: Tap,
        load: Option<f64>,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        let bare = tap.of(&self.unknowns);
        if load.is_none() && gradient.is_none() {
            return bare;
        }
        self.adjoint_of_tap(tap, scratch);
        let Some(meter) = load else {
            if let Some(gradient) = gradient {
                self.gradient(
                    &scratch.adjoint,
                    &scratch.weights,
                    &self.unknowns,
                    self.traits(),
                    gradient,
                );
            }
            return bare;
        };
        let source = tap.of(&scratch.adjoint);
        let share = meter / (meter + source);
        if source.abs() < LINEAR_LOAD * meter && (bare * (1.0 - share)).abs() < LINEAR_DROP {
            if let Some(gradient) = gradient {
                self.gradient(
                    &scratch.adjoint,
                    &scratch.weights,
                    &self.unknowns,
                    self.traits(),
                    gradient,
                );
                for entry in gradient.iter_mut() {
                    *entry *= share;
                }
            }
            return bare * share;
        }
        self.read_loaded(tap, meter, scratch, gradient)
    }

    /// A voltage with the meter's resistance solved as part of the circuit.
    fn read_loaded(
        &self,
        tap: Tap,
        meter: f64,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        // scratch.column is A'⁻¹ of the tap, left by adjoint_of_tap.
        let own = tap.of(&scratch.column);
        let total = meter + own;
        let share = meter / total;
        let open = tap.of(self.linear.open());
        let to_ports: Vec<f64> = self
            .base
            .port_taps
            .iter()
            .map(|p| p.of(&scratch.column))
            .collect();
        let count = to_ports.len();
        let mut loaded = std::mem::take(&mut scratch.loaded);
        let mut state = std::mem::take(&mut scratch.loaded_state);
        loaded.resistance.clone_from(&self.seen.resistance);
        loaded.open.clone_from(&self.seen.open);
        for p in 0..count {
            loaded.open[p] -= to_ports[p] * open / total;
            for q in 0..count {
                loaded.resistance[(p, q)] -= to_ports[p] * to_ports[q] / total;
            }
        }
        state.clone_from(&self.state);
        let network = self.network;
        let solved = ports::solve(
            network,
            &self.values,
            &loaded,
            1.0,
            &mut state,
            &mut scratch.ports,
        )
        .is_ok()
            || ports::ramp(
                network,
                &self.values,
                &loaded,
                &mut state,
                &mut scratch.ports,
            )
            .is_ok();
        let drawn: f64 = to_ports.iter().zip(&state.amps).map(|(k, i)| k * i).sum();
        let shown = if solved {
            share * (open - drawn)
        } else {
            share * tap.of(&self.unknowns)
        };
        if let Some(gradient) = gradient {
            scratch.unknowns.clear();
            scratch.unknowns.extend_from_slice(self.linear.open());
            for (column, amps) in self.columns.iter().zip(&state.amps) {
                for (x, c) in scratch.unknowns.iter_mut().zip(column) {
                    *x -= amps * c;
                }
            }
            for (x, c) in scratch.unknowns.iter_mut().zip(&scratch.column) {
                *x -= c * shown / meter;
            }
            let seen_by: Vec<f64> = to_ports.iter().map(|k| share * k).collect();
            row_times(
                &seen_by,
                &answer_of(network, &loaded, &state),
                &mut scratch.weights,
            );
            // a = share·c_m − Σ w_p (c_p − c_m k_pm / total)
            let back: f64 = scratch
                .weights
                .iter()
                .zip(&to_ports)
                .map(|(w, k)| w * k / total)
                .sum();
            scratch.adjoint.clear();
            scratch
                .adjoint
                .extend(scratch.column.iter().map(|c| (share + back) * c));
            for (column, w) in self.columns.iter().zip(&scratch.weights) {
                for (a, c) in scratch.adjoint.iter_mut().zip(column) {
                    *a -= w * c;
                }
            }
            self.gradient(
                &scratch.adjoint,
                &scratch.weights,
                &scratch.unknowns,
                &self.traits_at(&state),
                gradient,
            );
        }
        scratch.loaded = loaded;
        scratch.loaded_state = state;
        shown
    }

    fn read_ohms(&self, tap: Tap, scratch: &mut Scratch, gradient: Option<&mut Vec<f64>>) -> f64 {
        debug_assert!(!self.power, "ohms are taken with the power off");
        self.linear.column(tap, &mut scratch.column);
        if let Some(gradient) = gradient {
            let change = |id: ElementId| {
                let value = self.values.elements[id.0 as usize];
                let seen = self.element_tap(id).of(&scratch.column);
                let weight = match (value.stiff, value.ohms.is_finite()) {
                    (true, true) => value.ohms,
                    (true, false) => 0.0,
                    (false, _) => 1.0 / value.ohms,
                };
                seen * seen * weight
            };
            gradient.clear();
            gradient.extend(self.network.parameters.iter().map(|p| match &p.kind {
                ParameterKind::Ohms(elements) => elements.iter().map(|&id| change(id)).sum(),
                ParameterKind::Wiper(upper, lower) => self.wiper(*upper, *lower, change),
                ParameterKind::Emf(_) | ParameterKind::Line | ParameterKind::Device(..) => 0.0,
            }));
        }
        tap.of(&scratch.column)
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
            self.adjoint_of_tap(self.element_tap(id), scratch);
            self.gradient(
                &scratch.adjoint,
                &scratch.weights,
                &self.unknowns,
                self.traits(),
                gradient,
            );
            if !value.stiff {
                for (entry, parameter) in gradient.iter_mut().zip(&self.network.parameters) {
                    *entry /= value.ohms;
                    match &parameter.kind {
                        ParameterKind::Ohms(elements) if elements.contains(&id) => *entry -= amps,
                        ParameterKind::Wiper(upper, lower) if *upper == id || *lower == id => {
                            *entry +=
                                self.wiper(*upper, *lower, |e| if e == id { -amps } else { 0.0 });
                        }
                        ParameterKind::Emf(e) if *e == id => *entry -= value.emf / value.ohms,
                        ParameterKind::Line if self.follows_line(id) => {
                            *entry -= value.emf / value.ohms
                        }
                        _ => {}
                    }
                }
            }
        }
        amps
    }

    /// The current into a device's port; its gradient by the same adjoint, started from the device's slopes.
    fn read_port_amps(
        &self,
        device: DeviceId,
        port: usize,
        scratch: &mut Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> f64 {
        let slot = self.network.device(device);
        let at = slot.first_port + port;
        let amps = self.state.amps[at];
        if let Some(gradient) = gradient {
            // i = i(v); dv = (1+KJ)⁻¹ K_P δ, so w = −J_row (1+KJ)⁻¹ and a = Σ −w c.
            scratch.weights.clear();
            scratch
                .weights
                .extend(self.answer().row(at).iter().map(|h| -h));
            scratch.adjoint.clear();
            scratch.adjoint.resize(self.unknowns.len(), 0.0);
            for (column, w) in self.columns.iter().zip(&scratch.weights) {
                for (a, c) in scratch.adjoint.iter_mut().zip(column) {
                    *a -= w * c;
                }
            }
            self.gradient(
                &scratch.adjoint,
                &scratch.weights,
                &self.unknowns,
                self.traits(),
                gradient,
            );
            let parameters = self
                .network
                .parameters
                .iter()
                .map(|p| &p.kind)
                .zip(self.traits());
            for (entry, parameter) in gradient.iter_mut().zip(parameters) {
                if let (ParameterKind::Device(d, _), moved) = parameter
                    && *d == device
                {
                    *entry += moved[port];
                }
            }
        }
        amps
    }

    fn follows_line(&self, id: ElementId) -> bool {
        matches!(
            self.network.element(id).role,
            ElementRole::Source { follows_line: true }
        )
    }

    /// Change by a wiper's travel from the changes by the two halves' logarithms.
    fn wiper(&self, upper: ElementId, lower: ElementId, change: impl Fn(ElementId) -> f64) -> f64 {
        let ohms = |id: ElementId| self.values.elements[id.0 as usize].ohms;
        let track = ohms(upper) + ohms(lower);
        if !track.is_finite() {
            return 0.0;
        }
        change(upper) * track / ohms(upper) - change(lower) * track / ohms(lower)
    }

    /// Change of a device's port currents with one trait, by a central difference.
    fn trait_currents(
        &self,
        id: DeviceId,
        of: deadstage_parts::Trait,
        state: &PortState,
    ) -> [f64; MAX_PORTS] {
        let index = id.0 as usize;
        if !self.values.present[index] {
            return [0.0; MAX_PORTS];
        }
        let slot = self.network.device(id);
        let ports = slot.ports.len();
        let mut volts = [0.0; MAX_PORTS];
        volts[..ports].copy_from_slice(&state.volts[slot.first_port..slot.first_port + ports]);
        let condition = self.values.conditions[index];
        let above = slot
            .law
            .currents(&volts, &condition.moved(of, TRAIT_STEP))
            .amps;
        let below = slot
            .law
            .currents(&volts, &condition.moved(of, -TRAIT_STEP))
            .amps;
        std::array::from_fn(|p| (above[p] - below[p]) / (2.0 * TRAIT_STEP))
    }

    /// Change of what the adjoint `a` (with port weights `w`) watches with every parameter.
    fn gradient(
        &self,
        a: &[f64],
        w: &[f64],
        unknowns: &[f64],
        traits: &[[f64; MAX_PORTS]],
        gradient: &mut Vec<f64>,
    ) {
        let network = self.network;
        let by_ohms = |id: ElementId| {
            let value = self.values.elements[id.0 as usize];
            let amps = self.element_amps_in(id, unknowns);
            // A stiff element that a failure opened passes nothing at any ohms.
            let drive = match (value.stiff, value.ohms.is_finite()) {
                (true, true) => amps * value.ohms,
                (true, false) => 0.0,
                (false, _) => amps,
            };
            drive * self.element_tap(id).of(a)
        };
        let by_emf = |id: ElementId| {
            let value = self.values.elements[id.0 as usize];
            let drive = if value.stiff {
                value.emf
            } else {
                value.emf / value.ohms
            };
            drive * self.element_tap(id).of(a)
        };
        let by_trait = |id: DeviceId, moved: &[f64; MAX_PORTS]| {
            let slot = network.device(id);
            let range = slot.first_port..slot.first_port + slot.ports.len();
            let common: f64 =
                self.values.common_ohms[id.0 as usize] * range.clone().map(|p| w[p]).sum::<f64>();
            range
                .zip(moved)
                .map(|(p, amps)| {
                    let seen =
                        self.base.port_taps[p].of(a) - w[p] * self.values.port_ohms[p] - common;
                    -seen * amps
                })
                .sum::<f64>()
        };
        gradient.clear();
        gradient.extend(
            network
                .parameters
                .iter()
                .zip(traits)
                .map(|(parameter, moved)| match &parameter.kind {
                    ParameterKind::Ohms(elements) => elements.iter().map(|&id| by_ohms(id)).sum(),
                    ParameterKind::Wiper(upper, lower) => self.wiper(*upper, *lower, by_ohms),
                    ParameterKind::Emf(id) => by_emf(*id),
                    ParameterKind::Device(id, _) => by_trait(*id, moved),
                    ParameterKind::Line => {
                        let sources: f64 = (0u32..)
                            .zip(&network.elements)
                            .map(|(index, _)| ElementId(index))
                            .filter(|&id| self.follows_line(id))
                            .map(by_emf)
                            .sum();
                        let rectifiers: f64 = network
                            .parameters
                            .iter()
                            .zip(traits)
                            .filter_map(|(p, moved)| match p.kind {
                                ParameterKind::Device(id, deadstage_parts::Trait::Volts)
                                    if network.device(id).follows_line =>
                                {
                                    Some(by_trait(id, moved))
                                }
                                _ => None,
                            })
                            .sum();
                        sources + rectifiers
                    }
                }),
        );
    }

    /// Elements and devices of a part, as an answer to "what flows through it".
    pub fn part_flow(&self, part: PartId) -> Option<Flow> {
        Flow::through(self.network, part)
    }
}

/// J (1 + K J)⁻¹, row by row.
fn answer_of(network: &Network, seen: &PortNetwork, state: &PortState) -> Matrix {
    let count = state.volts.len();
    let mut slope = Matrix::default();
    ports::times_slopes(network, &seen.resistance, state, true, &mut slope);
    let mut answer = Matrix::zeros(count, count);
    let mut lu = Lu::default();
    if lu.factor(&slope).is_err() {
        return answer;
    }
    for (slot, currents) in network.devices.iter().zip(&state.currents) {
        for i in 0..slot.ports.len() {
            let row = answer.row_mut(slot.first_port + i);
            for j in 0..slot.ports.len() {
                row[slot.first_port + j] = currents.siemens[i][j];
            }
            lu.solve_transposed(row);
        }
    }
    answer
}

/// `row · matrix`.
fn row_times(row: &[f64], matrix: &Matrix, out: &mut Vec<f64>) {
    out.clear();
    out.resize(matrix.columns(), 0.0);
    for (r, line) in row.iter().zip((0..matrix.rows()).map(|i| matrix.row(i))) {
        if *r != 0.0 {
            for (o, m) in out.iter_mut().zip(line) {
                *o += r * m;
            }
        }
    }
}
