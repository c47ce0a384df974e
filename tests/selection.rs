//! Jet selection: its certificates, its second stage and its refusals.
//!
//! The long series are in `selection_certificates.rs` and, against independent solvers, in `selection_oracles.rs`.
mod selection_layouts;

use rand::RngExt;
use selection_layouts::jet_1::DOCKED;
use selection_layouts::{Kind, Layout, demand, jet_1_torque, one_sided_yaw, random, series};
use stackhold_harness::selection_check::{Fault, check_selection};
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Offer, Outcome, Problem, SPILL, Selection, Selector, select};

/// Random problems of a test.
const PROBLEMS: usize = 200;

// Certificates: each claim, sabotaged once, is refused by the check.

fn honest() -> (Layout<3>, Demand<3>, Selection<3, 16>) {
    let layout = jet_1_torque(DOCKED, 0.7);
    let demand = Demand::point([0.4, -2.0, 1.1]);
    let answer = select(&layout.problem(&demand));
    assert!(check_selection(&layout.problem(&demand), &answer).ok());
    (layout, demand, answer)
}

fn fault_of(change: impl Fn(&mut Selection<3, 16>)) -> Option<Fault> {
    let (layout, demand, mut answer) = honest();
    change(&mut answer);
    check_selection(&layout.problem(&demand), &answer).fault
}

#[test]
fn a_sabotaged_answer_is_refused() {
    assert_eq!(fault_of(|_| {}), None);
    assert_eq!(fault_of(|a| a.multipliers[1] = -a.multipliers[1]), Some(Fault::Gap));
    assert_eq!(fault_of(|a| a.multipliers[0] *= 1.001), Some(Fault::Gap));
    assert_eq!(fault_of(|a| a.multipliers = [0.0; 3]), Some(Fault::Gap));
    assert_eq!(fault_of(|a| a.multipliers[2] = f32::NAN), Some(Fault::Gap));
    assert_eq!(fault_of(|a| a.on_time[0] = -0.0), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.on_time[0] = -1.0e-9), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.on_time[0] = 0.71), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.on_time[3] = f32::NAN), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.on_time[15] = 0.1), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.achieved[0] *= 1.000_1), Some(Fault::Account));
    assert_eq!(fault_of(|a| a.remaining[1] = 0.1), Some(Fault::Account));
    assert_eq!(fault_of(|a| a.lambda = 0.9), Some(Fault::Lambda));
    assert_eq!(fault_of(|a| a.outcome = Outcome::Nothing), Some(Fault::OnTime));
    assert_eq!(fault_of(|a| a.outcome = Outcome::Stalled), Some(Fault::OnTime));
}

#[test]
fn a_dearer_way_to_the_same_end_is_refused() {
    let (layout, demand, mut answer) = honest();
    let Some(pair) = [(0, 3), (1, 2), (4, 6), (5, 7), (8, 10), (9, 11)]
        .into_iter()
        .find(|(a, b)| answer.on_time[*a] == 0.0 && answer.on_time[*b] == 0.0)
    else {
        panic!("no idle pair");
    };
    // Two idle jets that push against each other: what they leave is a miss, what they cancel is paid for.
    (answer.on_time[pair.0], answer.on_time[pair.1]) = (0.01, 0.01);
    assert!(!check_selection(&layout.problem(&demand), &answer).ok());
}

#[test]
fn a_sabotaged_share_is_refused() {
    let layout = jet_1_torque(DOCKED, 0.2);
    let demand = Demand::point([1.0, 3.0, 2.0]);
    let problem = layout.problem(&demand);
    let answer: Selection<3, 16> = select(&problem);
    assert_eq!(answer.outcome, Outcome::Shortened);
    let good = check_selection(&problem, &answer);
    assert!(answer.reach_multipliers.iter().all(|y| *y != 0.0), "{answer:?}");
    assert!(good.ok() && good.lambda_gap <= 1.0e-5, "{good:?}");
    let with = |change: &dyn Fn(&mut Selection<3, 16>)| {
        let mut bad = answer;
        change(&mut bad);
        check_selection(&problem, &bad).fault
    };
    assert_eq!(with(&|a| a.reach_multipliers[1] = -a.reach_multipliers[1]), Some(Fault::Lambda));
    assert_eq!(with(&|a| a.reach_multipliers[2] *= 1.01), Some(Fault::Lambda));
    assert_eq!(with(&|a| a.reach_multipliers = [0.0; 3]), Some(Fault::Lambda));
    assert_eq!(with(&|a| a.reach_multipliers[0] = f32::NAN), Some(Fault::Lambda));
    // Less than could be had, with on-times to match.
    let halved = |a: &mut Selection<3, 16>| {
        a.lambda *= 0.5;
        a.on_time = a.on_time.map(|t| 0.5 * t);
        a.achieved = a.achieved.map(|x| 0.5 * x);
        a.remaining = std::array::from_fn(|row| demand.low[row] - a.achieved[row]);
    };
    assert_eq!(with(&halved), Some(Fault::Lambda));
    // More than was delivered.
    assert_eq!(with(&|a| a.lambda *= 1.001), Some(Fault::Lambda));
}

// The second stage.

fn never_wrong(answer: &Selection<3, 8>, wanted: [f32; 3]) {
    let size = wanted.iter().fold(0.0_f32, |a, b| a.max(b.abs()));
    for (got, wanted) in answer.achieved.iter().zip(wanted) {
        let share = if wanted == 0.0 { 0.0 } else { got / wanted };
        assert!(wanted != 0.0 || got.abs() <= 1.2e-5 * size, "{answer:?}");
        assert!(
            share * wanted.abs() >= -1.2e-5 * size && (share - 1.0) * wanted.abs() <= 1.2e-5 * size,
            "{answer:?}"
        );
    }
}

#[test]
fn a_missing_direction_does_not_take_the_others_with_it() {
    let layout = one_sided_yaw();
    for wanted in [[0.3, -0.4, -0.5], [-0.9, 0.2, -1.0e-3], [0.0, 0.5, -0.5], [0.3, -0.4, -50.0]] {
        let demand = Demand::point(wanted);
        let answer: Selection<3, 8> = select(&layout.problem(&demand));
        assert_eq!(answer.outcome, Outcome::Prioritised, "{answer:?}");
        assert!(check_selection(&layout.problem(&demand), &answer).ok());
        never_wrong(&answer, wanted);
        // The other two are served in full, but for the slack.
        for row in 0..2 {
            assert!((answer.achieved[row] - wanted[row]).abs() <= 1.5e-4 * wanted[row].abs(), "{answer:?}");
        }
        assert_eq!(answer.lambda, 0.0);
    }
    // The other way all three are served.
    let demand = Demand::point([0.3, -0.4, 0.5]);
    let answer: Selection<3, 8> = select(&layout.problem(&demand));
    assert_eq!(answer.outcome, Outcome::Exact);
}

#[test]
fn priority_decides_who_is_served_first() {
    // Yaw is gone, and what rolls also pitches the wrong way: the one jet against that, 0.3 s long, is wanted by both.
    let layout = Layout::<3> {
        columns: vec![[1.0, -0.5, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
        price: vec![1.0; 3],
        limit: vec![1.0, 0.3, 1.0],
    };
    let demand = Demand::point([0.8, 0.1, -0.5]);
    let mut problem = layout.problem(&demand);
    problem.priority = [0, 1, 2];
    let roll_first: Selection<3, 8> = select(&problem);
    problem.priority = [1, 0, 2];
    let pitch_first: Selection<3, 8> = select(&problem);
    for answer in [&roll_first, &pitch_first] {
        assert_eq!(answer.outcome, Outcome::Prioritised);
        never_wrong(answer, [0.8, 0.1, -0.5]);
    }
    // By hand: 0.6 s of roll use all 0.3 s against pitch; 0.1 of pitch leaves them for 0.4 s of roll.
    for (answer, wanted) in [(&roll_first, [0.6, 0.0, 0.0]), (&pitch_first, [0.4, 0.1, 0.0])] {
        for (got, wanted) in answer.achieved.iter().zip(wanted) {
            assert!((got - wanted).abs() < 2.0e-4, "{answer:?}");
        }
    }
    // A nonsense order is completed, not obeyed.
    problem.priority = [9, 9, 9];
    let any: Selection<3, 8> = select(&problem);
    assert_eq!(any, roll_first);
}

#[test]
fn a_rank_two_layout_serves_what_is_attainable_but_for_a_hundredth() {
    let mut rng = series(700);
    for _ in 0..PROBLEMS {
        let layout = random::<3>(Kind::RankTwo, 16, &mut rng);
        // A demand of the plane, and a hundredth out of it.
        let times: Vec<f32> = (0..16).map(|_| rng.random_range(0.0..0.1)).collect();
        let within = layout.deliver(&times);
        let normal = [0.3, -0.2, -1.0].map(|x: f64| x / 1.13_f64.sqrt());
        let length = within.iter().map(|x| x * x).sum::<f64>().sqrt();
        let wanted: [f32; 3] = std::array::from_fn(|row| (within[row] + 0.01 * length * normal[row]) as f32);
        let demand = Demand::point(wanted);
        let problem = layout.problem(&demand);
        let answer: Selection<3, 16> = select(&problem);
        let check = check_selection(&problem, &answer);
        assert!(check.ok(), "{check:?} {answer:?} {demand:?}");
        let served: f64 =
            (0..3).map(|row| f64::from(answer.achieved[row]) * f64::from(wanted[row])).sum::<f64>()
                / length.powi(2);
        if answer.outcome == Outcome::Coupled {
            assert!(served > 0.96, "{served} {answer:?}");
            let largest = wanted.iter().fold(0.0_f32, |a, b| a.max(b.abs()));
            for (got, wanted) in answer.achieved.iter().zip(wanted) {
                assert!((got - wanted).abs() <= 1.01 * SPILL * largest + 0.05 * wanted.abs(), "{answer:?}");
            }
        } else {
            assert_eq!(answer.outcome, Outcome::Prioritised);
            never_wrong(&Selection { on_time: [0.0; 8], ..convert(&answer) }, wanted);
            assert!(served > 0.45, "{served} {answer:?}");
        }
    }
}

/// The same answer with other on-times, for [`never_wrong`].
fn convert(answer: &Selection<3, 16>) -> Selection<3, 8> {
    Selection {
        on_time: [0.0; 8],
        achieved: answer.achieved,
        remaining: answer.remaining,
        lambda: answer.lambda,
        multipliers: answer.multipliers,
        reach_multipliers: answer.reach_multipliers,
        outcome: answer.outcome,
        pivots: answer.pivots,
        proof: answer.proof,
    }
}

// Refusals, and what comes after them.

fn quiet<const M: usize, const N: usize>(answer: &Selection<M, N>, outcome: Outcome) {
    assert_eq!(answer.outcome, outcome);
    assert!(answer.on_time.iter().all(|t| *t == 0.0 && t.is_sign_positive()), "{answer:?}");
}

#[test]
fn bad_input_fires_nothing_and_leaves_no_trace() {
    let good = jet_1_torque(DOCKED, 0.7);
    let wish = Demand::point([0.0, 0.3, 0.1]);
    let first: Selection<3, 16> = select(&good.problem(&wish));
    let run =
        |layout: &Layout<3>, demand: &Demand<3>| -> Selection<3, 16> { select(&layout.problem(demand)) };
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, 1.0e30, -1.0e30] {
        quiet(&run(&good, &Demand::point([0.0, bad, 0.1])), Outcome::Refused);
        let mut layout = good.clone();
        layout.columns[3][1] = bad;
        quiet(&run(&layout, &wish), Outcome::Refused);
        layout = good.clone();
        layout.price[3] = bad;
        quiet(&run(&layout, &wish), Outcome::Refused);
        layout = good.clone();
        layout.limit[3] = bad;
        quiet(&run(&layout, &wish), Outcome::Refused);
        // A masked jet may hold anything.
        let mut problem = layout.problem(&wish);
        problem.usable = JetMask(!(1 << 3));
        let answer: Selection<3, 16> = select(&problem);
        assert!(check_selection(&problem, &answer).ok() && answer.outcome == Outcome::Exact);
    }
    // The price of a masked jet, sane but out of all proportion, is no measure for the others.
    let mut dear = good.clone();
    dear.price[11] = 1.0e17;
    let mut problem = dear.problem(&wish);
    problem.usable = JetMask(!(1 << 11));
    let answer: Selection<3, 16> = select(&problem);
    let mut problem = good.problem(&wish);
    problem.usable = JetMask(!(1 << 11));
    assert_eq!(answer, select(&problem));
    for (low, high) in [(0.2, 0.1), (f32::INFINITY, f32::INFINITY), (f32::NEG_INFINITY, f32::NEG_INFINITY)] {
        quiet(&run(&good, &Demand::between([0.0, low, 0.0], [0.0, high, 0.0])), Outcome::Refused);
    }
    let mut layout = good.clone();
    layout.price[2] = -1.0e-3;
    quiet(&run(&layout, &wish), Outcome::Refused);
    layout = good.clone();
    layout.limit[2] = -1.0e-3;
    quiet(&run(&layout, &wish), Outcome::Refused);
    layout.limit.pop();
    quiet(&run(&layout, &wish), Outcome::Refused);
    let crowded: Selection<3, 8> = select(&good.problem(&wish));
    quiet(&crowded, Outcome::Refused);
    // The next good call is as good as ever.
    assert_eq!(run(&good, &wish), first);
}

#[test]
fn what_no_valve_could_deliver_is_nothing() {
    let layout = jet_1_torque(DOCKED, 0.7);
    let wanted = [1.0e-30, -2.0e-31, 0.0];
    let demand = Demand::point(wanted);
    let answer: Selection<3, 16> = select(&layout.problem(&demand));
    quiet(&answer, Outcome::Nothing);
    assert_eq!(answer.remaining, wanted);
    assert!(check_selection(&layout.problem(&demand), &answer).ok());
    // A millionth of a millionth of a pulse is not nothing.
    let demand = Demand::point([1.0e-11, -2.0e-12, 0.0]);
    let answer: Selection<3, 16> = select(&layout.problem(&demand));
    assert_eq!(answer.outcome, Outcome::Exact);
    assert!(check_selection(&layout.problem(&demand), &answer).ok());
}

#[test]
fn no_jets_is_an_outcome_of_its_own() {
    let good = jet_1_torque(DOCKED, 0.7);
    let wish = Demand::point([0.0, 0.3, 0.1]);
    let mut problem = good.problem(&wish);
    problem.usable = JetMask::NONE;
    let masked: Selection<3, 16> = select(&problem);
    quiet(&masked, Outcome::NoJets);
    assert_eq!(masked.remaining, [0.0, 0.3, 0.1]);
    let empty = Layout::<3> { columns: vec![], price: vec![], limit: vec![] };
    quiet::<3, 16>(&select(&empty.problem(&wish)), Outcome::NoJets);
    let mut shut = good.clone();
    shut.limit.fill(0.0);
    quiet::<3, 16>(&select(&shut.problem(&wish)), Outcome::NoJets);
    let mut weak = good.clone();
    weak.columns.fill([0.0; 3]);
    quiet::<3, 16>(&select(&weak.problem(&wish)), Outcome::NoJets);
}

#[test]
fn free_rows_ask_for_nothing() {
    // Pitch and yaw free: roll is served by whatever jet is cheapest.
    let layout = jet_1_torque(DOCKED, 10.0);
    let free = f32::INFINITY;
    let demand = Demand::between([1.0, -free, -free], [1.0, free, free]);
    let problem = layout.problem(&demand);
    let answer: Selection<3, 16> = select(&problem);
    let check = check_selection(&problem, &answer);
    assert!(check.ok(), "{check:?} {answer:?}");
    // Jets 5 and 7 have the longest roll arm, 0.58 m.
    let sum: f32 = answer.on_time.iter().sum();
    assert!((sum - 1.0 / 0.58).abs() < 1.0e-5, "{answer:?}");
}

#[test]
fn free_jets_are_used_as_free() {
    // Reduced prices of a hold may be zero: then they and only they are worth firing.
    let mut layout = jet_1_torque(DOCKED, 10.0);
    for jet in [5, 6, 9] {
        layout.price[jet] = 0.0;
    }
    let demand = Demand::point([0.0, 3.0, 0.0]);
    let problem: Problem<3> = layout.problem(&demand);
    let answer: Selection<3, 16> = select(&problem);
    let check = check_selection(&problem, &answer);
    assert!(check.ok(), "{check:?} {answer:?}");
    assert!(layout.cost(&answer.on_time) < 1.0e-5, "{answer:?}");
}

#[test]
fn the_order_of_the_jets_does_not_change_what_is_paid() {
    let mut rng = series(800);
    for turn in 0..PROBLEMS {
        let layout = random::<3>(Kind::Plain, 16, &mut rng);
        let wish = demand(&layout, turn, &mut rng);
        let mut reversed = layout.clone();
        reversed.columns.reverse();
        reversed.price.reverse();
        let one: Selection<3, 16> = select(&layout.problem(&wish));
        let other: Selection<3, 16> = select(&reversed.problem(&wish));
        assert_eq!(one.outcome, other.outcome);
        let (a, b) = (layout.cost(&one.on_time), reversed.cost(&other.on_time));
        // Near the largest share the price rises steeply, so roundings of λ show in it.
        assert!((a - b).abs() <= 1.0e-4 * a, "{a} {b}");
    }
}

#[test]
fn jets_looked_over_before_are_chosen_from_as_plain_columns_are() {
    let mut rng = series(11);
    for kind in [Kind::Plain, Kind::Mixed] {
        let layout = random::<3>(kind, 16, &mut rng);
        let offer = layout.offer::<16>();
        let (mut from_offer, mut from_columns) = (Selector::<3, 16>::new(), Selector::<3, 16>::new());
        for turn in 0..64 {
            let demand = demand(&layout, turn, &mut rng);
            let (problem, again) = (layout.problem(&demand), offer.problem(&demand, Layout::IN_ORDER));
            let answer = from_offer.select_from(&offer, &demand, &problem.priority);
            assert_eq!(answer, from_columns.select(&problem), "{kind:?} {demand:?}");
            assert_eq!(
                (again.columns, again.price, again.limit),
                (problem.columns, problem.price, problem.limit)
            );
        }
    }
}

#[test]
fn what_is_no_offer_is_refused() {
    let layout = Layout::<3> {
        columns: vec![[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]],
        price: vec![1.0, 2.0],
        limit: vec![1.0, 1.0],
    };
    let offer = |change: &dyn Fn(&mut Layout<3>), usable: u32| {
        let mut changed = layout.clone();
        change(&mut changed);
        Offer::<3, 4>::new(&changed.columns, &changed.price, &changed.limit, JetMask(usable))
    };
    assert!(offer(&|_| {}, 3).is_some());
    let wrong: [&dyn Fn(&mut Layout<3>); 8] = [
        &|l| l.columns[1][2] = f32::NAN,
        &|l| l.columns[1][0] = f32::INFINITY,
        &|l| l.columns[1][0] = 2.0e18,
        &|l| l.price[1] = -1.0,
        &|l| l.price[1] = f32::NAN,
        &|l| l.limit[1] = -1.0e-9,
        &|l| l.limit[1] = f32::INFINITY,
        &|l| l.price.truncate(1),
    ];
    for (number, change) in wrong.iter().enumerate() {
        assert_eq!(offer(change, 3), None, "{number}");
    }
    // What may not fire may hold anything.
    for change in &wrong[..7] {
        assert!(offer(change, 1).is_some());
    }
    let many = vec![[1.0, 0.0, 0.0]; 5];
    assert_eq!(Offer::<3, 4>::new(&many, &[1.0; 5], &[1.0; 5], JetMask::ALL), None);
}
