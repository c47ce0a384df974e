//! The attitude modes: watched drift, damping, coarse and fine hold, rate command by hand. Flown in closed loop where
//! the truth counts, cycle by cycle where the kernel's answer does.
#![allow(missing_docs)]

use nalgebra::Vector3;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use stackhold_harness::scenario::model::{Deflection, Mode, Scenario, Told};
use stackhold_harness::table::{self, JETS};
use stackhold_harness::{closed_loop, stack};
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{
    AttitudeSample, Command, CycleInput, CycleOutput, Hand, HandDemand, RateSample,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::status::Status;
use stackhold_tests::flying::{figure, fly, fly_told, from_library};

fn controller_for(scenario: &Scenario) -> Controller<JETS> {
    let table = table::build(scenario, &scenario.stack, &scenario.told).expect("a table");
    Controller::new(table).expect("a good table")
}

fn controller() -> Controller<JETS> {
    controller_for(&from_library("docked_hold"))
}

/// A cycle's input with these samples, taken just now.
fn input(
    tick: u32,
    attitude: Option<[f32; 4]>,
    rate_rad_s: Option<[f32; 3]>,
    command: Command,
) -> CycleInput {
    CycleInput {
        tick,
        attitude: attitude.map(|attitude_xyzw| AttitudeSample { attitude_xyzw, tick, valid: true }),
        rate: rate_rad_s.map(|rate_rad_s| RateSample { rate_rad_s, tick, valid: true }),
        velocity: None,
        command,
        inhibited: JetMask::NONE,
        shut_groups: 0,
        gimbal_stuck: false,
    }
}

fn quiet(output: &CycleOutput<JETS>) -> bool {
    output.on_ticks.iter().all(|&ticks| ticks == 0)
}

const LEVEL: [f32; 4] = [0.0, 0.0, 0.0, 1.0];
const CYCLE: u32 = 60;
/// Share of the first rate that damping may stray by across it.
const STRAYS: f64 = 0.06;
const DAMP: Command = Command::Damp { rate_limit_rad_s: [3.5e-4; 3] };

fn limits(half_width_rad: f32, rate_limit_rad_s: f32) -> Deadband {
    Deadband { half_width_rad: Vec3([half_width_rad; 3]), rate_limit_rad_s: Vec3([rate_limit_rad_s; 3]) }
}

// -------------------------------------------------------------------------------------- damping

/// Propellant over the price of the momentum, which an independent linear program proves (see `bound.rs`): at most 1.15
/// in the median of eight tumbles of a degree a second about every axis.
#[test]
fn a_tumble_is_damped_for_little_more_than_its_price() {
    let mut scenario = from_library("damp_a_tumble");
    let mut ratios = Vec::new();
    for seed in 1..=8 {
        scenario.seed = seed;
        let mut random = Pcg64::seed_from_u64(seed);
        let one_deg_s = 1.0_f64.to_radians();
        scenario.initial.rate_rad_s =
            [(); 3].map(|()| if random.random_bool(0.5) { one_deg_s } else { -one_deg_s });
        let (record, metrics) = fly(&scenario);
        assert_eq!(record.selections.unproven, 0);
        assert!(figure(&metrics, "damping_time_s") < 300.0, "seed {seed}");
        let last = record.cycles.last().expect("rows").rate_rad_s;
        assert!(last.iter().all(|rate| rate.abs() < 0.03_f64.to_radians()), "seed {seed}: {last:?}");
        ratios.push(figure(&metrics, "propellant_over_bound"));
    }
    ratios.sort_by(f64::total_cmp);
    let median = 0.5 * (ratios[3] + ratios[4]);
    println!("damping from 1 deg/s per axis: {ratios:.3?}, median {median:.3}");
    assert!(median <= 1.15, "median {median}");
}

#[test]
fn damping_needs_no_attitude_and_a_hold_that_follows_waits_for_one() {
    let rate = Some([0.01, -0.008, 0.006]);
    let mut controller = controller();
    let first = controller.step(&input(0, None, rate, DAMP));
    assert!(!quiet(&first), "{:?}", first.status);
    let hold = Command::Hold { attitude_xyzw: LEVEL, deadband: limits(0.01, 0.001) };
    let waiting = controller.step(&input(CYCLE, None, rate, hold));
    assert_eq!(waiting.status, Status::Starting);
    assert!(quiet(&waiting));
    let found = controller.step(&input(2 * CYCLE, Some([0.0, 0.0, 0.6, 0.8]), rate, hold));
    assert!(found.status != Status::Starting);
    // From the sample to the pulses it turns by less than a milliradian.
    let [x, y, z, w] = found.motion.attitude.to_array();
    let off = [x, y, z - 0.6, w - 0.8].into_iter().fold(0.0_f32, |most, part| most.max(part.abs()));
    assert!(off < 1e-3, "{:?}", found.motion.attitude);
}

#[test]
fn damping_ends_when_the_gyro_falls_silent() {
    let mut controller = controller();
    let _ = controller.step(&input(0, None, Some([0.01, -0.008, 0.006]), DAMP));
    let limit = controller.table().timing.measurement_age_limit_ticks;
    let mut stale = 0;
    for tick in (1..30).map(|cycle| cycle * CYCLE) {
        let output = controller.step(&input(tick, None, None, DAMP));
        if tick > limit {
            assert_eq!(output.status, Status::Stale);
            assert!(quiet(&output));
            stale += 1;
        }
    }
    assert!(stale > 5);
}

/// From a tumble the rates go straight to nothing: what strays across their first direction is a small share of what there
/// was, gyroscopic torque, valves and scatter of the truth included.
#[test]
fn damping_keeps_its_direction() {
    let mut worst: f64 = 0.0;
    for seed in 0..12 {
        let mut scenario = from_library("damp_a_tumble");
        let mut random = Pcg64::seed_from_u64(100 + seed);
        scenario.seed = seed;
        scenario.initial.rate_rad_s = [(); 3].map(|()| random.random_range(-1.5_f64..1.5).to_radians());
        let (record, _) = fly(&scenario);
        let first = Vector3::from(scenario.initial.rate_rad_s);
        let strays = record.cycles.iter().map(|row| {
            let rate = Vector3::from(row.rate_rad_s);
            (rate - first * (rate.dot(&first) / first.norm_squared())).norm() / first.norm()
        });
        worst = worst.max(strays.fold(0.0, f64::max));
    }
    println!("damping strays from its direction by {worst:.3} of the first rate at most");
    assert!(worst <= STRAYS, "{worst}");
}

/// One thing at a time: what is left of an open-loop demand is not flown by hand, and what is left of a bit is not flown as
/// the demand.
#[test]
fn a_hand_controller_and_a_demand_leave_each_other_alone() {
    let impulse =
        |serial| Command::Impulse { serial, rate_change_rad_s: [0.02, 0.0, 0.0], velocity_change_m_s: None };
    let at_rest = Command::Hand(Hand {
        deflection: [0.0; 3],
        dead_zone: 0.1,
        full_rate_rad_s: [0.01; 3],
        deadband: limits(0.01, 0.001),
        asks_for: HandDemand::Bit,
    });
    let mut controller = controller();
    let mut tick = 0;
    let mut step = |command| {
        tick += CYCLE;
        controller.step(&input(tick, Some(LEVEL), Some([0.0; 3]), command))
    };
    assert!(!quiet(&step(impulse(1))));
    for _ in 0..20 {
        let output = step(at_rest);
        assert_eq!(output.status, Status::Drifting);
        assert!(quiet(&output));
    }
    assert!(quiet(&step(impulse(1))), "a demand that was left is not taken up again");
    assert!(!quiet(&step(impulse(2))));
}

/// A reference that turned with the controller is not that of another use of it.
#[test]
fn another_use_of_the_controller_begins_with_the_attitude_of_the_moment() {
    let hand = |z: f32, asks_for| {
        Command::Hand(Hand {
            deflection: [0.0, 0.0, z],
            dead_zone: 0.1,
            full_rate_rad_s: [0.01; 3],
            deadband: limits(0.01, 0.001),
            asks_for,
        })
    };
    let mut controller = controller();
    let mut tick = 0;
    let mut step = |command| {
        tick += CYCLE;
        controller.step(&input(tick, Some(LEVEL), Some([0.0; 3]), command))
    };
    step(hand(1.0, HandDemand::Rate));
    for _ in 0..100 {
        step(hand(0.0, HandDemand::Bit));
    }
    let output = step(hand(0.0, HandDemand::Rate));
    assert!(output.error_rad.norm() < 1e-3, "{:?}", output.error_rad);
}

// ---------------------------------------------------------------------------------------- watch

#[test]
fn a_watched_drift_wakes_at_its_limit_and_stays_awake() {
    let scenario = from_library("watched_drift");
    let (record, metrics) = fly(&scenario);
    let woken_at_s = figure(&metrics, "woken_at_s");
    let (angle, rate) = (5.0_f64.to_radians(), 0.1_f64.to_radians());
    for row in &record.cycles {
        if row.status == Status::Starting.number() {
            assert!(row.time_s < 1.0 && row.jets_on == 0);
        } else if row.time_s < woken_at_s {
            assert_eq!(row.status, Status::Drifting.number(), "at {} s", row.time_s);
            assert_eq!(row.jets_on, 0);
            // The kernel sees the limit crossed one delay of its sensors late, with their noise.
            let is_within = row.error_rad.iter().all(|e| e.abs() <= 1.02 * angle)
                && row.rate_rad_s.iter().all(|r| r.abs() <= 1.02 * rate);
            assert!(is_within, "asleep at {} s", row.time_s);
        } else {
            assert!(row.status >= Status::Woken.number(), "asleep again at {} s", row.time_s);
        }
    }
    for row in record.cycles.iter().filter(|row| row.time_s > scenario.duration_s - 600.0) {
        assert!(row.error_rad.iter().all(|e| e.abs() < 2.1_f64.to_radians()), "at {} s", row.time_s);
    }
}

#[test]
fn the_same_watch_goes_on_and_another_one_begins_anew() {
    let watch = |wake: f32| Command::Watch {
        attitude_xyzw: LEVEL,
        wake: limits(wake, 0.01),
        deadband: limits(0.01, 0.001),
    };
    let mut controller = controller();
    let mut tick = 0;
    let mut status = |angle: f32, wake: f32| {
        tick += CYCLE;
        controller.step(&input(tick, Some([0.0, 0.0, -0.5 * angle, 1.0]), Some([0.0; 3]), watch(wake))).status
    };
    assert_eq!(status(0.019, 0.02), Status::Drifting);
    assert_eq!(status(0.030, 0.02), Status::Woken);
    assert_eq!(status(0.0, 0.02), Status::Woken);
    assert_eq!(status(0.0, 0.05), Status::Drifting);
}

// ----------------------------------------------------------------------------- coarse and fine

/// A deadband that is switched moves nothing by itself: a wider one asks for nothing, and what is outside a finer one
/// comes back at the rate of a return, not at once.
#[test]
fn switching_deadbands_brings_no_kick() {
    let scenario = from_library("coarse_and_fine_hold");
    let (record, metrics) = fly(&scenario);
    assert!(figure(&metrics, "propellant_over_bound") <= 1.5);
    let minute = |from_s: f64| {
        let rows = record.cycles.iter();
        rows.filter(move |row| row.time_s >= from_s - 1e-6 && row.time_s < from_s + 60.0)
    };
    let fine = scenario.phases[1].start_s;
    let before = minute(fine).next().expect("a row").rate_rad_s;
    let changes = minute(fine).flat_map(|row| (0..3).map(|axis| (row.rate_rad_s[axis] - before[axis]).abs()));
    let most = changes.fold(0.0, f64::max).to_degrees();
    // From a degree back within sixty cycles of 0.24 s would take 0.07 deg/s; the limit of the hold is 0.05.
    assert!(most <= 0.055, "{most} deg/s");
    let firing = minute(scenario.phases[2].start_s).filter(|row| row.jets_on != 0).count();
    assert_eq!(firing, 0, "a wider deadband asks for nothing");
}

// --------------------------------------------------------------------------------------- by hand

/// Rates of axes left alone while another one is turned at 0.3 deg/s: at most 1 % of it or 1.5 smallest bits of the axis,
/// whichever is more, between firings; told the bare tug alone, many times that.
#[test]
fn axes_left_alone_stay_put_while_another_is_turned_by_hand() {
    let scenario = from_library("rate_by_hand");
    let (record, metrics) = fly(&scenario);
    assert_eq!(record.selections.unproven, 0);
    for (name, bit) in ["x", "y", "z"].iter().zip(controller_for(&scenario).axis_bits()) {
        let bit = f64::from(bit.rate_rad_s).to_degrees();
        let rate = figure(&metrics, &format!("left_alone_rate_{name}_deg_s"));
        let peak = figure(&metrics, &format!("left_alone_peak_rate_{name}_deg_s"));
        println!("{name}: {rate:.5} deg/s between firings, {peak:.5} in all; smallest bit {bit:.5}");
        assert!(rate <= (0.01 * 0.3_f64).max(1.5 * bit), "{name}: {rate} deg/s");
        assert!(peak <= 0.03 * 0.3, "{name}: {peak} deg/s");
    }
    let old = Told { stack: vec!["tug".to_owned(), "grapple_mast".to_owned()], ..scenario.told.clone() };
    let (_, old) = fly_told(&scenario, &old);
    let [told, bare] = [&metrics, &old].map(|metrics| figure(metrics, "left_alone_peak_rate_share"));
    println!("largest share of the rate that leaks: {told:.4} as told, {bare:.3} told the bare tug");
    assert!(bare > 20.0 * told);
}

#[test]
fn a_turned_axis_keeps_its_rate_and_a_released_one_the_attitude_it_has_come_to() {
    let scenario = from_library("rate_by_hand");
    let (record, _) = fly(&scenario);
    let Mode::Hand { deflections, full_rate_rad_s, half_width_rad, .. } = &scenario.phases[0].mode else {
        panic!("by hand")
    };
    for pair in deflections.windows(2) {
        let rows = || {
            let rows = record.cycles.iter();
            rows.filter(|row| row.time_s > pair[0].at_s + 5.0 && row.time_s < pair[1].at_s)
        };
        let first = rows().next().expect("rows");
        for axis in 0..3 {
            let asked = pair[0].deflection[axis] * full_rate_rad_s[axis];
            let worst = rows().map(|row| (row.rate_rad_s[axis] - asked).abs()).fold(0.0, f64::max);
            assert!(
                asked == 0.0 || worst <= 0.02 * asked.abs(),
                "axis {axis} misses {asked} by {worst} rad/s"
            );
            if pair[0].deflection == [0.0; 3] {
                let turned = |row: &stackhold_harness::record::CycleRow| {
                    closed_loop::error_from(row.attitude_xyzw, first.attitude_xyzw)[axis].abs()
                };
                let most = rows().map(turned).fold(0.0, f64::max);
                // From one edge of the deadband to the other at most.
                assert!(most <= 2.1 * half_width_rad[axis], "axis {axis} wandered by {most} rad");
            }
        }
    }
}

#[test]
fn a_deflection_within_the_dead_zone_asks_for_nothing_and_a_full_one_for_all() {
    let hand = |deflection: [f32; 3]| Hand {
        deflection,
        dead_zone: 0.1,
        full_rate_rad_s: [0.01, 0.02, 0.03],
        deadband: limits(0.01, 0.001),
        asks_for: HandDemand::Rate,
    };
    assert_eq!(hand([0.1, -0.1, 0.05]).rate_rad_s(), Vec3::ZERO);
    let off = |deflection: [f32; 3], wanted: [f32; 3]| (hand(deflection).rate_rad_s() - Vec3(wanted)).norm();
    assert!(off([1.0, -1.0, 1.0], [0.01, -0.02, 0.03]) < 1e-8);
    assert!(off([0.55, 0.0, 0.0], [0.005, 0.0, 0.0]) < 1e-8, "half of what is left beyond the dead zone");
}

/// Every new deflection brings one smallest firing, however long it lasts; the other axes are hardly touched.
#[test]
fn a_deflection_that_asks_for_a_bit_gets_one() {
    let mut scenario = from_library("rate_by_hand");
    scenario.duration_s = 120.0;
    let Mode::Hand { deflections, asks_for_bits, .. } = &mut scenario.phases[0].mode else {
        panic!("by hand")
    };
    *asks_for_bits = true;
    let rows = [(10.0, 1.0), (50.0, 0.0), (60.0, 1.0), (61.0, 0.0)];
    *deflections = rows.map(|(at_s, z)| Deflection { at_s, deflection: [0.0, 0.0, z] }).to_vec();
    let (record, _) = fly(&scenario);
    let bit = f64::from(controller_for(&scenario).axis_bits()[2].rate_rad_s);
    let at = |time_s: f64| {
        let row = record.cycles.iter().rfind(|row| row.time_s <= time_s).expect("a row");
        Vector3::from(row.rate_rad_s)
    };
    for (from_s, to_s) in [(9.0, 49.0), (59.0, 100.0)] {
        let change = at(to_s) - at(from_s);
        println!("bit {bit:.2e} rad/s asked for, brought {change:?}");
        assert!(change[2] > 0.4 * bit && change[2] < 1.6 * bit, "{change:?} for {bit}");
        assert!(change[0].abs() < bit && change[1].abs() < bit, "{change:?} for {bit}");
    }
    assert!((at(118.0) - at(100.0)).norm() < 0.1 * bit, "nothing else is fired");
}

/// The stack that the modes are flown with is the docked one, metres away from where the jets were laid out for.
#[test]
fn the_modes_are_flown_with_the_centre_of_mass_far_from_its_design_place() {
    for name in ["damp_a_tumble", "watched_drift", "coarse_and_fine_hold", "rate_by_hand"] {
        let scenario = from_library(name);
        let vehicle = &scenario.vehicle;
        let properties = stack::composite(vehicle, &scenario.stack, &stack::full_tanks(vehicle));
        let design = Vector3::from(vehicle.design_centre_of_mass_m);
        assert!((Vector3::from(properties.centre_of_mass_m) - design).norm() > 2.0, "{name}");
    }
}
