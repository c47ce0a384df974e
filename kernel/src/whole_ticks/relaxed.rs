//! The relaxation at one node: any on-times within the node's ranges, answered and bounded.

use super::TickProblem;
use super::elastic::Elastic;
use crate::config::Taken;
use crate::math;
use crate::selection::Demand;

/// Sums of products in `f32` are believed to this share of what went into them.
const ROUNDING: f32 = 1.0e-6;

/// What is still open about a jet's pulse at a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Range {
    /// Shortest pulse, ticks.
    pub(super) low: u16,
    /// Longest pulse, ticks; 0 when the jet stays shut.
    pub(super) high: u16,
    /// Whether it may also stay shut.
    pub(super) or_shut: bool,
}

impl Range {
    /// The jet stays shut.
    pub(super) const SHUT: Self = Self { low: 0, high: 0, or_shut: true };

    /// Whether the jet opens in any case.
    pub(super) fn opens(self) -> bool {
        !self.or_shut
    }
}

/// What goes on from node to node.
pub(super) struct Relaxation<'a, const M: usize, const N: usize> {
    problem: &'a TickProblem<'a, M>,
    solver: Elastic<M, N>,
}

/// A node's answer.
#[derive(Clone, Copy)]
pub(super) struct Relaxed<const M: usize, const N: usize> {
    /// Acting time per jet, s.
    pub(super) acting_s: [f32; N],
    /// Multipliers, within the left-over prices.
    pub(super) multipliers: [f32; M],
    /// No firing within the node's ranges costs less.
    pub(super) bound: f32,
    /// The ranges with what the shared limits leave of them.
    pub(super) ranges: [Range; N],
}

impl<'a, const M: usize, const N: usize> Relaxation<'a, M, N> {
    pub(super) fn new(problem: &'a TickProblem<'a, M>) -> Self {
        Self { problem, solver: Elastic::new(problem) }
    }

    /// Answers and bounds a node; `None` when the jets that open in any case may not open together.
    pub(super) fn at(&mut self, ranges: &[Range; N]) -> Option<Relaxed<M, N>> {
        let problem = self.problem;
        let (ranges, room) = self.within_limits(ranges)?;
        let mut started_s = [0.0; N];
        let mut limit = [0.0; N];
        let mut demand = *problem.demand;
        let jets = problem.columns.iter().zip(problem.rules).zip(&ranges);
        for (((column, rule), range), (start, limit)) in jets.zip(started_s.iter_mut().zip(&mut limit)) {
            // What opens in any case is taken off the demand; what is open about it is sought.
            *start = if range.opens() { rule.acting_s(range.low, problem.tick_s) } else { 0.0 };
            *limit = rule.acting_s(range.high, problem.tick_s) - *start;
            shift(&mut demand, column, *start);
        }
        self.solver.answer(problem, &limit, (&demand.low, &demand.high));
        let multipliers = self.held(&self.solver.multipliers(problem));
        let bound = self.bound(&ranges, room, &demand, &multipliers);
        let mut acting_s = self.solver.on_times();
        for (time, start) in acting_s.iter_mut().zip(&started_s) {
            *time += start;
        }
        Some(Relaxed { acting_s, multipliers, bound, ranges })
    }

    /// The ranges with what cannot open any more beside the jets that open in any case taken out, and how
    /// many free jets may still open.
    fn within_limits(&self, ranges: &[Range; N]) -> Option<([Range; N], usize)> {
        let problem = self.problem;
        let mut taken = Taken::NOTHING;
        let mut opened = 0_usize;
        for (rule, _) in problem.rules.iter().zip(ranges).filter(|(_, range)| range.opens()) {
            if !taken.admits(rule.group, rule.flow_kg_s, problem.shared) {
                return None;
            }
            opened += 1;
        }
        let mut left = *ranges;
        for (rule, range) in problem.rules.iter().zip(&mut left).filter(|(_, range)| !range.opens()) {
            let mut tried = taken;
            if !tried.admits(rule.group, rule.flow_kg_s, problem.shared) {
                *range = Range::SHUT;
            }
        }
        Some((left, usize::from(problem.shared.most_jets_at_once).saturating_sub(opened)))
    }

    /// Multipliers that no left-over column and no open edge contradicts.
    fn held(&self, multipliers: &[f32; M]) -> [f32; M] {
        let problem = self.problem;
        let mut held = [0.0; M];
        let edges = problem.demand.low.iter().zip(&problem.demand.high).zip(problem.left_over_price);
        for ((into, y), ((low, high), price)) in held.iter_mut().zip(multipliers).zip(edges) {
            let least = if high.is_finite() { -price } else { 0.0 };
            let most = if low.is_finite() { *price } else { 0.0 };
            *into = math::clamp(*y, least, most);
        }
        held
    }

    /// Lagrange's bound at these multipliers, less the rounding of its own sums.
    fn bound(&self, ranges: &[Range; N], room: usize, demand: &Demand<M>, y: &[f32; M]) -> f32 {
        let problem = self.problem;
        let mut sum = 0.0;
        let mut size = 0.0;
        let mut add = |term: f32| {
            sum += term;
            size += term.abs();
        };
        for ((low, high), y) in demand.low.iter().zip(&demand.high).zip(y) {
            if *y != 0.0 {
                add(y * if *y > 0.0 { *low } else { *high });
            }
        }
        // Gains of free jets, largest first: only as many count as may still open.
        let mut gains = [0.0_f32; N];
        let jets = problem.columns.iter().zip(problem.price).zip(problem.rules).zip(ranges);
        for (((column, price), rule), range) in jets.filter(|(_, range)| range.high > 0) {
            let worth = column.iter().zip(y).fold(0.0, |worth, (entry, y)| worth + entry * y);
            let reduced = price - worth;
            let longest_s = rule.acting_s(range.high, problem.tick_s);
            if range.opens() {
                let shortest_s = rule.acting_s(range.low, problem.tick_s);
                add(price * shortest_s);
                if reduced < 0.0 {
                    add(reduced * (longest_s - shortest_s));
                }
            } else if reduced < 0.0 {
                keep_largest(&mut gains, -reduced * longest_s);
            }
        }
        for gain in gains.iter().take(room) {
            add(-gain);
        }
        sum - ROUNDING * size
    }
}

/// Puts a gain into its place in a falling list.
fn keep_largest<const N: usize>(gains: &mut [f32; N], gain: f32) {
    let mut carried = gain;
    for slot in gains {
        if carried > *slot {
            core::mem::swap(slot, &mut carried);
        }
    }
}

/// Takes what a jet delivers in any case off the demand.
fn shift<const M: usize>(demand: &mut Demand<M>, column: &[f32; M], acting_s: f32) {
    if acting_s == 0.0 {
        return;
    }
    for ((low, high), entry) in demand.low.iter_mut().zip(&mut demand.high).zip(column) {
        *low -= entry * acting_s;
        *high -= entry * acting_s;
    }
}
