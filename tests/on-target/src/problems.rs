//! Recorded selection problems, in the words of [`recording`](super::recording).
//!
//! | item | words |
//! | --- | --- |
//! | start of the problems | [`START`] |
//! | series | [`SERIES`], name (32 bytes, padded with zeros), rows, most jets |
//! | problem | [`PROBLEM`] plus flags; where flagged, the layout; usable jets, low edges, high edges |
//! | layout | number of jets; of each its column, price, limit |
//! | end of the problems | [`END`] |
//!
//! A problem without a layout has that of the problem before it. Rows are served in their own order.

use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Problem};

use super::recording::{Malformed, Name, Words, float, floats, put_floats, put_name, read_name, word};

/// First word of the problems; the last digit is the version of this layout.
pub const START: u32 = 0x5354_4c01;
/// First word of a series.
pub const SERIES: u32 = 0x5e51_0001;
/// First word of a problem, less its flags.
pub const PROBLEM: u32 = 0xb0b0_0000;
/// Last word of the problems.
pub const END: u32 = 0xe0d0_0002;

/// The layout changes with this problem.
const HAS_LAYOUT: u32 = 1;
/// Selected from rest, not from the basis found last.
pub const COLD: u32 = 2;
/// Its instructions count; other problems only lead up to one that counts.
pub const COUNTED: u32 = 4;
const FLAGS: u32 = 0xffff;

/// A problem as read.
pub struct Posed<const M: usize, const N: usize> {
    jets: usize,
    columns: [[f32; M]; N],
    price: [f32; N],
    limit: [f32; N],
    usable: JetMask,
    demand: Demand<M>,
    flags: u32,
}

impl<const M: usize, const N: usize> Posed<M, N> {
    /// No jets, nothing wanted.
    #[must_use]
    pub fn nothing() -> Self {
        Self {
            jets: 0,
            columns: [[0.0; M]; N],
            price: [0.0; N],
            limit: [0.0; N],
            usable: JetMask::ALL,
            demand: Demand::point([0.0; M]),
            flags: 0,
        }
    }

    /// The problem as the kernel takes it.
    #[must_use]
    pub fn problem(&self) -> Problem<'_, M> {
        let mut priority = [0; M];
        for (row, place) in priority.iter_mut().zip(0_u8..) {
            *row = place;
        }
        Problem {
            columns: self.columns.get(..self.jets).unwrap_or_default(),
            price: self.price.get(..self.jets).unwrap_or_default(),
            limit: self.limit.get(..self.jets).unwrap_or_default(),
            usable: self.usable,
            demand: &self.demand,
            priority,
        }
    }

    /// Whether a flag is set.
    #[must_use]
    pub fn is(&self, flag: u32) -> bool {
        self.flags & flag != 0
    }

    /// Reads a problem whose first word has been read.
    ///
    /// # Errors
    /// The words are cut off, are no problem, or hold more jets than `N`.
    pub fn read(&mut self, first: u32, words: &mut impl Words) -> Result<(), Malformed> {
        if first & !FLAGS != PROBLEM {
            return Err(Malformed::UnknownItem);
        }
        self.flags = first & FLAGS;
        if self.is(HAS_LAYOUT) {
            self.jets = word(words)? as usize;
            if self.jets > N {
                return Err(Malformed::TooManyJets);
            }
            let jets = self.columns.iter_mut().zip(&mut self.price).zip(&mut self.limit);
            for ((column, price), limit) in jets.take(self.jets) {
                (*column, *price, *limit) = (floats(words)?, float(words)?, float(words)?);
            }
        }
        self.usable = JetMask(word(words)?);
        self.demand = Demand { low: floats(words)?, high: floats(words)? };
        Ok(())
    }
}

/// Writes the start of a series.
pub fn write_series(name: &str, rows: u32, most_jets: u32, put: &mut impl FnMut(u32)) {
    put(SERIES);
    put_name(name, put);
    put(rows);
    put(most_jets);
}

/// Name, rows and most jets of a series whose first word has been read.
///
/// # Errors
/// The words are cut off.
pub fn read_series(words: &mut impl Words) -> Result<(Name, u32, u32), Malformed> {
    Ok((read_name(words)?, word(words)?, word(words)?))
}

/// Writes a problem; `with_layout` where it is not that of the problem before.
pub fn write_problem<const M: usize>(
    problem: &Problem<M>,
    flags: u32,
    with_layout: bool,
    put: &mut impl FnMut(u32),
) {
    put(PROBLEM | flags | if with_layout { HAS_LAYOUT } else { 0 });
    if with_layout {
        put(problem.columns.iter().fold(0, |count, _| count + 1));
        for ((column, price), limit) in problem.columns.iter().zip(problem.price).zip(problem.limit) {
            put_floats(*column, put);
            put_floats([*price, *limit], put);
        }
    }
    put(problem.usable.0);
    put_floats(problem.demand.low, put);
    put_floats(problem.demand.high, put);
}
