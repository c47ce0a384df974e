//! The circular orbit of a scenario.

use super::model::Orbit;
use super::section::{Range64, Section};

/// Gravitational constant of the Earth, m³/s² (WGS 84).
const EARTH_GM_M3_S2: f64 = 3.986_004_418e14;
/// Equatorial radius of the Earth, km (WGS 84).
const EARTH_RADIUS_KM: f64 = 6378.137;

/// The orbit: `Some(None)` without one, `None` when a problem was written down.
pub(super) fn read_orbit(root: &Section<'_>) -> Option<Option<Orbit>> {
    if !root.has("orbit") {
        return Some(None);
    }
    let section = root.section("orbit")?;
    let rate = read_rate(&section);
    let up = section.direction("up_at_start");
    let normal = section.direction_across("normal", ("up_at_start", up));
    section.finish();
    Some(Some(Orbit { rate_rad_s: rate?, up_at_start: up?, normal: normal? }))
}

/// Orbital rate, rad/s, from whichever of the two keys is there.
fn read_rate(section: &Section<'_>) -> Option<f64> {
    match (section.has("altitude_km"), section.has("rate_deg_s")) {
        (true, true) => {
            section.complain("rate_deg_s", "stands beside altitude_km", "either altitude_km or rate_deg_s");
            None
        }
        (true, false) => {
            let range = Range64::Within(100.0, 1e6);
            let hint = "kilometres above the equatorial radius, such as altitude_km = 500.0";
            let radius_m = (section.number("altitude_km", range, hint)? + EARTH_RADIUS_KM) * 1e3;
            Some((EARTH_GM_M3_S2 / radius_m.powi(3)).sqrt())
        }
        (false, true) => {
            // No orbit about anything solid is quicker: the rate is bounded by the body's density.
            let hint = "the orbital rate, such as rate_deg_s = 0.063";
            section.number("rate_deg_s", Range64::UpTo(0.2), hint).map(f64::to_radians)
        }
        (false, false) => {
            let remedy = "altitude_km = 500.0, or rate_deg_s";
            section.complain("altitude_km", "is missing, and so is rate_deg_s", remedy);
            None
        }
    }
}
