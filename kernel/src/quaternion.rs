//! Attitude: a unit quaternion, Hamilton product, scalar last, rotating inertial components into
//! body components: `v_body = q ⊗ v_inertial ⊗ q*`.

use crate::linalg::Vec3;
use crate::math;

/// Unit quaternion `(x, y, z, w)`; normalised by construction.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct UnitQuaternion {
    /// Vector part.
    v: Vec3,
    /// Scalar part.
    w: f32,
}

impl Default for UnitQuaternion {
    fn default() -> Self {
        Self::IDENTITY
    }
}

impl UnitQuaternion {
    /// No rotation.
    pub const IDENTITY: Self = Self { v: Vec3::ZERO, w: 1.0 };

    /// From `[x, y, z, w]`; `None` unless finite and of length 1 within 1 %.
    #[must_use]
    pub fn from_array(xyzw: [f32; 4]) -> Option<Self> {
        let [x, y, z, w] = xyzw;
        let squared = x * x + y * y + z * z + w * w;
        // NaN fails the comparison too.
        if !(0.98..=1.02).contains(&squared) {
            return None;
        }
        let k = math::inverse_sqrt_near_one(squared);
        Some(Self { v: Vec3([x, y, z]) * k, w: w * k })
    }

    /// From what [`Self::to_array`] gave and a record has kept, bit for bit.
    pub(crate) const fn as_sent([x, y, z, w]: [f32; 4]) -> Self {
        Self { v: Vec3([x, y, z]), w }
    }

    /// As `[x, y, z, w]`.
    #[must_use]
    pub fn to_array(self) -> [f32; 4] {
        let [x, y, z] = self.v.0;
        [x, y, z, self.w]
    }

    /// The inverse rotation.
    #[must_use]
    pub fn conjugate(self) -> Self {
        Self { v: -self.v, w: self.w }
    }

    /// Hamilton product `self ⊗ other`, renormalised by one Newton step.
    #[must_use]
    pub fn multiply(self, other: Self) -> Self {
        let w = self.w * other.w - self.v.dot(other.v);
        let v = other.v * self.w + self.v * other.w + self.v.cross(other.v);
        let k = 1.5 - 0.5 * (v.dot(v) + w * w);
        Self { v: v * k, w: w * k }
    }

    /// Inertial components into body components.
    #[must_use]
    pub fn rotate(self, inertial: Vec3) -> Vec3 {
        let t = self.v.cross(inertial) * 2.0;
        inertial + t * self.w + self.v.cross(t)
    }

    /// The attitude reached from `self` after the body has turned by `turn` (rotation vector, body
    /// axes, rad). By series up to 0.1 rad, the most that a cycle of a held stack makes (error under
    /// 1e-7 rad), by sine and cosine beyond. A turn that is not finite, or beyond twice
    /// [`math::LARGEST_ANGLE`], changes nothing.
    #[must_use]
    pub fn turned_by(self, turn: Vec3) -> Self {
        let half = turn * 0.5;
        let squared = half.dot(half);
        if !squared.is_finite() {
            return self;
        }
        let (sine_over_angle, cosine) = if squared < 0.0025 {
            (1.0 - squared * (1.0 / 6.0), 1.0 - squared * 0.5)
        } else {
            let angle = math::sqrt(squared);
            let (sine, cosine) = math::sine_and_cosine(angle);
            (sine / angle, cosine)
        };
        Self { v: -half * sine_over_angle, w: cosine }.multiply(self)
    }

    /// Rotation vector (rad, body axes) that carries the `target` attitude into this one: the
    /// attitude error. The shorter way round; within ±π.
    #[must_use]
    pub fn error_from(self, target: Self) -> Vec3 {
        let difference = self.multiply(target.conjugate());
        let sign = if difference.w < 0.0 { -1.0 } else { 1.0 };
        let squared = difference.v.dot(difference.v);
        // Below 0.1 rad the series sin⁻¹(s)/s = 1 + s²/6 + 3s⁴/40 is exact to f32.
        let angle_over_sine = if squared < 0.0025 {
            2.0 + squared * (1.0 / 3.0 + squared * 0.15)
        } else {
            let sine = math::sqrt(squared);
            2.0 * math::atan2(sine, sign * difference.w) / sine
        };
        difference.v * (-sign * angle_over_sine)
    }
}
