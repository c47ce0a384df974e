//! Runs the kernel through a recording, or through made-up cycles.

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput};

use super::adversarial;
use super::digest::{Digest, floats};
use super::line::Line;
use super::recording::{Item, Malformed, Name, START, Words, read_item, word};

/// A digest is printed after this many cycles or selections, and at the end of each flight or series.
pub(crate) const BLOCK: u32 = 1000;

/// Why a replay ended early.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Failure {
    /// The recording cannot be read.
    Malformed(Malformed),
    /// The kernel refused the table of a flight, or a cycle came before any table.
    NoTable,
    /// The kernel put out a number that is not finite, in this cycle of the flight or selection of the series.
    NotFinite(u32),
    /// The recording holds nothing to replay.
    Empty,
}

impl From<Malformed> for Failure {
    fn from(malformed: Malformed) -> Self {
        Self::Malformed(malformed)
    }
}

/// Where the kernel runs and where the lines go.
pub trait Bench {
    /// Runs one cycle; a bench that measures does it here.
    fn step<const N: usize>(&mut self, controller: &mut Controller<N>, input: &CycleInput) -> CycleOutput<N>;

    /// Prints one line.
    fn say(&mut self, line: &Line);

    /// A flight has ended: whatever was measured in it can be printed.
    fn flight_ended(&mut self, name: &Name);
}

/// Runs what the words hold, by their first one: a recording, or made-up cycles. Prints digests and returns the
/// number of cycles.
///
/// # Errors
/// See [`Failure`].
pub fn run<const N: usize>(words: &mut impl Words, bench: &mut impl Bench) -> Result<u64, Failure> {
    let cycles = match word(words)? {
        START => replay::<N>(words, bench)?,
        adversarial::START => adversarial::run::<N>(words, bench)?,
        _ => return Err(Malformed::UnknownItem.into()),
    };
    if cycles == 0 {
        return Err(Failure::Empty);
    }
    bench.say(&Line::default().text("end cycles ").number(cycles));
    Ok(cycles)
}

/// Runs every flight of a recording.
fn replay<const N: usize>(words: &mut impl Words, bench: &mut impl Bench) -> Result<u64, Failure> {
    let mut flight: Option<Flight<N>> = None;
    let mut cycles = 0;
    loop {
        match read_item(words)? {
            Item::Flight(name, table) => {
                end(&flight, bench);
                let jets = table.jets.len();
                let controller = Controller::new(table).map_err(|_| Failure::NoTable)?;
                flight = Some(Flight { name, controller, jets, cycles: 0, digest: Digest::default() });
            }
            Item::Cycle(input) => {
                flight.as_mut().ok_or(Failure::NoTable)?.cycle(&input, bench)?;
                cycles += 1;
            }
            Item::End => break,
        }
    }
    end(&flight, bench);
    Ok(cycles)
}

fn end<const N: usize>(flight: &Option<Flight<N>>, bench: &mut impl Bench) {
    if let Some(flight) = flight {
        bench.say(&flight.line());
        bench.flight_ended(&flight.name);
    }
}

/// One flight under way.
struct Flight<const N: usize> {
    name: Name,
    controller: Controller<N>,
    jets: usize,
    cycles: u32,
    digest: Digest,
}

impl<const N: usize> Flight<N> {
    fn cycle(&mut self, input: &CycleInput, bench: &mut impl Bench) -> Result<(), Failure> {
        let output = bench.step(&mut self.controller, input);
        if !is_sane(&output) {
            return Err(Failure::NotFinite(self.cycles));
        }
        self.digest.output(&output, self.jets);
        self.cycles += 1;
        if self.cycles.is_multiple_of(BLOCK) {
            bench.say(&self.line());
        }
        Ok(())
    }

    fn line(&self) -> Line {
        digested(&self.name, "cycles", self.cycles, self.digest)
    }
}

/// The digest after so many of something.
pub(crate) fn digested(name: &Name, what: &str, count: u32, digest: Digest) -> Line {
    let counted = named(name).text(" ").text(what).text(" ").number(u64::from(count));
    counted.text(" digest ").hexadecimal(digest.value())
}

/// A line that starts with the name of a flight.
#[must_use]
pub fn named(name: &Name) -> Line {
    Line::default().text(text(name))
}

/// The name of a flight as text.
#[must_use]
pub fn text(name: &Name) -> &str {
    let bytes = name.split(|&byte| byte == 0).next().unwrap_or_default();
    core::str::from_utf8(bytes).unwrap_or("?")
}

/// Whether every float is a finite number; the foreseen time may be infinite, but not negative.
pub fn is_sane<const N: usize>(output: &CycleOutput<N>) -> bool {
    let unbounded = floats(output).filter(|float| !float.is_finite()).count();
    output.foreseen_s >= 0.0 && unbounded == usize::from(output.foreseen_s.is_infinite())
}
