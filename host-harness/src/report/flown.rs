//! What was flown: phase planes and histories, one column per lane on common scales.

use maud::{Markup, html};

use super::charts::{self, Pictures};
use super::data::Panel;
use super::decimate::range;
use super::lane::Lane;
use super::phase_plane;
use super::words::{self, AXES};
use crate::held::{Kept, Span};
use crate::scenario::model::Mode;

/// Phase planes of all lanes.
pub fn phase_planes(lanes: &[Lane<'_>]) -> Markup {
    let windows =
        |wide: bool| -> Vec<_> { (0..3).map(|axis| phase_plane::window(lanes, axis, wide)).collect() };
    let (normal, wide) = (windows(false), windows(true));
    if normal.iter().chain(&wide).all(Option::is_none) {
        return html! { p { "No commanded attitude was held or watched, so there is no phase plane." } };
    }
    html! {
        @for (number, lane) in lanes.iter().enumerate() {
            figure {
                div.planes {
                    @for (axis, window) in (if lane.wide { &wide } else { &normal }).iter().enumerate() {
                        @if let Some(window) = window { (phase_plane::draw(lane, number, axis, *window)) }
                    }
                }
                figcaption {
                    b { (lane.title) ". " }
                    "Rate over attitude error while an attitude is held" @if is_watched(lane) { " or watched" } "; time runs clockwise. "
                    @if lane.slews() { "A slew is shown once it has arrived. " }
                    "Ring: start. Square: end. Dashed: " (dashed(lane)) ". "
                    (scales(lanes, lane))
                }
            }
        }
    }
}

/// What to know about a flight's scales beside the others'.
fn scales(lanes: &[Lane<'_>], lane: &Lane<'_>) -> Markup {
    let mixed = lanes.iter().any(|lane| lane.wide);
    html! {
        @if lane.wide { b { "Wider scales than the first flight's: it strays much further." } }
        @else if mixed { "Flights that stray much further have wider scales." }
        @else if lanes.len() > 1 { "All flights on the same scales." }
    }
}

fn is_watched(lane: &Lane<'_>) -> bool {
    lane.spans().iter().any(|span| span.kept == Kept::Watched)
}

/// What the dashed uprights of a lane's phase planes stand for.
fn dashed(lane: &Lane<'_>) -> String {
    let mut said: Vec<String> = Vec::new();
    for Span { kept, angle_rad, .. } in lane.spans() {
        let name = words::limit(kept, "deadband half-width");
        let text = format!("{name} {}°", words::vector(words::degrees(angle_rad)));
        if !said.contains(&text) {
            said.push(text);
        }
    }
    said.join(", then ")
}

/// Classes of a row that holds one thing per lane.
pub fn columns(lanes: &[Lane<'_>]) -> &'static str {
    match lanes.len() {
        0 | 1 => "row",
        2 | 4 => "row two",
        _ => "row three",
    }
}

/// A row of panels that show the same thing for every lane.
pub(super) fn row(
    lanes: &[Lane<'_>],
    pictures: &mut Pictures,
    what: &str,
    make: impl Fn(&Lane<'_>) -> Panel,
) -> Markup {
    html! {
        div class=(columns(lanes)) {
            @for (number, lane) in lanes.iter().enumerate() {
                @let panel = make(lane);
                @let label = describe(lane, what, &panel);
                (chart(pictures.panel(panel), number, lane, what, &label))
            }
        }
    }
}

fn chart(place: usize, lane_number: usize, lane: &Lane<'_>, what: &str, label: &str) -> Markup {
    html! {
        div.chart data-panel=(place) data-lane=(lane_number) {
            div.charthead { span.what { (what) " · " (lane.title) @if lane.wide { " (wider scale)" } } output.read aria-hidden="true" {} }
            div.canvas role="img" aria-label=(label) {}
        }
    }
}

fn describe(lane: &Lane<'_>, what: &str, panel: &Panel) -> String {
    let said: Vec<String> = panel
        .lines
        .iter()
        .filter_map(|line| {
            let (low, high) = range(&line.y)?;
            let end = line.y.iter().rev().find(|value| !value.is_nan())?;
            Some(format!(
                "{} between {} and {}, at the end {}",
                line.label,
                words::number(low),
                words::with_unit(high, &panel.unit),
                words::with_unit(*end, &panel.unit)
            ))
        })
        .collect();
    format!("{what} over time, {}: {}", lane.title, said.join("; "))
}

/// Attitude error about each axis over time; nothing where no attitude was commanded.
pub fn errors(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    if lanes.iter().all(|lane| lane.all_spans().is_empty()) {
        return html! {};
    }
    html! {
        figure data-figure="error" {
            @for axis in 0..3 {
                (row(lanes, pictures, &format!("Error in {}", AXES[axis]), |lane| charts::error_panel(lane, axis)))
            }
            figcaption {
                "True attitude error over time. Dashed: deadband half-width"
                @if lanes.iter().any(is_watched) { ", and what wakes a watch" } "."
                @if lanes.iter().any(Lane::is_led) {
                    " Dashed line on the way of a slew, in a burn, and by hand: the kernel's estimate of the error from the path that it follows, from where thrust is to point, or "
                    "from where the pilot left an axis; none about axes that the pilot turns."
                }
            }
        }
    }
}

/// Body rate about each axis over time.
pub fn rates(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        figure data-figure="rate" {
            @for axis in 0..3 {
                (row(lanes, pictures, &format!("Rate in {}", AXES[axis]), |lane| charts::rate_panel(lane, axis)))
            }
            figcaption {
                "Body rate over time. Solid: true. Dashed line: the kernel's estimate."
                @if lanes.iter().any(|lane| lane.all_spans().iter().any(|span| span.kept == Kept::ByHand)) {
                    " Dotted line: what the hand controller asks for."
                }
                @if lanes.iter().any(|lane| !lane.spans().is_empty()) {
                    " Dashed across, where the picture reaches so far: rate limit of a hold"
                    @if lanes.iter().any(is_watched) { ", and what wakes a watch" } "."
                }
            }
        }
    }
}

/// How far slews still have to turn and how fast they turn over time; nothing where there are none.
pub fn slews(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    if !lanes.iter().any(Lane::slews) {
        return html! {};
    }
    html! {
        figure data-figure="slew" {
            (row(lanes, pictures, "Still to turn", |lane| charts::slew_panel(lane, false)))
            (row(lanes, pictures, "Rate of the turn", |lane| charts::slew_panel(lane, true)))
            figcaption {
                "Slews: true angle from the commanded attitude, and size of the true body rate. Dashed: rate limit of a quick slew "
                "about its axis; what keeps it on its path comes on top. "
                "Upright: arrival, within the deadband and almost at rest; without it there was none before the next mode."
            }
        }
    }
}

/// The main engine's gimbal over time; nothing where there is no burn.
pub fn burns(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    let burns =
        |lane: &Lane<'_>| lane.scenario.phases.iter().any(|phase| matches!(phase.mode, Mode::Burn { .. }));
    if !lanes.iter().any(burns) {
        return html! {};
    }
    html! {
        figure data-figure="burn" {
            (row(lanes, pictures, "Gimbal", charts::gimbal_panel))
            figcaption {
                "Main-engine burns: true angles of the gimbal from the command of the burn on. Before the thrust it goes to its trim through the "
                "centre of mass; then it steers. Dashed: its stops. Upright: first and last thrust."
            }
        }
    }
}

/// Nutation and stray of slow rotations over time; nothing where none was asked for.
pub fn rotations(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    let rotates =
        |lane: &Lane<'_>| lane.scenario.phases.iter().any(|phase| matches!(phase.mode, Mode::Rotate { .. }));
    if !lanes.iter().any(rotates) {
        return html! {};
    }
    html! {
        figure data-figure="rotation" {
            (row(lanes, pictures, "Nutation", |lane| charts::rotation_panel(lane, false)))
            (row(lanes, pictures, "Stray of the axis", |lane| charts::rotation_panel(lane, true)))
            figcaption {
                "Slow rotation while it is left alone: true angle between the free axis and the angular momentum, and angle of "
                "the angular momentum in inertial space from where it was when the rotation was last set up. Nothing turns it back: "
                "it is counted anew from there. Dashed: limit."
            }
        }
    }
}

/// Jet firings, propellant, velocity, the kernel's view and its status over time.
pub fn firings(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        figure data-figure="firings" {
            div class=(columns(lanes)) { @for (number, lane) in lanes.iter().enumerate() {
                @let strip = charts::firing_strip(lane);
                @let pulses: f64 = strip.rows.iter().flat_map(|row| &row.spans).map(|span| span[2]).sum();
                @let label = format!("Jet firings, {}: {} pulses in all; see the table of jets", lane.title, pulses);
                (strip_chart(pictures.strip(strip), number, lane, "Jet firings", &label))
            } }
            figcaption {
                "Open valves over time, one line per jet. Pulses too close to be seen apart are drawn as one; "
                "the read-out counts them."
            }
        }
    }
}

fn strip_chart(place: usize, number: usize, lane: &Lane<'_>, what: &str, label: &str) -> Markup {
    html! {
        div.chart data-strip=(place) data-lane=(number) {
            div.charthead { span.what { (what) " · " (lane.title)  } output.read aria-hidden="true" {} }
            div.canvas role="img" aria-label=(label) {}
        }
    }
}

/// Propellant used against the theoretical bound, and the velocity gathered.
pub fn propellant(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        figure data-figure="propellant" {
            (row(lanes, pictures, "Propellant used", charts::propellant_panel))
            figcaption {
                "Propellant used over time. Dashed: the theoretical lower bound for the torque this run really saw, "
                "for the whole run; the curve should end little above it. Without a dashed line no bound was proven."
            }
        }
        figure data-figure="velocity" {
            (row(lanes, pictures, "Velocity gathered", charts::velocity_panel))
            figcaption { "Velocity of the centre of mass gathered since the start, inertial axes." }
        }
    }
}

/// The kernel's status and its estimate of the standing push.
pub fn kernel(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    html! {
        figure data-figure="status" {
            div class=(columns(lanes)) { @for (number, lane) in lanes.iter().enumerate() {
                @let strip = charts::status_strip(lane);
                @let names: Vec<String> = strip.rows.iter().map(|row| row.label.clone()).collect();
                @let label = format!("Kernel status over time, {}: {}", lane.title, names.join(", "));
                (strip_chart(pictures.strip(strip), number, lane, "Kernel status", &label))
            } }
            figcaption { "Kernel status over time; only those that occurred. Stretches too close to be seen apart are drawn as one." }
        }
        (status_table(lanes))
        figure data-figure="disturbance" {
            (row(lanes, pictures, "Standing push as the kernel estimates it", charts::disturbance_panel))
            figcaption { "Angular acceleration of the standing push as the kernel estimates it, millionths of a degree per second squared." }
        }
    }
}

fn status_table(lanes: &[Lane<'_>]) -> Markup {
    html! {
        div.scroll { table {
            caption { "Cycles spent in each status." }
            thead { tr {
                th scope="col" { "Flight" } th scope="col" { "Status" } th scope="col" { "Meaning" }
                th.n scope="col" { "Cycles" } th.n scope="col" { "Share" }
            } }
            tbody { @for lane in lanes {
                @let all: u64 = lane.flight.record.status_cycles.iter().map(|(_, cycles)| cycles).sum();
                @for (status, cycles) in &lane.flight.record.status_cycles { tr {
                    td { (lane.title) }
                    th scope="row" { (words::status(*status)) }
                    td { (words::status_meaning(*status)) }
                    td.n { (cycles) }
                    td.n { (words::number(*cycles as f64 * 100.0 / all.max(1) as f64)) " %" }
                } }
            } }
        } }
    }
}
