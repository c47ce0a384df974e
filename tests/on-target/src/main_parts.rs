//! An image that counts the instructions of parts of a cycle: functions of the door to mathematics beside those of
//! libraries, and the work on a flight table in flash.
#![no_std]
#![no_main]

mod board;
#[path = "board/flash.rs"]
mod flash;
mod measure_maths;
mod measure_tables;

use board::measure::Counter;

fn on_board() -> Result<(), &'static str> {
    let counter = Counter::new();
    measure_maths::print_all(&counter);
    measure_tables::print_all(&counter)
}
