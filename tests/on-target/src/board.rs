//! The replay on a board: reads the recording from the host, prints digests and what it measured.

mod semihosting;
mod stack;

#[cfg(target_arch = "arm")]
#[path = "board/cortex_m.rs"]
mod processor;
#[cfg(target_arch = "riscv32")]
#[path = "board/riscv.rs"]
mod processor;

mod measure;

use core::panic::PanicInfo;

use stackhold_on_target::JETS;
use stackhold_on_target::line::Line;
use stackhold_on_target::recording::{Malformed, Words};
use stackhold_on_target::replay::{Failure, replay};

/// File the host's emulator finds in its working folder.
const RECORDING: &[u8] = b"cycles.bin\0";

/// Called by the start-up code with memory and floating point ready.
#[unsafe(no_mangle)]
extern "C" fn board_main() -> ! {
    let Some(file) = semihosting::open(RECORDING) else {
        fail("cannot open cycles.bin in the emulator's working folder");
    };
    let mut words = Streamed { file, buffer: [0; 1024], filled: 0, next: 0 };
    let mut bench = measure::Measuring::new();
    match replay::<JETS>(&mut words, &mut bench) {
        Ok(cycles) => {
            semihosting::print(&Line::default().text("end cycles ").number(cycles));
            bench.sizes();
            semihosting::exit(0)
        }
        Err(failure) => fail(match failure {
            Failure::Malformed(Malformed::CutOff) => "the recording is cut off",
            Failure::Malformed(Malformed::UnknownItem) => "the recording holds an unknown item",
            Failure::Malformed(Malformed::TooManyJets) => "the recording has more jets than the image",
            Failure::NoTable => "the kernel refused a table, or a cycle came before any",
            Failure::NotFinite(_) => "the kernel put out a number that is not finite",
            Failure::Empty => "the recording holds no cycle",
        }),
    }
}

/// The recording, read from the host piece by piece.
struct Streamed {
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
