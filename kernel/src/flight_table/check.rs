//! The check in memory: a slice of a bank and a piece of the values in force, every cycle.

use crate::bending::Noise;
use crate::config::{Accelerometer, BendingMode, ConfigurationTable, Engine, MODES};
use crate::controller::{Controller, enabled};
use crate::effectiveness::Effect;
use crate::jet::LOADS;
use crate::mass_properties::MassProperties;

use super::banks::{FlightTables, Stage};
use super::crc::Checksum;
use super::decode::fill;
use super::encode::{
    Sink, put_accelerometer, put_bending, put_engine, put_filter, put_head, put_jet, put_selection,
    put_stack, put_timing,
};
use super::layout::{
    ENGINE, JETS, SELECTION, STACK, TIMING, VERSION, VERSION_1, VERSION_3, accelerometer, bending, jet_at,
    jets_in, load_at, loads, version_of,
};

/// Bytes of a bank that are looked at in one cycle.
pub const SLICE_BYTES: usize = 32;

/// Pieces of the values in force beside the jets.
const OTHER_PIECES: usize = 3;

/// What the check found in this cycle. The numbers never change meaning.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Health {
    /// Nothing wrong.
    #[default]
    Sound = 0,
    /// No table is in force yet.
    NoTable = 1,
    /// The spare bank was spoiled; a table that waited there must be loaded again.
    SpareSpoiled = 10,
    /// The bank in force was spoiled; its copy has taken its place.
    BankReplaced = 11,
    /// The values in force were spoiled; they were taken from the bank anew.
    ValuesRestored = 12,
    /// The bank in force is spoiled and has no sound copy: the values in force go on flying, unchecked, until
    /// another table is activated.
    BankLost = 20,
}

impl Health {
    /// The stable number.
    #[must_use]
    pub const fn number(self) -> u8 {
        self as u8
    }
}

/// How far the check has come.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Cursor {
    /// Whether it is at the spare bank.
    at_spare: bool,
    /// Bytes looked at.
    at: usize,
    sum: Checksum,
    /// Piece of the values in force.
    piece: usize,
}

impl Cursor {
    pub(super) const START: Self = Self { at_spare: false, at: 0, sum: Checksum::START, piece: 0 };

    /// On to the other bank.
    fn turn(&mut self) {
        *self = Self { at_spare: !self.at_spare, piece: self.piece, ..Self::START };
    }
}

impl<const N: usize, const BYTES: usize> FlightTables<N, BYTES> {
    /// Goes on with the check: once in every cycle, between two steps of the controller that flies the table.
    ///
    /// The work is bounded: [`SLICE_BYTES`] of checksum and one jet compared; in the cycle in which something
    /// is found, that of [`Self::activate`] at most.
    pub fn check(&mut self, controller: &mut Controller<N>) -> Health {
        let Some(in_force) = self.in_force else { return Health::NoTable };
        let mut found = Health::Sound;
        if in_force.sound && !self.piece_holds(controller) {
            // Which of the two is spoiled? The bank says so itself.
            found =
                if self.running_is_sound() { self.restore_values(controller) } else { self.replace_bank() };
        }
        if found == Health::Sound {
            found = self.look_at_slice();
        }
        if found != Health::Sound {
            self.upsets = self.upsets.saturating_add(1);
            return found;
        }
        match self.in_force {
            Some(in_force) if !in_force.sound => Health::BankLost,
            _ => Health::Sound,
        }
    }

    /// Upsets found since the start; the count stops at 65,535.
    #[must_use]
    pub fn upsets(&self) -> u16 {
        self.upsets
    }

    /// Cycles after which an upset in either bank or in the values in force has been found, at most: it may
    /// strike where the check has just been. A new load makes the check begin anew.
    #[must_use]
    pub fn cycles_to_find(&self) -> usize {
        let slices = |length: usize| length.div_ceil(SLICE_BYTES);
        let (running, spare) = (slices(self.running().bytes().len()), slices(self.spare().bytes().len()));
        // The spare bank takes a cycle also when there is nothing to look at.
        let round = running + if spare > 0 { spare } else { 1 };
        round + running.max(spare)
    }

    /// Checks one piece of the values in force against the bank, and what follows from it.
    fn piece_holds(&mut self, controller: &Controller<N>) -> bool {
        let bytes = self.running().bytes();
        let jets = jets_in(bytes);
        let piece = self.cursor.piece;
        let holds = match piece.checked_sub(OTHER_PIECES) {
            Some(index) => jet_holds(controller, bytes, jets, index),
            None if piece == 0 => stack_holds(controller, bytes),
            None if piece == 1 => settings_hold(controller, bytes, jets),
            None => selection_holds(controller, bytes, jets),
        };
        self.cursor.piece = if piece + 1 < jets + OTHER_PIECES { piece + 1 } else { 0 };
        holds
    }

    fn running_is_sound(&self) -> bool {
        is_sound(self.running().bytes())
    }

    /// Takes the values in force from their bank anew; mass properties told since stay.
    // Apart, so that cycles in which nothing is found need no stack for a table.
    #[cold]
    #[inline(never)]
    fn restore_values(&mut self, controller: &mut Controller<N>) -> Health {
        let mut table = ConfigurationTable::BLANK;
        if fill(self.running().bytes(), &mut table).is_ok() {
            controller.exchange_again(&mut table);
        }
        Health::ValuesRestored
    }

    /// Puts the copy in the place of a spoiled bank, if it is a sound one.
    fn replace_bank(&mut self) -> Health {
        if self.stage == Stage::Copy && is_sound(self.spare().bytes()) {
            self.change_places();
            return Health::BankReplaced;
        }
        if let Some(in_force) = &mut self.in_force {
            in_force.sound = false;
        }
        if matches!(self.stage, Stage::Free | Stage::Copy) {
            // What was copied came from the spoiled bank, or is spoiled itself.
            self.give_up();
        }
        Health::BankLost
    }

    /// Goes on by a slice: into the checksum, or from the bank in force into a free spare bank.
    fn look_at_slice(&mut self) -> Health {
        let sound = self.in_force.is_some_and(|in_force| in_force.sound);
        if !self.cursor.at_spare {
            return match (sound, self.add_slice(false)) {
                (true, Some(false)) => self.replace_bank(),
                _ => Health::Sound,
            };
        }
        match self.stage {
            Stage::Copy | Stage::Verified | Stage::Armed => {
                if self.add_slice(true) == Some(false) {
                    self.give_up();
                    return Health::SpareSpoiled;
                }
            }
            Stage::Free if sound => self.copy_slice(),
            Stage::Free | Stage::Loading | Stage::Loaded => self.cursor.turn(),
        }
        Health::Sound
    }

    /// Adds a slice of a bank to the checksum; at the end of the bank, whether it is sound.
    fn add_slice(&mut self, spare: bool) -> Option<bool> {
        let mut cursor = self.cursor;
        let bytes = if spare { self.spare().bytes() } else { self.running().bytes() };
        let left = bytes.get(cursor.at..).unwrap_or(&[]);
        let slice = left.get(..SLICE_BYTES).unwrap_or(left);
        cursor.sum.add(slice);
        cursor.at += slice.len();
        let ended = slice.len() == left.len();
        let sound = cursor.sum.value() == SOUND;
        if ended {
            cursor.turn();
        }
        self.cursor = cursor;
        ended.then_some(sound)
    }

    /// Copies a slice of the bank in force into the spare one.
    fn copy_slice(&mut self) {
        let (running, spare) = self.both_mut();
        let left = running.bytes().get(spare.bytes().len()..).unwrap_or(&[]);
        let slice = left.get(..SLICE_BYTES).unwrap_or(left);
        let ended = slice.len() == left.len();
        // Never too long: both banks are of one size.
        let _ = spare.append(slice);
        if ended {
            self.stage = Stage::Copy;
            self.cursor.turn();
        }
    }
}

/// The checksum of bytes with their own checksum behind them.
const SOUND: u32 = 0;

fn is_sound(bytes: &[u8]) -> bool {
    !bytes.is_empty() && Checksum::of(bytes) == SOUND
}

/// Mass properties.
fn stack_holds<const N: usize>(controller: &Controller<N>, bytes: &[u8]) -> bool {
    let table = &controller.table;
    let told = MassProperties::new(table.mass_kg, table.centre_of_mass_m, table.inertia_kg_m2);
    let mut stack = Beside::new(bytes, STACK.start);
    put_stack(table, &mut stack);
    (stack.same || controller.retold) && told == Ok(controller.stack)
}

/// Timing, filter settings, and where the accelerometer sits.
fn settings_hold<const N: usize>(controller: &Controller<N>, bytes: &[u8], jets: usize) -> bool {
    let mut settings = Beside::new(bytes, TIMING.start);
    put_timing(&controller.table, &mut settings);
    put_filter(&controller.table, &mut settings);
    let accelerometer_holds = if version_of(bytes) == VERSION {
        let mut beside = Beside::new(bytes, accelerometer(jets).start);
        put_accelerometer(&controller.table, &mut beside);
        beside.same
    } else {
        controller.table.accelerometer == Accelerometer::NONE
    };
    let settings_hold = settings.same && accelerometer_holds;
    settings_hold && controller.noise == Noise::of(&controller.table.filter, &controller.table.bending)
}

/// What steers and limits the choice of jets, the engine, how many jets there are, and how the stack swings.
fn selection_holds<const N: usize>(controller: &Controller<N>, bytes: &[u8], jets: usize) -> bool {
    let version = version_of(bytes);
    let mut selection = Beside::new(bytes, SELECTION.start);
    put_selection(&controller.table, version, &mut selection);
    let engine_holds = if version == VERSION {
        let mut beside = Beside::new(bytes, ENGINE.start);
        put_engine(&controller.table.engine, &mut beside);
        beside.same
    } else {
        controller.table.engine == Engine::NONE
    };
    let mut jets_kind = Beside::new(bytes, JETS.start);
    jets_kind.put(&JETS.kind.to_le_bytes());
    let masked = controller.enabled == enabled(&controller.table.jets);
    let bending_holds = if version > VERSION_1 {
        let mut modes = Beside::new(bytes, bending(jets).start);
        put_bending(&controller.table, &mut modes);
        modes.same
    } else {
        controller.table.bending == [BendingMode::NONE; MODES]
    };
    let mut loads_head = Beside::new(bytes, loads(jets).start);
    if version >= VERSION_3 {
        put_head(loads(jets), &mut loads_head);
    }
    let heads = jets_kind.same && loads_head.same;
    let told = selection.same && engine_holds && bending_holds;
    told && heads && masked && controller.table.jets.len() == jets
}

/// One jet, its loads and its effect.
fn jet_holds<const N: usize>(controller: &Controller<N>, bytes: &[u8], jets: usize, index: usize) -> bool {
    let effect = controller.effectiveness.effects().get(index);
    let (Some(jet), Some(effect)) = (controller.table.jets.get(index), effect) else { return false };
    let mut beside = Beside::new(bytes, jet_at(index));
    put_jet(jet, &mut beside);
    let loads_hold = if version_of(bytes) >= VERSION_3 {
        let mut loads = Beside::new(bytes, load_at(jets, index));
        loads.put(&jet.load_share);
        loads.same
    } else {
        jet.load_share == [0; LOADS]
    };
    beside.same && loads_hold && *effect == Effect::of(jet, &controller.stack)
}

/// Compares what is put with the bytes of a bank.
struct Beside<'a> {
    left: &'a [u8],
    same: bool,
}

impl<'a> Beside<'a> {
    fn new(bytes: &'a [u8], offset: usize) -> Self {
        Self { left: bytes.get(offset..).unwrap_or(&[]), same: true }
    }
}

impl Sink for Beside<'_> {
    fn put<const K: usize>(&mut self, bytes: &[u8; K]) {
        match self.left.split_first_chunk() {
            Some((found, left)) => {
                self.same &= found == bytes;
                self.left = left;
            }
            None => self.same = false,
        }
    }
}
