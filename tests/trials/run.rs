//! One trial: draw a unit, read it, ask the program.

use deadstage_circuit::Network;
use deadstage_netlist::{
    Bound, Meter, MeterInput, NodeId, Ohms, Place, Point, Quantity, Reading, Readings, Span, Stage,
    Volts,
};
use deadstage_parts::LawForm;
use deadstage_reason::{Assumptions, Diagnosis, Options, diagnose_assuming, usual_range};
use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::draw::{Fault, Scatter, build, fault, normal, scatter, stray};
use super::unit::Unit;

/// A failure must move some point by this many healthy spreads to be drawn.
pub const DETECTABLE: f64 = 4.0;

/// A unit with its failures, as it comes to the bench.
#[derive(Clone, Debug)]
pub struct Drawn {
    /// Name of the stage.
    pub stage: String,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// The unit.
    pub unit: Unit,
    /// The meter it is read with.
    pub meter: Meter,
    /// The mains while it is read.
    pub line: Volts,
    /// What was read.
    pub sheet: Readings,
}

/// One trial's outcome.
#[derive(Clone, Debug)]
pub struct Trial {
    /// Name of the stage.
    pub stage: String,
    /// What was wrong.
    pub faults: Vec<Fault>,
    /// What the program said.
    pub diagnosis: Diagnosis,
    /// The sheet it was told.
    pub sheet: Readings,
}

/// The meters units are read with.
#[must_use]
pub fn meters() -> [Meter; 3] {
    let meter = |input, fraction| Meter {
        input,
        fraction,
        offset: Volts(0.0),
    };
    [
        meter(MeterInput::Fixed(Ohms(11e6)), 0.03),
        meter(MeterInput::OhmsPerVolt(20e3), 0.03),
        meter(MeterInput::Fixed(Ohms(10e6)), 0.008),
    ]
}

/// Where a unit is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Probed {
    /// The nodes among the stage's test points; every node of a stage that names none.
    TestPoints,
    /// Every node, and what is a test point across a part.
    Everywhere,
}

/// The points that are read.
#[must_use]
pub fn points(stage: &Stage, probed: Probed) -> Vec<Point> {
    let tested = |wanted: fn(&Place) -> bool| {
        let all = stage.test_points.iter().map(|t| t.point.clone());
        all.filter(move |point| wanted(&point.place))
    };
    let nodes: Vec<Point> =
        tested(|place| matches!(place, Place::Node(node) if node.0 != 0)).collect();
    if probed == Probed::TestPoints && !nodes.is_empty() {
        return nodes;
    }
    let every = (1..stage.nodes.len())
        .filter_map(|i| u32::try_from(i).ok())
        .map(|i| Point {
            label: stage.node(NodeId(i)).name.clone(),
            place: Place::Node(NodeId(i)),
        });
    match probed {
        Probed::TestPoints => every.collect(),
        Probed::Everywhere => every
            .chain(tested(|place| matches!(place, Place::Across(_))))
            .collect(),
    }
}

/// Reads a unit's points with one meter; 3-digit numbers, an error evenly within the meter's accuracy.
pub fn read_all(
    stage: &Stage,
    probed: Probed,
    unit: &Unit,
    meter: &Meter,
    line: Volts,
    rng: &mut impl Rng,
) -> Option<Readings> {
    let readings = points(stage, probed)
        .into_iter()
        .map(|point| read_volts(stage, unit, meter, line, point, rng))
        .collect::<Option<Vec<_>>>()?;
    Some(Readings {
        title: "trial".to_owned(),
        readings,
        ..Readings::default()
    })
}

/// Nodes of a place that volts or ohms can be read at: red lead, black lead.
fn leads(stage: &Stage, place: Place) -> Option<(usize, usize)> {
    match place {
        Place::Node(node) => Some((node.0 as usize, 0)),
        Place::Across(part) | Place::Through(part) => stage
            .part(part)
            .kind
            .ends()
            .map(|(from, to)| (from.0 as usize, to.0 as usize)),
    }
}

/// One voltage.
pub fn read_volts(
    stage: &Stage,
    unit: &Unit,
    meter: &Meter,
    line: Volts,
    point: Point,
    rng: &mut impl Rng,
) -> Option<Reading> {
    let (shown, range) = shown_at(unit, leads(stage, point.place)?, meter)?;
    let reach = range.unwrap_or(shown.abs());
    let value = shown + meter.fraction * reach * (2.0 * rng.random::<f64>() - 1.0);
    Some(Reading {
        value: three_digits(value),
        range,
        ..read_nothing(meter, line, point)
    })
}

/// Accuracy of an ohmmeter, as a fraction.
const OHMS_FRACTION: f64 = 0.03;
/// Beyond this an ohmmeter shows nothing, ohms.
const OHMS_REACH: f64 = 20e6;

/// One resistance, with the power off and the capacitors empty.
pub fn read_ohms(
    stage: &Stage,
    unit: &Unit,
    meter: &Meter,
    line: Volts,
    point: Point,
    rng: &mut impl Rng,
) -> Option<Reading> {
    let (from, to) = leads(stage, point.place)?;
    let ohms = unit.ohms(from, to)?;
    let off = OHMS_FRACTION * (2.0 * rng.random::<f64>() - 1.0);
    let (value, bound) = if ohms > OHMS_REACH {
        (OHMS_REACH, Bound::Above)
    } else {
        (three_digits(ohms * (1.0 + off)).max(0.1), Bound::Exact)
    };
    Some(Reading {
        quantity: Quantity::Ohms,
        value,
        bound,
        ..read_nothing(meter, line, point)
    })
}

/// A sheet's line before anything is read.
fn read_nothing(meter: &Meter, line: Volts, point: Point) -> Reading {
    Reading {
        quantity: Quantity::Volts,
        point,
        value: 0.0,
        bound: Bound::Exact,
        meter: *meter,
        range: None,
        setting: None,
        line: Some(line),
        pulled: Vec::new(),
        lifted: Vec::new(),
        bench: None,
        span: Span::default(),
    }
}

/// What a meter shows between two nodes, and on which range a person ends.
fn shown_at(unit: &Unit, (from, to): (usize, usize), meter: &Meter) -> Option<(f64, Option<f64>)> {
    let at = |load| unit.read(from, to, load);
    Some(match meter.input {
        MeterInput::Ideal => (at(None)?, None),
        MeterInput::Fixed(ohms) => (at(Some(ohms.0))?, None),
        MeterInput::OhmsPerVolt(each) => {
            // Down from a range that is sure to hold it, as long as the next one does.
            let mut full = usual_range(at(None)?);
            let mut shown = at(Some(each * full))?;
            while usual_range(shown) < full {
                full = usual_range(shown);
                shown = at(Some(each * full))?;
            }
            (shown, Some(full))
        }
    })
}

fn three_digits(value: f64) -> f64 {
    if value.abs() < 0.01 {
        return (value * 1e3).round() / 1e3;
    }
    let step = 10f64.powf(value.abs().log10().floor() - 2.0).max(1e-3);
    (value / step).round() * step
}

/// In the place of a number of failures: one thing that is not in the netlist.
pub const OUTSIDE: usize = 9;

/// Seeds from one case to the next.
pub const STRIDE: u64 = 7919;

/// The seed of one case.
#[must_use]
pub fn seed(first: u64, case: u64, count: usize) -> u64 {
    first + case * STRIDE + count as u64
}

/// Draws a unit of `stage` as [`draw`] does, read at its test points, and asks the program.
#[must_use]
pub fn trial(
    name: &str,
    stage: &Stage,
    count: usize,
    seed: u64,
    options: &Options,
) -> Option<Trial> {
    ask(
        stage,
        &draw(name, stage, count, seed, Probed::TestPoints)?,
        options,
        &Assumptions::default(),
    )
}

/// What the program makes of a unit's sheet, if it is told something of how units are.
#[must_use]
pub fn ask(
    stage: &Stage,
    drawn: &Drawn,
    options: &Options,
    assumed: &Assumptions,
) -> Option<Trial> {
    let sheets = std::slice::from_ref(&drawn.sheet);
    let diagnosis = diagnose_assuming(stage, sheets, options, assumed).ok()?;
    Some(Trial {
        stage: drawn.stage.clone(),
        faults: drawn.faults.clone(),
        diagnosis,
        sheet: drawn.sheet.clone(),
    })
}

/// The program's answer about a unit, and the ideal observer's, which assumes what it is `told`.
#[must_use]
pub fn both(stage: &Stage, drawn: &Drawn, told: &Assumptions) -> Option<(Trial, Trial)> {
    let options = Options::default();
    let own = ask(stage, drawn, &options, &Assumptions::default())?;
    let ideal = ask(stage, drawn, &options, told)?;
    Some((own, ideal))
}

/// Draws a unit of `stage` with `count` failures that can each be detected, and
/// reads its points. `None` where the draw came to nothing.
#[must_use]
pub fn draw(name: &str, stage: &Stage, count: usize, seed: u64, probed: Probed) -> Option<Drawn> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let network = Network::compile(stage, LawForm::TwoPitch).ok()?;
    let drawn: Scatter = scatter(stage, &mut rng);
    let line_ratio = 1.0 + 0.02 * normal(&mut rng);
    let line = stage.line.unwrap_or(Volts(117.0));
    let line = Volts((line.0 * line_ratio).round());
    let line_ratio = line.0 / stage.line.unwrap_or(Volts(117.0)).0;
    let meter = meters()[rng.random_range(0..3)];
    let healthy = build(stage, &network, &drawn, &[], line_ratio).ok()?;
    healthy.solve()?;
    let mut faults: Vec<Fault> = Vec::new();
    let points = points(stage, probed);
    let sigma = spreads(stage, &points, &meter, line)?;
    let looked: Vec<(usize, f64)> = points
        .iter()
        .zip(sigma)
        .filter_map(|(point, sigma)| match point.place {
            Place::Node(node) => Some((node.0 as usize, sigma)),
            _ => None,
        })
        .collect();
    let wanted = if count == OUTSIDE { 1 } else { count };
    for _ in 0..60 {
        if faults.len() == wanted {
            break;
        }
        let next = if count == OUTSIDE {
            stray(stage, &mut rng)
        } else {
            fault(stage, &mut rng)
        };
        let Some(next) = next else {
            continue;
        };
        if faults
            .iter()
            .any(|f| stage.part(f.part).name == stage.part(next.part).name)
        {
            continue;
        }
        let mut tried = faults.clone();
        tried.push(next);
        let unit = build(stage, &network, &drawn, &tried, line_ratio).ok()?;
        if unit.solve().is_none() {
            continue;
        }
        // Every failure must show beside the others, not only when it was drawn.
        let each_shows = (0..tried.len()).all(|skip| {
            let mut others = tried.clone();
            others.remove(skip);
            build(stage, &network, &drawn, &others, line_ratio)
                .is_ok_and(|without| moved(&without, &unit, &meter, &looked) > DETECTABLE)
        });
        if each_shows {
            faults = tried;
        }
    }
    if faults.len() < wanted {
        return None;
    }
    let unit = build(stage, &network, &drawn, &faults, line_ratio).ok()?;
    let sheet = read_all(stage, probed, &unit, &meter, line, &mut rng)?;
    Some(Drawn {
        stage: name.to_owned(),
        faults,
        unit,
        meter,
        line,
        sheet,
    })
}

/// Move of a node in healthy spreads, as the meter shows it: the first past
/// [`DETECTABLE`], or the largest. The nodes `looked` at come with their spreads.
fn moved(without: &Unit, with: &Unit, meter: &Meter, looked: &[(usize, f64)]) -> f64 {
    let (Some(bare_without), Some(bare_with)) = (without.solve(), with.solve()) else {
        return 0.0;
    };
    let far = |before: f64, after: f64, sigma: f64| {
        // A point that rests at nothing when healthy may be read to a
        // millivolt; far from there the meter is no finer than its reading.
        let spread = sigma.max(0.02 * before.abs().max(after.abs())).max(0.03);
        ((after - before) / spread).abs()
    };
    let mut largest = 0.0f64;
    for &(at, sigma) in looked {
        // Without the meter first, which is quick; then what the meter shows of it.
        if far(bare_without[at], bare_with[at], sigma) > DETECTABLE
            && let (Some((before, _)), Some((after, _))) = (
                shown_at(without, (at, 0), meter),
                shown_at(with, (at, 0), meter),
            )
        {
            largest = largest.max(far(before, after, sigma));
        }
        if largest > DETECTABLE {
            break;
        }
    }
    largest
}

/// Healthy spread of every point, as the program tells it.
fn spreads(stage: &Stage, points: &[Point], meter: &Meter, line: Volts) -> Option<Vec<f64>> {
    let sheet = Readings {
        readings: points
            .iter()
            .map(|point| read_nothing(meter, line, point.clone()))
            .collect(),
        ..Readings::default()
    };
    deadstage_reason::healthy_readings(stage, std::slice::from_ref(&sheet))
        .ok()
        .map(|list| list.iter().map(|r| r.healthy_sigma.max(0.02)).collect())
}

/// Names and sections of the true failures.
#[must_use]
pub fn truth(stage: &Stage, faults: &[Fault]) -> Vec<String> {
    let mut names: Vec<String> = faults
        .iter()
        .map(|f| stage.part(f.part).name.clone())
        .collect();
    names.sort();
    names
}

/// The part with this fault, for messages.
#[must_use]
pub fn describe(stage: &Stage, fault: &Fault) -> String {
    format!("{} {:?}", stage.part(fault.part).name, fault.kind)
}
