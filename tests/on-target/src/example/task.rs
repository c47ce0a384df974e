//! The control task and the interrupt of the example.

use core::cell::Cell;

use heapless::spsc::{Consumer, Producer};
use stackhold_kernel::config::Timing;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{Command, CycleInput, CycleOutput};
use stackhold_kernel::flight_table::Health;
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::status::Status;
use stackhold_kernel::telemetry;

use super::stack::{Coil, Stack};
use super::{Event, Mishap, Outside, Tables, mishap};
use crate::JETS;
use crate::digest::Digest;
use crate::valves::{Fault, Pulses, Valves};

/// Half-width of the deadband, rad: 0.5°, the demonstration's.
pub const HALF_WIDTH_RAD: f32 = 0.5 / 57.295_78;
/// Largest rate asked for, rad/s: 0.05°/s, the demonstration's.
pub const RATE_LIMIT_RAD_S: f32 = 0.05 / 57.295_78;
/// The watchdog bites when it was not kicked for this many cycles.
const WATCHDOG_CYCLES: u32 = 3;
/// The half-width that is commanded while groups are isolated, rad: jets are needed that are not there.
const FINE_HALF_WIDTH_RAD: f32 = 0.02 / 57.295_78;
/// Groups that are isolated when they are: all but one.
const ISOLATED_GROUPS: u32 = !(1 << 2);

/// In place of a board's watchdog: counts ticks, and is told by the control task that all is well.
pub struct Watchdog {
    left: Cell<u32>,
    limit_ticks: u32,
}

impl Watchdog {
    /// Begins to count.
    pub fn new(timing: &Timing) -> Self {
        let limit_ticks = WATCHDOG_CYCLES * u32::from(timing.cycle_ticks);
        Self { left: Cell::new(limit_ticks), limit_ticks }
    }

    /// All is well.
    fn kick(&self) {
        self.left.set(self.limit_ticks);
    }

    fn tick(&self) {
        self.left.set(self.left.get().saturating_sub(1));
    }

    /// Whether the time is over: a real one would now reset the board, whose pins fall to shut.
    pub fn has_bitten(&self) -> bool {
        self.left.get() == 0
    }
}

/// The timer interrupt, once a valve tick.
pub struct Interrupt<'a> {
    valves: Valves<&'a Coil, JETS>,
    pulses: Consumer<'a, Pulses<JETS>>,
    watchdog: &'a Watchdog,
    fault: &'a Cell<Option<Fault>>,
}

impl<'a> Interrupt<'a> {
    /// Shuts all valves.
    pub fn new(
        coils: [&'a Coil; JETS],
        pulses: Consumer<'a, Pulses<JETS>>,
        watchdog: &'a Watchdog,
        fault: &'a Cell<Option<Fault>>,
        timing: &Timing,
    ) -> Self {
        Self { valves: Valves::new(coils, timing.cycle_ticks), pulses, watchdog, fault }
    }

    /// One tick.
    pub fn run(&mut self, tick: u32) {
        self.watchdog.tick();
        let done = self.valves.tick(tick, self.pulses.dequeue());
        if self.watchdog.has_bitten() {
            self.valves.shut_all();
        }
        if let Err(fault) = done {
            self.fault.set(Some(fault));
        }
    }
}

/// The control task, once a cycle.
pub struct ControlTask<'a> {
    tables: Tables,
    controller: Controller<JETS>,
    pulses: Producer<'a, Pulses<JETS>>,
    watchdog: &'a Watchdog,
    fault: &'a Cell<Option<Fault>>,
    /// Of the last cycle.
    status: Option<Status>,
    health: Health,
    records: Digest,
}

impl<'a> ControlTask<'a> {
    /// Nothing run yet.
    pub fn new(
        tables: Tables,
        controller: Controller<JETS>,
        pulses: Producer<'a, Pulses<JETS>>,
        watchdog: &'a Watchdog,
        fault: &'a Cell<Option<Fault>>,
    ) -> Self {
        let (status, health, records) = (None, Health::Sound, Digest::default());
        Self { tables, controller, pulses, watchdog, fault, status, health, records }
    }

    /// One cycle: measure, check the table, step, hand out the pulses, log, kick. Not inlined, so that its stack can be
    /// told from the image.
    #[inline(never)]
    pub fn run(&mut self, cycle: u32, tick: u32, stack: &Stack<JETS>, outside: &mut impl Outside) {
        if mishap(cycle, Mishap::Upset) {
            self.tables.flip_bit(false, 1_000);
        }
        let health = self.tables.check(&mut self.controller);
        let output = self.controller.step(&input(cycle, tick, stack));
        // Where the queue is full the interrupt does not run, and the valves are in no one's hands.
        let handed_out = self.pulses.enqueue(Pulses::from(&output)).is_ok();
        self.tell(cycle, &output, health, outside);
        if handed_out {
            self.watchdog.kick();
        }
    }

    /// Telemetry of the cycle, and what has changed or happened.
    fn tell(&mut self, cycle: u32, output: &CycleOutput<JETS>, health: Health, outside: &mut impl Outside) {
        let mut record = [0; telemetry::record_bytes(JETS)];
        if telemetry::write(output, self.controller.table().identity, &mut record).is_some() {
            self.records.bytes(&record);
            outside.send(&record);
        }
        if let Some(fault) = self.fault.take() {
            outside.log(cycle, Event::Valves(fault));
        }
        if health != self.health && health != Health::Sound {
            outside.log(cycle, Event::Table(health));
        }
        if self.status != Some(output.status) {
            outside.log(cycle, Event::Status(output.status));
        }
        (self.status, self.health) = (Some(output.status), health);
    }

    /// Digest of every telemetry record so far.
    pub fn digest(&self) -> u64 {
        self.records.value()
    }
}

/// What a cycle is told.
fn input(cycle: u32, tick: u32, stack: &Stack<JETS>) -> CycleInput {
    let (attitude, rate) = stack.measured(tick);
    let silent = mishap(cycle, Mishap::SensorsSilent);
    let isolated = mishap(cycle, Mishap::GroupsShut);
    let half_width_rad = if isolated { FINE_HALF_WIDTH_RAD } else { HALF_WIDTH_RAD };
    CycleInput {
        tick,
        attitude: (!silent).then_some(attitude),
        rate: (!silent).then_some(rate),
        velocity: None,
        command: Command::Hold {
            attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
            deadband: Deadband {
                half_width_rad: Vec3([half_width_rad; 3]),
                rate_limit_rad_s: Vec3([RATE_LIMIT_RAD_S; 3]),
            },
        },
        inhibited: JetMask::NONE,
        shut_groups: if isolated { ISOLATED_GROUPS } else { 0 },
        gimbal_stuck: false,
    }
}
