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

/// Spells of quiet count as the cube of their length, for so much surer is the slope of a longer line; what was learnt before
/// counts as a spell of this length at most, s.
const REMEMBERED_S: f32 = 300.0;
/// Counts of one spell that its line is laid through with equal weight; later ones count like the last of these.
const LINE_COUNTS: u16 = 2_500;
/// A line of so many counts tells their noise, which is averaged with this gain.
const SETTLED_COUNTS: u16 = 20;
const NOISE_GAIN: f32 = 0.02;
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
    /// What is counted while nothing pushes, body axes, m/s², and the cube of the time that it was learnt in, s³.
    bias_m_s2: Vec3,
    learnt_s3: f32,
    /// Counts in the present spell of quiet, one more than that; 0 before the first count of all.
    counts: u16,
    /// The line through them: its end, m/s, and its slope, m/s².
    line_m_s: Vec3,
    slope_m_s2: Vec3,
    /// Mean square of what a count is off the line, per axis, (m/s)².
    noise_m2_s2: f32,
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
    pub(crate) const NOTHING: Self = Self {
        count_m_s: Vec3::ZERO,
        tick: 0,
        bias_m_s2: Vec3::ZERO,
        learnt_s3: 0.0,
        counts: 0,
        line_m_s: Vec3::ZERO,
        slope_m_s2: Vec3::ZERO,
        noise_m2_s2: 0.0,
    };

    /// Noise of a count, one sigma per axis, m/s.
    pub(crate) fn noise_m_s(&self) -> f32 {
        math::sqrt(self.noise_m2_s2)
    }

    /// A count in a spell of quiet: least squares of a line, count by count.
    fn go_on_quiet(&mut self, count_m_s: Vec3, span_s: f32) {
        // Growing-memory filter of first order (least squares; for example Brookner, *Tracking and Kalman Filtering Made Easy*, 1998;
        // gains from memory): the count is number `n` of its line.
        let n = f32::from(self.counts) + 1.0;
        let (place, slope) = (2.0 * (2.0 * n - 1.0) / (n * (n + 1.0)), 6.0 / (n * (n + 1.0) * span_s));
        let error = count_m_s - self.line_m_s - self.slope_m_s2 * span_s;
        let clean = |vector: Vec3| Vec3(vector.0.map(math::settled));
        self.line_m_s = clean(self.line_m_s + self.slope_m_s2 * span_s + error * place);
        self.slope_m_s2 = clean(self.slope_m_s2 + error * slope);
        if self.counts > SETTLED_COUNTS {
            let off = error.dot(error) * (1.0 / 3.0) - self.noise_m2_s2;
            self.noise_m2_s2 = math::settled(self.noise_m2_s2 + off * NOISE_GAIN);
        }
        self.counts = (self.counts + 1).min(LINE_COUNTS);
    }

    /// The spell is over: what it has taught goes into the bias.
    fn end_quiet(&mut self, span_s: f32) {
        let spell_s = f32::from(self.counts) * span_s;
        let weight = if self.counts > 2 { spell_s * spell_s * spell_s } else { 0.0 };
        self.bias_m_s2 = self.bias(weight);
        let most = REMEMBERED_S * REMEMBERED_S * REMEMBERED_S;
        self.learnt_s3 = math::min(self.learnt_s3 + weight, most);
    }

    /// The bias with a spell of this weight, s³, body axes, m/s².
    fn bias(&self, weight: f32) -> Vec3 {
        let share = if weight > 0.0 { weight / (self.learnt_s3 + weight) } else { 0.0 };
        self.bias_m_s2 + (self.slope_m_s2 - self.bias_m_s2) * share
    }
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
        let Counted { count_m_s: before, tick, counts, .. } = self.counted;
        let span_s = seconds(ticks_between(tick, sample.tick), timing.tick_s);
        let is_first = counts == 0;
        if !is_first && !(span_s > 0.0) {
            return None;
        }
        let count = count - arm;
        let sensed = count - before - turned(rate.cross(arm)) * span_s;
        (self.counted.count_m_s, self.counted.tick) = (count, sample.tick);
        if is_first || sensed.dot(sensed) > BEGUN_ANEW_M_S * BEGUN_ANEW_M_S {
            (self.counted.counts, self.counted.line_m_s, self.counted.slope_m_s2) = (1, count, Vec3::ZERO);
            return None;
        }
        // The tail of a pulse goes on a little beyond what the books say.
        let cycle_ticks = u32::from(self.table.timing.cycle_ticks);
        if !self.acts_between(tick.wrapping_sub(cycle_ticks), sample.tick) {
            self.counted.go_on_quiet(count, span_s);
        } else {
            if self.counted.counts > 1 {
                self.counted.end_quiet(span_s);
            }
            (self.counted.counts, self.counted.line_m_s) = (1, count);
            self.counted.slope_m_s2 = self.counted.bias_m_s2;
        }
        let bias = self.counted.bias_m_s2;
        Some(Change { ticks: (tick, sample.tick), change_m_s: sensed - bias * span_s })
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
