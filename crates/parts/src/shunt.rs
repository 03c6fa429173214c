//! Shunts and multipliers: the resistor that gives a movement another full scale.
//!
//! A shunt lies in parallel with the coil and passes what the coil must not,
//! *Rs = Im Rm / (I − Im)*; a multiplier lies in series and drops what the
//! coil must not, *R = V / Im − Rm*.
//!
//! | symbol | is | unit |
//! | --- | --- | --- |
//! | *Im*, *Rm* | full-scale current and resistance of the movement | A, Ω |
//! | *I*, *V* | what is to deflect it to full scale | A, V |
//! | *r* | the resistor that is fitted | Ω |
//!
//! With *r* fitted, a steady *I* or *V* deflects the movement to
//! *(I / Im) · r / (r + Rm)* or *(V / Im) / (r + Rm)* of its full scale; both
//! are straight lines, so one figure holds for the whole scale, and one
//! reading at a known current or voltage gives *r* back.
//!
//! Equations: A. D. Helfrick and W. D. Cooper, *Modern Electronic
//! Instrumentation and Measurement Techniques* (1990, year from memory), chapter 4.
//!
//! Left out: contact resistance of the shunt's screws, which is why a shunt
//! of milliohms has its own potential terminals, and the heat of the shunt itself.

use thiserror::Error;

/// Rise of the resistance of copper, as a fraction a °C about 20 °C.
///
/// IEC 60028, "International standard of resistance for copper" (1925), from memory.
pub const COPPER_PER_CELSIUS: f64 = 0.003_93;

/// A moving-coil movement.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Movement {
    full_scale_amps: f64,
    coil_ohms: f64,
}

/// What is to deflect a movement to full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FullScale {
    /// A current, amperes: asks for a shunt.
    Amps(f64),
    /// A voltage, volts: asks for a multiplier.
    Volts(f64),
}

/// Why no resistor does what is asked.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
#[non_exhaustive]
pub enum ShuntError {
    /// A movement, full scale or reading that is zero, negative or not a number.
    #[error("{what} must be above zero")]
    NotPositive {
        /// What it is.
        what: &'static str,
    },
    /// The movement alone needs as much current as that: a shunt can only raise it.
    #[error(
        "the movement itself takes that current at full scale or more: a shunt can only raise it"
    )]
    BelowMovementAmps,
    /// The movement alone needs as much voltage as that: a multiplier can only raise it.
    #[error(
        "the movement itself drops that voltage at full scale or more: a multiplier can only raise it"
    )]
    BelowMovementVolts,
    /// The panel shows what it could not with any shunt: more than the coil
    /// alone would show at the known current. Usual cause: a movement or a
    /// scale other than the one stated.
    #[error(
        "the panel shows more than the bare movement would at that current: the movement or the scale is not the one stated"
    )]
    AboveBareMovementAmps,
    /// The same at a known voltage.
    #[error(
        "the panel shows more than the bare movement would at that voltage: the movement or the scale is not the one stated"
    )]
    AboveBareMovementVolts,
}

/// A movement with the resistor that gives it another full scale.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ScaleResistor {
    movement: Movement,
    full_scale: FullScale,
    ohms: f64,
}

/// What one reading at a known current or voltage says of the resistor that is fitted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Calibration {
    /// Current in the coil, amperes.
    pub coil_amps: f64,
    /// Resistance of the shunt or multiplier that is fitted, ohms.
    pub ohms: f64,
    /// Least and greatest resistance that the movement's own accuracy leaves, ohms;
    /// infinite where the reading may be that of an open shunt.
    pub ohms_within: (f64, f64),
    /// By how much the panel shows too much (above zero) or too little, as a
    /// fraction of what is true.
    pub error: f64,
}

impl Calibration {
    /// Whether `ohms` lies within what the movement's accuracy leaves.
    #[must_use]
    pub fn allows(&self, ohms: f64) -> bool {
        self.ohms_within.0 <= ohms && ohms <= self.ohms_within.1
    }
}

impl Movement {
    /// A movement of `full_scale_amps` amperes and `coil_ohms` ohms.
    ///
    /// # Errors
    /// [`ShuntError::NotPositive`] if either is not a number above zero.
    pub fn new(full_scale_amps: f64, coil_ohms: f64) -> Result<Self, ShuntError> {
        Ok(Self {
            full_scale_amps: positive(full_scale_amps, "the movement's full scale")?,
            coil_ohms: positive(coil_ohms, "the movement's resistance")?,
        })
    }

    /// Full-scale current, amperes.
    #[must_use]
    pub fn full_scale_amps(&self) -> f64 {
        self.full_scale_amps
    }

    /// Resistance of the coil with whatever is soldered to it, ohms.
    #[must_use]
    pub fn coil_ohms(&self) -> f64 {
        self.coil_ohms
    }

    /// Drop across the coil at full scale, volts.
    #[must_use]
    pub fn full_scale_volts(&self) -> f64 {
        self.full_scale_amps * self.coil_ohms
    }
}

impl FullScale {
    /// The number alone, in amperes or volts.
    #[must_use]
    pub fn size(self) -> f64 {
        match self {
            Self::Amps(size) | Self::Volts(size) => size,
        }
    }
}

impl ScaleResistor {
    /// Works out the shunt or multiplier that brings `movement` to `full_scale`.
    ///
    /// ```
    /// use deadstage_parts::{FullScale, Movement, ScaleResistor};
    /// let movement = Movement::new(1e-3, 100.0)?;
    /// let shunt = ScaleResistor::new(movement, FullScale::Amps(0.1))?;
    /// assert!((shunt.ohms() - 1.0101).abs() < 1e-4);
    /// # Ok::<(), deadstage_parts::ShuntError>(())
    /// ```
    ///
    /// # Errors
    /// [`ShuntError::NotPositive`], and [`ShuntError::BelowMovementAmps`] or
    /// [`ShuntError::BelowMovementVolts`] where the movement is too coarse for it.
    pub fn new(movement: Movement, full_scale: FullScale) -> Result<Self, ShuntError> {
        positive(full_scale.size(), "the full scale")?;
        let ohms = match full_scale {
            FullScale::Amps(amps) => {
                let past = amps - movement.full_scale_amps;
                if past <= 0.0 {
                    return Err(ShuntError::BelowMovementAmps);
                }
                movement.full_scale_volts() / past
            }
            FullScale::Volts(volts) => {
                let ohms = volts / movement.full_scale_amps - movement.coil_ohms;
                if ohms <= 0.0 {
                    return Err(ShuntError::BelowMovementVolts);
                }
                ohms
            }
        };
        Ok(Self {
            movement,
            full_scale,
            ohms,
        })
    }

    /// The movement.
    #[must_use]
    pub fn movement(&self) -> Movement {
        self.movement
    }

    /// What deflects it to full scale with [`ohms`](Self::ohms) fitted.
    #[must_use]
    pub fn full_scale(&self) -> FullScale {
        self.full_scale
    }

    /// The resistance that is exactly right, ohms.
    #[must_use]
    pub fn ohms(&self) -> f64 {
        self.ohms
    }

    /// How much the panel shows too much (above zero) or too little with
    /// `fitted` ohms in place of the right ones, as a fraction of what is true.
    #[must_use]
    pub fn error(&self, fitted: f64) -> f64 {
        let (im, rm) = (self.movement.full_scale_amps, self.movement.coil_ohms);
        match self.full_scale {
            FullScale::Amps(amps) => amps / im * fitted / (fitted + rm) - 1.0,
            FullScale::Volts(volts) => volts / im / (fitted + rm) - 1.0,
        }
    }

    /// Volts across a resistor of `fitted` ohms at the full scale asked for.
    #[must_use]
    pub fn volts(&self, fitted: f64) -> f64 {
        let rm = self.movement.coil_ohms;
        match self.full_scale {
            FullScale::Amps(amps) => amps * fitted * rm / (fitted + rm),
            FullScale::Volts(volts) => volts * fitted / (fitted + rm),
        }
    }

    /// Heat in a resistor of `fitted` ohms at the full scale asked for, watts.
    #[must_use]
    pub fn watts(&self, fitted: f64) -> f64 {
        self.volts(fitted).powi(2) / fitted
    }

    /// Change of what the panel shows for each °C that the copper of the coil
    /// is warmer, the resistor staying as it is: a fraction a °C, below zero.
    ///
    /// *−α Rm / (r + Rm)* for a shunt as for a multiplier: it matters for a
    /// shunt across a bare coil, and vanishes for a multiplier of many times *Rm*.
    #[must_use]
    pub fn drift_per_celsius(&self) -> f64 {
        let rm = self.movement.coil_ohms;
        -COPPER_PER_CELSIUS * rm / (self.ohms + rm)
    }

    /// The resistance fitted, from one reading: `known` amperes or volts
    /// applied (in the unit of the full scale), the panel showing `shown` on
    /// its new scale. `accuracy` is the movement's, as a fraction of full scale.
    ///
    /// # Errors
    /// [`ShuntError::NotPositive`], and [`ShuntError::AboveBareMovementAmps`]
    /// or [`ShuntError::AboveBareMovementVolts`] where no resistor would do.
    pub fn calibrate(
        &self,
        known: f64,
        shown: f64,
        accuracy: f64,
    ) -> Result<Calibration, ShuntError> {
        positive(known, "the known current or voltage")?;
        positive(shown, "what the panel shows")?;
        let slack = accuracy.max(0.0) * self.full_scale.size();
        let share = |shown: f64| shown / self.full_scale.size();
        let fitted = |shown: f64| self.fitted(known, share(shown));
        let ohms = fitted(shown).ok_or(match self.full_scale {
            FullScale::Amps(_) => ShuntError::AboveBareMovementAmps,
            FullScale::Volts(_) => ShuntError::AboveBareMovementVolts,
        })?;
        // A higher reading is a larger shunt, or a smaller multiplier.
        let less = shown - slack;
        let ohms_within = match self.full_scale {
            FullScale::Amps(_) => (
                if less > 0.0 {
                    fitted(less).unwrap_or(ohms)
                } else {
                    0.0
                },
                fitted(shown + slack).unwrap_or(f64::INFINITY),
            ),
            FullScale::Volts(_) => (
                fitted(shown + slack).unwrap_or(0.0),
                if less > 0.0 {
                    fitted(less).unwrap_or(ohms)
                } else {
                    f64::INFINITY
                },
            ),
        };
        Ok(Calibration {
            coil_amps: share(shown) * self.movement.full_scale_amps,
            ohms,
            ohms_within,
            error: shown / known - 1.0,
        })
    }

    /// Ohms fitted if `known` deflects the movement to `share` of its full scale.
    fn fitted(&self, known: f64, share: f64) -> Option<f64> {
        let coil_amps = share * self.movement.full_scale_amps;
        let rm = self.movement.coil_ohms;
        match self.full_scale {
            FullScale::Amps(_) => {
                let past = known - coil_amps;
                (past > 0.0).then(|| coil_amps * rm / past)
            }
            FullScale::Volts(_) => {
                let ohms = known / coil_amps - rm;
                (ohms >= 0.0).then_some(ohms)
            }
        }
    }
}

fn positive(value: f64, what: &'static str) -> Result<f64, ShuntError> {
    if value.is_finite() && value > 0.0 {
        Ok(value)
    } else {
        Err(ShuntError::NotPositive { what })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn right(amps: f64, ohms: f64, full_scale: FullScale) -> Result<f64, ShuntError> {
        Ok(ScaleResistor::new(Movement::new(amps, ohms)?, full_scale)?.ohms())
    }

    fn near(found: f64, published: f64) -> bool {
        // The last digit as printed.
        (found / published - 1.0).abs() < 5e-4
    }

    /// A. D. Helfrick and W. D. Cooper, *Modern Electronic Instrumentation and
    /// Measurement Techniques* (1990), example 4-1, p. 56.
    #[test]
    fn a_published_shunt() -> Result<(), ShuntError> {
        assert!(near(right(1e-3, 100.0, FullScale::Amps(0.1))?, 1.01));
        Ok(())
    }

    /// D. A. Bell, *Electronic Instrumentation and Measurements* (title from
    /// memory), example 3-7, p. 49; a worked companion to an instrumentation
    /// textbook (FOSSEE 1529), example 10.2.
    #[test]
    fn published_multipliers() -> Result<(), ShuntError> {
        for (volts, published) in [(10.0, 198.3e3), (50.0, 998.3e3), (100.0, 1.9983e6)] {
            assert!(near(
                right(50e-6, 1700.0, FullScale::Volts(volts))?,
                published
            ));
        }
        assert!(near(right(8e-3, 10.0, FullScale::Volts(100.0))?, 12.49e3));
        Ok(())
    }

    #[test]
    fn a_movement_too_coarse_is_refused() {
        assert_eq!(
            right(1e-3, 100.0, FullScale::Amps(1e-3)),
            Err(ShuntError::BelowMovementAmps)
        );
        assert_eq!(
            right(1e-3, 100.0, FullScale::Volts(0.05)),
            Err(ShuntError::BelowMovementVolts)
        );
        assert!(matches!(
            right(0.0, 100.0, FullScale::Volts(5.0)),
            Err(ShuntError::NotPositive { .. })
        ));
        assert!(right(1e-3, f64::NAN, FullScale::Volts(5.0)).is_err());
        assert!(right(1e-3, 100.0, FullScale::Amps(f64::INFINITY)).is_err());
    }

    #[test]
    fn no_shunt_explains_more_than_all_the_current() -> Result<(), ShuntError> {
        let movement = Movement::new(1e-3, 100.0)?;
        let shunt = ScaleResistor::new(movement, FullScale::Amps(0.1))?;
        // 0.5 mA in the bare coil already shows 50 mA on the new scale.
        assert_eq!(
            shunt.calibrate(0.000_5, 0.06, 0.02),
            Err(ShuntError::AboveBareMovementAmps)
        );
        let multiplier = ScaleResistor::new(movement, FullScale::Volts(100.0))?;
        assert_eq!(
            multiplier.calibrate(0.05, 60.0, 0.02),
            Err(ShuntError::AboveBareMovementVolts)
        );
        // Within its accuracy this may be an open shunt.
        let open = shunt.calibrate(0.000_5, 0.049_9, 0.02)?;
        assert!(open.ohms_within.1.is_infinite() && !open.allows(1.01));
        Ok(())
    }

    /// Worked by hand: 1 mA 100 Ω on 100 mA; 80 mA known and 76 mA shown put
    /// 0.76 mA and 76 mV on the coil, so that 79.24 mA pass 0.9591 Ω.
    #[test]
    fn a_reading_gives_the_shunt_back() -> Result<(), ShuntError> {
        let shunt = ScaleResistor::new(Movement::new(1e-3, 100.0)?, FullScale::Amps(0.1))?;
        let found = shunt.calibrate(0.08, 0.076, 0.02)?;
        assert!((found.ohms - 0.959_11).abs() < 1e-5, "{found:?}");
        assert!((found.coil_amps - 0.76e-3).abs() < 1e-12);
        assert!((found.error + 0.05).abs() < 1e-12);
        assert!(!found.allows(shunt.ohms()));
        assert!(shunt.calibrate(0.08, 0.079, 0.02)?.allows(shunt.ohms()));
        Ok(())
    }

    #[test]
    fn copper_matters_across_a_bare_coil_only() -> Result<(), ShuntError> {
        let movement = Movement::new(1e-3, 100.0)?;
        let shunt = ScaleResistor::new(movement, FullScale::Amps(0.1))?;
        let multiplier = ScaleResistor::new(movement, FullScale::Volts(100.0))?;
        assert!((shunt.drift_per_celsius() + 0.003_89).abs() < 1e-5);
        assert!(multiplier.drift_per_celsius().abs() < 5e-6);
        Ok(())
    }

    proptest! {
        #[test]
        fn fitting_and_calibrating_are_inverse(
            amps in 1e-5..1e-2_f64, ohms in 1.0..5e3_f64, times in 1.1..1e4_f64,
            off in 0.3..3.0_f64, level in 0.05..1.5_f64, volts in proptest::bool::ANY,
        ) {
            let movement = Movement::new(amps, ohms)?;
            let full_scale = if volts {
                FullScale::Volts(times * amps * ohms)
            } else {
                FullScale::Amps(times * amps)
            };
            let resistor = ScaleResistor::new(movement, full_scale)?;
            let fitted = off * resistor.ohms();
            let known = level * full_scale.size();
            let shown = known * (1.0 + resistor.error(fitted));
            let found = resistor.calibrate(known, shown, 0.02)?;
            prop_assert!((found.ohms / fitted - 1.0).abs() < 1e-6, "{found:?} for {fitted}");
            prop_assert!(found.allows(fitted * (1.0 + 1e-9)) || found.allows(fitted * (1.0 - 1e-9)));
            prop_assert!(resistor.error(resistor.ohms()).abs() < 1e-9);
            // What heats the coil and the resistor is what the circuit gives up.
            let heat = resistor.watts(resistor.ohms()) + amps * amps * ohms;
            let given = match full_scale {
                FullScale::Amps(current) => current * amps * ohms,
                FullScale::Volts(across) => across * amps,
            };
            prop_assert!((heat / given - 1.0).abs() < 1e-6);
        }
    }
}
