//! Flights of library scenarios, and the figures of them.

use stackhold_harness::closed_loop;
use stackhold_harness::metrics::{self, Metrics};
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::{Scenario, Told};

/// A scenario of the library.
///
/// # Panics
/// When there is none of that name.
#[must_use]
pub fn from_library(name: &str) -> Scenario {
    load_embedded(name).expect("reads")
}

/// Flies a scenario, and measures the flight.
///
/// # Panics
/// When it cannot be flown.
#[must_use]
pub fn fly(scenario: &Scenario) -> (RunRecord, Metrics) {
    fly_told(scenario, &scenario.told)
}

/// The same with a kernel that is told something else.
///
/// # Panics
/// When it cannot be flown.
#[must_use]
pub fn fly_told(scenario: &Scenario, told: &Told) -> (RunRecord, Metrics) {
    let record = closed_loop::fly(scenario, &scenario.stack, told, "flight", &mut |_| ()).expect("flies");
    let metrics = metrics::measure(scenario, &scenario.stack, &record).expect("measured");
    (record, metrics)
}

/// A figure of a flight.
///
/// # Panics
/// When it was not measured.
#[must_use]
pub fn figure(metrics: &Metrics, key: &str) -> f64 {
    metrics.figures.get(key).unwrap_or_else(|| panic!("{key} was not measured"))
}
