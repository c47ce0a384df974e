//! The inertial frame in which the motion is reckoned: it goes along with a stack that its main engine makes fast.
//!
//! Angular momentum about the origin and moment of momentum are far larger than the spin that is left between them
//! where a stack is fast and far away; within a step, moreover, their stages differ by `h² / 4 v × F`, which makes a rate
//! of its own, and that turns the thrust: steps of a second at 10 m/s and 400 N no longer settle on anything. The
//! equations are the same in every inertial frame; so each step of a burn starts in the one in which the stack is at
//! rest at the origin, and what follows stays there.

use nalgebra::Vector3;

/// Where the frame's origin is, beside the one of time zero; inertial axes.
#[derive(Clone, Copy, Debug, Default)]
pub struct Frame {
    place: Vector3<f64>,
    velocity: Vector3<f64>,
    since: f64,
}

impl Frame {
    /// Place of its origin at `time`, s, m.
    #[must_use]
    pub fn place(&self, time: f64) -> Vector3<f64> {
        self.place + self.velocity * (time - self.since)
    }

    /// Its velocity, m/s.
    #[must_use]
    pub fn velocity(&self) -> Vector3<f64> {
        self.velocity
    }

    /// At `time`, s, it takes on place and velocity of something in it, m, m/s.
    pub fn take_on(&mut self, (place, velocity): (Vector3<f64>, Vector3<f64>), time: f64) {
        *self = Self { place: self.place(time) + place, velocity: self.velocity + velocity, since: time };
    }
}
