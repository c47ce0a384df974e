//! Proof in `f64`, from the multipliers alone, that a jet selection is what it claims to be.
//!
//! By weak duality any multipliers `y` bound the propellant of every set of on-times that delivers
//! the demand: `price·t ≥ Σ y_i·(low_i if y_i > 0 else high_i) − Σ max(0, y·a_j − price_j)·limit_j`.
//! The same sum without prices bounds λ. So nothing here solves anything: the multipliers that the
//! kernel returns either close the gap or they do not. Cost about `4·M·N` products; no allocation but where a gap is
//! wide enough to ask for the condition of its basis.
//!
//! The limits are those of the stated problem: a jet's own, and the longest on-time that the kernel seeks at a share
//! (see [`Longest`]), computed here from the numbers of the problem.
//!
//! The numbers are `f32`, so a jet in use whose price should equal `y·a_j` misses it by a rounding;
//! times a limit that may be many times the on-time, that would swamp the gap of a tiny demand.
//! Two remedies, the better is taken: the multipliers are shrunk until no unsaturated jet is overpriced (rigorous
//! for the prices as given), or each price is raised by at most [`ROUNDING`] of its terms (rigorous for prices that
//! differ by that from the given). The bound of λ is taken as it stands, and where that leaves a gap, with what
//! the multipliers pay for an unsaturated jet lowered by the same share of its terms.
//!
//! Where neither closes the gap, the multipliers themselves are what is rounded: on layouts that are nearly short of a
//! rank they are large and cancel. Any multipliers prove what they prove, so they are then polished in `f64`: the
//! jets that they price right but for rounding are priced right.

use nalgebra::{DMatrix, DVector};
use stackhold_kernel::cycle::Witness;
use stackhold_kernel::selection::{FLOOR, LONGEST, Outcome, Problem, SLACK, SPILL, Selection};

use crate::record::SelectionChecks;

/// Largest relative gap to the dual bound that counts as proven, while the condition of the basis is
/// [`WELL_CONDITIONED`] at most; beyond, in proportion to it.
pub const GAP_LIMIT: f64 = 1.0e-5;
/// Largest relative miss of the demand that counts as delivered.
pub const RESIDUAL_LIMIT: f64 = 1.0e-5;
/// Largest relative shortfall of λ below `(1 − SLACK)` of its bound.
pub const LAMBDA_LIMIT: f64 = 1.0e-5;
/// Condition of a basis up to which [`GAP_LIMIT`] holds as it stands.
pub const WELL_CONDITIONED: f64 = 100.0;
/// Share of its terms by which the worth of a jet may be off: a few roundings of `f32`.
pub const ROUNDING: f64 = 5.0e-7;
/// Shares of its terms by which a jet may be mispriced that is priced right but for the rounding of `f32`: the
/// multipliers are polished by each.
const TIGHT: [f64; 3] = [1.0e-6, 3.0e-7, 1.0e-7];
/// Singular values below this share of the largest are rounding.
const INDEPENDENT: f64 = 1.0e-14;
/// What a row can deliver by itself times this is the most that is wanted of it (the kernel's own margin).
const CAP_MARGIN: f64 = 1.0625;
/// Share of a full pulse that is as good as nothing.
const TRIFLE: f64 = 2.0e-12;
/// What the second stage may push the wrong way for rounding's sake, share of the demand.
const LEEWAY: f64 = 1.2e-5;
/// A few roundings of `f32`, as a share of an on-time.
const SAME: f64 = 3.0e-7;
/// How far the residual of the kernel's own proof may be below what is found here: its sums are `f32`.
const PROOF_ROUNDING: f64 = 4.0e-6;

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
    /// The kernel's own proof claims less of a residual or gap than there is.
    Proof,
}

/// What the multipliers prove.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SelectionCheck {
    /// Propellant above the proven bound, relative; at the achieved λ, or at what is achieved in the second stage.
    pub gap: f64,
    /// Largest miss of a row, share of the demand's largest row (each in units of the power of two at or below its largest entry).
    pub residual: f64,
    /// λ below `(1 − SLACK)` of its proven bound, relative.
    pub lambda_gap: f64,
    /// Proven bound of λ; infinite when none was asked for.
    pub lambda_bound: f64,
    /// Condition of the basis; 1 where the gap did not ask for it.
    pub condition: f64,
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

/// A jet that may fire: column, price, limit (its own or the longest on-time sought, the less of them), on-time.
#[derive(Clone, Copy)]
struct Used<const M: usize> {
    column: [f64; M],
    price: f64,
    limit: f64,
    on_time: f64,
}

impl<const M: usize> Used<M> {
    /// Whether it could fire longer.
    fn is_open(&self) -> bool {
        self.on_time < self.limit * (1.0 - SAME)
    }
}

/// The power of two at or below `x > 0`, within reason; 1 for zero.
fn power_below(x: f64) -> f64 {
    if x > 0.0 { x.log2().floor().clamp(-100.0, 100.0).exp2() } else { 1.0 }
}

/// Longest on-times that a selection seeks: `LONGEST · β / γ_j`, where a row's unit `ρ_i` is the power of two at
/// or below its largest entry of a usable jet, a jet's strength `γ_j` that at or below its largest entry in those
/// units, and β the largest row of what is served in those units. Longer on-times would cancel one another so far
/// that they stand for an axis that is not there.
#[derive(Clone, Copy, Debug)]
pub struct Longest<const M: usize> {
    unit: [f64; M],
    /// `LONGEST · β`.
    most: f64,
}

impl<const M: usize> Longest<M> {
    /// Of a problem that serves `served`, row by row.
    #[must_use]
    pub fn new(problem: &Problem<M>, served: &[f64; M]) -> Self {
        let mut unit = [0.0_f64; M];
        for (jet, column) in problem.columns.iter().enumerate() {
            if problem.usable.contains(jet) {
                for (unit, entry) in unit.iter_mut().zip(column) {
                    *unit = unit.max(f64::from(entry.abs()));
                }
            }
        }
        let unit = unit.map(power_below);
        let beta = served.iter().zip(&unit).map(|(served, unit)| served.abs() / unit).fold(0.0, f64::max);
        Self { unit, most: f64::from(LONGEST) * beta }
    }

    /// Of the jet with this column, s.
    #[must_use]
    pub fn on_time_s(&self, column: &[f64; M]) -> f64 {
        let entries = column.iter().zip(&self.unit).map(|(entry, unit)| entry.abs() / unit);
        self.most / power_below(entries.fold(0.0, f64::max))
    }
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
        condition: 1.0,
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
    let longest = Longest::new(problem, &served(problem, selection, &nearest));
    let jets = || used(problem, selection, &longest);
    if jets().any(|jet| jet.on_time > jet.limit * (1.0 + SAME)) {
        check.fault = Some(Fault::OnTime);
        return check;
    }
    let achieved = delivered(jets());
    let unit = longest.unit;
    check.fault = account_fault(problem, selection, &achieved, &gathered(jets()), &unit);
    check_reach(problem, selection, &nearest, &mut check);
    let ranges = claimed_ranges(problem, selection, &nearest);
    let target = demand_size(problem, &ranges, &nearest, &unit, selection.outcome);
    check.residual = worst_miss(&achieved, &ranges, &unit) / target.max(f64::MIN_POSITIVE);
    if !(check.residual <= RESIDUAL_LIMIT) {
        check.fault = check.fault.or(Some(Fault::Residual));
    }
    let priced = priced_ranges(&ranges, &achieved, selection, target * RESIDUAL_LIMIT, &unit);
    let y = selection.multipliers.map(f64::from);
    check.gap = propellant_gap(jets(), &y, &priced);
    if !(check.gap <= GAP_LIMIT) {
        let gaps = TIGHT.map(|tight| propellant_gap(jets(), &polished(jets(), &y, 1.0, tight), &priced));
        check.gap = gaps.into_iter().fold(check.gap, f64::min);
    }
    if !(check.gap <= GAP_LIMIT) {
        check.condition = condition(jets(), &y, &longest);
    }
    // The negated comparison also catches what is not a number.
    if !(check.gap <= GAP_LIMIT * (check.condition / WELL_CONDITIONED).max(1.0)) {
        check.fault = check.fault.or(Some(Fault::Gap));
    }
    if check.fault.is_none() && !proof_is_honest(selection, &check) {
        check.fault = Some(Fault::Proof);
    }
    check
}

/// Whether the kernel's own proof owns up to what is found here, but for the rounding of its sums.
fn proof_is_honest<const M: usize, const N: usize>(
    selection: &Selection<M, N>,
    check: &SelectionCheck,
) -> bool {
    let second_stage = matches!(selection.outcome, Outcome::Prioritised | Outcome::Coupled);
    let proof = selection.proof;
    // In the second stage the kernel measures against edges of its own.
    let residual = second_stage || check.residual <= f64::from(proof.residual) + PROOF_ROUNDING;
    let stretch = (check.condition / WELL_CONDITIONED).max(1.0);
    residual && check.gap <= f64::from(proof.gap) + GAP_LIMIT * stretch && proof.reach_gap >= 0.0
}

/// What is served, as the longest on-times go by it: the demand at the λ claimed; in the second stage what is wanted
/// as far as it is not beyond all reach.
///
/// * `nearest` — the point of the demand nearest zero.
#[must_use]
pub fn served<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    nearest: &[f64; M],
) -> [f64; M] {
    match selection.outcome {
        Outcome::Exact | Outcome::Shortened => nearest.map(|r| f64::from(selection.lambda) * r),
        _ => wanted_within_reach(problem, nearest).0,
    }
}

/// The jets that may fire.
fn used<'a, const M: usize, const N: usize>(
    problem: &'a Problem<M>,
    selection: &'a Selection<M, N>,
    longest: &'a Longest<M>,
) -> impl Iterator<Item = Used<M>> + Clone {
    let jets = problem.columns.iter().zip(problem.price).zip(problem.limit).zip(&selection.on_time);
    jets.enumerate().filter(|(jet, _)| problem.usable.contains(*jet)).map(
        |(_, (((column, price), limit), on_time))| {
            let column = column.map(f64::from);
            Used {
                column,
                price: f64::from(*price),
                limit: f64::from(*limit).min(longest.on_time_s(&column)),
                on_time: f64::from(*on_time),
            }
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
        Outcome::NoJets => {
            !problem.columns.iter().zip(problem.limit).enumerate().any(|(jet, (column, limit))| {
                problem.usable.contains(jet) && *limit > 0.0 && column.iter().any(|entry| *entry != 0.0)
            })
        }
        Outcome::Refused => true,
        _ => false,
    };
    (!honest).then_some(Fault::Outcome)
}

fn delivered<const M: usize>(jets: impl Iterator<Item = Used<M>>) -> [f64; M] {
    let mut sum = [0.0; M];
    for jet in jets {
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
    gathered: &[f64; M],
    unit: &[f64; M],
) -> Option<Fault> {
    let wrong = (0..M).any(|row| {
        let got = f64::from(selection.achieved[row]);
        let tolerance = 4.0e-6 * gathered[row] + 1.0e-30 * unit[row];
        let (low, high) = (f64::from(problem.demand.low[row]), f64::from(problem.demand.high[row]));
        let left = if got < low { low - got } else { (high - got).min(0.0) };
        let claimed = f64::from(selection.remaining[row]);
        !((got - achieved[row]).abs() <= tolerance)
            || !((claimed - left).abs() <= tolerance + 1.0e-6 * left.abs())
    });
    wrong.then_some(Fault::Account)
}

/// What each row gathers, signs aside.
fn gathered<const M: usize>(jets: impl Iterator<Item = Used<M>>) -> [f64; M] {
    let mut sums = [0.0; M];
    for jet in jets {
        for (sum, entry) in sums.iter_mut().zip(jet.column) {
            *sum += (entry * jet.on_time).abs();
        }
    }
    sums
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
    let polished =
        TIGHT.into_iter().map(|tight| (polished_reach(problem, selection, nearest, &y, tight), 0.0));
    for (y, forgiven) in [(y, 0.0), (y, ROUNDING)].into_iter().chain(polished) {
        check.lambda_bound = share_bound(problem, selection, nearest, &y, forgiven);
        let best = check.lambda_bound.min(1.0) * (1.0 - f64::from(SLACK));
        let enough = if selection.outcome == Outcome::Shortened {
            // What is more than the multipliers allow as they stand cannot have been delivered.
            if forgiven == 0.0
                && y == selection.reach_multipliers.map(f64::from)
                && lambda > check.lambda_bound * (1.0 + LAMBDA_LIMIT)
            {
                break;
            }
            check.lambda_gap = ((best - lambda) / best.max(f64::MIN_POSITIVE)).max(0.0);
            check.lambda_gap <= LAMBDA_LIMIT
        } else {
            best <= (1.0 + LAMBDA_LIMIT) * f64::from(FLOOR) * alone(problem, nearest)
        };
        if enough {
            return;
        }
    }
    check.fault = check.fault.or(Some(Fault::Lambda));
}

/// The largest λ for which the reach multipliers do not contradict the demand, with `forgiven` of the terms of what they
/// pay for an unsaturated jet:
/// `λ·y·r + Σ min(y_i·(low_i − r_i), y_i·(high_i − r_i)) ≤ Σ max(0, y·a_j)·limit_j(λ)`. What is right of it less what is
/// left is concave in λ, so Newton's method from far out ends at the crossing.
fn share_bound<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    nearest: &[f64; M],
    y: &[f64; M],
    forgiven: f64,
) -> f64 {
    if !y.iter().all(|y| y.is_finite()) {
        return f64::INFINITY;
    }
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
    let whole = Longest::new(problem, nearest);
    let mut share = f64::INFINITY;
    loop {
        let (mut fixed, mut growing) = (0.0, 0.0);
        for (jet, (column, limit)) in problem.columns.iter().zip(problem.limit).enumerate() {
            let column = column.map(f64::from);
            let open = selection.on_time.get(jet).is_some_and(|time| time < limit);
            let rounding = if open { forgiven * terms(&column, y) } else { 0.0 };
            let pays = excess(&column, y, 0.0) - rounding;
            if !(pays > 0.0) || !problem.usable.contains(jet) {
                continue;
            }
            let (limit, longest) = (f64::from(*limit), whole.on_time_s(&column));
            if longest * share < limit { growing += pays * longest } else { fixed += pays * limit }
        }
        let next = if towards > growing { (fixed - edges) / (towards - growing) } else { f64::INFINITY };
        if !(next < share) {
            return share;
        }
        share = next;
    }
}

/// The share that the least able row could deliver by itself, with the kernel's own margin on what it takes
/// for able.
fn alone<const M: usize>(problem: &Problem<M>, nearest: &[f64; M]) -> f64 {
    let (_, authority) = wanted_within_reach(problem, nearest);
    let block = largest_of_block(authority);
    let shares = (0..M).filter(|row| block[*row] > 0.0 && nearest[*row] != 0.0);
    shares
        .map(|row| CAP_MARGIN * authority[row].max(f64::from(FLOOR) * block[row]) / nearest[row].abs())
        .fold(1.0, f64::min)
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
        *wanted = wanted.clamp(-CAP_MARGIN * most, CAP_MARGIN * most);
    }
    (wanted, authority)
}

/// Size of what is claimed, in units of the rows: at the λ claimed, or in the second stage what is
/// wanted as far as it is not beyond all reach.
fn demand_size<const M: usize>(
    problem: &Problem<M>,
    ranges: &Ranges<M>,
    nearest: &[f64; M],
    unit: &[f64; M],
    outcome: Outcome,
) -> f64 {
    let (wanted, _) = wanted_within_reach(problem, nearest);
    (0..M)
        .map(|row| match outcome {
            Outcome::Exact | Outcome::Shortened => {
                let (low, high) = (ranges.low[row], ranges.high[row]);
                0.0_f64.clamp(low.min(high), high).abs() / unit[row]
            }
            _ => wanted[row].abs() / unit[row],
        })
        .fold(0.0, f64::max)
}

fn worst_miss<const M: usize>(achieved: &[f64; M], ranges: &Ranges<M>, unit: &[f64; M]) -> f64 {
    (0..M)
        .map(|row| {
            (ranges.low[row] - achieved[row]).max(achieved[row] - ranges.high[row]).max(0.0) / unit[row]
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
    unit: &[f64; M],
) -> Ranges<M> {
    let mut priced = *ranges;
    for row in 0..M {
        let near = |edge: f64| (achieved[row] - edge).abs() <= rounding * unit[row];
        let edge = if selection.multipliers[row] > 0.0 { ranges.low[row] } else { ranges.high[row] };
        let second_stage = matches!(selection.outcome, Outcome::Prioritised | Outcome::Coupled);
        if second_stage || near(edge) {
            (priced.low[row], priced.high[row]) = (achieved[row], achieved[row]);
        }
    }
    priced
}

/// Condition of the basis that the multipliers of a selection come from, see [`SelectionCheck::condition`].
#[must_use]
pub fn basis_condition<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
) -> f64 {
    let nearest = problem.demand.nearest().map(f64::from);
    let longest = Longest::new(problem, &served(problem, selection, &nearest));
    condition(used(problem, selection, &longest), &selection.multipliers.map(f64::from), &longest)
}

/// Condition of the basis that the multipliers come from: largest by smallest singular value of the columns in use
/// short of their limit or priced right but for rounding, over the rows that are paid for, in the units of [`Longest`]. Where fewer columns are in use
/// than rows are paid for this is less than the condition of the whole basis, so the limit it sets is the stricter.
fn condition<const M: usize>(
    jets: impl Iterator<Item = Used<M>> + Clone,
    y: &[f64; M],
    longest: &Longest<M>,
) -> f64 {
    let basic = jets.filter(|jet| {
        let right =
            || excess(&jet.column, y, jet.price).abs() <= ROUNDING * (jet.price + terms(&jet.column, y));
        jet.on_time > 0.0 && jet.is_open() || right()
    });
    let columns: Vec<[f64; M]> = basic
        .map(|jet| {
            let strength = longest.most / longest.on_time_s(&jet.column);
            std::array::from_fn(|row| jet.column[row] / (longest.unit[row] * strength))
        })
        .collect();
    let rows: Vec<usize> = (0..M).filter(|row| y[*row] != 0.0).collect();
    if columns.is_empty() || rows.is_empty() {
        return 1.0;
    }
    let values = DMatrix::from_fn(rows.len(), columns.len(), |row, column| columns[column][rows[row]])
        .singular_values();
    let (largest, smallest) = (values.max(), values.min());
    if smallest > 0.0 { largest / smallest } else { 1.0 }
}

/// Multipliers that price those jets right which `y` prices right but for rounding: the least change of `y`, each entry
/// in proportion to itself.
///
/// * `priced` — 1 for prices, 0 for what is paid towards λ; `within` — share of its terms by which such a jet may be
///   mispriced.
fn polished<const M: usize>(
    jets: impl Iterator<Item = Used<M>>,
    y: &[f64; M],
    priced: f64,
    within: f64,
) -> [f64; M] {
    let mut tight: Vec<(f64, [f64; M])> = Vec::new();
    for jet in jets {
        let price = priced * jet.price;
        let (excess, terms) = (excess(&jet.column, y, price), price + terms(&jet.column, y));
        if excess.abs() <= within * terms && terms > 0.0 {
            tight.push((-excess / terms, std::array::from_fn(|row| jet.column[row] * y[row] / terms)));
        }
    }
    if tight.is_empty() {
        return *y;
    }
    let rows = DMatrix::from_fn(tight.len(), M, |jet, row| tight[jet].1[row]);
    let wanted = DVector::from_fn(tight.len(), |jet, _| tight[jet].0);
    match rows.svd(true, true).solve(&wanted, INDEPENDENT) {
        Ok(change) => std::array::from_fn(|row| y[row] * (1.0 + change[row])),
        Err(_) => *y,
    }
}

/// The same for what is paid towards λ, of the jets that may fire.
fn polished_reach<const M: usize, const N: usize>(
    problem: &Problem<M>,
    selection: &Selection<M, N>,
    nearest: &[f64; M],
    y: &[f64; M],
    within: f64,
) -> [f64; M] {
    let longest = Longest::new(problem, nearest);
    polished(used(problem, selection, &longest), y, 0.0, within)
}

/// Propellant above the dual bound over `ranges`, relative.
fn propellant_gap<const M: usize>(
    jets: impl Iterator<Item = Used<M>> + Clone,
    y: &[f64; M],
    ranges: &Ranges<M>,
) -> f64 {
    if !y.iter().all(|y| y.is_finite()) {
        return f64::INFINITY;
    }
    let cost: f64 = jets.clone().map(|jet| jet.price * jet.on_time).sum();
    let rows: f64 = (0..M).map(|row| edge_product(y[row], ranges.low[row], ranges.high[row])).sum();
    // By how much unsaturated jets are overpriced at most.
    let over = jets
        .clone()
        .filter(|jet| jet.is_open() && jet.price > 0.0)
        .map(|jet| excess(&jet.column, y, jet.price) / jet.price)
        .fold(0.0, f64::max);
    let bound = |shrink: f64| {
        let paid = |jet: Used<M>| {
            (shrink * (excess(&jet.column, y, jet.price) + jet.price) - jet.price).max(0.0) * jet.limit
        };
        rows * shrink - jets.clone().map(paid).sum::<f64>()
    };
    let rigorous = cost - bound(1.0).max(bound(1.0 / (1.0 + over)));
    // The same with each price raised by no more than rounding.
    let (mut raised_cost, mut raised_bound) = (0.0, rows);
    for jet in jets.clone() {
        let terms = jet.price + terms(&jet.column, y);
        let excess = excess(&jet.column, y, jet.price);
        let raise = if jet.is_open() { excess.min(ROUNDING * terms).max(0.0) } else { 0.0 };
        raised_cost += (jet.price + raise) * jet.on_time;
        raised_bound -= (excess - raise).max(0.0) * jet.limit;
    }
    let gap = rigorous.min(raised_cost - raised_bound).max(0.0);
    // Where nothing fires nothing can be saved.
    gap_unit(jets, cost).map_or(0.0, |unit| gap / unit)
}

/// What a gap is measured against: the propellant, or, where that is free, a thousandth of what the on-times
/// would cost at the dearest price.
fn gap_unit<const M: usize>(jets: impl Iterator<Item = Used<M>> + Clone, cost: f64) -> Option<f64> {
    let dearest = jets.clone().map(|jet| jet.price).fold(0.0, f64::max);
    let seconds: f64 = jets.map(|jet| jet.on_time).sum();
    Some(cost.max(1.0e-3 * dearest * seconds)).filter(|unit| *unit > 0.0)
}
