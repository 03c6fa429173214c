//! How wide words are, and values as a print writes them.
//!
//! Widths are those of Liberation Sans (read from the font's own table), which most systems have under
//! one name or another; the picture also states each word's length, so that another
//! font is fitted to it by the viewer.

use deadstage_netlist::prefixed;

use crate::geometry::UNIT;

/// Pixels from line to line in a label.
pub(crate) const LINE_PX: f64 = 12.0;

/// Size of a part's label, pixels.
pub(crate) const LABEL_PX: f64 = 10.0;

/// Size of a node's name, pixels.
pub(crate) const NODE_PX: f64 = 8.5;

/// Widths of the characters from space to tilde, thousandths of the size.
const WIDTHS: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// Width of a word in pixels; a sign that the table lacks counts as wide as it is high.
pub(crate) fn width_px(text: &str, size_px: f64) -> f64 {
    let thousandths: f64 = text
        .chars()
        .map(|sign| match u32::from(sign) {
            code @ 32..=126 => f64::from(WIDTHS[(code - 32) as usize]),
            _ => match sign {
                'µ' => 576.0,
                'Ω' => 748.0,
                '–' => 556.0,
                '±' => 549.0,
                _ => 1000.0,
            },
        })
        .sum();
    thousandths * size_px / 1000.0
}

/// The same in units of the grid.
pub(crate) fn width(text: &str, size_px: f64) -> f64 {
    width_px(text, size_px) / UNIT
}

/// A value as short as a print has it: `4.7k`, `20µ`, `680 Ω` where there is no prefix.
pub(crate) fn short(value: f64, unit: &str) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value} {unit}");
    }
    // Four digits tell every preferred value; 0.4016 Ω of a shunt keeps all its own.
    let (rounded, scale, prefix) = prefixed(value, 4);
    let (scale, prefix) = match (unit, prefix) {
        // A shunt is marked 0.25 Ω and a capacitor 0.1 µF: common practice, no source.
        ("Ω", "m") if rounded.abs() >= 0.01 => (1.0, ""),
        ("F", "n") if rounded.abs() >= 0.999e-7 => (1e-6, "µ"),
        ("F", "m") => (1e-6, "µ"),
        _ => (scale, prefix),
    };
    let digits = format!("{:.4}", rounded / scale);
    let digits = digits.trim_end_matches('0').trim_end_matches('.');
    match prefix {
        "" => format!("{digits} {unit}"),
        _ if unit == "Ω" || unit == "F" => format!("{digits}{prefix}"),
        _ => format!("{digits} {prefix}{unit}"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_short() {
        for (value, unit, text) in [
            (4700.0, "Ω", "4.7k"),
            (680.0, "Ω", "680 Ω"),
            (0.2513, "Ω", "0.2513 Ω"),
            (499_900.0, "Ω", "499.9k"),
            (2e-5, "F", "20µ"),
            (1e-7, "F", "0.1µ"),
            (2e-8, "F", "20n"),
            (1e-3, "F", "1000µ"),
            (1e-3, "A", "1 mA"),
            (285.0, "V", "285 V"),
        ] {
            assert_eq!(short(value, unit), text);
        }
    }

    #[test]
    fn a_word_is_as_wide_as_its_letters() {
        assert!((width_px("R1", 10.0) - 12.78).abs() < 1e-9);
        assert!(width_px("灯", 10.0) > 9.0);
    }
}
