//! The figures the project promises, flown: library scenarios, the real kernel, the truth simulator.
//! Rows that are timings live in the benches. `DEVELOPERS.md` says how to fly the long versions.
#![allow(missing_docs)]

use nalgebra::{Matrix3, Vector3};
use stackhold_harness::metrics::{self, Metrics};
use stackhold_harness::scenario::model::{Disturbance, Mode, Push, Scenario, Told};
use stackhold_harness::{closed_loop, stack, table};
use stackhold_kernel::effectiveness::Effectiveness;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Outcome, Problem, select};
use stackhold_tests::flying::{figure, from_library};

fn fly(scenario: &Scenario) -> Metrics {
    fly_told(scenario, &scenario.told)
}

fn fly_told(scenario: &Scenario, told: &Told) -> Metrics {
    let record = closed_loop::fly(scenario, &scenario.stack, told, "flight", &mut |_| ()).expect("flies");
    assert!(record.selections.checked > 0, "a flight without a selection proves nothing");
    assert_eq!(record.selections.unproven, 0, "every selection proves itself");
    assert!(record.selections.worst_optimality_gap < 2e-5);
    metrics::measure(scenario, &scenario.stack, &record).expect("measured")
}

// --------------------------------------------------------------------------- isolating one axis

/// Angular accelerations of the jets by the harness's own mass properties, rad/s², one column per jet.
fn true_columns(scenario: &Scenario) -> Vec<Vector3<f64>> {
    let vehicle = &scenario.vehicle;
    let properties = stack::composite(vehicle, &scenario.stack, &stack::full_tanks(vehicle));
    let inverse: Matrix3<f64> = properties.inertia().try_inverse().expect("physical");
    vehicle
        .jets
        .iter()
        .map(|jet| {
            let arm = Vector3::from(properties.arm_m(jet.position_m, jet.force_direction));
            inverse * arm * jet.thrust_n
        })
        .collect()
}

/// Largest rate change off the commanded axis over the commanded one, for unrounded on-times selected from
/// what the kernel is `told`.
fn coupling(scenario: &Scenario, told: &Told, axis: usize, sign: f32) -> f64 {
    let table = table::build(scenario, &scenario.stack, told).expect("a table");
    let stack = table.validate().expect("valid");
    let effectiveness = Effectiveness::<{ table::JETS }>::new(&table.jets, &stack);
    let columns: Vec<[f32; 3]> = effectiveness.effects().iter().map(|e| e.turn_rad_s2.0).collect();
    let price: Vec<f32> = table.jets.iter().map(|jet| jet.flow_kg_s()).collect();
    let limit = vec![10.0; columns.len()];
    let usable = table
        .jets
        .iter()
        .enumerate()
        .filter(|(_, jet)| jet.enabled)
        .fold(JetMask::NONE, |mask, (j, _)| mask.with(j));
    let mut wanted = [0.0; 3];
    wanted[axis] = sign * 1e-3;
    let answer = select::<3, { table::JETS }>(&Problem {
        columns: &columns,
        price: &price,
        limit: &limit,
        usable,
        demand: &Demand::point(wanted),
        priority: [0, 1, 2],
    });
    assert_eq!(answer.outcome, Outcome::Exact);
    let change: Vector3<f64> =
        true_columns(scenario).iter().zip(answer.on_time).map(|(a, t)| a * f64::from(t)).sum();
    let off = (0..3).filter(|&other| other != axis).map(|other| change[other].abs()).fold(0.0, f64::max);
    off / (change[axis] * f64::from(sign))
}

#[test]
fn one_axis_moves_alone_before_rounding() {
    for name in ["docked_hold", "bare_tug_hold"] {
        let scenario = from_library(name);
        for axis in 0..3 {
            for sign in [1.0, -1.0] {
                let found = coupling(&scenario, &scenario.told, axis, sign);
                println!("{name}, axis {axis}, {sign:+}: off-axis share {found:.1e}");
                assert!((0.0..=1e-5).contains(&found), "{name}, axis {axis}, {sign}: {found:e}");
            }
        }
    }
}

#[test]
fn told_the_bare_tug_the_same_kernel_couples() {
    // The check above is blind if this one passes too.
    let scenario = from_library("docked_hold");
    let told = Told { stack: vec!["tug".into()], ..scenario.told.clone() };
    let worst = (0..3).map(|axis| coupling(&scenario, &told, axis, 1.0).abs()).fold(0.0, f64::max);
    assert!(worst > 0.1, "{worst}");
}

#[test]
fn one_axis_moves_alone_as_flown() {
    for name in ["one_axis_firing_roll", "one_axis_firing_pitch", "one_axis_firing_yaw"] {
        let scenario = from_library(name);
        let found = figure(&fly(&scenario), "cross_coupling");
        assert!(found <= 0.02, "{name}: {found}");
        let told = Told { stack: vec!["tug".into()], ..scenario.told.clone() };
        let old_practice = figure(&fly_told(&scenario, &told), "cross_coupling");
        println!("{name}: off-axis share as flown {found:.4}, told the bare tug {old_practice:.3}");
        assert!(old_practice > 5.0 * found, "{name}, told the bare tug: {old_practice}");
    }
}

// ------------------------------------------------------------------------------------- propellant

#[test]
fn a_steady_vent_is_paid_at_nearly_its_price() {
    for seed in [1, 2] {
        let scenario = Scenario { seed, ..from_library("steady_vent") };
        let metrics = fly(&scenario);
        let ratio = figure(&metrics, "propellant_over_bound");
        println!("steady vent over its bound, seed {seed}: {ratio:.3}");
        // Under 1 would refute the bound.
        assert!((1.0..=1.10).contains(&ratio), "seed {seed}: {ratio}");
        assert!(metrics.bound.as_ref().is_some_and(|bound| bound.proven));
        assert!(figure(&metrics, "worst_axis_error_over_half_width") <= 1.10);
        for axis in ["x", "y", "z"] {
            assert!(figure(&metrics, &format!("pulses_{axis}")) >= 50.0, "{axis} is hardly loaded");
        }
    }
}

#[test]
fn an_undisturbed_hold_runs_on_the_smallest_bits() {
    let mut ratios: Vec<f64> = (1..=8)
        .map(|seed| {
            let metrics = fly(&Scenario { seed, ..from_library("noisy_undisturbed_hold") });
            assert!(figure(&metrics, "worst_axis_error_over_half_width") <= 1.10);
            for axis in ["x", "y", "z"] {
                let periods = figure(&metrics, &format!("limit_cycle_periods_{axis}"));
                assert!(periods >= 20.0, "{axis}: {periods} periods");
            }
            figure(&metrics, "hold_propellant_over_limit_cycle")
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    let median = 0.5 * (ratios[3] + ratios[4]);
    println!("undisturbed hold over the closed form: median {median:.3} of {ratios:.3?}");
    assert!(median <= 2.0, "{ratios:?}");
}

#[test]
fn one_undisturbed_axis_costs_no_more_than_its_closed_form() {
    let metrics = fly(&from_library("one_axis_limit_cycle"));
    let ratio = figure(&metrics, "hold_propellant_over_limit_cycle");
    println!("one undisturbed axis over the closed form: {ratio:.4}");
    assert!((0.5..=1.0).contains(&ratio), "{ratio}");
    assert!(figure(&metrics, "limit_cycle_periods_y") >= 20.0);
}

// -------------------------------------------------------------------- limit cycles from outside

/// The plain block with one pitch jet each way that is exactly what the reference row says.
fn pitch_block(inertia: f64, thrust_n: f64, arm_m: f64, pulse_s: f64, isp_s: f64, half_deg: f64) -> Scenario {
    let mut scenario = from_library("one_axis_limit_cycle");
    let body = &mut scenario.vehicle.bodies[0];
    body.inertia_kg_m2 = [[inertia, 0.0, 0.0], [0.0, inertia, 0.0], [0.0, 0.0, inertia]];
    body.mass_kg = 1e6;
    for jet in &mut scenario.vehicle.jets {
        if jet.name.starts_with("aft") && jet.name.ends_with('z') {
            jet.position_m = [-arm_m, 0.0, 0.0];
            jet.thrust_n = thrust_n;
        }
        jet.specific_impulse_s = isp_s;
        jet.minimum_on_s = pulse_s;
        (jet.opening_delay_s, jet.rise_s, jet.closing_delay_s, jet.tail_off_s) = (0.0, 0.0, 0.0, 0.0);
    }
    let Mode::Hold { half_width_rad, .. } = &mut scenario.phases[0].mode else { panic!("a hold") };
    *half_width_rad = [half_deg.to_radians(); 3];
    scenario
}

#[test]
fn the_two_sided_cycle_is_that_of_reference_row_lc3() {
    // Reference row LC-3 (textbook topic, re-derived; numpy 2.4.6): J 8600, 22 N x 20 ms at 3.3 m, half-width
    // 0.5 deg, Isp 285 s: period 413.534 s, 65.784 g a day. Row LC-4: the symmetric split is the shortest
    // period, so a flown period may only be longer and the propellant only less; turning round up to one
    // cycle's travel beyond the edge lengthens it by at most twice rate x cycle over the width.
    let mut scenario = pitch_block(8_600.0, 22.0, 3.3, 0.020, 285.0, 0.5);
    scenario.initial.rate_rad_s = [0.0, 8.441_860_465_116_279e-5, 0.0];
    scenario.duration_s = 30.0 * 413.534;
    let metrics = fly(&scenario);
    let period = figure(&metrics, "limit_cycle_period_y_s");
    assert!((413.5..=413.5 * 1.01).contains(&period), "{period}");
    // From first to last opening: half a period at either end does not count.
    let per_day = figure(&metrics, "hold_propellant_over_limit_cycle");
    assert!((0.98..=1.0).contains(&per_day), "{per_day}");
    let grams = figure(&metrics, "propellant_kg") * 1e3;
    let pulses = figure(&metrics, "pulses_y");
    // 0.44 N s at 285 s is 0.157430 g a pulse.
    assert!((grams / pulses - 0.157_430).abs() < 1e-4 * 0.157_430, "{grams} g in {pulses} pulses");
}

#[test]
fn a_constant_push_is_paid_at_the_floor_of_reference_row_lc7_on_one_side() {
    // Reference rows LC-6, LC-7 (Space Propulsion lecture, IAP/TU Wien, slides 81 and 82): J 5000, 2e-3 N m,
    // half-width 0.1 deg: the longest one-sided cycle takes 264.22 s; 0.02669802449 kg a day at 3 m and
    // 220 s. The pulse used here, 0.3 N m s, is row LC-5's: small enough to stay one-sided.
    let mut scenario = pitch_block(5_000.0, 5.0, 3.0, 0.020, 220.0, 0.1);
    scenario.duration_s = 43_200.0;
    scenario.initial.rate_rad_s = [0.0; 3];
    scenario.disturbances = vec![Disturbance {
        name: "push".into(),
        start_s: 0.0,
        stop_s: 43_200.0,
        push: Push::Torque { torque_n_m: [0.0, 2e-3, 0.0] },
        body: None,
    }];
    let metrics = fly(&scenario);
    let ratio = figure(&metrics, "propellant_over_bound");
    assert!((1.0 - 1e-9..=1.02).contains(&ratio), "{ratio}");
    let floor = 0.026_698_024_49 / 2.0;
    let used = figure(&metrics, "propellant_kg");
    // Momentum left over at the end is worth at most one firing of the longest cycle.
    assert!((used / floor - 1.0).abs() < 0.01, "{used} against {floor}");
    let firings = 43_200.0 / figure(&metrics, "limit_cycle_period_y_s");
    assert!(figure(&metrics, "limit_cycle_period_y_s") <= 264.3, "no coast is longer than the longest");
    assert!(firings > 100.0);
}

// ------------------------------------------------------------------------------- a truth of more parts

#[test]
fn a_grip_that_gives_way_costs_no_more_and_does_not_keep_swinging() {
    let scenario = from_library("flexible_grip_hold");
    let mut rigid = scenario.clone();
    rigid.joints.clear();
    let used = figure(&fly(&rigid), "propellant_kg");
    for frequency_hz in [0.1, 0.3, 1.0] {
        let mut scenario = scenario.clone();
        scenario.joints.iter_mut().for_each(|joint| joint.frequency_hz = frequency_hz);
        let metrics = fly(&scenario);
        let (over, swing) =
            (figure(&metrics, "propellant_kg") / used, figure(&metrics, "joint_swing_at_end_deg"));
        println!("grip at {frequency_hz} Hz: propellant {over:.3} of rigid, swing at the end {swing:.4} deg");
        assert!(over <= 1.5 && figure(&metrics, "worst_axis_error_over_half_width") <= 1.10);
        assert!(swing <= 0.05 && figure(&metrics, "joint_angle_max_deg") > 0.001, "{swing}");
        // With joints the books still close, and the bound is still one.
        assert!(metrics.bound.as_ref().is_some_and(|bound| bound.proven));
        assert!(figure(&metrics, "propellant_over_bound") >= 1.0);
    }
}

#[test]
fn liquid_that_swings_costs_hardly_more_and_is_not_driven() {
    let scenario = from_library("sloshing_tank_hold");
    let mut rigid = scenario.clone();
    rigid.sloshes.clear();
    let used = figure(&fly(&rigid), "propellant_kg");
    let mut over: Vec<f64> = (1..=5)
        .map(|seed| {
            let metrics = fly(&Scenario { seed, ..scenario.clone() });
            assert!(figure(&metrics, "worst_axis_error_over_half_width") <= 1.10);
            assert!(figure(&metrics, "slosh_angle_max_deg") > 20.0, "it must swing");
            let speed = figure(&metrics, "slosh_speed_max_m_s");
            assert!(speed <= 0.005 && figure(&metrics, "slosh_speed_at_end_m_s") < speed, "{speed}");
            // The books close, and the bound is one wherever the liquid is.
            assert!(metrics.bound.as_ref().is_some_and(|bound| bound.proven));
            assert!(figure(&metrics, "propellant_over_bound") >= 1.0);
            figure(&metrics, "propellant_kg") / used
        })
        .collect();
    over.sort_by(f64::total_cmp);
    println!("liquid that swings: propellant {over:.3?} of a rigid stack's");
    assert!(over[4] <= 1.1, "{over:?}");
}

#[test]
fn the_gravity_gradient_is_held_against_and_its_bound_is_proven() {
    let scenario = from_library("gravity_gradient_hold");
    let record =
        closed_loop::fly(&scenario, &scenario.stack, &scenario.told, "flight", &mut |_| ()).expect("flies");
    let metrics = metrics::measure(&scenario, &scenario.stack, &record).expect("measured");
    assert!(figure(&metrics, "worst_axis_error_over_half_width") <= 1.10);
    assert!(metrics.bound.as_ref().is_some_and(|bound| bound.proven));
    assert!(figure(&metrics, "propellant_over_bound") >= 1.0);
    let mut without = scenario.clone();
    without.orbit = None;
    let (used, undisturbed) = (figure(&metrics, "propellant_kg"), figure(&fly(&without), "propellant_kg"));
    println!(
        "gravity gradient: {used:.4} kg, without {undisturbed:.4} kg, unproven {}",
        record.selections.unproven
    );
    assert!(used > 0.01 && undisturbed < 0.001, "{used} and {undisturbed}");
}

// -------------------------------------------------------------------------------- wrong knowledge

#[test]
fn told_the_bare_tug_the_demo_loses_its_stack_and_told_the_truth_it_holds() {
    let mut scenario = from_library("docked_hold");
    scenario.duration_s = 1_800.0;
    assert!(figure(&fly(&scenario), "worst_axis_error_over_half_width") <= 1.10);
    let told = Told { stack: vec!["tug".into()], ..scenario.told.clone() };
    let lost = fly_told(&scenario, &told);
    assert!(figure(&lost, "peak_axis_error_deg") > 5.0);
}
