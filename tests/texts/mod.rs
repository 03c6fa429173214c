//! Texts at random: what a person, a slip or a broken disk may put before the reader, and what
//! must hold of every one.
//!
//! ```text
//! Corpus ──► draw (grammar, mutate) ──► judge ──► shrink ──► printed
//! ```
//!
//! Text number `i` of a seed is always the same text. [`judge`] says what was broken, if anything;
//! a broken rule is found again by its name, so that [`shrink`] can cut the text down.

pub mod corpus;
pub mod draw;
pub mod grammar;
pub mod judge;
pub mod mutate;
pub mod run;
pub mod shrink;

/// What a text is given as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A stage file.
    Stage,
    /// A readings sheet of this stage of the corpus.
    Sheet(usize),
    /// A rates file for this stage of the corpus.
    Rates(usize),
    /// A word of the command line, with this stage of the corpus.
    Argument(usize),
}

/// A text, and what it is given as.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Text {
    /// What it is given as.
    pub kind: Kind,
    /// The text.
    pub text: String,
}
