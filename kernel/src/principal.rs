//! Principal axes of a stack, and turning about those that are free: a body left alone keeps turning about its axis of
//! greatest or least moment of inertia, but not about the intermediate one (Euler; for example Hughes, *Spacecraft
//! Attitude Dynamics*, 1986, ch. 4, chapter number from memory).

use crate::linalg::{Mat3, Vec3};
use crate::math;

/// Sweeps of Jacobi's method: each squares what is left off the diagonal, and four reach the last bit of `f32` from any
/// tensor that was tried; one more is for those that were not.
const SWEEPS: usize = 5;
/// Off the diagonal this means nothing, as a share of the largest moment.
const NOTHING: f32 = 1e-9;
/// An axis is free where nutation about it is at least so many times as fast as the turn itself, squared: closer to
/// another moment an estimate of the inertia does not tell free from intermediate, and nutation is wide and slow.
const FREE: f32 = 0.01;

/// Moments and axes of an inertia tensor.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct PrincipalAxes {
    /// Least, intermediate and greatest moment, kg·m².
    pub moments_kg_m2: [f32; 3],
    /// Their axes, body axes, unit vectors, right-handed.
    pub axes: [Vec3; 3],
}

impl PrincipalAxes {
    /// Of an inertia tensor, symmetric and positive definite, body axes, kg·m²: a fixed number of sweeps of Jacobi's
    /// rotations (C. G. J. Jacobi, *Journal für die reine und angewandte Mathematik* 30, 1846).
    #[must_use]
    pub fn of(inertia_kg_m2: &Mat3) -> Self {
        let [[xx, xy, xz], [_, yy, yz], [_, _, zz]] = inertia_kg_m2.0;
        let largest = math::max(xx, math::max(yy, zz));
        let k = 1.0 / largest;
        let (mut a, mut b, mut c) = (xx * k, yy * k, zz * k);
        let (mut ab, mut ac, mut bc) = (xy * k, xz * k, yz * k);
        let mut u = Vec3::new(1.0, 0.0, 0.0);
        let mut v = Vec3::new(0.0, 1.0, 0.0);
        let mut w = Vec3::new(0.0, 0.0, 1.0);
        for _ in 0..SWEEPS {
            rotate((&mut a, &mut b, &mut ab), (&mut ac, &mut bc), (&mut u, &mut v));
            rotate((&mut a, &mut c, &mut ac), (&mut ab, &mut bc), (&mut u, &mut w));
            rotate((&mut b, &mut c, &mut bc), (&mut ab, &mut ac), (&mut v, &mut w));
        }
        let (mut first, mut second, mut third) = ((a, u), (b, v), (c, w));
        in_order(&mut first, &mut second);
        in_order(&mut second, &mut third);
        in_order(&mut first, &mut second);
        let (least, greatest) = (unit(first.1), third.1);
        let middle = unit(greatest.cross(least));
        Self {
            moments_kg_m2: [first.0 * largest, second.0 * largest, third.0 * largest],
            axes: [least, middle, least.cross(middle)],
        }
    }

    /// The free axis nearest to a direction, turned so that it points the same way; `None` where the nearest principal
    /// axis is not free, or further away than `within_rad`.
    ///
    /// * `about` — unit vector, body axes; `within_rad` — up to π/2, which admits any.
    #[must_use]
    pub fn free_axis(&self, about: Vec3, within_rad: f32) -> Option<FreeAxis> {
        let [least, middle, greatest] = self.axes;
        let [a, b, c] = self.moments_kg_m2;
        let (to_least, to_middle, to_greatest) = (least.dot(about), middle.dot(about), greatest.dot(about));
        let is_least = to_least.abs() > to_greatest.abs();
        let (axis, along, moment, other_axis, other) =
            if is_least { (least, to_least, a, greatest, c) } else { (greatest, to_greatest, c, least, a) };
        let across = about - axis * along;
        if !(to_middle.abs() < along.abs() && math::atan2(across.norm(), along.abs()) <= within_rad) {
            return None;
        }
        let axis = if along < 0.0 { -axis } else { axis };
        let free = FreeAxis {
            axis,
            moment_kg_m2: moment,
            is_least,
            across: [
                (middle, b, (moment - b).abs() / b),
                (other_axis, other, (moment - other).abs() / other),
            ],
        };
        (free.nutation_squared() >= FREE).then_some(free)
    }
}

/// One of Jacobi's rotations: takes out the element between two axes.
///
/// * the two moments and the element between them; the elements between each and the third; the axes so far.
fn rotate(
    (p, q, pq): (&mut f32, &mut f32, &mut f32),
    (pr, qr): (&mut f32, &mut f32),
    (u, v): (&mut Vec3, &mut Vec3),
) {
    if !(pq.abs() > NOTHING) {
        *pq = 0.0;
        return;
    }
    let theta = (*q - *p) / (2.0 * *pq);
    let size = 1.0 / (theta.abs() + math::sqrt(theta * theta + 1.0));
    let tangent = if theta < 0.0 { -size } else { size };
    let cosine = 1.0 / math::sqrt(tangent * tangent + 1.0);
    let sine = tangent * cosine;
    (*p, *q, *pq) = (*p - tangent * *pq, *q + tangent * *pq, 0.0);
    (*pr, *qr) = (cosine * *pr - sine * *qr, sine * *pr + cosine * *qr);
    (*u, *v) = (*u * cosine - *v * sine, *u * sine + *v * cosine);
}

/// Puts the lesser moment first.
fn in_order(a: &mut (f32, Vec3), b: &mut (f32, Vec3)) {
    if a.0 > b.0 {
        core::mem::swap(a, b);
    }
}

/// At length 1, from about that.
fn unit(v: Vec3) -> Vec3 {
    v * math::inverse_sqrt_near_one(v.dot(v))
}

/// An axis that a body keeps turning about, and the two across it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FreeAxis {
    /// Unit vector, body axes.
    pub axis: Vec3,
    /// Moment of inertia about it, kg·m².
    pub moment_kg_m2: f32,
    /// Whether it is that of the least moment: a body that loses energy leaves it.
    pub is_least: bool,
    /// Each axis across: unit vector, moment, and how far that is from the free axis's moment, over it.
    across: [(Vec3, f32, f32); 2],
}

impl FreeAxis {
    /// Nutation seen from the body, in turns of the body's own turn: `√((J−J₁)(J−J₂)/(J₁J₂))`.
    #[must_use]
    pub fn nutation_per_turn(&self) -> f32 {
        math::sqrt(self.nutation_squared())
    }

    fn nutation_squared(&self) -> f32 {
        let [(_, _, one), (_, _, other)] = self.across;
        one * other
    }

    /// Rate about the axis, rad/s, of a body rate.
    #[must_use]
    pub fn spin_rad_s(&self, rate_rad_s: Vec3) -> f32 {
        self.axis.dot(rate_rad_s)
    }

    /// The widest angle, rad, that the axis comes to have with the angular momentum while the body is left alone; π where it
    /// does not turn about the axis.
    ///
    /// Of the momenta `h₁`, `h₂` across the axis, `h₁²·|J−J₁|/J₁ + h₂²·|J−J₂|/J₂` stays as it is (from energy and
    /// momentum); all of it is in one of them where they are largest.
    #[must_use]
    pub fn nutation_rad(&self, rate_rad_s: Vec3) -> f32 {
        let along = self.moment_kg_m2 * self.spin_rad_s(rate_rad_s);
        let [(axis, moment, k), (other_axis, other_moment, other_k)] = self.across;
        let (one, other) = (moment * axis.dot(rate_rad_s), other_moment * other_axis.dot(rate_rad_s));
        let most = (one * one * k + other * other * other_k) / math::min(k, other_k);
        let least_along = along * along + one * one + other * other - most;
        if !(along > 0.0 && least_along > 0.0) {
            return core::f32::consts::PI;
        }
        math::atan2(math::sqrt(most), math::sqrt(least_along))
    }

    /// The rate across the axis that makes a nutation of `angle_rad` at most, when the body turns at `spin_rad_s`, rad/s.
    #[must_use]
    pub fn rate_across_rad_s(&self, angle_rad: f32, spin_rad_s: f32) -> f32 {
        let [(_, moment, k), (_, other_moment, other_k)] = self.across;
        let of = |moment: f32, k: f32| math::sqrt(math::min(k, other_k) / k) / moment;
        angle_rad * self.moment_kg_m2 * spin_rad_s * math::min(of(moment, k), of(other_moment, other_k))
    }
}
