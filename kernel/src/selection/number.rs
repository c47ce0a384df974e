//! The numbers that a walk reckons with: `f32`, or pairs of them where that is not enough.

use super::twofold::Twofold;
use core::ops::{Add, Div, Mul, Neg, Sub};

/// How far a walk trusts its numbers; each is a share of what its use says.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Trust {
    /// Half a unit in the last place of 1.
    pub(super) rounding: f32,
    /// Tolerance of the ratio test, in units of the dearest price.
    pub(super) harris: f32,
    /// A reduced cost this far on the wrong side, in units of the dearest price, makes its variable move across.
    pub(super) wrong_side: f32,
    /// A basic jet may miss its multipliers by this share of the dearest price before they are refined.
    pub(super) mispriced: f32,
    /// Basic variables may be this far outside their bounds, in units of what is served.
    pub(super) feasible: f32,
    /// Miss that is refined, in units of what is served.
    pub(super) refined: f32,
    /// Row entries below this share of their terms are rounding noise.
    pub(super) noise: f32,
    /// Row entries below this share of their terms are no pivots.
    pub(super) tiny: f32,
    /// Entries that stay below this share of their column when a basis is factorised anew are taken as dependent.
    pub(super) dependent: f32,
    /// What is let pass of an answer.
    pub(super) tolerated: Tolerated,
}

/// What is let pass of an answer for rounding's sake.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Tolerated {
    /// Largest miss of a row that is believed, in units of what is served.
    pub(super) residual: f32,
    /// How far rows may be let off, in units of what is served.
    pub(super) let_off: f32,
    /// How far rows may be missed in the second stage, as a share of the demand.
    pub(super) leeway: f32,
    /// A share of the demand that rounding stands in the way of is made smaller by this part of it.
    pub(super) nudge: f32,
}

impl Tolerated {
    /// What every proven answer keeps to.
    const STRICT: Self = Self { residual: 4.5e-6, let_off: 1.5e-6, leeway: 5.0e-6, nudge: 2.4e-7 };
}

impl Trust {
    /// `f32` where it comes to no end otherwise: an answer may then be off by three ten-thousandths of what is served.
    pub(super) const EASED: Self = f32::TRUST.eased(64.0);

    /// The same numbers trusted so many times less; what is rounding and nothing else stays.
    const fn eased(self, by: f32) -> Self {
        let Tolerated { residual, let_off, leeway, nudge } = self.tolerated;
        Self {
            harris: by * self.harris,
            wrong_side: by * self.wrong_side,
            mispriced: by * self.mispriced,
            feasible: by * self.feasible,
            refined: by * self.refined,
            tiny: by * self.tiny,
            dependent: by * self.dependent,
            tolerated: Tolerated {
                residual: by * residual,
                let_off: by * let_off,
                leeway: by * leeway,
                nudge: by * nudge,
            },
            ..self
        }
    }
}

/// Arithmetic of one precision.
pub(super) trait Number:
    Copy
    + PartialOrd
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
{
    const ZERO: Self;
    const ONE: Self;
    const TRUST: Trust;

    /// Whether sums need no further care.
    const IS_TWOFOLD: bool;

    /// This number exactly.
    fn of(x: f32) -> Self;

    /// The nearest `f32`.
    fn rounded(self) -> f32;

    /// Nearest number to a pair.
    fn narrowed(x: Twofold) -> Self;

    /// As a pair, exactly.
    fn widened(self) -> Twofold;

    /// Times a power of two or a sign, exactly.
    fn scaled(self, by: f32) -> Self;

    /// Without its sign.
    fn abs(self) -> Self;

    /// The larger of two; `other` when either is not a number.
    #[inline(always)]
    fn or_more(self, other: Self) -> Self {
        if self > other { self } else { other }
    }

    /// The smaller of two; `other` when either is not a number.
    #[inline(always)]
    fn or_less(self, other: Self) -> Self {
        if self < other { self } else { other }
    }
}

impl Number for f32 {
    const ZERO: Self = 0.0;
    const ONE: Self = 1.0;
    const IS_TWOFOLD: bool = false;
    const TRUST: Trust = Trust {
        rounding: 6.0e-8,
        harris: 3.0e-8,
        wrong_side: 6.0e-8,
        mispriced: 1.0e-7,
        feasible: 1.0e-6,
        refined: 4.0e-7,
        noise: 2.4e-7,
        tiny: 5.0e-6,
        dependent: 1.0e-6,
        tolerated: Tolerated::STRICT,
    };

    #[inline(always)]
    fn of(x: f32) -> Self {
        x
    }

    #[inline(always)]
    fn rounded(self) -> f32 {
        self
    }

    #[inline(always)]
    fn narrowed(x: Twofold) -> Self {
        x.value()
    }

    #[inline(always)]
    fn widened(self) -> Twofold {
        Twofold::exactly(self)
    }

    #[inline(always)]
    fn scaled(self, by: f32) -> Self {
        self * by
    }

    #[inline(always)]
    fn abs(self) -> Self {
        f32::abs(self)
    }
}

impl Number for Twofold {
    const ZERO: Self = Self::exactly(0.0);
    const ONE: Self = Self::exactly(1.0);
    const IS_TWOFOLD: bool = true;
    const TRUST: Trust = Trust {
        rounding: 4.0e-15,
        harris: 1.0e-12,
        wrong_side: 2.0e-12,
        mispriced: 1.0e-12,
        feasible: 2.0e-7,
        refined: 1.0e-10,
        noise: 1.0e-12,
        tiny: 1.0e-10,
        dependent: 1.0e-10,
        tolerated: Tolerated::STRICT,
    };

    #[inline(always)]
    fn of(x: f32) -> Self {
        Self::exactly(x)
    }

    #[inline(always)]
    fn rounded(self) -> f32 {
        self.value()
    }

    #[inline(always)]
    fn narrowed(x: Twofold) -> Self {
        x
    }

    #[inline(always)]
    fn widened(self) -> Twofold {
        self
    }

    #[inline(always)]
    fn scaled(self, by: f32) -> Self {
        self.scaled_by(by)
    }

    #[inline(always)]
    fn abs(self) -> Self {
        if self.value() < 0.0 { -self } else { self }
    }
}
