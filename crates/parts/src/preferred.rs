//! Preferred values: the numbers in which resistors are sold.
//!
//! IEC 60063, "Preferred number series for resistors and capacitors" (2015):
//! twelve values a decade for parts of 10 %, twenty-four for parts of 5 %.
//! Much equipment of the 1930s and 40s is older than the series and holds
//! 25 k, 50 k or 250 k instead; those are not in it.

/// A series of preferred values.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Series {
    /// Twelve values a decade, 10 % parts.
    E12,
    /// Twenty-four values a decade, 5 % parts.
    E24,
}

const E12: [f64; 12] = [
    10.0, 12.0, 15.0, 18.0, 22.0, 27.0, 33.0, 39.0, 47.0, 56.0, 68.0, 82.0,
];

const E24: [f64; 24] = [
    10.0, 11.0, 12.0, 13.0, 15.0, 16.0, 18.0, 20.0, 22.0, 24.0, 27.0, 30.0, 33.0, 36.0, 39.0, 43.0,
    47.0, 51.0, 56.0, 62.0, 68.0, 75.0, 82.0, 91.0,
];

/// How near a number counts as being a preferred value, as a fraction: far
/// below any tolerance, far above the rounding of a calculation.
const SAME: f64 = 1e-9;

impl Series {
    /// Its name in the standard.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::E12 => "E12",
            Self::E24 => "E24",
        }
    }

    /// The values of the decade from 10 up to 100, rising.
    #[must_use]
    pub fn decade(self) -> &'static [f64] {
        match self {
            Self::E12 => &E12,
            Self::E24 => &E24,
        }
    }

    /// The preferred values next to `target`: the one below and the one above,
    /// in its unit; one value where `target` is a preferred value, none where
    /// it is not a positive number within 1e-12 .. 1e12.
    ///
    /// ```
    /// use deadstage_parts::Series;
    /// assert_eq!(Series::E24.beside(198_300.0), [180_000.0, 200_000.0]);
    /// assert_eq!(Series::E12.beside(4.7), [4.7]);
    /// ```
    #[must_use]
    pub fn beside(self, target: f64) -> Vec<f64> {
        if !(1e-12..=1e12).contains(&target) {
            return Vec::new();
        }
        // One decade more at each end: 0.99 lies between 0.91 and 1.0.
        let tens = target.log10().floor() as i32 - 1;
        let values = (tens - 1..=tens + 1).flat_map(|tens| {
            self.decade()
                .iter()
                .map(move |&digits| times_ten_to(digits, tens))
        });
        let (mut below, mut above) = (None, None);
        for value in values {
            if (value - target).abs() <= SAME * target {
                return vec![value];
            }
            if value < target {
                below = Some(value);
            } else if above.is_none() {
                above = Some(value);
            }
        }
        below.into_iter().chain(above).collect()
    }
}

/// Divides where the power is negative: 47 / 10 is 4.7 to the last bit, 47 x 0.1 is not.
fn times_ten_to(digits: f64, tens: i32) -> f64 {
    if tens < 0 {
        digits / 10f64.powi(-tens)
    } else {
        digits * 10f64.powi(tens)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_series_rises_by_about_its_root_of_ten() {
        // IEC 60063: E-series are rounded powers of the n-th root of ten.
        for series in [Series::E12, Series::E24] {
            let decade = series.decade();
            let n = decade.len() as f64;
            for (k, value) in (0..).zip(decade) {
                let exact = 10.0 * 10f64.powf(f64::from(k) / n);
                assert!((value / exact - 1.0).abs() < 0.06, "{value} for {exact}");
            }
        }
        assert!(E12.iter().all(|value| E24.contains(value)));
    }

    #[test]
    fn decades_join() {
        assert_eq!(Series::E12.beside(0.99), [0.82, 1.0]);
        assert_eq!(Series::E24.beside(0.95), [0.91, 1.0]);
        assert_eq!(Series::E24.beside(1e6), [1e6]);
        assert_eq!(Series::E12.beside(1.01), [1.0, 1.2]);
    }

    #[test]
    fn what_is_no_resistance_has_no_neighbours() {
        for target in [0.0, -4.7, f64::NAN, f64::INFINITY] {
            assert!(Series::E24.beside(target).is_empty());
        }
    }

    proptest! {
        #[test]
        fn neighbours_enclose(log in -11.0..11.0_f64) {
            let target = 10f64.powf(log);
            for series in [Series::E12, Series::E24] {
                match series.beside(target)[..] {
                    [one] => prop_assert!((one / target - 1.0).abs() < 1e-8),
                    [low, high] => {
                        prop_assert!(low < target && target < high);
                        // No step of the coarser series is wider than 12 to 15.
                        prop_assert!(high / low <= 1.26);
                    }
                    _ => prop_assert!(false, "no neighbours of {target}"),
                }
            }
        }
    }
}
