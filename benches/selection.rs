//! Time per jet selection, cold and warm, beside a general-purpose solver (microlp) asked the same question.
//!
//! `cargo bench -p stackhold-benches --bench selection`; a batch is 64 mixed demands (attainable, far
//! out of reach, one axis, tiny; a third of them boxes), so divide by 64; warm, each demand follows the one before,
//! whatever it was. The table of ratios is `ratios.rs`.
#[path = "peer.rs"]
mod peer;
#[path = "../tests/selection_layouts.rs"]
mod selection_layouts;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use selection_layouts::{Kind, Layout, demand, random, series};
use stackhold_kernel::selection::{Demand, Selection, Selector, select};
use std::hint::black_box;

const BATCH: usize = 64;

fn problems<const M: usize>(jets: usize) -> (Layout<M>, Vec<Demand<M>>) {
    let mut rng = series(1);
    let layout = random::<M>(Kind::Plain, jets, &mut rng);
    let demands = (0..BATCH).map(|turn| demand(&layout, turn, &mut rng)).collect();
    (layout, demands)
}

fn compare<const M: usize, const N: usize>(criterion: &mut Criterion) {
    let (layout, demands) = problems::<M>(N);
    let mut group = criterion.benchmark_group(format!("{M} rows, {N} jets"));
    group.throughput(Throughput::Elements(BATCH as u64));
    group.bench_function("cold", |bencher| {
        bencher.iter(|| {
            for demand in &demands {
                let answer: Selection<M, N> = select(&layout.problem(black_box(demand)));
                black_box(answer);
            }
        });
    });
    group.bench_function("warm", |bencher| {
        let (offer, mut selector) = (layout.offer::<N>(), Selector::<M, N>::new());
        bencher.iter(|| {
            for demand in &demands {
                black_box(selector.select_from(&offer, black_box(demand), &Layout::IN_ORDER));
            }
        });
    });
    group.sample_size(10);
    group.bench_function("microlp", |bencher| {
        bencher.iter(|| {
            for demand in &demands {
                black_box(peer::answer(&layout, black_box(demand), drop));
            }
        });
    });
    group.finish();
}

fn three_rows(criterion: &mut Criterion) {
    compare::<3, 12>(criterion);
    compare::<3, 16>(criterion);
    compare::<3, 24>(criterion);
    compare::<3, 32>(criterion);
}

fn six_rows(criterion: &mut Criterion) {
    compare::<6, 12>(criterion);
    compare::<6, 16>(criterion);
    compare::<6, 24>(criterion);
    compare::<6, 32>(criterion);
}

criterion_group!(benches, three_rows, six_rows);
criterion_main!(benches);
