//! Names in a flight table.

/// Longest name, letters.
pub const NAME_LENGTH: usize = 32;

/// A name of a vehicle or of a configuration: `a` to `z`, `0` to `9` and `_`, a letter first, 1 to 32 long.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Name([u8; NAME_LENGTH]);

impl Name {
    /// A name from text; `None` when it is not one. Usable in constants.
    #[must_use]
    pub const fn new(text: &str) -> Option<Self> {
        let mut bytes = [0; NAME_LENGTH];
        let mut room: &mut [u8] = &mut bytes;
        let mut text = text.as_bytes();
        while let [letter, rest @ ..] = text {
            // Zero bytes are no letters, and must not pass as the end of the name.
            match (room.split_first_mut(), *letter) {
                (None, _) | (_, 0) => return None,
                (Some((slot, left)), letter) => {
                    *slot = letter;
                    (room, text) = (left, rest);
                }
            }
        }
        Self::from_bytes(bytes)
    }

    /// A name as it stands in a table, zeros behind it; `None` when it is not one.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; NAME_LENGTH]) -> Option<Self> {
        let mut left: &[u8] = &bytes;
        let mut ended = false;
        if !matches!(left.first(), Some(b'a'..=b'z')) {
            return None;
        }
        while let [byte, rest @ ..] = left {
            match *byte {
                0 => ended = true,
                b'a'..=b'z' | b'0'..=b'9' | b'_' if !ended => {}
                _ => return None,
            }
            left = rest;
        }
        Some(Self(bytes))
    }

    /// As it stands in a table.
    #[must_use]
    pub const fn bytes(&self) -> &[u8; NAME_LENGTH] {
        &self.0
    }

    /// As text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        let letters = self.0.split(|&byte| byte == 0).next().unwrap_or(&[]);
        // Never the default: every letter is ASCII.
        core::str::from_utf8(letters).unwrap_or("")
    }
}

impl core::fmt::Debug for Name {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.write_str(self.as_str())
    }
}

#[cfg(feature = "defmt")]
impl defmt::Format for Name {
    fn format(&self, f: defmt::Formatter<'_>) {
        defmt::write!(f, "{=str}", self.as_str());
    }
}
