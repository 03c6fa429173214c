//! One look-up for whatever a print, a bottle or a typist calls a tube.
//!
//! A name is compared without regard to case, blanks and punctuation; Cyrillic
//! letters count as the Latin ones that they are written with in the west, and
//! the letter O before a letter and a digit as the figure it stands for. What is
//! not a name or an alias as it stands is tried, in this order,
//!
//! 1. without the letters of envelope, base and ruggedness (`6V6-GT/G`, `6SK7W`),
//! 2. as several names in one, of which the first known counts (`6BQ5/EL84`),
//! 3. without the letters that stand before a number (`JAN-6V6GT`, `UX-245`),
//! 4. as the three-figure number of the early sets (`245`, `345` for the 45),
//! 5. without whatever letters follow a known name (`6L6XYZ`): the figures are then
//!    those of the plain type, and the caller is told that its ratings may differ.
//!
//! A version with ratings or a heater of its own is a row of the table, and so is
//! found by its own name before any letter is dropped.

use std::collections::BTreeMap;

use super::{TubeTable, TubeType};

/// A type found by a name.
#[derive(Clone, Debug)]
pub struct Named<'t> {
    /// The type.
    pub tube: &'t TubeType,
    /// How the name stands to it.
    pub standing: Standing,
}

/// How a written name stands to the type that it was taken for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Standing {
    /// The type's name or one of its aliases.
    Listed,
    /// A name with letters of envelope, base or ruggedness, or before a number.
    Version,
    /// A name with letters that the table does not know.
    Doubtful {
        /// The known part of the name.
        plain: String,
        /// The letters.
        letters: String,
    },
    /// Several names in one, of which only the first ones are this type's.
    Several {
        /// The names that are another type's, or nobody's.
        others: Vec<String>,
    },
}

impl Named<'_> {
    /// What a person must be told of the name before the figures are used; `None` where it is sure.
    #[must_use]
    pub fn doubt(&self) -> Option<String> {
        let name = &self.tube.name;
        match &self.standing {
            Standing::Listed | Standing::Version => None,
            Standing::Doubtful { plain, letters } => Some(format!(
                "no version `{letters}` of the {plain} is in the table: the figures are those of the {name}, and the ratings may differ"
            )),
            Standing::Several { others } => Some(format!(
                "{} is not the same type, as far as the table knows: the figures are those of the {name}",
                others.join(" and ")
            )),
        }
    }
}

impl TubeTable {
    /// The type that is meant by a name as it is written or printed, and how
    /// sure that is: see the head of this module.
    #[must_use]
    pub fn look_up(&self, name: &str) -> Option<Named<'_>> {
        let (index, standing) = self.index.find(name)?;
        let tube = self.types.get(index)?;
        Some(Named { tube, standing })
    }

    /// The type of that name, however it was found.
    #[must_use]
    pub fn find(&self, name: &str) -> Option<&TubeType> {
        self.look_up(name).map(|named| named.tube)
    }
}

/// Names as they are compared, with the types that they belong to.
#[derive(Debug, Default)]
pub(super) struct Index {
    keys: BTreeMap<String, usize>,
}

/// Letters that tell of the envelope, the base or of a ruggedised version of
/// the same tube, longest first. A, B and C are not among them: a later version
/// mostly stands more, and is a row or an alias of the table.
const ENVELOPES: [&str; 17] = [
    "WGTA", "WGT", "GTG", "GGT", "GTX", "GTY", "WGY", "WA", "WB", "WG", "GT", "GY", "GX", "MG",
    "G", "W", "Y",
];

/// Letters before the number of a tube: of the forces, and of the bases of the 1920s.
const PREFIXES: [&str; 8] = ["JAN", "UX", "UY", "UV", "UZ", "CX", "CY", "C"];

/// What parts several names in one.
const BETWEEN: [char; 5] = ['/', '(', ')', ',', '='];

/// What parts them too, but stands within a name as well, as in `VR150-30`.
const HYPHEN: [char; 1] = ['-'];

/// Longest run of letters that may be a version's.
const MOST_LETTERS: usize = 4;

/// Shortest name that letters are dropped from: `50L` is no version of the 50,
/// but a name of which the end is missing.
const LEAST_PLAIN: usize = 3;

impl Index {
    /// Adds a name; `false` where it is taken.
    pub(super) fn add(&mut self, name: &str, of: usize) -> bool {
        self.keys.insert(compared(name), of).is_none()
    }

    fn find(&self, name: &str) -> Option<(usize, Standing)> {
        let key = compared(name);
        if let Some(&index) = self.keys.get(&key) {
            return Some((index, Standing::Listed));
        }
        self.version(&key)
            .or_else(|| numbered(&key).and_then(|plain| self.keys.get(plain).copied()))
            .map(|index| (index, Standing::Version))
            .or_else(|| self.several(name, &BETWEEN))
            .or_else(|| {
                let joined = self.several(name, &HYPHEN);
                joined.filter(|(_, standing)| *standing == Standing::Version)
            })
            .or_else(|| self.prefixed(&key))
            .or_else(|| self.doubtful(&key))
    }

    /// Without the letters of an envelope.
    fn version(&self, key: &str) -> Option<usize> {
        ENVELOPES
            .iter()
            .filter_map(|letters| key.strip_suffix(letters))
            .filter(|plain| plain.len() >= LEAST_PLAIN)
            .find_map(|plain| self.keys.get(plain).copied())
    }

    /// The first known of several names in one.
    fn several(&self, name: &str, between: &[char]) -> Option<(usize, Standing)> {
        let pieces: Vec<(&str, Option<usize>)> = name
            .split(between)
            .filter_map(|piece| {
                let key = compared(piece);
                let index = self.keys.get(&key).copied();
                (!key.is_empty()).then(|| (piece.trim(), index.or_else(|| self.version(&key))))
            })
            .collect();
        let index = pieces.iter().find_map(|(_, index)| *index)?;
        let others: Vec<String> = pieces
            .iter()
            .filter(|(_, other)| *other != Some(index))
            .map(|(piece, _)| (*piece).to_owned())
            .collect();
        Some(if others.is_empty() {
            (index, Standing::Version)
        } else {
            (index, Standing::Several { others })
        })
    }

    /// Without the letters before a number.
    fn prefixed(&self, key: &str) -> Option<(usize, Standing)> {
        let plain = PREFIXES.iter().find_map(|letters| {
            let rest = key.strip_prefix(letters)?;
            // `JAN` may be followed by the letters of who made it.
            let rest = if *letters == "JAN" {
                rest.trim_start_matches(|c: char| c.is_ascii_alphabetic())
            } else {
                rest
            };
            rest.starts_with(|c: char| c.is_ascii_digit())
                .then_some(rest)
        })?;
        let listed = self.keys.get(plain).copied();
        let number = || numbered(plain).and_then(|plain| self.keys.get(plain).copied());
        let index = listed.or_else(|| self.version(plain)).or_else(number)?;
        Some((index, Standing::Version))
    }

    /// Without letters that nothing is known of.
    fn doubtful(&self, key: &str) -> Option<(usize, Standing)> {
        let letters = key
            .bytes()
            .rev()
            .take_while(u8::is_ascii_alphabetic)
            .count();
        (1..=letters.min(MOST_LETTERS)).find_map(|count| {
            let (plain, letters) = key.split_at(key.len() - count);
            if plain.len() < LEAST_PLAIN {
                return None;
            }
            let index = self.keys.get(plain).copied();
            let index = index.or_else(|| self.version(plain))?;
            let (plain, letters) = (plain.to_owned(), letters.to_owned());
            Some((index, Standing::Doubtful { plain, letters }))
        })
    }
}

/// The two figures of a number such as `245` or `345`, which the first makers of
/// a type put behind one of their own.
fn numbered(key: &str) -> Option<&str> {
    let plain = key.strip_prefix(['2', '3', '4'])?;
    (plain.len() == 2 && plain.bytes().all(|b| b.is_ascii_digit())).then_some(plain)
}

/// A name as it is compared.
fn compared(name: &str) -> String {
    let mut key = String::with_capacity(name.len());
    for c in name.chars().flat_map(char::to_uppercase) {
        match latin(c) {
            Some(letters) => key.push_str(letters),
            None if c.is_alphanumeric() => key.push(c),
            None => {}
        }
    }
    let mut chars = key.chars();
    if chars.next() == Some('O')
        && chars.next().is_some_and(|c| c.is_ascii_alphabetic())
        && chars.next().is_some_and(|c| c.is_ascii_digit())
    {
        key.replace_range(..1, "0");
    }
    key
}

/// The Latin letters for a Cyrillic one in the name of a tube.
fn latin(c: char) -> Option<&'static str> {
    Some(match c {
        'А' => "A",
        'Б' => "B",
        'В' => "V",
        'Г' => "G",
        'Д' => "D",
        'Е' => "E",
        'Ж' => "ZH",
        'З' => "Z",
        'И' => "I",
        'К' => "K",
        'Л' => "L",
        'М' => "M",
        'Н' => "N",
        'П' => "P",
        'Р' => "R",
        'С' => "S",
        'Т' => "T",
        'У' => "U",
        'Ф' => "F",
        'Х' => "KH",
        'Ц' => "C",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A table of a few names.
    fn index() -> Index {
        let mut index = Index::default();
        for (name, of) in [
            ("6V6", 0),
            ("6L6", 1),
            ("6L6GC", 2),
            ("0D3", 3),
            ("VR150-30", 3),
            ("6SA7", 4),
            ("VT150", 4),
            ("45", 5),
            ("EL84", 6),
            ("6BQ5", 6),
            ("7189", 7),
            ("6SN7", 8),
            ("6N8S", 8),
            ("24A", 9),
            ("6ZH4P", 10),
        ] {
            assert!(index.add(name, of), "{name}");
        }
        index
    }

    #[test]
    fn a_name_is_found_however_it_is_written() {
        let index = index();
        for (written, of, sure) in [
            ("6v6", 0, true),
            ("6V6-GT/G", 0, true),
            ("6V6 GT", 0, true),
            ("JAN-6V6GT", 0, true),
            ("JAN CHY 6L6", 1, true),
            ("6L6 GC", 2, true),
            ("6L6GX", 1, true),
            ("6L6WXT", 1, false),
            ("6L6GCR", 2, false),
            ("OD3", 3, true),
            ("VR150/30", 3, true),
            ("VT-150", 4, true),
            ("UX-245", 5, true),
            ("345", 5, true),
            ("'45", 5, true),
            ("6BQ5/EL84", 6, true),
            ("EL84 (6BQ5)", 6, true),
            ("6BQ5-EL84", 6, true),
            ("6BQ5/7189", 6, false),
            ("6BQ5/N709", 6, false),
            ("6Н8С", 8, true),
            ("6н8с", 8, true),
            ("6Ж4П", 10, true),
        ] {
            let found = index.find(written);
            assert!(
                found.as_ref().is_some_and(|(index, _)| *index == of),
                "{written}: {found:?}"
            );
            let doubted = found.is_some_and(|(_, standing)| {
                !matches!(standing, Standing::Listed | Standing::Version)
            });
            assert_eq!(!doubted, sure, "{written}");
        }
    }

    #[test]
    fn what_is_no_name_is_none() {
        let index = index();
        for written in [
            "", "GT", "6", "6V", "45L", "6V61", "12AX", "/", "JAN", "VR150-40", "6BQ5-40", "Ж",
        ] {
            assert_eq!(index.find(written), None, "{written}");
        }
    }
}
