//! What an accelerometer says of pushes: its counts as changes of velocity of the centre of mass, less what it counts when
//! nothing pushes.
//!
//! At a place `r` from the centre of mass the instrument also feels the stack turn: `ω̇ × r` adds up to the change of `ω × r`, and
//! `ω × (ω × r)` goes on as long as the stack turns (rigid-body kinematics; any textbook). Both are taken off with the
//! estimated rate. What is left while neither a jet nor the engine acts is the instrument's bias, and whatever else pushes: neither counts as a
//! push.

use crate::controller::Controller;
use crate::cycle::VelocitySample;
use crate::ledger::{seconds, ticks_between};
use crate::linalg::Vec3;
use crate::math;
use crate::pending::Pending;

/// The bias is learnt over about this time, s.
const LEARNING_S: f32 = 100.0;
/// A count that changes by more between two samples has begun anew, m/s.
const BEGUN_ANEW_M_S: f32 = 30.0;

/// What is kept of an accelerometer.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Counted {
    /// Newest count, less what turning adds to it, body axes, m/s.
    count_m_s: Vec3,
    /// Tick at which it was true.
    tick: u32,
    /// What is counted while nothing pushes, body axes, m/s².
    bias_m_s2: Vec3,
    /// For how long the bias has been learnt, s; negative before the first count.
    learnt_s: f32,
}

/// A change of velocity that was counted.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Change {
    /// From and to these ticks.
    pub(crate) ticks: (u32, u32),
    /// Body axes in the middle of that time, m/s.
    pub(crate) change_m_s: Vec3,
}

impl Counted {
    /// Nothing counted yet.
    pub(crate) const NOTHING: Self =
        Self { count_m_s: Vec3::ZERO, tick: 0, bias_m_s2: Vec3::ZERO, learnt_s: -1.0 };
}

impl<const N: usize> Controller<N> {
    /// Takes in a count; the change of velocity since the last one.
    ///
    /// A count that is not finite, no newer than the last one, from the future or older than the table's limit is refused, and so is
    /// one before which the count has begun anew: what was pushed in between is then known by what was fired alone.
    #[inline(never)]
    pub(crate) fn see_velocity(&mut self, sample: &VelocitySample, now: u32) -> Option<Change> {
        let observer = self.observer.as_ref()?;
        let count = Vec3(sample.counted_m_s.map(math::without_dust));
        let place_m = self.table.accelerometer.place_m;
        let young = !self.too_old(ticks_between(sample.tick, now));
        if !(sample.valid && count.is_finite() && self.table.accelerometer.is_told() && young) {
            return None;
        }
        let rate = observer.motion().rate_rad_s;
        let turned = |vector: Vec3| Vec3(vector.0.map(math::settled));
        let arm = turned(rate.cross(place_m - self.stack.centre_of_mass_m()));
        let timing = &self.table.timing;
        let Counted { count_m_s: before, tick, bias_m_s2, learnt_s } = self.counted;
        let span_s = seconds(ticks_between(tick, sample.tick), timing.tick_s);
        let is_first = learnt_s < 0.0;
        if !is_first && !(span_s > 0.0) {
            return None;
        }
        let count = count - arm;
        let sensed = count - before - turned(rate.cross(arm)) * span_s;
        (self.counted.count_m_s, self.counted.tick) = (count, sample.tick);
        self.counted.learnt_s = math::max(learnt_s, 0.0);
        if is_first || sensed.dot(sensed) > BEGUN_ANEW_M_S * BEGUN_ANEW_M_S {
            return None;
        }
        if !self.acts_between(tick, sample.tick) {
            let learnt_s = math::min(learnt_s + span_s, LEARNING_S);
            let error = sensed * (1.0 / span_s) - bias_m_s2;
            self.counted.bias_m_s2 = Vec3((bias_m_s2 + error * (span_s / learnt_s)).0.map(math::settled));
            self.counted.learnt_s = learnt_s;
        }
        Some(Change { ticks: (tick, sample.tick), change_m_s: sensed - bias_m_s2 * span_s })
    }

    /// Whether a jet or the engine acts between two ticks, by the books.
    fn acts_between(&self, from: u32, to: u32) -> bool {
        if matches!(&self.pending, Pending::Burn(burning) if burning.may_act()) {
            return true;
        }
        let effects = self.effectiveness.effects();
        self.ledger.pushed(from, to, &self.table.jets, effects, &self.table.timing) != Vec3::ZERO
    }
}
