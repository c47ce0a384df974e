//! The made-up control cycles that `tests/on-target/verify adversarial` runs on every board: that they are
//! what they claim to be. Their bits are compared there.
#![allow(missing_docs)]

use std::collections::BTreeMap;

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{Command, CycleInput, CycleOutput};
use stackhold_kernel::status::Status;
use stackhold_tests::on_target::adversarial::{CYCLES, START};
use stackhold_tests::on_target::line::Line;
use stackhold_tests::on_target::random::Random;
use stackhold_tests::on_target::recording::{Malformed, Name, Words};
use stackhold_tests::on_target::replay::{Bench, Failure, run};

/// Words handed out from the last to the first.
struct Order(Vec<u32>);

fn episodes(first: u32, count: u32) -> Order {
    Order(vec![count, first, START])
}

impl Words for Order {
    fn word(&mut self) -> Option<u32> {
        self.0.pop()
    }
}

/// Counts what came in and what came out.
#[derive(Default)]
struct Counting {
    lines: Vec<String>,
    statuses: BTreeMap<u8, u32>,
    fired: u32,
    impulses: u32,
    not_finite: u32,
    without_samples: u32,
    inhibited: u32,
}

impl Bench for Counting {
    fn step<const N: usize>(&mut self, controller: &mut Controller<N>, input: &CycleInput) -> CycleOutput<N> {
        let samples = input.attitude.iter().flat_map(|sample| sample.attitude_xyzw);
        let samples = samples.chain(input.rate.iter().flat_map(|sample| sample.rate_rad_s));
        self.not_finite += u32::from(!samples.into_iter().all(f32::is_finite));
        self.without_samples += u32::from(input.attitude.is_none() && input.rate.is_none());
        self.inhibited += u32::from(input.inhibited.0 != 0);
        self.impulses += u32::from(matches!(input.command, Command::Impulse { .. }));
        let output = controller.step(input);
        *self.statuses.entry(output.status.number()).or_default() += 1;
        self.fired += u32::from(output.on_ticks.iter().any(|&ticks| ticks > 0));
        output
    }

    fn say(&mut self, line: &Line) {
        self.lines.push(String::from_utf8(line.as_bytes().to_vec()).expect("ASCII"));
    }

    fn flight_ended(&mut self, _: &Name) {}
}

fn counted(mut order: Order) -> Counting {
    let mut counting = Counting::default();
    run::<16>(&mut order, &mut counting).expect("episodes");
    counting
}

/// The first numbers of the generator for the seed 1234567, as published on Rosetta Code ("Pseudo-random
/// numbers/Splitmix64"; from memory).
#[test]
fn the_random_numbers_are_the_published_ones() {
    let mut random = Random::new(1_234_567);
    let expected = [
        6_457_827_717_110_365_317,
        3_203_168_211_198_807_973,
        9_817_491_932_198_370_423,
        4_593_380_528_125_082_431,
        16_408_922_859_458_223_821,
    ];
    assert_eq!([(); 5].map(|()| random.bits()), expected);
}

/// Floats are on a grid that no processor has to round to, and fill their range.
#[test]
fn random_floats_stay_within_their_range() {
    let mut random = Random::new(1);
    let numbers: Vec<f32> = (0..10_000).map(|_| random.between(-1.0, 3.0)).collect();
    assert!(numbers.iter().all(|x| (-1.0..3.0).contains(x)));
    let mean = numbers.iter().map(|&x| f64::from(x)).sum::<f64>() / 10_000.0;
    // One sigma of the mean of ten thousand: 4/√12/100 = 0.0115.
    assert!((mean - 1.0).abs() < 0.05, "{mean}");
    assert!((0..10_000).map(|_| random.of_any_size(-3, 2)).all(|x| (0.125..4.0).contains(&x)));
}

#[test]
fn the_cycles_show_everything_that_recordings_show() {
    let seen = counted(episodes(0, 100));
    println!("{:?}, {} of {} fired", seen.statuses, seen.fired, 100 * CYCLES);
    // A selection that fails cannot be had at will.
    let wanted = Status::ALL.into_iter().filter(|status| *status != Status::SelectionFailed);
    for status in wanted {
        let cycles = seen.statuses.get(&status.number()).copied().unwrap_or(0);
        assert!(cycles >= 50, "{status:?}: {cycles} cycles");
    }
    assert!(seen.fired > 10 * CYCLES, "{} fired", seen.fired);
    assert!(seen.impulses > 10 * CYCLES, "{} impulses", seen.impulses);
    assert!(seen.not_finite > 500 && seen.without_samples > 500 && seen.inhibited > 500);
    let refusing =
        seen.lines.iter().filter(|line| line.starts_with("episode") && !line.contains("refused 0"));
    assert!(refusing.count() >= 2, "hardly any table was refused");
}

/// What a slow board runs is the start of what a fast one runs, and a piece of a long run is that piece.
#[test]
fn an_episode_is_the_same_wherever_a_run_starts() {
    let (all, piece) = (counted(episodes(0, 8)), counted(episodes(5, 2)));
    assert_eq!(piece.lines[..2], all.lines[5..7]);
    assert_eq!(piece.lines[2], "end cycles 2000");
    assert_ne!(all.lines[5], all.lines[6]);
}

#[test]
fn a_broken_order_is_refused() {
    let refusal = |words: Vec<u32>| run::<16>(&mut Order(words), &mut Counting::default()).unwrap_err();
    assert_eq!(refusal(vec![1, 0, START + 1]), Failure::Malformed(Malformed::UnknownItem));
    assert_eq!(refusal(vec![0, START]), Failure::Malformed(Malformed::CutOff));
    assert_eq!(refusal(vec![0, 0, START]), Failure::Empty);
}
