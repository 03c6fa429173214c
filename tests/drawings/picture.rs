//! A drawing as it stands in its SVG: lines, words and pins by their places, nothing taken from the layout that made it.

use roxmltree::{Document, Node};

/// A point of the picture, tenths of a pixel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Spot {
    /// To the right.
    pub x: i64,
    /// Downwards.
    pub y: i64,
}

impl Spot {
    fn of(x: f64, y: f64) -> Self {
        Self {
            x: (x * 10.0).round() as i64,
            y: (y * 10.0).round() as i64,
        }
    }
}

/// A straight piece of wire.
#[derive(Clone, Copy, Debug)]
pub struct Piece {
    /// One end.
    pub a: Spot,
    /// The other.
    pub b: Spot,
}

impl Piece {
    /// Whether a spot is on it, its ends included.
    #[must_use]
    pub fn holds(&self, spot: Spot) -> bool {
        let within = |low: i64, high: i64, at: i64| low.min(high) <= at && at <= low.max(high);
        (self.a.x == self.b.x || self.a.y == self.b.y)
            && within(self.a.x, self.b.x, spot.x)
            && within(self.a.y, self.b.y, spot.y)
    }

    /// Whether it is level or upright.
    #[must_use]
    pub fn is_square(&self) -> bool {
        (self.a.x == self.b.x) != (self.a.y == self.b.y)
    }
}

/// A box in pixels: left, top, right, bottom.
#[derive(Clone, Copy, Debug)]
pub struct Box4(pub f64, pub f64, pub f64, pub f64);

impl Box4 {
    /// How far two boxes reach into each other, in the direction in which it is less; below 0 they are apart.
    #[must_use]
    pub fn overlap(&self, other: &Self) -> f64 {
        let x = self.2.min(other.2) - self.0.max(other.0);
        let y = self.3.min(other.3) - self.1.max(other.1);
        x.min(y)
    }
}

/// A part's symbol.
#[derive(Clone, Debug)]
pub struct Symbol {
    /// `data-part`, with `data-unit` behind a dot.
    pub name: String,
    /// Each terminal's name and place.
    pub pins: Vec<(String, Spot)>,
    /// Ends of the lines it is made of.
    pub line_ends: Vec<Spot>,
    /// The box of each line, circle or arc.
    pub strokes: Vec<Box4>,
    /// The boxes of its words.
    pub words: Vec<(String, Box4)>,
}

/// A named end or a chassis sign.
#[derive(Clone, Debug)]
pub struct End {
    /// What joins it with others: the name at its ring, or the kind of sign.
    pub name: String,
    /// Where its wire begins.
    pub at: Spot,
    /// The boxes of its lines.
    pub strokes: Vec<Box4>,
    /// The box of its name.
    pub words: Vec<(String, Box4)>,
}

/// All that is in a picture.
#[derive(Clone, Debug, Default)]
pub struct Picture {
    /// The parts.
    pub symbols: Vec<Symbol>,
    /// The wires.
    pub wires: Vec<Piece>,
    /// The dots.
    pub joints: Vec<Spot>,
    /// Where wires go on elsewhere.
    pub ends: Vec<End>,
    /// Words and marks by themselves.
    pub words: Vec<(String, Box4)>,
    /// Width and height, pixels.
    pub size: (f64, f64),
}

impl Picture {
    /// Reads an SVG document.
    ///
    /// # Panics
    /// On a document that is no such drawing.
    #[must_use]
    pub fn read(svg: &str) -> Self {
        let document = Document::parse(svg).unwrap_or_else(|error| panic!("{error}\n{svg}"));
        let root = document.root_element();
        let mut picture = Self {
            size: (real(root, "width"), real(root, "height")),
            ..Self::default()
        };
        for node in root.descendants().filter(Node::is_element) {
            let class = node.attribute("class").unwrap_or_default();
            let mut classes = class.split(' ');
            if classes.any(|one| one == "part") {
                picture.symbols.push(symbol(node));
            } else if class.starts_with("end ") {
                picture.ends.push(end(node, class));
            } else if class == "wire" {
                let points = points(node.attribute("d").unwrap_or_default());
                picture.wires.extend(points.windows(2).map(|pair| Piece {
                    a: pair[0],
                    b: pair[1],
                }));
            } else if class == "joint" {
                picture
                    .joints
                    .push(Spot::of(real(node, "cx"), real(node, "cy")));
            } else if class == "rank" {
                picture.words.push((class.to_owned(), round(node)));
            } else if node.has_tag_name("text")
                && !["label", "end-name", "letter", "rank-number"].contains(&class)
            {
                picture.words.push(words(node));
            }
        }
        picture
    }
}

fn real(node: Node<'_, '_>, name: &str) -> f64 {
    let text = node.attribute(name).unwrap_or_default();
    text.parse()
        .unwrap_or_else(|_| panic!("{name}=\"{text}\" is no number"))
}

/// The corners of a path of straight lines and arcs.
fn points(d: &str) -> Vec<Spot> {
    d.split(['M', 'L', 'A', 'Z'])
        .filter(|step| !step.is_empty())
        .map(|step| {
            let numbers: Vec<f64> = step
                .split_whitespace()
                .map(|word| word.parse().unwrap_or_else(|_| panic!("{d}")))
                .collect();
            let n = numbers.len();
            Spot::of(numbers[n - 2], numbers[n - 1])
        })
        .collect()
}

fn line_box(a: Spot, b: Spot) -> Box4 {
    let px = |tenths: i64| tenths as f64 / 10.0;
    Box4(
        px(a.x.min(b.x)),
        px(a.y.min(b.y)),
        px(a.x.max(b.x)),
        px(a.y.max(b.y)),
    )
}

fn path_box(d: &str) -> Box4 {
    let points = points(d);
    let mut bounds = line_box(points[0], points[0]);
    let mut take = |there: Box4| {
        bounds = Box4(
            bounds.0.min(there.0),
            bounds.1.min(there.1),
            bounds.2.max(there.2),
            bounds.3.max(there.3),
        );
    };
    let radius = d.split('A').nth(1).and_then(|arc| {
        let first = arc.split_whitespace().next()?;
        first.parse::<f64>().ok()
    });
    for pair in points.windows(2) {
        let chord = line_box(pair[0], pair[1]);
        let (wide, high) = (chord.2 - chord.0, chord.3 - chord.1);
        // An arc bulges across its chord.
        let half = wide.hypot(high) / 2.0;
        let bulge = radius.map_or(0.0, |r| r - (r * r - half * half).max(0.0).sqrt());
        let (x, y) = if wide > high {
            (0.0, bulge)
        } else {
            (bulge, 0.0)
        };
        take(Box4(chord.0 - x, chord.1 - y, chord.2 + x, chord.3 + y));
    }
    bounds
}

fn round(node: Node<'_, '_>) -> Box4 {
    let (x, y, r) = (real(node, "cx"), real(node, "cy"), real(node, "r"));
    Box4(x - r, y - r, x + r, y + r)
}

/// The box of a line of words: its stated length, and letters that rise 0.72 of their size and hang 0.2.
fn words(node: Node<'_, '_>) -> (String, Box4) {
    let text = node.text().unwrap_or_default().to_owned();
    let size = real(node, "font-size");
    let (x, y) = (real(node, "x"), real(node, "y"));
    let wide = match node.attribute("textLength") {
        Some(length) => length.parse().unwrap_or_default(),
        None => text.chars().count() as f64 * size * 0.55,
    };
    let left = match node.attribute("text-anchor") {
        Some("middle") => x - wide / 2.0,
        Some("end") => x - wide,
        _ => x,
    };
    (
        text,
        Box4(left, y - 0.72 * size, left + wide, y + 0.2 * size),
    )
}

fn strokes(group: Node<'_, '_>) -> (Vec<Box4>, Vec<Spot>) {
    let mut boxes = Vec::new();
    let mut ends = Vec::new();
    for node in group.children().filter(Node::is_element) {
        let class = node.attribute("class").unwrap_or_default();
        if class == "pin" {
            continue;
        }
        match node.tag_name().name() {
            "path" => {
                let d = node.attribute("d").unwrap_or_default();
                // Each line of a broken one by itself: the corner between two is free.
                if d.contains(['A', 'Z']) {
                    boxes.push(path_box(d));
                } else {
                    let corners = points(d);
                    boxes.extend(corners.windows(2).map(|pair| line_box(pair[0], pair[1])));
                }
                ends.extend(points(d));
            }
            "circle" => boxes.push(round(node)),
            _ => {}
        }
    }
    (boxes, ends)
}

fn labels(group: Node<'_, '_>, class: &str) -> Vec<(String, Box4)> {
    group
        .children()
        .filter(|node| node.attribute("class") == Some(class))
        .map(words)
        .collect()
}

fn symbol(group: Node<'_, '_>) -> Symbol {
    let name = group.attribute("data-part").unwrap_or_default();
    let name = match group.attribute("data-unit") {
        Some(unit) => format!("{name}.{unit}"),
        None => name.to_owned(),
    };
    let pins = group
        .children()
        .filter_map(|node| {
            let pin = node.attribute("data-pin")?;
            Some((pin.to_owned(), Spot::of(real(node, "cx"), real(node, "cy"))))
        })
        .collect();
    let (strokes, line_ends) = strokes(group);
    Symbol {
        name,
        pins,
        line_ends,
        strokes,
        words: labels(group, "label"),
    }
}

fn end(group: Node<'_, '_>, class: &str) -> End {
    let (strokes, line_ends) = strokes(group);
    let words = labels(group, "end-name");
    let name = words
        .first()
        .map_or_else(|| class.to_owned(), |(name, _)| name.clone());
    End {
        name,
        at: line_ends[0],
        strokes,
        words,
    }
}
