//! What a scenario lets go.

use nalgebra::Vector3;

use super::model::{Engine, Interface, InterfaceLimit, JetState, Parted, Release, Spring, Told, Vehicle};
use super::section::{Range64, Section};
use super::trade_file::every_jet_may_open;
use crate::stack::{composite, full_tanks};
use crate::truth::interface::far_bodies;

/// Most releases of one scenario.
const MOST: usize = 1;
/// A spring nearer than this to the centre of mass of what goes has no direction of its own, m.
const TOO_NEAR_M: f64 = 1e-3;

/// The vehicle, the stack that is there, what the kernel is told, and what interfaces may carry.
type Flown<'a> = (&'a Vehicle, &'a [String], &'a Told, &'a [InterfaceLimit]);

/// All releases, none for a missing key; `None` when a problem was written down.
///
/// * `duration` — of the run, s; `flown` — where vehicle and stack could be read.
pub(super) fn read_releases(
    root: &Section<'_>,
    duration: Option<f64>,
    flown: Option<Flown<'_>>,
) -> Option<Vec<Release>> {
    let sections = root.sections("release")?;
    let soft = ["joint", "slosh"].into_iter().find(|key| root.has(key));
    if let (Some(first), Some(key)) = (sections.first(), soft) {
        let wrong =
            format!("parts a stack with [[{key}]]: what swings is not divided between two bodies yet");
        first.complain("interface", wrong, format!("either [[release]] or [[{key}]]"));
        return None;
    }
    if let Some(beyond) = sections.get(MOST) {
        beyond.complain("interface", "is one release too many", format!("at most {MOST}"));
        return None;
    }
    let all: Vec<Option<Release>> =
        sections.iter().map(|section| read_release(section, duration, flown)).collect();
    all.into_iter().collect()
}

fn read_release(section: &Section<'_>, duration: Option<f64>, flown: Option<Flown<'_>>) -> Option<Release> {
    let at = read_moment(section, duration);
    let interface = read_interface(section, flown);
    let hint = "one sigma of each spring's energy as a fraction, such as spring_scatter = 0.05";
    let scatter = section.number_or("spring_scatter", Range64::Within(0.0, 0.3), hint, 0.0);
    let hint = "the distance between the hulls that is to be kept, such as keep_out_m = 5.0";
    let keep_out = section.number("keep_out_m", Range64::UpTo(1e5), hint);
    let sections = section.sections("spring");
    section.finish();
    let (interface, gone) = interface?;
    let springs: Vec<Option<Spring>> =
        sections?.iter().map(|spring| read_spring(spring, flown, interface, &gone)).collect();
    Some(Release {
        at_s: at?,
        interface: interface.name.clone(),
        springs: springs.into_iter().collect::<Option<_>>()?,
        spring_scatter: scatter?,
        keep_out_m: keep_out?,
        told: true,
    })
}

fn read_moment(section: &Section<'_>, duration: Option<f64>) -> Option<f64> {
    let at = section.number("at_s", Range64::Positive, "the moment in seconds, such as at_s = 600.0")?;
    let end = duration.unwrap_or(f64::MAX);
    if at >= end {
        let wrong = format!("is not before the end of the run at {end} s");
        section.complain("at_s", wrong, format!("below {end}"));
        return None;
    }
    Some(at)
}

/// The interface that parts, and the bodies beyond it; what stays must be able to fly.
fn read_interface<'a>(
    section: &Section<'_>,
    flown: Option<Flown<'a>>,
) -> Option<(&'a Interface, Vec<String>)> {
    const KEY: &str = "interface";
    let Some((vehicle, stack, told, limits)) = flown else {
        section.text(KEY, "interface = \"stage_clamp\"");
        return None;
    };
    let names: Vec<String> = vehicle.interfaces.iter().map(|one| one.name.clone()).collect();
    let name = section.reference(KEY, &names, "interface of the vehicle")?;
    let interface = vehicle.interfaces.iter().find(|one| one.name == name)?;
    let refuse = |wrong: String, remedy: &str| {
        section.complain(KEY, wrong, remedy);
        None
    };
    let Some(gone) = far_bodies(interface, stack) else {
        let wrong = "has bodies of this stack on one side only".to_owned();
        return refuse(wrong, "an interface with something to let go, and something that stays");
    };
    let left = told.without(&gone);
    if left.stack.is_empty() {
        let wrong = format!("takes all that the kernel is told of along: {}", told.stack.join(", "));
        return refuse(wrong, "a told_stack with a body that stays");
    }
    let tank_goes = |tank: &str| vehicle.tanks.iter().any(|one| one.name == tank && gone.contains(&one.body));
    let mut staying = vehicle.jets.iter().filter(|jet| !gone.contains(&jet.body));
    if let Some(jet) = staying.clone().find(|jet| tank_goes(&jet.tank)) {
        let wrong = format!("takes \"{}\" along, the tank of jet \"{}\", which stays", jet.tank, jet.name);
        return refuse(wrong, "an interface with each jet and its tank on one side");
    }
    let engine_stays = |engine: &&Engine| engine.body.as_ref().is_none_or(|body| !gone.contains(body));
    let fed = vehicle.engine.as_ref().filter(engine_stays).and_then(|engine| engine.tank.as_ref());
    if let Some(tank) = fed.filter(|tank| tank_goes(tank)) {
        let wrong = format!("takes \"{tank}\" along, the tank of the main engine, which stays");
        return refuse(wrong, "an interface with the engine and its tank on one side");
    }
    if !staying.any(|jet| jet.state == JetState::Ready) {
        let wrong = "takes every jet along that may be fired".to_owned();
        return refuse(wrong, "an interface with jets on its near side");
    }
    every_jet_may_open((section, KEY), vehicle, limits, &left).then_some((interface, gone))
}

/// A spring. At the interface where no place is given; where no direction is given, away from the centre of mass of
/// what goes, full tanks: that part gets no rate from it.
fn read_spring(
    section: &Section<'_>,
    flown: Option<Flown<'_>>,
    interface: &Interface,
    gone: &[String],
) -> Option<Spring> {
    let hint = "the energy it gives to both parts together, such as energy_j = 2.0";
    let energy = section.number("energy_j", Range64::UpTo(1e6), hint);
    let position = if section.has("position_m") {
        section.vector("position_m", Range64::Within(-1e3, 1e3), "position_m = [x, y, z] in structural axes")
    } else {
        Some(interface.position_m)
    };
    let given = section.has("direction").then(|| section.direction("direction"));
    section.finish();
    let (energy_j, position_m) = (energy?, position?);
    let direction = match given {
        Some(direction) => direction?,
        None => {
            let (vehicle, ..) = flown?;
            let centre = composite(vehicle, gone, &full_tanks(vehicle)).centre_of_mass_m;
            let away = Vector3::from(position_m) - Vector3::from(centre);
            if away.norm() < TOO_NEAR_M {
                let wrong = "is missing, and the spring sits at the centre of mass of what goes";
                section.complain("direction", wrong, "direction = [x, y, z], of the force on what stays");
                return None;
            }
            away.normalize().into()
        }
    };
    Some(Spring { position_m, direction, energy_j })
}

/// What becomes of the releases in a variant; they happen, and the kernel is told, where nothing is said.
///
/// * `releases` — whether the scenario has any.
pub(super) fn read_parted(section: &Section<'_>, releases: bool) -> Option<Parted> {
    const KEY: &str = "release";
    if !section.has(KEY) {
        return Some(Parted::Told);
    }
    let hint = "release = \"held\", for a flight that keeps all; \"untold\" where the kernel is not told";
    let word = section.choice(KEY, &["told", "untold", "held"], hint)?;
    if !releases {
        let wrong = format!("is \"{word}\", but nothing is released");
        section.complain(KEY, wrong, "a [[release]] in the scenario");
        return None;
    }
    Some(match word {
        "held" => Parted::Held,
        "untold" => Parted::Untold,
        _ => Parted::Told,
    })
}
