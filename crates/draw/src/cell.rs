//! The cell of a tube: its load over it, its cathode parts under it, its screen's parts at the upper left.

use crate::fragment::{Fragment, LabelSide, run};
use crate::geometry::{Dir, Pt, pt};
use crate::grow::Reach;
use crate::paths::{Step, way};
use crate::plan::{Home, MATE, Plan, TEMPLATE, Ways};
use crate::roles::Role;
use crate::symbol::{LENGTH, REACH};
use deadstage_netlist::Electrode;

/// From an electrode's pin to the bar on which its parts hang.
const BAR: i32 = 2;

/// A load with a mate stands so much higher.
const MATE_LIFT: i32 = 4;

/// Over a coil with a mate beside it, so that a capacitor hung there ends above the mate's wire.
const OVER_MATE: i32 = 11;

/// The screen's bar over the middle of the tube: high enough for a capacitor to end above the grid's.
const SCREEN_BAR: i32 = 10;

/// Where the screen's dropping resistor stands.
const SCREEN_X: i32 = -8;

/// Two tubes on one transformer, its two windings, and the net of the tap.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pair {
    pub(crate) devices: [usize; 2],
    pub(crate) windings: [usize; 2],
    pub(crate) tap: usize,
}

/// The ways of each device, and which devices stand on another's load.
pub(crate) struct Claims {
    pub(crate) ways: Vec<(usize, Ways)>,
    pub(crate) stacked: Vec<usize>,
    pub(crate) pairs: Vec<Pair>,
}

impl Plan<'_> {
    fn signal_net(&self, device: usize, electrode: Electrode) -> Option<usize> {
        let pin = self.wiring.parts[device].electrode(electrode)?;
        let net = self.wiring.net(device, pin);
        (self.roles[net] == Role::Signal).then_some(net)
    }

    /// Settles which parts are loads, cathode parts and screen parts of which device.
    pub(crate) fn claim(&mut self) -> Claims {
        let devices: Vec<usize> = (0..self.wiring.parts.len())
            .filter(|&part| self.wiring.parts[part].is_device())
            .collect();
        let pairs = self.pairs(&devices);
        let mut taken = vec![false; self.wiring.parts.len()];
        for pair in &pairs {
            for winding in self.coils(pair) {
                taken[winding] = true;
                self.reserved[winding] = Some(TEMPLATE);
            }
        }
        let mut ways: Vec<(usize, Ways)> = devices
            .iter()
            .map(|&device| (device, Ways::default()))
            .collect();
        let paired = |device: usize| pairs.iter().any(|pair| pair.devices.contains(&device));
        let mut plates = Vec::new();
        for (device, own) in &mut ways {
            let Some(net) = self.signal_net(*device, Electrode::Plate) else {
                continue;
            };
            if paired(*device) || plates.contains(&net) {
                continue;
            }
            let free = |part: usize| !taken[part];
            let find = |goal| way(self.wiring, self.roles, net, &[goal], &free, false);
            if let Some(steps) = find(Role::Rail) {
                mark(&mut taken, &steps);
                own.load = steps;
                plates.push(net);
            }
        }
        let stacked = self.stack(&mut ways, &mut taken, &plates, &paired);
        // A load to a line below common, as a pnp transistor has it, stands over its device all the same.
        for (device, own) in &mut ways {
            let Some(net) = self.signal_net(*device, Electrode::Plate) else {
                continue;
            };
            if paired(*device) || stacked.contains(device) || plates.contains(&net) {
                continue;
            }
            if !own.load.is_empty() {
                continue;
            }
            let free = |part: usize| !taken[part];
            if let Some(steps) = way(self.wiring, self.roles, net, &[Role::Low], &free, false) {
                mark(&mut taken, &steps);
                own.load = steps;
                plates.push(net);
            }
        }
        self.claim_cathodes(&mut ways, &mut taken, &stacked);
        Claims {
            ways,
            stacked,
            pairs,
        }
    }

    /// Loads that lead through another tube: it stands on top.
    fn stack(
        &self,
        ways: &mut [(usize, Ways)],
        taken: &mut [bool],
        plates: &[usize],
        paired: &dyn Fn(usize) -> bool,
    ) -> Vec<usize> {
        let mut stacked: Vec<usize> = Vec::new();
        // From the bottom of a stack first: a way that is longer takes the shorter ones in.
        for index in 0..ways.len() {
            let device = ways[index].0;
            if !ways[index].1.load.is_empty() || paired(device) || stacked.contains(&device) {
                continue;
            }
            let Some(net) = self.signal_net(device, Electrode::Plate) else {
                continue;
            };
            if plates.contains(&net) {
                continue;
            }
            let free = |part: usize| {
                part != device
                    && !paired(part)
                    && !stacked.contains(&part)
                    && (!taken[part]
                        || ways
                            .iter()
                            .any(|(_, own)| own.load.iter().any(|step| step.part == part)))
            };
            let Some(steps) = way(self.wiring, self.roles, net, &[Role::Rail], &free, true) else {
                continue;
            };
            let above: Vec<usize> = steps
                .iter()
                .map(|step| step.part)
                .filter(|&part| self.wiring.parts[part].is_device())
                .collect();
            // Parts of a tube's load that is not on this way stay with it.
            let foreign = steps.iter().any(|step| {
                ways.iter().any(|(owner, own)| {
                    !above.contains(owner) && own.load.iter().any(|s| s.part == step.part)
                })
            });
            if foreign || above.is_empty() {
                continue;
            }
            for (owner, own) in ways.iter_mut() {
                if above.contains(owner) {
                    own.load.clear();
                }
            }
            mark(taken, &steps);
            stacked.extend(above);
            ways[index].1.load = steps;
        }
        stacked
    }

    fn claim_cathodes(&self, ways: &mut [(usize, Ways)], taken: &mut [bool], stacked: &[usize]) {
        let mut cathodes = Vec::new();
        let grounds = [Role::Common, Role::Low, Role::Bus];
        for (device, own) in ways.iter_mut() {
            let Some(net) = self.signal_net(*device, Electrode::Cathode) else {
                continue;
            };
            if stacked.contains(device) || cathodes.contains(&net) {
                continue;
            }
            cathodes.push(net);
            let free = |part: usize| !taken[part];
            if let Some(steps) = way(self.wiring, self.roles, net, &grounds, &free, false) {
                mark(taken, &steps);
                own.cathode = steps;
            }
        }
        for (device, own) in ways.iter_mut() {
            let Some(net) = self.signal_net(*device, Electrode::Screen) else {
                continue;
            };
            let free = |part: usize| !taken[part];
            let steps = way(self.wiring, self.roles, net, &[Role::Rail], &free, false);
            if let Some(steps) = steps.filter(|steps| steps.len() <= 2) {
                mark(taken, &steps);
                own.screen = steps;
            }
        }
    }

    /// Pairs of devices whose plates are on two windings of one transformer with a common tap.
    fn pairs(&self, devices: &[usize]) -> Vec<Pair> {
        let mut pairs: Vec<Pair> = Vec::new();
        let windings = |device: usize| -> Vec<(usize, usize)> {
            let Some(net) = self.signal_net(device, Electrode::Plate) else {
                return Vec::new();
            };
            self.wiring.on[net]
                .iter()
                .filter(|&&(part, _)| self.wiring.parts[part].transformer.is_some())
                .map(|&(part, pin)| (part, self.wiring.net(part, 1 - pin)))
                .collect()
        };
        for (index, &a) in devices.iter().enumerate() {
            for &b in &devices[index + 1..] {
                if pairs
                    .iter()
                    .any(|pair| pair.devices.contains(&a) || pair.devices.contains(&b))
                {
                    continue;
                }
                let (one, two) = (windings(a), windings(b));
                for &(wa, tap) in &one {
                    let used =
                        |winding: usize| pairs.iter().any(|pair| pair.windings.contains(&winding));
                    let found = two.iter().find(|&&(wb, other)| {
                        wb != wa
                            && !used(wa)
                            && !used(wb)
                            && other == tap
                            && self.wiring.parts[wb].transformer
                                == self.wiring.parts[wa].transformer
                    });
                    if let Some(&(wb, _)) = found {
                        pairs.push(Pair {
                            devices: [a, b],
                            windings: [wa, wb],
                            tap,
                        });
                        break;
                    }
                }
            }
        }
        pairs
    }

    /// The tube with what stands over and under it.
    pub(crate) fn core(&mut self, cell: usize, device: usize, ways: &Ways) {
        let origin = pt(0, 0);
        self.place_device(cell, device, origin);
        self.plate(cell, device, &ways.load);
        self.cathode(cell, device, &ways.cathode);
        let mut devices = vec![(device, origin)];
        devices.extend(
            self.cells[cell]
                .frag
                .items
                .iter()
                .filter(|item| item.part != device && self.wiring.parts[item.part].is_device())
                .map(|item| (item.part, item.pose.origin)),
        );
        for &(device, at) in &devices {
            self.screen(
                cell,
                device,
                at,
                if at == origin { &ways.screen } else { &[] },
            );
            self.right_side(cell, device, at);
            self.control_grid(cell, device, at);
        }
    }

    /// What hangs and stands on the nets of the core.
    pub(crate) fn dress(&mut self, cell: usize) {
        let grids = self.grids(cell);
        let homes: Vec<(usize, Home)> = self
            .home
            .iter()
            .enumerate()
            .filter_map(|(net, home)| Some((net, (*home)?)))
            .filter(|(net, home)| home.cell == cell && !grids.contains(net))
            .collect();
        for (net, home) in homes {
            self.grow(cell, net, home.at, home.dir, Reach::Private);
        }
    }

    /// The nets of the control grids that begin in this cell.
    pub(crate) fn grids(&self, cell: usize) -> Vec<usize> {
        let mut nets = Vec::new();
        for item in &self.cells[cell].frag.items {
            for electrode in [Electrode::Grid, Electrode::Grid3] {
                if let Some(net) = self.signal_net(item.part, electrode)
                    && self.home[net].is_some_and(|home| home.cell == cell)
                    && !nets.contains(&net)
                {
                    nets.push(net);
                }
            }
        }
        nets
    }

    fn place_device(&mut self, cell: usize, device: usize, at: Pt) {
        let item = self.seat(device, at);
        self.cells[cell].frag.add_item(self.wiring, item);
        self.placed[device] = true;
    }

    fn settle(&mut self, cell: usize, net: usize, at: Pt, dir: Dir) {
        if self.home[net].is_none() {
            self.home[net] = Some(Home { cell, at, dir });
        }
    }

    fn cut_sign(&mut self, cell: usize, net: usize, pin: Pt, out: Dir) {
        let mut frag = std::mem::take(&mut self.cells[cell].frag);
        self.sign(&mut frag, net, pin, out);
        self.cells[cell].frag = frag;
    }

    fn plate(&mut self, cell: usize, device: usize, load: &[Step]) {
        let Some(pin) = self.wiring.parts[device].electrode(Electrode::Plate) else {
            return;
        };
        let net = self.wiring.net(device, pin);
        let top = pt(0, -REACH);
        if self.is_cut(cell, net) {
            self.cut_sign(cell, net, top, Dir::Up);
            return;
        }
        let bar = top.step(Dir::Up, BAR);
        self.settle(cell, net, bar, Dir::Right);
        self.cells[cell].frag.add_lane(top, bar);
        self.cells[cell].frag.add_lane(bar, bar.step(Dir::Right, 5));
        self.pile(cell, bar, Dir::Up, load);
    }

    fn cathode(&mut self, cell: usize, device: usize, steps: &[Step]) {
        let Some(pin) = self.wiring.parts[device].electrode(Electrode::Cathode) else {
            return;
        };
        let net = self.wiring.net(device, pin);
        let foot = pt(0, REACH);
        if self.is_cut(cell, net) {
            let dir = if self.roles[net] == Role::Rail {
                Dir::Right
            } else {
                Dir::Down
            };
            if dir == Dir::Right {
                let at = foot + pt(2, 1);
                let sign = crate::fragment::Sign {
                    net,
                    at,
                    dir,
                    pin: Some(foot),
                };
                self.cells[cell].frag.add_sign(self.wiring, sign);
            } else {
                self.cut_sign(cell, net, foot, dir);
            }
            return;
        }
        let bar = foot.step(Dir::Down, BAR);
        self.settle(cell, net, bar, Dir::Right);
        self.cells[cell].frag.add_lane(foot, bar);
        self.pile(cell, bar, Dir::Down, steps);
    }

    /// Parts in a row, up or down from a bar.
    fn pile(&mut self, cell: usize, from: Pt, dir: Dir, steps: &[Step]) {
        let mut bar = from;
        for (index, step) in steps.iter().enumerate() {
            // A mate's sign would stand on what leaves the bar to the right.
            if index == 0 && dir == Dir::Up && self.has_open_mate(cell, step.part) {
                let raised = bar.step(dir, MATE_LIFT);
                self.cells[cell].frag.add_lane(bar, raised);
                bar = raised;
            }
            let (near, far) = (
                self.wiring.net(step.part, step.enter),
                self.wiring.net(step.part, step.leave),
            );
            let end = if self.wiring.parts[step.part].is_device() {
                let centre = bar.step(Dir::Up, BAR + REACH);
                self.place_device(cell, step.part, centre);
                centre.step(Dir::Up, REACH)
            } else {
                self.pile_part(cell, step, bar, dir);
                bar.step(dir, LENGTH)
            };
            if self.is_cut(cell, far) {
                self.cut_sign(cell, far, end, dir);
            }
            let hung = !self.is_cut(cell, far) && self.open_on(cell, far).len() > 1;
            let beside = self.has_mate_placed(step.part);
            let room = match (hung, beside) {
                (true, true) => OVER_MATE,
                (true, false) => BAR + 1,
                (false, _) => BAR,
            };
            let next = end.step(dir, room);
            if !self.is_cut(cell, far) {
                self.settle(cell, far, next, Dir::Right);
                self.cells[cell].frag.add_lane(end, next);
            }
            self.alongside(cell, step.part, (near, bar), (far, end), (dir, beside));
            bar = next;
        }
    }

    fn pile_part(&mut self, cell: usize, step: &Step, at: Pt, dir: Dir) {
        let mut item = run(step.part, step.enter, at, dir, LabelSide::Right);
        let mut piece = Fragment::default();
        let top = if dir == Dir::Up {
            at.step(Dir::Up, LENGTH)
        } else {
            at
        };
        let mates: Vec<usize> = match self.wiring.parts[step.part].transformer {
            Some(transformer) => (0..self.wiring.parts.len())
                .filter(|&mate| {
                    self.wiring.parts[mate].transformer == Some(transformer)
                        && mate != step.part
                        && self.is_open(cell, mate)
                        && !self.is_claimed_elsewhere(mate)
                })
                .collect(),
            None => Vec::new(),
        };
        if !mates.is_empty() {
            item.side = LabelSide::Left;
        }
        for (index, &mate) in mates.iter().enumerate() {
            let level = [0, -1, 1, -2, 2][index % 5] * (LENGTH + 2);
            let first = self.upper_pin(mate);
            self.add_mate(
                cell,
                mate,
                first,
                pt(top.x + MATE, top.y + level),
                Dir::Right,
                &mut piece,
            );
        }
        piece.add_item(self.wiring, item);
        self.commit(cell, piece);
    }

    fn is_claimed_elsewhere(&self, part: usize) -> bool {
        self.reserved[part].is_some()
    }

    fn has_open_mate(&self, cell: usize, part: usize) -> bool {
        let near = self
            .wiring
            .parts_on(self.wiring.net(part, 0))
            .len()
            .max(self.wiring.parts_on(self.wiring.net(part, 1)).len());
        let transformer = self.wiring.parts[part].transformer;
        near > 2
            && transformer.is_some()
            && (0..self.wiring.parts.len()).any(|mate| {
                mate != part
                    && self.wiring.parts[mate].transformer == transformer
                    && self.is_open(cell, mate)
            })
    }

    fn has_mate_placed(&self, part: usize) -> bool {
        let transformer = self.wiring.parts[part].transformer;
        transformer.is_some()
            && (0..self.wiring.parts.len()).any(|mate| {
                mate != part
                    && self.wiring.parts[mate].transformer == transformer
                    && self.placed[mate]
            })
    }

    /// Parts between the same two nets as one that was piled: beside it, on the side without a mate.
    fn alongside(
        &mut self,
        cell: usize,
        part: usize,
        (near, bar): (usize, Pt),
        (far, end): (usize, Pt),
        (dir, mate): (Dir, bool),
    ) {
        if self.wiring.parts[part].is_device() {
            return;
        }
        let beside: Vec<usize> = self
            .open_on(cell, near)
            .into_iter()
            .filter(|&other| {
                self.wiring.parts[other].pins.len() == 2 && self.wiring.beyond(other, near) == [far]
            })
            .collect();
        for other in beside {
            let entry = self.pin_on(other, near);
            let mut piece = Fragment::default();
            piece.add_item(
                self.wiring,
                run(other, entry, pt(0, 0), dir, LabelSide::Right),
            );
            if self.is_cut(cell, far) {
                let foot = pt(0, 0).step(dir, LENGTH);
                self.sign(&mut piece, far, foot, dir);
            }
            let side = if mate { Dir::Left } else { Dir::Right };
            let place = (5..60)
                .map(|k| bar.step(side, k))
                .find(|&at| self.cells[cell].frag.takes(&piece, at, self.gap));
            if let Some(at) = place {
                let mut piece = piece.shifted(at);
                piece.add_lane(bar, at);
                if !self.is_cut(cell, far) {
                    piece.add_lane(end, pt(at.x, end.y));
                }
                self.commit(cell, piece);
            }
        }
    }

    fn screen(&mut self, cell: usize, device: usize, at: Pt, steps: &[Step]) {
        let Some(pin) = self.wiring.parts[device].electrode(Electrode::Screen) else {
            return;
        };
        let net = self.wiring.net(device, pin);
        let lead = at + pt(-REACH, -1);
        if self.is_cut(cell, net) {
            let frag = &self.cells[cell].frag;
            let dir = self.sign_dir(net);
            let find = |open_above: bool| {
                (0..40).find_map(|k| {
                    let mut piece = Fragment::default();
                    let to = at + pt(SCREEN_X - k, if dir == Dir::Up { -REACH } else { -1 });
                    piece.add_sign(
                        self.wiring,
                        crate::fragment::Sign {
                            net,
                            at: to,
                            dir,
                            pin: Some(lead),
                        },
                    );
                    let clear = !open_above || frag.is_free(to, to.step(dir, 40));
                    (clear && frag.takes(&piece, pt(0, 0), self.gap)).then_some(piece)
                })
            };
            // Best where the way up to the supply line is free.
            if let Some(piece) = find(true).or_else(|| find(false)) {
                self.commit(cell, piece);
            } else {
                self.cut_sign(cell, net, lead, Dir::Left);
            }
            return;
        }
        if self.home[net].is_some() {
            return;
        }
        let bar = at + pt(self.screen_column(cell, at, steps), -SCREEN_BAR);
        self.settle(cell, net, bar.step(Dir::Left, 2), Dir::Left);
        let knee = pt(lead.x - 2, lead.y);
        self.cells[cell].frag.add_lane(lead, knee);
        self.cells[cell].frag.add_lane(knee, pt(knee.x, bar.y));
        self.cells[cell].frag.add_lane(pt(knee.x, bar.y), bar);
        self.pile(cell, bar, Dir::Up, steps);
    }

    /// How far left the dropping resistor is clear of the load and its words.
    fn screen_column(&self, cell: usize, at: Pt, steps: &[Step]) -> i32 {
        let mut piece = Fragment::default();
        let mut end = at + pt(0, -SCREEN_BAR);
        for step in steps {
            piece.add_item(
                self.wiring,
                run(step.part, step.enter, end, Dir::Up, LabelSide::Right),
            );
            end = end.step(Dir::Up, LENGTH + BAR);
        }
        (SCREEN_X - 30..=SCREEN_X)
            .rev()
            .find(|&x| self.cells[cell].frag.takes(&piece, pt(x, 0), self.gap))
            .unwrap_or(SCREEN_X)
    }

    /// Suppressor, third grid and target, at the right.
    fn right_side(&mut self, cell: usize, device: usize, at: Pt) {
        let joined = |electrode| {
            let pin = self.wiring.parts[device].electrode(electrode)?;
            Some(self.wiring.net(device, pin))
        };
        let cathode = joined(Electrode::Cathode);
        for (electrode, y) in [
            (Electrode::Suppressor, -2),
            (Electrode::Grid3, 0),
            (Electrode::Target, 2),
        ] {
            let Some(net) = joined(electrode) else {
                continue;
            };
            if electrode == Electrode::Suppressor && cathode == Some(net) {
                continue;
            }
            let pin = at + pt(REACH, y);
            if self.is_cut(cell, net) {
                self.cut_sign(cell, net, pin, Dir::Right);
            } else {
                self.settle(cell, net, pin.step(Dir::Right, 1), Dir::Right);
            }
        }
    }

    fn control_grid(&mut self, cell: usize, device: usize, at: Pt) {
        let Some(pin) = self.wiring.parts[device].electrode(Electrode::Grid) else {
            return;
        };
        let net = self.wiring.net(device, pin);
        let pin = at + pt(-REACH, 1);
        if self.is_cut(cell, net) {
            self.cut_sign(cell, net, pin, Dir::Left);
        } else {
            self.settle(cell, net, pin, Dir::Left);
            self.cells[cell].frag.add_lane(pin, pin.step(Dir::Left, 2));
        }
    }
}

fn mark(taken: &mut [bool], steps: &[Step]) {
    for step in steps {
        taken[step.part] = true;
    }
}
