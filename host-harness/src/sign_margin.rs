//! Sign margins: how far the centre of mass may lie from where the kernel is told it lies before what is
//! selected turns a demanded axis the wrong way.
//!
//! # Definition
//! For a demanded axis `e` (one of six: both signs of three body axes) the kernel's own selection, by the
//! table it is told and with time enough, gives acting times `t_j`. Let `F = Σ t_j f_j` be their linear
//! impulse and `H` their angular impulse about a centre of mass `c`. With the centre of mass at `c + d` they
//! deliver `H − d × F`, and with the inertia `J` the rate change along the demanded axis
//!
//! `e · J⁻¹ (H − d × F) = a · H − d · (F × a)`, where `a = J⁻¹ e`.
//!
//! It is linear in `d`: zero on a plane, and of the wrong sign beyond it. The **margin** is the distance of
//! that plane from `c`, `a · H / |F × a|`, and its **direction** the nearest way there, `F × a / |F × a|`. An
//! error of the centre of mass shorter than the margin turns the axis the right way, whatever its direction.
//! A firing without net force has no such plane. On-times grow in proportion to the demand, so the margin does
//! not depend on its size.
//!
//! *Told*: `c` and `J` as in the table; `d` is true less told. *Left*: `c` and `J` of the stack as it is, so
//! that what a table in error has already used up is gone; below zero the axis turns the wrong way now.
//!
//! # Left out
//! * The inertia stays as it is while the centre of mass moves. Whatever moves the centre of mass moves the
//!   inertia as well, and with products of inertia that tilts `a`. In the demonstration, with client and
//!   stage displaced together and the inertia with them, no axis turns the wrong way nearer than 0.95 of its
//!   margin in any direction, and along the margin's own direction at 1.05 to 1.65 times it
//!   (`tests/sign_margin.rs`).
//! * Demands too large for one control cycle: they are flown with on-times at their limit and so with other
//!   jets than these, whose margin is another one.
//! * Whole ticks, ramps and scatter, which change `t_j` by little; the wish to spare translation; jets that
//!   fail unannounced: a failed jet is one the kernel selects without.

use anyhow::{Context, Result};
use nalgebra::Vector3;
use serde::Serialize;

use crate::authority::{signed_axes, told_properties};
use crate::bound::usable;
use crate::plume;
use crate::scenario::model::{JetState, Scenario, Told};
use crate::select::{Turning, turnings};
use crate::stack::{self, MassProperties};

/// Margins beyond this say nothing about a vehicle, m.
pub const LOOKED_WITHIN_M: f64 = 100.0;

/// The demand: only its direction matters, rad/s.
const DEMAND_RAD_S: f64 = 1e-3;

/// A rate change below this share of the demand is none: the axis is not turned at all.
const TURNED: f64 = 1e-3;

/// The plane on which a firing no longer turns an axis.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Plane {
    /// Distance from the centre of mass, m; below zero when it is behind: the axis turns the wrong way.
    pub distance_m: f64,
    /// Unit vector to where the axis turns the wrong way, body axes.
    pub direction: [f64; 3],
}

/// One demanded axis.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AxisMargin {
    /// `+x` .. `-z`.
    pub axis: String,
    /// How the selection ended.
    pub outcome: &'static str,
    /// Whether the axis is turned at all, by what the kernel is told.
    pub turned: bool,
    /// Smallest error of the told centre of mass that turns the axis the wrong way, m; `None` when there is
    /// none within [`LOOKED_WITHIN_M`], or the axis is not turned.
    pub margin_m: Option<f64>,
    /// Its direction, true less told, body axes.
    pub direction: Option<[f64; 3]>,
    /// The same distance on the stack as it is, m; below zero when the axis turns the wrong way now.
    pub left_m: Option<f64>,
    /// Whether the axis turns the wrong way on the stack as it is.
    pub wrong_way: bool,
}

/// The axes without one jet.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FailureMargins {
    /// The jet the kernel selects without.
    pub jet: String,
    /// Six entries, as of the healthy layout.
    pub axes: Vec<AxisMargin>,
}

/// The smallest of all margins.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Weakest {
    /// The failed jet; `None` for the healthy layout.
    pub failed_jet: Option<String>,
    /// The axis.
    pub axis: String,
    /// The margin, m.
    pub margin_m: f64,
    /// Its direction, true less told, body axes.
    pub direction: [f64; 3],
}

/// Sign margins of one flight's table.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct SignMargins {
    /// Margins beyond this are not given, m.
    pub looked_within_m: f64,
    /// Six entries: `+x`, `-x`, `+y`, `-y`, `+z`, `-z`.
    pub healthy: Vec<AxisMargin>,
    /// One entry per usable jet.
    pub failures: Vec<FailureMargins>,
    /// Smallest margin of the healthy layout.
    pub weakest: Option<Weakest>,
    /// Smallest margin with one jet failed.
    pub weakest_with_a_failure: Option<Weakest>,
}

/// The plane of zero turn of a firing; `None` when the firing has no net force to speak of.
///
/// * `about` — centre of mass and inertia; `unit` — the demanded axis.
/// * `impulses` — place of each jet, structural axes, m, and its linear impulse, N·s (any common factor).
///
/// # Errors
/// When the inertia is singular.
pub fn plane_of_zero_turn(
    about: &MassProperties,
    unit: [f64; 3],
    impulses: &[([f64; 3], [f64; 3])],
) -> Result<(f64, Option<Plane>)> {
    let inverse = about.inertia().try_inverse().context("the inertia is singular")?;
    let a = inverse * Vector3::from(unit);
    let centre = Vector3::from(about.centre_of_mass_m);
    let (mut force, mut angular, mut size) = (Vector3::zeros(), Vector3::zeros(), 0.0);
    for (place, impulse) in impulses {
        let impulse = Vector3::from(*impulse);
        force += impulse;
        angular += (Vector3::from(*place) - centre).cross(&impulse);
        size += impulse.norm();
    }
    let turn = a.dot(&angular);
    let steepest = force.cross(&a);
    let slope = steepest.norm();
    // Times in `f32`: what is left of a balanced pair is rounding.
    let plane = (slope > 1e-6 * size * a.norm())
        .then(|| Plane { distance_m: turn / slope, direction: (steepest / slope).into() });
    Ok((turn, plane))
}

/// Works out the sign margins of a flight.
///
/// * `present` — bodies really there; `told` — what the kernel is told.
///
/// # Errors
/// When mass properties are singular, or the kernel refuses its table.
pub fn sign_margins(scenario: &Scenario, present: &[String], told: &Told) -> Result<SignMargins> {
    let mut flown = Scenario { stack: present.to_vec(), told: told.clone(), ..scenario.clone() };
    let vehicle = &flown.vehicle;
    let stacks = Stacks {
        told: told_properties(&flown, told),
        actual: stack::composite(vehicle, present, &stack::full_tanks(vehicle)),
    };
    let healthy = stacks.axes(&flown)?;
    let mut failures = Vec::new();
    for index in 0..flown.vehicle.jets.len() {
        let jet = &flown.vehicle.jets[index];
        if !usable(jet, present) {
            continue;
        }
        let (name, state) = (jet.name.clone(), jet.state);
        flown.vehicle.jets[index].state = JetState::Dead;
        failures.push(FailureMargins { jet: name, axes: stacks.axes(&flown)? });
        flown.vehicle.jets[index].state = state;
    }
    let weakest = healthy.iter().filter_map(|axis| Weakest::of(axis, None)).min_by(Weakest::smaller);
    let failed = failures
        .iter()
        .flat_map(|failure| failure.axes.iter().filter_map(|axis| Weakest::of(axis, Some(&failure.jet))));
    let weakest_with_a_failure = failed.min_by(Weakest::smaller);
    Ok(SignMargins { looked_within_m: LOOKED_WITHIN_M, healthy, failures, weakest, weakest_with_a_failure })
}

impl Weakest {
    fn of(axis: &AxisMargin, failed_jet: Option<&String>) -> Option<Self> {
        let (margin_m, direction) = axis.margin_m.zip(axis.direction)?;
        Some(Self { failed_jet: failed_jet.cloned(), axis: axis.axis.clone(), margin_m, direction })
    }

    fn smaller(a: &Self, b: &Self) -> std::cmp::Ordering {
        a.margin_m.total_cmp(&b.margin_m)
    }
}

/// The stack as told and as it is.
struct Stacks {
    told: MassProperties,
    actual: MassProperties,
}

impl Stacks {
    fn axes(&self, flown: &Scenario) -> Result<Vec<AxisMargin>> {
        let axes = signed_axes();
        let demands: Vec<[f64; 3]> = axes.iter().map(|(_, unit)| unit.map(|u| u * DEMAND_RAD_S)).collect();
        let answers = turnings(flown, &demands)?;
        axes.into_iter()
            .zip(&answers)
            .map(|((name, unit), answer)| self.axis(flown, name, unit, answer))
            .collect()
    }

    fn axis(&self, flown: &Scenario, axis: String, unit: [f64; 3], answer: &Turning) -> Result<AxisMargin> {
        // Told thrust is true thrust times a factor common to all jets, which is no matter here.
        let impulses = |bodies: &[String]| -> Vec<([f64; 3], [f64; 3])> {
            let jets = plume::on(&flown.vehicle.jets, bodies);
            let pairs = jets.iter().zip(&answer.acting_s);
            pairs
                .map(|(jet, time)| (jet.position_m, jet.force_direction.map(|d| d * jet.thrust_n * time)))
                .collect()
        };
        let (told_turn, told_plane) = plane_of_zero_turn(&self.told, unit, &impulses(&flown.told.stack))?;
        let (turn, plane) = plane_of_zero_turn(&self.actual, unit, &impulses(&flown.stack))?;
        let turned = told_turn > TURNED * DEMAND_RAD_S;
        let near = |plane: &Plane| turned && plane.distance_m.abs() <= LOOKED_WITHIN_M;
        let margin = told_plane.filter(near);
        Ok(AxisMargin {
            axis,
            outcome: answer.outcome,
            turned,
            margin_m: margin.map(|plane| plane.distance_m),
            direction: margin.map(|plane| plane.direction),
            left_m: plane.filter(near).map(|plane| plane.distance_m),
            wrong_way: turned && turn < 0.0,
        })
    }
}

/// How a page or a terminal writes numbers.
#[derive(Clone, Copy, Debug)]
pub struct Style {
    /// A number.
    pub number: fn(f64) -> String,
    /// Three components between brackets.
    pub vector: fn([f64; 3]) -> String,
    /// Name of a jet.
    pub name: fn(&str) -> String,
    /// A signed axis.
    pub axis: fn(&str) -> String,
}

impl Style {
    /// A unit vector to three decimals.
    #[must_use]
    pub fn direction(&self, unit: [f64; 3]) -> String {
        (self.vector)(unit.map(|component| (component * 1e3).round() / 1e3))
    }
}

impl AxisMargin {
    /// The margin in words, without its unit.
    #[must_use]
    pub fn margin_words(&self, style: Style) -> String {
        match self.margin_m {
            Some(margin) => (style.number)(margin),
            None if self.turned => format!("over {}", (style.number)(LOOKED_WITHIN_M)),
            None => "not turned".to_owned(),
        }
    }

    /// What is left of it in words, without its unit.
    #[must_use]
    pub fn left_words(&self, style: Style) -> String {
        match self.left_m {
            Some(left) if self.wrong_way => format!("{}, wrong way", (style.number)(left)),
            Some(left) => (style.number)(left),
            None if self.wrong_way => "wrong way".to_owned(),
            None => self.margin_words(style),
        }
    }
}

impl SignMargins {
    /// Which axis and direction is the weakest, and which axes turn the wrong way now.
    #[must_use]
    pub fn sentences(&self, style: Style) -> Vec<String> {
        let mut said = Vec::new();
        let within = (style.number)(self.looked_within_m);
        match &self.weakest {
            Some(weakest) => said.push(weakest.sentence(style)),
            None => said.push(format!(
                "No error of the centre of mass within {within} m turns an axis the wrong way."
            )),
        }
        said.extend(self.weakest_with_a_failure.iter().map(|weakest| weakest.sentence(style)));
        let wrong: Vec<String> =
            self.healthy.iter().filter(|axis| axis.wrong_way).map(|axis| (style.axis)(&axis.axis)).collect();
        if !wrong.is_empty() {
            said.push(format!(
                "On the stack as it is, what is asked turns the WRONG WAY on {}.",
                wrong.join(", ")
            ));
        }
        said
    }
}

impl Weakest {
    fn sentence(&self, style: Style) -> String {
        let layout = match &self.failed_jet {
            None => "Weakest".to_owned(),
            Some(jet) => format!("Weakest with one jet failed ({})", (style.name)(jet)),
        };
        format!(
            "{layout}: {} turns the wrong way once the centre of mass lies more than {} m along {} from where the kernel is told.",
            (style.axis)(&self.axis),
            (style.number)(self.margin_m),
            style.direction(self.direction)
        )
    }
}
