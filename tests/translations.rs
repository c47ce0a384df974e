//! Translations: what they cost beside the least propellant for the same velocity change without turning (a linear program of
//! another library, in double precision), how exactly they arrive, how still the attitude stays, and what cannot be pushed.
#![allow(missing_docs)]

use nalgebra::Vector3;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::model::{Actuators, JetState, Mode, Phase, Scenario, Shut, ShutOff};
use stackhold_harness::translations::Pricing;
use stackhold_harness::truth::Truth;
use stackhold_kernel::status::Status;
use stackhold_tests::flying::{figure, fly, from_library};

const DOCKED: &[&str] = &["tug", "grapple_mast", "client", "spent_stage"];
const RELEASED: &[&str] = &["tug", "grapple_mast", "client"];
const BARE: &[&str] = &["tug", "grapple_mast"];

/// Standard gravity, m/s² (exact, CGPM 1901).
const STANDARD_GRAVITY_M_S2: f64 = 9.806_65;

/// The library's push with another stack and another velocity change, in a run that ends so long after its start, s.
fn push(stack: &[&str], change_m_s: Vector3<f64>, after_s: f64) -> Scenario {
    let mut scenario = from_library("push_forward");
    scenario.stack = stack.iter().map(|body| (*body).to_owned()).collect();
    scenario.told.stack.clone_from(&scenario.stack);
    let Phase { start_s, mode: Mode::Translate { velocity_change_m_s, .. }, .. } = &mut scenario.phases[1]
    else {
        panic!("a translation")
    };
    *velocity_change_m_s = change_m_s.into();
    scenario.duration_s = *start_s + after_s;
    scenario
}

/// Jets that do what the kernel is told of them.
fn without_scatter(mut scenario: Scenario) -> Scenario {
    scenario.actuators = Actuators { thrust_scatter: 0.0, pulse_scatter: 0.0, ..scenario.actuators };
    scenario
}

fn pricing(scenario: &Scenario) -> Pricing {
    let truth = Truth::new(scenario, &scenario.stack).expect("a stack");
    Pricing::new(scenario, &scenario.stack, &truth.arms_m())
}

fn any_direction(random: &mut Pcg64) -> Vector3<f64> {
    loop {
        let v = Vector3::from_fn(|_, _| random.random_range(-1.0..1.0_f64));
        if (0.1..1.0).contains(&v.norm()) {
            return v.normalize();
        }
    }
}

fn refused(record: &RunRecord) -> bool {
    record.cycles.iter().any(|row| row.status == Status::PushRefused.number())
}

// -------------------------------------------------------------------------------------- figures

/// 1 m/s, with jets that are a hundredth off: the goals of the project.
#[test]
fn a_metre_a_second_costs_its_price_and_leaves_the_attitude_alone() {
    for stack in [DOCKED, RELEASED, BARE] {
        let (_, flown) = fly(&push(stack, Vector3::x(), 900.0));
        let of = |name: &str| figure(&flown, &format!("translation_{name}"));
        println!(
            "{} bodies: {:.4} of the velocity missed, {:.2} half-widths, {:.4} kg, {:.4} times the price, {:.0} s",
            stack.len(),
            of("velocity_error"),
            of("error_over_half_width"),
            of("propellant_kg"),
            of("propellant_over_price"),
            of("time_s")
        );
        assert!(of("velocity_error") <= 0.01);
        assert!(of("error_over_half_width") <= 2.0);
        assert!(of("propellant_over_price") <= 1.03);
    }
}

/// Any direction, any size worth a push: it costs its price, or is refused where the independent program finds no way either.
#[test]
fn pushes_in_any_direction_cost_their_price_or_are_refused() {
    let mut random = Pcg64::seed_from_u64(20);
    let (mut flown, mut worst) = (0, [0.0_f64; 3]);
    for case in 0..24 {
        let stack = [DOCKED, RELEASED, BARE][case % 3];
        let direction = any_direction(&mut random);
        let size = random.random_range(0.05..0.4);
        let scenario = without_scatter(push(stack, direction * size, 1_500.0));
        let price = pricing(&scenario).price_kg(direction.into());
        let (record, metrics) = fly(&scenario);
        assert_eq!(price.is_err(), refused(&record), "case {case}: {direction:?}, {price:?}");
        if price.is_err() {
            continue;
        }
        let of = |name: &str| figure(&metrics, &format!("translation_{name}"));
        let found = [of("velocity_error"), of("error_over_half_width"), of("propellant_over_price")];
        println!(
            "case {case}: {} bodies, {size:.3} m/s along {:.2?}: {found:.4?}",
            stack.len(),
            direction.as_slice()
        );
        // Nothing is pushed for that is within two sigma of the accelerometer's noise, 0.5 mm/s about each axis.
        let missed = found[0] <= 0.01 || found[0] * size <= 2e-3;
        assert!(missed && found[1] <= 2.0 && found[2] <= 1.03, "case {case}: {found:?}");
        worst = [0, 1, 2].map(|i| worst[i].max(found[i]));
        flown += 1;
    }
    println!("{flown} of 24 flown; worst {worst:.4?}");
    assert!(flown >= 12);
}

// ------------------------------------------------------------------------------- outside checks

/// A block with two jets aft, `y` = 1 m and -0.5 m from its middle, that push forwards.
fn block_with_two_jets_aft(change_m_s: f64) -> Scenario {
    let mut scenario = from_library("one_axis_limit_cycle");
    assert_eq!(scenario.vehicle.name, "plain_block");
    let kind = scenario.vehicle.jets[0].clone();
    for (name, y) in [("aft_left", 1.0), ("aft_right", -0.5)] {
        let mut jet = kind.clone();
        jet.name = name.to_owned();
        (jet.position_m, jet.force_direction) = ([-1.0, y, 0.0], [1.0, 0.0, 0.0]);
        scenario.vehicle.jets.push(jet);
    }
    scenario.phases = vec![Phase {
        start_s: 0.0,
        early: false,
        mode: Mode::Translate {
            attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
            velocity_change_m_s: [change_m_s, 0.0, 0.0],
            half_width_rad: [0.5_f64.to_radians(); 3],
            rate_limit_rad_s: [0.05_f64.to_radians(); 3],
        },
    }];
    scenario.initial.rate_rad_s = [0.0; 3];
    scenario.disturbances.clear();
    scenario.duration_s = 400.0;
    without_scatter(scenario)
}

/// The law of the lever (statics; any textbook) shares the push, and the rocket equation (Tsiolkovsky) is its price:
/// `m = m0·(1 − exp(−Δv / (Isp·g0)))`.
#[test]
fn a_push_obeys_the_law_of_the_lever_and_the_rocket_equation() {
    let scenario = block_with_two_jets_aft(1.5);
    let (record, metrics) = fly(&scenario);
    let jets = &scenario.vehicle.jets;
    let impulse = |name: &str| {
        let index = jets.iter().position(|jet| jet.name == name).expect("a jet");
        record.jets[index].impulse_n_s
    };
    let ratio = impulse("aft_right") / impulse("aft_left");
    // A little of it brings the attitude back.
    assert!((ratio - 2.0).abs() < 0.05, "{ratio}");
    let gained = record.cycles.last().expect("rows").velocity_m_s[0];
    let first_kg = scenario.vehicle.bodies[0].mass_kg + scenario.vehicle.tanks[0].propellant_kg;
    let exhaust_m_s = jets[0].specific_impulse_s * STANDARD_GRAVITY_M_S2;
    let least_kg = first_kg * (1.0 - (-gained / exhaust_m_s).exp());
    let used = figure(&metrics, "propellant_kg");
    println!("shares 1 to {ratio:.4}; {used:.5} kg, rocket equation {least_kg:.5} kg");
    assert!(used >= least_kg * (1.0 - 1e-6) && used <= 1.01 * least_kg, "{used} {least_kg}");
    assert!((gained - 1.5).abs() < 0.015);
}

/// Without a jet aft of the middle no way is left to push without turning: said at once, and the attitude is held.
#[test]
fn what_cannot_be_pushed_is_refused_and_held() {
    let mut scenario = block_with_two_jets_aft(0.1);
    scenario.vehicle.jets.retain(|jet| jet.name != "aft_left");
    let (record, _) = fly(&scenario);
    assert!(refused(&record));
    let last = record.cycles.last().expect("rows");
    assert!(Vector3::from(last.velocity_m_s).norm() < 0.005, "{:?}", last.velocity_m_s);
    assert!(last.error_rad.iter().all(|error| error.to_degrees().abs() < 0.55));
}

// ------------------------------------------------------------------------------ when things change

/// A jet that is shut off on the way: the rest of the push is planned with the others.
#[test]
fn a_push_goes_on_when_a_jet_is_shut_off() {
    let mut scenario = without_scatter(push(RELEASED, Vector3::new(0.5, 0.0, 0.0), 900.0));
    let busiest = {
        let (record, _) = fly(&scenario);
        let impulse = |j: &usize| record.jets[*j].impulse_n_s;
        let ready = (0..record.jets.len()).filter(|j| scenario.vehicle.jets[*j].state == JetState::Ready);
        ready.max_by(|a, b| impulse(a).total_cmp(&impulse(b))).expect("jets")
    };
    let name = scenario.vehicle.jets[busiest].name.clone();
    scenario.shut_offs.push(ShutOff { start_s: 90.0, stop_s: 2_000.0, what: Shut::Jet(name.clone()) });
    let (record, metrics) = fly(&scenario);
    println!("without {name}: {:.4} of the velocity missed", figure(&metrics, "translation_velocity_error"));
    if refused(&record) {
        let mut left = scenario.clone();
        left.vehicle.jets[busiest].state = JetState::Dead;
        assert!(
            pricing(&left).price_kg([1.0, 0.0, 0.0]).is_err(),
            "refused though there is a way without {name}"
        );
    } else {
        assert!(figure(&metrics, "translation_velocity_error") < 0.01);
    }
    assert!(figure(&metrics, "translation_error_over_half_width") < 2.0);
    let after = record.edges.iter().filter(|edge| edge.jet == busiest && edge.open && edge.time_s > 90.3);
    assert_eq!(after.count(), 0, "a jet that is shut off has opened");
}
