//! The kernel in another process: the same flight, and an error that says what happened whatever goes wrong.
#![allow(missing_docs)]

use std::time::{Duration, Instant};

use stackhold_harness::board::child::{BoardKernel, Limits};
use stackhold_harness::board::exchange::{
    CYCLE, END, Failure, OUTPUT, READY, REFUSED, SELECTION, TABLE, TAKE_UP, serve,
};
use stackhold_harness::board::frame::{Broken, Line, Load, MARKER, MOST, receive, send};
use stackhold_harness::board::recording::{Words, write_cycle, write_flight};
use stackhold_harness::closed_loop::{fly, fly_on};
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::model::Scenario;
use stackhold_harness::table;
use stackhold_kernel::config::ConfigurationTable;
use stackhold_tests::recorded_flights::{docked_hold, shortened};

/// Bytes that have come, and those that were sent.
#[derive(Default)]
struct Memory {
    come: Vec<u8>,
    next: usize,
    sent: Vec<u8>,
}

impl Memory {
    fn of(come: &[u8]) -> Self {
        Self { come: come.to_vec(), ..Self::default() }
    }
}

#[derive(Debug, PartialEq, Eq)]
struct Ended;

impl Line for Memory {
    type Error = Ended;

    fn receive(&mut self) -> Result<u8, Ended> {
        let byte = self.come.get(self.next).copied().ok_or(Ended)?;
        self.next += 1;
        Ok(byte)
    }

    fn send(&mut self, bytes: &[u8]) -> Result<(), Ended> {
        self.sent.extend_from_slice(bytes);
        Ok(())
    }
}

fn framed(kind: u8, number: u8, words: &[u32]) -> Vec<u8> {
    let mut load = Load::default();
    words.iter().for_each(|word| load.put(*word));
    let mut line = Memory::default();
    send(&mut line, kind, number, &mut load).unwrap();
    line.sent
}

// ------------------------------------------------------------------------------------------ frames

/// Written out by hand after the layout in `frame.rs`; the checksum is a reference library's.
#[test]
fn a_frame_has_the_bytes_of_its_layout() {
    let mut expected = vec![0xa5, 0x5a, 2, 7, 8, 0, 0x78, 0x56, 0x34, 0x12, 0xff, 0, 0, 0];
    let checksum = crc::Crc::<u32>::new(&crc::CRC_32_MEF).checksum(&expected[2..]);
    expected.extend(checksum.to_le_bytes());
    let frame = framed(2, 7, &[0x1234_5678, 0xff]);
    assert_eq!(frame, expected);
    let mut load = Load::default();
    let head = receive(&mut Memory::of(&frame), &mut load).expect("whole");
    assert_eq!((head.kind, head.number, head.length), (2, 7, 8));
    assert_eq!(load.bytes(), &expected[6..14]);
}

#[test]
fn every_flipped_bit_and_every_cut_of_a_frame_is_noticed() {
    let frame = framed(CYCLE, 200, &[1, 2, 3, u32::MAX]);
    let mut load = Load::default();
    for bit in 0..frame.len() * 8 {
        let mut bytes = frame.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        // A longer length looks into what comes after.
        bytes.extend(std::iter::repeat_n(0, MOST));
        let broken = receive(&mut Memory::of(&bytes), &mut load).expect_err("a flipped bit");
        match bit / 8 {
            0 | 1 => assert!(matches!(broken, Broken::Marker(_)), "bit {bit}: {broken:?}"),
            _ => assert!(
                matches!(broken, Broken::Checksum { .. } | Broken::Length(_)),
                "bit {bit}: {broken:?}"
            ),
        }
    }
    for length in 0..frame.len() {
        let broken = receive(&mut Memory::of(&frame[..length]), &mut load);
        assert_eq!(broken, Err(Broken::Line(Ended)), "{length} bytes");
    }
    assert!(receive(&mut Memory::of(&frame), &mut load).is_ok());
}

#[test]
fn the_longest_table_and_selection_fit_into_a_frame() {
    // 32 jets: 12 words of each in six rows, and the rest of a selection; a table has 14 words a jet.
    let selection = 4 * (2 + 32 * 9 + 1 + 3 * 6 + 4 * 6 + 6);
    let flight = docked_hold(1.0);
    let mut table = flight.table.clone();
    while let Some(jet) = table.jets.first().copied()
        && table.jets.push(jet).is_ok()
    {}
    assert_eq!(table.jets.len(), 32);
    let mut words = 0;
    write_flight("longest", &table, &mut |_| words += 1);
    assert!(selection <= MOST && 4 * words <= MOST, "{selection} and {} of {MOST}", 4 * words);
}

// --------------------------------------------------------------------------------- the board's side

/// How an exchange ended for the board.
type End = Result<u32, Failure<Ended>>;

/// What the board answers to frames: kinds and numbers, and how it ended.
fn answers(frames: &[Vec<u8>]) -> (Vec<(u8, u8)>, End) {
    let mut line = Memory::of(&frames.concat());
    let end = serve::<_, 16>(&mut line);
    let mut sent = Memory::of(&line.sent);
    let mut load = Load::default();
    let mut heads = Vec::new();
    while let Ok(head) = receive(&mut sent, &mut load) {
        heads.push((head.kind, head.number));
    }
    assert_eq!(sent.next, sent.come.len(), "whole frames only");
    (heads, end)
}

fn table_frame(number: u8, table: &ConfigurationTable<32>) -> Vec<u8> {
    let mut words = Vec::new();
    write_flight("told", table, &mut |word| words.push(word));
    framed(TABLE, number, &words)
}

#[test]
fn a_board_answers_what_it_is_asked_and_refuses_the_rest() {
    let flight = docked_hold(2.0);
    let cycle = |number: u8, input: usize| {
        let mut words = Vec::new();
        write_cycle(&flight.inputs[input], &mut |word| words.push(word));
        framed(CYCLE, number, &words)
    };
    let table = table_frame(1, &flight.table);
    let end = framed(END, 9, &[]);
    let (heads, ended) = answers(&[table.clone(), cycle(2, 0), cycle(3, 1), end.clone()]);
    let heads: Vec<_> = heads.into_iter().filter(|(kind, _)| *kind != SELECTION).collect();
    assert_eq!(heads, [(READY, 1), (OUTPUT, 2), (OUTPUT, 3), (READY, 9)]);
    assert_eq!(ended, Ok(2));

    let refused = |frames: &[Vec<u8>], reason| {
        let (heads, ended) = answers(frames);
        assert_eq!(heads.last().map(|head| head.0), Some(REFUSED), "{frames:?}");
        assert_eq!(ended, Err(Failure::Refused(reason)));
    };
    refused(&[cycle(1, 0)], 2);
    refused(&[table.clone(), framed(CYCLE, 2, &[1, 2, 3])], 0);
    refused(&[framed(TABLE, 1, &[])], 0);
    refused(&[table.clone(), framed(99, 2, &[])], 3);
    let mut wrong = flight.table.clone();
    wrong.mass_kg = -1.0;
    refused(&[table_frame(1, &wrong)], 1);
    // Another table on the way: taken up, refused, or before there is any.
    let other = |kind: u8, table: &ConfigurationTable<32>| {
        let mut words = Vec::new();
        write_flight("other", table, &mut |word| words.push(word));
        framed(kind, 3, &words)
    };
    let mut lighter = flight.table.clone();
    (lighter.identity, lighter.mass_kg) = (7, 0.5 * lighter.mass_kg);
    let (heads, ended) =
        answers(&[table.clone(), cycle(2, 0), other(TAKE_UP, &lighter), cycle(4, 1), end.clone()]);
    let heads: Vec<_> = heads.into_iter().filter(|(kind, _)| *kind != SELECTION).collect();
    assert_eq!(heads, [(READY, 1), (OUTPUT, 2), (READY, 3), (OUTPUT, 4), (READY, 9)]);
    assert_eq!(ended, Ok(2));
    refused(&[other(TAKE_UP, &lighter)], 2);
    refused(&[table.clone(), other(TAKE_UP, &wrong)], 1);
    let mut slower = flight.table.clone();
    slower.timing.cycle_ticks += 1;
    refused(&[table.clone(), other(TAKE_UP, &slower)], 4);
    let mut damaged = table;
    damaged[40] ^= 4;
    assert!(matches!(answers(&[damaged]).1, Err(Failure::Broken(Broken::Checksum { .. }))));
}

// ------------------------------------------------------------------------------- the host's side

/// The board of `board_on_host.rs`.
fn board() -> String {
    env!("CARGO_BIN_EXE_board_on_host").to_owned()
}

fn shell(script: &str) -> Vec<String> {
    ["sh", "-c", script].map(str::to_owned).into()
}

fn scenario() -> Scenario {
    shortened("docked_hold", 600.0)
}

const QUICK: Limits = Limits { start: Duration::from_millis(2000), answer: Duration::from_millis(400) };

/// Flies on a board behind a command.
fn flown(command: &[String], limits: Limits) -> anyhow::Result<RunRecord> {
    let scenario = scenario();
    let seat = |table: &_| BoardKernel::start(command, "flown", table, limits);
    let (record, kernel) = fly_on(&scenario, &scenario.stack, &scenario.told, "flown", &mut |_| {}, seat)?;
    kernel.end()?;
    Ok(RunRecord { wall_s: 0.0, ..record })
}

#[test]
fn a_flight_with_the_kernel_in_another_process_leaves_the_same_record() {
    let scenario = scenario();
    let own = fly(&scenario, &scenario.stack, &scenario.told, "flown", &mut |_| {}).expect("flies");
    let own = RunRecord { wall_s: 0.0, ..own };
    assert!(own.selections.checked > 10, "only {} selections are compared", own.selections.checked);
    let other = flown(&[board()], Limits::default()).expect("flies on the other side");
    assert!(own == other, "the records differ");
}

/// The same across a release: the table of what stays goes over the line in its cycle.
#[test]
fn a_release_is_flown_on_the_other_side_as_in_this_process() {
    let scenario = shortened("release_the_stage", 720.0);
    let fly_it = (&scenario.stack[..], &scenario.told);
    let own = fly(&scenario, fly_it.0, fly_it.1, "flown", &mut |_| {}).expect("flies");
    let seat = |table: &_| BoardKernel::start(&[board()], "flown", table, Limits::default());
    let (other, kernel) = fly_on(&scenario, fly_it.0, fly_it.1, "flown", &mut |_| {}, seat).expect("flies");
    kernel.end().expect("every cycle");
    let identities = [own.table_identity, own.partings[0].table_identity];
    assert_ne!(identities[0], identities[1]);
    assert!(RunRecord { wall_s: 0.0, ..own } == RunRecord { wall_s: 0.0, ..other }, "the records differ");
}

/// What is said when a flight on a board behind a command goes wrong; soon.
fn error_of(script: &str) -> String {
    let began = Instant::now();
    let error = flown(&shell(script), QUICK).expect_err(script);
    assert!(began.elapsed() < Duration::from_secs(8), "{script}: waited for {:?}", began.elapsed());
    format!("{error:#}")
}

/// A script that leads what a board says through an edit of each piece; `read` counts the bytes before it.
fn through(board: &str, edit: &str) -> String {
    format!(
        "{board} | python3 -c '
import os
read = 0
while piece := bytearray(os.read(0, 4096)):
    length = len(piece)
    {edit}
    read += length
    os.write(1, piece)'"
    )
}

fn says(script: &str, words: &[&str]) {
    let error = error_of(script);
    for word in words {
        assert!(error.contains(word), "{script}: {error}\nlacks: {word}");
    }
}

#[test]
fn whatever_goes_wrong_with_a_board_is_said_and_nothing_hangs() {
    let board = board();
    says("echo no power >&2; exit 3", &["told its table", "exit status: 3", "no power"]);
    says("exec sleep 30", &["told its table", "no answer came in time"]);
    says("exec >&-; exec sleep 30", &["told its table", "has closed its output"]);
    says("echo failed: panic; exec sleep 30", &["told its table", "broken frame", "failed: panic"]);
    says("yes", &["broken frame"]);
    // The line cut within a later cycle, its first byte lost, one bit of a later cycle flipped.
    says(&through(&board, "if read + len(piece) > 1000: os._exit(0)"), &["cycle ", "no answer came in time"]);
    says(&through(&board, "if read == 0: del piece[0]"), &["told its table", "broken frame"]);
    let flip = "if read <= 1000 < read + len(piece): piece[1000 - read] ^= 16";
    says(&through(&board, flip), &["cycle ", "broken frame"]);
    says(&format!("{board}; exit 4"), &["ended with exit status: 4"]);
}

#[test]
fn a_program_that_is_not_there_is_named() {
    let error = flown(&["no_such_program".to_owned()], QUICK).expect_err("cannot start");
    assert!(format!("{error:#}").contains("no_such_program cannot be started"), "{error:#}");
    assert!(flown(&[], QUICK).is_err());
}

#[test]
fn a_table_that_the_boards_kernel_refuses_is_said() {
    let scenario = scenario();
    let mut table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    table.mass_kg = f32::NAN;
    let refused = BoardKernel::start(&[board()], "refused", &table, Limits::default()).err();
    let error = format!("{:#}", refused.expect("a table without mass"));
    assert!(error.contains("refuses the table"), "{error}");
}

/// Words of a load as the recording's reader wants them.
#[test]
fn loads_are_read_word_by_word() {
    let frame = framed(READY, 0, &[5, 6]);
    let mut load = Load::default();
    receive(&mut Memory::of(&frame), &mut load).expect("whole");
    let mut words = stackhold_harness::board::exchange::Loaded(load.bytes());
    assert_eq!([words.word(), words.word(), words.word()], [Some(5), Some(6), None]);
    assert_eq!(frame[..2], MARKER);
}
