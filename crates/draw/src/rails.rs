//! The supply line over the tubes: its dropping resistors in it, their capacitors hanging from it, the source at its right end.

use crate::fragment::{Fragment, LabelSide, run};
use crate::geometry::{Dir, Pt, pt};
use crate::plan::{Cell, Plan};
use crate::roles::Role;
use crate::symbol::LENGTH;
use std::collections::BTreeMap;

/// Distance of parallel parts in the line.
const LEVEL: i32 = 6;

/// One supply line of the chain, with what hangs on it and leads to the next.
#[derive(Clone, Debug)]
pub(crate) struct Link {
    pub(crate) net: usize,
    pub(crate) frag: Fragment,
    /// Pins on this line, and on the next one.
    pub(crate) pins: Vec<Pt>,
    pub(crate) onward: Vec<Pt>,
}

/// Supply lines from the first stage's to the source's, chosen so that the tubes find most of theirs among them.
pub(crate) fn chain(plan: &Plan<'_>, drops: &BTreeMap<usize, usize>) -> Vec<usize> {
    let wiring = plan.wiring;
    let mut best: (usize, Vec<usize>) = (0, Vec::new());
    let rails: Vec<usize> = (0..plan.roles.len())
        .filter(|&net| plan.roles[net] == Role::Rail && !wiring.on[net].is_empty())
        .collect();
    let feeds = |net: usize| {
        wiring
            .parts_on(net)
            .into_iter()
            .any(|part| wiring.parts[part].is_source() && wiring.net(part, 0) == net)
    };
    let mut roots: Vec<usize> = rails.iter().copied().filter(|&net| feeds(net)).collect();
    if roots.is_empty() {
        roots = rails.clone();
    }
    for root in roots {
        let mut ways: Vec<Vec<usize>> = vec![vec![root]];
        let mut seen = vec![root];
        let mut index = 0;
        while index < ways.len() {
            let way = ways[index].clone();
            index += 1;
            let last = way[way.len() - 1];
            for part in plan.open_on(0, last) {
                let found = &wiring.parts[part];
                if !found.conducts() || found.pins.len() != 2 || found.is_source() {
                    continue;
                }
                for far in wiring.beyond(part, last) {
                    if plan.roles[far] == Role::Rail && !seen.contains(&far) {
                        seen.push(far);
                        let mut longer = way.clone();
                        longer.push(far);
                        ways.push(longer);
                    }
                }
            }
        }
        for way in ways {
            let score: usize = way.iter().filter_map(|net| drops.get(net)).sum();
            if score > best.0 {
                best = (score, way);
            }
        }
    }
    // What is farther from the source than any tube's line is drawn as a ladder.
    best.1.reverse();
    best.1
}

/// After how many columns each link of the chain comes, so that the fewest tubes have their line elsewhere.
///
/// `drops[column]` are the nets that column hangs on.
pub(crate) fn places(chain: &[usize], drops: &[Vec<usize>]) -> Vec<usize> {
    let columns = drops.len();
    // cost[k][p]: links before k placed, link k after p columns.
    let served = |net: usize, from: usize, to: usize| -> usize {
        drops[from..to]
            .iter()
            .map(|nets| nets.iter().filter(|&&other| other == net).count())
            .sum()
    };
    let mut gain = vec![vec![0usize; columns + 1]; chain.len()];
    let mut from = vec![vec![0usize; columns + 1]; chain.len()];
    for (k, &net) in chain.iter().enumerate() {
        for p in 0..=columns {
            for q in 0..=p {
                if k == 0 && q > 0 {
                    continue;
                }
                let before = if k == 0 { 0 } else { gain[k - 1][q] };
                let total = before + served(net, q, p);
                if total > gain[k][p] || (q == 0 && total >= gain[k][p]) {
                    gain[k][p] = total;
                    from[k][p] = q;
                }
            }
        }
    }
    let mut places = vec![columns; chain.len()];
    for k in (1..chain.len()).rev() {
        places[k - 1] = from[k][places[k]];
    }
    places
}

impl Plan<'_> {
    /// Draws the links of a chain. Their origin is on the line, at their left.
    pub(crate) fn links(&mut self, chain: &[usize]) -> Vec<Link> {
        let cell = self.cells.len();
        self.cells.push(Cell {
            column: usize::MAX,
            ..Cell::default()
        });
        let mut links = Vec::new();
        for (index, &net) in chain.iter().enumerate() {
            let link = self.link(cell, net, chain.get(index + 1).copied(), chain);
            links.push(link);
        }
        links
    }

    fn link(&mut self, cell: usize, net: usize, next: Option<usize>, chain: &[usize]) -> Link {
        let mut link = Link {
            net,
            frag: Fragment::default(),
            pins: Vec::new(),
            onward: Vec::new(),
        };
        let mut hanging: Vec<usize> = self
            .open_on(cell, net)
            .into_iter()
            .filter(|&part| self.shunts(cell, part, net))
            .collect();
        hanging.sort_by_key(|&part| (self.wiring.parts[part].is_source(), part));
        let mut x = 0;
        for part in hanging {
            if self.placed[part] {
                continue;
            }
            let tree = self.tree(cell, part, net, (Dir::Down, Dir::Right), &mut Vec::new());
            let at = (x..x + 200)
                .map(|x| pt(x, 0))
                .find(|&at| link.frag.takes(&tree, at, self.gap))
                .unwrap_or_default();
            for item in &tree.items {
                self.placed[item.part] = true;
            }
            for &(inner, home, dir) in &tree.homes {
                if self.home[inner].is_none() {
                    self.home[inner] = Some(crate::plan::Home {
                        cell,
                        at: home,
                        dir,
                    });
                }
            }
            link.frag.absorb(tree.shifted(at));
            link.pins.push(at);
            x = at.x + 1;
        }
        if let Some(next) = next {
            self.onward(cell, &mut link, next, x, chain);
        }
        link
    }

    /// What lies in the line between this and the next.
    fn onward(&mut self, cell: usize, link: &mut Link, next: usize, x: i32, chain: &[usize]) {
        let between: Vec<usize> = self
            .open_on(cell, link.net)
            .into_iter()
            .filter(|&part| {
                let found = &self.wiring.parts[part];
                found.pins.len() == 2
                    && self.wiring.beyond(part, link.net) == [next]
                    && chain.contains(&next)
            })
            .collect();
        let mut level = 0;
        for part in between {
            let entry = self.pin_on(part, link.net);
            let mut piece = Fragment::default();
            piece.add_item(
                self.wiring,
                run(part, entry, pt(0, 0), Dir::Right, LabelSide::AboveAndBelow),
            );
            let at = (x + 1..x + 200)
                .map(|x| pt(x, level))
                .find(|&at| link.frag.takes(&piece, at, self.gap))
                .unwrap_or_default();
            self.placed[part] = true;
            link.frag.absorb(piece.shifted(at));
            link.pins.push(at);
            link.onward.push(at.step(Dir::Right, LENGTH));
            level -= LEVEL;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_stand_behind_the_last_column_they_feed() {
        // Lines 5, 6, 7; the first two columns hang on 5, the third on 6 and the last on 7.
        let drops = [vec![5], vec![5], vec![6], vec![7, 7]];
        assert_eq!(places(&[5, 6, 7], &drops), [2, 3, 4]);
    }

    #[test]
    fn a_line_that_few_tubes_need_gives_way() {
        // The first column wants the source's own line, all others the first stage's.
        let drops = [vec![7], vec![5, 5], vec![5]];
        assert_eq!(places(&[5, 7], &drops), [3, 3]);
    }
}
