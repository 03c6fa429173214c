//! What the reasoning hands back: plain data, in the order a person reads it.

use deadstage_netlist::Bound;
use deadstage_parts::RatingSystem;

use crate::ratings;

/// A voltage chart of one stage in one setting.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Title of the stage.
    pub stage: String,
    /// Notes of the print.
    pub notes: Vec<String>,
    /// The setting; empty if the unit has none.
    pub setting: String,
    /// Mains voltage the chart holds for, volts, if the stage states one.
    pub line_volts: Option<f64>,
    /// Meter named, as text (`20k/V`); `None` shows true values.
    pub meter: Option<String>,
    /// Points in the order of the stage file.
    pub points: Vec<ChartPoint>,
    /// Parts and tube electrodes.
    pub parts: Vec<ChartPart>,
    /// Panel meters.
    pub panels: Vec<ChartPanel>,
    /// What a person must be told beside the numbers: estimates, second operating points, tubes out of range.
    pub remarks: Vec<String>,
    /// Highest voltage met against common, volts, in any state.
    pub highest_volts: f64,
    /// The state that all this is of; empty where the unit has one state.
    pub state: Vec<StateMark>,
    /// The other states in which the unit may rest.
    pub other_states: Vec<ChartState>,
}

/// A further state of a stage that has several: the two halves of a flip-flop.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartState {
    /// What it is known by.
    pub state: Vec<StateMark>,
    /// Points in the order of the stage file.
    pub points: Vec<ChartPoint>,
    /// Parts and tube electrodes.
    pub parts: Vec<ChartPart>,
    /// Panel meters.
    pub panels: Vec<ChartPanel>,
}

/// A part whose behavior tells one state of a stage from another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StateMark {
    /// `V1`, `V1 section 2`, `K1`.
    pub part: String,
    /// What it does in this state.
    pub does: Does,
}

/// What a part does in one of several states.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Does {
    /// A tube or transistor draws more than in the other states.
    Conducts,
    /// It draws less, or nothing.
    IsHeldDown,
    /// A relay is pulled in.
    PullsIn,
    /// A relay is at rest.
    Rests,
}

/// One row of a voltage chart.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartPoint {
    /// The point as the user names it.
    pub point: String,
    /// True value, volts.
    pub volts: f64,
    /// Low end of what a healthy unit shows (two standard deviations of all tolerances).
    pub low: f64,
    /// High end.
    pub high: f64,
    /// What the meter shows with its load on the point.
    pub shown: f64,
    /// Range a person would use, full-scale volts, for a pointer meter.
    pub range: Option<f64>,
    /// What the print says, volts.
    pub print: Option<f64>,
    /// Electrodes at this point, such as `V1 plate`, `V1 pin 6`.
    pub electrodes: Vec<String>,
}

/// One row of the table of parts.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartPart {
    /// `R3`, `V1 plate`, `V1 section 2 plate`.
    pub part: String,
    /// Voltage across it, first node to second, volts.
    pub volts: f64,
    /// Current through it, first node to second, amperes.
    pub amps: f64,
    /// Power turned to heat, watts.
    pub watts: f64,
    /// Rating, watts; of a tube that of the service which allows most.
    pub rating_watts: Option<f64>,
    /// How a tube's rating is meant; `None` for any other part.
    pub tube_rating: Option<TubeRating>,
}

/// What a tube's rating means.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TubeRating {
    /// By which system it is rated.
    pub system: Option<RatingSystem>,
    /// What it may bear without a pause, watts, where its rating is for intermittent service.
    pub continuous_watts: Option<f64>,
}

impl ChartPart {
    /// Whether it turns more into heat than it may: a tube by more than its computed current is sure.
    pub fn is_over(&self) -> bool {
        let allowed = if self.tube_rating.is_some() {
            ratings::ALLOWED
        } else {
            1.0
        };
        self.rating_watts
            .is_some_and(|rating| self.watts > allowed * rating)
    }
}

/// What a panel meter should show.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartPanel {
    /// Designator of the meter.
    pub meter: String,
    /// Reading in the units of its scale.
    pub reading: f64,
    /// The units.
    pub unit: String,
    /// Full scale in the same units.
    pub full_scale: f64,
}

/// A resistance chart: power off, point to common.
#[derive(Clone, Debug, PartialEq)]
pub struct OhmsChart {
    /// Title of the stage.
    pub stage: String,
    /// The setting.
    pub setting: String,
    /// Points and parts.
    pub rows: Vec<OhmsRow>,
    /// Remarks, such as a solid-state diode in a path.
    pub remarks: Vec<String>,
}

/// One row of a resistance chart.
#[derive(Clone, Debug, PartialEq)]
pub struct OhmsRow {
    /// `plate1` or `across R3`.
    pub point: String,
    /// Ohms; infinite where nothing conducts.
    pub ohms: f64,
    /// Low end, ohms.
    pub low: f64,
    /// High end, ohms.
    pub high: f64,
}

/// The answer to a sheet of readings.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnosis {
    /// Title of the stage.
    pub stage: String,
    /// Title of the sheet.
    pub sheet: String,
    /// Every number read, beside what a healthy unit would show.
    pub readings: Vec<JudgedReading>,
    /// Sets of failures, most probable first.
    pub suspects: Vec<Suspect>,
    /// Probability that nothing has failed.
    pub healthy: f64,
    /// Probability of something that is not in the netlist.
    pub unexplained: f64,
    /// Nodes such a thing must be near, likeliest first.
    pub unexplained_near: Vec<String>,
    /// Probability of the suspects cut off the list.
    pub rest: f64,
    /// What to measure next, best first.
    pub next: Vec<Proposal>,
    /// Failures these readings can't see, such as `C2 open`.
    pub invisible: Vec<String>,
    /// How far the search went, in a sentence.
    pub search: String,
    /// What to do when more measuring is not the best move, in a sentence.
    pub stop: Option<String>,
    /// What to do after each reading to come, if it was asked for.
    pub plan: Option<Plan>,
    /// Highest voltage met against common in any state considered, volts.
    pub highest_volts: f64,
}

/// A reading and what it should have been.
#[derive(Clone, Debug, PartialEq)]
pub struct JudgedReading {
    /// The point as on the sheet.
    pub point: String,
    /// `volts`, `ohms`, `amps`, `panel`, `tester`.
    pub kind: &'static str,
    /// What was out of its socket or lifted when it was read: `V2 pulled`.
    pub with: Option<String>,
    /// The number read, or the bound it sets.
    pub read: f64,
    /// Whether the number is the reading or only bounds it.
    pub bound: Bound,
    /// Unit of the numbers: `V`, `Ω`, `A`, `%`, or that of the panel meter's scale.
    pub unit: String,
    /// What a healthy unit shows on this meter.
    pub healthy: f64,
    /// One standard deviation of that.
    pub healthy_sigma: f64,
    /// Probability that the reading itself is a slip.
    pub slip: f64,
    /// Range assumed where the sheet did not record one, full-scale volts.
    pub range_assumed: Option<f64>,
    /// Repairs made since it was read; nought is read on the unit as it now is.
    pub repairs_since: usize,
    /// How often it was taken; the number read is the mean.
    pub times: usize,
}

/// A set of failures held together.
#[derive(Clone, Debug, PartialEq)]
pub struct Suspect {
    /// The failures, by part.
    pub faults: Vec<FaultName>,
    /// Posterior probability.
    pub probability: f64,
    /// Number of its group; group 1 has the greatest total.
    pub group: usize,
    /// What it would make each reading.
    pub predicts: Vec<Prediction>,
    /// Why, from the computed facts.
    pub why: String,
    /// How to confirm it with the power off.
    pub confirm: String,
    /// Parts driven over their rating by it.
    pub casualties: Vec<String>,
}

/// One failure as shown.
#[derive(Clone, Debug, PartialEq)]
pub struct FaultName {
    /// Designator alone.
    pub part: String,
    /// Section of the bottle, where only one has failed.
    pub section: Option<u8>,
    /// Mode, in the words of the interface: `open`, `heater-cathode leak`.
    pub mode: &'static str,
    /// The same as a person is told it, closer where the interface has one word for several: `one side dead`.
    pub phrase: &'static str,
    /// Estimate of a continuous mode, SI units (ratio for `weak`).
    pub value: Option<f64>,
    /// Unit of `value`: `Ω`, `V`, `A`; empty for a ratio.
    pub unit: &'static str,
}

/// What a suspect would make a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Prediction {
    /// The point as on the sheet.
    pub point: String,
    /// The value, in the reading's unit.
    pub value: f64,
}

/// A measurement worth making.
#[derive(Clone, Debug, PartialEq)]
pub struct Proposal {
    /// As on a sheet: `plate1`, `across R3`, `through R9`, `M1`.
    pub point: String,
    /// `volts`, `ohms`, `amps`, `panel`, `tester`.
    pub kind: &'static str,
    /// `V2 pulled`, `C2 lifted`.
    pub with: Option<String>,
    /// Setting to put the unit in, if not the sheet's.
    pub setting: Option<String>,
    /// Expected information about which parts have failed, bits.
    pub bits: f64,
    /// What to expect under the leading suspects.
    pub why: String,
}

/// What to measure, reading by reading, and what then is known.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// Probability of the answers that the plan is made for.
    pub covers: f64,
    /// Expected trouble of its measurements, a voltage at an easy pin being 1.
    pub effort: f64,
    /// Expected trouble of repairs made in vain, in the same unit.
    pub in_vain: f64,
    /// As things stand.
    pub root: PlanNode,
}

impl Plan {
    /// Of no answer: put the readings on the sheet and ask again.
    pub(crate) fn nothing() -> Self {
        Self {
            covers: 0.0,
            effort: 0.0,
            in_vain: 0.0,
            root: PlanNode {
                held: Vec::new(),
                then: PlanThen::Open,
            },
        }
    }
}

/// What is known at one place of a plan, and what to do there.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanNode {
    /// The answers, most probable first.
    pub held: Vec<PlanAnswer>,
    /// What to do.
    pub then: PlanThen,
}

/// An answer with its probability.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanAnswer {
    /// The failures; none is a healthy unit.
    pub faults: Vec<FaultName>,
    /// Probability, at that place of the plan.
    pub probability: f64,
}

/// What to do at one place of a plan.
#[derive(Clone, Debug, PartialEq)]
pub enum PlanThen {
    /// Nothing more to measure for now.
    Act {
        /// What to do, in a sentence: `replace R7 and measure again.`
        said: String,
        /// Probability that this is right.
        right: f64,
    },
    /// Measure.
    Measure {
        /// What.
        step: PlanStep,
        /// What follows on each range of the reading, from low to high; the ranges join.
        branches: Vec<PlanBranch>,
    },
    /// The plan is not followed further here: put the readings on the sheet and ask again.
    Open,
}

/// A measurement of a plan.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanStep {
    /// As on a sheet: `plate1`, `across R3`, `M1`.
    pub point: String,
    /// `volts`, `ohms`, `panel`, `tester`.
    pub kind: &'static str,
    /// `V2 pulled`, `C2 lifted`.
    pub with: Option<String>,
    /// Setting to put the unit in, if not the sheet's.
    pub setting: Option<String>,
    /// Unit of the reading: `V`, `Ω`, `%`, or that of the panel meter's scale.
    pub unit: String,
    /// Trouble of it by itself, a voltage at an easy pin being 1.
    pub effort: f64,
}

/// What follows on one range of a reading.
#[derive(Clone, Debug, PartialEq)]
pub struct PlanBranch {
    /// Low end of the range; `None` if it has none.
    pub from: Option<f64>,
    /// High end.
    pub to: Option<f64>,
    /// Probability of the range once the reading is taken.
    pub probability: f64,
    /// What then.
    pub node: PlanNode,
}
