//! Replay of recorded control cycles: the same source runs on a workstation and on a board, and both
//! print the same lines when the kernel answers with the same bits.
//!
//! A recording is a stream of 32-bit little-endian words ([`recording`]): one or more flights, each
//! with the configuration table and the input of every cycle. [`replay::run`] runs the kernel
//! through it and prints a digest of every output bit ([`digest`]) in regular blocks, so that the first
//! block that differs is seen. The recordings are made by `tests/record_cycles.rs`.
//!
//! [`adversarial`] needs no recording: it makes its cycles up on the spot, the same ones everywhere, as many as
//! are asked for.
//!
//! [`frame`] and [`exchange`] are for the kernel in a closed loop with a simulator on the host, which tells it every
//! cycle's input over a line and acts on its output.
//!
//! The same for single jet selections: [`problems`] are read and [`selecting`] runs the kernel through
//! them, in a program of its own, so that the other's image holds the code of flight and no more. They
//! are made by `tests/record_selections.rs`.
//!
//! [`example`] is a board's whole program around the kernel, as an example to follow, with [`valves`] between on-times
//! and output pins.
#![no_std]
#![forbid(unsafe_code)]

pub mod adversarial;
pub mod digest;
pub mod example;
#[path = "../../../host-harness/src/board/exchange.rs"]
pub mod exchange;
#[path = "../../../host-harness/src/board/frame.rs"]
pub mod frame;
pub mod line;
#[cfg(feature = "parts")]
pub mod maths;
pub mod problems;
pub mod random;
#[path = "../../../host-harness/src/board/recording.rs"]
pub mod recording;
pub mod replay;
pub mod selecting;
pub mod valves;

/// Jets the board's kernel is built for.
pub const JETS: usize = if cfg!(feature = "jets-12") {
    12
} else if cfg!(feature = "jets-24") {
    24
} else {
    16
};
