//! Jet selection: the least-propellant on-times that deliver a demand.
//!
//! A demand is a point or a box in `M` rows (3: rate change; 6: rate and velocity change; any mix
//! between). Minimised is `price · t` over `0 ≤ t ≤ limit` with `A·t` in the box.
//!
//! **Out of reach.** Let `r` be the point of the box nearest zero. The box is slid towards zero, its
//! size kept: bounds `low − (1−λ)·r` and `high − (1−λ)·r`, which for a point is `λ·b`. The largest
//! feasible λ is found, then the least propellant at [`SLACK`] below it: exactly at the largest λ
//! the least propellant is ill-posed (giving up a ten-millionth of λ can halve it).
//!
//! **Out of reach in one axis.** When λ falls below [`FLOOR`] the direction cannot be kept in any
//! useful sense: one axis is simply gone. The second stage then serves the rows one by one in the
//! order of their priority, each row kept between nothing and its demand, so no axis is pushed the
//! wrong way or past its demand, and finally looks for the least propellant that still delivers
//! all but [`SLACK`] of that. A row that could get less than a thousandth of its demand is left out:
//! jets that fight one another for so little are not worth their propellant. Where the layout is tilted against the axes so that this
//! delivers less than half of what was asked, the demand is asked for once more with every row
//! allowed to miss by [`SPILL`] of the largest: a demand that is attainable but for two per cent is
//! served but for two per cent.
//!
//! **Units.** Rows come in blocks of three that share a unit (rows 0 to 2 turn, rows 3 to 5 push). λ is measured
//! against what each row could deliver by itself: a demand of a million pulses keeps its direction like one of two.
//!
//! **Method.** Bounded dual simplex with a long-step ratio test on a condensed tableau (see `walk.rs` and
//! `tableau.rs`). Prices are never negative, so "all jets off" is a dual feasible start, and so is any old basis: a
//! [`Selector`] goes on from the one it found last. Out of reach, the row that cannot be helped gives multipliers that
//! bound λ (weak duality); the ranges are slid just below the bound and the walk goes on, so λ costs a few
//! pivots more and is proven as it is found (see `saturation.rs`). The answer is measured with the original columns
//! before it is believed: multipliers and on-times are refined against them, in twice the precision where
//! on-times cancel, and a basis that is found wanting is factorised anew. Where nothing but the demand has changed and
//! the basis is right still, one product with the tableau is the whole answer (see `glance.rs`). What can be known of the
//! jets before a demand is there (whether their numbers are in order, how rows and jets are to be scaled) is found out once, in
//! an [`Offer`].
//!
//! **Where rounding stands in the way.** An answer that does not prove itself is sought once more, from rest. Where there is
//! time for a proof that is done with all numbers in twice the precision (pairs of `f32`, see `twofold.rs`): there
//! rounding is so far below what a layout can mean that nothing hangs on it. Of random demands on random layouts of
//! sixteen jets that is less than one in a hundred with three rows, one in twenty with six, and one in nine with six and
//! thrusts from 0.5 N to 500 N in one table. In a control cycle ([`Selector::select_in_cycle`]) less proof is enough, and
//! the walk is repeated with numbers that are trusted less. A demand that is attainable but for its own rounding is let
//! off by what rounding asks for, and [`Proof::residual`] says so.
//!
//! **Why so.** Measured beside it on the same problems (`cargo bench -p stackhold-benches --bench ratios`; the
//! one before it is in the history): a dual simplex with a dense inverse kept beside the columns, scaled anew in
//! each call and with λ sought by an objective of its own, took three to five times as long and could not start warm.
//! Tried without gain: a first cut by the demand's own direction, and pairs that go on from the basis found in `f32`
//! (rest is as near, and safer).
//! The tableau needs no pass over the columns to price a row; by rows it suits wide registers.
//!
//! **Work is bounded**: at most [`ALLOWANCE`] pivots and other steps in one walk, [`CYCLE_ALLOWANCE`] in a control cycle,
//! and at most two walks. The second one costs about forty times as much in twice the precision, which no cycle has time for.
//!
//! **Limits of `f32`.** On-times count as limited to [`LONGEST`] times what the demand, at λ, takes of a jet of full
//! strength by itself (`limit_j(λ) = min(limit_j, LONGEST·λ·β/γ_j)` with powers of two `ρ_i` at or below
//! `max |a_ij|`, `γ_j` at or below `max |a_ij|/ρ_i`, and `β = max |r_i|/ρ_i`): jets that must cancel one another
//! further stand for an axis that is not there, and the rounding of their on-times would be felt in what they deliver.
//! Multipliers are handed out as `f32`: on bases that are nearly singular they may be too coarse to show what was found.

mod glance;
mod number;
mod offer;
mod program;
mod saturation;
mod tableau;
mod twofold;
mod walk;

pub use offer::Offer;
pub use program::{End, Program};

use crate::jet::JetMask;
use crate::math;
use number::{Number, Trust};
use tableau::Tableau;
use twofold::Twofold;
use walk::Walk;

/// Share of the largest λ that is given up so that the least propellant is well-posed.
pub const SLACK: f32 = 1.0e-4;

/// Smallest λ at which the direction of a demand is kept, against what each row could deliver by itself.
pub const FLOOR: f32 = 0.02;

/// How far the other rows may be missed when an axis is gone and the layout is tilted against the
/// axes, as a share of the largest component of the demand.
pub const SPILL: f32 = 0.02;

/// Longest on-time, in units of what the demand takes of a jet of full strength by itself. Longer
/// on-times cancel one another so far that their own rounding is felt in what they deliver.
pub const LONGEST: f32 = 32.0;

/// Pivots and other steps allowed in one walk; an answer may take two walks.
pub const ALLOWANCE: u16 = 240;

/// The same in a control cycle.
pub const CYCLE_ALLOWANCE: u16 = 160;

/// An answer that leaves more unproven is sought once more in twice the precision.
const PROVEN: f32 = 8.0e-6;

/// The same in a control cycle, where it is sought once more with numbers that are trusted less: valves round more off.
const FIT: f32 = 1.0e-2;

/// Demands below this many seconds may be too small for any valve.
const SMALL: f32 = 9.5e-7;

/// Smallest demand, in full pulses (2^-40).
const SMALLEST: f32 = 9.094_947e-13;

/// Largest magnitude of any number taken in.
const ABSURD: f32 = 1.0e18;

/// Rows that share a unit.
const BLOCK: usize = 3;

/// What is wanted: every row between `low` and `high`, in the unit of the columns times seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Demand<const M: usize> {
    /// Low edges; minus infinity leaves a row free downwards.
    pub low: [f32; M],
    /// High edges; infinity leaves a row free upwards.
    pub high: [f32; M],
}

impl<const M: usize> Demand<M> {
    /// Exactly this much in every row.
    #[must_use]
    pub const fn point(wanted: [f32; M]) -> Self {
        Self { low: wanted, high: wanted }
    }

    /// Anything between the edges.
    #[must_use]
    pub const fn between(low: [f32; M], high: [f32; M]) -> Self {
        Self { low, high }
    }

    /// The point of the box nearest zero, row by row.
    #[must_use]
    pub fn nearest(&self) -> [f32; M] {
        let mut point = [0.0; M];
        for (point, (low, high)) in point.iter_mut().zip(self.low.iter().zip(&self.high)) {
            *point = math::clamp(0.0, *low, *high) + 0.0;
        }
        point
    }

    /// Whether the edges are ordered and within reason.
    fn is_sane(&self) -> bool {
        self.low.iter().zip(&self.high).all(|(low, high)| {
            if low == high {
                return low.abs() <= ABSURD;
            }
            let ordered = low < high && *low < f32::INFINITY && *high > f32::NEG_INFINITY;
            ordered && [low, high].iter().all(|e| e.abs() <= ABSURD || e.is_infinite())
        })
    }
}

/// Which pivots are preferred.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Rule {
    /// Largest miss, long steps; lowest index only after a run of pivots that gain nothing.
    Largest,
    /// Lowest index from the start (finite by Bland's argument, but slow): for checking the fallback.
    LowestIndex,
}

/// A demand and the jets that may serve it. The slices have one entry per jet, at most 32.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Problem<'a, const M: usize> {
    /// Effect per second of on-time.
    pub columns: &'a [[f32; M]],
    /// Price per second of on-time, for instance the flow in kg/s; zero or more.
    pub price: &'a [f32],
    /// Longest on-time, s; zero or more.
    pub limit: &'a [f32],
    /// Jets that may fire.
    pub usable: JetMask,
    /// What is wanted.
    pub demand: &'a Demand<M>,
    /// The order in which rows are served when one of them is gone: row numbers, most important
    /// first. Numbers beyond `M` or given twice are passed over; rows not named come last.
    pub priority: [u8; M],
}

/// How a selection ended. The numbers are stable.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Outcome {
    /// Zero satisfies the demand, or what it asks for is below a millionth of a millionth of a full
    /// pulse in every row: nothing fires.
    Nothing = 0,
    /// The demand is delivered.
    Exact = 1,
    /// The demand is out of reach: its direction is kept and its size shortened.
    Shortened = 2,
    /// An axis is gone: the others are served by priority.
    Prioritised = 3,
    /// An axis is gone and the layout is tilted against the axes: the demand is served but for
    /// [`SPILL`] of it in any row.
    Coupled = 4,
    /// Something is wanted but no usable jet has an on-time and an effect: nothing fires.
    NoJets = 5,
    /// The problem is not a sane one (numbers not finite, negative prices or limits, edges out of
    /// order, slices of different length): nothing fires.
    Refused = 6,
    /// The solver did not come to a proven end within its cap: nothing fires.
    Stalled = 7,
}

/// On-times and their proof.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Selection<const M: usize, const N: usize> {
    /// On-time per jet, s, within `[0, limit]`; never minus zero.
    pub on_time: [f32; N],
    /// What the on-times deliver, row by row.
    pub achieved: [f32; M],
    /// What is left: zero where a row is within its box, else the way to its nearer edge.
    pub remaining: [f32; M],
    /// Share of the demand that every row gets, 1 when all of it.
    pub lambda: f32,
    /// Multipliers that prove the least propellant at what is achieved, price per row unit.
    pub multipliers: [f32; M],
    /// Multipliers that prove that λ cannot be larger; zero when λ is 1.
    pub reach_multipliers: [f32; M],
    /// How it ended.
    pub outcome: Outcome,
    /// Pivots and other steps of the walk that found it, over all stages.
    pub pivots: u16,
    /// What the answer proves about itself.
    pub proof: Proof,
}

/// How far an answer is proven, measured with the original numbers; zero when nothing fires.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Proof {
    /// Largest miss of a row's range (the range at λ), share of the served demand's largest row; each
    /// row in units of the power of two at or below its largest entry.
    pub residual: f32,
    /// Price of the on-times above what the multipliers prove to be the least for what is achieved,
    /// share of the price. Covers dual feasibility: what a jet is overpriced is charged to it.
    pub gap: f32,
    /// Room that the reach multipliers leave above λ, less [`SLACK`], share of λ.
    pub reach_gap: f32,
}

impl Proof {
    /// Whether nothing is left unproven beyond this.
    fn is_within(&self, most: f32) -> bool {
        self.gap <= most && self.residual <= most && self.reach_gap <= most
    }
}

/// Selects again and again, each time from the basis it found last.
///
/// Any old basis is a valid start for any new problem: what has changed (demand, prices, limits, jets, columns) costs
/// pivots, not correctness, because every answer is measured with the numbers it was asked with.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Selector<const M: usize, const N: usize> {
    tableau: Tableau<M, N>,
}

impl<const M: usize, const N: usize> Default for Selector<M, N> {
    fn default() -> Self {
        Self::new()
    }
}

impl<const M: usize, const N: usize> Selector<M, N> {
    /// Nothing known yet: the first selection is a cold one.
    #[must_use]
    pub const fn new() -> Self {
        const { assert!(N <= 32 && M <= 7 && M > 0) };
        Self { tableau: Tableau::empty() }
    }

    /// Forgets what it found last.
    pub fn forget(&mut self) {
        (self.tableau.print, self.tableau.reach) = (None, [0.0; M]);
    }

    /// As [`select`], from the basis found last.
    #[must_use]
    pub fn select(&mut self, problem: &Problem<M>) -> Selection<M, N> {
        match Offer::new(problem.columns, problem.price, problem.limit, problem.usable) {
            Some(offer) => self.select_from(&offer, problem.demand, &problem.priority),
            None => Selection::refused(),
        }
    }

    /// As [`Self::select`], from jets that have been looked over already.
    #[must_use]
    pub fn select_from(
        &mut self,
        offer: &Offer<M, N>,
        demand: &Demand<M>,
        priority: &[u8; M],
    ) -> Selection<M, N> {
        // Rounding stands in the way: once more from rest, in twice the precision.
        self.answer(offer, demand, priority, (PROVEN, ALLOWANCE), |_, asked| carefully(asked))
    }

    /// As [`Self::select_from`], for a control cycle: without the walk in twice the precision, for whose work and memory
    /// no cycle has room.
    ///
    /// What is asked is delivered, for the least propellant within a hundredth. Where `f32` comes to no end the walk is repeated from rest with numbers that are trusted less, and what is
    /// delivered may then be off by three ten-thousandths of what is served. [`Selection::proof`] has the figures.
    #[must_use]
    pub fn select_in_cycle(
        &mut self,
        offer: &Offer<M, N>,
        demand: &Demand<M>,
        priority: &[u8; M],
    ) -> Selection<M, N> {
        let eased = (Trust::EASED, CYCLE_ALLOWANCE);
        self.answer(offer, demand, priority, (FIT, CYCLE_ALLOWANCE), |tableau, asked| {
            attempt(tableau, asked, eased)
        })
    }

    /// One walk to the answer, and another one where that does not prove itself within `enough`.
    #[inline(always)]
    fn answer(
        &mut self,
        offer: &Offer<M, N>,
        demand: &Demand<M>,
        priority: &[u8; M],
        (enough, allowance): (f32, u16),
        again: impl FnOnce(&mut Tableau<M, N>, &Asked<M, N>) -> Selection<M, N>,
    ) -> Selection<M, N> {
        if !demand.is_sane() {
            return Selection::refused();
        }
        let nearest = demand.nearest();
        if nearest.iter().all(|r| *r == 0.0) {
            return Selection::quiet(Outcome::Nothing, [0.0; M]);
        }
        if offer.usable() == JetMask::NONE {
            return Selection::quiet(Outcome::NoJets, nearest);
        }
        if self.tableau.print == Some(offer.print)
            && let Some(answer) = glance::glance(&self.tableau, offer, demand, &nearest)
        {
            return answer;
        }
        let asked = Asked { offer, demand, nearest: &nearest, priority };
        let mut answer = attempt(&mut self.tableau, &asked, (f32::TRUST, allowance));
        if answer.outcome == Outcome::Stalled || !answer.proof.is_within(enough) {
            self.forget();
            let other = again(&mut self.tableau, &asked);
            if other.outcome != Outcome::Stalled {
                answer = other;
            }
            self.forget();
        }
        if matches!(answer.outcome, Outcome::Stalled | Outcome::NoJets | Outcome::Refused) {
            self.forget();
        }
        answer
    }
}

/// What a selection is asked.
struct Asked<'a, const M: usize, const N: usize> {
    offer: &'a Offer<M, N>,
    demand: &'a Demand<M>,
    /// The point of the demand nearest zero.
    nearest: &'a [f32; M],
    priority: &'a [u8; M],
}

/// One walk to the answer, from the basis in the tableau if there is one.
#[inline(never)]
fn attempt<const M: usize, const N: usize, S: Number>(
    tableau: &mut Tableau<M, N, S>,
    asked: &Asked<M, N>,
    (trust, allowance): (Trust, u16),
) -> Selection<M, N> {
    let Asked { offer, demand, nearest, priority } = *asked;
    let last = tableau.print.replace(offer.print);
    let mut walk = Walk::new(tableau, offer, allowance);
    walk.trust = trust;
    match last {
        None => walk.start(),
        Some(last) if last == offer.print => walk.recall(),
        Some(last) => {
            if last.columns != offer.print.columns {
                walk.rebuild(tableau::POOR);
            }
            walk.reprice();
            walk.start_sides();
        }
    }
    if is_trifle(offer, nearest) {
        return Selection::quiet(Outcome::Nothing, *nearest);
    }
    match saturation::serve(&mut walk, demand, nearest, priority) {
        Ok(served) => conclude(demand, &mut walk, &served),
        Err(outcome) => {
            let mut quiet = Selection::quiet(outcome, *nearest);
            quiet.pivots = walk.steps();
            quiet
        }
    }
}

/// From rest in twice the precision, where rounding stands in the way.
#[cold]
#[inline(never)]
fn carefully<const M: usize, const N: usize>(asked: &Asked<M, N>) -> Selection<M, N> {
    let mut tableau = Tableau::<M, N, Twofold>::empty();
    attempt(&mut tableau, asked, (Twofold::TRUST, ALLOWANCE))
}

impl<const M: usize, const N: usize> Selection<M, N> {
    /// The answer to a problem that is not a sane one.
    pub(crate) fn refused() -> Self {
        Self::quiet(Outcome::Refused, [0.0; M])
    }

    /// Nothing fires; what is wanted is left.
    fn quiet(outcome: Outcome, remaining: [f32; M]) -> Self {
        Self {
            on_time: [0.0; N],
            achieved: [0.0; M],
            remaining,
            lambda: f32::from(u8::from(outcome == Outcome::Nothing)),
            multipliers: [0.0; M],
            reach_multipliers: [0.0; M],
            outcome,
            pivots: 0,
            proof: Proof { residual: 0.0, gap: 0.0, reach_gap: 0.0 },
        }
    }
}

/// Selects on-times; see the module for what is minimised and what happens out of reach.
///
/// Always returns a safe answer: with any outcome but `Exact`, `Shortened`, `Prioritised` and `Coupled`
/// all on-times are zero. Ties go to the lowest index.
#[must_use]
pub fn select<const M: usize, const N: usize>(problem: &Problem<M>) -> Selection<M, N> {
    Selector::new().select(problem)
}

/// Whether no row of a demand is as large as the smallest share of a full pulse.
#[inline]
fn is_trifle<const M: usize, const N: usize>(offer: &Offer<M, N>, nearest: &[f32; M]) -> bool {
    let mut size = 0.0;
    for (r, per_unit) in nearest.iter().zip(&offer.per_unit) {
        size = math::max((r * per_unit).abs(), size);
    }
    // Only what is very small for one second needs a closer look.
    size < SMALL && size < SMALLEST * offer.limit.iter().fold(0.0, |top, limit| math::max(*limit, top))
}

/// Smallest share of its demand that a row got, within `[0, 1]`.
fn smallest_share<const M: usize>(wanted: &[f32; M], got: &[f32; M]) -> f32 {
    let shares = wanted.iter().zip(got).filter(|(wanted, _)| **wanted != 0.0);
    shares.fold(1.0, |least, (wanted, got)| math::min(least, math::max(got / wanted, 0.0)))
}

/// Puts the answer together, with what it delivers by the original columns.
#[inline]
fn conclude<const M: usize, const N: usize, S: Number>(
    demand: &Demand<M>,
    walk: &mut Walk<M, N, S>,
    served: &saturation::Served<M>,
) -> Selection<M, N> {
    let achieved = walk.achieved;
    let mut remaining = [0.0; M];
    let edges = demand.low.iter().zip(&demand.high);
    for ((left, got), (low, high)) in remaining.iter_mut().zip(&achieved).zip(edges) {
        *left = if got < low {
            low - got
        } else if got > high {
            high - got
        } else {
            0.0
        };
    }
    let lambda = match served.outcome {
        Outcome::Prioritised | Outcome::Coupled => smallest_share(&demand.nearest(), &achieved),
        _ => served.lambda,
    };
    let proof = saturation::proof(walk, &achieved, served.reach_gap);
    Selection {
        on_time: walk.on_times(),
        achieved,
        remaining,
        lambda,
        multipliers: walk.row_multipliers().map(|y| y.rounded() + 0.0),
        reach_multipliers: served.reach,
        outcome: served.outcome,
        pivots: walk.steps(),
        proof,
    }
}
