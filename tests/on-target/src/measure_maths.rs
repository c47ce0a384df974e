//! Instructions of the ways to each function.

use core::hint::black_box;

use stackhold_on_target::maths::{FUNCTIONS, Of};

use super::board::measure::{Counter, Taken, Tally};

/// Arguments that each is called with.
const ARGUMENTS: u32 = 500;

/// Counts and prints all.
pub fn print_all(counter: &Counter) {
    // The call through a pointer is none of the function's.
    let idle = called(counter, |x| (x, 0.0), 1.0).instructions;
    for function in &FUNCTIONS {
        for (way, of) in function.ways {
            let mut tally = Tally::default();
            for (number, x) in (0..).zip(function.arguments(ARGUMENTS)) {
                let taken = called(counter, *of, x);
                tally.take(Taken { instructions: taken.instructions.saturating_sub(idle), ..taken }, number);
            }
            tally.print(function.name, way, "calls");
        }
    }
}

/// What one call takes.
#[inline(never)]
fn called(counter: &Counter, of: Of, x: f32) -> Taken {
    let (of, x) = black_box((of, x));
    let (result, taken) = counter.measure(|| of(x));
    black_box(result);
    taken
}
