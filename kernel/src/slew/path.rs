//! The path of a slew: where the stack should be at which moment, and how fast it should turn.
//!
//! Four legs follow each other: coasting while the path is planned, a change of rate at a steady acceleration, a coast, and
//! braking at a steady one. In the coast the rate either stands still in the body, which takes the gyroscopic torque all the way
//! (a turn about the eigenaxis), or is left to Euler's equations (the body precesses, and the jets are quiet).

use crate::ledger::seconds;
use crate::linalg::Vec3;
use crate::mass_properties::MassProperties;
use crate::math;
use crate::observer::{Motion, gyroscopic};

/// A step of a free coast turns the stack by about this much, rad: the steps' error is then under 1e-5 rad in a turn.
const STEP_RAD: f32 = 0.1;
/// Most steps of one stretch of a free coast.
const MOST_STEPS: u16 = 32;

/// A leg of a slew.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) enum Leg {
    /// Coasting freely while the path is planned.
    Wait,
    /// From the rate at the start to that of the coast.
    Rise,
    Coast,
    /// From the rate that the coast ends with to none.
    Fall,
    /// There.
    Over,
}

/// How long each leg takes, and what the stack is to do in it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Path {
    /// Lengths of the wait, the rise, the coast and the fall, ticks.
    pub(crate) legs: [u32; 4],
    /// Body rate at the end of the rise, rad/s.
    pub(crate) rate_rad_s: Vec3,
    /// Whether the coast is left to Euler's equations.
    pub(crate) precesses: bool,
}

/// A point of a path.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Mark {
    /// Where the stack should be.
    pub(crate) motion: Motion,
    /// Since the path began, ticks.
    pub(crate) at: u32,
}

impl Path {
    /// A wait, and nothing planned yet.
    pub(crate) const fn waiting(ticks: u32) -> Self {
        Self { legs: [ticks, 0, 0, 0], rate_rad_s: Vec3::ZERO, precesses: false }
    }

    /// Length of the path, ticks.
    pub(crate) fn length(&self) -> u32 {
        self.legs.iter().fold(0, |sum: u32, leg| sum.saturating_add(*leg))
    }

    /// The leg that goes on at a moment of the path, ticks since its start.
    pub(crate) fn leg_at(&self, at: u32) -> Leg {
        let mut end = 0_u32;
        for (leg, length) in LEGS.into_iter().zip(self.legs) {
            end = end.saturating_add(length);
            if at < end {
                return leg;
            }
        }
        Leg::Over
    }

    /// Moves a mark on along the path, over the edges of its legs where need be.
    pub(crate) fn advance(&self, mark: &mut Mark, ticks: u32, tick_s: f32, stack: &MassProperties) {
        let (mut left, mut end) = (ticks, 0_u32);
        for (leg, length) in LEGS.into_iter().zip(self.legs) {
            end = end.saturating_add(length);
            let ahead = end.saturating_sub(mark.at);
            let now = if left < ahead { left } else { ahead };
            if now > 0 {
                let (span_s, ahead_s) = (in_seconds(now, tick_s), in_seconds(ahead, tick_s));
                let share = if now == ahead { 1.0 } else { span_s / ahead_s };
                self.step(&mut mark.motion, leg, (span_s, share), stack);
                (mark.at, left) = (mark.at + now, left - now);
            }
        }
        mark.at = mark.at.saturating_add(left);
    }

    /// One stretch within a leg: so many seconds, which are a share of what is left of it.
    fn step(&self, motion: &mut Motion, leg: Leg, (span_s, share): (f32, f32), stack: &MassProperties) {
        let before = motion.rate_rad_s;
        match leg {
            Leg::Wait => coast_freely(motion, span_s, stack),
            Leg::Coast if self.precesses => coast_freely(motion, span_s, stack),
            Leg::Rise => turn_evenly(motion, before + (self.rate_rad_s - before) * share, span_s),
            Leg::Fall => turn_evenly(motion, before - before * share, span_s),
            Leg::Coast => turn_evenly(motion, before, span_s),
            Leg::Over => {}
        }
    }
}

const LEGS: [Leg; 4] = [Leg::Wait, Leg::Rise, Leg::Coast, Leg::Fall];

/// Ticks as seconds; beyond half the clock's range, that.
pub(crate) fn in_seconds(ticks: u32, tick_s: f32) -> f32 {
    seconds(i32::try_from(ticks).unwrap_or(i32::MAX), tick_s)
}

/// A turn during which the body rate changes evenly.
fn turn_evenly(motion: &mut Motion, end_rad_s: Vec3, span_s: f32) {
    let start = motion.rate_rad_s;
    // To the fourth order, as below: the middle rate is the mean of both ends.
    let turn = (start + end_rad_s) * (0.5 * span_s) + start.cross(end_rad_s) * (span_s * span_s / 12.0);
    *motion = Motion { attitude: motion.attitude.turned_by(turn), rate_rad_s: end_rad_s };
}

/// A coast without torque: Euler's equations by the classical fourth-order Runge-Kutta step, the attitude by Magnus's
/// series to the same order (Simpson's rule and one commutator; see Iserles and others, *Lie-group methods*, Acta Numerica 9,
/// 2000, sec. 4, section number from memory).
fn coast_freely(motion: &mut Motion, span_s: f32, stack: &MassProperties) {
    let turn_rad = motion.rate_rad_s.norm() * span_s;
    let steps = math::whole_ticks(turn_rad * (1.0 / STEP_RAD), MOST_STEPS - 1) + 1;
    let h = span_s / math::from_ticks(steps);
    for _ in 0..steps {
        let start = motion.rate_rad_s;
        let slope = |rate: Vec3| gyroscopic(rate, stack);
        let k1 = slope(start);
        let k2 = slope(start + k1 * (0.5 * h));
        let k3 = slope(start + k2 * (0.5 * h));
        let k4 = slope(start + k3 * h);
        let end = start + (k1 + (k2 + k3) * 2.0 + k4) * (h / 6.0);
        // At the middle, by Hermite's cubic through both ends and their slopes.
        let middle = (start + end) * 0.5 + (k1 - slope(end)) * (0.125 * h);
        let turn = (start + middle * 4.0 + end) * (h / 6.0) + start.cross(end) * (h * h / 12.0);
        *motion =
            Motion { attitude: motion.attitude.turned_by(turn), rate_rad_s: Vec3(end.0.map(math::settled)) };
    }
}
