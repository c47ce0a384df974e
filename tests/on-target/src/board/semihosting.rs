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
const WRITE_BINARY: u32 = 5;

/// An open file of the host.
pub struct File(u32);

/// Opens a file for reading; the name ends in a zero byte. `None` when the host has no such file.
pub fn open(name: &[u8]) -> Option<File> {
    open_as(name, READ_BINARY)
}

/// The same for writing; what the file held is lost.
#[allow(dead_code, reason = "not every program writes files")]
pub fn open_to_write(name: &[u8]) -> Option<File> {
    open_as(name, WRITE_BINARY)
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
    let length = buffer.len() * 4;
    // SAFETY: the buffer is ours alone and has so many bytes, which may be anything.
    unsafe { read_into(file, buffer.as_mut_ptr().cast(), length) / 4 }
}

/// Fills `buffer` with what has come; returns the number of bytes read.
#[allow(dead_code, reason = "not every program speaks with the host")]
pub fn read_bytes(file: &File, buffer: &mut [u8]) -> usize {
    // SAFETY: the buffer is ours alone and has so many bytes.
    unsafe { read_into(file, buffer.as_mut_ptr(), buffer.len()) }
}

/// # Safety
/// So many bytes from `start` must be writable.
unsafe fn read_into(file: &File, start: *mut u8, length: usize) -> usize {
    let arguments = [file.0, start as u32, length as u32];
    // SAFETY: the host writes at most `length` bytes.
    let left = unsafe { semihosting_call(SYS_READ, arguments.as_ptr() as u32) };
    length.saturating_sub(left as usize)
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
    write_to(&File(CONSOLE.load(order)), bytes);
}

/// Writes to a file.
pub fn write_to(file: &File, bytes: &[u8]) {
    let arguments = [file.0, bytes.as_ptr() as u32, bytes.len() as u32];
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
