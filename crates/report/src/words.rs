//! Odds, failures and readings in words.

use crate::numbers;
use deadstage_netlist::Bound;
use deadstage_reason::{Does, StateMark};
use deadstage_reason::{FaultName, JudgedReading, Suspect};

/// A probability as a technician would say it.
pub(crate) fn odds(probability: f64) -> String {
    const STEPS: [(f64, &str); 14] = [
        (0.97, "nearly certain"),
        (0.85, "9 in 10"),
        (0.775, "4 in 5"),
        (0.71, "3 in 4"),
        (0.58, "2 in 3"),
        (0.42, "about even"),
        (0.29, "1 in 3"),
        (0.225, "1 in 4"),
        (0.15, "1 in 5"),
        (0.075, "1 in 10"),
        (0.04, "1 in 20"),
        (0.025, "1 in 30"),
        (0.015, "1 in 50"),
        (0.005, "1 in 100"),
    ];
    let said = STEPS.iter().find(|(at_least, _)| probability >= *at_least);
    said.map_or("remote", |(_, said)| said).to_owned()
}

/// A failure without its size: `R3 open`, `V1 section 2 weak`.
pub(crate) fn failed(fault: &FaultName) -> String {
    let mut said = fault.part.clone();
    if let Some(section) = fault.section {
        said.push_str(&format!(" section {section}"));
    }
    said.push(' ');
    said.push_str(fault.phrase);
    said
}

/// A failure: `R3 open`, `C2 leaky, about 120 kΩ`, `V1 section 2 weak, at about 40 %`.
pub(crate) fn fault(fault: &FaultName) -> String {
    let mut said = failed(fault);
    match fault.value {
        Some(value) if fault.mode == "gassy" => {
            said.push_str(&format!(
                ", gas current about {} of the plate current",
                numbers::small_share(value)
            ));
        }
        Some(value) if fault.unit.is_empty() => {
            said.push_str(&format!(", at about {}", numbers::per_cent(value)));
        }
        Some(value) => {
            said.push_str(&format!(", about {}", numbers::in_unit(value, fault.unit)));
        }
        None => {}
    }
    said
}

/// All failures of a suspect.
pub(crate) fn faults(suspect: &Suspect) -> String {
    let all: Vec<String> = suspect.faults.iter().map(fault).collect();
    all.join(" + ")
}

/// What was read: `248 V`, `> 300 V`.
pub(crate) fn read(reading: &JudgedReading) -> String {
    let number = numbers::in_unit(reading.read, &reading.unit);
    match reading.bound {
        Bound::Exact => number,
        Bound::Above => format!("> {number}"),
        Bound::Below => format!("< {number}"),
    }
}

/// Where it was read, with what was out or lifted.
pub(crate) fn place(point: &str, kind: &str, with: Option<&str>) -> String {
    let mut said = match kind {
        "volts" | "amps" => point.to_owned(),
        _ => format!("{kind} {point}"),
    };
    if let Some(with) = with {
        said.push_str(&format!(" with {with}"));
    }
    said
}

/// Where a reading of a sheet was taken, and whether on the unit as it now is.
pub(crate) fn place_of(reading: &JudgedReading) -> String {
    let mut said = place(&reading.point, reading.kind, reading.with.as_deref());
    said.push_str(&before(reading.repairs_since));
    said
}

/// When something was read: nothing of the unit as it now is, else ` before the last 2 repairs`.
pub(crate) fn before(repairs: usize) -> String {
    match repairs {
        0 => String::new(),
        1 => " before the last repair".to_owned(),
        repairs => format!(" before the last {repairs} repairs"),
    }
}

/// How far a reading is from a healthy one, in standard deviations; `None`
/// where a bound says nothing or there is no healthy number to compare.
pub(crate) fn spreads(reading: &JudgedReading) -> Option<f64> {
    if reading.healthy_sigma.is_nan()
        || reading.healthy_sigma <= 0.0
        || !reading.healthy.is_finite()
        || !reading.read.is_finite()
    {
        return None;
    }
    let off = (reading.read - reading.healthy) / reading.healthy_sigma;
    match reading.bound {
        Bound::Exact => Some(off),
        Bound::Above => Some(off.max(0.0)),
        Bound::Below => Some(off.min(0.0)),
    }
}

/// A list of names as English has it: `a`, `a and b`, `a, b and c`.
pub(crate) fn listed(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [front @ .., last] => format!("{} and {last}", front.join(", ")),
    }
}

/// What a state is known by, of a stage that may rest in several: "V1 conducts, V2 is held down".
pub(crate) fn state(marks: &[StateMark]) -> String {
    if marks.is_empty() {
        return "one of them".to_owned();
    }
    let told = marks.iter().map(|mark| {
        let does = match mark.does {
            Does::Conducts => "conducts",
            Does::IsHeldDown => "is held down",
            Does::PullsIn => "is pulled in",
            Does::Rests => "is at rest",
        };
        format!("{} {does}", mark.part)
    });
    told.collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(value: Option<f64>, unit: &'static str, mode: &'static str) -> FaultName {
        FaultName {
            part: "V1".to_owned(),
            section: None,
            mode,
            phrase: mode,
            value,
            unit,
        }
    }

    #[test]
    fn failures_carry_their_estimate_in_its_unit() {
        assert_eq!(fault(&named(None, "", "dead")), "V1 dead");
        assert_eq!(
            fault(&named(Some(0.4), "", "weak")),
            "V1 weak, at about 40 %"
        );
        assert_eq!(
            fault(&named(Some(22_000.0), "Ω", "heater-cathode leak")),
            "V1 heater-cathode leak, about 22 kΩ"
        );
        assert_eq!(
            fault(&named(Some(0.000_31), "", "gassy")),
            "V1 gassy, gas current about 0.031 % of the plate current"
        );
        let section = FaultName {
            section: Some(2),
            ..named(None, "", "dead")
        };
        assert_eq!(fault(&section), "V1 section 2 dead");
        let side = FaultName {
            phrase: "one side dead",
            ..named(None, "", "weak")
        };
        assert_eq!(fault(&side), "V1 one side dead");
    }

    #[test]
    fn odds_fall_with_the_probability() {
        assert_eq!(odds(0.99), "nearly certain");
        assert_eq!(odds(0.74), "3 in 4");
        assert_eq!(odds(0.5), "about even");
        assert_eq!(odds(0.2), "1 in 5");
        assert_eq!(odds(0.034), "1 in 30");
        assert_eq!(odds(0.0001), "remote");
    }

    #[test]
    fn a_bound_that_healthy_meets_is_not_off() {
        let mut reading = JudgedReading {
            point: "plate1".to_owned(),
            kind: "volts",
            with: None,
            read: 300.0,
            bound: Bound::Above,
            unit: "V".to_owned(),
            healthy: 350.0,
            healthy_sigma: 10.0,
            slip: 0.0,
            range_assumed: None,
            repairs_since: 0,
            times: 1,
        };
        assert_eq!(spreads(&reading), Some(0.0));
        assert_eq!(read(&reading), "> 300 V");
        reading.bound = Bound::Exact;
        assert_eq!(spreads(&reading), Some(-5.0));
        reading.healthy_sigma = 0.0;
        assert_eq!(spreads(&reading), None);
        assert_eq!(place_of(&reading), "plate1");
        reading.repairs_since = 2;
        assert_eq!(place_of(&reading), "plate1 before the last 2 repairs");
    }
}
