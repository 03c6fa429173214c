//! Numbers that each state forecasts as normal: where to cut their range, and what a range tells.

use super::{Belief, Case, MOST_RANGES, Numbers};

/// States below this share have no say in where a range is cut.
const LEAST_SAY: f64 = 3e-3;
/// States that have a say.
const MOST_SAY: usize = 6;
/// The same on a coarse look.
const COARSE_SAY: usize = 4;
/// A further cut must give this much, bits.
const WORTH_A_CUT: f64 = 0.01;
/// Two spreads in a ratio beyond this part two forecasts on both sides of the narrower.
const UNLIKE: f64 = 1.5;

/// Φ(x).
fn below(x: f64) -> f64 {
    0.5 * libm::erfc(-x * std::f64::consts::FRAC_1_SQRT_2)
}

/// φ(x).
fn density(x: f64) -> f64 {
    (-0.5 * x * x).exp() / std::f64::consts::TAU.sqrt()
}

/// Probability of each range under one state; a slip falls into any.
pub(super) fn in_ranges(numbers: &Numbers, test: usize, cuts: &[f64], slip: f64) -> Vec<f64> {
    let mean = numbers.mean[test];
    let sigma = numbers.covariance[(test, test)].sqrt();
    let count = cuts.len() + 1;
    let mut last = 0.0;
    (0..count)
        .map(|k| {
            let here = cuts.get(k).map_or(1.0, |cut| below((cut - mean) / sigma));
            let own = (here - last).max(0.0);
            last = here;
            (1.0 - slip) * own + slip / count as f64
        })
        .collect()
}

/// Points where one state becomes likelier than another by a number alone, both equally likely before
/// (`weighted` false), or with what is known besides: where p₁ N(x; m₁, s₁) = p₂ N(x; m₂, s₂).
fn crossings(
    (p1, m1, s1): (f64, f64, f64),
    (p2, m2, s2): (f64, f64, f64),
    weighted: bool,
    found: &mut Vec<f64>,
) {
    let ln_odds = if weighted { (p1 / p2).ln() } else { 0.0 };
    if s1.max(s2) <= UNLIKE * s1.min(s2) {
        // As if both had one spread, of which a share lies with each.
        if (m1 - m2).abs() > 0.5 * s1.min(s2) {
            let middle = (m1 * s2 + m2 * s1) / (s1 + s2);
            found.push(middle + s1 * s2 * ln_odds / (m2 - m1));
        }
        return;
    }
    // (x−m1)²/s1² − (x−m2)²/s2² = 2 ln(p1 s2 / (p2 s1))
    let (w1, w2) = (1.0 / (s1 * s1), 1.0 / (s2 * s2));
    let a = w1 - w2;
    let b = -2.0 * (m1 * w1 - m2 * w2);
    let c = m1 * m1 * w1 - m2 * m2 * w2 - 2.0 * ((s2 / s1).ln() + ln_odds);
    let square = b * b - 4.0 * a * c;
    if square > 0.0 {
        let root = square.sqrt();
        found.push((-b - root) / (2.0 * a));
        found.push((-b + root) / (2.0 * a));
    }
}

/// The cuts, ascending, that give most information about the action, and that information in bits.
pub(super) fn best_cuts(
    case: &Case,
    belief: &Belief,
    test: usize,
    finely: bool,
) -> (f64, Vec<f64>) {
    let mut say: Vec<(f64, f64, f64)> = belief
        .shares
        .iter()
        .zip(&belief.numbers)
        .filter(|(p, _)| **p > LEAST_SAY)
        .map(|(p, n)| (*p, n.mean[test], n.covariance[(test, test)].sqrt()))
        .collect();
    say.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.total_cmp(&b.1)));
    say.truncate(if finely { MOST_SAY } else { COARSE_SAY });
    say.sort_by(|a, b| a.1.total_cmp(&b.1));
    let mut candidates = Vec::new();
    for pair in say.windows(2) {
        if let [one, other] = *pair {
            crossings(one, other, false, &mut candidates);
            crossings(one, other, true, &mut candidates);
        }
    }
    candidates.retain(|x| x.is_finite());
    candidates.sort_by(f64::total_cmp);
    candidates.dedup();
    let most = if finely { MOST_RANGES - 1 } else { 2 };
    let mut cuts: Vec<f64> = Vec::new();
    let mut best = 0.0;
    while cuts.len() < most {
        let found = candidates
            .iter()
            .filter(|x| !cuts.contains(x))
            .map(|&x| {
                let mut tried = cuts.clone();
                tried.push(x);
                tried.sort_by(f64::total_cmp);
                let likelihood: Vec<Vec<f64>> = belief
                    .shares
                    .iter()
                    .zip(&belief.numbers)
                    .map(|(p, n)| {
                        if *p > 0.0 {
                            in_ranges(n, test, &tried, case.slip)
                        } else {
                            vec![0.0; tried.len() + 1]
                        }
                    })
                    .collect();
                (case.bits(belief, &likelihood), tried)
            })
            .reduce(|a, b| if b.0 > a.0 { b } else { a });
        match found {
            Some((bits, tried)) if bits > best + WORTH_A_CUT => {
                best = bits;
                cuts = tried;
            }
            _ => break,
        }
    }
    (best, cuts)
}

/// The number that stands for a range: its mean there over all states, `joint` being each state's probability of the range. Beside it, its variance there.
pub(super) fn typical(
    numbers: &[Numbers],
    joint: &[f64],
    test: usize,
    from: Option<f64>,
    to: Option<f64>,
) -> (f64, f64) {
    let (mut sum, mut square, mut total) = (0.0, 0.0, 0.0);
    for (n, p) in numbers.iter().zip(joint) {
        let mean = n.mean[test];
        let sigma = n.covariance[(test, test)].sqrt();
        let alpha = from.map_or(f64::NEG_INFINITY, |x| (x - mean) / sigma);
        let beta = to.map_or(f64::INFINITY, |x| (x - mean) / sigma);
        let inside = below(beta) - below(alpha);
        // A state that forecasts another range altogether was met there by a slip.
        if inside > FAR {
            // Mean and variance of the normal cut off at both ends.
            let edge = |x: f64| {
                if x.is_finite() {
                    (density(x), x * density(x))
                } else {
                    (0.0, 0.0)
                }
            };
            let ((d1, x1), (d2, x2)) = (edge(alpha), edge(beta));
            let m = (d1 - d2) / inside;
            let v = (1.0 + (x1 - x2) / inside - m * m).clamp(0.0, 1.0);
            let here = mean + sigma * m;
            sum += p * here;
            square += p * (here * here + sigma * sigma * v);
            total += p;
        }
    }
    match (total > 0.0, from, to) {
        (true, ..) => {
            let x = sum / total;
            (x, (square / total - x * x).max(0.0))
        }
        (false, Some(a), Some(b)) => (0.5 * (a + b), 0.0),
        (false, Some(x), None) | (false, None, Some(x)) => (x, 0.0),
        (false, None, None) => (0.0, 0.0),
    }
}

/// A range that a state meets with less than this probability is far from its forecast.
const FAR: f64 = 1e-4;

/// Most spreads by which one number moves the others: beyond, it is a slip.
const DRAGS: f64 = 3.0;

/// The forecasts of a state once one number has been read as `x`: of a normal distribution, the others
/// move by c (x − μ)/σ² and their covariance loses c cᵀ/σ², c being their covariance with it.
///
/// The same x is taken for every state, that of the range it lies in. So a second number that goes with the first under each of
/// them is not thought to tell more. That x may lie elsewhere in its range, with the variance `within`, moves the
/// others with it: what is forecast then holds for the whole range.
pub(super) fn after_reading(numbers: &Numbers, test: usize, (x, within): (f64, f64)) -> Numbers {
    let mut after = numbers.clone();
    let variance = numbers.covariance[(test, test)];
    let limit = DRAGS * variance.sqrt();
    let off = (x - numbers.mean[test]).clamp(-limit, limit);
    let column = numbers.covariance.column(test).clone_owned();
    for (mean, c) in after.mean.iter_mut().zip(column.iter()) {
        *mean += c / variance * off;
    }
    let own = after.covariance.diagonal();
    let left = (within / variance).min(1.0);
    after.covariance -= &column * column.transpose() * ((1.0 - left) / variance);
    for (k, before) in own.iter().enumerate() {
        // What is left never falls to nothing, or one reading would be beyond doubt.
        let entry = &mut after.covariance[(k, k)];
        *entry = entry.max(LEFT * before);
    }
    after
}

/// Least share of a variance that another reading leaves.
const LEFT: f64 = 1e-6;
