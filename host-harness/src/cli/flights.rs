//! Flying a scenario and its variants.

use anyhow::{Context, Result};

use super::certificates::Certificates;
use super::console::Console;
use super::pace::Pace;
use crate::certificate::Sampler;
use crate::flight_table::find;
use crate::held;
use crate::output::{Flown, summary};
use crate::record::RunRecord;
use crate::scenario::model::{Scenario, Told, Variant};
use crate::{closed_loop, metrics, scenario, verdict};

/// Name of a scenario's own flight.
pub const OWN_FLIGHT: &str = "told_truth";

/// Loads a scenario, with another seed if wanted.
pub fn load(name_or_path: &str, seed: Option<u64>) -> Result<Scenario> {
    let mut scenario = scenario::load_named_or_path(name_or_path)?;
    if let Some(seed) = seed {
        scenario.seed = seed;
    }
    Ok(scenario)
}

/// Loads a scenario as one of its variants has it, called after both; the scenario itself without one.
pub fn load_as(name_or_path: &str, variant: Option<&str>) -> Result<Scenario> {
    let mut scenario = load(name_or_path, None)?;
    if let Some(name) = variant {
        let variant = find(&scenario, name)?.clone();
        let (stack, told) = scenario.as_flown_in(&variant);
        scenario = scenario.with_releases_of(&variant).into_owned();
        scenario.name = format!("{}_{name}", scenario.name);
        (scenario.stack, scenario.told) = (stack, told);
    }
    Ok(scenario)
}

/// What names the variant again on the command line.
pub fn variant_words(variant: Option<&str>) -> String {
    variant.map_or_else(String::new, |name| format!(" --variant {name}"))
}

/// Name of the scenario's own flight: `told_truth`, or `as_told` where the kernel is told otherwise.
fn own_name(scenario: &Scenario) -> &'static str {
    let told = &scenario.told;
    let mut believed = told.stack.clone();
    let mut present = scenario.stack.clone();
    believed.sort();
    present.sort();
    let exact = told.mass_factor == 1.0
        && told.thrust_factor == 1.0
        && told.centre_of_mass_error_m == [0.0; 3]
        && believed == present;
    if exact { OWN_FLIGHT } else { "as_told" }
}

/// The scenario's own flight.
///
/// * `certificates` — where certificates go, if they are wanted.
pub fn fly_own(
    scenario: &Scenario,
    command: &str,
    certificates: Option<&mut Certificates>,
    console: &Console<'_>,
) -> Result<Flown> {
    let flown = (scenario.stack.as_slice(), &scenario.told, own_name(scenario));
    fly(scenario, flown, command, certificates, console)
}

/// One variant.
pub fn fly_variant(
    scenario: &Scenario,
    variant: &Variant,
    command: &str,
    certificates: Option<&mut Certificates>,
    console: &Console<'_>,
) -> Result<Flown> {
    let (stack, told) = scenario.as_flown_in(variant);
    let scenario = scenario.with_releases_of(variant);
    fly(&scenario, (&stack, &told, &variant.name), command, certificates, console)
}

fn fly(
    scenario: &Scenario,
    (stack, told, name): (&[String], &Told, &str),
    command: &str,
    certificates: Option<&mut Certificates>,
    console: &Console<'_>,
) -> Result<Flown> {
    let mut progress = console.progress(name);
    let mut sampler = certificates.is_some().then(Sampler::default);
    let report = &mut |share| progress.set(share);
    let flown = closed_loop::fly_sampled(scenario, stack, told, name, report, sampler.as_mut());
    progress.done();
    let record = flown.with_context(|| format!("flight {name} of scenario {}", scenario.name))?;
    let flown = judged(scenario, (stack, told), record, command)?;
    if let (Some(certificates), Some(sampler)) = (certificates, &sampler) {
        certificates.write_flight(scenario, stack, &flown.record, &flown.metrics, sampler)?;
    }
    Ok(flown)
}

/// The scenario's own flight, no cycle of it before its time on the wall clock; ends when it ends there.
pub fn fly_in_real_time(scenario: &Scenario, command: &str, console: &Console<'_>) -> Result<Flown> {
    let (stack, told, name) = (scenario.stack.as_slice(), &scenario.told, own_name(scenario));
    let cycle_s = scenario.kernel.tick_s * f64::from(scenario.kernel.cycle_ticks);
    let mut pace = Pace::begin(scenario.duration_s, console.progress(name));
    let mut cycles = 0_u32;
    // Shown each cycle when it has been computed and its pulses are to begin.
    let watch = &mut |_: &_, _: &_| {
        pace.wait_until(f64::from(cycles) * cycle_s);
        cycles += 1;
    };
    let flown = closed_loop::fly_watched(scenario, stack, told, name, &mut |_| {}, watch);
    pace.end();
    let record = flown.with_context(|| format!("flight {name} of scenario {}", scenario.name))?;
    judged(scenario, (stack, told), record, command)
}

/// A flight measured and judged.
fn judged(
    scenario: &Scenario,
    (stack, told): (&[String], &Told),
    record: RunRecord,
    command: &str,
) -> Result<Flown> {
    let metrics = metrics::measure(scenario, stack, &record)?;
    let verdict = verdict::judge(&scenario.requirements_of(&record.name), &metrics.figures);
    let summary = summary(scenario, stack, told, &record, &metrics, &verdict, command);
    Ok(Flown { stack: stack.to_vec(), told: told.clone(), record, metrics, verdict, summary })
}

/// Largest error over half-width (or, while a watch sleeps, over what wakes it) of any axis in `columns` equal
/// stretches of the run; NaN where nothing is held, on the way of a slew, and by hand.
pub fn error_strip(scenario: &Scenario, flown: &Flown, columns: usize) -> Vec<f64> {
    let begun = scenario.as_begun(&flown.record.phase_starts_s);
    let mut spans = held::spans(&begun, &flown.record.cycles);
    spans.retain(|span| !span.kept.is_led());
    let half_widths = |time: f64| spans.iter().find(|span| span.holds(time)).map(|span| span.angle_rad);
    let mut strip = vec![f64::NAN; columns];
    for row in &flown.record.cycles {
        let column = (row.time_s / scenario.duration_s * columns as f64) as usize;
        if let (Some(slot), Some(half)) = (strip.get_mut(column), half_widths(row.time_s)) {
            let share = (0..3).map(|i| row.error_rad[i].abs() / half[i]).fold(0.0, f64::max);
            *slot = if slot.is_nan() { share } else { slot.max(share) };
        }
    }
    strip
}
