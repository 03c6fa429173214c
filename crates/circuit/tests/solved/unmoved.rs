//! Readings told from those of the healthy unit, where a failure hardly moves them.

use deadstage_circuit::{Change, Probe, Scratch};

use crate::fixtures::Circuit;

/// Two stages in cascade behind a common decoupling resistor.
const STAGES: &str = "supply B1 300V from feed to chassis\n\
    resistor R9 22k from feed to bplus\n\
    resistor R1 100k from bplus to plate1\n\
    resistor R2 1.5k from cathode1 to chassis\n\
    resistor R3 1M from grid1 to chassis\n\
    tube V1 12AX7 section 1 plate=plate1 grid=grid1 cathode=cathode1\n\
    resistor R4 220k from bplus to plate2\n\
    resistor R5 2.7k from cathode2 to chassis\n\
    resistor R6 1M from grid2 to chassis\n\
    tube V2 12AX7 section 1 plate=plate2 grid=grid2 cathode=cathode2\n";

/// Volts.
const WITHIN: f64 = 1.0;

/// Nothing is told within this, volts.
const LEAST_WITHIN: f64 = 1e-9;

#[test]
fn what_hardly_moves_is_told_to_a_small_part_of_what_it_moves_by() {
    let circuit = Circuit::new(STAGES);
    let base = circuit.running();
    let mut scratch = Scratch::default();
    let (mut told, mut solved) = (0, 0);
    for (part, ohms) in [("R1", 100e3), ("R2", 1.5e3), ("R5", 2.7e3), ("R9", 22e3)] {
        for ratio in [0.7, 0.9, 0.97, 1.02, 1.1, 1.5, 3.0] {
            let overlay = [Change::Ohms(circuit.element(part), ohms * ratio)];
            let near = base
                .solve(&overlay, None, &mut scratch)
                .expect("found near");
            let healthy = base.solve(&[], None, &mut scratch).expect("found near");
            for name in ["bplus", "plate1", "cathode1", "plate2", "cathode2"] {
                let probe = Probe::Volts {
                    from: circuit.node(name),
                    to: 0,
                    load: Some(1e6),
                };
                let was = healthy.read(&probe, &mut scratch, None);
                let exact = near.read(&probe, &mut scratch, None);
                let found = near.read_to_within(WITHIN, &probe, &mut scratch, None);
                let most = 0.02 * (exact - was).abs().min(WITHIN) + 1e-3;
                assert!(
                    (found - exact).abs() <= most,
                    "{name} with {part} at {ratio} of its value: {found} V for {exact} V"
                );
                // What is told is never the same to the last digit. A point of its own is asked, for what a
                // meter has been seen to take at a point is known from then on.
                let again = base
                    .solve(&overlay, None, &mut scratch)
                    .expect("found near");
                let solved_anew = again.read_to_within(LEAST_WITHIN, &probe, &mut scratch, None);
                if found != solved_anew {
                    assert!((exact - was).abs() < 2.0 * WITHIN, "{name}, {part}");
                    told += 1;
                } else if (exact - was).abs() > 2.0 * WITHIN {
                    solved += 1;
                }
            }
        }
    }
    assert!(
        told > 20 && solved > 20,
        "{told} hardly moved, {solved} moved"
    );
}

/// A light meter's load is taken by proportion where it draws no more than a few times what the
/// reading may be off: held against the network solved with the meter in it.
#[test]
fn a_light_load_taken_by_proportion_is_off_by_a_small_part_of_what_may_be() {
    let circuit = Circuit::new(STAGES);
    let base = circuit.running();
    let mut scratch = Scratch::default();
    let mut told = 0;
    for (part, ohms) in [("R1", 100e3), ("R2", 1.5e3), ("R5", 2.7e3), ("R9", 22e3)] {
        for ratio in [0.1, 0.3, 2.0, 5.0, 20.0] {
            let overlay = [Change::Ohms(circuit.element(part), ohms * ratio)];
            // Two, for what a meter has been seen to take at a point is known from then on.
            let [solved, near] = [(); 2].map(|()| {
                base.solve(&overlay, None, &mut scratch)
                    .expect("found near")
            });
            for name in ["bplus", "plate1", "cathode1", "plate2", "cathode2"] {
                let probe = Probe::Volts {
                    from: circuit.node(name),
                    to: 0,
                    load: Some(11e6),
                };
                let (mut then, mut now) = (Vec::new(), Vec::new());
                let exact = solved.read(&probe, &mut scratch, Some(&mut then));
                // A fifth of what a meter of 3 % may be off.
                let within = 0.0035 * exact.abs();
                let found = near.read_to_within(within, &probe, &mut scratch, Some(&mut now));
                assert!(
                    (found - exact).abs() <= 0.1 * within,
                    "{name} with {part} at {ratio} of its value: {found} V for {exact} V"
                );
                let size = |changes: &[f64]| changes.iter().map(|c| c * c).sum::<f64>().sqrt();
                let off: Vec<f64> = now.iter().zip(&then).map(|(a, b)| a - b).collect();
                assert!(
                    size(&off) <= 0.03 * size(&then) + 1e-3,
                    "{name} with {part} at {ratio}"
                );
                told += usize::from(found != exact);
            }
        }
    }
    assert!(told > 5, "{told} taken by proportion");
}
