//! The quantities a stage file speaks of, each in its SI unit.
//!
//! They are thin: a number in a named coat, so that a resistance cannot be
//! handed over where a voltage is meant. Arithmetic is done on the number
//! inside (`.0`), whose unit the field or variable then carries in its name.

use std::fmt;

macro_rules! quantity {
    ($(#[$doc:meta])* $name:ident, $symbol:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
        pub struct $name(pub f64);

        impl $name {
            /// The unit's symbol, as printed after an SI prefix.
            pub const SYMBOL: &'static str = $symbol;
        }

        impl fmt::Display for $name {
            /// Engineering notation with the trade's prefixes: `4.7 kΩ`.
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&engineering(self.0, Self::SYMBOL))
            }
        }
    };
}

quantity!(
    /// Electric potential difference, volts.
    Volts,
    "V"
);
quantity!(
    /// Current, amperes.
    Amps,
    "A"
);
quantity!(
    /// Resistance, ohms.
    Ohms,
    "Ω"
);
quantity!(
    /// Conductance, siemens.
    Siemens,
    "S"
);
quantity!(
    /// Power, watts.
    Watts,
    "W"
);
quantity!(
    /// Capacitance, farads.
    Farads,
    "F"
);
quantity!(
    /// Inductance, henries.
    Henries,
    "H"
);

/// `value` (no zero) rounded to so many significant digits, with the scale of the SI prefix it is written with, and that prefix.
pub fn prefixed(value: f64, digits: i32) -> (f64, f64, &'static str) {
    const PREFIXES: [(f64, &str); 8] = [
        (1e9, "G"),
        (1e6, "M"),
        (1e3, "k"),
        (1.0, ""),
        (1e-3, "m"),
        (1e-6, "µ"),
        (1e-9, "n"),
        (1e-12, "p"),
    ];
    // Rounded first, or 999.7 would be printed as "1000 V".
    let exponent = value.abs().log10().floor();
    let step = 10f64.powf(exponent - f64::from(digits - 1));
    let rounded = (value / step).round() * step;
    let (scale, prefix) = PREFIXES
        .into_iter()
        .find(|(scale, _)| rounded.abs() >= scale * 0.999_999)
        .unwrap_or(PREFIXES[PREFIXES.len() - 1]);
    (rounded, scale, prefix)
}

/// `value` with three significant digits and an SI prefix: `4.70 kΩ`, `841 µA`.
///
/// Zero, and values that no prefix of the trade reaches, are written plainly.
pub fn engineering(value: f64, symbol: &str) -> String {
    if value == 0.0 {
        return format!("0 {symbol}");
    }
    if !value.is_finite() {
        return format!("{value} {symbol}");
    }
    let (rounded, scale, prefix) = prefixed(value, 3);
    let mantissa = rounded / scale;
    let digits = if mantissa.abs() >= 99.95 {
        0
    } else if mantissa.abs() >= 9.995 {
        1
    } else {
        2
    };
    format!("{mantissa:.digits$} {prefix}{symbol}")
}
/// A printed number, without its sign if all that is left of it is zero: `-0.00` is `0.00`.
pub fn without_signed_zero(number: &str) -> &str {
    match number.strip_prefix(['-', '+']) {
        Some(size) if !size.contains(|c| matches!(c, '1'..='9')) => size,
        _ => number,
    }
}
