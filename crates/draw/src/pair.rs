//! Two tubes on one output transformer: one over the other, the transformer right of them, its tap between.

use crate::cell::Pair;
use crate::fragment::{Fragment, LabelSide, Sign, run};
use crate::geometry::{Dir, Pt, pt};
use crate::plan::{Home, MATE, Plan};
use crate::symbol::{LENGTH, REACH};

/// The plates' bars over the middle of their tubes.
const PLATE_BAR: i32 = REACH + 2;

impl Plan<'_> {
    /// Sets the lower tube's cell under the upper's and the transformer beside both.
    pub(crate) fn join_pair(&mut self, pair: &Pair, [upper, lower]: [usize; 2]) {
        let below = std::mem::take(&mut self.cells[lower].frag);
        let frag = &self.cells[upper].frag;
        let least = 2 * LENGTH + 2;
        let drop = (least..400)
            .find(|&y| frag.takes(&below, pt(0, y), self.gap))
            .unwrap_or(400);
        self.cells[upper].frag.absorb(below.shifted(pt(0, drop)));
        for home in self.home.iter_mut().flatten() {
            if home.cell == lower {
                home.cell = upper;
                home.at = home.at + pt(0, drop);
            }
        }
        let piece = self.transformer(upper, pair, drop);
        let frag = &self.cells[upper].frag;
        let x = (9..200)
            .find(|&x| frag.takes(&piece, pt(x, 0), self.gap + 1.0))
            .unwrap_or(200);
        self.commit(upper, piece.shifted(pt(x, 0)));
    }

    fn transformer(&self, cell: usize, pair: &Pair, drop: i32) -> Fragment {
        let mut piece = Fragment::default();
        let middle = drop / 2 - PLATE_BAR;
        let [above, below] = pair.windings;
        let plate = |winding: usize| usize::from(self.wiring.net(winding, 0) == pair.tap);
        let upper_end = pt(0, middle - 1 - LENGTH);
        let halves = [
            run(above, plate(above), upper_end, Dir::Down, LabelSide::Left),
            run(
                below,
                1 - plate(below),
                pt(0, middle + 1),
                Dir::Down,
                LabelSide::Left,
            ),
        ];
        for half in halves {
            piece.add_item(self.wiring, half);
        }
        let mut taps = vec![pt(0, middle - 1), pt(0, middle + 1)];
        if self.is_cut(cell, pair.tap) {
            let at = pt(-3, middle);
            piece.add_sign(
                self.wiring,
                Sign {
                    net: pair.tap,
                    at,
                    dir: Dir::Left,
                    pin: None,
                },
            );
            taps.push(at);
            piece.bars.push((pair.tap, taps));
        } else {
            piece.homes.push((pair.tap, pt(-2, middle), Dir::Left));
        }
        self.secondaries(cell, pair, middle, &mut piece);
        piece
    }

    fn secondaries(&self, cell: usize, pair: &Pair, middle: i32, piece: &mut Fragment) {
        let transformer = self.wiring.parts[pair.windings[0]].transformer;
        let mates = (0..self.wiring.parts.len()).filter(|&part| {
            self.wiring.parts[part].transformer == transformer
                && !pair.windings.contains(&part)
                && !self.placed[part]
        });
        for (index, mate) in mates.enumerate() {
            let level = [0, -1, 1, -2, 2][index % 5] * (LENGTH + 2);
            let at: Pt = pt(MATE, middle - LENGTH / 2 + level);
            self.add_mate(cell, mate, self.upper_pin(mate), at, Dir::Right, piece);
        }
    }

    /// Frees the transformer of a pair that is not drawn as one.
    pub(crate) fn release(&mut self, pair: &Pair) {
        for winding in self.coils(pair) {
            self.reserved[winding] = None;
        }
    }

    /// All windings of a pair's transformer.
    pub(crate) fn coils(&self, pair: &Pair) -> Vec<usize> {
        let transformer = self.wiring.parts[pair.windings[0]].transformer;
        (0..self.wiring.parts.len())
            .filter(|&part| self.wiring.parts[part].transformer == transformer)
            .collect()
    }

    /// Which cell a device has.
    pub(crate) fn cell_of(&self, device: usize) -> Option<usize> {
        self.cells
            .iter()
            .position(|cell| cell.device == Some(device))
    }

    /// Makes every net of a cell that has no home yet begin there: nothing is left without a place.
    pub(crate) fn house(&mut self, cell: usize) {
        let items = self.cells[cell].frag.items.clone();
        for item in items {
            for pin in 0..self.wiring.parts[item.part].pins.len() {
                let net = self.wiring.net(item.part, pin);
                if self.home[net].is_none() && !self.is_cut(cell, net) {
                    self.home[net] = Some(Home {
                        cell,
                        at: item.pin(self.wiring, pin),
                        dir: Dir::Right,
                    });
                }
            }
        }
    }
}
