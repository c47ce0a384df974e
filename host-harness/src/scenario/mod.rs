//! Scenario files.

pub mod model;
