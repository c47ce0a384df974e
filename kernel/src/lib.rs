//! Guidance kernel that holds and moves a spacecraft's attitude with reaction jets when the stack's
//! centre of mass is nowhere near where the jets were laid out for.
#![no_std]
#![forbid(unsafe_code)]

pub mod config;
pub mod effectiveness;
pub mod jet;
pub mod ledger;
pub mod linalg;
pub mod mass_properties;
pub mod math;
pub mod observer;
pub mod pulse;
pub mod quaternion;
pub mod selection;
pub mod status;
