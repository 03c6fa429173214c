//! The sheet: columns of cells side by side under their supply lines, in as many bands as the page is wide, ladders beneath.

use crate::cell::Claims;
use crate::fragment::{Fragment, Sign};
use crate::geometry::{Dir, Pt, Rect, pt};
use crate::grow::Reach;
use crate::order::{Seat, seats};
use crate::plan::{Cell, Plan, Ways};
use crate::rails::{Link, chain, places};
use crate::roles::Role;
use crate::wiring::Wiring;
use std::collections::{BTreeMap, BTreeSet};

/// A supply line drawn as a level wire, with the points from which wires rise to it.
#[derive(Clone, Debug)]
pub(crate) struct Line {
    pub(crate) net: usize,
    pub(crate) y: i32,
    /// Points under the line, from which a wire goes straight up to it; and pins on it.
    pub(crate) rises: Vec<Pt>,
    pub(crate) pins: Vec<Pt>,
    /// Pins aside of which the way up is free.
    pub(crate) leads: Vec<Pt>,
}

/// Everything at its place.
#[derive(Clone, Debug, Default)]
pub(crate) struct Sheet {
    pub(crate) frag: Fragment,
    pub(crate) lines: Vec<Line>,
}

/// Width of a sheet in units, beyond which tubes go on in a band beneath.
const WIDEST: i32 = 190;

/// Between one band and the next.
const BAND_GAP: i32 = 4;

/// Between two tubes of neighbouring columns, at least.
const COLUMN: i32 = 10;

/// A supply line over the highest pin that rises to it.
const LINE_OVER: i32 = 2;

/// Lays out all parts of a sheet, pieces at least `gap` apart.
pub(crate) fn lay_out(wiring: &Wiring, roles: &[Role], gap: f64) -> Sheet {
    let mut plan = Plan::new(wiring, roles, gap);
    let claims = plan.claim();
    let columns = cells(&mut plan, claims);
    for cell in 0..plan.cells.len() {
        for net in plan.grids(cell) {
            if let Some(home) = plan.home[net] {
                plan.grow(cell, net, home.at, home.dir, Reach::Leftward);
            }
        }
    }
    columns.join_pairs(&mut plan);
    for cell in 0..plan.cells.len() {
        plan.house(cell);
    }
    plan.grow_rest();
    assemble(plan, &columns)
}

/// Which cells stand in which column.
struct Columns {
    cells: Vec<Vec<usize>>,
    pairs: Vec<(crate::cell::Pair, [usize; 2])>,
}

fn cells(plan: &mut Plan<'_>, claims: Claims) -> Columns {
    let pairs: Vec<[usize; 2]> = claims.pairs.iter().map(|pair| pair.devices).collect();
    let seats: Vec<Seat> = seats(plan.wiring, plan.roles, &claims.stacked, &pairs);
    let count = seats.last().map_or(0, |seat| seat.column + 1);
    let mut columns = vec![Vec::new(); count];
    for seat in &seats {
        columns[seat.column].push(plan.cells.len());
        plan.cells.push(Cell {
            device: Some(seat.part),
            column: seat.column,
            ..Cell::default()
        });
    }
    let mut joined = Vec::new();
    for pair in &claims.pairs {
        let found = pair.devices.map(|device| plan.cell_of(device));
        match found {
            [Some(a), Some(b)] if plan.cells[a].column == plan.cells[b].column => {
                joined.push((*pair, [a, b]));
            }
            _ => plan.release(pair),
        }
    }
    // What is claimed is kept for its cell while the others are filled.
    let ways: BTreeMap<usize, Ways> = claims.ways.into_iter().collect();
    for cell in 0..plan.cells.len() {
        if let Some(own) = plan.cells[cell].device.and_then(|device| ways.get(&device)) {
            for step in own.load.iter().chain(&own.cathode).chain(&own.screen) {
                plan.reserved[step.part] = Some(cell);
            }
        }
    }
    let none = Ways::default();
    for cell in 0..plan.cells.len() {
        if let Some(device) = plan.cells[cell].device {
            plan.core(cell, device, ways.get(&device).unwrap_or(&none));
        }
    }
    for cell in 0..plan.cells.len() {
        plan.dress(cell);
    }
    Columns {
        cells: columns,
        pairs: joined,
    }
}

impl Columns {
    fn join_pairs(&self, plan: &mut Plan<'_>) {
        for (pair, cells) in &self.pairs {
            plan.join_pair(pair, *cells);
        }
    }
}

/// A column's piece, and the pins of it that want a supply line.
fn column(plan: &mut Plan<'_>, cells: &[usize]) -> Fragment {
    let mut frag = Fragment::default();
    for &cell in cells {
        let own = std::mem::take(&mut plan.cells[cell].frag);
        if own.is_empty() {
            continue;
        }
        let drop = if frag.is_empty() {
            0
        } else {
            (0..2000)
                .find(|&y| frag.takes(&own, pt(0, y), plan.gap + 1.0))
                .unwrap_or(2000)
        };
        frag.absorb(own.shifted(pt(0, drop)));
    }
    frag
}

fn drops(plan: &Plan<'_>, frag: &Fragment) -> Vec<usize> {
    frag.signs
        .iter()
        .filter(|sign| sign.dir == Dir::Up && plan.roles[sign.net] == Role::Rail)
        .map(|sign| sign.net)
        .collect()
}

fn assemble(mut plan: Plan<'_>, columns: &Columns) -> Sheet {
    let mut frags: Vec<Fragment> = columns
        .cells
        .iter()
        .map(|cells| column(&mut plan, cells))
        .filter(|frag| !frag.is_empty())
        .collect();
    let bands = bands(&frags, plan.gap);
    let mut sheet = Sheet::default();
    let mut first = 0;
    for count in &bands {
        let own: Vec<Fragment> = frags.drain(..*count).collect();
        let links = if bands.len() == 1 {
            let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
            for net in own.iter().flat_map(|frag| drops(&plan, frag)) {
                *counts.entry(net).or_default() += 1;
            }
            let chain = chain(&plan, &counts);
            plan.links(&chain)
        } else {
            commonest(&plan, &own)
        };
        let band = Band::build(&plan, own, links);
        sheet.stack(band.frag, band.lines);
        first += count;
    }
    debug_assert!(first <= columns.cells.len());
    let made = plan.ladders();
    let rest: BTreeSet<usize> = (0..plan.cells.len()).collect();
    let mut shelf = Shelf::default();
    for cell in rest {
        let mut frag = std::mem::take(&mut plan.cells[cell].frag);
        if frag.is_empty() {
            continue;
        }
        if made.contains(&cell) {
            bars(&plan, cell, &mut frag);
        }
        shelf.put(frag);
    }
    sheet.stack(shelf.frag, Vec::new());
    sheet
}

/// In a band of several, the line that most of its tubes hang on, with its name at the end.
fn commonest(plan: &Plan<'_>, own: &[Fragment]) -> Vec<Link> {
    let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
    for net in own.iter().flat_map(|frag| drops(plan, frag)) {
        *counts.entry(net).or_default() += 1;
    }
    let most = counts
        .iter()
        .max_by_key(|&(net, count)| (*count, usize::MAX - *net));
    let Some((&net, &count)) = most else {
        return Vec::new();
    };
    if count < 2 {
        return Vec::new();
    }
    let mut frag = Fragment::default();
    frag.add_sign(
        plan.wiring,
        Sign {
            net,
            at: pt(0, 0),
            dir: Dir::Right,
            pin: None,
        },
    );
    vec![Link {
        net,
        frag,
        pins: vec![pt(0, 0)],
        onward: Vec::new(),
    }]
}

/// How many columns stand in each band.
fn bands(frags: &[Fragment], gap: f64) -> Vec<usize> {
    let mut bands = vec![0];
    let mut so_far = Fragment::default();
    let mut last = 0;
    for frag in frags {
        let by = beside(&so_far, frag, last, i32::MIN, gap);
        let mut wide = so_far.clone();
        wide.absorb(frag.clone().shifted(pt(by, 0)));
        let width = wide.extent().map_or(0.0, |extent| extent.x1 - extent.x0);
        if width > f64::from(WIDEST) && !so_far.is_empty() {
            bands.push(0);
            so_far = frag.clone();
            last = 0;
        } else {
            so_far = wide;
            last = by;
        }
        if let Some(count) = bands.last_mut() {
            *count += 1;
        }
    }
    bands
}

/// How far right a piece goes to be clear of what stands there.
fn beside(there: &Fragment, piece: &Fragment, last: i32, least: i32, gap: f64) -> i32 {
    if there.is_empty() {
        return 0.max(least);
    }
    let from = (last + COLUMN).max(least);
    (from..from + 4000)
        .find(|&x| there.takes(piece, pt(x, 0), gap + 1.0))
        .unwrap_or(from + 4000)
}

/// A row of columns under its supply lines.
struct Band {
    frag: Fragment,
    lines: Vec<Line>,
}

impl Band {
    fn build(plan: &Plan<'_>, mut columns: Vec<Fragment>, links: Vec<Link>) -> Self {
        let wanted: Vec<Vec<usize>> = columns.iter().map(|frag| drops(plan, frag)).collect();
        let nets: Vec<usize> = links.iter().map(|link| link.net).collect();
        let places = places(&nets, &wanted);
        let y = line_height(plan, &columns, &places, &nets);
        let mut lines: Vec<Line> = nets
            .iter()
            .map(|&net| Line {
                net,
                y,
                rises: Vec::new(),
                pins: Vec::new(),
                leads: Vec::new(),
            })
            .collect();
        let mut band = Fragment::default();
        let (mut tube, mut right) = (-COLUMN, i32::MIN);
        let mut link = 0;
        let mut links = links.into_iter();
        for position in 0..=columns.len() {
            while link < nets.len() && (places[link] == position && link + 1 < nets.len()) {
                if let Some(piece) = links.next() {
                    right = put_link(&mut band, &mut lines, link, piece, (right, y), plan.gap);
                }
                link += 1;
            }
            if position == columns.len() {
                break;
            }
            let frag = std::mem::take(&mut columns[position]);
            let line = lines.get_mut(link);
            let (frag, rises) = rise(plan, frag, line.as_ref().map(|line| line.net), y);
            let near = rises.iter().map(|(at, _)| at.x).min();
            let least = match near {
                Some(near) if right != i32::MIN => right + 1 - near,
                _ => i32::MIN,
            };
            let x = beside(&band, &frag, tube, least, plan.gap);
            tube = x;
            if let Some(line) = line {
                for (at, pin) in rises {
                    let at = at + pt(x, 0);
                    right = right.max(at.x + 1);
                    match pin {
                        None => line.rises.push(at),
                        Some(pin) => line.leads.push(pin + pt(x, 0)),
                    }
                }
            }
            band.absorb(frag.shifted(pt(x, 0)));
        }
        for piece in links {
            right = put_link(&mut band, &mut lines, link, piece, (right, y), plan.gap);
            link += 1;
        }
        Self { frag: band, lines }
    }
}

/// The height of the line: over everything that is left under it.
fn line_height(plan: &Plan<'_>, columns: &[Fragment], places: &[usize], nets: &[usize]) -> i32 {
    let pins = columns
        .iter()
        .flat_map(|frag| &frag.signs)
        .filter(|sign| is_rise(plan, sign, nets))
        .map(|sign| sign.at.y)
        .min()
        .unwrap_or(0);
    let mut y = pins - LINE_OVER;
    // A rise that is blocked keeps its name, over which the line must go too.
    for _ in 0..8 {
        let mut top = 0.0f64;
        for (position, frag) in columns.iter().enumerate() {
            let link = places.iter().filter(|&&place| place <= position).count();
            let net = nets.get(link.min(nets.len().saturating_sub(1))).copied();
            let (left, _) = rise(plan, frag.clone(), net, y);
            let own = Rect::around(left.boxes).map_or(0.0, |extent| extent.y0);
            top = top.min(own);
        }
        let over = top.floor() as i32 - 1;
        if y <= over {
            break;
        }
        y = over;
    }
    y
}

fn is_rise(plan: &Plan<'_>, sign: &Sign, nets: &[usize]) -> bool {
    sign.dir == Dir::Up && plan.roles[sign.net] == Role::Rail && nets.contains(&sign.net)
}

/// A column whose signs of this line are wires up to it, where nothing is in the way.
fn rise(
    plan: &Plan<'_>,
    mut frag: Fragment,
    net: Option<usize>,
    y: i32,
) -> (Fragment, Vec<(Pt, Option<Pt>)>) {
    let Some(net) = net else {
        return (frag, Vec::new());
    };
    let taken = frag.take_signs(plan.wiring, &|sign| is_rise(plan, sign, &[net]));
    let mut rises: Vec<(Pt, Option<Pt>)> = Vec::new();
    for sign in taken {
        let top = pt(sign.at.x, y);
        if frag.is_free(sign.at, top) && !rises.iter().any(|(at, _)| at.x == sign.at.x) {
            frag.add_lane(sign.at.step(Dir::Up, 1), top);
            rises.push((sign.at, sign.pin));
        } else {
            frag.add_sign(plan.wiring, sign);
        }
    }
    (frag, rises)
}

/// Sets a link behind all that rises so far; gives where the next line begins.
fn put_link(
    band: &mut Fragment,
    lines: &mut [Line],
    index: usize,
    link: Link,
    (right, y): (i32, i32),
    gap: f64,
) -> i32 {
    let from = if right == i32::MIN { 0 } else { right + 1 };
    let x = (from..from + 4000)
        .find(|&x| band.takes(&link.frag, pt(x, y), gap + 1.0))
        .unwrap_or(from + 4000);
    let by = pt(x, y);
    let pins = link.pins.iter().map(|&pin| pin + by);
    lines[index].pins.extend(pins);
    // The next line begins behind the last pin of this one.
    let last = link.pins.iter().map(|pin| pin.x + x + 1).max();
    let mut end = right.max(x).max(last.unwrap_or(x));
    if let Some(next) = lines.get_mut(index + 1) {
        next.pins.extend(link.onward.iter().map(|&pin| pin + by));
        end = link.onward.iter().map(|pin| pin.x + x).fold(end, i32::max);
    }
    band.absorb(link.frag.shifted(by));
    end
}

/// What a ladder's supply lines join.
fn bars(plan: &Plan<'_>, cell: usize, frag: &mut Fragment) {
    for &net in &plan.cells[cell].barred {
        let mut points: Vec<Pt> = Vec::new();
        for item in &frag.items {
            for pin in 0..plan.wiring.parts[item.part].pins.len() {
                if plan.wiring.net(item.part, pin) == net {
                    points.push(item.pin(plan.wiring, pin));
                }
            }
        }
        points.extend(
            frag.signs
                .iter()
                .filter(|sign| sign.net == net)
                .map(|sign| sign.at),
        );
        points.sort_unstable();
        points.dedup();
        frag.bars.push((net, points));
    }
}

/// Ladders side by side, in rows as wide as the sheet.
#[derive(Default)]
struct Shelf {
    frag: Fragment,
    x: f64,
    y: f64,
    low: f64,
}

impl Shelf {
    fn put(&mut self, frag: Fragment) {
        let Some(extent) = frag.extent() else {
            return;
        };
        let wide = extent.x1 - extent.x0;
        if self.x > 0.0 && self.x + wide > f64::from(WIDEST) {
            self.x = 0.0;
            self.y = self.low + f64::from(BAND_GAP);
        }
        let by = pt(
            (self.x - extent.x0).ceil() as i32,
            (self.y - extent.y0).ceil() as i32,
        );
        self.x += wide + 5.0;
        self.low = self.low.max(self.y + extent.y1 - extent.y0 + 1.0);
        self.frag.absorb(frag.shifted(by));
    }
}

impl Sheet {
    /// Puts a band under those that are there, its left edge under theirs.
    fn stack(&mut self, frag: Fragment, lines: Vec<Line>) {
        let Some(extent) = frag.extent() else {
            return;
        };
        let floor = self
            .frag
            .extent()
            .map_or(0.0, |there| there.y1 + f64::from(BAND_GAP));
        let by = pt(
            (-extent.x0).ceil() as i32,
            (floor
                - extent.y0.min(
                    lines
                        .first()
                        .map_or(extent.y0, |line| f64::from(line.y) - 2.0),
                ))
            .ceil() as i32,
        );
        self.frag.absorb(frag.shifted(by));
        for mut line in lines {
            line.y += by.y;
            for at in line
                .rises
                .iter_mut()
                .chain(&mut line.pins)
                .chain(&mut line.leads)
            {
                *at = *at + by;
            }
            self.lines.push(line);
        }
    }
}
