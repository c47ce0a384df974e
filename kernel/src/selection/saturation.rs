//! Demands within reach, out of reach, and out of reach in one axis only.

use super::program::{End, Objective, Program};
use super::{Demand, Outcome, SLACK};
use crate::math;

/// How a demand was served; the on-times and multipliers are the program's.
pub(super) struct Served<const M: usize> {
    pub(super) outcome: Outcome,
    pub(super) lambda: f32,
    pub(super) reach: [f32; M],
}

/// Serves a demand; `None` when the solver stalls.
pub(super) fn serve<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    demand: &Demand<M>,
    _priority: &[u8; M],
) -> Option<Served<M>> {
    let nearest = demand.nearest();
    let mut size = 0.0;
    for (r, scale) in nearest.iter().zip(&program.row_scale) {
        size = math::max(size, (r * scale).abs());
    }
    program.set_demand_scale(size);
    slide_in(program, &demand.low, &demand.high, &nearest)
}

/// Least propellant at the largest reachable share of a demand.
fn slide_in<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    low: &[f32; M],
    high: &[f32; M],
    slide: &[f32; M],
) -> Option<Served<M>> {
    program.set_slide(slide, 0.0);
    program.set_rows(low, high);
    program.objective = Objective::Price;
    program.rest();
    match program.optimise(None) {
        End::Optimal => return Some(Served { outcome: Outcome::Exact, lambda: 1.0, reach: [0.0; M] }),
        End::Infeasible => {}
        End::Stalled | End::Unbounded => return None,
    }
    let place = program.place();
    let short_row = program.contradiction();
    (program.slide_low, program.slide_high) = (0.0, 1.0);
    program.set_objective(Objective::Slide);
    program.settle();
    if program.optimise(short_row) != End::Optimal {
        return None;
    }
    let reach = program.row_multipliers();
    let missing = program.slide_value();
    let lambda = (1.0 - missing) * (1.0 - SLACK);
    program.set_slide(slide, 1.0 - lambda);
    program.objective = Objective::Price;
    program.return_to(&place);
    match program.optimise(None) {
        End::Optimal => Some(Served { outcome: Outcome::Shortened, lambda, reach }),
        _ => None,
    }
}
