//! The basis of a selection as a condensed tableau, and the exchange of two of its variables.
//!
//! `M` variables are *basic*, the others *rest* at one of their bounds. Variables are the jets
//! (`0..N`) and one slack for each row (`N..N + M`), which is what the jets deliver in that row. Every basic
//! variable is kept as a sum over the resting ones, `basic = Σ cells · resting`; at the start that is the
//! effectiveness matrix itself, and an exchange of a basic variable with a resting one costs one multiplication
//! per cell. The cells of resting slacks are the inverse of the basis.
//!
//! Rows are scaled by powers of two, which rounds nothing, so that the largest entry of a usable jet in each
//! row is about 1. A jet's *strength* is the power of two at or below its largest scaled entry.

use super::number::Number;
use super::{ABSURD, Problem, two_to};

/// Entries that stay below this share of their column when a basis found for other columns is factorised anew are
/// taken as dependent.
pub(super) const POOR: f32 = 1.0e-2;

/// Largest exponent of a scale, either way.
const EXPONENTS: i32 = 100;

/// A basis and its tableau.
#[derive(Clone, Debug)]
pub(super) struct Tableau<const M: usize, const N: usize, S = f32> {
    /// Per basic variable: what it gains per unit of the variable that rests in each slot.
    pub(super) cells: [[S; N]; M],
    /// Variable resting in each slot.
    pub(super) resting: [u8; N],
    /// Basic variables.
    pub(super) basic: [u8; M],
    /// Slot in which the slack of each row rests; `N` for a basic one.
    pub(super) seat: [u8; M],
    /// Jets, and slacks by row, that rest at their high bound.
    pub(super) raised: u32,
    pub(super) raised_rows: u32,
    row_exponent: [i8; M],
    strength_exponent: [i8; N],
    /// Jets laid out; none: nothing known yet.
    pub(super) jets: u8,
    /// Exchanges since the basis was factorised.
    pub(super) worn: u16,
    /// What the last selection was asked with, and the dearest price of it.
    pub(super) asked: Option<Asked>,
    pub(super) dearest: f32,
    /// Reduced costs of the slacks, scaled, when the basis was last priced.
    pub(super) multiplier: [S; M],
    /// Whether no reduced cost was then on the wrong side by more than rounding.
    pub(super) clean: bool,
}

/// What a selection was asked with, but for the demand, by fingerprints.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Asked {
    /// Jets that may fire.
    pub(super) usable: u32,
    /// Of the columns and the jets that may fire.
    pub(super) columns: u32,
    /// Of prices and limits.
    terms: u32,
}

impl Asked {
    pub(super) fn new<const M: usize>(problem: &Problem<M>, usable: u32) -> Self {
        let columns = fingerprint(usable, problem.columns.as_flattened());
        let terms = stir(fingerprint(usable, problem.price), fingerprint(!usable, problem.limit));
        Self { usable, columns, terms }
    }
}

/// One step of a fingerprint (Fowler, Noll and Vo, by words).
#[inline]
fn stir(print: u32, bits: u32) -> u32 {
    print.wrapping_mul(0x0100_0193) ^ bits
}

/// A number that changes when these do, but for a chance of one in thousands of millions: then the answer is
/// measured, found wanting and sought again.
#[inline]
fn fingerprint(seed: u32, numbers: &[f32]) -> u32 {
    // Four at a time, so that no product waits for another.
    let mut lanes = [seed, 1, 2, 3];
    let (fours, rest) = numbers.as_chunks::<4>();
    for four in fours {
        for (lane, number) in lanes.iter_mut().zip(four) {
            *lane = stir(*lane, number.to_bits());
        }
    }
    let rest = rest.iter().map(|number| number.to_bits());
    lanes.into_iter().skip(1).chain(rest).fold(lanes[0], stir)
}

/// Exponent of the power of two at or below a number of these bits, not negative, within reason; 0 for zero.
#[inline]
fn exponent_of(bits: u32) -> i8 {
    if bits > 0 {
        let exponent = (bits >> 23) as i32 - 127;
        exponent.clamp(-EXPONENTS, EXPONENTS) as i8
    } else {
        0
    }
}

impl<const M: usize, const N: usize, S: Number> Tableau<M, N, S> {
    pub(super) const fn empty() -> Self {
        Self {
            cells: [[S::ZERO; N]; M],
            resting: [0; N],
            basic: [0; M],
            seat: [N as u8; M],
            raised: 0,
            raised_rows: 0,
            row_exponent: [0; M],
            strength_exponent: [0; N],
            jets: 0,
            worn: 0,
            asked: None,
            dearest: 0.0,
            multiplier: [S::ZERO; M],
            clean: false,
        }
    }

    /// Unit of each row is `1 / per_unit`.
    #[inline]
    pub(super) fn per_unit(&self) -> [f32; M] {
        self.row_exponent.map(|exponent| two_to(-i32::from(exponent)))
    }

    /// Whether the slack of a row rests.
    pub(super) fn rests(&self, row: usize) -> bool {
        self.seat.get(row).is_some_and(|slot| usize::from(*slot) < N)
    }

    /// Whether every jet rests at zero in its own slot.
    pub(super) fn is_at_rest(&self) -> bool {
        self.raised == 0 && self.basic.iter().all(|variable| usize::from(*variable) >= N)
    }

    /// One over the strength of a jet; 1 beyond.
    #[inline]
    pub(super) fn weakness(&self, jet: usize) -> f32 {
        two_to(self.strength_exponent.get(jet).map_or(0, |e| -i32::from(*e)))
    }

    /// Takes the columns in: all slacks basic, all jets at rest. `false` when a number of a usable jet is
    /// not finite or absurdly large.
    ///
    /// * `columns` — at most `N`; `usable` — the others take no part and may hold anything.
    pub(super) fn lay_out(&mut self, columns: &[[f32; M]], usable: u32) -> bool {
        // Numbers without sign are in the order of their bits, and what is not a number is above them all.
        let mut peak = [0_u32; M];
        for (jet, column) in columns.iter().enumerate() {
            if usable & (1 << jet) != 0 {
                for (peak, entry) in peak.iter_mut().zip(column) {
                    *peak = entry.abs().to_bits().max(*peak);
                }
            }
        }
        let sane = peak.iter().all(|peak| *peak <= ABSURD.to_bits());
        self.row_exponent = peak.map(exponent_of);
        let scale = self.per_unit();
        self.cells = [[S::ZERO; N]; M];
        for (slot, resting) in self.resting.iter_mut().enumerate() {
            *resting = slot as u8;
        }
        for (jet, (column, strength)) in columns.iter().zip(&mut self.strength_exponent).enumerate() {
            if usable & (1 << jet) == 0 {
                continue;
            }
            let mut top = 0;
            for ((row, entry), scale) in self.cells.iter_mut().zip(column).zip(&scale) {
                let cell = entry * scale;
                top = cell.abs().to_bits().max(top);
                if let Some(into) = row.get_mut(jet) {
                    *into = S::of(cell);
                }
            }
            *strength = exponent_of(top);
        }
        for (row, (basic, seat)) in self.basic.iter_mut().zip(&mut self.seat).enumerate() {
            (*basic, *seat) = ((N + row) as u8, N as u8);
        }
        (self.raised, self.raised_rows, self.clean) = (0, 0, false);
        self.jets = columns.len() as u8;
        self.worn = 0;
        sane
    }

    /// Factorises the same basis anew from the columns. Jets that depend on those before them, or may not be
    /// used, stay out of it.
    ///
    /// * `dependent` — share of its column below which an entry is no pivot.
    pub(super) fn rebuild(&mut self, columns: &[[f32; M]], usable: u32, dependent: f32) -> bool {
        let wanted = self.basic;
        let (raised, raised_rows) = (self.raised, self.raised_rows);
        let kept = wanted.iter().filter(|v| usize::from(**v) >= N);
        let kept = kept.fold(0_u32, |set, v| set | 1 << (usize::from(*v) - N));
        let sane = self.lay_out(columns, usable);
        (self.raised, self.raised_rows) = (raised & usable, raised_rows);
        for variable in wanted.into_iter().filter(|v| usize::from(*v) < N) {
            // Nothing moves into a jet's own slot before the jet has left it.
            let slot = usize::from(variable);
            let mut best = (0.0, M);
            for (position, (basic, row)) in self.basic.iter().zip(&self.cells).enumerate() {
                let free = usize::from(*basic).checked_sub(N).is_some_and(|row| kept & (1 << row) == 0);
                let entry = row.get(slot).map_or(0.0, |entry| entry.rounded().abs());
                if free && entry > best.0 {
                    best = (entry, position);
                }
            }
            if best.0 * self.weakness(slot) > dependent {
                self.exchange(best.1, slot, &mut [S::ZERO; N]);
                self.raised &= !(1 << slot);
            }
        }
        self.worn = 0;
        sane
    }

    /// Exchanges the basic variable at `position` with the one resting in `slot`, in the costs too.
    #[inline]
    pub(super) fn exchange(&mut self, position: usize, slot: usize, reduced: &mut [S; N]) {
        if position >= M || slot >= N {
            return;
        }
        // The row of the variable that enters, by the others.
        let Some(mut entering) = self.cells.get(position).copied() else { return };
        let inverse = S::ONE / entering.get(slot).copied().unwrap_or(S::ONE);
        for cell in &mut entering {
            *cell = *cell * -inverse;
        }
        if let Some(cell) = entering.get_mut(slot) {
            *cell = inverse;
        }
        for (index, row) in self.cells.iter_mut().enumerate() {
            if index != position {
                replace(row, slot, &entering);
            }
        }
        replace(reduced, slot, &entering);
        if let Some(row) = self.cells.get_mut(position) {
            *row = entering;
        }
        self.worn = self.worn.saturating_add(1);
        if let (Some(basic), Some(resting)) = (self.basic.get_mut(position), self.resting.get_mut(slot)) {
            core::mem::swap(basic, resting);
            for (variable, seat) in [(*resting, slot), (*basic, N)] {
                let row = usize::from(variable).wrapping_sub(N);
                if let Some(into) = self.seat.get_mut(row) {
                    *into = seat as u8;
                }
            }
        }
    }
}

/// A row of the tableau when the variable in `slot` is replaced by the sum `entering`.
#[inline]
fn replace<const N: usize, S: Number>(row: &mut [S; N], slot: usize, entering: &[S; N]) {
    let Some(own) = row.get_mut(slot).map(|cell| core::mem::replace(cell, S::ZERO)) else { return };
    if own == S::ZERO {
        return;
    }
    for (cell, entering) in row.iter_mut().zip(entering) {
        *cell = *cell + own * *entering;
    }
}
