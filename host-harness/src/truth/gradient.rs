//! Gravity gradient in a circular orbit.
//!
//! The stack falls freely with the origin of the truth's inertial axes; what differs between its parts turns
//! it: `3 n² u × J u` about the centre of mass, `n` the orbital rate, `u` the direction away from the
//! attracting body's centre, `J` the inertia about the centre of mass (Hughes 1986; Wertz 1978). First order
//! in size over orbital radius. The force that goes with a displacement from the origin (metres in a run) is
//! left out, but between two bodies that have parted, where it is all there is ([`Gradient::pull`]); left out are
//! eccentricity, oblateness and the regression of the orbit.

use crate::scenario::model::Orbit;
use nalgebra::{Matrix3, Vector3};

/// The field along the orbit.
#[derive(Clone, Copy, Debug)]
pub struct Gradient {
    /// Orbital rate, rad/s.
    rate: f64,
    /// Up at time zero, inertial.
    up: Vector3<f64>,
    /// Direction of flight at time zero, inertial.
    ahead: Vector3<f64>,
}

impl From<&Orbit> for Gradient {
    fn from(orbit: &Orbit) -> Self {
        let up = Vector3::from(orbit.up_at_start);
        Self { rate: orbit.rate_rad_s, up, ahead: Vector3::from(orbit.normal).cross(&up) }
    }
}

impl Gradient {
    /// Torque about the centre of mass, body axes, N·m.
    ///
    /// * `time` — since time zero, s; `turn` — body into inertial components; `inertia` — about the centre of
    ///   mass, body axes, kg·m².
    #[must_use]
    pub fn torque(&self, time: f64, turn: &Matrix3<f64>, inertia: &Matrix3<f64>) -> Vector3<f64> {
        let up = self.up(time, turn);
        up.cross(&(inertia * up)) * (3.0 * self.rate * self.rate)
    }

    /// How much more than the centre of mass a point falls, body axes, m/s²: `n² (3 u (u · r) − r)`, first order in its
    /// distance (Hughes 1986; Clohessy and Wiltshire 1960 for two bodies, in axes that turn with the orbit).
    ///
    /// * `place` — from the centre of mass, body axes, m.
    #[must_use]
    pub fn pull(&self, time: f64, turn: &Matrix3<f64>, place: &Vector3<f64>) -> Vector3<f64> {
        let up = self.up(time, turn);
        (up * (3.0 * up.dot(place)) - place) * (self.rate * self.rate)
    }

    /// Orbit axes in inertial components, as columns: up, in the direction of flight, along the orbit's normal.
    ///
    /// * `time` — since time zero, s.
    #[must_use]
    pub fn axes(&self, time: f64) -> Matrix3<f64> {
        let (up, normal) = (self.up(time, &Matrix3::identity()), self.up.cross(&self.ahead));
        Matrix3::from_columns(&[up, normal.cross(&up), normal])
    }

    /// Up, body axes.
    fn up(&self, time: f64, turn: &Matrix3<f64>) -> Vector3<f64> {
        let (sine, cosine) = (self.rate * time).sin_cos();
        turn.tr_mul(&(self.up * cosine + self.ahead * sine))
    }
}
