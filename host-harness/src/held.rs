//! The stretches of a flight in which an attitude error means something: holds, watched drifts before and
//! after they wake, slews before and after they arrive, translations, and what is flown by hand.

use stackhold_kernel::status::Status;

use crate::metrics::rows_between;
use crate::record::CycleRow;
use crate::scenario::model::{Mode, Phase, Scenario};
use crate::slews;

/// What is done about an error.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kept {
    /// It is kept within a deadband.
    Held,
    /// It is watched: nothing is done while it is within limits.
    Watched,
    /// It is led along a path and kept within a deadband about that.
    Slewing,
    /// It is kept within a deadband at the end of a path; how well is a figure of the slew, and not of a hold.
    Arrived,
    /// It is kept within a deadband while the stack is pushed, and after; how well is a figure of the push.
    Pushed,
    /// The line of force of the main engine is led to where velocity is to be gained, before a burn and in it.
    Steered,
    /// A hand controller leads some axes, the others are kept within a deadband.
    ByHand,
}

impl Kept {
    /// Whether it is kept about what the kernel alone knows: a path, where thrust is to point, or where the pilot left it.
    #[must_use]
    pub fn is_led(self) -> bool {
        matches!(self, Self::Slewing | Self::Steered | Self::ByHand)
    }
}

/// One stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// From, s.
    pub from_s: f64,
    /// To, s.
    pub to_s: f64,
    /// What is done.
    pub kept: Kept,
    /// Deadband half-width per axis, or the angle at which a watch wakes, rad.
    pub angle_rad: [f64; 3],
    /// Rate limit per axis, or the rate at which a watch wakes, rad/s.
    pub rate_rad_s: [f64; 3],
}

/// End of each phase: the start of the next one or the end of the run.
pub fn phase_ends(scenario: &Scenario) -> impl Iterator<Item = (&Phase, f64)> {
    let later = scenario.phases.iter().skip(1).map(|phase| phase.start_s);
    scenario.phases.iter().zip(later.chain([scenario.duration_s]))
}

/// The stretches of a flight, in order.
///
/// * `rows` — its cycles, which say when a watch woke and when a slew arrived.
#[must_use]
pub fn spans(scenario: &Scenario, rows: &[CycleRow]) -> Vec<Span> {
    let mut spans = Vec::new();
    for (phase, to_s) in phase_ends(scenario) {
        let (from_s, to_s) = (phase.start_s, to_s.min(scenario.duration_s));
        let held = |from_s, angle_rad: &[f64; 3], rate_rad_s: &[f64; 3]| Span {
            from_s,
            to_s,
            kept: Kept::Held,
            angle_rad: *angle_rad,
            rate_rad_s: *rate_rad_s,
        };
        match &phase.mode {
            Mode::Hold { half_width_rad, rate_limit_rad_s, .. } => {
                spans.push(held(from_s, half_width_rad, rate_limit_rad_s));
            }
            Mode::Watch { wake_angle_rad, wake_rate_rad_s, half_width_rad, rate_limit_rad_s, .. } => {
                let woken = woken_s(rows, from_s, to_s);
                spans.push(Span {
                    to_s: woken.unwrap_or(to_s),
                    kept: Kept::Watched,
                    ..held(from_s, wake_angle_rad, wake_rate_rad_s)
                });
                spans.extend(woken.map(|woken_s| held(woken_s, half_width_rad, rate_limit_rad_s)));
            }
            Mode::Slew { half_width_rad, rate_limit_rad_s, .. } => {
                let arrived = slews::arrival(rows_between(rows, from_s, to_s), *half_width_rad);
                let arrived_s = arrived.map(|row| row.time_s);
                let slew = |from_s, kept| Span { kept, ..held(from_s, half_width_rad, rate_limit_rad_s) };
                spans.push(Span { to_s: arrived_s.unwrap_or(to_s), ..slew(from_s, Kept::Slewing) });
                spans.extend(arrived_s.map(|arrived_s| slew(arrived_s, Kept::Arrived)));
            }
            Mode::Burn { half_width_rad, rate_limit_rad_s, .. } => {
                spans.push(Span { kept: Kept::Steered, ..held(from_s, half_width_rad, rate_limit_rad_s) });
            }
            Mode::Translate { half_width_rad, rate_limit_rad_s, .. } => {
                spans.push(Span { kept: Kept::Pushed, ..held(from_s, half_width_rad, rate_limit_rad_s) });
            }
            Mode::Hand { half_width_rad, rate_limit_rad_s, asks_for_bits: false, .. } => {
                spans.push(Span { kept: Kept::ByHand, ..held(from_s, half_width_rad, rate_limit_rad_s) });
            }
            _ => {}
        }
    }
    spans
}

/// When a watched drift first woke between two moments, s.
#[must_use]
pub fn woken_s(rows: &[CycleRow], from_s: f64, to_s: f64) -> Option<f64> {
    // Half a nanosecond absorbs the rounding of times built from ticks.
    let within = |row: &&CycleRow| row.time_s >= from_s - 5e-10 && row.time_s < to_s - 5e-10;
    rows.iter().filter(within).find(|row| row.status == Status::Woken.number()).map(|row| row.time_s)
}

impl Span {
    /// Whether a moment is in it.
    #[must_use]
    pub fn holds(&self, time_s: f64) -> bool {
        time_s >= self.from_s - 5e-10 && time_s < self.to_s - 5e-10
    }
}
