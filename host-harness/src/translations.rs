//! Translations as flown, and what a velocity change costs at the least.
//!
//! The price is the least propellant, at steady specific impulse, for the impulse of the velocity change with no angular
//! impulse about the centre of mass: the linear program of [`crate::bound`] in six rows, proven. The vehicle does not turn
//! for it: another attitude might be cheaper.

use anyhow::Result;
use nalgebra::{Quaternion, UnitQuaternion, Vector3};

use crate::bound::{certify, price_kg_per_n_s, usable};
use crate::plume;
use crate::record::CycleRow;
use crate::scenario::model::Scenario;

/// Valves have closed and thrust has died away so long after the kernel has done with a push, s.
const DYING_AWAY_S: f64 = 0.5;

/// What a stack's jets can push, at which price.
#[derive(Clone, Debug)]
pub struct Pricing {
    /// Per unit of impulse of each jet: angular impulse about the centre of mass, m, and impulse.
    columns: Vec<[f64; 6]>,
    /// Propellant per unit of impulse, kg per N·s.
    prices: Vec<f64>,
    usable: Vec<bool>,
}

impl Pricing {
    /// Of these bodies.
    ///
    /// * `arms_m` — torque per unit of impulse of each jet about the centre of mass, m.
    #[must_use]
    pub fn new(scenario: &Scenario, flown_stack: &[String], arms_m: &[[f64; 3]]) -> Self {
        let jets = plume::on(&scenario.vehicle.jets, flown_stack);
        let column = |(jet, arm): (&crate::scenario::model::Jet, &[f64; 3])| {
            let ([a, b, c], [d, e, f]) = (*arm, jet.force_direction);
            [a, b, c, d, e, f]
        };
        Self {
            columns: jets.iter().zip(arms_m).map(column).collect(),
            prices: jets.iter().map(price_kg_per_n_s).collect(),
            usable: jets.iter().map(|jet| usable(jet, flown_stack)).collect(),
        }
    }

    /// Least propellant for an impulse without angular impulse, body axes, N·s, kg.
    ///
    /// # Errors
    /// The jets cannot push that way without turning.
    pub fn price_kg(&self, impulse_n_s: [f64; 3]) -> Result<f64> {
        let [x, y, z] = impulse_n_s;
        let demand = [0.0, 0.0, 0.0, x, y, z];
        Ok(certify(std::slice::from_ref(&self.columns), &self.prices, &self.usable, demand, [0.0; 6])?
            .value_kg)
    }
}

/// One translation as flown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlownTranslation {
    /// From the command until the kernel has done with it, s; infinite when it never has.
    pub time_s: f64,
    /// Velocity missing or too much then, or at the end of the phase, over what was asked for.
    pub velocity_error: f64,
    /// Largest attitude error of any axis until then, over its half-width.
    pub excursion: f64,
    /// Propellant until then, kg.
    pub propellant_kg: f64,
    /// What the velocity gained by then costs at the least, kg; none where the jets cannot push that way.
    pub price_kg: Option<f64>,
}

/// Measures a translation.
///
/// * `rows` — of its phase; `attitude_xyzw` — held, inertial to body; `velocity_change_m_s` — asked for, body axes in that
///   attitude; `half_width_rad` — of the deadband; `mass_kg` — of the stack when it is empty of what was used.
#[must_use]
pub fn measure(
    rows: &[CycleRow],
    attitude_xyzw: [f64; 4],
    velocity_change_m_s: [f64; 3],
    half_width_rad: [f64; 3],
    mass_kg: f64,
    pricing: &Pricing,
) -> Option<FlownTranslation> {
    let (first, end) = (rows.first()?, rows.last()?);
    let [x, y, z, w] = attitude_xyzw;
    let attitude = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
    let asked = Vector3::from(velocity_change_m_s);
    let gained =
        |row: &CycleRow| attitude * (Vector3::from(row.velocity_m_s) - Vector3::from(first.velocity_m_s));
    let error = |row: &CycleRow| (gained(row) - asked).norm() / asked.norm();
    // While it pushes the kernel foresees the end of it.
    let done =
        rows.windows(2).rposition(|pair| pair[0].foreseen_s.is_finite() && pair[1].foreseen_s.is_infinite());
    let done = done.map(|before| &rows[before + 1]);
    let died_away = |done: &CycleRow| rows.iter().find(|row| row.time_s >= done.time_s + DYING_AWAY_S);
    let last = done.and_then(died_away).unwrap_or(end);
    let over = |row: &CycleRow| {
        row.error_rad.iter().zip(half_width_rad).map(|(error, width)| error.abs() / width).fold(0.0, f64::max)
    };
    let propellant_kg = last.propellant_kg - first.propellant_kg;
    let impulse = gained(last) * (mass_kg - 0.5 * propellant_kg);
    Some(FlownTranslation {
        time_s: done.map_or(f64::INFINITY, |row| row.time_s - first.time_s),
        velocity_error: error(last),
        excursion: rows.iter().take_while(|row| row.time_s <= last.time_s).map(over).fold(0.0, f64::max),
        propellant_kg,
        price_kg: pricing.price_kg(impulse.into()).ok(),
    })
}
