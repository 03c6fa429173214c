//! The symbols: where their pins are, how much room they take, and the strokes that make them.
//!
//! Drawn for this project after the figures of IEC 60617 (resistor, capacitor, coil, diode, lamp, meter, switch,
//! frame) and, for tubes, after the way of the receiving-tube handbooks: an envelope with the plate above, grids as broken
//! lines, the cathode below. Shapes are from memory of the standards, which were not at hand; the zig-zag resistor is that of IEEE 315.
//!
//! A part with two ends stands: its first pin at the origin, its second [`LENGTH`] below. A tube's
//! origin is the centre of its envelope.

use crate::geometry::{Pose, Pt, Rect, pt};
use crate::wiring::{Glyph, Part, TubeGlyph};
use deadstage_netlist::Electrode;

/// From the first pin of a part with two ends to its second.
pub(crate) const LENGTH: i32 = 6;

/// From the centre of an envelope to the pins.
pub(crate) const REACH: i32 = 5;

/// Radius of a tube's envelope.
const ENVELOPE: f64 = 4.0;

/// A line, circle or arc, in the symbol's own units.
#[derive(Clone, Debug)]
pub(crate) enum Stroke {
    Line(Vec<(f64, f64)>),
    Dashed((f64, f64), (f64, f64)),
    /// A filled figure.
    Solid(Vec<(f64, f64)>),
    /// Centre, radius, filled.
    Circle((f64, f64), f64, bool),
    /// Arcs of this radius from point to point; clockwise or not.
    Arcs(Vec<(f64, f64)>, f64, bool),
    /// A letter, its middle here.
    Letter((f64, f64), &'static str),
}

/// Whether resistors are boxes or zig-zags.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum ResistorStyle {
    /// A box, as IEC 60617 has it.
    #[default]
    Box,
    /// A zig-zag, as IEEE 315 and most prints of the time have it.
    ZigZag,
}

/// Where the pins of a part are, in their order.
pub(crate) fn pins(part: &Part) -> Vec<Pt> {
    match part.glyph {
        Glyph::Tube(tube) => part
            .pins
            .iter()
            .map(|pin| electrode(pin.electrode, tube))
            .collect(),
        Glyph::Transistor { .. } => vec![pt(0, -REACH), pt(-REACH, 1), pt(0, REACH)],
        Glyph::Potentiometer => vec![pt(0, 0), pt(0, LENGTH), pt(3, 3)],
        _ => vec![pt(0, 0), pt(0, LENGTH)],
    }
}

fn electrode(electrode: Option<Electrode>, tube: TubeGlyph) -> Pt {
    match electrode {
        Some(Electrode::Plate) | None => pt(0, -REACH),
        Some(Electrode::Grid) => pt(-REACH, 1),
        Some(Electrode::Screen) => pt(-REACH, -1),
        Some(Electrode::Suppressor) if tube.suppressor_at_cathode => pt(0, REACH),
        Some(Electrode::Suppressor) => pt(REACH, -2),
        Some(Electrode::Grid3) => pt(REACH, 0),
        Some(Electrode::Target) => pt(REACH, 2),
        Some(Electrode::Cathode) => pt(0, REACH),
    }
}

/// The room that the body takes, leads left out.
pub(crate) fn body(glyph: Glyph) -> Rect {
    let (half, top, bottom) = match glyph {
        Glyph::Tube(_) | Glyph::Transistor { .. } => (ENVELOPE, -ENVELOPE, ENVELOPE),
        Glyph::Supply => (1.4, 1.4, 4.6),
        Glyph::Diode { vacuum: true } | Glyph::Regulator | Glyph::Rectifier { vacuum: true } => {
            (2.1, 0.9, 5.1)
        }
        Glyph::Diode { vacuum: false } | Glyph::Rectifier { vacuum: false } => (1.0, 1.9, 4.1),
        Glyph::Lamp | Glyph::Meter => (1.7, 1.3, 4.7),
        Glyph::Capacitor { .. } => (1.5, 1.4, 4.0),
        Glyph::Switch { .. } | Glyph::Contact { .. } => (1.4, 1.2, 4.8),
        Glyph::Relay => (1.5, 1.8, 4.2),
        Glyph::Fuse | Glyph::Link => (0.9, 1.2, 4.8),
        Glyph::Choke { .. } | Glyph::Winding => (1.2, 0.9, 5.1),
        Glyph::Resistor | Glyph::Potentiometer | Glyph::Thermistor => (1.0, 1.1, 4.9),
    };
    Rect::between((-half, top), (half, bottom))
}

/// The leads that are not in the body: from each pin to where the body begins.
pub(crate) fn leads(part: &Part) -> Vec<Rect> {
    let body = body(part.glyph);
    pins(part)
        .into_iter()
        .map(|pin| {
            let (x, y) = (f64::from(pin.x), f64::from(pin.y));
            let (nx, ny) = (x.clamp(body.x0, body.x1), y.clamp(body.y0, body.y1));
            // A little of the lead is left free, for the wire that meets it.
            let (fx, fy) = (
                x + (nx - x).signum() * 0.4 * f64::from(u8::from(nx != x)),
                y + (ny - y).signum() * 0.4 * f64::from(u8::from(ny != y)),
            );
            Rect::between((fx, fy), (nx, ny)).grown(0.05)
        })
        .collect()
}

/// The points of the grid that no wire may touch: all of the symbol but its pins.
pub(crate) fn blocked(part: &Part, pose: &Pose) -> Vec<Pt> {
    let body = body(part.glyph);
    let mut points = Vec::new();
    let own = pins(part);
    let around = Rect::around(
        own.iter()
            .map(|pin| Rect::along(*pin, *pin, 0.0))
            .chain([body]),
    )
    .unwrap_or(body);
    for x in around.x0.floor() as i32..=around.x1.ceil() as i32 {
        for y in around.y0.floor() as i32..=around.y1.ceil() as i32 {
            let (fx, fy) = (f64::from(x), f64::from(y));
            let in_body = fx > body.x0 - 0.3
                && fx < body.x1 + 0.3
                && fy > body.y0 - 0.1
                && fy < body.y1 + 0.1;
            let on_lead = leads(part)
                .iter()
                .any(|lead| lead.meets(&Rect::along(pt(x, y), pt(x, y), 0.2)));
            if (in_body || on_lead) && !own.contains(&pt(x, y)) {
                points.push(pose.grid(pt(x, y)));
            }
        }
    }
    points
}

/// The strokes of a part.
pub(crate) fn strokes(part: &Part, style: ResistorStyle) -> Vec<Stroke> {
    let line = |points: &[(f64, f64)]| Stroke::Line(points.to_vec());
    let ends = |a: f64, b: f64| [line(&[(0.0, 0.0), (0.0, a)]), line(&[(0.0, b), (0.0, 6.0)])];
    let mut out = Vec::new();
    match part.glyph {
        Glyph::Resistor => {
            out.extend(ends(1.2, 4.8));
            out.push(resistance(style));
        }
        Glyph::Potentiometer => {
            out.extend(ends(1.2, 4.8));
            out.push(resistance(style));
            out.push(line(&[(3.0, 3.0), (1.4, 3.0)]));
            out.push(Stroke::Solid(vec![(0.8, 3.0), (1.7, 2.6), (1.7, 3.4)]));
        }
        Glyph::Thermistor => {
            out.extend(ends(1.2, 4.8));
            out.push(resistance(style));
            out.push(line(&[(1.0, 1.3), (-1.0, 4.3), (-1.0, 4.9)]));
        }
        Glyph::Capacitor { polar } => capacitor(polar, &mut out),
        Glyph::Choke { iron } => {
            coil(&mut out);
            if iron {
                out.push(line(&[(0.8, 1.0), (0.8, 5.0)]));
                out.push(line(&[(1.1, 1.0), (1.1, 5.0)]));
            }
        }
        Glyph::Winding => coil(&mut out),
        Glyph::Supply => {
            out.extend(ends(1.9, 4.1));
            for (y, half) in [(1.9, 1.2), (2.6, 0.6), (3.4, 1.2), (4.1, 0.6)] {
                out.push(line(&[(-half, y), (half, y)]));
            }
            plus((-1.0, 1.1), &mut out);
        }
        Glyph::Rectifier { vacuum } => {
            // Current comes out of the first pin: the arrow points at it.
            if vacuum {
                out.push(Stroke::Circle((0.0, 3.0), 2.0, false));
            }
            out.push(line(&[(0.0, 0.0), (0.0, 6.0)]));
            out.push(Stroke::Solid(vec![(-0.9, 3.9), (0.9, 3.9), (0.0, 2.3)]));
            out.push(line(&[(-0.9, 2.3), (0.9, 2.3)]));
        }
        Glyph::Diode { vacuum: false } => {
            out.push(line(&[(0.0, 0.0), (0.0, 6.0)]));
            out.push(Stroke::Solid(vec![(-0.9, 2.2), (0.9, 2.2), (0.0, 3.8)]));
            out.push(line(&[(-0.9, 3.8), (0.9, 3.8)]));
        }
        Glyph::Diode { vacuum: true } => {
            out.push(Stroke::Circle((0.0, 3.0), 2.0, false));
            out.extend(ends(2.2, 3.9));
            out.push(line(&[(-1.0, 2.2), (1.0, 2.2)]));
            hook((0.0, 3.9), 1.0, &mut out);
        }
        Glyph::Regulator => {
            out.push(Stroke::Circle((0.0, 3.0), 2.0, false));
            out.extend(ends(2.2, 3.7));
            out.push(line(&[(-1.0, 2.2), (1.0, 2.2)]));
            out.push(Stroke::Circle((0.0, 4.0), 0.35, false));
            out.push(Stroke::Circle((-1.2, 3.3), 0.25, true));
        }
        Glyph::Lamp => {
            out.extend(ends(1.4, 4.6));
            out.push(Stroke::Circle((0.0, 3.0), 1.6, false));
            let d = 1.6 * std::f64::consts::FRAC_1_SQRT_2;
            out.push(line(&[(-d, 3.0 - d), (d, 3.0 + d)]));
            out.push(line(&[(d, 3.0 - d), (-d, 3.0 + d)]));
        }
        Glyph::Meter => {
            out.extend(ends(1.4, 4.6));
            out.push(Stroke::Circle((0.0, 3.0), 1.6, false));
            out.push(Stroke::Letter((0.0, 3.0), "M"));
            plus((-1.1, 0.9), &mut out);
        }
        Glyph::Fuse => {
            out.push(line(&[(0.0, 0.0), (0.0, 6.0)]));
            out.push(line(&[
                (-0.6, 1.4),
                (0.6, 1.4),
                (0.6, 4.6),
                (-0.6, 4.6),
                (-0.6, 1.4),
            ]));
        }
        Glyph::Link => {
            out.push(line(&[(0.0, 0.0), (0.0, 6.0)]));
            out.push(Stroke::Circle((0.0, 1.6), 0.3, true));
            out.push(Stroke::Circle((0.0, 4.4), 0.3, true));
        }
        Glyph::Switch { closed } | Glyph::Contact { closed } => {
            out.extend(ends(1.4, 4.6));
            out.push(Stroke::Circle((0.0, 1.7), 0.3, false));
            out.push(Stroke::Circle((0.0, 4.3), 0.3, false));
            let tip = if closed { (0.25, 1.5) } else { (1.3, 1.7) };
            out.push(line(&[(0.0, 4.0), tip]));
        }
        Glyph::Relay => {
            out.extend(ends(2.0, 4.0));
            out.push(line(&[
                (-1.4, 2.0),
                (1.4, 2.0),
                (1.4, 4.0),
                (-1.4, 4.0),
                (-1.4, 2.0),
            ]));
            out.push(line(&[(-0.7, 4.0), (0.7, 2.0)]));
        }
        Glyph::Tube(tube) => envelope(tube, &mut out),
        Glyph::Transistor { pnp } => transistor(pnp, &mut out),
    }
    out
}

fn resistance(style: ResistorStyle) -> Stroke {
    match style {
        ResistorStyle::Box => Stroke::Line(vec![
            (-0.7, 1.2),
            (0.7, 1.2),
            (0.7, 4.8),
            (-0.7, 4.8),
            (-0.7, 1.2),
        ]),
        ResistorStyle::ZigZag => {
            let mut points = vec![(0.0, 1.2)];
            for tooth in 0..6 {
                let side = if tooth % 2 == 0 { 0.8 } else { -0.8 };
                points.push((side, 1.5 + 0.6 * f64::from(tooth)));
            }
            points.push((0.0, 4.8));
            Stroke::Line(points)
        }
    }
}

fn capacitor(polar: bool, out: &mut Vec<Stroke>) {
    out.push(Stroke::Line(vec![(0.0, 0.0), (0.0, 2.65)]));
    out.push(Stroke::Line(vec![(-1.2, 2.65), (1.2, 2.65)]));
    if polar {
        out.push(Stroke::Arcs(vec![(-1.2, 3.75), (1.2, 3.75)], 2.1, true));
        out.push(Stroke::Line(vec![(0.0, 3.4), (0.0, 6.0)]));
        plus((-0.9, 1.8), out);
    } else {
        out.push(Stroke::Line(vec![(-1.2, 3.35), (1.2, 3.35)]));
        out.push(Stroke::Line(vec![(0.0, 3.35), (0.0, 6.0)]));
    }
}

fn coil(out: &mut Vec<Stroke>) {
    out.push(Stroke::Line(vec![(0.0, 0.0), (0.0, 1.0)]));
    let turns = (0..=4).map(|turn| (0.0, 1.0 + f64::from(turn))).collect();
    out.push(Stroke::Arcs(turns, 0.5, true));
    out.push(Stroke::Line(vec![(0.0, 5.0), (0.0, 6.0)]));
}

fn plus((x, y): (f64, f64), out: &mut Vec<Stroke>) {
    out.push(Stroke::Line(vec![(x - 0.35, y), (x + 0.35, y)]));
    out.push(Stroke::Line(vec![(x, y - 0.35), (x, y + 0.35)]));
}

/// A cathode: a bar with its ends turned down, a lead from its middle.
fn hook((x, y): (f64, f64), half: f64, out: &mut Vec<Stroke>) {
    out.push(Stroke::Line(vec![
        (x - half, y + 0.5),
        (x - half, y),
        (x + half, y),
        (x + half, y + 0.5),
    ]));
}

fn envelope(tube: TubeGlyph, out: &mut Vec<Stroke>) {
    let mut line = |points: &[(f64, f64)]| out.push(Stroke::Line(points.to_vec()));
    if tube.plate {
        line(&[(0.0, -5.0), (0.0, -2.6)]);
    }
    line(&[(-1.7, -2.6), (1.7, -2.6)]);
    if tube.cathode {
        line(&[(0.0, 5.0), (0.0, 2.4)]);
    }
    if tube.grid {
        line(&[(-5.0, 1.0), (-2.2, 1.0)]);
    }
    if tube.screen {
        line(&[(-5.0, -1.0), (-3.2, -1.0), (-3.2, -0.2), (-2.2, -0.2)]);
    }
    if tube.suppressor_at_cathode {
        line(&[(2.2, -1.4), (2.9, -1.4), (2.9, 3.3), (0.0, 3.3)]);
    } else if tube.suppressor {
        line(&[(5.0, -2.0), (3.0, -2.0), (3.0, -1.4), (2.2, -1.4)]);
    }
    if tube.grid3 {
        line(&[(5.0, 0.0), (3.2, 0.0), (3.2, -0.9), (2.2, -0.9)]);
    }
    if tube.target {
        line(&[(5.0, 2.0), (2.6, 2.0), (2.6, -3.0)]);
    }
    hook((0.0, 2.4), 1.6, out);
    let mut dashed = |y: f64| out.push(Stroke::Dashed((-2.2, y), (2.2, y)));
    if tube.grid {
        dashed(1.0);
    }
    if tube.screen {
        dashed(-0.2);
    }
    if tube.suppressor {
        dashed(-1.4);
    }
    if tube.grid3 {
        dashed(-0.9);
    }
    out.push(Stroke::Circle((0.0, 0.0), ENVELOPE, false));
}

fn transistor(pnp: bool, out: &mut Vec<Stroke>) {
    let mut line = |points: &[(f64, f64)]| out.push(Stroke::Line(points.to_vec()));
    line(&[(-5.0, 1.0), (-1.2, 1.0), (-1.2, 0.0)]);
    line(&[(-1.2, -1.6), (-1.2, 1.8)]);
    line(&[(-1.2, -0.6), (0.0, -2.2), (0.0, -5.0)]);
    line(&[(-1.2, 0.8), (0.0, 2.4), (0.0, 5.0)]);
    out.push(Stroke::Solid(if pnp {
        vec![(-1.1, 0.95), (-0.15, 1.5), (-0.75, 1.95)]
    } else {
        vec![(-0.05, 2.35), (-0.95, 1.75), (-0.35, 1.3)]
    }));
    out.push(Stroke::Circle((0.0, 0.0), ENVELOPE, false));
}
