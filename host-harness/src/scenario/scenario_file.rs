//! Scenario file and vehicle to [`Scenario`].

use stackhold_kernel::flight_table::NAME_LENGTH;
use stackhold_kernel::ledger::COVERED_CYCLES;
use toml::de::DeTable;

use super::bending_file::read_told_bending;
use super::engine_file::read_gimbal;
use super::figures::{FIGURES, known};
use super::joint_file::read_joints;
use super::model::{
    Accelerometer, Actuators, Disturbance, FlightTableSettings, Initial, InterfaceLimit, Jet, JetState,
    KernelSettings, Parted, Push, Requirement, Scenario, Sensors, Told, Variant, Vehicle,
};
use super::orbit_file::read_orbit;
use super::phase_file::{Files, read_phases};
use super::problem::Notes;
use super::release_file::{read_parted, read_releases};
use super::section::{Range64, Section, refuse_twins};
use super::slosh_file::read_sloshes;
use super::suggest::nearest;
use super::trade_file::{every_jet_may_open, read_shut_offs, read_trade};
use super::vehicle_file::REACH;
use crate::table::whole_ticks;

/// Most control cycles of one run: every one leaves a row in memory.
const MOST_CYCLES: f64 = 4e6;
/// Name of the scenario's own flight, which no variant may take.
const OWN_FLIGHT: &str = "told_truth";

/// The key of the vehicle file: text as written, for the loader.
pub(super) fn vehicle_reference<'t>(notes: &'t Notes<'t>, table: &'t DeTable<'t>) -> Option<String> {
    Section::root(notes, table).text("vehicle", "vehicle = \"my_vehicle.toml\", a path relative to this file")
}

/// Says at the key `vehicle` why its file cannot be had.
pub(super) fn refuse_vehicle<'t>(notes: &'t Notes<'t>, table: &'t DeTable<'t>, wrong: &str, remedy: &str) {
    Section::root(notes, table).complain("vehicle", wrong, remedy);
}

/// Reads a scenario about a vehicle; `None` when any problem was written down.
///
/// Without a vehicle (its own file was refused) everything that does not depend on one is still
/// checked.
///
/// * `files` — what lies beside the scenario.
pub(super) fn read<'t>(
    notes: &'t Notes<'t>,
    table: &'t DeTable<'t>,
    vehicle: Option<Vehicle>,
    files: &dyn Files,
) -> Option<Scenario> {
    let root = Section::root(notes, table);
    root.has("vehicle");
    let names = VehicleNames::of(vehicle.as_ref());
    let name = root.name("name", "name = \"my_scenario\"");
    let description = root.text("description", "description = \"one sentence for people\"");
    let duration =
        root.number("duration_s", Range64::Positive, "the simulated time, such as duration_s = 7200.0");
    let seed = root.integer("seed", 0..=i64::MAX, "a whole number from 0", Some(1));
    let stack = names.some(&root, "stack");
    let told = read_told(&root, stack.as_ref(), &names);
    // Without a vehicle nobody else asks for these two.
    let _ = (root.has("jets_forbidden"), root.has("jets_dead"));
    let vehicle = vehicle.and_then(|vehicle| with_states(&root, vehicle, stack.as_deref()));
    let sensors = read_sensors(&root);
    let actuators = read_actuators(&root);
    let jets = vehicle.as_ref().map_or(&[][..], |vehicle| &vehicle.jets);
    let flown = vehicle.as_ref().zip(told.as_ref());
    let kernel = read_kernel(&root, (jets, flown), sensors.as_ref(), actuators.as_ref());
    let duration = duration
        .filter(|&duration| kernel.as_ref().is_none_or(|kernel| fits_memory(&root, kernel, duration)));
    let flight_table = read_flight_table(&root, name.as_deref());
    let initial = read_initial(&root);
    let phases = read_phases(&root, duration, initial.as_ref(), files);
    let disturbances = read_disturbances(&root, duration, &names);
    let joints = read_joints(&root, &names, vehicle.as_ref());
    let sloshes = read_sloshes(&root, vehicle.as_ref());
    let orbit = read_orbit(&root);
    let stuck_gimbal = read_gimbal(&root, duration, vehicle.as_ref());
    let shut_offs = read_shut_offs(&root, jets, duration);
    let limits = kernel.as_ref().map_or(&[][..], |kernel| &kernel.trade.interface_limits);
    let parting = flown.zip(stack.as_deref()).map(|((vehicle, told), stack)| (vehicle, stack, told, limits));
    let releases = read_releases(&root, duration, parting);
    let interfaces: Option<Vec<String>> = vehicle
        .as_ref()
        .map(|vehicle| vehicle.interfaces.iter().map(|interface| interface.name.clone()).collect());
    let requirements = read_requirements(&root, interfaces.as_deref());
    let limits =
        flown.zip(stack.as_deref()).map(|((vehicle, told), stack)| Limited { vehicle, stack, told, limits });
    let variants = read_variants(&root, (&names, jets, interfaces.as_deref(), limits, root.has("release")));
    let soft = [("joint", joints.as_deref().map(<[_]>::len)), ("slosh", sloshes.as_deref().map(<[_]>::len))];
    let soft = soft.into_iter().find(|(_, count)| count.is_some_and(|count| count > 0));
    let limits_are_watched = match soft.filter(|_| limits.is_some_and(|limited| !limited.limits.is_empty())) {
        Some((soft, _)) => {
            let wrong = format!("stands beside [[{soft}]]: loads are watched in a rigid stack only");
            root.complain("interface_limit", wrong, format!("either [[interface_limit]] or [[{soft}]]"));
            false
        }
        None => true,
    };
    root.finish();
    limits_are_watched.then_some(())?;
    Some(Scenario {
        name: name?,
        description: description?,
        seed: u64::try_from(seed?).ok()?,
        duration_s: duration?,
        vehicle: vehicle?,
        stack: stack?,
        told: told?,
        kernel: kernel?,
        flight_table: flight_table?,
        initial: initial?,
        phases: phases?,
        disturbances: disturbances?,
        joints: joints?,
        sloshes: sloshes?,
        orbit: orbit?,
        releases: releases?,
        shut_offs: shut_offs?,
        stuck_gimbal: stuck_gimbal?,
        sensors: sensors?,
        actuators: actuators?,
        requirements: requirements?,
        variants: variants?,
    })
}

/// Names of a vehicle's bodies, when the vehicle could be read.
pub(super) struct VehicleNames(Option<Vec<String>>);

impl VehicleNames {
    fn of(vehicle: Option<&Vehicle>) -> Self {
        Self(vehicle.map(|vehicle| vehicle.bodies.iter().map(|body| body.name.clone()).collect()))
    }

    /// At least one body under a key that must be there.
    pub(super) fn some(&self, section: &Section<'_>, key: &'static str) -> Option<Vec<String>> {
        let Some(bodies) = &self.0 else {
            section.has(key);
            return None;
        };
        section.some_names(key, bodies.iter().map(String::as_str), "body of the vehicle")
    }

    /// One body under a key that may be missing: `Some(None)`.
    fn maybe_one(&self, section: &Section<'_>, key: &'static str) -> Option<Option<String>> {
        if !section.has(key) {
            return Some(None);
        }
        section.reference(key, self.0.as_ref()?, "body of the vehicle").map(Some)
    }

    /// The same as [`Self::some`] under a key that may be missing: `Some(None)`.
    fn maybe(&self, section: &Section<'_>, key: &'static str) -> Option<Option<Vec<String>>> {
        if section.has(key) { self.some(section, key).map(Some) } else { Some(None) }
    }
}

fn read_told(root: &Section<'_>, stack: Option<&Vec<String>>, names: &VehicleNames) -> Option<Told> {
    let told = names.maybe(root, "told_stack");
    let factor = Range64::Within(0.1, 10.0);
    let mass = root.number_or("told_mass_factor", factor, "told over true, such as 1.2", 1.0);
    let thrust = root.number_or("told_thrust_factor", factor, "told over true, such as 0.95", 1.0);
    let error = root.vector_or_zero("told_centre_of_mass_error_m", "[x, y, z], told less true");
    Some(Told {
        stack: told?.or_else(|| stack.cloned())?,
        mass_factor: mass?,
        centre_of_mass_error_m: error?,
        thrust_factor: thrust?,
        interface_limits_kept: true,
    })
}

/// The vehicle with its jets' states for this scenario; every jet must sit on a body that is there.
fn with_states(root: &Section<'_>, mut vehicle: Vehicle, stack: Option<&[String]>) -> Option<Vehicle> {
    let names: Vec<String> = vehicle.jets.iter().map(|jet| jet.name.clone()).collect();
    let known = || names.iter().map(String::as_str);
    let forbidden = root.names("jets_forbidden", known(), "jet of the vehicle");
    let dead = root.names("jets_dead", known(), "jet of the vehicle");
    let (forbidden, dead) = (forbidden?, dead?);
    if let Some(both) = dead.iter().find(|name| forbidden.contains(name)) {
        root.complain(
            "jets_dead",
            format!("names \"{both}\", which is forbidden too"),
            "each jet in one list",
        );
        return None;
    }
    for jet in &mut vehicle.jets {
        if forbidden.contains(&jet.name) {
            jet.state = JetState::Forbidden;
        } else if dead.contains(&jet.name) {
            jet.state = JetState::Dead;
        }
    }
    if vehicle.jets.iter().all(|jet| jet.state != JetState::Ready) {
        let key = if forbidden.len() >= dead.len() { "jets_forbidden" } else { "jets_dead" };
        root.complain(key, "leaves no jet to fire", "at least one jet in neither list");
        return None;
    }
    carried(root, &vehicle.jets, stack?).then_some(vehicle)
}

/// Whether every jet sits on a body of the stack; a problem at the key `stack` otherwise.
fn carried(section: &Section<'_>, jets: &[Jet], stack: &[String]) -> bool {
    let Some(jet) = jets.iter().find(|jet| !stack.contains(&jet.body)) else { return true };
    let wrong = format!("leaves out \"{}\", which carries jet \"{}\"", jet.body, jet.name);
    section.complain("stack", wrong, format!("a stack with \"{}\"", jet.body));
    false
}

fn read_sensors(root: &Section<'_>) -> Option<Sensors> {
    let perfect = Sensors {
        attitude_noise_rad: 0.0,
        attitude_quantum_rad: 0.0,
        rate_noise_rad_s: 0.0,
        rate_quantum_rad_s: 0.0,
        rate_bias_rad_s: [0.0; 3],
        attitude_delay_s: 0.0,
        rate_delay_s: 0.0,
        accelerometer: None,
    };
    if !root.has("sensors") {
        return Some(perfect);
    }
    let section = root.section("sensors")?;
    let small = |key: &'static str, hint: &str| {
        section.number_or(key, Range64::Within(0.0, 10.0), hint, 0.0).map(f64::to_radians)
    };
    let attitude_noise = small("attitude_noise_deg", "one sigma, such as attitude_noise_deg = 0.005");
    let attitude_quantum = small("attitude_quantum_deg", "one step, such as attitude_quantum_deg = 0.001");
    let rate_noise = small("rate_noise_deg_s", "one sigma, such as rate_noise_deg_s = 0.0007");
    let rate_quantum = small("rate_quantum_deg_s", "one step, such as rate_quantum_deg_s = 0.0002");
    let bias = section.vector_or_zero("rate_bias_deg_s", "rate_bias_deg_s = [x, y, z], such as 0.0002 each");
    let seconds = Range64::Within(0.0, 10.0);
    let delay = section.number_or("delay_s", seconds, "seconds, such as delay_s = 0.12", 0.0);
    let hint = "seconds, where the rate sensor has a delay of its own, such as rate_delay_s = 0.02";
    let rate_delay = section.number_or("rate_delay_s", seconds, hint, delay.unwrap_or(0.0));
    let accelerometer = read_accelerometer(&section, root, delay);
    section.finish();
    Some(Sensors {
        attitude_noise_rad: attitude_noise?,
        attitude_quantum_rad: attitude_quantum?,
        rate_noise_rad_s: rate_noise?,
        rate_quantum_rad_s: rate_quantum?,
        rate_bias_rad_s: bias?.map(f64::to_radians),
        attitude_delay_s: delay?,
        rate_delay_s: rate_delay?,
        accelerometer: accelerometer?,
    })
}

/// `Some(None)` without one, `None` when a problem was written down.
///
/// * `delay` — of the other sensors, s.
fn read_accelerometer(
    section: &Section<'_>,
    root: &Section<'_>,
    delay: Option<f64>,
) -> Option<Option<Accelerometer>> {
    const PLACE: &str = "accelerometer_m";
    const REST: [&str; 4] =
        ["velocity_noise_m_s", "velocity_quantum_m_s", "acceleration_bias_m_s2", "velocity_delay_s"];
    if !section.has(PLACE) {
        let Some(stray) = REST.into_iter().find(|key| section.has(key)) else { return Some(None) };
        section.accept(&REST);
        let wrong = format!("stands without {PLACE}: there is no accelerometer");
        section.complain(stray, wrong, format!("{PLACE} = [x, y, z] beside it, in structural axes"));
        return None;
    }
    let place = section.vector(PLACE, REACH, "accelerometer_m = [x, y, z] in structural axes");
    let [noise, quantum, bias, late] = REST;
    let hint = "one sigma, such as velocity_noise_m_s = 0.0002";
    let noise = section.number_or(noise, Range64::Within(0.0, 10.0), hint, 0.0);
    let hint = "the velocity of one count, such as velocity_quantum_m_s = 0.0005";
    let quantum = section.number_or(quantum, Range64::Within(0.0, 10.0), hint, 0.0);
    let bias = section.vector_or_zero(bias, "acceleration_bias_m_s2 = [x, y, z], such as 1e-5 each");
    let hint = "seconds, where the accelerometer has a delay of its own, such as velocity_delay_s = 0.04";
    let delay = section.number_or(late, Range64::Within(0.0, 10.0), hint, delay.unwrap_or(0.0));
    if root.has("joint") {
        section.complain(
            PLACE,
            "stands beside [[joint]]: the structure it sits on must be rigid",
            "one of the two",
        );
        return None;
    }
    Some(Some(Accelerometer {
        position_m: place?,
        noise_m_s: noise?,
        quantum_m_s: quantum?,
        bias_m_s2: bias?,
        delay_s: delay?,
    }))
}

fn read_actuators(root: &Section<'_>) -> Option<Actuators> {
    if !root.has("actuators") {
        return Some(Actuators {
            thrust_scatter: 0.0,
            pulse_scatter: 0.0,
            engine_thrust_error: 0.0,
            engine_misalignment_rad: [0.0; 2],
        });
    }
    let section = root.section("actuators")?;
    let scatter = |key: &'static str| {
        section.number_or(key, Range64::Within(0.0, 0.3), "one sigma as a fraction, such as 0.01", 0.0)
    };
    let thrust = scatter("thrust_scatter");
    let pulse = scatter("pulse_scatter");
    let hint = "a fraction, such as engine_thrust_error = -0.01";
    let engine_thrust = section.number_or("engine_thrust_error", Range64::Within(-0.3, 0.3), hint, 0.0);
    let hint = "engine_misalignment_deg = [first, second], a small turn of the force";
    let misalignment = section.pair_or("engine_misalignment_deg", Range64::Within(-5.0, 5.0), hint, [0.0; 2]);
    section.finish();
    Some(Actuators {
        thrust_scatter: thrust?,
        pulse_scatter: pulse?,
        engine_thrust_error: engine_thrust?,
        engine_misalignment_rad: misalignment?.map(f64::to_radians),
    })
}

/// Tick and cycle, which everything else of the table hangs on.
fn read_clock(section: &Section<'_>) -> Option<(f64, u16)> {
    let tick = section.number("tick_s", Range64::Within(1e-5, 1.0), "the valve tick, such as tick_s = 0.004");
    let cycle = section.integer(
        "cycle_ticks",
        1..=16_384,
        "the control cycle in ticks, such as cycle_ticks = 60",
        None,
    );
    Some((tick?, u16::try_from(cycle?).ok()?))
}

fn read_kernel(
    root: &Section<'_>,
    (jets, flown): (&[Jet], Option<(&Vehicle, &Told)>),
    sensors: Option<&Sensors>,
    actuators: Option<&Actuators>,
) -> Option<KernelSettings> {
    let Some(section) = root.section("kernel") else {
        root.accept(&["manifold", "jet_price", "told_bending", "interface_limit"]);
        if !root.has("kernel") {
            root.complain("kernel", "is missing", "a table headed [kernel] with tick_s and cycle_ticks");
        }
        return None;
    };
    let clock = read_clock(&section);
    let (tick, cycle) = clock.unwrap_or((0.001, 16_384));
    let below_cycle = 0..=i64::from(cycle) - 1;
    let off = section.integer(
        "minimum_off_ticks",
        below_cycle.clone(),
        "ticks, below cycle_ticks",
        Some(ticks_to_shut(jets, tick).min(i64::from(cycle) - 1)),
    );
    let delay = section.integer("command_delay_ticks", below_cycle, "ticks, below cycle_ticks", Some(0));
    let oldest = sensors.map_or(0.0, |sensors| sensors.attitude_delay_s.max(sensors.rate_delay_s));
    let age = read_age_limit(&section, tick * f64::from(cycle), oldest);
    let assumed = read_assumed(&section, sensors, actuators);
    let trade = read_trade(root, &section, jets, flown);
    let bending = read_told_bending(root);
    section.finish();
    let jets_fit = clock.is_none_or(|(tick, cycle)| {
        let idle = (off.unwrap_or(0), delay.unwrap_or(0));
        check_jets_fit(&section, jets, tick, cycle) && check_rhythm(&section, jets, (tick, cycle), idle)
    });
    let [attitude, rate, bias, disturbance, firing] = assumed?;
    let (tick_s, cycle_ticks) = clock.filter(|_| jets_fit)?;
    Some(KernelSettings {
        tick_s,
        cycle_ticks,
        minimum_off_ticks: u16::try_from(off?).ok()?,
        command_delay_ticks: u16::try_from(delay?).ok()?,
        measurement_age_limit_s: age?,
        assumed_attitude_noise_rad: attitude,
        assumed_rate_noise_rad_s: rate,
        assumed_bias_walk_rad_s: bias,
        assumed_disturbance_walk_rad_s2: disturbance,
        assumed_firing_error: firing,
        trade: trade?,
        bending: bending?,
    })
}

/// What a flight table is called: after the scenario when nothing is said.
fn read_flight_table(root: &Section<'_>, scenario: Option<&str>) -> Option<FlightTableSettings> {
    if !root.has("flight_table") {
        return Some(FlightTableSettings { configuration: scenario?.to_owned(), sequence: 1 });
    }
    let section = root.section("flight_table")?;
    let configuration = read_configuration(&section)
        .and_then(|configuration| configuration.or_else(|| scenario.map(str::to_owned)));
    let hint = "sequence, from 1: higher for every table that the vehicle gets";
    let sequence = section.integer("sequence", 1..=i64::from(u32::MAX), hint, Some(1));
    section.finish();
    Some(FlightTableSettings { configuration: configuration?, sequence: u32::try_from(sequence?).ok()? })
}

/// The stack as the board knows it: `Some(None)` for a missing key, `None` when a problem was written down.
fn read_configuration(section: &Section<'_>) -> Option<Option<String>> {
    const KEY: &str = "configuration";
    if !section.has(KEY) {
        return Some(None);
    }
    let name =
        section.name(KEY, "the stack as the board knows it, such as configuration = \"tug_and_client\"")?;
    if name.len() > NAME_LENGTH {
        let wrong = format!("has {} letters, more than a flight table holds", name.len());
        section.complain(KEY, wrong, format!("at most {NAME_LENGTH} letters"));
        return None;
    }
    Some(Some(name))
}

/// Ticks until the slowest valve no longer pushes after its command to shut.
fn ticks_to_shut(jets: &[Jet], tick_s: f64) -> i64 {
    let slowest = jets.iter().map(|jet| jet.closing_delay_s + jet.tail_off_s).fold(0.0, f64::max);
    // At most 20 s over 1e-5 s: far inside i64. The margin keeps 0.012 / 0.004 at three.
    (slowest / tick_s - 1e-9).ceil().max(0.0) as i64
}

fn read_age_limit(section: &Section<'_>, cycle_s: f64, delay_s: f64) -> Option<f64> {
    const KEY: &str = "measurement_age_limit_s";
    let covered = f64::from(COVERED_CYCLES) * cycle_s;
    let default = (2.0 * delay_s).max(1.0).min(covered);
    let limit = section.number_or(
        KEY,
        Range64::Positive,
        "seconds, such as measurement_age_limit_s = 1.0",
        default,
    )?;
    if limit > covered * (1.0 + 1e-9) {
        let wrong =
            format!("is longer than the {COVERED_CYCLES} cycles the kernel remembers its firings for");
        section.complain(KEY, wrong, format!("at most {covered} s"));
        return None;
    }
    if limit < delay_s {
        let wrong = if section.has(KEY) {
            format!("= {limit} s would refuse every measurement: they arrive {delay_s} s old")
        } else {
            format!(
                "can be at most {covered} s, {COVERED_CYCLES} cycles, and measurements arrive {delay_s} s old"
            )
        };
        section.complain(KEY, wrong, "a limit above the sensors' delays, with a cycle that allows it");
        return None;
    }
    Some(limit)
}

/// What the observer assumes: attitude noise, rate noise, bias walk, disturbance walk (rad, rad/s, ..)
/// and firing error.
fn read_assumed(
    section: &Section<'_>,
    sensors: Option<&Sensors>,
    actuators: Option<&Actuators>,
) -> Option<[f64; 5]> {
    // A quantum of size q scatters like q / sqrt 12 (rectangular distribution).
    let spread = |noise: f64, quantum: f64, least: f64| {
        (noise * noise + quantum * quantum / 12.0).sqrt().to_degrees().max(least)
    };
    let noise = sensors.map_or([0.0005, 0.000_05], |sensors| {
        [
            spread(sensors.attitude_noise_rad, sensors.attitude_quantum_rad, 0.0005),
            spread(sensors.rate_noise_rad_s, sensors.rate_quantum_rad_s, 0.000_05),
        ]
    });
    let scatter = actuators.map_or(0.0, |actuators| actuators.thrust_scatter.hypot(actuators.pulse_scatter));
    let angle = |key: &'static str, range: Range64, hint: &str, default: f64| {
        section.number_or(key, range, hint, default).map(f64::to_radians)
    };
    let noise_range = Range64::Within(1e-6, 10.0);
    let walk_range = Range64::Within(0.0, 1.0);
    let attitude = angle("assumed_attitude_noise_deg", noise_range, "one sigma, such as 0.005", noise[0]);
    let rate = angle("assumed_rate_noise_deg_s", noise_range, "one sigma, such as 0.0007", noise[1]);
    let bias = angle("assumed_bias_walk_deg_s_per_root_s", walk_range, "such as 1e-7", 1e-7);
    let disturbance = angle("assumed_disturbance_walk_deg_s2_per_root_s", walk_range, "such as 1e-6", 1e-6);
    let firing =
        section.number_or("assumed_firing_error", walk_range, "a fraction, such as 0.02", scatter.max(0.01));
    Some([attitude?, rate?, bias?, disturbance?, firing?])
}

/// Every jet's shortest on-time must fit between one tick and one cycle, and its valve be quicker than
/// the cycle.
fn check_jets_fit(section: &Section<'_>, jets: &[Jet], tick_s: f64, cycle_ticks: u16) -> bool {
    let cycle_s = tick_s * f64::from(cycle_ticks);
    let slack = 1e-9 * cycle_s;
    let mut sound = true;
    if let Some(jet) = jets.iter().find(|jet| jet.minimum_on_s + slack < tick_s) {
        let wrong = format!("is longer than minimum_on_s = {} of jet \"{}\"", jet.minimum_on_s, jet.name);
        section.complain("tick_s", wrong, format!("at most {}", jet.minimum_on_s));
        sound = false;
    }
    if let Some(jet) = jets.iter().find(|jet| jet.minimum_on_s > cycle_s + slack) {
        let wrong = format!(
            "makes a cycle of {cycle_s} s, shorter than minimum_on_s = {} of jet \"{}\"",
            jet.minimum_on_s, jet.name
        );
        let least = (jet.minimum_on_s / tick_s - 1e-9).ceil();
        section.complain("cycle_ticks", wrong, format!("at least {least}"));
        sound = false;
    } else if let Some(jet) = jets.iter().find(|jet| slowest_edge_s(jet) > cycle_s) {
        let wrong = format!(
            "makes a cycle of {cycle_s} s, shorter than jet \"{}\" takes to open or shut, {} s",
            jet.name,
            slowest_edge_s(jet)
        );
        let least = (slowest_edge_s(jet) / tick_s - 1e-9).ceil();
        section.complain("cycle_ticks", wrong, format!("at least {least}"));
        sound = false;
    }
    sound
}

/// A jet's shortest pulse and the minimum off-time must fit into a cycle together, and so must the delay of
/// a command, of the valve and of the tail; `idle` is the minimum off-time and the command delay, ticks.
fn check_rhythm(
    section: &Section<'_>,
    jets: &[Jet],
    (tick_s, cycle_ticks): (f64, u16),
    (off, delay): (i64, i64),
) -> bool {
    let cycle = i64::from(cycle_ticks);
    let shortest = |jet: &Jet| whole_ticks(jet.minimum_on_s, tick_s) as i64;
    if let Some(jet) = jets.iter().find(|jet| shortest(jet) + off > cycle) {
        let wrong = format!(
            "leaves no room in a cycle of {cycle} ticks for the shortest pulse of jet \"{}\", {} ticks",
            jet.name,
            shortest(jet)
        );
        section.complain("minimum_off_ticks", wrong, format!("at most {}", cycle - shortest(jet)));
        return false;
    }
    let late_s = |jet: &Jet| {
        let lost = jet.opening_delay_s + 0.5 * jet.rise_s;
        lost.max(jet.closing_delay_s + 0.5 * jet.tail_off_s)
    };
    let room_s = tick_s * (cycle - delay) as f64;
    if let Some(jet) = jets.iter().find(|jet| late_s(jet) > room_s) {
        let wrong = format!(
            "and what jet \"{}\" takes to act, {} s, are more than a cycle of {cycle} ticks",
            jet.name,
            late_s(jet)
        );
        let most = cycle - (late_s(jet) / tick_s).ceil() as i64;
        section.complain("command_delay_ticks", wrong, format!("at most {most}"));
        return false;
    }
    true
}

fn slowest_edge_s(jet: &Jet) -> f64 {
    (jet.opening_delay_s + jet.rise_s).max(jet.closing_delay_s + jet.tail_off_s)
}

/// Whether a run holds at least one cycle and not more than a record can.
fn fits_memory(root: &Section<'_>, kernel: &KernelSettings, duration_s: f64) -> bool {
    let cycle_s = kernel.tick_s * f64::from(kernel.cycle_ticks);
    let longest = MOST_CYCLES * cycle_s;
    let (wrong, remedy) = if duration_s < cycle_s {
        (format!("is shorter than one cycle of {cycle_s} s"), format!("at least {cycle_s}"))
    } else if duration_s > longest {
        let wrong =
            format!("holds more than {MOST_CYCLES:e} cycles of {cycle_s} s, too many to keep in memory");
        (wrong, format!("at most {longest}"))
    } else {
        return true;
    };
    root.complain("duration_s", wrong, remedy);
    false
}

fn read_initial(root: &Section<'_>) -> Option<Initial> {
    const LEVEL: [f64; 4] = [0.0, 0.0, 0.0, 1.0];
    if !root.has("initial") {
        return Some(Initial { attitude_xyzw: LEVEL, rate_rad_s: [0.0; 3] });
    }
    let section = root.section("initial")?;
    let attitude = section.quaternion_or("attitude_xyzw", LEVEL);
    let rate = if section.has("rate_deg_s") {
        section.vector("rate_deg_s", Range64::Within(-360.0, 360.0), "rate_deg_s = [x, y, z] about body axes")
    } else {
        Some([0.0; 3])
    };
    section.finish();
    Some(Initial { attitude_xyzw: attitude?, rate_rad_s: rate?.map(f64::to_radians) })
}

fn read_disturbances(
    root: &Section<'_>,
    duration: Option<f64>,
    names: &VehicleNames,
) -> Option<Vec<Disturbance>> {
    let sections = root.sections("disturbance")?;
    refuse_twins(sections.iter());
    let disturbances: Vec<Option<Disturbance>> =
        sections.iter().map(|section| read_disturbance(section, duration, names)).collect();
    disturbances.into_iter().collect()
}

fn read_disturbance(
    section: &Section<'_>,
    duration: Option<f64>,
    names: &VehicleNames,
) -> Option<Disturbance> {
    let name = section.name("name", "name = \"client_vent\"");
    let end = duration.unwrap_or(f64::MAX);
    let start = section.number_or("start_s", Range64::NotNegative, "the first moment in seconds", 0.0);
    let stop = section.number_or("stop_s", Range64::Positive, "the last moment in seconds", end);
    let push = read_push(section);
    let body = names.maybe_one(section, "body");
    section.finish();
    let (start_s, stop_s) = (start?, stop?);
    if start_s >= end {
        section.complain(
            "start_s",
            format!("is not before the end of the run at {end} s"),
            format!("below {end}"),
        );
        return None;
    }
    if stop_s <= start_s {
        section.complain("stop_s", format!("is not after start_s = {start_s}"), format!("above {start_s}"));
        return None;
    }
    Some(Disturbance { name: name?, start_s, stop_s, push: push?, body: body? })
}

fn read_push(section: &Section<'_>) -> Option<Push> {
    let Some(kind) = section.choice("kind", &["vent", "torque"], "kind = \"vent\" or \"torque\"") else {
        section.accept(&["position_m", "force_n", "torque_n_m"]);
        return None;
    };
    match kind {
        "vent" => {
            let hint = "position_m = [x, y, z] in structural axes";
            let position = section.vector("position_m", Range64::Within(-1e3, 1e3), hint);
            let force =
                section.vector("force_n", Range64::Any, "force_n = [x, y, z], the force on the vehicle");
            let torque = section.vector_or_zero("torque_n_m", "torque_n_m = [x, y, z] about body axes");
            Some(Push::Vent { position_m: position?, force_n: force?, torque_n_m: torque? })
        }
        _ => {
            let torque =
                section.vector("torque_n_m", Range64::Any, "torque_n_m = [x, y, z] about body axes")?;
            Some(Push::Torque { torque_n_m: torque })
        }
    }
}

/// * `interfaces` — of the vehicle, when it could be read.
fn read_requirements(root: &Section<'_>, interfaces: Option<&[String]>) -> Option<Vec<Requirement>> {
    let sections = root.sections("requirement")?;
    let requirements: Vec<Option<Requirement>> =
        sections.iter().map(|section| read_requirement(section, interfaces)).collect();
    requirements.into_iter().collect()
}

fn read_requirement(section: &Section<'_>, interfaces: Option<&[String]>) -> Option<Requirement> {
    let figure = section.text("figure", "figure = \"worst_axis_error_deg\" or another known figure");
    let bound = |key: &'static str| match section.has(key) {
        true => section.number(key, Range64::Any, "a bound in the figure's unit").map(Some),
        false => Some(None),
    };
    let at_most = bound("at_most");
    let at_least = bound("at_least");
    section.finish();
    let (figure, at_most, at_least) = (figure?, at_most?, at_least?);
    if !known(&figure, interfaces) {
        let names = || FIGURES.iter().map(|figure| figure.name);
        let list = format!("known figures: {}", names().collect::<Vec<_>>().join(", "));
        let remedy = nearest(&figure, names())
            .map_or(list.clone(), |meant| format!("did you mean \"{meant}\"? {list}"));
        section.complain("figure", format!("\"{figure}\" is no known figure"), remedy);
        return None;
    }
    match (at_most, at_least) {
        (None, None) => {
            section.complain("at_most", "is missing, and so is at_least", "at_most or at_least, or both");
            None
        }
        (Some(most), Some(least)) if least > most => {
            let wrong = format!("is above at_most = {most}: nothing can meet both");
            section.complain("at_least", wrong, format!("at most {most}"));
            None
        }
        _ => Some(Requirement { figure, at_most, at_least }),
    }
}

/// Bodies, jets and interfaces of the vehicle; what interfaces may carry; whether anything is released.
type Known<'a> = (&'a VehicleNames, &'a [Jet], Option<&'a [String]>, Option<Limited<'a>>, bool);

/// The scenario's own flight, with the limits that every flight keeps.
#[derive(Clone, Copy)]
struct Limited<'a> {
    vehicle: &'a Vehicle,
    stack: &'a [String],
    told: &'a Told,
    limits: &'a [InterfaceLimit],
}

fn read_variants(root: &Section<'_>, known: Known<'_>) -> Option<Vec<Variant>> {
    let sections = root.sections("variant")?;
    refuse_twins(sections.iter());
    let variants: Vec<Option<Variant>> =
        sections.iter().map(|section| read_variant(section, known)).collect();
    variants.into_iter().collect()
}

fn read_variant(
    section: &Section<'_>,
    (names, jets, interfaces, limited, releases): Known<'_>,
) -> Option<Variant> {
    let name = section.name("name", "name = \"told_bare_tug\"");
    let description = section.text("description", "description = \"one line for people\"");
    let stack = names.maybe(section, "stack");
    let told = names.maybe(section, "told_stack");
    let configuration = read_configuration(section);
    let limits_kept = read_limits_kept(section);
    let release = read_parted(section, releases);
    let requirements = read_requirements(section, interfaces);
    section.finish();
    let (name, description, stack, told_stack) = (name?, description?, stack?, told?);
    let (interface_limits_kept, release) = (limits_kept?, release?);
    let requirements = requirements.map(|own| (!own.is_empty()).then_some(own));
    if name == OWN_FLIGHT {
        let wrong = format!("\"{OWN_FLIGHT}\" is the name of the scenario's own flight");
        section.complain("name", wrong, "another name");
        return None;
    }
    if stack.is_none() && told_stack.is_none() && interface_limits_kept && release == Parted::Told {
        section.complain(
            "stack",
            "is missing, and so is told_stack",
            "stack, told_stack, interface_limits or release, where this flight differs",
        );
        return None;
    }
    if let Some(stack) = &stack
        && !carried(section, jets, stack)
    {
        return None;
    }
    if !interface_limits_kept && limited.is_some_and(|limited| limited.limits.is_empty()) {
        let wrong = "disregards what is not there: no interface has a limit";
        section.complain("interface_limits", wrong, "an [[interface_limit]] in the scenario");
        return None;
    }
    let variant = Variant {
        name,
        description,
        stack,
        told_stack,
        configuration: configuration?,
        interface_limits_kept,
        release,
        requirements: requirements?,
    };
    let may_open = limited.is_none_or(|Limited { vehicle, stack, told, limits }| {
        let key = if section.has("told_stack") { "told_stack" } else { "stack" };
        every_jet_may_open((section, key), vehicle, limits, &variant.of(stack, told).1)
    });
    may_open.then_some(variant)
}

/// Whether the kernel is told what interfaces may carry; it is where nothing is said.
fn read_limits_kept(section: &Section<'_>) -> Option<bool> {
    const KEY: &str = "interface_limits";
    if !section.has(KEY) {
        return Some(true);
    }
    let hint = "interface_limits = \"disregarded\", to see what the limits cost";
    section.choice(KEY, &["kept", "disregarded"], hint).map(|word| word == "kept")
}
