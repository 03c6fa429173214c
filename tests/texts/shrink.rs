//! A shorter text that breaks the same rule.

use std::time::{Duration, Instant};

/// Time given to the search for a shorter text.
const PATIENCE: Duration = Duration::from_secs(20);

/// The shortest text found of which `breaks` still says so: lines are taken out first, then words, then characters.
pub fn shrink(text: &str, mut breaks: impl FnMut(&str) -> bool) -> String {
    let until = Instant::now() + PATIENCE;
    let mut least = text.to_owned();
    // What was kept of lines may be spared once words are gone.
    loop {
        let before = least.len();
        for pieces in [by_lines, by_words, by_characters] {
            least = without(&least, pieces, &mut breaks, until);
        }
        if least.len() == before || Instant::now() > until {
            return least;
        }
    }
}

fn by_lines(text: &str) -> Vec<&str> {
    text.split_inclusive('\n').collect()
}

fn by_words(text: &str) -> Vec<&str> {
    text.split_inclusive(|c: char| c.is_whitespace()).collect()
}

fn by_characters(text: &str) -> Vec<&str> {
    let ends = text.char_indices().map(|(at, c)| at..at + c.len_utf8());
    ends.map(|range| &text[range]).collect()
}

/// Takes out runs of pieces, half of them, a quarter, down to single ones, as long as the text still breaks.
fn without(
    text: &str,
    pieces: fn(&str) -> Vec<&str>,
    breaks: &mut impl FnMut(&str) -> bool,
    until: Instant,
) -> String {
    let all: Vec<String> = pieces(text).into_iter().map(str::to_owned).collect();
    let mut kept = all;
    let mut run = kept.len().div_ceil(2);
    while run > 0 {
        let mut at = 0;
        while at < kept.len() && Instant::now() < until {
            let end = (at + run).min(kept.len());
            let shorter: String = kept[..at].iter().chain(&kept[end..]).cloned().collect();
            if breaks(&shorter) {
                kept.drain(at..end);
            } else {
                at = end;
            }
        }
        run /= 2;
    }
    kept.concat()
}
