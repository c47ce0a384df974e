//! Planning a slew: what the jets can do about its axis, how fast that lets it be, which rate leads there, and what it costs.
//!
//! A selection, or a flight of the path in thought, is as much as a cycle has time for: each cycle of the wait takes one step.

use crate::command::{Pace, Slew};
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::jet::{JetMask, LOADS, WHOLE_LOAD};
use crate::linalg::Vec3;
use crate::mass_properties::MassProperties;
use crate::math;
use crate::modes::UNHURRIED_S;
use crate::posing::longest;
use crate::selection::{Demand, Outcome, Selection};
use crate::slew::Slewing;
use crate::slew::aim::Aim;
use crate::slew::path::{self, Mark, Path};

/// Cycles that planning takes at most: about the eigenaxis, and with a path that precesses as well.
pub(crate) const EIGENAXIS_CYCLES: u32 = 14;
pub(crate) const PRECESSING_CYCLES: u32 = 44;

/// A quick slew uses this share of what the jets attain: the rest keeps it on its path.
const USED: f32 = 0.6;
/// Share of what they attain that the gyroscopic torque of a quick slew may take.
const GYROSCOPIC: f32 = 0.4;
/// A gyroscopic torque that asks for less, at 1 rad/s, is none, rad/s².
const LEAST_ASKED: f32 = 1e-6;
/// A cheap change of rate takes so much longer than its longest pulse.
const EASED: f32 = 1.15;
/// More than any jets attain in a cycle, rad/s.
const UNATTAINED_RAD_S: f32 = 1.0;
/// A path is begun from rest when stopping takes more than this share of the way.
const STOPS_WITHIN: f32 = 0.25;
/// Shortest way that is planned, rad: a hold does the rest.
const LEAST_TURN_RAD: f32 = 1e-4;
/// Longest leg, ticks: all together are far from the end of the clock.
const MOST_TICKS: u32 = 1 << 28;
/// Slower than this is at rest, rad/s.
const REST_RAD_S: f32 = 1e-5;
/// Shots at the target: about the eigenaxis, and with precession.
const SHOTS: u8 = 8;
const PRECESSING_SHOTS: u8 = 14;
/// A shot has hit that misses by this share of the smallest half-width, or by [`LEAST_MISS_RAD`].
const HIT: f32 = 0.02;
const LEAST_MISS_RAD: f32 = 1e-5;
/// Points at which a path that precesses is compared with the eigenaxis.
const POINTS: u8 = 16;

/// What a cycle of planning does next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) enum Stage {
    /// A path is to be planned from where the stack is.
    Begin,
    /// What the jets can do against the rate at the start, about the axis, against the gyroscopic torque.
    Stop,
    Fall,
    Gyroscopic,
    Rise,
    /// The rate that leads there about the eigenaxis, then with precession, and the price of that.
    Aim,
    AimPrecessing,
    PriceRise,
    PriceFall,
    /// How far it strays.
    Stray,
    /// Planned.
    Ready,
    /// Planned to stop, and to plan anew then.
    Stopping,
    /// The jets cannot turn the stack that way.
    Refused,
}

/// What is known so far.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) struct Planning {
    pub(crate) stage: Stage,
    /// Whether it is planned as a quick one.
    hurries: bool,
    /// Whether legs have been lengthened for the path that precesses.
    lengthened: bool,
    /// Of a quick slew the acceleration that it brakes with, rad/s²; of a cheap one how long that takes, s.
    fall: f32,
    /// The gyroscopic torque of faster turns is beyond the jets, rad/s.
    fastest_rad_s: f32,
    aim: Aim,
    /// Rate of the eigenaxis path, rad/s, while the other is planned.
    eigenaxis_rad_s: Vec3,
    /// Estimated prices, kg; zero where there is none.
    pub(crate) eigenaxis_kg: f32,
    pub(crate) precessing_kg: f32,
    pub(crate) stray_rad: f32,
}

impl Planning {
    pub(crate) const BEGIN: Self = Self {
        stage: Stage::Begin,
        hurries: false,
        lengthened: false,
        fall: 0.0,
        fastest_rad_s: UNATTAINED_RAD_S,
        aim: Aim::NONE,
        eigenaxis_rad_s: Vec3::ZERO,
        eigenaxis_kg: 0.0,
        precessing_kg: 0.0,
        stray_rad: 0.0,
    };
    pub(crate) const BEGUN: Self = Self { stage: Stage::Stop, ..Self::BEGIN };
}

impl Slewing {
    /// A cheap slew that its time is too short for is flown as quickly as can be.
    fn hurry(&mut self) {
        let planning = &mut self.planning;
        (planning.hurries, planning.stage, planning.eigenaxis_kg) = (true, Stage::Fall, 0.0);
    }

    /// What jets cannot do is not begun: the attitude at this moment is held.
    fn refuse(&mut self) {
        self.planning.stage = Stage::Refused;
        self.path = Path::waiting(0);
    }

    /// Planned, without precession.
    fn keep_to_eigenaxis(&mut self) {
        (self.path.rate_rad_s, self.path.precesses) = (self.planning.eigenaxis_rad_s, false);
        self.planning.stage = Stage::Ready;
    }
}

/// The way from the end of the wait to the target.
struct Way {
    /// Mark at the end of the wait.
    start: Mark,
    /// Rotation vector of the way, body axes, rad; its length; its direction.
    turn: Vec3,
    angle_rad: f32,
    axis: Vec3,
}

/// Torque that a turn at 1 rad/s about an axis asks for, as an acceleration, rad/s².
fn asked_of_jets(axis: Vec3, stack: &MassProperties) -> Vec3 {
    stack.turn(axis.cross(stack.inertia_kg_m2() * axis))
}

impl<const N: usize> Controller<N> {
    /// One step of planning.
    #[inline(never)]
    pub(crate) fn plan_on(
        &mut self,
        slewing: &mut Slewing,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) {
        let way = self.way(slewing);
        if way.angle_rad < LEAST_TURN_RAD && way.start.motion.rate_rad_s.norm() < REST_RAD_S {
            slewing.planning.stage = Stage::Ready;
            return;
        }
        match slewing.planning.stage {
            Stage::Stop => self.plan_stop(slewing, &way, usable, witness),
            Stage::Fall => self.plan_fall(slewing, &way, slew, usable, witness),
            Stage::Gyroscopic => self.plan_gyroscopic(slewing, &way, slew, usable, witness),
            Stage::Rise => self.plan_rise(slewing, &way, slew, usable, witness),
            Stage::Aim | Stage::AimPrecessing => self.shoot(slewing, &way, slew),
            Stage::PriceRise => self.price_rise(slewing, &way, usable, witness),
            Stage::PriceFall => self.price_fall(slewing, &way, usable, witness),
            Stage::Stray => self.choose_path(slewing, &way, slew),
            Stage::Begin | Stage::Ready | Stage::Stopping | Stage::Refused => {}
        }
    }

    /// The way that is to be planned. It stays the same while it is: the wait is a coast without torque.
    fn way(&self, slewing: &Slewing) -> Way {
        let mut start = slewing.mark;
        let wait = slewing.path.legs[0].saturating_sub(start.at);
        let waiting = Path::waiting(slewing.path.legs[0]);
        waiting.advance(&mut start, wait, self.table.timing.tick_s, &self.stack);
        let turn = -start.motion.attitude.error_from(self.target);
        let angle_rad = turn.norm();
        let axis = if angle_rad > 0.0 { turn * (1.0 / angle_rad) } else { Vec3::ZERO };
        Way { start, turn, angle_rad, axis }
    }

    /// Acceleration that the jets attain along a direction without turning any other way, rad/s²; zero where they
    /// cannot.
    fn attained(&mut self, direction: Vec3, usable: JetMask, witness: &mut impl Witness) -> f32 {
        let cycle_s = self.table.timing.cycle_s();
        let demand = Demand::point((direction * UNATTAINED_RAD_S).0);
        let answer = self.pose_angular(demand, Vec3::ZERO, usable, cycle_s, witness).answer;
        match answer.outcome {
            Outcome::Exact | Outcome::Shortened => {
                answer.lambda * UNATTAINED_RAD_S / math::max(self.together_s(&answer.on_time), cycle_s)
            }
            _ => 0.0,
        }
    }

    /// A rate change at the least price: that, kg, and how long it takes, s. None where the jets cannot.
    fn at_leisure(
        &mut self,
        change: Vec3,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Option<(f32, f32)> {
        if change == Vec3::ZERO {
            return Some((0.0, 0.0));
        }
        let Selection { on_time, outcome, .. } =
            self.pose_angular(Demand::point(change.0), Vec3::ZERO, usable, UNHURRIED_S, witness).answer;
        let delivered = matches!(outcome, Outcome::Exact | Outcome::Nothing);
        delivered.then(|| (self.price_of(&on_time), EASED * self.together_s(&on_time)))
    }

    /// How long these acting times take where the jets share what they may take together: the most that the longest
    /// of them, the number of jets, the flow of any group and any load ask for, s.
    fn together_s(&self, on_time: &[f32; N]) -> f32 {
        let shared = &self.table.shared;
        let jets = self.table.jets.iter().zip(on_time);
        let sum = on_time.iter().fold(0.0, |sum, time| sum + time);
        let mut needed = math::max(longest(on_time), sum / f32::from(shared.most_jets_at_once));
        for (group, &limit) in (0_u8..).zip(&shared.flow_limit_kg_s) {
            let taken = jets.clone().filter(|(jet, _)| jet.group == group);
            let flow = taken.fold(0.0, |flow, (jet, time)| flow + jet.flow_kg_s() * time);
            needed = math::max(needed, flow / limit);
        }
        let mut loads_s = [0.0; LOADS];
        for (jet, time) in jets {
            for (load_s, &share) in loads_s.iter_mut().zip(&jet.load_share) {
                *load_s += f32::from(share) * time;
            }
        }
        needed = math::max(needed, longest(&loads_s) / f32::from(WHOLE_LOAD));
        needed
    }

    /// Whole cycles that a time takes at least, ticks.
    fn whole_cycles(&self, time_s: f32) -> u32 {
        let cycle_ticks = u32::from(self.table.timing.cycle_ticks);
        let most = MOST_TICKS.checked_div(cycle_ticks).unwrap_or(0);
        math::whole(time_s / self.table.timing.cycle_s() + 0.999, most) * cycle_ticks
    }

    fn seconds(&self, ticks: u32) -> f32 {
        path::in_seconds(ticks, self.table.timing.tick_s)
    }

    /// Stops first where the stack turns too fast for the way, so that the way is begun from rest.
    fn plan_stop(&mut self, slewing: &mut Slewing, way: &Way, usable: JetMask, witness: &mut impl Witness) {
        let rate = way.start.motion.rate_rad_s;
        let speed = rate.norm();
        slewing.planning.stage = Stage::Fall;
        if speed < REST_RAD_S {
            return;
        }
        let attained = USED * self.attained(rate * (-1.0 / speed), usable, witness);
        if !(attained > 0.0) {
            slewing.refuse();
        } else if speed * speed > 2.0 * attained * STOPS_WITHIN * way.angle_rad {
            self.stop(slewing, speed / attained);
        }
    }

    /// A path that only stops, in so many seconds.
    fn stop(&self, slewing: &mut Slewing, time_s: f32) {
        slewing.planning.stage = Stage::Stopping;
        slewing.path.legs = [slewing.path.legs[0], 0, 0, self.whole_cycles(time_s)];
        slewing.path.rate_rad_s = Vec3::ZERO;
    }

    /// How long a cheap slew has from the end of the wait on, s; none for a quick one.
    fn leisure_s(&self, slewing: &Slewing, slew: &Slew) -> Option<f32> {
        match slew.pace {
            Pace::Cheap { duration_s, .. } if !slewing.planning.hurries => {
                Some(duration_s - self.seconds(slewing.path.legs[0]))
            }
            _ => None,
        }
    }

    fn plan_fall(
        &mut self,
        slewing: &mut Slewing,
        way: &Way,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) {
        let fall = if let Some(leisure_s) = self.leisure_s(slewing, slew) {
            let rate = way.angle_rad / math::max(leisure_s, f32::MIN_POSITIVE);
            if !(rate < UNATTAINED_RAD_S) {
                return slewing.hurry();
            }
            let Some((kg, fall_s)) = self.at_leisure(-way.axis * rate, usable, witness) else {
                return slewing.refuse();
            };
            slewing.planning.eigenaxis_kg = kg;
            fall_s
        } else {
            let attained = self.attained(-way.axis, usable, witness);
            if !(attained > 0.0) {
                return slewing.refuse();
            }
            USED * attained
        };
        let planning = &mut slewing.planning;
        (planning.fall, planning.stage) = (fall, Stage::Gyroscopic);
    }

    fn plan_gyroscopic(
        &mut self,
        slewing: &mut Slewing,
        way: &Way,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) {
        let asked = asked_of_jets(way.axis, &self.stack);
        let size = asked.norm();
        if let Some(leisure_s) = self.leisure_s(slewing, slew) {
            let rate = way.angle_rad / leisure_s;
            let Some((kg, taken_s)) = self.at_leisure(asked * (rate * rate * leisure_s), usable, witness)
            else {
                return slewing.refuse();
            };
            if taken_s > leisure_s {
                return slewing.hurry();
            }
            slewing.planning.eigenaxis_kg += kg;
        } else if size > LEAST_ASKED {
            let attained = self.attained(asked * (1.0 / size), usable, witness);
            if !(attained > 0.0) {
                return slewing.refuse();
            }
            slewing.planning.fastest_rad_s = math::sqrt(GYROSCOPIC * attained / size);
        }
        slewing.planning.stage = Stage::Rise;
    }

    fn plan_rise(
        &mut self,
        slewing: &mut Slewing,
        way: &Way,
        slew: &Slew,
        usable: JetMask,
        witness: &mut impl Witness,
    ) {
        let (before, fall) = (way.start.motion.rate_rad_s, slewing.planning.fall);
        let (rate, rise_s, coast_s, fall_s) = if let Some(leisure_s) = self.leisure_s(slewing, slew) {
            let rate = way.angle_rad / leisure_s;
            let Some((kg, rise_s)) = self.at_leisure(way.axis * rate - before, usable, witness) else {
                return slewing.refuse();
            };
            if rise_s + fall > leisure_s {
                return slewing.hurry();
            }
            slewing.planning.eigenaxis_kg += kg;
            (rate, rise_s, leisure_s - rise_s - fall, fall)
        } else {
            let mut rate = math::min(slewing.planning.fastest_rad_s, self.limit(slew));
            let change = way.axis * rate - before;
            let size = change.norm();
            let attained = if size > REST_RAD_S {
                USED * self.attained(change * (1.0 / size), usable, witness)
            } else {
                fall
            };
            if !(attained > 0.0) {
                return slewing.refuse();
            }
            // No coast is left of a short way.
            rate = math::min(rate, math::sqrt(2.0 * way.angle_rad * attained * fall / (attained + fall)));
            let (rise_s, fall_s) = ((way.axis * rate - before).norm() / attained, rate / fall);
            (rate, rise_s, math::max(way.angle_rad / rate - 0.5 * (rise_s + fall_s), 0.0), fall_s)
        };
        let wait = slewing.path.legs[0];
        let legs = [rise_s, coast_s, fall_s].map(|time_s| self.whole_cycles(time_s));
        slewing.path.legs = [wait, legs[0], legs[1], legs[2]];
        self.aim_at(slewing, way, way.axis * rate, Stage::Aim);
    }

    /// Largest rate that a quick slew may have, rad/s.
    fn limit(&self, slew: &Slew) -> f32 {
        match slew.pace {
            Pace::Quick { rate_limit_rad_s } => rate_limit_rad_s,
            Pace::Cheap { .. } => UNATTAINED_RAD_S,
        }
    }

    /// Begins to look for the rate that leads there.
    fn aim_at(&mut self, slewing: &mut Slewing, way: &Way, guess_rad_s: Vec3, stage: Stage) {
        let [_, rise, coast, fall] = slewing.path.legs.map(|leg| self.seconds(leg));
        let planning = &mut slewing.planning;
        planning.aim = Aim::at(guess_rad_s, way.turn, 0.5 * (rise + fall) + coast);
        (planning.stage, slewing.path.precesses) = (stage, stage == Stage::AimPrecessing);
    }

    /// One shot at the target.
    fn shoot(&mut self, slewing: &mut Slewing, way: &Way, slew: &Slew) {
        let precesses = slewing.planning.stage == Stage::AimPrecessing;
        let rate = slewing.planning.aim.rate_rad_s;
        slewing.path.rate_rad_s = rate;
        let path = &slewing.path;
        let mut end = way.start;
        let left = path.length().saturating_sub(end.at);
        path.advance(&mut end, left, self.table.timing.tick_s, &self.stack);
        let miss = end.motion.attitude.error_from(self.target);
        let widths = slew.deadband.half_width_rad.0;
        let hit = math::max(HIT * widths.into_iter().fold(f32::INFINITY, math::min), LEAST_MISS_RAD);
        let planning = &mut slewing.planning;
        let most = if precesses { PRECESSING_SHOTS } else { SHOTS };
        if !(miss.norm() < hit) && planning.aim.shots < most {
            planning.aim.improve(miss);
        } else if miss.norm() < hit {
            self.hit(slewing, way, slew, precesses);
        } else if precesses {
            slewing.keep_to_eigenaxis();
        } else if way.start.motion.rate_rad_s.norm() < REST_RAD_S {
            slewing.refuse();
        } else {
            let [_, rise, _, fall] = slewing.path.legs;
            self.stop(slewing, self.seconds(rise + fall));
        }
    }

    /// The rate that was looked for is found.
    fn hit(&mut self, slewing: &mut Slewing, way: &Way, slew: &Slew, precesses: bool) {
        let rate = slewing.planning.aim.rate_rad_s;
        if precesses {
            slewing.planning.stage = Stage::PriceRise;
            return;
        }
        let (speed, limit) = (rate.norm(), self.limit(slew));
        if speed > 1.01 * limit && !slewing.planning.lengthened {
            // What was turning already goes faster than it may: more time.
            let coast_s = self.seconds(slewing.path.legs[2]) * speed / limit;
            slewing.path.legs[2] = self.whole_cycles(coast_s);
            slewing.planning.lengthened = true;
            return self.aim_at(slewing, way, rate * (limit / speed), Stage::Aim);
        }
        slewing.planning.eigenaxis_rad_s = rate;
        match slew.pace {
            Pace::Cheap { stray_rad, .. } if stray_rad > 0.0 && !slewing.planning.hurries => {
                self.aim_at(slewing, way, rate, Stage::AimPrecessing);
            }
            _ => slewing.planning.stage = Stage::Ready,
        }
    }

    fn price_rise(&mut self, slewing: &mut Slewing, way: &Way, usable: JetMask, witness: &mut impl Witness) {
        let change = slewing.path.rate_rad_s - way.start.motion.rate_rad_s;
        let Some((kg, rise_s)) = self.at_leisure(change, usable, witness) else {
            return slewing.keep_to_eigenaxis();
        };
        let planning = &mut slewing.planning;
        (planning.precessing_kg, planning.fall, planning.stage) = (kg, rise_s, Stage::PriceFall);
    }

    fn price_fall(&mut self, slewing: &mut Slewing, way: &Way, usable: JetMask, witness: &mut impl Witness) {
        let [wait, rise, coast, fall] = slewing.path.legs;
        let mut end = way.start;
        let path = &slewing.path;
        path.advance(&mut end, rise + coast, self.table.timing.tick_s, &self.stack);
        let Some((kg, fall_s)) = self.at_leisure(-end.motion.rate_rad_s, usable, witness) else {
            return slewing.keep_to_eigenaxis();
        };
        slewing.planning.precessing_kg += kg;
        let (rise_needed, fall_needed) =
            (self.whole_cycles(slewing.planning.fall), self.whole_cycles(fall_s));
        if rise_needed <= rise && fall_needed <= fall {
            slewing.planning.stage = Stage::Stray;
            return;
        }
        let (new_rise, new_fall) = (rise.max(rise_needed), fall.max(fall_needed));
        let taken = (new_rise - rise) + (new_fall - fall);
        if slewing.planning.lengthened || taken > coast {
            slewing.planning.precessing_kg = 0.0;
            return slewing.keep_to_eigenaxis();
        }
        // Both paths have the longer legs.
        slewing.path.legs = [wait, new_rise, coast - taken, new_fall];
        (slewing.planning.lengthened, slewing.planning.precessing_kg) = (true, 0.0);
        self.aim_at(slewing, way, slewing.planning.eigenaxis_rad_s, Stage::Aim);
    }

    /// Takes the cheaper path if it does not stray too far.
    fn choose_path(&mut self, slewing: &mut Slewing, way: &Way, slew: &Slew) {
        let tick_s = self.table.timing.tick_s;
        let precessing = slewing.path;
        let planning = &slewing.planning;
        let eigenaxis = Path { rate_rad_s: planning.eigenaxis_rad_s, precesses: false, ..precessing };
        let (mut free, mut held) = (way.start, way.start);
        let [_, rise, coast, fall] = precessing.legs;
        let mut stray_rad = 0.0;
        let part = (rise + coast + fall) / u32::from(POINTS) + 1;
        for _ in 0..POINTS {
            precessing.advance(&mut free, part, tick_s, &self.stack);
            eigenaxis.advance(&mut held, part, tick_s, &self.stack);
            stray_rad = math::max(free.motion.attitude.error_from(held.motion.attitude).norm(), stray_rad);
        }
        let cheaper = planning.precessing_kg < planning.eigenaxis_kg;
        let within = matches!(slew.pace, Pace::Cheap { stray_rad: most, .. } if stray_rad <= most);
        slewing.planning.stray_rad = stray_rad;
        slewing.planning.stage = Stage::Ready;
        if !(cheaper && within) {
            slewing.keep_to_eigenaxis();
        }
    }
}
