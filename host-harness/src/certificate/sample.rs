//! A sample of a flight's selections: few, spread evenly over the flight, of every kind that occurs.

use stackhold_kernel::cycle::Witness;
use stackhold_kernel::selection::{Outcome, Problem, Selection};

use super::SelectionCertificate;

/// At most this many are kept of each outcome and number of rows.
pub const MOST_OF_A_KIND: usize = 32;

/// One selection of a flight.
#[derive(Clone, Debug, PartialEq)]
pub struct Sample {
    /// Number among all selections of the flight, from 1.
    pub number: u64,
    /// Start of its control cycle, s.
    pub time_s: f64,
    /// Problem, answer and multipliers.
    pub certificate: SelectionCertificate,
}

/// Selections of one outcome and number of rows: every `every`-th of those met.
#[derive(Clone, Debug)]
struct Kind {
    outcome: Outcome,
    rows: usize,
    met: u64,
    every: u64,
    kept: Vec<Sample>,
}

/// Witness of a flight that keeps a sample; which ones depends on the flight alone.
///
/// Of each kind every selection is kept at first; whenever there are more than [`MOST_OF_A_KIND`], every
/// other one is dropped and half as many are kept from then on.
#[derive(Clone, Debug, Default)]
pub struct Sampler {
    seen: u64,
    time_s: f64,
    kinds: Vec<Kind>,
}

impl Sampler {
    /// Tells the time of the selections to come, s.
    pub fn at(&mut self, time_s: f64) {
        self.time_s = time_s;
    }

    /// Selections seen, kept or not.
    #[must_use]
    pub fn seen(&self) -> u64 {
        self.seen
    }

    /// What was kept, in the order of the flight; selections that claim nothing are not among them.
    #[must_use]
    pub fn samples(&self) -> Vec<&Sample> {
        let mut all: Vec<&Sample> = self.kinds.iter().flat_map(|kind| &kind.kept).collect();
        all.sort_by_key(|sample| sample.number);
        all
    }
}

impl Witness for Sampler {
    fn saw<const M: usize, const N: usize>(&mut self, problem: &Problem<M>, answer: &Selection<M, N>) {
        self.seen += 1;
        let same = |kind: &Kind| kind.outcome == answer.outcome && kind.rows == M;
        let index = self.kinds.iter().position(same).unwrap_or_else(|| {
            self.kinds.push(Kind { outcome: answer.outcome, rows: M, met: 0, every: 1, kept: Vec::new() });
            self.kinds.len() - 1
        });
        let kind = &mut self.kinds[index];
        if kind.met.is_multiple_of(kind.every) {
            let certificate = SelectionCertificate::new(problem, answer);
            if certificate.claims_something() {
                kind.kept.push(Sample { number: self.seen, time_s: self.time_s, certificate });
            }
        }
        kind.met += 1;
        if kind.kept.len() > MOST_OF_A_KIND {
            let mut odd = false;
            kind.kept.retain(|_| {
                odd = !odd;
                odd
            });
            kind.every *= 2;
        }
    }
}
