//! A small vehicle and empty records, so that a test writes down only what it is about.
#![allow(dead_code, missing_docs)]

use stackhold_harness::record::{
    CycleRow, EngineRecord, ImpulseAccount, JetTotals, RunRecord, SelectionChecks, ValveEdge,
};
use stackhold_harness::scenario::model::*;

#[path = "jet_1.rs"]
pub mod jet_1;

pub fn jet(name: &str, position_m: [f64; 3], force_direction: [f64; 3]) -> Jet {
    Jet {
        name: name.into(),
        body: "hub".into(),
        tank: "tank".into(),
        position_m,
        force_direction,
        thrust_n: 22.0,
        specific_impulse_s: 285.0,
        minimum_on_s: 0.02,
        opening_delay_s: 0.0,
        rise_s: 0.0,
        closing_delay_s: 0.0,
        tail_off_s: 0.0,
        short_pulse_loss: 0.0,
        short_pulse_time_s: 0.0,
        group: 0,
        state: JetState::Ready,
        plume: None,
    }
}

/// Six jets, one per signed axis: `+x` by an arm of 1 m, and so on.
pub fn six() -> Scenario {
    let jets = vec![
        jet("plus_x", [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]),
        jet("minus_x", [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]),
        jet("plus_y", [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]),
        jet("minus_y", [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]),
        jet("plus_z", [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
        jet("minus_z", [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
    ];
    scenario(jets, [0.0; 3], [100.0, 200.0, 300.0], 1.0)
}

/// One dry body `hub` with its centre of mass at `centre`, one empty tank `tank`.
pub fn scenario(jets: Vec<Jet>, centre: [f64; 3], moments: [f64; 3], duration_s: f64) -> Scenario {
    let [x, y, z] = moments;
    Scenario {
        name: "handmade".into(),
        description: String::new(),
        seed: 1,
        duration_s,
        vehicle: Vehicle {
            name: "handmade".into(),
            design_centre_of_mass_m: [0.0; 3],
            bodies: vec![Body {
                name: "hub".into(),
                mass_kg: 1000.0,
                centre_of_mass_m: centre,
                inertia_kg_m2: [[x, 0.0, 0.0], [0.0, y, 0.0], [0.0, 0.0, z]],
                orientation_xyzw: [0.0, 0.0, 0.0, 1.0],
                hull: Hull::Box([1.0; 3]),
                hull_offset_m: [0.0; 3],
            }],
            tanks: vec![Tank {
                name: "tank".into(),
                body: "hub".into(),
                position_m: centre,
                propellant_kg: 0.0,
                unusable_kg: 0.0,
            }],
            jets,
            engine: None,
            interfaces: Vec::new(),
        },
        stack: vec!["hub".into()],
        told: Told {
            stack: vec!["hub".into()],
            mass_factor: 1.0,
            centre_of_mass_error_m: [0.0; 3],
            thrust_factor: 1.0,
            interface_limits_kept: true,
        },
        kernel: KernelSettings {
            tick_s: 0.001,
            cycle_ticks: 100,
            minimum_off_ticks: 10,
            command_delay_ticks: 1,
            measurement_age_limit_s: 0.3,
            assumed_attitude_noise_rad: 1e-5,
            assumed_rate_noise_rad_s: 1e-6,
            assumed_bias_walk_rad_s: 0.0,
            assumed_disturbance_walk_rad_s2: 0.0,
            assumed_firing_error: 0.01,
            trade: Trade::default(),
            bending: Vec::new(),
        },
        flight_table: FlightTableSettings { configuration: "handmade".to_owned(), sequence: 1 },
        initial: Initial { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], rate_rad_s: [0.0; 3] },
        phases: vec![hold_from(0.0, [0.5_f64.to_radians(); 3])],
        disturbances: Vec::new(),
        joints: Vec::new(),
        sloshes: Vec::new(),
        orbit: None,
        releases: Vec::new(),
        stuck_gimbal: None,
        shut_offs: Vec::new(),
        sensors: Sensors {
            attitude_noise_rad: 0.0,
            attitude_quantum_rad: 0.0,
            rate_noise_rad_s: 0.0,
            rate_quantum_rad_s: 0.0,
            rate_bias_rad_s: [0.0; 3],
            attitude_delay_s: 0.0,
            rate_delay_s: 0.0,
            accelerometer: None,
        },
        actuators: perfect_actuators(),
        requirements: Vec::new(),
        variants: Vec::new(),
    }
}

pub fn perfect_actuators() -> Actuators {
    Actuators {
        thrust_scatter: 0.0,
        pulse_scatter: 0.0,
        engine_thrust_error: 0.0,
        engine_misalignment_rad: [0.0; 2],
    }
}

/// An engine that pushes along x through `pivot_m`, ideal, on a gimbal that turns about y and then z.
pub fn engine(pivot_m: [f64; 3], thrust_n: f64, specific_impulse_s: f64, travel_deg: f64) -> Engine {
    Engine {
        body: Some("hub".into()),
        tank: Some("tank".into()),
        pivot_m,
        force_direction: [1.0, 0.0, 0.0],
        thrust_n,
        specific_impulse_s,
        gimbal_travel_rad: travel_deg.to_radians(),
        gimbal_rate_rad_s: f64::INFINITY,
        gimbal_lag_s: 0.0,
        first_axis: [0.0, 1.0, 0.0],
        start_delay_s: 0.0,
        rise_s: 0.0,
        shutdown_delay_s: 0.0,
        tail_off_s: 0.0,
    }
}

pub fn hold_from(start_s: f64, half_width_rad: [f64; 3]) -> Phase {
    let mode =
        Mode::Hold { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], half_width_rad, rate_limit_rad_s: [0.01; 3] };
    Phase { start_s, early: false, mode }
}

/// The docked layout JET-1 on a dry hub.
pub fn jet_1_docked(duration_s: f64) -> Scenario {
    let jets = jet_1::POSITIONS.iter().zip(jet_1::DIRECTIONS).enumerate();
    let jets = jets.map(|(i, (p, d))| jet(&format!("jet_{}", i + 1), *p, d)).collect();
    scenario(jets, jet_1::DOCKED, [1000.0, 8600.0, 9000.0], duration_s)
}

pub fn row(time_s: f64, error_rad: [f64; 3], rate_rad_s: [f64; 3]) -> CycleRow {
    CycleRow {
        time_s,
        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
        rate_rad_s,
        error_rad,
        joint_angles_rad: [0.0; 2],
        slosh_angles_rad: [0.0; 2],
        slosh_speeds_m_s: [0.0; 2],
        velocity_m_s: [0.0; 3],
        estimated_rate_rad_s: rate_rad_s,
        estimated_error_rad: error_rad,
        estimated_disturbance_rad_s2: [0.0; 3],
        engine_thrust_n: 0.0,
        engine_propellant_kg: 0.0,
        gimbal_rad: [0.0; 2],
        foreseen_s: f64::INFINITY,
        status: 0,
        jets_on: 0,
        propellant_kg: 0.0,
        released: None,
    }
}

/// A record of a dry stack at rest: arms from the scenario's jets, nothing fired.
pub fn record(scenario: &Scenario, cycles: Vec<CycleRow>) -> RunRecord {
    let centre = scenario.vehicle.bodies[0].centre_of_mass_m;
    let arms: Vec<[f64; 3]> =
        scenario.vehicle.jets.iter().map(|jet| arm(jet.position_m, centre, jet.force_direction)).collect();
    RunRecord {
        name: "told_truth".into(),
        cycles,
        edges: Vec::<ValveEdge>::new(),
        jets: vec![JetTotals::default(); scenario.vehicle.jets.len()],
        engine: EngineRecord::default(),
        impulse: ImpulseAccount::default(),
        partings: Vec::new(),
        selections: SelectionChecks::default(),
        interfaces: Vec::new(),
        phase_starts_s: Vec::new(),
        status_cycles: Vec::new(),
        centre_of_mass_m: [centre; 2],
        arms_m: [arms.clone(), arms],
        command_hash: 0,
        table_identity: 0,
        wall_s: 1.0,
    }
}

/// Torque about `centre` per newton: `(position − centre) × direction`, written out.
pub fn arm(position: [f64; 3], centre: [f64; 3], d: [f64; 3]) -> [f64; 3] {
    let [x, y, z] = [position[0] - centre[0], position[1] - centre[1], position[2] - centre[2]];
    [y * d[2] - z * d[1], z * d[0] - x * d[2], x * d[1] - y * d[0]]
}

pub fn close(got: f64, expected: f64, relative: f64) -> bool {
    (got - expected).abs() <= relative * expected.abs()
}
