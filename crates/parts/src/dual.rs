//! A value that carries its derivatives with it: forward differentiation over
//! the port voltages of one device.
//!
//! Laws are written once, as values, and their derivatives come out exact.
//! With no ports at all (`Dual<0>`) a law costs what its value alone costs.

use std::ops::{Add, Div, Mul, Neg, Sub};

/// A value and its derivatives with respect to `N` port voltages.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dual<const N: usize> {
    /// The value.
    pub v: f64,
    /// Its derivatives.
    pub d: [f64; N],
}

impl<const N: usize> Dual<N> {
    /// A value that depends on no port.
    #[inline]
    #[must_use]
    pub fn constant(v: f64) -> Self {
        Self { v, d: [0.0; N] }
    }

    /// The voltage at port `port` itself.
    #[inline]
    #[must_use]
    pub fn port(v: f64, port: usize) -> Self {
        let mut d = [0.0; N];
        if let Some(slot) = d.get_mut(port) {
            *slot = 1.0;
        }
        Self { v, d }
    }

    /// A function of one argument, given its value and slope at `self.v`.
    #[inline]
    #[must_use]
    pub fn chain(self, value: f64, slope: f64) -> Self {
        Self {
            v: value,
            d: self.d.map(|d| d * slope),
        }
    }

    /// `self` to the power 3/2; zero and flat at zero.
    #[inline]
    #[must_use]
    pub fn three_halves(self) -> Self {
        let v = self.v.max(0.0);
        let root = v.sqrt();
        self.chain(v * root, 1.5 * root)
    }

    /// `self` to any power of at least one; zero and flat at zero.
    #[inline]
    #[must_use]
    pub fn power(self, exponent: f64) -> Self {
        if self.v <= 0.0 {
            return Self::constant(0.0);
        }
        let value = self.v.powf(exponent);
        self.chain(value, exponent * value / self.v)
    }

    /// Square root of a value that is known to be positive.
    #[inline]
    #[must_use]
    pub fn sqrt(self) -> Self {
        let root = self.v.sqrt();
        self.chain(root, 0.5 / root)
    }

    /// `width * ln(1 + exp(self / width))`: the positive part of a voltage,
    /// rounded over about `width` volts.
    #[inline]
    #[must_use]
    pub fn positive(self, width: f64) -> Self {
        let (soft, slope) = softplus(self.v / width);
        self.chain(width * soft, slope)
    }

    /// [`positive`](Self::positive) with a width that itself depends on the ports.
    #[inline]
    #[must_use]
    pub fn positive_over(self, width: Self) -> Self {
        let u = self.v / width.v;
        let (soft, slope) = softplus(u);
        // d/dw [w s(x/w)] = s(u) - u s'(u), which fades on both sides.
        let by_width = if u.abs() > 700.0 {
            0.0
        } else {
            soft - u * slope
        };
        let mut d = [0.0; N];
        for ((d, x), w) in d.iter_mut().zip(self.d).zip(width.d) {
            *d = slope * x + by_width * w;
        }
        Self {
            v: width.v * soft,
            d,
        }
    }

    /// `x / (1 + x²)^(1/2)`: rises from zero at zero and levels off at one.
    #[inline]
    #[must_use]
    pub fn level_off(self) -> Self {
        let square = 1.0 + self.v * self.v;
        let root = square.sqrt();
        self.chain(self.v / root, 1.0 / (square * root))
    }

    /// `x / (1 + x⁴)^(1/4)`: as [`level_off`](Self::level_off), with a sharper corner.
    #[inline]
    #[must_use]
    pub fn level_off_sharply(self) -> Self {
        let square = self.v * self.v;
        let fourth = 1.0 + square * square;
        let root = fourth.sqrt().sqrt();
        self.chain(self.v / root, 1.0 / (fourth * root))
    }

    /// The exponential function; the caller keeps its argument from overflowing.
    #[inline]
    #[must_use]
    pub fn exp(self) -> Self {
        let value = self.v.exp();
        self.chain(value, value)
    }

    /// Arc tangent.
    #[inline]
    #[must_use]
    pub fn atan(self) -> Self {
        self.chain(self.v.atan(), 1.0 / (1.0 + self.v * self.v))
    }

    /// `1 / (1 + exp(-self))`.
    #[inline]
    #[must_use]
    pub fn logistic(self) -> Self {
        let value = logistic(self.v);
        self.chain(value, value * (1.0 - value))
    }
}

/// `ln(1 + exp(u))` and its slope, without overflow.
#[inline]
pub(crate) fn softplus(u: f64) -> (f64, f64) {
    if u > 36.0 {
        return (u, 1.0);
    }
    // Far from zero the series is exact to the last digit and spares a logarithm.
    if u.abs() > 7.0 {
        let e = (-u.abs()).exp();
        let tail = e * (1.0 - e * (0.5 - e * (1.0 / 3.0 - e * (0.25 - e * 0.2))));
        let share = 1.0 / (1.0 + e);
        return if u > 0.0 {
            (u + tail, share)
        } else {
            (tail, e * share)
        };
    }
    let e = u.exp();
    let sum = 1.0 + e;
    // What the sum lost of e is put back; the library's `ln_1p` takes three times as long.
    let kept = sum - 1.0;
    (sum.ln() + (e - kept) / sum, e / sum)
}

/// The logistic function, without overflow.
#[inline]
fn logistic(u: f64) -> f64 {
    let e = (-u.abs()).exp();
    if u >= 0.0 {
        1.0 / (1.0 + e)
    } else {
        e / (1.0 + e)
    }
}

impl<const N: usize> Add for Dual<N> {
    type Output = Self;
    #[inline]
    fn add(mut self, other: Self) -> Self {
        self.v += other.v;
        for (a, b) in self.d.iter_mut().zip(other.d) {
            *a += b;
        }
        self
    }
}

impl<const N: usize> Sub for Dual<N> {
    type Output = Self;
    #[inline]
    fn sub(mut self, other: Self) -> Self {
        self.v -= other.v;
        for (a, b) in self.d.iter_mut().zip(other.d) {
            *a -= b;
        }
        self
    }
}

impl<const N: usize> Mul for Dual<N> {
    type Output = Self;
    #[inline]
    fn mul(self, other: Self) -> Self {
        let mut d = self.d;
        for (a, b) in d.iter_mut().zip(other.d) {
            *a = *a * other.v + b * self.v;
        }
        Self {
            v: self.v * other.v,
            d,
        }
    }
}

impl<const N: usize> Div for Dual<N> {
    type Output = Self;
    #[inline]
    fn div(self, other: Self) -> Self {
        let inverse = 1.0 / other.v;
        let v = self.v * inverse;
        let mut d = self.d;
        for (a, b) in d.iter_mut().zip(other.d) {
            *a = (*a - b * v) * inverse;
        }
        Self { v, d }
    }
}

impl<const N: usize> Neg for Dual<N> {
    type Output = Self;
    #[inline]
    fn neg(self) -> Self {
        self * -1.0
    }
}

impl<const N: usize> Mul<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn mul(self, factor: f64) -> Self {
        Self {
            v: self.v * factor,
            d: self.d.map(|d| d * factor),
        }
    }
}

impl<const N: usize> Add<f64> for Dual<N> {
    type Output = Self;
    #[inline]
    fn add(mut self, constant: f64) -> Self {
        self.v += constant;
        self
    }
}
