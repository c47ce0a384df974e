//! The tree: which range of ticks to split next, and when to stop.

use heapless::Vec;

use super::relaxed::{Range, Relaxation, Relaxed};
use super::round::round;
use super::{TickProblem, TickRule, WholeTicks, may_open};
use crate::jet::JetMask;
use crate::math;

/// Splits on the way from the root to a node.
const DEPTH: usize = 48;
/// A node that could save less than this share of the cheapest firing is not looked into.
const CLOSE: f32 = 1.0e-5;
/// Ticks this near to a whole number are whole, pulses this near to the shortest are not short.
const WHOLE: f32 = 1.0e-5;

/// One split: the part being looked into, and the part still to come.
#[derive(Clone, Copy)]
struct Split {
    jet: u8,
    here: Range,
    other: Option<Range>,
    /// Bound of the node that was split.
    bound: f32,
}

/// Improves a firing as far as the cap on nodes allows, and proves how good it is.
pub(super) fn improve<const M: usize, const N: usize>(problem: &TickProblem<M>, best: &mut WholeTicks<M, N>) {
    let mut relaxation = Relaxation::<M, N>::new(problem);
    let mut path: Vec<Split, DEPTH> = Vec::new();
    let mut proven = f32::INFINITY;
    let mut nodes = 0;
    loop {
        if nodes >= problem.most_nodes {
            // What was not looked into is covered by the bounds of what it was split from.
            let last = path.len().saturating_sub(1);
            for (_, split) in
                path.iter().enumerate().filter(|(at, split)| *at == last || split.other.is_some())
            {
                proven = math::min(proven, split.bound);
            }
            break;
        }
        let root = nodes == 0;
        nodes += 1;
        let split = relaxation.at(&ranges_at::<M, N>(problem, &path)).and_then(|relaxed| {
            if root {
                best.relaxed_cost = relaxed.bound;
                best.multipliers = relaxed.multipliers;
            }
            look_into(problem, &relaxed, root, best, &mut proven)
        });
        if let Some(split) = split {
            let bound = split.bound;
            if path.push(split).is_ok() {
                continue;
            }
            proven = math::min(proven, bound);
        }
        if !to_next_part(&mut path) {
            break;
        }
    }
    best.nodes = nodes;
    best.bound = math::clamp(proven, 0.0, best.cost);
}

/// Rounds a node's answer, and splits the node where it is worth it.
fn look_into<const M: usize, const N: usize>(
    problem: &TickProblem<M>,
    relaxed: &Relaxed<M, N>,
    root: bool,
    best: &mut WholeTicks<M, N>,
    proven: &mut f32,
) -> Option<Split> {
    let worth_it = |best: &WholeTicks<M, N>| relaxed.bound < best.cost * (1.0 - CLOSE);
    if worth_it(best) {
        let rounded = round(problem, &relaxed.acting_s, root);
        if rounded.cost < best.cost {
            (best.on_ticks, best.delivered, best.left) = (rounded.on_ticks, rounded.delivered, rounded.left);
            (best.price, best.cost) = (rounded.price, rounded.cost);
        }
    }
    let split = if worth_it(best) { split(problem, relaxed) } else { None };
    if split.is_none() {
        *proven = math::min(*proven, relaxed.bound);
    }
    split
}

/// On to the nearest part still to come; `false` when there is none.
fn to_next_part(path: &mut Vec<Split, DEPTH>) -> bool {
    for _ in 0..DEPTH {
        let Some(last) = path.last_mut() else { return false };
        if let Some(other) = last.other.take() {
            last.here = other;
            return true;
        }
        path.pop();
    }
    !path.is_empty()
}

/// What is open about each jet at a node.
fn ranges_at<const M: usize, const N: usize>(problem: &TickProblem<M>, path: &[Split]) -> [Range; N] {
    let mut ranges = [Range::SHUT; N];
    for (j, (rule, range)) in problem.rules.iter().zip(&mut ranges).enumerate() {
        if problem.usable.contains(j) {
            *range = Range { low: rule.shortest, high: rule.top(), or_shut: true };
        }
    }
    for split in path {
        if let Some(range) = ranges.get_mut(usize::from(split.jet)) {
            *range = split.here;
        }
    }
    ranges
}

/// The split that a node's answer asks for most: a pulse shorter than the valve does, jets that may not open
/// together, ticks that are not whole. `None` when the answer is a firing.
fn split<const M: usize, const N: usize>(problem: &TickProblem<M>, relaxed: &Relaxed<M, N>) -> Option<Split> {
    let tick_s = problem.tick_s;
    let mut most = (0.0_f32, None);
    let mut open = JetMask::NONE;
    let mut longest: Option<(f32, u8, Range)> = None;
    let jets = problem.rules.iter().zip(&relaxed.ranges).zip(&relaxed.acting_s);
    for (jet, ((rule, &range), &t)) in (0_u8..).zip(jets) {
        if range.high == 0 || !(t > 0.0) {
            continue;
        }
        open = open.with(usize::from(jet));
        let shortest_s = rule.acting_s(range.low, tick_s);
        if range.or_shut && longest.is_none_or(|(top, _, _)| t > top) {
            longest = Some((t, jet, range));
        }
        if range.or_shut && t < shortest_s * (1.0 - WHOLE) {
            let share = t / shortest_s;
            // Ahead of ticks that are not whole.
            let urgency = 1.0 + math::min(share, 1.0 - share);
            if urgency > most.0 {
                most = (urgency, Some(open_or_shut(jet, range, share >= 0.5)));
            }
        } else if let Some((distance, split)) = at_whole_ticks(jet, rule, range, t, tick_s)
            && distance > most.0
        {
            most = (distance, Some(split));
        }
    }
    let together = may_open(problem, open);
    let chosen = match (most, longest) {
        ((urgency, Some(split)), _) if urgency >= 1.0 || together => Some(split),
        (_, Some((_, jet, range))) if !together => Some(open_or_shut(jet, range, true)),
        ((_, split), _) => split,
    };
    chosen.map(|split| Split { bound: relaxed.bound, ..split })
}

/// Shut, or open within the range.
fn open_or_shut(jet: u8, range: Range, open_first: bool) -> Split {
    let open = Range { or_shut: false, ..range };
    let (here, other) = if open_first { (open, Range::SHUT) } else { (Range::SHUT, open) };
    Split { jet, here, other: Some(other), bound: 0.0 }
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
    let lower = Range { high: below, ..range };
    let upper = Range { low: above, high: range.high, or_shut: false };
    let (here, other) = if down < up { (lower, upper) } else { (upper, lower) };
    Some((distance, Split { jet, here, other: Some(other), bound: 0.0 }))
}
