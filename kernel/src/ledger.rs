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
pub struct Seen {
    /// Change of body rate, rad/s.
    pub rate_rad_s: Vec3,
    /// Turn that this change has made by the end of the interval, rad.
    pub turn_rad: Vec3,
}

/// The ledger, for at most `N` jets.
#[derive(Clone, Debug)]
pub struct Ledger<const N: usize> {
    entries: [Entry<N>; DEPTH],
    newest: usize,
}

impl<const N: usize> Ledger<N> {
    /// Nothing commanded yet.
    #[must_use]
    pub const fn new() -> Self {
        let empty = Entry { open: 0, on_ticks: [0; N], fired: JetMask::NONE, continued: JetMask::NONE };
        Self { entries: [empty; DEPTH], newest: 0 }
    }

    /// Jets of the newest cycle that are still open at `tick`, the moment the next pulses open: those
    /// asked to stay open through that cycle's edge, if `tick` is that edge. After a missed cycle the
    /// valves have shut by themselves.
    #[must_use]
    pub fn open_at(&self, tick: u32, cycle_ticks: u16) -> JetMask {
        let Some(entry) = self.entries.get(self.newest) else { return JetMask::NONE };
        if tick != entry.open.wrapping_add(u32::from(cycle_ticks)) {
            return JetMask::NONE;
        }
        let mut open = JetMask::NONE;
        for (j, &ticks) in entry.on_ticks.iter().enumerate() {
            if entry.fired.contains(j) && ticks >= cycle_ticks {
                open = open.with(j);
            }
        }
        open
    }

    /// Books one cycle: pulses that open at tick `open`. Jets open across the edge that are commanded
    /// again continue: their earlier pulse gets no tail.
    pub fn book(&mut self, open: u32, on_ticks: [u16; N], cycle_ticks: u16) {
        let at_edge = self.open_at(open, cycle_ticks);
        let mut fired = JetMask::NONE;
        for (j, &ticks) in on_ticks.iter().enumerate() {
            if ticks > 0 {
                fired = fired.with(j);
            }
        }
        if let Some(last) = self.entries.get_mut(self.newest) {
            last.continued = at_edge.and(fired);
        }
        self.newest = (self.newest + 1) % DEPTH;
        if let Some(entry) = self.entries.get_mut(self.newest) {
            *entry = Entry { open, on_ticks, fired, continued: JetMask::NONE };
        }
    }

    /// Rate change that booked firings will still bring after tick `from`, body axes, rad/s.
    #[must_use]
    pub fn owed(&self, from: u32, jets: &[Jet], effects: &[Effect], timing: &Timing) -> Vec3 {
        let horizon = from.wrapping_add(u32::from(timing.cycle_ticks) * 3);
        self.between(from, horizon, jets, effects, timing).rate_rad_s
    }

    /// What the booked firings do between ticks `from` and `to`.
    #[must_use]
    pub fn between(&self, from: u32, to: u32, jets: &[Jet], effects: &[Effect], timing: &Timing) -> Seen {
        let tick_s = timing.tick_s;
        let span_s = seconds(ticks_between(from, to), tick_s);
        let mut seen = Seen::default();
        for entry in self.entries.iter().filter(|entry| entry.fired != JetMask::NONE) {
            let open_s = seconds(ticks_between(from, entry.open), tick_s);
            for (j, ((jet, effect), &ticks)) in jets.iter().zip(effects).zip(&entry.on_ticks).enumerate() {
                if ticks == 0 {
                    continue;
                }
                let tail_s = if entry.continued.contains(j) { 0.0 } else { jet.pulse_offset_s };
                let start = open_s + jet.dead_time_s;
                let end = start + crate::math::from_ticks(ticks) * tick_s + tail_s;
                let (start, end) = (crate::math::max(start, 0.0), crate::math::min(end, span_s));
                if end > start {
                    let acting_s = end - start;
                    let rate = effect.turn_rad_s2 * acting_s;
                    seen.rate_rad_s = seen.rate_rad_s + rate;
                    seen.turn_rad = seen.turn_rad + rate * (span_s - 0.5 * (start + end));
                }
            }
        }
        seen
    }
}

impl<const N: usize> Default for Ledger<N> {
    fn default() -> Self {
        Self::new()
    }
}

/// Ticks as seconds; exact for spans the kernel deals in (under 2^24 ticks).
#[must_use]
pub fn seconds(ticks: i32, tick_s: f32) -> f32 {
    // i32 to f32 is not lossless for all values: the one place it is done.
    ticks as f32 * tick_s
}
