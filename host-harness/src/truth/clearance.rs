//! How far two parts of the stack are from one another: least distance between their hulls.
//!
//! Hulls are the boxes and cylinders of the vehicle file, so that the distance is that between the nearest pair. Each
//! pair is convex, and its distance is found by the method of Gilbert, Johnson and Keerthi (1988), as the crate `parry3d`
//! has it: at most a hundred-thousandth too long beside another method (`tests/truth_release.rs`). Hulls that touch or lie within one another are at distance 0: how deep is not told.

use nalgebra::{Isometry3, Quaternion, Translation3, UnitQuaternion, Vector3};
use parry3d_f64::math::{Pose, Rotation, Vector};
use parry3d_f64::query::gjk::{CsoPoint, GJKResult, VoronoiSimplex, closest_points};
use parry3d_f64::shape::{Cuboid, Cylinder, SupportMap};

use crate::scenario::model::{Body, Hull, Vehicle};

/// A convex hull, in the axes of a structure.
#[derive(Clone, Debug)]
struct Placed {
    shape: Shape,
    /// Own axes into structural axes.
    pose: Pose,
    /// Radius of the ball around the hull, m.
    reach: f64,
}

#[derive(Clone, Debug)]
enum Shape {
    Box(Cuboid),
    Cylinder(Cylinder),
}

impl Placed {
    fn new(body: &Body) -> Self {
        let [x, y, z, w] = body.orientation_xyzw;
        let turn = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
        let place = Vector3::from(body.centre_of_mass_m) + turn * Vector3::from(body.hull_offset_m);
        let (shape, own) = match body.hull {
            Hull::Box(sides) => {
                (Shape::Box(Cuboid::new(Vector::from(sides) * 0.5)), UnitQuaternion::identity())
            }
            // Here a cylinder stands along x, there along y.
            Hull::Cylinder { radius_m, length_m } => (
                Shape::Cylinder(Cylinder::new(0.5 * length_m, radius_m)),
                UnitQuaternion::from_axis_angle(&Vector3::z_axis(), -std::f64::consts::FRAC_PI_2),
            ),
        };
        let reach = match body.hull {
            Hull::Box(sides) => 0.5 * Vector3::from(sides).norm(),
            Hull::Cylinder { radius_m, length_m } => radius_m.hypot(0.5 * length_m),
        };
        let pose = pose(&Isometry3::from_parts(Translation3::from(place), turn * own));
        Self { shape, pose, reach }
    }

    fn support(&self) -> &dyn SupportMap {
        match &self.shape {
            Shape::Box(shape) => shape,
            Shape::Cylinder(shape) => shape,
        }
    }
}

/// Hulls of two parts of a stack, each in the structural axes that it carries along.
#[derive(Clone, Debug)]
pub struct Hulls {
    stays: Vec<Placed>,
    gone: Vec<Placed>,
}

impl Hulls {
    /// Of the bodies named; a name that the vehicle does not have adds nothing.
    #[must_use]
    pub fn new(vehicle: &Vehicle, stays: &[String], gone: &[String]) -> Self {
        let of = |names: &[String]| {
            vehicle.bodies.iter().filter(|body| names.contains(&body.name)).map(Placed::new).collect()
        };
        Self { stays: of(stays), gone: of(gone) }
    }

    /// Least distance between the two parts, m; infinite where one has no hull.
    ///
    /// * `moved` — structural axes of what went, as they lie in those of what stays.
    #[must_use]
    pub fn distance_m(&self, moved: &Isometry3<f64>) -> f64 {
        let moved = pose(moved);
        let mut least = f64::INFINITY;
        for gone in &self.gone {
            let placed = moved * gone.pose;
            for stays in &self.stays {
                // Nothing on two balls is nearer than they are.
                let apart = (placed.translation - stays.pose.translation).length();
                if apart - gone.reach - stays.reach < least {
                    least = least.min(distance(stays, gone, &stays.pose.inv_mul(&placed)));
                }
            }
        }
        least
    }
}

fn pose(of: &Isometry3<f64>) -> Pose {
    let (place, turn) = (&of.translation.vector, of.rotation.coords);
    Pose::from_parts(
        Vector::new(place.x, place.y, place.z),
        Rotation::from_xyzw(turn.x, turn.y, turn.z, turn.w),
    )
}

/// Distance between two hulls, m.
///
/// * `second_in_first` — own axes of the second in those of the first.
fn distance(first: &Placed, second: &Placed, second_in_first: &Pose) -> f64 {
    let mut simplex = VoronoiSimplex::new();
    // Where the search ends without an answer it is begun from another side.
    let toward = -second_in_first.translation;
    for from in [toward, Vector::X, Vector::Y, Vector::Z] {
        let Some(direction) = from.try_normalize() else { continue };
        simplex.reset(CsoPoint::from_shapes(second_in_first, first.support(), second.support(), direction));
        let found =
            closest_points(second_in_first, first.support(), second.support(), f64::MAX, true, &mut simplex);
        match found {
            GJKResult::ClosestPoints(one, other, _) => return (one - other).length(),
            GJKResult::Intersection => return 0.0,
            GJKResult::Proximity(_) | GJKResult::NoIntersection(_) => {}
        }
    }
    0.0
}
