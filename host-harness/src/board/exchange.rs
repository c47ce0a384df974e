//! What host and board say to one another, cycle by cycle, in [frames](super::frame).
//!
//! | host | board |
//! | --- | --- |
//! | [`TABLE`]: a flight's start in the words of [recordings](super::recording) | [`READY`]: identity of the table; or [`REFUSED`] |
//! | [`TAKE_UP`]: a table in the same words, for the flight that is on | [`READY`]: identity of the table; or [`REFUSED`] |
//! | [`CYCLE`]: the cycle's input in the words of recordings | a [`SELECTION`] for each jet selection made, then [`OUTPUT`]: the [telemetry record](stackhold_kernel::telemetry); or [`REFUSED`] |
//! | [`END`] | [`READY`]: how many cycles were run since the table |
//!
//! The board keeps nothing back: every jet selection travels with all its numbers, so that the host proves each of
//! them as it proves its own.

use stackhold_kernel::controller::{Change, Controller};
use stackhold_kernel::cycle::Witness;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Outcome, Problem, Proof, Selection};
use stackhold_kernel::telemetry;

use super::frame::{Broken, Head, Line, Load, receive, send};
use super::recording::{Item, Malformed, Words, float, floats, put_floats, read_item, word};

/// The host tells a table.
pub const TABLE: u8 = 1;
/// The host tells a cycle's input.
pub const CYCLE: u8 = 2;
/// The host has no more.
pub const END: u8 = 3;
/// The host tells another table of the same vehicle, to go on with.
pub const TAKE_UP: u8 = 4;
/// The board is ready.
pub const READY: u8 = 16;
/// The board has selected jets.
pub const SELECTION: u8 = 17;
/// The board has run a cycle.
pub const OUTPUT: u8 = 18;
/// The board cannot do what the host asks; one word says why.
pub const REFUSED: u8 = 19;

/// Why a board refuses: a load that cannot be read, a table that the kernel refuses, a cycle before any table,
/// a kind of frame it does not know, a table that it cannot go on with.
pub const REFUSALS: [&str; 5] = [
    "the load cannot be read",
    "the kernel refuses the table",
    "a cycle came before any table",
    "the frame is of no kind it knows",
    "the kernel would start anew with the table",
];

/// Why a board gave up.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure<E> {
    /// A frame that was not received.
    Broken(Broken<E>),
    /// An answer could not be sent.
    Line(E),
    /// What was asked was refused, and the host told so: the place in [`REFUSALS`].
    Refused(u32),
}

/// Words of a load.
pub struct Loaded<'a>(pub &'a [u8]);

impl Words for Loaded<'_> {
    fn word(&mut self) -> Option<u32> {
        let (word, rest) = self.0.split_first_chunk()?;
        self.0 = rest;
        Some(u32::from_le_bytes(*word))
    }
}

/// The board's side: answers until the host has no more. Returns the number of cycles run.
///
/// # Errors
/// See [`Failure`].
pub fn serve<L: Line, const N: usize>(line: &mut L) -> Result<u32, Failure<L::Error>> {
    let mut load = Load::default();
    let mut controller: Option<Controller<N>> = None;
    let mut cycles = 0;
    loop {
        let Head { kind, number, .. } = receive(line, &mut load).map_err(Failure::Broken)?;
        let item = read_item::<N>(&mut Loaded(load.bytes()));
        load.clear();
        let answer = match (kind, item, &mut controller) {
            (TABLE, Ok(Item::Flight(_, table)), _) => {
                load.put(table.identity);
                controller = Controller::new(table).ok();
                cycles = 0;
                if controller.is_some() { Ok(READY) } else { Err(1) }
            }
            (CYCLE, Ok(Item::Cycle(input)), Some(controller)) => {
                let jets = controller.table().jets.len();
                let mut reporter = Reporter { line, number, jets, load: &mut load, failed: None };
                let output = controller.step_witnessed(&input, &mut reporter);
                if let Some(failed) = reporter.failed {
                    return Err(Failure::Line(failed));
                }
                cycles += 1;
                load.fill(|bytes| telemetry::write(&output, controller.table().identity, bytes));
                Ok(OUTPUT)
            }
            (TAKE_UP, Ok(Item::Flight(_, table)), Some(controller)) => {
                load.put(table.identity);
                match controller.change_for(&table) {
                    Change::Restarted => Err(4),
                    Change::Continued => controller.take_up(table).map(|_| READY).map_err(|_| 1),
                }
            }
            (CYCLE, Ok(Item::Cycle(_)), None) | (TAKE_UP, Ok(Item::Flight(..)), None) => Err(2),
            (END, ..) => {
                load.put(cycles);
                send(line, READY, number, &mut load).map_err(Failure::Line)?;
                return Ok(cycles);
            }
            (TABLE | CYCLE | TAKE_UP, ..) => Err(0),
            _ => Err(3),
        };
        match answer {
            Ok(kind) => send(line, kind, number, &mut load).map_err(Failure::Line)?,
            Err(reason) => {
                load.clear();
                load.put(reason);
                send(line, REFUSED, number, &mut load).map_err(Failure::Line)?;
                return Err(Failure::Refused(reason));
            }
        }
    }
}

/// Sends every selection as it is made.
struct Reporter<'a, L: Line> {
    line: &'a mut L,
    number: u8,
    jets: usize,
    load: &'a mut Load,
    failed: Option<L::Error>,
}

impl<L: Line> Witness for Reporter<'_, L> {
    fn saw<const M: usize, const N: usize>(&mut self, problem: &Problem<M>, answer: &Selection<M, N>) {
        self.load.clear();
        write_selection(problem, answer, self.jets, &mut |word| self.load.put(word));
        if self.failed.is_none() {
            self.failed = send(self.line, SELECTION, self.number, self.load).err();
        }
    }
}

/// Writes a selection: rows, jets; of each jet its column, price, limit and on-time; the rest of the problem and of
/// the answer in the order of their fields.
fn write_selection<const M: usize, const N: usize>(
    problem: &Problem<M>,
    answer: &Selection<M, N>,
    jets: usize,
    put: &mut impl FnMut(u32),
) {
    put(u32::try_from(M).unwrap_or(0));
    put(u32::try_from(jets).unwrap_or(0));
    let answered = problem.limit.iter().zip(&answer.on_time);
    for ((column, price), (limit, on_time)) in
        problem.columns.iter().zip(problem.price).zip(answered).take(jets)
    {
        put_floats(*column, put);
        put_floats([*price, *limit, *on_time], put);
    }
    put(problem.usable.0);
    put_floats(problem.demand.low, put);
    put_floats(problem.demand.high, put);
    problem.priority.into_iter().for_each(|row| put(u32::from(row)));
    put_floats(answer.achieved, put);
    put_floats(answer.remaining, put);
    put(answer.lambda.to_bits());
    put_floats(answer.multipliers, put);
    put_floats(answer.reach_multipliers, put);
    put(u32::from(answer.outcome as u8));
    put(u32::from(answer.pivots));
    put_floats([answer.proof.residual, answer.proof.gap, answer.proof.reach_gap], put);
}

/// Reads a selection for at most `N` jets and shows it to a witness as it was made; jets that are not told of are
/// nothing: no effect, no price, no limit, shut.
///
/// # Errors
/// The words are cut off, go on, or are no selection.
pub fn show_selection<const N: usize>(
    words: &mut impl Words,
    witness: &mut impl Witness,
) -> Result<(), Malformed> {
    match word(words)? {
        3 => show::<3, N>(words, witness),
        6 => show::<6, N>(words, witness),
        _ => Err(Malformed::UnknownItem),
    }
}

fn show<const M: usize, const N: usize>(
    words: &mut impl Words,
    witness: &mut impl Witness,
) -> Result<(), Malformed> {
    let jets = word(words)? as usize;
    if jets > N {
        return Err(Malformed::TooManyJets);
    }
    let (mut columns, mut price, mut limit, mut on_time) = ([[0.0; M]; N], [0.0; N], [0.0; N], [0.0; N]);
    let slots = columns.iter_mut().zip(&mut price).zip(limit.iter_mut().zip(&mut on_time));
    for ((column, price), (limit, on_time)) in slots.take(jets) {
        *column = floats(words)?;
        [*price, *limit, *on_time] = floats(words)?;
    }
    let usable = JetMask(word(words)?);
    let demand = Demand { low: floats(words)?, high: floats(words)? };
    let mut priority = [0; M];
    for row in &mut priority {
        *row = u8::try_from(word(words)?).map_err(|_| Malformed::UnknownItem)?;
    }
    let (achieved, remaining, lambda) = (floats(words)?, floats(words)?, float(words)?);
    let (multipliers, reach_multipliers) = (floats(words)?, floats(words)?);
    let outcome = outcome(word(words)?).ok_or(Malformed::UnknownItem)?;
    let pivots = u16::try_from(word(words)?).map_err(|_| Malformed::UnknownItem)?;
    let [residual, gap, reach_gap] = floats(words)?;
    if words.word().is_some() {
        return Err(Malformed::UnknownItem);
    }
    let proof = Proof { residual, gap, reach_gap };
    let problem =
        Problem { columns: &columns, price: &price, limit: &limit, usable, demand: &demand, priority };
    let answer = Selection {
        on_time,
        achieved,
        remaining,
        lambda,
        multipliers,
        reach_multipliers,
        outcome,
        pivots,
        proof,
    };
    witness.saw(&problem, &answer);
    Ok(())
}

/// The outcome of a number.
fn outcome(number: u32) -> Option<Outcome> {
    use Outcome as O;
    [O::Nothing, O::Exact, O::Shortened, O::Prioritised, O::Coupled, O::NoJets, O::Refused, O::Stalled]
        .into_iter()
        .find(|outcome| u32::from(*outcome as u8) == number)
}
