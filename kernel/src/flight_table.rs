#![doc = include_str!("../FLIGHT_TABLE.md")]
//!
//! # Use
//! ```
//! use stackhold_kernel::controller::Controller;
//! use stackhold_kernel::flight_table::{FlightTables, Name, Refusal, table_bytes};
//!
//! // For 16 jets. A `static` can hold one: `new` is const.
//! type Tables = FlightTables<16, { table_bytes(16) }>;
//!
//! /// Start-up: the table in flash, for the stack that the board is told it is part of.
//! fn start(tables: &mut Tables, flash: &[u8], stack: &Name) -> Result<Controller<16>, Refusal> {
//!     let loaded = tables.load(flash)?;
//!     let verified = tables.verify(loaded, stack)?;
//!     let armed = tables.arm(verified)?;
//!     tables.start(armed)
//! }
//!
//! // Known to the board, whatever is sent to it; `Name::new` is const too.
//! let vehicle = Name::new("servicing_tug");
//! let refused = vehicle.map(|vehicle| start(&mut Tables::new(vehicle), b"not a table", &vehicle).is_err());
//! assert_eq!(refused, Some(true));
//! ```
//! No step can be left out, for each takes what the one before it returned:
//! ```compile_fail,E0308
//! # use stackhold_kernel::controller::Controller;
//! # use stackhold_kernel::flight_table::{FlightTables, Refusal, table_bytes};
//! # fn hasty(tables: &mut FlightTables<16, { table_bytes(16) }>, flash: &[u8]) -> Result<Controller<16>, Refusal> {
//! let loaded = tables.load(flash)?;
//! tables.start(loaded) // `start` takes what was armed
//! # }
//! ```
//! In flight the steps are commands of their own: the board keeps what one step returned until the next is
//! commanded, calls [`FlightTables::activate`] at the start of a cycle, before
//! [`crate::controller::Controller::step`], and [`FlightTables::check`] once in every cycle.

mod banks;
mod check;
mod crc;
mod decode;
mod encode;
pub mod layout;
mod name;
mod refusal;

pub use banks::{Armed, FlightTables, Loaded, Loading, Stage, Verified};
pub use check::{Health, SLICE_BYTES};
pub use crc::Checksum;
pub use decode::read;
pub use encode::encode;
pub use layout::{LONGEST, table_bytes};
pub use name::{NAME_LENGTH, Name};
pub use refusal::{Refusal, Why};

/// What a table is for, and which of several it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Label {
    /// The vehicle whose jets it describes.
    pub vehicle: Name,
    /// The stack it is for.
    pub configuration: Name,
    /// Counts the tables of a vehicle, from 1.
    pub sequence: u32,
}
