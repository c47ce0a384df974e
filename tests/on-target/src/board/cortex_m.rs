//! Cortex-M with a single-precision floating-point unit: vectors, start-up, counter.

use core::arch::{asm, global_asm};

/// Name for the lines that are printed.
pub const NAME: &str = "Cortex-M4F";

// The vector table: initial stack pointer, reset, then one handler for everything that must not happen.
// Start-up: floating-point unit on (full access to coprocessors 10 and 11) before the first float,
// rounding to nearest without flush-to-zero or default not-a-number, then variables.
global_asm!(
    ".section .vector_table, \"a\", %progbits",
    ".word _stack_top",
    ".word reset",
    ".rept 14",
    ".word board_fault",
    ".endr",
    ".section .text.reset, \"ax\", %progbits",
    ".global reset",
    ".type reset, %function",
    ".thumb_func",
    "reset:",
    "ldr r0, =0xE000ED88",
    "ldr r1, [r0]",
    "orr r1, r1, #0x00F00000",
    "str r1, [r0]",
    "dsb",
    "isb",
    "movs r0, #0",
    "vmsr fpscr, r0",
    "ldr r0, =_data_start",
    "ldr r1, =_data_end",
    "ldr r2, =_data_load",
    "2: cmp r0, r1",
    "bhs 3f",
    "ldr r3, [r2], #4",
    "str r3, [r0], #4",
    "b 2b",
    "3: ldr r0, =_bss_start",
    "ldr r1, =_bss_end",
    "movs r2, #0",
    "4: cmp r0, r1",
    "bhs 5f",
    "str r2, [r0], #4",
    "b 4b",
    "5: bl board_main",
    "udf #0",
);

// Timer 0 of the board, 32 bits, fed by the processor's clock. The system timer's 24 bits would wrap
// within ten million instructions.
const CONTROL: *mut u32 = 0x4000_0000 as *mut u32;
const CURRENT: *mut u32 = 0x4000_0004 as *mut u32;
const RELOAD: *mut u32 = 0x4000_0008 as *mut u32;

/// Starts the counter, without interrupt.
pub fn start_counter() {
    // SAFETY: registers of a timer that nothing else uses.
    unsafe {
        RELOAD.write_volatile(u32::MAX);
        CURRENT.write_volatile(u32::MAX);
        CONTROL.write_volatile(1);
    }
}

/// The counter.
#[inline(always)]
pub fn counter() -> u32 {
    // SAFETY: a register whose reading has no effect that matters here.
    unsafe { CURRENT.read_volatile() }
}

/// Counts between two readings less than 2^32 apart; the timer counts down.
pub fn counts_between(begin: u32, end: u32) -> u32 {
    begin.wrapping_sub(end)
}

/// Runs twice `rounds` instructions, and a few more.
#[inline(never)]
pub fn known_work(rounds: u32) {
    // SAFETY: counts a register down to zero.
    unsafe { asm!("2: subs {0}, #1", "bne 2b", inout(reg) rounds => _, options(nomem, nostack)) }
}

/// The stack pointer.
#[inline(always)]
pub fn stack_pointer() -> usize {
    let pointer;
    // SAFETY: reads a register.
    unsafe { asm!("mov {0}, sp", out(reg) pointer, options(nomem, nostack, preserves_flags)) }
    pointer
}

/// One semihosting call.
///
/// # Safety
/// `argument` must be what the operation expects.
pub unsafe fn semihosting_call(operation: u32, argument: u32) -> u32 {
    let result;
    // SAFETY: promised by the caller; the host may read and write memory.
    unsafe { asm!("bkpt #0xAB", inout("r0") operation => result, in("r1") argument, options(nostack)) }
    result
}
