//! Which rate leads where: the rate of a coast that ends at the wanted attitude, by shooting.
//!
//! Each shot flies a path in thought and sees by how much it misses. The guess is improved with an inverse of the
//! slopes that learns from every shot (Broyden, *A class of methods for solving nonlinear simultaneous equations*, Mathematics
//! of Computation 19, 1965: the first of his methods, updated by the formula of Sherman and Morrison).

use crate::linalg::{Mat3, Vec3};
use crate::math;
use crate::quaternion::UnitQuaternion;

/// A guess never changes by more than this share of its size at once.
const LONGEST_LEAP: f32 = 0.5;

/// A guess that is being improved.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Aim {
    /// Rate at the end of the rise, body axes, rad/s.
    pub(crate) rate_rad_s: Vec3,
    /// Change of rate that undoes a miss, 1/s.
    inverse: Mat3,
    /// How the last shot's rate was changed, rad/s, and its miss, rad.
    last: Option<(Vec3, Vec3)>,
    /// Shots so far.
    pub(crate) shots: u8,
}

impl Aim {
    /// Nothing aimed at yet.
    pub(crate) const NONE: Self =
        Self { rate_rad_s: Vec3::ZERO, inverse: Mat3([[0.0; 3]; 3]), last: None, shots: 0 };

    /// A first guess.
    ///
    /// * `turn` — rotation vector of the way, body axes, rad; `span_s` — how long the rate acts, s.
    pub(crate) fn at(rate_rad_s: Vec3, turn: Vec3, span_s: f32) -> Self {
        // A miss is seen in the axes at the end; halfway round is where a rate does what it does on the average.
        let halfway = UnitQuaternion::IDENTITY.turned_by(turn * 0.5).conjugate();
        let k = 1.0 / span_s;
        let column = |x, y, z| (halfway.rotate(Vec3([x, y, z])) * k).0;
        let [a, b, c] = [column(1.0, 0.0, 0.0), column(0.0, 1.0, 0.0), column(0.0, 0.0, 1.0)];
        let inverse = Mat3([[a[0], b[0], c[0]], [a[1], b[1], c[1]], [a[2], b[2], c[2]]]);
        Self { rate_rad_s, inverse, last: None, shots: 0 }
    }

    /// Learns from a shot's miss, rad, body axes at its end, and changes the guess.
    pub(crate) fn improve(&mut self, miss: Vec3) {
        if let Some((step, missed)) = self.last {
            let brought = self.inverse * (miss - missed);
            let row = transposed(&self.inverse, step);
            let weight = row.dot(miss - missed);
            if weight.abs() > 1e-3 * step.dot(step) {
                let correction = (step - brought) * (1.0 / weight);
                for (entries, by) in self.inverse.0.iter_mut().zip(correction.0) {
                    for (entry, along) in entries.iter_mut().zip(row.0) {
                        *entry += by * along;
                    }
                }
            }
        }
        let step = -(self.inverse * miss);
        let (length, most) = (step.norm(), LONGEST_LEAP * self.rate_rad_s.norm());
        let step = if length > most { step * (most / math::max(length, f32::MIN_POSITIVE)) } else { step };
        self.last = Some((step, miss));
        self.rate_rad_s = self.rate_rad_s + step;
        self.shots = self.shots.saturating_add(1);
    }
}

/// Product of a transposed matrix and a vector.
fn transposed(m: &Mat3, v: Vec3) -> Vec3 {
    let [a, b, c] = m.0.map(Vec3);
    let [x, y, z] = v.0;
    a * x + b * y + c * z
}
