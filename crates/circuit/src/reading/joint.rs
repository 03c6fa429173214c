//! How a whole network strays when every parameter strays by its spread, watched at many points at once.
//!
//! With x what the node voltages stray by, and z the parameters in spreads, the equations at the point say J x = T z: a column of T
//! holds the currents that one parameter's spread drives, mostly at the ends of one element or at one device's
//! ports. A watched voltage is y = h·x + e, with e of a variance R of its own. So
//!
//! ```text
//! C = H J⁻¹ Q J⁻ᵀ Hᵀ + R,   Q = T Tᵀ
//! ```
//!
//! which is full, though J, Q and H are not. C⁻¹ r is found without it, from the least squares z·z + eᵀ R⁻¹ e
//! under these equations:
//!
//! ```text
//! ⎡ −Q        J     ⎤ ⎡ λ ⎤   ⎡     0     ⎤
//! ⎣  Jᵀ  Hᵀ R⁻¹ H   ⎦ ⎣ x ⎦ = ⎣ Hᵀ R⁻¹ r  ⎦      C⁻¹ r = R⁻¹ (r − H x)
//! ```
//!
//! in the pattern of J. The x of its inverse are what is left of the voltages' covariance once all is watched; with no H they are
//! all of it. ln det C = ln det R + ln |det| of this − 2 ln |det J|.
//!
//! The cost is that of a few solutions, however many points are watched. Parameters that drive currents in many places (the mains, the
//! track of a potentiometer) are told [apart](JointSpread::apart): each is one more column.

use std::sync::Arc;

use super::OperatingPoint;
use super::sensitivities::SensitivityTerm;
use crate::equations::pins::Block;
use crate::equations::tap::Tap;
use crate::linalg::elimination::Elimination;
use crate::linalg::saddle::{Pair, SaddleFactors};
use crate::network::{ElementId, ParameterKind};
use crate::scratch::Scratch;

/// A voltage that is watched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watched {
    /// Node of the red lead.
    pub from: usize,
    /// Node of the black lead.
    pub to: usize,
    /// What is shown of each volt.
    pub share: f64,
    /// Variance of its own, V²; infinite for a point that is only asked about.
    pub variance: f64,
}

/// What [`OperatingPoint::joint_spread`] finds.
#[derive(Clone, Debug)]
pub struct JointSpread {
    elimination: Arc<Elimination>,
    factors: SaddleFactors,
    watched: Vec<(Ends, Watched)>,
    variances: Vec<f64>,
    precisions: Vec<f64>,
    ln_det: f64,
    apart: Vec<(usize, Vec<f64>)>,
}

/// Places of a voltage's two ends among the unknowns; the common node's is behind them.
#[derive(Clone, Copy, Debug)]
struct Ends {
    from: usize,
    to: usize,
}

impl JointSpread {
    /// By watched voltage, its variance but for its own, V²; what is told apart is left out.
    pub fn variances(&self) -> &[f64] {
        &self.variances
    }

    /// By watched voltage, its entry on the diagonal of C⁻¹.
    pub fn precisions(&self) -> &[f64] {
        &self.precisions
    }

    /// ln det C, of the voltages that have a variance of their own.
    pub fn ln_det(&self) -> f64 {
        self.ln_det
    }

    /// Parameters that are in no variance and in no C here: by the index of each, what its spread does to every watched voltage.
    pub fn apart(&self) -> &[(usize, Vec<f64>)] {
        &self.apart
    }

    /// C⁻¹ r; nought for a voltage that is only asked about.
    pub fn weigh(&self, r: &[f64]) -> Vec<f64> {
        let mut b = vec![[0.0; 2]; self.elimination.size() + 1];
        for ((ends, watched), r) in self.watched.iter().zip(r) {
            let amount = watched.share * r / watched.variance;
            b[ends.from][1] += amount;
            b[ends.to][1] -= amount;
        }
        self.solve(&mut b);
        let all = self.watched.iter().zip(r);
        all.map(|((ends, watched), r)| {
            (r - watched.share * (b[ends.from][1] - b[ends.to][1])) / watched.variance
        })
        .collect()
    }

    fn solve(&self, b: &mut [Pair]) {
        let size = self.elimination.size();
        b[size] = [0.0; 2];
        self.elimination.solve_saddle(&self.factors, b);
    }
}

/// What drives the equations: Q, and the parameters that are not in it.
struct Drives {
    /// Entries of Q in the pattern.
    entries: Vec<f64>,
    /// By index of a parameter that has no place there, the currents of its spread at the unknowns.
    apart: Vec<(usize, Vec<(Tap, f64)>)>,
}

impl OperatingPoint<'_> {
    /// Whether the voltage between two nodes can be watched by [`joint_spread`](Self::joint_spread): some element or device joins them.
    pub fn can_watch(&self, from: usize, to: usize) -> bool {
        let index = |node| u32::try_from(self.pattern.index(node)).unwrap_or(u32::MAX);
        let elimination = &self.pattern.elimination;
        let is_common = |node| self.pattern.index(node) == elimination.size();
        is_common(from) || is_common(to) || elimination.find(index(from), index(to)).is_some()
    }

    /// How the watched voltages stray together where every parameter strays by its `sigma`
    /// (in [`Network::parameters`](crate::Network::parameters) order). `None`: a failure joins nodes that nothing else
    /// joins, a voltage [can't be watched](Self::can_watch), or the equations have no slope.
    pub fn joint_spread(&self, sigma: &[f64], watched: &[Watched]) -> Option<JointSpread> {
        let (slopes, extras) = self.slopes_here()?;
        if !extras.is_empty() {
            return None;
        }
        let elimination = &self.pattern.elimination;
        let drives = self.drives(sigma);
        let nothing = vec![0.0; elimination.places()];
        let mut held = nothing.clone();
        for at in watched {
            let weight = at.share * at.share / at.variance;
            if weight > 0.0 && !self.pattern.add_path(at.from, at.to, weight, &mut held) {
                return None;
            }
        }
        let bare = elimination.factor_saddle(slopes.entries(), &drives.entries, &nothing)?;
        let factors = elimination.factor_saddle(slopes.entries(), &drives.entries, &held)?;
        let of_bare = elimination.invert_saddle(&bare);
        let of_held = elimination.invert_saddle(&factors);
        let mut this = JointSpread {
            elimination: Arc::clone(elimination),
            ln_det: factors.ln_det() - bare.ln_det(),
            factors,
            watched: Vec::with_capacity(watched.len()),
            variances: Vec::with_capacity(watched.len()),
            precisions: Vec::with_capacity(watched.len()),
            apart: Vec::new(),
        };
        for at in watched {
            let ends = Ends {
                from: self.pattern.index(at.from),
                to: self.pattern.index(at.to),
            };
            let between = |inverse| {
                let entry = |row, column| elimination.saddle_entry(inverse, row, column);
                let (from, to) = (ends.from, ends.to);
                Some(entry(from, from)? - 2.0 * entry(from, to)? + entry(to, to)?)
            };
            let square = at.share * at.share;
            this.variances.push(square * between(&of_bare)?.max(0.0));
            this.precisions.push(if at.variance.is_finite() {
                this.ln_det += at.variance.ln();
                (1.0 - square * between(&of_held)? / at.variance) / at.variance
            } else {
                0.0
            });
            this.watched.push((ends, *at));
        }
        let mut scratch = Scratch::default();
        for (parameter, taps) in &drives.apart {
            let effect = self.respond(taps, &this.watched, &mut scratch);
            this.apart.push((*parameter, effect));
        }
        Some(this)
    }

    /// What the watched voltages of a joint spread move by where the parameters move by so much, each in its own measure.
    pub fn respond_to(
        &self,
        moved: &[f64],
        spread: &JointSpread,
        scratch: &mut Scratch,
    ) -> Vec<f64> {
        let terms = self.joint_terms().iter();
        let taps: Vec<(Tap, f64)> = terms
            .filter(|term| moved[term.parameter] != 0.0)
            .map(|term| (term.tap, term.amount * moved[term.parameter]))
            .collect();
        self.respond(&taps, &spread.watched, scratch)
    }

    fn respond(
        &self,
        taps: &[(Tap, f64)],
        watched: &[(Ends, Watched)],
        scratch: &mut Scratch,
    ) -> Vec<f64> {
        self.columns(taps, &mut scratch.column);
        let x = &scratch.column;
        let all = watched.iter();
        all.map(|(ends, at)| at.share * (x[ends.from] - x[ends.to]))
            .collect()
    }

    /// What the parameters' spreads drive.
    fn drives(&self, sigma: &[f64]) -> Drives {
        let network = self.network();
        let mut entries = vec![0.0; self.pattern.elimination.places()];
        let mut apart: Vec<(usize, Vec<(Tap, f64)>)> = Vec::new();
        let mut of_device: Vec<Option<Block>> = vec![None; network.devices.len()];
        for terms in self
            .joint_terms()
            .chunk_by(|a, b| a.parameter == b.parameter)
        {
            let parameter = terms[0].parameter;
            let sigma = sigma[parameter];
            if sigma == 0.0 {
                continue;
            }
            match &network.parameters[parameter].kind {
                ParameterKind::Device(id, _) => {
                    let first = network.device(*id).first_port;
                    let block = of_device[id.0 as usize].get_or_insert_default();
                    self.add_square(terms, first, sigma, block);
                }
                ParameterKind::Ohms(elements) if elements.len() == 1 => {
                    self.add_element(elements[0], sigma * terms[0].amount, &mut entries);
                }
                ParameterKind::Emf(id) => {
                    self.add_element(*id, sigma * terms[0].amount, &mut entries);
                }
                ParameterKind::Line | ParameterKind::Ohms(_) | ParameterKind::Wiper(..) => {
                    let driven = terms.iter().map(|term| (term.tap, sigma * term.amount));
                    match apart.iter_mut().find(|(known, _)| *known == parameter) {
                        Some((_, taps)) => taps.extend(driven),
                        None => apart.push((parameter, driven.collect())),
                    }
                }
            }
        }
        for (device, block) in of_device.iter().enumerate() {
            if let Some(block) = block {
                let nothing = Block::default();
                self.pattern
                    .socket(device)
                    .turn(block, &nothing, &mut entries);
            }
        }
        Drives { entries, apart }
    }

    /// Adds what one trait drives at a device's ports to Q between them.
    fn add_square(
        &self,
        terms: &[SensitivityTerm],
        first_port: usize,
        sigma: f64,
        block: &mut Block,
    ) {
        let port = |tap: Tap| {
            let taps = &self.pattern.port_taps[first_port..];
            taps.iter().position(|known| *known == tap).unwrap_or(0)
        };
        for one in terms {
            let row = &mut block[port(one.tap)];
            for other in terms {
                row[port(other.tap)] += sigma * sigma * one.amount * other.amount;
            }
        }
    }

    fn add_element(&self, id: ElementId, amps: f64, entries: &mut [f64]) {
        let element = self.network().element(id);
        self.pattern
            .add_path(element.from, element.to, amps * amps, entries);
    }
}

#[cfg(test)]
mod tests;
