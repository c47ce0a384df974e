//! Composite mass properties of the bodies that are really there and of the propellant in their tanks.
//!
//! Structural axes throughout. Off-diagonal elements of an inertia tensor are **minus** the integral
//! (`J_xy = -∫ x y dm`), so that angular momentum is `J ω`. Method: each body's tensor is turned into
//! structural axes (`R J Rᵀ`), then carried to a common point by the parallel-axis theorem
//! (`m (|d|² 1 - d dᵀ)`); a tank is a point mass. Nothing here comes from the kernel, whose mass
//! properties this module is there to check.

use crate::scenario::model::{Body, Vehicle};
use nalgebra::{Matrix3, Quaternion, SymmetricEigen, UnitQuaternion, Vector3};
use thiserror::Error;

/// Relative room left for rounding in the triangle inequality and in symmetry.
const ROUNDING: f64 = 1e-9;

/// Mass, centre of mass and inertia about the centre of mass.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct MassProperties {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Centre of mass, structural axes, m.
    pub centre_of_mass_m: [f64; 3],
    /// Inertia about the centre of mass, structural axes, kg·m²; rows of a symmetric tensor.
    pub inertia_kg_m2: [[f64; 3]; 3],
}

/// Principal moments and axes of a tensor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Principal {
    /// Principal moments, ascending, kg·m².
    pub moments_kg_m2: [f64; 3],
    /// Unit vector of each principal axis in structural axes, in the order of the moments; the three
    /// are right-handed, the sign of the first two is arbitrary.
    pub axes: [[f64; 3]; 3],
}

/// Why a set of mass properties cannot belong to a body of ordinary matter.
#[derive(Clone, Copy, Debug, PartialEq, Error)]
pub enum Unphysical {
    /// A number is NaN or infinite.
    #[error("mass, centre of mass and inertia must all be finite numbers")]
    NotFinite,
    /// No mass.
    #[error("mass_kg is {0}; it must be above zero")]
    Mass(f64),
    /// Mirror elements differ.
    #[error(
        "inertia_kg_m2 is not symmetric: elements ({row}, {column}) and ({column}, {row}) differ by {by}"
    )]
    Asymmetric {
        /// Row, from 0.
        row: usize,
        /// Column, from 0.
        column: usize,
        /// Difference, kg·m².
        by: f64,
    },
    /// A principal moment is not above zero.
    #[error("inertia_kg_m2 has a principal moment of {0} kg·m²; all three must be above zero")]
    NotPositive(f64),
    /// The largest principal moment exceeds the sum of the two others.
    #[error(
        "principal moments {0:?} kg·m² break the triangle inequality: the largest exceeds the sum of the others"
    )]
    Triangle([f64; 3]),
}

impl MassProperties {
    /// The inertia tensor as a matrix.
    #[must_use]
    pub fn inertia(&self) -> Matrix3<f64> {
        Matrix3::from_fn(|row, column| self.inertia_kg_m2[row][column])
    }

    /// Principal moments and axes (Jacobi-type symmetric eigenproblem).
    #[must_use]
    pub fn principal(&self) -> Principal {
        principal(&self.inertia())
    }

    /// Torque about the centre of mass per newton of a force along `direction` through `position_m`
    /// (both structural), m.
    #[must_use]
    pub fn arm_m(&self, position_m: [f64; 3], direction: [f64; 3]) -> [f64; 3] {
        let lever = Vector3::from(position_m) - Vector3::from(self.centre_of_mass_m);
        lever.cross(&Vector3::from(direction)).into()
    }

    /// Refuses what no body of ordinary matter can have: numbers that are not finite, no mass, a tensor
    /// that is not symmetric, not positive definite, or outside the triangle inequality of principal
    /// moments (a flat plate, on the edge of it, is accepted).
    ///
    /// # Errors
    /// The first rule that is broken, with the numbers.
    pub fn check(&self) -> Result<(), Unphysical> {
        let inertia = self.inertia();
        let finite = self.mass_kg.is_finite()
            && self.centre_of_mass_m.iter().all(|x| x.is_finite())
            && inertia.iter().all(|x| x.is_finite());
        if !finite {
            return Err(Unphysical::NotFinite);
        }
        if self.mass_kg <= 0.0 {
            return Err(Unphysical::Mass(self.mass_kg));
        }
        for (row, column) in [(0, 1), (0, 2), (1, 2)] {
            let by = inertia[(row, column)] - inertia[(column, row)];
            if by.abs() > ROUNDING * inertia.abs().max() {
                return Err(Unphysical::Asymmetric { row, column, by });
            }
        }
        let moments = principal(&inertia).moments_kg_m2;
        let [a, b, c] = moments;
        if a <= 0.0 {
            return Err(Unphysical::NotPositive(a));
        }
        if c > (a + b) * (1.0 + ROUNDING) {
            return Err(Unphysical::Triangle(moments));
        }
        Ok(())
    }
}

/// Principal moments (ascending) and axes of a symmetric tensor, kg·m².
fn principal(inertia: &Matrix3<f64>) -> Principal {
    let eigen = SymmetricEigen::new((inertia + inertia.transpose()) * 0.5);
    let mut order = [0, 1, 2];
    order.sort_by(|&i, &j| eigen.eigenvalues[i].total_cmp(&eigen.eigenvalues[j]));
    let column = |i: usize| eigen.eigenvectors.column(order[i]).into_owned();
    let (first, second) = (column(0), column(1));
    Principal {
        moments_kg_m2: order.map(|i| eigen.eigenvalues[i]),
        axes: [first.into(), second.into(), first.cross(&second).into()],
    }
}

/// Mass properties in the form the simulator computes with.
#[derive(Clone, Copy, Debug)]
pub struct Composite {
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass, structural axes, m.
    pub centre: Vector3<f64>,
    /// Inertia about the centre of mass, structural axes, kg·m².
    pub inertia: Matrix3<f64>,
}

impl From<Composite> for MassProperties {
    fn from(from: Composite) -> Self {
        let j = &from.inertia;
        Self {
            mass_kg: from.mass,
            centre_of_mass_m: from.centre.into(),
            inertia_kg_m2: [0, 1, 2].map(|row| [0, 1, 2].map(|column| j[(row, column)])),
        }
    }
}

/// The stack, prepared so that draining tanks cost little: the dry part is summed once, about the dry
/// centre of mass; the tanks are added as point masses at each call.
#[derive(Clone, Debug)]
pub struct Stack {
    dry: Composite,
    /// Index of the tank in the vehicle, and its place relative to the dry centre of mass, m.
    tanks: Vec<(usize, Vector3<f64>)>,
}

impl Stack {
    /// Prepares the bodies of `vehicle` named in `present`, with the tanks they carry. A name that the
    /// vehicle does not have adds nothing; scenario validation refuses it.
    #[must_use]
    pub fn new(vehicle: &Vehicle, present: &[String]) -> Self {
        let there = |name: &String| present.contains(name);
        let bodies: Vec<&Body> = vehicle.bodies.iter().filter(|body| there(&body.name)).collect();
        let mass: f64 = bodies.iter().map(|body| body.mass_kg).sum();
        let moment: Vector3<f64> =
            bodies.iter().map(|body| Vector3::from(body.centre_of_mass_m) * body.mass_kg).sum();
        let centre = moment / mass;
        let inertia = bodies.iter().fold(Matrix3::zeros(), |sum, body| {
            let offset = Vector3::from(body.centre_of_mass_m) - centre;
            sum + turned(body) + point_inertia(body.mass_kg, &offset)
        });
        let tanks = vehicle.tanks.iter().enumerate().filter(|(_, tank)| there(&tank.body));
        Self {
            dry: Composite { mass, centre, inertia },
            tanks: tanks.map(|(index, tank)| (index, Vector3::from(tank.position_m) - centre)).collect(),
        }
    }

    /// Mass properties with the given propellant, kg, one entry per tank **of the vehicle** (entries of
    /// tanks that are not in the stack are not looked at). No allocation.
    #[must_use]
    pub fn with_propellant(&self, propellant_kg: &[f64]) -> Composite {
        let mut mass = self.dry.mass;
        let mut moment = Vector3::zeros();
        let mut inertia = self.dry.inertia;
        for &(index, offset) in &self.tanks {
            let propellant = propellant_kg[index];
            mass += propellant;
            moment += offset * propellant;
            inertia += point_inertia(propellant, &offset);
        }
        // From the dry centre of mass to the composite one: parallel axes backwards.
        let shift = moment / mass;
        Composite { mass, centre: self.dry.centre + shift, inertia: inertia - point_inertia(mass, &shift) }
    }

    /// Indices (in the vehicle) of the tanks of this stack.
    pub fn tanks(&self) -> impl Iterator<Item = usize> {
        self.tanks.iter().map(|&(index, _)| index)
    }
}

/// A body's own tensor in structural axes, kg·m².
fn turned(body: &Body) -> Matrix3<f64> {
    let [x, y, z, w] = body.orientation_xyzw;
    let turn = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z)).to_rotation_matrix();
    let own = Matrix3::from_fn(|row, column| body.inertia_kg_m2[row][column]);
    turn * own * turn.transpose()
}

/// Inertia of a point mass (kg) at `d` (m) about the origin of `d`: `m (|d|² 1 - d dᵀ)`, kg·m².
#[must_use]
pub fn point_inertia(mass: f64, d: &Vector3<f64>) -> Matrix3<f64> {
    (Matrix3::identity() * d.norm_squared() - d * d.transpose()) * mass
}

/// Composite mass properties, about the actual centre of mass, of the bodies named in `present` and of
/// the propellant in their tanks. `propellant_kg` has one entry per tank of the vehicle; entries of tanks
/// whose body is absent are not looked at.
///
/// # Panics
/// If `propellant_kg` is shorter than the vehicle's list of tanks.
#[must_use]
pub fn composite(vehicle: &Vehicle, present: &[String], propellant_kg: &[f64]) -> MassProperties {
    Stack::new(vehicle, present).with_propellant(propellant_kg).into()
}

/// Propellant at time zero, kg, one entry per tank of the vehicle.
#[must_use]
pub fn full_tanks(vehicle: &Vehicle) -> Vec<f64> {
    vehicle.tanks.iter().map(|tank| tank.propellant_kg).collect()
}
