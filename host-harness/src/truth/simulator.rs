//! The truth of one run: state, events, bookkeeping.

use super::accelerometer::Accelerometer;
use super::attitude::Attitude;
use super::clearance::Hulls;
use super::engine::EngineUnit;
use super::events::{Event, Queue};
use super::frame::Frame;
use super::gradient::Gradient;
use super::interface::{Watch, far_bodies};
use super::jets::JetUnit;
use super::joints::{Bend, Joints};
use super::motion::{Acting, Inertial, Motion, Outflow, Wrench};
use super::released::{self, Part, Released};
use super::slosh::{MOST, Pendulums};
use crate::record::{
    EngineRecord, ImpulseAccount, InterfaceLoads, JetTotals, Momentum, Parting, Relative, ValveEdge,
};
use crate::scenario::model::{Disturbance, Engine, Jet, Push, Release, Scenario};
use crate::stack::{MassProperties, Stack, Unphysical, full_tanks};
use nalgebra::{Vector2, Vector3};
use thiserror::Error;

/// Largest angle turned in one step, rad: small against the radius of convergence of the motion's series
/// (about one radian), of order six while coasting and of order four under a force.
const STEP_ANGLE: f64 = 0.005;
/// Longest step under a force, s: what the force does to the mass stays smooth over a step.
const FORCED_STEP_S: f64 = 1.0;
/// Largest change of a joint's phase in one step, rad: `0.05⁶ / 144` of its swing is lost in a step.
const STEP_PHASE: f64 = 0.05;
/// The same of a swinging liquid's, whose frequency changes with every push.
const STEP_SWING: f64 = 0.02;
/// A tank with less usable propellant than this is dry, kg.
const DRY_KG: f64 = 1e-12;
/// Commands this much late still count as now, s: sums of decimal fractions of a second are not exact.
const CLOCK_ROUNDING_S: f64 = 1e-9;

/// Why the truth could not be set up, or did not accept a command.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum TruthError {
    /// A name in the stack is not a body of the vehicle.
    #[error("the stack names body `{0}`, which the vehicle does not have")]
    UnknownBody(String),
    /// The same body twice.
    #[error("the stack names body `{0}` twice")]
    RepeatedBody(String),
    /// A jet's tank is not in the vehicle.
    #[error("jet `{jet}` is fed by tank `{tank}`, which the vehicle does not have")]
    UnknownTank {
        /// Name of the jet.
        jet: String,
        /// Name of the tank.
        tank: String,
    },
    /// No body of ordinary matter has these mass properties.
    #[error("the stack cannot be flown: {0}")]
    Unphysical(#[from] Unphysical),
    /// An interface that is not in the vehicle, or has nothing on one of its sides.
    #[error("nothing parts at interface `{0}`: it needs bodies of the stack on both sides")]
    NothingToRelease(String),
    /// Joints or swinging liquid, which are not divided; or a part that is let go already.
    #[error("the stack cannot be parted: {0}")]
    NotToBeParted(&'static str),
    /// A valve command for a jet that does not exist.
    #[error("valve command for jet {jet}; the vehicle has {jets} jets, counted from 0")]
    UnknownJet {
        /// Index asked for.
        jet: usize,
        /// Number of jets.
        jets: usize,
    },
    /// A valve command in the past, or before the newest one for the same jet, or at no time at all.
    #[error("valve command for jet {jet} at {time_s} s; it must not lie before {earliest_s} s")]
    CommandTooLate {
        /// Index of the jet.
        jet: usize,
        /// Time of the command, s.
        time_s: f64,
        /// Earliest acceptable time, s.
        earliest_s: f64,
    },
    /// The main engine's tank is not in the vehicle.
    #[error("the main engine is fed by tank `{0}`, which the vehicle does not have")]
    UnknownEngineTank(String),
    /// A command for a main engine that cannot be commanded.
    #[error("command for the main engine; the vehicle has none with a tank")]
    NoEngine,
    /// A command for the main engine or its gimbal in the past, or before the newest one, or at no time at all.
    #[error("command for the main engine at {time_s} s; it must not lie before {earliest_s} s")]
    EngineTooLate {
        /// Time of the command, s.
        time_s: f64,
        /// Earliest acceptable time, s.
        earliest_s: f64,
    },
    /// A gimbal command that is no angle.
    #[error("gimbal command {0:?} rad; both angles must be finite numbers")]
    NoAngle([f64; 2]),
}

/// The stack as it really moves, its jets, engine, tanks and disturbances, and the books of what they did.
#[derive(Clone, Debug)]
pub struct Truth {
    time: f64,
    /// In the inertial frame of the moment.
    motion: Motion,
    /// That frame; `None` for the one of time zero.
    frame: Option<Frame>,
    /// Names of the bodies that are there.
    present: Vec<String>,
    stack: Stack,
    /// Mass properties with the propellant of the moment.
    mass: Inertial,
    /// One entry per tank of the vehicle, kg.
    propellant: Vec<f64>,
    unusable: Vec<f64>,
    jets: Vec<JetUnit>,
    /// Jets that push now.
    active: Vec<usize>,
    engine: Option<EngineUnit>,
    accelerometer: Option<Accelerometer>,
    disturbances: Vec<Wrench>,
    /// Sum of the disturbances of the moment.
    disturbance: Wrench,
    running: Vec<bool>,
    gradient: Option<Gradient>,
    joints: Option<Joints>,
    pendulums: Option<Pendulums>,
    queue: Queue,
    edges: Vec<ValveEdge>,
    books: Books,
    watches: Vec<Watch>,
    released: Option<Released>,
    partings: Vec<Parting>,
    /// Own momentum of what stays and of what went just after they parted.
    start: [Momentum; 2],
    /// Change of velocity by releases, inertial, m/s.
    parted: Vector3<f64>,
    /// Planned use of the step per active jet, kg; kept to spare an allocation per step.
    used: Vec<f64>,
    /// Planned draught of the step per tank, kg.
    drawn: Vec<f64>,
}

/// Time integrals in body axes, N·m·s.
#[derive(Clone, Copy, Debug, Default)]
struct Books {
    jets: Vector3<f64>,
    engine: Vector3<f64>,
    disturbance: Vector3<f64>,
    gyroscopic: Vector3<f64>,
    start: Vector3<f64>,
}

impl Truth {
    /// Sets up the run at time zero: centre of mass at rest at the inertial origin, attitude and rate as
    /// in the scenario. Only the bodies named in `stack` are there; a jet whose body or tank is not
    /// there, or that is dead, delivers nothing and uses nothing.
    ///
    /// # Errors
    /// A name that the vehicle does not have, or mass properties that no body can have.
    pub fn new(scenario: &Scenario, stack: &[String]) -> Result<Self, TruthError> {
        let vehicle = &scenario.vehicle;
        for (index, name) in stack.iter().enumerate() {
            if !vehicle.bodies.iter().any(|body| &body.name == name) {
                return Err(TruthError::UnknownBody(name.clone()));
            }
            if stack[..index].contains(name) {
                return Err(TruthError::RepeatedBody(name.clone()));
            }
        }
        let composite = Stack::new(vehicle, stack);
        let propellant = full_tanks(vehicle);
        let now = composite.with_propellant(&propellant);
        MassProperties::from(now).check()?;
        let joints = Joints::new(vehicle, &scenario.joints, stack);
        let pendulums = Pendulums::new(vehicle, &scenario.sloshes, stack);
        let mass = Inertial::new(&now, joints.as_ref(), pendulums.as_ref());
        let motion = at_rest(scenario, &mass, (joints.as_ref(), pendulums.as_ref()));
        let unusable = unusable(scenario);
        let disturbances: Vec<Wrench> =
            scenario.disturbances.iter().map(|d| wrench(d, joints.as_ref())).collect();
        let jets = jets(scenario, stack, joints.as_ref(), &unusable)?;
        let engine = engine(scenario, stack, &unusable)?;
        let accelerometer =
            scenario.sensors.accelerometer.map(|one| Accelerometer::new(one.position_m, &motion, &mass));
        let pushed: Vec<Option<&String>> = scenario.disturbances.iter().map(|d| d.body.as_ref()).collect();
        // The loads are those of a rigid stack.
        let rigid = joints.is_none() && pendulums.is_none();
        let watched = if rigid { &vehicle.interfaces[..] } else { &[] };
        let watch = |interface| Watch::new(interface, vehicle, stack, &pushed);
        let mut queue = Queue::with_capacity(8 * jets.len() + 2 * disturbances.len());
        let there = |d: &Disturbance| d.body.as_ref().is_none_or(|body| stack.contains(body));
        for (index, disturbance) in scenario.disturbances.iter().enumerate().filter(|(_, d)| there(d)) {
            queue.push(disturbance.start_s, Event::Start(index));
            queue.push(disturbance.stop_s, Event::Stop(index));
        }
        if let (Some(stuck), Some(_)) = (&scenario.stuck_gimbal, &engine) {
            queue.push(stuck.from_s, Event::Jam);
        }
        let mut truth = Self {
            time: 0.0,
            motion,
            frame: None,
            present: stack.to_vec(),
            stack: composite,
            mass,
            propellant,
            unusable,
            active: Vec::with_capacity(jets.len()),
            used: Vec::with_capacity(jets.len()),
            drawn: vec![0.0; vehicle.tanks.len()],
            jets,
            engine,
            accelerometer,
            running: vec![false; disturbances.len()],
            disturbances,
            disturbance: Wrench::default(),
            gradient: scenario.orbit.as_ref().map(Gradient::from),
            joints,
            pendulums,
            queue,
            edges: Vec::with_capacity(1024),
            books: Books { start: motion.body_momentum(&mass), ..Books::default() },
            watches: watched.iter().filter_map(watch).collect(),
            released: None,
            partings: Vec::new(),
            start: [Momentum::default(); 2],
            parted: Vector3::zeros(),
        };
        truth.process_due();
        Ok(truth)
    }

    /// Commands a valve open or closed at `time_s`, now or ahead; commands of one jet come in order of
    /// time. A command that finds the valve already so is no command. What is not yet done of earlier
    /// commands of the jet is dropped where the new one takes effect before it: a valve closed before its
    /// opening delay has run out may deliver nothing at all.
    ///
    /// # Errors
    /// A jet that does not exist; a time in the past or before the jet's newest command.
    pub fn command_valve(&mut self, jet: usize, open: bool, time_s: f64) -> Result<(), TruthError> {
        let jets = self.jets.len();
        let now = self.time;
        let unit = self.jets.get_mut(jet).ok_or(TruthError::UnknownJet { jet, jets })?;
        let (standing, newest) = unit.newest;
        let earliest_s = newest.max(now);
        if !(time_s.is_finite() && time_s >= earliest_s - CLOCK_ROUNDING_S) {
            return Err(TruthError::CommandTooLate { jet, time_s, earliest_s });
        }
        if open == standing {
            return Ok(());
        }
        let time = time_s.max(earliest_s);
        unit.newest = (open, time);
        if open {
            let thrust = unit.draw_pulse();
            unit.asked_thrust = thrust;
            let effect = time + unit.opening_delay;
            self.queue.cancel_from(effect, |event| event == Event::Fall(jet));
            self.queue.push(time, Event::Open(jet, thrust));
            self.queue.push(effect, Event::Rise(jet, thrust));
        } else {
            let thrust = unit.asked_thrust;
            let effect = time + unit.closing_delay;
            self.queue.cancel_from(effect, |event| matches!(event, Event::Rise(other, _) if other == jet));
            self.queue.push(time, Event::Close(jet, thrust));
            self.queue.push(effect, Event::Fall(jet));
        }
        Ok(())
    }

    /// Commands the main engine on or off at `time_s`, now or ahead, in order of time, as [`Self::command_valve`] does a
    /// valve: an engine that is told to stop before its start delay has run out may deliver nothing at all.
    ///
    /// # Errors
    /// No main engine with a tank; a time in the past or before the newest command.
    pub fn command_engine(&mut self, on: bool, time_s: f64) -> Result<(), TruthError> {
        let now = self.time;
        let unit = self.engine.as_mut().ok_or(TruthError::NoEngine)?;
        let (standing, newest) = unit.newest;
        let time = in_order(time_s, newest.max(now))?;
        if on == standing {
            return Ok(());
        }
        unit.newest = (on, time);
        let (effect, event, dropped) = if on {
            (time + unit.start_delay, Event::EngineRise, Event::EngineFall)
        } else {
            (time + unit.shutdown_delay, Event::EngineFall, Event::EngineRise)
        };
        self.queue.cancel_from(effect, |event| event == dropped);
        self.queue.push(time, Event::Engine(on));
        self.queue.push(effect, event);
        Ok(())
    }

    /// Commands the gimbal to angles about first and second axis, rad, at `time_s`, now or ahead, in order of time. A
    /// command beyond the travel leads to its stops; a fixed engine stays where it is.
    ///
    /// # Errors
    /// No main engine with a tank; angles that are none; a time in the past or before the newest command to the gimbal.
    pub fn command_gimbal(&mut self, angles_rad: [f64; 2], time_s: f64) -> Result<(), TruthError> {
        let now = self.time;
        let unit = self.engine.as_mut().ok_or(TruthError::NoEngine)?;
        if !angles_rad.iter().all(|angle| angle.is_finite()) {
            return Err(TruthError::NoAngle(angles_rad));
        }
        unit.newest_turn = in_order(time_s, unit.newest_turn.max(now))?;
        self.queue.push(unit.newest_turn, Event::Gimbal(angles_rad));
        Ok(())
    }

    /// Advances to `time_s`; a time already reached changes nothing.
    pub fn advance_to(&mut self, time_s: f64) {
        self.process_due();
        while self.time < time_s {
            let until = self.next_break().min(time_s);
            self.advance_smoothly(until);
            self.process_due();
        }
    }

    /// Lets the far side of an interface go, now: see [`released`]. What went with it pushes no more, and jets without
    /// their tank do not either.
    ///
    /// * `scenario` — that of the run.
    ///
    /// # Errors
    /// An interface with nothing on one of its sides; a stack with joints, with swinging liquid, or from which something
    /// has been let go before.
    pub fn release(&mut self, scenario: &Scenario, release: &Release) -> Result<&Parting, TruthError> {
        let vehicle = &scenario.vehicle;
        let interface = vehicle.interfaces.iter().find(|interface| interface.name == release.interface);
        let gone = interface
            .and_then(|interface| far_bodies(interface, &self.present))
            .ok_or_else(|| TruthError::NothingToRelease(release.interface.clone()))?;
        if self.joints.is_some() || self.pendulums.is_some() {
            return Err(TruthError::NotToBeParted(
                "joints and swinging liquid are not divided between two bodies",
            ));
        }
        if self.released.is_some() {
            return Err(TruthError::NotToBeParted("a part of it has been let go already"));
        }
        let left: Vec<String> = self.present.iter().filter(|body| !gone.contains(body)).cloned().collect();
        let (whole, before) = (self.mass, self.motion);
        let stack = Stack::new(vehicle, &left);
        let part = |of: &Stack| Part::of(of.with_propellant(&self.propellant), &whole, &before);
        let (mut stays, mut went) = (part(&stack), part(&Stack::new(vehicle, &gone)));
        let springs = released::springs(release, scenario.seed);
        let impulses = released::spring_apart(&before, &mut stays, &mut went, &springs);
        (self.present, self.stack, self.motion) = (left, stack, stays.motion(&before));
        self.mass = self.inertial();
        let hulls = Hulls::new(vehicle, &self.present, &gone);
        let (own, mass) = (went.motion(&before), Inertial::new(&went.mass, None, None));
        let frame = self.frame.unwrap_or_default();
        let watched = (hulls, release.keep_out_m);
        let other = Released::new(self.time, (own, frame), &went.mass, self.position(), watched);
        self.part_with(scenario, &gone);
        let (point, velocity) = (before.centre(&whole), before.momentum / whole.mass);
        let about =
            |motion: &Motion, mass: &Inertial| released::momentum_about(motion, mass, &point, &velocity);
        self.parted += stays.velocity - velocity;
        self.books.disturbance += self.motion.body_momentum(&self.mass) - before.body_momentum(&whole);
        self.partings.push(Parting {
            time_s: self.time,
            interface: release.interface.clone(),
            bodies: gone,
            masses_kg: [self.mass.mass, mass.mass],
            keep_out_m: release.keep_out_m,
            spring_energy_j: springs.iter().map(|spring| spring.energy).sum(),
            spring_impulses_n_s: impulses,
            before: about(&before, &whole),
            after: [about(&self.motion, &self.mass), about(&own, &mass)],
            since: [Momentum::default(); 2],
            rate_change_rad_s: (stays.rate - before.rate(&whole)).into(),
            released_rate_rad_s: went.rate.into(),
            velocity_m_s: (went.velocity - stays.velocity).into(),
            arms_m: self.arms_m(),
            table_identity: 0,
        });
        self.start = [self.momentum(), other.momentum()];
        self.released = Some(other);
        self.partings.last().ok_or(TruthError::NotToBeParted("it has not been"))
    }

    /// Velocity of the centre of mass of what is on board, inertial, m/s.
    fn velocity(&self) -> Vector3<f64> {
        let here = self.motion.momentum / self.mass.mass;
        self.frame.map_or(here, |frame| here + frame.velocity())
    }

    /// Its place, inertial, m.
    fn position(&self) -> Vector3<f64> {
        let here = self.motion.centre(&self.mass);
        self.frame.map_or(here, |frame| here + frame.place(self.time))
    }

    /// Stops what these bodies carried, and what pushed on them.
    fn part_with(&mut self, scenario: &Scenario, gone: &[String]) {
        let vehicle = &scenario.vehicle;
        let tank_went = |tank: &str| vehicle.tanks.iter().any(|t| t.name == tank && gone.contains(&t.body));
        for (unit, jet) in self.jets.iter_mut().zip(&vehicle.jets) {
            if gone.contains(&jet.body) || tank_went(&jet.tank) {
                unit.quit();
            } else if jet.plume.as_ref().is_some_and(|plume| gone.contains(&plume.body)) {
                unit.clear();
            }
        }
        let jets = &self.jets;
        self.active.retain(|&jet| jets[jet].ramp.active());
        let carried = |engine: &Engine| {
            let tank = engine.tank.as_ref().is_some_and(|tank| tank_went(tank));
            tank || engine.body.as_ref().is_some_and(|body| gone.contains(body))
        };
        if vehicle.engine.as_ref().is_some_and(carried) {
            self.engine.iter_mut().for_each(EngineUnit::quit);
        }
        for (index, disturbance) in scenario.disturbances.iter().enumerate() {
            if disturbance.body.as_ref().is_some_and(|body| gone.contains(body)) {
                self.queue.cancel_from(self.time, |event| event == Event::Start(index));
                self.disturb(index, false);
            }
        }
        let present = &self.present;
        self.watches.iter_mut().for_each(|watch| watch.follow(vehicle, present));
    }

    /// Next moment at which a force changes its law, s.
    fn next_break(&self) -> f64 {
        let next = self.engine.as_ref().map_or(f64::INFINITY, |engine| engine.next_break(self.time));
        let next = next.min(self.queue.next_time());
        self.active.iter().fold(next, |next, &jet| next.min(self.jets[jet].ramp.end))
    }

    /// Ends ramps and takes events that are due.
    fn process_due(&mut self) {
        let mut changed = false;
        for &jet in &self.active {
            if self.jets[jet].ramp.end <= self.time {
                self.jets[jet].ramp.arrive();
                changed = true;
            }
        }
        if let Some(engine) = self.engine.as_mut().filter(|engine| engine.ramp.end <= self.time) {
            engine.ramp.arrive();
        }
        while let Some((time, event)) = self.queue.pop_due(self.time) {
            self.take(event, time);
            changed = true;
        }
        if changed {
            self.active.clear();
            self.active.extend((0..self.jets.len()).filter(|&jet| self.jets[jet].ramp.active()));
        }
    }

    fn take(&mut self, event: Event, time: f64) {
        match event {
            Event::Open(jet, thrust_n) => self.edge(ValveEdge { time_s: time, jet, open: true, thrust_n }),
            Event::Close(jet, thrust_n) => self.edge(ValveEdge { time_s: time, jet, open: false, thrust_n }),
            Event::Rise(jet, thrust) => self.jets[jet].start_rise(thrust, time),
            Event::Fall(jet) => self.jets[jet].start_fall(time),
            Event::Start(index) => self.disturb(index, true),
            Event::Stop(index) => self.disturb(index, false),
            Event::Engine(_) | Event::EngineRise | Event::EngineFall | Event::Gimbal(_) | Event::Jam => {
                if let Some(engine) = &mut self.engine {
                    engine.take(event, time);
                }
            }
        }
    }

    fn edge(&mut self, edge: ValveEdge) {
        self.jets[edge.jet].command(edge.open, edge.time_s);
        self.edges.push(edge);
    }

    /// Summed afresh, so that after the last disturbance has stopped the sum is zero, not rounding.
    fn disturb(&mut self, index: usize, on: bool) {
        self.running[index] = on;
        self.disturbance = Wrench::default();
        for (push, _) in self.disturbances.iter().zip(&self.running).filter(|(_, running)| **running) {
            self.disturbance.add(push, 1.0);
        }
    }

    /// Advances to `until` s, before which no force changes its law.
    fn advance_smoothly(&mut self, until: f64) {
        while self.time < until {
            let left = until - self.time;
            if self.quiet() && self.disturbance.is_zero() && self.rigid_and_free() {
                let before = self.motion;
                let (taken, gyroscopic) = self.motion.coast(&self.mass, left, STEP_ANGLE);
                self.books.gyroscopic += gyroscopic;
                if let Some(accelerometer) = &mut self.accelerometer {
                    accelerometer.coasted((&before, &self.motion), &self.mass, taken);
                }
                self.time = if taken < left { self.time + taken } else { until };
                self.watch_interfaces(self.time);
            } else {
                let step = left / pieces(left, self.forced_step());
                let taken = self.forced(step);
                self.time = if taken < left { self.time + taken } else { until };
            }
            if self.released.is_some() {
                let stays = self.position();
                let field = self.gradient.as_ref();
                self.released.iter_mut().for_each(|released| released.advance(self.time, stays, field));
            }
        }
    }

    /// Whether neither jets nor main engine push.
    fn quiet(&self) -> bool {
        self.active.is_empty() && self.burning().is_none()
    }

    /// The main engine, while it pushes.
    fn burning(&self) -> Option<&EngineUnit> {
        self.engine.as_ref().filter(|engine| engine.ramp.active())
    }

    /// Whether nothing but jets, main engine and disturbances changes the motion.
    fn rigid_and_free(&self) -> bool {
        self.gradient.is_none() && self.joints.is_none() && self.pendulums.is_none()
    }

    /// Longest step for the rate and the torque of the moment, s.
    fn forced_step(&self) -> f64 {
        let ahead = self.active.iter().map(|&jet| &self.jets[jet]);
        let mut standing = self.disturbance.about(&self.mass.centre);
        if let Some(gradient) = &self.gradient {
            standing += gradient.torque(self.time, &self.motion.attitude.matrix(), &self.mass.inertia);
        }
        let torque = ahead.fold(standing, |sum, jet| {
            let largest = jet.ramp.largest(self.time, FORCED_STEP_S);
            sum + (jet.moment - self.mass.centre.cross(&jet.direction)) * largest
        });
        let torque = self.burning().map_or(torque, |engine| {
            let largest = engine.ramp.largest(self.time, FORCED_STEP_S);
            torque + engine.push(self.time).about(&self.mass.centre) * largest
        });
        let acceleration = (self.mass.inverse * torque).norm();
        let turning = STEP_ANGLE / self.motion.rate(&self.mass).norm();
        let swinging = self.mass.coupling.map_or(f64::INFINITY, |joints| STEP_PHASE / joints.quickest());
        turning
            .min((2.0 * STEP_ANGLE / acceleration).sqrt())
            .min(FORCED_STEP_S)
            .min(swinging)
            .min(self.swing_step())
            .min(self.burning().map_or(f64::INFINITY, |engine| engine.longest_step(self.time)))
    }

    /// Longest step for the swinging liquids, s.
    fn swing_step(&self) -> f64 {
        let Some(carrier) = &self.mass.carrier else { return f64::INFINITY };
        let mut most = self.jet_wrench(0.0);
        for jet in self.active.iter().map(|&jet| &self.jets[jet]) {
            most.add(&jet.push(), jet.ramp.largest(self.time, FORCED_STEP_S) - jet.ramp.thrust);
        }
        if let Some(engine) = self.burning() {
            most.add(&engine.push(self.time), engine.ramp.largest(self.time, FORCED_STEP_S));
        }
        most.add(&self.disturbance, 1.0);
        let (turn, speeds) = self.motion.still_lines(carrier);
        STEP_SWING / carrier.quickest(&turn, &speeds, &most)
    }

    /// One step of at most `step` s with jets, main engine, disturbances, gravity gradient, joints or
    /// liquid; shorter if a tank runs dry on the way. Returns the step taken, s.
    fn forced(&mut self, wanted: f64) -> f64 {
        let step = self.plan_draught(wanted);
        if self.burning().is_some() {
            self.go_along();
        }
        // A disturbance pushes at the end of a step as at its start.
        let quiet = self.quiet();
        if !quiet {
            self.watch_interfaces(self.time);
        }
        let (start, end) = (self.jet_wrench(0.0), self.jet_wrench(step));
        let mut middle = Wrench::default();
        middle.add(&start, 0.5);
        middle.add(&end, 0.5);
        let mut mass = [self.mass; 3];
        let mut outflow = Outflow::default();
        let burn = self.burning().map(|engine| engine.burn(self.time, step));
        if !quiet {
            outflow = self.draw(step);
            // Half the draught before the middle and half after: the same mean flow that carries the
            // momentum away, so that mass and momentum leave in proportion.
            self.drain(0.5);
            mass[1] = self.inertial();
            self.drain(0.5);
            mass[2] = self.inertial();
        }
        let acting = Acting {
            mass,
            jets: [start, middle, end],
            burn,
            disturbance: self.disturbance,
            outflow,
            gradient: self.gradient,
            time: [self.time, self.time + 0.5 * step, self.time + step],
            instrument: self.accelerometer.as_ref().map(|accelerometer| accelerometer.place),
        };
        let turned = self.motion.push(&acting, step);
        self.mass = mass[2];
        self.watch_interfaces(self.time + step);
        self.books.gyroscopic += turned.gyroscopic;
        self.books.jets += turned.jets;
        self.books.engine += turned.engine;
        self.books.disturbance += turned.disturbance;
        if let Some(accelerometer) = &mut self.accelerometer {
            accelerometer.turned += turned.counted;
        }
        self.close_dry_tanks();
        step
    }

    /// Goes over to the frame in which the stack is at rest.
    fn go_along(&mut self) {
        let taken_on = self.motion.come_to_rest(&self.mass);
        self.frame.get_or_insert_default().take_on(taken_on, self.time);
        if let Some(accelerometer) = &mut self.accelerometer {
            accelerometer.boosted(&taken_on.1, &self.motion);
        }
    }

    /// Mass properties with the propellant of the moment.
    fn inertial(&self) -> Inertial {
        let now = self.stack.with_propellant(&self.propellant);
        Inertial::new(&now, self.joints.as_ref(), self.pendulums.as_ref())
    }

    /// Sum of the jets' push `step` s from now, within the present ramps.
    fn jet_wrench(&self, step: f64) -> Wrench {
        let mut sum = Wrench::default();
        for jet in self.active.iter().map(|&jet| &self.jets[jet]) {
            sum.add(&jet.push(), jet.ramp.after(step));
        }
        sum
    }

    /// Looks at the loads on the interfaces as everything pushes now, `time` s: thrust is linear in a step,
    /// so that the largest loads stand at its ends.
    fn watch_interfaces(&mut self, time: f64) {
        if self.watches.is_empty() {
            return;
        }
        let rate = self.motion.rate(&self.mass);
        let mut all = self.jet_wrench(0.0);
        let mut engine = Wrench::default();
        if let Some(burning) = self.burning() {
            engine.add(&burning.push(time), burning.ramp.thrust);
            all.add(&engine, 1.0);
        }
        all.add(&self.disturbance, 1.0);
        let mut watches = std::mem::take(&mut self.watches);
        for watch in &mut watches {
            let mut on_far = Wrench::default();
            for &jet in &self.active {
                let unit = &self.jets[jet];
                if watch.jet_is_far(jet) {
                    on_far.add(&unit.push(), unit.ramp.thrust);
                    on_far.add(&unit.plume, -unit.ramp.thrust);
                }
                if watch.plume_is_far(jet) {
                    on_far.add(&unit.plume, unit.ramp.thrust);
                }
            }
            if watch.engine_is_far() {
                on_far.add(&engine, 1.0);
            }
            let pushes = self.disturbances.iter().zip(&self.running).enumerate();
            for (_, (push, _)) in pushes.filter(|(index, (_, on))| **on && watch.disturbance_is_far(*index)) {
                on_far.add(push, 1.0);
            }
            watch.look(time, (&self.mass, &self.propellant), rate, (all, on_far));
        }
        self.watches = watches;
    }

    /// Works out what each active jet and the main engine use in a step of `step` s, shortened until no tank gives more
    /// than it has. Returns the step, s.
    fn plan_draught(&mut self, mut step: f64) -> f64 {
        // Exact at the first correction for constant flow; a few more for a flow that changes.
        for _ in 0..8 {
            self.drawn.fill(0.0);
            self.used.clear();
            for unit in self.active.iter().map(|&jet| &self.jets[jet]) {
                let used = unit.propellant(self.time, step);
                self.used.push(used);
                self.drawn[unit.tank] += used;
            }
            if let Some(engine) = self.engine.as_ref().filter(|engine| engine.ramp.active()) {
                self.drawn[engine.tank] += engine.propellant(step);
            }
            let tanks = self.drawn.iter().zip(self.propellant.iter().zip(&self.unusable));
            let share = tanks.fold(1.0_f64, |share, (&drawn, (&has, &unusable))| {
                let usable = (has - unusable).max(0.0);
                if drawn > usable { share.min(usable / drawn) } else { share }
            });
            if share >= 1.0 {
                break;
            }
            step *= share;
        }
        step
    }

    /// Lets the planned step of `step` s pass for jets and main engine; where the propellant leaves.
    fn draw(&mut self, step: f64) -> Outflow {
        let mut outflow = Outflow::default();
        for (&jet, &used) in self.active.iter().zip(&self.used) {
            let unit = &mut self.jets[jet];
            unit.pass(step, used);
            outflow.add(used / step, &unit.position, &unit.line);
        }
        if let Some(engine) = self.engine.as_mut().filter(|engine| engine.ramp.active()) {
            engine.pass(step, &mut outflow);
        }
        outflow
    }

    /// Takes this share of the planned draught out of the tanks.
    fn drain(&mut self, share: f64) {
        for (propellant, drawn) in self.propellant.iter_mut().zip(&self.drawn) {
            *propellant -= drawn * share;
        }
    }

    /// Stops the jets, and the main engine, whose tank has nothing usable left.
    fn close_dry_tanks(&mut self) {
        let (propellant, unusable) = (&self.propellant, &self.unusable);
        let dry = |tank: usize| propellant[tank] - unusable[tank] <= DRY_KG;
        let burning = self.burning().map(|engine| engine.tank);
        if burning.is_none_or(|tank| !dry(tank)) && !self.active.iter().any(|&jet| dry(self.jets[jet].tank)) {
            return;
        }
        self.jets.iter_mut().filter(|jet| dry(jet.tank)).for_each(JetUnit::quit);
        self.engine.iter_mut().filter(|engine| dry(engine.tank)).for_each(EngineUnit::quit);
        let jets = &self.jets;
        self.active.retain(|&jet| jets[jet].ramp.active());
    }
}

/// What the run looks like from outside. SI units; structural and body axes are parallel.
impl Truth {
    /// Time now, s.
    #[must_use]
    pub fn time_s(&self) -> f64 {
        self.time
    }

    /// Attitude in the truth's own convention.
    #[must_use]
    pub fn attitude(&self) -> Attitude {
        self.motion.attitude
    }

    /// Attitude in the files' convention: `[x, y, z, w]`, inertial components into body components.
    #[must_use]
    pub fn attitude_xyzw(&self) -> [f64; 4] {
        self.motion.attitude.to_file()
    }

    /// Body rate, body axes, rad/s; with joints, that of the bodies they do not carry; with liquid that swings, that
    /// of the structure.
    #[must_use]
    pub fn rate_rad_s(&self) -> [f64; 3] {
        self.motion.rate(&self.mass).into()
    }

    /// Velocity gathered since time zero, inertial axes, m/s: linear momentum over mass, the
    /// velocity of the centre of mass of what is on board; what a release has changed of it is not counted.
    #[must_use]
    pub fn velocity_m_s(&self) -> [f64; 3] {
        (self.velocity() - self.parted).into()
    }

    /// The part that was let go, if any.
    #[must_use]
    pub fn released(&self) -> Option<&Released> {
        self.released.as_ref()
    }

    /// Velocity of the released part's centre of mass against that of what stays, inertial axes, m/s.
    #[must_use]
    pub fn released_velocity_m_s(&self) -> Option<[f64; 3]> {
        let stays = self.velocity();
        self.released.as_ref().map(|released| released.velocity_m_s(&stays))
    }

    /// Looks at the released part: where it is, and how near it has come since it was last looked at.
    pub fn look_at_released(&mut self) -> Option<Relative> {
        let (stays, field) = ((&self.motion, &self.mass), self.gradient.as_ref());
        self.released.as_mut().map(|released| released.look(stays, field))
    }

    /// Releases up to now, with what each part has had from outside since.
    #[must_use]
    pub fn partings(&self) -> Vec<Parting> {
        let Some(released) = &self.released else { return self.partings.clone() };
        let now = [self.momentum(), released.momentum()];
        let since = |(now, start): (&Momentum, &Momentum)| Momentum {
            linear_n_s: [0, 1, 2].map(|i| now.linear_n_s[i] - start.linear_n_s[i]),
            angular_n_m_s: [0, 1, 2].map(|i| now.angular_n_m_s[i] - start.angular_n_m_s[i]),
        };
        let since = [since((&now[0], &self.start[0])), since((&now[1], &self.start[1]))];
        self.partings.iter().map(|parting| Parting { since, ..parting.clone() }).collect()
    }

    /// Momentum of what is on board: linear, and angular about its centre of mass, inertial axes.
    fn momentum(&self) -> Momentum {
        Momentum { linear_n_s: self.momentum_n_s(), angular_n_m_s: self.angular_momentum_n_m_s() }
    }

    /// Centre of mass from where it was at time zero, inertial axes, m.
    #[must_use]
    pub fn position_m(&self) -> [f64; 3] {
        self.position().into()
    }

    /// Linear momentum of what is still on board, inertial axes, N·s.
    #[must_use]
    pub fn momentum_n_s(&self) -> [f64; 3] {
        let here = self.motion.momentum;
        self.frame.map_or(here, |frame| here + frame.velocity() * self.mass.mass).into()
    }

    /// Angular momentum about the centre of mass, inertial axes, N·m·s.
    #[must_use]
    pub fn angular_momentum_n_m_s(&self) -> [f64; 3] {
        self.motion.angular_about_centre(&self.mass).into()
    }

    /// Kinetic energy about the centre of mass and what bent joints hold, J.
    #[must_use]
    pub fn rotational_energy_j(&self) -> f64 {
        self.motion.energy(&self.mass)
    }

    /// Angles of the joints that are there, in the order of the scenario, rad; zero for one that is not.
    #[must_use]
    pub fn joint_angles_rad(&self) -> [f64; 2] {
        self.motion.bend.angle.into()
    }

    /// Angles of the swinging liquids that are there from where they hung at time zero, in the order of the
    /// scenario, rad; zero for one that is not.
    #[must_use]
    pub fn slosh_angles_rad(&self) -> [f64; MOST] {
        self.mass.carrier.map_or([0.0; MOST], |carrier| {
            carrier.angles(&self.motion.attitude.matrix(), &self.motion.swings)
        })
    }

    /// Their speeds against their tanks, m/s.
    #[must_use]
    pub fn slosh_speeds_m_s(&self) -> [f64; MOST] {
        self.mass.carrier.map_or([0.0; MOST], |carrier| {
            let (turn, speeds) = self.motion.still_lines(&carrier);
            carrier.slosh_speeds(&turn, &speeds, &self.motion.swings)
        })
    }

    /// Mass properties with the propellant of the moment, at rest in its tanks.
    #[must_use]
    pub fn mass_properties(&self) -> MassProperties {
        self.stack.with_propellant(&self.propellant).into()
    }

    /// Propellant left, kg, one entry per tank of the vehicle.
    #[must_use]
    pub fn propellant_kg(&self) -> &[f64] {
        &self.propellant
    }

    /// Propellant used since time zero, kg.
    #[must_use]
    pub fn propellant_used_kg(&self) -> f64 {
        let jets: f64 = self.jets.iter().map(|jet| jet.totals(self.time).propellant_kg).sum();
        self.engine.as_ref().map_or(jets, |engine| jets + engine.propellant_used())
    }

    /// The part of it that the main engine used, kg.
    #[must_use]
    pub fn engine_propellant_kg(&self) -> f64 {
        self.engine.as_ref().map_or(0.0, |engine| engine.propellant_used())
    }

    /// Thrust of a jet now, N; `None` for a jet that does not exist.
    #[must_use]
    pub fn thrust_n(&self, jet: usize) -> Option<f64> {
        self.jets.get(jet).map(|unit| unit.ramp.thrust)
    }

    /// Thrust of the main engine now, N; `None` without one that has a tank.
    #[must_use]
    pub fn engine_thrust_n(&self) -> Option<f64> {
        self.engine.as_ref().map(|engine| engine.ramp.thrust)
    }

    /// Angles of its gimbal now about first and second axis, rad, its misalignment left out; `None` likewise.
    #[must_use]
    pub fn gimbal_rad(&self) -> Option<[f64; 2]> {
        self.engine.as_ref().map(|engine| engine.angles(self.time))
    }

    /// What the main engine did since time zero; all zero without one.
    #[must_use]
    pub fn engine_record(&self) -> EngineRecord {
        self.engine.as_ref().map_or_else(EngineRecord::default, |engine| engine.record(self.time))
    }

    /// What the accelerometer has counted since time zero without its errors, body axes, m/s; `None` without one.
    #[must_use]
    pub fn counted_velocity_m_s(&self) -> Option<[f64; 3]> {
        self.accelerometer.as_ref().map(|one| one.count(&self.motion, &self.mass).into())
    }

    /// Totals since time zero, one entry per jet.
    #[must_use]
    pub fn jet_totals(&self) -> Vec<JetTotals> {
        self.jets.iter().map(|jet| jet.totals(self.time)).collect()
    }

    /// Torque about the actual centre of mass per newton of each jet (per N·s: angular impulse), m; one
    /// entry per jet, whether it works or not. Liquid that swings counts at rest in its tank.
    #[must_use]
    pub fn arms_m(&self) -> Vec<[f64; 3]> {
        let arm = |jet: &JetUnit| (jet.moment - self.mass.centre.cross(&jet.direction)).into();
        self.jets.iter().map(arm).collect()
    }

    /// The books since time zero. Momentum change = jets + engine + disturbance - gyroscopic, but for the jet
    /// damping of the jets, which is no impulse of theirs and is left out; that of the engine counts as the engine's.
    #[must_use]
    pub fn impulse_account(&self) -> ImpulseAccount {
        ImpulseAccount {
            disturbance_n_m_s: self.books.disturbance.into(),
            jets_n_m_s: self.books.jets.into(),
            engine_n_m_s: self.books.engine.into(),
            gyroscopic_n_m_s: self.books.gyroscopic.into(),
            momentum_change_n_m_s: (self.motion.body_momentum(&self.mass) - self.books.start).into(),
        }
    }

    /// A phase of the scenario ends: the largest loads on the interfaces are put aside and start afresh.
    pub fn close_phase(&mut self) {
        self.watches.iter_mut().for_each(Watch::close_phase);
    }

    /// Largest loads on the interfaces, phase by phase; see [`Self::close_phase`].
    #[must_use]
    pub fn interface_loads(&self) -> Vec<InterfaceLoads> {
        self.watches.iter().map(Watch::loads).collect()
    }

    /// Valve edges up to now that were not drained before, in order of time.
    #[must_use]
    pub fn edges(&self) -> &[ValveEdge] {
        &self.edges
    }

    /// Hands the valve edges over and forgets them.
    pub fn drain_edges(&mut self) -> impl Iterator<Item = ValveEdge> {
        self.edges.drain(..)
    }
}

/// The time of a command to the main engine, s, if it does not lie before `earliest_s`.
fn in_order(time_s: f64, earliest_s: f64) -> Result<f64, TruthError> {
    if time_s.is_finite() && time_s >= earliest_s - CLOCK_ROUNDING_S {
        Ok(time_s.max(earliest_s))
    } else {
        Err(TruthError::EngineTooLate { time_s, earliest_s })
    }
}

/// Number of equal steps of at most `longest` s in `time` s.
fn pieces(time: f64, longest: f64) -> f64 {
    (time / longest).ceil().max(1.0)
}

/// A disturbance as force, torque about the structural origin and torque about the joints.
fn wrench(disturbance: &Disturbance, joints: Option<&Joints>) -> Wrench {
    let (place, force, couple) = match disturbance.push {
        Push::Vent { position_m, force_n, torque_n_m } => {
            (Vector3::from(position_m), Vector3::from(force_n), Vector3::from(torque_n_m))
        }
        Push::Torque { torque_n_m } => (Vector3::zeros(), Vector3::zeros(), Vector3::from(torque_n_m)),
    };
    let bending = joints.zip(disturbance.body.as_ref());
    Wrench {
        force,
        torque: place.cross(&force) + couple,
        joints: bending.map_or(Vector2::zeros(), |(j, body)| j.pushed(body, &place, &force, &couple)),
    }
}

/// Propellant per tank of the vehicle that no jet gets, kg: what cannot be used, and what swings.
fn unusable(scenario: &Scenario) -> Vec<f64> {
    let swinging =
        |tank: &str| scenario.sloshes.iter().find(|slosh| slosh.tank == tank).map_or(0.0, |s| s.mass_kg);
    scenario.vehicle.tanks.iter().map(|tank| tank.unusable_kg.max(swinging(&tank.name))).collect()
}

/// Motion at time zero: the centre of mass at rest at the inertial origin, nothing moving against the
/// structure.
fn at_rest(
    scenario: &Scenario,
    mass: &Inertial,
    (joints, pendulums): (Option<&Joints>, Option<&Pendulums>),
) -> Motion {
    let rate = Vector3::from(scenario.initial.rate_rad_s);
    let attitude = Attitude::from_file(scenario.initial.attitude_xyzw);
    let turn = attitude.matrix();
    let mut motion = Motion {
        attitude,
        momentum: Vector3::zeros(),
        angular: turn * (mass.inertia * rate),
        origin: -(turn * mass.centre),
        bend: joints.zip(mass.coupling).map_or(Bend::default(), |(j, coupling)| j.at_rest(&coupling, &rate)),
        swings: Default::default(),
    };
    if let Some((pendulums, carrier)) = pendulums.zip(mass.carrier) {
        let hanging = pendulums.hanging(&turn);
        motion.origin = -carrier.lever(&turn, &hanging);
        (motion.swings, motion.angular) = carrier.at_rest(&turn, &(turn * rate), hanging);
    }
    motion
}

/// The vehicle's jets; those whose body or tank is not in the stack do not work.
fn jets(
    scenario: &Scenario,
    stack: &[String],
    joints: Option<&Joints>,
    unusable: &[f64],
) -> Result<Vec<JetUnit>, TruthError> {
    let vehicle = &scenario.vehicle;
    let build = |(number, jet): (u32, &Jet)| {
        let unknown = || TruthError::UnknownTank { jet: jet.name.clone(), tank: jet.tank.clone() };
        let tank = vehicle.tanks.iter().position(|tank| tank.name == jet.tank).ok_or_else(unknown)?;
        let feed = &vehicle.tanks[tank];
        let mut unit = JetUnit::new(jet, number, (tank, feed), &scenario.actuators, scenario.seed);
        if let Some(plume) = jet.striking(stack) {
            let force = Vector3::from(plume.push_n(jet));
            let place = Vector3::from(plume.place_m(jet));
            let joints =
                joints.map_or(Vector2::zeros(), |j| j.pushed(&plume.body, &place, &force, &Vector3::zeros()));
            unit.strikes(jet, &Wrench { force, torque: place.cross(&force), joints });
        }
        unit.works &= stack.contains(&jet.body) && stack.contains(&feed.body);
        unit.works &= feed.propellant_kg - unusable[tank] > DRY_KG;
        Ok(unit)
    };
    (0..).zip(&vehicle.jets).map(build).collect()
}

/// The vehicle's main engine; `None` without one that has a tank. One whose body or tank is not in the stack does not work.
fn engine(scenario: &Scenario, stack: &[String], unusable: &[f64]) -> Result<Option<EngineUnit>, TruthError> {
    let vehicle = &scenario.vehicle;
    let Some((engine, name)) = vehicle.engine.as_ref().and_then(|e| Some((e, e.tank.as_ref()?))) else {
        return Ok(None);
    };
    let tank = vehicle.tanks.iter().position(|tank| &tank.name == name);
    let tank = tank.ok_or_else(|| TruthError::UnknownEngineTank(name.clone()))?;
    let feed = &vehicle.tanks[tank];
    let stuck = scenario.stuck_gimbal.as_ref();
    let mut unit = EngineUnit::new(engine, (tank, feed), &scenario.actuators, stuck);
    let body = engine.body.as_ref().unwrap_or(&feed.body);
    unit.works = stack.contains(body) && stack.contains(&feed.body);
    unit.works &= feed.propellant_kg - unusable[tank] > DRY_KG;
    Ok(Some(unit))
}
