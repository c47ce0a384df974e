//! A board that is a process of the host: it answers over its own standard input and output.

use std::io::{self, Read, Write};

use super::frame::Line;

/// Standard input and output of this process.
pub struct Pipes;

impl Line for Pipes {
    type Error = io::Error;

    fn receive(&mut self) -> io::Result<u8> {
        let mut byte = [0];
        io::stdin().lock().read_exact(&mut byte)?;
        Ok(byte[0])
    }

    fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut out = io::stdout().lock();
        out.write_all(bytes)?;
        out.flush()
    }
}
