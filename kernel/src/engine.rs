//! The main engine as the kernel knows it: thrust, gimbal, and when it acts.

use crate::linalg::Vec3;

/// A main engine on a gimbal, or a fixed one.
///
/// # Gimbal
/// Two angles `[a, b]`, rad, zero for [`Self::direction`]. The outer gimbal turns about [`Self::first_axis`], which is
/// fixed in the body, by `a`; the inner one, which the outer carries, about [`Self::second_axis`] by `b`. Both turn by the
/// right-hand rule, so the force on the vehicle acts along `R_first(a) · R_second(b) · direction`, through the pivot.
/// First axis, second axis and direction are a right-handed set: `first × second = direction`.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Engine {
    /// Where both gimbal axes meet, structural axes, m; within ±1,000.
    pub pivot_m: Vec3,
    /// Direction of the force **on the vehicle** with the gimbal at zero, unit vector, body axes.
    pub direction: Vec3,
    /// Axis of the outer gimbal, unit vector, body axes, perpendicular to `direction`; any such for a fixed engine.
    pub first_axis: Vec3,
    /// Steady thrust, N; positive, at most 1e7.
    pub thrust_n: f32,
    /// Steady specific impulse, s; positive, at most 1e5.
    pub specific_impulse_s: f32,
    /// Largest angle of each gimbal either way, rad; 0..=0.5, 0 for a fixed engine.
    pub travel_rad: f32,
    /// Fastest turn of each gimbal, rad/s; positive, infinity for no limit. A fixed engine may have 0.
    pub gimbal_rate_rad_s: f32,
    /// From the command to start to the moment from which full thrust would give the same impulse (dead time and half
    /// the rise), s; 0..=60.
    pub start_s: f32,
    /// What acts after the command to cut off, as time at full thrust (dead time and half the tail), s; 0..=60.
    pub tail_s: f32,
}

/// A field of [`Engine`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum EngineField {
    /// `pivot_m` must be finite and within 1 km.
    Pivot,
    /// `direction` must have length 1 within 1e-3.
    Direction,
    /// `first_axis` must have length 1 and be perpendicular to `direction`, both within 1e-3.
    FirstAxis,
    /// `thrust_n` must be positive and at most 1e7.
    Thrust,
    /// `specific_impulse_s` must be positive and at most 1e5.
    SpecificImpulse,
    /// `travel_rad` must be 0..=0.5.
    Travel,
    /// `gimbal_rate_rad_s` must be positive; it may be 0 where there is no travel.
    GimbalRate,
    /// `start_s` must be 0..=60.
    Start,
    /// `tail_s` must be 0..=60.
    Tail,
}

impl Engine {
    /// No engine.
    pub const NONE: Self = Self {
        pivot_m: Vec3::ZERO,
        direction: Vec3::ZERO,
        first_axis: Vec3::ZERO,
        thrust_n: 0.0,
        specific_impulse_s: 0.0,
        travel_rad: 0.0,
        gimbal_rate_rad_s: 0.0,
        start_s: 0.0,
        tail_s: 0.0,
    };

    /// Whether an engine is told.
    #[must_use]
    pub fn is_told(&self) -> bool {
        self.thrust_n > 0.0
    }

    /// Axis of the inner gimbal while the outer one is at zero, unit vector, body axes.
    #[must_use]
    pub fn second_axis(&self) -> Vec3 {
        self.direction.cross(self.first_axis)
    }

    /// Looks every field over; all zero for no engine.
    ///
    /// # Errors
    /// The first field out of its range.
    pub(crate) fn validate(&self) -> Result<(), EngineField> {
        if *self == Self::NONE {
            return Ok(());
        }
        let is_unit = |axis: Vec3| (0.998..=1.002).contains(&axis.dot(axis));
        if !self.pivot_m.0.iter().all(|c| c.abs() <= 1e3) {
            return Err(EngineField::Pivot);
        }
        if !is_unit(self.direction) {
            return Err(EngineField::Direction);
        }
        let is_across = self.direction.dot(self.first_axis).abs() <= 1e-3;
        if !(is_unit(self.first_axis) && is_across) {
            return Err(EngineField::FirstAxis);
        }
        if !(self.thrust_n > 0.0 && self.thrust_n <= 1e7) {
            return Err(EngineField::Thrust);
        }
        if !(self.specific_impulse_s > 0.0 && self.specific_impulse_s <= 1e5) {
            return Err(EngineField::SpecificImpulse);
        }
        if !(0.0..=0.5).contains(&self.travel_rad) {
            return Err(EngineField::Travel);
        }
        let is_fixed = self.travel_rad == 0.0;
        if !(self.gimbal_rate_rad_s > 0.0 || is_fixed && self.gimbal_rate_rad_s == 0.0) {
            return Err(EngineField::GimbalRate);
        }
        if !(0.0..=60.0).contains(&self.start_s) {
            return Err(EngineField::Start);
        }
        if !(0.0..=60.0).contains(&self.tail_s) {
            return Err(EngineField::Tail);
        }
        Ok(())
    }
}
