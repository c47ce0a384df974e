//! What goes into one control cycle and what comes out of it.

pub use crate::command::{Burn, Command, Hand, HandDemand, Pace, Rotation, Slew, Translation};
pub use crate::gimbal::EngineCommand;
use crate::jet::JetMask;
use crate::linalg::Vec3;
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

/// What an accelerometer has counted: the specific force at its place, added up axis by axis.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct VelocitySample {
    /// Sum over time of the specific force along each body axis, m/s, since any moment; only its changes count.
    pub counted_m_s: [f32; 3],
    /// Tick at which it was true.
    pub tick: u32,
    /// Whether the sensor vouches for it.
    pub valid: bool,
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
    /// Newest count of an accelerometer, if one came since the last cycle.
    pub velocity: Option<VelocitySample>,
    /// What to do.
    pub command: Command,
    /// Jets that must not open (failed, or would blow on a neighbour), beside the table's.
    pub inhibited: JetMask,
    /// Groups that must stay shut (bit `g` for group `g`): a manifold that is isolated, or suspect.
    pub shut_groups: u32,
    /// Whether the main engine's gimbal heeds no command any more: it counts as fixed where it is.
    pub gimbal_stuck: bool,
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
    /// Motion at `open_tick` as the kernel sees it, before this firing. While no attitude has been measured yet, which
    /// [`Command::Damp`] can do without, the attitude is that from the first rate, not the inertial one.
    pub motion: Motion,
    /// Attitude error at `open_tick`, body axes, rad; zero without a commanded attitude, and about axes that turn.
    pub error_rad: Vec3,
    /// Standing disturbance, body axes, rad/s².
    pub disturbance_rad_s2: Vec3,
    /// Gyro bias, body axes, rad/s.
    pub bias_rad_s: Vec3,
    /// What the main engine is to do; off, its gimbal at zero, but for a burn.
    pub engine: EngineCommand,
    /// Time from `open_tick` until what the mode expects next, s: the end of a slew or of a push, or the next set-up of a rotation;
    /// infinity where nothing is expected.
    pub foreseen_s: f32,
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
