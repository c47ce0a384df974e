//! `stackhold authority`.

use anyhow::Result;

use super::console::{Console, Ink};
use super::text::{maybe, number, percent, table, vector};
use super::{Common, flights, tell};
use crate::authority::{Authority, AxisAuthority, JetAuthority, authority as work_out};
use crate::engine_authority::EngineAuthority;
use crate::interface_loads::InterfaceAuthority;
use crate::output::Folder;
use crate::scenario::model::JetState;
use crate::sign_margin::{SignMargins, Style};

const STYLE: Style = Style { number, vector, name: str::to_owned, axis: str::to_owned };

/// Says what the jets can do about the actual centre of mass.
pub fn authority(
    (name, variant): (&str, Option<&str>),
    rate_change_deg_s: f64,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let scenario = flights::load_as(name, variant)?;
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let found = work_out(&scenario, rate_change_deg_s)?;
    let variant = flights::variant_words(variant);
    let next =
        format!("Next: stackhold select {name}{variant} --angular-impulse X,Y,Z   (which jets, how long)");
    tell(&found, folder.as_ref(), common, console, show, Some(next))
}

fn show(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    headline(found, console)?;
    mass_properties(found, console)?;
    jets(found, console)?;
    axes(found, console)?;
    rotations(found, console)?;
    failures(found, console)?;
    sign_margins(&found.sign_margins, console)?;
    for interface in &found.interfaces {
        interface_loads(interface, found.rate_change_deg_s, console)?;
    }
    if let Some(engine) = &found.engine {
        main_engine(engine, console)?;
    }
    free_modes(found, console)?;
    console.line("")
}

fn heading(text: &str, console: &mut Console<'_>) -> Result<()> {
    let text = console.inked(text, Ink::Heading);
    console.line("")?;
    console.line(&text)
}

fn headline(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    let shift = found.centre_of_mass_shift_m;
    let answer = if found.every_direction {
        format!(
            "{}: the jets turn this stack in every direction; at least {} N m, worst along {}.",
            found.scenario,
            number(found.attainable.least_torque_n_m),
            vector(found.attainable.least_torque_direction)
        )
    } else {
        format!("{}: the jets CANNOT turn this stack in every direction.", found.scenario)
    };
    console.line(&answer)?;
    console
        .line(&format!("Centre of mass {} m away from where the jets were laid out for.", vector(shift)))?;
    let reversed: Vec<String> = found
        .jets
        .iter()
        .filter(|jet| !jet.sign_changed.is_empty())
        .map(|jet| format!("{} (about {})", jet.jet, jet.sign_changed.join(", ")))
        .collect();
    if !reversed.is_empty() {
        console.line(&format!("Torque has changed sign: {}.", reversed.join("; ")))?;
    }
    let fatal: Vec<String> = found
        .failures
        .iter()
        .filter(|failure| !failure.axes_lost.is_empty())
        .map(|failure| format!("{} (loses {})", failure.jet, failure.axes_lost.join(", ")))
        .collect();
    if !fatal.is_empty() {
        console.line(&format!("A single failure takes axes away: {}.", fatal.join("; ")))?;
    }
    Ok(())
}

fn mass_properties(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    heading("Mass properties", console)?;
    let j = |m: &crate::authority::MassFigures| m.inertia_kg_m2;
    let row = |name: &str, unit: &str, of: &dyn Fn(&crate::authority::MassFigures) -> f64| {
        vec![name.to_owned(), unit.to_owned(), number(of(&found.actual)), number(of(&found.told))]
    };
    let rows = vec![
        row("mass", "kg", &|m| m.mass_kg),
        row("centre of mass x", "m", &|m| m.centre_of_mass_m[0]),
        row("centre of mass y", "m", &|m| m.centre_of_mass_m[1]),
        row("centre of mass z", "m", &|m| m.centre_of_mass_m[2]),
        row("inertia xx", "kg m2", &|m| j(m)[0][0]),
        row("inertia yy", "kg m2", &|m| j(m)[1][1]),
        row("inertia zz", "kg m2", &|m| j(m)[2][2]),
        row("inertia xy", "kg m2", &|m| j(m)[0][1]),
        row("inertia xz", "kg m2", &|m| j(m)[0][2]),
        row("inertia yz", "kg m2", &|m| j(m)[1][2]),
    ];
    console.line(&table(&["quantity", "unit", "actual", "told"], rows, 2))
}

fn jets(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    heading("Jets about the actual centre of mass", console)?;
    let mut rows = Vec::new();
    for jet in &found.jets {
        let state = match jet.state {
            _ if !jet.present => "absent",
            JetState::Ready => "ready",
            JetState::Forbidden => "forbidden",
            JetState::Dead => "dead",
        };
        let mut row = vec![jet.jet.clone(), state.to_owned()];
        row.extend(jet.torque_n_m.map(number));
        row.extend(jet.force_n.map(number));
        row.push(if jet.sign_changed.is_empty() { "-".to_owned() } else { jet.sign_changed.join(" ") });
        rows.push(row);
    }
    let header = ["jet", "state", "Tx N m", "Ty N m", "Tz N m", "Fx N", "Fy N", "Fz N", "sign changed"];
    console.line(&table(&header, rows, 2))?;
    let plume = |jet: &JetAuthority| {
        let plume = jet.plume.as_ref()?;
        let pushes = plume.force_n.into_iter().chain(plume.torque_n_m).map(number);
        let lead = [jet.jet.clone(), plume.body.clone(), percent(plume.thrust_left_share)];
        Some(lead.into_iter().chain(pushes).collect::<Vec<String>>())
    };
    let rows: Vec<Vec<String>> = found.jets.iter().filter_map(plume).collect();
    if rows.is_empty() {
        return Ok(());
    }
    console.line("Plumes that strike the stack, counted in the table above:")?;
    let header = ["jet", "strikes", "thrust left", "Fx N", "Fy N", "Fz N", "Tx N m", "Ty N m", "Tz N m"];
    console.line(&table(&header, rows, 2))
}

fn axes(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    heading("Each acceleration axis alone", console)?;
    let share = |coupling: Option<f64>| coupling.map_or_else(|| "-".to_owned(), percent);
    let rows = found.axes.iter().map(|axis| {
        let about_design = if axis.design_turns_wrong_way {
            "wrong way".to_owned()
        } else {
            share(axis.coupling_about_design)
        };
        vec![
            axis.axis.clone(),
            number(axis.acceleration_deg_s2),
            number(axis.torque_n_m),
            maybe(axis.price_kg_per_deg_s),
            share(axis.coupling_as_told),
            about_design,
            maybe(axis.smallest_bit_deg_s),
            bit_jet(axis),
        ]
    });
    let header = [
        "axis",
        "most deg/s2",
        "most N m",
        "kg per deg/s",
        "coupling as told",
        "selected about design",
        "smallest bit deg/s",
        "by jet",
    ];
    console.line(&table(&header, rows.collect(), 1))?;
    let spread = &found.attainable;
    console.line(&format!(
        "Over {} directions: {} to {} N m; {} to {} kg per N m s.",
        spread.directions,
        number(spread.least_torque_n_m),
        number(spread.most_torque_n_m),
        maybe(spread.lowest_price_kg_per_n_m_s),
        maybe(spread.highest_price_kg_per_n_m_s),
    ))
}

/// The jet with the smallest bit of an axis.
fn bit_jet(axis: &AxisAuthority) -> String {
    let name = axis.smallest_bit_jet.clone().unwrap_or_else(|| "-".to_owned());
    if axis.smallest_bit_is_stand_in { format!("{name} (turns another axis more)") } else { name }
}

fn rotations(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    heading(&format!("On-times for {} deg/s about one axis", number(found.rate_change_deg_s)), console)?;
    let mut rows = Vec::new();
    for axis in &found.axes {
        let rotation = &axis.rotation;
        let mut lead = vec![axis.axis.clone(), rotation.outcome.replace('_', " ")];
        let mut total = number(rotation.propellant_kg);
        for jet in rotation.jets.iter().filter(|jet| jet.on_ticks > 0) {
            let mut row = std::mem::replace(&mut lead, vec![String::new(); 2]);
            row.extend([jet.jet.clone(), number(jet.on_time_s), std::mem::take(&mut total)]);
            rows.push(row);
        }
        if rotation.jets.iter().all(|jet| jet.on_ticks == 0) {
            lead.extend(["nothing".to_owned(), "-".to_owned(), "0".to_owned()]);
            rows.push(lead);
        }
    }
    console.line(&table(&["axis", "outcome", "jet", "on-time s", "kg in all"], rows, 3))
}

fn failures(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    heading("If one jet fails", console)?;
    let rows = found.failures.iter().map(|failure| {
        let lost = if failure.axes_lost.is_empty() { "none".to_owned() } else { failure.axes_lost.join(" ") };
        let every = if failure.every_direction_left { "yes" } else { "NO" };
        vec![
            failure.jet.clone(),
            every.to_owned(),
            lost,
            number(failure.least_torque_n_m),
            maybe(failure.worst_price_ratio),
        ]
    });
    let header = ["jet", "every direction left", "axes lost", "least torque N m", "worst price ratio"];
    console.line(&table(&header, rows.collect(), 3))
}

fn interface_loads(
    found: &InterfaceAuthority,
    rate_change_deg_s: f64,
    console: &mut Console<'_>,
) -> Result<()> {
    heading(&format!("Loads on {} when jets fire", found.interface), console)?;
    console.line(&format!(
        "At {} m; beyond it {}, {} kg. Force and moment on the far side, body axes; steady thrust, rigid stack at rest.",
        vector(found.position_m),
        found.far_side.join(" and "),
        number(found.far_mass_kg)
    ))?;
    if let Some(limit) = &found.limit {
        console.line(&format!("It {}.", limit.words(number, "N m")))?;
    }
    let limited = found.jets.iter().any(|jet| jet.share_told.is_some());
    let rows = found.jets.iter().map(|jet| {
        let loads = jet.force_n.into_iter().chain(jet.moment_n_m).map(number);
        let share = jet.share_told.map(|share| format!("{} %", number(100.0 * share)));
        let mut row: Vec<String> = [jet.jet.clone()].into_iter().chain(loads).collect();
        row.extend(limited.then(|| share.unwrap_or_default()));
        row
    });
    let header = ["jet", "Fx N", "Fy N", "Fz N", "Mx N m", "My N m", "Mz N m", "takes of it"];
    let header = if limited { &header[..] } else { &header[..7] };
    console.line(&table(header, rows.collect(), 1))?;
    let rows = found
        .axes
        .iter()
        .map(|axis| vec![axis.axis.clone(), number(axis.peak_force_n), number(axis.peak_moment_n_m)]);
    console.line(&format!(
        "The firings for {} deg/s about one axis, while their jets close one by one:",
        number(rate_change_deg_s)
    ))?;
    console.line(&table(&["axis", "largest force N", "largest moment N m"], rows.collect(), 1))
}

/// What the main engine leaves over about the centre of mass, and what the jets can do about it.
fn main_engine(found: &EngineAuthority, console: &mut Console<'_>) -> Result<()> {
    heading("Main engine about the actual centre of mass", console)?;
    for sentence in found.sentences(number) {
        console.line(&sentence)?;
    }
    let rows = found.cases.iter().map(|case| {
        let lead = [case.gimbal.words().to_owned(), number(case.burnt_kg)];
        let figures = case.gimbal_deg.into_iter().chain([case.thrust_line_off_m]).chain(case.torque_n_m);
        let jets = case.share_of_jets.map_or_else(|| "none".to_owned(), percent);
        let last = [
            jets,
            maybe(case.jets_flow_kg_s),
            maybe(case.seconds_to_limit),
            maybe(case.seconds_to_limit_jets_quiet),
        ];
        lead.into_iter().chain(figures.map(number)).chain(last).collect()
    });
    let limit = number(found.attitude_limit_deg);
    let (at_most, quiet) = (format!("s to {limit} deg with jets"), "without");
    let header = [
        "gimbal",
        "burnt kg",
        "first deg",
        "second deg",
        "off m",
        "Tx N m",
        "Ty N m",
        "Tz N m",
        "of the jets'",
        "their kg/s",
        at_most.as_str(),
        quiet,
    ];
    console.line(&table(&header, rows.collect(), 1))?;
    for sentence in found.worst_cases().into_iter().filter_map(|case| case.sentence(number)) {
        console.line(&sentence)?;
    }
    console.line("Steady thrust without errors, from rest; other tanks full. The jets' flow is the least that carries the torque.")
}

/// How the stack swings at its joints, where it has some.
fn free_modes(found: &Authority, console: &mut Console<'_>) -> Result<()> {
    if found.free_modes.is_empty() {
        return Ok(());
    }
    heading("How the free stack swings, as [[told_bending]] tells the kernel", console)?;
    let rows = found.free_modes.iter().map(|mode| {
        [mode.frequency_hz, mode.damping_ratio, mode.turn_per_bend].into_iter().map(number).collect()
    });
    let header = ["frequency Hz", "damping ratio", "turn of the sensors over angle of the joint"];
    console.line(&table(&header, rows.collect(), 0))
}

fn sign_margins(found: &SignMargins, console: &mut Console<'_>) -> Result<()> {
    heading("Sign margin: error of the told centre of mass that turns an axis the wrong way", console)?;
    for sentence in found.sentences(STYLE) {
        console.line(&sentence)?;
    }
    console.line(
        "A shorter error of the centre of mass turns no axis the wrong way, whatever its direction. What is left of a margin counts \
         from the true centre of mass, where the kernel is told another.",
    )?;
    let rows = found.healthy.iter().map(|axis| {
        let direction = axis.direction.map_or_else(|| "-".to_owned(), |unit| STYLE.direction(unit));
        vec![axis.axis.clone(), axis.margin_words(STYLE), direction, axis.left_words(STYLE)]
    });
    let header = ["axis", "margin m", "direction, true less told", "left m"];
    console.line(&table(&header, rows.collect(), 1))?;
    let rows = found.failures.iter().map(|failure| {
        let margins = failure.axes.iter().map(|axis| axis.margin_words(STYLE));
        [failure.jet.clone()].into_iter().chain(margins).collect()
    });
    console.line("With one jet failed, and known to have failed:")?;
    console.line(&table(&["jet", "+x m", "-x m", "+y m", "-y m", "+z m", "-z m"], rows.collect(), 1))
}
