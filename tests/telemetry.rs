//! The telemetry record against its layout, written out by hand, and read back bit for bit.
#![allow(missing_docs)]

use std::collections::BTreeSet;

use proptest::prelude::*;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleOutput, EngineCommand};
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::observer::Motion;
use stackhold_kernel::quaternion::UnitQuaternion;
use stackhold_kernel::status::Status;
use stackhold_kernel::telemetry::{read, record_bytes, write};
use stackhold_tests::recorded_flights::digest::Digest;
use stackhold_tests::recorded_flights::{docked_hold, storm};

fn output() -> CycleOutput<4> {
    CycleOutput {
        on_ticks: [0, 7, 0x1234, 60],
        open_tick: 0x0102_0304,
        status: Status::RateMissing,
        motion: Motion { attitude: UnitQuaternion::IDENTITY, rate_rad_s: Vec3([1.0, -2.0, 0.5]) },
        error_rad: Vec3([-0.0, 0.25, 3.0]),
        disturbance_rad_s2: Vec3([f32::MIN_POSITIVE, 0.0, -1.0]),
        bias_rad_s: Vec3([2.0, 4.0, 8.0]),
        engine: EngineCommand { on_ticks: 0x0102, gimbal_rad: [0.5, -0.125] },
        foreseen_s: f32::INFINITY,
    }
}

/// Every byte after the table in `telemetry.rs`; floats by IEEE 754: 1.0 is 3F800000, sign and exponent from there.
const BYTES: [u8; 98] = [
    3, 13, 4, 0, // version, rate missing, jets, zero
    0xef, 0xbe, 0xad, 0xde, // identity
    4, 3, 2, 1, // tick
    0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x80, 0x3f, // 0 0 0 1
    0, 0, 0x80, 0x3f, 0, 0, 0, 0xc0, 0, 0, 0, 0x3f, // 1 -2 0.5
    0, 0, 0, 0x80, 0, 0, 0x80, 0x3e, 0, 0, 0x40, 0x40, // -0 0.25 3
    0, 0, 0x80, 0, 0, 0, 0, 0, 0, 0, 0x80, 0xbf, // 2^-126 0 -1
    0, 0, 0, 0x40, 0, 0, 0x80, 0x40, 0, 0, 0, 0x41, // 2 4 8
    0, 0, 0x80, 0x7f, // infinity
    0, 0, 0, 0x3f, 0, 0, 0, 0xbe, // 0.5 -0.125
    2, 1, // ticks of the engine
    0, 0, 7, 0, 0x34, 0x12, 60, 0, // ticks
];

#[test]
fn a_record_has_the_bytes_of_its_layout() {
    let mut bytes = [0xaa; 104];
    assert_eq!(write(&output(), 0xdead_beef, &mut bytes), Some(98));
    assert_eq!(bytes[..98], BYTES);
    assert_eq!(bytes[98..], [0xaa; 6], "what lies behind is left alone");
    assert_eq!(read::<4>(&BYTES), Some((output(), 0xdead_beef)));
    assert_eq!(record_bytes(4), 98);
}

#[test]
fn a_record_that_does_not_fit_is_not_written() {
    assert_eq!(write(&output(), 0, &mut [0; 97]), None);
}

#[test]
fn bytes_that_are_no_record_are_refused() {
    for length in 0..BYTES.len() {
        assert_eq!(read::<4>(&BYTES[..length]), None, "{length} bytes");
    }
    let with = |place: usize, byte: u8| {
        let mut bytes = BYTES;
        bytes[place] = byte;
        read::<4>(&bytes)
    };
    assert_eq!(with(0, 2), None, "another version");
    assert_eq!(with(1, 99), None, "a status that is not there");
    assert_eq!(with(2, 3), None, "another number of jets");
    assert_eq!(with(3, 1), None, "what must be zero");
    assert_eq!(read::<3>(&BYTES), None, "more jets than the reader has");
    let wide = read::<16>(&BYTES).expect("fewer jets than the reader has").0;
    assert_eq!(wide.on_ticks[..4], output().on_ticks);
    assert_eq!(wide.on_ticks[4..], [0; 12]);
}

#[test]
fn every_status_travels() {
    let mut numbers = BTreeSet::new();
    for status in Status::ALL {
        assert_eq!(Status::from_number(status.number()), Some(status));
        numbers.insert(status.number());
    }
    assert_eq!(numbers.len(), Status::ALL.len());
    assert_eq!((0..=255).filter(|number| Status::from_number(*number).is_some()).count(), numbers.len());
}

/// Cycles of all kinds, compared by the digest that boards are compared with: it feels every bit.
#[test]
fn what_cycles_put_out_is_read_back_bit_for_bit() {
    let flight = storm(&docked_hold(240.0), 31, 16, 1000);
    let mut controller = Controller::new(flight.table.clone()).expect("a good table");
    let digest = |output: &CycleOutput<32>| {
        let mut digest = Digest::default();
        digest.output(output, 32);
        digest.value()
    };
    for input in &flight.inputs {
        let output = controller.step(input);
        let mut bytes = [0; record_bytes(32)];
        assert_eq!(write(&output, 5, &mut bytes), Some(bytes.len()));
        let (back, identity) = read::<32>(&bytes).expect("a record");
        assert_eq!((digest(&back), identity), (digest(&output), 5));
    }
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// What is read is what the bytes say: written again they are the same, whatever their floats are.
    #[test]
    fn any_record_read_is_written_again_byte_for_byte(mut bytes in prop::collection::vec(any::<u8>(), 98)) {
        bytes[..4].copy_from_slice(&[3, 0, 4, 0]);
        let (output, identity) = read::<4>(&bytes).expect("a record");
        let mut again = [0; 98];
        write(&output, identity, &mut again).expect("fits");
        prop_assert_eq!(again.to_vec(), bytes);
    }
}
