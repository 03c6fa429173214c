//! The picture: an SVG document whose groups say what they are, so that a page can be touched and a test can read it back.
//!
//! Every part is a group with `data-part`, every terminal an element with `data-pin`, every wire, joint and
//! named end one with `data-node`. Roles are those of the WAI-ARIA Graphics Module, for those who have the drawing read to them.

mod marks;

use crate::fragment::{Anchor, Item, Sign, SignKind, Words, sign_kind};
use crate::geometry::{Dir, Pose, Pt, Rect, UNIT};
use crate::roles::Role;
use crate::route::{Laid, bends, crossings};
use crate::sheet::Sheet;
use crate::symbol::{self, Stroke};
use crate::text::{LABEL_PX, width_px};
use crate::wires::{Wired, name_nodes};
use crate::wiring::{Part, Wiring};
use crate::{Drawing, Figures, Options};
use deadstage_netlist::{NodeId, PartKind, Stage, visible};
use quick_xml::escape::escape;
use std::collections::BTreeMap;
use std::fmt::Write as _;

/// Blank paper around the drawing, pixels.
const MARGIN_PX: f64 = 16.0;

const TITLE_PX: f64 = 14.0;
const CAPTION_PX: f64 = 11.0;
const CAPTION_LINE_PX: f64 = 15.0;

/// Ink on paper, and paper on ink where the reader has it dark. Hues are never alone: off is heavy, suspects are hatched and numbered.
const STYLE: &str = "\
.schematic{font-family:'Liberation Sans',Arial,Helvetica,sans-serif;color:#111}\
.schematic .paper{fill:#fff}\
.schematic path,.schematic circle,.schematic line{fill:none;stroke:#111;stroke-width:1.3;stroke-linecap:round;stroke-linejoin:round}\
.schematic .part path,.schematic .part circle{stroke-width:1.5}\
.schematic .part .suspect-body{stroke-width:1}\
.schematic .solid,.schematic .joint{fill:#111;stroke-width:.6}\
.schematic .dashed{stroke-dasharray:4 3}\
.schematic .pin{fill:none;stroke:none;pointer-events:all}\
.schematic text{fill:#111;stroke:none}\
.schematic .node-name{fill:#444;font-style:italic}\
.schematic .volts{fill:#111}\
.schematic .read{fill:#111;text-decoration:underline}\
.schematic .off{font-weight:bold}\
.schematic .part .suspect-body{fill:url(#hatch);stroke:#8a1c00;stroke-width:1}\
.schematic .hatch{stroke:#c2410c;stroke-width:1.2}\
.schematic .rank{fill:#fff;stroke:#8a1c00;stroke-width:1.4}\
.schematic .rank-number{fill:#8a1c00;font-weight:bold}\
.schematic .unseen{stroke:#666;stroke-width:1;stroke-dasharray:2 3}\
.schematic .next{stroke:#0b4a8f;stroke-width:1.8}\
.schematic .next-tip{fill:#0b4a8f;stroke:#0b4a8f}\
.schematic .next-word{fill:#0b4a8f;font-weight:bold}\
@media (prefers-color-scheme:dark){\
.schematic .paper{fill:#16181b}\
.schematic path,.schematic circle,.schematic line{stroke:#e8e8e8}\
.schematic .solid,.schematic .joint{fill:#e8e8e8}\
.schematic .pin{fill:none;stroke:none}\
.schematic text,.schematic .volts,.schematic .read{fill:#f2f2f2}\
.schematic .node-name{fill:#b9bec4}\
.schematic .part .suspect-body{fill:url(#hatch);stroke:#ffb38a}\
.schematic .hatch{stroke:#e07b39}\
.schematic .rank{fill:#16181b;stroke:#ffb38a}\
.schematic .rank-number{fill:#ffb38a}\
.schematic .unseen{stroke:#9a9a9a}\
.schematic .next{stroke:#8cc4ff}.schematic .next-tip{fill:#8cc4ff;stroke:#8cc4ff}.schematic .next-word{fill:#8cc4ff}}\
@media print{.schematic .paper{fill:none}}";

/// Writes the picture.
pub(crate) fn write(
    stage: &Stage,
    wiring: &Wiring,
    roles: &[Role],
    sheet: &Sheet,
    wired: &Wired,
    options: &Options,
) -> Drawing {
    let names = name_nodes(roles, sheet, wired, &|net, ringed| {
        node_lines(wiring, options, net, ringed)
    });
    let mut boxes = sheet.frag.boxes.clone();
    boxes.extend(
        names
            .iter()
            .flat_map(|(_, words)| words.iter().map(Words::rect)),
    );
    for laid in &wired.laid {
        boxes.extend(
            laid.pieces()
                .into_iter()
                .map(|(a, b)| Rect::along(a, b, 0.1)),
        );
    }
    let marks = marks::place(wiring, sheet, wired, options, &mut boxes);
    let mut page = Page::new(&boxes);
    let title = title(stage, options);
    let captions = captions(options);
    let mut svg = page.open(wiring, &title, &captions);
    svg.push_str("<g class=\"wires\">\n");
    wires(wiring, wired, sheet, &page, &mut svg);
    svg.push_str("</g>\n<g class=\"parts\">\n");
    for item in &sheet.frag.items {
        part(stage, wiring, item, options, &page, &mut svg);
    }
    svg.push_str("</g>\n<g class=\"ends\">\n");
    for sign in &sheet.frag.signs {
        end(wiring, sign, &page, &mut svg);
    }
    svg.push_str("</g>\n<g class=\"nodes\">\n");
    for (net, words) in &names {
        node(wiring, options, *net, words, &page, &mut svg);
    }
    svg.push_str("</g>\n");
    marks::write(&marks, &page, &mut svg);
    page.captions(&captions, &mut svg);
    svg.push_str("</svg>\n");
    let figures = Figures {
        parts: sheet.frag.items.len(),
        devices: wiring.parts.iter().filter(|part| part.is_device()).count(),
        crossings: crossings(&wired.laid),
        bends: bends(&wired.laid),
        named_ends: wired.named,
        unnamed_nodes: names.iter().filter(|(_, words)| words.is_empty()).count(),
        size: page.size(&captions),
    };
    Drawing { svg, figures }
}

/// Where units of the grid come to lie on the page.
pub(super) struct Page {
    left: f64,
    top: f64,
    wide_px: f64,
    high_px: f64,
}

impl Page {
    fn new(boxes: &[Rect]) -> Self {
        let around = Rect::around(boxes.iter().copied())
            .unwrap_or(Rect::between((0.0, 0.0), (20.0, 4.0)))
            .grown(0.5);
        let left = around.x0.floor();
        let top = around.y0.floor();
        Self {
            left,
            top,
            wide_px: (around.x1.ceil() - left) * UNIT,
            high_px: (around.y1.ceil() - top) * UNIT,
        }
    }

    fn x(&self, x: f64) -> f64 {
        (x - self.left) * UNIT + MARGIN_PX
    }

    fn y(&self, y: f64) -> f64 {
        (y - self.top) * UNIT + MARGIN_PX + TITLE_PX * 1.8
    }

    fn at(&self, at: Pt) -> String {
        format!(
            "{} {}",
            number(self.x(f64::from(at.x))),
            number(self.y(f64::from(at.y)))
        )
    }

    fn size(&self, captions: &[String]) -> (u32, u32) {
        let longest = captions
            .iter()
            .map(|line| width_px(line, CAPTION_PX))
            .fold(self.wide_px, f64::max);
        let below = if captions.is_empty() {
            0.0
        } else {
            CAPTION_LINE_PX * (captions.len() as f64 + 0.6)
        };
        let wide = longest + 2.0 * MARGIN_PX;
        let high = self.high_px + 2.0 * MARGIN_PX + TITLE_PX * 1.8 + below;
        (wide.ceil() as u32, high.ceil() as u32)
    }

    fn open(&mut self, wiring: &Wiring, title: &str, captions: &[String]) -> String {
        self.wide_px = self.wide_px.max(width_px(title, TITLE_PX) * 1.1);
        let (wide, high) = self.size(captions);
        let about = format!(
            "Schematic of {} parts, {} of them tubes or transistors. Supply lines above, chassis below, signal from left to right.",
            wiring.parts.len(),
            wiring.parts.iter().filter(|part| part.is_device()).count()
        );
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"schematic\" role=\"graphics-document document\" \
             aria-roledescription=\"schematic\" viewBox=\"0 0 {wide} {high}\" width=\"{wide}\" height=\"{high}\">\n\
             <title>{}</title>\n<desc>{}</desc>\n<style>{STYLE}</style>\n\
             <defs><pattern id=\"hatch\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" patternTransform=\"rotate(45)\">\
             <line class=\"hatch\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"5\"/></pattern></defs>\n\
             <rect class=\"paper\" width=\"{wide}\" height=\"{high}\"/>\n\
             <text class=\"title\" x=\"{MARGIN_PX}\" y=\"{}\" font-size=\"{TITLE_PX}\" font-weight=\"bold\">{}</text>\n",
            escape(title),
            escape(&about),
            MARGIN_PX + TITLE_PX * 0.8,
            escape(title),
        )
    }

    fn captions(&self, captions: &[String], svg: &mut String) {
        let mut y = self.high_px + 2.0 * MARGIN_PX + TITLE_PX * 1.8;
        for line in captions {
            y += CAPTION_LINE_PX;
            let _ = writeln!(
                svg,
                "<text class=\"caption\" x=\"{MARGIN_PX}\" y=\"{}\" font-size=\"{CAPTION_PX}\">{}</text>",
                number(y - CAPTION_LINE_PX * 0.6),
                escape(line)
            );
        }
    }
}

fn title(stage: &Stage, options: &Options) -> String {
    let section = options
        .section
        .and_then(|id| stage.sections.get(id.0 as usize));
    match section {
        Some(section) => visible(&format!("{}: {section}", stage.title)).into_owned(),
        None => visible(&stage.title).into_owned(),
    }
}

fn captions(options: &Options) -> Vec<String> {
    let layers = &options.layers;
    let mut lines: Vec<String> = Vec::new();
    let mut ranks: Vec<u32> = Vec::new();
    for suspect in &layers.suspects {
        if !ranks.contains(&suspect.rank) {
            ranks.push(suspect.rank);
            lines.push(format!("{}  {}", suspect.rank, suspect.text));
        }
    }
    if let Some(next) = &layers.next {
        lines.push(format!("Next: {}", next.text));
    }
    lines.extend(options.captions.iter().cloned());
    lines
        .iter()
        .map(|line| visible(line).into_owned())
        .collect()
}

/// The name of a node and what is known of it.
fn node_lines(wiring: &Wiring, options: &Options, net: usize, ringed: bool) -> Vec<String> {
    let name = &wiring.names[net];
    let mut lines = Vec::new();
    if !ringed {
        lines.push(visible(name).into_owned());
    }
    let here = |node: &NodeId| node.0 as usize == net;
    let layers = &options.layers;
    lines.extend(
        layers
            .volts
            .iter()
            .filter(|(node, _)| here(node))
            .map(|(_, text)| text.clone()),
    );
    lines.extend(
        layers
            .readings
            .iter()
            .filter(|mark| here(&mark.node))
            .map(|mark| format!("read {}", mark.text)),
    );
    lines
}

/// A number without needless digits.
pub(crate) fn number(value: f64) -> String {
    let text = format!("{value:.2}");
    let text = text.trim_end_matches('0').trim_end_matches('.');
    if text == "-0" {
        "0".to_owned()
    } else {
        text.to_owned()
    }
}

fn attribute(text: &str) -> String {
    escape(text).replace(['\n', '\t', '\r'], " ")
}

fn wires(wiring: &Wiring, wired: &Wired, sheet: &Sheet, page: &Page, svg: &mut String) {
    let mut pins: BTreeMap<Pt, usize> = BTreeMap::new();
    for item in &sheet.frag.items {
        let mut own: Vec<Pt> = (0..wiring.parts[item.part].pins.len())
            .map(|pin| item.pin(wiring, pin))
            .collect();
        own.sort_unstable();
        own.dedup();
        for at in own {
            *pins.entry(at).or_default() += 1;
        }
    }
    for sign in &sheet.frag.signs {
        *pins.entry(sign.at).or_default() += 1;
    }
    for (group, laid) in wired.groups.iter().zip(&wired.laid) {
        let name = attribute(&visible(&wiring.names[group.net]));
        for (a, b) in laid.pieces() {
            let _ = writeln!(
                svg,
                "<path class=\"wire\" data-node=\"{name}\" d=\"M{}L{}\"/>",
                page.at(a),
                page.at(b)
            );
        }
        let mut points = laid.points();
        points.extend(&group.points);
        for at in points {
            if arms(laid, at) + pins.get(&at).copied().unwrap_or(0) >= 3 {
                let _ = writeln!(
                    svg,
                    "<circle class=\"joint\" data-node=\"{name}\" cx=\"{}\" cy=\"{}\" r=\"2.6\"/>",
                    number(page.x(f64::from(at.x))),
                    number(page.y(f64::from(at.y)))
                );
            }
        }
    }
}

fn arms(laid: &Laid, at: Pt) -> usize {
    Dir::ALL.iter().filter(|&&dir| laid.has(at, dir)).count()
}

fn part(
    stage: &Stage,
    wiring: &Wiring,
    item: &Item,
    options: &Options,
    page: &Page,
    svg: &mut String,
) {
    let part = &wiring.parts[item.part];
    let typed = &stage.part(part.id).name;
    let unit = match &stage.part(part.id).kind {
        PartKind::Tube {
            unit: Some(unit), ..
        } => format!(" data-unit=\"{unit}\""),
        _ => String::new(),
    };
    let _ = writeln!(
        svg,
        "<g class=\"part\" data-part=\"{}\"{unit} role=\"graphics-symbol img\" aria-label=\"{}\">",
        attribute(typed),
        attribute(&spoken(wiring, part)),
    );
    if options
        .layers
        .suspects
        .iter()
        .any(|mark| mark.part == part.id)
    {
        hatch(item, part, page, svg);
    }
    for stroke in symbol::strokes(part, options.resistors) {
        draw_stroke(&stroke, &item.pose, page, svg);
    }
    for (pin, terminal) in part.pins.iter().enumerate() {
        let at = item.pin(wiring, pin);
        let _ = writeln!(
            svg,
            "<circle class=\"pin\" data-pin=\"{}\" data-node=\"{}\" cx=\"{}\" cy=\"{}\" r=\"4\"/>",
            terminal.name,
            attribute(&visible(&wiring.names[terminal.net])),
            number(page.x(f64::from(at.x))),
            number(page.y(f64::from(at.y)))
        );
    }
    for words in item.words(wiring, &[]) {
        text(&words, "label", page, svg);
    }
    svg.push_str("</g>\n");
}

/// What a part is, in words: `R3, resistor, 100k, from bplus1 to plate1`.
fn spoken(wiring: &Wiring, part: &Part) -> String {
    let name = |net: usize| visible(&wiring.names[net]).into_owned();
    let ends: Vec<String> = part
        .pins
        .iter()
        .map(|pin| format!("{} {}", pin.name, name(pin.net)))
        .collect();
    let value = if part.value.is_empty() {
        String::new()
    } else {
        format!(", {}", part.value)
    };
    format!("{}, {}{value}, {}", part.label, part.what, ends.join(", "))
}

fn hatch(item: &Item, part: &Part, page: &Page, svg: &mut String) {
    let body = item.pose.rect(symbol::body(part.glyph));
    if part.is_device() {
        let _ = writeln!(
            svg,
            "<circle class=\"suspect-body\" cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
            number(page.x((body.x0 + body.x1) / 2.0)),
            number(page.y((body.y0 + body.y1) / 2.0)),
            number((body.x1 - body.x0) * UNIT / 2.0)
        );
        return;
    }
    let body = body.grown(0.2);
    let _ = writeln!(
        svg,
        "<rect class=\"suspect-body\" x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\" rx=\"3\"/>",
        number(page.x(body.x0)),
        number(page.y(body.y0)),
        number((body.x1 - body.x0) * UNIT),
        number((body.y1 - body.y0) * UNIT)
    );
}

fn draw_stroke(stroke: &Stroke, pose: &Pose, page: &Page, svg: &mut String) {
    let point = |&(x, y): &(f64, f64)| {
        let (x, y) = pose.at(x, y);
        format!("{} {}", number(page.x(x)), number(page.y(y)))
    };
    let path = |points: &[(f64, f64)]| {
        let points: Vec<String> = points.iter().map(point).collect();
        format!("M{}", points.join("L"))
    };
    let _ = match stroke {
        Stroke::Line(points) => writeln!(svg, "<path d=\"{}\"/>", path(points)),
        Stroke::Dashed(a, b) => {
            writeln!(svg, "<path class=\"dashed\" d=\"{}\"/>", path(&[*a, *b]))
        }
        Stroke::Solid(points) => writeln!(svg, "<path class=\"solid\" d=\"{}Z\"/>", path(points)),
        Stroke::Circle(centre, radius, filled) => {
            let (x, y) = pose.at(centre.0, centre.1);
            let class = if *filled { " class=\"solid\"" } else { "" };
            writeln!(
                svg,
                "<circle{class} cx=\"{}\" cy=\"{}\" r=\"{}\"/>",
                number(page.x(x)),
                number(page.y(y)),
                number(radius * UNIT)
            )
        }
        Stroke::Arcs(points, radius, clockwise) => {
            let sweep = u8::from(*clockwise != pose.mirrored);
            let radius = number(radius * UNIT);
            let mut d = format!("M{}", point(&points[0]));
            for to in &points[1..] {
                let _ = write!(d, "A{radius} {radius} 0 0 {sweep} {}", point(to));
            }
            writeln!(svg, "<path d=\"{d}\"/>")
        }
        Stroke::Letter(at, letter) => {
            let (x, y) = pose.at(at.0, at.1);
            writeln!(
                svg,
                "<text class=\"letter\" x=\"{}\" y=\"{}\" font-size=\"13\" text-anchor=\"middle\">{letter}</text>",
                number(page.x(x)),
                number(page.y(y) + 4.6)
            )
        }
    };
}

pub(super) fn text(words: &Words, class: &str, page: &Page, svg: &mut String) {
    let anchor = match words.anchor {
        Anchor::Start => "start",
        Anchor::Middle => "middle",
        Anchor::End => "end",
    };
    let _ = writeln!(
        svg,
        "<text class=\"{class}\" x=\"{}\" y=\"{}\" font-size=\"{}\" text-anchor=\"{anchor}\" textLength=\"{}\" lengthAdjust=\"spacingAndGlyphs\">{}</text>",
        number(page.x(words.x)),
        number(page.y(words.foot)),
        number(words.size_px),
        number(width_px(&words.text, words.size_px)),
        escape(&words.text)
    );
}

/// The frame's or earth's sign, or a ring with the name.
fn end(wiring: &Wiring, sign: &Sign, page: &Page, svg: &mut String) {
    let name = attribute(&visible(&wiring.names[sign.net]));
    let kind = sign_kind(wiring, sign.net);
    let pose = Pose {
        origin: sign.at,
        down: sign.dir,
        mirrored: false,
    };
    let class = match kind {
        SignKind::Frame => "frame",
        SignKind::Earth => "earth",
        SignKind::Named => "named",
    };
    let at = page.at(sign.at);
    let _ = writeln!(
        svg,
        "<g class=\"end {class}\" data-node=\"{name}\" data-at=\"{at}\">"
    );
    let line = |points: &[(f64, f64)]| Stroke::Line(points.to_vec());
    let strokes = match kind {
        SignKind::Frame => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            line(&[(-1.2, 1.0), (1.2, 1.0)]),
            line(&[(-0.9, 1.0), (-1.3, 2.0)]),
            line(&[(0.1, 1.0), (-0.3, 2.0)]),
            line(&[(1.1, 1.0), (0.7, 2.0)]),
        ],
        SignKind::Earth => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            line(&[(-1.2, 1.0), (1.2, 1.0)]),
            line(&[(-0.75, 1.5), (0.75, 1.5)]),
            line(&[(-0.3, 2.0), (0.3, 2.0)]),
        ],
        SignKind::Named => vec![
            line(&[(0.0, 0.0), (0.0, 1.0)]),
            Stroke::Circle((0.0, 1.35), 0.35, false),
        ],
    };
    for stroke in &strokes {
        draw_stroke(stroke, &pose, page, svg);
    }
    if let Some(words) = sign.words(wiring) {
        text(&words, "end-name", page, svg);
    }
    svg.push_str("</g>\n");
}

fn node(
    wiring: &Wiring,
    options: &Options,
    net: usize,
    words: &[Words],
    page: &Page,
    svg: &mut String,
) {
    let off = options
        .layers
        .readings
        .iter()
        .any(|mark| mark.node.0 as usize == net && mark.off);
    let name = visible(&wiring.names[net]);
    for (index, line) in words.iter().enumerate() {
        let class = match index {
            0 if line.text == name => "node-name",
            _ if line.text.starts_with("read ") && off => "read off",
            _ if line.text.starts_with("read ") => "read",
            _ => "volts",
        };
        let _ = write!(
            svg,
            "<g data-node=\"{}\">",
            attribute(&visible(&wiring.names[net]))
        );
        text(line, class, page, svg);
        svg.push_str("</g>\n");
    }
}

/// Size of the words in marks.
pub(super) const MARK_PX: f64 = LABEL_PX;
