//! Two independent general-purpose solvers set to the problem that the kernel says it solves: microlp (a simplex)
//! and clarabel (an interior-point method), both in `f64`.
#![allow(dead_code, missing_docs)]

use clarabel::algebra::CscMatrix;
use clarabel::solver::{DefaultSettingsBuilder, DefaultSolver, IPSolver, SolverStatus, SupportedConeT};
use microlp::{ComparisonOp, OptimizationDirection};
use stackhold_harness::selection_check::Longest;
use stackhold_kernel::selection::Problem;

/// A linear program: least `cost · x` with `0 ≤ x ≤ limit` and `low ≤ row · x ≤ high` for each row.
#[derive(Clone, Debug)]
pub struct Linear {
    pub cost: Vec<f64>,
    pub limit: Vec<f64>,
    pub rows: Vec<(Vec<f64>, f64, f64)>,
}

/// Which of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Solver {
    Simplex,
    InteriorPoint,
}

pub const SOLVERS: [Solver; 2] = [Solver::Simplex, Solver::InteriorPoint];

/// The least cost; `None` when the solver finds no answer that it stands by.
pub fn least(program: &Linear, solver: Solver) -> Option<f64> {
    match solver {
        Solver::Simplex => by_simplex(program),
        Solver::InteriorPoint => by_interior_point(program),
    }
}

fn by_simplex(program: &Linear) -> Option<f64> {
    let mut problem = microlp::Problem::new(OptimizationDirection::Minimize);
    let variables: Vec<_> = program
        .cost
        .iter()
        .zip(&program.limit)
        .map(|(cost, limit)| problem.add_var(*cost, (0.0, *limit)))
        .collect();
    for (row, low, high) in &program.rows {
        let terms: Vec<_> = variables.iter().copied().zip(row.iter().copied()).collect();
        if low == high {
            problem.add_constraint(&terms, ComparisonOp::Eq, *low);
            continue;
        }
        if low.is_finite() {
            problem.add_constraint(&terms, ComparisonOp::Ge, *low);
        }
        if high.is_finite() {
            problem.add_constraint(&terms, ComparisonOp::Le, *high);
        }
    }
    Some(problem.solve().ok()?.into_solution().ok()?.objective())
}

fn by_interior_point(program: &Linear) -> Option<f64> {
    let count = program.cost.len();
    // A·x + s = b: first the equalities (s = 0), then all inequalities (s ≥ 0).
    let (mut rows, mut edges): (Vec<Vec<f64>>, Vec<f64>) = (Vec::new(), Vec::new());
    let (equal, ranged): (Vec<_>, Vec<_>) = program.rows.iter().partition(|(_, low, high)| low == high);
    for (row, edge, _) in &equal {
        rows.push(row.clone());
        edges.push(*edge);
    }
    let unit = |index: usize, value: f64| {
        let mut row = vec![0.0; count];
        row[index] = value;
        row
    };
    for (row, low, high) in ranged {
        if high.is_finite() {
            rows.push(row.clone());
            edges.push(*high);
        }
        if low.is_finite() {
            rows.push(row.iter().map(|x| -x).collect());
            edges.push(-low);
        }
    }
    for (index, limit) in program.limit.iter().enumerate() {
        rows.push(unit(index, -1.0));
        edges.push(0.0);
        if limit.is_finite() {
            rows.push(unit(index, 1.0));
            edges.push(*limit);
        }
    }
    let cones =
        [SupportedConeT::ZeroConeT(equal.len()), SupportedConeT::NonnegativeConeT(edges.len() - equal.len())];
    let settings = DefaultSettingsBuilder::default()
        .verbose(false)
        .tol_gap_abs(1.0e-11)
        .tol_gap_rel(1.0e-9)
        .tol_feas(1.0e-10)
        .presolve_enable(false)
        .build()
        .ok()?;
    let none = CscMatrix::zeros((count, count));
    let mut solver =
        DefaultSolver::new(&none, &program.cost, &CscMatrix::from(&rows), &edges, &cones, settings).ok()?;
    solver.solve();
    (solver.solution.status == SolverStatus::Solved).then_some(solver.solution.obj_val)
}

/// Jets that may fire, as the solvers see them: columns in full pulses of the problem, unlimited by the longest
/// on-time.
struct Jets {
    columns: Vec<Vec<f64>>,
    price: Vec<f64>,
    limit: Vec<f64>,
    /// Longest on-time at λ = 1, s.
    longest: Vec<f64>,
}

/// Largest full pulse of each row; 1 for a row without any.
fn pulses<const M: usize>(problem: &Problem<M>) -> [f64; M] {
    let mut pulse = [0.0_f64; M];
    for (jet, (column, limit)) in problem.columns.iter().zip(problem.limit).enumerate() {
        for (pulse, entry) in pulse.iter_mut().zip(column).filter(|_| problem.usable.contains(jet)) {
            *pulse = pulse.max(f64::from(entry.abs()) * f64::from(*limit));
        }
    }
    pulse.map(|pulse| if pulse > 0.0 { pulse } else { 1.0 })
}

fn jets<const M: usize>(problem: &Problem<M>, pulse: &[f64; M]) -> Jets {
    let longest = Longest::new(problem, &problem.demand.nearest().map(f64::from));
    let mut jets = Jets { columns: Vec::new(), price: Vec::new(), limit: Vec::new(), longest: Vec::new() };
    let all = problem.columns.iter().zip(problem.price.iter().zip(problem.limit)).enumerate();
    for (_, (column, (price, limit))) in all.filter(|(jet, _)| problem.usable.contains(*jet)) {
        let column = column.map(f64::from);
        jets.columns.push(column.iter().zip(pulse).map(|(entry, pulse)| entry / pulse).collect());
        jets.price.push(f64::from(*price));
        jets.limit.push(f64::from(*limit));
        jets.longest.push(longest.on_time_s(&column));
    }
    jets
}

/// Largest share λ ≤ 1 of a demand slid towards zero, with the longest on-times of the share itself.
pub fn largest_share<const M: usize>(problem: &Problem<M>, solver: Solver) -> Option<f64> {
    let pulse = pulses(problem);
    let jets = jets(problem, &pulse);
    let nearest = problem.demand.nearest().map(f64::from);
    let size = (0..M).map(|row| nearest[row].abs() / pulse[row]).fold(f64::MIN_POSITIVE, f64::max);
    // Small demands are the unit themselves, large ones are seen from the full pulses.
    let unit = size.min(jets.columns.len() as f64);
    let (mut cost, mut limit) = (vec![0.0; jets.columns.len()], Vec::new());
    limit.extend(jets.limit.iter().zip(&jets.longest).map(|(limit, longest)| limit.min(*longest) / unit));
    cost.push(-1.0);
    limit.push(size / unit);
    let mut rows = Vec::new();
    for row in 0..M {
        let mut terms: Vec<f64> = jets.columns.iter().map(|column| column[row]).collect();
        terms.push(-nearest[row] / (pulse[row] * size));
        let beyond = |edge: f32| (f64::from(edge) - nearest[row]) / (pulse[row] * unit);
        rows.push((terms, beyond(problem.demand.low[row]), beyond(problem.demand.high[row])));
    }
    for (jet, longest) in jets.longest.iter().enumerate() {
        // Where the share is so small that the longest on-time is less than the limit.
        let mut terms = vec![0.0; cost.len()];
        terms[jet] = size / longest;
        terms[cost.len() - 1] = -1.0;
        if longest.is_finite() {
            rows.push((terms, f64::NEG_INFINITY, 0.0));
        }
    }
    least(&Linear { cost, limit, rows }, solver).map(|value| -value * unit / size)
}

/// Least price of delivering exactly `achieved` with the longest on-times of what is `served`.
pub fn least_price<const M: usize>(
    problem: &Problem<M>,
    served: &[f64; M],
    achieved: &[f64; M],
    solver: Solver,
) -> Option<f64> {
    let pulse = pulses(problem);
    let jets = jets(problem, &pulse);
    let longest = Longest::new(problem, served);
    let size = (0..M).map(|row| achieved[row].abs() / pulse[row]).fold(f64::MIN_POSITIVE, f64::max);
    let dearest = jets.price.iter().copied().fold(f64::MIN_POSITIVE, f64::max);
    let unscaled = |column: &Vec<f64>| -> [f64; M] { std::array::from_fn(|row| column[row] * pulse[row]) };
    let limit = jets
        .columns
        .iter()
        .zip(&jets.limit)
        // A few roundings more, as the kernel's are f32.
        .map(|(column, limit)| limit.min(longest.on_time_s(&unscaled(column)) * (1.0 + 3.0e-7)) / size)
        .collect();
    let rows = (0..M)
        .map(|row| {
            let edge = achieved[row] / (pulse[row] * size);
            (jets.columns.iter().map(|column| column[row]).collect(), edge, edge)
        })
        .collect();
    let cost = jets.price.iter().map(|price| price / dearest).collect();
    least(&Linear { cost, limit, rows }, solver).map(|value| value * dearest * size)
}
