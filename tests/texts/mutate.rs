//! Slips and damage: a text with some of its words, lines or bytes changed.

use rand::{Rng, RngExt};

/// Signs that a careless editor, another language or malice puts in.
const ODD_SIGNS: [&str; 28] = [
    "\"",
    "\\",
    "#",
    "=",
    "<",
    ">",
    "\n",
    "\r\n",
    "\r",
    "\t",
    " ",
    "\n ",
    "\u{a0}",
    "\u{2003}",
    "\u{feff}",
    "\0",
    "\u{1b}[31m",
    "\u{7f}",
    "\u{9b}",
    "\u{202e}",
    "\u{200b}",
    "\u{fffe}",
    "\u{10ffff}",
    "\u{301}",
    "\u{3164}",
    "🔧",
    "ﬀ",
    "𝟙",
];

/// One of these.
pub fn pick<'t, T: ?Sized>(rng: &mut impl Rng, from: &'t [impl AsRef<T>]) -> &'t T {
    from[rng.random_range(0..from.len())].as_ref()
}

/// Does one to six kinds of damage to `text`; `words` and `other` are where strange words and lines come from.
pub fn damage(rng: &mut impl Rng, text: &mut String, words: &[String], other: &str) {
    for _ in 0..rng.random_range(1..=6) {
        match rng.random_range(0..20) {
            0..=8 => by_word(rng, text, words),
            9..=13 => by_line(rng, text, other),
            14..=16 => by_sign(rng, text),
            17 => by_bytes(rng, text),
            18 => cut_off(rng, text),
            _ => splice(rng, text, other),
        }
        if text.len() > 40_000 {
            truncate(text, 40_000);
        }
    }
}

/// Byte ranges of the words of a text.
fn words_of(text: &str) -> Vec<std::ops::Range<usize>> {
    let start = |word: &str| word.as_ptr() as usize - text.as_ptr() as usize;
    text.split_whitespace()
        .map(|word| start(word)..start(word) + word.len())
        .collect()
}

fn by_word(rng: &mut impl Rng, text: &mut String, words: &[String]) {
    let found = words_of(text);
    if found.is_empty() {
        text.push_str(pick::<str>(rng, words));
        return;
    }
    let at = found[rng.random_range(0..found.len())].clone();
    let word = text[at.clone()].to_owned();
    let changed = match rng.random_range(0..9) {
        0 => String::new(),
        1 => format!("{word} {word}"),
        2 => format!("{} {word}", pick::<str>(rng, words)),
        3 => text[found[rng.random_range(0..found.len())].clone()].to_owned(),
        4 => one_letter_off(rng, &word),
        5 if rng.random() => word.to_uppercase(),
        5 => word.to_lowercase(),
        6 => another_number(rng, &word),
        _ => pick::<str>(rng, words).to_owned(),
    };
    text.replace_range(at, &changed);
}

/// A slip of the finger: a letter lost, doubled, changed or in its neighbour's place.
fn one_letter_off(rng: &mut impl Rng, word: &str) -> String {
    let mut letters: Vec<char> = word.chars().collect();
    let at = rng.random_range(0..letters.len());
    match rng.random_range(0..4) {
        0 => {
            letters.remove(at);
        }
        1 => letters.insert(at, letters[at]),
        2 => letters[at] = char::from(rng.random_range(b' '..=b'~')),
        _ => letters.swap(at, (at + 1) % word.chars().count()),
    }
    letters.into_iter().collect()
}

/// The word with its digits changed or its power of ten put elsewhere.
fn another_number(rng: &mut impl Rng, word: &str) -> String {
    let mut out = String::new();
    for c in word.chars() {
        match c {
            '0'..='9' if rng.random_ratio(1, 3) => {
                out.push_str(pick::<str>(
                    rng,
                    &["", "0", "1", "9", "00", "999", "-", "."],
                ));
            }
            c => out.push(c),
        }
    }
    if rng.random_ratio(1, 4) {
        out.push_str(pick::<str>(
            rng,
            &["e9", "e-30", "k", "M", "m", "G", "p", "V", "%", "e400"],
        ));
    }
    out
}

fn by_line(rng: &mut impl Rng, text: &mut String, other: &str) {
    let mut lines: Vec<&str> = text.split('\n').collect();
    let at = rng.random_range(0..lines.len());
    let to = rng.random_range(0..lines.len());
    match rng.random_range(0..7) {
        0 => {
            lines.remove(at);
        }
        1 => lines.insert(to, lines[at]),
        2 => lines.swap(at, to),
        3 => {
            let strange: Vec<&str> = other.split('\n').collect();
            lines.insert(at, strange[rng.random_range(0..strange.len())]);
        }
        4 => {
            let line = lines[at];
            let times = rng.random_range(2..30);
            lines.splice(at..at, std::iter::repeat_n(line, times));
        }
        5 => lines.truncate(at + 1),
        _ => {
            lines.drain(..at.min(to));
        }
    }
    *text = lines.join("\n");
}

fn by_sign(rng: &mut impl Rng, text: &mut String) {
    let at = place(rng, text);
    match rng.random_range(0..4) {
        0 => {
            let end = text.ceil_char_boundary((at + rng.random_range(1..4)).min(text.len()));
            text.replace_range(at..end, "");
        }
        1 => {
            let sign = char::from_u32(rng.random_range(0..0x11_0000)).unwrap_or('\u{fffd}');
            text.insert(at, sign);
        }
        _ => text.insert_str(at, pick::<str>(rng, &ODD_SIGNS)),
    }
}

/// A place between two characters.
fn place(rng: &mut impl Rng, text: &str) -> usize {
    text.floor_char_boundary(rng.random_range(0..=text.len()))
}

fn by_bytes(rng: &mut impl Rng, text: &mut String) {
    let mut bytes = std::mem::take(text).into_bytes();
    for _ in 0..rng.random_range(1..8) {
        let at = rng.random_range(0..=bytes.len());
        if at < bytes.len() && rng.random() {
            bytes[at] = rng.random();
        } else {
            bytes.insert(at, rng.random());
        }
    }
    // What is no text is refused before it gets to the reader.
    *text = String::from_utf8_lossy(&bytes).into_owned();
}

fn cut_off(rng: &mut impl Rng, text: &mut String) {
    let at = place(rng, text);
    text.truncate(at);
}

fn splice(rng: &mut impl Rng, text: &mut String, other: &str) {
    let (head, tail) = (place(rng, text), place(rng, other));
    text.truncate(head);
    text.push_str(&other[tail..]);
}

/// Cuts a text at a character boundary.
pub fn truncate(text: &mut String, most: usize) {
    let at = text.floor_char_boundary(most.min(text.len()));
    text.truncate(at);
}

/// Bytes without any sense.
pub fn noise(rng: &mut impl Rng) -> String {
    let length = rng.random_range(0..300);
    if rng.random() {
        let bytes: Vec<u8> = (0..length).map(|_| rng.random()).collect();
        return String::from_utf8_lossy(&bytes).into_owned();
    }
    (0..length)
        .filter_map(|_| char::from_u32(rng.random_range(0..0x3_0000) >> rng.random_range(0..11)))
        .collect()
}
