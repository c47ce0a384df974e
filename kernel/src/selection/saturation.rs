//! Demands within reach, out of reach, and out of reach in one axis only.

use super::program::{End, Objective, Program, Rule};
use super::{BLOCK, Demand, FLOOR, Outcome, SLACK, SPILL};
use crate::math;

/// Room that is left above what a row can deliver when a demand is capped, so that a capped demand
/// is never taken for one within reach.
const CAP_MARGIN: f32 = 1.0625;

/// A demand that must be shortened below this share is not a demand but a mistake.
const ABSURD_SHARE: f32 = 1.0e-15;

/// How far rows may be missed in the second stage for rounding's sake, as a share of the demand.
const LEEWAY: f32 = 5.0e-6;

/// Upper bound of the slide while it is sought. At 1 nothing is left to ask for; the rest is room, so
/// that rounding cannot make a contradiction of it.
const SLIDE_ROOM: f32 = 2.0;

/// A share below this is refined.
const SMALL_SHARE: f32 = 0.25;

/// What is given up of the largest reachable share: the stated slack, and more should rounding ask
/// for it.
const SLACKS: [f32; 3] = [SLACK, 8.0 * SLACK, 64.0 * SLACK];

/// A row that could be served less than this share is gone: jets that cancel one another for a
/// thousandth of an axis are not worth their propellant.
const GONE: f32 = 1.0e-3;

/// A row that wants less than this share of the demand's largest row is not sought for itself.
const TRIFLE: f32 = 1.0e-4;

/// A second stage that serves less than this share asks once more with [`SPILL`].
const HALF: f32 = 0.5;

/// How a demand was served; the on-times and multipliers are the program's.
pub(super) struct Served<const M: usize> {
    pub(super) outcome: Outcome,
    pub(super) lambda: f32,
    pub(super) reach: [f32; M],
}

/// Ranges of the rows and the point of them nearest zero.
struct Ranges<const M: usize> {
    low: [f32; M],
    high: [f32; M],
    nearest: [f32; M],
}

/// Serves a demand.
///
/// # Errors
/// `Refused` for an absurdly large demand, `Stalled` when the solver reaches no proven end.
pub(super) fn serve<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    demand: &Demand<M>,
    priority: &[u8; M],
) -> Result<Served<M>, Outcome> {
    let nearest = demand.nearest();
    let reach = program.authority();
    let block = largest_of_block(&reach);
    let mut share = 1.0;
    for ((r, reach), block) in nearest.iter().zip(&reach).zip(&block) {
        if *block > 0.0 && *r != 0.0 {
            share = math::min(share, CAP_MARGIN * math::max(*reach, FLOOR * block) / r.abs());
        }
    }
    if !(share >= ABSURD_SHARE) {
        return Err(Outcome::Refused);
    }
    let mut proof = out_of_reach(&nearest, &reach);
    if proof.is_none() {
        let ranges = shortened(&demand.low, &demand.high, &nearest, share);
        let mut served = slide_in(program, &ranges)?;
        served.reach = served.reach.map(|y| y * share);
        served.lambda *= share;
        let kept = served.outcome == Outcome::Shortened && served.lambda >= FLOOR * share;
        if kept || served.outcome == Outcome::Exact {
            return believed(program, served);
        }
        proof = Some(served.reach);
    }
    let served = one_by_one(program, demand, &reach, priority, &proof.unwrap_or([0.0; M]))?;
    believed(program, served)
}

/// The answer, if the original rows confirm it.
fn believed<const M: usize, const N: usize>(
    program: &Program<M, N>,
    served: Served<M>,
) -> Result<Served<M>, Outcome> {
    if program.is_delivered() { Ok(served) } else { Err(Outcome::Stalled) }
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

/// Multipliers that prove nothing of the demand's direction is within reach, when a demanded row is empty.
fn out_of_reach<const M: usize>(nearest: &[f32; M], reach: &[f32; M]) -> Option<[f32; M]> {
    let row = nearest.iter().zip(reach).position(|(r, reach)| *r != 0.0 && *reach == 0.0)?;
    let mut proof = [0.0; M];
    for (index, (y, r)) in proof.iter_mut().zip(nearest).enumerate() {
        if index == row {
            *y = 1.0 / r;
        }
    }
    Some(proof)
}

/// The ranges slid towards zero until `share` of the nearest point is left.
fn shortened<const M: usize>(low: &[f32; M], high: &[f32; M], nearest: &[f32; M], share: f32) -> Ranges<M> {
    let slid = |edges: &[f32; M]| {
        let mut out = [0.0; M];
        for ((out, edge), r) in out.iter_mut().zip(edges).zip(nearest) {
            // Written so that the nearest edge itself stays exact.
            *out = (edge - r) + share * r;
        }
        out
    };
    Ranges { low: slid(low), high: slid(high), nearest: nearest.map(|r| r * share) }
}

/// Least propellant at the largest reachable share of a demand. The outcome is `Stalled` when rounding keeps
/// that share from being found.
fn slide_in<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    ranges: &Ranges<M>,
) -> Result<Served<M>, Outcome> {
    take_size(program, &ranges.nearest);
    program.set_slide(&ranges.nearest, 0.0, 0.0);
    program.set_rows(&ranges.low, &ranges.high);
    program.set_objective(Objective::Price);
    program.rest();
    let mut end = program.optimise(None);
    if end == End::Stalled {
        end = again(program);
    }
    match end {
        End::Optimal => return Ok(Served { outcome: Outcome::Exact, lambda: 1.0, reach: [0.0; M] }),
        End::Infeasible => {}
        End::Stalled | End::Unbounded => return Err(Outcome::Stalled),
    }
    let place = program.place();
    let short_row = program.contradiction();
    if short_row.is_none() && is_within_rounding(program, ranges) {
        return Ok(Served { outcome: Outcome::Exact, lambda: 1.0, reach: [0.0; M] });
    }
    let ray = short_row.map_or([0.0; M], |row| program.ray(row));
    program.set_slide(&ranges.nearest, 0.0, SLIDE_ROOM);
    program.set_objective(Objective::Slide);
    program.price();
    program.settle();
    let stalled = |reach| Ok(Served { outcome: Outcome::Stalled, lambda: 0.0, reach });
    if optimise_surely(program, short_row) != End::Optimal {
        return stalled(ray);
    }
    let (most, reach) = refined_share(program, ranges);
    if most < 0.5 * FLOOR {
        // Too little to be kept: the on-times do not matter.
        return Ok(Served { outcome: Outcome::Shortened, lambda: most * (1.0 - SLACK), reach });
    }
    for slack in SLACKS {
        let lambda = most * (1.0 - slack);
        // What is left of the demand becomes the unit, so that it is delivered as exactly as a whole one.
        let left = shortened(&ranges.low, &ranges.high, &ranges.nearest, lambda);
        take_size(program, &left.nearest);
        program.set_slide(&[0.0; M], 0.0, 0.0);
        program.set_rows(&left.low, &left.high);
        program.set_objective(Objective::Price);
        program.return_to(&place);
        if optimise_surely(program, None) == End::Optimal {
            return Ok(Served { outcome: Outcome::Shortened, lambda, reach });
        }
    }
    stalled(reach)
}

/// Whether a demand that no row contradicts beyond rounding is delivered once every row may miss by
/// some rounding; the basis is then the answer.
fn is_within_rounding<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    ranges: &Ranges<M>,
) -> bool {
    program.widen_rows(LEEWAY);
    let end = program.optimise(None);
    program.set_rows(&ranges.low, &ranges.high);
    end == End::Optimal && program.is_delivered()
}

/// The largest share just found and the multipliers that prove it. A small one is sought once more in a
/// unit of its own size: one less nearly everything leaves few digits.
fn refined_share<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    ranges: &Ranges<M>,
) -> (f32, [f32; M]) {
    let (most, reach) = (share_left(program), program.row_multipliers());
    if !(0.1 * FLOOR..=SMALL_SHARE).contains(&most) {
        return (most, reach);
    }
    let twice = shortened(&ranges.low, &ranges.high, &ranges.nearest, 2.0 * most);
    take_size(program, &twice.nearest);
    program.set_slide(&twice.nearest, 0.0, SLIDE_ROOM);
    program.set_rows(&twice.low, &twice.high);
    program.rebuild();
    if program.optimise(None) != End::Optimal {
        return (most, reach);
    }
    (2.0 * most * share_left(program), program.row_multipliers().map(|y| 2.0 * most * y))
}

/// Once more from rest, by the other rule of pivoting.
fn again<const M: usize, const N: usize>(program: &mut Program<M, N>) -> End {
    program.set_rule(Rule::LowestIndex);
    program.rest();
    let end = program.optimise(None);
    program.set_rule(Rule::Steepest);
    end
}

/// Optimises what must have a solution. Should rounding or a cycle stand in the way, once more from
/// elsewhere: another path meets other roundings.
fn optimise_surely<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    forced: Option<usize>,
) -> End {
    let mut end = program.optimise(forced);
    if end != End::Optimal && program.objective == Objective::Slide {
        end = blended(program);
    }
    if end == End::Optimal { end } else { again(program) }
}

/// Least slide, found from rest by way of an objective that is not degenerate.
fn blended<const M: usize, const N: usize>(program: &mut Program<M, N>) -> End {
    program.set_objective(Objective::Blend);
    program.rest();
    // However this ends, its basis is a start.
    let _ = program.optimise(None);
    program.set_objective(Objective::Slide);
    program.rebuild();
    program.optimise(None)
}

/// Share of the slide that is left.
fn share_left<const M: usize, const N: usize>(program: &Program<M, N>) -> f32 {
    math::clamp(1.0 - program.slide_value(), 0.0, 1.0)
}

/// Makes the demand the program's unit.
fn take_size<const M: usize, const N: usize>(program: &mut Program<M, N>, nearest: &[f32; M]) {
    let mut size = 0.0;
    for (r, scale) in nearest.iter().zip(&program.row_scale) {
        size = math::max(size, (r * scale).abs());
    }
    program.set_demand_scale(size);
}

/// The second stage: row by row in the order of priority.
fn one_by_one<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    demand: &Demand<M>,
    reach: &[f32; M],
    priority: &[u8; M],
    proof: &[f32; M],
) -> Result<Served<M>, Outcome> {
    let block = largest_of_block(reach);
    let mut wanted = demand.nearest();
    let mut size = 0.0;
    for ((wanted, reach), block) in wanted.iter_mut().zip(reach).zip(&block) {
        *wanted = math::clamp(*wanted, -CAP_MARGIN * reach, CAP_MARGIN * reach);
        if *block > 0.0 {
            size = math::max(size, wanted.abs() / block);
        }
    }
    let unit = block.map(|block| size * block);
    let ranges = never_wrong(demand, &unit);
    take_size(program, &wanted);
    let size = program.demand_scale;
    let mut served = [0.0; M];
    let mut served_share = Share::default();
    for row in order(priority) {
        let at = |rows: &[f32; M]| rows.get(row).copied().unwrap_or(0.0);
        if at(&wanted).abs() <= TRIFLE * size / at(&program.row_scale) {
            continue;
        }
        let share = row_share(program, row, at(&wanted), &keeping(&ranges, &served, &unit, SLACK));
        served_share.add(share, at(&wanted) / at(&block));
        if let Some(served) = served.get_mut(row).filter(|_| share >= GONE) {
            *served = share * at(&wanted);
        }
    }
    if served_share.value() < HALF {
        if let Some(spilt) = spilling(program, demand, &wanted, &unit, served_share.value()) {
            return Ok(Served { reach: *proof, ..spilt });
        }
        take_size(program, &wanted);
    }
    program.set_slide(&[0.0; M], 0.0, 0.0);
    for slack in SLACKS {
        let (low, high) = keeping(&ranges, &served, &unit, slack);
        program.set_rows(&low, &high);
        program.set_objective(Objective::Price);
        program.rest();
        if optimise_surely(program, None) == End::Optimal {
            return Ok(Served { outcome: Outcome::Prioritised, lambda: 0.0, reach: *proof });
        }
    }
    Err(Outcome::Stalled)
}

/// Edges of the rows.
type Edges<const M: usize> = ([f32; M], [f32; M]);

/// The ranges with every row keeping what it was served, but for `slack` of it and of the demand.
fn keeping<const M: usize>(ranges: &Edges<M>, served: &[f32; M], unit: &[f32; M], slack: f32) -> Edges<M> {
    let (mut low, mut high) = *ranges;
    for (((low, high), served), unit) in low.iter_mut().zip(&mut high).zip(served).zip(unit) {
        let kept = served.abs() * (1.0 - slack) - (slack - SLACK + LEEWAY) * unit;
        if kept > 0.0 {
            if *served > 0.0 { *low = kept } else { *high = -kept }
        }
    }
    (low, high)
}

/// Every row between nothing and its demand; a row without demand keeps its range.
fn never_wrong<const M: usize>(demand: &Demand<M>, unit: &[f32; M]) -> Edges<M> {
    let (mut low, mut high) = (demand.low, demand.high);
    for ((low, high), unit) in low.iter_mut().zip(&mut high).zip(unit) {
        *low = math::min(*low, 0.0) - LEEWAY * unit;
        *high = math::max(*high, 0.0) + LEEWAY * unit;
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
fn row_share<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    row: usize,
    wanted: f32,
    ranges: &Edges<M>,
) -> f32 {
    let ((mut low, mut high), mut slide) = (*ranges, [0.0; M]);
    let near = if wanted > 0.0 { low.get_mut(row) } else { high.get_mut(row) };
    if let Some(near) = near {
        *near = wanted;
    }
    if let Some(slide) = slide.get_mut(row) {
        *slide = wanted;
    }
    program.set_slide(&slide, 0.0, SLIDE_ROOM);
    program.set_rows(&low, &high);
    let solved = blended(program) == End::Optimal || again(program) == End::Optimal;
    // Only rounding can keep a point that satisfies everything from being found: nothing more to be had.
    if solved { share_left(program) } else { 0.0 }
}

/// The demand once more, every row allowed to miss by [`SPILL`]; `None` when that serves no more.
fn spilling<const M: usize, const N: usize>(
    program: &mut Program<M, N>,
    demand: &Demand<M>,
    wanted: &[f32; M],
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
    let ranges = Ranges { nearest: wide.nearest(), low: wide.low, high: wide.high };
    if ranges.nearest.iter().all(|r| *r == 0.0) {
        return None;
    }
    let answer = slide_in(program, &ranges).ok()?;
    let enough = answer.outcome != Outcome::Stalled && answer.lambda >= HALF && answer.lambda > served;
    enough.then_some(Served { outcome: Outcome::Coupled, lambda: 0.0, ..answer })
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
