//! The same inputs give the same bits: run after run, whatever number of jets the kernel is built for.
//!
//! Debug and release builds of the kernel, and other processors, are compared by `tests/on-target/verify`,
//! which replays the recording checked here on the host at both optimisation levels and on emulated boards.
#![allow(missing_docs)]

use std::collections::BTreeSet;
use std::sync::OnceLock;

use stackhold_harness::closed_loop::fly;
use stackhold_harness::record::RunRecord;
use stackhold_kernel::config::{Accelerometer, ConfigurationTable};
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::CycleOutput;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::quaternion::UnitQuaternion;
use stackhold_kernel::status::Status;
use stackhold_tests::recorded_flights::digest::{Digest, floats};
use stackhold_tests::recorded_flights::layout::{Item, Malformed, Words, read_item, read_start};
use stackhold_tests::recorded_flights::layout::{write_cycle, write_flight};
use stackhold_tests::recorded_flights::{RecordedFlight, all, recording, shortened};

/// Every flight that boards replay, flown once for all tests.
fn flights() -> &'static [RecordedFlight] {
    static FLIGHTS: OnceLock<Vec<RecordedFlight>> = OnceLock::new();
    FLIGHTS.get_or_init(all)
}

/// The demonstration with the vent already on, half an hour of it; wall time taken out.
fn demonstration(seed: u64) -> RunRecord {
    let mut scenario = shortened("docked_hold", 1800.0);
    scenario.seed = seed;
    let record = fly(&scenario, &scenario.stack, &scenario.told, "told_truth", &mut |_| {});
    RunRecord { wall_s: 0.0, ..record.expect("the demonstration flies") }
}

#[test]
fn a_flight_flown_twice_leaves_the_same_record() {
    let (first, second) = (demonstration(1), demonstration(1));
    assert_eq!(first.command_hash, second.command_hash);
    assert!(first == second, "same seed, different record");
    assert!(!first.edges.is_empty(), "nothing fired: the comparison proves nothing");
}

#[test]
fn another_seed_leaves_another_record() {
    let (first, second) = (demonstration(1), demonstration(2));
    assert_ne!(first.command_hash, second.command_hash);
    assert_ne!(first.cycles, second.cycles);
}

/// Words of a recording in memory.
struct Stored<'a>(&'a [u32]);

impl Words for Stored<'_> {
    fn word(&mut self) -> Option<u32> {
        let (word, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*word)
    }
}

/// A flight's table as read back from its recording, by a kernel built for at most `N` jets.
fn read_back<const N: usize>(flight: &RecordedFlight) -> Result<ConfigurationTable<N>, Malformed> {
    let mut words = Vec::new();
    write_flight(&flight.name, &flight.table, &mut |word| words.push(word));
    match read_item(&mut Stored(&words))? {
        Item::Flight(name, table) => {
            assert!(name.starts_with(flight.name.as_bytes()), "the name travels");
            Ok(table)
        }
        _ => panic!("a flight was written, something else was read"),
    }
}

/// Every bit of an output beside its on-times.
fn bits<const N: usize>(output: &CycleOutput<N>) -> (u32, Status, Vec<u32>) {
    (output.open_tick, output.status, floats(output).map(f32::to_bits).collect())
}

#[test]
fn a_kernel_for_sixteen_jets_gives_the_bits_of_one_for_thirty_two() {
    let mut fired = 0;
    for flight in flights() {
        let table = read_back::<16>(flight).expect("sixteen jets fit");
        let mut narrow = Controller::new(table).expect("a good table");
        let mut wide = Controller::new(flight.table.clone()).expect("a good table");
        for (cycle, input) in flight.inputs.iter().enumerate() {
            let (small, large) = (narrow.step(input), wide.step(input));
            let (near, beyond) = large.on_ticks.split_at(16);
            assert_eq!(small.on_ticks, *near, "{} cycle {cycle}", flight.name);
            assert_eq!(beyond, [0; 16], "{} cycle {cycle}: jets that do not exist", flight.name);
            assert_eq!(bits(&small), bits(&large), "{} cycle {cycle}", flight.name);
            fired += near.iter().filter(|&&ticks| ticks > 0).count();
        }
    }
    assert!(fired > 1000, "only {fired} pulses were compared");
}

/// A board that replays a recording is where the closed loop was.
#[test]
fn a_replayed_flight_gives_the_bits_of_the_closed_loop() {
    for flight in flights().iter().filter(|flight| !flight.outputs.is_empty()) {
        let mut controller = Controller::new(flight.table.clone()).expect("a good table");
        for (cycle, (input, output)) in flight.inputs.iter().zip(&flight.outputs).enumerate() {
            let again = controller.step(input);
            assert_eq!(again.on_ticks, output.on_ticks, "{} cycle {cycle}", flight.name);
            assert_eq!(bits(&again), bits(output), "{} cycle {cycle}", flight.name);
        }
    }
}

/// What is compared on boards takes the kernel through all it can say; a selection fails where every jet
/// is inhibited.
#[test]
fn the_recording_shows_every_status() {
    let mut seen = BTreeSet::new();
    for flight in flights() {
        let mut controller = Controller::new(flight.table.clone()).expect("a good table");
        seen.extend(flight.inputs.iter().map(|input| controller.step(input).status.number()));
    }
    // A selection that fails cannot be had at will.
    let wanted = Status::ALL.into_iter().filter(|status| *status != Status::SelectionFailed);
    assert_eq!(seen, wanted.map(Status::number).collect());
}

/// Read back and written again, the words are the same: nothing is lost, not even a not-a-number's bits.
#[test]
fn a_recording_read_back_is_written_again_word_for_word() {
    let words: Vec<u32> = recording(flights())
        .chunks_exact(4)
        .map(|bytes| u32::from_le_bytes(bytes.try_into().unwrap()))
        .collect();
    let mut stored = Stored(&words);
    read_start(&mut stored).expect("a recording");
    let mut again = vec![words[0]];
    let mut cycles = 0;
    loop {
        match read_item::<32>(&mut stored).expect("a whole recording") {
            Item::Flight(name, table) => {
                let name = std::str::from_utf8(&name).expect("ASCII");
                write_flight(name, &table, &mut |word| again.push(word));
            }
            Item::Cycle(input) => {
                write_cycle(&input, &mut |word| again.push(word));
                cycles += 1;
            }
            Item::End => break,
        }
    }
    again.push(words[words.len() - 1]);
    assert_eq!(again, words);
    assert!(stored.0.is_empty(), "words after the end");
    assert_eq!(cycles, flights().iter().map(|flight| flight.inputs.len()).sum::<usize>());
}

#[test]
fn engine_and_accelerometer_travel_with_their_table() {
    let mut table = flights()[0].table.clone();
    assert!(table.engine.is_told(), "the tug has a main engine");
    table.accelerometer = Accelerometer { place_m: Vec3([0.5, -0.25, 0.125]) };
    let mut words = Vec::new();
    write_flight("told", &table, &mut |word| words.push(word));
    let Ok(Item::Flight(_, back)) = read_item::<32>(&mut Stored(&words)) else {
        panic!("a flight was written")
    };
    assert_eq!(back, table);
}

#[test]
fn a_broken_recording_is_refused() {
    let demo = &flights()[0];
    assert_eq!(read_back::<15>(demo).unwrap_err(), Malformed::TooManyJets);
    let mut words = Vec::new();
    write_cycle(&demo.inputs[0], &mut |word| words.push(word));
    for length in 0..words.len() {
        let cut = read_item::<16>(&mut Stored(&words[..length]));
        assert!(matches!(cut, Err(Malformed::CutOff)), "{length} words");
    }
    words[0] ^= 1 << 16;
    assert!(matches!(read_item::<16>(&mut Stored(&words)), Err(Malformed::UnknownItem)));
}

/// FNV-1a of 64 bits: test vectors published with the algorithm by Fowler, Noll and Vo (from memory).
#[test]
fn the_digest_is_the_published_one() {
    let of = |text: &str| {
        let mut digest = Digest::default();
        digest.bytes(text.as_bytes());
        digest.value()
    };
    assert_eq!(of(""), 0xcbf2_9ce4_8422_2325);
    assert_eq!(of("a"), 0xaf63_dc4c_8601_ec8c);
    assert_eq!(of("foobar"), 0x8594_4171_f739_67e8);
}

/// One bit changed anywhere in an output changes the digest.
#[test]
fn the_digest_feels_every_bit_of_an_output() {
    let output = flights()[0].outputs[0];
    let of = |output: &CycleOutput<32>| {
        let mut digest = Digest::default();
        digest.output(output, 16);
        digest.value()
    };
    let mut changed = vec![output; 10];
    changed[0].on_ticks[15] ^= 1;
    changed[1].on_ticks[0] ^= 0x8000;
    changed[2].open_tick ^= 1 << 31;
    changed[3].status = Status::SelectionFailed;
    let nudged = |value: &mut f32| *value = f32::from_bits(value.to_bits() ^ 1);
    nudged(&mut changed[4].motion.rate_rad_s.0[2]);
    nudged(&mut changed[5].error_rad.0[0]);
    nudged(&mut changed[6].disturbance_rad_s2.0[1]);
    nudged(&mut changed[7].bias_rad_s.0[2]);
    nudged(&mut changed[9].foreseen_s);
    let [x, y, z, w] = output.motion.attitude.to_array();
    changed[8].motion.attitude = UnitQuaternion::from_array([x, y, -z, -w]).expect("still a unit quaternion");
    for (place, changed) in changed.iter().enumerate() {
        assert_ne!(of(changed), of(&output), "change {place} went unseen");
    }
}
