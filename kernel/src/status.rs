//! Status of one cycle: stable numbers, safe to send over a link.

/// How a cycle ended. The numbers never change meaning; new ones are added.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Status {
    /// Within limits; no jet asked for.
    #[default]
    Quiet = 0,
    /// Jets asked for; the demand is met.
    Firing = 1,
    /// Free drift commanded; no jet asked for.
    Drifting = 2,
    /// Whole ticks for an open-loop demand, or the path of a slew, are being thought over; no jet opens until that is done.
    Choosing = 3,
    /// A rotation is set up and coasts, no jet asked for.
    Rotating = 4,
    /// A rotation is being set up, or set up again: jets fire, or the filter settles in between.
    SettingUp = 5,
    /// As [`Self::Rotating`], but about the axis of least inertia: when energy is lost the stack will leave it.
    LeastAxis = 8,
    /// A watched drift has crossed its limit: the attitude is held from now on.
    Woken = 9,
    /// Demand out of reach: same direction, shortened.
    Shortened = 10,
    /// An axis is beyond reach: the others are served by priority.
    Prioritised = 11,
    /// This cycle's attitude is missing or refused: flown on the prediction, within the age limit.
    Predicted = 12,
    /// This cycle's rate is missing or refused: flown on the attitude alone.
    RateMissing = 13,
    /// Firings keep meeting a told bending mode in step: each adds to the swing that those before it left.
    Rhythm = 15,
    /// No measurement young enough to act on; all jets shut.
    Stale = 20,
    /// No valid attitude and rate since the start; all jets shut.
    Starting = 21,
    /// Since the start the rate has not been told yet from the swing of a bending mode; all jets shut.
    Learning = 22,
    /// The command holds a number that cannot be flown; the last good command goes on.
    CommandRefused = 30,
    /// No free axis is near enough to the one that a rotation is asked about, or the nearest is the intermediate one; the
    /// last good command goes on. Jets are quiet where mass properties told in flight have made it so.
    AxisRefused = 31,
    /// The jets cannot turn the stack to the commanded attitude: the attitude where that was found is held.
    SlewRefused = 32,
    /// The jets cannot push the stack as asked with its attitude held: the attitude is held, and what was gained stays.
    PushRefused = 33,
    /// The engine cannot be flown as asked: there is none, its line of force points too far away, the jets cannot carry the torque
    /// that its gimbal leaves, or the attitude was lost and it was cut off. The attitude is held.
    BurnRefused = 34,
    /// Jet selection gave no answer that proves itself; all jets shut this cycle.
    SelectionFailed = 40,
    /// Jets are needed, but every jet is disabled or inhibited.
    NoJets = 41,
}

/// How far the command of a cycle can be trusted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Trust {
    /// Fully.
    Full,
    /// It does what it can; someone should look.
    Degraded,
    /// The jets are shut because nothing better is known.
    Withheld,
}

impl Status {
    /// Every status, in the order of the numbers.
    pub const ALL: [Self; 23] = [
        Self::Quiet,
        Self::Firing,
        Self::Drifting,
        Self::Choosing,
        Self::Rotating,
        Self::SettingUp,
        Self::LeastAxis,
        Self::Woken,
        Self::Shortened,
        Self::Prioritised,
        Self::Predicted,
        Self::RateMissing,
        Self::Rhythm,
        Self::Stale,
        Self::Starting,
        Self::Learning,
        Self::CommandRefused,
        Self::AxisRefused,
        Self::SlewRefused,
        Self::PushRefused,
        Self::BurnRefused,
        Self::SelectionFailed,
        Self::NoJets,
    ];

    /// The status of a number; `None` where there is none.
    #[must_use]
    pub fn from_number(number: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|status| status.number() == number)
    }

    /// The stable number.
    #[must_use]
    pub const fn number(self) -> u8 {
        // The one place where the discriminant is read.
        self as u8
    }

    /// How far to trust the command that came with this status.
    #[must_use]
    pub const fn trust(self) -> Trust {
        match self {
            Self::Quiet
            | Self::Firing
            | Self::Drifting
            | Self::Choosing
            | Self::Rotating
            | Self::SettingUp => Trust::Full,
            Self::LeastAxis
            | Self::Woken
            | Self::Shortened
            | Self::Prioritised
            | Self::Predicted
            | Self::RateMissing
            | Self::Rhythm
            | Self::CommandRefused
            | Self::AxisRefused
            | Self::SlewRefused
            | Self::PushRefused
            | Self::BurnRefused => Trust::Degraded,
            Self::Stale | Self::Starting | Self::Learning | Self::SelectionFailed | Self::NoJets => {
                Trust::Withheld
            }
        }
    }
}
