//! The relaxation at one node: any on-times within the node's ranges, answered and bounded.

use super::elastic::{Basis, Elastic};
use super::{TickProblem, TickRule};
use crate::config::Taken;
use crate::jet::JetMask;
use crate::math;
use crate::selection::Demand;

/// Sums of products in `f32` are believed to this share of what went into them.
const ROUNDING: f32 = 1.0e-6;

/// What is still open about a jet's pulse at a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

    /// The part of no more than so many ticks; none of them shuts the jet.
    pub(super) fn lower(self, below: u16) -> Self {
        if below == 0 { Self::SHUT } else { Self { high: below, ..self } }
    }

    /// The part of more than so many ticks: the jet opens.
    pub(super) fn upper(self, below: u16, rule: &TickRule) -> Self {
        let above = if below < rule.longest { below + 1 } else { rule.top() };
        Self { low: if below == 0 { self.low } else { above }, or_shut: false, ..self }
    }

    /// Whether the jet opens in any case.
    pub(super) fn opens(self) -> bool {
        !self.or_shut
    }
}

/// The relaxation at the node where the search stands.
pub(super) struct Relaxation<'a, const M: usize, const N: usize> {
    pub(super) problem: &'a TickProblem<'a, M>,
    solver: Elastic<M, N>,
    /// What is open about each jet.
    ranges: [Range; N],
    /// Jets that open in any case, and free jets that the shared limits do not let open beside them.
    opened: JetMask,
    barred: JetMask,
    /// Whether the shared limits can bar anything.
    pub(super) limited: bool,
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
}

impl<'a, const M: usize, const N: usize> Relaxation<'a, M, N> {
    /// At the root: every usable jet may do all its valve can.
    pub(super) fn new(problem: &'a TickProblem<'a, M>) -> Self {
        let mut new = Self {
            problem,
            solver: Elastic::new(problem),
            ranges: [Range::SHUT; N],
            opened: JetMask::NONE,
            barred: JetMask::NONE,
            limited: !super::may_open(problem, problem.usable),
        };
        for j in 0..problem.rules.len() {
            new.set(j, new.at_root(j));
        }
        new
    }

    /// What is open about a jet at the root.
    pub(super) fn at_root(&self, jet: usize) -> Range {
        match self.problem.rules.get(jet) {
            Some(rule) if self.problem.usable.contains(jet) => {
                Range { low: rule.shortest, high: rule.top(), or_shut: true }
            }
            _ => Range::SHUT,
        }
    }

    /// The solver's basis, to go on from later.
    pub(super) fn basis(&self) -> Basis {
        self.solver.basis()
    }

    /// Goes on from a basis of the same problem.
    pub(super) fn restore(&mut self, basis: &Basis) {
        self.solver.restore(basis);
    }

    /// What is open about a jet where the search stands; nothing where shared limits bar it.
    pub(super) fn range(&self, jet: usize) -> Range {
        let range = self.ranges.get(jet).copied().unwrap_or(Range::SHUT);
        if self.barred.contains(jet) { Range::SHUT } else { range }
    }

    /// Goes to a neighbouring node, where something else is open about one jet.
    pub(super) fn set(&mut self, jet: usize, range: Range) {
        if let Some(into) = self.ranges.get_mut(jet) {
            *into = range;
        }
        self.opened = if range.opens() { self.opened.with(jet) } else { self.opened.without(jet) };
        self.barred = self.barred.without(jet);
        self.limit(jet, range);
    }

    fn limit(&mut self, jet: usize, range: Range) {
        if let Some(rule) = self.problem.rules.get(jet) {
            let tick_s = self.problem.tick_s;
            let start = if range.opens() { rule.acting_s(range.low, tick_s) } else { 0.0 };
            self.solver.limit(jet, rule.acting_s(range.high, tick_s) - start);
        }
    }

    /// Answers and bounds the node; `None` when the jets that open in any case may not open together.
    pub(super) fn answer(&mut self) -> Option<Relaxed<M, N>> {
        let problem = self.problem;
        let room = if self.limited { self.bar()? } else { N };
        let mut demand = *problem.demand;
        let mut sum = 0.0;
        // What opens in any case is taken off the demand; what is open about it is sought.
        let jets = problem.columns.iter().zip(problem.price).zip(problem.rules).zip(&self.ranges);
        for (((column, price), rule), range) in jets.filter(|(_, range)| range.opens()) {
            let start = rule.acting_s(range.low, problem.tick_s);
            shift(&mut demand, column, start);
            sum += price * start;
        }
        self.solver.answer(problem, &demand);
        let multipliers = self.held(&self.solver.multipliers(problem));
        let bound = self.bound(sum, room, &demand, &multipliers);
        let mut acting_s = self.solver.on_times();
        if self.opened != JetMask::NONE {
            let started = acting_s.iter_mut().zip(problem.rules).zip(&self.ranges);
            for ((time, rule), range) in started.filter(|(_, range)| range.opens()) {
                *time += rule.acting_s(range.low, problem.tick_s);
            }
        }
        Some(Relaxed { acting_s, multipliers, bound })
    }

    /// Bars what cannot open any more beside the jets that open in any case; how many free jets may still open.
    fn bar(&mut self) -> Option<usize> {
        let problem = self.problem;
        let mut taken = Taken::by(problem.loaded);
        let opened = problem.rules.iter().enumerate().filter(|(j, _)| self.opened.contains(*j));
        for (_, rule) in opened {
            if !taken.admits(&rule.takes(), problem.shared) {
                return None;
            }
        }
        let mut barred = JetMask::NONE;
        for (j, rule) in problem.rules.iter().enumerate().filter(|(j, _)| !self.opened.contains(*j)) {
            if !taken.have_room_for(&rule.takes(), problem.shared) {
                barred = barred.with(j);
            }
        }
        let changed = JetMask(barred.0 ^ self.barred.0);
        self.barred = barred;
        for j in (0..N).filter(|j| changed.contains(*j)) {
            self.limit(j, self.range(j));
        }
        let opened = self.opened.count() as usize;
        Some(usize::from(problem.shared.most_jets_at_once).saturating_sub(opened))
    }

    /// Multipliers that no left-over price and no open edge contradicts.
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
    ///
    /// * `started` — price of what opens in any case; `room` — free jets that may still open.
    fn bound(&self, started: f32, room: usize, demand: &Demand<M>, y: &[f32; M]) -> f32 {
        let problem = self.problem;
        let (mut sum, mut size) = (started, started);
        for ((low, high), y) in demand.low.iter().zip(&demand.high).zip(y) {
            if *y != 0.0 {
                let term = y * if *y > 0.0 { *low } else { *high };
                sum += term;
                size += term.abs();
            }
        }
        // Gains of free jets, largest first: only as many count as may still open.
        let mut gains = [0.0_f32; N];
        let jets = problem.columns.iter().zip(problem.price).zip(problem.rules);
        for (j, ((column, price), rule)) in jets.enumerate() {
            let worth = column.iter().zip(y).fold(0.0, |worth, (entry, y)| worth + entry * y);
            let reduced = price - worth;
            if !(reduced < 0.0) {
                continue;
            }
            let range = self.range(j);
            if range.opens() || room >= N {
                let start_s = if range.opens() { rule.acting_s(range.low, problem.tick_s) } else { 0.0 };
                let gain = reduced * (rule.acting_s(range.high, problem.tick_s) - start_s);
                sum += gain;
                size -= gain;
            } else {
                keep_largest(&mut gains, -reduced * rule.acting_s(range.high, problem.tick_s));
            }
        }
        if room < N {
            for gain in gains.iter().take(room) {
                sum -= gain;
                size += gain;
            }
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
        if carried == 0.0 {
            return;
        }
    }
}

/// Takes what a jet delivers in any case off the demand.
fn shift<const M: usize>(demand: &mut Demand<M>, column: &[f32; M], acting_s: f32) {
    for ((low, high), entry) in demand.low.iter_mut().zip(&mut demand.high).zip(column) {
        *low -= entry * acting_s;
        *high -= entry * acting_s;
    }
}
