//! What images need on a board: start-up, the recording from the host, a counter of instructions, a serial line to the
//! host, an end. An image is a program with a function `on_board`, which may give a reason why it failed.

#[allow(dead_code, reason = "not every program measures")]
pub mod measure;
#[allow(dead_code, reason = "not every program replays a recording")]
pub mod recorded;
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

/// Called by the start-up code with memory and floating point ready.
#[unsafe(no_mangle)]
extern "C" fn board_main() -> ! {
    #[cfg(target_arch = "sparc")]
    if !processor::keeps_its_registers() {
        fail("register windows were lost in deep calls");
    }
    match crate::on_board() {
        Ok(()) => outside::exit(0),
        Err(reason) => fail(reason),
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
