//! From a sheet to its wires: which pins are joined by wire and which by name, and where the names go.

use crate::fragment::{Fragment, Sign, Words};
use crate::geometry::{Dir, Pt, Rect, pt};
use crate::roles::Role;
use crate::route::{Board, Group, Laid};
use crate::sheet::Sheet;
use crate::symbol;
use crate::wiring::Wiring;
use petgraph::unionfind::UnionFind;
use std::collections::{BTreeMap, BTreeSet};

/// Pins farther apart than this are joined by name. Up and down counts more: a sheet is wider than high.
const FARTHEST: f64 = 75.0;
const UPRIGHT_TOLL: f64 = 1.3;

/// Times that each wire is taken up and laid again.
const ROUNDS: usize = 2;

/// Ways to a place for a name that are searched in vain before more room is asked for.
const MOST_TRIES: usize = 8;

/// How far from a wire a name may stand.
const FARTHEST_NAME: i32 = 40;

/// The sheet with its wires.
#[derive(Clone, Debug, Default)]
pub(crate) struct Wired {
    pub(crate) groups: Vec<Group>,
    pub(crate) laid: Vec<Laid>,
    /// All of them together.
    pub(crate) all: Laid,
    /// Ends of wires that have no place: the sheet needs more room.
    pub(crate) lost: usize,
    /// Ends with a name, other than chassis signs.
    pub(crate) named: usize,
}

/// Lays all wires, and adds the names that are needed to the sheet.
pub(crate) fn wire(wiring: &Wiring, roles: &[Role], sheet: &mut Sheet) -> Wired {
    let mut groups = groups(wiring, roles, sheet);
    let extent = sheet
        .frag
        .extent()
        .unwrap_or(Rect::between((0.0, 0.0), (1.0, 1.0)));
    let mut board = Board::new(extent.grown(4.0));
    furnish(wiring, sheet, &mut board);
    for (index, group) in groups.iter().enumerate() {
        for &at in &group.points {
            board.set_pin(at, index as u32);
        }
    }
    let mut laid = vec![Laid::default(); groups.len()];
    for line in &sheet.lines {
        if let Some(index) = group_of_line(&groups, line) {
            lay_line(line, &mut laid[index]);
            board.mark(&laid[index], index as u32, true);
        }
    }
    let fixed = laid.clone();
    let mut order: Vec<usize> = (0..groups.len()).collect();
    order.sort_by_key(|&index| (span(&groups[index].points), index));
    let mut missed: BTreeMap<usize, Vec<Pt>> = BTreeMap::new();
    for round in 0..=ROUNDS {
        for &index in &order {
            let old = std::mem::replace(&mut laid[index], fixed[index].clone());
            if round > 0 {
                board.mark(&old, index as u32, false);
                board.mark(&laid[index], index as u32, true);
            }
            let points = groups[index].points.clone();
            let left = board.connect(index as u32, &points, &mut laid[index]);
            if left.is_empty() {
                missed.remove(&index);
            } else {
                missed.insert(index, left);
            }
        }
    }
    for (index, left) in missed {
        part_company(&mut groups, &mut laid, &mut board, index, &left);
    }
    let mut wired = Wired {
        groups,
        laid,
        all: Laid::default(),
        lost: 0,
        named: 0,
    };
    for own in &wired.laid {
        wired.all.level.extend(&own.level);
        wired.all.upright.extend(&own.upright);
    }
    name_ends(wiring, sheet, &mut wired, &mut board);
    wired.lost += clashes(wiring, &sheet.frag);
    wired.named = sheet
        .frag
        .signs
        .iter()
        .filter(|sign| sign.words(wiring).is_some())
        .count();
    wired
}

fn span(points: &[Pt]) -> i32 {
    let spread = |of: &dyn Fn(&Pt) -> i32| {
        let all = points.iter().map(of);
        all.clone().max().unwrap_or(0) - all.min().unwrap_or(0)
    };
    spread(&|at| at.x) + spread(&|at| at.y)
}

/// Symbols and words stand in the way of wires.
pub(crate) fn furnish(wiring: &Wiring, sheet: &Sheet, board: &mut Board) {
    for item in &sheet.frag.items {
        for at in symbol::blocked(&wiring.parts[item.part], &item.pose) {
            board.block(at);
        }
        for words in item.words(wiring, &[]) {
            board.block_box(&words.rect());
        }
    }
    for sign in &sheet.frag.signs {
        block_sign(wiring, sign, board);
    }
}

fn block_sign(wiring: &Wiring, sign: &Sign, board: &mut Board) {
    for rect in sign.boxes(wiring) {
        board.block_box(&rect);
    }
    board.block(sign.at.step(sign.dir, 1));
}

fn group_of_line(groups: &[Group], line: &crate::sheet::Line) -> Option<usize> {
    let any = line.pins.first().or(line.rises.first())?;
    groups
        .iter()
        .position(|group| group.net == line.net && group.points.contains(any))
}

fn lay_line(line: &crate::sheet::Line, laid: &mut Laid) {
    let level = line.pins.iter().filter(|pin| pin.y == line.y);
    let xs: Vec<i32> = level.chain(&line.rises).map(|at| at.x).collect();
    let (Some(&x0), Some(&x1)) = (xs.iter().min(), xs.iter().max()) else {
        return;
    };
    laid.add(pt(x0, line.y), pt(x1, line.y));
    for &at in &line.rises {
        laid.add(at, pt(at.x, line.y));
    }
}

/// Symbols, signs and their words that stand on each other: the sheet needs more room.
fn clashes(wiring: &Wiring, frag: &Fragment) -> usize {
    let items = frag.items.iter().map(|item| item.boxes(wiring));
    let signs = frag.signs.iter().map(|sign| sign.boxes(wiring));
    let mut owned: Vec<(usize, Rect)> = items
        .chain(signs)
        .enumerate()
        .flat_map(|(owner, boxes)| boxes.into_iter().map(move |rect| (owner, rect)))
        .collect();
    owned.sort_by(|a, b| a.1.x0.total_cmp(&b.1.x0));
    let mut count = 0;
    for (index, (owner, rect)) in owned.iter().enumerate() {
        let right = owned[index + 1..]
            .iter()
            .take_while(|(_, there)| there.x0 < rect.x1);
        count += right
            .filter(|(other, there)| other != owner && rect.meets(there))
            .count();
    }
    count
}

/// Which pins are joined by wire.
fn groups(wiring: &Wiring, roles: &[Role], sheet: &Sheet) -> Vec<Group> {
    let mut pins: BTreeMap<usize, BTreeSet<Pt>> = BTreeMap::new();
    for item in &sheet.frag.items {
        for pin in 0..wiring.parts[item.part].pins.len() {
            let net = wiring.net(item.part, pin);
            pins.entry(net).or_default().insert(item.pin(wiring, pin));
        }
    }
    let mut groups = Vec::new();
    for (net, points) in pins {
        let points: Vec<Pt> = points.into_iter().collect();
        if roles[net] == Role::Signal {
            groups.extend(
                near_ones(&points)
                    .into_iter()
                    .map(|points| Group { net, points }),
            );
        } else {
            groups.extend(by_signs(sheet, net, points));
        }
    }
    groups
}

/// Pins that are near enough to each other, in clusters.
fn near_ones(points: &[Pt]) -> Vec<Vec<Pt>> {
    let mut sets = UnionFind::<usize>::new(points.len());
    for (i, a) in points.iter().enumerate() {
        for (j, b) in points.iter().enumerate().skip(i + 1) {
            let away = f64::from((a.x - b.x).abs()) + UPRIGHT_TOLL * f64::from((a.y - b.y).abs());
            if away <= FARTHEST {
                sets.union(i, j);
            }
        }
    }
    let mut clusters: BTreeMap<usize, Vec<Pt>> = BTreeMap::new();
    for (i, &at) in points.iter().enumerate() {
        clusters.entry(sets.find(i)).or_default().push(at);
    }
    clusters.into_values().collect()
}

/// Pins of a net that is joined by name: each with its sign, its supply line or its bar.
fn by_signs(sheet: &Sheet, net: usize, points: Vec<Pt>) -> Vec<Group> {
    let mut all: BTreeSet<Pt> = points.into_iter().collect();
    let signs: Vec<&Sign> = sheet.frag.signs.iter().filter(|s| s.net == net).collect();
    all.extend(signs.iter().map(|sign| sign.at));
    let mut ties: Vec<Vec<Pt>> = Vec::new();
    for sign in &signs {
        ties.push([Some(sign.at), sign.pin].into_iter().flatten().collect());
    }
    for line in sheet.lines.iter().filter(|line| line.net == net) {
        let mut tied: Vec<Pt> = line.pins.iter().chain(&line.rises).copied().collect();
        tied.extend(&line.leads);
        ties.push(tied);
    }
    for (_, points) in sheet.frag.bars.iter().filter(|bar| bar.0 == net) {
        ties.push(points.clone());
    }
    all.extend(ties.iter().flatten().copied());
    let index: BTreeMap<Pt, usize> = all.iter().enumerate().map(|(i, &at)| (at, i)).collect();
    let mut sets = UnionFind::<usize>::new(all.len());
    for tied in &ties {
        for pair in tied.windows(2) {
            sets.union(index[&pair[0]], index[&pair[1]]);
        }
    }
    let mut clusters: BTreeMap<usize, Vec<Pt>> = BTreeMap::new();
    for (&at, &i) in &index {
        clusters.entry(sets.find(i)).or_default().push(at);
    }
    clusters
        .into_values()
        .map(|points| Group { net, points })
        .collect()
}

/// What could not be reached is a group by itself, with a name.
fn part_company(
    groups: &mut Vec<Group>,
    laid: &mut Vec<Laid>,
    board: &mut Board,
    index: usize,
    left: &[Pt],
) {
    let net = groups[index].net;
    groups[index].points.retain(|at| !left.contains(at));
    let mut rest: Vec<Pt> = left.to_vec();
    while let Some(at) = rest.pop() {
        let own = crate::route::reached(&laid[index], at);
        let mut points = vec![at];
        rest.retain(|other| {
            let joined = own.contains(other);
            if joined {
                points.push(*other);
            }
            !joined
        });
        let mut wire = Laid::default();
        let there = std::mem::take(&mut laid[index]);
        for (a, b) in there.pieces() {
            let target = if own.contains(&a) {
                &mut wire
            } else {
                &mut laid[index]
            };
            target.add(a, b);
        }
        let new = groups.len();
        for &at in &points {
            board.set_pin(at, new as u32);
        }
        board.mark(&wire, new as u32, true);
        groups.push(Group { net, points });
        laid.push(wire);
    }
}

/// Every group of a net that is in several, or that leaves the sheet, gets its name.
fn name_ends(wiring: &Wiring, sheet: &mut Sheet, wired: &mut Wired, board: &mut Board) {
    let mut count: BTreeMap<usize, usize> = BTreeMap::new();
    for group in &wired.groups {
        *count.entry(group.net).or_default() += 1;
    }
    for index in 0..wired.groups.len() {
        let net = wired.groups[index].net;
        let single = wiring.on[net].len() == 1;
        if count[&net] < 2 && !wiring.leaves[net] && !single {
            continue;
        }
        let signed = sheet
            .frag
            .signs
            .iter()
            .any(|sign| sign.net == net && wired.groups[index].points.contains(&sign.at));
        if signed {
            continue;
        }
        if !name_end(wiring, sheet, wired, board, index) {
            wired.lost += 1;
        }
    }
}

/// A name at the nearest place that takes it, with the wire to it.
fn name_end(
    wiring: &Wiring,
    sheet: &mut Sheet,
    wired: &mut Wired,
    board: &mut Board,
    index: usize,
) -> bool {
    let net = wired.groups[index].net;
    let mut from: BTreeSet<Pt> = wired.laid[index].points();
    from.extend(&wired.groups[index].points);
    let mut tried = 0;
    for away in 0..=FARTHEST_NAME {
        for (at, dir) in places(&from, away) {
            let own = away == 0;
            if !own && (from.contains(&at) || board.is_used(at) || board.is_wall(at)) {
                continue;
            }
            let sign = Sign {
                net,
                at,
                dir,
                pin: None,
            };
            // A crossing of others is no place to end at.
            if !has_room(wiring, &sheet.frag, wired, &sign, board)
                || (own && crossed(wired, index, at))
            {
                continue;
            }
            if !own && !lead_to(wiring, wired, board, (index, &sign)) {
                tried += 1;
                if tried > MOST_TRIES {
                    return false;
                }
                continue;
            }
            block_sign(wiring, &sign, board);
            wired.groups[index].points.push(at);
            board.set_pin(at, index as u32);
            sheet.frag.add_sign(wiring, sign);
            return true;
        }
    }
    false
}

/// Points so far from a wire, with the ways in which a name could point there: level ones read best.
fn places(from: &BTreeSet<Pt>, away: i32) -> impl Iterator<Item = (Pt, Dir)> {
    let ring = move |at: &Pt| {
        let at = *at;
        (-away..=away).flat_map(move |dx| {
            let dy = away - dx.abs();
            let two = if dy == 0 { vec![0] } else { vec![-dy, dy] };
            two.into_iter().map(move |dy| at + pt(dx, dy))
        })
    };
    let around: BTreeSet<Pt> = from.iter().flat_map(ring).collect();
    let ways = [[Dir::Left, Dir::Right], [Dir::Up, Dir::Down]];
    ways.into_iter().flat_map(move |ways| {
        around
            .clone()
            .into_iter()
            .flat_map(move |at| ways.map(|dir| (at, dir)))
    })
}

/// Leads a wire of the group to a point where its name is to stand, but not through the name.
fn lead_to(
    wiring: &Wiring,
    wired: &mut Wired,
    board: &mut Board,
    (index, sign): (usize, &Sign),
) -> bool {
    let at = sign.at;
    let walls = board.walls();
    block_sign(wiring, sign, board);
    board.set_pin(at, index as u32);
    let mut points = wired.groups[index].points.clone();
    points.push(at);
    let left = board.connect(index as u32, &points, &mut wired.laid[index]);
    if !left.is_empty() {
        board.set_pin(at, u32::MAX);
        board.set_walls(walls);
        return false;
    }
    wired.all.level.extend(&wired.laid[index].level);
    wired.all.upright.extend(&wired.laid[index].upright);
    true
}

fn crossed(wired: &Wired, index: usize, at: Pt) -> bool {
    wired
        .laid
        .iter()
        .enumerate()
        .any(|(other, laid)| other != index && Dir::ALL.iter().any(|&dir| laid.has(at, dir)))
}

fn has_room(wiring: &Wiring, frag: &Fragment, wired: &Wired, sign: &Sign, board: &Board) -> bool {
    let boxes = sign.boxes(wiring);
    let clear = boxes.iter().all(|rect| {
        let wide = rect.grown(0.25);
        frag.boxes.iter().all(|there| !wide.meets(there)) && !wires_meet(wired, rect)
    });
    clear && !board.is_used(sign.at.step(sign.dir, 1)) && !board.is_wall(sign.at.step(sign.dir, 1))
}

/// Whether any wire runs through a box.
pub(crate) fn wires_meet(wired: &Wired, rect: &Rect) -> bool {
    let wide = rect.grown(0.15);
    for x in wide.x0.floor() as i32..=wide.x1.ceil() as i32 {
        for y in wide.y0.floor() as i32..=wide.y1.ceil() as i32 {
            let at = pt(x, y);
            for (set, dir) in [
                (&wired.all.level, Dir::Right),
                (&wired.all.upright, Dir::Down),
            ] {
                let piece = Rect::along(at, at.step(dir, 1), 0.05);
                if piece.meets(&wide) && set.contains(&at) {
                    return true;
                }
            }
        }
    }
    false
}

/// The name of a node, beside its wire where there is room.
pub(crate) fn name_nodes(
    roles: &[Role],
    sheet: &Sheet,
    wired: &Wired,
    lines: &dyn Fn(usize, bool) -> Vec<String>,
) -> Vec<(usize, Vec<Words>)> {
    let mut boxes = sheet.frag.boxes.clone();
    let mut out = Vec::new();
    let mut largest: BTreeMap<usize, usize> = BTreeMap::new();
    for (index, group) in wired.groups.iter().enumerate() {
        if matches!(roles[group.net], Role::Common) {
            continue;
        }
        let size = wired.laid[index].points().len();
        let best = largest.entry(group.net).or_insert(index);
        if size > wired.laid[*best].points().len() {
            *best = index;
        }
    }
    for (net, index) in largest {
        // Where the name stands at a ring it is not said twice.
        let group = &wired.groups[index];
        let ringed = sheet
            .frag
            .signs
            .iter()
            .any(|sign| sign.net == net && group.points.contains(&sign.at));
        let lines = lines(net, ringed);
        if lines.is_empty() {
            continue;
        }
        if let Some(words) = beside_wire(
            &lines,
            &wired.groups[index],
            &wired.laid[index],
            &boxes,
            wired,
        ) {
            boxes.extend(words.iter().map(Words::rect));
            out.push((net, words));
        } else {
            out.push((net, Vec::new()));
        }
    }
    out
}

fn beside_wire(
    lines: &[String],
    group: &Group,
    laid: &Laid,
    boxes: &[Rect],
    wired: &Wired,
) -> Option<Vec<Words>> {
    use crate::fragment::Anchor;
    use crate::geometry::UNIT;
    use crate::text::NODE_PX;
    let high = NODE_PX / UNIT;
    let line = high * 1.15;
    let count = lines.len() as f64;
    let mut points: Vec<Pt> = laid.points().into_iter().collect();
    points.extend(&group.points);
    // Nearest the middle of the wire first would change with every bend: from the left it stays.
    points.sort_by_key(|at| (at.x, at.y));
    for shift in [0.0, 0.5] {
        for &at in &points {
            let (x, y) = (f64::from(at.x) + shift, f64::from(at.y));
            let over = y - 0.35 - 0.22 * high - line * (count - 1.0);
            let under = y + 0.35 + 0.76 * high;
            for (x, foot, anchor) in [
                (x + 0.35, over, Anchor::Start),
                (x - 0.35, over, Anchor::End),
                (x + 0.35, under, Anchor::Start),
                (x - 0.35, under, Anchor::End),
            ] {
                let words: Vec<Words> = lines
                    .iter()
                    .enumerate()
                    .map(|(index, text)| Words {
                        text: text.clone(),
                        x,
                        foot: foot + line * index as f64,
                        anchor,
                        size_px: NODE_PX,
                    })
                    .collect();
                let clear = words.iter().all(|words| {
                    let rect = words.rect();
                    let wide = rect.grown(0.15);
                    boxes.iter().all(|there| !wide.meets(there)) && !wires_meet(wired, &rect)
                });
                if clear {
                    return Some(words);
                }
            }
        }
    }
    None
}
