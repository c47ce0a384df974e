//! Time of one control cycle of the demonstration, and of its closed loop.
//!
//! The cycles are moments of a real flight: the controller as it stood, and the input it was given.
//! In `closed_loop` one element is one simulated second.

use std::hint::black_box;
use std::time::Duration;

use criterion::measurement::WallTime;
use criterion::{BatchSize, BenchmarkGroup, Criterion, Throughput, criterion_group, criterion_main};
use stackhold_harness::closed_loop::{fly, fly_watched};
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::Scenario;
use stackhold_harness::table::{self, JETS};
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::CycleInput;

/// As many moments of each kind as are kept, spread over the flight.
const KEPT: usize = 64;

/// A controller about to be stepped.
struct Moment {
    controller: Controller<JETS>,
    input: CycleInput,
}

fn demonstration() -> Scenario {
    load_embedded("docked_hold").expect("an embedded scenario")
}

/// Inputs of the demonstration's flight, and whether the kernel opened a jet.
fn flown(scenario: &Scenario) -> Vec<(CycleInput, bool)> {
    let mut cycles = Vec::new();
    fly_watched(
        scenario,
        &scenario.stack,
        &scenario.told,
        "told_truth",
        &mut |_| {},
        &mut |input, output| {
            cycles.push((*input, output.on_ticks.iter().any(|&ticks| ticks > 0)));
        },
    )
    .expect("the demonstration flies");
    cycles
}

/// Moments spread over the flight, in which the kernel fires or does not.
fn moments(scenario: &Scenario, cycles: &[(CycleInput, bool)], firing: bool) -> Vec<Moment> {
    let count = cycles.iter().filter(|(_, fired)| *fired == firing).count();
    let stride = (count / KEPT).max(1);
    let table = table::build(scenario, &scenario.stack, &scenario.told).expect("a table that has flown");
    let mut controller = Controller::new(table).expect("a table that has flown");
    let (mut kept, mut seen) = (Vec::new(), 0);
    for (input, fired) in cycles {
        if *fired == firing {
            if seen % stride == 0 {
                kept.push(Moment { controller: controller.clone(), input: *input });
            }
            seen += 1;
        }
        controller.step(input);
    }
    println!("{seen} such cycles in the flight, {} of them kept", kept.len());
    assert!(!kept.is_empty(), "none such in the flight");
    kept
}

/// Steps the moments in turn, each from its own copy of the controller.
fn step(group: &mut BenchmarkGroup<'_, WallTime>, name: &str, moments: &[Moment]) {
    let mut next = moments.iter().cycle();
    group.bench_function(name, |bencher| {
        bencher.iter_batched_ref(
            || next.next().map(|moment| (moment.controller.clone(), moment.input)).expect("some moments"),
            |(controller, input)| black_box(controller.step(black_box(input))),
            BatchSize::SmallInput,
        );
    });
}

fn control_cycle(criterion: &mut Criterion) {
    let scenario = demonstration();
    let cycles = flown(&scenario);
    let mut group = criterion.benchmark_group("control_cycle");
    step(&mut group, "quiet", &moments(&scenario, &cycles, false));
    step(&mut group, "firing", &moments(&scenario, &cycles, true));
    group.finish();
}

fn closed_loop(criterion: &mut Criterion) {
    let scenario = demonstration();
    let mut group = criterion.benchmark_group("closed_loop");
    group.throughput(Throughput::Elements(scenario.duration_s as u64));
    group.sample_size(20).measurement_time(Duration::from_secs(15));
    group.bench_function("demonstration", |bencher| {
        bencher.iter(|| {
            fly(&scenario, &scenario.stack, &scenario.told, "told_truth", &mut |_| {})
                .expect("the demonstration flies")
        });
    });
    group.finish();
}

criterion_group!(benches, control_cycle, closed_loop);
criterion_main!(benches);
