//! Keeping a flight to the wall clock, for rehearsal.

use std::thread::sleep;
use std::time::{Duration, Instant};

use super::console::Progress;

/// How often the time is shown.
const SHOWN_EVERY: Duration = Duration::from_millis(200);

/// The wall clock of one flight. Sleeps while the flight is ahead of it; a flight that has fallen behind goes
/// on without a pause until it has caught up.
pub struct Pace {
    began: Instant,
    shown: Option<Instant>,
    duration_s: f64,
    progress: Progress,
}

impl Pace {
    /// Starts the clock of a flight of `duration_s` s.
    pub fn begin(duration_s: f64, progress: Progress) -> Self {
        Self { began: Instant::now(), shown: None, duration_s, progress }
    }

    /// Returns when `time_s` of the flight has come; with the time shown on the way.
    pub fn wait_until(&mut self, time_s: f64) {
        // A scenario's times are finite, not negative and far below what a duration holds.
        let due = self.began + Duration::try_from_secs_f64(time_s).unwrap_or_default();
        if self.shown.is_none_or(|shown| shown.elapsed() >= SHOWN_EVERY) {
            self.shown = Some(Instant::now());
            self.progress.set_time(time_s, self.duration_s);
        }
        sleep(due.saturating_duration_since(Instant::now()));
    }

    /// Waits for the end of the flight and clears the display.
    pub fn end(mut self) {
        self.wait_until(self.duration_s);
        self.progress.done();
    }
}
