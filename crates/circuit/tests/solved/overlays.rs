//! Failures laid over a solved network, against the same network built anew
//! and solved whole.

use crate::fixtures::{Circuit, config, kirchhoff_holds};
use crate::tubes::random_chassis;
use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, INSULATION_SIEMENS, OperatingPoint, Scratch,
    Situation, plain,
};
use deadstage_parts::{Device, LawForm};
use proptest::prelude::*;

/// The operating point with `overlay`, and the whole network solved with the same values.
fn both_ways<'a>(
    circuit: &Circuit,
    base: &'a Base<'_>,
    overlay: &[Change],
) -> (OperatingPoint<'a>, Vec<f64>) {
    let point = base
        .solve(overlay, None, &mut Scratch::default())
        .unwrap_or_else(|error| panic!("{overlay:?}: {error:?}"));
    let mut values = base.values().clone();
    values.change_devices(&circuit.network, overlay);
    values.change_elements(overlay);
    for (condition, found) in values.conditions.iter_mut().zip(&point.values().conditions) {
        condition.fired = found.fired;
    }
    let whole = plain::solve(&circuit.network, &values)
        .unwrap_or_else(|error| panic!("{overlay:?}: {error:?}"));
    let mut volts = vec![0.0];
    volts.extend(&whole.unknowns[..circuit.network.nodes - 1]);
    (point, volts)
}

/// Same voltages to 10⁻⁹ V and 10⁻⁷ of themselves. Two allowances: a low-rank update may lose up to six
/// digits of the largest source where there should be nothing; and where a node hangs
/// on leaks alone the last digits are let off, 10⁻¹⁵ A in 10¹¹ Ω being 0.1 mV, and
/// with it whatever a tube makes of that voltage.
fn compare(circuit: &Circuit, overlay: &[Change], text: &str) -> Result<(), TestCaseError> {
    let base = circuit.running();
    let (point, whole) = both_ways(circuit, &base, overlay);
    let mut scratch = Scratch::default();
    let sources = base.values().elements.iter().map(|value| value.emf.abs());
    let largest = sources.fold(0.0, f64::max);
    let weakest = (1..circuit.network.nodes)
        .map(|node| point.source_ohms(node, 0, &mut scratch).abs())
        .fold(0.0, f64::max);
    let hanging = if weakest > 1e8 { 1e-14 * weakest } else { 0.0 };
    let lost = 1e-10 * largest;
    // Gas current through a grid leak feeds itself: such a tube may rest in either of two states,
    // and from the healthy state another may be found than from nothing. Either must be a state.
    let two_states = overlay
        .iter()
        .any(|change| matches!(change, Change::Device(_, DeviceChange::Gas(_))));
    laws_hold(circuit, &point)?;
    for (node, expected) in whole.iter().enumerate() {
        let found = point.node_volts(node);
        let off = (found - expected).abs() > 1e-9 + 1e-7 * expected.abs() + hanging + lost;
        prop_assert!(
            !off || two_states,
            "{}: {found} for {expected} with {overlay:?}\n{text}",
            circuit.network.node_names[node]
        );
    }
    // A path of an ohm that is laid over has its current from the difference of two voltages.
    let (node, left, through) = point.kirchhoff();
    prop_assert!(
        left <= 1e-9 + 1e-9 * through + 1e-11 * largest,
        "{left:e} A of {through:e} A left at {} with {overlay:?}\n{text}",
        circuit.network.node_names[node]
    );
    Ok(())
}

/// The currents of an operating point are those of the devices at its voltages.
fn laws_hold(circuit: &Circuit, point: &OperatingPoint<'_>) -> Result<(), TestCaseError> {
    for (index, slot) in circuit.network.devices.iter().enumerate() {
        let id = DeviceId(u32::try_from(index).unwrap_or(u32::MAX));
        let mut volts = [0.0; deadstage_parts::MAX_PORTS];
        volts[..slot.ports.len()].copy_from_slice(point.device_volts(id));
        let law = slot.law.currents(&volts, &point.values().conditions[index]);
        for (port, amps) in point.device_amps(id).iter().enumerate() {
            let expected = if point.values().present[index] {
                law.amps[port] + INSULATION_SIEMENS * volts[port]
            } else {
                0.0
            };
            prop_assert!((amps - expected).abs() <= 1e-12 + 1e-9 * expected.abs());
        }
    }
    Ok(())
}

/// A change picked by numbers from all that the network allows.
pub(crate) fn change(
    circuit: &Circuit,
    kind: usize,
    which: usize,
    other: usize,
    size: f64,
) -> Option<Change> {
    let network = &circuit.network;
    let element = ElementId(u32::try_from(which % network.elements.len()).ok()?);
    let decades = 10f64.powf(-3.0 + 15.0 * size);
    let device = |wanted: fn(&Device) -> bool| {
        let fitting: Vec<u32> = (0u32..)
            .zip(&network.devices)
            .filter(|(_, slot)| wanted(&slot.law))
            .map(|(index, _)| index)
            .collect();
        (!fitting.is_empty()).then(|| DeviceId(fitting[which % fitting.len()]))
    };
    let ratio = (4.0 * size - 2.0).exp();
    let tube = |law: &Device| matches!(law, Device::Tube(_) | Device::Driven(_));
    Some(match kind {
        0 => Change::Ohms(element, decades),
        1 => Change::Ohms(element, f64::INFINITY),
        2 => Change::Ohms(element, 0.0),
        3 => Change::Emf(ElementId(0), 500.0 * size),
        4 => {
            let (from, to) = (which % network.nodes, other % network.nodes);
            Change::Shunt {
                from,
                to,
                ohms: decades.max(1.0),
            }
        }
        5 => {
            let id = device(|_| true)?;
            let ports = network.device(id).ports.len();
            let port = (other % (ports + 1)).checked_sub(1);
            Change::Pin {
                device: id,
                port,
                ohms: decades.clamp(100.0, 1e9),
            }
        }
        6 => Change::Device(device(tube)?, DeviceChange::Perveance(size)),
        7 => Change::Device(device(tube)?, DeviceChange::Gas(0.02 * size)),
        8 => Change::Device(
            device(|law| matches!(law, Device::Regulator(_)))?,
            DeviceChange::NotFiring,
        ),
        9 => Change::Device(
            device(|law| matches!(law, Device::Regulator(_)))?,
            DeviceChange::Volts(0.8 + 0.4 * size),
        ),
        10 => Change::Device(device(tube)?, DeviceChange::Mu(0.7 + 0.6 * size)),
        11 => Change::Device(device(tube)?, DeviceChange::ContactVolts(2.0 * size - 1.0)),
        12 => Change::Device(device(tube)?, DeviceChange::ScreenShare(ratio)),
        13 => Change::Device(device(tube)?, DeviceChange::GridCurrent(ratio)),
        14 => Change::Device(device(tube)?, DeviceChange::Knee(ratio)),
        15 => Change::Device(
            device(|law| matches!(law, Device::Driven(_)))?,
            DeviceChange::Drive(1.5 * size),
        ),
        _ => Change::Device(device(|_| true)?, DeviceChange::Absent),
    })
}

/// Whether two changes would give one element two values.
pub(crate) fn clash(one: &Change, other: &Change) -> bool {
    match (one, other) {
        (Change::Ohms(a, _), Change::Ohms(b, _)) | (Change::Emf(a, _), Change::Emf(b, _)) => a == b,
        _ => false,
    }
}

proptest! {
    #![proptest_config(config(600))]

    #[test]
    fn a_failure_laid_over_is_the_circuit_built_anew(
        text in random_chassis(),
        picks in proptest::collection::vec((0usize..17, 0usize..1000, 0usize..1000, 0.0f64..1.0), 1..4),
    ) {
        for form in LawForm::ALL {
            let circuit = Circuit::following(&text, form);
            let mut overlay: Vec<Change> = Vec::new();
            for &(kind, which, other, size) in &picks {
                if let Some(next) = change(&circuit, kind, which, other, size)
                    && !overlay.iter().any(|known| clash(known, &next))
                {
                    overlay.push(next);
                }
            }
            compare(&circuit, &overlay, &text)?;
        }
    }
}

/// Rectifiers: their sides and volts are changed like any device.
#[test]
fn rectifier_changes_are_those_of_the_circuit_built_anew() {
    let text = "line 117V\n\
                rectifier V1 5Y3 full-wave 300V winding 120 input capacitor from raw to chassis\n\
                choke L1 300 10H from raw to bplus\n\
                resistor R1 5000 from bplus to chassis\n";
    let choke_input = text.replace("capacitor", "choke");
    let light = choke_input.replace("5000", "100000");
    for text in [text, &choke_input, &light] {
        rectifier_changes(text);
    }
}

fn rectifier_changes(text: &str) {
    let circuit = Circuit::new(text);
    let v1 = circuit.device("V1");
    for change in [
        DeviceChange::Choke(0.0),
        DeviceChange::Choke(0.05),
        DeviceChange::Choke(f64::INFINITY),
        DeviceChange::Sides(0.5),
        DeviceChange::NoReservoir,
        DeviceChange::Volts(0.9),
        DeviceChange::Perveance(0.2),
        DeviceChange::Absent,
    ] {
        let overlay = [Change::Device(v1, change)];
        if let Err(error) = compare(&circuit, &overlay, text) {
            panic!("{error}");
        }
    }
}

/// A filament behind a poor contact, and one burnt out.
#[test]
fn lamp_changes_are_those_of_the_circuit_built_anew() {
    let text = "supply B1 24V source 5 from feed to chassis\n\
                lamp P1 42 6.3V from feed to middle\n\
                lamp P2 42 6.3V from middle to chassis\n\
                resistor R1 1000 from middle to chassis\n";
    let circuit = Circuit::new(text);
    let (lamp, bypass) = (circuit.device("P1"), circuit.element("P1"));
    for ohms in [3.0, 1e3, 1e7, 1e11] {
        let overlay = [
            Change::Ohms(bypass, 4.2e5 + ohms),
            Change::Pin {
                device: lamp,
                port: Some(0),
                ohms,
            },
        ];
        if let Err(error) = compare(&circuit, &overlay, text) {
            panic!("{error}");
        }
    }
}

/// Two opens that leave the node between them hanging on nothing: the update
/// for each alone is harmless, for both together it is not.
#[test]
fn two_opens_around_one_node() {
    let text = "supply B1 250V from bplus to chassis\n\
                resistor R1 10000 from bplus to a\n\
                resistor R2 10000 from a to b\n\
                resistor R3 10000 from b to chassis\n";
    let circuit = Circuit::new(text);
    for open in [1e9, 1e12, f64::INFINITY] {
        let overlay = [
            Change::Ohms(circuit.element("R1"), open),
            Change::Ohms(circuit.element("R2"), open),
        ];
        if let Err(error) = compare(&circuit, &overlay, text) {
            panic!("{error}");
        }
    }
}

/// A fuse is solved for its current; blown, it leaves everything behind it without a source.
#[test]
fn a_blown_fuse_leaves_what_is_behind_it_dead() {
    let text = "supply B1 250V from bplus to chassis\n\
                fuse F1 0.2 from bplus to fused\n\
                resistor R1 100000 from fused to plate\n\
                tube V1 6SN7 section 1 plate=plate grid=chassis cathode=chassis\n";
    let circuit = Circuit::new(text);
    for open in [1e7, 1e12, f64::INFINITY] {
        let overlay = [Change::Ohms(circuit.element("F1"), open)];
        let base = circuit.running();
        let (point, whole) = both_ways(&circuit, &base, &overlay);
        let fused = circuit.node("fused");
        let found = point.node_volts(fused);
        assert!((found - whole[fused]).abs() < 1e-7, "{found} V");
        assert!(open < 1e9 || found.abs() < 5.0, "{found} V");
        kirchhoff_holds(&point);
        // And its sensitivities are numbers.
        let mut gradient = Vec::new();
        let probe = deadstage_circuit::Probe::Volts {
            from: fused,
            to: 0,
            load: Some(1e7),
        };
        point.read(&probe, &mut Scratch::default(), Some(&mut gradient));
        assert!(gradient.iter().all(|g| g.is_finite()), "{gradient:?}");
    }
}

/// A change says what it says wherever the solution starts.
#[test]
fn the_start_makes_no_difference() {
    let circuit = Circuit::new(
        "supply B1 300V source 500 from bplus to chassis\n\
         resistor R1 100000 from bplus to plate\n\
         resistor R2 1500 from cathode to chassis\n\
         resistor R3 470000 from grid to chassis\n\
         capacitor C1 20n paper from bplus to grid\n\
         tube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n",
    );
    let base = circuit.in_situation(&Situation::running(None));
    let leak = |ohms: f64| [Change::Ohms(circuit.element("C1"), ohms)];
    let mut scratch = Scratch::default();
    let direct = base
        .solve(&leak(1e6), None, &mut scratch)
        .expect("a leaky capacitor");
    let shorted = base
        .solve(&leak(10.0), None, &mut scratch)
        .expect("a shorted capacitor");
    let after = base
        .solve(&leak(1e6), Some(shorted.state()), &mut scratch)
        .expect("a leaky capacitor");
    for node in 0..circuit.network.nodes {
        assert!((direct.node_volts(node) - after.node_volts(node)).abs() < 1e-8);
    }
}
