//! A part of the stack that is let go.
//!
//! **Parting.** Until then both parts move as one rigid body; each goes on with the velocity its own centre of mass
//! had, `v + ω × r`, and with the rate of the whole. What one loses of linear and angular momentum the other has.
//!
//! **Springs** push for a time that is short against the motion, so that each is an impulse at its place along its
//! direction, on both parts alike and opposite. With `M` the mobility of the pair at the springs (how fast they part at
//! spring `i` along its direction for an impulse at spring `j`, masses and inertias of both parts in it) the impulses `J` make
//! the kinetic energy `½ Jᵀ M J` on top of what there was, for before they push the parts do not move against
//! one another. Springs of the same stroke, pushing as long, push in proportion to their energies; the sum of these energies then gives the size:
//! `½ Jᵀ M J = Σ E`. Left out: what a spring does that has come to its end before the others, turns of the parts
//! during the push, friction, latches that stick, and the load that the push puts on interfaces.
//!
//! **After that** the released part is a free rigid body with the propellant it carried at rest in its tanks. In free space its momenta stay
//! as they are and its attitude follows from its Taylor series ([`Motion::coast`]); in an orbit the gravity
//! gradient turns it. The way between the two centres of mass is what each of them moves in free space, and, in an orbit, what
//! the tide adds: `ρ̈ = n² (3 u (u · ρ) − ρ)` and the push of the jets ([`Gradient::pull`]; first order in distance over orbital radius, a
//! thousandth at seven kilometres in a low orbit), by Nyström's fourth-order method in the steps of the truth.
//! Plumes that would strike the released part do not.

use nalgebra::{DMatrix, DVector, Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};

use super::clearance::Hulls;
use super::frame::Frame;
use super::gradient::Gradient;
use super::motion::{Acting, Inertial, Motion, Outflow, Wrench};
use super::noise::{Source, Stream};
use crate::record::{Momentum, Relative};
use crate::scenario::model::Release;
use crate::stack::Composite;

/// Largest angle that the released part turns in one step, rad.
const STEP_ANGLE: f64 = 0.005;
/// Its longest step in an orbit, s.
const STEP_S: f64 = 1.0;
/// Looks between two cycles while the hulls are nearer than the keep-out distance.
const LOOKS: u32 = 4;

/// A part at the moment of the parting: mass properties in structural axes, velocity of its centre of mass in inertial
/// and rate in body axes.
#[derive(Clone, Copy, Debug)]
pub struct Part {
    /// Mass properties.
    pub mass: Composite,
    /// Velocity of the centre of mass, inertial axes, m/s.
    pub velocity: Vector3<f64>,
    /// Rate, body axes, rad/s.
    pub rate: Vector3<f64>,
}

impl Part {
    /// A part of the whole, just before anything pushes.
    #[must_use]
    pub fn of(mass: Composite, whole: &Inertial, motion: &Motion) -> Self {
        let rate = motion.rate(whole);
        let turning = rate.cross(&(mass.centre - whole.centre));
        let velocity = motion.momentum / whole.mass + motion.attitude.matrix() * turning;
        Self { mass, velocity, rate }
    }

    /// Its momenta: linear, and angular about its own centre of mass, inertial axes.
    fn momenta(&self, motion: &Motion) -> (Vector3<f64>, Vector3<f64>) {
        let spin = self.mass.inertia * self.rate;
        (self.velocity * self.mass.mass, motion.attitude.matrix() * spin)
    }

    /// Its motion as a body of its own; the structural axes stay where they are.
    #[must_use]
    pub fn motion(&self, whole: &Motion) -> Motion {
        let (momentum, spin) = self.momenta(whole);
        let centre = whole.origin + whole.attitude.matrix() * self.mass.centre;
        Motion { momentum, angular: spin + centre.cross(&momentum), ..*whole }
    }

    /// An impulse in structural axes at a place, N·s.
    fn strike(&mut self, motion: &Motion, place: &Vector3<f64>, impulse: &Vector3<f64>) {
        self.velocity += motion.attitude.matrix() * impulse / self.mass.mass;
        self.rate += self.inverse() * (place - self.mass.centre).cross(impulse);
    }

    fn inverse(&self) -> Matrix3<f64> {
        self.mass.inertia.try_inverse().unwrap_or(Matrix3::from_element(f64::NAN))
    }

    /// How fast the place of one spring moves along its direction for an impulse of 1 N·s at another.
    fn mobility(&self, one: &Push, other: &Push) -> f64 {
        let arm = |push: &Push| (push.place - self.mass.centre).cross(&push.direction);
        one.direction.dot(&other.direction) / self.mass.mass + arm(one).dot(&(self.inverse() * arm(other)))
    }
}

/// A spring as it is in this run.
#[derive(Clone, Copy, Debug)]
pub struct Push {
    /// Where, structural axes, m.
    pub place: Vector3<f64>,
    /// Direction of its force on what stays, structural axes.
    pub direction: Vector3<f64>,
    /// Its energy, J.
    pub energy: f64,
}

/// The springs of a release with their scatter.
#[must_use]
pub fn springs(release: &Release, seed: u64) -> Vec<Push> {
    let one = |(number, spring): (u32, &crate::scenario::model::Spring)| {
        let error = release.spring_scatter * Stream::new(seed, Source::Spring(number)).normal();
        Push {
            place: spring.position_m.into(),
            direction: Vector3::from(spring.direction).normalize(),
            energy: spring.energy_j * (1.0 + error).max(0.0),
        }
    };
    (0..).zip(&release.springs).map(one).collect()
}

/// Lets the springs push what stays and what goes away from one another, see the head of this module; impulse
/// of each, N·s.
pub fn spring_apart(motion: &Motion, stays: &mut Part, gone: &mut Part, springs: &[Push]) -> Vec<f64> {
    let count = springs.len();
    let mobility = DMatrix::from_fn(count, count, |i, j| {
        stays.mobility(&springs[i], &springs[j]) + gone.mobility(&springs[i], &springs[j])
    });
    let shares = DVector::from_iterator(count, springs.iter().map(|spring| spring.energy));
    let given = shares.sum();
    let of_shares = 0.5 * shares.dot(&(mobility * &shares));
    let size = if of_shares > 0.0 { (given / of_shares).sqrt() } else { 0.0 };
    let impulses: Vec<f64> = shares.iter().map(|share| share * size).collect();
    for (spring, &impulse) in springs.iter().zip(&impulses) {
        let push = spring.direction * impulse;
        stays.strike(motion, &spring.place, &push);
        gone.strike(motion, &spring.place, &-push);
    }
    impulses
}

/// Linear momentum, and angular momentum about a point that moves with a velocity, inertial axes.
#[must_use]
pub fn momentum_about(
    motion: &Motion,
    mass: &Inertial,
    point: &Vector3<f64>,
    velocity: &Vector3<f64>,
) -> Momentum {
    // About the point, in axes that go with it.
    let away = motion.centre(mass) - point;
    let own = motion.angular_about_centre(mass);
    let orbital = away.cross(&(motion.momentum - velocity * mass.mass));
    Momentum { linear_n_s: motion.momentum.into(), angular_n_m_s: (own + orbital).into() }
}

/// What the tide adds to the way between the centres of mass; inertial axes.
#[derive(Clone, Copy, Debug, Default)]
struct Tide {
    /// m.
    place: Vector3<f64>,
    /// m/s.
    velocity: Vector3<f64>,
}

impl Tide {
    /// One step of Nyström's fourth-order method for `ρ̈ = g(t, ρ)`.
    ///
    /// * `time` — at its start and its end, s; `free` — way without the tide then, m.
    fn step(&mut self, field: &Gradient, time: [f64; 2], free: [Vector3<f64>; 2]) {
        let pull = |time, way: &Vector3<f64>| field.pull(time, &Matrix3::identity(), way);
        let step = time[1] - time[0];
        let (middle, half) = (0.5 * (free[0] + free[1]), 0.5 * step);
        let a = pull(time[0], &(free[0] + self.place));
        let midway = self.place + self.velocity * half + a * (step * step / 8.0);
        let b = pull(time[0] + half, &(middle + midway));
        let end = self.place + self.velocity * step + b * (0.5 * step * step);
        let c = pull(time[1], &(free[1] + end));
        self.place += self.velocity * step + (a + b * 2.0) * (step * step / 6.0);
        self.velocity += (a + b * 4.0 + c) * (step / 6.0);
    }
}

/// The released part beside what stays.
#[derive(Clone, Debug)]
pub struct Released {
    time: f64,
    /// In the frame in which it is at rest.
    motion: Motion,
    frame: Frame,
    mass: Inertial,
    /// Centre of mass of what stays, inertial, m.
    stays: Vector3<f64>,
    tide: Tide,
    hulls: Hulls,
    keep_out_m: f64,
    /// Where the hulls lay when they were last looked at.
    looked: Option<Isometry3<f64>>,
}

impl Released {
    /// Just released.
    ///
    /// * `motion` — in the truth's frame; `stays` — centre of mass of what stays, inertial, m.
    #[must_use]
    pub fn new(
        time: f64,
        (motion, mut frame): (Motion, Frame),
        mass: &Composite,
        stays: Vector3<f64>,
        (hulls, keep_out_m): (Hulls, f64),
    ) -> Self {
        let (mass, mut motion) = (Inertial::new(mass, None, None), motion);
        frame.take_on(motion.come_to_rest(&mass), time);
        Self { time, motion, frame, mass, stays, tide: Tide::default(), hulls, keep_out_m, looked: None }
    }

    /// Its centre of mass without the tide, inertial, m.
    fn centre(&self) -> Vector3<f64> {
        self.frame.place(self.time) + self.motion.centre(&self.mass)
    }

    /// Its velocity without the tide, inertial, m/s.
    fn velocity(&self) -> Vector3<f64> {
        self.frame.velocity() + self.motion.momentum / self.mass.mass
    }

    /// Moves on to a time, s.
    ///
    /// * `stays` — centre of mass of what stays by then, inertial, m: it goes there in a straight line.
    pub fn advance(&mut self, until: f64, stays: Vector3<f64>, field: Option<&Gradient>) {
        let before = self.centre() - self.stays;
        let began = self.time;
        while self.time < until {
            let left = until - self.time;
            let taken = match field {
                None => self.motion.coast(&self.mass, left, STEP_ANGLE).0,
                Some(field) => self.turn(left, field),
            };
            self.time = if taken < left { self.time + taken } else { until };
        }
        self.stays = stays;
        if let Some(field) = field.filter(|_| until > began) {
            let after = self.centre() - stays;
            self.tide.step(field, [began, until], [before, after]);
        }
    }

    /// One step of at most `left` s under the gravity gradient; returns the step, s.
    fn turn(&mut self, left: f64, field: &Gradient) -> f64 {
        let longest = (STEP_ANGLE / self.motion.rate(&self.mass).norm()).min(STEP_S);
        let step = left / (left / longest).ceil().max(1.0);
        let acting = Acting {
            mass: [self.mass; 3],
            jets: [Wrench::default(); 3],
            burn: None,
            disturbance: Wrench::default(),
            outflow: Outflow::default(),
            gradient: Some(*field),
            time: [self.time, self.time + 0.5 * step, self.time + step],
            instrument: None,
        };
        self.motion.push(&acting, step);
        step
    }

    /// Attitude, body into inertial.
    #[must_use]
    pub fn attitude(&self) -> super::attitude::Attitude {
        self.motion.attitude
    }

    /// Rate, its own body axes, rad/s.
    #[must_use]
    pub fn rate_rad_s(&self) -> [f64; 3] {
        self.motion.rate(&self.mass).into()
    }

    /// Its centre of mass from that of what stays, inertial axes, m.
    #[must_use]
    pub fn place_m(&self) -> [f64; 3] {
        self.place().into()
    }

    /// How fast that changes, m/s.
    ///
    /// * `stays` — velocity of what stays without the tide, m/s.
    #[must_use]
    pub fn velocity_m_s(&self, stays: &Vector3<f64>) -> [f64; 3] {
        (self.velocity() + self.tide.velocity - stays).into()
    }

    /// Kinetic energy about its centre of mass, J.
    #[must_use]
    pub fn rotational_energy_j(&self) -> f64 {
        self.motion.energy(&self.mass)
    }

    /// Momenta of its own, inertial axes: linear, with what the tide has given it against what stays; angular about its centre of mass.
    #[must_use]
    pub fn momentum(&self) -> Momentum {
        let linear = (self.velocity() + self.tide.velocity) * self.mass.mass;
        let angular = self.motion.angular_about_centre(&self.mass);
        Momentum { linear_n_s: linear.into(), angular_n_m_s: angular.into() }
    }

    /// Looks at the released part from what stays.
    ///
    /// * `stays` — motion and mass properties of what stays.
    pub fn look(&mut self, (stays, mass): (&Motion, &Inertial), field: Option<&Gradient>) -> Relative {
        let lies = self.lies(stays, mass);
        let mut clearance_m = self.hulls.distance_m(&lies);
        if let Some(before) = self.looked.filter(|_| clearance_m < self.keep_out_m) {
            for look in 1..LOOKS {
                let share = f64::from(look) / f64::from(LOOKS);
                if let Some(between) = before.try_lerp_slerp(&lies, share, 1e-12) {
                    clearance_m = clearance_m.min(self.hulls.distance_m(&between));
                }
            }
        }
        self.looked = Some(lies);
        let place = self.place();
        let position_m = field.map_or(place, |field| field.axes(self.time).tr_mul(&place)).into();
        let rate_rad_s = self.motion.rate(&self.mass).norm();
        Relative { position_m, clearance_m, rate_rad_s }
    }

    fn place(&self) -> Vector3<f64> {
        self.centre() - self.stays + self.tide.place
    }

    /// Structural axes that the released part carries along, as they lie in those of what stays.
    fn lies(&self, stays: &Motion, mass: &Inertial) -> Isometry3<f64> {
        let turn = stays.attitude.matrix();
        let own = self.motion.attitude.matrix();
        let origin = mass.centre + turn.tr_mul(&(self.place() - own * self.mass.centre));
        let turned =
            UnitQuaternion::from_rotation_matrix(&Rotation3::from_matrix_unchecked(turn.tr_mul(&own)));
        Isometry3::from_parts(Translation3::from(origin), turned)
    }
}
