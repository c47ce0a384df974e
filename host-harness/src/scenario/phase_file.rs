//! The phases of a scenario: when which mode begins, and what it is told.

use super::hand_file;
use super::model::{Deflection, Initial, Mode, Phase};
use super::problem::Problem;
use super::section::{Range64, Section};

/// Modes by the word for them, and every key that one of them has.
const MODES: [&str; 6] = ["free_drift", "watch", "damp", "hold", "hand", "impulse"];
const KEYS: [&str; 13] = [
    "attitude_xyzw",
    "half_width_deg",
    "rate_limit_deg_s",
    "wake_angle_deg",
    "wake_rate_deg_s",
    "deflections",
    "deflections_file",
    "dead_zone",
    "full_rate_deg_s",
    "asks_for",
    "rate_change_deg_s",
    "velocity_change_m_s",
    "start_s",
];

/// Largest rates that are taken: the kernel flies no faster.
const RATE_DEG_S: f64 = 57.0;

/// What lies beside a scenario file.
pub(super) trait Files {
    /// Text of a file, by its path relative to the scenario, with the name to show for it.
    ///
    /// # Errors
    /// What is wrong, and what would be right.
    fn text(&self, reference: &str) -> Result<(String, String), (String, String)>;

    /// Takes up what is wrong inside such a file.
    fn refuse(&self, problems: Vec<Problem>);
}

/// Reads every `[[phase]]`; `None` when any problem was written down.
///
/// * `duration` — of the run, s; `initial` — where it starts, whose attitude is held where none is given.
pub(super) fn read_phases(
    root: &Section<'_>,
    duration: Option<f64>,
    initial: Option<&Initial>,
    files: &dyn Files,
) -> Option<Vec<Phase>> {
    let sections = root.some_sections("phase", "at least one [[phase]] with start_s = 0.0 and a mode")?;
    let mut earlier: Option<f64> = None;
    let mut phases = Vec::new();
    for section in &sections {
        let start =
            section.number("start_s", Range64::NotNegative, "the start in seconds; 0.0 for the first");
        let mode = read_mode(section, initial, files);
        section.finish();
        let start = start.filter(|&start| phase_in_order(section, start, earlier, duration));
        earlier = start.or(earlier).or(Some(0.0));
        phases.push(start.zip(mode).map(|(start_s, mode)| Phase { start_s, mode }));
    }
    phases.into_iter().collect()
}

fn phase_in_order(section: &Section<'_>, start: f64, earlier: Option<f64>, duration: Option<f64>) -> bool {
    let fault = match (earlier, duration) {
        (None, _) if start != 0.0 => {
            Some(("starts late: the first phase must start the run".to_owned(), "start_s = 0.0".to_owned()))
        }
        (Some(before), _) if start <= before => Some((
            format!("is not after the phase before it, which starts at {before} s"),
            format!("above {before}"),
        )),
        (_, Some(end)) if start >= end => Some((
            format!("is not before the end of the run at {end} s"),
            format!("below {end}, or a longer duration_s"),
        )),
        _ => None,
    };
    let Some((wrong, remedy)) = fault else { return true };
    section.complain("start_s", wrong, remedy);
    false
}

fn read_mode(section: &Section<'_>, initial: Option<&Initial>, files: &dyn Files) -> Option<Mode> {
    let hint = "mode = \"free_drift\", \"watch\", \"damp\", \"hold\", \"hand\" or \"impulse\"";
    let Some(mode) = section.choice("mode", &MODES, hint) else {
        section.accept(&KEYS);
        return None;
    };
    match mode {
        "watch" => read_watch(section, initial),
        "damp" => {
            let hint = "the largest rate that is left alone, such as rate_limit_deg_s = 0.02 for every axis";
            let limit = section.per_axis("rate_limit_deg_s", Range64::UpTo(RATE_DEG_S), hint)?;
            Some(Mode::Damp { rate_limit_rad_s: limit.map(f64::to_radians) })
        }
        "hold" => {
            let attitude = read_attitude(section, initial);
            let limits = read_limits(section);
            let (half_width_rad, rate_limit_rad_s) = limits?;
            Some(Mode::Hold { attitude_xyzw: attitude?, half_width_rad, rate_limit_rad_s })
        }
        "hand" => read_hand(section, files),
        "impulse" => read_impulse(section),
        _ => Some(Mode::FreeDrift),
    }
}

/// The attitude that is held: the initial one where none is given.
fn read_attitude(section: &Section<'_>, initial: Option<&Initial>) -> Option<[f64; 4]> {
    let start = initial.map_or([0.0, 0.0, 0.0, 1.0], |initial| initial.attitude_xyzw);
    section.quaternion_or("attitude_xyzw", start)
}

/// Half-widths, rad, and rate limits, rad/s.
fn read_limits(section: &Section<'_>) -> Option<([f64; 3], [f64; 3])> {
    let half_width = section.per_axis(
        "half_width_deg",
        Range64::UpTo(90.0),
        "the deadband's half-width, such as half_width_deg = 0.5 for every axis or [0.5, 0.5, 0.4]",
    );
    let rate_limit = section.per_axis(
        "rate_limit_deg_s",
        Range64::UpTo(RATE_DEG_S),
        "the largest rate asked for, such as rate_limit_deg_s = 0.05 for every axis, or three",
    );
    Some((half_width?.map(f64::to_radians), rate_limit?.map(f64::to_radians)))
}

fn read_watch(section: &Section<'_>, initial: Option<&Initial>) -> Option<Mode> {
    let attitude = read_attitude(section, initial);
    let angle = section.per_axis(
        "wake_angle_deg",
        Range64::UpTo(180.0),
        "the angle at which it wakes, such as wake_angle_deg = 5.0 for every axis, or three",
    );
    let rate = section.per_axis(
        "wake_rate_deg_s",
        Range64::UpTo(RATE_DEG_S),
        "the rate at which it wakes, such as wake_rate_deg_s = 0.1 for every axis, or three",
    );
    let limits = read_limits(section);
    let (half_width_rad, rate_limit_rad_s) = limits?;
    Some(Mode::Watch {
        attitude_xyzw: attitude?,
        wake_angle_rad: angle?.map(f64::to_radians),
        wake_rate_rad_s: rate?.map(f64::to_radians),
        half_width_rad,
        rate_limit_rad_s,
    })
}

fn read_hand(section: &Section<'_>, files: &dyn Files) -> Option<Mode> {
    let deflections = read_deflections(section, files);
    let dead_zone = section.number_or(
        "dead_zone",
        Range64::Within(0.0, 0.9),
        "the share of full travel that asks for nothing, such as 0.05",
        0.05,
    );
    let full_rate = section.per_axis(
        "full_rate_deg_s",
        Range64::UpTo(RATE_DEG_S),
        "the rate at full deflection, such as full_rate_deg_s = 0.3 for every axis, or three",
    );
    let bits = if section.has("asks_for") {
        section
            .choice("asks_for", &["rate", "bit"], "asks_for = \"rate\" or \"bit\"")
            .map(|word| word == "bit")
    } else {
        Some(false)
    };
    let limits = read_limits(section);
    let (half_width_rad, rate_limit_rad_s) = limits?;
    Some(Mode::Hand {
        deflections: deflections?,
        dead_zone: dead_zone?,
        full_rate_rad_s: full_rate?.map(f64::to_radians),
        half_width_rad,
        rate_limit_rad_s,
        asks_for_bits: bits?,
    })
}

/// The controller's deflections, from the phase itself or from a recording.
fn read_deflections(section: &Section<'_>, files: &dyn Files) -> Option<Vec<Deflection>> {
    let hint = "deflections = [[0.0, 1.0, 0.0, 0.0], [5.0, 0.0, 0.0, 0.0]], each from a moment in seconds \
                after the phase's start on, about x, y and z; or deflections_file = \"recorded.csv\"";
    if !section.has("deflections_file") {
        let rows = section.rows::<4>("deflections", hint)?;
        let rows = rows.into_iter().map(|[at_s, x, y, z]| Deflection { at_s, deflection: [x, y, z] });
        let rows: Vec<Deflection> = rows.collect();
        if let Some(wrong) = hand_file::fault(&rows) {
            section.complain("deflections", wrong.1, wrong.2);
            return None;
        }
        return Some(rows);
    }
    if section.has("deflections") {
        section.complain("deflections_file", "is given beside deflections", "one of the two");
        return None;
    }
    let reference = section.text("deflections_file", hint)?;
    match files.text(&reference) {
        Ok((file, text)) => hand_file::read(&file, &text).map_err(|problems| files.refuse(problems)).ok(),
        Err((wrong, remedy)) => {
            section.complain("deflections_file", wrong, remedy);
            None
        }
    }
}

fn read_impulse(section: &Section<'_>) -> Option<Mode> {
    let rate = section.vector(
        "rate_change_deg_s",
        Range64::Within(-90.0, 90.0),
        "the wanted change of body rate, such as rate_change_deg_s = [0.3, 0.0, 0.0]",
    );
    let velocity = if section.has("velocity_change_m_s") {
        let hint = "velocity_change_m_s = [x, y, z] in body axes";
        section.vector("velocity_change_m_s", Range64::Within(-1e4, 1e4), hint).map(Some)
    } else {
        Some(None)
    };
    Some(Mode::Impulse { rate_change_rad_s: rate?.map(f64::to_radians), velocity_change_m_s: velocity? })
}
