//! Round numbers along an axis.

/// Round steps (1, 2 or 5 times a power of ten) that fill `low..high` with about `wanted` marks.
pub fn round_ticks(low: f64, high: f64, wanted: usize) -> Vec<f64> {
    let span = high - low;
    if !span.is_finite() || span <= 0.0 || wanted == 0 {
        return vec![low];
    }
    let raw = span / wanted as f64;
    let power = 10_f64.powf(raw.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|s| *s >= raw).unwrap_or(raw);
    let first = (low / step).ceil() as i64;
    let last = (high / step).floor() as i64;
    (first..=last).map(|index| index as f64 * step).collect()
}

/// A tick's label with as many decimals as its step needs.
pub fn tick_label(value: f64, step: f64) -> String {
    let decimals = if step > 0.0 { (-step.log10().floor()).max(0.0) as usize } else { 0 };
    let value = if value.abs() < step * 1e-6 { 0.0 } else { value };
    if decimals > 4 { format!("{value:.0e}") } else { format!("{value:.decimals$}") }.replace('-', "−")
}
