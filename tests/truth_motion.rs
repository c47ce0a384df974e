//! The truth without forces: published torque-free motion, quaternion conventions, conservation.
//!
//! The stock the figures come from is scalar first and body to inertial; the project's files are scalar last
//! and inertial to body. The checks look at the truth through its file convention and turn it here, by hand.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Matrix3, Vector3};
use scene::{diagonal, near, scene, truth, worst, worst_quaternion};
use stackhold_harness::scenario::model::Scenario;
use stackhold_harness::truth::Truth;
use stackhold_harness::truth::attitude::Attitude;

/// Free body at the attitude zero with this rate.
fn free(moments: [f64; 3], rate: [f64; 3]) -> Scenario {
    let mut scenario = scene(1000.0, [0.3, -0.2, 0.1], diagonal(moments));
    scenario.initial.rate_rad_s = rate;
    scenario
}

/// `(w, x, y, z)`, body to inertial, from the files' convention; written out, not borrowed from the truth.
fn stock(truth: &Truth) -> [f64; 4] {
    let [x, y, z, w] = truth.attitude_xyzw();
    [w, -x, -y, -z]
}

fn near_attitude(what: &str, got: [f64; 4], want: [f64; 4], tolerance: f64) -> Result<(), String> {
    let gap = worst_quaternion(got, want);
    if gap <= tolerance { Ok(()) } else { Err(format!("{what}: got {got:?}, want {want:?}: {gap:e}")) }
}

/// One published moment of torque-free motion.
struct Moment {
    time_s: f64,
    rate: [f64; 3],
    q_wxyz: [f64; 4],
    tolerance: [f64; 2],
}

fn check_free(moments: [f64; 3], rate: [f64; 3], published: &[Moment]) -> Result<(), String> {
    let mut truth = truth(&free(moments, rate));
    for moment in published {
        truth.advance_to(moment.time_s);
        near("rate", truth.rate_rad_s(), moment.rate, moment.tolerance[0])?;
        near_attitude("attitude", stock(&truth), moment.q_wxyz, moment.tolerance[1])?;
    }
    Ok(())
}

/// The published moments hold, and a sign error planted in one initial rate is caught.
fn check_free_and_sabotaged(moments: [f64; 3], rate: [f64; 3], published: &[Moment]) {
    check_free(moments, rate, published).unwrap();
    check_free(moments, [rate[0], rate[1], -rate[2]], published).unwrap_err();
    check_free([moments[0], moments[2], moments[1]], rate, published).unwrap_err();
}

/// TF-A. Euler top in Jacobi functions, attitude by 3-1-3 angles about H (Landau and Lifshitz, Mechanics,
/// sec. 37), evaluated with mpmath to 40 digits. Tolerances: ten times the error that a Runge-Kutta
/// integration of rate and quaternion showed against the same figures, not below 1e-12.
#[test]
fn asymmetric_body_turning_about_its_largest_axis() {
    let published = [
        Moment {
            time_s: 10.0,
            rate: [0.044_946_116_090_198_58, 0.032_245_860_683_326_84, 0.036_879_217_396_750_76],
            q_wxyz: [
                0.944_934_403_740_517_1,
                0.231_483_434_970_059_85,
                0.128_949_005_480_901_62,
                0.192_058_704_430_447_14,
            ],
            tolerance: [1e-12, 1e-12],
        },
        Moment {
            time_s: 100.0,
            rate: [-0.012_030_037_255_827_122, 0.059_501_016_278_417_87, 0.020_551_420_831_375_486],
            q_wxyz: [
                0.879_420_931_588_085_3,
                0.338_229_565_511_982_7,
                0.161_375_351_106_528_67,
                -0.293_560_184_891_555_3,
            ],
            tolerance: [1e-12, 2.7e-11],
        },
    ];
    check_free_and_sabotaged([100.0, 150.0, 200.0], [0.05, 0.02, 0.04], &published);
}

/// TF-B, source and tolerance as TF-A.
#[test]
fn asymmetric_body_turning_about_its_smallest_axis() {
    let published = [
        Moment {
            time_s: 60.0,
            rate: [0.006_191_317_820_643_064, 0.002_666_052_431_623_265, -0.002_924_389_942_699_085],
            q_wxyz: [
                0.976_259_164_214_518,
                0.180_623_921_261_382_75,
                0.093_365_125_463_676_1,
                -0.074_672_596_730_557_94,
            ],
            tolerance: [1e-12, 1e-12],
        },
        Moment {
            time_s: 600.0,
            rate: [0.006_021_660_347_392_643, -0.003_417_005_051_444_184, 0.002_123_251_334_991_663_5],
            q_wxyz: [
                0.195_080_621_047_143_7,
                -0.340_801_807_221_531_23,
                0.490_537_135_633_988_1,
                0.777_927_373_249_200_8,
            ],
            tolerance: [1e-12, 1e-12],
        },
    ];
    check_free_and_sabotaged([1200.0, 8600.0, 9100.0], [0.006, 0.0035, -0.002], &published);
}

/// TF-C, next to the separatrix, where errors grow like exp(0.58 t); source and tolerance as TF-A.
#[test]
fn asymmetric_body_flipping_about_its_middle_axis() {
    let published = [
        Moment {
            time_s: 5.0,
            rate: [-0.217_227_517_468_634_7, 0.976_172_221_308_522, 0.126_869_742_052_739_52],
            q_wxyz: [
                0.797_064_770_782_064_3,
                -0.033_591_784_058_300_5,
                -0.592_488_969_697_681_6,
                -0.111_875_663_164_495_59,
            ],
            tolerance: [1.4e-9, 1.4e-8],
        },
        Moment {
            time_s: 20.0,
            rate: [0.084_601_002_665_117_27, -0.996_465_087_370_378_9, 0.052_463_732_399_767_3],
            q_wxyz: [
                0.055_562_288_832_151_37,
                -0.996_815_747_811_350_5,
                -0.017_294_059_027_915_18,
                0.054_517_084_454_047_11,
            ],
            tolerance: [1.4e-9, 1.4e-8],
        },
    ];
    check_free_and_sabotaged([1.0, 2.0, 3.0], [0.01, 1.0, 0.02], &published);
}

/// TF-D. A. Jadczyk, "Attitude matrix and quaternion path for m>1", 2017-03-22: the formulas; the figures
/// were computed with mpmath to 40 digits.
#[test]
fn published_closed_form_in_angular_momentum() {
    let moments = [1.0, 2.0, 3.0];
    let (a1, a3) = (0.632_455_532_033_675_9, 0.774_596_669_241_483_4);
    let check = |a3: f64| {
        let mut truth = truth(&free(moments, [a1 / moments[0], 0.0, a3 / moments[2]]));
        truth.advance_to(3.0);
        let [x, y, z] = truth.rate_rad_s();
        let want = [0.506_566_069_333_667_4, 0.757_339_599_914_960_3, 0.412_101_380_488_449_6];
        near("angular momentum", [x * moments[0], y * moments[1], z * moments[2]], want, 1e-12)
    };
    check(a3).unwrap();
    check(a3 * (1.0 + 1e-9)).unwrap_err();
}

/// Time for one whole polhode of TF-A: after ten of them, more than an hour, the rate is what it was.
#[test]
fn polhode_period_over_an_hour() {
    const PERIOD_S: f64 = 373.828_717_536_761_7;
    let rate = [0.05, 0.02, 0.04];
    let mut truth = truth(&free([100.0, 150.0, 200.0], rate));
    truth.advance_to(10.0 * PERIOD_S);
    near("rate", truth.rate_rad_s(), rate, 1e-12).unwrap();
    truth.advance_to(10.5 * PERIOD_S);
    near("rate half a period later", truth.rate_rad_s(), rate, 1e-3).unwrap_err();
}

/// Closed form of the axisymmetric body (AX-1): Wertz (ed.), Spacecraft Attitude Determination and
/// Control, 1978, sec. 16; Hughes 1986. `q(t) = q(h, H t / Jt) ⊗ q(z, -λ t)`.
fn axisymmetric(across: f64, along: f64, transverse: f64, spin: f64, time: f64) -> ([f64; 3], [f64; 4]) {
    let lambda = (along - across) / across * spin;
    let momentum = Vector3::new(across * transverse, 0.0, along * spin);
    let precession = Attitude::from_rotation_vector(&(momentum * (time / across)));
    let body = Attitude::from_rotation_vector(&Vector3::new(0.0, 0.0, -lambda * time));
    let rate = [transverse * (lambda * time).cos(), transverse * (lambda * time).sin(), spin];
    (rate, precession.multiply(body).to_wxyz())
}

#[test]
fn axisymmetric_body() {
    let published_rate = [-0.004_215_915_988_615_594, 0.019_550_602_353_301_94, 0.1];
    let published_q =
        [0.857_910_927_587_593_2, 0.321_570_092_957_607_9, 0.398_305_597_689_043, -0.043_979_159_730_547_56];
    let (rate, q) = axisymmetric(800.0, 200.0, 0.02, 0.1, 60.0);
    near("closed form", rate, published_rate, 1e-14).unwrap();
    near_attitude("closed form", q, published_q, 1e-14).unwrap();
    let published =
        [Moment { time_s: 60.0, rate: published_rate, q_wxyz: published_q, tolerance: [1e-10, 1e-10] }];
    check_free([800.0, 800.0, 200.0], [0.02, 0.0, 0.1], &published).unwrap();
    check_free([800.0, 800.0, 200.0], [0.02, 0.0, -0.1], &published).unwrap_err();
}

/// The same closed form after an hour, in quarter-second cycles as a closed loop takes them.
#[test]
fn an_hour_of_coast_keeps_the_attitude() {
    let (rate, q) = axisymmetric(800.0, 200.0, 0.002, 0.01, 3600.0);
    let mut truth = truth(&free([800.0, 800.0, 200.0], [0.002, 0.0, 0.01]));
    for cycle in 1..=14_400 {
        truth.advance_to(f64::from(cycle) * 0.25);
    }
    near("rate", truth.rate_rad_s(), rate, 1e-12).unwrap();
    near_attitude("attitude", stock(&truth), q, 1e-11).unwrap();
}

/// AX-2, a thin cylindrical shell: Curtis, Orbital Mechanics for Engineering Students, 2nd ed., example
/// 10.2, as worked on smallsats.org: C = 100, A = 125 kg·m², nutation 20°, spin (relative to the precessing
/// frame) 2π rad/min gives precession 26.7457 rad/min, 180° of it in 7.0477 s.
#[test]
fn precession_of_a_thin_shell() {
    let check = |precession_rad_min: f64| {
        let (spin, precession) = (std::f64::consts::TAU / 60.0, precession_rad_min / 60.0);
        let nutation = 20_f64.to_radians();
        let (sine, cosine) = nutation.sin_cos();
        let mut scenario = free([125.0, 125.0, 100.0], [0.0, precession * sine, spin + precession * cosine]);
        // Body axes turned by the nutation about x; in the files the rotation goes the other way.
        scenario.initial.attitude_xyzw = [-(0.5 * nutation).sin(), 0.0, 0.0, (0.5 * nutation).cos()];
        let mut truth = truth(&scenario);
        let axis = |truth: &Truth| -> [f64; 3] { (truth.attitude().matrix() * Vector3::z()).into() };
        near("axis at the start", axis(&truth), [0.0, -sine, cosine], 1e-14)?;
        truth.advance_to(7.0477);
        // Half a turn later; the printed time is good to 3e-5 s, the axis moves 0.15 rad/s.
        near("axis after 180 deg", axis(&truth), [0.0, sine, cosine], 1e-5)
    };
    check(26.7457).unwrap();
    check(26.7457 * 1.001).unwrap_err();
}

/// TF-CONS: energy and angular momentum (in inertial axes) of a free body stay; figures of TF-A.
#[test]
fn energy_and_angular_momentum_stay() {
    let mut truth = truth(&free([100.0, 150.0, 200.0], [0.05, 0.02, 0.04]));
    let start = truth.angular_momentum_n_m_s();
    near("energy", [truth.rotational_energy_j()], [0.315], 1e-15).unwrap();
    truth.advance_to(3600.0);
    near("energy", [truth.rotational_energy_j()], [0.315], 0.315 * 3.6e-13).unwrap();
    near("angular momentum", truth.angular_momentum_n_m_s(), start, 1e-14).unwrap();
    let length = Vector3::from(truth.angular_momentum_n_m_s()).norm();
    near("its length", [length], [9.899_494_936_611_665], 1e-14).unwrap();
    let account = truth.impulse_account();
    let gyroscopic = account.gyroscopic_n_m_s.map(|x| -x);
    near("the books", account.momentum_change_n_m_s, gyroscopic, 1e-10).unwrap();
    assert!(worst(account.momentum_change_n_m_s, [0.0; 3]) > 0.1, "the books must have something to say");
}

/// SPIN-1: small deviations from a spin of 0.01 rad/s about each principal axis of (1200, 8600, 9100).
/// About the first and third they oscillate, about the second they grow (textbook; Wie, Hughes).
#[test]
fn spin_stability() {
    const SMALL: f64 = 1e-7;
    let deviation = |axis: usize, time: f64| {
        let (spun, other) = (axis, (axis + 1) % 3);
        let mut rate = [0.0; 3];
        rate[spun] = 0.01;
        rate[other] = SMALL;
        let mut truth = truth(&free([1200.0, 8600.0, 9100.0], rate));
        truth.advance_to(time);
        truth.rate_rad_s()[other] / SMALL
    };
    for (axis, frequency) in [(0, 0.008_642_899_911_821_576), (2, 0.006_186_694_901_031_536)] {
        for time in [50.0, 400.0, 1500.0] {
            near("nutation", [deviation(axis, time)], [(frequency * time).cos()], 1e-6).unwrap();
        }
    }
    for time in [50.0, 300.0] {
        near("growth", [deviation(1, time)], [(0.005_820_892_017_791_078 * time).cosh()], 1e-6).unwrap();
    }
    near("nutation at a wrong frequency", [deviation(0, 400.0)], [(0.0087 * 400.0_f64).cos()], 1e-6)
        .unwrap_err();
}

fn rows(matrix: [[f64; 3]; 3]) -> Matrix3<f64> {
    Matrix3::from_fn(|row, column| matrix[row][column])
}

fn check_matrix(what: &str, attitude: Attitude, want: [[f64; 3]; 3], tolerance: f64) -> Result<(), String> {
    let got: [f64; 9] = attitude.matrix().transpose().as_slice().try_into().unwrap();
    let want: [f64; 9] = rows(want).transpose().as_slice().try_into().unwrap();
    near(what, got, want, tolerance)
}

fn about(axis: [f64; 3], degrees: f64) -> Attitude {
    Attitude::from_rotation_vector(&(Vector3::from(axis).normalize() * degrees.to_radians()))
}

/// exact.
#[test]
fn quaternion_of_a_third_of_a_turn_and_order_of_products() {
    let third = about([1.0, 1.0, 1.0], 120.0);
    near("q", third.to_wxyz(), [0.5; 4], 1e-14).unwrap();
    let matrix = [[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]];
    check_matrix("R", third, matrix, 1e-14).unwrap();
    check_matrix("R the wrong way", third.conjugate(), matrix, 1e-14).unwrap_err();
    let (x, z) = (about([1.0, 0.0, 0.0], 90.0), about([0.0, 0.0, 1.0], 90.0));
    near("z then x", z.multiply(x).to_wxyz(), [0.5, 0.5, 0.5, 0.5], 1e-14).unwrap();
    near("x then z", x.multiply(z).to_wxyz(), [0.5, 0.5, -0.5, 0.5], 1e-14).unwrap();
}

/// yaw 10, pitch 20, roll 30 degrees (3-2-1); mpmath, and scipy's `from_euler('ZYX')`.
#[test]
fn yaw_pitch_roll() {
    let (yaw, pitch) = (about([0.0, 0.0, 1.0], 10.0), about([0.0, 1.0, 0.0], 20.0));
    let q = yaw.multiply(pitch).multiply(about([1.0, 0.0, 0.0], 30.0));
    let want =
        [0.951_548_524_643_788_5, 0.239_298_337_744_730_32, 0.189_307_857_412, 0.038_134_576_474_850_15];
    near("q", q.to_wxyz(), want, 1e-14).unwrap();
    let matrix = [
        [0.925_416_578_398_323_4, 0.018_028_311_236_297_29, 0.378_522_306_369_792_5],
        [0.163_175_911_166_534_83, 0.882_564_119_259_385_6, -0.440_969_610_529_882_4],
        [-0.342_020_143_325_668_7, 0.469_846_310_392_954_2, 0.813_797_681_349_373_7],
    ];
    check_matrix("R", q, matrix, 1e-14).unwrap();
    near("angle", [2.0 * q.w.acos().to_degrees()], [35.817_101_173_584_24], 1e-12).unwrap();
    near("back from the matrix", Attitude::from_matrix(&rows(matrix)).to_wxyz(), want, 1e-14).unwrap();
}

/// small angle, exact part.
#[test]
fn small_rotation_vector() {
    let rotation = Vector3::new(0.01, -0.02, 0.03);
    let q = Attitude::from_rotation_vector(&rotation);
    let want = [
        0.999_825_005_104_107_1,
        0.004_999_708_338_437_457,
        -0.009_999_416_676_874_915,
        0.014_999_125_015_312_372,
    ];
    near("q", q.to_wxyz(), want, 1e-14).unwrap();
    // Leading term of the first-order form's error: angle³/48.
    let error = (rotation * 0.5 - q.v).norm();
    near("error of the first order", [error], [1.0913e-6], 1e-4 * 1.0913e-6).unwrap();
}

/// constant rate of a sphere, exact exponential.
#[test]
fn constant_rate_of_a_sphere() {
    let published = [Moment {
        time_s: 20.0,
        rate: [0.1, 0.2, -0.15],
        q_wxyz: [
            0.900_877_168_368_757_1,
            -0.161_211_074_964_765_28,
            -0.322_422_149_929_530_57,
            0.241_816_612_447_147_93,
        ],
        tolerance: [1e-12, 1e-12],
    }];
    check_free([5.0; 3], [0.1, 0.2, -0.15], &published).unwrap();
    check_free([5.0; 3], [0.1, -0.2, -0.15], &published).unwrap_err();
}

/// smallsats.org, "Euler rotation example", 2012-12-09. The printed matrix is passive (reference to
/// body), the transpose of ours; the printed quaternion is ours with the scalar last.
#[test]
#[allow(clippy::approx_constant, reason = "figures as printed")]
fn printed_euler_example() {
    let turn = |axis, degrees| about(axis, degrees);
    let (x, z) = ([1.0, 0.0, 0.0], [0.0, 0.0, 1.0]);
    // Passive R3(30) R1(45) R3(45) carries reference components into body components.
    let q = turn(z, 45.0).multiply(turn(x, 45.0)).multiply(turn(z, 30.0));
    let printed = [[0.3624, 0.8624, 0.3536], [-0.7866, 0.0795, 0.6124], [0.5, -0.5, 0.7071]];
    check_matrix("printed R", q.conjugate(), printed, 6e-5).unwrap();
    check_matrix("printed R taken for active", q, printed, 6e-5).unwrap_err();
    let [w, x, y, z] = q.to_wxyz();
    near("printed q", [x, y, z, w], [0.3794, 0.05, 0.5624, 0.733], 6e-5).unwrap();
    let ours =
        [0.379_409_522_551_260_3, 0.049_950_211_252_314_81, 0.562_422_224_443_479_6, 0.732_962_913_144_534_2];
    near("q to full precision", [x, y, z, w], ours, 1e-14).unwrap();
}

/// smallsats.org, "Rodrigues parameters from rotation matrix", 2013-02-19: Gibbs vector of a printed
/// passive matrix.
#[test]
fn printed_gibbs_vector() {
    let passive = rows([[0.36, 0.48, -0.8], [-0.8, 0.6, 0.0], [0.48, 0.64, 0.6]]);
    let q = Attitude::from_matrix(&passive.transpose());
    near("gibbs", (q.v / q.w).into(), [-0.25, 0.5, 0.5], 1e-14).unwrap();
    near("q", q.to_wxyz(), [0.8, -0.2, 0.4, 0.4], 1e-14).unwrap();
    near("angle", [2.0 * q.w.acos().to_degrees()], [73.739_795_291_688_03], 1e-12).unwrap();
    let wrong = Attitude::from_matrix(&passive);
    near("gibbs of the transpose", (wrong.v / wrong.w).into(), [-0.25, 0.5, 0.5], 1e-14).unwrap_err();
}

/// The one place where conventions meet, with four unequal numbers: the body yawed by +90°, then rolled by
/// +30° about its own x. Its x axis points along inertial y; `v_body = q ⊗ v_inertial ⊗ q*`.
#[test]
fn file_convention_is_scalar_last_and_inertial_to_body() {
    let attitude = about([0.0, 0.0, 1.0], 90.0).multiply(about([1.0, 0.0, 0.0], 30.0));
    let file = attitude.to_file();
    let (s15, c15) = 15_f64.to_radians().sin_cos();
    let half = std::f64::consts::FRAC_1_SQRT_2;
    near("file", file, [-half * s15, -half * s15, -half * c15, half * c15], 1e-14).unwrap();
    // Rotate inertial y by the file's quaternion, Hamilton product written out.
    let rotate = |[x, y, z, w]: [f64; 4], v: Vector3<f64>| {
        let q = Vector3::new(x, y, z);
        let t = q.cross(&v) * 2.0;
        v + t * w + q.cross(&t)
    };
    near("x axis of the body", rotate(file, Vector3::y()).into(), [1.0, 0.0, 0.0], 1e-14).unwrap();
    near(
        "file's inverse",
        rotate(attitude.conjugate().to_file(), Vector3::y()).into(),
        [1.0, 0.0, 0.0],
        1e-14,
    )
    .unwrap_err();
    let back = Attitude::from_file(file);
    near("and back", back.to_wxyz(), attitude.to_wxyz(), 1e-15).unwrap();
    // A positive yaw rate increases the yaw.
    let mut truth = truth(&free([5.0; 3], [0.0, 0.0, 0.1]));
    truth.advance_to(1.0);
    near("yawed file", truth.attitude_xyzw(), [0.0, 0.0, -(0.05_f64).sin(), (0.05_f64).cos()], 1e-13)
        .unwrap();
}
