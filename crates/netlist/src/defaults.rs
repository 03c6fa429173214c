//! `defaults`: what the lines below it need not state.

use crate::builder::Scope;
use crate::cursor::{Cursor, Outcome};
use crate::passive::{DIELECTRICS, MATERIALS};
use crate::properties::{Ratings, Takes, set_by_word, tail};

/// Kinds that `defaults` can speak of.
const DEFAULTS_FOR: [&str; 9] = [
    "resistor",
    "potentiometer",
    "capacitor",
    "choke",
    "winding",
    "supply",
    "lamp",
    "thermistor",
    "relay",
];

/// `defaults resistor 10% 0.5W`: what the lines below need not state.
pub(crate) fn defaults(cursor: &mut Cursor<'_, '_>, scope: &mut Scope) -> Outcome<()> {
    let known: Vec<(&str, &'static str)> = DEFAULTS_FOR.iter().map(|&k| (k, k)).collect();
    let keyword = cursor.choice("a kind of part", &known)?;
    let takes = Takes {
        tolerance: true,
        watts: keyword != "capacitor" && keyword != "supply",
        volts: keyword != "supply",
        words: match keyword {
            "resistor" => &["composition", "film", "wirewound"],
            "capacitor" => &["paper", "mica", "ceramic", "film", "electrolytic", "oil"],
            _ => &[],
        },
        ..Takes::default()
    };
    let (mut material, mut dielectric) = (None, None);
    if cursor.is_done() {
        return Err(cursor
            .wanted("a property")
            .help("say what holds where nothing is stated: `defaults resistor 10% 0.5W`")
            .into());
    }
    let read = tail(cursor, takes, &mut |_, token| match keyword {
        "resistor" => set_by_word(&mut material, token, &MATERIALS),
        "capacitor" => set_by_word(&mut dielectric, token, &DIELECTRICS),
        _ => Ok(false),
    })?;
    let set = Ratings {
        material,
        dielectric,
        ..read.ratings
    };
    match scope.defaults.iter_mut().find(|(k, _)| *k == keyword) {
        Some((_, earlier)) => *earlier = set.or(earlier),
        None => scope.defaults.push((keyword, set)),
    }
    Ok(())
}
