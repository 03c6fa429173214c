//! Changed elements laid over a linearised network:
//! B' = B − (B U) (D⁻¹ + Uᵀ B U)⁻¹ (Uᵀ B).
//!
//! The same identity as for the linear part alone, with the same caution:
//! where it would lose too many digits there is no update.

use super::centre::{Block, Centre, add_scaled};
use crate::dense::Matrix;
use crate::linear::Tap;
use crate::network::{ElementId, LEAST_OHMS};
use crate::overlay::{Change, ohms_left};
use crate::situation::Values;
use crate::woodbury::{self, Step};

/// A path of less than this, ohms, has its current told by the update itself:
/// the difference of its nodes' voltages is rounding.
const LEAST_TOLD_OHMS: f64 = 1.0;

/// A source that changes together with a resistance below this, ohms, would be
/// two large currents that cancel.
const LEAST_DRIVEN_OHMS: f64 = 0.1;

/// Elements that an overlay changes, as an update of B.
#[derive(Clone, Debug, Default)]
pub(crate) struct Update {
    pub(super) taps: Vec<Tap>,
    /// B U, column by column.
    right: Vec<Vec<f64>>,
    /// Uᵀ B, row by row.
    left: Vec<Vec<f64>>,
    /// (D⁻¹ + Uᵀ B U)⁻¹.
    core: Matrix,
    /// By changed element, what its tap must overcome: the source in it.
    offsets: Vec<f64>,
    /// By changed element: which, and its conductance now over the change, where its current is told so.
    told: Vec<Option<(ElementId, f64)>>,
    /// Unknowns with the changes, every device on its tangent.
    pub(super) tangent: Vec<f64>,
    /// Unknowns before the rank-k part, of which the currents through the changes follow.
    driven: Vec<f64>,
}

impl Update {
    /// Lays the changed resistances and sources of `overlay` over `centre`.
    /// `None`: too many digits would be lost.
    pub(crate) fn new(
        taps: &[Tap],
        centre: &Centre,
        values: &Values,
        overlay: &[Change],
    ) -> Option<Self> {
        let mut this = Self {
            driven: centre.unknowns.clone(),
            ..Self::default()
        };
        let mut steps = Vec::new();
        let mut stiff = Vec::new();
        let mut lay =
            |this: &mut Self, tap: Tap, step: f64, offset: f64, is_stiff: bool, told: Option<_>| {
                this.taps.push(tap);
                steps.push(step);
                this.offsets.push(offset);
                this.told.push(told);
                stiff.push(is_stiff);
            };
        let mut column = Vec::new();
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let value = values.elements[element.0 as usize];
                    let tap = taps[element.0 as usize];
                    let ohms = ohms.max(LEAST_OHMS);
                    if value.stiff {
                        let step = value.ohms - ohms;
                        if step != 0.0 {
                            lay(&mut this, tap, step, 0.0, true, None);
                        }
                    } else {
                        let step = 1.0 / ohms - 1.0 / value.ohms;
                        if step != 0.0 {
                            let told =
                                (ohms < LEAST_TOLD_OHMS).then_some((element, 1.0 / (ohms * step)));
                            lay(&mut this, tap, step, value.emf, false, told);
                        }
                    }
                }
                Change::Shunt { from, to, ohms } => {
                    if from != to {
                        let tap = Tap::between(from, to);
                        lay(&mut this, tap, 1.0 / ohms.max(LEAST_OHMS), 0.0, false, None);
                    }
                }
                Change::Emf(element, volts) => {
                    let index = element.0 as usize;
                    let value = values.elements[index];
                    let ohms = ohms_left(overlay, element).unwrap_or(value.ohms);
                    if !value.stiff && ohms < LEAST_DRIVEN_OHMS {
                        return None;
                    }
                    let drive = if value.stiff { 1.0 } else { 1.0 / ohms };
                    centre.column(taps[index], &mut column);
                    add_scaled(&mut this.driven, drive * (volts - value.emf), &column);
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        let k = this.taps.len();
        for &tap in &this.taps {
            let (mut right, mut left) = (Vec::new(), Vec::new());
            centre.column(tap, &mut right);
            centre.row(tap, &mut left);
            this.right.push(right);
            this.left.push(left);
        }
        let laid: Vec<Step> = (0..k)
            .map(|i| Step {
                tap: this.taps[i],
                change: steps[i],
                stiff: stiff[i],
                size: centre.size_at(this.taps[i]),
            })
            .collect();
        this.core = woodbury::core(&laid, &this.right)?;
        this.tangent = this.driven.clone();
        for i in 0..k {
            let weight: f64 = (0..k)
                .map(|j| this.core[(i, j)] * (this.taps[j].of(&this.driven) - this.offsets[j]))
                .sum();
            add_scaled(&mut this.tangent, -weight, &this.right[i]);
        }
        Some(this)
    }

    /// uᵀ B' u between a device's own ports, from `block` with B.
    pub(super) fn block(&self, taps: &[Tap], block: &Block) -> Block {
        let mut after = *block;
        for (i, right) in self.right.iter().enumerate() {
            for (j, left) in self.left.iter().enumerate() {
                let core = self.core[(i, j)];
                for (row, at) in after.iter_mut().zip(taps) {
                    let seen = core * at.of(right);
                    for (entry, by) in row.iter_mut().zip(taps) {
                        *entry -= seen * by.of(left);
                    }
                }
            }
        }
        after
    }

    /// Turns y = B s into B' s.
    pub(crate) fn correct(&self, y: &mut [f64]) {
        let k = self.taps.len();
        match k {
            0 => {}
            1 => {
                let weight = self.core[(0, 0)] * self.taps[0].of(y);
                add_scaled(y, -weight, &self.right[0]);
            }
            _ => {
                let seen: Vec<f64> = self.taps.iter().map(|t| t.of(y)).collect();
                for i in 0..k {
                    let weight: f64 = (0..k).map(|j| self.core[(i, j)] * seen[j]).sum();
                    add_scaled(y, -weight, &self.right[i]);
                }
            }
        }
    }

    /// Turns a = mᵀ B into mᵀ B'.
    pub(crate) fn correct_row(&self, a: &mut [f64]) {
        let k = self.taps.len();
        if k == 0 {
            return;
        }
        let seen: Vec<f64> = self.taps.iter().map(|t| t.of(a)).collect();
        for j in 0..k {
            let weight: f64 = (0..k).map(|i| seen[i] * self.core[(i, j)]).sum();
            add_scaled(a, -weight, &self.left[j]);
        }
    }

    /// Currents of changed elements of next to no resistance, A; `moved` is
    /// what the devices' departures from their tangents do to B's unknowns.
    pub(crate) fn told_amps(&self, moved: &[f64]) -> Vec<(ElementId, f64)> {
        let k = self.taps.len();
        self.told
            .iter()
            .enumerate()
            .filter_map(|(i, told)| {
                let (element, share) = (*told)?;
                let through: f64 = (0..k)
                    .map(|j| {
                        let tap = self.taps[j];
                        self.core[(i, j)] * (tap.of(&self.driven) + tap.of(moved) - self.offsets[j])
                    })
                    .sum();
                Some((element, through * share))
            })
            .collect()
    }
}
