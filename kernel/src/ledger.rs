//! Ledger of impulse commanded but not yet seen by the delayed sensor.
//!
//! Every firing is booked once, per jet, with the time it acts. A measurement taken at tick `s` has
//! seen what acted before `s`; what acts later is still owed. The observer asks for the part between
//! any two instants, so a late measurement never fires twice and nothing is counted twice.

use crate::config::Timing;
use crate::effectiveness::Effect;
use crate::jet::{Jet, JetMask};
use crate::linalg::Vec3;

/// Cycles the ledger remembers.
pub const DEPTH: usize = 8;
/// Age of the oldest measurement the ledger can still account for, cycles: a pulse acts until two
/// cycles after it was commanded at most (on-time and delays are a cycle at most each; see
/// [`crate::config::JetField::DeadTime`]).
pub const COVERED_CYCLES: u32 = 6;

/// Signed ticks from `from` to `to`; correct across the clock's wrap.
#[must_use]
pub fn ticks_between(from: u32, to: u32) -> i32 {
    // Reinterprets the wrapped difference as signed: the one cast of the clock.
    to.wrapping_sub(from) as i32
}

#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct Entry<const N: usize> {
    /// Tick at which the pulses opened.
    open: u32,
    on_ticks: [u16; N],
    /// Jets that fired in this cycle.
    fired: JetMask,
    /// Of these, jets that stayed open into the next cycle: no tail yet.
    continued: JetMask,
}

/// What firings did between two instants, body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Seen {
    /// Change of body rate, rad/s.
    pub rate_rad_s: Vec3,
    /// Turn that this change has made by the end of the interval, rad.
    pub turn_rad: Vec3,
}

/// The ledger, for at most `N` jets.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Ledger<const N: usize> {
    entries: [Entry<N>; DEPTH],
    newest: usize,
    /// Jets of the newest cycle asked to stay open through its edge.
    through: JetMask,
    /// Cycles booked without a firing since the last firing, up to [`DEPTH`]: most cycles fire nothing, and are to
    /// cost next to nothing here.
    silent: usize,
}

impl<const N: usize> Ledger<N> {
    /// Nothing commanded yet.
    #[must_use]
    pub const fn new() -> Self {
        let none = JetMask::NONE;
        let empty = Entry { open: 0, on_ticks: [0; N], fired: none, continued: none };
        Self { entries: [empty; DEPTH], newest: 0, through: none, silent: DEPTH }
    }

    /// Jets of the newest cycle that are still open at `tick`, the moment the next pulses open: those
    /// asked to stay open through that cycle's edge, if `tick` is that edge. After a missed cycle the
    /// valves have shut by themselves.
    #[must_use]
    pub fn open_at(&self, tick: u32, cycle_ticks: u16) -> JetMask {
        match self.entries.get(self.newest) {
            Some(entry) if tick == entry.open.wrapping_add(u32::from(cycle_ticks)) => self.through,
            _ => JetMask::NONE,
        }
    }

    /// Books one cycle: pulses that open at tick `open`. Jets open across the edge that are commanded
    /// again continue: their earlier pulse gets no tail.
    pub fn book(&mut self, open: u32, on_ticks: &[u16; N], cycle_ticks: u16) {
        let (mut fired, mut through) = (JetMask::NONE, JetMask::NONE);
        if on_ticks.iter().fold(0, |any, &ticks| any | ticks) != 0 {
            for (j, &ticks) in on_ticks.iter().enumerate() {
                if ticks > 0 {
                    fired = fired.with(j);
                }
                if ticks > 0 && ticks >= cycle_ticks {
                    through = through.with(j);
                }
            }
        }
        let at_edge = self.open_at(open, cycle_ticks);
        if let Some(last) = self.entries.get_mut(self.newest) {
            last.continued = at_edge.and(fired);
        }
        (self.newest, self.through) = ((self.newest + 1) % DEPTH, through);
        self.silent = if fired == JetMask::NONE { (self.silent + 1).min(DEPTH) } else { 0 };
        if let Some(entry) = self.entries.get_mut(self.newest) {
            (entry.open, entry.fired, entry.continued) = (open, fired, JetMask::NONE);
            if fired != JetMask::NONE {
                entry.on_ticks = *on_ticks;
            }
        }
    }

    /// Rate change that booked firings will still bring after tick `from`, body axes, rad/s.
    #[must_use]
    pub fn owed(&self, from: u32, jets: &[Jet], effects: &[Effect], timing: &Timing) -> Vec3 {
        self.between(from, all_acted(from, timing), jets, effects, timing).rate_rad_s
    }

    /// What the booked firings do between ticks `from` and `to`.
    #[must_use]
    pub fn between(&self, from: u32, to: u32, jets: &[Jet], effects: &[Effect], timing: &Timing) -> Seen {
        let mut seen = Seen::default();
        if self.silent >= DEPTH {
            return seen;
        }
        let span_s = seconds(ticks_between(from, to), timing.tick_s);
        self.acting(from, to, jets, timing, |j, start, end| {
            let Some(effect) = effects.get(j) else { return };
            let rate = effect.turn_rad_s2 * (end - start);
            seen.rate_rad_s = seen.rate_rad_s + rate;
            seen.turn_rad = seen.turn_rad + rate * (span_s - 0.5 * (start + end));
        });
        seen
    }

    /// Velocity change that booked firings bring between ticks `from` and `to`, body axes, m/s.
    #[must_use]
    pub fn pushed(&self, from: u32, to: u32, jets: &[Jet], effects: &[Effect], timing: &Timing) -> Vec3 {
        let mut pushed = Vec3::ZERO;
        if self.silent < DEPTH {
            self.acting(from, to, jets, timing, |j, start, end| {
                let push = effects.get(j).map_or(Vec3::ZERO, |effect| effect.push_m_s2);
                pushed = pushed + push * (end - start);
            });
        }
        pushed
    }

    /// Shows every jet that acts between two ticks, and from when to when, s after the first.
    #[inline(always)]
    fn acting(
        &self,
        from: u32,
        to: u32,
        jets: &[Jet],
        timing: &Timing,
        mut each: impl FnMut(usize, f32, f32),
    ) {
        let tick_s = timing.tick_s;
        let span_s = seconds(ticks_between(from, to), tick_s);
        // What opened this long before has acted: an on-time and all delays are a cycle at most each.
        let over = 2 * i32::from(timing.cycle_ticks) + 1;
        let acting =
            |entry: &&Entry<N>| entry.fired != JetMask::NONE && ticks_between(entry.open, from) <= over;
        for entry in self.entries.iter().filter(acting) {
            let open_s = seconds(ticks_between(from, entry.open), tick_s);
            for j in entry.fired.indices() {
                let (Some(jet), Some(&ticks)) = (jets.get(j), entry.on_ticks.get(j)) else { continue };
                let tail_s = if entry.continued.contains(j) { 0.0 } else { jet.pulse_offset_s };
                let start = open_s + jet.dead_time_s;
                let end = start + crate::math::from_ticks(ticks) * tick_s + tail_s;
                let (start, end) = (crate::math::max(start, 0.0), crate::math::min(end, span_s));
                if end > start {
                    each(j, start, end);
                }
            }
        }
    }
}

impl<const N: usize> Default for Ledger<N> {
    fn default() -> Self {
        Self::new()
    }
}

/// A tick by which everything has acted that was booked before `from`.
#[must_use]
pub(crate) fn all_acted(from: u32, timing: &Timing) -> u32 {
    from.wrapping_add(u32::from(timing.cycle_ticks) * 3)
}

/// Ticks as seconds; exact for spans the kernel deals in (under 2^24 ticks).
#[must_use]
pub fn seconds(ticks: i32, tick_s: f32) -> f32 {
    // i32 to f32 is not lossless for all values: the one place it is done.
    ticks as f32 * tick_s
}
