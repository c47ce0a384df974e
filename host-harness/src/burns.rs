//! Burns of the main engine as flown, beside the rocket equation.

use nalgebra::{Quaternion, UnitQuaternion, Vector3};

use crate::bound::STANDARD_GRAVITY_M_S2;
use crate::record::CycleRow;
use crate::scenario::model::Engine;
use crate::truth::engine::Mount;

/// The line of force counts from so long after the first full thrust, s: until then it may still be led in.
const LED_IN_S: f64 = 10.0;
/// Thrust has died away so long after the engine's last, s.
const DYING_AWAY_S: f64 = 0.5;

/// One burn as flown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlownBurn {
    /// From the command until thrust has died away, s; infinite when the engine never burnt.
    pub time_s: f64,
    /// Velocity missing or too much then, over what was asked for.
    pub velocity_error: f64,
    /// The part of it across what was asked for, over that.
    pub velocity_across: f64,
    /// Largest attitude error of any axis from where the kernel wants it while the engine burns, rad.
    pub attitude_error_rad: f64,
    /// Largest angle between the line of force and the velocity change asked for, from ten seconds after full thrust on, rad.
    pub line_error_rad: f64,
    /// Propellant of jets from the command until the engine's first thrust: settling, and turning there, kg.
    pub before_kg: f64,
    /// Propellant from then on, kg.
    pub propellant_kg: f64,
    /// What the velocity gained from then on along the one asked for takes with this engine alone (rocket equation), kg.
    pub price_kg: f64,
    /// Propellant of jets while the engine burns, over that of both.
    pub jets_share: f64,
}

/// Measures a burn; `None` where there are no rows.
///
/// * `rows` — of its phase; `attitude_xyzw` — commanded, inertial to body; `velocity_change_m_s` — asked for, body axes in that
///   attitude; `mass_kg` — of the stack when the phase begins.
#[must_use]
pub fn measure(
    rows: &[CycleRow],
    attitude_xyzw: [f64; 4],
    velocity_change_m_s: [f64; 3],
    mass_kg: f64,
    engine: &Engine,
) -> Option<FlownBurn> {
    let (first, end) = (rows.first()?, rows.last()?);
    let unit = |[x, y, z, w]: [f64; 4]| UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
    let asked = unit(attitude_xyzw).inverse() * Vector3::from(velocity_change_m_s);
    let along = asked.normalize();
    let gained = |row: &CycleRow| Vector3::from(row.velocity_m_s) - Vector3::from(first.velocity_m_s);
    let burning = |row: &&CycleRow| row.engine_thrust_n > 0.0;
    let last_burning = rows.iter().rfind(burning);
    let full = |row: &&CycleRow| row.engine_thrust_n > 0.99 * engine.thrust_n;
    let first_full = rows.iter().find(full).map_or(f64::INFINITY, |row| row.time_s);
    let done = last_burning.and_then(|last| rows.iter().find(|row| row.time_s >= last.time_s + DYING_AWAY_S));
    let after = done.unwrap_or(end);
    let mount = Mount::from(engine);
    let line_error = |row: &CycleRow| {
        let line = unit(row.attitude_xyzw).inverse() * mount.direction(row.gimbal_rad);
        line.angle(&asked)
    };
    let largest = |values: &mut dyn Iterator<Item = f64>| values.fold(0.0, f64::max);
    let missed = gained(after) - asked;
    let ignition = rows.iter().find(burning).unwrap_or(after);
    let before_kg = ignition.propellant_kg - first.propellant_kg;
    let propellant_kg = after.propellant_kg - ignition.propellant_kg;
    let brought = (gained(after) - gained(ignition)).dot(&along);
    let exhaust_m_s = engine.specific_impulse_s * STANDARD_GRAVITY_M_S2;
    let engine_used = after.engine_propellant_kg - first.engine_propellant_kg;
    Some(FlownBurn {
        time_s: last_burning.map_or(f64::INFINITY, |_| after.time_s - first.time_s),
        velocity_error: missed.norm() / asked.norm(),
        velocity_across: (missed - along * missed.dot(&along)).norm() / asked.norm(),
        attitude_error_rad: largest(
            &mut rows.iter().filter(burning).flat_map(|row| row.estimated_error_rad).map(f64::abs),
        ),
        line_error_rad: largest(
            &mut rows.iter().filter(full).filter(|row| row.time_s > first_full + LED_IN_S).map(line_error),
        ),
        before_kg,
        propellant_kg,
        price_kg: (mass_kg - before_kg) * (1.0 - (-brought / exhaust_m_s).exp()),
        jets_share: if propellant_kg > 0.0 { (1.0 - engine_used / propellant_kg).max(0.0) } else { 0.0 },
    })
}
