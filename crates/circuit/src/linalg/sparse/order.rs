//! In which order to eliminate, so that few entries are added.
//!
//! Minimum degree (A. George and J. W. H. Liu, "The evolution of the minimum degree ordering
//! algorithm", SIAM Review 31(1), 1989) on the graph itself: whichever
//! unknown has the fewest neighbours goes next and leaves them all joined. A
//! network is nearly a tree, so that the lists stay short. Unknowns with a great
//! many neighbours, a supply rail or the like, are kept to the end from the start:
//! each elimination beside them would have to touch their whole list.

use super::SparseMatrix;

/// Neighbours past which an unknown waits for the end: at least so many, and so many times √n.
const MANY: (usize, f64) = (16, 10.0);

/// An elimination order of a matrix whose pattern is symmetric.
pub(crate) fn minimum_degree(matrix: &SparseMatrix) -> Vec<usize> {
    let size = matrix.size();
    let many = MANY.0.max((MANY.1 * (size as f64).sqrt()) as usize);
    let mut near: Vec<Vec<usize>> = (0..size)
        .map(|column| {
            let rows = matrix.column(column).map(|(row, _)| row);
            rows.filter(|&row| row != column).collect()
        })
        .collect();
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
