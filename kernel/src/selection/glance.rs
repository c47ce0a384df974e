//! The shortest way to an answer: the basis that was right for the last demand, where it is right for this one.
//!
//! In a closed loop the demand changes a little from cycle to cycle, and nothing else does. Then the multipliers and
//! what they prove stay, and on-times follow from one product with the tableau. What they deliver is measured with the
//! original columns all the same; whatever is not plainly right is left to the walk.

use super::offer::Offer;
use super::tableau::Tableau;
use super::walk::{Bits, CANCELLING, at};
use super::{Demand, LONGEST, Outcome, Proof, SMALL, Selection};
use crate::math;

/// Largest miss of a row that needs no refinement, in units of what is served.
const MISSED: f32 = 1.5e-6;

/// The answer of the basis at hand; `None` where it takes a walk to know.
///
/// * `offer` — that of the last selection; `nearest` — the point of the demand nearest zero.
pub(super) fn glance<const M: usize, const N: usize>(
    tableau: &Tableau<M, N>,
    offer: &Offer<M, N>,
    demand: &Demand<M>,
    nearest: &[f32; M],
) -> Option<Selection<M, N>> {
    let per_unit = &offer.per_unit;
    let size = nearest.iter().zip(per_unit).fold(0.0, |size, (r, unit)| math::max((r * unit).abs(), size));
    if !tableau.clean || !(size >= SMALL) {
        return None;
    }
    let upper = |jet| math::min(at(&offer.limit, jet), LONGEST * size * offer.weakness(jet));
    let mut answer = Selection::quiet(Outcome::Exact, [0.0; M]);
    let rests = rests(tableau, demand);
    let values = basic_values(tableau, (&rests, per_unit), upper);
    for (variable, value) in tableau.basic.iter().zip(&values) {
        let variable = usize::from(*variable);
        let (low, high) = match variable.checked_sub(N) {
            None => (0.0, upper(variable)),
            Some(row) => {
                let unit = at(per_unit, row);
                (at(&demand.low, row) * unit, at(&demand.high, row) * unit)
            }
        };
        // What is not a number is not within.
        if !(*value >= low && *value <= high) {
            return None;
        }
        if let Some(time) = answer.on_time.get_mut(variable) {
            // Adding zero turns a minus zero into a plain one.
            *time = *value + 0.0;
        }
    }
    for jet in Bits(tableau.raised) {
        if let Some(time) = answer.on_time.get_mut(jet) {
            *time = upper(jet);
        }
    }
    let gathered = deliver(tableau, offer, &mut answer);
    let mut worst = 0.0;
    for (row, (got, left)) in answer.achieved.iter().zip(&mut answer.remaining).enumerate() {
        let (low, high) = (at(&demand.low, row), at(&demand.high, row));
        *left = if *got < low { low - got } else { math::min(high - got, 0.0) + 0.0 };
        // A row at rest is at its edge, or the tableau is worn.
        let miss = if tableau.rests(row) { at(&rests, row) - got } else { *left };
        let unit = at(per_unit, row);
        worst = math::max((miss * unit).abs(), worst);
        if !(at(&gathered, row) * unit <= CANCELLING * size) {
            return None;
        }
    }
    if !(worst <= MISSED * size) {
        return None;
    }
    for (y, (multiplier, unit)) in answer.multipliers.iter_mut().zip(tableau.multiplier.iter().zip(per_unit))
    {
        *y = multiplier * unit + 0.0;
    }
    answer.lambda = 1.0;
    answer.proof = Proof { residual: worst / size, gap: 0.0, reach_gap: 0.0 };
    Some(answer)
}

/// Where each row rests, if it does: the edge goes by the multiplier, for what was a point may be a range now.
fn rests<const M: usize, const N: usize>(tableau: &Tableau<M, N>, demand: &Demand<M>) -> [f32; M] {
    core::array::from_fn(|row| {
        let y = at(&tableau.multiplier, row);
        let up = y < 0.0 || y == 0.0 && tableau.raised_rows & (1 << row) != 0;
        at(if up { &demand.high } else { &demand.low }, row)
    })
}

/// Basic values where every other variable rests at its bound.
fn basic_values<const M: usize, const N: usize>(
    tableau: &Tableau<M, N>,
    (rests, per_unit): (&[f32; M], &[f32; M]),
    upper: impl Fn(usize) -> f32,
) -> [f32; M] {
    let mut values = [0.0; M];
    let mut push = |slot: usize, by: f32| {
        for (value, row) in values.iter_mut().zip(&tableau.cells) {
            *value += at(row, slot) * by;
        }
    };
    for (slot, (rest, unit)) in tableau.seat.iter().zip(rests.iter().zip(per_unit)) {
        if usize::from(*slot) < N {
            push(usize::from(*slot), rest * unit);
        }
    }
    if tableau.raised != 0 {
        for (slot, resting) in tableau.resting.iter().enumerate() {
            let jet = usize::from(*resting);
            if jet < N && tableau.raised & (1 << jet) != 0 {
                push(slot, upper(jet));
            }
        }
    }
    values
}

/// What the on-times deliver by the original columns, and what each row gathers, signs aside.
fn deliver<const M: usize, const N: usize>(
    tableau: &Tableau<M, N>,
    offer: &Offer<M, N>,
    answer: &mut Selection<M, N>,
) -> [f32; M] {
    let mut gathered = [0.0; M];
    let basic = tableau.basic.iter().filter(|variable| usize::from(**variable) < N);
    let firing = basic.fold(tableau.raised, |set, jet| set | 1 << *jet);
    for jet in Bits(firing) {
        let Some(column) = offer.columns.get(jet) else { continue };
        let time = at(&answer.on_time, jet);
        for ((sum, gathered), entry) in answer.achieved.iter_mut().zip(&mut gathered).zip(column) {
            let product = entry * time;
            *sum += product;
            *gathered += product.abs();
        }
    }
    gathered
}
