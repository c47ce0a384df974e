//! Mass, centre of mass and inertia as told to the kernel; refused unless physical.

use crate::linalg::{Mat3, Vec3};
use crate::math;

/// Mass properties of the whole stack; valid by construction.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct MassProperties {
    mass_kg: f32,
    centre_of_mass_m: Vec3,
    inertia_kg_m2: Mat3,
    inverse_inertia: Mat3,
}

/// Why mass properties were refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum MassPropertiesError {
    /// `mass_kg` is not finite or not positive.
    Mass,
    /// `centre_of_mass_m` is not finite.
    CentreOfMass,
    /// `inertia_kg_m2` holds a number that is not finite.
    InertiaNotFinite,
    /// `inertia_kg_m2` is not symmetric within 1e-5 of its largest moment.
    InertiaNotSymmetric,
    /// `inertia_kg_m2` is not positive definite (or too nearly singular for `f32`).
    InertiaNotPositiveDefinite,
    /// A principal moment exceeds the sum of the other two.
    InertiaTriangle,
}

impl MassProperties {
    /// Checked mass properties.
    ///
    /// * `centre_of_mass_m` — structural axes, m.
    /// * `inertia_kg_m2` — inertia tensor about the centre of mass, body axes, shape `[3][3]`; an
    ///   off-diagonal element is minus the integral (`J_xy = −∫xy dm`).
    ///
    /// # Errors
    /// The first field found wrong; see [`MassPropertiesError`]. The triangle inequality is allowed
    /// 2e-5 of the trace, so that a flat plate passes.
    pub fn new(
        mass_kg: f32,
        centre_of_mass_m: Vec3,
        inertia_kg_m2: Mat3,
    ) -> Result<Self, MassPropertiesError> {
        use MassPropertiesError as E;
        if !(mass_kg.is_finite() && mass_kg > 0.0) {
            return Err(E::Mass);
        }
        if !centre_of_mass_m.is_finite() {
            return Err(E::CentreOfMass);
        }
        let [[xx, xy, xz], [yx, yy, yz], [zx, zy, zz]] = inertia_kg_m2.0;
        if !inertia_kg_m2.0.iter().flatten().all(|v| v.is_finite()) {
            return Err(E::InertiaNotFinite);
        }
        let largest = math::max(xx, math::max(yy, zz));
        let skew = math::max((xy - yx).abs(), math::max((xz - zx).abs(), (yz - zy).abs()));
        if skew > 1e-5 * largest {
            return Err(E::InertiaNotSymmetric);
        }
        // Scaled to a largest moment of 1, so that the test holds for a 1 kg cube and for a station.
        if !(largest > 0.0 && (1.0 / largest).is_normal()) {
            return Err(E::InertiaNotPositiveDefinite);
        }
        let k = 1.0 / largest;
        let scaled = Mat3(inertia_kg_m2.0.map(|row| row.map(|v| v * k)));
        if !positive_definite(&scaled, 1e-6) {
            return Err(E::InertiaNotPositiveDefinite);
        }
        // Principal moments satisfy the triangle inequality exactly when ½·tr(J)·1 − J, the second
        // moment of the mass distribution, is positive semidefinite.
        let half_trace = 0.5 * (scaled.0[0][0] + scaled.0[1][1] + scaled.0[2][2]);
        let mut second_moment = scaled;
        for (i, row) in second_moment.0.iter_mut().enumerate() {
            for (j, v) in row.iter_mut().enumerate() {
                *v = if i == j { half_trace - *v } else { -*v };
            }
        }
        for i in 0..3 {
            second_moment.0[i][i] += 2e-5 * half_trace;
        }
        if !positive_definite(&second_moment, 0.0) {
            return Err(E::InertiaTriangle);
        }
        let inverse = scaled.inverse().ok_or(E::InertiaNotPositiveDefinite)?;
        Ok(Self {
            mass_kg,
            centre_of_mass_m,
            inertia_kg_m2,
            inverse_inertia: Mat3(inverse.0.map(|row| row.map(|v| v * k))),
        })
    }

    /// Mass, kg.
    #[must_use]
    pub fn mass_kg(&self) -> f32 {
        self.mass_kg
    }

    /// Centre of mass, structural axes, m.
    #[must_use]
    pub fn centre_of_mass_m(&self) -> Vec3 {
        self.centre_of_mass_m
    }

    /// Inertia about the centre of mass, body axes, kg·m².
    #[must_use]
    pub fn inertia_kg_m2(&self) -> Mat3 {
        self.inertia_kg_m2
    }

    /// Angular acceleration (or rate change) for a torque (or angular impulse), body axes.
    #[must_use]
    pub fn turn(&self, torque: Vec3) -> Vec3 {
        self.inverse_inertia * torque
    }
}

/// Whether the leading minors of a symmetric matrix all exceed `floor` (Sylvester's criterion, by
/// symmetric elimination).
fn positive_definite(m: &Mat3, floor: f32) -> bool {
    let [[a, b, c], [_, d, e], [_, _, f]] = m.0;
    if !(a > floor) {
        return false;
    }
    let (l1, l2) = (b / a, c / a);
    let d1 = d - l1 * b;
    if !(d1 > floor) {
        return false;
    }
    let e1 = e - l1 * c;
    f - l2 * c - e1 / d1 * e1 > floor
}
