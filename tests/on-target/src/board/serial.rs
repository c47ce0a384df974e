//! A board without semihosting: lines go out through the serial port, the recording lies in memory, where
//! the emulator has put it, and the exit code is the last line.

use stackhold_on_target::line::Line;

use super::processor;

/// The recording's first word in memory; `verify` gives the same to the emulator.
const RECORDING: *const u32 = 0x4100_0000 as *const u32;

// The board's first serial port.
const DATA: *mut u32 = 0x8000_0100 as *mut u32;
const CONTROL: *mut u32 = 0x8000_0108 as *mut u32;
const TRANSMITTER: u32 = 2;

/// How far the recording has been read, words.
pub struct File(usize);

/// The recording, whatever its name; its own words say where it ends.
pub fn open(_: &[u8]) -> Option<File> {
    Some(File(0))
}

/// Fills `buffer`; returns the number of words read.
pub fn read(file: &mut File, buffer: &mut [u32]) -> usize {
    for word in buffer.iter_mut() {
        // SAFETY: the board has memory there for tens of megabytes, which nothing else uses.
        *word = unsafe { RECORDING.add(file.0).read() };
        file.0 += 1;
    }
    buffer.len()
}

/// Prints a line.
pub fn print(line: &Line) {
    for &byte in line.as_bytes().iter().chain(b"\n") {
        // SAFETY: registers of a serial port that nothing else uses.
        unsafe {
            CONTROL.write_volatile(TRANSMITTER);
            DATA.write_volatile(u32::from(byte));
        }
    }
}

/// Ends the emulation; the emulator has no exit code of ours to give, so the last line says it.
pub fn exit(code: u32) -> ! {
    print(&Line::default().text("exit ").number(u64::from(code)));
    processor::halt()
}
