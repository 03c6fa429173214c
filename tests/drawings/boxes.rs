//! Whether anything in a picture stands on anything else.

use super::picture::{Box4, Picture, Piece};

/// So much of a pixel is the width of a stroke, and no overlap.
const TOUCH_PX: f64 = 0.6;

/// What stands on what, in words.
#[must_use]
pub fn overlaps(picture: &Picture) -> Vec<String> {
    let mut owned: Vec<(usize, String, Box4)> = Vec::new();
    for (index, symbol) in picture.symbols.iter().enumerate() {
        for stroke in &symbol.strokes {
            owned.push((index, symbol.name.clone(), *stroke));
        }
        for (text, words) in &symbol.words {
            owned.push((index, format!("{} \"{text}\"", symbol.name), *words));
        }
    }
    let mut index = picture.symbols.len();
    for end in &picture.ends {
        let boxes = end
            .strokes
            .iter()
            .chain(end.words.iter().map(|(_, words)| words));
        owned.extend(boxes.map(|stroke| (index, format!("end {}", end.name), *stroke)));
        index += 1;
    }
    for (text, words) in &picture.words {
        owned.push((index, format!("\"{text}\""), *words));
        index += 1;
    }
    let mut found = Vec::new();
    owned.sort_by(|a, b| a.2.0.total_cmp(&b.2.0));
    for (i, (owner, name, stroke)) in owned.iter().enumerate() {
        for (other, other_name, there) in &owned[i + 1..] {
            if there.0 > stroke.2 {
                break;
            }
            if owner != other && stroke.overlap(there) > TOUCH_PX {
                found.push(format!("{name} on {other_name}"));
            }
        }
    }
    found.extend(on_wires(picture, &owned));
    found
}

/// Wires that run through words or symbols. A wire may end at a symbol's pin, no more.
fn on_wires(picture: &Picture, owned: &[(usize, String, Box4)]) -> Vec<String> {
    let mut found = Vec::new();
    for wire in &picture.wires {
        let line = thin(wire);
        for (_, name, there) in owned {
            if line.overlap(&solid(there)) > TOUCH_PX {
                found.push(format!("wire {:?} through {name}", (wire.a, wire.b)));
            }
        }
    }
    found
}

/// A line's box, a pixel wide and a little short of its ends, where a wire may meet it; any other as it is.
fn solid(there: &Box4) -> Box4 {
    let Box4(x0, y0, x1, y1) = *there;
    if x1 - x0 < 0.1 {
        Box4(x0 - 0.5, y0 + 2.0, x1 + 0.5, y1 - 2.0)
    } else if y1 - y0 < 0.1 {
        Box4(x0 + 2.0, y0 - 0.5, x1 - 2.0, y1 + 0.5)
    } else {
        *there
    }
}

/// A wire's box, a little short of its ends and a pixel wide.
fn thin(wire: &Piece) -> Box4 {
    let px = |tenths: i64| tenths as f64 / 10.0;
    let (x0, x1) = (px(wire.a.x.min(wire.b.x)), px(wire.a.x.max(wire.b.x)));
    let (y0, y1) = (px(wire.a.y.min(wire.b.y)), px(wire.a.y.max(wire.b.y)));
    if x0 == x1 {
        Box4(x0 - 0.6, y0 + 2.0, x1 + 0.6, y1 - 2.0)
    } else {
        Box4(x0 + 2.0, y0 - 0.6, x1 - 2.0, y1 + 0.6)
    }
}
