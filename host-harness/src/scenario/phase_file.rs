//! The phases of a scenario: when which mode begins, and what it is told.

use stackhold_kernel::command::{FASTEST_BURN_M_S, FASTEST_PUSH_M_S};

use super::hand_file;
use super::model::{Deflection, Initial, Mode, Pace, Phase};
use super::problem::Problem;
use super::section::{Range64, Section};

/// Modes by the word for them, and every key that one of them has.
const MODES: [&str; 10] =
    ["free_drift", "watch", "damp", "hold", "hand", "slew", "translate", "burn", "rotate", "impulse"];
const KEYS: [&str; 25] = [
    "settling_s",
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
    "turn_deg",
    "pace",
    "slew_rate_deg_s",
    "slew_time_s",
    "may_stray_deg",
    "rate_change_deg_s",
    "velocity_change_m_s",
    "start_s",
    "about",
    "free_axis_within_deg",
    "rate_deg_s",
    "rate_error_deg_s",
    "nutation_limit_deg",
    "stray_limit_deg",
];

/// Longest slew that the kernel takes, s.
const LONGEST_SLEW_S: f64 = 86_400.0;
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
/// * `duration` — of the run, s; `initial` — where it starts. A phase that names no attitude keeps that of the phase before it
///   which has one, or the initial one.
pub(super) fn read_phases(
    root: &Section<'_>,
    duration: Option<f64>,
    initial: Option<&Initial>,
    files: &dyn Files,
) -> Option<Vec<Phase>> {
    let sections = root.some_sections("phase", "at least one [[phase]] with start_s = 0.0 and a mode")?;
    let mut earlier: Option<f64> = None;
    let mut phases = Vec::new();
    let mut attitude = initial.map_or([0.0, 0.0, 0.0, 1.0], |initial| initial.attitude_xyzw);
    for section in &sections {
        let start =
            section.number("start_s", Range64::NotNegative, "the start in seconds; 0.0 for the first");
        let hint = "early = true for a phase that begins as soon as the one before it is done, at start_s at the latest";
        let early = section.switch_or("early", hint, false);
        let early = early.filter(|early| !early || may_be_early(section, phases.last()));
        let mode = read_mode(section, attitude, files);
        attitude = mode.as_ref().and_then(wanted_attitude).unwrap_or(attitude);
        section.finish();
        let start = start.filter(|&start| phase_in_order(section, start, earlier, duration));
        earlier = start.or(earlier).or(Some(0.0));
        phases.push(start.zip(mode).zip(early).map(|((start_s, mode), early)| Phase {
            start_s,
            early,
            mode,
        }));
    }
    phases.into_iter().collect()
}

/// Whether a phase may begin when the one before it is done.
fn may_be_early(section: &Section<'_>, before: Option<&Option<Phase>>) -> bool {
    let fault = match before {
        None => Some("is said of the first phase, which starts the run"),
        Some(Some(Phase {
            mode: Mode::FreeDrift | Mode::Watch { .. } | Mode::Hand { .. } | Mode::Rotate { .. },
            ..
        })) => Some("waits for a phase that is never done"),
        Some(_) => None,
    };
    if let Some(fault) = fault {
        let done = "left out, or after \"damp\", \"hold\", \"slew\", \"translate\", \"burn\" or \"impulse\"";
        section.complain("early", fault, done);
    }
    fault.is_none()
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

/// The attitude that a mode wants.
fn wanted_attitude(mode: &Mode) -> Option<[f64; 4]> {
    match mode {
        Mode::Watch { attitude_xyzw, .. }
        | Mode::Hold { attitude_xyzw, .. }
        | Mode::Slew { attitude_xyzw, .. }
        | Mode::Translate { attitude_xyzw, .. }
        | Mode::Burn { attitude_xyzw, .. } => Some(*attitude_xyzw),
        Mode::FreeDrift
        | Mode::Damp { .. }
        | Mode::Hand { .. }
        | Mode::Rotate { .. }
        | Mode::Impulse { .. } => None,
    }
}

/// * `before` — the attitude that was wanted last.
fn read_mode(section: &Section<'_>, before: [f64; 4], files: &dyn Files) -> Option<Mode> {
    let hint = "mode = \"free_drift\", \"watch\", \"damp\", \"hold\", \"hand\", \"slew\", \"translate\", \"burn\", \"rotate\" or \"impulse\"";
    let Some(mode) = section.choice("mode", &MODES, hint) else {
        section.accept(&KEYS);
        return None;
    };
    match mode {
        "watch" => read_watch(section, before),
        "damp" => {
            let hint = "the largest rate that is left alone, such as rate_limit_deg_s = 0.02 for every axis";
            let limit = section.per_axis("rate_limit_deg_s", Range64::UpTo(RATE_DEG_S), hint)?;
            Some(Mode::Damp { rate_limit_rad_s: limit.map(f64::to_radians) })
        }
        "hold" => {
            let attitude = section.quaternion_or("attitude_xyzw", before);
            let limits = read_limits(section);
            let (half_width_rad, rate_limit_rad_s) = limits?;
            Some(Mode::Hold { attitude_xyzw: attitude?, half_width_rad, rate_limit_rad_s })
        }
        "hand" => read_hand(section, files),
        "slew" => read_slew(section, before),
        "translate" => read_translation(section, before),
        "burn" => read_burn(section, before),
        "rotate" => read_rotation(section),
        "impulse" => read_impulse(section),
        _ => Some(Mode::FreeDrift),
    }
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

fn read_watch(section: &Section<'_>, before: [f64; 4]) -> Option<Mode> {
    let attitude = section.quaternion_or("attitude_xyzw", before);
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

fn read_slew(section: &Section<'_>, before: [f64; 4]) -> Option<Mode> {
    let attitude = read_turn(section, before);
    let hint = "pace = \"quick\" with slew_rate_deg_s, or pace = \"cheap\" with slew_time_s";
    let pace = match section.choice("pace", &["quick", "cheap"], hint) {
        Some("quick") => section
            .number(
                "slew_rate_deg_s",
                Range64::UpTo(RATE_DEG_S),
                "the largest rate of the turn, such as slew_rate_deg_s = 0.5",
            )
            .map(|rate| Pace::Quick { rate_limit_rad_s: rate.to_radians() }),
        Some(_) => {
            let duration = section.number(
                "slew_time_s",
                Range64::Within(1.0, LONGEST_SLEW_S),
                "how long the turn takes in all, such as slew_time_s = 600.0",
            );
            let stray = section.number_or(
                "may_stray_deg",
                Range64::Within(0.0, 180.0),
                "how far the stack may precess away from the turn about one axis, such as may_stray_deg = 20.0; 0.0 keeps \
                 it there",
                0.0,
            );
            duration
                .zip(stray)
                .map(|(duration_s, stray)| Pace::Cheap { duration_s, stray_rad: stray.to_radians() })
        }
        None => {
            section.accept(&["slew_rate_deg_s", "slew_time_s", "may_stray_deg"]);
            None
        }
    };
    let limits = read_limits(section);
    let (half_width_rad, rate_limit_rad_s) = limits?;
    Some(Mode::Slew { attitude_xyzw: attitude?, pace: pace?, half_width_rad, rate_limit_rad_s })
}

/// The attitude that is turned to: itself, or by a turn from the one that was wanted before.
fn read_turn(section: &Section<'_>, before: [f64; 4]) -> Option<[f64; 4]> {
    if section.has("attitude_xyzw") {
        if section.has("turn_deg") {
            section.complain("turn_deg", "is given beside attitude_xyzw", "one of the two");
            return None;
        }
        return section.quaternion_or("attitude_xyzw", before);
    }
    let hint = "turn_deg = [x, y, z], the turn from the attitude before as one rotation about that axis in body axes, or \
                attitude_xyzw = [x, y, z, w]";
    let turn = section.vector("turn_deg", Range64::Within(-180.0, 180.0), hint)?;
    let turn = nalgebra::Vector3::from(turn.map(f64::to_radians));
    if turn.norm() > std::f64::consts::PI {
        section.complain(
            "turn_deg",
            format!("turns by {:.1} deg in all", turn.norm().to_degrees()),
            "at most 180 deg: the shorter way round is flown",
        );
        return None;
    }
    // Inertial to body: turning the body by φ turns components the other way.
    let [x, y, z, w] = before;
    let before = nalgebra::UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(w, x, y, z));
    let after = nalgebra::UnitQuaternion::from_scaled_axis(-turn) * before;
    Some([after.i, after.j, after.k, after.w])
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

fn read_translation(section: &Section<'_>, before: [f64; 4]) -> Option<Mode> {
    let attitude = section.quaternion_or("attitude_xyzw", before);
    let hint = "velocity_change_m_s = [x, y, z] in body axes, such as [1.0, 0.0, 0.0]";
    let most = f64::from(FASTEST_PUSH_M_S);
    let change = section.vector("velocity_change_m_s", Range64::Within(-most, most), hint);
    let limits = read_limits(section);
    if change == Some([0.0; 3]) {
        section.complain("velocity_change_m_s", "asks for nothing", "a velocity change, or mode = \"hold\"");
        return None;
    }
    let (half_width_rad, rate_limit_rad_s) = limits?;
    Some(Mode::Translate {
        attitude_xyzw: attitude?,
        velocity_change_m_s: change?,
        half_width_rad,
        rate_limit_rad_s,
    })
}

fn read_burn(section: &Section<'_>, before: [f64; 4]) -> Option<Mode> {
    let attitude = section.quaternion_or("attitude_xyzw", before);
    let hint = "velocity_change_m_s = [x, y, z] in body axes, such as [30.0, 0.0, 0.0]";
    let most = f64::from(FASTEST_BURN_M_S);
    let change = section.vector("velocity_change_m_s", Range64::Within(-most, most), hint);
    let settling = section.number_or(
        "settling_s",
        Range64::Within(0.0, 600.0),
        "how long jets push before the engine starts, such as settling_s = 10.0; 0.0 for not at all",
        0.0,
    );
    let limits = read_limits(section);
    if change == Some([0.0; 3]) {
        section.complain("velocity_change_m_s", "asks for nothing", "a velocity change, or mode = \"hold\"");
        return None;
    }
    let (half_width_rad, rate_limit_rad_s) = limits?;
    Some(Mode::Burn {
        attitude_xyzw: attitude?,
        velocity_change_m_s: change?,
        settling_s: settling?,
        half_width_rad,
        rate_limit_rad_s,
    })
}

fn read_rotation(section: &Section<'_>) -> Option<Mode> {
    let about = section.direction("about");
    let within = section.number_or(
        "free_axis_within_deg",
        Range64::Within(0.1, 90.0),
        "how far the principal axis that is turned about may lie from `about`, such as 20.0; 90.0 for the nearest",
        90.0,
    );
    let rate = section.number(
        "rate_deg_s",
        Range64::Within(1e-3, RATE_DEG_S),
        "the rate to turn at, such as rate_deg_s = 0.3",
    );
    let rate_error = section.number(
        "rate_error_deg_s",
        Range64::Within(1e-4, RATE_DEG_S),
        "how far the rate may be off before it is set up again, such as rate_error_deg_s = 0.006",
    );
    let nutation = section.number(
        "nutation_limit_deg",
        Range64::Within(0.01, 28.0),
        "the largest angle between axis and angular momentum, such as nutation_limit_deg = 2.0",
    );
    let stray = section.number(
        "stray_limit_deg",
        Range64::Within(0.1, 180.0),
        "how far the angular momentum may stray in inertial space, such as stray_limit_deg = 10.0",
    );
    if let (Some(rate), Some(error)) = (rate, rate_error)
        && error > rate
    {
        section.complain(
            "rate_error_deg_s",
            format!("is above the rate of {rate} deg/s"),
            format!("at most {rate}"),
        );
        return None;
    }
    Some(Mode::Rotate {
        about: about?,
        free_axis_within_rad: within?.to_radians(),
        rate_rad_s: rate?.to_radians(),
        rate_error_rad_s: rate_error?.to_radians(),
        nutation_rad: nutation?.to_radians(),
        stray_rad: stray?.to_radians(),
    })
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
