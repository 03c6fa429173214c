//! Tubes whose direct currents depend on their signal: oscillators and
//! class-C stages biased by a grid leak.
//!
//! Only averages over one cycle reach a voltmeter. With the grid at
//! `vg + A cos φ` and a tuned load that holds the plate in antiphase, at
//! `vp (1 − m cos φ)`, each direct current is the mean of the tube's own law
//! over φ, and each derivative the mean of the law's own by the chain rule:
//! graphical class-C analysis (F. E. Terman, *Radio Engineers' Handbook*,
//! 1943, from memory) done by quadrature. Screen, grid 3 and cathode are taken
//! as bypassed: they do not swing.
//!
//! How far the plate swings is common practice, no source: down to about a
//! sixth of its supply in a screen-grid stage and four tenths in a triode when
//! fully driven, and in proportion to the drive when that is slight, so that
//! without drive the static law is left. A plate that is bypassed does not swing.

use std::sync::LazyLock;

use super::TubeLaw;
use crate::device::{Condition, MAX_PORTS, PortCurrents, PortVolts, Spread, Trait};
use crate::dual::softplus;

/// Points over half a cycle; the other half is its mirror image.
const POINTS: usize = 12;
/// How strongly the points crowd about the peak of the drive, where a class-C
/// tube conducts. Point `s` of 0..1 lies at φ = πs − b sin πs: even and
/// periodic as the integrand is, so the equal steps in `s` lose no order.
const CROWDING: f64 = 0.6;
/// Lowest plate voltage over its mean, fully driven: screen-grid tubes.
const LOWEST_PLATE: f64 = 0.16;
/// The same for triodes, whose grid would rob the plate below it.
const LOWEST_PLATE_TRIODE: f64 = 0.4;
/// By how much a fully driven tube exceeds the mean of its law, as a share. The
/// laws are fitted to points of a few tens of milliamperes and fall short at
/// the peaks of a class-C cycle: published plate and screen currents together
/// are 1.4 (6146), 1.2 (807) and 1.6 (5763) times the plain mean at the published
/// grid current. Data sheets, from memory; this is on the cautious side of their middle.
const PEAK_EXCESS: f64 = 0.3;
/// Drive that counts as slight, over the tube's cutoff bias.
const SLIGHT_DRIVE: f64 = 1.0 / 3.0;
/// Most drive that a stage stated by its grid current can deliver, over the
/// cutoff bias: with its grid leak open a tube is not driven to thousands of
/// volts. Common practice, no source: bias at two to three times cutoff.
const MOST_DRIVE: f64 = 5.0;
/// Softness of that limit, as a share of it.
const LIMIT_SOFTNESS: f64 = 0.03;
/// When the search has arrived: last step over the drive.
const SEARCH_SETTLED: f64 = 1e-11;
/// A step this small, over the drive, is the last: what it leaves out is its square.
const LAST_STEP: f64 = 1e-6;
/// Logarithm of the share of a volt's current below which a moment of the
/// cycle counts for nothing: past the digits of what the rest adds up to.
const LN_NOTHING: f64 = -37.0;
/// Most steps in the search for the drive that gives a stated grid current.
const MOST_STEPS: usize = 40;
/// One standard deviation of the drive in its logarithm: tuning, the stage
/// before, loading. Common practice, no source.
const DRIVE_SIGMA: f64 = 0.15;

/// The drive of a stage, in the way its print states it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum TubeDrive {
    /// Peak signal voltage at the grid, volts.
    PeakVolts(f64),
    /// Direct current into the grid, amperes, to which the drive is adjusted.
    GridAmps(f64),
}

/// What the signal does to the plate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum PlateLoad {
    /// A tuned circuit: the plate swings against the grid.
    #[default]
    Tuned,
    /// A bypass: the plate stays at its direct voltage.
    Bypassed,
}

/// A tube unit with its signal, as a law of direct voltages and currents.
///
/// Ports are those of the tube. [`Condition::drive`] scales the stated drive;
/// at zero the tube's static law is left.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DrivenTube {
    tube: TubeLaw,
    drive: TubeDrive,
    load: PlateLoad,
}

/// Mean currents, their derivatives by the ports, and by the drive's peak.
#[derive(Clone, Copy)]
struct Mean {
    currents: PortCurrents,
    by_peak: [f64; MAX_PORTS],
}

impl DrivenTube {
    /// A tube under this drive; what is negative in it is taken as its size.
    #[must_use]
    pub fn new(tube: TubeLaw, drive: TubeDrive, load: PlateLoad) -> Self {
        let drive = match drive {
            TubeDrive::PeakVolts(volts) => TubeDrive::PeakVolts(volts.abs()),
            TubeDrive::GridAmps(amps) => TubeDrive::GridAmps(amps.abs()),
        };
        Self { tube, drive, load }
    }

    /// The tube's static law.
    #[must_use]
    pub fn law(&self) -> &TubeLaw {
        &self.tube
    }

    /// The stated drive.
    #[must_use]
    pub fn drive(&self) -> TubeDrive {
        self.drive
    }

    /// What the signal does to the plate.
    #[must_use]
    pub fn load(&self) -> PlateLoad {
        self.load
    }

    /// Number of ports, as the tube's.
    #[must_use]
    pub fn ports(&self) -> usize {
        self.tube.ports()
    }

    /// How healthy specimens differ: as tubes do, and in their drive.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        let mut out = self.tube.spreads();
        out.push(Spread {
            of: Trait::Drive,
            sigma: DRIVE_SIGMA,
        });
        out
    }

    /// Mean currents into the electrodes over one cycle, and their derivatives.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let ratio = condition.drive;
        if ratio <= 0.0 || condition.perveance <= 0.0 {
            return self.tube.currents(volts, condition);
        }
        match self.drive {
            TubeDrive::PeakVolts(peak) if peak > 0.0 => {
                self.mean(volts, peak * ratio, condition).currents
            }
            TubeDrive::GridAmps(amps) if amps > 0.0 => {
                self.at_grid_current(volts, amps * ratio, condition)
            }
            _ => self.tube.currents(volts, condition),
        }
    }

    /// Peak drive, volts, at these direct voltages.
    #[must_use]
    pub fn peak_volts(&self, volts: &PortVolts, condition: &Condition) -> f64 {
        match self.drive {
            TubeDrive::PeakVolts(peak) => peak * condition.drive.max(0.0),
            TubeDrive::GridAmps(amps) if condition.drive > 0.0 && condition.perveance > 0.0 => self
                .search(volts, amps * condition.drive, &without_gas(condition))
                .map_or(0.0, |wanted| self.limited(wanted).0),
            TubeDrive::GridAmps(_) => 0.0,
        }
    }

    /// Mean heat at every port over one cycle, watts: what its own voltage and
    /// current make at each moment. At a swinging plate it is less than the
    /// direct voltage times the direct current by what leaves as signal; at the
    /// grid the stage before supplies it.
    #[must_use]
    pub fn heats(&self, volts: &PortVolts, condition: &Condition) -> [f64; MAX_PORTS] {
        let peak = self.peak_volts(volts, condition);
        let full = self.fullness(peak).0;
        let swing = self.most_swing() * full;
        let excess = 1.0 + PEAK_EXCESS * full;
        let mut heats = [0.0; MAX_PORTS];
        for &(cosine, weight) in cycle() {
            let mut at = *volts;
            at[0] = volts[0] * (1.0 - swing * cosine);
            at[1] = volts[1] + peak * cosine;
            let now = self.tube.currents(&at, condition);
            for (port, heat) in heats.iter_mut().enumerate().take(self.ports()) {
                *heat += weight * excess * at[port] * now.amps[port];
            }
        }
        heats
    }

    /// How fully a peak of drive works the tube, 0 to 1, and the slope of that.
    fn fullness(&self, peak: f64) -> (f64, f64) {
        let slight = SLIGHT_DRIVE * self.tube.bias_scale_volts();
        let x = peak / slight;
        let square = 1.0 + x * x;
        let root = square.sqrt();
        (x / root, 1.0 / (square * root * slight))
    }

    /// Most swing of the plate over its mean voltage.
    fn most_swing(&self) -> f64 {
        match self.load {
            PlateLoad::Bypassed => 0.0,
            PlateLoad::Tuned if self.tube.kind().has_screen() => 1.0 - LOWEST_PLATE,
            PlateLoad::Tuned => 1.0 - LOWEST_PLATE_TRIODE,
        }
    }

    /// Means over one cycle with a given peak of drive.
    fn mean(&self, volts: &PortVolts, peak: f64, condition: &Condition) -> Mean {
        self.mean_over(cycle(), volts, peak, condition)
    }

    fn mean_over(
        &self,
        cycle: &[(f64, f64)],
        volts: &PortVolts,
        peak: f64,
        condition: &Condition,
    ) -> Mean {
        let ports = self.ports();
        let (full, full_slope) = self.fullness(peak);
        let most = self.most_swing();
        // Every current is proportional to perveance, so the excess is a factor.
        let excess = 1.0 + PEAK_EXCESS * full;
        let mut mean = Mean {
            currents: PortCurrents::default(),
            by_peak: [0.0; MAX_PORTS],
        };
        // Grid 3 does not swing: where it is brought out its current flows all the time.
        let has_grid3 = ports == MAX_PORTS;
        for &(cosine, weight) in cycle {
            let plate = 1.0 - most * full * cosine;
            let mut at = *volts;
            at[0] = volts[0] * plate;
            at[1] = volts[1] + peak * cosine;
            if !has_grid3 && self.tube.is_cut_off(&at, condition, LN_NOTHING) {
                continue;
            }
            let now = self.tube.currents(&at, condition);
            let plate_by_peak = -volts[0] * most * full_slope * cosine;
            let weight = weight * excess;
            for port in 0..ports {
                let slopes = &now.siemens[port];
                let out = &mut mean.currents.siemens[port];
                mean.currents.amps[port] += weight * now.amps[port];
                out[0] += weight * slopes[0] * plate;
                for (out, slope) in out[1..ports].iter_mut().zip(&slopes[1..ports]) {
                    *out += weight * slope;
                }
                mean.by_peak[port] += weight * (slopes[1] * cosine + slopes[0] * plate_by_peak);
            }
        }
        let excess_by_peak = PEAK_EXCESS * full_slope / excess;
        for (by_peak, amps) in mean.by_peak.iter_mut().zip(&mean.currents.amps) {
            *by_peak += excess_by_peak * amps;
        }
        mean
    }

    /// Mean current into the grid but for that of gas, and its slope by the
    /// peak: all that the search for the drive needs of [`mean`](Self::mean).
    fn mean_grid(&self, volts: &PortVolts, peak: f64, condition: &Condition) -> (f64, f64) {
        let (full, full_slope) = self.fullness(peak);
        let most = self.most_swing();
        let excess = 1.0 + PEAK_EXCESS * full;
        let (mut amps, mut by_peak) = (0.0, 0.0);
        for &(cosine, weight) in cycle() {
            let mut at = *volts;
            at[0] = volts[0] * (1.0 - most * full * cosine);
            at[1] = volts[1] + peak * cosine;
            let slopes = [-volts[0] * most * full_slope * cosine, cosine];
            let (now, slope) = self.tube.grid_along(&at, slopes, condition, LN_NOTHING);
            amps += weight * excess * now;
            by_peak += weight * excess * slope;
        }
        (amps, by_peak + PEAK_EXCESS * full_slope / excess * amps)
    }

    /// Means with the drive adjusted until the grid draws `amps`.
    fn at_grid_current(&self, volts: &PortVolts, amps: f64, condition: &Condition) -> PortCurrents {
        // The drive was set by a grid-current meter on a tube without gas.
        let pure = without_gas(condition);
        let Some(wanted) = self.search(volts, amps, &pure) else {
            return self.tube.currents(volts, condition);
        };
        let (peak, limit_slope) = self.limited(wanted);
        let mut mean = self.mean(volts, peak, condition);
        let set = if peak == wanted && condition.gas == 0.0 {
            mean
        } else {
            self.mean(volts, wanted, &pure)
        };
        if set.by_peak[1] > 0.0 {
            let ports = self.ports();
            for by in 0..ports {
                // A change of voltage is met by the drive: dA/dv at constant grid current.
                let peak_by = -set.currents.siemens[1][by] / set.by_peak[1] * limit_slope;
                for port in 0..ports {
                    mean.currents.siemens[port][by] += mean.by_peak[port] * peak_by;
                }
            }
        }
        mean.currents
    }

    /// What the stage before can deliver of a wanted peak, and the slope of that.
    fn limited(&self, wanted: f64) -> (f64, f64) {
        let most = self.most_drive();
        let width = LIMIT_SOFTNESS * most;
        let room = (most - wanted) / width;
        if room > 36.0 {
            return (wanted, 1.0);
        }
        let (soft, slope) = softplus(room);
        (most - width * soft, slope)
    }

    fn most_drive(&self) -> f64 {
        MOST_DRIVE * self.tube.bias_scale_volts()
    }

    /// Peak of drive at which the mean grid current is `amps`; at most well
    /// past what can be delivered. `None` if the grid draws as much without drive.
    fn search(&self, volts: &PortVolts, amps: f64, condition: &Condition) -> Option<f64> {
        if self
            .tube
            .grid_along(volts, [0.0; 2], condition, LN_NOTHING)
            .0
            >= amps
        {
            return None;
        }
        let (mut low, mut high) = (0.0, 2.0 * self.most_drive());
        let mut peak = (0.1 * self.tube.bias_scale_volts() - volts[1]).clamp(1e-3, 0.5 * high);
        // The mean of a pulse rises about as the square of what is above zero,
        // so Newton's steps are taken in its square root.
        let target = amps.sqrt();
        for _ in 0..MOST_STEPS {
            let (found, by_peak) = self.mean_grid(volts, peak, condition);
            if found < amps {
                low = peak;
            } else {
                high = peak;
            }
            if high - low <= SEARCH_SETTLED * high {
                break;
            }
            let root = found.max(0.0).sqrt();
            let step = (target - root) * 2.0 * root / by_peak;
            if step.abs() <= LAST_STEP * peak {
                peak += step;
                break;
            }
            let next = peak + step;
            peak = if next > low && next < high {
                next
            } else {
                0.5 * (low + high)
            };
        }
        Some(peak)
    }
}

fn without_gas(condition: &Condition) -> Condition {
    Condition {
        gas: 0.0,
        ..*condition
    }
}

/// Cosine of the phase and weight of every point.
fn cycle() -> &'static [(f64, f64); POINTS] {
    static CYCLE: LazyLock<[(f64, f64); POINTS]> =
        LazyLock::new(|| std::array::from_fn(|k| point(k, POINTS)));
    &CYCLE
}

/// Point `k` of `count`.
fn point(k: usize, count: usize) -> (f64, f64) {
    let along = std::f64::consts::PI * (k as f64 + 0.5) / count as f64;
    let phase = along - CROWDING * along.sin();
    let weight = (1.0 - CROWDING * along.cos()) / count as f64;
    (phase.cos(), weight)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::tube_table;
    use crate::tube::LawForm;

    /// Against the same mean over many times the points: a class-C pulse of
    /// narrow angle is the hardest, a small signal the easiest.
    #[test]
    fn a_dozen_points_are_enough() {
        let fine: Vec<(f64, f64)> = (0..600).map(|k| point(k, 600)).collect();
        let total: f64 = cycle().iter().map(|(_, weight)| weight).sum();
        assert!((total - 1.0).abs() < 1e-14);
        for form in LawForm::ALL {
            for (name, at, peak) in [
                ("6146", [600.0, -58.0, 150.0, 0.0], 72.0),
                ("6146", [750.0, -77.0, 160.0, 0.0], 90.0),
                ("5763", [300.0, -36.0, 200.0, 0.0], 45.0),
                ("6AU6", [280.0, -4.2, 95.0, 0.0], 5.0),
                ("6C4", [145.0, -11.0, 0.0, 0.0], 14.0),
                ("12AX7", [250.0, -2.0, 0.0, 0.0], 0.3),
            ] {
                let tube = tube_table().find(name).expect(name);
                let law = tube.units[0].tube_law(form).expect(name).with_grid3(false);
                let stage = DrivenTube::new(law, TubeDrive::PeakVolts(peak), PlateLoad::Tuned);
                let condition = Condition::default();
                let found = stage.mean(&at, peak, &condition).currents.amps;
                let exact = stage.mean_over(&fine, &at, peak, &condition).currents.amps;
                for port in 0..stage.ports() {
                    let error = (found[port] - exact[port]).abs();
                    assert!(
                        error <= 1e-9 + 0.02 * exact[port].abs(),
                        "{name} {form:?} port {port}: {:e} for {:e}",
                        found[port],
                        exact[port]
                    );
                }
            }
        }
    }

    /// What the search looks at is the grid's part of the whole mean.
    #[test]
    fn the_grid_alone_is_as_in_the_whole_mean() {
        for form in LawForm::ALL {
            for (name, at) in [
                ("6146", [600.0, -58.0, 150.0, 0.0]),
                ("6AU6", [280.0, -4.2, 95.0, 0.0]),
                ("6C4", [145.0, -11.0, 0.0, 0.0]),
            ] {
                let tube = tube_table().find(name).expect(name);
                let law = tube.units[0].tube_law(form).expect(name).with_grid3(false);
                let stage = DrivenTube::new(law, TubeDrive::GridAmps(1e-3), PlateLoad::Tuned);
                let condition = Condition::default();
                for peak in [0.5, 5.0, 14.0, 40.0, 72.0, 140.0] {
                    let whole = stage.mean(&at, peak, &condition);
                    let (amps, by_peak) = stage.mean_grid(&at, peak, &condition);
                    let near = |a: f64, b: f64| (a - b).abs() <= 1e-15 + 1e-12 * b.abs();
                    assert!(near(amps, whole.currents.amps[1]), "{name} {form:?} {peak}");
                    assert!(near(by_peak, whole.by_peak[1]), "{name} {form:?} {peak}");
                }
            }
        }
    }
}
