//! Closed-loop proof of the stackhold kernel against an independent rigid-body simulator.
#![forbid(unsafe_code)]

pub mod authority;
pub mod board;
pub mod bound;
pub mod burns;
pub mod certificate;
pub mod cli;
pub mod closed_loop;
pub mod engine_authority;
pub mod flight_table;
pub mod held;
pub mod interface_loads;
pub mod metrics;
pub mod output;
pub mod parting;
pub mod plume;
pub mod record;
pub mod report;
pub mod rotation;
pub mod scenario;
pub mod select;
pub mod selection_check;
pub mod sign_margin;
pub mod slews;
pub mod stack;
pub mod table;
pub mod translations;
pub mod truth;
pub mod units;
pub mod verdict;
