//! From any on-times to whole ticks: rounded, then improved one jet at a time; where jets may not open together, also
//! by one jet in another's place.

use super::search::Cheapest;
use super::{TickProblem, may_open, short_of};
use crate::config::Taken;
use crate::jet::JetMask;

/// Rounds of improvement, each through all jets once: where all jets may open together, and where they may not.
const ROUNDS: [usize; 2] = [1, 3];
/// Where not all jets may open together, a rounded firing is improved when it costs no more than this many times the
/// cheapest so far; elsewhere when nothing so far is cheaper: small pulses all round to none, from which one jet at a time
/// finds the firing.
const PROMISING: f32 = 1.5;

/// A firing while it is being improved, with what it delivers kept up to date.
struct Draft<'a, const M: usize, const N: usize> {
    problem: &'a TickProblem<'a, M>,
    on_ticks: [u16; N],
    open: JetMask,
    delivered: [f32; M],
    price: f32,
    cost: f32,
    /// Not all jets may open together.
    limited: bool,
}

/// The nearest whole ticks to acting times, s, that shared limits allow, improved when nothing so far is
/// cheaper; the cheapest firing is then what came of it. Whether improving them was worth a try.
///
/// * `limited` — not all jets may open together.
pub(super) fn round<const M: usize, const N: usize>(
    problem: &TickProblem<M>,
    acting_s: &[f32; N],
    limited: bool,
    best: &mut Cheapest<N>,
) -> bool {
    let mut draft = Draft {
        problem,
        limited,
        on_ticks: [0; N],
        open: JetMask::NONE,
        delivered: [0.0; M],
        price: 0.0,
        cost: 0.0,
    };
    draft.open_nearest(acting_s);
    draft.reckon();
    if !(draft.cost <= if limited { PROMISING * best.cost } else { best.cost }) {
        return false;
    }
    let [together, in_turns] = ROUNDS;
    for _ in 0..if limited { in_turns } else { together } {
        let better = draft.improve() || (limited && draft.improve_places());
        if !better {
            break;
        }
    }
    if draft.cost < best.cost {
        *best = Cheapest { on_ticks: draft.on_ticks, cost: draft.cost };
    }
    true
}

impl<const M: usize, const N: usize> Draft<'_, M, N> {
    /// Nearest ticks; where shared limits do not allow them together, of jets that act longest first.
    fn open_nearest(&mut self, acting_s: &[f32; N]) {
        let problem = self.problem;
        let jets = self.on_ticks.iter_mut().zip(problem.rules).zip(acting_s).enumerate();
        for (j, ((slot, rule), &t)) in jets.filter(|(_, (_, t))| **t > 0.0) {
            let [below, above] = rule.around(t, problem.tick_s);
            let short = t - rule.acting_s(below, problem.tick_s);
            let long = rule.acting_s(above, problem.tick_s) - t;
            *slot = if short < long { below } else { above };
            self.open = if *slot > 0 { self.open.with(j) } else { self.open };
        }
        if self.limited && !may_open(problem, self.open) {
            self.shut_shortest(acting_s);
        }
    }

    /// Opens jets that act longest first, as far as shared limits allow, and shuts the others.
    fn shut_shortest(&mut self, acting_s: &[f32; N]) {
        let mut taken = Taken::by(self.problem.loaded);
        let mut waiting = self.open;
        self.open = JetMask::NONE;
        for _ in 0..waiting.count() {
            let Some(j) = waiting.longest(acting_s) else { return };
            waiting = waiting.without(j);
            let opens = self
                .problem
                .rules
                .get(j)
                .is_some_and(|rule| taken.admits(&rule.takes(), self.problem.shared));
            if opens {
                self.open = self.open.with(j);
            } else if let Some(slot) = self.on_ticks.get_mut(j) {
                *slot = 0;
            }
        }
    }

    /// Works out what the ticks deliver and cost.
    fn reckon(&mut self) {
        let problem = self.problem;
        (self.delivered, self.price) = ([0.0; M], 0.0);
        let jets = problem.columns.iter().zip(problem.price).zip(problem.rules).zip(&self.on_ticks);
        for (((column, price), rule), &ticks) in jets.filter(|(_, ticks)| **ticks > 0) {
            let acting_s = rule.acting_s(ticks, problem.tick_s);
            self.price += price * acting_s;
            for (sum, entry) in self.delivered.iter_mut().zip(column) {
                *sum += entry * acting_s;
            }
        }
        self.cost = self.price;
        let edges = problem.demand.low.iter().zip(&problem.demand.high).zip(problem.left_over_price);
        for (got, ((low, high), price)) in self.delivered.iter().zip(edges) {
            self.cost += price * short_of(*low, *high, *got).abs();
        }
    }

    /// Changes each jet in turn to what is cheapest beside the others; whether that changed anything.
    fn improve(&mut self) -> bool {
        let mut better = false;
        for j in 0..self.problem.rules.len() {
            if let Some((ticks, _)) = self.best_of(j, self.cost) {
                // By sums made anew, not by the differences that promised it.
                let (before, cost) = (self.on_ticks.get(j).copied().unwrap_or(0), self.cost);
                self.set(j, ticks);
                if self.cost < cost {
                    better = true;
                } else {
                    self.set(j, before);
                }
            }
        }
        better
    }

    /// Shuts each open jet in turn, where another one in its place is cheaper; whether that changed anything.
    fn improve_places(&mut self) -> bool {
        let mut better = false;
        for j in 0..self.problem.rules.len() {
            let (before, cost) = (self.on_ticks.get(j).copied().unwrap_or(0), self.cost);
            if before == 0 {
                continue;
            }
            self.set(j, 0);
            let mut best = (j, before, cost);
            for k in (0..self.problem.rules.len()).filter(|&k| k != j) {
                if let Some((ticks, cost)) = self.best_of(k, best.2) {
                    best = (k, ticks, cost);
                }
            }
            let (k, ticks, _) = best;
            let replaced = self.on_ticks.get(k).copied().unwrap_or(0);
            self.set(k, ticks);
            if k != j && self.cost < cost {
                better = true;
            } else if k != j {
                self.set(k, replaced);
                self.set(j, before);
            }
        }
        better
    }

    /// Another pulse for a jet.
    fn set(&mut self, j: usize, ticks: u16) {
        if let Some(slot) = self.on_ticks.get_mut(j) {
            *slot = ticks;
        }
        self.open = if ticks > 0 { self.open.with(j) } else { self.open.without(j) };
        self.reckon();
    }

    /// Another pulse of jet `j` with which the firing costs less than `most`, and that cost, if there is any. The cost is
    /// convex in the on-time and bends where a row meets an edge: the pulses around the bends, the shortest and
    /// none are all that need trying, and the shortest and none where a longer pulse than that is dearer.
    fn best_of(&self, j: usize, most: f32) -> Option<(u16, f32)> {
        let problem = self.problem;
        let (column, rule) = (problem.columns.get(j)?, problem.rules.get(j)?);
        if !problem.usable.contains(j) {
            return None;
        }
        let now = *self.on_ticks.get(j)?;
        let now_s = rule.acting_s(now, problem.tick_s);
        let mut best = (now, most);
        let mut try_ticks = |ticks: u16| {
            if ticks != now {
                let cost = self.cost_of(j, rule.acting_s(ticks, problem.tick_s) - now_s, best.1);
                if cost < best.1 {
                    best = (ticks, cost);
                }
            }
        };
        try_ticks(0);
        if now == 0 && self.limited && !may_open(problem, self.open.with(j)) {
            return None;
        }
        try_ticks(rule.shortest);
        let [at_shortest, longer] = [0, 1].map(|more| {
            let ticks = rule.shortest.saturating_add(more);
            self.cost_of(j, rule.acting_s(ticks, problem.tick_s) - now_s, f32::INFINITY)
        });
        if longer < at_shortest {
            let rows = self.delivered.iter().zip(column);
            for ((got, entry), (low, high)) in rows.zip(problem.demand.low.iter().zip(&problem.demand.high)) {
                for (edge, again) in [(low, false), (high, high == low)] {
                    let bend_s = now_s + (edge - got) / entry;
                    // Not finite where the row has no edge or the jet no effect.
                    if !again && bend_s.is_finite() {
                        rule.around(bend_s, problem.tick_s).into_iter().for_each(&mut try_ticks);
                    }
                }
            }
        }
        (best.0 != now).then_some(best)
    }

    /// Cost when jet `j` acts for so much longer, as far as it is under what is best so far.
    fn cost_of(&self, j: usize, change_s: f32, best: f32) -> f32 {
        let problem = self.problem;
        let (Some(column), Some(price)) = (problem.columns.get(j), problem.price.get(j)) else {
            return f32::INFINITY;
        };
        let mut cost = self.price + price * change_s;
        let edges = problem.demand.low.iter().zip(&problem.demand.high).zip(problem.left_over_price);
        for ((got, entry), ((low, high), price)) in self.delivered.iter().zip(column).zip(edges) {
            if !(cost < best) {
                return f32::INFINITY;
            }
            cost += price * short_of(*low, *high, got + entry * change_s).abs();
        }
        cost
    }
}
