//! The equations of motion and one step of their integration.
//!
//! State: linear momentum and angular momentum of the stack **about an inertially fixed point**, in
//! inertial components; attitude; place of the structural origin. Body rate is not a state: it follows
//! as `ω = R J⁻¹ Rᵀ (H - x_c × P)`, with the inertia and the centre of mass of the moment. Expelled
//! propellant takes away the momentum it had as part of the rotating structure at the jet, so that jet
//! damping and the travelling centre of mass need no terms of their own. Momentum of the flow inside the
//! feed lines is left out: for a line of length `L` it is `ω L / (Isp g0)` of the thrust, 1e-5 and less
//! at the rates of attitude hold.

use super::attitude::Attitude;
use crate::stack::{Composite, point_inertia};
use nalgebra::{Matrix3, Vector3};

/// State of the rigid body but for its mass.
#[derive(Clone, Copy, Debug)]
pub struct Motion {
    /// Attitude, body to inertial.
    pub attitude: Attitude,
    /// Linear momentum, inertial, N·s.
    pub momentum: Vector3<f64>,
    /// Angular momentum about the inertial origin, inertial, N·m·s.
    pub angular: Vector3<f64>,
    /// Structural origin, inertial, m.
    pub origin: Vector3<f64>,
}

/// Mass properties with the inverse of the inertia.
#[derive(Clone, Copy, Debug)]
pub struct Inertial {
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass, structural, m.
    pub centre: Vector3<f64>,
    /// Inertia about the centre of mass, structural axes, kg·m².
    pub inertia: Matrix3<f64>,
    /// Its inverse, 1/(kg·m²).
    pub inverse: Matrix3<f64>,
}

impl From<Composite> for Inertial {
    /// A tensor that has no inverse gives NaN rates; [`super::Truth::new`] refuses it first.
    fn from(from: Composite) -> Self {
        let inverse = from.inertia.try_inverse().unwrap_or(Matrix3::from_element(f64::NAN));
        Self { mass: from.mass, centre: from.centre, inertia: from.inertia, inverse }
    }
}

/// Force, and torque about the structural origin; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wrench {
    /// Force, N.
    pub force: Vector3<f64>,
    /// Torque about the structural origin, N·m.
    pub torque: Vector3<f64>,
}

impl Wrench {
    /// Torque about `centre`, N·m.
    #[must_use]
    pub fn about(&self, centre: &Vector3<f64>) -> Vector3<f64> {
        self.torque - centre.cross(&self.force)
    }

    /// Adds `other`, `times` times.
    pub fn add(&mut self, other: &Self, times: f64) {
        self.force += other.force * times;
        self.torque += other.torque * times;
    }

    /// Whether it does nothing.
    #[must_use]
    pub fn is_zero(&self) -> bool {
        self.force == Vector3::zeros() && self.torque == Vector3::zeros()
    }
}

/// Propellant leaving at the jets: mean flow over a step and its moments about the structural origin.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outflow {
    /// Σ flow, kg/s.
    pub flow: f64,
    /// Σ flow · place, kg·m/s.
    pub first: Vector3<f64>,
    /// Σ flow · (|s|² 1 - s sᵀ), kg·m²/s.
    pub second: Matrix3<f64>,
}

impl Outflow {
    /// Adds `flow` kg/s leaving at `place`, structural, m.
    pub fn add(&mut self, flow: f64, place: &Vector3<f64>) {
        self.flow += flow;
        self.first += place * flow;
        self.second += point_inertia(flow, place);
    }
}

/// What acts during one step: values at its start, middle and end.
#[derive(Clone, Copy, Debug)]
pub struct Acting {
    /// Mass properties.
    pub mass: [Inertial; 3],
    /// Jets and disturbances together.
    pub wrench: [Wrench; 3],
    /// Propellant leaving.
    pub outflow: Outflow,
}

/// Time derivative of the state, and the gyroscopic torque.
#[derive(Clone, Copy)]
struct Slope {
    motion: Motion,
    gyroscopic: Vector3<f64>,
}

impl Motion {
    /// Centre of mass, inertial, m.
    #[must_use]
    pub fn centre(&self, mass: &Inertial) -> Vector3<f64> {
        self.origin + self.attitude.matrix() * mass.centre
    }

    /// Angular momentum about the centre of mass, inertial, N·m·s.
    #[must_use]
    pub fn angular_about_centre(&self, mass: &Inertial) -> Vector3<f64> {
        self.angular - self.centre(mass).cross(&self.momentum)
    }

    /// The same in body axes: `J ω`, N·m·s.
    #[must_use]
    pub fn body_momentum(&self, mass: &Inertial) -> Vector3<f64> {
        self.attitude.matrix().tr_mul(&self.angular_about_centre(mass))
    }

    /// Body rate, rad/s.
    #[must_use]
    pub fn rate(&self, mass: &Inertial) -> Vector3<f64> {
        mass.inverse * self.body_momentum(mass)
    }

    fn moved(&self, slope: &Motion, step: f64) -> Self {
        Self {
            attitude: self.attitude.moved(slope.attitude, step),
            momentum: self.momentum + slope.momentum * step,
            angular: self.angular + slope.angular * step,
            origin: self.origin + slope.origin * step,
        }
    }

    fn slope(&self, mass: &Inertial, wrench: &Wrench, outflow: &Outflow) -> Slope {
        let turn = self.attitude.matrix();
        let lever = turn * mass.centre;
        let spin = self.angular - (self.origin + lever).cross(&self.momentum);
        let body_spin = turn.tr_mul(&spin);
        let rate = mass.inverse * body_spin;
        let inertial_rate = turn * rate;
        // Velocity of the structure at its origin: that at the centre of mass is momentum over mass.
        let velocity = self.momentum / mass.mass - inertial_rate.cross(&lever);
        let first = turn * outflow.first;
        let lost = velocity * outflow.flow + inertial_rate.cross(&first);
        let net = turn * wrench.force - lost;
        let turning = turn * (wrench.torque - outflow.second * rate) - first.cross(&velocity);
        let motion = Motion {
            attitude: self.attitude.derivative(&rate),
            momentum: net,
            angular: self.origin.cross(&net) + turning,
            origin: velocity,
        };
        Slope { motion, gyroscopic: rate.cross(&body_spin) }
    }

    /// One classical fourth-order Runge-Kutta step of `step` s under forces. Returns the time integral
    /// of `ω × J ω`, body axes, N·m·s.
    pub fn push(&mut self, acting: &Acting, step: f64) -> Vector3<f64> {
        let [start, middle, end] = &acting.mass;
        let [push_start, push_middle, push_end] = &acting.wrench;
        let out = &acting.outflow;
        let half = 0.5 * step;
        let a = self.slope(start, push_start, out);
        let b = self.moved(&a.motion, half).slope(middle, push_middle, out);
        let c = self.moved(&b.motion, half).slope(middle, push_middle, out);
        let d = self.moved(&c.motion, step).slope(end, push_end, out);
        let sixth = step / 6.0;
        let mut next = self.moved(&a.motion, sixth);
        next = next.moved(&b.motion, 2.0 * sixth);
        next = next.moved(&c.motion, 2.0 * sixth);
        next = next.moved(&d.motion, sixth);
        next.attitude = next.attitude.normalised();
        *self = next;
        (a.gyroscopic + (b.gyroscopic + c.gyroscopic) * 2.0 + d.gyroscopic) * sixth
    }

    /// One step of `step` s without any force: both momenta stay as they are to the last bit, the
    /// centre of mass goes straight on, and the attitude is integrated (fourth-order Runge-Kutta).
    /// Returns the time integral of `ω × J ω`, body axes, N·m·s.
    pub fn coast(&mut self, mass: &Inertial, step: f64) -> Vector3<f64> {
        let centre = self.centre(mass);
        let spin = self.angular - centre.cross(&self.momentum);
        let turning = |attitude: Attitude| {
            let body_spin = attitude.matrix().tr_mul(&spin);
            let rate = mass.inverse * body_spin;
            (attitude.derivative(&rate), rate.cross(&body_spin))
        };
        let half = 0.5 * step;
        let (a, gyro_a) = turning(self.attitude);
        let (b, gyro_b) = turning(self.attitude.moved(a, half));
        let (c, gyro_c) = turning(self.attitude.moved(b, half));
        let (d, gyro_d) = turning(self.attitude.moved(c, step));
        let sixth = step / 6.0;
        let sum = self.attitude.moved(a, sixth).moved(b, 2.0 * sixth).moved(c, 2.0 * sixth).moved(d, sixth);
        self.attitude = sum.normalised();
        self.origin = centre + self.momentum * (step / mass.mass) - self.attitude.matrix() * mass.centre;
        (gyro_a + (gyro_b + gyro_c) * 2.0 + gyro_d) * sixth
    }
}
