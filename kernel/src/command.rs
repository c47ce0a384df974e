//! What the kernel is asked to do.

use crate::hold::Deadband;
use crate::linalg::Vec3;
use crate::math;
use crate::quaternion::UnitQuaternion;

/// Largest rate that may be asked for, rad/s: no stack turns like that.
pub(crate) const ABSURD_RATE_RAD_S: f32 = 1.0;
/// Smallest rate that may be a limit, rad/s.
const LEAST_RATE_RAD_S: f32 = 1e-7;
/// Longest slew, s.
pub const LONGEST_SLEW_S: f32 = 86_400.0;
/// Largest velocity change along an axis that jets are asked for in one push, m/s.
pub const FASTEST_PUSH_M_S: f32 = 1e3;
/// The same of the main engine, and the least that it is asked for, m/s.
pub const FASTEST_BURN_M_S: f32 = 1e4;
const LEAST_BURN_M_S: f32 = 1e-3;
/// A hand controller is at rest for at most this share of its travel.
const WIDEST_DEAD_ZONE: f32 = 0.9;

/// What the kernel is asked to do.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Command {
    /// Jets quiet.
    Drift,
    /// Jets quiet until a limit is crossed; from then on the attitude is held, until another command comes.
    Watch {
        /// Attitude that is watched and held, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f32; 4],
        /// Angles and rates beyond which it wakes.
        wake: Deadband,
        /// Limits of the hold.
        deadband: Deadband,
    },
    /// Take out what the stack turns at, whatever its attitude; no attitude need be known.
    Damp {
        /// Rates up to this are left alone, body axes, rad/s.
        rate_limit_rad_s: [f32; 3],
    },
    /// Hold an attitude.
    Hold {
        /// Attitude to hold, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f32; 4],
        /// Limits.
        deadband: Deadband,
    },
    /// Turn as a hand controller asks; axes that it leaves alone hold the attitude they have.
    Hand(Hand),
    /// Turn to an attitude, and hold it.
    Slew(Slew),
    /// Push the stack to another velocity with its attitude held, and go on holding it.
    Translate(Translation),
    /// Gain velocity with the main engine, and hold the attitude that it ends in.
    Burn(Burn),
    /// Turn slowly about a free axis: set it up, then leave it alone until it must be set up again.
    Rotate(Rotation),
    /// Deliver one rate change (and velocity change) open loop: taken up when `serial` differs from
    /// the last one taken up, then worked off over as many cycles as it takes.
    Impulse {
        /// Number of this demand.
        serial: u16,
        /// Wanted change of body rate, body axes, rad/s.
        rate_change_rad_s: [f32; 3],
        /// Wanted change of velocity, body axes, m/s; `None` leaves translation free.
        velocity_change_m_s: Option<[f32; 3]>,
    },
}

/// A change of velocity with the attitude held. It begins anew when its number or its velocity change differs from
/// that in force; attitude and deadband may change on the way.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Translation {
    /// Number of this push: another asks for the same once more.
    pub serial: u16,
    /// Attitude to hold, inertial to body, `[x, y, z, w]`.
    pub attitude_xyzw: [f32; 4],
    /// Wanted change of velocity, body axes in that attitude, m/s; up to [`FASTEST_PUSH_M_S`] along each.
    pub velocity_change_m_s: [f32; 3],
    /// Limits of the attitude; rates while the push lasts are those that it makes.
    pub deadband: Deadband,
}

/// A change of velocity by the main engine. It begins anew when its number or its velocity change differs from that in force.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Burn {
    /// Number of this burn: another asks for the same once more.
    pub serial: u16,
    /// Attitude in which the engine points about the right way, inertial to body, `[x, y, z, w]`: the stack is turned from there
    /// until the line of force, trimmed, points along the velocity change, by the shorter way.
    pub attitude_xyzw: [f32; 4],
    /// Wanted change of velocity, body axes in that attitude, m/s; up to [`FASTEST_BURN_M_S`] along each.
    pub velocity_change_m_s: [f32; 3],
    /// Limits of what the jets hold: all axes before and after, and about the line of force while the engine burns.
    pub deadband: Deadband,
    /// So long jets push along before the engine starts, and until it acts, s; 0..=600, 0 for no settling.
    pub settling_s: f32,
}

/// A turn to another attitude, by the shorter way round.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Slew {
    /// Attitude to turn to, inertial to body, `[x, y, z, w]`.
    pub attitude_xyzw: [f32; 4],
    /// How fast.
    pub pace: Pace,
    /// Limits about the path while it coasts, and of the hold at its end.
    pub deadband: Deadband,
}

impl Burn {
    fn is_valid(&self) -> bool {
        let within = self.velocity_change_m_s.iter().all(|change| change.abs() <= FASTEST_BURN_M_S);
        let size = Vec3(self.velocity_change_m_s).norm();
        within
            && size > LEAST_BURN_M_S
            && self.deadband.is_valid()
            && (0.0..=600.0).contains(&self.settling_s)
    }

    /// Whether another asks for this very burn.
    pub(crate) fn is_the_burn(&self, other: &Self) -> bool {
        self.serial == other.serial && same_bits(&self.velocity_change_m_s, &other.velocity_change_m_s)
    }
}

impl Translation {
    fn is_valid(&self) -> bool {
        self.velocity_change_m_s.iter().all(|change| change.abs() <= FASTEST_PUSH_M_S)
            && self.deadband.is_valid()
    }

    /// Whether another asks for this very push, maybe in another attitude.
    pub(crate) fn is_the_push(&self, other: &Self) -> bool {
        self.serial == other.serial && same_bits(&self.velocity_change_m_s, &other.velocity_change_m_s)
    }
}

/// How fast a slew is.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pace {
    /// About the eigenaxis, as fast as the jets can and this limit allows.
    Quick {
        /// Largest rate about the eigenaxis, rad/s.
        rate_limit_rad_s: f32,
    },
    /// In a given time, at the least propellant: the coast takes as much of it as there is. A time that is too short
    /// for the jets is flown as quickly as can be.
    Cheap {
        /// From the command to the end of the turn, s; up to [`LONGEST_SLEW_S`]. A path that must be planned anew on the way
        /// has it once more.
        duration_s: f32,
        /// The stack may precess, the jets being quiet, as far as this from the turn about the eigenaxis, rad, if that is
        /// cheaper; zero keeps it to the eigenaxis, which takes gyroscopic torque all the way.
        stray_rad: f32,
    },
}

impl Slew {
    fn is_valid(&self) -> bool {
        let paced = match self.pace {
            Pace::Quick { rate_limit_rad_s } => is_rate_limit(&rate_limit_rad_s),
            Pace::Cheap { duration_s, stray_rad } => {
                (1.0..=LONGEST_SLEW_S).contains(&duration_s) && (0.0..=3.15).contains(&stray_rad)
            }
        };
        paced && self.deadband.is_valid()
    }

    fn is_same(&self, other: &Self) -> bool {
        let paced = match (self.pace, other.pace) {
            (Pace::Quick { rate_limit_rad_s: a }, Pace::Quick { rate_limit_rad_s: b }) => {
                same_bits(&[a], &[b])
            }
            (
                Pace::Cheap { duration_s, stray_rad },
                Pace::Cheap { duration_s: other_s, stray_rad: other_rad },
            ) => same_bits(&[duration_s, stray_rad], &[other_s, other_rad]),
            _ => false,
        };
        paced
            && same_bits(&self.attitude_xyzw, &other.attitude_xyzw)
            && same_limits(&self.deadband, &other.deadband)
    }

    fn without_dust(&self) -> Self {
        let clean = math::without_dust;
        Self {
            attitude_xyzw: self.attitude_xyzw.map(clean),
            pace: match self.pace {
                Pace::Quick { rate_limit_rad_s } => Pace::Quick { rate_limit_rad_s: clean(rate_limit_rad_s) },
                Pace::Cheap { duration_s, stray_rad } => {
                    Pace::Cheap { duration_s: clean(duration_s), stray_rad: clean(stray_rad) }
                }
            },
            deadband: clean_limits(&self.deadband),
        }
    }
}

/// What a hand controller asks for, and how that is to be read.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Hand {
    /// Deflection about each body axis, as a share of full travel, -1 to 1.
    pub deflection: [f32; 3],
    /// Deflections up to this share of full travel ask for nothing; 0..=0.9.
    pub dead_zone: f32,
    /// Rates at full deflection, rad/s.
    pub full_rate_rad_s: [f32; 3],
    /// Limits of the axes that are held.
    pub deadband: Deadband,
    /// What a deflection asks for.
    pub asks_for: HandDemand,
}

/// A slow rotation, and how far it may be off before it is set up again.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Rotation {
    /// Axis to turn about, right-handed; unit vector within 1 %, body axes.
    pub about: [f32; 3],
    /// The stack is turned about the free principal axis nearest to that one, for nothing keeps turning about another;
    /// it may lie so far from it, rad: up to π/2 for the nearest in any case, little where that very axis is meant.
    pub free_axis_within_rad: f32,
    /// Rate to turn at, rad/s.
    pub rate_rad_s: f32,
    /// The rate may be off by so much, rad/s, at most the rate itself.
    pub rate_error_rad_s: f32,
    /// The axis may come to have this angle with the angular momentum, rad, 1e-4..=0.5.
    pub nutation_rad: f32,
    /// The angular momentum may stray so far in inertial space from where it was when the rotation was last set up,
    /// rad, 1e-3..=π.
    pub stray_rad: f32,
}

impl Rotation {
    fn is_valid(&self) -> bool {
        use core::f32::consts::{FRAC_PI_2, PI};
        let about = Vec3(self.about);
        (0.98..=1.02).contains(&about.dot(about))
            && self.free_axis_within_rad > 0.0
            && self.free_axis_within_rad <= FRAC_PI_2
            && is_rate_limit(&self.rate_rad_s)
            && is_rate_limit(&self.rate_error_rad_s)
            && self.rate_error_rad_s <= self.rate_rad_s
            && (1e-4..=0.5).contains(&self.nutation_rad)
            && (1e-3..=PI).contains(&self.stray_rad)
    }

    fn numbers(&self) -> [f32; 8] {
        let [x, y, z] = self.about;
        let Self { free_axis_within_rad, rate_rad_s, rate_error_rad_s, nutation_rad, stray_rad, .. } = *self;
        [x, y, z, free_axis_within_rad, rate_rad_s, rate_error_rad_s, nutation_rad, stray_rad]
    }
}

/// What a deflection asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum HandDemand {
    /// A rate, as long as it lasts.
    Rate,
    /// The smallest firing of its axis, once for each time that the controller leaves the dead zone; else the jets are
    /// quiet.
    Bit,
}

impl Hand {
    /// Rates that are asked for, rad/s: from nothing at the edge of the dead zone to all at full travel.
    #[must_use]
    pub fn rate_rad_s(&self) -> Vec3 {
        let mut rate = Vec3::ZERO;
        for (axis, (deflection, full)) in self.deflection.iter().zip(&self.full_rate_rad_s).enumerate() {
            let beyond = math::min(deflection.abs(), 1.0) - self.dead_zone;
            if beyond > 0.0 {
                let share = beyond / (1.0 - self.dead_zone);
                rate[axis] = if *deflection < 0.0 { -share * full } else { share * full };
            }
        }
        rate
    }

    fn is_valid(&self) -> bool {
        self.deflection.iter().all(|deflection| deflection.abs() <= 1.0)
            && (0.0..=WIDEST_DEAD_ZONE).contains(&self.dead_zone)
            && self.full_rate_rad_s.iter().all(is_rate_limit)
            && self.deadband.is_valid()
    }
}

/// Whether a limit of a rate makes sense, rad/s.
fn is_rate_limit(rate: &f32) -> bool {
    (LEAST_RATE_RAD_S..=ABSURD_RATE_RAD_S).contains(rate)
}

impl Command {
    /// The attitude that is wanted, where one is. Demands are looked at where they are taken up.
    ///
    /// `None` when a number cannot be flown.
    pub(crate) fn looked_over(&self) -> Option<Option<UnitQuaternion>> {
        let (attitude, is_valid) = match self {
            Self::Drift | Self::Impulse { .. } => (None, true),
            Self::Watch { attitude_xyzw, wake, deadband } => {
                (Some(attitude_xyzw), wake.is_valid() && deadband.is_valid())
            }
            Self::Damp { rate_limit_rad_s } => (None, rate_limit_rad_s.iter().all(is_rate_limit)),
            Self::Hold { attitude_xyzw, deadband } => (Some(attitude_xyzw), deadband.is_valid()),
            Self::Hand(hand) => (None, hand.is_valid()),
            Self::Slew(slew) => (Some(&slew.attitude_xyzw), slew.is_valid()),
            Self::Rotate(rotation) => (None, rotation.is_valid()),
            Self::Translate(push) => (Some(&push.attitude_xyzw), push.is_valid()),
            Self::Burn(burn) => (Some(&burn.attitude_xyzw), burn.is_valid()),
        };
        if !is_valid {
            return None;
        }
        match attitude {
            Some(xyzw) => UnitQuaternion::from_array(*xyzw).map(Some),
            None => Some(None),
        }
    }

    /// Whether two commands are the same, bit for bit: integer work, see [`math::without_dust`]. Those that may change
    /// from cycle to cycle count as others.
    #[inline(always)]
    pub(crate) fn is_same(&self, other: &Self) -> bool {
        match (self, other) {
            (
                Self::Hold { attitude_xyzw, deadband },
                Self::Hold { attitude_xyzw: attitude, deadband: limits },
            ) => same_bits(attitude_xyzw, attitude) && same_limits(deadband, limits),
            _ => self.is_same_rarer(other),
        }
    }

    /// The same for what is not a hold.
    #[inline(never)]
    fn is_same_rarer(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Drift, Self::Drift) => true,
            (
                Self::Watch { attitude_xyzw, wake, deadband },
                Self::Watch { attitude_xyzw: attitude, wake: other_wake, deadband: limits },
            ) => {
                same_bits(attitude_xyzw, attitude)
                    && same_limits(wake, other_wake)
                    && same_limits(deadband, limits)
            }
            (Self::Damp { rate_limit_rad_s }, Self::Damp { rate_limit_rad_s: limits }) => {
                same_bits(rate_limit_rad_s, limits)
            }
            (Self::Slew(slew), Self::Slew(other)) => slew.is_same(other),
            (Self::Burn(burn), Self::Burn(other)) => {
                burn.is_the_burn(other)
                    && same_bits(&burn.attitude_xyzw, &other.attitude_xyzw)
                    && same_limits(&burn.deadband, &other.deadband)
                    && same_bits(&[burn.settling_s], &[other.settling_s])
            }
            (Self::Translate(push), Self::Translate(other)) => {
                push.is_the_push(other)
                    && same_bits(&push.attitude_xyzw, &other.attitude_xyzw)
                    && same_limits(&push.deadband, &other.deadband)
            }
            (Self::Rotate(rotation), Self::Rotate(other)) => same_bits(&rotation.numbers(), &other.numbers()),
            _ => false,
        }
    }

    /// The same with numbers that mean nothing set to zero; see [`math::without_dust`].
    pub(crate) fn without_dust(&self) -> Self {
        let clean = math::without_dust;
        match *self {
            Self::Drift => Self::Drift,
            Self::Watch { attitude_xyzw, wake, deadband } => Self::Watch {
                attitude_xyzw: attitude_xyzw.map(clean),
                wake: clean_limits(&wake),
                deadband: clean_limits(&deadband),
            },
            Self::Damp { rate_limit_rad_s } => Self::Damp { rate_limit_rad_s: rate_limit_rad_s.map(clean) },
            Self::Hold { attitude_xyzw, deadband } => {
                Self::Hold { attitude_xyzw: attitude_xyzw.map(clean), deadband: clean_limits(&deadband) }
            }
            Self::Hand(hand) => Self::Hand(Hand {
                deflection: hand.deflection.map(clean),
                dead_zone: clean(hand.dead_zone),
                full_rate_rad_s: hand.full_rate_rad_s.map(clean),
                deadband: clean_limits(&hand.deadband),
                ..hand
            }),
            Self::Slew(slew) => Self::Slew(slew.without_dust()),
            Self::Burn(burn) => Self::Burn(Burn {
                attitude_xyzw: burn.attitude_xyzw.map(clean),
                velocity_change_m_s: burn.velocity_change_m_s.map(clean),
                deadband: clean_limits(&burn.deadband),
                settling_s: clean(burn.settling_s),
                ..burn
            }),
            Self::Translate(push) => Self::Translate(Translation {
                attitude_xyzw: push.attitude_xyzw.map(clean),
                velocity_change_m_s: push.velocity_change_m_s.map(clean),
                deadband: clean_limits(&push.deadband),
                ..push
            }),
            Self::Rotate(rotation) => Self::Rotate(Rotation {
                about: rotation.about.map(clean),
                free_axis_within_rad: clean(rotation.free_axis_within_rad),
                rate_rad_s: clean(rotation.rate_rad_s),
                rate_error_rad_s: clean(rotation.rate_error_rad_s),
                nutation_rad: clean(rotation.nutation_rad),
                stray_rad: clean(rotation.stray_rad),
            }),
            Self::Impulse { serial, rate_change_rad_s, velocity_change_m_s } => Self::Impulse {
                serial,
                rate_change_rad_s: rate_change_rad_s.map(clean),
                velocity_change_m_s: velocity_change_m_s.map(|change| change.map(clean)),
            },
        }
    }
}

fn clean_limits(limits: &Deadband) -> Deadband {
    Deadband {
        half_width_rad: Vec3(limits.half_width_rad.0.map(math::without_dust)),
        rate_limit_rad_s: Vec3(limits.rate_limit_rad_s.0.map(math::without_dust)),
    }
}

#[inline(always)]
fn same_limits(a: &Deadband, b: &Deadband) -> bool {
    same_bits(&a.half_width_rad.0, &b.half_width_rad.0)
        && same_bits(&a.rate_limit_rad_s.0, &b.rate_limit_rad_s.0)
}

#[inline(always)]
fn same_bits(a: &[f32], b: &[f32]) -> bool {
    a.iter().zip(b).fold(0, |differing, (a, b)| differing | (a.to_bits() ^ b.to_bits())) == 0
}
