//! The swinging liquids of a scenario.

use super::model::{Slosh, Tank, Vehicle};
use super::section::{Range64, Section};
use crate::truth::slosh::MOST;

/// All swinging liquids, none for a missing key; `None` when a problem was written down.
pub(super) fn read_sloshes(root: &Section<'_>, vehicle: Option<&Vehicle>) -> Option<Vec<Slosh>> {
    let sections = root.sections("slosh")?;
    if let (Some(first), Some(key)) = (sections.first(), beside(root)) {
        first.complain("tank", format!("swings beside [{key}]"), format!("either [[slosh]] or [{key}]"));
        return None;
    }
    if let Some(beyond) = sections.get(MOST) {
        beyond.complain("tank", "is one tank too many", format!("at most {MOST} tanks whose liquid swings"));
        return None;
    }
    let tanks = vehicle.map(|vehicle| &vehicle.tanks[..]);
    let all: Vec<Option<Slosh>> = sections.iter().map(|section| read_slosh(section, tanks)).collect();
    let sloshes: Vec<Slosh> = all.into_iter().collect::<Option<_>>()?;
    if let [one, other] = &sloshes[..]
        && one.tank == other.tank
    {
        sections[1].complain("tank", format!("swings twice: \"{}\"", other.tank), "each tank once");
        return None;
    }
    Some(sloshes)
}

/// What is not modelled together with liquid that swings.
fn beside(root: &Section<'_>) -> Option<&'static str> {
    [("joint", "[joint]"), ("orbit", "orbit")]
        .into_iter()
        .find(|(key, _)| root.has(key))
        .map(|(_, name)| name)
}

fn read_slosh(section: &Section<'_>, tanks: Option<&[Tank]>) -> Option<Slosh> {
    let names: Option<Vec<String>> = tanks.map(|tanks| tanks.iter().map(|tank| tank.name.clone()).collect());
    let tank = match &names {
        Some(names) => section.reference("tank", names, "tank of the vehicle"),
        None => {
            section.has("tank");
            None
        }
    };
    let tank = tanks.zip(tank).and_then(|(tanks, name)| tanks.iter().find(|tank| tank.name == name));
    let mass = section.number("mass_kg", Range64::Positive, "the part that swings, such as mass_kg = 60.0");
    let length = section.number("length_m", Range64::Within(0.01, 10.0), "length_m, such as 0.25");
    let pivot = if section.has("pivot_m") {
        section.vector("pivot_m", Range64::Within(-1e3, 1e3), "pivot_m = [x, y, z] in structural axes")
    } else {
        tank.map(|tank| tank.position_m)
    };
    let hangs = section.direction("hangs_along");
    let hint = "the rate at which a swing dies in free fall, such as damping_per_s = 0.01";
    let damping = section.number_or("damping_per_s", Range64::Within(0.0, 10.0), hint, 0.0);
    section.finish();
    let (tank, mass_kg) = (tank?, mass?);
    if mass_kg > tank.propellant_kg {
        let wrong = format!("is more than the {} kg in the tank", tank.propellant_kg);
        section.complain("mass_kg", wrong, "the part of the tank's propellant that swings");
        return None;
    }
    Some(Slosh {
        tank: tank.name.clone(),
        mass_kg,
        pivot_m: pivot?,
        length_m: length?,
        hangs_along: hangs?,
        damping_per_s: damping?,
    })
}
