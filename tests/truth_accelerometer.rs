//! The truth's accelerometer: what it counts beside closed forms, and its errors.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Matrix3, Vector3};
use proptest::prelude::*;
use scene::{accelerometer, diagonal, engine, jet, near, pulse, scene, truth, worst};
use stackhold_harness::scenario::model::{Disturbance, Orbit, Push, Scenario, Slosh};
use stackhold_harness::truth::{Sensors, Truth};

/// A body at `centre` with an accelerometer at `place`.
fn carrying(centre: [f64; 3], moments: [f64; 3], place: [f64; 3]) -> Scenario {
    let mut scenario = scene(1000.0, centre, diagonal(moments));
    scenario.sensors.accelerometer = Some(accelerometer(place));
    scenario
}

fn counted(truth: &Truth) -> [f64; 3] {
    truth.counted_velocity_m_s().unwrap()
}

/// Pushed along a line through its centre of mass it counts the velocity gained, wherever it sits: Newton, and
/// Tsiolkovsky where the propellant is heavy.
#[test]
fn translation_alone() {
    let mut scenario = carrying([1.0, 0.2, 0.0], [100.0, 200.0, 300.0], [3.0, -1.0, 2.0]);
    scenario.vehicle.bodies[0].mass_kg = 500.0;
    scenario.vehicle.tanks[0].propellant_kg = 500.0;
    scenario.vehicle.engine = Some(engine([1.0, 0.2, 0.0], 400.0, 310.0, 5.0));
    let mut truth = truth(&scenario);
    truth.command_engine(true, 1.0).unwrap();
    truth.command_engine(false, 601.0).unwrap();
    truth.advance_to(700.0);
    let used = 400.0 * 600.0 / (310.0 * 9.806_65);
    let want = 310.0 * 9.806_65 * f64::ln(1000.0 / (1000.0 - used));
    near("count", counted(&truth), [want, 0.0, 0.0], 1e-10 * want).unwrap();
    near("velocity", truth.velocity_m_s(), counted(&truth), 1e-9).unwrap();
}

/// Spinning freely about a principal axis: `-ω² r` towards the axis, whatever the drift of the whole.
#[test]
fn a_steady_spin() {
    let mut scenario = carrying([1.0, 0.0, 0.0], [100.0, 200.0, 300.0], [1.7, -0.4, 0.9]);
    scenario.initial.rate_rad_s = [0.0, 0.0, 0.3];
    scenario.vehicle.jets = vec![jet([1.0, 0.0, 0.0], [0.6, 0.8, 0.0], 50.0, 1e9)];
    let mut spinning = truth(&scenario);
    for time in [0.4, 7.0, 200.0] {
        spinning.advance_to(time);
        let want = [-0.09 * 0.7 * time, 0.09 * 0.4 * time, 0.0];
        near("count", counted(&spinning), want, 1e-10).unwrap();
    }
    // A push through the centre of mass adds its own velocity, along the body axes that turn with it.
    let mut pushed = truth(&scenario);
    pulse(&mut pushed, 0, 0.0, 2.0);
    pushed.advance_to(200.0);
    let want = [-0.09 * 0.7 * 200.0 + 0.06, 0.09 * 0.4 * 200.0 + 0.08, 0.0];
    near("count", counted(&pushed), want, 1e-8).unwrap();
}

/// Spun up by a steady torque: `α × r` and `-ω² r` (any textbook of mechanics): with `ω = α t` along z,
/// `(-α² t³/3 x - α t y, α t x - α² t³/3 y)`.
#[test]
fn a_spin_up() {
    let mut scenario = carrying([1.0, 0.0, 0.0], [100.0, 200.0, 300.0], [1.7, -0.4, 0.9]);
    scenario.disturbances = vec![Disturbance {
        name: "motor".into(),
        start_s: 0.0,
        stop_s: 40.0,
        body: None,
        push: Push::Torque { torque_n_m: [0.0, 0.0, 6.0] },
    }];
    let mut truth = truth(&scenario);
    for time in [0.5, 3.0, 20.0] {
        truth.advance_to(time);
        let (spin, turned) = (0.02 * time, 0.02_f64.powi(2) * time.powi(3) / 3.0);
        let want = [-turned * 0.7 + spin * 0.4, spin * 0.7 + turned * 0.4, 0.0];
        near("count", counted(&truth), want, 1e-10).unwrap();
    }
}

/// An asymmetric body that tumbles: `ω' × r + ω × (ω × r)`, the rate of the truth, Euler's equations for its change,
/// Simpson's rule in fine steps.
#[test]
fn a_tumble() {
    let moments = [100.0, 200.0, 300.0];
    let mut scenario = carrying([1.0, 0.0, 0.0], moments, [1.7, -0.4, 0.9]);
    scenario.initial.rate_rad_s = [0.05, 0.2, -0.1];
    let mut coarse = truth(&scenario);
    coarse.advance_to(60.0);
    let mut fine = truth(&scenario);
    let arm = Vector3::new(0.7, -0.4, 0.9);
    let inertia = Matrix3::from_diagonal(&moments.into());
    let felt = |truth: &mut Truth, time: f64| {
        truth.advance_to(time);
        let rate = Vector3::from(truth.rate_rad_s());
        let change = inertia.try_inverse().unwrap() * (inertia * rate).cross(&rate);
        change.cross(&arm) + rate.cross(&rate.cross(&arm))
    };
    let step = 0.02;
    let mut sum = Vector3::zeros();
    let mut last = felt(&mut fine, 0.0);
    for n in 0..3000 {
        let time = f64::from(n) * step;
        let (middle, end) = (felt(&mut fine, time + 0.5 * step), felt(&mut fine, time + step));
        sum += (last + middle * 4.0 + end) * (step / 6.0);
        last = end;
    }
    near("count", counted(&coarse), sum.into(), 1e-9).unwrap();
    assert!(sum.norm() > 1.0, "{sum}");
}

/// In a circular orbit, turning with it: the structure must carry a mass at `r` up against `3 n² r`, one to the side
/// against `n² r` and one ahead not at all (tension of a tether; any textbook of orbital mechanics; from memory).
#[test]
fn tides_of_an_orbit() {
    let rate = 0.0011;
    let mut scenario = carrying([0.0; 3], [100.0; 3], [5.0, 7.0, -3.0]);
    scenario.orbit = Some(Orbit { rate_rad_s: rate, up_at_start: [1.0, 0.0, 0.0], normal: [0.0, 0.0, 1.0] });
    scenario.initial.rate_rad_s = [0.0, 0.0, rate];
    let mut truth = truth(&scenario);
    truth.advance_to(3000.0);
    let square = rate * rate * 3000.0;
    near("count", counted(&truth), [-3.0 * 5.0 * square, 0.0, -3.0 * square], 1e-11).unwrap();
}

/// Liquid in line with the thrust rides along, and structure and count with it: `F t / M`.
#[test]
fn beside_liquid_that_swings() {
    let mut scenario = carrying([0.0; 3], [100.0, 200.0, 300.0], [0.3, 0.2, 0.1]);
    scenario.sloshes = vec![Slosh {
        tank: "tank".into(),
        mass_kg: 8.0,
        pivot_m: [0.0; 3],
        length_m: 0.3,
        hangs_along: [-1.0, 0.0, 0.0],
        damping_per_s: 0.0,
    }];
    let push = Push::Vent { position_m: [0.0; 3], force_n: [5.0, 0.0, 0.0], torque_n_m: [0.0; 3] };
    scenario.disturbances =
        vec![Disturbance { name: "push".into(), start_s: 0.0, stop_s: 1e3, body: None, push }];
    let mut truth = truth(&scenario);
    truth.advance_to(20.0);
    near("count", counted(&truth), [0.1, 0.0, 0.0], 1e-9).unwrap();
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// In free fall it senses nothing at the centre of mass, however the body tumbles and drifts.
    #[test]
    fn free_fall_is_not_sensed(
        rate in prop::array::uniform3(-0.3_f64..0.3),
        moments in prop::array::uniform3(100.0_f64..150.0),
        orbit in any::<bool>(),
        time_s in 1.0_f64..60.0,
    ) {
        let mut scenario = carrying([1.0, -0.3, 0.2], moments, [1.0, -0.3, 0.2]);
        scenario.initial.rate_rad_s = rate;
        let field = Orbit { rate_rad_s: 0.0011, up_at_start: [0.6, 0.8, 0.0], normal: [0.0, 0.0, 1.0] };
        scenario.orbit = orbit.then_some(field);
        let mut truth = truth(&scenario);
        truth.advance_to(time_s);
        near("count", counted(&truth), [0.0; 3], 1e-12).unwrap();
    }
}

// ----------------------------------------------------------------------------------- the instrument

/// What is read at 10 s of a body that stands still, beside 1 m/s along x from a push at the start.
fn read(scenario: &Scenario, times: &[f64]) -> Vec<[f64; 3]> {
    let mut truth = truth(scenario);
    let mut sensors = Sensors::new(scenario);
    let one = |&time: &f64| {
        truth.advance_to(time);
        sensors.take_velocity(&truth);
        sensors.newest_velocity(time).unwrap().value
    };
    times.iter().map(one).collect()
}

#[test]
fn bias_and_quantum() {
    let mut scenario = carrying([0.0; 3], [100.0; 3], [1.0, 0.0, 0.0]);
    scenario.vehicle.jets = vec![jet([0.0; 3], [1.0, 0.0, 0.0], 100.0, 1e9)];
    let one = scenario.sensors.accelerometer.as_mut().unwrap();
    one.bias_m_s2 = [1e-3, -2e-3, 0.0];
    // The bias counts from time zero and grows.
    for (reading, time) in read(&scenario, &[10.0, 100.0]).iter().zip([10.0, 100.0]) {
        near("bias", *reading, [1e-3 * time, -2e-3 * time, 0.0], 1e-12).unwrap();
    }
    scenario.sensors.accelerometer.as_mut().unwrap().quantum_m_s = 0.03;
    let found = read(&scenario, &[10.0, 100.0]);
    near("quantum", found[0], [0.0, -0.03, 0.0], 1e-12).unwrap();
    near("quantum", found[1], [0.09, -0.21, 0.0], 1e-12).unwrap();
}

#[test]
fn noise_of_a_reading_does_not_add_up() {
    let mut scenario = carrying([0.0; 3], [100.0; 3], [1.0, 0.0, 0.0]);
    scenario.sensors.accelerometer.as_mut().unwrap().noise_m_s = 0.02;
    let times: Vec<f64> = (0..4000).map(|n| 0.1 * f64::from(n)).collect();
    let found = read(&scenario, &times);
    for axis in 0..3 {
        let sigma = |part: &[[f64; 3]]| {
            (part.iter().map(|v| v[axis] * v[axis]).sum::<f64>() / part.len() as f64).sqrt()
        };
        // Four standard errors of a standard deviation of 2,000 draws: 4 / sqrt(2 · 2000).
        let room = 0.02 * 4.0 / (2.0 * 2000.0_f64).sqrt();
        near("early and late", [sigma(&found[..2000]), sigma(&found[2000..])], [0.02; 2], room).unwrap();
    }
    assert!(worst(found[0], found[1]) > 0.0);
    assert_eq!(read(&scenario, &times), found, "the same seed reads the same");
}

#[test]
fn delay_and_absence() {
    let mut scenario = carrying([0.0; 3], [100.0; 3], [1.0, 0.0, 0.0]);
    scenario.sensors.accelerometer.as_mut().unwrap().delay_s = 0.3;
    scenario.vehicle.jets = vec![jet([0.0; 3], [1.0, 0.0, 0.0], 100.0, 1e9)];
    let mut moving = truth(&scenario);
    moving.command_valve(0, true, 0.0).unwrap();
    let mut sensors = Sensors::new(&scenario);
    sensors.take(&moving);
    assert_eq!(sensors.newest_velocity(0.2), None);
    moving.advance_to(1.0);
    sensors.take(&moving);
    assert_eq!(sensors.newest_velocity(1.2).unwrap().time_s, 0.0);
    let sample = sensors.newest_velocity(1.3).unwrap();
    assert_eq!(sample.time_s, 1.0);
    near("a second at a tenth of a metre a second squared", sample.value, [0.1, 0.0, 0.0], 1e-9).unwrap();
    scenario.sensors.accelerometer = None;
    let without = truth(&scenario);
    let mut sensors = Sensors::new(&scenario);
    sensors.take(&without);
    assert_eq!((without.counted_velocity_m_s(), sensors.newest_velocity(9.0)), (None, None));
}
