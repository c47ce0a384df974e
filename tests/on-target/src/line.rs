//! One line of text without the formatting machinery of the standard library, which would be a
//! large part of a small image.

/// Longest line, bytes.
const LENGTH: usize = 160;

/// A line under construction; what does not fit is cut off.
#[derive(Clone, Debug)]
pub struct Line {
    bytes: [u8; LENGTH],
    used: usize,
}

impl Default for Line {
    fn default() -> Self {
        Self { bytes: [0; LENGTH], used: 0 }
    }
}

impl Line {
    /// Appends ASCII text; other characters become `?`.
    #[must_use]
    pub fn text(mut self, text: &str) -> Self {
        for byte in text.bytes() {
            self.push(if byte.is_ascii() { byte } else { b'?' });
        }
        self
    }

    /// Appends a whole number.
    #[must_use]
    pub fn number(mut self, value: u64) -> Self {
        let mut divisor = 1;
        while value / divisor >= 10 {
            divisor *= 10;
        }
        while divisor > 0 {
            self.push(digit(value / divisor % 10));
            divisor /= 10;
        }
        self
    }

    /// Appends sixteen hexadecimal digits.
    #[must_use]
    pub fn hexadecimal(mut self, value: u64) -> Self {
        for place in (0..16).rev() {
            self.push(digit((value >> (4 * place)) & 15));
        }
        self
    }

    /// Appends eight hexadecimal digits.
    #[must_use]
    pub fn hexadecimal_word(mut self, value: u32) -> Self {
        for place in (0..8).rev() {
            self.push(digit(u64::from(value >> (4 * place) & 15)));
        }
        self
    }

    /// Appends a number given in thousandths, with three decimals.
    #[must_use]
    pub fn thousandths(self, value: u64) -> Self {
        let mut line = self.number(value / 1000);
        line.push(b'.');
        for divisor in [100, 10, 1] {
            line.push(digit(value / divisor % 10));
        }
        line
    }

    /// The line so far.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8] {
        self.bytes.get(..self.used).unwrap_or_default()
    }

    fn push(&mut self, byte: u8) {
        if let Some(slot) = self.bytes.get_mut(self.used) {
            *slot = byte;
            self.used += 1;
        }
    }
}

/// Character of a digit, 0..=15.
fn digit(value: u64) -> u8 {
    b"0123456789abcdef".get(value as usize).copied().unwrap_or(b'?')
}
