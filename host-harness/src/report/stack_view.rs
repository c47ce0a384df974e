//! The stack to scale in three views: bodies, jets as arrows of force, design and actual centre of mass.

use maud::{Markup, html};

use super::StackPicture;
use super::lane::Lane;
use super::stack_shapes::{LabelPlaces, Rect, VIEWS, View, hull_points, outline};
use super::ticks::round_ticks;
use super::words;
use crate::scenario::model::{Body, Jet, JetState, Push, Scenario};

/// Width of the whole picture in its own units (about one CSS pixel each).
const WIDTH: f64 = 1180.0;
/// Room for labels beside a view.
const BESIDE: f64 = 132.0;
/// Room for labels above and below a view.
const ABOVE: f64 = 74.0;
/// Largest scale, units per metre, so that a small tug does not fill a wall.
const LARGEST_SCALE: f64 = 90.0;
/// Average width of a letter and height of a line of the labels.
const LETTER: [f64; 2] = [5.5, 12.5];

/// A centre of mass that some flight's kernel was told.
#[derive(Clone, Debug, PartialEq)]
pub struct ToldMark {
    /// Title of the flight.
    pub title: String,
    /// Where, structural axes, m.
    pub centre_of_mass_m: [f64; 3],
}

/// Told centres of mass that lie visibly apart from the actual one.
pub fn told_marks(lanes: &[&Lane<'_>]) -> Vec<ToldMark> {
    let mut marks: Vec<ToldMark> = Vec::new();
    for lane in lanes {
        let stack = &lane.flight.stack;
        if let Some(told) = &stack.told
            && distance(told.centre_of_mass_m, stack.centre_of_mass_m) > 0.02
        {
            marks.push(ToldMark { title: lane.title.clone(), centre_of_mass_m: told.centre_of_mass_m });
        }
    }
    marks
}

/// Distance between two points, m.
pub fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).powi(2)).sum::<f64>().sqrt()
}

/// One view's place on the page.
struct Cell {
    view: View,
    /// Page position of the structural origin.
    origin: [f64; 2],
    /// Units per metre.
    scale: f64,
    /// The view's part of the page.
    page: Rect,
}

impl Cell {
    fn point(&self, structural: [f64; 3]) -> [f64; 2] {
        let [right, up] = self.view.flat(structural);
        [self.origin[0] + right * self.scale, self.origin[1] - up * self.scale]
    }
}

/// Least and greatest coordinate of everything drawn, per structural axis, m.
fn extent(scenario: &Scenario, stack: &StackPicture, told: &[ToldMark]) -> [[f64; 2]; 3] {
    let mut points: Vec<[f64; 3]> = present(scenario, stack).flat_map(hull_points).collect();
    points.extend(present_jets(scenario, stack).map(|jet| jet.position_m));
    points.extend([stack.centre_of_mass_m, stack.design_centre_of_mass_m]);
    points.extend(told.iter().map(|mark| mark.centre_of_mass_m));
    points.extend(vents(scenario).map(|(_, position, _)| position));
    std::array::from_fn(|axis| {
        let low = points.iter().map(|p| p[axis]).fold(f64::MAX, f64::min);
        let high = points.iter().map(|p| p[axis]).fold(f64::MIN, f64::max);
        [low, high]
    })
}

fn present<'a>(scenario: &'a Scenario, stack: &'a StackPicture) -> impl Iterator<Item = &'a Body> {
    scenario.vehicle.bodies.iter().filter(|body| stack.bodies.contains(&body.name))
}

fn present_jets<'a>(scenario: &'a Scenario, stack: &'a StackPicture) -> impl Iterator<Item = &'a Jet> {
    scenario.vehicle.jets.iter().filter(|jet| stack.bodies.contains(&jet.body))
}

fn vents(scenario: &Scenario) -> impl Iterator<Item = (&str, [f64; 3], [f64; 3])> {
    scenario.disturbances.iter().filter_map(|disturbance| match disturbance.push {
        Push::Vent { position_m, force_n, .. } => Some((disturbance.name.as_str(), position_m, force_n)),
        Push::Torque { .. } => None,
    })
}

/// The whole picture.
pub fn draw(scenario: &Scenario, stack: &StackPicture, told: &[ToldMark]) -> Markup {
    let extent = extent(scenario, stack, told);
    let span = extent.map(|[low, high]| (high - low).max(0.1));
    let scale = ((WIDTH - 4.0 * BESIDE) / (span[0] + span[1])).min(LARGEST_SCALE);
    let wide = span.map(|metres| metres * scale);
    let (side, plan) = (wide[2] + 2.0 * ABOVE, wide[1] + 2.0 * ABOVE);
    let left = wide[0] + 2.0 * BESIDE;
    let pages = [
        Rect { x: 0.0, y: 0.0, w: left, h: side },
        Rect { x: 0.0, y: side, w: left, h: plan },
        Rect { x: left, y: 0.0, w: wide[1] + 2.0 * BESIDE, h: side },
    ];
    let cells: Vec<Cell> = VIEWS
        .iter()
        .zip(pages)
        .map(|(view, page)| {
            let x = page.x + BESIDE - extent[view.right][0] * scale;
            let y = page.y + ABOVE + extent[view.up][1] * scale;
            Cell { view: *view, origin: [x, y], scale, page }
        })
        .collect();
    let height = side + plan.max(if told.is_empty() { 200.0 } else { 224.0 });
    html! {
        svg.stack viewBox=(format!("0 0 {:.0} {:.0}", WIDTH, height)) role="img"
            aria-label=(describe(scenario, stack)) {
            @for cell in &cells { (draw_view(cell, scenario, stack, told)) }
            (key(left + 40.0, side + 14.0, scale, !told.is_empty()))
        }
    }
}

fn describe(scenario: &Scenario, stack: &StackPicture) -> String {
    let bodies: Vec<String> = stack.bodies.iter().map(|name| words::plain(name)).collect();
    format!(
        "The stack in three views to one scale: {}. Actual centre of mass at {} m, design centre of mass at {} m, \
         {} m apart. {} jets; their places, directions and states are in the table of jets.",
        bodies.join(", "),
        words::vector(stack.centre_of_mass_m),
        words::vector(stack.design_centre_of_mass_m),
        words::number(distance(stack.centre_of_mass_m, stack.design_centre_of_mass_m)),
        present_jets(scenario, stack).count()
    )
}

/// A label waiting for its place.
struct Label {
    lines: Vec<String>,
    anchor: [f64; 2],
    away: [f64; 2],
    class: &'static str,
}

fn draw_view(cell: &Cell, scenario: &Scenario, stack: &StackPicture, told: &[ToldMark]) -> Markup {
    let mut bodies: Vec<(&Body, Vec<[f64; 2]>)> = present(scenario, stack)
        .map(|body| (body, outline(hull_points(body).into_iter().map(|p| cell.point(p)).collect())))
        .collect();
    let depth = |body: &Body| cell.view.depth(body.centre_of_mass_m);
    bodies.sort_by(|a, b| depth(a.0).total_cmp(&depth(b.0)));
    let boxes: Vec<Rect> = bodies.iter().map(|(_, outline)| bounds(outline)).collect();
    let arrows = arrows(cell, scenario, stack);
    let mut places = LabelPlaces::new(inner(cell.page), boxes.clone());
    for arrow in &arrows {
        places.take_line(arrow.tail, arrow.tip);
    }
    let marks = marks(cell, stack, told);
    for mark in &marks {
        places.take(Rect { x: mark.at[0] - 11.0, y: mark.at[1] - 11.0, w: 22.0, h: 22.0 });
    }
    let middle = [cell.page.x + cell.page.w / 2.0, cell.page.y + cell.page.h / 2.0];
    let mut labels: Vec<Label> = arrows.iter().filter_map(|arrow| arrow.label(middle)).collect();
    labels.extend(vents(scenario).map(|(name, position, force)| vent_label(cell, name, position, force)));
    labels.extend(bodies.iter().zip(&boxes).map(|((body, _), rect)| Label {
        lines: vec![words::plain(&body.name)],
        anchor: [rect.x + rect.w / 2.0, rect.y + rect.h / 2.0],
        away: [0.0, 0.6],
        class: "bodyname",
    }));
    let title_at = [cell.page.x + 8.0, cell.page.y + 16.0];
    places.take(Rect { x: cell.page.x, y: cell.page.y, w: 150.0, h: 22.0 });
    html! {
        g {
            text.viewname x=(title_at[0]) y=(title_at[1]) { (cell.view.name) }
            @for (body, outline) in &bodies {
                polygon.body points=(points(outline)) { title { (words::plain(&body.name)) } }
            }
            @if let Some(engine) = &scenario.vehicle.engine {
                (engine_bell(cell, engine.pivot_m, engine.force_direction))
            }
            @for arrow in &arrows { (arrow.draw()) }
            @for (name, position, force) in vents(scenario) { (vent_arrow(cell, name, position, force)) }
            @for mark in &marks { (mark.draw()) }
            @for label in labels { (draw_label(&mut places, &label)) }
            (axes(cell))
        }
    }
}

fn inner(page: Rect) -> Rect {
    Rect { x: page.x + 4.0, y: page.y + 4.0, w: page.w - 8.0, h: page.h - 8.0 }
}

fn bounds(outline: &[[f64; 2]]) -> Rect {
    let fold = |axis: usize, start: f64, pick: fn(f64, f64) -> f64| {
        outline.iter().map(|point| point[axis]).fold(start, pick)
    };
    let (x, y) = (fold(0, f64::MAX, f64::min), fold(1, f64::MAX, f64::min));
    Rect { x, y, w: fold(0, f64::MIN, f64::max) - x, h: fold(1, f64::MIN, f64::max) - y }
}

fn points(outline: &[[f64; 2]]) -> String {
    let pairs: Vec<String> = outline.iter().map(|point| format!("{:.1},{:.1}", point[0], point[1])).collect();
    pairs.join(" ")
}

/// Jets that look the same in a view share an arrow.
struct Arrow {
    tip: [f64; 2],
    tail: [f64; 2],
    /// Component of the force towards the reader.
    towards: f64,
    state: JetState,
    names: Vec<String>,
}

fn arrows(cell: &Cell, scenario: &Scenario, stack: &StackPicture) -> Vec<Arrow> {
    let strongest = scenario.vehicle.jets.iter().map(|jet| jet.thrust_n).fold(1e-9, f64::max);
    let mut arrows: Vec<Arrow> = Vec::new();
    for jet in present_jets(scenario, stack) {
        let tip = cell.point(jet.position_m);
        let flat = cell.view.flat(jet.force_direction);
        let length = 20.0 + 20.0 * jet.thrust_n / strongest;
        let tail = [tip[0] - flat[0] * length, tip[1] + flat[1] * length];
        let towards = cell.view.depth(jet.force_direction);
        let same = |arrow: &&mut Arrow| {
            let near = |a: [f64; 2], b: [f64; 2]| (a[0] - b[0]).hypot(a[1] - b[1]) < 4.0;
            arrow.state == jet.state
                && near(arrow.tip, tip)
                && near(arrow.tail, tail)
                && (arrow.towards - towards).abs() < 0.3
        };
        match arrows.iter_mut().find(same) {
            Some(arrow) => arrow.names.push(jet.name.clone()),
            None => {
                arrows.push(Arrow { tip, tail, towards, state: jet.state, names: vec![jet.name.clone()] })
            }
        }
    }
    arrows
}

/// What a jet's state is called, and how its arrow is drawn.
pub fn state_word(state: JetState) -> &'static str {
    match state {
        JetState::Ready => "ready",
        JetState::Forbidden => "forbidden",
        JetState::Dead => "dead",
    }
}

impl Arrow {
    fn length(&self) -> f64 {
        (self.tip[0] - self.tail[0]).hypot(self.tip[1] - self.tail[1])
    }

    /// Whether the force points at the reader or away, so that an arrow would say nothing.
    fn end_on(&self) -> bool {
        self.length() < 12.0
    }

    fn label(&self, middle: [f64; 2]) -> Option<Label> {
        if self.end_on() {
            return None;
        }
        let word = match self.state {
            JetState::Ready => "",
            JetState::Forbidden => " (forbidden)",
            JetState::Dead => " (dead)",
        };
        let lines = self.names.iter().map(|name| format!("{}{word}", words::plain(name))).collect();
        let out = [self.tail[0] - middle[0], self.tail[1] - middle[1]];
        let size = out[0].hypot(out[1]).max(1e-9);
        Some(Label { lines, anchor: self.tail, away: out.map(|c| c / size), class: "jetname" })
    }

    fn draw(&self) -> Markup {
        let class = format!("jet {}", state_word(self.state));
        let names: Vec<String> = self.names.iter().map(|name| words::plain(name)).collect();
        let title = format!("{} ({})", names.join(", "), state_word(self.state));
        let [x, y] = self.tip;
        html! {
            g class=(class) {
                title { (title) }
                @if self.end_on() {
                    circle cx=(r(x)) cy=(r(y)) r="4.5" {}
                    @if self.towards > 0.0 {
                        circle.solid cx=(r(x)) cy=(r(y)) r="1.6" {}
                    } @else {
                        path d=(cross(self.tip, 3.2)) {}
                    }
                } @else {
                    path.shaft d=(format!("M{} {}L{} {}", r(self.tail[0]), r(self.tail[1]), r(x), r(y))) {}
                    polygon.head points=(head(self.tail, self.tip, 8.0, 3.4)) {}
                    @match self.state {
                        JetState::Ready => {}
                        JetState::Dead => { path.stop d=(cross(between(self.tail, self.tip), 5.0)) {} }
                        JetState::Forbidden => { path.stop d=(bar(self.tail, self.tip)) {} }
                    }
                }
            }
        }
    }
}

fn between(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [f64::midpoint(a[0], b[0]), f64::midpoint(a[1], b[1])]
}

fn r(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn cross(at: [f64; 2], half: f64) -> String {
    let ([x, y], h) = (at, half);
    format!(
        "M{} {}L{} {}M{} {}L{} {}",
        r(x - h),
        r(y - h),
        r(x + h),
        r(y + h),
        r(x - h),
        r(y + h),
        r(x + h),
        r(y - h)
    )
}

/// A bar across the middle of an arrow.
fn bar(tail: [f64; 2], tip: [f64; 2]) -> String {
    let [x, y] = between(tail, tip);
    let (dx, dy) = (tip[0] - tail[0], tip[1] - tail[1]);
    let size = dx.hypot(dy).max(1e-9);
    let (ax, ay) = (-dy / size * 6.0, dx / size * 6.0);
    format!("M{} {}L{} {}", r(x - ax), r(y - ay), r(x + ax), r(y + ay))
}

/// Corners of an arrow head.
fn head(tail: [f64; 2], tip: [f64; 2], length: f64, half: f64) -> String {
    let (dx, dy) = (tip[0] - tail[0], tip[1] - tail[1]);
    let size = dx.hypot(dy).max(1e-9);
    let (ux, uy) = (dx / size, dy / size);
    let base = [tip[0] - ux * length, tip[1] - uy * length];
    points(&[tip, [base[0] - uy * half, base[1] + ux * half], [base[0] + uy * half, base[1] - ux * half]])
}

fn vent_line(cell: &Cell, position: [f64; 3], force: [f64; 3]) -> ([f64; 2], [f64; 2]) {
    let tip = cell.point(position);
    let size = force.iter().map(|c| c * c).sum::<f64>().sqrt().max(1e-12);
    let flat = cell.view.flat(force.map(|c| c / size));
    ([tip[0] - flat[0] * 34.0, tip[1] + flat[1] * 34.0], tip)
}

fn vent_label(cell: &Cell, name: &str, position: [f64; 3], force: [f64; 3]) -> Label {
    let (tail, tip) = vent_line(cell, position, force);
    let (dx, dy) = (tail[0] - tip[0], tail[1] - tip[1]);
    let size = dx.hypot(dy).max(1e-9);
    Label {
        lines: vec![format!("push: {}", words::plain(name))],
        anchor: tail,
        away: [dx / size, dy / size],
        class: "ventname",
    }
}

fn vent_arrow(cell: &Cell, name: &str, position: [f64; 3], force: [f64; 3]) -> Markup {
    let (tail, tip) = vent_line(cell, position, force);
    html! {
        g.vent {
            title { "push of " (words::plain(name)) }
            path.shaft d=(format!("M{} {}L{} {}", r(tail[0]), r(tail[1]), r(tip[0]), r(tip[1]))) {}
            polygon.head points=(head(tail, tip, 9.0, 4.5)) {}
        }
    }
}

fn engine_bell(cell: &Cell, pivot: [f64; 3], force: [f64; 3]) -> Markup {
    let [right, up] = cell.view.flat(force);
    let (length, throat, mouth) = (0.5 * cell.scale, 0.1 * cell.scale, 0.28 * cell.scale);
    let [x, y] = cell.point(pivot);
    let (ux, uy) = (-right, up);
    if right.hypot(up) < 0.3 {
        return html! { circle.bell cx=(r(x)) cy=(r(y)) r=(r(mouth)) { title { "main engine, seen end on" } } };
    }
    let corner = |along: f64, across: f64| [x + ux * along - uy * across, y + uy * along + ux * across];
    let bell = [corner(0.0, -throat), corner(0.0, throat), corner(length, mouth), corner(length, -mouth)];
    html! { polygon.bell points=(points(&bell)) { title { "main engine" } } }
}

/// A centre-of-mass mark.
struct Mark {
    at: [f64; 2],
    kind: MarkKind,
    title: String,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum MarkKind {
    Actual,
    Design,
    Told,
}

fn marks(cell: &Cell, stack: &StackPicture, told: &[ToldMark]) -> Vec<Mark> {
    let mut marks = vec![Mark {
        at: cell.point(stack.design_centre_of_mass_m),
        kind: MarkKind::Design,
        title: format!("design centre of mass, {} m", words::vector(stack.design_centre_of_mass_m)),
    }];
    marks.extend(told.iter().map(|told| Mark {
        at: cell.point(told.centre_of_mass_m),
        kind: MarkKind::Told,
        title: format!("told in {}: {} m", told.title, words::vector(told.centre_of_mass_m)),
    }));
    marks.push(Mark {
        at: cell.point(stack.centre_of_mass_m),
        kind: MarkKind::Actual,
        title: format!("actual centre of mass, {} m", words::vector(stack.centre_of_mass_m)),
    });
    marks
}

impl Mark {
    fn draw(&self) -> Markup {
        let [x, y] = self.at.map(r);
        let radius = 8.0;
        html! {
            g transform=(format!("translate({x} {y})")) {
                title { (self.title) }
                @match self.kind {
                    MarkKind::Told => { path.told d="M0 -10L10 0L0 10L-10 0Z" {} }
                    MarkKind::Design => {
                        circle.disc.hollow r=(radius) {}
                        path.quarters d="M-8 0H8M0 -8V8" {}
                    }
                    MarkKind::Actual => {
                        circle.disc.paper r=(radius) {}
                        path.filled d="M0 0V-8A8 8 0 0 1 8 0ZM0 0V8A8 8 0 0 1 -8 0Z" {}
                        circle.disc.hollow r=(radius) {}
                    }
                }
            }
        }
    }
}

fn draw_label(places: &mut LabelPlaces, label: &Label) -> Markup {
    let letters = label.lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
    let size = [letters as f64 * LETTER[0] + 4.0, label.lines.len() as f64 * LETTER[1]];
    let rect = places.place(label.anchor, label.away, size, label.class != "bodyname");
    let near = rect.nearest(label.anchor);
    let apart = (near[0] - label.anchor[0]).hypot(near[1] - label.anchor[1]);
    let far = apart > if label.class == "bodyname" { 30.0 } else { 9.0 };
    let left = label.anchor[0] > rect.x + rect.w / 2.0;
    let (x, side) = if left { (rect.x + rect.w - 2.0, "end") } else { (rect.x + 2.0, "start") };
    html! {
        @if far {
            path.leader d=(format!("M{} {}L{} {}", r(label.anchor[0]), r(label.anchor[1]), r(near[0]), r(near[1]))) {}
        }
        @for (index, line) in label.lines.iter().enumerate() {
            text class=(label.class) x=(r(x)) y=(r(rect.y + 9.5 + LETTER[1] * index as f64)) text-anchor=(side) { (line) }
        }
    }
}

fn axes(cell: &Cell) -> Markup {
    let names = ["x", "y", "z"];
    let (x, y) = (r(cell.page.x + 16.0), r(cell.page.y + cell.page.h - 14.0));
    html! {
        g.axes {
            path d=(format!("M{x} {}V{y}H{}", y - 30.0, x + 30.0)) {}
            text x=(x + 34.0) y=(y + 4.0) { (names[cell.view.right]) }
            text x=(x - 3.0) y=(y - 34.0) { (names[cell.view.up]) }
        }
    }
}

/// What the signs mean, with the scale bar.
fn key(x: f64, y: f64, scale: f64, told: bool) -> Markup {
    let metres = round_ticks(0.0, 130.0 / scale, 1).last().copied().filter(|m| *m > 0.0).unwrap_or(1.0);
    let (row, text) = (24.0, x + 46.0);
    let arrow = |y: f64, state: JetState| Arrow {
        tip: [x + 30.0, y],
        tail: [x - 8.0, y],
        towards: 0.0,
        state,
        names: vec!["key".to_owned()],
    };
    let mark = |y: f64, kind: MarkKind| Mark { at: [x + 11.0, y], kind, title: String::new() };
    html! {
        g.key {
            path.scalebar d=(format!("M{x} {}v8m0 -4h{}m0 -4v8", y - 4.0, r(metres * scale))) {}
            text x=(r(x + metres * scale + 8.0)) y=(y + 4.0) { (words::number(metres)) " m" }
            (mark(y + row, MarkKind::Actual).draw())
            text x=(text) y=(y + row + 4.0) { "actual centre of mass" }
            (mark(y + 2.0 * row, MarkKind::Design).draw())
            text x=(text) y=(y + 2.0 * row + 4.0) { "design centre of mass (jets laid out for it)" }
            (arrow(y + 3.0 * row, JetState::Ready).draw())
            text x=(text) y=(y + 3.0 * row + 4.0) { "jet: force on the stack, tip at the nozzle" }
            (arrow(y + 4.0 * row, JetState::Dead).draw())
            text x=(text) y=(y + 4.0 * row + 4.0) { "dead jet" }
            (arrow(y + 5.0 * row, JetState::Forbidden).draw())
            text x=(text) y=(y + 5.0 * row + 4.0) { "forbidden jet" }
            g.jet.ready {
                circle cx=(x + 3.0) cy=(y + 6.0 * row) r="4.5" {}
                circle.solid cx=(x + 3.0) cy=(y + 6.0 * row) r="1.6" {}
                circle cx=(x + 21.0) cy=(y + 6.0 * row) r="4.5" {}
                path d=(cross([x + 21.0, y + 6.0 * row], 3.2)) {}
            }
            text x=(text) y=(y + 6.0 * row + 4.0) { "force towards you; away from you" }
            @if told {
                (mark(y + 7.0 * row, MarkKind::Told).draw())
                text x=(text) y=(y + 7.0 * row + 4.0) { "centre of mass a kernel was told" }
            }
        }
    }
}
