//! Stack high-water by painting: words below the stack pointer are given a known value, and how many
//! have lost it afterwards is how deep the stack went.

use core::ptr;

unsafe extern "C" {
    /// Lowest address of the stack.
    static _stack_limit: u32;
}

const PAINT: u32 = 0x5ca1_ab1e;
/// Bytes below the painting function that it leaves alone; the kernel goes deeper by far.
const MARGIN: usize = 128;
/// Bytes below a frame that are painted and looked at; a stack that goes deeper counts as this deep.
const REACH: usize = 16 * 1024;

/// The part of the stack below a frame.
pub struct Painted {
    /// Lowest painted address.
    bottom: *mut u32,
    /// Everything from here up was dirty when last looked at.
    dirty_from: *mut u32,
    /// Stack pointer of the frame.
    top: *mut u32,
}

impl Painted {
    /// Nothing painted yet, below the frame whose stack pointer is `top`.
    pub fn below(top: usize) -> Self {
        let limit = ptr::addr_of!(_stack_limit) as usize;
        let bottom = limit.max(top.saturating_sub(REACH)) as *mut u32;
        Self { bottom, dirty_from: bottom, top: top as *mut u32 }
    }

    /// Paints what is dirty, up to a margin below this function.
    #[inline(never)]
    pub fn paint(&mut self) {
        // The compiler may save registers after this reading. Words of the margin count as used.
        let here = (super::processor::stack_pointer() - MARGIN) as *mut u32;
        let mut word = self.dirty_from;
        while word < here {
            // SAFETY: between the stack's limit and this frame: nobody's.
            unsafe {
                word.write_volatile(PAINT);
                word = word.add(1);
            }
        }
    }

    /// How deep the stack went below the frame since the painting, bytes.
    #[inline(never)]
    pub fn depth(&mut self) -> u32 {
        let mut word = self.bottom;
        // SAFETY: reads words of the stack.
        while word < self.top && unsafe { word.read_volatile() } == PAINT {
            // SAFETY: stays within the stack.
            word = unsafe { word.add(1) };
        }
        self.dirty_from = word;
        (self.top as usize - word as usize) as u32
    }
}
