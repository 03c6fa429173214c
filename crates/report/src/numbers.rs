//! Numbers as the trade writes them, and rounded for programs.

use deadstage_netlist::{engineering, without_signed_zero};

/// Volts: always in volts, as a voltage chart has them, to three digits.
pub(crate) fn volts(value: f64) -> String {
    if !value.is_finite() {
        return "—".to_owned();
    }
    // A millivolt is below what any meter of the trade resolves.
    if value.abs() < 0.000_5 {
        return "0 V".to_owned();
    }
    format!("{} V", trimmed(value))
}

/// Amperes: milliamperes down to a tenth of one, then microamperes.
pub(crate) fn amps(value: f64) -> String {
    if !value.is_finite() {
        return "—".to_owned();
    }
    let size = value.abs();
    if size < 0.5e-9 {
        "0 A".to_owned()
    } else if size >= 0.999_5 {
        format!("{} A", trimmed(value))
    } else if size >= 99.95e-6 {
        format!("{} mA", trimmed(value * 1e3))
    } else if size >= 99.95e-9 {
        format!("{} µA", trimmed(value * 1e6))
    } else {
        format!("{} nA", trimmed(value * 1e9))
    }
}

/// Ohms with the trade's prefixes; an infinite resistance is `∞`.
pub(crate) fn ohms(value: f64) -> String {
    if value.is_infinite() {
        return "∞".to_owned();
    }
    if value.is_nan() {
        return "—".to_owned();
    }
    if value.abs() < 0.000_5 {
        return "0 Ω".to_owned();
    }
    if value.abs() < 1.0 {
        return format!("{} Ω", trimmed(value));
    }
    tidy(&engineering(value, "Ω"))
}

/// Watts, down to milliwatts.
pub(crate) fn watts(value: f64) -> String {
    if !value.is_finite() {
        return "—".to_owned();
    }
    if value.abs() < 0.000_5 {
        return "0 W".to_owned();
    }
    if value.abs() >= 0.1 {
        format!("{} W", trimmed(value))
    } else {
        format!("{} mW", trimmed(value * 1e3))
    }
}

/// A probability or a fraction as per cent.
pub(crate) fn per_cent(fraction: f64) -> String {
    let value = fraction * 100.0;
    if !value.is_finite() {
        "—".to_owned()
    } else if value > 99.0 && value < 100.0 {
        // "100 %" is a claim that no meter reading supports.
        "> 99 %".to_owned()
    } else if value >= 9.95 {
        format!("{value:.0} %")
    } else if value >= 0.095 {
        format!("{value:.1} %")
    } else if value > 0.0 {
        "< 0.1 %".to_owned()
    } else {
        "0 %".to_owned()
    }
}

/// Ohms to five digits, for a resistance that is worked out rather than read.
pub(crate) fn ohms_fine(value: f64) -> String {
    const PREFIXES: [(f64, &str); 5] = [
        (1e9, "GΩ"),
        (1e6, "MΩ"),
        (1e3, "kΩ"),
        (1.0, "Ω"),
        (1e-3, "mΩ"),
    ];
    if value.is_infinite() {
        return "∞".to_owned();
    }
    if value.is_nan() {
        return "—".to_owned();
    }
    // Tenths of an ohm are read more easily than hundreds of milliohms.
    let size = value.abs();
    let (scale, unit) = PREFIXES
        .into_iter()
        .find(|&(scale, _)| size >= 0.999_995 * scale || (scale == 1.0 && size >= 0.1))
        .unwrap_or((1e-3, "mΩ"));
    let number = value / scale;
    let whole = number.abs().max(1.0).log10().floor();
    let decimals = (4.0 - whole).clamp(0.0, 4.0) as usize;
    let number = drop_zeros(&format!("{number:.decimals$}"));
    format!("{} {unit}", without_signed_zero(&number))
}

/// Watts down to microwatts.
pub(crate) fn watts_fine(value: f64) -> String {
    if value.is_finite() && value.abs() < 0.000_999_5 {
        format!("{} µW", trimmed(value * 1e6))
    } else {
        watts(value)
    }
}

/// A deviation as per cent with its sign, three digits.
pub(crate) fn signed_per_cent(fraction: f64) -> String {
    let value = fraction * 100.0;
    if !value.is_finite() {
        return "—".to_owned();
    }
    match trimmed(value) {
        zero if zero == "0" => "0 %".to_owned(),
        number if value > 0.0 => format!("+{number} %"),
        number => format!("{number} %"),
    }
}

/// A number with its sign to so many decimals; zero has none.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    without_signed_zero(&format!("{value:+.decimals$}")).to_owned()
}

/// A share far below one, as per cent to two digits.
pub(crate) fn small_share(fraction: f64) -> String {
    let value = fraction * 100.0;
    if !(value.is_finite() && value > 0.0) {
        return per_cent(fraction);
    }
    let decimals = (1.0 - value.log10().floor()).clamp(0.0, 6.0) as usize;
    format!("{} %", drop_zeros(&format!("{value:.decimals$}")))
}

/// A number in the unit it was read in.
pub(crate) fn in_unit(value: f64, unit: &str) -> String {
    match unit {
        "V" => volts(value),
        "A" => amps(value),
        "Ω" => ohms(value),
        "W" => watts(value),
        _ if !value.is_finite() => "—".to_owned(),
        "" => trimmed(value),
        _ => format!("{} {unit}", trimmed(value)),
    }
}

/// Three significant digits, at most three decimals, no zeros at the end.
fn trimmed(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 99.95 {
        0
    } else if size >= 9.995 {
        1
    } else if size >= 0.999_5 {
        2
    } else {
        3
    };
    let text = format!("{value:.decimals$}");
    without_signed_zero(&drop_zeros(&text)).to_owned()
}

fn drop_zeros(text: &str) -> String {
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text.to_owned()
    }
}

fn tidy(engineering: &str) -> String {
    match engineering.split_once(' ') {
        Some((number, unit)) => format!("{} {unit}", drop_zeros(number)),
        None => engineering.to_owned(),
    }
}

/// Seven significant digits for a program; `None` where there is no number.
pub(crate) fn rounded(value: f64) -> Option<f64> {
    if !value.is_finite() {
        return None;
    }
    // Through text: the shortest decimal is what a reader of the JSON sees.
    let text = format!("{value:.6e}");
    text.parse::<f64>()
        .ok()
        .map(|v| if v == 0.0 { 0.0 } else { v })
}

/// A probability for a program: nine decimals, so that a list still adds to one.
pub(crate) fn probability(value: f64) -> f64 {
    if value.is_finite() {
        // Adding nothing to a negative zero gives the positive one.
        (value * 1e9).round() / 1e9 + 0.0
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_read_as_on_a_print() {
        assert_eq!(volts(165.2), "165 V");
        assert_eq!(volts(12.34), "12.3 V");
        assert_eq!(volts(-1.3), "-1.3 V");
        assert_eq!(volts(0.0512), "0.051 V");
        assert_eq!(volts(-0.0001), "0 V");
        assert_eq!(volts(1250.4), "1250 V");
        assert_eq!(amps(0.000_841), "0.841 mA");
        assert_eq!(amps(0.049), "49 mA");
        assert_eq!(amps(3.2e-6), "3.2 µA");
        assert_eq!(amps(2.5e-8), "25 nA");
        assert_eq!(ohms(4700.0), "4.7 kΩ");
        assert_eq!(ohms(1.02e6), "1.02 MΩ");
        assert_eq!(ohms(0.436), "0.436 Ω");
        assert_eq!(ohms(f64::INFINITY), "∞");
        assert_eq!(watts(0.0707), "70.7 mW");
        assert_eq!(watts(12.0), "12 W");
    }

    #[test]
    fn a_worked_out_resistance_keeps_its_digits() {
        assert_eq!(ohms_fine(1.010_101), "1.0101 Ω");
        assert_eq!(ohms_fine(198_300.0), "198.3 kΩ");
        assert_eq!(ohms_fine(1_998_300.0), "1.9983 MΩ");
        assert_eq!(ohms_fine(0.15), "0.15 Ω");
        assert_eq!(ohms_fine(0.075_04), "75.04 mΩ");
        assert_eq!(ohms_fine(0.0), "0 mΩ");
        assert_eq!(ohms_fine(f64::INFINITY), "∞");
        assert_eq!(watts_fine(0.000_025), "25 µW");
        assert_eq!(signed_per_cent(0.05), "+5 %");
        assert_eq!(signed_per_cent(-0.009_9), "-0.99 %");
        assert_eq!(signed_per_cent(-1e-9), "0 %");
        assert_eq!(ohms_fine(-0.0), "0 mΩ");
    }

    #[test]
    fn zero_has_no_sign() {
        for near_none in [-0.0, -1e-9] {
            assert_eq!(signed(near_none, 1), "0.0");
            assert_eq!(in_unit(near_none, "mA"), "0 mA");
            assert_eq!(volts(near_none), "0 V");
            assert_eq!(probability(near_none / 10.0).to_bits(), 0);
        }
        assert_eq!(signed(1.25, 1), "+1.2");
        assert_eq!(signed(-14.4, 0), "-14");
        assert_eq!(engineering(-0.0, "V"), "0 V");
    }

    #[test]
    fn certainty_is_never_claimed_by_rounding() {
        assert_eq!(per_cent(0.9999), "> 99 %");
        assert_eq!(per_cent(0.71), "71 %");
        assert_eq!(per_cent(0.023), "2.3 %");
        assert_eq!(per_cent(0.000_1), "< 0.1 %");
        assert_eq!(per_cent(0.0), "0 %");
    }

    #[test]
    fn programs_get_no_nan_and_no_negative_zero() {
        assert_eq!(rounded(f64::NAN), None);
        assert_eq!(rounded(f64::INFINITY), None);
        assert_eq!(rounded(165.234_567_89), Some(165.234_6));
        assert!(rounded(-0.0).is_some_and(f64::is_sign_positive));
        assert_eq!(probability(f64::NAN), 0.0);
    }
}
