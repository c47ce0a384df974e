//! A scenario, resolved and validated: what is true, what the kernel is told, what must be met.
//!
//! Vectors are `[x, y, z]` in structural axes unless said otherwise; SI units; angles in radians here
//! (files give degrees, with the unit in the key). Rotations of files and of this model are scalar-last
//! quaternions `[x, y, z, w]`.

use std::borrow::Cow;

use serde::Serialize;

/// One scenario file with its vehicle file, every number checked.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Scenario {
    /// Short identifier, `snake_case`.
    pub name: String,
    /// One or two sentences for people.
    pub description: String,
    /// Seed of every random stream of the run.
    pub seed: u64,
    /// Simulated time, s.
    pub duration_s: f64,
    /// The vehicle: all bodies, tanks, jets and the main engine that may take part.
    pub vehicle: Vehicle,
    /// Names of the bodies that are really there; the rest of the vehicle is absent.
    pub stack: Vec<String>,
    /// What the kernel is told.
    pub told: Told,
    /// Cycle and filter settings of the kernel.
    pub kernel: KernelSettings,
    /// What the flight table made of it is called.
    pub flight_table: FlightTableSettings,
    /// State at time zero.
    pub initial: Initial,
    /// Modes in order of start time; the first starts at zero.
    pub phases: Vec<Phase>,
    /// Standing disturbances.
    pub disturbances: Vec<Disturbance>,
    /// Sprung joints between bodies, at most two.
    pub joints: Vec<Joint>,
    /// Tanks whose liquid swings, at most two.
    pub sloshes: Vec<Slosh>,
    /// Circular orbit whose gravity gradient turns the stack; `None` for no gravity gradient.
    pub orbit: Option<Orbit>,
    /// Parts of the stack that are let go, at most one.
    pub releases: Vec<Release>,
    /// Jets and groups that are shut off for a time; the kernel is told.
    pub shut_offs: Vec<ShutOff>,
    /// A gimbal of the main engine that is stuck; `None` for one that works.
    pub stuck_gimbal: Option<StuckGimbal>,
    /// Sensor errors.
    pub sensors: Sensors,
    /// Actuator scatter.
    pub actuators: Actuators,
    /// What must be met.
    pub requirements: Vec<Requirement>,
    /// Other flights of the same scenario shown beside it (same disturbance, same seed).
    pub variants: Vec<Variant>,
}

impl Scenario {
    /// What a flight must meet: that of its variant, where it says so, and what limited interfaces may carry.
    #[must_use]
    pub fn requirements_of(&self, flight: &str) -> Vec<Requirement> {
        let variant = self.variants.iter().find(|variant| variant.name == flight);
        let own = variant.and_then(|variant| variant.requirements.as_ref()).unwrap_or(&self.requirements);
        let limits = self.kernel.trade.interface_limits.iter();
        own.iter().cloned().chain(limits.flat_map(InterfaceLimit::requirements)).collect()
    }

    /// Bodies that are there in a variant, and what the kernel is told.
    #[must_use]
    pub fn as_flown_in(&self, variant: &Variant) -> (Vec<String>, Told) {
        variant.of(&self.stack, &self.told)
    }

    /// The scenario with its releases as a variant has them.
    #[must_use]
    pub fn with_releases_of(&self, variant: &Variant) -> Cow<'_, Self> {
        if self.releases.is_empty() || variant.release == Parted::Told {
            return Cow::Borrowed(self);
        }
        let mut flown = self.clone();
        match variant.release {
            Parted::Held => flown.releases.clear(),
            _ => flown.releases.iter_mut().for_each(|release| release.told = false),
        }
        Cow::Owned(flown)
    }

    /// The scenario with its phases as a flight began them: an early one begins when the one before it was done, and one that the
    /// flight did not come to is not there.
    ///
    /// * `starts_s` — when each phase began, in their order, s.
    #[must_use]
    pub fn as_begun(&self, starts_s: &[f64]) -> Cow<'_, Self> {
        if !self.phases.iter().any(|phase| phase.early) {
            return Cow::Borrowed(self);
        }
        let begun = self.phases.iter().zip(starts_s);
        let phases = begun.map(|(phase, start_s)| Phase { start_s: *start_s, ..phase.clone() }).collect();
        Cow::Owned(Self { phases, ..self.clone() })
    }

    /// What makes another scenario a different task, so that the two do not differ by their options alone.
    #[must_use]
    pub fn differences(&self, other: &Self) -> Vec<&'static str> {
        let differ = [
            ("seeds", self.seed != other.seed),
            ("simulated times", self.duration_s != other.duration_s),
            ("initial states", self.initial != other.initial),
            ("sequences of modes", self.phases != other.phases),
            ("disturbances", self.disturbances != other.disturbances),
            ("joints", self.joints != other.joints),
            ("swinging liquids", self.sloshes != other.sloshes),
            ("orbits", self.orbit != other.orbit),
            ("gimbals", self.stuck_gimbal != other.stuck_gimbal),
            ("sensor or actuator errors", self.sensors != other.sensors || self.actuators != other.actuators),
            ("requirements", self.requirements != other.requirements),
        ];
        differ.into_iter().filter(|(_, differ)| *differ).map(|(what, _)| what).collect()
    }
}

/// Bodies, tanks, jets and engine in one structural frame.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Vehicle {
    /// Short identifier.
    pub name: String,
    /// Centre of mass the jets were laid out for, m.
    pub design_centre_of_mass_m: [f64; 3],
    /// Rigid bodies.
    pub bodies: Vec<Body>,
    /// Propellant tanks.
    pub tanks: Vec<Tank>,
    /// Reaction jets, at most 32.
    pub jets: Vec<Jet>,
    /// Main engine.
    pub engine: Option<Engine>,
    /// Interfaces between bodies whose loads are watched.
    pub interfaces: Vec<Interface>,
}

/// A place where the stack could be taken apart: a docking interface, a grapple, a clamp.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Interface {
    /// Unique name.
    pub name: String,
    /// Where loads pass from side to side, structural axes, m.
    pub position_m: [f64; 3],
    /// Bodies on its far side, where they are in the stack; the rest is on the near side.
    pub far_side: Vec<String>,
}

/// A rigid body without its propellant.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Body {
    /// Unique name.
    pub name: String,
    /// Dry mass, kg.
    pub mass_kg: f64,
    /// Position of the body's own centre of mass, structural axes, m.
    pub centre_of_mass_m: [f64; 3],
    /// Inertia about its own centre of mass, own axes, kg·m²; off-diagonal elements are minus the
    /// integral.
    pub inertia_kg_m2: [[f64; 3]; 3],
    /// Rotation that turns own axes into structural axes, `[x, y, z, w]`.
    pub orientation_xyzw: [f64; 4],
    /// Simple hull for pictures, own axes, centred on `centre_of_mass_m + hull_offset_m`.
    pub hull: Hull,
    /// Offset of the hull's centre from the centre of mass, own axes, m.
    pub hull_offset_m: [f64; 3],
}

/// Shape for pictures.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub enum Hull {
    /// Box with full side lengths, m.
    Box([f64; 3]),
    /// Cylinder along own x: radius and length, m.
    Cylinder {
        /// Radius, m.
        radius_m: f64,
        /// Length, m.
        length_m: f64,
    },
}

/// A tank: a point of propellant that drains in place.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Tank {
    /// Unique name.
    pub name: String,
    /// Body that carries it.
    pub body: String,
    /// Position, structural axes, m.
    pub position_m: [f64; 3],
    /// Propellant at time zero, kg.
    pub propellant_kg: f64,
    /// Propellant that cannot be used, kg.
    pub unusable_kg: f64,
}

/// A reaction jet as it really is.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Jet {
    /// Plain name by place.
    pub name: String,
    /// Body that carries it.
    pub body: String,
    /// Tank that feeds it.
    pub tank: String,
    /// Where the line of force passes, structural axes, m.
    pub position_m: [f64; 3],
    /// Direction of the force on the vehicle, unit vector.
    pub force_direction: [f64; 3],
    /// Steady thrust, N.
    pub thrust_n: f64,
    /// Steady specific impulse, s.
    pub specific_impulse_s: f64,
    /// Shortest on-time the valve is asked for, s.
    pub minimum_on_s: f64,
    /// From the command to the first thrust, s.
    pub opening_delay_s: f64,
    /// Thrust rises linearly from zero to steady in this time, s.
    pub rise_s: f64,
    /// From the command to the first loss of thrust, s.
    pub closing_delay_s: f64,
    /// Thrust falls linearly from steady to zero in this time, s.
    pub tail_off_s: f64,
    /// Specific impulse lost at the first thrust, as a fraction; dies away with
    /// `short_pulse_time_s`.
    pub short_pulse_loss: f64,
    /// Time constant of that loss, s.
    pub short_pulse_time_s: f64,
    /// Manifold or isolation group.
    pub group: u8,
    /// Whether it may be, and can be, fired.
    pub state: JetState,
    /// What its plume strikes, if anything.
    pub plume: Option<Plume>,
}

/// A plume that strikes a body on the jet's line of force; see [`crate::plume`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Plume {
    /// The body it strikes; where that is not in the stack, nothing is struck.
    pub body: String,
    /// From the nozzle back along the line of force to where it strikes, m.
    pub distance_m: f64,
    /// Share of the thrust that is lost by striking head-on.
    pub lost_share: f64,
    /// Further force on the struck body at steady thrust, structural axes, N.
    pub force_n: [f64; 3],
}

/// State of a jet throughout a run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum JetState {
    /// In use.
    Ready,
    /// Not to be fired (would blow on a neighbour); the kernel is told.
    Forbidden,
    /// Delivers nothing; the kernel is told.
    Dead,
}

/// The main engine. Its line of force passes through the pivot of its gimbal, whose mass is part of its body: an outer
/// gimbal turns about an axis fixed in the body, an inner one about the second axis, which the outer one carries. The model
/// is that of [`crate::truth::engine`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Engine {
    /// Body that carries it; `None` where the vehicle file names neither a body nor a tank.
    pub body: Option<String>,
    /// Tank that feeds it; `None` where the vehicle file does not say: such an engine cannot be started.
    pub tank: Option<String>,
    /// Gimbal pivot, structural axes, m.
    pub pivot_m: [f64; 3],
    /// Direction of the force at zero gimbal, unit vector.
    pub force_direction: [f64; 3],
    /// Thrust, N.
    pub thrust_n: f64,
    /// Specific impulse, s.
    pub specific_impulse_s: f64,
    /// Gimbal travel either way about each axis, rad; zero for a fixed engine.
    pub gimbal_travel_rad: f64,
    /// Fastest turn of a gimbal about its axis, rad/s; infinite where nothing limits it.
    pub gimbal_rate_rad_s: f64,
    /// Time constant with which it follows its command, s; zero for none.
    pub gimbal_lag_s: f64,
    /// Axis of the outer gimbal, unit vector perpendicular to `force_direction`.
    pub first_axis: [f64; 3],
    /// From the command to the first thrust, s.
    pub start_delay_s: f64,
    /// Thrust rises linearly from zero to steady in this time, s.
    pub rise_s: f64,
    /// From the command to the first loss of thrust, s.
    pub shutdown_delay_s: f64,
    /// Thrust falls linearly from steady to zero in this time, s.
    pub tail_off_s: f64,
}

impl Engine {
    /// Axis of the inner gimbal at zero: first axis × second axis = force direction.
    #[must_use]
    pub fn second_axis(&self) -> [f64; 3] {
        let ([a, b, c], [x, y, z]) = (self.force_direction, self.first_axis);
        [b * z - c * y, c * x - a * z, a * y - b * x]
    }
}

/// What the kernel is told about the stack, when it is not the truth.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Told {
    /// Bodies whose mass properties the kernel is told (all of `stack` for the truth).
    pub stack: Vec<String>,
    /// Told mass and inertia over true.
    pub mass_factor: f64,
    /// Told centre of mass less true, m.
    pub centre_of_mass_error_m: [f64; 3],
    /// Told thrust over true.
    pub thrust_factor: f64,
    /// Whether it is told what interfaces may carry.
    pub interface_limits_kept: bool,
}

impl Told {
    /// What the kernel is told after these bodies have gone.
    #[must_use]
    pub fn without(&self, gone: &[String]) -> Self {
        let stack = self.stack.iter().filter(|body| !gone.contains(body)).cloned().collect();
        Self { stack, ..self.clone() }
    }
}

/// Cycle, timing and filter settings of the kernel's table.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct KernelSettings {
    /// Valve tick, s.
    pub tick_s: f64,
    /// Control cycle, ticks.
    pub cycle_ticks: u16,
    /// Shortest off-time between two pulses of one jet, ticks.
    pub minimum_off_ticks: u16,
    /// From the start of a cycle to the moment its pulses open, ticks.
    pub command_delay_ticks: u16,
    /// Oldest measurement that is still used, s.
    pub measurement_age_limit_s: f64,
    /// Attitude noise the observer assumes, rad (one sigma, one sample).
    pub assumed_attitude_noise_rad: f64,
    /// Rate noise the observer assumes, rad/s.
    pub assumed_rate_noise_rad_s: f64,
    /// Wander of the gyro bias the observer assumes, rad/s per √s.
    pub assumed_bias_walk_rad_s: f64,
    /// Wander of the standing disturbance the observer assumes, rad/s² per √s.
    pub assumed_disturbance_walk_rad_s2: f64,
    /// One-sigma error of a firing the observer assumes, fraction of the firing.
    pub assumed_firing_error: f64,
    /// What limits or steers the choice of jets.
    pub trade: Trade,
    /// Bending modes that it is told, at most two.
    pub bending: Vec<ToldBending>,
}

/// A bending mode as the kernel is told it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct ToldBending {
    /// Frequency of the free stack, Hz.
    pub frequency_hz: f64,
    /// Damping over critical.
    pub damping_ratio: f64,
    /// Amplitude of the angle that the sensors turn through, rad.
    pub swing_rad: f64,
}

/// What a flight table is called on the board.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct FlightTableSettings {
    /// The stack it is for, as the board knows it.
    pub configuration: String,
    /// Its number among the tables of the vehicle, from 1.
    pub sequence: u32,
}

/// What limits or steers the kernel's choice of jets.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Trade {
    /// Most jets open at once, 1..=32.
    pub most_jets_at_once: u8,
    /// Flow limits of groups; groups not named have none.
    pub flow_limits: Vec<FlowLimit>,
    /// Jets whose propellant counts for more or less than 1.
    pub price_weights: Vec<PriceWeight>,
    /// Whether rotation-only demands spare translation.
    pub spare_translation: Option<SpareTranslation>,
    /// What interfaces may carry; those not named, anything.
    pub interface_limits: Vec<InterfaceLimit>,
}

impl Trade {
    /// What a kilogram through this jet counts for.
    #[must_use]
    pub fn price_weight(&self, jet: &str) -> f64 {
        self.price_weights.iter().find(|one| one.jet == jet).map_or(1.0, |one| one.weight)
    }
}

impl Default for Trade {
    /// Nothing limited, nothing preferred.
    fn default() -> Self {
        Self {
            most_jets_at_once: 32,
            flow_limits: Vec::new(),
            price_weights: Vec::new(),
            spare_translation: None,
            interface_limits: Vec::new(),
        }
    }
}

/// What an interface may carry.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InterfaceLimit {
    /// Name of the interface.
    pub interface: String,
    /// Largest force, N.
    pub force_n: Option<f64>,
    /// Largest moment, N·m.
    pub moment_n_m: Option<f64>,
    /// Share of it that is kept back when jets are chosen, for what is not counted then: scatter, rates, ramps.
    pub kept_back: f64,
}

impl InterfaceLimit {
    /// What it says, for a sentence that begins with the interface.
    #[must_use]
    pub fn words(&self, number: fn(f64) -> String, moment_unit: &str) -> String {
        let force = self.force_n.map(|most| format!("{} N", number(most)));
        let moment = self.moment_n_m.map(|most| format!("{} {moment_unit}", number(most)));
        let most: Vec<String> = force.into_iter().chain(moment).collect();
        let kept_back = number(100.0 * self.kept_back);
        format!("may carry {}, of which {kept_back} % are kept back when jets are chosen", most.join(" and "))
    }

    /// What a flight must meet.
    fn requirements(&self) -> impl Iterator<Item = Requirement> {
        let name = &self.interface;
        let bounds = [
            (format!("peak_force_at_{name}_n"), self.force_n),
            (format!("peak_moment_at_{name}_n_m"), self.moment_n_m),
        ];
        let required = |(figure, at_most): (String, Option<f64>)| {
            at_most.map(|_| Requirement { figure, at_most, at_least: None })
        };
        bounds.into_iter().filter_map(required)
    }
}

/// Largest flow of a manifold.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FlowLimit {
    /// Group of jets that hang on it, 0..=15.
    pub group: u8,
    /// Largest propellant flow of all its jets at steady thrust, kg/s.
    pub flow_limit_kg_s: f64,
}

/// What a kilogram through a jet counts for when jets are chosen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PriceWeight {
    /// Name of the jet.
    pub jet: String,
    /// Its weight; 1 for a jet that is not named.
    pub weight: f64,
}

/// The soft wish to push little when only rotation is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct SpareTranslation {
    /// Largest extra price, as a share of the price with translation free.
    pub extra_share: f64,
    /// Largest velocity a demand may leave behind along each body axis, m/s.
    pub within_m_s: f64,
}

/// Something that must stay shut for a time.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct ShutOff {
    /// First moment, s.
    pub start_s: f64,
    /// Last moment, s.
    pub stop_s: f64,
    /// What is shut off.
    pub what: Shut,
}

/// What is shut off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Shut {
    /// Every jet of a group.
    Group(u8),
    /// One jet.
    Jet(String),
}

/// State at time zero.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Initial {
    /// Attitude, inertial to body, `[x, y, z, w]`.
    pub attitude_xyzw: [f64; 4],
    /// Body rate, rad/s.
    pub rate_rad_s: [f64; 3],
}

/// A stretch of time in one mode.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Phase {
    /// Start, s; the latest one of a phase that may be early.
    pub start_s: f64,
    /// Whether it begins as soon as what the phase before it asks for is done.
    pub early: bool,
    /// What the kernel is asked to do.
    pub mode: Mode,
}

/// A mode of the kernel.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Mode {
    /// Jets quiet.
    FreeDrift,
    /// Jets quiet until a limit is crossed, then the attitude is held.
    Watch {
        /// Attitude that is watched and held, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f64; 4],
        /// Angle per axis beyond which it wakes, rad.
        wake_angle_rad: [f64; 3],
        /// Rate per axis beyond which it wakes, rad/s.
        wake_rate_rad_s: [f64; 3],
        /// Deadband half-width per axis of the hold, rad.
        half_width_rad: [f64; 3],
        /// Largest rate that the hold asks for per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// Rates taken out, whatever the attitude.
    Damp {
        /// Rates up to this are left alone, per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// Turned by a hand controller; axes that are left alone are held.
    Hand {
        /// What the controller asks for, in order of time.
        deflections: Vec<Deflection>,
        /// Deflections up to this share of full travel ask for nothing.
        dead_zone: f64,
        /// Rates at full deflection, rad/s.
        full_rate_rad_s: [f64; 3],
        /// Deadband half-width per axis of what is held, rad.
        half_width_rad: [f64; 3],
        /// Largest rate that holding asks for per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
        /// Whether each new deflection asks for one smallest firing instead of a rate.
        asks_for_bits: bool,
    },
    /// Turned slowly about a free axis, then left alone until it must be set up again.
    Rotate {
        /// Axis to turn about, unit vector, body axes.
        about: [f64; 3],
        /// The free axis may lie so far from it, rad.
        free_axis_within_rad: f64,
        /// Rate to turn at, rad/s.
        rate_rad_s: f64,
        /// The rate may be off by so much, rad/s.
        rate_error_rad_s: f64,
        /// The axis may come to have this angle with the angular momentum, rad.
        nutation_rad: f64,
        /// The angular momentum may stray so far in inertial space, rad.
        stray_rad: f64,
    },
    /// Attitude held within a deadband.
    Hold {
        /// Attitude to hold, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f64; 4],
        /// Deadband half-width per axis, rad.
        half_width_rad: [f64; 3],
        /// Largest rate asked for per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// Turned to an attitude by the shorter way round, then held there.
    Slew {
        /// Attitude to turn to, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f64; 4],
        /// How fast.
        pace: Pace,
        /// Deadband half-width per axis about the path and at its end, rad.
        half_width_rad: [f64; 3],
        /// Largest rate that holding asks for per axis beside that of the path, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// Pushed to another velocity with the attitude held, then held on.
    Translate {
        /// Attitude to hold, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f64; 4],
        /// Wanted change of velocity, body axes in that attitude, m/s.
        velocity_change_m_s: [f64; 3],
        /// Deadband half-width per axis, rad.
        half_width_rad: [f64; 3],
        /// Largest rate that holding asks for per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// Velocity gained with the main engine, then the attitude held.
    Burn {
        /// Attitude in which the engine points about the right way, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f64; 4],
        /// Wanted change of velocity, body axes in that attitude, m/s.
        velocity_change_m_s: [f64; 3],
        /// So long jets push before the engine starts, s.
        settling_s: f64,
        /// Deadband half-width per axis of what the jets hold, rad.
        half_width_rad: [f64; 3],
        /// Largest rate that holding asks for per axis, rad/s.
        rate_limit_rad_s: [f64; 3],
    },
    /// One open-loop firing from the start of the phase, then quiet: a point demand spread over as
    /// many cycles as it takes, remainders carried.
    Impulse {
        /// Wanted change of body rate, rad/s.
        rate_change_rad_s: [f64; 3],
        /// Wanted change of velocity, body axes, m/s; `None` leaves translation free.
        velocity_change_m_s: Option<[f64; 3]>,
    },
}

/// How fast a slew is.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Pace {
    /// As fast as the jets and a limit allow.
    Quick {
        /// Largest rate about the eigenaxis, rad/s.
        rate_limit_rad_s: f64,
    },
    /// In a given time, at the least propellant.
    Cheap {
        /// From the start of the phase to the end of the turn, s.
        duration_s: f64,
        /// How far the stack may precess away from the turn about the eigenaxis, rad.
        stray_rad: f64,
    },
}

/// A hand controller's deflection from a moment on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Deflection {
    /// From this moment on, s after the start of the phase.
    pub at_s: f64,
    /// About each body axis, as a share of full travel, -1 to 1.
    pub deflection: [f64; 3],
}

impl Deflection {
    /// Rates that are asked for, rad/s: from nothing at the edge of the dead zone to all at full travel.
    #[must_use]
    pub fn asked_rad_s(&self, dead_zone: f64, full_rate_rad_s: &[f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|axis| {
            let beyond = (self.deflection[axis].abs() - dead_zone).max(0.0);
            (beyond / (1.0 - dead_zone) * full_rate_rad_s[axis]).copysign(self.deflection[axis])
        })
    }
}

impl Mode {
    /// Rates that a hand controller asks for at a moment of its phase, s after the start, rad/s; `None` for other modes.
    #[must_use]
    pub fn asked_by_hand_rad_s(&self, at_s: f64) -> Option<[f64; 3]> {
        let Self::Hand { deflections, dead_zone, full_rate_rad_s, asks_for_bits: false, .. } = self else {
            return None;
        };
        let now = deflections.iter().rfind(|deflection| deflection.at_s <= at_s + 5e-10);
        Some(now.map_or([0.0; 3], |deflection| deflection.asked_rad_s(*dead_zone, full_rate_rad_s)))
    }
}

/// A standing disturbance, body axes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Disturbance {
    /// Name for reports.
    pub name: String,
    /// First moment, s.
    pub start_s: f64,
    /// Last moment, s.
    pub stop_s: f64,
    /// What it does.
    pub push: Push,
    /// Body it pushes on: it is gone when the body is, counts on its side of an interface, and bends the joints that
    /// carry it. Without one it counts as on the near side of every interface, on what no joint carries.
    pub body: Option<String>,
}

/// Force at a point, or pure torque; body axes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(rename_all = "snake_case", tag = "kind")]
pub enum Push {
    /// A vent: a force at a point (its torque follows the actual centre of mass), and a torque if any.
    Vent {
        /// Where, structural axes, m.
        position_m: [f64; 3],
        /// Force on the vehicle, N.
        force_n: [f64; 3],
        /// Torque that comes with it, N·m: what streams out swirls, or leaves over an area and not at a point.
        torque_n_m: [f64; 3],
    },
    /// A pure torque.
    Torque {
        /// Torque, N·m.
        torque_n_m: [f64; 3],
    },
}

/// A sprung joint of one degree of freedom; structural axes. The model is that of [`crate::truth::joints`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Joint {
    /// Name for reports.
    pub name: String,
    /// Bodies it carries.
    pub bodies: Vec<String>,
    /// Point of the hinge, m.
    pub hinge_m: [f64; 3],
    /// Axis, unit vector: a positive angle turns the bodies about it by the right-hand rule.
    pub axis: [f64; 3],
    /// Frequency with the rest of the stack held still and all its bodies there, undamped, Hz.
    pub frequency_hz: f64,
    /// Damping over critical, in the same state.
    pub damping_ratio: f64,
    /// Angle at time zero, rad.
    pub initial_rad: f64,
}

/// Liquid of a tank that swings as a spherical pendulum; structural axes. The model is that of
/// [`crate::truth::slosh`].
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Slosh {
    /// The tank.
    pub tank: String,
    /// Part of its propellant that swings, kg; the rest stays where the tank is.
    pub mass_kg: f64,
    /// Point about which it swings, m.
    pub pivot_m: [f64; 3],
    /// From there to the swinging mass, m.
    pub length_m: f64,
    /// Direction from the pivot to the mass at time zero, unit vector.
    pub hangs_along: [f64; 3],
    /// Rate at which a swing dies in free fall, the tank held still, 1/s.
    pub damping_per_s: f64,
}

/// A circular orbit, for its gravity gradient. Directions in the inertial axes that attitudes refer to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Orbit {
    /// Orbital rate (mean motion), rad/s.
    pub rate_rad_s: f64,
    /// Away from the centre of the attracting body at time zero, unit vector.
    pub up_at_start: [f64; 3],
    /// Orbit normal, about which the vehicle goes round by the right-hand rule; unit vector, perpendicular
    /// to `up_at_start`.
    pub normal: [f64; 3],
}

/// A gimbal that heeds no command any more.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct StuckGimbal {
    /// First moment, s.
    pub from_s: f64,
    /// Angles about first and second axis to which it runs and where it stays, rad; `None` for where it is.
    pub at_rad: Option<[f64; 2]>,
    /// Whether the kernel is told.
    pub told: bool,
}

/// A part of the stack that is let go. What stays flies on, and the kernel with it; what went is a free body.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Release {
    /// When, s: at the start of the first control cycle that does not begin before.
    pub at_s: f64,
    /// Interface of the vehicle that parts: what is on its far side goes.
    pub interface: String,
    /// Springs that push both parts away from one another; none: nothing pushes.
    pub springs: Vec<Spring>,
    /// Error of each spring's energy, one sigma, as a fraction, drawn once a run.
    pub spring_scatter: f64,
    /// Distance between the hulls that is to be reached and kept, m.
    pub keep_out_m: f64,
    /// Whether the kernel gets the table of what stays, in the cycle of the release.
    pub told: bool,
}

/// A spring between two parts; structural axes.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Spring {
    /// Where it pushes, m.
    pub position_m: [f64; 3],
    /// Direction of its force on what stays, unit vector; what goes feels the opposite.
    pub direction: [f64; 3],
    /// Energy that it gives to both parts together, J.
    pub energy_j: f64,
}

/// What becomes of a scenario's releases in a variant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Parted {
    /// The part is let go, and the kernel is told.
    Told,
    /// It is let go, but the kernel goes on with the table of the whole stack.
    Untold,
    /// It is kept.
    Held,
}

/// Sensor errors; all zero for perfect sensors.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Sensors {
    /// White attitude noise per axis, one sigma, rad.
    pub attitude_noise_rad: f64,
    /// Attitude quantum, rad; zero for none.
    pub attitude_quantum_rad: f64,
    /// White rate noise per axis, one sigma, rad/s.
    pub rate_noise_rad_s: f64,
    /// Rate quantum, rad/s; zero for none.
    pub rate_quantum_rad_s: f64,
    /// Constant rate bias, rad/s.
    pub rate_bias_rad_s: [f64; 3],
    /// Age of an attitude measurement when the kernel gets it, s.
    pub attitude_delay_s: f64,
    /// Age of a rate measurement when the kernel gets it, s.
    pub rate_delay_s: f64,
    /// The accelerometer, if there is one.
    pub accelerometer: Option<Accelerometer>,
}

/// An integrating accelerometer of three axes along the body axes: it counts the velocity that the structure
/// gives it. The model is that of [`crate::truth::accelerometer`].
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Accelerometer {
    /// Where it sits, structural axes, m.
    pub position_m: [f64; 3],
    /// White noise of the count per axis, one sigma, m/s.
    pub noise_m_s: f64,
    /// Velocity of one count, m/s; zero for none.
    pub quantum_m_s: f64,
    /// Constant bias, m/s².
    pub bias_m_s2: [f64; 3],
    /// Age of a measurement when the kernel gets it, s.
    pub delay_s: f64,
}

/// Actuator scatter.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Actuators {
    /// Fixed error of each jet's thrust drawn once a run, one sigma, fraction.
    pub thrust_scatter: f64,
    /// Error of each pulse's thrust drawn at every opening, one sigma, fraction.
    pub pulse_scatter: f64,
    /// Fixed error of the main engine's thrust, fraction; propellant flow goes with it.
    pub engine_thrust_error: f64,
    /// Fixed error of its line of force about first and second gimbal axis, rad.
    pub engine_misalignment_rad: [f64; 2],
}

/// A bound on one figure of `summary.json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Requirement {
    /// Key of the figure, with its unit (see `metrics`).
    pub figure: String,
    /// Upper bound, if any.
    pub at_most: Option<f64>,
    /// Lower bound, if any.
    pub at_least: Option<f64>,
}

/// Another flight beside the scenario's own.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Variant {
    /// Name, `snake_case`.
    pub name: String,
    /// One line for people.
    pub description: String,
    /// Bodies really there, when they differ.
    pub stack: Option<Vec<String>>,
    /// Bodies the kernel is told, when they differ (the truth of the variant's stack otherwise).
    pub told_stack: Option<Vec<String>>,
    /// The stack as the board knows it, when it differs: otherwise the variant's name where it has another
    /// stack.
    pub configuration: Option<String>,
    /// Whether the kernel is told what interfaces may carry.
    pub interface_limits_kept: bool,
    /// What becomes of the scenario's releases.
    pub release: Parted,
    /// What this flight must meet, in place of what the scenario requires.
    pub requirements: Option<Vec<Requirement>>,
}

impl Variant {
    /// Bodies that are there, and what the kernel is told, in this variant of a flight.
    pub(super) fn of(&self, stack: &[String], told: &Told) -> (Vec<String>, Told) {
        let stack = self.stack.clone().unwrap_or_else(|| stack.to_vec());
        let believed = self.told_stack.clone().unwrap_or_else(|| stack.clone());
        let limits_kept = told.interface_limits_kept && self.interface_limits_kept;
        (stack, Told { stack: believed, interface_limits_kept: limits_kept, ..told.clone() })
    }
}
