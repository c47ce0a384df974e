//! Two banks, and the steps from bytes to the table in force.

use crate::config::ConfigurationTable;
use crate::controller::{Change, Controller};

use super::check::Cursor;
use super::decode::fill;
use super::layout::{AT_CONFIGURATION, AT_LENGTH, AT_SEQUENCE, AT_VEHICLE, table_bytes};
use super::{Label, Name, Refusal, Why};

/// A table is being received piece by piece.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Loading {
    load: u16,
}

/// A table lies in the spare bank; nothing is known of it.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Loaded {
    load: u16,
}

/// The table in the spare bank is good, for this vehicle and for the stack asked for, and newer.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Verified {
    load: u16,
    label: Label,
    checksum: u32,
}

impl Verified {
    /// What it is for.
    #[must_use]
    pub fn label(&self) -> &Label {
        &self.label
    }

    /// Its checksum, to be compared with the listing before it is armed.
    #[must_use]
    pub fn checksum(&self) -> u32 {
        self.checksum
    }
}

/// The table in the spare bank may be activated.
#[derive(Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[must_use]
pub struct Armed {
    load: u16,
}

/// What the spare bank holds. The numbers never change meaning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Stage {
    /// Nothing of use; it is being made a copy of the bank in force.
    Free = 0,
    /// A copy of the bank in force.
    Copy = 1,
    /// A part of a table.
    Loading = 2,
    /// A table that nobody has looked at.
    Loaded = 3,
    /// A good table.
    Verified = 4,
    /// A good table that may be activated.
    Armed = 5,
}

/// One bank: the bytes of a table.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct Bank<const BYTES: usize> {
    bytes: [u8; BYTES],
    used: usize,
}

impl<const BYTES: usize> Bank<BYTES> {
    const EMPTY: Self = Self { bytes: [0; BYTES], used: 0 };

    pub(super) fn bytes(&self) -> &[u8] {
        self.bytes.get(..self.used).unwrap_or(&[])
    }

    /// Adds bytes at the end; whether there was room.
    pub(super) fn append(&mut self, more: &[u8]) -> bool {
        let end = self.used.saturating_add(more.len());
        let Some(room) = self.bytes.get_mut(self.used..end) else { return false };
        for (slot, byte) in room.iter_mut().zip(more) {
            *slot = *byte;
        }
        self.used = end;
        true
    }

    pub(super) fn clear(&mut self) {
        self.used = 0;
    }
}

/// The table in force.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(super) struct InForce {
    pub(super) label: Label,
    pub(super) checksum: u32,
    /// Whether its bank is what was activated, as far as is known.
    pub(super) sound: bool,
}

/// The flight tables of a board: the bytes of the one in force, and a bank to load the next one into.
///
/// For a kernel of at most `N` jets; `BYTES` of a bank, at least [`table_bytes`]`(N)`. The values in force
/// live in the [`Controller`]; these banks can live in a `static` beside it.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FlightTables<const N: usize, const BYTES: usize> {
    vehicle: Name,
    banks: [Bank<BYTES>; 2],
    /// Whether the second bank is the one in force.
    second: bool,
    pub(super) in_force: Option<InForce>,
    pub(super) stage: Stage,
    /// Number of the newest load.
    load: u16,
    pub(super) cursor: Cursor,
    pub(super) upsets: u16,
}

impl<const N: usize, const BYTES: usize> FlightTables<N, BYTES> {
    /// No table yet.
    ///
    /// * `vehicle` — the one this board flies; tables of others are refused.
    #[must_use]
    pub const fn new(vehicle: Name) -> Self {
        const { assert!(BYTES >= table_bytes(N), "a bank is too small for a table of N jets") };
        Self {
            vehicle,
            banks: [Bank::EMPTY; 2],
            second: false,
            in_force: None,
            stage: Stage::Free,
            load: 0,
            cursor: Cursor::START,
            upsets: 0,
        }
    }

    /// What the table in force is for; `None` before the first.
    #[must_use]
    pub fn label(&self) -> Option<&Label> {
        self.in_force.as_ref().map(|in_force| &in_force.label)
    }

    /// Checksum of the table in force; `None` before the first.
    #[must_use]
    pub fn checksum(&self) -> Option<u32> {
        self.in_force.map(|in_force| in_force.checksum)
    }

    /// What the spare bank holds.
    #[must_use]
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// Loads a whole table into the spare bank; what waited there is given up.
    ///
    /// # Errors
    /// [`Why::TooLong`] for the bank.
    pub fn load(&mut self, bytes: &[u8]) -> Result<Loaded, Refusal> {
        let loading = self.begin();
        self.append(&loading, bytes)?;
        self.end(loading)
    }

    /// Begins to load a table that comes in pieces; what waited in the spare bank is given up.
    pub fn begin(&mut self) -> Loading {
        self.load = self.load.wrapping_add(1);
        self.stage = Stage::Loading;
        self.cursor = Cursor::START;
        self.spare_mut().clear();
        Loading { load: self.load }
    }

    /// Takes in the next piece.
    ///
    /// # Errors
    /// [`Why::TooLong`] for the bank, and the load is given up; [`Why::Superseded`] by another load.
    pub fn append(&mut self, loading: &Loading, piece: &[u8]) -> Result<(), Refusal> {
        self.goes_on(loading.load, Stage::Loading)?;
        if self.spare_mut().append(piece) {
            return Ok(());
        }
        let length = self.spare().bytes().len().saturating_add(piece.len());
        self.give_up();
        Err(Refusal::at(Why::TooLong, AT_LENGTH, u32::try_from(length).unwrap_or(u32::MAX)))
    }

    /// Ends the load: all pieces have come.
    ///
    /// # Errors
    /// [`Why::Superseded`] by another load.
    pub fn end(&mut self, loading: Loading) -> Result<Loaded, Refusal> {
        self.goes_on(loading.load, Stage::Loading)?;
        self.stage = Stage::Loaded;
        Ok(Loaded { load: loading.load })
    }

    /// Verifies the table in the spare bank.
    ///
    /// * `stack` — the configuration it is meant for, as commanded apart from the table.
    ///
    /// # Errors
    /// The first thing found wrong; the load is given up.
    pub fn verify(&mut self, loaded: Loaded, stack: &Name) -> Result<Verified, Refusal> {
        self.goes_on(loaded.load, Stage::Loaded)?;
        match self.judge(stack) {
            Ok((label, checksum)) => {
                self.stage = Stage::Verified;
                self.cursor = Cursor::START;
                Ok(Verified { load: loaded.load, label, checksum })
            }
            Err(refusal) => {
                self.give_up();
                Err(refusal)
            }
        }
    }

    /// Arms it: from now on it may be activated.
    ///
    /// # Errors
    /// [`Why::Superseded`] when it has been given up since.
    pub fn arm(&mut self, verified: Verified) -> Result<Armed, Refusal> {
        self.goes_on(verified.load, Stage::Verified)?;
        self.stage = Stage::Armed;
        Ok(Armed { load: verified.load })
    }

    /// Gives up whatever waits in the spare bank.
    pub fn give_up(&mut self) {
        self.load = self.load.wrapping_add(1);
        self.stage = Stage::Free;
        self.cursor = Cursor::START;
        self.spare_mut().clear();
    }

    /// What [`Self::activate`] would do to this controller.
    ///
    /// # Errors
    /// What it would refuse.
    pub fn foresee(&self, armed: &Armed, controller: &Controller<N>) -> Result<Change, Refusal> {
        self.goes_on(armed.load, Stage::Armed)?;
        let mut table = ConfigurationTable::BLANK;
        fill(self.spare().bytes(), &mut table)?;
        Ok(controller.change_for(&table))
    }

    /// Starts a controller with the armed table.
    ///
    /// # Errors
    /// As [`Self::activate`].
    pub fn start(&mut self, armed: Armed) -> Result<Controller<N>, Refusal> {
        let mut table = ConfigurationTable::BLANK;
        let next = self.read_armed(&armed, &mut table)?;
        // The values have been found good just now.
        let made = Controller::new(table).map_err(|error| Refusal::of_value(error, self.spare().bytes()))?;
        self.in_force = Some(next);
        self.change_places();
        Ok(made)
    }

    /// Activates the armed table: verifies its bytes once more, has the controller take up its values, and
    /// switches banks. Call it at the start of a cycle, before the cycle's step.
    ///
    /// # Errors
    /// [`Why::Superseded`] when it has been given up since, or what has happened to its bytes; the table in
    /// force stays.
    pub fn activate(&mut self, armed: Armed, controller: &mut Controller<N>) -> Result<Change, Refusal> {
        let mut table = ConfigurationTable::BLANK;
        let next = self.read_armed(&armed, &mut table)?;
        let taken = controller.exchange(&mut table);
        let change = taken.map_err(|error| Refusal::of_value(error, self.spare().bytes()))?;
        self.in_force = Some(next);
        self.change_places();
        Ok(change)
    }

    /// Reads the armed table once more; one that has been spoiled is given up.
    fn read_armed(&mut self, armed: &Armed, table: &mut ConfigurationTable<N>) -> Result<InForce, Refusal> {
        self.goes_on(armed.load, Stage::Armed)?;
        match fill(self.spare().bytes(), table) {
            Ok((label, checksum)) => Ok(InForce { label, checksum, sound: true }),
            Err(refusal) => {
                self.give_up();
                Err(refusal)
            }
        }
    }

    /// The spare bank becomes the one in force.
    pub(super) fn change_places(&mut self) {
        self.second = !self.second;
        self.give_up();
    }

    /// Everything that verification asks for; the label and the checksum.
    fn judge(&self, stack: &Name) -> Result<(Label, u32), Refusal> {
        let bytes = self.spare().bytes();
        let mut table = ConfigurationTable::<N>::BLANK;
        let (label, checksum) = fill(bytes, &mut table)?;
        same_name(&label.vehicle, &self.vehicle, Why::Vehicle, AT_VEHICLE)?;
        same_name(&label.configuration, stack, Why::Configuration, AT_CONFIGURATION)?;
        if self.in_force.is_some_and(|in_force| label.sequence <= in_force.label.sequence) {
            return Err(Refusal::at(Why::Sequence, AT_SEQUENCE, label.sequence));
        }
        Ok((label, checksum))
    }

    /// Whether a step belongs to what the spare bank holds.
    fn goes_on(&self, load: u16, stage: Stage) -> Result<(), Refusal> {
        let same = load == self.load && stage == self.stage;
        if same { Ok(()) } else { Err(Refusal::at(Why::Superseded, 0, u32::from(load))) }
    }

    /// The bank in force.
    pub(super) fn running(&self) -> &Bank<BYTES> {
        let [first, second] = &self.banks;
        if self.second { second } else { first }
    }

    pub(super) fn spare(&self) -> &Bank<BYTES> {
        let [first, second] = &self.banks;
        if self.second { first } else { second }
    }

    pub(super) fn spare_mut(&mut self) -> &mut Bank<BYTES> {
        let [first, second] = &mut self.banks;
        if self.second { first } else { second }
    }

    /// Both banks, the one in force first.
    pub(super) fn both_mut(&mut self) -> (&mut Bank<BYTES>, &mut Bank<BYTES>) {
        let [first, second] = &mut self.banks;
        if self.second { (second, first) } else { (first, second) }
    }

    /// Flips one bit of the bank in force, or of the spare one: what an upset does, so that the check can be
    /// tried on the bench. Whether there is such a bit.
    pub fn flip_bit(&mut self, spare: bool, bit: usize) -> bool {
        let (running, other) = self.both_mut();
        let bank = if spare { other } else { running };
        let used = bank.used;
        match bank.bytes.get_mut(bit / 8).filter(|_| bit / 8 < used) {
            Some(byte) => {
                *byte ^= 1 << (bit % 8);
                true
            }
            None => false,
        }
    }
}

/// Refuses another name, at the first byte that differs.
fn same_name(found: &Name, wanted: &Name, why: Why, offset: usize) -> Result<(), Refusal> {
    let mut bytes = found.bytes().iter().zip(wanted.bytes()).enumerate();
    match bytes.find(|(_, (found, wanted))| found != wanted) {
        Some((index, (byte, _))) => Err(Refusal::at(why, offset + index, u32::from(*byte))),
        None => Ok(()),
    }
}
