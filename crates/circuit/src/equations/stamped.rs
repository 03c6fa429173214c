//! The linear part of the nodal equations, entry by entry, with a failure laid over it.
//!
//! Every element is a conductance here, also those of milliohms: what a
//! difference of two voltages leaves of their currents acts across the element
//! alone, where it moves nothing. A path that has no place in the pattern is an update ([`Extra`]).

use super::pattern::{NodalPattern, index, place};
use super::tap::{STRAY_LEAK_OHMS, Tap, untied};
use crate::network::{LEAST_OHMS, Network};
use crate::overlay::{Change, DeviceChange};
use crate::situation::Values;

/// A conductance that a change takes away and that is larger than this, siemens, would leave its
/// rounding behind: the matrix is summed up anew.
const LEAST_ROUNDED: f64 = 1e-3;

/// What a node is held by, siemens, that hangs on a path without a place, until that path is added.
const HOLD_SIEMENS: f64 = 1e-3;

/// A conductance between two nodes, perhaps with a source in series.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wire {
    from: u32,
    to: u32,
    siemens: f64,
    emf: f64,
}

/// A conductance toward a voltage that a node, or a capacitor, had a moment ago.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Companion {
    /// Node index.
    pub(crate) from: usize,
    /// Node index.
    pub(crate) to: usize,
    /// Farads over the step of time, S.
    pub(crate) siemens: f64,
    /// Volts from one node to the other a moment ago.
    pub(crate) volts: f64,
}

/// A path whose entries have no place: it is added by an update of the factors.
#[derive(Clone, Debug)]
pub(crate) struct Extra {
    pub(crate) tap: Tap,
    pub(crate) siemens: f64,
}

/// The linear part of the equations with a failure stamped over it.
#[derive(Clone, Debug, Default)]
pub(crate) struct StampedEquations {
    wires: Vec<Wire>,
    /// Nodes that hang on a stray leak.
    strays: Vec<u32>,
    /// Entries, every device with the slopes it has at the known point.
    pub(crate) matrix: Vec<f64>,
    pub(crate) extras: Vec<Extra>,
    /// Elements that differ from those of the known point.
    changed: Vec<usize>,
    /// Whether the known point's entries and no update stand in `matrix` and `extras` still.
    is_unsummed: bool,
    /// Whether it may be that the known point leaves over more than the changes say.
    is_residual_unknown: bool,
}

/// A path that is not as it is at the known point, and what that drives there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ConductanceChange {
    pub(crate) from: u32,
    pub(crate) to: u32,
    /// Which element; `None` for a path that the known point has not.
    pub(crate) element: Option<usize>,
    /// Change of its conductance.
    pub(crate) siemens: f64,
    /// Change of its current at the known point.
    pub(crate) amps: f64,
}

impl Wire {
    /// Current through it, A.
    #[inline]
    fn amps(&self, x: &[f64]) -> f64 {
        (x[self.from as usize] - x[self.to as usize] - self.emf) * self.siemens
    }
}

impl NodalPattern {
    /// The linear part with these values; the matrix without any device. Behind the elements stand `companions`.
    pub(crate) fn stamped(
        &self,
        network: &Network,
        values: &Values,
        companions: &[Companion],
    ) -> StampedEquations {
        let elements = network.elements.iter().zip(&values.elements);
        let elements = elements.map(|(element, value)| {
            self.wire(element.from, element.to, 1.0 / value.ohms, value.emf)
        });
        let companions = companions
            .iter()
            .map(|c| self.wire(c.from, c.to, c.siemens, c.volts));
        let wires: Vec<Wire> = elements.chain(companions).collect();
        let mut stamped = StampedEquations {
            strays: self.strays(network, &wires, values),
            wires,
            ..StampedEquations::default()
        };
        self.sum_up(&mut stamped);
        stamped
    }

    fn wire(&self, from: usize, to: usize, siemens: f64, emf: f64) -> Wire {
        Wire {
            from: index(&self.elimination, from),
            to: index(&self.elimination, to),
            siemens,
            emf,
        }
    }

    /// One node of each island that neither a wire nor a device with these values ties to the common.
    fn strays(&self, network: &Network, wires: &[Wire], values: &Values) -> Vec<u32> {
        self.islands(network, wires, values.insulated(network))
    }

    /// One node of each island that no wire, and none of these pairs, ties to the common.
    fn islands(
        &self,
        network: &Network,
        wires: &[Wire],
        pairs: impl Iterator<Item = (usize, usize)>,
    ) -> Vec<u32> {
        // By the nodes' own numbers, so that each island has the leak that it has anywhere.
        let node = |index: u32| self.nodes[index as usize] as usize;
        let joined = wires.iter().filter(|wire| wire.siemens > 0.0);
        let joined = joined.map(|wire| (node(wire.from), node(wire.to)));
        let strays = untied(network.nodes, joined.chain(pairs));
        let index = |node| index(&self.elimination, node);
        strays.into_iter().map(index).collect()
    }

    /// Adds a conductance to the entries of a matrix; whether it has places for it.
    fn add(&self, wire: &Wire, siemens: f64, matrix: &mut [f64]) -> bool {
        let (from, to) = (wire.from, wire.to);
        let find = |row, column| place(&self.elimination, row, column);
        let (Some(there), Some(back)) = (find(from, to), find(to, from)) else {
            return false;
        };
        for node in [from, to] {
            if let Some(at) = find(node, node) {
                matrix[at] += siemens;
            }
        }
        matrix[there] -= siemens;
        matrix[back] -= siemens;
        true
    }

    /// Adds a path's conductance between two nodes to the entries of a matrix; whether it has places for it.
    pub(crate) fn add_path(
        &self,
        from: usize,
        to: usize,
        siemens: f64,
        matrix: &mut [f64],
    ) -> bool {
        self.add(&self.wire(from, to, siemens, 0.0), siemens, matrix)
    }

    /// Sums the matrix up from the wires and the leaks alone.
    fn sum_up(&self, stamped: &mut StampedEquations) {
        let StampedEquations {
            wires,
            strays,
            matrix,
            ..
        } = stamped;
        matrix.clear();
        matrix.resize(self.elimination.places(), 0.0);
        for wire in wires.iter() {
            self.add(wire, wire.siemens, matrix);
        }
        for &stray in strays.iter() {
            if let Some(at) = place(&self.elimination, stray, stray) {
                matrix[at] += 1.0 / STRAY_LEAK_OHMS;
            }
        }
    }

    /// Lays the changed resistances and sources over the wires of `stamped`, which holds
    /// those of the known point, `before`; `values` are what the devices are with the overlay. The entries are left as they are there.
    pub(crate) fn lay(
        &self,
        network: &Network,
        overlay: &[Change],
        values: &Values,
        before: &StampedEquations,
        stamped: &mut StampedEquations,
    ) {
        stamped.take_wires(before);
        let mut reaches_else = false;
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let index = element.0 as usize;
                    let wire = &mut stamped.wires[index];
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    reaches_else |= (siemens > 0.0) != (wire.siemens > 0.0);
                    wire.siemens = siemens;
                    stamped.note_changed(index);
                }
                Change::Emf(element, volts) => {
                    let index = element.0 as usize;
                    stamped.wires[index].emf = volts;
                    stamped.note_changed(index);
                }
                Change::Shunt { from, to, ohms } => {
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    if from != to && siemens > 0.0 {
                        reaches_else = true;
                        stamped.wires.push(self.wire(from, to, siemens, 0.0));
                    }
                }
                Change::Device(_, DeviceChange::Absent | DeviceChange::NotFiring) => {
                    reaches_else = true;
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        if reaches_else {
            stamped.strays = self.strays(network, &stamped.wires, values);
        }
    }

    /// Brings the entries up to the wires as they are stamped, where they are not yet;
    /// `slopes` adds those of the devices at the known point.
    pub(crate) fn sum_stamped(
        &self,
        network: &Network,
        before: &StampedEquations,
        stamped: &mut StampedEquations,
        slopes: impl FnOnce(&mut [f64]),
    ) {
        if !std::mem::take(&mut stamped.is_unsummed) {
            return;
        }
        let is_rounded = |&index: &usize| {
            let then = before.wires[index].siemens;
            stamped.wires[index].siemens < then && then > LEAST_ROUNDED
        };
        if !stamped.hangs_alike(before) || stamped.changed.iter().any(is_rounded) {
            self.sum_up(stamped);
            slopes(&mut stamped.matrix);
        } else {
            stamped.matrix.clone_from(&before.matrix);
            for &index in &stamped.changed {
                let wire = stamped.wires[index];
                let step = wire.siemens - before.wires[index].siemens;
                self.add(&wire, step, &mut stamped.matrix);
            }
            for shunt in &stamped.wires[before.wires.len()..] {
                self.add(shunt, shunt.siemens, &mut stamped.matrix);
            }
        }
        self.find_extras(network, before, stamped);
    }

    /// The shunts that have no place, and what holds the nodes that would hang without them.
    fn find_extras(
        &self,
        network: &Network,
        before: &StampedEquations,
        stamped: &mut StampedEquations,
    ) {
        let has_place = |wire: &Wire| place(&self.elimination, wire.from, wire.to).is_some();
        let shunts = &stamped.wires[before.wires.len()..];
        for wire in shunts.iter().filter(|wire| !has_place(wire)) {
            stamped.extras.push(Extra {
                tap: Tap::of_unknowns(Some(wire.from as usize), Some(wire.to as usize)),
                siemens: wire.siemens,
            });
        }
        if stamped.extras.is_empty() {
            return;
        }
        let mut others = stamped.wires.clone();
        others.retain(has_place);
        for stray in self.islands(network, &others, std::iter::empty()) {
            if let Some(place) = place(&self.elimination, stray, stray)
                && !stamped.strays.contains(&stray)
            {
                // Added here, and taken away again with the shunts.
                stamped.matrix[place] += HOLD_SIEMENS;
                stamped.extras.push(Extra {
                    tap: Tap::unknown(stray as usize),
                    siemens: -HOLD_SIEMENS,
                });
            }
        }
    }
}

impl StampedEquations {
    /// Takes over the wires of another, in the memory at hand, and none of its entries.
    fn take_wires(&mut self, other: &Self) {
        self.wires.clone_from(&other.wires);
        self.strays.clone_from(&other.strays);
        self.extras.clear();
        self.changed.clear();
        self.is_unsummed = true;
        self.is_residual_unknown = false;
    }

    fn note_changed(&mut self, index: usize) {
        if !self.changed.contains(&index) {
            self.changed.push(index);
        }
    }

    /// Forgets that the known point leaves nothing over.
    pub(crate) fn mark_residual_unknown(&mut self) {
        self.is_residual_unknown = true;
    }

    /// Whether the same nodes hang on a leak.
    fn hangs_alike(&self, before: &Self) -> bool {
        // Mostly none: and a comparison of nothing at all costs some processors dearly
        // (a masked load from nowhere).
        let is_none = self.strays.is_empty() && before.strays.is_empty();
        is_none || self.strays == before.strays
    }

    /// Whether what the known point leaves over is what [`steps`](Self::steps) and the devices say.
    pub(crate) fn is_beside(&self, before: &Self) -> bool {
        !self.is_residual_unknown && self.hangs_alike(before)
    }

    /// The paths that differ from those `before`, and what they drive at `x`.
    pub(crate) fn steps<'l>(
        &'l self,
        before: &'l Self,
        x: &'l [f64],
    ) -> impl Iterator<Item = ConductanceChange> + 'l {
        let elements = self.changed.iter().map(move |&index| {
            let (now, then) = (&self.wires[index], &before.wires[index]);
            ConductanceChange {
                from: now.from,
                to: now.to,
                element: Some(index),
                siemens: now.siemens - then.siemens,
                amps: now.amps(x) - then.amps(x),
            }
        });
        let shunts = self.wires[before.wires.len()..]
            .iter()
            .map(move |wire| ConductanceChange {
                from: wire.from,
                to: wire.to,
                element: None,
                siemens: wire.siemens,
                amps: wire.amps(x),
            });
        elements.chain(shunts)
    }

    /// Adds to `out` the currents out of every node through the wires, A x − s. `x`
    /// and `out` have a place for the common node behind the others.
    pub(crate) fn add_residual(&self, x: &[f64], out: &mut [f64]) {
        let out = &mut out[..x.len()];
        for wire in &self.wires {
            let amps = wire.amps(x);
            out[wire.from as usize] += amps;
            out[wire.to as usize] -= amps;
        }
        for &stray in &self.strays {
            out[stray as usize] += x[stray as usize] / STRAY_LEAK_OHMS;
        }
    }
}
