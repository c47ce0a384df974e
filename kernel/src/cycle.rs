//! The controller: one call per control cycle.

use crate::config::{ConfigError, ConfigurationTable};
use crate::effectiveness::Effectiveness;
use crate::hold::{self, AxisBit, Deadband, Firing, Situation};
use crate::jet::JetMask;
use crate::ledger::{Ledger, seconds, ticks_between};
use crate::linalg::Vec3;
use crate::mass_properties::MassProperties;
use crate::math;
use crate::observer::{Motion, Observer, gyroscopic};
use crate::pulse;
use crate::quaternion::UnitQuaternion;
use crate::selection::{Demand, Outcome, Problem, Selection, select};
use crate::status::Status;

/// One measured attitude. Who filters: nobody before the kernel; samples come raw, each with the tick
/// at which it was true.
#[derive(Clone, Copy, Debug, PartialEq)]
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

/// Input of one cycle.
#[derive(Clone, Copy, Debug, PartialEq)]
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
}

/// Output of one cycle, always safe to act on.
#[derive(Clone, Copy, Debug, PartialEq)]
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

/// One selection as posed and answered, kept so that it can be checked elsewhere.
#[derive(Clone, Copy, Debug)]
pub struct Posed<const M: usize, const N: usize> {
    /// Price per second of acting time.
    pub price: [f32; N],
    /// Longest acting time, s.
    pub limit: [f32; N],
    /// Jets that took part.
    pub usable: JetMask,
    /// The demand.
    pub demand: Demand<M>,
    /// The answer.
    pub answer: Selection<M, N>,
}

/// The selections of one cycle, for whoever wants to prove them.
#[derive(Clone, Copy, Debug)]
pub struct Trace<const N: usize> {
    /// The price of the standing disturbance, when it was worked out anew.
    pub standing: Option<Posed<3, N>>,
    /// Three rows: rate change.
    pub angular: Option<Posed<3, N>>,
    /// Six rows: rate change and velocity change.
    pub full: Option<Posed<6, N>>,
}

/// An open-loop demand being worked off.
#[derive(Clone, Copy, Debug)]
struct Owed {
    serial: Option<u16>,
    rate_rad_s: Vec3,
    velocity_m_s: Option<Vec3>,
    done: bool,
}

/// The kernel's whole state for one stack; at most `N` jets.
#[derive(Clone, Debug)]
pub struct Controller<const N: usize> {
    table: ConfigurationTable<N>,
    stack: MassProperties,
    effectiveness: Effectiveness<N>,
    bits: [AxisBit; 3],
    ledger: Ledger<N>,
    observer: Option<Observer>,
    /// Tick of the observer's state.
    seen_tick: u32,
    /// Tick of the newest attitude and rate taken in.
    measured_tick: u32,
    owed: Owed,
    command: Option<Command>,
    /// Disturbance the standing price belongs to, and the price of a rate change against it.
    standing_rad_s2: Vec3,
    standing_price: Vec3,
    trace: Trace<N>,
}

/// Reduced prices keep this share of the standing price from being credited, so that firing more than
/// needed is never free.
const UNCREDITED: f32 = 0.03;
/// The standing price is worked out anew when the disturbance has changed by this share.
const STANDING_CHANGE: f32 = 0.1;
/// Demands whose longest pulse is under this many minimum on-times go through the small search.
const SMALL_PULSES: f32 = 6.0;

impl<const N: usize> Controller<N> {
    /// A controller for a table, jets shut, nothing seen yet.
    ///
    /// # Errors
    /// The first field of the table found wrong.
    pub fn new(table: ConfigurationTable<N>) -> Result<Self, ConfigError> {
        let stack = table.validate()?;
        let effectiveness = Effectiveness::new(&table.jets, &stack);
        let mut enabled = JetMask::NONE;
        for (j, jet) in table.jets.iter().enumerate() {
            if jet.enabled {
                enabled = enabled.with(j);
            }
        }
        let bits = hold::axis_bits(&table.jets, effectiveness.effects(), enabled, &table.timing);
        Ok(Self {
            table,
            stack,
            effectiveness,
            bits,
            ledger: Ledger::new(),
            observer: None,
            seen_tick: 0,
            measured_tick: 0,
            owed: Owed { serial: None, rate_rad_s: Vec3::ZERO, velocity_m_s: None, done: true },
            command: None,
            standing_rad_s2: Vec3::ZERO,
            standing_price: Vec3::ZERO,
            trace: Trace { standing: None, angular: None, full: None },
        })
    }

    /// The table in force.
    #[must_use]
    pub fn table(&self) -> &ConfigurationTable<N> {
        &self.table
    }

    /// Effects of the jets about the told centre of mass.
    #[must_use]
    pub fn effectiveness(&self) -> &Effectiveness<N> {
        &self.effectiveness
    }

    /// Selections of the last cycle.
    #[must_use]
    pub fn trace(&self) -> &Trace<N> {
        &self.trace
    }

    /// Smallest single-jet bit of each axis.
    #[must_use]
    pub fn axis_bits(&self) -> &[AxisBit; 3] {
        &self.bits
    }

    /// Runs one control cycle. Never fails: whatever comes in, the output is safe to act on and its
    /// status says how far to trust it.
    pub fn step(&mut self, input: &CycleInput) -> CycleOutput<N> {
        self.trace = Trace { standing: None, angular: None, full: None };
        let measured = self.measure(input);
        let open_tick = input.tick.wrapping_add(u32::from(self.table.timing.command_delay_ticks));
        let refused = !self.take_command(&input.command);
        let Some(motion) = self.motion_at(open_tick) else {
            return self.shut(open_tick, Status::Starting);
        };
        let age = ticks_between(self.measured_tick, input.tick);
        let limit = self.table.timing.measurement_age_limit_ticks;
        if age < 0 || u32::try_from(age).is_ok_and(|age| age > limit) {
            return self.shut(open_tick, Status::Stale);
        }
        let (on_ticks, fired, error_rad) = self.fire(&motion, input.inhibited);
        let status = match (refused, measured, fired) {
            (true, _, _) => Status::CommandRefused,
            (_, Status::Quiet, fired) => fired,
            (_, missing, Status::Quiet | Status::Firing | Status::Drifting) => missing,
            (_, _, fired) => fired,
        };
        self.ledger.book(open_tick, on_ticks, self.table.timing.cycle_ticks);
        CycleOutput { on_ticks, status, error_rad, ..self.output(open_tick, motion) }
    }

    /// All jets shut, booked as such.
    fn shut(&mut self, open_tick: u32, status: Status) -> CycleOutput<N> {
        self.ledger.book(open_tick, [0; N], self.table.timing.cycle_ticks);
        let motion = self.motion_at(open_tick).unwrap_or_default();
        CycleOutput { status, ..self.output(open_tick, motion) }
    }

    fn output(&self, open_tick: u32, motion: Motion) -> CycleOutput<N> {
        let (disturbance_rad_s2, bias_rad_s) = match &self.observer {
            Some(observer) => (observer.trusted_disturbance_rad_s2(), observer.bias_rad_s()),
            None => (Vec3::ZERO, Vec3::ZERO),
        };
        CycleOutput {
            on_ticks: [0; N],
            open_tick,
            status: Status::Quiet,
            motion,
            error_rad: Vec3::ZERO,
            disturbance_rad_s2,
            bias_rad_s,
        }
    }

    /// Takes in what was measured; `Quiet` when both came and were good.
    fn measure(&mut self, input: &CycleInput) -> Status {
        let attitude = input.attitude.filter(|sample| sample.valid).and_then(|sample| {
            UnitQuaternion::from_array(sample.attitude_xyzw).map(|q| (q, sample.tick))
        });
        let rate = input.rate.filter(|sample| sample.valid).and_then(|sample| {
            let rate = Vec3(sample.rate_rad_s);
            // A stack that turns faster than a radian a second is not one this kernel holds.
            (rate.is_finite() && rate.0.iter().all(|r| r.abs() <= 10.0)).then_some((rate, sample.tick))
        });
        if self.observer.is_none() {
            if let (Some((attitude, tick)), Some((rate_rad_s, _))) = (attitude, rate) {
                self.observer =
                    Some(Observer::new(Motion { attitude, rate_rad_s }, &self.table.filter));
                self.seen_tick = tick;
                self.measured_tick = tick;
            }
            return Status::Quiet;
        }
        let now = input.tick;
        let took_attitude = match attitude {
            Some((q, tick)) if self.advance_to(tick, now) => {
                let settings = self.table.filter;
                if let Some(observer) = &mut self.observer {
                    observer.see_attitude(q, &settings);
                }
                true
            }
            _ => false,
        };
        let took_rate = match rate {
            Some((rate, tick)) if self.advance_to(tick, now) => {
                let settings = self.table.filter;
                if let Some(observer) = &mut self.observer {
                    observer.see_rate(rate, &settings);
                }
                true
            }
            _ => false,
        };
        if took_attitude {
            self.measured_tick = self.seen_tick;
        } else {
            // Without measurements the filter follows on prediction, before the ledger forgets.
            let oldest = u32::from(self.table.timing.cycle_ticks) * (crate::ledger::COVERED_CYCLES - 1);
            if ticks_between(self.seen_tick, now) > i32::try_from(oldest).unwrap_or(i32::MAX) {
                let target = now.wrapping_sub(oldest);
                let _ = self.advance_to(target, now);
            }
        }
        match (took_attitude, took_rate) {
            (true, true) => Status::Quiet,
            (true, false) => Status::RateMissing,
            (false, _) => Status::Predicted,
        }
    }

    /// Moves the observer to `tick`; refused when that is before its state, after `now`, or further
    /// back than the ledger covers.
    fn advance_to(&mut self, tick: u32, now: u32) -> bool {
        let span = ticks_between(self.seen_tick, tick);
        let age = ticks_between(tick, now);
        let limit = self.table.timing.measurement_age_limit_ticks;
        if span < 0 || age < 0 || u32::try_from(age).is_ok_and(|age| age > limit) {
            return false;
        }
        let timing = self.table.timing;
        let booked = self.ledger.between(
            self.seen_tick,
            tick,
            &self.table.jets,
            self.effectiveness.effects(),
            &timing,
        );
        if let Some(observer) = &mut self.observer {
            observer.advance(
                seconds(span, timing.tick_s),
                &booked,
                &self.stack,
                &self.table.filter,
            );
            self.seen_tick = tick;
        }
        true
    }

    /// Motion at a tick ahead of the observer's, with everything booked.
    fn motion_at(&self, tick: u32) -> Option<Motion> {
        let timing = &self.table.timing;
        let observer = self.observer.as_ref()?;
        let booked = self.ledger.between(
            self.seen_tick,
            tick,
            &self.table.jets,
            self.effectiveness.effects(),
            timing,
        );
        let span_s = seconds(ticks_between(self.seen_tick, tick), timing.tick_s);
        Some(observer.predict(span_s, &booked, &self.stack))
    }

    /// Keeps a command that can be flown; `false` when it cannot.
    fn take_command(&mut self, command: &Command) -> bool {
        let good = match command {
            Command::Drift => true,
            Command::Hold { attitude_xyzw, deadband } => {
                UnitQuaternion::from_array(*attitude_xyzw).is_some() && deadband.is_valid()
            }
            Command::Impulse { serial, rate_change_rad_s, velocity_change_m_s } => {
                let rate = Vec3(*rate_change_rad_s);
                let velocity = velocity_change_m_s.map(Vec3);
                let good = rate.is_finite() && velocity.is_none_or(Vec3::is_finite);
                if good && self.owed.serial != Some(*serial) {
                    self.owed = Owed {
                        serial: Some(*serial),
                        rate_rad_s: rate,
                        velocity_m_s: velocity,
                        done: false,
                    };
                }
                good
            }
        };
        if good {
            self.command = Some(*command);
        }
        good
    }

    /// Jets that may open now.
    fn usable(&self, inhibited: JetMask) -> JetMask {
        let mut usable = JetMask::NONE;
        for (j, jet) in self.table.jets.iter().enumerate() {
            if jet.enabled && !inhibited.contains(j) {
                usable = usable.with(j);
            }
        }
        usable
    }

    /// Ticks of this cycle's pulses for the mode in force.
    fn fire(&mut self, motion: &Motion, inhibited: JetMask) -> ([u16; N], Status, Vec3) {
        let usable = self.usable(inhibited);
        match self.command {
            None | Some(Command::Drift) => ([0; N], Status::Drifting, Vec3::ZERO),
            Some(Command::Hold { attitude_xyzw, deadband }) => {
                let target = UnitQuaternion::from_array(attitude_xyzw).unwrap_or_default();
                let error = motion.attitude.error_from(target);
                let (ticks, status) = self.hold(motion, error, &deadband, usable);
                (ticks, status, error)
            }
            Some(Command::Impulse { .. }) => {
                let (ticks, status) = self.work_off(usable);
                (ticks, status, Vec3::ZERO)
            }
        }
    }

    /// Attitude hold: see [`crate::hold`].
    fn hold(
        &mut self,
        motion: &Motion,
        error_rad: Vec3,
        deadband: &Deadband,
        usable: JetMask,
    ) -> ([u16; N], Status) {
        let cycle_s = self.table.timing.cycle_s();
        let disturbance = match &self.observer {
            Some(observer) => observer.trusted_disturbance_rad_s2(),
            None => Vec3::ZERO,
        };
        let now = Situation {
            angle_rad: error_rad,
            rate_rad_s: motion.rate_rad_s,
            drift_rad_s2: disturbance + gyroscopic(motion.rate_rad_s, &self.stack),
        };
        if !hold::must_fire(&now, deadband, cycle_s, cycle_s) {
            return ([0; N], Status::Quiet);
        }
        self.price_standing(disturbance, usable);
        let demand = hold::settle(&now, deadband, &self.bits, cycle_s);
        let posed = self.pose_angular(demand, self.standing_price, usable);
        self.trace.angular = Some(posed);
        let (mut on_ticks, status) = self.shaped(&posed.answer.on_time, posed.answer.outcome);
        let firing = Firing {
            jets: &self.table.jets,
            effects: self.effectiveness.effects(),
            waste: &posed.price,
            usable: JetMask(usable.0 & !self.ledger.open_at_edge(self.table.timing.cycle_ticks).0),
            timing: &self.table.timing,
            now: &now,
            deadband,
            bits: &self.bits,
        };
        if status == Status::Firing && self.is_small(&posed.answer.on_time) {
            let (change, waste_kg) = self.effect_of(&on_ticks, &posed.price);
            let relaxed = firing.cost(change, waste_kg);
            if let Some(small) = firing.smallest() {
                if relaxed.is_none_or(|cost| small.cost_kg < cost) {
                    on_ticks = [0; N];
                    for (j, ticks) in small.pulses {
                        if let Some(slot) = on_ticks.get_mut(j).filter(|_| ticks > 0) {
                            *slot = ticks;
                        }
                    }
                }
            }
        }
        (on_ticks, status)
    }

    /// Whether every pulse of an answer is short.
    fn is_small(&self, on_time: &[f32; N]) -> bool {
        self.table.jets.iter().zip(on_time).all(|(jet, &t)| {
            t < SMALL_PULSES * pulse::acting_time(jet.minimum_on_ticks, jet, &self.table.timing)
        })
    }

    /// Rate change and waste of whole ticks.
    fn effect_of(&self, on_ticks: &[u16; N], price: &[f32; N]) -> (Vec3, f32) {
        let mut change = Vec3::ZERO;
        let mut waste_kg = 0.0;
        for (((jet, effect), &ticks), &price) in
            self.table.jets.iter().zip(self.effectiveness.effects()).zip(on_ticks).zip(price)
        {
            let acting_s = pulse::acting_time(ticks, jet, &self.table.timing);
            change = change + effect.turn_rad_s2 * acting_s;
            waste_kg += price * acting_s;
        }
        (change, waste_kg)
    }

    /// Works out anew what a rate change against the standing disturbance is worth, when that has
    /// changed.
    fn price_standing(&mut self, disturbance: Vec3, usable: JetMask) {
        let change = disturbance - self.standing_rad_s2;
        let size = disturbance.dot(disturbance);
        if change.dot(change) <= STANDING_CHANGE * STANDING_CHANGE * size {
            return;
        }
        self.standing_rad_s2 = disturbance;
        self.standing_price = Vec3::ZERO;
        // One cycle's worth of the disturbance, taken away.
        let want = -disturbance * self.table.timing.cycle_s();
        let posed = self.pose_angular(Demand { low: want.0, high: want.0 }, Vec3::ZERO, usable);
        if posed.answer.outcome == Outcome::Exact {
            self.standing_price = Vec3(posed.answer.multipliers);
        }
        self.trace.standing = Some(posed);
    }

    /// Poses and answers a three-row selection with prices reduced by `credit` (kg per rad/s).
    fn pose_angular(&self, demand: Demand<3>, credit: Vec3, usable: JetMask) -> Posed<3, N> {
        let mut columns = [[0.0; 3]; N];
        let mut price = [0.0; N];
        let mut limit = [0.0; N];
        let cycle_s = self.table.timing.cycle_s();
        for (j, (jet, effect)) in
            self.table.jets.iter().zip(self.effectiveness.effects()).enumerate()
        {
            if let (Some(column), Some(price), Some(limit)) =
                (columns.get_mut(j), price.get_mut(j), limit.get_mut(j))
            {
                *column = effect.turn_rad_s2.0;
                let flow = jet.flow_kg_s();
                *price = math::max(flow - (1.0 - UNCREDITED) * credit.dot(effect.turn_rad_s2), 0.0);
                *limit = cycle_s;
            }
        }
        let answer = select(&Problem {
            columns: &columns,
            price: &price,
            limit: &limit,
            usable,
            demand: &demand,
            priority: self.table.axis_priority,
        });
        Posed { price, limit, usable, demand, answer }
    }

    /// Poses and answers a six-row selection at true prices.
    fn pose_full(&self, demand: Demand<6>, usable: JetMask) -> Posed<6, N> {
        let mut columns = [[0.0; 6]; N];
        let mut price = [0.0; N];
        let mut limit = [0.0; N];
        let cycle_s = self.table.timing.cycle_s();
        for (j, (jet, effect)) in
            self.table.jets.iter().zip(self.effectiveness.effects()).enumerate()
        {
            if let (Some(column), Some(price), Some(limit)) =
                (columns.get_mut(j), price.get_mut(j), limit.get_mut(j))
            {
                let ([a, b, c], [d, e, f]) = (effect.turn_rad_s2.0, effect.push_m_s2.0);
                *column = [a, b, c, d, e, f];
                *price = jet.flow_kg_s();
                *limit = cycle_s;
            }
        }
        let [a, b, c] = self.table.axis_priority;
        let answer = select(&Problem {
            columns: &columns,
            price: &price,
            limit: &limit,
            usable,
            demand: &demand,
            priority: [a, b, c, 3, 4, 5],
        });
        Posed { price, limit, usable, demand, answer }
    }

    /// Whole ticks and status for an answer.
    fn shaped(&self, on_time: &[f32; N], outcome: Outcome) -> ([u16; N], Status) {
        let status = match outcome {
            Outcome::Nothing | Outcome::Exact => Status::Firing,
            Outcome::Shortened => Status::Shortened,
            Outcome::Prioritised => Status::Prioritised,
            Outcome::Refused | Outcome::Stalled => return ([0; N], Status::SelectionFailed),
        };
        let timing = &self.table.timing;
        let open = self.ledger.open_at_edge(timing.cycle_ticks);
        let mut on_ticks = [0; N];
        for (j, ((jet, &t), ticks)) in
            self.table.jets.iter().zip(on_time).zip(&mut on_ticks).enumerate()
        {
            *ticks = pulse::shape(t, jet, timing, open.contains(j));
        }
        (on_ticks, status)
    }

    /// Works off an open-loop demand: what pulses cannot deliver exactly is carried to the next cycle.
    fn work_off(&mut self, usable: JetMask) -> ([u16; N], Status) {
        if self.owed.done {
            return ([0; N], Status::Quiet);
        }
        let rate = self.owed.rate_rad_s;
        let (on_time, outcome) = match self.owed.velocity_m_s {
            None => {
                let posed =
                    self.pose_angular(Demand { low: rate.0, high: rate.0 }, Vec3::ZERO, usable);
                self.trace.angular = Some(posed);
                (posed.answer.on_time, posed.answer.outcome)
            }
            Some(velocity) => {
                let ([a, b, c], [d, e, f]) = (rate.0, velocity.0);
                let want = [a, b, c, d, e, f];
                let posed = self.pose_full(Demand { low: want, high: want }, usable);
                self.trace.full = Some(posed);
                (posed.answer.on_time, posed.answer.outcome)
            }
        };
        let (on_ticks, status) = self.shaped(&on_time, outcome);
        if on_ticks.iter().all(|&t| t == 0) {
            self.owed.done = true;
            return (on_ticks, if status == Status::Firing { Status::Quiet } else { status });
        }
        let open = self.ledger.open_at_edge(self.table.timing.cycle_ticks);
        for (j, ((jet, effect), &ticks)) in
            self.table.jets.iter().zip(self.effectiveness.effects()).zip(&on_ticks).enumerate()
        {
            // A jet that stays open through an edge has its dead time behind it and its tail ahead.
            let through = ticks >= self.table.timing.cycle_ticks;
            let acting_s = match (open.contains(j), through) {
                _ if ticks == 0 => 0.0,
                (false, true) => pulse::acting_time(ticks, jet, &self.table.timing),
                (true, _) => math::from_ticks(ticks) * self.table.timing.tick_s,
                (false, false) => pulse::acting_time(ticks, jet, &self.table.timing),
            };
            self.owed.rate_rad_s = self.owed.rate_rad_s - effect.turn_rad_s2 * acting_s;
            if let Some(velocity) = &mut self.owed.velocity_m_s {
                *velocity = *velocity - effect.push_m_s2 * acting_s;
            }
        }
        (on_ticks, status)
    }
}
