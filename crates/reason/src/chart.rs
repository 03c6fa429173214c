//! The voltage chart: what a healthy unit has, what it may differ by, and
//! what a meter makes of it.

mod ohms;
mod parts;
mod remarks;

pub use ohms::ohms_chart;

use deadstage_circuit::{
    Base, Network, OperatingPoint, Probe, Scratch, Situation, electrode_name, tube_names,
};
use deadstage_netlist::{
    Meter, MeterInput, Ohms, PartId, PartKind, Place, Quantity, SettingId, Stage, TubeNames, Volts,
    engineering,
};

use crate::error::Error;
use crate::model::Networks;
use crate::observe::{ends, load_of, panel_scale};
use crate::outcome::{Chart, ChartPanel, ChartPoint};

/// Standard deviations to either end of what a healthy unit may have: 19 units of 20 lie within.
const SPREADS: f64 = 2.0;

/// What a chart is to hold for.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ChartOptions {
    /// The meter in hand; `None` charts true values alone.
    pub meter: Option<Meter>,
    /// Mains voltage; that of the stage if not given.
    pub line: Option<Volts>,
    /// Control setting; the first of the stage if not given.
    pub setting: Option<SettingId>,
}

/// The voltage chart of a healthy `stage`.
///
/// The ends of what a unit may have are two standard deviations off: all
/// tolerances of parts and tubes through the sensitivities at the operating
/// point, and the difference between the two tube laws.
///
/// # Errors
/// Parts without a meaning; a stage that does not solve.
pub fn chart(stage: &Stage, options: &ChartOptions) -> Result<Chart, Error> {
    let networks = Networks::new(stage)?;
    let (situation, unused_line) = situation(stage, options);
    let setting = setting_name(stage, situation.setting);
    let mut scratch = Scratch::default();
    let healthy = |source| Error::Healthy {
        setting: (!setting.is_empty()).then(|| setting.clone()),
        source,
    };
    let mut bases = Vec::new();
    for network in &networks.list {
        bases.push(Base::new(network, &situation, &mut scratch).map_err(healthy)?);
    }
    let mut laws = Vec::new();
    for base in &bases {
        laws.push(base.solve(&[], None, &mut scratch).map_err(healthy)?);
    }
    let names = tube_names();
    let view = View {
        stage,
        networks: &networks,
        laws: &laws,
        names: &names,
        situation: &situation,
    };
    let mut remarks = view.remarks();
    if unused_line {
        remarks.push(
            "The stage file does not say what mains voltage its values assume (`line`), so the line given changes nothing.".to_owned(),
        );
    }
    Ok(Chart {
        stage: stage.title.clone(),
        notes: stage.notes.clone(),
        line_volts: options.line.or(stage.line).map(|line| line.0),
        meter: options.meter.map(|meter| meter_words(&meter)),
        points: view.points(options.meter.as_ref(), &mut scratch),
        parts: view.parts(),
        panels: view.panels(),
        remarks,
        highest_volts: (1..stage.nodes.len())
            .map(|node| view.nominal().node_volts(node).abs())
            .fold(0.0, f64::max),
        setting,
    })
}

/// The setting a chart is made in, and whether a mains voltage was given that means nothing.
fn situation(stage: &Stage, options: &ChartOptions) -> (Situation, bool) {
    let first = (!stage.settings.is_empty()).then_some(SettingId(0));
    let mut situation = Situation::running(options.setting.or(first));
    match (options.line, stage.line) {
        (Some(now), Some(print)) if print.0 > 0.0 => situation.line_ratio = now.0 / print.0,
        (Some(_), _) => return (situation, true),
        (None, _) => {}
    }
    (situation, false)
}

fn setting_name(stage: &Stage, setting: Option<SettingId>) -> String {
    setting
        .and_then(|id| stage.settings.get(id.0 as usize))
        .cloned()
        .unwrap_or_default()
}

fn meter_words(meter: &Meter) -> String {
    let input = match meter.input {
        MeterInput::Ideal => return "ideal".to_owned(),
        MeterInput::OhmsPerVolt(each) => format!("{}/V", engineering_short(each)),
        MeterInput::Fixed(Ohms(ohms)) => engineering_short(ohms),
    };
    if meter.fraction > 0.0 {
        format!("{input} {}%", meter.fraction * 100.0)
    } else {
        input
    }
}

/// `20k`, `11M`: as typed on a `meter` line.
fn engineering_short(ohms: f64) -> String {
    let text = engineering(ohms, "");
    let (number, prefix) = text.split_once(' ').unwrap_or((&text, ""));
    let number = if number.contains('.') {
        number.trim_end_matches('0').trim_end_matches('.')
    } else {
        number
    };
    format!("{number}{prefix}")
}

/// A stage solved under every tube law, in one situation.
struct View<'a> {
    stage: &'a Stage,
    networks: &'a Networks,
    /// By law; the first is the one whose values are shown.
    laws: &'a [OperatingPoint<'a>],
    names: &'a TubeNames,
    situation: &'a Situation,
}

impl View<'_> {
    fn nominal(&self) -> &OperatingPoint<'_> {
        &self.laws[0]
    }

    fn network(&self) -> &Network {
        &self.networks.list[0]
    }

    /// Every node in the order of the file, then the values of the print taken across parts.
    fn points(&self, meter: Option<&Meter>, scratch: &mut Scratch) -> Vec<ChartPoint> {
        let nodes = (1u32..)
            .zip(self.stage.nodes.iter().skip(1))
            .map(|(index, node)| {
                (
                    node.name.clone(),
                    Place::Node(deadstage_netlist::NodeId(index)),
                )
            });
        let across = self
            .stage
            .expects
            .iter()
            .filter(|expect| expect.quantity == Quantity::Volts)
            .filter(|expect| matches!(expect.point.place, Place::Across(_)))
            .map(|expect| (expect.point.label.clone(), expect.point.place));
        let mut points: Vec<ChartPoint> = Vec::new();
        let mut seen: Vec<Place> = Vec::new();
        for (label, place) in nodes.chain(across) {
            if !seen.contains(&place) {
                seen.push(place);
                points.push(self.point(label, place, meter, scratch));
            }
        }
        points
    }

    fn point(
        &self,
        label: String,
        place: Place,
        meter: Option<&Meter>,
        scratch: &mut Scratch,
    ) -> ChartPoint {
        let (from, to) = ends(self.stage, place);
        let probe = |load| Probe::Volts { from, to, load };
        let mut gradient = Vec::new();
        let volts = self
            .nominal()
            .read(&probe(None), scratch, Some(&mut gradient));
        let tolerances: f64 = gradient
            .iter()
            .zip(&self.networks.sigma)
            .map(|(change, sigma)| (change * sigma).powi(2))
            .sum();
        let misfit = self.laws.iter().skip(1).fold(0.0f64, |most, law| {
            most.max((law.read(&probe(None), scratch, None) - volts).abs())
        });
        let spread = SPREADS * (tolerances + misfit * misfit).sqrt();
        // A range is set by what is expected there, so that the pointer is safe whatever the load does.
        let (load, range) = meter.map_or((None, None), |meter| load_of(meter, None, volts));
        let shown = match load {
            Some(_) => self.nominal().read(&probe(load), scratch, None),
            None => volts,
        };
        ChartPoint {
            point: label,
            volts,
            low: volts - spread,
            high: volts + spread,
            shown,
            range,
            print: self.print(place),
            electrodes: match place {
                Place::Node(_) => self.electrodes_at(from),
                _ => Vec::new(),
            },
        }
    }

    fn print(&self, place: Place) -> Option<f64> {
        let setting = self.situation.setting;
        self.stage
            .expects
            .iter()
            .filter(|expect| expect.quantity == Quantity::Volts && expect.point.place == place)
            .find(|expect| expect.setting.or(setting.map(|_| SettingId(0))) == setting)
            .map(|expect| expect.value)
    }

    /// `V1 plate`, `V1 pin 6`: what of the tubes hangs at a node.
    fn electrodes_at(&self, node: usize) -> Vec<String> {
        let mut all = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let PartKind::Tube {
                tube_type,
                unit,
                electrodes,
                ..
            } = &part.kind
            else {
                continue;
            };
            let basing = self.names.find(tube_type).and_then(|t| {
                t.units
                    .get(usize::from(unit.unwrap_or(1)).saturating_sub(1))
            });
            for (electrode, _) in electrodes.iter().filter(|(_, n)| n.0 as usize == node) {
                all.push(format!(
                    "{} {}",
                    bottle_name(self.stage, id),
                    electrode_name(*electrode)
                ));
                let pins = basing.into_iter().flatten();
                // Pin 0 stands for a top cap.
                all.extend(
                    pins.filter(|(e, pin)| e == electrode && *pin != 0)
                        .map(|(_, pin)| format!("{} pin {pin}", part.name)),
                );
            }
        }
        all
    }

    fn panels(&self) -> Vec<ChartPanel> {
        let mut panels = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let (Some((factor, offset, span)), PartKind::Meter { scale, .. }) =
                (panel_scale(self.stage, id), &part.kind)
            else {
                continue;
            };
            let Some(&element) = self.network().part(id).elements.first() else {
                continue;
            };
            panels.push(ChartPanel {
                meter: part.name.clone(),
                reading: offset + factor * self.nominal().element_amps(element),
                unit: scale.as_ref().map_or("A".to_owned(), |s| s.unit.clone()),
                full_scale: offset + span,
            });
        }
        panels
    }
}

/// Designator, with the section where the bottle has several in this stage.
fn bottle_name(stage: &Stage, id: PartId) -> String {
    let part = stage.part(id);
    match part.kind {
        PartKind::Tube {
            unit: Some(unit), ..
        } if stage.parts_named(&part.name).count() > 1 => {
            format!("{} section {unit}", part.name)
        }
        _ => part.name.clone(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn meters_are_named_as_they_are_typed() {
        let meter = |input| Meter {
            input,
            fraction: 0.03,
            offset: Volts(0.0),
        };
        assert_eq!(
            meter_words(&meter(MeterInput::OhmsPerVolt(20e3))),
            "20k/V 3%"
        );
        assert_eq!(meter_words(&meter(MeterInput::Fixed(Ohms(11e6)))), "11M 3%");
    }
}
