//! A small linear program with bounded variables and ranged rows, scaled for `f32`.
//!
//! Minimise `cost · x` over `0 ≤ x ≤ upper` with `low ≤ A·x ≤ high`. Each row has a slack
//! `s = A·x` held within its range, so every vertex is a basis of `M` variables and "everything at
//! rest" (all slacks) always is one. One more column, the *slide*, moves all row ranges together
//! towards zero: `A·x + slide·μ = s`. It is how a demand out of reach is shortened.
//!
//! Scaling is by powers of two, so it rounds nothing: rows so that the largest full pulse is about
//! 1, columns so that their largest entry is about 1, the demand so that it is about 1 whatever its
//! size, prices so that the largest is about 1.

use super::twofold::Twofold;
use crate::jet::JetMask;
use crate::math;

/// Stands for an upper bound that was given as infinite, in units of the scaled demand. Only
/// general programs meet it: a jet's on-time is always limited by the cycle.
const ARTIFICIAL_BOUND: f32 = 8192.0;

/// Scaled reduced cost that counts as none at an artificial bound.
const ARTIFICIAL_GAIN: f32 = 1.0e-5;

/// Longest on-time sought, in units of what the demand takes by itself. Beyond it on-times cancel one
/// another so far that their own rounding is a ten-thousandth of the demand.
pub(super) const LONGEST: f32 = 1024.0;

/// Largest miss of a row in an answer that is believed, in units of the demand.
const RESIDUAL: f32 = 1.0e-5;

/// Rounding of the on-times, as a share of what each adds to a row.
const ON_TIME_ROUNDING: f32 = 1.2e-7;

/// Smallest unit of a demand, in full pulses (2^-40).
const SMALLEST: f32 = 9.094_947e-13;

/// Largest magnitude of any number taken in.
pub(super) const ABSURD: f32 = 1.0e18;

/// Most variables a program can hold: jets, slide, slacks.
pub(super) const VARIABLES: usize = 40;

/// How a solution ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// Least cost found.
    Optimal,
    /// No point satisfies all rows.
    Infeasible,
    /// The cost falls without limit.
    Unbounded,
    /// The cap on pivots was reached.
    Stalled,
}

/// What is being minimised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Objective {
    /// The given prices.
    Price,
    /// The slide alone.
    Slide,
    /// The slide and a trifle for every jet, no two alike: a start for `Slide`, which is degenerate in all jets.
    Blend,
}

/// Which pivots are preferred.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// Steepest edge; lowest index only after a run of pivots that gain nothing.
    Steepest,
    /// Lowest index from the start (finite by Bland's argument, but slow): for checking the fallback.
    LowestIndex,
}

/// A program with `M` rows and at most `N` (≤ 32) columns, and the basis it stands at.
#[derive(Clone, Debug)]
pub struct Program<const M: usize, const N: usize> {
    // Scaled data.
    pub(super) columns: [[f32; M]; N],
    pub(super) cost: [f32; N],
    pub(super) upper: [f32; N],
    pub(super) usable: u64,
    pub(super) low: [f32; M],
    pub(super) high: [f32; M],
    pub(super) slide: [f32; M],
    pub(super) slide_low: f32,
    pub(super) slide_high: f32,
    // Scales: scaled row = row · row_scale / demand_scale, x = scaled x · column_scale · demand_scale.
    pub(super) limit: [f32; N],
    pub(super) row_scale: [f32; M],
    pub(super) column_scale: [f32; N],
    pub(super) price_scale: f32,
    pub(super) demand_scale: f32,
    // Basis.
    pub(super) rule: Rule,
    pub(super) objective: Objective,
    pub(super) head: [u8; M],
    pub(super) basic: u64,
    pub(super) raised: u64,
    pub(super) inverse: [[f32; M]; M],
    pub(super) rhs: [f32; M],
    pub(super) value: [f32; M],
    pub(super) multipliers: [f32; M],
    pub(super) reduced: [f32; N],
    pub(super) slide_reduced: f32,
    pub(super) fresh: bool,
    pub(super) pivots: u16,
}

/// A basis to come back to.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place<const M: usize> {
    pub(super) head: [u8; M],
    pub(super) raised: u64,
}

/// The power of two at or below `x`, held within 2^±100; 1 when `x` is not a positive number.
pub(super) fn power_of_two(x: f32) -> f32 {
    if x > 0.0 {
        let held = math::clamp(x, 1.0e-30, 1.0e30);
        f32::from_bits(held.to_bits() & 0x7f80_0000)
    } else {
        1.0
    }
}

impl<const M: usize, const N: usize> Program<M, N> {
    /// Index of the slide among the variables; jets come before it, slacks after it.
    pub(super) const SLIDE: usize = N;

    /// Takes the columns in.
    ///
    /// * `columns` — one per variable, `M` entries each, any unit; `cost` — per unit of `x`, any sign;
    ///   `limit` — upper bound of `x`, `f32::INFINITY` for none; `usable` — the others stay at zero.
    ///
    /// `None` when the slices differ in length or exceed `N`, `M > 7`, or a number of a usable
    /// column is not finite, absurdly large, or a limit is negative.
    #[must_use]
    pub fn new(columns: &[[f32; M]], cost: &[f32], limit: &[f32], usable: JetMask) -> Option<Self> {
        const { assert!(N <= 32 && M <= 7 && M > 0) };
        let count = columns.len();
        if count > N || cost.len() != count || limit.len() != count {
            return None;
        }
        let mut program = Self::empty();
        let taken = program.columns.iter_mut().zip(&mut program.cost).zip(&mut program.limit);
        for (index, (((into, into_cost), into_limit), ((column, c), l))) in
            taken.zip(columns.iter().zip(cost).zip(limit)).enumerate()
        {
            if !usable.contains(index) || *l == 0.0 {
                continue;
            }
            let sane = column.iter().chain([c]).all(|x| x.abs() <= ABSURD);
            if !sane || !(*l > 0.0) || (*l > ABSURD && *l != f32::INFINITY) {
                return None;
            }
            if column.iter().all(|x| *x == 0.0) && *c >= 0.0 {
                continue;
            }
            (*into, *into_cost, *into_limit) = (*column, *c, *l);
            program.usable |= 1 << index;
        }
        program.scale();
        program.set_demand_scale(1.0);
        Some(program)
    }

    fn empty() -> Self {
        Self {
            columns: [[0.0; M]; N],
            cost: [0.0; N],
            upper: [0.0; N],
            usable: 0,
            low: [0.0; M],
            high: [0.0; M],
            slide: [0.0; M],
            slide_low: 0.0,
            slide_high: 0.0,
            limit: [0.0; N],
            row_scale: [1.0; M],
            column_scale: [1.0; N],
            price_scale: 1.0,
            demand_scale: 1.0,
            rule: Rule::Steepest,
            objective: Objective::Price,
            head: [0; M],
            basic: 0,
            raised: 0,
            inverse: [[0.0; M]; M],
            rhs: [0.0; M],
            value: [0.0; M],
            multipliers: [0.0; M],
            reduced: [0.0; N],
            slide_reduced: 0.0,
            fresh: false,
            pivots: 0,
        }
    }

    /// Scales rows, columns and prices; the columns are unscaled before and scaled after.
    fn scale(&mut self) {
        let mut peak = [0.0_f32; M];
        for (column, limit) in self.columns.iter().zip(&self.limit) {
            let pulse = if *limit < ABSURD { *limit } else { 1.0 };
            for (top, entry) in peak.iter_mut().zip(column) {
                *top = math::max(*top, (entry * pulse).abs());
            }
        }
        self.row_scale = peak.map(|top| 1.0 / power_of_two(top));
        let mut dearest = 0.0;
        for ((column, cost), scale) in self.columns.iter_mut().zip(&mut self.cost).zip(&mut self.column_scale)
        {
            let mut top = 0.0;
            for (entry, row_scale) in column.iter_mut().zip(&self.row_scale) {
                *entry *= row_scale;
                top = math::max(top, entry.abs());
            }
            *scale = 1.0 / power_of_two(top);
            for entry in column.iter_mut() {
                *entry *= *scale;
            }
            *cost *= *scale;
            dearest = math::max(dearest, cost.abs());
        }
        self.price_scale = 1.0 / power_of_two(dearest);
        for cost in &mut self.cost {
            *cost *= self.price_scale;
        }
    }

    /// Whether no row of a demand is as large as the smallest unit.
    pub(super) fn is_trifle(&self, nearest: &[f32; M]) -> bool {
        nearest.iter().zip(&self.row_scale).all(|(r, scale)| (r * scale).abs() < SMALLEST)
    }

    /// Makes `size` (scaled rows) the unit of demands and on-times; held within [`SMALLEST`] and its
    /// inverse.
    pub(super) fn set_demand_scale(&mut self, size: f32) {
        self.demand_scale = power_of_two(math::clamp(size, SMALLEST, 1.0 / SMALLEST));
        for ((upper, limit), scale) in self.upper.iter_mut().zip(&self.limit).zip(&self.column_scale) {
            *upper = if *limit < ABSURD {
                math::min(*limit / *scale / self.demand_scale, LONGEST)
            } else {
                ARTIFICIAL_BOUND
            };
        }
    }

    /// Sets the row ranges (unscaled); the slide column must be set before. Infinite edges become what the columns can reach at most.
    pub(super) fn set_rows(&mut self, low: &[f32; M], high: &[f32; M]) {
        let reach = self.scaled_reach();
        let edges = self.low.iter_mut().zip(&mut self.high).zip(low.iter().zip(high));
        for (((into_low, into_high), (low, high)), (scale, reach)) in
            edges.zip(self.row_scale.iter().zip(reach))
        {
            let (low, high) = (*low * *scale / self.demand_scale, *high * *scale / self.demand_scale);
            // An edge beyond reach on its own side binds nothing; one beyond reach on the other side
            // is an honest contradiction and stays, as long as it is a number.
            *into_low = math::min(math::max(low, -reach), ABSURD);
            *into_high = math::max(math::min(high, reach), -ABSURD);
            if *into_low > *into_high {
                if low > reach { *into_high = *into_low } else { *into_low = *into_high }
            }
        }
    }

    /// Lets every row miss its range by `room`, in units of the demand.
    pub(super) fn widen_rows(&mut self, room: f32) {
        self.low = self.low.map(|edge| edge - room);
        self.high = self.high.map(|edge| edge + room);
        self.settle();
    }

    /// Most that each scaled row can gather, with a margin.
    fn scaled_reach(&self) -> [f32; M] {
        // The slide adds to a row up to twice its entry.
        let mut reach = self.slide.map(|entry| 1.0 + 2.0 * entry.abs());
        for (column, upper) in self.columns.iter().zip(&self.upper) {
            for (sum, entry) in reach.iter_mut().zip(column) {
                *sum += entry.abs() * upper * 1.001;
            }
        }
        reach
    }

    /// What all jets together can deliver in each row, signs aside, unscaled.
    pub(super) fn authority(&self) -> [f32; M] {
        let mut sums = [0.0_f32; M];
        for ((column, limit), scale) in self.columns.iter().zip(&self.limit).zip(&self.column_scale) {
            for (sum, entry) in sums.iter_mut().zip(column) {
                *sum += entry.abs() * (limit / scale);
            }
        }
        for (sum, scale) in sums.iter_mut().zip(&self.row_scale) {
            *sum /= scale;
        }
        sums
    }

    /// Whether the solution as it is given out keeps every row within its range but for [`RESIDUAL`] of the
    /// demand and the rounding of the on-times themselves.
    pub(super) fn is_delivered(&self) -> bool {
        let mut rows = [Twofold::default(); M];
        let mut sizes = [0.0_f32; M];
        let mut gather = |column: &[f32; M], x: f32| {
            for ((row, size), entry) in rows.iter_mut().zip(&mut sizes).zip(column) {
                row.add_product(*entry, x);
                *size += (entry * x).abs();
            }
        };
        gather(&self.slide, self.slide_value());
        for (column, x) in self.columns.iter().zip(self.scaled_solution()) {
            gather(column, x);
        }
        let edges = self.low.iter().zip(&self.high);
        // Written so that what is not a number is not delivered.
        rows.iter().zip(&sizes).zip(edges).all(|((row, size), (low, high))| {
            let room = RESIDUAL + ON_TIME_ROUNDING * size;
            row.value() >= low - room && row.value() <= high + room
        })
    }

    /// Sets the slide column (unscaled) and the bounds of the slide.
    pub(super) fn set_slide(&mut self, slide: &[f32; M], low: f32, high: f32) {
        for ((into, entry), scale) in self.slide.iter_mut().zip(slide).zip(&self.row_scale) {
            *into = *entry * *scale / self.demand_scale;
        }
        (self.slide_low, self.slide_high) = (low, high);
    }

    /// Chooses the pivot rule.
    pub fn set_rule(&mut self, rule: Rule) {
        self.rule = rule;
    }

    /// Minimises the cost with every row within `[low, high]` (unscaled; may be infinite).
    ///
    /// `Infeasible` also when a bound is not a number or `low > high`. Starts from all variables at rest.
    pub fn minimise(&mut self, low: &[f32; M], high: &[f32; M]) -> End {
        let mut size = 0.0;
        for ((low, high), scale) in low.iter().zip(high).zip(&self.row_scale) {
            if !(low <= high) {
                return End::Infeasible;
            }
            for edge in [low, high] {
                if edge.abs() < ABSURD {
                    size = math::max(size, (edge * scale).abs());
                }
            }
        }
        self.set_demand_scale(if size > 0.0 { size } else { 1.0 });
        self.set_slide(&[0.0; M], 0.0, 0.0);
        self.set_rows(low, high);
        self.set_objective(Objective::Price);
        self.pivots = 0;
        self.rest();
        let mut end = self.optimise(None);
        if end == End::Optimal && self.leans_on_artificial_bound() {
            // A variable that stands far out for nothing comes back; one that gains by it goes on for ever.
            self.call_back();
            end = self.optimise(None);
        }
        if end == End::Optimal && self.leans_on_artificial_bound() { End::Unbounded } else { end }
    }

    /// Moves variables without reduced cost to their low bound.
    fn call_back(&mut self) {
        for (index, reduced) in self.reduced.iter().enumerate() {
            if reduced.abs() <= ARTIFICIAL_GAIN {
                self.raised &= !(1 << index);
            }
        }
        self.settle();
    }

    fn leans_on_artificial_bound(&self) -> bool {
        let scaled = self.scaled_solution();
        let mut limits = scaled.iter().zip(&self.limit);
        limits.any(|(x, limit)| *limit == f32::INFINITY && *x > 0.5 * ARTIFICIAL_BOUND)
    }

    /// The solution in scaled units.
    pub(super) fn scaled_solution(&self) -> [f32; N] {
        let mut x = [0.0; N];
        for (index, (into, upper)) in x.iter_mut().zip(&self.upper).enumerate() {
            if self.basic & (1 << index) == 0 && self.raised & (1 << index) != 0 {
                *into = *upper;
            }
        }
        for (variable, value) in self.head.iter().zip(&self.value) {
            let index = usize::from(*variable);
            let upper = self.upper.get(index).copied().unwrap_or(0.0);
            if let Some(into) = x.get_mut(index) {
                // Adding zero turns a minus zero into a plain one.
                *into = math::clamp(*value, 0.0, upper) + 0.0;
            }
        }
        x
    }

    /// The solution `x`, within its bounds, never minus zero.
    #[must_use]
    pub fn solution(&self) -> [f32; N] {
        let mut x = self.scaled_solution();
        for (((x, upper), limit), scale) in
            x.iter_mut().zip(&self.upper).zip(&self.limit).zip(&self.column_scale)
        {
            let time = *x * *scale * self.demand_scale;
            let full = *x >= *upper && *upper < LONGEST;
            *x = if full { *limit } else { math::min(time, *limit) };
        }
        x
    }

    /// The multipliers of the rows, cost per unit of the row: positive where the row presses on its
    /// low edge, negative on its high edge.
    #[must_use]
    pub fn row_multipliers(&self) -> [f32; M] {
        let mut y = self.multipliers;
        let unit = match self.objective {
            Objective::Price => self.price_scale,
            Objective::Slide | Objective::Blend => self.demand_scale,
        };
        for (y, scale) in y.iter_mut().zip(&self.row_scale) {
            *y = *y * *scale / unit + 0.0;
        }
        y
    }

    /// Pivots spent since the last [`Self::minimise`].
    #[must_use]
    pub fn pivots(&self) -> u16 {
        self.pivots
    }

    /// Where the slide stands.
    pub(super) fn slide_value(&self) -> f32 {
        let basic = self.head.iter().zip(&self.value).find(|(head, _)| usize::from(**head) == Self::SLIDE);
        match basic {
            Some((_, value)) => math::clamp(*value, self.slide_low, self.slide_high),
            None if self.raised & (1 << Self::SLIDE) != 0 => self.slide_high,
            None => self.slide_low,
        }
    }

    pub(super) fn place(&self) -> Place<M> {
        Place { head: self.head, raised: self.raised }
    }
}
