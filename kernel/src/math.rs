//! The only door to floating-point functions: equal bits on every target depend on it.
//!
//! Basic arithmetic is IEEE 754 round-to-nearest everywhere; what is not basic comes from `libm`
//! at one exact version, never from the platform.

/// Square root of `x`; NaN for `x < 0`. Correctly rounded.
#[must_use]
pub fn sqrt(x: f32) -> f32 {
    libm::sqrtf(x)
}

/// Sine of `x` radians (about 1,250 instructions on a Cortex-M4F: keep it out of quiet cycles).
#[must_use]
pub fn sin(x: f32) -> f32 {
    libm::sinf(x)
}

/// Cosine of `x` radians.
#[must_use]
pub fn cos(x: f32) -> f32 {
    libm::cosf(x)
}

/// Angle of the point `(x, y)` in radians, within ±π.
#[must_use]
pub fn atan2(y: f32, x: f32) -> f32 {
    libm::atan2f(y, x)
}

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
/// The one place where a float becomes a tick count.
#[must_use]
pub fn whole_ticks(x: f32, limit: u16) -> u16 {
    // A saturating conversion: NaN gives zero, out-of-range values the nearest end.
    let ticks = x as u16;
    if ticks > limit { limit } else { ticks }
}

/// A tick count as a float (exact: 16 bits fit the mantissa).
#[must_use]
pub fn from_ticks(ticks: u16) -> f32 {
    f32::from(ticks)
}
