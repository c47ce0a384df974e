//! How to make the same page again: seed, versions, identities, command.

use maud::{Markup, html};
use serde_json::Value;

use super::lane::Lane;
use super::words;

/// Identity of every flight and the commands that reproduce them.
pub fn section(lanes: &[Lane<'_>]) -> Markup {
    html! {
        div.scroll { table {
            caption { "Identity of each flight. Equal command hashes mean equal valve commands, bit for bit." }
            thead { tr {
                th scope="col" { "Flight" } th scope="col" { "Scenario" } th.n scope="col" { "Seed" }
                th scope="col" { "Table identity" } th scope="col" { "Command hash" }
                th.n scope="col" { "Simulated" } th.n scope="col" { "Wall time" }
            } }
            tbody { @for lane in lanes { tr {
                th scope="row" { (lane.title) }
                td { code { (lane.scenario.name) } }
                td.n { (lane.scenario.seed) }
                td { code { (format!("{:08x}", lane.flight.record.table_identity)) } }
                td { code { (format!("{:016x}", lane.flight.record.command_hash)) } }
                td.n { (words::time_span(lane.scenario.duration_s)) }
                td.n { (words::with_unit(lane.flight.record.wall_s, "s")) }
            } } }
        } }
        p { "Made by stackhold " (env!("CARGO_PKG_VERSION")) ". To fly it again:" }
        @for command in commands(lanes) { pre { code { (command) } } }
        p.fine {
            "Every cycle and every valve edge, unthinned, is in " code { "states.csv" } " and " code { "valves.csv" }
            " beside this page."
        }
    }
}

/// One command per scenario: the summary's own word for it, or the scenario's file name.
fn commands(lanes: &[Lane<'_>]) -> Vec<String> {
    let own = lanes.iter().filter(|lane| lane.own);
    let mut commands: Vec<String> = own
        .map(|lane| {
            let given = lane.flight.summary.get("command").and_then(Value::as_str);
            given
                .map_or_else(|| format!("stackhold run {}.toml --out DIR", lane.scenario.name), str::to_owned)
        })
        .collect();
    commands.dedup();
    commands
}
