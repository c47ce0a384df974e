//! The command line: words in, a verdict and an exit code out.
//!
//! Everything goes through a [`Console`], so that tests run the program in their own process.

mod authority_text;
mod certificates;
mod compare;
mod console;
mod flights;
mod pace;
mod run;
mod select_text;
mod table_text;
mod text;

use std::ffi::OsString;
use std::io::Write;
use std::path::PathBuf;

use anyhow::Result;
use clap::{Args, Parser, Subcommand};

pub use console::Console;
use serde::Serialize;
use serde_json::json;
pub(crate) use text::{columns, number};

use crate::output::Folder;
use crate::verdict::EXIT_COULD_NOT_RUN;

/// Shown under every result and in the help.
pub const CAUTION: &str = "Caution: helps to plan and verify, not qualified for flight. Results hold only for the \
model given; the vehicle's own flight rules and the responsible control authority come first.";

/// Holds a stack whose centre of mass has left the jets' design point, in closed loop, with a verdict.
#[derive(Debug, Parser)]
#[command(name = "stackhold", version, about, long_about = None, after_help = AFTER_HELP)]
struct Words {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    common: Common,
}

const AFTER_HELP: &str = "A SCENARIO is a TOML file or the name of one that comes with the program. Without a \
command the demonstration is flown.\nExit code: 0 all requirements met, 1 one missed, 2 could not run.\n\
Caution: helps to plan and verify, not qualified for flight.";

#[derive(Clone, Debug, Args)]
struct Common {
    /// Print one JSON document instead of text (stable keys, units in the keys).
    #[arg(long, global = true)]
    json: bool,
    /// Write the results as files into this folder.
    #[arg(long, global = true, value_name = "DIR")]
    out: Option<PathBuf>,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Fly a scenario and its variants in closed loop and judge its requirements.
    Run(RunWords),
    /// What the jets can do about the actual centre of mass.
    Authority(AuthorityWords),
    /// Which jets, how long, for one impulse: the kernel's own selection.
    Select(SelectWords),
    /// Fly several scenarios with the same seed and show them side by side.
    Compare(CompareWords),
    /// Write a scenario's flight table for the board, with a listing, or read one back.
    Table(TableWords),
}

#[derive(Debug, Default, Args)]
struct RunWords {
    /// Scenario file, or the name of one that comes with the program (default: the demonstration).
    scenario: Option<String>,
    /// Use this seed instead of the scenario's.
    #[arg(long)]
    seed: Option<u64>,
    /// Write certificates of a sample of its jet selections and of its propellant bound into this new or
    /// empty folder; tests/certificates/check.py confirms them.
    #[arg(long, value_name = "DIR")]
    certificates: Option<PathBuf>,
    /// Fly at the pace of the wall clock, for rehearsal: the scenario's own flight alone.
    #[arg(long, conflicts_with = "certificates")]
    real_time: bool,
}

#[derive(Debug, Args)]
struct AuthorityWords {
    /// Scenario file, or the name of one that comes with the program.
    scenario: String,
    /// The stack and knowledge of this variant of it.
    #[arg(long, value_name = "NAME")]
    variant: Option<String>,
    /// Rate change that the on-times per axis are for, deg/s.
    #[arg(long, default_value_t = 0.1, value_name = "DEG_S", value_parser = positive)]
    rate_change_deg_s: f64,
}

#[derive(Debug, Args)]
struct SelectWords {
    /// Scenario file, or the name of one that comes with the program.
    scenario: String,
    /// The stack and knowledge of this variant of it.
    #[arg(long, value_name = "NAME")]
    variant: Option<String>,
    /// Wanted angular impulse about the centre of mass, body axes, N·m·s.
    #[arg(long, value_name = "X,Y,Z", allow_hyphen_values = true, value_parser = vector)]
    angular_impulse: Vector,
    /// Wanted linear impulse, body axes, N·s; left free when not given.
    #[arg(long, value_name = "X,Y,Z", allow_hyphen_values = true, value_parser = vector)]
    linear_impulse: Option<Vector>,
    /// Longest on-time of a jet, s (default: as many control cycles as it takes).
    #[arg(long, value_name = "SECONDS", value_parser = positive)]
    within_s: Option<f64>,
    /// Write problem, answer and multipliers into this new file; tests/certificates/check.py confirms them.
    #[arg(long, value_name = "FILE")]
    certificate: Option<PathBuf>,
}

#[derive(Debug, Args)]
struct CompareWords {
    /// Scenario files or names; a single one is compared with its own variants.
    #[arg(required = true, value_name = "SCENARIO")]
    scenarios: Vec<String>,
    /// Seed of every flight (default: the first scenario's).
    #[arg(long)]
    seed: Option<u64>,
}

#[derive(Debug, Args)]
struct TableWords {
    /// Scenario the table is made of, or held against: a file, or the name of one that comes with the program.
    scenario: Option<String>,
    /// The stack and knowledge of this variant of it.
    #[arg(long, value_name = "NAME", requires = "scenario")]
    variant: Option<String>,
    /// Sequence number instead of the scenario's; a board takes no table that is not above the one in force.
    #[arg(long, value_name = "NUMBER", requires = "scenario", value_parser = clap::value_parser!(u32).range(1..))]
    sequence: Option<u32>,
    /// Read this flight table back.
    #[arg(long, value_name = "FILE")]
    inspect: Option<PathBuf>,
}

/// Three components.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Vector([f64; 3]);

fn vector(text: &str) -> Result<Vector, String> {
    let parts: Vec<&str> = text.split(',').map(str::trim).collect();
    let [x, y, z] = parts.as_slice() else {
        return Err(format!("{} numbers; three are wanted, as in 0,40,-2.5", parts.len()));
    };
    let number = |part: &str| match part.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        _ => Err(format!("{part:?} is not a finite number")),
    };
    Ok(Vector([number(x)?, number(y)?, number(z)?]))
}

fn positive(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err(format!("{text:?} is not a number above zero")),
    }
}

/// Runs the program.
///
/// * `words` — the command line, program name first.
///
/// Returns the exit code: 0 requirements met (or a question answered), 1 missed, 2 could not run.
pub fn main_with_args<I>(words: I, console: &mut Console<'_>) -> i32
where
    I: IntoIterator,
    I::Item: Into<OsString> + Clone,
{
    let words = match Words::try_parse_from(words) {
        Ok(words) => words,
        Err(error) => return console.usage(&error),
    };
    match obey(words, console) {
        Ok(code) => code,
        Err(error) => {
            console.error(&error);
            EXIT_COULD_NOT_RUN
        }
    }
}

/// The same with plain writers: no terminal, no colour, no progress.
pub fn main_with_writers<I>(words: I, out: &mut dyn Write, err: &mut dyn Write) -> i32
where
    I: IntoIterator,
    I::Item: Into<OsString> + Clone,
{
    main_with_args(words, &mut Console::plain(out, err))
}

/// Answers a question: as `summary.json` in the folder, if one is wanted, and on the terminal as JSON, or as text that
/// ends with `last`.
fn tell<T: Serialize>(
    found: &T,
    folder: Option<&Folder>,
    common: &Common,
    console: &mut Console<'_>,
    show: impl FnOnce(&T, &mut Console<'_>) -> Result<()>,
    last: Option<String>,
) -> Result<i32> {
    let summary = json!(found);
    if let Some(folder) = folder {
        folder.write_summary(&summary)?;
    }
    if common.json {
        console.line(&format!("{summary:#}"))?;
        return Ok(0);
    }
    show(found, console)?;
    if let Some(folder) = folder {
        console.line(&format!("Wrote summary.json into {}.", folder.path().display()))?;
    }
    if let Some(line) = last {
        console.line(&line)?;
    }
    console.line(CAUTION)?;
    Ok(0)
}

fn obey(words: Words, console: &mut Console<'_>) -> Result<i32> {
    let common = words.common;
    match words.command.unwrap_or(Command::Run(RunWords::default())) {
        Command::Run(run) => {
            let scenario = run.scenario.as_deref();
            if run.real_time {
                run::rehearse(scenario, run.seed, &common, console)
            } else {
                run::run(scenario, run.seed, run.certificates.as_deref(), &common, console)
            }
        }
        Command::Authority(asked) => {
            let of = (asked.scenario.as_str(), asked.variant.as_deref());
            authority_text::authority(of, asked.rate_change_deg_s, &common, console)
        }
        Command::Select(asked) => {
            let linear = asked.linear_impulse.map(|v| v.0);
            select_text::select(
                (&asked.scenario, asked.variant.as_deref()),
                asked.angular_impulse.0,
                linear,
                asked.within_s,
                asked.certificate.as_deref(),
                &common,
                console,
            )
        }
        Command::Table(asked) => {
            let asked = table_text::Asked {
                scenario: asked.scenario.as_deref(),
                variant: asked.variant.as_deref(),
                sequence: asked.sequence,
                inspect: asked.inspect.as_deref(),
            };
            table_text::table(&asked, &common, console)
        }
        Command::Compare(asked) => compare::compare(&asked.scenarios, asked.seed, &common, console),
    }
}
