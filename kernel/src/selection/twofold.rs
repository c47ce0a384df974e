//! Numbers of twice the working precision: unevaluated sums of two `f32`, from additions and products alone.
//!
//! Error-free transformations of Dekker and Knuth, as summed up by Ogita, Rump and Oishi, "Accurate
//! sum and dot product" (SIAM J. Sci. Comput. 26, 2005); sums, products and quotients of pairs as analysed by
//! Joldes, Muller and Popescu, "Tight and rigorous error bounds for basic building blocks of double-word arithmetic"
//! (ACM Trans. Math. Softw. 44, 2017). On-times and multipliers that nearly cancel need them: the residual of a
//! refinement step must be better than the values it refines.

use core::cmp::Ordering;
use core::ops::{Add, Div, Mul, Neg, Sub};

/// Splits a 24-bit mantissa into two of 12 bits: 2^12 + 1.
const SPLITTER: f32 = 4097.0;

/// A value and what rounding took from it (at most half a unit in the value's last place).
#[derive(Clone, Copy, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Twofold {
    high: f32,
    low: f32,
}

impl Twofold {
    /// This number.
    pub(super) const fn exactly(x: f32) -> Self {
        Self { high: x, low: 0.0 }
    }

    /// Times a power of two or a sign.
    pub(super) fn scaled_by(self, by: f32) -> Self {
        Self { high: self.high * by, low: self.low * by }
    }

    /// The nearest `f32`.
    pub(super) fn value(self) -> f32 {
        self.high
    }
}

impl Add for Twofold {
    type Output = Self;

    #[inline(never)]
    fn add(self, other: Self) -> Self {
        let highs = sum(self.high, other.high);
        let lows = sum(self.low, other.low);
        let first = quick_sum(highs.high, highs.low + lows.high);
        quick_sum(first.high, first.low + lows.low)
    }
}

impl Mul for Twofold {
    type Output = Self;

    #[inline(never)]
    fn mul(self, other: Self) -> Self {
        let highs = product(self.high, other.high);
        let mixed = self.high * other.low + self.low * other.high;
        quick_sum(highs.high, highs.low + mixed)
    }
}

impl Div for Twofold {
    type Output = Self;

    #[inline(never)]
    fn div(self, other: Self) -> Self {
        let first = self.high / other.high;
        let left = self - other * Self::exactly(first);
        quick_sum(first, left.high / other.high)
    }
}

impl Neg for Twofold {
    type Output = Self;

    fn neg(self) -> Self {
        Self { high: -self.high, low: -self.low }
    }
}

impl Sub for Twofold {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

impl PartialEq for Twofold {
    fn eq(&self, other: &Self) -> bool {
        self.high == other.high && self.low == other.low
    }
}

impl PartialOrd for Twofold {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        let highs = self.high.partial_cmp(&other.high)?;
        Some(if highs.is_eq() { self.low.partial_cmp(&other.low)? } else { highs })
    }
}

/// `a + b` exactly.
fn sum(a: f32, b: f32) -> Twofold {
    let high = a + b;
    let part = high - a;
    Twofold { high, low: (a - (high - part)) + (b - part) }
}

/// `a + b` exactly, when `a` is the larger.
fn quick_sum(a: f32, b: f32) -> Twofold {
    let high = a + b;
    Twofold { high, low: b - (high - a) }
}

/// `a · b` exactly.
fn product(a: f32, b: f32) -> Twofold {
    let high = a * b;
    let (a_high, a_low) = split(a);
    let (b_high, b_low) = split(b);
    let low = ((a_high * b_high - high) + a_high * b_low + a_low * b_high) + a_low * b_low;
    Twofold { high, low }
}

/// High and low half of the mantissa; magnitudes above 2^100 do not occur in scaled data.
fn split(x: f32) -> (f32, f32) {
    let wide = SPLITTER * x;
    let high = wide - (wide - x);
    (high, x - high)
}

#[cfg(test)]
mod tests {
    use super::Twofold;

    /// Pseudorandom pairs over forty binary orders of magnitude (Knuth's 64-bit linear congruential generator, MMIX).
    fn pairs() -> impl Iterator<Item = Twofold> {
        let mut state = 1_u64;
        let mut next = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as u32
        };
        core::iter::repeat_with(move || {
            let exponent = 107 + next() % 40;
            let high = f32::from_bits((next() % 2) << 31 | exponent << 23 | next() >> 1);
            Twofold::exactly(high) + Twofold::exactly(high * 5.0e-8 * (next() as f32 / 16_777_216.0 - 0.5))
        })
    }

    fn exact(x: Twofold) -> f64 {
        f64::from(x.high) + f64::from(x.low)
    }

    /// Relative errors within the bounds of Joldes, Muller and Popescu (2017) for u = 2^-24: 3u² of a sum, 8u² of a
    /// product, 15u² of a quotient (bounds from memory); `f64` itself adds its own rounding of the terms.
    #[test]
    fn sums_products_and_quotients_are_right_to_twice_the_precision() {
        let unit = (0.5_f64).powi(48);
        let (mut numbers, mut others) = (pairs(), pairs().skip(1));
        for _ in 0..20_000 {
            let (Some(a), Some(b)) = (numbers.next(), others.next()) else { break };
            let (x, y) = (exact(a), exact(b));
            let of_sum = f64::EPSILON * (x.abs() + y.abs());
            let within = |got: Twofold, want: f64, units: f64, room: f64| {
                assert!(
                    (exact(got) - want).abs() <= units * unit * want.abs() + room,
                    "{a:?} {b:?} {got:?} {want}"
                );
            };
            within(a + b, x + y, 3.0, of_sum);
            within(a - b, x - y, 3.0, of_sum);
            within(a * b, x * y, 8.0, f64::EPSILON * (x * y).abs());
            within(a / b, x / y, 15.0, f64::EPSILON * (x / y).abs());
        }
    }

    #[test]
    fn what_cancels_leaves_what_was_lost() {
        let third = Twofold::exactly(1.0) / Twofold::exactly(3.0);
        let left = third * Twofold::exactly(3.0) - Twofold::exactly(1.0);
        assert!(left.value().abs() < 1.0e-13);
        assert!((1.0_f32 / 3.0 - third.value()).abs() < 1.0e-12 && third.low != 0.0);
    }
}
