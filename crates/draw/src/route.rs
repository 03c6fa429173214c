//! Wires: the cheapest way along the grid from what is laid of a net to its nearest open pin, until all are joined.
//!
//! A unit of wire costs 1, a bend 5, a crossing 14; bodies, words and others' pins, bends and joints are walls.
//! The search is Dijkstra's, over points of the grid and the direction in which each was reached.

use crate::geometry::{Dir, Pt, Rect, pt};
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet, BinaryHeap};

const BEND: u32 = 5;
const CROSSING: u32 = 14;
/// A fourth wire at a joint: a dot with three is told from a crossing at a glance.
const FOURTH: u32 = 60;

/// A group of points that one wire joins.
#[derive(Clone, Debug, Default)]
pub(crate) struct Group {
    pub(crate) net: usize,
    pub(crate) points: Vec<Pt>,
}

/// What is laid of a group: unit lengths of wire, each from its left or upper point.
#[derive(Clone, Debug, Default)]
pub(crate) struct Laid {
    pub(crate) level: BTreeSet<Pt>,
    pub(crate) upright: BTreeSet<Pt>,
}

impl Laid {
    pub(crate) fn add(&mut self, a: Pt, b: Pt) {
        for x in a.x.min(b.x)..a.x.max(b.x) {
            self.level.insert(pt(x, a.y));
        }
        for y in a.y.min(b.y)..a.y.max(b.y) {
            self.upright.insert(pt(a.x, y));
        }
    }

    pub(crate) fn has(&self, at: Pt, dir: Dir) -> bool {
        match dir {
            Dir::Right => self.level.contains(&at),
            Dir::Left => self.level.contains(&at.step(Dir::Left, 1)),
            Dir::Down => self.upright.contains(&at),
            Dir::Up => self.upright.contains(&at.step(Dir::Up, 1)),
        }
    }

    pub(crate) fn points(&self) -> BTreeSet<Pt> {
        let level = self
            .level
            .iter()
            .flat_map(|&at| [at, at.step(Dir::Right, 1)]);
        let upright = self
            .upright
            .iter()
            .flat_map(|&at| [at, at.step(Dir::Down, 1)]);
        level.chain(upright).collect()
    }

    /// Straight pieces from bend to bend, or to a joint of four.
    pub(crate) fn pieces(&self) -> Vec<(Pt, Pt)> {
        let mut pieces = Vec::new();
        for (set, dir) in [(&self.level, Dir::Right), (&self.upright, Dir::Down)] {
            for &at in set {
                if set.contains(&at.step(dir, -1)) {
                    continue;
                }
                let (mut start, mut end) = (at, at.step(dir, 1));
                while set.contains(&end) {
                    // Where four meet, each ends: drawn through, two of them would cross.
                    if Dir::ALL.iter().all(|&dir| self.has(end, dir)) {
                        pieces.push((start, end));
                        start = end;
                    }
                    end = end.step(dir, 1);
                }
                pieces.push((start, end));
            }
        }
        pieces
    }

    pub(crate) fn is_straight_through(&self, at: Pt) -> bool {
        let [up, right, down, left] = Dir::ALL.map(|dir| self.has(at, dir));
        (up && down && !left && !right) || (left && right && !up && !down)
    }
}

/// The grid with all that stands on it.
pub(crate) struct Board {
    from: Pt,
    wide: i32,
    high: i32,
    wall: Vec<bool>,
    /// The pin of which group is here.
    pin: Vec<u32>,
    /// Which group's wire goes through level, and which upright.
    level: Vec<u32>,
    upright: Vec<u32>,
    /// Whether a wire bends, ends or is joined here.
    knot: Vec<bool>,
    /// What searches leave behind: least cost and the state before, valid where the round is the present one.
    cost: Vec<u32>,
    before: Vec<u32>,
    seen_in: Vec<u32>,
    round: u32,
}

const NONE: u32 = u32::MAX;

impl Board {
    pub(crate) fn new(around: Rect) -> Self {
        const MARGIN: i32 = 6;
        let from = pt(
            around.x0.floor() as i32 - MARGIN,
            around.y0.floor() as i32 - MARGIN,
        );
        let wide = around.x1.ceil() as i32 + MARGIN - from.x + 1;
        let high = around.y1.ceil() as i32 + MARGIN - from.y + 1;
        let size = (wide * high) as usize;
        Self {
            from,
            wide,
            high,
            wall: vec![false; size],
            pin: vec![NONE; size],
            level: vec![NONE; size],
            upright: vec![NONE; size],
            knot: vec![false; size],
            cost: vec![u32::MAX; size * 4],
            before: vec![NONE; size * 4],
            seen_in: vec![0; size * 4],
            round: 0,
        }
    }

    fn known(&self, state: usize) -> u32 {
        if self.seen_in[state] == self.round {
            self.cost[state]
        } else {
            u32::MAX
        }
    }

    fn note(&mut self, state: usize, cost: u32, before: u32) {
        self.seen_in[state] = self.round;
        self.cost[state] = cost;
        self.before[state] = before;
    }

    fn index(&self, at: Pt) -> Option<usize> {
        let (x, y) = (at.x - self.from.x, at.y - self.from.y);
        ((0..self.wide).contains(&x) && (0..self.high).contains(&y))
            .then_some((y * self.wide + x) as usize)
    }

    fn point(&self, index: usize) -> Pt {
        let (x, y) = (index as i32 % self.wide, index as i32 / self.wide);
        self.from + pt(x, y)
    }

    pub(crate) fn block(&mut self, at: Pt) {
        if let Some(index) = self.index(at) {
            self.wall[index] = true;
        }
    }

    /// What stands in the way, to be put back.
    pub(crate) fn walls(&self) -> Vec<bool> {
        self.wall.clone()
    }

    pub(crate) fn set_walls(&mut self, walls: Vec<bool>) {
        self.wall = walls;
    }

    /// Words: no wire goes through, though it may touch their edge.
    pub(crate) fn block_box(&mut self, rect: &Rect) {
        let rect = rect.grown(0.15);
        for x in rect.x0.ceil() as i32..=rect.x1.floor() as i32 {
            for y in rect.y0.ceil() as i32..=rect.y1.floor() as i32 {
                self.block(pt(x, y));
            }
        }
    }

    pub(crate) fn set_pin(&mut self, at: Pt, group: u32) {
        if let Some(index) = self.index(at) {
            self.pin[index] = group;
            self.wall[index] = false;
        }
    }

    /// Whether a wire or pin is at a point.
    pub(crate) fn is_used(&self, at: Pt) -> bool {
        self.index(at).is_none_or(|index| {
            self.pin[index] != NONE || self.level[index] != NONE || self.upright[index] != NONE
        })
    }

    pub(crate) fn is_wall(&self, at: Pt) -> bool {
        self.index(at).is_none_or(|index| self.wall[index])
    }

    /// Enters (or takes out) a group's wires.
    pub(crate) fn mark(&mut self, laid: &Laid, group: u32, in_place: bool) {
        let value = if in_place { group } else { NONE };
        for at in laid.points() {
            let Some(index) = self.index(at) else {
                continue;
            };
            if laid.has(at, Dir::Left) || laid.has(at, Dir::Right) {
                self.level[index] = value;
            }
            if laid.has(at, Dir::Up) || laid.has(at, Dir::Down) {
                self.upright[index] = value;
            }
            if !laid.is_straight_through(at) {
                self.knot[index] = in_place;
            }
        }
    }

    /// Joins a group's points that no wire joins yet. Gives the points that could not be reached.
    pub(crate) fn connect(&mut self, group: u32, points: &[Pt], laid: &mut Laid) -> Vec<Pt> {
        let mut missed = Vec::new();
        let mut open: BTreeSet<Pt> = points.iter().copied().collect();
        let Some(first) = open.pop_first() else {
            return missed;
        };
        let mut tree: BTreeSet<Pt> = reached(laid, first);
        open.retain(|at| !tree.contains(at));
        while !open.is_empty() {
            let Some((way, end)) = self.search(group, &tree, &open, laid) else {
                missed.extend(open.iter().copied());
                break;
            };
            for pair in way.windows(2) {
                laid.add(pair[0], pair[1]);
            }
            self.mark(laid, group, true);
            tree.extend(reached(laid, end));
            tree.extend(reached(laid, first));
            open.retain(|at| !tree.contains(at));
        }
        missed
    }

    /// The cheapest way from a group's wires to one of its open points.
    fn search(
        &mut self,
        group: u32,
        tree: &BTreeSet<Pt>,
        open: &BTreeSet<Pt>,
        laid: &Laid,
    ) -> Option<(Vec<Pt>, Pt)> {
        self.round += 1;
        // A wire is never shorter than the way to the box around all that is sought.
        let around = Rect::around(open.iter().map(|&at| Rect::along(at, at, 0.0)))?;
        let far = |at: Pt| {
            let (x, y) = (f64::from(at.x), f64::from(at.y));
            let dx = (around.x0 - x).max(x - around.x1).max(0.0);
            let dy = (around.y0 - y).max(y - around.y1).max(0.0);
            (dx + dy) as u32
        };
        let mut heap = BinaryHeap::new();
        for (state, toll) in self.starts(group, tree, laid) {
            self.note(state, toll, NONE);
            heap.push(Reverse((
                toll + far(self.point(state / 4)),
                toll,
                state as u32,
            )));
        }
        while let Some(Reverse((_, so_far, state))) = heap.pop() {
            let state = state as usize;
            if so_far > self.known(state) {
                continue;
            }
            let (index, dir) = (state / 4, Dir::ALL[state % 4]);
            let at = self.point(index);
            if open.contains(&at) {
                return Some((self.trace(state), at));
            }
            let next = at.step(dir, 1);
            let Some(target) = self.index(next) else {
                continue;
            };
            let Some(crossing) = self.enter(target, dir, group) else {
                continue;
            };
            let toll = so_far + 1 + if crossing { CROSSING } else { 0 };
            for (d, turn) in Dir::ALL.into_iter().enumerate() {
                if turn == dir.back() || (crossing && turn != dir) {
                    continue;
                }
                let toll = toll + if turn == dir { 0 } else { BEND };
                let to = target * 4 + d;
                if toll < self.known(to) {
                    self.note(to, toll, state as u32);
                    heap.push(Reverse((toll + far(next), toll, to as u32)));
                }
            }
        }
        None
    }

    /// Where a wire may begin: at each point of what is laid, in each direction that is free.
    fn starts(&self, group: u32, tree: &BTreeSet<Pt>, laid: &Laid) -> Vec<(usize, u32)> {
        let mut starts = Vec::new();
        for &at in tree {
            let Some(index) = self.index(at) else {
                continue;
            };
            if self.is_foreign(self.level[index], group)
                || self.is_foreign(self.upright[index], group)
            {
                continue;
            }
            let arms = Dir::ALL.iter().filter(|&&dir| laid.has(at, dir)).count();
            for (d, dir) in Dir::ALL.into_iter().enumerate() {
                if laid.has(at, dir) {
                    continue;
                }
                let toll = match arms {
                    0 => 0,
                    1 if laid.has(at, dir.back()) => 0,
                    3 => FOURTH,
                    _ => 1,
                };
                starts.push((index * 4 + d, toll));
            }
        }
        starts
    }

    fn is_foreign(&self, owner: u32, group: u32) -> bool {
        owner != NONE && owner != group
    }

    /// Whether a wire may come to a point in this direction; and whether it crosses another there.
    fn enter(&self, index: usize, dir: Dir, group: u32) -> Option<bool> {
        if self.wall[index] || self.is_foreign(self.pin[index], group) {
            return None;
        }
        let (along, across) = if dir.is_level() {
            (self.level[index], self.upright[index])
        } else {
            (self.upright[index], self.level[index])
        };
        if self.is_foreign(along, group) {
            return None;
        }
        if self.is_foreign(across, group) {
            return (!self.knot[index]).then_some(true);
        }
        Some(false)
    }

    fn trace(&self, mut state: usize) -> Vec<Pt> {
        let mut way = vec![self.point(state / 4)];
        while self.before[state] != NONE {
            state = self.before[state] as usize;
            way.push(self.point(state / 4));
        }
        way.dedup();
        way
    }
}

/// All points that a group's wire joins with this one.
pub(crate) fn reached(laid: &Laid, from: Pt) -> BTreeSet<Pt> {
    let mut seen = BTreeSet::from([from]);
    let mut front = vec![from];
    while let Some(at) = front.pop() {
        for dir in Dir::ALL {
            let next = at.step(dir, 1);
            if laid.has(at, dir) && seen.insert(next) {
                front.push(next);
            }
        }
    }
    seen
}

/// How many wires of others a group's wires cross.
pub(crate) fn crossings(laid: &[Laid]) -> usize {
    let mut level: BTreeMap<Pt, usize> = BTreeMap::new();
    let mut count = 0;
    for (group, own) in laid.iter().enumerate() {
        for at in own.points() {
            if own.has(at, Dir::Left) && own.has(at, Dir::Right) {
                level.insert(at, group);
            }
        }
    }
    for (group, own) in laid.iter().enumerate() {
        for at in own.points() {
            if own.has(at, Dir::Up)
                && own.has(at, Dir::Down)
                && level.get(&at).is_some_and(|&other| other != group)
            {
                count += 1;
            }
        }
    }
    count
}

/// How many times wires turn.
pub(crate) fn bends(laid: &[Laid]) -> usize {
    laid.iter()
        .flat_map(|own| own.points().into_iter().map(move |at| (own, at)))
        .filter(|(own, at)| {
            let [up, right, down, left] = Dir::ALL.map(|dir| own.has(*at, dir));
            (up != down) && (left != right)
        })
        .count()
}
