//! The recording: configuration tables and cycle inputs as 32-bit words.
//!
//! | item | words |
//! | --- | --- |
//! | start of the recording | [`START`] |
//! | flight | [`FLIGHT`], name (32 bytes, padded with zeros), table |
//! | cycle | [`CYCLE`] plus flags, clock, attitude (4 floats, tick), rate (3 floats, tick), count of an accelerometer (3 floats, tick), inhibited jets, shut groups, command |
//! | end of the recording | [`END`] |
//!
//! Floats are stored as their bits, so that not-a-number travels as well as any other. Absent samples
//! are stored as zeros: every cycle has the same length but for its command. The order within a table
//! is that of the functions here; both directions stand next to each other.

use stackhold_kernel::config::{
    Accelerometer, BendingMode, ConfigurationTable, Engine, FilterSettings, SharedLimits, SpareTranslation,
    Timing,
};
use stackhold_kernel::cycle::{
    AttitudeSample, Burn, Command, CycleInput, Hand, HandDemand, Pace, RateSample, Rotation, Slew,
    Translation, VelocitySample,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::{Jet, JetMask};
use stackhold_kernel::linalg::{Mat3, Vec3};

/// First word of a recording; the last digit is the version of this layout.
pub const START: u32 = 0x5354_4b04;
/// First word of a flight.
pub const FLIGHT: u32 = 0xf11e_0001;
/// First word of a cycle, less its flags.
pub const CYCLE: u32 = 0xc1c1_0000;
/// Last word of a recording.
pub const END: u32 = 0xe0d0_0001;

const HAS_ATTITUDE: u32 = 1;
const ATTITUDE_VALID: u32 = 2;
const HAS_RATE: u32 = 4;
const RATE_VALID: u32 = 8;
const HAS_VELOCITY: u32 = 16;
const VELOCITY_VALID: u32 = 32;
const GIMBAL_STUCK: u32 = 64;
const FLAGS: u32 = 0xffff;

const DRIFT: u32 = 0;
const HOLD: u32 = 1;
const IMPULSE: u32 = 2;
const IMPULSE_WITH_VELOCITY: u32 = 3;
const WATCH: u32 = 4;
const DAMP: u32 = 5;
const HAND_FOR_RATE: u32 = 6;
const HAND_FOR_BIT: u32 = 7;
const SLEW_QUICK: u32 = 8;
const SLEW_CHEAP: u32 = 9;
const ROTATE: u32 = 10;
const TRANSLATE: u32 = 11;
const BURN: u32 = 12;

/// Why a recording could not be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Malformed {
    /// The words ended in the middle.
    CutOff,
    /// A word that starts no item of this layout.
    UnknownItem,
    /// A table with more jets than the kernel was built for.
    TooManyJets,
}

/// Where the words of a recording come from.
pub trait Words {
    /// The next word; `None` at the end.
    fn word(&mut self) -> Option<u32>;
}

/// A name of at most 32 ASCII characters.
pub type Name = [u8; 32];

/// One item of a recording.
pub enum Item<const N: usize> {
    /// A flight starts.
    Flight(Name, ConfigurationTable<N>),
    /// One cycle of it.
    Cycle(CycleInput),
    /// The recording is complete.
    End,
}

/// Writes the start of a flight.
pub fn write_flight<const N: usize>(name: &str, table: &ConfigurationTable<N>, put: &mut impl FnMut(u32)) {
    put(FLIGHT);
    put_name(name, put);
    put(table.identity);
    put(table.mass_kg.to_bits());
    put_floats(table.centre_of_mass_m.0, put);
    for row in table.inertia_kg_m2.0 {
        put_floats(row, put);
    }
    put(u32::from(table.timing.cycle_ticks));
    put(u32::from(table.timing.minimum_off_ticks));
    put(u32::from(table.timing.command_delay_ticks));
    put(table.timing.measurement_age_limit_ticks);
    let filter = &table.filter;
    put_floats([table.timing.tick_s, filter.attitude_noise_rad, filter.rate_noise_rad_s], put);
    put_floats([filter.bias_walk_rad_s, filter.disturbance_walk_rad_s2, filter.firing_error], put);
    table.axis_priority.into_iter().for_each(|axis| put(u32::from(axis)));
    put(u32::from(table.shared.most_jets_at_once));
    put_floats(table.shared.flow_limit_kg_s, put);
    put_floats([table.spare_translation.extra_share, table.spare_translation.within_m_s], put);
    for mode in &table.bending {
        put_floats([mode.frequency_hz, mode.damping_ratio, mode.swing_rad], put);
    }
    write_engine(&table.engine, put);
    put_floats(table.accelerometer.place_m.0, put);
    put(table.jets.iter().fold(0, |count, _| count + 1));
    for jet in &table.jets {
        write_jet(jet, put);
    }
}

fn read_flight<const N: usize>(words: &mut impl Words) -> Result<Item<N>, Malformed> {
    let name = read_name(words)?;
    let identity = word(words)?;
    let mass_kg = float(words)?;
    let centre_of_mass_m = Vec3(floats(words)?);
    let inertia_kg_m2 = Mat3([floats(words)?, floats(words)?, floats(words)?]);
    let [cycle_ticks, minimum_off_ticks, command_delay_ticks] = [half(words)?, half(words)?, half(words)?];
    let measurement_age_limit_ticks = word(words)?;
    let [tick_s, attitude_noise_rad, rate_noise_rad_s] = floats(words)?;
    let [bias_walk_rad_s, disturbance_walk_rad_s2, firing_error] = floats(words)?;
    let axis_priority = [word(words)?, word(words)?, word(words)?].map(|axis| axis.to_le_bytes()[0]);
    let most_jets_at_once = word(words)?.to_le_bytes()[0];
    let shared = SharedLimits { most_jets_at_once, flow_limit_kg_s: floats(words)? };
    let [extra_share, within_m_s] = floats(words)?;
    let bending = [read_mode(words)?, read_mode(words)?];
    let engine = read_engine(words)?;
    let accelerometer = Accelerometer { place_m: Vec3(floats(words)?) };
    let mut table = ConfigurationTable {
        identity,
        mass_kg,
        centre_of_mass_m,
        inertia_kg_m2,
        jets: Default::default(),
        timing: Timing {
            tick_s,
            cycle_ticks,
            minimum_off_ticks,
            command_delay_ticks,
            measurement_age_limit_ticks,
        },
        filter: FilterSettings {
            attitude_noise_rad,
            rate_noise_rad_s,
            bias_walk_rad_s,
            disturbance_walk_rad_s2,
            firing_error,
        },
        axis_priority,
        shared,
        spare_translation: SpareTranslation { extra_share, within_m_s },
        bending,
        engine,
        accelerometer,
    };
    for _ in 0..word(words)? {
        table.jets.push(read_jet(words)?).map_err(|_| Malformed::TooManyJets)?;
    }
    Ok(Item::Flight(name, table))
}

fn read_mode(words: &mut impl Words) -> Result<BendingMode, Malformed> {
    let [frequency_hz, damping_ratio, swing_rad] = floats(words)?;
    Ok(BendingMode { frequency_hz, damping_ratio, swing_rad })
}

fn write_engine(engine: &Engine, put: &mut impl FnMut(u32)) {
    put_floats(engine.pivot_m.0, put);
    put_floats(engine.direction.0, put);
    put_floats(engine.first_axis.0, put);
    put_floats([engine.thrust_n, engine.specific_impulse_s, engine.travel_rad], put);
    put_floats([engine.gimbal_rate_rad_s, engine.start_s, engine.tail_s], put);
}

fn read_engine(words: &mut impl Words) -> Result<Engine, Malformed> {
    let [pivot_m, direction, first_axis] = [floats(words)?, floats(words)?, floats(words)?].map(Vec3);
    let [thrust_n, specific_impulse_s, travel_rad] = floats(words)?;
    let [gimbal_rate_rad_s, start_s, tail_s] = floats(words)?;
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

fn write_jet(jet: &Jet, put: &mut impl FnMut(u32)) {
    put_floats(jet.position_m.0, put);
    put_floats(jet.direction.0, put);
    put_floats([jet.thrust_n, jet.specific_impulse_s, jet.dead_time_s, jet.pulse_offset_s], put);
    put(u32::from(jet.minimum_on_ticks));
    put(u32::from(jet.group));
    put(jet.price_weight.to_bits());
    put(u32::from_le_bytes(jet.load_share));
    put(u32::from(jet.enabled));
}

fn read_jet(words: &mut impl Words) -> Result<Jet, Malformed> {
    let position_m = Vec3(floats(words)?);
    let direction = Vec3(floats(words)?);
    let [thrust_n, specific_impulse_s, dead_time_s, pulse_offset_s] = floats(words)?;
    Ok(Jet {
        position_m,
        direction,
        thrust_n,
        specific_impulse_s,
        minimum_on_ticks: half(words)?,
        dead_time_s,
        pulse_offset_s,
        group: word(words)?.to_le_bytes()[0],
        price_weight: float(words)?,
        load_share: word(words)?.to_le_bytes(),
        enabled: word(words)? != 0,
    })
}

/// Writes one cycle.
pub fn write_cycle(input: &CycleInput, put: &mut impl FnMut(u32)) {
    let flag = |set: bool, flag: u32| if set { flag } else { 0 };
    let flags = flag(input.attitude.is_some(), HAS_ATTITUDE)
        | flag(input.attitude.is_some_and(|sample| sample.valid), ATTITUDE_VALID)
        | flag(input.rate.is_some(), HAS_RATE)
        | flag(input.rate.is_some_and(|sample| sample.valid), RATE_VALID)
        | flag(input.velocity.is_some(), HAS_VELOCITY)
        | flag(input.velocity.is_some_and(|sample| sample.valid), VELOCITY_VALID)
        | flag(input.gimbal_stuck, GIMBAL_STUCK);
    put(CYCLE | flags);
    put(input.tick);
    put_floats(input.attitude.map_or([0.0; 4], |sample| sample.attitude_xyzw), put);
    put(input.attitude.map_or(0, |sample| sample.tick));
    put_floats(input.rate.map_or([0.0; 3], |sample| sample.rate_rad_s), put);
    put(input.rate.map_or(0, |sample| sample.tick));
    put_floats(input.velocity.map_or([0.0; 3], |sample| sample.counted_m_s), put);
    put(input.velocity.map_or(0, |sample| sample.tick));
    put(input.inhibited.0);
    put(input.shut_groups);
    write_command(&input.command, put);
}

fn read_cycle(flags: u32, words: &mut impl Words) -> Result<CycleInput, Malformed> {
    let tick = word(words)?;
    let attitude = AttitudeSample {
        attitude_xyzw: floats(words)?,
        tick: word(words)?,
        valid: flags & ATTITUDE_VALID != 0,
    };
    let rate = RateSample { rate_rad_s: floats(words)?, tick: word(words)?, valid: flags & RATE_VALID != 0 };
    let velocity = VelocitySample {
        counted_m_s: floats(words)?,
        tick: word(words)?,
        valid: flags & VELOCITY_VALID != 0,
    };
    let inhibited = JetMask(word(words)?);
    let shut_groups = word(words)?;
    Ok(CycleInput {
        tick,
        attitude: (flags & HAS_ATTITUDE != 0).then_some(attitude),
        rate: (flags & HAS_RATE != 0).then_some(rate),
        velocity: (flags & HAS_VELOCITY != 0).then_some(velocity),
        command: read_command(words)?,
        inhibited,
        shut_groups,
        gimbal_stuck: flags & GIMBAL_STUCK != 0,
    })
}

fn write_command(command: &Command, put: &mut impl FnMut(u32)) {
    match command {
        Command::Drift => put(DRIFT),
        Command::Hold { attitude_xyzw, deadband } => {
            put(HOLD);
            put_floats(*attitude_xyzw, put);
            put_limits(deadband, put);
        }
        Command::Watch { attitude_xyzw, wake, deadband } => {
            put(WATCH);
            put_floats(*attitude_xyzw, put);
            put_limits(wake, put);
            put_limits(deadband, put);
        }
        Command::Damp { rate_limit_rad_s } => {
            put(DAMP);
            put_floats(*rate_limit_rad_s, put);
        }
        Command::Hand(hand) => {
            put(match hand.asks_for {
                HandDemand::Rate => HAND_FOR_RATE,
                HandDemand::Bit => HAND_FOR_BIT,
            });
            put_floats(hand.deflection, put);
            put_floats([hand.dead_zone], put);
            put_floats(hand.full_rate_rad_s, put);
            put_limits(&hand.deadband, put);
        }
        Command::Slew(slew) => {
            match slew.pace {
                Pace::Quick { rate_limit_rad_s } => {
                    put(SLEW_QUICK);
                    put_floats([rate_limit_rad_s], put);
                }
                Pace::Cheap { duration_s, stray_rad } => {
                    put(SLEW_CHEAP);
                    put_floats([duration_s, stray_rad], put);
                }
            }
            put_floats(slew.attitude_xyzw, put);
            put_limits(&slew.deadband, put);
        }
        Command::Rotate(rotation) => {
            put(ROTATE);
            put_floats(rotation.about, put);
            let Rotation { free_axis_within_rad, rate_rad_s, rate_error_rad_s, .. } = *rotation;
            put_floats([free_axis_within_rad, rate_rad_s, rate_error_rad_s], put);
            put_floats([rotation.nutation_rad, rotation.stray_rad], put);
        }
        Command::Burn(burn) => {
            put(BURN);
            put(u32::from(burn.serial));
            put_floats(burn.attitude_xyzw, put);
            put_floats(burn.velocity_change_m_s, put);
            put_limits(&burn.deadband, put);
            put_floats([burn.settling_s], put);
        }
        Command::Translate(push) => {
            put(TRANSLATE);
            put(u32::from(push.serial));
            put_floats(push.attitude_xyzw, put);
            put_floats(push.velocity_change_m_s, put);
            put_limits(&push.deadband, put);
        }
        Command::Impulse { serial, rate_change_rad_s, velocity_change_m_s } => {
            put(if velocity_change_m_s.is_some() { IMPULSE_WITH_VELOCITY } else { IMPULSE });
            put(u32::from(*serial));
            put_floats(*rate_change_rad_s, put);
            if let Some(velocity) = velocity_change_m_s {
                put_floats(*velocity, put);
            }
        }
    }
}

fn read_command(words: &mut impl Words) -> Result<Command, Malformed> {
    match word(words)? {
        DRIFT => Ok(Command::Drift),
        HOLD => Ok(Command::Hold { attitude_xyzw: floats(words)?, deadband: limits(words)? }),
        WATCH => Ok(Command::Watch {
            attitude_xyzw: floats(words)?,
            wake: limits(words)?,
            deadband: limits(words)?,
        }),
        DAMP => Ok(Command::Damp { rate_limit_rad_s: floats(words)? }),
        kind @ (HAND_FOR_RATE | HAND_FOR_BIT) => Ok(Command::Hand(Hand {
            deflection: floats(words)?,
            dead_zone: float(words)?,
            full_rate_rad_s: floats(words)?,
            deadband: limits(words)?,
            asks_for: if kind == HAND_FOR_RATE { HandDemand::Rate } else { HandDemand::Bit },
        })),
        SLEW_QUICK => read_slew(Pace::Quick { rate_limit_rad_s: float(words)? }, words),
        SLEW_CHEAP => read_slew(Pace::Cheap { duration_s: float(words)?, stray_rad: float(words)? }, words),
        ROTATE => Ok(Command::Rotate(Rotation {
            about: floats(words)?,
            free_axis_within_rad: float(words)?,
            rate_rad_s: float(words)?,
            rate_error_rad_s: float(words)?,
            nutation_rad: float(words)?,
            stray_rad: float(words)?,
        })),
        BURN => Ok(Command::Burn(Burn {
            serial: half(words)?,
            attitude_xyzw: floats(words)?,
            velocity_change_m_s: floats(words)?,
            deadband: limits(words)?,
            settling_s: float(words)?,
        })),
        TRANSLATE => Ok(Command::Translate(Translation {
            serial: half(words)?,
            attitude_xyzw: floats(words)?,
            velocity_change_m_s: floats(words)?,
            deadband: limits(words)?,
        })),
        kind @ (IMPULSE | IMPULSE_WITH_VELOCITY) => Ok(Command::Impulse {
            serial: half(words)?,
            rate_change_rad_s: floats(words)?,
            velocity_change_m_s: if kind == IMPULSE { None } else { Some(floats(words)?) },
        }),
        _ => Err(Malformed::UnknownItem),
    }
}

fn read_slew(pace: Pace, words: &mut impl Words) -> Result<Command, Malformed> {
    Ok(Command::Slew(Slew { attitude_xyzw: floats(words)?, pace, deadband: limits(words)? }))
}

fn put_limits(limits: &Deadband, put: &mut impl FnMut(u32)) {
    put_floats(limits.half_width_rad.0, put);
    put_floats(limits.rate_limit_rad_s.0, put);
}

fn limits(words: &mut impl Words) -> Result<Deadband, Malformed> {
    Ok(Deadband { half_width_rad: Vec3(floats(words)?), rate_limit_rad_s: Vec3(floats(words)?) })
}

/// Reads the start of a recording.
///
/// # Errors
/// Not a recording of this layout.
pub fn read_start(words: &mut impl Words) -> Result<(), Malformed> {
    if word(words)? == START { Ok(()) } else { Err(Malformed::UnknownItem) }
}

/// Reads the next item.
///
/// # Errors
/// The words are cut off, or not of this layout, or hold more jets than `N`.
pub fn read_item<const N: usize>(words: &mut impl Words) -> Result<Item<N>, Malformed> {
    match word(words)? {
        FLIGHT => read_flight(words),
        END => Ok(Item::End),
        cycle if cycle & !FLAGS == CYCLE => Ok(Item::Cycle(read_cycle(cycle & FLAGS, words)?)),
        _ => Err(Malformed::UnknownItem),
    }
}

/// Writes a name; what is beyond 32 bytes is cut off.
pub fn put_name(name: &str, put: &mut impl FnMut(u32)) {
    let mut bytes: Name = [0; 32];
    for (slot, byte) in bytes.iter_mut().zip(name.bytes()) {
        *slot = byte;
    }
    for word in bytes.chunks_exact(4) {
        put(word.iter().rev().fold(0, |word, &byte| (word << 8) | u32::from(byte)));
    }
}

/// Reads a name.
///
/// # Errors
/// The words are cut off.
pub fn read_name(words: &mut impl Words) -> Result<Name, Malformed> {
    let mut name: Name = [0; 32];
    for slot in name.chunks_exact_mut(4) {
        slot.copy_from_slice(&word(words)?.to_le_bytes());
    }
    Ok(name)
}

/// Writes numbers as their bits.
pub fn put_floats<const M: usize>(values: [f32; M], put: &mut impl FnMut(u32)) {
    values.into_iter().for_each(|value| put(value.to_bits()));
}

/// Reads a word.
///
/// # Errors
/// There is none.
pub fn word(words: &mut impl Words) -> Result<u32, Malformed> {
    words.word().ok_or(Malformed::CutOff)
}

fn half(words: &mut impl Words) -> Result<u16, Malformed> {
    u16::try_from(word(words)?).map_err(|_| Malformed::UnknownItem)
}

/// Reads a number.
///
/// # Errors
/// There is none.
pub fn float(words: &mut impl Words) -> Result<f32, Malformed> {
    word(words).map(f32::from_bits)
}

/// Reads numbers.
///
/// # Errors
/// The words are cut off.
pub fn floats<const M: usize>(words: &mut impl Words) -> Result<[f32; M], Malformed> {
    let mut values = [0.0; M];
    for value in &mut values {
        *value = float(words)?;
    }
    Ok(values)
}
