//! A scenario with one body, one tank at its centre of mass and whatever jets a check of the truth needs.
#![allow(dead_code, unused_imports, reason = "each test file uses its own part")]

#[path = "handmade.rs"]
mod handmade;

pub use handmade::{engine, jet_1};
use stackhold_harness::scenario::model::{Accelerometer, Body, Hull, Jet, Scenario, Tank};
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
    let mut scenario = handmade::scenario(Vec::new(), centre, [0.0; 3], 1.0);
    scenario.vehicle.bodies = vec![body("hub", mass_kg - PROPELLANT_KG, centre, inertia_kg_m2)];
    scenario.vehicle.tanks = vec![tank("tank", centre)];
    scenario.phases.clear();
    scenario
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

/// A tank of the hub.
pub fn tank(name: &str, position_m: [f64; 3]) -> Tank {
    Tank { name: name.into(), body: "hub".into(), position_m, propellant_kg: PROPELLANT_KG, unusable_kg: 0.0 }
}

/// A jet without delays, ramps or losses.
pub fn jet(position_m: [f64; 3], force_direction: [f64; 3], thrust_n: f64, specific_impulse_s: f64) -> Jet {
    Jet { thrust_n, specific_impulse_s, ..handmade::jet("jet", position_m, force_direction) }
}

/// A perfect accelerometer.
pub fn accelerometer(position_m: [f64; 3]) -> Accelerometer {
    Accelerometer { position_m, noise_m_s: 0.0, quantum_m_s: 0.0, bias_m_s2: [0.0; 3], delay_s: 0.0 }
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
