//! Instructions and stack of every cycle, code and memory of the image.

use core::ptr;

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput, Witness};
use stackhold_kernel::selection::{Problem, Selection};
use stackhold_on_target::JETS;
use stackhold_on_target::line::Line;
use stackhold_on_target::recording::Name;
use stackhold_on_target::replay::{Bench, Failure, run, text};

use super::board::measure::{Counter, Tally};
use super::board::outside::print;
use super::board::recorded::{Streamed, replayed};

/// Replays the recorded cycles, or runs made-up ones.
///
/// # Errors
/// See [`replayed`].
pub fn on_board() -> Result<(), &'static str> {
    // In the emulator's working folder.
    replayed(b"cycles.bin\0", measured)
}

fn measured(recording: &mut Streamed) -> Result<u64, Failure> {
    let mut bench = Measuring { counter: Counter::new(), cycle: 0, tallies: Default::default() };
    let cycles = run::<JETS>(recording, &mut bench)?;
    print_sizes();
    Ok(cycles)
}

/// A bench that measures every cycle.
struct Measuring {
    counter: Counter,
    cycle: u32,
    /// Cycles that posed no selection, and those that did.
    tallies: [Tally; 2],
}

impl Bench for Measuring {
    fn step<const N: usize>(&mut self, controller: &mut Controller<N>, input: &CycleInput) -> CycleOutput<N> {
        let ((output, selections), taken) = self.counter.measure(|| kernel_step(controller, input));
        if let Some(tally) = self.tallies.get_mut(usize::from(selections > 0)) {
            tally.take(taken, self.cycle);
        }
        self.cycle += 1;
        output
    }

    fn say(&mut self, line: &Line) {
        print(line);
    }

    fn flight_ended(&mut self, name: &Name) {
        let [quiet, selecting] = &self.tallies;
        quiet.print(text(name), "quiet", "cycles");
        selecting.print(text(name), "selecting", "cycles");
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

/// Prints what the image and the kernel's state occupy.
fn print_sizes() {
    let say = |what: &str, bytes: usize| {
        print(&Line::default().text("measured bytes ").text(what).text(" ").number(bytes as u64));
    };
    say("code", symbol(ptr::addr_of!(_code_end)) - symbol(ptr::addr_of!(_flash_start)));
    say("code_of_kernel", symbol(ptr::addr_of!(_kernel_end)) - symbol(ptr::addr_of!(_kernel_start)));
    say("constants", symbol(ptr::addr_of!(_constants_end)) - symbol(ptr::addr_of!(_code_end)));
    say("controller", size_of::<Controller<JETS>>());
    say("output", size_of::<CycleOutput<JETS>>());
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
