//! Bases: how many pins, and how they stand.

use std::fmt;

/// The base of a bottle.
///
/// Pins are numbered clockwise as the base is seen from below, from the key, the
/// gap or the two thick pins on (RETMA and BS 448, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
pub enum Base {
    /// Eight pins about a keyed spigot.
    #[serde(rename = "octal")]
    Octal,
    /// All-glass, seven pins and a gap.
    #[serde(rename = "7-pin miniature")]
    Miniature7,
    /// All-glass, nine pins and a gap.
    #[serde(rename = "9-pin miniature")]
    Miniature9,
    /// All-glass, nine pins and a gap, of the size of an octal base.
    #[serde(rename = "novar")]
    Novar,
    /// Eight thin pins about a spigot that locks; loctal.
    #[serde(rename = "lock-in")]
    LockIn,
    /// Four pins, two of them thick.
    #[serde(rename = "4-pin")]
    Four,
    /// Five pins.
    #[serde(rename = "5-pin")]
    Five,
    /// Six pins, two of them thick.
    #[serde(rename = "6-pin")]
    Six,
    /// Seven pins on a small circle, two of them thick.
    #[serde(rename = "small 7-pin")]
    Small7,
    /// Seven pins on the larger circle, two of them thick.
    #[serde(rename = "medium 7-pin")]
    Medium7,
    /// Four pins and a bayonet, of transmitting size.
    #[serde(rename = "jumbo 4-pin")]
    Jumbo4,
    /// Five pins of transmitting size.
    #[serde(rename = "giant 5-pin")]
    Giant5,
    /// Seven pins and a bayonet, of transmitting size.
    #[serde(rename = "giant 7-pin")]
    Giant7,
    /// Seven rigid pins in a glass bottom, of twin transmitting tubes.
    #[serde(rename = "septar")]
    Septar,
    /// Eight pins and a ring of metal, of the 4X150 family.
    #[serde(rename = "special 8-pin")]
    Special8,
    /// Eight pins and a pip on the rim.
    #[serde(rename = "rimlock")]
    Rimlock,
    /// Nine pins about a spigot that locks.
    #[serde(rename = "9-pin locking")]
    Locking9,
    /// Four pins of unequal distance.
    #[serde(rename = "British 4-pin")]
    British4,
    /// Five pins, one in the middle.
    #[serde(rename = "British 5-pin")]
    British5,
    /// Eight pins about a spigot of another size than the octal one.
    #[serde(rename = "Mazda octal")]
    MazdaOctal,
    /// Contacts at the side.
    #[serde(rename = "side-contact")]
    SideContact,
    /// Five or more stiff leads at the equator of a small bulb.
    #[serde(rename = "acorn")]
    Acorn,
    /// Five pins in a metal shell of thimble size.
    #[serde(rename = "nuvistor")]
    Nuvistor,
    /// Flying leads.
    #[serde(rename = "leads")]
    Leads,
    /// A lamp's bayonet.
    #[serde(rename = "bayonet")]
    Bayonet,
    /// A base of its own.
    #[serde(rename = "of its own")]
    Own,
}

impl Base {
    /// All bases.
    #[rustfmt::skip]
    pub const ALL: [Self; 26] = [
        Self::Octal, Self::Miniature7, Self::Miniature9, Self::Novar, Self::LockIn, Self::Four, Self::Five, Self::Six,
        Self::Small7, Self::Medium7, Self::Jumbo4, Self::Giant5, Self::Giant7, Self::Septar, Self::Special8,
        Self::Rimlock, Self::Locking9, Self::British4, Self::British5, Self::MazdaOctal, Self::SideContact,
        Self::Acorn, Self::Nuvistor, Self::Leads, Self::Bayonet, Self::Own,
    ];

    /// Its name.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Octal => "octal",
            Self::Miniature7 => "7-pin miniature",
            Self::Miniature9 => "9-pin miniature",
            Self::Novar => "novar",
            Self::LockIn => "lock-in",
            Self::Four => "4-pin",
            Self::Five => "5-pin",
            Self::Six => "6-pin",
            Self::Small7 => "small 7-pin",
            Self::Medium7 => "medium 7-pin",
            Self::Jumbo4 => "jumbo 4-pin",
            Self::Giant5 => "giant 5-pin",
            Self::Giant7 => "giant 7-pin",
            Self::Septar => "septar",
            Self::Special8 => "special 8-pin",
            Self::Rimlock => "rimlock",
            Self::Locking9 => "9-pin locking",
            Self::British4 => "British 4-pin",
            Self::British5 => "British 5-pin",
            Self::MazdaOctal => "Mazda octal",
            Self::SideContact => "side-contact",
            Self::Acorn => "acorn",
            Self::Nuvistor => "nuvistor",
            Self::Leads => "leads",
            Self::Bayonet => "bayonet",
            Self::Own => "of its own",
        }
    }

    /// The greatest number that a pin can have.
    #[must_use]
    pub fn pins(self) -> u8 {
        match self {
            Self::Bayonet => 2,
            Self::Four | Self::Jumbo4 | Self::British4 => 4,
            Self::Five | Self::Giant5 | Self::British5 => 5,
            Self::Six => 6,
            Self::Miniature7 | Self::Small7 | Self::Medium7 | Self::Giant7 | Self::Septar => 7,
            Self::Octal
            | Self::LockIn
            | Self::Rimlock
            | Self::MazdaOctal
            | Self::Special8
            | Self::SideContact => 8,
            Self::Miniature9 | Self::Novar | Self::Locking9 | Self::Leads | Self::Own => 9,
            Self::Acorn => 7,
            Self::Nuvistor => 12,
        }
    }

    /// What its pins are counted from, where they stand in one ring and are counted
    /// clockwise from below; `None` where they do not.
    #[must_use]
    pub fn counted_from(self) -> Option<&'static str> {
        match self {
            Self::Octal | Self::LockIn | Self::MazdaOctal | Self::Locking9 => Some("the key"),
            Self::Miniature7 | Self::Miniature9 | Self::Novar | Self::Septar => Some("the gap"),
            Self::Four | Self::Six | Self::Small7 | Self::Medium7 | Self::Jumbo4 | Self::Giant7 => {
                Some("the thick pins")
            }
            Self::Five | Self::Giant5 => Some("the heater pins"),
            Self::Rimlock => Some("the pip"),
            _ => None,
        }
    }

    /// Whether tubes of this base share a kind of socket: those with leads or a
    /// base of their own do not.
    #[must_use]
    pub fn is_a_socket(self) -> bool {
        !matches!(self, Self::Leads | Self::Own)
    }
}

impl fmt::Display for Base {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}
