//! The complete example: a control task and a valve interrupt around the kernel, with a canned stack in place of a
//! spacecraft. `kernel/README.md` tells the same in words.
//!
//! The same source runs on a board and on the host, and prints the same lines. The flight has mishaps in it, so that what
//! they lead to is seen: a control task that comes too late, sensors that fall silent, an upset in the table's memory,
//! groups of jets that are isolated.

pub mod stack;
mod task;

use core::cell::Cell;

use heapless::spsc::Queue;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::flight_table::layout::{AT_LENGTH, LONGEST};
use stackhold_kernel::flight_table::{FlightTables, Health, Name, Refusal, Why, table_bytes};
use stackhold_kernel::status::{Status, Trust};

use crate::JETS;
use crate::line::Line;
use crate::valves::Fault;
use stack::{Coil, Stack};
use task::{ControlTask, Interrupt, Watchdog};
pub use task::{HALF_WIDTH_RAD, RATE_LIMIT_RAD_S};

/// The vehicle that this board is built for.
pub const VEHICLE: Name = name("servicing_tug");
/// The stack that it is told it is part of. A real board gets it by command, apart from the table.
pub const STACK: Name = name("tug_client_and_stage");
/// Cycles of the flight.
const CYCLES: u32 = 5_000;
/// Shortly before the clock wraps, so that it does in this flight.
const FIRST_TICK: u32 = u32::MAX - 20_000;
/// Held: no axis beyond this many half-widths, as the demonstration requires of the simulator.
const HELD_WITHIN: f32 = 1.1;

/// The banks of this board.
type Tables = FlightTables<JETS, { table_bytes(JETS) }>;

const fn name(text: &str) -> Name {
    match Name::new(text) {
        Some(name) => name,
        None => panic!("no name of a flight table"),
    }
}

/// What is logged when it changes or happens.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// Another status than in the cycle before.
    Status(Status),
    /// The check of the table in memory has found something.
    Table(Health),
    /// The interrupt has shut all valves.
    Valves(Fault),
    /// A flight table was refused.
    Refused(Refusal),
}

impl Event {
    /// The event in numbers, which are stable.
    #[must_use]
    pub fn line(&self, cycle: u32) -> Line {
        let line = Line::default().text("cycle ").number(u64::from(cycle));
        let (what, number) = match self {
            Self::Status(status) => (" status ", status.number()),
            Self::Table(health) => (" table ", health.number()),
            Self::Valves(fault) => (" valves ", fault.number()),
            Self::Refused(refusal) => return refused(refusal),
        };
        line.text(what).number(u64::from(number))
    }

    /// How much it matters.
    #[must_use]
    pub fn trust(&self) -> Trust {
        match self {
            Self::Status(status) => status.trust(),
            Self::Table(Health::Sound) => Trust::Full,
            Self::Table(_) => Trust::Degraded,
            Self::Valves(_) | Self::Refused(_) => Trust::Withheld,
        }
    }
}

/// Where lines, events and telemetry go.
pub trait Outside {
    /// Prints one line.
    fn say(&mut self, line: &Line);

    /// Logs an event of a cycle.
    fn log(&mut self, cycle: u32, event: Event);

    /// Sends the telemetry record of a cycle.
    fn send(&mut self, record: &[u8]);
}

/// Flies the example.
///
/// * `flash` — where the flight table was put, with whatever lies behind it.
///
/// # Errors
/// In words: the table was refused, or the attitude was not held.
pub fn fly(flash: &[u8], outside: &mut impl Outside) -> Result<(), &'static str> {
    let mut tables = Tables::new(VEHICLE);
    let controller = match start(&mut tables, flash, outside) {
        Ok(controller) => controller,
        Err(refusal) => {
            outside.log(0, Event::Refused(refusal));
            return Err("no flight table in force: all valves stay shut");
        }
    };
    let stack = Stack::new(controller.table()).ok_or("the canned stack has no inverse of its inertia")?;
    hold(tables, controller, stack, outside)
}

/// Start-up: from bytes in flash to a controller.
fn start(tables: &mut Tables, flash: &[u8], outside: &mut impl Outside) -> Result<Controller<JETS>, Refusal> {
    let loaded = tables.load(table_in(flash))?;
    let verified = tables.verify(loaded, &STACK)?;
    // Whoever commands the board compares these with the listing before it is told to arm.
    let (sequence, checksum) = (verified.label().sequence, verified.checksum());
    let armed = tables.arm(verified)?;
    let controller = tables.start(armed)?;
    let line = Line::default().text("table sequence ").number(u64::from(sequence));
    let line = line.text(" checksum ").hexadecimal_word(checksum);
    outside.say(&line.text(" identity ").hexadecimal_word(controller.table().identity));
    Ok(controller)
}

/// The table at the start of a piece of flash: as long as it says, or as a bank where no table can be so long. What is
/// wrong with it is for the kernel to say.
fn table_in(flash: &[u8]) -> &[u8] {
    let stated = flash.get(AT_LENGTH..).and_then(|rest| rest.first_chunk()).copied().map(u32::from_le_bytes);
    let length = stated.map(|length| length as usize).filter(|&length| length <= LONGEST);
    flash.get(..length.unwrap_or(table_bytes(JETS))).unwrap_or(flash)
}

/// Holds the attitude at the start for the whole flight.
fn hold(
    tables: Tables,
    controller: Controller<JETS>,
    mut stack: Stack<JETS>,
    outside: &mut impl Outside,
) -> Result<(), &'static str> {
    let timing = controller.table().timing;
    let coils: [Coil; JETS] = Default::default();
    let mut queue = Queue::<_, 2>::new();
    let (to_interrupt, from_task) = queue.split();
    let (watchdog, fault) = (Watchdog::new(&timing), Cell::new(None));
    let mut task = ControlTask::new(tables, controller, to_interrupt, &watchdog, &fault);
    let mut interrupt = Interrupt::new(coils.each_ref(), from_task, &watchdog, &fault, &timing);
    let mut worst_rad: f32 = 0.0;
    for cycle in 0..CYCLES {
        let first = FIRST_TICK.wrapping_add(cycle * u32::from(timing.cycle_ticks));
        for tick in (0..u32::from(timing.cycle_ticks)).map(|ticks| first.wrapping_add(ticks)) {
            if tick == first && !mishap(cycle, Mishap::TaskTooLate) {
                task.run(cycle, tick, &stack, outside);
            }
            interrupt.run(tick);
            if watchdog.has_bitten() {
                return Err("the watchdog has bitten: all valves shut");
            }
            stack.advance(&coils);
        }
        let error_rad = stack.worst_axis_error_rad();
        worst_rad = if error_rad > worst_rad { error_rad } else { worst_rad };
    }
    let flown_s = CYCLES as f32 * f32::from(timing.cycle_ticks) * timing.tick_s;
    outside.say(&summary(flown_s, worst_rad, &stack, &task));
    let held = worst_rad <= HELD_WITHIN * HALF_WIDTH_RAD;
    if held { Ok(()) } else { Err("the attitude was not held") }
}

/// What happens to the board in flight.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Mishap {
    /// The control task does not run in this cycle.
    TaskTooLate,
    /// No sensor says anything.
    SensorsSilent,
    /// A bit of the bank in force flips.
    Upset,
    /// All groups of jets but one are isolated, when a fine deadband is commanded.
    GroupsShut,
}

/// Whether something happens in a cycle.
fn mishap(cycle: u32, what: Mishap) -> bool {
    match what {
        Mishap::TaskTooLate => cycle == 1_000,
        Mishap::SensorsSilent => (2_000..2_010).contains(&cycle),
        Mishap::Upset => cycle == 3_000,
        Mishap::GroupsShut => (4_000..4_010).contains(&cycle),
    }
}

/// The flight in one line.
fn summary(flown_s: f32, worst_rad: f32, stack: &Stack<JETS>, task: &ControlTask<'_>) -> Line {
    let thousandths = |value: f32| (value * 1e3 + 0.5) as u64;
    let line = Line::default().text("held_s ").number(flown_s as u64);
    let line = line.text(" worst_axis_error_deg ").thousandths(thousandths(worst_rad.to_degrees()));
    let line = line.text(" half_width_deg ").thousandths(thousandths(HALF_WIDTH_RAD.to_degrees()));
    let line = line.text(" propellant_g ").thousandths(thousandths(stack.propellant_kg * 1e3));
    let line = line.text(" valve_cycles ").number(u64::from(stack.openings));
    line.text(" records_digest ").hexadecimal(task.digest())
}

/// Why a table was refused: the number that stands for it, the word, the place and what was found there.
fn refused(refusal: &Refusal) -> Line {
    let why = match refusal.why {
        Why::TooLong => "too_long",
        Why::CutOff => "cut_off",
        Why::Marker => "marker",
        Why::Length => "length",
        Why::Checksum => "checksum",
        Why::Version => "version",
        Why::Sections => "sections",
        Why::SectionKind => "section_kind",
        Why::SectionLength => "section_length",
        Why::Name => "name",
        Why::Sequence => "sequence",
        Why::Vehicle => "vehicle",
        Why::Configuration => "configuration",
        Why::Unused => "unused",
        Why::Enabled => "enabled",
        Why::TooManyJets => "too_many_jets",
        Why::Value(_) => "value",
        Why::Superseded => "superseded",
        _ => "other",
    };
    let line =
        Line::default().text("table refused ").number(u64::from(refusal.why.number())).text(" ").text(why);
    let line = line.text(" at byte ").number(u64::from(refusal.offset));
    line.text(" found ").hexadecimal_word(refusal.found)
}

#[cfg(test)]
pub(crate) mod tests {
    extern crate std;

    use std::string::String;
    use std::vec::Vec;

    use stackhold_kernel::config::{
        Accelerometer, BendingMode, ConfigurationTable, Engine, FilterSettings, MODES, SharedLimits,
        SpareTranslation, Timing,
    };
    use stackhold_kernel::jet::Jet;
    use stackhold_kernel::linalg::{Mat3, Vec3};

    use super::*;

    pub(crate) const JETS_OF_TEST: usize = 1;

    /// One jet of 20 N at 250 s, 3 m in front of the centre of mass, that turns the stack to the left (about +z).
    pub(crate) fn table() -> ConfigurationTable<JETS_OF_TEST> {
        let jet = Jet {
            position_m: Vec3::new(4.0, 0.0, 0.0),
            direction: Vec3::new(0.0, 1.0, 0.0),
            thrust_n: 20.0,
            specific_impulse_s: 250.0,
            minimum_on_ticks: 7,
            dead_time_s: 0.01,
            pulse_offset_s: 0.002,
            group: 0,
            price_weight: 1.0,
            load_share: [0; 4],
            enabled: true,
        };
        let mut jets = heapless::Vec::new();
        jets.push(jet).unwrap();
        ConfigurationTable {
            identity: 0,
            mass_kg: 1000.0,
            centre_of_mass_m: Vec3::new(1.0, 0.0, 0.0),
            inertia_kg_m2: Mat3([[800.0, -100.0, 50.0], [-100.0, 1500.0, 30.0], [50.0, 30.0, 1700.0]]),
            jets,
            timing: Timing {
                tick_s: 0.004,
                cycle_ticks: 60,
                minimum_off_ticks: 5,
                command_delay_ticks: 2,
                measurement_age_limit_ticks: 250,
            },
            filter: FilterSettings {
                attitude_noise_rad: 1e-4,
                rate_noise_rad_s: 1e-5,
                bias_walk_rad_s: 1e-9,
                disturbance_walk_rad_s2: 1e-8,
                firing_error: 0.01,
            },
            axis_priority: [0, 1, 2],
            shared: SharedLimits::NONE,
            spare_translation: SpareTranslation::OFF,
            bending: [BendingMode::NONE; MODES],
            engine: Engine::NONE,
            accelerometer: Accelerometer::NONE,
        }
    }

    #[derive(Default)]
    struct Told(Vec<String>);

    impl Outside for Told {
        fn say(&mut self, line: &Line) {
            self.0.push(String::from_utf8(line.as_bytes().to_vec()).unwrap());
        }

        fn log(&mut self, cycle: u32, event: Event) {
            self.say(&event.line(cycle));
        }

        fn send(&mut self, _: &[u8]) {}
    }

    /// Flash that was never written holds ones.
    #[test]
    fn erased_flash_is_refused_by_name() {
        let mut told = Told::default();
        assert!(fly(&[0xff; LONGEST], &mut told).is_err());
        assert_eq!(told.0, ["table refused 3 marker at byte 0 found ffffffff"]);
        let mut told = Told::default();
        assert!(fly(&[], &mut told).is_err());
        assert_eq!(told.0, ["table refused 2 cut_off at byte 0 found 00000000"]);
    }
}
