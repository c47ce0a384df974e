//! General linear programs on the same walk: how the solver is set beside published examples.
//!
//! Minimise `cost · x` over `0 ≤ x ≤ limit` with `low ≤ A·x ≤ high`, costs of any sign and limits and edges
//! that may be infinite. Jets need none of that, so none of it is in the walk: an infinite limit becomes a far
//! one, and what leans on it at the end gains by it for ever.

use super::number::Number;
use super::offer::Offer;
use super::tableau::Tableau;
use super::walk::{Walk, Walked, at};
use super::{ABSURD, ALLOWANCE, Rule};
use crate::jet::JetMask;
use crate::math;

/// Stands for an infinite limit, in units of the largest edge.
const FAR: f32 = 8192.0;

/// Reduced cost that counts as none at an infinite limit, in units of the dearest.
const NO_GAIN: f32 = 1.0e-5;

/// How a solution ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum End {
    /// Least cost found.
    Optimal,
    /// No point satisfies all rows.
    Infeasible,
    /// The cost falls without limit.
    Unbounded,
    /// The allowance was used up.
    Stalled,
}

/// A program with `M` rows and at most `N` (≤ 32) columns.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Program<const M: usize, const N: usize> {
    /// Prices of any sign, limits that may be infinite.
    offer: Offer<M, N>,
    rule: Rule,
    tableau: Tableau<M, N>,
    solution: [f32; N],
    multipliers: [f32; M],
    pivots: u16,
}

impl<const M: usize, const N: usize> Program<M, N> {
    /// Takes the columns in.
    ///
    /// * `columns` — one per variable, `M` entries each, any unit; `cost` — per unit of `x`, any sign;
    ///   `limit` — upper bound of `x`, `f32::INFINITY` for none; `usable` — the others stay at zero.
    ///
    /// `None` when the slices differ in length or exceed `N`, or a number of a usable column is not
    /// finite, absurdly large, or a limit is negative.
    #[must_use]
    pub fn new(columns: &[[f32; M]], cost: &[f32], limit: &[f32], usable: JetMask) -> Option<Self> {
        if cost.len() != columns.len() || limit.len() != columns.len() {
            return None;
        }
        // What may be nothing takes no part.
        let moving = limit.iter().enumerate().filter(|(index, l)| **l != 0.0 && usable.contains(*index));
        let moving = moving.fold(JetMask::NONE, |set, (index, _)| set.with(index));
        let mut offer = Offer::scaled(columns, moving)?;
        let taken = offer.price.iter_mut().zip(&mut offer.limit);
        for (index, ((into_cost, into_limit), (c, l))) in taken.zip(cost.iter().zip(limit)).enumerate() {
            if !moving.contains(index) {
                continue;
            }
            if !(c.abs() <= ABSURD) || !(*l > 0.0) || (*l > ABSURD && *l != f32::INFINITY) {
                return None;
            }
            (*into_cost, *into_limit) = (*c, *l);
            offer.dearest = math::max(c.abs(), offer.dearest);
        }
        Some(Self {
            offer,
            rule: Rule::Largest,
            tableau: Tableau::empty(),
            solution: [0.0; N],
            multipliers: [0.0; M],
            pivots: 0,
        })
    }

    /// Chooses the pivot rule.
    pub fn set_rule(&mut self, rule: Rule) {
        self.rule = rule;
    }

    /// Minimises the cost with every row within `[low, high]` (may be infinite), from all variables at rest.
    ///
    /// `Infeasible` also when a bound is not a number or `low > high`.
    pub fn minimise(&mut self, low: &[f32; M], high: &[f32; M]) -> End {
        let per_unit = self.offer.per_unit;
        let mut size = 0.0;
        for (row, (low, high)) in low.iter().zip(high).enumerate() {
            if !(low <= high) {
                return End::Infeasible;
            }
            for edge in [low, high] {
                if edge.abs() < ABSURD {
                    size = math::max(size, edge.abs() * at(&per_unit, row));
                }
            }
        }
        let size = if size > 0.0 { size } else { 1.0 };
        let mut offer = self.offer.clone();
        for (limit, weakness) in offer.limit.iter_mut().zip(&offer.weakness) {
            *limit = math::min(*limit, FAR * size * weakness.value());
        }
        let mut walk = Walk::new(&mut self.tableau, &offer, ALLOWANCE);
        walk.rule = self.rule;
        (walk.size, walk.longest) = (size, f32::MAX);
        let mut reach = [0.0_f32; M];
        for (column, limit) in offer.columns.iter().zip(&offer.limit) {
            for (sum, entry) in reach.iter_mut().zip(column) {
                *sum += entry.abs() * limit * 1.01;
            }
        }
        for (row, (low, high)) in low.iter().zip(high).enumerate() {
            let per_unit = at(&per_unit, row);
            let most = size + reach.get(row).map_or(0.0, |reach| reach * per_unit);
            if let (Some(into_low), Some(into_high)) = (walk.low.get_mut(row), walk.high.get_mut(row)) {
                (*into_low, *into_high) =
                    (math::max(low * per_unit, -most), math::min(high * per_unit, most));
            }
        }
        walk.start();
        let _ = walk.take_sides();
        walk.settle();
        let mut called_back = false;
        let end = loop {
            match walk.go() {
                Walked::There => {}
                Walked::Contradiction(..) => break End::Infeasible,
                Walked::Worn => {
                    walk.rebuild(f32::TRUST.dependent);
                    walk.reprice();
                    let _ = walk.take_sides();
                    walk.settle();
                    continue;
                }
                Walked::Stalled => break End::Stalled,
            }
            walk.reprice();
            let _ = walk.take_sides();
            walk.settle();
            if !walk.is_there() {
                if walk.allowance == 0 {
                    break End::Stalled;
                }
                walk.allowance -= 1;
                continue;
            }
            let _ = walk.refine();
            let times = walk.on_times();
            let limits = self.offer.limit.iter().zip(&offer.limit);
            let leans =
                times.iter().zip(limits).any(|(x, (own, far))| *own == f32::INFINITY && *x > 0.5 * far);
            if !leans {
                break End::Optimal;
            }
            if called_back {
                break End::Unbounded;
            }
            // What stands far out for nothing comes back; what gains by it goes on for ever.
            called_back = true;
            walk.call_back(NO_GAIN * offer.dearest);
            walk.settle();
        };
        self.solution = walk.on_times();
        self.multipliers = walk.row_multipliers();
        self.pivots = walk.steps();
        end
    }

    /// The solution `x`, within its bounds, never minus zero.
    #[must_use]
    pub fn solution(&self) -> [f32; N] {
        self.solution
    }

    /// The multipliers of the rows, cost per unit of the row: positive where the row presses on its
    /// low edge, negative on its high edge.
    #[must_use]
    pub fn row_multipliers(&self) -> [f32; M] {
        self.multipliers
    }

    /// Steps taken by the last [`Self::minimise`].
    #[must_use]
    pub fn pivots(&self) -> u16 {
        self.pivots
    }
}
