//! Writes the selection problems that `tests/on-target/verify` counts instructions of on an emulated board.
//!
//! Each series is of one size, rows by jets, named after it:
//!
//! * `cold`: mixed demands on layouts without any guile, each from rest.
//! * `walk`: from the last basis, a demand that wanders within reach as in a closed loop.
//! * `same_basis`: from the last basis, which is still right.
//! * `adversarial_cold`, `adversarial_warm`: every kind of layout, see `selection_layouts.rs`; warm, anything may
//!   change between two selections.

use std::process::ExitCode;

use rand::RngExt;
// Where the problems' source looks for it.
use stackhold_harness::board::recording;
use stackhold_kernel::selection::{Demand, Outcome, Selector};

// Shared as source: a package for bare targets cannot be part of this workspace.
#[path = "on-target/src/problems.rs"]
#[allow(dead_code)]
mod problems;
mod selection_layouts;
mod selection_series;

use problems::{COLD, COUNTED, END, START, write_problem, write_series};
use selection_layouts::{KINDS, Kind, Layout, demand, normal, random, series};
use selection_series::{Case, Cold, Warm};

/// Problems of each cold series, and of each kind of layout in the adversarial ones.
const PROBLEMS: usize = 2000;
/// Layouts that demands walk on, and steps on each.
const WALKS: usize = 16;
const STEPS: usize = 64;
/// Selections of which the basis stays, and how often that is tried.
const STAYS: usize = 256;
const TRIES: usize = 100 * STAYS;

/// A file being written.
#[derive(Default)]
struct Recorder {
    bytes: Vec<u8>,
    problems: usize,
}

impl Recorder {
    fn put(&mut self, word: u32) {
        self.bytes.extend(word.to_le_bytes());
    }

    fn series<const M: usize, const N: usize>(&mut self, name: &str) -> Series<'_, M> {
        write_series(&format!("{M}x{N}_{name}"), M as u32, N as u32, &mut |word| self.put(word));
        Series { recorder: self, last: None }
    }
}

/// A series of problems being written.
struct Series<'a, const M: usize> {
    recorder: &'a mut Recorder,
    /// The layout written last.
    last: Option<Layout<M>>,
}

impl<const M: usize> Series<'_, M> {
    fn take(&mut self, case: &Case<M>, flags: u32) {
        let parts = |layout: &Layout<M>| (layout.columns.clone(), layout.price.clone(), layout.limit.clone());
        let is_new = self.last.as_ref().map(parts) != Some(parts(&case.layout));
        write_problem(&case.problem(), flags, is_new, &mut |word| self.recorder.put(word));
        self.last = Some(case.layout.clone());
        self.recorder.problems += 1;
    }
}

fn cold<const M: usize, const N: usize>(recorder: &mut Recorder) {
    let mut written = recorder.series::<M, N>("cold");
    for case in Cold::<M>::new(Kind::Plain, N, series(1)).take(PROBLEMS) {
        written.take(&case, COLD | COUNTED);
    }
}

/// Steps of a fiftieth of a pulse with a spread of a third, and no step out of reach.
fn walk<const M: usize, const N: usize>(recorder: &mut Recorder) {
    let (step, spread) = (0.02, 0.33_f64);
    let keep = (1.0 - (step / spread).powi(2)).sqrt();
    let (mut rng, mut written) = (series(2), recorder.series::<M, N>("walk"));
    for _ in 0..WALKS {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        let mut wanted: [f64; M] = std::array::from_fn(|row| spread * normal(&mut rng) * layout.pulse(row));
        let mut walked = 0;
        while walked <= STEPS {
            for (row, wanted) in wanted.iter_mut().enumerate() {
                *wanted = keep * *wanted + step * normal(&mut rng) * layout.pulse(row);
            }
            let case = case(&layout, Demand::point(wanted.map(|x| x as f32)));
            if Selector::<M, N>::new().select(&case.problem()).outcome == Outcome::Exact {
                written.take(&case, if walked == 0 { COLD } else { COUNTED });
                walked += 1;
            } else {
                wanted = wanted.map(|x| 0.9 * x);
            }
        }
    }
}

/// An attainable demand from rest, then a tenth more or less of it that asks for no pivot.
fn same_basis<const M: usize, const N: usize>(recorder: &mut Recorder) -> Result<(), String> {
    let (mut rng, mut written) = (series(3), recorder.series::<M, N>("same_basis"));
    let mut stayed = 0;
    for _ in 0..TRIES {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        let wanted = demand(&layout, 0, &mut rng);
        let factor = rng.random_range(0.9..1.1_f32);
        let other = Demand::between(wanted.low.map(|x| factor * x), wanted.high.map(|x| factor * x));
        let (first, second) = (case(&layout, wanted), case(&layout, other));
        let mut selector = Selector::<M, N>::new();
        let answers = [&first, &second].map(|case| selector.select(&case.problem()));
        if answers.iter().all(|answer| answer.outcome == Outcome::Exact) && answers[1].pivots == 0 {
            written.take(&first, COLD);
            written.take(&second, COUNTED);
            stayed += 1;
        }
        if stayed == STAYS {
            return Ok(());
        }
    }
    Err(format!("{M}x{N}: the basis stayed in only {stayed} of {TRIES} tries, {STAYS} are wanted"))
}

fn case<const M: usize>(layout: &Layout<M>, demand: Demand<M>) -> Case<M> {
    Case { layout: layout.clone(), usable: stackhold_kernel::jet::JetMask::ALL, demand }
}

fn adversarial<const M: usize, const N: usize>(recorder: &mut Recorder) {
    let mut written = recorder.series::<M, N>("adversarial_cold");
    for (kind, seed) in KINDS.into_iter().zip(100..) {
        for case in Cold::<M>::new(kind, N, series(seed)).take(PROBLEMS) {
            written.take(&case, COLD | COUNTED);
        }
    }
    let mut written = recorder.series::<M, N>("adversarial_warm");
    for (kind, seed) in KINDS.into_iter().zip(200..) {
        for (turn, case) in Warm::<M>::new(kind, N, series(seed)).take(PROBLEMS).enumerate() {
            written.take(&case, if turn == 0 { COLD } else { COUNTED });
        }
    }
}

fn all() -> Result<Recorder, String> {
    let mut recorder = Recorder::default();
    recorder.put(START);
    cold::<3, 12>(&mut recorder);
    cold::<3, 16>(&mut recorder);
    cold::<3, 32>(&mut recorder);
    cold::<6, 16>(&mut recorder);
    cold::<6, 24>(&mut recorder);
    walk::<3, 16>(&mut recorder);
    walk::<6, 16>(&mut recorder);
    same_basis::<3, 16>(&mut recorder)?;
    same_basis::<6, 16>(&mut recorder)?;
    adversarial::<3, 16>(&mut recorder);
    adversarial::<6, 16>(&mut recorder);
    adversarial::<6, 24>(&mut recorder);
    recorder.put(END);
    Ok(recorder)
}

fn main() -> ExitCode {
    let Some(path) = std::env::args_os().nth(1) else {
        eprintln!("usage: record_selections FILE");
        return ExitCode::from(2);
    };
    let written = all().and_then(|recorder| {
        std::fs::write(&path, &recorder.bytes).map_err(|error| format!("{}: {error}", path.display()))?;
        Ok(recorder)
    });
    match written {
        Ok(recorder) => {
            println!("recorded {} selection problems, {} bytes", recorder.problems, recorder.bytes.len());
            ExitCode::SUCCESS
        }
        Err(error) => {
            eprintln!("{error}");
            ExitCode::from(2)
        }
    }
}
