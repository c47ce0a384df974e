//! What takes more than one cycle, and is gone on with in the next: one thing at a time.

use crate::burn::Burning;
use crate::gimbal::EngineCommand;
use crate::open_loop::Choice;
use crate::slew::Slewing;
use crate::translation::Pushing;

/// What is in hand.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[expect(clippy::large_enum_variant, reason = "there is nowhere to put the larger one")]
pub(crate) enum Pending<const N: usize> {
    Nothing,
    /// Whole ticks for an open-loop demand.
    Choice(Choice<N>),
    /// A slew.
    Slew(Slewing),
    /// A translation.
    Push(Pushing<N>),
    /// A burn.
    Burn(Burning<N>),
}

impl<const N: usize> Pending<N> {
    /// What the engine is to do.
    #[inline(always)]
    pub(crate) fn engine(&self) -> EngineCommand {
        match self {
            Self::Burn(burning) => burning.command,
            _ => EngineCommand::OFF,
        }
    }

    /// Takes out the choice that is being thought over, if there is one.
    pub(crate) fn take_choice(&mut self) -> Option<Choice<N>> {
        match core::mem::replace(self, Self::Nothing) {
            Self::Choice(choice) => Some(choice),
            other => {
                *self = other;
                None
            }
        }
    }

    /// Forgets a choice that belongs to something else by now.
    pub(crate) fn forget_choice(&mut self) {
        if matches!(self, Self::Choice(_)) {
            *self = Self::Nothing;
        }
    }

    /// Takes out the slew in hand; one that has not begun where there is none.
    pub(crate) fn take_slew(&mut self) -> Slewing {
        match core::mem::replace(self, Self::Nothing) {
            Self::Slew(slewing) => slewing,
            _ => Slewing::START,
        }
    }

    /// Takes out the translation in hand; one that has not begun where there is none.
    pub(crate) fn take_push(&mut self) -> Pushing<N> {
        match core::mem::replace(self, Self::Nothing) {
            Self::Push(pushing) => pushing,
            _ => Pushing::START,
        }
    }

    /// Takes out the burn in hand; one that has not begun where there is none.
    pub(crate) fn take_burn(&mut self) -> Burning<N> {
        match core::mem::replace(self, Self::Nothing) {
            Self::Burn(burning) => burning,
            _ => Burning::START,
        }
    }
}
