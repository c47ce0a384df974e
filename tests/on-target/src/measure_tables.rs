//! Instructions of the work on flight tables: start-up from flash, a flight with the check in every cycle, an upset, and
//! the next table.

use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{Command, CycleInput, CycleOutput, Witness};
use stackhold_kernel::flight_table::{FlightTables, Health, Label, encode, table_bytes};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::selection::{Problem, Selection};
use stackhold_on_target::JETS;
use stackhold_on_target::example::stack::{Coil, Stack};
use stackhold_on_target::example::{HALF_WIDTH_RAD, RATE_LIMIT_RAD_S, STACK, VEHICLE};
use stackhold_on_target::valves::{Pulses, Valves};

use super::board::measure::{Counter, Tally};
use super::flash::table_sector;

/// Cycles of the flight.
const CYCLES: u32 = 2_000;
/// The bit that an upset flips: within a jet of the table in force.
const UPSET_BIT: usize = 4_000;

type Tables = FlightTables<JETS, { table_bytes(JETS) }>;

/// Counts and prints all.
///
/// # Errors
/// In words: the table in flash is refused, or what was to be measured did not happen.
pub fn print_all(counter: &Counter) -> Result<(), &'static str> {
    let mut tables = Tables::new(VEHICLE);
    let flash = table_sector().get(..table_bytes(JETS)).ok_or("no sector for a table")?;
    let mut controller = start(counter, &mut tables, flash)?;
    fly(counter, &mut tables, &mut controller)?;
    mend(counter, &mut tables, &mut controller)?;
    renew(counter, &mut tables, &mut controller)
}

/// Prints what one piece of work took.
fn print(what: &str, taken: &[super::board::measure::Taken]) {
    let mut tally = Tally::default();
    (0..).zip(taken).for_each(|(number, taken)| tally.take(*taken, number));
    tally.print("flight_table", what, "calls");
}

/// Start-up: from bytes in flash to a controller.
fn start(counter: &Counter, tables: &mut Tables, flash: &[u8]) -> Result<Controller<JETS>, &'static str> {
    let (controller, taken) = counter.measure(|| started(tables, flash));
    print("start_up", &[taken]);
    controller.ok_or("the table in flash was refused")
}

#[inline(never)]
fn started(tables: &mut Tables, flash: &[u8]) -> Option<Controller<JETS>> {
    let loaded = tables.load(flash).ok()?;
    let verified = tables.verify(loaded, &STACK).ok()?;
    let armed = tables.arm(verified).ok()?;
    tables.start(armed).ok()
}

/// Flies the canned stack, with the check and the step of every cycle measured as one.
fn fly(
    counter: &Counter,
    tables: &mut Tables,
    controller: &mut Controller<JETS>,
) -> Result<(), &'static str> {
    let timing = controller.table().timing;
    let mut stack = Stack::new(controller.table()).ok_or("the canned stack has no inverse of its inertia")?;
    let coils: [Coil; JETS] = Default::default();
    let mut valves = Valves::new(coils.each_ref(), timing.cycle_ticks);
    let mut tallies = [Tally::default(); 2];
    for cycle in 0..CYCLES {
        let first = cycle * u32::from(timing.cycle_ticks);
        let input = held(first, &stack);
        let (done, taken) = counter.measure(|| checked_cycle(tables, controller, &input));
        if done.health != Health::Sound {
            return Err("the check found what is not there");
        }
        if let Some(tally) = tallies.get_mut(usize::from(done.selections > 0)) {
            tally.take(taken, cycle);
        }
        let mut pulses = Some(Pulses::from(&done.output));
        for tick in (first..).take(usize::from(timing.cycle_ticks)) {
            valves.tick(tick, pulses.take()).map_err(|_| "a cycle's pulses came at the wrong time")?;
            stack.advance(&coils);
        }
    }
    let [quiet, selecting] = tallies;
    quiet.print("cycle_with_check", "quiet", "cycles");
    selecting.print("cycle_with_check", "selecting", "cycles");
    Ok(())
}

/// What came of a cycle.
struct Done {
    health: Health,
    output: CycleOutput<JETS>,
    selections: u32,
}

#[inline(never)]
fn checked_cycle(tables: &mut Tables, controller: &mut Controller<JETS>, input: &CycleInput) -> Done {
    let health = tables.check(controller);
    let mut seen = Counted(0);
    let output = controller.step_witnessed(input, &mut seen);
    Done { health, output, selections: seen.0 }
}

/// Counts selections.
struct Counted(u32);

impl Witness for Counted {
    fn saw<const M: usize, const N: usize>(&mut self, _: &Problem<M>, _: &Selection<M, N>) {
        self.0 += 1;
    }
}

/// A cycle's input: the attitude at the start is to be held.
fn held(tick: u32, stack: &Stack<JETS>) -> CycleInput {
    let (attitude, rate) = stack.measured(tick);
    let deadband =
        Deadband { half_width_rad: Vec3([HALF_WIDTH_RAD; 3]), rate_limit_rad_s: Vec3([RATE_LIMIT_RAD_S; 3]) };
    CycleInput {
        tick,
        attitude: Some(attitude),
        rate: Some(rate),
        velocity: None,
        command: Command::Hold { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], deadband },
        inhibited: JetMask::NONE,
        shut_groups: 0,
        gimbal_stuck: false,
    }
}

/// The check alone: two rounds of it while all is sound, then until it has mended an upset.
fn mend(
    counter: &Counter,
    tables: &mut Tables,
    controller: &mut Controller<JETS>,
) -> Result<(), &'static str> {
    let mut sound = Tally::default();
    for number in 0..2 * tables.cycles_to_find() {
        let (_, taken) = counter.measure(|| checked(tables, controller));
        sound.take(taken, number as u32);
    }
    sound.print("flight_table", "check", "calls");
    tables.flip_bit(false, UPSET_BIT);
    for _ in 0..=tables.cycles_to_find() {
        let (health, taken) = counter.measure(|| checked(tables, controller));
        if health == Health::BankReplaced {
            print("check_that_mends", &[taken]);
            return Ok(());
        }
    }
    Err("the check did not mend an upset")
}

#[inline(never)]
fn checked(tables: &mut Tables, controller: &mut Controller<JETS>) -> Health {
    tables.check(controller)
}

/// The next table, with the same values, step by step.
fn renew(
    counter: &Counter,
    tables: &mut Tables,
    controller: &mut Controller<JETS>,
) -> Result<(), &'static str> {
    const REFUSED: &str = "the next table was refused";
    let mut bytes = [0; table_bytes(JETS)];
    let label = *tables.label().ok_or(REFUSED)?;
    let label = Label { sequence: label.sequence + 1, ..label };
    encode(&label, controller.table(), &mut bytes).ok_or("the next table cannot be written")?;
    let (loaded, taken) = counter.measure(|| tables.load(&bytes));
    print("load", &[taken]);
    let (verified, taken) =
        counter.measure(|| tables.verify(loaded.map_err(|_| REFUSED)?, &STACK).map_err(|_| REFUSED));
    print("verify", &[taken]);
    let armed = tables.arm(verified?).map_err(|_| REFUSED)?;
    let (activated, taken) = counter.measure(|| tables.activate(armed, controller));
    print("activate", &[taken]);
    activated.map(|_| ()).map_err(|_| REFUSED)
}
