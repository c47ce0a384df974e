//! Selection in whole valve ticks: minimum on-times, ticks and shared limits taken into the choice.
//!
//! A jet opens for none or for at least its shortest pulse, in whole ticks; so many jets at once, so
//! much flow a manifold. Small demands are combinatorial then: raise a pulse to the shortest, drop it,
//! take other jets, or fire two jets against each other whose on-times differ by less than either
//! could do alone. None of these is a rule here: they are points of one search, compared by what
//! each really delivers and costs.
//!
//! **Objective.** Least `cost = Σ_j price_j·acting_j + Σ_i left_over_price_i·|left_i|`, where
//! `acting_j` is what the whole ticks of jet `j` act for, s, and `left_i` is the way from what they
//! deliver to the nearer edge of row `i`'s range. What may be left over is thus a matter of price: see
//! [`left_over_price`] for one that serves.
//!
//! **Method.** Branch and bound (A. H. Land and A. G. Doig, *Econometrica* 28, 1960), depth first, over
//! ranges of ticks per jet. Each node's relaxation (any on-time up to the longest, what is left over at its
//! price) is answered by a small dual simplex (see `elastic.rs`) that goes on from the node before. Its
//! multipliers `y`, held within the left-over prices, give Lagrange's bound by plain arithmetic with the
//! original numbers, whatever the solver did:
//! `cost ≥ Σ_i min(y_i·low_i, y_i·high_i) + Σ_j min(0, (price_j − y·a_j)·longest_j)`, of free jets only
//! the best that may still open. Every node's answer is rounded to a firing,
//! which is improved one jet at a time where it is promising and kept when it is the cheapest so far. The number of nodes is capped; what was not
//! looked into by then is covered by [`WholeTicks::bound`].

mod elastic;
mod relaxed;
mod round;
mod search;

use search::Root;
pub(crate) use search::Search;

use crate::config::{SharedLimits, Taken, Timing};
use crate::jet::{Jet, JetMask, LOADS, Takes};
use crate::math;
use crate::selection::Demand;

/// What is left over costs this many times what the cheapest way to deliver it would.
pub const LEFT_OVER: f32 = 16.0;

/// Which pulses a jet can do, and what it takes of what jets share.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TickRule {
    /// Shortest pulse, ticks; at least 1.
    pub shortest: u16,
    /// Longest pulse that closes again, ticks; at least the shortest.
    pub longest: u16,
    /// One more length, beyond the longest: the whole cycle, open through its edge. 0 for none.
    pub through_edge: u16,
    /// What a pulse acts for beyond its ticks, s; the shortest still acts for more than nothing.
    pub offset_s: f32,
    /// Propellant flow, kg/s.
    pub flow_kg_s: f32,
    /// Parts of each load; none for a jet whose loads have been counted ([`TickProblem::loaded`]).
    pub load_share: [u8; LOADS],
    /// Group, 0..=15.
    pub group: u8,
}

impl TickRule {
    /// The rule of a jet that is not there.
    pub(crate) const NONE: Self = Self {
        shortest: 1,
        longest: 1,
        through_edge: 0,
        offset_s: 0.0,
        flow_kg_s: 0.0,
        load_share: [0; LOADS],
        group: 0,
    };

    /// The rule of a jet for one control cycle.
    ///
    /// * `open_now` — the jet is open at the start of this cycle: it may close at once, and its tail was
    ///   counted with what it did before.
    #[must_use]
    pub fn of(jet: &Jet, timing: &Timing, open_now: bool) -> Self {
        let longest = timing.longest_that_closes();
        let shortest = if open_now { 1 } else { jet.minimum_on_ticks };
        Self {
            shortest,
            longest: if longest < shortest { shortest } else { longest },
            through_edge: timing.cycle_ticks,
            offset_s: if open_now { 0.0 } else { jet.pulse_offset_s },
            flow_kg_s: jet.flow_kg_s(),
            load_share: if open_now { [0; LOADS] } else { jet.load_share },
            group: jet.group,
        }
    }

    /// What it takes of what jets share.
    fn takes(&self) -> Takes {
        Takes { flow_kg_s: self.flow_kg_s, load_share: self.load_share, group: self.group }
    }

    /// What a pulse acts for, s; nothing for 0 ticks.
    #[must_use]
    pub fn acting_s(&self, ticks: u16, tick_s: f32) -> f32 {
        if ticks == 0 { 0.0 } else { math::from_ticks(ticks) * tick_s + self.offset_s }
    }

    /// Longest pulse of all, ticks.
    fn top(&self) -> u16 {
        if self.through_edge > self.longest { self.through_edge } else { self.longest }
    }

    /// Whether the jet can do a pulse of this many ticks.
    #[must_use]
    pub fn can(&self, ticks: u16) -> bool {
        ticks == 0
            || (ticks >= self.shortest && ticks <= self.longest)
            || (ticks == self.through_edge && ticks > self.longest)
    }

    /// Ticks of a wanted acting time, s, as a number that need not be whole.
    fn ticks_of(&self, acting_s: f32, tick_s: f32) -> f32 {
        (acting_s - self.offset_s) / tick_s
    }

    /// The two pulses at or around a wanted acting time, s: the longest one that is not longer, the shortest
    /// that is not shorter (the longest of all beyond that).
    fn around(&self, acting_s: f32, tick_s: f32) -> [u16; 2] {
        let below = math::whole_ticks(self.ticks_of(acting_s, tick_s), self.top());
        if !(acting_s > 0.0) {
            [0, 0]
        } else if below < self.shortest {
            [0, self.shortest]
        } else if below < self.longest {
            [below, below + 1]
        } else if below >= self.top() {
            [self.top(), self.top()]
        } else {
            [self.longest, self.top()]
        }
    }
}

/// A demand to be met in whole ticks. The slices have one entry per jet, at most 32.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct TickProblem<'a, const M: usize> {
    /// Effect per second of acting time.
    pub columns: &'a [[f32; M]],
    /// Price per second of acting time; zero or more.
    pub price: &'a [f32],
    /// Which pulses each jet can do.
    pub rules: &'a [TickRule],
    /// Jets that may open.
    pub usable: JetMask,
    /// What is wanted.
    pub demand: &'a Demand<M>,
    /// Price of what is left over, per unit of each row; zero or more.
    pub left_over_price: &'a [f32; M],
    /// Length of a tick, s.
    pub tick_s: f32,
    /// What jets may take together.
    pub shared: &'a SharedLimits,
    /// Parts of each load that jets still open put on the stack at the start; they have none in their rules.
    pub loaded: [u8; LOADS],
    /// Most nodes to look into; 1 rounds and improves the relaxation, no more.
    pub most_nodes: u16,
}

/// A firing in whole ticks and how good it is.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct WholeTicks<const M: usize, const N: usize> {
    /// On-time per jet, ticks.
    pub on_ticks: [u16; N],
    /// What they deliver, row by row.
    pub delivered: [f32; M],
    /// What is left: zero where a row is within its range, else the way to its nearer edge.
    pub left: [f32; M],
    /// Price of the pulses.
    pub price: f32,
    /// Price of pulses and of what is left.
    pub cost: f32,
    /// Least cost with any on-times, as the multipliers prove it: what ticks, minimum on-times and limits cost
    /// is the cost less this.
    pub relaxed_cost: f32,
    /// The multipliers that prove it, price per row unit.
    pub multipliers: [f32; M],
    /// No firing in whole ticks costs less than this; the search was complete when it reaches the cost.
    pub bound: f32,
    /// Nodes looked into.
    pub nodes: u16,
}

/// A price for what is left over, per row: [`LEFT_OVER`] times what the cheapest jet would take for it,
/// whatever else that jet does, or the multiplier of the row where that is more.
///
/// * `multipliers` — of the demand with any on-times.
#[must_use]
pub fn left_over_price<const M: usize>(
    columns: &[[f32; M]],
    price: &[f32],
    usable: JetMask,
    multipliers: &[f32; M],
) -> [f32; M] {
    let mut cheapest = [f32::INFINITY; M];
    for (_, (column, price)) in columns.iter().zip(price).enumerate().filter(|(j, _)| usable.contains(*j)) {
        for (cheapest, entry) in cheapest.iter_mut().zip(column) {
            let alone = price / entry.abs();
            // An entry of zero gives infinity or no number: never the cheapest.
            if alone < *cheapest {
                *cheapest = alone;
            }
        }
    }
    let mut left_over = [0.0; M];
    for ((into, cheapest), multiplier) in left_over.iter_mut().zip(cheapest).zip(multipliers) {
        let alone = if cheapest.is_finite() { cheapest } else { 0.0 };
        *into = LEFT_OVER * math::max(alone, multiplier.abs());
    }
    left_over
}

/// Chooses whole ticks; see the module. All shut when the numbers are not sane.
#[must_use]
pub fn choose<const M: usize, const N: usize>(problem: &TickProblem<M>) -> WholeTicks<M, N> {
    let mut chosen = WholeTicks::shut(problem);
    if is_sane::<M, N>(problem) {
        let mut search = Search::new(chosen.cost);
        let mut root = Root { cost: 0.0, multipliers: [0.0; M] };
        search.go_on(problem, (problem.most_nodes, false), &mut root);
        (chosen.on_ticks, chosen.nodes) = (search.on_ticks(), search.nodes());
        (chosen.relaxed_cost, chosen.multipliers) = (root.cost, root.multipliers);
        chosen.reckon(problem);
        chosen.bound = math::min(search.bound(), chosen.cost);
    }
    chosen
}

/// Looks into [`TickProblem::most_nodes`] more nodes of a search; the problem must be the one it was started with.
/// Complete, all shut, when the numbers are not sane.
pub(crate) fn go_on<const M: usize, const N: usize>(problem: &TickProblem<M>, search: &mut Search<N>) {
    if search.nodes() == 0 {
        if !is_sane::<M, N>(problem) {
            return search.end();
        }
        *search = Search::new(WholeTicks::<M, N>::shut(problem).cost);
    }
    search.go_on(problem, (problem.most_nodes, true), &mut Root { cost: 0.0, multipliers: [0.0; M] });
}

/// Whether slices fit and rules and prices make sense.
fn is_sane<const M: usize, const N: usize>(problem: &TickProblem<M>) -> bool {
    const { assert!(N <= 32 && M <= 7) };
    let count = problem.columns.len();
    let sized = count <= N && problem.price.len() == count && problem.rules.len() == count;
    let rules = problem.rules.iter().enumerate().filter(|(j, _)| problem.usable.contains(*j));
    let jets =
        problem.columns.iter().zip(problem.price).enumerate().filter(|(j, _)| problem.usable.contains(*j));
    let edges = problem.demand.low.iter().zip(&problem.demand.high);
    sized
        && problem.tick_s > 0.0
        && problem.left_over_price.iter().all(|price| (0.0..=1e18).contains(price))
        && edges.into_iter().all(|(low, high)| low <= high)
        && jets.into_iter().all(|(_, (column, price))| {
            (0.0..=1e18).contains(price) && column.iter().all(|entry| entry.abs() <= 1e18)
        })
        && rules.into_iter().all(|(_, rule)| {
            rule.shortest > 0
                && rule.shortest <= rule.longest
                && rule.acting_s(rule.shortest, problem.tick_s) > 0.0
                && rule.offset_s.abs() <= 1e18
        })
}

/// Whether the jets of a firing may open together.
fn may_open<const M: usize>(problem: &TickProblem<M>, open: JetMask) -> bool {
    let mut taken = Taken::by(problem.loaded);
    let rules = problem.rules.iter().enumerate().filter(|(j, _)| open.contains(*j));
    rules.into_iter().all(|(_, rule)| taken.admits(&rule.takes(), problem.shared))
}

/// The way from `got` to the nearer edge of a range; zero within it.
fn short_of(low: f32, high: f32, got: f32) -> f32 {
    if got < low {
        low - got
    } else if got > high {
        high - got
    } else {
        0.0
    }
}

impl<const M: usize, const N: usize> WholeTicks<M, N> {
    /// Nothing opens.
    fn shut(problem: &TickProblem<M>) -> Self {
        let mut shut = Self {
            on_ticks: [0; N],
            delivered: [0.0; M],
            left: [0.0; M],
            price: 0.0,
            cost: 0.0,
            relaxed_cost: 0.0,
            multipliers: [0.0; M],
            bound: 0.0,
            nodes: 0,
        };
        shut.reckon(problem);
        shut
    }

    /// Works out what the ticks deliver, leave and cost.
    fn reckon(&mut self, problem: &TickProblem<M>) {
        self.delivered = [0.0; M];
        self.price = 0.0;
        let jets = problem.columns.iter().zip(problem.price).zip(problem.rules);
        for (((column, price), rule), &ticks) in jets.zip(&self.on_ticks).filter(|(_, ticks)| **ticks > 0) {
            let acting_s = rule.acting_s(ticks, problem.tick_s);
            self.price += price * acting_s;
            for (sum, entry) in self.delivered.iter_mut().zip(column) {
                *sum += entry * acting_s;
            }
        }
        self.cost = self.price;
        let edges = problem.demand.low.iter().zip(&problem.demand.high).zip(problem.left_over_price);
        for ((left, got), ((low, high), price)) in self.left.iter_mut().zip(&self.delivered).zip(edges) {
            *left = short_of(*low, *high, *got);
            self.cost += price * left.abs();
        }
    }

    /// Jets that open.
    #[must_use]
    pub fn open(&self) -> JetMask {
        let fired = self.on_ticks.iter().enumerate().filter(|(_, ticks)| **ticks > 0);
        fired.fold(JetMask::NONE, |open, (j, _)| open.with(j))
    }
}
