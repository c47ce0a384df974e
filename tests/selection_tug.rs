//! Jet selection for the demonstration's own vehicle, whole and with every jet failed in turn, against an
//! independent solver (microlp, a simplex in `f64`): no problem is excused here.
//!
//! `STACKHOLD_SELECTION_PROBLEMS=10000 cargo test --release -p stackhold-tests --test selection_tug -- --nocapture` runs
//! 10,000 problems per layout and number of rows and prints the worst differences found.
mod selection_layouts;
mod selection_solvers;

use rand::RngExt;
use rand_pcg::Pcg64;
use selection_layouts::{Layout, demand, normal, series};
use selection_solvers::{Solver, largest_share, least_price};
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::selection_check::{check_selection, served};
use stackhold_harness::table;
use stackhold_kernel::effectiveness::Effectiveness;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{ALLOWANCE, Demand, FLOOR, Outcome, SLACK, SPILL, Selection, select};

/// Figure promised for λ, delivered impulse and propellant.
const FIGURE: f64 = 1.0e-5;

/// Room for rounding that the second stage takes, as a share of the demand.
const ROOM: f64 = 5.0e-6;

fn problems_per_layout() -> usize {
    std::env::var("STACKHOLD_SELECTION_PROBLEMS").ok().and_then(|n| n.parse().ok()).unwrap_or(150)
}

/// The jets that may fire of a scenario's vehicle about its stack's centre of mass: rows turn (rad/s²), then push
/// (m/s²); prices in kg/s; on-times up to a cycle.
fn vehicle<const M: usize>(scenario: &str) -> Layout<M> {
    let scenario = load_embedded(scenario).expect("a scenario of the library");
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("its table");
    let stack = table.validate().expect("a sane table");
    let effects = Effectiveness::<32>::new(&table.jets, &stack);
    let mut layout = Layout { columns: Vec::new(), price: Vec::new(), limit: Vec::new() };
    for (jet, effect) in table.jets.iter().zip(effects.effects()).filter(|(jet, _)| jet.enabled) {
        let (turn, push) = (effect.turn_rad_s2.0, effect.push_m_s2.0);
        layout.columns.push(std::array::from_fn(|row| if row < 3 { turn[row] } else { push[row - 3] }));
        layout.price.push(jet.flow_kg_s());
        layout.limit.push(table.timing.cycle_s());
    }
    layout
}

/// The layout without a jet.
fn without<const M: usize>(layout: &Layout<M>, failed: Option<usize>) -> Layout<M> {
    let mut rest = layout.clone();
    if let Some(failed) = failed {
        rest.columns.remove(failed);
        rest.price.remove(failed);
        rest.limit.remove(failed);
    }
    rest
}

/// The kernel's answer with one jet masked.
fn answer<const M: usize>(layout: &Layout<M>, failed: Option<usize>, demand: &Demand<M>) -> Selection<M, 32> {
    let mut problem = layout.problem(demand);
    problem.usable = JetMask(failed.map_or(u32::MAX, |jet| !(1 << jet)));
    let answer = select(&problem);
    let check = check_selection(&problem, &answer);
    assert!(check.ok(), "without {failed:?}: {check:?}\n{answer:?}\n{demand:?}");
    assert!(failed.is_none_or(|jet| answer.on_time[jet] == 0.0), "a failed jet fires");
    assert!(answer.pivots <= ALLOWANCE, "{answer:?}");
    answer
}

/// Worst differences of a series, relative.
#[derive(Debug, Default)]
struct Worst {
    problems: usize,
    outcomes: [usize; 8],
    lambda: f64,
    delivered: f64,
    propellant: f64,
    pivots: u16,
}

/// Largest row of `x` in full pulses.
fn size<const M: usize>(layout: &Layout<M>, x: &[f64; M]) -> f64 {
    (0..M).map(|row| x[row].abs() / layout.pulse(row)).fold(f64::MIN_POSITIVE, f64::max)
}

/// One problem; `layout` is whole, `failed` is masked for the kernel and taken out for the other solver.
fn compare<const M: usize>(layout: &Layout<M>, failed: Option<usize>, demand: &Demand<M>, worst: &mut Worst) {
    let got = answer(layout, failed, demand);
    let rest = without(layout, failed);
    worst.problems += 1;
    worst.outcomes[got.outcome as usize] += 1;
    worst.pivots = worst.pivots.max(got.pivots);
    if got.outcome == Outcome::Nothing {
        return;
    }
    let best = best_share(&rest, demand);
    let delivered = layout.deliver(&got.on_time);
    if matches!(got.outcome, Outcome::Exact | Outcome::Shortened) {
        let slack = if got.outcome == Outcome::Exact { 0.0 } else { f64::from(SLACK) };
        let (lambda, best) = (f64::from(got.lambda), best.min(1.0));
        let aim = best * (1.0 - slack);
        // More than the best is looked at below: what is delivered can be delivered, whatever the solver says.
        worst.lambda = worst.lambda.max((aim - lambda) / aim);
        let (near, mut missed) = (demand.nearest().map(f64::from), 0.0_f64);
        for row in 0..M {
            let edge = |edge: f32| (f64::from(edge) - near[row]) + lambda * near[row];
            let (low, high) = (edge(demand.low[row]), edge(demand.high[row]));
            missed = missed.max((low - delivered[row]).max(delivered[row] - high) / rest.pulse(row));
        }
        worst.delivered = worst.delivered.max(missed / size(&rest, &near.map(|x| lambda * x)));
    } else {
        assert!(
            matches!(got.outcome, Outcome::Prioritised | Outcome::Coupled),
            "without {failed:?}: {got:?}\n{demand:?}"
        );
        assert!(
            best <= f64::from(FLOOR) * (1.0 + FIGURE),
            "without {failed:?}: {best} could be had\n{got:?}\n{demand:?}"
        );
    }
    let cost = layout.cost(&got.on_time);
    let nearest = demand.nearest().map(f64::from);
    let bare = rest.problem(demand);
    let served = served(&bare, &got, &nearest);
    let least =
        least_price(&bare, &served, &delivered, Solver::Simplex).expect("what is delivered can be delivered");
    worst.propellant = worst.propellant.max((cost - least).abs() / least.max(f64::MIN_POSITIVE));
}

/// The largest share by the other solver.
fn best_share<const M: usize>(layout: &Layout<M>, demand: &Demand<M>) -> f64 {
    largest_share(&layout.problem(demand), Solver::Simplex).expect("the other solver finds a share")
}

fn conclude(name: &str, worst: &Worst) {
    println!("{name}: {worst:?}");
    assert!(
        worst.lambda <= FIGURE && worst.delivered <= FIGURE && worst.propellant <= FIGURE,
        "{name}: {worst:?}"
    );
}

/// Random demands of all sizes, and one in eight at the edge of what is attainable or a millionth or a million of it.
fn wanted<const M: usize>(layout: &Layout<M>, turn: usize, rng: &mut Pcg64) -> Demand<M> {
    if turn % 8 != 7 {
        return demand(layout, turn, rng);
    }
    let direction: [f64; M] = std::array::from_fn(|row| 1.0e3 * normal(rng) * layout.pulse(row));
    let far = Demand::point(direction.map(|x| x as f32));
    let edge = best_share(layout, &far);
    let factors = [1.0 - 1.0e-5, 1.0 - 1.0e-6, 1.0, 1.0 + 1.0e-6, 1.0 + 1.0e-5, 1.0e-6, 1.0e6];
    let factor = factors[(turn / 8) % factors.len()];
    Demand::point(direction.map(|x| (x * edge * factor) as f32))
}

fn whole<const M: usize>(scenario: &str, seed: u64) {
    let layout = vehicle::<M>(scenario);
    let (mut rng, mut worst) = (series(seed), Worst::default());
    for turn in 0..problems_per_layout() {
        compare(&layout, None, &wanted(&layout, turn, &mut rng), &mut worst);
    }
    conclude(&format!("{scenario}, {} jets, {M} rows", layout.columns.len()), &worst);
}

#[test]
fn the_docked_stack() {
    whole::<3>("docked_hold", 900);
    whole::<4>("docked_hold", 901);
    whole::<6>("docked_hold", 902);
}

#[test]
fn the_bare_tug() {
    whole::<3>("bare_tug_hold", 910);
    whole::<6>("bare_tug_hold", 911);
}

fn failures<const M: usize>(seed: u64) {
    let layout = vehicle::<M>("docked_hold");
    let (mut rng, mut worst) = (series(seed), Worst::default());
    for turn in 0..problems_per_layout() {
        let failed = Some(turn % layout.columns.len());
        let demand = demand(&layout, rng.random_range(0..4), &mut rng);
        compare(&layout, failed, &demand, &mut worst);
    }
    conclude(&format!("docked stack, one jet failed, {M} rows"), &worst);
}

#[test]
fn the_docked_stack_with_any_jet_failed() {
    failures::<3>(920);
    failures::<6>(921);
}

// An axis gone: the second stage, served row by row by the other solver.

/// What the second stage owes: the share of every row, in the order of the rows, while the others stay between nothing
/// and their demand. Rounding room and slack as the kernel states them.
fn row_by_row<const M: usize>(layout: &Layout<M>, wanted: &[f64; M]) -> [f64; M] {
    let unit = size(layout, wanted);
    let scaled: [f64; M] = std::array::from_fn(|row| wanted[row] / (layout.pulse(row) * unit));
    let mut edges: [(f64, f64); M] = scaled.map(|x| (x.min(0.0) - ROOM, x.max(0.0) + ROOM));
    let mut shares = [0.0; M];
    for row in 0..M {
        if scaled[row] == 0.0 {
            continue;
        }
        let mut program = microlp::Problem::new(microlp::OptimizationDirection::Maximize);
        let jets: Vec<_> =
            layout.limit.iter().map(|limit| program.add_var(0.0, (0.0, f64::from(*limit) / unit))).collect();
        let share = program.add_var(1.0, (0.0, 1.0));
        for other in 0..M {
            let scale = layout.pulse(other);
            let entries = layout.columns.iter().map(|column| f64::from(column[other]) / scale);
            let mut terms: Vec<_> = jets.iter().copied().zip(entries).collect();
            if other == row {
                terms.push((share, -scaled[row]));
                program.add_constraint(&terms, microlp::ComparisonOp::Eq, 0.0);
            } else {
                program.add_constraint(&terms, microlp::ComparisonOp::Ge, edges[other].0);
                program.add_constraint(&terms, microlp::ComparisonOp::Le, edges[other].1);
            }
        }
        let solved = program.solve().expect("nothing at all is always possible");
        shares[row] = solved.into_solution().expect("solved").objective();
        if shares[row] >= 1.0e-3 {
            let kept = shares[row] * scaled[row].abs() * (1.0 - f64::from(SLACK)) - ROOM;
            if scaled[row] > 0.0 { edges[row].0 = kept } else { edges[row].1 = -kept }
        }
    }
    shares
}

/// Single failures that leave nothing of one way about an axis: jet, axis, sign.
fn ways_gone(layout: &Layout<3>) -> Vec<(usize, usize, f64)> {
    let mut gone = Vec::new();
    for failed in 0..layout.columns.len() {
        let rest = without(layout, Some(failed));
        for (axis, way) in [0, 1, 2].into_iter().flat_map(|axis| [(axis, 1.0), (axis, -1.0)]) {
            let mut b = [0.0; 3];
            b[axis] = (way * layout.pulse(axis)) as f32;
            if best_share(&rest, &Demand::point(b)) < 1.0e-6 {
                gone.push((failed, axis, way));
            }
        }
    }
    gone
}

#[test]
fn an_axis_gone_leaves_the_others_what_the_order_of_priority_gives_them() {
    let layout = vehicle::<3>("docked_hold");
    let mut rng = series(930);
    let gone = ways_gone(&layout);
    assert!(!gone.is_empty(), "no failure takes an axis");
    let (mut prioritised, mut coupled, mut worst) = (0, 0, 0.0_f64);
    for turn in 0..problems_per_layout() {
        let (failed, axis, way) = gone[turn % gone.len()];
        let rest = without(&layout, Some(failed));
        let mut b: [f64; 3] = std::array::from_fn(|row| {
            normal(&mut rng) * layout.pulse(row) * 10.0_f64.powf(rng.random_range(-2.0..-0.5))
        });
        b[axis] = way * b[axis].abs();
        if turn % 3 == 0 {
            b[(axis + 1) % 3] = 0.0;
        }
        let demand = Demand::point(b.map(|x| x as f32));
        let wanted = demand.nearest().map(f64::from);
        let unit = size(&rest, &wanted);
        // Rows of less than a ten-thousandth are not sought for themselves; keep clear of that line.
        if (0..3).any(|row| wanted[row] != 0.0 && wanted[row].abs() < 1.0e-3 * rest.pulse(row) * unit) {
            continue;
        }
        let got = answer(&layout, Some(failed), &demand);
        let delivered = layout.deliver(&got.on_time);
        if got.outcome == Outcome::Coupled {
            coupled += 1;
            for row in 0..3 {
                let off = (delivered[row] - wanted[row]).abs() / (rest.pulse(row) * unit);
                // At least half of every row's demand, and the spill.
                assert!(
                    off <= 0.5 * wanted[row].abs() / (rest.pulse(row) * unit) + 2.0 * f64::from(SPILL),
                    "{got:?}"
                );
            }
        }
        if got.outcome != Outcome::Prioritised {
            continue;
        }
        prioritised += 1;
        let shares = row_by_row(&rest, &wanted);
        for row in 0..3 {
            let of = rest.pulse(row) * unit;
            let (want, have) = (wanted[row] / of, delivered[row] / of);
            // Never the wrong way, never past the demand.
            assert!(
                have * want.signum() >= -1.2e-5 && (have - want) * want.signum() <= 1.2e-5,
                "{got:?}\n{demand:?}"
            );
            // A share of a thousandth is the line below which a row is left out.
            if shares[row] >= 1.2e-3 {
                let short = shares[row] * (1.0 - f64::from(SLACK)) - have / want;
                worst = worst.max(short * want.abs());
            }
        }
    }
    println!(
        "{gone:?}: {prioritised} by priority, {coupled} coupled; worst shortfall {worst:e} of the demand"
    );
    assert!(prioritised > problems_per_layout() / 4, "{prioritised}");
    // Each row gives up its slack, and those after it get what the rows before it leave.
    assert!(worst <= 3.0 * f64::from(SLACK), "{worst}");
}

#[test]
fn shuffled_jets_give_shuffled_on_times() {
    shuffled(vehicle::<3>("docked_hold"), 940);
    shuffled(vehicle::<6>("docked_hold"), 941);
}

fn shuffled<const M: usize>(layout: Layout<M>, seed: u64) {
    let (mut rng, mut exact) = (series(seed), 0);
    for turn in 0..problems_per_layout() {
        let mut order: Vec<usize> = (0..layout.columns.len()).collect();
        for last in (1..order.len()).rev() {
            order.swap(last, rng.random_range(0..=last));
        }
        let other = Layout {
            columns: order.iter().map(|jet| layout.columns[*jet]).collect(),
            price: order.iter().map(|jet| layout.price[*jet]).collect(),
            limit: order.iter().map(|jet| layout.limit[*jet]).collect(),
        };
        let demand = demand(&layout, turn, &mut rng);
        let (one, two) = (answer(&layout, None, &demand), answer(&other, None, &demand));
        assert_eq!(one.outcome, two.outcome, "{demand:?}");
        let (a, b) = (layout.cost(&one.on_time), other.cost(&two.on_time));
        // Just below the largest λ the price rises a thousand times as fast as λ, and shows its rounding.
        let room = if one.outcome == Outcome::Exact { 1.0e-5 } else { 1.0e-2 };
        assert!((a - b).abs() <= room * a, "{a} {b} {one:?} {two:?}");
        // A box may have more than one best corner.
        if one.outcome == Outcome::Exact && demand.low == demand.high {
            exact += 1;
            let longest = one.on_time.iter().copied().fold(0.0, f32::max);
            for (place, jet) in order.iter().enumerate() {
                assert!(
                    (two.on_time[place] - one.on_time[*jet]).abs() <= 1.0e-4 * longest,
                    "{one:?} {two:?}"
                );
            }
        }
    }
    assert!(exact > problems_per_layout() / 4);
}
