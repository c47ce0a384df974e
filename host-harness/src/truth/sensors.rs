//! Attitude and rate sensors, accelerometer: noise, bias, quantisation, delay.
//!
//! A measurement handed out at time `t` was taken at `t - delay`, exactly: the closed loop stops the truth
//! at the sampling instant of each sensor, lets it take a sample, goes on, and asks for the newest one when the
//! kernel wants a measurement.

use super::Truth;
use super::attitude::Attitude;
use super::noise::{Source, Stream};
use crate::scenario::model::{Scenario, Sensors as Model};
use nalgebra::Vector3;
use std::collections::VecDeque;

/// A measurement is old enough when it is this close to its delay, s: sums of decimal fractions of a
/// second are not exact.
const CLOCK_ROUNDING_S: f64 = 1e-9;

/// What a sensor said of one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample<const N: usize> {
    /// Moment the sample was taken, s.
    pub time_s: f64,
    /// Attitude, inertial to body, `[x, y, z, w]`; body rate, rad/s; or velocity counted since time zero, m/s.
    pub value: [f64; N],
}

/// Samples on their way to the kernel, oldest first.
#[derive(Clone, Debug)]
struct Delayed<const N: usize> {
    delay_s: f64,
    waiting: VecDeque<Sample<N>>,
    ready: Option<Sample<N>>,
}

impl<const N: usize> Delayed<N> {
    fn by(delay_s: f64) -> Self {
        Self { delay_s, waiting: VecDeque::with_capacity(64), ready: None }
    }

    /// The newest sample that is at least as old as the delay at `time_s`.
    fn newest(&mut self, time_s: f64) -> Option<Sample<N>> {
        let latest = time_s - self.delay_s + CLOCK_ROUNDING_S;
        while self.waiting.front().is_some_and(|sample| sample.time_s <= latest) {
            self.ready = self.waiting.pop_front();
        }
        self.ready
    }
}

/// The sensors of one run.
#[derive(Clone, Debug)]
pub struct Sensors {
    model: Model,
    attitude_noise: Stream,
    rate_noise: Stream,
    velocity_noise: Stream,
    attitudes: Delayed<4>,
    rates: Delayed<3>,
    velocities: Delayed<3>,
}

impl Sensors {
    /// Sensors of a scenario, seeded by it.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Self {
        Self {
            model: scenario.sensors.clone(),
            attitude_noise: Stream::new(scenario.seed, Source::AttitudeSensor),
            rate_noise: Stream::new(scenario.seed, Source::RateSensor),
            velocity_noise: Stream::new(scenario.seed, Source::Accelerometer),
            attitudes: Delayed::by(scenario.sensors.attitude_delay_s),
            rates: Delayed::by(scenario.sensors.rate_delay_s),
            velocities: Delayed::by(scenario.sensors.accelerometer.map_or(0.0, |one| one.delay_s)),
        }
    }

    /// Samples attitude, rate and, with an accelerometer, velocity of the truth as it stands.
    pub fn take(&mut self, truth: &Truth) {
        self.take_attitude(truth);
        self.take_rate(truth);
        self.take_velocity(truth);
    }

    /// Samples the attitude of the truth as it stands; the sample waits until it is as old as the delay.
    pub fn take_attitude(&mut self, truth: &Truth) {
        let error = self.attitude_noise.vector() * self.model.attitude_noise_rad;
        // The error turns the body axes the sensor sees, about body axes.
        let seen = truth.attitude().multiply(Attitude::from_rotation_vector(&error));
        let value = quantised_attitude(seen, self.model.attitude_quantum_rad);
        self.attitudes.waiting.push_back(Sample { time_s: truth.time_s(), value });
    }

    /// The same for the rate.
    pub fn take_rate(&mut self, truth: &Truth) {
        let rate = Vector3::from(truth.rate_rad_s())
            + Vector3::from(self.model.rate_bias_rad_s)
            + self.rate_noise.vector() * self.model.rate_noise_rad_s;
        let value = rate.map(|x| quantised(x, self.model.rate_quantum_rad_s)).into();
        self.rates.waiting.push_back(Sample { time_s: truth.time_s(), value });
    }

    /// The same for the velocity that the accelerometer has counted since time zero: its bias grows with time, noise and
    /// quantum are those of the count that is read. Without an accelerometer nothing is sampled.
    pub fn take_velocity(&mut self, truth: &Truth) {
        let Some((model, count)) = self.model.accelerometer.zip(truth.counted_velocity_m_s()) else { return };
        let time_s = truth.time_s();
        let count = Vector3::from(count)
            + Vector3::from(model.bias_m_s2) * time_s
            + self.velocity_noise.vector() * model.noise_m_s;
        let value = count.map(|x| quantised(x, model.quantum_m_s)).into();
        self.velocities.waiting.push_back(Sample { time_s, value });
    }

    /// The newest attitude that is at least as old as its delay at `time_s`; `None` before the first one is.
    pub fn newest_attitude(&mut self, time_s: f64) -> Option<Sample<4>> {
        self.attitudes.newest(time_s)
    }

    /// The newest rate likewise.
    pub fn newest_rate(&mut self, time_s: f64) -> Option<Sample<3>> {
        self.rates.newest(time_s)
    }

    /// The newest counted velocity likewise; `None` without an accelerometer.
    pub fn newest_velocity(&mut self, time_s: f64) -> Option<Sample<3>> {
        self.velocities.newest(time_s)
    }
}

impl Stream {
    fn vector(&mut self) -> Vector3<f64> {
        Vector3::new(self.normal(), self.normal(), self.normal())
    }
}

/// Rounded to a whole number of quanta; as it is for a quantum of zero.
fn quantised(value: f64, quantum: f64) -> f64 {
    if quantum > 0.0 { (value / quantum).round() * quantum } else { value }
}

/// In the files' convention, each component in steps of half the quantum (a component is half a small
/// angle), normalised again.
fn quantised_attitude(attitude: Attitude, quantum: f64) -> [f64; 4] {
    if quantum > 0.0 {
        Attitude::from_wxyz(attitude.to_wxyz().map(|x| quantised(x, 0.5 * quantum))).to_file()
    } else {
        attitude.to_file()
    }
}
