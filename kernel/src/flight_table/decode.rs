//! From bytes to a table's values, every one of them checked.

use heapless::Vec;

use crate::config::{
    Accelerometer, BendingMode, ConfigError, ConfigurationTable, Engine, FilterSettings, GROUPS, MODES,
    Timing,
};
use crate::jet::{Jet, LOADS};
use crate::linalg::{Mat3, Vec3};

use super::crc::Checksum;
use super::layout::{
    self as at, CHECKSUM_BYTES, ENGINE, FILTER, JET_BYTES, JETS, LONGEST, MARKER, STACK, Section, TIMING,
    VERSION, VERSION_1, VERSION_3,
};
use super::refusal::{Refusal, Why};
use super::{Label, Name};

/// Header and checksum: less cannot be a table of any version.
const SHORTEST: usize = at::AT_SEQUENCE + CHECKSUM_BYTES;

/// Reads a whole table, for whatever vehicle and stack it is.
///
/// # Errors
/// The first thing found wrong: what makes it a table first, then the fields in the order of their bytes, then
/// the values' ranges.
pub fn read<const N: usize>(bytes: &[u8]) -> Result<(Label, ConfigurationTable<N>), Refusal> {
    let mut table = ConfigurationTable::BLANK;
    let (label, _) = fill(bytes, &mut table)?;
    Ok((label, table))
}

/// The same into a table that is there: tables are large, and stacks are small. Also the checksum. What is
/// refused leaves values that are not to be used.
pub(super) fn fill<const N: usize>(
    bytes: &[u8],
    table: &mut ConfigurationTable<N>,
) -> Result<(Label, u32), Refusal> {
    let sum = checksum(bytes)?;
    let mut from = Reader { bytes, at: at::AT_VERSION };
    let version = from.half()?;
    match at::sections(version) {
        0 => return Err(Refusal::at(Why::Version, at::AT_VERSION, u32::from(version))),
        sections => from.exactly(sections, Why::Sections)?,
    }
    // The length has been looked at with the checksum.
    let _ = from.word()?;
    let sequence = from.word()?;
    if sequence == 0 {
        return Err(Refusal::at(Why::Sequence, at::AT_SEQUENCE, sequence));
    }
    table.identity = from.word()?;
    let label = Label { vehicle: from.name()?, configuration: from.name()?, sequence };
    values(&mut from, table, version)?;
    let jets = table.jets.len();
    table.bending = if version == VERSION_1 { [BendingMode::NONE; MODES] } else { bending(&mut from, jets)? };
    if version >= VERSION_3 {
        from.section(at::loads(jets))?;
        for jet in &mut table.jets {
            jet.load_share = from.take()?;
        }
    }
    table.accelerometer =
        if version < VERSION { Accelerometer::NONE } else { accelerometer(&mut from, jets)? };
    table.validate().map_err(|error| Refusal::of_value(error, bytes))?;
    Ok((label, sum))
}

/// The checksum of a table that has the marker, the length it states and the checksum it states.
pub(super) fn checksum(bytes: &[u8]) -> Result<u32, Refusal> {
    let length = u32::try_from(bytes.len()).unwrap_or(u32::MAX);
    if bytes.len() > LONGEST {
        return Err(Refusal::at(Why::TooLong, at::AT_LENGTH, length));
    }
    if bytes.len() < SHORTEST {
        return Err(Refusal::at(Why::CutOff, bytes.len(), length));
    }
    let mut from = Reader { bytes, at: 0 };
    let marker = from.word()?;
    if marker != u32::from_le_bytes(MARKER) {
        return Err(Refusal::at(Why::Marker, 0, marker));
    }
    from.at = at::AT_LENGTH;
    if from.word()? != length {
        return Err(Refusal::at(Why::Length, at::AT_LENGTH, length));
    }
    let end = bytes.len().saturating_sub(CHECKSUM_BYTES);
    let sum = Checksum::of(bytes.get(..end).unwrap_or(&[]));
    from.at = end;
    if from.word()? == sum { Ok(sum) } else { Err(Refusal::at(Why::Checksum, end, sum)) }
}

/// The sections that all versions have, and the engine between them.
fn values<const N: usize>(
    from: &mut Reader,
    table: &mut ConfigurationTable<N>,
    version: u16,
) -> Result<(), Refusal> {
    from.section(STACK)?;
    table.mass_kg = from.float()?;
    table.centre_of_mass_m = Vec3(from.floats()?);
    table.inertia_kg_m2 = Mat3([from.floats()?, from.floats()?, from.floats()?]);
    table.timing = timing(from)?;
    table.filter = filter(from)?;
    from.section(at::selection(version))?;
    table.axis_priority = from.take()?;
    [table.shared.most_jets_at_once] = from.take()?;
    [table.spare_translation.extra_share, table.spare_translation.within_m_s] = from.floats()?;
    for limit in &mut table.shared.flow_limit_kg_s {
        *limit = from.float()?;
    }
    no_more_limits(from, version)?;
    table.engine = if version < VERSION { Engine::NONE } else { engine(from)? };
    jets(from, &mut table.jets, version)
}

/// Older versions have room for more groups than there are: these have no limit, and no jet either.
fn no_more_limits(from: &mut Reader, version: u16) -> Result<(), Refusal> {
    for group in GROUPS as u8..at::groups(version) as u8 {
        if from.float()? != f32::INFINITY {
            return Err(Refusal::of_value(ConfigError::FlowLimit { group }, from.bytes));
        }
    }
    Ok(())
}

fn engine(from: &mut Reader) -> Result<Engine, Refusal> {
    from.section(ENGINE)?;
    let [pivot_m, direction, first_axis] = [from.floats()?, from.floats()?, from.floats()?].map(Vec3);
    let [thrust_n, specific_impulse_s, travel_rad, gimbal_rate_rad_s] = from.floats()?;
    let [start_s, tail_s] = from.floats()?;
    Ok(Engine {
        pivot_m,
        direction,
        first_axis,
        thrust_n,
        specific_impulse_s,
        travel_rad,
        gimbal_rate_rad_s,
        start_s,
        tail_s,
    })
}

fn accelerometer(from: &mut Reader, jets: usize) -> Result<Accelerometer, Refusal> {
    from.section(at::accelerometer(jets))?;
    Ok(Accelerometer { place_m: Vec3(from.floats()?) })
}

fn timing(from: &mut Reader) -> Result<Timing, Refusal> {
    from.section(TIMING)?;
    let tick_s = from.float()?;
    let measurement_age_limit_ticks = from.word()?;
    let [cycle_ticks, minimum_off_ticks, command_delay_ticks] = [from.half()?, from.half()?, from.half()?];
    from.exactly(0, Why::Unused)?;
    Ok(Timing { tick_s, cycle_ticks, minimum_off_ticks, command_delay_ticks, measurement_age_limit_ticks })
}

fn filter(from: &mut Reader) -> Result<FilterSettings, Refusal> {
    from.section(FILTER)?;
    let [attitude_noise_rad, rate_noise_rad_s, bias_walk_rad_s] = from.floats()?;
    let [disturbance_walk_rad_s2, firing_error] = from.floats()?;
    Ok(FilterSettings {
        attitude_noise_rad,
        rate_noise_rad_s,
        bias_walk_rad_s,
        disturbance_walk_rad_s2,
        firing_error,
    })
}

fn bending(from: &mut Reader, jets: usize) -> Result<[BendingMode; MODES], Refusal> {
    from.section(at::bending(jets))?;
    let mut modes = [BendingMode::NONE; MODES];
    for mode in &mut modes {
        let [frequency_hz, damping_ratio, swing_rad] = from.floats()?;
        *mode = BendingMode { frequency_hz, damping_ratio, swing_rad };
    }
    Ok(modes)
}

fn jets<const N: usize>(from: &mut Reader, jets: &mut Vec<Jet, N>, version: u16) -> Result<(), Refusal> {
    from.exactly(JETS.kind, Why::SectionKind)?;
    let offset = from.at;
    let length = usize::from(from.half()?);
    let count = length / JET_BYTES;
    let fits = count <= 32 && from.bytes.len() == at::bytes_of(version, count);
    if !fits || count * JET_BYTES != length {
        return Err(Refusal::at(Why::SectionLength, offset, length as u32));
    }
    if count > N {
        return Err(Refusal::at(Why::TooManyJets, offset, count as u32));
    }
    jets.clear();
    for _ in 0..count {
        // Cannot be full: at most N.
        let _ = jets.push(jet(from)?);
    }
    Ok(())
}

fn jet(from: &mut Reader) -> Result<Jet, Refusal> {
    let position_m = Vec3(from.floats()?);
    let direction = Vec3(from.floats()?);
    let [thrust_n, specific_impulse_s, dead_time_s, pulse_offset_s] = from.floats()?;
    let price_weight = from.float()?;
    let minimum_on_ticks = from.half()?;
    let offset = from.at;
    let [group, enabled] = from.take()?;
    if enabled > 1 {
        return Err(Refusal::at(Why::Enabled, offset + 1, u32::from(enabled)));
    }
    Ok(Jet {
        position_m,
        direction,
        thrust_n,
        specific_impulse_s,
        minimum_on_ticks,
        dead_time_s,
        pulse_offset_s,
        group,
        price_weight,
        load_share: [0; LOADS],
        enabled: enabled == 1,
    })
}

/// Bytes still to be read.
struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Reader<'_> {
    /// The next bytes; a table that ends before its last section does is cut off.
    fn take<const K: usize>(&mut self) -> Result<[u8; K], Refusal> {
        let left = self.bytes.get(self.at..).and_then(|left| left.first_chunk());
        let Some(chunk) = left else {
            return Err(Refusal::at(Why::CutOff, self.at, self.bytes.len() as u32));
        };
        self.at += K;
        Ok(*chunk)
    }

    fn half(&mut self) -> Result<u16, Refusal> {
        self.take().map(u16::from_le_bytes)
    }

    fn word(&mut self) -> Result<u32, Refusal> {
        self.take().map(u32::from_le_bytes)
    }

    fn float(&mut self) -> Result<f32, Refusal> {
        self.take().map(f32::from_le_bytes)
    }

    fn floats<const K: usize>(&mut self) -> Result<[f32; K], Refusal> {
        let mut values = [0.0; K];
        for value in &mut values {
            *value = self.float()?;
        }
        Ok(values)
    }

    fn name(&mut self) -> Result<Name, Refusal> {
        let offset = self.at;
        let start = Reader { ..*self }.word()?;
        Name::from_bytes(self.take()?).ok_or(Refusal::at(Why::Name, offset, start))
    }

    /// A half word that has one value only.
    fn exactly(&mut self, wanted: u16, why: Why) -> Result<(), Refusal> {
        let offset = self.at;
        let found = self.half()?;
        if found == wanted { Ok(()) } else { Err(Refusal::at(why, offset, u32::from(found))) }
    }

    fn section(&mut self, section: Section) -> Result<(), Refusal> {
        self.exactly(section.kind, Why::SectionKind)?;
        self.exactly(section.length, Why::SectionLength)
    }
}
