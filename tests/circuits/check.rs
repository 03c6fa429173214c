//! A solved point judged by an evaluation of its own: every element and device is asked
//! again for its current at the node voltages found, and what is left over at each node,
//! and at each pin that resists, is turned into volts by a general library.
//!
//! Nothing of the solver is used but what it gave: node voltages, the currents of what
//! has next to no resistance, and the volts behind pins that resist.

use deadstage_circuit::{ElementId, INSULATION_SIEMENS, Network, OperatingPoint, Values};
use deadstage_parts::MAX_PORTS;
use nalgebra::{DMatrix, DVector};
use petgraph::unionfind::UnionFind;

/// What may be left over at a node, of the largest current at play.
pub const KIRCHHOFF: f64 = 1e-9;

/// Where less than this flows, no more is asked than where this does, A: a dead set's currents are
/// what rounding leaves of its supplies' volts.
const LEAST_AMPS: f64 = 1e-6;

/// How far a voltage may be off, volts and ratio, besides what rounding does to it.
pub const VOLTS: f64 = 1e-6;

/// Roundings that a sum of voltages or currents may gather, in units of the last place.
const ROUNDINGS: f64 = 64.0 * f64::EPSILON;

/// Less than this, ohms, has its current asked of the point: its volts do not tell it.
pub const STIFF_OHMS: f64 = 1.0;

/// Roundings of the network's highest voltage, besides: where two nodes stand, both low, on what comes from high.
const ROUNDINGS_OF_HIGHEST: f64 = 4.0 * f64::EPSILON;

/// The leak that holds a node which nothing ties to the common, ohms.
const STRAY_OHMS: f64 = 1e11;

/// What a solver gave, and nothing else of it.
#[derive(Clone, Debug)]
pub struct Found {
    /// By node, the common's first, volts.
    pub node_volts: Vec<f64>,
    /// By element, amperes from its first node to its second.
    pub element_amps: Vec<f64>,
    /// By port, volts at the device itself.
    pub port_volts: Vec<f64>,
    /// By port, amperes into it.
    pub port_amps: Vec<f64>,
}

impl Found {
    /// As an operating point has it.
    #[must_use]
    pub fn of(network: &Network, point: &OperatingPoint<'_>) -> Self {
        let elements = (0u32..).take(network.elements.len()).map(ElementId);
        Self {
            node_volts: (0..network.nodes).map(|n| point.node_volts(n)).collect(),
            element_amps: elements.map(|id| point.element_amps(id)).collect(),
            port_volts: point.state().volts.clone(),
            port_amps: point.state().amps.clone(),
        }
    }
}

/// How well a point keeps the laws.
#[derive(Clone, Debug)]
pub struct Judged {
    /// The most that is left over at any node, of the largest current at play and beyond rounding.
    pub left: f64,
    /// Where.
    pub left_at: String,
    /// The most that a voltage is off, as a multiple of what it may be; `None` where the
    /// equations about the point have no one solution.
    pub off: Option<f64>,
    /// Where.
    pub off_at: String,
    /// How far each node's voltage may be off, the common's first, volts.
    pub tolerance: Vec<f64>,
}

impl Judged {
    /// Whether Kirchhoff's law holds.
    #[must_use]
    pub fn keeps_kirchhoff(&self) -> bool {
        self.left <= KIRCHHOFF
    }

    /// Whether every voltage is where the equations have it.
    #[must_use]
    pub fn is_on_the_volt(&self) -> bool {
        self.off.is_none_or(|off| off <= 1.0)
    }
}

/// The equations about a point: what is left over in each, how much of it rounding may be, and
/// how it moves with the unknowns: node voltages but the common's, those behind pins, stiff currents.
struct About<'a> {
    network: &'a Network,
    unknowns: Vec<f64>,
    left: Vec<f64>,
    rounding: Vec<f64>,
    slope: DMatrix<f64>,
    /// Stiff currents among the unknowns.
    stiff: usize,
    /// The largest current at play, A.
    largest: f64,
    /// What rounding of the highest voltage leaves anywhere, V.
    grain: f64,
}

/// An unknown by its place; the common has none.
type Place = Option<usize>;

impl About<'_> {
    fn volts(&self, at: Place) -> f64 {
        at.map_or(0.0, |index| self.unknowns[index])
    }

    /// A current out of one node and into another, with what rounding may be of it.
    fn flow(&mut self, from: Place, to: Place, amps: f64, rounding: f64) {
        self.largest = self.largest.max(amps.abs());
        for (at, sign) in [(from, 1.0), (to, -1.0)] {
            if let Some(at) = at {
                self.left[at] += sign * amps;
                self.rounding[at] += rounding + ROUNDINGS * amps.abs();
            }
        }
    }

    /// Its change with an unknown.
    fn moves(&mut self, from: Place, to: Place, with: Place, siemens: f64) {
        for (at, sign) in [(from, 1.0), (to, -1.0)] {
            if let (Some(at), Some(with)) = (at, with) {
                self.slope[(at, with)] += sign * siemens;
            }
        }
    }

    fn resistance(&mut self, from: Place, to: Place, ohms: f64, emf: f64) {
        if !ohms.is_finite() {
            return;
        }
        let (a, b) = (self.volts(from), self.volts(to));
        let rounding = (self.grain + ROUNDINGS * (a.abs() + b.abs() + emf.abs())) / ohms;
        self.flow(from, to, (a - b - emf) / ohms, rounding);
        self.moves(from, to, from, 1.0 / ohms);
        self.moves(from, to, to, -1.0 / ohms);
    }

    /// One whose current is an unknown: Ohm's law is an equation of its own.
    fn stiff(&mut self, from: Place, to: Place, (ohms, emf): (f64, f64), current: usize) {
        let amps = self.unknowns[current];
        self.flow(from, to, amps, 0.0);
        self.moves(from, to, Some(current), 1.0);
        let (a, b) = (self.volts(from), self.volts(to));
        self.left[current] = a - b - emf - ohms * amps;
        let sizes = a.abs() + b.abs() + emf.abs() + ohms * amps.abs();
        self.rounding[current] = self.grain + ROUNDINGS * sizes;
        for (at, by) in [(from, 1.0), (to, -1.0), (Some(current), -ohms)] {
            if let Some(at) = at {
                self.slope[(current, at)] += by;
            }
        }
    }

    /// Every resistance and source: elements, stiff ones with the unknown of their current, paths, stray leaks.
    fn lay(&mut self, values: &Values, stiff: &[Option<usize>], strays: &[usize]) {
        let elements = self.network.elements.iter().zip(&values.elements);
        for ((element, value), stiff) in elements.zip(stiff) {
            let (from, to) = (place(element.from), place(element.to));
            match *stiff {
                Some(current) => self.stiff(from, to, (value.ohms, value.emf), current),
                None => self.resistance(from, to, value.ohms, value.emf),
            }
        }
        for &(from, to, ohms) in &values.shunts {
            self.resistance(place(from), place(to), ohms, 0.0);
        }
        for &node in strays {
            self.resistance(place(node), None, STRAY_OHMS, 0.0);
        }
    }

    fn device(&mut self, device: usize, values: &Values, common: Place, ports: &[Place]) {
        let slot = &self.network.devices[device];
        if !values.present[device] {
            return;
        }
        for &port in ports {
            self.resistance(port, common, 1.0 / INSULATION_SIEMENS, 0.0);
        }
        let mut volts = [0.0; MAX_PORTS];
        for (v, &port) in volts.iter_mut().zip(ports) {
            *v = self.volts(port) - self.volts(common);
        }
        let currents = slot.law.currents(&volts, &values.conditions[device]);
        for (i, &port) in ports.iter().enumerate() {
            let mut rounding = 0.0;
            for (j, &by) in ports.iter().enumerate() {
                let siemens = currents.siemens[i][j];
                let size = self.volts(by).abs() + self.volts(common).abs();
                rounding += siemens.abs() * (self.grain + ROUNDINGS * size);
                self.moves(port, common, by, siemens);
                self.moves(port, common, common, -siemens);
            }
            self.flow(port, common, currents.amps[i], rounding);
        }
    }
}

/// One node of each island that neither a resistance nor a device that is there ties to the common.
fn strays(network: &Network, values: &Values) -> Vec<usize> {
    let mut joined = UnionFind::<usize>::new(network.nodes);
    for (element, value) in network.elements.iter().zip(&values.elements) {
        if value.ohms.is_finite() {
            joined.union(element.from, element.to);
        }
    }
    for &(from, to, _) in &values.shunts {
        joined.union(from, to);
    }
    for (slot, present) in network.devices.iter().zip(&values.present) {
        for &port in slot.ports.iter().filter(|_| *present) {
            joined.union(port, slot.common);
        }
    }
    let mut held = vec![joined.find(0)];
    let mut strays = Vec::new();
    for node in 1..network.nodes {
        let island = joined.find(node);
        if !held.contains(&island) {
            held.push(island);
            strays.push(node);
        }
    }
    strays
}

fn place(node: usize) -> Place {
    node.checked_sub(1)
}

/// Sets up the equations of `values` about the voltages `found`.
fn about<'a>(
    network: &'a Network,
    values: &Values,
    found: &Found,
    (strays, highest): (&[usize], f64),
) -> About<'a> {
    let mut unknowns = found.node_volts[1..].to_vec();
    // Behind pins that resist stands a node of the device's own.
    let mut wired = Vec::with_capacity(network.devices.len());
    let mut pins = Vec::new();
    for (device, slot) in network.devices.iter().enumerate() {
        let mut behind = |socket: usize, ohms: f64, volts: f64| {
            if ohms == 0.0 {
                return place(socket);
            }
            unknowns.push(volts);
            let own = Some(unknowns.len() - 1);
            pins.push((place(socket), own, ohms));
            own
        };
        let ohms = values.common_ohms[device];
        let of_device = slot.first_port..slot.first_port + slot.ports.len();
        let drawn: f64 = found.port_amps[of_device.clone()].iter().sum();
        let common_volts = found.node_volts[slot.common] + ohms * drawn;
        let common = behind(slot.common, ohms, common_volts);
        let ports: Vec<Place> = of_device
            .zip(&slot.ports)
            .map(|(port, &node)| {
                let volts = common_volts + found.port_volts[port];
                behind(node, values.port_ohms[port], volts)
            })
            .collect();
        wired.push((common, ports));
    }
    let mut stiff = vec![None; network.elements.len()];
    for (element, value) in values.elements.iter().enumerate() {
        if value.ohms < STIFF_OHMS {
            stiff[element] = Some(unknowns.len());
            unknowns.push(found.element_amps[element]);
        }
    }
    let size = unknowns.len();
    let mut about = About {
        network,
        unknowns,
        left: vec![0.0; size],
        rounding: vec![0.0; size],
        slope: DMatrix::zeros(size, size),
        stiff: stiff.iter().flatten().count(),
        largest: 0.0,
        grain: ROUNDINGS_OF_HIGHEST * highest,
    };
    about.lay(values, &stiff, strays);
    for &(socket, own, ohms) in &pins {
        about.resistance(socket, own, ohms, 0.0);
    }
    for (device, (common, ports)) in wired.iter().enumerate() {
        about.device(device, values, *common, ports);
    }
    about
}

/// Judges what was `found` as a solution of `values`, of which `healthy` are those without the failures.
#[must_use]
pub fn judge(network: &Network, healthy: &Values, values: &Values, found: &Found) -> Judged {
    let own = strays(network, values);
    // Of the healthy sources too, and of what rectifiers give: a failure is laid over what they make.
    let volts = found.node_volts.iter().map(|volts| volts.abs());
    let sources = healthy.elements.iter().map(|value| value.emf.abs());
    let highest = volts.chain(sources).fold(0.0, f64::max);
    let judged = judge_with(network, values, found, (&own, highest));
    let before = strays(network, healthy);
    // A leak that the healthy network needs may stay where a failure ties the island.
    if own == before || (judged.keeps_kirchhoff() && judged.is_on_the_volt()) {
        return judged;
    }
    let other = judge_with(network, values, found, (&before, highest));
    if other.left < judged.left {
        other
    } else {
        judged
    }
}

/// Whether a state may hold by itself, as far as one sign tells: that of the determinant of the equations about it,
/// which is the product of their eigenvalues. Each stiff current turns it once, having an equation of its own.
/// `None`: the point is one where two states meet.
#[must_use]
pub fn may_hold(network: &Network, values: &Values, found: &Found) -> Option<bool> {
    let strays = strays(network, values);
    let mut about = about(network, values, found, (&strays, 0.0));
    // Rows of like size: what is asked for is a sign, and the product of their sizes may be out of range.
    for mut row in about.slope.row_iter_mut() {
        let most = row.amax();
        row /= most;
    }
    let turns = if about.stiff.is_multiple_of(2) {
        1.0
    } else {
        -1.0
    };
    let lu = about.slope.lu();
    let pivots = lu.u().diagonal();
    let least = pivots
        .iter()
        .fold(f64::INFINITY, |least, pivot| least.min(pivot.abs()));
    let signs: f64 = pivots.iter().map(|pivot| pivot.signum()).product();
    (least > LEAST_PIVOT).then_some(signs * lu.p().determinant::<f64>() * turns > 0.0)
}

/// Of rows of like size, a pivot smaller than this may have either sign.
const LEAST_PIVOT: f64 = 1e-14;

/// What is no number is as far off as can be.
fn finite(number: f64) -> f64 {
    if number.is_nan() {
        f64::INFINITY
    } else {
        number
    }
}

fn judge_with(network: &Network, values: &Values, found: &Found, held: (&[usize], f64)) -> Judged {
    let about = about(network, values, found, held);
    let name = |index: usize| {
        let node = network.node_names.get(index + 1);
        node.filter(|_| index + 1 < network.nodes)
            .cloned()
            .unwrap_or_else(|| "a pin, or a stiff current".to_owned())
    };
    let mut judged = Judged {
        left: 0.0,
        left_at: String::new(),
        off: None,
        off_at: String::new(),
        tolerance: vec![0.0; network.nodes],
    };
    for (index, (left, rounding)) in about.left.iter().zip(&about.rounding).enumerate() {
        // Ohm's law of a stiff element, in volts, is the last of the equations.
        let beyond = finite(left.abs() - rounding) / about.largest.max(LEAST_AMPS);
        if beyond > judged.left {
            judged.left = beyond;
            judged.left_at = name(index);
        }
    }
    let Some((off, spread)) = in_volts(about.slope, &about.left, &about.rounding) else {
        return judged;
    };
    let mut worst = 0.0;
    for node in 1..network.nodes {
        let may = VOLTS * (1.0 + found.node_volts[node].abs()) + spread[node - 1];
        judged.tolerance[node] = may;
        let beyond = finite(off[node - 1].abs() / may);
        if beyond > worst {
            worst = beyond;
            judged.off_at = name(node - 1);
        }
    }
    judged.off = Some(worst);
    judged
}

/// Equations up to which the inverse is worked out, entry by entry.
const MOST_INVERTED: usize = 250;

/// Draws of signs by which the spread of a larger network is sampled, and what the largest
/// of so few may fall short of the sum of sizes by.
const SIGNS: u32 = 6;
const SHORT: f64 = 8.0;

/// What is left over and what rounding may be, in the unknowns' own units: by the inverse, of which
/// every entry's size counts for the rounding, or in a large network by a few draws of signs. `None`: there is no one solution.
fn in_volts(
    slope: DMatrix<f64>,
    left: &[f64],
    rounding: &[f64],
) -> Option<(DVector<f64>, DVector<f64>)> {
    let left = DVector::from_column_slice(left);
    let rounding = DVector::from_column_slice(rounding);
    if slope.nrows() <= MOST_INVERTED {
        let inverse = slope.try_inverse()?;
        return Some((&inverse * left, inverse.abs() * rounding));
    }
    let lu = slope.lu();
    let off = lu.solve(&left)?;
    let mut spread: DVector<f64> = DVector::zeros(rounding.len());
    for draw in 1..=SIGNS {
        // Signs that no structure of the network follows: bits of a multiple of each index.
        let signed = DVector::from_iterator(
            rounding.len(),
            (1u32..).zip(rounding.iter()).map(|(index, size)| {
                let bits = index.wrapping_mul(0x9e37_79b1 ^ (draw << 7));
                if bits >> 31 == 0 { *size } else { -size }
            }),
        );
        spread = spread.sup(&lu.solve(&signed)?.abs());
    }
    Some((off, SHORT * spread))
}

/// A resistance by the general library.
#[derive(Clone, Copy, Debug)]
pub struct Resistance {
    /// Ohms, with the stray leaks that these values need.
    pub ohms: f64,
    /// Ohms, with those that the healthy ones need.
    pub before: f64,
}

/// How far a resistance may be off, ratio and ohms: what stray leaks of 10¹¹ Ω taken from one
/// another leave, and no ohmmeter tells.
const OHMMETER: (f64, f64) = (1e-4, 1e-3);

/// Past this, ohms, stray leaks are what is left, and no ohmmeter tells.
const PAST_READING: f64 = 1e9;

impl Resistance {
    /// Whether a reading is that resistance.
    #[must_use]
    pub fn is_met_by(&self, read: f64) -> bool {
        [self.ohms, self.before].into_iter().any(|ohms| {
            (read - ohms).abs() <= OHMMETER.0 * ohms.abs() + OHMMETER.1
                || read.min(ohms) > PAST_READING
        })
    }
}

/// Resistances between pairs of nodes of a network whose devices pass nothing.
#[must_use]
pub fn ohms(
    network: &Network,
    healthy: &Values,
    values: &Values,
    pairs: &[(usize, usize)],
) -> Vec<Resistance> {
    let own = ohms_with(network, values, &strays(network, values), pairs);
    let before = ohms_with(network, values, &strays(network, healthy), pairs);
    let both = own.into_iter().zip(before);
    both.map(|(ohms, before)| Resistance { ohms, before })
        .collect()
}

fn ohms_with(
    network: &Network,
    values: &Values,
    strays: &[usize],
    pairs: &[(usize, usize)],
) -> Vec<f64> {
    let mut size = network.nodes - 1;
    let mut stiff = Vec::new();
    for value in &values.elements {
        let is_solved = value.ohms < STIFF_OHMS;
        stiff.push(is_solved.then_some(size));
        size += usize::from(is_solved);
    }
    let mut about = About {
        network,
        unknowns: vec![0.0; size],
        left: vec![0.0; size],
        rounding: vec![0.0; size],
        slope: DMatrix::zeros(size, size),
        stiff: 0,
        largest: 0.0,
        grain: 0.0,
    };
    about.lay(values, &stiff, strays);
    let lu = about.slope.lu();
    let between = |&(from, to): &(usize, usize)| {
        let mut current = DVector::zeros(size);
        for (node, sign) in [(from, 1.0), (to, -1.0)] {
            if let Some(at) = place(node) {
                current[at] += sign;
            }
        }
        let volts = lu.solve(&current)?;
        let at = |node: usize| place(node).map_or(0.0, |index| volts[index]);
        Some(at(from) - at(to))
    };
    pairs
        .iter()
        .map(|pair| between(pair).unwrap_or(f64::NAN))
        .collect()
}
