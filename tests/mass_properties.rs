//! Composite mass properties of the harness against textbook values.
//!
//! Tensor elements off the diagonal are minus the integral (`J_xy = -∫ x y dm`).

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Matrix3, Vector3};
use proptest::prelude::*;
use scene::{body, diagonal, near, worst};
use stackhold_harness::scenario::model::{Body, Tank, Vehicle};
use stackhold_harness::stack::{MassProperties, Stack, Unphysical, composite};

/// Solid box of full sides a, b, c (moments of inertia of the cuboid: any table, e.g. mathmos.net).
fn box_inertia(mass: f64, [a, b, c]: [f64; 3]) -> [f64; 3] {
    [b * b + c * c, a * a + c * c, a * a + b * b].map(|x| mass * x / 12.0)
}

/// Solid cylinder along own z (same table).
fn cylinder_inertia(mass: f64, radius: f64, height: f64) -> [f64; 3] {
    let across = mass * (3.0 * radius * radius + height * height) / 12.0;
    [across, across, mass * radius * radius / 2.0]
}

fn vehicle(bodies: Vec<Body>, tanks: Vec<Tank>) -> Vehicle {
    Vehicle {
        name: "vehicle".into(),
        design_centre_of_mass_m: [0.0; 3],
        bodies,
        tanks,
        jets: vec![],
        engine: None,
        interfaces: vec![],
    }
}

fn everything(vehicle: &Vehicle) -> Vec<String> {
    vehicle.bodies.iter().map(|body| body.name.clone()).collect()
}

fn about_axis(axis: [f64; 3], degrees: f64) -> [f64; 4] {
    let (sine, cosine) = (0.5 * degrees.to_radians()).sin_cos();
    [axis[0] * sine, axis[1] * sine, axis[2] * sine, cosine]
}

/// MP-2: three bodies, two of them turned.
fn three_bodies(turn_of_client_deg: f64) -> Vehicle {
    let tug = body("tug", 420.0, [0.0; 3], diagonal(box_inertia(420.0, [1.5, 1.0, 1.2])));
    let mut client = body("client", 850.0, [2.3, 0.10, -0.15], diagonal(cylinder_inertia(850.0, 0.9, 2.4)));
    client.orientation_xyzw = about_axis([0.0, 1.0, 0.0], turn_of_client_deg);
    let mut panel = body("panel", 45.0, [2.6, -3.2, 0.4], diagonal(box_inertia(45.0, [2.0, 6.0, 0.05])));
    panel.orientation_xyzw = about_axis([1.0, 0.0, 0.0], 20.0);
    vehicle(vec![tug, client, panel], vec![])
}

fn flat(rows: [[f64; 3]; 3]) -> [f64; 9] {
    let mut elements = rows.iter().flatten().copied();
    std::array::from_fn(|_| elements.next().unwrap())
}

fn check_three_bodies(turn_of_client_deg: f64) -> Result<(), String> {
    let vehicle = three_bodies(turn_of_client_deg);
    let got = composite(&vehicle, &everything(&vehicle), &[]);
    near("mass", [got.mass_kg], [1315.0], 1e-9)?;
    let centre = [1.575_665_399_239_543_7, -0.044_866_920_152_091_254, -0.083_269_961_977_186_31];
    near("centre of mass", got.centre_of_mass_m, centre, 1e-9)?;
    let inertia = [
        [1_107.487_915_874_524_8, 85.935_741_444_866_96, -28.222_232_275_557_314],
        [85.935_741_444_866_96, 2_293.203_510_361_959_6, 31.877_777_169_733],
        [-28.222_232_275_557_314, 31.877_777_169_733, 2_771.689_491_063_895_7],
    ];
    near("inertia", flat(got.inertia_kg_m2), flat(inertia), 1e-9 * 2771.0)?;
    let principal = got.principal();
    let moments = [1_100.737_193_575_860_1, 2_297.533_867_452_881_6, 2_774.109_856_271_637_5];
    near("principal moments", principal.moments_kg_m2, moments, 1e-9 * 1100.0)?;
    let columns = [
        [0.997_212_680_283_106_6, -0.072_351_833_146_359_18, 0.018_223_131_535_064_222],
        [0.073_359_173_465_257_18, 0.995_342_050_614_602_2, -0.062_551_050_725_087_18],
        [-0.013_612_565_925_539_492, 0.063_713_534_815_449_75, 0.997_875_384_770_184_1],
    ];
    for (axis, want) in principal.axes.into_iter().zip(columns) {
        let sign = Vector3::from(axis).dot(&Vector3::from(want)).signum();
        near("principal axis, up to sign", axis.map(|x| x * sign), want, 1e-9)?;
    }
    let [a, b, c] = principal.moments_kg_m2;
    near("margin of the triangle inequality (MP-4)", [a + b - c], [624.161_204_757_104_3], 1e-6)
}

/// Parallel-axis tensor form: Univ. of Maryland, Principles of Space Systems Design, slides "Orbital
/// Maneuvering", p. 5; figures computed with numpy and confirmed by an equimomental sum of 18 point masses.
#[test]
fn three_body_stack() {
    check_three_bodies(60.0).unwrap();
    let sabotaged = check_three_bodies(-60.0);
    assert!(sabotaged.unwrap_err().starts_with("inertia"), "a client turned the other way must be noticed");
}

/// MP-1, the shapes used here: 120 kg box 1×2×3 m, 300 kg cylinder r 1 m h 2 m. Source as above.
#[test]
fn textbook_shapes() {
    near("box", box_inertia(120.0, [1.0, 2.0, 3.0]), [130.0, 100.0, 50.0], 1e-12).unwrap();
    near("cylinder", cylinder_inertia(300.0, 1.0, 2.0), [175.0, 175.0, 150.0], 1e-12).unwrap();
}

/// Both halves of a box, put together by the stack, are the box (MP-1: moments of the cuboid).
#[test]
fn two_half_boxes_are_one_box() {
    let half = |name, x| body(name, 60.0, [x, 7.0, -2.0], diagonal(box_inertia(60.0, [0.5, 2.0, 3.0])));
    let vehicle = vehicle(vec![half("left", 4.75), half("right", 5.25)], vec![]);
    let got = composite(&vehicle, &everything(&vehicle), &[]);
    near("centre", got.centre_of_mass_m, [5.0, 7.0, -2.0], 1e-14).unwrap();
    near("inertia", flat(got.inertia_kg_m2), flat(diagonal([130.0, 100.0, 50.0])), 1e-12).unwrap();
}

/// MP-3: 10 kg at (1, 2, 3) m about the origin (same slides, matrix form). The rest of the stack is a
/// body so heavy that the centre of mass stays at the origin; what the tank adds is the row.
#[test]
fn a_tank_is_a_point_mass() {
    const HEAVY: f64 = 1e14;
    let anchor = body("hub", HEAVY, [0.0; 3], diagonal([1.0; 3]));
    let vehicle = vehicle(vec![anchor], vec![scene::tank("tank", [1.0, 2.0, 3.0])]);
    let got = composite(&vehicle, &everything(&vehicle), &[10.0]);
    let want = [[131.0, -20.0, -30.0], [-20.0, 101.0, -60.0], [-30.0, -60.0, 51.0]];
    near("inertia", flat(got.inertia_kg_m2), flat(want), 1e-10).unwrap();
    near("sign of the products", flat(got.inertia_kg_m2.map(|row| row.map(|x| -x))), flat(want), 1.0)
        .unwrap_err();
}

/// A tank that drains moves the centre of mass and lowers the inertia: two point masses on a line,
/// reduced mass times distance squared (textbook).
#[test]
fn a_draining_tank_moves_the_centre_of_mass() {
    let anchor = body("hub", 30.0, [0.0; 3], diagonal([1.0; 3]));
    let vehicle = vehicle(vec![anchor], vec![scene::tank("tank", [4.0, 0.0, 0.0])]);
    let stack = Stack::new(&vehicle, &everything(&vehicle));
    for (propellant, centre, across) in [(10.0, 1.0, 120.0), (2.0, 0.25, 30.0), (0.0, 0.0, 0.0)] {
        let got: MassProperties = stack.with_propellant(&[propellant]).into();
        near("centre", got.centre_of_mass_m, [centre, 0.0, 0.0], 1e-14).unwrap();
        let want = diagonal([1.0, 1.0 + across, 1.0 + across]);
        near("inertia", flat(got.inertia_kg_m2), flat(want), 1e-12).unwrap();
    }
}

/// Bodies that are not in the stack, and their tanks, weigh nothing.
#[test]
fn absent_bodies_weigh_nothing() {
    let mut full = three_bodies(60.0);
    full.tanks.push(Tank { body: "client".into(), ..scene::tank("tank", [2.0, 0.0, 0.0]) });
    let got = composite(&full, &["tug".into()], &[10.0]);
    near("mass", [got.mass_kg], [420.0], 0.0).unwrap();
    near("centre", got.centre_of_mass_m, [0.0; 3], 0.0).unwrap();
}

fn of(inertia_kg_m2: [[f64; 3]; 3]) -> MassProperties {
    MassProperties { mass_kg: 1.0, centre_of_mass_m: [0.0; 3], inertia_kg_m2 }
}

/// MP-4: triangle inequality of principal moments (textbook; the flat plate is the limit), and the other
/// refusals.
#[test]
fn what_no_body_can_have_is_refused() {
    for moments in [[2.0, 3.0, 4.0], [1.0, 1.0, 2.0]] {
        of(diagonal(moments)).check().unwrap();
    }
    for moments in [[1.0, 1.0, 2.1], [1.0, 2.0, 3.5]] {
        assert!(matches!(of(diagonal(moments)).check(), Err(Unphysical::Triangle(_))), "{moments:?}");
    }
    assert!(matches!(of(diagonal([-1.0, 2.0, 2.0])).check(), Err(Unphysical::NotPositive(_))));
    assert!(matches!(of(diagonal([f64::NAN, 2.0, 2.0])).check(), Err(Unphysical::NotFinite)));
    let mut lopsided = diagonal([2.0, 3.0, 4.0]);
    lopsided[0][1] = 0.1;
    assert!(matches!(of(lopsided).check(), Err(Unphysical::Asymmetric { row: 0, column: 1, .. })));
    let weightless = MassProperties { mass_kg: 0.0, ..of(diagonal([2.0, 3.0, 4.0])) };
    assert!(matches!(weightless.check(), Err(Unphysical::Mass(_))));
    // Positive diagonal, negative principal moment: only the eigenvalues tell.
    let hidden = [[1.0, 2.0, 0.0], [2.0, 1.0, 0.0], [0.0, 0.0, 3.0]];
    assert!(matches!(of(hidden).check(), Err(Unphysical::NotPositive(_))));
}

/// MP-5: exact eigenvalues 25 - 5√5, 25 + 5√5, 40.
#[test]
fn exact_eigenvalues() {
    let tensor = of([[20.0, -10.0, 0.0], [-10.0, 30.0, 0.0], [0.0, 0.0, 40.0]]);
    let want = [13.819_660_112_501_051, 36.180_339_887_498_945, 40.0];
    near("moments", tensor.principal().moments_kg_m2, want, 1e-12).unwrap();
    let turned = of([[20.0, -10.0, 0.0], [-10.0, 30.0, 1.0], [0.0, 1.0, 40.0]]);
    near("sabotaged", turned.principal().moments_kg_m2, want, 1e-12).unwrap_err();
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// A cloud of point masses, split at random between a body and tanks, has the mass properties of the
    /// sum over its points (definition of the inertia tensor).
    #[test]
    fn any_split_of_a_cloud_of_points(
        points in prop::collection::vec((0.1..50.0_f64, prop::array::uniform3(-5.0..5.0_f64)), 6..12),
        split in 3_usize..6,
    ) {
        let total: f64 = points.iter().map(|(mass, _)| mass).sum();
        let sum = |points: &[(f64, [f64; 3])]| {
            let mass: f64 = points.iter().map(|(mass, _)| mass).sum();
            let centre = points.iter().map(|(m, p)| Vector3::from(*p) * *m).sum::<Vector3<f64>>() / mass;
            let tensor = points.iter().fold(Matrix3::zeros(), |tensor, (m, p)| {
                let d = Vector3::from(*p) - centre;
                let cross = d.cross_matrix();
                tensor - cross * cross * *m
            });
            (mass, centre, tensor)
        };
        let rows = |j: &Matrix3<f64>| [0, 1, 2].map(|row| [0, 1, 2].map(|column| j[(row, column)]));
        let (mass, centre, tensor) = sum(&points[..split]);
        let hub = body("hub", mass, centre.into(), rows(&tensor));
        let tanks: Vec<Tank> = points[split..].iter().map(|(_, at)| scene::tank("tank", *at)).collect();
        let vehicle = vehicle(vec![hub], tanks);
        let propellant: Vec<f64> = points[split..].iter().map(|(mass, _)| *mass).collect();
        let got = composite(&vehicle, &everything(&vehicle), &propellant);
        let (mass, centre, tensor) = sum(&points);
        prop_assert!((got.mass_kg - mass).abs() < 1e-12 * total);
        prop_assert!(worst(got.centre_of_mass_m, centre.into()) < 1e-12);
        prop_assert!(worst(flat(got.inertia_kg_m2), flat(rows(&tensor))) < 1e-10 * total);
        prop_assert!(got.check().is_ok());
    }
}
