//! Bounded dual simplex on the condensed tableau, with a long-step ratio test.
//!
//! Every variable has two bounds, so any basis becomes dual feasible by letting each resting variable
//! rest at the bound its reduced cost asks for: there is no first phase, and a walk goes on from any basis, an old
//! one included. A basic variable out of its bounds leaves; the variable to enter is found by walking the
//! breakpoints of the dual step, moving resting variables across their range as long as the row stays
//! short (long step), with a tolerance in the manner of Harris taken over all candidates that are left. After a run
//! of pivots that gain nothing, the lowest index decides (Bland), which is finite.
//!
//! The walk reckons in `f32` or in pairs of them ([`Number`]); problem and answer are `f32` in either case.

use super::Rule;
use super::number::{Number, Trust};
use super::offer::Offer;
use super::tableau::Tableau;
use super::twofold::Twofold;
use crate::math;

/// A pivot below this share of the largest one passed is given up for the larger one.
const POOR_PIVOT: f32 = 1.0e-2;

/// What is let off is more than rounding asks for by this factor.
const LET_OFF_MARGIN: f32 = 1.25;

/// Pivots without gain before the lowest index decides.
const PATIENCE: u16 = 12;

/// Exchanges after which a basis is factorised anew.
const WORN: u16 = 40;

/// Steps of refinement of multipliers and of basic values.
const REFINEMENTS: u32 = 3;

/// On-times that gather this many times what is served are summed in twice the precision.
pub(super) const CANCELLING: f32 = 8.0;

/// How a walk ended.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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

/// A variable to enter and those that move across before it, by slot.
struct Step {
    slot: usize,
    crossing: u32,
}

/// What jets deliver.
#[derive(Clone, Copy)]
pub(super) struct Delivered<const M: usize> {
    /// Sum per row, unscaled.
    pub(super) rows: [f32; M],
    /// Most that a row gathers, signs aside, scaled.
    pub(super) gathered: f32,
}

/// One selection under way: the problem, the ranges in force, and the state of the basis.
pub(super) struct Walk<'a, const M: usize, const N: usize, S = f32> {
    pub(super) tableau: &'a mut Tableau<M, N, S>,
    pub(super) offer: &'a Offer<M, N>,
    /// Row ranges in force, scaled.
    pub(super) low: [S; M],
    pub(super) high: [S; M],
    /// Size of what is served, scaled, s; and longest on-time times strength, s.
    pub(super) size: f32,
    pub(super) longest: f32,
    /// Basic values, their bounds, and how far they may be outside; by position.
    value: [S; M],
    floor: [S; M],
    ceiling: [S; M],
    room: [f32; M],
    /// Reduced costs of jets, where they are known; those of slacks are the multipliers in the tableau.
    pub(super) by_jet: [S; N],
    /// Jets whose reduced cost is below zero.
    pub(super) gaining: u32,
    pub(super) priced: bool,
    /// Reduced cost, range, and direction (1 up, -1 down, 0 for no range) of what rests; by slot.
    reduced: [S; N],
    range: [S; N],
    side: [f32; N],
    armed: bool,
    ranged: bool,
    /// Whether multipliers and values are fresh: no exchange since.
    pub(super) fresh: bool,
    /// What the on-times deliver per row, as last looked at.
    pub(super) achieved: [f32; M],
    pub(super) rule: Rule,
    /// How far rows are let off for rounding's sake, scaled.
    pub(super) let_off: f32,
    /// Steps that may be taken, and how many of them are left.
    granted: u16,
    pub(super) allowance: u16,
    pub(super) trust: Trust,
    idle: u16,
}

/// The members of a set, lowest first.
#[derive(Clone, Copy)]
pub(super) struct Bits(pub(super) u32);

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

/// 1 with the sign of a number: out of its bits, so that loops multiply by it instead of choosing.
#[inline(always)]
fn sign_of(x: f32) -> f32 {
    f32::from_bits(1.0_f32.to_bits() | x.to_bits() & (1 << 31))
}

/// Entry of an array; zero beyond.
#[inline(always)]
pub(super) fn at<S: Number, const L: usize>(array: &[S; L], index: usize) -> S {
    array.get(index).copied().unwrap_or(S::ZERO)
}

impl<'a, const M: usize, const N: usize, S: Number> Walk<'a, M, N, S> {
    pub(super) fn new(tableau: &'a mut Tableau<M, N, S>, offer: &'a Offer<M, N>, allowance: u16) -> Self {
        Self {
            tableau,
            offer,
            low: [S::ZERO; M],
            high: [S::ZERO; M],
            size: 0.0,
            longest: 0.0,
            value: [S::ZERO; M],
            floor: [S::ZERO; M],
            ceiling: [S::ZERO; M],
            room: [0.0; M],
            by_jet: [S::ZERO; N],
            gaining: 0,
            priced: false,
            reduced: [S::ZERO; N],
            range: [S::ZERO; N],
            side: [0.0; N],
            armed: false,
            ranged: false,
            fresh: false,
            achieved: [0.0; M],
            rule: Rule::Largest,
            let_off: 0.0,
            granted: allowance,
            allowance,
            trust: S::TRUST,
            idle: 0,
        }
    }

    /// Pivots and other steps taken.
    pub(super) fn steps(&self) -> u16 {
        self.granted - self.allowance
    }

    /// Longest on-time of a jet, s.
    #[inline(always)]
    pub(super) fn upper(&self, jet: usize) -> f32 {
        math::min(at(&self.offer.limit, jet), self.longest * self.offer.weakness(jet))
    }

    /// One over the strength of a variable; rows have strength 1.
    #[inline(always)]
    fn weakness(&self, variable: usize) -> f32 {
        self.offer.weakness.get(variable).map_or(1.0, |power| power.value())
    }

    #[inline(always)]
    fn bounds(&self, variable: usize) -> (S, S) {
        if variable < N {
            (S::ZERO, S::of(self.upper(variable)))
        } else {
            (at(&self.low, variable - N), at(&self.high, variable - N))
        }
    }

    #[inline(always)]
    fn basic(&self, position: usize) -> usize {
        self.tableau.basic.get(position).map_or(0, |v| usize::from(*v))
    }

    #[inline(always)]
    fn resting(&self, slot: usize) -> usize {
        self.tableau.resting.get(slot).map_or(0, |v| usize::from(*v))
    }

    /// Slot of a row's slack, when it rests.
    #[inline(always)]
    fn seat(&self, row: usize) -> Option<usize> {
        self.tableau.seat.get(row).map(|slot| usize::from(*slot)).filter(|slot| *slot < N)
    }

    #[inline(always)]
    fn is_raised(&self, variable: usize) -> bool {
        if variable < N {
            self.tableau.raised & (1 << variable) != 0
        } else {
            self.tableau.raised_rows & (1 << (variable - N)) != 0
        }
    }

    #[inline]
    fn raise(&mut self, variable: usize, up: bool) {
        let (set, bit) = if variable < N {
            (&mut self.tableau.raised, 1 << variable)
        } else {
            (&mut self.tableau.raised_rows, 1 << (variable - N))
        };
        if up { *set |= bit } else { *set &= !bit }
    }

    /// Where a resting variable rests.
    #[inline]
    fn rest(&self, variable: usize) -> S {
        let (low, high) = self.bounds(variable);
        if self.is_raised(variable) { high } else { low }
    }

    /// Jets that are basic.
    #[inline]
    fn basic_jets(&self) -> u32 {
        let jets = self.tableau.basic.iter().filter(|v| usize::from(**v) < N);
        jets.fold(0, |set, v| set | 1 << *v)
    }

    /// Starts with all jets at rest: nothing is paid for any row.
    pub(super) fn start(&mut self) {
        self.tableau.lay_out(self.offer);
        self.tableau.multiplier = [S::ZERO; M];
        self.by_jet = self.offer.price.map(S::of);
        self.gaining = 0;
        (self.armed, self.ranged, self.fresh, self.priced) = (false, false, true, true);
    }

    /// Factorises the basis anew.
    pub(super) fn rebuild(&mut self, dependent: f32) {
        self.tableau.rebuild(self.offer, dependent);
        (self.armed, self.ranged) = (false, false);
    }

    /// The multipliers per unit of each row.
    #[inline]
    pub(super) fn row_multipliers(&self) -> [S; M] {
        let mut y = self.tableau.multiplier;
        for (y, per_unit) in y.iter_mut().zip(&self.offer.per_unit) {
            *y = y.scaled(*per_unit);
        }
        y
    }

    /// Multipliers and reduced costs from the basis and the original columns, refined where they need it.
    pub(super) fn reprice(&mut self) {
        (self.armed, self.fresh, self.priced) = (false, true, true);
        self.tableau.clean = false;
        self.tableau.multiplier = [S::ZERO; M];
        let mut left = [S::ZERO; M];
        for (left, basic) in left.iter_mut().zip(&self.tableau.basic) {
            *left = S::of(at(&self.offer.price, usize::from(*basic)));
        }
        for round in 0..REFINEMENTS {
            self.credit(&left);
            self.price_jets();
            let mut worst = 0.0;
            for (left, basic) in left.iter_mut().zip(&self.tableau.basic) {
                *left = at(&self.by_jet, usize::from(*basic));
                worst = math::max(left.rounded().abs(), worst);
            }
            if worst <= self.trust.mispriced * self.offer.dearest || round + 1 == REFINEMENTS {
                break;
            }
        }
    }

    /// Reduced costs of all jets by the multipliers.
    #[inline]
    fn price_jets(&mut self) {
        let y = self.row_multipliers();
        self.gaining = 0;
        let jets = self.by_jet.iter_mut().zip(&self.offer.columns).zip(&self.offer.price);
        for (jet, ((by_jet, column), price)) in jets.enumerate() {
            *by_jet = S::of(*price) - dot(&y, column);
            self.gaining |= u32::from(*by_jet < S::ZERO) << jet;
        }
        self.priced = true;
    }

    /// Sees to it that the reduced costs of jets are known.
    #[inline]
    pub(super) fn know_prices(&mut self) {
        if !self.priced {
            self.price_jets();
        }
    }

    /// Goes on from the basis, the multipliers and the sides that the last selection ended with.
    pub(super) fn recall(&mut self) {
        (self.armed, self.ranged, self.fresh, self.priced) = (false, false, true, false);
        // What was a point may be a range now.
        self.take_edges(S::ZERO);
    }

    /// Adds to the multipliers of resting slacks what pays for these costs of the basic variables.
    #[inline]
    fn credit(&mut self, left: &[S; M]) {
        for (y, seat) in self.tableau.multiplier.iter_mut().zip(&self.tableau.seat) {
            let slot = usize::from(*seat);
            if slot < N {
                for (row, left) in self.tableau.cells.iter().zip(left) {
                    *y = *y + at(row, slot) * *left;
                }
            }
        }
    }

    /// Lets every resting variable rest where its reduced cost asks it to; whether one has moved across.
    #[inline]
    pub(super) fn take_sides(&mut self) -> bool {
        let before = (self.tableau.raised, self.tableau.raised_rows);
        let tolerance = S::of(self.trust.wrong_side * self.offer.dearest);
        let basic = self.basic_jets();
        let at_rest = self.offer.print.usable & !basic & !self.tableau.raised;
        let mut raised = self.tableau.raised & !basic;
        for jet in Bits(self.gaining & at_rest) {
            raised |= u32::from(at(&self.by_jet, jet) < -tolerance) << jet;
        }
        for jet in Bits(self.tableau.raised) {
            raised &= !(u32::from(at(&self.by_jet, jet) > tolerance) << jet);
        }
        self.tableau.raised = raised;
        self.take_edges(tolerance);
        self.ranged = false;
        before != (self.tableau.raised, self.tableau.raised_rows)
    }

    /// Lets every row rest at the edge that its multiplier asks for.
    fn take_edges(&mut self, tolerance: S) {
        for (row, y) in self.tableau.multiplier.iter().enumerate() {
            if *y > tolerance {
                self.tableau.raised_rows &= !(1 << row);
            } else if *y < -tolerance {
                self.tableau.raised_rows |= 1 << row;
            }
        }
    }

    /// As [`Self::take_sides`], and what costs next to nothing rests at zero.
    #[inline]
    pub(super) fn start_sides(&mut self) {
        self.tableau.raised = 0;
        let _ = self.take_sides();
    }

    /// Lets raised jets whose reduced cost is this small rest at zero.
    pub(super) fn call_back(&mut self, tolerance: f32) {
        let tolerance = S::of(tolerance);
        for jet in Bits(self.tableau.raised) {
            if at(&self.by_jet, jet).abs() <= tolerance {
                self.tableau.raised &= !(1 << jet);
            }
        }
        self.ranged = false;
    }

    /// Basic values and their bounds from the tableau and the ranges in force.
    pub(super) fn settle(&mut self) {
        self.ranged = false;
        for position in 0..M {
            self.frame(position);
        }
        self.value = [S::ZERO; M];
        for row in 0..M {
            if let Some(slot) = self.seat(row) {
                self.push(slot, self.rest(N + row));
            }
        }
        if self.tableau.raised != 0 {
            for slot in 0..N {
                let variable = self.resting(slot);
                if variable < N && self.is_raised(variable) {
                    self.push(slot, S::of(self.upper(variable)));
                }
            }
        }
    }

    /// Bounds of the basic variable at a position.
    #[inline]
    fn frame(&mut self, position: usize) {
        let variable = self.basic(position);
        let (low, high) = self.bounds(variable);
        let weakness = self.weakness(variable);
        let into =
            (self.floor.get_mut(position), self.ceiling.get_mut(position), self.room.get_mut(position));
        if let (Some(floor), Some(ceiling), Some(room)) = into {
            (*floor, *ceiling, *room) = (low, high, self.trust.feasible * self.size * weakness);
        }
    }

    /// Moves what rests in a slot by so much.
    #[inline]
    fn push(&mut self, slot: usize, by: S) {
        for (value, row) in self.value.iter_mut().zip(&self.tableau.cells) {
            *value = *value + at(row, slot) * by;
        }
    }

    /// The basic variable that leaves and how far it is below (positive) or above its bounds.
    #[inline]
    fn leaving(&self, lowest: bool) -> Option<(usize, S)> {
        let mut best = (M, S::ZERO);
        let mut most = 0.0;
        let bounds = self.floor.iter().zip(&self.ceiling).zip(&self.room);
        for (position, (value, ((floor, ceiling), room))) in self.value.iter().zip(bounds).enumerate() {
            let short = if *value < *floor {
                *floor - *value
            } else if *value > *ceiling {
                *ceiling - *value
            } else {
                continue;
            };
            let miss = short.rounded().abs();
            if miss <= *room {
                continue;
            }
            // Compared in units of the room, which is weighed by strength.
            let merit = if lowest { 1.0e3 - self.basic(position) as f32 } else { miss / *room };
            if merit > most {
                (best, most) = ((position, short), merit);
            }
        }
        (best.0 < M).then_some(best)
    }

    /// Whether every basic variable is within its bounds.
    pub(super) fn is_there(&self) -> bool {
        self.leaving(false).is_none()
    }

    /// Puts the row ranges in force.
    pub(super) fn put(&mut self, low: [S; M], high: [S; M], size: f32, longest: f32) {
        (self.low, self.high, self.size, self.longest) = (low, high, size, longest);
        self.let_off = 0.0;
        self.settle();
    }

    /// Lets the rows off by as little as ends a contradiction, if that is no more than `most`.
    ///
    /// * `y` — row multipliers, per unit of each row, that say why a basic variable stays `short`.
    pub(super) fn let_off(&mut self, y: &[S; M], short: f32, most: f32) -> bool {
        let scaled = |(y, per_unit): (&S, &f32)| y.scaled(1.0 / per_unit);
        let sum = y.iter().zip(&self.offer.per_unit).map(scaled).fold(0.0, |sum, y| sum + y.rounded().abs());
        // A little more, so that rounding does not ask again.
        let by = LET_OFF_MARGIN * short.abs() / sum;
        if !(self.let_off + by <= most) {
            return false;
        }
        self.let_off += by;
        for (row, y) in y.iter().enumerate() {
            let (edges, by) = if *y > S::ZERO { (&mut self.low, -by) } else { (&mut self.high, by) };
            if let Some(edge) = edges.get_mut(row).filter(|_| *y != S::ZERO) {
                *edge = *edge + S::of(by);
            }
            // What was a point is a range now: its slack rests where its reduced cost asks it to.
            if let Some(slot) = self.seat(row) {
                let cost =
                    if self.armed { at(&self.reduced, slot) } else { at(&self.tableau.multiplier, row) };
                self.raise(N + row, cost < S::ZERO);
            }
        }
        self.settle();
        true
    }

    /// Loads reduced costs and ranges by slot, where they are not known.
    #[inline]
    fn arm(&mut self) {
        if !self.armed && self.tableau.worn == 0 && !self.ranged && self.tableau.is_at_rest() {
            // Every jet in its own slot.
            self.know_prices();
            let offer = self.offer;
            let slots =
                self.range.iter_mut().zip(&mut self.side).zip(self.reduced.iter_mut().zip(&self.by_jet));
            for (((range, side), (reduced, by_jet)), (limit, weakness)) in
                slots.zip(offer.limit.iter().zip(&offer.weakness))
            {
                let upper = math::min(*limit, self.longest * weakness.value());
                (*range, *reduced) = (S::of(upper), *by_jet);
                *side = if upper > 0.0 { 1.0 } else { 0.0 };
            }
            (self.armed, self.ranged) = (true, true);
            return;
        }
        if !self.armed {
            self.know_prices();
            for (resting, reduced) in self.tableau.resting.iter().zip(&mut self.reduced) {
                let variable = usize::from(*resting);
                *reduced = match variable.checked_sub(N) {
                    None => at(&self.by_jet, variable),
                    Some(row) => at(&self.tableau.multiplier, row),
                };
            }
        }
        if !self.ranged {
            for slot in 0..N {
                self.arm_slot(slot);
            }
        }
        (self.armed, self.ranged) = (true, true);
    }

    /// Range and direction of what rests in a slot.
    #[inline]
    fn arm_slot(&mut self, slot: usize) {
        let variable = self.resting(slot);
        let (low, high) = self.bounds(variable);
        let side = if high <= low {
            0.0
        } else if self.is_raised(variable) {
            -1.0
        } else {
            1.0
        };
        if let (Some(into_range), Some(into_side)) = (self.range.get_mut(slot), self.side.get_mut(slot)) {
            (*into_range, *into_side) = (high - low, side);
        }
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
            self.arm();
            match self.ratio_test(position, short, lowest) {
                Ok(step) => self.pivot(position, short, &step),
                Err(left) => {
                    return Walked::Contradiction(position, if short > S::ZERO { left } else { -left });
                }
            }
        }
    }

    /// The entering variable.
    ///
    /// # Errors
    /// How short the row stays when everything that helps has moved.
    #[inline]
    fn ratio_test(&self, position: usize, short: S, lowest: bool) -> Result<Step, f32> {
        let Some(row) = self.tableau.cells.get(position) else { return Err(short.rounded().abs()) };
        let tolerance = S::of(if lowest { 0.0 } else { self.trust.harris * self.offer.dearest });
        let sign = sign_of(short.rounded());
        // What a slot helps, and the step at which its relaxed cost is used up.
        let mut helps = [(S::ZERO, S::ZERO); N];
        let mut open = 0_u32;
        let mut bound = S::of(f32::INFINITY);
        let mut help = S::ZERO;
        let slots =
            row.iter().zip(&self.side).zip(&self.reduced).zip(&self.range).zip(&mut helps).enumerate();
        for (slot, ((((cell, side), reduced), range), into)) in slots {
            let entry = cell.scaled(sign * side);
            if entry > S::ZERO {
                help = help + entry * *range;
                let ratio = (reduced.scaled(*side).or_more(S::ZERO) + tolerance) / entry;
                *into = (entry, ratio);
                bound = ratio.or_less(bound);
                open |= 1 << slot;
            }
        }
        // At the very edge of what is attainable, what stays short is rounding.
        let room = at(&self.room, position) + self.trust.noise * short.rounded().abs();
        let left = (short.abs() - help).rounded();
        if left > room {
            return Err(left);
        }
        // The largest multiplier of the row: what its entries are made of.
        let mut most = if self.basic(position) < N { 0.0 } else { 1.0 };
        for seat in &self.tableau.seat {
            most = math::max(at(row, usize::from(*seat)).rounded().abs(), most);
        }
        let mut slope = short.abs();
        let mut passed = 0_u32;
        let mut best: Option<Step> = None;
        let mut best_merit = 0.0;
        while open != 0 {
            let mut set = 0_u32;
            let mut chosen = (0.0, N);
            for slot in Bits(open) {
                let Some((entry, own)) = helps.get(slot).copied() else { continue };
                let cost = at(&self.reduced, slot).scaled(at(&self.side, slot));
                if own > bound && cost > bound * entry {
                    continue;
                }
                set |= 1 << slot;
                let variable = self.resting(slot);
                let weakness = self.weakness(variable);
                let merit = entry.rounded() * weakness;
                if merit <= self.trust.noise * most {
                    continue;
                }
                slope = slope - entry * at(&self.range, slot);
                if merit > self.trust.tiny * most && merit > chosen.0 && !(lowest && chosen.1 < N) {
                    chosen = (merit, slot);
                }
            }
            if chosen.1 < N && (best.is_none() || (chosen.0 > POOR_PIVOT * best_merit && !lowest)) {
                best = Some(Step { slot: chosen.1, crossing: passed });
                best_merit = chosen.0;
            }
            passed |= set;
            open &= !set;
            if slope <= S::ZERO || set == 0 {
                break;
            }
            let ratios = Bits(open).filter_map(|slot| helps.get(slot));
            bound = ratios.fold(S::of(f32::INFINITY), |bound, (_, own)| own.or_less(bound));
        }
        match best {
            Some(step) if slope.rounded() <= room => Ok(step),
            Some(_) => Err(slope.rounded()),
            None => Err(short.rounded().abs()),
        }
    }

    #[inline]
    fn pivot(&mut self, position: usize, short: S, step: &Step) {
        for slot in Bits(step.crossing) {
            let variable = self.resting(slot);
            let side = at(&self.side, slot);
            self.push(slot, at(&self.range, slot).scaled(side));
            self.raise(variable, side > 0.0);
            if let Some(side) = self.side.get_mut(slot) {
                *side = -*side;
            }
        }
        let slot = step.slot;
        let (leaving, entering) = (self.basic(position), self.resting(slot));
        let target = if short > S::ZERO { at(&self.floor, position) } else { at(&self.ceiling, position) };
        let pivot = self.tableau.cells.get(position).map_or(S::ONE, |row| at(row, slot));
        let moved = (target - at(&self.value, position)) / pivot;
        let entered = self.rest(entering) + moved;
        self.push(slot, moved);
        if let Some(value) = self.value.get_mut(position) {
            *value = entered;
        }
        self.idle = if at(&self.reduced, slot) == S::ZERO { self.idle + 1 } else { 0 };
        self.tableau.exchange(position, slot, &mut self.reduced);
        self.raise(entering, false);
        self.raise(leaving, !(short > S::ZERO));
        self.arm_slot(slot);
        self.frame(position);
        self.fresh = false;
    }

    /// Row multipliers, per unit of each row, that say why the basic variable at `position` cannot come within its
    /// bounds.
    pub(super) fn reason(&self, position: usize, short: f32) -> [S; M] {
        let sign = if short > 0.0 { 1.0 } else { -1.0 };
        let mut y = [S::ZERO; M];
        let own = self.basic(position);
        for (row, (y, per_unit)) in y.iter_mut().zip(&self.offer.per_unit).enumerate() {
            let cell = match self.seat(row) {
                Some(slot) => -self.tableau.cells.get(position).map_or(S::ZERO, |cells| at(cells, slot)),
                None if own == N + row => S::ONE,
                None => S::ZERO,
            };
            *y = cell.scaled(sign * per_unit);
        }
        y
    }

    /// On-times, s: within their limits, never minus zero, never anything but a number.
    #[inline]
    pub(super) fn on_times(&self) -> [f32; N] {
        let mut times = [0.0; N];
        for jet in Bits(self.tableau.raised) {
            if let Some(time) = times.get_mut(jet) {
                *time = self.upper(jet);
            }
        }
        for (basic, value) in self.tableau.basic.iter().zip(&self.value) {
            let jet = usize::from(*basic);
            if let Some(time) = times.get_mut(jet) {
                // Adding zero turns a minus zero into a plain one.
                *time = math::clamp(value.rounded(), 0.0, self.upper(jet)) + 0.0;
            }
        }
        times
    }

    /// What the jets that fire deliver; with `held`, basic ones within their limits, else as they stand.
    #[inline]
    pub(super) fn delivered(&self, held: bool) -> Delivered<M> {
        let mut rows = [0.0; M];
        let mut gathered = [0.0; M];
        self.each_firing(held, |column, time| {
            for ((sum, gathered), entry) in rows.iter_mut().zip(&mut gathered).zip(column) {
                let product = entry * time.rounded();
                *sum += product;
                *gathered += product.abs();
            }
        });
        let mut most = 0.0;
        for (gathered, per_unit) in gathered.iter().zip(&self.offer.per_unit) {
            most = math::max(gathered * per_unit, most);
        }
        Delivered { rows, gathered: most }
    }

    /// The same in twice the precision.
    #[inline(never)]
    pub(super) fn delivered_exactly(&self, held: bool) -> [Twofold; M] {
        let mut rows = [Twofold::default(); M];
        self.each_firing(held, |column, time| {
            for (sum, entry) in rows.iter_mut().zip(column) {
                *sum = *sum + Twofold::exactly(*entry) * time.widened();
            }
        });
        rows
    }

    /// Basic jets and their on-times within their limits.
    #[inline]
    pub(super) fn basic_times(&self) -> impl Iterator<Item = (usize, f32)> {
        let basic = self.tableau.basic.iter().zip(self.value.iter().zip(&self.ceiling));
        let jets = basic.map(|(basic, (value, ceiling))| {
            (usize::from(*basic), math::clamp(value.rounded(), 0.0, ceiling.rounded()))
        });
        jets.filter(|(jet, _)| *jet < N)
    }

    /// Values of basic jets.
    #[inline]
    fn basic_values(&self) -> impl Iterator<Item = S> {
        let basic = self.tableau.basic.iter().zip(&self.value);
        basic.filter(|(basic, _)| usize::from(**basic) < N).map(|(_, value)| *value)
    }

    /// Hands out column and on-time of every jet that fires.
    #[inline]
    fn each_firing(&self, held: bool, mut take: impl FnMut(&[f32; M], S)) {
        for (position, basic) in self.tableau.basic.iter().enumerate() {
            let jet = usize::from(*basic);
            if jet < N
                && let Some(column) = self.offer.columns.get(jet)
            {
                let value = at(&self.value, position);
                let time = if held {
                    S::of(math::clamp(value.rounded(), 0.0, at(&self.ceiling, position).rounded()))
                } else {
                    value
                };
                take(column, time);
            }
        }
        for jet in Bits(self.tableau.raised) {
            if let Some(column) = self.offer.columns.get(jet) {
                take(column, S::of(self.upper(jet)));
            }
        }
    }

    /// Refines the basic values against the original columns until the rows at rest are delivered.
    ///
    /// `true` when what they deliver is then known in [`Self::achieved`]: no basic jet has to be held within its
    /// limits for it.
    pub(super) fn refine(&mut self) -> bool {
        let mut careful = S::IS_TWOFOLD;
        for _ in 0..REFINEMENTS + 1 {
            let delivered = self.delivered(false);
            careful |= !(delivered.gathered <= CANCELLING * self.size);
            let rows = if careful {
                self.delivered_exactly(false).map(S::narrowed)
            } else {
                delivered.rows.map(S::of)
            };
            let mut left = [S::ZERO; M];
            let mut worst = 0.0;
            for (row, left) in left.iter_mut().enumerate() {
                if self.seat(row).is_some() {
                    *left = self.rest(N + row) - at(&rows, row).scaled(at(&self.offer.per_unit, row));
                    worst = math::max(left.rounded().abs(), worst);
                }
            }
            if worst <= self.trust.refined * self.size {
                self.achieved = rows.map(S::rounded);
                return self
                    .basic_times()
                    .zip(self.basic_values())
                    .all(|((_, held), value)| S::of(held) == value);
            }
            for (row, left) in left.iter().enumerate() {
                if let Some(slot) = self.seat(row) {
                    self.push(slot, *left);
                }
            }
        }
        false
    }

    /// Largest miss of a row's range, scaled.
    #[inline]
    pub(super) fn worst_miss(&self, rows: &[f32; M]) -> f32 {
        let mut worst = 0.0;
        for (row, (got, per_unit)) in rows.iter().zip(&self.offer.per_unit).enumerate() {
            let got = got * per_unit;
            let miss = math::max(at(&self.low, row).rounded() - got, got - at(&self.high, row).rounded());
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
pub(super) fn dot<S: Number, const M: usize>(a: &[S; M], b: &[f32; M]) -> S {
    a.iter().zip(b).fold(S::ZERO, |sum, (a, b)| sum + *a * S::of(*b))
}
