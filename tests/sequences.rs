//! Sequences of commands: each begins at its time, or when the one before it is done; by the kernel's sequencer alone, and flown.
#![allow(missing_docs)]

use proptest::prelude::*;
use stackhold_kernel::cycle::{Command, CycleOutput, EngineCommand, Translation};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::observer::Motion;
use stackhold_kernel::sequence::{Sequencer, Step};
use stackhold_kernel::status::Status;
use stackhold_tests::flying::{fly, from_library};

const LIMITS: Deadband = Deadband { half_width_rad: Vec3([0.01; 3]), rate_limit_rad_s: Vec3([0.001; 3]) };
const HOLD: Command = Command::Hold { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], deadband: LIMITS };
const DAMP: Command = Command::Damp { rate_limit_rad_s: [1e-4; 3] };
const PUSH: Command = Command::Translate(Translation {
    serial: 1,
    attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
    velocity_change_m_s: [0.1, 0.0, 0.0],
    deadband: LIMITS,
});
const CYCLE: u32 = 60;

fn output(status: Status, error_rad: f32, foreseen_s: f32) -> CycleOutput<4> {
    CycleOutput {
        on_ticks: [0; 4],
        open_tick: 0,
        status,
        motion: Motion::default(),
        error_rad: Vec3([error_rad, 0.0, 0.0]),
        disturbance_rad_s2: Vec3::ZERO,
        bias_rad_s: Vec3::ZERO,
        engine: EngineCommand::OFF,
        foreseen_s,
    }
}

fn step(command: Command, start_ticks: u32, early: bool) -> Step {
    Step { command, start_ticks, early }
}

/// The step in each of some cycles; `says` is what the kernel puts out in a cycle.
fn run(steps: &[Step], cycles: u32, first_tick: u32, says: impl Fn(u32) -> CycleOutput<4>) -> Vec<usize> {
    let mut sequencer = Sequencer::default();
    let mut taken = Vec::new();
    for cycle in 0..cycles {
        let tick = first_tick.wrapping_add(cycle * CYCLE);
        let (number, step) = sequencer.step(steps, tick).expect("a step");
        taken.push(number);
        sequencer.see(&step.command, &says(cycle));
    }
    taken
}

#[test]
fn without_steps_nothing_is_in_force() {
    assert_eq!(Sequencer::default().step(&[], 5), None);
}

#[test]
fn a_step_begins_at_its_time_and_across_the_clocks_wrap() {
    let steps = [step(DAMP, 0, false), step(HOLD, 5 * CYCLE, false), step(PUSH, 7 * CYCLE, false)];
    let busy = |_| output(Status::Firing, 1.0, f32::INFINITY);
    for first in [0, 77, u32::MAX - 3 * CYCLE] {
        assert_eq!(run(&steps, 9, first, busy), [0, 0, 0, 0, 0, 1, 1, 2, 2]);
    }
}

#[test]
fn an_early_step_begins_when_the_one_before_is_done() {
    let steps = [
        step(DAMP, 0, false),
        step(HOLD, 50 * CYCLE, true),
        step(PUSH, 90 * CYCLE, true),
        step(HOLD, 100 * CYCLE, true),
    ];
    let says = |cycle: u32| match cycle {
        // Damped in cycle 3; held, first outside, then within in cycle 8.
        0..=2 => output(Status::Firing, 0.0, f32::INFINITY),
        3 => output(Status::Quiet, 0.0, f32::INFINITY),
        4..=7 => output(Status::Quiet, 0.02, f32::INFINITY),
        8 => output(Status::Quiet, 0.005, f32::INFINITY),
        // The push: quiet before it has begun, foreseen from 11 on, over in 20, within in 22.
        9 | 10 => output(Status::Quiet, 0.0, f32::INFINITY),
        11..=19 => output(Status::Firing, 0.0, 30.0),
        20 | 21 => output(Status::Quiet, 0.02, f32::INFINITY),
        _ => output(Status::Quiet, 0.0, f32::INFINITY),
    };
    let taken = run(&steps, 26, 0, says);
    let begins = |number: usize| taken.iter().position(|step| *step == number);
    assert_eq!([begins(1), begins(2), begins(3)], [Some(4), Some(9), Some(23)]);
}

/// What is refused is never done; nor is it done while the jets are shut because nothing is known.
#[test]
fn a_refused_step_ends_at_the_time_of_the_next() {
    let steps = [step(PUSH, 0, false), step(HOLD, 10 * CYCLE, true)];
    assert_eq!(run(&steps, 12, 0, |_| output(Status::PushRefused, 0.0, f32::INFINITY))[9..], [0, 1, 1]);
    let lost = |cycle: u32| {
        if cycle < 3 { output(Status::Firing, 0.0, 5.0) } else { output(Status::Stale, 0.0, f32::INFINITY) }
    };
    assert_eq!(run(&steps, 12, 0, lost)[9..], [0, 1, 1]);
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// Steps come in order, none is left out, none that is not early comes early, and none late but for those before it.
    #[test]
    fn steps_come_in_order_and_in_time(
        mut starts in prop::collection::vec(0_u32..40, 1..8),
        early in prop::collection::vec(any::<bool>(), 8),
        quiet in prop::collection::vec(any::<bool>(), 60),
        first in any::<u32>(),
    ) {
        starts.sort_unstable();
        let steps: Vec<Step> =
            starts.iter().zip(&early).map(|(start, early)| step(DAMP, start * CYCLE, *early)).collect();
        let says = |cycle: u32| {
            let status = if quiet[cycle as usize % 60] { Status::Quiet } else { Status::Firing };
            output(status, 0.0, f32::INFINITY)
        };
        let taken = run(&steps, 60, first, says);
        prop_assert!(taken[0] <= 1);
        prop_assert!(taken.windows(2).all(|pair| pair[1] == pair[0] || pair[1] == pair[0] + 1));
        for (number, start) in starts.iter().enumerate().skip(1) {
            let began = taken.iter().position(|step| *step == number).expect("it comes") as u32;
            prop_assert!(began <= start + number as u32, "{number} began in {began}, due in {start}");
            prop_assert!(early[number] || began >= *start, "{number} is not early");
        }
    }
}

/// The shift of the library: what may be early is, and what is timed begins at its time.
#[test]
fn a_shift_is_flown_as_fast_as_it_goes() {
    let scenario = from_library("part_and_burn");
    let (record, _) = fly(&scenario);
    assert_eq!(record.phase_starts_s.len(), scenario.phases.len());
    println!("phases began at {:.1?} s", record.phase_starts_s);
    for (phase, began_s) in scenario.phases.iter().zip(&record.phase_starts_s) {
        if phase.early {
            assert!(*began_s < phase.start_s - 10.0, "{phase:?} began at {began_s} s");
        } else {
            assert!((began_s - phase.start_s).abs() <= 0.24, "{phase:?} began at {began_s} s");
        }
    }
    let begun = scenario.as_begun(&record.phase_starts_s);
    assert_eq!(begun.phases[1].start_s, record.phase_starts_s[1]);
}
