//! The voltage chart: what a healthy unit has, what it may differ by, and
//! what a meter makes of it.

mod electrodes;
mod limits;
mod ohms;
mod parts;
mod remarks;
mod ripple;
pub(crate) mod states;
#[cfg(test)]
mod tests;
mod wipers;

pub use ohms::ohms_chart;

use deadstage_circuit::{
    Base, Network, OperatingPoint, ParameterKind, Probe, Scratch, Situation, check_connections,
    tube_names,
};
use deadstage_netlist::{
    Meter, MeterInput, NodeId, Ohms, PartId, PartKind, Place, Quantity, SettingId, Stage, Volts,
    engineering,
};

use crate::bands::Units;
use crate::check::PRINT_TOLERANCE;
use crate::error::Error;
use crate::model::Networks;
use crate::observe::{ends, panel_scale, shown};
use crate::outcome::{Chart, ChartPanel, ChartPoint, ChartState, StateMark};

use wipers::Wipers;

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
/// point, the mains among them where no voltage is given, and the places where
/// the wipers of potentiometers may stand.
///
/// # Errors
/// Parts without a meaning; a stage that does not solve.
pub fn chart(stage: &Stage, options: &ChartOptions) -> Result<Chart, Error> {
    let mut networks = Networks::new(stage)?;
    networks.set_line(options.line.is_some() && stage.line.is_some());
    let (situation, unused_line) = situation(stage, options);
    let setting = setting_name(stage, situation.setting);
    let mut scratch = Scratch::default();
    let healthy = |source| Error::Healthy {
        setting: (!setting.is_empty()).then(|| setting.clone()),
        source,
    };
    let network = &networks.list[0];
    let bases = Base::all(network, &situation, &mut scratch).map_err(healthy)?;
    let solved = bases.iter().map(|base| base.solve(&[], None, &mut scratch));
    let solved: Vec<_> = solved.collect::<Result<_, _>>().map_err(healthy)?;
    let marks = states::marks(stage, network, &bases, &solved);
    let electrodes = electrodes::by_node(stage, &tube_names());
    let findings = check_connections(stage);
    let is_tied = !findings.iter().any(|finding| finding.code == "no-dc-path");
    let mut charted = Vec::new();
    for ((base, at), state) in bases.iter().zip(&solved).zip(marks) {
        let view = View {
            stage,
            network,
            base,
            at,
        };
        let metering = Metering {
            meter: options.meter.unwrap_or(Meter::IDEAL),
            sigma: &networks.sigma,
            electrodes: &electrodes,
            wipers: &Wipers::new(&view, &mut scratch),
            is_tied,
        };
        charted.push((view.charted(state, &metering, &mut scratch), view));
    }
    // The print shows one of them, as a rule.
    charted.sort_by_key(|(charted, _)| charted.off_print());
    let highest_volts = solved
        .iter()
        .flat_map(|at| (1..stage.nodes.len()).map(|node| at.node_volts(node).abs()));
    let highest_volts = highest_volts.fold(0.0, f64::max);
    let mut charted = charted.into_iter();
    let Some((first, view)) = charted.next() else {
        return Err(Error::NoScale);
    };
    let mut remarks = view.warnings(&first.parts, &first.panels, &solved, &mut scratch);
    remarks.extend(view.notes());
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
        points: first.points,
        parts: first.parts,
        panels: first.panels,
        remarks,
        highest_volts,
        setting,
        state: first.state,
        other_states: charted.map(|(charted, _)| charted).collect(),
    })
}

impl ChartState {
    /// How many points are not where the print has them.
    fn off_print(&self) -> usize {
        let points = self.points.iter();
        points
            .filter(|point| {
                let within =
                    |print: f64| (point.volts - print).abs() <= PRINT_TOLERANCE * print.abs();
                point.print.is_some_and(|print| !within(print))
            })
            .count()
    }
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

/// Where a probe reaches: the stage's test points, or every node but the
/// common where it names none; then whatever else the print has a voltage for.
fn points(stage: &Stage, setting: Option<SettingId>) -> Vec<(String, Place)> {
    let mut found: Vec<(String, Place)> = if stage.test_points.is_empty() {
        (1u32..)
            .zip(stage.nodes.iter().skip(1))
            .map(|(index, node)| (node.name.clone(), Place::Node(NodeId(index))))
            .collect()
    } else {
        stage
            .test_points
            .iter()
            .map(|test| (test.point.label.clone(), test.point.place))
            .collect()
    };
    for expect in &stage.expects {
        let place = expect.point.place;
        if expect.quantity == Quantity::Volts
            && holds_in(expect.setting, setting)
            && !found.iter().any(|(_, known)| *known == place)
        {
            found.push((expect.point.label.clone(), place));
        }
    }
    found
}

/// Whether a value of the print that is written for one setting (the first, if
/// none is named) holds in another.
fn holds_in(written: Option<SettingId>, setting: Option<SettingId>) -> bool {
    setting.is_none_or(|now| written.unwrap_or(SettingId(0)) == now)
}

/// A stage solved in one situation.
pub(crate) struct View<'a> {
    pub(crate) stage: &'a Stage,
    pub(crate) network: &'a Network,
    pub(crate) base: &'a Base<'a>,
    pub(crate) at: &'a OperatingPoint<'a>,
}

/// What the rows of points need besides the solved stage.
struct Metering<'a> {
    meter: Meter,
    /// One standard deviation of every parameter.
    sigma: &'a [f64],
    /// By node, the electrodes there.
    electrodes: &'a [Vec<String>],
    wipers: &'a Wipers<'a>,
    /// Whether every node has a path to the common that is drawn.
    is_tied: bool,
}

impl View<'_> {
    /// Every point, part and panel meter in this state.
    fn charted(
        &self,
        state: Vec<StateMark>,
        metering: &Metering<'_>,
        scratch: &mut Scratch,
    ) -> ChartState {
        let points = points(self.stage, self.base.situation().setting);
        let probes: Vec<Probe> = points
            .iter()
            .map(|(_, place)| {
                let (from, to) = ends(self.stage, *place);
                let load = None;
                Probe::Volts { from, to, load }
            })
            .collect();
        let read = |point: &OperatingPoint<'_>, scratch: &mut Scratch| -> Vec<f64> {
            let probes = probes.iter();
            probes
                .map(|probe| point.read(probe, scratch, None))
                .collect()
        };
        let healthy = read(self.at, scratch);
        let units = Units::draw(
            self.base,
            &self.true_sigma(metering),
            &healthy,
            metering.is_tied,
            read,
            scratch,
        );
        ChartState {
            state,
            points: points
                .into_iter()
                .enumerate()
                .map(|(index, (label, place))| {
                    let band = units.band(index);
                    self.point(label, place, band, metering, scratch)
                })
                .collect(),
            parts: self.parts(),
            panels: self.panels(),
        }
    }

    /// One standard deviation of every parameter as units are drawn: slopes take a capacitor's leak to reach further.
    fn true_sigma(&self, metering: &Metering<'_>) -> Vec<f64> {
        let parameters = self.network.parameters.iter().zip(metering.sigma);
        parameters
            .map(|(parameter, sigma)| match parameter.kind {
                ParameterKind::Ohms(_) => parameter.sigma,
                _ => *sigma,
            })
            .collect()
    }

    fn point(
        &self,
        label: String,
        place: Place,
        band: Option<(f64, f64)>,
        metering: &Metering<'_>,
        scratch: &mut Scratch,
    ) -> ChartPoint {
        let (from, to) = ends(self.stage, place);
        let probe = Probe::Volts {
            from,
            to,
            load: None,
        };
        let mut gradient = Vec::new();
        let volts = self.at.read(&probe, scratch, Some(&mut gradient));
        let tolerances: f64 = gradient
            .iter()
            .zip(metering.sigma)
            .zip(&self.network.parameters)
            .filter(|(_, parameter)| !metering.wipers.moves(parameter))
            .map(|((change, sigma), _)| (change * sigma).powi(2))
            .sum();
        let tolerances = SPREADS * tolerances.sqrt();
        let (lower, higher) = band.unwrap_or((tolerances, tolerances));
        let (below, above) = metering.wipers.travel(volts, &probe, |v| v, scratch);
        let (shown, range) = shown(self.at, &metering.meter, (from, to), scratch);
        ChartPoint {
            point: label,
            volts,
            low: volts - lower.hypot(below),
            high: volts + higher.hypot(above),
            shown,
            range,
            print: self.print(place),
            electrodes: match place {
                Place::Node(node) => metering.electrodes[node.0 as usize].clone(),
                _ => Vec::new(),
            },
        }
    }

    fn print(&self, place: Place) -> Option<f64> {
        let setting = self.base.situation().setting;
        self.stage
            .expects
            .iter()
            .filter(|expect| expect.quantity == Quantity::Volts && expect.point.place == place)
            .find(|expect| holds_in(expect.setting, setting))
            .map(|expect| expect.value)
    }

    pub(crate) fn panels(&self) -> Vec<ChartPanel> {
        let mut panels = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let (Some((factor, offset, span)), PartKind::Meter { scale, .. }) =
                (panel_scale(self.stage, id), &part.kind)
            else {
                continue;
            };
            let Some(&element) = self.network.part(id).elements.first() else {
                continue;
            };
            panels.push(ChartPanel {
                meter: part.name.clone(),
                reading: offset + factor * self.at.element_amps(element),
                unit: scale.as_ref().map_or("A".to_owned(), |s| s.unit.clone()),
                full_scale: offset + span,
            });
        }
        panels
    }
}

/// Designator, with the section where the bottle has several in this stage.
pub(crate) fn bottle_name(stage: &Stage, id: PartId) -> String {
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
