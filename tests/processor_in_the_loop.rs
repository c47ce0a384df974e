//! Flies a scenario and its variants twice, with the kernel in this process and with the kernel on a board, and
//! compares what the flights leave behind, bit for bit. `tests/on-target/verify loop` calls it.

use std::process::ExitCode;
use std::time::Instant;

use anyhow::{Context, Result};
use stackhold_harness::board::child::{BoardKernel, Limits};
use stackhold_harness::closed_loop::{fly, fly_on};
use stackhold_harness::output::summary;
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::{Scenario, Told};
use stackhold_harness::{metrics, verdict};

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let [scenario, command @ ..] = words.as_slice() else {
        eprintln!("usage: processor_in_the_loop SCENARIO PROGRAM [ARGUMENT]...");
        return ExitCode::from(2);
    };
    match compare(scenario, command) {
        Ok(true) => ExitCode::SUCCESS,
        Ok(false) => ExitCode::from(1),
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::from(2)
        }
    }
}

/// Whether all flights of a scenario are the same on the board.
fn compare(scenario: &str, command: &[String]) -> Result<bool> {
    let scenario = load_embedded(scenario)?;
    let mut same = true;
    for (name, stack, told) in flights(&scenario) {
        let host = fly(&scenario, &stack, &told, &name, &mut |_| {})?;
        let began = Instant::now();
        let seat = |table: &_| BoardKernel::start(command, &name, table, Limits::default());
        let (board, kernel) = fly_on(&scenario, &stack, &told, &name, &mut |_| {}, seat)
            .with_context(|| format!("flight {name} with the kernel on the board"))?;
        let cycles = kernel.end()?;
        let [host, board] = [host, board].map(|record| told_all(&scenario, &stack, &told, record));
        let (host, board) = (host?, board?);
        let equal = host == board;
        println!(
            "{name:<32} {cycles:>6} cycles, {:>6} selections, commands {:016x}: summary {} ({:.0} s)",
            board.0.selections.checked,
            board.0.command_hash,
            if equal { "identical" } else { "DIFFERENT" },
            began.elapsed().as_secs_f64()
        );
        if let Some((host, board)) = host.1.lines().zip(board.1.lines()).find(|(host, board)| host != board) {
            println!("first in\n  host  {host}\n  board {board}");
        }
        same &= equal;
    }
    Ok(same)
}

/// The scenario's own flight and its variants: name, bodies, what the kernel is told.
fn flights(scenario: &Scenario) -> Vec<(String, Vec<String>, Told)> {
    let own = ("told_truth".to_owned(), scenario.stack.clone(), scenario.told.clone());
    let variants = scenario.variants.iter().map(|variant| {
        let (stack, told) = scenario.as_flown_in(variant);
        (variant.name.clone(), stack, told)
    });
    std::iter::once(own).chain(variants).collect()
}

/// The record with its wall time taken out, and the summary of it as it is written.
fn told_all(
    scenario: &Scenario,
    stack: &[String],
    told: &Told,
    record: RunRecord,
) -> Result<(RunRecord, String)> {
    let record = RunRecord { wall_s: 0.0, ..record };
    let metrics = metrics::measure(scenario, stack, &record)?;
    let verdict = verdict::judge(&scenario.requirements, &metrics.figures);
    let summary = summary(scenario, stack, told, &record, &metrics, &verdict, "processor in the loop");
    Ok((record, format!("{summary:#}")))
}
