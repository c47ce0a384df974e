//! From a table's values to its bytes.

use core::mem;

use crate::config::{ConfigurationTable, Engine};
use crate::jet::Jet;

use super::Label;
use super::crc::Checksum;
use super::layout::{
    self as at, CHECKSUM_BYTES, ENGINE, FILTER, JET_BYTES, JETS, LONGEST, MARKER, STACK, Section, TIMING,
    VERSION, table_bytes,
};

/// Where bytes go: into a buffer, or beside others to be compared.
pub(super) trait Sink {
    fn put<const K: usize>(&mut self, bytes: &[u8; K]);
}

/// Writes a table; the number of its bytes, or `None` when `out` is too short or there are more jets than
/// a table may hold.
pub fn encode<const N: usize>(label: &Label, table: &ConfigurationTable<N>, out: &mut [u8]) -> Option<usize> {
    let length = table_bytes(table.jets.len());
    let jets = u16::try_from(JET_BYTES * table.jets.len()).ok()?;
    if length > LONGEST {
        return None;
    }
    let (body, checksum) = out.get_mut(..length)?.split_at_mut_checked(length - CHECKSUM_BYTES)?;
    let mut writer = Writer(body);
    writer.put(&MARKER);
    writer.put(&VERSION.to_le_bytes());
    writer.put(&at::sections(VERSION).to_le_bytes());
    writer.put(&u32::try_from(length).ok()?.to_le_bytes());
    writer.put(&label.sequence.to_le_bytes());
    writer.put(&table.identity.to_le_bytes());
    writer.put(label.vehicle.bytes());
    writer.put(label.configuration.bytes());
    put_stack(table, &mut writer);
    put_timing(table, &mut writer);
    put_filter(table, &mut writer);
    put_selection(table, VERSION, &mut writer);
    put_engine(&table.engine, &mut writer);
    put_head(Section { length: jets, ..JETS }, &mut writer);
    for jet in &table.jets {
        put_jet(jet, &mut writer);
    }
    put_bending(table, &mut writer);
    put_head(at::loads(table.jets.len()), &mut writer);
    for jet in &table.jets {
        writer.put(&jet.load_share);
    }
    put_accelerometer(table, &mut writer);
    let sum = Checksum::of(body);
    Writer(checksum).put(&sum.to_le_bytes());
    Some(length)
}

struct Writer<'a>(&'a mut [u8]);

impl Sink for Writer<'_> {
    fn put<const K: usize>(&mut self, bytes: &[u8; K]) {
        // Never too short: the length was worked out before.
        if let Some((slots, rest)) = mem::take(&mut self.0).split_first_chunk_mut() {
            *slots = *bytes;
            self.0 = rest;
        }
    }
}

pub(super) fn put_head(section: Section, to: &mut impl Sink) {
    to.put(&section.kind.to_le_bytes());
    to.put(&section.length.to_le_bytes());
}

fn put_floats(values: &[f32], to: &mut impl Sink) {
    for value in values {
        to.put(&value.to_le_bytes());
    }
}

pub(super) fn put_stack<const N: usize>(table: &ConfigurationTable<N>, to: &mut impl Sink) {
    put_head(STACK, to);
    put_floats(&[table.mass_kg], to);
    put_floats(&table.centre_of_mass_m.0, to);
    for row in &table.inertia_kg_m2.0 {
        put_floats(row, to);
    }
}

pub(super) fn put_timing<const N: usize>(table: &ConfigurationTable<N>, to: &mut impl Sink) {
    let timing = &table.timing;
    put_head(TIMING, to);
    put_floats(&[timing.tick_s], to);
    to.put(&timing.measurement_age_limit_ticks.to_le_bytes());
    for ticks in [timing.cycle_ticks, timing.minimum_off_ticks, timing.command_delay_ticks, 0] {
        to.put(&ticks.to_le_bytes());
    }
}

pub(super) fn put_filter<const N: usize>(table: &ConfigurationTable<N>, to: &mut impl Sink) {
    let filter = &table.filter;
    put_head(FILTER, to);
    put_floats(&[filter.attitude_noise_rad, filter.rate_noise_rad_s, filter.bias_walk_rad_s], to);
    put_floats(&[filter.disturbance_walk_rad_s2, filter.firing_error], to);
}

/// What all versions have of it.
pub(super) fn put_selection<const N: usize>(table: &ConfigurationTable<N>, version: u16, to: &mut impl Sink) {
    put_head(at::selection(version), to);
    to.put(&table.axis_priority);
    to.put(&[table.shared.most_jets_at_once]);
    put_floats(&[table.spare_translation.extra_share, table.spare_translation.within_m_s], to);
    put_floats(&table.shared.flow_limit_kg_s, to);
}

pub(super) fn put_engine(engine: &Engine, to: &mut impl Sink) {
    put_head(ENGINE, to);
    put_floats(&engine.pivot_m.0, to);
    put_floats(&engine.direction.0, to);
    put_floats(&engine.first_axis.0, to);
    put_floats(&[engine.thrust_n, engine.specific_impulse_s], to);
    put_floats(&[engine.travel_rad, engine.gimbal_rate_rad_s], to);
    put_floats(&[engine.start_s, engine.tail_s], to);
}

pub(super) fn put_accelerometer<const N: usize>(table: &ConfigurationTable<N>, to: &mut impl Sink) {
    put_head(at::accelerometer(table.jets.len()), to);
    put_floats(&table.accelerometer.place_m.0, to);
}

pub(super) fn put_bending<const N: usize>(table: &ConfigurationTable<N>, to: &mut impl Sink) {
    put_head(at::bending(table.jets.len()), to);
    for mode in &table.bending {
        put_floats(&[mode.frequency_hz, mode.damping_ratio, mode.swing_rad], to);
    }
}

pub(super) fn put_jet(jet: &Jet, to: &mut impl Sink) {
    put_floats(&jet.position_m.0, to);
    put_floats(&jet.direction.0, to);
    put_floats(&[jet.thrust_n, jet.specific_impulse_s, jet.dead_time_s, jet.pulse_offset_s], to);
    put_floats(&[jet.price_weight], to);
    to.put(&jet.minimum_on_ticks.to_le_bytes());
    to.put(&[jet.group, u8::from(jet.enabled)]);
}
