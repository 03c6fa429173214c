//! The types that a drawn circuit is made of: every one of the tube table, with
//! a published point to design about.

use std::sync::LazyLock;

use deadstage_circuit::tube_names;
use deadstage_netlist::Electrode;
use deadstage_parts::table::Glow;
use deadstage_parts::{LawForm, UnitKind, tube_table};

/// An amplifying unit of the table, and the published point of its greatest current.
#[derive(Clone, Debug)]
pub struct Unit {
    /// The type, as a stage file names it.
    pub name: String,
    /// Its other names.
    pub aliases: Vec<String>,
    /// Section of its bottle, from 1.
    pub section: usize,
    /// Sections of that bottle which are like it, itself among them.
    pub alike: Vec<usize>,
    /// Electrodes to be wired.
    pub electrodes: Vec<Electrode>,
    /// Plate, volts.
    pub plate: f64,
    /// Grid, volts.
    pub grid: f64,
    /// Screen, volts; 0 of a triode.
    pub screen: f64,
    /// Plate current, A.
    pub amps: f64,
    /// Screen current, A.
    pub screen_amps: f64,
}

impl Unit {
    /// Whether it has a screen.
    #[must_use]
    pub fn has_screen(&self) -> bool {
        self.electrodes.contains(&Electrode::Screen)
    }

    /// Resistor in its cathode that gives the published bias at `amps`, ohms.
    #[must_use]
    pub fn bias_ohms(&self, amps: f64) -> f64 {
        self.grid.abs().max(0.5) / amps
    }
}

/// A type with two ends.
#[derive(Clone, Debug)]
pub struct TwoEnded {
    /// As a stage file names it.
    pub name: String,
    /// Its other names.
    pub aliases: Vec<String>,
    /// Greatest current, A.
    pub most_amps: f64,
    /// Figures of a gas regulator.
    pub glow: Option<Glow>,
}

fn units(of: impl Fn(&Unit) -> bool) -> Vec<Unit> {
    let names = tube_names();
    let mut units = Vec::new();
    for tube in tube_table().types() {
        let Some(written) = names.find(&tube.name) else {
            continue;
        };
        for (index, unit) in tube.units.iter().enumerate() {
            if !matches!(unit.kind, UnitKind::Amplifier(_)) || unit.fit(LawForm::TwoPitch).is_err()
            {
                continue;
            }
            let points = unit.points.iter().map(|p| &p.point);
            let Some((point, amps)) = points
                .filter_map(|p| Some((p, p.plate_amps.or(p.cathode_amps)?)))
                .max_by(|a, b| a.1.total_cmp(&b.1))
            else {
                continue;
            };
            // An electrode may come out at two pins.
            let electrodes_of = |index: usize| {
                let mut list: Vec<Electrode> =
                    written.units[index].iter().map(|(e, _)| *e).collect();
                list.dedup();
                list
            };
            let alike = (0..tube.units.len())
                .filter(|&other| tube.units[other].kind == unit.kind)
                .filter(|&other| electrodes_of(other) == electrodes_of(index))
                .map(|other| other + 1)
                .collect();
            let unit = Unit {
                name: tube.name.clone(),
                aliases: tube.aliases.clone(),
                section: index + 1,
                alike,
                electrodes: electrodes_of(index),
                plate: point.plate_volts,
                grid: point.grid_volts,
                screen: point.screen_volts,
                amps,
                screen_amps: point.screen_amps.unwrap_or(0.25 * amps),
            };
            if of(&unit) {
                units.push(unit);
            }
        }
    }
    units
}

/// Units without a screen.
pub static TRIODES: LazyLock<Vec<Unit>> = LazyLock::new(|| units(|unit| !unit.has_screen()));

/// Pentodes, beam tubes, heptodes.
pub static SCREENED: LazyLock<Vec<Unit>> = LazyLock::new(|| units(Unit::has_screen));

/// Triodes of a bottle with two alike.
pub static TWINS: LazyLock<Vec<Unit>> =
    LazyLock::new(|| units(|unit| !unit.has_screen() && unit.alike.len() > 1));

/// Units, of either sort, that pass 15 mA or more.
pub static POWER: LazyLock<Vec<Unit>> = LazyLock::new(|| units(|unit| unit.amps >= 0.015));

fn two_ended(kinds: &[UnitKind], most_amps: f64) -> impl Iterator<Item = TwoEnded> {
    tube_table().types().iter().filter_map(move |tube| {
        let unit = tube.units.first()?;
        let most_amps = match (unit.glow, unit.ratings.dc_amps) {
            (Some(glow), _) => glow.most_amps,
            (None, Some(rated)) => rated,
            (None, None) => most_amps,
        };
        kinds.contains(&unit.kind).then(|| TwoEnded {
            name: tube.name.clone(),
            aliases: tube.aliases.clone(),
            most_amps,
            glow: unit.glow,
        })
    })
}

fn solid(name: &str, most_amps: f64) -> TwoEnded {
    TwoEnded {
        name: name.to_owned(),
        aliases: Vec::new(),
        most_amps,
        glow: None,
    }
}

/// What a `diode` statement takes.
pub static DIODES: LazyLock<Vec<TwoEnded>> = LazyLock::new(|| {
    let small = two_ended(&[UnitKind::Diode], 0.01);
    small
        .chain(two_ended(
            &[UnitKind::Rectifier, UnitKind::GasRectifier],
            0.05,
        ))
        .chain([
            solid("silicon", 0.2),
            solid("germanium", 0.02),
            solid("selenium", 0.1),
        ])
        .collect()
});

/// What a `rectifier` statement takes.
pub static RECTIFIERS: LazyLock<Vec<TwoEnded>> = LazyLock::new(|| {
    two_ended(&[UnitKind::Rectifier, UnitKind::GasRectifier], 0.05)
        .chain([solid("silicon", 0.2), solid("selenium", 0.1)])
        .collect()
});

/// Gas regulators.
pub static REGULATORS: LazyLock<Vec<TwoEnded>> =
    LazyLock::new(|| two_ended(&[UnitKind::Regulator], 0.03).collect());
