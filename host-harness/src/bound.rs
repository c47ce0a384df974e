//! The least propellant a run could have used for the torque it really saw, with proof; and the
//! closed-form price of an undisturbed limit cycle.
//!
//! # The bound
//! In body axes the momentum equation `dH/dt + ω × H = torque of jets + torque of what else pushes`
//! integrates to the angular impulse the jets must have delivered about the actual centre of mass:
//!
//! `I = H(end) − H(start) + ∫ ω × H dt − ∫ torque of disturbances and main engine dt`.
//!
//! The price of what the main engine burns is not part of it. Gravity gradient is one of the disturbances: the torque of the attitudes really flown. The bound says what
//! that flight needed, not what a flight in another attitude would have.
//!
//! Let `a_j` be the torque of jet `j` per unit of its impulse and `p_j = 1/(Isp_j g0)` its least
//! propellant per unit of impulse (steady specific impulse: a short pulse only costs more). For any
//! fixed `y` with `y · a_j ≤ p_j` for every jet, `propellant ≥ Σ p_j ∫ f_j dt ≥ y · Σ ∫ a_j f_j dt =
//! y · I`, whatever the pulsing. The best `y` solves a linear program (the dual of least-propellant
//! allocation); the `y` it returns is then shrunk until every inequality holds in `f64` with rounding
//! allowed for, and kept as the certificate.
//!
//! `a_j` moves with the centre of mass as tanks drain. It is affine in the centre of mass, so an
//! inequality that holds at some centres of mass holds on their convex hull. The centre of mass is a
//! quotient of two affine functions of the tank contents, so while each content stays between its
//! start and its end the centre of mass stays in the hull of the corners (each tank full or drained);
//! with one draining tank this is the segment from start to end. The inequality is checked at every
//! corner, and where liquid swings at the corners of a cube around it that holds every place the centre of mass
//! can take. A release is one more impulse of the account that the jets did not give; the inequality is checked at the corners
//! of the stack before it and of what stays. When the corners do not explain the recorded end, or the impulse account does not close,
//! the figure is only a reference price.

use anyhow::{Result, anyhow, bail};
use microlp::{ComparisonOp, LinearExpr, OptimizationDirection, Problem, Variable};
use serde::Serialize;

use crate::plume;
use crate::record::{ImpulseAccount, JetTotals, RunRecord};
use crate::scenario::model::{Jet, JetState, Scenario, Slosh, Vehicle};
use crate::stack::{composite, full_tanks};

/// Standard gravity, m/s² (exact, CGPM 1901).
pub const STANDARD_GRAVITY_M_S2: f64 = 9.806_65;

/// Largest relative mismatch of the impulse account at which a bound is still called proven.
const ACCOUNT_TOLERANCE: f64 = 1e-3;

/// Largest distance between the recorded end and the nearest corner of the drained stack, m.
const CORNER_TOLERANCE_M: f64 = 1e-6;

/// At most this many draining tanks are followed (2^n corners).
const MAX_DRAINING_TANKS: usize = 8;

/// Multipliers that prove a price, in propellant per unit of demand.
#[derive(Clone, Debug, PartialEq)]
pub struct Certificate<const R: usize> {
    /// Propellant per unit of each row of the demand (kg per N·m·s, or kg per N·s).
    pub multipliers: [f64; R],
    /// Largest `y · a_j / p_j` over all usable jets and samples, rounding added; at most 1.
    pub worst_ratio: f64,
    /// `y · demand` less the slack allowed for its uncertainty; never negative, kg.
    pub value_kg: f64,
}

/// Lower bound of the propellant of one run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Bound {
    /// The bound (or reference price when not proven), kg.
    pub value_kg: f64,
    /// Whether it is proven; otherwise it is a reference price.
    pub proven: bool,
    /// Why it is not proven.
    pub doubts: Vec<String>,
    /// Angular impulse the jets had to deliver, body axes, N·m·s.
    pub angular_impulse_n_m_s: [f64; 3],
    /// The certificate `y`, kg per N·m·s.
    pub multipliers_kg_per_n_m_s: [f64; 3],
    /// Largest `y · a_j / p_j`; at most 1.
    pub worst_ratio: f64,
    /// Centres of mass at which the certificate was checked.
    pub centres_checked: usize,
}

/// Least propellant per unit of impulse at steady specific impulse, kg per N·s.
#[must_use]
pub fn price_kg_per_n_s(jet: &Jet) -> f64 {
    1.0 / (jet.specific_impulse_s * STANDARD_GRAVITY_M_S2)
}

/// Best proven lower bound of the propellant for a demand of `R` rows.
///
/// * `samples` — effect per unit of jet impulse, one list per centre of mass, one entry per jet;
///   rows in the demand's units per N·s.
/// * `prices` — kg per N·s of each jet; `usable` — jets that may have fired.
/// * `demand` — impulse to be delivered; `slack` — how far each row may be off, same units.
///
/// # Errors
/// When the demand is out of reach of the usable jets whatever the time, or the solver fails.
pub fn certify<const R: usize>(
    samples: &[Vec<[f64; R]>],
    prices: &[f64],
    usable: &[bool],
    demand: [f64; R],
    slack: [f64; R],
) -> Result<Certificate<R>> {
    let columns: Vec<([f64; R], f64)> = samples
        .iter()
        .flat_map(|sample| sample.iter().zip(prices).zip(usable))
        .filter(|(_, usable)| **usable)
        .map(|((column, price), _)| (*column, *price))
        .collect();
    if columns.iter().any(|(c, p)| !p.is_finite() || *p <= 0.0 || c.iter().any(|v| !v.is_finite())) {
        bail!("an effect or a price of a jet is not a finite, positive number");
    }
    if demand.iter().chain(&slack).any(|v| !v.is_finite()) {
        bail!("the impulse account holds a number that is not finite");
    }
    if demand.iter().zip(&slack).all(|(d, s)| d.abs() <= *s) {
        return Ok(Certificate { multipliers: [0.0; R], worst_ratio: 0.0, value_kg: 0.0 });
    }
    let raw = best_multipliers(&columns, demand, slack)?;
    Ok(shrink(&columns, raw, demand, slack))
}

/// Solves `max y·d − |y|·s` subject to `y·a ≤ p`, in units that keep the coefficients near one.
fn best_multipliers<const R: usize>(
    columns: &[([f64; R], f64)],
    demand: [f64; R],
    slack: [f64; R],
) -> Result<[f64; R]> {
    let price_unit = columns.iter().fold(0.0_f64, |m, (_, p)| m.max(*p));
    // One unit per row: forces and torques differ by the size of the vehicle.
    let mut row_unit = [0.0_f64; R];
    for (column, _) in columns {
        for (unit, v) in row_unit.iter_mut().zip(column) {
            *unit = unit.max(v.abs());
        }
    }
    for (unit, (d, s)) in row_unit.iter_mut().zip(demand.iter().zip(&slack)) {
        if *unit == 0.0 {
            if d.abs() > *s {
                bail!("no usable jet reaches one row of the demand");
            }
            *unit = 1.0;
        }
    }
    let demand_unit = demand.iter().zip(&row_unit).fold(0.0_f64, |m, (d, u)| m.max((d / u).abs()));
    let mut problem = Problem::new(OptimizationDirection::Maximize);
    let split: Vec<(Variable, Variable)> = (0..R)
        .map(|i| {
            let (d, s) = (demand[i] / row_unit[i] / demand_unit, slack[i] / row_unit[i] / demand_unit);
            let free = (0.0, f64::INFINITY);
            (problem.add_var(d - s, free), problem.add_var(-d - s, free))
        })
        .collect();
    for (column, price) in columns {
        let mut row = LinearExpr::empty();
        for (i, (up, down)) in split.iter().enumerate() {
            let v = column[i] / row_unit[i];
            // Rounding dust would only spoil the solver's scaling; `shrink` checks the true column.
            if v.abs() > 1e-9 {
                row.add(*up, v);
                row.add(*down, -v);
            }
        }
        problem.add_constraint(row, ComparisonOp::Le, price / price_unit);
    }
    let solution = problem
        .solve()
        .map_err(|e| match e {
            microlp::Error::Unbounded => anyhow!("the usable jets cannot deliver this impulse"),
            other => anyhow!("linear program of the bound: {other}"),
        })?
        .into_solution()
        .map_err(|_| anyhow!("linear program of the bound: interrupted"))?;
    let mut multipliers = [0.0; R];
    for (i, (up, down)) in split.iter().enumerate() {
        multipliers[i] = (solution.var_value(*up) - solution.var_value(*down)) * price_unit / row_unit[i];
    }
    Ok(multipliers)
}

/// Scales multipliers so that every inequality holds with rounding allowed for.
fn shrink<const R: usize>(
    columns: &[([f64; R], f64)],
    raw: [f64; R],
    demand: [f64; R],
    slack: [f64; R],
) -> Certificate<R> {
    let worst = |y: &[f64; R]| {
        columns.iter().map(|(column, price)| upper_dot(y, column) / price).fold(0.0_f64, f64::max)
    };
    let first = worst(&raw);
    let scale = if first > 0.0 { (1.0 - 1e-14) / first } else { 0.0 };
    let mut multipliers = raw.map(|v| v * scale);
    let mut worst_ratio = worst(&multipliers);
    if worst_ratio > 1.0 {
        multipliers = multipliers.map(|v| v * (1.0 - 1e-12) / worst_ratio);
        worst_ratio = worst(&multipliers);
    }
    // −(upper bound of −y·d) is a lower bound of y·d.
    let lost: f64 = multipliers.iter().zip(&slack).map(|(y, s)| y.abs() * s).sum();
    let value = -upper_dot(&multipliers.map(|v| -v), &demand) - lost * (1.0 + 1e-12);
    if value > 0.0 {
        Certificate { multipliers, worst_ratio, value_kg: value }
    } else {
        Certificate { multipliers: [0.0; R], worst_ratio: 0.0, value_kg: 0.0 }
    }
}

/// A number certainly not below the exact scalar product (standard rounding analysis, `R + 2` ulps
/// of the sum of magnitudes).
fn upper_dot<const R: usize>(a: &[f64; R], b: &[f64; R]) -> f64 {
    let (mut sum, mut size) = (0.0, 0.0);
    for (x, y) in a.iter().zip(b) {
        sum += x * y;
        size += (x * y).abs();
    }
    sum + size * f64::EPSILON * (R as f64 + 2.0)
}

/// Angular impulse the jets had to deliver by the momentum equation, body axes, N·m·s.
#[must_use]
pub fn required_impulse_n_m_s(account: &ImpulseAccount) -> [f64; 3] {
    let beside = beside_jets_n_m_s(account);
    std::array::from_fn(|i| account.momentum_change_n_m_s[i] + account.gyroscopic_n_m_s[i] - beside[i])
}

/// Angular impulse of everything that pushes beside the jets: disturbances and main engine, body axes, N·m·s.
#[must_use]
pub fn beside_jets_n_m_s(account: &ImpulseAccount) -> [f64; 3] {
    std::array::from_fn(|i| account.disturbance_n_m_s[i] + account.engine_n_m_s[i])
}

/// Lower bound of the propellant of a run, for the torque it really saw.
///
/// * `flown_stack` — bodies really there during this flight.
///
/// # Errors
/// When the record contradicts itself so far that no price can be computed; see [`certify`].
pub fn propellant_bound(scenario: &Scenario, flown_stack: &[String], record: &RunRecord) -> Result<Bound> {
    let jets = &plume::on(&scenario.vehicle.jets, flown_stack);
    if record.jets.len() != jets.len() || record.arms_m.iter().any(|arms| arms.len() != jets.len()) {
        bail!("the record holds {} jets, the scenario {}", record.jets.len(), jets.len());
    }
    let mut doubts = Vec::new();
    let demand = required_impulse_n_m_s(&record.impulse);
    let slack: [f64; 3] = std::array::from_fn(|i| (demand[i] - record.impulse.jets_n_m_s[i]).abs());
    let turned: f64 =
        record.jets.iter().zip(&record.arms_m[0]).map(|(totals, arm)| totals.impulse_n_s * norm(*arm)).sum();
    let mismatch = norm(slack);
    if mismatch > ACCOUNT_TOLERANCE * turned.max(norm(demand)) {
        doubts.push(format!(
            "the impulse account does not close: {mismatch:.3e} N·m·s of {turned:.3e} N·m·s are missing"
        ));
    }
    let (mut centres, mut explained) = centres_of_mass(scenario, flown_stack, record);
    if let Some(parting) = record.partings.last() {
        let left = record.stack_at(flown_stack, parting.time_s);
        let after = centres_of_mass(scenario, &left, record);
        centres.extend(after.0);
        explained = after.1;
        let strikes =
            |jet: &&Jet| jet.plume.as_ref().is_some_and(|plume| parting.bodies.contains(&plume.body));
        if let Some(jet) = scenario.vehicle.jets.iter().find(strikes) {
            doubts.push(format!(
                "jet {} pushes otherwise once what its plume strikes has been released",
                jet.name
            ));
        }
    }
    if !explained {
        doubts.push("the path of the centre of mass is not explained by the drained tanks".into());
    }
    let mut samples = vec![record.arms_m[0].clone(), record.arms_m[1].clone()];
    for centre in
        centres.iter().flat_map(|centre| around(*centre, slosh_reach_m(scenario, flown_stack, record)))
    {
        let moved = sub(centre, record.centre_of_mass_m[0]);
        let arms = record.arms_m[0].iter().zip(jets);
        samples.push(arms.map(|(arm, jet)| sub(*arm, cross(moved, jet.force_direction))).collect());
    }
    let prices: Vec<f64> = jets.iter().map(price_kg_per_n_s).collect();
    let usable: Vec<bool> =
        jets.iter().zip(&record.jets).map(|(jet, totals)| could_fire(jet, flown_stack, totals)).collect();
    let certificate = certify(&samples, &prices, &usable, demand, slack)?;
    if certificate.worst_ratio > 1.0 {
        doubts.push("the certificate does not hold in double precision".into());
    }
    Ok(Bound {
        value_kg: certificate.value_kg,
        proven: doubts.is_empty(),
        doubts,
        angular_impulse_n_m_s: demand,
        multipliers_kg_per_n_m_s: certificate.multipliers,
        worst_ratio: certificate.worst_ratio,
        centres_checked: samples.len(),
    })
}

/// Whether a jet can be fired in a flight of these bodies.
#[must_use]
pub fn usable(jet: &Jet, flown_stack: &[String]) -> bool {
    jet.state == JetState::Ready && flown_stack.contains(&jet.body)
}

/// Whether a jet counts in the bound: it could be fired, or it was.
#[must_use]
pub fn could_fire(jet: &Jet, flown_stack: &[String], totals: &JetTotals) -> bool {
    usable(jet, flown_stack) || totals.impulse_n_s > 0.0
}

/// Mass of these bodies with full tanks, kg.
#[must_use]
pub fn mass_at_start_kg(scenario: &Scenario, flown_stack: &[String]) -> f64 {
    let vehicle = &scenario.vehicle;
    let bodies = vehicle.bodies.iter().filter(|body| flown_stack.contains(&body.name));
    let tanks = vehicle.tanks.iter().filter(|tank| flown_stack.contains(&tank.body));
    bodies.map(|body| body.mass_kg).sum::<f64>() + tanks.map(|tank| tank.propellant_kg).sum::<f64>()
}

/// Corners of the centre of mass's path (each draining tank full or drained), and whether the
/// fully drained corner is where the record ends. Of what stays after a release: as if it had been there from the start,
/// for its tanks are no fuller at the release.
fn centres_of_mass(scenario: &Scenario, stack: &[String], record: &RunRecord) -> (Vec<[f64; 3]>, bool) {
    let vehicle = &scenario.vehicle;
    let start_m = if record.partings.is_empty() {
        record.centre_of_mass_m[0]
    } else {
        composite(vehicle, stack, &full_tanks(vehicle)).centre_of_mass_m
    };
    let tanks: Vec<_> = vehicle.tanks.iter().filter(|t| stack.contains(&t.body)).collect();
    let start_kg = mass_at_start_kg(scenario, stack);
    let drained: Vec<([f64; 3], f64)> = tanks
        .iter()
        .map(|tank| {
            let fed = vehicle.jets.iter().zip(&record.jets).filter(|(jet, _)| jet.tank == tank.name);
            let fed: f64 = fed.map(|(_, totals)| totals.propellant_kg).sum();
            (tank.position_m, fed + engine_draught_kg(vehicle, record, &tank.name))
        })
        .filter(|(_, kg)| *kg > 0.0)
        .collect();
    if drained.len() > MAX_DRAINING_TANKS {
        return (Vec::new(), false);
    }
    let corner = |mask: usize| {
        let mut moment = start_m.map(|c| c * start_kg);
        let mut mass = start_kg;
        for (i, (place, kg)) in drained.iter().enumerate() {
            if mask & (1 << i) != 0 {
                moment = sub(moment, place.map(|p| p * kg));
                mass -= kg;
            }
        }
        moment.map(|m| m / mass)
    };
    let corners: Vec<[f64; 3]> = (0..1usize << drained.len()).map(corner).collect();
    let end = corners.last().copied().unwrap_or(start_m);
    let explained = norm(sub(end, record.centre_of_mass_m[1])) <= CORNER_TOLERANCE_M;
    (corners, explained)
}

/// What the main engine drew from a tank, kg.
#[must_use]
pub fn engine_draught_kg(vehicle: &Vehicle, record: &RunRecord, tank: &str) -> f64 {
    let feeds = vehicle.engine.as_ref().is_some_and(|engine| engine.tank.as_deref() == Some(tank));
    if feeds { record.engine.propellant_kg } else { 0.0 }
}

/// How far the liquids that swing can move the centre of mass from where it is with all liquid at rest in its
/// tanks, whatever they do, m.
fn slosh_reach_m(scenario: &Scenario, stack: &[String], record: &RunRecord) -> f64 {
    let used: f64 = record.jets.iter().map(|jet| jet.propellant_kg).sum();
    let least_kg = mass_at_start_kg(scenario, stack) - used - record.engine.propellant_kg;
    let tank = |name: &str| scenario.vehicle.tanks.iter().find(|tank| tank.name == name);
    let reach = |slosh: &Slosh| {
        let tank = tank(&slosh.tank).filter(|tank| stack.contains(&tank.body))?;
        Some(slosh.mass_kg * (norm(sub(slosh.pivot_m, tank.position_m)) + slosh.length_m) / least_kg)
    };
    scenario.sloshes.iter().filter_map(reach).sum()
}

/// Corners of the cube around a point that holds every point within `reach`; the point itself for none.
fn around(centre: [f64; 3], reach: f64) -> Vec<[f64; 3]> {
    if reach == 0.0 {
        return vec![centre];
    }
    let corner =
        |mask: usize| std::array::from_fn(|i| centre[i] + if mask & (1 << i) == 0 { -reach } else { reach });
    (0..8).map(corner).collect()
}

/// Closed-form price of the two-sided, undisturbed limit cycle of one axis.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AxisReference {
    /// Jet with the smallest bit on this axis.
    pub jet: String,
    /// Rate change of that bit about this axis, rad/s.
    pub bit_rate_change_rad_s: f64,
    /// Propellant of that bit, kg.
    pub bit_propellant_kg: f64,
    /// Deadband half-width, rad.
    pub half_width_rad: f64,
    /// Period `8 · half-width / rate change`, s.
    pub period_s: f64,
    /// Propellant rate `bit · rate change / (4 · half-width)`, kg/s.
    pub rate_kg_s: f64,
    /// `true` when no ready jet turns this axis more than the others, so that the jet with the
    /// largest share on it stands in.
    pub stand_in: bool,
}

/// Rate change and propellant of one minimum pulse of a jet.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bit {
    /// Index of the jet.
    pub jet: usize,
    /// Change of body rate, rad/s.
    pub rate_change_rad_s: [f64; 3],
    /// Propellant, kg.
    pub propellant_kg: f64,
}

impl Bit {
    /// Axis of the largest component of the rate change.
    #[must_use]
    pub fn axis(&self) -> usize {
        let size = self.rate_change_rad_s.map(f64::abs);
        (0..3).max_by(|a, b| size[*a].total_cmp(&size[*b])).unwrap_or(0)
    }
}

/// Closed-form period and propellant rate of the two-sided limit cycle with one bit on either side:
/// `period = 8 · half_width / rate_change`, two bits each period; a short pulse is taken as an
/// instant. Units rad, rad/s, kg; returns s and kg/s.
#[must_use]
pub fn two_sided_cycle(
    half_width_rad: f64,
    bit_rate_change_rad_s: f64,
    bit_propellant_kg: f64,
) -> (f64, f64) {
    let period = 8.0 * half_width_rad / bit_rate_change_rad_s;
    (period, 2.0 * bit_propellant_kg / period)
}

/// The reference price of an undisturbed hold: for each axis the two-sided closed form with that
/// axis's smallest single-jet bit on both sides.
///
/// An axis's bits are those of the ready jets whose one minimum pulse turns this axis more than the
/// other two. The smaller of the two directions is used for both sides, which never flatters. An axis
/// without such a jet gets the bit with the largest share on it. `None` for an axis no bit turns.
#[must_use]
pub fn limit_cycle_reference(
    jets: &[Jet],
    bits: &[Bit],
    half_width_rad: [f64; 3],
) -> [Option<AxisReference>; 3] {
    std::array::from_fn(|axis| {
        let size = |bit: &&Bit| bit.rate_change_rad_s[axis].abs();
        let own = bits.iter().filter(|bit| bit.axis() == axis && size(bit) > 0.0);
        let smallest = own.min_by(|a, b| size(a).total_cmp(&size(b)));
        let share = |bit: &&Bit| size(bit) / norm(bit.rate_change_rad_s);
        let widest = || bits.iter().filter(|b| size(b) > 0.0).max_by(|a, b| share(a).total_cmp(&share(b)));
        let bit = smallest.or_else(widest)?;
        let change = size(&bit);
        let (period_s, rate_kg_s) = two_sided_cycle(half_width_rad[axis], change, bit.propellant_kg);
        Some(AxisReference {
            jet: jets.get(bit.jet)?.name.clone(),
            bit_rate_change_rad_s: change,
            bit_propellant_kg: bit.propellant_kg,
            half_width_rad: half_width_rad[axis],
            period_s,
            rate_kg_s,
            stand_in: smallest.is_none(),
        })
    })
}

/// Vector product, right-handed.
#[must_use]
pub fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Euclidean length.
#[must_use]
pub fn norm(v: [f64; 3]) -> f64 {
    v.iter().map(|c| c * c).sum::<f64>().sqrt()
}

/// Difference.
#[must_use]
pub fn sub(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    std::array::from_fn(|i| a[i] - b[i])
}

/// What one pulse delivers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pulse {
    /// Impulse, N·s.
    pub impulse_n_s: f64,
    /// Propellant, kg.
    pub propellant_kg: f64,
}

/// What the shortest allowed pulse of a jet delivers; see [`pulse`].
#[must_use]
pub fn minimum_pulse(jet: &Jet) -> Pulse {
    pulse(jet, jet.minimum_on_s)
}

/// What a pulse of `on_s` seconds between its commands delivers, without scatter: thrust rises linearly
/// after the opening delay, falls linearly after the closing delay (at the tail-off's slope when it never
/// reached steady thrust), and the specific impulse recovers from its loss at the first thrust.
#[must_use]
pub fn pulse(jet: &Jet, on_s: f64) -> Pulse {
    let first = jet.opening_delay_s;
    let loss = on_s + jet.closing_delay_s;
    if loss <= first {
        return Pulse { impulse_n_s: 0.0, propellant_kg: 0.0 };
    }
    let level = if jet.rise_s > 0.0 { ((loss - first) / jet.rise_s).min(1.0) } else { 1.0 };
    let full = first + level * jet.rise_s;
    let end = loss + level * jet.tail_off_s;
    let flow_per_newton = |time: f64| {
        let recovered = if jet.short_pulse_time_s > 0.0 {
            1.0 - jet.short_pulse_loss * (-(time - first) / jet.short_pulse_time_s).exp()
        } else {
            1.0
        };
        price_kg_per_n_s(jet) / recovered
    };
    let mut pulse = Pulse { impulse_n_s: 0.0, propellant_kg: 0.0 };
    for (from, to, force_from, force_to) in
        [(first, full, 0.0, level), (full, loss, level, level), (loss, end, level, 0.0)]
    {
        let force =
            |time: f64| jet.thrust_n * (force_from + (force_to - force_from) * (time - from) / (to - from));
        if to > from {
            pulse.impulse_n_s += 0.5 * jet.thrust_n * (force_from + force_to) * (to - from);
            pulse.propellant_kg += simpson(|t| force(t) * flow_per_newton(t), from, to);
        }
    }
    pulse
}

/// Composite Simpson rule on 128 intervals.
fn simpson(f: impl Fn(f64) -> f64, from: f64, to: f64) -> f64 {
    const INTERVALS: usize = 128;
    let h = (to - from) / INTERVALS as f64;
    let weight = |k: usize| match k {
        0 | INTERVALS => 1.0,
        k if k % 2 == 1 => 4.0,
        _ => 2.0,
    };
    (0..=INTERVALS).map(|k| weight(k) * f(from + h * k as f64)).sum::<f64>() * h / 3.0
}
