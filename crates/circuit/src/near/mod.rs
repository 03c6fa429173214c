//! Operating points near a known one.
//!
//! A failure is laid over the network *linearised about its healthy state*,
//! so that only those devices whose slopes it turns need Newton's method, and
//! what it does not move costs next to nothing. What can't be followed from
//! there is left to [`Base::solve`].

mod centre;
mod drives;
mod load;
mod newton;
mod read;
mod unmoved;
mod update;

use deadstage_parts::Device;

use crate::base::{Base, MOST_FLIPS, Scratch, strike_volts};
use crate::network::{ElementId, LEAST_OHMS, STIFF_OHMS};
use crate::overlay::{Change, Overlay};
use crate::ports::PortState;
use crate::situation::Values;
pub(crate) use centre::Centre;
pub(crate) use newton::NearScratch;
use newton::{Settled, Settling};
use read::Adjoints;
use update::Update;

/// Volts over the striking voltage at which a regulator would strike whatever
/// the tubes about it do in the dark, as a ratio.
const SURE_STRIKE: f64 = 1.1;

/// The known points of a network in one situation.
#[derive(Clone, Debug)]
pub(crate) struct Centres {
    lit: Centre,
    /// With every regulator dark, where the search for who strikes starts.
    dark: Option<Centre>,
}

impl Centres {
    /// `None`: the healthy state does not follow from its own equations by update.
    pub(crate) fn new(base: &Base<'_>, scratch: &mut Scratch) -> Option<Self> {
        base.linear.inverse()?;
        let at = |overlay: &[Change], scratch: &mut Scratch| {
            let point = base.solve_fixed(overlay, None, scratch).ok()?;
            Centre::new(base.network, &base.linear, &point)
        };
        let dark = base.dark_overlay();
        Some(Self {
            lit: at(&[], scratch)?,
            dark: if dark.is_empty() || !base.situation().power {
                None
            } else {
                Some(at(&dark, scratch)?)
            },
        })
    }
}

/// An operating point found near a known one.
#[derive(Clone, Debug)]
pub struct NearPoint<'a> {
    base: &'a Base<'a>,
    centre: &'a Centre,
    overlay: Overlay,
    values: Values,
    update: Update,
    settled: Settled,
    /// Currents of elements that have next to no resistance.
    told: Vec<(ElementId, f64)>,
    adjoints: Adjoints,
}

impl Base<'_> {
    /// The operating point with `overlay` laid over the network, as
    /// [`Base::solve`] finds it to well within what a meter can tell, but quicker where
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
        let network = self.network;
        let mut values = self.values().clone();
        values.change_devices(network, overlay);
        let Some(dark) = &centres.dark else {
            return self.near_at(&centres.lit, overlay, values, start, scratch);
        };
        let regulators: Vec<usize> = (0..network.devices.len())
            .filter(|&d| strike_volts(&network.devices[d].law).is_some() && values.present[d])
            .collect();
        // Where those that glow would strike with volts to spare, and no other
        // would, there is no need to see them all dark.
        let mut glowing = values.clone();
        for &d in &regulators {
            glowing.conditions[d].fired = centres.lit.values.conditions[d].fired;
        }
        if let Some(point) = self.near_at(&centres.lit, overlay, glowing, start, scratch)
            && self.strikes_surely(dark, &point, &regulators)
        {
            return Some(point);
        }
        let mut unlit = values.clone();
        for (present, slot) in unlit.present.iter_mut().zip(&network.devices) {
            *present &= !matches!(slot.law, Device::Regulator(_));
        }
        let mut point = self.near_at(dark, overlay, unlit, None, scratch)?;
        for _ in 0..=regulators.len() {
            let mut struck = false;
            for &d in &regulators {
                let slot = &network.devices[d];
                let condition = &mut values.conditions[d];
                let strike = strike_volts(&slot.law).unwrap_or(f64::INFINITY) * condition.volts;
                if !condition.fired && point.device_volts(d) >= strike {
                    condition.fired = true;
                    struck = true;
                }
            }
            if !struck {
                break;
            }
            point = self.near_at(&centres.lit, overlay, values.clone(), start, scratch)?;
        }
        Some(point)
    }

    /// Whether every glowing regulator would strike out of the dark by a wide
    /// margin, as far as the network's response in the dark tells, and no other would.
    fn strikes_surely(&self, dark: &Centre, point: &NearPoint<'_>, regulators: &[usize]) -> bool {
        let state = point.state();
        let ports: Vec<usize> = regulators
            .iter()
            .map(|&d| self.network.devices[d].first_port)
            .collect();
        regulators.iter().zip(&ports).all(|(&d, &port)| {
            let condition = &point.values.conditions[d];
            let strike = strike_volts(&self.network.devices[d].law).unwrap_or(f64::INFINITY);
            if !condition.fired {
                return state.volts[port] < strike * condition.volts;
            }
            let tap = self.linear.port_taps[port];
            let rise: f64 = ports
                .iter()
                .map(|&q| dark.response(tap, self.linear.port_taps[q]) * state.amps[q])
                .sum();
            state.volts[port] + rise >= SURE_STRIKE * strike * condition.volts
        })
    }

    /// About one known point, devices being as they are in `values`.
    fn near_at<'a>(
        &'a self,
        centre: &'a Centre,
        overlay: &[Change],
        mut values: Values,
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Option<NearPoint<'a>> {
        let update = Update::new(&self.linear.taps, centre, &values, overlay)?;
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    values.elements[element.0 as usize].ohms = ohms.max(LEAST_OHMS);
                }
                Change::Emf(element, emf) => values.elements[element.0 as usize].emf = emf,
                Change::Shunt { .. } | Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        let settling = Settling {
            base: self,
            centre,
            values: &values,
            update: &update,
        };
        let settled = settling.settle(start, &mut scratch.near)?;
        let told = update.told_amps(&settled.moved);
        Some(NearPoint {
            base: self,
            centre,
            overlay: overlay.to_vec(),
            values,
            update,
            settled,
            told,
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
        crate::linear::Tap::between(node, 0).of(&self.settled.unknowns)
    }

    /// Current through an element from its first node to its second, A.
    pub fn element_amps(&self, id: ElementId) -> f64 {
        let value = self.values.elements[id.0 as usize];
        let picked = self.base.linear.taps[id.0 as usize].of(&self.settled.unknowns);
        if value.stiff {
            return picked;
        }
        if value.ohms < STIFF_OHMS
            && let Some((_, amps)) = self.told.iter().find(|(told, _)| *told == id)
        {
            return *amps;
        }
        (picked - value.emf) / value.ohms
    }

    /// The point with a further change, regulators and relays held as they are.
    fn beside(&self, overlay: Overlay, scratch: &mut Scratch) -> Option<Self> {
        let mut values = self.base.values().clone();
        values.change_devices(self.base.network, &overlay);
        values.conditions.clone_from(&self.values.conditions);
        values.present.clone_from(&self.values.present);
        self.base.near_at(
            self.centre,
            &overlay,
            values,
            Some(&self.settled.state),
            scratch,
        )
    }
}
