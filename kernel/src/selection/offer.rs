//! What the jets offer to a selection, looked over once and chosen from again and again.
//!
//! Rows are scaled by powers of two, which rounds nothing, so that the largest entry of a usable jet in each
//! row is about 1. A jet's *strength* is the power of two at or below its largest scaled entry.

use super::{ABSURD, Demand, Problem};
use crate::jet::JetMask;

/// Largest exponent of a scale, either way.
const EXPONENTS: i32 = 100;

/// Effects, prices and limits of at most `N` (≤ 32) jets that are in order, with what a selection wants to know of them.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Offer<const M: usize, const N: usize> {
    /// Effect per second; zero for jets that may not fire.
    pub(super) columns: [[f32; M]; N],
    /// Price per second.
    pub(super) price: [f32; N],
    /// Longest on-time, s; zero for jets that may not fire.
    pub(super) limit: [f32; N],
    /// One over the strength of each jet.
    pub(super) weakness: [Power; N],
    /// Unit of each row is `1 / per_unit`.
    pub(super) per_unit: [f32; M],
    /// Dearest price of a usable jet.
    pub(super) dearest: f32,
    /// Which offer it is.
    pub(super) print: Print,
    count: u8,
}

/// Tells offers from one another.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Print {
    /// Jets that may fire; none in no offer that is chosen from.
    pub(super) usable: u32,
    /// Of the columns of jets that may fire.
    pub(super) columns: u32,
    /// Of prices and limits.
    terms: u32,
}

impl<const M: usize, const N: usize> Offer<M, N> {
    /// Takes jets in; the slices have one entry per jet.
    ///
    /// * `columns` — effect per second of on-time; `price` — per second of on-time, zero or more; `limit` — longest on-time,
    ///   s, zero or more; `usable` — the others take no part and may hold anything.
    ///
    /// `None` when the slices differ in length or are longer than `N`, or a number of a usable jet is not finite, absurdly
    /// large (beyond 1e18), or a negative price or limit.
    #[must_use]
    pub fn new(columns: &[[f32; M]], price: &[f32], limit: &[f32], usable: JetMask) -> Option<Self> {
        let mut offer = Self::scaled(columns, usable)?;
        if price.len() != columns.len() || limit.len() != columns.len() {
            return None;
        }
        let (mut dearest, mut longest) = (0, 0);
        let into = offer.price.iter_mut().zip(&mut offer.limit);
        for (jet, (into, (price, limit))) in into.zip(price.iter().zip(limit)).enumerate() {
            if offer.print.usable & (1 << jet) == 0 {
                continue;
            }
            // Adding zero turns a minus zero into a plain one. Numbers that are not negative are in the order of their
            // bits; all others are beyond the sane ones.
            (*into.0, *into.1) = (price + 0.0, limit + 0.0);
            dearest = into.0.to_bits().max(dearest);
            longest = into.1.to_bits().max(longest);
        }
        if dearest > ABSURD.to_bits() || longest > ABSURD.to_bits() {
            return None;
        }
        offer.dearest = f32::from_bits(dearest);
        offer.print.terms = fingerprint(fingerprint(0, &offer.price), &offer.limit);
        Some(offer)
    }

    /// Columns and scales; no prices, no limits.
    pub(super) fn scaled(columns: &[[f32; M]], usable: JetMask) -> Option<Self> {
        const { assert!(N <= 32 && M <= 7 && M > 0) };
        let count = columns.len();
        if count > N {
            return None;
        }
        let usable = if count > 0 { usable.0 & (u32::MAX >> (32 - count)) } else { 0 };
        let mut offer = Self {
            columns: [[0.0; M]; N],
            price: [0.0; N],
            limit: [0.0; N],
            weakness: [Power::ONE; N],
            per_unit: [1.0; M],
            dearest: 0.0,
            print: Print { usable, ..Print::default() },
            count: count as u8,
        };
        // Numbers without sign are in the order of their bits, and what is not a number is above them all.
        let mut peak = [0_u32; M];
        for (jet, (into, column)) in offer.columns.iter_mut().zip(columns).enumerate() {
            if usable & (1 << jet) != 0 {
                *into = *column;
                for (peak, entry) in peak.iter_mut().zip(column) {
                    *peak = entry.abs().to_bits().max(*peak);
                }
            }
        }
        if peak.iter().any(|peak| *peak > ABSURD.to_bits()) {
            return None;
        }
        offer.per_unit = peak.map(|peak| one_over(peak).value());
        for (weakness, column) in offer.weakness.iter_mut().zip(&offer.columns) {
            let scaled =
                column.iter().zip(&offer.per_unit).map(|(entry, scale)| (entry * scale).abs().to_bits());
            *weakness = one_over(scaled.fold(0, u32::max));
        }
        offer.print.columns = fingerprint(usable, offer.columns.as_flattened());
        Some(offer)
    }

    /// The question that a demand puts to these jets.
    #[must_use]
    pub fn problem<'a>(&'a self, demand: &'a Demand<M>, priority: [u8; M]) -> Problem<'a, M> {
        let count = usize::from(self.count);
        Problem {
            columns: self.columns.get(..count).unwrap_or(&[]),
            price: self.price.get(..count).unwrap_or(&[]),
            limit: self.limit.get(..count).unwrap_or(&[]),
            usable: self.usable(),
            demand,
            priority,
        }
    }

    /// One over the strength of a jet; nothing for one that is not there.
    #[inline(always)]
    pub(super) fn weakness(&self, jet: usize) -> f32 {
        self.weakness.get(jet).map_or(0.0, |power| power.value())
    }

    /// Jets that may fire.
    #[must_use]
    pub fn usable(&self) -> JetMask {
        JetMask(self.print.usable)
    }

    /// Price per second of each jet; zero for jets that may not fire.
    #[must_use]
    pub fn price(&self) -> &[f32; N] {
        &self.price
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

/// A power of two in a byte: the exponent as `f32` has it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Power(u8);

impl Power {
    const ONE: Self = Self(127);

    #[inline(always)]
    pub(super) fn value(self) -> f32 {
        f32::from_bits(u32::from(self.0) << 23)
    }
}

/// One over the power of two at or below a number of these bits, not negative, within reason; 1 for zero.
#[inline]
fn one_over(bits: u32) -> Power {
    let exponent = if bits > 0 { (bits >> 23) as i32 - 127 } else { 0 };
    Power((127 - exponent.clamp(-EXPONENTS, EXPONENTS)) as u8)
}
