//! Observer: attitude, rate, standing disturbance and gyro bias from late, noisy measurements and
//! from what the ledger says was fired.
//!
//! A Kalman filter on four states per axis (angle, rate, disturbance, gyro bias; body axes). The
//! three axes share noise figures, hence one 4×4 covariance serves all of them. The attitude makes
//! the bias observable; without attitudes it stays where it was. The method is textbook (for example
//! Gelb, *Applied Optimal Estimation*, 1974, ch. 4), the numbers come from the table.

use crate::bending::Noise;
use crate::config::FilterSettings;
use crate::linalg::{Mat3, Vec3};
use crate::mass_properties::MassProperties;
use crate::math;
use crate::quaternion::UnitQuaternion;

/// Motion at one instant, body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Motion {
    /// Attitude, inertial to body.
    pub attitude: UnitQuaternion,
    /// Body rate, rad/s.
    pub rate_rad_s: Vec3,
}

impl Motion {
    /// At rest in the inertial axes.
    pub(crate) const AT_REST: Self = Self { attitude: UnitQuaternion::IDENTITY, rate_rad_s: Vec3::ZERO };
}

/// The filter's state.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Observer {
    motion: Motion,
    disturbance_rad_s2: Vec3,
    bias_rad_s: Vec3,
    /// Covariance of (angle, rate, disturbance, bias), SI: rows of the upper triangle, for it is symmetric.
    covariance: [f32; 10],
}

/// Below this no variance falls (keeps subnormal numbers out of the filter).
const LEAST_VARIANCE: f32 = 1e-24;
/// Rate variance before the first measurement, (rad/s)².
const FIRST_RATE_VARIANCE: f32 = 1e-2;
/// The disturbance and the bias start as uncertain as this long a wander makes them, s.
const FIRST_WANDER_S: f32 = 3_600.0;

impl Observer {
    /// A filter that starts at the first measured motion.
    #[must_use]
    pub fn new(motion: Motion, settings: &FilterSettings, noise: &Noise) -> Self {
        let square = |x: f32| x * x;
        let rate = math::min(FIRST_RATE_VARIANCE, 4.0 * noise.rate_rad2_s2);
        let disturbance = square(settings.disturbance_walk_rad_s2) * FIRST_WANDER_S;
        let bias = square(settings.bias_walk_rad_s) * FIRST_WANDER_S;
        let covariance = [noise.attitude_rad2, 0.0, 0.0, 0.0, rate, 0.0, 0.0, disturbance, 0.0, bias];
        Self { motion, disturbance_rad_s2: Vec3::ZERO, bias_rad_s: Vec3::ZERO, covariance }
    }

    /// Attitude and rate at the filter's time.
    #[must_use]
    pub fn motion(&self) -> Motion {
        self.motion
    }

    /// Whether every number of the state is finite and the rate within `limit_rad_s`: a filter that was
    /// fed nonsense within the limits of each sample is better started anew.
    #[must_use]
    pub fn is_sane(&self, limit_rad_s: f32) -> bool {
        let finite = math::all_finite;
        self.motion.rate_rad_s.0.iter().all(|r| r.abs() <= limit_rad_s)
            && finite(&self.motion.attitude.to_array())
            && finite(&self.disturbance_rad_s2.0)
            && finite(&self.bias_rad_s.0)
            && finite(&self.covariance)
    }

    /// Variance of the estimated rate about each axis, (rad/s)².
    #[must_use]
    pub fn rate_variance(&self) -> f32 {
        let [_, _, _, _, rate, ..] = self.covariance;
        rate
    }

    /// Estimated gyro bias, body axes, rad/s.
    #[must_use]
    pub fn bias_rad_s(&self) -> Vec3 {
        self.bias_rad_s
    }

    /// Estimated standing disturbance as an acceleration, body axes, rad/s².
    #[must_use]
    pub fn disturbance_rad_s2(&self) -> Vec3 {
        self.disturbance_rad_s2
    }

    /// The disturbance as far as it stands out of its own uncertainty: what is under two sigma counts
    /// for nothing, what is far above counts in full. Rad/s².
    #[must_use]
    pub fn trusted_disturbance_rad_s2(&self) -> Vec3 {
        let [.., variance, _, _] = self.covariance;
        let noise = 4.0 * variance;
        Vec3(self.disturbance_rad_s2.0.map(|d| {
            let squared = d * d;
            if squared > noise { d * (1.0 - noise / squared) } else { 0.0 }
        }))
    }

    /// The standing disturbance changes by so much at once, rad/s²: something that pushes has been commanded.
    pub(crate) fn shift_disturbance(&mut self, by_rad_s2: Vec3) {
        self.disturbance_rad_s2 = self.disturbance_rad_s2 + by_rad_s2;
    }

    /// The standing disturbance is what it was before, rad/s².
    pub(crate) fn set_disturbance(&mut self, to_rad_s2: Vec3) {
        self.disturbance_rad_s2 = to_rad_s2;
    }

    /// The rate may have changed by about so much at once, rad/s: it is to be learnt anew.
    pub(crate) fn doubt_rate(&mut self, by_rad_s: f32) {
        let [_, _, _, _, rate, ..] = &mut self.covariance;
        *rate += by_rad_s * by_rad_s;
    }

    /// The standing disturbance may have changed by about so much, rad/s²: it is to be learnt anew.
    pub(crate) fn doubt_disturbance(&mut self, by_rad_s2: f32) {
        let [.., disturbance, _, _] = &mut self.covariance;
        *disturbance += by_rad_s2 * by_rad_s2;
    }

    /// Motion after `span_s` of coasting with what the ledger books in that time.
    #[must_use]
    pub fn predict(&self, span_s: f32, booked: &crate::ledger::Seen, stack: &MassProperties) -> Motion {
        let steady = self.disturbance_rad_s2 + gyroscopic(self.motion.rate_rad_s, stack);
        let turn = self.motion.rate_rad_s * span_s + steady * (0.5 * span_s * span_s) + booked.turn_rad;
        Motion {
            attitude: self.motion.attitude.turned_by(turn),
            rate_rad_s: self.motion.rate_rad_s + steady * span_s + booked.rate_rad_s,
        }
    }

    /// Moves the filter forward by `span_s` (not negative), s.
    pub fn advance(
        &mut self,
        span_s: f32,
        booked: &crate::ledger::Seen,
        stack: &MassProperties,
        settings: &FilterSettings,
    ) {
        if !(span_s > 0.0) {
            return;
        }
        self.motion = self.predict(span_s, booked, stack);
        let [aa, ar, ad, ab, rr, rd, rb, dd, db, bb] = &mut self.covariance;
        let (t, half) = (span_s, 0.5 * span_s * span_s);
        // P ← F·P·Fᵀ with F = 1 except rows angle: [1, t, t²/2, 0], rate: [0, 1, t, 0]. Rows first,
        *aa += t * *ar + half * *ad;
        *ar += t * *rr + half * *rd;
        *ad += t * *rd + half * *dd;
        *ab += t * *rb + half * *db;
        *rr += t * *rd;
        *rd += t * *dd;
        *rb += t * *db;
        // then columns.
        *aa += t * *ar + half * *ad;
        *ar += t * *ad;
        *rr += t * *rd;
        let firing = booked.rate_rad_s * settings.firing_error;
        *rr += firing.dot(firing);
        *dd += settings.disturbance_walk_rad_s2 * settings.disturbance_walk_rad_s2 * t;
        *bb += settings.bias_walk_rad_s * settings.bias_walk_rad_s * t;
    }

    /// Takes in an attitude measured at the filter's time.
    pub fn see_attitude(&mut self, measured: UnitQuaternion, noise: &Noise) {
        let innovation = measured.error_from(self.motion.attitude);
        let [aa, ar, ad, ab, ..] = self.covariance;
        self.correct([aa, ar, ad, ab], aa + noise.attitude_rad2, innovation);
    }

    /// Takes in the first attitude, measured at the filter's time, after rates alone: nothing was known of it.
    pub fn find_attitude(&mut self, measured: UnitQuaternion, noise: &Noise) {
        self.motion.attitude = measured;
        let [aa, ar, ad, ab, ..] = &mut self.covariance;
        (*aa, *ar, *ad, *ab) = (noise.attitude_rad2, 0.0, 0.0, 0.0);
    }

    /// Takes in a rate measured at the filter's time (bias included), body axes, rad/s.
    pub fn see_rate(&mut self, measured_rad_s: Vec3, noise: &Noise) {
        let innovation = measured_rad_s - self.motion.rate_rad_s - self.bias_rad_s;
        let [_, ar, _, ab, rr, rd, rb, _, db, bb] = self.covariance;
        let cross = [ar + ab, rr + rb, rd + db, rb + bb];
        self.correct(cross, cross[1] + cross[3] + noise.rate_rad2_s2, innovation);
    }

    /// One scalar update: `cross` is P·Hᵀ, `variance` the innovation's.
    fn correct(&mut self, cross: [f32; 4], variance: f32, innovation: Vec3) {
        if !(variance > 0.0 && innovation.is_finite()) {
            return;
        }
        // What dies away (a covariance that was measured out, a state that was never moved) ends at zero, not
        // among subnormal numbers.
        let settled = |vector: Vec3| Vec3(vector.0.map(math::settled));
        let k = 1.0 / variance;
        let cross = cross.map(math::settled);
        let gain = cross.map(|c| math::settled(c * k));
        let innovation = settled(innovation);
        self.motion.attitude = self.motion.attitude.turned_by(innovation * gain[0]);
        self.motion.rate_rad_s = settled(self.motion.rate_rad_s + innovation * gain[1]);
        self.disturbance_rad_s2 = settled(self.disturbance_rad_s2 + innovation * gain[2]);
        self.bias_rad_s = settled(self.bias_rad_s + innovation * gain[3]);
        let [aa, ar, ad, ab, rr, rd, rb, dd, db, bb] = &mut self.covariance;
        let least = |variance: f32| math::max(variance, LEAST_VARIANCE);
        *aa = least(*aa - gain[0] * cross[0]);
        *ar -= gain[0] * cross[1];
        *ad -= gain[0] * cross[2];
        *ab -= gain[0] * cross[3];
        *rr = least(*rr - gain[1] * cross[1]);
        *rd -= gain[1] * cross[2];
        *rb -= gain[1] * cross[3];
        *dd = least(*dd - gain[2] * cross[2]);
        *db -= gain[2] * cross[3];
        *bb = least(*bb - gain[3] * cross[3]);
    }
}

/// Angular acceleration of a torque-free body, `−J⁻¹(ω × Jω)`, rad/s².
#[must_use]
pub fn gyroscopic(rate_rad_s: Vec3, stack: &MassProperties) -> Vec3 {
    let inertia: Mat3 = stack.inertia_kg_m2();
    -stack.turn(rate_rad_s.cross(inertia * rate_rad_s))
}
