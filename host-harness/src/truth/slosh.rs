//! Sloshing propellant: part of a tank's liquid as a spherical pendulum.
//!
//! Model, for any angle: a point of mass `m` on a massless rigid rod of length `L` that turns freely about a
//! pivot fixed in the structure, with a linear damper there. What is not a pendulum is one rigid body, the
//! *rest*. With `n` the direction from pivot to liquid and `v` the velocity of the liquid, the rod can push
//! and pull along `n` only, so that `q = n × v` changes with the direction of the rod and by the damper:
//!
//! `dn/dt = (v - v_pivot) / L`, `dq/dt = dn/dt × v - d L n × (dn/dt - ω × n)`,
//!
//! `d` the damping, `v = q × n + n s`. The speeds `s` along the rods are those of the pivots, and the rest's
//! momenta are those of the whole less the liquids': linear equations for `s`, as many as there are rods. No
//! force of the jets appears in them: liquid in a tank knows of a push by the structure's motion alone. In
//! free fall nothing draws the rod anywhere; it moves by inertia until the damper has stopped it. Linear and
//! angular momentum of the whole obey the same equations as without liquid.
//!
//! Left out: surface tension, the higher modes of the surface, what a tank's walls and baffles do beyond the
//! damper, the gravity gradient. The swinging part is never drawn from a tank.

use super::motion::Wrench;
use crate::scenario::model::{Slosh, Vehicle};
use crate::stack::{Composite, point_inertia};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

/// Pendulums there may be.
pub const MOST: usize = 2;

/// The pendulum of one tank.
#[derive(Clone, Copy, Debug)]
struct Pendulum {
    /// kg; zero for one that is not there.
    mass: f64,
    /// Where the tank's liquid counts as long as it does not swing, structural, m.
    place: Vector3<f64>,
    pivot: Vector3<f64>,
    length: f64,
    /// 1/s.
    damping: f64,
    /// From the pivot to the liquid at time zero, structural unit vector.
    start: Vector3<f64>,
}

/// The swinging liquids of a stack.
#[derive(Clone, Debug)]
pub struct Pendulums([Pendulum; MOST]);

/// State of one pendulum, inertial components.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Swing {
    /// The `n` of the model: from pivot to liquid.
    pub along: Vector3<f64>,
    /// The `q` of the model, m/s.
    pub turning: Vector3<f64>,
}

/// The rest of the stack as it carries the pendulums of the moment.
#[derive(Clone, Copy, Debug)]
pub struct Carrier {
    /// kg.
    mass: f64,
    /// Centre of mass, structural, m.
    centre: Vector3<f64>,
    /// About the centre of mass, structural axes, kg·m², and its inverse.
    inertia: Matrix3<f64>,
    inverse: Matrix3<f64>,
    pendulums: [Pendulum; MOST],
}

/// Velocities that go with the momenta of the moment.
#[derive(Clone, Copy, Debug)]
pub struct Speeds {
    /// Of the rest, body axes, rad/s.
    pub rate: Vector3<f64>,
    /// Of the rest's centre of mass, inertial, m/s.
    centre: Vector3<f64>,
    /// Of the liquids, inertial, m/s.
    liquids: [Vector3<f64>; MOST],
}

impl Pendulums {
    /// The pendulums of tanks that are there; `None` without one. Those beyond [`MOST`] are not looked at;
    /// scenario validation refuses them.
    #[must_use]
    pub fn new(vehicle: &Vehicle, sloshes: &[Slosh], present: &[String]) -> Option<Self> {
        let zero = Vector3::zeros();
        let none = Pendulum { mass: 0.0, place: zero, pivot: zero, length: 1.0, damping: 0.0, start: zero };
        let mut made = [none; MOST];
        let there = sloshes.iter().filter_map(|slosh| {
            let tank = vehicle.tanks.iter().find(|tank| tank.name == slosh.tank)?;
            present.contains(&tank.body).then(|| Pendulum {
                mass: slosh.mass_kg,
                place: tank.position_m.into(),
                pivot: slosh.pivot_m.into(),
                length: slosh.length_m,
                damping: slosh.damping_per_s,
                start: slosh.hangs_along.into(),
            })
        });
        let count = made.iter_mut().zip(there).map(|(slot, one)| *slot = one).count();
        (count > 0).then_some(Self(made))
    }

    /// The rest, `whole` being the stack with all liquid at its place in the tanks.
    #[must_use]
    pub fn carrier(&self, whole: &Composite) -> Carrier {
        let mut rest = *whole;
        for one in &self.0 {
            let mass = rest.mass - one.mass;
            let centre = (rest.centre * rest.mass - one.place * one.mass) / mass;
            rest.inertia += point_inertia(rest.mass, &(rest.centre - centre))
                - point_inertia(one.mass, &(one.place - centre));
            (rest.mass, rest.centre) = (mass, centre);
        }
        Carrier {
            mass: rest.mass,
            centre: rest.centre,
            inertia: rest.inertia,
            // Never singular: a body of ordinary matter is left.
            inverse: rest.inertia.try_inverse().unwrap_or(Matrix3::from_element(f64::NAN)),
            pendulums: self.0,
        }
    }

    /// Directions at the start, inertial, at no speed; `turn` takes body into inertial components.
    #[must_use]
    pub fn hanging(&self, turn: &Matrix3<f64>) -> [Swing; MOST] {
        self.0.map(|one| Swing { along: turn * one.start, turning: Vector3::zeros() })
    }
}

impl Pendulum {
    /// From the structural origin to the liquid, inertial, m.
    fn liquid(&self, swing: &Swing, turn: &Matrix3<f64>) -> Vector3<f64> {
        turn * self.pivot + swing.along * self.length
    }
}

impl Carrier {
    /// Every pendulum with its state.
    fn each<'a>(&'a self, swings: &'a [Swing; MOST]) -> impl Iterator<Item = (&'a Pendulum, &'a Swing)> {
        self.pendulums.iter().zip(swings)
    }

    /// Centre of mass of the whole less the structural origin, inertial, m.
    #[must_use]
    pub fn lever(&self, turn: &Matrix3<f64>, swings: &[Swing; MOST]) -> Vector3<f64> {
        let start = (turn * self.centre * self.mass, self.mass);
        let (moment, mass) = self.each(swings).fold(start, |(moment, mass), (one, swing)| {
            (moment + one.liquid(swing, turn) * one.mass, mass + one.mass)
        });
        moment / mass
    }

    /// Swings at rest against the structure, which turns at `rate`, inertial, rad/s, about a centre of mass
    /// at rest; and the angular momentum of the whole about it, inertial, N·m·s.
    #[must_use]
    pub fn at_rest(
        &self,
        turn: &Matrix3<f64>,
        rate: &Vector3<f64>,
        mut swings: [Swing; MOST],
    ) -> ([Swing; MOST], Vector3<f64>) {
        let lever = self.lever(turn, &swings);
        let offset = turn * self.centre - lever;
        let mut spin = turn * (self.inertia * (turn.tr_mul(rate)));
        spin += offset.cross(&(rate.cross(&offset))) * self.mass;
        for (one, swing) in self.pendulums.iter().zip(&mut swings) {
            let offset = one.liquid(swing, turn) - lever;
            let velocity = rate.cross(&offset);
            swing.turning = swing.along.cross(&velocity);
            spin += offset.cross(&velocity) * one.mass;
        }
        (swings, spin)
    }

    /// The velocities.
    ///
    /// * `turn` — body into inertial components; `moving`, `all` — momentum of structure and liquids, and with
    ///   it that of the flow in the feed lines, whose moment about the rest's centre of mass is left out;
    ///   inertial, N·s;
    /// * `spin` — angular momentum about the structural origin, inertial, N·m·s.
    #[must_use]
    pub fn speeds(
        &self,
        turn: &Matrix3<f64>,
        (moving, all): (&Vector3<f64>, &Vector3<f64>),
        spin: &Vector3<f64>,
        swings: &[Swing; MOST],
    ) -> Speeds {
        let centre = turn * self.centre;
        // What the rest has when the liquids' motion across their rods is taken off.
        let (mut linear, mut angular) = (*moving, spin - centre.cross(all));
        for (one, swing) in self.each(swings) {
            let across = swing.turning.cross(&swing.along) * one.mass;
            linear -= across;
            angular -= (one.liquid(swing, turn) - centre).cross(&across);
        }
        // Body axes from here on: speed of a rod's pivot along the rod per unit of the rest's velocities.
        let (linear, angular) = (turn.tr_mul(&linear), turn.tr_mul(&angular));
        let rods: [_; MOST] = std::array::from_fn(|i| {
            let along = turn.tr_mul(&swings[i].along);
            (along, (self.pendulums[i].pivot - self.centre).cross(&along), self.pendulums[i].mass)
        });
        let own = Vector2::from_fn(|i, _| {
            let (along, about, _) = rods[i];
            along.dot(&linear) / self.mass + about.dot(&(self.inverse * angular))
        });
        let carried = Matrix2::from_fn(|i, j| {
            let ((along, about, _), (other, other_about, mass)) = (rods[i], rods[j]);
            let moved = along.dot(&other) / self.mass + about.dot(&(self.inverse * other_about));
            f64::from(u8::from(i == j)) + moved * mass
        });
        // One plus a product of matrices without negative eigenvalues: never singular.
        let speeds = carried.try_inverse().unwrap_or(Matrix2::from_element(f64::NAN)) * own;
        let (mut linear, mut angular) = (linear, angular);
        for ((along, about, mass), speed) in rods.iter().zip(&speeds) {
            linear -= along * (mass * speed);
            angular -= about * (mass * speed);
        }
        let liquids =
            std::array::from_fn(|i| swings[i].turning.cross(&swings[i].along) + swings[i].along * speeds[i]);
        Speeds { rate: self.inverse * angular, centre: turn * linear / self.mass, liquids }
    }

    /// Velocity of the structural origin, inertial, m/s.
    #[must_use]
    pub fn origin(&self, turn: &Matrix3<f64>, speeds: &Speeds) -> Vector3<f64> {
        speeds.centre - turn * speeds.rate.cross(&self.centre)
    }

    /// Velocities of the rods' directions, inertial, 1/s; zero for one that is not there.
    fn turning(&self, turn: &Matrix3<f64>, speeds: &Speeds) -> [Vector3<f64>; MOST] {
        let origin = self.origin(turn, speeds);
        std::array::from_fn(|i| match &self.pendulums[i] {
            one if one.mass > 0.0 => {
                (speeds.liquids[i] - origin - turn * speeds.rate.cross(&one.pivot)) / one.length
            }
            _ => Vector3::zeros(),
        })
    }

    /// Velocities of the rods' directions against the structure, inertial axes, 1/s.
    fn against(&self, turn: &Matrix3<f64>, speeds: &Speeds, swings: &[Swing; MOST]) -> [Vector3<f64>; MOST] {
        let (turning, rate) = (self.turning(turn, speeds), turn * speeds.rate);
        std::array::from_fn(|i| turning[i] - rate.cross(&swings[i].along))
    }

    /// Time derivative of the state.
    #[must_use]
    pub fn slope(&self, turn: &Matrix3<f64>, speeds: &Speeds, swings: &[Swing; MOST]) -> [Swing; MOST] {
        let (turning, against) = (self.turning(turn, speeds), self.against(turn, speeds, swings));
        std::array::from_fn(|i| {
            let one = &self.pendulums[i];
            let damped = swings[i].along.cross(&against[i]) * (one.damping * one.length);
            Swing { along: turning[i], turning: turning[i].cross(&speeds.liquids[i]) - damped }
        })
    }

    /// Kinetic energy less that of the centre of mass, J.
    #[must_use]
    pub fn energy(&self, speeds: &Speeds, momentum: &Vector3<f64>) -> f64 {
        let rest = speeds.rate.dot(&(self.inertia * speeds.rate)) + speeds.centre.norm_squared() * self.mass;
        let parts = self.pendulums.iter().zip(&speeds.liquids);
        let (twice, mass) = parts.fold((rest, self.mass), |(twice, mass), (one, velocity)| {
            (twice + velocity.norm_squared() * one.mass, mass + one.mass)
        });
        0.5 * (twice - momentum.norm_squared() / mass)
    }

    /// Angle of each liquid from where it hung at time zero, as seen from the structure, rad.
    #[must_use]
    pub fn angles(&self, turn: &Matrix3<f64>, swings: &[Swing; MOST]) -> [f64; MOST] {
        std::array::from_fn(|i| {
            let (now, start) = (turn.tr_mul(&swings[i].along), self.pendulums[i].start);
            now.cross(&start).norm().atan2(now.dot(&start))
        })
    }

    /// Speed of each liquid against its tank, m/s.
    #[must_use]
    pub fn slosh_speeds(&self, turn: &Matrix3<f64>, speeds: &Speeds, swings: &[Swing; MOST]) -> [f64; MOST] {
        let against = self.against(turn, speeds, swings);
        std::array::from_fn(|i| against[i].norm() * self.pendulums[i].length)
    }

    /// About the highest rate at which the rods' state changes under this push on the rest, were the rest
    /// without liquid; 1/s.
    #[must_use]
    pub fn quickest(&self, turn: &Matrix3<f64>, speeds: &Speeds, push: &Wrench) -> f64 {
        let turning = self.turning(turn, speeds);
        let pushed = push.force.norm() / self.mass;
        let turned = (self.inverse * push.about(&self.centre)).norm() + speeds.rate.norm_squared();
        let one = |(one, turning): (&Pendulum, &Vector3<f64>)| {
            let felt = pushed + turned * (one.pivot - self.centre).norm();
            turning.norm() + (felt / one.length).sqrt() + one.damping * (1.0 + one.mass / self.mass)
        };
        self.pendulums.iter().zip(&turning).filter(|(one, _)| one.mass > 0.0).map(one).fold(0.0, f64::max)
    }
}

impl Swing {
    /// `self + step * slope`.
    #[must_use]
    pub fn moved(&self, slope: &Self, step: f64) -> Self {
        Self { along: self.along + slope.along * step, turning: self.turning + slope.turning * step }
    }

    /// With the direction of length one and what turns it across it, as they are but for rounding; the state
    /// of no pendulum stays zero.
    #[must_use]
    pub fn tidied(&self) -> Self {
        let along = self.along.try_normalize(0.0).unwrap_or_default();
        Self { along, turning: self.turning - along * along.dot(&self.turning) }
    }
}
