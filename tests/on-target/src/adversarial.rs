//! Control cycles that are made up on the spot, by the same source on a workstation and on a board, so that
//! nothing need be recorded: random vehicles, commands, sensors that lie, masks, mass properties told anew.
//!
//! They come in episodes of one vehicle and [`CYCLES`] cycles. Each starts from its own number alone, so that
//! a slow board can run the first few of them and a long run can be cut in pieces. What is to be run comes as
//! three words: [`START`], the first episode, and how many.

#[path = "adversarial/course.rs"]
mod course;
#[path = "adversarial/vehicle.rs"]
mod vehicle;

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::CycleInput;

use super::digest::Digest;
use super::line::Line;
use super::random::Random;
use super::recording::{Words, word, write_cycle, write_flight};
use super::replay::{Bench, Failure, is_sane};
use course::{Course, retold};

/// First word of an order for episodes; the last digit is the version of their making.
pub const START: u32 = 0x5354_4b61;
/// Cycles of an episode.
pub const CYCLES: u32 = 1000;
/// Mass properties are told anew once in so many cycles.
const RETOLD: u32 = 300;

/// Runs the episodes that the words after [`START`] ask for and prints a digest of what went in and one of what
/// came out for each. Returns the number of cycles.
///
/// # Errors
/// See [`Failure`].
pub fn run<const N: usize>(words: &mut impl Words, bench: &mut impl Bench) -> Result<u64, Failure> {
    let (first, count) = (word(words)?, word(words)?);
    let mut cycles = 0;
    for number in (first..).take(count as usize) {
        let episode = episode::<N>(number, bench)?;
        bench.say(&episode.line(number));
        cycles += u64::from(CYCLES);
    }
    bench.flight_ended(b"adversarial\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0\0");
    Ok(cycles)
}

/// What an episode came to.
struct Episode {
    /// Tables that the kernel refused before it took one.
    refused: u32,
    inputs: Digest,
    outputs: Digest,
}

impl Episode {
    fn line(&self, number: u32) -> Line {
        let line = Line::default().text("episode ").number(u64::from(number)).text(" refused ");
        let line = line.number(u64::from(self.refused)).text(" inputs ").hexadecimal(self.inputs.value());
        line.text(" digest ").hexadecimal(self.outputs.value())
    }

    fn put(&mut self) -> impl FnMut(u32) {
        |word| self.inputs.bytes(&word.to_le_bytes())
    }
}

/// Runs one episode.
fn episode<const N: usize>(number: u32, bench: &mut impl Bench) -> Result<Episode, Failure> {
    let mut random = Random::new(u64::from(number));
    let mut episode = Episode { refused: 0, inputs: Digest::default(), outputs: Digest::default() };
    let mut controller: Controller<N> = vehicle(number, &mut random, &mut episode)?;
    let jets = controller.table().jets.len();
    let mut course = Course::new(&mut random, &controller);
    for cycle in 0..CYCLES {
        if random.one_in(RETOLD) {
            let (mass_kg, centre_of_mass_m, inertia_kg_m2) = retold(&mut random, controller.table());
            let told = controller.retell(mass_kg, centre_of_mass_m, inertia_kg_m2);
            episode.outputs.bytes(&[u8::from(told.is_ok())]);
        }
        let input: CycleInput = course.input(&mut random);
        write_cycle(&input, &mut episode.put());
        let output = bench.step(&mut controller, &input);
        if !is_sane(&output) {
            return Err(Failure::NotFinite(cycle));
        }
        episode.outputs.output(&output, jets);
        course.fly(&controller, &output);
    }
    Ok(episode)
}

/// A kernel for the first table of an episode that is not refused.
fn vehicle<const N: usize>(
    number: u32,
    random: &mut Random,
    episode: &mut Episode,
) -> Result<Controller<N>, Failure> {
    // Nineteen tables in twenty are good.
    for _ in 0..20 {
        let table = vehicle::table(random, number);
        write_flight("", &table, &mut episode.put());
        match Controller::new(table) {
            Ok(controller) => return Ok(controller),
            Err(_) => episode.refused += 1,
        }
    }
    Err(Failure::NoTable)
}
