//! What was released: clearance over time, its way as seen from what stays, and the books of the moment.

use maud::{Markup, html};

use super::charts::{self, Pictures};
use super::decimate::{keep_rows, range};
use super::flown;
use super::lane::Lane;
use super::phase_plane::{FRAME, Map, SIZE, Window, grid, path_of, tenth};
use super::words::{self, degrees, number, vector, with_unit};
use crate::parting::clearance;
use crate::record::Parting;

/// Stretches a way is cut into when it is thinned.
const STRETCHES: usize = 900;
/// The near view reaches so many keep-out distances.
const NEAR: f64 = 2.0;

/// One view of a way: coordinate to the right and upwards, and what they are called.
struct View {
    right: usize,
    up: usize,
    names: [&'static str; 2],
}

/// Positions along orbit axes come as up, ahead, across.
const IN_ORBIT: [View; 2] = [
    View { right: 1, up: 0, names: ["along the flight", "up"] },
    View { right: 1, up: 2, names: ["along the flight", "along the orbit's normal"] },
];

/// Positions along inertial axes.
const IN_FREE_SPACE: [View; 2] = [
    View { right: 0, up: 2, names: ["inertial x", "inertial z"] },
    View { right: 0, up: 1, names: ["inertial x", "inertial y"] },
];

/// The section.
pub fn section(lanes: &[Lane<'_>], pictures: &mut Pictures) -> Markup {
    let parted: Vec<Lane<'_>> =
        lanes.iter().filter(|lane| !lane.flight.record.partings.is_empty()).cloned().collect();
    html! {
        @for lane in &parted {
            @for parting in &lane.flight.record.partings { p { b { (lane.title) ". " } (told(lane, parting)) } }
        }
        figure data-figure="clearance" {
            (flown::row(&parted, pictures, "Clearance", charts::clearance_panel))
            figcaption {
                "Least distance between the hulls of what stays and of what was released, boxes and cylinders as drawn; 0 where they touch. "
                "Upright: the release. Dashed: the distance to be kept."
            }
        }
        @for lane in &parted { figure {
            div.planes {
                @for view in views(lane) { (draw(lane, view, false)) }
                (draw(lane, &views(lane)[0], true))
            }
            figcaption {
                b { (lane.title) ". " }
                "The released part's centre of mass seen from that of what stays, the whole flight in two views, and what is within "
                (number(NEAR)) " keep-out distances. Ring: release. Square: end. Cross: what stays. The scales differ."
            }
        } }
        (books(&parted))
    }
}

fn views(lane: &Lane<'_>) -> &'static [View; 2] {
    if lane.scenario.orbit.is_some() { &IN_ORBIT } else { &IN_FREE_SPACE }
}

/// What a release did and came to, in sentences.
fn told(lane: &Lane<'_>, parting: &Parting) -> String {
    let bodies: Vec<String> = parting.bodies.iter().map(|body| words::plain(body)).collect();
    let speed = size(parting.velocity_m_s);
    let came = clearance(&lane.flight.record.cycles, parting);
    let left = match (came.left_s, came.least_after_m) {
        (Some(left_s), Some(least_m)) => format!(
            "{} apart after {}, and never nearer than {} from then on",
            with_unit(parting.keep_out_m, "m"),
            with_unit(left_s - parting.time_s, "s"),
            with_unit(least_m, "m")
        ),
        _ => format!("never {} apart", with_unit(parting.keep_out_m, "m")),
    };
    let untold = if parting.table_identity == lane.flight.record.table_identity {
        " The kernel was not told: it goes on with the table of the whole stack."
    } else {
        ""
    };
    format!(
        "{} released at {}: leaves at {} mm/s, turning at {} °/s; what stays is turned by {} °/s. The hulls are {left}.{untold}",
        words::title(&bodies.join(", ")),
        with_unit(parting.time_s, "s"),
        number(speed * 1e3),
        number(size(degrees(parting.released_rate_rad_s))),
        number(size(degrees(parting.rate_change_rad_s))),
    )
}

fn size(v: [f64; 3]) -> f64 {
    v.iter().map(|part| part * part).sum::<f64>().sqrt()
}

/// One view of the way of a flight.
fn draw(lane: &Lane<'_>, view: &View, near: bool) -> Markup {
    let reach =
        lane.flight.record.partings.first().map_or(f64::INFINITY, |parting| NEAR * parting.keep_out_m);
    let shown = |position: &[f64; 3]| !near || size(*position) <= reach;
    let rows = lane.flight.record.cycles.iter();
    let way: Vec<[f64; 3]> = rows
        .map(|row| row.released.map(|released| released.position_m).filter(shown).unwrap_or([f64::NAN; 3]))
        .collect();
    let along = |axis: usize| -> Vec<f64> { way.iter().map(|position| position[axis]).collect() };
    let (right, up) = (along(view.right), along(view.up));
    let (Some(across), Some(high)) = (range(&right), range(&up)) else { return html! {} };
    let window = window(across, high);
    let map = Map::of(window);
    let kept = keep_rows(&[&right, &up], STRETCHES);
    let points: Vec<[f64; 2]> = kept.iter().map(|&row| [map.x(right[row]), map.y(up[row])]).collect();
    let solid: Vec<&[f64; 2]> = points.iter().filter(|point| point[0].is_finite()).collect();
    let [left, top, side, bottom] = FRAME;
    let (zero, level) = (tenth(map.x(0.0)), tenth(map.y(0.0)));
    let [name_right, name_up] = view.names;
    let label = format!(
        "Way of the released part in {}: {name_right} from {} to {}, {name_up} from {} to {}",
        lane.title,
        with_unit(across.0, "m"),
        with_unit(across.1, "m"),
        with_unit(high.0, "m"),
        with_unit(high.1, "m")
    );
    html! {
        svg.plane viewBox=(format!("0 0 {} {}", SIZE[0], SIZE[1])) role="img" aria-label=(label) {
            (grid(&map, window))
            path class=(format!("track ink{}", lane.ink)) d=(path_of(&points)) {}
            rect.frame x=(left) y=(top) width=(side - left) height=(bottom - top) {}
            path.frame d=(format!("M{} {level}H{}M{zero} {}V{}", zero - 5.0, zero + 5.0, level - 5.0, level + 5.0)) {
                title { "what stays" }
            }
            @if let Some(first) = solid.first() {
                circle.start cx=(tenth(first[0])) cy=(tenth(first[1])) r="4" { title { "release" } }
            }
            @if !near && let Some(last) = solid.last() {
                rect.end x=(tenth(last[0] - 3.5)) y=(tenth(last[1] - 3.5)) width="7" height="7" { title { "end" } }
            }
            text.name x=(f64::midpoint(left, side)) y=(SIZE[1] - 6.0) text-anchor="middle" { (name_right) ", m" }
            text.name x="0" y="0" text-anchor="middle"
                transform=(format!("translate(12 {}) rotate(-90)", f64::midpoint(top, bottom))) { (name_up) ", m" }
        }
    }
}

/// What holds the way and what stays, with a margin.
fn window(across: (f64, f64), high: (f64, f64)) -> Window {
    let side = |(low, top): (f64, f64)| {
        let (low, top) = (low.min(0.0), top.max(0.0));
        let margin = ((top - low) * 0.06).max(1e-6);
        (low - margin, top + margin)
    };
    let ((a, b), (c, d)) = (side(across), side(high));
    Window([a, b, c, d])
}

/// Momentum of both parts at the moment.
fn books(parted: &[Lane<'_>]) -> Markup {
    html! {
        div.scroll tabindex="0" { table {
            caption {
                "Momentum at the release, inertial axes; angular about the centre of mass of the whole, in axes that move with it. Both "
                "parts together have what the whole had; on the right the share that is missing."
            }
            thead { tr {
                th scope="col" { "Flight" } th scope="col" { "Of" } th.n scope="col" { "Mass, kg" }
                th.n scope="col" { "Linear, N·s" } th.n scope="col" { "Angular, N·m·s" } th.n scope="col" { "Missing" }
            } }
            tbody { @for lane in parted { @for parting in &lane.flight.record.partings {
                @let [stays, gone] = parting.masses_kg;
                @let rows = [
                    ("the whole, before", stays + gone, parting.before, None),
                    ("what stays", stays, parting.after[0], None),
                    ("what went", gone, parting.after[1], Some(parting.momentum_error())),
                ];
                @for (of, mass, momentum, missing) in rows { tr {
                    th scope="row" { (lane.title) } td { (of) } td.n { (number(mass)) }
                    td.n { (vector(momentum.linear_n_s)) } td.n { (vector(momentum.angular_n_m_s)) }
                    td.n { @if let Some(missing) = missing { (number(missing)) } }
                } }
            } } }
        } }
    }
}
