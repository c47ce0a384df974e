//! SPARC V8, big-endian, with a floating-point unit and eight register windows: traps, start-up, counter.
//!
//! The trap table, the spilling and filling of windows and the registers are those of *The SPARC
//! Architecture Manual, Version 8* (chapter 7 on traps, section 4.2 on state registers).

use core::arch::{asm, global_asm};
use core::ptr;

/// Name for the lines that are printed.
pub const NAME: &str = "SPARC V8, big-endian";

// The trap table, four instructions a trap: start, window overflow (5) and underflow (6); any other trap
// must not happen and ends the run.
global_asm!(
    ".section .vector_table, \"ax\", @progbits",
    ".global reset",
    ".type reset, @function",
    "reset:",
    "ba start",
    "nop",
    "nop",
    "nop",
    ".rept 4",
    "ba unexpected_trap",
    "nop",
    "nop",
    "nop",
    ".endr",
    "ba window_overflow",
    "rd %wim, %l3",
    "nop",
    "nop",
    "ba window_underflow",
    "rd %wim, %l3",
    "nop",
    "nop",
    ".rept 249",
    "ba unexpected_trap",
    "nop",
    "nop",
    "nop",
    ".endr",
);

// Start-up: supervisor, interrupts off, floating-point unit on, window 0 current and window 1 the one that
// is not to be entered; rounding to nearest, no floating-point trap, standard mode (subnormals as IEEE 754
// has them); then variables, then traps on. A frame starts with 64 bytes for its window.
global_asm!(
    ".section .text.reset, \"ax\", @progbits",
    "start:",
    "set 0x1f80, %g1",
    "wr %g1, 0, %psr",
    "nop",
    "nop",
    "nop",
    "wr %g0, 2, %wim",
    "set reset, %g1",
    "wr %g1, 0, %tbr",
    "nop",
    "nop",
    "nop",
    "set _stack_top, %sp",
    "sub %sp, 96, %sp",
    "clr %fp",
    "set _data_start, %g1",
    "set _data_end, %g2",
    "set _data_load, %g3",
    "2: cmp %g1, %g2",
    "bgeu 3f",
    "nop",
    "ld [%g3], %g4",
    "st %g4, [%g1]",
    "add %g3, 4, %g3",
    "ba 2b",
    "add %g1, 4, %g1",
    "3: set _bss_start, %g1",
    "set _bss_end, %g2",
    "4: cmp %g1, %g2",
    "bgeu 5f",
    "nop",
    "st %g0, [%g1]",
    "ba 4b",
    "add %g1, 4, %g1",
    "5: st %g0, [%sp + 64]",
    "ld [%sp + 64], %fsr",
    "set 0x1fa0, %g1",
    "wr %g1, 0, %psr",
    "nop",
    "nop",
    "nop",
    "call board_main",
    "nop",
    "ta 0",
    "nop",
    "unexpected_trap:",
    "set 0x1f80, %g1",
    "wr %g1, 0, %psr",
    "nop",
    "nop",
    "nop",
    "wr %g0, 2, %wim",
    "set _stack_top, %sp",
    "sub %sp, 96, %sp",
    "set 0x1fa0, %g1",
    "wr %g1, 0, %psr",
    "nop",
    "nop",
    "nop",
    "call board_fault",
    "nop",
);

// Overflow: a call needs a window that is not free. The trap runs in that window; the next one, which
// holds the oldest frame, goes to that frame's stack and becomes the one that is not to be entered.
// Underflow: a return needs the window of a frame that was spilled. The trap runs one window below the
// returning one; two windows up is the one to fill, and the one above that is not to be entered any more.
global_asm!(
    ".section .text.reset, \"ax\", @progbits",
    "window_overflow:",
    "mov %g1, %l7",
    "sethi %hi({spilled}), %l5",
    "ld [%l5 + %lo({spilled})], %l6",
    "add %l6, 1, %l6",
    "st %l6, [%l5 + %lo({spilled})]",
    "srl %l3, 1, %g1",
    "sll %l3, 7, %l4",
    "or %l4, %g1, %g1",
    "save",
    "wr %g1, 0, %wim",
    "nop",
    "nop",
    "nop",
    "std %l0, [%sp]",
    "std %l2, [%sp + 8]",
    "std %l4, [%sp + 16]",
    "std %l6, [%sp + 24]",
    "std %i0, [%sp + 32]",
    "std %i2, [%sp + 40]",
    "std %i4, [%sp + 48]",
    "std %i6, [%sp + 56]",
    "restore",
    "mov %l7, %g1",
    "jmp %l1",
    "rett %l2",
    "window_underflow:",
    "sll %l3, 1, %l4",
    "srl %l3, 7, %l5",
    "or %l5, %l4, %l5",
    "wr %l5, 0, %wim",
    "nop",
    "nop",
    "nop",
    "restore",
    "restore",
    "ldd [%sp], %l0",
    "ldd [%sp + 8], %l2",
    "ldd [%sp + 16], %l4",
    "ldd [%sp + 24], %l6",
    "ldd [%sp + 32], %i0",
    "ldd [%sp + 40], %i2",
    "ldd [%sp + 48], %i4",
    "ldd [%sp + 56], %i6",
    "save",
    "save",
    "jmp %l1",
    "rett %l2",
    spilled = sym SPILLED,
);

/// Windows that were spilled since the start.
static mut SPILLED: u32 = 0;

/// Windows spilled since the start.
fn spilled() -> u32 {
    // SAFETY: a word that only the trap writes.
    unsafe { ptr::addr_of!(SPILLED).read_volatile() }
}

/// Calls of the check of register windows below one another; there are eight windows.
const CALLS: u32 = 200;
/// Numbers that each of them holds in registers: eight locals and four of the caller's arguments.
const HELD: usize = 12;

/// Whether calls deeper than there are register windows keep what their callers hold in registers:
/// windows must have been spilled, and every frame must have found its numbers again.
pub fn keeps_its_registers() -> bool {
    let before = spilled();
    descend(CALLS) && spilled() - before > CALLS - 16
}

/// One call of the check: holds numbers of its own over the next one. Whether they and those of all calls
/// below were kept.
#[inline(never)]
fn descend(depth: u32) -> bool {
    if depth == 0 {
        return true;
    }
    let of_this_call = |place: usize| depth.wrapping_mul(0x0101_0101).wrapping_add(place as u32);
    let mut held: [u32; HELD] = core::array::from_fn(of_this_call);
    in_registers(&mut held);
    let below = descend(depth - 1);
    in_registers(&mut held);
    below && held.iter().enumerate().all(|(place, &number)| number == of_this_call(place))
}

/// Does nothing, but the compiler must take it that all numbers are made here, each in a register: it
/// cannot work them out again later.
#[inline(always)]
fn in_registers(held: &mut [u32; HELD]) {
    let [a, b, c, d, e, f, g, h, i, j, k, l] = held;
    // SAFETY: a comment is no instruction.
    unsafe {
        asm!(
            "! {0} {1} {2} {3} {4} {5} {6} {7} {8} {9} {10} {11}",
            inout(reg) * a,
            inout(reg) * b,
            inout(reg) * c,
            inout(reg) * d,
            inout(reg) * e,
            inout(reg) * f,
            inout(reg) * g,
            inout(reg) * h,
            inout(reg) * i,
            inout(reg) * j,
            inout(reg) * k,
            inout(reg) * l,
            options(nomem, nostack, preserves_flags),
        );
    }
}

// First timer of the board, with its prescaler off: fed by the processor's clock.
const PRESCALER: *mut u32 = 0x8000_0300 as *mut u32;
const PRESCALER_RELOAD: *mut u32 = 0x8000_0304 as *mut u32;
const CURRENT: *mut u32 = 0x8000_0310 as *mut u32;
const RELOAD: *mut u32 = 0x8000_0314 as *mut u32;
const CONTROL: *mut u32 = 0x8000_0318 as *mut u32;
/// Enabled, starting over at the end, loaded now; no interrupt.
const RUNNING: u32 = 0b111;

/// Starts the counter, without interrupt.
pub fn start_counter() {
    // SAFETY: registers of a timer that nothing else uses.
    unsafe {
        PRESCALER_RELOAD.write_volatile(0);
        PRESCALER.write_volatile(0);
        RELOAD.write_volatile(u32::MAX);
        CONTROL.write_volatile(RUNNING);
    }
}

/// The counter.
#[inline(always)]
pub fn counter() -> u32 {
    // SAFETY: a register whose reading has no effect.
    unsafe { CURRENT.read_volatile() }
}

/// Counts between two readings less than 2^32 apart; the timer counts down.
pub fn counts_between(begin: u32, end: u32) -> u32 {
    begin.wrapping_sub(end)
}

/// Runs twice `rounds` instructions, and a few more.
#[inline(never)]
pub fn known_work(rounds: u32) {
    // SAFETY: counts a register down to zero; the work of the loop is done in the delay slot.
    unsafe {
        asm!("subcc {0}, 1, {0}", "2: bne 2b", "subcc {0}, 1, {0}", inout(reg) rounds => _, options(nomem, nostack))
    }
}

/// The stack pointer.
#[inline(always)]
pub fn stack_pointer() -> usize {
    let pointer;
    // SAFETY: reads a register.
    unsafe { asm!("mov %sp, {0}", out(reg) pointer, options(nomem, nostack, preserves_flags)) }
    pointer
}

/// Ends the emulation: a trap while traps are off halts the processor, and trap 0 does so in order.
pub fn halt() -> ! {
    // SAFETY: nothing runs after it.
    unsafe {
        asm!("set 0x1f80, %g1", "wr %g1, 0, %psr", "nop", "nop", "nop", "ta 0", "nop", options(noreturn))
    }
}
