//! The replay as a program: on a bare target the board's image, elsewhere a program of the host.
#![cfg_attr(target_os = "none", no_std)]
#![cfg_attr(target_os = "none", no_main)]

#[cfg(target_os = "none")]
mod board;

#[cfg(not(target_os = "none"))]
mod host;

#[cfg(not(target_os = "none"))]
fn main() -> std::process::ExitCode {
    host::main()
}
