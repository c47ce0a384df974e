//! Every figure of a run, from its record.
//!
//! Pointing errors carry the terms of ECSS-E-ST-60-10C (15 November 2008), per body axis and in total
//! (length of the rotation vector from the commanded attitude, rad in the record, degrees here):
//!
//! * APE, absolute performance error: the error at any time; its maximum and the values it stays under for
//!   95 % and 99.73 % of the time;
//! * MPE, mean performance error: its mean over a window; [`MPE_WINDOWS`] equal windows per hold;
//! * RPE, relative performance error: the error less its mean over an interval that includes it. The
//!   standard leaves open where the moment sits in the interval: here the intervals are fixed,
//!   one after the other, [`RPE_WINDOW_S`] long, and the moment is anywhere inside;
//! * PDE, performance drift error: the difference of the means over two windows of one observation;
//!   the largest between any two MPE windows of a hold.
//!
//! The error is sampled once a cycle, and counted from **capture**: the first cycle of a hold with every
//! axis inside its half-width (`capture_time_s`). A hold that never captures counts from its start.
//! `peak_axis_error_deg` counts everything. A watched drift is a hold from the moment it wakes; before,
//! `watched_error_max_deg` says how far it went.

use anyhow::{Result, bail};
use serde::Serialize;

use crate::bound::{
    AxisReference, Bit, Bound, limit_cycle_reference, mass_at_start_kg, minimum_pulse, norm,
    propellant_bound, sub, usable,
};
use crate::burns::{self, FlownBurn};
use crate::held::{self, Kept, Span};
use crate::parting;
use crate::plume;
use crate::record::{CycleRow, RunRecord, ValveEdge};
use crate::rotation;
use crate::scenario::model::{Deflection, Disturbance, Jet, Mode, Scenario};
use crate::slews::{self, FlownSlew, Pricing, SlewFigures};
use crate::stack;
use crate::translations::{self, FlownTranslation};

/// Equal windows per hold for MPE and PDE.
pub const MPE_WINDOWS: usize = 10;

/// Length of the fixed intervals of RPE, s.
pub const RPE_WINDOW_S: f64 = 10.0;

/// After the last valve has closed an impulse is watched for this long, s.
const IMPULSE_WATCH_S: f64 = 1.0;

/// No ratio to a bound smaller than this fraction of the propellant: it would say nothing.
const BOUND_WORTH_A_RATIO: f64 = 1e-3;

/// Suffixes of the three axes in keys.
pub const AXES: [&str; 3] = ["x", "y", "z"];

/// Figures by stable key, with the unit in the key, in a fixed order; `None` where a run has no such
/// figure (no hold, no firing, no proven bound).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Figures(Vec<(String, Option<f64>)>);

impl Figures {
    /// Value of a figure; `None` when unknown or absent from this run.
    #[must_use]
    pub fn get(&self, key: &str) -> Option<f64> {
        self.0.iter().find(|(k, _)| k == key).and_then(|(_, v)| *v)
    }

    /// All figures in order.
    pub fn iter(&self) -> impl Iterator<Item = (&str, Option<f64>)> {
        self.0.iter().map(|(k, v)| (k.as_str(), *v))
    }

    /// Appends a figure.
    pub fn push(&mut self, key: impl Into<String>, value: impl Into<Option<f64>>) {
        self.0.push((key.into(), value.into()));
    }

    fn push_axes(&mut self, stem: &str, unit: &str, values: [Option<f64>; 3]) {
        for (axis, value) in AXES.iter().zip(values) {
            self.push(format!("{stem}_{axis}{unit}"), value);
        }
    }
}

impl Serialize for Figures {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_map(self.0.iter().map(|(k, v)| (k, v)))
    }
}

/// Everything measured on one flight.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Metrics {
    /// Figures by key.
    pub figures: Figures,
    /// Lower bound or reference price; `None` when it could not be computed.
    pub bound: Option<Bound>,
    /// Why there is no bound.
    pub bound_error: Option<String>,
    /// Closed-form limit cycle per axis, for the first hold.
    pub limit_cycle_reference: Option<[Option<AxisReference>; 3]>,
}

/// A hold as flown: its rows from capture on.
struct Hold<'a> {
    all: &'a [CycleRow],
    captured: &'a [CycleRow],
    half_width_rad: [f64; 3],
    end_s: f64,
    propellant_kg: f64,
}

/// Measures one flight.
///
/// * `flown_stack` — bodies really there.
///
/// # Errors
/// When the record does not belong to the scenario, or holds no cycle.
pub fn measure(scenario: &Scenario, flown_stack: &[String], record: &RunRecord) -> Result<Metrics> {
    if record.cycles.is_empty() {
        bail!("the flight {:?} recorded no cycle", record.name);
    }
    if record.jets.len() != scenario.vehicle.jets.len() {
        bail!("the record holds {} jets, the scenario {}", record.jets.len(), scenario.vehicle.jets.len());
    }
    let begun = scenario.as_begun(&record.phase_starts_s);
    let scenario = &*begun;
    let vehicle = &scenario.vehicle;
    let stack = stack::composite(vehicle, flown_stack, &stack::full_tanks(vehicle));
    let bits =
        bits(&plume::on(&vehicle.jets, flown_stack), flown_stack, stack.inertia_kg_m2, &record.arms_m[0])?;
    let holds = holds(scenario, record);
    let mut figures = Figures::default();
    pointing(&mut figures, &holds);
    rates(&mut figures, &holds, record);
    joints(&mut figures, scenario, record);
    sloshes(&mut figures, scenario, record);
    figures.push("cross_coupling", cross_coupling(scenario, record));
    by_hand(&mut figures, scenario, record);
    figures.push("damping_time_s", damping_time(scenario, record));
    figures.push("damped_rate_deg_s", damped_rate(scenario, record));
    figures.push("woken_at_s", held::woken_s(&record.cycles, 0.0, f64::INFINITY));
    figures.push("watched_error_max_deg", watched_error(scenario, record));
    slewing(&mut figures, scenario, flown_stack, record)?;
    translating(&mut figures, scenario, flown_stack, record);
    burning(&mut figures, scenario, flown_stack, record);
    rotation::figures(&mut figures, scenario, flown_stack, record);
    parting::figures(&mut figures, scenario, record);
    let bound = propellant_bound(scenario, flown_stack, record);
    propellant(&mut figures, scenario, record, bound.as_ref().ok());
    let reference = limit_cycle(&mut figures, (scenario, flown_stack), record, &holds, &bits);
    valves(&mut figures, scenario, record, &bits);
    let last = record.cycles.last().map_or([0.0; 3], |row| row.velocity_m_s);
    figures.push_axes("velocity", "_m_s", last.map(Some));
    figures.push("velocity_gathered_m_s", norm(last));
    interface_loads(&mut figures, scenario, record);
    figures.push("selections_checked", record.selections.checked as f64);
    figures.push("selections_unproven", record.selections.unproven as f64);
    figures.push("worst_optimality_gap", record.selections.worst_optimality_gap);
    figures.push("worst_selection_residual", record.selections.worst_residual);
    let bound_error = bound.as_ref().err().map(|e| format!("{e:#}"));
    Ok(Metrics { figures, bound: bound.ok(), bound_error, limit_cycle_reference: reference })
}

/// Minimum pulses of the usable jets.
///
/// * `inertia_kg_m2` — about the centre of mass, body axes; `arms_m` — torque per unit of impulse of each jet about the centre of mass, m.
///
/// # Errors
/// When the inertia is singular.
pub fn bits(
    jets: &[Jet],
    flown_stack: &[String],
    inertia_kg_m2: [[f64; 3]; 3],
    arms_m: &[[f64; 3]],
) -> Result<Vec<Bit>> {
    let inertia = nalgebra::Matrix3::from_fn(|i, j| inertia_kg_m2[i][j]);
    let Some(inverse) = inertia.try_inverse() else { bail!("the stack's inertia is singular") };
    Ok(jets
        .iter()
        .zip(arms_m)
        .enumerate()
        .filter(|(_, (jet, _))| usable(jet, flown_stack))
        .map(|(index, (jet, arm))| {
            let pulse = minimum_pulse(jet);
            let turn = inverse * nalgebra::Vector3::from(*arm) * pulse.impulse_n_s;
            Bit { jet: index, rate_change_rad_s: turn.into(), propellant_kg: pulse.propellant_kg }
        })
        .collect())
}

/// Rows of `[from, to)`.
pub(crate) fn rows_between(rows: &[CycleRow], from_s: f64, to_s: f64) -> &[CycleRow] {
    // Half a nanosecond absorbs the rounding of times built from ticks.
    let first = rows.partition_point(|row| row.time_s < from_s - 5e-10);
    let last = rows.partition_point(|row| row.time_s < to_s - 5e-10);
    rows.get(first..last.max(first)).unwrap_or(&[])
}

/// Start and end of every phase with its mode.
pub(crate) fn phases(scenario: &Scenario) -> impl Iterator<Item = (f64, f64, &Mode)> {
    scenario.phases.iter().enumerate().map(|(i, phase)| {
        let end = scenario.phases.get(i + 1).map_or(scenario.duration_s, |next| next.start_s);
        (phase.start_s, end.min(scenario.duration_s), &phase.mode)
    })
}

fn holds<'a>(scenario: &Scenario, record: &'a RunRecord) -> Vec<Hold<'a>> {
    let total = jets_propellant_kg(record) + record.engine.propellant_kg;
    let mut holds = Vec::new();
    for span in held::spans(scenario, &record.cycles) {
        let Span { kept: Kept::Held, from_s, to_s: end, angle_rad: half_width_rad, .. } = span else {
            continue;
        };
        let all = rows_between(&record.cycles, from_s, end);
        let inside =
            |row: &CycleRow| row.error_rad.iter().zip(half_width_rad).all(|(e, half)| e.abs() <= half);
        let capture = all.iter().position(inside).unwrap_or(0);
        let captured = &all[capture..];
        let Some(first) = captured.first() else { continue };
        // The row at the next phase's start closes the account; the run's total closes the last.
        let after = record.cycles.iter().find(|row| row.time_s >= end - 5e-10);
        let used = after.map_or(total, |row| row.propellant_kg) - first.propellant_kg;
        holds.push(Hold { all, captured, half_width_rad, end_s: end, propellant_kg: used });
    }
    holds
}

/// Pointing statistics of one series of errors (any unit).
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pointing {
    /// Largest magnitude.
    pub ape_max: f64,
    /// Magnitude not exceeded in 95 % of the samples.
    pub ape_95: f64,
    /// Magnitude not exceeded in 99.73 % of the samples.
    pub ape_99_73: f64,
    /// Largest magnitude of the mean over a window.
    pub mpe_max: f64,
    /// Largest magnitude of the error less the mean of its interval.
    pub rpe_max: f64,
    /// Largest difference between the means of two windows.
    pub pde_max: f64,
}

/// Arithmetic mean; 0 for nothing.
#[must_use]
pub fn mean(values: &[f64]) -> f64 {
    if values.is_empty() { 0.0 } else { values.iter().sum::<f64>() / values.len() as f64 }
}

/// Means over `windows` equal windows (fewer when there are fewer samples).
#[must_use]
pub fn window_means(values: &[f64], windows: usize) -> Vec<f64> {
    let n = windows.min(values.len()).max(1);
    (0..n).map(|k| mean(&values[k * values.len() / n..(k + 1) * values.len() / n])).collect()
}

/// Pointing statistics of evenly spaced samples; `None` for no samples.
///
/// * `mpe_windows` — equal windows for MPE and PDE; `rpe_samples` — samples per interval of RPE.
#[must_use]
pub fn pointing_statistics(errors: &[f64], mpe_windows: usize, rpe_samples: usize) -> Option<Pointing> {
    if errors.is_empty() {
        return None;
    }
    let mut sizes: Vec<f64> = errors.iter().map(|e| e.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let quantile = |share: f64| {
        // Nearest rank: the smallest value with at least this share of the samples at or below it.
        let rank = (share * sizes.len() as f64 - 1e-9).ceil().max(1.0) as usize;
        sizes[rank.min(sizes.len()) - 1]
    };
    let means = window_means(errors, mpe_windows);
    let highest = means.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest = means.iter().copied().fold(f64::INFINITY, f64::min);
    let rpe = errors.chunks(rpe_samples.max(1)).flat_map(|interval| {
        let centre = mean(interval);
        interval.iter().map(move |e| (e - centre).abs())
    });
    Some(Pointing {
        ape_max: quantile(1.0),
        ape_95: quantile(0.95),
        ape_99_73: quantile(0.9973),
        mpe_max: highest.abs().max(lowest.abs()),
        rpe_max: rpe.fold(0.0, f64::max),
        pde_max: highest - lowest,
    })
}

fn largest(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.max(b)),
        (a, b) => a.or(b),
    }
}

/// One series per axis and the total, worst over the holds.
fn pointing(figures: &mut Figures, holds: &[Hold]) {
    type Pick = fn(&Pointing) -> f64;
    let series: [fn(&CycleRow) -> f64; 4] =
        [|r| r.error_rad[0], |r| r.error_rad[1], |r| r.error_rad[2], |r| norm(r.error_rad)];
    let statistics: Vec<Vec<Pointing>> = series
        .iter()
        .map(|of| {
            let one = |hold: &Hold| {
                let errors: Vec<f64> = hold.captured.iter().map(|row| of(row).to_degrees()).collect();
                pointing_statistics(&errors, MPE_WINDOWS, samples_in(hold.captured, RPE_WINDOW_S))
            };
            holds.iter().filter_map(one).collect()
        })
        .collect();
    let worst = |axis: usize, pick: Pick| statistics[axis].iter().map(pick).reduce(f64::max);
    let worst_axis = (0..3).fold(None, |m, axis| largest(m, worst(axis, |p| p.ape_max)));
    figures.push("worst_axis_error_deg", worst_axis);
    let over = |hold: &Hold| {
        let ratio = |row: &CycleRow, i: usize| row.error_rad[i].abs() / hold.half_width_rad[i];
        let rows = hold.captured.iter();
        rows.flat_map(|row| [0, 1, 2].map(|i| ratio(row, i))).fold(0.0, f64::max)
    };
    figures.push("worst_axis_error_over_half_width", holds.iter().map(over).reduce(f64::max));
    let peak = holds.iter().flat_map(|h| h.all).flat_map(|row| row.error_rad.map(f64::abs));
    figures.push("peak_axis_error_deg", peak.reduce(f64::max).map(f64::to_degrees));
    let capture = |h: &Hold| h.captured[0].time_s - h.all[0].time_s;
    figures.push("capture_time_s", holds.iter().map(capture).reduce(f64::max));
    let picks: [(&str, Pick); 6] = [
        ("ape_max", |p| p.ape_max),
        ("ape_95_percent", |p| p.ape_95),
        ("ape_99_73_percent", |p| p.ape_99_73),
        ("mpe", |p| p.mpe_max),
        ("rpe_max", |p| p.rpe_max),
        ("pde", |p| p.pde_max),
    ];
    for (stem, pick) in picks {
        figures.push_axes(stem, "_deg", [0, 1, 2].map(|axis| worst(axis, pick)));
        figures.push(format!("{stem}_deg"), worst(3, pick));
    }
    outside(figures, holds);
}

/// Samples in a stretch of time.
fn samples_in(rows: &[CycleRow], seconds: f64) -> usize {
    (seconds / cycle_s(rows)).round().max(1.0) as usize
}

/// Spacing of the rows, s.
fn cycle_s(rows: &[CycleRow]) -> f64 {
    match rows {
        [first, .., last] => (last.time_s - first.time_s) / (rows.len() - 1) as f64,
        _ => f64::INFINITY,
    }
}

/// Time with any axis outside its half-width, whole holds.
fn outside(figures: &mut Figures, holds: &[Hold]) {
    let (mut outside_s, mut held_s) = (0.0, 0.0);
    for hold in holds {
        let beyond =
            |row: &&CycleRow| (0..3).any(|i| row.error_rad[i].abs() > hold.half_width_rad[i] * (1.0 + 1e-9));
        let length = hold.end_s - hold.all[0].time_s;
        held_s += length;
        outside_s += hold.all.iter().filter(beyond).count() as f64 * length / hold.all.len() as f64;
    }
    let known = !holds.is_empty();
    figures.push("time_outside_deadband_s", known.then_some(outside_s));
    figures.push("time_outside_deadband_fraction", known.then_some(outside_s / held_s));
}

fn rates(figures: &mut Figures, holds: &[Hold], record: &RunRecord) {
    let hold_rate = |axis: usize| {
        let sizes = holds.iter().flat_map(|h| h.captured).map(|row| row.rate_rad_s[axis].abs());
        sizes.reduce(f64::max).map(f64::to_degrees)
    };
    let per_axis = [0, 1, 2].map(hold_rate);
    figures.push_axes("hold_rate_max", "_deg_s", per_axis);
    figures.push("worst_axis_hold_rate_deg_s", per_axis.into_iter().fold(None, largest));
    let peak = record.cycles.iter().flat_map(|row| row.rate_rad_s.map(f64::abs)).reduce(f64::max);
    figures.push("worst_rate_deg_s", peak.map(f64::to_degrees));
}

/// Worst of all impulse phases: peak rate change across the commanded direction over the rate change
/// along it, from the start of the phase to [`IMPULSE_WATCH_S`] after its last valve has closed.
/// Infinite when nothing moved along it.
fn cross_coupling(scenario: &Scenario, record: &RunRecord) -> Option<f64> {
    let one = |(start, end, mode): (f64, f64, &Mode)| {
        let Mode::Impulse { rate_change_rad_s: wanted, .. } = mode else { return None };
        let length = norm(*wanted);
        if length == 0.0 {
            return None;
        }
        let in_phase = record.edges.iter().filter(|edge| edge.time_s >= start && edge.time_s <= end);
        let quiet = in_phase.map(|edge| edge.time_s).fold(start, f64::max) + IMPULSE_WATCH_S;
        let rows = rows_between(&record.cycles, start, quiet.min(end));
        let (first, last) = (rows.first()?, rows.last()?);
        let along = |row: &CycleRow| {
            let change = sub(row.rate_rad_s, first.rate_rad_s);
            (0..3).map(|i| change[i] * wanted[i] / length).sum::<f64>()
        };
        let across = |row: &CycleRow| {
            let (change, share) = (sub(row.rate_rad_s, first.rate_rad_s), along(row) / length);
            norm(sub(change, wanted.map(|w| w * share)))
        };
        let peak = rows.iter().map(across).fold(0.0, f64::max);
        let moved = along(last);
        Some(if moved > 0.0 { peak / moved } else { f64::INFINITY })
    };
    phases(scenario).filter_map(one).reduce(f64::max)
}

/// Rates of axes that a hand controller leaves alone, now and before, while it turns another one: the largest of each while
/// no jet fires and in all, and these as a share of the rate that was asked for about the other.
fn by_hand(figures: &mut Figures, scenario: &Scenario, record: &RunRecord) {
    let mut peaks = [[None; 3]; 2];
    let mut shares = [None; 2];
    for (start, end, mode) in phases(scenario) {
        let Mode::Hand { deflections, dead_zone, full_rate_rad_s, asks_for_bits: false, .. } = mode else {
            continue;
        };
        let asked = |row: Option<&Deflection>, axis: usize| {
            row.map_or(0.0, |row| row.asked_rad_s(*dead_zone, full_rate_rad_s)[axis].abs())
        };
        for (index, deflection) in deflections.iter().enumerate() {
            let next = deflections.get(index + 1).map_or(end, |next| (start + next.at_s).min(end));
            let before = index.checked_sub(1).and_then(|before| deflections.get(before));
            let most = (0..3).map(|axis| asked(Some(deflection), axis)).fold(0.0, f64::max);
            let alone = |axis: &usize| asked(Some(deflection), *axis) == 0.0 && asked(before, *axis) == 0.0;
            if most == 0.0 {
                continue;
            }
            let rows = rows_between(&record.cycles, start + deflection.at_s, next);
            for (at, row) in rows.iter().enumerate() {
                // What a cycle fires acts until the next one has begun.
                let fires = rows[at.saturating_sub(2)..at].iter().any(|row| row.jets_on != 0);
                for axis in (0..3).filter(alone) {
                    let rate = row.rate_rad_s[axis].abs();
                    for kind in if fires { 1..2 } else { 0..2 } {
                        peaks[kind][axis] = largest(peaks[kind][axis], Some(rate));
                        shares[kind] = largest(shares[kind], Some(rate / most));
                    }
                }
            }
        }
    }
    let [coasting, all] = peaks.map(|peaks| peaks.map(|peak| peak.map(f64::to_degrees)));
    figures.push_axes("left_alone_rate", "_deg_s", coasting);
    figures.push("left_alone_rate_share", shares[0]);
    figures.push_axes("left_alone_peak_rate", "_deg_s", all);
    figures.push("left_alone_peak_rate_share", shares[1]);
}

/// Longest time that a damping takes until every rate is within its limit; infinite when one never is.
fn damping_time(scenario: &Scenario, record: &RunRecord) -> Option<f64> {
    let one = |(start, end, mode): (f64, f64, &Mode)| {
        let Mode::Damp { rate_limit_rad_s } = mode else { return None };
        let within =
            |row: &&CycleRow| row.rate_rad_s.iter().zip(rate_limit_rad_s).all(|(r, most)| r.abs() <= *most);
        let first = rows_between(&record.cycles, start, end).iter().find(within);
        Some(first.map_or(f64::INFINITY, |row| row.time_s - start))
    };
    phases(scenario).filter_map(one).reduce(f64::max)
}

/// Slews: how long, how well, and for how much.
fn slewing(
    figures: &mut Figures,
    scenario: &Scenario,
    flown_stack: &[String],
    record: &RunRecord,
) -> Result<()> {
    let mut flown: Vec<FlownSlew> = Vec::new();
    for (start, end, mode) in phases(scenario) {
        let Mode::Slew { attitude_xyzw, half_width_rad, .. } = mode else { continue };
        let there = record.stack_at(flown_stack, start);
        let pricing = Pricing::new(scenario, &there, record.arms_at(start))?;
        let rows = rows_between(&record.cycles, start, end);
        flown.extend(slews::measure(rows, *attitude_xyzw, *half_width_rad, &pricing));
    }
    let SlewFigures { time_s, overshoot, stray_rad, propellant_kg, eigenaxis_kg, precessing_kg } =
        SlewFigures::of(&flown);
    figures.push("slew_time_s", time_s);
    figures.push("slew_overshoot_over_half_width", overshoot);
    figures.push("slew_stray_deg", stray_rad.map(f64::to_degrees));
    figures.push("slew_propellant_kg", propellant_kg);
    figures.push("slew_price_eigenaxis_kg", eigenaxis_kg);
    figures.push("slew_price_precessing_kg", precessing_kg);
    let over = |price: Option<f64>| propellant_kg.zip(price).map(|(used, price)| used / price);
    figures.push("slew_propellant_over_eigenaxis_price", over(eigenaxis_kg));
    figures.push("slew_propellant_over_precessing_price", over(precessing_kg));
    Ok(())
}

/// Translations: how long, how exactly, and for how much.
fn translating(figures: &mut Figures, scenario: &Scenario, flown_stack: &[String], record: &RunRecord) {
    let one = |(start, end, mode): (f64, f64, &Mode)| {
        let Mode::Translate { attitude_xyzw, velocity_change_m_s, half_width_rad, .. } = mode else {
            return None;
        };
        let rows = rows_between(&record.cycles, start, end);
        let there = record.stack_at(flown_stack, start);
        let mass_kg = mass_at_start_kg(scenario, &there) - rows.first()?.propellant_kg;
        let pricing = translations::Pricing::new(scenario, &there, record.arms_at(start));
        translations::measure(rows, *attitude_xyzw, *velocity_change_m_s, *half_width_rad, mass_kg, &pricing)
    };
    let flown: Vec<FlownTranslation> = phases(scenario).filter_map(one).collect();
    let worst = |of: fn(&FlownTranslation) -> f64| flown.iter().map(of).reduce(f64::max);
    let used = flown.iter().map(|one| one.propellant_kg).reduce(|a, b| a + b);
    let prices: Option<Vec<f64>> = flown.iter().map(|one| one.price_kg).collect();
    let price = prices.filter(|prices| !prices.is_empty()).map(|prices| prices.iter().sum::<f64>());
    figures.push("translation_time_s", worst(|one| one.time_s));
    figures.push("translation_velocity_error", worst(|one| one.velocity_error));
    figures.push("translation_error_over_half_width", worst(|one| one.excursion));
    figures.push("translation_propellant_kg", used);
    figures.push("translation_price_kg", price);
    figures.push("translation_propellant_over_price", used.zip(price).map(|(used, price)| used / price));
}

/// Burns of the main engine: how long, how exactly, and for how much.
fn burning(figures: &mut Figures, scenario: &Scenario, flown_stack: &[String], record: &RunRecord) {
    let one = |(start, end, mode): (f64, f64, &Mode)| {
        let Mode::Burn { attitude_xyzw, velocity_change_m_s, .. } = mode else { return None };
        let rows = rows_between(&record.cycles, start, end);
        let there = record.stack_at(flown_stack, start);
        let mass_kg = mass_at_start_kg(scenario, &there) - rows.first()?.propellant_kg;
        let engine = scenario.vehicle.engine.as_ref()?;
        burns::measure(rows, *attitude_xyzw, *velocity_change_m_s, mass_kg, engine)
    };
    let flown: Vec<FlownBurn> = phases(scenario).filter_map(one).collect();
    let worst = |of: fn(&FlownBurn) -> f64| flown.iter().map(of).reduce(f64::max);
    let sum = |of: fn(&FlownBurn) -> f64| flown.iter().map(of).reduce(|a, b| a + b);
    let (used, price) = (sum(|one| one.propellant_kg), sum(|one| one.price_kg));
    figures.push("burn_time_s", worst(|one| one.time_s));
    figures.push("burn_velocity_error", worst(|one| one.velocity_error));
    figures.push("burn_velocity_across", worst(|one| one.velocity_across));
    figures.push("burn_attitude_error_deg", worst(|one| one.attitude_error_rad.to_degrees()));
    figures.push("burn_line_error_deg", worst(|one| one.line_error_rad.to_degrees()));
    figures.push("burn_before_kg", sum(|one| one.before_kg));
    figures.push("burn_propellant_kg", used);
    figures.push("burn_price_kg", price);
    let over = used.zip(price).filter(|(_, price)| *price > 0.0);
    figures.push("burn_propellant_over_rocket_equation", over.map(|(used, price)| used / price));
    figures.push("burn_jets_share", worst(|one| one.jets_share));
}

/// Largest rate of any axis at the end of a damping, degrees a second.
fn damped_rate(scenario: &Scenario, record: &RunRecord) -> Option<f64> {
    let one = |(start, end, mode): (f64, f64, &Mode)| {
        let last = rows_between(&record.cycles, start, end).last()?;
        matches!(mode, Mode::Damp { .. }).then_some(last.rate_rad_s)
    };
    let rates = phases(scenario).filter_map(one).flatten();
    rates.map(f64::abs).reduce(f64::max).map(f64::to_degrees)
}

/// Largest attitude error of any axis while a watched drift sleeps, degrees.
fn watched_error(scenario: &Scenario, record: &RunRecord) -> Option<f64> {
    let spans = held::spans(scenario, &record.cycles);
    let asleep = spans.iter().filter(|span| span.kept == Kept::Watched);
    let rows = asleep.flat_map(|span| rows_between(&record.cycles, span.from_s, span.to_s));
    rows.flat_map(|row| row.error_rad.map(f64::abs)).reduce(f64::max).map(f64::to_degrees)
}

/// Propellant used by the jets, kg.
fn jets_propellant_kg(record: &RunRecord) -> f64 {
    record.jets.iter().map(|jet| jet.propellant_kg).sum()
}

fn propellant(figures: &mut Figures, scenario: &Scenario, record: &RunRecord, bound: Option<&Bound>) {
    let jets = jets_propellant_kg(record);
    let total = jets + record.engine.propellant_kg;
    figures.push("propellant_kg", total);
    figures.push("propellant_kg_per_day", total / scenario.duration_s * 86_400.0);
    let proven = bound.filter(|b| b.proven).map(|b| b.value_kg);
    let unproven = bound.filter(|b| !b.proven).map(|b| b.value_kg);
    figures.push("propellant_bound_kg", proven);
    figures.push("propellant_reference_price_kg", unproven);
    let worth = |value: &f64| *value > BOUND_WORTH_A_RATIO * total && *value > 0.0;
    figures.push("propellant_over_bound", proven.filter(worth).map(|value| jets / value));
}

/// How far the sprung joints bent, and whether they still swing at the end: none where there is none.
fn joints(figures: &mut Figures, scenario: &Scenario, record: &RunRecord) {
    let there = !scenario.joints.is_empty();
    let angles = |joint: usize| record.cycles.iter().map(move |row| row.joint_angles_rad[joint].to_degrees());
    let largest = [0, 1].into_iter().flat_map(angles).map(f64::abs).fold(0.0, f64::max);
    let before = record.cycles.len() * 9 / 10;
    let swing = |joint: usize| {
        let (low, high) = angles(joint)
            .skip(before)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), x| (low.min(x), high.max(x)));
        0.5 * (high - low)
    };
    figures.push("joint_angle_max_deg", there.then_some(largest));
    figures.push("joint_swing_at_end_deg", there.then(|| swing(0).max(swing(1))));
}

/// How far swinging liquids went from where they hung, how fast they went, and whether they still do at the
/// end: none where there is none.
fn sloshes(figures: &mut Figures, scenario: &Scenario, record: &RunRecord) {
    let there = !scenario.sloshes.is_empty();
    let angle = record.cycles.iter().flat_map(|row| row.slosh_angles_rad).fold(0.0, f64::max);
    let fastest = |rows: &[CycleRow]| rows.iter().flat_map(|row| row.slosh_speeds_m_s).fold(0.0, f64::max);
    figures.push("slosh_angle_max_deg", there.then(|| angle.to_degrees()));
    figures.push("slosh_speed_max_m_s", there.then(|| fastest(&record.cycles)));
    let last = &record.cycles[record.cycles.len() * 9 / 10..];
    figures.push("slosh_speed_at_end_m_s", there.then(|| fastest(last)));
}

/// Propellant of the holds beside the closed form, and the periods really flown.
fn limit_cycle(
    figures: &mut Figures,
    (scenario, flown_stack): (&Scenario, &[String]),
    record: &RunRecord,
    holds: &[Hold],
    bits: &[Bit],
) -> Option<[Option<AxisReference>; 3]> {
    let reference = |hold: &Hold| limit_cycle_reference(&scenario.vehicle.jets, bits, hold.half_width_rad);
    let compared: Vec<(f64, f64)> =
        holds.iter().filter_map(|h| whole_periods(h, record, reference(h))).collect();
    let used: f64 = compared.iter().map(|(used, _)| used).sum();
    let closed_form: f64 = compared.iter().map(|(_, closed_form)| closed_form).sum();
    let held: f64 = holds.iter().map(|hold| hold.propellant_kg).sum();
    figures.push("hold_propellant_kg", (!holds.is_empty()).then_some(held));
    // The closed form knows no disturbance and one stack: beside another it would say nothing.
    let gone = |push: &Disturbance| push.body.as_ref().is_some_and(|body| !flown_stack.contains(body));
    let undisturbed =
        scenario.disturbances.iter().all(gone) && scenario.orbit.is_none() && record.partings.is_empty();
    let comparable = closed_form > 0.0 && undisturbed;
    figures.push("limit_cycle_reference_kg", comparable.then_some(closed_form));
    figures.push("hold_propellant_over_limit_cycle", comparable.then(|| used / closed_form));
    let periods = |axis: usize| {
        let longest = holds.iter().max_by_key(|hold| hold.captured.len())?;
        limit_cycle_period_s(longest.captured, axis)
    };
    let flown = [0, 1, 2].map(periods);
    figures.push_axes("limit_cycle_period", "_s", flown.map(|p| p.map(|(period, _)| period)));
    figures.push(
        "limit_cycle_period_s",
        flown.map(|p| p.map(|(period, _)| period)).into_iter().fold(None, largest),
    );
    figures.push_axes("limit_cycle_periods", "", flown.map(|p| p.map(|(_, count)| count as f64)));
    holds.first().map(reference)
}

/// Propellant of a hold beside the closed form of the axes that really cycle (two turns or more on one
/// side), from the first opening of a valve to the last: so many pulses, so many coasts. `None` with
/// fewer than two firings or without such an axis.
fn whole_periods(
    hold: &Hold,
    record: &RunRecord,
    reference: [Option<AxisReference>; 3],
) -> Option<(f64, f64)> {
    let began_s = hold.captured[0].time_s;
    let within = |edge: &&ValveEdge| edge.open && edge.time_s >= began_s && edge.time_s < hold.end_s;
    let mut openings = record.edges.iter().filter(within).map(|edge| edge.time_s);
    let first_s = openings.next()?;
    let last_s = openings.next_back().filter(|last| *last > first_s)?;
    // A row holds what was used before its cycle, so the last firing is not in it.
    let used_by = |time_s: f64| {
        let at = hold.captured.partition_point(|row| row.time_s <= time_s);
        hold.captured.get(at.saturating_sub(1)).map_or(0.0, |row| row.propellant_kg)
    };
    let cycling = (0..3).filter(|axis| limit_cycle_period_s(hold.captured, *axis).is_some());
    let rate: f64 = cycling.filter_map(|axis| reference[axis].as_ref()).map(|axis| axis.rate_kg_s).sum();
    (rate > 0.0).then(|| (used_by(last_s) - used_by(first_s), rate * (last_s - first_s)))
}

/// Mean period of a limit cycle and the number of periods it is the mean of.
///
/// A turning event is a change of sign of the true rate while the error is on the side the rate was
/// leading to. The period is the mean time between turning events of one side, over both sides;
/// `None` with fewer than two events on each.
#[must_use]
pub fn limit_cycle_period_s(rows: &[CycleRow], axis: usize) -> Option<(f64, usize)> {
    let mut sides: [Vec<f64>; 2] = [Vec::new(), Vec::new()];
    let mut rate = 0.0_f64;
    for row in rows {
        let now = row.rate_rad_s[axis];
        if now == 0.0 {
            continue;
        }
        if rate > 0.0 && now < 0.0 && row.error_rad[axis] > 0.0 {
            sides[0].push(row.time_s);
        } else if rate < 0.0 && now > 0.0 && row.error_rad[axis] < 0.0 {
            sides[1].push(row.time_s);
        }
        rate = now;
    }
    let spans = sides.iter().filter_map(|times| match times.as_slice() {
        [first, .., last] => Some((last - first, times.len() - 1)),
        _ => None,
    });
    let (time, count) = spans.fold((0.0, 0), |(t, n), (dt, dn)| (t + dt, n + dn));
    (count > 0).then(|| (time / count as f64, count))
}

/// Largest loads of the whole flight; an interface without bodies on both sides carries nothing. No figure where
/// the stack is not rigid: nobody watched.
fn interface_loads(figures: &mut Figures, scenario: &Scenario, record: &RunRecord) {
    let rigid = scenario.joints.is_empty() && scenario.sloshes.is_empty();
    for interface in &scenario.vehicle.interfaces {
        let loads = record.interfaces.iter().find(|loads| loads.interface == interface.name);
        let known = rigid || loads.is_some();
        let phases = || loads.iter().flat_map(|loads| &loads.phases);
        let force = phases().map(|peak| peak.force_n).fold(0.0, f64::max);
        let moment = phases().map(|peak| peak.moment_n_m).fold(0.0, f64::max);
        figures.push(format!("peak_force_at_{}_n", interface.name), known.then_some(force));
        figures.push(format!("peak_moment_at_{}_n_m", interface.name), known.then_some(moment));
    }
}

fn valves(figures: &mut Figures, scenario: &Scenario, record: &RunRecord, bits: &[Bit]) {
    let cycles: u64 = record.jets.iter().map(|jet| jet.valve_cycles).sum();
    let most = record.jets.iter().map(|jet| jet.valve_cycles).max().unwrap_or(0);
    let on_time: f64 = record.jets.iter().map(|jet| jet.on_time_s).sum();
    let longest = record.jets.iter().map(|jet| jet.on_time_s).fold(0.0, f64::max);
    figures.push("valve_cycles_total", cycles as f64);
    figures.push("worst_jet_valve_cycles", most as f64);
    figures.push("on_time_s", on_time);
    figures.push("mean_on_time_s", (cycles > 0).then(|| on_time / cycles as f64));
    figures.push("worst_jet_duty", longest / scenario.duration_s);
    // A pulse belongs to the axis that its jet's minimum pulse turns most.
    let mut pulses = [0_u64; 3];
    for bit in bits {
        pulses[bit.axis()] += record.jets.get(bit.jet).map_or(0, |jet| jet.valve_cycles);
    }
    figures.push_axes("pulses", "", pulses.map(|n| Some(n as f64)));
}
