//! The closed loop: the very kernel that flies, at its cycle, against the truth. It runs in this process, or
//! wherever a [`Kernel`] is.

use std::f32::consts::{FRAC_PI_2, PI};
use std::time::Instant;

use anyhow::{Context, Result, bail};
use nalgebra::{Quaternion, UnitQuaternion};
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::controller::{Change, Controller};
use stackhold_kernel::cycle::{
    AttitudeSample, Burn, Command, CycleInput, CycleOutput, EngineCommand, Hand, HandDemand, Pace,
    RateSample, Rotation, Slew, Translation, VelocitySample, Witness,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::Vec3;
use stackhold_kernel::selection::{Problem, Selection};
use stackhold_kernel::sequence::{Sequencer, Step};

use crate::certificate::Sampler;
use crate::record::{CycleRow, RunRecord};
use crate::scenario::model::{self, Deflection, Mode, Phase, Release, Scenario, Shut, ShutOff, Told};
use crate::selection_check::Checker;
use crate::table::{self, JETS, tick_at};
use crate::truth::interface::far_bodies;
use crate::truth::{Sample, Sensors, Truth};

/// Where the kernel runs.
pub trait Kernel {
    /// Runs one control cycle; every jet selection made in it is shown to the witness.
    ///
    /// # Errors
    /// The kernel cannot be reached. What it says of its inputs is in the output's status.
    fn cycle<W: Witness>(&mut self, input: &CycleInput, witness: &mut W) -> Result<CycleOutput<JETS>>;

    /// Takes up another table between cycles and goes on with what it knows.
    ///
    /// # Errors
    /// The kernel cannot be reached, refuses the table, or would start anew with it.
    fn take_up(&mut self, table: &ConfigurationTable<JETS>) -> Result<()>;
}

/// In this process.
impl Kernel for Controller<JETS> {
    fn cycle<W: Witness>(&mut self, input: &CycleInput, witness: &mut W) -> Result<CycleOutput<JETS>> {
        Ok(self.step_witnessed(input, witness))
    }

    fn take_up(&mut self, table: &ConfigurationTable<JETS>) -> Result<()> {
        if self.change_for(table) == Change::Restarted {
            bail!("the kernel would start anew with the table");
        }
        Controller::take_up(self, table.clone()).context("the kernel refused the table")?;
        Ok(())
    }
}

fn in_process(table: &ConfigurationTable<JETS>) -> Result<Controller<JETS>> {
    Controller::new(table.clone()).context("the kernel refused its table")
}

/// Flies a scenario once.
///
/// * `present` — bodies really there; `told` — what the kernel is told; `name` — of the flight.
/// * `progress` — called now and then with the share of the flight that is done, 0..=1.
///
/// # Errors
/// A table the kernel refuses, or a stack the truth cannot fly.
pub fn fly(
    scenario: &Scenario,
    present: &[String],
    told: &Told,
    name: &str,
    progress: &mut dyn FnMut(f64),
) -> Result<RunRecord> {
    fly_sampled(scenario, present, told, name, progress, None)
}

/// As [`fly`]; a sampler, if given, keeps some of the selections.
///
/// # Errors
/// As [`fly`].
pub fn fly_sampled(
    scenario: &Scenario,
    present: &[String],
    told: &Told,
    name: &str,
    progress: &mut dyn FnMut(f64),
    sampler: Option<&mut Sampler>,
) -> Result<RunRecord> {
    let mut flight = Flight::new(scenario, present, told, in_process)?;
    flight.witnesses.sampler = sampler;
    Ok(flight.fly(name, progress, &mut |_, _| {})?.0)
}

/// As [`fly`], with the kernel where `seat` puts it, given the table; the kernel comes back with the record.
///
/// # Errors
/// As [`fly`]; and when the kernel cannot be put there or is lost on the way.
pub fn fly_on<K: Kernel>(
    scenario: &Scenario,
    present: &[String],
    told: &Told,
    name: &str,
    progress: &mut dyn FnMut(f64),
    seat: impl FnOnce(&ConfigurationTable<JETS>) -> Result<K>,
) -> Result<(RunRecord, K)> {
    Flight::new(scenario, present, told, seat)?.fly(name, progress, &mut |_, _| {})
}

/// As [`fly`]; `watch` is shown what went into the kernel and what came out, every cycle.
///
/// # Errors
/// As [`fly`].
pub fn fly_watched(
    scenario: &Scenario,
    present: &[String],
    told: &Told,
    name: &str,
    progress: &mut dyn FnMut(f64),
    watch: &mut dyn FnMut(&CycleInput, &CycleOutput<JETS>),
) -> Result<RunRecord> {
    Ok(Flight::new(scenario, present, told, in_process)?.fly(name, progress, watch)?.0)
}

/// FNV-1a, 64 bits: offset basis and prime as published by Fowler, Noll and Vo.
const FNV_START: u64 = 0xcbf2_9ce4_8422_2325;
const FNV_PRIME: u64 = 0x0000_0100_0000_01b3;

/// A sensor takes a sample.
type Take = fn(&mut Sensors, &Truth);

struct Flight<'a, K> {
    scenario: &'a Scenario,
    kernel: K,
    table_identity: u32,
    /// Releases still to come, the next one last.
    releases: Vec<Prepared<'a>>,
    /// Identities of the tables flown after those that were.
    identities: Vec<u32>,
    truth: Truth,
    sensors: Sensors,
    witnesses: Witnesses<'a>,
    /// Jets whose valve is open at the end of the last cycle.
    open: JetMask,
    /// What the engine was commanded last.
    engine: EngineCommand,
    /// The phases as the kernel's steps, and which of them is in force.
    steps: Vec<Step>,
    sequencer: Sequencer,
    hash: u64,
}

/// A release, with the table that the kernel takes up in its cycle; `None` where it is not told.
struct Prepared<'a> {
    release: &'a Release,
    table: Option<ConfigurationTable<JETS>>,
}

/// The releases of a flight that has something to let go, the next one last.
fn prepare<'a>(scenario: &'a Scenario, present: &[String], told: &Told) -> Result<Vec<Prepared<'a>>> {
    let mut prepared = Vec::new();
    for release in &scenario.releases {
        let interface = scenario.vehicle.interfaces.iter().find(|one| one.name == release.interface);
        let Some(gone) = interface.and_then(|interface| far_bodies(interface, present)) else { continue };
        let left: Vec<String> = present.iter().filter(|body| !gone.contains(body)).cloned().collect();
        let table = release.told.then(|| table::build(scenario, &left, &told.without(&gone)));
        let table = table.transpose().context("the table of what stays after the release")?;
        prepared.push(Prepared { release, table });
    }
    prepared.reverse();
    Ok(prepared)
}

/// Who sees every selection.
#[derive(Default)]
struct Witnesses<'a> {
    checker: Checker,
    sampler: Option<&'a mut Sampler>,
}

impl Witness for Witnesses<'_> {
    fn saw<const M: usize, const N: usize>(&mut self, problem: &Problem<M>, answer: &Selection<M, N>) {
        self.checker.saw(problem, answer);
        if let Some(sampler) = &mut self.sampler {
            sampler.saw(problem, answer);
        }
    }
}

impl<'a, K: Kernel> Flight<'a, K> {
    fn new(
        scenario: &'a Scenario,
        present: &[String],
        told: &Told,
        seat: impl FnOnce(&ConfigurationTable<JETS>) -> Result<K>,
    ) -> Result<Self> {
        let table = table::build(scenario, present, told)?;
        Ok(Self {
            scenario,
            kernel: seat(&table)?,
            table_identity: table.identity,
            releases: prepare(scenario, present, told)?,
            identities: Vec::new(),
            truth: Truth::new(scenario, present)?,
            sensors: Sensors::new(scenario),
            witnesses: Witnesses::default(),
            open: JetMask::NONE,
            engine: EngineCommand::OFF,
            steps: steps(scenario),
            sequencer: Sequencer::default(),
            hash: FNV_START,
        })
    }

    /// The whole flight.
    fn fly(
        mut self,
        name: &str,
        progress: &mut dyn FnMut(f64),
        watch: &mut dyn FnMut(&CycleInput, &CycleOutput<JETS>),
    ) -> Result<(RunRecord, K)> {
        let began = Instant::now();
        let start = self.truth.arms_m();
        let centre = self.truth.mass_properties().centre_of_mass_m;
        let tick_s = self.scenario.kernel.tick_s;
        let cycle_ticks = u64::from(self.scenario.kernel.cycle_ticks);
        let count = (self.scenario.duration_s / (tick_s * cycle_ticks as f64)).round() as u64;
        let mut cycles = Vec::with_capacity(usize::try_from(count)?);
        let mut status_cycles = [0_u64; 256];
        self.sensors.take(&self.truth);
        let mut phase_starts_s = vec![0.0];
        for cycle in 0..count {
            let start = cycle * cycle_ticks;
            let phase = self.sequencer.step(&self.steps, wrapped(start)).map_or(0, |(phase, _)| phase);
            if phase == phase_starts_s.len() {
                phase_starts_s.push(start as f64 * tick_s);
                self.truth.close_phase();
            }
            let row = self.cycle(start, (phase, phase_starts_s[phase]), watch)?;
            status_cycles[usize::from(row.status)] += 1;
            cycles.push(row);
            if cycle % 4096 == 0 {
                progress(cycle as f64 / count as f64);
            }
        }
        progress(1.0);
        self.truth.close_phase();
        let truth = &self.truth;
        let mut partings = truth.partings();
        for (parting, identity) in partings.iter_mut().zip(&self.identities) {
            parting.table_identity = *identity;
        }
        let record = RunRecord {
            name: name.to_owned(),
            cycles,
            edges: truth.edges().to_vec(),
            jets: truth.jet_totals(),
            engine: truth.engine_record(),
            impulse: truth.impulse_account(),
            partings,
            selections: self.witnesses.checker.summary(),
            interfaces: truth.interface_loads(),
            phase_starts_s,
            status_cycles: (0..=255_u8).zip(status_cycles).filter(|&(_, cycles)| cycles > 0).collect(),
            centre_of_mass_m: [centre, truth.mass_properties().centre_of_mass_m],
            arms_m: [start, truth.arms_m()],
            command_hash: self.hash,
            table_identity: self.table_identity,
            wall_s: began.elapsed().as_secs_f64(),
        };
        Ok((record, self.kernel))
    }

    /// One control cycle from its start (ticks since time zero) to its end.
    ///
    /// * `number`, `began_s` — of the phase in force.
    fn cycle(
        &mut self,
        start: u64,
        (number, began_s): (usize, f64),
        watch: &mut dyn FnMut(&CycleInput, &CycleOutput<JETS>),
    ) -> Result<CycleRow> {
        let tick_s = self.scenario.kernel.tick_s;
        let time_s = start as f64 * tick_s;
        self.release_due(time_s)?;
        let phase = &self.scenario.phases[number];
        let (inhibited, shut_groups) = shut_off(self.scenario, time_s);
        let input = CycleInput {
            tick: wrapped(start),
            attitude: self.sensors.newest_attitude(time_s).map(|m| attitude_sample(&m, tick_s)),
            rate: self.sensors.newest_rate(time_s).map(|m| rate_sample(&m, tick_s)),
            velocity: self.sensors.newest_velocity(time_s).map(|m| velocity_sample(&m, tick_s)),
            command: command(phase, number, time_s - began_s),
            inhibited,
            shut_groups,
            gimbal_stuck: self
                .scenario
                .stuck_gimbal
                .is_some_and(|stuck| stuck.told && stuck.from_s <= time_s + 1e-9),
        };
        if let Some(sampler) = &mut self.witnesses.sampler {
            sampler.at(time_s);
        }
        let output = self.kernel.cycle(&input, &mut self.witnesses)?;
        self.sequencer.see(&input.command, &output);
        watch(&input, &output);
        let released = self.truth.look_at_released();
        let row = CycleRow { released, ..self.row(time_s, &phase.mode, &output) };
        self.command_valves(start, &output)?;
        self.command_engine(start, &output.engine)?;
        self.coast(start)?;
        Ok(row)
    }

    /// Lets go what is due at the start of a cycle; the kernel has the table of what stays before it runs that cycle.
    fn release_due(&mut self, time_s: f64) -> Result<()> {
        let due = |next: &mut Prepared<'_>| next.release.at_s <= time_s + 1e-9;
        while let Some(Prepared { release, table }) = self.releases.pop_if(due) {
            self.truth.release(self.scenario, release)?;
            if let Some(table) = &table {
                self.kernel.take_up(table).with_context(|| format!("the release at {time_s} s"))?;
            }
            let identity = table.map_or(self.table_identity, |table| table.identity);
            self.identities.push(identity);
        }
        Ok(())
    }

    /// Truth to the end of the cycle, stopping where a sample is due that the next cycle will get.
    fn coast(&mut self, start: u64) -> Result<()> {
        let tick_s = self.scenario.kernel.tick_s;
        let cycle = u64::from(self.scenario.kernel.cycle_ticks);
        let due = |delay_s: f64| start + cycle - tick_at(delay_s, tick_s) % cycle;
        let sensors = &self.scenario.sensors;
        let velocity_delay_s = sensors.accelerometer.map_or(0.0, |accelerometer| accelerometer.delay_s);
        let mut samples = [
            (due(sensors.attitude_delay_s), Sensors::take_attitude as Take),
            (due(sensors.rate_delay_s), Sensors::take_rate as Take),
            (due(velocity_delay_s), Sensors::take_velocity as Take),
        ];
        samples.sort_by_key(|&(sampled, _)| sampled);
        for (sampled, take) in samples {
            self.truth.advance_to(sampled as f64 * tick_s);
            take(&mut self.sensors, &self.truth);
        }
        self.truth.advance_to((start + cycle) as f64 * tick_s);
        Ok(())
    }

    /// Edges of this cycle's pulses at their true times.
    fn command_valves(&mut self, start: u64, output: &CycleOutput<JETS>) -> Result<()> {
        let kernel = &self.scenario.kernel;
        let opens = start + u64::from(kernel.command_delay_ticks);
        let mut open = JetMask::NONE;
        let jets = self.scenario.vehicle.jets.len();
        for (j, &ticks) in output.on_ticks.iter().enumerate().take(jets) {
            self.hash = (self.hash ^ u64::from(ticks)).wrapping_mul(FNV_PRIME);
            let was_open = self.open.contains(j);
            if ticks > 0 && !was_open {
                self.truth.command_valve(j, true, opens as f64 * kernel.tick_s)?;
            }
            if ticks >= kernel.cycle_ticks {
                open = open.with(j);
            } else if ticks > 0 || was_open {
                self.truth.command_valve(j, false, (opens + u64::from(ticks)) as f64 * kernel.tick_s)?;
            }
        }
        self.open = open;
        Ok(())
    }

    /// The engine on and off, and where its gimbal is to be, from the tick at which pulses open.
    fn command_engine(&mut self, start: u64, command: &EngineCommand) -> Result<()> {
        if *command == EngineCommand::OFF && self.engine == EngineCommand::OFF {
            return Ok(());
        }
        let kernel = &self.scenario.kernel;
        let opens = start + u64::from(kernel.command_delay_ticks);
        let at = |ticks: u16| (opens + u64::from(ticks)) as f64 * kernel.tick_s;
        if command.gimbal_rad != self.engine.gimbal_rad {
            self.truth.command_gimbal(command.gimbal_rad.map(f64::from), at(0))?;
        }
        if command.on_ticks > 0 {
            self.truth.command_engine(true, at(0))?;
        }
        if command.on_ticks < kernel.cycle_ticks {
            self.truth.command_engine(false, at(command.on_ticks))?;
        }
        for bits in [u64::from(command.on_ticks)]
            .into_iter()
            .chain(command.gimbal_rad.map(|a| u64::from(a.to_bits())))
        {
            self.hash = (self.hash ^ bits).wrapping_mul(FNV_PRIME);
        }
        self.engine = *command;
        Ok(())
    }

    fn row(&self, time_s: f64, mode: &Mode, output: &CycleOutput<JETS>) -> CycleRow {
        let attitude_xyzw = self.truth.attitude_xyzw();
        let error_rad = match mode {
            Mode::Hold { attitude_xyzw: wanted, .. }
            | Mode::Watch { attitude_xyzw: wanted, .. }
            | Mode::Slew { attitude_xyzw: wanted, .. }
            | Mode::Translate { attitude_xyzw: wanted, .. }
            | Mode::Burn { attitude_xyzw: wanted, .. } => error_from(attitude_xyzw, *wanted),
            _ => [0.0; 3],
        };
        let wide = |v: Vec3| v.0.map(f64::from);
        let jets_on =
            output.on_ticks.iter().enumerate().fold(0, |on, (j, &t)| if t > 0 { on | (1 << j) } else { on });
        CycleRow {
            time_s,
            attitude_xyzw,
            rate_rad_s: self.truth.rate_rad_s(),
            error_rad,
            joint_angles_rad: self.truth.joint_angles_rad(),
            slosh_angles_rad: self.truth.slosh_angles_rad(),
            slosh_speeds_m_s: self.truth.slosh_speeds_m_s(),
            velocity_m_s: self.truth.velocity_m_s(),
            engine_thrust_n: self.truth.engine_thrust_n().unwrap_or(0.0),
            engine_propellant_kg: self.truth.engine_propellant_kg(),
            gimbal_rad: self.truth.gimbal_rad().unwrap_or_default(),
            estimated_rate_rad_s: wide(output.motion.rate_rad_s),
            estimated_error_rad: wide(output.error_rad),
            estimated_disturbance_rad_s2: wide(output.disturbance_rad_s2),
            foreseen_s: f64::from(output.foreseen_s),
            status: output.status.number(),
            jets_on,
            propellant_kg: self.truth.propellant_used_kg(),
            released: None,
        }
    }
}

/// The kernel's clock wraps; the harness's does not.
fn wrapped(tick: u64) -> u32 {
    (tick & u64::from(u32::MAX)) as u32
}

/// Jets and groups (one bit each) that must stay shut at a time.
fn shut_off(scenario: &Scenario, time_s: f64) -> (JetMask, u32) {
    let mut jets = JetMask::NONE;
    let mut groups = 0;
    let in_force = |off: &&ShutOff| off.start_s <= time_s + 1e-9 && time_s + 1e-9 < off.stop_s;
    for off in scenario.shut_offs.iter().filter(in_force) {
        match &off.what {
            Shut::Group(group) => groups |= 1_u32 << (group & 31),
            Shut::Jet(name) => {
                let index = scenario.vehicle.jets.iter().position(|jet| jet.name == *name);
                jets = index.map_or(jets, |index| jets.with(index));
            }
        }
    }
    (jets, groups)
}

/// The phases as steps of a sequence. Validated: the first one starts at zero.
fn steps(scenario: &Scenario) -> Vec<Step> {
    let tick_s = scenario.kernel.tick_s;
    let step = |(number, phase): (usize, &Phase)| Step {
        command: command(phase, number, 0.0),
        // The first tick that is not before the start, but for rounding.
        start_ticks: ((phase.start_s - 1e-9) / tick_s).ceil().max(0.0) as u32,
        early: phase.early,
    };
    scenario.phases.iter().enumerate().map(step).collect()
}

/// What the kernel is asked for in a phase, so long after it began, s.
fn command(phase: &Phase, number: usize, since_s: f64) -> Command {
    // There are far fewer than 65,535.
    let number = number as u16;
    let narrow = |v: &[f64; 3]| v.map(|c| c as f32);
    let limits = |half_width_rad: &[f64; 3], rate_limit_rad_s: &[f64; 3]| Deadband {
        half_width_rad: Vec3(narrow(half_width_rad)),
        rate_limit_rad_s: Vec3(narrow(rate_limit_rad_s)),
    };
    match &phase.mode {
        Mode::FreeDrift => Command::Drift,
        Mode::Watch { attitude_xyzw, wake_angle_rad, wake_rate_rad_s, half_width_rad, rate_limit_rad_s } => {
            Command::Watch {
                attitude_xyzw: attitude_xyzw.map(|c| c as f32),
                wake: limits(wake_angle_rad, wake_rate_rad_s),
                deadband: limits(half_width_rad, rate_limit_rad_s),
            }
        }
        Mode::Damp { rate_limit_rad_s } => Command::Damp { rate_limit_rad_s: narrow(rate_limit_rad_s) },
        Mode::Hold { attitude_xyzw, half_width_rad, rate_limit_rad_s } => Command::Hold {
            attitude_xyzw: attitude_xyzw.map(|c| c as f32),
            deadband: limits(half_width_rad, rate_limit_rad_s),
        },
        Mode::Hand {
            deflections,
            dead_zone,
            full_rate_rad_s,
            half_width_rad,
            rate_limit_rad_s,
            asks_for_bits,
        } => Command::Hand(Hand {
            deflection: narrow(&deflection_at(deflections, since_s)),
            dead_zone: *dead_zone as f32,
            full_rate_rad_s: narrow(full_rate_rad_s),
            deadband: limits(half_width_rad, rate_limit_rad_s),
            asks_for: if *asks_for_bits { HandDemand::Bit } else { HandDemand::Rate },
        }),
        Mode::Slew { attitude_xyzw, pace, half_width_rad, rate_limit_rad_s } => Command::Slew(Slew {
            attitude_xyzw: attitude_xyzw.map(|c| c as f32),
            pace: match *pace {
                model::Pace::Quick { rate_limit_rad_s } => {
                    Pace::Quick { rate_limit_rad_s: rate_limit_rad_s as f32 }
                }
                model::Pace::Cheap { duration_s, stray_rad } => {
                    Pace::Cheap { duration_s: duration_s as f32, stray_rad: stray_rad as f32 }
                }
            },
            deadband: limits(half_width_rad, rate_limit_rad_s),
        }),
        Mode::Burn { attitude_xyzw, velocity_change_m_s, settling_s, half_width_rad, rate_limit_rad_s } => {
            Command::Burn(Burn {
                serial: number,
                attitude_xyzw: attitude_xyzw.map(|c| c as f32),
                velocity_change_m_s: narrow(velocity_change_m_s),
                deadband: limits(half_width_rad, rate_limit_rad_s),
                settling_s: *settling_s as f32,
            })
        }
        Mode::Translate { attitude_xyzw, velocity_change_m_s, half_width_rad, rate_limit_rad_s } => {
            Command::Translate(Translation {
                serial: number,
                attitude_xyzw: attitude_xyzw.map(|c| c as f32),
                velocity_change_m_s: narrow(velocity_change_m_s),
                deadband: limits(half_width_rad, rate_limit_rad_s),
            })
        }
        Mode::Rotate {
            about,
            free_axis_within_rad,
            rate_rad_s,
            rate_error_rad_s,
            nutation_rad,
            stray_rad,
        } => Command::Rotate(Rotation {
            about: narrow(about),
            free_axis_within_rad: at_most(*free_axis_within_rad, FRAC_PI_2),
            rate_rad_s: *rate_rad_s as f32,
            rate_error_rad_s: *rate_error_rad_s as f32,
            nutation_rad: *nutation_rad as f32,
            stray_rad: at_most(*stray_rad, PI),
        }),
        Mode::Impulse { rate_change_rad_s, velocity_change_m_s } => Command::Impulse {
            serial: number,
            rate_change_rad_s: narrow(rate_change_rad_s),
            velocity_change_m_s: velocity_change_m_s.as_ref().map(narrow),
        },
    }
}

/// A number for the kernel that rounding must not lift above a limit.
fn at_most(value: f64, limit: f32) -> f32 {
    (value as f32).min(limit)
}

/// A hand controller's deflection so long after the start of its phase, s; none before the first.
fn deflection_at(deflections: &[Deflection], since_s: f64) -> [f64; 3] {
    deflections.iter().rfind(|row| row.at_s <= since_s + 1e-9).map_or([0.0; 3], |row| row.deflection)
}

fn attitude_sample(m: &Sample<4>, tick_s: f64) -> AttitudeSample {
    AttitudeSample {
        attitude_xyzw: m.value.map(|c| c as f32),
        tick: wrapped(tick_at(m.time_s, tick_s)),
        valid: true,
    }
}

fn velocity_sample(m: &Sample<3>, tick_s: f64) -> VelocitySample {
    VelocitySample {
        counted_m_s: m.value.map(|c| c as f32),
        tick: wrapped(tick_at(m.time_s, tick_s)),
        valid: true,
    }
}

fn rate_sample(m: &Sample<3>, tick_s: f64) -> RateSample {
    RateSample {
        rate_rad_s: m.value.map(|c| c as f32),
        tick: wrapped(tick_at(m.time_s, tick_s)),
        valid: true,
    }
}

/// Rotation vector (body axes, rad) that carries the wanted attitude into the actual one; both inertial
/// to body, `[x, y, z, w]`.
#[must_use]
pub fn error_from(actual_xyzw: [f64; 4], wanted_xyzw: [f64; 4]) -> [f64; 3] {
    let unit = |[x, y, z, w]: [f64; 4]| UnitQuaternion::from_quaternion(Quaternion::new(w, x, y, z));
    // Components turn one way when the body turns the other.
    let difference = unit(actual_xyzw) * unit(wanted_xyzw).inverse();
    (-difference.scaled_axis()).into()
}
