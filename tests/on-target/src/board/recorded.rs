//! The recording from the host, read piece by piece.

use stackhold_on_target::recording::{Malformed, Words};
use stackhold_on_target::replay::Failure;

use super::outside;

/// Replays the recording that the host keeps under a name, which ends in a zero byte.
///
/// # Errors
/// In words.
pub fn replayed(
    name: &[u8],
    replay: impl FnOnce(&mut Streamed) -> Result<u64, Failure>,
) -> Result<(), &'static str> {
    let file = outside::open(name).ok_or("cannot open the recording in the emulator's working folder")?;
    let mut words = Streamed { file, buffer: [0; 1024], filled: 0, next: 0 };
    match replay(&mut words) {
        Ok(_) => Ok(()),
        Err(failure) => Err(match failure {
            Failure::Malformed(Malformed::CutOff) => "the recording is cut off",
            Failure::Malformed(Malformed::UnknownItem) => "the recording holds an unknown item",
            Failure::Malformed(Malformed::TooManyJets) => "the recording has more jets than the image",
            Failure::NoTable => "the kernel refused a table, or a cycle came before any",
            Failure::NotFinite(_) => "the kernel put out a number that is not finite",
            Failure::Empty => "the recording holds nothing to replay",
        }),
    }
}

/// The words of a recording.
pub struct Streamed {
    file: outside::File,
    buffer: [u32; 1024],
    filled: usize,
    next: usize,
}

impl Words for Streamed {
    fn word(&mut self) -> Option<u32> {
        if self.next == self.filled {
            self.filled = outside::read(&mut self.file, &mut self.buffer);
            self.next = 0;
        }
        let word = self.buffer.get(..self.filled)?.get(self.next)?;
        self.next += 1;
        Some(u32::from_le(*word))
    }
}
