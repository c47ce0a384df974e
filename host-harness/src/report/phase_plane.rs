//! Phase planes: rate over error, one axis at a time, drawn as vector pictures that need no script.

use std::fmt::Write as _;

use maud::{Markup, html};

use super::decimate::{keep_rows, range};
use super::lane::Lane;
use super::ticks::{round_ticks, tick_label};
use super::words::{self, TURNS};

/// Size of the picture and of its frame, in the picture's own units.
pub(super) const SIZE: [f64; 2] = [380.0, 290.0];
/// Left, top, right and bottom of the plotting frame.
pub(super) const FRAME: [f64; 4] = [58.0, 12.0, 370.0, 248.0];
/// Stretches a trajectory is cut into when it is thinned.
const STRETCHES: usize = 900;

/// Common limits of one axis: `[least error, greatest error, least rate, greatest rate]`, degrees and
/// degrees a second.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Window(pub(super) [f64; 4]);

/// The window that holds the trajectory and deadband about one axis of all lanes on wide scales, or of
/// all others; `None` where none of them holds or watches an attitude.
pub fn window(lanes: &[Lane<'_>], axis: usize, wide: bool) -> Option<Window> {
    let mut sides = [f64::MAX, f64::MIN, f64::MAX, f64::MIN];
    let mut reach = |place: usize, low: f64, high: f64| {
        sides[place] = sides[place].min(low);
        sides[place + 1] = sides[place + 1].max(high);
    };
    for lane in lanes.iter().filter(|lane| lane.wide == wide) {
        let (error, rate) = held(lane, axis);
        let (Some(errors), Some(rates)) = (range(&error), range(&rate)) else { continue };
        reach(0, errors.0, errors.1);
        reach(2, rates.0, rates.1);
        for span in lane.spans() {
            let half = span.angle_rad[axis].to_degrees();
            reach(0, -half, half);
        }
    }
    let [e0, e1, r0, r1] = sides;
    if e0 > e1 {
        return None;
    }
    let margin = |low: f64, high: f64| ((high - low) * 0.06).max(1e-9);
    let (me, mr) = (margin(e0, e1), margin(r0, r1));
    Some(Window([e0 - me, e1 + me, r0 - mr, r1 + mr]))
}

/// Error and rate while an attitude is held or watched; gaps elsewhere.
fn held(lane: &Lane<'_>, axis: usize) -> (Vec<f64>, Vec<f64>) {
    let error = lane.error_deg(axis);
    let rate = lane.rate_deg_s(axis);
    let rate = rate.iter().zip(&error).map(|(r, e)| if e.is_nan() { f64::NAN } else { *r }).collect();
    (error, rate)
}

/// Maps degrees and degrees a second, or whatever else a window is of, into the picture.
pub(super) struct Map {
    ex: [f64; 2],
    ry: [f64; 2],
}

impl Map {
    pub(super) fn of(Window([e0, e1, r0, r1]): Window) -> Self {
        let [left, top, right, bottom] = FRAME;
        let ex = (right - left) / (e1 - e0);
        let ry = (top - bottom) / (r1 - r0);
        Self { ex: [left - ex * e0, ex], ry: [bottom - ry * r0, ry] }
    }

    pub(super) fn x(&self, error: f64) -> f64 {
        self.ex[0] + self.ex[1] * error
    }

    pub(super) fn y(&self, rate: f64) -> f64 {
        self.ry[0] + self.ry[1] * rate
    }
}

/// One phase plane.
pub fn draw(lane: &Lane<'_>, lane_number: usize, axis: usize, window: Window) -> Markup {
    let map = Map::of(window);
    let (error, rate) = held(lane, axis);
    let mut kept = keep_rows(&[&error, &rate], STRETCHES);
    let wraps = lane.wraps();
    kept.extend(wraps.iter().flat_map(|&row| [row - 1, row]));
    kept.sort_unstable();
    kept.dedup();
    let mut points: Vec<[f64; 2]> = Vec::with_capacity(kept.len());
    for row in kept {
        if wraps.binary_search(&row).is_ok() {
            points.push([f64::NAN; 2]);
        }
        points.push([map.x(error[row]), map.y(rate[row])]);
    }
    let solid: Vec<&[f64; 2]> = points.iter().filter(|point| point[0].is_finite()).collect();
    let label = describe(lane, axis, &error, &rate);
    let [left, top, right, bottom] = FRAME;
    html! {
        svg.plane viewBox=(format!("0 0 {} {}", SIZE[0], SIZE[1])) role="img" aria-label=(label)
            data-lane=(lane_number) data-axis=(axis)
            data-map=(format!("{} {} {} {}", map.ex[0], map.ex[1], map.ry[0], map.ry[1])) {
            (grid(&map, window))
            (limit_lines(lane, axis, &map, window))
            path class=(format!("track ink{}", lane.ink)) d=(path_of(&points)) {}
            rect.frame x=(left) y=(top) width=(right - left) height=(bottom - top) {}
            @if let Some(first) = solid.first() {
                circle.start cx=(tenth(first[0])) cy=(tenth(first[1])) r="4" { title { "start" } }
            }
            @if let Some(last) = solid.last() {
                rect.end x=(tenth(last[0] - 3.5)) y=(tenth(last[1] - 3.5)) width="7" height="7" {
                    title { "end" }
                }
            }
            circle.follow cx="-20" cy="-20" r="4.5" {}
            text.name x=(f64::midpoint(left, right)) y=(SIZE[1] - 6.0) text-anchor="middle" {
                (TURNS[axis]) " error, °"
            }
            text.name x="0" y="0" text-anchor="middle"
                transform=(format!("translate(12 {}) rotate(-90)", f64::midpoint(top, bottom))) {
                (TURNS[axis]) " rate, °/s"
            }
        }
    }
}

fn describe(lane: &Lane<'_>, axis: usize, error: &[f64], rate: &[f64]) -> String {
    let between = |values: &[f64], unit: &str| {
        range(values).map_or_else(
            || "nothing held".to_owned(),
            |(low, high)| format!("from {} to {}", words::with_unit(low, unit), words::with_unit(high, unit)),
        )
    };
    format!(
        "Phase plane of {} for {}: error {}, rate {}",
        words::AXES[axis],
        lane.title,
        between(error, "°"),
        between(rate, "°/s")
    )
}

pub(super) fn grid(map: &Map, Window([e0, e1, r0, r1]): Window) -> Markup {
    let [left, top, right, bottom] = FRAME;
    let (errors, rates) = (round_ticks(e0, e1, 5), round_ticks(r0, r1, 5));
    let step = |ticks: &[f64]| ticks.windows(2).next().map_or(0.0, |pair| pair[1] - pair[0]);
    let (error_step, rate_step) = (step(&errors), step(&rates));
    html! {
        @for error in errors {
            @let x = tenth(map.x(error));
            line.grid x1=(x) x2=(x) y1=(top) y2=(bottom) {}
            text.tick x=(x) y=(bottom + 15.0) text-anchor="middle" { (tick_label(error, error_step)) }
        }
        @for rate in rates {
            @let y = tenth(map.y(rate));
            line.grid x1=(left) x2=(right) y1=(y) y2=(y) {}
            text.tick x=(left - 5.0) y=(y + 3.5) text-anchor="end" { (tick_label(rate, rate_step)) }
        }
    }
}

/// Deadband and, where it is inside the window, rate limit of every hold; the same of what wakes a watch.
fn limit_lines(lane: &Lane<'_>, axis: usize, map: &Map, Window([_, _, r0, r1]): Window) -> Markup {
    let [left, top, right, bottom] = FRAME;
    let mut upright: Vec<(f64, &str)> = Vec::new();
    let mut level: Vec<(f64, &str)> = Vec::new();
    let add = |lines: &mut Vec<(f64, &'static str)>, line: (f64, &'static str)| {
        if !lines.contains(&line) {
            lines.push(line);
        }
    };
    for span in lane.spans() {
        let (half, limit) = (span.angle_rad[axis].to_degrees(), span.rate_rad_s[axis].to_degrees());
        for sign in [-1.0, 1.0] {
            add(&mut upright, (sign * half, words::limit(span.kept, "deadband half-width")));
            if sign * limit > r0 && sign * limit < r1 {
                add(&mut level, (sign * limit, words::limit(span.kept, "rate limit")));
            }
        }
    }
    html! {
        @for (half, name) in upright {
            line.deadband x1=(tenth(map.x(half))) x2=(tenth(map.x(half))) y1=(top) y2=(bottom) {
                title { (name) " " (words::with_unit(half.abs(), "°")) }
            }
        }
        @for (limit, name) in level {
            line.ratelimit x1=(left) x2=(right) y1=(tenth(map.y(limit))) y2=(tenth(map.y(limit))) {
                title { (name) " " (words::with_unit(limit.abs(), "°/s")) }
            }
        }
    }
}

/// A path through the points; a gap lifts the pen.
pub(super) fn path_of(points: &[[f64; 2]]) -> String {
    let mut path = String::new();
    let mut drawing = false;
    let mut last = [f64::NAN; 2];
    for point in points {
        let here = point.map(tenth);
        if !here[0].is_finite() {
            drawing = false;
        } else if here != last || !drawing {
            let pen = if drawing { 'L' } else { 'M' };
            let _ = write!(path, "{pen}{} {}", here[0], here[1]);
            drawing = true;
        }
        last = here;
    }
    path
}

pub(super) fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
