//! Requirements against figures: value, margin, met or missed.

use serde::Serialize;

use crate::metrics::Figures;
use crate::scenario::model::Requirement;

/// Exit code of a run whose requirements are all met.
pub const EXIT_MET: i32 = 0;
/// Exit code of a run that missed a requirement.
pub const EXIT_MISSED: i32 = 1;
/// Exit code when there is no result: bad input, bad output folder, or an error on the way.
pub const EXIT_COULD_NOT_RUN: i32 = 2;

/// One requirement, judged.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Judgement {
    /// Key of the figure.
    pub figure: String,
    /// Upper bound, in the figure's unit.
    pub at_most: Option<f64>,
    /// Lower bound, in the figure's unit.
    pub at_least: Option<f64>,
    /// Measured; `None` when this run has no such figure.
    pub value: Option<f64>,
    /// Distance to the nearer bound in the figure's unit; negative when missed.
    pub margin: Option<f64>,
    /// `margin` over that bound; `None` for a bound of zero.
    pub margin_fraction: Option<f64>,
    /// Whether it is met. A figure that was not measured, or is not a finite number, misses.
    pub met: bool,
}

/// All requirements of a run.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Verdict {
    /// Whether every requirement is met. A scenario without requirements is met, and says so.
    pub met: bool,
    /// One entry per requirement, in the scenario's order.
    pub requirements: Vec<Judgement>,
}

impl Verdict {
    /// `met` or `missed`.
    #[must_use]
    pub fn word(&self) -> &'static str {
        if self.met { "met" } else { "missed" }
    }

    /// Exit code of the program.
    #[must_use]
    pub fn exit_code(&self) -> i32 {
        if self.met { EXIT_MET } else { EXIT_MISSED }
    }

    /// Requirements missed.
    #[must_use]
    pub fn missed(&self) -> usize {
        self.requirements.iter().filter(|r| !r.met).count()
    }
}

/// Judges every requirement.
#[must_use]
pub fn judge(requirements: &[Requirement], figures: &Figures) -> Verdict {
    let requirements: Vec<Judgement> =
        requirements.iter().map(|r| judge_one(r, figures.get(&r.figure))).collect();
    Verdict { met: requirements.iter().all(|r| r.met), requirements }
}

fn judge_one(requirement: &Requirement, value: Option<f64>) -> Judgement {
    let value = value.filter(|v| v.is_finite());
    let from_above = requirement.at_most.map(|bound| (bound, value.map(|v| bound - v)));
    let from_below = requirement.at_least.map(|bound| (bound, value.map(|v| v - bound)));
    let bounds = [from_above, from_below];
    let bounded = bounds.iter().any(Option::is_some);
    // NaN bounds compare false, so they miss.
    let kept = bounds.iter().flatten().all(|(_, margin)| margin.is_some_and(|m| m >= 0.0));
    let tightest = bounds
        .into_iter()
        .flatten()
        .filter_map(|(bound, margin)| margin.map(|m| (bound, m)))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    Judgement {
        figure: requirement.figure.clone(),
        at_most: requirement.at_most,
        at_least: requirement.at_least,
        value,
        margin: tightest.map(|(_, m)| m),
        margin_fraction: tightest.filter(|(b, _)| *b != 0.0).map(|(b, m)| m / b.abs()),
        met: bounded && kept,
    }
}
