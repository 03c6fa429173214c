//! Laws from outside the library.

use std::sync::Arc;

use deadstage_circuit::{Change, DeviceChange, ParameterKind, Probe};
use deadstage_parts::{Condition, Device, DeviceLaw, Dual, PortCurrents, PortVolts, Spread, Trait};

use crate::fixtures::Circuit;

/// Perveance of the tube below, A / V^(3/2).
const PERVEANCE: f64 = 1e-3 / 1000.0;
const MU: f64 = 20.0;

/// A triode without any refinement: I = G (v_g + v_p/µ)^(3/2).
#[derive(Debug)]
struct Plain {
    ports: usize,
}

impl DeviceLaw for Plain {
    fn ports(&self) -> usize {
        self.ports
    }

    fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let (plate, grid) = (Dual::<2>::port(volts[0], 0), Dual::<2>::port(volts[1], 1));
        let drive = grid + plate * (1.0 / (MU * condition.mu));
        let amps = drive.three_halves() * (PERVEANCE * condition.perveance);
        let mut out = PortCurrents::default();
        out.amps[0] = amps.v;
        out.siemens[0][..2].copy_from_slice(&amps.d);
        out
    }

    fn spreads(&self) -> Vec<Spread> {
        vec![Spread {
            of: Trait::Mu,
            sigma: 0.1,
        }]
    }
}

fn circuit() -> Circuit {
    Circuit::new(
        "supply B1 300V from bplus to chassis\n\
         resistor R1 100k from bplus to plate\n\
         resistor R2 1k from cathode to chassis\n\
         resistor R3 470k from grid to chassis\n\
         tube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n",
    )
}

/// The answer must satisfy the tube's equation and Ohm's law on both sides of it.
#[test]
fn a_stage_follows_a_law_of_the_callers() {
    let mut circuit = circuit();
    let device = circuit.device("V1");
    let before = circuit.network.parameters.len();
    let own = circuit.network.device(device).law.spreads().len();
    circuit
        .network
        .set_law(device, Device::Own(Arc::new(Plain { ports: 2 })))
        .expect("as many ports");
    assert_eq!(circuit.network.parameters.len(), before - own + 1);
    let of_tube: Vec<_> = circuit
        .network
        .parameters
        .iter()
        .filter(|p| matches!(p.kind, ParameterKind::Device(id, _) if id == device))
        .collect();
    assert_eq!(of_tube.len(), 1);
    assert_eq!(of_tube[0].kind, ParameterKind::Device(device, Trait::Mu));
    assert_eq!(of_tube[0].sigma, 0.1);

    let mut scratch = Default::default();
    let base = circuit.running();
    let point = base.solve(&[], None, &mut scratch).expect("it settles");
    let at = |name: &str| point.node_volts(circuit.node(name));
    let amps = (at("bplus") - at("plate")) / 100e3;
    assert!((amps - at("cathode") / 1e3).abs() < 1e-9);
    let drive = -at("cathode") + (at("plate") - at("cathode")) / MU;
    assert!((amps - PERVEANCE * drive.powf(1.5)).abs() < 1e-9, "{amps}");

    // The spread of the one trait moves the plate as a difference says.
    let probe = Probe::Volts {
        from: circuit.node("plate"),
        to: 0,
        load: None,
    };
    let mut gradient = Vec::new();
    point.read(&probe, &mut scratch, Some(&mut gradient));
    let index = circuit
        .network
        .parameters
        .iter()
        .position(|p| p.kind == ParameterKind::Device(device, Trait::Mu))
        .expect("it is there");
    let moved = |step: f64| {
        let change = [Change::Device(device, DeviceChange::Mu(step.exp()))];
        let point = base.solve(&change, None, &mut Default::default());
        point.expect("it settles").node_volts(circuit.node("plate"))
    };
    let by_difference = (moved(1e-4) - moved(-1e-4)) / 2e-4;
    assert!(
        (gradient[index] - by_difference).abs() < 1e-3 * by_difference.abs(),
        "{} {by_difference}",
        gradient[index]
    );
}

#[test]
fn a_law_with_other_ports_is_refused() {
    let mut circuit = circuit();
    let device = circuit.device("V1");
    let refused = circuit
        .network
        .set_law(device, Device::Own(Arc::new(Plain { ports: 3 })))
        .expect_err("three ports where two are wired");
    assert_eq!(
        (refused.part.as_str(), refused.wired, refused.has),
        ("V1", 2, 3)
    );
    assert!(matches!(
        circuit.network.device(device).law,
        Device::Tube(_)
    ));
}
