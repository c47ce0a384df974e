//! The configuration table: everything the kernel is told, validated once.

use heapless::Vec;

pub use crate::bending::{BendingField, BendingMode, MODES};
pub use crate::engine::{Engine, EngineField};

use crate::jet::{Jet, JetMask, LOADS, Takes};
use crate::linalg::{Mat3, Vec3};
use crate::mass_properties::{MassProperties, MassPropertiesError};
use crate::math;

/// Time base and valve limits. One tick is the unit of time inside the kernel.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Timing {
    /// Length of one valve tick, s; 1e-5..=1.
    pub tick_s: f32,
    /// Control cycle, ticks; 1..=16,384.
    pub cycle_ticks: u16,
    /// Shortest off-time between two pulses of one jet, ticks; less than the cycle.
    pub minimum_off_ticks: u16,
    /// From the start of a cycle to the moment its pulses open, ticks; less than the cycle.
    pub command_delay_ticks: u16,
    /// Oldest measurement that is still acted on, ticks; at most what the ledger covers
    /// ([`crate::ledger::DEPTH`] − 2 cycles).
    pub measurement_age_limit_ticks: u32,
}

/// What the observer assumes of sensors, disturbance and jets (one sigma).
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct FilterSettings {
    /// Noise of one attitude sample per axis, rad; positive.
    pub attitude_noise_rad: f32,
    /// Noise of one rate sample per axis, rad/s; positive.
    pub rate_noise_rad_s: f32,
    /// Wander of the gyro bias, rad/s per √s; not negative.
    pub bias_walk_rad_s: f32,
    /// Wander of the standing disturbance, rad/s² per √s; not negative.
    pub disturbance_walk_rad_s2: f32,
    /// Error of a firing, as a fraction of it; 0..=1.
    pub firing_error: f32,
}

/// Manifolds or isolation groups a table knows.
pub const GROUPS: usize = 16;

/// What jets that are open at the same time may take together: so many jets, so much flow, and of each load (by
/// [`Jet::load_share`]) [`crate::jet::WHOLE_LOAD`].
///
/// Loads are added up whatever their direction. Jets whose loads would cancel are thus not let open together for that:
/// one of them that stays shut, or closes first, must not raise the load beyond its limit.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SharedLimits {
    /// Most jets open at once, 1..=32.
    pub most_jets_at_once: u8,
    /// Largest propellant flow of each group at steady thrust, kg/s; positive, infinity for no limit.
    pub flow_limit_kg_s: [f32; GROUPS],
}

/// A soft wish of demands that leave translation free: push little, if that costs little.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SpareTranslation {
    /// Largest extra price, as a share of the price with translation free; 0 switches the wish off, at
    /// most 100.
    pub extra_share: f32,
    /// Largest velocity a demand may leave behind along each body axis, m/s; 0..=1e4.
    pub within_m_s: f32,
}

/// Where the accelerometer sits: a stack that turns moves it.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Accelerometer {
    /// Its place, structural axes, m; within ±1,000, or all infinity for no accelerometer.
    pub place_m: Vec3,
}

/// Everything the kernel is told about one stack; at most `N` jets, `N ≤ 32`.
#[derive(Clone, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct ConfigurationTable<const N: usize> {
    /// Identity of this table, echoed in telemetry.
    pub identity: u32,
    /// Mass, kg.
    pub mass_kg: f32,
    /// Centre of mass, structural axes, m.
    pub centre_of_mass_m: Vec3,
    /// Inertia about the centre of mass, body axes, kg·m².
    pub inertia_kg_m2: Mat3,
    /// The jets.
    pub jets: Vec<Jet, N>,
    /// Time base and valve limits.
    pub timing: Timing,
    /// Observer settings.
    pub filter: FilterSettings,
    /// Axes in the order they are served when one is beyond reach: a permutation of 0, 1, 2.
    pub axis_priority: [u8; 3],
    /// What jets may take together.
    pub shared: SharedLimits,
    /// Whether rotation-only demands spare translation.
    pub spare_translation: SpareTranslation,
    /// How the stack swings; [`BendingMode::NONE`] for what is not there.
    pub bending: [BendingMode; MODES],
    /// The main engine; [`Engine::NONE`] without one.
    pub engine: Engine,
    /// The accelerometer; [`Accelerometer::NONE`] without one.
    pub accelerometer: Accelerometer,
}

/// Why a table was refused: the field, and the index where it is a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum ConfigError {
    /// Mass properties are not physical.
    MassProperties(MassPropertiesError),
    /// The table has no jet.
    NoJets,
    /// `N` exceeds the 32 jets a mask can hold.
    TooManyJets,
    /// A field of jet `index` is wrong.
    Jet {
        /// Index of the jet in the table.
        index: u8,
        /// Its field.
        field: JetField,
    },
    /// A field of `timing` is wrong.
    Timing(TimingField),
    /// A field of `filter` is wrong.
    Filter(FilterField),
    /// `axis_priority` is not a permutation of 0, 1, 2.
    AxisPriority,
    /// `shared.most_jets_at_once` must be 1..=32.
    MostJetsAtOnce,
    /// `shared.flow_limit_kg_s` of this group must be positive.
    FlowLimit {
        /// The group.
        group: u8,
    },
    /// A field of `spare_translation` is out of its range.
    SpareTranslation,
    /// A field of bending mode `mode` is out of its range.
    Bending {
        /// Index of the mode in the table.
        mode: u8,
        /// Its field.
        field: BendingField,
    },
    /// A field of `engine` is out of its range.
    Engine(EngineField),
    /// `accelerometer.place_m` must be finite and within 1 km, or all infinity.
    Accelerometer,
}

/// A field of [`Jet`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum JetField {
    /// `position_m` must be finite and within 1 km.
    Position,
    /// `direction` must have length 1 within 1e-3.
    Direction,
    /// `thrust_n` must be positive and at most 1e6.
    Thrust,
    /// `specific_impulse_s` must be positive and at most 1e5.
    SpecificImpulse,
    /// `minimum_on_ticks` must be 1..=cycle less the minimum off-time.
    MinimumOn,
    /// `dead_time_s` must not be negative, and with the command delay and a positive `pulse_offset_s` be
    /// at most one cycle, so that the ledger still knows the pulse while it acts.
    DeadTime,
    /// `pulse_offset_s` must leave the shortest pulse a positive impulse, and be under a cycle.
    PulseOffset,
    /// `group` must be 0..=15.
    Group,
    /// `price_weight` must be 1e-3..=1e3.
    PriceWeight,
    /// The jet alone takes more than the flow limit of its group: it could never open.
    FlowAboveLimit,
}

/// A field of [`Timing`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum TimingField {
    /// `tick_s`.
    Tick,
    /// `cycle_ticks`.
    Cycle,
    /// `minimum_off_ticks`.
    MinimumOff,
    /// `command_delay_ticks`.
    CommandDelay,
    /// `measurement_age_limit_ticks`.
    MeasurementAgeLimit,
}

/// A field of [`FilterSettings`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FilterField {
    /// `attitude_noise_rad`.
    AttitudeNoise,
    /// `rate_noise_rad_s`.
    RateNoise,
    /// `bias_walk_rad_s`.
    BiasWalk,
    /// `disturbance_walk_rad_s2`.
    DisturbanceWalk,
    /// `firing_error`.
    FiringError,
}

impl core::fmt::Display for ConfigError {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        core::fmt::Debug::fmt(self, f)
    }
}

impl core::error::Error for ConfigError {}

impl From<MassPropertiesError> for ConfigError {
    fn from(error: MassPropertiesError) -> Self {
        Self::MassProperties(error)
    }
}

impl<const N: usize> ConfigurationTable<N> {
    /// Nothing yet, to be filled in; refused as it is.
    pub(crate) const BLANK: Self = Self {
        identity: 0,
        mass_kg: 0.0,
        centre_of_mass_m: Vec3::ZERO,
        inertia_kg_m2: Mat3([[0.0; 3]; 3]),
        jets: Vec::new(),
        timing: Timing {
            tick_s: 0.0,
            cycle_ticks: 0,
            minimum_off_ticks: 0,
            command_delay_ticks: 0,
            measurement_age_limit_ticks: 0,
        },
        filter: FilterSettings {
            attitude_noise_rad: 0.0,
            rate_noise_rad_s: 0.0,
            bias_walk_rad_s: 0.0,
            disturbance_walk_rad_s2: 0.0,
            firing_error: 0.0,
        },
        axis_priority: [0; 3],
        shared: SharedLimits::NONE,
        spare_translation: SpareTranslation::OFF,
        bending: [BendingMode::NONE; MODES],
        engine: Engine::NONE,
        accelerometer: Accelerometer::NONE,
    };

    /// Checks every field and returns the mass properties built from it.
    ///
    /// # Errors
    /// The first field found wrong.
    pub fn validate(&self) -> Result<MassProperties, ConfigError> {
        let stack = MassProperties::new(self.mass_kg, self.centre_of_mass_m, self.inertia_kg_m2)?;
        if N > 32 {
            return Err(ConfigError::TooManyJets);
        }
        self.timing.validate().map_err(ConfigError::Timing)?;
        self.filter.validate().map_err(ConfigError::Filter)?;
        if self.jets.is_empty() {
            return Err(ConfigError::NoJets);
        }
        self.shared.validate()?;
        for (index, jet) in (0_u8..).zip(&self.jets) {
            let checked = validate_jet(jet, &self.timing).and_then(|()| self.shared.validate_jet(jet));
            checked.map_err(|field| ConfigError::Jet { index, field })?;
        }
        self.spare_translation.validate()?;
        for (mode, told) in (0_u8..).zip(&self.bending) {
            told.validate().map_err(|field| ConfigError::Bending { mode, field })?;
        }
        self.engine.validate().map_err(ConfigError::Engine)?;
        self.accelerometer.validate()?;
        let seen = self.axis_priority.iter().fold(0_u8, |seen, &axis| match axis {
            0..=2 => seen | (1 << axis),
            _ => seen,
        });
        if seen != 0b111 {
            return Err(ConfigError::AxisPriority);
        }
        Ok(stack)
    }
}

impl Timing {
    /// Length of one control cycle, s.
    #[must_use]
    pub fn cycle_s(&self) -> f32 {
        math::from_ticks(self.cycle_ticks) * self.tick_s
    }

    /// Longest pulse of a cycle that closes before the next one, ticks.
    pub(crate) fn longest_that_closes(&self) -> u16 {
        self.cycle_ticks.saturating_sub(self.minimum_off_ticks)
    }

    fn validate(&self) -> Result<(), TimingField> {
        if !(1e-5..=1.0).contains(&self.tick_s) {
            return Err(TimingField::Tick);
        }
        if !(1..=16_384).contains(&self.cycle_ticks) {
            return Err(TimingField::Cycle);
        }
        if self.minimum_off_ticks >= self.cycle_ticks {
            return Err(TimingField::MinimumOff);
        }
        if self.command_delay_ticks >= self.cycle_ticks {
            return Err(TimingField::CommandDelay);
        }
        let covered = u32::from(self.cycle_ticks) * (crate::ledger::COVERED_CYCLES);
        if self.measurement_age_limit_ticks == 0 || self.measurement_age_limit_ticks > covered {
            return Err(TimingField::MeasurementAgeLimit);
        }
        Ok(())
    }
}

impl SharedLimits {
    /// Nothing limited.
    pub const NONE: Self = Self { most_jets_at_once: 32, flow_limit_kg_s: [f32::INFINITY; GROUPS] };

    fn validate(&self) -> Result<(), ConfigError> {
        if !(1..=32).contains(&self.most_jets_at_once) {
            return Err(ConfigError::MostJetsAtOnce);
        }
        for (group, &limit) in (0_u8..).zip(&self.flow_limit_kg_s) {
            if !(limit > 0.0) {
                return Err(ConfigError::FlowLimit { group });
            }
        }
        Ok(())
    }

    fn validate_jet(&self, jet: &Jet) -> Result<(), JetField> {
        let limit = self.flow_limit_kg_s.get(usize::from(jet.group));
        if jet.enabled && limit.is_some_and(|&limit| jet.flow_kg_s() > limit * FLOW_ROUNDING) {
            return Err(JetField::FlowAboveLimit);
        }
        Ok(())
    }

    /// Whether jets may open together.
    ///
    /// * `still_open` — jets whose last pulses run to this moment, or through it: while one closes and others open, all
    ///   of them load the stack.
    #[must_use]
    pub fn allow(&self, jets: &[Jet], still_open: JetMask, open: JetMask) -> bool {
        let mut taken = Taken::by(loads_of(jets, still_open));
        let mut fits =
            |j| jets.get(j).is_none_or(|jet: &Jet| taken.admits(&jet.takes(still_open.contains(j)), self));
        open.count() <= u32::from(self.most_jets_at_once) && open.indices().all(&mut fits)
    }
}

/// What jets opened so far take.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Taken {
    jets: u8,
    /// Parts of each load, a byte each.
    loads: u32,
    flow_kg_s: [f32; GROUPS],
}

impl Taken {
    /// Nothing opened yet, beside what loads the stack already.
    pub(crate) fn by(load_share: [u8; LOADS]) -> Self {
        Self { jets: 0, loads: u32::from_le_bytes(load_share), flow_kg_s: [0.0; GROUPS] }
    }

    /// Adds a jet if the limits leave room for it; whether they did.
    pub(crate) fn admits(&mut self, jet: &Takes, limits: &SharedLimits) -> bool {
        let room = self.have_room_for(jet, limits);
        if let Some(flow) = self.flow_kg_s.get_mut(usize::from(jet.group)).filter(|_| room) {
            *flow += jet.flow_kg_s;
            self.jets += 1;
            self.loads += u32::from_le_bytes(jet.load_share);
        }
        room
    }

    /// Whether the limits leave room for a jet.
    pub(crate) fn have_room_for(&self, jet: &Takes, limits: &SharedLimits) -> bool {
        let group = usize::from(jet.group);
        let (Some(flow), Some(&limit)) = (self.flow_kg_s.get(group), limits.flow_limit_kg_s.get(group))
        else {
            return false;
        };
        // Sums of flows that just fit must not be refused for their rounding.
        let fits = flow + jet.flow_kg_s <= limit * FLOW_ROUNDING;
        self.jets < limits.most_jets_at_once && fits && self.carry_also(jet)
    }

    /// Whether the loads leave room for a jet.
    pub(crate) fn carry_also(&self, jet: &Takes) -> bool {
        carries(self.loads, u32::from_le_bytes(jet.load_share))
    }
}

/// Whether no byte of a sum of bytes goes beyond [`crate::jet::WHOLE_LOAD`], all four at once: nothing is carried out of any.
fn carries(loads: u32, more: u32) -> bool {
    let carried = (loads & more) | ((loads | more) & !loads.wrapping_add(more));
    carried & 0x8080_8080 == 0
}

/// Parts of each load that open jets put on the stack.
pub(crate) fn loads_of(jets: &[Jet], open: JetMask) -> [u8; LOADS] {
    let mut loads: [u8; LOADS] = [0; LOADS];
    for jet in open.indices().filter_map(|j| jets.get(j)) {
        for (load, share) in loads.iter_mut().zip(jet.load_share) {
            *load = load.saturating_add(share);
        }
    }
    loads
}

/// Flow limits are held to their own rounding (32 additions of half a unit in the last place).
const FLOW_ROUNDING: f32 = 1.0 + 2.0e-6;

impl SpareTranslation {
    /// Translation is free.
    pub const OFF: Self = Self { extra_share: 0.0, within_m_s: 0.0 };

    /// Whether the wish is there.
    #[must_use]
    pub fn is_on(&self) -> bool {
        self.extra_share > 0.0
    }

    fn validate(&self) -> Result<(), ConfigError> {
        let sound = (0.0..=100.0).contains(&self.extra_share) && (0.0..=1e4).contains(&self.within_m_s);
        if sound { Ok(()) } else { Err(ConfigError::SpareTranslation) }
    }
}

impl Accelerometer {
    /// No accelerometer.
    pub const NONE: Self = Self { place_m: Vec3([f32::INFINITY; 3]) };

    /// Whether an accelerometer is told.
    #[must_use]
    pub fn is_told(&self) -> bool {
        self.place_m.is_finite()
    }

    fn validate(&self) -> Result<(), ConfigError> {
        let is_near = self.place_m.0.iter().all(|c| c.abs() <= 1e3);
        if is_near || *self == Self::NONE { Ok(()) } else { Err(ConfigError::Accelerometer) }
    }
}

impl FilterSettings {
    fn validate(&self) -> Result<(), FilterField> {
        if !(1e-9..=1.0).contains(&self.attitude_noise_rad) {
            return Err(FilterField::AttitudeNoise);
        }
        if !(1e-9..=1.0).contains(&self.rate_noise_rad_s) {
            return Err(FilterField::RateNoise);
        }
        if !(0.0..=1.0).contains(&self.bias_walk_rad_s) {
            return Err(FilterField::BiasWalk);
        }
        if !(0.0..=1.0).contains(&self.disturbance_walk_rad_s2) {
            return Err(FilterField::DisturbanceWalk);
        }
        if !(0.0..=1.0).contains(&self.firing_error) {
            return Err(FilterField::FiringError);
        }
        Ok(())
    }
}

fn validate_jet(jet: &Jet, timing: &Timing) -> Result<(), JetField> {
    if !jet.position_m.0.iter().all(|c| c.abs() <= 1e3) {
        return Err(JetField::Position);
    }
    let length = jet.direction.dot(jet.direction);
    if !(0.998..=1.002).contains(&length) {
        return Err(JetField::Direction);
    }
    if !(jet.thrust_n > 0.0 && jet.thrust_n <= 1e6) {
        return Err(JetField::Thrust);
    }
    if !(jet.specific_impulse_s > 0.0 && jet.specific_impulse_s <= 1e5) {
        return Err(JetField::SpecificImpulse);
    }
    let longest = timing.longest_that_closes();
    if !(1..=longest).contains(&jet.minimum_on_ticks) {
        return Err(JetField::MinimumOn);
    }
    let cycle_s = timing.cycle_s();
    let shortest = math::from_ticks(jet.minimum_on_ticks) * timing.tick_s + jet.pulse_offset_s;
    if !(shortest > 0.0 && jet.pulse_offset_s < cycle_s) {
        return Err(JetField::PulseOffset);
    }
    let late_s =
        math::from_ticks(timing.command_delay_ticks) * timing.tick_s + math::max(jet.pulse_offset_s, 0.0);
    if !(jet.dead_time_s >= 0.0 && jet.dead_time_s + late_s <= cycle_s) {
        return Err(JetField::DeadTime);
    }
    if usize::from(jet.group) >= GROUPS {
        return Err(JetField::Group);
    }
    if !(1e-3..=1e3).contains(&jet.price_weight) {
        return Err(JetField::PriceWeight);
    }
    Ok(())
}
