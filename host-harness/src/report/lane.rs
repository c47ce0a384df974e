//! A lane: one flight's place in the report, with its scenario and its title.

use super::{ComparedOption, Flight, words};
use crate::held::{self, Kept, Span};
use crate::record::CycleRow;
use crate::scenario::model::{Phase, Scenario};
use std::borrow::Cow;

/// One flight shown beside others.
#[derive(Clone, Debug)]
pub struct Lane<'a> {
    /// Title, unique within the page.
    pub title: String,
    /// One line for people; may be empty.
    pub note: String,
    /// The scenario flown.
    pub scenario: &'a Scenario,
    /// The same with its phases as they began.
    pub begun: Cow<'a, Scenario>,
    /// The flight.
    pub flight: &'a Flight<'a>,
    /// Ink that tells this lane apart where lanes share a picture.
    pub ink: usize,
    /// Whether it is its scenario's own flight, and not a variant.
    pub own: bool,
    /// Whether it strays so much further than the first flight that it needs wider scales.
    pub wide: bool,
}

/// A flight whose attitude strays this many times further than the first one's gets wider scales:
/// on common ones the first would be a dot.
const WIDE: f64 = 5.0;

/// Number of different inks.
pub const INKS: usize = 4;

/// Lanes in the order of the options and of their flights.
pub fn of_options<'a>(options: &[ComparedOption<'a>]) -> Vec<Lane<'a>> {
    let mut lanes: Vec<Lane<'a>> = Vec::new();
    for option in options {
        for (index, flight) in option.flights.iter().enumerate() {
            let variant = option.scenario.variants.iter().find(|v| v.name == flight.record.name);
            let told = flown_name(&flight.record.name);
            let title = if options.len() > 1 {
                format!("{}, {told}", words::title(&option.scenario.name))
            } else {
                words::title(&told)
            };
            let note = variant.map_or_else(String::new, |variant| variant.description.clone());
            let ink = lanes.len() % INKS;
            lanes.push(Lane {
                title,
                note,
                scenario: option.scenario,
                begun: option.scenario.as_begun(&flight.record.phase_starts_s),
                flight,
                ink,
                own: index == 0,
                wide: false,
            });
        }
    }
    let stray = |lane: &Lane<'_>| {
        (0..3)
            .flat_map(|axis| [lane.error_deg(axis), lane.led_error_deg(axis)].concat())
            .fold(0.0, |a: f64, e| a.max(e.abs()))
    };
    let first = lanes.first().map_or(0.0, stray);
    for lane in &mut lanes {
        lane.wide = first > 0.0 && stray(lane) > WIDE * first;
    }
    lanes
}

/// A flight's name as people say it.
fn flown_name(name: &str) -> String {
    if name == "told_truth" { "told the truth".to_owned() } else { words::plain(name) }
}

impl Lane<'_> {
    /// Stretches in which an attitude is held or watched.
    pub fn spans(&self) -> Vec<Span> {
        let mut spans = self.all_spans();
        spans.retain(|span| !span.kept.is_led());
        spans
    }

    /// The same with the ways of slews, and with what is flown by hand.
    pub fn all_spans(&self) -> Vec<Span> {
        held::spans(&self.begun, &self.flight.record.cycles)
    }

    /// Whether it slews.
    pub fn slews(&self) -> bool {
        self.all_spans().iter().any(|span| span.kept == Kept::Slewing)
    }

    /// Whether an attitude is kept about what the kernel alone knows.
    pub fn is_led(&self) -> bool {
        self.all_spans().iter().any(|span| span.kept.is_led())
    }

    /// Rate that a hand controller asks for about one axis at each cycle, degrees a second; a gap where there is none.
    pub fn asked_deg_s(&self, axis: usize) -> Vec<f64> {
        let phases: Vec<(&Phase, f64)> = held::phase_ends(&self.begun).collect();
        let asked = |row: &CycleRow| {
            let at = |(phase, end): &&(&Phase, f64)| {
                row.time_s >= phase.start_s - 5e-10 && row.time_s < *end - 5e-10
            };
            let (phase, _) = phases.iter().find(at)?;
            phase.mode.asked_by_hand_rad_s(row.time_s - phase.start_s)
        };
        let rows = self.flight.record.cycles.iter();
        rows.map(|row| asked(row).map_or(f64::NAN, |rate| rate[axis].to_degrees())).collect()
    }

    /// Times of the cycles, s.
    pub fn times_s(&self) -> Vec<f64> {
        self.flight.record.cycles.iter().map(|row| row.time_s).collect()
    }

    /// Attitude error about one axis at each cycle, degrees; a gap where no attitude is held or watched.
    pub fn error_deg(&self, axis: usize) -> Vec<f64> {
        self.degrees_where(|kept| !kept.is_led(), |row| row.error_rad[axis])
    }

    /// The kernel's estimate of the error about one axis at each cycle, degrees, where that is kept about what the kernel
    /// alone knows; a gap elsewhere.
    pub fn led_error_deg(&self, axis: usize) -> Vec<f64> {
        self.degrees_where(Kept::is_led, |row| row.estimated_error_rad[axis])
    }

    /// An angle (rad) or rate (rad/s) of each cycle in degrees (a second), in stretches of some kinds; a gap elsewhere.
    pub fn degrees_where(&self, wanted: impl Fn(Kept) -> bool, value: impl Fn(&CycleRow) -> f64) -> Vec<f64> {
        let mut spans = self.all_spans();
        spans.retain(|span| wanted(span.kept));
        let degrees = |row: &CycleRow| {
            let shown = spans.iter().any(|span| span.holds(row.time_s));
            if shown { value(row).to_degrees() } else { f64::NAN }
        };
        self.flight.record.cycles.iter().map(degrees).collect()
    }

    /// Cycles at which the rotation vector of the attitude error passes half a turn and comes back from
    /// the other side: a jump of the numbers, not of the vehicle.
    pub fn wraps(&self) -> Vec<usize> {
        let cycles = &self.flight.record.cycles;
        let jump = |pair: &[CycleRow]| {
            let parts = pair[0].error_rad.iter().zip(pair[1].error_rad).map(|(a, b)| (a - b).powi(2));
            parts.sum::<f64>().sqrt() > std::f64::consts::PI
        };
        cycles.windows(2).enumerate().filter(|(_, pair)| jump(pair)).map(|(row, _)| row + 1).collect()
    }

    /// True body rate about one axis at each cycle, degrees a second.
    pub fn rate_deg_s(&self, axis: usize) -> Vec<f64> {
        self.flight.record.cycles.iter().map(|row| row.rate_rad_s[axis].to_degrees()).collect()
    }

    /// A number of the flight's summary.
    pub fn figure(&self, key: &str) -> Option<f64> {
        self.flight.summary.get(key).and_then(serde_json::Value::as_f64)
    }
}
