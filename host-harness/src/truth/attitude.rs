//! The truth's own attitude: a unit quaternion, Hamilton product, **scalar first**, carrying **body**
//! components into **inertial** components, `v_inertial = q ⊗ (0, v_body) ⊗ q*`.
//!
//! That is the sense of the textbooks the checks come from, and not that of the project's files; the two
//! meet in [`Attitude::to_file`] and [`Attitude::from_file`] and nowhere else.

use nalgebra::{Matrix3, Vector3};

/// Unit quaternion `(w, x, y, z)`, body to inertial.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Attitude {
    /// Scalar part.
    pub w: f64,
    /// Vector part.
    pub v: Vector3<f64>,
}

impl Attitude {
    /// Body axes along inertial axes.
    #[must_use]
    pub fn identity() -> Self {
        Self { w: 1.0, v: Vector3::zeros() }
    }

    /// From the four numbers `(w, x, y, z)`, normalised.
    #[must_use]
    pub fn from_wxyz([w, x, y, z]: [f64; 4]) -> Self {
        Self { w, v: Vector3::new(x, y, z) }.normalised()
    }

    /// Body axes turned from the inertial ones by `rotation` (axis times angle, rad).
    #[must_use]
    pub fn from_rotation_vector(rotation: &Vector3<f64>) -> Self {
        let half = 0.5 * rotation.norm();
        // sin(x)/x keeps its accuracy down to zero; below 1e-8 it is 1 to the last bit.
        let ratio = if half < 1e-8 { 1.0 } else { half.sin() / half };
        Self { w: half.cos(), v: rotation * (0.5 * ratio) }
    }

    /// From the matrix whose **columns** are the body axes in inertial components, by the largest of
    /// the four squared components (Shepperd's choice, after Markley's form of it).
    #[must_use]
    pub fn from_matrix(m: &Matrix3<f64>) -> Self {
        let trace = m.trace();
        let (mut largest, mut which) = (trace, 3);
        for i in 0..3 {
            if m[(i, i)] > largest {
                (largest, which) = (m[(i, i)], i);
            }
        }
        if which == 3 {
            let v = Vector3::new(m[(2, 1)] - m[(1, 2)], m[(0, 2)] - m[(2, 0)], m[(1, 0)] - m[(0, 1)]);
            return Self { w: 1.0 + trace, v }.normalised();
        }
        let (i, j, k) = (which, (which + 1) % 3, (which + 2) % 3);
        let mut v = Vector3::zeros();
        v[i] = 1.0 + m[(i, i)] - m[(j, j)] - m[(k, k)];
        v[j] = m[(i, j)] + m[(j, i)];
        v[k] = m[(i, k)] + m[(k, i)];
        Self { w: m[(k, j)] - m[(j, k)], v }.normalised()
    }

    /// From the files' convention: `[x, y, z, w]`, inertial components into body components. With
    /// [`Self::to_file`] the only place where the two conventions meet: scalar last, and the inverse
    /// rotation.
    #[must_use]
    pub fn from_file([x, y, z, w]: [f64; 4]) -> Self {
        Self::from_wxyz([w, -x, -y, -z])
    }

    /// In the files' convention: `[x, y, z, w]`, inertial components into body components.
    #[must_use]
    pub fn to_file(self) -> [f64; 4] {
        [-self.v.x, -self.v.y, -self.v.z, self.w]
    }

    /// Hamilton product `self ⊗ other`: `other` is applied first, in the inner (body) frame.
    #[must_use]
    pub fn multiply(self, other: Self) -> Self {
        Self {
            w: self.w * other.w - self.v.dot(&other.v),
            v: other.v * self.w + self.v * other.w + self.v.cross(&other.v),
        }
    }

    /// The inverse rotation.
    #[must_use]
    pub fn conjugate(self) -> Self {
        Self { w: self.w, v: -self.v }
    }

    /// Divided by its length.
    #[must_use]
    pub fn normalised(self) -> Self {
        let k = (self.w * self.w + self.v.norm_squared()).sqrt().recip();
        Self { w: self.w * k, v: self.v * k }
    }

    /// The matrix that carries body components into inertial ones (columns: the body axes). A rotation
    /// whatever the quaternion's length, as the stages of an integration step need it.
    #[must_use]
    pub fn matrix(self) -> Matrix3<f64> {
        let (w, x, y, z) = (self.w, self.v.x, self.v.y, self.v.z);
        let k = 2.0 / (w * w + x * x + y * y + z * z);
        Matrix3::new(
            1.0 - k * (y * y + z * z),
            k * (x * y - w * z),
            k * (x * z + w * y),
            k * (x * y + w * z),
            1.0 - k * (x * x + z * z),
            k * (y * z - w * x),
            k * (x * z - w * y),
            k * (y * z + w * x),
            1.0 - k * (x * x + y * y),
        )
    }

    /// Time derivative at body rate `rate`, rad/s: `q̇ = ½ q ⊗ (0, ω)`.
    #[must_use]
    pub fn derivative(self, rate: &Vector3<f64>) -> Self {
        Self { w: -0.5 * self.v.dot(rate), v: (rate * self.w + self.v.cross(rate)) * 0.5 }
    }

    /// `self + step * slope`, not normalised: a stage of an integration step.
    #[must_use]
    pub fn moved(self, slope: Self, step: f64) -> Self {
        Self { w: self.w + slope.w * step, v: self.v + slope.v * step }
    }

    /// The four numbers `(w, x, y, z)`.
    #[must_use]
    pub fn to_wxyz(self) -> [f64; 4] {
        [self.w, self.v.x, self.v.y, self.v.z]
    }
}
