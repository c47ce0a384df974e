//! The complete example as a program: on a bare target an image that finds its flight table in flash, elsewhere a
//! program of the host that is given the table's file. Both print the same lines.
#![cfg_attr(target_os = "none", no_std)]
#![cfg_attr(target_os = "none", no_main)]

#[cfg(target_os = "none")]
mod board;
#[cfg(target_os = "none")]
#[path = "board/flash.rs"]
mod flash;
#[cfg(all(target_os = "none", feature = "defmt"))]
#[path = "board/frames.rs"]
mod frames;

use stackhold_on_target::example::{Event, Outside, fly};
use stackhold_on_target::line::Line;

#[cfg(target_os = "none")]
fn on_board() -> Result<(), &'static str> {
    struct Host(Option<board::semihosting::File>);
    impl Outside for Host {
        fn say(&mut self, line: &Line) {
            board::semihosting::print(line);
        }

        fn log(&mut self, cycle: u32, event: Event) {
            board::semihosting::print(&event.line(cycle));
            #[cfg(feature = "defmt")]
            frames::log(cycle, event);
        }

        fn send(&mut self, record: &[u8]) {
            if let Some(file) = &self.0 {
                board::semihosting::write_to(file, record);
            }
        }
    }
    // Not every probe writes files: the flight does without.
    let telemetry = board::semihosting::open_to_write(b"example.board.telemetry\0");
    fly(flash::table_sector(), &mut Host(telemetry))
}

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    use std::io::Write;
    use std::process::ExitCode;

    struct Host(Vec<u8>);
    impl Outside for Host {
        fn say(&mut self, line: &Line) {
            // A closed pipe behind us: the exit code still says how the flight went.
            let mut out = std::io::stdout().lock();
            let _ = out.write_all(line.as_bytes()).and_then(|()| out.write_all(b"\n"));
        }

        fn log(&mut self, cycle: u32, event: Event) {
            self.say(&event.line(cycle));
        }

        fn send(&mut self, record: &[u8]) {
            self.0.extend_from_slice(record);
        }
    }
    let arguments: Vec<_> = std::env::args_os().skip(1).collect();
    let [table, telemetry] = arguments.as_slice() else {
        eprintln!("give the file of a flight table, and a file to write telemetry to");
        return ExitCode::from(2);
    };
    let flash = match std::fs::read(table) {
        Ok(bytes) => bytes,
        Err(error) => {
            eprintln!("{}: {error}", table.display());
            return ExitCode::from(2);
        }
    };
    let mut host = Host(Vec::new());
    let flown = fly(&flash, &mut host);
    if let Err(error) = std::fs::write(telemetry, &host.0) {
        eprintln!("{}: {error}", telemetry.display());
        return ExitCode::from(2);
    }
    if let Err(reason) = flown {
        host.say(&Line::default().text("failed: ").text(reason));
        return ExitCode::FAILURE;
    }
    ExitCode::SUCCESS
}
