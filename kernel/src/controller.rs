//! The controller: one call per control cycle.

use crate::bending::Noise;
use crate::command::ABSURD_RATE_RAD_S;
use crate::config::{ConfigError, ConfigurationTable};
use crate::cycle::{Command, CycleInput, CycleOutput, Witness};
use crate::effectiveness::Effectiveness;
use crate::hold::{self, AxisBit};
use crate::holding::Prices;
use crate::jet::{Jet, JetMask};
use crate::ledger::{COVERED_CYCLES, Ledger, seconds, ticks_between};
use crate::linalg::{Mat3, Vec3};
use crate::mass_properties::{MassProperties, MassPropertiesError};
use crate::math;
use crate::modes::Kept;
use crate::observer::{Motion, Observer};
use crate::open_loop::Owed;
use crate::pending::Pending;
use crate::posing::Angular;
use crate::principal::PrincipalAxes;
use crate::quaternion::UnitQuaternion;
use crate::rhythm::Rhythm;
use crate::selection::Selector;
use crate::status::Status;
use crate::velocity::Counted;

/// A stack whose mass changes by more than this share with its table has been parted, or put together.
const PARTED: f32 = 0.05;
/// What may have kicked it then, as a change of its rate, rad/s: half a degree a second.
const KICK_RAD_S: f32 = 0.01;

/// The kernel's whole state for one stack; at most `N` jets.
#[derive(Clone, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Controller<const N: usize> {
    pub(crate) table: ConfigurationTable<N>,
    pub(crate) stack: MassProperties,
    pub(crate) principal: PrincipalAxes,
    pub(crate) effectiveness: Effectiveness<N>,
    /// What the observer reckons with, by the table.
    pub(crate) noise: Noise,
    pub(crate) ledger: Ledger<N>,
    pub(crate) observer: Option<Observer>,
    /// Tick of the observer's state.
    seen_tick: u32,
    /// Ticks of the newest attitude and the newest rate taken in.
    attitude_tick: u32,
    rate_tick: u32,
    /// Whether the observer's attitude is one that was measured.
    is_attitude_known: bool,
    /// Cycles for which the rate may still be learnt; 0 when it is known.
    pub(crate) learning: u8,
    pub(crate) rhythm: Rhythm,
    /// The command in force, and the attitude it asks for if it does.
    pub(crate) command: Option<Command>,
    pub(crate) target: UnitQuaternion,
    /// Whether a watched drift has woken.
    pub(crate) is_woken: bool,
    /// What [`CycleOutput::foreseen_s`] says.
    pub(crate) foreseen_s: f32,
    pub(crate) kept: Kept,
    /// Jets the table enables.
    pub(crate) enabled: JetMask,
    pub(crate) owed: Owed,
    pub(crate) pending: Pending<N>,
    pub(crate) bits: [AxisBit; 3],
    pub(crate) prices: Prices,
    /// Go on from the bases of the last firings: rate changes, and rate and velocity changes.
    pub(crate) angular: Angular<N>,
    pub(crate) full: Selector<6, N>,
    /// Whether mass properties have been told since the table was.
    pub(crate) retold: bool,
    pub(crate) counted: Counted,
}

/// What a change of tables does to a controller.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Change {
    /// It goes on: everything estimated, commanded and owed stays.
    Continued,
    /// It starts as after power-on, for what is on its books cannot be read with the new table; all valves
    /// must be shut.
    Restarted,
}

impl<const N: usize> Controller<N> {
    /// A controller for a table, jets shut, nothing seen yet.
    ///
    /// # Errors
    /// The first field of the table found wrong.
    pub fn new(table: ConfigurationTable<N>) -> Result<Self, ConfigError> {
        let stack = table.validate()?;
        let effectiveness = Effectiveness::new(&table.jets, &stack);
        let enabled = enabled(&table.jets);
        let noise = Noise::of(&table.filter, &table.bending);
        let mut controller = Self {
            table,
            stack,
            principal: PrincipalAxes::of(&stack.inertia_kg_m2()),
            effectiveness,
            noise,
            ledger: Ledger::new(),
            observer: None,
            seen_tick: 0,
            attitude_tick: 0,
            rate_tick: 0,
            is_attitude_known: false,
            learning: 0,
            rhythm: Rhythm::NONE,
            command: None,
            target: UnitQuaternion::IDENTITY,
            is_woken: false,
            foreseen_s: f32::INFINITY,
            kept: Kept::Nothing,
            enabled,
            owed: Owed::NOTHING,
            pending: Pending::Nothing,
            bits: [AxisBit::default(); 3],
            prices: Prices::default(),
            angular: Angular::default(),
            full: Selector::new(),
            retold: false,
            counted: Counted::NOTHING,
        };
        controller.measure_bits(controller.usable(JetMask::NONE, 0));
        Ok(controller)
    }

    /// Tells the kernel new mass properties of the same stack (a tank has drained, an estimate has
    /// improved); jets, their shares of loads, timing and everything seen stay. Call it between cycles.
    ///
    /// * `centre_of_mass_m` — structural axes, m; `inertia_kg_m2` — about it, body axes, kg·m².
    ///
    /// # Errors
    /// The field found wrong; the mass properties in force stay.
    pub fn retell(
        &mut self,
        mass_kg: f32,
        centre_of_mass_m: Vec3,
        inertia_kg_m2: Mat3,
    ) -> Result<(), MassPropertiesError> {
        let stack = MassProperties::new(mass_kg, centre_of_mass_m, inertia_kg_m2)?;
        self.effectiveness = Effectiveness::new(&self.table.jets, &stack);
        self.stack = stack;
        self.principal = PrincipalAxes::of(&stack.inertia_kg_m2());
        self.pending.forget_choice();
        self.angular.forget_offer();
        self.retold = true;
        self.prices = Prices::default();
        (self.table.mass_kg, self.table.centre_of_mass_m) = (mass_kg, centre_of_mass_m);
        self.table.inertia_kg_m2 = inertia_kg_m2;
        self.measure_bits(self.usable(JetMask::NONE, 0));
        Ok(())
    }

    /// Takes up another table of the same vehicle, between cycles.
    ///
    /// Attitude, rate, disturbance and bias as estimated, what was fired but not yet seen, the command and
    /// what an open-loop demand still owes stay, so that the change brings no firing of its own; a choice that
    /// is being thought over begins anew. Where the mass changes by more than a twentieth something has been let go, or taken on,
    /// and may have kicked: the rate is learnt anew within a few samples. See [`Change`] for when that cannot be.
    ///
    /// # Errors
    /// The first field found wrong; the table in force stays.
    pub fn take_up(&mut self, mut table: ConfigurationTable<N>) -> Result<Change, ConfigError> {
        self.exchange(&mut table)
    }

    /// The same with a table that is there; the one that was in force is left in its place.
    pub(crate) fn exchange(&mut self, table: &mut ConfigurationTable<N>) -> Result<Change, ConfigError> {
        let stack = table.validate()?;
        let change = self.change_for(table);
        self.install(table, stack, false);
        if change == Change::Restarted {
            (self.ledger, self.observer) = (Ledger::new(), None);
            (self.pending, self.kept) = (Pending::Nothing, Kept::Nothing);
            self.counted = Counted::NOTHING;
            (self.angular, self.full) = (Angular::default(), Selector::new());
        }
        Ok(change)
    }

    /// Puts a table that was found good in force.
    ///
    /// * `anew` — whether everything that was worked out from the one before is worked out again in any case.
    fn install(&mut self, table: &mut ConfigurationTable<N>, stack: MassProperties, anew: bool) {
        let same_jets = table.jets == self.table.jets && stack == self.stack;
        let same_pulses = !anew && same_jets && table.timing == self.table.timing;
        let limits = (&table.shared, &table.spare_translation);
        if !same_pulses || limits != (&self.table.shared, &self.table.spare_translation) {
            self.pending.forget_choice();
        }
        core::mem::swap(&mut self.table, table);
        let (mass_kg, before_kg) = (stack.mass_kg(), self.stack.mass_kg());
        if (mass_kg - before_kg).abs() > PARTED * before_kg
            && let Some(observer) = &mut self.observer
        {
            observer.doubt_rate(KICK_RAD_S);
        }
        if anew || stack != self.stack {
            self.principal = PrincipalAxes::of(&stack.inertia_kg_m2());
        }
        (self.stack, self.retold) = (stack, false);
        self.effectiveness.measure(&self.table.jets, &stack);
        self.enabled = enabled(&self.table.jets);
        self.noise = Noise::of(&self.table.filter, &self.table.bending);
        if self.table.bending != table.bending {
            self.rhythm = Rhythm::NONE;
        }
        if !same_pulses {
            self.angular.forget_offer();
            self.prices = Prices::default();
            self.measure_bits(self.usable(JetMask::NONE, 0));
        }
    }

    /// What taking up this table would do: pulses on the books are those of jets by number, in ticks from
    /// the start of cycles.
    #[must_use]
    pub fn change_for(&self, table: &ConfigurationTable<N>) -> Change {
        let (old, new) = (&self.table.timing, &table.timing);
        let same = old.tick_s == new.tick_s
            && old.cycle_ticks == new.cycle_ticks
            && old.command_delay_ticks == new.command_delay_ticks
            && self.table.jets.len() == table.jets.len();
        if same { Change::Continued } else { Change::Restarted }
    }

    /// Takes up anew the table that is in force, its values having been spoiled; mass properties told since
    /// stay if they are sound.
    pub(crate) fn exchange_again(&mut self, table: &mut ConfigurationTable<N>) {
        let told = (self.table.mass_kg, self.table.centre_of_mass_m, self.table.inertia_kg_m2);
        let retold = self.retold;
        // The books were kept with the right values: nothing is restarted.
        if let Ok(stack) = table.validate() {
            self.install(table, stack, true);
        }
        if retold {
            let _ = self.retell(told.0, told.1, told.2);
        }
    }

    /// Smallest bits anew; their turning prices are estimates until a hold works them out.
    pub(crate) fn measure_bits(&mut self, usable: JetMask) {
        let effects = self.effectiveness.effects();
        self.bits = hold::axis_bits(&self.table.jets, effects, usable, &self.table.timing);
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

    /// Smallest single-jet bit of each axis.
    #[must_use]
    pub fn axis_bits(&self) -> &[AxisBit; 3] {
        &self.bits
    }

    /// Runs one control cycle. Never fails: whatever comes in, the output is safe to act on and its
    /// status says how far to trust it.
    pub fn step(&mut self, input: &CycleInput) -> CycleOutput<N> {
        self.step_witnessed(input, &mut ())
    }

    /// [`Self::step`], with every jet selection shown to a witness.
    pub fn step_witnessed(&mut self, input: &CycleInput, witness: &mut impl Witness) -> CycleOutput<N> {
        let taken = self.take_command(&input.command);
        let measured = self.measure(input);
        if let Some(sample) = &input.velocity
            && let Some(counted) = self.see_velocity(sample, input.tick)
        {
            self.note_counted(&counted);
        }
        let open_tick = input.tick.wrapping_add(u32::from(self.table.timing.command_delay_ticks));
        let by_rate_alone = self.needs_no_attitude();
        if !(self.is_attitude_known || by_rate_alone) {
            return self.shut(open_tick, Status::Starting);
        }
        let Some(motion) = self.motion_at(open_tick) else {
            return self.shut(open_tick, Status::Starting);
        };
        let newest = if by_rate_alone { self.rate_tick } else { self.attitude_tick };
        if self.too_old(ticks_between(newest, input.tick)) {
            return self.shut(open_tick, Status::Stale);
        }
        if self.learning != 0 && self.goes_on_learning() {
            return self.shut(open_tick, Status::Learning);
        }
        let usable = self.usable(input.inhibited, input.shut_groups);
        let (on_ticks, fired, error_rad) = self.fire(open_tick, &motion, usable, input.gimbal_stuck, witness);
        let fired = if fired == Status::Quiet { fired } else { self.in_rhythm(open_tick, &on_ticks, fired) };
        self.ledger.book(open_tick, &on_ticks, self.table.timing.cycle_ticks);
        let status = worse(taken, worse(fired, measured));
        CycleOutput { on_ticks, status, error_rad, ..self.output(open_tick, motion) }
    }

    /// All jets shut, booked as such.
    fn shut(&mut self, open_tick: u32, status: Status) -> CycleOutput<N> {
        self.cut_off();
        self.ledger.book(open_tick, &[0; N], self.table.timing.cycle_ticks);
        let motion = self.motion_at(open_tick).unwrap_or_default();
        CycleOutput { status, ..self.output(open_tick, motion) }
    }

    fn output(&self, open_tick: u32, motion: Motion) -> CycleOutput<N> {
        CycleOutput {
            on_ticks: [0; N],
            open_tick,
            status: Status::Quiet,
            motion,
            error_rad: Vec3::ZERO,
            disturbance_rad_s2: self.disturbance(),
            bias_rad_s: self.observer.as_ref().map_or(Vec3::ZERO, Observer::bias_rad_s),
            engine: self.pending.engine(),
            foreseen_s: self.foreseen_s,
        }
    }

    /// Standing disturbance as far as it is to be trusted, rad/s².
    pub(crate) fn disturbance(&self) -> Vec3 {
        self.observer.as_ref().map_or(Vec3::ZERO, Observer::trusted_disturbance_rad_s2)
    }

    /// Takes in what was measured; `Quiet` when both samples came and were good.
    fn measure(&mut self, input: &CycleInput) -> Status {
        let attitude = input
            .attitude
            .filter(|sample| sample.valid)
            .map(|sample| (sample.attitude_xyzw.map(math::without_dust), sample.tick))
            .and_then(|(xyzw, tick)| UnitQuaternion::from_array(xyzw).map(|attitude| (attitude, tick)));
        let rate = input.rate.filter(|sample| sample.valid).and_then(|sample| {
            let rate_rad_s = sample.rate_rad_s.map(math::without_dust);
            let sane = rate_rad_s.iter().all(|r| r.abs() <= ABSURD_RATE_RAD_S);
            sane.then_some((Vec3(rate_rad_s), sample.tick))
        });
        if self.observer.is_none() {
            self.start_from(attitude, rate, input.tick);
            return Status::Quiet;
        }
        // In the order of time, whichever sensor is the later one.
        let rate_first = match (attitude, rate) {
            (Some((_, attitude_tick)), Some((_, rate_tick))) => ticks_between(attitude_tick, rate_tick) < 0,
            _ => false,
        };
        let early = rate_first && self.see_rate(rate, input.tick);
        let took_attitude = self.see_attitude(attitude, input.tick);
        let took_rate = if rate_first { early } else { self.see_rate(rate, input.tick) };
        self.keep_within_ledger(input.tick);
        if self.observer.as_ref().is_some_and(|observer| !observer.is_sane(ABSURD_RATE_RAD_S)) {
            self.observer = None;
        }
        match (took_attitude || self.needs_no_attitude(), took_rate) {
            (true, true) => Status::Quiet,
            (true, false) => Status::RateMissing,
            (false, _) => Status::Predicted,
        }
    }

    /// Starts the observer from samples that are young enough: of attitude and rate, or of the rate alone where that will do.
    #[inline(never)]
    fn start_from(&mut self, attitude: Option<(UnitQuaternion, u32)>, rate: Option<(Vec3, u32)>, now: u32) {
        let attitude = attitude.filter(|&(_, tick)| !self.too_old(ticks_between(tick, now)));
        let rate = rate.filter(|&(_, tick)| !self.too_old(ticks_between(tick, now)));
        let Some((rate_rad_s, rate_tick)) = rate else { return };
        let (attitude, tick) = match attitude {
            Some((attitude, tick)) => (Some(attitude), tick),
            None if self.needs_no_attitude() => (None, rate_tick),
            None => return,
        };
        self.is_attitude_known = attitude.is_some();
        let motion = Motion { attitude: attitude.unwrap_or_default(), rate_rad_s };
        self.observer = Some(Observer::new(motion, &self.table.filter, &self.noise));
        (self.seen_tick, self.attitude_tick, self.rate_tick) = (tick, tick, rate_tick);
        self.begin_learning();
    }

    /// Whether the command in force can be flown without knowing the attitude.
    fn needs_no_attitude(&self) -> bool {
        matches!(self.command, Some(Command::Damp { .. }))
    }

    /// Takes in an attitude newer than the last; whether it did.
    fn see_attitude(&mut self, sample: Option<(UnitQuaternion, u32)>, now: u32) -> bool {
        let Some((measured, tick)) = sample else { return false };
        let newer = ticks_between(self.attitude_tick, tick) > 0;
        if !newer || !self.advance_to(tick, now) {
            return false;
        }
        if let Some(observer) = &mut self.observer {
            if self.is_attitude_known {
                observer.see_attitude(measured, &self.noise);
            } else {
                observer.find_attitude(measured, &self.noise);
            }
            self.is_attitude_known = true;
        }
        self.attitude_tick = tick;
        true
    }

    /// Takes in a rate newer than the last; whether it did.
    fn see_rate(&mut self, sample: Option<(Vec3, u32)>, now: u32) -> bool {
        let Some((measured_rad_s, tick)) = sample else { return false };
        let newer = ticks_between(self.rate_tick, tick) > 0;
        if !newer || !self.advance_to(tick, now) {
            return false;
        }
        if let Some(observer) = &mut self.observer {
            observer.see_rate(measured_rad_s, &self.noise);
        }
        self.rate_tick = tick;
        true
    }

    /// Without measurements the filter follows on prediction, before the ledger forgets, and the stamps
    /// follow as stale ones.
    fn keep_within_ledger(&mut self, now: u32) {
        let oldest = now.wrapping_sub(u32::from(self.table.timing.cycle_ticks) * COVERED_CYCLES);
        if ticks_between(self.seen_tick, oldest) > 0 {
            self.advance(oldest);
        }
        // A silence longer than half the clock's range must not turn old stamps into new ones.
        let stale = now.wrapping_sub(self.table.timing.measurement_age_limit_ticks).wrapping_sub(1);
        for tick in [&mut self.attitude_tick, &mut self.rate_tick] {
            if ticks_between(*tick, stale) > 0 {
                *tick = stale;
            }
        }
    }

    /// Moves the observer to a sample's tick; refused when that is before its state, after `now`, or
    /// older than the table allows.
    fn advance_to(&mut self, tick: u32, now: u32) -> bool {
        if ticks_between(self.seen_tick, tick) < 0 || self.too_old(ticks_between(tick, now)) {
            return false;
        }
        self.advance(tick);
        true
    }

    /// Whether an age in ticks is negative or beyond the table's limit.
    pub(crate) fn too_old(&self, age: i32) -> bool {
        u32::try_from(age).map_or(true, |age| age > self.table.timing.measurement_age_limit_ticks)
    }

    fn advance(&mut self, tick: u32) {
        if tick == self.seen_tick {
            return;
        }
        let timing = &self.table.timing;
        let effects = self.effectiveness.effects();
        let booked = self.ledger.between(self.seen_tick, tick, &self.table.jets, effects, timing);
        let span_s = seconds(ticks_between(self.seen_tick, tick), timing.tick_s);
        if let Some(observer) = &mut self.observer {
            observer.advance(span_s, &booked, &self.stack, &self.table.filter);
            self.seen_tick = tick;
        }
    }

    /// Rate change that pulses booked already will still bring after `tick`, rad/s.
    pub(crate) fn owed_rate(&self, tick: u32) -> Vec3 {
        let effects = self.effectiveness.effects();
        self.ledger.owed(tick, &self.table.jets, effects, &self.table.timing)
    }

    /// Motion at a tick ahead of the observer's, with everything booked.
    fn motion_at(&self, tick: u32) -> Option<Motion> {
        let timing = &self.table.timing;
        let effects = self.effectiveness.effects();
        let observer = self.observer.as_ref()?;
        let booked = self.ledger.between(self.seen_tick, tick, &self.table.jets, effects, timing);
        let span_s = seconds(ticks_between(self.seen_tick, tick), timing.tick_s);
        Some(observer.predict(span_s, &booked, &self.stack))
    }

    /// Keeps a command that can be flown; the last good one goes on otherwise.
    fn take_command(&mut self, command: &Command) -> Status {
        // Most cycles of a hold bring the command that is in force already.
        if self.command.as_ref().is_some_and(|last| last.is_same(command)) {
            return Status::Quiet;
        }
        self.take_another(command)
    }

    /// The same for a command that may be another one.
    #[inline(never)]
    fn take_another(&mut self, command: &Command) -> Status {
        let command = command.without_dust();
        // Dust alone makes no other command: what a mode has begun goes on.
        if self.command.as_ref().is_some_and(|last| last.is_same(&command)) {
            return Status::Quiet;
        }
        let Some(target) = command.looked_over() else { return Status::CommandRefused };
        if let Command::Rotate(rotation) = &command
            && self.free_axis(rotation).is_none()
        {
            return Status::AxisRefused;
        }
        self.leave_owed(&command);
        if let Command::Impulse { serial, rate_change_rad_s, velocity_change_m_s } = &command {
            if !self.owed.is_of(*serial) {
                self.pending.forget_choice();
            }
            if !self.owed.take_up(*serial, *rate_change_rad_s, *velocity_change_m_s) {
                return Status::CommandRefused;
            }
        }
        self.take_mode(&command, target);
        self.command = Some(command);
        Status::Quiet
    }

    /// Enabled jets that are not inhibited, by themselves or with their group.
    fn usable(&self, inhibited: JetMask, shut_groups: u32) -> JetMask {
        let mut usable = JetMask(self.enabled.0 & !inhibited.0);
        if shut_groups != 0 {
            for (j, jet) in self.table.jets.iter().enumerate() {
                let groups = shut_groups.checked_shr(u32::from(jet.group)).unwrap_or(0);
                if groups & 1 != 0 {
                    usable = usable.without(j);
                }
            }
        }
        usable
    }
}

/// Jets that may be fired.
pub(crate) fn enabled(jets: &[Jet]) -> JetMask {
    let may = jets.iter().enumerate().filter(|(_, jet)| jet.enabled);
    may.fold(JetMask::NONE, |mask, (j, _)| mask.with(j))
}

/// The status that matters more: the higher number.
pub(crate) fn worse(a: Status, b: Status) -> Status {
    if b.number() > a.number() { b } else { a }
}
