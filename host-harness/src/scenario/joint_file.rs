//! The sprung joints of a scenario.

use super::model::{Joint, Vehicle};
use super::scenario_file::VehicleNames;
use super::section::{Range64, Section, refuse_twins};
use crate::truth::joints::MOST;

/// All joints, none for a missing key; `None` when a problem was written down.
pub(super) fn read_joints(
    root: &Section<'_>,
    names: &VehicleNames,
    vehicle: Option<&Vehicle>,
) -> Option<Vec<Joint>> {
    let sections = root.sections("joint")?;
    refuse_twins(sections.iter());
    let joints: Vec<Option<Joint>> =
        sections.iter().map(|section| read_joint(section, names, vehicle)).collect();
    if let Some(beyond) = sections.get(MOST) {
        beyond.complain("name", "is one joint too many", format!("at most {MOST}"));
        return None;
    }
    joints.into_iter().collect()
}

fn read_joint(section: &Section<'_>, names: &VehicleNames, vehicle: Option<&Vehicle>) -> Option<Joint> {
    let name = section.name("name", "name = \"client_grip\"");
    let bodies = names.some(section, "bodies");
    let hint = "hinge_m = [x, y, z] in structural axes";
    let hinge = section.vector("hinge_m", Range64::Within(-1e3, 1e3), hint);
    let axis = section.direction("axis");
    let hint = "with the rest held still, such as frequency_hz = 0.3";
    let frequency = section.number("frequency_hz", Range64::Within(0.01, 10.0), hint);
    let hint = "damping over critical, such as damping_ratio = 0.01";
    let damping = section.number("damping_ratio", Range64::Within(0.0, 1.0), hint);
    let hint = "a small angle, such as initial_deg = 0.1";
    let initial = section.number_or("initial_deg", Range64::Within(-10.0, 10.0), hint, 0.0);
    section.finish();
    let bodies = bodies.filter(|bodies| carries_neither_jet_nor_tank(section, bodies, vehicle));
    Some(Joint {
        name: name?,
        bodies: bodies?,
        hinge_m: hinge?,
        axis: axis?,
        frequency_hz: frequency?,
        damping_ratio: damping?,
        initial_rad: initial?.to_radians(),
    })
}

/// Jets and sensors sit on what no joint carries, and what a joint carries keeps its mass.
fn carries_neither_jet_nor_tank(section: &Section<'_>, bodies: &[String], vehicle: Option<&Vehicle>) -> bool {
    let Some(vehicle) = vehicle else { return true };
    let jet = vehicle.jets.iter().map(|jet| (&jet.body, format!("jet \"{}\"", jet.name)));
    let tank = vehicle.tanks.iter().map(|tank| (&tank.body, format!("tank \"{}\"", tank.name)));
    let engine = vehicle.engine.iter().filter_map(|engine| engine.body.as_ref());
    let engine = engine.map(|body| (body, "the main engine".to_owned()));
    let Some((body, what)) = jet.chain(tank).chain(engine).find(|(body, _)| bodies.contains(body)) else {
        return true;
    };
    let wrong = format!("names \"{body}\", which carries {what}");
    section.complain(
        "bodies",
        wrong,
        "bodies without jets, tanks and the main engine: the far side of the joint",
    );
    false
}
