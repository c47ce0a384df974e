//! The only door to floating-point functions: equal bits on every target depend on it.
//!
//! Basic arithmetic is IEEE 754 round-to-nearest everywhere; what is not basic comes from `libm`
//! at one exact version, never from the platform.
//!
//! Each way was chosen by its instructions on a board and its error, measured beside those of other ways: the table stands in
//! `DEVELOPERS.md`, with how often a cycle asks for each.

/// Square root of `x`; NaN for `x < 0`. Correctly rounded: `libm`'s. A coarse seed, refined, is less than half as
/// long, but not correctly rounded.
#[must_use]
pub fn sqrt(x: f32) -> f32 {
    #[expect(clippy::disallowed_methods, reason = "the door itself")]
    libm::sqrtf(x)
}

/// `1/√x` for `x` within 2 % of 1, by five terms of the binomial series: no root, no division. Error under 7e-8 of the
/// value; beyond 2 % it grows. A coarse seed, refined until it is as close, takes longer.
#[must_use]
pub fn inverse_sqrt_near_one(x: f32) -> f32 {
    let e = 1.0 - x;
    1.0 + e * (0.5 + e * (0.375 + e * (0.3125 + e * 0.273_437_5)))
}

/// Largest angle that [`sine_and_cosine`] takes, rad.
pub const LARGEST_ANGLE: f32 = 8192.0;

/// Sine and cosine of `x` radians, `0 <= x <=` [`LARGEST_ANGLE`]; beyond, and for NaN, those of zero. Error under
/// 8e-8.
///
/// Reduction by parts of π/2 that multiply exactly, then polynomials within ±π/4: method and coefficients as published
/// in `sinf.c` of Moshier's Cephes Mathematical Library. `libm`'s work in double precision.
#[must_use]
pub fn sine_and_cosine(x: f32) -> (f32, f32) {
    if !(0.0..=LARGEST_ANGLE).contains(&x) {
        return (0.0, 1.0);
    }
    // Quarter turns nearest to x: at most 5,215.
    let quarters = whole_ticks(x * core::f32::consts::FRAC_2_PI + 0.5, u16::MAX);
    let q = from_ticks(quarters);
    let r = ((x - q * 1.570_312_5) - q * 4.837_513e-4) - q * 7.549_79e-8;
    let z = r * r;
    let sine = ((-1.951_529_6e-4 * z + 8.332_161e-3) * z - 1.666_665_5e-1) * z * r + r;
    let cosine = ((2.443_315_7e-5 * z - 1.388_731_6e-3) * z + 4.166_664_6e-2) * z * z - 0.5 * z + 1.0;
    match quarters % 4 {
        0 => (sine, cosine),
        1 => (cosine, -sine),
        2 => (-sine, -cosine),
        _ => (-cosine, sine),
    }
}

/// Angle of the point `(x, y)` in radians, within ±π: `libm`'s, for coarse ones save little.
#[must_use]
pub fn atan2(y: f32, x: f32) -> f32 {
    #[expect(clippy::disallowed_methods, reason = "the door itself")]
    libm::atan2f(y, x)
}

/// Whether every number is finite: integer work, cheap with or without a floating-point unit.
#[must_use]
pub fn all_finite(values: &[f32]) -> bool {
    // One more in the exponent reaches the sign's place from the exponent of infinity and NaN alone.
    let reached = values.iter().fold(0, |any, value| any | ((value.to_bits() & !SIGN) + LEAST_EXPONENT));
    reached & SIGN == 0
}

/// Magnitude below which a number that is told or measured means nothing, in any unit of the kernel (2^-40).
pub const DUST: f32 = 9.094_947e-13;

/// `x`, or zero where it is smaller than [`DUST`]: what comes in passes here, so that no subnormal number comes in and
/// none is made of what is left (a product of three is normal still). Integer work: some floating-point units trap on
/// subnormal numbers, so not even a comparison may meet one.
#[must_use]
pub fn without_dust(x: f32) -> f32 {
    if x.to_bits() & !SIGN < DUST.to_bits() { 0.0 } else { x }
}

/// `x`, below 2^-38 rounded to whole multiples of 2^-60 (9e-19): zero, or large enough that the product of two is a
/// normal number. For what the kernel makes itself and what may die away without end. Two additions; larger numbers
/// may lose half a unit in their last place.
#[must_use]
pub fn settled(x: f32) -> f32 {
    // 1.5 × 2^-37: a unit in its last place is 2^-60.
    const COARSE: f32 = 1.091_393_6e-11;
    (x + COARSE) - COARSE
}

const SIGN: u32 = 1 << 31;
const LEAST_EXPONENT: u32 = 1 << 23;

/// The larger of two numbers; `b` when either is NaN or they are equal.
#[must_use]
pub fn max(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// The smaller of two numbers; `b` when either is NaN or they are equal.
#[must_use]
pub fn min(a: f32, b: f32) -> f32 {
    if a < b { a } else { b }
}

/// `x` held within `[low, high]`; `low` when `x` is NaN.
#[must_use]
pub fn clamp(x: f32, low: f32, high: f32) -> f32 {
    min(max(x, low), high)
}

/// Whole number nearest to `x` from below, held within `[0, limit]`; zero when `x` is NaN.
///
/// Here and in [`whole`] alone a float becomes a count.
#[must_use]
pub fn whole_ticks(x: f32, limit: u16) -> u16 {
    // A saturating conversion: NaN gives zero, out-of-range values the nearest end.
    let ticks = x as u16;
    if ticks > limit { limit } else { ticks }
}

/// The same for counts beyond 16 bits.
#[must_use]
pub fn whole(x: f32, limit: u32) -> u32 {
    let count = x as u32;
    if count > limit { limit } else { count }
}

/// A tick count as a float (exact: 16 bits fit the mantissa).
#[must_use]
pub fn from_ticks(ticks: u16) -> f32 {
    f32::from(ticks)
}
