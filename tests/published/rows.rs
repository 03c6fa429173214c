//! The rows as they are written, and the bands their values must keep.

use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

use serde::Deserialize;

/// One file of rows.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Collection {
    /// Heading on the page.
    pub(crate) title: String,
    /// What the rows are and how they are computed.
    pub(crate) about: String,
    /// What is left out, and why.
    #[serde(default)]
    pub(crate) left_out: Vec<String>,
    /// Bands by quantity, for rows that give none of their own.
    #[serde(default)]
    pub(crate) tolerance: BTreeMap<String, String>,
    /// The rows.
    #[serde(rename = "row")]
    pub(crate) rows: Vec<Row>,
}

/// One published fact, of one or more quantities.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Row {
    pub(crate) id: String,
    pub(crate) what: String,
    pub(crate) kind: Kind,
    #[serde(default)]
    pub(crate) inputs: Inputs,
    /// Published value by quantity; the unit is part of the quantity's name.
    pub(crate) expected: BTreeMap<String, f64>,
    #[serde(default)]
    pub(crate) tolerance: BTreeMap<String, String>,
    pub(crate) source: String,
    pub(crate) status: Status,
    #[serde(default)]
    pub(crate) note: Option<String>,
    /// Why a quantity is off, where it is known to be.
    #[serde(default)]
    pub(crate) known_miss: BTreeMap<String, String>,
}

/// How a row is evaluated.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Kind {
    /// A netlist, solved and read.
    Circuit,
    /// One tube at given electrode voltages.
    Tube,
    /// A vacuum diode law from one published point.
    Diode,
    /// A value as the netlist writes it.
    Value,
    /// A series of preferred numbers as letter codes.
    Series,
    /// Shares of a part's failures.
    Split,
    /// Expected cost of the best sequence of tests, each at a cost of one.
    Sequence,
}

/// What a row starts from; each kind looks at its own.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(crate) struct Inputs {
    /// `circuit`: statements of the netlist.
    pub(crate) netlist: String,
    /// `circuit`: the meter the volts are read with, and its range in volts.
    pub(crate) meter: Option<String>,
    pub(crate) range: Option<f64>,
    /// `tube`: type, and section where the bottle has several.
    #[serde(rename = "type")]
    pub(crate) tube: String,
    /// `tube`: a `tubetype` statement that defines it.
    pub(crate) define: Option<String>,
    /// `tube`: volts at the electrodes, the cathode at its resistor's end.
    pub(crate) plate: f64,
    pub(crate) screen: Option<f64>,
    pub(crate) grid: f64,
    /// `tube`: cathode resistor, ohms.
    pub(crate) rk: Option<f64>,
    /// `tube`: plate current in mA to which the grid is set.
    pub(crate) at_ma: Option<f64>,
    /// `tube`, `circuit`: parameters of the published equations in place of the fitted law.
    pub(crate) koren: Option<Koren>,
    /// `diode`: volts and milliamperes of the published point, and volts asked for.
    pub(crate) drop: Option<(f64, f64)>,
    pub(crate) volts: f64,
    /// `value`: as written, and the statement it stands in (`resistor`, `capacitor`).
    pub(crate) text: String,
    pub(crate) statement: String,
    /// `series`: preferred numbers.
    pub(crate) numbers: Vec<u32>,
    /// `sequence`: probability of each state, and by test its result in each.
    pub(crate) shares: Vec<f64>,
    pub(crate) results: Vec<Vec<usize>>,
    /// `split`: class and modes, each mode's share of `among`.
    pub(crate) class: String,
    pub(crate) among: Vec<String>,
}

/// Parameters as the equations' author prints them; `kg2` makes it a pentode.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Koren {
    pub(crate) mu: f64,
    pub(crate) x: f64,
    pub(crate) kg1: f64,
    pub(crate) kg2: Option<f64>,
    pub(crate) kp: f64,
    pub(crate) kvb: f64,
}

/// How sure a published value is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub(crate) enum Status {
    #[serde(rename = "seen")]
    Seen,
    #[serde(rename = "from memory, high")]
    High,
    #[serde(rename = "from memory, medium")]
    Medium,
    #[serde(rename = "calculated")]
    Calculated,
}

impl fmt::Display for Status {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Seen => "seen",
            Self::High => "from memory, high",
            Self::Medium => "from memory, medium",
            Self::Calculated => "calculated",
        })
    }
}

/// How far a computed value may be from the published one.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Band {
    /// Of the published value.
    fraction: f64,
    /// In the value's unit.
    within: f64,
    /// Ratio either way, where it is a matter of size only; else 0.
    factor: f64,
}

impl Band {
    /// Reads `10%`, `0.5`, `12% + 0.1` or `x3`.
    pub(crate) fn parse(text: &str) -> Option<Self> {
        if let Some(factor) = text.strip_prefix('x') {
            let factor: f64 = factor.trim().parse().ok()?;
            return (factor > 1.0).then_some(Self {
                factor,
                ..Self::default()
            });
        }
        let mut band = Self::default();
        for term in text.split('+').map(str::trim) {
            match term.strip_suffix('%') {
                Some(percent) => band.fraction = percent.trim().parse::<f64>().ok()? / 100.0,
                None => band.within = term.parse().ok()?,
            }
        }
        (band.fraction + band.within > 0.0).then_some(band)
    }

    pub(crate) fn holds(&self, found: f64, published: f64) -> bool {
        if self.factor > 0.0 {
            let ratio = found / published;
            return ratio >= 1.0 / self.factor && ratio <= self.factor;
        }
        (found - published).abs() <= self.fraction * published.abs() + self.within
    }

    /// A value so far from `found` that no published value near `found` allows both.
    pub(crate) fn well_outside(&self, found: f64) -> f64 {
        if self.factor > 0.0 {
            return found * self.factor * self.factor * 1.01;
        }
        let share = self.fraction.min(0.9);
        found
            + (2.0 * share * found.abs() / (1.0 - share) + 2.0 * self.within / (1.0 - share)) * 1.1
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let percent = crate::page::number(100.0 * self.fraction);
        let within = crate::page::number(self.within);
        match (self.factor > 0.0, self.fraction > 0.0, self.within > 0.0) {
            (true, ..) => write!(f, "factor {}", crate::page::number(self.factor)),
            (_, true, true) => write!(f, "±{percent} % ± {within}"),
            (_, true, false) => write!(f, "±{percent} %"),
            _ => write!(f, "±{within}"),
        }
    }
}

impl Collection {
    /// The band of one quantity of a row.
    pub(crate) fn band(&self, row: &Row, quantity: &str) -> Result<Band, String> {
        let text = row
            .tolerance
            .get(quantity)
            .or_else(|| self.tolerance.get(quantity))
            .or_else(|| self.tolerance.get("any"))
            .ok_or_else(|| format!("no tolerance for `{quantity}`"))?;
        Band::parse(text).ok_or_else(|| format!("`{text}` is no tolerance"))
    }
}

/// Every file of rows in a folder, by file name.
pub(crate) fn read(folder: &Path) -> Result<Vec<Collection>, String> {
    let entries =
        std::fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let mut files: Vec<_> = entries
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|end| end == "toml"))
        .collect();
    files.sort();
    files
        .iter()
        .map(|path| {
            let text = std::fs::read_to_string(path)
                .map_err(|error| format!("{}: {error}", path.display()))?;
            toml::from_str(&text).map_err(|error| format!("{}: {error}", path.display()))
        })
        .collect()
}
