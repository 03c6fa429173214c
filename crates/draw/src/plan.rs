//! Cells: a tube with all that is drawn about it, or a ladder of parts that no tube has.
//!
//! Each has its own origin and is filled by placing piece after piece where there is room.

use crate::fragment::{Fragment, Item, LabelSide, Sign, run, run_pot, usual_side};
use crate::geometry::{Dir, Pose, Pt, pt};
use crate::paths::Step;
use crate::roles::Role;
use crate::symbol::LENGTH;
use crate::wiring::{Glyph, Wiring};
use std::collections::BTreeSet;

/// Where a net begins to be drawn.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Home {
    pub(crate) cell: usize,
    pub(crate) at: Pt,
    pub(crate) dir: Dir,
}

/// A tube and its parts, or a ladder.
#[derive(Clone, Debug, Default)]
pub(crate) struct Cell {
    pub(crate) frag: Fragment,
    pub(crate) device: Option<usize>,
    pub(crate) column: usize,
    /// Supply lines that are drawn as one wire within this cell.
    pub(crate) barred: BTreeSet<usize>,
}

/// The ways of direct current that belong to a device.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ways {
    pub(crate) load: Vec<Step>,
    pub(crate) cathode: Vec<Step>,
    pub(crate) screen: Vec<Step>,
}

/// All cells in the making.
pub(crate) struct Plan<'a> {
    pub(crate) wiring: &'a Wiring,
    pub(crate) roles: &'a [Role],
    pub(crate) placed: Vec<bool>,
    /// The cell for which a part is kept.
    pub(crate) reserved: Vec<Option<usize>>,
    pub(crate) home: Vec<Option<Home>>,
    pub(crate) cells: Vec<Cell>,
    /// Least distance between pieces.
    pub(crate) gap: f64,
}

/// Nobody's cell: what is kept for a template.
pub(crate) const TEMPLATE: usize = usize::MAX;

/// How far along a bar a place is looked for.
const FARTHEST_SLOT: i32 = 160;

/// A pot's wiper stands so far from its track.
const WIPER: i32 = 3;

/// Between a coil and its mate.
pub(crate) const MATE: i32 = 5;

pub(crate) fn sign_of(dir: Dir) -> i32 {
    match dir {
        Dir::Left | Dir::Up => -1,
        Dir::Right | Dir::Down => 1,
    }
}

impl<'a> Plan<'a> {
    pub(crate) fn new(wiring: &'a Wiring, roles: &'a [Role], gap: f64) -> Self {
        Self {
            wiring,
            roles,
            placed: vec![false; wiring.parts.len()],
            reserved: vec![None; wiring.parts.len()],
            home: vec![None; wiring.names.len()],
            cells: Vec::new(),
            gap,
        }
    }

    /// Whether a part may be placed in this cell.
    pub(crate) fn is_open(&self, cell: usize, part: usize) -> bool {
        !self.placed[part]
            && self.reserved[part].is_none_or(|kept| kept == cell)
            && !self.wiring.parts[part].is_device()
    }

    pub(crate) fn open_on(&self, cell: usize, net: usize) -> Vec<usize> {
        let mut parts = self.wiring.parts_on(net);
        parts.retain(|&part| self.is_open(cell, part));
        parts
    }

    /// Whether a net's pins each get a sign of their own here.
    pub(crate) fn is_cut(&self, cell: usize, net: usize) -> bool {
        self.roles[net] != Role::Signal && !self.cells[cell].barred.contains(&net)
    }

    /// Which way a sign of this net points.
    pub(crate) fn sign_dir(&self, net: usize) -> Dir {
        if self.roles[net] == Role::Rail {
            Dir::Up
        } else {
            Dir::Down
        }
    }

    /// A sign for a pin from which the wire may go on in direction `out`.
    pub(crate) fn sign(&self, frag: &mut Fragment, net: usize, pin: Pt, out: Dir) {
        let wanted = self.sign_dir(net);
        let named =
            crate::fragment::sign_kind(self.wiring, net) == crate::fragment::SignKind::Named;
        let sign = if wanted == out || named {
            Sign {
                net,
                at: pin,
                dir: out,
                pin: None,
            }
        } else {
            // The frame sign is never drawn on its head: it hangs beside.
            let beside = match out {
                Dir::Up => pin.step(Dir::Up, 1).step(Dir::Left, 2),
                _ => pin.step(out, 2),
            };
            Sign {
                net,
                at: beside,
                dir: wanted,
                pin: Some(pin),
            }
        };
        frag.add_sign(self.wiring, sign);
    }

    /// Puts a piece into a cell: its parts are placed, its nets have their homes.
    pub(crate) fn commit(&mut self, cell: usize, piece: Fragment) {
        for item in &piece.items {
            self.placed[item.part] = true;
        }
        for &(net, at, dir) in &piece.homes {
            if self.home[net].is_none() {
                self.home[net] = Some(Home { cell, at, dir });
            }
        }
        self.cells[cell].frag.absorb(piece);
    }

    pub(crate) fn pin_on(&self, part: usize, net: usize) -> usize {
        let pins = &self.wiring.parts[part].pins;
        pins.iter().position(|pin| pin.net == net).unwrap_or(0)
    }

    /// A part and all that hangs on nothing else, downwards or upwards from the origin.
    pub(crate) fn tree(
        &self,
        cell: usize,
        part: usize,
        net: usize,
        (vertical, side): (Dir, Dir),
        seen: &mut Vec<usize>,
    ) -> Fragment {
        seen.push(part);
        let mut frag = Fragment::default();
        let item = self.stand(part, net, vertical, side);
        let entry = self.pin_on(part, net);
        let ends: Vec<(usize, Pt)> = (0..self.wiring.parts[part].pins.len())
            .filter(|&pin| pin != entry)
            .map(|pin| (pin, item.pin(self.wiring, pin)))
            .collect();
        let mates = self.mates(cell, &item, side, seen, &mut frag);
        let mut item = item;
        if mates {
            item.side = match side {
                Dir::Left => LabelSide::Right,
                _ => LabelSide::Left,
            };
        }
        frag.add_item(self.wiring, item);
        for (pin, at) in ends {
            let far = self.wiring.net(part, pin);
            if far == net {
                continue;
            }
            // A wiper's wire goes on to its side.
            let out = if pin == 2 { side } else { vertical };
            if self.is_cut(cell, far) {
                self.sign(&mut frag, far, at, out);
            } else if self.home[far].is_none() && !frag.homes.iter().any(|home| home.0 == far) {
                self.sprout(cell, far, at, (out, vertical, side), seen, &mut frag);
            }
        }
        frag
    }

    /// What hangs on the far end of a tree's part.
    fn sprout(
        &self,
        cell: usize,
        net: usize,
        at: Pt,
        (out, vertical, side): (Dir, Dir, Dir),
        seen: &mut Vec<usize>,
        frag: &mut Fragment,
    ) {
        let base = at.step(out, 2);
        frag.homes.push((net, base, side));
        frag.add_lane(at, base);
        for child in self.open_on(cell, net) {
            if seen.contains(&child) {
                continue;
            }
            let sub = self.tree(cell, child, net, (vertical, side), seen);
            for k in 0..FARTHEST_SLOT {
                let by = base.step(side, k);
                if frag.takes(&sub, by, self.gap) || k == FARTHEST_SLOT - 1 {
                    frag.absorb(sub.shifted(by));
                    frag.add_lane(base, by);
                    break;
                }
            }
        }
    }

    /// A part standing with its pin on `net` at the origin.
    fn stand(&self, part: usize, net: usize, vertical: Dir, side: Dir) -> Item {
        let entry = self.pin_on(part, net);
        if self.wiring.parts[part].glyph == Glyph::Potentiometer {
            if entry == 2 {
                return self.pot_at_wiper(part, pt(0, 0), side);
            }
            return run_pot(part, entry, pt(0, 0), vertical, side);
        }
        run(part, entry, pt(0, 0), vertical, usual_side(vertical))
    }

    /// A potentiometer with its wiper here, standing off to the side, the end that goes on above.
    pub(crate) fn pot_at_wiper(&self, part: usize, wiper: Pt, side: Dir) -> Item {
        let ground = |pin: usize| {
            let role = self.roles[self.wiring.net(part, pin)];
            matches!(role, Role::Common | Role::Low | Role::Bus)
        };
        let top = usize::from(ground(0) && !ground(1));
        let at = pt(wiper.x + WIPER * sign_of(side), wiper.y - WIPER);
        run_pot(part, top, at, Dir::Down, side.back())
    }

    /// The other coils of a coil's transformer, beside it.
    pub(crate) fn mates(
        &self,
        cell: usize,
        item: &Item,
        side: Dir,
        seen: &mut Vec<usize>,
        frag: &mut Fragment,
    ) -> bool {
        let part = &self.wiring.parts[item.part];
        let Some(transformer) = part.transformer else {
            return false;
        };
        let mates: Vec<usize> = (0..self.wiring.parts.len())
            .filter(|&mate| {
                self.wiring.parts[mate].transformer == Some(transformer)
                    && mate != item.part
                    && self.is_open(cell, mate)
                    && !seen.contains(&mate)
            })
            .collect();
        let top = [0, 1]
            .map(|pin| item.pin(self.wiring, pin))
            .into_iter()
            .min_by_key(|pin| pin.y)
            .unwrap_or_default();
        for (index, &mate) in mates.iter().enumerate() {
            seen.push(mate);
            // The first beside it, further ones over and under that.
            let level = [0, 1, -1, 2, -2][index % 5] * (LENGTH + 2);
            let at = pt(top.x + MATE * sign_of(side), top.y + level);
            let first = self.upper_pin(mate);
            self.add_mate(cell, mate, first, at, side, frag);
        }
        !mates.is_empty()
    }

    /// The pin that belongs above: a ground goes below.
    pub(crate) fn upper_pin(&self, part: usize) -> usize {
        let ground = |pin: usize| {
            let role = self.roles[self.wiring.net(part, pin)];
            matches!(role, Role::Common | Role::Low | Role::Bus)
        };
        usize::from(ground(0) && !ground(1))
    }

    pub(crate) fn add_mate(
        &self,
        cell: usize,
        mate: usize,
        first: usize,
        at: Pt,
        side: Dir,
        frag: &mut Fragment,
    ) {
        let label = match side {
            Dir::Left => LabelSide::Left,
            _ => LabelSide::Right,
        };
        let item = run(mate, first, at, Dir::Down, label);
        frag.add_item(self.wiring, item);
        for (pin, end, out) in [
            (first, at, Dir::Up),
            (1 - first, at.step(Dir::Down, LENGTH), Dir::Down),
        ] {
            let net = self.wiring.net(mate, pin);
            if self.is_cut(cell, net) {
                self.sign(frag, net, end, out);
            } else {
                frag.homes.push((net, end.step(side, 1), side));
            }
        }
    }

    /// A device at the origin of its cell.
    pub(crate) fn seat(&self, part: usize, at: Pt) -> Item {
        Item {
            part,
            pose: Pose {
                origin: at,
                down: Dir::Down,
                mirrored: false,
            },
            side: LabelSide::Right,
        }
    }
}
