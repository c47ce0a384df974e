//! Demands within reach, out of reach, and out of reach in one axis only.
//!
//! Out of reach, the walk itself tells by how much: a row that cannot be brought within its range gives
//! multipliers, multipliers bound the share (weak duality), the ranges are slid to just below that bound, and the walk
//! goes on from where it stands. Each bound is a cut of a convex function, so a few settle it (Newton's
//! method on a piecewise linear function), and the last multipliers prove the share.

use super::number::Number;
use super::twofold::Twofold;
use super::walk::{Bits, CANCELLING, Delivered, Walk, Walked, at};
use super::{BLOCK, Demand, FLOOR, LONGEST, Outcome, Proof, SLACK, SPILL};
use crate::math;

/// Room that is left above what a row can deliver when a demand is capped, so that a capped demand
/// is never taken for one within reach.
const CAP_MARGIN: f32 = 1.0625;

/// A demand that must be shortened below this share is not a demand but a mistake.
const ABSURD_SHARE: f32 = 1.0e-24;

/// What is given up in the second stage of what a row was served: nothing more, or more should rounding ask
/// for it.
const SLACKS: [f32; 4] = [0.0, 0.5 * SLACK, 8.0 * SLACK, 64.0 * SLACK];

/// A row that could be served less than this share is gone: jets that cancel one another for a
/// thousandth of an axis are not worth their propellant.
const GONE: f32 = 1.0e-3;

/// A row that wants less than this share of the demand's largest row is not sought for itself.
const TRIFLE: f32 = 1.0e-4;

/// A second stage that serves less than this share asks once more with [`SPILL`].
const HALF: f32 = 0.5;

/// Rounding of the on-times, as a share of what each adds to a row.
const ON_TIME_ROUNDING: f32 = 1.2e-7;

/// Multipliers whose terms are this many times the dearest price cancel.
const HEAVY: f32 = 30.0;

/// Roundings of its terms within which what multipliers pay may be nothing.
const NEAR: f32 = 16.0;

/// Where more than this share of what multipliers pay for the way may be rounding they say nothing of λ.
const WASHED_OUT: f32 = 0.01;

/// Share of its terms by which a reduced price may be off.
const PRICE_ROUNDING: f32 = 5.0e-7;

/// A share that rounding stands in the way of is made smaller down to this part of it.
const LEAST: f32 = 0.9;

/// Bases factorised anew before a walk is given up.
const REBUILDS: u32 = 2;

/// Times that refined values may be walked back within their bounds before a walk is given up.
const RETURNS: u32 = 6;

/// How a demand was served; the on-times and multipliers are the walk's.
#[derive(Clone, Copy)]
pub(super) struct Served<const M: usize> {
    pub(super) outcome: Outcome,
    pub(super) lambda: f32,
    pub(super) reach: [f32; M],
    pub(super) reach_gap: f32,
}

/// Scaled row ranges that slide: `low + λ·low_way` to `high + λ·high_way`.
#[derive(Clone, Copy)]
struct Slide<const M: usize> {
    low: [f32; M],
    high: [f32; M],
    low_way: [f32; M],
    high_way: [f32; M],
    /// Size of what is wanted at λ = 1.
    size: f32,
    /// Whether what is served shrinks with λ, so that the longest on-time does too.
    shrinks: bool,
    /// A share below which nobody cares.
    least: f32,
}

/// What sliding found: the share, and multipliers that prove it (`y · way = 1`; zero at λ = 1).
struct Slid<const M: usize> {
    lambda: f32,
    reach: [f32; M],
    /// Room that the multipliers leave above λ but for [`SLACK`], share of λ.
    reach_gap: f32,
    /// How much larger λ may be for rounding's sake.
    doubt: f32,
}

impl<const M: usize> Slid<M> {
    /// A share, with the multipliers that bound it.
    fn at<S: Number>(lambda: f32, bound: &Bound, y: &[S; M]) -> Self {
        let reach_gap = if lambda > 0.0 {
            let short = (1.0 - SLACK) * math::min(bound.share, 1.0) / lambda - 1.0;
            math::max(short, 0.0) + bound.doubt / lambda
        } else {
            0.0
        };
        Self { lambda, reach: y.map(|y| y.rounded() / bound.towards + 0.0), reach_gap, doubt: bound.doubt }
    }
}

/// Serves a demand.
///
/// # Errors
/// `NoJets`, `Refused` for an absurdly large demand, `Stalled` when the walk reaches no proven end.
pub(super) fn serve<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    demand: &Demand<M>,
    nearest: &[f32; M],
    priority: &[u8; M],
) -> Result<Served<M>, Outcome> {
    let slide = whole(walk, demand, nearest);
    let slid = press(walk, &slide)?;
    walk.tableau.reach = slid.reach;
    if slid.lambda >= 1.0 {
        return Ok(Served { outcome: Outcome::Exact, lambda: 1.0, reach: [0.0; M], reach_gap: 0.0 });
    }
    let Slid { lambda, reach, reach_gap, doubt } = slid;
    let served = Served { outcome: Outcome::Shortened, lambda, reach, reach_gap };
    if slid.lambda >= FLOOR {
        return Ok(served);
    }
    let reach = authority(walk);
    if reach.iter().all(|reach| *reach == 0.0) {
        return Err(Outcome::NoJets);
    }
    let share = alone(nearest, &reach);
    if !(share >= ABSURD_SHARE) {
        return Err(Outcome::Refused);
    }
    if slid.lambda >= FLOOR * share {
        return Ok(served);
    }
    // Whether the direction is gone must not hang on rounding.
    let reach_gap = if lambda * (1.0 + reach_gap) + doubt < FLOOR * share { 0.0 } else { 1.0 };
    one_by_one(walk, demand, &reach, priority, &Served { reach_gap, ..served })
}

/// The demand as it is, sliding to zero.
fn whole<const M: usize, const N: usize, S: Number>(
    walk: &Walk<M, N, S>,
    demand: &Demand<M>,
    nearest: &[f32; M],
) -> Slide<M> {
    let mut slide = Slide {
        low: demand.low,
        high: demand.high,
        low_way: *nearest,
        high_way: *nearest,
        size: 0.0,
        shrinks: true,
        least: 0.5 * FLOOR,
    };
    // Relative to the nearest point, so that the nearest edge itself stays exact.
    for ((low, high), way) in slide.low.iter_mut().zip(&mut slide.high).zip(nearest) {
        *low -= way;
        *high -= way;
    }
    scaled(walk, slide)
}

/// A slide in scaled rows, with its size; edges without end become what the jets can reach at most.
fn scaled<const M: usize, const N: usize, S: Number>(walk: &Walk<M, N, S>, mut slide: Slide<M>) -> Slide<M> {
    let ways = slide.low_way.iter_mut().zip(&mut slide.high_way);
    let edges = slide.low.iter_mut().zip(&mut slide.high).zip(ways);
    for (row, ((low, high), (low_way, high_way))) in edges.enumerate() {
        let per_unit = at(&walk.offer.per_unit, row);
        *low_way *= per_unit;
        *high_way *= per_unit;
        slide.size = math::max(slide.size, math::max(low_way.abs(), high_way.abs()));
        *low *= per_unit;
        *high *= per_unit;
    }
    if slide.low.iter().chain(&slide.high).any(|edge| edge.is_infinite()) {
        let reach = authority(walk);
        for (row, (low, high)) in slide.low.iter_mut().zip(&mut slide.high).enumerate() {
            let reach = reach.get(row).map_or(0.0, |reach| 1.001 * reach * at(&walk.offer.per_unit, row));
            let most = slide.size + reach + 1.0e-6 * (slide.size + reach);
            *low = math::max(*low, -2.0 * most);
            *high = math::min(*high, 2.0 * most);
        }
    }
    slide
}

/// What all jets together can deliver in each row, signs aside.
fn authority<const M: usize, const N: usize, S: Number>(walk: &Walk<M, N, S>) -> [f32; M] {
    let mut sums = [0.0_f32; M];
    for (column, limit) in walk.offer.columns.iter().zip(&walk.offer.limit) {
        for (sum, entry) in sums.iter_mut().zip(column) {
            *sum += entry.abs() * limit;
        }
    }
    sums
}

/// The share that the least able row could deliver by itself.
fn alone<const M: usize>(nearest: &[f32; M], reach: &[f32; M]) -> f32 {
    let block = largest_of_block(reach);
    let mut share = 1.0;
    for ((r, reach), block) in nearest.iter().zip(reach).zip(&block) {
        if *block > 0.0 && *r != 0.0 {
            share = math::min(share, CAP_MARGIN * math::max(*reach, FLOOR * block) / r.abs());
        }
    }
    share
}

/// For each row the largest entry of its block of rows.
fn largest_of_block<const M: usize>(rows: &[f32; M]) -> [f32; M] {
    let mut largest = *rows;
    for block in largest.chunks_mut(BLOCK) {
        let top = block.iter().fold(0.0, |top, x| math::max(top, *x));
        block.fill(top);
    }
    largest
}

/// Puts the ranges at a share in force.
fn put<const M: usize, const N: usize, S: Number>(walk: &mut Walk<M, N, S>, slide: &Slide<M>, lambda: f32) {
    let at_share = |edges: &[f32; M], ways: &[f32; M]| -> [S; M] {
        core::array::from_fn(|row| S::of(at(edges, row)) + S::of(lambda) * S::of(at(ways, row)))
    };
    let size = if slide.shrinks { lambda * slide.size } else { slide.size };
    let (low, high) = (at_share(&slide.low, &slide.low_way), at_share(&slide.high, &slide.high_way));
    walk.put(low, high, size, LONGEST * size);
}

/// Walks to the least price at the largest share, and makes sure of it.
fn press<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    slide: &Slide<M>,
) -> Result<Slid<M>, Outcome> {
    let mut slid = Slid { lambda: 1.0, reach: [0.0; M], reach_gap: 0.0, doubt: 0.0 };
    let (mut rebuilds, mut returns) = (0, 0);
    put(walk, slide, slid.lambda);
    if slide.shrinks && walk.tableau.reach.iter().any(|y| *y != 0.0) {
        // What was said of the last demand holds for every demand, and is close for one like it.
        let y = walk.tableau.reach.map(S::of);
        let bound = bound(walk, slide, &y, slid.lambda);
        if bound.share < slid.lambda {
            slid = Slid::at((1.0 - SLACK) * math::max(bound.share, 0.0), &bound, &y);
            put(walk, slide, slid.lambda);
        }
    }
    loop {
        match walk.go() {
            Walked::There => {
                if !walk.fresh {
                    walk.reprice();
                    if walk.take_sides() {
                        walk.settle();
                    }
                }
                let known = walk.refine();
                if !walk.is_there() {
                    // What refinement moves out of bounds again and again, rounding keeps there.
                    returns += 1;
                    if returns > RETURNS || walk.allowance == 0 {
                        return Err(Outcome::Stalled);
                    }
                    walk.allowance -= 1;
                    continue;
                }
                if is_delivered(walk, known) {
                    return Ok(slid);
                }
                if rebuilds == REBUILDS {
                    return if slide.seeks_share() { Ok(slid) } else { Err(Outcome::Stalled) };
                }
                rebuilds += 1;
                anew(walk);
            }
            Walked::Contradiction(position, short) => {
                let y = walk.reason(position, short);
                let bound = bound(walk, slide, &y, slid.lambda);
                let disagree = bound.share >= slid.lambda;
                // What is attainable but for rounding is not worth a smaller share, unless that is at hand.
                let at_hand =
                    !disagree && (slide.seeks_share() || bound.share >= (1.0 - SLACK) * slid.lambda);
                if !at_hand && walk.let_off(&y, short, walk.trust.tolerated.let_off * slide.unit(walk.size)) {
                    continue;
                }
                if disagree && walk.tableau.worn > 0 {
                    anew(walk);
                    continue;
                }
                let lambda = if disagree {
                    match bound.beyond_rounding(slid.lambda, short, walk.trust.tolerated.nudge) {
                        0.0 => return Err(Outcome::Stalled),
                        next => next,
                    }
                } else {
                    (1.0 - SLACK) * math::max(bound.share, 0.0)
                };
                slid = Slid::at(lambda, &bound, &y);
                if slid.lambda < slide.least && slide.is_negligible(walk, slid.lambda) {
                    return Ok(slid);
                }
                put(walk, slide, slid.lambda);
            }
            Walked::Worn => anew(walk),
            Walked::Stalled => return Err(Outcome::Stalled),
        }
    }
}

/// Factorises the basis anew and goes on from there with fresh numbers.
#[inline(never)]
fn anew<const M: usize, const N: usize, S: Number>(walk: &mut Walk<M, N, S>) {
    walk.rebuild(walk.trust.dependent);
    walk.reprice();
    let _ = walk.take_sides();
    walk.settle();
    let _ = walk.refine();
}

impl<const M: usize> Slide<M> {
    /// Whether only the share is sought, to be delivered later.
    fn seeks_share(&self) -> bool {
        !self.shrinks && self.least > 0.0
    }

    /// What rounding is measured against, scaled: where the share of one row is sought, what is wanted in it.
    fn unit(&self, served: f32) -> f32 {
        let ways = self.low_way.iter().chain(&self.high_way);
        if self.seeks_share() { ways.fold(0.0, |top, way| math::max(way.abs(), top)) } else { served }
    }

    /// Whether a share below [`Self::least`] is not worth finding exactly.
    fn is_negligible<const N: usize, S: Number>(&self, walk: &Walk<M, N, S>, lambda: f32) -> bool {
        if !self.shrinks {
            return true;
        }
        let unscaled: [f32; M] = core::array::from_fn(|row| {
            self.low_way.get(row).map_or(0.0, |way| way / at(&walk.offer.per_unit, row))
        });
        lambda < self.least * alone(&unscaled, &authority(walk))
    }
}

/// What multipliers say about the share.
struct Bound {
    /// The share is at most this.
    share: f32,
    /// What the multipliers pay for the way.
    towards: f32,
    /// What rounding may have taken from the share.
    doubt: f32,
}

impl Bound {
    /// The share to go on with when multipliers that pay for the present one still leave a row short: less by
    /// the rounding of the share itself, or nothing where that is not enough.
    fn beyond_rounding(&self, lambda: f32, short: f32, nudge: f32) -> f32 {
        let less = if lambda < 1.0 { nudge * lambda } else { SLACK };
        let nudged = lambda - math::max(2.0 * short.abs() / self.towards, less);
        if self.towards > 0.0 && nudged > LEAST * lambda { nudged } else { 0.0 }
    }
}

/// Largest share that multipliers allow at most, below the present one.
fn bound<const M: usize, const N: usize, S: Number>(
    walk: &Walk<M, N, S>,
    slide: &Slide<M>,
    y: &[S; M],
    lambda: f32,
) -> Bound {
    let (mut towards, mut edges, mut way) = (Twofold::default(), S::ZERO, 0.0);
    for (row, y) in y.iter().enumerate() {
        let y = y.scaled(1.0 / at(&walk.offer.per_unit, row));
        let (ways, ends) =
            if y > S::ZERO { (&slide.low_way, &slide.low) } else { (&slide.high_way, &slide.high) };
        towards = towards + y.widened() * Twofold::exactly(at(ways, row));
        way += (y.rounded() * at(ways, row)).abs();
        edges = edges + y * S::of(at(ends, row));
    }
    let towards = S::narrowed(towards);
    let (mut fixed, mut growing, mut doubt) = (S::ZERO, S::ZERO, 0.0);
    for (column, (limit, weakness)) in
        walk.offer.columns.iter().zip(walk.offer.limit.iter().zip(&walk.offer.weakness))
    {
        let (pays, terms) = y.iter().zip(column).fold((S::ZERO, 0.0), |(pays, terms), (y, entry)| {
            let term = *y * S::of(*entry);
            (pays + term, terms + term.rounded().abs())
        });
        let longest = walk.longest * weakness.value();
        if pays.rounded() > -NEAR * walk.trust.rounding * terms {
            doubt += terms * math::min(*limit, longest);
        }
        if pays > S::ZERO {
            if slide.shrinks && longest < *limit {
                growing = growing + pays * S::of(longest) / S::of(lambda);
            } else {
                fixed = fixed + pays * S::of(math::min(*limit, longest));
            }
        }
    }
    let left = towards - growing;
    let towards = towards.rounded();
    if left > S::ZERO {
        doubt *= walk.trust.rounding / left.rounded();
        if walk.trust.rounding * way > WASHED_OUT * left.rounded() {
            doubt = 1.0;
        }
        Bound { share: ((fixed - edges) / left).rounded(), towards, doubt }
    } else {
        Bound { share: f32::INFINITY, towards, doubt: 0.0 }
    }
}

/// Whether the on-times deliver the ranges in force but for rounding; `known`: what they deliver is known.
#[inline]
fn is_delivered<const M: usize, const N: usize, S: Number>(walk: &mut Walk<M, N, S>, known: bool) -> bool {
    let room = walk.trust.tolerated.residual * walk.size;
    if known && walk.worst_miss(&walk.achieved) <= room {
        return true;
    }
    let Delivered { rows, gathered } = walk.delivered(true);
    walk.achieved = rows;
    if gathered <= CANCELLING * walk.size && walk.worst_miss(&rows) <= room {
        return true;
    }
    walk.achieved = walk.delivered_exactly(true).map(Twofold::value);
    walk.worst_miss(&walk.achieved) <= room + ON_TIME_ROUNDING * gathered
}

/// The second stage: row by row in the order of priority.
fn one_by_one<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    demand: &Demand<M>,
    reach: &[f32; M],
    priority: &[u8; M],
    proven: &Served<M>,
) -> Result<Served<M>, Outcome> {
    let block = largest_of_block(reach);
    let mut wanted = demand.nearest();
    let mut most = 0.0;
    for ((wanted, reach), block) in wanted.iter_mut().zip(reach).zip(&block) {
        *wanted = math::clamp(*wanted, -CAP_MARGIN * reach, CAP_MARGIN * reach);
        if *block > 0.0 {
            most = math::max(most, wanted.abs() / block);
        }
    }
    let unit = block.map(|block| most * block);
    let leeway = walk.trust.tolerated.leeway;
    let ranges = never_wrong(demand, &unit, leeway);
    let mut size = 0.0;
    for (row, wanted) in wanted.iter().enumerate() {
        size = math::max(size, wanted.abs() * at(&walk.offer.per_unit, row));
    }
    let mut served = [0.0; M];
    let mut served_share = Share::default();
    for row in order(priority) {
        if at(&wanted, row).abs() * at(&walk.offer.per_unit, row) <= TRIFLE * size {
            continue;
        }
        let share = SLACKS.into_iter().find_map(|slack| {
            let edges = keeping(&ranges, &served, &unit, (slack, leeway));
            row_share(walk, row, (at(&wanted, row), size), &edges).ok()
        });
        let share = share.ok_or(Outcome::Stalled)?;
        served_share.add(share, at(&wanted, row) / at(&block, row));
        if let Some(served) = served.get_mut(row).filter(|_| share >= GONE) {
            *served = share * at(&wanted, row);
        }
    }
    if served_share.value() < HALF
        && let Some(spilt) = spilling(walk, demand, (&wanted, size), &unit, served_share.value())
    {
        return Ok(Served {
            reach: proven.reach,
            reach_gap: math::max(proven.reach_gap, spilt.reach_gap),
            ..spilt
        });
    }
    for slack in SLACKS {
        let (low, high) = keeping(&ranges, &served, &unit, (slack, leeway));
        let mut slide = scaled(
            walk,
            Slide { low, high, low_way: [0.0; M], high_way: [0.0; M], size: 0.0, shrinks: false, least: 0.0 },
        );
        slide.size = size;
        if press(walk, &slide).is_ok() {
            return Ok(Served { outcome: Outcome::Prioritised, lambda: 0.0, ..*proven });
        }
    }
    Err(Outcome::Stalled)
}

/// Edges of the rows.
type Edges<const M: usize> = ([f32; M], [f32; M]);

/// The ranges with every row keeping what it was served, but for `slack` of it and of the demand.
fn keeping<const M: usize>(
    ranges: &Edges<M>,
    served: &[f32; M],
    unit: &[f32; M],
    (slack, leeway): (f32, f32),
) -> Edges<M> {
    let (mut low, mut high) = *ranges;
    for (((low, high), served), unit) in low.iter_mut().zip(&mut high).zip(served).zip(unit) {
        let kept = served.abs() * (1.0 - slack) - (slack + leeway) * unit;
        if kept > 0.0 {
            if *served > 0.0 { *low = kept } else { *high = -kept }
        }
    }
    (low, high)
}

/// Every row between nothing and its demand; a row without demand keeps its range.
fn never_wrong<const M: usize>(demand: &Demand<M>, unit: &[f32; M], leeway: f32) -> Edges<M> {
    let (mut low, mut high) = (demand.low, demand.high);
    for ((low, high), unit) in low.iter_mut().zip(&mut high).zip(unit) {
        *low = math::min(*low, 0.0) - leeway * unit;
        *high = math::max(*high, 0.0) + leeway * unit;
    }
    (low, high)
}

/// Row numbers in the order of priority, each once.
fn order<const M: usize>(priority: &[u8; M]) -> impl Iterator<Item = usize> {
    let mut seen = 0_u32;
    priority.iter().map(|row| usize::from(*row)).chain(0..M).filter(move |row| {
        let first = *row < M && seen & (1 << row) == 0;
        if first {
            seen |= 1 << row;
        }
        first
    })
}

/// Largest share of what is wanted in one row while the others keep their ranges.
fn row_share<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    row: usize,
    (wanted, size): (f32, f32),
    ranges: &Edges<M>,
) -> Result<f32, Outcome> {
    // Only the edge on the demand's side slides.
    let mut slide = Slide {
        low: ranges.0,
        high: ranges.1,
        low_way: [0.0; M],
        high_way: [0.0; M],
        size: 0.0,
        shrinks: false,
        least: 0.5 * GONE,
    };
    let ways = if wanted > 0.0 { &mut slide.low_way } else { &mut slide.high_way };
    if let Some(way) = ways.get_mut(row) {
        *way = wanted;
    }
    let mut slide = scaled(walk, slide);
    slide.size = size;
    press(walk, &slide).map(|slid| slid.lambda)
}

/// The demand once more, every row allowed to miss by [`SPILL`]; `None` when that serves no more.
fn spilling<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    demand: &Demand<M>,
    (wanted, size): (&[f32; M], f32),
    unit: &[f32; M],
    served: f32,
) -> Option<Served<M>> {
    let nearest = demand.nearest();
    let mut wide = Demand { low: demand.low, high: demand.high };
    let edges = wide.low.iter_mut().zip(&mut wide.high);
    for ((((low, high), unit), r), wanted) in edges.zip(unit).zip(&nearest).zip(wanted) {
        let spill = SPILL * unit;
        *low = (*low - r) + wanted - spill;
        *high = (*high - r) + wanted + spill;
    }
    let nearest = wide.nearest();
    if nearest.iter().all(|r| *r == 0.0) {
        return None;
    }
    // The longest on-time stays that of the whole demand.
    let slide = Slide { size, shrinks: false, least: 0.0, ..whole(walk, &wide, &nearest) };
    let slid = press(walk, &slide).ok()?;
    let enough = slid.lambda >= HALF && slid.lambda > served;
    let Slid { lambda, reach, reach_gap, .. } = slid;
    enough.then_some(Served { outcome: Outcome::Coupled, lambda, reach, reach_gap })
}

/// How much of a demand is served over all rows, weighted by the square of what is wanted.
#[derive(Default)]
struct Share {
    served: f32,
    wanted: f32,
}

impl Share {
    fn add(&mut self, share: f32, wanted: f32) {
        self.served += share * wanted * wanted;
        self.wanted += wanted * wanted;
    }

    fn value(&self) -> f32 {
        if self.wanted > 0.0 { self.served / self.wanted } else { 0.0 }
    }
}

/// What the walk proves where it stands, with what its on-times deliver.
#[inline]
pub(super) fn proof<const M: usize, const N: usize, S: Number>(
    walk: &mut Walk<M, N, S>,
    delivered: &[f32; M],
    reach_gap: f32,
) -> Proof {
    let (mut cost, mut seconds) = (0.0, 0.0);
    let mut take = |jet: usize, time: f32| {
        cost += at(&walk.offer.price, jet) * time;
        seconds += time;
    };
    for jet in Bits(walk.tableau.raised) {
        take(jet, walk.upper(jet));
    }
    for (jet, time) in walk.basic_times() {
        take(jet, time);
    }
    // Prices that explained the same basis before explain it now.
    if walk.priced || !walk.tableau.clean {
        walk.know_prices();
    }
    let (mut room, clean) = if walk.priced { mispriced(walk) } else { (0.0, true) };
    walk.tableau.clean = clean;
    for (row, (y, got)) in walk.tableau.multiplier.iter().zip(delivered).enumerate() {
        let y = y.rounded();
        let edges = if y > 0.0 { &walk.low } else { &walk.high };
        // A row that presses on an edge is at it, but for what the residual says.
        let off = (got * at(&walk.offer.per_unit, row) - at(edges, row).rounded()).abs()
            - walk.trust.tolerated.residual * walk.size;
        if y != 0.0 && off > 0.0 {
            room += y.abs() * off;
        }
    }
    let unit = math::max(cost, 1.0e-3 * walk.offer.dearest * seconds);
    Proof {
        residual: if walk.size > 0.0 {
            (math::max(walk.worst_miss(delivered), 0.0) + walk.let_off) / walk.size
        } else {
            0.0
        },
        gap: if unit > 0.0 { room / unit } else { 0.0 },
        reach_gap,
    }
}

/// What may be saved by jets whose reduced cost is on the wrong side, or may be but for rounding; and whether there are
/// none, whatever their on-times.
fn mispriced<const M: usize, const N: usize, S: Number>(walk: &Walk<M, N, S>) -> (f32, bool) {
    let (mut room, mut clean) = (0.0, true);
    let mut take = |reduced: f32, seconds: f32| {
        room += reduced.abs() * seconds;
        clean &= reduced == 0.0;
    };
    let mut firing = walk.tableau.raised;
    for jet in Bits(firing) {
        take(math::max(beyond_rounding(walk, jet), 0.0), walk.upper(jet));
    }
    for (jet, time) in walk.basic_times() {
        firing |= 1 << jet;
        let reduced = beyond_rounding(walk, jet);
        take(reduced, if reduced > 0.0 { time } else { walk.upper(jet) - time });
    }
    for jet in Bits(walk.gaining & walk.offer.print.usable & !firing) {
        take(beyond_rounding(walk, jet), walk.upper(jet));
    }
    let hidden = hidden_by_rounding(walk);
    (room + hidden, clean && hidden == 0.0)
}

/// What may be saved by jets at rest whose reduced cost has the right sign for rounding's sake only: multipliers that
/// cancel are known less well than the prices that they should explain.
fn hidden_by_rounding<const M: usize, const N: usize, S: Number>(walk: &Walk<M, N, S>) -> f32 {
    let y = walk.row_multipliers();
    let of = |jet: u8| {
        let column = walk.offer.columns.get(usize::from(jet));
        column.map_or(0.0, |column| {
            y.iter().zip(column).fold(0.0, |sum, (y, entry)| sum + (y.rounded() * entry).abs())
        })
    };
    let terms = walk.tableau.basic.map(of);
    if terms.iter().all(|terms| *terms <= HEAVY * walk.offer.dearest) {
        return 0.0;
    }
    // How far each basic jet may be, and is, from being priced right.
    let mut off = terms.map(|terms| walk.trust.rounding * terms);
    for (off, basic) in off.iter_mut().zip(&walk.tableau.basic) {
        *off += at(&walk.by_jet, usize::from(*basic)).rounded().abs();
    }
    let mut hidden = 0.0;
    for (slot, jet) in walk.tableau.resting.iter().enumerate() {
        let index = usize::from(*jet);
        if index >= N || walk.offer.print.usable & (1 << index) == 0 {
            continue;
        }
        let cells = walk.tableau.cells.iter().zip(&off);
        let own = walk.trust.rounding * of(*jet);
        let doubt = cells.fold(own, |sum, (row, off)| sum + at(row, slot).rounded().abs() * off);
        let margin = at(&walk.by_jet, index).rounded().abs();
        hidden += math::max(doubt - margin, 0.0) * walk.upper(index);
    }
    hidden
}

/// A reduced cost, zero when it may be so but for the rounding of its terms.
fn beyond_rounding<const M: usize, const N: usize, S: Number>(walk: &Walk<M, N, S>, jet: usize) -> f32 {
    let price = at(&walk.offer.price, jet);
    let Some(column) = walk.offer.columns.get(jet) else { return 0.0 };
    let y = walk.row_multipliers();
    let terms = y.iter().zip(column).fold(price, |sum, (y, entry)| sum + (y.rounded() * entry).abs());
    let reduced = at(&walk.by_jet, jet).rounded();
    if reduced.abs() > PRICE_ROUNDING * terms { reduced } else { 0.0 }
}
