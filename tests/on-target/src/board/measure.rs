//! Instructions and depth of the stack of a piece of work.
//!
//! Lines that start with `measured` are for people and limits; the host compares the others.

use stackhold_on_target::line::Line;

use super::outside::print;
use super::processor;
use super::stack::Painted;

/// Rounds of the work whose instructions are known.
const KNOWN_ROUNDS: u32 = 10_000;

/// What a piece of work took.
#[derive(Clone, Copy)]
pub struct Taken {
    /// Instructions, less those of a measurement of nothing.
    pub instructions: u32,
    /// Depth of the stack below the frame that measures, bytes.
    pub stack: u32,
}

/// A counter compared with work of known length.
pub struct Counter {
    /// Counts that the known work takes.
    known_counts: u32,
    /// Counts of a measurement of nothing.
    idle_counts: u32,
}

impl Counter {
    /// Starts the counter and says where it counts.
    pub fn new() -> Self {
        processor::start_counter();
        let idle_counts = counts(|| {});
        // The difference leaves out the call.
        let [once, twice] = [1, 2].map(|times| counts(|| processor::known_work(times * KNOWN_ROUNDS)));
        let known_counts = twice.saturating_sub(once);
        print(&Line::default().text("measured on ").text(processor::NAME));
        Self { known_counts: known_counts.max(1), idle_counts }
    }

    /// Does a piece of work that is one call, and measures it, with the handing over of its arguments.
    #[inline(always)]
    pub fn measure<T>(&self, work: impl FnOnce() -> T) -> (T, Taken) {
        let mut stack = Painted::below(processor::stack_pointer());
        stack.paint();
        let begin = processor::counter();
        let result = work();
        let end = processor::counter();
        let stack = stack.depth();
        (result, Taken { instructions: self.instructions(processor::counts_between(begin, end)), stack })
    }

    fn instructions(&self, counts: u32) -> u32 {
        let net = u64::from(counts.saturating_sub(self.idle_counts));
        // The known work is two instructions a round.
        let scaled = net * u64::from(2 * KNOWN_ROUNDS) + u64::from(self.known_counts / 2);
        u32::try_from(scaled / u64::from(self.known_counts)).unwrap_or(u32::MAX)
    }
}

/// Counts that a piece of work takes.
fn counts(work: impl FnOnce()) -> u32 {
    let begin = processor::counter();
    work();
    processor::counts_between(begin, processor::counter())
}

/// Pieces of work of one kind: how many, what they took.
#[derive(Clone, Copy, Default)]
pub struct Tally {
    count: u32,
    instructions: u64,
    worst: u32,
    worst_number: u32,
    stack: u32,
}

impl Tally {
    /// Takes in one piece; its number is printed where it is the worst.
    pub fn take(&mut self, taken: Taken, number: u32) {
        self.count += 1;
        self.instructions += u64::from(taken.instructions);
        if taken.instructions > self.worst {
            (self.worst, self.worst_number) = (taken.instructions, number);
        }
        self.stack = self.stack.max(taken.stack);
    }

    /// Prints all under the name of a flight or series, the kind and what was counted.
    pub fn print(&self, name: &str, kind: &str, what: &str) {
        let mean = self.instructions / u64::from(self.count.max(1));
        print(
            &Line::default()
                .text("measured ")
                .text(name)
                .text(" ")
                .text(kind)
                .text(" ")
                .text(what)
                .text(" ")
                .number(u64::from(self.count))
                .text(" mean ")
                .number(mean)
                .text(" worst ")
                .number(u64::from(self.worst))
                .text(" in number ")
                .number(u64::from(self.worst_number))
                .text(" stack ")
                .number(u64::from(self.stack)),
        );
    }
}
