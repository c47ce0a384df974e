//! The board's side of an exchange as a process of its own, for the checks of `board_exchange.rs`.

use std::process::ExitCode;

use stackhold_harness::board::exchange::serve;
use stackhold_harness::board::pipes::Pipes;

fn main() -> ExitCode {
    match serve::<_, 16>(&mut Pipes) {
        Ok(_) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("failed: {failure:?}");
            ExitCode::from(1)
        }
    }
}
