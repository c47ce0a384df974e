//! Bounded dual simplex with a dense basis inverse and a long-step ratio test.
//!
//! Every variable has two finite bounds, so any basis becomes dual feasible by moving non-basic
//! variables to their other bound: no first phase, and a fresh factorisation can always be
//! continued from. Rows are left by steepest edge (the inverse is at hand, so the exact weights are
//! too). The entering variable is found by walking the breakpoints of the dual step, moving jets
//! across their range as long as the row stays short (long step), with a tolerance in the manner of
//! Harris taken over all candidates that are left. After a run of pivots without gain the lowest
//! index decides (Bland).

use heapless::Vec;

use super::program::{End, Objective, Place, Program, VARIABLES};
use super::twofold::Twofold;
use crate::math;

/// Pivots allowed in one solution.
pub const PIVOTS_PER_SOLUTION: u16 = 120;

/// Basic variables may be this far outside their bounds, in units of the demand.
const FEASIBLE: f32 = 1.5e-6;

/// A row that nothing can bring closer may stay this far outside, in units of the demand: what a
/// rank-deficient layout cannot tell from rounding.
const TOLERATED: f32 = 6.0e-6;

/// Rounding of a row's value, as a share of it.
const ROUNDED: f32 = 2.0e-6;

/// Tolerance of the ratio test, in units of the largest multiplier.
const HARRIS: f32 = 3.0e-7;

/// A reduced cost this far on the wrong side (units of the largest multiplier) is moved across.
const WRONG_SIDE: f32 = 6.0e-7;

/// Row entries below this share of the row of the inverse are rounding noise.
const NOISE: f32 = 4.0e-6;

/// A pivot below this share of the largest one passed is given up for the larger one.
const POOR_PIVOT: f32 = 1.0e-2;

/// Pivots without gain before the lowest index decides.
const PATIENCE: u16 = 12;

/// Steps of refinement of the basic values.
const REFINEMENTS: usize = 2;

/// Scale of the trifle that every jet costs in [`Objective::Blend`].
const BLEND: f32 = 1.0 / 512.0;

/// One breakpoint of the dual step.
#[derive(Clone, Copy)]
struct Candidate {
    variable: u8,
    /// Entry of the leaving row, counted positive.
    entry: f32,
    /// Length of the dual step at which its reduced cost is used up.
    ratio: f32,
    /// The same when the reduced cost may be overrun by the tolerance.
    relaxed: f32,
    /// What the row gains when the variable moves across its whole range.
    gain: f32,
}

/// The members of a set of variables, lowest first.
struct Bits(u64);

impl Iterator for Bits {
    type Item = usize;

    fn next(&mut self) -> Option<usize> {
        if self.0 == 0 {
            return None;
        }
        let lowest = self.0.trailing_zeros() as usize;
        self.0 &= self.0 - 1;
        Some(lowest)
    }
}

/// How an attempt to pivot ended.
enum Pivot {
    /// Done; whether the dual objective rose.
    Done { gain: bool },
    /// Nothing can help the row, but what it lacks is rounding.
    Tolerable,
    /// Nothing can satisfy the row.
    Hopeless,
    /// The inverse is too worn to tell.
    Inaccurate,
}

/// A variable to enter and those that move across before it.
struct Step {
    entering: usize,
    crossing: u64,
}

impl<const M: usize, const N: usize> Program<M, N> {
    pub(super) fn column(&self, variable: usize) -> [f32; M] {
        if variable < N {
            return self.columns.get(variable).copied().unwrap_or([0.0; M]);
        }
        if variable == Self::SLIDE {
            return self.slide;
        }
        let mut unit = [0.0; M];
        if let Some(entry) = unit.get_mut(variable - N - 1) {
            *entry = -1.0;
        }
        unit
    }

    fn bounds(&self, variable: usize) -> (f32, f32) {
        if variable < N {
            (0.0, self.upper.get(variable).copied().unwrap_or(0.0))
        } else if variable == Self::SLIDE {
            (self.slide_low, self.slide_high)
        } else {
            let row = variable - N - 1;
            (self.low.get(row).copied().unwrap_or(0.0), self.high.get(row).copied().unwrap_or(0.0))
        }
    }

    fn cost_of(&self, variable: usize) -> f32 {
        match self.objective {
            Objective::Price => self.cost.get(variable).copied().unwrap_or(0.0),
            Objective::Slide => f32::from(u8::from(variable == Self::SLIDE)),
            Objective::Blend if variable == Self::SLIDE => 1.0,
            Objective::Blend => {
                let trifle = 1.0 + f32::from(variable as u8) / 64.0;
                self.cost.get(variable).map_or(0.0, |cost| BLEND * (cost + trifle))
            }
        }
    }

    fn reduced_of(&self, variable: usize) -> f32 {
        if variable < N {
            self.reduced.get(variable).copied().unwrap_or(0.0)
        } else if variable == Self::SLIDE {
            self.slide_reduced
        } else {
            self.multipliers.get(variable - N - 1).copied().unwrap_or(0.0)
        }
    }

    /// Where a non-basic variable rests.
    fn resting(&self, variable: usize) -> f32 {
        let (low, high) = self.bounds(variable);
        if self.raised & (1 << variable) != 0 { high } else { low }
    }

    /// The variables that are not basic.
    fn resting_variables(&self) -> Bits {
        let slacks = ((1_u64 << M) - 1) << (N + 1);
        Bits((self.usable | (1 << Self::SLIDE) | slacks) & !self.basic)
    }

    /// Everything at rest: all slacks basic, all jets off.
    pub(super) fn rest(&mut self) {
        self.raised = 0;
        self.slack_basis();
        // No basic variable costs anything, so nothing is paid for any row.
        self.multipliers = [0.0; M];
        self.reduce();
        self.settle();
        self.fresh = true;
    }

    /// Multipliers that prove what the row at `position` says about the slide, such that they pay 1
    /// for it; unscaled.
    pub(super) fn ray(&self, position: usize) -> [f32; M] {
        let row = self.inverse.get(position).copied().unwrap_or([0.0; M]);
        let paid = dot(&row, &self.slide);
        let mut ray = [0.0; M];
        if paid != 0.0 {
            for ((ray, entry), scale) in ray.iter_mut().zip(&row).zip(&self.row_scale) {
                *ray = entry / paid * scale / self.demand_scale + 0.0;
            }
        }
        ray
    }

    fn slack_basis(&mut self) {
        self.basic = 0;
        for (row, (head, inverse)) in self.head.iter_mut().zip(&mut self.inverse).enumerate() {
            let slack = N + 1 + row;
            *head = slack as u8;
            self.basic |= 1 << slack;
            for (column, entry) in inverse.iter_mut().enumerate() {
                *entry = if column == row { -1.0 } else { 0.0 };
            }
        }
    }

    /// Goes back to an earlier basis.
    pub(super) fn return_to(&mut self, place: &Place<M>) {
        (self.head, self.raised) = (place.head, place.raised);
        self.rebuild();
    }

    /// Sets what is minimised; the basis stays.
    pub(super) fn set_objective(&mut self, objective: Objective) {
        self.objective = objective;
    }

    /// Factorises the basis anew from the original columns, then values, multipliers and bounds.
    pub(super) fn rebuild(&mut self) {
        let wanted = self.head;
        self.slack_basis();
        let kept = wanted.iter().fold(0_u64, |set, v| set | (1 << v));
        for variable in wanted.map(usize::from) {
            if variable > Self::SLIDE || self.basic & (1 << variable) != 0 {
                continue;
            }
            let column = self.times(&self.column(variable));
            let mut best = (0.0, M);
            for (position, (head, entry)) in self.head.iter().zip(&column).enumerate() {
                let free = kept & (1 << head) == 0 && usize::from(*head) > N;
                if free && entry.abs() > best.0 {
                    best = (entry.abs(), position);
                }
            }
            // A column that depends on those before it stays out; the slack keeps its place.
            if best.0 > 1.0e-5 {
                self.exchange(best.1, variable, &column);
            }
        }
        self.price();
        self.settle();
        self.fresh = true;
    }

    /// `B⁻¹ · v`.
    fn times(&self, v: &[f32; M]) -> [f32; M] {
        let mut out = [0.0; M];
        for (out, row) in out.iter_mut().zip(&self.inverse) {
            *out = dot(row, v);
        }
        out
    }

    /// Replaces the variable at `position` by `variable`, whose column in terms of the basis is given.
    fn exchange(&mut self, position: usize, variable: usize, column: &[f32; M]) {
        let (Some(pivot), Some(row)) = (column.get(position).copied(), self.inverse.get(position).copied())
        else {
            return;
        };
        let row = row.map(|entry| entry / pivot);
        for (index, (target, factor)) in self.inverse.iter_mut().zip(column).enumerate() {
            if index == position {
                *target = row;
            } else if *factor != 0.0 {
                for (entry, r) in target.iter_mut().zip(&row) {
                    *entry -= factor * r;
                }
            }
        }
        if let Some(head) = self.head.get_mut(position) {
            self.basic &= !(1 << *head);
            *head = variable as u8;
            self.basic |= 1 << variable;
        }
    }

    /// Multipliers and reduced costs from the inverse, with one step of refinement; then bounds.
    pub(super) fn price(&mut self) {
        let mut y = [0.0_f32; M];
        for _ in 0..=REFINEMENTS {
            let mut left = [0.0; M];
            for (left, head) in left.iter_mut().zip(&self.head) {
                let variable = usize::from(*head);
                *left = self.cost_less(variable, &y);
            }
            for (left, row) in left.iter().zip(&self.inverse) {
                if *left != 0.0 {
                    add(&mut y, row, *left);
                }
            }
        }
        for head in &self.head {
            // A basic slack has no price at all.
            if let Some(y) = usize::from(*head).checked_sub(N + 1).and_then(|row| y.get_mut(row)) {
                *y = 0.0;
            }
        }
        self.multipliers = y;
        self.reduce();
    }

    /// Reduced costs from the multipliers; then bounds.
    fn reduce(&mut self) {
        let y = self.multipliers;
        self.reduced = [0.0; N];
        self.slide_reduced = 0.0;
        for variable in self.resting_variables() {
            if variable <= Self::SLIDE {
                let reduced = self.cost_of(variable) - dot(&y, &self.column(variable));
                self.set_reduced(variable, reduced);
            }
        }
        self.take_right_side();
    }

    /// Cost of a variable less what the multipliers pay for its column.
    fn cost_less(&self, variable: usize, y: &[f32; M]) -> f32 {
        let mut left = Twofold::new(self.cost_of(variable));
        for (y, entry) in y.iter().zip(&self.column(variable)) {
            left.add_product(-*y, *entry);
        }
        left.value()
    }

    /// Moves non-basic variables whose reduced cost has the wrong sign to their other bound.
    fn take_right_side(&mut self) {
        let tolerance = WRONG_SIDE * self.largest_multiplier();
        for variable in self.resting_variables() {
            let bit = 1 << variable;
            let reduced = self.reduced_of(variable);
            if reduced > tolerance {
                self.raised &= !bit;
            } else if reduced < -tolerance {
                self.raised |= bit;
            }
        }
    }

    fn largest_multiplier(&self) -> f32 {
        largest(&self.multipliers)
    }

    /// Right-hand side and basic values from the original columns, refined against a residual in
    /// twice the precision.
    pub(super) fn settle(&mut self) {
        let mut exact = [Twofold::default(); M];
        for variable in self.resting_variables() {
            let resting = self.resting(variable);
            if resting != 0.0 {
                subtract(&mut exact, &self.column(variable), resting);
            }
        }
        self.rhs = exact.map(Twofold::value);
        self.value = self.times(&self.rhs);
        for _ in 0..REFINEMENTS {
            let mut left = exact;
            for (head, value) in self.head.iter().zip(&self.value) {
                subtract(&mut left, &self.column(usize::from(*head)), *value);
            }
            let correction = self.times(&left.map(Twofold::value));
            for (value, correction) in self.value.iter_mut().zip(&correction) {
                *value += correction;
            }
        }
    }

    /// Walks to the optimum; `forced` names the position that must leave first.
    pub(super) fn optimise(&mut self, forced: Option<usize>) -> End {
        let mut idle = 0_u16;
        let mut forced = forced;
        let mut tolerated = 0_u32;
        for _ in 0..PIVOTS_PER_SOLUTION {
            let lowest = idle > PATIENCE || self.rule == super::program::Rule::LowestIndex;
            let Some(position) = forced.take().or_else(|| self.leaving(lowest, tolerated)) else {
                if self.fresh {
                    return if tolerated == 0 { End::Optimal } else { self.judged() };
                }
                self.rebuild();
                tolerated = 0;
                continue;
            };
            match self.pivot(position, lowest) {
                Pivot::Done { gain } => {
                    idle = if gain { 0 } else { idle + 1 };
                    tolerated = 0;
                }
                Pivot::Tolerable => tolerated |= 1 << position,
                Pivot::Inaccurate | Pivot::Hopeless if !self.fresh => {
                    self.rebuild();
                    tolerated = 0;
                }
                Pivot::Inaccurate | Pivot::Hopeless => return self.judged(),
            }
        }
        End::Stalled
    }

    /// The end when not every row could be satisfied: what is delivered decides.
    fn judged(&self) -> End {
        if self.is_delivered() { End::Optimal } else { End::Infeasible }
    }

    /// Position of a row that cannot be satisfied, after [`End::Infeasible`]; `None` when each could be but
    /// for rounding.
    pub(super) fn contradiction(&self) -> Option<usize> {
        (0..M).find(|position| {
            let short = self.shortfall(*position);
            self.ratio_test(*position, short, false).is_err_and(|left| self.is_hopeless(*position, left))
        })
    }

    /// Whether a row that stays short by this much is so beyond rounding. A row of a nearly singular
    /// basis magnifies the rounding of the demand.
    fn is_hopeless(&self, position: usize, left: f32) -> bool {
        let stretch = self.inverse.get(position).map_or(1.0, |row| math::max(1.0, largest(row)));
        left > TOLERATED * stretch
    }

    /// How far the basic variable is below (positive) or above (negative) its bounds.
    fn shortfall(&self, position: usize) -> f32 {
        let (Some(head), Some(value)) = (self.head.get(position), self.value.get(position)) else {
            return 0.0;
        };
        let (low, high) = self.bounds(usize::from(*head));
        if *value < low - FEASIBLE {
            low - value
        } else if *value > high + FEASIBLE {
            high - value
        } else {
            0.0
        }
    }

    fn leaving(&self, lowest: bool, tolerated: u32) -> Option<usize> {
        let mut best: Option<(usize, f32)> = None;
        for (position, (head, row)) in self.head.iter().zip(&self.inverse).enumerate() {
            let short = self.shortfall(position);
            if short == 0.0 || tolerated & (1 << position) != 0 {
                continue;
            }
            let merit = if lowest { 1.0 / (1.0 + f32::from(*head)) } else { short * short / dot(row, row) };
            if best.is_none_or(|(_, m)| merit > m) {
                best = Some((position, merit));
            }
        }
        best.map(|(position, _)| position)
    }

    /// One pivot on the row at `position`.
    fn pivot(&mut self, position: usize, lowest: bool) -> Pivot {
        let short = self.shortfall(position);
        let step = match self.ratio_test(position, short, lowest) {
            Ok(step) => step,
            Err(left) if self.is_hopeless(position, left) => return Pivot::Hopeless,
            Err(_) => return Pivot::Tolerable,
        };
        let (Some(row), Some(head)) = (self.inverse.get(position).copied(), self.head.get(position)) else {
            return Pivot::Hopeless;
        };
        let leaving = usize::from(*head);
        let entering = self.column(step.entering);
        let column = self.times(&entering);
        let pivot = column.get(position).copied().unwrap_or(0.0);
        if pivot == 0.0 {
            return Pivot::Inaccurate;
        }
        self.pivots = self.pivots.saturating_add(1);
        self.fresh = false;
        let rate = self.reduced_of(step.entering) / pivot;
        self.step_reduced(&row, rate);
        self.cross(step.crossing);
        if short > 0.0 {
            self.raised &= !(1 << leaving)
        } else {
            self.raised |= 1 << leaving
        }
        let (enters_from, leaves_to) = (self.resting(step.entering), self.resting(leaving));
        add(&mut self.rhs, &entering, enters_from);
        let out = self.column(leaving);
        add(&mut self.rhs, &out, -leaves_to);
        self.exchange(position, step.entering, &column);
        self.set_reduced(leaving, -rate);
        self.set_reduced(step.entering, 0.0);
        self.value = self.times(&self.rhs);
        Pivot::Done { gain: rate != 0.0 }
    }

    fn step_reduced(&mut self, row: &[f32; M], rate: f32) {
        for (reduced, column) in self.reduced.iter_mut().zip(&self.columns) {
            *reduced -= rate * dot(row, column);
        }
        self.slide_reduced -= rate * dot(row, &self.slide);
        for (y, entry) in self.multipliers.iter_mut().zip(row) {
            *y += rate * entry;
        }
    }

    fn set_reduced(&mut self, variable: usize, reduced: f32) {
        if variable < N {
            if let Some(into) = self.reduced.get_mut(variable) {
                *into = reduced;
            }
        } else if variable == Self::SLIDE {
            self.slide_reduced = reduced;
        } else if let Some(into) = self.multipliers.get_mut(variable - N - 1) {
            *into = reduced;
        }
    }

    /// Moves a set of non-basic variables across their range.
    fn cross(&mut self, crossing: u64) {
        for variable in Bits(crossing) {
            let before = self.resting(variable);
            self.raised ^= 1 << variable;
            let after = self.resting(variable);
            let column = self.column(variable);
            add(&mut self.rhs, &column, before - after);
        }
    }

    /// Breakpoints of the dual step for the row at `position`.
    fn candidates(&self, position: usize, short: f32, tolerance: f32) -> Vec<Candidate, VARIABLES> {
        let mut list = Vec::new();
        let Some(row) = self.inverse.get(position) else {
            return list;
        };
        let noise = NOISE * largest(row);
        for variable in self.resting_variables() {
            let bit = 1_u64 << variable;
            let (low, high) = self.bounds(variable);
            if low >= high {
                continue;
            }
            let up = self.raised & bit != 0;
            let entry = dot(row, &self.column(variable));
            let entry = if up == (short > 0.0) { entry } else { -entry };
            if entry > noise {
                let reduced = self.reduced_of(variable);
                let reduced = math::max(if up { -reduced } else { reduced }, 0.0);
                let candidate = Candidate {
                    variable: variable as u8,
                    entry,
                    ratio: reduced / entry,
                    relaxed: (reduced + tolerance) / entry,
                    gain: entry * (high - low),
                };
                // Cannot fail: there is room for every variable.
                let _ = list.push(candidate);
            }
        }
        list
    }

    /// The entering variable.
    ///
    /// # Errors
    /// By how much the row stays short when everything that helps has moved.
    fn ratio_test(&self, position: usize, short: f32, lowest: bool) -> Result<Step, f32> {
        let tolerance = if lowest { 0.0 } else { HARRIS * self.largest_multiplier() };
        let list = self.candidates(position, short, tolerance);
        let mut slope = short.abs();
        let mut passed = 0_u64;
        let mut crossing = 0_u64;
        let mut best: Option<(Candidate, u64)> = None;
        for _ in 0..list.len() {
            let left = || list.iter().filter(|c| passed & (1 << c.variable) == 0);
            let Some(bound) = left().map(|c| c.relaxed).reduce(math::min) else {
                break;
            };
            let mut chosen: Option<Candidate> = None;
            let mut gain = 0.0;
            for candidate in left().filter(|c| c.ratio <= bound) {
                gain += candidate.gain;
                crossing |= 1 << candidate.variable;
                if chosen.is_none_or(|c| !lowest && candidate.entry > c.entry) {
                    chosen = Some(*candidate);
                }
            }
            let Some(chosen) = chosen else { break };
            if best.is_none_or(|(b, _)| chosen.entry > POOR_PIVOT * b.entry) {
                best = Some((chosen, passed));
            }
            slope -= gain;
            passed = crossing;
            if slope <= 0.0 {
                break;
            }
        }
        match best {
            Some((chosen, crossing)) if slope <= TOLERATED + ROUNDED * short.abs() => {
                Ok(Step { entering: usize::from(chosen.variable), crossing })
            }
            _ => Err(slope),
        }
    }
}

/// Largest magnitude.
fn largest<const M: usize>(x: &[f32; M]) -> f32 {
    x.iter().fold(0.0, |top, x| math::max(top, x.abs()))
}

/// Scalar product.
fn dot<const M: usize>(a: &[f32; M], b: &[f32; M]) -> f32 {
    a.iter().zip(b).fold(0.0, |sum, (a, b)| sum + a * b)
}

/// `into += factor · column`.
fn add<const M: usize>(into: &mut [f32; M], column: &[f32; M], factor: f32) {
    for (into, entry) in into.iter_mut().zip(column) {
        *into += factor * entry;
    }
}

/// `from −= factor · column`.
fn subtract<const M: usize>(from: &mut [Twofold; M], column: &[f32; M], factor: f32) {
    for (from, entry) in from.iter_mut().zip(column) {
        from.add_product(-factor, *entry);
    }
}
