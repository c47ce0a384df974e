//! Certificates: what must be known to check a claim without this program, as JSON of our own.
//!
//! Two kinds, told apart by the key `certificate`; `version` is 1 for both. A checker that shares no
//! code with this crate lies in `tests/certificates/check.py`.
//!
//! Every number that a claim rests on is a **string with the exact decimal value** of the `f32` or `f64`
//! it stands for (`"1.25e-1"`); `null` is an edge at infinity. Units are in the keys. A vector of a
//! selection has up to two parts, `turn_..` (three rows, body axes: rate change and what goes with it)
//! and `push_..` (velocity change).
//!
//! # `jet_selection`
//! One problem put to the kernel's selection (see [`stackhold_kernel::selection`]), its answer and its
//! multipliers: `jets` (name, `usable`, `column` per second of full thrust, `price_kg_s`, `limit_s`,
//! `on_time_s`), `demand` (`low`, `high`), `rules` (the published constants `slack`, `floor`, `spill`,
//! `longest`) and `claims` (`outcome`, `lambda`, `price_kg`, `achieved`, `remaining`, `multipliers`,
//! `reach_multipliers`). The price is what the selection minimises: propellant by its weight and, in a hold,
//! less the credit for turning against a standing disturbance.
//!
//! *Proves:* the on-times keep their limits and deliver the demand's ranges at λ; nothing cheaper does; no
//! share beyond λ, its slack apart, is within reach. With `axes_by_priority` and
//! `delivered_but_for_coupling`: nothing cheaper delivers what is delivered, no row is pushed the wrong way,
//! and the direction cannot be kept above `floor`. That the axes were served in the right order follows
//! from no multipliers and is not proven. *Takes as given:* columns, prices, limits and demand.
//!
//! # `propellant_bound`
//! The data of the lower bound of a flight's propellant (see [`crate::bound`]): geometry and specific
//! impulse of each jet with its recorded totals, tanks, mass and centre of mass at the start, centre of mass
//! at the end, the integrals of the impulse account (that of a main engine counted with the disturbances; what it drew from a
//! tank stands there as `engine_kg`), the multipliers, and `claims`.
//!
//! *Proves:* no firing of these jets that delivers the recorded impulse, to within what the account misses,
//! takes less than `bound_kg`. *Takes as given:* the recorded integrals, totals and centres of mass; that
//! tanks drain in place and never fill; that a pulse never exceeds the steady specific impulse.

mod sample;

use serde_json::{Map, Value, json};
use stackhold_kernel::selection::{FLOOR, LONGEST, Outcome, Problem, SLACK, SPILL, Selection};

use crate::bound::{self, Bound};
use crate::plume;
use crate::record::RunRecord;
use crate::scenario::model::Scenario;
use crate::select::outcome_word;

pub use sample::{MOST_OF_A_KIND, Sample, Sampler};

/// Version of both kinds.
pub const VERSION: u32 = 1;

/// A selection as posed and answered.
#[derive(Clone, Debug, PartialEq)]
pub struct SelectionCertificate {
    jets: Vec<JetEntry>,
    low: Vec<f32>,
    high: Vec<f32>,
    lambda: f32,
    achieved: Vec<f32>,
    remaining: Vec<f32>,
    multipliers: Vec<f32>,
    reach_multipliers: Vec<f32>,
    outcome: Outcome,
}

#[derive(Clone, Debug, PartialEq)]
struct JetEntry {
    usable: bool,
    column: Vec<f32>,
    price: f32,
    limit: f32,
    on_time: f32,
}

/// How the rows of a selection are called, with the units of a vector; turn, then push.
struct Units {
    turn: &'static str,
    push: &'static str,
}

const COLUMN: Units = Units { turn: "turn_rad_s2", push: "push_m_s2" };
const ROWS: Units = Units { turn: "turn_rad_s", push: "push_m_s" };
const PRICES: Units = Units { turn: "turn_kg_s_per_rad", push: "push_kg_s_per_m" };
const SHARES: Units = Units { turn: "turn_s_per_rad", push: "push_s_per_m" };

impl SelectionCertificate {
    /// Keeps a problem with its answer.
    #[must_use]
    pub fn new<const M: usize, const N: usize>(problem: &Problem<M>, answer: &Selection<M, N>) -> Self {
        let jets = problem.columns.iter().zip(problem.price).zip(problem.limit).zip(&answer.on_time);
        let jets = jets.enumerate().map(|(index, (((column, price), limit), on_time))| JetEntry {
            usable: problem.usable.contains(index),
            column: column.to_vec(),
            price: *price,
            limit: *limit,
            on_time: *on_time,
        });
        Self {
            jets: jets.collect(),
            low: problem.demand.low.to_vec(),
            high: problem.demand.high.to_vec(),
            lambda: answer.lambda,
            achieved: answer.achieved.to_vec(),
            remaining: answer.remaining.to_vec(),
            multipliers: answer.multipliers.to_vec(),
            reach_multipliers: answer.reach_multipliers.to_vec(),
            outcome: answer.outcome,
        }
    }

    /// How the selection ended.
    #[must_use]
    pub fn outcome(&self) -> Outcome {
        self.outcome
    }

    /// Whether there is a claim to check: a refused or stalled selection makes none.
    #[must_use]
    pub fn claims_something(&self) -> bool {
        !matches!(self.outcome, Outcome::Refused | Outcome::Stalled)
    }

    /// The certificate.
    ///
    /// * `about` — what it is of (scenario, flight, time ..), put first; `names` — of the jets, in the
    ///   table's order; entries of the table beyond them are left out.
    #[must_use]
    pub fn json(&self, about: &Map<String, Value>, names: &[String]) -> Value {
        let jets: Vec<Value> = self.jets.iter().zip(names).map(|(jet, name)| jet.json(name)).collect();
        let price: f64 = self.jets.iter().map(|jet| f64::from(jet.price) * f64::from(jet.on_time)).sum();
        let mut top = head("jet_selection", about);
        top.insert("jets".into(), json!(jets));
        top.insert(
            "demand".into(),
            json!({"low": parts(&self.low, &ROWS), "high": parts(&self.high, &ROWS)}),
        );
        let rules = [("slack", SLACK), ("floor", FLOOR), ("spill", SPILL), ("longest", LONGEST)];
        top.insert(
            "rules".into(),
            rules.map(|(rule, value)| (rule.to_owned(), narrow(value))).into_iter().collect(),
        );
        top.insert(
            "claims".into(),
            json!({
                "outcome": outcome_word(self.outcome),
                "lambda": narrow(self.lambda),
                "price_kg": exact(price),
                "achieved": parts(&self.achieved, &ROWS),
                "remaining": parts(&self.remaining, &ROWS),
                "multipliers": parts(&self.multipliers, &PRICES),
                "reach_multipliers": parts(&self.reach_multipliers, &SHARES),
            }),
        );
        Value::Object(top)
    }
}

impl JetEntry {
    fn json(&self, name: &str) -> Value {
        json!({
            "jet": name,
            "usable": self.usable,
            "column": parts(&self.column, &COLUMN),
            "price_kg_s": narrow(self.price),
            "limit_s": narrow(self.limit),
            "on_time_s": narrow(self.on_time),
        })
    }
}

/// The certificate of a flight's propellant bound.
///
/// * `flown_stack` — bodies really there; `bound` — as [`bound::propellant_bound`] found it, proven.
#[must_use]
pub fn bound_certificate(
    scenario: &Scenario,
    flown_stack: &[String],
    record: &RunRecord,
    bound: &Bound,
    about: &Map<String, Value>,
) -> Value {
    let vehicle = &scenario.vehicle;
    let tanks = vehicle.tanks.iter().filter(|tank| flown_stack.contains(&tank.body));
    let tanks = tanks.map(|tank| {
        let mut entry = json!({"tank": tank.name, "position_m": exactly(&tank.position_m)});
        let engine_kg = bound::engine_draught_kg(vehicle, record, &tank.name);
        if engine_kg > 0.0 {
            entry["engine_kg"] = exact(engine_kg);
        }
        entry
    });
    let tanks: Vec<Value> = tanks.collect();
    let jets: Vec<Value> = plume::on(&vehicle.jets, flown_stack)
        .iter()
        .zip(&record.jets)
        .map(|(jet, totals)| {
            json!({
                "jet": jet.name,
                "tank": jet.tank,
                "position_m": exactly(&jet.position_m),
                "force_direction": exactly(&jet.force_direction),
                "specific_impulse_s": exact(jet.specific_impulse_s),
                "could_fire": bound::could_fire(jet, flown_stack, totals),
                "impulse_n_s": exact(totals.impulse_n_s),
                "propellant_kg": exact(totals.propellant_kg),
            })
        })
        .collect();
    let account = &record.impulse;
    let used: f64 = record.jets.iter().map(|totals| totals.propellant_kg).sum();
    let mut top = head("propellant_bound", about);
    let mut put = |key: &str, value: Value| top.insert(key.to_owned(), value);
    put("mass_start_kg", exact(bound::mass_at_start_kg(scenario, flown_stack)));
    put("centre_of_mass_start_m", exactly(&record.centre_of_mass_m[0]));
    put("centre_of_mass_end_m", exactly(&record.centre_of_mass_m[1]));
    put("tanks", json!(tanks));
    put("jets", json!(jets));
    put(
        "impulse",
        json!({
            "momentum_change_n_m_s": exactly(&account.momentum_change_n_m_s),
            "gyroscopic_n_m_s": exactly(&account.gyroscopic_n_m_s),
            "disturbance_n_m_s": exactly(&bound::beside_jets_n_m_s(account)),
            "jets_n_m_s": exactly(&account.jets_n_m_s),
        }),
    );
    put("multipliers_kg_per_n_m_s", exactly(&bound.multipliers_kg_per_n_m_s));
    put("claims", json!({"bound_kg": exact(bound.value_kg), "propellant_kg": exact(used)}));
    Value::Object(top)
}

fn head(kind: &str, about: &Map<String, Value>) -> Map<String, Value> {
    let mut top = Map::new();
    top.insert("certificate".into(), json!(kind));
    top.insert("version".into(), json!(VERSION));
    top.extend(about.clone());
    top
}

/// A vector of a selection, its first three rows apart from the rest.
fn parts(rows: &[f32], units: &Units) -> Value {
    let (turn, push) = rows.split_at(rows.len().min(3));
    let values = |part: &[f32]| part.iter().copied().map(narrow).collect::<Value>();
    let mut parts = Map::new();
    parts.insert(units.turn.to_owned(), values(turn));
    if !push.is_empty() {
        parts.insert(units.push.to_owned(), values(push));
    }
    Value::Object(parts)
}

fn narrow(value: f32) -> Value {
    exact(f64::from(value))
}

fn exactly(values: &[f64]) -> Value {
    values.iter().copied().map(exact).collect()
}

/// The exact decimal value as a string; `null` when it is not finite.
fn exact(value: f64) -> Value {
    // No binary64 has more than 767 significant decimal digits.
    let text = format!("{value:.766e}");
    match text.split_once('e').filter(|_| value.is_finite()) {
        None => Value::Null,
        Some((digits, exponent)) => {
            let digits = digits.trim_end_matches('0').trim_end_matches('.');
            json!(if exponent == "0" { digits.to_owned() } else { format!("{digits}e{exponent}") })
        }
    }
}
