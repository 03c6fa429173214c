//! Readings as the circuit sees them: a situation, a probe, a number and how
//! far the meter may be off.

#[cfg(test)]
mod tests;

use deadstage_circuit::{BenchCurrent, Flow, Network, OperatingPoint, Probe, Scratch, Situation};
use deadstage_netlist::{
    Bound, Meter, MeterInput, PartKind, Place, Quantity, Reading, Readings, Stage,
};

use crate::error::Error;
use crate::model::Model;
use crate::repeats::Repeats;
use crate::sheets::History;

/// A voltage smaller than this tells nothing of a meter's share, volts.
const LEAST_SHARED: f64 = 0.05;

/// Full scales of a pointer multimeter's DC ranges, volts (common practice, no source).
const POINTER_RANGES: [f64; 7] = [2.5, 10.0, 50.0, 250.0, 500.0, 1000.0, 5000.0];

/// Least error of a voltage reading, volts, and as a fraction: what reading a scale or rounding to the sheet costs.
const READING_FLOOR: (f64, f64) = (0.004, 0.002);

/// Least error of an ohms reading, ohms: leads and zero.
const OHMS_FLOOR: f64 = 0.3;

/// Accuracy taken for ohms, amperes and panel meters where the sheet states none.
const OHMS_FRACTION: f64 = 0.03;
const AMPS_FRACTION: f64 = 0.02;
const PANEL_FRACTION: f64 = 0.02;

/// What kind of number an observation is, and how it is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Scale {
    /// Differences count.
    Plain,
    /// Ratios count: resistances, compared by their logarithm.
    Log,
}

/// One number read.
#[derive(Clone, Debug)]
pub(crate) struct Observation {
    /// Index into the situations.
    pub(crate) situation: usize,
    /// What was measured.
    pub(crate) probe: Probe,
    /// How values are compared.
    pub(crate) scale: Scale,
    /// Reading units for each unit of the probe (panel scales), sign included.
    pub(crate) factor: f64,
    /// Added in reading units: scales that do not begin at zero.
    pub(crate) offset: f64,
    /// The number, in reading units.
    pub(crate) read: f64,
    /// One standard deviation of the meter and of its reading, in compared units.
    pub(crate) sigma: f64,
    /// Whether it is the reading or only bounds it.
    pub(crate) bound: Bound,
    /// As on the sheet.
    pub(crate) label: String,
    /// `volts` and so on.
    pub(crate) kind: &'static str,
    /// The panel meter's part.
    pub(crate) panel: Option<deadstage_netlist::PartId>,
    /// Range assumed, where the sheet recorded none and the meter has ranges.
    pub(crate) range_assumed: Option<f64>,
    /// Repairs made since: nought is read on the unit as it now is.
    pub(crate) ago: usize,
    /// How often it was read.
    pub(crate) times: usize,
}

impl Observation {
    /// The same as a meter that draws nothing would read it.
    pub(crate) fn bare(&self) -> Self {
        let mut bare = self.clone();
        if let Probe::Volts { load, .. } = &mut bare.probe {
            *load = None;
        }
        bare
    }

    /// A value in reading units as it is compared.
    pub(crate) fn compared(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Plain => value,
            Scale::Log => value.max(1e-3).ln(),
        }
    }

    /// Change of the compared value with the probe's value.
    pub(crate) fn slope(&self, value: f64) -> f64 {
        match self.scale {
            Scale::Plain => self.factor,
            Scale::Log => 1.0 / value.max(1e-3),
        }
    }
}

/// The share of a voltage that a meter's load leaves; `None` of next to nothing, where it can't be told.
pub(crate) fn meter_share(bare: f64, loaded: f64) -> Option<f64> {
    (bare.abs() > LEAST_SHARED).then(|| (loaded / bare).clamp(0.0, 1.0))
}

/// The range a person ends on: from the highest down, for as long as what the
/// meter shows on the one it is on would fit the next, so that the pointer is
/// never driven against its stop. `shown_on` is what it shows on a range, volts.
pub(crate) fn range_in_use(mut shown_on: impl FnMut(f64) -> f64) -> f64 {
    let mut range = POINTER_RANGES[POINTER_RANGES.len() - 1];
    for lower in POINTER_RANGES.into_iter().rev().skip(1) {
        if shown_on(range).abs() > lower {
            break;
        }
        range = lower;
    }
    range
}

/// The range a person ends on, full-scale volts, where the meter shows `volts` on any of them.
pub fn usual_range(volts: f64) -> f64 {
    range_in_use(|_| volts)
}

/// What a meter shows from one node to another with its own load on them,
/// volts; and the range it is on, full-scale volts, where that is a matter of choice.
pub(crate) fn shown(
    at: &OperatingPoint<'_>,
    meter: &Meter,
    (from, to): (usize, usize),
    scratch: &mut Scratch,
) -> (f64, Option<f64>) {
    let mut read = |load| at.read(&Probe::Volts { from, to, load }, scratch, None);
    match meter.input {
        MeterInput::Ideal => (read(None), None),
        MeterInput::Fixed(ohms) => (read(Some(ohms.0)), None),
        MeterInput::OhmsPerVolt(each) => {
            let range = range_in_use(|full| read(Some(each * full)));
            (read(Some(each * range)), Some(range))
        }
    }
}

/// A meter's resistance on the range it reads `volts` on, ohms; and the range, where that is a matter of choice.
pub(crate) fn load_of(meter: &Meter, range: Option<f64>, volts: f64) -> (Option<f64>, Option<f64>) {
    match meter.input {
        MeterInput::Ideal => (None, None),
        MeterInput::Fixed(ohms) => (Some(ohms.0), None),
        MeterInput::OhmsPerVolt(each) => {
            let full = range.unwrap_or_else(|| usual_range(volts));
            (Some(each * full), range.is_none().then_some(full))
        }
    }
}

/// One standard deviation of a voltage reading, volts. The stated accuracy is
/// a limit; within it any error is as likely as another.
pub(crate) fn volts_sigma(meter: &Meter, range: Option<f64>, volts: f64) -> f64 {
    let reach = match (meter.input, range) {
        (_, Some(full)) => full,
        (MeterInput::OhmsPerVolt(_), None) => usual_range(volts),
        _ => volts.abs(),
    };
    let limit = meter.fraction * reach + meter.offset.0;
    let floor = READING_FLOOR.0 + READING_FLOOR.1 * volts.abs();
    (limit * limit / 3.0 + floor * floor).sqrt()
}

/// All sheets' numbers, and the situations they were taken in.
#[derive(Clone, Debug, Default)]
pub(crate) struct Observations {
    pub(crate) situations: Vec<Situation>,
    pub(crate) list: Vec<Observation>,
    /// `tester` lines: part, per cent, and repairs made since.
    pub(crate) tester: Vec<(deadstage_netlist::PartId, f64, usize)>,
    /// Whether any reading states the mains voltage.
    pub(crate) line_known: bool,
}

impl Observations {
    pub(crate) fn situation(&mut self, wanted: Situation) -> usize {
        match self.situations.iter().position(|s| *s == wanted) {
            Some(index) => index,
            None => {
                self.situations.push(wanted);
                self.situations.len() - 1
            }
        }
    }

    /// Lets the meter take the share of every voltage that it takes of a healthy unit's.
    pub(crate) fn load_as_healthy(&mut self, model: &Model<'_>, scratch: &mut Scratch) {
        for observation in &mut self.list {
            let Probe::Volts { from, to, load } = observation.probe else {
                continue;
            };
            let base = &model.bases[0][observation.situation];
            let Ok(point) = base.solve(&[], None, scratch) else {
                continue;
            };
            let mut read = |load| point.read(&Probe::Volts { from, to, load }, scratch, None);
            let (bare, loaded) = (read(None), read(load));
            observation.probe = Probe::Volts {
                from,
                to,
                load: None,
            };
            if let Some(share) = meter_share(bare, loaded) {
                observation.factor *= share;
            }
        }
    }

    /// Takes in every number of the sheets, each as old as the repairs since make it; what was read several times over
    /// is [one reading](crate::repeats).
    pub(crate) fn add<'r>(
        &mut self,
        stage: &Stage,
        network: &Network,
        sheets: &'r [Readings],
        history: &History,
    ) -> Result<(), Error> {
        let mut found = Vec::new();
        let dated = |(index, sheet): (usize, &'r Readings)| {
            sheet.readings.iter().map(move |reading| {
                let ago = match (reading.quantity, reading.point.place) {
                    (Quantity::Tester, Place::Through(tube)) => {
                        history.ago_of(stage, index, tube, reading.span)
                    }
                    _ => history.ago(index),
                };
                (reading, ago)
            })
        };
        for repeats in Repeats::gather(sheets.iter().enumerate().flat_map(dated)) {
            let first = repeats.first;
            if first.quantity == Quantity::Tester {
                if let Place::Through(part) = first.point.place {
                    let mean = repeats.whole().value;
                    self.tester.push((part, mean, repeats.ago));
                }
                continue;
            }
            let mut observed = |value: f64| {
                let reading = Reading {
                    value,
                    ..first.clone()
                };
                self.observation(stage, network, &reading, repeats.ago)
            };
            let middle = observed(repeats.middle())?;
            for heap in repeats.heaps(middle.sigma, |value| middle.compared(value)) {
                let mut observation = observed(heap.value)?;
                observation.sigma = observation.sigma.hypot(heap.scatter);
                observation.times = heap.times;
                found.push(observation);
            }
        }
        self.list.extend(found);
        Ok(())
    }

    fn observation(
        &mut self,
        stage: &Stage,
        network: &Network,
        reading: &Reading,
        ago: usize,
    ) -> Result<Observation, Error> {
        let default_setting =
            (!stage.settings.is_empty()).then_some(deadstage_netlist::SettingId(0));
        let line_ratio = match (reading.line, stage.line) {
            (Some(now), Some(print)) if print.0 > 0.0 => {
                self.line_known = true;
                now.0 / print.0
            }
            _ => 1.0,
        };
        let situation = Situation {
            setting: reading.setting.or(default_setting),
            line_ratio,
            pulled: bottles(stage, &reading.pulled),
            lifted: reading.lifted.clone(),
            power: reading.bench.is_none(),
            bench: reading.bench.map(|amps| {
                let (from, to) = ends(stage, reading.point.place);
                let amps = amps.0;
                BenchCurrent { from, to, amps }
            }),
        };
        let meter = &reading.meter;
        let label = reading.point.label.clone();
        let value = reading.value;
        Ok(match reading.quantity {
            // It says nothing of the circuit.
            Quantity::Tester => return Err(Error::NoSuchReading { point: label }),
            Quantity::Volts => {
                let (from, to) = ends(stage, reading.point.place);
                let (load, range_assumed) = load_of(meter, reading.range, value);
                Observation {
                    situation: self.situation(situation),
                    probe: Probe::Volts { from, to, load },
                    scale: Scale::Plain,
                    factor: 1.0,
                    offset: 0.0,
                    read: value,
                    sigma: volts_sigma(meter, reading.range, value),
                    bound: reading.bound,
                    label,
                    kind: "volts",
                    panel: None,
                    range_assumed,
                    ago,
                    times: 1,
                }
            }
            Quantity::Ohms => {
                let (from, to) = ends(stage, reading.point.place);
                let fraction =
                    if meter.fraction > 0.0 && matches!(meter.input, MeterInput::Fixed(_)) {
                        meter.fraction.max(0.005)
                    } else {
                        OHMS_FRACTION
                    };
                let relative = fraction / 3f64.sqrt() + OHMS_FLOOR / value.max(OHMS_FLOOR);
                Observation {
                    situation: self.situation(situation.power_off()),
                    probe: Probe::Ohms { from, to },
                    scale: Scale::Log,
                    factor: 1.0,
                    offset: 0.0,
                    read: value,
                    sigma: (relative * relative + 1e-5).sqrt(),
                    bound: reading.bound,
                    label,
                    kind: "ohms",
                    panel: None,
                    range_assumed: None,
                    ago,
                    times: 1,
                }
            }
            Quantity::Amps => {
                let flow = self.flow(stage, network, reading)?;
                let reach = reading.range.unwrap_or(value.abs());
                let limit = if meter.fraction > 0.0 {
                    meter.fraction
                } else {
                    AMPS_FRACTION
                } * reach;
                let floor = 2e-6 + 0.002 * value.abs();
                Observation {
                    situation: self.situation(situation),
                    probe: Probe::Amps(flow),
                    scale: Scale::Plain,
                    factor: 1.0,
                    offset: 0.0,
                    read: value,
                    sigma: (limit * limit / 3.0 + floor * floor).sqrt(),
                    bound: reading.bound,
                    label,
                    kind: "amps",
                    panel: None,
                    range_assumed: None,
                    ago,
                    times: 1,
                }
            }
            Quantity::Panel => {
                let Place::Through(part) = reading.point.place else {
                    return Err(Error::NoSuchReading { point: label });
                };
                let Some((factor, offset, span)) = panel_scale(stage, part) else {
                    return Err(Error::NoSuchReading { point: label });
                };
                let flow = self.flow(stage, network, reading)?;
                let mut limit = PANEL_FRACTION * span;
                if reading.bench.is_some() {
                    // The standard in series is off by as much as any meter that reads amperes.
                    limit = limit.hypot(AMPS_FRACTION * (value - offset));
                }
                Observation {
                    situation: self.situation(situation),
                    probe: Probe::Amps(flow),
                    scale: Scale::Plain,
                    factor,
                    offset,
                    read: value,
                    sigma: limit / 3f64.sqrt(),
                    bound: reading.bound,
                    label,
                    kind: "panel",
                    panel: Some(part),
                    range_assumed: None,
                    ago,
                    times: 1,
                }
            }
        })
    }

    fn flow(&self, _: &Stage, network: &Network, reading: &Reading) -> Result<Flow, Error> {
        let part = match reading.point.place {
            Place::Through(part) | Place::Across(part) => part,
            Place::Node(_) => {
                return Err(Error::NoSuchReading {
                    point: reading.point.label.clone(),
                });
            }
        };
        Flow::through(network, part).ok_or_else(|| Error::NoSuchReading {
            point: reading.point.label.clone(),
        })
    }
}

/// Every section of the bottles of these parts.
pub(crate) fn bottles(
    stage: &Stage,
    pulled: &[deadstage_netlist::PartId],
) -> Vec<deadstage_netlist::PartId> {
    let mut all: Vec<_> = pulled
        .iter()
        .flat_map(|&id| stage.parts_named(&stage.part(id).name))
        .collect();
    all.sort_unstable();
    all.dedup();
    all
}

/// Nodes of a place: red lead, black lead.
pub(crate) fn ends(stage: &Stage, place: Place) -> (usize, usize) {
    match place {
        Place::Node(node) => (node.0 as usize, 0),
        Place::Across(part) | Place::Through(part) => match &stage.part(part).kind {
            PartKind::Potentiometer { from, to, .. } => (from.0 as usize, to.0 as usize),
            kind => kind
                .ends()
                .map_or((0, 0), |(from, to)| (from.0 as usize, to.0 as usize)),
        },
    }
}

/// Scale units for each ampere of a panel meter, the reading at no current, and the whole span of its scale.
pub(crate) fn panel_scale(
    stage: &Stage,
    part: deadstage_netlist::PartId,
) -> Option<(f64, f64, f64)> {
    let PartKind::Meter {
        full_scale, scale, ..
    } = &stage.part(part).kind
    else {
        return None;
    };
    let (low, high) = scale
        .as_ref()
        // Without a printed scale a reading is the movement's current, in amperes.
        .map_or((0.0, full_scale.0), |s| (s.low, s.high));
    Some(((high - low) / full_scale.0, low, high - low))
}
