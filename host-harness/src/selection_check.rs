//! Proof in `f64`, from the multipliers alone, that a jet selection is what it claims to be.
//!
//! By weak duality any multipliers `y` bound the propellant of every set of on-times that delivers
//! the demand: `price·t ≥ Σ y_i·(low_i if y_i > 0 else high_i) − Σ max(0, y·a_j − price_j)·limit_j`.
//! The same sum without prices bounds λ. So nothing here solves anything: the multipliers that the
//! kernel returns either close the gap or they do not. No allocation; cost about `4·M·N` products.
//!
//! The numbers are `f32`, so a jet in use whose price should equal `y·a_j` misses it by a rounding;
//! times a limit that may be a million times the on-time, that would swamp the gap of a tiny demand.
//! Two remedies, the better is taken: the multipliers are shrunk until no unsaturated jet is overpriced (rigorous
//! for the prices as given), or each price is raised by at most [`ROUNDING`] of its terms (rigorous for prices that
//! differ by that from the given).

use stackhold_kernel::cycle::Witness;
use stackhold_kernel::selection::{FLOOR, Outcome, Problem, SLACK, SPILL, Selection};

use crate::record::SelectionChecks;

/// Largest relative gap to the dual bound that counts as proven.
pub const GAP_LIMIT: f64 = 2.0e-5;
/// Largest relative miss of the demand that counts as delivered.
pub const RESIDUAL_LIMIT: f64 = 2.0e-5;
/// Largest relative shortfall of λ below `(1 − SLACK)` of its bound.
pub const LAMBDA_LIMIT: f64 = 5.0e-5;
/// Share of its terms by which a price may be off: a few roundings of `f32`.
pub const ROUNDING: f64 = 2.0e-6;
/// Rounding of an on-time, as a share of what it delivers: where on-times nearly cancel one another,
/// no `f32` on-times deliver better.
pub const ON_TIME_ROUNDING: f64 = 1.5e-7;
/// Share of a full pulse that is as good as nothing.
const TRIFLE: f64 = 2.0e-12;
/// Terms this many times their sum are still no reason for a larger limit.
const WELL_CONDITIONED: f64 = 100.0;
/// What the second stage may push the wrong way for rounding's sake, share of the demand.
const LEEWAY: f64 = 1.2e-5;

/// The first thing found wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// An on-time is not a number, is minus zero, below zero, above its limit, or of a jet that may not fire.
    OnTime,
    /// What is said to be achieved or remaining is not what the on-times deliver.
    Account,
    /// The demand, at the λ claimed, is not delivered; or a row is pushed the wrong way.
    Residual,
    /// Less propellant may do: the multipliers leave a gap.
    Gap,
    /// A larger λ may be possible: the multipliers leave a gap.
    Lambda,
    /// The outcome claimed does not fit what is there.
    Outcome,
}

/// What the multipliers prove.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SelectionCheck {
    /// Propellant above the proven bound, relative; at the achieved λ, or at what is achieved in the second stage.
    pub gap: f64,
    /// Largest miss of a row, share of the demand's largest row (each in units of its largest full pulse).
    pub residual: f64,
    /// λ below `(1 − SLACK)` of its proven bound, relative.
    pub lambda_gap: f64,
    /// Proven bound of λ; infinite when none was asked for.
    pub lambda_bound: f64,
    /// The first fault, `None` when all is proven.
    pub fault: Option<Fault>,
}

impl SelectionCheck {
    /// Whether everything claimed is proven.
    #[must_use]
    pub fn ok(&self) -> bool {
        self.fault.is_none()
    }
}

/// Witness of a run: checks every selection and keeps the worst.
#[derive(Clone, Debug, Default)]
pub struct Checker {
    checks: SelectionChecks,
}

impl Checker {
    /// What was found so far.
    #[must_use]
    pub fn summary(&self) -> SelectionChecks {
        self.checks
    }

    fn take(&mut self, check: &SelectionCheck) {
        let checks = &mut self.checks;
        checks.checked += 1;
        checks.worst_optimality_gap = checks.worst_optimality_gap.max(check.gap);
        checks.worst_residual = checks.worst_residual.max(check.residual);
        checks.unproven += u64::from(!check.ok());
    }
}

impl Witness for Checker {
    fn saw<const M: usize, const N: usize>(&mut self, problem: &Problem<M>, answer: &Selection<M, N>) {
        self.take(&check_selection(problem, answer));
    }
}

/// A jet that may fire: column, price, limit, on-time.
#[derive(Clone, Copy)]
struct Used<const M: usize> {
    column: [f64; M],
    price: f64,
    limit: f64,
    on_time: f64,
}

/// Ranges of the rows.
#[derive(Clone, Copy)]
struct Ranges<const M: usize> {
    low: [f64; M],
    high: [f64; M],
}

/// Checks a selection against its problem.
///
/// * `problem` — what the kernel was asked; `selection` — what it answered.
#[must_use]
pub fn check_selection<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
) -> SelectionCheck {
    let mut check = SelectionCheck {
        gap: 0.0,
        residual: 0.0,
        lambda_gap: 0.0,
        lambda_bound: f64::INFINITY,
        fault: on_times_fault(problem, selection),
    };
    if check.fault.is_some() {
        return check;
    }
    let nearest = problem.demand.nearest().map(f64::from);
    match selection.outcome {
        Outcome::Exact | Outcome::Shortened | Outcome::Prioritised | Outcome::Coupled => {}
        outcome => {
            check.fault = quiet_fault(problem, selection, outcome);
            return check;
        }
    }
    let achieved = delivered(problem, selection);
    let pulse = full_pulses(problem);
    check.fault = account_fault(problem, selection, &achieved, &pulse);
    check_reach(problem, selection, &nearest, &mut check);
    let ranges = claimed_ranges(problem, selection, &nearest);
    let target = demand_size(problem, &ranges, &nearest, &pulse, selection.outcome);
    check.residual = worst_miss(&achieved, &ranges, &pulse) / target.max(f64::MIN_POSITIVE);
    let rounding =
        ON_TIME_ROUNDING * gathered_size(problem, selection, &pulse) / target.max(f64::MIN_POSITIVE);
    if !(check.residual <= RESIDUAL_LIMIT + rounding) {
        check.fault = check.fault.or(Some(Fault::Residual));
    }
    let priced = priced_ranges(&ranges, &achieved, selection, target * RESIDUAL_LIMIT, &pulse);
    check.gap = propellant_gap(problem, selection, &priced);
    // The negated comparison also catches what is not a number.
    if !(check.gap <= GAP_LIMIT * stretch(problem, selection)) {
        check.fault = check.fault.or(Some(Fault::Gap));
    }
    check
}

/// The jets that may fire.
fn used<'a, const M: usize, const N: usize>(
    problem: &'a Problem<M>,
    selection: &'a Selection<M, N>,
) -> impl Iterator<Item = Used<M>> + Clone {
    let jets = problem.columns.iter().zip(problem.price).zip(problem.limit).zip(&selection.on_time);
    jets.enumerate().filter(|(jet, _)| problem.usable.contains(*jet)).map(
        |(_, (((column, price), limit), on_time))| Used {
            column: column.map(f64::from),
            price: f64::from(*price),
            limit: f64::from(*limit),
            on_time: f64::from(*on_time),
        },
    )
}

fn on_times_fault<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
) -> Option<Fault> {
    let bad = selection.on_time.iter().enumerate().any(|(jet, time)| {
        let limit = problem.limit.get(jet).copied().filter(|_| problem.usable.contains(jet));
        let quiet = *time == 0.0 && time.is_sign_positive();
        !quiet && !limit.is_some_and(|limit| *time > 0.0 && *time <= limit)
    });
    bad.then_some(Fault::OnTime)
}

/// Outcomes that must not fire.
fn quiet_fault<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    outcome: Outcome,
) -> Option<Fault> {
    if selection.on_time.iter().any(|t| *t != 0.0) {
        return Some(Fault::OnTime);
    }
    let pulse = full_pulses(problem);
    let nearest = problem.demand.nearest().map(f64::from);
    // What is left must be no more than a trifle of a full pulse.
    let zero_will_do = nearest.iter().zip(pulse).all(|(r, pulse)| r.abs() <= TRIFLE * pulse);
    let honest = match outcome {
        Outcome::Nothing => zero_will_do,
        Outcome::NoJets => !used(problem, selection)
            .any(|jet| jet.limit > 0.0 && jet.column.iter().any(|entry| *entry != 0.0)),
        Outcome::Refused => true,
        _ => false,
    };
    (!honest).then_some(Fault::Outcome)
}

fn delivered<const M: usize, const N: usize>(problem: &Problem<M>, selection: &Selection<M, N>) -> [f64; M] {
    let mut sum = [0.0; M];
    for jet in used(problem, selection) {
        for (sum, entry) in sum.iter_mut().zip(jet.column) {
            *sum += entry * jet.on_time;
        }
    }
    sum
}

/// Largest full pulse per row; 1 for a row without any.
fn full_pulses<const M: usize>(problem: &Problem<M>) -> [f64; M] {
    let mut pulse = [0.0_f64; M];
    for (jet, (column, limit)) in problem.columns.iter().zip(problem.limit).enumerate() {
        if problem.usable.contains(jet) {
            for (pulse, entry) in pulse.iter_mut().zip(column) {
                *pulse = pulse.max(f64::from(entry.abs()) * f64::from(*limit));
            }
        }
    }
    pulse.map(|p| if p > 0.0 { p } else { 1.0 })
}

/// For each row the largest entry of its block of three.
fn largest_of_block<const M: usize>(mut rows: [f64; M]) -> [f64; M] {
    for block in rows.chunks_mut(3) {
        let top = block.iter().copied().fold(0.0, f64::max);
        block.fill(top);
    }
    rows
}

/// Whether `achieved` and `remaining` agree with the on-times.
fn account_fault<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    achieved: &[f64; M],
    pulse: &[f64; M],
) -> Option<Fault> {
    let gathered = gathered(problem, selection);
    let wrong = (0..M).any(|row| {
        let got = f64::from(selection.achieved[row]);
        let tolerance = 4.0e-6 * gathered[row] + 1.0e-30 * pulse[row];
        let (low, high) = (f64::from(problem.demand.low[row]), f64::from(problem.demand.high[row]));
        let left = if got < low { low - got } else { (high - got).min(0.0) };
        let claimed = f64::from(selection.remaining[row]);
        !((got - achieved[row]).abs() <= tolerance)
            || !((claimed - left).abs() <= tolerance + 1.0e-6 * left.abs())
    });
    wrong.then_some(Fault::Account)
}

/// What each row gathers, signs aside.
fn gathered<const M: usize, const N: usize>(problem: &Problem<M>, selection: &Selection<M, N>) -> [f64; M] {
    let mut sums = [0.0; M];
    for jet in used(problem, selection) {
        for (sum, entry) in sums.iter_mut().zip(jet.column) {
            *sum += (entry * jet.on_time).abs();
        }
    }
    sums
}

/// The most that a row gathers, signs aside, in units of full pulses.
fn gathered_size<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    pulse: &[f64; M],
) -> f64 {
    gathered(problem, selection).iter().zip(pulse).map(|(sum, pulse)| sum / pulse).fold(0.0, f64::max)
}

/// Bound of λ from the reach multipliers, and what is claimed against it.
fn check_reach<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    nearest: &[f64; M],
    check: &mut SelectionCheck,
) {
    let lambda = f64::from(selection.lambda);
    if selection.outcome == Outcome::Exact {
        if lambda != 1.0 {
            check.fault = check.fault.or(Some(Fault::Lambda));
        }
        return;
    }
    let y = selection.reach_multipliers.map(f64::from);
    let towards: f64 = y.iter().zip(nearest).map(|(y, r)| y * r).sum();
    let edges: f64 = y
        .iter()
        .zip(problem.demand.low.iter().zip(&problem.demand.high))
        .zip(nearest)
        .map(
            // Relative to the nearest point, so that nothing cancels.
            |((y, (low, high)), r)| edge_product(*y, f64::from(*low) - r, f64::from(*high) - r),
        )
        .sum();
    let most: f64 = used(problem, selection)
        .map(|jet| {
            let excess = excess(&jet.column, &y, 0.0);
            let rounding = if jet.on_time < jet.limit { ROUNDING * terms(&jet.column, &y) } else { 0.0 };
            if excess > rounding { excess * jet.limit } else { 0.0 }
        })
        .sum();
    check.lambda_bound = if towards > 0.0 && y.iter().all(|y| y.is_finite()) {
        (most - edges) / towards
    } else {
        f64::INFINITY
    };
    let proven = match selection.outcome {
        Outcome::Shortened => {
            let best = check.lambda_bound.min(1.0) * (1.0 - f64::from(SLACK));
            check.lambda_gap = ((best - lambda) / best.max(f64::MIN_POSITIVE)).max(0.0);
            let sizes: f64 = y.iter().zip(nearest).map(|(y, r)| (y * r).abs()).sum();
            let limit = LAMBDA_LIMIT * (sizes / towards.abs() / WELL_CONDITIONED).max(1.0);
            check.lambda_gap <= limit && lambda <= check.lambda_bound * (1.0 + limit)
        }
        _ => check.lambda_bound <= 1.01 * f64::from(FLOOR),
    };
    if !proven {
        check.fault = check.fault.or(Some(Fault::Lambda));
    }
}

/// Smallest of `y·x` over `low ≤ x ≤ high`; zero when `y` is.
fn edge_product(y: f64, low: f64, high: f64) -> f64 {
    if y > 0.0 {
        y * low
    } else if y < 0.0 {
        y * high
    } else {
        0.0
    }
}

/// What the multipliers would pay for a second of the jet beyond its price.
fn excess<const M: usize>(column: &[f64; M], y: &[f64; M], price: f64) -> f64 {
    column.iter().zip(y).map(|(a, y)| a * y).sum::<f64>() - price
}

/// The sizes of the terms of `y·a`, which its rounding goes by.
fn terms<const M: usize>(column: &[f64; M], y: &[f64; M]) -> f64 {
    column.iter().zip(y).map(|(a, y)| (a * y).abs()).sum()
}

/// The rows' ranges at the λ claimed; in the second stage between nothing and the demand.
fn claimed_ranges<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    nearest: &[f64; M],
) -> Ranges<M> {
    let lambda = f64::from(selection.lambda);
    let (mut low, mut high) = (problem.demand.low.map(f64::from), problem.demand.high.map(f64::from));
    if matches!(selection.outcome, Outcome::Exact | Outcome::Shortened) {
        for row in 0..M {
            low[row] = (low[row] - nearest[row]) + lambda * nearest[row];
            high[row] = (high[row] - nearest[row]) + lambda * nearest[row];
        }
        return Ranges { low, high };
    }
    let (wanted, authority) = wanted_within_reach(problem, nearest);
    let block = largest_of_block(authority);
    let mut size: f64 = 0.0;
    for row in 0..M {
        if block[row] > 0.0 {
            size = size.max(wanted[row].abs() / block[row]);
        }
    }
    let room = LEEWAY + if selection.outcome == Outcome::Coupled { f64::from(SPILL) } else { 0.0 };
    for row in 0..M {
        low[row] = low[row].min(0.0) - room * size * block[row];
        high[row] = high[row].max(0.0) + room * size * block[row];
    }
    Ranges { low, high }
}

/// What is wanted, row by row no more than all jets together can deliver, and what that is.
fn wanted_within_reach<const M: usize>(problem: &Problem<M>, nearest: &[f64; M]) -> ([f64; M], [f64; M]) {
    let mut authority = [0.0; M];
    for (jet, (column, limit)) in problem.columns.iter().zip(problem.limit).enumerate() {
        if problem.usable.contains(jet) {
            for (sum, entry) in authority.iter_mut().zip(column) {
                *sum += f64::from(entry.abs()) * f64::from(*limit);
            }
        }
    }
    let mut wanted = *nearest;
    for (wanted, most) in wanted.iter_mut().zip(authority) {
        // The kernel's own margin on such a cap.
        *wanted = wanted.clamp(-1.07 * most, 1.07 * most);
    }
    (wanted, authority)
}

/// Size of what is claimed, in units of full pulses: at the λ claimed, or in the second stage what is
/// wanted as far as it is not beyond all reach.
fn demand_size<const M: usize>(
    problem: &Problem<M>,
    ranges: &Ranges<M>,
    nearest: &[f64; M],
    pulse: &[f64; M],
    outcome: Outcome,
) -> f64 {
    let (wanted, _) = wanted_within_reach(problem, nearest);
    (0..M)
        .map(|row| match outcome {
            Outcome::Exact | Outcome::Shortened => {
                let (low, high) = (ranges.low[row], ranges.high[row]);
                0.0_f64.clamp(low.min(high), high).abs() / pulse[row]
            }
            _ => wanted[row].abs() / pulse[row],
        })
        .fold(0.0, f64::max)
}

fn worst_miss<const M: usize>(achieved: &[f64; M], ranges: &Ranges<M>, pulse: &[f64; M]) -> f64 {
    (0..M)
        .map(|row| {
            (ranges.low[row] - achieved[row]).max(achieved[row] - ranges.high[row]).max(0.0) / pulse[row]
        })
        .fold(0.0, f64::max)
}

/// The ranges that the propellant is compared over: what is achieved in a row that presses on an edge but for
/// rounding (the least propellant is asked for at what is achieved) and in the second stage, else the edges.
fn priced_ranges<const M: usize, const N: usize>(
    ranges: &Ranges<M>,
    achieved: &[f64; M],
    selection: &Selection<M, N>,
    rounding: f64,
    pulse: &[f64; M],
) -> Ranges<M> {
    let mut priced = *ranges;
    for row in 0..M {
        let near = |edge: f64| (achieved[row] - edge).abs() <= rounding * pulse[row];
        let edge = if selection.multipliers[row] > 0.0 { ranges.low[row] } else { ranges.high[row] };
        let second_stage = matches!(selection.outcome, Outcome::Prioritised | Outcome::Coupled);
        if second_stage || near(edge) {
            (priced.low[row], priced.high[row]) = (achieved[row], achieved[row]);
        }
    }
    priced
}

/// How much larger the terms of `y·a_j` are than the propellant they add up to, against a hundred; at least 1.
/// Multipliers in `f32` cannot be better than that: the basis is nearly singular.
fn stretch<const M: usize, const N: usize>(problem: &Problem<M>, selection: &Selection<M, N>) -> f64 {
    let y = selection.multipliers.map(f64::from);
    let (mut sizes, mut cost) = (0.0, 0.0);
    for jet in used(problem, selection) {
        sizes += terms(&jet.column, &y) * jet.on_time;
        cost += jet.price * jet.on_time;
    }
    if cost > 0.0 { (sizes / cost / WELL_CONDITIONED).max(1.0) } else { 1.0 }
}

/// Propellant above the dual bound over `ranges`, relative.
fn propellant_gap<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    ranges: &Ranges<M>,
) -> f64 {
    let y = selection.multipliers.map(f64::from);
    if !y.iter().all(|y| y.is_finite()) {
        return f64::INFINITY;
    }
    let jets = || used(problem, selection);
    let cost: f64 = jets().map(|jet| jet.price * jet.on_time).sum();
    let rows: f64 = (0..M).map(|row| edge_product(y[row], ranges.low[row], ranges.high[row])).sum();
    // By how much unsaturated jets are overpriced at most.
    let over = jets()
        .filter(|jet| jet.on_time < jet.limit && jet.price > 0.0)
        .map(|jet| excess(&jet.column, &y, jet.price) / jet.price)
        .fold(0.0, f64::max);
    let bound = |shrink: f64| {
        rows * shrink
            - jets()
                .map(|jet| {
                    (shrink * (excess(&jet.column, &y, jet.price) + jet.price) - jet.price).max(0.0)
                        * jet.limit
                })
                .sum::<f64>()
    };
    let rigorous = cost - bound(1.0).max(bound(1.0 / (1.0 + over)));
    // The same with each price raised by no more than rounding.
    let (mut raised_cost, mut raised_bound) = (0.0, rows);
    for jet in jets() {
        let terms = jet.price + terms(&jet.column, &y);
        let excess = excess(&jet.column, &y, jet.price);
        let raise = if jet.on_time < jet.limit { excess.min(ROUNDING * terms).max(0.0) } else { 0.0 };
        raised_cost += (jet.price + raise) * jet.on_time;
        raised_bound -= (excess - raise).max(0.0) * jet.limit;
    }
    let gap = rigorous.min(raised_cost - raised_bound).max(0.0);
    gap / gap_unit(problem, selection, cost, &y)
}

/// What a gap is measured against: the propellant, or, where that is free, a thousandth of what the on-times
/// would cost at the dearest price.
fn gap_unit<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    cost: f64,
    y: &[f64; M],
) -> f64 {
    let dearest = used(problem, selection).map(|jet| jet.price).fold(0.0, f64::max);
    let seconds: f64 = used(problem, selection).map(|jet| jet.on_time).sum();
    let paid: f64 = y.iter().zip(&selection.achieved).map(|(y, got)| (y * f64::from(*got)).abs()).sum();
    cost.max(paid).max(1.0e-3 * dearest * seconds).max(f64::MIN_POSITIVE)
}
