//! Reports for people: one self-contained page of one run, or of several options side by side.
//!
//! Both reports are made of the same sections over a list of lanes (one lane per flight),
//! so whatever one of them learns to show, the other shows too. A page carries its style, its
//! script, its plotting library with licence, and its data; it asks nothing of a network.
//!
//! Text that comes from a file is escaped: in the page by `maud`, in the embedded data by
//! `data.rs`; the script puts text into the page as text only.

mod asked;
mod charts;
mod data;
mod decimate;
mod flown;
mod interfaces;
mod jets;
mod lane;
mod margins;
mod page;
mod partings;
mod phase_plane;
mod provenance;
mod stack_shapes;
mod stack_view;
mod ticks;
mod verdict_words;
mod words;

use crate::record::RunRecord;
pub use words::status_meaning;

use crate::scenario::model::Scenario;
use crate::sign_margin::SignMargins;

/// What is needed to draw the stack and to say what the kernel was told about it.
///
/// Structural axes, taken at time zero.
#[derive(Clone, Debug, PartialEq)]
pub struct StackPicture {
    /// Names of the bodies that are really there.
    pub bodies: Vec<String>,
    /// True mass, kg.
    pub mass_kg: f64,
    /// True centre of mass, m.
    pub centre_of_mass_m: [f64; 3],
    /// True inertia about the centre of mass, kg·m²; off-diagonal elements are minus the integral.
    pub inertia_kg_m2: [[f64; 3]; 3],
    /// Centre of mass the jets were laid out for, m.
    pub design_centre_of_mass_m: [f64; 3],
    /// What the kernel's table says instead; `None` leaves the comparison out.
    pub told: Option<ToldPicture>,
    /// How wrong the told centre of mass may be; `None` leaves it out.
    pub sign_margins: Option<SignMargins>,
}

/// Mass properties in the kernel's table; same units and axes as [`StackPicture`].
#[derive(Clone, Debug, PartialEq)]
pub struct ToldPicture {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Centre of mass, m.
    pub centre_of_mass_m: [f64; 3],
    /// Inertia about that centre of mass, kg·m².
    pub inertia_kg_m2: [[f64; 3]; 3],
}

/// One flight to be shown.
#[derive(Clone, Debug)]
pub struct Flight<'a> {
    /// What it left behind.
    pub record: &'a RunRecord,
    /// The flight's `summary.json`.
    pub summary: &'a serde_json::Value,
    /// Its stack.
    pub stack: StackPicture,
}

/// One option of a comparison: a scenario with its flights, the scenario's own flight first.
#[derive(Clone, Copy, Debug)]
pub struct ComparedOption<'a> {
    /// The scenario.
    pub scenario: &'a Scenario,
    /// Its flights.
    pub flights: &'a [Flight<'a>],
}

/// The report of one run as an HTML page.
///
/// The first flight is the scenario's own; the others are its variants and are shown beside it on
/// the same scales.
#[must_use]
pub fn run_report(scenario: &Scenario, flights: &[Flight<'_>]) -> String {
    let lanes = lane::of_options(&[ComparedOption { scenario, flights }]);
    page::render(&scenario.name, page::Kind::Run, &lanes)
}

/// The comparison of several options as an HTML page: same sections, same scales, differences told.
#[must_use]
pub fn comparison_report(options: &[ComparedOption<'_>]) -> String {
    let lanes = lane::of_options(options);
    let names: Vec<String> = options.iter().map(|option| words::plain(&option.scenario.name)).collect();
    page::render(&names.join(" or "), page::Kind::Comparison, &lanes)
}
