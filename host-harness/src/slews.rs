//! Slews as flown, and what a slew costs at the least.
//!
//! # Prices
//! Between the middle of its rise and the middle of its fall a slew coasts for a time `T`. Two ways to get from one attitude
//! to the other in that time are priced, with impulses at both ends in place of the rise and the fall, each at the least
//! propellant that the jets allow for its angular impulse (the linear program of [`crate::bound`], proven):
//!
//! * **about the eigenaxis** `e` at the rate `θ/T`: `J·e·θ/T` to start, the same to stop, and on the way the torque `e × J·e·(θ/T)²`
//!   that keeps the axis, for the time `T`;
//! * **precessing**: the torque-free motion that leads there. The rate at its start solves a boundary value problem
//!   (Newton's method on Euler's equations, integrated in fine steps); nothing is paid on the way.

use anyhow::{Result, bail};
use nalgebra::{Matrix3, Quaternion, UnitQuaternion, Vector3};

use crate::bound::{certify, price_kg_per_n_s, usable};
use crate::closed_loop::error_from;
use crate::plume;
use crate::record::CycleRow;
use crate::scenario::model::Scenario;
use crate::stack;

/// Steps in which a torque-free coast is integrated.
const STEPS: u32 = 2_000;
/// Rates are far from those of a coast below this share of the largest.
const HALF: f64 = 0.5;
/// A slew has arrived when it turns slower than this share of its largest rate, within its deadband.
const STILL: f64 = 0.05;
/// A deadband is met a little beyond its edge, which is turned round there.
const AT_EDGE: f64 = 1.05;

/// What a turn costs at the least, each way, kg.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prices {
    /// About the eigenaxis.
    pub eigenaxis_kg: f64,
    /// Torque-free; none where no such motion was found.
    pub precessing_kg: Option<f64>,
}

/// What a stack's jets can do about its centre of mass, at which price.
#[derive(Clone, Debug)]
pub struct Pricing {
    /// Inertia about the centre of mass, body axes, kg·m².
    inertia: Matrix3<f64>,
    inverse: Matrix3<f64>,
    /// Torque per unit of impulse of each jet, m.
    arms: Vec<[f64; 3]>,
    /// Propellant per unit of impulse, kg per N·s.
    prices: Vec<f64>,
    usable: Vec<bool>,
}

impl Pricing {
    /// Of these bodies with full tanks.
    ///
    /// * `arms_m` — torque per unit of impulse of each jet about the centre of mass, m.
    ///
    /// # Errors
    /// The inertia is singular.
    pub fn new(scenario: &Scenario, flown_stack: &[String], arms_m: &[[f64; 3]]) -> Result<Self> {
        let vehicle = &scenario.vehicle;
        let jets = plume::on(&vehicle.jets, flown_stack);
        let inertia = stack::composite(vehicle, flown_stack, &stack::full_tanks(vehicle)).inertia_kg_m2;
        let inertia = Matrix3::from_fn(|i, j| inertia[i][j]);
        let Some(inverse) = inertia.try_inverse() else { bail!("the stack's inertia is singular") };
        Ok(Self {
            inertia,
            inverse,
            arms: arms_m.to_vec(),
            prices: jets.iter().map(price_kg_per_n_s).collect(),
            usable: jets.iter().map(|jet| usable(jet, flown_stack)).collect(),
        })
    }

    /// Least propellant for an angular impulse, N·m·s, kg.
    fn price_kg(&self, impulse: Vector3<f64>) -> Result<f64> {
        let samples = [self.arms.clone()];
        Ok(certify(&samples, &self.prices, &self.usable, impulse.into(), [0.0; 3])?.value_kg)
    }

    /// Prices of a turn.
    ///
    /// * `turn` — rotation vector of the turn, body axes, rad; `coast_s` — from the middle of the rise to the middle
    ///   of the fall, s.
    ///
    /// # Errors
    /// The jets cannot turn the stack about that axis.
    pub fn of_turn(&self, turn: Vector3<f64>, coast_s: f64) -> Result<Prices> {
        let (axis, rate) = (turn.normalize(), turn / coast_s);
        let momentum = self.inertia * rate;
        let gyroscopic = rate.cross(&momentum) * coast_s;
        let eigenaxis_kg =
            self.price_kg(momentum)? + self.price_kg(-momentum)? + self.price_kg(gyroscopic)?;
        let precessing_kg = self.precessing(turn, coast_s, axis).and_then(|(start, end)| {
            Some(self.price_kg(self.inertia * start).ok()? + self.price_kg(-(self.inertia * end)).ok()?)
        });
        Ok(Prices { eigenaxis_kg, precessing_kg })
    }

    /// Body rates at the start and the end of the torque-free motion that makes a turn in a time, rad/s.
    #[must_use]
    pub fn precessing(
        &self,
        turn: Vector3<f64>,
        coast_s: f64,
        axis: Vector3<f64>,
    ) -> Option<(Vector3<f64>, Vector3<f64>)> {
        let wanted = UnitQuaternion::from_scaled_axis(turn);
        let miss = |start: Vector3<f64>| {
            let (reached, end) = self.coast(start, coast_s);
            ((wanted.inverse() * reached).scaled_axis(), end)
        };
        let mut start = axis * (turn.norm() / coast_s);
        for _ in 0..50 {
            let (missed, end) = miss(start);
            if missed.norm() < 1e-10 {
                return Some((start, end));
            }
            let step = 1e-6 * start.norm();
            let slopes = Matrix3::from_columns(&[0, 1, 2].map(|axis| {
                let mut moved = start;
                moved[axis] += step;
                (miss(moved).0 - missed) / step
            }));
            let change = slopes.try_inverse()? * missed;
            // Half of the rate at most at once, so that a far guess does not jump to another motion.
            start -= change * (0.5 * start.norm() / change.norm()).min(1.0);
        }
        None
    }

    /// Turn (body to start) and rate after a coast without torque.
    fn coast(&self, start: Vector3<f64>, span_s: f64) -> (UnitQuaternion<f64>, Vector3<f64>) {
        let slope = |(q, rate): (Quaternion<f64>, Vector3<f64>)| {
            let turned = q * Quaternion::from_imag(rate) * 0.5;
            (turned, -(self.inverse * rate.cross(&(self.inertia * rate))))
        };
        let h = span_s / f64::from(STEPS);
        let mut state = (Quaternion::identity(), start);
        for _ in 0..STEPS {
            let ahead = |k: (Quaternion<f64>, Vector3<f64>), h: f64| (state.0 + k.0 * h, state.1 + k.1 * h);
            let k1 = slope(state);
            let k2 = slope(ahead(k1, 0.5 * h));
            let k3 = slope(ahead(k2, 0.5 * h));
            let k4 = slope(ahead(k3, h));
            state = (
                state.0 + (k1.0 + (k2.0 + k3.0) * 2.0 + k4.0) * (h / 6.0),
                state.1 + (k1.1 + (k2.1 + k3.1) * 2.0 + k4.1) * (h / 6.0),
            );
        }
        (UnitQuaternion::from_quaternion(state.0), state.1)
    }
}

/// One slew as flown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FlownSlew {
    /// From the command to the arrival, s; infinite when it never arrives.
    pub time_s: f64,
    /// Largest error of any axis beyond the target, or about an axis that is not to turn, from the middle of the fall on,
    /// over its half-width.
    pub overshoot: f64,
    /// Largest turn away from the eigenaxis, rad.
    pub stray_rad: f64,
    /// Propellant until the arrival, kg.
    pub propellant_kg: f64,
    /// What it would cost at the least; none for a slew that began in a turn, or about an axis that the jets cannot serve.
    pub prices: Option<Prices>,
}

fn rate(row: &CycleRow) -> f64 {
    Vector3::from(row.rate_rad_s).norm()
}

fn peak_rate(rows: &[CycleRow]) -> f64 {
    rows.iter().map(rate).fold(0.0, f64::max)
}

/// The middle of the fall: the last cycle that turns fast.
fn fallen(rows: &[CycleRow], peak: f64) -> Option<usize> {
    rows.iter().rposition(|row| rate(row) > HALF * peak)
}

/// The cycle in which a slew has arrived: the first after the middle of its fall that is within its deadband and turns slowly.
///
/// * `rows` — of its phase; `half_width_rad` — of its deadband.
#[must_use]
pub fn arrival(rows: &[CycleRow], half_width_rad: [f64; 3]) -> Option<&CycleRow> {
    let peak = peak_rate(rows);
    rows[fallen(rows, peak)?..].iter().find(|row| {
        let within =
            row.error_rad.iter().zip(half_width_rad).all(|(error, width)| error.abs() <= AT_EDGE * width);
        within && rate(row) < STILL * peak
    })
}

/// Measures a slew.
///
/// * `rows` — of its phase; `target_xyzw` — wanted attitude, inertial to body; `half_width_rad` — of its deadband.
#[must_use]
pub fn measure(
    rows: &[CycleRow],
    target_xyzw: [f64; 4],
    half_width_rad: [f64; 3],
    pricing: &Pricing,
) -> Option<FlownSlew> {
    let first = rows.first()?;
    let peak = peak_rate(rows);
    let risen = rows.iter().position(|row| rate(row) > HALF * peak)?;
    let fallen = fallen(rows, peak)?;
    let to_go = error_from(first.attitude_xyzw, target_xyzw);
    let turn = -Vector3::from(to_go);
    let beyond = |row: &CycleRow| {
        let of_axis = |axis: usize| {
            let (error, start) = (row.error_rad[axis], to_go[axis]);
            let past = if start.abs() > half_width_rad[axis] { -start.signum() * error } else { error.abs() };
            past / half_width_rad[axis]
        };
        (0..3).map(of_axis).fold(0.0, f64::max)
    };
    let after = &rows[fallen..];
    let arrived = arrival(rows, half_width_rad);
    let axis = turn.try_normalize(0.0)?;
    let stray = |row: &CycleRow| {
        let turned = UnitQuaternion::from_scaled_axis(Vector3::from(error_from(
            row.attitude_xyzw,
            first.attitude_xyzw,
        )));
        // The part of the turn about the axis, and the rest.
        let along = turned.imag().dot(&axis);
        let about = Quaternion::from_parts(turned.w, axis * along);
        (turned * UnitQuaternion::from_quaternion(about).inverse()).angle()
    };
    let began_at_rest = rate(first) < STILL * peak;
    let coast_s = rows[fallen].time_s - rows[risen].time_s;
    let last = arrived.or(rows.last())?;
    Some(FlownSlew {
        time_s: arrived.map_or(f64::INFINITY, |row| row.time_s - first.time_s),
        overshoot: after.iter().map(beyond).fold(0.0, f64::max),
        stray_rad: rows[..fallen].iter().map(stray).fold(0.0, f64::max),
        propellant_kg: last.propellant_kg - first.propellant_kg,
        prices: if began_at_rest && coast_s > 0.0 { pricing.of_turn(turn, coast_s).ok() } else { None },
    })
}

/// Sums and worst cases over the slews of a run.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct SlewFigures {
    /// Longest time, s.
    pub time_s: Option<f64>,
    /// Worst overshoot, half-widths.
    pub overshoot: Option<f64>,
    /// Largest turn away from the eigenaxis, rad.
    pub stray_rad: Option<f64>,
    /// Propellant of all that have prices, kg, and their prices.
    pub propellant_kg: Option<f64>,
    /// About the eigenaxis, kg.
    pub eigenaxis_kg: Option<f64>,
    /// Precessing, kg; none where one of them has no such price.
    pub precessing_kg: Option<f64>,
}

impl SlewFigures {
    /// Of these slews.
    #[must_use]
    pub fn of(slews: &[FlownSlew]) -> Self {
        let worst = |of: fn(&FlownSlew) -> f64| slews.iter().map(of).reduce(f64::max);
        let priced: Vec<(f64, Prices)> =
            slews.iter().filter_map(|slew| Some((slew.propellant_kg, slew.prices?))).collect();
        let sum = |of: fn(&(f64, Prices)) -> Option<f64>| {
            let all: Option<Vec<f64>> = priced.iter().map(of).collect();
            all.filter(|all| !all.is_empty()).map(|all| all.iter().sum())
        };
        Self {
            time_s: worst(|slew| slew.time_s),
            overshoot: worst(|slew| slew.overshoot),
            stray_rad: worst(|slew| slew.stray_rad),
            propellant_kg: sum(|(used, _)| Some(*used)),
            eigenaxis_kg: sum(|(_, prices)| Some(prices.eigenaxis_kg)),
            precessing_kg: sum(|(_, prices)| prices.precessing_kg),
        }
    }
}
