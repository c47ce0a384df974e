//! Time per jet selection, cold, beside a general-purpose solver (microlp) on the same problems.
//!
//! `cargo bench -p stackhold-benches --bench selection`; a batch is 64 mixed demands (attainable, far
//! out of reach, one axis, tiny; a third of them boxes), so divide by 64. The peer is asked for the least price
//! of what the kernel delivers: one solution where the kernel needs up to three.
#[path = "../tests/selection_layouts.rs"]
mod selection_layouts;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use selection_layouts::{Kind, Layout, demand, least_price, random, series};
use stackhold_kernel::selection::{Demand, Selection, select};
use std::hint::black_box;

const BATCH: usize = 64;

fn problems<const M: usize>(jets: usize) -> (Layout<M>, Vec<Demand<M>>) {
    let mut rng = series(1);
    let layout = random::<M>(Kind::Plain, jets, &mut rng);
    let demands = (0..BATCH).map(|turn| demand(&layout, turn, &mut rng)).collect();
    (layout, demands)
}

fn compare<const M: usize>(criterion: &mut Criterion, jets: usize) {
    let (layout, demands) = problems::<M>(jets);
    let delivered: Vec<[f64; M]> = demands
        .iter()
        .map(|demand| {
            let answer: Selection<M, 32> = select(&layout.problem(demand));
            layout.deliver(&answer.on_time)
        })
        .collect();
    let mut group = criterion.benchmark_group(format!("{M} rows, {jets} jets"));
    group.throughput(Throughput::Elements(BATCH as u64));
    group.bench_function("kernel", |bencher| {
        bencher.iter(|| {
            for demand in &demands {
                let answer: Selection<M, 32> = select(&layout.problem(black_box(demand)));
                black_box(answer);
            }
        });
    });
    group.sample_size(10);
    group.bench_function("microlp", |bencher| {
        bencher.iter(|| {
            for achieved in &delivered {
                black_box(least_price(&layout, black_box(achieved)));
            }
        });
    });
    group.finish();
}

fn three_rows(criterion: &mut Criterion) {
    for jets in [12, 16, 24, 32] {
        compare::<3>(criterion, jets);
    }
}

fn six_rows(criterion: &mut Criterion) {
    for jets in [12, 16, 24, 32] {
        compare::<6>(criterion, jets);
    }
}

criterion_group!(benches, three_rows, six_rows);
criterion_main!(benches);
