//! Vehicle file to [`Vehicle`].

use toml::de::DeTable;

use super::checks::{box_inertia, cylinder_inertia, inertia_fault, turned};
use super::engine_file::read_engine;
use super::model::{Body, Hull, Interface, Jet, JetState, Plume, Tank, Vehicle};
use super::problem::Notes;
use super::section::{Range64, Section, refuse_twins};

/// Jets a vehicle may have: one bit each in the kernel's sets.
pub(super) const MOST_JETS: usize = 32;

/// Furthest any point may lie from the origin of the structural axes, m.
pub(super) const REACH: Range64 = Range64::Within(-1e3, 1e3);

/// Reads a vehicle; `None` when any problem was written down.
pub(super) fn read<'t>(notes: &'t Notes<'t>, table: &'t DeTable<'t>) -> Option<Vehicle> {
    let root = Section::root(notes, table);
    let name = root.name("name", "name = \"my_vehicle\"");
    let design = root.vector(
        "design_centre_of_mass_m",
        REACH,
        "design_centre_of_mass_m = [x, y, z], the centre of mass the jets were laid out for",
    );
    let bodies = read_bodies(&root);
    let tanks = read_tanks(&root);
    let jets = read_jets(&root);
    let engine = read_engine(&root, tanks.as_deref());
    let interfaces = read_interfaces(&root);
    root.finish();
    Some(Vehicle {
        name: name?,
        design_centre_of_mass_m: design?,
        bodies: bodies?,
        tanks: tanks?,
        jets: jets?,
        engine: engine?,
        interfaces: interfaces?,
    })
}

fn read_interfaces(root: &Section<'_>) -> Option<Vec<Interface>> {
    let bodies = root.names_in("body");
    let sections = root.sections("interface")?;
    refuse_twins(sections.iter());
    let interfaces: Vec<Option<Interface>> =
        sections.iter().map(|section| read_interface(section, &bodies)).collect();
    interfaces.into_iter().collect()
}

fn read_interface(section: &Section<'_>, bodies: &[String]) -> Option<Interface> {
    let name = section.name("name", "name = \"grapple\"");
    let position = section.vector("position_m", REACH, "position_m = [x, y, z] in structural axes");
    let far = section.some_names("far_side", bodies.iter().map(String::as_str), "body of the vehicle");
    section.finish();
    let far = far?;
    if bodies.iter().all(|body| far.contains(body)) {
        section.complain("far_side", "holds every body", "only the bodies beyond the interface");
        return None;
    }
    Some(Interface { name: name?, position_m: position?, far_side: far })
}

fn read_bodies(root: &Section<'_>) -> Option<Vec<Body>> {
    let sections = root.some_sections("body", "at least one [[body]] with name, mass_kg, ..")?;
    refuse_twins(sections.iter());
    let bodies: Vec<Option<Body>> = sections.iter().map(read_body).collect();
    bodies.into_iter().collect()
}

fn read_body(section: &Section<'_>) -> Option<Body> {
    let name = section.name("name", "name = \"tug\"");
    let mass =
        section.number("mass_kg", Range64::Positive, "the dry mass in kilograms, such as mass_kg = 770.0");
    let centre = section.vector("centre_of_mass_m", REACH, "centre_of_mass_m = [x, y, z] in structural axes");
    let hull = read_hull(section);
    let offset = section.vector_or_zero("hull_offset_m", "hull_offset_m = [x, y, z] in own axes");
    let inertia = read_inertia(section, mass, hull);
    let orientation = read_orientation(section);
    section.finish();
    Some(Body {
        name: name?,
        mass_kg: mass?,
        centre_of_mass_m: centre?,
        inertia_kg_m2: inertia?,
        orientation_xyzw: orientation?,
        hull: hull?,
        hull_offset_m: offset?,
    })
}

fn read_hull(section: &Section<'_>) -> Option<Hull> {
    const SIDES: &str = "box_m = [x, y, z], full side lengths along own axes";
    let round = section.has("cylinder_radius_m") || section.has("cylinder_length_m");
    match (section.has("box_m"), round) {
        (true, true) => {
            let remedy = "either box_m, or cylinder_radius_m and cylinder_length_m";
            section.complain("box_m", "stands beside a cylinder", remedy);
            None
        }
        (true, false) => section.vector("box_m", Range64::UpTo(1e3), SIDES).map(Hull::Box),
        (false, true) => {
            let size = Range64::UpTo(1e3);
            let radius = section.number("cylinder_radius_m", size, "cylinder_radius_m, such as 0.85");
            let length =
                section.number("cylinder_length_m", size, "cylinder_length_m along own x, such as 2.2");
            Some(Hull::Cylinder { radius_m: radius?, length_m: length? })
        }
        (false, false) => {
            section.complain(
                "box_m",
                "is missing",
                format!("{SIDES}; or cylinder_radius_m and cylinder_length_m"),
            );
            None
        }
    }
}

fn read_inertia(section: &Section<'_>, mass: Option<f64>, hull: Option<Hull>) -> Option<[[f64; 3]; 3]> {
    const KEY: &str = "inertia_kg_m2";
    const EITHER: &str = "inertia_kg_m2 = { xx, yy, zz, xy, xz, yz } about the own centre of mass, \
                          or uniform = \"box\" or \"cylinder\"";
    match (section.has(KEY), section.has("uniform")) {
        (true, true) => {
            section.complain("uniform", "stands beside inertia_kg_m2", format!("one of the two: {EITHER}"));
            None
        }
        (false, false) => {
            section.complain(KEY, "is missing", EITHER);
            None
        }
        (true, false) => read_matrix(section, KEY),
        (false, true) => {
            let shape =
                section.choice("uniform", &["box", "cylinder"], "uniform = \"box\" or \"cylinder\"")?;
            if section.has("hull_offset_m") {
                let wrong = "cannot stand beside uniform, which puts the centre of mass in the hull's middle";
                section.complain(
                    "hull_offset_m",
                    wrong,
                    "no hull_offset_m, or inertia_kg_m2 in place of uniform",
                );
                return None;
            }
            match (shape, hull?) {
                ("box", Hull::Box(sides)) => Some(box_inertia(mass?, sides)),
                ("cylinder", Hull::Cylinder { radius_m, length_m }) => {
                    Some(cylinder_inertia(mass?, radius_m, length_m))
                }
                _ => {
                    let remedy = "uniform = \"box\" with box_m, or uniform = \"cylinder\" with cylinder_radius_m \
                                  and cylinder_length_m";
                    section.complain("uniform", "is another shape than the hull", remedy);
                    None
                }
            }
        }
    }
}

fn read_matrix(section: &Section<'_>, key: &'static str) -> Option<[[f64; 3]; 3]> {
    let table = section.section(key)?;
    let part = |key: &'static str| {
        let moment = matches!(key, "xx" | "yy" | "zz");
        let range = if moment { Range64::Positive } else { Range64::Any };
        let hint = if moment {
            "a moment of inertia in kg m2"
        } else {
            "minus the integral, in kg m2; 0.0 for none"
        };
        table.number(key, range, &format!("{key}, {hint}"))
    };
    let parts = ["xx", "yy", "zz", "xy", "xz", "yz"].map(part);
    table.finish();
    let [xx, yy, zz, xy, xz, yz] = parts;
    let (xx, yy, zz, xy, xz, yz) = (xx?, yy?, zz?, xy?, xz?, yz?);
    let matrix = [[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]];
    if let Some(fault) = inertia_fault(&matrix) {
        let remedy = "moments and products about the body's own centre of mass; xy, xz, yz as they stand in \
                      the matrix (minus the integrals)";
        section.complain(key, fault, remedy);
        return None;
    }
    Some(matrix)
}

fn read_orientation(section: &Section<'_>) -> Option<[f64; 4]> {
    const NOT_TURNED: [f64; 4] = [0.0, 0.0, 0.0, 1.0];
    let quaternion = section.has("orientation_xyzw");
    let about = section.has("turned_about") || section.has("turned_deg");
    if quaternion && about {
        let remedy = "either orientation_xyzw, or turned_about and turned_deg";
        section.complain("orientation_xyzw", "stands beside turned_about or turned_deg", remedy);
        return None;
    }
    if !about {
        return section.quaternion_or("orientation_xyzw", NOT_TURNED);
    }
    let axis = section.choice("turned_about", &["x", "y", "z"], "turned_about = \"x\", \"y\" or \"z\"");
    let angle = section.number("turned_deg", Range64::Within(-360.0, 360.0), "turned_deg, such as 60.0");
    let axis = ["x", "y", "z"].iter().position(|name| Some(*name) == axis)?;
    Some(turned(axis, angle?.to_radians()))
}

fn read_tanks(root: &Section<'_>) -> Option<Vec<Tank>> {
    let bodies = root.names_in("body");
    let sections = root.sections("tank")?;
    refuse_twins(sections.iter());
    let tanks: Vec<Option<Tank>> = sections.iter().map(|section| read_tank(section, &bodies)).collect();
    tanks.into_iter().collect()
}

fn read_tank(section: &Section<'_>, bodies: &[String]) -> Option<Tank> {
    let name = section.name("name", "name = \"fore_tank\"");
    let body = section.reference("body", bodies, "body");
    let position = section.vector("position_m", REACH, "position_m = [x, y, z] in structural axes");
    let propellant = section.number(
        "propellant_kg",
        Range64::NotNegative,
        "the propellant at time zero, such as propellant_kg = 150.0",
    );
    let unusable = section.number_or("unusable_kg", Range64::NotNegative, "unusable_kg, such as 3.0", 0.0);
    if let (Some(all), Some(rest)) = (propellant, unusable)
        && rest > all
    {
        let wrong = format!("is more than the {all} kg in the tank");
        section.complain("unusable_kg", wrong, format!("at most propellant_kg = {all}"));
    }
    section.finish();
    Some(Tank {
        name: name?,
        body: body?,
        position_m: position?,
        propellant_kg: propellant?,
        unusable_kg: unusable?,
    })
}

/// Everything a jet's kind may say for it.
#[derive(Clone, Copy)]
struct Valve {
    key: &'static str,
    range: Range64,
    hint: &'static str,
}

const fn valve(key: &'static str, range: Range64, hint: &'static str) -> Valve {
    Valve { key, range, hint }
}

/// Thrust and valve, in the order of [`Jet`]'s fields.
const VALVE: [Valve; 9] = [
    valve("thrust_n", Range64::UpTo(1e6), "the steady thrust in newtons, such as thrust_n = 22.0"),
    valve(
        "specific_impulse_s",
        Range64::UpTo(1e5),
        "the steady value in seconds, such as specific_impulse_s = 285.0",
    ),
    valve(
        "minimum_on_s",
        Range64::UpTo(10.0),
        "the shortest on-time in seconds, such as minimum_on_s = 0.028",
    ),
    valve(
        "opening_delay_s",
        Range64::Within(0.0, 10.0),
        "command to first thrust, such as opening_delay_s = 0.008",
    ),
    valve("rise_s", Range64::Within(0.0, 10.0), "first to full thrust, such as rise_s = 0.006"),
    valve(
        "closing_delay_s",
        Range64::Within(0.0, 10.0),
        "command to first loss of thrust, such as closing_delay_s = 0.007",
    ),
    valve("tail_off_s", Range64::Within(0.0, 10.0), "full thrust to none, such as tail_off_s = 0.012"),
    valve(
        "short_pulse_loss",
        Range64::Within(0.0, 0.9),
        "the fraction of specific impulse lost at first thrust, such as short_pulse_loss = 0.12",
    ),
    valve(
        "short_pulse_time_s",
        Range64::UpTo(1e3),
        "the time constant of that loss, such as short_pulse_time_s = 0.032",
    ),
];

fn read_jets(root: &Section<'_>) -> Option<Vec<Jet>> {
    let kinds = root.sections("jet_kind");
    let mut sound = true;
    refuse_twins(kinds.iter().flatten());
    for kind in kinds.iter().flatten() {
        sound &= kind.name("name", "name = \"large\"").is_some();
        for Valve { key, range, hint } in VALVE {
            sound &= !kind.has(key) || kind.number(key, range, hint).is_some();
        }
        kind.finish();
    }
    let sections = root.some_sections("jet", "at least one [[jet]] with name, body, tank, position_m, ..");
    let (kinds, sections) = (kinds?, sections?);
    refuse_twins(sections.iter());
    if let Some(beyond) = sections.get(MOST_JETS) {
        let wrong = format!("is jet {} of {}", MOST_JETS + 1, sections.len());
        beyond.complain("name", wrong, format!("at most {MOST_JETS} jets on one vehicle"));
        sound = false;
    }
    let bodies = root.names_in("body");
    let tanks = root.names_in("tank");
    let jets: Vec<Option<Jet>> =
        sections.iter().map(|section| read_jet(section, &kinds, &bodies, &tanks)).collect();
    let jets: Option<Vec<Jet>> = jets.into_iter().collect();
    jets.filter(|_| sound)
}

fn read_jet(
    section: &Section<'_>,
    kinds: &[Section<'_>],
    bodies: &[String],
    tanks: &[String],
) -> Option<Jet> {
    let name = section.name("name", "a name by place, such as name = \"aft_top_plus_y\"");
    let body = section.reference("body", bodies, "body");
    let tank = section.reference("tank", tanks, "tank");
    let position = section.vector("position_m", REACH, "position_m = [x, y, z] in structural axes");
    let direction = section.direction("force_direction");
    let group = section.integer("group", 0..=15, "group, 0 to 15", Some(0));
    let kind = find_kind(section, kinds);
    let values = kind.and_then(|kind| read_valve(section, kind));
    let plume = read_plume(section, bodies);
    section.finish();
    let [thrust, impulse, minimum, opening, rise, closing, tail, loss, time] = values?;
    let jet = Jet {
        name: name?,
        body: body?,
        tank: tank?,
        position_m: position?,
        force_direction: direction?,
        thrust_n: thrust,
        specific_impulse_s: impulse,
        minimum_on_s: minimum,
        opening_delay_s: opening,
        rise_s: rise,
        closing_delay_s: closing,
        tail_off_s: tail,
        short_pulse_loss: loss,
        short_pulse_time_s: time,
        group: u8::try_from(group?).ok()?,
        state: JetState::Ready,
        plume: plume?,
    };
    if !leaves_a_push(section, &jet) {
        return None;
    }
    let timed_by = kind.flatten().filter(|_| !section.has("minimum_on_s")).unwrap_or(section);
    reaches_full_thrust(timed_by, &jet).then_some(jet)
}

/// `Some(None)` without a plume that strikes anything, `None` when a problem was written down.
fn read_plume(jet: &Section<'_>, bodies: &[String]) -> Option<Option<Plume>> {
    if !jet.has("plume") {
        return Some(None);
    }
    let section = jet.section("plume")?;
    let body = section.reference("body", bodies, "body");
    let distance = section.number(
        "distance_m",
        Range64::UpTo(1e3),
        "from the nozzle to where the plume strikes, such as distance_m = 2.4",
    );
    let share = Range64::Within(0.0, 0.95);
    let lost = section.number_or("lost_share", share, "the share of thrust lost by striking head-on", 0.0);
    let force = section.vector_or_zero("force_n", "[x, y, z], further force on the struck body");
    section.finish();
    Some(Some(Plume { body: body?, distance_m: distance?, lost_share: lost?, force_n: force? }))
}

/// A jet whose plume takes all but a twentieth of its push, or turns it round, is of no use and a slip.
fn leaves_a_push(section: &Section<'_>, jet: &Jet) -> bool {
    let Some(plume) = &jet.plume else { return true };
    let push: f64 = plume.push_n(jet).iter().zip(jet.force_direction).map(|(p, d)| p * d).sum();
    if jet.thrust_n + push >= 0.05 * jet.thrust_n {
        return true;
    }
    let wrong = format!("takes {:.4} N of the {:.4} N of thrust", -push, jet.thrust_n);
    section.complain("plume", wrong, "less than 95 % of it, or the jet in jets_forbidden");
    false
}

/// The kind a jet names: `Some(None)` when it names none, `None` when a problem was written down.
fn find_kind<'k, 't>(section: &Section<'t>, kinds: &'k [Section<'t>]) -> Option<Option<&'k Section<'t>>> {
    if !section.has("kind") {
        return Some(None);
    }
    let names: Vec<String> = kinds.iter().filter_map(Section::own_name).collect();
    let Some(name) = section.reference("kind", &names, "jet_kind") else {
        section.accept(&VALVE.map(|valve| valve.key));
        return None;
    };
    kinds.iter().find(|kind| kind.own_name().as_ref() == Some(&name)).map(Some)
}

/// Thrust and valve of a jet, from itself or its kind.
fn read_valve(section: &Section<'_>, kind: Option<&Section<'_>>) -> Option<[f64; 9]> {
    let mut values = [0.0; 9];
    let mut sound = true;
    for (slot, Valve { key, range, hint }) in values.iter_mut().zip(VALVE) {
        let own = section.has(key);
        let found = match kind {
            // What is wrong inside the kind is written down there, once.
            Some(kind) if !own && kind.has(key) => kind.quiet_number(key, range),
            Some(_) if !own => {
                section.complain(key, "is missing, here and in its kind", format!("add {hint}"));
                None
            }
            _ => section.number(key, range, hint),
        };
        match found {
            Some(value) => *slot = value,
            None => sound = false,
        }
    }
    sound.then_some(values)
}

/// The shortest pulse must reach full thrust, or what a pulse delivers would not be linear in its
/// on-time.
fn reaches_full_thrust(section: &Section<'_>, jet: &Jet) -> bool {
    let open = jet.opening_delay_s + jet.rise_s;
    let shut = jet.minimum_on_s + jet.closing_delay_s;
    if shut >= open {
        return true;
    }
    let wrong = format!(
        "= {} s is too short: the jet would begin to shut at {shut:.4} s, before its full thrust at {open:.4} s",
        jet.minimum_on_s
    );
    let least = open - jet.closing_delay_s;
    section.complain(
        "minimum_on_s",
        wrong,
        format!("at least {least:.4} s, or quicker opening_delay_s and rise_s"),
    );
    false
}
