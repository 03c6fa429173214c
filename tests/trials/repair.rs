//! What the first sheet is still worth after a repair: a unit with two failures is
//! read all over, one of them is put right, and a few points are read again.

use deadstage_circuit::Network;
use deadstage_netlist::{Readings, Remark, RemarkKind, Span, Stage};
use deadstage_parts::LawForm;
use deadstage_reason::{Options, diagnose};
use rand::seq::IndexedRandom;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::draw::{build, scatter};
use super::run::{Drawn, Probed, Trial, draw, points, read_volts};
use super::score::{Mark, mark};

/// Points read again after the repair.
pub const READ_AGAIN: usize = 3;

/// One repaired unit, marked by the failure that is left.
#[derive(Clone, Copy, Debug)]
pub struct Repaired {
    /// With the sheet from before the repair.
    pub both: Mark,
    /// From the sheet after it alone.
    pub alone: Mark,
}

/// Draws a unit with `failures` of which the first is then put right, and asks with both sheets and with the second alone.
#[must_use]
pub fn trial(name: &str, stage: &Stage, failures: usize, seed: u64) -> Option<Repaired> {
    let before = draw(name, stage, failures, seed, Probed::TestPoints)?;
    let after = repaired(stage, &before, seed)?;
    let marked = |sheets: &[Readings]| {
        let diagnosis = diagnose(stage, sheets, &Options::default()).ok()?;
        let trial = Trial {
            stage: name.to_owned(),
            faults: before.faults[1..].to_vec(),
            diagnosis,
            sheet: after.clone(),
        };
        Some(mark(stage, &trial))
    };
    Some(Repaired {
        both: marked(&[before.sheet.clone(), after.clone()])?,
        alone: marked(std::slice::from_ref(&after))?,
    })
}

/// The sheet of a unit whose first failure was put right with another specimen of the part.
fn repaired(stage: &Stage, before: &Drawn, seed: u64) -> Option<Readings> {
    // The unit's own scatter is the first thing that its seed gives.
    let mut own = scatter(stage, &mut Pcg64Mcg::seed_from_u64(seed));
    let mut rng = Pcg64Mcg::seed_from_u64(!seed);
    let fresh = scatter(stage, &mut rng);
    let part = before.faults.first()?.part;
    for id in stage.parts_named(&stage.part(part).name) {
        let index = id.0 as usize;
        own.value[index] = fresh.value[index];
        own.specimen[index] = fresh.specimen[index];
    }
    let network = Network::compile(stage, LawForm::TwoPitch).ok()?;
    let print = stage.line.map_or(before.line.0, |line| line.0);
    let mut line = before.line;
    // Another day, another mains.
    line.0 = (line.0 + 2.0 * (2.0 * rng.random::<f64>() - 1.0)).round();
    let left = &before.faults[1..];
    let unit = build(stage, &network, &own, left, line.0 / print).ok()?;
    let again = points(stage, Probed::TestPoints);
    let readings = again
        .sample(&mut rng, READ_AGAIN)
        .cloned()
        .collect::<Vec<_>>()
        .into_iter()
        .map(|point| read_volts(stage, &unit, &before.meter, line, point, &mut rng))
        .collect::<Option<Vec<_>>>()?;
    Some(Readings {
        title: "after a repair".to_owned(),
        readings,
        remarks: vec![Remark {
            part,
            kind: RemarkKind::Replaced,
            span: Span::default(),
        }],
        ..Readings::default()
    })
}
