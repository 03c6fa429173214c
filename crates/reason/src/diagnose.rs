//! From sheets of readings to the answer.

use std::collections::BTreeMap;

use deadstage_circuit::{Probe, Scratch, Situation};
use deadstage_netlist::{Quantity, Readings, Stage};

use crate::answer::Reach;
use crate::assume::Assumptions;
use crate::error::Error;
use crate::evidence_parts::Known;
use crate::failure::candidates;
use crate::likelihood::Evidence;
use crate::model::{Model, Networks};
use crate::observe::{Observation, Observations, Scale};
use crate::outcome::{Diagnosis, JudgedReading};
use crate::rates::Rates;
use crate::search::search;
use crate::sheets::History;
use crate::weigh::Scales;

/// How to reason.
#[derive(Clone, Debug)]
pub struct Options {
    /// Suspects listed; the tail is summed up as `rest`.
    pub most: usize,
    /// Which base rates hold.
    pub rates: Rates,
    /// Most failures held together.
    pub together: usize,
    /// Whether to plan the readings to come, one after another.
    pub plan: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            most: 20,
            rates: Rates::default(),
            together: 4,
            plan: false,
        }
    }
}

/// Weighs every failure, and sets of them, against the sheets' readings.
///
/// # Errors
/// Parts without a meaning, a healthy stage that does not solve, a reading at
/// a place that has no such quantity.
pub fn diagnose(stage: &Stage, sheets: &[Readings], options: &Options) -> Result<Diagnosis, Error> {
    diagnose_assuming(stage, sheets, options, &Assumptions::default())
}

/// As [`diagnose`], with laws, spreads or rates of the caller's.
///
/// # Errors
/// As [`diagnose`]; and networks that do not go together.
pub fn diagnose_assuming(
    stage: &Stage,
    sheets: &[Readings],
    options: &Options,
    assumed: &Assumptions,
) -> Result<Diagnosis, Error> {
    let mut networks = Networks::given(stage, &assumed.networks)?;
    let mut observed = Observations::default();
    let history = History::of(stage, sheets);
    observed.add(stage, &networks.list[0], sheets, &history)?;
    networks.set_line(observed.line_known);
    history.renew(&mut networks);
    assumed.without.settle(&mut networks);
    let default_setting = (!stage.settings.is_empty()).then_some(deadstage_netlist::SettingId(0));
    let running = observed
        .situations
        .iter()
        .find(|s| s.power)
        .cloned()
        .unwrap_or_else(|| Situation::running(default_setting));
    let at = observed.situation(Situation {
        pulled: Vec::new(),
        lifted: Vec::new(),
        ..running
    });
    let meter = sheets
        .iter()
        .flat_map(|s| &s.readings)
        .rev()
        .find(|r| r.quantity == Quantity::Volts)
        .map(|r| r.meter);
    let steps = crate::reach::steps(stage, &networks.list[0], &mut observed, at, meter);
    let mut scratch = Scratch::default();
    let mut model = Model::new(stage, &networks, &observed.situations, &mut scratch)?;
    model.put_likely_states_first(&observed.list, &mut scratch);
    if assumed.without.solved_load {
        observed.load_as_healthy(&model, &mut scratch);
    }
    let mut watched = observed.list.clone();
    let nodes = crate::reach::probe_nodes(stage);
    // What was wrong before a repair counts where it could have been read then.
    for (ago, node) in
        (0..=history.oldest()).flat_map(|ago| nodes.iter().map(move |node| (ago, *node)))
    {
        watched.push(Observation {
            situation: at,
            probe: Probe::Volts {
                from: node,
                to: 0,
                load: None,
            },
            scale: Scale::Plain,
            factor: 1.0,
            offset: 0.0,
            read: 0.0,
            sigma: 0.02,
            bound: deadstage_netlist::Bound::Exact,
            label: String::new(),
            kind: "volts",
            panel: None,
            range_assumed: None,
            ago,
            times: 1,
        });
    }
    let highest = crate::reach::highest_volts(&model);
    let evidence = Evidence::new(&observed.list, highest).without(assumed.without);
    model.joint = evidence.weighed_jointly();
    let (mut failures, invisible) = candidates(stage, &networks.list[0], &options.rates);
    assumed.rate(&mut failures);
    let failures = history.failures(stage, &options.rates, failures);
    let remarks = history.remarks(stage, sheets);
    let mut scales = Scales {
        model: &model,
        failures: &failures,
        observations: &observed.list,
        evidence: &evidence,
        watched: &watched,
        known: Known {
            stage,
            remarks: &remarks,
            testers: &observed.tester,
        },
        overloads: BTreeMap::new(),
        healthy: Vec::new(),
        lead: 0,
    };
    scales.weigh_healthy(&mut scratch).ok_or(Error::NoScale)?;
    let found = search(&mut scales, options.together, assumed.breadth);
    let reach = Reach {
        steps,
        meter: crate::reach::meter_in_hand(meter),
        running: at,
        observed: &observed,
    };
    crate::answer::compose(
        stage, sheets, options, &scales, &found, &invisible, &reach, highest,
    )
}

/// What a healthy unit would show for every reading of the sheets, and how far
/// healthy units differ there.
///
/// # Errors
/// As [`diagnose`].
pub fn healthy_readings(stage: &Stage, sheets: &[Readings]) -> Result<Vec<JudgedReading>, Error> {
    let mut networks = Networks::new(stage)?;
    let mut observed = Observations::default();
    // A healthy unit is so before and after any repair.
    observed.add(
        stage,
        &networks.list[0],
        sheets,
        &History::unrepaired(sheets),
    )?;
    networks.set_line(observed.line_known);
    let mut scratch = Scratch::default();
    let mut model = Model::new(stage, &networks, &observed.situations, &mut scratch)?;
    model.put_likely_states_first(&observed.list, &mut scratch);
    let evidence = Evidence::new(&observed.list, crate::reach::highest_volts(&model));
    let mut scales = Scales {
        model: &model,
        failures: &[],
        observations: &observed.list,
        evidence: &evidence,
        watched: &observed.list,
        known: Known {
            stage,
            remarks: &[],
            testers: &[],
        },
        overloads: BTreeMap::new(),
        healthy: Vec::new(),
        lead: 0,
    };
    scales.weigh_healthy(&mut scratch).ok_or(Error::NoScale)?;
    Ok(crate::answer::judged(&scales, &[]))
}
