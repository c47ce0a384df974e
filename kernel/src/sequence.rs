//! A sequence of commands: each begins at its time, or as soon as the one before it is done.
//!
//! The list is the application's, wherever it is kept; what is kept here says which of its steps is in force. Whether a command is
//! done is read from what the kernel puts out, so that whoever sees the telemetry can follow:
//!
//! | command | is done when |
//! | --- | --- |
//! | damping, an open-loop demand | the cycle is quiet |
//! | a hold | it is quiet, every axis within its half-width |
//! | a slew, a push, a burn | its end was foreseen and is no more, and every axis is within its half-width |
//! | drift, a watched drift, the hand controller, a rotation | never: they end at a time |

use crate::command::Command;
use crate::cycle::CycleOutput;
use crate::ledger::ticks_between;
use crate::status::{Status, Trust};

/// One step of a sequence.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Step {
    /// What to do.
    pub command: Command,
    /// It begins so long after the start of the sequence, ticks, below 2^31; those of later steps are not less.
    pub start_ticks: u32,
    /// Whether it begins earlier when the step before it is done.
    pub early: bool,
}

/// Which step is in force.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Sequencer {
    /// Tick at which the sequence began; none before its first cycle.
    began: Option<u32>,
    step: usize,
    /// Whether the end of the step in force has been foreseen, and whether the step is done.
    foreseen: bool,
    done: bool,
}

impl Sequencer {
    /// The step in force at the start of a cycle, counted from 0; none for a list without steps.
    ///
    /// * `steps` — of the sequence, the same every cycle; `tick` — the clock, as the kernel gets it.
    pub fn step<'s>(&mut self, steps: &'s [Step], tick: u32) -> Option<(usize, &'s Step)> {
        let began = *self.began.get_or_insert(tick);
        let passed = ticks_between(began, tick);
        // One step a cycle: each is seen by the kernel, however late a cycle comes.
        if let Some(next) = steps.get(self.step + 1) {
            let is_time = i64::from(passed) >= i64::from(next.start_ticks);
            if is_time || (next.early && self.done) {
                (self.step, self.foreseen, self.done) = (self.step + 1, false, false);
            }
        }
        steps.get(self.step).map(|step| (self.step, step))
    }

    /// Takes in what the kernel put out for the step in force.
    pub fn see<const N: usize>(&mut self, command: &Command, output: &CycleOutput<N>) {
        let goes_on = output.foreseen_s.is_finite();
        self.foreseen |= goes_on;
        let is_quiet = output.status == Status::Quiet;
        let flies = output.status.trust() != Trust::Withheld;
        let ended = self.foreseen && !goes_on && flies;
        self.done = match command {
            Command::Damp { .. } | Command::Impulse { .. } => is_quiet,
            Command::Hold { deadband, .. } => is_quiet && deadband.holds(output.error_rad, 1.0),
            Command::Slew(slew) => ended && slew.deadband.holds(output.error_rad, 1.0),
            Command::Translate(push) => ended && push.deadband.holds(output.error_rad, 1.0),
            Command::Burn(burn) => ended && burn.deadband.holds(output.error_rad, 1.0),
            Command::Drift | Command::Watch { .. } | Command::Hand(_) | Command::Rotate(_) => false,
        };
    }
}
