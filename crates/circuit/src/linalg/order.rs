//! In which order to eliminate, so that few entries are added.
//!
//! Minimum degree (A. George and J. W. H. Liu, "The evolution of the minimum degree ordering
//! algorithm", SIAM Review 31(1), 1989) on the graph itself: whichever
//! unknown has the fewest neighbours goes next and leaves them all joined. A
//! network is nearly a tree, so that the lists stay short. Unknowns with a great
//! many neighbours, a supply rail or the like, are kept to the end from the start:
//! each elimination beside them would have to touch their whole list.

/// Neighbours past which an unknown waits for the end: at least so many, and so many times √n.
const MANY: (usize, f64) = (16, 10.0);

/// An elimination order for unknowns of which each has these neighbours, and they have it.
pub(super) fn minimum_degree(mut near: Vec<Vec<usize>>) -> Vec<usize> {
    let size = near.len();
    let many = MANY.0.max((MANY.1 * (size as f64).sqrt()) as usize);
    let late: Vec<bool> = near.iter().map(|list| list.len() > many).collect();
    for (column, list) in near.iter_mut().enumerate() {
        if late[column] {
            list.clear();
        } else {
            list.retain(|&row| !late[row]);
        }
    }
    let mut left = late.iter().filter(|&&late| !late).count();
    // By degree, who had it when last looked at; what is out of date is passed over.
    let mut buckets: Vec<Vec<usize>> = vec![Vec::new(); 1];
    let file = |buckets: &mut Vec<Vec<usize>>, unknown: usize, degree: usize| {
        if buckets.len() <= degree {
            buckets.resize(degree + 1, Vec::new());
        }
        buckets[degree].push(unknown);
    };
    for unknown in (0..size).rev().filter(|&unknown| !late[unknown]) {
        file(&mut buckets, unknown, near[unknown].len());
    }
    let mut order = Vec::with_capacity(size);
    let mut done = vec![false; size];
    let mut mark = vec![usize::MAX; size];
    let mut lowest = 0;
    while left > 0 && lowest < buckets.len() {
        let Some(next) = buckets[lowest].pop() else {
            lowest += 1;
            continue;
        };
        if done[next] || near[next].len() != lowest {
            continue;
        }
        if left == lowest + 1 {
            // All that is left is joined to all: any order will do.
            break;
        }
        done[next] = true;
        left -= 1;
        order.push(next);
        let neighbours = std::mem::take(&mut near[next]);
        for &one in &neighbours {
            let list = &mut near[one];
            if let Some(at) = list.iter().position(|&other| other == next) {
                list.swap_remove(at);
            }
            mark[one] = one;
            for &other in list.iter() {
                mark[other] = one;
            }
            for &other in &neighbours {
                if mark[other] != one {
                    list.push(other);
                }
            }
            let degree = list.len();
            file(&mut buckets, one, degree);
            lowest = lowest.min(degree);
        }
    }
    order.extend((0..size).filter(|&unknown| !done[unknown] && !late[unknown]));
    order.extend((0..size).filter(|&unknown| late[unknown]));
    order
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linalg::elimination::Elimination;

    #[test]
    fn a_ladder_and_a_star_gain_no_entries() {
        // A rung from each to the next, and a rail, the last unknown, that all hang on.
        let count = 2000;
        let rungs = (1..count).map(|k| (k - 1, k));
        let rail = (0..count).map(|k| (k, count));
        let places: Vec<(usize, usize)> = rungs.chain(rail).collect();
        let elimination = Elimination::new(count + 1, &places).expect("it is nearly a tree");
        assert_eq!(elimination.places(), count + 1 + 2 * places.len() + 1);
        let mut near = vec![Vec::new(); count + 1];
        for (a, b) in places {
            near[a].push(b);
            near[b].push(a);
        }
        assert_eq!(minimum_degree(near).last(), Some(&count));
    }
}
