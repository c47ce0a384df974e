//! Attitude and rate sensors: noise, bias, quantisation, delay.
//!
//! A measurement handed out at time `t` was taken at `t - delay`, exactly: the closed loop stops the truth
//! at the sampling instant, calls [`Sensors::take`], goes on, and asks [`Sensors::newest`] when the kernel
//! wants a measurement.

use super::Truth;
use super::attitude::Attitude;
use super::noise::{Source, Stream};
use crate::scenario::model::{Scenario, Sensors as Model};
use nalgebra::Vector3;
use std::collections::VecDeque;

/// A measurement is old enough when it is this close to its delay, s: sums of decimal fractions of a
/// second are not exact.
const CLOCK_ROUNDING_S: f64 = 1e-9;

/// What the sensors said of one moment.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Measurement {
    /// Moment the sample was taken, s.
    pub time_s: f64,
    /// Attitude, inertial to body, `[x, y, z, w]`.
    pub attitude_xyzw: [f64; 4],
    /// Body rate, rad/s.
    pub rate_rad_s: [f64; 3],
}

/// The sensors of one run.
#[derive(Clone, Debug)]
pub struct Sensors {
    model: Model,
    attitude_noise: Stream,
    rate_noise: Stream,
    waiting: VecDeque<Measurement>,
    ready: Option<Measurement>,
}

impl Sensors {
    /// Sensors of a scenario, seeded by it.
    #[must_use]
    pub fn new(scenario: &Scenario) -> Self {
        Self {
            model: scenario.sensors.clone(),
            attitude_noise: Stream::new(scenario.seed, Source::AttitudeSensor),
            rate_noise: Stream::new(scenario.seed, Source::RateSensor),
            waiting: VecDeque::with_capacity(64),
            ready: None,
        }
    }

    /// Age of a measurement when it is handed out, s.
    #[must_use]
    pub fn delay_s(&self) -> f64 {
        self.model.delay_s
    }

    /// Samples the truth as it stands; the sample waits until it is `delay_s` old.
    pub fn take(&mut self, truth: &Truth) {
        let error = self.attitude_noise.vector() * self.model.attitude_noise_rad;
        // The error turns the body axes the sensor sees, about body axes.
        let seen = truth.attitude().multiply(Attitude::from_rotation_vector(&error));
        let rate = Vector3::from(truth.rate_rad_s())
            + Vector3::from(self.model.rate_bias_rad_s)
            + self.rate_noise.vector() * self.model.rate_noise_rad_s;
        self.waiting.push_back(Measurement {
            time_s: truth.time_s(),
            attitude_xyzw: quantised_attitude(seen, self.model.attitude_quantum_rad),
            rate_rad_s: rate.map(|x| quantised(x, self.model.rate_quantum_rad_s)).into(),
        });
    }

    /// The newest sample that is at least `delay_s` old at `time_s`; `None` before the first one is.
    pub fn newest(&mut self, time_s: f64) -> Option<Measurement> {
        let latest = time_s - self.model.delay_s + CLOCK_ROUNDING_S;
        while self.waiting.front().is_some_and(|sample| sample.time_s <= latest) {
            self.ready = self.waiting.pop_front();
        }
        self.ready
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
