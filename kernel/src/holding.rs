//! One cycle of attitude hold: decide, price, select, round. The rules are in [`crate::hold`] and
//! [`crate::firing`].

use crate::controller::Controller;
use crate::cycle::{Posed, Witness};
use crate::firing::Judge;
use crate::hold::{self, Deadband, Situation};
use crate::jet::JetMask;
use crate::linalg::Vec3;
use crate::math;
use crate::observer::{Motion, gyroscopic};
use crate::posing::quiet_if_idle;
use crate::pulse;
use crate::selection::{Demand, Outcome};
use crate::status::Status;

/// The standing price is worked out anew when the disturbance has changed by this share.
const STANDING_CHANGE: f32 = 0.1;
/// A firing of a hold may go on for this many cycles: pulses that run through an edge are posed again
/// in the next cycle, with what is then left to do.
const HOLD_CYCLES: f32 = 8.0;
/// Demands whose longest pulse is under this many minimum on-times go through the small search.
const SMALL_PULSES: f32 = 6.0;

/// Turning an axis is never free, kg per rad/s.
const LEAST_PRICE: f32 = 1e-12;
/// Turns that have a price: three axes, two ways.
const TURNS: u8 = 6;

/// What prices of a hold belong to, and which of them are due.
#[derive(Clone, Copy, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
// In this order, so that wide registers that take one number more than a vector has find a float there.
#[repr(C)]
pub(crate) struct Prices {
    /// Disturbance that they belong to.
    disturbance_rad_s2: Vec3,
    /// What a rate change against the standing disturbance is worth, kg per rad/s.
    standing: Vec3,
    /// Jets that they belong to.
    jets: JetMask,
    /// Whether the standing price is due, and whether a firing has been put off for it.
    standing_due: bool,
    put_off: bool,
    /// Turns whose price is due, and the one that is next.
    turns_due: u8,
    next: u8,
}

impl Prices {
    /// All prices are due.
    fn start_anew(&mut self, disturbance_rad_s2: Vec3, jets: JetMask) {
        (self.disturbance_rad_s2, self.jets) = (disturbance_rad_s2, jets);
        (self.standing_due, self.turns_due) = (true, TURNS);
        if disturbance_rad_s2.dot(disturbance_rad_s2) == 0.0 {
            self.stand(Vec3::ZERO);
        }
    }

    /// Whether a firing waits a cycle for the standing price, which is a selection of its own. Only once: a price that
    /// is due again at once, or while jets are open, must do as it was.
    fn puts_off(&mut self, firing_on: bool) -> bool {
        self.put_off = self.standing_due && !firing_on && !self.put_off;
        self.put_off
    }

    fn is_any_due(&self) -> bool {
        self.standing_due || self.turns_due > 0
    }

    fn stand(&mut self, price: Vec3) {
        (self.standing, self.standing_due) = (price, false);
    }

    /// The axis and the side (0 raises its rate, 1 lowers it) whose price is worked out now, if one is due.
    fn next_turn(&mut self) -> Option<(usize, usize)> {
        self.turns_due = self.turns_due.checked_sub(1)?;
        let turn = usize::from(self.next);
        self.next = (self.next + 1) % TURNS;
        Some((turn / 2, turn % 2))
    }
}

impl<const N: usize> Controller<N> {
    /// Ticks and status of one cycle of attitude hold: what a quiet one does is short, and the rest stands aside.
    #[inline(always)]
    pub(crate) fn hold(
        &mut self,
        open_tick: u32,
        (motion, error_rad): (&Motion, Vec3),
        deadband: &Deadband,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        let cycle_s = self.table.timing.cycle_s();
        let disturbance = self.disturbance();
        // What pulses still acting will bring counts as if it were there: nothing is fired for twice.
        let owed = self.owed_rate(open_tick);
        let now = Situation {
            angle_rad: error_rad,
            rate_rad_s: motion.rate_rad_s + owed,
            drift_rad_s2: disturbance + gyroscopic(motion.rate_rad_s, &self.stack),
        };
        let firing_on = self.open_at(open_tick) != JetMask::NONE;
        self.note_prices(disturbance, usable);
        // Turned round as soon as an edge is met: turning before it would cost periods.
        if !firing_on && !hold::must_fire(&now, deadband, 0.0, cycle_s) {
            if self.prices.is_any_due() {
                self.price_next(disturbance, usable, witness);
            }
            return ([0; N], Status::Quiet);
        }
        self.settle(open_tick, &now, deadband, disturbance, usable, witness)
    }

    /// Works out a price if one is due: for a cycle that has nothing else to select.
    pub(crate) fn price_if_due(&mut self, standing: Vec3, usable: JetMask, witness: &mut impl Witness) {
        if self.prices.is_any_due() {
            self.price_next(standing, usable, witness);
        }
    }

    /// Ticks and status of a firing that settles every axis that must be turned round.
    ///
    /// * `standing` — push that prices belong to, rad/s².
    #[inline(never)]
    pub(crate) fn settle(
        &mut self,
        open_tick: u32,
        now: &Situation,
        deadband: &Deadband,
        standing: Vec3,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        let cycle_s = self.table.timing.cycle_s();
        let firing_on = self.open_at(open_tick) != JetMask::NONE;
        // One selection a cycle.
        if self.prices.puts_off(firing_on) {
            self.price_next(standing, usable, witness);
            return ([0; N], Status::Quiet);
        }
        let standing_price = self.prices.standing;
        let steady = standing_price != Vec3::ZERO;
        let demand = hold::settle(now, deadband, &self.bits, cycle_s, steady);
        let longest_s = HOLD_CYCLES * cycle_s;
        let posed = self.pose_angular(demand, standing_price, usable, longest_s, witness);
        let (on_ticks, status) = self.shaped(&posed.answer.on_time, posed.answer.outcome, open_tick);
        let on_ticks = if status == Status::Firing && !firing_on {
            let judge = Judge {
                jets: &self.table.jets,
                effects: self.effectiveness.effects(),
                waste: &posed.price,
                usable,
                timing: &self.table.timing,
                shared: &self.table.shared,
                now,
                deadband,
                outlook: &hold::Outlook::new(now, deadband, &self.bits),
                demand: &demand,
            };
            self.cheapest(&judge, &posed, on_ticks)
        } else {
            on_ticks
        };
        quiet_if_idle((on_ticks, status))
    }

    /// The answer rounded, or one or two pulses where those are cheaper and the answer is small.
    fn cheapest(&self, judge: &Judge, posed: &Posed<N>, rounded: [u16; N]) -> [u16; N] {
        let timing = &self.table.timing;
        let small = self
            .table
            .jets
            .iter()
            .zip(&posed.answer.on_time)
            .all(|(jet, &t)| t < SMALL_PULSES * pulse::acting_time(jet.minimum_on_ticks, jet, timing));
        if !small {
            return rounded;
        }
        let Some(pulses) = judge.smallest(judge.cost_of(&rounded)) else { return rounded };
        let mut on_ticks = [0; N];
        for (j, ticks) in pulses {
            if let Some(slot) = on_ticks.get_mut(j).filter(|_| ticks > 0) {
                *slot = ticks;
            }
        }
        on_ticks
    }

    /// Notes that prices must be worked out anew when the disturbance or the usable jets have changed.
    #[inline(always)]
    pub(crate) fn note_prices(&mut self, disturbance: Vec3, usable: JetMask) {
        if usable != self.prices.jets {
            self.measure_bits(usable);
            self.prices.start_anew(disturbance, usable);
        }
        let change = disturbance - self.prices.disturbance_rad_s2;
        let allowed = STANDING_CHANGE * STANDING_CHANGE * disturbance.dot(disturbance);
        if change.dot(change) > allowed {
            self.prices.start_anew(disturbance, usable);
        }
    }

    /// Works out the next price that is due: what a rate change against the standing disturbance is worth, then what
    /// turning each axis alone wastes. One at a time, for each is a selection; until then the old ones serve.
    #[inline(never)]
    fn price_next(&mut self, disturbance: Vec3, usable: JetMask, witness: &mut impl Witness) {
        if self.prices.standing_due {
            // One cycle's worth of the disturbance, taken away.
            let cycle_s = self.table.timing.cycle_s();
            let want = Demand::point((-disturbance * cycle_s).0);
            let answer = self.pose_angular(want, Vec3::ZERO, usable, cycle_s, witness).answer;
            let exact = answer.outcome == Outcome::Exact;
            self.prices.stand(if exact { Vec3(answer.multipliers) } else { Vec3::ZERO });
        } else if let Some((axis, side)) = self.prices.next_turn() {
            let sign = if side == 0 { 1.0 } else { -1.0 };
            let price = self.turn_price(axis, sign, usable, witness);
            if let Some(into) = self.bits.get_mut(axis).and_then(|bit| bit.turn_price.get_mut(side)) {
                *into = price;
            }
        }
    }

    /// Waste of turning one axis alone by one bit, kg per rad/s; never zero.
    fn turn_price(&mut self, axis: usize, sign: f32, usable: JetMask, witness: &mut impl Witness) -> f32 {
        let bit = self.bits.get(axis).map_or(0.0, |bit| bit.rate_rad_s);
        let mut want = Vec3::ZERO;
        want[axis] = sign * bit;
        let demand = Demand::point(want.0);
        let longest_s = HOLD_CYCLES * self.table.timing.cycle_s();
        let posed = self.pose_angular(demand, self.prices.standing, usable, longest_s, witness);
        let mut waste_kg = 0.0;
        for (t, price) in posed.answer.on_time.iter().zip(&posed.price) {
            waste_kg += t * price;
        }
        math::max(waste_kg / math::max(bit, hold::LEAST_RATE_RAD_S), LEAST_PRICE)
    }
}
