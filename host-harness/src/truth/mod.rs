//! Truth: the stack as it really moves. Imports nothing of the kernel.
//!
//! The kernel thinks in body rates about a centre of mass it was told, in `f32`. The truth is made
//! otherwise on purpose, so that the two cannot share a mistake: `f64`, momenta about an inertially fixed
//! point ([`motion`]), its own mass properties ([`crate::stack`]), its own attitude convention
//! ([`attitude`]), jets with delays, ramps and young-pulse losses ([`jets`]), a main engine on a gimbal ([`engine`]).
//!
//! [`Truth::advance_to`] stops exactly at every moment at which a force changes its law ([`events`]). Between
//! two of them it coasts (momenta constant to the last bit) or takes Runge-Kutta steps short enough for
//! the rate and the torque of the moment. In an orbit ([`gradient`]), with sprung joints ([`joints`]) or
//! swinging liquid ([`slosh`]) it never coasts. What is let go ([`released`]) moves on by itself beside it.

pub mod accelerometer;
pub mod attitude;
pub mod clearance;
pub mod engine;
pub mod events;
pub mod frame;
pub mod gradient;
pub mod interface;
pub mod jets;
pub mod joints;
pub mod motion;
pub mod noise;
pub mod ramp;
pub mod released;
pub mod sensors;
mod simulator;
pub mod slosh;

pub use sensors::{Sample, Sensors};
pub use simulator::{Truth, TruthError};
