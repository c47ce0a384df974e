//! The line to the host: standard input and output of the emulator, opened as files of the host. The emulator's
//! console would lead there too, but loses bytes when many come.

use core::convert::Infallible;

use stackhold_on_target::frame::Line;

use super::board::semihosting::{self, File};

/// What the host says and is told.
pub struct Conversation {
    said: File,
    told: File,
    buffer: [u8; 1024],
    filled: usize,
    next: usize,
}

impl Conversation {
    /// Opens both ends; `None` when the host has no such files.
    pub fn new() -> Option<Self> {
        let (said, told) =
            (semihosting::open(b"/dev/stdin\0")?, semihosting::open_to_write(b"/dev/stdout\0")?);
        Some(Self { said, told, buffer: [0; 1024], filled: 0, next: 0 })
    }
}

impl Line for Conversation {
    type Error = Infallible;

    fn receive(&mut self) -> Result<u8, Infallible> {
        loop {
            if let Some(&byte) = self.buffer.get(..self.filled).and_then(|come| come.get(self.next)) {
                self.next += 1;
                return Ok(byte);
            }
            // Whatever has come, at least one byte: the host waits for it.
            self.filled = semihosting::read_bytes(&self.said, &mut self.buffer);
            self.next = 0;
        }
    }

    fn send(&mut self, bytes: &[u8]) -> Result<(), Infallible> {
        semihosting::write_to(&self.told, bytes);
        Ok(())
    }
}
