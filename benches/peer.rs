//! The peer: a general-purpose simplex solver (microlp, `f64`) asked the same question as the kernel.
//!
//! The question: the least price at the full demand; where that is infeasible, the largest share of the demand,
//! then the least price at `(1 − SLACK)` of it. Building the programs is part of the answer; they are also kept, so
//! that solving alone can be timed.
#![allow(dead_code, missing_docs)]

use crate::selection_layouts::Layout;
use microlp::{ComparisonOp, Error, OptimizationDirection, Problem};
use stackhold_kernel::selection::{Demand, SLACK};

/// What the peer was asked for one selection: one program, or three when the demand is out of reach.
pub struct Asked {
    pub programs: Vec<Problem>,
}

/// Scales of a question: a program that is well scaled is solved sooner.
struct Scales<const M: usize> {
    pulse: [f64; M],
    nearest: [f64; M],
    size: f64,
    dearest: f64,
}

fn scales<const M: usize>(layout: &Layout<M>, demand: &Demand<M>) -> Scales<M> {
    let mut pulse = [0.0_f64; M];
    for (column, limit) in layout.columns.iter().zip(&layout.limit) {
        for (pulse, entry) in pulse.iter_mut().zip(column) {
            *pulse = pulse.max(f64::from(entry.abs() * limit));
        }
    }
    let pulse = pulse.map(|pulse| if pulse > 0.0 { pulse } else { 1.0 });
    let nearest = demand.nearest().map(f64::from);
    let size = (0..M).map(|row| nearest[row].abs() / pulse[row]).fold(f64::MIN_POSITIVE, f64::max);
    let dearest = layout.price.iter().fold(f32::MIN_POSITIVE, |top, price| top.max(*price));
    Scales { pulse, nearest, size: size.min(layout.columns.len() as f64), dearest: f64::from(dearest) }
}

/// A program over the jets: with a share, the largest one; without, the least price with the demand slid to `lambda`.
fn program<const M: usize>(
    layout: &Layout<M>,
    demand: &Demand<M>,
    scales: &Scales<M>,
    lambda: Option<f64>,
) -> Problem {
    let direction = lambda.map_or(OptimizationDirection::Maximize, |_| OptimizationDirection::Minimize);
    let mut problem = Problem::new(direction);
    let mut jets = Vec::with_capacity(layout.columns.len() + 1);
    for (price, limit) in layout.price.iter().zip(&layout.limit) {
        let cost = lambda.map_or(0.0, |_| f64::from(*price) / scales.dearest);
        jets.push(problem.add_var(cost, (0.0, f64::from(*limit) / scales.size)));
    }
    // The share in units that keep its column near 1 for demands beyond all reach.
    let most = (0..M).map(|row| scales.nearest[row].abs() / scales.pulse[row]).fold(scales.size, f64::max);
    let share = lambda.is_none().then(|| problem.add_var(1.0, (0.0, most / scales.size)));
    for row in 0..M {
        let (scale, nearest) = (scales.pulse[row], scales.nearest[row]);
        let entries = layout.columns.iter().map(|column| f64::from(column[row]) / scale);
        let mut terms: Vec<_> = jets.iter().copied().zip(entries).collect();
        if let Some(share) = share {
            terms.push((share, -nearest / (scale * most)));
        }
        let slid =
            |edge: f32| (f64::from(edge) - nearest + lambda.unwrap_or(0.0) * nearest) / (scale * scales.size);
        let (low, high) = (slid(demand.low[row]), slid(demand.high[row]));
        if demand.low[row] == demand.high[row] {
            problem.add_constraint(&terms, ComparisonOp::Eq, low);
        } else {
            problem.add_constraint(&terms, ComparisonOp::Ge, low);
            problem.add_constraint(&terms, ComparisonOp::Le, high);
        }
    }
    problem
}

/// The peer's answer: the least price and the share it is for; `None` when it gives up.
pub fn answer<const M: usize>(
    layout: &Layout<M>,
    demand: &Demand<M>,
    mut keep: impl FnMut(Problem),
) -> Option<(f64, f64)> {
    let scales = scales(layout, demand);
    let price = |objective: f64| objective * scales.dearest * scales.size;
    let whole = program(layout, demand, &scales, Some(1.0));
    let solved = whole.solve();
    keep(whole);
    match solved {
        Ok(outcome) => return Some((price(outcome.solution()?.objective()), 1.0)),
        Err(Error::Infeasible) => {}
        Err(_) => return None,
    }
    let reach = program(layout, demand, &scales, None);
    let solved = reach.solve();
    keep(reach);
    let most = (0..M).map(|row| scales.nearest[row].abs() / scales.pulse[row]).fold(scales.size, f64::max);
    let lambda = (1.0 - f64::from(SLACK)) * solved.ok()?.solution()?.objective() * scales.size / most;
    let shortened = program(layout, demand, &scales, Some(lambda));
    let solved = shortened.solve();
    keep(shortened);
    Some((price(solved.ok()?.solution()?.objective()), lambda))
}

/// The programs of a question, for solving them without building them.
pub fn asked<const M: usize>(layout: &Layout<M>, demand: &Demand<M>) -> Asked {
    let mut programs = Vec::new();
    let _ = answer(layout, demand, |program| programs.push(program));
    Asked { programs }
}
