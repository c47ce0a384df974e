//! The equations of motion and one step of their integration.
//!
//! State: linear momentum and angular momentum of the stack **about an inertially fixed point**, in
//! inertial components; attitude; place of the structural origin. Body rate is not a state: it follows
//! as `ω = R J⁻¹ Rᵀ (H - x_c × P)`, with the inertia and the centre of mass of the moment.
//!
//! Expelled propellant takes away the momentum it had as part of the rotating structure **at the jet**, so
//! that jet damping needs no term of its own. Its mass goes missing **at the tank**: on the way it has
//! moved along the feed line, and the structure has moved the other way by `Δm (jet - tank) / M`. Without
//! that recoil a firing would turn a drifting vehicle, and the motion would depend on the frame it is
//! looked at from. The angular momentum about the centre of mass of the flow in the lines depends on their
//! routing, is gone when the valve closes, and is left out.

use super::attitude::Attitude;
use super::gradient::Gradient;
use super::joints::{Bend, Coupling, Joints};
use super::slosh::{self, Carrier, Pendulums, Speeds, Swing};
use crate::stack::{Composite, point_inertia};
use nalgebra::{Matrix3, Vector2, Vector3};

/// State of the rigid body but for its mass.
#[derive(Clone, Copy, Debug)]
pub struct Motion {
    /// Attitude, body to inertial.
    pub attitude: Attitude,
    /// Linear momentum, inertial, N·s.
    pub momentum: Vector3<f64>,
    /// Angular momentum about the inertial origin, inertial, N·m·s.
    pub angular: Vector3<f64>,
    /// Structural origin, inertial, m; with joints, where it would be if they were straight.
    pub origin: Vector3<f64>,
    /// Sprung joints; zero without any.
    pub bend: Bend,
    /// Swinging liquids; zero without any.
    pub swings: [Swing; slosh::MOST],
}

/// Mass properties with the inverse of the inertia.
#[derive(Clone, Copy, Debug)]
pub struct Inertial {
    /// Mass, kg.
    pub mass: f64,
    /// Centre of mass, structural, m.
    pub centre: Vector3<f64>,
    /// Inertia about the centre of mass, structural axes, kg·m².
    pub inertia: Matrix3<f64>,
    /// Its inverse, 1/(kg·m²).
    pub inverse: Matrix3<f64>,
    /// Sprung joints, if any.
    pub coupling: Option<Coupling>,
    /// What carries swinging liquids, if any; mass, centre of mass and inertia above have them at rest in
    /// their tanks.
    pub carrier: Option<Carrier>,
}

impl Inertial {
    /// A tensor that has no inverse gives NaN rates; [`super::Truth::new`] refuses it first.
    #[must_use]
    pub fn new(of: &Composite, joints: Option<&Joints>, pendulums: Option<&Pendulums>) -> Self {
        let inverse = of.inertia.try_inverse().unwrap_or(Matrix3::from_element(f64::NAN));
        let coupling = joints.map(|joints| joints.coupling(of, &inverse));
        let carrier = pendulums.map(|pendulums| pendulums.carrier(of));
        Self { mass: of.mass, centre: of.centre, inertia: of.inertia, inverse, coupling, carrier }
    }

    /// Body rate and joint rates, rad/s, for this angular momentum about the centre of mass, body axes.
    fn rates(&self, spin: &Vector3<f64>, bend: &Bend) -> (Vector3<f64>, Vector2<f64>) {
        match &self.coupling {
            None => (self.inverse * spin, Vector2::zeros()),
            Some(coupling) => coupling.rates(&self.inverse, spin, bend),
        }
    }
}

/// Force, and torque about the structural origin; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Wrench {
    /// Force, N.
    pub force: Vector3<f64>,
    /// Torque about the structural origin, N·m.
    pub torque: Vector3<f64>,
    /// Torque about the joints of what pushes at bodies they carry, N·m.
    pub joints: Vector2<f64>,
}

impl Wrench {
    /// Torque about `centre`, N·m.
    #[must_use]
    pub fn about(&self, centre: &Vector3<f64>) -> Vector3<f64> {
        self.torque - centre.cross(&self.force)
    }

    /// Adds `other`, `times` times.
    pub fn add(&mut self, other: &Self, times: f64) {
        self.force += other.force * times;
        self.torque += other.torque * times;
        self.joints += other.joints * times;
    }

    /// Whether it does nothing.
    #[must_use]
    pub fn is_zero(&self) -> bool {
        self.force == Vector3::zeros() && self.torque == Vector3::zeros()
    }
}

/// Propellant leaving at the jets: mean flow over a step and its moments about the structural origin.
#[derive(Clone, Copy, Debug, Default)]
pub struct Outflow {
    /// Σ flow, kg/s.
    pub flow: f64,
    /// Σ flow · place, kg·m/s.
    pub first: Vector3<f64>,
    /// Σ flow · (|s|² 1 - s sᵀ), kg·m²/s.
    pub second: Matrix3<f64>,
    /// Σ flow · (place - tank), kg·m/s: momentum of the flow in the feed lines, body axes.
    pub line: Vector3<f64>,
}

impl Outflow {
    /// Adds `flow` kg/s leaving at `place`, structural, m, having come along `line`, m.
    pub fn add(&mut self, flow: f64, place: &Vector3<f64>, line: &Vector3<f64>) {
        self.flow += flow;
        self.line += line * flow;
        self.first += place * flow;
        self.second += point_inertia(flow, place);
    }
}

/// A burning main engine during one step.
#[derive(Clone, Copy, Debug)]
pub struct Burn {
    /// Its push at start, middle and end.
    pub push: [Wrench; 3],
    /// Its mean propellant flow, part of [`Acting::outflow`], kg/s.
    pub flow: f64,
    /// Where that leaves, structural, m.
    pub pivot: Vector3<f64>,
}

/// What acts during one step: values at its start, middle and end.
#[derive(Clone, Copy, Debug)]
pub struct Acting {
    /// Mass properties.
    pub mass: [Inertial; 3],
    /// Jets.
    pub jets: [Wrench; 3],
    /// Main engine; `None` while it is quiet.
    pub burn: Option<Burn>,
    /// Disturbances, the same throughout.
    pub disturbance: Wrench,
    /// Propellant leaving.
    pub outflow: Outflow,
    /// Gravity gradient of the orbit, if any.
    pub gradient: Option<Gradient>,
    /// Time since time zero, s.
    pub time: [f64; 3],
    /// Place of an accelerometer, structural, m.
    pub instrument: Option<Vector3<f64>>,
}

/// Time derivative of the state, and that of the books.
#[derive(Clone, Copy)]
struct Slope {
    motion: Motion,
    turned: Turned,
}

/// Time integrals over a step, body axes, N·m·s unless said otherwise; or, at a moment, what is integrated.
#[derive(Clone, Copy, Debug)]
pub struct Turned {
    /// Of `ω × H`.
    pub gyroscopic: Vector3<f64>,
    /// Of the jets' torque about the actual centre of mass.
    pub jets: Vector3<f64>,
    /// The same of the main engine, less the angular momentum that its propellant takes along.
    pub engine: Vector3<f64>,
    /// The same of disturbances and gravity gradient.
    pub disturbance: Vector3<f64>,
    /// Of what an accelerometer counts beside the change of its velocity ([`super::accelerometer`]), m/s.
    pub counted: Vector3<f64>,
}

impl Motion {
    /// Centre of mass less the structural origin, inertial, m.
    fn lever(&self, turn: &Matrix3<f64>, mass: &Inertial) -> Vector3<f64> {
        mass.carrier.map_or_else(|| turn * mass.centre, |carrier| carrier.lever(turn, &self.swings))
    }

    /// Velocities with liquid that swings; those of the flow in the feed lines left out.
    fn speeds(&self, turn: &Matrix3<f64>, carrier: &Carrier, line: &Vector3<f64>) -> Speeds {
        let moving = self.momentum - turn * line;
        let about_origin = self.angular - self.origin.cross(&self.momentum);
        carrier.speeds(turn, (&moving, &self.momentum), &about_origin, &self.swings)
    }

    /// Centre of mass, inertial, m.
    #[must_use]
    pub fn centre(&self, mass: &Inertial) -> Vector3<f64> {
        self.origin + self.lever(&self.attitude.matrix(), mass)
    }

    /// Angular momentum about the centre of mass, inertial, N·m·s.
    #[must_use]
    pub fn angular_about_centre(&self, mass: &Inertial) -> Vector3<f64> {
        self.angular - self.centre(mass).cross(&self.momentum)
    }

    /// The same in body axes, N·m·s: `J ω`, and what swinging joints and liquids add.
    #[must_use]
    pub fn body_momentum(&self, mass: &Inertial) -> Vector3<f64> {
        self.attitude.matrix().tr_mul(&self.angular_about_centre(mass))
    }

    /// Body rate, rad/s; with joints, that of the bodies they do not carry; with liquid that swings, that of
    /// the structure.
    #[must_use]
    pub fn rate(&self, mass: &Inertial) -> Vector3<f64> {
        match &mass.carrier {
            None => mass.rates(&self.body_momentum(mass), &self.bend).0,
            Some(carrier) => self.still_lines(carrier).1.rate,
        }
    }

    /// Kinetic energy about the centre of mass and what bent joints hold, J.
    #[must_use]
    pub fn energy(&self, mass: &Inertial) -> f64 {
        if let Some(carrier) = &mass.carrier {
            return carrier.energy(&self.still_lines(carrier).1, &self.momentum);
        }
        let spin = self.body_momentum(mass);
        let (rate, joints) = mass.rates(&spin, &self.bend);
        let rigid = 0.5 * rate.dot(&spin);
        mass.coupling.map_or(rigid, |coupling| rigid + coupling.energy(&self.bend, &joints))
    }

    /// Velocities of structure and liquids as they would be without flow in the feed lines, and the turn from
    /// body into inertial components: while a jet fires the structure goes slower than this by the flow's
    /// momentum, a few micrometres a second.
    #[must_use]
    pub fn still_lines(&self, carrier: &Carrier) -> (Matrix3<f64>, Speeds) {
        let turn = self.attitude.matrix();
        (turn, self.speeds(&turn, carrier, &Vector3::zeros()))
    }

    /// Inertial velocity of a place in the structure in body components, without flow in the feed lines, m/s.
    ///
    /// * `place` — structural, m.
    #[must_use]
    pub fn velocity_of(&self, place: &Vector3<f64>, mass: &Inertial) -> Vector3<f64> {
        match &mass.carrier {
            None => still_at(&self.attitude.matrix(), &self.momentum, mass, (&self.rate(mass), place)),
            Some(carrier) => {
                let (turn, speeds) = self.still_lines(carrier);
                turn.tr_mul(&carrier.origin(&turn, &speeds)) + speeds.rate.cross(place)
            }
        }
    }

    /// Goes over to the inertial frame in which the centre of mass is at rest at the origin. Returns where that was and
    /// how fast, inertial, m, m/s.
    pub fn come_to_rest(&mut self, mass: &Inertial) -> (Vector3<f64>, Vector3<f64>) {
        let (centre, velocity) = (self.centre(mass), self.momentum / mass.mass);
        self.angular = self.angular_about_centre(mass);
        self.momentum = Vector3::zeros();
        self.origin -= centre;
        for swing in &mut self.swings {
            swing.turning -= swing.along.cross(&velocity);
        }
        (centre, velocity)
    }

    fn moved(&self, slope: &Motion, step: f64) -> Self {
        Self {
            attitude: self.attitude.moved(slope.attitude, step),
            momentum: self.momentum + slope.momentum * step,
            angular: self.angular + slope.angular * step,
            origin: self.origin + slope.origin * step,
            bend: self.bend.moved(&slope.bend, step),
            swings: std::array::from_fn(|i| self.swings[i].moved(&slope.swings[i], step)),
        }
    }

    /// Time derivative at the start, middle or end of the step: `moment` 0, 1 or 2.
    fn slope(&self, acting: &Acting, moment: usize) -> Slope {
        let (mass, outflow) = (&acting.mass[moment], &acting.outflow);
        let turn = self.attitude.matrix();
        let lever = self.lever(&turn, mass);
        let spin = self.angular - (self.origin + lever).cross(&self.momentum);
        let body_spin = turn.tr_mul(&spin);
        let carried =
            mass.carrier.as_ref().map(|carrier| (carrier, self.speeds(&turn, carrier, &outflow.line)));
        let (rate, joint_rates) = match &carried {
            None => mass.rates(&body_spin, &self.bend),
            Some((_, speeds)) => (speeds.rate, Vector2::zeros()),
        };
        let inertial_rate = turn * rate;
        let velocity = match &carried {
            // The structure at the centre of mass carries the momentum that the flow in the lines does not;
            // from there to the structural origin.
            None => (self.momentum - turn * outflow.line) / mass.mass - inertial_rate.cross(&lever),
            Some((carrier, speeds)) => carrier.origin(&turn, speeds),
        };
        let first = turn * outflow.first;
        let lost = velocity * outflow.flow + inertial_rate.cross(&first);
        let mut wrench = acting.jets[moment];
        if let Some(burn) = &acting.burn {
            wrench.add(&burn.push[moment], 1.0);
        }
        wrench.add(&acting.disturbance, 1.0);
        let net = turn * wrench.force - lost;
        let field = acting.gradient.as_ref();
        let gradient = field.map(|field| field.torque(acting.time[moment], &turn, &mass.inertia));
        let torque = gradient.map_or(wrench.torque, |gradient| wrench.torque + gradient);
        let turning = turn * (torque - outflow.second * rate) - first.cross(&velocity);
        let bend = mass.coupling.map_or(Bend::default(), |coupling| {
            // What leaves takes its momentum along: the velocity of the rest changes by the forces alone.
            let acceleration = turn.tr_mul(&(net + self.momentum * (outflow.flow / mass.mass))) / mass.mass;
            coupling.slope(&self.bend, &joint_rates, &acceleration, &wrench.joints)
        });
        let swings = carried
            .as_ref()
            .map_or_else(Default::default, |(carrier, speeds)| carrier.slope(&turn, speeds, &self.swings));
        let motion = Motion {
            attitude: self.attitude.derivative(&rate),
            momentum: net,
            angular: self.origin.cross(&net) + turning,
            origin: velocity,
            bend,
            swings,
        };
        let centre = turn.tr_mul(&lever);
        let turned = Turned {
            gyroscopic: rate.cross(&body_spin),
            jets: acting.jets[moment].about(&centre),
            engine: acting.burn.map_or_else(Vector3::zeros, |burn| {
                let arm = burn.pivot - centre;
                let leaving = rate.cross(&arm) - outflow.line / mass.mass;
                burn.push[moment].about(&centre) - arm.cross(&leaving) * burn.flow
            }),
            disturbance: acting.disturbance.about(&centre) + gradient.unwrap_or_default(),
            counted: acting.instrument.map_or_else(Vector3::zeros, |place| {
                let moving = match &carried {
                    None => still_at(&turn, &self.momentum, mass, (&rate, &place)),
                    Some((carrier, speeds)) => {
                        turn.tr_mul(&carrier.origin(&turn, speeds)) + rate.cross(&place)
                    }
                };
                let fall = field.map(|field| field.pull(acting.time[moment], &turn, &(place - mass.centre)));
                rate.cross(&moving) - fall.unwrap_or_default()
            }),
        };
        Slope { motion, turned }
    }

    /// One classical fourth-order Runge-Kutta step of `step` s under forces.
    pub fn push(&mut self, acting: &Acting, step: f64) -> Turned {
        let half = 0.5 * step;
        let a = self.slope(acting, 0);
        let b = self.moved(&a.motion, half).slope(acting, 1);
        let c = self.moved(&b.motion, half).slope(acting, 1);
        let d = self.moved(&c.motion, step).slope(acting, 2);
        let sixth = step / 6.0;
        let mut next = self.moved(&a.motion, sixth);
        next = next.moved(&b.motion, 2.0 * sixth);
        next = next.moved(&c.motion, 2.0 * sixth);
        next = next.moved(&d.motion, sixth);
        next.attitude = next.attitude.normalised();
        next.swings = next.swings.map(|swing| swing.tidied());
        *self = next;
        let [a, b, c, d] = [a, b, c, d].map(|slope| slope.turned);
        let over = |of: fn(&Turned) -> Vector3<f64>| (of(&a) + (of(&b) + of(&c)) * 2.0 + of(&d)) * sixth;
        Turned {
            gyroscopic: over(|t| t.gyroscopic),
            jets: over(|t| t.jets),
            engine: over(|t| t.engine),
            disturbance: over(|t| t.disturbance),
            counted: over(|t| t.counted),
        }
    }

    /// Coasts as a rigid body for `left` s, or for the part of it in which no more than `longest_angle` rad are turned:
    /// both momenta stay as they are to the last bit, the centre of mass goes straight on, and the
    /// attitude follows from its Taylor series, which starts afresh from the constant
    /// angular momentum at each step. Returns the time taken, s, and the integral of `ω × J ω` over it,
    /// body axes, N·m·s.
    pub fn coast(&mut self, mass: &Inertial, left: f64, longest_angle: f64) -> (f64, Vector3<f64>) {
        let turn = self.attitude.matrix();
        let centre = self.origin + turn * mass.centre;
        let spin = turn.tr_mul(&(self.angular - centre.cross(&self.momentum)));
        let angle = (mass.inverse * spin).norm() * left;
        let pieces = (angle / longest_angle).ceil().max(1.0);
        let step = left / pieces;
        // What the last term left out could add is beyond the last bit either way.
        let order = if angle < pieces * SMALL_ANGLE { LOW_ORDER } else { ORDER };
        let (turned, gyroscopic) = free_turn(spin, &mass.inverse, step, order);
        self.attitude = self.attitude.multiply(turned).normalised();
        self.origin = centre + self.momentum * (step / mass.mass) - self.attitude.matrix() * mass.centre;
        (step, gyroscopic)
    }
}

/// Inertial velocity, body components, m/s, of a place (structural, m) in a rigid structure that turns at `rate`.
fn still_at(
    turn: &Matrix3<f64>,
    momentum: &Vector3<f64>,
    mass: &Inertial,
    (rate, place): (&Vector3<f64>, &Vector3<f64>),
) -> Vector3<f64> {
    turn.tr_mul(momentum) / mass.mass + rate.cross(&(place - mass.centre))
}

/// Highest order of the Taylor series of a free turn.
const ORDER: usize = 6;
/// Order for a turn of less than [`SMALL_ANGLE`] rad: `angle⁵` is below the rounding of a unit quaternion.
const LOW_ORDER: usize = 4;
const SMALL_ANGLE: f64 = 5e-4;

/// Rotation of a torque-free body in `step` s, its body-axes angular momentum being `spin` at the start:
/// Taylor series of `ḣ = h × J⁻¹ h` and `q̇ = ½ q ⊗ (0, ω)`, both products of series, so that each
/// coefficient is a sum over earlier ones (method of Steffensen). Returns it relative to the attitude at the
/// start, and the time integral of `ω × h`, N·m·s.
fn free_turn(
    spin: Vector3<f64>,
    inverse: &Matrix3<f64>,
    step: f64,
    order: usize,
) -> (Attitude, Vector3<f64>) {
    // Coefficients carry the power of the step, so that the sums at the end need none.
    let mut momentum = [Vector3::zeros(); ORDER + 1];
    let mut rate = [Vector3::zeros(); ORDER + 1];
    let mut turned = [Attitude { w: 0.0, v: Vector3::zeros() }; ORDER + 1];
    momentum[0] = spin;
    rate[0] = inverse * spin * step;
    turned[0] = Attitude::identity();
    for k in 0..order.min(ORDER) {
        let share = 1.0 / (k + 1) as f64;
        for i in 0..=k {
            momentum[k + 1] += momentum[i].cross(&rate[k - i]);
            turned[k + 1] = turned[k + 1].moved(turned[i].derivative(&rate[k - i]), share);
        }
        momentum[k + 1] *= share;
        rate[k + 1] = inverse * momentum[k + 1] * step;
    }
    // From the small end, to round little.
    let change = momentum[1..].iter().rev().sum::<Vector3<f64>>();
    let sum = turned.iter().rev().fold(Attitude { w: 0.0, v: Vector3::zeros() }, |sum, &x| sum.moved(x, 1.0));
    (sum, -change)
}
