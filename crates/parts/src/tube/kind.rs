//! The kinds of amplifying tube.

use std::fmt;
use std::str::FromStr;

/// What sort of amplifying unit a tube is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum TubeKind {
    /// Plate, grid, cathode.
    Triode,
    /// Pentode of sharp cutoff, small or power.
    Pentode,
    /// Pentode with a grid of varying pitch, for automatic gain control.
    RemotePentode,
    /// Beam power tube or tetrode that behaves like one.
    Beam,
    /// Pentagrid converter; grid 3 is the second control grid.
    Heptode,
}

impl TubeKind {
    /// All kinds.
    pub const ALL: [Self; 5] = [
        Self::Triode,
        Self::Pentode,
        Self::RemotePentode,
        Self::Beam,
        Self::Heptode,
    ];

    /// The kind's name in a stage file or a table.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Triode => "triode",
            Self::Pentode => "pentode",
            Self::RemotePentode => "remote-cutoff pentode",
            Self::Beam => "beam",
            Self::Heptode => "heptode",
        }
    }

    /// Whether the kind has a screen grid.
    #[must_use]
    pub fn has_screen(self) -> bool {
        self != Self::Triode
    }

    /// Whether grid 3 may be brought out.
    #[must_use]
    pub fn has_grid3(self) -> bool {
        matches!(self, Self::Pentode | Self::RemotePentode | Self::Heptode)
    }
}

impl fmt::Display for TubeKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// A word that names no kind of tube.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no kind of tube (triode, pentode, remote-cutoff pentode, beam, heptode)")]
pub struct UnknownKind(pub String);

impl FromStr for TubeKind {
    type Err = UnknownKind;

    fn from_str(word: &str) -> Result<Self, UnknownKind> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.name().eq_ignore_ascii_case(word))
            .or_else(|| word.eq_ignore_ascii_case("tetrode").then_some(Self::Beam))
            .ok_or_else(|| UnknownKind(word.to_owned()))
    }
}
