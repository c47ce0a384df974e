//! Why a flight table is refused, and where.

use crate::config::{BendingField, ConfigError, EngineField, FilterField, JetField, TimingField};
use crate::mass_properties::MassPropertiesError;

use super::layout::{
    self as at, ENGINE, JETS, SELECTION, STACK, TIMING, accelerometer, bending, jet_at, jets_in,
};

/// A refusal: what is wrong, where, and what stands there. Fixed size, to be sent over a link as it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Refusal {
    /// What is wrong.
    pub why: Why,
    /// Offset of the field in the table, bytes.
    pub offset: u16,
    /// What stands there: a whole number, the bits of a float, or what [`Why`] says.
    pub found: u32,
}

/// What is wrong with a table. The numbers never change meaning; new ones are added.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[non_exhaustive]
pub enum Why {
    /// It is longer than a bank, or than any table may be; found: its length, bytes.
    TooLong,
    /// It ends before its header does; found: its length, bytes.
    CutOff,
    /// It does not begin with the marker; found: the first four bytes.
    Marker,
    /// It does not have the length that it states; found: the length it has, bytes.
    Length,
    /// The checksum is wrong; found: the one its bytes have.
    Checksum,
    /// A format version that this kernel does not read.
    Version,
    /// Another number of sections than this version has.
    Sections,
    /// Another section than this version has here.
    SectionKind,
    /// A section of another length than this version has here, bytes.
    SectionLength,
    /// A name that is none; found: its first four bytes.
    Name,
    /// A sequence number of zero, or one that is not above that of the table in force.
    Sequence,
    /// A table of another vehicle; found: the first byte that differs, at its offset.
    Vehicle,
    /// A table for another stack than the one asked for; found: the first byte that differs, at its offset.
    Configuration,
    /// An unused field that is not zero.
    Unused,
    /// Neither 0 nor 1 where a jet may be fired or not.
    Enabled,
    /// More jets than this kernel was built for; found: their number.
    TooManyJets,
    /// A value out of its range.
    Value(ConfigError),
    /// The load that this step belongs to has been given up, spoiled or superseded; found: its number.
    Superseded,
}

impl Why {
    /// The stable number.
    #[must_use]
    pub const fn number(self) -> u8 {
        match self {
            Self::TooLong => 1,
            Self::CutOff => 2,
            Self::Marker => 3,
            Self::Length => 4,
            Self::Checksum => 5,
            Self::Version => 10,
            Self::Sections => 11,
            Self::SectionKind => 12,
            Self::SectionLength => 13,
            Self::Name => 20,
            Self::Sequence => 21,
            Self::Vehicle => 22,
            Self::Configuration => 23,
            Self::Unused => 30,
            Self::Enabled => 31,
            Self::TooManyJets => 32,
            Self::Value(_) => 33,
            Self::Superseded => 40,
        }
    }
}

impl core::fmt::Display for Refusal {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        write!(f, "{:?} at byte {}: found {:#010x}", self.why, self.offset, self.found)
    }
}

impl core::error::Error for Refusal {}

impl Refusal {
    /// A refusal at an offset.
    pub(super) fn at(why: Why, offset: usize, found: u32) -> Self {
        Self { why, offset: u16::try_from(offset).unwrap_or(u16::MAX), found }
    }

    /// The refusal of a value, with its place and its bits in the table it came from.
    pub(super) fn of_value(error: ConfigError, bytes: &[u8]) -> Self {
        let (offset, width) = place(error, bytes);
        let found = bytes.iter().skip(offset).take(width).rev();
        Self::at(Why::Value(error), offset, found.fold(0, |word, &byte| (word << 8) | u32::from(byte)))
    }
}

/// Offset and width of the field that an error is about, bytes.
fn place(error: ConfigError, bytes: &[u8]) -> (usize, usize) {
    match error {
        ConfigError::MassProperties(error) => match error {
            MassPropertiesError::Mass => (STACK.body(), 4),
            MassPropertiesError::CentreOfMass => {
                (first(bytes, at::AT_CENTRE_OF_MASS, 3, |v| !v.is_finite()), 4)
            }
            MassPropertiesError::InertiaNotFinite => (first(bytes, at::AT_INERTIA, 9, |v| !v.is_finite()), 4),
            MassPropertiesError::InertiaNotSymmetric
            | MassPropertiesError::InertiaNotPositiveDefinite
            | MassPropertiesError::InertiaTriangle => (at::AT_INERTIA, 4),
        },
        ConfigError::NoJets | ConfigError::TooManyJets => (JETS.start + 2, 2),
        ConfigError::Jet { index, field } => {
            let (offset, width) = jet_place(field, bytes, jet_at(usize::from(index)));
            (jet_at(usize::from(index)) + offset, width)
        }
        ConfigError::Timing(field) => match field {
            TimingField::Tick => (TIMING.body(), 4),
            TimingField::Cycle => (at::AT_CYCLE, 2),
            TimingField::MinimumOff => (at::AT_MINIMUM_OFF, 2),
            TimingField::CommandDelay => (at::AT_COMMAND_DELAY, 2),
            TimingField::MeasurementAgeLimit => (at::AT_AGE_LIMIT, 4),
        },
        ConfigError::Filter(field) => {
            let index = match field {
                FilterField::AttitudeNoise => 0,
                FilterField::RateNoise => 1,
                FilterField::BiasWalk => 2,
                FilterField::DisturbanceWalk => 3,
                FilterField::FiringError => 4,
            };
            (at::FILTER.body() + 4 * index, 4)
        }
        ConfigError::AxisPriority => (SELECTION.body(), 3),
        ConfigError::MostJetsAtOnce => (at::AT_MOST_JETS, 1),
        ConfigError::FlowLimit { group } => (at::AT_FLOW_LIMITS + 4 * usize::from(group), 4),
        ConfigError::Bending { mode, field } => {
            let index = match field {
                BendingField::Frequency => 0,
                BendingField::DampingRatio => 1,
                BendingField::Swing => 2,
            };
            (bending(jets_in(bytes)).body() + at::MODE_BYTES * usize::from(mode) + 4 * index, 4)
        }
        ConfigError::Engine(field) => (engine_place(field, bytes), 4),
        ConfigError::Accelerometer => {
            (first(bytes, accelerometer(jets_in(bytes)).body(), 3, |v| !(v.abs() <= 1e3)), 4)
        }
        ConfigError::SpareTranslation => {
            let share_is_sound = float(bytes, at::AT_EXTRA_SHARE).is_some_and(|v| (0.0..=100.0).contains(&v));
            (if share_is_sound { at::AT_WITHIN } else { at::AT_EXTRA_SHARE }, 4)
        }
    }
}

/// Offset of a field of the engine.
fn engine_place(field: EngineField, bytes: &[u8]) -> usize {
    match field {
        EngineField::Pivot => first(bytes, ENGINE.body(), 3, |v| !(v.abs() <= 1e3)),
        EngineField::Direction => at::AT_ENGINE_DIRECTION,
        EngineField::FirstAxis => at::AT_FIRST_AXIS,
        EngineField::Thrust => at::AT_ENGINE_THRUST,
        EngineField::SpecificImpulse => at::AT_ENGINE_IMPULSE,
        EngineField::Travel => at::AT_TRAVEL,
        EngineField::GimbalRate => at::AT_GIMBAL_RATE,
        EngineField::Start => at::AT_START,
        EngineField::Tail => at::AT_TAIL,
    }
}

/// Offset within the jet at `jet`, and width, of a field of it.
fn jet_place(field: JetField, bytes: &[u8], jet: usize) -> (usize, usize) {
    match field {
        JetField::Position => {
            let beyond = first(bytes, jet, 3, |v| !(v.abs() <= 1e3));
            (beyond.saturating_sub(jet), 4)
        }
        JetField::Direction => (at::JET_DIRECTION, 4),
        JetField::Thrust | JetField::FlowAboveLimit => (at::JET_THRUST, 4),
        JetField::SpecificImpulse => (at::JET_SPECIFIC_IMPULSE, 4),
        JetField::MinimumOn => (at::JET_MINIMUM_ON, 2),
        JetField::DeadTime => (at::JET_DEAD_TIME, 4),
        JetField::PulseOffset => (at::JET_PULSE_OFFSET, 4),
        JetField::Group => (at::JET_GROUP, 1),
        JetField::PriceWeight => (at::JET_PRICE_WEIGHT, 4),
    }
}

/// Offset of the first of `count` floats from `from` that is at fault; `from` when none is.
fn first(bytes: &[u8], from: usize, count: usize, at_fault: impl Fn(f32) -> bool) -> usize {
    let offsets = (0..count).map(|index| from + 4 * index);
    let found = |offset: &usize| float(bytes, *offset).is_some_and(&at_fault);
    offsets.clone().find(found).unwrap_or(from)
}

fn float(bytes: &[u8], offset: usize) -> Option<f32> {
    bytes.get(offset..)?.first_chunk().map(|chunk| f32::from_le_bytes(*chunk))
}
