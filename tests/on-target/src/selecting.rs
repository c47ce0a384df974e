//! Runs the kernel's jet selection through recorded problems.

use stackhold_kernel::selection::{Offer, Outcome, Problem, Selection, Selector};

use crate::digest::Digest;
use crate::line::Line;
use crate::problems::{COLD, COUNTED, END, Posed, SERIES, START, read_series};
use crate::recording::{Malformed, Name, Words, word};
use crate::replay::{BLOCK, Failure, digested};

/// Where the kernel runs and where the lines go.
pub trait SelectionBench {
    /// Selects once; a bench that measures does it here.
    fn select<const M: usize, const N: usize>(
        &mut self,
        selector: &mut Selector<M, N>,
        asked: (&Offer<M, N>, &Problem<M>),
        is_counted: bool,
    ) -> Selection<M, N>;

    /// Prints one line.
    fn say(&mut self, line: &Line);

    /// A series has ended: whatever was measured in it can be printed.
    fn series_ended<const M: usize, const N: usize>(&mut self, name: &Name);
}

/// Runs every series of a recording and prints digests. Returns the number of selections.
///
/// # Errors
/// See [`Failure`]; a series of a size that this is not built for is malformed.
pub fn replay(words: &mut impl Words, bench: &mut impl SelectionBench) -> Result<u64, Failure> {
    if word(words)? != START {
        return Err(Malformed::UnknownItem.into());
    }
    let mut item = word(words)?;
    let (mut selections, mut stalled, mut unfit_proofs) = (0, 0, 0);
    while item == SERIES {
        let (name, rows, jets) = read_series(words)?;
        let (count, next) = match (rows, jets) {
            (3, 12) => series::<3, 12>(&name, words, bench)?,
            (3, 16) => series::<3, 16>(&name, words, bench)?,
            (3, 32) => series::<3, 32>(&name, words, bench)?,
            (6, 16) => series::<6, 16>(&name, words, bench)?,
            (6, 24) => series::<6, 24>(&name, words, bench)?,
            _ => return Err(Malformed::UnknownItem.into()),
        };
        selections += u64::from(count.selections);
        stalled += u64::from(count.stalled);
        unfit_proofs += u64::from(count.unfit_proofs);
        item = next;
    }
    match (item, selections) {
        (END, 0) => Err(Failure::Empty),
        (END, _) => {
            bench.say(&Line::default().text("measured stalled answers ").number(stalled));
            bench.say(&Line::default().text("measured proofs_not_finite answers ").number(unfit_proofs));
            bench.say(&Line::default().text("end selections ").number(selections));
            Ok(selections)
        }
        _ => Err(Malformed::UnknownItem.into()),
    }
}

/// Runs one series. Returns what it came to and the first word after the series.
fn series<const M: usize, const N: usize>(
    name: &Name,
    words: &mut impl Words,
    bench: &mut impl SelectionBench,
) -> Result<(Count, u32), Failure> {
    let mut posed = Posed::<M, N>::nothing();
    let mut selector = Selector::<M, N>::new();
    let (mut count, mut digest) = (Count::default(), Digest::default());
    loop {
        let first = word(words)?;
        if first == SERIES || first == END {
            bench.say(&digested(name, "selections", count.selections, digest));
            bench.series_ended::<M, N>(name);
            return Ok((count, first));
        }
        posed.read(first, words)?;
        if posed.is(COLD) {
            selector.forget();
        }
        let problem = posed.problem();
        let answer = match Offer::new(problem.columns, problem.price, problem.limit, problem.usable) {
            Some(offer) => bench.select(&mut selector, (&offer, &problem), posed.is(COUNTED)),
            None => selector.select(&problem),
        };
        if !delivered(&answer).all(f32::is_finite) {
            return Err(Failure::NotFinite(count.selections));
        }
        count.stalled += u32::from(answer.outcome == Outcome::Stalled);
        count.unfit_proofs += u32::from(!proof(&answer).all(f32::is_finite));
        take(&mut digest, &answer);
        count.selections += 1;
        if count.selections.is_multiple_of(BLOCK) {
            bench.say(&digested(name, "selections", count.selections, digest));
        }
    }
}

/// What series came to.
#[derive(Clone, Copy, Default)]
struct Count {
    selections: u32,
    stalled: u32,
    /// Answers with a number in their proof that is not finite.
    unfit_proofs: u32,
}

/// Takes every bit of an answer into a digest; what is not a number has other bits on every processor.
fn take<const M: usize, const N: usize>(digest: &mut Digest, answer: &Selection<M, N>) {
    for value in delivered(answer).chain(proof(answer)) {
        let bits = if value.is_nan() { u32::MAX } else { value.to_bits() };
        digest.bytes(&bits.to_le_bytes());
    }
    digest.bytes(&[answer.outcome as u8]);
    digest.bytes(&answer.pivots.to_le_bytes());
}

/// What is flown: on-times, achieved, remaining, share.
fn delivered<const M: usize, const N: usize>(answer: &Selection<M, N>) -> impl Iterator<Item = f32> {
    answer.on_time.into_iter().chain(answer.achieved).chain(answer.remaining).chain([answer.lambda])
}

/// What proves it: multipliers and what they leave unproven.
fn proof<const M: usize, const N: usize>(answer: &Selection<M, N>) -> impl Iterator<Item = f32> {
    let left = [answer.proof.residual, answer.proof.gap, answer.proof.reach_gap];
    answer.multipliers.into_iter().chain(answer.reach_multipliers).chain(left)
}

/// What the counts are told apart by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Class {
    /// The demand is delivered.
    Attained = 0,
    /// It is out of reach.
    Saturated = 1,
    /// No proven end was found.
    Stalled = 2,
}

impl Class {
    /// Names for the lines that are printed, in the order of the numbers.
    pub const NAMES: [&'static str; 3] = ["attained", "saturated", "stalled"];

    /// The class of an outcome; none where there is nothing to select.
    #[must_use]
    pub fn of(outcome: Outcome) -> Option<Self> {
        match outcome {
            Outcome::Exact => Some(Self::Attained),
            Outcome::Shortened | Outcome::Prioritised | Outcome::Coupled => Some(Self::Saturated),
            Outcome::Stalled => Some(Self::Stalled),
            Outcome::Nothing | Outcome::NoJets | Outcome::Refused => None,
        }
    }
}
