//! A watch on the rhythm of firings: do they keep meeting a bending mode in step?
//!
//! Firings about an axis are in step with a mode when the second adds to the swing that the first left: whole periods
//! between their openings where they go the same way, half a period more or less where they go opposite ways, both within 30
//! degrees, as long as damping has left half of it. Firings at random are in step once in six times; several in a row are a
//! rhythm ([`Status::Rhythm`]).
//!
//! The periods are those of the told frequency: across `n` of them, 30 degrees are an error of `1/(12 n)` of it.

use crate::bending::{BendingMode, MODES};
use crate::controller::{Controller, worse};
use crate::jet::JetMask;
use crate::ledger::{seconds, ticks_between};
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::status::Status;

/// Pairs of firings in step, one after another, that make a rhythm.
const RHYTHM: u8 = 5;
/// Part of a period within which two firings are in step: 30 degrees.
const IN_STEP: f32 = 1.0 / 12.0;
/// A firing is about the axes on which it changes the rate by this share of its largest change.
const ABOUT_SHARE: f32 = 0.3;
/// What fires again within this part of a period is one firing to the mode.
const ANOTHER_PERIODS: f32 = 0.25;
/// Damping ratio times angle, rad, that leaves half a swing: ln 2.
const HALF_LEFT: f32 = core::f32::consts::LN_2;
/// After so many periods nothing is known of a phase.
const LOST_PERIODS: f32 = 1_000.0;

/// Newest firings about each body axis, and how many before them were in step.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Rhythm {
    axes: [Beat; 3],
}

/// The newest firing about an axis.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Beat {
    /// Tick at which it opened.
    tick: u32,
    /// Whether it raised the rate; `None` before the first.
    raises: Option<bool>,
    /// Pairs in step so far, one after another, with each mode.
    in_step: [u8; MODES],
}

impl Rhythm {
    pub(crate) const NONE: Self = Self { axes: [Beat { tick: 0, raises: None, in_step: [0; MODES] }; 3] };

    /// Takes in a firing; whether it keeps up a rhythm.
    ///
    /// * `change_rad_s` — the rate change, body axes; `tick` — at which its pulses open.
    fn take(&mut self, modes: &[BendingMode; MODES], change_rad_s: Vec3, (tick, tick_s): (u32, f32)) -> bool {
        let largest = change_rad_s.0.iter().fold(0.0, |top, x| math::max(x.abs(), top));
        let mut keeps = false;
        for (beat, change) in self.axes.iter_mut().zip(change_rad_s.0) {
            if change.abs() > 0.0 && change.abs() >= ABOUT_SHARE * largest {
                keeps |= beat.follow(modes, change > 0.0, (tick, tick_s));
            }
        }
        keeps
    }
}

impl Beat {
    /// Goes on to the next firing about its axis; whether that keeps up a rhythm.
    fn follow(&mut self, modes: &[BendingMode; MODES], raises: bool, (tick, tick_s): (u32, f32)) -> bool {
        let since_s = seconds(ticks_between(self.tick, tick), tick_s);
        self.tick = tick;
        let Some(before) = self.raises.replace(raises) else { return false };
        let half = if before == raises { 0.0 } else { 0.5 };
        let mut keeps = false;
        for (count, mode) in self.in_step.iter_mut().zip(modes) {
            let periods = mode.frequency_hz * since_s;
            if (0.0..ANOTHER_PERIODS).contains(&periods) {
                continue;
            }
            let damping_ratio = math::without_dust(mode.damping_ratio);
            let left = damping_ratio * core::f32::consts::TAU * periods <= HALF_LEFT;
            *count = if left && is_whole(periods + half) { count.saturating_add(1) } else { 0 };
            keeps |= *count >= RHYTHM;
        }
        keeps
    }
}

/// Whether a number of periods is whole, as far as that goes.
fn is_whole(periods: f32) -> bool {
    let nearest = math::from_ticks(math::whole_ticks(periods + 0.5, u16::MAX));
    (0.0..=LOST_PERIODS).contains(&periods) && (periods - nearest).abs() <= IN_STEP
}

impl<const N: usize> Controller<N> {
    /// The status of a cycle that may fire: that it keeps up a rhythm with a told mode, where that is worse.
    #[inline(never)]
    pub(crate) fn in_rhythm(&mut self, open_tick: u32, on_ticks: &[u16; N], status: Status) -> Status {
        let told = self.table.bending.iter().any(BendingMode::is_told);
        // What goes on through an edge has been judged when it opened.
        if !told || self.open_at(open_tick) != JetMask::NONE || on_ticks.iter().all(|&ticks| ticks == 0) {
            return status;
        }
        let tick_s = self.table.timing.tick_s;
        let mut change = Vec3::ZERO;
        let known = self.table.jets.iter().zip(self.effectiveness.effects()).zip(on_ticks);
        for ((jet, effect), &ticks) in known {
            change = change + effect.turn_rad_s2 * pulse::acting_time(ticks, jet, &self.table.timing);
        }
        let keeps = self.rhythm.take(&self.table.bending, change, (open_tick, tick_s));
        if keeps { worse(status, Status::Rhythm) } else { status }
    }
}
