//! Growing: a net is a level bar, on which parts hang, stand and lie, and beyond each lying part the next
//! net is grown.

use crate::fragment::{Fragment, LabelSide, run, run_pot, usual_side};
use crate::geometry::{Dir, Pt, pt};
use crate::plan::{Home, Plan};
use crate::roles::Role;
use crate::symbol::LENGTH;
use crate::wiring::Glyph;
use deadstage_netlist::Electrode;

/// What a part leads to, away from a net.
#[derive(Clone, Copy, Debug, Default)]
struct Branch {
    parts: usize,
    grounds: bool,
    rails: bool,
    /// A net that is drawn already: in this cell, in another.
    own: bool,
    other: Option<usize>,
    bar: bool,
    /// A part that is kept for another cell or a template.
    kept: bool,
}

/// How a part is set on a bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Stance {
    Hangs,
    Stands,
    Wiper,
    Lies,
    Bridges,
    Later,
}

/// What may be taken while growing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Reach {
    /// What hangs and stands on the net itself.
    Private,
    /// All that does not lead to a cell further right.
    Leftward,
    Everything,
}

/// Branches of more parts are no branches but the way on.
const LARGEST_BRANCH: usize = 9;

/// A part that lies leaves so much of its bar free, for the node's name and voltages.
const ROOM_FOR_NAME: i32 = 6;

/// How far a bridge may stand from the middle of its two ends.
const FARTHEST_BRIDGE: i32 = 60;

impl Plan<'_> {
    /// Sets all open parts of a net about its bar, which begins here.
    pub(crate) fn grow(&mut self, cell: usize, net: usize, at: Pt, side: Dir, reach: Reach) {
        let mut parts: Vec<(Stance, usize, usize)> = self
            .open_on(cell, net)
            .into_iter()
            .map(|part| {
                let branch = self.explore(cell, part, net);
                (
                    self.stance(cell, part, net, branch, reach),
                    branch.parts,
                    part,
                )
            })
            .collect();
        let trunks = parts.iter().filter(|part| part.0 == Stance::Lies).count();
        if trunks > 1 {
            self.settle_branches(cell, net, &mut parts);
        }
        let rank = |stance: Stance| match stance {
            Stance::Hangs | Stance::Stands => 0,
            Stance::Wiper => 1,
            Stance::Lies => 2,
            Stance::Bridges => 3,
            Stance::Later => 4,
        };
        parts.sort_by_key(|&(stance, size, part)| (rank(stance), size, part));
        let mut start = at;
        for (stance, _, part) in parts {
            if self.placed[part] {
                continue;
            }
            match stance {
                Stance::Hangs => start = self.hang(cell, part, net, start, (Dir::Down, side)),
                Stance::Stands => start = self.hang(cell, part, net, start, (Dir::Up, side)),
                Stance::Wiper => self.wiper(cell, part, net, start, side, reach),
                Stance::Lies if reach != Reach::Private => {
                    if self.hangs_from_grid(part, net) {
                        start = self.hang_on(cell, part, net, start, side, reach);
                    } else {
                        self.lie(cell, part, net, start, side, reach);
                    }
                }
                Stance::Bridges if reach == Reach::Everything => {
                    self.bridge(cell, part, net, start)
                }
                _ => {}
            }
        }
    }

    /// A coil between a grid and its cold end hangs, and the cold end goes on at its foot.
    fn hangs_from_grid(&self, part: usize, net: usize) -> bool {
        let found = &self.wiring.parts[part];
        matches!(found.glyph, Glyph::Winding | Glyph::Choke { .. })
            && self.wiring.on[net].iter().any(|&(part, pin)| {
                self.wiring.parts[part].pins[pin].electrode == Some(Electrode::Grid)
            })
            && self
                .wiring
                .beyond(part, net)
                .iter()
                .all(|&far| self.home[far].is_none() && self.roles[far] == Role::Signal)
    }

    fn hang_on(
        &mut self,
        cell: usize,
        part: usize,
        net: usize,
        start: Pt,
        side: Dir,
        reach: Reach,
    ) -> Pt {
        let mut piece = Fragment::default();
        let entry = self.pin_on(part, net);
        let mut item = run(part, entry, pt(0, 0), Dir::Down, LabelSide::Right);
        if self.mates(cell, &item, side, &mut vec![part], &mut piece) && side == Dir::Right {
            item.side = LabelSide::Left;
        }
        let foot = pt(0, LENGTH + 2);
        let far = self.wiring.net(part, 1 - entry);
        piece.homes.push((far, foot, side));
        piece.add_item(self.wiring, item);
        piece.add_lane(pt(0, LENGTH), foot);
        let at = self.slot(cell, &piece, start, side);
        let mut piece = piece.shifted(at);
        piece.add_lane(start, at);
        self.commit(cell, piece);
        self.grow(cell, far, foot + at, side, reach);
        at
    }

    /// Of several that could lie, those that lead to no other cell hang, if they may.
    fn settle_branches(&self, cell: usize, net: usize, parts: &mut [(Stance, usize, usize)]) {
        let leads_away = |part: usize| {
            let branch = self.explore(cell, part, net);
            branch.other.is_some() || branch.own || branch.bar
        };
        if !parts
            .iter()
            .any(|&(stance, _, part)| stance == Stance::Lies && leads_away(part))
        {
            return;
        }
        for (stance, _, part) in parts.iter_mut() {
            let branch = self.explore(cell, *part, net);
            if *stance == Stance::Lies
                && !leads_away(*part)
                && branch.grounds
                && !branch.rails
                && branch.parts <= LARGEST_BRANCH
            {
                *stance = Stance::Hangs;
            }
        }
    }

    fn stance(&self, cell: usize, part: usize, net: usize, branch: Branch, reach: Reach) -> Stance {
        let found = &self.wiring.parts[part];
        let is_pot = found.glyph == Glyph::Potentiometer;
        if is_pot && self.pin_on(part, net) == 2 {
            return Stance::Wiper;
        }
        if branch.kept && reach != Reach::Everything {
            return Stance::Later;
        }
        if let Some(other) = branch.other {
            let (mine, theirs) = (&self.cells[cell], &self.cells[other]);
            if reach != Reach::Everything && theirs.column >= mine.column {
                return Stance::Later;
            }
            return Stance::Lies;
        }
        if branch.own {
            if reach != Reach::Everything {
                return Stance::Later;
            }
            let direct = self
                .wiring
                .beyond(part, net)
                .iter()
                .all(|&far| self.home[far].is_some() || self.is_cut(cell, far));
            return if direct {
                Stance::Bridges
            } else {
                Stance::Lies
            };
        }
        if branch.bar || branch.parts > LARGEST_BRANCH {
            return Stance::Lies;
        }
        // A capacitor with a resistor behind it couples; it does not shunt.
        let couples = found.is_capacitor() && branch.parts > 1;
        match (branch.grounds, branch.rails) {
            (true, false) if !couples => Stance::Hangs,
            (false, true) if !couples => Stance::Stands,
            (false, false) if branch.parts == 1 && !found.is_capacitor() && !is_pot => Stance::Lies,
            _ if is_pot => Stance::Hangs,
            _ => Stance::Lies,
        }
    }

    /// What lies beyond a part.
    fn explore(&self, cell: usize, part: usize, net: usize) -> Branch {
        let mut branch = Branch::default();
        let mut seen_nets = vec![net];
        let mut seen_parts = Vec::new();
        let mut front = vec![part];
        while let Some(part) = front.pop() {
            if seen_parts.contains(&part) {
                continue;
            }
            seen_parts.push(part);
            branch.parts += 1;
            for pin in &self.wiring.parts[part].pins {
                let far = pin.net;
                if seen_nets.contains(&far) {
                    continue;
                }
                seen_nets.push(far);
                if self.cells[cell].barred.contains(&far) {
                    branch.own = true;
                } else if self.roles[far] != Role::Signal {
                    match self.roles[far] {
                        Role::Rail => branch.rails = true,
                        _ => branch.grounds = true,
                    }
                    branch.bar |= self.goes_on(cell, far, &seen_parts);
                } else if let Some(home) = self.home[far] {
                    if home.cell == cell {
                        branch.own = true;
                    } else {
                        branch.other = Some(home.cell);
                    }
                } else {
                    front.extend(self.open_on(cell, far));
                    branch.kept |= self.has_kept(cell, far);
                }
            }
        }
        branch
    }

    fn has_kept(&self, cell: usize, net: usize) -> bool {
        let mut parts = self.wiring.parts_on(net).into_iter();
        parts.any(|part| !self.placed[part] && self.reserved[part].is_some_and(|kept| kept != cell))
    }

    /// Whether a part shunts a supply line: it and all behind it end at ground.
    pub(crate) fn shunts(&self, cell: usize, part: usize, net: usize) -> bool {
        let branch = self.explore(cell, part, net);
        branch.grounds
            && !branch.rails
            && !branch.own
            && branch.other.is_none()
            && branch.parts <= LARGEST_BRANCH
    }

    /// A ladder goes on along lines of the kind it began with; the others are its ground.
    fn goes_in_ladder(&self, cell: usize, net: usize) -> bool {
        let here = &self.cells[cell];
        let kind = here.barred.iter().map(|&net| self.roles[net]).next();
        here.device.is_none()
            && matches!(self.roles[net], Role::Rail | Role::Low)
            && kind.is_none_or(|kind| kind == self.roles[net])
    }

    /// In a ladder, a supply line with more on it is drawn on.
    fn goes_on(&self, cell: usize, net: usize, seen: &[usize]) -> bool {
        self.goes_in_ladder(cell, net)
            && self
                .open_on(cell, net)
                .iter()
                .any(|part| !seen.contains(part))
    }

    /// Hangs (or stands) a part with its branch in the first free place along the bar.
    fn hang(
        &mut self,
        cell: usize,
        part: usize,
        net: usize,
        start: Pt,
        (vertical, side): (Dir, Dir),
    ) -> Pt {
        let piece = self.tree(cell, part, net, (vertical, side), &mut Vec::new());
        let at = self.slot(cell, &piece, start, side);
        let mut piece = piece.shifted(at);
        piece.add_lane(start, at);
        self.commit(cell, piece);
        at
    }

    /// The first place along a bar that takes the piece; beside a wall, one that the bar can't reach straight.
    fn slot(&self, cell: usize, piece: &Fragment, start: Pt, side: Dir) -> Pt {
        let frag = &self.cells[cell].frag;
        for straight in [true, false] {
            for k in 0..160 {
                let at = start.step(side, k);
                if straight && !frag.is_free(start, at) {
                    break;
                }
                if frag.takes(piece, at, self.gap) {
                    return at;
                }
            }
        }
        // Somewhere below all there is.
        let floor = frag.extent().map_or(0.0, |extent| extent.y1);
        let top = piece.extent().map_or(0.0, |extent| extent.y0);
        pt(start.x, (floor - top) as i32 + 3)
    }

    /// A potentiometer at its wiper: the bar goes on from its upper end.
    fn wiper(&mut self, cell: usize, part: usize, net: usize, start: Pt, side: Dir, reach: Reach) {
        let mut piece = Fragment::default();
        let item = self.pot_at_wiper(part, pt(0, 0), side);
        let ends = [0, 1].map(|pin| (pin, item.pin(self.wiring, pin)));
        piece.add_item(self.wiring, item);
        let mut on: Vec<(usize, Pt)> = Vec::new();
        for (pin, end) in ends {
            let far = self.wiring.net(part, pin);
            let out = if end.y < 0 { Dir::Up } else { Dir::Down };
            if far == net {
                continue;
            }
            if self.is_cut(cell, far) {
                self.sign(&mut piece, far, end, out);
            } else if self.home[far].is_none() {
                piece.homes.push((far, end.step(side, 1), side));
                on.push((far, end));
            }
        }
        let at = self.slot(cell, &piece, start, side);
        let mut piece = piece.shifted(at);
        piece.add_lane(start, at);
        self.commit(cell, piece);
        on.sort_by_key(|&(_, end)| end.y);
        for (far, end) in on {
            self.grow(cell, far, end + at, side, reach);
        }
    }

    /// A part along the bar, and what is beyond it.
    fn lie(&mut self, cell: usize, part: usize, net: usize, start: Pt, side: Dir, reach: Reach) {
        let entry = self.pin_on(part, net);
        let is_pot = self.wiring.parts[part].glyph == Glyph::Potentiometer;
        let item = if is_pot {
            run_pot(part, entry, pt(0, 0), side, Dir::Down)
        } else {
            run(part, entry, pt(0, 0), side, LabelSide::AboveAndBelow)
        };
        let mut piece = Fragment::default();
        let mut on = None;
        for pin in (0..self.wiring.parts[part].pins.len()).filter(|&pin| pin != entry) {
            let far = self.wiring.net(part, pin);
            let end = item.pin(self.wiring, pin);
            if far == net || self.cells[cell].barred.contains(&far) {
                continue;
            }
            if self.roles[far] != Role::Signal {
                let open = self.open_on(cell, far).iter().any(|&p| p != part);
                if open && self.goes_in_ladder(cell, far) {
                    on = Some((far, end));
                } else {
                    let out = if pin == 2 { Dir::Down } else { side };
                    self.sign(&mut piece, far, end, out);
                }
            } else if self.home[far].is_none() {
                piece.homes.push((far, end.step(side, 1), side));
                if pin != 2 || on.is_none() {
                    on = Some((far, end));
                }
            }
        }
        piece.add_item(self.wiring, item);
        let at = self.level_place(cell, &piece, start, side);
        let mut piece = piece.shifted(at);
        if at.y == start.y {
            piece.add_lane(start, at);
        }
        self.commit(cell, piece);
        if let Some((far, end)) = on {
            let end = end + at;
            if self.roles[far] == Role::Signal {
                self.home[far] = Some(Home {
                    cell,
                    at: end.step(side, 1),
                    dir: side,
                });
                self.grow(cell, far, end, side, reach);
            } else {
                self.bar(cell, far, end, side);
            }
        }
    }

    /// On the bar if it can be, else over or under it.
    fn level_place(&self, cell: usize, piece: &Fragment, start: Pt, side: Dir) -> Pt {
        let frag = &self.cells[cell].frag;
        let mut best: Option<(i32, Pt)> = None;
        for level in [0, -6, 6, -12, 12, -18, 18, -24, 24] {
            for k in ROOM_FOR_NAME..80 {
                let at = start.step(side, k) + pt(0, level);
                let toll = k + level * level.signum() * 2;
                if best.is_some_and(|(known, _)| known <= toll) {
                    break;
                }
                if level == 0 && !frag.is_free(start, at) {
                    break;
                }
                if frag.takes(piece, at, self.gap) {
                    best = Some((toll, at));
                    break;
                }
            }
        }
        best.map_or_else(|| self.slot(cell, piece, start, side), |(_, at)| at)
    }

    /// A part between two nets that are both drawn: near the middle of them.
    fn bridge(&mut self, cell: usize, part: usize, net: usize, here: Pt) {
        let there = self
            .wiring
            .beyond(part, net)
            .into_iter()
            .find_map(|far| self.home[far].filter(|home| home.cell == cell))
            .map_or(here, |home| home.at);
        let middle = pt((here.x + there.x) / 2, (here.y + there.y) / 2);
        let upright = (here.y - there.y).abs() > (here.x - there.x).abs();
        let dir = match (upright, there.y > here.y, there.x > here.x) {
            (true, true, _) => Dir::Down,
            (true, false, _) => Dir::Up,
            (false, _, true) => Dir::Right,
            (false, _, false) => Dir::Left,
        };
        let entry = self.pin_on(part, net);
        let mut piece = Fragment::default();
        let item = if self.wiring.parts[part].glyph == Glyph::Potentiometer {
            let wiper = if upright { Dir::Right } else { Dir::Down };
            run_pot(part, entry, pt(0, 0), dir, wiper)
        } else {
            run(part, entry, pt(0, 0), dir, usual_side(dir))
        };
        for pin in (0..self.wiring.parts[part].pins.len()).filter(|&pin| pin != entry) {
            let far = self.wiring.net(part, pin);
            let end = item.pin(self.wiring, pin);
            if self.is_cut(cell, far) {
                self.sign(&mut piece, far, end, if pin == 2 { Dir::Down } else { dir });
            } else if self.home[far].is_none() && far != net {
                piece.homes.push((far, end, Dir::Right));
            }
        }
        piece.add_item(self.wiring, item);
        let origin = middle.step(dir, -LENGTH / 2);
        let frag = &self.cells[cell].frag;
        let mut best: Option<(i32, Pt)> = None;
        for dy in -FARTHEST_BRIDGE..=FARTHEST_BRIDGE {
            for dx in -FARTHEST_BRIDGE..=FARTHEST_BRIDGE {
                let toll = dx.abs() + dy.abs();
                if best.is_some_and(|(known, _)| known <= toll) {
                    continue;
                }
                if frag.takes(&piece, origin + pt(dx, dy), self.gap) {
                    best = Some((toll, origin + pt(dx, dy)));
                }
            }
        }
        let at = best.map_or_else(|| self.slot(cell, &piece, here, Dir::Right), |(_, at)| at);
        self.commit(cell, piece.shifted(at));
    }

    /// A supply line drawn as a wire in a ladder.
    pub(crate) fn bar(&mut self, cell: usize, net: usize, at: Pt, side: Dir) {
        self.cells[cell].barred.insert(net);
        self.grow(cell, net, at, side, Reach::Everything);
    }

    /// Whatever still hangs on nets that are drawn.
    pub(crate) fn grow_rest(&mut self) {
        // Each round places a part or ends it.
        for _ in 0..=self.wiring.parts.len() {
            let mut any = false;
            for net in 0..self.home.len() {
                let Some(Home { cell, at, dir }) = self.home[net] else {
                    continue;
                };
                let before = self.open_on(cell, net).len();
                if before > 0 {
                    self.grow(cell, net, at, dir, Reach::Everything);
                    any |= self.open_on(cell, net).len() < before;
                }
            }
            if !any {
                break;
            }
        }
    }
}
