//! The truth with liquid that swings: textbook frequencies and decay, another set of equations, conservation.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Matrix3, Rotation3, Vector3};
use scene::{body, diagonal, jet, near, pulse, scene, truth};
use stackhold_harness::scenario::model::{Disturbance, Push, Scenario, Slosh};
use stackhold_harness::truth::Truth;

/// Small enough for a pendulum to be an oscillator: its period is longer by the square of this over 16.
const TILTED: f64 = 1e-3;
const HUB_KG: f64 = 500.0;
const REST_KG: f64 = 20.0;
const MOMENTS: [f64; 3] = [300.0, 400.0, 500.0];

/// A hub with 20 kg of propellant that rests at its centre and so many kilograms that swing about `pivot_m`.
fn swinging(mass_kg: f64, pivot_m: [f64; 3], length_m: f64, hangs_along: [f64; 3]) -> Scenario {
    let mut scenario = scene(HUB_KG, [0.0; 3], diagonal(MOMENTS));
    scenario.vehicle.bodies[0].mass_kg = HUB_KG;
    scenario.vehicle.tanks[0].propellant_kg = REST_KG + mass_kg;
    scenario.sloshes = vec![slosh(mass_kg, pivot_m, length_m, hangs_along)];
    scenario
}

fn slosh(mass_kg: f64, pivot_m: [f64; 3], length_m: f64, hangs_along: [f64; 3]) -> Slosh {
    let hangs_along = Vector3::from(hangs_along).normalize().into();
    Slosh { tank: "tank".into(), mass_kg, pivot_m, length_m, hangs_along, damping_per_s: 0.0 }
}

/// The same with a force of the structure's axes through the hub's centre for the whole run.
fn pushed(mut scenario: Scenario, position_m: [f64; 3], force_n: [f64; 3]) -> Scenario {
    let push = Push::Vent { position_m, force_n, torque_n_m: [0.0; 3] };
    scenario.disturbances =
        vec![Disturbance { name: "push".into(), start_s: 0.0, stop_s: 1e6, body: None, push }];
    scenario
}

/// A pendulum tilted about z under `force` along x, its pivot `offset` metres along x of the hub's centre.
fn tilted(mass_kg: f64, offset: f64, length_m: f64, force: f64) -> Scenario {
    let along = [-TILTED.cos(), TILTED.sin(), 0.0];
    pushed(swinging(mass_kg, [offset, 0.0, 0.0], length_m, along), [0.0; 3], [force, 0.0, 0.0])
}

/// Small swings of two bodies in a plane, the pull on the rod `T = m F / M`, `M` the whole: on a carrier of
/// mass `C` and moment `J`, pushed through its centre, the pivot `b` ahead of it,
///
/// `w² = F / (C L) + T b (b - L) / (J L)`, damping `2 z w = d m L² (1/(m L²) + 1/(C L²) + (1 - b/L)² / J)`
///
/// (Newton and Euler for carrier and liquid, first order in the angles of both). On a carrier that is much
/// heavier this is `w² = a / L`, that of any textbook; with a pivot at its centre, `a / L` times `1 + m/C`, that of
/// two bodies on one line.
fn swing(mass_kg: f64, offset: f64, length_m: f64, force: f64) -> (f64, f64) {
    let (carrier, inertia) = (HUB_KG + REST_KG, MOMENTS[2]);
    let pull = mass_kg * force / (carrier + mass_kg);
    let square = force / (carrier * length_m) + pull * offset * (offset - length_m) / (inertia * length_m);
    let square_length = length_m * length_m;
    let turned = 1.0 - offset / length_m;
    let damped = 1.0 + mass_kg / carrier + mass_kg * square_length * turned * turned / inertia;
    (square.sqrt(), damped)
}

#[test]
fn a_small_swing_under_a_steady_push_has_the_textbook_frequency() {
    for (mass, offset, length, force) in
        [(0.01, 0.0, 0.3, 10.0), (80.0, 0.0, 0.3, 10.0), (80.0, 0.9, 0.3, 10.0), (200.0, -1.1, 1.5, 60.0)]
    {
        let (frequency, _) = swing(mass, offset, length, force);
        let textbook = (force / (HUB_KG + REST_KG + mass) / length).sqrt();
        if mass < 1.0 {
            near("heavy carrier", [frequency], [textbook], 2e-5 * textbook).unwrap();
        } else if offset == 0.0 {
            near("two bodies", [frequency], [textbook * f64::sqrt(1.0 + 80.0 / 520.0)], 1e-12).unwrap();
        } else {
            assert!((frequency / textbook - 1.0).abs() > 0.05, "the turning carrier matters");
        }
        let scenario = tilted(mass, offset, length, force);
        let mut truth = truth(&scenario);
        for phase in [0.8, 3.0, 20.5] {
            truth.advance_to(phase / frequency);
            // Seen from where it hung at the start.
            let wanted = TILTED * (1.0 - f64::cos(phase));
            near("angle", [truth.slosh_angles_rad()[0]], [wanted], 2e-5 * TILTED).unwrap();
            let off = TILTED * (1.0 - f64::cos(phase * 1.001));
            near("another frequency", [truth.slosh_angles_rad()[0]], [off], 2e-5 * TILTED).unwrap_err();
            let speed = TILTED * length * frequency * phase.sin().abs();
            near("speed", [truth.slosh_speeds_m_s()[0]], [speed], 2e-5 * TILTED * length * frequency)
                .unwrap();
        }
        near("other axes", [truth.rate_rad_s()[0], truth.rate_rad_s()[1]], [0.0; 2], 1e-12).unwrap();
    }
}

/// Free decay `exp(-z w t)` at `w sqrt(1 - z²)`, from rest (any textbook of vibrations).
#[test]
fn free_decay() {
    for (mass, offset, length, force, damping) in
        [(80.0, 0.0, 0.3, 10.0, 0.02), (80.0, 0.9, 0.3, 10.0, 0.05), (200.0, -1.1, 1.5, 60.0, 0.03)]
    {
        let (frequency, coupled) = swing(mass, offset, length, force);
        let dying = 0.5 * damping * coupled;
        let damped = (frequency * frequency - dying * dying).sqrt();
        let mut scenario = tilted(mass, offset, length, force);
        scenario.sloshes[0].damping_per_s = damping;
        let mut truth = truth(&scenario);
        for time in [2.0, 9.0, 40.0] {
            truth.advance_to(time);
            let (sine, cosine) = (damped * time).sin_cos();
            let left = TILTED * (-dying * time).exp() * (cosine + dying / damped * sine);
            near("angle", [truth.slosh_angles_rad()[0]], [TILTED - left], 3e-5 * TILTED).unwrap();
        }
    }
}

// ------------------------------------------------------------------------------- other equations

/// The same two bodies by accelerations: Newton for the liquid, Newton and Euler for the hub, and the pull of the
/// rod as the multiplier that keeps the second derivative of its length at zero.
struct Multiplier {
    length: f64,
    pivot: Vector3<f64>,
    liquid_kg: f64,
    force: Vector3<f64>,
    force_at: Vector3<f64>,
    damper: f64,
}

/// Turn of the hub (body to inertial), its rate (inertial), place and velocity of its centre and of the liquid.
#[derive(Clone, Copy)]
struct Bodies {
    turn: Matrix3<f64>,
    rate: Vector3<f64>,
    hub: [Vector3<f64>; 2],
    liquid: [Vector3<f64>; 2],
}

impl Multiplier {
    fn slope(&self, at: &Bodies) -> Bodies {
        let hub_kg = HUB_KG + REST_KG;
        let inertia = at.turn * Matrix3::from_diagonal(&MOMENTS.into()) * at.turn.transpose();
        let inverse = inertia.try_inverse().unwrap();
        let arm = at.turn * self.pivot;
        let rod = at.liquid[0] - at.hub[0] - arm;
        let along = rod / rod.norm();
        let speed = at.liquid[1] - at.hub[1] - at.rate.cross(&arm);
        // What the damper does: a couple on the hub, and on the rod, which passes it on as a pair of forces.
        let against = along.cross(&speed) / self.length - (at.rate - along * along.dot(&at.rate));
        let couple = against * (self.damper * self.liquid_kg * self.length * self.length);
        let pair = along.cross(&couple) / self.length;
        let force = at.turn * self.force;
        let of = |pull: f64| {
            // On the liquid: the rod pulls it towards the pivot and the damper pushes it across.
            let on_liquid = pair - along * pull;
            let torque = (at.turn * self.force_at).cross(&force) - arm.cross(&on_liquid) + couple;
            let turning = inverse * (torque - at.rate.cross(&(inertia * at.rate)));
            let hub = (force - on_liquid) / hub_kg;
            let liquid = on_liquid / self.liquid_kg;
            let pivot = hub + turning.cross(&arm) + at.rate.cross(&at.rate.cross(&arm));
            (turning, hub, liquid, along.dot(&(liquid - pivot)) * self.length + speed.norm_squared())
        };
        // Linear in the pull.
        let (none, one) = (of(0.0).3, of(1.0).3);
        let (turning, hub, liquid, _) = of(none / (none - one));
        Bodies {
            turn: at.rate.cross_matrix() * at.turn,
            rate: turning,
            hub: [at.hub[1], hub],
            liquid: [at.liquid[1], liquid],
        }
    }

    fn advance(&self, at: &mut Bodies, seconds: f64, steps: usize) {
        let step = seconds / steps as f64;
        for _ in 0..steps {
            let a = self.slope(at);
            let b = self.slope(&at.moved(&a, 0.5 * step));
            let c = self.slope(&at.moved(&b, 0.5 * step));
            let d = self.slope(&at.moved(&c, step));
            let mut next = at.moved(&a, step / 6.0).moved(&b, step / 3.0);
            next = next.moved(&c, step / 3.0).moved(&d, step / 6.0);
            next.turn = Rotation3::from_matrix(&next.turn).into_inner();
            *at = next;
        }
    }
}

impl Bodies {
    fn moved(&self, slope: &Self, step: f64) -> Self {
        Self {
            turn: self.turn + slope.turn * step,
            rate: self.rate + slope.rate * step,
            hub: [0, 1].map(|i| self.hub[i] + slope.hub[i] * step),
            liquid: [0, 1].map(|i| self.liquid[i] + slope.liquid[i] * step),
        }
    }
}

/// Large swings about a tumbling hub that is pushed and turned, damped and not, beside Newton and Euler with a
/// multiplier.
#[test]
fn large_swings_agree_with_newton_and_euler() {
    for damper in [0.0, 0.05] {
        let (mass, pivot, length) = (90.0, [0.7, -0.4, 0.5], 0.4);
        let (force, force_at) = ([6.0, -2.0, 3.0], [0.3, 0.2, -0.4]);
        let mut scenario = pushed(swinging(mass, pivot, length, [0.3, 0.9, -0.2]), force_at, force);
        scenario.sloshes[0].damping_per_s = damper;
        scenario.initial.rate_rad_s = [0.05, -0.08, 0.06];
        let mut truth = truth(&scenario);
        let along = Vector3::from(scenario.sloshes[0].hangs_along);
        let (pivot, rate) = (Vector3::from(pivot), Vector3::from(scenario.initial.rate_rad_s));
        let liquid = pivot + along * length;
        // The centre of mass starts at rest at the origin.
        let centre = liquid * mass / (HUB_KG + REST_KG + mass);
        let mut other = Bodies {
            turn: Matrix3::identity(),
            rate,
            hub: [-centre, -rate.cross(&centre)],
            liquid: [liquid - centre, rate.cross(&(liquid - centre))],
        };
        let equations = Multiplier {
            length,
            pivot,
            liquid_kg: mass,
            force: force.into(),
            force_at: force_at.into(),
            damper,
        };
        let mut widest = 0.0_f64;
        for second in 1..=40 {
            truth.advance_to(f64::from(second));
            equations.advance(&mut other, 1.0, 400);
            let rate: [f64; 3] = other.turn.tr_mul(&other.rate).into();
            near("rate", truth.rate_rad_s(), rate, 2e-8).unwrap();
            let now = (other.liquid[0] - other.hub[0] - other.turn * pivot) / length;
            let angle = other.turn.tr_mul(&now).angle(&along);
            near("angle", [truth.slosh_angles_rad()[0]], [angle], 2e-6).unwrap();
            let centre =
                (other.hub[0] * (HUB_KG + REST_KG) + other.liquid[0] * mass) / (HUB_KG + REST_KG + mass);
            near("place", truth.position_m(), centre.into(), 1e-6).unwrap();
            let turn = truth.attitude().matrix() - other.turn;
            assert!(turn.abs().max() < 1e-7, "attitude: {turn}");
            widest = widest.max(angle);
        }
        assert!(widest > 1.0, "the liquid must swing: {widest}");
    }
}

// ---------------------------------------------------------------------------------- conservation

/// A tumbling hub with two tanks that swing.
fn tumbling(damping_per_s: f64) -> Scenario {
    let mut scenario = swinging(70.0, [0.7, 0.3, -0.2], 0.4, [0.2, -0.9, 0.4]);
    scenario.vehicle.bodies.push(body("load", 300.0, [2.8, 0.5, -0.4], diagonal([90.0, 120.0, 80.0])));
    scenario.stack.push("load".into());
    let mut other = scene::tank("other", [-0.5, 0.6, 0.1]);
    other.propellant_kg = 60.0;
    scenario.vehicle.tanks.push(other);
    scenario
        .sloshes
        .push(Slosh { tank: "other".into(), ..slosh(50.0, [-0.6, 0.5, 0.0], 0.3, [1.0, 0.0, 0.0]) });
    scenario.sloshes.iter_mut().for_each(|slosh| slosh.damping_per_s = damping_per_s);
    scenario.initial.rate_rad_s = [0.04, -0.06, 0.03];
    scenario
}

/// Free, the whole keeps its momentum to the last bit, and its energy without damping.
#[test]
fn momentum_and_energy_of_a_free_stack() {
    let mut free = truth(&tumbling(0.0));
    let (momentum, energy) = (free.angular_momentum_n_m_s(), free.rotational_energy_j());
    let mut fastest = [0.0_f64; 2];
    for step in 1..=1000 {
        free.advance_to(f64::from(step));
        near("energy", [free.rotational_energy_j()], [energy], 1e-8 * energy).unwrap();
        let speeds = free.slosh_speeds_m_s();
        fastest = [0, 1].map(|i| fastest[i].max(speeds[i]));
    }
    assert!(fastest.iter().all(|speed| *speed > 0.01), "both must swing: {fastest:?}");
    assert_eq!(free.momentum_n_s(), [0.0; 3]);
    assert_eq!(free.angular_momentum_n_m_s(), momentum);
    near("place", free.position_m(), [0.0; 3], 1e-10).unwrap();
    let account = free.impulse_account();
    near("books", account.momentum_change_n_m_s, account.gyroscopic_n_m_s.map(|x| -x), 1e-6).unwrap();
}

/// With a damper it loses energy and nothing else, until the liquids rest against a structure that spins about its axis
/// of largest inertia: what is left is `h² / 2 J` of that axis (any textbook: the major-axis rule).
#[test]
fn a_damped_stack_ends_in_a_spin_about_its_major_axis() {
    let scenario = tumbling(0.2);
    let mut damped = truth(&scenario);
    let (momentum, mut energy) = (damped.angular_momentum_n_m_s(), damped.rotational_energy_j());
    let start = energy;
    for step in 1..=400 {
        damped.advance_to(f64::from(step) * 200.0);
        let now = damped.rotational_energy_j();
        assert!(now <= energy * (1.0 + 1e-12), "energy grew from {energy} to {now}");
        energy = now;
    }
    near("momentum", damped.angular_momentum_n_m_s(), momentum, 1e-9).unwrap();
    assert!(energy < 0.99 * start);
    assert!(damped.slosh_speeds_m_s().iter().all(|speed| *speed < 1e-6), "{:?}", damped.slosh_speeds_m_s());
    // At rest against each other, all turn as one body: energy is half of rate times momentum.
    let rate = Vector3::from(damped.rate_rad_s());
    let spin = damped.attitude().matrix().tr_mul(&Vector3::from(momentum));
    near("one body", [0.5 * rate.dot(&spin)], [energy], 1e-9 * energy).unwrap();
    near("spin axis", rate.cross(&spin).into(), [0.0; 3], 1e-6 * rate.norm() * spin.norm()).unwrap();
}

/// Thrown by a push, the whole gains the push's momentum whatever the liquid does, and the books say so.
#[test]
fn a_push_gives_its_momentum() {
    let mut truth = truth(&pushed(tumbling(0.01), [0.4, -0.3, 0.2], [2.0, 1.0, -1.5]));
    truth.advance_to(60.0);
    let account = truth.impulse_account();
    let sum: [f64; 3] = std::array::from_fn(|i| account.disturbance_n_m_s[i] - account.gyroscopic_n_m_s[i]);
    near("books", account.momentum_change_n_m_s, sum, 1e-6).unwrap();
    // As a rigid body it would go elsewhere.
    let mut rigid = pushed(tumbling(0.01), [0.4, -0.3, 0.2], [2.0, 1.0, -1.5]);
    rigid.sloshes.clear();
    let mut rigid = scene::truth(&rigid);
    rigid.advance_to(60.0);
    near("rigid", truth.rate_rad_s(), rigid.rate_rad_s(), 1e-3).unwrap_err();
}

// ----------------------------------------------------------------------------------------- tanks

/// Liquid that hangs in line with a thrust through the centre of mass rides along: place, velocity and propellant are
/// those of the same masses without a pendulum.
#[test]
fn liquid_in_line_with_the_thrust_rides_along() {
    let mut scenario = swinging(80.0, [0.3, 0.0, 0.0], 0.3, [-1.0, 0.0, 0.0]);
    scenario.vehicle.jets = vec![jet([-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], 30.0, 250.0)];
    let mut swung = truth(&scenario);
    scenario.sloshes.clear();
    let mut rigid = truth(&scenario);
    for truth in [&mut swung, &mut rigid] {
        pulse(truth, 0, 1.0, 200.0);
        truth.advance_to(200.0);
    }
    near("velocity", swung.velocity_m_s(), rigid.velocity_m_s(), 1e-9).unwrap();
    near("place", swung.position_m(), rigid.position_m(), 1e-6).unwrap();
    near("propellant", [swung.propellant_kg()[0]], [rigid.propellant_kg()[0]], 1e-9).unwrap();
    near("angle", [swung.slosh_angles_rad()[0]], [0.0], 1e-9).unwrap();
    assert!(swung.velocity_m_s()[0] > 9.0);
}

/// While a jet drains the rest of the tank the liquid swings on, and what the jet takes away is what the rigid
/// stack would lose: the sum of momenta grows by thrust less what leaves.
#[test]
fn a_jet_that_fires_off_line_throws_the_liquid() {
    let mut scenario = swinging(80.0, [0.6, 0.0, 0.0], 0.3, [-0.2, 0.0, 1.0]);
    scenario.vehicle.jets = vec![jet([-1.0, 0.2, 0.0], [0.0, 0.0, 1.0], 22.0, 250.0)];
    let mut truth = truth(&scenario);
    pulse(&mut truth, 0, 1.0, 6.0);
    truth.advance_to(20.0);
    assert!(truth.slosh_speeds_m_s()[0] > 1e-3);
    let account = truth.impulse_account();
    let sum: [f64; 3] = std::array::from_fn(|i| account.jets_n_m_s[i] - account.gyroscopic_n_m_s[i]);
    // But for jet damping.
    let size = Vector3::from(account.jets_n_m_s).norm();
    near("books", account.momentum_change_n_m_s, sum, 1e-3 * size).unwrap();
    near("exact books", account.momentum_change_n_m_s, sum, 1e-7 * size).unwrap_err();
}

/// The part that swings is not drawn: the jet stops when the rest is gone.
#[test]
fn the_swinging_part_is_never_drawn() {
    let mut scenario = swinging(80.0, [0.3, 0.0, 0.0], 0.3, [-1.0, 0.0, 0.0]);
    scenario.vehicle.tanks[0].propellant_kg = 80.0 + 0.05;
    scenario.vehicle.jets = vec![jet([-1.0, 0.0, 0.0], [1.0, 0.0, 0.0], 30.0, 250.0)];
    let mut truth = truth(&scenario);
    pulse(&mut truth, 0, 1.0, 50.0);
    truth.advance_to(50.0);
    near("left", [truth.propellant_kg()[0]], [80.0], 1e-9).unwrap();
}

/// A tank that is not there does not swing.
#[test]
fn liquid_goes_with_its_tank() {
    let mut scenario = tumbling(0.0);
    scenario.vehicle.tanks[1].body = "load".into();
    let whole: Truth = truth(&scenario);
    scenario.stack.pop();
    let mut alone = truth(&scenario);
    let mut one = scenario.clone();
    one.sloshes.pop();
    let mut one = truth(&one);
    alone.advance_to(50.0);
    one.advance_to(50.0);
    assert_eq!(alone.rate_rad_s(), one.rate_rad_s());
    assert_eq!((alone.slosh_angles_rad()[1], alone.slosh_speeds_m_s()[1]), (0.0, 0.0));
    assert!(whole.rotational_energy_j() > alone.rotational_energy_j());
}
