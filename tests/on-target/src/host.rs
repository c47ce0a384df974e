//! A replay on the host: what the board's lines are compared with.

use std::io::Write;
use std::process::ExitCode;

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput};
use stackhold_kernel::selection::{Offer, Problem, Selection, Selector};
use stackhold_on_target::line::Line;
use stackhold_on_target::recording::{Name, Words};
use stackhold_on_target::replay::{Bench, Failure};
use stackhold_on_target::selecting::SelectionBench;

/// Replays the recording named on the command line; exit code 0, or 2 when it cannot be.
pub fn main(replay: impl FnOnce(&mut Stored<'_>) -> Result<u64, Failure>) -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("what is to be replayed? Give the file of a recording");
        return ExitCode::from(2);
    };
    let bytes = match std::fs::read(&path) {
        Ok(bytes) => bytes,
        Err(error) => {
            eprintln!("{}: {error}", path.display());
            return ExitCode::from(2);
        }
    };
    match replay(&mut Stored { bytes: &bytes }) {
        Ok(_) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("{}: {failure:?}", path.display());
            ExitCode::from(2)
        }
    }
}

/// A recording in memory.
pub struct Stored<'a> {
    bytes: &'a [u8],
}

impl Words for Stored<'_> {
    fn word(&mut self) -> Option<u32> {
        let (word, rest) = self.bytes.split_first_chunk::<4>()?;
        self.bytes = rest;
        Some(u32::from_le_bytes(*word))
    }
}

/// Standard output; nothing is measured.
pub struct Console;

fn say(line: &Line) {
    let mut out = std::io::stdout().lock();
    // A closed pipe behind us: the exit code still says how the replay went.
    let _ = out.write_all(line.as_bytes()).and_then(|()| out.write_all(b"\n"));
}

impl Bench for Console {
    fn step<const N: usize>(&mut self, controller: &mut Controller<N>, input: &CycleInput) -> CycleOutput<N> {
        controller.step(input)
    }

    fn say(&mut self, line: &Line) {
        say(line);
    }

    fn flight_ended(&mut self, _: &Name) {}
}

impl SelectionBench for Console {
    fn select<const M: usize, const N: usize>(
        &mut self,
        selector: &mut Selector<M, N>,
        (offer, problem): (&Offer<M, N>, &Problem<M>),
        _: bool,
    ) -> Selection<M, N> {
        selector.select_from(offer, problem.demand, &problem.priority)
    }

    fn say(&mut self, line: &Line) {
        say(line);
    }

    fn series_ended<const M: usize, const N: usize>(&mut self, _: &Name) {}
}
