//! What is laid over the print: numbers at suspects, currents beside parts, dashes round what is not seen, the next measurement.

use super::{MARK_PX, Page, number, text};
use crate::Options;
use crate::fragment::{Anchor, Item, Words};
use crate::geometry::{Pt, Rect, UNIT};
use crate::layers::NextPlace;
use crate::sheet::Sheet;
use crate::symbol;
use crate::text::width;
use crate::wires::{Wired, wires_meet};
use crate::wiring::Wiring;
use std::fmt::Write as _;

/// Radius of the ring around a suspect's number, units.
const RING: f64 = 0.85;

/// A mark at its place.
pub(super) enum Mark {
    Rank {
        x: f64,
        y: f64,
        rank: u32,
    },
    Current(Words),
    Unseen(Rect),
    /// From where the arrow comes, and the point it touches.
    Next {
        from: (f64, f64),
        to: (f64, f64),
    },
}

pub(super) fn place(
    wiring: &Wiring,
    sheet: &Sheet,
    wired: &Wired,
    options: &Options,
    boxes: &mut Vec<Rect>,
) -> Vec<Mark> {
    let layers = &options.layers;
    let mut marks = Vec::new();
    for item in &sheet.frag.items {
        let id = wiring.parts[item.part].id;
        let body = item
            .pose
            .rect(symbol::body(wiring.parts[item.part].glyph))
            .grown(0.2);
        let mut ranks: Vec<u32> = layers
            .suspects
            .iter()
            .filter(|mark| mark.part == id)
            .map(|mark| mark.rank)
            .collect();
        ranks.dedup();
        for rank in ranks {
            let (x, y) = ring_place(&body, boxes, wired);
            boxes.push(Rect::between((x, y), (x, y)).grown(RING));
            marks.push(Mark::Rank { x, y, rank });
        }
        if layers.unseen.contains(&id) {
            marks.push(Mark::Unseen(body));
        }
        if let Some((_, amps)) = layers.currents.iter().find(|(part, _)| *part == id)
            && let Some(mark) = current_place(item, wiring, amps, boxes, wired)
        {
            if let Mark::Current(words) = &mark {
                boxes.push(words.rect());
            }
            marks.push(mark);
        }
    }
    if let Some(next) = &layers.next {
        let target = match next.place {
            NextPlace::Node(node) => wired
                .groups
                .iter()
                .find(|group| group.net == node.0 as usize)
                .and_then(|group| group.points.first().copied()),
            NextPlace::Part(part) => sheet
                .frag
                .items
                .iter()
                .find(|item| wiring.parts[item.part].id == part)
                .map(|item| item.pin(wiring, 0)),
        };
        if let Some(at) = target {
            marks.push(arrow_place(at, boxes, wired));
        }
    }
    marks
}

/// The nearest place at a body's edge that takes a ring.
fn ring_place(body: &Rect, boxes: &[Rect], wired: &Wired) -> (f64, f64) {
    let mut best: Option<(f64, (f64, f64))> = None;
    let middle = ((body.x0 + body.x1) / 2.0, (body.y0 + body.y1) / 2.0);
    for step in 0..6 {
        let out = RING + 0.15 + 0.75 * f64::from(step);
        for sixteenth in 0..16 {
            let turn = f64::from(sixteenth) * std::f64::consts::TAU / 16.0;
            let (half_x, half_y) = ((body.x1 - body.x0) / 2.0, (body.y1 - body.y0) / 2.0);
            let x = middle.0 + (half_x + out) * turn.cos();
            let y = middle.1 - (half_y + out) * turn.sin();
            let rect = Rect::between((x, y), (x, y)).grown(RING + 0.1);
            if boxes.iter().any(|there| there.meets(&rect)) || wires_meet(wired, &rect) {
                continue;
            }
            let away = f64::from(step) + f64::from(sixteenth) * 0.01;
            if best.is_none_or(|(known, _)| away < known) {
                best = Some((away, (x, y)));
            }
        }
    }
    best.map_or((body.x0, body.y0), |(_, at)| at)
}

fn current_place(
    item: &Item,
    wiring: &Wiring,
    amps: &str,
    boxes: &[Rect],
    wired: &Wired,
) -> Option<Mark> {
    let part = &wiring.parts[item.part];
    if part.pins.len() != 2 {
        return None;
    }
    let (from, to) = (item.pin(wiring, 0), item.pin(wiring, 1));
    let against = amps.starts_with('-');
    let arrow = match (to.x - from.x, to.y - from.y) {
        (x, 0) if (x > 0) != against => "→",
        (_, 0) => "←",
        (_, y) if (y > 0) != against => "↓",
        _ => "↑",
    };
    let line = format!("{arrow} {}", amps.trim_start_matches('-'));
    let body = item.pose.rect(symbol::body(part.glyph));
    let high = MARK_PX / UNIT;
    let wide = width(&line, MARK_PX);
    for step in 0..10 {
        let away = 0.4 + 0.6 * f64::from(step);
        for (x, foot, anchor) in [
            (body.x0 - away, body.y1, Anchor::End),
            (body.x1 + away, body.y1, Anchor::Start),
            (body.x0 - away, body.y0 + high, Anchor::End),
            (body.x1 + away, body.y0 + high, Anchor::Start),
            (body.x0, body.y0 - away, Anchor::Start),
            (body.x0, body.y1 + away + high, Anchor::Start),
            (body.x1 - wide, body.y1 + away + high, Anchor::Start),
        ] {
            let words = Words {
                text: line.clone(),
                x,
                foot,
                anchor,
                size_px: MARK_PX,
            };
            let rect = words.rect().grown(0.15);
            if boxes.iter().all(|there| !there.meets(&rect)) && !wires_meet(wired, &rect) {
                return Some(Mark::Current(words));
            }
        }
    }
    None
}

/// An arrow at a point, from the side that is free.
fn arrow_place(at: Pt, boxes: &[Rect], wired: &Wired) -> Mark {
    let to = (f64::from(at.x), f64::from(at.y));
    let mut best = (usize::MAX, to);
    for (dx, dy) in [(-2.2, -2.2), (2.2, -2.2), (-2.2, 2.2), (2.2, 2.2)] {
        let from = (to.0 + dx, to.1 + dy);
        let rect = Rect::between((to.0 + dx * 0.3, to.1 + dy * 0.3), from);
        let met = boxes.iter().filter(|there| there.meets(&rect)).count()
            + usize::from(wires_meet(wired, &rect));
        if met < best.0 {
            best = (met, from);
        }
    }
    Mark::Next { from: best.1, to }
}

pub(super) fn write(marks: &[Mark], page: &Page, svg: &mut String) {
    if marks.is_empty() {
        return;
    }
    svg.push_str("<g class=\"marks\">\n");
    for mark in marks {
        let _ = match mark {
            Mark::Rank { x, y, rank } => {
                let (x, y) = (page.x(*x), page.y(*y));
                writeln!(
                    svg,
                    "<circle class=\"rank\" cx=\"{}\" cy=\"{}\" r=\"{}\"/><text class=\"rank-number\" x=\"{}\" y=\"{}\" font-size=\"9.5\" text-anchor=\"middle\">{rank}</text>",
                    number(x),
                    number(y),
                    number(RING * UNIT),
                    number(x),
                    number(y + 3.4)
                )
            }
            Mark::Current(words) => {
                text(words, "current", page, svg);
                Ok(())
            }
            Mark::Unseen(body) => writeln!(
                svg,
                "<rect class=\"unseen\" fill=\"none\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"4\"/>",
                number(page.x(body.x0)),
                number(page.y(body.y0)),
                number((body.x1 - body.x0) * UNIT),
                number((body.y1 - body.y0) * UNIT)
            ),
            Mark::Next { from, to } => arrow(*from, *to, page, svg),
        };
    }
    svg.push_str("</g>\n");
}

fn arrow(from: (f64, f64), to: (f64, f64), page: &Page, svg: &mut String) -> std::fmt::Result {
    let (fx, fy) = (page.x(from.0), page.y(from.1));
    let (tx, ty) = (page.x(to.0), page.y(to.1));
    let (dx, dy) = (tx - fx, ty - fy);
    let length = dx.hypot(dy).max(1.0);
    let (ux, uy) = (dx / length, dy / length);
    // The tip stops short of the joint it points at.
    let (tx, ty) = (tx - ux * 3.0, ty - uy * 3.0);
    let (bx, by) = (tx - ux * 7.0, ty - uy * 7.0);
    writeln!(
        svg,
        "<path class=\"next\" d=\"M{} {}L{} {}\"/><path class=\"next-tip\" d=\"M{} {}L{} {}L{} {}Z\"/>",
        number(fx),
        number(fy),
        number(bx),
        number(by),
        number(tx),
        number(ty),
        number(bx - uy * 3.5),
        number(by + ux * 3.5),
        number(bx + uy * 3.5),
        number(by - ux * 3.5)
    )
}
