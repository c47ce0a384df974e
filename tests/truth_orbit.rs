//! The truth in a circular orbit: gravity-gradient torque, libration, the integral of the motion.
//!
//! Figures GG and LIB were computed with numpy in double precision from the sources named beside each.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{DMatrix, DVector, Matrix3, Vector3};
use scene::{diagonal, near, scene, truth};
use stackhold_harness::scenario::model::{Orbit, Scenario};
use stackhold_harness::truth::Truth;
use stackhold_harness::truth::attitude::Attitude;
use stackhold_harness::truth::gradient::Gradient;

const EARTH_GM: f64 = 3.986_004_418e14;

/// Inertial x up at time zero, y along the flight, z the orbit normal.
fn orbit(rate_rad_s: f64) -> Orbit {
    Orbit { rate_rad_s, up_at_start: [1.0, 0.0, 0.0], normal: [0.0, 0.0, 1.0] }
}

/// Body axes of a level flight: x along the flight, y against the orbit normal, z down.
fn level() -> Attitude {
    Attitude::from_matrix(&Matrix3::from_columns(&[Vector3::y(), -Vector3::z(), -Vector3::x()]))
}

/// Torque with `up` in body components.
fn torque(gm: f64, radius_m: f64, inertia: &Matrix3<f64>, up: Vector3<f64>) -> [f64; 3] {
    let up_at_start = up.normalize();
    let normal = up_at_start.cross(&Vector3::new(0.3, 0.5, -0.7)).normalize();
    let rate_rad_s = (gm / radius_m.powi(3)).sqrt();
    let field = Gradient::from(&Orbit { rate_rad_s, up_at_start: up_at_start.into(), normal: normal.into() });
    field.torque(0.0, &Matrix3::identity(), inertia).into()
}

/// GG-1: Wertz and Larson, Space Mission Analysis and Design, 3rd ed., table 11-9A: 1.8e-6 and 4.4e-5 N·m
/// (printed values from memory); the formula `3 mu / (2 R³) |Iz - Iy| sin 2θ` as read at puttym.github.io.
#[test]
fn torque_of_the_handbook_example() {
    let inertia = Matrix3::from_diagonal(&Vector3::new(75.0, 60.0, 90.0));
    for (degrees, ours, printed) in
        [(1.0_f64, 1.765_376_321_141_101_5e-6, 1.8e-6), (30.0, 4.380_752_978_704_555e-5, 4.4e-5)]
    {
        let (sine, cosine) = degrees.to_radians().sin_cos();
        let got = torque(3.986e14, 7.078e6, &inertia, Vector3::new(0.0, sine, cosine));
        // u × J u about x: sin cos (Iz - Iy).
        near("torque", got, [ours, 0.0, 0.0], 1e-12 * ours).unwrap();
        near("printed", got, [printed, 0.0, 0.0], 0.02 * printed).unwrap();
        near("twice", got.map(|x| 2.0 * x), [ours, 0.0, 0.0], 1e-12 * ours).unwrap_err();
    }
}

/// GG-2: `3 mu / R³ u × J u` (Hughes; Wertz) on a stack of three bodies with products of inertia. Up or down
/// is the same.
#[test]
fn torque_vector_with_products_of_inertia() {
    let (xy, xz, yz) = (85.935_741_444_866_96, -28.222_232_275_557_314, 31.877_777_169_733);
    let (xx, yy, zz) = (1_107.487_915_874_524_8, 2_293.203_510_361_959_6, 2_771.689_491_063_895_7);
    let inertia = Matrix3::new(xx, xy, xz, xy, yy, yz, xz, yz, zz);
    let want = [-0.000_308_422_708_772_836_84, -0.001_181_559_666_899_440_8, -5.647_142_493_537_672_4e-5];
    let up = Vector3::new(0.2, -0.1, 1.0);
    near("torque", torque(EARTH_GM, 7.078e6, &inertia, up), want, 1e-12).unwrap();
    near("of down", torque(EARTH_GM, 7.078e6, &inertia, -up), want, 1e-12).unwrap();
    let plain = Matrix3::from_diagonal(&inertia.diagonal());
    near("without products", torque(EARTH_GM, 7.078e6, &plain, up), want, 1e-6).unwrap_err();
}

/// A body that turns with the orbit, tilted from `steady` (body to inertial) by `tilt` (rotation vector about
/// its own axes, rad).
fn turning(moments: [f64; 3], rate: f64, steady: Attitude, tilt: [f64; 3]) -> Scenario {
    let mut scenario = scene(1000.0, [0.3, -0.2, 0.1], diagonal(moments));
    let attitude = steady.multiply(Attitude::from_rotation_vector(&tilt.into()));
    scenario.orbit = Some(orbit(rate));
    scenario.initial.attitude_xyzw = attitude.to_file();
    scenario.initial.rate_rad_s = (attitude.matrix().transpose() * Vector3::z() * rate).into();
    scenario
}

/// Small rotation of the body away from its steady attitude, own axes, rad.
fn tilt(truth: &Truth, rate: f64, steady: Attitude) -> [f64; 3] {
    let carried = Attitude::from_rotation_vector(&(Vector3::z() * (rate * truth.time_s())));
    let away = carried.multiply(steady).conjugate().multiply(truth.attitude());
    (away.v * (2.0 / away.w)).into()
}

/// What is left, as a share, of an angle over three orbits after the best fit by oscillations at these
/// multiples of the orbital rate, least squares.
fn misfit(scenario: &Scenario, steady: Attitude, axis: usize, over_rate: &[f64]) -> f64 {
    const SAMPLES: usize = 240;
    let rate = scenario.orbit.unwrap().rate_rad_s;
    let mut truth = truth(scenario);
    let (mut basis, mut seen) = (DMatrix::zeros(SAMPLES, 2 * over_rate.len()), DVector::zeros(SAMPLES));
    for sample in 0..SAMPLES {
        let turned = 3.0 * std::f64::consts::TAU * (sample as f64 + 1.0) / SAMPLES as f64;
        truth.advance_to(turned / rate);
        seen[sample] = tilt(&truth, rate, steady)[axis];
        for (column, multiple) in over_rate.iter().enumerate() {
            let (sine, cosine) = (multiple * turned).sin_cos();
            basis[(sample, 2 * column)] = cosine;
            basis[(sample, 2 * column + 1)] = sine;
        }
    }
    let fit = basis.clone().svd(true, true).solve(&seen, 1e-12).unwrap();
    (basis * fit - &seen).norm() / seen.norm()
}

/// Small enough that `sin x` is `x` to 1e-10, large enough that rounding over 20,000 steps is 1e-7 of it.
const SMALL: f64 = 3e-5;

/// LIB-1: R.G. Melton, AERSP 309, homework 12 (2005), problem 1 (the data): R = 7000 km, axis 1 vertical,
/// axis 3 along the normal; `w = n sqrt(3 (I2 - I1) / I3)`.
#[test]
fn pitch_libration() {
    let rate = (EARTH_GM / 7.0e6_f64.powi(3)).sqrt();
    near("rate", [rate], [0.001_078_007_612_872_506], 1e-15).unwrap();
    let steady = Attitude::identity();
    let scenario = turning([3000.0, 5000.0, 7500.0], rate, steady, [0.0, 0.0, SMALL]);
    let mut truth = truth(&scenario);
    for time in [700.0, 6_516.479_704_927_221, 20_000.0] {
        truth.advance_to(time);
        let want = SMALL * (0.000_964_199_321_058_080_3 * time).cos();
        near("pitch", [tilt(&truth, rate, steady)[2]], [want], 2e-7 * SMALL).unwrap();
    }
    assert!(misfit(&scenario, steady, 2, &[0.894_427_190_999_915_9]) < 2e-7);
    assert!(misfit(&scenario, steady, 2, &[0.894_427_190_999_915_9 * 1.0001]) > 1e-5);
}

/// LIB-2: level flight with (2800, 3000, 400) kg·m² about roll, pitch, yaw. DeBra and Delp; Hughes 1986,
/// ch. 9; Wertz, sec. 18 (formulas from memory, derived again numerically). Roll and yaw swing together.
#[test]
fn three_axis_libration() {
    let (rate, moments) = (0.001_1, [2800.0, 3000.0, 400.0]);
    let pitched = turning(moments, rate, level(), [0.0, SMALL, 0.0]);
    assert!(misfit(&pitched, level(), 1, &[1.549_193_338_482_966_8]) < 2e-7);
    assert!(misfit(&pitched, level(), 1, &[1.549_193_338_482_966_8 * 1.0001]) > 1e-5);
    let published = [1.937_907_440_428_002_1, 0.703_217_428_917_820_5];
    for (tilt, axis) in [([SMALL, 0.0, 0.0], 0), ([0.0, 0.0, SMALL], 2), ([SMALL, 0.0, SMALL], 2)] {
        let rolled = turning(moments, rate, level(), tilt);
        assert!(misfit(&rolled, level(), axis, &published) < 2e-7);
        assert!(misfit(&rolled, level(), axis, &[published[0] * 1.0001, published[1]]) > 1e-6);
        assert!(misfit(&rolled, level(), axis, &[published[0], published[1] * 1.0001]) > 1e-6);
    }
}

/// LIB-3: a dumbbell pitches at `sqrt 3` and rolls at twice the orbital rate (classical); here with an
/// inertia about its own axis of 1e-6 of the other two.
#[test]
fn dumbbell() {
    let (rate, moments) = (0.001_1, [1000.0, 1000.0, 0.001]);
    let pitched = turning(moments, rate, level(), [0.0, SMALL, 0.0]);
    assert!(misfit(&pitched, level(), 1, &[1.732_050_807_568_877_2]) < 3e-5);
    let rolled = turning(moments, rate, level(), [SMALL, 0.0, 0.0]);
    assert!(misfit(&rolled, level(), 0, &[2.0]) < 3e-5);
    assert!(misfit(&rolled, level(), 0, &[2.001]) > 1e-3);
}

/// A body that tumbles slowly in its orbit: large angles, all axes.
fn tumbling() -> Scenario {
    let mut scenario = turning([900.0, 2200.0, 2600.0], 0.001_1, level(), [0.9, -0.6, 0.4]);
    for (rate, more) in scenario.initial.rate_rad_s.iter_mut().zip([0.001, -0.000_7, 0.002]) {
        *rate += more;
    }
    scenario
}

/// In a circular orbit `½ ω·J ω - n·J ω + 3/2 n² u·J u` stays, with `ω` the inertial rate and `n` the
/// orbital rate as a vector: the energy as seen in the turning orbital axes (Hughes 1986, ch. 9).
#[test]
fn integral_of_the_motion_stays_and_the_books_balance() {
    let scenario = tumbling();
    let rate = scenario.orbit.unwrap().rate_rad_s;
    let integral = |truth: &Truth| {
        let inertia = truth.mass_properties().inertia();
        let turn = truth.attitude().matrix();
        let momentum = inertia * Vector3::from(truth.rate_rad_s());
        let (sine, cosine) = (rate * truth.time_s()).sin_cos();
        let up = turn.transpose() * Vector3::new(cosine, sine, 0.0);
        truth.rotational_energy_j() - rate * (turn * momentum).z + 1.5 * rate * rate * up.dot(&(inertia * up))
    };
    let mut truth = truth(&scenario);
    let (start, momentum) = (integral(&truth), Vector3::from(truth.angular_momentum_n_m_s()));
    for time in [1000.0, 5000.0, 20_000.0] {
        truth.advance_to(time);
        near("integral", [integral(&truth)], [start], 1e-11 * start.abs()).unwrap();
    }
    let gained = (Vector3::from(truth.angular_momentum_n_m_s()) - momentum).norm();
    assert!(gained > 0.1, "the orbit must have turned the body: {gained}");
    let account = truth.impulse_account();
    let balance: Vector3<f64> =
        Vector3::from(account.disturbance_n_m_s) - Vector3::from(account.gyroscopic_n_m_s);
    near("books", account.momentum_change_n_m_s, balance.into(), 1e-10).unwrap();
    assert!(Vector3::from(account.disturbance_n_m_s).norm() > 0.1, "the books must have something to say");
    // Without the orbit the same body keeps its momentum.
    let mut free = scenario;
    free.orbit = None;
    let mut truth = scene::truth(&free);
    truth.advance_to(20_000.0);
    near("free momentum", truth.angular_momentum_n_m_s(), momentum.into(), 1e-12).unwrap();
}

/// The steps are short enough: a run in one go and a run in control cycles of a quarter second end alike.
#[test]
fn steps_are_short_enough() {
    let scenario = tumbling();
    let (mut long, mut short) = (truth(&scenario), truth(&scenario));
    long.advance_to(3000.0);
    for cycle in 1..=12_000 {
        short.advance_to(f64::from(cycle) * 0.25);
    }
    near("rate", long.rate_rad_s(), short.rate_rad_s(), 1e-13).unwrap();
    near("attitude", long.attitude_xyzw(), short.attitude_xyzw(), 1e-11).unwrap();
}
