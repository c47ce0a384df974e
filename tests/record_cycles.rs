//! Writes the recording that `tests/on-target/verify` replays on emulated boards: of the library's vehicle with its 16
//! jets, or of the same with another number of them.

use std::process::ExitCode;

use stackhold_tests::recorded_flights::{all, recording, with_jets};

fn main() -> ExitCode {
    let arguments: Vec<_> = std::env::args().skip(1).collect();
    let (path, flights) = match arguments.iter().map(String::as_str).collect::<Vec<_>>()[..] {
        [path, "16"] => (path, all()),
        [path, "12"] => (path, with_jets(12)),
        [path, "24"] => (path, with_jets(24)),
        _ => {
            eprintln!("usage: record_cycles FILE 12|16|24");
            return ExitCode::from(2);
        }
    };
    let cycles: usize = flights.iter().map(|flight| flight.inputs.len()).sum();
    let bytes = recording(&flights);
    if let Err(error) = std::fs::write(path, &bytes) {
        eprintln!("{path}: {error}");
        return ExitCode::from(2);
    }
    println!("recorded {} flights, {cycles} cycles, {} bytes", flights.len(), bytes.len());
    ExitCode::SUCCESS
}
