//! What every image needs on a board: start-up, the recording from the host, a counter of instructions,
//! an end.

pub mod measure;
pub mod semihosting;
mod stack;

#[cfg(target_arch = "arm")]
#[path = "board/cortex_m.rs"]
mod processor;
#[cfg(target_arch = "riscv32")]
#[path = "board/riscv.rs"]
mod processor;

use core::panic::PanicInfo;

use stackhold_on_target::line::Line;
use stackhold_on_target::recording::{Malformed, Words};
use stackhold_on_target::replay::Failure;

/// Called by the start-up code with memory and floating point ready.
#[unsafe(no_mangle)]
extern "C" fn board_main() -> ! {
    let Some(file) = semihosting::open(crate::RECORDING) else {
        fail("cannot open the recording in the emulator's working folder");
    };
    let mut words = Streamed { file, buffer: [0; 1024], filled: 0, next: 0 };
    match crate::on_board(&mut words) {
        Ok(_) => semihosting::exit(0),
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
    file: semihosting::File,
    buffer: [u32; 1024],
    filled: usize,
    next: usize,
}

impl Words for Streamed {
    fn word(&mut self) -> Option<u32> {
        if self.next == self.filled {
            self.filled = semihosting::read(&self.file, &mut self.buffer);
            self.next = 0;
        }
        let word = self.buffer.get(..self.filled)?.get(self.next)?;
        self.next += 1;
        Some(u32::from_le(*word))
    }
}

/// Ends the run with a reason.
fn fail(reason: &str) -> ! {
    semihosting::print(&Line::default().text("failed: ").text(reason));
    semihosting::exit(1)
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
