//! The tree: which range of ticks to split next, and when to stop. A search may be left and gone on with later: what
//! is kept of it is small, the rest follows from the problem.

use heapless::Vec;

use super::elastic::Basis;
use super::relaxed::{Range, Relaxation, Relaxed};
use super::round::round;
use super::{TickProblem, TickRule, may_open};
use crate::jet::JetMask;
use crate::math;

/// Splits on the way from the root to a node.
const DEPTH: usize = 32;
/// A node that could save less than this share of the cheapest firing is not looked into.
const CLOSE: f32 = 1.0e-5;
/// Ticks this near to a whole number are whole, pulses this near to the shortest are not short.
const WHOLE: f32 = 1.0e-5;

/// One split: pulses up to so many ticks, and longer ones.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Split {
    /// Bound of the node that was split.
    bound: f32,
    /// Longest pulse of the lower part, ticks; 0 shuts the jet.
    below: u16,
    jet: u8,
    /// Whether the part being looked into is the upper one.
    upper: bool,
    /// Whether the other part is still to come.
    half: bool,
}

/// The cheapest firing found so far.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Cheapest<const N: usize> {
    pub(super) on_ticks: [u16; N],
    pub(super) cost: f32,
}

/// A search under way, or at its end.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Search<const N: usize> {
    path: Vec<Split, DEPTH>,
    best: Cheapest<N>,
    basis: Basis,
    /// Least bound of what needs no more looking into.
    proven: f32,
    nodes: u16,
    complete: bool,
}

/// What the relaxation of the root proves.
#[derive(Clone, Copy)]
pub(super) struct Root<const M: usize> {
    pub(super) cost: f32,
    pub(super) multipliers: [f32; M],
}

impl<const N: usize> Search<N> {
    /// To be started.
    pub(crate) const NOTHING: Self = Self::new(0.0);

    /// Nothing looked into yet; `shut` is the cost of a firing in which nothing opens.
    pub(super) const fn new(shut: f32) -> Self {
        Self {
            path: Vec::new(),
            best: Cheapest { on_ticks: [0; N], cost: shut },
            basis: Basis::ROWS,
            proven: f32::INFINITY,
            nodes: 0,
            complete: false,
        }
    }

    /// Leaves it at what has been found.
    pub(super) fn end(&mut self) {
        self.complete = true;
    }

    /// The cheapest firing so far, ticks per jet.
    pub(crate) fn on_ticks(&self) -> [u16; N] {
        self.best.on_ticks
    }

    /// Nodes looked into so far.
    pub(crate) fn nodes(&self) -> u16 {
        self.nodes
    }

    /// Whether nothing is left to look into.
    pub(crate) fn is_complete(&self) -> bool {
        self.complete
    }

    /// No firing costs less than this.
    pub(super) fn bound(&self) -> f32 {
        let mut proven = self.proven;
        if !self.complete {
            // What was not looked into is covered by the bounds of what it was split from.
            let last = self.path.len().saturating_sub(1);
            let open = self.path.iter().enumerate().filter(|(at, split)| *at == last || split.half);
            proven = open.fold(proven, |proven, (_, split)| math::min(proven, split.bound));
        }
        math::clamp(proven, 0.0, self.best.cost)
    }

    /// Looks into so many more nodes, or fewer if that completes the search. It must be the same problem in every call.
    ///
    /// * `until_improved` — also leaves off behind a node whose rounding was worth improving, which is most of the work.
    pub(super) fn go_on<const M: usize>(
        &mut self,
        problem: &TickProblem<M>,
        (nodes, until_improved): (u16, bool),
        root: &mut Root<M>,
    ) {
        let mut relaxation = Relaxation::<M, N>::new(problem);
        if self.nodes > 0 {
            for at in 0..self.path.len() {
                self.enter(&mut relaxation, at);
            }
            relaxation.restore(&self.basis);
        }
        let mut improved = false;
        for _ in 0..nodes {
            if self.complete {
                return;
            }
            if improved && until_improved {
                break;
            }
            let relaxed = relaxation.answer();
            if let (0, Some(relaxed)) = (self.nodes, &relaxed) {
                *root = Root { cost: relaxed.bound, multipliers: relaxed.multipliers };
            }
            self.nodes = self.nodes.saturating_add(1);
            let split = relaxed.and_then(|relaxed| self.look_into(&relaxation, &relaxed, &mut improved));
            if let Some(split) = split {
                if self.path.push(split).is_ok() {
                    self.enter(&mut relaxation, self.path.len() - 1);
                    continue;
                }
                self.proven = math::min(self.proven, split.bound);
            }
            self.complete = !self.take_next_part(&mut relaxation);
        }
        self.basis = relaxation.basis();
    }

    /// Rounds a node's answer, and splits the node where it is worth it.
    fn look_into<const M: usize>(
        &mut self,
        relaxation: &Relaxation<M, N>,
        relaxed: &Relaxed<M, N>,
        improved: &mut bool,
    ) -> Option<Split> {
        if relaxed.bound < self.best.cost * (1.0 - CLOSE) {
            *improved |= round(relaxation.problem, &relaxed.acting_s, relaxation.limited, &mut self.best);
        }
        // Rounding may have found what makes the node worthless.
        let worth_it = relaxed.bound < self.best.cost * (1.0 - CLOSE);
        let split = if worth_it { split(relaxation, relaxed) } else { None };
        if split.is_none() {
            self.proven = math::min(self.proven, relaxed.bound);
        }
        split
    }

    /// On to the nearest part still to come; `false` when there is none.
    fn take_next_part<const M: usize>(&mut self, relaxation: &mut Relaxation<M, N>) -> bool {
        for _ in 0..DEPTH + 1 {
            let Some(last) = self.path.last_mut() else { return false };
            if last.half {
                (last.upper, last.half) = (!last.upper, false);
                self.enter(relaxation, self.path.len() - 1);
                return true;
            }
            let jet = last.jet;
            self.path.pop();
            self.reopen(relaxation, usize::from(jet));
        }
        false
    }

    /// Into the part of the split at this place of the path that is to be looked into.
    fn enter<const M: usize>(&self, relaxation: &mut Relaxation<M, N>, at: usize) {
        if let Some(split) = self.path.get(at) {
            self.reopen(relaxation, usize::from(split.jet));
        }
    }

    /// What the path leaves open about a jet.
    fn reopen<const M: usize>(&self, relaxation: &mut Relaxation<M, N>, jet: usize) {
        let Some(rule) = relaxation.problem.rules.get(jet) else { return };
        let mut range = relaxation.at_root(jet);
        for split in self.path.iter().filter(|split| usize::from(split.jet) == jet) {
            range = if split.upper { range.upper(split.below, rule) } else { range.lower(split.below) };
        }
        relaxation.set(jet, range);
    }
}

/// The split that a node's answer asks for most: a pulse shorter than the valve does, jets that may not open
/// together, ticks that are not whole. `None` when the answer is a firing.
fn split<const M: usize, const N: usize>(
    relaxation: &Relaxation<M, N>,
    relaxed: &Relaxed<M, N>,
) -> Option<Split> {
    let problem = relaxation.problem;
    let tick_s = problem.tick_s;
    let mut most = (0.0_f32, None);
    let mut open = JetMask::NONE;
    // Beside a time in any case: what stands beside none may be any bits, which are compared all the same.
    let mut longest = (0.0_f32, None);
    let jets = problem.rules.iter().zip(&relaxed.acting_s);
    for (jet, (rule, &t)) in (0_u8..).zip(jets).filter(|(_, (_, t))| **t > 0.0) {
        let range = relaxation.range(usize::from(jet));
        if range.high == 0 {
            continue;
        }
        open = open.with(usize::from(jet));
        let shortest_s = rule.acting_s(range.low, tick_s);
        if range.or_shut && t > longest.0 {
            longest = (t, Some(jet));
        }
        if range.or_shut && t < shortest_s * (1.0 - WHOLE) {
            let share = t / shortest_s;
            // Ahead of ticks that are not whole.
            let urgency = 1.0 + math::min(share, 1.0 - share);
            if urgency > most.0 {
                most = (urgency, Some(open_or_shut(jet, share >= 0.5)));
            }
        } else if let Some((distance, split)) = at_whole_ticks(jet, rule, range, t, tick_s)
            && distance > most.0
        {
            most = (distance, Some(split));
        }
    }
    let together = !relaxation.limited || may_open(problem, open);
    let chosen = match (most, longest) {
        ((urgency, Some(split)), _) if urgency >= 1.0 || together => Some(split),
        (_, (_, Some(jet))) if !together => Some(open_or_shut(jet, true)),
        ((_, split), _) => split,
    };
    chosen.map(|split| Split { bound: relaxed.bound, ..split })
}

/// Shut, or open within the range.
fn open_or_shut(jet: u8, open_first: bool) -> Split {
    Split { bound: 0.0, below: 0, jet, upper: open_first, half: true }
}

/// Splits a range around ticks that are not whole, or between the longest pulse that closes and the one that
/// does not; with how far from either they are.
fn at_whole_ticks(jet: u8, rule: &TickRule, range: Range, t: f32, tick_s: f32) -> Option<(f32, Split)> {
    let [below, above] = rule.around(t, tick_s);
    if below == above || below < range.low || above > range.high {
        return None;
    }
    let ticks = rule.ticks_of(t, tick_s);
    let down = ticks - math::from_ticks(below);
    let up = math::from_ticks(above) - ticks;
    let distance = math::min(down, up) / math::from_ticks(above - below);
    if distance < WHOLE {
        return None;
    }
    Some((distance, Split { bound: 0.0, below, jet, upper: !(down < up), half: true }))
}
