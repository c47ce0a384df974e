//! Jet selection against two independent general-purpose solvers, a simplex and an interior-point method, on the
//! problem that the kernel says it solves, cold and warm.
//!
//! By default each series is short. The long run, over 100,000 problems, takes some minutes:
//!
//! ```text
//! STACKHOLD_SELECTION_ORACLES=1000 cargo test --release -p stackhold-tests --test selection_oracles -- --nocapture
//! ```
//!
//! `STACKHOLD_SELECTION_ONLY="warm Plain 6x16"` keeps the series whose name has all these words;
//! `STACKHOLD_SELECTION_SEED` moves on to other problems. What fails is printed in full.
mod selection_layouts;
mod selection_series;
mod selection_solvers;

use selection_series::{Case, MOST, Series, Tally, judge, walk_all};
use selection_solvers::{SOLVERS, Solver, largest_share, least_price};
use stackhold_harness::selection_check::{basis_condition, check_selection, served};
use stackhold_kernel::selection::{FLOOR, Outcome, SLACK, Selection};

/// Largest relative shortfall of λ, and propellant above the least, for a basis of condition 100 at most.
const FIGURE: f64 = 1.0e-5;

/// Failures of a series that are printed in full.
const SHOWN: usize = 2;

/// Findings in 100,000 problems that are allowed: none, but where only rounding makes the rank. What solvers in `f64` find
/// there lives on that rounding.
fn allowed(rounded: bool) -> usize {
    if rounded { 10 } else { 0 }
}

/// What a series came to, against the simplex and the interior-point solver.
#[derive(Debug, Default)]
struct Comparison {
    problems: usize,
    /// Shares and prices that a solver found.
    shares: [usize; 2],
    prices: [usize; 2],
    /// Those that it did not find.
    lost: [usize; 2],
    /// Worst differences.
    share: [f64; 2],
    price: [f64; 2],
    /// Problems where a solver is contradicted by the certificate.
    contradicted: [usize; 2],
    faults: std::collections::BTreeMap<String, usize>,
    failures: Vec<String>,
}

impl Comparison {
    fn fault<const M: usize>(
        &mut self,
        what: String,
        name: &str,
        series: &Series,
        case: &Case<M>,
        answer: &Selection<M, MOST>,
    ) {
        *self.faults.entry(name.to_owned()).or_default() += 1;
        if self.failures.len() < SHOWN {
            let turn = self.problems - 1;
            self.failures
                .push(format!("{}, problem {turn}: {what}\n  {answer:?}\n  {case:?}", series.name()));
        }
    }
}

impl Tally for Comparison {
    fn take<const M: usize>(&mut self, series: &Series, case: &Case<M>, answer: &Selection<M, MOST>) {
        self.problems += 1;
        let problem = case.problem();
        let check = check_selection(&problem, answer);
        match answer.outcome {
            Outcome::Nothing | Outcome::NoJets if check.ok() => return,
            Outcome::Exact | Outcome::Shortened | Outcome::Prioritised | Outcome::Coupled => {}
            outcome => {
                return self.fault(format!("{check:?}"), &format!("{outcome:?}"), series, case, answer);
            }
        }
        let nearest = case.demand.nearest().map(f64::from);
        let lambda = f64::from(answer.lambda);
        let first_stage = matches!(answer.outcome, Outcome::Exact | Outcome::Shortened);
        for (place, solver) in SOLVERS.into_iter().enumerate() {
            let Some(best) = largest_share(&problem, solver) else {
                self.lost[place] += 1;
                continue;
            };
            self.shares[place] += 1;
            let best = best.min(1.0);
            let (short, over) = if first_stage {
                let slack = if answer.outcome == Outcome::Exact { 0.0 } else { f64::from(SLACK) };
                let aim = best * (1.0 - slack);
                ((aim - lambda) / aim.max(f64::MIN_POSITIVE), lambda - best)
            } else {
                (best / f64::from(FLOOR) - 1.0, 0.0)
            };
            // What is delivered can be delivered, whatever the solver says.
            self.contradicted[place] += usize::from(over > FIGURE * lambda);
            self.share[place] = self.share[place].max(short);
            if short > FIGURE {
                let what = format!("{solver:?} finds a share of {best:.9}: {short:.1e} short; {check:?}");
                self.fault(what, &format!("share {solver:?} {:?}", answer.outcome), series, case, answer);
            }
        }
        let achieved = case.layout.deliver(&answer.on_time);
        let served = served(&problem, answer, &nearest);
        let cost = case.layout.cost(&answer.on_time);
        let dearest = case.layout.price.iter().copied().fold(0.0_f32, f32::max);
        let seconds: f64 = answer.on_time.iter().map(|t| f64::from(*t)).sum();
        let unit = cost.max(1.0e-3 * f64::from(dearest) * seconds).max(f64::MIN_POSITIVE);
        let mut cheaper = Vec::new();
        let mut asked = 0;
        for (place, solver) in SOLVERS.into_iter().enumerate() {
            let Some(least) = least_price(&problem, &served, &achieved, solver) else {
                // Jets that only the whole of a row's authority serves leave a point, where no interior is.
                self.lost[place] += usize::from(first_stage);
                continue;
            };
            self.prices[place] += 1;
            asked += 1;
            let mut above = (cost - least) / unit;
            if above > FIGURE {
                above /= (basis_condition(&problem, answer) / 100.0).max(1.0);
            }
            self.contradicted[place] += usize::from(above < -FIGURE);
            self.price[place] = self.price[place].max(above);
            if above > FIGURE {
                cheaper.push((place, format!("{solver:?} finds a price of {least:.9e} against {cost:.9e}, {above:.1e} above; {check:?}")));
            }
        }
        // Where the solvers disagree the certificate decides: no price is below what multipliers prove.
        if cheaper.len() == asked || !check.ok() {
            for (place, what) in cheaper {
                self.fault(
                    what,
                    &format!("price {:?} {:?}", SOLVERS[place], answer.outcome),
                    series,
                    case,
                    answer,
                );
            }
        } else {
            for (place, _) in cheaper {
                self.contradicted[place] += 1;
            }
        }
    }

    fn findings(&self) -> (usize, usize, &[String]) {
        (self.problems, self.faults.values().sum(), &self.failures)
    }
}

fn all(warm: bool) {
    let tallies = walk_all::<Comparison>(warm, "STACKHOLD_SELECTION_ORACLES", 40, 2000);
    for (series, tally) in &tallies {
        println!(
            "{:<30} {} problems; worst share {:.1e} {:.1e}, price {:.1e} {:.1e}; found {:?} {:?}, lost {:?}, contradicted {:?}; {:?}",
            series.name(),
            tally.problems,
            tally.share[0],
            tally.share[1],
            tally.price[0],
            tally.price[1],
            tally.shares,
            tally.prices,
            tally.lost,
            tally.contradicted,
            tally.faults
        );
    }
    for (series, tally) in &tallies {
        for (place, solver) in SOLVERS.into_iter().enumerate() {
            let asked = tally.shares[place] + tally.prices[place] + tally.lost[place];
            let few = match solver {
                Solver::Simplex => asked / 50,
                // Next to no interior is left where only rounding makes the rank.
                Solver::InteriorPoint if series.is_rounded() => asked / 5,
                Solver::InteriorPoint => asked / 10,
            };
            assert!(
                tally.lost[place] <= few + 10,
                "{}: {solver:?} answers too seldom: {tally:?}",
                series.name()
            );
        }
    }
    judge(&tallies, "worse than an independent solver", allowed);
}

#[test]
fn no_cold_selection_is_worse_than_an_independent_solver() {
    all(false);
}

#[test]
fn no_warm_selection_is_worse_than_an_independent_solver() {
    all(true);
}
