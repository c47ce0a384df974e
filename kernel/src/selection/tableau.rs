//! The basis of a selection as a condensed tableau, and the exchange of two of its variables.
//!
//! `M` variables are *basic*, the others *rest* at one of their bounds. Variables are the jets
//! (`0..N`) and one slack for each row (`N..N + M`), which is what the jets deliver in that row. Every basic
//! variable is kept as a sum over the resting ones, `basic = Σ cells · resting`; at the start that is the
//! effectiveness matrix itself, and an exchange of a basic variable with a resting one costs one multiplication
//! per cell. The cells of resting slacks are the inverse of the basis.

use super::number::Number;
use super::offer::{Offer, Print};

/// Entries that stay below this share of their column when a basis found for other columns is factorised anew are
/// taken as dependent.
pub(super) const POOR: f32 = 1.0e-2;

/// A basis and its tableau.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
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
    /// Exchanges since the basis was factorised.
    pub(super) worn: u16,
    /// What the last selection chose from, if anything is known.
    pub(super) print: Option<Print>,
    /// Reduced costs of the slacks, scaled, when the basis was last priced.
    pub(super) multiplier: [S; M],
    /// Multipliers that bounded the share of a demand when one was last out of reach, per unit of each row.
    pub(super) reach: [f32; M],
    /// Whether no reduced cost was then on the wrong side by more than rounding.
    pub(super) clean: bool,
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
            worn: 0,
            print: None,
            multiplier: [S::ZERO; M],
            reach: [0.0; M],
            clean: false,
        }
    }

    /// Whether the slack of a row rests.
    pub(super) fn rests(&self, row: usize) -> bool {
        self.seat.get(row).is_some_and(|slot| usize::from(*slot) < N)
    }

    /// Whether every jet rests at zero in its own slot.
    pub(super) fn is_at_rest(&self) -> bool {
        self.raised == 0 && self.basic.iter().all(|variable| usize::from(*variable) >= N)
    }

    /// Takes the jets in: all slacks basic, all jets at rest.
    pub(super) fn lay_out(&mut self, offer: &Offer<M, N>) {
        for ((row, cells), scale) in self.cells.iter_mut().enumerate().zip(&offer.per_unit) {
            for (cell, column) in cells.iter_mut().zip(&offer.columns) {
                *cell = S::of(column.get(row).copied().unwrap_or(0.0) * scale);
            }
        }
        for (slot, resting) in self.resting.iter_mut().enumerate() {
            *resting = slot as u8;
        }
        for (row, (basic, seat)) in self.basic.iter_mut().zip(&mut self.seat).enumerate() {
            (*basic, *seat) = ((N + row) as u8, N as u8);
        }
        (self.raised, self.raised_rows, self.clean) = (0, 0, false);
        self.worn = 0;
    }

    /// Factorises the same basis anew from the columns. Jets that depend on those before them, or may not be
    /// used, stay out of it.
    ///
    /// * `dependent` — share of its column below which an entry is no pivot.
    pub(super) fn rebuild(&mut self, offer: &Offer<M, N>, dependent: f32) {
        let wanted = self.basic;
        let (raised, raised_rows) = (self.raised, self.raised_rows);
        let kept = wanted.iter().filter(|v| usize::from(**v) >= N);
        let kept = kept.fold(0_u32, |set, v| set | 1 << (usize::from(*v) - N));
        self.lay_out(offer);
        (self.raised, self.raised_rows) = (raised & offer.print.usable, raised_rows);
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
            if best.0 * offer.weakness(slot) > dependent {
                self.exchange(best.1, slot, &mut [S::ZERO; N]);
                self.raised &= !(1 << slot);
            }
        }
        self.worn = 0;
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
