//! Posing selections: columns, prices and limits from the table and the effectiveness.

use crate::config::{Taken, loads_of};
use crate::controller::Controller;
use crate::cycle::{Posed, Witness};
use crate::effectiveness::Effect;
use crate::jet::{Jet, JetMask};
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::selection::{Demand, Offer, Outcome, Selection, Selector};
use crate::status::Status;

/// Reduced prices keep this share of the standing price from being credited, so that firing more than
/// needed is never free.
const UNCREDITED: f32 = 0.03;

/// Selections of rate changes: from the basis found last, and from the jets as they were last offered.
#[derive(Clone, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Angular<const N: usize> {
    selector: Selector<3, N>,
    offered: Option<Offered<N>>,
}

/// An offer, and the terms that it was made on.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Offered<const N: usize> {
    terms: Terms,
    offer: Offer<3, N>,
}

/// On which terms jets are offered for rate changes.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Terms {
    /// What a rate change is worth, kg per rad/s.
    credit: Vec3,
    usable: JetMask,
    /// Longest acting time, s.
    longest_s: f32,
}

impl<const N: usize> Angular<N> {
    /// To be told when effects or prices of jets have changed.
    pub(crate) fn forget_offer(&mut self) {
        self.offered = None;
    }
}

impl<const N: usize> Controller<N> {
    /// Poses and answers a three-row selection (rate change, rad/s), from the basis of the last one.
    ///
    /// * `credit` — what a rate change is worth, kg per rad/s; `longest_s` — longest acting time.
    pub(crate) fn pose_angular(
        &mut self,
        demand: Demand<3>,
        credit: Vec3,
        usable: JetMask,
        longest_s: f32,
        witness: &mut impl Witness,
    ) -> Posed<N> {
        let terms = Terms { credit, usable, longest_s };
        if self.angular.offered.as_ref().is_none_or(|offered| offered.terms != terms) {
            self.angular.offered = self.offer_turns(terms).map(|offer| Offered { terms, offer });
        }
        let Some(Offered { offer, .. }) = &self.angular.offered else {
            // Effects of a table that was found good are good.
            return Posed { price: [0.0; N], answer: Selection::refused() };
        };
        let priority = self.table.axis_priority;
        let answer = self.angular.selector.select_in_cycle(offer, &demand, &priority);
        witness.saw(&offer.problem(&demand, priority), &answer);
        Posed { price: *offer.price(), answer }
    }

    /// Rate changes per second of acting time at their price less what they are worth.
    fn offer_turns(&self, terms: Terms) -> Option<Offer<3, N>> {
        let price = |jet: &Jet, effect: &Effect| {
            let credited = (1.0 - UNCREDITED) * terms.credit.dot(effect.turn_rad_s2);
            math::max(jet.price_kg_s() - credited, 0.0)
        };
        self.offer(terms.usable, terms.longest_s, |effect| effect.turn_rad_s2.0, price)
    }

    /// Poses and answers a six-row selection (rate change, rad/s, and velocity change, m/s; body axes)
    /// at full prices, from the basis of the last one.
    pub(crate) fn pose_full(
        &mut self,
        demand: Demand<6>,
        usable: JetMask,
        longest_s: f32,
        witness: &mut impl Witness,
    ) -> Selection<6, N> {
        let [a, b, c] = self.table.axis_priority;
        let priority = [a, b, c, 3, 4, 5];
        let column = |effect: &Effect| {
            let ([a, b, c], [d, e, f]) = (effect.turn_rad_s2.0, effect.push_m_s2.0);
            [a, b, c, d, e, f]
        };
        let Some(offer) = self.offer(usable, longest_s, column, |jet, _| jet.price_kg_s()) else {
            return Selection::refused();
        };
        let answer = self.full.select_in_cycle(&offer, &demand, &priority);
        witness.saw(&offer.problem(&demand, priority), &answer);
        answer
    }

    /// What the jets offer, by the column and the price of each.
    fn offer<const M: usize>(
        &self,
        usable: JetMask,
        longest_s: f32,
        column: impl Fn(&Effect) -> [f32; M],
        price: impl Fn(&Jet, &Effect) -> f32,
    ) -> Option<Offer<M, N>> {
        let mut columns = [[0.0; M]; N];
        let mut prices = [0.0; N];
        let known = self.table.jets.iter().zip(self.effectiveness.effects());
        let slots = columns.iter_mut().zip(&mut prices);
        for ((jet, effect), (column_slot, price_slot)) in known.zip(slots) {
            (*column_slot, *price_slot) = (column(effect), price(jet, effect));
        }
        let count = self.table.jets.len();
        let (columns, prices) = (columns.get(..count)?, prices.get(..count)?);
        Offer::new(columns, prices, [longest_s; N].get(..count)?, usable)
    }

    /// Jets that are still open when this cycle's pulses open.
    pub(crate) fn open_at(&self, open_tick: u32) -> JetMask {
        self.ledger.open_at(open_tick, self.table.timing.cycle_ticks)
    }

    /// Whole ticks and status for the acting times of an answer, s. When the table's shared limits do not let
    /// all of its jets open together, the jets that would act longest open and the others wait for a
    /// later cycle.
    pub(crate) fn shaped(&self, on_time: &[f32; N], outcome: Outcome, open_tick: u32) -> ([u16; N], Status) {
        let status = match outcome {
            Outcome::Nothing | Outcome::Exact => Status::Firing,
            Outcome::Shortened => Status::Shortened,
            Outcome::Prioritised | Outcome::Coupled => Status::Prioritised,
            Outcome::NoJets => return ([0; N], Status::NoJets),
            Outcome::Refused | Outcome::Stalled => return ([0; N], Status::SelectionFailed),
        };
        let open = self.open_at(open_tick);
        let mut wanted = JetMask::NONE;
        let mut on_ticks = [0; N];
        for (j, ((jet, &t), ticks)) in self.table.jets.iter().zip(on_time).zip(&mut on_ticks).enumerate() {
            *ticks = pulse::shape(t, jet, &self.table.timing, open.contains(j));
            if *ticks > 0 {
                wanted = wanted.with(j);
            }
        }
        if !self.table.shared.allow(&self.table.jets, open, wanted) {
            self.share_time(&mut on_ticks, on_time, (open, wanted));
        }
        (on_ticks, status)
    }

    /// One cycle's part of an answer, where that takes longer: the same share of all of it, so that its direction is kept.
    pub(crate) fn spread(&self, answer: &Selection<3, N>, open_tick: u32) -> ([u16; N], Status) {
        let (longest_s, cycle_s) = (longest(&answer.on_time), self.table.timing.cycle_s());
        let share = if longest_s > cycle_s { cycle_s / longest_s } else { 1.0 };
        self.shaped(&answer.on_time.map(|time| share * time), answer.outcome, open_tick)
    }

    /// Shuts what the shared limits do not let open, shortest acting time first; on equal times the higher index. Where
    /// a jet waits for the load of another, all close within the cycle: it could not open beside one that does not.
    ///
    /// * `still_open` — see [`crate::config::SharedLimits::allow`].
    pub(crate) fn share_time(
        &self,
        on_ticks: &mut [u16; N],
        on_time: &[f32; N],
        (still_open, wanted): (JetMask, JetMask),
    ) {
        let mut taken = Taken::by(loads_of(&self.table.jets, still_open));
        let mut waiting = wanted;
        let mut longest = self.table.timing.cycle_ticks;
        while let Some(j) = waiting.longest(on_time) {
            waiting = waiting.without(j);
            let (Some(jet), Some(ticks)) = (self.table.jets.get(j), on_ticks.get_mut(j)) else { return };
            let takes = jet.takes(still_open.contains(j));
            if !taken.carry_also(&takes) {
                longest = self.table.timing.longest_that_closes();
            }
            if !taken.admits(&takes, &self.table.shared) {
                *ticks = 0;
            }
        }
        for ticks in on_ticks {
            *ticks = (*ticks).min(longest);
        }
    }
}

/// The longest of some acting times, s.
pub(crate) fn longest(on_time: &[f32]) -> f32 {
    on_time.iter().fold(0.0, |longest, time| math::max(*time, longest))
}

/// What is too small to open any jet for is no firing.
pub(crate) fn quiet_if_idle<const N: usize>((on_ticks, status): ([u16; N], Status)) -> ([u16; N], Status) {
    let idle = status == Status::Firing && on_ticks.iter().all(|&ticks| ticks == 0);
    (on_ticks, if idle { Status::Quiet } else { status })
}
