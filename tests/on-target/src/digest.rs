//! Digest of everything a control cycle puts out.

use stackhold_kernel::cycle::CycleOutput;

/// FNV-1a, 64 bits, over bytes; offset basis and prime as published by Fowler, Noll and Vo.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Digest(u64);

impl Default for Digest {
    fn default() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }
}

impl Digest {
    /// Takes in some bytes.
    pub fn bytes(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            self.0 = (self.0 ^ u64::from(byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }

    /// Takes in one output: every bit of it, for the first `jets` jets.
    pub fn output<const N: usize>(&mut self, output: &CycleOutput<N>, jets: usize) {
        self.bytes(&output.engine.on_ticks.to_le_bytes());
        for ticks in output.on_ticks.iter().take(jets) {
            self.bytes(&ticks.to_le_bytes());
        }
        self.bytes(&output.open_tick.to_le_bytes());
        self.bytes(&[output.status.number()]);
        for value in floats(output) {
            self.bytes(&value.to_bits().to_le_bytes());
        }
    }

    /// The digest so far.
    #[must_use]
    pub fn value(self) -> u64 {
        self.0
    }
}

/// Every float of an output: attitude `[x, y, z, w]`, rate, attitude error, disturbance, gyro bias, foreseen time, gimbal.
pub fn floats<const N: usize>(output: &CycleOutput<N>) -> impl Iterator<Item = f32> {
    let vectors = [output.motion.rate_rad_s, output.error_rad, output.disturbance_rad_s2, output.bias_rad_s];
    let floats =
        output.motion.attitude.to_array().into_iter().chain(vectors.into_iter().flat_map(|vector| vector.0));
    floats.chain([output.foreseen_s]).chain(output.engine.gimbal_rad)
}
