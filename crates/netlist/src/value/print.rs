//! Values as text that reads back to the last bit.

use super::Dimension;

/// A value as text that [`amount`](super::amount) reads back to the last bit.
pub(crate) fn print(value: f64, dimension: Dimension) -> String {
    // Only prefixes that read back without a caution and as the trade writes them.
    let (prefixes, unit): (&[(i32, &str)], &str) = match dimension {
        Dimension::Ohms => (&[(9, "G"), (6, "M"), (3, "k"), (0, "")], ""),
        Dimension::Farads => (&[(-6, "u"), (-9, "n"), (-12, "p")], ""),
        Dimension::Henries => (&[(0, ""), (-3, "m"), (-6, "u")], "H"),
        Dimension::Amps => (&[(0, ""), (-3, "m"), (-6, "u"), (-9, "n")], "A"),
        Dimension::Siemens => (&[(0, ""), (-3, "m"), (-6, "u")], "S"),
        Dimension::Volts => (&[(0, "")], "V"),
        Dimension::Watts => (&[(0, "")], "W"),
        Dimension::Plain => (&[(0, "")], ""),
    };
    // Shortest digits that give the number back, as `-4.7e3`.
    let scientific = format!("{value:e}");
    let (mantissa, power) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let power: i32 = power.parse().unwrap_or(0);
    let last = prefixes.last().copied().unwrap_or((0, ""));
    let (scale, prefix) = if value == 0.0 {
        (0, "")
    } else {
        prefixes
            .iter()
            .copied()
            .find(|&(scale, _)| power >= scale)
            .unwrap_or(last)
    };
    if (power - scale).abs() > 7 {
        return format!("{scientific}{unit}");
    }
    format!("{}{prefix}{unit}", shift_point(mantissa, power - scale))
}

/// A fraction as a percentage that [`percent`](super::percent) reads back to the last bit.
pub(crate) fn print_percent(fraction: f64) -> String {
    let scientific = format!("{fraction:e}");
    let (mantissa, power) = scientific.split_once('e').unwrap_or((&scientific, "0"));
    let power: i32 = power.parse().unwrap_or(0);
    if power.abs() > 7 {
        return format!("{mantissa}e{}%", power + 2);
    }
    format!("{}%", shift_point(mantissa, power + 2))
}

/// `digits` (one before the point) times ten to the `places`, written out.
fn shift_point(digits: &str, places: i32) -> String {
    let (sign, digits) = match digits.strip_prefix('-') {
        Some(rest) => ("-", rest),
        None => ("", digits),
    };
    let all: String = digits.chars().filter(char::is_ascii_digit).collect();
    let places = places + 1;
    let (whole, fraction) = if places <= 0 {
        let zeros = "0".repeat(places.unsigned_abs() as usize);
        ("0".to_owned(), zeros + &all)
    } else {
        let places = places.unsigned_abs() as usize;
        let whole: String = all
            .chars()
            .chain(std::iter::repeat('0'))
            .take(places)
            .collect();
        (whole, all.chars().skip(places).collect())
    };
    let fraction = fraction.trim_end_matches('0');
    let whole = match whole.trim_start_matches('0') {
        "" => "0",
        significant => significant,
    };
    if fraction.is_empty() {
        format!("{sign}{whole}")
    } else {
        format!("{sign}{whole}.{fraction}")
    }
}

#[cfg(test)]
mod tests {
    use super::super::amount;
    use super::*;

    fn read(word: &str, dimension: Dimension) -> f64 {
        match amount(word, dimension) {
            Ok(amount) => amount.value,
            Err(misread) => panic!("{word}: {misread:?}"),
        }
    }

    #[test]
    fn prints_as_the_trade_writes() {
        use Dimension::*;
        for (value, dimension, text) in [
            (4700.0, Ohms, "4.7k"),
            (1e6, Ohms, "1M"),
            (0.075, Ohms, "0.075"),
            (2e-8, Farads, "20n"),
            (1e-3, Farads, "1000u"),
            (0.5, Watts, "0.5W"),
            (-12.4, Volts, "-12.4V"),
            (0.0, Volts, "0V"),
            (0.0041, Amps, "4.1mA"),
            (1e-20, Farads, "1e-20"),
        ] {
            assert_eq!(print(value, dimension), text);
            assert_eq!(read(text, dimension), value);
        }
    }

    #[test]
    fn percentages_read_back() {
        for (fraction, text) in [(0.15, "15%"), (1.0, "100%"), (0.008, "0.8%"), (0.0, "0%")] {
            assert_eq!(print_percent(fraction), text);
            assert_eq!(super::super::percent(text), Some(fraction));
        }
    }
}
