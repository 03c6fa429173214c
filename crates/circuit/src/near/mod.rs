//! Operating points near a known one.
//!
//! Every equation of the network is solved by Newton's method from its healthy
//! state, in sparse factors whose pattern is worked out once (`frame.rs`): a
//! step costs a few operations an element, and a device that has not moved is
//! not asked again. What is left over at each node is summed up exactly, so
//! that the answer is that of [`plain`](crate::plain) to 10⁻⁹ V and 10⁻⁷ of
//! each voltage. What can't be followed from there is left to [`Base::solve`].

mod centre;
mod drives;
mod factors;
mod few;
mod frame;
mod leave;
mod load;
mod look;
mod newton;
mod pins;
mod read;
mod settled;
mod small;
mod starve;
mod unmoved;
mod update;

use std::cell::OnceCell;

use crate::base::{Base, MOST_FLIPS, Scratch, strike_volts};
use crate::dense::{Lu, Matrix};
use crate::network::ElementId;
use crate::overlay::{Change, Overlay};
use crate::ports::PortState;
use crate::situation::Values;
pub(crate) use centre::Centre;
use frame::Frame;
pub(crate) use newton::NearScratch;
use newton::{Settled, Settling};
use pins::pins;
use read::Adjoints;

/// Volts over the striking voltage at which a regulator would strike whatever
/// the tubes about it do in the dark, as a ratio.
const SURE_STRIKE: f64 = 1.1;

/// The known points of a network in one situation.
#[derive(Clone, Debug)]
pub(crate) struct Centres {
    frame: Frame,
    lit: Centre,
    /// With every regulator dark, where the search for who strikes starts.
    dark: Option<Centre>,
}

impl Centres {
    /// `None`: the healthy state does not follow from equations factored as they come.
    pub(crate) fn new(base: &Base<'_>, scratch: &mut Scratch) -> Option<Self> {
        let frame = Frame::new(base.network)?;
        let at = |overlay: &[Change], scratch: &mut Scratch| {
            let point = base.solve_fixed(overlay, None, scratch).ok()?;
            Centre::new(base, &frame, &point, scratch)
        };
        let lit = at(&[], scratch)?;
        let dark = base.dark_overlay();
        let dark = if dark.is_empty() || !base.situation().power {
            None
        } else {
            Some(at(&dark, scratch)?)
        };
        Some(Self { frame, lit, dark })
    }
}

/// Which of [`Base::regulators`] glow.
type Glow = Vec<bool>;

/// Lets these regulators glow in `values`.
fn lay_glow(base: &Base<'_>, glow: &[bool], values: &mut Values) {
    for (&device, &fired) in base.regulators.iter().zip(glow) {
        values.conditions[device].fired = fired;
    }
}

/// An operating point found near a known one.
#[derive(Clone, Debug)]
pub struct NearPoint<'a> {
    base: &'a Base<'a>,
    frame: &'a Frame,
    centre: &'a Centre,
    overlay: Overlay,
    glow: Glow,
    values: OnceCell<Values>,
    settled: Settled,
    adjoints: Adjoints,
}

impl Base<'_> {
    /// The operating point with `overlay` laid over the network, as
    /// [`Base::solve`] finds it, to 10⁻⁹ V and 10⁻⁷ of each voltage, but quicker where
    /// most of the network stays as it is. `None` where it can't be found this way.
    pub fn solve_near(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Option<NearPoint<'_>> {
        let centres = self.centres(scratch)?;
        if self.network.relays.is_empty() || !self.situation().power {
            return self.near_fixed(centres, overlay, start, scratch);
        }
        let mut energised = self.energised().to_vec();
        for _ in 0..MOST_FLIPS {
            let mut changes: Overlay = overlay.to_vec();
            self.move_contacts(&energised, &mut changes);
            let point = self.near_fixed(centres, &changes, start, scratch)?;
            let found: Vec<bool> = self
                .network
                .relays
                .iter()
                .map(|relay| point.element_amps(relay.coil).abs() >= relay.pulls_in)
                .collect();
            if found == energised {
                return Some(point);
            }
            energised = found;
        }
        None
    }

    /// With the relays held; regulators strike as in [`Base::solve`].
    fn near_fixed<'a>(
        &'a self,
        centres: &'a Centres,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Option<NearPoint<'a>> {
        let frame = &centres.frame;
        let Some(dark) = &centres.dark else {
            return self.near_at(frame, &centres.lit, overlay, Glow::new(), start, scratch);
        };
        // Where those that glow would strike with volts to spare, and no other
        // would, there is no need to see them all dark.
        let mut fired: Vec<bool> = self
            .regulators
            .iter()
            .map(|&d| centres.lit.values.conditions[d].fired)
            .collect();
        let glow = fired.clone();
        if let Some(point) = self.near_at(frame, &centres.lit, overlay, glow, start, scratch)
            && self.strikes_surely(&point).unwrap_or(false)
        {
            return Some(point);
        }
        fired.fill(false);
        let mut point = self.near_at(frame, dark, overlay, fired.clone(), None, scratch)?;
        let mut values = self.values().clone();
        values.change_devices(self.network, overlay);
        for _ in 0..=fired.len() {
            let mut struck = false;
            for (fired, &d) in fired.iter_mut().zip(&self.regulators) {
                let strike = strike_volts(&self.network.devices[d].law).unwrap_or(f64::INFINITY)
                    * values.conditions[d].volts;
                if values.present[d] && !*fired && point.device_volts(d) >= strike {
                    *fired = true;
                    struck = true;
                }
            }
            if !struck {
                break;
            }
            let glow = fired.clone();
            point = self.near_at(frame, &centres.lit, overlay, glow, start, scratch)?;
        }
        Some(point)
    }

    /// Whether every glowing regulator would strike out of the dark by a wide
    /// margin, as far as the network's response at the point tells, and no other
    /// would. `None`: it does not tell.
    fn strikes_surely(&self, point: &NearPoint<'_>) -> Option<bool> {
        let state = point.state();
        let values = point.values();
        let glowing: Vec<usize> = self
            .regulators
            .iter()
            .copied()
            .filter(|&d| values.present[d] && values.conditions[d].fired)
            .collect();
        let port = |d: usize| self.network.devices[d].first_port;
        let has_pins = |&d: &usize| pins(values, d, port(d), 1).is_some();
        if self.regulators.iter().any(has_pins) {
            return None;
        }
        let count = glowing.len();
        // With the glow out, v + K (1 − S K)⁻¹ i: what they see of each other through
        // the failed network, their own slopes taken out of it again.
        let mut columns = Vec::with_capacity(count);
        let mut turned = Matrix::zeros(count, count);
        for (q, &by) in glowing.iter().enumerate() {
            let mut column = Vec::new();
            point.column(point.frame.port_taps[port(by)], &mut column);
            for (p, &at) in glowing.iter().enumerate() {
                let slope = state.currents[at].siemens[0][0];
                turned[(p, q)] = -slope * point.frame.port_taps[port(at)].of(&column);
            }
            turned[(q, q)] += 1.0;
            columns.push(column);
        }
        let mut lu = Lu::default();
        lu.factor(&turned).ok()?;
        let mut amps: Vec<f64> = glowing.iter().map(|&d| state.amps[port(d)]).collect();
        lu.solve(&mut amps);
        let present = self.regulators.iter().filter(|&&d| values.present[d]);
        let mut all = present.map(|&d| {
            let condition = &values.conditions[d];
            let strike = strike_volts(&self.network.devices[d].law).unwrap_or(f64::INFINITY)
                * condition.volts;
            let tap = point.frame.port_taps[port(d)];
            let rise: f64 = columns.iter().zip(&amps).map(|(c, i)| tap.of(c) * i).sum();
            let dark = state.volts[port(d)] + rise;
            if condition.fired {
                dark >= SURE_STRIKE * strike
            } else {
                state.volts[port(d)] < strike && SURE_STRIKE * dark < strike
            }
        });
        Some(all.all(|sure| sure))
    }

    /// About one known point, with regulators as they `glow`.
    fn near_at<'a>(
        &'a self,
        frame: &'a Frame,
        centre: &'a Centre,
        overlay: &[Change],
        glow: Glow,
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Option<NearPoint<'a>> {
        let near = &mut scratch.near;
        let mut changed = std::mem::take(&mut near.values);
        let is_device = |change: &Change| matches!(change, Change::Pin { .. } | Change::Device(..));
        let values = if !glow.is_empty() || overlay.iter().any(is_device) {
            changed.copy_devices(self.values());
            changed.change_devices(self.network, overlay);
            lay_glow(self, &glow, &mut changed);
            &changed
        } else {
            self.values()
        };
        frame.lay(self.network, overlay, &centre.laid, &mut near.laid);
        let settling = Settling {
            base: self,
            frame,
            centre,
            overlay,
            values,
        };
        let settled = settling
            .settle(start, near)
            .or_else(|| start.and_then(|_| settling.settle(None, near)));
        near.values = changed;
        let settled = settled?;
        Some(NearPoint {
            base: self,
            frame,
            centre,
            overlay: overlay.to_vec(),
            glow,
            values: OnceCell::new(),
            settled,
            adjoints: Adjoints::default(),
        })
    }
}

impl NearPoint<'_> {
    /// The port voltages, to start a neighbouring solution from.
    pub fn state(&self) -> &PortState {
        &self.settled.state
    }

    /// Voltage of a device's first port.
    fn device_volts(&self, device: usize) -> f64 {
        self.settled.state.volts[self.base.network.devices[device].first_port]
    }

    /// Voltage of a node against the common, volts.
    pub fn node_volts(&self, node: usize) -> f64 {
        self.frame.tap(node, 0).of(&self.settled.unknowns)
    }

    /// What the elements and devices are at this point.
    pub fn values(&self) -> &Values {
        self.values.get_or_init(|| {
            let mut values = self.base.values().clone();
            values.change_devices(self.base.network, &self.overlay);
            values.change_elements(&self.overlay);
            lay_glow(self.base, &self.glow, &mut values);
            values
        })
    }

    /// Current through an element from its first node to its second, A.
    pub fn element_amps(&self, id: ElementId) -> f64 {
        let value = self.values().elements[id.0 as usize];
        (self.element_tap(id).of(&self.settled.unknowns) - value.emf) / value.ohms
    }

    /// Resistance that a small current into `from` and out of `to` would meet, ohms, tubes working.
    pub fn source_ohms(&self, from: usize, to: usize, scratch: &mut Scratch) -> f64 {
        let tap = self.frame.tap(from, to);
        self.column(tap, &mut scratch.column);
        tap.of(&scratch.column)
    }

    /// The point with a further change, regulators and relays held as they are.
    fn beside(&self, overlay: Overlay, scratch: &mut Scratch) -> Option<Self> {
        self.base.near_at(
            self.frame,
            self.centre,
            &overlay,
            self.glow.clone(),
            Some(&self.settled.state),
            scratch,
        )
    }
}
