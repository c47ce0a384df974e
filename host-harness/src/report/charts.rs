//! Pictures over time: which lines, limits and strips each of them shows.

use super::data::{Limit, Line, Mark, PageData, Panel, Strip, StripRow, rounded, rounded_time};
use super::decimate::{join_spans, keep_rows};
use super::lane::Lane;
use super::words::{self, TURNS};
use crate::held::{Kept, Span, phase_ends};
use crate::record::{CycleRow, Parting};
use crate::rotation;
use crate::scenario::model::{Mode, Pace, Phase};

/// Stretches a history is cut into when it is thinned.
const STRETCHES: usize = 1200;
/// The same for slow figures with several lines in one picture.
const SLOW_STRETCHES: usize = 400;
/// Strips join spans nearer than this fraction of the run, or further apart where there are too many.
const STRIP_RESOLUTION: f64 = 1.0 / 4000.0;
/// Most spans in one strip picture.
const MOST_SPANS: usize = 12_000;
/// Significant digits kept.
const DIGITS: usize = 6;
/// Ink of dashed lines that go with a solid one.
const QUIET_INK: usize = 4;

/// A picture's columns before thinning.
struct Columns {
    label: &'static str,
    ink: usize,
    dash: u8,
    values: Vec<f64>,
}

/// Three components told apart by ink and by stroke.
fn components(labels: [&'static str; 3], column: impl Fn(usize) -> Vec<f64>) -> Vec<Columns> {
    let parts = labels.into_iter().zip(0_u8..).enumerate();
    parts.map(|(axis, (label, dash))| Columns { label, ink: axis, dash, values: column(axis) }).collect()
}

/// Everything about a panel but its lines.
struct Frame<'a> {
    scale: String,
    axis: String,
    unit: &'a str,
    from_zero: bool,
    limits: Vec<Limit>,
}

fn thinned(lane: &Lane<'_>, frame: Frame<'_>, columns: Vec<Columns>, stretches: usize) -> Panel {
    let times = lane.times_s();
    let values: Vec<&[f64]> = columns.iter().map(|column| column.values.as_slice()).collect();
    let kept = keep_rows(&values, stretches);
    let scale = if lane.wide { format!("{}-wide", frame.scale) } else { frame.scale };
    let lines = columns
        .iter()
        .map(|column| Line {
            label: column.label.to_owned(),
            ink: column.ink,
            dash: column.dash,
            y: kept.iter().map(|&row| rounded(column.values[row], DIGITS)).collect(),
        })
        .collect();
    Panel {
        scale,
        axis: frame.axis,
        unit: frame.unit.to_owned(),
        from_zero: frame.from_zero,
        x: kept.iter().map(|&row| rounded_time(times[row])).collect(),
        lines,
        limits: frame.limits,
        marks: Vec::new(),
    }
}

/// Attitude error about one axis.
pub fn error_panel(lane: &Lane<'_>, axis: usize) -> Panel {
    let spans = lane.all_spans();
    let frame = Frame {
        scale: format!("error-{axis}"),
        axis: format!("{} error", TURNS[axis]),
        unit: "°",
        from_zero: true,
        limits: limits(&spans, |span| span.angle_rad[axis], "deadband half-width", "°", true),
    };
    let mut columns = Vec::new();
    if !(lane.is_led() && lane.spans().is_empty()) {
        columns.push(Columns { label: "true error", ink: lane.ink, dash: 0, values: lane.error_deg(axis) });
    }
    if lane.is_led() {
        let values = lane.led_error_deg(axis);
        columns.push(Columns { label: "off what is followed, estimate", ink: QUIET_INK, dash: 1, values });
    }
    let mut panel = thinned(lane, frame, columns, STRETCHES);
    lift_at_wraps(&mut panel, lane);
    Panel { marks: releases(lane), ..panel }
}

/// Puts a gap where the numbers jump but the vehicle does not.
fn lift_at_wraps(panel: &mut Panel, lane: &Lane<'_>) {
    let cycles = &lane.flight.record.cycles;
    for row in lane.wraps() {
        let between = rounded_time(f64::midpoint(cycles[row - 1].time_s, cycles[row].time_s));
        let place = panel.x.partition_point(|time| *time < between);
        panel.x.insert(place, between);
        for line in &mut panel.lines {
            line.y.insert(place, f64::NAN);
        }
    }
}

/// Body rate about one axis, true and as the kernel estimates it.
pub fn rate_panel(lane: &Lane<'_>, axis: usize) -> Panel {
    let estimated = lane.flight.record.cycles.iter().map(|row| row.estimated_rate_rad_s[axis].to_degrees());
    let frame = Frame {
        scale: format!("rate-{axis}"),
        axis: format!("{} rate", TURNS[axis]),
        unit: "°/s",
        from_zero: true,
        limits: limits(&lane.spans(), |span| span.rate_rad_s[axis], "rate limit", "°/s", false),
    };
    // The truth is drawn last, over the estimate.
    let mut columns = vec![
        Columns { label: "estimate", ink: QUIET_INK, dash: 1, values: estimated.collect() },
        Columns { label: "true", ink: lane.ink, dash: 0, values: lane.rate_deg_s(axis) },
    ];
    let asked = lane.asked_deg_s(axis);
    if asked.iter().any(|rate| !rate.is_nan()) {
        columns.push(Columns { label: "asked for by hand", ink: QUIET_INK, dash: 2, values: asked });
    }
    Panel { marks: releases(lane), ..thinned(lane, frame, columns, STRETCHES) }
}

/// How far a slew still has to turn, or how fast it turns; a gap outside of its phase.
pub fn slew_panel(lane: &Lane<'_>, fast: bool) -> Panel {
    let size = |v: [f64; 3]| v.iter().map(|part| part * part).sum::<f64>().sqrt();
    let value = |row: &CycleRow| size(if fast { row.rate_rad_s } else { row.error_rad });
    let values = lane.degrees_where(|kept| matches!(kept, Kept::Slewing | Kept::Arrived), value);
    let limit = |(phase, to): (&Phase, f64)| match phase.mode {
        Mode::Slew { pace: Pace::Quick { rate_limit_rad_s }, .. } if fast => {
            let level = rate_limit_rad_s.to_degrees();
            let label = format!("limit {}", words::with_unit(level, "°/s"));
            Some(Limit { from: phase.start_s, to, level, label, reach: true, at_start: true })
        }
        _ => None,
    };
    let (scale, axis, unit) =
        if fast { ("slew-rate", "rate", "°/s") } else { ("slew-angle", "still to turn", "°") };
    let frame = Frame {
        scale: scale.to_owned(),
        axis: axis.to_owned(),
        unit,
        from_zero: true,
        limits: phase_ends(&lane.begun).filter_map(limit).collect(),
    };
    let columns = vec![Columns { label: axis, ink: lane.ink, dash: 0, values }];
    let spans = lane.all_spans();
    let arrivals = spans.windows(2).filter(|pair| pair[1].kept == Kept::Arrived).map(|pair| {
        let after = words::with_unit(pair[0].to_s - pair[0].from_s, "s");
        // Beside the angle; the rate's curve is where the words would stand.
        let label = if fast { String::new() } else { format!("arrives after {after}") };
        Mark { at: rounded_time(pair[0].to_s), label }
    });
    Panel { marks: arrivals.collect(), ..thinned(lane, frame, columns, STRETCHES) }
}

/// Angles of the main engine's gimbal; a gap outside of burns.
pub fn gimbal_panel(lane: &Lane<'_>) -> Panel {
    let travel_deg =
        lane.scenario.vehicle.engine.as_ref().map_or(0.0, |engine| engine.gimbal_travel_rad.to_degrees());
    let stop = |(phase, to): (&Phase, f64)| {
        let label = format!("stop {}", words::with_unit(travel_deg, "°"));
        let limit = Limit { from: phase.start_s, to, level: travel_deg, label, reach: false, at_start: true };
        matches!(phase.mode, Mode::Burn { .. }).then_some(limit)
    };
    let frame = Frame {
        scale: "gimbal".to_owned(),
        axis: "gimbal".to_owned(),
        unit: "°",
        from_zero: false,
        limits: phase_ends(&lane.begun).filter_map(stop).collect(),
    };
    let angle = |which: usize| lane.degrees_where(|kept| kept == Kept::Steered, |row| row.gimbal_rad[which]);
    let columns = vec![
        Columns { label: "about the second axis", ink: QUIET_INK, dash: 1, values: angle(1) },
        Columns { label: "about the first axis", ink: lane.ink, dash: 0, values: angle(0) },
    ];
    let rows = &lane.flight.record.cycles;
    let burns = |row: &&CycleRow| row.engine_thrust_n > 0.0;
    // Words would stand on those of the stops.
    let mark = |row: &CycleRow| Mark { at: rounded_time(row.time_s), label: String::new() };
    let marks = rows.iter().find(burns).into_iter().chain(rows.iter().rfind(burns)).map(mark);
    Panel { marks: marks.collect(), ..thinned(lane, frame, columns, STRETCHES) }
}

/// Nutation of a slow rotation, or how far its axis has strayed; a gap where none is left alone.
pub fn rotation_panel(lane: &Lane<'_>, stray: bool) -> Panel {
    let mut values = vec![f64::NAN; lane.flight.record.cycles.len()];
    let times = lane.times_s();
    for turn in rotation::flown(&lane.begun, &lane.flight.stack.bodies, lane.flight.record)
        .iter()
        .flat_map(|flown| &flown.turns)
        .filter(|turn| turn.coasts)
    {
        let angle_rad = if stray { turn.stray_rad } else { turn.nutation_rad };
        if let Some(slot) = values.get_mut(times.partition_point(|time| *time < turn.time_s)) {
            *slot = angle_rad.to_degrees();
        }
    }
    let limit = |(phase, to): (&Phase, f64)| match phase.mode {
        Mode::Rotate { nutation_rad, stray_rad, .. } => {
            let level = if stray { stray_rad } else { nutation_rad }.to_degrees();
            let label = format!("limit {}", words::with_unit(level, "°"));
            Some(Limit { from: phase.start_s, to, level, label, reach: true, at_start: false })
        }
        _ => None,
    };
    let (scale, axis) = if stray { ("stray", "axis strayed by") } else { ("nutation", "nutation") };
    let frame = Frame {
        scale: scale.to_owned(),
        axis: axis.to_owned(),
        unit: "°",
        from_zero: true,
        limits: phase_ends(&lane.begun).filter_map(limit).collect(),
    };
    thinned(lane, frame, vec![Columns { label: "angle", ink: lane.ink, dash: 0, values }], SLOW_STRETCHES)
}

/// Least distance between the hulls of what stays and of what was released.
pub fn clearance_panel(lane: &Lane<'_>) -> Panel {
    let record = lane.flight.record;
    let clearance = |row: &CycleRow| row.released.map_or(f64::NAN, |released| released.clearance_m);
    let values = record.cycles.iter().map(clearance).collect();
    let limit = |parting: &Parting| Limit {
        from: parting.time_s,
        to: lane.scenario.duration_s,
        level: parting.keep_out_m,
        label: format!("keep-out distance {}", words::with_unit(parting.keep_out_m, "m")),
        reach: true,
        at_start: false,
    };
    let frame = Frame {
        scale: "clearance".to_owned(),
        axis: "clearance".to_owned(),
        unit: "m",
        from_zero: true,
        limits: record.partings.iter().map(limit).collect(),
    };
    let columns = vec![Columns { label: "clearance", ink: lane.ink, dash: 0, values }];
    Panel { marks: releases(lane), ..thinned(lane, frame, columns, STRETCHES) }
}

/// Moments at which something is released.
fn releases(lane: &Lane<'_>) -> Vec<Mark> {
    let released = |parting: &Parting| Mark {
        at: rounded_time(parting.time_s),
        label: format!("{} released", words::plain(&parting.bodies.join(", "))),
    };
    lane.flight.record.partings.iter().map(released).collect()
}

/// Velocity of the centre of mass gathered since the start.
pub fn velocity_panel(lane: &Lane<'_>) -> Panel {
    let component = |axis: usize| -> Vec<f64> {
        lane.flight.record.cycles.iter().map(|row| row.velocity_m_s[axis] * 1e3).collect()
    };
    let frame = Frame {
        scale: "velocity".to_owned(),
        axis: "velocity".to_owned(),
        unit: "mm/s",
        from_zero: true,
        limits: Vec::new(),
    };
    let columns = components(["x", "y", "z"], component);
    thinned(lane, frame, columns, SLOW_STRETCHES)
}

/// Standing disturbance as the kernel estimates it.
pub fn disturbance_panel(lane: &Lane<'_>) -> Panel {
    let component = |axis: usize| -> Vec<f64> {
        let cycles = lane.flight.record.cycles.iter();
        cycles.map(|row| row.estimated_disturbance_rad_s2[axis].to_degrees() * 1e6).collect()
    };
    let frame = Frame {
        scale: "disturbance".to_owned(),
        axis: "push".to_owned(),
        unit: "µ°/s²",
        from_zero: true,
        limits: Vec::new(),
    };
    thinned(lane, frame, components(TURNS, component), SLOW_STRETCHES)
}

/// Propellant used, with the lower bound for the whole run.
pub fn propellant_panel(lane: &Lane<'_>) -> Panel {
    let used: Vec<f64> = lane.flight.record.cycles.iter().map(|row| row.propellant_kg).collect();
    let to = lane.scenario.duration_s;
    let limits = lane
        .figure("propellant_bound_kg")
        .map(|level| Limit {
            from: 0.0,
            to,
            level,
            label: format!("lower bound for the whole run: {}", words::with_unit(level, "kg")),
            reach: true,
            at_start: true,
        })
        .into_iter()
        .collect();
    let frame = Frame {
        scale: "propellant".to_owned(),
        axis: "propellant used".to_owned(),
        unit: "kg",
        from_zero: true,
        limits,
    };
    thinned(
        lane,
        frame,
        vec![Columns { label: "used", ink: lane.ink, dash: 0, values: used }],
        SLOW_STRETCHES,
    )
}

/// Both sides of a limit over each stretch, in one line where it stays the same; `label` names that of a hold.
fn limits(
    spans: &[Span],
    level_rad: impl Fn(&Span) -> f64,
    label: &str,
    unit: &str,
    reach: bool,
) -> Vec<Limit> {
    let mut lines: Vec<Limit> = Vec::new();
    for span in spans {
        let level = level_rad(span).to_degrees();
        let words = format!("{} ±{}", words::limit(span.kept, label), words::with_unit(level, unit));
        for (sign, label) in [(1.0, words), (-1.0, String::new())] {
            let (from, to, level) = (span.from_s, span.to_s, sign * level);
            let goes_on = |line: &&mut Limit| line.to == from && line.level == level && line.label == label;
            match lines.iter_mut().find(goes_on) {
                Some(line) => line.to = to,
                None => lines.push(Limit { from, to, level, label, reach, at_start: false }),
            }
        }
    }
    lines
}

/// Open times of every jet.
pub fn firing_strip(lane: &Lane<'_>) -> Strip {
    let record = lane.flight.record;
    let rows = lane.scenario.vehicle.jets.iter().enumerate().map(|(jet, about)| {
        let mut pulses: Vec<[f64; 4]> = Vec::new();
        let mut opened = None;
        for edge in record.edges.iter().filter(|edge| edge.jet == jet) {
            match (edge.open, opened) {
                (true, None) => opened = Some(edge.time_s),
                (false, Some(start)) => {
                    pulses.push([start, edge.time_s, 1.0, edge.time_s - start]);
                    opened = None;
                }
                _ => {}
            }
        }
        if let Some(start) = opened {
            let end = lane.scenario.duration_s;
            pulses.push([start, end, 1.0, end - start]);
        }
        StripRow { label: words::plain(&about.name), spans: pulses }
    });
    let rows = compact(rows.collect(), lane.scenario.duration_s);
    Strip { ink: lane.ink, counts: "pulse", rows }
}

/// Time spent in every status that occurs.
pub fn status_strip(lane: &Lane<'_>) -> Strip {
    let cycle_s = lane.scenario.kernel.tick_s * f64::from(lane.scenario.kernel.cycle_ticks);
    let cycles = &lane.flight.record.cycles;
    let mut numbers: Vec<u8> = cycles.iter().map(|row| row.status).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let rows = numbers.into_iter().map(|number| {
        let spans = cycles
            .iter()
            .filter(|row| row.status == number)
            .map(|row| [row.time_s, row.time_s + cycle_s, 1.0, cycle_s])
            .collect();
        StripRow { label: words::status(number), spans }
    });
    let rows = compact(rows.collect(), lane.scenario.duration_s);
    Strip { ink: lane.ink, counts: "cycle", rows }
}

/// Joins spans that lie too close to be seen apart, coarser until the picture is small enough.
fn compact(mut rows: Vec<StripRow>, duration_s: f64) -> Vec<StripRow> {
    let mut resolution = duration_s * STRIP_RESOLUTION;
    loop {
        for row in &mut rows {
            row.spans = join_spans(&row.spans, resolution);
        }
        let spans: usize = rows.iter().map(|row| row.spans.len()).sum();
        if spans <= MOST_SPANS || resolution >= duration_s {
            break;
        }
        resolution *= 2.0;
    }
    for span in rows.iter_mut().flat_map(|row| &mut row.spans) {
        *span = [rounded_time(span[0]), rounded_time(span[1]), span[2], rounded_time(span[3])];
    }
    rows
}

/// Collects pictures while the page is written; gives each its number.
#[derive(Debug, Default)]
pub struct Pictures {
    /// What the script will draw.
    pub data: PageData,
}

impl Pictures {
    /// Adds a line picture; returns its number.
    pub fn panel(&mut self, panel: Panel) -> usize {
        self.data.panels.push(panel);
        self.data.panels.len() - 1
    }

    /// Adds a strip picture; returns its number.
    pub fn strip(&mut self, strip: Strip) -> usize {
        self.data.strips.push(strip);
        self.data.strips.len() - 1
    }
}
