//! CRC-32/MEF, four bits at a time: 64 bytes of constants, bounded work per byte.

/// The polynomial 0x741B8CD7 with its bits reversed.
const POLYNOMIAL: u32 = 0xEB31_D82E;

/// Remainders of the sixteen values of half a byte.
const REMAINDERS: [u32; 16] = remainders();

const fn remainders() -> [u32; 16] {
    let mut table = [0; 16];
    let mut value = 0;
    while value < 16 {
        let mut remainder = value as u32;
        let mut bit = 0;
        while bit < 4 {
            remainder = if remainder & 1 == 1 { (remainder >> 1) ^ POLYNOMIAL } else { remainder >> 1 };
            bit += 1;
        }
        table[value] = remainder;
        value += 1;
    }
    table
}

/// A checksum under way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Checksum(u32);

impl Checksum {
    /// Of no byte yet.
    pub const START: Self = Self(u32::MAX);

    /// Takes in more bytes.
    pub fn add(&mut self, bytes: &[u8]) {
        for &byte in bytes {
            let mixed = self.0 ^ u32::from(byte);
            let half = (mixed >> 4) ^ remainder(mixed);
            self.0 = (half >> 4) ^ remainder(half);
        }
    }

    /// The checksum of what was taken in.
    #[must_use]
    pub const fn value(self) -> u32 {
        self.0
    }

    /// The checksum of some bytes.
    #[must_use]
    pub fn of(bytes: &[u8]) -> u32 {
        let mut sum = Self::START;
        sum.add(bytes);
        sum.value()
    }
}

fn remainder(of: u32) -> u32 {
    // Never out of the table: four bits.
    REMAINDERS.get((of & 15) as usize).copied().unwrap_or(0)
}
