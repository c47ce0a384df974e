//! Slow rotations as they truly went: rate, nutation, and where the angular momentum points.
//!
//! The free axis is that principal axis of the true stack, full tanks, that is nearest to the one asked for; the kernel's
//! own is worked out elsewhere, by other means, from what it is told.

use anyhow::Result;
use nalgebra::{Matrix3, Quaternion, UnitQuaternion, Vector3};
use stackhold_kernel::status::Status;

use crate::bound::{certify, price_kg_per_n_s, usable};
use crate::metrics::{Figures, phases, rows_between};
use crate::plume;
use crate::record::{CycleRow, RunRecord};
use crate::scenario::model::{Mode, Scenario};
use crate::stack;

/// A rotation in one cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Turn {
    /// Start of the cycle, s.
    pub time_s: f64,
    /// Rate about the free axis, rad/s.
    pub rate_rad_s: f64,
    /// Angle between the free axis and the angular momentum, rad.
    pub nutation_rad: f64,
    /// Angle of the angular momentum from where it pointed when the coast began, inertial, rad; 0 before the first.
    pub stray_rad: f64,
    /// Whether the kernel lets it coast.
    pub coasts: bool,
}

/// Part of a run in which one rotation is asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Flown {
    /// Rate asked for, rad/s.
    pub rate_rad_s: f64,
    /// Rate change from the start to the rotation asked for, body axes, rad/s.
    pub change_rad_s: [f64; 3],
    /// Every cycle.
    pub turns: Vec<Turn>,
}

/// Every rotation of a flight.
///
/// * `flown_stack` — bodies really there at the start.
#[must_use]
pub fn flown(scenario: &Scenario, flown_stack: &[String], record: &RunRecord) -> Vec<Flown> {
    let vehicle = &scenario.vehicle;
    let of_phase = |(start, end, mode): (f64, f64, &Mode)| {
        let Mode::Rotate { about, rate_rad_s, .. } = mode else { return None };
        let there = record.stack_at(flown_stack, start);
        let stack = stack::composite(vehicle, &there, &stack::full_tanks(vehicle));
        let inertia = stack.inertia();
        let axis = nearest(&stack.principal().axes.map(Vector3::from), &Vector3::from(*about));
        let rows = rows_between(&record.cycles, start, end);
        let first = Vector3::from(rows.first()?.rate_rad_s);
        Some(Flown {
            rate_rad_s: *rate_rad_s,
            change_rad_s: (axis * *rate_rad_s - first).into(),
            turns: turns(&inertia, &axis, rows),
        })
    };
    phases(scenario).filter_map(of_phase).collect()
}

/// The axis nearest to a direction, either way, turned to point along it.
fn nearest(axes: &[Vector3<f64>; 3], about: &Vector3<f64>) -> Vector3<f64> {
    let nearest = axes.iter().max_by(|a, b| a.dot(about).abs().total_cmp(&b.dot(about).abs()));
    nearest.map_or(*about, |axis| axis * axis.dot(about).signum())
}

fn turns(inertia: &Matrix3<f64>, axis: &Vector3<f64>, rows: &[CycleRow]) -> Vec<Turn> {
    let coasting = [Status::Rotating.number(), Status::LeastAxis.number()];
    let mut start: Option<Vector3<f64>> = None;
    let mut coasted = false;
    let turn = |row: &CycleRow| {
        let rate = Vector3::from(row.rate_rad_s);
        let momentum = inertia * rate;
        let [x, y, z, w] = row.attitude_xyzw;
        // The record's attitude carries inertial components into body components.
        let direction = UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z)).inverse() * momentum;
        let coasts = coasting.contains(&row.status);
        if coasts && !coasted {
            start = Some(direction);
        }
        coasted = coasts;
        Turn {
            time_s: row.time_s,
            rate_rad_s: rate.dot(axis),
            nutation_rad: momentum.angle(axis),
            stray_rad: start.map_or(0.0, |start| direction.angle(&start)),
            coasts,
        }
    };
    rows.iter().map(turn).collect()
}

impl Flown {
    /// First and last cycle of every coast.
    fn coasts(&self) -> Vec<(usize, usize)> {
        let mut coasts: Vec<(usize, usize)> = Vec::new();
        for (at, _) in self.turns.iter().enumerate().filter(|(_, turn)| turn.coasts) {
            match coasts.last_mut() {
                Some((_, last)) if *last + 1 == at => *last = at,
                _ => coasts.push((at, at)),
            }
        }
        coasts
    }
}

/// Figures of all rotations of a flight: worst of each, none where no rotation was asked for.
pub(crate) fn figures(
    figures: &mut Figures,
    scenario: &Scenario,
    flown_stack: &[String],
    record: &RunRecord,
) {
    let flown = flown(scenario, flown_stack, record);
    let worst = |of: &dyn Fn(&Flown) -> Option<f64>| flown.iter().filter_map(of).reduce(f64::max);
    let in_coast = |of: &dyn Fn(&Flown, &Turn) -> f64| {
        worst(&|flown| {
            let coasting = flown.turns.iter().filter(|turn| turn.coasts);
            coasting.map(|turn| of(flown, turn)).reduce(f64::max)
        })
    };
    let rate_error = |flown: &Flown, turn: &Turn| (turn.rate_rad_s / flown.rate_rad_s - 1.0).abs();
    figures.push("rotation_set_up_time_s", worst(&set_up_time_s));
    figures.push("rotation_rate_error_share", in_coast(&rate_error));
    figures.push("rotation_nutation_max_deg", in_coast(&|_, turn| turn.nutation_rad.to_degrees()));
    figures.push("rotation_stray_max_deg", in_coast(&|_, turn| turn.stray_rad.to_degrees()));
    let set_up_over_price = |flown: &Flown| set_up_over_price(scenario, flown_stack, record, flown);
    figures.push("rotation_set_up_over_price", worst(&set_up_over_price));
    let any = !flown.is_empty();
    let renewals: Vec<(f64, f64)> = flown.iter().flat_map(|flown| renewals(flown, record)).collect();
    figures.push("rotation_renewals", any.then_some(renewals.len() as f64));
    let firing = |flown: &Flown| firing_cycles_after_set_up(flown, record);
    figures.push("rotation_coast_firings", any.then(|| flown.iter().map(firing).sum::<usize>() as f64));
    figures.push("rotation_first_coast_s", renewals.first().map(|(coast_s, _)| *coast_s));
    figures.push("rotation_foresight_error_share", renewals.iter().map(|(_, error)| *error).reduce(f64::max));
}

/// Time until a rotation is left alone; infinite when it never is.
fn set_up_time_s(flown: &Flown) -> Option<f64> {
    let start = flown.turns.first()?.time_s;
    let first = flown.turns.iter().find(|turn| turn.coasts);
    Some(first.map_or(f64::INFINITY, |turn| turn.time_s - start))
}

/// Propellant of the first set-up over the least price of the rate change that was asked for; the least price is that of
/// a linear program whose multipliers prove it (see [`crate::bound`]).
fn set_up_over_price(
    scenario: &Scenario,
    flown_stack: &[String],
    record: &RunRecord,
    flown: &Flown,
) -> Option<f64> {
    let used_by =
        |time_s: f64| record.cycles.iter().find(|row| row.time_s >= time_s).map(|row| row.propellant_kg);
    let first = flown.turns.iter().find(|turn| turn.coasts)?;
    let used = used_by(first.time_s)? - used_by(flown.turns.first()?.time_s)?;
    let price = price_kg(scenario, flown_stack, record, flown).ok()?;
    (price > 0.0).then(|| used / price)
}

/// Least propellant for the rate change of a set-up, kg.
fn price_kg(scenario: &Scenario, flown_stack: &[String], record: &RunRecord, flown: &Flown) -> Result<f64> {
    let vehicle = &scenario.vehicle;
    let start_s = flown.turns.first().map_or(0.0, |turn| turn.time_s);
    let there = record.stack_at(flown_stack, start_s);
    let jets = plume::on(&vehicle.jets, &there);
    let prices: Vec<f64> = jets.iter().map(price_kg_per_n_s).collect();
    let usable: Vec<bool> = jets.iter().map(|jet| usable(jet, &there)).collect();
    let inertia = stack::composite(vehicle, &there, &stack::full_tanks(vehicle)).inertia();
    let demand = inertia * Vector3::from(flown.change_rad_s);
    Ok(certify(&[record.arms_at(start_s).to_vec()], &prices, &usable, demand.into(), [0.0; 3])?.value_kg)
}

/// Cycles after the first set-up in which a jet opens.
fn firing_cycles_after_set_up(flown: &Flown, record: &RunRecord) -> usize {
    let (Some(first), Some(last)) = (flown.turns.iter().find(|turn| turn.coasts), flown.turns.last()) else {
        return 0;
    };
    let rows = record.cycles.iter().filter(|row| row.time_s >= first.time_s && row.time_s <= last.time_s);
    rows.filter(|row| row.jets_on != 0).count()
}

/// Every coast that ended in another set-up: how long it was, s, and by how much the time that the kernel foresaw halfway was
/// off, over what was really left.
fn renewals(flown: &Flown, record: &RunRecord) -> Vec<(f64, f64)> {
    let turns = &flown.turns;
    let of_coast = |(first, last): (usize, usize)| {
        let end = turns.get(last + 1)?.time_s;
        let start = turns.get(first)?.time_s;
        let half = record.cycles.iter().find(|row| row.time_s >= f64::midpoint(start, end))?;
        let left = end - half.time_s;
        Some((end - start, (half.foreseen_s / left - 1.0).abs()))
    };
    flown.coasts().into_iter().filter_map(of_coast).collect()
}
