//! What a meter reads on a drawn circuit, against another way to the same number: ohms with the
//! power off by a general library, volts under load with the meter as one more part.

use deadstage_circuit::{Base, Change, DeviceSlot, Network, Overlay, Probe, Scratch};
use deadstage_parts::Device;
use rand::RngExt;
use rand_pcg::Pcg64Mcg;

use super::check;
use super::reference::values_of;
use super::run::Bench;

/// Readings of a meter, and those of them that are not what another way gives.
#[derive(Clone, Debug, Default)]
pub struct Readings {
    /// How many were taken.
    pub taken: usize,
    /// What is wrong with some.
    pub wrong: Vec<String>,
}

impl Readings {
    pub(super) fn add(&mut self, read: Result<Self, String>) {
        match read {
            Ok(read) => {
                self.taken += read.taken;
                self.wrong.extend(read.wrong);
            }
            Err(panic) => {
                self.taken += 1;
                self.wrong.push(panic);
            }
        }
    }
}

impl Bench<'_> {
    /// Resistances between nodes with the power off, healthy and failed, against the general library.
    pub(super) fn read_ohms(&self, rng: &mut Pcg64Mcg) -> Readings {
        let mut readings = Readings::default();
        let network = self.network;
        let off = self.situation.clone().power_off();
        let scratch = &mut Scratch::default();
        let base = match Base::new(network, &off, scratch) {
            Ok(base) => base,
            Err(error) => {
                readings.add(Err(format!("power off: {error}")));
                return readings;
            }
        };
        for (failures, overlay) in self.overlays(&base) {
            let failures = failures.join(" + ");
            let point = match base.solve(&overlay, None, scratch) {
                Ok(point) => point,
                Err(error) => {
                    readings.add(Err(format!("power off [{failures}]: {error}")));
                    continue;
                }
            };
            let energised = point.energised_relays();
            let values = values_of(network, &off, &overlay, &energised);
            let healthy = values_of(network, &off, &[], &energised);
            let pairs: Vec<(usize, usize)> = (0..2).filter_map(|_| pair(network, rng)).collect();
            let expected = check::ohms(network, &healthy, &values, &pairs);
            readings.taken += pairs.len();
            for (&(from, to), expected) in pairs.iter().zip(expected) {
                let read = point.read(&Probe::Ohms { from, to }, scratch, None);
                if !expected.is_met_by(read) {
                    let name = |node: usize| &network.node_names[node];
                    readings.wrong.push(format!(
                        "[{failures}] {} ohms from {} to {}: {read}, and {} by the library",
                        self.name,
                        name(from),
                        name(to),
                        expected.ohms
                    ));
                }
            }
        }
        readings
    }
}

/// Two nodes.
fn pair(network: &Network, rng: &mut Pcg64Mcg) -> Option<(usize, usize)> {
    if network.nodes < 2 {
        return None;
    }
    let from = rng.random_range(1..network.nodes);
    let to = if rng.random_range(0..3) == 0 {
        rng.random_range(0..network.nodes)
    } else {
        0
    };
    (from != to).then_some((from, to))
}

/// Meters on the shelf, ohms.
const METERS: [f64; 5] = [20e3, 250e3, 1e6, 10e6, 11e6];

/// How near a reading taken by proportion must come to one with the meter in the circuit, volts and ratio.
const READING: (f64, f64) = (0.01, 0.005);

/// Volts that a loading meter shows, against the circuit solved with the meter as one more path.
pub(super) fn read_volts(
    base: &Base<'_>,
    overlay: &Overlay,
    failures: &[String],
    rng: &mut Pcg64Mcg,
) -> Readings {
    let mut readings = Readings::default();
    let network = base.network();
    // What glows or is pulled in stays so when the meter is put on; solved anew, it may not.
    let is_regulator = |slot: &DeviceSlot| matches!(slot.law, Device::Regulator(_));
    if network.devices.iter().any(is_regulator) || !network.relays.is_empty() {
        return readings;
    }
    let scratch = &mut Scratch::default();
    let Ok(point) = base.solve(overlay, None, scratch) else {
        return readings;
    };
    for _ in 0..2 {
        let Some((from, to)) = pair(network, rng) else {
            continue;
        };
        let ohms = METERS[rng.random_range(0..METERS.len())];
        let load = Some(ohms);
        let shown = point.read(&Probe::Volts { from, to, load }, scratch, None);
        let mut with_meter = overlay.clone();
        with_meter.push(Change::Shunt { from, to, ohms });
        let place = format!(
            "[{}] {:.0}k from {} to {}",
            failures.join(" + "),
            ohms / 1e3,
            network.node_names[from],
            network.node_names[to]
        );
        readings.taken += 1;
        match base.solve(&with_meter, Some(point.state()), scratch) {
            Err(error) => readings.wrong.push(format!("{place}: {error}")),
            Ok(loaded) => {
                let expected = loaded.node_volts(from) - loaded.node_volts(to);
                if (shown - expected).abs() > READING.0 + READING.1 * expected.abs() {
                    readings.wrong.push(format!(
                        "{place}: shows {shown} V, and {expected} V with the meter as a part"
                    ));
                }
            }
        }
    }
    readings
}
