//! A failure laid over solved linear equations.
//!
//! A changed element turns A into A + Σ d_f u_f u_fᵀ. By the Woodbury identity
//!
//! ```text
//! A'⁻¹ = A⁻¹ − G (D⁻¹ + Uᵀ G)⁻¹ Gᵀ,   G = A⁻¹ U
//! ```
//!
//! which costs a few columns of A⁻¹. It loses digits where the change leaves
//! a node hanging by almost nothing; [`Faulted::new`] sees that and says so,
//! and the caller builds the equations anew.

use crate::dense::Matrix;
use crate::linear::{Linear, Tap};
use crate::network::LEAST_OHMS;
use crate::overlay::{Change, ohms_left};
use crate::situation::Values;
use crate::woodbury::{self, Step};

/// A path of less than this, ohms, is not laid over as a conductance: its current
/// would be what is left of the difference of two voltages.
const LEAST_LAID_OHMS: f64 = 0.1;

/// The linear part with a failure in it.
#[derive(Clone, Debug)]
pub(crate) struct Faulted<'a> {
    base: &'a Linear,
    /// Columns of G.
    columns: Vec<Vec<f64>>,
    /// Taps of U.
    taps: Vec<Tap>,
    /// (D⁻¹ + Uᵀ G)⁻¹, k × k.
    core: Matrix,
    /// Unknowns with no device drawing current.
    pub open: Vec<f64>,
}

impl<'a> Faulted<'a> {
    /// Lays the changed resistances and sources of `overlay` over `base`.
    /// `None`: the update would lose too many digits.
    pub(crate) fn new(base: &'a Linear, values: &Values, overlay: &[Change]) -> Option<Self> {
        let mut open = base.open.clone();
        let mut taps = Vec::new();
        let mut steps = Vec::new();
        let mut offsets = Vec::new();
        let mut stiff = Vec::new();
        let mut column = Vec::new();
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let value = values.elements[element.0 as usize];
                    let ohms = ohms.max(LEAST_OHMS);
                    if !value.stiff && ohms < LEAST_LAID_OHMS {
                        return None;
                    }
                    let step = if value.stiff {
                        value.ohms - ohms
                    } else {
                        1.0 / ohms - 1.0 / value.ohms
                    };
                    if step != 0.0 {
                        taps.push(base.taps[element.0 as usize]);
                        steps.push(step);
                        offsets.push(if value.stiff { 0.0 } else { value.emf });
                        stiff.push(value.stiff);
                    }
                }
                Change::Shunt { from, to, ohms } => {
                    if from != to {
                        if ohms < LEAST_LAID_OHMS {
                            return None;
                        }
                        taps.push(Tap::between(from, to));
                        steps.push(1.0 / ohms.max(LEAST_OHMS));
                        offsets.push(0.0);
                        stiff.push(false);
                    }
                }
                Change::Emf(element, volts) => {
                    let index = element.0 as usize;
                    let value = values.elements[index];
                    // The step acts through the resistance that the overlay leaves it.
                    let ohms = ohms_left(overlay, element).unwrap_or(value.ohms);
                    let drive = if value.stiff { 1.0 } else { 1.0 / ohms };
                    base.column(base.taps[index], &mut column);
                    for (x, c) in open.iter_mut().zip(&column) {
                        *x += c * drive * (volts - value.emf);
                    }
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        let k = taps.len();
        let columns: Vec<Vec<f64>> = taps
            .iter()
            .map(|&tap| {
                let mut column = Vec::new();
                base.column(tap, &mut column);
                column
            })
            .collect();
        let laid: Vec<Step> = (0..k)
            .map(|i| Step {
                tap: taps[i],
                change: steps[i],
                stiff: stiff[i],
                size: base.size_at(taps[i]),
            })
            .collect();
        let core = woodbury::core(&laid, &columns)?;
        let excess: Vec<f64> = taps
            .iter()
            .zip(&offsets)
            .map(|(tap, offset)| tap.of(&open) - offset)
            .collect();
        for (i, column) in columns.iter().enumerate() {
            let weight: f64 = core.row(i).iter().zip(&excess).map(|(w, e)| w * e).sum();
            for (x, g) in open.iter_mut().zip(column) {
                *x -= weight * g;
            }
        }
        Some(Self {
            base,
            columns,
            taps,
            core,
            open,
        })
    }

    /// A'⁻¹ u for a tap.
    pub(crate) fn column(&self, tap: Tap, column: &mut Vec<f64>) {
        self.base.column(tap, column);
        let k = self.taps.len();
        if k == 0 {
            return;
        }
        for i in 0..k {
            let weight: f64 = (0..k)
                .map(|j| self.core[(i, j)] * tap.of(&self.columns[j]))
                .sum();
            if weight != 0.0 {
                for (c, g) in column.iter_mut().zip(&self.columns[i]) {
                    *c -= weight * g;
                }
            }
        }
    }

    /// Whether nothing in the matrix is changed.
    pub(crate) fn is_bare(&self) -> bool {
        self.taps.is_empty()
    }
}
