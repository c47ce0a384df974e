//! RISC-V, 32 bits, without a floating-point unit: start-up, counter.

use core::arch::{asm, global_asm};

/// Name for the lines that are printed.
pub const NAME: &str = "RISC-V without floating point";

// Any trap must not happen and ends the run.
global_asm!(
    ".section .text.reset, \"ax\", %progbits",
    ".global reset",
    "reset:",
    "la sp, _stack_top",
    "la t0, 6f",
    "csrw mtvec, t0",
    "la t0, _data_start",
    "la t1, _data_end",
    "la t2, _data_load",
    "2: bgeu t0, t1, 3f",
    "lw t3, 0(t2)",
    "sw t3, 0(t0)",
    "addi t2, t2, 4",
    "addi t0, t0, 4",
    "j 2b",
    "3: la t0, _bss_start",
    "la t1, _bss_end",
    "4: bgeu t0, t1, 5f",
    "sw zero, 0(t0)",
    "addi t0, t0, 4",
    "j 4b",
    "5: call board_main",
    ".balign 4",
    "6: la sp, _stack_top",
    "call board_fault",
);

/// The counter of instructions runs from the start.
pub fn start_counter() {}

/// The counter: instructions retired.
#[inline(always)]
pub fn counter() -> u32 {
    let counter;
    // SAFETY: reads a register.
    unsafe { asm!("csrr {0}, minstret", out(reg) counter, options(nomem, nostack)) }
    counter
}

/// Counts between two readings.
pub fn counts_between(begin: u32, end: u32) -> u32 {
    end.wrapping_sub(begin)
}

/// Runs twice `rounds` instructions, and a few more.
#[inline(never)]
pub fn known_work(rounds: u32) {
    // SAFETY: counts a register down to zero.
    unsafe { asm!("2: addi {0}, {0}, -1", "bnez {0}, 2b", inout(reg) rounds => _, options(nomem, nostack)) }
}

/// The stack pointer.
#[inline(always)]
pub fn stack_pointer() -> usize {
    let pointer;
    // SAFETY: reads a register.
    unsafe { asm!("mv {0}, sp", out(reg) pointer, options(nomem, nostack, preserves_flags)) }
    pointer
}

/// One semihosting call: the three uncompressed instructions that the host looks for, in one page.
///
/// # Safety
/// `argument` must be what the operation expects.
pub unsafe fn semihosting_call(operation: u32, argument: u32) -> u32 {
    let result;
    // SAFETY: promised by the caller; the host may read and write memory.
    unsafe {
        asm!(
            ".balign 16",
            ".option push",
            ".option norvc",
            "slli zero, zero, 0x1f",
            "ebreak",
            "srai zero, zero, 7",
            ".option pop",
            inout("a0") operation => result,
            in("a1") argument,
            options(nostack),
        );
    }
    result
}
