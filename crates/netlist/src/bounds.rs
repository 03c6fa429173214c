//! How much of a text is read.
//!
//! Each bound is far above what a person writes of one unit, and low enough that a file of
//! another kind, or one that a machine made, is refused at once. The sizes are common practice,
//! no source: the reason stands beside each.

/// Longest file, bytes: a complete receiver takes ten thousand.
pub const MOST_BYTES: usize = 1 << 20;

/// Longest stage with all that it includes, bytes.
pub const MOST_BYTES_IN_ALL: usize = 4 << 20;

/// Files within files: a chassis of stages needs two or three.
pub const DEEPEST_INCLUDE: usize = 32;

/// Files of one stage; what needs more includes itself by another name.
pub const MOST_FILES: usize = 1000;

/// Parts of one stage: a color television has some five hundred.
pub const MOST_PARTS: usize = 2000;

/// Control settings of one stage: a twelve-position switch with a second of four has 48.
pub const MOST_SETTINGS: usize = 100;

/// Tube types that one stage defines.
pub const MOST_TUBE_TYPES: usize = 200;

/// Values from the print, and likewise test points: one a part and some.
pub const MOST_POINTS: usize = 2000;

/// Readings of one sheet: one every half-minute for four hours. Volts and ohms at every
/// terminal of a complete receiver come to some three hundred.
pub const MOST_READINGS: usize = 500;

/// Readings that are weighed together: two full sheets, as before and after a repair.
pub const MOST_READINGS_IN_ALL: usize = 2 * MOST_READINGS;

/// Remarks of one sheet: `seen`, `good` and `replaced`.
pub const MOST_REMARKS: usize = 500;

/// Lines of a rates file: every part of a large unit, or every kind in each of its ways to fail.
pub const MOST_RATES: usize = 2000;

/// Longest name, characters.
pub const LONGEST_NAME: usize = 64;

/// Longest word of any other kind, characters.
pub const LONGEST_WORD: usize = 100;

/// Longest text in quotes, characters: a printed page.
pub const LONGEST_TEXT: usize = 2000;

/// Words of one statement; `settings` with every name takes a hundred.
pub const MOST_WORDS: usize = 500;

/// Findings of each severity that are kept of a text; the others are counted.
pub const MOST_FINDINGS: usize = 50;

/// What to say of a file that is longer than [`MOST_BYTES`].
pub fn file_too_long(name: &str) -> String {
    let most = MOST_BYTES >> 20;
    format!("{name} is longer than {most} MiB, the most that is read of one file")
}
