//! Which relays are pulled in.
//!
//! A contact follows its coil and the coil what its contacts let through. First all relays move at once, as on
//! a unit that is switched on. Where that goes round in circles, they move one at a time, in every order: of two
//! that lock each other out one is always the quicker, and both outcomes are steady. A relay that breaks its
//! own coil has none. Where no way from rest ends, every combination is tried: by hand a relay can be put into any.

use std::collections::{HashSet, VecDeque};

use crate::error::SolveError;

/// Combinations tried before it is given up.
const MOST_TRIED: usize = 128;

/// Relays of which every combination is tried where none that moves lead to is steady.
const MOST_COMBINED: usize = 6;

/// A combination of relays with what was found for it.
pub(crate) struct Tried<T> {
    /// What the coils would hold then.
    pub(crate) held: Vec<bool>,
    pub(crate) found: T,
}

/// Steady combinations of relays reached from one, each with what `try_them` found for it: the first, or all.
///
/// # Errors
/// What `try_them` says of a combination, where no steady one was reached; `None` if there is none.
pub(crate) fn steady<T>(
    first: &[bool],
    wants_all: bool,
    mut try_them: impl FnMut(&[bool]) -> Result<Tried<T>, SolveError>,
) -> Result<Vec<(Vec<bool>, T)>, Option<SolveError>> {
    let mut seen: HashSet<Vec<bool>> = HashSet::new();
    let mut steady = Vec::new();
    let mut trouble = None;
    let mut waiting: VecDeque<Vec<bool>> = VecDeque::from([first.to_vec()]);
    let mut at_once = true;
    let mut others = every_combination(first.len());
    loop {
        let next = waiting.pop_front();
        let next = next.or_else(|| others.next().filter(|_| steady.is_empty()));
        let Some(energised) = next else {
            break;
        };
        if seen.len() >= MOST_TRIED || !seen.insert(energised.clone()) {
            continue;
        }
        let tried = match try_them(&energised) {
            Ok(tried) => tried,
            Err(error) => {
                trouble.get_or_insert(error);
                continue;
            }
        };
        if tried.held == energised {
            steady.push((energised, tried.found));
            if !wants_all {
                break;
            }
            continue;
        }
        // What moves one at a time waits behind what moves at once.
        let moves = (0..energised.len()).filter(|&k| tried.held[k] != energised[k]);
        for k in moves {
            let mut other = energised.clone();
            other[k] = !other[k];
            waiting.push_back(other);
        }
        if at_once {
            at_once = !seen.contains(&tried.held);
            waiting.push_front(tried.held);
        }
    }
    if steady.is_empty() {
        Err(trouble)
    } else {
        Ok(steady)
    }
}

/// Every combination of so many relays; none where they are too many.
fn every_combination(relays: usize) -> impl Iterator<Item = Vec<bool>> {
    let count = match relays <= MOST_COMBINED {
        true => 1_usize << relays,
        false => 0,
    };
    (0..count).map(move |combination| (0..relays).map(|k| combination >> k & 1 == 1).collect())
}
