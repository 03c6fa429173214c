use super::*;

const COUNT: usize = 9;

fn wave(k: usize) -> f64 {
    (k as f64 * 1.7).sin()
}

fn evidence() -> Evidence {
    Evidence {
        read: (0..COUNT).map(|i| 100.0 * wave(i)).collect(),
        noise: vec![0.5; COUNT],
        ln_slip: vec![-7.0; COUNT],
        bounds: vec![Bound::Exact; COUNT],
        has_ranges: (0..COUNT).map(|i| i % 2 == 0).collect(),
        slip: SLIP,
        widened: 1.1,
        joint: true,
        credence: 1.0,
    }
}

fn weights(evidence: &Evidence) -> Weights {
    let forecast = Forecast {
        mean: evidence.read.clone(),
        scatter: Scatter::Columns(DMatrix::from_fn(5, COUNT, |i, j| 3.0 * wave(3 * i + j))),
    };
    Weights::new(&forecast, evidence, &[]).expect("noise on the diagonal")
}

/// Forecasts that miss by nothing to hundreds of spreads, some of them at one reading alone.
fn forecasts(evidence: &Evidence) -> Vec<Vec<f64>> {
    let mut found = Vec::new();
    for size in [0.0, 0.3, 3.0, 30.0, 300.0] {
        for k in 0..6 {
            let all = (0..COUNT).map(|i| evidence.read[i] + size * wave(7 * i + k));
            found.push(all.collect());
            let mut one = evidence.read.clone();
            one[k] += size;
            found.push(one);
        }
    }
    found
}

#[test]
fn what_is_below_for_certain_is_below() {
    let evidence = evidence();
    let weights = weights(&evidence);
    let (mut refused, mut kept) = (0, 0);
    for mean in forecasts(&evidence) {
        let exact = weights.ln_likelihood(&mean, &evidence);
        for above in [-3.0, -0.5, 0.5, 3.0, 20.0] {
            let least = exact + above;
            let found = weights.ln_if_above(least, &mean, &evidence);
            if found == f64::NEG_INFINITY {
                assert!(exact < least, "{exact} is not below {least}");
                refused += 1;
            } else {
                assert!(
                    (found - exact).abs() < 1e-9 * exact.abs(),
                    "{found} {exact}"
                );
                kept += 1;
            }
        }
    }
    assert!(refused > 50 && kept > 50, "{refused} refused, {kept} kept");
}

#[test]
fn no_forecast_is_likelier_than_the_bound() {
    let evidence = evidence();
    let weights = weights(&evidence);
    let most = weights.ln_at_most_with_slips(&evidence);
    let likeliest = forecasts(&evidence)
        .iter()
        .map(|mean| weights.ln_likelihood(mean, &evidence))
        .fold(f64::NEG_INFINITY, f64::max);
    assert!(likeliest <= most, "{likeliest} of at most {most}");
    assert!(
        likeliest > most - 3.0,
        "{likeliest} is far from the bound {most}"
    );
}

/// By what was taken out of C⁻¹ with each slip, against the product with what is left.
#[test]
fn the_square_of_good_readings_is_that_of_their_own_inverse() {
    let evidence = evidence();
    let weights = weights(&evidence);
    let mut compared = 0;
    for mean in forecasts(&evidence) {
        let Some(good) = weights.good(&mean, &evidence) else {
            continue;
        };
        for k in 0..5 {
            let d: Vec<f64> = (0..COUNT).map(|i| wave(11 * i + k)).collect();
            let square = |good: Option<&Good>| -> f64 {
                let weighed = weights.times(good, &d);
                weighed.iter().zip(&d).map(|(w, d)| w * d).sum()
            };
            let (found, own) = (
                weights.square_of(&good, &d, square(None)),
                square(Some(&good)),
            );
            assert!((found - own).abs() < 1e-6 * own.abs(), "{found} {own}");
            compared += 1;
        }
    }
    assert!(compared > 50, "only {compared} compared");
}
