//! Series of selection problems, cold and warm, put to the kernel over all cores with progress on standard error.
#![allow(dead_code, missing_docs)]

use crate::selection_layouts::{KINDS, Kind, Layout, ROUNDED, demand, normal, random, series};
use rand::RngExt;
use rand_pcg::Pcg64;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Outcome, Problem, Selection, Selector, select};
use std::io::IsTerminal;
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Jets that the kernel's arrays are made for.
pub const MOST: usize = 32;

/// One problem of a series.
#[derive(Clone, Debug)]
pub struct Case<const M: usize> {
    pub layout: Layout<M>,
    pub usable: JetMask,
    pub demand: Demand<M>,
}

impl<const M: usize> Case<M> {
    pub fn problem(&self) -> Problem<'_, M> {
        Problem { usable: self.usable, ..self.layout.problem(&self.demand) }
    }

    /// The same with only the jets that may fire.
    pub fn bare(&self) -> Layout<M> {
        let kept = |jet: &usize| self.usable.contains(*jet);
        let jets: Vec<usize> = (0..self.layout.columns.len()).filter(kept).collect();
        Layout {
            columns: jets.iter().map(|jet| self.layout.columns[*jet]).collect(),
            price: jets.iter().map(|jet| self.layout.price[*jet]).collect(),
            limit: jets.iter().map(|jet| self.layout.limit[*jet]).collect(),
        }
    }
}

/// A cold series: a new layout every twenty problems, mixed demands, every eighth at the edge of what is attainable, a
/// hair within or beyond it, or a millionth or a million times it.
pub struct Cold<const M: usize> {
    pub kind: Kind,
    pub jets: usize,
    pub rng: Pcg64,
    turn: usize,
    layout: Layout<M>,
}

impl<const M: usize> Cold<M> {
    pub fn new(kind: Kind, jets: usize, mut rng: Pcg64) -> Self {
        let layout = random(kind, jets, &mut rng);
        Self { kind, jets, rng, turn: 0, layout }
    }
}

/// A demand at the edge by the kernel's own share, which is checked like any other answer.
pub fn at_the_edge<const M: usize>(layout: &Layout<M>, usable: JetMask, rng: &mut Pcg64) -> Demand<M> {
    let direction: [f64; M] = std::array::from_fn(|row| 1.0e3 * normal(rng) * layout.pulse(row));
    let far = Demand::point(direction.map(|x| x as f32));
    let answer: Selection<M, MOST> = select(&Problem { usable, ..layout.problem(&far) });
    let share =
        if answer.outcome == Outcome::Shortened { f64::from(answer.lambda) / (1.0 - 1.0e-4) } else { 1.0e-3 };
    let factors = [1.0 - 1.0e-5, 1.0 - 1.0e-6, 1.0, 1.0 + 1.0e-6, 1.0 + 1.0e-5, 1.0e-6, 1.0e6];
    let factor = share * factors[rng.random_range(0..factors.len())];
    Demand::point(direction.map(|x| (factor * x) as f32))
}

impl<const M: usize> Iterator for Cold<M> {
    type Item = Case<M>;

    fn next(&mut self) -> Option<Case<M>> {
        if self.turn > 0 && self.turn.is_multiple_of(20) {
            self.layout = random(self.kind, self.jets, &mut self.rng);
        }
        let demand = if self.turn % 8 == 7 {
            at_the_edge(&self.layout, JetMask::ALL, &mut self.rng)
        } else {
            demand(&self.layout, self.turn, &mut self.rng)
        };
        self.turn += 1;
        Some(Case { layout: self.layout.clone(), usable: JetMask::ALL, demand })
    }
}

/// A warm series: the demand walks by small steps, jumps, and anything else may change at any step: jets shut off and
/// back, prices, limits, the layout by a little and altogether.
pub struct Warm<const M: usize> {
    pub kind: Kind,
    pub jets: usize,
    pub rng: Pcg64,
    case: Case<M>,
    /// Prices of the layout as it was made.
    price: Vec<f32>,
}

impl<const M: usize> Warm<M> {
    pub fn new(kind: Kind, jets: usize, mut rng: Pcg64) -> Self {
        let layout = random(kind, jets, &mut rng);
        let demand = demand(&layout, 0, &mut rng);
        let price = layout.price.clone();
        Self { kind, jets, rng, case: Case { layout, usable: JetMask::ALL, demand }, price }
    }

    fn stroll(&mut self) {
        let rng = &mut self.rng;
        let nearest = self.case.demand.nearest();
        let layout = &self.case.layout;
        let size = (0..M).map(|row| f64::from(nearest[row].abs()) / layout.pulse(row)).fold(0.0, f64::max);
        for row in 0..M {
            let step = (0.03 * size * normal(rng) * layout.pulse(row)) as f32;
            self.case.demand.low[row] += step;
            self.case.demand.high[row] += step;
            // Rounding may not turn a range around.
            self.case.demand.high[row] = self.case.demand.high[row].max(self.case.demand.low[row]);
        }
    }

    fn jump(&mut self) {
        let factor = 10.0_f32.powf(self.rng.random_range(-6.0..6.0));
        let size = |demand: &Demand<M>, layout: &Layout<M>| {
            let nearest = demand.nearest();
            (0..M).map(|row| f64::from(nearest[row].abs()) / layout.pulse(row)).fold(0.0, f64::max)
        };
        let mut demand = self.case.demand;
        demand.low = demand.low.map(|x| factor * x);
        demand.high = demand.high.map(|x| factor * x);
        if (1.0e-7..1.0e7).contains(&size(&demand, &self.case.layout)) {
            self.case.demand = demand;
        }
    }

    fn shut_off_or_back(&mut self) {
        let all = u32::MAX >> (32 - self.jets);
        self.case.usable = match self.rng.random_range(0..4) {
            0 => JetMask::ALL,
            1 => JetMask(self.rng.random::<u32>() & all),
            _ => JetMask(self.case.usable.0 ^ (1 << self.rng.random_range(0..self.jets))),
        };
    }

    fn disturb_jets(&mut self, what: u32) {
        let rng = &mut self.rng;
        let layout = &mut self.case.layout;
        for jet in 0..self.jets {
            match what {
                0 => layout.price[jet] = self.price[jet] * rng.random_range(0.5..2.0),
                1 if rng.random_range(0..4) == 0 => {
                    layout.limit[jet] = [0.0, 0.02, 0.1, 0.4, 0.4, 0.4][rng.random_range(0..6)];
                }
                2 => {
                    for entry in &mut layout.columns[jet] {
                        *entry *= 1.0 + (1.0e-3 * normal(rng)) as f32;
                    }
                }
                _ => {}
            }
        }
    }
}

impl<const M: usize> Iterator for Warm<M> {
    type Item = Case<M>;

    fn next(&mut self) -> Option<Case<M>> {
        match self.rng.random_range(0..100) {
            0..60 => self.stroll(),
            60..70 => self.jump(),
            70..80 => {
                let turn = self.rng.random_range(0..4);
                self.case.demand = demand(&self.case.layout, turn, &mut self.rng);
            }
            80..86 => self.case.demand = at_the_edge(&self.case.layout, self.case.usable, &mut self.rng),
            86..92 => self.shut_off_or_back(),
            92..94 => self.disturb_jets(0),
            94..96 => self.disturb_jets(1),
            96..98 => self.disturb_jets(2),
            _ => {
                self.case.layout = random(self.kind, self.jets, &mut self.rng);
                self.price.clone_from(&self.case.layout.price);
                self.case.demand = demand(&self.case.layout, 0, &mut self.rng);
            }
        }
        Some(self.case.clone())
    }
}

/// The layouts and sizes that every kind of series is run over. Those short of a rank but for rounding are left to
/// the long run: an exact solver finds answers in the rounding that are no answers for jets, and a short run may not
/// fail for that.
fn sizes(long: bool) -> Vec<(Kind, usize, usize)> {
    let mut sizes = Vec::new();
    for kind in KINDS {
        sizes.extend([3, 4, 6].map(|rows| (kind, rows, 16)));
    }
    for jets in [4, 8, 12, 24, 32] {
        sizes.extend([3, 4, 6].map(|rows| (Kind::Plain, rows, jets)));
    }
    for jets in [12, 24, 32] {
        sizes.extend([3, 6].map(|rows| (Kind::Mixed, rows, jets)));
    }
    sizes.extend([3, 6].map(|rows| (Kind::Reference, rows, 12)));
    if long {
        for kind in ROUNDED {
            sizes.extend([3, 4, 6].map(|rows| (kind, rows, 16)));
        }
    }
    sizes
}

/// A number from the environment.
fn number(name: &str, default: usize) -> usize {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(default)
}

/// Whether a name holds every word of `STACKHOLD_SELECTION_ONLY`.
fn is_wanted(name: &str) -> bool {
    let words = std::env::var("STACKHOLD_SELECTION_ONLY").unwrap_or_default();
    words.split_whitespace().all(|word| name.split_whitespace().any(|own| own == word))
}

/// One series: what it is made of, and whether the kernel goes on from its last answer.
#[derive(Clone, Copy)]
pub struct Series {
    pub kind: Kind,
    pub rows: usize,
    pub jets: usize,
    pub seed: u64,
    pub warm: bool,
}

impl Series {
    pub fn name(&self) -> String {
        let start = if self.warm { "warm" } else { "cold" };
        format!("{start} {:?} {}x{} seed {}", self.kind, self.rows, self.jets, self.seed)
    }

    pub fn is_rounded(&self) -> bool {
        ROUNDED.contains(&self.kind)
    }

    /// Puts the series to the kernel and every answer to the tally.
    pub fn tally<T: Tally>(&self, problems: usize) -> T {
        match self.rows {
            3 => self.walk::<3, T>(problems),
            4 => self.walk::<4, T>(problems),
            _ => self.walk::<6, T>(problems),
        }
    }

    fn walk<const M: usize, T: Tally>(&self, problems: usize) -> T {
        let mut tally = T::default();
        let mut selector = Selector::<M, MOST>::new();
        let rng = series(self.seed);
        let cases: Box<dyn Iterator<Item = Case<M>>> = if self.warm {
            Box::new(Warm::<M>::new(self.kind, self.jets, rng))
        } else {
            Box::new(Cold::<M>::new(self.kind, self.jets, rng))
        };
        for case in cases.take(problems) {
            if !self.warm {
                selector.forget();
            }
            let answer = T::ask(&mut selector, &case.problem());
            tally.take(self, &case, &answer);
        }
        tally
    }
}

/// What a check makes of the answers of one series.
pub trait Tally: Default + Send {
    /// How the kernel is asked.
    fn ask<const M: usize>(selector: &mut Selector<M, MOST>, problem: &Problem<M>) -> Selection<M, MOST> {
        selector.select(problem)
    }

    fn take<const M: usize>(&mut self, series: &Series, case: &Case<M>, answer: &Selection<M, MOST>);

    /// Problems, findings against the kernel, and some of these in words.
    fn findings(&self) -> (usize, usize, &[String]);
}

/// Fails on more findings than allowed; series of [`ROUNDED`] kinds are judged by themselves.
///
/// * `allowed` — in 100,000 problems, of `ROUNDED` kinds or of the others.
pub fn judge<T: Tally>(walked: &[(Series, T)], what: &str, allowed: impl Fn(bool) -> usize) {
    let start = if walked.iter().any(|(series, _)| series.warm) { "warm" } else { "cold" };
    let mut shown: Vec<&str> = Vec::new();
    for rounded in [false, true] {
        let (mut problems, mut findings, mut words) = (0, 0, Vec::new());
        for (_, tally) in walked.iter().filter(|(series, _)| series.is_rounded() == rounded) {
            let (asked, found, told) = tally.findings();
            (problems, findings) = (problems + asked, findings + found);
            words.extend(told.iter().map(String::as_str));
        }
        if problems == 0 {
            continue;
        }
        let most = (problems * allowed(rounded)).div_ceil(100_000);
        let kinds = if rounded { ", short of a rank but for rounding" } else { "" };
        println!("{start}: {findings} of {problems} {what}{kinds}; {most} allowed, the goal is none");
        if findings > most {
            shown.extend(words);
        }
    }
    assert!(shown.is_empty(), "{what}:\n{}", shown.join("\n"));
}

/// Walks the wanted series of all sizes and returns them with their tallies.
///
/// * `variable` — of the environment: problems of each series in a long run; `short` are taken where it is not set.
/// * `first_seed` — of the first size; counted up over the sizes, `STACKHOLD_SELECTION_SEED` takes its place.
pub fn walk_all<T: Tally>(warm: bool, variable: &str, short: usize, first_seed: usize) -> Vec<(Series, T)> {
    let problems = number(variable, short);
    let long = std::env::var_os(variable).is_some();
    let first = number("STACKHOLD_SELECTION_SEED", first_seed) as u64;
    let all: Vec<Series> = (first..)
        .zip(sizes(long))
        .map(|(seed, (kind, rows, jets))| Series { kind, rows, jets, seed, warm })
        .filter(|series| is_wanted(&series.name()))
        .collect();
    let tallies = in_parallel(&all, &Series::name, |series| series.tally::<T>(problems));
    all.into_iter().zip(tallies).collect()
}

/// Runs jobs over all cores, with progress on standard error, and returns their results in order.
fn in_parallel<J: Sync, R: Send>(
    jobs: &[J],
    name: &(dyn Fn(&J) -> String + Sync),
    run: impl Fn(&J) -> R + Sync,
) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let results: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::new());
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..cores {
            scope.spawn(|| {
                loop {
                    let index = next.fetch_add(1, Ordering::Relaxed);
                    let Some(job) = jobs.get(index) else { break };
                    let result = run(job);
                    let mut results = results.lock().expect("no job panics while it holds the results");
                    results.push((index, result));
                    let end = if std::io::stderr().is_terminal() { '\r' } else { '\n' };
                    eprint!("{:>4} of {} series done: {:<40}{end}", results.len(), jobs.len(), name(job));
                }
            });
        }
    });
    let mut results = results.into_inner().expect("no job panics while it holds the results");
    results.sort_by_key(|(index, _)| *index);
    results.into_iter().map(|(_, result)| result).collect()
}
