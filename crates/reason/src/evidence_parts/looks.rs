//! How probable it is that a part looks so, good, failed or overloaded.

use deadstage_netlist::Look;
use deadstage_parts::{Mode, PartClass};

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
pub(super) struct LookRow {
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
    pub(super) reason: &'static str,
}

/// How a look comes about without any failure of the part's own.
pub(super) struct LookBase {
    pub(super) look: Look,
    /// Probability that a good part in an old set looks so.
    good: f64,
    /// Probability that one driven far past its rating looks so.
    overloaded: f64,
    /// Probability that a failed part looks so, for every failure the table of looks does not name.
    failed: f64,
}

/// Common practice, no source.
pub(super) const BASES: [LookBase; 5] = [
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
pub(super) const LOOKS: [LookRow; 21] = [
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
pub(super) fn looks_so(
    look: Look,
    class: PartClass,
    modes: impl Iterator<Item = Mode>,
    ratio: f64,
) -> f64 {
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
