//! Points, directions and boxes on the drawing's grid.
//!
//! One unit of the grid is [`UNIT`] pixels of the picture. x grows to the right, y downwards, as in SVG.
//! Pins and wires lie on whole units; boxes of symbols and words have the size they really take.

use std::ops::{Add, Sub};

/// Pixels in one unit of the grid.
pub(crate) const UNIT: f64 = 8.0;

/// A point of the grid.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) struct Pt {
    pub(crate) x: i32,
    pub(crate) y: i32,
}

/// The point so far right and so far down.
pub(crate) const fn pt(x: i32, y: i32) -> Pt {
    Pt { x, y }
}

impl Add for Pt {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        pt(self.x + other.x, self.y + other.y)
    }
}

impl Sub for Pt {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        pt(self.x - other.x, self.y - other.y)
    }
}

impl Pt {
    /// The point so many units away.
    pub(crate) fn step(self, dir: Dir, units: i32) -> Self {
        let by = dir.vector();
        pt(self.x + by.x * units, self.y + by.y * units)
    }
}

/// A way to go.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Dir {
    Up,
    Right,
    Down,
    Left,
}

impl Dir {
    pub(crate) const ALL: [Self; 4] = [Self::Up, Self::Right, Self::Down, Self::Left];

    pub(crate) const fn vector(self) -> Pt {
        match self {
            Self::Up => pt(0, -1),
            Self::Right => pt(1, 0),
            Self::Down => pt(0, 1),
            Self::Left => pt(-1, 0),
        }
    }

    pub(crate) const fn back(self) -> Self {
        match self {
            Self::Up => Self::Down,
            Self::Right => Self::Left,
            Self::Down => Self::Up,
            Self::Left => Self::Right,
        }
    }

    pub(crate) const fn is_level(self) -> bool {
        matches!(self, Self::Right | Self::Left)
    }
}

/// A box: left, top, right, bottom.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Rect {
    pub(crate) x0: f64,
    pub(crate) y0: f64,
    pub(crate) x1: f64,
    pub(crate) y1: f64,
}

impl Rect {
    /// The box between two corners, whichever they are.
    pub(crate) fn between(a: (f64, f64), b: (f64, f64)) -> Self {
        Self {
            x0: a.0.min(b.0),
            y0: a.1.min(b.1),
            x1: a.0.max(b.0),
            y1: a.1.max(b.1),
        }
    }

    pub(crate) fn shifted(self, by: Pt) -> Self {
        let (x, y) = (f64::from(by.x), f64::from(by.y));
        Self {
            x0: self.x0 + x,
            y0: self.y0 + y,
            x1: self.x1 + x,
            y1: self.y1 + y,
        }
    }

    pub(crate) fn grown(self, by: f64) -> Self {
        Self {
            x0: self.x0 - by,
            y0: self.y0 - by,
            x1: self.x1 + by,
            y1: self.y1 + by,
        }
    }

    /// Whether both share more than an edge.
    pub(crate) fn meets(&self, other: &Self) -> bool {
        self.x0 < other.x1 && other.x0 < self.x1 && self.y0 < other.y1 && other.y0 < self.y1
    }

    /// The smallest box around both.
    pub(crate) fn with(self, other: Self) -> Self {
        Self {
            x0: self.x0.min(other.x0),
            y0: self.y0.min(other.y0),
            x1: self.x1.max(other.x1),
            y1: self.y1.max(other.y1),
        }
    }

    /// The box around all, if there is any.
    pub(crate) fn around(all: impl IntoIterator<Item = Self>) -> Option<Self> {
        all.into_iter().reduce(Self::with)
    }

    /// The thin box of a straight wire between two points.
    pub(crate) fn along(a: Pt, b: Pt, half: f64) -> Self {
        Self::between(
            (f64::from(a.x), f64::from(a.y)),
            (f64::from(b.x), f64::from(b.y)),
        )
        .grown(half)
    }
}

/// How a symbol is laid: where its first pin (or a tube's centre) is, which way the symbol's own
/// "down" points, and whether it is mirrored left to right before it is turned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Pose {
    pub(crate) origin: Pt,
    pub(crate) down: Dir,
    pub(crate) mirrored: bool,
}

impl Pose {
    /// A point of the symbol on the sheet.
    pub(crate) fn at(&self, x: f64, y: f64) -> (f64, f64) {
        let x = if self.mirrored { -x } else { x };
        let (x, y) = match self.down {
            Dir::Down => (x, y),
            Dir::Right => (y, -x),
            Dir::Up => (-x, -y),
            Dir::Left => (-y, x),
        };
        (x + f64::from(self.origin.x), y + f64::from(self.origin.y))
    }

    /// The same for a point of the grid.
    pub(crate) fn grid(&self, local: Pt) -> Pt {
        let x = if self.mirrored { -local.x } else { local.x };
        let turned = match self.down {
            Dir::Down => pt(x, local.y),
            Dir::Right => pt(local.y, -x),
            Dir::Up => pt(-x, -local.y),
            Dir::Left => pt(-local.y, x),
        };
        turned + self.origin
    }

    /// A box of the symbol on the sheet.
    pub(crate) fn rect(&self, local: Rect) -> Rect {
        Rect::between(self.at(local.x0, local.y0), self.at(local.x1, local.y1))
    }

    pub(crate) fn shifted(self, by: Pt) -> Self {
        Self {
            origin: self.origin + by,
            ..self
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_turn_keeps_hands() {
        // Down to the right is a quarter turn against the clock: what was at the right is above.
        let pose = |down, mirrored| Pose {
            origin: pt(10, 10),
            down,
            mirrored,
        };
        assert_eq!(pose(Dir::Down, false).grid(pt(3, 3)), pt(13, 13));
        assert_eq!(pose(Dir::Right, false).grid(pt(3, 3)), pt(13, 7));
        assert_eq!(pose(Dir::Up, false).grid(pt(3, 3)), pt(7, 7));
        assert_eq!(pose(Dir::Left, false).grid(pt(3, 3)), pt(7, 13));
        assert_eq!(pose(Dir::Down, true).grid(pt(3, 3)), pt(7, 13));
        for down in Dir::ALL {
            let (x, y) = pose(down, true).at(2.0, 5.0);
            let same = pose(down, true).grid(pt(2, 5));
            assert_eq!((x, y), (f64::from(same.x), f64::from(same.y)));
        }
    }

    #[test]
    fn boxes_that_share_an_edge_do_not_meet() {
        let a = Rect::between((0.0, 0.0), (2.0, 2.0));
        assert!(!a.meets(&Rect::between((2.0, 0.0), (3.0, 2.0))));
        assert!(a.meets(&Rect::between((1.9, 1.9), (3.0, 3.0))));
    }
}
