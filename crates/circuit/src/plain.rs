//! The whole network by Newton's method, every equation at every step: slow,
//! plain, and the reference that the engine is held against.

use deadstage_parts::{MAX_PORTS, PortCurrents};
use nalgebra::{DMatrix, DVector};

use crate::equations::tap::{STRAY_LEAK_OHMS, Tap, untied};
use crate::error::{Attempt, SolveError};
use crate::network::{Network, STIFF_OHMS};
use crate::situation::Values;
use crate::state::PortState;

/// Iterations of one Newton run.
const MOST_STEPS: usize = 200;

/// Where the leaks of [`leak_steps`] start, S, and the factor they fall by.
const FIRST_LEAK: f64 = 1e-2;
const LEAK_FACTOR: f64 = 0.1;

/// Below this the leaks are dropped altogether, S.
const LAST_LEAK: f64 = 1e-13;

/// A step no larger than this, volts or ratio, that nothing improves is rounding:
/// a node that hangs on leaks alone is known no better.
const ROUNDING: f64 = 1e-6;

/// The equations of one situation.
struct Equations {
    /// Matrix A, by entries that are to be added up: row, column, value.
    entries: Vec<(usize, usize, f64)>,
    /// Right-hand side s.
    sources: Vec<f64>,
}

impl Equations {
    /// Sets up A and s for these values.
    fn new(nodes: usize, network: &Network, values: &Values) -> Self {
        let node_unknowns = nodes - 1;
        let is_stiff = |ohms: f64| ohms < STIFF_OHMS;
        let stiff = values.elements.iter().filter(|v| is_stiff(v.ohms)).count()
            + values.shunts.iter().filter(|s| is_stiff(s.2)).count();
        let size = node_unknowns + stiff;
        let mut entries = Vec::with_capacity(4 * values.elements.len());
        let mut sources = vec![0.0; size];
        let mut next_stiff = node_unknowns;
        let mut joined = Vec::with_capacity(values.elements.len());
        let mut lay = |from: usize, to: usize, ohms: f64, emf: f64| {
            let across = Tap::between(from, to);
            if ohms.is_finite() {
                joined.push((from, to));
            }
            if is_stiff(ohms) {
                let current = Tap::unknown(next_stiff);
                entries.extend(current.outer(across, 1.0));
                entries.extend(across.outer(current, 1.0));
                entries.push((next_stiff, next_stiff, -ohms));
                sources[next_stiff] = emf;
                next_stiff += 1;
            } else {
                let siemens = 1.0 / ohms;
                entries.extend(across.outer(across, siemens));
                across.add_to(&mut sources, siemens * emf);
            }
        };
        for (element, value) in network.elements.iter().zip(&values.elements) {
            lay(element.from, element.to, value.ohms, value.emf);
        }
        for &(from, to, ohms) in &values.shunts {
            lay(from, to, ohms, 0.0);
        }
        joined.extend(values.insulated(network));
        if let Some(bench) = values.bench {
            Tap::between(bench.from, bench.to).add_to(&mut sources, bench.amps);
        }
        for node in untied(nodes, joined) {
            entries.push((node - 1, node - 1, 1.0 / STRAY_LEAK_OHMS));
        }
        Self { entries, sources }
    }
}

/// All unknowns of the whole network.
#[derive(Clone, Debug, PartialEq)]
pub struct PlainSolution {
    /// Node voltages (but the common's), those of nodes behind resisting pins, and stiff currents, in that order.
    pub unknowns: Vec<f64>,
    /// By port, volts at the device itself.
    pub port_volts: Vec<f64>,
    /// By port, amperes.
    pub port_amps: Vec<f64>,
}

/// The equations with every device's taps at the device itself.
struct Whole<'a> {
    network: &'a Network,
    values: &'a Values,
    matrix: DMatrix<f64>,
    sources: Vec<f64>,
    port_taps: Vec<Tap>,
}

impl<'a> Whole<'a> {
    fn new(network: &'a Network, values: &'a Values) -> Self {
        // A resisting pin is a node more, joined to the socket by its resistance.
        let mut nodes = network.nodes;
        let mut with_pins = values.clone();
        let mut pin_paths = Vec::new();
        let mut behind = |socket: usize, ohms: f64| {
            if ohms == 0.0 {
                return socket;
            }
            let node = nodes;
            nodes += 1;
            pin_paths.push((socket, node, ohms));
            node
        };
        let mut port_taps = Vec::with_capacity(network.port_count);
        for (device, slot) in network.devices.iter().enumerate() {
            let common = behind(slot.common, values.common_ohms[device]);
            for (port, &node) in slot.ports.iter().enumerate() {
                let node = behind(node, values.port_ohms[slot.first_port + port]);
                port_taps.push(Tap::between(node, common));
            }
        }
        with_pins.shunts.extend(&pin_paths);
        let equations = Equations::new(nodes, network, &with_pins);
        let size = equations.sources.len();
        let mut matrix = DMatrix::zeros(size, size);
        for (row, column, value) in equations.entries {
            matrix[(row, column)] += value;
        }
        Self {
            network,
            values,
            matrix,
            sources: equations.sources,
            port_taps,
        }
    }

    /// Voltages of the nodes behind resisting pins, in the order they were made in.
    fn nodes_behind_pins(&self, ports: &PortState, node_volts: &[f64]) -> Vec<f64> {
        let mut behind = Vec::new();
        for (device, slot) in self.network.devices.iter().enumerate() {
            let range = slot.first_port..slot.first_port + slot.ports.len();
            let ohms = self.values.common_ohms[device];
            let drawn: f64 = ports.amps[range.clone()].iter().sum();
            let common = node_volts[slot.common] + ohms * drawn;
            if ohms != 0.0 {
                behind.push(common);
            }
            for port in range.filter(|&port| self.values.port_ohms[port] != 0.0) {
                behind.push(common + ports.volts[port]);
            }
        }
        behind
    }

    fn devices(&self, x: &[f64]) -> Vec<PortCurrents> {
        self.network
            .devices
            .iter()
            .enumerate()
            .map(|(index, slot)| {
                let mut volts = [0.0; MAX_PORTS];
                for (port, v) in volts.iter_mut().take(slot.ports.len()).enumerate() {
                    *v = self.port_taps[slot.first_port + port].of(x);
                }
                self.values.device_currents(self.network, index, &volts)
            })
            .collect()
    }

    /// A x − scale·s + Σ u i(x) + leak·x.
    fn residual(&self, x: &[f64], currents: &[PortCurrents], scale: f64, leak: f64) -> Vec<f64> {
        let product = &self.matrix * DVector::from_column_slice(x);
        let sources = self.sources.iter().map(|source| scale * source);
        let mut r: Vec<f64> = product.iter().zip(sources).map(|(p, s)| p - s).collect();
        for i in 0..self.network.nodes - 1 {
            r[i] += leak * x[i];
        }
        for (slot, currents) in self.network.devices.iter().zip(currents) {
            for port in 0..slot.ports.len() {
                self.port_taps[slot.first_port + port].add_to(&mut r, currents.amps[port]);
            }
        }
        r
    }

    fn slope(&self, currents: &[PortCurrents], leak: f64) -> DMatrix<f64> {
        let mut matrix = self.matrix.clone();
        for i in 0..self.network.nodes - 1 {
            matrix[(i, i)] += leak;
        }
        for (slot, currents) in self.network.devices.iter().zip(currents) {
            for i in 0..slot.ports.len() {
                for j in 0..slot.ports.len() {
                    let into = self.port_taps[slot.first_port + i];
                    let by = self.port_taps[slot.first_port + j];
                    for (row, column, value) in into.outer(by, currents.siemens[i][j]) {
                        matrix[(row, column)] += value;
                    }
                }
            }
        }
        matrix
    }

    /// Damped Newton from `x`; whether it settled.
    fn newton(&self, x: &mut Vec<f64>, scale: f64, leak: f64) -> bool {
        let norm = |step: &[f64], x: &[f64]| -> f64 {
            step.iter()
                .zip(x)
                .map(|(d, x)| (d / (1.0 + 0.1 * x.abs())).powi(2))
                .sum::<f64>()
                .sqrt()
        };
        let mut currents = self.devices(x);
        let mut damping: f64 = 1.0;
        let mut last = f64::INFINITY;
        for _ in 0..MOST_STEPS {
            let lu = self.slope(&currents, leak).lu();
            let solve = |r: Vec<f64>| {
                lu.solve(&DVector::from_vec(r))
                    .map(|d| d.as_slice().to_vec())
            };
            let step = solve(self.residual(x, &currents, scale, leak));
            let Some(step) = step.filter(|step| step.iter().all(|d| d.is_finite())) else {
                return false;
            };
            let settled = step
                .iter()
                .zip(x.iter())
                .all(|(d, x)| d.abs() <= 1e-10 + 1e-11 * x.abs());
            if settled {
                for (x, d) in x.iter_mut().zip(&step) {
                    *x -= d;
                }
                return true;
            }
            let before = norm(&step, x);
            last = before;
            loop {
                let trial: Vec<f64> = x.iter().zip(&step).map(|(x, d)| x - damping * d).collect();
                let trial_currents = self.devices(&trial);
                let next = solve(self.residual(&trial, &trial_currents, scale, leak));
                let after = next.map_or(f64::INFINITY, |next| norm(&next, x));
                if after <= (1.0 - 0.25 * damping) * before || after < 1e-13 {
                    if after < (1.0 - 0.75 * damping) * before {
                        damping = (damping * 4.0).min(1.0);
                    }
                    *x = trial;
                    currents = trial_currents;
                    break;
                }
                damping *= 0.5;
                if damping < 1.0 / 4096.0 {
                    return before < ROUNDING;
                }
            }
        }
        last < ROUNDING
    }

    fn finish(&self, unknowns: Vec<f64>) -> PlainSolution {
        let currents = self.devices(&unknowns);
        let port_volts = self.port_taps.iter().map(|tap| tap.of(&unknowns)).collect();
        let port_amps = self
            .network
            .devices
            .iter()
            .zip(&currents)
            .flat_map(|(slot, c)| c.amps[..slot.ports.len()].to_vec())
            .collect();
        PlainSolution {
            unknowns,
            port_volts,
            port_amps,
        }
    }
}

/// The operating point of the whole network for these values (regulators and relays as they stand in them).
///
/// # Errors
/// [`SolveError::NotConverged`] when Newton's method, the ramp of the sources and the leaks all fail.
pub fn solve(network: &Network, values: &Values) -> Result<PlainSolution, SolveError> {
    let whole = Whole::new(network, values);
    let size = whole.sources.len();
    let mut x = vec![0.0; size];
    if whole.newton(&mut x, 1.0, 0.0) {
        return Ok(whole.finish(x));
    }
    let mut x = vec![0.0; size];
    let (mut scale, mut step): (f64, f64) = (0.0, 0.25);
    while scale < 1.0 && step > 1e-4 {
        let next: f64 = f64::min(1.0, scale + step);
        let mut trial = x.clone();
        if whole.newton(&mut trial, next, 0.0) {
            x = trial;
            scale = next;
            step *= 2.0;
        } else {
            step *= 0.25;
        }
    }
    if scale >= 1.0 {
        return Ok(whole.finish(x));
    }
    match settle_with_leaks(&whole) {
        Some(x) => Ok(whole.finish(x)),
        None => Err(not_converged(
            &whole,
            &x,
            format!(
                "sources raised to {:.0} %, then leaks taken away",
                scale * 100.0
            ),
        )),
    }
}

/// The state that Newton's method, every equation at every step, finds from one that is
/// taken to be it: node voltages (the common's first), and the ports with their currents. A network
/// with more than one state is held against one found elsewhere so.
///
/// # Errors
/// [`SolveError::NotConverged`] when Newton's method fails from there.
pub fn solve_from(
    network: &Network,
    values: &Values,
    node_volts: &[f64],
    ports: &PortState,
) -> Result<PlainSolution, SolveError> {
    let whole = Whole::new(network, values);
    let mut x = vec![0.0; whole.sources.len()];
    let behind = whole.nodes_behind_pins(ports, node_volts);
    let nodes = node_volts[1..network.nodes].iter().chain(&behind);
    for (x, volts) in x.iter_mut().zip(nodes) {
        *x = *volts;
    }
    if whole.newton(&mut x, 1.0, 0.0) {
        return Ok(whole.finish(x));
    }
    let what = "from a state taken to be one".to_owned();
    Err(not_converged(&whole, &x, what))
}

fn settle_with_leaks(whole: &Whole<'_>) -> Option<Vec<f64>> {
    let mut x = vec![0.0; whole.sources.len()];
    let mut leak = FIRST_LEAK;
    while leak > LAST_LEAK {
        if !whole.newton(&mut x, 1.0, leak) {
            return None;
        }
        leak *= LEAK_FACTOR;
    }
    whole.newton(&mut x, 1.0, 0.0).then_some(x)
}

fn not_converged(whole: &Whole<'_>, x: &[f64], what: String) -> SolveError {
    let residual = whole.residual(x, &whole.devices(x), 1.0, 0.0);
    let worst = (0..whole.network.nodes - 1)
        .max_by(|&a, &b| residual[a].abs().total_cmp(&residual[b].abs()));
    SolveError::not_converged(vec![Attempt {
        what,
        steps: MOST_STEPS,
        node: worst.map(|i| whole.network.node_names[i + 1].clone()),
    }])
}
