//! The network linearised about a known operating point.
//!
//! With the devices' slopes J₀ at that point taken into the matrix,
//!
//! ```text
//! B = (A + Σ u_p J₀_pq u_qᵀ)⁻¹ = A⁻¹ − C J₀ (1 + K J₀)⁻¹ Cᵀ,   C = A⁻¹ U_ports
//! ```
//!
//! what is left of the devices is how far their currents are off their
//! tangents. For a failure that is nothing at all in most of a large chassis.

use std::sync::{Arc, Mutex};

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

use crate::dense::Matrix;
use crate::linear::{Linear, Tap};
use crate::network::{DeviceSlot, Network};
use crate::operating::OperatingPoint;
use crate::ports::PortState;
use crate::situation::Values;

/// Steps of a port by which it is known how far a device leaves its tangent, volts, rising.
const BEND_STEPS: [f64; 2] = [0.03, 1.0];

/// A device that by its known bends leaves its tangent by less than this is
/// taken to stay on it: volts at its own ports, and share of its slopes.
const STRAIGHT: (f64, f64) = (5e-5, 5e-3);

/// How far a device leaves its tangent.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Bend {
    /// In its currents, as [`effect`].
    pub(super) volts: f64,
    /// In its slopes, as [`turn`].
    pub(super) turn: f64,
}

impl Bend {
    /// The larger of each.
    fn most(self, other: Self) -> Self {
        Self {
            volts: self.volts.max(other.volts),
            turn: self.turn.max(other.turn),
        }
    }
}

/// A known operating point with the network's response about it.
#[derive(Clone, Debug)]
pub(crate) struct Centre {
    /// Elements and devices as they are there.
    pub(crate) values: Values,
    /// Port voltages, currents and slopes.
    pub(crate) state: PortState,
    /// Node voltages and stiff currents.
    pub(crate) unknowns: Vec<f64>,
    /// B, by rows.
    rows: Matrix,
    /// B, by columns.
    columns: Matrix,
    /// By device, uᵀ B u between its own ports, ohms.
    pub(super) blocks: Vec<Block>,
    /// By port, how far its device leaves the tangent for a step of it.
    bends: Vec<[Bend; BEND_STEPS.len()]>,
    /// By parameter, what a trait does to its device's port currents.
    pub(crate) traits: Vec<[f64; MAX_PORTS]>,
    /// What meters show here whose load had to be solved.
    loads: Arc<Mutex<KnownLoads>>,
}

/// Meters once asked for, with what they show.
type KnownLoads = Vec<(Load, Arc<Loaded>)>;

/// A meter's place and resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Load {
    pub(super) from: usize,
    pub(super) to: usize,
    pub(super) ohms: f64,
}

/// What a meter shows at a known point.
#[derive(Clone, Debug)]
pub(super) struct Loaded {
    /// Volts without the meter.
    pub(super) bare: f64,
    /// Resistance that the meter sees, ohms.
    pub(super) source: f64,
    /// Volts shown.
    pub(super) shown: f64,
    /// Change of what is shown, with every parameter.
    pub(super) gradient: Vec<f64>,
}

impl Centre {
    /// Linearises `network` about `point`, whose linear part is `linear` itself.
    /// `None`: the network is too large to have its inverse worked out.
    pub(crate) fn new(
        network: &Network,
        linear: &Linear,
        point: &OperatingPoint<'_>,
    ) -> Option<Self> {
        let mut rows = linear.inverse()?.clone();
        let size = linear.open.len();
        let ports = network.port_count;
        let answer = point.answer();
        // Z = J₀ (1 + K J₀)⁻¹ Cᵀ, a row for each port.
        let mut columns_of_ports = vec![Vec::new(); ports];
        for (column, &tap) in columns_of_ports.iter_mut().zip(&linear.port_taps) {
            linear.column(tap, column);
        }
        let mut z = Matrix::zeros(ports, size);
        for p in 0..ports {
            for (q, column) in columns_of_ports.iter().enumerate() {
                add_scaled(z.row_mut(p), answer[(p, q)], column);
            }
        }
        for i in 0..size {
            let row = rows.row_mut(i);
            for (p, column) in columns_of_ports.iter().enumerate() {
                add_scaled(row, -column[i], z.row(p));
            }
        }
        let mut columns = Matrix::zeros(size, size);
        for i in 0..size {
            for (j, value) in rows.row(i).iter().enumerate() {
                columns[(j, i)] = *value;
            }
        }
        let mut centre = Self {
            values: point.values().clone(),
            state: point.state().clone(),
            unknowns: point.unknowns().to_vec(),
            rows,
            columns,
            blocks: Vec::new(),
            bends: Vec::new(),
            traits: point.traits().to_vec(),
            loads: Arc::default(),
        };
        let mut column = Vec::new();
        centre.blocks = network
            .devices
            .iter()
            .map(|slot| {
                let taps = &linear.port_taps[slot.first_port..][..slot.ports.len()];
                let mut block = Block::default();
                for (p, &by) in taps.iter().enumerate() {
                    centre.column(by, &mut column);
                    for (q, at) in taps.iter().enumerate() {
                        block[q][p] = at.of(&column);
                    }
                }
                block
            })
            .collect();
        centre.bends = (0..network.devices.len())
            .flat_map(|device| centre.bends_of(network, device))
            .collect();
        Some(centre)
    }

    /// For every port of a device, the larger effect of a step up or down.
    fn bends_of(&self, network: &Network, device: usize) -> Vec<[Bend; BEND_STEPS.len()]> {
        let slot = &network.devices[device];
        let ports = slot.ports.len();
        let range = slot.first_port..slot.first_port + ports;
        if !self.values.present[device] {
            return vec![[Bend::default(); BEND_STEPS.len()]; ports];
        }
        let reach = reach(&self.blocks[device]);
        let mut at = [0.0; MAX_PORTS];
        at[..ports].copy_from_slice(&self.state.volts[range.clone()]);
        let bend = |there: &PortVolts| {
            let now = slot.law.currents(there, &self.values.conditions[device]);
            let mut out = [0.0; MAX_PORTS];
            self.departures(slot.first_port, device, &now, &there[..ports], &mut out);
            Bend {
                volts: effect(&reach, &out),
                turn: turn(&reach, &now, &self.state.currents[device]),
            }
        };
        (0..ports)
            .map(|port| {
                BEND_STEPS.map(|step| {
                    let [up, down] = [step, -step].map(|step| {
                        let mut there = at;
                        there[port] += step;
                        bend(&there)
                    });
                    up.most(down)
                })
            })
            .collect()
    }

    /// Currents of a device less its tangent, for volts at its socket.
    pub(super) fn departures(
        &self,
        first_port: usize,
        device: usize,
        now: &PortCurrents,
        socket: &[f64],
        out: &mut [f64],
    ) {
        let slopes = &self.state.currents[device].siemens;
        for (p, out) in out.iter_mut().enumerate().take(socket.len()) {
            let tangent: f64 = socket
                .iter()
                .enumerate()
                .map(|(q, v)| slopes[p][q] * (v - self.state.volts[first_port + q]))
                .sum();
            *out = now.amps[p] - self.state.amps[first_port + p] - tangent;
        }
    }

    /// About how far a device leaves its tangent for these steps of its ports;
    /// `None` for steps too long to tell.
    pub(super) fn bend(&self, first_port: usize, steps: &[f64]) -> Option<Bend> {
        let (mut root, mut turn) = (0.0, 0.0);
        for (step, bends) in steps.iter().zip(&self.bends[first_port..]) {
            let size = step.abs();
            let (bend, unit) = bends
                .iter()
                .zip(BEND_STEPS)
                .find(|(_, unit)| size <= 1.5 * unit)?;
            // Departures go with the square of the step, slopes with the step.
            root += bend.volts.sqrt() * size / unit;
            turn += bend.turn * size / unit;
        }
        Some(Bend {
            volts: root * root,
            turn,
        })
    }

    /// Whether a device at these volts, its ports' currents reaching as far as
    /// `now_reach`, is known to be on its tangent still.
    pub(super) fn stays(
        &self,
        device: usize,
        slot: &DeviceSlot,
        volts: &PortVolts,
        now_reach: &[f64; MAX_PORTS],
    ) -> bool {
        let ports = slot.ports.len();
        let then = &self.state.volts[slot.first_port..slot.first_port + ports];
        let mut steps = [0.0; MAX_PORTS];
        for ((step, v), then) in steps.iter_mut().zip(volts).zip(then) {
            *step = v - then;
        }
        let Some(Bend { volts, turn }) = self.bend(slot.first_port, &steps[..ports]) else {
            return false;
        };
        // The bends are of ports that reached as far as they did.
        let wider = now_reach
            .iter()
            .zip(&reach(&self.blocks[device]))
            .take(ports)
            .map(|(now, then)| now / then)
            .fold(1.0, f64::max);
        volts * wider < STRAIGHT.0 && turn * wider < STRAIGHT.1
    }

    /// What a meter shows at this point itself; `find` is asked the first time.
    pub(super) fn loaded(
        &self,
        load: Load,
        find: impl FnOnce() -> Option<Loaded>,
    ) -> Option<Arc<Loaded>> {
        let known = |list: &[(Load, Arc<Loaded>)]| {
            let found = list.iter().find(|(known, _)| *known == load)?;
            Some(Arc::clone(&found.1))
        };
        if let Some(found) = known(&self.loads.lock().ok()?) {
            return Some(found);
        }
        let found = Arc::new(find()?);
        let mut list = self.loads.lock().ok()?;
        if known(&list).is_none() {
            list.push((load, Arc::clone(&found)));
        }
        Some(found)
    }

    /// B u, written into `column`.
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        tap.of_rows(&self.columns, column);
    }

    /// uᵀ B w.
    pub(super) fn response(&self, at: Tap, by: Tap) -> f64 {
        let mut column = Vec::new();
        self.column(by, &mut column);
        at.of(&column)
    }

    /// uᵀ B, written into `row`.
    pub(crate) fn row(&self, tap: Tap, row: &mut Vec<f64>) {
        tap.of_rows(&self.rows, row);
    }

    /// Size of the entries of B whose difference uᵀ B u is.
    pub(crate) fn size_at(&self, tap: Tap) -> f64 {
        tap.diagonal_size(&self.rows)
    }
}

/// Resistances between a device's own ports: `[at][by]`, ohms.
pub(super) type Block = [[f64; MAX_PORTS]; MAX_PORTS];

/// By port, the most that a current into it moves any port of the device, ohms.
pub(super) fn reach(block: &Block) -> [f64; MAX_PORTS] {
    std::array::from_fn(|p| block.iter().map(|at| at[p].abs()).fold(0.0, f64::max))
}

/// By how much currents into a device's ports, which `reach` so far, move any of them at most, volts.
pub(super) fn effect(reach: &[f64; MAX_PORTS], amps: &[f64; MAX_PORTS]) -> f64 {
    amps.iter()
        .zip(reach)
        .map(|(i, ohms)| i.abs() * ohms)
        .fold(0.0, f64::max)
}

/// By how much a device's slopes differ from those `then`, as a share of what its
/// ports, whose currents `reach` so far, see of them.
pub(super) fn turn(reach: &[f64; MAX_PORTS], now: &PortCurrents, then: &PortCurrents) -> f64 {
    let mut most = 0.0f64;
    for ((ohms, now), then) in reach.iter().zip(&now.siemens).zip(&then.siemens) {
        for (now, then) in now.iter().zip(then) {
            most = most.max((now - then).abs() * ohms / (1.0 + then.abs() * ohms));
        }
    }
    most
}

/// `target += factor · source`.
#[inline]
pub(super) fn add_scaled(target: &mut [f64], factor: f64, source: &[f64]) {
    if factor != 0.0 {
        for (t, s) in target.iter_mut().zip(source) {
            *t += factor * s;
        }
    }
}
