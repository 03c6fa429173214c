//! What is known of a part other than by a meter in the circuit, as evidence
//! on the same footing as the readings: how probable is it that a tester
//! shows so much, or that a part looks so, if it is good and if it has failed?
//!
//! Every figure here is common practice, no source, unless it says otherwise.
//! They are kept moderate: the largest single look moves the odds by about
//! fifty to one, a part proved good by ten thousand to one.

use deadstage_circuit::class_of;
use deadstage_netlist::{Look, PartId, Remark, RemarkKind, Stage};
use deadstage_parts::{self as parts, Mode, PartClass, RateProfile};

use crate::failure::{Action, Failure};
use crate::model::Held;

/// Probability that a part proved good has failed all the same: it was the wrong part, or fails only in the set.
const GOOD_BUT_FAILED: f64 = 1e-4;

/// A part just fitted fails this many times less often than one in service:
/// it was new, and is hardly a day old.
const NEW_PART: f64 = 5.0;

/// Emission of a good tube on a tester, per cent, and one standard deviation
/// among good tubes and testers.
const GOOD_EMISSION: (f64, f64) = (100.0, 15.0);

/// One standard deviation of a weak tube's reading about its emission, per cent.
const WEAK_SIGMA: f64 = 12.0;

/// One standard deviation of a dead tube's reading about zero, per cent.
const DEAD_SIGMA: f64 = 5.0;

/// A tester set up for another type shows anything on its scale, this often.
const TESTER_SLIP: f64 = 0.02;

/// Full scale of a tester, per cent.
const TESTER_SCALE: f64 = 150.0;

/// What else than readings is known of the unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known<'a> {
    pub(crate) stage: &'a Stage,
    /// `seen`, `good` and `replaced` lines.
    pub(crate) remarks: &'a [Remark],
    /// `tester` lines: part and per cent.
    pub(crate) testers: &'a [(PartId, f64)],
    /// The base rates that the failures' prior odds were made with.
    pub(crate) profile: RateProfile,
}

impl Known<'_> {
    /// ln of the probability of all that is known if nothing has failed.
    pub(crate) fn ln_healthy_shift(&self) -> f64 {
        self.ln_set_shift(&[], &[])
    }

    /// What adds to the logarithm of the odds of one failure against the
    /// healthy unit. `overloaded`: the parts it drives past their rating
    /// ([`overloads`](crate::casualties::overloads)).
    pub(crate) fn ln_odds_shift(
        &self,
        failure: &Failure,
        u: f64,
        overloaded: &[(PartId, f64)],
    ) -> f64 {
        self.ln_set_shift(&[(failure, u)], overloaded) - self.ln_healthy_shift()
    }

    /// ln of the probability of all that is known if these failures are the
    /// case, plus what a new part changes in their prior odds.
    ///
    /// `overloaded` holds the parts that the whole set drives past their rating.
    pub(crate) fn ln_set_shift(&self, held: &[Held<'_>], overloaded: &[(PartId, f64)]) -> f64 {
        let remarks: f64 = self
            .remarks
            .iter()
            .map(|remark| self.ln_remark(remark, held, overloaded))
            .sum();
        let testers: f64 = self
            .testers
            .iter()
            .map(|&(part, per_cent)| self.ln_tester(part, per_cent, held))
            .sum();
        remarks + testers
    }

    /// Whether two parts are one, or sections of one bottle.
    fn same(&self, a: PartId, b: PartId) -> bool {
        a == b
            || self
                .stage
                .parts_named(&self.stage.part(a).name)
                .any(|id| id == b)
    }

    fn failures_of<'h>(&self, part: PartId, held: &[Held<'h>]) -> Vec<Held<'h>> {
        held.iter()
            .filter(|(failure, _)| self.same(part, failure.part))
            .copied()
            .collect()
    }

    fn ln_remark(&self, remark: &Remark, held: &[Held<'_>], overloaded: &[(PartId, f64)]) -> f64 {
        let own = self.failures_of(remark.part, held);
        match remark.kind {
            RemarkKind::Good if own.is_empty() => 0.0,
            RemarkKind::Good => GOOD_BUT_FAILED.ln(),
            RemarkKind::Replaced => own.iter().map(|_| self.ln_new(remark.part)).sum(),
            RemarkKind::Seen(look) => {
                let class = class_of(&self.stage.part(remark.part).kind);
                let ratio = overloaded
                    .iter()
                    .filter(|(part, _)| self.same(remark.part, *part))
                    .map(|(_, ratio)| *ratio)
                    .fold(0.0, f64::max);
                looks_so(look, class, own.iter().map(|(f, _)| f.mode), ratio).ln()
            }
        }
    }

    /// ln of how much less often a new part fails than this one was taken to.
    fn ln_new(&self, part: PartId) -> f64 {
        let class = class_of(&self.stage.part(part).kind);
        let odds = |p: f64| p / (1.0 - p);
        let before = parts::rate(class, self.profile);
        let new = (parts::rate(class, RateProfile::InService) / NEW_PART).min(before);
        if before > 0.0 && new > 0.0 {
            (odds(new) / odds(before)).ln()
        } else {
            0.0
        }
    }

    fn ln_tester(&self, part: PartId, per_cent: f64, held: &[Held<'_>]) -> f64 {
        let own = self.failures_of(part, held);
        // A tester's one figure for a bottle is that of its worse section.
        let p = own
            .iter()
            .map(|(failure, u)| (emission(failure, *u), failure))
            .min_by(|a, b| a.0.0.total_cmp(&b.0.0))
            .map_or_else(
                || bell(per_cent, GOOD_EMISSION),
                |(worst, failure)| match failure.mode {
                    // Which of the two sides was read is not known.
                    Mode::SideDead => {
                        0.5 * bell(per_cent, worst) + 0.5 * bell(per_cent, GOOD_EMISSION)
                    }
                    _ => bell(per_cent, worst),
                },
            );
        ((1.0 - TESTER_SLIP) * p + TESTER_SLIP / TESTER_SCALE).ln()
    }
}

/// What a tester shows of a tube that failed so, per cent: mean and spread.
fn emission(failure: &Failure, u: f64) -> (f64, f64) {
    match (failure.mode, &failure.action) {
        (Mode::Weak, Action::Perveance(_)) => (100.0 * failure.range.value(u), WEAK_SIGMA),
        (Mode::Dead | Mode::SideDead, _) => (0.0, DEAD_SIGMA),
        // Gas, leaks and touching electrodes leave the emission; a poor
        // contact is the set's own socket, and the tester has another.
        _ => GOOD_EMISSION,
    }
}

/// Density of a normal at `x`.
fn bell(x: f64, (mean, sigma): (f64, f64)) -> f64 {
    let z = (x - mean) / sigma;
    (-0.5 * z * z).exp() / (sigma * std::f64::consts::TAU.sqrt())
}

/// What kind of part a look is judged on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Resistor,
    Capacitor,
    Electrolytic,
    Coil,
    Tube,
    Contact,
    Other,
}

impl Kind {
    fn of(class: PartClass) -> Self {
        match class {
            PartClass::CompositionResistor
            | PartClass::FilmResistor
            | PartClass::WirewoundResistor
            | PartClass::Potentiometer
            | PartClass::Thermistor => Self::Resistor,
            PartClass::ElectrolyticCapacitor => Self::Electrolytic,
            class if class.is_capacitor() => Self::Capacitor,
            PartClass::Choke | PartClass::Winding | PartClass::RelayCoil => Self::Coil,
            PartClass::Tube
            | PartClass::Rectifier
            | PartClass::Regulator
            | PartClass::VacuumDiode => Self::Tube,
            PartClass::Switch | PartClass::Contact => Self::Contact,
            _ => Self::Other,
        }
    }
}

/// One line of the table of looks.
struct LookRow {
    look: Look,
    kind: Kind,
    /// Modes it holds for.
    modes: &'static [Mode],
    /// Probability that a part failed so looks so.
    probability: f64,
    /// Why.
    #[allow(
        dead_code,
        reason = "kept beside the figure for whoever reads the table"
    )]
    reason: &'static str,
}

/// How a look comes about without any failure of the part's own.
struct LookBase {
    look: Look,
    /// Probability that a good part in an old set looks so.
    good: f64,
    /// Probability that one driven far past its rating looks so.
    overloaded: f64,
    /// Probability that a failed part looks so, for every failure the table of looks does not name.
    failed: f64,
}

/// Common practice, no source.
const BASES: [LookBase; 5] = [
    LookBase {
        look: Look::Burnt,
        good: 0.01,
        overloaded: 0.6,
        failed: 0.03,
    },
    LookBase {
        look: Look::Cracked,
        good: 0.005,
        overloaded: 0.05,
        failed: 0.02,
    },
    LookBase {
        look: Look::Leaking,
        good: 0.01,
        overloaded: 0.1,
        failed: 0.015,
    },
    LookBase {
        look: Look::Hot,
        good: 0.03,
        overloaded: 0.7,
        failed: 0.03,
    },
    LookBase {
        look: Look::Arcing,
        good: 0.002,
        overloaded: 0.02,
        failed: 0.006,
    },
];

const fn row(
    look: Look,
    kind: Kind,
    modes: &'static [Mode],
    probability: f64,
    reason: &'static str,
) -> LookRow {
    LookRow {
        look,
        kind,
        modes,
        probability,
        reason,
    }
}

/// Common practice, no source.
const LOOKS: [LookRow; 21] = [
    row(
        Look::Burnt,
        Kind::Resistor,
        &[Mode::Open],
        0.3,
        "most open resistors were cooked first",
    ),
    row(
        Look::Burnt,
        Kind::Resistor,
        &[Mode::High],
        0.15,
        "drift by heat shows, drift by age does not",
    ),
    row(
        Look::Burnt,
        Kind::Resistor,
        &[Mode::Low, Mode::Short],
        0.15,
        "carbonised bodies conduct",
    ),
    row(
        Look::Burnt,
        Kind::Coil,
        &[Mode::Open, Mode::Low, Mode::Short],
        0.35,
        "a winding fails by heat",
    ),
    row(
        Look::Burnt,
        Kind::Capacitor,
        &[Mode::Short],
        0.1,
        "a hard short chars the case",
    ),
    row(
        Look::Burnt,
        Kind::Contact,
        &[Mode::PoorContact, Mode::Stuck],
        0.2,
        "burnt contacts are the cause",
    ),
    row(
        Look::Cracked,
        Kind::Resistor,
        &[Mode::Open, Mode::High],
        0.1,
        "a broken body",
    ),
    row(
        Look::Cracked,
        Kind::Capacitor,
        &[Mode::Leaky, Mode::Short],
        0.15,
        "moisture enters by a cracked case",
    ),
    row(
        Look::Cracked,
        Kind::Tube,
        &[Mode::Dead, Mode::Gassy],
        0.15,
        "air has entered",
    ),
    row(
        Look::Leaking,
        Kind::Electrolytic,
        &[Mode::Leaky, Mode::Short],
        0.15,
        "seals fail with heat and age",
    ),
    row(
        Look::Leaking,
        Kind::Capacitor,
        &[Mode::Leaky, Mode::Short],
        0.1,
        "wax driven out by heat",
    ),
    row(
        Look::Leaking,
        Kind::Coil,
        &[Mode::Low, Mode::Short],
        0.25,
        "shorted turns boil the compound out",
    ),
    row(
        Look::Hot,
        Kind::Electrolytic,
        &[Mode::Leaky, Mode::Short],
        0.4,
        "leakage warms it",
    ),
    row(
        Look::Hot,
        Kind::Capacitor,
        &[Mode::Leaky, Mode::Short],
        0.1,
        "a leak of little current hardly warms it",
    ),
    row(
        Look::Hot,
        Kind::Coil,
        &[Mode::Low, Mode::Short],
        0.5,
        "shorted turns",
    ),
    row(
        Look::Hot,
        Kind::Resistor,
        &[Mode::Open],
        0.002,
        "without current it is cold",
    ),
    row(
        Look::Hot,
        Kind::Coil,
        &[Mode::Open],
        0.002,
        "without current it is cold",
    ),
    row(
        Look::Hot,
        Kind::Tube,
        &[Mode::Dead],
        0.002,
        "a dead tube is a cold one, if its heater is out",
    ),
    row(
        Look::Hot,
        Kind::Contact,
        &[Mode::PoorContact],
        0.15,
        "the drop at the contact heats it",
    ),
    row(
        Look::Arcing,
        Kind::Contact,
        &[Mode::PoorContact, Mode::Stuck],
        0.1,
        "pitted contacts arc",
    ),
    row(
        Look::Arcing,
        Kind::Tube,
        &[Mode::Gassy, Mode::GridCathodeShort, Mode::PoorContact],
        0.05,
        "gas and loose parts flash over",
    ),
];

/// Probability that a part of this class looks so, having failed in these
/// modes (none: it is good) and bearing `ratio` times its rating.
fn looks_so(look: Look, class: PartClass, modes: impl Iterator<Item = Mode>, ratio: f64) -> f64 {
    let Some(base) = BASES.iter().find(|b| b.look == look) else {
        return 1.0;
    };
    let kind = Kind::of(class);
    let own = modes
        .map(|mode| {
            LOOKS
                .iter()
                .find(|r| r.look == look && r.kind == kind && r.modes.contains(&mode))
                .map_or(base.failed, |r| r.probability)
        })
        .reduce(f64::max)
        .unwrap_or(base.good);
    // At its rating a part is as good as any; at twice the rating most of the harm is done.
    let harm = if ratio > 1.0 {
        base.overloaded * (1.0 - 1.0 / (ratio * ratio))
    } else {
        0.0
    };
    // Either may have made it look so.
    1.0 - (1.0 - own) * (1.0 - harm)
}
