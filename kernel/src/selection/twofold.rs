//! Sums of products in twice the working precision, from additions and products alone.
//!
//! Error-free transformations of Dekker and Knuth, as summed up by Ogita, Rump and Oishi, "Accurate
//! sum and dot product" (SIAM J. Sci. Comput. 26, 2005). On-times that nearly cancel need this: the residual
//! of a refinement step must be better than the values it refines.

/// Splits a 24-bit mantissa into two of 12 bits: 2^12 + 1.
const SPLITTER: f32 = 4097.0;

/// A sum and what rounding took from it.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Twofold {
    sum: f32,
    error: f32,
}

impl Twofold {
    /// Adds `a · b`.
    pub(super) fn add_product(&mut self, a: f32, b: f32) {
        let product = a * b;
        let (a_high, a_low) = split(a);
        let (b_high, b_low) = split(b);
        let lost = ((a_high * b_high - product) + a_high * b_low + a_low * b_high) + a_low * b_low;
        let sum = self.sum + product;
        let part = sum - self.sum;
        let rounding = (self.sum - (sum - part)) + (product - part);
        self.sum = sum;
        self.error += rounding + lost;
    }

    /// The sum, rounded once.
    pub(super) fn value(self) -> f32 {
        self.sum + self.error
    }
}

/// High and low half of the mantissa; magnitudes above 2^100 do not occur in scaled data.
fn split(x: f32) -> (f32, f32) {
    let wide = SPLITTER * x;
    let high = wide - (wide - x);
    (high, x - high)
}
