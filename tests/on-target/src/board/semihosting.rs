//! Semihosting: files, console and exit of the host, as published by Arm ("Semihosting for AArch32 and
//! AArch64") and taken over for RISC-V.

use stackhold_on_target::line::Line;

use super::processor::semihosting_call;

const SYS_OPEN: u32 = 0x01;
const SYS_WRITE: u32 = 0x05;
const SYS_READ: u32 = 0x06;
const SYS_EXIT_EXTENDED: u32 = 0x20;
const APPLICATION_EXIT: u32 = 0x2_0026;
const READ_BINARY: u32 = 1;
const WRITE_TEXT: u32 = 4;

/// An open file of the host.
pub struct File(u32);

/// Opens a file for reading; the name ends in a zero byte. `None` when the host has no such file.
pub fn open(name: &[u8]) -> Option<File> {
    open_as(name, READ_BINARY)
}

fn open_as(name: &[u8], mode: u32) -> Option<File> {
    let length = name.len() - 1;
    let arguments = [name.as_ptr() as u32, mode, length as u32];
    // SAFETY: the arguments name readable bytes that outlive the call.
    let handle = unsafe { semihosting_call(SYS_OPEN, arguments.as_ptr() as u32) };
    (handle != u32::MAX).then_some(File(handle))
}

/// Fills `buffer` as far as the file goes; returns the number of whole words read.
pub fn read(file: &mut File, buffer: &mut [u32]) -> usize {
    let length = (buffer.len() * 4) as u32;
    let arguments = [file.0, buffer.as_mut_ptr() as u32, length];
    // SAFETY: the host writes at most `length` bytes into the buffer, which is ours alone.
    let left = unsafe { semihosting_call(SYS_READ, arguments.as_ptr() as u32) };
    (length.saturating_sub(left) / 4) as usize
}

/// Prints a line on the host's console.
pub fn print(line: &Line) {
    write(line.as_bytes());
    write(b"\n");
}

fn write(bytes: &[u8]) {
    // `:tt` is the console; opened once for all.
    static CONSOLE: core::sync::atomic::AtomicU32 = core::sync::atomic::AtomicU32::new(u32::MAX);
    let order = core::sync::atomic::Ordering::Relaxed;
    if CONSOLE.load(order) == u32::MAX {
        CONSOLE.store(open_as(b":tt\0", WRITE_TEXT).map_or(u32::MAX, |file| file.0), order);
    }
    let arguments = [CONSOLE.load(order), bytes.as_ptr() as u32, bytes.len() as u32];
    // SAFETY: the arguments name readable bytes that outlive the call.
    unsafe { semihosting_call(SYS_WRITE, arguments.as_ptr() as u32) };
}

/// Ends the emulation with an exit code.
pub fn exit(code: u32) -> ! {
    let arguments = [APPLICATION_EXIT, code];
    loop {
        // SAFETY: the call does not return; the loop is for a host that ignores it.
        unsafe { semihosting_call(SYS_EXIT_EXTENDED, arguments.as_ptr() as u32) };
    }
}
