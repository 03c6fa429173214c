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

use deadstage_parts::MAX_PORTS;

use crate::dense::Matrix;
use crate::linear::{Linear, Tap};
use crate::network::Network;
use crate::operating::OperatingPoint;
use crate::ports::PortState;
use crate::situation::Values;

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
    /// By port, the resistance it looks into, ohms.
    pub(crate) own_ohms: Vec<f64>,
    /// By parameter, what a trait does to its device's port currents.
    pub(crate) traits: Vec<[f64; MAX_PORTS]>,
}

impl Centre {
    /// Linearises `network` about `point`, whose linear part is `linear` itself.
    pub(crate) fn new(network: &Network, linear: &Linear, point: &OperatingPoint<'_>) -> Self {
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
        let mut rows = linear.inverse.clone();
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
            own_ohms: Vec::new(),
            traits: point.traits().to_vec(),
        };
        let mut column = Vec::new();
        centre.own_ohms = linear
            .port_taps
            .iter()
            .map(|&tap| {
                centre.column(tap, &mut column);
                tap.of(&column).abs()
            })
            .collect();
        centre
    }

    /// B u, written into `column`.
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        tap.of_rows(&self.columns, column);
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

/// `target += factor · source`.
#[inline]
pub(super) fn add_scaled(target: &mut [f64], factor: f64, source: &[f64]) {
    if factor != 0.0 {
        for (t, s) in target.iter_mut().zip(source) {
            *t += factor * s;
        }
    }
}
