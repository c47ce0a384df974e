//! Loads on the interfaces between bodies, phase by phase, in every lane.

use maud::{Markup, html};

use super::lane::Lane;
use super::words::{self, number};

/// The loads of every lane; says so where there is no interface.
pub fn section(lanes: &[Lane<'_>]) -> Markup {
    if lanes.iter().all(|lane| lane.flight.record.interfaces.is_empty()) {
        let soft = |lane: &Lane<'_>| !(lane.scenario.joints.is_empty() && lane.scenario.sloshes.is_empty());
        return html! { p {
            @if lanes.iter().any(soft) { "Not measured: the stack has sprung joints or liquid that swings, and the loads are those of a rigid one." }
            @else { "No interface with bodies on both sides is named." }
        } };
    }
    html! {
        p {
            "Force and moment between the two sides of each interface as if the stack were rigid, by the accelerations of "
            "both sides; the largest of every phase. A soft joint may feel up to twice as much when a firing starts at once. "
            @if limits(lanes).is_empty() { "Nothing limits these loads when jets are chosen: the scenario names no " code { "[[interface_limit]]" } "." }
        }
        @for limit in limits(lanes) { p { (limit) } }
        div.scroll tabindex="0" { table.interfaces {
            thead { tr {
                th scope="col" { "Flight" } th scope="col" { "Interface" } th.n scope="col" { "Phase from, s" }
                th.n scope="col" { "Largest force, N" } th.n scope="col" { "at, s" }
                th.n scope="col" { "Largest moment, N·m" } th.n scope="col" { "at, s" }
            } }
            tbody { @for lane in lanes { (rows(lane)) } }
        } }
    }
}

/// What interfaces may carry, and which flights choose jets by it.
fn limits(lanes: &[Lane<'_>]) -> Vec<String> {
    let mut sentences: Vec<String> = Vec::new();
    // What one lane says, the next need not say again.
    let mut say = |sentence: String| {
        if !sentences.contains(&sentence) {
            sentences.push(sentence);
        }
    };
    for lane in lanes {
        for limit in &lane.scenario.kernel.trade.interface_limits {
            let name = words::plain(&limit.interface);
            say(format!("The {name} {}.", limit.words(number, "N·m")));
        }
        let variants = &lane.scenario.variants;
        let variant = variants.iter().find(|variant| variant.name == lane.flight.record.name);
        if variant.is_some_and(|variant| !variant.interface_limits_kept) {
            say(format!("{}: jets were chosen without regard to this.", lane.title));
        }
    }
    sentences
}

fn rows(lane: &Lane<'_>) -> Markup {
    let phases = &lane.scenario.phases;
    html! {
        @for loads in &lane.flight.record.interfaces {
            @for (phase, peak) in phases.iter().zip(&loads.phases) { tr {
                th scope="row" { (lane.title) }
                td { (words::plain(&loads.interface)) }
                td.n { (number(phase.start_s)) }
                td.n { (number(peak.force_n)) } td.n { (number(peak.force_at_s)) }
                td.n { (number(peak.moment_n_m)) } td.n { (number(peak.moment_at_s)) }
            } }
        }
    }
}
