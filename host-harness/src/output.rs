//! Files of a run: `summary.json`, `states.csv`, `valves.csv`, `report.html`.
//!
//! The folder is made and tried **before** the flight ([`Folder::prepare`]), so that a wrong path fails
//! at once. Variants write their own three files into a folder of their name beside the report.

use std::fs::{self, File};
use std::io::{BufWriter, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use serde_json::{Map, Value, json};

use crate::authority;
use crate::metrics::Metrics;
use crate::record::{EngineEdge, InterfaceLoads, RunRecord};
use crate::report::{StackPicture, ToldPicture};
use crate::scenario::model::{Scenario, Told};
use crate::sign_margin::sign_margins;
use crate::stack;
use crate::verdict::Verdict;

/// A flight with everything known about it.
#[derive(Clone, Debug)]
pub struct Flown {
    /// Bodies really there.
    pub stack: Vec<String>,
    /// What the kernel was told.
    pub told: Told,
    /// What the flight left behind.
    pub record: RunRecord,
    /// Its figures.
    pub metrics: Metrics,
    /// Its requirements, judged.
    pub verdict: Verdict,
    /// Its `summary.json`.
    pub summary: Value,
}

/// A folder that can be written to.
#[derive(Clone, Debug)]
pub struct Folder(PathBuf);

impl Folder {
    /// Makes the folder (with its parents) and writes a first, empty `summary.json` to try it.
    ///
    /// # Errors
    /// Naming the folder, when it cannot be made or written to.
    pub fn prepare(path: &Path) -> Result<Self> {
        fs::create_dir_all(path)
            .with_context(|| format!("cannot make the output folder {}", path.display()))?;
        let trial = path.join("summary.json");
        File::create(&trial).with_context(|| format!("cannot write {}", trial.display()))?;
        Ok(Self(path.to_owned()))
    }

    /// Path of the folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.0
    }

    /// Writes a text file into it.
    ///
    /// # Errors
    /// Naming the file.
    pub fn write(&self, name: &str, text: &str) -> Result<()> {
        self.write_bytes(name, text.as_bytes())
    }

    /// Writes a file into it.
    ///
    /// # Errors
    /// Naming the file.
    pub fn write_bytes(&self, name: &str, bytes: &[u8]) -> Result<()> {
        let path = self.0.join(name);
        fs::write(&path, bytes).with_context(|| format!("cannot write {}", path.display()))
    }

    /// Writes a value as `summary.json`.
    ///
    /// # Errors
    /// Naming the file.
    pub fn write_summary(&self, summary: &Value) -> Result<()> {
        self.write("summary.json", &format!("{summary:#}\n"))
    }

    /// Writes `summary.json`, `states.csv` and `valves.csv` of a flight.
    ///
    /// # Errors
    /// Naming the file.
    pub fn write_flight(&self, scenario: &Scenario, flown: &Flown) -> Result<()> {
        self.write_summary(&flown.summary)?;
        self.write_with("states.csv", |file| write_states(file, scenario, &flown.record))?;
        self.write_with("valves.csv", |file| write_valves(file, scenario, &flown.record))
    }

    fn write_with(&self, name: &str, write: impl FnOnce(&mut dyn Write) -> Result<()>) -> Result<()> {
        let path = self.0.join(name);
        let told = || format!("cannot write {}", path.display());
        let mut file = BufWriter::new(File::create(&path).with_context(told)?);
        write(&mut file).with_context(told)?;
        file.flush().with_context(told)
    }
}

/// Columns of `states.csv`: one row per control cycle, at its start. Attitude is inertial to body,
/// scalar last; the error is the rotation vector from the commanded attitude (zero without one); the
/// foreseen time is left out where nothing is expected.
pub const STATE_COLUMNS: [&str; 25] = [
    "time_s",
    "attitude_x",
    "attitude_y",
    "attitude_z",
    "attitude_w",
    "rate_x_deg_s",
    "rate_y_deg_s",
    "rate_z_deg_s",
    "error_x_deg",
    "error_y_deg",
    "error_z_deg",
    "velocity_x_m_s",
    "velocity_y_m_s",
    "velocity_z_m_s",
    "estimated_rate_x_deg_s",
    "estimated_rate_y_deg_s",
    "estimated_rate_z_deg_s",
    "estimated_disturbance_x_deg_s2",
    "estimated_disturbance_y_deg_s2",
    "estimated_disturbance_z_deg_s2",
    "foreseen_s",
    "status",
    "jets_on_mask",
    "jets_on",
    "propellant_kg",
];

/// Further columns of `states.csv` where something is released, empty before: its centre of mass from that of what stays,
/// along orbit axes (up, in the direction of flight, along the orbit's normal)...
pub const RELEASED_IN_ORBIT: [&str; 5] =
    ["released_up_m", "released_ahead_m", "released_across_m", "clearance_m", "released_rate_deg_s"];

/// ... or, without an orbit, along inertial axes; least distance between the hulls since the row before; size of its rate.
pub const RELEASED_IN_FREE_SPACE: [&str; 5] =
    ["released_x_m", "released_y_m", "released_z_m", "clearance_m", "released_rate_deg_s"];

/// Writes `states.csv`.
///
/// # Errors
/// When the writer fails.
pub fn write_states(to: &mut dyn Write, scenario: &Scenario, record: &RunRecord) -> Result<()> {
    let mut rows = csv::Writer::from_writer(to);
    let further: &[&str] = match (record.partings.is_empty(), &scenario.orbit) {
        (true, _) => &[],
        (false, Some(_)) => &RELEASED_IN_ORBIT,
        (false, None) => &RELEASED_IN_FREE_SPACE,
    };
    rows.write_record(STATE_COLUMNS.iter().chain(further))?;
    let mut cells: Vec<String> = Vec::with_capacity(STATE_COLUMNS.len() + further.len());
    for row in &record.cycles {
        cells.clear();
        cells.push(short(row.time_s));
        cells.extend(row.attitude_xyzw.map(|q| format!("{q:.12}")));
        cells.extend(row.rate_rad_s.map(|v| short(v.to_degrees())));
        cells.extend(row.error_rad.map(|v| short(v.to_degrees())));
        cells.extend(row.velocity_m_s.map(short));
        cells.extend(row.estimated_rate_rad_s.map(|v| short(v.to_degrees())));
        cells.extend(row.estimated_disturbance_rad_s2.map(|v| short(v.to_degrees())));
        cells.push(if row.foreseen_s.is_finite() { short(row.foreseen_s) } else { String::new() });
        cells.push(row.status.to_string());
        cells.push(row.jets_on.to_string());
        cells.push(row.jets_on.count_ones().to_string());
        cells.push(short(row.propellant_kg));
        match &row.released {
            Some(released) => {
                cells.extend(released.position_m.map(short));
                cells.extend([released.clearance_m, released.rate_rad_s.to_degrees()].map(short));
            }
            None => cells.resize(STATE_COLUMNS.len() + further.len(), String::new()),
        }
        rows.write_record(&cells)?;
    }
    rows.flush()?;
    Ok(())
}

/// Ten significant digits, without a tail of zeros.
fn short(value: f64) -> String {
    // Adding zero turns minus zero into zero.
    format!("{value:.9e}").parse::<f64>().map_or_else(|_| value.to_string(), |x| (x + 0.0).to_string())
}

/// Writes `valves.csv`: every true edge, with what identifies the flight in comment lines on top.
///
/// # Errors
/// When the writer fails.
pub fn write_valves(to: &mut dyn Write, scenario: &Scenario, record: &RunRecord) -> Result<()> {
    writeln!(to, "# scenario: {}", scenario.name)?;
    writeln!(to, "# flight: {}", record.name)?;
    writeln!(to, "# seed: {}", scenario.seed)?;
    writeln!(to, "# table_identity: {}", hex_table(record))?;
    writeln!(to, "# command_hash: {}", hex_commands(record))?;
    let mut rows = csv::Writer::from_writer(to);
    rows.write_record(["time_s", "jet", "state", "thrust_n"])?;
    for edge in &record.edges {
        let name = scenario.vehicle.jets.get(edge.jet).map_or("unknown", |jet| jet.name.as_str());
        let state = if edge.open { "open" } else { "closed" };
        rows.write_record([&short(edge.time_s), name, state, &short(edge.thrust_n)])?;
    }
    rows.flush()?;
    Ok(())
}

fn hex_table(record: &RunRecord) -> String {
    format!("{:08x}", record.table_identity)
}

fn hex_commands(record: &RunRecord) -> String {
    format!("{:016x}", record.command_hash)
}

/// Puts the `summary.json` of one flight together; stable keys, units in the keys, figures at the top
/// level.
#[must_use]
pub fn summary(
    scenario: &Scenario,
    stack: &[String],
    told: &Told,
    record: &RunRecord,
    metrics: &Metrics,
    verdict: &Verdict,
    command: &str,
) -> Value {
    let mut top = Map::new();
    let mut put = |key: &str, value: Value| {
        top.insert(key.to_owned(), value);
    };
    put("verdict", json!(verdict.word()));
    put("scenario", json!(scenario.name));
    put("flight", json!(record.name));
    put("description", json!(scenario.description));
    put("duration_s", json!(scenario.duration_s));
    put("requirements", json!(verdict.requirements));
    for (key, value) in metrics.figures.iter() {
        // A figure that is not finite has no JSON number; null says "no figure".
        put(key, json!(value.filter(|v| v.is_finite())));
    }
    put("propellant_bound", json!(metrics.bound));
    put("propellant_bound_error", json!(metrics.bound_error));
    put("limit_cycle_reference", json!(metrics.limit_cycle_reference));
    put("interfaces", interfaces(scenario, record));
    put("releases", json!(record.partings));
    put("jets", jets(scenario, record));
    if record.engine.starts > 0 {
        put("engine", engine(record));
    }
    put("phase_starts_s", json!(record.phase_starts_s));
    put("status_cycles", json!(record.status_cycles.iter().map(status).collect::<Vec<_>>()));
    put("stack", stack_facts(scenario, stack, told));
    put("seed", json!(scenario.seed));
    put("table_identity", json!(hex_table(record)));
    put("command_hash", json!(hex_commands(record)));
    put("versions", json!({"stackhold": env!("CARGO_PKG_VERSION"), "summary": 1}));
    put("command", json!(command));
    put("wall_s", json!(record.wall_s));
    put("simulated_over_wall", json!(scenario.duration_s / record.wall_s.max(1e-9)));
    Value::Object(top)
}

fn status((number, cycles): &(u8, u64)) -> Value {
    json!({"status": number, "cycles": cycles})
}

fn interfaces(scenario: &Scenario, record: &RunRecord) -> Value {
    let one = |loads: &InterfaceLoads| {
        let phases = scenario.phases.iter().zip(&loads.phases);
        let phases: Vec<Value> =
            phases.map(|(phase, peak)| json!({"phase_start_s": phase.start_s, "peak": peak})).collect();
        json!({"interface": loads.interface, "phases": phases})
    };
    record.interfaces.iter().map(one).collect()
}

fn jets(scenario: &Scenario, record: &RunRecord) -> Value {
    let jets = scenario.vehicle.jets.iter().zip(&record.jets);
    jets.map(|(jet, totals)| {
        json!({
            "jet": jet.name,
            "state": jet.state,
            "valve_cycles": totals.valve_cycles,
            "on_time_s": totals.on_time_s,
            "duty": totals.on_time_s / scenario.duration_s,
            "impulse_n_s": totals.impulse_n_s,
            "propellant_kg": totals.propellant_kg,
        })
    })
    .collect()
}

fn engine(record: &RunRecord) -> Value {
    let engine = &record.engine;
    let edge = |edge: &EngineEdge| json!({"time_s": edge.time_s, "on": edge.on});
    json!({
        "starts": engine.starts,
        "on_time_s": engine.on_time_s,
        "impulse_n_s": engine.impulse_n_s,
        "propellant_kg": engine.propellant_kg,
        "commands": engine.edges.iter().map(edge).collect::<Vec<Value>>(),
    })
}

fn stack_facts(scenario: &Scenario, stack: &[String], told: &Told) -> Value {
    let vehicle = &scenario.vehicle;
    let actual = stack::composite(vehicle, stack, &stack::full_tanks(vehicle));
    json!({
        "bodies": stack,
        "told_bodies": told.stack,
        "actual": authority::figures(&actual),
        "told": authority::figures(&authority::told_properties(scenario, told)),
        "design_centre_of_mass_m": vehicle.design_centre_of_mass_m,
    })
}

/// What the report draws and says of a flight's stack.
///
/// # Errors
/// When the kernel refuses the flight's table.
pub fn picture(scenario: &Scenario, flown: &Flown) -> Result<StackPicture> {
    let vehicle = &scenario.vehicle;
    let actual = stack::composite(vehicle, &flown.stack, &stack::full_tanks(vehicle));
    let told = authority::told_properties(scenario, &flown.told);
    Ok(StackPicture {
        bodies: flown.stack.clone(),
        mass_kg: actual.mass_kg,
        centre_of_mass_m: actual.centre_of_mass_m,
        inertia_kg_m2: actual.inertia_kg_m2,
        design_centre_of_mass_m: vehicle.design_centre_of_mass_m,
        told: Some(ToldPicture {
            mass_kg: told.mass_kg,
            centre_of_mass_m: told.centre_of_mass_m,
            inertia_kg_m2: told.inertia_kg_m2,
        }),
        sign_margins: Some(sign_margins(scenario, &flown.stack, &flown.told)?),
    })
}
