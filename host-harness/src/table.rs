//! From a scenario to the kernel's configuration table: the only step from `f64` to `f32`, and the
//! place where wrong knowledge enters.

use anyhow::{Context, Result, bail};
use stackhold_kernel::config::{
    Accelerometer, BendingMode, ConfigurationTable, Engine, FilterSettings, GROUPS, MODES, SharedLimits,
    SpareTranslation, Timing,
};
use stackhold_kernel::jet::{Jet as ToldJet, LOADS};
use stackhold_kernel::linalg::{Mat3, Vec3};

use crate::interface_loads;
use crate::scenario::model::{
    self as scenario, Jet, JetState, KernelSettings, Scenario, Sensors, Told, ToldBending, Trade,
};
use crate::stack;
use crate::truth::engine::Mount;

/// Jets the harness flies the kernel with; loops run over the jets of the table, so the bits are those
/// of a smaller build.
pub const JETS: usize = 32;

/// Largest gimbal angle that a table tells; what an engine can do beyond is left unused.
const MOST_TRAVEL_RAD: f64 = 0.5;

/// Builds the table the kernel is told for a flight.
///
/// * `present` — bodies really there: jets of other bodies are not enabled. `told` — what the kernel
///   is told instead of the truth.
///
/// # Errors
/// More jets than the kernel holds, a minimum on-time of more ticks than it counts, or a jet that alone puts more on an
/// interface than that may carry; scenario validation has refused all of them before.
pub fn build(scenario: &Scenario, present: &[String], told: &Told) -> Result<ConfigurationTable<JETS>> {
    let vehicle = &scenario.vehicle;
    let properties = stack::composite(vehicle, &told.stack, &stack::full_tanks(vehicle));
    let centre = [0, 1, 2].map(|i| properties.centre_of_mass_m[i] + told.centre_of_mass_error_m[i]);
    let shares = interface_loads::load_shares(vehicle, &scenario.kernel.trade.interface_limits, told)?;
    let mut jets = heapless::Vec::new();
    for (jet, load_share) in vehicle.jets.iter().zip(shares) {
        let enabled = jet.state == JetState::Ready && present.contains(&jet.body);
        let jet = told_jet(&jet.on(&told.stack), &scenario.kernel, told)?;
        if jets.push(ToldJet { load_share, enabled, ..jet }).is_err() {
            bail!("{} jets, but the kernel holds {JETS}", vehicle.jets.len());
        }
    }
    let mut table = ConfigurationTable {
        identity: 0,
        mass_kg: (properties.mass_kg * told.mass_factor) as f32,
        centre_of_mass_m: vector(centre),
        inertia_kg_m2: Mat3(properties.inertia_kg_m2.map(|row| row.map(|v| (v * told.mass_factor) as f32))),
        jets,
        timing: timing(&scenario.kernel),
        filter: filter(&scenario.kernel),
        axis_priority: [0, 1, 2],
        shared: shared_limits(&scenario.kernel.trade),
        spare_translation: spare_translation(&scenario.kernel.trade),
        bending: bending(&scenario.kernel.bending),
        engine: engine(scenario, present, told),
        accelerometer: accelerometer(&scenario.sensors),
    };
    table.identity = identity(&table);
    Ok(table)
}

/// Ticks that last at least `time_s`: a minimum is rounded up, but for the rounding of the file's numbers.
#[must_use]
pub fn whole_ticks(time_s: f64, tick_s: f64) -> u64 {
    (time_s / tick_s - 1e-6).ceil().max(1.0) as u64
}

/// Index of the whole tick nearest to a time.
#[must_use]
pub fn tick_at(time_s: f64, tick_s: f64) -> u64 {
    (time_s / tick_s).round() as u64
}

fn vector(v: [f64; 3]) -> Vec3 {
    Vec3(v.map(|c| c as f32))
}

fn told_jet(jet: &Jet, kernel: &KernelSettings, told: &Told) -> Result<ToldJet> {
    let ticks = whole_ticks(jet.minimum_on_s, kernel.tick_s);
    // The same impulse from a rectangle: half of each ramp counts.
    let lost_s = jet.opening_delay_s + 0.5 * jet.rise_s;
    let gained_s = jet.closing_delay_s + 0.5 * jet.tail_off_s;
    Ok(ToldJet {
        position_m: vector(jet.position_m),
        direction: vector(jet.force_direction),
        thrust_n: (jet.thrust_n * told.thrust_factor) as f32,
        specific_impulse_s: jet.specific_impulse_s as f32,
        minimum_on_ticks: u16::try_from(ticks).context("minimum on-time is beyond 65,535 ticks")?,
        dead_time_s: lost_s as f32,
        pulse_offset_s: (gained_s - lost_s) as f32,
        group: jet.group,
        price_weight: kernel.trade.price_weight(&jet.name) as f32,
        load_share: [0; LOADS],
        enabled: false,
    })
}

/// The part of an axis across a direction, unit vector.
fn across(axis: [f64; 3], direction: [f64; 3]) -> [f64; 3] {
    let (axis, direction) = (nalgebra::Vector3::from(axis), nalgebra::Vector3::from(direction));
    (axis - direction * axis.dot(&direction)).normalize().into()
}

fn timing(kernel: &KernelSettings) -> Timing {
    let limit = tick_at(kernel.measurement_age_limit_s, kernel.tick_s);
    Timing {
        tick_s: kernel.tick_s as f32,
        cycle_ticks: kernel.cycle_ticks,
        minimum_off_ticks: kernel.minimum_off_ticks,
        command_delay_ticks: kernel.command_delay_ticks,
        measurement_age_limit_ticks: u32::try_from(limit).unwrap_or(u32::MAX),
    }
}

fn shared_limits(trade: &Trade) -> SharedLimits {
    let mut flow_limit_kg_s = [f32::INFINITY; GROUPS];
    for limit in &trade.flow_limits {
        if let Some(slot) = flow_limit_kg_s.get_mut(usize::from(limit.group)) {
            *slot = limit.flow_limit_kg_s as f32;
        }
    }
    SharedLimits { most_jets_at_once: trade.most_jets_at_once, flow_limit_kg_s }
}

fn spare_translation(trade: &Trade) -> SpareTranslation {
    trade.spare_translation.map_or(SpareTranslation::OFF, |wish| SpareTranslation {
        extra_share: wish.extra_share as f32,
        within_m_s: wish.within_m_s as f32,
    })
}

fn bending(told: &[ToldBending]) -> [BendingMode; MODES] {
    let mut modes = [BendingMode::NONE; MODES];
    for (mode, told) in modes.iter_mut().zip(told) {
        *mode = BendingMode {
            frequency_hz: told.frequency_hz as f32,
            damping_ratio: told.damping_ratio as f32,
            swing_rad: told.swing_rad as f32,
        };
    }
    modes
}

/// The main engine, if its body is present and it can be started; one whose gimbal has been stuck from the start, as the kernel is
/// told, is a fixed one that pushes where it points.
fn engine(scenario: &Scenario, present: &[String], told: &Told) -> Engine {
    let vehicle = &scenario.vehicle;
    let is_there = |engine: &&scenario::Engine| {
        engine.tank.is_some() && engine.body.as_ref().is_some_and(|body| present.contains(body))
    };
    let Some(engine) = vehicle.engine.as_ref().filter(is_there) else { return Engine::NONE };
    let stuck = scenario.stuck_gimbal.filter(|stuck| stuck.told && stuck.from_s <= 0.0);
    let direction = stuck.map_or(engine.force_direction, |stuck| {
        Mount::from(engine).direction(stuck.at_rad.unwrap_or_default()).into()
    });
    Engine {
        pivot_m: vector(engine.pivot_m),
        direction: vector(direction),
        first_axis: vector(across(engine.first_axis, direction)),
        thrust_n: (engine.thrust_n * told.thrust_factor) as f32,
        specific_impulse_s: engine.specific_impulse_s as f32,
        travel_rad: if stuck.is_some() { 0.0 } else { engine.gimbal_travel_rad.min(MOST_TRAVEL_RAD) as f32 },
        gimbal_rate_rad_s: engine.gimbal_rate_rad_s as f32,
        // The same impulse from a rectangle, as with jets.
        start_s: (engine.start_delay_s + 0.5 * engine.rise_s) as f32,
        tail_s: (engine.shutdown_delay_s + 0.5 * engine.tail_off_s) as f32,
    }
}

fn accelerometer(sensors: &Sensors) -> Accelerometer {
    let told = |it: &scenario::Accelerometer| Accelerometer { place_m: vector(it.position_m) };
    sensors.accelerometer.as_ref().map_or(Accelerometer::NONE, told)
}

fn filter(kernel: &KernelSettings) -> FilterSettings {
    FilterSettings {
        attitude_noise_rad: kernel.assumed_attitude_noise_rad as f32,
        rate_noise_rad_s: kernel.assumed_rate_noise_rad_s as f32,
        bias_walk_rad_s: kernel.assumed_bias_walk_rad_s as f32,
        disturbance_walk_rad_s2: kernel.assumed_disturbance_walk_rad_s2 as f32,
        firing_error: kernel.assumed_firing_error as f32,
    }
}

/// None where no engine is told.
fn numbers_of_engine(engine: &Engine) -> Vec<f32> {
    if !engine.is_told() {
        return Vec::new();
    }
    let axes = [engine.pivot_m, engine.direction, engine.first_axis];
    let mut floats: Vec<f32> = axes.iter().flat_map(|axis| axis.0).collect();
    floats.extend([engine.thrust_n, engine.specific_impulse_s, engine.travel_rad, engine.gimbal_rate_rad_s]);
    floats.extend([engine.start_s, engine.tail_s]);
    floats
}

/// CRC-32/ISO-HDLC over every number of the table, little-endian, in the order of its fields.
fn identity(table: &ConfigurationTable<JETS>) -> u32 {
    let crc = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);
    let mut digest = crc.digest();
    let mut floats = vec![table.mass_kg];
    floats.extend(table.centre_of_mass_m.0);
    floats.extend(table.inertia_kg_m2.0.iter().flatten());
    for jet in &table.jets {
        floats.extend(jet.position_m.0);
        floats.extend(jet.direction.0);
        floats.extend([jet.thrust_n, jet.specific_impulse_s, jet.dead_time_s, jet.pulse_offset_s]);
        floats.extend([f32::from(jet.minimum_on_ticks), f32::from(jet.group)]);
        floats.extend([jet.price_weight, if jet.enabled { 1.0 } else { 0.0 }]);
    }
    let timing = &table.timing;
    floats.extend([timing.tick_s, f32::from(timing.cycle_ticks), f32::from(timing.minimum_off_ticks)]);
    floats.push(f32::from(timing.command_delay_ticks));
    floats.extend(table.axis_priority.map(f32::from));
    let filter = &table.filter;
    floats.extend([filter.attitude_noise_rad, filter.rate_noise_rad_s, filter.bias_walk_rad_s]);
    floats.extend([filter.disturbance_walk_rad_s2, filter.firing_error]);
    floats.push(f32::from(table.shared.most_jets_at_once));
    floats.extend(table.shared.flow_limit_kg_s);
    // As when there were 32 groups: a table without any of the newer things keeps the identity it had before them.
    floats.extend([f32::INFINITY; 32 - GROUPS]);
    floats.extend([table.spare_translation.extra_share, table.spare_translation.within_m_s]);
    for mode in table.bending.iter().filter(|mode| mode.is_told()) {
        floats.extend([mode.frequency_hz, mode.damping_ratio, mode.swing_rad]);
    }
    if table.jets.iter().any(|jet| jet.load_share != [0; LOADS]) {
        floats.extend(table.jets.iter().flat_map(|jet| jet.load_share.map(f32::from)));
    }
    floats.extend(numbers_of_engine(&table.engine));
    if table.accelerometer.is_told() {
        floats.extend(table.accelerometer.place_m.0);
    }
    for float in floats {
        digest.update(&float.to_le_bytes());
    }
    digest.update(&timing.measurement_age_limit_ticks.to_le_bytes());
    digest.finalize()
}
