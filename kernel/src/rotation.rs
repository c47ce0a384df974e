//! Slow rotation: set up about a free axis, then left alone, and watched.
//!
//! **Setting up.** The change of rate is planned as a whole at the least price, and each cycle does the same share of all of
//! it, as damping does. What fits into one cycle waits until the filter has settled, and is then chosen in whole ticks like an
//! open-loop demand ([`crate::open_loop`]): nutation of a degree is less than what one smallest bit makes, and is taken out
//! with jets against each other whose on-times differ. Such a firing waits for no better moment, although nutation brings the
//! rate across the axis to where another jet takes it out: all of these firings together cost a few hundredths of the set-up.
//!
//! **Coasting.** No jet opens until the rate, the nutation or the direction of the angular momentum in inertial space is beyond
//! its limit. Limits that the smallest firings, or the noise, cannot meet are widened to what was reached, so that a rotation that nothing
//! disturbs is left alone in any case.
//!
//! **Foreseeing.** The direction strays from where it was when the rotation was set up; `v` of the line `v·t` through that
//! start is kept by least squares over the whole coast, with the gain `3·Δt/t²`: noise, and what a
//! gravity gradient does within a turn and within an orbit, average out. The rotation must be set up again when the line meets
//! the limit, if the average goes on. After that the direction that there is counts: nothing turns the axis back.

use crate::command::Rotation;
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::jet::JetMask;
use crate::ledger::{seconds, ticks_between};
use crate::linalg::Vec3;
use crate::math;
use crate::modes::{Fired, Kept, UNHURRIED_S, WELL_WITHIN};
use crate::observer::Motion;
use crate::posing::longest;
use crate::principal::FreeAxis;
use crate::selection::{Demand, Outcome};
use crate::status::Status;

/// So long the filter is left to itself after a firing before its rate is judged, s.
const SETTLING_S: f32 = 40.0;
/// Most firings in whole ticks of one set-up: what is left then is left.
const MOST_FIRINGS: u8 = 6;
/// Nutation is averaged over about this time, s: noise of the rate that is many times as fast is not to end a coast.
const AVERAGING_S: f32 = 100.0;
/// Limits that cannot be met are widened to so many times what was reached.
const WIDENED: f32 = 2.0;
/// A line that takes more than so many times the coast so far to meet the limit says nothing: after a whole turn, over which
/// noise averages out, and before.
const FAR: f32 = 20.0;
const FAR_AT_FIRST: f32 = 4.0;
/// Longest coast that is reckoned with, ticks: half of what the clock can tell.
const LONGEST_COAST: i32 = 1 << 30;

/// Where a rotation stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Stage {
    /// The rate is brought to what is wanted, but for what fits into one cycle.
    Changing,
    /// What is left is taken out in whole ticks, after so many firings.
    Trimming(u8),
    /// Left alone.
    Coasting,
}

/// What is kept from cycle to cycle.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Rotating {
    stage: Stage,
    /// Tick of the last firing, or of the start of the coast.
    since: u32,
    /// Direction of the angular momentum at that start, inertial axes, and how fast it strays, rad/s.
    start: Vec3,
    stray_rad_s: Vec3,
    /// Limits of this coast: rate, rad/s, and nutation, rad.
    rate_error_rad_s: f32,
    nutation_limit_rad: f32,
    /// Nutation as it is seen, averaged, rad.
    nutation_rad: f32,
}

impl Rotating {
    /// Nothing set up yet.
    pub(crate) const START: Self = Self {
        stage: Stage::Changing,
        since: 0,
        start: Vec3::ZERO,
        stray_rad_s: Vec3::ZERO,
        rate_error_rad_s: 0.0,
        nutation_limit_rad: 0.0,
        nutation_rad: 0.0,
    };
}

/// How far a motion is from the rotation that is wanted.
struct Off {
    rate_error_rad_s: f32,
    nutation_rad: f32,
    /// Rate change that would bring it there, rad/s.
    change_rad_s: Vec3,
}

impl Off {
    fn new(rotation: &Rotation, free: &FreeAxis, rate_rad_s: Vec3) -> Self {
        Self {
            rate_error_rad_s: (free.spin_rad_s(rate_rad_s) - rotation.rate_rad_s).abs(),
            nutation_rad: free.nutation_rad(rate_rad_s),
            change_rad_s: free.axis * rotation.rate_rad_s - rate_rad_s,
        }
    }

    fn is_within(&self, rate_error_rad_s: f32, nutation_rad: f32) -> bool {
        self.rate_error_rad_s <= rate_error_rad_s && self.nutation_rad <= nutation_rad
    }
}

impl<const N: usize> Controller<N> {
    /// The axis that a rotation turns about, if there is one that it may turn about.
    pub(crate) fn free_axis(&self, rotation: &Rotation) -> Option<FreeAxis> {
        self.principal.free_axis(Vec3(rotation.about), rotation.free_axis_within_rad)
    }

    /// One cycle of a slow rotation.
    #[inline(never)]
    pub(crate) fn rotate(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        rotation: &Rotation,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let mut rotating = self.kept.rotating();
        let fired = self.rotate_on(&mut rotating, open_tick, motion, rotation, usable, witness);
        self.kept = Kept::Rotating(rotating);
        fired
    }

    fn rotate_on(
        &mut self,
        rotating: &mut Rotating,
        open_tick: u32,
        motion: &Motion,
        rotation: &Rotation,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        self.foreseen_s = f32::INFINITY;
        // Mass properties told since may have left none.
        let Some(free) = self.free_axis(rotation) else {
            return ([0; N], Status::AxisRefused, Vec3::ZERO);
        };
        let off = Off::new(rotation, &free, motion.rate_rad_s + self.owed_rate(open_tick));
        if rotating.stage == Stage::Coasting {
            if self.may_coast(rotating, open_tick, motion, rotation, &off) {
                let status = if free.is_least { Status::LeastAxis } else { Status::Rotating };
                return ([0; N], status, Vec3::ZERO);
            }
            rotating.stage = Stage::Changing;
        }
        let (on_ticks, status) = match rotating.stage {
            Stage::Trimming(firings) => {
                self.trim(rotating, open_tick, motion, (rotation, &off, firings), usable, witness)
            }
            _ => self.spin_up(rotating, open_tick, (rotation, &free, &off), usable, witness),
        };
        if on_ticks.iter().any(|&ticks| ticks > 0) {
            rotating.since = open_tick;
        }
        let status = if status.number() < Status::SettingUp.number() { Status::SettingUp } else { status };
        (on_ticks, status, Vec3::ZERO)
    }

    /// What takes longer than a cycle of the change of rate: a share of all of it.
    fn spin_up(
        &mut self,
        rotating: &mut Rotating,
        open_tick: u32,
        (rotation, free, off): (&Rotation, &FreeAxis, &Off),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        let across = free.rate_across_rad_s(rotation.nutation_rad, rotation.rate_rad_s);
        let room = WELL_WITHIN * math::min(rotation.rate_error_rad_s, across);
        let change = off.change_rad_s;
        let demand = Demand::between(change.0.map(|c| c - room), change.0.map(|c| c + room));
        let answer = self.pose_angular(demand, Vec3::ZERO, usable, UNHURRIED_S, witness).answer;
        let fits = longest(&answer.on_time) <= self.table.timing.cycle_s();
        if fits && matches!(answer.outcome, Outcome::Exact | Outcome::Nothing) {
            self.owed.leave();
            (rotating.stage, rotating.since) = (Stage::Trimming(0), open_tick);
            return ([0; N], Status::SettingUp);
        }
        self.spread(&answer, open_tick)
    }

    /// What is left of the change of rate: judged when the filter has settled, taken out in whole ticks.
    fn trim(
        &mut self,
        rotating: &mut Rotating,
        open_tick: u32,
        motion: &Motion,
        (rotation, off, firings): (&Rotation, &Off, u8),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        if !self.owed.is_done() {
            return self.work_off(open_tick, usable, witness);
        }
        let waited_s = seconds(ticks_between(rotating.since, open_tick), self.table.timing.tick_s);
        if waited_s < SETTLING_S {
            return ([0; N], Status::SettingUp);
        }
        let is_good =
            off.is_within(WELL_WITHIN * rotation.rate_error_rad_s, WELL_WITHIN * rotation.nutation_rad);
        if is_good || firings >= MOST_FIRINGS {
            *rotating = self.start_coast(open_tick, motion, rotation, off);
        } else {
            rotating.stage = Stage::Trimming(firings + 1);
            self.pending.forget_choice();
            self.owed.add(off.change_rad_s);
        }
        ([0; N], Status::SettingUp)
    }

    /// From here on the rotation is left alone.
    fn start_coast(&self, open_tick: u32, motion: &Motion, rotation: &Rotation, off: &Off) -> Rotating {
        Rotating {
            stage: Stage::Coasting,
            since: open_tick,
            start: self.momentum_direction(motion),
            stray_rad_s: Vec3::ZERO,
            rate_error_rad_s: math::max(rotation.rate_error_rad_s, WIDENED * off.rate_error_rad_s),
            nutation_limit_rad: math::max(rotation.nutation_rad, WIDENED * off.nutation_rad),
            nutation_rad: off.nutation_rad,
        }
    }

    /// Whether a rotation is left alone for another cycle; foresees until when.
    fn may_coast(
        &mut self,
        rotating: &mut Rotating,
        open_tick: u32,
        motion: &Motion,
        rotation: &Rotation,
        off: &Off,
    ) -> bool {
        let direction = self.momentum_direction(motion);
        let timing = &self.table.timing;
        if ticks_between(rotating.since, open_tick) > LONGEST_COAST {
            rotating.since = open_tick.wrapping_sub(LONGEST_COAST as u32);
        }
        let coasted_s = seconds(ticks_between(rotating.since, open_tick), timing.tick_s);
        let stray = direction - rotating.start;
        let cycle_s = timing.cycle_s();
        if coasted_s > cycle_s {
            let gain = math::min(3.0 * cycle_s / coasted_s, 1.0) / coasted_s;
            let line = rotating.stray_rad_s;
            let line = line + (stray - line * coasted_s) * gain;
            rotating.stray_rad_s = Vec3(line.0.map(math::settled));
        }
        let weight = math::min(cycle_s / AVERAGING_S, 1.0);
        rotating.nutation_rad += (off.nutation_rad - rotating.nutation_rad) * weight;
        // Chords for the angles: what stands between the directions is 2·sin(angle/2).
        let limit = 2.0 * math::sine_and_cosine(0.5 * rotation.stray_rad).0;
        let speed = rotating.stray_rad_s.norm();
        let has_turned = rotation.rate_rad_s * coasted_s > core::f32::consts::TAU;
        let far = if has_turned { FAR } else { FAR_AT_FIRST };
        if speed * far * coasted_s > limit {
            self.foreseen_s = math::max(limit / speed - coasted_s, 0.0);
        }
        stray.norm() <= limit
            && off.rate_error_rad_s <= rotating.rate_error_rad_s
            && rotating.nutation_rad <= rotating.nutation_limit_rad
    }

    /// Direction of the angular momentum, inertial axes, unit vector.
    fn momentum_direction(&self, motion: &Motion) -> Vec3 {
        let momentum = self.stack.inertia_kg_m2() * motion.rate_rad_s;
        let size = momentum.norm();
        if !(size > 0.0) {
            return Vec3::ZERO;
        }
        motion.attitude.conjugate().rotate(momentum * (1.0 / size))
    }
}
