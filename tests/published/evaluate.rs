//! One row, by its kind.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use deadstage_circuit::tube_names;
use deadstage_netlist::{PartKind, Severity, parse_stage};
use deadstage_parts::{
    Condition, Device, DiodeLaw, LawForm, Mode, PartClass, failures, tube_table,
};

use deadstage_reason::plan::{Case, Limits, Planner};

use crate::bench::Bench;
use crate::rows::{Inputs, Kind, Row};

type Values = BTreeMap<String, f64>;

/// The computed value of every quantity that the row expects.
pub(crate) fn row(row: &Row) -> Result<Values, String> {
    let inputs = &row.inputs;
    match row.kind {
        Kind::Circuit => {
            let quantities: Vec<&str> = row.expected.keys().map(String::as_str).collect();
            let bench = Bench::new(&inputs.netlist, inputs.koren)?;
            named(&quantities, bench.read(&quantities, inputs)?)
        }
        Kind::Tube => tube(row),
        Kind::Diode => diode(row),
        Kind::Value => value(row),
        Kind::Series => series(inputs),
        Kind::Split => split(row),
        Kind::Sequence => sequence(inputs),
    }
}

/// A wrong decision so dear that every state is isolated, in tests.
const NO_MISTAKE: f64 = 1e4;

/// The cheapest sequence of tests.
fn sequence(inputs: &Inputs) -> Result<Values, String> {
    let case = Case::of_certain_results(&inputs.shares, &inputs.results, NO_MISTAKE);
    let mut planner = Planner::new(&case, Limits::exact()).map_err(|e| e.to_string())?;
    let tree = planner.tree(case.tests.len(), 0.0);
    if tree.loss() > 0.0 {
        return Err("the tests do not isolate every state".to_owned());
    }
    Ok(Values::from([(
        "expected tests".to_owned(),
        tree.cost_of_tests(),
    )]))
}

fn named(quantities: &[&str], values: Vec<f64>) -> Result<Values, String> {
    Ok(quantities
        .iter()
        .map(|quantity| (*quantity).to_owned())
        .zip(values)
        .collect())
}

/// What a tube's quantities are called on a bench.
fn reading(quantity: &str) -> Result<&'static str, String> {
    Ok(match quantity {
        "plate mA" => "milliamps V1 plate",
        "screen mA" => "milliamps V1 screen",
        "grid mA" => "milliamps V1 grid",
        "grid uA" => "microamps V1 grid",
        "gm uS" => "gm-us V1",
        "rp kohm" => "rp-kohm V1",
        "mu" => "mu V1",
        _ => return Err(format!("a tube has no `{quantity}`")),
    })
}

/// A tube between voltage sources, as a data sheet states it.
fn tube(row: &Row) -> Result<Values, String> {
    let inputs = &row.inputs;
    let mut values = Values::new();
    let mut quantities: Vec<&str> = Vec::new();
    for quantity in row.expected.keys() {
        if quantity == "screen mu" {
            values.insert(quantity.clone(), screen_mu(&inputs.tube)?);
        } else {
            quantities.push(quantity);
        }
    }
    if quantities.is_empty() {
        return Ok(values);
    }
    let read: Vec<&str> = quantities
        .iter()
        .map(|quantity| reading(quantity))
        .collect::<Result<_, _>>()?;
    let at = |grid: f64, read: &[&str]| {
        Bench::new(&sheet_netlist(inputs, grid)?, inputs.koren)?.read(read, inputs)
    };
    let grid = match inputs.at_ma {
        None => inputs.grid,
        Some(wanted) => {
            let (mut low, mut high) = (-200.0, -1e-3);
            for _ in 0..60 {
                let middle = 0.5 * (low + high);
                let found = at(middle, &["milliamps V1 plate"])?;
                if found.first().is_some_and(|ma| *ma < wanted) {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            0.5 * (low + high)
        }
    };
    values.extend(named(&quantities, at(grid, &read)?)?);
    Ok(values)
}

/// Grid-to-screen amplification factor of the fitted law.
fn screen_mu(name: &str) -> Result<f64, String> {
    tube_table()
        .find(name)
        .and_then(|tube| tube.units.first())
        .and_then(|unit| unit.tube_law(LawForm::default()))
        .map(|law| law.amplification_factor())
        .ok_or_else(|| format!("{name} has no law"))
}

fn sheet_netlist(inputs: &Inputs, grid: f64) -> Result<String, String> {
    let mut text = String::new();
    let mut line = |words: String| {
        // Writing to a string can't fail.
        let _ = writeln!(text, "{words}");
    };
    if let Some(define) = &inputs.define {
        line(define.clone());
    }
    line(format!("supply BP {}V from plate to chassis", inputs.plate));
    let screen = match inputs.screen {
        Some(volts) => {
            line(format!("supply BS {volts}V from screen to chassis"));
            " screen=screen"
        }
        None => "",
    };
    if grid != 0.0 {
        let (from, to) = if grid < 0.0 {
            ("chassis", "grid")
        } else {
            ("grid", "chassis")
        };
        line(format!("supply BG {}V from {from} to {to}", grid.abs()));
    }
    let grid_node = if grid == 0.0 { "chassis" } else { "grid" };
    let cathode = match inputs.rk {
        Some(ohms) => {
            line(format!("resistor RK {ohms} from cathode to chassis"));
            "cathode"
        }
        None => "chassis",
    };
    let sections = tube_table()
        .find(&inputs.tube)
        .map_or(1, |tube| tube.units.len());
    let section = if sections > 1 { " section 1" } else { "" };
    line(format!(
        "tube V1 {}{section} plate=plate grid={grid_node} cathode={cathode}{screen}",
        inputs.tube
    ));
    Ok(text)
}

/// The three-halves law through one published point.
fn diode(row: &Row) -> Result<Values, String> {
    let (volts, milliamps) = row.inputs.drop.ok_or("no point is given")?;
    let law = Device::Diode(DiodeLaw::vacuum_from_drop(volts, milliamps * 1e-3));
    let found = law.currents(&[row.inputs.volts, 0.0, 0.0, 0.0], &Condition::default());
    row.expected
        .keys()
        .map(|quantity| {
            let value = match quantity.as_str() {
                "mA" => found.amps[0] * 1e3,
                "rp ohm" => 1.0 / found.siemens[0][0],
                other => return Err(format!("a diode has no `{other}`")),
            };
            Ok((quantity.clone(), value))
        })
        .collect()
}

/// The nominal value that a netlist makes of `text`, in ohms or farads.
fn written(statement: &str, text: &str) -> Result<f64, String> {
    let stage = format!("stage \"Value\"\n{statement} X1 {text} from a to chassis\n");
    let parsed = parse_stage("value.stage", &stage, &tube_names(), &mut |_, path| {
        Err(path.to_owned())
    });
    if let Some(error) = parsed
        .diagnostics
        .iter()
        .find(|d| d.severity == Severity::Error)
    {
        return Err(format!("{text}: {}", error.message));
    }
    match parsed.value.parts.first().map(|part| &part.kind) {
        Some(PartKind::Resistor { ohms, .. }) => Ok(ohms.0),
        Some(PartKind::Capacitor { farads, .. }) => Ok(farads.0),
        other => Err(format!("{text} made {other:?}")),
    }
}

fn value(row: &Row) -> Result<Values, String> {
    let found = written(&row.inputs.statement, &row.inputs.text)?;
    row.expected
        .keys()
        .map(|quantity| {
            let value = match quantity.as_str() {
                "ohm" => found,
                "pF" => found * 1e12,
                other => return Err(format!("a value is not told in `{other}`")),
            };
            Ok((quantity.clone(), value))
        })
        .collect()
}

/// How many numbers of a series are read right from their letter codes, over
/// six decades from `R10` to `9M1`.
fn series(inputs: &Inputs) -> Result<Values, String> {
    let mut right = 0;
    for &number in &inputs.numbers {
        let (tens, units) = (number / 10, number % 10);
        for (letter, power) in [("R", 1.0), ("K", 1e3), ("M", 1e6)] {
            let unit = f64::from(number);
            let codes = [
                (format!("{letter}{number}"), unit * 0.01 * power),
                (format!("{tens}{letter}{units}"), unit * 0.1 * power),
            ];
            for (code, ohms) in codes {
                let found = written("resistor", &code)?;
                right += u32::from((found / ohms - 1.0).abs() < 1e-12);
            }
        }
    }
    Ok(Values::from([(
        "codes read right".to_owned(),
        f64::from(right),
    )]))
}

/// Shares of modes among others of the same class. A quantity is one mode or
/// several joined by `+`.
fn split(row: &Row) -> Result<Values, String> {
    let class = CLASSES
        .iter()
        .find(|(name, _)| *name == row.inputs.class)
        .map(|(_, class)| *class)
        .ok_or_else(|| format!("no class {}", row.inputs.class))?;
    let share = |names: &[&str]| -> Result<f64, String> {
        for name in names {
            if !Mode::ALL.iter().any(|mode| mode.phrase() == *name) {
                return Err(format!("no mode {name}"));
            }
        }
        Ok(failures(class)
            .iter()
            .filter(|row| names.contains(&row.mode.phrase()))
            .map(|row| row.share)
            .sum())
    };
    let among: Vec<&str> = row.inputs.among.iter().map(String::as_str).collect();
    let whole = share(&among)?;
    row.expected
        .keys()
        .map(|quantity| {
            let modes: Vec<&str> = quantity.split('+').map(str::trim).collect();
            Ok((quantity.clone(), share(&modes)? / whole))
        })
        .collect()
}

const CLASSES: [(&str, PartClass); 14] = [
    ("composition resistor", PartClass::CompositionResistor),
    ("film resistor", PartClass::FilmResistor),
    ("wirewound resistor", PartClass::WirewoundResistor),
    ("potentiometer", PartClass::Potentiometer),
    ("paper capacitor", PartClass::PaperCapacitor),
    ("mica capacitor", PartClass::MicaCapacitor),
    ("ceramic capacitor", PartClass::CeramicCapacitor),
    ("film capacitor", PartClass::FilmCapacitor),
    ("electrolytic capacitor", PartClass::ElectrolyticCapacitor),
    ("choke", PartClass::Choke),
    ("winding", PartClass::Winding),
    ("tube", PartClass::Tube),
    ("diode", PartClass::SolidDiode),
    ("meter", PartClass::PanelMeter),
];
