//! The replay of single jet selections as a program: on a bare target the board's image, elsewhere a
//! program of the host.
#![cfg_attr(target_os = "none", no_std)]
#![cfg_attr(target_os = "none", no_main)]
#![cfg_attr(target_arch = "sparc", feature(asm_experimental_arch))]

#[cfg(target_os = "none")]
mod board;
#[cfg(not(target_os = "none"))]
mod host;
#[cfg(target_os = "none")]
mod measure_selections;

#[cfg(target_os = "none")]
use measure_selections::on_board;

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    host::main(|recording| stackhold_on_target::selecting::replay(recording, &mut host::Console))
}
