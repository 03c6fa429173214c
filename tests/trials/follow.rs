//! How many readings it takes: a unit is read point by point, in one of four
//! ways, until a group of suspects holds nine tenths.
//!
//! Every way is judged by the same reasoner and reads the same numbers; only
//! the choice of the next point differs. That nothing has failed is no end:
//! somebody brought the unit in.

use std::collections::VecDeque;

use deadstage_netlist::{PartId, PartKind, Place, Point, Reading, Readings, Stage};
use deadstage_reason::{Diagnosis, Options, diagnose};
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;

use super::run::{Drawn, Trial, read_ohms, read_volts};
use super::score::{Claim, claim, is_right};

/// Probability at which a person stops measuring.
pub const ENOUGH: f64 = 0.9;

/// Readings on the sheet before any way is followed: the first of the stage's points.
pub const OPENING: usize = 2;

/// Nobody reads on for longer than this.
pub const MOST: usize = 25;

/// A reading within this many spreads of a healthy unit's counts as good to the half-splitter.
const GOOD_SPREADS: f64 = 2.0;

/// A way to choose the next reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Way {
    /// What the program proposes. Proposals that change the unit (a tube
    /// pulled, a lead lifted), the tube tester and panel meters are passed over.
    Next,
    /// The test points in the order of the stage.
    FixedOrder,
    /// The middle of what lies between the last good point and the first bad one, from the supply on.
    HalfSplit,
    /// The unread point nearest to the reading that is off by most.
    BiggestDeviation,
}

impl Way {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::Next,
        Self::FixedOrder,
        Self::HalfSplit,
        Self::BiggestDeviation,
    ];

    /// In words.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Next => "what the program proposes",
            Self::FixedOrder => "test points in their order",
            Self::HalfSplit => "half-split from the supply on",
            Self::BiggestDeviation => "beside the biggest deviation",
        }
    }
}

/// Where following a way ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Followed {
    /// Readings taken, the opening ones included; `None` where the points ran out first.
    pub readings: Option<usize>,
    /// Whether the first claim was right at the end.
    pub right: bool,
}

/// Follows one way on one unit.
#[must_use]
pub fn follow(stage: &Stage, drawn: &Drawn, way: Way, seed: u64) -> Option<Followed> {
    let map = Map::of(stage, drawn);
    let mut sheet = Readings {
        title: "trial".to_owned(),
        readings: drawn.sheet.readings.iter().take(OPENING).cloned().collect(),
        ..Readings::default()
    };
    loop {
        let diagnosis = diagnose(stage, std::slice::from_ref(&sheet), &Options::default()).ok()?;
        let enough = is_enough(&claim(&diagnosis));
        let next = if enough || sheet.readings.len() >= MOST {
            None
        } else {
            choose(stage, drawn, way, &map, &sheet, &diagnosis, seed)
        };
        let Some(next) = next else {
            let readings = enough.then_some(sheet.readings.len());
            let trial = Trial {
                stage: drawn.stage.clone(),
                faults: drawn.faults.clone(),
                diagnosis,
                sheet,
            };
            return Some(Followed {
                readings,
                right: is_right(stage, &trial),
            });
        };
        sheet.readings.push(next);
    }
}

fn is_enough(claim: &Claim) -> bool {
    let says_healthy = claim.sets.iter().any(Vec::is_empty);
    !says_healthy && claim.probability >= ENOUGH
}

fn choose(
    stage: &Stage,
    drawn: &Drawn,
    way: Way,
    map: &Map,
    sheet: &Readings,
    diagnosis: &Diagnosis,
    seed: u64,
) -> Option<Reading> {
    let is_read = |index: usize| {
        let wanted = &drawn.sheet.readings[index].point.place;
        sheet.readings.iter().any(|r| r.point.place == *wanted)
    };
    let unread: Vec<usize> = (0..drawn.sheet.readings.len())
        .filter(|&index| !is_read(index))
        .collect();
    let index = match way {
        Way::Next => return proposed(stage, drawn, diagnosis, seed),
        Way::FixedOrder => *unread.first()?,
        Way::HalfSplit => half(map, sheet, drawn, diagnosis, &unread)?,
        Way::BiggestDeviation => {
            let worst = off(diagnosis)
                .into_iter()
                .zip(&sheet.readings)
                .max_by(|a, b| a.0.total_cmp(&b.0))?
                .1;
            let from = node_of(worst)?;
            *unread
                .iter()
                .min_by_key(|&&index| (map.between(from, map.nodes[index]), index))?
        }
    };
    Some(drawn.sheet.readings[index].clone())
}

/// By reading, how many spreads it is from a healthy unit's.
fn off(diagnosis: &Diagnosis) -> Vec<f64> {
    diagnosis
        .readings
        .iter()
        .map(|r| ((r.read - r.healthy) / r.healthy_sigma).abs())
        .collect()
}

fn node_of(reading: &Reading) -> Option<usize> {
    match reading.point.place {
        Place::Node(node) => Some(node.0 as usize),
        _ => None,
    }
}

/// The middle between the last good point and the first bad one; if all there are read, the nearest to it.
fn half(
    map: &Map,
    sheet: &Readings,
    drawn: &Drawn,
    diagnosis: &Diagnosis,
    unread: &[usize],
) -> Option<usize> {
    let place = |index: usize| map.order.iter().position(|&i| i == index);
    let read: Vec<(usize, bool)> = sheet
        .readings
        .iter()
        .zip(off(diagnosis))
        .filter_map(|(reading, off)| {
            let index = drawn
                .sheet
                .readings
                .iter()
                .position(|r| r.point.place == reading.point.place)?;
            Some((place(index)?, off <= GOOD_SPREADS))
        })
        .collect();
    let bad = read
        .iter()
        .filter(|(_, good)| !good)
        .map(|(at, _)| *at)
        .min()
        .unwrap_or(map.order.len());
    let good = read
        .iter()
        .filter(|(at, good)| *good && *at < bad)
        .map(|(at, _)| *at)
        .max();
    let mut left: Vec<usize> = unread.iter().filter_map(|&index| place(index)).collect();
    left.sort_unstable();
    let between: Vec<usize> = left
        .iter()
        .copied()
        .filter(|&at| at < bad && good.is_none_or(|good| at > good))
        .collect();
    let chosen = if between.is_empty() {
        *left.iter().min_by_key(|at| at.abs_diff(bad))?
    } else {
        between[between.len() / 2]
    };
    Some(map.order[chosen])
}

/// The best proposal that leaves the unit as it is.
fn proposed(stage: &Stage, drawn: &Drawn, diagnosis: &Diagnosis, seed: u64) -> Option<Reading> {
    diagnosis
        .next
        .iter()
        .filter(|p| p.with.is_none() && p.setting.is_none())
        .find_map(|proposal| {
            let across = proposal.point.strip_prefix("across ");
            let Some(name) = across else {
                return drawn
                    .sheet
                    .readings
                    .iter()
                    .find(|r| proposal.kind == "volts" && r.point.label == proposal.point)
                    .cloned();
            };
            let part = stage.parts_named(name).next()?;
            let point = Point {
                label: proposal.point.clone(),
                place: Place::Across(part),
            };
            // Its own error for every point, the same whenever it is read.
            let mut rng = Pcg64Mcg::seed_from_u64(seed.wrapping_mul(1009) + u64::from(part.0));
            let (unit, meter, line) = (&drawn.unit, &drawn.meter, drawn.line);
            match proposal.kind {
                "volts" => read_volts(stage, unit, meter, line, point, &mut rng),
                "ohms" => read_ohms(stage, unit, meter, line, point, &mut rng),
                _ => None,
            }
        })
}

/// Where points lie to each other, as a person sees it on the diagram.
struct Map {
    /// Node of each point.
    nodes: Vec<usize>,
    /// Points from the supply on.
    order: Vec<usize>,
    /// By node and node, parts between them.
    steps: Vec<Vec<usize>>,
}

impl Map {
    fn of(stage: &Stage, drawn: &Drawn) -> Self {
        let nodes: Vec<usize> = drawn.sheet.readings.iter().filter_map(node_of).collect();
        let steps: Vec<Vec<usize>> = (0..stage.nodes.len()).map(|n| steps(stage, n)).collect();
        let supply = supply_node(stage);
        let mut order: Vec<usize> = (0..nodes.len()).collect();
        order.sort_by_key(|&index| (steps[supply][nodes[index]], index));
        Self {
            nodes,
            order,
            steps,
        }
    }

    fn between(&self, a: usize, b: usize) -> usize {
        self.steps[a][b]
    }
}

/// The live end of the source of most volts.
fn supply_node(stage: &Stage) -> usize {
    stage
        .parts
        .iter()
        .filter_map(|part| match &part.kind {
            PartKind::Supply {
                volts, from, to, ..
            } => Some((volts.0.abs(), if from.0 == 0 { to.0 } else { from.0 })),
            PartKind::Rectifier {
                winding_volts,
                from,
                to,
                ..
            } => Some((
                winding_volts.0.abs(),
                if from.0 == 0 { to.0 } else { from.0 },
            )),
            _ => None,
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or(0, |(_, node)| node as usize)
}

/// Parts between `from` and every node, the common left out of the way.
fn steps(stage: &Stage, from: usize) -> Vec<usize> {
    let mut far = vec![usize::MAX; stage.nodes.len()];
    far[from] = 0;
    let mut queue = VecDeque::from([from]);
    while let Some(at) = queue.pop_front() {
        for id in (0..stage.parts.len()).filter_map(|i| u32::try_from(i).ok().map(PartId)) {
            let ends = ends_of(stage, id);
            if at == 0 || !ends.contains(&at) {
                continue;
            }
            for end in ends {
                if far[end] == usize::MAX {
                    far[end] = far[at] + 1;
                    queue.push_back(end);
                }
            }
        }
    }
    far
}

fn ends_of(stage: &Stage, id: PartId) -> Vec<usize> {
    match &stage.part(id).kind {
        PartKind::Tube { electrodes, .. } => electrodes.iter().map(|(_, n)| n.0 as usize).collect(),
        PartKind::Potentiometer {
            from, to, wiper, ..
        } => vec![from.0 as usize, to.0 as usize, wiper.0 as usize],
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => vec![emitter.0 as usize, base.0 as usize, collector.0 as usize],
        kind => kind
            .ends()
            .map_or_else(Vec::new, |(a, b)| vec![a.0 as usize, b.0 as usize]),
    }
}

/// Over many units, how one way did.
#[derive(Clone, Debug, Default)]
pub struct Ways {
    /// By unit.
    pub ended: Vec<Followed>,
}

impl Ways {
    /// Median of the readings taken; `None` where half the units never came so far.
    #[must_use]
    pub fn median(&self) -> Option<usize> {
        let mut list: Vec<usize> = self
            .ended
            .iter()
            .map(|f| f.readings.unwrap_or(usize::MAX))
            .collect();
        list.sort_unstable();
        list.get(list.len() / 2)
            .copied()
            .filter(|&readings| readings != usize::MAX)
    }

    /// Share that came to nine tenths at all.
    #[must_use]
    pub fn arrived(&self) -> f64 {
        share(&self.ended, |f| f.readings.is_some())
    }

    /// Share that was right at the end, whether it had come to nine tenths or not.
    #[must_use]
    pub fn right(&self) -> f64 {
        share(&self.ended, |f| f.right)
    }

    /// The same, of those that had.
    #[must_use]
    pub fn right_of_arrived(&self) -> f64 {
        let arrived: Vec<Followed> = self
            .ended
            .iter()
            .copied()
            .filter(|f| f.readings.is_some())
            .collect();
        share(&arrived, |f| f.right)
    }
}

fn share(list: &[Followed], holds: impl Fn(&Followed) -> bool) -> f64 {
    list.iter().filter(|f| holds(f)).count() as f64 / list.len().max(1) as f64
}
