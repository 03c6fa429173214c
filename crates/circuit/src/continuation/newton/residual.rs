//! What is left over at every node, and the devices that must be asked for it.
//!
//! Where a step solves the equations, what is left over behind it is what the devices asked leave their
//! tangents by. Anywhere else it is summed up element by element.

use deadstage_parts::{MAX_PORTS, PortVolts};

use super::{NewtonProblem, NewtonScratch, Precision};
use crate::equations::linearisation::Linearisation;
use crate::equations::pins::{along, along_ports, times_vector};
use crate::state::MOST_VOLTS;

impl NewtonProblem<'_> {
    /// Currents left over at every node at the present guess, every wire and every device.
    pub(crate) fn add_residual(&self, scratch: &NewtonScratch, left: &mut Vec<f64>) {
        self.wire_residual(&scratch.x, scratch, left);
        for (device, iterate) in scratch.iterates.iter().enumerate() {
            let amps = self.drawn(device, iterate.here(), &scratch.x, scratch);
            self.pattern.socket(device).draw(&amps, left);
        }
    }

    fn wire_residual(&self, x: &[f64], scratch: &NewtonScratch, left: &mut Vec<f64>) {
        left.clear();
        left.resize(x.len(), 0.0);
        scratch.stamped.add_residual(x, left);
        if let Some(bench) = self.values.bench {
            left[self.pattern.index(bench.from)] -= bench.amps;
            left[self.pattern.index(bench.to)] += bench.amps;
        }
    }

    /// What a device draws at `x` by a look at it, along the slopes that the equations at hand have.
    pub(crate) fn drawn(
        &self,
        device: usize,
        look: &Linearisation,
        x: &[f64],
        scratch: &NewtonScratch,
    ) -> [f64; MAX_PORTS] {
        let socket = self.pattern.socket(device);
        let mut off = socket.volts(x);
        let mut slopes = &scratch.iterates[device].here().currents.siemens;
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
    pub(crate) fn evaluate(&self, damping: f64, scratch: &mut NewtonScratch) {
        let mut left = std::mem::take(&mut scratch.next);
        if scratch.is_direct {
            left.clear();
            left.extend(scratch.residual.iter().map(|amps| (1.0 - damping) * amps));
            for &device in &scratch.strongly_nonlinear {
                let led = scratch.iterates[device].led.map(|amps| -amps);
                self.pattern.socket(device).draw(&led, &mut left);
            }
        } else {
            self.wire_residual(&scratch.trial, scratch, &mut left);
        }
        let is_known = scratch.is_direct && scratch.pinned.is_empty();
        scratch.departure = if is_known { 0.0 } else { f64::INFINITY };
        for device in 0..scratch.iterates.len() {
            let ports = self.pattern.socket(device).ports();
            if scratch.pin(device).is_some() {
                self.evaluate_behind_pins(device, damping, scratch, &mut left);
                continue;
            }
            match ports {
                1 => self.evaluate_device::<1>(device, scratch, &mut left),
                2 => self.evaluate_device::<2>(device, scratch, &mut left),
                3 => self.evaluate_device::<3>(device, scratch, &mut left),
                _ => self.evaluate_device::<MAX_PORTS>(device, scratch, &mut left),
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
        scratch: &NewtonScratch,
    ) -> f64 {
        let ports = self.network.devices[device].first_port..;
        let Some(ohms) = self.expansion.port_ohms(self.pattern).get(ports.clone()) else {
            return f64::INFINITY;
        };
        let seen = ohms.iter().zip(&scratch.weights[ports]).take(N);
        let moves = amps
            .iter()
            .zip(seen)
            .map(|(i, (ohms, weight))| i.abs() * ohms * weight);
        moves.fold(0.0, |most, by| if by > most { by } else { most })
    }

    /// Whether a device may be told from its tangent, off which these steps take it by nothing that is asked for.
    #[inline]
    pub(crate) fn keeps_straight<const N: usize>(
        &self,
        here: &Linearisation,
        off: &PortVolts,
    ) -> bool {
        self.precision == Precision::Readings && here.is_straight::<N>(off)
    }

    /// Asks one device of so many ports where it must be, and adds what it leaves over.
    #[inline]
    fn evaluate_device<const N: usize>(
        &self,
        device: usize,
        scratch: &mut NewtonScratch,
        left: &mut [f64],
    ) {
        let socket = self.pattern.socket(device);
        let iterate = &mut scratch.iterates[device];
        let here = &iterate.linearisations[iterate.now];
        let volts = socket.volts_of::<N>(&scratch.trial);
        let mut off = [0.0; MAX_PORTS];
        for p in 0..N {
            off[p] = volts[p] - here.volts[p];
        }
        iterate.is_fresh = self.values.present[device]
            && !is_within(&off[..N], self.precision.along_slopes())
            && !self.keeps_straight::<N>(here, &off);
        if !iterate.is_fresh {
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
        let [one, other] = &mut iterate.linearisations;
        let (here, fresh) = if iterate.now == 0 {
            (one, other)
        } else {
            (other, one)
        };
        fresh.volts = asked;
        fresh.currents = self.ask(device, &asked);
        if is_held {
            fresh.forget_departure();
            for p in 0..N {
                off[p] = volts[p] - asked[p];
            }
            amps = along::<N>(&fresh.currents.amps, &here.currents.siemens, &off);
        } else {
            amps = fresh.currents.amps;
            fresh.begin_departure::<N>(&tangent, &off);
        }
        if scratch.is_direct {
            for p in 0..N {
                amps[p] -= tangent[p];
            }
            let led = &scratch.iterates[device].led;
            let further = std::array::from_fn(|p| amps[p] - led[p]);
            let moved = self.would_move::<N>(device, &further, scratch);
            scratch.departure = scratch.departure.max(moved);
        }
        socket.draw_of::<N>(&amps, left);
    }

    /// The same for a device with resistance in its pins.
    fn evaluate_behind_pins(
        &self,
        device: usize,
        damping: f64,
        scratch: &mut NewtonScratch,
        left: &mut [f64],
    ) {
        let Some(pinned) = scratch.pin(device) else {
            return;
        };
        let socket = self.pattern.socket(device);
        let here = scratch.iterates[device].here();
        let (at, by) = (socket.volts(&scratch.x), socket.volts(&scratch.step));
        let there: PortVolts = std::array::from_fn(|p| at[p] - by[p]);
        let step = times_vector(&pinned.inverse, &pinned.off(here, &there));
        let volts: PortVolts = std::array::from_fn(|p| here.volts[p] + damping * step[p]);
        let off: PortVolts = std::array::from_fn(|p| volts[p] - here.volts[p]);
        let is_fresh = self.values.present[device]
            && !is_within(&off, self.precision.along_slopes())
            && !self.keeps_straight::<MAX_PORTS>(here, &off);
        let tangent = self.drawn(device, here, &scratch.trial, scratch);
        let mut amps = tangent;
        if is_fresh {
            let volts = volts.map(|v| v.clamp(-MOST_VOLTS, MOST_VOLTS));
            let fresh = Linearisation::new(volts, self.ask(device, &volts));
            amps = self.drawn(device, &fresh, &scratch.trial, scratch);
            *scratch.iterates[device].other() = fresh;
        }
        scratch.iterates[device].is_fresh = is_fresh;
        if scratch.is_direct {
            for (amps, tangent) in amps.iter_mut().zip(&tangent) {
                *amps -= tangent;
            }
        }
        socket.draw(&amps, left);
    }

    /// Sums up what is left over where was looked, where it is not yet, and makes the correction anew.
    pub(crate) fn evaluate_exactly(&self, scratch: &mut NewtonScratch) {
        if scratch.is_direct {
            self.sum_up(scratch);
            scratch.correction.clone_from(&scratch.next);
            self.solve(&mut scratch.solver, &mut scratch.correction);
        }
    }

    /// Sums up what is left over where was looked, element by element.
    pub(crate) fn sum_up(&self, scratch: &mut NewtonScratch) {
        scratch.is_direct = false;
        let mut left = std::mem::take(&mut scratch.next);
        self.wire_residual(&scratch.trial, scratch, &mut left);
        for (device, iterate) in scratch.iterates.iter().enumerate() {
            let amps = self.drawn(device, iterate.last(), &scratch.trial, scratch);
            self.pattern.socket(device).draw(&amps, &mut left);
        }
        if let Some(common) = left.last_mut() {
            *common = 0.0;
        }
        scratch.next = left;
    }
}

/// Whether no port moves further; what is no number has moved.
#[inline]
pub(crate) fn is_within(off: &[f64], most: f64) -> bool {
    off.iter().all(|d| d.abs() <= most)
}
