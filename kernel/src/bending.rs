//! Bending modes: what the kernel is told of how the stack swings, and the rate filter against it.
//!
//! The sensors sit on a body that swings, and see the swing beside the motion of the stack as a whole. A hold that took
//! it for rate would fire at it, and feed it. Jets cannot take a swing out within a deadband, and need not: it is to be
//! looked through.
//!
//! The filter is the [observer](crate::observer)'s own. A swing of amplitude `a` and frequency `f` counts as noise of
//! `a` in the attitude and of `2πf·a` in the rate, beside that of the sensors ([`Noise`]). What is fired is known from
//! the ledger and what pushes changes slowly, so the observer then leans on them: the wider the swing, the longer it
//! averages, and prediction lags nothing. What is left of the swing in the estimated rate is its angle over that time,
//! whatever its frequency; so a frequency that is told wrong changes little, and an amplitude told too small
//! spoils it in proportion only. (A notch at the told frequency, even one as wide as critical damping, would leave 0.22 of
//! a swing at 0.8 of it: `(1 - 0.8²)/√((1 - 0.8²)² + (2·0.8)²)`.)
//!
//! Right after a start nothing is known yet but one sample, swing and all: [`Controller`] keeps the jets shut until the
//! observer can tell the rate from the swing.

use crate::command::Command;
use crate::config::FilterSettings;
use crate::controller::Controller;
use crate::math;

/// Modes a table tells.
pub const MODES: usize = 2;

/// A bending mode of the free stack, as the sensors see it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct BendingMode {
    /// Frequency of the free stack, Hz: higher than with a side of the joint held still. 1e-3..=100; 0 for no mode.
    pub frequency_hz: f32,
    /// Damping over critical, 0..=1.
    pub damping_ratio: f32,
    /// Amplitude to reckon with, of the angle that the sensors turn through, rad; 0..=0.5.
    pub swing_rad: f32,
}

/// A field of [`BendingMode`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BendingField {
    /// `frequency_hz`.
    Frequency,
    /// `damping_ratio`; zero where there is no mode.
    DampingRatio,
    /// `swing_rad`; zero where there is no mode.
    Swing,
}

impl BendingMode {
    /// No mode.
    pub const NONE: Self = Self { frequency_hz: 0.0, damping_ratio: 0.0, swing_rad: 0.0 };

    /// Whether a mode is told.
    #[must_use]
    pub fn is_told(&self) -> bool {
        self.frequency_hz > 0.0
    }

    /// Angular frequency, rad/s.
    #[must_use]
    pub fn angular_rad_s(&self) -> f32 {
        core::f32::consts::TAU * self.frequency_hz
    }

    /// Looks every field over.
    ///
    /// # Errors
    /// The first field out of its range.
    pub(crate) fn validate(&self) -> Result<(), BendingField> {
        let told = self.frequency_hz != 0.0;
        if told && !(1e-3..=100.0).contains(&self.frequency_hz) {
            return Err(BendingField::Frequency);
        }
        let within = |value: f32, most: f32| (0.0..=if told { most } else { 0.0 }).contains(&value);
        if !within(self.damping_ratio, 1.0) {
            return Err(BendingField::DampingRatio);
        }
        if !within(self.swing_rad, 0.5) {
            return Err(BendingField::Swing);
        }
        Ok(())
    }
}

/// Variance of one sample per axis, swings included: what the observer reckons with.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Noise {
    /// Of an attitude, rad².
    pub attitude_rad2: f32,
    /// Of a rate, (rad/s)².
    pub rate_rad2_s2: f32,
}

impl Noise {
    /// That of the sensors and of the told swings, which are independent of each other.
    #[must_use]
    pub fn of(sensors: &FilterSettings, modes: &[BendingMode; MODES]) -> Self {
        let square = |x: f32| x * x;
        let mut noise = Self {
            attitude_rad2: square(sensors.attitude_noise_rad),
            rate_rad2_s2: square(sensors.rate_noise_rad_s),
        };
        for mode in modes {
            let swing_rad = math::without_dust(mode.swing_rad);
            noise.attitude_rad2 += square(swing_rad);
            noise.rate_rad2_s2 += square(mode.angular_rad_s() * swing_rad);
        }
        noise
    }
}

/// Cycles for which the jets stay shut after a start at most, for the rate to be told from swings.
const LONGEST_LEARNING: u8 = 250;
/// The rate is known when one sigma of it is this share of the least limit that the command sets it.
const KNOWN_SHARE: f32 = 0.25;

impl<const N: usize> Controller<N> {
    /// After a start: whether the rate is yet to be told from swings.
    pub(crate) fn begin_learning(&mut self) {
        let swings = self.table.bending.iter().any(|mode| mode.swing_rad > 0.0);
        self.learning = if swings { LONGEST_LEARNING } else { 0 };
    }

    /// Goes on learning the rate; whether the command in force must wait for it.
    #[inline(never)]
    pub(crate) fn goes_on_learning(&mut self) -> bool {
        self.learning = self.learning.saturating_sub(1);
        let Some(limit) = self.command.as_ref().and_then(rate_limit) else { return false };
        let known = KNOWN_SHARE * limit;
        if self.observer.as_ref().is_some_and(|observer| observer.rate_variance() <= known * known) {
            self.learning = 0;
        }
        self.learning > 0
    }
}

/// The least rate that a command tells apart from none, rad/s; `None` where it acts on no measured rate.
fn rate_limit(command: &Command) -> Option<f32> {
    let limits = match command {
        Command::Drift | Command::Impulse { .. } => return None,
        Command::Watch { wake, deadband, .. } => {
            return Some(math::min(least(wake.rate_limit_rad_s.0), least(deadband.rate_limit_rad_s.0)));
        }
        Command::Damp { rate_limit_rad_s } => *rate_limit_rad_s,
        Command::Hold { deadband, .. } => deadband.rate_limit_rad_s.0,
        Command::Slew(slew) => slew.deadband.rate_limit_rad_s.0,
        Command::Burn(burn) => burn.deadband.rate_limit_rad_s.0,
        Command::Translate(push) => push.deadband.rate_limit_rad_s.0,
        Command::Hand(hand) => hand.deadband.rate_limit_rad_s.0,
        Command::Rotate(rotation) => [rotation.rate_error_rad_s; 3],
    };
    Some(least(limits))
}

fn least(limits: [f32; 3]) -> f32 {
    let [x, y, z] = limits;
    math::min(x, math::min(y, z))
}
