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
    /// The released part seen from what stays; `None` before a release and without one.
    pub released: Option<Relative>,
}

/// A released part seen from what stays.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Relative {
    /// Its centre of mass less that of what stays, m: with an orbit along orbit axes (up, in the direction of flight, along the orbit's
    /// normal), without one along inertial axes.
    pub position_m: [f64; 3],
    /// Least distance between the hulls since the row before, m; 0 where they touch.
    pub clearance_m: f64,
    /// Size of its rate, rad/s.
    pub rate_rad_s: f64,
}

/// Momentum of a body or of several; inertial axes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize)]
pub struct Momentum {
    /// Linear, N·s.
    pub linear_n_s: [f64; 3],
    /// Angular, N·m·s.
    pub angular_n_m_s: [f64; 3],
}

/// A release as it happened. Angular momenta at the release are about the centre of mass of the whole, in axes that move with it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Parting {
    /// When, s.
    pub time_s: f64,
    /// Interface that parted.
    pub interface: String,
    /// Bodies that went.
    pub bodies: Vec<String>,
    /// Mass of what stays and of what went, kg.
    pub masses_kg: [f64; 2],
    /// Distance between the hulls that is to be reached and kept, m.
    pub keep_out_m: f64,
    /// Energy of the springs in this run, J.
    pub spring_energy_j: f64,
    /// Impulse of each spring, N·s.
    pub spring_impulses_n_s: Vec<f64>,
    /// Momentum of the whole just before.
    pub before: Momentum,
    /// Momentum of what stays and of what went just after.
    pub after: [Momentum; 2],
    /// Momentum that each has had from outside since then, until the end of the flight: linear, that of the tide counted against
    /// what stays and with what went; angular about its own centre of mass.
    pub since: [Momentum; 2],
    /// Change of rate of what stays, body axes, rad/s.
    pub rate_change_rad_s: [f64; 3],
    /// Rate of what went just after, body axes, rad/s.
    pub released_rate_rad_s: [f64; 3],
    /// Velocity of the centre of mass of what went against that of what stays just after, inertial axes, m/s.
    pub velocity_m_s: [f64; 3],
    /// Torque about its centre of mass per N·s of each jet of what stays just after, m.
    pub arms_m: Vec<[f64; 3]>,
    /// Checksum of the table the kernel flies from then on.
    pub table_identity: u32,
}

impl Parting {
    /// Momentum that is not accounted for at the release, as a share of what the parts have: the larger of linear and angular; 0 where
    /// nothing moves.
    #[must_use]
    pub fn momentum_error(&self) -> f64 {
        let share = |of: fn(&Momentum) -> [f64; 3]| {
            let size = |v: [f64; 3]| v.iter().map(|c| c * c).sum::<f64>().sqrt();
            let [stays, gone] = self.after.each_ref().map(of);
            let before = of(&self.before);
            let missing = size([0, 1, 2].map(|i| stays[i] + gone[i] - before[i]));
            let all = size(stays) + size(gone) + size(before);
            if all > 0.0 { missing / all } else { 0.0 }
        };
        share(|m| m.linear_n_s).max(share(|m| m.angular_n_m_s))
    }
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
    /// ∫ (disturbance torque about the actual centre of mass, gravity gradient included) dt, and what a release took
    /// along or gave, N·m·s.
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
    /// Releases, in order of time.
    pub partings: Vec<Parting>,
    /// Selection checks.
    pub selections: SelectionChecks,
    /// Loads on every interface with bodies on both sides.
    pub interfaces: Vec<InterfaceLoads>,
    /// When each phase that the flight came to began, s.
    pub phase_starts_s: Vec<f64>,
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

impl RunRecord {
    /// Bodies that are there at a time, of those there at the start.
    #[must_use]
    pub fn stack_at(&self, flown_stack: &[String], time_s: f64) -> Vec<String> {
        let went = |body: &String| self.partings_by(time_s).any(|parting| parting.bodies.contains(body));
        flown_stack.iter().filter(|body| !went(body)).cloned().collect()
    }

    /// Torque about the centre of mass per N·s of each jet at a time, m: as at the start, or just after the last release.
    #[must_use]
    pub fn arms_at(&self, time_s: f64) -> &[[f64; 3]] {
        self.partings_by(time_s).last().map_or(&self.arms_m[0], |parting| &parting.arms_m)
    }

    fn partings_by(&self, time_s: f64) -> impl Iterator<Item = &Parting> {
        // Half a nanosecond absorbs the rounding of times built from ticks.
        self.partings.iter().filter(move |parting| parting.time_s <= time_s + 5e-10)
    }
}
