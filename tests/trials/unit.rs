//! One drawn unit and its own little solver: every node, dense, with
//! slopes by difference. Slow and separate on purpose.

use deadstage_parts::{Condition, Device, MAX_PORTS};
use nalgebra::{DMatrix, DVector};

use super::law::UnitTube;

/// A resistance with a source in series.
#[derive(Clone, Debug)]
pub struct Branch {
    /// First node; 0 is common.
    pub from: usize,
    /// Second node.
    pub to: usize,
    /// Ohms.
    pub ohms: f64,
    /// Volts in series.
    pub emf: f64,
    /// A source: gone with the power.
    pub source: bool,
}

/// A non-linear part.
#[derive(Clone, Debug)]
pub enum Body {
    /// An amplifying tube, by the bench's law.
    Tube(UnitTube),
    /// Anything else, by the program's.
    Other(Device, Condition),
}

/// A non-linear part where it is wired: common terminal, then ports.
#[derive(Clone, Debug)]
pub struct Placed {
    /// Common terminal.
    pub common: usize,
    /// Ports.
    pub ports: Vec<usize>,
    /// Its law.
    pub body: Body,
}

/// A unit on the bench.
#[derive(Clone, Debug, Default)]
pub struct Unit {
    /// Nodes, common included.
    pub nodes: usize,
    /// Linear parts.
    pub branches: Vec<Branch>,
    /// The rest.
    pub placed: Vec<Placed>,
    /// Contacts of relays.
    pub contacts: Vec<RelayContact>,
}

/// A contact that follows the current in a coil.
#[derive(Clone, Copy, Debug)]
pub struct RelayContact {
    /// Index of its own branch.
    pub branch: usize,
    /// Index of the coil's.
    pub coil: usize,
    /// Amperes at which the relay pulls in.
    pub pulls_in: f64,
    /// Whether it is closed while the coil is not pulled in.
    pub closed_at_rest: bool,
    /// Ohms when closed.
    pub closed_ohms: f64,
}

/// An open contact, ohms.
const OPEN_OHMS: f64 = 1e11;

/// How often relays may change before they are called unsteady.
const MOST_CHANGES: usize = 8;

impl Placed {
    fn currents(&self, x: &[f64]) -> Vec<f64> {
        let at = |node: usize| x[node];
        let base = at(self.common);
        match &self.body {
            Body::Tube(tube) => {
                let volts: Vec<f64> = self.ports.iter().map(|&p| at(p) - base).collect();
                let screen = volts.get(2).copied().unwrap_or(0.0);
                let all = tube.currents(volts[0], volts[1], screen);
                all[..self.ports.len().min(3)]
                    .iter()
                    .copied()
                    .chain(std::iter::repeat_n(0.0, self.ports.len().saturating_sub(3)))
                    .collect()
            }
            Body::Other(device, condition) => {
                let mut volts = [0.0; MAX_PORTS];
                for (v, &p) in volts.iter_mut().zip(&self.ports) {
                    *v = at(p) - base;
                }
                device.currents(&volts, condition).amps[..self.ports.len()].to_vec()
            }
        }
    }
}

impl Unit {
    /// All relays at rest.
    pub fn release(&mut self) {
        for index in 0..self.contacts.len() {
            self.set(index, false);
        }
    }

    fn set(&mut self, contact: usize, pulled_in: bool) {
        let contact = self.contacts[contact];
        let closed = contact.closed_at_rest != pulled_in;
        self.branches[contact.branch].ohms = if closed {
            contact.closed_ohms
        } else {
            OPEN_OHMS
        };
    }

    /// Node voltages, common first; `None` where it does not settle. Relays
    /// pull in, and regulators strike, as they do on a bench.
    #[must_use]
    pub fn solve(&self) -> Option<Vec<f64>> {
        self.running().map(|(_, x)| x)
    }

    /// The unit with its relays and regulators as they end, and its voltages.
    fn running(&self) -> Option<(Self, Vec<f64>)> {
        if self.contacts.is_empty() {
            return self.strike();
        }
        let mut unit = self.clone();
        unit.release();
        let mut pulled_in = vec![false; self.contacts.len()];
        for _ in 0..MOST_CHANGES {
            let (lit, x) = unit.strike()?;
            let now: Vec<bool> = unit
                .contacts
                .iter()
                .map(|contact| {
                    let coil = &unit.branches[contact.coil];
                    let amps = (x[coil.from] - x[coil.to] - coil.emf) / coil.ohms;
                    amps.abs() >= contact.pulls_in
                })
                .collect();
            if now == pulled_in {
                return Some((lit, x));
            }
            for (index, pulled_in) in now.iter().enumerate() {
                unit.set(index, *pulled_in);
            }
            pulled_in = now;
        }
        None
    }

    /// With the relays as they are.
    fn strike(&self) -> Option<(Self, Vec<f64>)> {
        let mut unit = self.clone();
        for placed in &mut unit.placed {
            if let Body::Other(Device::Regulator(_), condition) = &mut placed.body {
                condition.fired = false;
            }
        }
        let mut x = unit.settle()?;
        for _ in 0..4 {
            let mut struck = false;
            for placed in &mut unit.placed {
                if let Body::Other(Device::Regulator(law), condition) = &mut placed.body {
                    let volts = x[placed.ports[0]] - x[placed.common];
                    if !condition.fired && volts >= law.strike_volts() * condition.volts {
                        condition.fired = true;
                        struck = true;
                    }
                }
            }
            if !struck {
                break;
            }
            x = unit.settle()?;
        }
        Some((unit, x))
    }

    fn settle(&self) -> Option<Vec<f64>> {
        let mut x = vec![0.0; self.nodes];
        let (mut scale, mut step): (f64, f64) = (0.0, 1.0);
        while scale < 1.0 {
            let next = (scale + step).min(1.0);
            let mut trial = x.clone();
            if self.newton(&mut trial, next) {
                x = trial;
                scale = next;
                step *= 2.0;
            } else {
                step *= 0.3;
                if step < 1e-4 {
                    return None;
                }
            }
        }
        Some(x)
    }

    fn residual(&self, x: &[f64], scale: f64) -> DVector<f64> {
        let mut r = DVector::zeros(self.nodes - 1);
        let mut add = |node: usize, amps: f64| {
            if node > 0 {
                r[node - 1] += amps;
            }
        };
        for (node, v) in x.iter().enumerate().skip(1) {
            add(node, v * 1e-11);
        }
        for b in &self.branches {
            let amps = (x[b.from] - x[b.to] - scale * b.emf) / b.ohms;
            add(b.from, amps);
            add(b.to, -amps);
        }
        for placed in &self.placed {
            for (&port, amps) in placed.ports.iter().zip(placed.currents(x)) {
                add(port, amps);
                add(placed.common, -amps);
            }
        }
        r
    }

    fn slope(&self, x: &[f64]) -> DMatrix<f64> {
        let n = self.nodes - 1;
        let mut j = DMatrix::zeros(n, n);
        let mut add = |row: usize, column: usize, s: f64| {
            if row > 0 && column > 0 {
                j[(row - 1, column - 1)] += s;
            }
        };
        for node in 1..self.nodes {
            add(node, node, 1e-11);
        }
        for b in &self.branches {
            let g = 1.0 / b.ohms;
            add(b.from, b.from, g);
            add(b.to, b.to, g);
            add(b.from, b.to, -g);
            add(b.to, b.from, -g);
        }
        let mut moved = x.to_vec();
        for placed in &self.placed {
            let mut terminals: Vec<usize> = placed
                .ports
                .iter()
                .copied()
                .chain([placed.common])
                .collect();
            terminals.sort_unstable();
            terminals.dedup();
            for &by in &terminals {
                if by == 0 {
                    continue;
                }
                let h = 1e-5 * (1.0 + x[by].abs());
                moved[by] = x[by] + h;
                let above = placed.currents(&moved);
                moved[by] = x[by] - h;
                let below = placed.currents(&moved);
                moved[by] = x[by];
                for ((&port, a), b) in placed.ports.iter().zip(above).zip(below) {
                    let s = (a - b) / (2.0 * h);
                    add(port, by, s);
                    add(placed.common, by, -s);
                }
            }
        }
        j
    }

    fn newton(&self, x: &mut Vec<f64>, scale: f64) -> bool {
        for _ in 0..150 {
            let r = self.residual(x, scale);
            let Some(step) = self.slope(x).lu().solve(&r) else {
                return false;
            };
            let largest = step.iter().fold(0.0f64, |m, s| m.max(s.abs()));
            if !largest.is_finite() {
                return false;
            }
            let mut damping = if largest > 20.0 { 20.0 / largest } else { 1.0 };
            let before = r.norm();
            let mut accepted = false;
            while damping > 1e-4 {
                let trial: Vec<f64> = std::iter::once(0.0)
                    .chain(x[1..].iter().zip(step.iter()).map(|(x, s)| x - damping * s))
                    .collect();
                if self.residual(&trial, scale).norm() <= before * (1.0 - 0.1 * damping) + 1e-15 {
                    *x = trial;
                    accepted = true;
                    break;
                }
                damping *= 0.5;
            }
            if largest < 1e-7 {
                return true;
            }
            if !accepted {
                return largest < 1e-4;
            }
        }
        false
    }

    /// What a meter of this resistance shows from one node to another.
    #[must_use]
    pub fn read(&self, from: usize, to: usize, load: Option<f64>) -> Option<f64> {
        let (mut unit, mut x) = self.running()?;
        if let Some(ohms) = load {
            unit.branches.push(Branch {
                from,
                to,
                ohms,
                emf: 0.0,
                source: false,
            });
            // The meter comes to a unit that runs: what has struck or pulled in stays so.
            if !unit.newton(&mut x, 1.0) {
                x = unit.settle()?;
            }
        }
        Some(x[from] - x[to])
    }

    /// What an ohmmeter shows between two nodes: no source and no tube is there.
    #[must_use]
    pub fn ohms(&self, from: usize, to: usize) -> Option<f64> {
        const TEST_OHMS: f64 = 1e4;
        let mut unit = self.clone();
        unit.release();
        unit.placed.clear();
        unit.branches.retain(|branch| !branch.source);
        unit.branches.push(Branch {
            from,
            to,
            ohms: TEST_OHMS,
            emf: 1.0,
            source: true,
        });
        let x = unit.settle()?;
        let volts = x[from] - x[to];
        Some((TEST_OHMS * volts / (1.0 - volts)).max(0.0))
    }
}
