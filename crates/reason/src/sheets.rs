//! Several sheets of one unit, with repairs between them.
//!
//! What was read before a part was replaced was read on the same unit, all but
//! that part. So nothing of it is thrown away: every failure has a
//! [`Stretch`] of the unit's history in which it was present, and every
//! reading is forecast with the failures that were present when it was taken.
//! One set of failures, one size for each and one draw of the tolerances must then explain all sheets
//! together (but see [`History::renew`]). What is now wrong are the failures that are still present; what
//! was wrong with parts since replaced is summed over.
//!
//! A sheet with a `replaced` line is taken after that repair, all of it. Time is
//! counted in such sheets, back from the last: a reading taken before the last
//! repair is one repair old. Left out: failures that come and go or grow from
//! sheet to sheet.

use deadstage_circuit::{ParameterKind, class_of};
use deadstage_netlist::{PartId, Readings, Remark, RemarkKind, Span, Stage};
use deadstage_parts::{self as parts, Mode, RateProfile};

use crate::failure::{Action, Failure};
use crate::model::{Networks, Renewed};
use crate::rates::Rates;
use crate::weigh::Weighed;

/// A part just fitted fails this many times less often than one in service:
/// it was new, and is hardly a day old (common practice, no source).
const NEW_PART: f64 = 5.0;

/// Of the odds that a part of an old unit is bad, the share that it has gone bad in the course of one repair: what the iron or
/// the returning voltage does to its neighbours (common practice, no source).
const SINCE_A_REPAIR: f64 = 0.03;

/// Of poor contacts at the pins of a tube, the share that a new tube in the same socket leaves as it was (common practice, no
/// source): changing it wipes the contacts.
const SOCKET_STAYS: f64 = 0.5;

/// A part of the unit's history, its ends counted in repairs back from now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Stretch {
    /// Repairs since it began.
    pub(crate) from: usize,
    /// Repairs since it ended; nought is still going on.
    pub(crate) to: usize,
}

impl Stretch {
    /// From before the first reading until now.
    pub(crate) const ALWAYS: Self = Self {
        from: usize::MAX,
        to: 0,
    };

    /// Whether it covers what was read so many repairs ago.
    pub(crate) fn holds(self, ago: usize) -> bool {
        self.to <= ago && ago <= self.from
    }

    /// Whether it is still going on.
    pub(crate) fn is_now(self) -> bool {
        self.to == 0
    }

    /// Whether both cover some time.
    pub(crate) fn overlaps(self, other: Self) -> bool {
        self.to <= other.from && other.to <= self.from
    }
}

/// The repairs of a unit as its sheets tell them.
#[derive(Clone, Debug, Default)]
pub(crate) struct History {
    /// By sheet, repairs made after it.
    ago: Vec<usize>,
    /// Every part replaced, all sections of a bottle, and the repairs made after that one; the oldest first.
    replaced: Vec<(PartId, usize)>,
    /// Where in its sheet each was said: sheet, part as named, statement.
    said: Vec<(usize, PartId, Span)>,
}

impl History {
    pub(crate) fn of(stage: &Stage, sheets: &[Readings]) -> Self {
        let mut history = Self {
            ago: vec![0; sheets.len()],
            ..Self::default()
        };
        let mut ago = 0;
        for (index, sheet) in sheets.iter().enumerate().rev() {
            history.ago[index] = ago;
            let replaced = sheet
                .remarks
                .iter()
                .filter(|r| r.kind == RemarkKind::Replaced);
            let before = history.replaced.len();
            for remark in replaced {
                history.said.push((index, remark.part, remark.span));
                for part in stage.parts_named(&stage.part(remark.part).name) {
                    if !history.replaced[before..].contains(&(part, ago)) {
                        history.replaced.push((part, ago));
                    }
                }
            }
            if history.replaced.len() > before {
                ago += 1;
            }
        }
        history.replaced.reverse();
        history
    }

    /// As if nothing had been replaced.
    pub(crate) fn unrepaired(sheets: &[Readings]) -> Self {
        Self {
            ago: vec![0; sheets.len()],
            ..Self::default()
        }
    }

    /// Repairs made after a sheet.
    pub(crate) fn ago(&self, sheet: usize) -> usize {
        self.ago[sheet]
    }

    /// Repairs made after the first sheet.
    pub(crate) fn oldest(&self) -> usize {
        self.ago.first().copied().unwrap_or(0)
    }

    /// Repairs made after what a line says of a part: of a part that a line below it replaces, the old one is meant.
    pub(crate) fn ago_of(&self, stage: &Stage, sheet: usize, part: PartId, line: Span) -> usize {
        let name = |id: PartId| stage.part(id).name.as_str();
        let replaced_below = self.said.iter().any(|&(index, other, span)| {
            index == sheet
                && name(other).eq_ignore_ascii_case(name(part))
                && span.start > line.start
        });
        self.ago[sheet] + usize::from(replaced_below)
    }

    /// Everything remarked, with the repairs made since.
    pub(crate) fn remarks(&self, stage: &Stage, sheets: &[Readings]) -> Vec<(Remark, usize)> {
        sheets
            .iter()
            .enumerate()
            .flat_map(|(index, sheet)| sheet.remarks.iter().map(move |remark| (index, remark)))
            .map(|(index, remark)| {
                let ago = self.ago_of(stage, index, remark.part, remark.span);
                (remark.clone(), ago)
            })
            .collect()
    }

    /// The repairs that something was read before, by those made after them, the oldest first.
    fn repairs(&self) -> impl Iterator<Item = usize> {
        (0..self.oldest()).rev()
    }

    /// When a part was replaced, in repairs made after that, the oldest first.
    fn renewals(&self, part: PartId) -> Vec<usize> {
        self.replaced
            .iter()
            .filter(|(id, _)| *id == part)
            .map(|(_, ago)| *ago)
            .collect()
    }

    /// Failures of a unit with this history: of a part replaced, those of the old one and those of the new one; of any other,
    /// that it was so all along or has become so since a repair.
    pub(crate) fn failures(
        &self,
        stage: &Stage,
        rates: &Rates,
        failures: Vec<Failure>,
    ) -> Vec<Failure> {
        if self.replaced.is_empty() {
            return failures;
        }
        let mut list = Vec::with_capacity(failures.len() * (1 + self.oldest()));
        for failure in failures {
            let mut add = |stretch: Stretch, ln_factor: f64| {
                list.push(Failure {
                    stretch,
                    ln_odds: failure.ln_odds + ln_factor,
                    ..failure.clone()
                });
            };
            let renewals = self.renewals(failure.part);
            let Some(&first) = renewals.first() else {
                add(Stretch::ALWAYS, 0.0);
                for ago in self.repairs() {
                    add(Stretch { from: ago, to: 0 }, SINCE_A_REPAIR.ln());
                }
                continue;
            };
            let mut cured: f64 = 1.0;
            if is_at_the_socket(&failure) {
                add(Stretch::ALWAYS, SOCKET_STAYS.ln());
                cured -= SOCKET_STAYS;
            }
            if first < self.oldest() {
                let stretch = Stretch {
                    to: first + 1,
                    ..Stretch::ALWAYS
                };
                add(stretch, cured.ln());
            }
            for (index, &from) in renewals.iter().enumerate() {
                let to = renewals.get(index + 1).map_or(0, |next| next + 1);
                let ln_factor = ln_new(stage, failure.part, rates);
                add(Stretch { from, to }, ln_factor);
            }
        }
        list
    }

    /// What varies anew with each repair: the part fitted has its own place within its
    /// tolerance, the mains are not those of the other day, and what brings a
    /// tube's law to fit one state of the set says little of another state, as no
    /// tube follows an equation.
    pub(crate) fn renew(&self, networks: &mut Networks) {
        let mut renewed = Vec::new();
        for (parameter, row) in networks.list[0].parameters.iter().enumerate() {
            let times = match (&row.kind, row.part) {
                (ParameterKind::Line | ParameterKind::Device(..), _) => self.repairs().collect(),
                (_, Some(part)) => self.renewals(part),
                _ => Vec::new(),
            };
            renewed.extend(
                times
                    .into_iter()
                    .filter(|ago| *ago < self.oldest())
                    .map(|ago| Renewed { parameter, ago }),
            );
        }
        networks.renewed = renewed;
    }
}

/// Whether it is the socket of a tube that fails, and not what is put into it.
fn is_at_the_socket(failure: &Failure) -> bool {
    failure.mode == Mode::PoorContact
        && matches!(failure.action, Action::Pin(..) | Action::Perveance(_))
}

/// ln of how much less often a new part fails than this one was taken to.
fn ln_new(stage: &Stage, part: PartId, rates: &Rates) -> f64 {
    let class = class_of(&stage.part(part).kind);
    let odds = |p: f64| p / (1.0 - p);
    let before = rates.of_any(stage, part);
    let new = (parts::rate(class, RateProfile::InService) / NEW_PART).min(before);
    if before > 0.0 && new > 0.0 {
        (odds(new) / odds(before)).ln()
    } else {
        0.0
    }
}

/// Failures of a set that are still present, with what `of` gives for each.
pub(crate) fn present<'w, T: Copy>(
    failures: &'w [Failure],
    weighed: &'w Weighed,
    of: &'w [T],
) -> impl Iterator<Item = (&'w Failure, T)> {
    weighed
        .set
        .iter()
        .zip(of)
        .map(|(&index, &value)| (&failures[index], value))
        .filter(|(failure, _)| failure.stretch.is_now())
}

#[cfg(test)]
mod tests;
