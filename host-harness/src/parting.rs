//! Releases as they were flown: clearance, what they did to both parts, and jets opened that must stay shut.
//!
//! Clearance is the least distance between the hulls of what stays and of what went. They begin next to one another, so that it
//! counts from the moment they have first **parted** by [`PARTED_M`] on; from then on any touch shows. It has **left** when it
//! first reaches the keep-out distance of the release.

use crate::bound::norm;
use crate::metrics::Figures;
use crate::record::{CycleRow, Parting, RunRecord};
use crate::scenario::model::{Jet, JetState, Scenario, Shut, ShutOff};

/// Distance at which two hulls have parted, m.
pub const PARTED_M: f64 = 0.05;

/// A release as it was flown.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clearance {
    /// Least from the moment the hulls had parted on, m; 0 where they never did.
    pub least_m: f64,
    /// When the keep-out distance was first reached, s; `None` where it never was.
    pub left_s: Option<f64>,
    /// Least from then on, m.
    pub least_after_m: Option<f64>,
}

/// Clearance of a release over the rest of the flight.
#[must_use]
pub fn clearance(rows: &[CycleRow], parting: &Parting) -> Clearance {
    let seen = || rows.iter().filter_map(|row| Some((row.time_s, row.released?.clearance_m)));
    let least_from = |beyond_m: f64| {
        let mut from = seen().skip_while(move |(_, clearance)| *clearance < beyond_m).peekable();
        let first_s = from.peek().map(|(time, _)| *time);
        (first_s, from.map(|(_, clearance)| clearance).reduce(f64::min))
    };
    let (left_s, least_after_m) = least_from(parting.keep_out_m);
    Clearance { least_m: least_from(PARTED_M).1.unwrap_or(0.0), left_s, least_after_m }
}

/// Figures of the first release, none without one; and openings of valves that must stay shut.
pub(crate) fn figures(figures: &mut Figures, scenario: &Scenario, record: &RunRecord) {
    let parting = record.partings.first();
    let flown = parting.map(|parting| clearance(&record.cycles, parting));
    figures.push("least_clearance_m", flown.map(|flown| flown.least_m));
    let seconds = flown
        .zip(parting)
        .map(|(flown, parting)| flown.left_s.map_or(f64::INFINITY, |left_s| left_s - parting.time_s));
    figures.push("seconds_to_keep_out", seconds);
    figures.push("least_clearance_after_leaving_m", flown.and_then(|flown| flown.least_after_m));
    let change = parting.map(|parting| norm(parting.rate_change_rad_s).to_degrees());
    figures.push("release_rate_change_deg_s", change);
    let rates = record.cycles.iter().filter_map(|row| row.released).map(|released| released.rate_rad_s);
    figures.push("released_body_rate_deg_s", rates.reduce(f64::max).map(f64::to_degrees));
    figures.push("momentum_error_at_release", parting.map(Parting::momentum_error));
    figures.push("forbidden_openings", forbidden_openings(scenario, record) as f64);
}

/// Openings of jets that are forbidden, or that were shut off at the start of the control cycle that opened them: the kernel
/// is told once a cycle.
#[must_use]
pub fn forbidden_openings(scenario: &Scenario, record: &RunRecord) -> usize {
    let late_s = scenario.kernel.tick_s * f64::from(scenario.kernel.command_delay_ticks);
    let stands_shut = |off: &ShutOff, jet: &Jet, time_s: f64| {
        let named = match &off.what {
            Shut::Group(group) => jet.group == *group,
            Shut::Jet(name) => jet.name == *name,
        };
        named && off.start_s <= time_s + 1e-9 && time_s + 1e-9 < off.stop_s
    };
    let openings = record.edges.iter().filter(|edge| edge.open);
    openings
        .filter(|edge| {
            let Some(jet) = scenario.vehicle.jets.get(edge.jet) else { return false };
            let shut = |off: &ShutOff| stands_shut(off, jet, edge.time_s - late_s);
            jet.state == JetState::Forbidden || scenario.shut_offs.iter().any(shut)
        })
        .count()
}
