//! What the demonstration's vehicle must be like, checked with formulas of this file's own: second
//! moments about the structural origin, and attainable torque by a general-purpose linear program.

use microlp::{ComparisonOp, LinearExpr, OptimizationDirection, Problem, Variable};
use nalgebra::{Matrix3, Quaternion, SymmetricEigen, UnitQuaternion, Vector3};
use stackhold_harness::scenario::model::{Body, Hull, Jet, JetState, Push, Scenario};
use stackhold_harness::scenario::{self, load_embedded};

/// Standard gravity, m/s² (exact, CGPM 1901).
const STANDARD_GRAVITY: f64 = 9.806_65;
/// Below this share of what the best direction attains, a direction counts as lost.
const LOST: f64 = 1e-7;

fn demo() -> Scenario {
    load_embedded(scenario::DEMO).expect("the demonstration reads")
}

fn variant_stack(scenario: &Scenario, name: &str) -> Vec<String> {
    let variant = scenario.variants.iter().find(|variant| variant.name == name).expect("a variant");
    variant.stack.clone().expect("a stack of its own")
}

fn bare(scenario: &Scenario) -> Vec<String> {
    let variant =
        scenario.variants.iter().find(|variant| variant.name == "told_bare_tug").expect("a variant");
    variant.told_stack.clone().expect("a told stack")
}

/// Mass, centre of mass and inertia about it, with full tanks.
struct Lump {
    centre_m: Vector3<f64>,
    inertia_kg_m2: Matrix3<f64>,
}

fn turn(body: &Body) -> UnitQuaternion<f64> {
    let [x, y, z, w] = body.orientation_xyzw;
    UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z))
}

/// Sums the second-moment matrices ∫ r rᵀ dm about the structural origin, then shifts once:
/// J = trace(S) 1 - S.
fn lump(scenario: &Scenario, stack: &[String]) -> Lump {
    let second_of = |inertia: Matrix3<f64>| Matrix3::identity() * (inertia.trace() / 2.0) - inertia;
    let (mut mass, mut first, mut second) = (0.0, Vector3::zeros(), Matrix3::zeros());
    for body in scenario.vehicle.bodies.iter().filter(|body| stack.contains(&body.name)) {
        let rotation = turn(body).to_rotation_matrix().into_inner();
        let own = Matrix3::from_fn(|row, column| body.inertia_kg_m2[row][column]);
        let centre = Vector3::from(body.centre_of_mass_m);
        mass += body.mass_kg;
        first += centre * body.mass_kg;
        second +=
            rotation * second_of(own) * rotation.transpose() + centre * centre.transpose() * body.mass_kg;
    }
    for tank in scenario.vehicle.tanks.iter().filter(|tank| stack.contains(&tank.body)) {
        let place = Vector3::from(tank.position_m);
        mass += tank.propellant_kg;
        first += place * tank.propellant_kg;
        second += place * place.transpose() * tank.propellant_kg;
    }
    let centre = first / mass;
    let second = second - centre * centre.transpose() * mass;
    Lump { centre_m: centre, inertia_kg_m2: Matrix3::identity() * second.trace() - second }
}

fn torque_n_m(jet: &Jet, centre_m: &Vector3<f64>) -> Vector3<f64> {
    (Vector3::from(jet.position_m) - centre_m).cross(&Vector3::from(jet.force_direction)) * jet.thrust_n
}

fn flow_kg_s(jet: &Jet) -> f64 {
    jet.thrust_n / (jet.specific_impulse_s * STANDARD_GRAVITY)
}

/// Torque and flow of every jet that may fire.
fn columns(jets: &[Jet], centre_m: &Vector3<f64>) -> Vec<(Vector3<f64>, f64)> {
    let ready = jets.iter().filter(|jet| jet.state == JetState::Ready);
    ready.map(|jet| (torque_n_m(jet, centre_m), flow_kg_s(jet))).collect()
}

/// Most torque along a unit direction with every jet between shut and open, N·m.
fn attainable_n_m(columns: &[(Vector3<f64>, f64)], direction: &Vector3<f64>) -> f64 {
    let mut problem = Problem::new(OptimizationDirection::Maximize);
    let jets: Vec<Variable> = columns.iter().map(|_| problem.add_var(0.0, (0.0, 1.0))).collect();
    let size = problem.add_var(1.0, (0.0, f64::INFINITY));
    for axis in 0..3 {
        let mut row = LinearExpr::empty();
        jets.iter().zip(columns).for_each(|(jet, (torque, _))| row.add(*jet, torque[axis]));
        row.add(size, -direction[axis]);
        problem.add_constraint(row, ComparisonOp::Eq, 0.0);
    }
    problem
        .solve()
        .expect("zero is feasible and jets are bounded")
        .into_solution()
        .expect("not interrupted")
        .objective()
}

/// Least flow that holds one newton-metre along a unit direction, kg/s, jets unbounded in time.
fn price_kg_s(columns: &[(Vector3<f64>, f64)], direction: &Vector3<f64>) -> f64 {
    let mut problem = Problem::new(OptimizationDirection::Minimize);
    let jets: Vec<Variable> =
        columns.iter().map(|(_, flow)| problem.add_var(*flow, (0.0, f64::INFINITY))).collect();
    for axis in 0..3 {
        let mut row = LinearExpr::empty();
        jets.iter().zip(columns).for_each(|(jet, (torque, _))| row.add(*jet, torque[axis]));
        problem.add_constraint(row, ComparisonOp::Eq, direction[axis]);
    }
    problem.solve().expect("attainable").into_solution().expect("not interrupted").objective()
}

/// Directions spread evenly over the sphere (golden-angle spiral), and both ways along each main axis.
fn directions() -> Vec<Vector3<f64>> {
    let golden = std::f64::consts::PI * (3.0 - 5.0_f64.sqrt());
    let spiral = (0..400).map(|index| {
        let index = f64::from(index);
        let z = 1.0 - (2.0 * index + 1.0) / 400.0;
        let across = (1.0 - z * z).sqrt();
        Vector3::new(across * (golden * index).cos(), across * (golden * index).sin(), z)
    });
    spiral.chain(main_directions().map(|(_, direction)| direction)).collect()
}

fn main_directions() -> [(&'static str, Vector3<f64>); 6] {
    let [x, y, z] = [Vector3::x(), Vector3::y(), Vector3::z()];
    [("+roll", x), ("-roll", -x), ("+pitch", y), ("-pitch", -y), ("+yaw", z), ("-yaw", -z)]
}

/// Directions of torque that cannot be had, by name.
fn lost(
    jets: &[Jet],
    centre_m: &Vector3<f64>,
    directions: &[(&'static str, Vector3<f64>)],
) -> Vec<&'static str> {
    let columns = columns(jets, centre_m);
    let found: Vec<f64> =
        directions.iter().map(|(_, direction)| attainable_n_m(&columns, direction)).collect();
    let best = found.iter().copied().fold(0.0, f64::max);
    directions
        .iter()
        .zip(found)
        .filter(|(_, size)| *size <= LOST * best)
        .map(|((name, _), _)| *name)
        .collect()
}

/// Jets with one of them dead.
fn without(jets: &[Jet], name: &str) -> Vec<Jet> {
    let mut jets = jets.to_vec();
    jets.iter_mut().filter(|jet| jet.name == name).for_each(|jet| jet.state = JetState::Dead);
    jets
}

fn ready(jets: &[Jet]) -> Vec<String> {
    jets.iter().filter(|jet| jet.state == JetState::Ready).map(|jet| jet.name.clone()).collect()
}

#[test]
fn the_docked_stacks_centre_of_mass_is_far_from_where_the_jets_were_laid_out() {
    let scenario = demo();
    let design = Vector3::from(scenario.vehicle.design_centre_of_mass_m);
    let shift = lump(&scenario, &scenario.stack).centre_m - design;
    assert!(shift.x.abs() >= 3.0, "{shift}");
    assert!(shift.y.hypot(shift.z) >= 0.3, "{shift}");
    let released = lump(&scenario, &variant_stack(&scenario, "stage_released")).centre_m - design;
    assert!(released.x.abs() >= 2.5, "{released}");
    // The design point is the bare tug's own, to a hand's breadth.
    let tug = lump(&scenario, &bare(&scenario)).centre_m - design;
    assert!(tug.norm() <= 0.1, "{tug}");
}

/// The ratio is taken against the larger of the two moments that the product couples.
#[test]
fn a_product_of_inertia_is_a_tenth_of_a_moment() {
    let scenario = demo();
    let inertia = lump(&scenario, &scenario.stack).inertia_kg_m2;
    let ratios =
        [(0, 1), (0, 2), (1, 2)].map(|(a, b)| inertia[(a, b)].abs() / inertia[(a, a)].max(inertia[(b, b)]));
    assert!(ratios.iter().any(|&ratio| ratio >= 0.1), "{ratios:?}");
    let mut moments: Vec<f64> = SymmetricEigen::new(inertia).eigenvalues.iter().copied().collect();
    moments.sort_by(f64::total_cmp);
    assert!(moments[0] > 0.0 && moments[0] + moments[1] >= moments[2], "{moments:?}");
}

/// Sizes below a tenth of a metre of arm do not count as a torque with a sign.
#[test]
fn some_jets_turn_the_docked_stack_the_other_way() {
    let scenario = demo();
    let docked = lump(&scenario, &scenario.stack).centre_m;
    let tug = lump(&scenario, &bare(&scenario)).centre_m;
    let changes = |jet: &Jet| {
        let (before, after) = (torque_n_m(jet, &tug), torque_n_m(jet, &docked));
        let least = 0.1 * jet.thrust_n;
        (0..3).any(|axis| {
            before[axis] * after[axis] < 0.0 && before[axis].abs().min(after[axis].abs()) >= least
        })
    };
    let changed = scenario.vehicle.jets.iter().filter(|jet| changes(jet)).count();
    assert!(changed >= 1, "no jet changes sign");
}

/// Every direction can be turned in, with a twentieth of the best direction's acceleration at least,
/// and at no more than ten times the cheapest torque's price.
#[test]
fn every_configuration_can_be_turned_every_way() {
    let scenario = demo();
    let bare_scenario = load_embedded("bare_tug_hold").expect("reads");
    let configurations = [
        (&scenario, scenario.stack.clone()),
        (&scenario, variant_stack(&scenario, "stage_released")),
        (&bare_scenario, bare_scenario.stack.clone()),
    ];
    for (scenario, stack) in configurations {
        let lump = lump(scenario, &stack);
        let columns = columns(&scenario.vehicle.jets, &lump.centre_m);
        let accelerations: Vec<f64> = directions()
            .iter()
            .map(|direction| {
                let wanted = lump.inertia_kg_m2 * direction;
                attainable_n_m(&columns, &wanted.normalize()) / wanted.norm()
            })
            .collect();
        let least = accelerations.iter().copied().fold(f64::INFINITY, f64::min);
        let most = accelerations.iter().copied().fold(0.0, f64::max);
        assert!(least >= 0.05 * most, "{stack:?}: {least} of {most} rad/s2");
        // A rate of 0.1 deg/s is taken out within 2.5 s, whichever way it goes.
        assert!(least.to_degrees() >= 0.04, "{stack:?}: {} deg/s2", least.to_degrees());
        let prices: Vec<f64> = directions().iter().map(|direction| price_kg_s(&columns, direction)).collect();
        let cheapest = prices.iter().copied().fold(f64::INFINITY, f64::min);
        let dearest = prices.iter().copied().fold(0.0, f64::max);
        assert!(dearest <= 10.0 * cheapest, "{stack:?}: {cheapest} to {dearest} kg/s per N m");
    }
}

/// The whole layout attains both ways of every axis; without one certain jet some way of an axis is
/// gone, whether an axis is taken as a torque or as an acceleration.
#[test]
fn one_jets_failure_takes_an_axis_from_the_docked_stack() {
    let scenario = demo();
    let jets = &scenario.vehicle.jets;
    let lump = lump(&scenario, &scenario.stack);
    let axes =
        |inertia: Matrix3<f64>| main_directions().map(|(name, way)| (name, (inertia * way).normalize()));
    for axes in [axes(Matrix3::identity()), axes(lump.inertia_kg_m2)] {
        assert_eq!(lost(jets, &lump.centre_m, &axes), Vec::<&str>::new());
        let taken = ready(jets)
            .into_iter()
            .filter(|name| !lost(&without(jets, name), &lump.centre_m, &axes).is_empty())
            .count();
        assert!(taken >= 1, "every single failure leaves every axis");
    }
}

/// No jet has a mirror image about the planes y = 0 and z = 0 or a half turn about x.
#[test]
fn the_layout_has_no_symmetry() {
    let jets = demo().vehicle.jets;
    assert!((14..=16).contains(&jets.len()));
    for (sign_y, sign_z) in [(-1.0, 1.0), (1.0, -1.0), (-1.0, -1.0)] {
        let image = |v: [f64; 3]| Vector3::new(v[0], sign_y * v[1], sign_z * v[2]);
        for jet in &jets {
            let twin = jets.iter().find(|other| {
                (image(jet.position_m) - Vector3::from(other.position_m)).norm() < 0.02
                    && (image(jet.force_direction) - Vector3::from(other.force_direction)).norm() < 0.02
            });
            assert!(twin.is_none(), "{} mirrors {}", jet.name, twin.map_or("", |twin| &twin.name));
        }
    }
}

/// Whether a ray meets a body's hull; a cylinder is taken as the box around it.
fn meets(start: Vector3<f64>, along: Vector3<f64>, body: &Body) -> bool {
    let sides = match body.hull {
        Hull::Box(sides) => Vector3::from(sides),
        Hull::Cylinder { radius_m, length_m } => Vector3::new(length_m, 2.0 * radius_m, 2.0 * radius_m),
    };
    let back = turn(body).inverse();
    let from = back * (start - Vector3::from(body.centre_of_mass_m)) - Vector3::from(body.hull_offset_m);
    let along = back * along;
    let (mut enter, mut leave) = (0.0_f64, f64::INFINITY);
    for axis in 0..3 {
        let half = sides[axis] / 2.0;
        let (one, two) = ((-half - from[axis]) / along[axis], (half - from[axis]) / along[axis]);
        enter = enter.max(one.min(two));
        leave = leave.min(one.max(two));
    }
    enter <= leave
}

/// A plume goes against the force. Only the forbidden jet's points at what is grappled.
#[test]
fn only_the_forbidden_jet_blows_on_the_client() {
    let scenario = demo();
    let grappled: Vec<&Body> = scenario
        .vehicle
        .bodies
        .iter()
        .filter(|body| ["client", "spent_stage"].contains(&body.name.as_str()))
        .collect();
    assert_eq!(grappled.len(), 2);
    for jet in &scenario.vehicle.jets {
        // A tiny slant keeps the ray off the exact directions where the slab test divides by zero.
        let plume = -Vector3::from(jet.force_direction) + Vector3::new(1e-7, 2e-7, 3e-7);
        let hits = grappled.iter().any(|body| meets(Vector3::from(jet.position_m), plume, body));
        assert_eq!(hits, jet.state == JetState::Forbidden, "{}", jet.name);
    }
}

/// A constant torque under a deadband of width W is cheapest paid by firings that throw the attitude
/// once across: the rate goes from -v to +v, v² = 2 a W, every T = 2 v / a = √(8 W / a).
#[test]
fn the_steady_vent_loads_every_axis_with_fifty_long_firings() {
    let scenario = load_embedded("steady_vent").expect("reads");
    let lump = lump(&scenario, &scenario.stack);
    let Push::Vent { position_m, force_n, .. } = scenario.disturbances[0].push else { panic!("a vent") };
    let torque = (Vector3::from(position_m) - lump.centre_m).cross(&Vector3::from(force_n));
    let acceleration = lump.inertia_kg_m2.try_inverse().expect("regular") * torque;
    let width = 2.0 * 0.5_f64.to_radians();
    for axis in 0..3 {
        let period_s = (8.0 * width / acceleration[axis].abs()).sqrt();
        assert!(scenario.duration_s / period_s >= 60.0, "axis {axis}: a firing every {period_s} s");
    }
    // One firing that settles all axes when the fastest is due: mean on-time of the jets that fire.
    let fastest = acceleration.abs().max();
    let period_s = (8.0 * width / fastest).sqrt();
    let columns = columns(&scenario.vehicle.jets, &lump.centre_m);
    let flow = price_kg_s(&columns, &-torque.normalize()) * torque.norm() * period_s;
    let large = scenario.vehicle.jets.iter().map(flow_kg_s).fold(0.0, f64::max);
    // Three jets at most carry a demand of three rows at its least price.
    assert!(flow / large / 3.0 >= 3.0 * 0.028, "mean on-time {} s", flow / large / 3.0);
}
