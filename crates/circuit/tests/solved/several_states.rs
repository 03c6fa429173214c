//! Circuits with several states that hold by themselves, and those that look as if they had.

use crate::fixtures::{Circuit, healthy};
use deadstage_circuit::{Base, Scratch, Situation};

/// The node voltages of every state.
fn states(circuit: &Circuit, nodes: &[&str]) -> Vec<Vec<f64>> {
    let situation = Situation::running(None);
    let all = Base::all(&circuit.network, &situation, &mut Scratch::default()).expect("it solves");
    let volts = |base: &Base<'_>| {
        let point = healthy(base);
        let of = |node: &&str| point.node_volts(circuit.node(node));
        nodes.iter().map(of).collect()
    };
    all.iter().map(volts).collect()
}

/// Two triodes, each plate on the other's grid.
fn flip_flop() -> Circuit {
    Circuit::new(
        "supply B1 250V from b to chassis\n\
         supply B2 100V from chassis to n\n\
         resistor R1 47k from b to p1\n\
         resistor R2 47k from b to p2\n\
         resistor R3 470k from p1 to g2\n\
         resistor R4 470k from p2 to g1\n\
         resistor R5 470k from g1 to n\n\
         resistor R6 470k from g2 to n\n\
         tube V1 6J5 plate=p1 grid=g1 cathode=chassis\n\
         tube V2 6J5 plate=p2 grid=g2 cathode=chassis\n",
    )
}

#[test]
fn a_flip_flop_rests_on_either_side_and_never_between() {
    let circuit = flip_flop();
    let found = states(&circuit, &["p1", "p2"]);
    let [one, other] = found.as_slice() else {
        panic!("{found:?}");
    };
    assert!((one[0] - one[1]).abs() > 50.0, "{one:?}");
    // What one half has in one state, the other has in the other.
    assert!((one[0] - other[1]).abs() < 1e-6, "{found:?}");
    assert!((one[1] - other[0]).abs() < 1e-6, "{found:?}");
    let first = circuit.running();
    let point = healthy(&first);
    let between = point.node_volts(circuit.node("p1")) - point.node_volts(circuit.node("p2"));
    assert!(between.abs() > 50.0, "{between}");
}

#[test]
fn three_of_which_each_holds_the_others_down_have_three_states() {
    let mut text =
        String::from("supply B1 250V from b to chassis\nsupply B2 200V from chassis to n\n");
    for own in 0..3 {
        text += &format!(
            "resistor RL{own} 47k from b to p{own}\n\
             tube V{own} 6J5 plate=p{own} grid=g{own} cathode=chassis\n\
             resistor RG{own} 470k from g{own} to n\n"
        );
        for other in (0..3).filter(|other| *other != own) {
            text += &format!("resistor R{own}{other} 1M from p{own} to g{other}\n");
        }
    }
    let circuit = Circuit::new(&text);
    let found = states(&circuit, &["p0", "p1", "p2"]);
    assert_eq!(found.len(), 3, "{found:?}");
    for state in &found {
        let high = state.iter().filter(|volts| **volts > 150.0).count();
        assert!(high == 1 || high == 2, "{found:?}");
    }
}

#[test]
fn a_trigger_within_its_backlash_has_two_states_and_beside_it_one() {
    let trigger = |input: f64| {
        Circuit::new(&format!(
            "supply B1 250V from b to chassis\n\
             supply B2 {input}V from g1 to chassis\n\
             resistor R1 47k from b to p1\n\
             resistor R2 10k from b to p2\n\
             resistor R3 100k from p1 to g2\n\
             resistor R4 100k from g2 to chassis\n\
             resistor R5 10k from k to chassis\n\
             tube V1 6SN7 section 1 plate=p1 grid=g1 cathode=k\n\
             tube V2 6SN7 section 2 plate=p2 grid=g2 cathode=k\n"
        ))
    };
    let count = |input| states(&trigger(input), &["p2"]).len();
    assert_eq!((count(20.0), count(150.0)), (1, 1));
    let both: Vec<u32> = (30..140)
        .filter(|input| count(f64::from(*input)) == 2)
        .collect();
    let backlash = both.len();
    assert!(backlash > 1, "{both:?}");
    // Without a gap: a trigger has one backlash.
    assert_eq!(
        both.last().zip(both.first()).map(|(l, f)| l - f + 1),
        u32::try_from(backlash).ok()
    );
}

#[test]
fn relays_that_lock_each_other_out_have_two_states() {
    let circuit = Circuit::new(
        "supply B1 24V from b to chassis\n\
         relay K1 300 pulls-in 30mA from a to chassis\n\
         relay K2 300 pulls-in 30mA from c to chassis\n\
         contact K1 from b to c normally closed\n\
         contact K2 from b to a normally closed\n",
    );
    let found = states(&circuit, &["a", "c"]);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(
        found
            .iter()
            .all(|state| (state[0] > 20.0) != (state[1] > 20.0)),
        "{found:?}"
    );
}

#[test]
fn a_chain_on_one_rail_has_one_state() {
    let mut text = String::from("supply B1 300V source 200 from b to chassis\n");
    for own in 0..30 {
        text += &format!(
            "resistor RL{own} 100k from b to p{own}\n\
             resistor RK{own} 2.2k from k{own} to chassis\n\
             resistor RG{own} 1M from g{own} to chassis\n\
             tube V{own} 6J5 plate=p{own} grid=g{own} cathode=k{own}\n"
        );
        if own % 3 != 0 {
            text += &format!("resistor RC{own} 1M from p{} to g{own}\n", own - 1);
        }
    }
    assert_eq!(states(&Circuit::new(&text), &["p1"]).len(), 1);
}
