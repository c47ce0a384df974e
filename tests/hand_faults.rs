//! Data faults while a pilot turns the docked stack: what the kernel is given is spoilt on its way in, the truth flies on
//! with what it answers. Whatever comes, no number that is none reaches a valve, no jet opens that must stay shut,
//! every fault has its status, and once it has passed the stack is held when the controller is let go.
#![allow(missing_docs)]

use anyhow::Result;
use stackhold_harness::closed_loop::{self, Kernel};
use stackhold_harness::record::{CycleRow, RunRecord};
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::{Deflection, Mode, Scenario};
use stackhold_harness::table::JETS;
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{Command, CycleInput, CycleOutput, Witness};
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::status::{Status, Trust};

/// The controller is deflected from here, s,
const DEFLECTED_S: f64 = 10.0;
/// to here,
const RELEASED_S: f64 = 60.0;
/// and the flight ends here.
const END_S: f64 = 500.0;
/// Faults in mid-turn, and over the release: from, to, s.
const WINDOWS: [(f64, f64); 2] = [(25.0, 40.0), (50.0, 70.0)];
/// When what a fault has left must have been put right, s after it and after the release.
const SETTLED_S: f64 = 30.0;
/// The same where a sensor has lied: what the observer took for a bias or a push must be unlearnt.
const UNLEARNT_S: f64 = 200.0;

/// What becomes of an input in the time of the fault; nothing for a cycle that is missed.
type Spoil = fn(input: CycleInput, frozen: &CycleInput, cycle: u32) -> Option<CycleInput>;

/// A kernel whose inputs are spoilt, and whose outputs are looked at.
struct Faulty {
    controller: Controller<JETS>,
    spoil: Spoil,
    window: (f64, f64),
    cycle_s: f64,
    cycle: u32,
    /// Added to every tick: the clock may wrap in mid-turn.
    ahead: u32,
    /// What came just before the fault.
    frozen: Option<CycleInput>,
    last: Option<CycleOutput<JETS>>,
    /// Time and status of the cycles flown in the time of the fault.
    seen: Vec<(f64, Status)>,
    missed: u32,
}

impl Kernel for Faulty {
    fn cycle<W: Witness>(&mut self, input: &CycleInput, witness: &mut W) -> Result<CycleOutput<JETS>> {
        let time_s = f64::from(self.cycle) * self.cycle_s;
        self.cycle += 1;
        let mut input = *input;
        let later = |tick: &mut u32| *tick = tick.wrapping_add(self.ahead);
        later(&mut input.tick);
        input.attitude.iter_mut().for_each(|sample| later(&mut sample.tick));
        input.rate.iter_mut().for_each(|sample| later(&mut sample.tick));
        let within = time_s >= self.window.0 - 1e-9 && time_s < self.window.1 - 1e-9;
        let frozen = *if within { self.frozen.get_or_insert(input) } else { self.frozen.insert(input) };
        let given = if within { (self.spoil)(input, &frozen, self.cycle) } else { Some(input) };
        let Some(given) = given else {
            // A board that misses a cycle shuts its valves.
            self.missed += 1;
            let last = self.last.expect("no fault at the start");
            return Ok(CycleOutput { on_ticks: [0; JETS], ..last });
        };
        let output = self.controller.step_witnessed(&given, witness);
        self.check(&given, &output, time_s);
        if within {
            self.seen.push((time_s, output.status));
        }
        self.last = Some(output);
        Ok(output)
    }

    fn take_up(&mut self, table: &ConfigurationTable<JETS>) -> Result<()> {
        Kernel::take_up(&mut self.controller, table)
    }
}

impl Faulty {
    fn check(&self, input: &CycleInput, output: &CycleOutput<JETS>, time_s: f64) {
        let table = self.controller.table();
        let vectors =
            [output.motion.rate_rad_s, output.error_rad, output.disturbance_rad_s2, output.bias_rad_s];
        assert!(vectors.iter().all(|vector| vector.is_finite()), "at {time_s} s: {output:?}");
        assert!(output.foreseen_s >= 0.0, "at {time_s} s: {output:?}");
        assert!(output.motion.attitude.to_array().iter().all(|part| part.is_finite()), "at {time_s} s");
        for (jet, (&ticks, about)) in output.on_ticks.iter().zip(&table.jets).enumerate() {
            let shut = input.inhibited.contains(jet)
                || input.shut_groups & (1 << about.group) != 0
                || !about.enabled;
            assert!(ticks == 0 || !shut, "jet {jet} opens at {time_s} s and must not");
            assert!(ticks <= table.timing.cycle_ticks, "jet {jet} at {time_s} s");
        }
        assert!(output.on_ticks.iter().skip(table.jets.len()).all(|&ticks| ticks == 0), "at {time_s} s");
        let idle = output.on_ticks == [0; JETS];
        assert!(idle || output.status.trust() != Trust::Withheld, "at {time_s} s: {:?}", output.status);
    }

    /// Statuses seen in the time of the fault, each once.
    fn statuses(&self) -> Vec<Status> {
        let mut seen: Vec<Status> = self.seen.iter().map(|(_, status)| *status).collect();
        seen.sort_by_key(|status| status.number());
        seen.dedup();
        seen
    }
}

/// One turn about all three axes by hand.
fn turn() -> Scenario {
    let mut scenario = load_embedded("rate_by_hand").expect("reads");
    scenario.duration_s = END_S;
    let Mode::Hand { deflections, .. } = &mut scenario.phases[0].mode else { panic!("by hand") };
    let at = |at_s, deflection| Deflection { at_s, deflection };
    *deflections = vec![at(DEFLECTED_S, [0.6, -0.5, 1.0]), at(RELEASED_S, [0.0; 3])];
    scenario
}

fn fly(window: (f64, f64), ahead: u32, spoil: Spoil) -> (RunRecord, Faulty) {
    let scenario = turn();
    let cycle_s = scenario.kernel.tick_s * f64::from(scenario.kernel.cycle_ticks);
    let seat = |table: &ConfigurationTable<JETS>| {
        Ok(Faulty {
            controller: Controller::new(table.clone())?,
            spoil,
            window,
            cycle_s,
            cycle: 0,
            ahead,
            frozen: None,
            last: None,
            seen: Vec::new(),
            missed: 0,
        })
    };
    closed_loop::fly_on(&scenario, &scenario.stack, &scenario.told, "flight", &mut |_| (), seat)
        .expect("flies")
}

/// From so long after release and fault on: every axis stays within its deadband of the attitude that it has come to,
/// and the kernel is content.
fn holds_afterwards(record: &RunRecord, window: (f64, f64), settled_s: f64, what: &str) {
    let Mode::Hand { half_width_rad, .. } = &turn().phases[0].mode.clone() else { panic!("by hand") };
    let from_s = window.1.max(RELEASED_S) + settled_s;
    let rows: Vec<&CycleRow> = record.cycles.iter().filter(|row| row.time_s >= from_s).collect();
    let content = [Status::Quiet, Status::Firing].map(Status::number);
    for axis in 0..3 {
        let turned =
            |row: &&CycleRow| closed_loop::error_from(row.attitude_xyzw, rows[0].attitude_xyzw)[axis].abs();
        let most = rows.iter().map(turned).fold(0.0, f64::max);
        // From one edge of the deadband to the other at most.
        assert!(most <= 2.1 * half_width_rad[axis], "{what}, {window:?}: axis {axis} wandered by {most} rad");
    }
    let bad = rows.iter().find(|row| !content.contains(&row.status));
    assert!(bad.is_none(), "{what}, {window:?}: status {} at {} s", bad.unwrap().status, bad.unwrap().time_s);
}

/// Whether the turn was on its way when the fault came, so that there is something to lose.
fn turned_before(record: &RunRecord, window: (f64, f64)) -> bool {
    let before = record.cycles.iter().rfind(|row| row.time_s < window.0).expect("a row");
    before.rate_rad_s[2] > 0.25_f64.to_radians()
}

struct Fault {
    what: &'static str,
    spoil: Spoil,
    /// Statuses that it may bring, beside those of a turn without a fault.
    may: &'static [Status],
    /// The one that names it, which must be seen.
    named: Status,
}

/// Statuses of a turn by hand without a fault.
const OWN: [Status; 4] = [Status::Quiet, Status::Firing, Status::Shortened, Status::Prioritised];

const FAULTS: &[Fault] = &[
    Fault {
        what: "both sensors silent",
        spoil: |input, _, _| Some(CycleInput { attitude: None, rate: None, ..input }),
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "attitude silent",
        spoil: |input, _, _| Some(CycleInput { attitude: None, ..input }),
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "rate silent",
        spoil: |input, _, _| Some(CycleInput { rate: None, ..input }),
        may: &[],
        named: Status::RateMissing,
    },
    Fault {
        what: "attitude not a number",
        spoil: |mut input, _, cycle| {
            let part = input.attitude.as_mut()?.attitude_xyzw.get_mut(cycle as usize % 4)?;
            *part = [f32::NAN, f32::INFINITY, 3e38][cycle as usize % 3];
            Some(input)
        },
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "rate not a number",
        spoil: |mut input, _, cycle| {
            let part = input.rate.as_mut()?.rate_rad_s.get_mut(cycle as usize % 3)?;
            *part = [f32::NAN, f32::NEG_INFINITY, 1e9][cycle as usize % 3];
            Some(input)
        },
        may: &[],
        named: Status::RateMissing,
    },
    Fault {
        what: "samples not vouched for",
        spoil: |mut input, _, _| {
            input.attitude.as_mut()?.valid = false;
            input.rate.as_mut()?.valid = false;
            Some(input)
        },
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "samples frozen with their times",
        spoil: |input, frozen, _| Some(CycleInput { attitude: frozen.attitude, rate: frozen.rate, ..input }),
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "samples with times to come",
        spoil: |mut input, _, _| {
            input.attitude.as_mut()?.tick = input.tick.wrapping_add(5000);
            input.rate.as_mut()?.tick = input.tick.wrapping_add(5000);
            Some(input)
        },
        may: &[Status::Predicted],
        named: Status::Stale,
    },
    Fault {
        what: "deflection not a number",
        spoil: |mut input, _, cycle| {
            let Command::Hand(hand) = &mut input.command else { return None };
            *hand.deflection.get_mut(cycle as usize % 3)? = [f32::NAN, f32::INFINITY][cycle as usize % 2];
            Some(input)
        },
        may: &[],
        named: Status::CommandRefused,
    },
    Fault {
        what: "deflection beyond full travel",
        spoil: |mut input, _, cycle| {
            let Command::Hand(hand) = &mut input.command else { return None };
            *hand.deflection.get_mut(cycle as usize % 3)? = -1.5;
            Some(input)
        },
        may: &[],
        named: Status::CommandRefused,
    },
    Fault {
        what: "every jet inhibited",
        spoil: |input, _, _| Some(CycleInput { inhibited: JetMask(u32::MAX), ..input }),
        may: &[],
        named: Status::NoJets,
    },
];

#[test]
fn every_fault_has_its_status_and_the_stack_is_held_after_it() {
    for fault in FAULTS {
        for window in WINDOWS {
            let (record, kernel) = fly(window, 0, fault.spoil);
            assert!(turned_before(&record, window), "{}", fault.what);
            let seen = kernel.statuses();
            println!("{}, {window:?}: {seen:?}", fault.what);
            assert!(seen.contains(&fault.named), "{}, {window:?}: {seen:?}", fault.what);
            let known = |status: &Status| {
                OWN.contains(status) || fault.may.contains(status) || *status == fault.named
            };
            assert!(seen.iter().all(known), "{}, {window:?}: {seen:?}", fault.what);
            holds_afterwards(&record, window, SETTLED_S, fault.what);
        }
    }
}

/// The jets are shut once the newest attitude is older than the table allows, and the next good sample opens them again.
#[test]
fn silence_shuts_the_jets_at_the_age_limit_and_ends_with_the_next_sample() {
    let window = WINDOWS[0];
    let (record, kernel) = fly(window, 0, FAULTS[0].spoil);
    let limit_s = turn().kernel.measurement_age_limit_s;
    let stale = kernel.seen.iter().find(|(_, status)| *status == Status::Stale).expect("stale").0;
    // Of the newest sample before the silence, a delay old by then.
    assert!(stale - window.0 > limit_s - 0.5 && stale - window.0 <= limit_s + 0.24, "{stale}");
    let after = record.cycles.iter().filter(|row| row.time_s >= window.1);
    assert!(after.take(1).all(|row| Status::from_number(row.status).unwrap().trust() != Trust::Withheld));
    let shut = |row: &&CycleRow| row.time_s >= stale && row.time_s < window.1;
    assert!(record.cycles.iter().filter(shut).all(|row| row.jets_on == 0));
}

/// A deflection that cannot be flown leaves the last good one in force: the turn goes on as it was, and a release that
/// comes with the fault is taken when the fault has passed.
#[test]
fn a_spoilt_deflection_leaves_the_last_good_one_in_force() {
    let spoil = FAULTS.iter().find(|fault| fault.what == "deflection not a number").expect("listed").spoil;
    for window in WINDOWS {
        let (record, kernel) = fly(window, 0, spoil);
        assert!(kernel.seen.iter().all(|(_, status)| status.number() >= Status::CommandRefused.number()));
        let rows = record.cycles.iter().filter(|row| row.time_s >= window.0 && row.time_s < window.1);
        // 0.6, -0.5 and 1 of 0.3 deg/s, less the dead zone of 5 %.
        let asked = [0.55, -0.45, 0.95].map(|share: f64| (share / 0.95 * 0.3).to_radians());
        for row in rows {
            for (rate, asked) in row.rate_rad_s.iter().zip(asked) {
                assert!((rate - asked).abs() <= 0.05 * asked.abs(), "{rate} at {} s", row.time_s);
            }
        }
        let end = record.cycles.last().expect("a row");
        assert!(end.rate_rad_s.iter().all(|rate| rate.abs() < 0.01_f64.to_radians()), "{:?}", end.rate_rad_s);
    }
}

/// One jet after the other, and each isolation group, is taken away in mid-turn and over the release.
#[test]
fn jets_taken_away_in_mid_turn_stay_shut_and_the_rest_does_what_it_can() {
    // A mask of the mask's number: a function that spoils cannot carry one along.
    fn inhibit<const JET: usize>(input: CycleInput, _: &CycleInput, _: u32) -> Option<CycleInput> {
        Some(CycleInput { inhibited: JetMask::NONE.with(JET), ..input })
    }
    fn shut<const GROUP: u32>(input: CycleInput, _: &CycleInput, _: u32) -> Option<CycleInput> {
        Some(CycleInput { shut_groups: 1 << GROUP, ..input })
    }
    let spoils: [(&str, Spoil); 10] = [
        ("aft_top_plus_x", inhibit::<0>),
        ("aft_top_minus_y", inhibit::<4>),
        ("aft_mid_plus_y", inhibit::<6>),
        ("aft_left_plus_z", inhibit::<8>),
        ("aft_right_minus_z", inhibit::<9>),
        ("mid_left_minus_y", inhibit::<15>),
        ("group 0", shut::<0>),
        ("group 1", shut::<1>),
        ("group 2", shut::<2>),
        ("group 3", shut::<3>),
    ];
    for (what, spoil) in spoils {
        for window in WINDOWS {
            let (record, kernel) = fly(window, 0, spoil);
            let seen = kernel.statuses();
            println!("{what} taken away, {window:?}: {seen:?}");
            assert!(seen.iter().all(|status| OWN.contains(status)), "{what}, {window:?}: {seen:?}");
            holds_afterwards(&record, window, SETTLED_S, what);
        }
    }
}

/// Cycles that are missed, singly and in a row: the kernel finds its way by the clock.
#[test]
fn missed_cycles_leave_no_trace() {
    let spoils: [(&str, Spoil); 3] = [
        ("every third cycle", |input, _, cycle| (!cycle.is_multiple_of(3)).then_some(input)),
        ("two of three cycles", |input, _, cycle| cycle.is_multiple_of(3).then_some(input)),
        ("all of them", |_, _, _| None),
    ];
    for (what, spoil) in spoils {
        for window in WINDOWS {
            let (record, kernel) = fly(window, 0, spoil);
            assert!(kernel.missed >= 20, "{what}: {} missed", kernel.missed);
            let seen = kernel.statuses();
            println!("{what} missed, {window:?}: {seen:?}");
            assert!(seen.iter().all(|status| OWN.contains(status)), "{what}, {window:?}: {seen:?}");
            holds_afterwards(&record, window, SETTLED_S, what);
        }
    }
}

/// The clock wraps in mid-turn: bit for bit the flight that it is without.
#[test]
fn a_clock_that_wraps_changes_nothing() {
    let same: Spoil = |input, _, _| Some(input);
    let (plain, _) = fly(WINDOWS[0], 0, same);
    let wraps_at_s = 30.0;
    let (wrapped, _) = fly(WINDOWS[0], 0_u32.wrapping_sub((wraps_at_s / 0.004) as u32), same);
    assert_eq!(plain.command_hash, wrapped.command_hash);
    assert_eq!(plain.cycles, wrapped.cycles);
    // And with a fault across the wrap.
    let (plain, _) = fly(WINDOWS[0], 0, FAULTS[0].spoil);
    let (wrapped, _) = fly(WINDOWS[0], 0_u32.wrapping_sub((wraps_at_s / 0.004) as u32), FAULTS[0].spoil);
    assert_eq!(plain.cycles, wrapped.cycles);
}

/// A sensor that lies with good times cannot be told from a good one by itself: samples frozen in mid-turn but dated anew.
/// The kernel believes them, stays safe, and finds its way when they are true again.
#[test]
fn frozen_samples_with_new_times_are_believed_and_survived() {
    let spoils: [(&str, Spoil); 2] = [
        ("attitude frozen", |mut input, frozen, _| {
            input.attitude.as_mut()?.attitude_xyzw = frozen.attitude?.attitude_xyzw;
            Some(input)
        }),
        ("rate frozen", |mut input, frozen, _| {
            input.rate.as_mut()?.rate_rad_s = frozen.rate?.rate_rad_s;
            Some(input)
        }),
    ];
    for (what, spoil) in spoils {
        for window in WINDOWS {
            let (record, kernel) = fly(window, 0, spoil);
            println!("{what} and dated anew, {window:?}: {:?}", kernel.statuses());
            let most = record.cycles.iter().flat_map(|row| row.rate_rad_s).map(f64::abs).fold(0.0, f64::max);
            println!("  largest rate {:.3} deg/s", most.to_degrees());
            assert!(most < 1.0_f64.to_radians(), "{what}, {window:?}: {most} rad/s");
            holds_afterwards(&record, window, UNLEARNT_S, what);
        }
    }
}
