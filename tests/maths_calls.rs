//! How often a control cycle asks for a root, a sine or an angle: the kernel's own sources once more, with a door to
//! mathematics that counts. It is the same kernel, for it puts out the same bits.
// The kernel's sources ask for a feature that this package has not.
#![allow(missing_docs, unexpected_cfgs)]

// What the shared sources call the kernel is this file.
extern crate self as stackhold_kernel;

#[path = "on-target/src/digest.rs"]
#[allow(dead_code, reason = "shared with images that use all of it")]
mod digest;
#[allow(unused, unfulfilled_lint_expectations)]
#[path = "../kernel/src/lib.rs"]
mod kernel;
#[allow(dead_code)]
#[path = "../host-harness/src/board/recording.rs"]
mod recording;

// What the kernel's sources find in their crate, but for the door.
use kernel::{
    bending, burn, by_hand, command, config, controller, cycle, effectiveness, engine, firing, gimbal, hold,
    holding, jet, ledger, linalg, mass_properties, modes, observer, open_loop, pending, posing, principal,
    pulse, quaternion, rhythm, rotation, selection, slew, status, translation, velocity, whole_ticks,
};

/// The door, with a count of what takes more than basic arithmetic.
mod math {
    use std::cell::Cell;

    use crate::kernel::math as door;

    pub use door::*;

    /// What is counted.
    pub const FUNCTIONS: [&str; 4] =
        ["roots", "inverse roots near one", "sines and cosines", "angles of points"];

    thread_local!(static CALLS: Cell<[u32; 4]> = const { Cell::new([0; 4]) });

    fn count(function: usize) {
        let mut calls = CALLS.get();
        calls[function] += 1;
        CALLS.set(calls);
    }

    /// Calls since the last time.
    pub fn calls() -> [u32; 4] {
        CALLS.take()
    }

    pub fn sqrt(x: f32) -> f32 {
        count(0);
        door::sqrt(x)
    }

    pub fn inverse_sqrt_near_one(x: f32) -> f32 {
        count(1);
        door::inverse_sqrt_near_one(x)
    }

    pub fn sine_and_cosine(x: f32) -> (f32, f32) {
        count(2);
        door::sine_and_cosine(x)
    }

    pub fn atan2(y: f32, x: f32) -> f32 {
        count(3);
        door::atan2(y, x)
    }
}

use controller::Controller;
use cycle::Witness;
use digest::Digest;
use recording::{Item, Words, read_item, read_start};
use selection::{Problem, Selection};
use stackhold_tests::on_target::digest::Digest as FlownDigest;
use stackhold_tests::recorded_flights::{self, RecordedFlight, docked_hold, flown, shortened, storm};

/// Calls in cycles of one kind.
#[derive(Default)]
struct Tally {
    cycles: u32,
    sum: [u32; 4],
    worst: [u32; 4],
}

impl Tally {
    fn take(&mut self, calls: [u32; 4]) {
        self.cycles += 1;
        for ((sum, worst), calls) in self.sum.iter_mut().zip(&mut self.worst).zip(calls) {
            (*sum, *worst) = (*sum + calls, calls.max(*worst));
        }
    }

    fn print(&self, name: &str) {
        println!("{name}, {} cycles", self.cycles);
        for ((function, sum), worst) in math::FUNCTIONS.iter().zip(self.sum).zip(self.worst) {
            println!("  {function:24} mean {:7.3} worst {worst:4}", f64::from(sum) / f64::from(self.cycles));
        }
    }
}

/// Counts selections.
struct Selections(usize);

impl Witness for Selections {
    fn saw<const M: usize, const N: usize>(&mut self, _: &Problem<M>, _: &Selection<M, N>) {
        self.0 += 1;
    }
}

struct Stored(std::vec::IntoIter<u8>);

impl Words for Stored {
    fn word(&mut self) -> Option<u32> {
        let bytes = [self.0.next()?, self.0.next()?, self.0.next()?, self.0.next()?];
        Some(u32::from_le_bytes(bytes))
    }
}

/// Flies a recorded flight once more. Calls in cycles without a jet selection, and in those with one.
fn counted(flight: &RecordedFlight) -> [Tally; 2] {
    let mut words = Stored(recorded_flights::recording(std::slice::from_ref(flight)).into_iter());
    read_start(&mut words).unwrap();
    let Item::Flight(_, table) = read_item::<32>(&mut words).unwrap() else { panic!("no flight") };
    let (jets, mut controller) = (table.jets.len(), Controller::new(table).unwrap());
    let (mut tallies, mut digest) = ([Tally::default(), Tally::default()], Digest::default());
    while let Item::Cycle(input) = read_item::<32>(&mut words).unwrap() {
        let mut selections = Selections(0);
        math::calls();
        let output = controller.step_witnessed(&input, &mut selections);
        // What the bound of a cycle in on-target/selection_limits.txt counts on.
        assert!(selections.0 <= 2);
        tallies[selections.0.min(1)].take(math::calls());
        digest.output(&output, jets);
    }
    let mut as_flown = FlownDigest::default();
    flight.outputs.iter().for_each(|output| as_flown.output(output, jets));
    // Inputs that were made up have not been flown.
    assert!(
        flight.outputs.is_empty() || digest.value() == as_flown.value(),
        "the counting kernel is another one"
    );
    for (tally, kind) in tallies.iter().zip(["without selection", "with selection"]) {
        tally.print(&format!("{} {kind}", flight.name));
    }
    tallies
}

/// A quaternion is taken in and made one of length 1: that is all where no jet is asked for.
const QUIET: [u32; 4] = [0, 1, 0, 0];

#[test]
fn a_hold_asks_for_no_sine_and_for_roots_only_where_it_selects() {
    let docked = docked_hold(720.0);
    let [quiet, selecting] = counted(&docked);
    assert_eq!(quiet.worst, QUIET);
    assert!(selecting.worst[0] <= 200 && selecting.sum[0] < 4 * selecting.cycles);
    assert_eq!(selecting.worst[1..], QUIET[1..]);
    // Inputs at random turn far within a cycle, as no flight does.
    let [quiet, selecting] = counted(&storm(&docked, 21, 16, 1000));
    for tally in [quiet, selecting] {
        assert!(tally.worst.iter().zip([20, 2, 3, 3]).all(|(calls, most)| *calls <= most));
    }
}

#[test]
fn firings_ask_for_neither() {
    for name in ["one_axis_firing_roll", "one_axis_firing_yaw"] {
        let [quiet, selecting] = counted(&flown(name, &shortened(name, 8.0), None));
        assert_eq!([quiet.worst, selecting.worst], [QUIET; 2]);
    }
}
