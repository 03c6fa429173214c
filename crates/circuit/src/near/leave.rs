//! What is left over at every node, and the devices that must be asked for it.
//!
//! Where a step solves the equations, what is left over behind it is what the devices asked leave their
//! tangents by. Anywhere else it is summed up element by element.

use deadstage_parts::{MAX_PORTS, PortVolts};

use super::look::Look;
use super::newton::{ALONG_SLOPES, NearScratch, Settling};
use super::pins::{along, along_ports, times_vector};
use crate::ports::MOST_VOLTS;

impl Settling<'_> {
    /// Currents left over at every node at the present guess, every wire and every device.
    pub(super) fn leave(&self, scratch: &NearScratch, left: &mut Vec<f64>) {
        self.leave_wires(&scratch.x, scratch, left);
        for (device, seat) in scratch.seats.iter().enumerate() {
            let amps = self.drawn(device, seat.here(), &scratch.x, scratch);
            self.frame.socket(device).draw(&amps, left);
        }
    }

    fn leave_wires(&self, x: &[f64], scratch: &NearScratch, left: &mut Vec<f64>) {
        left.clear();
        left.resize(x.len(), 0.0);
        scratch.laid.leave(x, left);
        if let Some(bench) = self.values.bench {
            left[self.frame.index(bench.from)] -= bench.amps;
            left[self.frame.index(bench.to)] += bench.amps;
        }
    }

    /// What a device draws at `x` by a look at it, along the slopes that the equations at hand have.
    pub(super) fn drawn(
        &self,
        device: usize,
        look: &Look,
        x: &[f64],
        scratch: &NearScratch,
    ) -> [f64; MAX_PORTS] {
        let socket = self.frame.socket(device);
        let mut off = socket.volts(x);
        let mut slopes = &scratch.seats[device].here().currents.siemens;
        match scratch.pin(device) {
            None => {
                for (off, v) in off.iter_mut().zip(&look.volts) {
                    *off -= v;
                }
            }
            Some(pinned) => {
                off = pinned.off(look, &off);
                slopes = &pinned.through;
            }
        }
        along_ports(socket.ports(), &look.currents.amps, slopes, &off)
    }

    /// Asks the devices that a step took somewhere else, and finds what is left over there.
    pub(super) fn look(&self, damping: f64, scratch: &mut NearScratch) {
        let mut left = std::mem::take(&mut scratch.next);
        if scratch.is_direct {
            left.clear();
            left.extend(scratch.residual.iter().map(|amps| (1.0 - damping) * amps));
            for &device in &scratch.astray {
                let led = scratch.seats[device].led.map(|amps| -amps);
                self.frame.socket(device).draw(&led, &mut left);
            }
        } else {
            self.leave_wires(&scratch.trial, scratch, &mut left);
        }
        let is_known = scratch.is_direct && scratch.pinned.is_empty();
        scratch.departure = if is_known { 0.0 } else { f64::INFINITY };
        for device in 0..scratch.seats.len() {
            let ports = self.frame.socket(device).ports();
            if scratch.pin(device).is_some() {
                self.look_behind_pins(device, damping, scratch, &mut left);
                continue;
            }
            match ports {
                1 => self.look_at::<1>(device, scratch, &mut left),
                2 => self.look_at::<2>(device, scratch, &mut left),
                3 => self.look_at::<3>(device, scratch, &mut left),
                _ => self.look_at::<MAX_PORTS>(device, scratch, &mut left),
            }
        }
        if let Some(common) = left.last_mut() {
            *common = 0.0;
        }
        scratch.next = left;
    }

    /// How far currents out of a device's ports would move them, as sizes are measured, by what the ports see at the
    /// known point. Infinite: that is not known.
    #[inline]
    fn would_move<const N: usize>(
        &self,
        device: usize,
        amps: &[f64; MAX_PORTS],
        scratch: &NearScratch,
    ) -> f64 {
        let ports = self.base.network.devices[device].first_port..;
        let Some(ohms) = self.centre.port_ohms(self.frame).get(ports.clone()) else {
            return f64::INFINITY;
        };
        let seen = ohms.iter().zip(&scratch.weights[ports]).take(N);
        let moves = amps
            .iter()
            .zip(seen)
            .map(|(i, (ohms, weight))| i.abs() * ohms * weight);
        moves.fold(0.0, |most, by| if by > most { by } else { most })
    }

    /// Asks one device of so many ports where it must be, and adds what it leaves over.
    #[inline]
    fn look_at<const N: usize>(&self, device: usize, scratch: &mut NearScratch, left: &mut [f64]) {
        let socket = self.frame.socket(device);
        let seat = &mut scratch.seats[device];
        let here = &seat.looks[seat.now];
        let volts = socket.volts_of::<N>(&scratch.trial);
        let mut off = [0.0; MAX_PORTS];
        for p in 0..N {
            off[p] = volts[p] - here.volts[p];
        }
        seat.is_fresh = self.values.present[device]
            && !is_within(&off[..N], ALONG_SLOPES)
            && !here.is_straight::<N>(&off);
        if !seat.is_fresh {
            if !scratch.is_direct {
                let amps = along::<N>(&here.currents.amps, &here.currents.siemens, &off);
                socket.draw_of::<N>(&amps, left);
            }
            return;
        }
        let tangent = along::<N>(&here.currents.amps, &here.currents.siemens, &off);
        let is_held = !is_within(&volts[..N], MOST_VOLTS);
        let asked = if is_held {
            volts.map(|v| v.clamp(-MOST_VOLTS, MOST_VOLTS))
        } else {
            volts
        };
        let mut amps;
        let [one, other] = &mut seat.looks;
        let (here, fresh) = if seat.now == 0 {
            (one, other)
        } else {
            (other, one)
        };
        fresh.volts = asked;
        fresh.currents = self.ask(device, &asked);
        if is_held {
            fresh.forget_bend();
            for p in 0..N {
                off[p] = volts[p] - asked[p];
            }
            amps = along::<N>(&fresh.currents.amps, &here.currents.siemens, &off);
        } else {
            amps = fresh.currents.amps;
            fresh.begin_bend::<N>(&tangent, &off);
        }
        if scratch.is_direct {
            for p in 0..N {
                amps[p] -= tangent[p];
            }
            let led = &scratch.seats[device].led;
            let further = std::array::from_fn(|p| amps[p] - led[p]);
            let moved = self.would_move::<N>(device, &further, scratch);
            scratch.departure = scratch.departure.max(moved);
        }
        socket.draw_of::<N>(&amps, left);
    }

    /// The same for a device with resistance in its pins.
    fn look_behind_pins(
        &self,
        device: usize,
        damping: f64,
        scratch: &mut NearScratch,
        left: &mut [f64],
    ) {
        let Some(pinned) = scratch.pin(device) else {
            return;
        };
        let socket = self.frame.socket(device);
        let here = scratch.seats[device].here();
        let (at, by) = (socket.volts(&scratch.x), socket.volts(&scratch.step));
        let there: PortVolts = std::array::from_fn(|p| at[p] - by[p]);
        let step = times_vector(&pinned.inverse, &pinned.off(here, &there));
        let volts: PortVolts = std::array::from_fn(|p| here.volts[p] + damping * step[p]);
        let off: PortVolts = std::array::from_fn(|p| volts[p] - here.volts[p]);
        let is_fresh = self.values.present[device]
            && !is_within(&off, ALONG_SLOPES)
            && !here.is_straight::<MAX_PORTS>(&off);
        let tangent = self.drawn(device, here, &scratch.trial, scratch);
        let mut amps = tangent;
        if is_fresh {
            let volts = volts.map(|v| v.clamp(-MOST_VOLTS, MOST_VOLTS));
            let fresh = Look::new(volts, self.ask(device, &volts));
            amps = self.drawn(device, &fresh, &scratch.trial, scratch);
            *scratch.seats[device].other() = fresh;
        }
        scratch.seats[device].is_fresh = is_fresh;
        if scratch.is_direct {
            for (amps, tangent) in amps.iter_mut().zip(&tangent) {
                *amps -= tangent;
            }
        }
        socket.draw(&amps, left);
    }

    /// Sums up what is left over where was looked, where it is not yet, and makes the correction anew.
    pub(super) fn look_again(&self, scratch: &mut NearScratch) {
        if scratch.is_direct {
            self.sum_up(scratch);
            scratch.correction.clone_from(&scratch.next);
            self.solve(&mut scratch.solver, &mut scratch.correction);
        }
    }

    /// Sums up what is left over where was looked, element by element.
    pub(super) fn sum_up(&self, scratch: &mut NearScratch) {
        scratch.is_direct = false;
        let mut left = std::mem::take(&mut scratch.next);
        self.leave_wires(&scratch.trial, scratch, &mut left);
        for (device, seat) in scratch.seats.iter().enumerate() {
            let amps = self.drawn(device, seat.last(), &scratch.trial, scratch);
            self.frame.socket(device).draw(&amps, &mut left);
        }
        if let Some(common) = left.last_mut() {
            *common = 0.0;
        }
        scratch.next = left;
    }
}

/// Whether no port moves further; what is no number has moved.
#[inline]
pub(super) fn is_within(off: &[f64], most: f64) -> bool {
    off.iter().all(|d| d.abs() <= most)
}
