//! Firings of a hold in whole ticks, compared by what they waste and what the state they leave will
//! cost.
//!
//! A jet fires for its minimum on-time or not at all, so a small demand is combinatorial: the answer
//! of the relaxed program, rounded, and every single jet and many pairs of jets are tried. (To solve the
//! rest anew around pulses raised to their shortest, or dropped, was tried too: three selections more,
//! and nothing gained.) All work is bounded by the number of jets.

use crate::config::{SharedLimits, Timing};
use crate::effectiveness::Effect;
use crate::hold::{Deadband, Outlook, Situation, must_fire};
use crate::jet::{Jet, JetMask};
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::selection::Demand;

/// Singles kept as first halves of pairs.
const KEPT: usize = 4;
/// Pulse lengths tried per jet beside the shortest: two per axis.
const CHOICES: usize = 6;
/// Longest pulse tried here, in shortest pulses.
const LONGEST: u16 = 6;
/// A firing must last: no axis may call again within this many cycles.
const LASTING_CYCLES: f32 = 4.0;

/// What firings are judged by.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Judge<'a> {
    /// The jets.
    pub jets: &'a [Jet],
    /// Their effects.
    pub effects: &'a [Effect],
    /// Reduced price of each jet per second of acting time, kg/s.
    pub waste: &'a [f32],
    /// Jets that may open in this cycle; none is open yet.
    pub usable: JetMask,
    /// Time base.
    pub timing: &'a Timing,
    /// What jets may take together.
    pub shared: &'a SharedLimits,
    /// Where the stack is when the pulses open.
    pub now: &'a Situation,
    /// Limits.
    pub deadband: &'a Deadband,
    /// What the states that firings leave will cost.
    pub outlook: &'a Outlook,
    /// The box that settles every axis.
    pub demand: &'a Demand<3>,
}

/// One pulse as the search carries it.
#[derive(Clone, Copy)]
struct Single {
    jet: usize,
    ticks: u16,
    change_rad_s: Vec3,
    waste_kg: f32,
    /// Waste plus cost to go, whether or not every axis is settled.
    cost_kg: f32,
}

impl Judge<'_> {
    /// Waste plus cost to go of whole ticks, kg; infinite when an axis would call again at once, or when the
    /// jets may not open together.
    #[must_use]
    pub fn cost_of(&self, on_ticks: &[u16]) -> f32 {
        let mut change = Vec3::ZERO;
        let mut waste_kg = 0.0;
        let fired = on_ticks.iter().enumerate().filter(|(_, ticks)| **ticks > 0);
        let open = fired.fold(JetMask::NONE, |open, (j, _)| open.with(j));
        if !self.shared.allow(self.jets, JetMask::NONE, open) {
            return f32::INFINITY;
        }
        for (((jet, effect), &ticks), &price) in
            self.jets.iter().zip(self.effects).zip(on_ticks).zip(self.waste)
        {
            let acting_s = pulse::acting_time(ticks, jet, self.timing);
            change = change + effect.turn_rad_s2 * acting_s;
            waste_kg += price * acting_s;
        }
        if self.lasts(change) { waste_kg + self.cost_to_go(change, f32::INFINITY) } else { f32::INFINITY }
    }

    /// The cheapest one or two pulses (jet and ticks; no ticks for none) that settle every axis for less than
    /// `least`, kg of waste and cost to go, if any do.
    #[must_use]
    pub fn smallest(&self, mut least: f32) -> Option<[(usize, u16); 2]> {
        let mut best = None;
        let mut kept: [Option<Single>; KEPT] = [None; KEPT];
        let wanted = self.wanted();
        for (j, jet) in self.jets.iter().enumerate().filter(|&(j, _)| self.usable.contains(j)) {
            let mut tried = 0;
            let longer = wanted.iter().flatten().map(|wanted| self.ticks_for(j, jet, wanted));
            for ticks in [jet.minimum_on_ticks].into_iter().chain(longer.flatten()) {
                if ticks == tried {
                    continue;
                }
                tried = ticks;
                let Some(single) = self.single(j, ticks) else { continue };
                // Cost to go is never negative: what wastes too much is not looked at further.
                let dearest = kept.last().copied().flatten().map_or(f32::INFINITY, |single| single.cost_kg);
                let most = math::max(dearest, least) - single.waste_kg;
                if most <= 0.0 {
                    continue;
                }
                let to_go_kg = self.cost_to_go(single.change_rad_s, most);
                if to_go_kg >= most {
                    continue;
                }
                let cost_kg = single.waste_kg + to_go_kg;
                if cost_kg < least && self.lasts(single.change_rad_s) {
                    (least, best) = (cost_kg, Some([(j, ticks), (0, 0)]));
                }
                keep_sorted(&mut kept, Single { cost_kg, ..single });
            }
        }
        for first in kept.into_iter().flatten() {
            for (j, jet) in self.jets.iter().enumerate() {
                if j == first.jet || !self.usable.contains(j) {
                    continue;
                }
                let Some(second) = self.single(j, jet.minimum_on_ticks) else { continue };
                let waste_kg = first.waste_kg + second.waste_kg;
                if waste_kg >= least {
                    continue;
                }
                let change_rad_s = first.change_rad_s + second.change_rad_s;
                let cost_kg = waste_kg + self.cost_to_go(change_rad_s, least - waste_kg);
                let both = JetMask::NONE.with(first.jet).with(j);
                if cost_kg < least
                    && self.lasts(change_rad_s)
                    && self.shared.allow(self.jets, JetMask::NONE, both)
                {
                    (least, best) = (cost_kg, Some([(first.jet, first.ticks), (j, second.ticks)]));
                }
            }
        }
        best
    }

    /// State after a rate change.
    fn after(&self, change_rad_s: Vec3) -> Situation {
        Situation { rate_rad_s: self.now.rate_rad_s + change_rad_s, ..*self.now }
    }

    /// What the state after a rate change will cost, kg, where that is under `most`.
    fn cost_to_go(&self, change_rad_s: Vec3, most: f32) -> f32 {
        self.outlook.cost_under_kg(self.now.rate_rad_s + change_rad_s, most)
    }

    /// Whether no axis calls again at once after a rate change.
    fn lasts(&self, change_rad_s: Vec3) -> bool {
        let cycle_s = self.timing.cycle_s();
        !must_fire(&self.after(change_rad_s), self.deadband, LASTING_CYCLES * cycle_s, cycle_s)
    }

    /// One pulse, its cost to go not yet known.
    fn single(&self, jet: usize, ticks: u16) -> Option<Single> {
        let acting_s = pulse::acting_time(ticks, self.jets.get(jet)?, self.timing);
        let change_rad_s = self.effects.get(jet)?.turn_rad_s2 * acting_s;
        let waste_kg = self.waste.get(jet)? * acting_s;
        Some(Single { jet, ticks, change_rad_s, waste_kg, cost_kg: waste_kg })
    }

    /// Rate changes of single axes that are worth a pulse of their own: just enough for each axis that must be
    /// changed, and to the middle of its range.
    fn wanted(&self) -> [Option<(usize, f32)>; CHOICES] {
        let mut all = [None; CHOICES];
        let edges = self.demand.low.iter().zip(&self.demand.high);
        for (axis, (into, (low, high))) in all.chunks_exact_mut(2).zip(edges).enumerate() {
            let nearest = math::clamp(0.0, *low, *high);
            if nearest == 0.0 {
                continue;
            }
            let furthest = low + high - nearest;
            for (into, depth) in into.iter_mut().zip([0.2, 0.5]) {
                *into = Some((axis, nearest + depth * (furthest - nearest)));
            }
        }
        all
    }

    /// Ticks of the pulse that brings a wanted change of one axis, where it is longer than the shortest.
    fn ticks_for(&self, j: usize, jet: &Jet, &(axis, wanted): &(usize, f32)) -> Option<u16> {
        let effect = self.effects.get(j)?.turn_rad_s2[axis];
        if wanted * effect <= 0.0 {
            return None;
        }
        let ticks = pulse::shape(wanted / effect, jet, self.timing, false);
        let longest = jet.minimum_on_ticks.saturating_mul(LONGEST);
        (ticks > jet.minimum_on_ticks && ticks <= longest).then_some(ticks)
    }
}

fn keep_sorted(kept: &mut [Option<Single>; KEPT], new: Single) {
    let mut carried = new;
    for slot in kept {
        match slot {
            Some(held) if carried.cost_kg < held.cost_kg => core::mem::swap(held, &mut carried),
            Some(_) => {}
            None => {
                *slot = Some(carried);
                return;
            }
        }
    }
}
