//! Numbers, failures and readings in the words of the trade.

use deadstage_circuit::{Network, Situation};
use deadstage_netlist::{
    Bound, OHMMETER_REACH, PartId, PartKind, Stage, engineering, without_signed_zero,
};
use deadstage_parts::Mode;

use crate::failure::{Action, Failure};
use crate::observe::{Observation, Scale};

/// Below this a voltage is called none, volts.
const NO_VOLTS: f64 = 0.005;

/// Volts as on a print: `248 V`, `0.05 V`, `0 V`.
pub(crate) fn volts(value: f64) -> String {
    if value.abs() < NO_VOLTS {
        "0 V".to_owned()
    } else if value.abs() < 0.9995 {
        format!("{value:.2} V")
    } else {
        engineering(value, "V")
    }
}

/// Ohms; past an ohmmeter's reach there is no reading.
pub(crate) fn ohms(value: f64) -> String {
    if value.is_nan() || value > OHMMETER_REACH {
        "no reading".to_owned()
    } else if value < 0.5 {
        "under 1 Ω".to_owned()
    } else {
        engineering(value, "Ω")
    }
}

/// A number that was read or should be, with its unit.
pub(crate) fn in_unit(stage: &Stage, observation: &Observation, value: f64) -> String {
    match observation.kind {
        "volts" => volts(value),
        "ohms" => ohms(value),
        _ => {
            let unit = unit_of(stage, observation);
            match unit {
                "A" => engineering(value, "A"),
                unit => format!("{} {unit}", three_digits(value))
                    .trim_end()
                    .to_owned(),
            }
        }
    }
}

/// Unit of an observation's numbers: of a panel meter, that of its scale.
pub(crate) fn unit_of<'s>(stage: &'s Stage, observation: &Observation) -> &'s str {
    match (observation.kind, observation.panel) {
        ("volts", _) => "V",
        ("ohms", _) => "Ω",
        (_, Some(meter)) => match &stage.part(meter).kind {
            PartKind::Meter {
                scale: Some(scale), ..
            } => &scale.unit,
            _ => "A",
        },
        _ => "A",
    }
}

fn three_digits(value: f64) -> String {
    let decimals = if value.abs() >= 99.95 {
        0
    } else if value.abs() >= 9.995 {
        1
    } else {
        2
    };
    without_signed_zero(&format!("{value:.decimals$}")).to_owned()
}

/// What was read, with its bound.
pub(crate) fn read(stage: &Stage, observation: &Observation) -> String {
    let number = in_unit(stage, observation, observation.read);
    match observation.bound {
        Bound::Exact => number,
        Bound::Above if observation.kind == "ohms" && observation.read >= OHMMETER_REACH => {
            "no reading".to_owned()
        }
        Bound::Above => format!("above {number}"),
        Bound::Below => format!("below {number}"),
    }
}

/// A compared value back in the unit of the reading, in words.
pub(crate) fn compared(stage: &Stage, observation: &Observation, value: f64) -> String {
    let value = match observation.scale {
        Scale::Plain => value,
        Scale::Log => value.exp(),
    };
    in_unit(stage, observation, value)
}

/// Where it was read: `plate1`, `ohms across R3`, `grid2 with V2 pulled`.
pub(crate) fn place(stage: &Stage, observation: &Observation, situation: &Situation) -> String {
    let mut said = match observation.kind {
        "volts" | "amps" => observation.label.clone(),
        kind => format!("{kind} {}", observation.label),
    };
    if let Some(with) = with(stage, situation) {
        said.push_str(" with ");
        said.push_str(&with);
    }
    match observation.ago {
        0 => {}
        1 => said.push_str(" before the last repair"),
        ago => said.push_str(&format!(" before the last {ago} repairs")),
    }
    said
}

/// What is out of its socket or has a lead off, or a current from outside: `V2 pulled, C2 lifted`, `80 mA on the bench`.
pub(crate) fn with(stage: &Stage, situation: &Situation) -> Option<String> {
    let mut said: Vec<String> = Vec::new();
    for (parts, word) in [(&situation.pulled, "pulled"), (&situation.lifted, "lifted")] {
        for &part in parts {
            let one = format!("{} {word}", stage.part(part).name);
            // Sections of one bottle come out together.
            if !said.contains(&one) {
                said.push(one);
            }
        }
    }
    if let Some(bench) = situation.bench {
        said.push(format!("{} on the bench", engineering(bench.amps, "A")));
    }
    (!said.is_empty()).then(|| said.join(", "))
}

/// Designator, with the section where only one of the bottle is meant.
pub(crate) fn part(stage: &Stage, id: PartId, section: Option<u8>) -> String {
    let name = &stage.part(id).name;
    match section {
        Some(section) => format!("{name} section {section}"),
        None => name.clone(),
    }
}

/// A failure: `R3 open`, `R4 high (about 120 kΩ)`, `V1 poor contact at the cathode pin`.
pub(crate) fn failure(stage: &Stage, network: &Network, failure: &Failure, u: f64) -> String {
    let mut said = format!(
        "{} {}",
        part(stage, failure.part, failure.section),
        failure.phrase(stage)
    );
    if let Some(place) = failure.place {
        said.push(' ');
        if failure.mode == Mode::Open {
            said.push_str("in ");
        }
        said.push_str(place);
    }
    if let Some(size) = size(network, failure, u) {
        said.push_str(&format!(" ({size})"));
    }
    if !failure.stretch.is_now() {
        said.push_str(" until replaced");
    }
    said
}

/// How far a failure goes, where that is worth saying.
fn size(network: &Network, failure: &Failure, u: f64) -> Option<String> {
    if !failure.range.is_open()
        || matches!(
            failure.mode,
            Mode::Open | Mode::Short | Mode::GridCathodeShort
        )
    {
        return None;
    }
    let value = failure.range.value(u);
    let per_cent = || format!("at about {:.0} %", 100.0 * value);
    Some(match &failure.action {
        Action::Ratio(elements) => {
            let nominal: f64 = elements.iter().map(|&e| network.element(e).ohms).sum();
            format!("about {}", engineering(value * nominal, "Ω"))
        }
        Action::Ohms(_)
        | Action::Series(_)
        | Action::Filament(..)
        | Action::Shunt(..)
        | Action::Pin(..) => {
            format!("about {}", engineering(value, "Ω"))
        }
        Action::Perveance(_) if failure.place.is_some() => format!("emission {}", per_cent()),
        Action::SourceRatio(_)
        | Action::Volts(_)
        | Action::Perveance(_)
        | Action::Indication(_) => per_cent(),
        Action::Gas(_) => format!(
            "grid current about 1/{:.0} of the plate current",
            1.0 / value
        ),
        Action::FixedPerveance(..)
        | Action::Absent(_)
        | Action::SideDead(_)
        | Action::NoReservoir(_)
        | Action::SourceDead(_)
        | Action::Stuck(..)
        | Action::TapOpen(_)
        | Action::Armature(..) => return None,
    })
}

/// Names as English lists them: `a`, `a and b`, `a, b and c`.
pub(crate) fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [front @ .., last] => format!("{} and {last}", front.join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn small_voltages_and_wide_resistances_are_said_plainly() {
        assert_eq!(volts(0.0004), "0 V");
        assert_eq!(volts(-0.052), "-0.05 V");
        assert_eq!(volts(0.9999), "1.00 V");
        assert_eq!(volts(248.2), "248 V");
        assert_eq!(ohms(f64::INFINITY), "no reading");
        assert_eq!(ohms(0.02), "under 1 Ω");
        assert_eq!(ohms(104_000.0), "104 kΩ");
    }

    #[test]
    fn lists_read_as_english() {
        let names: Vec<String> = ["a", "b", "c"].map(str::to_owned).to_vec();
        assert_eq!(listed(&names[..1]), "a");
        assert_eq!(listed(&names[..2]), "a and b");
        assert_eq!(listed(&names), "a, b and c");
    }
}
