//! An integrating accelerometer of three axes, fixed in the structure.
//!
//! It counts the integral of the specific force at its place along the body axes of the moment: of the acceleration that
//! the structure gives it, gravitation left out, and with it the tides of an orbit. With `u` the inertial velocity of its
//! place in body components this is, by parts,
//!
//! `∫ Rᵀ (R u)˙ dt = u(t) − u(0) + ∫ ω × u dt`,
//!
//! so that neither thrust nor angular acceleration is needed, and what it counts in a step follows from the motion at
//! its ends and the rate between them. The recoil of propellant in the feed lines while a valve is open, some ten micrometres
//! a second, is not seen. Where joints bend, it would sit on what no joint carries, and the shift of the centre of mass by the
//! bend is not followed: scenario files do not allow it.

use super::motion::{Inertial, Motion};
use nalgebra::Vector3;

/// The instrument and its count.
#[derive(Clone, Debug)]
pub struct Accelerometer {
    /// Where it sits, structural, m.
    pub place: Vector3<f64>,
    start: Vector3<f64>,
    /// `∫ ω × u dt` less the tides, m/s.
    pub turned: Vector3<f64>,
}

impl Accelerometer {
    /// At zero.
    #[must_use]
    pub fn new(place_m: [f64; 3], motion: &Motion, mass: &Inertial) -> Self {
        let place = Vector3::from(place_m);
        Self { place, start: motion.velocity_of(&place, mass), turned: Vector3::zeros() }
    }

    /// What it has counted, body axes, m/s.
    #[must_use]
    pub fn count(&self, motion: &Motion, mass: &Inertial) -> Vector3<f64> {
        motion.velocity_of(&self.place, mass) - self.start + self.turned
    }

    /// The frame takes on a velocity, inertial, m/s; `motion` is that after it.
    pub fn boosted(&mut self, velocity: &Vector3<f64>, motion: &Motion) {
        self.start -= motion.attitude.matrix().tr_mul(velocity);
    }

    /// `ω × u` of a rigid body that coasts, m/s², and its time derivative.
    fn coasting(&self, motion: &Motion, mass: &Inertial) -> [Vector3<f64>; 2] {
        let rate = motion.rate(mass);
        let turning = mass.inverse * motion.body_momentum(mass).cross(&rate);
        let arm = self.place - mass.centre;
        let at_centre = motion.velocity_of(&mass.centre, mass);
        let velocity = at_centre + rate.cross(&arm);
        let change = turning.cross(&arm) - rate.cross(&at_centre);
        [rate.cross(&velocity), turning.cross(&velocity) + rate.cross(&change)]
    }

    /// A rigid body has coasted for `step` s; trapezoid with end corrections (Euler and Maclaurin), whose error is of
    /// fifth order in the step.
    pub fn coasted(&mut self, (before, after): (&Motion, &Motion), mass: &Inertial, step: f64) {
        let [start, end] = [before, after].map(|motion| self.coasting(motion, mass));
        self.turned += (start[0] + end[0]) * (0.5 * step) + (start[1] - end[1]) * (step * step / 12.0);
    }
}
