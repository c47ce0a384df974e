//! The basis of a selection as a condensed tableau, and the exchange of two of its variables.
//!
//! `M` variables are *basic*, the others *rest* at one of their bounds. Variables are the jets
//! (`0..N`) and one slack for each row (`N..N + M`), which is what the jets deliver in that row. Every basic
//! variable is kept as a sum over the resting ones, `basic = Σ cells · resting`; at the start that is the
//! effectiveness matrix itself, and an exchange of a basic variable with a resting one costs one multiplication
//! per cell. The columns of resting slacks are the inverse of the basis.
//!
//! Rows are scaled by powers of two, which rounds nothing, so that the largest entry of a usable jet in each
//! row is about 1. A jet's *strength* is the power of two at or below its largest scaled entry.

/// Column entries that stay below this share of their column when a basis is factorised anew are
/// taken as dependent.
const DEPENDENT: f32 = 1.0e-5;

/// Smallest and largest exponent of a scale.
const EXPONENTS: i32 = 100;

/// A basis and its tableau.
#[derive(Clone, Debug)]
pub(super) struct Tableau<const M: usize, const N: usize> {
    /// Per slot: what the basic variables gain per unit of the variable that rests in it.
    pub(super) cells: [[f32; M]; N],
    /// Variable resting in each slot.
    pub(super) resting: [u8; N],
    /// Basic variables.
    pub(super) basic: [u8; M],
    /// Slots whose variable rests at its high bound.
    pub(super) raised: u32,
    /// Jets that the scales were taken from.
    pub(super) usable: u32,
    row_exponent: [i8; M],
    strength_exponent: [i8; N],
    /// Slots in use; none: nothing laid out yet.
    pub(super) jets: u8,
    /// Exchanges since the basis was factorised.
    pub(super) worn: u16,
}

/// The power of two with this exponent.
#[inline(always)]
fn two_to(exponent: i32) -> f32 {
    f32::from_bits(((exponent + 127) as u32) << 23)
}

/// Exponent of the power of two at or below `x ≥ 0`, within reason; 0 for zero.
#[inline(always)]
fn exponent_of(x: f32) -> i8 {
    if x > 0.0 {
        let exponent = (x.to_bits() >> 23) as i32 - 127;
        exponent.clamp(-EXPONENTS, EXPONENTS) as i8
    } else {
        0
    }
}

impl<const M: usize, const N: usize> Tableau<M, N> {
    pub(super) const fn empty() -> Self {
        Self {
            cells: [[0.0; M]; N],
            resting: [0; N],
            basic: [0; M],
            raised: 0,
            usable: 0,
            row_exponent: [0; M],
            strength_exponent: [0; N],
            jets: 0,
            worn: 0,
        }
    }

    /// Unit of each row is `1 / per_unit`.
    #[inline(always)]
    pub(super) fn per_unit(&self, row: usize) -> f32 {
        two_to(-self.row_exponent.get(row).map_or(0, |e| i32::from(*e)))
    }

    /// One over the strength of a jet.
    #[inline(always)]
    pub(super) fn weakness(&self, jet: usize) -> f32 {
        two_to(-self.strength_exponent.get(jet).map_or(0, |e| i32::from(*e)))
    }

    /// Takes the columns in: all slacks basic, all jets at rest.
    ///
    /// * `columns` — at most `N`; `usable` — the others take no part and may hold anything.
    pub(super) fn lay_out(&mut self, columns: &[[f32; M]], usable: u32) {
        let mut peak = [0.0_f32; M];
        for (jet, column) in columns.iter().enumerate() {
            if usable & (1 << jet) != 0 {
                for (peak, entry) in peak.iter_mut().zip(column) {
                    if entry.abs() > *peak {
                        *peak = entry.abs();
                    }
                }
            }
        }
        for (exponent, peak) in self.row_exponent.iter_mut().zip(&peak) {
            *exponent = exponent_of(*peak);
        }
        let scale: [f32; M] = core::array::from_fn(|row| self.per_unit(row));
        let slots = self.cells.iter_mut().zip(&mut self.resting).zip(&mut self.strength_exponent);
        for (jet, (((cells, resting), strength), column)) in slots.zip(columns).enumerate() {
            *resting = jet as u8;
            if usable & (1 << jet) == 0 {
                *cells = [0.0; M];
                continue;
            }
            let mut top = 0.0;
            for (cell, (entry, scale)) in cells.iter_mut().zip(column.iter().zip(&scale)) {
                *cell = entry * scale;
                if cell.abs() > top {
                    top = cell.abs();
                }
            }
            *strength = exponent_of(top);
        }
        for (row, basic) in self.basic.iter_mut().enumerate() {
            *basic = (N + row) as u8;
        }
        self.raised = 0;
        self.usable = usable;
        self.jets = columns.len() as u8;
        self.worn = 0;
    }

    /// Factorises the same basis anew from the columns. Jets that depend on those before them, or may not be
    /// used, stay out of it.
    pub(super) fn rebuild(&mut self, columns: &[[f32; M]], usable: u32) {
        let wanted = self.basic;
        let slack = |variable: u8| usize::from(variable) >= N;
        let kept =
            wanted.iter().filter(|v| slack(**v)).fold(0_u32, |set, v| set | 1 << (usize::from(*v) - N));
        self.lay_out(columns, usable);
        for variable in wanted.into_iter().filter(|v| !slack(*v)) {
            // Nothing has moved into a jet's own slot before the jet has left it.
            let slot = usize::from(variable);
            let Some(column) = self.cells.get(slot).copied() else { continue };
            let mut best = (0.0, M);
            for (position, (basic, entry)) in self.basic.iter().zip(&column).enumerate() {
                let free = slack(*basic) && kept & (1 << (usize::from(*basic) - N)) == 0;
                if free && entry.abs() > best.0 {
                    best = (entry.abs(), position);
                }
            }
            if best.0 * self.weakness(slot) > DEPENDENT {
                self.exchange(best.1, slot);
            }
        }
        self.worn = 0;
    }

    /// Exchanges the basic variable at `position` with the one resting in `slot`.
    #[inline]
    pub(super) fn exchange(&mut self, position: usize, slot: usize) {
        let Some(entering) = self.cells.get(slot).copied() else { return };
        let Some(pivot) = entering.get(position).copied() else { return };
        self.worn = self.worn.saturating_add(1);
        let inverse = 1.0 / pivot;
        let used = usize::from(self.jets);
        for (index, cells) in self.cells.iter_mut().take(used).enumerate() {
            if index == slot {
                continue;
            }
            let Some(own) = cells.get(position).copied() else { return };
            if own == 0.0 {
                continue;
            }
            let factor = own * inverse;
            for (cell, entry) in cells.iter_mut().zip(&entering) {
                *cell -= entry * factor;
            }
            if let Some(cell) = cells.get_mut(position) {
                *cell = -factor;
            }
        }
        if let Some(cells) = self.cells.get_mut(slot) {
            for cell in cells.iter_mut() {
                *cell *= inverse;
            }
            if let Some(cell) = cells.get_mut(position) {
                *cell = inverse;
            }
        }
        if let (Some(basic), Some(resting)) = (self.basic.get_mut(position), self.resting.get_mut(slot)) {
            core::mem::swap(basic, resting);
        }
    }
}
