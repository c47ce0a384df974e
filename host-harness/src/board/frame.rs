//! Frames on a line between host and board: pieces of bytes that arrive whole or not at all.
//!
//! | offset | bytes | what |
//! | --- | --- | --- |
//! | 0 | 2 | [`MARKER`] |
//! | 2 | 1 | kind |
//! | 3 | 1 | number of the exchange, modulo 256: an answer carries that of its question |
//! | 4 | 2 | length of the load, little-endian, at most [`MOST`] |
//! | 6 | length | load |
//! | 6 + length | 4 | checksum of all from offset 2 to the load's end, little-endian |
//!
//! The checksum is that of flight tables. Nothing is sent twice: a frame that arrives broken is an error, for a flight
//! that went on after one would prove nothing.

use stackhold_kernel::flight_table::Checksum;

/// First two bytes of a frame.
pub const MARKER: [u8; 2] = [0xa5, 0x5a];
/// Longest load, bytes: a table of 32 jets and a selection of 32 jets in six rows fit.
pub const MOST: usize = 2560;

/// A line that carries bytes both ways.
pub trait Line {
    /// Why bytes may not come or go.
    type Error;

    /// The next byte; waits for it.
    ///
    /// # Errors
    /// None comes any more, or not in time.
    fn receive(&mut self) -> Result<u8, Self::Error>;

    /// Sends some bytes.
    ///
    /// # Errors
    /// They cannot be sent.
    fn send(&mut self, bytes: &[u8]) -> Result<(), Self::Error>;
}

/// Why a frame was not received.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Broken<E> {
    /// The line failed.
    Line(E),
    /// It did not begin with the marker but with these bytes.
    Marker([u8; 2]),
    /// It claims a load of so many bytes.
    Length(u16),
    /// The checksum it carries is not that of its bytes.
    Checksum {
        /// As carried.
        carried: u32,
        /// Of the bytes that came.
        found: u32,
    },
}

/// What stands before the load.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// What the load is.
    pub kind: u8,
    /// Number of the exchange.
    pub number: u8,
    /// Bytes of the load.
    pub length: usize,
}

/// Bytes of a frame before its load and after it.
const BEFORE: usize = 6;
const AFTER: usize = 4;

/// A load under construction, or as received: 32-bit little-endian words, or bytes. It keeps room for the rest of its
/// frame, so that a frame leaves in one piece.
pub struct Load {
    frame: [u8; BEFORE + MOST + AFTER],
    used: usize,
}

impl Default for Load {
    fn default() -> Self {
        Self { frame: [0; BEFORE + MOST + AFTER], used: 0 }
    }
}

impl Load {
    /// Appends a word; what does not fit is left out, and the reader will miss it.
    pub fn put(&mut self, word: u32) {
        let used = self.used;
        if let Some(slot) = self.room().get_mut(used..used + 4) {
            slot.copy_from_slice(&word.to_le_bytes());
            self.used += 4;
        }
    }

    /// Empties it and lets `write` fill it from the front; `write` says how much it filled, none when nothing.
    pub fn fill(&mut self, write: impl FnOnce(&mut [u8]) -> Option<usize>) {
        self.used = write(self.room()).unwrap_or(0).min(MOST);
    }

    /// Empties it.
    pub fn clear(&mut self) {
        self.used = 0;
    }

    /// The bytes so far.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        self.frame.get(BEFORE..BEFORE + self.used).unwrap_or_default()
    }

    fn room(&mut self) -> &mut [u8] {
        self.frame.get_mut(BEFORE..BEFORE + MOST).unwrap_or_default()
    }

    /// The whole frame.
    fn framed(&mut self, kind: u8, number: u8) -> &[u8] {
        // Never longer than 16 bits tell: there is room for MOST.
        let [low, high, ..] = self.used.to_le_bytes();
        let [first, second] = MARKER;
        let before = [first, second, kind, number, low, high];
        self.frame.iter_mut().zip(before).for_each(|(slot, byte)| *slot = byte);
        let end = BEFORE + self.used;
        let mut checksum = Checksum::START;
        checksum.add(self.frame.get(MARKER.len()..end).unwrap_or_default());
        let after = checksum.value().to_le_bytes();
        self.frame.iter_mut().skip(end).zip(after).for_each(|(slot, byte)| *slot = byte);
        self.frame.get(..end + AFTER).unwrap_or_default()
    }
}

/// Sends a frame.
///
/// # Errors
/// Of the line.
pub fn send<L: Line>(line: &mut L, kind: u8, number: u8, load: &mut Load) -> Result<(), L::Error> {
    line.send(load.framed(kind, number))
}

/// Receives a frame; its load replaces what `load` held.
///
/// # Errors
/// See [`Broken`].
pub fn receive<L: Line>(line: &mut L, load: &mut Load) -> Result<Head, Broken<L::Error>> {
    load.clear();
    let marker = bytes(line)?;
    if marker != MARKER {
        return Err(Broken::Marker(marker));
    }
    let head: [u8; 4] = bytes(line)?;
    let [kind, number, low, high] = head;
    let length = u16::from_le_bytes([low, high]);
    let Some(room) = load.room().get_mut(..usize::from(length)) else {
        return Err(Broken::Length(length));
    };
    for slot in room.iter_mut() {
        *slot = line.receive().map_err(Broken::Line)?;
    }
    let mut checksum = Checksum::START;
    checksum.add(&head);
    checksum.add(room);
    let carried = u32::from_le_bytes(bytes(line)?);
    if carried != checksum.value() {
        return Err(Broken::Checksum { carried, found: checksum.value() });
    }
    load.used = usize::from(length);
    Ok(Head { kind, number, length: load.used })
}

fn bytes<L: Line, const COUNT: usize>(line: &mut L) -> Result<[u8; COUNT], Broken<L::Error>> {
    let mut bytes = [0; COUNT];
    for slot in &mut bytes {
        *slot = line.receive().map_err(Broken::Line)?;
    }
    Ok(bytes)
}
