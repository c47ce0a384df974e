//! The relaxation at one node: any on-times within the node's ranges, answered and bounded.

use super::{COLUMNS, TickProblem};
use crate::config::Taken;
use crate::jet::JetMask;
use crate::math;
use crate::selection::{Demand, Problem, Selector, select};

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

/// The numbers that stay the same at every node.
pub(super) struct Relaxation<'a, const M: usize, const N: usize> {
    problem: &'a TickProblem<'a, M>,
    /// Jets with a column; the others are only priced.
    candidates: JetMask,
    columns: [[f32; M]; COLUMNS],
    price: [f32; COLUMNS],
    limit: [f32; COLUMNS],
    count: usize,
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
        let candidates = candidates::<M, N>(problem);
        let mut new = Self {
            problem,
            candidates,
            columns: [[0.0; M]; COLUMNS],
            price: [0.0; COLUMNS],
            limit: [0.0; COLUMNS],
            count: 0,
        };
        let jets = problem.columns.iter().zip(problem.price).enumerate();
        for (_, (column, &price)) in jets.filter(|(j, _)| candidates.contains(*j)) {
            new.push(*column, price);
        }
        for (i, &price) in problem.left_over_price.iter().enumerate() {
            for sign in [1.0, -1.0] {
                let mut unit = [0.0; M];
                if let Some(entry) = unit.get_mut(i) {
                    *entry = sign;
                }
                new.push(unit, price);
            }
        }
        new
    }

    fn push(&mut self, column: [f32; M], price: f32) {
        let slots = self.columns.get_mut(self.count).zip(self.price.get_mut(self.count));
        if let Some((column_slot, price_slot)) = slots {
            (*column_slot, *price_slot) = (column, price);
            self.count += 1;
        }
    }

    /// Answers and bounds a node; `None` when the jets that open in any case may not open together.
    pub(super) fn at(
        &mut self,
        ranges: &[Range; N],
        selector: &mut Selector<M, COLUMNS>,
    ) -> Option<Relaxed<M, N>> {
        let problem = self.problem;
        let (ranges, room) = self.within_limits(ranges)?;
        let mut acting_s = [0.0; N];
        let mut demand = *problem.demand;
        let mut usable = JetMask::NONE;
        let mut slot = 0;
        for (j, (((column, rule), range), start)) in
            problem.columns.iter().zip(problem.rules).zip(&ranges).zip(&mut acting_s).enumerate()
        {
            // What opens in any case is taken off the demand; what is open about it is a column.
            *start = if range.opens() { rule.acting_s(range.low, problem.tick_s) } else { 0.0 };
            shift(&mut demand, column, *start);
            if self.candidates.contains(j) {
                if let Some(limit) = self.limit.get_mut(slot) {
                    *limit = rule.acting_s(range.high, problem.tick_s) - *start;
                    usable = if *limit > 0.0 { usable.with(slot) } else { usable };
                }
                slot += 1;
            }
        }
        usable = self.limit_left_over(slot, &demand, &ranges, usable);
        let answer = selector.select(&Problem {
            columns: self.columns.get(..self.count).unwrap_or(&[]),
            price: self.price.get(..self.count).unwrap_or(&[]),
            limit: self.limit.get(..self.count).unwrap_or(&[]),
            usable,
            demand: &demand,
            priority: [0; M],
        });
        let multipliers = self.held(&answer.multipliers);
        let bound = self.bound(&ranges, room, &demand, &multipliers);
        let chosen = acting_s.iter_mut().enumerate().filter(|(j, _)| self.candidates.contains(*j));
        for ((_, time), more) in chosen.zip(&answer.on_time) {
            *time += more;
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

    /// Limits of the left-over columns: no more can be left than is wanted and all jets can do against it.
    fn limit_left_over(
        &mut self,
        first: usize,
        demand: &Demand<M>,
        ranges: &[Range; N],
        mut usable: JetMask,
    ) -> JetMask {
        let problem = self.problem;
        let nearest = demand.nearest();
        for (i, wanted) in nearest.iter().enumerate() {
            let mut reach = wanted.abs();
            for ((column, rule), range) in problem.columns.iter().zip(problem.rules).zip(ranges) {
                let entry = column.get(i).copied().unwrap_or(0.0);
                let longest_s = rule.acting_s(range.high, problem.tick_s);
                reach = math::max(reach, entry.abs() * longest_s);
            }
            for slot in [first + 2 * i, first + 2 * i + 1] {
                if let Some(limit) = self.limit.get_mut(slot) {
                    *limit = 2.0 * reach;
                    usable = usable.with(slot);
                }
            }
        }
        usable
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

/// Jets that get a column: all usable ones, or the least dear at the multipliers of the demand with any
/// on-times where there are too many.
fn candidates<const M: usize, const N: usize>(problem: &TickProblem<M>) -> JetMask {
    let room = COLUMNS - 2 * M;
    let count = problem.columns.len();
    let mut usable = JetMask::NONE;
    for j in (0..count).filter(|&j| problem.usable.contains(j)) {
        usable = usable.with(j);
    }
    let mut surplus = (usable.count() as usize).saturating_sub(room);
    if surplus == 0 {
        return usable;
    }
    let mut limit = [0.0; COLUMNS];
    for (limit, rule) in limit.iter_mut().zip(problem.rules) {
        *limit = rule.acting_s(rule.top(), problem.tick_s);
    }
    let limit = limit.get(..count).unwrap_or(&[]);
    let answer = select::<M, COLUMNS>(&Problem {
        columns: problem.columns,
        price: problem.price,
        limit,
        usable,
        demand: problem.demand,
        priority: [0; M],
    });
    while surplus > 0 {
        surplus -= 1;
        let mut dearest: Option<(usize, f32)> = None;
        for (j, (column, price)) in problem.columns.iter().zip(problem.price).enumerate() {
            if !usable.contains(j) {
                continue;
            }
            let reduced = column.iter().zip(&answer.multipliers).fold(*price, |left, (a, y)| left - a * y);
            let share = reduced / math::max(*price, f32::MIN_POSITIVE);
            if dearest.is_none_or(|(_, most)| share > most) {
                dearest = Some((j, share));
            }
        }
        if let Some((j, _)) = dearest {
            usable = usable.without(j);
        }
    }
    usable
}
