//! Writes the recording that `tests/on-target/verify` replays on emulated boards.

use std::process::ExitCode;

use stackhold_tests::recorded_flights::{all, recording};

fn main() -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("usage: record_cycles FILE");
        return ExitCode::from(2);
    };
    let flights = all();
    let cycles: usize = flights.iter().map(|flight| flight.inputs.len()).sum();
    let bytes = recording(&flights);
    if let Err(error) = std::fs::write(&path, &bytes) {
        eprintln!("{}: {error}", path.display());
        return ExitCode::from(2);
    }
    println!("recorded {} flights, {cycles} cycles, {} bytes", flights.len(), bytes.len());
    ExitCode::SUCCESS
}
