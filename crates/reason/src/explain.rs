//! Why a suspect is one: facts computed for the case, in a few sentences.
//!
//! Which readings are off and by how much; what the suspect makes of them and
//! of the currents; which reading speaks against the rival; which reading
//! fits neither. The order of the sentences is fixed, their content is not:
//! a fact that the numbers do not bear out is not said.

mod currents;

use deadstage_circuit::{Base, Network, OperatingPoint, Overlay, Scratch};
use deadstage_netlist::{Bound, PartId, Stage};

use crate::casualties::{self, Load};
use crate::confirm::{self, Bench};
use crate::likelihood::Weights;
use crate::model::{Forecast, Held, Starts, Wanted};
use crate::outlook::{failures_of, present_failures};
use crate::weigh::{Scales, Weighed};
use crate::wording;

/// A reading this many spreads from healthy is off.
const OFF: f64 = 2.0;

/// Most readings named as off.
const MOST_NAMED: usize = 3;

/// A reading this many spreads from what a suspect makes it speaks against that suspect.
const AGAINST: f64 = 2.0;

/// Two suspects that make every reading alike to within this many spreads are not told apart.
const ALIKE: f64 = 1.0;

/// Two suspects whose evidence is this close (in the logarithm) fit about as well.
const NOT_TOLD_APART: f64 = 1.0;

/// A reading more probably a slip than this is named as one.
const SLIPPED: f64 = 0.5;

/// What a person is told of one suspect.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Told {
    pub(crate) why: String,
    pub(crate) confirm: String,
    pub(crate) casualties: Vec<String>,
}

/// What explaining needs, made once for all suspects of a sheet.
pub(crate) struct Explainer<'s, 'a> {
    scales: &'s Scales<'a>,
    /// Situation in which currents and loads are looked at.
    running: Option<usize>,
    bench: Bench<'a>,
}

/// One set of failures against the readings.
struct View<'w> {
    weighed: &'w Weighed,
    forecast: Forecast,
    weights: Weights,
}

impl<'s, 'a> Explainer<'s, 'a> {
    pub(crate) fn new(scales: &'s Scales<'a>, scratch: &mut Scratch) -> Self {
        let model = scales.model;
        let running = casualties::running(model);
        let network: &Network = &model.networks.list[0];
        let off = running
            .and_then(|at| model.bases[0].get(at))
            .and_then(|base| {
                let situation = base.situation().clone().power_off();
                Base::new(network, &situation, scratch).ok()
            });
        Self {
            scales,
            running,
            bench: Bench {
                stage: model.stage,
                network,
                off,
            },
        }
    }

    /// Explains one suspect beside its rival: for the first suspect the next
    /// one, for every other the first.
    pub(crate) fn explain(
        &self,
        weighed: &Weighed,
        rival: Option<&Weighed>,
        scratch: &mut Scratch,
    ) -> Told {
        let Some(view) = self.view(weighed, scratch) else {
            return Told::default();
        };
        let rival = rival.and_then(|r| self.view(r, scratch));
        let held = self.present(weighed);
        let confirm = confirm::confirm(
            &self.bench,
            &held,
            &|part| self.volts_across(weighed, part),
            scratch,
        );
        Told {
            why: self.why(&view, rival.as_ref(), scratch),
            confirm,
            casualties: self.casualties(weighed, scratch),
        }
    }

    /// By reading, the probability that it is a slip if these failures are the
    /// case, or if nothing has failed.
    pub(crate) fn slips(&self, weighed: Option<&Weighed>, scratch: &mut Scratch) -> Vec<f64> {
        let mut by_reading = vec![0.0; self.scales.observations.len()];
        let odds = match weighed {
            Some(weighed) => self.view(weighed, scratch).map(|view| {
                view.weights
                    .slip_odds(&view.forecast.mean, self.scales.evidence)
            }),
            None => self.scales.healthy.first().and_then(|healthy| {
                let weights = Weights::new(&healthy.forecast, self.scales.evidence, &[])?;
                Some(weights.slip_odds(&healthy.forecast.mean, self.scales.evidence))
            }),
        };
        for (index, p) in odds.unwrap_or_default() {
            by_reading[index] = p;
        }
        by_reading
    }

    fn stage(&self) -> &'a Stage {
        self.bench.stage
    }

    fn held(&self, weighed: &Weighed) -> Vec<Held<'a>> {
        failures_of(self.scales, Some(weighed))
    }

    fn present(&self, weighed: &Weighed) -> Vec<Held<'a>> {
        present_failures(self.scales, Some(weighed))
    }

    fn view<'w>(&self, weighed: &'w Weighed, scratch: &mut Scratch) -> Option<View<'w>> {
        let held = self.held(weighed);
        let forecast = self.forecast(weighed.law, &held, true, scratch)?;
        let weights = Weights::new(&forecast, self.scales.evidence, &[])?;
        Some(View {
            weighed,
            forecast,
            weights,
        })
    }

    fn forecast(
        &self,
        law: usize,
        held: &[Held<'_>],
        with_scatter: bool,
        scratch: &mut Scratch,
    ) -> Option<Forecast> {
        let mut starts: Starts = self.scales.healthy[law].starts.clone();
        self.scales
            .model
            .forecast(
                law,
                held,
                self.scales.observations,
                if with_scatter {
                    Wanted::Weights(self.scales.observations.len())
                } else {
                    Wanted::Means
                },
                &mut starts,
                scratch,
            )
            .ok()
    }

    /// Name of a set: `C3 short with R4 high (about 120 kΩ)`.
    fn name(&self, weighed: &Weighed) -> String {
        let names: Vec<String> = self
            .held(weighed)
            .iter()
            .map(|(failure, u)| wording::failure(self.stage(), self.bench.network, failure, *u))
            .collect();
        match names.as_slice() {
            [first, rest @ ..] if !rest.is_empty() => {
                format!("{first} with {}", wording::listed(rest))
            }
            _ => wording::listed(&names),
        }
    }

    fn place(&self, index: usize) -> String {
        let observation = &self.scales.observations[index];
        let base = &self.scales.model.bases[0][observation.situation];
        wording::place(self.stage(), observation, base.situation())
    }

    fn compared(&self, index: usize, value: f64) -> String {
        wording::compared(self.stage(), &self.scales.observations[index], value)
    }

    fn read(&self, index: usize) -> String {
        wording::read(self.stage(), &self.scales.observations[index])
    }

    /// How many spreads a reading lies above what was foretold; a bound that holds is no distance off.
    fn spreads(&self, index: usize, mean: &[f64], sigma: &[f64]) -> f64 {
        let off = (self.scales.evidence.read[index] - mean[index]) / sigma[index];
        match self.scales.observations[index].bound {
            Bound::Exact => off,
            Bound::Above => off.max(0.0),
            Bound::Below => off.min(0.0),
        }
    }

    fn why(&self, view: &View<'_>, rival: Option<&View<'_>>, scratch: &mut Scratch) -> String {
        let slips = self.slipped(view);
        let telling = self.telling(view, &slips);
        let mut said = Vec::new();
        said.extend(self.say_off(view, &telling, &slips));
        said.push(self.say_made(view, &telling, scratch));
        said.extend(self.say_needed(view, scratch));
        said.extend(rival.map(|rival| self.say_rival(view, rival)));
        said.extend(self.say_slips(view, &slips));
        said.join(" ")
    }

    /// Readings that are probably slips if this is the case.
    fn slipped(&self, view: &View<'_>) -> Vec<usize> {
        view.weights
            .slip_odds(&view.forecast.mean, self.scales.evidence)
            .into_iter()
            .filter(|&(_, p)| p > SLIPPED)
            .map(|(index, _)| index)
            .collect()
    }

    /// Readings that are off the healthy value, the farthest first.
    fn telling(&self, view: &View<'_>, slips: &[usize]) -> Vec<(usize, f64)> {
        let healthy = &self.scales.healthy[view.weighed.law];
        let Some(weights) = Weights::new(&healthy.forecast, self.scales.evidence, &[]) else {
            return Vec::new();
        };
        let mut list: Vec<(usize, f64)> = (0..self.scales.observations.len())
            .filter(|index| !slips.contains(index))
            .map(|index| {
                let off = self.spreads(index, &healthy.forecast.mean, &weights.sigma);
                (index, off)
            })
            .filter(|(_, off)| off.is_finite())
            .collect();
        list.sort_by(|a, b| b.1.abs().total_cmp(&a.1.abs()).then(a.0.cmp(&b.0)));
        let off = list.iter().take_while(|(_, off)| off.abs() >= OFF).count();
        // Where nothing is off by itself, the farthest is still worth naming.
        list.truncate(off.clamp(1, MOST_NAMED));
        list
    }

    fn say_off(
        &self,
        view: &View<'_>,
        telling: &[(usize, f64)],
        slips: &[usize],
    ) -> Option<String> {
        let healthy = &self.scales.healthy[view.weighed.law].forecast.mean;
        let (first, off) = *telling.first()?;
        if off.abs() < OFF {
            return Some(format!(
                "No {}reading is far off by itself (the farthest: {} at {} for a healthy {}, {} spreads off).",
                if slips.is_empty() { "" } else { "other " },
                self.place(first),
                self.read(first),
                self.compared(first, healthy[first]),
                how_many(off),
            ));
        }
        let all: Vec<String> = telling
            .iter()
            .map(|&(index, off)| {
                format!(
                    "{} at {} for a healthy {} ({} spreads too {})",
                    self.place(index),
                    self.read(index),
                    self.compared(index, healthy[index]),
                    how_many(off),
                    if off > 0.0 { "high" } else { "low" },
                )
            })
            .collect();
        Some(format!("Off: {}.", wording::listed(&all)))
    }

    /// What the suspect makes of these readings, and of the currents.
    fn say_made(&self, view: &View<'_>, telling: &[(usize, f64)], scratch: &mut Scratch) -> String {
        let made: Vec<String> = telling
            .iter()
            .map(|&(index, _)| self.compared(index, view.forecast.mean[index]))
            .collect();
        let mut said = match made.len() {
            0 => format!("{} fits", self.name(view.weighed)),
            1 => format!("{} makes it {}", self.name(view.weighed), made[0]),
            _ => format!(
                "{} makes them {}",
                self.name(view.weighed),
                wording::listed(&made)
            ),
        };
        if let Some(currents) = self.say_currents(view.weighed, scratch) {
            said.push_str(": ");
            said.push_str(&currents);
        }
        said.push('.');
        said
    }

    fn solve<'b>(
        &self,
        weighed: &Weighed,
        base: &'b Base<'_>,
        scratch: &mut Scratch,
    ) -> Option<OperatingPoint<'b>> {
        let mut overlay = Overlay::new();
        for (failure, u) in self.present(weighed) {
            failure.lay(u, base, &mut overlay);
        }
        let starts = &self.scales.healthy[weighed.law].starts;
        let start = self
            .running
            .and_then(|at| starts.get(at))
            .and_then(Option::as_ref);
        base.solve(&overlay, start, scratch).ok()
    }

    /// Of several failures: what each is needed for, and which overloads which.
    fn say_needed(&self, view: &View<'_>, scratch: &mut Scratch) -> Option<String> {
        let held = self.held(view.weighed);
        if held.len() < 2 {
            return None;
        }
        let mut said = Vec::new();
        for (index, (failure, _)) in held.iter().enumerate() {
            let mut rest = held.clone();
            rest.remove(index);
            let Some(without) = self.forecast(view.weighed.law, &rest, false, scratch) else {
                continue;
            };
            let moved = |i: usize| {
                ((view.forecast.mean[i] - without.mean[i]) / view.weights.sigma[i]).abs()
            };
            let most = (0..view.forecast.mean.len())
                .max_by(|&a, &b| moved(a).total_cmp(&moved(b)).then(b.cmp(&a)))
                .filter(|&i| moved(i) > 1.0);
            if let Some(i) = most {
                said.push(format!(
                    "{} {} {} would be {}",
                    if said.is_empty() {
                        "Without"
                    } else {
                        "without"
                    },
                    wording::part(self.stage(), failure.part, failure.section),
                    self.place(i),
                    self.compared(i, without.mean[i])
                ));
            }
        }
        let mut sentence = wording::listed(&said);
        for (index, cause) in held.iter().enumerate() {
            let harmed = self.overloads(view.weighed.law, &[*cause], scratch);
            for (other, (victim, _)) in held.iter().enumerate() {
                if let Some((_, ratio)) = harmed
                    .iter()
                    .find(|(part, _)| other != index && *part == victim.part)
                {
                    let name = |id| self.stage().part(id).name.as_str();
                    if !sentence.is_empty() {
                        sentence.push_str("; ");
                    }
                    sentence.push_str(&format!(
                        "{} is the cause and {} its casualty, driven to {} times its rating",
                        name(cause.0.part),
                        name(victim.part),
                        how_many(*ratio)
                    ));
                }
            }
        }
        (!sentence.is_empty()).then(|| format!("{sentence}."))
    }

    /// The reading that parts the suspect from its rival, or that none does.
    fn say_rival(&self, view: &View<'_>, rival: &View<'_>) -> String {
        let name = self.name(rival.weighed);
        let lead = view.weighed.ln_evidence - rival.weighed.ln_evidence;
        let alike = (0..self.scales.observations.len()).all(|i| {
            let sigma = view.weights.sigma[i].min(rival.weights.sigma[i]);
            (view.forecast.mean[i] - rival.forecast.mean[i]).abs() < ALIKE * sigma
        });
        let more = rival
            .weighed
            .set
            .iter()
            .all(|i| view.weighed.set.contains(i));
        if more && (alike || lead < NOT_TOLD_APART) {
            return format!("{name} alone fits the readings as well.");
        }
        if alike {
            return format!("The readings do not tell it from {name}.");
        }
        // Whichever fits worse has a reading against it.
        let (worse, better, of_rival) = if lead > 0.0 {
            (rival, view, true)
        } else {
            (view, rival, false)
        };
        let off = |view: &View<'_>, i| self.spreads(i, &view.forecast.mean, &view.weights.sigma);
        // What is a slip for the better of the two says nothing against the other.
        let slips = self.slipped(better);
        let against = (0..self.scales.observations.len())
            .filter(|i| !slips.contains(i))
            .map(|i| (i, off(worse, i).powi(2) - off(better, i).powi(2)))
            .filter(|(_, gain)| gain.is_finite())
            .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.cmp(&a.0)))
            .filter(|&(i, gain)| gain > 0.0 && off(worse, i).abs() >= AGAINST);
        let whom = if of_rival {
            format!("Against {name} speaks")
        } else {
            format!("Against it, beside {name}, speaks")
        };
        let who = if of_rival { "that" } else { "it" };
        match against {
            Some((i, _)) => format!(
                "{whom} {}, which {who} would make {} ({} spreads from what was read).",
                self.place(i),
                self.compared(i, worse.forecast.mean[i]),
                how_many(off(worse, i)),
            ),
            None if lead.abs() < NOT_TOLD_APART => {
                format!("{name} fits the readings about as well.")
            }
            None if of_rival => format!(
                "{name} fits each reading nearly as well, but less well all of them together."
            ),
            None => format!(
                "{name} fits them better, taken together, though no single reading parts the two."
            ),
        }
    }

    fn say_slips(&self, view: &View<'_>, slips: &[usize]) -> Option<String> {
        let all: Vec<String> = slips
            .iter()
            .map(|&i| {
                format!(
                    "{} {} ({} expected)",
                    self.place(i),
                    self.read(i),
                    self.compared(i, view.forecast.mean[i])
                )
            })
            .collect();
        match all.len() {
            0 => None,
            1 => Some(format!(
                "The reading {} does not fit it: perhaps a slip, take it again.",
                all[0]
            )),
            _ => Some(format!(
                "The readings {} do not fit it: perhaps slips, take them again.",
                wording::listed(&all)
            )),
        }
    }

    fn loads(&self, law: usize, weighed: Option<&Weighed>, scratch: &mut Scratch) -> Vec<Load> {
        let Some(base) = self.running.map(|at| &self.scales.model.bases[law][at]) else {
            return Vec::new();
        };
        let solved = match weighed {
            Some(weighed) => self.solve(weighed, base, scratch),
            None => base.solve(&[], None, scratch).ok(),
        };
        solved.map_or_else(Vec::new, |at| {
            casualties::loads(self.stage(), base.network(), &at)
        })
    }

    fn casualties(&self, weighed: &Weighed, scratch: &mut Scratch) -> Vec<String> {
        let healthy = self.loads(weighed.law, None, scratch);
        let faulty = self.loads(weighed.law, Some(weighed), scratch);
        casualties::say(self.stage(), &healthy, &faulty)
    }

    fn overloads(
        &self,
        law: usize,
        held: &[Held<'_>],
        scratch: &mut Scratch,
    ) -> Vec<(PartId, f64)> {
        let Some(running) = self.running else {
            return Vec::new();
        };
        casualties::overloads(
            self.scales.model,
            law,
            running,
            held,
            &self.scales.healthy[law].starts,
            scratch,
        )
    }

    /// Volts on a part in the faulty state.
    fn volts_across(&self, weighed: &Weighed, part: PartId) -> Option<f64> {
        let mut scratch = Scratch::default();
        let base = &self.scales.model.bases[weighed.law][self.running?];
        // The capacitor's own leak would pull down the voltage that it must stand: ask the healthy state.
        let at = base.solve(&[], None, &mut scratch).ok()?;
        let element = base.network().part(part).elements.first()?;
        Some(at.element_volts(*element))
    }
}

/// Whom to hold a suspect against: every other against the first; the first
/// against the next that is not merely it with more or fewer failures.
pub(crate) fn rival<'w>(sets: &[&'w Weighed], rank: usize) -> Option<&'w Weighed> {
    let first = *sets.first()?;
    if rank > 0 {
        return Some(first);
    }
    let within = |a: &[usize], b: &[usize]| a.iter().all(|i| b.contains(i));
    sets.iter()
        .copied()
        .find(|other| !within(&other.set, &first.set) && !within(&first.set, &other.set))
}

/// `8.2`, `over 20`: a number of spreads, or of times a rating.
fn how_many(spreads: f64) -> String {
    let size = spreads.abs();
    if size >= 20.0 {
        "over 20".to_owned()
    } else if size >= 9.95 {
        format!("{size:.0}")
    } else {
        format!("{size:.1}")
    }
}

#[cfg(test)]
mod tests;
