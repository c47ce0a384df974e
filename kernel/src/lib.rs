//! Guidance kernel that holds and moves a spacecraft's attitude with reaction jets when the stack's
//! centre of mass is nowhere near where the jets were laid out for.
//!
//! No allocation, no panic path, bounded work, `f32`; at most 32 jets, by const generic. Not qualified
//! for flight: see the cautions in the project's README.
//!
//! # Conventions
//! SI units. Right-handed body axes; roll about x, pitch about y, yaw about z. Attitude is a unit
//! quaternion, Hamilton product, scalar last, rotating inertial components into body components. A
//! jet's direction is that of the force on the vehicle. Time is counted in valve ticks; the clock may
//! wrap.
//!
//! # Input contract
//! * Who filters: the kernel, and only the kernel. Samples come raw, each with the tick at which it
//!   was **true** and the sensor's own word whether it is valid ([`cycle::AttitudeSample`],
//!   [`cycle::RateSample`]). The rate includes the gyro's bias; the attitude makes the bias
//!   observable.
//! * A sample is refused when it is not finite, not a unit quaternion within 1 %, no newer than the
//!   sensor's last (no sample counts twice), from the future, or older than the table's limit. A
//!   refused sample changes nothing; the kernel flies on its prediction until the limit, then shuts
//!   the jets ([`status::Status::Stale`]).
//! * An accelerometer's counts ([`cycle::VelocitySample`]) need no attitude of their own; the kernel learns what is counted while
//!   no jet acts, and takes it off.
//! * Attitude and rate carry ticks of their own and are taken in in the order of time; one that is
//!   older than what the other sensor told a cycle ago comes too late and is refused.
//!
//! # A tour of one cycle
//! [`controller::Controller::step`] runs at the start of every control cycle:
//!
//! 1. **Measure** ([`observer`]): the filter moves to the sample's tick with everything the
//!    [`ledger`] says has acted by then, and takes the sample in. Swings that it is told of ([`bending`]) count as noise.
//! 2. **Predict**: motion at the tick at which this cycle's pulses will open, with everything
//!    commanded but not yet seen. A late measurement cannot fire twice.
//! 3. **Decide** ([`hold`], or the open-loop demand): nothing while every axis stays within its
//!    deadband; otherwise a box of rate changes that settles all axes at once. Hand flying and slews
//!    ask for a point instead.
//! 4. **Select** ([`selection`]): the least propellant (or waste) whose acting times deliver the
//!    demand about the actual centre of mass ([`effectiveness`]), with the multipliers that prove it.
//! 5. **Shape** ([`pulse`]): whole ticks, none or at least the minimum on-time, never across an edge.
//!    An open-loop demand that fits into one cycle is chosen in whole ticks ([`whole_ticks`]), which takes a few
//!    cycles ([`status::Status::Choosing`]); jets that may not open together ([`config::SharedLimits`]) take turns.
//! 6. **Book** ([`ledger`]) and hand out the on-times with a [`status::Status`].
//!
//! What the sensors will see is left to feedback: a hold carries no remainder of a rounded pulse. An
//! open-loop demand, which no sensor will see, carries its remainder to the next cycle. Never both.
//!
//! # Where the table comes from
//! [`config::ConfigurationTable`] is built in place, or comes as bytes: [`flight_table`] loads, verifies, arms and
//! activates them, and checks them in memory while they fly. A main engine ([`engine`]) and an accelerometer can be told
//! ([`config::Accelerometer`]); no mode reads them yet.
//!
//! # On a board
//! Time base, interrupts, valves, watchdog, and what to do with each status: [`on_a_board`]. With the feature `defmt`, every
//! public type can be logged by that crate.
//!
//! # When pulses happen
//! All pulses of a cycle open together at `tick + command_delay_ticks` and close within one cycle of
//! that, or stay open through its edge; see [`pulse`].
#![no_std]
#![forbid(unsafe_code)]
// Tests compare with f64.
#![cfg_attr(test, allow(clippy::disallowed_types))]

pub mod bending;
pub(crate) mod burn;
pub(crate) mod by_hand;
pub mod command;
pub mod config;
pub mod controller;
pub mod cycle;
pub mod effectiveness;
pub mod engine;
pub mod firing;
pub mod flight_table;
pub mod gimbal;
pub mod hold;
pub(crate) mod holding;
pub mod jet;
pub mod ledger;
pub mod linalg;
pub mod mass_properties;
pub mod math;
pub(crate) mod modes;
pub mod observer;
#[doc = include_str!("../README.md")]
pub mod on_a_board {}
pub(crate) mod open_loop;
pub(crate) mod pending;
pub(crate) mod posing;
pub mod principal;
pub mod pulse;
pub mod quaternion;
pub(crate) mod rhythm;
pub(crate) mod rotation;
pub mod selection;
pub mod sequence;
pub mod slew;
pub mod status;
pub mod telemetry;
pub(crate) mod translation;
pub(crate) mod velocity;
pub mod whole_ticks;
