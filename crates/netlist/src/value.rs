//! Values as the trade writes them: letter codes, prefixes, the units of old prints.
//!
//! Letter-and-digit codes follow IEC 60062 (from memory): the letter stands
//! where the decimal point would and says the power of ten. The power of ten
//! is joined to the digits as text before they become a number, so that
//! `20n`, `0.02u` and `0.00000002` are one and the same value to the last bit.

mod print;

use std::fmt::Write as _;
use std::ops::Range;

use nom::IResult;
use nom::Parser;
use nom::branch::alt;
use nom::character::complete::{char, digit0, digit1, one_of};
use nom::combinator::{map, opt, recognize, success};
use nom::sequence::preceded;

pub(crate) use print::{print, print_percent};

use crate::units::{Amps, Farads, Henries, Ohms, Siemens, Volts, Watts};

/// What a value is a value of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Dimension {
    Ohms,
    Farads,
    Henries,
    Volts,
    Amps,
    Watts,
    Siemens,
    /// A ratio: an amplification factor.
    Plain,
}

impl Dimension {
    /// Those that a value can be recognised by through its unit.
    const WITH_UNIT: [Self; 7] = [
        Self::Volts,
        Self::Watts,
        Self::Ohms,
        Self::Farads,
        Self::Henries,
        Self::Amps,
        Self::Siemens,
    ];

    /// What to call a value of it: `a resistance`.
    pub(crate) fn noun(self) -> &'static str {
        match self {
            Self::Ohms => "a resistance",
            Self::Farads => "a capacitance",
            Self::Henries => "an inductance",
            Self::Volts => "a voltage",
            Self::Amps => "a current",
            Self::Watts => "a power",
            Self::Siemens => "a transconductance",
            Self::Plain => "a plain number",
        }
    }

    /// How one is written.
    pub(crate) fn example(self) -> &'static str {
        match self {
            Self::Ohms => "`4.7k`, `4K7` or `1M`",
            Self::Farads => "`20n`, `0.02uF` or `8mfd`",
            Self::Henries => "`10H` or `2.5mH`",
            Self::Volts => "`250V` or `1.3V`",
            Self::Amps => "`8mA` or `0.5A`",
            Self::Watts => "`0.5W` or `1/2W`",
            Self::Siemens => "`1.6mS` or `1600umho`",
            Self::Plain => "`100`",
        }
    }

    /// The symbol printed after a prefix.
    pub(crate) fn symbol(self) -> &'static str {
        match self {
            Self::Ohms => Ohms::SYMBOL,
            Self::Farads => Farads::SYMBOL,
            Self::Henries => Henries::SYMBOL,
            Self::Volts => Volts::SYMBOL,
            Self::Amps => Amps::SYMBOL,
            Self::Watts => Watts::SYMBOL,
            Self::Siemens => Siemens::SYMBOL,
            Self::Plain => "",
        }
    }

    fn units(self) -> &'static [&'static str] {
        match self {
            // Both code points that look like Ω: Greek capital omega and the ohm sign.
            Self::Ohms => &["\u{3a9}", "\u{2126}", "ohm", "ohms", "r"],
            Self::Farads => &["f", "fd", "farad", "farads"],
            Self::Henries => &["h", "hy", "henry", "henries", "henrys"],
            Self::Volts => &["v", "volt", "volts"],
            Self::Amps => &["a", "amp", "amps", "ampere", "amperes"],
            Self::Watts => &["w", "watt", "watts"],
            Self::Siemens => &["s", "mho", "mhos", "siemens", "a/v"],
            Self::Plain => &[],
        }
    }

    fn is_unit(self, text: &str) -> bool {
        self.units()
            .iter()
            .any(|unit| unit.eq_ignore_ascii_case(text))
    }
}

/// A value that was read.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Amount {
    /// In the SI unit. Always finite.
    pub(crate) value: f64,
    /// Whether its unit was written.
    pub(crate) has_unit: bool,
    pub(crate) caution: Option<Caution>,
}

/// A spelling that may not mean what its writer wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Caution {
    /// `m` on a resistance.
    Milliohm,
    /// `mF`, where prints of the time write `mf` for microfarad.
    Millifarad,
}

/// Why a word is no value.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Misread {
    /// Bytes of the word.
    pub(crate) at: Range<usize>,
    pub(crate) why: Why,
}

#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Why {
    NotANumber,
    UnknownUnit,
    UnitOf(Dimension),
    TooLarge,
}

/// An unsigned decimal as written: its digits and a power of ten.
#[derive(Clone, Debug)]
struct Decimal<'a> {
    whole: &'a str,
    fraction: &'a str,
    /// Digits of an exponent with its sign, or empty.
    exponent: &'a str,
}

impl Decimal<'_> {
    /// The number times ten to the `shift`; `None` past the reach of a number.
    fn times_ten_to(&self, shift: i32) -> Option<f64> {
        let exponent = match self.exponent {
            "" => 0,
            written => written.parse::<i32>().ok()?,
        };
        let mut text = String::with_capacity(self.whole.len() + self.fraction.len() + 16);
        let _ = write!(
            text,
            "{}.{}e{}",
            if self.whole.is_empty() {
                "0"
            } else {
                self.whole
            },
            if self.fraction.is_empty() {
                "0"
            } else {
                self.fraction
            },
            exponent.checked_add(shift)?
        );
        text.parse::<f64>().ok().filter(|number| number.is_finite())
    }
}

/// Digits with an optional point and exponent. An `e` without digits after it
/// is left for the unit, which will not know it.
fn decimal(input: &str) -> IResult<&str, Decimal<'_>> {
    let exponent = preceded(one_of("eE"), recognize((opt(one_of("+-")), digit1)));
    (
        alt((
            (digit1, alt((preceded(char('.'), digit0), success("")))),
            (success(""), preceded(char('.'), digit1)),
        )),
        alt((exponent, success(""))),
    )
        .map(|((whole, fraction), exponent)| Decimal {
            whole,
            fraction,
            exponent,
        })
        .parse(input)
}

/// `4K7`, `R22`, `1n5`: the letter in place of the point.
fn letter_code(input: &str, dimension: Dimension) -> IResult<&str, (Decimal<'_>, Scale)> {
    let letter = nom::combinator::map_opt(nom::character::complete::anychar, |c| {
        code_letter(c, dimension)
    });
    map((digit0, letter, digit1), |(whole, scale, fraction)| {
        (
            Decimal {
                whole,
                fraction,
                exponent: "",
            },
            scale,
        )
    })
    .parse(input)
}

#[derive(Clone, Copy, Debug)]
struct Scale {
    power: i32,
    has_unit: bool,
    caution: Option<Caution>,
}

impl Scale {
    fn of(power: i32, has_unit: bool) -> Self {
        Self {
            power,
            has_unit,
            caution: None,
        }
    }
}

const PREFIXES: [(&str, i32); 16] = [
    ("meg", 6),
    ("Meg", 6),
    ("MEG", 6),
    ("micro", -6),
    ("milli", -3),
    ("kilo", 3),
    ("p", -12),
    ("n", -9),
    ("u", -6),
    // The micro sign and the Greek letter mu.
    ("\u{b5}", -6),
    ("\u{3bc}", -6),
    ("m", -3),
    ("k", 3),
    ("K", 3),
    ("M", 6),
    ("G", 9),
];

fn code_letter(c: char, dimension: Dimension) -> Option<Scale> {
    let mut buffer = [0; 4];
    let letter: &str = c.encode_utf8(&mut buffer);
    if dimension == Dimension::Plain {
        return None;
    }
    if letter != "f" && letter != "a" && dimension.is_unit(letter) {
        return Some(Scale::of(0, true));
    }
    if dimension == Dimension::Ohms && letter == "L" {
        return Some(Scale::of(-3, true));
    }
    let (_, power) = PREFIXES.iter().find(|(prefix, _)| *prefix == letter)?;
    Some(Scale {
        caution: (dimension == Dimension::Ohms && letter == "m").then_some(Caution::Milliohm),
        ..Scale::of(*power, false)
    })
}

/// The power of ten that a suffix stands for.
fn suffix(text: &str, dimension: Dimension) -> Option<Scale> {
    if text.is_empty() {
        return Some(Scale::of(0, false));
    }
    if dimension.is_unit(text) {
        return Some(Scale::of(0, true));
    }
    if dimension == Dimension::Farads {
        if text == "mF" {
            return Some(Scale {
                caution: Some(Caution::Millifarad),
                ..Scale::of(-3, true)
            });
        }
        let plain = text.to_lowercase().replace(['\u{b5}', '\u{3bc}'], "u");
        match plain.as_str() {
            "mf" | "mfd" => return Some(Scale::of(-6, true)),
            "mmf" | "mmfd" | "uuf" | "uufd" => return Some(Scale::of(-12, true)),
            _ => {}
        }
    }
    let (prefix, power, rest) = PREFIXES.iter().find_map(|&(prefix, power)| {
        let rest = text.strip_prefix(prefix)?;
        (rest.is_empty() || dimension.is_unit(rest)).then_some((prefix, power, rest))
    })?;
    if dimension == Dimension::Plain {
        return None;
    }
    Some(Scale {
        caution: (dimension == Dimension::Ohms && prefix == "m").then_some(Caution::Milliohm),
        ..Scale::of(power, !rest.is_empty())
    })
}

/// `word` as a value of `dimension`, in the SI unit. The unit may be left out.
pub(crate) fn amount(word: &str, dimension: Dimension) -> Result<Amount, Misread> {
    amount_in_tens(word, dimension, 0)
}

/// As [`amount`], in units of ten to the `unit_power`: -3 gives a current in milliamperes.
pub(crate) fn amount_in_tens(
    word: &str,
    dimension: Dimension,
    unit_power: i32,
) -> Result<Amount, Misread> {
    let whole_word = 0..word.len();
    let misread = |at: Range<usize>, why| Misread { at, why };
    let (negative, unsigned) = strip_sign(word);
    let finish = |decimal: &Decimal<'_>, scale: Scale| {
        let size = decimal
            .times_ten_to(scale.power - unit_power)
            .ok_or_else(|| misread(whole_word.clone(), Why::TooLarge))?;
        Ok(Amount {
            value: signed(size, negative),
            has_unit: scale.has_unit,
            caution: scale.caution,
        })
    };

    if let Ok((rest, (decimal, scale))) = letter_code(unsigned, dimension)
        && (rest.is_empty() || (!scale.has_unit && dimension.is_unit(rest)))
    {
        let has_unit = scale.has_unit || !rest.is_empty();
        return finish(&decimal, Scale { has_unit, ..scale });
    }
    let Ok((rest, number)) = decimal(unsigned) else {
        return Err(misread(whole_word, Why::NotANumber));
    };
    if let Some(ratio) = common_fraction(&number, rest, dimension) {
        let value = signed(ratio, negative);
        return Ok(Amount {
            value,
            has_unit: true,
            caution: None,
        });
    }
    if let Some(scale) = suffix(rest, dimension) {
        return finish(&number, scale);
    }
    let why = Dimension::WITH_UNIT
        .into_iter()
        .find(|&other| other != dimension && suffix(rest, other).is_some_and(|s| s.has_unit))
        .map_or(Why::UnknownUnit, Why::UnitOf);
    Err(misread(word.len() - rest.len()..word.len(), why))
}

/// The number with its sign; zero has none.
fn signed(size: f64, negative: bool) -> f64 {
    if negative && size != 0.0 { -size } else { size }
}

fn strip_sign(word: &str) -> (bool, &str) {
    // U+2212 is the minus sign that word processors put in.
    if let Some(rest) = word.strip_prefix(['-', '\u{2212}']) {
        (true, rest)
    } else {
        (false, word.strip_prefix('+').unwrap_or(word))
    }
}

/// `1/2W`: how ratings are printed on resistors and in lists.
fn common_fraction(top: &Decimal<'_>, rest: &str, dimension: Dimension) -> Option<f64> {
    if dimension != Dimension::Watts {
        return None;
    }
    let (unit, bottom) = preceded(char('/'), decimal).parse(rest).ok()?;
    if !dimension.is_unit(unit) {
        return None;
    }
    let ratio = top.times_ten_to(0)? / bottom.times_ten_to(0)?;
    ratio.is_finite().then_some(ratio)
}

/// The dimension that a word carries in its unit, with its value.
pub(crate) fn by_unit(word: &str) -> Option<(Dimension, Amount)> {
    Dimension::WITH_UNIT.into_iter().find_map(|dimension| {
        let amount = amount(word, dimension).ok()?;
        amount.has_unit.then_some((dimension, amount))
    })
}

/// Whether a word is what may stand behind a number: a prefix, a unit, or both.
pub(crate) fn is_suffix(word: &str) -> bool {
    !word.is_empty()
        && Dimension::WITH_UNIT
            .into_iter()
            .any(|dimension| suffix(word, dimension).is_some())
}

/// Whether a word begins as a number does, signs and `±` included.
pub(crate) fn looks_numeric(word: &str) -> bool {
    let word = strip_plus_minus(word).unwrap_or(word);
    let (_, word) = strip_sign(word);
    let word = word.strip_prefix('.').unwrap_or(word);
    word.starts_with(|c: char| c.is_ascii_digit())
}

/// What follows `±`, `+-` or `+/-`.
pub(crate) fn strip_plus_minus(word: &str) -> Option<&str> {
    ["\u{b1}", "+-", "+/-", "-+"]
        .iter()
        .find_map(|sign| word.strip_prefix(sign))
}

/// A percentage as a fraction: `10%` is 0.1, `±15%` is 0.15. `None` when the
/// word does not end in `%` or no plain number stands before it.
pub(crate) fn percent(word: &str) -> Option<f64> {
    let number = strip_plus_minus(word).unwrap_or(word).strip_suffix('%')?;
    let (negative, unsigned) = strip_sign(number);
    match decimal(unsigned) {
        Ok(("", number)) if !negative => number.times_ten_to(-2),
        _ => None,
    }
}

/// A plain number with sign, and what follows it.
pub(crate) fn leading_number(text: &str) -> Option<(f64, &str)> {
    let (negative, unsigned) = strip_sign(text);
    let (rest, number) = decimal(unsigned).ok()?;
    let size = number.times_ten_to(0)?;
    Some((signed(size, negative), rest))
}

/// A unit as printed on a meter's face, split in dimension and power of ten:
/// `mA` is amperes and -3.
pub(crate) fn unit_of(text: &str) -> Option<(Dimension, i32)> {
    Dimension::WITH_UNIT.into_iter().find_map(|dimension| {
        let scale = suffix(text, dimension)?;
        scale.has_unit.then_some((dimension, scale.power))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(word: &str, dimension: Dimension) -> f64 {
        match amount(word, dimension) {
            Ok(amount) => amount.value,
            Err(misread) => panic!("{word}: {misread:?}"),
        }
    }

    #[test]
    fn letter_codes_and_prefixes() {
        use Dimension::*;
        for (word, dimension, value) in [
            ("4K7", Ohms, 4700.0),
            ("R22", Ohms, 0.22),
            ("2M2", Ohms, 2.2e6),
            ("1n5", Farads, 1.5e-9),
            ("p47", Farads, 0.47e-12),
            ("4.7k", Ohms, 4700.0),
            ("4.7kΩ", Ohms, 4700.0),
            ("4.7k\u{2126}", Ohms, 4700.0),
            ("4700ohm", Ohms, 4700.0),
            ("100R", Ohms, 100.0),
            ("4k7ohms", Ohms, 4700.0),
            ("1meg", Ohms, 1e6),
            ("1Megohm", Ohms, 1e6),
            ("0.02uF", Farads, 2e-8),
            ("8µ", Farads, 8e-6),
            ("8\u{3bc}F", Farads, 8e-6),
            (".02", Farads, 0.02),
            ("8mfd", Farads, 8e-6),
            ("8MFD", Farads, 8e-6),
            ("8mf", Farads, 8e-6),
            ("250mmfd", Farads, 250e-12),
            ("250mmf", Farads, 250e-12),
            ("250uuf", Farads, 250e-12),
            ("250µµF", Farads, 250e-12),
            ("1/2W", Watts, 0.5),
            ("-12.4V", Volts, -12.4),
            ("-0V", Volts, 0.0),
            ("\u{2212}12.4V", Volts, -12.4),
            ("1e3", Ohms, 1000.0),
            ("1.5e-6F", Farads, 1.5e-6),
            ("1600umho", Siemens, 1.6e-3),
            ("1.6mA/V", Siemens, 1.6e-3),
            ("2kV", Volts, 2000.0),
            ("4V7", Volts, 4.7),
        ] {
            assert_eq!(
                read(word, dimension).to_bits(),
                f64::to_bits(value),
                "{word}"
            );
        }
        assert_eq!(
            read("20n", Farads).to_bits(),
            read("0.02u", Farads).to_bits()
        );
    }

    #[test]
    fn cautions() {
        let caution = |word, dimension| amount(word, dimension).ok().and_then(|a| a.caution);
        assert_eq!(caution("1m", Dimension::Ohms), Some(Caution::Milliohm));
        assert_eq!(caution("4m7", Dimension::Ohms), Some(Caution::Milliohm));
        assert_eq!(caution("1mF", Dimension::Farads), Some(Caution::Millifarad));
        assert_eq!(caution("1M", Dimension::Ohms), None);
        assert_eq!(caution("1mf", Dimension::Farads), None);
    }

    #[test]
    fn says_what_is_wrong_and_where() {
        use Dimension::*;
        for (word, dimension, at, why) in [
            ("lots", Ohms, 0..4, Why::NotANumber),
            ("inf", Ohms, 0..3, Why::NotANumber),
            ("nan", Volts, 0..3, Why::NotANumber),
            ("", Ohms, 0..0, Why::NotANumber),
            ("1.5z", Ohms, 3..4, Why::UnknownUnit),
            ("1e", Ohms, 1..2, Why::UnknownUnit),
            ("1emu", Ohms, 1..4, Why::UnknownUnit),
            ("5V", Ohms, 1..2, Why::UnitOf(Volts)),
            ("10kV", Farads, 2..4, Why::UnitOf(Volts)),
            ("1e999", Ohms, 0..5, Why::TooLarge),
            ("1e99999999999", Ohms, 0..13, Why::TooLarge),
            ("1/0W", Watts, 1..4, Why::UnknownUnit),
        ] {
            assert_eq!(amount(word, dimension), Err(Misread { at, why }), "{word}");
        }
    }

    #[test]
    fn percentages() {
        for word in ["15%", "±15%", "+-15%", "+/-15%"] {
            assert_eq!(percent(word), Some(0.15), "{word}");
        }
        assert_eq!(percent("15"), None);
        assert_eq!(percent("-15%"), None);
        assert_eq!(percent("x%"), None);
    }
}
