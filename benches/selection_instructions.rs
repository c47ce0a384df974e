//! Instructions per jet selection, counted by callgrind: the same numbers on every run.
//!
//! `cargo run --release -p stackhold-benches --example selection_instructions [-- 3x16]` (needs valgrind); an argument
//! keeps the sizes that contain it. For each size and case the program runs itself under
//! `valgrind --tool=callgrind`, collecting one selection at a time, and prints mean and worst. These are instructions of this
//! machine, not of a flight processor: they compare builds, not boards.
//!
//! Cases: cold and delivered in full; cold and shortened; warm while the demand walks; warm while the basis stays.
#[path = "../tests/selection_layouts.rs"]
mod selection_layouts;

use selection_layouts::{Kind, Layout, demand, normal, random, series};
use stackhold_kernel::selection::{Demand, Outcome, Selection, Selector, select};
use std::hint::black_box;
use std::process::{Command, ExitCode};

/// Selections counted per case.
const COUNTED: usize = 64;
const CASES: [&str; 4] = ["cold, in full", "cold, shortened", "warm walk", "warm, same basis"];
/// Names the process that is counted: size and case.
const CHILD: &str = "STACKHOLD_COUNTED_CASE";

/// The function whose calls are counted, one by one.
#[inline(never)]
fn counted_selection(call: &mut dyn FnMut()) {
    call();
}

/// Mixed demands with one kind of outcome, on random layouts.
fn problems<const M: usize, const N: usize>(in_full: bool) -> Vec<(Layout<M>, Demand<M>)> {
    let mut rng = series(1);
    let mut problems = Vec::new();
    while problems.len() < COUNTED {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        for turn in 0..8 {
            let demand = demand(&layout, turn, &mut rng);
            let answer: Selection<M, N> = select(&layout.problem(&demand));
            let fits = if in_full { Outcome::Exact } else { Outcome::Shortened };
            if answer.outcome == fits && problems.len() < COUNTED {
                problems.push((layout.clone(), demand));
            }
        }
    }
    problems
}

fn cold<const M: usize, const N: usize>(in_full: bool) {
    for (layout, demand) in problems::<M, N>(in_full) {
        let (offer, mut selector) = (layout.offer::<N>(), Selector::<M, N>::new());
        counted_selection(&mut || {
            black_box(selector.select_from(black_box(&offer), black_box(&demand), &Layout::IN_ORDER));
        });
    }
}

/// Steps of a fiftieth of a pulse, or of a thousandth of the demand.
fn warm<const M: usize, const N: usize>(stays: bool) {
    let mut rng = series(2);
    let mut counted = 0;
    while counted < COUNTED {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        let mut wanted: [f64; M] = std::array::from_fn(|row| 0.3 * normal(&mut rng) * layout.pulse(row));
        let (offer, mut selector) = (layout.offer::<N>(), Selector::<M, N>::new());
        let mut walked = 0;
        let _ = selector.select_from(&offer, &Demand::point(wanted.map(|x| x as f32)), &Layout::IN_ORDER);
        while walked < 16 && counted < COUNTED {
            for (row, wanted) in wanted.iter_mut().enumerate() {
                if stays {
                    *wanted *= if walked % 2 == 0 { 1.001 } else { 1.0 / 1.001 };
                } else {
                    *wanted = 0.998 * *wanted + 0.02 * normal(&mut rng) * layout.pulse(row);
                }
            }
            let demand = Demand::point(wanted.map(|x| x as f32));
            // What it will be is seen on a copy first.
            let foreseen = selector.clone().select_from(&offer, &demand, &Layout::IN_ORDER);
            if foreseen.outcome != Outcome::Exact || (stays && foreseen.pivots > 0) {
                break;
            }
            counted_selection(&mut || {
                black_box(selector.select_from(black_box(&offer), black_box(&demand), &Layout::IN_ORDER));
            });
            (counted, walked) = (counted + 1, walked + 1);
        }
    }
}

fn run_case<const M: usize, const N: usize>(case: &str) {
    match case {
        "cold, in full" => cold::<M, N>(true),
        "cold, shortened" => cold::<M, N>(false),
        "warm walk" => warm::<M, N>(false),
        _ => warm::<M, N>(true),
    }
}

/// Runs a case of the size with this name; all sizes.
macro_rules! sizes {
    ($($rows:literal x $jets:literal),* $(,)?) => {
        const SIZES: &[&str] = &[$(concat!($rows, "x", $jets)),*];

        fn run(size: &str, case: &str) {
            $(if size == concat!($rows, "x", $jets) {
                return run_case::<$rows, $jets>(case);
            })*
        }
    };
}

sizes!(3 x 12, 3 x 16, 3 x 24, 3 x 32, 4 x 16, 6 x 12, 6 x 16, 6 x 24, 6 x 32);

/// Instructions of each counted selection of a case.
fn count(size: &str, case: &str) -> Result<Vec<u64>, Box<dyn std::error::Error>> {
    let folder = std::env::temp_dir().join(format!("selection-instructions-{}", std::process::id()));
    std::fs::create_dir_all(&folder)?;
    let status = Command::new("valgrind")
        .args(["--tool=callgrind", "--quiet", "--toggle-collect=selection_instructions::counted_selection"])
        .arg("--dump-after=selection_instructions::counted_selection")
        .arg(format!("--callgrind-out-file={}", folder.join("counted").display()))
        .arg(std::env::current_exe()?)
        .env(CHILD, format!("{size}/{case}"))
        .output()?;
    if !status.status.success() {
        return Err(String::from_utf8_lossy(&status.stderr).into_owned().into());
    }
    let mut counts = Vec::new();
    for entry in std::fs::read_dir(&folder)? {
        let text = std::fs::read_to_string(entry?.path())?;
        let total = text.lines().find_map(|line| line.strip_prefix("totals: ")?.trim().parse::<u64>().ok());
        counts.extend(total.filter(|total| *total > 0));
    }
    std::fs::remove_dir_all(&folder)?;
    Ok(counts)
}

fn main() -> ExitCode {
    if let Ok(child) = std::env::var(CHILD) {
        if let Some((size, case)) = child.split_once('/') {
            run(size, case);
        }
        return ExitCode::SUCCESS;
    }
    let wanted: Vec<String> = std::env::args().skip(1).collect();
    println!("instructions of one selection on this machine");
    println!("{:<6} {:<20} {:>8} {:>8} {:>9}", "size", "", "mean", "worst", "counted");
    for size in SIZES
        .iter()
        .filter(|size| wanted.is_empty() || wanted.iter().any(|word| size.contains(word.as_str())))
    {
        for case in CASES {
            match count(size, case) {
                Ok(counts) if !counts.is_empty() => println!(
                    "{size:<6} {case:<20} {:>8} {:>8} {:>9}",
                    counts.iter().sum::<u64>() / counts.len() as u64,
                    counts.iter().max().unwrap_or(&0),
                    counts.len()
                ),
                Ok(_) => {
                    eprintln!("callgrind counted nothing; is the program built with symbols?");
                    return ExitCode::FAILURE;
                }
                Err(error) => {
                    eprintln!("valgrind could not be run: {error}");
                    return ExitCode::FAILURE;
                }
            }
        }
    }
    ExitCode::SUCCESS
}
