//! Where the fields of format versions 1 to 4 stand, bytes from the start of the table.

use crate::config::GROUPS;
use crate::jet::LOADS;

/// First four bytes of every table.
pub const MARKER: [u8; 4] = *b"SHFT";
/// The version this kernel writes; it reads the ones before it too.
pub const VERSION: u16 = 4;
/// The version without engine and accelerometer.
pub const VERSION_3: u16 = 3;
/// The version without loads, too.
pub const VERSION_2: u16 = 2;
/// The version without bending modes, too.
pub const VERSION_1: u16 = 1;
/// Longest table of any version, bytes: what the checksum guards against five flipped bits.
pub const LONGEST: usize = 2_048;
/// Bytes of the checksum.
pub const CHECKSUM_BYTES: usize = 4;

/// Format version.
pub const AT_VERSION: usize = 4;
/// Number of sections.
pub const AT_SECTIONS: usize = 6;
/// Length of the whole table.
pub const AT_LENGTH: usize = 8;
/// Sequence number.
pub const AT_SEQUENCE: usize = 12;
/// Identity of the values.
pub const AT_IDENTITY: usize = 16;
/// Name of the vehicle.
pub const AT_VEHICLE: usize = 20;
/// Name of the configuration.
pub const AT_CONFIGURATION: usize = 52;

/// A section: kind, where it starts, length of its body (0 for as long as it takes).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Section {
    /// Its kind.
    pub kind: u16,
    /// Offset of its kind.
    pub start: usize,
    /// Bytes of its body.
    pub length: u16,
}

impl Section {
    /// Offset of its body.
    #[must_use]
    pub const fn body(self) -> usize {
        self.start + 4
    }
}

/// Mass properties.
pub const STACK: Section = Section { kind: 1, start: 84, length: 52 };
/// Time base.
pub const TIMING: Section = Section { kind: 2, start: 140, length: 16 };
/// Observer settings.
pub const FILTER: Section = Section { kind: 3, start: 160, length: 20 };
/// What steers and limits the choice of jets. Versions 1 to 3: [`selection`].
pub const SELECTION: Section = Section { kind: 4, start: 184, length: 76 };
/// The main engine, where versions 1 to 3 had the flow limits of groups 16 to 31.
pub const ENGINE: Section = Section { kind: 8, start: 264, length: 60 };
/// The jets.
pub const JETS: Section = Section { kind: 5, start: 328, length: 0 };

/// Kind and length of the body of the bending modes' section, which comes after the jets.
pub const BENDING_KIND: u16 = 6;
/// Bytes of one bending mode.
pub const MODE_BYTES: usize = 12;
/// Bytes of all bending modes.
pub const BENDING_BYTES: usize = MODE_BYTES * crate::bending::MODES;

/// Kind of the loads' section, which comes after the bending modes.
pub const LOADS_KIND: u16 = 7;

/// Kind of the accelerometer's section, which comes last.
pub const ACCELEROMETER_KIND: u16 = 9;
/// Bytes of an accelerometer.
pub const ACCELEROMETER_BYTES: usize = 12;

/// Bytes of one jet.
pub const JET_BYTES: usize = 48;

/// Centre of mass.
pub const AT_CENTRE_OF_MASS: usize = STACK.body() + 4;
/// Inertia.
pub const AT_INERTIA: usize = STACK.body() + 16;
/// Oldest measurement still acted on.
pub const AT_AGE_LIMIT: usize = TIMING.body() + 4;
/// Control cycle.
pub const AT_CYCLE: usize = TIMING.body() + 8;
/// Shortest off-time.
pub const AT_MINIMUM_OFF: usize = TIMING.body() + 10;
/// From the start of a cycle to its pulses.
pub const AT_COMMAND_DELAY: usize = TIMING.body() + 12;
/// Not used, zero.
pub const AT_UNUSED: usize = TIMING.body() + 14;
/// Most jets open at once.
pub const AT_MOST_JETS: usize = SELECTION.body() + 3;
/// Extra price allowed for sparing translation.
pub const AT_EXTRA_SHARE: usize = SELECTION.body() + 4;
/// Velocity left behind then.
pub const AT_WITHIN: usize = SELECTION.body() + 8;
/// Flow limits.
pub const AT_FLOW_LIMITS: usize = SELECTION.body() + 12;

/// Direction of the engine's force.
pub const AT_ENGINE_DIRECTION: usize = ENGINE.body() + 12;
/// Axis of the outer gimbal.
pub const AT_FIRST_AXIS: usize = ENGINE.body() + 24;
/// The engine's steady thrust.
pub const AT_ENGINE_THRUST: usize = ENGINE.body() + 36;
/// The engine's steady specific impulse.
pub const AT_ENGINE_IMPULSE: usize = ENGINE.body() + 40;
/// Largest angle of each gimbal.
pub const AT_TRAVEL: usize = ENGINE.body() + 44;
/// Fastest turn of each gimbal.
pub const AT_GIMBAL_RATE: usize = ENGINE.body() + 48;
/// From the command to start to full thrust.
pub const AT_START: usize = ENGINE.body() + 52;
/// What acts after the command to cut off.
pub const AT_TAIL: usize = ENGINE.body() + 56;

/// Within a jet: direction of force.
pub const JET_DIRECTION: usize = 12;
/// Within a jet: steady thrust.
pub const JET_THRUST: usize = 24;
/// Within a jet: steady specific impulse.
pub const JET_SPECIFIC_IMPULSE: usize = 28;
/// Within a jet: dead time and half the rise.
pub const JET_DEAD_TIME: usize = 32;
/// Within a jet: what the tail adds less what the dead time takes.
pub const JET_PULSE_OFFSET: usize = 36;
/// Within a jet: what a kilogram counts for.
pub const JET_PRICE_WEIGHT: usize = 40;
/// Within a jet: shortest on-time.
pub const JET_MINIMUM_ON: usize = 44;
/// Within a jet: group.
pub const JET_GROUP: usize = 46;
/// Within a jet: may it be fired.
pub const JET_ENABLED: usize = 47;

/// Sections of a version; 0 for one that is not read.
#[must_use]
pub const fn sections(version: u16) -> u16 {
    match version {
        VERSION_1 => 5,
        VERSION_2 => 6,
        VERSION_3 => 7,
        VERSION => 9,
        _ => 0,
    }
}

/// What steers and limits the choice of jets, in any version.
#[must_use]
pub const fn selection(version: u16) -> Section {
    let length = (AT_FLOW_LIMITS - SELECTION.body() + 4 * groups(version)) as u16;
    Section { length, ..SELECTION }
}

/// Groups whose flow limits stand in a table of any version; older ones have more than may have a limit.
#[must_use]
pub const fn groups(version: u16) -> usize {
    if version < VERSION { 32 } else { GROUPS }
}

/// Bytes of a table of so many jets.
#[must_use]
pub const fn table_bytes(jets: usize) -> usize {
    bytes_of(VERSION, jets)
}

/// The same of any version.
#[must_use]
pub const fn bytes_of(version: u16, jets: usize) -> usize {
    let end = match version {
        VERSION_1 => jet_at(jets),
        VERSION_2 => loads(jets).start,
        VERSION_3 => accelerometer(jets).start,
        _ => accelerometer(jets).body() + ACCELEROMETER_BYTES,
    };
    end + CHECKSUM_BYTES
}

const _: () = assert!(table_bytes(32) == LONGEST);
const _: () = assert!(selection(VERSION).length == SELECTION.length);
const _: () = assert!(SELECTION.body() + SELECTION.length as usize == ENGINE.start);
const _: () = assert!(ENGINE.body() + ENGINE.length as usize == JETS.start);

/// Jets in a table whose bytes are in order.
#[must_use]
pub fn jets_in(bytes: &[u8]) -> usize {
    usize::from(half(bytes, JETS.start + 2)) / JET_BYTES
}

/// Version of a table whose bytes are in order.
#[must_use]
pub fn version_of(bytes: &[u8]) -> u16 {
    half(bytes, AT_VERSION)
}

fn half(bytes: &[u8], offset: usize) -> u16 {
    let chunk = bytes.get(offset..).and_then(|left| left.first_chunk());
    chunk.map_or(0, |chunk| u16::from_le_bytes(*chunk))
}

/// The bending modes of a table of so many jets.
#[must_use]
pub const fn bending(jets: usize) -> Section {
    Section { kind: BENDING_KIND, start: jet_at(jets), length: BENDING_BYTES as u16 }
}

/// The loads of a table of so many jets.
#[must_use]
pub const fn loads(jets: usize) -> Section {
    let start = bending(jets).body() + BENDING_BYTES;
    Section { kind: LOADS_KIND, start, length: (LOADS * jets) as u16 }
}

/// Offset of the load shares of a jet, counted from 0, in a table of so many jets.
#[must_use]
pub const fn load_at(jets: usize, index: usize) -> usize {
    loads(jets).body() + LOADS * index
}

/// The accelerometer of a table of so many jets.
#[must_use]
pub const fn accelerometer(jets: usize) -> Section {
    Section { kind: ACCELEROMETER_KIND, start: load_at(jets, jets), length: ACCELEROMETER_BYTES as u16 }
}

/// Offset of a jet, counted from 0.
#[must_use]
pub const fn jet_at(index: usize) -> usize {
    JETS.body() + JET_BYTES * index
}
