//! The same stage as another hand would type it: statements in another order, names in
//! other cases, remarks, lines carried on, another name for the common.

use rand::RngExt;
use rand::seq::SliceRandom;
use rand_pcg::Pcg64Mcg;

/// Of so many drafts one is typed by another hand.
const OTHER_HAND: u32 = 3;

/// The statements of a stage file, each a line, in some hand.
pub(super) fn typed(statements: &str, rng: &mut Pcg64Mcg) -> String {
    if rng.random_range(0..OTHER_HAND) != 0 {
        return statements.to_owned();
    }
    let mut lines: Vec<String> = statements.lines().map(str::to_owned).collect();
    let mut one_in = |n: u32| rng.random_range(0..n) == 0;
    let (shuffled, cased, ground) = (one_in(2), one_in(2), one_in(5));
    let (remarked, carried, windows) = (one_in(3), one_in(3), one_in(4));
    if shuffled {
        lines.shuffle(rng);
    }
    if ground {
        for line in &mut lines {
            *line = each_word(line, |word| word.replace("chassis", "Earth-1"));
        }
        lines.push("common Earth-1".to_owned());
    }
    if cased {
        for line in &mut lines {
            if rng.random_range(0..3) == 0 {
                *line = capitals(line);
            }
        }
    }
    if remarked {
        let at = rng.random_range(0..=lines.len());
        lines.insert(
            at,
            "section \"Somewhere in it\"   # where it is drawn".to_owned(),
        );
        lines.push("notes \"No signal; 20 kΩ/V\"".to_owned());
        for line in &mut lines {
            if rng.random_range(0..4) == 0 {
                line.push_str("  # as printed: \"R7\", ±5 %");
            }
        }
    }
    if carried {
        for line in &mut lines {
            let blanks: Vec<usize> = line.match_indices(" from ").map(|(at, _)| at).collect();
            if let (Some(&at), 0) = (blanks.first(), rng.random_range(0..3)) {
                line.replace_range(at..=at, "\n\t");
            }
        }
    }
    let ending = if windows { "\r\n" } else { "\n" };
    let mut out = String::new();
    for line in lines {
        out.push_str(&line.replace('\n', ending));
        out.push_str(ending);
    }
    out
}

fn each_word(line: &str, change: impl Fn(&str) -> String) -> String {
    let words: Vec<String> = line.split(' ').map(change).collect();
    words.join(" ")
}

/// Node names in capitals: those behind `from`, `to`, `wiper` and an electrode's `=`.
fn capitals(line: &str) -> String {
    let mut after_from = false;
    let words: Vec<String> = line
        .split(' ')
        .map(|word| {
            let is_node =
                std::mem::replace(&mut after_from, matches!(word, "from" | "to" | "wiper"));
            match word.split_once('=') {
                Some((electrode, node)) => format!("{electrode}={}", node.to_uppercase()),
                None if is_node => word.to_uppercase(),
                None => word.to_owned(),
            }
        })
        .collect();
    words.join(" ")
}
