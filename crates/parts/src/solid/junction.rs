//! A junction with resistance in series, explicit in the voltage.
//!
//! Shockley's diode with a series resistance, i = Is (exp((v − i R)/Vn) − 1),
//! solved for the current: i = (Vn/R) ω(ln(Is R/Vn) + (v + Is R)/Vn) − Is,
//! with Wright's ω(x), the solution of ω + ln ω = x. Smooth to every order,
//! exponential at small currents, a straight line of slope 1/R at large ones,
//! and so finite at any voltage.
//!
//! Source: T. C. Banwell and A. Jayakumar, "Exact analytical solution for
//! current flow through diode with series resistance", Electronics Letters
//! 36(4), 2000 (from memory, high).

/// A junction with its bulk resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Junction {
    /// Saturation current, amperes.
    pub(crate) saturation_amps: f64,
    /// Volts for a factor e of current: emission coefficient times kT/q.
    pub(crate) slope_volts: f64,
    /// Series resistance, ohms.
    pub(crate) ohms: f64,
}

impl Junction {
    /// Current in amperes, conductance in siemens.
    pub(crate) fn current(&self, volts: f64) -> (f64, f64) {
        let Self {
            saturation_amps,
            slope_volts,
            ohms,
        } = *self;
        let drop = saturation_amps * ohms;
        let omega = wright_omega((drop / slope_volts).ln() + (volts + drop) / slope_volts);
        (
            slope_volts / ohms * omega - saturation_amps,
            omega / (1.0 + omega) / ohms,
        )
    }
}

/// ω with ω + ln ω = x, to double precision.
///
/// Two steps of the fourth-order scheme of F. N. Fritsch, R. E. Shafer and
/// W. P. Crowley, "Solution of the transcendental equation w eʷ = x",
/// Communications of the ACM 16(2), 1973, in its logarithmic form.
pub(crate) fn wright_omega(x: f64) -> f64 {
    // Below, ω = eˣ to the last digit.
    if x < -37.0 {
        return x.exp();
    }
    let mut omega = if x > 1.0 {
        x - x.ln()
    } else {
        let l = x.exp().ln_1p();
        l * (1.0 - l.ln_1p() / (2.0 + l))
    };
    for _ in 0..2 {
        let residual = x - omega - omega.ln();
        let q = 2.0 * (1.0 + omega) * (1.0 + omega + 2.0 / 3.0 * residual);
        omega *= 1.0 + residual / (1.0 + omega) * (q - residual) / (q - 2.0 * residual);
    }
    omega
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn omega_solves_its_equation() {
        for i in -3600..=100_000 {
            let x = f64::from(i) / 100.0;
            let omega = wright_omega(x);
            let back = omega + omega.ln();
            assert!((back - x).abs() <= 1e-13 * x.abs().max(1.0), "{x}: {back}");
        }
        // The omega constant, W(1) = 0.5671432904...
        assert!((wright_omega(0.0) - 0.567_143_290_409_783_8).abs() < 1e-15);
        assert_eq!(wright_omega(1.0), 1.0);
        assert!(wright_omega(1e7).is_finite());
        assert_eq!(wright_omega(-1e7), 0.0);
    }

    #[test]
    fn omega_is_continuous_where_the_branches_meet() {
        for x in [-37.0, 1.0] {
            let (below, above) = (wright_omega(x - 1e-12), wright_omega(x + 1e-12));
            assert!((above / below - 1.0).abs() < 1e-11, "{x}");
        }
    }

    // The implicit equation that the closed form is the solution of.
    #[test]
    fn the_junction_obeys_shockley_behind_its_resistance() {
        let junction = Junction {
            saturation_amps: 3e-9,
            slope_volts: 0.049,
            ohms: 0.5,
        };
        for volts in [-5.0, -0.1, 0.0, 0.3, 0.6, 0.8, 1.5, 20.0] {
            let (amps, siemens) = junction.current(volts);
            let inner = volts - amps * junction.ohms;
            let want = junction.saturation_amps * (inner / junction.slope_volts).exp_m1();
            let scale = want.abs().max(1e-12);
            assert!(
                (amps - want).abs() < 1e-8 * scale + 1e-20,
                "{volts}: {amps} {want}"
            );
            assert!(siemens >= 0.0 && siemens <= 1.0 / junction.ohms);
        }
    }
}
