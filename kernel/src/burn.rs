//! Burns of the main engine: the thrust line led through the centre of mass, and steered to where the velocity is to be gained.
//!
//! **Before.** The gimbal goes to its trim, the angles at which the line of force leads through the told centre of mass (closed
//! form); the stack is turned so that this line, and not its nose, points along the velocity that is to be gained. When it is
//! there, jets push the same way for a while, so that propellant settles; then the engine starts.
//!
//! **Steering.** Two axes are the gimbal's: it answers the attitude error like a damped spring, and takes out every push that the
//! observer sees, its own misalignment and a centre of mass that moves as tanks drain among them: trim needs no integral of its own.
//! What the observer has to learn anew when the engine begins to act or ceases, it is told to doubt. About the line of force, and
//! where the gimbal is at its stops or fixed, the jets hold the attitude in their deadband against what is left over.
//!
//! **Cut-off.** The engine is cut off within the cycle in which what it will still bring, its tail included, is what is still to be
//! gained along the line of force.

use crate::command::Burn;
use crate::controller::{Controller, worse};
use crate::cycle::Witness;
use crate::gimbal::EngineCommand;
use crate::hold::{self, Situation};
use crate::jet::JetMask;
use crate::ledger::{seconds, ticks_between};
use crate::linalg::Vec3;
use crate::math;
use crate::modes::Fired;
use crate::observer::{Motion, gyroscopic};
use crate::pending::Pending;
use crate::quaternion::UnitQuaternion;
use crate::selection::{Demand, Outcome};
use crate::status::Status;
use crate::translation::{Pushing, Wanted};

/// The attitude answers the gimbal like a spring of this frequency, rad/s, and this damping over critical.
const RESPONSE_RAD_S: f32 = 0.35;
const DAMPING: f32 = 0.9;
/// The trim is averaged over about this time, s.
const TRIM_S: f32 = 15.0;
/// Nothing is steered any more when the engine has less than this to go, s.
const FREEZE_S: f32 = 8.0;
/// The line of force may be so far beside the centre of mass when the engine starts, rad of the gimbal.
const UNSURE_RAD: f32 = 0.03;
/// While the engine burns it may come to be as far beside it again in about this time, as tanks drain, s.
const WANDER_S: f32 = 30.0;
/// The line of force may be so far from where it should point when a burn is commanded: cosine of 45 degrees.
const FARTHEST: f32 = 0.7;
/// The engine is cut off when the attitude is so many half-widths off.
const LOST: f32 = 12.0;
/// Velocity that a settling push may miss, as a share of what is to be gained.
const MISSED: f32 = 1e-3;

/// How far a burn has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
enum Stage {
    /// Nothing looked at yet.
    Begin,
    /// The stack turns so that the line of force points where it should.
    Aiming,
    /// Jets push.
    Settling,
    /// The engine is on; it acts a while later.
    Starting,
    /// The engine acts.
    Burning,
    /// It has been cut off, and its tail acts.
    Tail,
    /// Done with: the attitude is held.
    Over,
    /// The engine cannot be flown like this: the attitude is held.
    Refused,
}

/// A burn in hand.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Burning<const N: usize> {
    /// The velocity gained, and the jets' push.
    pub(crate) pushing: Pushing<N>,
    stage: Stage,
    /// Tick at which the stage began.
    since: u32,
    /// Ticks of the commands to start and to cut off.
    on_tick: u32,
    off_tick: u32,
    /// What the engine was commanded last, and where its gimbal is reckoned to be, rad.
    pub(crate) command: EngineCommand,
    gimbal_rad: [f32; 2],
    /// Whether it stays there whatever it is commanded.
    gimbal_stuck: bool,
    /// Where the gimbal has been on the average, rad.
    trim_rad: [f32; 2],
    /// Push of the engine that the observer was told of, and what pushed before it started, body axes, rad/s².
    told_rad_s2: Vec3,
    before_rad_s2: Vec3,
}

impl<const N: usize> Burning<N> {
    /// Nothing done yet.
    pub(crate) const START: Self = Self {
        pushing: Pushing::START,
        stage: Stage::Begin,
        since: 0,
        on_tick: 0,
        off_tick: 0,
        command: EngineCommand::OFF,
        gimbal_rad: [0.0; 2],
        gimbal_stuck: false,
        trim_rad: [0.0; 2],
        told_rad_s2: Vec3::ZERO,
        before_rad_s2: Vec3::ZERO,
    };

    /// On to another stage.
    fn enter(&mut self, stage: Stage, open_tick: u32) {
        (self.stage, self.since) = (stage, open_tick);
    }

    /// Whether the engine has been commanded on, and may act.
    pub(crate) fn may_act(&self) -> bool {
        matches!(self.stage, Stage::Starting | Stage::Burning | Stage::Tail)
    }
}

impl<const N: usize> Controller<N> {
    /// Cuts off the engine of a burn in hand, if it is on.
    #[inline(never)]
    pub(crate) fn cut_off(&mut self) {
        if matches!(self.pending, Pending::Burn(_)) {
            let mut burning = self.pending.take_burn();
            self.end_burn(&mut burning);
            self.pending = Pending::Burn(burning);
        }
    }

    /// Ends a burn before its time: the engine is cut off, and what it pushed is no disturbance any more. One that has not started
    /// goes on.
    fn end_burn(&mut self, burning: &mut Burning<N>) {
        burning.command.on_ticks = 0;
        if !burning.may_act() {
            return;
        }
        self.doubt_disturbance(burning, 1.0);
        if let Some(observer) = &mut self.observer {
            observer.set_disturbance(burning.before_rad_s2);
        }
        (burning.stage, burning.told_rad_s2) = (Stage::Refused, Vec3::ZERO);
    }

    /// One cycle of a burn.
    #[inline(never)]
    pub(crate) fn burn(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        (burn, gimbal_stuck): (&Burn, bool),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let mut burning = self.pending.take_burn();
        burning.gimbal_stuck = gimbal_stuck;
        self.foreseen_s = f32::INFINITY;
        let fired = self.burn_on(&mut burning, open_tick, motion, burn, usable, witness);
        self.pending = Pending::Burn(burning);
        fired
    }

    fn burn_on(
        &mut self,
        burning: &mut Burning<N>,
        open_tick: u32,
        motion: &Motion,
        burn: &Burn,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let engine = self.table.engine;
        let commanded = UnitQuaternion::from_array(burn.attitude_xyzw).unwrap_or_default();
        let asked = commanded.conjugate().rotate(Vec3(burn.velocity_change_m_s));
        self.follow_engine(burning, open_tick, motion);
        let to_gain = self.to_gain(&mut burning.pushing, open_tick, motion, asked);
        if burning.stage == Stage::Begin {
            self.begin_burn(burning, open_tick, usable, witness);
        }
        let acceleration = self.engine_acceleration_m_s2(burning, open_tick);
        let to_go_s = to_gain.norm() / math::max(acceleration, 1e-9);
        let is_steered = match burning.stage {
            Stage::Begin | Stage::Aiming | Stage::Settling | Stage::Starting => true,
            Stage::Burning => to_go_s > FREEZE_S,
            Stage::Tail | Stage::Over | Stage::Refused => false,
        };
        if is_steered {
            // The line of force along what is to be gained, by the shorter way from the commanded attitude.
            let wanted = commanded.rotate(motion.attitude.conjugate().rotate(to_gain));
            let line = engine.force_direction(burning.trim_rad);
            match shortest_turn(line, wanted) {
                Some(turn) => self.target = commanded.turned_by(turn),
                None => {
                    self.end_burn(burning);
                    burning.enter(Stage::Refused, open_tick);
                }
            }
        }
        let error_rad = motion.attitude.error_from(self.target);
        let held_so_long_s = seconds(ticks_between(burning.since, open_tick), self.table.timing.tick_s);
        let deadband = &burn.deadband;
        let (on_ticks, status) = match burning.stage {
            Stage::Begin | Stage::Refused => {
                let (ticks, status) = self.hold(open_tick, (motion, error_rad), deadband, usable, witness);
                (ticks, worse(status, Status::BurnRefused))
            }
            Stage::Over => self.hold(open_tick, (motion, error_rad), deadband, usable, witness),
            Stage::Aiming => {
                let held = self.hold(open_tick, (motion, error_rad), deadband, usable, witness);
                let within = deadband.holds(error_rad, 1.0);
                let turned = engine.turned(burning.gimbal_rad, burning.trim_rad, self.table.timing.cycle_s());
                if held.1 == Status::Quiet && within && turned == burning.trim_rad {
                    burning.enter(Stage::Settling, open_tick);
                }
                held
            }
            Stage::Settling | Stage::Starting => {
                if burning.stage == Stage::Settling && held_so_long_s >= burn.settling_s {
                    burning.enter(Stage::Starting, open_tick);
                    burning.on_tick = open_tick;
                    burning.before_rad_s2 = self.disturbance_learnt();
                } else if burning.stage == Stage::Starting && held_so_long_s >= engine.start_s {
                    burning.enter(Stage::Burning, open_tick);
                    self.doubt_disturbance(burning, 1.0);
                }
                let missed_m_s = MISSED * Vec3(burn.velocity_change_m_s).norm();
                let wanted = Wanted { error_rad, to_gain_m_s: to_gain, missed_m_s, deadband };
                if burn.settling_s > 0.0 {
                    let pushed =
                        self.push_on(&mut burning.pushing, open_tick, motion, &wanted, usable, witness);
                    if pushed.1 == Status::PushRefused {
                        // An engine is not started on propellant that floats.
                        self.end_burn(burning);
                        burning.enter(Stage::Refused, open_tick);
                    }
                    pushed
                } else {
                    self.hold(open_tick, (motion, error_rad), deadband, usable, witness)
                }
            }
            Stage::Burning | Stage::Tail => {
                self.steer(burning, open_tick, (motion, error_rad), deadband, usable, witness)
            }
        };
        let lost = !deadband.holds(error_rad, LOST);
        if lost && matches!(burning.stage, Stage::Starting | Stage::Burning) {
            // Thrust that goes elsewhere is worse than none.
            self.end_burn(burning);
        }
        let cycle_ticks = self.table.timing.cycle_ticks;
        burning.command.on_ticks = match burning.stage {
            Stage::Starting => cycle_ticks,
            Stage::Burning => {
                let line = engine.force_direction(burning.gimbal_rad);
                let left_s = to_gain.dot(line) / math::max(acceleration, 1e-9) - engine.tail_s;
                self.foreseen_s = math::max(left_s, 0.0);
                let ticks = math::whole_ticks(left_s / self.table.timing.tick_s + 0.5, cycle_ticks);
                if ticks < cycle_ticks {
                    burning.enter(Stage::Tail, open_tick);
                    burning.off_tick = open_tick.wrapping_add(u32::from(ticks));
                }
                ticks
            }
            _ => 0,
        };
        (on_ticks, status, error_rad)
    }

    /// Looks whether the engine can be flown, and where its gimbal is trimmed.
    fn begin_burn(
        &mut self,
        burning: &mut Burning<N>,
        open_tick: u32,
        usable: JetMask,
        witness: &mut impl Witness,
    ) {
        let engine = &self.table.engine;
        burning.trim_rad = if burning.gimbal_stuck {
            burning.gimbal_rad
        } else {
            engine.trim_rad(self.stack.centre_of_mass_m())
        };
        burning.command.gimbal_rad = burning.trim_rad;
        // What the gimbal cannot lead through the centre of mass the jets must carry for the whole burn.
        let left_over = engine.turn_rad_s2(&self.stack, burning.trim_rad);
        let cycle_s = self.table.timing.cycle_s();
        let is_trimmed = left_over.norm() <= 1e-4 * self.gimbal_turns(burning.trim_rad);
        let carried = is_trimmed || {
            let demand = Demand::point((-left_over * cycle_s).0);
            let answer = self.pose_angular(demand, Vec3::ZERO, usable, cycle_s, witness).answer;
            answer.outcome == Outcome::Exact
        };
        burning.enter(if carried { Stage::Aiming } else { Stage::Refused }, open_tick);
    }

    /// Angular acceleration per angle of the gimbal that turns the stack more, at these angles, 1/s².
    fn gimbal_turns(&self, gimbal_rad: [f32; 2]) -> f32 {
        let slopes = self.table.engine.turn_slopes(&self.stack, gimbal_rad);
        slopes.iter().fold(0.0, |most, slope| math::max(most, slope.norm()))
    }

    /// Acceleration by the engine at steady thrust, m/s²: the stack becomes lighter as it burns.
    fn engine_acceleration_m_s2(&self, burning: &Burning<N>, tick: u32) -> f32 {
        let engine = &self.table.engine;
        let flow = engine.thrust_n
            / (math::max(engine.specific_impulse_s, 1e-3) * crate::jet::STANDARD_GRAVITY_M_S2);
        let burnt_s = if burning.may_act() { self.acted_s(burning, burning.on_tick, tick) } else { 0.0 };
        let mass_kg = self.stack.mass_kg();
        engine.thrust_n / math::max(mass_kg - flow * burnt_s, 0.1 * mass_kg)
    }

    /// How long the engine acts between two ticks, by what was commanded, s.
    fn acted_s(&self, burning: &Burning<N>, from: u32, to: u32) -> f32 {
        let (engine, tick_s) = (&self.table.engine, self.table.timing.tick_s);
        let after_on = |tick: u32| seconds(ticks_between(burning.on_tick, tick), tick_s);
        let end_s = match burning.stage {
            Stage::Tail => after_on(burning.off_tick) + engine.tail_s,
            _ => f32::INFINITY,
        };
        let (from_s, to_s) = (math::max(after_on(from), engine.start_s), math::min(after_on(to), end_s));
        math::max(to_s - from_s, 0.0)
    }

    /// Velocity that the engine brings between two ticks, by what was commanded, body axes, m/s.
    pub(crate) fn engine_pushed(&self, burning: &Burning<N>, from: u32, to: u32) -> Vec3 {
        if !burning.may_act() {
            return Vec3::ZERO;
        }
        let line = self.table.engine.force_direction(burning.gimbal_rad);
        line * (self.engine_acceleration_m_s2(burning, to) * self.acted_s(burning, from, to))
    }

    /// Books what the engine has done since the last cycle: velocity, where its gimbal is, and its push on the attitude.
    fn follow_engine(&mut self, burning: &mut Burning<N>, open_tick: u32, motion: &Motion) {
        let from = burning.pushing.tick();
        let engine = self.table.engine;
        if burning.stage != Stage::Begin {
            let span_s = seconds(ticks_between(from, open_tick), self.table.timing.tick_s);
            let command_rad =
                if burning.gimbal_stuck { burning.gimbal_rad } else { burning.command.gimbal_rad };
            burning.gimbal_rad = engine.turned(burning.gimbal_rad, command_rad, math::max(span_s, 0.0));
            let pushed = self.engine_pushed(burning, from, open_tick);
            burning.pushing.add(motion.attitude.conjugate().rotate(pushed));
        }
        let acts = matches!(burning.stage, Stage::Burning | Stage::Tail)
            && self.acted_s(burning, from, open_tick) > 0.0;
        let push = if acts { engine.turn_rad_s2(&self.stack, burning.gimbal_rad) } else { Vec3::ZERO };
        if let Some(observer) = &mut self.observer {
            if burning.stage == Stage::Tail && !acts {
                observer.set_disturbance(burning.before_rad_s2);
                burning.enter(Stage::Over, open_tick);
            } else {
                observer.shift_disturbance(push - burning.told_rad_s2);
            }
        }
        burning.told_rad_s2 = push;
    }

    /// The disturbance as learnt so far, rad/s².
    fn disturbance_learnt(&self) -> Vec3 {
        self.observer.as_ref().map_or(Vec3::ZERO, |observer| observer.disturbance_rad_s2())
    }

    /// Nobody knows exactly where the line of force leads, or has come to lead.
    ///
    /// * `share` — of the doubt that there is when the engine begins to act.
    fn doubt_disturbance(&mut self, burning: &Burning<N>, share: f32) {
        let turns = self.gimbal_turns(burning.gimbal_rad);
        if let Some(observer) = &mut self.observer {
            observer.doubt_disturbance(share * UNSURE_RAD * turns);
        }
    }

    /// One cycle of steering by gimbal, and by jets where it does not reach.
    fn steer(
        &mut self,
        burning: &mut Burning<N>,
        open_tick: u32,
        (motion, error_rad): (&Motion, Vec3),
        deadband: &hold::Deadband,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        let engine = self.table.engine;
        self.doubt_disturbance(burning, math::sqrt(self.table.timing.cycle_s() / WANDER_S));
        let (now_rad, line) = (burning.gimbal_rad, engine.force_direction(burning.gimbal_rad));
        let across = |vector: Vec3| vector - line * vector.dot(line);
        let drift = self.disturbance_learnt() + gyroscopic(motion.rate_rad_s, &self.stack);
        let rate = motion.rate_rad_s + self.owed_rate(open_tick);
        let spring = RESPONSE_RAD_S * RESPONSE_RAD_S;
        let answer = across(-error_rad * spring - rate * (2.0 * DAMPING * RESPONSE_RAD_S));
        let slopes = engine.turn_slopes(&self.stack, now_rad);
        let [more_a, more_b] = least_squares(slopes.map(across), answer - across(drift));
        let [a, b] = now_rad;
        let wanted_rad = [a + more_a, b + more_b];
        let travel = engine.travel_rad;
        let command_rad = if burning.gimbal_stuck {
            now_rad
        } else {
            wanted_rad.map(|angle| math::clamp(angle, -travel, travel))
        };
        let reaches = wanted_rad == command_rad;
        let weight = math::min(self.table.timing.cycle_s() / TRIM_S, 1.0);
        let [trim_a, trim_b] = burning.trim_rad;
        let [to_a, to_b] = command_rad;
        if burning.stage == Stage::Burning {
            burning.trim_rad = [trim_a + (to_a - trim_a) * weight, trim_b + (to_b - trim_b) * weight];
            burning.command.gimbal_rad = command_rad;
        }
        let [slope_a, slope_b] = slopes;
        let left_over = drift + slope_a * (to_a - a) + slope_b * (to_b - b) - answer;
        let left_over = if reaches { Vec3::ZERO } else { left_over };
        let now = Situation { angle_rad: error_rad, rate_rad_s: rate, drift_rad_s2: left_over };
        self.note_prices(left_over, usable);
        let firing_on = self.open_at(open_tick) != JetMask::NONE;
        if firing_on || hold::must_fire(&now, deadband, 0.0, self.table.timing.cycle_s()) {
            return self.settle(open_tick, &now, deadband, left_over, usable, witness);
        }
        self.price_if_due(left_over, usable, witness);
        ([0; N], Status::Quiet)
    }
}

/// Rotation vector that carries one direction into another by the shorter way; `None` when they are far apart.
fn shortest_turn(from: Vec3, to: Vec3) -> Option<Vec3> {
    let (axis, along) = (from.cross(to), from.dot(to));
    if !(along > FARTHEST * to.norm()) {
        return None;
    }
    let sine = axis.norm();
    Some(if sine > 0.0 { axis * (math::atan2(sine, along) / sine) } else { Vec3::ZERO })
}

/// Factors of two vectors that together come nearest to a third.
fn least_squares([a, b]: [Vec3; 2], wanted: Vec3) -> [f32; 2] {
    let (aa, ab, bb) = (a.dot(a), a.dot(b), b.dot(b));
    let determinant = aa * bb - ab * ab;
    if !(determinant > 1e-6 * aa * bb) {
        return [0.0; 2];
    }
    let (wa, wb) = (wanted.dot(a), wanted.dot(b));
    [(wa * bb - wb * ab) / determinant, (wb * aa - wa * ab) / determinant]
}
