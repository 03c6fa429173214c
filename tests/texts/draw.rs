//! Text number so-and-so of a seed.

use rand::{Rng, RngExt};
use rand_pcg::Pcg64Mcg;

use super::corpus::Corpus;
use super::grammar::Grammar;
use super::mutate::{damage, noise};
use super::{Kind, Text};

/// The text of this number. It depends on nothing but the seed and the corpus.
pub fn text(corpus: &Corpus, seed: u64, number: u64) -> Text {
    // Neighbouring numbers are spread over the state, or their first draws would be alike.
    let state = (u128::from(seed) << 64 | u128::from(number))
        .wrapping_mul(0x2545_f491_4f6c_dd1d_9e37_79b9_7f4a_7c15);
    let mut rng = Pcg64Mcg::new(state);
    let of = rng.random_range(0..corpus.stages.len());
    let kind = match rng.random_range(0..10) {
        0..=5 => Kind::Stage,
        6..=7 => Kind::Sheet(of),
        8 => Kind::Rates(of),
        _ => Kind::Argument(of),
    };
    let kind = match kind {
        // A sheet is drawn beside its own stage as often as beside another.
        Kind::Sheet(_) if rng.random() => {
            Kind::Sheet(corpus.sheets[rng.random_range(0..corpus.sheets.len())].0)
        }
        kind => kind,
    };
    let mut text = match rng.random_range(0..20) {
        0 => noise(&mut rng),
        1..=10 => Grammar::new(&mut rng, corpus).of(kind),
        _ => sound(&mut rng, corpus, kind),
    };
    // A third of what the grammar gives, and of what ships a little, is left as it is.
    if rng.random_ratio(2, 3) {
        let other = sound(&mut rng, corpus, any_kind(of));
        damage(&mut rng, &mut text, &corpus.words, &other);
    }
    // A text without its title is told so and little else.
    if rng.random_ratio(1, 2) {
        text = titled(kind, text);
    }
    Text { kind, text }
}

fn any_kind(of: usize) -> Kind {
    [Kind::Stage, Kind::Sheet(of), Kind::Rates(of)][of % 3]
}

/// A sound text of that kind; of long ones a piece, so that more of them are drawn in an hour.
fn sound(rng: &mut impl Rng, corpus: &Corpus, kind: Kind) -> String {
    let whole = match kind {
        Kind::Stage => &corpus.stages[rng.random_range(0..corpus.stages.len())].0,
        Kind::Sheet(of) => {
            let own: Vec<&String> = corpus
                .sheets
                .iter()
                .filter(|(stage, _)| *stage == of)
                .map(|(_, text)| text)
                .collect();
            match own.len() {
                0 => &corpus.sheets[rng.random_range(0..corpus.sheets.len())].1,
                several => own[rng.random_range(0..several)],
            }
        }
        Kind::Rates(_) => &corpus.rates[rng.random_range(0..corpus.rates.len())],
        Kind::Argument(_) => return Grammar::new(rng, corpus).of(kind),
    };
    let lines: Vec<&str> = whole.split_inclusive('\n').collect();
    let most = rng.random_range(2..12);
    if lines.len() <= most || rng.random_ratio(1, 30) {
        return whole.clone();
    }
    let first = rng.random_range(1..=lines.len() - most);
    format!("{}{}", lines[0], lines[first..first + most].concat())
}

fn titled(kind: Kind, text: String) -> String {
    let keyword = match kind {
        Kind::Stage => "stage",
        Kind::Sheet(_) => "readings",
        Kind::Rates(_) => "rates",
        Kind::Argument(_) => return text,
    };
    if text.starts_with(keyword) {
        return text;
    }
    format!("{keyword} \"x\"\n{text}")
}
