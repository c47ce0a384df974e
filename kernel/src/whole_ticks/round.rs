//! From any on-times to whole ticks: rounded, then improved one jet and two jets at a time.

use super::{TickProblem, WholeTicks, may_open, short_of};
use crate::config::Taken;
use crate::jet::JetMask;

/// Rounds of improvement with and without pairs; each goes through all jets once.
const ROUNDS: [usize; 2] = [6, 2];

/// A firing while it is being improved, with what it delivers kept up to date.
struct Draft<'a, const M: usize, const N: usize> {
    problem: &'a TickProblem<'a, M>,
    firing: WholeTicks<M, N>,
}

/// The nearest whole ticks to acting times, s, that shared limits allow, improved until no change of one
/// jet (and, with `pairs`, of two) makes it cheaper, or the rounds are used up.
pub(super) fn round<const M: usize, const N: usize>(
    problem: &TickProblem<M>,
    acting_s: &[f32; N],
    pairs: bool,
) -> WholeTicks<M, N> {
    let mut draft = Draft { problem, firing: WholeTicks::shut(problem) };
    draft.open_longest_first(acting_s);
    draft.firing.reckon(problem);
    let [with_pairs, singles] = ROUNDS;
    for _ in 0..if pairs { with_pairs } else { singles } {
        let mut better = draft.improve_singles();
        if !better && pairs {
            better = draft.improve_pairs();
        }
        if !better {
            break;
        }
    }
    draft.firing
}

impl<const M: usize, const N: usize> Draft<'_, M, N> {
    /// Nearest ticks, jets that act longest first, as far as shared limits allow.
    fn open_longest_first(&mut self, acting_s: &[f32; N]) {
        let problem = self.problem;
        let mut taken = Taken::NOTHING;
        let mut waiting = problem.usable;
        for _ in 0..problem.rules.len() {
            let mut next: Option<(usize, f32)> = None;
            for (j, &t) in acting_s.iter().enumerate().filter(|(j, t)| waiting.contains(*j) && **t > 0.0) {
                if next.is_none_or(|(_, longest)| t > longest) {
                    next = Some((j, t));
                }
            }
            let Some((j, t)) = next else { return };
            waiting = waiting.without(j);
            let Some(rule) = problem.rules.get(j) else { return };
            let [below, above] = rule.around(t, problem.tick_s);
            let short = t - rule.acting_s(below, problem.tick_s);
            let long = rule.acting_s(above, problem.tick_s) - t;
            let ticks = if short < long { below } else { above };
            if ticks > 0
                && taken.admits(rule.group, rule.flow_kg_s, problem.shared)
                && let Some(slot) = self.firing.on_ticks.get_mut(j)
            {
                *slot = ticks;
            }
        }
    }

    /// Changes each jet in turn to what is cheapest beside the others; whether that changed anything.
    fn improve_singles(&mut self) -> bool {
        let mut better = false;
        for j in 0..self.problem.rules.len() {
            if let Some((ticks, cost)) = self.best_of(j, &self.firing)
                && cost < self.firing.cost
            {
                better |= self.take(&[(j, ticks)]);
            }
        }
        better
    }

    /// Changes two jets at once: one by a tick, to nothing or to its shortest pulse, the other to what is
    /// cheapest then. Whether that changed anything.
    fn improve_pairs(&mut self) -> bool {
        let mut better = false;
        for j in 0..self.problem.rules.len() {
            let Some(rule) = self.problem.rules.get(j) else { return better };
            let now = self.firing.on_ticks.get(j).copied().unwrap_or(0);
            for ticks in [0, now.saturating_sub(1), now.saturating_add(1), rule.shortest] {
                if ticks == now || !rule.can(ticks) || !self.problem.usable.contains(j) {
                    continue;
                }
                better |= self.improve_beside(j, ticks);
            }
        }
        better
    }

    /// Sets jet `j`, then the one other jet that makes most of it; keeps both if they are cheaper.
    fn improve_beside(&mut self, j: usize, ticks: u16) -> bool {
        let mut changed = self.firing;
        if let Some(slot) = changed.on_ticks.get_mut(j) {
            *slot = ticks;
        }
        changed.reckon(self.problem);
        let mut best: Option<(usize, u16, f32)> = None;
        for k in (0..self.problem.rules.len()).filter(|&k| k != j) {
            if let Some((ticks, cost)) = self.best_of(k, &changed)
                && best.is_none_or(|(_, _, least)| cost < least)
            {
                best = Some((k, ticks, cost));
            }
        }
        match best {
            Some((k, other, cost)) if cost < self.firing.cost => self.take(&[(j, ticks), (k, other)]),
            _ => false,
        }
    }

    /// The cheapest pulse of jet `j` beside the other jets of a firing, and the cost then; `None` for a jet that
    /// may not open. The cost is convex in the on-time and bends where a row meets an edge: the pulses around the bends,
    /// the shortest and none are all that need trying, and the shortest and none where a longer pulse than that is dearer.
    fn best_of(&self, j: usize, beside: &WholeTicks<M, N>) -> Option<(u16, f32)> {
        let problem = self.problem;
        let (column, rule, price) = (problem.columns.get(j)?, problem.rules.get(j)?, *problem.price.get(j)?);
        if !problem.usable.contains(j) {
            return None;
        }
        let now = rule.acting_s(*beside.on_ticks.get(j)?, problem.tick_s);
        // The cost of a pulse, as far as it is under what is best so far.
        let cost_of = |ticks: u16, best: f32| {
            let change_s = rule.acting_s(ticks, problem.tick_s) - now;
            let mut cost = beside.price + price * change_s;
            let rows = beside.delivered.iter().zip(column);
            let edges = problem.demand.low.iter().zip(&problem.demand.high).zip(problem.left_over_price);
            for ((got, entry), ((low, high), price)) in rows.zip(edges) {
                if !(cost < best) {
                    return f32::INFINITY;
                }
                cost += price * short_of(*low, *high, got + entry * change_s).abs();
            }
            cost
        };
        let mut best = (0, cost_of(0, f32::INFINITY));
        let shut = *beside.on_ticks.get(j)? == 0;
        if shut && !may_open(problem, beside.open().with(j)) {
            return Some(best);
        }
        let mut try_ticks = |ticks: u16| {
            let cost = if ticks == 0 { f32::INFINITY } else { cost_of(ticks, best.1) };
            if cost < best.1 {
                best = (ticks, cost);
            }
        };
        try_ticks(rule.shortest);
        let [at_shortest, longer] =
            [0, 1].map(|more| cost_of(rule.shortest.saturating_add(more), f32::INFINITY));
        if !(longer < at_shortest) {
            return Some(best);
        }
        let rows = beside.delivered.iter().zip(column);
        for ((got, entry), (low, high)) in rows.zip(problem.demand.low.iter().zip(&problem.demand.high)) {
            for (edge, again) in [(low, false), (high, high == low)] {
                let bend_s = now + (edge - got) / entry;
                // Not finite where the row has no edge or the jet no effect.
                if !again && bend_s.is_finite() {
                    rule.around(bend_s, problem.tick_s).into_iter().for_each(&mut try_ticks);
                }
            }
        }
        Some(best)
    }

    /// Takes changes over if the jets may open together and it is cheaper, by sums made anew.
    fn take(&mut self, changes: &[(usize, u16)]) -> bool {
        let mut changed = self.firing;
        for &(j, ticks) in changes {
            if let Some(slot) = changed.on_ticks.get_mut(j) {
                *slot = ticks;
            }
        }
        changed.reckon(self.problem);
        let allowed: JetMask = changed.open();
        if !may_open(self.problem, allowed) || !(changed.cost < self.firing.cost) {
            return false;
        }
        self.firing = changed;
        true
    }
}
