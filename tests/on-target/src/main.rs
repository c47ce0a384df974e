//! The replay of control cycles as a program: on a bare target the board's image, elsewhere a program
//! of the host.
#![cfg_attr(target_os = "none", no_std)]
#![cfg_attr(target_os = "none", no_main)]
#![cfg_attr(target_arch = "sparc", feature(asm_experimental_arch))]

#[cfg(target_os = "none")]
mod board;
#[cfg(not(target_os = "none"))]
mod host;
#[cfg(target_os = "none")]
mod measure_cycles;

#[cfg(target_os = "none")]
use measure_cycles::on_board;

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    use stackhold_on_target::{JETS, replay::run};
    host::main(|recording| run::<JETS>(recording, &mut host::Console))
}
