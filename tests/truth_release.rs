//! A part of the stack that is let go: books of momentum and energy, springs, relative motion in orbit, clearance.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Isometry3, Matrix3, Translation3, UnitQuaternion, Vector3};
use proptest::prelude::*;
use scene::{body, diagonal, jet, near, pulse, scene, truth};
use stackhold_harness::record::Parting;
use stackhold_harness::scenario::model::{
    Body, Disturbance, Engine, Hull, Interface, Orbit, Plume, Push, Release, Scenario, Spring, Vehicle,
};
use stackhold_harness::truth::attitude::Attitude;
use stackhold_harness::truth::clearance::Hulls;
use stackhold_harness::truth::gradient::Gradient;
use stackhold_harness::truth::{Truth, TruthError};

const EARTH_GM: f64 = 3.986_004_418e14;

/// A hub with its tank, and a load beyond an interface.
fn pair(hub: Body, load: Body) -> Scenario {
    let mut scenario = scene(1000.0, hub.centre_of_mass_m, diagonal([100.0; 3]));
    scenario.vehicle.tanks[0].propellant_kg = 0.0;
    scenario.vehicle.interfaces =
        vec![Interface { name: "clamp".into(), position_m: [0.0; 3], far_side: vec![load.name.clone()] }];
    scenario.stack = vec![hub.name.clone(), load.name.clone()];
    scenario.vehicle.bodies = vec![hub, load];
    scenario
}

fn release(springs: Vec<Spring>) -> Release {
    Release {
        at_s: 0.0,
        interface: "clamp".into(),
        springs,
        spring_scatter: 0.0,
        keep_out_m: 1.0,
        told: true,
    }
}

fn spring(position_m: [f64; 3], direction: [f64; 3], energy_j: f64) -> Spring {
    Spring { position_m, direction: Vector3::from(direction).normalize().into(), energy_j }
}

/// Two small heavy bodies on the x axis, the centre of mass of each on the line of the spring.
fn on_a_line(springs: Vec<Spring>) -> (Scenario, Release) {
    let small = diagonal([0.01; 3]);
    (
        pair(body("hub", 30.0, [-0.5, 0.0, 0.0], small), body("load", 10.0, [0.5, 0.0, 0.0], small)),
        release(springs),
    )
}

fn energy_j(parting: &Parting, truth: &Truth) -> f64 {
    let linear = |part: usize| {
        let momentum = Vector3::from(parting.after[part].linear_n_s);
        0.5 * momentum.norm_squared() / parting.masses_kg[part]
    };
    let released = truth.released().expect("released");
    linear(0) + linear(1) + truth.rotational_energy_j() + released.rotational_energy_j()
}

/// `v = sqrt(2 E / μ)`, `1/μ = 1/m₁ + 1/m₂` (energy and momentum of two points; any textbook of mechanics), each with
/// its share of the velocity; two springs give the sum of their energies.
#[test]
fn a_spring_between_two_points() {
    let along = |energy| spring([0.0; 3], [-1.0, 0.0, 0.0], energy);
    for springs in [vec![along(2.0)], vec![along(0.5), along(1.5)]] {
        let (scenario, release) = on_a_line(springs);
        let mut truth = truth(&scenario);
        let parting = truth.release(&scenario, &release).expect("parts").clone();
        let speed = (2.0 * 2.0 * (1.0 / 30.0 + 1.0 / 10.0_f64)).sqrt();
        near("relative", parting.velocity_m_s, [speed, 0.0, 0.0], 1e-14).unwrap();
        near("load", parting.after[1].linear_n_s, [0.75 * speed * 10.0, 0.0, 0.0], 1e-13).unwrap();
        near("no rates", parting.rate_change_rad_s, [0.0; 3], 0.0).unwrap();
        truth.advance_to(50.0);
        let way = truth.released().expect("released").place_m();
        near("way", way, [1.0 + 50.0 * speed, 0.0, 0.0], 1e-11).unwrap();
        // Such a spring off by a thousandth would be seen.
        near("another", way, [1.0 + 50.0 * speed * 1.001, 0.0, 0.0], 1e-3).unwrap_err();
    }
}

/// A spring off the centres of mass of two unlike bodies, worked out by hand: `J = sqrt(2 E / M)` with
/// `M = 1/m₁ + 1/m₂ + a₁²/I₁ + a₂²/I₂`, `a` the arms about parallel principal axes.
#[test]
fn a_spring_beside_the_centres_of_mass() {
    let hub = body("hub", 40.0, [-1.0, -0.3, 0.0], diagonal([8.0, 9.0, 12.0]));
    let load = body("load", 10.0, [1.0, 0.2, 0.0], diagonal([3.0, 4.0, 5.0]));
    let scenario = pair(hub, load);
    let mut truth = truth(&scenario);
    let spring = spring([0.0; 3], [-1.0, 0.0, 0.0], 3.0);
    let parting = truth.release(&scenario, &release(vec![spring])).expect("parts").clone();
    let mobility: f64 = 1.0 / 40.0 + 1.0 / 10.0 + 0.3 * 0.3 / 12.0 + 0.2 * 0.2 / 5.0;
    let impulse = (2.0 * 3.0 / mobility).sqrt();
    near("impulse", [parting.spring_impulses_n_s[0]], [impulse], 1e-13).unwrap();
    // On the hub -x at 0.3 above its centre: turns it about +z; on the load +x at 0.2 below its own: +z too.
    near("hub", parting.rate_change_rad_s, [0.0, 0.0, 0.3 * impulse / 12.0], 1e-14).unwrap();
    near("load", parting.released_rate_rad_s, [0.0, 0.0, 0.2 * impulse / 5.0], 1e-14).unwrap();
}

/// Scatter moves each spring's energy by itself, the same way for the same seed.
#[test]
fn springs_scatter_by_the_seed() {
    let energies = |seed: u64, scatter: f64| {
        let along = |energy| spring([0.0; 3], [-1.0, 0.0, 0.0], energy);
        let (mut scenario, mut release) = on_a_line(vec![along(1.0), along(1.0)]);
        (scenario.seed, release.spring_scatter) = (seed, scatter);
        let parting = truth(&scenario).release(&scenario, &release).expect("parts").clone();
        let [one, other] = parting.spring_impulses_n_s[..] else { panic!("two springs") };
        (parting.spring_energy_j, one / other)
    };
    assert_eq!(energies(1, 0.0), (2.0, 1.0));
    let (sum, ratio) = energies(1, 0.05);
    assert_eq!((sum, ratio), energies(1, 0.05));
    assert_ne!((sum, ratio), energies(2, 0.05));
    assert!((sum - 2.0).abs() < 0.5 && ratio != 1.0 && (ratio - 1.0).abs() < 0.5, "{sum}, {ratio}");
}

fn vector(size: f64) -> impl Strategy<Value = [f64; 3]> {
    [-size..size, -size..size, -size..size]
}

/// A tensor of a body of ordinary matter: sums of two of three positive numbers, turned.
fn tensor() -> impl Strategy<Value = [[f64; 3]; 3]> {
    ([1.0..50.0, 1.0..50.0, 1.0..50.0_f64], vector(3.0)).prop_map(|([a, b, c], turn)| {
        let turn = UnitQuaternion::from_scaled_axis(Vector3::from(turn)).to_rotation_matrix();
        let moments = Matrix3::from_diagonal(&Vector3::new(b + c, a + c, a + b));
        let tensor = turn * moments * turn.transpose();
        [0, 1, 2].map(|row| [0, 1, 2].map(|column| 0.5 * (tensor[(row, column)] + tensor[(column, row)])))
    })
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]
    /// Whatever the bodies, their motion and the springs: linear and angular momentum of both parts are those of the whole, the
    /// springs give just their energy, and the parts go on from where the whole was.
    #[test]
    fn books_of_momentum_and_energy_close(
        (hub, load) in ((20.0..3000.0_f64, vector(3.0), tensor()), (20.0..3000.0_f64, vector(3.0), tensor())),
        (turned, rate) in (vector(3.0), vector(0.2)),
        springs in prop::collection::vec((vector(2.0), vector(1.0), 0.01..20.0_f64), 0..4),
    ) {
        let mut scenario = pair(body("hub", hub.0, hub.1, hub.2), body("load", load.0, load.1, load.2));
        scenario.initial.attitude_xyzw = Attitude::from_rotation_vector(&turned.into()).to_file();
        scenario.initial.rate_rad_s = rate;
        let springs: Vec<Spring> = springs
            .into_iter()
            .filter(|(_, direction, _)| Vector3::from(*direction).norm() > 0.1)
            .map(|(place, direction, energy)| spring(place, direction, energy))
            .collect();
        let given: f64 = springs.iter().map(|spring| spring.energy_j).sum();
        let mut truth = truth(&scenario);
        truth.advance_to(7.0);
        let before = truth.rotational_energy_j();
        let velocity = truth.velocity_m_s();
        let parting = truth.release(&scenario, &release(springs)).expect("parts").clone();
        prop_assert!(parting.momentum_error() < 1e-13, "{:e}", parting.momentum_error());
        let gained = energy_j(&parting, &truth) - before;
        prop_assert!((gained - given).abs() < 1e-11 * (before + given), "{gained} J for {given} J");
        // What jets gave does not jump.
        near("velocity", truth.velocity_m_s(), velocity, 1e-12).map_err(TestCaseError::fail)?;
        let place = truth.released().expect("released").place_m();
        truth.advance_to(7.0 + 1e-3);
        let later = truth.released().expect("released").place_m();
        let moved = [0, 1, 2].map(|i| place[i] + 1e-3 * parting.velocity_m_s[i]);
        near("moves on", later, moved, 1e-11).map_err(TestCaseError::fail)?;
        // Free space: nothing from outside, whatever they do.
        truth.advance_to(60.0);
        for (since, after) in truth.partings()[0].since.iter().zip(&parting.after) {
            let size = Vector3::from(after.linear_n_s).norm() + 1.0;
            near("linear", since.linear_n_s, [0.0; 3], 1e-13 * size).map_err(TestCaseError::fail)?;
            near("angular", since.angular_n_m_s, [0.0; 3], 1e-10 * size).map_err(TestCaseError::fail)?;
        }
    }
}

/// Parts that turn together go apart along the tangent: `|ρ(t)|² = ρ₀² (1 + ω² t²)`.
#[test]
fn without_springs_the_parts_leave_along_the_tangent() {
    let (mut scenario, release) = on_a_line(Vec::new());
    scenario.initial.rate_rad_s = [0.0, 0.0, 0.03];
    let mut truth = truth(&scenario);
    truth.release(&scenario, &release).expect("parts");
    truth.advance_to(400.0);
    let away = Vector3::from(truth.released().expect("released").place_m()).norm();
    near("away", [away], [(1.0 + 12.0_f64 * 12.0).sqrt()], 1e-11).unwrap();
}

/// What stays is driven away by its jets: `½ a t²` along, at a flow that is next to nothing.
#[test]
fn jets_of_what_stays_move_it_away() {
    let (mut scenario, release) = on_a_line(Vec::new());
    scenario.vehicle.tanks[0].propellant_kg = 1.0;
    scenario.vehicle.tanks[0].position_m = [-0.5, 0.0, 0.0];
    scenario.vehicle.jets = vec![jet([-0.5, 0.0, 0.0], [-1.0, 0.0, 0.0], 2.0, 1e7)];
    for orbit in [None, Some(orbit(1e-9))] {
        scenario.orbit = orbit;
        let mut truth = truth(&scenario);
        truth.release(&scenario, &release).expect("parts");
        pulse(&mut truth, 0, 0.0, 10.0);
        truth.advance_to(25.0);
        let way = 0.5 * 2.0 / 31.0 * 100.0 + 2.0 / 31.0 * 10.0 * 15.0;
        near("way", truth.released().expect("released").place_m(), [1.0 + way, 0.0, 0.0], 1e-6 * way)
            .unwrap();
        near("velocity", truth.released_velocity_m_s().expect("released"), [20.0 / 31.0, 0.0, 0.0], 1e-6)
            .unwrap();
    }
}

/// What went with the load does nothing more: its jet, and a vent on it; the hub's own jet works.
#[test]
fn what_went_pushes_no_more() {
    let (mut scenario, release) = on_a_line(Vec::new());
    scenario.vehicle.tanks[0].propellant_kg = 1.0;
    scenario.vehicle.tanks[0].position_m = [-0.5, 0.0, 0.0];
    let mine = jet([-0.5, 0.0, 0.0], [0.0, 1.0, 0.0], 1.0, 300.0);
    let mut theirs = jet([0.5, 0.0, 0.0], [0.0, 0.0, 1.0], 1.0, 300.0);
    theirs.body = "load".into();
    scenario.vehicle.jets = vec![mine, theirs];
    let vent = |start_s, force_n| Disturbance {
        name: "vent".into(),
        start_s,
        stop_s: 100.0,
        push: Push::Vent { position_m: [0.5, 0.0, 0.0], force_n, torque_n_m: [0.0; 3] },
        body: Some("load".into()),
    };
    scenario.disturbances = vec![vent(0.0, [0.0, 0.0, 0.1]), vent(20.0, [0.0, 0.0, 5.0])];
    let mut truth = truth(&scenario);
    truth.command_valve(1, true, 0.0).unwrap();
    truth.advance_to(2.0);
    assert!(truth.velocity_m_s()[2] > 0.04, "{:?}", truth.velocity_m_s());
    truth.release(&scenario, &release).expect("parts");
    let velocity = truth.velocity_m_s();
    let used = truth.propellant_used_kg();
    truth.advance_to(40.0);
    near("nothing pushes", truth.velocity_m_s(), velocity, 1e-14).unwrap();
    near("nothing flows", [truth.propellant_used_kg()], [used], 0.0).unwrap();
    pulse(&mut truth, 0, 40.0, 41.0);
    truth.advance_to(42.0);
    assert!(truth.velocity_m_s()[1] > velocity[1] + 0.03);
}

/// A jet whose plume strikes the load head-on and loses half of its thrust there has all of it once the load has gone, for the same
/// flow; a pulse that is on goes over from the one to the other.
#[test]
fn a_plume_strikes_no_more_what_went() {
    let (mut scenario, release) = on_a_line(Vec::new());
    scenario.vehicle.tanks[0].propellant_kg = 1.0;
    scenario.vehicle.tanks[0].position_m = [-0.5, 0.0, 0.0];
    let plume = Plume { body: "load".into(), distance_m: 1.0, lost_share: 0.5, force_n: [0.0; 3] };
    let mut blows = jet([-0.5, 0.0, 0.0], [-1.0, 0.0, 0.0], 2.0, 1e7);
    blows.plume = Some(plume);
    scenario.vehicle.jets = vec![blows];
    let mut truth = truth(&scenario);
    truth.command_valve(0, true, 0.0).unwrap();
    truth.advance_to(10.0);
    near("struck", truth.velocity_m_s(), [-10.0 / 41.0, 0.0, 0.0], 1e-6).unwrap();
    let used = truth.propellant_used_kg();
    truth.release(&scenario, &release).expect("parts");
    truth.advance_to(20.0);
    near("clear", truth.velocity_m_s(), [-10.0 / 41.0 - 2.0 * 10.0 / 31.0, 0.0, 0.0], 1e-6).unwrap();
    near("flow", [truth.propellant_used_kg()], [2.0 * used], 1e-12 * used).unwrap();
    truth.command_valve(0, false, 20.0).unwrap();
    pulse(&mut truth, 0, 25.0, 26.0);
    truth.advance_to(30.0);
    near("anew", truth.velocity_m_s(), [-10.0 / 41.0 - 2.0 * 11.0 / 31.0, 0.0, 0.0], 1e-6).unwrap();
}

/// Loads are those of the stack that is there: force on the far side is its mass times the acceleration of the whole.
#[test]
fn interfaces_carry_what_is_still_there() {
    let (mut scenario, release) = on_a_line(Vec::new());
    let small = diagonal([0.01; 3]);
    scenario.vehicle.bodies.push(body("mid", 5.0, [0.2, 0.0, 0.0], small));
    scenario.stack.push("mid".into());
    let far_side = vec!["mid".into(), "load".into()];
    scenario.vehicle.interfaces.push(Interface { name: "grip".into(), position_m: [0.0; 3], far_side });
    scenario.vehicle.tanks[0].propellant_kg = 1.0;
    scenario.vehicle.jets = vec![jet([-0.5, 0.0, 0.0], [1.0, 0.0, 0.0], 9.2, 1e9)];
    let mut truth = truth(&scenario);
    pulse(&mut truth, 0, 0.0, 1.0);
    truth.advance_to(2.0);
    truth.close_phase();
    truth.release(&scenario, &release).expect("parts");
    pulse(&mut truth, 0, 2.0, 3.0);
    truth.advance_to(4.0);
    truth.close_phase();
    let loads = truth.interface_loads();
    let forces = |name: &str| {
        let loads = loads.iter().find(|loads| loads.interface == name).expect("watched");
        [loads.phases[0].force_n, loads.phases[1].force_n]
    };
    near("clamp", forces("clamp"), [9.2 * 10.0 / 46.0, 0.0], 1e-6).unwrap();
    near("grip", forces("grip"), [9.2 * 15.0 / 46.0, 9.2 * 5.0 / 36.0], 1e-6).unwrap();
}

/// The main engine of what stays drives it away, through the frames that the truth goes over to; that of what went is dead.
#[test]
fn the_main_engine_drives_away_what_carries_it() {
    let engine = |body: &str| Engine {
        body: Some(body.into()),
        tank: Some("tank".into()),
        pivot_m: [-0.5, 0.0, 0.0],
        force_direction: [-1.0, 0.0, 0.0],
        thrust_n: 300.0,
        specific_impulse_s: 1e9,
        gimbal_travel_rad: 0.0,
        gimbal_rate_rad_s: 0.1,
        gimbal_lag_s: 0.0,
        first_axis: [0.0, 1.0, 0.0],
        start_delay_s: 0.0,
        rise_s: 0.0,
        shutdown_delay_s: 0.0,
        tail_off_s: 0.0,
    };
    let (mut scenario, release) = on_a_line(vec![spring([0.0; 3], [-1.0, 0.0, 0.0], 2.0)]);
    scenario.vehicle.tanks[0].propellant_kg = 1.0;
    scenario.vehicle.tanks[0].position_m = [-0.5, 0.0, 0.0];
    for (carries, orbit) in [("hub", None), ("hub", Some(orbit(1e-9))), ("load", None)] {
        scenario.vehicle.engine = Some(engine(carries));
        scenario.orbit = orbit;
        let mut truth = truth(&scenario);
        // Burns before it too: the parts leave from a frame of their own.
        truth.command_engine(true, 0.0).unwrap();
        truth.command_engine(false, 4.0).unwrap();
        truth.advance_to(10.0);
        let parting = truth.release(&scenario, &release).expect("parts").clone();
        assert!(parting.momentum_error() < 1e-13);
        let apart = parting.velocity_m_s[0];
        truth.command_engine(true, 20.0).unwrap();
        truth.command_engine(false, 50.0).unwrap();
        truth.advance_to(100.0);
        let gained = if carries == "hub" { 300.0 / 31.0 * 30.0 } else { 0.0 };
        let way = 1.0 + apart * 90.0 + gained * (15.0 + 50.0);
        near(carries, truth.released().expect("released").place_m(), [way, 0.0, 0.0], 1e-6 * way).unwrap();
        let velocity = truth.released_velocity_m_s().expect("released");
        near("velocity", velocity, [apart + gained, 0.0, 0.0], 1e-5 * (1.0 + gained)).unwrap();
    }
}

#[test]
fn what_cannot_be_parted_is_refused() {
    let (scenario, mut asked) = on_a_line(Vec::new());
    let mut truth = truth(&scenario);
    truth.release(&scenario, &asked).expect("parts");
    assert!(matches!(truth.release(&scenario, &asked), Err(TruthError::NothingToRelease(_))));
    asked.interface = "hatch".into();
    let mut truth = scene::truth(&scenario);
    assert_eq!(truth.release(&scenario, &asked).unwrap_err(), TruthError::NothingToRelease("hatch".into()));
}

// ------------------------------------------------------------------------------------------ in orbit

/// Inertial x up at time zero, y along the flight, z the orbit normal.
fn orbit(rate_rad_s: f64) -> Orbit {
    Orbit { rate_rad_s, up_at_start: [1.0, 0.0, 0.0], normal: [0.0, 0.0, 1.0] }
}

/// Clohessy and Wiltshire, "Terminal Guidance System for Satellite Rendezvous", J. Aerospace Sciences 27 (1960), in the
/// form of Vallado, Fundamentals of Astrodynamics and Applications, section 6.8 (both from memory; that they
/// solve the equations of relative motion is checked below): up x, along the flight y, along the normal z, axes
/// that turn with the orbit.
fn clohessy_wiltshire(n: f64, [x, y, z]: [f64; 3], [vx, vy, vz]: [f64; 3], t: f64) -> [f64; 3] {
    let (sine, cosine) = (n * t).sin_cos();
    [
        vx / n * sine - (3.0 * x + 2.0 * vy / n) * cosine + 4.0 * x + 2.0 * vy / n,
        (6.0 * x + 4.0 * vy / n) * sine + 2.0 * vx / n * cosine - (6.0 * n * x + 3.0 * vy) * t + y
            - 2.0 * vx / n,
        z * cosine + vz / n * sine,
    ]
}

/// `ẍ − 2nẏ − 3n²x = 0`, `ÿ + 2nẋ = 0`, `z̈ + n²z = 0`, by differences of the closed form.
#[test]
fn the_closed_form_solves_the_equations_of_relative_motion() {
    let (n, h) = (1.1e-3, 5.0);
    let at = |t: f64| clohessy_wiltshire(n, [30.0, -20.0, 10.0], [0.05, -0.03, 0.04], t);
    for t in [100.0, 2000.0, 9000.0] {
        let (before, now, after) = (at(t - h), at(t), at(t + h));
        let speed = [0, 1, 2].map(|i| (after[i] - before[i]) / (2.0 * h));
        let pull = [0, 1, 2].map(|i| (after[i] - 2.0 * now[i] + before[i]) / (h * h));
        let left = [
            pull[0] - 2.0 * n * speed[1] - 3.0 * n * n * now[0],
            pull[1] + 2.0 * n * speed[0],
            pull[2] + n * n * now[2],
        ];
        near("left over", left, [0.0; 3], 1e-8).unwrap();
    }
}

/// Two bodies whose centres of mass lie together or apart, pushed apart along a direction.
fn in_orbit(rate: f64, apart: [f64; 3], direction: [f64; 3]) -> (Scenario, Truth) {
    let hub = body("hub", 800.0, [0.0; 3], diagonal([300.0, 400.0, 450.0]));
    let load = body("load", 200.0, apart, diagonal([50.0, 60.0, 70.0]));
    let mut scenario = pair(hub, load);
    scenario.orbit = Some(orbit(rate));
    let mut truth = truth(&scenario);
    let middle = apart.map(|x| 0.5 * x);
    truth.release(&scenario, &release(vec![spring(middle, direction, 0.9)])).expect("parts");
    (scenario, truth)
}

/// Along orbit axes.
fn seen(scenario: &Scenario, truth: &Truth) -> [f64; 3] {
    let field = Gradient::from(&scenario.orbit.expect("an orbit"));
    let place = Vector3::from(truth.released().expect("released").place_m());
    field.axes(truth.time_s()).tr_mul(&place).into()
}

/// Radial, along-track and cross-track pushes and one of all three, over two revolutions at 400 km.
#[test]
fn relative_motion_is_that_of_the_published_closed_form() {
    let rate = (EARTH_GM / 6.778e6_f64.powi(3)).sqrt();
    let pushes: [([f64; 3], [f64; 3]); 5] = [
        ([0.0; 3], [-1.0, 0.0, 0.0]),
        ([0.0; 3], [0.0, -1.0, 0.0]),
        ([0.0; 3], [0.0, 0.0, -1.0]),
        ([0.0; 3], [0.5, -0.7, 0.4]),
        ([3.0, -2.0, 1.0], [-3.0, 2.0, -1.0]),
    ];
    for (apart, direction) in pushes {
        let (scenario, mut truth) = in_orbit(rate, apart, direction);
        let place = seen(&scenario, &truth);
        near("apart", place, apart, 1e-12).unwrap();
        // In axes that turn with the orbit.
        let [vx, vy, vz] = truth.released_velocity_m_s().expect("released");
        let velocity = [vx + rate * place[1], vy - rate * place[0], vz];
        let revolution = std::f64::consts::TAU / rate;
        for share in [0.1, 0.25, 0.5, 0.8, 1.0, 1.3, 1.75, 2.0] {
            truth.advance_to(share * revolution);
            let want = clohessy_wiltshire(rate, place, velocity, truth.time_s());
            near(&format!("{direction:?} after {share}"), seen(&scenario, &truth), want, 1e-7).unwrap();
        }
        let wrong = clohessy_wiltshire(1.0001 * rate, place, velocity, truth.time_s());
        near("another orbit", seen(&scenario, &truth), wrong, 1e-3).unwrap_err();
    }
}

/// A purely radial push comes back after one revolution, one across the orbit after half of one; one along the
/// flight never does.
#[test]
fn a_radial_push_comes_back() {
    let rate = 1.13e-3;
    let half = std::f64::consts::PI / rate;
    let at = |direction: [f64; 3], halves: f64| {
        let (scenario, mut truth) = in_orbit(rate, [0.0; 3], direction);
        truth.advance_to(halves * half);
        Vector3::from(seen(&scenario, &truth)).norm()
    };
    let radial = [-1.0, 0.0, 0.0];
    assert!(at(radial, 1.0) > 100.0, "{} m", at(radial, 1.0));
    assert!(at(radial, 2.0) < 1e-7, "{} m", at(radial, 2.0));
    assert!(at([0.0, 0.0, 1.0], 1.0) < 1e-7, "{} m", at([0.0, 0.0, 1.0], 1.0));
    assert!(at([0.0, -1.0, 0.0], 2.0) > 1000.0, "{} m", at([0.0, -1.0, 0.0], 2.0));
}

/// The gravity gradient turns the released part as it turns that part alone.
#[test]
fn the_gravity_gradient_turns_the_released_part() {
    let rate = 1.13e-3;
    let load = body("load", 200.0, [2.0, 0.0, 0.0], diagonal([50.0, 160.0, 170.0]));
    let mut both = pair(body("hub", 800.0, [0.0; 3], diagonal([300.0, 400.0, 450.0])), load.clone());
    both.orbit = Some(orbit(rate));
    both.initial.attitude_xyzw = Attitude::from_rotation_vector(&Vector3::new(0.2, 0.4, 0.6)).to_file();
    both.initial.rate_rad_s = [0.001, -0.002, 0.003];
    let mut alone = both.clone();
    alone.stack = vec!["load".into()];
    let (mut with, mut without) = (truth(&both), truth(&alone));
    with.release(&both, &release(Vec::new())).expect("parts");
    let start = with.released().expect("released").momentum().angular_n_m_s;
    with.advance_to(3000.0);
    without.advance_to(3000.0);
    let released = with.released().expect("released");
    let (one, other) = (released.attitude().to_file(), without.attitude_xyzw());
    assert!(scene::worst_quaternion(one, other) < 1e-9, "{one:?}, {other:?}");
    near("rate", released.rate_rad_s(), without.rate_rad_s(), 1e-12).unwrap();
    near("turned", released.momentum().angular_n_m_s, start, 1e-3).unwrap_err();
}

// ----------------------------------------------------------------------------------------- clearance

/// A vehicle of two hulls, the second part of the second body alone.
fn hulls(first: Hull, second: (Hull, [f64; 3], UnitQuaternion<f64>)) -> (Vehicle, Hulls) {
    let mut one = body("one", 1.0, [0.0; 3], diagonal([1.0; 3]));
    one.hull = first;
    let mut other = body("other", 1.0, second.1, diagonal([1.0; 3]));
    other.hull = second.0;
    let [x, y, z, w] = second.2.coords.into();
    other.orientation_xyzw = [x, y, z, w];
    let mut vehicle = scene(1.0, [0.0; 3], diagonal([1.0; 3])).vehicle;
    vehicle.bodies = vec![one, other];
    let hulls = Hulls::new(&vehicle, &["one".into()], &["other".into()]);
    (vehicle, hulls)
}

fn turned(about: [f64; 3], degrees: f64) -> UnitQuaternion<f64> {
    UnitQuaternion::from_scaled_axis(Vector3::from(about).normalize() * degrees.to_radians())
}

fn moved(place: [f64; 3], turn: UnitQuaternion<f64>) -> Isometry3<f64> {
    Isometry3::from_parts(Translation3::from(Vector3::from(place)), turn)
}

/// Distances that can be told from a drawing.
#[test]
fn clearance_of_hand_made_cases() {
    let cube = Hull::Box([2.0; 3]);
    let rod = Hull::Cylinder { radius_m: 0.5, length_m: 4.0 };
    let none = UnitQuaternion::identity();
    let still = moved([0.0; 3], none);
    let apart = |first, second, place, turn: UnitQuaternion<f64>, moved: &Isometry3<f64>| {
        hulls(first, (second, place, turn)).1.distance_m(moved)
    };
    let check = |got: f64, want: f64| near("distance", [got], [want], 1e-7 * want.max(1.0)).unwrap();
    // Face to face, edge to edge, corner to corner.
    check(apart(cube, cube, [3.5, 0.3, -0.2], none, &still), 1.5);
    check(apart(cube, cube, [3.0, 4.0, 0.0], none, &still), 5.0_f64.sqrt());
    check(apart(cube, cube, [4.0, 4.0, 4.0], none, &still), 12.0_f64.sqrt());
    // Turned by 45 deg, an edge points at a face.
    check(apart(cube, cube, [4.0, 0.0, 0.0], turned([0.0, 0.0, 1.0], 45.0), &still), 3.0 - 2.0_f64.sqrt());
    // A rod along x: its end; turned to lie across: its side.
    check(apart(cube, rod, [5.0, 0.0, 0.0], none, &still), 2.0);
    check(apart(cube, rod, [5.0, 0.0, 0.0], turned([0.0, 0.0, 1.0], 90.0), &still), 3.5);
    // Two rods that cross at right angles, and the same by the way it was moved.
    check(apart(rod, rod, [0.0, 0.0, 3.0], turned([0.0, 0.0, 1.0], 90.0), &still), 2.0);
    check(apart(rod, rod, [0.0; 3], none, &moved([0.0, 0.0, 3.0], turned([0.0, 0.0, 1.0], 90.0))), 2.0);
    check(apart(rod, rod, [0.0, 0.0, 1.0], none, &moved([0.0, 0.0, 12_345.0], none)), 12_345.0);
    // Touching, and within one another.
    check(apart(cube, cube, [2.0, 0.5, 0.0], none, &still), 0.0);
    check(apart(cube, rod, [0.2, 0.1, 0.0], none, &still), 0.0);
    let (vehicle, _) = hulls(cube, (rod, [5.0, 0.0, 0.0], none));
    assert_eq!(Hulls::new(&vehicle, &["one".into()], &[]).distance_m(&still), f64::INFINITY);
}

/// Nearest point of a hull, own axes.
fn nearest(hull: &Hull, point: &Vector3<f64>) -> Vector3<f64> {
    match *hull {
        Hull::Box(sides) => Vector3::from_fn(|i, _| point[i].clamp(-0.5 * sides[i], 0.5 * sides[i])),
        Hull::Cylinder { radius_m, length_m } => {
            let across = point.y.hypot(point.z);
            let shrink = if across > radius_m { radius_m / across } else { 1.0 };
            Vector3::new(point.x.clamp(-0.5 * length_m, 0.5 * length_m), point.y * shrink, point.z * shrink)
        }
    }
}

/// Distance of two convex hulls by alternating projections onto them (von Neumann; Cheney and Goldstein 1959), which
/// comes down to it from above.
fn by_projections(first: &Hull, second: &Hull, lies: &Isometry3<f64>) -> f64 {
    let mut point = lies.translation.vector;
    let mut best = f64::INFINITY;
    for _ in 0..20_000 {
        let one = nearest(first, &point);
        let other = lies
            * nalgebra::Point3::from(nearest(second, &(lies.inverse() * nalgebra::Point3::from(one)).coords));
        point = other.coords;
        let now = (point - one).norm();
        if best - now < 1e-13 {
            return now;
        }
        best = now;
    }
    best
}

fn hull() -> impl Strategy<Value = Hull> {
    prop_oneof![
        [0.1..4.0, 0.1..4.0, 0.1..4.0_f64].prop_map(Hull::Box),
        (0.05..2.0, 0.1..4.0_f64).prop_map(|(radius_m, length_m)| Hull::Cylinder { radius_m, length_m }),
    ]
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]
    /// Against an own method that shares nothing with the crate's, near and far.
    #[test]
    fn clearance_is_that_of_alternating_projections(
        (first, second) in (hull(), hull()),
        (direction, turn, reach) in (vector(1.0), vector(3.0), 3.0..200.0_f64),
    ) {
        let turn = UnitQuaternion::from_scaled_axis(Vector3::from(turn));
        let Some(direction) = Vector3::from(direction).try_normalize(0.1) else { return Ok(()) };
        let lies = Isometry3::from_parts(Translation3::from(direction * reach), turn);
        let want = by_projections(&first, &second, &lies);
        // Slow where faces are all but parallel or hulls touch.
        prop_assume!(want > 0.05);
        let got = hulls(first, (second, [0.0; 3], UnitQuaternion::identity())).1.distance_m(&lies);
        prop_assert!(got < want + 1e-5 * want.max(1.0) && got > want - 2e-3, "{got} m, by projections {want} m");
    }
}
