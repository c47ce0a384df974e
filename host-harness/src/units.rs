//! Units as they end the keys of our files, and as people read them.

/// A unit of a key.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unit {
    ending: &'static str,
    /// As a page writes it.
    pub typeset: &'static str,
    /// As a terminal writes it.
    pub plain: &'static str,
}

const fn unit(ending: &'static str, typeset: &'static str, plain: &'static str) -> Unit {
    Unit { ending, typeset, plain }
}

/// Longest endings first.
const UNITS: [Unit; 26] = [
    unit("_kg_per_n_m_s", "kg/(N·m·s)", "kg/(N m s)"),
    unit("_kg_per_n_s", "kg/(N·s)", "kg/(N s)"),
    unit("_kg_per_day", "kg/day", "kg/day"),
    unit("_percent", "%", "%"),
    unit("_rad_s2", "rad/s²", "rad/s2"),
    unit("_deg_s2", "°/s²", "deg/s2"),
    unit("_kg_m2", "kg·m²", "kg m2"),
    unit("_n_m_s", "N·m·s", "N m s"),
    unit("_rad_s", "rad/s", "rad/s"),
    unit("_deg_s", "°/s", "deg/s"),
    unit("_mm_s", "mm/s", "mm/s"),
    unit("_kg_s", "kg/s", "kg/s"),
    unit("_n_m", "N·m", "N m"),
    unit("_n_s", "N·s", "N s"),
    unit("_m_s", "m/s", "m/s"),
    unit("_deg", "°", "deg"),
    unit("_rad", "rad", "rad"),
    unit("_ms", "ms", "ms"),
    unit("_kg", "kg", "kg"),
    unit("_mm", "mm", "mm"),
    unit("_hz", "Hz", "Hz"),
    unit("_w", "W", "W"),
    unit("_g", "g", "g"),
    unit("_n", "N", "N"),
    unit("_m", "m", "m"),
    unit("_s", "s", "s"),
];

/// Splits a key such as `worst_axis_error_deg` into its stem and its unit; a bare number has an empty one.
#[must_use]
pub fn split(key: &str) -> (&str, Unit) {
    let ended = UNITS.iter().find_map(|unit| Some((key.strip_suffix(unit.ending)?, *unit)));
    ended.filter(|(stem, _)| !stem.is_empty()).unwrap_or((key, Unit::default()))
}
