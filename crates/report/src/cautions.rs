//! What must be said wherever dangerous voltages come up.

/// Volts against common above which the cautions are shown.
///
/// Safety rules for work on live equipment commonly begin here; local codes
/// may set it lower (common practice, no source).
pub const HAZARD_VOLTS: f64 = 50.0;

/// The cautions for a unit in which `highest_volts` occurs; empty below
/// [`HAZARD_VOLTS`]. A voltage that is not known counts as dangerous.
pub fn cautions(highest_volts: f64) -> Vec<String> {
    if highest_volts.abs() <= HAZARD_VOLTS {
        return Vec::new();
    }
    let reach = if highest_volts.is_finite() {
        format!(
            "Up to about {:.0} V in this unit: it can kill, also after switch-off.",
            highest_volts.abs()
        )
    } else {
        "This unit may hold voltages that can kill, also after switch-off.".to_owned()
    };
    vec![
        reach,
        "Work on it only if you are qualified, and not alone. Local electrical codes and licensed practice come before anything said here.".to_owned(),
        "Before touching: plug out, bleed every filter capacitor through a resistor, then prove it empty with a meter. A bleeder may be open.".to_owned(),
        "Live readings: clip the common lead first, probe with one hand and keep the other away from the chassis. Feed a set that has no mains transformer through an isolation transformer.".to_owned(),
        "Ohms, lifted leads and pulled tubes: only with the power off and the capacitors proved empty.".to_owned(),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cautions_begin_above_fifty_volts() {
        assert!(cautions(12.6).is_empty());
        assert!(cautions(50.0).is_empty());
        let said = cautions(-61.0).join("\n");
        assert!(said.contains("61 V"));
        for word in ["qualified", "one hand", "isolation", "codes", "bleed"] {
            assert!(said.contains(word), "{word} is missing");
        }
        assert!(!cautions(f64::NAN).is_empty());
    }
}
