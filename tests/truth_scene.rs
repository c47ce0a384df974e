//! A scenario with one body, one tank at its centre of mass and whatever jets a check of the truth needs.
#![allow(dead_code, reason = "each test file uses its own part")]

use stackhold_harness::scenario::model::{
    Actuators, Body, Hull, Initial, Jet, JetState, KernelSettings, Scenario, Sensors, Tank, Told, Trade,
    Vehicle,
};
use stackhold_harness::truth::Truth;

/// Propellant in the scene's tank, kg; part of the stack's mass.
pub const PROPELLANT_KG: f64 = 10.0;

/// A diagonal tensor.
pub fn diagonal([a, b, c]: [f64; 3]) -> [[f64; 3]; 3] {
    [[a, 0.0, 0.0], [0.0, b, 0.0], [0.0, 0.0, c]]
}

/// One body of `mass_kg` (tank included) with its centre of mass, and its tank, at `centre`; inertia about
/// it; no jets, perfect sensors, at rest.
pub fn scene(mass_kg: f64, centre: [f64; 3], inertia_kg_m2: [[f64; 3]; 3]) -> Scenario {
    Scenario {
        name: "scene".into(),
        description: String::new(),
        seed: 1,
        duration_s: 1.0,
        vehicle: Vehicle {
            name: "vehicle".into(),
            design_centre_of_mass_m: [0.0; 3],
            bodies: vec![body("hull", mass_kg - PROPELLANT_KG, centre, inertia_kg_m2)],
            tanks: vec![tank("tank", centre)],
            jets: vec![],
            engine: None,
        },
        stack: vec!["hull".into()],
        told: Told {
            stack: vec!["hull".into()],
            mass_factor: 1.0,
            centre_of_mass_error_m: [0.0; 3],
            thrust_factor: 1.0,
        },
        kernel: KernelSettings {
            tick_s: 0.005,
            cycle_ticks: 50,
            minimum_off_ticks: 4,
            command_delay_ticks: 0,
            measurement_age_limit_s: 1.0,
            assumed_attitude_noise_rad: 0.0,
            assumed_rate_noise_rad_s: 0.0,
            assumed_bias_walk_rad_s: 0.0,
            assumed_disturbance_walk_rad_s2: 0.0,
            assumed_firing_error: 0.0,
            trade: Trade::default(),
        },
        initial: Initial { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], rate_rad_s: [0.0; 3] },
        phases: vec![],
        disturbances: vec![],
        shut_offs: Vec::new(),
        sensors: Sensors {
            attitude_noise_rad: 0.0,
            attitude_quantum_rad: 0.0,
            rate_noise_rad_s: 0.0,
            rate_quantum_rad_s: 0.0,
            rate_bias_rad_s: [0.0; 3],
            delay_s: 0.0,
        },
        actuators: Actuators { thrust_scatter: 0.0, pulse_scatter: 0.0 },
        requirements: vec![],
        variants: vec![],
    }
}

/// A body along structural axes.
pub fn body(name: &str, mass_kg: f64, centre: [f64; 3], inertia_kg_m2: [[f64; 3]; 3]) -> Body {
    Body {
        name: name.into(),
        mass_kg,
        centre_of_mass_m: centre,
        inertia_kg_m2,
        orientation_xyzw: [0.0, 0.0, 0.0, 1.0],
        hull: Hull::Box([1.0; 3]),
        hull_offset_m: [0.0; 3],
    }
}

/// A tank of the hull.
pub fn tank(name: &str, position_m: [f64; 3]) -> Tank {
    Tank {
        name: name.into(),
        body: "hull".into(),
        position_m,
        propellant_kg: PROPELLANT_KG,
        unusable_kg: 0.0,
    }
}

/// A jet without delays, ramps or losses.
pub fn jet(position_m: [f64; 3], force_direction: [f64; 3], thrust_n: f64, specific_impulse_s: f64) -> Jet {
    Jet {
        name: "jet".into(),
        body: "hull".into(),
        tank: "tank".into(),
        position_m,
        force_direction,
        thrust_n,
        specific_impulse_s,
        minimum_on_s: 0.02,
        opening_delay_s: 0.0,
        rise_s: 0.0,
        closing_delay_s: 0.0,
        tail_off_s: 0.0,
        short_pulse_loss: 0.0,
        short_pulse_time_s: 0.0,
        group: 0,
        state: JetState::Ready,
    }
}

/// The truth of a scene with its whole stack.
pub fn truth(scenario: &Scenario) -> Truth {
    Truth::new(scenario, &scenario.stack).unwrap()
}

/// Commands one pulse.
pub fn pulse(truth: &mut Truth, jet: usize, open_s: f64, close_s: f64) {
    truth.command_valve(jet, true, open_s).unwrap();
    truth.command_valve(jet, false, close_s).unwrap();
}

/// Largest difference between components.
pub fn worst<const N: usize>(a: [f64; N], b: [f64; N]) -> f64 {
    a.iter()
        .zip(&b)
        .map(|(x, y)| (x - y).abs())
        .fold(0.0, |worst, gap| if gap > worst || gap.is_nan() { gap } else { worst })
}

/// Largest difference between quaternions, `q` and `-q` being equal.
pub fn worst_quaternion(a: [f64; 4], b: [f64; 4]) -> f64 {
    worst(a, b).min(worst(a, b.map(|x| -x)))
}

/// `Err` with the gap, unless the largest difference is at most `tolerance`.
pub fn near<const N: usize>(what: &str, got: [f64; N], want: [f64; N], tolerance: f64) -> Result<(), String> {
    let gap = worst(got, want);
    if gap <= tolerance {
        Ok(())
    } else {
        Err(format!("{what}: got {got:?}, want {want:?}: {gap:e} > {tolerance:e}"))
    }
}
