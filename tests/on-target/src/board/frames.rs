//! The log in frames of `defmt`, into a file of the host: numbers instead of words, which stay beside the program.
//! `tests/read_log.rs` puts them together again.

use core::cell::UnsafeCell;

use stackhold_kernel::status::Trust;
use stackhold_on_target::example::Event;

use super::board::semihosting::{self, File};

/// Logs an event, at the level that its trust asks for.
pub fn log(cycle: u32, event: Event) {
    match event.trust() {
        Trust::Full => defmt::info!("cycle {=u32}: {}", cycle, event),
        Trust::Degraded => defmt::warn!("cycle {=u32}: {}", cycle, event),
        Trust::Withheld => defmt::error!("cycle {=u32}: {}", cycle, event),
    }
}

/// The file, open from the first frame on, and the frame that is being written.
struct Frames {
    file: Option<File>,
    encoder: defmt::Encoder,
    /// Whether a frame is being written.
    taken: bool,
}

struct Shared(UnsafeCell<Frames>);

// SAFETY: the image has one task, and no interrupt logs.
unsafe impl Sync for Shared {}

static FRAMES: Shared =
    Shared(UnsafeCell::new(Frames { file: None, encoder: defmt::Encoder::new(), taken: false }));

#[defmt::global_logger]
struct Logger;

/// Lets the frame being written do something with what it writes to.
fn with_frame(work: impl FnOnce(&mut defmt::Encoder, &mut dyn FnMut(&[u8]))) {
    // SAFETY: see `Shared`; the reference ends with this function, which calls nothing that logs.
    let frames = unsafe { &mut *FRAMES.0.get() };
    let Frames { file, encoder, .. } = frames;
    work(encoder, &mut |bytes| {
        if let Some(file) = file {
            semihosting::write_to(file, bytes);
        }
    });
}

// SAFETY: frames do not mix, for there is one task; a frame within a frame ends the run.
unsafe impl defmt::Logger for Logger {
    fn acquire() {
        // SAFETY: see `Shared`; the reference ends before the next is made.
        let frames = unsafe { &mut *FRAMES.0.get() };
        assert!(!frames.taken, "a frame within a frame");
        frames.taken = true;
        if frames.file.is_none() {
            frames.file = semihosting::open_to_write(b"example.board.log\0");
        }
        with_frame(|encoder, write| encoder.start_frame(write));
    }

    unsafe fn flush() {}

    unsafe fn release() {
        with_frame(|encoder, write| encoder.end_frame(write));
        // SAFETY: see `Shared`.
        unsafe { (*FRAMES.0.get()).taken = false };
    }

    unsafe fn write(bytes: &[u8]) {
        with_frame(|encoder, write| encoder.write(bytes, write));
    }
}
