//! Chains of coupled triode stages of any length, as stage text.

use std::fmt::Write;

/// `count` coupled triode stages on one decoupled supply, nine parts each.
pub(crate) fn chain(count: usize) -> String {
    let mut text = "stage \"Chain\"\nsupply B1 300V source 200 from rail0 to chassis\n".to_owned();
    for k in 1..=count {
        let before = k - 1;
        let coupled = if k == 1 {
            "chassis".to_owned()
        } else {
            format!("plate{before}")
        };
        let _ = write!(
            text,
            "resistor RD{k} 4700 from rail{before} to rail{k}\n\
             capacitor CD{k} 16u electrolytic from rail{k} to chassis\n\
             resistor RP{k} 100000 from rail{k} to plate{k}\n\
             resistor RK{k} 1500 from cathode{k} to chassis\n\
             capacitor CK{k} 25u electrolytic from cathode{k} to chassis\n\
             resistor RG{k} 470000 from grid{k} to chassis\n\
             capacitor CC{k} 20n paper from {coupled} to grid{k}\n\
             tube V{k} 12AX7 section 1 plate=plate{k} grid=grid{k} cathode=cathode{k}\n"
        );
    }
    text
}
