//! Sign margins: by hand, by sums of their own in `f64`, and flown on a displaced stack.
mod handmade;

use handmade::{close, jet, jet_1_docked, scenario, six};
use proptest::prelude::*;
use stackhold_harness::authority::{sphere, told_properties};
use stackhold_harness::scenario::load_named_or_path;
use stackhold_harness::scenario::model::{JetState, Scenario, Told};
use stackhold_harness::select::turnings;
use stackhold_harness::sign_margin::{AxisMargin, SignMargins, sign_margins};
use stackhold_harness::stack::{self, MassProperties};
use stackhold_harness::truth::Truth;

/// Margins of a scenario's own flight.
fn margins(scenario: &Scenario) -> SignMargins {
    sign_margins(scenario, &scenario.stack, &scenario.told).unwrap()
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// Solves `m x = b` by Cramer's rule.
fn solve(m: [[f64; 3]; 3], b: [f64; 3]) -> [f64; 3] {
    let determinant = |m: [[f64; 3]; 3]| dot(m[0], cross(m[1], m[2]));
    [0, 1, 2].map(|column| {
        let mut with = m;
        for (row, value) in with.iter_mut().zip(b) {
            row[column] = value;
        }
        determinant(with) / determinant(m)
    })
}

/// Axis number and sign of `+x` .. `-z`.
fn signed(axis: &str) -> (usize, f64) {
    let number = ["x", "y", "z"].iter().position(|name| axis.ends_with(name)).unwrap();
    (number, if axis.starts_with('-') { -1.0 } else { 1.0 })
}

/// Rate change along a demanded axis of what is selected for it, by sums of this file, with the centre of
/// mass `d` away from that of `stack`; a unit demand.
fn turn(scenario: &Scenario, stack: &MassProperties, axis: &str, d: [f64; 3]) -> f64 {
    let (number, sign) = signed(axis);
    let mut demand = [0.0; 3];
    demand[number] = sign * 1e-3;
    let times = &turnings(scenario, &[demand]).unwrap()[0].acting_s;
    let centre = [0, 1, 2].map(|i| stack.centre_of_mass_m[i] + d[i]);
    let mut angular = [0.0; 3];
    for (jet, time) in scenario.vehicle.jets.iter().zip(times) {
        let impulse = jet.force_direction.map(|c| c * jet.thrust_n * time);
        let arm = [0, 1, 2].map(|i| jet.position_m[i] - centre[i]);
        let torque = cross(arm, impulse);
        angular = [0, 1, 2].map(|i| angular[i] + torque[i]);
    }
    sign * solve(stack.inertia_kg_m2, angular)[number] / 1e-3
}

#[test]
fn the_margin_of_a_single_jet_is_its_arm() {
    // By hand: one jet turns each axis, and stops doing so where the centre of mass lies on its line of
    // force, 1 m away towards the jet.
    let scenario = six();
    let found = margins(&scenario);
    for (axis, jet) in found.healthy.iter().zip(&scenario.vehicle.jets) {
        assert!(axis.turned && !axis.wrong_way && axis.outcome == "delivered", "{axis:?}");
        assert!(
            close(axis.margin_m.unwrap(), 1.0, 1e-6) && close(axis.left_m.unwrap(), 1.0, 1e-6),
            "{axis:?}"
        );
        let direction = axis.direction.unwrap();
        assert!((0..3).all(|i| (direction[i] - jet.position_m[i]).abs() < 1e-6), "{axis:?}");
    }
    // Every jet is the only one of its axis: without it the axis is not turned, and the others are as before.
    for failure in &found.failures {
        for (axis, before) in failure.axes.iter().zip(&found.healthy) {
            let lost = failure.jet.ends_with(axis.axis.chars().last().unwrap())
                && failure.jet.starts_with("plus") == axis.axis.starts_with('+');
            assert_eq!(axis.turned, !lost, "{} {}", failure.jet, axis.axis);
            assert_eq!(axis.margin_m.is_some(), !lost);
            assert!(lost || close(axis.margin_m.unwrap(), before.margin_m.unwrap(), 1e-6));
        }
    }
}

#[test]
fn a_couple_has_no_margin_to_lose() {
    // Torques per newton by hand: (1, −1, 0), (1, 1, 0), (−1, −1, 0), (−1, 1, 0); roll alone takes the first
    // two for equal times, or the last two, and their forces cancel. Pitch takes two that push the same way.
    let jets = vec![
        jet("a", [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]),
        jet("b", [1.0, -1.0, 0.0], [0.0, 0.0, -1.0]),
        jet("c", [1.0, -1.0, 0.0], [0.0, 0.0, 1.0]),
        jet("d", [1.0, 1.0, 0.0], [0.0, 0.0, -1.0]),
        jet("plus_z", [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
        jet("minus_z", [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
    ];
    let scenario = scenario(jets, [0.0; 3], [100.0, 200.0, 300.0], 1.0);
    let found = margins(&scenario);
    for axis in &found.healthy {
        assert!(axis.turned && !axis.wrong_way, "{axis:?}");
        assert_eq!(axis.margin_m.is_none(), axis.axis.ends_with('x'), "{axis:?}");
        assert_eq!(axis.direction.is_none(), axis.axis.ends_with('x'), "{axis:?}");
        assert!(axis.margin_m.is_none_or(|margin| close(margin, 1.0, 1e-6)), "{axis:?}");
    }
    for axis in ["+x", "-x"] {
        let stack = told_properties(&scenario, &scenario.told);
        for d in [[90.0, 0.0, 0.0], [0.0, -90.0, 0.0], [0.0, 0.0, 90.0]] {
            assert!(close(turn(&scenario, &stack, axis, d), 1.0, 1e-4), "{axis} {d:?}");
        }
    }
}

/// Scenarios with products of inertia, a forbidden jet, and a table that is right.
fn layouts() -> Vec<Scenario> {
    let mut demo = load_named_or_path("docked_hold").unwrap();
    let mut released = demo.clone();
    released.stack.pop();
    released.told.stack.pop();
    demo.variants.clear();
    vec![demo, released, load_named_or_path("bare_tug_hold").unwrap(), jet_1_docked(1.0)]
}

#[test]
fn the_sign_turns_at_the_margin_by_sums_of_our_own() {
    let mut sides = 0;
    for scenario in layouts() {
        let stack = told_properties(&scenario, &scenario.told);
        let found = margins(&scenario);
        let mut without: Vec<(Scenario, &[AxisMargin])> = vec![(scenario.clone(), &found.healthy)];
        for failure in &found.failures {
            let mut failed = scenario.clone();
            let jet = failed.vehicle.jets.iter_mut().find(|jet| jet.name == failure.jet).unwrap();
            jet.state = JetState::Dead;
            without.push((failed, &failure.axes));
        }
        for (scenario, axes) in without {
            for axis in axes {
                let Some((margin, n)) = axis.margin_m.zip(axis.direction) else { continue };
                let at = |share: f64| turn(&scenario, &stack, &axis.axis, n.map(|c| c * margin * share));
                assert!(close(dot(n, n), 1.0, 1e-12));
                // Straight from 1 at the told centre of mass to 0 at the margin.
                assert!(close(at(0.0), 1.0, 1e-4), "{} {}", axis.axis, at(0.0));
                assert!(at(0.999) > 0.0 && at(1.001) < 0.0, "{} {axis:?}", scenario.name);
                sides += 2;
            }
        }
    }
    println!("{sides} sides of margins looked at");
    assert!(sides > 300, "{sides}");
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// No error shorter than the margin turns the axis the wrong way, whatever its direction.
    #[test]
    fn no_shorter_error_turns_the_axis(
        layout in 0_usize..4,
        axis in 0_usize..6,
        towards in prop::array::uniform3(-1.0_f64..1.0),
        share in 0.0_f64..0.999,
    ) {
        let scenario = &layouts()[layout];
        let axis = &margins(scenario).healthy[axis];
        let size = dot(towards, towards).sqrt();
        prop_assume!(axis.turned && size > 1e-3);
        let reach = axis.margin_m.unwrap_or(100.0) * share / size;
        let stack = told_properties(scenario, &scenario.told);
        let turned = turn(scenario, &stack, &axis.axis, towards.map(|c| c * reach));
        prop_assert!(turned > 0.0, "{axis:?} {towards:?} {share}: {turned}");
    }
}

#[test]
fn a_table_in_error_has_used_its_margin_up() {
    // Told 0.4 m of the arm of 1 m away along y: of the margin of +x, 0.6 m are left, of that of −x 1.4 m.
    let mut six = six();
    six.told.centre_of_mass_error_m = [0.0, -0.4, 0.0];
    let found = margins(&six);
    let of = |name: &str| found.healthy.iter().find(|axis| axis.axis == name).unwrap();
    assert!(close(of("+x").margin_m.unwrap(), 1.4, 1e-6) && close(of("+x").left_m.unwrap(), 1.0, 1e-6));
    assert!(close(of("-x").margin_m.unwrap(), 0.6, 1e-6) && close(of("-x").left_m.unwrap(), 1.0, 1e-6));
    // Told beyond the jet the axis is turned by the jet on the other side, and really the wrong way.
    six.told.centre_of_mass_error_m = [0.0, -1.5, 0.0];
    let found = margins(&six);
    let minus = found.healthy.iter().find(|axis| axis.axis == "-x").unwrap();
    assert!(!minus.turned && minus.margin_m.is_none() && !minus.wrong_way, "{minus:?}");
    // Told the bare tug, the demonstration turns the wrong way where the coupling table says so.
    let demo = load_named_or_path("docked_hold").unwrap();
    let bare = Told { stack: vec!["tug".into(), "grapple_mast".into()], ..demo.told.clone() };
    let found = sign_margins(&demo, &demo.stack, &bare).unwrap();
    let actual = stack::composite(&demo.vehicle, &demo.stack, &stack::full_tanks(&demo.vehicle));
    let told = Scenario { told: bare, ..demo.clone() };
    for axis in &found.healthy {
        let really = turn(&told, &actual, &axis.axis, [0.0; 3]);
        assert_eq!(axis.wrong_way, really < 0.0, "{axis:?} {really}");
        assert!(axis.left_m.is_none_or(|left| (left < 0.0) == axis.wrong_way), "{axis:?}");
    }
    assert!(found.healthy.iter().any(|axis| axis.wrong_way));
}

/// The scenario with client and stage moved together so that the composite centre of mass moves by `d`.
fn displaced(scenario: &Scenario, d: [f64; 3]) -> Scenario {
    let mut moved = scenario.clone();
    let far = |name: &String| name == "client" || name == "spent_stage";
    let mass = |s: &Scenario| stack::composite(&s.vehicle, &s.stack, &stack::full_tanks(&s.vehicle)).mass_kg;
    let bodies = &mut moved.vehicle.bodies;
    let moving: f64 = bodies.iter().filter(|b| far(&b.name)).map(|b| b.mass_kg).sum();
    let by = d.map(|c| c * mass(scenario) / moving);
    for body in bodies.iter_mut().filter(|body| far(&body.name)) {
        for (centre, by) in body.centre_of_mass_m.iter_mut().zip(by) {
            *centre += by;
        }
    }
    moved
}

/// Rate change along the axis, over what is asked, of the firing for the told table on the truth of a
/// displaced stack.
fn flown(told: &Scenario, axis: &str, d: [f64; 3]) -> f64 {
    const ASKED_RAD_S: f64 = 2e-3;
    let (number, sign) = signed(axis);
    let mut demand = [0.0; 3];
    demand[number] = sign * ASKED_RAD_S;
    let times = &turnings(told, &[demand]).unwrap()[0].acting_s;
    let mut really = displaced(told, d);
    really.initial.rate_rad_s = [0.0; 3];
    really.disturbances.clear();
    really.actuators.thrust_scatter = 0.0;
    really.actuators.pulse_scatter = 0.0;
    let mut truth = Truth::new(&really, &really.stack).unwrap();
    for (index, (jet, time)) in really.vehicle.jets.iter().zip(times).enumerate() {
        // Half of each ramp counts.
        let lost = jet.opening_delay_s + 0.5 * jet.rise_s;
        let gained = jet.closing_delay_s + 0.5 * jet.tail_off_s;
        if *time > jet.minimum_on_s {
            truth.command_valve(index, true, 0.0).unwrap();
            truth.command_valve(index, false, time + lost - gained).unwrap();
        }
    }
    truth.advance_to(times.iter().copied().fold(0.0, f64::max) + 1.0);
    sign * truth.rate_rad_s()[number] / ASKED_RAD_S
}

#[test]
fn flown_on_a_displaced_stack_the_sign_turns_beyond_the_margin() {
    // The inertia moves with the bodies here. Along the direction of the margin that helps on every axis of
    // the demonstration.
    let demo = load_named_or_path("docked_hold").unwrap();
    for axis in &margins(&demo).healthy {
        let (margin, n) = axis.margin_m.zip(axis.direction).unwrap();
        let at = |share: f64| flown(&demo, &axis.axis, n.map(|c| c * margin * share));
        let (mut right, mut wrong) = (0.0, 4.0);
        for _ in 0..30 {
            let middle = 0.5 * (right + wrong);
            if at(middle) > 0.0 { right = middle } else { wrong = middle }
        }
        println!("{}: margin {margin:.3} m; flown, client and stage moved, {right:.3} times that", axis.axis);
        assert!(close(at(0.0), 1.0, 0.02), "{} {}", axis.axis, at(0.0));
        assert!(at(right) > 0.0 && at(wrong) < 0.0 && (1.0..1.7).contains(&right), "{axis:?} {right}");
    }
}

#[test]
fn moving_the_inertia_as_well_costs_little_of_the_margin() {
    // All directions, client and stage moved together, inertia recomputed: the nearest turn of sign.
    let demo = load_named_or_path("docked_hold").unwrap();
    for axis in &margins(&demo).healthy {
        let margin = axis.margin_m.unwrap();
        let turned = |direction: &[f64; 3], share: f64| {
            let moved = displaced(&demo, direction.map(|c| c * margin * share));
            let stack = stack::composite(&moved.vehicle, &moved.stack, &stack::full_tanks(&moved.vehicle));
            turn(&demo, &stack, &axis.axis, [0.0; 3])
        };
        let directions = sphere(400);
        let nearest = (1..60).map(|step| f64::from(step) * 0.05).find(|share| {
            directions.iter().chain(&axis.direction).any(|direction| turned(direction, *share) < 0.0)
        });
        println!("{}: margin {margin:.3} m; with the inertia moved {nearest:?} times that", axis.axis);
        assert!(nearest.is_none_or(|share| share >= 0.95), "{axis:?} {nearest:?}");
    }
}
