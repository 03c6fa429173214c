//! A netlist from text, solved, and read by what a row calls its quantities.

use deadstage_circuit::{
    Base, Flow, Network, OperatingPoint, Probe, Scratch, Situation, tube_names,
};
use deadstage_netlist::{
    MeterInput, PartKind, Place, Severity, Stage, parse_meter, parse_point, parse_stage,
};
use deadstage_parts::tube::{KorenPentode, KorenTriode};
use deadstage_parts::{Device, LawForm, PortCurrents, TubeLaw};

use crate::rows::{Inputs, Koren};

/// A stage and its network.
pub(crate) struct Bench {
    stage: Stage,
    network: Network,
}

impl Bench {
    /// Reads `netlist`; where the published equations' parameters are given, they
    /// take the place of the first tube's law.
    pub(crate) fn new(netlist: &str, koren: Option<Koren>) -> Result<Self, String> {
        let text = format!("stage \"Published\"\n{netlist}");
        let parsed = parse_stage("published.stage", &text, &tube_names(), &mut |_, path| {
            Err(format!("{path} is not to be included here"))
        });
        let errors: Vec<&str> = parsed
            .diagnostics
            .iter()
            .filter(|d| d.severity == Severity::Error)
            .map(|d| d.message.as_str())
            .collect();
        if !errors.is_empty() {
            return Err(errors.join("; "));
        }
        let stage = parsed.value;
        let mut network =
            Network::compile(&stage, LawForm::default()).map_err(|errors| format!("{errors:?}"))?;
        if let Some(parameters) = koren {
            let slot = network
                .devices
                .iter_mut()
                .find(|slot| matches!(slot.law, Device::Tube(_)))
                .ok_or("no tube to put the equation in")?;
            slot.law = Device::Tube(equation(&parameters));
        }
        Ok(Self { stage, network })
    }

    fn base(&self, power: bool) -> Result<Base<'_>, String> {
        let mut situation = Situation::running(None);
        situation.power = power;
        Base::new(&self.network, &situation, &mut Scratch::default())
            .map_err(|error| error.to_string())
    }

    /// Reads each quantity.
    pub(crate) fn read(&self, quantities: &[&str], inputs: &Inputs) -> Result<Vec<f64>, String> {
        let mut scratch = Scratch::default();
        let base = self.base(true)?;
        let point = solved(&base, &mut scratch)?;
        quantities
            .iter()
            .map(|quantity| self.one(quantity, &point, inputs, &mut scratch))
            .collect()
    }

    fn one(
        &self,
        quantity: &str,
        point: &OperatingPoint<'_>,
        inputs: &Inputs,
        scratch: &mut Scratch,
    ) -> Result<f64, String> {
        let (word, place) = quantity
            .split_once(' ')
            .ok_or_else(|| format!("`{quantity}` says no place"))?;
        match word {
            "volts" | "millivolts" => {
                let (from, to) = self.ends(place)?;
                let load = load(inputs)?;
                let volts = point.read(&Probe::Volts { from, to, load }, scratch, None);
                Ok(volts * if word == "volts" { 1.0 } else { 1e3 })
            }
            "amps" | "milliamps" | "microamps" => {
                let amps = point.read(&Probe::Amps(self.flow(place)?), scratch, None);
                Ok(amps
                    * match word {
                        "amps" => 1.0,
                        "milliamps" => 1e3,
                        _ => 1e6,
                    })
            }
            "ohms" => {
                let (from, to) = self.ends(place)?;
                let cold = self.base(false)?;
                let point = solved(&cold, scratch)?;
                Ok(point.read(&Probe::Ohms { from, to }, scratch, None))
            }
            "source-ohms" => {
                let (from, to) = self.ends(place)?;
                Ok(point.source_ohms(from, to, scratch))
            }
            "gm-us" | "rp-kohm" | "mu" => {
                let currents = self.slopes(place, point)?;
                let [plate, grid] = [currents.siemens[0][0], currents.siemens[0][1]];
                Ok(match word {
                    "gm-us" => grid * 1e6,
                    "rp-kohm" => 1e-3 / plate,
                    _ => grid / plate,
                })
            }
            "gain" => self.gain(place, point),
            _ => Err(format!("`{word}` can't be read")),
        }
    }

    /// Voltage gain from grid to plate, cathode and screen held by their
    /// capacitors, into the resistors named behind the tube: `V1 RA RG`.
    fn gain(&self, place: &str, point: &OperatingPoint<'_>) -> Result<f64, String> {
        let mut words = place.split(' ');
        let currents = self.slopes(words.next().unwrap_or_default(), point)?;
        let [plate, grid] = [currents.siemens[0][0], currents.siemens[0][1]];
        let mut load = plate;
        for name in words {
            let id = self.part(name)?.0;
            let PartKind::Resistor { ohms, .. } = self.stage.part(id).kind else {
                return Err(format!("{name} is no resistor"));
            };
            load += 1.0 / ohms.0;
        }
        Ok(grid / load)
    }

    /// The tube's currents and slopes at this operating point.
    fn slopes(&self, name: &str, point: &OperatingPoint<'_>) -> Result<PortCurrents, String> {
        let device = self.part(name)?.1.device.ok_or("it is no device")?;
        let mut volts = [0.0; 4];
        for (to, from) in volts.iter_mut().zip(point.device_volts(device)) {
            *to = *from;
        }
        let condition = point
            .values()
            .conditions
            .get(device.0 as usize)
            .copied()
            .unwrap_or_default();
        Ok(self.network.device(device).law.currents(&volts, &condition))
    }

    fn part(
        &self,
        name: &str,
    ) -> Result<(deadstage_netlist::PartId, &deadstage_circuit::PartModel), String> {
        let id = self
            .stage
            .parts_named(name)
            .next()
            .ok_or_else(|| format!("there is no {name}"))?;
        Ok((id, self.network.part(id)))
    }

    /// `R3`, or an electrode of a tube: `V1 screen`.
    fn flow(&self, place: &str) -> Result<Flow, String> {
        let (name, electrode) = place.split_once(' ').unwrap_or((place, ""));
        let (id, model) = self.part(name)?;
        let port = match electrode {
            "" => return Flow::through(&self.network, id).ok_or("nothing flows there".to_owned()),
            "plate" => 0,
            "grid" => 1,
            "screen" => 2,
            other => return Err(format!("no current is read at a {other}")),
        };
        let device = model.device.ok_or("it is no device")?;
        Ok(Flow::Port(device, port))
    }

    /// Nodes of `a`, `across R3` or `a to b`.
    fn ends(&self, place: &str) -> Result<(usize, usize), String> {
        if let Some((from, to)) = place.split_once(" to ") {
            return Ok((self.ends(from)?.0, self.ends(to)?.0));
        }
        let point = parse_point(place, &self.stage, &tube_names()).map_err(|d| d.message)?;
        match point.place {
            Place::Node(node) => Ok((node.0 as usize, 0)),
            Place::Across(part) | Place::Through(part) => {
                let kind: &PartKind = &self.stage.part(part).kind;
                kind.ends()
                    .map(|(from, to)| (from.0 as usize, to.0 as usize))
                    .ok_or_else(|| format!("{place} has no two ends"))
            }
        }
    }
}

fn solved<'a>(base: &'a Base<'_>, scratch: &mut Scratch) -> Result<OperatingPoint<'a>, String> {
    let point = base
        .solve(&[], None, scratch)
        .map_err(|error| error.to_string())?;
    let (node, left, through) = point.kirchhoff();
    if left > 1e-9 + 1e-9 * through {
        return Err(format!("{left:e} A are left over at node {node}"));
    }
    Ok(point)
}

/// The meter's resistance on its range, ohms.
fn load(inputs: &Inputs) -> Result<Option<f64>, String> {
    let Some(text) = &inputs.meter else {
        return Ok(None);
    };
    let meter = parse_meter(text).map_err(|d| d.message)?;
    match (meter.input, inputs.range) {
        (MeterInput::Ideal, _) => Ok(None),
        (MeterInput::Fixed(ohms), _) => Ok(Some(ohms.0)),
        (MeterInput::OhmsPerVolt(each), Some(range)) => Ok(Some(each * range)),
        (MeterInput::OhmsPerVolt(_), None) => Err("the meter has no range".to_owned()),
    }
}

/// The published equation with its author's parameters.
fn equation(p: &Koren) -> TubeLaw {
    match p.kg2 {
        None => TubeLaw::koren_triode(KorenTriode {
            mu: p.mu,
            x: p.x,
            kg1: p.kg1,
            kp: p.kp,
            kvb: p.kvb,
            contact: 0.0,
        }),
        Some(kg2) => TubeLaw::koren_pentode(KorenPentode {
            mu: p.mu,
            x: p.x,
            kg1: p.kg1,
            kg2,
            kp: p.kp,
            kvb: p.kvb,
            turned: 0.0,
            contact: 0.0,
            tail: 0.0,
            tail_mu: 1.0,
        }),
    }
}
