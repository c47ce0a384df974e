//! Instructions and stack of every cycle, code and memory of the image.
//!
//! Lines that start with `measured` are for people; the host compares the others.

use core::ptr;

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput, Witness};
use stackhold_kernel::selection::{Problem, Selection};
use stackhold_on_target::JETS;
use stackhold_on_target::line::Line;
use stackhold_on_target::recording::Name;
use stackhold_on_target::replay::{Bench, named};

use super::processor;
use super::semihosting::print;
use super::stack::Painted;

/// Rounds of the work whose instructions are known.
const KNOWN_ROUNDS: u32 = 10_000;

/// One kind of cycle: how many, what they took.
#[derive(Clone, Copy, Default)]
struct Tally {
    cycles: u32,
    instructions: u64,
    worst: u32,
    worst_cycle: u32,
    stack: u32,
}

impl Tally {
    fn take(&mut self, instructions: u32, stack: u32, cycle: u32) {
        self.cycles += 1;
        self.instructions += u64::from(instructions);
        if instructions > self.worst {
            (self.worst, self.worst_cycle) = (instructions, cycle);
        }
        self.stack = self.stack.max(stack);
    }

    fn print(&self, name: &Name, kind: &str) {
        let mean = self.instructions / u64::from(self.cycles.max(1));
        let line = Line::default()
            .text("measured ")
            .text(core::str::from_utf8(named(name).as_bytes()).unwrap_or("?"));
        print(
            &line
                .text(kind)
                .number(u64::from(self.cycles))
                .text(" mean ")
                .number(mean)
                .text(" worst ")
                .number(u64::from(self.worst))
                .text(" in cycle ")
                .number(u64::from(self.worst_cycle))
                .text(" stack ")
                .number(u64::from(self.stack)),
        );
    }
}

/// A bench that measures every cycle.
pub struct Measuring {
    /// Counts that the known work takes.
    known_counts: u32,
    /// Counts of a measurement of nothing.
    idle_counts: u32,
    cycle: u32,
    /// Cycles that posed no selection, and those that did.
    tallies: [Tally; 2],
}

impl Measuring {
    /// A bench with its counter compared with work of known length.
    pub fn new() -> Self {
        processor::start_counter();
        let idle_counts = counts(|| {});
        let known_counts = counts(|| processor::known_work(KNOWN_ROUNDS)).saturating_sub(idle_counts);
        print(&Line::default().text("measured on ").text(processor::NAME));
        Self { known_counts: known_counts.max(1), idle_counts, cycle: 0, tallies: Default::default() }
    }

    fn instructions(&self, counts: u32) -> u32 {
        let net = u64::from(counts.saturating_sub(self.idle_counts));
        // The known work is two instructions a round.
        let scaled = net * u64::from(2 * KNOWN_ROUNDS) + u64::from(self.known_counts / 2);
        u32::try_from(scaled / u64::from(self.known_counts)).unwrap_or(u32::MAX)
    }

    /// Prints what the image and the kernel's state occupy.
    pub fn sizes(&self) {
        let say = |what: &str, bytes: usize| {
            print(&Line::default().text("measured bytes ").text(what).text(" ").number(bytes as u64));
        };
        say("code", symbol(ptr::addr_of!(_code_end)) - symbol(ptr::addr_of!(_flash_start)));
        say("code_of_kernel", symbol(ptr::addr_of!(_kernel_end)) - symbol(ptr::addr_of!(_kernel_start)));
        say("constants", symbol(ptr::addr_of!(_constants_end)) - symbol(ptr::addr_of!(_code_end)));
        say("controller", size_of::<Controller<JETS>>());
        say("output", size_of::<CycleOutput<JETS>>());
    }
}

impl Bench for Measuring {
    fn step<const N: usize>(&mut self, controller: &mut Controller<N>, input: &CycleInput) -> CycleOutput<N> {
        let mut stack = Painted::below(processor::stack_pointer());
        stack.paint();
        let begin = processor::counter();
        let (output, selections) = kernel_step(controller, input);
        let end = processor::counter();
        let depth = stack.depth();
        let instructions = self.instructions(processor::counts_between(begin, end));
        if let Some(tally) = self.tallies.get_mut(usize::from(selections > 0)) {
            tally.take(instructions, depth, self.cycle);
        }
        self.cycle += 1;
        output
    }

    fn say(&mut self, line: &Line) {
        print(line);
    }

    fn flight_ended(&mut self, name: &Name) {
        let [quiet, selecting] = &self.tallies;
        quiet.print(name, " quiet cycles ");
        selecting.print(name, " selecting cycles ");
        self.tallies = Default::default();
        self.cycle = 0;
    }
}

/// The one call into the kernel that is measured; also says how many jet selections it made.
#[inline(never)]
fn kernel_step<const N: usize>(controller: &mut Controller<N>, input: &CycleInput) -> (CycleOutput<N>, u32) {
    let mut selections = Counted(0);
    let output = controller.step_witnessed(input, &mut selections);
    (output, selections.0)
}

/// Counts selections.
struct Counted(u32);

impl Witness for Counted {
    fn saw<const M: usize, const N: usize>(&mut self, _: &Problem<M>, _: &Selection<M, N>) {
        self.0 += 1;
    }
}

/// Counts that a piece of work takes.
fn counts(work: impl FnOnce()) -> u32 {
    let begin = processor::counter();
    work();
    processor::counts_between(begin, processor::counter())
}

unsafe extern "C" {
    static _flash_start: u32;
    static _kernel_start: u32;
    static _kernel_end: u32;
    static _code_end: u32;
    static _constants_end: u32;
}

/// Address that the linker gave a symbol.
fn symbol(place: *const u32) -> usize {
    place as usize
}
