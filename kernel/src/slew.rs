//! Slews: turning to an attitude along a path that is planned first and then followed.
//!
//! On the legs where the rate changes every cycle asks for the rate that the path has at its end, with what the stack will do
//! by itself in that time taken off; on the coast the stack is held within its deadband about a reference that moves along
//! the path. The gyroscopic torque that a path asks for is a standing push to that hold, paid at the least price.
//! What the jets can do decides how fast a path may be; when it changes, the path is planned anew from where the stack is,
//! as for a new attitude.

pub(crate) mod aim;
pub(crate) mod path;
pub(crate) mod plan;

use crate::command::{Pace, Slew};
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::hold::{self, Deadband, Situation};
use crate::jet::JetMask;
use crate::ledger::ticks_between;
use crate::linalg::Vec3;
use crate::math;
use crate::modes::Fired;
use crate::observer::{Motion, gyroscopic};
use crate::pending::Pending;
use crate::posing::quiet_if_idle;
use crate::selection::Demand;
use crate::status::Status;
use path::{Leg, Mark, Path};
use plan::{Planning, Stage};

/// Where the rate changes an angle beyond the deadband is asked to be gone after about this many cycles.
const RETURN_CYCLES: f32 = 20.0;
/// How exactly rates are asked for there, in smallest bits.
const PUT: f32 = 0.5;
/// Beyond this many half-widths the path is lost: another one is planned from where the stack is.
const LOST: f32 = 6.0;
/// Times that a path is planned anew at most.
const MOST_TRIES: u8 = 3;

/// A slew in hand.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Slewing {
    pub(crate) path: Path,
    /// Where the stack should be, and the clock's tick there.
    pub(crate) mark: Mark,
    tick: u32,
    /// Jets that the path was planned for.
    usable: JetMask,
    pub(crate) planning: Planning,
    tries: u8,
}

impl Slewing {
    /// Nothing planned yet.
    pub(crate) const START: Self = Self {
        path: Path::waiting(0),
        mark: Mark { motion: Motion::AT_REST, at: 0 },
        tick: 0,
        usable: JetMask::NONE,
        planning: Planning::BEGIN,
        tries: 0,
    };
}

/// What a path was chosen for.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct SlewPlan {
    /// Estimated propellant along the eigenaxis, gyroscopic torque included, kg; zero for a quick slew, which is not
    /// priced.
    pub eigenaxis_kg: f32,
    /// Estimated propellant of the path that lets the stack precess, kg; none where that was not asked for or not found.
    pub precessing_kg: Option<f32>,
    /// How far that path strays from the eigenaxis, rad.
    pub stray_rad: f32,
    /// Whether the stack precesses.
    pub precesses: bool,
    /// Body rate at the end of the rise, rad/s.
    pub rate_rad_s: Vec3,
    /// Lengths of the wait, the change of rate, the coast and the braking, ticks.
    pub legs_ticks: [u32; 4],
}

impl<const N: usize> Controller<N> {
    /// The plan of the slew in hand, once it is made.
    #[must_use]
    pub fn slew_plan(&self) -> Option<SlewPlan> {
        let Pending::Slew(Slewing { path, planning, .. }) = &self.pending else { return None };
        (planning.stage == Stage::Ready).then_some(SlewPlan {
            eigenaxis_kg: planning.eigenaxis_kg,
            precessing_kg: (planning.precessing_kg > 0.0).then_some(planning.precessing_kg),
            stray_rad: planning.stray_rad,
            precesses: path.precesses,
            rate_rad_s: path.rate_rad_s,
            legs_ticks: path.legs,
        })
    }

    /// One cycle of a slew.
    #[inline(never)]
    pub(crate) fn slew(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let mut slewing = self.pending.take_slew();
        let fired = self.slew_on(&mut slewing, open_tick, motion, slew, usable, witness);
        self.pending = Pending::Slew(slewing);
        fired
    }

    fn slew_on(
        &mut self,
        slewing: &mut Slewing,
        open_tick: u32,
        motion: &Motion,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        if slewing.planning.stage == Stage::Begin || slewing.usable != usable {
            *slewing = self.begin_slew(slewing.tries, open_tick, motion, slew, usable);
        }
        let tick_s = self.table.timing.tick_s;
        let on = ticks_between(slewing.tick, open_tick);
        let Slewing { path, mark, tick, .. } = slewing;
        path.advance(mark, u32::try_from(on).unwrap_or(0), tick_s, &self.stack);
        *tick = open_tick;
        let (leg, path, mark) = (path.leg_at(mark.at), *path, *mark);
        if leg == Leg::Wait {
            self.plan_on(slewing, slew, usable, witness);
        }
        self.foreseen_s = match slewing.planning.stage {
            Stage::Ready if leg != Leg::Over => {
                path::in_seconds(slewing.path.length().saturating_sub(mark.at), tick_s)
            }
            _ => f32::INFINITY,
        };
        let error_rad = motion.attitude.error_from(mark.motion.attitude);
        let lost = !slew.deadband.holds(error_rad, LOST);
        let follows = leg != Leg::Over || slewing.planning.stage == Stage::Ready;
        if lost && follows && slewing.tries < MOST_TRIES {
            slewing.tries += 1;
            slewing.planning.stage = Stage::Begin;
            return ([0; N], Status::Choosing, error_rad);
        }
        match leg {
            Leg::Wait => ([0; N], Status::Choosing, error_rad),
            Leg::Rise | Leg::Fall => {
                self.change_rate(open_tick, motion, (&path, &mark, &slew.deadband), usable, witness)
            }
            Leg::Coast => self.follow(open_tick, motion, (&path, &mark, &slew.deadband), usable, witness),
            Leg::Over => self.end_slew(slewing, open_tick, motion, &slew.deadband, usable, witness),
        }
    }

    /// Begins to plan a path from where the stack is, with what pulses still acting will bring.
    fn begin_slew(
        &self,
        tries: u8,
        open_tick: u32,
        motion: &Motion,
        slew: &Slew,
        usable: JetMask,
    ) -> Slewing {
        let thinks = match slew.pace {
            Pace::Cheap { stray_rad, .. } if stray_rad > 0.0 => plan::PRECESSING_CYCLES,
            _ => plan::EIGENAXIS_CYCLES,
        };
        let rate_rad_s = motion.rate_rad_s + self.owed_rate(open_tick);
        Slewing {
            path: Path::waiting(thinks * u32::from(self.table.timing.cycle_ticks)),
            mark: Mark { motion: Motion { rate_rad_s, ..*motion }, at: 0 },
            tick: open_tick,
            usable,
            planning: Planning::BEGUN,
            tries,
        }
    }

    /// One cycle in which the rate changes: the rate that the path has when the cycle is over, in small steps that add up to the
    /// least price of all of it.
    fn change_rate(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        (path, mark, deadband): (&Path, &Mark, &Deadband),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        self.note_prices(self.disturbance(), usable);
        let timing = &self.table.timing;
        let (cycle_ticks, tick_s, cycle_s) = (timing.cycle_ticks, timing.tick_s, timing.cycle_s());
        let mut next = *mark;
        path.advance(&mut next, u32::from(cycle_ticks), tick_s, &self.stack);
        let error_rad = motion.attitude.error_from(mark.motion.attitude);
        let rate = motion.rate_rad_s + self.owed_rate(open_tick);
        let drift = self.disturbance() + gyroscopic(motion.rate_rad_s, &self.stack);
        // Within the deadband an angle is left alone: to turn it back would cost a rate, and taking that out again.
        let mut outside = error_rad;
        for (error, width) in outside.0.iter_mut().zip(deadband.half_width_rad.0) {
            *error -= math::clamp(*error, -width, width);
        }
        let change =
            next.motion.rate_rad_s - rate - drift * cycle_s - outside * (1.0 / (RETURN_CYCLES * cycle_s));
        let mut demand = Demand::point([0.0; 3]);
        let edges = demand.low.iter_mut().zip(&mut demand.high);
        for ((low, high), (change, bit)) in edges.zip(change.0.iter().zip(&self.bits)) {
            (*low, *high) = (change - PUT * bit.rate_rad_s, change + PUT * bit.rate_rad_s);
        }
        let answer = self.pose_angular(demand, Vec3::ZERO, usable, cycle_s, witness).answer;
        let (on_ticks, status) = quiet_if_idle(self.shaped(&answer.on_time, answer.outcome, open_tick));
        (on_ticks, status, error_rad)
    }

    /// One cycle of a coast: held about a reference that moves.
    fn follow(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        (path, mark, deadband): (&Path, &Mark, &Deadband),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let reference = mark.motion.rate_rad_s;
        // How the reference's rate changes in the body.
        let changes = if path.precesses { gyroscopic(reference, &self.stack) } else { Vec3::ZERO };
        let disturbance = self.disturbance();
        let standing = disturbance + gyroscopic(reference, &self.stack) - changes;
        let error_rad = motion.attitude.error_from(mark.motion.attitude);
        let now = Situation {
            angle_rad: error_rad,
            rate_rad_s: motion.rate_rad_s + self.owed_rate(open_tick) - reference,
            drift_rad_s2: disturbance + gyroscopic(motion.rate_rad_s, &self.stack) - changes,
        };
        self.note_prices(standing, usable);
        let firing_on = self.open_at(open_tick) != JetMask::NONE;
        if firing_on || hold::must_fire(&now, deadband, 0.0, self.table.timing.cycle_s()) {
            let (ticks, status) = self.settle(open_tick, &now, deadband, standing, usable, witness);
            return (ticks, status, error_rad);
        }
        self.price_if_due(standing, usable, witness);
        ([0; N], Status::Quiet, error_rad)
    }

    /// One cycle at the end of a path: held there, or planned on.
    fn end_slew(
        &mut self,
        slewing: &mut Slewing,
        open_tick: u32,
        motion: &Motion,
        deadband: &Deadband,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        match slewing.planning.stage {
            Stage::Ready | Stage::Refused => {}
            // Stopped, so that the way can begin from rest.
            Stage::Stopping => slewing.planning = Planning::BEGIN,
            _ if slewing.tries < MOST_TRIES => {
                slewing.tries += 1;
                slewing.planning = Planning::BEGIN;
            }
            _ => {
                slewing.planning.stage = Stage::Refused;
                slewing.mark.motion.attitude = motion.attitude;
            }
        }
        if slewing.planning.stage == Stage::Begin {
            return ([0; N], Status::Choosing, Vec3::ZERO);
        }
        let refused = slewing.planning.stage == Stage::Refused;
        // A path that is refused ends where it began.
        let target = if refused { slewing.mark.motion.attitude } else { self.target };
        let error_rad = motion.attitude.error_from(target);
        let (ticks, status) = self.hold(open_tick, (motion, error_rad), deadband, usable, witness);
        let says = refused && status.number() < Status::SlewRefused.number();
        (ticks, if says { Status::SlewRefused } else { status }, error_rad)
    }
}
