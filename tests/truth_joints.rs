//! The truth with sprung joints: textbook frequencies and decay, statics, conservation.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{DMatrix, DVector, Vector3};
use scene::{body, diagonal, near, scene, truth};
use stackhold_harness::scenario::model::{Disturbance, Joint, Push, Scenario};
use stackhold_harness::truth::Truth;
use stackhold_harness::truth::joints::{FreeMode, free_modes};

/// Small enough for a model to first order; the model is linear in it.
const BENT: f64 = 1e-3;

fn joint(bodies: &[&str], hinge_m: [f64; 3], axis: [f64; 3], frequency_hz: f64) -> Joint {
    let bodies = bodies.iter().map(ToString::to_string).collect();
    let (damping_ratio, initial_rad) = (0.0, BENT);
    Joint { name: "joint".into(), bodies, hinge_m, axis, frequency_hz, damping_ratio, initial_rad }
}

/// A hub of 600 kg at the origin, and a load that hangs on the joints.
fn hub_and_load(hub: [f64; 3], load_kg: f64, place: [f64; 3], load: [f64; 3]) -> Scenario {
    let mut scenario = scene(600.0, [0.0; 3], diagonal(hub));
    scenario.vehicle.bodies.push(body("load", load_kg, place, diagonal(load)));
    scenario.stack.push("load".into());
    scenario
}

/// Hub and load on one line, their moments about it 800 and 200 kg·m², the joint's axis along it.
fn collinear(frequency_hz: f64) -> Scenario {
    let mut scenario = hub_and_load([800.0, 900.0, 1000.0], 400.0, [3.0, 0.0, 0.0], [200.0, 300.0, 350.0]);
    scenario.joints = vec![joint(&["load"], [1.5, 0.0, 0.0], [1.0, 0.0, 0.0], frequency_hz)];
    scenario
}

fn stiffness(inertia: f64, frequency_hz: f64) -> f64 {
    inertia * (std::f64::consts::TAU * frequency_hz).powi(2)
}

/// Two discs on a shaft: `w = sqrt(k (1/J1 + 1/J2))` (any textbook of vibrations); each swings against the
/// other in the ratio of the moments.
#[test]
fn two_discs_on_a_shaft() {
    for frequency in [0.05, 0.3, 1.0] {
        let scenario = collinear(frequency);
        let textbook = (stiffness(200.0, frequency) * (1.0 / 800.0 + 1.0 / 200.0)).sqrt();
        let mut truth = truth(&scenario);
        for phase in [0.7, 4.0, 31.0] {
            truth.advance_to(phase / textbook);
            let angle = BENT * f64::cos(phase);
            near("joint", [truth.joint_angles_rad()[0]], [angle], 3e-6 * BENT).unwrap();
            // Momentum about the line stays zero: 800 a + 200 (a + joint - start) = 0.
            let hub = 2.0 * truth.attitude().v;
            near("hub", hub.into(), [0.2 * (BENT - angle), 0.0, 0.0], 1e-6 * BENT).unwrap();
            let rate = 0.2 * BENT * textbook * phase.sin();
            near("rate", truth.rate_rad_s(), [rate, 0.0, 0.0], 3e-6 * BENT * textbook).unwrap();
        }
        assert!(are_free_modes(&scenario, &[textbook]));
        let told = free_modes(&scenario.vehicle, &scenario.joints, &scenario.stack)[0].turn_per_bend;
        near("turn", [told], [0.2], 1e-12).unwrap();
        let off = BENT * f64::cos(31.0 * 1.001);
        near("another frequency", [truth.joint_angles_rad()[0]], [off], 1e-3 * BENT).unwrap_err();
    }
}

/// Logarithmic decrement `2 pi z / sqrt(1 - z²)` of two discs on a shaft, `z = d / (2 sqrt(k Jr))` with
/// `1/Jr = 1/J1 + 1/J2` (any textbook of vibrations).
#[test]
fn free_decay() {
    for ratio in [0.005, 0.05, 0.3] {
        let mut scenario = collinear(0.3);
        scenario.joints[0].damping_ratio = ratio;
        let (spring, reduced) = (stiffness(200.0, 0.3), 160.0);
        let damper = 2.0 * ratio * (spring * 200.0).sqrt();
        let z = damper / (2.0 * f64::sqrt(spring * reduced));
        let told = free_modes(&scenario.vehicle, &scenario.joints, &scenario.stack)[0].damping_ratio;
        near("damping ratio", [told], [z], 1e-12).unwrap();
        let root = (1.0 - z * z).sqrt();
        let (decrement, period) =
            (std::f64::consts::TAU * z / root, std::f64::consts::TAU / ((spring / reduced).sqrt() * root));
        let mut truth = truth(&scenario);
        for swing in 1..=5 {
            truth.advance_to(f64::from(swing) * period);
            let left = BENT * (-decrement * f64::from(swing)).exp();
            near("swing", [truth.joint_angles_rad()[0]], [left], 2e-6 * BENT).unwrap();
            near("too much damping", [truth.joint_angles_rad()[0]], [left * left / BENT], 2e-6 * BENT)
                .unwrap_err();
        }
        // What the joint lost, the stack did not: it comes to rest as a whole.
        truth.advance_to(4000.0);
        near("rate at the end", truth.rate_rad_s(), [0.0; 3], 1e-12).unwrap();
        near("momentum", truth.angular_momentum_n_m_s(), [0.0; 3], 0.0).unwrap();
    }
}

/// A load in the plane: kg, kg·m², places less the hub's centre in m, N·m/rad.
struct Load {
    mass: f64,
    moment: f64,
    hinge: [f64; 2],
    centre: [f64; 2],
    spring: f64,
}

/// Plane motion of a hub (kg, kg·m²) with loads hinged to it, in another set of coordinates: place of the hub
/// and absolute angle of every body. Natural frequencies, rad/s, one per load, ascending:
/// `det(K - w² M) = 0`.
fn plane_frequencies(hub: (f64, f64), loads: &[Load]) -> Vec<f64> {
    let size = 3 + loads.len();
    let mut mass = DMatrix::zeros(size, size);
    let mut spring = DMatrix::zeros(size, size);
    for (i, inertia) in [hub.0, hub.0, hub.1].into_iter().enumerate() {
        mass[(i, i)] = inertia;
    }
    for (i, load) in loads.iter().enumerate() {
        let (hinge, centre) = (load.hinge, load.centre);
        let arm = [centre[0] - hinge[0], centre[1] - hinge[1]];
        // Velocity of its centre: of the hub, of the hinge about the hub, of the arm about the hinge.
        let (mut along, mut across) = (DVector::zeros(size), DVector::zeros(size));
        (along[0], along[2], along[3 + i]) = (1.0, -hinge[1], -arm[1]);
        (across[1], across[2], across[3 + i]) = (1.0, hinge[0], arm[0]);
        mass += (&along * along.transpose() + &across * across.transpose()) * load.mass;
        mass[(3 + i, 3 + i)] += load.moment;
        let mut twist = DVector::zeros(size);
        (twist[2], twist[3 + i]) = (-1.0, 1.0);
        spring += &twist * twist.transpose() * load.spring;
    }
    let root = mass.cholesky().unwrap().l().try_inverse().unwrap();
    let mut squares: Vec<f64> =
        (&root * spring * root.transpose()).symmetric_eigenvalues().iter().copied().collect();
    squares.sort_by(f64::total_cmp);
    squares[3..].iter().map(|square| square.sqrt()).collect()
}

/// What is left, as a share, of a joint's angle over half a minute after the best fit by oscillations at these
/// frequencies, rad/s.
fn misfit(scenario: &Scenario, joint: usize, frequencies: &[f64]) -> f64 {
    const SAMPLES: usize = 300;
    let mut truth = truth(scenario);
    let (mut basis, mut seen) = (DMatrix::zeros(SAMPLES, 2 * frequencies.len()), DVector::zeros(SAMPLES));
    for sample in 0..SAMPLES {
        let time = 0.1 * (sample as f64 + 1.0);
        truth.advance_to(time);
        seen[sample] = truth.joint_angles_rad()[joint];
        for (column, frequency) in frequencies.iter().enumerate() {
            let (sine, cosine) = (frequency * time).sin_cos();
            basis[(sample, 2 * column)] = cosine;
            basis[(sample, 2 * column + 1)] = sine;
        }
    }
    let fit = basis.clone().svd(true, true).solve(&seen, 1e-12).unwrap();
    (basis * fit - &seen).norm() / seen.norm()
}

/// Whether the modes that are told to people are those of the other coordinates, rad/s.
fn are_free_modes(scenario: &Scenario, own: &[f64]) -> bool {
    let modes = free_modes(&scenario.vehicle, &scenario.joints, &scenario.stack);
    let same =
        |(mode, own): (&FreeMode, &f64)| (mode.frequency_hz * std::f64::consts::TAU / own - 1.0).abs() < 1e-9;
    modes.len() == own.len() && modes.iter().zip(own).all(same)
}

/// A load whose hinge lies off both centres of mass: bending recoils the hub along and across.
#[test]
fn a_load_hinged_off_the_line_of_centres() {
    let (place, hinge) = ([2.5, 1.1], [1.2, -0.4]);
    let mut scenario = hub_and_load([800.0, 900.0, 1000.0], 900.0, [2.5, 1.1, 0.3], [400.0, 500.0, 450.0]);
    scenario.joints = vec![joint(&["load"], [1.2, -0.4, 0.0], [0.0, 0.0, 1.0], 0.2)];
    // Off the plane as well, so that it must not matter.
    scenario.vehicle.bodies[1].centre_of_mass_m[2] = 0.0;
    let arm = f64::hypot(place[0] - hinge[0], place[1] - hinge[1]);
    let spring = stiffness(450.0 + 900.0 * arm * arm, 0.2);
    let own = plane_frequencies(
        (600.0, 1000.0),
        &[Load { mass: 900.0, moment: 450.0, hinge, centre: place, spring }],
    );
    assert!(own[0] > 1.5 * std::f64::consts::TAU * 0.2, "the hub is light: {own:?}");
    assert!(misfit(&scenario, 0, &own) < 1e-5);
    assert!(misfit(&scenario, 0, &[own[0] * 1.001]) > 1e-3);
    assert!(are_free_modes(&scenario, &own));
}

/// Two loads on two hinges, whose modes couple through the hub.
#[test]
fn two_loads_swing_together() {
    let mut scenario = hub_and_load([800.0, 900.0, 1000.0], 300.0, [2.5, 0.6, 0.0], [100.0, 200.0, 150.0]);
    scenario.vehicle.bodies.push(body("other", 200.0, [-0.5, -2.0, 0.0], diagonal([80.0, 90.0, 120.0])));
    scenario.stack.push("other".into());
    let up = [0.0, 0.0, 1.0];
    scenario.joints =
        vec![joint(&["load"], [1.0, 0.2, 0.0], up, 0.25), joint(&["other"], [0.1, -0.9, 0.0], up, 0.35)];
    scenario.joints[1].initial_rad = -0.4 * BENT;
    let springs = [
        stiffness(150.0 + 300.0 * (1.5 * 1.5 + 0.4 * 0.4), 0.25),
        stiffness(120.0 + 200.0 * (0.6 * 0.6 + 1.1 * 1.1), 0.35),
    ];
    let loads = [
        Load { mass: 300.0, moment: 150.0, hinge: [1.0, 0.2], centre: [2.5, 0.6], spring: springs[0] },
        Load { mass: 200.0, moment: 120.0, hinge: [0.1, -0.9], centre: [-0.5, -2.0], spring: springs[1] },
    ];
    let own = plane_frequencies((600.0, 1000.0), &loads);
    assert!(are_free_modes(&scenario, &own));
    for joint in [0, 1] {
        assert!(misfit(&scenario, joint, &own) < 1e-5);
        assert!(misfit(&scenario, joint, &[own[0] * 1.001, own[1]]) > 1e-4);
        assert!(misfit(&scenario, joint, &[own[0], own[1] * 1.001]) > 1e-4);
    }
}

/// One load that bends both ways about one hinge on the line of centres: two planes, two frequencies.
#[test]
fn one_load_bends_in_two_planes() {
    let mut scenario = hub_and_load([800.0, 900.0, 1000.0], 700.0, [3.2, 0.0, 0.0], [300.0, 420.0, 380.0]);
    let hinge = [1.3, 0.0, 0.0];
    scenario.joints =
        vec![joint(&["load"], hinge, [0.0, 1.0, 0.0], 0.2), joint(&["load"], hinge, [0.0, 0.0, 1.0], 0.3)];
    for (index, hub, moment, frequency) in [(0, 900.0, 420.0, 0.2), (1, 1000.0, 380.0, 0.3)] {
        let spring = stiffness(moment + 700.0 * 1.9 * 1.9, frequency);
        let load = Load { mass: 700.0, moment, hinge: [1.3, 0.0], centre: [3.2, 0.0], spring };
        let own = plane_frequencies((600.0, hub), &[load]);
        // The planes meet only in products of two small rates.
        assert!(misfit(&scenario, index, &own) < 1e-4);
        assert!(misfit(&scenario, index, &[own[0] * 1.001]) > 1e-3);
    }
}

/// A tumbling stack with products of inertia, off every axis, two joints.
fn tumbling(damping_ratio: f64) -> Scenario {
    let mut scenario = hub_and_load([800.0, 900.0, 1000.0], 700.0, [2.8, 0.5, -0.4], [300.0, 420.0, 380.0]);
    scenario.vehicle.bodies[1].orientation_xyzw = [0.0, 0.6, 0.0, 0.8];
    scenario.initial.rate_rad_s = [0.004, -0.006, 0.003];
    let axis = Vector3::new(0.2, 1.0, -0.3).normalize().into();
    scenario.joints = vec![
        joint(&["load"], [1.3, 0.1, 0.2], axis, 0.1),
        joint(&["load"], [1.3, 0.1, 0.2], [1.0, 0.0, 0.0], 0.4),
    ];
    scenario.joints.iter_mut().for_each(|joint| joint.damping_ratio = damping_ratio);
    scenario
}

/// A free stack keeps its momentum to the last bit, whatever its joints do, and without damping its energy;
/// with damping it ends as a rigid body of the same momentum.
#[test]
fn momentum_and_energy_of_a_free_stack() {
    let mut free = truth(&tumbling(0.0));
    let (momentum, energy) = (free.angular_momentum_n_m_s(), free.rotational_energy_j());
    let mut rigid = tumbling(0.0);
    rigid.joints.clear();
    let rigid = truth(&rigid);
    near("momentum", momentum, rigid.angular_momentum_n_m_s(), 1e-12).unwrap();
    let springs = energy - rigid.rotational_energy_j();
    assert!(springs > 1e-4, "the springs must hold something: {springs}");
    let mut swung = 0.0_f64;
    for second in 1..=2000 {
        free.advance_to(f64::from(second) * 0.5);
        swung = swung.max((free.joint_angles_rad()[1] - BENT).abs());
        near("energy", [free.rotational_energy_j()], [energy], 1e-4 * springs).unwrap();
    }
    assert!(swung > 1.5 * BENT, "the joints must swing: {swung}");
    assert_eq!(free.angular_momentum_n_m_s(), momentum);
    assert_eq!(free.momentum_n_s(), [0.0; 3]);
    near("place", free.position_m(), [0.0; 3], 1e-12).unwrap();
    let account = free.impulse_account();
    near("books", account.momentum_change_n_m_s, account.gyroscopic_n_m_s.map(|x| -x), 1e-7).unwrap();

    let mut damped = truth(&tumbling(0.1));
    damped.advance_to(2000.0);
    assert_eq!(damped.angular_momentum_n_m_s(), momentum);
    let lost = energy - damped.rotational_energy_j();
    assert!(lost > 0.9 * springs, "{lost} of {springs}");
    let inertia = damped.mass_properties().inertia();
    let spin: [f64; 3] = (damped.attitude().matrix() * (inertia * Vector3::from(damped.rate_rad_s()))).into();
    // But for what the tumble's own angular acceleration keeps bent.
    near("momentum as one body", spin, momentum, 1e-5 * Vector3::from(momentum).norm()).unwrap();
}

/// A push that acts for the whole run; on the hub, or on the load.
fn pushed(scenario: &Scenario, body: Option<&str>, push: Push) -> Truth {
    let mut scenario = scenario.clone();
    scenario.joints.iter_mut().for_each(|joint| (joint.initial_rad, joint.damping_ratio) = (0.0, 0.5));
    let body = body.map(str::to_owned);
    scenario.disturbances = vec![Disturbance { name: "push".into(), start_s: 0.0, stop_s: 1e4, body, push }];
    truth(&scenario)
}

/// Statics in an accelerated frame (d'Alembert): under a steady push the spring holds what accelerates the
/// load, or, pushed at the load, what accelerates the hub.
#[test]
fn steady_pushes_bend_the_joint() {
    let scenario = collinear(0.3);
    let spring = stiffness(200.0, 0.3);
    let torque = Push::Torque { torque_n_m: [0.02, 0.0, 0.0] };
    for (body, held) in [(None, -0.02 * 0.2), (Some("load"), 0.02 * 0.8)] {
        let mut truth = pushed(&scenario, body, torque);
        truth.advance_to(60.0);
        near("twisted", [truth.joint_angles_rad()[0]], [held / spring], 1e-9).unwrap();
        let momentum = truth.angular_momentum_n_m_s();
        near("momentum", [momentum[0]], [0.02 * 60.0], 1e-9).unwrap();
    }
    // Across: 1 N along y through the centre of mass of the whole, which lies 1.2 m along; the load's centre
    // 1.5 m beyond the hinge.
    let mut scenario = scenario;
    scenario.joints[0].axis = [0.0, 0.0, 1.0];
    let spring = stiffness(350.0 + 400.0 * 1.5 * 1.5, 0.3);
    let push = Push::Vent { position_m: [1.2, 0.0, 0.0], force_n: [0.0, 1.0, 0.0], torque_n_m: [0.0; 3] };
    // The load's share of the acceleration hangs on its arm; a force at the load itself acts 0.3 m short
    // of the hinge.
    for (body, held) in [(None, -400.0 * 1.5 / 1000.0), (Some("load"), -0.3 - 400.0 * 1.5 / 1000.0)] {
        let mut truth = pushed(&scenario, body, push);
        truth.advance_to(60.0);
        near("bent", [truth.joint_angles_rad()[0]], [held / spring], 1e-8).unwrap();
        near("momentum", truth.momentum_n_s(), [0.0, 60.0, 0.0], 1e-2).unwrap();
    }
}

/// A joint whose bodies have gone is no joint, and what pushed at them does not push.
#[test]
fn a_joint_goes_with_its_bodies() {
    let mut scenario = collinear(0.3);
    let torque_n_m = [0.02, 0.0, 0.0];
    scenario.disturbances = vec![Disturbance {
        name: "push".into(),
        start_s: 0.0,
        stop_s: 1e4,
        body: Some("load".into()),
        push: Push::Torque { torque_n_m },
    }];
    let mut whole = truth(&scenario);
    scenario.stack.pop();
    let mut alone = truth(&scenario);
    whole.advance_to(10.0);
    alone.advance_to(10.0);
    assert_eq!((alone.joint_angles_rad(), alone.rate_rad_s()), ([0.0; 2], [0.0; 3]));
    assert!((whole.joint_angles_rad()[0] - BENT).abs() > 1e-5);
    assert!(whole.rate_rad_s()[0] > 1e-5);
}

/// The spring is that of the joint: with one of two carried bodies gone the other swings faster.
#[test]
fn the_spring_stays_when_a_body_goes() {
    let mut scenario = collinear(0.3);
    scenario.vehicle.bodies.push(body("more", 100.0, [4.0, 0.0, 0.0], diagonal([120.0, 130.0, 140.0])));
    scenario.joints[0].bodies.push("more".into());
    let textbook = (stiffness(320.0, 0.3) * (1.0 / 800.0 + 1.0 / 200.0)).sqrt();
    let mut truth = truth(&scenario);
    truth.advance_to(9.0 / textbook);
    near("joint", [truth.joint_angles_rad()[0]], [BENT * f64::cos(9.0)], 2e-6 * BENT).unwrap();
}
