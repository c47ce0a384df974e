//! Random numbers that are the same on every processor: whole numbers by SplitMix64 (Steele, Lea and Flood,
//! "Fast splittable pseudorandom number generators", 2014), and floats made of them by operations that
//! IEEE 754 has exact or correctly rounded.

/// A stream of random numbers.
#[derive(Clone, Debug)]
pub struct Random(u64);

impl Random {
    /// The stream of a seed.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// The next 32 bits.
    pub fn word(&mut self) -> u32 {
        (self.bits() >> 32) as u32
    }

    /// A whole number below `limit`; zero when there is none.
    pub fn below(&mut self, limit: u32) -> u32 {
        ((u64::from(self.word()) * u64::from(limit)) >> 32) as u32
    }

    /// The same, for a limit of 16 bits.
    pub fn ticks_below(&mut self, limit: u16) -> u16 {
        self.below(u32::from(limit)) as u16
    }

    /// True once in `many`.
    pub fn one_in(&mut self, many: u32) -> bool {
        self.below(many) == 0
    }

    /// A number within `[low, high)`, on a grid of 2^24 steps.
    pub fn between(&mut self, low: f32, high: f32) -> f32 {
        // 24 bits are a float without rounding, and so is their product with a power of two.
        let share = (self.word() >> 8) as f32 * (1.0 / 16_777_216.0);
        low + (high - low) * share
    }

    /// A positive number of any size within `[2^low, 2^high)`, for exponents of normal numbers.
    pub fn of_any_size(&mut self, low: i32, high: i32) -> f32 {
        let exponent = low + self.below(high.abs_diff(low)) as i32;
        let power = f32::from_bits((127 + exponent).clamp(1, 254) as u32 * 0x0080_0000);
        power * self.between(1.0, 2.0)
    }

    /// Three numbers within `[-size, size)`.
    pub fn vector(&mut self, size: f32) -> [f32; 3] {
        [(); 3].map(|()| self.between(-size, size))
    }

    /// A number that should not have come: any bits at all, or one of the usual suspects.
    pub fn wild(&mut self) -> f32 {
        let suspects =
            [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN_POSITIVE, -0.0, 1e-42, 20.0];
        let bits = self.word();
        match suspects.get(self.below(16) as usize) {
            Some(suspect) => *suspect,
            None => f32::from_bits(bits),
        }
    }
}
