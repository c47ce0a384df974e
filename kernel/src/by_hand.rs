//! Turning by a hand controller, and holding what it leaves alone.
//!
//! An axis that is deflected turns at the rate asked for; its angle is the pilot's. The others hold the attitude that they
//! had, about a reference that turns with the deflected ones. On release an axis first loses its rate and then holds the
//! attitude it has come to. Every change of rate is selected for all three axes at once, so that none of it goes
//! into the axes that should stay put.

use crate::command::{Hand, HandDemand};
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::hold::{self, Situation};
use crate::jet::JetMask;
use crate::ledger::{seconds, ticks_between};
use crate::linalg::Vec3;
use crate::math;
use crate::modes::{Fired, Kept};
use crate::observer::{Motion, gyroscopic};
use crate::posing::quiet_if_idle;
use crate::quaternion::UnitQuaternion;
use crate::selection::{Demand, Outcome};
use crate::status::Status;

/// While one axis turns, any may miss its rate by so many smallest bits of its own, or by [`MISSED`] of what is asked for.
const MISSED_BITS: f32 = 1.0;
const MISSED: f32 = 0.01;
/// How exactly rates are asked for, in smallest bits: those of turning axes, and of held ones.
const EXACT: f32 = 0.25;
const PUT: f32 = 0.5;

/// What is kept from cycle to cycle.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct ByHand {
    /// Attitude that held axes are held about, and its tick; none before the first cycle.
    reference: Option<(UnitQuaternion, u32)>,
    /// Rate at which it turns, body axes, rad/s.
    rate_rad_s: Vec3,
    /// Axes that turn, or have not lost their rate yet.
    turning: [bool; 3],
    /// Axes that the controller held out of its dead zone.
    deflected: [bool; 3],
}

impl ByHand {
    /// Nothing asked for yet.
    pub(crate) const START: Self =
        Self { reference: None, rate_rad_s: Vec3::ZERO, turning: [false; 3], deflected: [false; 3] };
}

impl<const N: usize> Controller<N> {
    /// One cycle by hand.
    #[inline(never)]
    pub(crate) fn fly_by_hand(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        hand: &Hand,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        match hand.asks_for {
            HandDemand::Rate => self.turn_by_hand(open_tick, motion, hand, usable, witness),
            HandDemand::Bit => self.nudge_by_hand(open_tick, hand, usable, witness),
        }
    }

    /// One smallest firing for each new deflection.
    fn nudge_by_hand(
        &mut self,
        open_tick: u32,
        hand: &Hand,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        self.note_prices(self.disturbance(), usable);
        let asked = hand.rate_rad_s();
        let mut change = Vec3::ZERO;
        let mut by_hand = self.kept.by_hand();
        let axes = change.0.iter_mut().zip(&mut by_hand.deflected).zip(asked.0.iter().zip(&self.bits));
        for ((change, was_deflected), (asked, bit)) in axes {
            let deflected = *asked != 0.0;
            if deflected && !*was_deflected {
                *change = if *asked < 0.0 { -bit.rate_rad_s } else { bit.rate_rad_s };
            }
            *was_deflected = deflected;
        }
        self.kept = Kept::ByHand(by_hand);
        if change != Vec3::ZERO {
            self.pending.forget_choice();
            self.owed.add(change);
        }
        if self.owed.is_done() {
            return ([0; N], Status::Drifting, Vec3::ZERO);
        }
        let (ticks, status) = self.work_off(open_tick, usable, witness);
        (ticks, status, Vec3::ZERO)
    }

    /// Rates as asked for, the rest held.
    fn turn_by_hand(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        hand: &Hand,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        self.note_prices(self.disturbance(), usable);
        let asked = hand.rate_rad_s();
        let firing_on = self.open_at(open_tick) != JetMask::NONE;
        let rate = motion.rate_rad_s + self.owed_rate(open_tick) - asked;
        let mut by_hand = self.kept.by_hand();
        let mut error_rad = self.error_by_hand(&by_hand, open_tick, motion);
        let mut hurries = false;
        let axes = by_hand.turning.iter_mut().zip(&mut error_rad.0).zip(&self.bits);
        for (((turning, error), bit), (rate, asked)) in axes.zip(rate.0.iter().zip(&asked.0)) {
            let misses = rate.abs() > math::max(MISSED_BITS * bit.rate_rad_s, MISSED * asked.abs());
            *turning = *asked != 0.0 || (*turning && (misses || firing_on));
            if *turning {
                *error = 0.0;
            }
            hurries |= misses;
        }
        let turning = by_hand.turning;
        let reference = match by_hand.reference {
            // Nothing is added to a reference that stands.
            Some((standing, _)) if turning == [false; 3] && by_hand.rate_rad_s == Vec3::ZERO => standing,
            _ => motion.attitude.turned_by(-error_rad),
        };
        (by_hand.reference, by_hand.rate_rad_s) = (Some((reference, open_tick)), asked);
        self.kept = Kept::ByHand(by_hand);
        if turning == [false; 3] {
            let (ticks, status) = self.hold(open_tick, (motion, error_rad), &hand.deadband, usable, witness);
            return (ticks, status, error_rad);
        }
        let drift = self.disturbance() + gyroscopic(motion.rate_rad_s, &self.stack);
        let held = |mut vector: Vec3| {
            for (value, _) in vector.0.iter_mut().zip(turning).filter(|(_, turning)| *turning) {
                *value = 0.0;
            }
            vector
        };
        let now = Situation { angle_rad: error_rad, rate_rad_s: held(rate), drift_rad_s2: held(drift) };
        let cycle_s = self.table.timing.cycle_s();
        let leaves = hold::must_fire(&now, &hand.deadband, 0.0, cycle_s);
        if !(hurries || leaves || firing_on) {
            return ([0; N], Status::Quiet, error_rad);
        }
        let settled = hold::settle(&now, &hand.deadband, &self.bits, cycle_s, false);
        let mut demand = Demand::point([0.0; 3]);
        let edges = demand.low.iter_mut().zip(&mut demand.high).zip(settled.low.iter().zip(&settled.high));
        let axes = rate.0.iter().zip(turning).zip(&self.bits);
        for (((low, high), (settled_low, settled_high)), ((rate, turning), bit)) in edges.zip(axes) {
            (*low, *high) = if leaves && !turning {
                (*settled_low, *settled_high)
            } else {
                // What a held axis has been turned by, or turned at before, goes with this firing.
                let room = if turning { EXACT } else { PUT } * bit.rate_rad_s;
                (-rate - room, -rate + room)
            };
        }
        let (rounded, status, multipliers) = self.rounded_turn(open_tick, &demand, usable, witness);
        // The last firing of a change decides how still the others are.
        let on_ticks = match multipliers {
            Some(multipliers) => self.turn_in_whole_ticks(open_tick, &demand, usable, &multipliers),
            None => rounded,
        };
        let (on_ticks, status) = quiet_if_idle((on_ticks, status));
        (on_ticks, status, error_rad)
    }

    /// A rate change, rad/s, in ticks rounded one by one, with the status; and the multipliers where it is brought in full.
    ///
    /// By itself, so that what a selection takes of the stack is given back before whole ticks are sought.
    #[inline(never)]
    fn rounded_turn(
        &mut self,
        open_tick: u32,
        demand: &Demand<3>,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status, Option<[f32; 3]>) {
        let cycle_s = self.table.timing.cycle_s();
        let answer = self.pose_angular(*demand, Vec3::ZERO, usable, cycle_s, witness).answer;
        let (rounded, status) = self.shaped(&answer.on_time, answer.outcome, open_tick);
        (rounded, status, (answer.outcome == Outcome::Exact).then_some(answer.multipliers))
    }

    /// Attitude error from the reference where it has turned to by now, rad.
    fn error_by_hand(&self, by_hand: &ByHand, open_tick: u32, motion: &Motion) -> Vec3 {
        let Some((reference, tick)) = by_hand.reference else { return Vec3::ZERO };
        let span_s = seconds(ticks_between(tick, open_tick), self.table.timing.tick_s);
        motion.attitude.error_from(reference.turned_by(by_hand.rate_rad_s * span_s))
    }
}
