//! Sensitivities by the adjoint method, against the circuit solved again with
//! the value moved.

use crate::fixtures::{Circuit, healthy};
use deadstage_circuit::{
    Change, DeviceId, ElementId, Flow, OperatingPoint, ParameterKind, Probe, Scratch, Situation,
    plain,
};
use deadstage_parts::LawForm;

/// Relative step of a difference.
const STEP: f64 = 1e-4;

const CHASSIS: &str = "\
line 117V
supply B1 320V source 400 from bplus to chassis follows line
supply B2 22V source 1000 from chassis to bias follows line
resistor R1 100000 from bplus to plate1
resistor R2 1800 from cathode1 to chassis
resistor R3 1000000 from grid1 to chassis
tube V1 12AX7 section 1 plate=plate1 grid=grid1 cathode=cathode1
capacitor C1 20n paper from plate1 to grid2
resistor R4 470000 from grid2 to arm
potentiometer P1 10000 at 40% from bias to chassis wiper arm
winding T1 250 from metered to plate2
resistor R5 2200 from bplus to screen2
meter M1 1mA 50 from bplus to metered
resistor R6 0.6 from bplus to metered
resistor R7 27 from cathode2 to chassis
tube V2 6V6 plate=plate2 grid=grid2 screen=screen2 cathode=cathode2
resistor R8 8200 from bplus to regulated
regulator V3 0A2 from regulated to chassis
resistor R11 220000 from bplus to chassis
resistor R9 15000 from regulated to plate4
resistor R10 33000 from grid4 to chassis
tube V4 6C4 plate=plate4 grid=grid4 cathode=chassis drive 14V peak
";

/// The text with the value of one part multiplied.
fn with_value(text: &str, part: &str, factor: f64) -> String {
    let mut found = false;
    let lines: Vec<String> = text
        .lines()
        .map(|line| {
            let mut words: Vec<String> = line.split(' ').map(str::to_owned).collect();
            if words.get(1).is_some_and(|name| name == part) {
                found = true;
                // A panel meter's ohms come behind its full scale.
                let at = if words[0] == "meter" { 3 } else { 2 };
                let unit = if words[at].ends_with('V') { "V" } else { "" };
                let value: f64 = words[at]
                    .trim_end_matches('V')
                    .parse()
                    .expect("a plain number");
                words[at] = format!("{}{unit}", value * factor);
            }
            words.join(" ")
        })
        .collect();
    assert!(found, "there is no {part}");
    lines.join("\n") + "\n"
}

fn probes(circuit: &Circuit) -> Vec<Probe> {
    let mut probes = Vec::new();
    for node in [
        "plate1",
        "cathode1",
        "grid1",
        "grid2",
        "plate2",
        "screen2",
        "cathode2",
        "regulated",
        "grid4",
        "plate4",
        "arm",
        "bplus",
    ] {
        for load in [None, Some(10e6), Some(250e3)] {
            probes.push(Probe::Volts {
                from: circuit.node(node),
                to: 0,
                load,
            });
        }
    }
    let (from, to) = (circuit.node("bplus"), circuit.node("plate1"));
    probes.push(Probe::Volts {
        from,
        to,
        load: Some(1e6),
    });
    for part in ["R1", "M1", "R6", "B1", "P1"] {
        probes.push(Probe::Amps(Flow::Element(circuit.element(part))));
    }
    probes.push(Probe::Amps(Flow::Port(circuit.device("V2"), 0)));
    probes.push(Probe::Amps(Flow::Port(circuit.device("V2"), 2)));
    probes.push(Probe::Amps(Flow::Port(circuit.device("V4"), 1)));
    probes
}

fn readings(circuit: &Circuit, situation: &Situation, overlay: &[Change]) -> Vec<f64> {
    let base = circuit.in_situation(situation);
    let mut scratch = Scratch::default();
    let point = base
        .solve(overlay, None, &mut scratch)
        .expect("hardly moved");
    probes(circuit)
        .iter()
        .map(|probe| point.read(probe, &mut scratch, None))
        .collect()
}

/// The same by the whole network, with one trait of one device moved.
fn readings_whole(
    circuit: &Circuit,
    id: DeviceId,
    of: deadstage_parts::Trait,
    by: f64,
) -> Vec<f64> {
    let base = circuit.running();
    let point = healthy(&base);
    probes(circuit)
        .iter()
        .map(|probe| {
            let mut values = base.values().clone();
            values.conditions.clone_from(&point.values().conditions);
            let condition = &mut values.conditions[id.0 as usize];
            *condition = condition.moved(of, by);
            if let Probe::Volts {
                from,
                to,
                load: Some(ohms),
            } = *probe
            {
                values.shunts.push((from, to, ohms));
            }
            let whole = plain::solve(&circuit.network, &values).expect("hardly moved");
            let volts = |node: usize| node.checked_sub(1).map_or(0.0, |at| whole.unknowns[at]);
            match *probe {
                Probe::Volts { from, to, .. } => volts(from) - volts(to),
                Probe::Amps(Flow::Element(id)) => {
                    let (element, value) =
                        (circuit.network.element(id), values.elements[id.0 as usize]);
                    (volts(element.from) - volts(element.to) - value.emf) / value.ohms
                }
                Probe::Amps(Flow::Port(id, port)) => {
                    whole.port_amps[circuit.network.device(id).first_port + port]
                }
                Probe::Ohms { .. } => f64::NAN,
            }
        })
        .collect()
}

/// Change of every reading with one parameter, by a central difference.
fn differences(
    text: &str,
    form: LawForm,
    circuit: &Circuit,
    kind: &ParameterKind,
    part: Option<&str>,
) -> Vec<f64> {
    let here = Situation::running(None);
    let name = part.unwrap_or_default();
    let (below, above, span) = match kind {
        ParameterKind::Line => {
            let at = |factor: f64| {
                let mut situation = here.clone();
                situation.line_ratio = factor;
                readings(circuit, &situation, &[])
            };
            (at(1.0 / (1.0 + STEP)), at(1.0 + STEP), 2.0 * STEP.ln_1p())
        }
        ParameterKind::Ohms(elements) if name.starts_with('C') => {
            let at = |factor: f64| {
                let ohms = circuit.network.element(elements[0]).ohms * factor;
                readings(circuit, &here, &[Change::Ohms(elements[0], ohms)])
            };
            (at(1.0 / (1.0 + STEP)), at(1.0 + STEP), 2.0 * STEP.ln_1p())
        }
        ParameterKind::Ohms(_) | ParameterKind::Emf(_) => {
            let at = |factor: f64| {
                let moved = Circuit::following(&with_value(text, name, factor), form);
                readings(&moved, &here, &[])
            };
            (at(1.0 / (1.0 + STEP)), at(1.0 + STEP), 2.0 * STEP.ln_1p())
        }
        ParameterKind::Wiper(..) => {
            let at = |percent: f64| {
                let moved = text.replace("at 40%", &format!("at {percent}%"));
                readings(&Circuit::following(&moved, form), &here, &[])
            };
            (at(40.0 - 100.0 * STEP), at(40.0 + 100.0 * STEP), 2.0 * STEP)
        }
        ParameterKind::Device(id, of) => {
            let at = |by: f64| readings_whole(circuit, *id, *of, by);
            (at(-STEP), at(STEP), 2.0 * STEP)
        }
    };
    above
        .iter()
        .zip(&below)
        .map(|(a, b)| (a - b) / span)
        .collect()
}

/// A load that is light against its source is taken by proportion, and so is its
/// gradient: off by what the drop itself moves, which is about as much as the drop.
fn light_load(point: &OperatingPoint<'_>, probe: &Probe, shown: f64, scratch: &mut Scratch) -> f64 {
    match *probe {
        Probe::Volts {
            from,
            to,
            load: Some(load),
        } => {
            let drop = (point.node_volts(from) - point.node_volts(to) - shown).abs();
            let light = point.source_ohms(from, to, scratch).abs() < 0.02 * load;
            if light { 2.0 * drop } else { 0.0 }
        }
        _ => 0.0,
    }
}

#[test]
fn sensitivities_are_the_differences_of_readings() {
    for form in LawForm::ALL {
        let circuit = Circuit::following(CHASSIS, form);
        let base = circuit.running();
        let point = healthy(&base);
        let mut scratch = Scratch::default();
        let probes = probes(&circuit);
        let gradients: Vec<(Vec<f64>, f64)> = probes
            .iter()
            .map(|probe| {
                let mut gradient = Vec::new();
                let value = point.read(probe, &mut scratch, Some(&mut gradient));
                let bare = point.read(probe, &mut scratch, None);
                assert!((value - bare).abs() <= 1e-9 * (1.0 + bare.abs()));
                (gradient, light_load(&point, probe, value, &mut scratch))
            })
            .collect();
        let mut compared = 0;
        for (index, parameter) in circuit.network.parameters.iter().enumerate() {
            let part = parameter
                .part
                .map(|id| circuit.stage.part(id).name.as_str());
            let found = differences(CHASSIS, form, &circuit, &parameter.kind, part);
            for ((probe, (gradient, light_load)), difference) in
                probes.iter().zip(&gradients).zip(found)
            {
                let stated = gradient[index];
                let allowed = match probe {
                    Probe::Volts { .. } => 1e-5 + light_load,
                    _ => 1e-8,
                };
                assert!(
                    (stated - difference).abs() <= allowed + 1e-3 * difference.abs(),
                    "{form:?} {probe:?} by {:?} of {part:?}: {stated:e} for {difference:e}",
                    parameter.kind
                );
                compared += 1;
            }
        }
        assert!(compared > 1500, "{compared}");
    }
}

/// Ohms with the power off, too.
#[test]
fn ohms_move_with_the_resistors() {
    let off = Situation::running(None).power_off();
    let circuit = Circuit::new(CHASSIS);
    let base = circuit.in_situation(&off);
    let point = healthy(&base);
    let mut scratch = Scratch::default();
    for (from, to) in [
        ("plate1", "chassis"),
        ("grid2", "chassis"),
        ("bplus", "metered"),
        ("screen2", "plate2"),
    ] {
        let probe = |circuit: &Circuit| Probe::Ohms {
            from: circuit.node(from),
            to: circuit.node(to),
        };
        let mut gradient = Vec::new();
        let here = point.read(&probe(&circuit), &mut scratch, Some(&mut gradient));
        let mut sum = 0.0;
        for (stated, parameter) in gradient.iter().zip(&circuit.network.parameters) {
            let Some(part) = parameter
                .part
                .map(|id| circuit.stage.part(id).name.as_str())
            else {
                assert_eq!(*stated, 0.0);
                continue;
            };
            let ParameterKind::Ohms(elements) = &parameter.kind else {
                continue;
            };
            if part.starts_with('C') {
                // Leakages have no value in the text.
                assert_eq!(elements, &[circuit.element(part)]);
                sum += stated;
                continue;
            }
            let moved = |factor: f64| {
                let circuit = Circuit::new(&with_value(CHASSIS, part, factor));
                let base = circuit.in_situation(&off);
                let point = healthy(&base);
                point.read(&probe(&circuit), &mut Scratch::default(), None)
            };
            let found = (moved(1.0 + STEP) - moved(1.0 / (1.0 + STEP))) / (2.0 * STEP.ln_1p());
            assert!(
                (stated - found).abs() <= 1e-6 * here,
                "{from} to {to} by {part}: {stated:e} for {found:e}"
            );
            sum += stated;
        }
        // Every ohm scaled alike scales the reading: Euler. The wiper's contact has no parameter.
        assert!(
            (sum / here - 1.0).abs() < 1e-3,
            "{from} to {to}: {sum} of {here}"
        );
    }
}

/// The elements of a part that has several move together.
#[test]
fn a_track_is_one_parameter() {
    let circuit = Circuit::new(CHASSIS);
    let part = circuit.part("P1");
    let of_track: Vec<&ParameterKind> = circuit
        .network
        .parameters
        .iter()
        .filter(|p| p.part == Some(part))
        .map(|p| &p.kind)
        .collect();
    let elements: &[ElementId] = &circuit.network.part(part).elements;
    assert_eq!(of_track.len(), 2);
    assert_eq!(of_track[0], &ParameterKind::Ohms(elements[..2].to_vec()));
    assert_eq!(of_track[1], &ParameterKind::Wiper(elements[0], elements[1]));
}

/// What a rectified supply may be off by, each once: the mains, the winding's volts (±5 % over
/// root three), a tube's perveance. A winding's tolerance is not counted besides.
#[test]
fn a_rectifiers_spread_is_counted_once() {
    let circuit = Circuit::new(
        "line 117V\n\
         rectifier V1 5Y3 full-wave 350V winding 60 input capacitor from raw to chassis\n\
         resistor R1 5000 from raw to chassis\n",
    );
    let own: Vec<f64> = circuit
        .network
        .parameters
        .iter()
        .filter(|p| p.part == Some(circuit.part("V1")))
        .map(|p| p.sigma)
        .collect();
    let volts = 0.05 / 3.0_f64.sqrt();
    assert_eq!(own.len(), 2, "volts and perveance");
    assert!(
        own.iter().any(|sigma| (sigma / volts - 1.0).abs() < 0.05),
        "{own:?}"
    );
    let base = circuit.running();
    let point = healthy(&base);
    let raw = circuit.node("raw");
    let probe = Probe::Volts {
        from: raw,
        to: 0,
        load: None,
    };
    let mut gradient = Vec::new();
    let scratch = &mut Scratch::default();
    let read = point.read(&probe, scratch, Some(&mut gradient));
    let parameters = circuit.network.parameters.iter();
    let variance: f64 = gradient
        .iter()
        .zip(parameters)
        .map(|(g, p)| (g * p.sigma).powi(2))
        .sum();
    let relative = variance.sqrt() / read;
    // √((1.15 · 3 %)² + (1.15 · 1.5 %)² + (1.5 %)²): drops do not rise with the winding, and a
    // sixth of the output is dropped in the tube.
    assert!((0.037..0.044).contains(&relative), "{relative}");
}
