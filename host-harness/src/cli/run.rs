//! `stackhold run`.

use std::path::Path;

use anyhow::Result;
use serde_json::{Value, json};
use stackhold_kernel::status::Status;

use super::certificates::Certificates;
use super::console::{Console, Ink};
use super::text::{bound, label, maybe, number, percent, strip, table};
use super::{CAUTION, Common, flights};
use crate::output::{Flown, Folder, picture};
use crate::parting::clearance;
use crate::record::Parting;
use crate::report::{Flight, run_report, status_meaning};
use crate::scenario;
use crate::scenario::model::Scenario;

/// Figures shown on the terminal; `summary.json` holds all.
pub const SHOWN: &[&str] = &[
    "worst_axis_error_deg",
    "worst_axis_error_over_half_width",
    "capture_time_s",
    "ape_99_73_percent_deg",
    "rpe_max_deg",
    "worst_rate_deg_s",
    "joint_angle_max_deg",
    "joint_swing_at_end_deg",
    "slosh_angle_max_deg",
    "slosh_speed_max_m_s",
    "slosh_speed_at_end_m_s",
    "cross_coupling",
    "left_alone_rate_share",
    "left_alone_peak_rate_share",
    "damping_time_s",
    "damped_rate_deg_s",
    "woken_at_s",
    "watched_error_max_deg",
    "slew_time_s",
    "slew_overshoot_over_half_width",
    "slew_propellant_kg",
    "slew_price_eigenaxis_kg",
    "slew_price_precessing_kg",
    "translation_time_s",
    "translation_velocity_error",
    "translation_error_over_half_width",
    "translation_propellant_kg",
    "translation_price_kg",
    "burn_time_s",
    "burn_velocity_error",
    "burn_velocity_across",
    "burn_attitude_error_deg",
    "burn_line_error_deg",
    "burn_before_kg",
    "burn_propellant_kg",
    "burn_price_kg",
    "burn_jets_share",
    "least_clearance_m",
    "seconds_to_keep_out",
    "least_clearance_after_leaving_m",
    "release_rate_change_deg_s",
    "released_body_rate_deg_s",
    "momentum_error_at_release",
    "propellant_kg",
    "propellant_bound_kg",
    "propellant_reference_price_kg",
    "propellant_over_bound",
    "hold_propellant_over_limit_cycle",
    "limit_cycle_period_s",
    "valve_cycles_total",
    "worst_jet_duty",
    "velocity_gathered_m_s",
    "worst_optimality_gap",
];

/// Columns of the picture of the error over time.
const STRIP: usize = 60;

/// Flies a scenario with its variants; the exit code is that of its own flight's verdict.
pub fn run(
    asked: Option<&str>,
    seed: Option<u64>,
    certificates: Option<&Path>,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let name = asked.unwrap_or(scenario::DEMO);
    let scenario = flights::load(name, seed)?;
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let mut certificates = certificates.map(Certificates::prepare).transpose()?;
    let command = command_line(name, seed);
    let mut flown = vec![flights::fly_own(&scenario, &command, certificates.as_mut(), console)?];
    for variant in &scenario.variants {
        flown.push(flights::fly_variant(&scenario, variant, &command, certificates.as_mut(), console)?);
    }
    hand_over(name, &scenario, &flown, (folder.as_ref(), certificates.as_ref()), common, console)
}

/// Flies a scenario's own flight at the pace of the wall clock; the exit code is that of its verdict.
pub fn rehearse(
    asked: Option<&str>,
    seed: Option<u64>,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let name = asked.unwrap_or(scenario::DEMO);
    let scenario = flights::load(name, seed)?;
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let command = command_line(name, seed) + " --real-time";
    let flown = [flights::fly_in_real_time(&scenario, &command, console)?];
    hand_over(name, &scenario, &flown, (folder.as_ref(), None), common, console)
}

/// Writes and shows what was flown, the own flight first; returns the exit code.
fn hand_over(
    name: &str,
    scenario: &Scenario,
    flown: &[Flown],
    (folder, certificates): (Option<&Folder>, Option<&Certificates>),
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    if let Some(folder) = folder {
        write(folder, scenario, flown)?;
    }
    if common.json {
        console.line(&format!("{:#}", with_variants(flown)))?;
    } else {
        show(scenario, flown, console)?;
        hints(name, folder, certificates, console)?;
    }
    Ok(flown[0].verdict.exit_code())
}

fn command_line(name: &str, seed: Option<u64>) -> String {
    let seed = seed.map_or_else(String::new, |seed| format!(" --seed {seed}"));
    format!("stackhold run {name}{seed}")
}

/// The own flight's summary with those of the variants under `variants`.
fn with_variants(flown: &[Flown]) -> Value {
    let mut top = flown[0].summary.clone();
    if let Value::Object(map) = &mut top {
        let others: Vec<&Value> = flown.iter().skip(1).map(|flight| &flight.summary).collect();
        map.insert("variants".to_owned(), json!(others));
    }
    top
}

fn write(folder: &Folder, scenario: &Scenario, flown: &[Flown]) -> Result<()> {
    folder.write_flight(scenario, &flown[0])?;
    folder.write_summary(&with_variants(flown))?;
    for variant in flown.iter().skip(1) {
        Folder::prepare(&folder.path().join(&variant.record.name))?.write_flight(scenario, variant)?;
    }
    let shown: Vec<Flight> = flown
        .iter()
        .map(|f| Ok(Flight { record: &f.record, summary: &f.summary, stack: picture(scenario, f)? }))
        .collect::<Result<_>>()?;
    folder.write("report.html", &run_report(scenario, &shown))
}

fn show(scenario: &Scenario, flown: &[Flown], console: &mut Console<'_>) -> Result<()> {
    let own = &flown[0];
    verdict_line(scenario, own, console)?;
    console.line(&answer(scenario, own))?;
    for status in degraded(own) {
        console.line(&format!("Kernel: {status}"))?;
    }
    for doubt in doubts(own) {
        console.line(&format!("Doubt: {doubt}"))?;
    }
    requirements(own, console)?;
    figures_side_by_side(&flown.iter().map(|f| (f.record.name.as_str(), f)).collect::<Vec<_>>(), console)?;
    pictures(&[(scenario, flown)], console)
}

/// The verdict in one line.
pub fn verdict_line(scenario: &Scenario, flown: &Flown, console: &mut Console<'_>) -> Result<()> {
    let verdict = &flown.verdict;
    let (word, ink) = if verdict.met { ("MET", Ink::Met) } else { ("MISSED", Ink::Missed) };
    let count = verdict.requirements.len();
    let said = match (count, verdict.missed()) {
        (0, _) => "no requirement was stated, nothing was judged".to_owned(),
        (_, 0) => format!("all {count} requirements met"),
        (_, missed) => format!("{missed} of {count} requirements missed"),
    };
    let word = console.inked(word, ink);
    console.line(&format!(
        "{word}  {}: {said}; {} s flown, seed {}",
        scenario.name,
        number(scenario.duration_s),
        scenario.seed
    ))
}

/// What was reached and what it cost, in a sentence.
fn answer(scenario: &Scenario, flown: &Flown) -> String {
    let get = |key: &str| flown.metrics.figures.get(key);
    let speed = scenario.duration_s / flown.record.wall_s.max(1e-9);
    let speed = format!("Simulated {} times faster than real time.", number(speed.round()));
    let released: String = flown.record.partings.iter().map(|parting| parted(flown, parting)).collect();
    let moved: Vec<String> = [
        get("slew_time_s").map(|time| turned(time, &get)),
        get("translation_time_s").map(|time| pushed(time, &get)),
        get("burn_time_s").map(|time| burnt(time, &get)),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !moved.is_empty() {
        return format!("{} {released}{speed}", moved.join(" "));
    }
    let held = get("worst_axis_error_deg").map_or_else(
        || "Flown".to_owned(),
        |error| format!("Held within {} deg of the commanded attitude", number(error)),
    );
    let used = get("propellant_kg").unwrap_or(0.0);
    // Without a disturbance the bound is next to nothing; the limit cycle is what a hold is measured by.
    let cycle = get("hold_propellant_over_limit_cycle");
    let price = match (cycle, get("propellant_over_bound"), get("propellant_bound_kg")) {
        (Some(ratio), _, _) => {
            format!("; {} times the closed-form limit cycle of the smallest bits", number(ratio))
        }
        (None, Some(ratio), Some(bound)) => format!(
            "; no firing of these jets could have used less than {} kg ({} times that)",
            number(bound),
            number(ratio)
        ),
        _ => String::new(),
    };
    format!("{held} for {} kg of propellant{price}. {released}{speed}", number(used))
}

/// What became of a released part.
fn parted(flown: &Flown, parting: &Parting) -> String {
    let came = clearance(&flown.record.cycles, parting);
    let bodies = parting.bodies.join(" and ");
    let left = match (came.left_s, came.least_after_m) {
        (Some(left_s), Some(least_m)) => format!(
            "{} m away after {} s and never nearer than {} m from then on",
            number(parting.keep_out_m),
            number(left_s - parting.time_s),
            number(least_m)
        ),
        _ => format!("never {} m away", number(parting.keep_out_m)),
    };
    format!("Released {bodies} at {} s: {left}. ", number(parting.time_s))
}

/// What slews came to, and what they cost beside the two ways of turning.
fn turned(time_s: f64, get: &impl Fn(&str) -> Option<f64>) -> String {
    if !time_s.is_finite() {
        return "A slew did not arrive.".to_owned();
    }
    let used = get("slew_propellant_kg").map(|used| format!(" for {} kg of propellant", number(used)));
    let price = |key: &str, way: &str| get(key).map(|price| format!("{} kg {way}", number(price)));
    let ways: Vec<String> = [
        price("slew_price_eigenaxis_kg", "about one axis all the way"),
        price("slew_price_precessing_kg", "left to precess on the way"),
    ]
    .into_iter()
    .flatten()
    .collect();
    let least =
        if ways.is_empty() { String::new() } else { format!("; the least for it is {}", ways.join(", ")) };
    format!("Turned to the commanded attitude in {} s{}{least}.", number(time_s), used.unwrap_or_default())
}

/// What pushes came to, and what they cost beside the least for them.
fn pushed(time_s: f64, get: &impl Fn(&str) -> Option<f64>) -> String {
    if !time_s.is_finite() {
        return "A push did not come to its end.".to_owned();
    }
    let kg = |key: &str| get(key).map_or_else(|| "?".to_owned(), number);
    format!(
        "Pushed to the velocity asked for but {} of it, in {} s for {} kg; the least for it without turning is {} kg.",
        get("translation_velocity_error").map_or_else(|| "?".to_owned(), percent),
        number(time_s),
        kg("translation_propellant_kg"),
        kg("translation_price_kg")
    )
}

/// What burns came to, and what they cost beside the rocket equation.
fn burnt(time_s: f64, get: &impl Fn(&str) -> Option<f64>) -> String {
    if !time_s.is_finite() {
        return "The main engine did not burn.".to_owned();
    }
    let kg = |key: &str| get(key).map_or_else(|| "?".to_owned(), number);
    format!(
        "Burnt to the velocity asked for but {} of it, for {} kg; the rocket equation asks for {} kg.",
        get("burn_velocity_error").map_or_else(|| "?".to_owned(), percent),
        kg("burn_propellant_kg"),
        kg("burn_price_kg")
    )
}

/// Cycles in which the kernel did not do all it was asked, in words.
fn degraded(flown: &Flown) -> Vec<String> {
    let full = [Status::Quiet, Status::Firing, Status::Drifting, Status::Choosing].map(Status::number);
    let told = |&&(number, cycles): &&(u8, u64)| {
        // The first cycle has nothing to go by.
        let beginning = number == Status::Starting.number() && cycles <= 2;
        !(full.contains(&number) || beginning)
    };
    let cycles = flown.record.status_cycles.iter().filter(told);
    cycles.map(|&(number, cycles)| format!("{cycles} cycles: {}.", status_meaning(number))).collect()
}

fn doubts(flown: &Flown) -> Vec<String> {
    let bound = flown.metrics.bound.as_ref();
    let unproven = bound.into_iter().flat_map(|b| &b.doubts);
    let price = unproven.map(|why| format!("the propellant bound is only a reference price: {why}."));
    let none = flown.metrics.bound_error.iter().map(|why| format!("there is no propellant bound: {why}."));
    let selections = Some(flown.record.selections.unproven).filter(|n| *n > 0);
    let selections = selections.map(|n| {
        format!("{n} of {} jet selections could not be proven optimal.", flown.record.selections.checked)
    });
    price.chain(none).chain(selections).collect()
}

fn requirements(flown: &Flown, console: &mut Console<'_>) -> Result<()> {
    if flown.verdict.requirements.is_empty() {
        return Ok(());
    }
    let rows = flown.verdict.requirements.iter().map(|r| {
        let (words, unit) = label(&r.figure);
        let margin = r.margin_fraction.map_or_else(|| maybe(r.margin), percent);
        let word = if r.met { "met" } else { "missed" };
        vec![words, maybe(r.value), bound(r), unit.to_owned(), margin, word.to_owned()]
    });
    console.line("")?;
    let header = ["requirement", "value", "required", "unit", "margin", "result"];
    console.line(&table(&header, rows.collect(), 1))
}

/// Figures of several flights, one column each.
pub fn figures_side_by_side(flights: &[(&str, &Flown)], console: &mut Console<'_>) -> Result<()> {
    let mut rows = Vec::new();
    let loads = |key: &&str| key.starts_with("peak_force_at_") || key.starts_with("peak_moment_at_");
    let all = flights.iter().flat_map(|(_, flown)| flown.metrics.figures.iter().map(|(key, _)| key));
    let mut keys = SHOWN.to_vec();
    for key in all.filter(loads) {
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    for key in keys {
        let values: Vec<Option<f64>> = flights.iter().map(|(_, f)| f.metrics.figures.get(key)).collect();
        if values.iter().all(Option::is_none) {
            continue;
        }
        let (words, unit) = label(key);
        let mut row = vec![words, unit.to_owned()];
        row.extend(values.into_iter().map(maybe));
        rows.push(row);
    }
    let verdicts = flights.iter().map(|(_, f)| f.verdict.word().to_owned());
    rows.push(["requirements".to_owned(), String::new()].into_iter().chain(verdicts).collect());
    let mut header = vec!["figure", "unit"];
    header.extend(flights.iter().map(|(name, _)| *name));
    console.line("")?;
    console.line(&table(&header, rows, 2))
}

/// The worst axis's error over the run as a strip per flight.
pub fn pictures(options: &[(&Scenario, &[Flown])], console: &mut Console<'_>) -> Result<()> {
    let mut rows = Vec::new();
    for (scenario, flown) in options {
        for flight in *flown {
            let shares = flights::error_strip(scenario, flight, STRIP);
            if shares.iter().any(|share| share.is_finite()) {
                let name = if options.len() > 1 { &scenario.name } else { &flight.record.name };
                rows.push(vec![name.clone(), strip(&shares)]);
            }
        }
    }
    if rows.is_empty() {
        return Ok(());
    }
    console.line("")?;
    console.line(&table(
        &[
            "flight",
            "worst axis error, start to end (full block: at the deadband or where a watch wakes; !: beyond)",
        ],
        rows,
        2,
    ))
}

fn hints(
    name: &str,
    folder: Option<&Folder>,
    certificates: Option<&Certificates>,
    console: &mut Console<'_>,
) -> Result<()> {
    console.line("")?;
    for told in certificates.into_iter().flat_map(Certificates::told) {
        console.line(&told)?;
    }
    match folder {
        Some(folder) => console.line(&format!(
            "Wrote summary.json, states.csv, valves.csv and report.html into {}.",
            folder.path().display()
        ))?,
        None => console
            .line(&format!("Next: stackhold run {name} --out DIR   (report.html with the pictures)"))?,
    }
    console.line(&format!(
        "      stackhold authority {name}       (what the jets can do about this centre of mass)"
    ))?;
    console.line(&format!("      stackhold compare {name}         (its variants side by side)"))?;
    console.line(CAUTION)
}
