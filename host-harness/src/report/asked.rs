//! What was asked for, what was disturbed, and what the kernel was told beside what is true.

use maud::{Markup, html};

use super::lane::Lane;
use super::words::{self, degrees, number, vector, with_unit};
use crate::held::phase_ends;
use crate::scenario::model::{Mode, Pace, Push, Scenario};

/// One part of what was asked.
type Part = fn(&Scenario) -> Markup;

/// Modes, disturbances and model of one scenario; parts equal to those of `other` are not repeated.
pub fn scenario(scenario: &Scenario, other: Option<&Scenario>) -> Markup {
    let parts: [(&str, Part); 3] = [
        ("sequence of modes", modes),
        ("disturbances", disturbances),
        ("initial state, sensors, actuators and timing", model),
    ];
    let same = |part: Part| other.filter(|other| part(other).0 == part(scenario).0);
    html! {
        @for (name, part) in parts {
            @match same(part) {
                Some(other) => { p { "Same " (name) " as in " (words::plain(&other.name)) "." } }
                None => { (part(scenario)) }
            }
        }
    }
}

fn modes(scenario: &Scenario) -> Markup {
    html! {
        div.scroll { table {
            caption { "Sequence of modes. Half-widths, limits and changes about roll, pitch and yaw." }
            thead { tr {
                th.n scope="col" { "From, s" } th.n scope="col" { "To, s" }
                th scope="col" { "Mode" } th scope="col" { "What is asked" }
            } }
            tbody {
                @for (phase, to_s) in phase_ends(scenario) {
                    tr {
                        td.n { (number(phase.start_s)) @if phase.early { ", or when done before" } }
                        td.n { (number(to_s)) }
                        (mode(&phase.mode))
                    }
                }
            }
        } }
    }
}

fn mode(mode: &Mode) -> Markup {
    let (name, asked) = match mode {
        Mode::FreeDrift => ("free drift", "jets quiet".to_owned()),
        Mode::Watch { attitude_xyzw, wake_angle_rad, wake_rate_rad_s, half_width_rad, rate_limit_rad_s } => (
            "free drift, watched",
            format!(
                "jets quiet until {}° or {} °/s, then held: {}; {}",
                vector(degrees(*wake_angle_rad)),
                vector(degrees(*wake_rate_rad_s)),
                limits(half_width_rad, rate_limit_rad_s),
                attitude(attitude_xyzw)
            ),
        ),
        Mode::Damp { rate_limit_rad_s } => (
            "rate damping",
            format!("to {} °/s or less, whatever the attitude", vector(degrees(*rate_limit_rad_s))),
        ),
        Mode::Hand {
            deflections, full_rate_rad_s, half_width_rad, rate_limit_rad_s, asks_for_bits, ..
        } => (
            "rate command by hand",
            format!(
                "{}; {} changes of deflection; held otherwise: {}",
                if *asks_for_bits {
                    "one smallest firing for each new deflection".to_owned()
                } else {
                    format!("{} °/s at full deflection", vector(degrees(*full_rate_rad_s)))
                },
                deflections.len(),
                limits(half_width_rad, rate_limit_rad_s)
            ),
        ),
        Mode::Hold { attitude_xyzw, half_width_rad, rate_limit_rad_s } => (
            "attitude hold",
            format!("{}; {}", limits(half_width_rad, rate_limit_rad_s), attitude(attitude_xyzw)),
        ),
        Mode::Slew { attitude_xyzw, pace, half_width_rad, rate_limit_rad_s } => (
            "slew",
            format!(
                "to {}, {}; held about the path and at its end: {}",
                attitude(attitude_xyzw),
                match pace {
                    Pace::Quick { rate_limit_rad_s } => format!(
                        "as quickly as the jets and {} °/s allow",
                        number(rate_limit_rad_s.to_degrees())
                    ),
                    Pace::Cheap { duration_s, stray_rad } => format!(
                        "in {} s, straying from one axis by at most {}°",
                        number(*duration_s),
                        number(stray_rad.to_degrees())
                    ),
                },
                limits(half_width_rad, rate_limit_rad_s)
            ),
        ),
        Mode::Rotate {
            about,
            free_axis_within_rad,
            rate_rad_s,
            rate_error_rad_s,
            nutation_rad,
            stray_rad,
        } => (
            "slow rotation",
            format!(
                "{} ± {} °/s about the free axis nearest to {}, within {}°; nutation up to {}°; set up again after straying \
                 by {}°",
                number(rate_rad_s.to_degrees()),
                number(rate_error_rad_s.to_degrees()),
                vector(*about),
                number(free_axis_within_rad.to_degrees()),
                number(nutation_rad.to_degrees()),
                number(stray_rad.to_degrees())
            ),
        ),
        Mode::Translate { attitude_xyzw, velocity_change_m_s, half_width_rad, rate_limit_rad_s } => (
            "translation",
            format!(
                "velocity change {} m/s; {}; {}",
                vector(*velocity_change_m_s),
                limits(half_width_rad, rate_limit_rad_s),
                attitude(attitude_xyzw)
            ),
        ),
        Mode::Burn { attitude_xyzw, velocity_change_m_s, settling_s, half_width_rad, rate_limit_rad_s } => (
            "main-engine burn",
            format!(
                "velocity change {} m/s, after {} s of settling push; {}; {}",
                vector(*velocity_change_m_s),
                number(*settling_s),
                limits(half_width_rad, rate_limit_rad_s),
                attitude(attitude_xyzw)
            ),
        ),
        Mode::Impulse { rate_change_rad_s, velocity_change_m_s } => {
            let linear = velocity_change_m_s.map_or_else(
                || "translation left free".to_owned(),
                |v| format!("velocity change {} m/s", vector(v)),
            );
            ("open-loop firing", format!("rate change {} °/s; {linear}", vector(degrees(*rate_change_rad_s))))
        }
    };
    html! { th scope="row" { (name) } td { (asked) } }
}

fn limits(half_width_rad: &[f64; 3], rate_limit_rad_s: &[f64; 3]) -> String {
    format!(
        "deadband half-width {}°; rate limit {} °/s",
        vector(degrees(*half_width_rad)),
        vector(degrees(*rate_limit_rad_s))
    )
}

fn attitude([x, y, z, w]: &[f64; 4]) -> String {
    format!("attitude (x, y, z, w) = ({}, {}, {}, {})", number(*x), number(*y), number(*z), number(*w))
}

fn disturbances(scenario: &Scenario) -> Markup {
    html! {
        (pushes(scenario))
        (releases(scenario))
        @for joint in &scenario.joints { p {
            "Sprung joint " (words::plain(&joint.name)) ", which carries "
            (joint.bodies.iter().map(|body| words::plain(body)).collect::<Vec<_>>().join(", "))
            ": axis " (vector(joint.axis)) " through " (vector(joint.hinge_m)) " m; "
            (with_unit(joint.frequency_hz, "Hz")) ", damping " (number(joint.damping_ratio))
            " of critical, with the rest held still."
        } }
        @for slosh in &scenario.sloshes { p {
            (with_unit(slosh.mass_kg, "kg")) " of the liquid in " (words::plain(&slosh.tank))
            " swing as a pendulum of " (with_unit(slosh.length_m, "m")) " about " (vector(slosh.pivot_m))
            " m; at the start along " (vector(slosh.hangs_along)) "; damping "
            (with_unit(slosh.damping_per_s, "1/s")) "."
        } }
        @for mode in &scenario.kernel.bending { p {
            "The kernel is told a bending mode of " (with_unit(mode.frequency_hz, "Hz")) ", damping "
            (number(mode.damping_ratio)) " of critical, that turns the sensors by "
            (with_unit(mode.swing_rad.to_degrees(), "°")) "."
        } }
        @if let Some(orbit) = &scenario.orbit { p {
            "Gravity gradient of a circular orbit of " (number(orbit.rate_rad_s.to_degrees()))
            " °/s; inertial axes: up at the start " (vector(orbit.up_at_start))
            ", orbit normal " (vector(orbit.normal)) "."
        } }
    }
}

fn releases(scenario: &Scenario) -> Markup {
    html! {
        @for release in &scenario.releases { p {
            "Release at " (with_unit(release.at_s, "s")) ": the " (words::plain(&release.interface)) " parts, what is beyond it goes. "
            @if release.springs.is_empty() { "No spring pushes. " }
            @for spring in &release.springs {
                "Spring of " (with_unit(spring.energy_j, "J")) " at " (vector(spring.position_m))
                " m, pushing what stays along " (vector(spring.direction)) ". "
            }
            @if release.spring_scatter > 0.0 {
                "Scatter of the energies " (number(release.spring_scatter * 100.0)) " % (one sigma). "
            }
            "Distance to be kept " (with_unit(release.keep_out_m, "m")) "."
        } }
    }
}

fn pushes(scenario: &Scenario) -> Markup {
    if scenario.disturbances.is_empty() {
        return html! { p { "No standing disturbance." } };
    }
    html! {
        div.scroll { table {
            caption { "Standing disturbances, body axes." }
            thead { tr {
                th scope="col" { "Name" } th.n scope="col" { "From, s" } th.n scope="col" { "To, s" }
                th scope="col" { "Push" }
            } }
            tbody { @for push in &scenario.disturbances { tr {
                th scope="row" { (words::plain(&push.name)) }
                td.n { (number(push.start_s)) } td.n { (number(push.stop_s)) }
                td { @match push.push {
                    Push::Vent { position_m, force_n, torque_n_m } => {
                        "force " (vector(force_n)) " N at " (vector(position_m)) " m"
                        @if torque_n_m != [0.0; 3] { ", torque " (vector(torque_n_m)) " N·m" }
                    }
                    Push::Torque { torque_n_m } => { "torque " (vector(torque_n_m)) " N·m" }
                }
                @if let Some(body) = &push.body { ", on the " (words::plain(body)) } }
            } } }
        } }
    }
}

/// Initial state, sensors, actuators and kernel timing: the rest of the model, folded in two columns.
fn model(scenario: &Scenario) -> Markup {
    let (sensors, kernel) = (&scenario.sensors, &scenario.kernel);
    let [x, y, z, w] = scenario.initial.attitude_xyzw.map(number);
    let rows: Vec<(&str, String)> = vec![
        ("Duration", words::time_span(scenario.duration_s)),
        ("Initial attitude (x, y, z, w)", format!("({x}, {y}, {z}, {w})")),
        ("Initial rate", format!("{} °/s", vector(degrees(scenario.initial.rate_rad_s)))),
        (
            "Control cycle",
            with_unit(kernel.tick_s * f64::from(kernel.cycle_ticks), "s")
                + ", tick "
                + &with_unit(kernel.tick_s, "s"),
        ),
        (
            "Attitude sensor",
            format!(
                "noise {} (one sigma), quantum {}",
                with_unit(sensors.attitude_noise_rad.to_degrees(), "°"),
                with_unit(sensors.attitude_quantum_rad.to_degrees(), "°")
            ),
        ),
        (
            "Rate sensor",
            format!(
                "noise {} (one sigma), quantum {}, bias {} °/s",
                with_unit(sensors.rate_noise_rad_s.to_degrees(), "°/s"),
                with_unit(sensors.rate_quantum_rad_s.to_degrees(), "°/s"),
                vector(degrees(sensors.rate_bias_rad_s))
            ),
        ),
        (
            "Age of a measurement",
            if sensors.attitude_delay_s == sensors.rate_delay_s {
                with_unit(sensors.attitude_delay_s, "s")
            } else {
                format!(
                    "attitude {}, rate {}",
                    with_unit(sensors.attitude_delay_s, "s"),
                    with_unit(sensors.rate_delay_s, "s")
                )
            },
        ),
        (
            "Thrust scatter (one sigma)",
            format!(
                "{} % per jet, {} % per pulse",
                number(scenario.actuators.thrust_scatter * 100.0),
                number(scenario.actuators.pulse_scatter * 100.0)
            ),
        ),
    ];
    html! {
        div.scroll { table {
            caption { "Initial state, sensors, actuators and timing." }
            tbody { @for (name, value) in rows { tr { th scope="row" { (name) } td { (value) } } } }
        } }
    }
}

/// What is true beside what each kernel was told.
pub fn told_and_true(lanes: &[Lane<'_>]) -> Markup {
    html! {
        div.scroll { table.told {
            caption { "What is true and what the kernel was told, at the start; structural axes. Inertia about each centre of mass; off-diagonal elements are minus the integral. Rows marked ≠ differ." }
            thead {
                tr {
                    th scope="col" { "Flight" } th scope="col" { "Quantity" }
                    th.n scope="col" { "True" } th.n scope="col" { "Told" }
                }
            }
            tbody { @for lane in lanes { (told_rows(lane)) } }
        } }
    }
}

fn told_rows(lane: &Lane<'_>) -> Markup {
    let rows = told_pairs(lane);
    html! {
        @for (place, (name, actual, told)) in rows.iter().enumerate() {
            tr.differs[actual != told] {
                @if place == 0 { th scope="rowgroup" rowspan=(rows.len()) { (lane.title) } }
                th scope="row" { @if actual != told { span.mark { "≠ " } } (name) }
                td.n { (actual) } td.n { (told) }
            }
        }
    }
}

fn told_pairs(lane: &Lane<'_>) -> Vec<(&'static str, String, String)> {
    let (stack, told) = (&lane.flight.stack, &lane.scenario.told);
    let list = |names: &[String]| names.iter().map(|name| words::plain(name)).collect::<Vec<_>>().join(", ");
    let variant = lane.scenario.variants.iter().find(|v| v.name == lane.flight.record.name);
    let told_bodies = match variant {
        Some(variant) => variant.told_stack.clone().unwrap_or_else(|| stack.bodies.clone()),
        None => told.stack.clone(),
    };
    let mut rows = vec![("Bodies", list(&stack.bodies), list(&told_bodies))];
    if let Some(picture) = &stack.told {
        let (a, t) = (&stack.inertia_kg_m2, &picture.inertia_kg_m2);
        let diagonal = |m: &[[f64; 3]; 3]| format!("{} kg·m²", vector([m[0][0], m[1][1], m[2][2]]));
        let products = |m: &[[f64; 3]; 3]| format!("{} kg·m²", vector([m[0][1], m[0][2], m[1][2]]));
        rows.push(("Mass", with_unit(stack.mass_kg, "kg"), with_unit(picture.mass_kg, "kg")));
        rows.push((
            "Centre of mass",
            format!("{} m", vector(stack.centre_of_mass_m)),
            format!("{} m", vector(picture.centre_of_mass_m)),
        ));
        rows.push(("Inertia xx, yy, zz", diagonal(a), diagonal(t)));
        rows.push(("Inertia xy, xz, yz", products(a), products(t)));
    }
    rows.push(("Thrust, told over true", "1".to_owned(), number(told.thrust_factor)));
    rows
}
