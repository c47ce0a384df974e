//! The main engine: on and off in, thrust and propellant flow out; gimbal commands in, a line of force out.
//!
//! Thrust is piecewise linear in time, as a jet's is ([`super::ramp`]), the specific impulse always the steady one.
//! The line of force passes through the pivot. With `f` the direction at zero, `p` the first axis, `q = f × p` the
//! second, and angles `a`, `b` (right-hand rule), it is
//!
//! `R_p(a) R_q(b) f = (f cos a − q sin a) cos b + p sin b`.
//!
//! Each gimbal follows its command by itself, at `min(rate, gap / lag)`: at its fastest until the gap is
//! `rate · lag`, then exponentially. From one command to the next this is known in closed form, so that its angle is
//! exact at any moment, whatever the steps of the motion; these end at the corner between the two laws and are short
//! against the lag while the engine burns. Commands beyond the travel end at its stops. What a turning bell gives back
//! to the stack (its moment of inertia times its acceleration) is left out, and so is its shift of the centre of mass.

use super::events::Event;
use super::jets::STANDARD_GRAVITY;
use super::motion::{Burn, Outflow, Wrench};
use super::ramp::Ramp;
use crate::record::{EngineEdge, EngineRecord};
use crate::scenario::model::{Actuators, Engine, StuckGimbal, Tank};
use nalgebra::Vector3;

/// A gimbal this close to its command has arrived, rad.
const ARRIVED: f64 = 1e-12;
/// Longest step while a gimbal closes in on its command, in time constants: `0.1⁴ / 2880` of what it still turns is
/// lost in the push of a step.
const STEP_LAGS: f64 = 0.1;
/// Largest share of a rise or a tail in one step: mass leaves at the mean flow of a step, an error of second order.
const STEP_RAMP: f64 = 1.0 / 32.0;
/// Largest turn of the line of force in one step, rad.
const STEP_TURN: f64 = 0.02;

/// How an engine is hung: direction of force at zero and both axes, body axes.
#[derive(Clone, Copy, Debug)]
pub struct Mount {
    force: Vector3<f64>,
    first: Vector3<f64>,
    second: Vector3<f64>,
}

impl From<&Engine> for Mount {
    fn from(engine: &Engine) -> Self {
        let [force, first, second] =
            [engine.force_direction, engine.first_axis, engine.second_axis()].map(Vector3::from);
        Self { force, first, second }
    }
}

impl Mount {
    /// Direction of the force at these angles about first and second axis, rad.
    #[must_use]
    pub fn direction(&self, [first, second]: [f64; 2]) -> Vector3<f64> {
        let outer = self.force * first.cos() - self.second * first.sin();
        outer * second.cos() + self.first * second.sin()
    }

    /// Angles, rad, at which the force has this direction, which must not be more than 90 deg off.
    #[must_use]
    pub fn angles(&self, direction: &Vector3<f64>) -> [f64; 2] {
        let unit = direction.normalize();
        [
            (-unit.dot(&self.second)).atan2(unit.dot(&self.force)),
            unit.dot(&self.first).clamp(-1.0, 1.0).asin(),
        ]
    }
}

/// One gimbal axis on its way from the angle at its newest command to that command.
#[derive(Clone, Copy, Debug)]
struct Servo {
    from: f64,
    command: f64,
    since: f64,
    rate: f64,
    lag: f64,
}

impl Servo {
    /// Seconds at full rate, and the gap that is left then, rad.
    fn corner(&self) -> (f64, f64) {
        let gap = (self.command - self.from).abs();
        let seconds = (gap / self.rate - self.lag).max(0.0);
        if seconds > 0.0 { (seconds, gap - self.rate * seconds) } else { (0.0, gap) }
    }

    /// Seconds until it has arrived.
    fn arrival(&self) -> f64 {
        let (corner, gap) = self.corner();
        if gap > ARRIVED && self.lag > 0.0 { corner + self.lag * (gap / ARRIVED).ln() } else { corner }
    }

    /// Angle at `time`, s, rad.
    fn angle(&self, time: f64) -> f64 {
        let passed = (time - self.since).max(0.0);
        if passed >= self.arrival() {
            return self.command;
        }
        let (corner, gap) = self.corner();
        let way = (self.command - self.from).signum();
        if passed < corner {
            self.from + way * self.rate * passed
        } else {
            self.command - way * gap * (-(passed - corner) / self.lag).exp()
        }
    }

    fn follow(&mut self, command: f64, time: f64) {
        if command != self.command {
            *self = Self { from: self.angle(time), command, since: time, ..*self };
        }
    }

    fn stop(&mut self, time: f64) {
        let here = self.angle(time);
        *self = Self { from: here, command: here, since: time, ..*self };
    }

    /// Next moment after `time` at which it moves by another law, s; infinite without one.
    fn next_break(&self, time: f64) -> f64 {
        let breaks = [self.corner().0, self.arrival()].map(|passed| self.since + passed);
        breaks.into_iter().filter(|&at| at > time).fold(f64::INFINITY, f64::min)
    }

    /// Longest step while it is on its way, s.
    fn longest_step(&self, time: f64) -> f64 {
        if time - self.since >= self.arrival() {
            return f64::INFINITY;
        }
        let turning = if self.rate.is_finite() { STEP_TURN / self.rate } else { f64::INFINITY };
        if self.lag > 0.0 { turning.min(STEP_LAGS * self.lag) } else { turning }
    }
}

/// The engine with its valve and its gimbal, as it stands now.
#[derive(Clone, Debug)]
pub struct EngineUnit {
    /// Point through which its line of force passes, structural, m.
    pub pivot: Vector3<f64>,
    /// Index of its tank in the vehicle.
    pub tank: usize,
    /// From the tank to the pivot, m.
    line: Vector3<f64>,
    /// From a command to the first thrust, s.
    pub start_delay: f64,
    /// From a command to the first loss of thrust, s.
    pub shutdown_delay: f64,
    /// False when absent or out of propellant: delivers nothing and uses nothing.
    pub works: bool,
    /// Thrust.
    pub ramp: Ramp,
    /// The newest command handed in, which may lie ahead, and its time, s.
    pub newest: (bool, f64),
    /// Time of the newest command to the gimbal, s.
    pub newest_turn: f64,
    mount: Mount,
    /// What its line of force is turned beside the gimbal's angles, rad.
    misaligned: [f64; 2],
    travel: f64,
    gimbal: [Servo; 2],
    stuck: bool,
    stays_at: Option<[f64; 2]>,
    steady: f64,
    rise: f64,
    tail_off: f64,
    flow_per_newton: f64,
    on: bool,
    on_since: f64,
    record: EngineRecord,
}

impl EngineUnit {
    /// A quiet engine, its gimbal at zero, fed by `tank` (index in the vehicle, and the tank itself).
    #[must_use]
    pub fn new(
        engine: &Engine,
        tank: (usize, &Tank),
        errors: &Actuators,
        stuck: Option<&StuckGimbal>,
    ) -> Self {
        let pivot = Vector3::from(engine.pivot_m);
        // Stuck from the start it has never been anywhere else.
        let start = stuck.filter(|stuck| stuck.from_s <= 0.0).and_then(|stuck| stuck.at_rad);
        let servo = |angle: f64| Servo {
            from: angle,
            command: angle,
            since: 0.0,
            rate: engine.gimbal_rate_rad_s,
            lag: engine.gimbal_lag_s,
        };
        Self {
            pivot,
            tank: tank.0,
            line: pivot - Vector3::from(tank.1.position_m),
            start_delay: engine.start_delay_s,
            shutdown_delay: engine.shutdown_delay_s,
            works: true,
            ramp: Ramp::QUIET,
            newest: (false, f64::NEG_INFINITY),
            newest_turn: f64::NEG_INFINITY,
            mount: engine.into(),
            misaligned: errors.engine_misalignment_rad,
            travel: engine.gimbal_travel_rad,
            gimbal: start.unwrap_or_default().map(servo),
            stuck: false,
            stays_at: stuck.and_then(|stuck| stuck.at_rad),
            steady: engine.thrust_n * (1.0 + errors.engine_thrust_error),
            rise: engine.rise_s,
            tail_off: engine.tail_off_s,
            flow_per_newton: 1.0 / (engine.specific_impulse_s * STANDARD_GRAVITY),
            on: false,
            on_since: 0.0,
            record: EngineRecord::default(),
        }
    }

    /// An event of the engine happens at `time`, s; others change nothing.
    pub fn take(&mut self, event: Event, time: f64) {
        match event {
            Event::Engine(on) => self.command(on, time),
            Event::EngineRise if self.works => self.ramp.start(self.steady, (self.steady, self.rise), time),
            Event::EngineFall => self.ramp.start(0.0, (self.steady, self.tail_off), time),
            // One that is stuck heeds no command.
            Event::Gimbal(angles) if !self.stuck => self.follow(angles, time),
            Event::Jam => self.jam(time),
            _ => {}
        }
    }

    /// The valve is commanded: bookkeeping only.
    fn command(&mut self, on: bool, time: f64) {
        if on && !self.on {
            self.record.starts += 1;
            self.on_since = time;
        } else if !on && self.on {
            self.record.on_time_s += time - self.on_since;
        }
        self.on = on;
        self.record.edges.push(EngineEdge { time_s: time, on });
    }

    /// Its tank has run dry: thrust stops now and does not come back.
    pub fn quit(&mut self) {
        self.works = false;
        self.ramp.quit();
    }

    /// The gimbal gets stuck.
    fn jam(&mut self, time: f64) {
        self.stuck = true;
        match self.stays_at {
            Some(angles) => self.follow(angles, time),
            None => self.gimbal.iter_mut().for_each(|servo| servo.stop(time)),
        }
    }

    fn follow(&mut self, angles: [f64; 2], time: f64) {
        for (servo, angle) in self.gimbal.iter_mut().zip(angles) {
            servo.follow(angle.clamp(-self.travel, self.travel), time);
        }
    }

    /// Angles of the gimbal at `time`, s, about first and second axis, rad; the misalignment left out.
    #[must_use]
    pub fn angles(&self, time: f64) -> [f64; 2] {
        self.gimbal.map(|servo| servo.angle(time))
    }

    /// What it pushes with per newton of thrust at `time`, s.
    #[must_use]
    pub fn push(&self, time: f64) -> Wrench {
        let [first, second] = self.angles(time);
        let [off_first, off_second] = self.misaligned;
        let force = self.mount.direction([first + off_first, second + off_second]);
        Wrench { force, torque: self.pivot.cross(&force), ..Wrench::default() }
    }

    /// What it does in the `step` s from `time`, within the present ramp.
    #[must_use]
    pub fn burn(&self, time: f64, step: f64) -> Burn {
        let push = [0.0, 0.5 * step, step].map(|passed| {
            let mut push = Wrench::default();
            push.add(&self.push(time + passed), self.ramp.after(passed));
            push
        });
        Burn { push, flow: self.propellant(step) / step, pivot: self.pivot }
    }

    /// Next moment after `time` at which thrust or gimbal change their law, s; infinite without one.
    #[must_use]
    pub fn next_break(&self, time: f64) -> f64 {
        // What a quiet engine's gimbal does moves nothing.
        if !self.ramp.active() {
            return f64::INFINITY;
        }
        self.gimbal.iter().fold(self.ramp.end, |next, servo| next.min(servo.next_break(time)))
    }

    /// Longest step for what thrust and gimbal do at `time`, s.
    #[must_use]
    pub fn longest_step(&self, time: f64) -> f64 {
        let ramp = if self.ramp.slope == 0.0 {
            f64::INFINITY
        } else {
            STEP_RAMP * self.steady / self.ramp.slope.abs()
        };
        self.gimbal.iter().fold(ramp, |step, servo| step.min(servo.longest_step(time)))
    }

    /// Propellant used over the next `step` s, within the present ramp, kg.
    #[must_use]
    pub fn propellant(&self, step: f64) -> f64 {
        self.ramp.impulse(step) * self.flow_per_newton
    }

    /// Lets `step` s pass within the present ramp; what flows out goes to `outflow`.
    pub fn pass(&mut self, step: f64, outflow: &mut Outflow) {
        let propellant = self.propellant(step);
        self.record.impulse_n_s += self.ramp.impulse(step);
        self.record.propellant_kg += propellant;
        self.ramp.thrust = self.ramp.after(step);
        outflow.add(propellant / step, &self.pivot, &self.line);
    }

    /// Propellant used so far, kg.
    #[must_use]
    pub fn propellant_used(&self) -> f64 {
        self.record.propellant_kg
    }

    /// What it did up to `time`, s, the time of an engine that is still on included.
    #[must_use]
    pub fn record(&self, time: f64) -> EngineRecord {
        let on = if self.on { time - self.on_since } else { 0.0 };
        EngineRecord { on_time_s: self.record.on_time_s + on, ..self.record.clone() }
    }
}
