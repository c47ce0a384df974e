//! `stackhold compare`.

use anyhow::{Result, bail};
use serde_json::json;

use super::console::Console;
use super::text::{number, percent};
use super::{CAUTION, Common, flights, run};
use crate::output::{Flown, Folder, picture};
use crate::report::{ComparedOption, Flight, comparison_report};
use crate::scenario::model::Scenario;
use crate::verdict::{EXIT_MET, EXIT_MISSED};

/// Flies every option with one seed; exit code 0 when all options meet their requirements, else 1.
pub fn compare(
    asked: &[String],
    seed: Option<u64>,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let first = flights::load(&asked[0], seed)?;
    let seed = first.seed;
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let mut options: Vec<(Scenario, Vec<Flown>)> = Vec::new();
    let command = format!("stackhold compare {} --seed {seed}", asked.join(" "));
    if asked.len() == 1 {
        if first.variants.is_empty() {
            bail!("{} has no variants: name at least two scenarios to compare", asked[0]);
        }
        let mut flown = vec![flights::fly_own(&first, &command, None, console)?];
        for variant in &first.variants {
            flown.push(flights::fly_variant(&first, variant, &command, None, console)?);
        }
        options.push((first, flown));
    } else {
        for name in asked {
            let scenario = flights::load(name, Some(seed))?;
            let flown = flights::fly_own(&scenario, &command, None, console)?;
            options.push((scenario, vec![flown]));
        }
    }
    let named = names(&options);
    let sentence = sentence(&named);
    let cautions = differences(&options);
    if let Some(folder) = &folder {
        write(folder, &options, &named, &sentence, &cautions)?;
    }
    if common.json {
        console.line(&format!("{:#}", summary(&named, &sentence, &cautions, seed)))?;
    } else {
        show(&options, &named, &sentence, &cautions, console)?;
        if let Some(folder) = &folder {
            console.line(&format!("Wrote summary.json and report.html into {}.", folder.path().display()))?;
        }
        console.line(CAUTION)?;
    }
    Ok(if named.iter().all(|(_, flown)| flown.verdict.met) { EXIT_MET } else { EXIT_MISSED })
}

/// Every flight with the name it goes by in this comparison.
fn names(options: &[(Scenario, Vec<Flown>)]) -> Vec<(&str, &Flown)> {
    let alone = options.len() == 1;
    options
        .iter()
        .flat_map(|(scenario, flown)| {
            flown.iter().map(move |f| {
                let name = if alone { f.record.name.as_str() } else { scenario.name.as_str() };
                (name, f)
            })
        })
        .collect()
}

/// What a flight director would read out.
fn sentence(named: &[(&str, &Flown)]) -> String {
    let used = |flown: &Flown| flown.metrics.figures.get("propellant_kg").unwrap_or(f64::INFINITY);
    let by_price = |a: &&(&str, &Flown), b: &&(&str, &Flown)| used(a.1).total_cmp(&used(b.1));
    let met: Vec<&(&str, &Flown)> = named.iter().filter(|(_, flown)| flown.verdict.met).collect();
    let missed: Vec<&str> =
        named.iter().filter(|(_, flown)| !flown.verdict.met).map(|(name, _)| *name).collect();
    let Some(best) = met.iter().copied().min_by(by_price) else {
        return format!("No option meets its requirements: {} all miss.", missed.join(", "));
    };
    let judged = named.iter().any(|(_, flown)| !flown.verdict.requirements.is_empty());
    let verb = if judged { "meets its requirements" } else { "is flown (no requirement was stated)" };
    let lead = format!("{} {verb} for {} kg of propellant", best.0, number(used(best.1)));
    let next = met.iter().copied().filter(|option| option.0 != best.0).min_by(by_price);
    let against = next.map_or_else(
        || ", and it is the only option that does".to_owned(),
        |next| {
            let saved = 1.0 - used(best.1) / used(next.1);
            format!(", {} less than {} at {} kg", percent(saved), next.0, number(used(next.1)))
        },
    );
    let others = match missed.as_slice() {
        [] => String::new(),
        [one] => format!("; {one} misses"),
        several => format!("; {} miss", several.join(", ")),
    };
    format!("{lead}{against}{others}{}.", better_at(best, &met))
}

/// An option that is to be beaten, or beats it, by this share in what it is better at: less is not worth a word.
const WORTH_A_WORD: f64 = 0.05;

/// What other options that meet their requirements are better at than the one that takes the least propellant.
fn better_at(best: &(&str, &Flown), met: &[&(&str, &Flown)]) -> String {
    let mut keys = vec![
        ("worst_axis_error_over_half_width".to_owned(), "holds closer".to_owned(), " half-widths"),
        ("burn_time_s".to_owned(), "burns sooner".to_owned(), " s"),
        ("translation_time_s".to_owned(), "is pushed sooner".to_owned(), " s"),
    ];
    for (key, _) in best.1.metrics.figures.iter() {
        let interface = key.strip_prefix("peak_moment_at_").and_then(|rest| rest.strip_suffix("_n_m"));
        keys.extend(
            interface
                .map(|name| (key.to_owned(), format!("loads the {} less", name.replace('_', " ")), " N m")),
        );
    }
    let better = |(key, verb, unit): &(String, String, &str)| {
        let of =
            |option: &(&str, &Flown)| option.1.metrics.figures.get(key).filter(|value| value.is_finite());
        let own = of(best)?;
        let (value, other) = met
            .iter()
            .filter_map(|option| Some((of(option).filter(|value| *value > 0.0)?, option.0)))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        (value < own * (1.0 - WORTH_A_WORD))
            .then(|| format!("; {other} {verb}: {}{unit} against {}{unit}", number(value), number(own)))
    };
    keys.iter().filter_map(better).collect()
}

/// What makes options less than comparable.
fn differences(options: &[(Scenario, Vec<Flown>)]) -> Vec<String> {
    let Some(((first, _), rest)) = options.split_first() else { return Vec::new() };
    let said = |(other, _): &(Scenario, Vec<Flown>)| {
        let what = first.differences(other);
        let words = format!("{} and {} have different {}", first.name, other.name, what.join(", "));
        (!what.is_empty()).then_some(words)
    };
    rest.iter().filter_map(said).collect()
}

fn summary(named: &[(&str, &Flown)], sentence: &str, cautions: &[String], seed: u64) -> serde_json::Value {
    let options: Vec<_> =
        named.iter().map(|(name, flown)| json!({"option": name, "summary": flown.summary})).collect();
    let met = named.iter().all(|(_, flown)| flown.verdict.met);
    json!({
        "verdict": if met { "met" } else { "missed" },
        "sentence": sentence,
        "differences": cautions,
        "seed": seed,
        "options": options,
    })
}

fn show(
    options: &[(Scenario, Vec<Flown>)],
    named: &[(&str, &Flown)],
    sentence: &str,
    cautions: &[String],
    console: &mut Console<'_>,
) -> Result<()> {
    console.line(sentence)?;
    for caution in cautions {
        console.line(&format!("Not the same task: {caution}."))?;
    }
    run::figures_side_by_side(named, console)?;
    let strips: Vec<(&Scenario, &[Flown])> = options.iter().map(|(s, f)| (s, f.as_slice())).collect();
    run::pictures(&strips, console)?;
    console.line("")
}

fn write(
    folder: &Folder,
    options: &[(Scenario, Vec<Flown>)],
    named: &[(&str, &Flown)],
    sentence: &str,
    cautions: &[String],
) -> Result<()> {
    let seed = options[0].0.seed;
    folder.write_summary(&summary(named, sentence, cautions, seed))?;
    let flights: Vec<Vec<Flight>> = options
        .iter()
        .map(|(scenario, flown)| {
            let flight = |f| -> Result<Flight<'_>> {
                let f: &Flown = f;
                Ok(Flight { record: &f.record, summary: &f.summary, stack: picture(scenario, f)? })
            };
            flown.iter().map(flight).collect()
        })
        .collect::<Result<_>>()?;
    let compared: Vec<ComparedOption> = options
        .iter()
        .zip(&flights)
        .map(|((scenario, _), flights)| ComparedOption { scenario, flights })
        .collect();
    folder.write("report.html", &comparison_report(&compared))
}
