//! How often the parts of one stage are bad before anything is read: the
//! table's rates, and what the owner of the unit knows better.

use deadstage_circuit::class_of;
use deadstage_netlist::{
    self as netlist, Diagnostic, Often, Parsed, PartId, PartKind, RateOf, RateWords,
    RectifierConnection, Stage, TubeNames,
};
use deadstage_parts::{
    self as parts, FailureRow, Mode, PartClass, RateProfile, composition_drift_factor,
};

/// However often it fails, a part is not taken to be bad for more than this:
/// the readings must be able to clear it.
const MOST: f64 = 0.95;

/// A shunt is of another value so many times as often as any other resistor:
/// it was made up for a meter that is no longer there, or wound by eye (common practice, no source).
const WRONG_SHUNT: f64 = 15.0;

/// Words for several classes at once, as a stage file has them.
const FAMILIES: [(&str, &[PartClass]); 7] = [
    (
        "resistor",
        &[
            PartClass::CompositionResistor,
            PartClass::FilmResistor,
            PartClass::WirewoundResistor,
        ],
    ),
    (
        "capacitor",
        &[
            PartClass::PaperCapacitor,
            PartClass::MicaCapacitor,
            PartClass::CeramicCapacitor,
            PartClass::FilmCapacitor,
            PartClass::ElectrolyticCapacitor,
            PartClass::OilCapacitor,
        ],
    ),
    (
        "diode",
        &[
            PartClass::VacuumDiode,
            PartClass::SolidDiode,
            PartClass::SeleniumDiode,
        ],
    ),
    (
        "rectifier",
        &[PartClass::Rectifier, PartClass::SiliconRectifier],
    ),
    ("regulator", &[PartClass::Regulator]),
    ("contact", &[PartClass::Contact]),
    ("meter", &[PartClass::PanelMeter]),
];

/// The published or customary rates to start from, and their names.
const PROFILES: [(&str, RateProfile); 2] = [
    ("in-service", RateProfile::InService),
    ("decades-old", RateProfile::DecadesOld),
];

/// Base rates: one set of the table, and changes to it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Rates {
    /// Which set of the table.
    pub profile: RateProfile,
    /// Changes for kinds and single parts, made in this order.
    pub changes: Vec<RateChange>,
}

/// A change to the base rates.
#[derive(Clone, Debug, PartialEq)]
pub struct RateChange {
    /// What it is about.
    pub of: Changed,
    /// The ways to fail that it is about; all if there is none.
    pub modes: Vec<Mode>,
    /// How often these parts are bad in these ways.
    pub often: Often,
}

/// What a change of rates is about.
#[derive(Clone, Debug, PartialEq)]
pub enum Changed {
    /// Every part of these classes.
    Classes(Vec<PartClass>),
    /// These parts.
    Parts(Vec<PartId>),
}

impl Changed {
    fn is_about(&self, id: PartId, class: PartClass) -> bool {
        match self {
            Self::Classes(classes) => classes.contains(&class),
            Self::Parts(parts) => parts.contains(&id),
        }
    }

    /// Classes of the parts it is about.
    fn classes(&self, stage: &Stage) -> Vec<PartClass> {
        match self {
            Self::Classes(classes) => classes.clone(),
            Self::Parts(parts) => parts
                .iter()
                .map(|&id| class_of(&stage.part(id).kind))
                .collect(),
        }
    }
}

impl RateChange {
    fn is_about(&self, row: &FailureRow) -> bool {
        self.modes.is_empty() || self.modes.contains(&row.mode)
    }
}

impl Rates {
    /// Names of the table's own sets of rates.
    pub fn names() -> impl Iterator<Item = &'static str> {
        PROFILES.iter().map(|(name, _)| *name)
    }

    /// The table's own set of that name, unchanged.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        let (_, profile) = PROFILES.iter().find(|(known, _)| *known == name)?;
        Some(Self {
            profile: *profile,
            changes: Vec::new(),
        })
    }

    /// Every way in which a part fails, with its probability.
    pub(crate) fn of(&self, stage: &Stage, id: PartId) -> Vec<(&'static FailureRow, f64)> {
        let kind = &stage.part(id).kind;
        let class = class_of(kind);
        let rate = parts::rate(class, self.profile);
        // A share on the mode that drifts with the value moves the others by what it takes.
        let drift = match kind {
            PartKind::Resistor { ohms, .. } if class == PartClass::CompositionResistor => {
                composition_drift_factor(ohms.0)
            }
            _ => 1.0,
        };
        // A half-wave circuit has one side: that dead, it is dead.
        let one_side = half_wave(kind);
        let (side, table) = parts::failures(class)
            .iter()
            .partition::<Vec<_>, _>(|row| one_side && row.mode == Mode::SideDead);
        let side: f64 = side.iter().map(|row| row.share).sum();
        let weight = |row: &FailureRow| match row.mode {
            Mode::High => row.share * drift,
            Mode::Dead => row.share + side,
            _ => row.share,
        };
        let shunt = is_shunt(stage, kind);
        let made_up = |row: &FailureRow| match row.mode {
            Mode::High | Mode::Low if shunt => WRONG_SHUNT,
            _ => 1.0,
        };
        let total: f64 = table.iter().copied().map(weight).sum();
        let mut rows: Vec<(&FailureRow, f64)> = table
            .into_iter()
            .map(|row| (row, (rate * weight(row) / total * made_up(row)).min(MOST)))
            .collect();
        for change in self.changes.iter().filter(|c| c.of.is_about(id, class)) {
            let before: f64 = rows
                .iter()
                .filter(|(row, _)| change.is_about(row))
                .map(|(_, p)| p)
                .sum();
            let factor = match change.often {
                Often::Times(times) => times,
                Often::Probability(p) if before > 0.0 => p / before,
                Often::Probability(_) => 0.0,
            };
            for (_, p) in rows.iter_mut().filter(|(row, _)| change.is_about(row)) {
                *p *= factor;
            }
        }
        let all: f64 = rows.iter().map(|(_, p)| p).sum();
        if all > MOST {
            for (_, p) in &mut rows {
                *p *= MOST / all;
            }
        }
        rows
    }

    /// Probability that a part is bad in any way.
    pub(crate) fn of_any(&self, stage: &Stage, id: PartId) -> f64 {
        self.of(stage, id).iter().map(|(_, p)| p).sum()
    }
}

/// Whether a resistor lies right across a panel meter.
pub(crate) fn is_shunt(stage: &Stage, kind: &PartKind) -> bool {
    let PartKind::Resistor { from, to, .. } = *kind else {
        return false;
    };
    stage.parts.iter().any(|other| match other.kind {
        PartKind::Meter { from: a, to: b, .. } => (a, b) == (from, to) || (b, a) == (from, to),
        _ => false,
    })
}

/// Whether a rectifier has one side only.
fn half_wave(kind: &PartKind) -> bool {
    let half = RectifierConnection::HalfWave;
    matches!(kind, PartKind::Rectifier { connection, .. } if *connection == half)
}

/// Kinds of part as a rates file names them, with their classes.
fn kinds() -> Vec<(&'static str, Vec<PartClass>)> {
    let families = FAMILIES
        .iter()
        .map(|(name, classes)| (*name, classes.to_vec()));
    let classes = PartClass::ALL.map(|class| (class.name(), vec![class]));
    families.chain(classes).collect()
}

/// Ways to fail as a rates file names them: those of one word in an answer go together.
fn modes() -> Vec<(&'static str, Vec<Mode>)> {
    let mut list: Vec<(&'static str, Vec<Mode>)> = Vec::new();
    for mode in Mode::ALL {
        match list.iter_mut().find(|(name, _)| *name == mode.name()) {
            Some((_, modes)) => modes.push(mode),
            None => list.push((mode.name(), vec![mode])),
        }
    }
    list
}

/// Reads a rates file against the stage that it is for.
///
/// What could not be understood, and a way to fail that a part does not know, is reported in
/// [`Parsed::diagnostics`].
#[must_use]
pub fn parse_rates(name: &str, text: &str, stage: &Stage, names: &TubeNames) -> Parsed<Rates> {
    let (kinds, modes) = (kinds(), modes());
    let words = RateWords {
        profiles: Rates::names().collect(),
        kinds: kinds.iter().map(|(name, _)| *name).collect(),
        modes: modes.iter().map(|(name, _)| *name).collect(),
    };
    let mut parsed = netlist::parse_rates(name, text, stage, names, &words);
    let mut found = Vec::new();
    let mut changes = Vec::new();
    for line in std::mem::take(&mut parsed.value.lines) {
        let change = RateChange {
            of: match line.of {
                RateOf::Kind(kind) => Changed::Classes(kinds[kind].1.clone()),
                RateOf::Parts(parts) => Changed::Parts(parts),
            },
            modes: line
                .mode
                .map_or_else(Vec::new, |mode| modes[mode].1.clone()),
            often: line.often,
        };
        found.extend(odd(&change, line.span, stage));
        changes.push(change);
    }
    let profile = parsed
        .value
        .profile
        .map_or_else(RateProfile::default, |p| PROFILES[p].1);
    parsed.then(Rates { profile, changes }, found)
}

/// What is odd about a change that can be read.
fn odd(change: &RateChange, span: netlist::Span, stage: &Stage) -> Option<Diagnostic> {
    let rows: Vec<&FailureRow> = change
        .of
        .classes(stage)
        .into_iter()
        .flat_map(parts::failures)
        .collect();
    let own: Vec<&&FailureRow> = rows.iter().filter(|row| change.is_about(row)).collect();
    if own.is_empty() {
        let mut names: Vec<&str> = rows.iter().map(|row| row.mode.name()).collect();
        names.sort_unstable();
        names.dedup();
        return Some(
            Diagnostic::error("unknown-failure", span, "no such part fails so")
                .label("not a way in which it fails")
                .help(format!("it may be {}", names.join(", "))),
        );
    }
    own.iter().all(|row| !row.shows_at_dc).then(|| {
        Diagnostic::warning(
            "hidden-failure",
            span,
            "no reading at DC shows this failure: the line changes nothing",
        )
        .label("does not show at DC")
    })
}

#[cfg(test)]
mod tests;
