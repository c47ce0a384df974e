//! A gimballed engine's line of force: closed forms of its two angles, and the gimbal on its way to a command.

use crate::engine::Engine;
use crate::linalg::Vec3;
use crate::mass_properties::MassProperties;
use crate::math;

/// What the engine and its gimbal are to do.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct EngineCommand {
    /// How long the engine is on from the tick at which pulses open, ticks; 0 off, the whole cycle through its edge.
    pub on_ticks: u16,
    /// Angles of the gimbal about its first and its second axis, rad; within its travel.
    pub gimbal_rad: [f32; 2],
}

impl EngineCommand {
    /// Off, the gimbal at zero.
    pub const OFF: Self = Self { on_ticks: 0, gimbal_rad: [0.0; 2] };
}

impl Engine {
    /// Direction of the force at these angles, body axes: with `f` the direction at zero, `p` the first axis and `q` the
    /// second, `(f cos a − q sin a) cos b + p sin b`.
    #[must_use]
    pub fn force_direction(&self, [first, second]: [f32; 2]) -> Vec3 {
        let ((sin_a, cos_a), (sin_b, cos_b)) = (sine_and_cosine(first), sine_and_cosine(second));
        (self.direction * cos_a - self.second_axis() * sin_a) * cos_b + self.first_axis * sin_b
    }

    /// Angles at which the force has this direction, within the travel, rad; zero for what is behind.
    #[must_use]
    pub fn angles_towards(&self, direction: Vec3) -> [f32; 2] {
        let (along, across) = (direction.dot(self.direction), direction.dot(self.second_axis()));
        if !(along > 0.0) {
            return [0.0; 2];
        }
        let outer = math::sqrt(along * along + across * across);
        let angles = [math::atan2(-across, along), math::atan2(direction.dot(self.first_axis), outer)];
        angles.map(|angle| math::clamp(angle, -self.travel_rad, self.travel_rad))
    }

    /// Angles at which the line of force leads through a centre of mass, structural axes, m, as far as the travel allows.
    #[must_use]
    pub fn trim_rad(&self, centre_of_mass_m: Vec3) -> [f32; 2] {
        let arm = centre_of_mass_m - self.pivot_m;
        // The engine pushes from behind or pulls from before.
        self.angles_towards(if arm.dot(self.direction) < 0.0 { -arm } else { arm })
    }

    /// Angular acceleration of a stack by the engine at steady thrust, body axes, rad/s².
    #[must_use]
    pub fn turn_rad_s2(&self, stack: &MassProperties, gimbal_rad: [f32; 2]) -> Vec3 {
        let arm = self.pivot_m - stack.centre_of_mass_m();
        stack.turn(arm.cross(self.force_direction(gimbal_rad) * self.thrust_n))
    }

    /// How that changes with each angle, 1/s².
    #[must_use]
    pub fn turn_slopes(&self, stack: &MassProperties, gimbal_rad: [f32; 2]) -> [Vec3; 2] {
        let arm = self.pivot_m - stack.centre_of_mass_m();
        let [first, _] = gimbal_rad;
        let (sine, cosine) = sine_and_cosine(first);
        let inner_axis = self.second_axis() * cosine + self.direction * sine;
        let direction = self.force_direction(gimbal_rad);
        [self.first_axis, inner_axis].map(|axis| stack.turn(arm.cross(axis.cross(direction) * self.thrust_n)))
    }

    /// Where a gimbal is that has turned towards a command for some seconds, rad.
    #[must_use]
    pub(crate) fn turned(&self, from_rad: [f32; 2], command_rad: [f32; 2], seconds: f32) -> [f32; 2] {
        let most = math::min(self.gimbal_rate_rad_s * seconds, core::f32::consts::PI);
        let ([a, b], [to_a, to_b]) = (from_rad, command_rad);
        [a + math::clamp(to_a - a, -most, most), b + math::clamp(to_b - b, -most, most)]
    }
}

/// Sine and cosine of an angle of either sign.
fn sine_and_cosine(angle: f32) -> (f32, f32) {
    let (sine, cosine) = math::sine_and_cosine(angle.abs());
    (if angle < 0.0 { -sine } else { sine }, cosine)
}
