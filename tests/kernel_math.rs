//! The kernel's one door to mathematics against the same functions in `f64` (the platform's own library, correct to
//! far below `f32`): the bounds that `math.rs` states.
//!
//! Numbers are walked through by their bits, every 997th by default; `STACKHOLD_EVERY_ANGLE=1` takes every single one.
#![allow(missing_docs)]

use proptest::prelude::*;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::math;
use stackhold_kernel::quaternion::UnitQuaternion;
use stackhold_tests::on_target::maths::{FUNCTIONS, Of};

/// Every so-manieth `f32` from `low` to `high`, both not negative.
fn walk(low: f32, high: f32) -> impl Iterator<Item = f32> {
    let stride = if std::env::var_os("STACKHOLD_EVERY_ANGLE").is_some() { 1 } else { 997 };
    (low.to_bits()..=high.to_bits()).step_by(stride).map(f32::from_bits)
}

/// Largest of some errors, and where; an error that is not a number is the largest of all.
fn worst(errors: impl Iterator<Item = (f32, f64)>) -> (f32, f64) {
    errors.fold((0.0, 0.0), |worst, here| if here.1 <= worst.1 { worst } else { here })
}

#[test]
fn sine_and_cosine_are_as_close_as_stated_all_over_their_range() {
    let errors = walk(1e-9, math::LARGEST_ANGLE).map(|x| {
        let (sine, cosine) = math::sine_and_cosine(x);
        let (true_sine, true_cosine) = f64::from(x).sin_cos();
        (x, (f64::from(sine) - true_sine).abs().max((f64::from(cosine) - true_cosine).abs()))
    });
    let (at, error) = worst(errors);
    println!("sine and cosine: {error:.3e} at {at}");
    assert!(error < 8e-8, "{error:e} at {at}");
    assert_eq!(math::sine_and_cosine(0.0), (0.0, 1.0));
}

/// The errors that stand beside the counted instructions in `DEVELOPERS.md`: of the kernel's functions and of others that
/// it might use. Relative for roots and angles, absolute for sine and cosine.
#[test]
fn ways_to_a_function_err_as_the_table_says() {
    for (function, errors) in FUNCTIONS.iter().zip([
        &[7e-8, 7e-8, 0.065, 1.2e-7][..],
        &[7e-8, 1e-7, 0.035, 2e-7],
        &[8e-8, 8e-8, 1.2e-3],
        &[1.2e-7, 1.2e-7, 0.045],
    ]) {
        assert_eq!(function.ways.len(), errors.len());
        for ((way, of), bound) in function.ways.iter().zip(errors) {
            let (at, error) =
                worst(function.arguments(200_000).map(|x| (x, error_of(function.name, *of, x))));
            println!("{} {way}: {error:.1e} at {at}", function.name);
            // Neither worse nor so much better that the choice would be another.
            assert!(error < *bound && error > bound / 4.0, "{} {way}: {error:e} at {at}", function.name);
        }
    }
}

/// Error of a way to a function for an argument.
fn error_of(function: &str, of: Of, x: f32) -> f64 {
    let ((first, second), x) = (of(x), f64::from(x));
    let (truth, size) = match function {
        "root" => ((x.sqrt(), 0.0), x.sqrt()),
        "inverse_root_near_one" => ((1.0 / x.sqrt(), 0.0), 1.0 / x.sqrt()),
        "sine_and_cosine" => (x.sin_cos(), 1.0),
        "angle_of_point" => ((x.atan(), 0.0), x.atan()),
        other => panic!("no truth for {other}"),
    };
    (f64::from(first) - truth.0).abs().max((f64::from(second) - truth.1).abs()) / size
}

#[test]
fn angles_out_of_range_are_those_of_zero() {
    for x in [-1e-9, 8193.0, f32::INFINITY, f32::NAN] {
        assert_eq!(math::sine_and_cosine(x), (0.0, 1.0), "{x}");
    }
}

#[test]
fn inverse_roots_near_one_are_as_close_as_stated() {
    let errors = walk(0.98, 1.02).map(|x| {
        let truth = 1.0 / f64::from(x).sqrt();
        (x, (f64::from(math::inverse_sqrt_near_one(x)) - truth).abs() / truth)
    });
    let (at, error) = worst(errors);
    println!("inverse root: {error:.3e} at {at}");
    assert!(error < 7e-8, "{error:e} at {at}");
}

/// A root in `f64` rounded to `f32` is the correctly rounded root: 53 digits are more than twice 24 and two
/// (Figueroa, "When is double rounding innocuous?", SIGNUM Newsletter, 1995).
#[test]
fn roots_are_correctly_rounded() {
    for x in walk(1e-30, 1e30) {
        assert_eq!(math::sqrt(x), f64::from(x).sqrt() as f32, "{x}");
    }
    assert!(math::sqrt(-1.0).is_nan());
}

#[test]
fn every_number_is_told_to_be_finite_or_not_as_the_standard_has_it() {
    let suspects =
        [0.0, -0.0, 1e-45, f32::MIN_POSITIVE, 1.0, f32::MAX, f32::INFINITY, f32::NAN, -f32::NAN, f32::MIN];
    for x in suspects {
        assert_eq!(math::all_finite(&[1.0, x, -2.0]), x.is_finite(), "{x}");
    }
    assert!(math::all_finite(&[]));
    assert!(!math::all_finite(&[f32::NEG_INFINITY, f32::NEG_INFINITY]));
    assert!(walk(0.0, f32::INFINITY).all(|x| math::all_finite(&[x, -x]) == x.is_finite()));
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    #[test]
    fn angles_of_points_are_within_two_units_in_the_last_place(
        y in -1.0_f32..1.0, x in -1.0_f32..1.0, size in -20_i32..20,
    ) {
        let (y, x) = (y * 2.0_f32.powi(size), x * 2.0_f32.powi(-size));
        let (angle, truth) = (f64::from(math::atan2(y, x)), f64::from(y).atan2(f64::from(x)));
        prop_assert!((angle - truth).abs() <= 2.4e-7 * truth.abs(), "{} {}", angle, truth);
    }

    /// Any array of a length within 1 % becomes one of length 1.
    #[test]
    fn a_quaternion_is_normalised_as_it_is_taken(
        turn in prop::array::uniform4(-1.0_f64..1.0), length in 0.9905_f64..1.0095,
    ) {
        let norm = turn.iter().map(|c| c * c).sum::<f64>().sqrt();
        prop_assume!(norm > 1e-3);
        let given = turn.map(|c| (c / norm * length) as f32);
        let unit = UnitQuaternion::from_array(given).expect("within 1 %").to_array();
        for (got, component) in unit.iter().zip(turn) {
            prop_assert!((f64::from(*got) - component / norm).abs() < 2.5e-7, "{:?}", unit);
        }
    }

    /// Either side of where the series end (a tenth of a radian) a turn is the exponential of half of it, and the
    /// error found between the two attitudes is the turn.
    #[test]
    fn turns_are_exact_on_both_sides_of_the_series_end(
        axis in prop::array::uniform3(-1.0_f64..1.0), angle in 0.0_f64..0.2,
    ) {
        let norm = axis.iter().map(|c| c * c).sum::<f64>().sqrt();
        prop_assume!(norm > 1e-3);
        let turn = axis.map(|c| (c / norm * angle) as f32);
        let turned = UnitQuaternion::IDENTITY.turned_by(Vec3(turn));
        let back = turned.error_from(UnitQuaternion::IDENTITY);
        for (got, wanted) in back.0.iter().zip(turn) {
            prop_assert!((got - wanted).abs() < 1.5e-7, "{:?} {:?}", back, turn);
        }
        let [x, y, z, w] = turned.to_array().map(f64::from);
        let half = turn.map(|c| f64::from(c) / 2.0);
        let size = half.iter().map(|c| c * c).sum::<f64>().sqrt();
        prop_assert!((w - size.cos()).abs() < 1.5e-7);
        let sine = if size > 0.0 { size.sin() / size } else { 1.0 };
        for (got, h) in [x, y, z].iter().zip(half) {
            // Components turn one way when the body turns the other.
            prop_assert!((got + h * sine).abs() < 1.5e-7);
        }
    }
}

#[test]
fn a_turn_beyond_all_angles_changes_nothing() {
    let before = UnitQuaternion::IDENTITY.turned_by(Vec3([0.3, -0.2, 0.1]));
    for turn in [2e4, 1e30, f32::INFINITY, f32::NAN] {
        let after = before.turned_by(Vec3([turn, 0.0, 0.0]));
        assert!(after.error_from(before).norm() < 2e-7, "{turn}");
    }
}
