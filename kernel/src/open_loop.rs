//! Open-loop demands: a point to deliver exactly, spread over as many cycles as it takes.
//!
//! Nothing will measure what was delivered, so what pulses cannot do exactly is carried to the next
//! cycle. While a demand takes longer than a cycle, on-times are only rounded: what that leaves is carried
//! and worked off with the rest. What fits into one cycle is chosen in whole ticks ([`crate::whole_ticks`]): the
//! demand is done when no firing is worth its price any more.
//!
//! **Thought over.** A choice takes more work than a cycle has time for. The cycle that finds that a demand fits into
//! one leaves it at that; the search goes on in the cycles after it, jets shut, and the cheapest firing it has found opens
//! when it is complete or has had its nodes.
//!
//! **Shared limits.** Jets that may not open together take turns: those that would act longest open first,
//! and what the others would have done is still owed.
//!
//! **Sparing translation.** When the table wishes so, a demand that leaves translation free is also
//! selected with the velocity it leaves behind held within the wish's limits; that answer is taken when
//! it costs at most the wish's share more and takes at most four times as long. It is a wish: where it cannot be met at that price,
//! translation is free.

use crate::command::ABSURD_RATE_RAD_S;
use crate::config::loads_of;
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::effectiveness::Effect;
use crate::jet::{JetMask, LOADS};
use crate::linalg::Vec3;
use crate::math;
use crate::pending::Pending;
use crate::pulse;
use crate::selection::{Demand, Outcome, Selection};
use crate::status::Status;
use crate::whole_ticks::{self, LEFT_OVER, Search, TickProblem, TickRule, left_over_price};

/// No stack is pushed by more with reaction jets, m/s.
const ABSURD_VELOCITY_M_S: f32 = 1e4;
/// Nodes of a choice of whole ticks that are looked into in one cycle, and in all.
///
/// More nodes find the cheapest firing more often: in 186 of 240 random demands on small layouts with 16 in all, in 200
/// with 21. But each takes a part of the cycle's time, and the stack turns on while they are sought. A cycle ends with the first
/// node whose rounding was worth improving.
const NODES: u16 = 2;
const MOST_NODES: u16 = 16;
/// Sparing translation may make a demand take this many times as long.
const SLOWER: f32 = 4.0;
/// Most cycles of one demand that are chosen in whole ticks: what is left then is left.
const MOST_CHOICES: u8 = 32;

/// What an open-loop demand still owes.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Owed {
    serial: Option<u16>,
    rate_rad_s: Vec3,
    velocity_m_s: Option<Vec3>,
    /// Velocity the pulses have brought so far where none is asked for, body axes, m/s.
    pushed_m_s: Vec3,
    /// Price of what is left over, per row, fixed at the first choice in whole ticks: a price that moved
    /// with what is left could have two firings undo each other for ever.
    left_over_price: [f32; 6],
    /// Whether it has been fixed.
    is_priced: bool,
    choices: u8,
    done: bool,
}

impl Owed {
    /// Nothing was ever demanded.
    pub(crate) const NOTHING: Self = Self {
        serial: None,
        rate_rad_s: Vec3::ZERO,
        velocity_m_s: None,
        pushed_m_s: Vec3::ZERO,
        left_over_price: [0.0; 6],
        is_priced: false,
        choices: 0,
        done: true,
    };

    /// Whether this is the demand that is being worked off, or the last one that was.
    pub(crate) fn is_of(&self, serial: u16) -> bool {
        self.serial == Some(serial)
    }

    /// Whether nothing is left to be done.
    pub(crate) fn is_done(&self) -> bool {
        self.done
    }

    /// What is left is left.
    pub(crate) fn leave(&mut self) {
        self.done = true;
    }

    /// Adds a rate change that has no number, rad/s.
    pub(crate) fn add(&mut self, rate_rad_s: Vec3) {
        let before = if self.done { Vec3::ZERO } else { self.rate_rad_s };
        *self = Self { serial: self.serial, rate_rad_s: before + rate_rad_s, done: false, ..Self::NOTHING };
    }

    /// Takes up a demand with a new serial number; `false` when it is not finite or beyond all reason.
    pub(crate) fn take_up(
        &mut self,
        serial: u16,
        rate_rad_s: [f32; 3],
        velocity_m_s: Option<[f32; 3]>,
    ) -> bool {
        let rate_rad_s = Vec3(rate_rad_s);
        let velocity_m_s = velocity_m_s.map(Vec3);
        let within = |v: Vec3, limit: f32| v.0.iter().all(|c| c.abs() <= limit);
        if !within(rate_rad_s, ABSURD_RATE_RAD_S)
            || !velocity_m_s.is_none_or(|v| within(v, ABSURD_VELOCITY_M_S))
        {
            return false;
        }
        if !self.is_of(serial) {
            *self = Self { serial: Some(serial), rate_rad_s, velocity_m_s, done: false, ..Self::NOTHING };
        }
        true
    }
}

/// Rows of a choice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Rows {
    /// Rate change.
    Turn,
    /// Rate and velocity change.
    All,
    /// Rate change, with the velocity left behind held within the wish's limits.
    Spared,
}

/// What a choice in whole ticks is made of, jet by jet.
struct Pulses<const M: usize, const N: usize> {
    columns: [[f32; M]; N],
    price: [f32; N],
    rules: [TickRule; N],
}

/// A choice in whole ticks that is being thought over, and what it belongs to.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Choice<const N: usize> {
    search: Search<N>,
    rows: Rows,
    usable: JetMask,
}

impl<const N: usize> Controller<N> {
    /// What the open-loop demand in force still owes: rate change, rad/s, and velocity change, m/s (zero
    /// where translation was left free), body axes. What was too small to fire for stays here.
    #[must_use]
    pub fn owed_impulse(&self) -> (Vec3, Vec3) {
        (self.owed.rate_rad_s, self.owed.velocity_m_s.unwrap_or(Vec3::ZERO))
    }

    /// Ticks and status of one cycle of an open-loop demand.
    pub(crate) fn work_off(
        &mut self,
        open_tick: u32,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        if self.owed.done {
            return ([0; N], Status::Quiet);
        }
        self.work_on(open_tick, usable, witness)
    }

    /// Ticks and status of a cycle in which something is owed.
    fn work_on(&mut self, open_tick: u32, usable: JetMask, witness: &mut impl Witness) -> ([u16; N], Status) {
        let goes_on = |choice: &Choice<N>| choice.usable == usable;
        let (on_ticks, status) = if let Some(choice) = self.pending.take_choice().filter(goes_on) {
            (self.think_on(choice), Status::Firing)
        } else if self.owed.velocity_m_s.is_some() {
            let want = self.all_owed();
            let answer = self.pose_full(want, usable, self.table.timing.cycle_s(), witness);
            self.whole(open_tick, usable, (&want, all_rows, Rows::All), &answer)
        } else {
            self.turn(open_tick, usable, witness)
        };
        if matches!(self.pending, Pending::Choice(_)) {
            return ([0; N], Status::Choosing);
        }
        if on_ticks.iter().all(|&t| t == 0) {
            // Only what is answered in full and still too small to fire for is done with; what cannot be
            // served now stays owed, and its status says so in every cycle.
            self.owed.done = status == Status::Firing;
            return (on_ticks, if self.owed.done { Status::Quiet } else { status });
        }
        self.charge(&on_ticks, open_tick);
        (on_ticks, status)
    }

    /// All rows of what is owed.
    fn all_owed(&self) -> Demand<6> {
        let [a, b, c] = self.owed.rate_rad_s.0;
        let [d, e, f] = self.owed.velocity_m_s.unwrap_or(Vec3::ZERO).0;
        Demand::point([a, b, c, d, e, f])
    }

    /// One cycle of a demand that leaves translation free, or spares it where that costs little.
    fn turn(&mut self, open_tick: u32, usable: JetMask, witness: &mut impl Witness) -> ([u16; N], Status) {
        let cycle_s = self.table.timing.cycle_s();
        let want = Demand::point(self.owed.rate_rad_s.0);
        let free = self.pose_angular(want, Vec3::ZERO, usable, cycle_s, witness).answer;
        let wish = self.table.spare_translation;
        if wish.is_on() && is_along(free.outcome) {
            let spared_want = self.sparing();
            let spared = self.pose_full(spared_want, usable, cycle_s, witness);
            // Prices of the whole demand: a smaller share in this cycle means more cycles.
            let most = (1.0 + wish.extra_share) * self.price_of(&free.on_time) * spared.lambda;
            if is_along(spared.outcome)
                && SLOWER * spared.lambda >= free.lambda
                && self.price_of(&spared.on_time) * free.lambda <= most
            {
                return self.whole(open_tick, usable, (&spared_want, all_rows, Rows::Spared), &spared);
            }
        }
        self.whole(open_tick, usable, (&want, turn_rows, Rows::Turn), &free)
    }

    /// The rate change still owed, with the velocity left behind within the wish's limits.
    fn sparing(&self) -> Demand<6> {
        let [a, b, c] = self.owed.rate_rad_s.0;
        let within = self.table.spare_translation.within_m_s;
        let [d, e, f] = self.owed.pushed_m_s.0;
        Demand::between(
            [a, b, c, -within - d, -within - e, -within - f],
            [a, b, c, within - d, within - e, within - f],
        )
    }

    /// Price of acting times, s.
    pub(crate) fn price_of(&self, on_time: &[f32; N]) -> f32 {
        self.table.jets.iter().zip(on_time).fold(0.0, |sum, (jet, t)| sum + jet.price_kg_s() * t)
    }

    /// Whole ticks and status for an answer to a demand: chosen where it is the last that the demand takes,
    /// else rounded, its jets taking turns where they may not open together.
    fn whole<const M: usize>(
        &mut self,
        open_tick: u32,
        usable: JetMask,
        (demand, column, rows): (&Demand<M>, impl Fn(&Effect) -> [f32; M], Rows),
        answer: &Selection<M, N>,
    ) -> ([u16; N], Status) {
        let (rounded, status) = self.shaped(&answer.on_time, answer.outcome, open_tick);
        if answer.outcome != Outcome::Exact || self.takes_turns(&answer.on_time, open_tick) {
            return (rounded, status);
        }
        if self.owed.choices >= MOST_CHOICES {
            return ([0; N], status);
        }
        self.owed.choices += 1;
        self.price_left_over(usable, (demand, column), &answer.multipliers);
        self.pending = Pending::Choice(Choice { search: Search::NOTHING, rows, usable });
        ([0; N], status)
    }

    /// Whether jets of an answer must wait for others although one of them could do its pulse.
    fn takes_turns(&self, on_time: &[f32; N], open_tick: u32) -> bool {
        let open_now = self.open_at(open_tick);
        let (mut open, mut long) = (JetMask::NONE, false);
        for (j, (jet, &t)) in self.table.jets.iter().zip(on_time).enumerate().filter(|(_, (_, t))| **t > 0.0)
        {
            open = open.with(j);
            let rule = TickRule::of(jet, &self.table.timing, open_now.contains(j));
            long |= t >= rule.acting_s(rule.shortest, self.table.timing.tick_s);
        }
        long && !self.table.shared.allow(&self.table.jets, open_now, open)
    }

    /// Goes on with a choice.
    #[inline(never)]
    fn think_on(&mut self, choice: Choice<N>) -> [u16; N] {
        match choice.rows {
            Rows::Turn => {
                let demand = Demand::point(self.owed.rate_rad_s.0);
                self.think(choice, (&demand, turn_rows))
            }
            Rows::All => self.think(choice, (&self.all_owed(), all_rows)),
            Rows::Spared => self.think(choice, (&self.sparing(), all_rows)),
        }
    }

    /// Whole ticks for a rate change, rad/s, as good as a few nodes make them; see [`crate::whole_ticks`].
    ///
    /// * `multipliers` — of the same demand with any on-times.
    #[inline(never)]
    pub(crate) fn turn_in_whole_ticks(
        &self,
        open_tick: u32,
        demand: &Demand<3>,
        usable: JetMask,
        multipliers: &[f32; 3],
    ) -> [u16; N] {
        let open_now = self.open_at(open_tick);
        let Pulses { columns, price, rules } = self.pulses(open_now, turn_rows);
        let problem = TickProblem {
            columns: &columns,
            price: &price,
            rules: &rules,
            usable,
            demand,
            left_over_price: &left_over_price(&columns, &price, usable, multipliers),
            tick_s: self.table.timing.tick_s,
            shared: &self.table.shared,
            loaded: loads_of(&self.table.jets, open_now),
            most_nodes: NODES,
        };
        let mut search = Search::NOTHING;
        whole_ticks::go_on(&problem, &mut search);
        search.on_ticks()
    }

    /// What every jet does, at which price, in which pulses.
    ///
    /// * `open_now` — jets that are open at the start of the cycle.
    fn pulses<const M: usize>(
        &self,
        open_now: JetMask,
        column: impl Fn(&Effect) -> [f32; M],
    ) -> Pulses<M, N> {
        let mut pulses = Pulses { columns: [[0.0; M]; N], price: [0.0; N], rules: [TickRule::NONE; N] };
        let jets = self.table.jets.iter().zip(self.effectiveness.effects());
        let into = pulses.columns.iter_mut().zip(&mut pulses.price).zip(&mut pulses.rules);
        for (j, ((jet, effect), ((into, price), rule))) in jets.zip(into).enumerate() {
            (*into, *price) = (column(effect), jet.price_kg_s());
            *rule = TickRule::of(jet, &self.table.timing, open_now.contains(j));
        }
        pulses
    }

    /// Looks into some nodes of a choice. The cheapest whole ticks when that is enough; else none, and the choice is
    /// kept to be gone on with. See [`crate::whole_ticks`].
    #[inline(never)]
    fn think<const M: usize>(
        &mut self,
        mut choice: Choice<N>,
        (demand, column): (&Demand<M>, impl Fn(&Effect) -> [f32; M]),
    ) -> [u16; N] {
        // Jets that were open when the choice was put off have closed.
        let Pulses { columns, price, rules } = self.pulses(JetMask::NONE, column);
        let mut left_over_price = [0.0; M];
        for (row, fixed) in left_over_price.iter_mut().zip(self.owed.left_over_price) {
            *row = fixed;
        }
        let problem = TickProblem {
            columns: &columns,
            price: &price,
            rules: &rules,
            usable: choice.usable,
            demand,
            left_over_price: &left_over_price,
            tick_s: self.table.timing.tick_s,
            shared: &self.table.shared,
            loaded: [0; LOADS],
            most_nodes: NODES,
        };
        whole_ticks::go_on(&problem, &mut choice.search);
        let enough = choice.search.is_complete() || choice.search.nodes() >= MOST_NODES;
        if enough {
            return choice.search.on_ticks();
        }
        self.pending = Pending::Choice(choice);
        [0; N]
    }

    /// Fixes the price of what is left over at the first choice of a demand. A row that is only wished for is
    /// worth what it would cost, no more.
    fn price_left_over<const M: usize>(
        &mut self,
        usable: JetMask,
        (demand, column): (&Demand<M>, impl Fn(&Effect) -> [f32; M]),
        multipliers: &[f32; M],
    ) {
        if self.owed.is_priced {
            return;
        }
        let Pulses { columns, price, .. } = self.pulses(JetMask::NONE, column);
        let mut fixed = [0.0; 6];
        let worked_out = left_over_price(&columns, &price, usable, multipliers);
        let edges = demand.low.iter().zip(&demand.high);
        for ((into, worked_out), (low, high)) in fixed.iter_mut().zip(worked_out).zip(edges) {
            *into = if low < high { worked_out / LEFT_OVER } else { worked_out };
        }
        (self.owed.left_over_price, self.owed.is_priced) = (fixed, true);
    }

    /// Takes off what these pulses will deliver.
    fn charge(&mut self, on_ticks: &[u16; N], open_tick: u32) {
        let open = self.open_at(open_tick);
        let timing = &self.table.timing;
        for (j, ((jet, effect), &ticks)) in
            self.table.jets.iter().zip(self.effectiveness.effects()).zip(on_ticks).enumerate()
        {
            // A jet that was open already has had its dead time, and its tail was counted then.
            let acting_s = if open.contains(j) {
                math::from_ticks(ticks) * timing.tick_s
            } else {
                pulse::acting_time(ticks, jet, timing)
            };
            self.owed.rate_rad_s = self.owed.rate_rad_s - effect.turn_rad_s2 * acting_s;
            self.owed.pushed_m_s = self.owed.pushed_m_s + effect.push_m_s2 * acting_s;
            if let Some(velocity) = &mut self.owed.velocity_m_s {
                *velocity = *velocity - effect.push_m_s2 * acting_s;
            }
        }
    }
}

/// Whether an answer keeps to the direction of its demand.
fn is_along(outcome: Outcome) -> bool {
    matches!(outcome, Outcome::Exact | Outcome::Shortened)
}

/// Rate change per second, rad/s².
fn turn_rows(effect: &Effect) -> [f32; 3] {
    effect.turn_rad_s2.0
}

/// Rate change, rad/s², and velocity change, m/s², per second.
fn all_rows(effect: &Effect) -> [f32; 6] {
    let ([a, b, c], [d, e, f]) = (effect.turn_rad_s2.0, effect.push_m_s2.0);
    [a, b, c, d, e, f]
}
