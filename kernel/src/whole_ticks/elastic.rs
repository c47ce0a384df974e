//! The relaxation's solver: least price of any on-times when what is left over of each row has a price.
//!
//! Minimised is `Σ_j price_j·t_j + Σ_i left_over_price_i·|left_i|` over `0 ≤ t_j ≤ limit_j`. It always has an answer, and
//! all that is asked of it is multipliers for Lagrange's bound and on-times worth rounding: nothing hangs on its own
//! accuracy. So it is much smaller and quicker than [`crate::selection`], which must prove what it says.
//!
//! **Method.** Bounded dual simplex on a condensed tableau as there, with long steps. What is left over is no
//! variable of its own: a row's value may stand beyond its range and then has its left-over price for a slope, which
//! bounds the row's multiplier (three straight pieces in the manner of R. Fourer, "A simplex algorithm for
//! piecewise-linear programming", *Mathematical Programming* 33, 1985). Any old basis is dual feasible for new limits and a
//! new demand, so a node of the search goes on from the last one with a pivot or two.

use super::TickProblem;
use crate::math;
use crate::selection::Demand;

/// Steps allowed for one answer.
const ALLOWANCE: u16 = 48;
/// Exchanges after which the tableau is laid out anew.
const WORN: u16 = 64;
/// Values may be this far outside their bounds, as a share of what is wanted.
const FEASIBLE: f32 = 1.0e-6;
/// Entries below this share of the row's largest are no pivots.
const TINY: f32 = 1.0e-5;

/// Where a basic row's value stands: short of its range, within it, or beyond it.
type Piece = f32;
const SHORT: Piece = -1.0;
const WITHIN: Piece = 0.0;
const BEYOND: Piece = 1.0;

/// The basis, its tableau, and the answer. Variables are the jets (`0..N`) and the value of each row (`N..N + M`).
pub(super) struct Elastic<const M: usize, const N: usize> {
    /// Per basic variable: what it gains per unit of what rests in each slot. Rows are scaled.
    cells: [[f32; N]; M],
    /// Reduced cost of what rests in each slot; of a row its multiplier, scaled.
    reduced: [f32; N],
    resting: [u8; N],
    basic: [u8; M],
    /// Values of the basic variables.
    value: [f32; M],
    /// Piece in which each row's value stands while it is basic.
    piece: [Piece; M],
    /// Jets and rows that rest at their high bound.
    raised: u32,
    raised_rows: u32,
    /// Longest on-times, s, and row ranges, scaled.
    limit: [f32; N],
    low: [f32; M],
    high: [f32; M],
    /// Left-over prices, scaled; one over the unit of each row.
    price: [f32; M],
    per_unit: [f32; M],
    /// One over the largest scaled entry of each jet.
    weakness: [f32; N],
    /// What is wanted, scaled, s.
    size: f32,
    /// Exchanges since the tableau was laid out.
    worn: u16,
}

/// Most rows of a demand.
pub(super) const ROWS: usize = 7;

/// Which variables are basic, and the pieces in which rows stand; the rest follows from the problem.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Basis {
    basic: [u8; ROWS],
    piece: [i8; ROWS],
}

impl Basis {
    /// No jet is basic.
    pub(super) const ROWS: Self = Self { basic: [u8::MAX; ROWS], piece: [0; ROWS] };
}

/// Where the dual step reaches something that rests.
#[derive(Clone, Copy)]
struct Breakpoint {
    /// Length of the step.
    at: f32,
    /// How far it may move then without entering.
    range: f32,
    /// Piece in which a row's value would enter.
    piece: Piece,
}

impl Breakpoint {
    const NEVER: Self = Self { at: f32::INFINITY, range: 0.0, piece: WITHIN };
}

/// Entry of an array; zero beyond.
#[inline(always)]
fn at<const L: usize>(array: &[f32; L], index: usize) -> f32 {
    array.get(index).copied().unwrap_or(0.0)
}

impl<const M: usize, const N: usize> Elastic<M, N> {
    /// All jets at rest, nothing paid for any row.
    pub(super) fn new(problem: &TickProblem<M>) -> Self {
        let mut new = Self {
            cells: [[0.0; N]; M],
            reduced: [0.0; N],
            resting: [0; N],
            basic: [0; M],
            value: [0.0; M],
            piece: [WITHIN; M],
            raised: 0,
            raised_rows: 0,
            limit: [0.0; N],
            low: [0.0; M],
            high: [0.0; M],
            price: [0.0; M],
            per_unit: [1.0; M],
            weakness: [0.0; N],
            size: 0.0,
            worn: 0,
        };
        let mut peak = [0.0_f32; M];
        for (_, column) in problem.columns.iter().enumerate().filter(|(j, _)| problem.usable.contains(*j)) {
            for (peak, entry) in peak.iter_mut().zip(column) {
                *peak = math::max(entry.abs(), *peak);
            }
        }
        let units = new.per_unit.iter_mut().zip(&mut new.price);
        for ((per_unit, into), (peak, price)) in units.zip(peak.iter().zip(problem.left_over_price)) {
            *per_unit = if *peak > 0.0 { 1.0 / peak } else { 1.0 };
            *into = price / *per_unit;
        }
        new.lay_out(problem);
        new
    }

    /// The tableau of the columns themselves: every row's value basic, every jet at rest.
    fn lay_out(&mut self, problem: &TickProblem<M>) {
        self.cells = [[0.0; N]; M];
        self.reduced = [0.0; N];
        for (j, (column, price)) in problem.columns.iter().zip(problem.price).enumerate() {
            if !problem.usable.contains(j) {
                continue;
            }
            let mut strength = 0.0;
            for ((row, entry), per_unit) in self.cells.iter_mut().zip(column).zip(&self.per_unit) {
                let cell = entry * per_unit;
                strength = math::max(cell.abs(), strength);
                if let Some(into) = row.get_mut(j) {
                    *into = cell;
                }
            }
            if let (Some(reduced), Some(weakness)) = (self.reduced.get_mut(j), self.weakness.get_mut(j)) {
                *reduced = *price;
                *weakness = if strength > 0.0 { 1.0 / strength } else { 0.0 };
            }
        }
        for (slot, resting) in self.resting.iter_mut().enumerate() {
            *resting = slot as u8;
        }
        for (row, basic) in self.basic.iter_mut().enumerate() {
            *basic = (N + row) as u8;
        }
        self.piece = [WITHIN; M];
        (self.raised, self.raised_rows, self.worn) = (0, 0, 0);
    }

    /// Another longest on-time for a jet, s.
    pub(super) fn limit(&mut self, jet: usize, longest_s: f32) {
        if let Some(limit) = self.limit.get_mut(jet) {
            *limit = longest_s;
        }
    }

    /// Answers for another demand and the limits at hand, from the basis at hand.
    pub(super) fn answer(&mut self, problem: &TickProblem<M>, demand: &Demand<M>) {
        if self.worn >= WORN {
            self.lay_out(problem);
        }
        self.size = problem.tick_s;
        let edges = self.low.iter_mut().zip(&mut self.high).zip(demand.low.iter().zip(&demand.high));
        for (((into_low, into_high), (low, high)), per_unit) in edges.zip(&self.per_unit) {
            (*into_low, *into_high) = (low * per_unit, high * per_unit);
            for edge in [*into_low, *into_high] {
                if edge.is_finite() {
                    self.size = math::max(edge.abs(), self.size);
                }
            }
        }
        self.settle();
        for _ in 0..ALLOWANCE {
            let Some((position, short)) = self.leaving() else { return };
            if !self.step(position, short) {
                return;
            }
        }
    }

    /// On-time of a jet, s, within its limit.
    pub(super) fn on_times(&self) -> [f32; N] {
        let mut times = [0.0; N];
        for (j, (time, limit)) in times.iter_mut().zip(&self.limit).enumerate() {
            *time = if self.raised & (1 << j) != 0 { *limit } else { 0.0 };
        }
        for (basic, value) in self.basic.iter().zip(&self.value) {
            if let Some((time, limit)) =
                times.get_mut(usize::from(*basic)).zip(self.limit.get(usize::from(*basic)))
            {
                *time = math::clamp(*value, 0.0, *limit);
            }
        }
        times
    }

    /// The multipliers per unit of each row, refined once against the columns.
    pub(super) fn multipliers(&self, problem: &TickProblem<M>) -> [f32; M] {
        let mut y = [0.0; M];
        for (row, y) in y.iter_mut().enumerate() {
            *y = -at(&self.piece, row) * at(&self.price, row) * at(&self.per_unit, row);
        }
        for (variable, reduced) in self.resting.iter().zip(&self.reduced) {
            if let Some(row) = usize::from(*variable).checked_sub(N)
                && let Some(y) = y.get_mut(row)
            {
                *y = reduced * at(&self.per_unit, row);
            }
        }
        let mut left = [0.0; M];
        for (left, basic) in left.iter_mut().zip(&self.basic) {
            let jet = usize::from(*basic);
            if let Some((column, price)) = problem.columns.get(jet).zip(problem.price.get(jet)) {
                *left = column.iter().zip(&y).fold(*price, |left, (entry, y)| left - entry * y);
            }
        }
        for (slot, variable) in self.resting.iter().enumerate() {
            if let Some(row) = usize::from(*variable).checked_sub(N)
                && let Some(y) = y.get_mut(row)
            {
                let more =
                    self.cells.iter().zip(&left).fold(0.0, |sum, (row, left)| sum + at(row, slot) * left);
                *y += more * at(&self.per_unit, row);
            }
        }
        y
    }

    /// Bounds between which a resting variable moves.
    #[inline(always)]
    fn bounds(&self, variable: usize) -> (f32, f32) {
        match variable.checked_sub(N) {
            None => (0.0, at(&self.limit, variable)),
            Some(row) => (at(&self.low, row), at(&self.high, row)),
        }
    }

    /// Bounds of a basic variable: a row's value has those of its piece.
    #[inline(always)]
    fn basic_bounds(&self, variable: usize) -> (f32, f32) {
        let (low, high) = self.bounds(variable);
        match variable.checked_sub(N) {
            None => (low, high),
            Some(row) => {
                let piece = at(&self.piece, row);
                if piece == WITHIN {
                    (low, high)
                } else if piece == SHORT {
                    (f32::NEG_INFINITY, low)
                } else {
                    (high, f32::INFINITY)
                }
            }
        }
    }

    #[inline(always)]
    fn is_raised(&self, variable: usize) -> bool {
        match variable.checked_sub(N) {
            None => self.raised & (1 << variable) != 0,
            Some(row) => self.raised_rows & (1 << row) != 0,
        }
    }

    #[inline(always)]
    fn raise(&mut self, variable: usize, up: bool) {
        let (set, bit) = match variable.checked_sub(N) {
            None => (&mut self.raised, 1 << variable),
            Some(row) => (&mut self.raised_rows, 1 << row),
        };
        if up { *set |= bit } else { *set &= !bit }
    }

    #[inline(always)]
    fn variable(&self, slot: usize) -> usize {
        self.resting.get(slot).map_or(0, |variable| usize::from(*variable))
    }

    /// Lets what rests rest where its reduced cost asks it to; values of what is basic.
    fn settle(&mut self) {
        self.value = [0.0; M];
        (self.raised, self.raised_rows) = (0, 0);
        for slot in 0..N {
            let variable = self.variable(slot);
            let (low, high) = self.bounds(variable);
            let up = (at(&self.reduced, slot) < 0.0 && high < f32::INFINITY) || low == f32::NEG_INFINITY;
            let rest = if up { high } else { low };
            if rest != 0.0 {
                self.push(slot, rest);
            }
            if up {
                self.raise(variable, true);
            }
        }
    }

    /// Moves what rests in a slot by so much.
    #[inline(always)]
    fn push(&mut self, slot: usize, by: f32) {
        for (value, row) in self.value.iter_mut().zip(&self.cells) {
            *value += at(row, slot) * by;
        }
    }

    /// The basic variable furthest outside its bounds, and how far it is below (positive) or above them.
    fn leaving(&self) -> Option<(usize, f32)> {
        let mut best = None;
        let mut most = FEASIBLE * self.size;
        for (position, (value, basic)) in self.value.iter().zip(&self.basic).enumerate() {
            let variable = usize::from(*basic);
            let (low, high) = self.basic_bounds(variable);
            let short = if *value < low { low - value } else { math::min(high - value, 0.0) };
            let merit = if variable < N {
                // In units of what it does.
                short.abs() / math::max(at(&self.weakness, variable), f32::MIN_POSITIVE)
            } else {
                short.abs()
            };
            if merit > most {
                (best, most) = (Some((position, short)), merit);
            }
        }
        best
    }

    /// One dual step: bounds crossed, then an exchange or another piece. `false` when nothing helps any more.
    fn step(&mut self, position: usize, short: f32) -> bool {
        let Some(row) = self.cells.get(position).copied() else { return false };
        let leaving = self.basic.get(position).map_or(0, |basic| usize::from(*basic));
        let sign = if short > 0.0 { 1.0 } else { -1.0 };
        let own = leaving.checked_sub(N).map_or(f32::INFINITY, |row| at(&self.price, row));
        let mut reached: [Breakpoint; N] = [Breakpoint::NEVER; N];
        let tiny = TINY * row.iter().fold(0.0, |most, entry| math::max(entry.abs(), most));
        for (slot, (reached, entry)) in reached.iter_mut().zip(&row).enumerate() {
            if entry.abs() > tiny {
                *reached = self.breakpoint(slot, entry * sign, false);
            }
        }
        let mut crossed = 0_u32;
        let mut slope = short.abs();
        for _ in 0..N + M {
            let mut next = (own, N);
            for (slot, reached) in reached.iter().enumerate() {
                if reached.at < next.0 {
                    next = (reached.at, slot);
                }
            }
            let slot = next.1;
            let Some(Breakpoint { range, piece, .. }) = reached.get(slot).copied() else {
                if own == f32::INFINITY {
                    return false;
                }
                self.cross(crossed, &row, sign);
                self.take_piece(leaving - N, &row, sign);
                return true;
            };
            slope -= at(&row, slot).abs() * range;
            if slope <= 0.0 {
                self.cross(crossed & !(1 << slot), &row, sign);
                self.exchange(position, (slot, piece), short, &row);
                return true;
            }
            crossed |= 1 << slot;
            let beyond = if self.variable(slot) < N {
                Breakpoint::NEVER
            } else {
                self.breakpoint(slot, at(&row, slot) * sign, true)
            };
            if let Some(reached) = reached.get_mut(slot) {
                *reached = beyond;
            }
        }
        false
    }

    /// Where the dual step reaches what rests in a slot.
    ///
    /// * `entry` — of the row that leaves, positive where raising helps; `crossed` — a row has crossed its range.
    #[inline(always)]
    fn breakpoint(&self, slot: usize, entry: f32, crossed: bool) -> Breakpoint {
        let variable = self.variable(slot);
        let reduced = at(&self.reduced, slot);
        let Some(row) = variable.checked_sub(N) else {
            let limit = at(&self.limit, variable);
            let raised = self.is_raised(variable);
            // At rest below it can only be raised, at rest above only be lowered.
            if !(limit > 0.0) || (entry > 0.0) == raised {
                return Breakpoint::NEVER;
            }
            let cost = if raised { -reduced } else { reduced };
            return Breakpoint { at: math::max(cost, 0.0) / entry.abs(), range: limit, piece: WITHIN };
        };
        let range = at(&self.high, row) - at(&self.low, row);
        let outwards = (entry > 0.0) == self.is_raised(variable);
        let towards = if entry > 0.0 { reduced } else { -reduced };
        if range > 0.0 && !outwards && !crossed {
            return Breakpoint { at: math::max(towards, 0.0) / entry.abs(), range, piece: WITHIN };
        }
        let most = math::max(towards + at(&self.price, row), 0.0);
        let piece = if entry > 0.0 { BEYOND } else { SHORT };
        Breakpoint { at: most / entry.abs(), range: f32::INFINITY, piece }
    }

    /// Moves what rests in these slots across its range.
    fn cross(&mut self, slots: u32, row: &[f32; N], sign: f32) {
        for slot in (0..N).filter(|slot| slots & (1 << slot) != 0) {
            let variable = self.variable(slot);
            let (low, high) = self.bounds(variable);
            let up = at(row, slot) * sign > 0.0;
            self.push(slot, if up { high - low } else { low - high });
            self.raise(variable, up);
        }
    }

    /// What is left over of a basic row is paid for, or no more.
    fn take_piece(&mut self, row: usize, cells: &[f32; N], sign: f32) {
        self.credit(sign * at(&self.price, row), cells);
        if let Some(piece) = self.piece.get_mut(row) {
            *piece -= sign;
        }
    }

    /// Slope of a row's price in its piece; zero for a jet.
    #[inline(always)]
    fn slope(&self, variable: usize) -> f32 {
        variable.checked_sub(N).map_or(0.0, |row| at(&self.piece, row) * at(&self.price, row))
    }

    /// Exchanges the basic variable at a position with what enters.
    fn exchange(&mut self, position: usize, (slot, piece): (usize, Piece), short: f32, row: &[f32; N]) {
        let leaving = self.basic.get(position).map_or(0, |basic| usize::from(*basic));
        let variable = self.variable(slot);
        let (low, high) = self.basic_bounds(leaving);
        let target = if short > 0.0 { low } else { high };
        let inverse = 1.0 / at(row, slot);
        let moved = (target - at(&self.value, position)) * inverse;
        let (rest_low, rest_high) = self.bounds(variable);
        let from = if self.is_raised(variable) { rest_high } else { rest_low };
        self.push(slot, moved);
        if let Some(value) = self.value.get_mut(position) {
            *value = from + moved;
        }
        // A row at rest has its multiplier for a reduced cost: without the slope of its piece.
        let leaving_slope = self.slope(leaving);
        if let Some(into) = variable.checked_sub(N).and_then(|row| self.piece.get_mut(row)) {
            *into = piece;
        }
        let rate = (at(&self.reduced, slot) + self.slope(variable)) * inverse;
        self.credit(rate, row);
        if let Some(reduced) = self.reduced.get_mut(slot) {
            *reduced = rate - leaving_slope;
        }
        let up = match leaving.checked_sub(N).map(|row| at(&self.piece, row)) {
            Some(piece) if piece != WITHIN => piece == BEYOND,
            _ => !(short > 0.0),
        };
        self.replace(position, slot, row);
        self.raise(variable, false);
        self.raise(leaving, up);
        if let Some(into) = leaving.checked_sub(N).and_then(|row| self.piece.get_mut(row)) {
            *into = WITHIN;
        }
    }

    /// Takes so much per unit of a basic variable off the reduced costs; `row` is its row of the tableau.
    fn credit(&mut self, rate: f32, row: &[f32; N]) {
        for (reduced, cell) in self.reduced.iter_mut().zip(row) {
            *reduced -= rate * cell;
        }
    }

    /// Exchanges two variables in the tableau; `row` is that of the one at the position.
    fn replace(&mut self, position: usize, slot: usize, row: &[f32; N]) {
        let inverse = 1.0 / at(row, slot);
        for (index, cells) in self.cells.iter_mut().enumerate() {
            let factor = at(cells, slot);
            if index == position {
                for cell in cells.iter_mut() {
                    *cell *= -inverse;
                }
            } else if factor != 0.0 {
                let by = factor * inverse;
                for (cell, leaving) in cells.iter_mut().zip(row) {
                    *cell -= by * leaving;
                }
            }
            if let Some(cell) = cells.get_mut(slot) {
                *cell = if index == position { inverse } else { factor * inverse };
            }
        }
        if let (Some(basic), Some(resting)) = (self.basic.get_mut(position), self.resting.get_mut(slot)) {
            core::mem::swap(basic, resting);
        }
        self.worn += 1;
    }

    /// The basis at hand, to go on from later.
    pub(super) fn basis(&self) -> Basis {
        let mut basis = Basis::ROWS;
        for (into, basic) in basis.basic.iter_mut().zip(&self.basic) {
            *into = *basic;
        }
        for (into, piece) in basis.piece.iter_mut().zip(&self.piece) {
            *into = *piece as i8;
        }
        basis
    }

    /// Goes back to a basis, from the tableau as it was laid out. Jets that depend on others stay out of it.
    pub(super) fn restore(&mut self, basis: &Basis) {
        let wanted = basis.basic.iter().take(M).map(|basic| usize::from(*basic));
        let kept = wanted.clone().filter(|v| *v >= N && *v < N + M).fold(0_u64, |kept, v| kept | 1 << v);
        for slot in wanted.filter(|v| *v < N) {
            let mut best = (TINY, M);
            for (position, (basic, row)) in self.basic.iter().zip(&self.cells).enumerate() {
                let entry = at(row, slot).abs();
                if usize::from(*basic) >= N && kept & (1 << *basic) == 0 && entry > best.0 {
                    best = (entry, position);
                }
            }
            let Some(row) = self.cells.get(best.1).copied() else { continue };
            let rate = at(&self.reduced, slot) / at(&row, slot);
            self.credit(rate, &row);
            if let Some(reduced) = self.reduced.get_mut(slot) {
                *reduced = rate;
            }
            self.replace(best.1, slot, &row);
        }
        for position in 0..M {
            let row = self.basic.get(position).and_then(|basic| usize::from(*basic).checked_sub(N));
            let piece = row.and_then(|row| basis.piece.get(row)).map_or(WITHIN, |piece| f32::from(*piece));
            if let (Some(row), Some(cells), true) = (row, self.cells.get(position).copied(), piece != WITHIN)
            {
                self.take_piece(row, &cells, -piece);
            }
        }
        self.worn = 0;
    }
}
