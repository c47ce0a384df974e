//! The kernel on a board, and how the host speaks with it.
//!
//! [`recording`], [`frame`] and [`exchange`] are the same source on both sides: they need neither the standard library
//! nor anything of the harness, and the images under `tests/on-target` take them in as they are. [`child`] is the
//! host's side: a program that answers over its standard input and output, be it an emulator whose serial
//! line ends there or a program that passes bytes on to a real one.

pub mod child;
pub mod exchange;
pub mod frame;
pub mod pipes;
pub mod recording;
