//! What is driven past a limit: heat, volts and amperes over a rating, each in
//! the words of the system that the rating is by.

use deadstage_circuit::{Change, DeviceChange, Scratch};
use deadstage_netlist::{Dielectric, Electrode, Part, PartId, PartKind};
use deadstage_parts::table::HeaterTap;
use deadstage_parts::{Device, RatingSystem, RectifierLaw, RegulatorLaw};

use super::View;
use super::remarks::quantity;
use crate::outcome::ChartPart;
use crate::ratings::{ALLOWED, Rated};

impl View<'_> {
    /// Parts past a limit in this state, in the order of the file.
    pub(crate) fn overloads(&self, parts: &[ChartPart]) -> Vec<String> {
        let mut said: Vec<String> = parts.iter().filter_map(over_rating).collect();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            match &part.kind {
                PartKind::Tube { .. } => said.extend(self.plates_together(id)),
                PartKind::Rectifier { .. } => said.extend(self.rectifier_limits(id)),
                PartKind::Regulator { .. } => said.extend(self.regulator_over(id)),
                PartKind::Potentiometer { .. } => said.extend(self.track_over(id, part)),
                PartKind::Capacitor { .. } => said.extend(self.volts_over(id, part)),
                _ => {}
            }
        }
        said
    }

    /// All plates of one bottle, said once, at its last section.
    fn plates_together(&self, id: PartId) -> Option<String> {
        let rating = Rated::of(self.stage, id)?.plates_watts()?;
        let name = &self.stage.part(id).name;
        let sections: Vec<PartId> = (0u32..)
            .map(PartId)
            .zip(&self.stage.parts)
            .filter(|(_, part)| part.name.eq_ignore_ascii_case(name))
            .map(|(section, _)| section)
            .filter(|section| {
                Rated::of(self.stage, *section).is_some_and(|rated| rated.plates_watts().is_some())
            })
            .collect();
        if sections.last() != Some(&id) || sections.len() < 2 {
            return None;
        }
        let watts: f64 = sections
            .iter()
            .map(|&section| self.plate_heat(section))
            .sum();
        (watts > ALLOWED * rating).then(|| {
            format!(
                "{name}: its plates turn {} into heat, over the {} that they bear together.",
                quantity(watts, "W"),
                quantity(rating, "W")
            )
        })
    }

    /// Heat of a tube's plate, watts.
    fn plate_heat(&self, id: PartId) -> f64 {
        let Some(device) = self.network.part(id).device else {
            return 0.0;
        };
        let electrodes = &self.network.device(device).electrodes;
        let plate = electrodes.iter().position(|e| *e == Electrode::Plate);
        plate.map_or(0.0, |port| self.port_heats(device)[port])
    }

    /// A rectifier tube that delivers more, stands off more or has higher peaks than its type may.
    fn rectifier_limits(&self, id: PartId) -> Vec<String> {
        let limits = || {
            let device = self.network.part(id).device?;
            let Device::Rectifier(law) = &self.network.device(device).law else {
                return None;
            };
            let rated = Rated::of(self.stage, id)?;
            Some((device, law, rated))
        };
        let Some((device, law, rated)) = limits() else {
            return Vec::new();
        };
        let name = &self.stage.part(id).name;
        let condition = &self.at.values().conditions[device.0 as usize];
        let delivered = -self.at.device_amps(device).first().copied().unwrap_or(0.0);
        let volts = self.at.device_volts(device).first().copied().unwrap_or(0.0);
        let mut said = Vec::new();
        let ratings = &rated.unit.ratings;
        if let Some(most) = ratings.dc_amps {
            if delivered > most {
                said.push(format!(
                    "{name} delivers {}; the most for its type is {}.",
                    quantity(delivered, "A"),
                    quantity(most, "A")
                ));
            } else {
                said.extend(lamp_limit(name, &rated, delivered));
            }
        }
        if let Some(most) = ratings.inverse_volts {
            said.extend(inverse_limit(name, law.inverse_volts(condition), most));
        }
        if let Some(most) = ratings.peak_amps.filter(|_| delivered > 0.0) {
            said.extend(peak_limit(name, law, law.peak_amps(volts, condition), most));
        }
        said
    }

    fn regulator_over(&self, id: PartId) -> Option<String> {
        let device = self.network.part(id).device?;
        let Device::Regulator(law) = &self.network.device(device).law else {
            return None;
        };
        let amps = *self.at.device_amps(device).first()?;
        let (_, most) = law.range_amps();
        (self.at.fired(device) && amps > most).then(|| {
            format!(
                "{} glows on {}, above the {} that it bears.",
                self.stage.part(id).name,
                quantity(amps, "A"),
                quantity(most, "A")
            )
        })
    }

    fn track_over(&self, id: PartId, part: &Part) -> Option<String> {
        let PartKind::Potentiometer { ohms, .. } = &part.kind else {
            return None;
        };
        // What a length of track bears is its share of the rating: the limit is the current.
        let rating = part.rating_watts?.0;
        let most = (rating / ohms.0).sqrt();
        let halves = self.network.part(id).elements.iter().take(2);
        let amps = halves
            .map(|&half| self.at.element_amps(half).abs())
            .fold(0.0, f64::max);
        let whole = self.heat_of_elements(id) > rating;
        (amps > most && !whole).then(|| {
            format!(
                "{}: {} through its track, which bears {}.",
                part.name,
                quantity(amps, "A"),
                quantity(most, "A")
            )
        })
    }

    /// A capacitor over its volts; one that stands the wrong way round is told of that alone.
    fn volts_over(&self, id: PartId, part: &Part) -> Option<String> {
        let PartKind::Capacitor { dielectric, .. } = &part.kind else {
            return None;
        };
        let volts = self.capacitor_volts(id)?;
        if *dielectric == Dielectric::Electrolytic && super::remarks::is_reversed(volts) {
            return None;
        }
        let rating = part.rating_volts?.0;
        (volts.abs() > rating).then(|| {
            format!(
                "{}: {} across it, over its rating of {}.",
                part.name,
                quantity(volts.abs(), "V"),
                quantity(rating, "V")
            )
        })
    }

    /// From its first end to its second, volts.
    pub(super) fn capacitor_volts(&self, id: PartId) -> Option<f64> {
        let (from, to) = self.stage.part(id).kind.ends()?;
        Some(self.at.node_volts(from.0 as usize) - self.at.node_volts(to.0 as usize))
    }

    /// Volts across a lit regulator if it had not struck.
    pub(super) fn volts_while_dark(&self, id: PartId, scratch: &mut Scratch) -> Option<f64> {
        let device = self.network.part(id).device?;
        let dark = [Change::Device(device, DeviceChange::NotFiring)];
        let point = self.base.solve(&dark, None, scratch).ok()?;
        point.device_volts(device).first().copied()
    }

    /// A regulator's law.
    pub(super) fn regulator_law(&self, id: PartId) -> Option<&RegulatorLaw> {
        match &self.network.device(self.network.part(id).device?).law {
            Device::Regulator(law) => Some(law),
            _ => None,
        }
    }
}

/// A line rectifier with a lamp at its heater tap bears less; whether there is one the file does not say.
fn lamp_limit(name: &str, rated: &Rated, delivered: f64) -> Option<String> {
    let heater = rated.tube.heater.as_ref()?;
    let Some(HeaterTap::Lamp(tap)) = heater.tap else {
        return None;
    };
    (delivered > tap.dc_amps).then(|| {
        format!(
            "{name} delivers {}: within its rating without a panel lamp on its heater tap, over the {} with a lamp and no resistor beside it.",
            quantity(delivered, "A"),
            quantity(tap.dc_amps, "A")
        )
    })
}

fn inverse_limit(name: &str, volts: f64, most: f64) -> Option<String> {
    // Line rectifiers are rated for just what their line makes.
    (volts > ALLOWED * most).then(|| {
        format!(
            "{name}: a plate stands off {} of inverse voltage, over its rating of {}.",
            quantity(volts, "V"),
            quantity(most, "V")
        )
    })
}

fn peak_limit(name: &str, law: &RectifierLaw, amps: f64, most: f64) -> Option<String> {
    (amps > ALLOWED * most).then(|| {
        let cure = if law.has_reservoir() {
            ": more resistance before the reservoir, or a smaller one, takes it down"
        } else {
            ""
        };
        format!(
            "{name}: a plate passes peaks of {}, over its rating of {}{cure}.",
            quantity(amps, "A"),
            quantity(most, "A")
        )
    })
}

/// More heat than the rating, in the words of its system.
fn over_rating(part: &ChartPart) -> Option<String> {
    let rating = part.rating_watts?;
    let heat = format!(
        "{} turns {} into heat",
        part.part,
        quantity(part.watts, "W")
    );
    let Some(tube) = part.tube_rating else {
        return part
            .is_over()
            .then(|| format!("{heat}, over its rating of {}.", quantity(rating, "W")));
    };
    let system = tube
        .system
        .map_or_else(String::new, |system: RatingSystem| format!("{system} "));
    let rating = quantity(rating, "W");
    match tube.continuous_watts {
        Some(continuous) if part.is_over() => Some(format!(
            "{heat}, over its {system}rating of {} for continuous and {rating} for intermittent service.",
            quantity(continuous, "W")
        )),
        Some(continuous) if part.watts > ALLOWED * continuous => Some(format!(
            "{heat}: more than the {} of continuous service, within the {rating} of intermittent service.",
            quantity(continuous, "W")
        )),
        _ => part
            .is_over()
            .then(|| format!("{heat}, over its {system}rating of {rating}.")),
    }
}
