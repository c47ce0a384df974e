//! Bounded dual simplex on the condensed tableau, with a long-step ratio test.
//!
//! Every variable has two bounds, so any basis becomes dual feasible by letting each resting variable
//! rest at the bound its reduced cost asks for: there is no first phase, and a walk goes on from any basis, an old
//! one included. A basic variable out of its bounds leaves; the variable to enter is found by walking the
//! breakpoints of the dual step, moving resting variables across their range as long as the row stays
//! short (long step), with a tolerance in the manner of Harris taken over all candidates that are left. After a run
//! of pivots that gain nothing, the lowest index decides and nothing is moved across (Bland), which is finite.

use super::Rule;
use super::tableau::Tableau;
use super::twofold::Twofold;
use crate::math;

/// Basic variables may be this far outside their bounds, in units of what is served.
const FEASIBLE: f32 = 1.0e-6;

/// A row that nothing can bring closer may stay this far outside, in units of what is served.
pub(super) const TOLERATED: f32 = 3.5e-6;

/// Tolerance of the ratio test, in units of the dearest price.
const HARRIS: f32 = 3.0e-7;

/// A reduced cost this far on the wrong side, in units of the dearest price, makes its variable move across.
const WRONG_SIDE: f32 = 6.0e-7;

/// Row entries below this share of their terms are rounding noise.
const NOISE: f32 = 2.4e-7;

/// Row entries below this share of their terms are no pivots.
pub(super) const TINY: f32 = 4.0e-6;

/// A pivot below this share of the largest one passed is given up for the larger one.
const POOR_PIVOT: f32 = 1.0e-2;

/// Pivots without gain before the lowest index decides.
const PATIENCE: u16 = 12;

/// A row of the columns may miss its multiplier by this share of the dearest price before they are refined.
const MISPRICED: f32 = 4.0e-7;

/// Exchanges after which a basis is factorised anew.
const WORN: u16 = 40;

/// Steps of refinement of the basic values.
const REFINEMENTS: u32 = 4;

/// Miss that is refined, in units of what is served.
const REFINED: f32 = 4.0e-7;

/// On-times that gather this many times what is served are summed in twice the precision.
const CANCELLING: f32 = 8.0;

/// How a walk ended.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Walked {
    /// Every basic variable is within its bounds.
    There,
    /// The basic variable at this position cannot be brought within its bounds: it stays too low
    /// (positive) or too high by so much when everything that helps has moved.
    Contradiction(usize, f32),
    /// So many exchanges have worn the tableau that it should be factorised anew.
    Worn,
    /// The allowance is used up.
    Stalled,
}

/// A variable to enter and those that move across before it.
struct Step {
    slot: usize,
    crossing: u32,
}

/// One selection under way: the problem, the ranges in force, and the state of the basis.
pub(super) struct Walk<'a, const M: usize, const N: usize> {
    pub(super) tableau: &'a mut Tableau<M, N>,
    pub(super) columns: &'a [[f32; M]],
    pub(super) price: &'a [f32],
    pub(super) limit: &'a [f32],
    pub(super) usable: u32,
    /// Row ranges in force, scaled.
    pub(super) low: [f32; M],
    pub(super) high: [f32; M],
    /// Size of what is served, scaled, s; and longest on-time times strength, s.
    pub(super) size: f32,
    pub(super) longest: f32,
    /// Basic values.
    pub(super) value: [f32; M],
    /// Reduced cost of slacks (the multipliers, scaled) and jets; basic ones have none.
    pub(super) multiplier: [f32; M],
    pub(super) reduced: [f32; N],
    pub(super) dearest: f32,
    pub(super) rule: Rule,
    /// Positions that rounding keeps out of their bounds.
    pub(super) tolerated: u32,
    pub(super) allowance: u16,
    idle: u16,
}

/// The members of a set, lowest first.
struct Bits(u32);

impl Iterator for Bits {
    type Item = usize;

    #[inline(always)]
    fn next(&mut self) -> Option<usize> {
        if self.0 == 0 {
            return None;
        }
        let lowest = self.0.trailing_zeros() as usize;
        self.0 &= self.0 - 1;
        Some(lowest)
    }
}

impl<'a, const M: usize, const N: usize> Walk<'a, M, N> {
    pub(super) fn new(
        tableau: &'a mut Tableau<M, N>,
        columns: &'a [[f32; M]],
        price: &'a [f32],
        limit: &'a [f32],
        usable: u32,
        allowance: u16,
    ) -> Self {
        Self {
            tableau,
            columns,
            price,
            limit,
            usable,
            low: [0.0; M],
            high: [0.0; M],
            size: 0.0,
            longest: 0.0,
            value: [0.0; M],
            multiplier: [0.0; M],
            reduced: [0.0; N],
            dearest: 0.0,
            rule: Rule::Largest,
            tolerated: 0,
            allowance,
            idle: 0,
        }
    }

    /// Longest on-time of a jet, s.
    #[inline(always)]
    pub(super) fn upper(&self, jet: usize) -> f32 {
        if self.usable & (1 << jet) == 0 {
            return 0.0;
        }
        let limit = self.limit.get(jet).copied().unwrap_or(0.0);
        math::min(limit, self.longest * self.tableau.weakness(jet))
    }

    #[inline(always)]
    fn bounds(&self, variable: usize) -> (f32, f32) {
        if variable < N {
            (0.0, self.upper(variable))
        } else {
            let row = variable - N;
            (self.low.get(row).copied().unwrap_or(0.0), self.high.get(row).copied().unwrap_or(0.0))
        }
    }

    #[inline(always)]
    fn reduced_of(&self, variable: usize) -> f32 {
        let cost = if variable < N { self.reduced.get(variable) } else { self.multiplier.get(variable - N) };
        cost.copied().unwrap_or(0.0)
    }

    #[inline(always)]
    fn set_reduced(&mut self, variable: usize, cost: f32) {
        let into =
            if variable < N { self.reduced.get_mut(variable) } else { self.multiplier.get_mut(variable - N) };
        if let Some(into) = into {
            *into = cost;
        }
    }

    #[inline(always)]
    pub(super) fn used(&self) -> usize {
        usize::from(self.tableau.jets)
    }

    /// Where the variable of a slot rests.
    #[inline(always)]
    fn rests_at(&self, slot: usize) -> f32 {
        let variable = self.tableau.resting.get(slot).map_or(0, |v| usize::from(*v));
        let (low, high) = self.bounds(variable);
        if self.tableau.raised & (1 << slot) != 0 { high } else { low }
    }

    /// Price per second of a variable; slacks cost nothing.
    #[inline(always)]
    fn price_of(&self, variable: usize) -> f32 {
        if variable < N { self.price.get(variable).copied().unwrap_or(0.0) } else { 0.0 }
    }

    /// Starts with all jets at rest: nothing is paid for any row.
    pub(super) fn start(&mut self) {
        self.tableau.lay_out(self.columns, self.usable);
        self.multiplier = [0.0; M];
        for (reduced, price) in self.reduced.iter_mut().zip(self.price) {
            *reduced = *price;
        }
        self.take_sides();
    }

    /// The multipliers per unit of each row.
    #[inline(always)]
    pub(super) fn row_multipliers(&self) -> [f32; M] {
        let mut y = self.multiplier;
        for (row, y) in y.iter_mut().enumerate() {
            *y = *y * self.tableau.per_unit(row) + 0.0;
        }
        y
    }

    /// Multipliers and reduced costs from the basis and the original columns, refined where they need it.
    pub(super) fn reprice(&mut self) {
        self.multiplier = [0.0; M];
        let mut left: [f32; M] = core::array::from_fn(|position| {
            self.price_of(self.tableau.basic.get(position).map_or(N, |v| usize::from(*v)))
        });
        for round in 0..3 {
            self.credit(&left);
            let y = self.row_multipliers();
            let pays = self.reduced.iter_mut().zip(self.columns).zip(self.price);
            for ((reduced, column), price) in pays {
                *reduced = *price - dot(&y, column);
            }
            let mut worst = 0.0;
            for (left, basic) in left.iter_mut().zip(&self.tableau.basic) {
                let variable = usize::from(*basic);
                *left = self.reduced.get(variable).copied().unwrap_or(0.0);
                worst = math::max(worst, left.abs());
            }
            if round == 2 || worst <= MISPRICED * self.dearest {
                break;
            }
        }
    }

    /// Adds to the multipliers of resting slacks what pays for these costs of the basic variables.
    #[inline(always)]
    fn credit(&mut self, left: &[f32; M]) {
        let used = self.used();
        for (cells, resting) in self.tableau.cells.iter().zip(&self.tableau.resting).take(used) {
            if let Some(row) = usize::from(*resting).checked_sub(N) {
                let paid = dot(cells, left);
                if let Some(y) = self.multiplier.get_mut(row) {
                    *y += paid;
                }
            }
        }
    }

    /// Lets every resting variable rest where its reduced cost asks it to.
    pub(super) fn take_sides(&mut self) {
        let tolerance = WRONG_SIDE * self.dearest;
        for slot in 0..self.used() {
            let variable = self.tableau.resting.get(slot).map_or(0, |v| usize::from(*v));
            let reduced = self.reduced_of(variable);
            if reduced > tolerance {
                self.tableau.raised &= !(1 << slot);
            } else if reduced < -tolerance {
                self.tableau.raised |= 1 << slot;
            }
        }
    }

    /// Lets resting jets whose reduced cost is this small rest at zero.
    pub(super) fn call_back(&mut self, tolerance: f32) {
        for slot in Bits(self.tableau.raised) {
            let variable = self.tableau.resting.get(slot).map_or(N, |v| usize::from(*v));
            if variable < N && self.reduced_of(variable).abs() <= tolerance {
                self.tableau.raised &= !(1 << slot);
            }
        }
    }

    /// Basic values from the tableau.
    pub(super) fn settle(&mut self) {
        self.value = [0.0; M];
        for slot in 0..self.used() {
            let rest = self.rests_at(slot);
            if rest != 0.0 {
                if let Some(cells) = self.tableau.cells.get(slot) {
                    add(&mut self.value, cells, rest);
                }
            }
        }
    }

    /// How far the basic variable at a position is below (positive) or above (negative) its bounds, zero within
    /// tolerance; and the same as it weighs against others.
    #[inline(always)]
    fn shortfall(&self, position: usize) -> (f32, f32) {
        let (Some(basic), Some(value)) = (self.tableau.basic.get(position), self.value.get(position)) else {
            return (0.0, 0.0);
        };
        let variable = usize::from(*basic);
        let (low, high) = self.bounds(variable);
        let short = if *value < low { low - value } else { math::min(high - value, 0.0) };
        if short == 0.0 {
            return (0.0, 0.0);
        }
        let weight = if variable < N { 1.0 / self.tableau.weakness(variable) } else { 1.0 };
        let weighed = short.abs() * weight;
        if weighed <= FEASIBLE * self.size { (0.0, 0.0) } else { (short, weighed) }
    }

    fn leaving(&self, lowest: bool) -> Option<(usize, f32)> {
        let mut best: Option<(usize, f32)> = None;
        let mut most = 0.0;
        for position in 0..M {
            let (short, weighed) = self.shortfall(position);
            if short == 0.0 || self.tolerated & (1 << position) != 0 {
                continue;
            }
            let merit = if lowest {
                1.0 / (1.0 + self.tableau.basic.get(position).map_or(0.0, |v| f32::from(*v)))
            } else {
                weighed
            };
            if merit > most {
                (best, most) = (Some((position, short)), merit);
            }
        }
        best
    }

    /// Whether every basic variable is within its bounds.
    pub(super) fn is_there(&self) -> bool {
        self.leaving(false).is_none()
    }

    /// Walks on until every basic variable is within its bounds or one cannot be.
    pub(super) fn go(&mut self) -> Walked {
        loop {
            let lowest = self.idle > PATIENCE || self.rule == Rule::LowestIndex;
            let Some((position, short)) = self.leaving(lowest) else { return Walked::There };
            if self.allowance == 0 {
                return Walked::Stalled;
            }
            self.allowance -= 1;
            if self.tableau.worn >= WORN {
                return Walked::Worn;
            }
            let step = match self.ratio_test(position, short, lowest) {
                Ok(step) => step,
                Err(left) => {
                    return Walked::Contradiction(position, if short > 0.0 { left } else { -left });
                }
            };
            self.pivot(position, short, &step);
        }
    }

    /// The entering variable.
    ///
    /// # Errors
    /// How short the row stays when everything that helps has moved.
    fn ratio_test(&self, position: usize, short: f32, lowest: bool) -> Result<Step, f32> {
        let tolerance = if lowest { 0.0 } else { HARRIS * self.dearest };
        let mut entry = [0.0_f32; N];
        let mut relaxed = [0.0_f32; N];
        let mut open = 0_u32;
        // The largest multiplier of the row: what its entries are made of.
        let own = self.tableau.basic.get(position).map_or(0, |v| usize::from(*v));
        let mut most = if own < N { 0.0 } else { 1.0 };
        let slots = self.tableau.cells.iter().zip(&self.tableau.resting).take(self.used());
        for (slot, ((cells, resting), (entry, relaxed))) in
            slots.zip(entry.iter_mut().zip(&mut relaxed)).enumerate()
        {
            let up = self.tableau.raised & (1 << slot) != 0;
            let cell = cells.get(position).copied().unwrap_or(0.0);
            let variable = usize::from(*resting);
            if variable >= N && cell.abs() > most {
                most = cell.abs();
            }
            let helps = if up == (short > 0.0) { -cell } else { cell };
            if !(helps > 0.0) {
                continue;
            }
            if !self.has_range(variable) {
                continue;
            }
            let cost = self.reduced_of(variable);
            let cost = math::max(if up { -cost } else { cost }, 0.0);
            *entry = helps;
            *relaxed = (cost + tolerance) / helps;
            open |= 1 << slot;
        }
        let (noise, tiny) = (NOISE * most, TINY * most);
        let mut slope = short.abs();
        let mut passed = 0_u32;
        let mut best: Option<Step> = None;
        let mut best_entry = 0.0;
        while open != 0 {
            let mut bound = f32::INFINITY;
            for slot in Bits(open) {
                bound = math::min(bound, relaxed.get(slot).copied().unwrap_or(bound));
            }
            let mut set = 0_u32;
            let mut chosen = (0.0, N);
            for slot in Bits(open) {
                let variable = self.tableau.resting.get(slot).map_or(0, |v| usize::from(*v));
                let helps = entry.get(slot).copied().unwrap_or(0.0);
                let cost = self.reduced_of(variable).abs();
                let own = relaxed.get(slot).copied().unwrap_or(0.0);
                if own > bound && cost > bound * helps {
                    continue;
                }
                set |= 1 << slot;
                let merit = if variable < N { helps * self.tableau.weakness(variable) } else { helps };
                if merit <= noise {
                    continue;
                }
                let (low, high) = self.bounds(variable);
                slope -= helps * (high - low);
                if merit > tiny && merit > chosen.0 && !(lowest && chosen.1 < N) {
                    chosen = (merit, slot);
                }
            }
            if set == 0 {
                break;
            }
            if chosen.1 < N && (best.is_none() || (chosen.0 > POOR_PIVOT * best_entry && !lowest)) {
                best = Some(Step { slot: chosen.1, crossing: passed });
                best_entry = chosen.0;
            }
            passed |= set;
            open &= !set;
            if slope <= 0.0 {
                break;
            }
        }
        // At the very edge of what is attainable, what stays short is rounding.
        match best {
            Some(step) if !self.is_beyond(position, slope, TOLERATED) => Ok(step),
            Some(_) => Err(slope),
            None => Err(short.abs()),
        }
    }

    /// Whether so much of the basic variable at a position is more than a share of what is served.
    pub(super) fn is_beyond(&self, position: usize, left: f32, share: f32) -> bool {
        let variable = self.tableau.basic.get(position).map_or(N, |v| usize::from(*v));
        let weakness = if variable < N { self.tableau.weakness(variable) } else { 1.0 };
        left > share * self.size * weakness
    }

    #[inline(always)]
    fn has_range(&self, variable: usize) -> bool {
        let (low, high) = self.bounds(variable);
        high > low
    }

    fn pivot(&mut self, position: usize, short: f32, step: &Step) {
        for slot in Bits(step.crossing) {
            let before = self.rests_at(slot);
            self.tableau.raised ^= 1 << slot;
            let after = self.rests_at(slot);
            if let Some(cells) = self.tableau.cells.get(slot) {
                add(&mut self.value, cells, after - before);
            }
        }
        let (Some(cells), Some(leaving), Some(entering)) = (
            self.tableau.cells.get(step.slot).copied(),
            self.tableau.basic.get(position).map(|v| usize::from(*v)),
            self.tableau.resting.get(step.slot).map(|v| usize::from(*v)),
        ) else {
            return;
        };
        let (Some(pivot), Some(value)) = (cells.get(position).copied(), self.value.get(position).copied())
        else {
            return;
        };
        let (low, high) = self.bounds(leaving);
        let target = if short > 0.0 { low } else { high };
        let inverse = 1.0 / pivot;
        let moved = (target - value) * inverse;
        let entered = self.rests_at(step.slot) + moved;
        add(&mut self.value, &cells, moved);
        if let Some(value) = self.value.get_mut(position) {
            *value = entered;
        }
        self.step_reduced(position, step.slot, self.reduced_of(entering) * inverse);
        self.set_reduced(entering, 0.0);
        self.tableau.exchange(position, step.slot);
        if short > 0.0 {
            self.tableau.raised &= !(1 << step.slot);
        } else {
            self.tableau.raised |= 1 << step.slot;
        }
        self.tolerated = 0;
    }

    /// The dual step of a pivot: `rate` is what the leaving variable will cost.
    fn step_reduced(&mut self, position: usize, entering: usize, rate: f32) {
        let Some(leaving) = self.tableau.basic.get(position).map(|v| usize::from(*v)) else { return };
        self.idle = if rate == 0.0 { self.idle + 1 } else { 0 };
        for slot in 0..self.used() {
            if slot == entering {
                continue;
            }
            let own = self.tableau.cells.get(slot).and_then(|cells| cells.get(position)).copied();
            let variable = self.tableau.resting.get(slot).map_or(0, |v| usize::from(*v));
            if let Some(own) = own.filter(|_| rate != 0.0) {
                self.set_reduced(variable, self.reduced_of(variable) - rate * own);
            }
        }
        self.set_reduced(leaving, rate);
    }

    /// Row multipliers, per unit of each row, that say why the basic variable at `position` cannot come within its
    /// bounds.
    pub(super) fn reason(&self, position: usize, short: f32) -> [f32; M] {
        let sign = if short > 0.0 { 1.0 } else { -1.0 };
        let mut y = [0.0; M];
        let used = self.used();
        for (cells, resting) in self.tableau.cells.iter().zip(&self.tableau.resting).take(used) {
            let row = usize::from(*resting).checked_sub(N);
            if let (Some(y), Some(cell)) = (row.and_then(|row| y.get_mut(row)), cells.get(position)) {
                *y = -sign * cell;
            }
        }
        let own = self.tableau.basic.get(position).and_then(|v| usize::from(*v).checked_sub(N));
        if let Some(y) = own.and_then(|row| y.get_mut(row)) {
            *y = sign;
        }
        for (row, y) in y.iter_mut().enumerate() {
            *y = *y * self.tableau.per_unit(row) + 0.0;
        }
        y
    }

    /// On-times, s: within their limits, never minus zero, never anything but a number.
    #[inline(always)]
    pub(super) fn on_times(&self) -> [f32; N] {
        // Adding zero turns a minus zero into a plain one.
        self.times(|upper, value| math::clamp(value, 0.0, upper) + 0.0)
    }

    /// On-times with the basic ones taken from their limits and values.
    #[inline(always)]
    fn times(&self, basic_time: impl Fn(f32, f32) -> f32) -> [f32; N] {
        let mut times = [0.0; N];
        for slot in Bits(self.tableau.raised) {
            let variable = self.tableau.resting.get(slot).map_or(N, |v| usize::from(*v));
            if let Some(time) = times.get_mut(variable) {
                *time = self.upper(variable);
            }
        }
        for (basic, value) in self.tableau.basic.iter().zip(&self.value) {
            let variable = usize::from(*basic);
            if let Some(time) = times.get_mut(variable) {
                *time = basic_time(self.upper(variable), *value);
            }
        }
        times
    }

    /// What on-times deliver in each row, and the most that a row gathers, signs aside, in scaled units.
    pub(super) fn delivered(&self, times: &[f32; N], careful: bool) -> ([f32; M], f32) {
        let mut sum = [0.0; M];
        let mut gathered = [0.0; M];
        let mut exact = [Twofold::default(); M];
        for (column, time) in self.columns.iter().zip(times) {
            if *time != 0.0 {
                for ((sum, gathered), entry) in sum.iter_mut().zip(&mut gathered).zip(column) {
                    let product = entry * time;
                    *sum += product;
                    *gathered += product.abs();
                }
                if careful {
                    for (exact, entry) in exact.iter_mut().zip(column) {
                        exact.add_product(*entry, *time);
                    }
                }
            }
        }
        if careful {
            sum = exact.map(Twofold::value);
        }
        let mut most = 0.0;
        for (row, gathered) in gathered.iter().enumerate() {
            most = math::max(most, gathered * self.tableau.per_unit(row));
        }
        (sum, most)
    }

    /// Refines the basic values against the original columns until the rows at rest are delivered.
    pub(super) fn refine(&mut self) {
        let mut careful = false;
        for _ in 0..REFINEMENTS {
            let times = self.times(|_, value| value);
            let (mut delivered, gathered) = self.delivered(&times, careful);
            if !careful && gathered > CANCELLING * self.size {
                careful = true;
                delivered = self.delivered(&times, true).0;
            }
            let mut worst = 0.0;
            let mut correction = [0.0; M];
            for slot in 0..self.used() {
                let row = self.tableau.resting.get(slot).and_then(|v| usize::from(*v).checked_sub(N));
                let Some(got) = row.and_then(|row| Some(delivered.get(row)? * self.tableau.per_unit(row)))
                else {
                    continue;
                };
                let left = self.rests_at(slot) - got;
                worst = math::max(worst, left.abs());
                if let Some(cells) = self.tableau.cells.get(slot) {
                    add(&mut correction, cells, left);
                }
            }
            if worst <= REFINED * self.size {
                break;
            }
            for (value, correction) in self.value.iter_mut().zip(&correction) {
                *value += correction;
            }
        }
    }

    /// Largest miss of a row's range, scaled.
    pub(super) fn worst_miss(&self, delivered: &[f32; M]) -> f32 {
        let mut worst = 0.0;
        for (row, got) in delivered.iter().enumerate() {
            let got = got * self.tableau.per_unit(row);
            let (low, high) = self.bounds(N + row);
            let miss = math::max(low - got, got - high);
            // Written so that what is not a number is the worst.
            if !(miss <= worst) {
                worst = miss;
            }
        }
        worst
    }
}

/// Scalar product.
#[inline(always)]
pub(super) fn dot<const M: usize>(a: &[f32; M], b: &[f32; M]) -> f32 {
    a.iter().zip(b).fold(0.0, |sum, (a, b)| sum + a * b)
}

/// `into += factor · column`.
#[inline(always)]
fn add<const M: usize>(into: &mut [f32; M], column: &[f32; M], factor: f32) {
    for (into, entry) in into.iter_mut().zip(column) {
        *into += factor * entry;
    }
}
