//! Instructions and stack of every selection, memory of its state and answer, and a pricing pass to
//! compare with.

use core::hint::black_box;

use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{CYCLE_ALLOWANCE, Offer, Problem, Selection, Selector};
use stackhold_on_target::line::Line;
use stackhold_on_target::recording::Name;
use stackhold_on_target::replay::{Failure, text};
use stackhold_on_target::selecting::{Class, SelectionBench, replay};

use super::board::measure::{Counter, Taken, Tally};
use super::board::outside::print;
use super::board::recorded::{Streamed, replayed};

/// Replays the recorded problems.
///
/// # Errors
/// See [`replayed`].
pub fn on_board() -> Result<(), &'static str> {
    // In the emulator's working folder.
    replayed(b"selections.bin\0", measured)
}

fn measured(recording: &mut Streamed) -> Result<u64, Failure> {
    let mut bench = Measuring {
        counter: Counter::new(),
        number: 0,
        tallies: Default::default(),
        in_cycle: InCycle::default(),
    };
    replay(recording, &mut bench)
}

/// A bench that measures every selection.
struct Measuring {
    counter: Counter,
    number: u32,
    /// By the class of the outcome.
    tallies: [Tally; 3],
    in_cycle: InCycle,
}

/// Steps of a walk that is long enough to tell what one takes.
const LONG: u16 = 16;
/// Walks to an answer in a cycle, at most.
const WALKS: u64 = 2;

/// The same problems as a control cycle would have them answered, each from rest.
#[derive(Clone, Copy, Default)]
struct InCycle {
    tally: Tally,
    /// Most steps in the walk to an answer.
    most: u16,
    /// Of selections with at least [`LONG`] of them, the dearest by the step: instructions of each, with a share of what is
    /// done in any case.
    dearest: u32,
}

impl InCycle {
    fn take(&mut self, pivots: u16, taken: Taken, number: u32) {
        self.tally.take(taken, number);
        self.most = self.most.max(pivots);
        if pivots >= LONG {
            self.dearest = self.dearest.max(taken.instructions.div_ceil(u32::from(pivots)));
        }
    }
}

impl SelectionBench for Measuring {
    #[inline(never)]
    fn select<const M: usize, const N: usize>(
        &mut self,
        selector: &mut Selector<M, N>,
        (offer, problem): (&Offer<M, N>, &Problem<M>),
        is_counted: bool,
    ) -> Selection<M, N> {
        let (answer, taken) = self.counter.measure(|| kernel_select(selector, offer, problem));
        let class = Class::of(answer.outcome).filter(|_| is_counted);
        if let Some(tally) = class.and_then(|class| self.tallies.get_mut(class as usize)) {
            tally.take(taken, self.number);
        }
        if is_counted {
            let mut fresh = Selector::new();
            let (answer, taken) = self.counter.measure(|| kernel_select_in_cycle(&mut fresh, offer, problem));
            self.in_cycle.take(answer.pivots, taken, self.number);
        }
        self.number += 1;
        answer
    }

    fn say(&mut self, line: &Line) {
        print(line);
    }

    fn series_ended<const M: usize, const N: usize>(&mut self, name: &Name) {
        for (tally, class) in self.tallies.iter().zip(Class::NAMES) {
            tally.print(text(name), class, "selections");
        }
        self.tallies = Default::default();
        self.number = 0;
        let InCycle { tally, most, dearest } = core::mem::take(&mut self.in_cycle);
        tally.print(text(name), "in_cycle", "calls");
        print_once::<M, N>("in_cycle_most_steps number", u64::from(most));
        if dearest > 0 {
            print_once::<M, N>("in_cycle_step instructions", u64::from(dearest));
            let all = WALKS * u64::from(CYCLE_ALLOWANCE) * u64::from(dearest);
            print_once::<M, N>("in_cycle_all_steps instructions", all);
        }
        print_once::<M, N>("pricing_pass instructions", self.pricing_pass::<M, N>());
        print_once::<M, N>("offer instructions", self.look_over::<M, N>());
        print_once::<M, N>("offer bytes", size_of::<Offer<M, N>>() as u64);
        print_once::<M, N>("selector bytes", size_of::<Selector<M, N>>() as u64);
        print_once::<M, N>("selection bytes", size_of::<Selection<M, N>>() as u64);
    }
}

impl Measuring {
    /// Instructions of looking jets over.
    fn look_over<const M: usize, const N: usize>(&self) -> u64 {
        let given = black_box(([[0.5_f32; M]; N], [1.0_f32; N], [0.25_f32; N]));
        let (offer, taken) = self.counter.measure(|| look_over(&given.0, &given.1, &given.2));
        black_box(offer);
        u64::from(taken.instructions)
    }

    /// Instructions of one pricing pass.
    fn pricing_pass<const M: usize, const N: usize>(&self) -> u64 {
        let given = black_box(([[0.5_f32; M]; N], [1.0_f32; N], [0.25_f32; M]));
        let mut reduced = [0.0; N];
        let ((), taken) = self.counter.measure(|| pricing_pass(&given.0, &given.1, &given.2, &mut reduced));
        black_box(reduced);
        u64::from(taken.instructions)
    }
}

/// Prints what does not depend on the problem.
fn print_once<const M: usize, const N: usize>(what: &str, number: u64) {
    let size = Line::default().text("measured ").number(M as u64).text("x").number(N as u64);
    print(&size.text("_").text(what).text(" ").number(number));
}

/// The one call into the kernel that is measured.
#[inline(never)]
fn kernel_select<const M: usize, const N: usize>(
    selector: &mut Selector<M, N>,
    offer: &Offer<M, N>,
    problem: &Problem<M>,
) -> Selection<M, N> {
    selector.select_from(offer, problem.demand, &problem.priority)
}

/// The one that a control cycle makes.
#[inline(never)]
fn kernel_select_in_cycle<const M: usize, const N: usize>(
    selector: &mut Selector<M, N>,
    offer: &Offer<M, N>,
    problem: &Problem<M>,
) -> Selection<M, N> {
    selector.select_in_cycle(offer, problem.demand, &problem.priority)
}

#[inline(never)]
fn look_over<const M: usize, const N: usize>(
    columns: &[[f32; M]; N],
    price: &[f32; N],
    limit: &[f32; N],
) -> Option<Offer<M, N>> {
    Offer::new(columns, price, limit, JetMask::ALL)
}

/// Reduced costs of all jets, as one pass of any simplex takes them.
#[inline(never)]
fn pricing_pass<const M: usize, const N: usize>(
    columns: &[[f32; M]; N],
    price: &[f32; N],
    multipliers: &[f32; M],
    reduced: &mut [f32; N],
) {
    for ((reduced, column), price) in reduced.iter_mut().zip(columns).zip(price) {
        *reduced = price - column.iter().zip(multipliers).fold(0.0, |sum, (a, y)| sum + a * y);
    }
}
