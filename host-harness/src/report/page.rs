//! The page around the sections.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::charts::Pictures;
use super::lane::Lane;
use super::{
    asked, data, flown, interfaces, jets, margins, partings, provenance, stack_view, verdict_words, words,
};

/// Which report it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// One scenario with its variants.
    Run,
    /// Several options.
    Comparison,
}

const STYLE: &str = include_str!("../../assets/report.css");
const SCRIPT: &str = include_str!("../../assets/report.js");
const PLOT_STYLE: &str = include_str!("../../assets/uplot/uPlot.min.css");
const PLOT_SCRIPT: &str = include_str!("../../assets/uplot/uPlot.iife.min.js");
const PLOT_LICENCE: &str = include_str!("../../assets/uplot/LICENSE");
/// Nothing but what the page carries may load.
const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:";

/// A section: anchor, heading, content.
struct Section {
    anchor: &'static str,
    heading: &'static str,
    content: Markup,
}

/// The page.
pub fn render(title: &str, kind: Kind, lanes: &[Lane<'_>]) -> String {
    let mut pictures = Pictures::default();
    pictures.data.duration_s = lanes.iter().map(|lane| lane.scenario.duration_s).fold(0.0, f64::max);
    let sections = sections(kind, lanes, &mut pictures);
    let title = words::title(title);
    let what = if kind == Kind::Run { "Run report" } else { "Comparison of options" };
    let page = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta name="color-scheme" content="light dark";
                title { (title) " – " (what) " – Stackhold" }
                style { (PreEscaped(PLOT_STYLE)) (PreEscaped(STYLE)) }
            }
            body {
                a.skip href="#verdict" { "Skip to the verdict" }
                header {
                    p.kind { (what) }
                    h1 { (title) }
                    @if kind == Kind::Run && let Some(lane) = lanes.first() {
                        p.lead { (lane.scenario.description) }
                    }
                    p.fine { (identity_line(lanes)) }
                    nav aria-label="Sections" { ul {
                        @for section in &sections {
                            li { a href=(format!("#{}", section.anchor)) { (section.heading) } }
                        }
                    } }
                }
                main {
                    @for section in &sections {
                        section id=(section.anchor) aria-labelledby=(format!("{}-heading", section.anchor)) {
                            h2 id=(format!("{}-heading", section.anchor)) { (section.heading) }
                            (section.content)
                        }
                    }
                }
                footer {
                    p { "Pictures over time are drawn by uPlot (MIT licence)." }
                    details { summary { "Licence of uPlot" } pre { (PLOT_LICENCE) } }
                }
                script type="application/json" id="report-data" { (data::embed(&pictures.data)) }
                script { (PreEscaped(PLOT_SCRIPT)) }
                script { (PreEscaped(SCRIPT)) }
            }
        }
    };
    page.into_string()
}

fn identity_line(lanes: &[Lane<'_>]) -> String {
    let mut seeds: Vec<u64> = lanes.iter().map(|lane| lane.scenario.seed).collect();
    seeds.dedup();
    let seeds: Vec<String> = seeds.iter().map(u64::to_string).collect();
    let longest = lanes.iter().map(|lane| lane.scenario.duration_s).fold(0.0, f64::max);
    let word = if seeds.len() > 1 { "different seeds" } else { "seed" };
    let flights = if lanes.len() == 1 { "one flight".to_owned() } else { format!("{} flights", lanes.len()) };
    format!("{flights} · {} simulated · {word} {}", words::time_span(longest), seeds.join(", "))
}

fn sections(kind: Kind, lanes: &[Lane<'_>], pictures: &mut Pictures) -> Vec<Section> {
    let section = |anchor, heading, content| Section { anchor, heading, content };
    let parted = lanes.iter().any(|lane| !lane.flight.record.partings.is_empty());
    let mut sections = vec![
        section("verdict", "Verdict", verdict(kind, lanes)),
        section("requirements", "Requirements", verdict_words::requirement_table(lanes)),
        section("asked", "What was asked", asked(lanes)),
        section("stack", "The stack and its jets", stack(lanes)),
        section("margins", "Sign margins", margins::section(lanes)),
        section("pointing", "Pointing", pointing(lanes, pictures)),
        section("jets", "Jets and propellant", jet_use(lanes, pictures)),
        section("interfaces", "Interface loads", interfaces::section(lanes)),
        section("kernel", "What the kernel knew", flown::kernel(lanes, pictures)),
        section("figures", "All figures", verdict_words::figure_table(lanes)),
        section("again", "How to fly it again", provenance::section(lanes)),
    ];
    if parted {
        let place = sections.iter().position(|section| section.anchor == "jets").unwrap_or(sections.len());
        sections.insert(place, section("release", "Release", partings::section(lanes, pictures)));
    }
    sections
}

fn verdict(kind: Kind, lanes: &[Lane<'_>]) -> Markup {
    html! {
        @if kind == Kind::Comparison {
            div.readout { @for sentence in verdict_words::read_out(lanes) { p { (sentence) } } }
            @for warning in verdict_words::unlike(lanes) { p.warn { (warning) } }
        }
        div class=(flown::columns(lanes)) { @for lane in lanes { (verdict_words::verdict(lane)) } }
        (cautions())
    }
}

/// What every reader must know before acting on the page.
fn cautions() -> Markup {
    html! {
        aside.cautions aria-labelledby="cautions-heading" {
            h3 id="cautions-heading" { "Cautions" }
            ul {
                li { "Not qualified for flight. For planning and verification only." }
                li { "The results hold only for the model given here: bodies, jets, sensors and disturbances as listed." }
                li {
                    "Independent verification, the vehicle's own flight rules, range and launch safety law, and the "
                    "responsible control authority come first."
                }
                li { "Jets and propellants can kill. Hands-on propulsion work belongs to certified people." }
            }
        }
    }
}

/// The lanes that fly one scenario, in order, scenario by scenario.
fn by_scenario<'l, 'a>(lanes: &'l [Lane<'a>]) -> Vec<&'l [Lane<'a>]> {
    lanes.chunk_by(|a, b| std::ptr::eq(a.scenario, b.scenario)).collect()
}

fn asked(lanes: &[Lane<'_>]) -> Markup {
    let groups = by_scenario(lanes);
    let first = lanes.first().map(|lane| lane.scenario);
    html! {
        @for group in &groups {
            @if let Some(lane) = group.first() {
                @if groups.len() > 1 {
                    h3 { (words::title(&lane.scenario.name)) }
                    p { (lane.scenario.description) }
                }
                (asked::scenario(lane.scenario, first.filter(|first| !std::ptr::eq(*first, lane.scenario))))
            }
        }
        h3 { "Told and true" }
        (asked::told_and_true(lanes))
    }
}

/// One picture and one table of jets for each stack that differs.
fn stack(lanes: &[Lane<'_>]) -> Markup {
    let mut groups: Vec<Vec<&Lane<'_>>> = Vec::new();
    for lane in lanes {
        let same = |group: &&mut Vec<&Lane<'_>>| {
            group.first().is_some_and(|first| {
                let (a, b) = (&first.flight.stack, &lane.flight.stack);
                a.bodies == b.bodies
                    && a.centre_of_mass_m == b.centre_of_mass_m
                    && first.scenario.vehicle == lane.scenario.vehicle
                    && first.scenario.disturbances == lane.scenario.disturbances
            })
        };
        match groups.iter_mut().find(same) {
            Some(group) => group.push(lane),
            None => groups.push(vec![lane]),
        }
    }
    html! { @for group in &groups { (one_stack(group)) } }
}

fn one_stack(group: &[&Lane<'_>]) -> Markup {
    let Some(lane) = group.first() else { return html! {} };
    let stack = &lane.flight.stack;
    let titles: Vec<&str> = group.iter().map(|lane| lane.title.as_str()).collect();
    let (actual, design) = (stack.centre_of_mass_m, stack.design_centre_of_mass_m);
    let shift: [f64; 3] = std::array::from_fn(|axis| actual[axis] - design[axis]);
    let absent: Vec<String> = lane
        .scenario
        .vehicle
        .bodies
        .iter()
        .filter(|body| !stack.bodies.contains(&body.name))
        .map(|body| words::plain(&body.name))
        .collect();
    html! {
        figure {
            div.scroll tabindex="0" { (stack_view::draw(lane.scenario, stack, &stack_view::told_marks(group))) }
            figcaption {
                b { (titles.join("; ")) ". " }
                "Three views to one scale, structural axes, at the start. The actual centre of mass lies "
                (words::vector(shift)) " m from the one the jets were laid out for, "
                (words::number(stack_view::distance(actual, design))) " m away. Arrows grow with thrust. "
                @if !absent.is_empty() { "Not there in this flight: " (absent.join(", ")) "." }
            }
        }
        (jets::jets(lane))
    }
}

fn pointing(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        h3 { "Phase planes" }
        (flown::phase_planes(lanes))
        h3 { "Histories" }
        (tools(lanes.iter().any(|lane| lane.wide)))
        (flown::errors(lanes, pictures))
        (flown::rates(lanes, pictures))
        (flown::slews(lanes, pictures))
        (flown::burns(lanes, pictures))
        (flown::rotations(lanes, pictures))
    }
}

/// Controls of all histories; they work by keyboard too.
fn tools(wide: bool) -> Markup {
    html! {
        noscript { p.warn { "The histories below are drawn by a script; without it the tables and the phase planes remain." } }
        div.tools role="group" aria-label="Time window of all histories" {
            button type="button" data-do="earlier" { "Earlier" }
            button type="button" data-do="later" { "Later" }
            button type="button" data-do="closer" { "Closer" }
            button type="button" data-do="wider" { "Wider" }
            button type="button" data-do="whole" { "Whole run" }
            label { "Time " input #cursor-time type="range" min="0" max="1000" value="0" step="1"; }
            output #cursor-read {}
            @if wide {
                label { input #common-scale type="checkbox"; " one scale for all flights" }
            }
        }
        p.fine.screen {
            "Drag across a history to look closer, double-click for the whole run; the cursor runs through all of them, "
            "and through the phase planes. Long histories are thinned; the least and greatest sample of every stretch is kept."
        }
    }
}

fn jet_use(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        (flown::firings(lanes, pictures))
        (flown::propellant(lanes, pictures))
        (jets::usage(lanes))
    }
}
