//! Telemetry: one fixed-size record a cycle, everything the kernel put out.
//!
//! Bytes, little-endian whatever the processor; floats as IEEE 754 binary32, every bit kept:
//!
//! | offset | type | what |
//! | --- | --- | --- |
//! | 0 | u8 | version of this layout: [`VERSION`] |
//! | 1 | u8 | status number ([`Status::number`]) |
//! | 2 | u8 | jets in the record, `N` |
//! | 3 | u8 | zero |
//! | 4 | u32 | identity of the table in force |
//! | 8 | u32 | tick at which the pulses open |
//! | 12 | 4 × f32 | attitude at that tick, inertial to body, `[x, y, z, w]` |
//! | 28 | 3 × f32 | body rate, rad/s |
//! | 40 | 3 × f32 | attitude error, body axes, rad |
//! | 52 | 3 × f32 | standing disturbance, body axes, rad/s² |
//! | 64 | 3 × f32 | gyro bias, body axes, rad/s |
//! | 76 | f32 | time from that tick until what the mode expects next, s; infinity where nothing is expected |
//! | 80 | 2 × f32 | angles of the gimbal about its first and its second axis, rad |
//! | 88 | u16 | on-time of the main engine, ticks |
//! | 90 | `N` × u16 | on-time of each jet, ticks |
//!
//! There is no checksum: the packet that carries the record has one.

use crate::cycle::{CycleOutput, EngineCommand};
use crate::linalg::Vec3;
use crate::observer::Motion;
use crate::quaternion::UnitQuaternion;
use crate::status::Status;

/// Version of the layout.
pub const VERSION: u8 = 3;
/// Bytes before the on-times.
const HEAD: usize = 90;

/// Length of a record of `jets` jets, bytes.
#[must_use]
pub const fn record_bytes(jets: usize) -> usize {
    HEAD + 2 * jets
}

/// Writes the record of one cycle into the front of `bytes`; returns its length, `None` when it does not fit.
///
/// * `table_identity` — of the table in force.
pub fn write<const N: usize>(
    output: &CycleOutput<N>,
    table_identity: u32,
    bytes: &mut [u8],
) -> Option<usize> {
    let record = bytes.get_mut(..record_bytes(N))?;
    let head = [VERSION, output.status.number(), u8::try_from(N).ok()?, 0];
    let words = [table_identity, output.open_tick].into_iter().map(u32::to_le_bytes);
    let vectors = [output.motion.rate_rad_s, output.error_rad, output.disturbance_rad_s2, output.bias_rad_s];
    let floats = output.motion.attitude.to_array().into_iter().chain(vectors.into_iter().flat_map(|v| v.0));
    let floats = floats.chain([output.foreseen_s]).chain(output.engine.gimbal_rad);
    let floats = floats.map(|value| value.to_bits().to_le_bytes());
    let ticks = [output.engine.on_ticks].into_iter().chain(output.on_ticks);
    let ticks = ticks.flat_map(u16::to_le_bytes);
    let all = head.into_iter().chain(words.chain(floats).flatten()).chain(ticks);
    record.iter_mut().zip(all).for_each(|(slot, byte)| *slot = byte);
    Some(record_bytes(N))
}

/// Reads a record for at most `N` jets back; jets that it does not have are shut. Returns the output and the identity of
/// the table, `None` when the bytes are no such record.
#[must_use]
pub fn read<const N: usize>(bytes: &[u8]) -> Option<(CycleOutput<N>, u32)> {
    let (&[version, status, jets, zero], rest) = bytes.split_first_chunk()?;
    let jets = usize::from(jets);
    if version != VERSION || zero != 0 || jets > N || bytes.len() != record_bytes(jets) {
        return None;
    }
    let (identity, rest) = word(rest)?;
    let (open_tick, rest) = word(rest)?;
    let (attitude, rest) = floats(rest)?;
    let (rate, rest) = floats(rest)?;
    let (error, rest) = floats(rest)?;
    let (disturbance, rest) = floats(rest)?;
    let (bias, rest) = floats(rest)?;
    let ([foreseen_s], rest) = floats(rest)?;
    let (gimbal_rad, rest) = floats(rest)?;
    let (&engine_ticks, rest) = rest.split_first_chunk()?;
    let mut on_ticks = [0; N];
    for (slot, bytes) in on_ticks.iter_mut().zip(rest.as_chunks().0) {
        *slot = u16::from_le_bytes(*bytes);
    }
    let output = CycleOutput {
        on_ticks,
        open_tick,
        status: Status::from_number(status)?,
        motion: Motion { attitude: UnitQuaternion::as_sent(attitude), rate_rad_s: Vec3(rate) },
        error_rad: Vec3(error),
        disturbance_rad_s2: Vec3(disturbance),
        bias_rad_s: Vec3(bias),
        engine: EngineCommand { on_ticks: u16::from_le_bytes(engine_ticks), gimbal_rad },
        foreseen_s,
    };
    Some((output, identity))
}

fn word(bytes: &[u8]) -> Option<(u32, &[u8])> {
    let (word, rest) = bytes.split_first_chunk()?;
    Some((u32::from_le_bytes(*word), rest))
}

fn floats<const M: usize>(mut bytes: &[u8]) -> Option<([f32; M], &[u8])> {
    let mut values = [0.0; M];
    for value in &mut values {
        let (bits, rest) = word(bytes)?;
        *value = f32::from_bits(bits);
        bytes = rest;
    }
    Some((values, bytes))
}
