//! What a control cycle selects, without a second walk in twice the precision, beside what is proven of the same problems.
//!
//! By default each series is short; `STACKHOLD_SELECTION_IN_CYCLE=20000` sets the problems of each in a long run, and the
//! other variables of `selection_certificates.rs` serve here as well.
mod selection_layouts;
mod selection_series;

use selection_series::{Case, MOST, Series, Tally, judge, walk_all};
use stackhold_kernel::selection::{CYCLE_ALLOWANCE, Offer, Outcome, Problem, Selection, Selector, select};

/// Largest miss of a row that is let pass, share of the demand served.
const MISS: f64 = 4.0e-4;
/// Propellant above that of the proven answer, where a demand is delivered in whole.
const DEARER: f64 = 0.01;
/// Problems in 100,000 that may go without an answer, from rest and from the last basis; the cycle after such a one starts
/// from rest.
const STALLED: [usize; 2] = [10, 60];

#[derive(Debug, Default)]
struct Beside {
    problems: usize,
    /// Answers with a fault, and some of them in words.
    faults: usize,
    told: Vec<String>,
    /// No answer where the proven way has one.
    stalled: usize,
    miss: f64,
    dearer: f64,
    shorter: f64,
    pivots: u16,
}

impl Tally for Beside {
    fn ask<const M: usize>(selector: &mut Selector<M, MOST>, problem: &Problem<M>) -> Selection<M, MOST> {
        match Offer::new(problem.columns, problem.price, problem.limit, problem.usable) {
            Some(offer) => selector.select_in_cycle(&offer, problem.demand, &problem.priority),
            None => selector.select(problem),
        }
    }

    fn take<const M: usize>(&mut self, series: &Series, case: &Case<M>, answer: &Selection<M, MOST>) {
        let problem = case.problem();
        let proven = select::<M, MOST>(&problem);
        self.problems += 1;
        self.pivots = self.pivots.max(answer.pivots);
        let mut fault = |what: String| {
            self.faults += 1;
            if self.told.len() < 2 {
                self.told.push(format!(
                    "{}, problem {}: {what}\n  {answer:?}\n  {proven:?}",
                    series.name(),
                    self.problems - 1
                ));
            }
        };
        if answer.pivots > CYCLE_ALLOWANCE {
            fault(format!("{} steps", answer.pivots));
        }
        let limits = answer.on_time.iter().zip(problem.limit.iter().chain(core::iter::repeat(&0.0)));
        for (jet, (t, limit)) in limits.enumerate() {
            let most = if problem.usable.contains(jet) { *limit } else { 0.0 };
            if !(*t >= 0.0 && *t <= most) {
                fault(format!("jet {jet} for {t} s of {most}"));
            }
        }
        if answer.outcome == Outcome::Stalled {
            self.stalled += usize::from(proven.outcome != Outcome::Stalled);
            return;
        }
        // An axis that is all but gone may be found gone by one and not by the other.
        if answer.outcome != proven.outcome || !matches!(answer.outcome, Outcome::Exact | Outcome::Shortened)
        {
            return;
        }
        let (lambda, best) = (f64::from(answer.lambda), f64::from(proven.lambda));
        let miss = worst_miss(&problem, answer);
        let (price, least) = (price(&problem, answer), price(&problem, &proven));
        // Just below the largest share the least propellant hangs on the share itself.
        let is_whole = answer.outcome == Outcome::Exact && least > 0.0;
        if miss > MISS {
            fault(format!("a row is missed by {miss:.1e}"));
        }
        self.miss = self.miss.max(miss);
        if is_whole {
            let dearer = price / least - 1.0;
            // Where only rounding makes a rank, the proven answer lives on that rounding.
            if dearer > DEARER && !series.is_rounded() {
                fault(format!("dearer by {dearer:.1e}"));
            }
            self.dearer = self.dearer.max(dearer);
        }
        self.shorter = self.shorter.max(1.0 - lambda / best);
    }

    fn findings(&self) -> (usize, usize, &[String]) {
        (self.problems, self.faults, &self.told)
    }
}

/// Largest miss of what a point or a box at its share asks of a row, by the original columns in `f64`, in units of the largest
/// row of what is served; every row by its largest entry.
fn worst_miss<const M: usize>(problem: &Problem<M>, answer: &Selection<M, MOST>) -> f64 {
    let nearest = problem.demand.nearest();
    let given_up = 1.0 - f64::from(answer.lambda);
    let (mut miss, mut size) = (0.0_f64, 0.0_f64);
    for (row, nearest) in nearest.iter().enumerate() {
        let entries =
            || problem.columns.iter().zip(&answer.on_time).map(|(c, t)| (f64::from(c[row]), f64::from(*t)));
        let unit = entries().fold(0.0_f64, |unit, (entry, _)| unit.max(entry.abs()));
        if unit == 0.0 {
            continue;
        }
        let got: f64 = entries().map(|(entry, t)| entry * t).sum();
        let way = given_up * f64::from(*nearest);
        let (low, high) =
            (f64::from(problem.demand.low[row]) - way, f64::from(problem.demand.high[row]) - way);
        miss = miss.max((low - got).max(got - high) / unit);
        size = size.max(f64::from(answer.lambda) * f64::from(nearest.abs()) / unit);
    }
    miss / size
}

fn price<const M: usize>(problem: &Problem<M>, answer: &Selection<M, MOST>) -> f64 {
    problem.price.iter().zip(&answer.on_time).map(|(p, t)| f64::from(*p) * f64::from(*t)).sum()
}

fn all(warm: bool) {
    let tallies = walk_all::<Beside>(warm, "STACKHOLD_SELECTION_IN_CYCLE", 400, 3000);
    let (mut problems, mut stalled) = (0, 0);
    for (series, tally) in &tallies {
        println!(
            "{:<32} {} faults, {} stalled of {}; worst miss {:.1e}, dearer {:.1e}, shorter {:.1e}; {} steps at most",
            series.name(),
            tally.faults,
            tally.stalled,
            tally.problems,
            tally.miss,
            tally.dearer,
            tally.shorter,
            tally.pivots
        );
        if !series.is_rounded() {
            problems += tally.problems;
            stalled += tally.stalled;
        }
    }
    println!("{stalled} of {problems} without an answer where the proven way has one");
    judge(&tallies, "at fault in a cycle", |rounded| if rounded { 5 } else { 0 });
    assert!(
        stalled * 100_000 <= STALLED[usize::from(warm)] * problems,
        "{stalled} of {problems} without an answer"
    );
}

#[test]
fn what_a_cycle_selects_anew_is_delivered() {
    all(false);
}

#[test]
fn what_a_cycle_selects_again_is_delivered() {
    all(true);
}
