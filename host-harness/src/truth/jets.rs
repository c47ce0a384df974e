//! One reaction jet: valve commands in, thrust and propellant flow out.
//!
//! A command takes effect after the opening or the closing delay; thrust then moves towards its target at
//! a constant slope (steady thrust over rise time, or over tail-off time), so it is piecewise linear in
//! time with known corners. Specific impulse is lower while a pulse is young:
//! `Isp(t) = Isp · (1 - loss · exp(-t / loss_time))`, `t` since the first thrust of the pulse.

use super::motion::Wrench;
use super::noise::{Source, Stream};
use super::ramp::Ramp;
use crate::record::JetTotals;
use crate::scenario::model::{Actuators, Jet, JetState, Tank};
use nalgebra::Vector3;

/// Standard gravity, m/s² (exact; third General Conference on Weights and Measures, 1901).
pub const STANDARD_GRAVITY: f64 = 9.806_65;

/// A pulse older than this many loss times has its steady specific impulse to the last bit.
const OLD_PULSE: f64 = 40.0;

/// A jet with its valve, as it stands now.
#[derive(Clone, Debug)]
pub struct JetUnit {
    /// Point of the line of force, structural, m.
    pub position: Vector3<f64>,
    /// Direction of the force on the vehicle.
    pub direction: Vector3<f64>,
    /// Torque about the structural origin per newton, m.
    pub moment: Vector3<f64>,
    /// The part of direction and moment that its plume adds where it strikes.
    pub plume: Wrench,
    /// Index of its tank in the vehicle.
    pub tank: usize,
    /// From the tank to the jet, m.
    pub line: Vector3<f64>,
    /// From an open command to the first thrust, s.
    pub opening_delay: f64,
    /// From a close command to the first loss of thrust, s.
    pub closing_delay: f64,
    /// False when dead, absent or out of propellant: delivers nothing and uses nothing.
    pub works: bool,
    /// Thrust.
    pub ramp: Ramp,
    /// Whether the valve stands commanded open.
    pub open: bool,
    /// The newest command handed in, which may lie ahead, and its time, s.
    pub newest: (bool, f64),
    /// Steady thrust drawn for the newest pulse asked for, N.
    pub asked_thrust: f64,
    rise: f64,
    tail_off: f64,
    /// Steady thrust in this run, N.
    steady: f64,
    /// Steady thrust of the present pulse, N.
    pulse: f64,
    first_thrust: f64,
    opened_at: f64,
    /// Steady propellant flow per newton, kg/(s·N).
    flow_per_newton: f64,
    loss: f64,
    loss_time: f64,
    pulse_scatter: f64,
    pulses: Stream,
    totals: JetTotals,
}

impl JetUnit {
    /// A closed, quiet jet: number `index`, fed by `tank` (index in the vehicle, and the tank itself).
    #[must_use]
    pub fn new(jet: &Jet, index: u32, tank: (usize, &Tank), scatter: &Actuators, seed: u64) -> Self {
        let position = Vector3::from(jet.position_m);
        let direction = Vector3::from(jet.force_direction).normalize();
        let fixed = scatter.thrust_scatter * Stream::new(seed, Source::JetThrust(index)).normal();
        Self {
            position,
            direction,
            moment: position.cross(&direction),
            plume: Wrench::default(),
            tank: tank.0,
            line: position - Vector3::from(tank.1.position_m),
            opening_delay: jet.opening_delay_s,
            closing_delay: jet.closing_delay_s,
            works: jet.state != JetState::Dead,
            ramp: Ramp::QUIET,
            open: false,
            newest: (false, f64::NEG_INFINITY),
            asked_thrust: 0.0,
            rise: jet.rise_s,
            tail_off: jet.tail_off_s,
            steady: jet.thrust_n * (1.0 + fixed).max(0.0),
            pulse: 0.0,
            first_thrust: 0.0,
            opened_at: 0.0,
            flow_per_newton: 1.0 / (jet.specific_impulse_s * STANDARD_GRAVITY),
            loss: jet.short_pulse_loss,
            loss_time: jet.short_pulse_time_s,
            pulse_scatter: scatter.pulse_scatter,
            pulses: Stream::new(seed, Source::JetPulse(index)),
            totals: JetTotals::default(),
        }
    }

    /// What it pushes with per newton of thrust, a plume that strikes included.
    #[must_use]
    pub fn push(&self) -> Wrench {
        Wrench { force: self.direction, torque: self.moment, joints: self.plume.joints }
    }

    /// The plume of `jet` strikes a body of the stack: thrust counts what jet and plume push together from
    /// here on, for the same flow.
    ///
    /// * `plume` — force, and torque about the structural origin, at steady thrust.
    pub fn strikes(&mut self, jet: &Jet, plume: &Wrench) {
        let net = self.direction * jet.thrust_n + plume.force;
        let moment = self.moment * jet.thrust_n + plume.torque;
        let size = net.norm();
        self.direction = net / size;
        self.moment = moment / size;
        self.plume =
            Wrench { force: plume.force / size, torque: plume.torque / size, joints: plume.joints / size };
        self.steady *= size / jet.thrust_n;
        self.flow_per_newton *= jet.thrust_n / size;
    }

    /// What its plume struck has gone: jet alone from here on. The plume's share of a pulse that is on ends at once.
    pub fn clear(&mut self) {
        let net = self.direction - self.plume.force;
        let (moment, size) = (self.moment - self.plume.torque, net.norm());
        self.direction = net / size;
        self.moment = moment / size;
        self.plume = Wrench::default();
        for value in [&mut self.steady, &mut self.pulse, &mut self.asked_thrust] {
            *value *= size;
        }
        self.ramp.scale(size);
        self.flow_per_newton /= size;
    }

    /// Draws the steady thrust of the next pulse, N; zero for a jet that does not work.
    pub fn draw_pulse(&mut self) -> f64 {
        let drawn = self.pulse_scatter * self.pulses.normal();
        if self.works { self.steady * (1.0 + drawn).max(0.0) } else { 0.0 }
    }

    /// The valve is commanded open or closed at `time`, s: bookkeeping only.
    pub fn command(&mut self, open: bool, time: f64) {
        if open && !self.open {
            self.totals.valve_cycles += 1;
            self.opened_at = time;
        } else if !open && self.open {
            self.totals.on_time_s += time - self.opened_at;
        }
        self.open = open;
    }

    /// Thrust starts towards `pulse`, N, at `time`, s. A pulse whose valve re-opens before the tail has
    /// died away goes on: its age is not reset.
    pub fn start_rise(&mut self, pulse: f64, time: f64) {
        if !self.works {
            return;
        }
        if self.ramp.thrust == 0.0 {
            self.first_thrust = time;
        }
        self.pulse = pulse;
        self.ramp.start(pulse, (pulse, self.rise), time);
    }

    /// Thrust starts to fall at `time`, s.
    pub fn start_fall(&mut self, time: f64) {
        self.ramp.start(0.0, (self.pulse, self.tail_off), time);
    }

    /// Propellant used over the next `step` s from `time`, within the present ramp, kg: exact for
    /// constant thrust or constant specific impulse, Gauss-Legendre quadrature otherwise.
    #[must_use]
    pub fn propellant(&self, time: f64, step: f64) -> f64 {
        let age = time - self.first_thrust;
        if self.loss == 0.0 || self.loss_time <= 0.0 || age > OLD_PULSE * self.loss_time {
            return self.ramp.impulse(step) * self.flow_per_newton;
        }
        if self.ramp.slope == 0.0 {
            // ∫ dt / (1 - a e^(-t/τ)) = t + τ ln(1 - a e^(-t/τ)).
            let (start, end) = (self.efficiency(age), self.efficiency(age + step));
            return self.ramp.thrust * self.flow_per_newton * (step + self.loss_time * (end / start).ln());
        }
        let pieces = (step / self.loss_time).ceil().clamp(1.0, 64.0);
        let piece = step / pieces;
        let sum: f64 = (0..pieces as u32).map(|n| self.gauss(age, f64::from(n) * piece, piece)).sum();
        sum * self.flow_per_newton
    }

    /// Specific impulse over its steady value, at this age of the pulse, s.
    fn efficiency(&self, age: f64) -> f64 {
        1.0 - self.loss * (-age / self.loss_time).exp()
    }

    /// Five-point Gauss-Legendre of thrust over efficiency on `[from, from + width]` from now, N·s.
    fn gauss(&self, age: f64, from: f64, width: f64) -> f64 {
        const NODES: [(f64, f64); 5] = [
            (0.0, 0.568_888_888_888_888_9),
            (0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
            (-0.538_469_310_105_683_1, 0.478_628_670_499_366_5),
            (0.906_179_845_938_664, 0.236_926_885_056_189_1),
            (-0.906_179_845_938_664, 0.236_926_885_056_189_1),
        ];
        let half = 0.5 * width;
        let value = |x: f64| {
            let at = from + half * (1.0 + x);
            self.ramp.after(at) / self.efficiency(age + at)
        };
        half * NODES.iter().map(|&(x, weight)| weight * value(x)).sum::<f64>()
    }

    /// Lets `step` s pass within the present ramp, in which `propellant` kg were used.
    pub fn pass(&mut self, step: f64, propellant: f64) {
        self.totals.impulse_n_s += self.ramp.impulse(step);
        self.totals.propellant_kg += propellant;
        self.ramp.thrust = self.ramp.after(step);
    }

    /// Its tank has run dry, or it has failed: thrust stops now and does not come back.
    pub fn quit(&mut self) {
        self.works = false;
        self.ramp.quit();
    }

    /// Totals up to `time`, s, an open valve's on-time included.
    #[must_use]
    pub fn totals(&self, time: f64) -> JetTotals {
        let open = if self.open { time - self.opened_at } else { 0.0 };
        JetTotals { on_time_s: self.totals.on_time_s + open, ..self.totals }
    }
}
