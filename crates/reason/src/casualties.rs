//! Parts driven past their ratings by a failure: the casualties it makes, and
//! so the parts likelier than others to have failed along with it.

use deadstage_circuit::{Network, OperatingPoint, Overlay, Scratch};
use deadstage_netlist::{Electrode, PartId, PartKind, Stage, engineering};

use crate::model::{Held, Model, Starts};
use crate::ratings::{ALLOWED, Rated};
use crate::wording;

/// What one part bears beside what it is made to bear.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Load {
    pub(crate) part: PartId,
    /// Which electrode, of a tube.
    electrode: Option<Electrode>,
    /// Whether it is that of all sections of a bottle together.
    together: bool,
    measure: Measure,
    /// In the measure's unit.
    pub(crate) borne: f64,
    pub(crate) rating: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Measure {
    Watts,
    Volts,
    Amps,
}

impl Load {
    /// How many times what it may bear it bears: a tube's rating and what its
    /// computed current is not surer than.
    pub(crate) fn ratio(&self) -> f64 {
        let allowed = if self.electrode.is_some() {
            ALLOWED
        } else {
            1.0
        };
        self.borne / (allowed * self.rating)
    }

    /// `R4: 3.10 W in a 1.00 W part`.
    fn say(&self, stage: &Stage) -> String {
        let part = stage.part(self.part);
        let name = match &part.kind {
            PartKind::Tube { unit, .. } if stage.parts_named(&part.name).count() > 1 => {
                wording::part(stage, self.part, *unit)
            }
            _ => part.name.clone(),
        };
        match (self.measure, self.electrode) {
            (Measure::Watts, Some(_)) if self.together => format!(
                "{}: {} at its plates together, rated {}",
                part.name,
                engineering(self.borne, "W"),
                engineering(self.rating, "W"),
            ),
            (Measure::Watts, Some(electrode)) => format!(
                "{name}: {} at the {}, rated {}",
                engineering(self.borne, "W"),
                deadstage_circuit::electrode_name(electrode),
                engineering(self.rating, "W"),
            ),
            (Measure::Watts, None) => format!(
                "{name}: {} in a {} part",
                engineering(self.borne, "W"),
                engineering(self.rating, "W"),
            ),
            (Measure::Volts, _) => format!(
                "{name}: {} on a {} part",
                engineering(self.borne, "V"),
                engineering(self.rating, "V"),
            ),
            (Measure::Amps, _) => format!(
                "{name}: {} through it, rated {}",
                engineering(self.borne, "A"),
                engineering(self.rating, "A"),
            ),
        }
    }
}

/// What every part with a known rating bears, in the order of the stage file.
///
/// Heat of resistances is I²R; of a tube's plate and screen, V·I at the
/// electrode. Of a stage whose DC depends on its drive the plate's share that
/// leaves as signal is not known, so its plate is left out.
pub(crate) fn loads(stage: &Stage, network: &Network, at: &OperatingPoint<'_>) -> Vec<Load> {
    let mut all = Vec::new();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let model = network.part(id);
        let rated = Rated::of(stage, id);
        let mut add = |electrode, measure, borne: f64, rating: Option<f64>| {
            if let Some(rating) = rating.filter(|r| *r > 0.0)
                && borne.is_finite()
            {
                all.push(Load {
                    part: id,
                    electrode,
                    together: false,
                    measure,
                    borne,
                    rating,
                });
            }
        };
        match (&part.kind, model.device) {
            (PartKind::Tube { drive, .. }, Some(device)) => {
                let slot = network.device(device);
                let port_heat = slot
                    .electrodes
                    .iter()
                    .zip(at.device_volts(device))
                    .zip(at.device_amps(device));
                for ((electrode, volts), amps) in port_heat {
                    let rating = rated
                        .filter(|_| *electrode != Electrode::Plate || drive.is_none())
                        .and_then(|rated| rated.watts(*electrode));
                    add(Some(*electrode), Measure::Watts, volts * amps, rating);
                }
                all.extend(plates_together(stage, &all, id));
            }
            (PartKind::Rectifier { .. }, Some(device)) => {
                let amps = at.device_amps(device).first().map_or(0.0, |a| a.abs());
                let rating = rated.and_then(|rated| rated.unit.ratings.dc_amps);
                add(None, Measure::Amps, amps, rating);
            }
            (PartKind::Regulator { .. }, Some(device)) => {
                let amps = at.device_amps(device).first().map_or(0.0, |a| a.abs());
                let glow = rated.and_then(|rated| rated.unit.glow);
                add(None, Measure::Amps, amps, glow.map(|glow| glow.most_amps));
            }
            (PartKind::Capacitor { .. }, _) => {
                if let Some(&element) = model.elements.first() {
                    let volts = at.element_volts(element).abs();
                    add(None, Measure::Volts, volts, part.rating_volts.map(|v| v.0));
                }
            }
            _ => {
                let watts: f64 = model
                    .elements
                    .iter()
                    .map(|&element| {
                        let amps = at.element_amps(element);
                        let ohms = at.values().elements[element.0 as usize].ohms;
                        // An open contact carries nothing, though its ohms are without end.
                        if amps == 0.0 { 0.0 } else { amps * amps * ohms }
                    })
                    .sum();
                add(None, Measure::Watts, watts, part.rating_watts.map(|w| w.0));
            }
        }
    }
    all
}

/// What the plates of all sections of a bottle bear together, behind the last of
/// them: of the loads gathered so far, those of its plates.
fn plates_together(stage: &Stage, gathered: &[Load], last: PartId) -> Option<Load> {
    let rating = Rated::of(stage, last)?.plates_watts()?;
    let name = &stage.part(last).name;
    let of_bottle = |id: PartId| stage.part(id).name.eq_ignore_ascii_case(name);
    let later = (last.0 + 1..)
        .map(PartId)
        .take(stage.parts.len() - 1 - last.0 as usize);
    if later.into_iter().any(of_bottle) {
        return None;
    }
    let plates: Vec<f64> = gathered
        .iter()
        .filter(|load| load.electrode == Some(Electrode::Plate) && of_bottle(load.part))
        .map(|load| load.borne)
        .collect();
    (plates.len() > 1).then(|| Load {
        part: last,
        electrode: Some(Electrode::Plate),
        together: true,
        measure: Measure::Watts,
        borne: plates.iter().sum(),
        rating,
    })
}

/// Loads past their rating in the faulty state, and not in the healthy one.
///
/// Both lists are [`loads`] of one network, so their entries match one to one.
pub(crate) fn over<'l>(
    healthy: &'l [Load],
    faulty: &'l [Load],
) -> impl Iterator<Item = &'l Load> + 'l {
    healthy
        .iter()
        .zip(faulty)
        .filter(|(before, now)| now.ratio() > 1.0 && before.ratio() <= 1.0)
        .map(|(_, now)| now)
}

/// The casualties in words, the worst first.
pub(crate) fn say(stage: &Stage, healthy: &[Load], faulty: &[Load]) -> Vec<String> {
    let mut list: Vec<&Load> = over(healthy, faulty).collect();
    list.sort_by(|a, b| b.ratio().total_cmp(&a.ratio()));
    list.into_iter().map(|load| load.say(stage)).collect()
}

/// Parts that a set of failures drives past their rating: how many times the
/// rating, the worst measure of each part, in the order of the stage file.
///
/// Looked at under one tube law and in one situation (an index into the
/// model's); empty where the faulty state has no operating point.
pub(crate) fn overloads(
    model: &Model<'_>,
    law: usize,
    situation: usize,
    held: &[Held<'_>],
    starts: &Starts,
    scratch: &mut Scratch,
) -> Vec<(PartId, f64)> {
    let Some(base) = model.bases.get(law).and_then(|b| b.get(situation)) else {
        return Vec::new();
    };
    let Ok(healthy) = base.solve(&[], None, scratch) else {
        return Vec::new();
    };
    let before = loads(model.stage, base.network(), &healthy);
    let mut overlay = Overlay::new();
    for (failure, u) in held {
        failure.lay(*u, base, &mut overlay);
    }
    let start = starts.get(situation).and_then(Option::as_ref);
    let Ok(faulty) = base.solve(&overlay, start, scratch) else {
        return Vec::new();
    };
    let after = loads(model.stage, base.network(), &faulty);
    let mut worst: Vec<(PartId, f64)> = Vec::new();
    for load in over(&before, &after) {
        match worst.last_mut() {
            Some((part, ratio)) if *part == load.part => *ratio = ratio.max(load.ratio()),
            _ => worst.push((load.part, load.ratio())),
        }
    }
    worst
}

/// The situation to look at loads in: power on, everything in place; of
/// several, the first that the readings were taken in.
pub(crate) fn running(model: &Model<'_>) -> Option<usize> {
    model.bases.first()?.iter().position(|base| {
        let situation = base.situation();
        situation.power && situation.pulled.is_empty() && situation.lifted.is_empty()
    })
}

#[cfg(test)]
mod tests {
    use deadstage_parts::Mode;

    use super::*;
    use crate::test_bench::{OUTPUT, PENTODE, weighed};

    fn overloaded(text: &str, part: &str, mode: Mode, value: f64) -> Vec<(String, f64)> {
        weighed(text, "volts bplus 250V\n", |scales| {
            let failure = &scales.failures[scales.index_of(part, mode)];
            let found = overloads(
                scales.model,
                0,
                running(scales.model).expect("a plain situation"),
                &[(failure, value.ln())],
                &scales.healthy[0].starts,
                &mut Scratch::default(),
            );
            found
                .into_iter()
                .map(|(id, ratio)| (scales.model.stage.part(id).name.clone(), ratio))
                .collect()
        })
    }

    #[test]
    fn a_screen_bypass_short_burns_the_screen_resistor() {
        let found = overloaded(PENTODE, "C1", Mode::Short, 10.0);
        // (250 V)² / 56 kΩ = 1.116 W in half a watt.
        assert_eq!(found.len(), 1, "{found:?}");
        assert_eq!(found[0].0, "R4");
        assert!((found[0].1 - 2.232).abs() < 0.01, "{found:?}");
    }

    #[test]
    fn a_coupling_leak_overloads_the_cathode_resistor_and_the_plate() {
        let found = overloaded(OUTPUT, "C1", Mode::Leaky, 3e6);
        let names: Vec<&str> = found.iter().map(|(name, _)| name.as_str()).collect();
        assert_eq!(names, ["R2", "V1"]);
        assert!(found.iter().all(|(_, ratio)| (1.0..4.0).contains(ratio)));
    }

    #[test]
    fn a_small_leak_harms_nothing() {
        assert!(overloaded(OUTPUT, "C1", Mode::Leaky, 9e7).is_empty());
    }
}
