//! The linear part of a network: its equations, solved once for a situation.
//!
//! The unknowns x are the node voltages (but the common's) and, behind them,
//! the currents of stiff elements. The matrix is symmetric,
//!
//! ```text
//! A = Σ c_e u_e u_eᵀ + (incidence of stiff elements),   A x = s − Σ_p u_p i_p
//! ```
//!
//! with u_e the vector that picks an element's voltage (or a stiff one's
//! current) out of x, c_e its conductance (or minus its resistance), s the
//! sources and i_p what the devices draw at their ports. With A⁻¹ at hand a
//! changed element is an update of rank one, and everything asked of a
//! failure is a look-up in a few columns.

use petgraph::unionfind::UnionFind;

use crate::dense::{Lu, Matrix, Singular};
use crate::network::Network;
use crate::situation::Values;
use crate::sparse::{self, SparseLu, SparseMatrix};

/// What picks one quantity out of the unknowns: x\[plus\] − x\[minus\].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tap {
    plus: usize,
    minus: usize,
}

/// Stands for the common node, whose voltage is no unknown.
const NOTHING: usize = usize::MAX;

impl Tap {
    /// The voltage between two nodes.
    pub(crate) fn between(from: usize, to: usize) -> Self {
        Self {
            plus: from.checked_sub(1).unwrap_or(NOTHING),
            minus: to.checked_sub(1).unwrap_or(NOTHING),
        }
    }

    /// The difference of two unknowns; `None` is the common node.
    pub(crate) fn of_unknowns(plus: Option<usize>, minus: Option<usize>) -> Self {
        Self {
            plus: plus.unwrap_or(NOTHING),
            minus: minus.unwrap_or(NOTHING),
        }
    }

    /// One unknown as it is.
    pub(crate) fn unknown(index: usize) -> Self {
        Self {
            plus: index,
            minus: NOTHING,
        }
    }

    /// Its value in a vector over the unknowns.
    #[inline]
    pub(crate) fn of(self, x: &[f64]) -> f64 {
        let part = |index: usize| if index == NOTHING { 0.0 } else { x[index] };
        part(self.plus) - part(self.minus)
    }

    /// This tap's difference of two rows of a matrix, written into `out`.
    pub(crate) fn of_rows(self, matrix: &Matrix, out: &mut Vec<f64>) {
        out.clear();
        match (self.plus, self.minus) {
            (NOTHING, NOTHING) => out.resize(matrix.columns(), 0.0),
            (plus, NOTHING) => out.extend_from_slice(matrix.row(plus)),
            (NOTHING, minus) => out.extend(matrix.row(minus).iter().map(|v| -v)),
            (plus, minus) => out.extend(
                matrix
                    .row(plus)
                    .iter()
                    .zip(matrix.row(minus))
                    .map(|(a, b)| a - b),
            ),
        }
    }

    /// Size of the diagonal entries of a matrix that uᵀ M u is made of.
    pub(crate) fn diagonal_size(self, matrix: &Matrix) -> f64 {
        let part = |index: usize| {
            if index == NOTHING {
                0.0
            } else {
                matrix[(index, index)].abs()
            }
        };
        part(self.plus) + part(self.minus)
    }

    /// Adds `amount` times this tap to a vector over the unknowns.
    pub(crate) fn add_to(self, vector: &mut [f64], amount: f64) {
        if self.plus != NOTHING {
            vector[self.plus] += amount;
        }
        if self.minus != NOTHING {
            vector[self.minus] -= amount;
        }
    }

    /// The entries of `coefficient · self · otherᵀ`: row, column, value.
    pub(crate) fn outer(
        self,
        other: Self,
        coefficient: f64,
    ) -> impl Iterator<Item = (usize, usize, f64)> {
        [(self.plus, 1.0), (self.minus, -1.0)]
            .into_iter()
            .flat_map(move |(row, row_sign)| {
                [(other.plus, 1.0), (other.minus, -1.0)]
                    .into_iter()
                    .map(move |(column, sign)| (row, column, coefficient * row_sign * sign))
            })
            .filter(|(row, column, _)| *row != NOTHING && *column != NOTHING)
    }

    /// Its own unknowns, with their signs.
    pub(crate) fn unknowns(self) -> [Option<(usize, f64)>; 2] {
        [(self.plus, 1.0), (self.minus, -1.0)]
            .map(|entry| Some(entry).filter(|(index, _)| *index != NOTHING))
    }
}

/// A node that nothing ties to the common is held by this, ohms: the leakage of a dry tag board.
pub(crate) const STRAY_LEAK_OHMS: f64 = 1e11;

/// The equations of one situation.
#[derive(Clone, Debug)]
pub(crate) struct Equations {
    /// Matrix A, by entries that are to be added up: row, column, value.
    pub entries: Vec<(usize, usize, f64)>,
    /// Right-hand side s.
    pub sources: Vec<f64>,
    /// By element, the tap that its coefficient multiplies.
    pub taps: Vec<Tap>,
    /// Nodes with a stray leak to the common.
    pub strays: Vec<usize>,
}

impl Equations {
    /// Sets up A and s for these values.
    pub(crate) fn new(nodes: usize, network: &Network, values: &Values) -> Self {
        let node_unknowns = nodes - 1;
        let stiff_shunt = |ohms: f64| ohms < crate::network::STIFF_OHMS;
        let stiff = values.elements.iter().filter(|v| v.stiff).count()
            + values.shunts.iter().filter(|s| stiff_shunt(s.2)).count();
        let size = node_unknowns + stiff;
        let mut entries = Vec::with_capacity(4 * values.elements.len());
        let mut sources = vec![0.0; size];
        let mut next_stiff = node_unknowns;
        let mut joined = Vec::with_capacity(values.elements.len());
        let mut lay = |from: usize, to: usize, ohms: f64, emf: f64, stiff: bool| {
            let across = Tap::between(from, to);
            if ohms.is_finite() {
                joined.push((from, to));
            }
            if stiff {
                let current = Tap::unknown(next_stiff);
                entries.extend(current.outer(across, 1.0));
                entries.extend(across.outer(current, 1.0));
                entries.push((next_stiff, next_stiff, -ohms));
                sources[next_stiff] = emf;
                next_stiff += 1;
                current
            } else {
                let siemens = 1.0 / ohms;
                entries.extend(across.outer(across, siemens));
                across.add_to(&mut sources, siemens * emf);
                across
            }
        };
        let taps = network
            .elements
            .iter()
            .zip(&values.elements)
            .map(|(element, value)| {
                lay(element.from, element.to, value.ohms, value.emf, value.stiff)
            })
            .collect();
        for &(from, to, ohms) in &values.shunts {
            lay(from, to, ohms, 0.0, stiff_shunt(ohms));
        }
        if let Some(bench) = values.bench {
            Tap::between(bench.from, bench.to).add_to(&mut sources, bench.amps);
        }
        let strays = untied(nodes, joined);
        for &node in &strays {
            entries.push((node - 1, node - 1, 1.0 / STRAY_LEAK_OHMS));
        }
        Self {
            entries,
            sources,
            taps,
            strays,
        }
    }
}

/// One node of each island that nothing ties to the common, of nodes that are `joined` so.
pub(crate) fn untied(nodes: usize, joined: impl IntoIterator<Item = (usize, usize)>) -> Vec<usize> {
    let mut islands = UnionFind::<usize>::new(nodes);
    for (from, to) in joined {
        islands.union(from, to);
    }
    let mut tied = vec![false; nodes];
    tied[islands.find_mut(0)] = true;
    let mut strays = Vec::new();
    for node in 1..nodes {
        let root = islands.find_mut(node);
        if !tied[root] {
            tied[root] = true;
            strays.push(node);
        }
    }
    strays
}

impl Equations {
    /// Matrix A, every entry.
    pub(crate) fn dense(&self) -> Matrix {
        sparse::dense(self.sources.len(), &self.entries)
    }
}

/// Unknowns up to which A⁻¹ is worked out entry by entry; see `docs/performance.md`.
const MOST_DENSE: usize = 700;

/// What stands for A⁻¹, symmetric.
#[derive(Clone, Debug)]
enum Solved {
    /// Every entry.
    Inverse(Matrix),
    /// Sparse factors, by which columns are made when asked for.
    Factors(SparseLu),
}

/// The equations of one situation, solved: A⁻¹ and x₀ = A⁻¹ s.
#[derive(Clone, Debug)]
pub(crate) struct Linear {
    solved: Solved,
    /// Unknowns with no device drawing current.
    pub open: Vec<f64>,
    /// By element.
    pub taps: Vec<Tap>,
    /// Nodes with a stray leak of [`STRAY_LEAK_OHMS`] to the common.
    pub strays: Vec<usize>,
    /// By port of the network.
    pub port_taps: Vec<Tap>,
}

impl Linear {
    /// Solves the linear part.
    ///
    /// # Errors
    /// The unknown at which the matrix is singular.
    pub(crate) fn new(network: &Network, values: &Values) -> Result<Self, Singular> {
        let equations = Equations::new(network.nodes, network, values);
        let size = equations.sources.len();
        let mut open = equations.sources.clone();
        let solved = if size <= MOST_DENSE {
            let mut lu = Lu::default();
            lu.factor(&equations.dense())?;
            lu.solve(&mut open);
            Solved::Inverse(lu.inverse())
        } else {
            let lu = SparseLu::new(&SparseMatrix::new(size, &equations.entries))?;
            lu.solve(&mut open);
            Solved::Factors(lu)
        };
        let port_taps = network
            .devices
            .iter()
            .flat_map(|slot| {
                slot.ports
                    .iter()
                    .map(|&port| Tap::between(port, slot.common))
            })
            .collect();
        Ok(Self {
            solved,
            open,
            taps: equations.taps,
            strays: equations.strays,
            port_taps,
        })
    }

    /// A⁻¹, of a network small enough to have it worked out.
    pub(crate) fn inverse(&self) -> Option<&Matrix> {
        match &self.solved {
            Solved::Inverse(inverse) => Some(inverse),
            Solved::Factors(_) => None,
        }
    }

    /// Size of the entries of A⁻¹ whose difference uᵀ A⁻¹ u is, for a tap.
    pub(crate) fn size_at(&self, tap: Tap) -> f64 {
        match &self.solved {
            Solved::Inverse(inverse) => tap.diagonal_size(inverse),
            Solved::Factors(_) => {
                let mut column = Vec::new();
                tap.unknowns()
                    .into_iter()
                    .flatten()
                    .map(|(index, _)| {
                        self.column(Tap::unknown(index), &mut column);
                        column[index].abs()
                    })
                    .sum()
            }
        }
    }

    /// A⁻¹ u for a tap, written into `column`.
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        match &self.solved {
            // A is symmetric, so a row of the inverse is its column.
            Solved::Inverse(inverse) => tap.of_rows(inverse, column),
            Solved::Factors(lu) => {
                column.clear();
                column.resize(self.open.len(), 0.0);
                for (index, sign) in tap.unknowns().into_iter().flatten() {
                    column[index] += sign;
                }
                lu.solve(column);
            }
        }
    }
}
