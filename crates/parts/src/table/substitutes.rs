//! Which types go into the socket that a type is taken from, and what would differ.
//!
//! A type goes in where it has the same kinds of unit on the same base, and no
//! plate, grid, screen or heater on a pin that means something else. What is left
//! over (a cathode on the suppressor's pin, a pin that was free) is told pin by pin.

use std::collections::{BTreeMap, BTreeSet};

use super::{Electrode, Heater, HeaterTap, Pin, TubeTable, TubeType, Unit, UnitKind};
use crate::device::{Condition, PortCurrents};
use crate::tube::{LawForm, OperatingPoint, TubeKind};

/// Share by which two heater voltages may differ and count as one.
const HEATER_ALIKE: f64 = 0.06;

/// What a pin is in a bottle.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum PinUse {
    /// An electrode.
    Electrode(Electrode),
    /// An end of the heater or filament.
    Heater,
    /// The heater's tap.
    HeaterTap,
}

impl PinUse {
    /// Its name in reports.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Electrode(electrode) => electrode.name(),
            Self::Heater => "heater",
            Self::HeaterTap => "heater tap",
        }
    }

    /// Whether current or signal hangs on it, so that it cannot be swapped for another use.
    fn works(self) -> bool {
        !matches!(
            self,
            Self::HeaterTap
                | Self::Electrode(
                    Electrode::Cathode
                        | Electrode::Suppressor
                        | Electrode::Shield
                        | Electrode::Shell
                        | Electrode::Jumper
                )
        )
    }
}

/// A pin that means one thing in one type and another thing, or nothing, in the other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PinDifference {
    /// Which.
    pub pin: Pin,
    /// What the socket is wired for.
    pub was: Option<PinUse>,
    /// What the other type has there.
    pub is: Option<PinUse>,
}

/// What a unit does where its like is used: amplifying units at the working point
/// of the type that is replaced, rectifiers at its published current.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Figures {
    /// Plate current, amperes.
    pub plate_amps: Option<f64>,
    /// Grid-to-plate transconductance, siemens.
    pub gm: Option<f64>,
    /// Grid-to-plate amplification factor.
    pub mu: Option<f64>,
    /// Drop of a rectifier or diode, volts.
    pub drop_volts: Option<f64>,
    /// Maintaining voltage of a regulator, volts.
    pub maintained_volts: Option<f64>,
}

/// A type that goes into another's socket.
#[derive(Clone, Debug)]
pub struct Substitute<'t> {
    /// The type.
    pub tube: &'t TubeType,
    /// Whether its heater takes the same voltage on the same pins.
    pub heater_fits: bool,
    /// Pins that it uses otherwise.
    pub pins: Vec<PinDifference>,
    /// What its first unit does there.
    pub figures: Figures,
    /// How far it is from the type that it replaces, as sums of logarithms: 0 for the same.
    distance: f64,
}

/// The working point that two types are compared at: the richest one that the
/// first unit is run at by its sheet.
#[must_use]
pub fn working_point(tube: &TubeType) -> Option<OperatingPoint> {
    let unit = tube.units.first()?;
    let richest = |momentary: bool| {
        unit.points
            .iter()
            .filter(|p| p.momentary == momentary)
            .map(|p| p.point)
            .filter(|point| point.plate_amps.is_some_and(|amps| amps > 0.0))
            .max_by(|a, b| watts(a).total_cmp(&watts(b)))
    };
    richest(false).or_else(|| richest(true))
}

fn watts(point: &OperatingPoint) -> f64 {
    point.plate_volts * point.plate_amps.unwrap_or(0.0)
}

/// What the first unit of `tube` does where that of `like` is used.
#[must_use]
pub fn figures(tube: &TubeType, like: &TubeType) -> Figures {
    let (Some(unit), Some(model)) = (tube.units.first(), like.units.first()) else {
        return Figures::default();
    };
    match unit.kind {
        UnitKind::Amplifier(_) => amplifier(unit, like),
        UnitKind::Diode | UnitKind::Rectifier => Figures {
            drop_volts: model.drop.and_then(|at| {
                let perveance = unit.diode_perveance()?;
                Some((at.amps / perveance).powf(2.0 / 3.0))
            }),
            ..Figures::default()
        },
        UnitKind::GasRectifier => Figures {
            drop_volts: unit.drop.map(|drop| drop.volts),
            ..Figures::default()
        },
        UnitKind::Regulator => Figures {
            maintained_volts: unit.glow.map(|glow| glow.volts),
            ..Figures::default()
        },
    }
}

fn amplifier(unit: &Unit, like: &TubeType) -> Figures {
    let (Some(point), Some(law)) = (working_point(like), unit.tube_law(LawForm::default())) else {
        return Figures::default();
    };
    let PortCurrents { amps, siemens } = law.currents(&point.volts(), &Condition::default());
    let (gm, gp) = (siemens[0][1], siemens[0][0]);
    let screened = law.kind().has_screen();
    Figures {
        plate_amps: Some(amps[0]),
        gm: Some(gm),
        // That of a screen-grid tube says little.
        mu: (!screened && gp > 0.0).then(|| gm / gp),
        ..Figures::default()
    }
}

impl TubeTable {
    /// The other types that go into the socket of `tube`, those whose heater fits
    /// first, and of these the likest first.
    #[must_use]
    pub fn substitutes(&self, tube: &TubeType) -> Vec<Substitute<'_>> {
        if !tube.base.is_a_socket() {
            return Vec::new();
        }
        let own = figures(tube, tube);
        let mut found: Vec<Substitute<'_>> = self
            .types
            .iter()
            .filter(|other| other.name != tube.name && other.base == tube.base)
            .filter_map(|other| {
                let pins = pin_differences(tube, other)?;
                let figures = figures(other, tube);
                let heater_fits = heater_fits(tube.heater.as_ref(), other.heater.as_ref());
                Some(Substitute {
                    tube: other,
                    heater_fits,
                    distance: distance(&own, &figures)
                        + heater_distance(tube, other)
                        + 0.1 * pins.len() as f64,
                    pins,
                    figures,
                })
            })
            .collect();
        found.sort_by(|a, b| {
            (b.heater_fits.cmp(&a.heater_fits)).then(a.distance.total_cmp(&b.distance))
        });
        found
    }
}

/// Kinds that may stand for each other as far as the socket goes.
fn family(kind: UnitKind) -> u8 {
    match kind {
        UnitKind::Amplifier(TubeKind::Triode) => 0,
        UnitKind::Amplifier(TubeKind::Heptode) => 1,
        UnitKind::Amplifier(_) => 2,
        UnitKind::Diode => 3,
        UnitKind::Rectifier | UnitKind::GasRectifier => 4,
        UnitKind::Regulator => 5,
    }
}

/// Uses of the pins, working ones with the unit that they belong to.
fn uses(tube: &TubeType) -> BTreeMap<Pin, (PinUse, usize)> {
    let mut uses = BTreeMap::new();
    if let Some(heater) = &tube.heater {
        for (index, pin) in heater.pins.iter().enumerate() {
            let is = if index < 2 {
                PinUse::Heater
            } else {
                PinUse::HeaterTap
            };
            uses.insert(*pin, (is, 0));
        }
    }
    for (number, unit) in tube.units.iter().enumerate() {
        // Detector diodes may stand for each other.
        let unit_number = match unit.kind {
            UnitKind::Diode => usize::MAX,
            _ => number,
        };
        for (electrode, pins) in &unit.pins {
            for pin in pins {
                // The filament's end that is its cathode stays a heater pin.
                let heater = matches!(uses.get(pin), Some((PinUse::Heater | PinUse::HeaterTap, _)));
                if !heater {
                    uses.insert(*pin, (PinUse::Electrode(*electrode), unit_number));
                }
            }
        }
    }
    uses
}

/// The pins that differ; `None` where `other` does not go into the socket of `tube`.
fn pin_differences(tube: &TubeType, other: &TubeType) -> Option<Vec<PinDifference>> {
    let kinds = |t: &TubeType| t.units.iter().map(|u| family(u.kind)).collect::<Vec<_>>();
    if kinds(tube) != kinds(other)
        || directly_heated(tube) != directly_heated(other) && is_amplifier(tube)
    {
        return None;
    }
    let (old, new) = (uses(tube), uses(other));
    let working = |uses: &BTreeMap<Pin, (PinUse, usize)>| -> BTreeSet<(PinUse, usize)> {
        let all = uses.values().filter(|(is, _)| is.works());
        all.copied().collect()
    };
    if working(&old) != working(&new) {
        return None;
    }
    for role in working(&old) {
        let shared = old
            .iter()
            .any(|(pin, is)| *is == role && new.get(pin) == Some(&role));
        if !shared {
            return None;
        }
    }
    let mut differences = Vec::new();
    let pins: BTreeSet<Pin> = old.keys().chain(new.keys()).copied().collect();
    for pin in pins {
        let (was, is) = (old.get(&pin), new.get(&pin));
        if was == is {
            continue;
        }
        if let (Some((was, _)), Some((is, _))) = (was, is) {
            if was == is && !was.works() {
                continue;
            }
            if was.works() || is.works() {
                return None;
            }
        }
        differences.push(PinDifference {
            pin,
            was: was.map(|(was, _)| *was),
            is: is.map(|(is, _)| *is),
        });
    }
    Some(differences)
}

fn is_amplifier(tube: &TubeType) -> bool {
    matches!(
        tube.units.first().map(|u| u.kind),
        Some(UnitKind::Amplifier(_))
    )
}

/// Whether a cathode of the bottle is an end of its filament.
fn directly_heated(tube: &TubeType) -> bool {
    tube.units.iter().any(|unit| tube.has_filament(unit))
}

impl TubeType {
    /// Whether the unit's cathode is the filament.
    #[must_use]
    pub fn has_filament(&self, unit: &Unit) -> bool {
        let heater_pins = self.heater.as_ref().map(|heater| heater.pins.as_slice());
        unit.pins.get(&Electrode::Cathode).is_some_and(|pins| {
            pins.iter()
                .any(|pin| heater_pins.unwrap_or_default().contains(pin))
        })
    }
}

/// Whether the second heater takes what the pins of the first are fed with.
fn heater_fits(old: Option<&Heater>, new: Option<&Heater>) -> bool {
    match (old, new) {
        (None, None) => true,
        (Some(old), Some(new)) => {
            let ends =
                |heater: &Heater| heater.pins.iter().take(2).copied().collect::<BTreeSet<_>>();
            let tapped = |heater: &Heater| heater.tap.is_some();
            ends(old) == ends(new)
                && (new.volts / old.volts - 1.0).abs() < HEATER_ALIKE
                && (tapped(new) || !matches!(old.tap, Some(HeaterTap::Lamp(_))))
        }
        _ => false,
    }
}

fn apart(old: Option<f64>, new: Option<f64>) -> f64 {
    match (old, new) {
        (Some(old), Some(new)) if old > 0.0 && new > 0.0 => (new / old).ln().abs(),
        (Some(_), None) | (None, Some(_)) => 1.0,
        _ => 0.0,
    }
}

fn distance(old: &Figures, new: &Figures) -> f64 {
    apart(old.plate_amps, new.plate_amps)
        + apart(old.gm, new.gm)
        + apart(old.mu, new.mu)
        + apart(old.drop_volts, new.drop_volts)
        // A regulator for another voltage is no substitute at all.
        + 10.0 * apart(old.maintained_volts, new.maintained_volts)
}

fn heater_distance(old: &TubeType, new: &TubeType) -> f64 {
    let watts = |tube: &TubeType| tube.heater.as_ref().map(|h| h.volts * h.amps);
    0.5 * apart(watts(old), watts(new))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::table::tube_table;

    fn fitting(name: &str) -> Vec<(String, bool, Vec<PinDifference>)> {
        let table = tube_table();
        let tube = table.find(name).unwrap_or_else(|| panic!("{name}"));
        let found = table.substitutes(tube).into_iter();
        found
            .map(|s| (s.tube.name.clone(), s.heater_fits, s.pins))
            .collect()
    }

    fn place(name: &str, of: &str) -> Option<usize> {
        fitting(of).iter().position(|(found, ..)| found == name)
    }

    // Substitutions of common practice, no source: what a bench swaps, and what it must not.
    #[test]
    fn what_a_bench_swaps_goes_in_and_the_likest_stands_first() {
        assert_eq!(place("12AD7", "12AX7"), Some(0));
        assert!(place("5751", "12AX7") < place("12AU7", "12AX7"));
        assert!(place("12AT7", "12AX7").is_some());
        assert_eq!(place("6SN7GTB", "6SN7"), Some(0));
        assert!(place("6SL7", "6SN7").is_some());
        assert!(place("5U4", "5Y3").is_some());
        assert!(place("0B2", "0A2").is_some());
        for (one, of) in [
            ("5687", "12AX7"),
            ("6V6", "6SN7"),
            ("6F6", "7591A"),
            ("5Y4", "5Y3"),
            ("6AQ5", "6AK6"),
            ("EL84", "6973"),
        ] {
            assert_eq!(place(one, of), None, "{one} for a {of}");
        }
    }

    #[test]
    fn a_heater_for_other_volts_does_not_fit_and_stands_behind() {
        let found = fitting("6SN7");
        let fits = |name: &str| found.iter().find(|(n, ..)| n == name).map(|(_, f, _)| *f);
        assert_eq!(fits("12SN7"), Some(false));
        assert_eq!(fits("6SL7"), Some(true));
        let behind = found.iter().skip_while(|(_, fits, _)| *fits);
        assert!(behind.clone().count() > 0);
        assert!(behind.into_iter().all(|(_, fits, _)| !fits));
        // Six volts between the ends of a heater for twice as many.
        let found = fitting("12AX7");
        assert!(found.iter().any(|(n, fits, _)| n == "6CG7" && !fits));
    }

    #[test]
    fn pins_that_differ_are_told() {
        let found = fitting("6L6");
        let of = |name: &str| {
            found
                .iter()
                .find(|(n, ..)| n == name)
                .map(|(.., p)| p.clone())
        };
        let el34 = of("EL34").unwrap_or_default();
        assert_eq!(
            el34,
            [PinDifference {
                pin: Pin::Number(1),
                was: Some(PinUse::Electrode(Electrode::Shell)),
                is: Some(PinUse::Electrode(Electrode::Suppressor)),
            }]
        );
        assert_eq!(of("6L6GC"), Some(Vec::new()));
    }

    #[test]
    fn every_type_has_figures_at_its_own_working_point() {
        for tube in tube_table().types() {
            let own = figures(tube, tube);
            let told = own.plate_amps.or(own.drop_volts).or(own.maintained_volts);
            let few = working_point(tube).is_none() && tube.called.is_none();
            assert!(told.is_some_and(f64::is_finite) || few, "{}", tube.name);
            for other in tube_table().substitutes(tube) {
                assert_eq!(other.tube.base, tube.base);
                assert!(
                    other.distance.is_finite(),
                    "{} {}",
                    tube.name,
                    other.tube.name
                );
            }
        }
    }
}
