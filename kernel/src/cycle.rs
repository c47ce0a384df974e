//! What goes into one control cycle and what comes out of it.

use crate::hold::Deadband;
use crate::jet::JetMask;
use crate::linalg::Vec3;
use crate::math;
use crate::observer::Motion;
use crate::selection::{Problem, Selection};
use crate::status::Status;

/// One measured attitude. Who filters: nobody before the kernel; samples come raw, each with the tick
/// at which it was true.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AttitudeSample {
    /// Inertial to body, `[x, y, z, w]`; either sign.
    pub attitude_xyzw: [f32; 4],
    /// Tick at which it was true.
    pub tick: u32,
    /// Whether the sensor vouches for it.
    pub valid: bool,
}

/// One measured rate, gyro bias included.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RateSample {
    /// Body rate, body axes, rad/s.
    pub rate_rad_s: [f32; 3],
    /// Tick at which it was true.
    pub tick: u32,
    /// Whether the sensor vouches for it.
    pub valid: bool,
}

/// What the kernel is asked to do.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Command {
    /// Jets quiet.
    Drift,
    /// Hold an attitude.
    Hold {
        /// Attitude to hold, inertial to body, `[x, y, z, w]`.
        attitude_xyzw: [f32; 4],
        /// Limits.
        deadband: Deadband,
    },
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

impl Command {
    /// Whether two commands are the same, bit for bit: integer work, see [`math::without_dust`].
    pub(crate) fn is_same(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Drift, Self::Drift) => true,
            (
                Self::Hold { attitude_xyzw, deadband },
                Self::Hold { attitude_xyzw: attitude, deadband: limits },
            ) => {
                same_bits(attitude_xyzw, attitude)
                    && same_bits(&deadband.half_width_rad.0, &limits.half_width_rad.0)
                    && same_bits(&deadband.rate_limit_rad_s.0, &limits.rate_limit_rad_s.0)
            }
            _ => false,
        }
    }

    /// The same with numbers that mean nothing set to zero; see [`math::without_dust`].
    pub(crate) fn without_dust(&self) -> Self {
        let clean = math::without_dust;
        match *self {
            Self::Drift => Self::Drift,
            Self::Hold { attitude_xyzw, deadband } => Self::Hold {
                attitude_xyzw: attitude_xyzw.map(clean),
                deadband: Deadband {
                    half_width_rad: Vec3(deadband.half_width_rad.0.map(clean)),
                    rate_limit_rad_s: Vec3(deadband.rate_limit_rad_s.0.map(clean)),
                },
            },
            Self::Impulse { serial, rate_change_rad_s, velocity_change_m_s } => Self::Impulse {
                serial,
                rate_change_rad_s: rate_change_rad_s.map(clean),
                velocity_change_m_s: velocity_change_m_s.map(|change| change.map(clean)),
            },
        }
    }
}

fn same_bits(a: &[f32], b: &[f32]) -> bool {
    a.iter().zip(b).fold(0, |differing, (a, b)| differing | (a.to_bits() ^ b.to_bits())) == 0
}

/// Input of one cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CycleInput {
    /// The clock at the start of this cycle, ticks; may wrap.
    pub tick: u32,
    /// Newest attitude, if one came since the last cycle.
    pub attitude: Option<AttitudeSample>,
    /// Newest rate, if one came since the last cycle.
    pub rate: Option<RateSample>,
    /// What to do.
    pub command: Command,
    /// Jets that must not open (failed, or would blow on a neighbour), beside the table's.
    pub inhibited: JetMask,
    /// Groups that must stay shut (bit `g` for group `g`): a manifold that is isolated, or suspect.
    pub shut_groups: u32,
}

/// Output of one cycle, always safe to act on.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct CycleOutput<const N: usize> {
    /// On-time of each jet, ticks, from `open_tick`; 0 shut, the whole cycle stays open through its
    /// edge.
    pub on_ticks: [u16; N],
    /// Tick at which the pulses open.
    pub open_tick: u32,
    /// How the cycle went.
    pub status: Status,
    /// Motion at `open_tick` as the kernel sees it, before this firing.
    pub motion: Motion,
    /// Attitude error at `open_tick`, body axes, rad; zero without a commanded attitude.
    pub error_rad: Vec3,
    /// Standing disturbance, body axes, rad/s².
    pub disturbance_rad_s2: Vec3,
    /// Gyro bias, body axes, rad/s.
    pub bias_rad_s: Vec3,
}

/// Whoever wants to see every jet selection as it is made, for proof or for the record. The board's
/// witness is `()`, which costs nothing.
pub trait Witness {
    /// One selection: what was asked (`M` rows), and the answer.
    fn saw<const M: usize, const N: usize>(&mut self, problem: &Problem<M>, answer: &Selection<M, N>);
}

impl Witness for () {
    fn saw<const M: usize, const N: usize>(&mut self, _: &Problem<M>, _: &Selection<M, N>) {}
}

/// One angular selection as posed and answered.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Posed<const N: usize> {
    /// Price per second of acting time, kg/s.
    pub(crate) price: [f32; N],
    /// The answer.
    pub(crate) answer: Selection<3, N>,
}
