//! Jets as tables: place, state, torque about both centres of mass; then their use in every lane.

use maud::{Markup, html};

use super::lane::Lane;
use super::stack_view::state_word;
use super::words::{self, TURNS, number, vector};
use crate::scenario::model::Jet;

/// Torques below this fraction of the largest one count as none when signs are compared.
const NOTHING: f64 = 1e-3;

/// Steady torque of a jet about a point, N·m.
fn torque(jet: &Jet, about_m: [f64; 3]) -> [f64; 3] {
    let [x, y, z]: [f64; 3] = std::array::from_fn(|axis| jet.position_m[axis] - about_m[axis]);
    let [fx, fy, fz] = jet.force_direction.map(|component| component * jet.thrust_n);
    [y * fz - z * fy, z * fx - x * fz, x * fy - y * fx]
}

/// Turns whose sign differs between the two centres of mass.
fn turned(design: [f64; 3], actual: [f64; 3]) -> Vec<&'static str> {
    let largest = design.iter().chain(&actual).fold(0.0_f64, |most, c| most.max(c.abs()));
    let counts = |torque: f64| torque.abs() > NOTHING * largest;
    (0..3)
        .filter(|&axis| {
            counts(design[axis]) && counts(actual[axis]) && (design[axis] > 0.0) != (actual[axis] > 0.0)
        })
        .map(|axis| TURNS[axis])
        .collect()
}

/// The jets of a lane's stack.
pub fn jets(lane: &Lane<'_>) -> Markup {
    let stack = &lane.flight.stack;
    let jets = &lane.scenario.vehicle.jets;
    html! {
        div.scroll { table.jets {
            caption {
                "Jets and the steady torque each puts on the stack, N·m about roll, pitch and yaw: "
                "about the design centre of mass, and about the actual one at the start."
            }
            thead { tr {
                th scope="col" { "Jet" } th scope="col" { "Body" } th scope="col" { "State" }
                th.n scope="col" { "Thrust, N" } th.n scope="col" { "Minimum on-time, s" }
                th.n scope="col" { "Place, m" } th.n scope="col" { "Torque, design" }
                th.n scope="col" { "Torque, actual" } th scope="col" { "Sign changes" }
            } }
            tbody { @for jet in jets.iter().filter(|jet| stack.bodies.contains(&jet.body)) {
                @let (design, actual) = (torque(jet, stack.design_centre_of_mass_m), torque(&jet.on(&stack.bodies), stack.centre_of_mass_m));
                @let changed = turned(design, actual);
                tr.differs[!changed.is_empty()] {
                    th scope="row" { (words::plain(&jet.name)) }
                    td { (words::plain(&jet.body)) }
                    td {
                        (state_word(jet.state))
                        @if let Some(plume) = jet.striking(&stack.bodies) { ", plume strikes the " (words::plain(&plume.body)) }
                    }
                    td.n { (number(jet.thrust_n)) } td.n { (number(jet.minimum_on_s)) }
                    td.n { (vector(jet.position_m)) }
                    td.n { (vector(design)) } td.n { (vector(actual)) }
                    td { @if changed.is_empty() { "–" } @else { span.mark { "≠ " } (changed.join(", ")) } }
                }
            } }
        } }
    }
}

/// Use of every jet in every lane.
pub fn usage(lanes: &[Lane<'_>]) -> Markup {
    html! { div class=(super::flown::columns(lanes)) { @for lane in lanes { (usage_of(lane)) } } }
}

fn usage_of(lane: &Lane<'_>) -> Markup {
    let totals = &lane.flight.record.jets;
    let all = totals.iter().fold((0, 0.0, 0.0, 0.0), |sum, jet| {
        (sum.0 + jet.valve_cycles, sum.1 + jet.on_time_s, sum.2 + jet.impulse_n_s, sum.3 + jet.propellant_kg)
    });
    html! {
        div.scroll { table.usage {
            caption { (lane.title) ": what each jet did." }
            thead { tr {
                th scope="col" { "Jet" } th.n scope="col" { "Valve cycles" } th.n scope="col" { "On-time, s" }
                th.n scope="col" { "Impulse, N·s" } th.n scope="col" { "Propellant, kg" }
            } }
            tbody { @for (jet, used) in lane.scenario.vehicle.jets.iter().zip(totals) { tr {
                th scope="row" { (words::plain(&jet.name)) }
                td.n { (used.valve_cycles) } td.n { (number(used.on_time_s)) }
                td.n { (number(used.impulse_n_s)) } td.n { (number(used.propellant_kg)) }
            } } }
            tfoot { tr {
                th scope="row" { "All jets" }
                td.n { (all.0) } td.n { (number(all.1)) } td.n { (number(all.2)) } td.n { (number(all.3)) }
            } }
        } }
    }
}
