//! Resistance in a device's pins, and the small matrices of its ports.
//!
//! A device is known by its currents i and slopes S at electrode voltages v.
//! With resistances R in its pins its socket is at v + R i, so that for a socket at s it draws
//!
//! ```text
//! i + T (s − v − R i),   T = S M⁻¹,   M = 1 + R S
//! ```

use deadstage_parts::{MAX_PORTS, PortVolts};

use crate::equations::linearisation::Linearisation;
use crate::situation::Values;

/// Square matrix of a device's ports.
pub(crate) type Block = [[f64; MAX_PORTS]; MAX_PORTS];

/// A device with resistance in its pins.
#[derive(Clone, Debug)]
pub(crate) struct Pinned {
    pub(crate) device: usize,
    own: [f64; MAX_PORTS],
    common: f64,
    /// M⁻¹.
    pub(crate) inverse: Block,
    /// T = S M⁻¹.
    pub(crate) through: Block,
}

/// Resistances in the pins of a device, ohms: of each port, and the common one; `None` where there are none.
pub(crate) fn pins(
    values: &Values,
    device: usize,
    first_port: usize,
    ports: usize,
) -> Option<([f64; MAX_PORTS], f64)> {
    let mut own = [0.0; MAX_PORTS];
    own[..ports].copy_from_slice(&values.port_ohms[first_port..first_port + ports]);
    let common = values.common_ohms[device];
    (common != 0.0 || own.iter().any(|r| *r != 0.0)).then_some((own, common))
}

impl Pinned {
    /// `None`: M is singular.
    pub(crate) fn new(
        device: usize,
        (own, common): ([f64; MAX_PORTS], f64),
        slopes: &Block,
    ) -> Option<Self> {
        let mut this = Self {
            device,
            own,
            common,
            inverse: Block::default(),
            through: Block::default(),
        };
        this.turn(slopes)?;
        Some(this)
    }

    /// Makes M⁻¹ and T of these slopes.
    pub(crate) fn turn(&mut self, slopes: &Block) -> Option<()> {
        let mut m = Block::default();
        for q in 0..MAX_PORTS {
            let total: f64 = slopes.iter().map(|row| row[q]).sum();
            for p in 0..MAX_PORTS {
                m[p][q] = self.own[p] * slopes[p][q] + self.common * total;
            }
            m[q][q] += 1.0;
        }
        self.inverse = invert(m)?;
        self.through = times(slopes, &self.inverse);
        Some(())
    }

    /// R i.
    fn drop(&self, amps: &[f64; MAX_PORTS]) -> [f64; MAX_PORTS] {
        let total = self.common * amps.iter().sum::<f64>();
        std::array::from_fn(|p| self.own[p] * amps[p] + total)
    }

    /// s − v − R i: what the socket is off.
    pub(crate) fn off(&self, at: &Linearisation, socket: &PortVolts) -> PortVolts {
        let drop = self.drop(&at.currents.amps);
        std::array::from_fn(|p| socket[p] - at.volts[p] - drop[p])
    }
}

fn times(a: &Block, b: &Block) -> Block {
    std::array::from_fn(|i| {
        std::array::from_fn(|j| a[i].iter().zip(b).map(|(a, row)| a * row[j]).sum())
    })
}

/// Currents that follow slopes, of a device of so many ports.
#[inline]
pub(crate) fn along<const N: usize>(
    amps: &[f64; MAX_PORTS],
    slopes: &Block,
    off: &[f64; MAX_PORTS],
) -> [f64; MAX_PORTS] {
    let mut out = [0.0; MAX_PORTS];
    for p in 0..N {
        out[p] = amps[p];
        for q in 0..N {
            out[p] += slopes[p][q] * off[q];
        }
    }
    out
}

/// The same, of any number of ports.
#[inline]
pub(crate) fn along_ports(
    ports: usize,
    amps: &[f64; MAX_PORTS],
    slopes: &Block,
    off: &[f64; MAX_PORTS],
) -> [f64; MAX_PORTS] {
    match ports {
        1 => along::<1>(amps, slopes, off),
        2 => along::<2>(amps, slopes, off),
        3 => along::<3>(amps, slopes, off),
        _ => along::<MAX_PORTS>(amps, slopes, off),
    }
}

pub(crate) fn times_vector(a: &Block, v: &[f64; MAX_PORTS]) -> [f64; MAX_PORTS] {
    std::array::from_fn(|i| a[i].iter().zip(v).map(|(a, v)| a * v).sum())
}

/// The inverse, by elimination with the largest pivots.
fn invert(mut m: Block) -> Option<Block> {
    let mut inverse = Block::default();
    for (k, row) in inverse.iter_mut().enumerate() {
        row[k] = 1.0;
    }
    for k in 0..MAX_PORTS {
        let pivot = (k..MAX_PORTS).max_by(|&a, &b| m[a][k].abs().total_cmp(&m[b][k].abs()))?;
        m.swap(k, pivot);
        inverse.swap(k, pivot);
        let scale = 1.0 / m[k][k];
        if !scale.is_finite() {
            return None;
        }
        for q in 0..MAX_PORTS {
            m[k][q] *= scale;
            inverse[k][q] *= scale;
        }
        for p in (0..MAX_PORTS).filter(|&p| p != k) {
            let factor = m[p][k];
            for q in 0..MAX_PORTS {
                m[p][q] -= factor * m[k][q];
                inverse[p][q] -= factor * inverse[k][q];
            }
        }
    }
    Some(inverse)
}
