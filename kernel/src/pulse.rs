//! Pulse shaping: from a wanted acting time to whole valve ticks.
//!
//! All pulses of a cycle open together, at the cycle's start plus the command delay, and close in
//! that cycle or run through its edge. A pulse is 0, or at least the minimum on-time and at most the
//! cycle less the minimum off-time, or the whole cycle; a jet that was open for the whole of the last
//! cycle simply stays open. So no jet closes and re-opens across an edge, and every gap is at least
//! the minimum off-time.

use crate::config::Timing;
use crate::jet::Jet;
use crate::math;

/// Whole ticks for a wanted acting time (what thrust × time should deliver), s.
///
/// * `open_now` — the jet is open at the start of this cycle.
///
/// Rounds to the nearest tick the jet can do: under half the shortest pulse gives none, the rest of
/// the way up to it gives the shortest. Non-finite or negative times give 0.
#[must_use]
pub fn shape(acting_s: f32, jet: &Jet, timing: &Timing, open_now: bool) -> u16 {
    if !(acting_s > 0.0) {
        return 0;
    }
    let cycle = timing.cycle_ticks;
    let longest_closing = timing.longest_that_closes();
    let shortest = jet.minimum_on_ticks;
    let shortest_acting_s = acting_time(shortest, jet, timing);
    if !open_now && acting_s < 0.5 * shortest_acting_s {
        return 0;
    }
    // A jet that is open has had its dead time, and its tail is counted with what it did before.
    let offset_s = if open_now { 0.0 } else { jet.pulse_offset_s };
    let wanted = math::whole_ticks((acting_s - offset_s) / timing.tick_s + 0.5, cycle);
    let wanted = if open_now || wanted >= shortest { wanted } else { shortest };
    if wanted <= longest_closing {
        wanted
    } else if longest_closing >= shortest && wanted - longest_closing < cycle - wanted {
        longest_closing
    } else {
        cycle
    }
}

/// What a pulse of whole ticks acts for, s: `thrust × this` is its impulse. Zero ticks give zero.
#[must_use]
pub fn acting_time(ticks: u16, jet: &Jet, timing: &Timing) -> f32 {
    if ticks == 0 { 0.0 } else { math::from_ticks(ticks) * timing.tick_s + jet.pulse_offset_s }
}
