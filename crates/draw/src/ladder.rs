//! What no tube has: supplies, bias, relays, each a ladder from its source or from a supply line's name.

use crate::fragment::{Fragment, Sign, run, usual_side};
use crate::geometry::{Dir, Pt, pt};
use crate::grow::Reach;
use crate::plan::{Cell, Home, Plan};
use crate::roles::Role;
use crate::symbol::LENGTH;
use crate::wiring::COMMON;

impl Plan<'_> {
    /// Draws every part that is not placed yet. Gives the cells made.
    pub(crate) fn ladders(&mut self) -> Vec<usize> {
        let mut made = Vec::new();
        // Every round places at least the part it starts from.
        while let Some(part) = self.next_start() {
            let cell = self.cells.len();
            self.cells.push(Cell {
                column: usize::MAX,
                ..Cell::default()
            });
            made.push(cell);
            self.ladder(cell, part);
            self.grow_rest();
        }
        made
    }

    /// A source if there is one, then what hangs on a supply line, then whatever there is.
    fn next_start(&self) -> Option<usize> {
        let open = |part: &usize| !self.placed[*part];
        let count = self.wiring.parts.len();
        let source = (0..count)
            .filter(open)
            .find(|&part| self.wiring.parts[part].is_source());
        let on_rail = || {
            (0..count).filter(open).find(|&part| {
                self.wiring.parts[part]
                    .pins
                    .iter()
                    .any(|pin| matches!(self.roles[pin.net], Role::Rail | Role::Low))
            })
        };
        source.or_else(on_rail).or_else(|| (0..count).find(open))
    }

    fn ladder(&mut self, cell: usize, part: usize) {
        let pins = &self.wiring.parts[part].pins;
        let cut = |net: usize| self.roles[net] != Role::Signal;
        let nets: Vec<usize> = pins.iter().map(|pin| pin.net).collect();
        if self.wiring.parts[part].is_device() || nets.len() < 2 {
            self.alone(cell, part);
            return;
        }
        if self.wiring.parts[part].is_source() {
            let top = usize::from(nets[0] == COMMON);
            self.start_at_source(cell, part, top);
            return;
        }
        // From the net that is a supply line, else from one that is no ground.
        let start = nets
            .iter()
            .position(|&net| matches!(self.roles[net], Role::Rail | Role::Low))
            .or_else(|| nets.iter().position(|&net| !cut(net)))
            .or_else(|| nets.iter().position(|&net| net != COMMON))
            .unwrap_or(0);
        let net = nets[start];
        if cut(net) {
            let sign = Sign {
                net,
                at: pt(0, 0),
                dir: Dir::Left,
                pin: None,
            };
            self.cells[cell].frag.add_sign(self.wiring, sign);
            if net == COMMON {
                self.alone(cell, part);
            } else {
                self.bar(cell, net, pt(0, 0), Dir::Right);
            }
        } else {
            self.home[net] = Some(Home {
                cell,
                at: pt(0, 0),
                dir: Dir::Right,
            });
            self.grow(cell, net, pt(0, 0), Dir::Right, Reach::Everything);
        }
        if !self.placed[part] {
            self.alone(cell, part);
        }
    }

    fn start_at_source(&mut self, cell: usize, part: usize, top: usize) {
        let net = self.wiring.net(part, top);
        let foot = self.wiring.net(part, 1 - top);
        let mut piece = Fragment::default();
        piece.add_item(
            self.wiring,
            run(part, top, pt(0, 0), Dir::Down, usual_side(Dir::Down)),
        );
        let end = pt(0, LENGTH);
        if self.is_cut(cell, foot) {
            self.sign(&mut piece, foot, end, Dir::Down);
        } else {
            piece.homes.push((foot, end, Dir::Right));
        }
        if net != COMMON && self.is_cut(cell, net) {
            let sign = Sign {
                net,
                at: pt(0, 0),
                dir: Dir::Up,
                pin: None,
            };
            piece.add_sign(self.wiring, sign);
            self.commit(cell, piece);
            self.bar(cell, net, pt(0, 0), Dir::Right);
        } else {
            piece.homes.push((net, pt(0, 0), Dir::Right));
            self.commit(cell, piece);
        }
    }

    /// A part by itself, with a sign at each pin that is cut.
    fn alone(&mut self, cell: usize, part: usize) {
        if self.wiring.parts[part].is_device() {
            self.core(cell, part, &crate::plan::Ways::default());
            return;
        }
        let net = self.wiring.net(part, 0);
        let mut piece = self.tree(cell, part, net, (Dir::Down, Dir::Right), &mut Vec::new());
        if self.is_cut(cell, net) {
            self.sign(&mut piece, net, pt(0, 0), Dir::Up);
        }
        let at = self.free_place(cell, &piece);
        self.commit(cell, piece.shifted(at));
    }

    fn free_place(&self, cell: usize, piece: &Fragment) -> Pt {
        let frag = &self.cells[cell].frag;
        (0..400)
            .map(|k| pt(k, 0))
            .find(|&at| frag.takes(piece, at, self.gap))
            .unwrap_or_default()
    }
}
