//! Translations: a velocity change delivered with the attitude held.
//!
//! **Pace.** The least-propellant program for the whole velocity change, with no rate change beside it, says how long each jet
//! must act in all. The one that must act longest sets the pace of the push; the others are open for their shares of that
//! time, so that any part of the push costs its part of the price.
//!
//! **Windows.** A window is as many cycles as its ripple leaves within the deadband. For each the program is solved anew: for
//! the velocity that the pace asks of it, and for the rate change that brings the attitude back. In a window a jet is open
//! once, about the window's middle: pulses that have one middle leave no angle behind. Every window begins with the motion
//! and the velocity that there are: nothing is carried that is measured.
//!
//! **Velocity gained** is that of what was fired, by the books; as soon as an accelerometer has counted a stretch of it, what it
//! counted takes the place of what was booked for that time.

use crate::command::Translation;
use crate::controller::{Controller, worse};
use crate::cycle::Witness;
use crate::hold::Deadband;
use crate::jet::{Jet, JetMask};
use crate::ledger::all_acted;
use crate::linalg::Vec3;
use crate::math;
use crate::modes::{Fired, UNHURRIED_S};
use crate::observer::{Motion, gyroscopic};
use crate::pending::Pending;
use crate::posing::{longest, quiet_if_idle};
use crate::selection::{Demand, Outcome};
use crate::status::Status;
use crate::velocity::Change;

/// Part of the half-width that the ripple of a window may take.
const RIPPLE: f32 = 0.35;
/// Shortest and longest window, cycles.
const SHORTEST: f32 = 2.0;
const LONGEST: u16 = 40;
/// The push keeps this part of the pace: the rest is for bringing the attitude back.
const KEPT_PACE: f32 = 0.97;
/// A rate within which an angle would change by this part of the half-width in a window is left alone.
const LEFT_ALONE: f32 = 0.03;
/// Velocity that may be missed, as a share of what is asked for: half of what is good enough.
const MISSED: f32 = 5e-4;
/// Nor is anything pushed for that is less than so many sigma of an accelerometer's count.
const NOISES: f32 = 2.0;
/// Most windows that are begun when what is left fits into one: what is left then is left.
const MOST_ENDINGS: u8 = 6;

/// How far a translation has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Stage {
    /// Nothing planned yet.
    Begin,
    /// Pushing; so many last windows have been begun.
    Pushing(u8),
    /// Done with: the attitude is held.
    Over,
    /// The jets cannot push like this: the attitude is held.
    Refused,
}

/// A translation in hand.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Pushing<const N: usize> {
    stage: Stage,
    /// Whether what is gained is booked, and the velocity gained by a tick, inertial axes, m/s.
    is_booked: bool,
    gained_m_s: Vec3,
    tick: u32,
    /// Jets that the window was planned for.
    usable: JetMask,
    /// What each metre a second takes, s; 0 before it is known.
    seconds_per_m_s: f32,
    /// Cycles of a window at this pace.
    cycles: u16,
    /// Whether pulses that cannot have it about the middle are ahead of it in this one; its cycles in all, and left of it.
    ahead: bool,
    of: u16,
    left: u16,
    /// What is still to be fired in this window, ticks.
    ticks: [u16; N],
}

/// What a push wants in a cycle.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Wanted<'a> {
    /// Attitude error, body axes, rad.
    pub(crate) error_rad: Vec3,
    /// Velocity still to be gained, body axes, m/s, and how much of it may be missed.
    pub(crate) to_gain_m_s: Vec3,
    pub(crate) missed_m_s: f32,
    /// Limits of the attitude.
    pub(crate) deadband: &'a Deadband,
}

impl<const N: usize> Pushing<N> {
    /// Nothing gained yet.
    pub(crate) const START: Self = Self {
        stage: Stage::Begin,
        is_booked: false,
        gained_m_s: Vec3::ZERO,
        tick: 0,
        usable: JetMask::NONE,
        seconds_per_m_s: 0.0,
        cycles: 0,
        ahead: false,
        of: 0,
        left: 0,
        ticks: [0; N],
    };

    /// Tick up to which velocity has been booked.
    pub(crate) fn tick(&self) -> u32 {
        self.tick
    }

    /// Adds what the books of the jets do not say, inertial axes, m/s.
    pub(crate) fn add(&mut self, gained_m_s: Vec3) {
        self.gained_m_s = self.gained_m_s + gained_m_s;
    }
}

impl<const N: usize> Controller<N> {
    /// One cycle of a translation.
    #[inline(never)]
    pub(crate) fn translate(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        translation: &Translation,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let mut pushing = self.pending.take_push();
        let error_rad = motion.attitude.error_from(self.target);
        let asked = Vec3(translation.velocity_change_m_s);
        let inertial = self.target.conjugate().rotate(asked);
        let to_gain = self.to_gain(&mut pushing, open_tick, motion, inertial);
        let missed_m_s = math::max(MISSED * asked.norm(), NOISES * self.counted.noise_m_s());
        let wanted = Wanted { error_rad, to_gain_m_s: to_gain, missed_m_s, deadband: &translation.deadband };
        let (on_ticks, status) = self.push_on(&mut pushing, open_tick, motion, &wanted, usable, witness);
        self.foreseen_s = match pushing.stage {
            Stage::Pushing(_) => pushing.seconds_per_m_s * to_gain.norm(),
            Stage::Begin | Stage::Over | Stage::Refused => f32::INFINITY,
        };
        self.pending = Pending::Push(pushing);
        (on_ticks, status, error_rad)
    }

    /// Takes in what an accelerometer has counted: it takes the place of what the books say of the same time.
    pub(crate) fn note_counted(&mut self, counted: &Change) {
        let Some(observer) = &self.observer else { return };
        let (from, to) = counted.ticks;
        let effects = self.effectiveness.effects();
        let mut booked = self.ledger.pushed(from, to, &self.table.jets, effects, &self.table.timing);
        if let Pending::Burn(burning) = &self.pending {
            booked = booked + self.engine_pushed(burning, from, to);
        }
        let more = observer.motion().attitude.conjugate().rotate(counted.change_m_s - booked);
        match &mut self.pending {
            Pending::Push(pushing) => pushing.add(more),
            Pending::Burn(burning) => burning.pushing.add(more),
            Pending::Nothing | Pending::Choice(_) | Pending::Slew(_) => {}
        }
    }

    /// Velocity still to be gained when every jet commanded has acted, body axes, m/s.
    ///
    /// * `asked` — in all, inertial axes, m/s.
    pub(crate) fn to_gain(
        &self,
        pushing: &mut Pushing<N>,
        open_tick: u32,
        motion: &Motion,
        asked: Vec3,
    ) -> Vec3 {
        let inertial = motion.attitude.conjugate();
        let pushed = |from: u32, to: u32| {
            let effects = self.effectiveness.effects();
            inertial.rotate(self.ledger.pushed(from, to, &self.table.jets, effects, &self.table.timing))
        };
        let owed = pushed(open_tick, all_acted(open_tick, &self.table.timing));
        if !pushing.is_booked {
            // What was fired before is none of this push.
            (pushing.gained_m_s, pushing.tick, pushing.is_booked) = (-owed, open_tick, true);
        }
        pushing.gained_m_s = pushing.gained_m_s + pushed(pushing.tick, open_tick);
        pushing.tick = open_tick;
        motion.attitude.rotate(asked - pushing.gained_m_s - owed)
    }

    /// One cycle of a push that is in hand.
    pub(crate) fn push_on(
        &mut self,
        pushing: &mut Pushing<N>,
        open_tick: u32,
        motion: &Motion,
        wanted: &Wanted<'_>,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        if pushing.usable != usable {
            // Other jets push in other shares.
            (pushing.usable, pushing.left, pushing.seconds_per_m_s) = (usable, 0, 0.0);
            if pushing.stage == Stage::Refused {
                pushing.stage = Stage::Pushing(0);
            }
        }
        if matches!(pushing.stage, Stage::Over | Stage::Refused) {
            let held = self.hold(open_tick, (motion, wanted.error_rad), wanted.deadband, usable, witness);
            let (ticks, status) = held;
            let refused = pushing.stage == Stage::Refused;
            return (ticks, if refused { worse(status, Status::PushRefused) } else { status });
        }
        self.note_prices(self.disturbance(), usable);
        if pushing.left == 0
            && let Some(status) = self.plan(pushing, open_tick, motion, wanted, witness)
        {
            return ([0; N], status);
        }
        quiet_if_idle((self.fire_window(pushing, open_tick), Status::Firing))
    }

    /// Plans a window, or the pace that windows keep; the status of a cycle in which nothing is fired yet or any more.
    #[inline(never)]
    fn plan(
        &mut self,
        pushing: &mut Pushing<N>,
        open_tick: u32,
        motion: &Motion,
        wanted: &Wanted<'_>,
        witness: &mut impl Witness,
    ) -> Option<Status> {
        let Wanted { error_rad, to_gain_m_s: to_gain, missed_m_s, deadband } = *wanted;
        let cycle_s = self.table.timing.cycle_s();
        let window_s = math::from_ticks(pushing.cycles) * cycle_s;
        let begins = pushing.seconds_per_m_s == 0.0;
        let whole_s = pushing.seconds_per_m_s * to_gain.norm();
        let ends = !begins && KEPT_PACE * window_s >= whole_s;
        let part = if begins || ends { 1.0 } else { KEPT_PACE * window_s / whole_s };
        let (change, room) = if begins {
            (Vec3::ZERO, Vec3::ZERO)
        } else {
            self.brought_back(open_tick, motion, error_rad, deadband, window_s)
        };
        let mut demand = Demand::between([0.0; 6], [0.0; 6]);
        let edges = demand.low.iter_mut().zip(&mut demand.high);
        let middles = change.0.into_iter().chain((to_gain * part).0);
        let rooms = room.0.into_iter().chain([missed_m_s * part; 3]);
        for ((low, high), (middle, room)) in edges.zip(middles.zip(rooms)) {
            (*low, *high) = (middle - room, middle + room);
        }
        let answer = self.pose_full(demand, pushing.usable, UNHURRIED_S, witness);
        match answer.outcome {
            Outcome::Exact | Outcome::Shortened => {}
            Outcome::Prioritised | Outcome::Coupled if begins => {
                pushing.stage = Stage::Refused;
                return Some(Status::PushRefused);
            }
            // What cannot be taken back across the push is left, as long as there is a push.
            Outcome::Prioritised | Outcome::Coupled if is_along(&answer.achieved, to_gain * part) => {}
            Outcome::Prioritised | Outcome::Coupled | Outcome::Nothing => {
                pushing.stage = Stage::Over;
                return Some(Status::Quiet);
            }
            Outcome::NoJets => return Some(Status::NoJets),
            Outcome::Refused | Outcome::Stalled => return Some(Status::SelectionFailed),
        }
        let longest_s = longest(&answer.on_time);
        if begins {
            pushing.stage = Stage::Pushing(0);
            pushing.seconds_per_m_s = longest_s / math::max(answer.lambda * to_gain.norm(), 1e-9);
            pushing.cycles = self.window_cycles(&answer.on_time, longest_s, deadband);
            return Some(Status::Choosing);
        }
        if let Stage::Pushing(endings) = &mut pushing.stage
            && ends
        {
            *endings += 1;
            if *endings > MOST_ENDINGS {
                pushing.stage = Stage::Over;
                return Some(Status::Quiet);
            }
        }
        self.begin_window(pushing, open_tick, &answer.on_time, ends);
        None
    }

    /// The rate change of a window that brings the attitude back, and how exactly, rad/s.
    fn brought_back(
        &self,
        open_tick: u32,
        motion: &Motion,
        error_rad: Vec3,
        deadband: &Deadband,
        window_s: f32,
    ) -> (Vec3, Vec3) {
        let rate = motion.rate_rad_s + self.owed_rate(open_tick);
        let drift = self.disturbance() + gyroscopic(motion.rate_rad_s, &self.stack);
        // Angles that the ripple makes are left alone; others are to be gone after about two windows, a half-width in each at
        // most.
        let mut back = error_rad;
        for (back, width) in back.0.iter_mut().zip(deadband.half_width_rad.0) {
            let beyond = *back - math::clamp(*back, -RIPPLE * width, RIPPLE * width);
            *back = math::clamp(-0.5 * beyond, -width, width) / window_s;
        }
        (back - rate - drift * window_s, deadband.half_width_rad * (LEFT_ALONE / window_s))
    }

    /// Begins a window in which jets act for these times, s, or in these shares where that takes longer.
    ///
    /// * `ends` — it is the last one: it takes as long as its pulses.
    fn begin_window(&self, pushing: &mut Pushing<N>, open_tick: u32, on_time: &[f32; N], ends: bool) {
        let timing = &self.table.timing;
        let (cycle_s, cycle_ticks) = (timing.cycle_s(), timing.cycle_ticks.max(1));
        let longest_s = longest(on_time);
        let whole_cycles = math::whole_ticks(longest_s / cycle_s + 0.999, pushing.cycles);
        pushing.of = if ends { whole_cycles.max(1) } else { pushing.cycles };
        (pushing.left, pushing.ahead) = (pushing.of, !pushing.ahead);
        let window_s = math::from_ticks(pushing.of) * cycle_s;
        let share = if longest_s > window_s { window_s / longest_s } else { 1.0 };
        let most = pushing.of.saturating_mul(cycle_ticks);
        let open = self.open_at(open_tick);
        let jets = self.table.jets.iter().zip(on_time).zip(&mut pushing.ticks);
        for (j, ((jet, time), ticks)) in jets.enumerate() {
            let offset_s = if open.contains(j) { 0.0 } else { jet.pulse_offset_s };
            let wanted = if *time > 0.0 { share * time - offset_s } else { 0.0 };
            let whole = math::whole_ticks(wanted / timing.tick_s + 0.5, most);
            // Nobody closes just before an edge.
            let short_of_edge = (cycle_ticks - whole % cycle_ticks) % cycle_ticks;
            *ticks = whole + if short_of_edge < jet.minimum_on_ticks / 2 { short_of_edge } else { 0 };
        }
    }

    /// Cycles of a window in these shares.
    ///
    /// Jets that are open for their shares `d` about the middle of a window of `T` s turn the stack by up to `⅛·T²·Σ a·d²` and
    /// back. Errors of their firings add up, and what a window has done wrong the next one takes back in its middle: the angle
    /// of a whole window at that rate must be no more.
    fn window_cycles(&self, on_time: &[f32; N], whole_s: f32, deadband: &Deadband) -> u16 {
        let cycle_s = self.table.timing.cycle_s();
        let (mut ripple, mut errors) = (Vec3::ZERO, Vec3::ZERO);
        let error = self.table.filter.firing_error;
        for (effect, time) in self.effectiveness.effects().iter().zip(on_time) {
            let share = math::min(time / math::max(whole_s, cycle_s), 1.0);
            ripple = ripple + effect.turn_rad_s2 * (0.125 * share * share);
            errors = errors + Vec3(effect.turn_rad_s2.0.map(f32::abs)) * (error * share);
        }
        let mut most = f32::from(LONGEST);
        for (width, (ripple, errors)) in deadband.half_width_rad.0.iter().zip(ripple.0.iter().zip(errors.0)) {
            let turned = math::max(math::max(ripple.abs(), errors), 1e-20);
            most = math::min(most, math::sqrt(RIPPLE * width / turned) / cycle_s);
        }
        let longest = LONGEST.min(u16::MAX / self.table.timing.cycle_ticks.max(1));
        math::whole_ticks(math::max(most, SHORTEST), longest)
    }

    /// One cycle's part of a window, in ticks.
    fn fire_window(&self, pushing: &mut Pushing<N>, open_tick: u32) -> [u16; N] {
        let timing = &self.table.timing;
        let cycle = timing.cycle_ticks;
        let open = self.open_at(open_tick);
        let (mut on_ticks, mut wanted) = ([0; N], JetMask::NONE);
        let gone = pushing.of - pushing.left.min(pushing.of);
        let jets = self.table.jets.iter().zip(&pushing.ticks).zip(&mut on_ticks);
        for (j, ((jet, &left), ticks)) in jets.enumerate() {
            // As long before the middle as after it; half a cycle earlier or later in turn where that cannot be.
            if 2 * gone + left.div_ceil(cycle.max(1)) + u16::from(pushing.ahead) < pushing.of {
                continue;
            }
            *ticks = pulse_of(left, jet, (cycle, timing.longest_that_closes()), open.contains(j));
            if *ticks > 0 {
                wanted = wanted.with(j);
            }
        }
        if !self.table.shared.allow(&self.table.jets, open, wanted) {
            let time = pushing.ticks.map(math::from_ticks);
            self.share_time(&mut on_ticks, &time, (open, wanted));
        }
        for (left, ticks) in pushing.ticks.iter_mut().zip(&on_ticks) {
            *left = left.saturating_sub(*ticks);
        }
        pushing.left = pushing.left.saturating_sub(1);
        on_ticks
    }
}

/// Whether what is achieved, rate and velocity change, is mostly the velocity that is to be gained, m/s.
fn is_along(achieved: &[f32; 6], to_gain: Vec3) -> bool {
    let [_, _, _, x, y, z] = *achieved;
    Vec3([x, y, z]).dot(to_gain) > 0.5 * to_gain.dot(to_gain)
}

/// What a cycle can do of a pulse that still takes so many ticks.
fn pulse_of(left: u16, jet: &Jet, (cycle, longest_that_closes): (u16, u16), open_now: bool) -> u16 {
    let rest = if left > longest_that_closes { cycle } else { left };
    if open_now || rest >= jet.minimum_on_ticks {
        rest
    } else if 2 * rest >= jet.minimum_on_ticks {
        jet.minimum_on_ticks
    } else {
        0
    }
}
