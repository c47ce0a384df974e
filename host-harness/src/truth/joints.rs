//! Sprung joints: bodies of the stack that can swing a little about a hinge.
//!
//! Model, to first order in the angles. Each joint is one rotational degree of freedom: an axis through a
//! hinge point, both fixed in the rest of the stack, a linear spring and a linear damper. `ω` is the rate of
//! the rest, where jets and sensors sit; `h` the angular momentum of the whole stack about its centre of mass:
//!
//! `h = J ω + C θ'`, `π = Cᵀ ω + M θ'`, `dπ/dt = -k θ - d θ' - Sᵀ a + q`
//!
//! `J` the inertia of the straight stack, `C` the angular momentum and `S` the linear momentum that goes with
//! a unit joint rate, `M` the inertia of the joints less what the recoil of the centre of mass takes off, `a`
//! the acceleration of the centre of mass, `q` what pushes at the carried bodies themselves. `h` and linear
//! momentum obey the same equations as without joints, so a free stack keeps both to the last bit, and
//! without damping its energy too.
//!
//! It holds for small angles and for rates small against the joints' frequencies. Left out: the change of
//! inertia, of the centre of mass and of the jets' arms with the angle (angle × torque), centrifugal forces on
//! the carried bodies (angle × rate²), the gravity gradient's part that bends the joint, the swing's share in
//! the velocity at which propellant leaves. The jets' bodies and tanks are never carried.

use crate::scenario::model::{Joint, Vehicle};
use crate::stack::{Composite, Stack, full_tanks};
use nalgebra::{Matrix2, Matrix3, Matrix3x2, Vector2, Vector3};
use serde::Serialize;

/// Joints there may be.
pub const MOST: usize = 2;

/// The joints of a stack: what does not change while tanks drain. One column (or row) per joint; a column
/// without a joint is zero but for an inertia of one, and stays at rest.
#[derive(Clone, Debug)]
pub struct Joints {
    /// Linear momentum of the carried bodies per unit joint rate, kg·m.
    swing: Matrix3x2<f64>,
    /// Their angular momentum about the structural origin per unit joint rate, kg·m².
    about_origin: Matrix3x2<f64>,
    /// Inertia of the carried bodies about the joints, kg·m².
    own: Matrix2<f64>,
    /// N·m/rad.
    stiffness: Vector2<f64>,
    /// N·m·s/rad.
    damping: Vector2<f64>,
    /// Angles at time zero, rad.
    start: Vector2<f64>,
    /// Hinge, axis and carried bodies of each joint.
    hinges: Vec<Hinge>,
}

/// Where a joint is and what it carries.
#[derive(Clone, Debug)]
struct Hinge {
    place: Vector3<f64>,
    axis: Vector3<f64>,
    bodies: Vec<String>,
}

/// State of the joints.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Bend {
    /// Angles, rad.
    pub angle: Vector2<f64>,
    /// The `π` of the model, N·m·s.
    pub momentum: Vector2<f64>,
}

/// A way in which a free stack swings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct FreeMode {
    /// Frequency without damping, Hz: higher than that of a joint with one side held still.
    pub frequency_hz: f64,
    /// Damping over critical, as far as the joints' dampers do not couple it with the other mode.
    pub damping_ratio: f64,
    /// Turn of the jets and sensors for a unit of the angle of the joint that bends most, rad/rad.
    pub turn_per_bend: f64,
}

/// The ways in which a stack with full tanks swings freely, slowest first; none without a joint.
#[must_use]
pub fn free_modes(vehicle: &Vehicle, joints: &[Joint], present: &[String]) -> Vec<FreeMode> {
    let Some(joints) = Joints::new(vehicle, joints, present) else { return Vec::new() };
    let whole = Stack::new(vehicle, present).with_propellant(&full_tanks(vehicle));
    let Some(inverse) = whole.inertia.try_inverse() else { return Vec::new() };
    joints.coupling(&whole, &inverse).free_modes(&inverse)
}

/// The joints as they work on the mass properties of the moment.
#[derive(Clone, Copy, Debug)]
pub struct Coupling {
    /// `C`, kg·m².
    angular: Matrix3x2<f64>,
    /// `S`, kg·m.
    swing: Matrix3x2<f64>,
    /// Inverse of `M - Cᵀ J⁻¹ C`, 1/(kg·m²).
    inverse: Matrix2<f64>,
    stiffness: Vector2<f64>,
    damping: Vector2<f64>,
}

impl Joints {
    /// The joints that carry any body of `present`; `None` without one. Joints beyond [`MOST`] are not looked
    /// at; scenario validation refuses them.
    #[must_use]
    pub fn new(vehicle: &Vehicle, joints: &[Joint], present: &[String]) -> Option<Self> {
        let carried = |joint: &Joint| -> Vec<String> {
            joint.bodies.iter().filter(|body| present.contains(body)).cloned().collect()
        };
        let there: Vec<(&Joint, Hinge)> = joints
            .iter()
            .map(|joint| (joint, Hinge::new(joint, carried(joint))))
            .filter(|(_, hinge)| !hinge.bodies.is_empty())
            .take(MOST)
            .collect();
        if there.is_empty() {
            return None;
        }
        let mut made = Self {
            swing: Matrix3x2::zeros(),
            about_origin: Matrix3x2::zeros(),
            own: Matrix2::identity(),
            stiffness: Vector2::zeros(),
            damping: Vector2::zeros(),
            start: Vector2::zeros(),
            hinges: there.iter().map(|(_, hinge)| hinge.clone()).collect(),
        };
        for (column, (joint, hinge)) in there.iter().enumerate() {
            let load = dry(vehicle, &hinge.bodies);
            let swing = hinge.velocity(&load.centre) * load.mass;
            made.swing.set_column(column, &swing);
            made.about_origin.set_column(column, &(load.inertia * hinge.axis + load.centre.cross(&swing)));
            for (row, (_, other)) in there.iter().enumerate() {
                let both: Vec<String> =
                    hinge.bodies.iter().filter(|body| other.bodies.contains(body)).cloned().collect();
                made.own[(row, column)] = shared_inertia(vehicle, other, hinge, &both);
            }
            // The spring is that of the joint, whatever it carries in this flight.
            let whole = Hinge::new(joint, joint.bodies.clone());
            let inertia = shared_inertia(vehicle, &whole, &whole, &whole.bodies);
            let frequency = std::f64::consts::TAU * joint.frequency_hz;
            made.stiffness[column] = inertia * frequency * frequency;
            made.damping[column] = 2.0 * joint.damping_ratio * inertia * frequency;
            made.start[column] = joint.initial_rad;
        }
        Some(made)
    }

    /// With the mass properties of the moment; `inverse` is that of the inertia.
    #[must_use]
    pub fn coupling(&self, of: &Composite, inverse: &Matrix3<f64>) -> Coupling {
        let angular = self.about_origin - of.centre.cross_matrix() * self.swing;
        let recoil = self.swing.tr_mul(&self.swing) / of.mass;
        let reduced = self.own - recoil - angular.tr_mul(&(inverse * angular));
        Coupling {
            angular,
            swing: self.swing,
            // What is there is lighter than the whole and larger than a point: never singular.
            inverse: reduced.try_inverse().unwrap_or(Matrix2::from_element(f64::NAN)),
            stiffness: self.stiffness,
            damping: self.damping,
        }
    }

    /// Bent as the scenario says and at rest against the hub, which turns at `rate`, rad/s.
    #[must_use]
    pub fn at_rest(&self, coupling: &Coupling, rate: &Vector3<f64>) -> Bend {
        Bend { angle: self.start, momentum: coupling.angular.tr_mul(rate) }
    }

    /// Torque about the joints of a force, N, at `place`, structural, m, with a torque, N·m, on a body.
    #[must_use]
    pub fn pushed(
        &self,
        body: &str,
        place: &Vector3<f64>,
        force: &Vector3<f64>,
        torque: &Vector3<f64>,
    ) -> Vector2<f64> {
        let mut about = Vector2::zeros();
        for (slot, hinge) in about.iter_mut().zip(&self.hinges) {
            if hinge.bodies.iter().any(|carried| carried == body) {
                *slot = hinge.velocity(place).dot(force) + hinge.axis.dot(torque);
            }
        }
        about
    }
}

impl Hinge {
    fn new(joint: &Joint, bodies: Vec<String>) -> Self {
        Self { place: joint.hinge_m.into(), axis: joint.axis.into(), bodies }
    }

    /// Velocity of a carried point per unit joint rate, m.
    fn velocity(&self, point: &Vector3<f64>) -> Vector3<f64> {
        self.axis.cross(&(point - self.place))
    }
}

/// Mass properties of these bodies without propellant.
fn dry(vehicle: &Vehicle, bodies: &[String]) -> Composite {
    Stack::new(vehicle, bodies).with_propellant(&vec![0.0; vehicle.tanks.len()])
}

/// Integral of the product of the velocities that two unit joint rates give the bodies both carry, kg·m².
fn shared_inertia(vehicle: &Vehicle, one: &Hinge, other: &Hinge, bodies: &[String]) -> f64 {
    if bodies.is_empty() {
        return 0.0;
    }
    let load = dry(vehicle, bodies);
    let turning = one.axis.dot(&(load.inertia * other.axis));
    turning + load.mass * one.velocity(&load.centre).dot(&other.velocity(&load.centre))
}

impl Coupling {
    /// Rate of the rest and of the joints, rad/s; `spin` is `h`, body axes, `inverse` that of the inertia.
    #[must_use]
    pub fn rates(
        &self,
        inverse: &Matrix3<f64>,
        spin: &Vector3<f64>,
        bend: &Bend,
    ) -> (Vector3<f64>, Vector2<f64>) {
        let joints = self.inverse * (bend.momentum - self.angular.tr_mul(&(inverse * spin)));
        (inverse * (spin - self.angular * joints), joints)
    }

    /// Time derivative of the joints' state.
    ///
    /// * `rates` — of the joints, rad/s; `acceleration` — of the centre of mass, body axes, m/s²; `pushed` —
    ///   torque about the joints from outside, N·m.
    #[must_use]
    pub fn slope(
        &self,
        bend: &Bend,
        rates: &Vector2<f64>,
        acceleration: &Vector3<f64>,
        pushed: &Vector2<f64>,
    ) -> Bend {
        let spring = self.stiffness.component_mul(&bend.angle) + self.damping.component_mul(rates);
        Bend { angle: *rates, momentum: pushed - spring - self.swing.tr_mul(acceleration) }
    }

    /// Kinetic energy of the joints' part, `½ θ'·π`, and what the springs hold, J.
    #[must_use]
    pub fn energy(&self, bend: &Bend, rates: &Vector2<f64>) -> f64 {
        let springs = bend.angle.dot(&self.stiffness.component_mul(&bend.angle));
        0.5 * (rates.dot(&bend.momentum) + springs)
    }

    /// Modes with `h = 0`, where the joints alone obey `A θ'' + K θ = 0`, `A` the inertia whose inverse is kept: the
    /// generalised eigenproblem of a pair of joints, in closed form.
    fn free_modes(&self, inverse_inertia: &Matrix3<f64>) -> Vec<FreeMode> {
        let Some(inertia) = self.inverse.try_inverse() else { return Vec::new() };
        let a = self.inverse * Matrix2::from_diagonal(&self.stiffness);
        let (middle, half) = (0.5 * a.trace(), (0.25 * a.trace().powi(2) - a.determinant()).max(0.0).sqrt());
        // A joint that is not there has no stiffness, and gives a root of zero.
        let squares = [middle - half, middle + half].into_iter().filter(|square| *square > 1e-9 * middle);
        squares
            .map(|square| {
                let rows = [Vector2::new(a.m12, square - a.m11), Vector2::new(square - a.m22, a.m21)];
                let shape = if rows[0].norm() > rows[1].norm() { rows[0] } else { rows[1] };
                // Twice the same frequency: any shape is one.
                let shape = if shape.amax() > 0.0 { shape / shape.amax() } else { Vector2::x() };
                let angular = square.sqrt();
                let damped = shape.dot(&self.damping.component_mul(&shape));
                FreeMode {
                    frequency_hz: angular / std::f64::consts::TAU,
                    damping_ratio: damped / (2.0 * angular * shape.dot(&(inertia * shape))),
                    turn_per_bend: (inverse_inertia * self.angular * shape).norm(),
                }
            })
            .collect()
    }

    /// Not less than the highest rate at which the joints' state changes, 1/s.
    #[must_use]
    pub fn quickest(&self) -> f64 {
        // Sums of eigenvalues, none of them negative.
        let along = |diagonal: &Vector2<f64>| (self.inverse * Matrix2::from_diagonal(diagonal)).trace();
        along(&self.stiffness).sqrt() + along(&self.damping)
    }
}

impl Bend {
    /// `self + step * slope`.
    #[must_use]
    pub fn moved(&self, slope: &Self, step: f64) -> Self {
        Self { angle: self.angle + slope.angle * step, momentum: self.momentum + slope.momentum * step }
    }
}
