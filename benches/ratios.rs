//! The ratio table: the kernel's jet selection beside a general-purpose simplex solver (microlp) on the same
//! problems, asked the same question (see `peer.rs`), in one run.
//!
//! `cargo bench -p stackhold-benches --bench ratios [-- 6x16]`; an argument keeps the lines that contain it.
//!
//! * Cold: 128 mixed problems on 8 random layouts. A quarter each: attainable; any direction from a hundredth to thirty
//!   pulses; one axis from a millionth to a million pulses; attainable down to a millionth. A third of them are boxes.
//!   Then the same apart: those that are delivered in full, and those that are shortened.
//! * Cold is measured from plain columns, as the peer is; beside it, with the jets looked over before (an `Offer`), as
//!   the kernel does it. Warm and same basis are measured that way.
//! * Warm: a demand that walks as in a closed loop: it wanders about zero with a spread of a third of a pulse per row, a
//!   fiftieth of a pulse per step, and is attainable throughout. `moved` says in how many of the steps the basis changed.
//! * Same basis: steps so small that the basis stays, against one pricing pass over all columns (`price − y·a` for every
//!   jet, `N·M` multiply-adds in `f32`), both timed in this run.
//!
//! For each problem the least of several rounds is taken, kernel and peer in turns, since whatever disturbs only
//! adds; the table shows the median over problems.
#[path = "peer.rs"]
mod peer;
#[path = "../tests/selection_layouts.rs"]
mod selection_layouts;

use rand_pcg::Pcg64;
use selection_layouts::{Kind, Layout, demand, normal, random, series};
use stackhold_kernel::selection::{Demand, Offer, Outcome, Selection, Selector, select};
use std::hint::black_box;
use std::time::Instant;

const LAYOUTS: usize = 8;
const DEMANDS: usize = 16;
const ROUNDS: usize = 7;
/// Calls of the kernel that are timed together.
const TOGETHER: usize = 32;
/// Steps of a walk, and those timed together.
const STEPS: usize = 512;
const CHUNK: usize = 16;

/// Goals of the table, where there are any: times faster than the peer.
fn goal(rows: usize, jets: usize, what: &str) -> Option<f64> {
    match (what, rows, jets) {
        ("cold, mixed", 3, 16) => Some(150.0),
        ("cold, mixed", 6, 16) => Some(100.0),
        ("cold, mixed", 6, 24) => Some(60.0),
        ("warm walk", 3, 16) => Some(1200.0),
        ("warm walk", 6, 16) => Some(450.0),
        ("same basis / pricing", _, 16) => Some(6.0),
        _ => None,
    }
}

fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut sorted: Vec<f64> = values.collect();
    sorted.sort_by(f64::total_cmp);
    sorted.get(sorted.len() / 2).copied().unwrap_or(f64::NAN)
}

/// Seconds of one call, `calls` timed together.
fn timed(calls: usize, mut call: impl FnMut()) -> f64 {
    let start = Instant::now();
    for _ in 0..calls {
        call();
    }
    start.elapsed().as_secs_f64() / calls as f64
}

/// Least seconds seen: kernel, kernel with its jets looked over before, peer, peer without building.
#[derive(Clone, Copy)]
struct Least {
    kernel: f64,
    offered: f64,
    peer: f64,
    solving: f64,
}

const NEVER: Least =
    Least { kernel: f64::INFINITY, offered: f64::INFINITY, peer: f64::INFINITY, solving: f64::INFINITY };

fn line(rows: usize, jets: usize, what: &str, times: &[Least], note: &str) {
    let of = |pick: fn(&Least) -> f64| median(times.iter().map(pick)) * 1.0e6;
    let (kernel, peer, solving) = (of(|t| t.kernel), of(|t| t.peer), of(|t| t.solving));
    let goal = goal(rows, jets, what).map_or(String::new(), |goal| {
        format!("goal {goal:>5.0} {}", if peer / kernel >= goal { "met" } else { "MISSED" })
    });
    println!(
        "{:<6} {what:<22} {kernel:>9.3} {peer:>9.1} {solving:>9.1} {:>8.0} {:>8.0}  {goal:<18} {note}",
        format!("{rows}x{jets}"),
        peer / kernel,
        solving / kernel,
    );
}

fn cold<const M: usize, const N: usize>() {
    let mut rng = series(1);
    let mut problems = Vec::new();
    for _ in 0..LAYOUTS {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        for turn in 0..DEMANDS {
            problems.push((layout.clone(), demand(&layout, turn, &mut rng)));
        }
    }
    let mut times = vec![NEVER; problems.len()];
    let offers: Vec<Offer<M, N>> = problems.iter().map(|(layout, _)| layout.offer()).collect();
    let mut selector = Selector::<M, N>::new();
    for _ in 0..ROUNDS {
        for (((layout, demand), offer), least) in problems.iter().zip(&offers).zip(&mut times) {
            let offered = timed(TOGETHER, || {
                selector.forget();
                black_box(selector.select_from(offer, black_box(demand), &Layout::IN_ORDER));
            });
            least.offered = least.offered.min(offered);
            let kernel = timed(TOGETHER, || {
                let answer: Selection<M, N> = select(&layout.problem(black_box(demand)));
                black_box(answer);
            });
            least.kernel = least.kernel.min(kernel);
            against_peer(layout, demand, least);
        }
    }
    let outcome = |(layout, demand): &(Layout<M>, Demand<M>)| {
        let answer: Selection<M, N> = select(&layout.problem(demand));
        answer.outcome
    };
    // Both answered the same question: that is said beside the times.
    let same = problems.iter().filter(|(layout, demand)| agree::<M, N>(layout, demand)).count();
    line(
        M,
        N,
        "cold, mixed",
        &times,
        &format!(
            "{} problems, {same} with equal price and share; {:.3} with jets looked over before",
            times.len(),
            1.0e6 * median(times.iter().map(|least| least.offered))
        ),
    );
    for (what, attained) in [("cold, in full", true), ("cold, shortened", false)] {
        let of: Vec<Least> = problems
            .iter()
            .zip(&times)
            .filter(|(problem, _)| (outcome(problem) == Outcome::Exact) == attained)
            .map(|(_, least)| *least)
            .collect();
        line(M, N, what, &of, &format!("{} problems", of.len()));
    }
}

/// Whether kernel and peer find the same share and, but for what a rounding of the share is worth, the same price.
fn agree<const M: usize, const N: usize>(layout: &Layout<M>, demand: &Demand<M>) -> bool {
    let answer: Selection<M, N> = select(&layout.problem(demand));
    let Some((price, share)) = peer::answer(layout, demand, drop) else { return false };
    let close = |a: f64, b: f64, room: f64| (a - b).abs() <= room * b.abs().max(f64::MIN_POSITIVE);
    let room = if answer.outcome == Outcome::Exact { 1.0e-4 } else { 2.0e-2 };
    close(f64::from(answer.lambda), share, 1.0e-4) && close(layout.cost(&answer.on_time), price, room)
}

fn against_peer<const M: usize>(layout: &Layout<M>, demand: &Demand<M>, least: &mut Least) {
    let peer = timed(1, || {
        black_box(peer::answer(layout, black_box(demand), |program| drop(black_box(program))));
    });
    least.peer = least.peer.min(peer);
    let asked = peer::asked(layout, demand);
    let solving = timed(1, || {
        for program in &asked.programs {
            let _ = black_box(program.solve());
        }
    });
    least.solving = least.solving.min(solving);
}

/// A demand that wanders about zero and stays within reach.
fn walk<const M: usize, const N: usize>(layout: &Layout<M>, rng: &mut Pcg64) -> Vec<Demand<M>> {
    let (step, spread) = (0.02, 0.33_f64);
    let keep = (1.0 - (step / spread).powi(2)).sqrt();
    let mut wanted: [f64; M] = std::array::from_fn(|row| spread * normal(rng) * layout.pulse(row));
    let mut walked = Vec::with_capacity(STEPS);
    while walked.len() < STEPS {
        for (row, wanted) in wanted.iter_mut().enumerate() {
            *wanted = keep * *wanted + step * normal(rng) * layout.pulse(row);
        }
        let demand = Demand::point(wanted.map(|x| x as f32));
        let answer: Selection<M, N> = select(&layout.problem(&demand));
        if answer.outcome == Outcome::Exact {
            walked.push(demand);
        } else {
            wanted = wanted.map(|x| 0.9 * x);
        }
    }
    walked
}

fn warm<const M: usize, const N: usize>() {
    let mut rng = series(2);
    let (mut times, mut moved) = (Vec::new(), 0);
    for _ in 0..LAYOUTS / 2 {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        let demands = walk::<M, N>(&layout, &mut rng);
        let offer = layout.offer::<N>();
        let mut least = vec![NEVER; STEPS / CHUNK];
        for round in 0..ROUNDS {
            let mut selector = Selector::<M, N>::new();
            for (chunk, least) in demands.chunks(CHUNK).zip(&mut least) {
                let mut next = chunk.iter();
                let mut pivots = 0;
                let kernel = timed(CHUNK, || {
                    if let Some(demand) = next.next() {
                        let answer = selector.select_from(&offer, black_box(demand), &Layout::IN_ORDER);
                        pivots += usize::from(answer.pivots > 0);
                        black_box(answer);
                    }
                });
                least.kernel = least.kernel.min(kernel);
                moved += if round == 0 { pivots } else { 0 };
                // The peer is timed at one step of the chunk: it remembers nothing.
                against_peer(&layout, &chunk[round % CHUNK], least);
            }
        }
        times.extend(least);
    }
    let share = moved as f64 / (LAYOUTS / 2 * STEPS) as f64;
    line(M, N, "warm walk", &times, &format!("moved in {:.0} % of the steps", 100.0 * share));
}

/// Reduced costs of all jets, as one pass of any simplex takes them.
#[inline(never)]
fn pricing_pass<const M: usize, const N: usize>(
    columns: &[[f32; M]],
    price: &[f32],
    y: &[f32; M],
    reduced: &mut [f32; N],
) {
    for ((reduced, column), price) in reduced.iter_mut().zip(columns).zip(price) {
        *reduced = price - column.iter().zip(y).fold(0.0, |sum, (a, y)| sum + a * y);
    }
}

fn same_basis<const M: usize, const N: usize>() {
    let mut rng = series(3);
    let (mut kernel, mut pass) = (Vec::new(), Vec::new());
    while kernel.len() < 4 * LAYOUTS {
        let layout = random::<M>(Kind::Plain, N, &mut rng);
        let demand = demand(&layout, 0, &mut rng);
        let other = Demand::between(demand.low.map(|x| 1.001 * x), demand.high.map(|x| 1.001 * x));
        let (offer, mut selector) = (layout.offer::<N>(), Selector::<M, N>::new());
        let outcomes: Vec<Selection<M, N>> = [&demand, &other, &demand]
            .iter()
            .map(|demand| selector.select_from(&offer, demand, &Layout::IN_ORDER))
            .collect();
        if outcomes.iter().any(|a| a.outcome != Outcome::Exact) || outcomes[1..].iter().any(|a| a.pivots > 0)
        {
            continue;
        }
        let y = outcomes[0].multipliers;
        let mut reduced = [0.0; N];
        let (mut least, mut least_pass) = (f64::INFINITY, f64::INFINITY);
        for _ in 0..3 * ROUNDS {
            let seconds = timed(TOGETHER, || {
                for demand in [&demand, &other] {
                    black_box(selector.select_from(&offer, black_box(demand), &Layout::IN_ORDER));
                }
            });
            least = least.min(0.5 * seconds);
            let seconds = timed(8 * TOGETHER, || {
                pricing_pass(black_box(&layout.columns), &layout.price, black_box(&y), &mut reduced);
                black_box(&mut reduced);
            });
            least_pass = least_pass.min(seconds);
        }
        kernel.push(least);
        pass.push(least_pass);
    }
    let (kernel, pass) = (median(kernel.into_iter()) * 1.0e9, median(pass.into_iter()) * 1.0e9);
    let ratio = kernel / pass;
    let goal = goal(M, N, "same basis / pricing").map_or(String::new(), |goal| {
        format!("goal <= {goal:.0} {}", if ratio <= goal { "met" } else { "MISSED" })
    });
    println!(
        "{:<6} {:<22} {kernel:>6.1} ns against {pass:.1} ns of a pricing pass: {ratio:.1} times  {goal}",
        format!("{M}x{N}"),
        "same basis / pricing"
    );
}

/// Cold, warm and same-basis lines of one size.
macro_rules! sizes {
    ($kept:expr, $($rows:literal x $jets:literal),* $(,)?) => {
        $(if $kept(concat!($rows, "x", $jets)) {
            cold::<$rows, $jets>();
            warm::<$rows, $jets>();
            same_basis::<$rows, $jets>();
        })*
    };
}

fn main() {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let kept = |name: &str| wanted.is_empty() || wanted.iter().any(|word| name.contains(word.as_str()));
    println!(
        "median time of one selection, microseconds; ratios: peer / kernel, and peer without building / kernel"
    );
    println!(
        "{:<6} {:<22} {:>9} {:>9} {:>9} {:>8} {:>8}",
        "size", "", "kernel", "peer", "solving", "ratio", "solving"
    );
    sizes!(
        kept, 3 x 12, 3 x 16, 3 x 24, 3 x 32, 4 x 12, 4 x 16, 4 x 24, 4 x 32, 6 x 12, 6 x 16, 6 x 24, 6 x 32
    );
}
