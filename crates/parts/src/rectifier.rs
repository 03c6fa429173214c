//! A DC supply behind a transformer winding: rectifier, winding and filter
//! input taken together, averaged over a cycle of the mains.
//!
//! It is a law like any other: for the voltage at its output it gives the
//! direct current that flows. A supply delivers, so the current *into* its
//! positive output is minus what it delivers.
//!
//! Left out: leakage inductance, the ripple across the reservoir within the
//! conduction angle, the emission limit of a tube, and the mains' own
//! impedance (add it, times the square of the turns ratio, to the winding).

mod choke;
mod element;
mod pulse;

use std::f64::consts::{FRAC_1_PI, PI, SQRT_2};

use thiserror::Error;

use crate::device::{Condition, PortCurrents, PortVolts, Spread, Trait};

pub use element::{Connection, Filter, RectifierElement};

use choke::Wave;
use pulse::Series;

/// Least series resistance, ohms: no winding and rectifier have none.
const LEAST_OHMS: f64 = 0.5;

/// Mains frequency that is taken unless another is given, hertz.
pub const MAINS_HERTZ: f64 = 60.0;

/// Leakage across the output, siemens.
const LEAK_SIEMENS: f64 = 1e-9;

/// Least peak voltage that the law is worked out for.
const LEAST_VOLTS: f64 = 1e-3;

/// Why no law could be made of the figures given.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[non_exhaustive]
pub enum RectifierError {
    /// Volts of a winding, or an inductance, that are not above zero.
    #[error("{what} must be above zero, and is {value}")]
    NotPositive {
        /// Which figure.
        what: &'static str,
        /// What it was.
        value: f64,
    },
    /// A resistance below zero or not a number.
    #[error("winding resistance must not be below zero, and is {ohms} ohms")]
    Resistance {
        /// What it was.
        ohms: f64,
    },
}

/// Law of a rectified supply.
///
/// One port: positive output against negative output. Of the condition it looks
/// at [`Condition::perveance`] (of a vacuum rectifier; nothing at zero for any
/// kind), [`Condition::volts`] (of the winding), [`Condition::sides`],
/// [`Condition::reservoir`] and [`Condition::choke`].
#[derive(Clone, Debug, PartialEq)]
pub struct RectifierLaw {
    element: RectifierElement,
    connection: Connection,
    filter: Filter,
    peak_volts: f64,
    ohms: f64,
    mains_hertz: f64,
    /// Of the choke behind a reservoir, for when the reservoir is lost; henries.
    choke_behind: Option<f64>,
}

impl RectifierLaw {
    /// Rectifier on a winding of `winding_rms` volts RMS and `winding_ohms`
    /// ohms (both each side of a centre-tapped one).
    ///
    /// # Errors
    /// [`RectifierError`] where a figure is not one that a part can have.
    pub fn new(
        element: RectifierElement,
        connection: Connection,
        winding_rms: f64,
        winding_ohms: f64,
        filter: Filter,
    ) -> Result<Self, RectifierError> {
        let positive = |what, value: f64| {
            if value.is_finite() && value > 0.0 {
                Ok(value)
            } else {
                Err(RectifierError::NotPositive { what, value })
            }
        };
        let winding_rms = positive("winding voltage", winding_rms)?;
        if let Filter::Choke {
            henries: Some(henries),
        } = filter
        {
            positive("choke inductance", henries)?;
        }
        if !winding_ohms.is_finite() || winding_ohms < 0.0 {
            return Err(RectifierError::Resistance { ohms: winding_ohms });
        }
        Ok(Self {
            element,
            connection,
            filter,
            peak_volts: winding_rms * SQRT_2,
            ohms: winding_ohms.max(LEAST_OHMS),
            mains_hertz: MAINS_HERTZ,
            choke_behind: None,
        })
    }

    /// The same supply on mains of another frequency than 60 Hz; one that is not above zero is no change.
    #[must_use]
    pub fn at_hertz(mut self, hertz: f64) -> Self {
        if hertz.is_finite() && hertz > 0.0 {
            self.mains_hertz = hertz;
        }
        self
    }

    /// The same supply, capacitor input, with a choke of so many henries between its
    /// reservoir and the rest of the filter: without the reservoir it is the input.
    #[must_use]
    pub fn with_choke_behind(mut self, henries: f64) -> Self {
        self.choke_behind = Some(henries).filter(|h| h.is_finite() && *h > 0.0);
        self
    }

    /// The same supply with another rectifier in its socket.
    #[must_use]
    pub fn with_element(mut self, element: RectifierElement) -> Self {
        self.element = element;
        self
    }

    /// What rectifies.
    #[must_use]
    pub fn element(&self) -> RectifierElement {
        self.element
    }

    /// Whether one side can be dead and the other not: a full-wave or bridge circuit.
    #[must_use]
    pub fn has_sides(&self) -> bool {
        matches!(self.connection, Connection::FullWave | Connection::Bridge)
    }

    /// Whether it works into a reservoir.
    #[must_use]
    pub fn has_reservoir(&self) -> bool {
        matches!(self.filter, Filter::Capacitor)
    }

    /// One: positive output against negative output.
    #[must_use]
    pub fn ports(&self) -> usize {
        1
    }

    /// Amperes into the positive output (minus those delivered), and siemens.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let (amps, slope) = self.delivered(volts[0], condition);
        let mut out = PortCurrents::default();
        out.amps[0] = LEAK_SIEMENS * volts[0] - amps;
        out.siemens[0][0] = LEAK_SIEMENS - slope;
        out
    }

    /// How healthy specimens differ: the winding's volts, and a tube's perveance
    /// (common practice, no source).
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        let mut spreads = vec![Spread {
            of: Trait::Volts,
            sigma: 0.03,
        }];
        if let RectifierElement::Vacuum { .. } = self.element {
            spreads.push(Spread {
                of: Trait::Perveance,
                sigma: 0.15,
            });
        }
        spreads
    }

    /// Output voltage, volts, when `dc_amps` are drawn; at most the no-load voltage.
    ///
    /// Zero for a supply that is dead.
    #[must_use]
    pub fn volts_at(&self, dc_amps: f64, condition: &Condition) -> f64 {
        let (mut low, mut high) = (0.0, 2.0 * self.top_volts(condition));
        for _ in 0..80 {
            let middle = 0.5 * (low + high);
            if self.delivered(middle, condition).0 > dc_amps.max(LEAK_SIEMENS * middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    /// Ripple at the reservoir, volts RMS, for a healthy supply that delivers `dc_amps`.
    ///
    /// Capacitor input: the reservoir of `farads` (each of a doubler's two)
    /// runs down in a straight line outside the conduction angle, and a saw-tooth
    /// has its height over 2√3 as RMS. Choke input with a known inductance: the
    /// second harmonic of the rectified wave, 4/(3π) of the peak, through the
    /// choke into the capacitor. `hertz` is that of the mains. `None` where it
    /// cannot be told: choke of unknown inductance, half-wave choke input, no
    /// capacitance, or resonance at or above the ripple frequency.
    #[must_use]
    pub fn ripple_volts(&self, dc_amps: f64, farads: f64, hertz: f64) -> Option<f64> {
        let healthy = Condition::default();
        let usable = |x: f64| x.is_finite() && x > 0.0;
        if !usable(farads) || !usable(hertz) || !dc_amps.is_finite() {
            return None;
        }
        match self.filter {
            Filter::Capacitor => {
                let stacked = self.connection.stacked();
                let peak = self.peak(&healthy);
                let excess = peak - self.volts_at(dc_amps, &healthy) / stacked;
                let theta = pulse::half_angle(peak, excess.max(0.0));
                // Pulses into the output as a whole, a cycle.
                let pulses = self.connection.pulses(1.0) * stacked;
                let seconds = (1.0 / pulses - theta * FRAC_1_PI).max(0.0) / hertz;
                let height = dc_amps.max(0.0) * stacked * seconds / farads;
                Some(height / (2.0 * 3.0_f64.sqrt()))
            }
            Filter::Choke { henries } => {
                if !self.has_sides() {
                    return None;
                }
                let omega = 4.0 * PI * hertz;
                let attenuation = omega * omega * henries? * farads - 1.0;
                let harmonic = 4.0 / (3.0 * PI) * self.peak(&healthy) / SQRT_2;
                (attenuation > 0.0).then(|| harmonic / attenuation)
            }
        }
    }

    /// Greatest voltage that a plate which does not conduct stands off, volts: while
    /// nothing is drawn yet, the output at its peak. Each side of a full-wave circuit,
    /// a half-wave one and a doubler have twice the winding's peak across them; of a
    /// bridge, or behind a choke that is fed by one plate, the peak is all.
    #[must_use]
    pub fn inverse_volts(&self, condition: &Condition) -> f64 {
        let doubled = match (self.connection, self.filter) {
            (Connection::Bridge, _) | (Connection::HalfWave, Filter::Choke { .. }) => 1.0,
            _ => 2.0,
        };
        doubled * self.peak_volts * condition.volts
    }

    /// Greatest current of one plate in a cycle, amperes, with so many volts at the
    /// output: the top of the pulse into a reservoir, and behind a choke what it
    /// draws all the time.
    #[must_use]
    pub fn peak_amps(&self, volts: f64, condition: &Condition) -> f64 {
        match self.filter {
            Filter::Capacitor if condition.reservoir => {
                let top = self.peak(condition) - volts / self.connection.stacked();
                self.series(condition).current(top).0
            }
            _ => self.delivered(volts, condition).0,
        }
    }

    /// Least current that keeps a choke of known inductance working as one, amperes.
    #[must_use]
    pub fn critical_amps(&self) -> Option<f64> {
        match self.filter {
            Filter::Choke {
                henries: Some(henries),
            } if self.has_sides() => {
                let average = 2.0 * FRAC_1_PI * self.peak(&Condition::default());
                Some(choke::critical_amps(average, self.reactance(henries)))
            }
            _ => None,
        }
    }

    /// Inductance that the input choke is left with, as a ratio ([`Condition::choke`]),
    /// when its `ohms` by the print became `left`.
    ///
    /// More ohms are a resistance in series: it steadies the current as reactance does,
    /// so the two add at right angles. Fewer are shorted turns, a share f of the winding
    /// of resistance R, closely coupled to the rest: the shorted part, as seen there, lies
    /// as R (1 − f)²/f across the reactance of (1 − f)² of the whole (the ideal
    /// transformer; worked here, leakage left out). 1 for a choke of unknown inductance.
    #[must_use]
    pub fn choke_left(&self, ohms: f64, left: f64) -> f64 {
        let Filter::Choke {
            henries: Some(henries),
        } = self.filter
        else {
            return 1.0;
        };
        let reactance = self.reactance(henries);
        if left >= ohms {
            return 1.0_f64.hypot((left - ohms) / reactance);
        }
        let turns = (left / ohms).clamp(0.0, 1.0);
        turns * turns * ohms / ohms.hypot((1.0 - turns) * reactance)
    }

    /// Inductance that the input choke is left with, as a ratio, when a path of `ohms` lies
    /// across it: none where its inductance is not known.
    #[must_use]
    pub fn choke_bridged(&self, ohms: f64) -> f64 {
        match self.filter {
            Filter::Choke {
                henries: Some(henries),
            } => ohms / ohms.hypot(self.reactance(henries)),
            _ => 0.0,
        }
    }

    /// Of so many henries at the ripple of a full-wave circuit, ohms.
    fn reactance(&self, henries: f64) -> f64 {
        4.0 * PI * self.mains_hertz * henries
    }

    /// Peak of one side less the constant drops, volts.
    fn peak(&self, condition: &Condition) -> f64 {
        let drops = self.element.constant_volts() * self.connection.in_series();
        (self.peak_volts * condition.volts - drops).max(LEAST_VOLTS)
    }

    /// A voltage that the output cannot pass.
    fn top_volts(&self, condition: &Condition) -> f64 {
        self.peak(condition) * self.connection.stacked()
    }

    /// What lies in series with the sine wave.
    fn series(&self, condition: &Condition) -> Series {
        let perveance = match self.element {
            RectifierElement::Vacuum { perveance } => Some(perveance * condition.perveance),
            RectifierElement::MercuryVapour
            | RectifierElement::Gas { .. }
            | RectifierElement::Silicon => None,
        };
        Series {
            ohms: self.ohms,
            perveance,
            count: self.connection.in_series(),
        }
    }

    /// Delivered current and its slope with the output voltage (never above zero).
    fn delivered(&self, volts: f64, condition: &Condition) -> (f64, f64) {
        let series = self.series(condition);
        let pulses = self.connection.pulses(condition.sides);
        let dead = condition.perveance <= 0.0 || series.perveance.is_some_and(|p| p <= 0.0);
        if dead || pulses <= 0.0 {
            return (0.0, 0.0);
        }
        let peak = self.peak(condition);
        // Without its reservoir a supply works into the choke behind it, where its
        // inductance is known; else it gives the average of the rectified wave.
        let filter = match self.filter {
            Filter::Capacitor if !condition.reservoir => Filter::Choke {
                henries: self.choke_behind,
            },
            filter => filter,
        };
        let into_capacitor = || {
            let stacked = self.connection.stacked();
            let (mean, slope) = pulse::mean_current(peak, volts / stacked, &series);
            (pulses * mean, pulses * slope / stacked)
        };
        match filter {
            Filter::Capacitor => into_capacitor(),
            Filter::Choke { henries } => {
                // Each pulse is a half-cycle, of average peak/π over a whole one.
                let average = pulses * FRAC_1_PI * peak;
                let whole = self.has_sides() && condition.sides >= 1.0;
                let left = condition.choke.max(0.0);
                if left == 0.0 {
                    return into_capacitor();
                }
                let climb = henries
                    .map(|henries| self.reactance(henries) * left)
                    .filter(|reactance| whole && reactance.is_finite())
                    .map(|reactance| (peak - average, reactance));
                let choked = choke::current(&Wave { average, climb }, volts, &series);
                if climb.is_none() {
                    return choked;
                }
                // Behind little inductance, or little that is left of it, the capacitor takes pulses as a reservoir does.
                let pulsed = into_capacitor();
                if pulsed.0 < choked.0 { pulsed } else { choked }
            }
        }
    }
}

#[cfg(test)]
mod tests;
