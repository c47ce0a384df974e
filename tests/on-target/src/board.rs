//! What every image needs on a board: start-up, the recording from the host, a counter of instructions,
//! an end.

pub mod measure;
#[cfg(not(target_arch = "sparc"))]
pub mod semihosting;
#[cfg(target_arch = "sparc")]
mod serial;
mod stack;

/// What lies outside the board: the recording, the lines' reader, the end.
pub mod outside {
    #[cfg(not(target_arch = "sparc"))]
    pub use super::semihosting::{File, exit, open, print, read};
    #[cfg(target_arch = "sparc")]
    pub use super::serial::{File, exit, open, print, read};
}

#[cfg(target_arch = "arm")]
#[path = "board/cortex_m.rs"]
mod processor;
#[cfg(target_arch = "riscv32")]
#[path = "board/riscv.rs"]
mod processor;
#[cfg(target_arch = "sparc")]
#[path = "board/sparc.rs"]
mod processor;

use core::panic::PanicInfo;

use stackhold_on_target::line::Line;
use stackhold_on_target::recording::{Malformed, Words};
use stackhold_on_target::replay::Failure;

/// Called by the start-up code with memory and floating point ready.
#[unsafe(no_mangle)]
extern "C" fn board_main() -> ! {
    #[cfg(target_arch = "sparc")]
    if !processor::keeps_its_registers() {
        fail("register windows were lost in deep calls");
    }
    let Some(file) = outside::open(crate::RECORDING) else {
        fail("cannot open the recording in the emulator's working folder");
    };
    let mut words = Streamed { file, buffer: [0; 1024], filled: 0, next: 0 };
    match crate::on_board(&mut words) {
        Ok(_) => outside::exit(0),
        Err(failure) => fail(match failure {
            Failure::Malformed(Malformed::CutOff) => "the recording is cut off",
            Failure::Malformed(Malformed::UnknownItem) => "the recording holds an unknown item",
            Failure::Malformed(Malformed::TooManyJets) => "the recording has more jets than the image",
            Failure::NoTable => "the kernel refused a table, or a cycle came before any",
            Failure::NotFinite(_) => "the kernel put out a number that is not finite",
            Failure::Empty => "the recording holds nothing to replay",
        }),
    }
}

/// The recording, read from the host piece by piece.
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

/// Ends the run with a reason.
fn fail(reason: &str) -> ! {
    outside::print(&Line::default().text("failed: ").text(reason));
    outside::exit(1)
}

/// A panic ends the run; without formatting, which would be most of the image.
#[panic_handler]
fn panicked(_: &PanicInfo<'_>) -> ! {
    fail("panic")
}

/// Called on any processor fault or interrupt: none is expected.
#[unsafe(no_mangle)]
extern "C" fn board_fault() -> ! {
    fail("processor fault")
}
