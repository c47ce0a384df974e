//! Seeded random streams, one per source, so that adding or silencing one source leaves the draws of all
//! others as they were.

use rand_distr::{Distribution, StandardNormal};
use rand_pcg::Pcg64;

/// Where a random number is used; each value (with its index) has a stream of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// Fixed thrust error of jet `n`.
    JetThrust(u32),
    /// Thrust error of each pulse of jet `n`.
    JetPulse(u32),
    /// Attitude measurement.
    AttitudeSensor,
    /// Rate measurement.
    RateSensor,
    /// Velocity counted by the accelerometer.
    Accelerometer,
    /// Energy of spring `n` of a release.
    Spring(u32),
}

impl Source {
    fn number(self) -> u64 {
        match self {
            Self::AttitudeSensor => 1,
            Self::RateSensor => 2,
            Self::Accelerometer => 3,
            Self::JetThrust(index) => 0x1_0000_0000 + u64::from(index),
            Self::JetPulse(index) => 0x2_0000_0000 + u64::from(index),
            Self::Spring(index) => 0x3_0000_0000 + u64::from(index),
        }
    }
}

/// Standard normal draws of one source.
#[derive(Clone, Debug)]
pub struct Stream(Pcg64);

impl Stream {
    /// The stream of `source` in the run with this seed.
    #[must_use]
    pub fn new(seed: u64, source: Source) -> Self {
        // Streams of one generator that start from equal states are related; spread the states too.
        let number = source.number();
        let high = mixed(seed ^ mixed(number));
        let low = mixed(high ^ seed.rotate_left(32));
        Self(Pcg64::new(u128::from(high) << 64 | u128::from(low), u128::from(number)))
    }

    /// A draw of mean 0 and standard deviation 1.
    pub fn normal(&mut self) -> f64 {
        StandardNormal.sample(&mut self.0)
    }
}

/// Spreads every input bit over all output bits (finaliser of `SplitMix64`; Steele, Lea and Flood 2014).
fn mixed(input: u64) -> u64 {
    let mut z = input.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}
