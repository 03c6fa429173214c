//! Plate curves of a tube unit, ready to draw.

use crate::plot::{Curve, Plot, round_up};
use deadstage_parts::{Condition, LawForm, TubeLaw, Unit};

/// Grid voltages drawn, zero bias included.
const CURVES: usize = 7;
/// Share of the scale's current at which a tube counts as cut off.
const CUT_OFF: f64 = 0.01;
/// Current scale over the current of the published point.
const HEADROOM: f64 = 3.0;

/// `-1.5` written as it was meant: steps of a tenth add up to more digits than they have.
fn grid_label(volts: f64) -> String {
    let rounded = (volts * 1e6).round() / 1e6;
    format!(" {} V", if rounded == 0.0 { 0.0 } else { rounded })
}

/// What the curves are drawn from.
pub(crate) struct PlateCurves {
    law: TubeLaw,
    screen_volts: f64,
    plate_end: f64,
    amps_end: f64,
    grid_volts: Vec<f64>,
}

/// A curve's grid voltage in words, and its points: plate volts and amperes.
pub(crate) type NamedCurve = (String, Vec<(f64, f64)>);

impl PlateCurves {
    /// Curves of a unit; `None` where it is no amplifier or too little is known.
    pub(crate) fn of(unit: &Unit) -> Option<Self> {
        let law = unit.tube_law(LawForm::default())?;
        // The busiest published point: what the type is used for.
        let point = unit
            .points
            .iter()
            .map(|published| published.point)
            .filter(|point| point.plate_volts > 0.0)
            .max_by(|a, b| amps_of(a).total_cmp(&amps_of(b)))?;
        let amps = amps_of(&point);
        if amps.is_nan() || amps <= 0.0 {
            return None;
        }
        let plate_end = round_up(
            unit.ratings
                .plate_volts
                .unwrap_or(point.plate_volts * 1.25)
                .clamp(point.plate_volts, point.plate_volts * 2.0),
        );
        let mut curves = Self {
            law,
            screen_volts: point.screen_volts,
            plate_end,
            amps_end: round_up(amps * HEADROOM * 1e3) / 1e3,
            grid_volts: Vec::new(),
        };
        if curves.law.kind().has_screen() {
            // Flat curves: the scale ends above the one for no bias.
            let flat = curves.plate_amps(plate_end, 0.0);
            if flat.is_finite() && flat > 0.0 {
                curves.amps_end = round_up(flat * 1.05e3) / 1e3;
            }
        }
        let step = round_up(curves.cut_off()? / (CURVES - 1) as f64);
        curves.grid_volts = (0..CURVES).map(|index| -step * index as f64).collect();
        Some(curves)
    }

    /// Curves on axes that a working point, and the supply behind its load, fit on.
    pub(crate) fn around(
        unit: &Unit,
        plate_volts: f64,
        amps: f64,
        screen_volts: Option<f64>,
        supply: Option<f64>,
    ) -> Option<Self> {
        let mut curves = Self::of(unit)?;
        if let (Some(volts), true) = (screen_volts, curves.law.kind().has_screen()) {
            curves.screen_volts = volts;
        }
        curves.plate_end = round_up(plate_volts.max(supply.unwrap_or(0.0)).max(1.0) * 1.1);
        curves.amps_end = round_up(amps * HEADROOM * 1e3) / 1e3;
        let step = round_up(curves.cut_off()? / (CURVES - 1) as f64);
        curves.grid_volts = (0..CURVES).map(|index| -step * index as f64).collect();
        Some(curves)
    }

    /// Ends of the axes, volts and milliamperes, and the points of each curve with its grid's voltage.
    pub(crate) fn points(&self) -> ((f64, f64), Vec<NamedCurve>) {
        const POINTS: usize = 64;
        let curve = |&grid: &f64| {
            let points = (0..=POINTS).map(|index| {
                let volts = self.plate_end * index as f64 / POINTS as f64;
                (volts, self.plate_amps(volts, grid) * 1e3)
            });
            let points = points.filter(|(_, milliamps)| milliamps.is_finite());
            (grid_label(grid).trim().to_owned(), points.collect())
        };
        let ends = (self.plate_end, self.amps_end * 1e3);
        (ends, self.grid_volts.iter().map(curve).collect())
    }

    /// Screen voltage the curves hold for; 0 for a triode.
    pub(crate) fn screen_volts(&self) -> Option<f64> {
        self.law.kind().has_screen().then_some(self.screen_volts)
    }

    /// Lines of the drawing.
    pub(crate) fn lines(&self) -> Vec<String> {
        let curves = self
            .grid_volts
            .iter()
            .map(|&grid| Curve {
                label: grid_label(grid),
                at: Box::new(move |plate| self.plate_amps(plate, grid) * 1e3),
            })
            .collect();
        Plot {
            x_end: self.plate_end,
            y_end: self.amps_end * 1e3,
            x_unit: "V",
            y_unit: "mA",
            curves,
        }
        .lines()
    }

    fn plate_amps(&self, plate: f64, grid: f64) -> f64 {
        self.law
            .currents(
                &[plate, grid, self.screen_volts, 0.0],
                &Condition::default(),
            )
            .amps[0]
    }

    /// Bias that cuts the tube off at the right end of the drawing, volts, positive.
    fn cut_off(&self) -> Option<f64> {
        let small = self.amps_end * CUT_OFF;
        let conducts = |bias: f64| self.plate_amps(self.plate_end, -bias) > small;
        let mut high = 0.25;
        while conducts(high) {
            high *= 2.0;
            if high > 4096.0 {
                return None;
            }
        }
        let mut low = 0.0;
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if conducts(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Some(high)
    }
}

fn amps_of(point: &deadstage_parts::OperatingPoint) -> f64 {
    point.plate_amps.or(point.cathode_amps).unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_parts::tube_table;

    #[test]
    fn a_grid_voltage_has_no_more_digits_than_its_step() {
        assert_eq!(grid_label(-0.2 * 3.0), " -0.6 V");
        assert_eq!(grid_label(-0.0), " 0 V");
        assert_eq!(grid_label(-12.5), " -12.5 V");
    }

    #[test]
    fn every_amplifier_that_has_a_law_can_be_drawn() {
        for tube in tube_table().types() {
            for unit in &tube.units {
                if unit.tube_law(LawForm::default()).is_none() {
                    continue;
                }
                let curves = PlateCurves::of(unit);
                assert!(curves.is_some(), "{}", tube.name);
                let drawn = curves
                    .map(|curves| curves.lines().join("\n"))
                    .unwrap_or_default();
                assert!(drawn.contains(" 0 V"), "{}\n{drawn}", tube.name);
                assert!(
                    drawn
                        .chars()
                        .filter(|c| ('\u{2801}'..='\u{28ff}').contains(c))
                        .count()
                        > 60,
                    "{}\n{drawn}",
                    tube.name
                );
            }
        }
    }
}
