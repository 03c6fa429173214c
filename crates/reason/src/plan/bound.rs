//! What information must cost at least.
//!
//! To act with the probability e of being wrong, the doubt that is left may not exceed h(e) + e log₂(n − 1)
//! (R. M. Fano; T. M. Cover and J. A. Thomas, *Elements of Information Theory*, 1991, theorem 2.11.1), h being the binary entropy and n the
//! number of actions. From H bits of doubt, H − h(e) − e log₂(n − 1) must therefore be learnt; at k a bit, and a loss L for a wrong action, the cost is
//! at least the minimum over e of k (H − h(e) − e log₂(n − 1)) + L e, which lies at e = (n − 1)/(2^{L/k} + n − 1).

/// Doubt about which action is meant.
#[derive(Clone, Copy, Debug)]
pub(super) struct Doubt {
    /// Entropy, bits.
    pub(super) bits: f64,
    /// Actions that may be meant.
    pub(super) actions: usize,
    /// Probability of being wrong with the likeliest.
    pub(super) wrong: f64,
}

impl Doubt {
    pub(super) fn of(by_action: &[f64]) -> Self {
        let likeliest = by_action.iter().copied().fold(0.0, f64::max);
        Self {
            bits: by_action
                .iter()
                .filter(|p| **p > 0.0)
                .map(|p| -p * p.log2())
                .sum(),
            actions: by_action.iter().filter(|p| **p > 0.0).count(),
            wrong: (1.0 - likeliest).max(0.0),
        }
    }

    /// What must be learnt to be wrong only with probability `e`, bits.
    fn to_learn(self, e: f64) -> f64 {
        let others = (self.actions.saturating_sub(1).max(1) as f64).log2();
        let h = |p: f64| if p > 0.0 { -p * p.log2() } else { 0.0 };
        self.bits - h(e) - h(1.0 - e) - e * others
    }

    /// Least cost at `each` a bit and `loss` for a wrong action.
    pub(super) fn least_cost(&self, each: f64, loss: f64) -> f64 {
        if self.actions < 2 {
            return 0.0;
        }
        let others = (self.actions - 1) as f64;
        let e = (others / ((loss / each).min(500.0).exp2() + others)).min(self.wrong);
        each * self.to_learn(e).max(0.0) + loss * e
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn certainty_at_one_a_bit_costs_the_entropy() {
        let doubt = Doubt::of(&[0.5, 0.25, 0.25]);
        assert!((doubt.bits - 1.5).abs() < 1e-12);
        let cost = doubt.least_cost(1.0, 1e4);
        assert!((cost - 1.5).abs() < 1e-9, "{cost}");
    }

    /// The closed form against a plain search over e.
    #[test]
    fn the_minimum_is_found() {
        let doubt = Doubt::of(&[0.4, 0.3, 0.2, 0.1]);
        for (each, loss) in [(0.5, 10.0), (1.0, 4.0), (2.0, 15.0)] {
            let found = doubt.least_cost(each, loss);
            let searched = (0..=6000)
                .map(|k| f64::from(k) * 1e-4)
                .map(|e| each * doubt.to_learn(e).max(0.0) + loss * e)
                .fold(f64::INFINITY, f64::min);
            assert!((found - searched).abs() < 1e-3, "{found} {searched}");
        }
    }
}
