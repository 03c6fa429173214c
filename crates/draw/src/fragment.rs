//! Pieces of a drawing: symbols, signs and the room they take, put together before they are set on the sheet.

use crate::geometry::{Dir, Pose, Pt, Rect, UNIT};
use crate::symbol::{self, LENGTH};
use crate::text::{LABEL_PX, LINE_PX, width};
use crate::wiring::{COMMON, Glyph, Wiring};

/// Where a part's words stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum LabelSide {
    Right,
    Left,
    /// The designator above, the rest below: of a part that lies.
    AboveAndBelow,
}

/// A part at its place.
#[derive(Clone, Debug)]
pub(crate) struct Item {
    pub(crate) part: usize,
    pub(crate) pose: Pose,
    pub(crate) side: LabelSide,
}

/// How words hang on their point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Anchor {
    Start,
    Middle,
    End,
}

/// A line of words: its point is at the left end, the middle or the right end of the foot of the letters.
#[derive(Clone, Debug)]
pub(crate) struct Words {
    pub(crate) text: String,
    pub(crate) x: f64,
    pub(crate) foot: f64,
    pub(crate) anchor: Anchor,
    pub(crate) size_px: f64,
}

impl Words {
    pub(crate) fn rect(&self) -> Rect {
        let wide = width(&self.text, self.size_px);
        let left = match self.anchor {
            Anchor::Start => self.x,
            Anchor::Middle => self.x - wide / 2.0,
            Anchor::End => self.x - wide,
        };
        let high = self.size_px / UNIT;
        // Letters rise about 0.73 of the size over the foot and hang 0.21 under it.
        Rect::between(
            (left, self.foot - 0.76 * high),
            (left + wide, self.foot + 0.22 * high),
        )
    }
}

impl Item {
    pub(crate) fn pin(&self, wiring: &Wiring, pin: usize) -> Pt {
        self.pose.grid(symbol::pins(&wiring.parts[self.part])[pin])
    }

    /// The words beside the part.
    pub(crate) fn words(&self, wiring: &Wiring, extra: &[String]) -> Vec<Words> {
        let part = &wiring.parts[self.part];
        let lines: Vec<&str> = std::iter::once(part.label.as_str())
            .chain(part.value.lines())
            .chain(extra.iter().map(String::as_str))
            .filter(|line| !line.is_empty())
            .collect();
        let body = self.pose.rect(symbol::body(part.glyph));
        let line = LINE_PX / UNIT;
        let high = LABEL_PX / UNIT;
        let count = lines.len() as f64;
        // A lying potentiometer has its wiper where its value would stand.
        let wiper_below = part.glyph == Glyph::Potentiometer;
        let place = |index: usize, text: &str, x: f64, top: f64, anchor| Words {
            text: text.to_owned(),
            x,
            foot: top + line * index as f64 + 0.76 * high,
            anchor,
            size_px: LABEL_PX,
        };
        let middle = (body.y0 + body.y1) / 2.0;
        let top = if part.is_device() {
            body.y1 - 1.2
        } else {
            middle - line * count / 2.0 + (line - high) / 2.0
        };
        lines
            .iter()
            .enumerate()
            .map(|(index, text)| match self.side {
                LabelSide::Right if part.is_device() => {
                    place(index, text, body.x1 - 0.4, top, Anchor::Start)
                }
                LabelSide::Left if part.is_device() => {
                    place(index, text, body.x0 + 0.4, top, Anchor::End)
                }
                LabelSide::Right => place(index, text, body.x1 + 0.5, top, Anchor::Start),
                LabelSide::Left => place(index, text, body.x0 - 0.5, top, Anchor::End),
                LabelSide::AboveAndBelow => {
                    let x = (body.x0 + body.x1) / 2.0;
                    let above = if wiper_below { lines.len() } else { 1 };
                    if index < above {
                        let top = body.y0 - 0.35 - high * 0.98 - line * (above - 1) as f64;
                        place(index, text, x, top, Anchor::Middle)
                    } else {
                        place(index - 1, text, x, body.y1 + 0.35, Anchor::Middle)
                    }
                }
            })
            .collect()
    }

    /// The boxes of the symbol and of its words.
    pub(crate) fn boxes(&self, wiring: &Wiring) -> Vec<Rect> {
        let part = &wiring.parts[self.part];
        let mut boxes = vec![self.pose.rect(symbol::body(part.glyph))];
        boxes.extend(
            symbol::leads(part)
                .into_iter()
                .map(|lead| self.pose.rect(lead)),
        );
        boxes.extend(self.words(wiring, &[]).iter().map(Words::rect));
        boxes
    }
}

/// An end of a wire that goes on elsewhere: at the chassis, or wherever its name stands again.
#[derive(Clone, Debug)]
pub(crate) struct Sign {
    pub(crate) net: usize,
    pub(crate) at: Pt,
    pub(crate) dir: Dir,
    /// The pin it belongs to, where it does not sit on it.
    pub(crate) pin: Option<Pt>,
}

/// What the common node is called tells what may be drawn for it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum SignKind {
    /// The metal that the unit is built on.
    Frame,
    Earth,
    /// A ring with the name.
    Named,
}

pub(crate) fn sign_kind(wiring: &Wiring, net: usize) -> SignKind {
    if net != COMMON {
        return SignKind::Named;
    }
    match wiring.names[net].to_lowercase().as_str() {
        "chassis" | "frame" => SignKind::Frame,
        "earth" => SignKind::Earth,
        // `minus` of a set fed from the line may be live: it gets no sign that says safe to touch.
        _ => SignKind::Named,
    }
}

impl Sign {
    /// The name at the ring.
    pub(crate) fn words(&self, wiring: &Wiring) -> Option<Words> {
        if sign_kind(wiring, self.net) != SignKind::Named {
            return None;
        }
        let (x, y) = (f64::from(self.at.x), f64::from(self.at.y));
        let high = LABEL_PX / UNIT;
        let (x, foot, anchor) = match self.dir {
            Dir::Up => (x, y - 2.0, Anchor::Middle),
            Dir::Down => (x, y + 2.0 + 0.76 * high, Anchor::Middle),
            Dir::Left => (x - 2.0, y + 0.27 * high, Anchor::End),
            Dir::Right => (x + 2.0, y + 0.27 * high, Anchor::Start),
        };
        Some(Words {
            text: wiring.names[self.net].clone(),
            x,
            foot,
            anchor,
            size_px: LABEL_PX,
        })
    }

    pub(crate) fn boxes(&self, wiring: &Wiring) -> Vec<Rect> {
        let pose = Pose {
            origin: self.at,
            down: self.dir,
            mirrored: false,
        };
        match self.words(wiring) {
            None => vec![pose.rect(Rect::between((-1.3, 0.4), (1.3, 2.1)))],
            Some(words) => vec![
                pose.rect(Rect::between((-0.4, 0.4), (0.4, 1.7))),
                words.rect(),
            ],
        }
    }
}

/// Symbols and signs with the room they take.
#[derive(Clone, Debug, Default)]
pub(crate) struct Fragment {
    pub(crate) items: Vec<Item>,
    pub(crate) signs: Vec<Sign>,
    pub(crate) boxes: Vec<Rect>,
    /// Where wires are expected: no symbol is set there.
    pub(crate) lanes: Vec<Rect>,
    /// Where each net begins that this piece goes on with: net, point.
    pub(crate) homes: Vec<(usize, Pt, Dir)>,
    /// Pins of a net with a name that are joined here by wire all the same.
    pub(crate) bars: Vec<(usize, Vec<Pt>)>,
}

impl Fragment {
    pub(crate) fn add_item(&mut self, wiring: &Wiring, item: Item) {
        self.boxes.extend(item.boxes(wiring));
        self.items.push(item);
    }

    pub(crate) fn add_sign(&mut self, wiring: &Wiring, sign: Sign) {
        self.boxes.extend(sign.boxes(wiring));
        self.signs.push(sign);
    }

    pub(crate) fn add_lane(&mut self, a: Pt, b: Pt) {
        self.lanes.push(Rect::along(a, b, 0.3));
    }

    pub(crate) fn shift(&mut self, by: Pt) {
        for item in &mut self.items {
            item.pose = item.pose.shifted(by);
        }
        for sign in &mut self.signs {
            sign.at = sign.at + by;
            sign.pin = sign.pin.map(|pin| pin + by);
        }
        for rect in self.boxes.iter_mut().chain(&mut self.lanes) {
            *rect = rect.shifted(by);
        }
        for (_, at, _) in &mut self.homes {
            *at = *at + by;
        }
        for at in self.bars.iter_mut().flat_map(|(_, points)| points) {
            *at = *at + by;
        }
    }

    pub(crate) fn shifted(mut self, by: Pt) -> Self {
        self.shift(by);
        self
    }

    pub(crate) fn absorb(&mut self, other: Self) {
        self.items.extend(other.items);
        self.signs.extend(other.signs);
        self.boxes.extend(other.boxes);
        self.lanes.extend(other.lanes);
        self.homes.extend(other.homes);
        self.bars.extend(other.bars);
    }

    /// Takes the signs out that are asked for, and the room they took.
    pub(crate) fn take_signs(
        &mut self,
        wiring: &Wiring,
        which: &dyn Fn(&Sign) -> bool,
    ) -> Vec<Sign> {
        let (out, kept) = std::mem::take(&mut self.signs)
            .into_iter()
            .partition::<Vec<Sign>, _>(|sign| which(sign));
        self.signs = kept;
        let items = self.items.iter().flat_map(|item| item.boxes(wiring));
        let signs = self.signs.iter().flat_map(|sign| sign.boxes(wiring));
        self.boxes = items.chain(signs).collect();
        out
    }

    /// Whether the other piece, moved so far, keeps this clear of all that is here.
    pub(crate) fn takes(&self, other: &Self, by: Pt, gap: f64) -> bool {
        let clear = |boxes: &[Rect], against: &[Rect], gap: f64, by: Pt| {
            boxes.iter().all(|rect| {
                let rect = rect.shifted(by).grown(gap);
                against.iter().all(|there| !rect.meets(there))
            })
        };
        clear(&other.boxes, &self.boxes, gap, by)
            && clear(&other.boxes, &self.lanes, 0.2, by)
            && other.lanes.iter().all(|lane| {
                let lane = lane.shifted(by);
                self.boxes.iter().all(|there| !lane.meets(there))
            })
    }

    /// Whether a straight wire would run free of symbols and words.
    pub(crate) fn is_free(&self, a: Pt, b: Pt) -> bool {
        let lane = Rect::along(a, b, 0.3);
        self.boxes.iter().all(|there| !lane.meets(there))
    }

    pub(crate) fn extent(&self) -> Option<Rect> {
        Rect::around(self.boxes.iter().chain(&self.lanes).copied())
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.items.is_empty() && self.signs.is_empty()
    }
}

/// A part with two ends, its pin `pin` here and the other so far along.
pub(crate) fn run(part: usize, pin: usize, at: Pt, dir: Dir, side: LabelSide) -> Item {
    let pose = if pin == 0 {
        Pose {
            origin: at,
            down: dir,
            mirrored: false,
        }
    } else {
        Pose {
            origin: at.step(dir, LENGTH),
            down: dir.back(),
            mirrored: false,
        }
    };
    Item { part, pose, side }
}

/// A potentiometer whose track begins here, its wiper to the side given.
pub(crate) fn run_pot(part: usize, pin: usize, at: Pt, dir: Dir, wiper: Dir) -> Item {
    let mut item = run(part, pin, at, dir, LabelSide::Right);
    let points_to = |pose: &Pose| {
        let tip = pose.grid(crate::geometry::pt(3, 3));
        let middle = pose.grid(crate::geometry::pt(0, 3));
        tip - middle
    };
    let want = wiper.vector();
    let now = points_to(&item.pose);
    if now.x * want.x + now.y * want.y < 0 {
        item.pose.mirrored = true;
    }
    item.side = match wiper {
        Dir::Right => LabelSide::Left,
        Dir::Left => LabelSide::Right,
        _ => LabelSide::AboveAndBelow,
    };
    item
}

/// The side on which a part with two ends has its words.
pub(crate) fn usual_side(dir: Dir) -> LabelSide {
    if dir.is_level() {
        LabelSide::AboveAndBelow
    } else {
        LabelSide::Right
    }
}
