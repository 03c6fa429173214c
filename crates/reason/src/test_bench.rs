//! Small stages, weighed, for the tests of this crate's words and odds.

use std::collections::BTreeMap;

use deadstage_circuit::{Network, Scratch, Situation, tube_names};
use deadstage_netlist::{Readings, Stage, parse_readings, parse_stage};
use deadstage_parts::Mode;

use crate::evidence_parts::Known;
use crate::failure::{Failure, candidates};
use crate::likelihood::Evidence;
use crate::model::{Model, Networks};
use crate::observe::Observations;
use crate::rates::Rates;
use crate::sheets::History;
use crate::weigh::{Scales, Weighed};

/// A high-mu triode: 250 V, plate load 100k, cathode 1.5k.
pub(crate) const TRIODE: &str = r#"stage "triode"
supply    B1 250V from bplus to chassis
resistor  R1 1M from grid to chassis
resistor  R2 1k5 10% 0.5W from cathode to chassis
capacitor C1 25u 25V electrolytic from cathode to chassis
resistor  R3 100k 10% 0.5W from bplus to plate
tube      V1 12AX7 section 1 plate=plate grid=grid cathode=cathode
capacitor C2 20n 400V paper from plate to out
resistor  R4 470k from out to chassis
"#;

/// A pentode behind a screen dropper of half a watt.
pub(crate) const PENTODE: &str = r#"stage "pentode"
supply    B1 250V from bplus to chassis
resistor  R1 1M from grid to chassis
resistor  R2 270 10% 1W from cathode to chassis
resistor  R3 2.2k 10% 2W from bplus to plate
resistor  R4 56k 10% 0.5W from bplus to screen
capacitor C1 0.1u 400V paper from screen to chassis
tube      V1 6AU6 plate=plate grid=grid cathode=cathode screen=screen suppressor=cathode
"#;

/// A driver's plate coupled to an output tube, whose cathode resistor is of one watt.
pub(crate) const OUTPUT: &str = r#"stage "output"
supply    B1 260V from bplus to chassis
supply    B2 150V source 68k from driver to chassis
capacitor C1 20n 400V paper from driver to grid
resistor  R1 470k from grid to chassis
resistor  R2 250 10% 1W from cathode to chassis
capacitor C2 25u 50V electrolytic from cathode to chassis
winding   T1 250 from bplus to plate
tube      V1 6V6 plate=plate grid=grid cathode=cathode screen=bplus suppressor=cathode
"#;

/// Two triodes, each plate on the other's grid.
pub(crate) const FLIP_FLOP: &str = r#"stage "flip-flop"
supply   B1 250V from bplus to chassis
supply   B2 100V from chassis to bias
resistor R1 47k from bplus to plate1
resistor R2 47k from bplus to plate2
resistor R3 470k from plate1 to grid2
resistor R4 470k from grid2 to bias
resistor R5 470k from plate2 to grid1
resistor R6 470k from grid1 to bias
tube     V1 6J5 plate=plate1 grid=grid1 cathode=chassis
tube     V2 6J5 plate=plate2 grid=grid2 cathode=chassis
"#;

pub(crate) fn stage(text: &str) -> Stage {
    let parsed = parse_stage("test.stage", text, &tube_names(), &mut |_, _| {
        Err("no includes here".to_owned())
    });
    assert!(!parsed.has_errors(), "{:?}", parsed.diagnostics);
    parsed.value
}

pub(crate) fn sheet(stage: &Stage, lines: &str) -> Readings {
    let text = format!("readings \"test\"\nmeter 11M 3%\n{lines}");
    let parsed = parse_readings("test.readings", &text, stage, &tube_names());
    assert!(!parsed.has_errors(), "{:?}", parsed.diagnostics);
    parsed.value
}

/// Every failure of a stage that DC can show.
pub(crate) fn failures(stage: &Stage, network: &Network) -> Vec<Failure> {
    candidates(stage, network, &Rates::default()).0
}

/// Calls `then` with everything that weighing needs.
pub(crate) fn weighed<T>(text: &str, lines: &str, then: impl FnOnce(&Scales<'_>) -> T) -> T {
    let stage = stage(text);
    let mut networks = Networks::new(&stage).expect("the stage has a meaning");
    let mut observed = Observations::default();
    let sheets = [sheet(&stage, lines)];
    let history = History::of(&stage, &sheets);
    observed
        .add(&stage, &networks.list[0], &sheets, &history)
        .expect("the sheet can be read");
    networks.set_line(observed.line_known);
    observed.situation(Situation::running(None));
    let mut scratch = Scratch::default();
    let model = Model::new(&stage, &networks, &observed.situations, &mut scratch)
        .expect("the healthy stage solves");
    let evidence = Evidence::new(&observed.list, 300.0);
    let failures = failures(&stage, &networks.list[0]);
    let mut scales = Scales {
        model: &model,
        failures: &failures,
        observations: &observed.list,
        evidence: &evidence,
        watched: &observed.list,
        known: Known {
            stage: &stage,
            remarks: &[],
            testers: &observed.tester,
        },
        overloads: BTreeMap::new(),
        healthy: Vec::new(),
        lead: 0,
    };
    scales
        .weigh_healthy(&mut scratch)
        .expect("the readings have spreads");
    then(&scales)
}

impl Scales<'_> {
    /// Index of the first failure of this part and mode.
    pub(crate) fn index_of(&self, part: &str, mode: Mode) -> usize {
        self.failures
            .iter()
            .position(|f| self.model.stage.part(f.part).name == part && f.mode == mode)
            .unwrap_or_else(|| panic!("{part} has no failure {mode:?}"))
    }

    /// That failure, weighed.
    pub(crate) fn single(&self, part: &str, mode: Mode) -> Weighed {
        self.weigh_single(self.index_of(part, mode), &mut Scratch::default())
            .0
            .expect("the failure can be weighed")
    }
}

/// Probability of every suspect that names this part.
pub(crate) fn blamed(answer: &crate::outcome::Diagnosis, part: &str) -> f64 {
    let named = answer
        .suspects
        .iter()
        .filter(|s| s.faults.iter().any(|f| f.part == part));
    named.map(|s| s.probability).sum()
}
