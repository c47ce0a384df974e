//! Three-vectors and 3×3 matrices, `f32`, small enough to unroll.

use core::ops::{Add, Index, IndexMut, Mul, Neg, Sub};

/// Three components in a stated frame and unit.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Vec3(pub [f32; 3]);

impl Vec3 {
    /// All components zero.
    pub const ZERO: Self = Self([0.0; 3]);

    /// A vector from its components.
    #[must_use]
    pub const fn new(x: f32, y: f32, z: f32) -> Self {
        Self([x, y, z])
    }

    /// Scalar product.
    #[must_use]
    pub fn dot(self, other: Self) -> f32 {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        a * x + b * y + c * z
    }

    /// Vector product, right-handed.
    #[must_use]
    pub fn cross(self, other: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([b * z - c * y, c * x - a * z, a * y - b * x])
    }

    /// Euclidean length.
    #[must_use]
    pub fn norm(self) -> f32 {
        crate::math::sqrt(self.dot(self))
    }

    /// Whether every component is a finite number.
    #[must_use]
    pub fn is_finite(self) -> bool {
        self.0.iter().all(|c| c.is_finite())
    }
}

impl Add for Vec3 {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a + x, b + y, c + z])
    }
}

impl Sub for Vec3 {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        let ([a, b, c], [x, y, z]) = (self.0, other.0);
        Self([a - x, b - y, c - z])
    }
}

impl Neg for Vec3 {
    type Output = Self;
    fn neg(self) -> Self {
        let [a, b, c] = self.0;
        Self([-a, -b, -c])
    }
}

impl Mul<f32> for Vec3 {
    type Output = Self;
    fn mul(self, k: f32) -> Self {
        let [a, b, c] = self.0;
        Self([a * k, b * k, c * k])
    }
}

impl Index<usize> for Vec3 {
    type Output = f32;
    fn index(&self, axis: usize) -> &f32 {
        // The remainder keeps the index in range, so no panic path is left.
        &self.0[axis % 3]
    }
}

impl IndexMut<usize> for Vec3 {
    fn index_mut(&mut self, axis: usize) -> &mut f32 {
        &mut self.0[axis % 3]
    }
}

/// A 3×3 matrix, rows first.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Mat3(pub [[f32; 3]; 3]);

impl Mat3 {
    /// A diagonal matrix.
    #[must_use]
    pub const fn diagonal(x: f32, y: f32, z: f32) -> Self {
        Self([[x, 0.0, 0.0], [0.0, y, 0.0], [0.0, 0.0, z]])
    }

    /// Inverse by the adjugate; `None` when the determinant is not a normal number.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        let [r0, r1, r2] = self.0.map(Vec3);
        let (c0, c1, c2) = (r1.cross(r2), r2.cross(r0), r0.cross(r1));
        let determinant = r0.dot(c0);
        if !determinant.is_normal() {
            return None;
        }
        let k = 1.0 / determinant;
        let (c0, c1, c2) = ((c0 * k).0, (c1 * k).0, (c2 * k).0);
        Some(Self([[c0[0], c1[0], c2[0]], [c0[1], c1[1], c2[1]], [c0[2], c1[2], c2[2]]]))
    }
}

impl Mul<Vec3> for Mat3 {
    type Output = Vec3;
    fn mul(self, v: Vec3) -> Vec3 {
        let [r0, r1, r2] = self.0.map(Vec3);
        Vec3([r0.dot(v), r1.dot(v), r2.dot(v)])
    }
}
