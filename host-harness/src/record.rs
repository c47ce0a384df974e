//! What one flight leaves behind: the single record every writer, metric and picture reads.

use serde::Serialize;

/// One control cycle as flown. Angles and rates per body axis.
#[derive(Clone, Debug, PartialEq)]
pub struct CycleRow {
    /// Start of the cycle, s.
    pub time_s: f64,
    /// True attitude, inertial to body, `[x, y, z, w]`.
    pub attitude_xyzw: [f64; 4],
    /// True body rate, rad/s.
    pub rate_rad_s: [f64; 3],
    /// True attitude error (rotation vector from the commanded attitude), rad; zero without one.
    pub error_rad: [f64; 3],
    /// Angles of the sprung joints that are there, rad; zero for one that is not.
    pub joint_angles_rad: [f64; 2],
    /// Angles of the swinging liquids that are there from where they hung at time zero, rad; zero for one
    /// that is not.
    pub slosh_angles_rad: [f64; 2],
    /// Their speeds against their tanks, m/s.
    pub slosh_speeds_m_s: [f64; 2],
    /// True velocity of the centre of mass gathered since time zero, inertial axes, m/s.
    pub velocity_m_s: [f64; 3],
    /// True thrust of the main engine, N; zero without one.
    pub engine_thrust_n: f64,
    /// Propellant that the engine has used since time zero, kg.
    pub engine_propellant_kg: f64,
    /// True angles of its gimbal about first and second axis, rad.
    pub gimbal_rad: [f64; 2],
    /// Rate as the kernel estimates it, rad/s.
    pub estimated_rate_rad_s: [f64; 3],
    /// Attitude error as the kernel estimates it, rad: in a slew from the path until that is over; zero without an attitude.
    pub estimated_error_rad: [f64; 3],
    /// Standing disturbance as the kernel estimates it, rad/s².
    pub estimated_disturbance_rad_s2: [f64; 3],
    /// Time until what the kernel's mode expects next, s; infinity where nothing is expected.
    pub foreseen_s: f64,
    /// Kernel status number.
    pub status: u8,
    /// Jets commanded on this cycle.
    pub jets_on: u32,
    /// Propellant used since time zero, kg.
    pub propellant_kg: f64,
}

/// A valve edge at its true time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ValveEdge {
    /// Time the valve was commanded, s.
    pub time_s: f64,
    /// Index of the jet.
    pub jet: usize,
    /// Opened (`true`) or closed.
    pub open: bool,
    /// Steady thrust of this pulse with its scatter, N; of jet and plume together where the plume strikes the
    /// stack.
    pub thrust_n: f64,
}

/// Totals of one jet.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct JetTotals {
    /// Commanded openings.
    pub valve_cycles: u64,
    /// Commanded on-time, s.
    pub on_time_s: f64,
    /// True linear impulse delivered, N·s; of jet and plume together where the plume strikes the stack.
    pub impulse_n_s: f64,
    /// True propellant used, kg.
    pub propellant_kg: f64,
}

/// The main engine is commanded.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EngineEdge {
    /// Time of the command, s.
    pub time_s: f64,
    /// On (`true`) or off.
    pub on: bool,
}

/// What the main engine did; all zero without one.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct EngineRecord {
    /// Commanded starts.
    pub starts: u64,
    /// Commanded on-time, s.
    pub on_time_s: f64,
    /// True linear impulse delivered, N·s.
    pub impulse_n_s: f64,
    /// True propellant used, kg.
    pub propellant_kg: f64,
    /// Every command that changed something, in order of time.
    pub edges: Vec<EngineEdge>,
}

/// True totals over the run that the theoretical lower bound needs; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct ImpulseAccount {
    /// ∫ (disturbance torque about the actual centre of mass, gravity gradient included) dt, N·m·s.
    pub disturbance_n_m_s: [f64; 3],
    /// ∫ (jet torque about the actual centre of mass) dt, N·m·s.
    pub jets_n_m_s: [f64; 3],
    /// ∫ (main engine's torque about the actual centre of mass) dt, less the angular momentum that its propellant took
    /// along, N·m·s.
    pub engine_n_m_s: [f64; 3],
    /// ∫ (ω × Jω) dt, N·m·s.
    pub gyroscopic_n_m_s: [f64; 3],
    /// Angular momentum about the centre of mass at the end less at the start, N·m·s.
    pub momentum_change_n_m_s: [f64; 3],
}

/// Jet selections of the run, each checked against its own multipliers in `f64`.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SelectionChecks {
    /// Selections checked.
    pub checked: u64,
    /// Largest relative gap between propellant and its dual bound.
    pub worst_optimality_gap: f64,
    /// Largest relative residual of the achieved demand.
    pub worst_residual: f64,
    /// Selections that could not be proven.
    pub unproven: u64,
}

/// Largest loads on an interface in one phase, and when.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct PeakLoad {
    /// Largest force between its sides, N.
    pub force_n: f64,
    /// When, s.
    pub force_at_s: f64,
    /// Largest moment about the interface, N·m.
    pub moment_n_m: f64,
    /// When, s.
    pub moment_at_s: f64,
}

/// Loads on one interface.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InterfaceLoads {
    /// Name of the interface.
    pub interface: String,
    /// One entry per phase of the scenario that was flown.
    pub phases: Vec<PeakLoad>,
}

/// Everything one flight leaves behind.
#[derive(Clone, Debug, PartialEq)]
pub struct RunRecord {
    /// Name of the flight: `told_truth` for the scenario's own, or the variant's.
    pub name: String,
    /// One row per cycle.
    pub cycles: Vec<CycleRow>,
    /// Every valve edge.
    pub edges: Vec<ValveEdge>,
    /// One entry per jet.
    pub jets: Vec<JetTotals>,
    /// The main engine.
    pub engine: EngineRecord,
    /// Impulse account.
    pub impulse: ImpulseAccount,
    /// Selection checks.
    pub selections: SelectionChecks,
    /// Loads on every interface with bodies on both sides.
    pub interfaces: Vec<InterfaceLoads>,
    /// Cycles spent in each kernel status, by status number.
    pub status_cycles: Vec<(u8, u64)>,
    /// True centre of mass at start and end, structural axes, m.
    pub centre_of_mass_m: [[f64; 3]; 2],
    /// True effectiveness columns per unit of impulse at start and end: torque about the actual
    /// centre of mass per N·s of jet impulse, m, one per jet.
    pub arms_m: [Vec<[f64; 3]>; 2],
    /// Checksum of the commands sent to the valves.
    pub command_hash: u64,
    /// Checksum that identifies the table the kernel flew.
    pub table_identity: u32,
    /// Wall time of the flight, s.
    pub wall_s: f64,
}
