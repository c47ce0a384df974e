//! The main engine of a vehicle, and what a scenario says of its gimbal.

use nalgebra::Vector3;

use super::model::{Engine, StuckGimbal, Tank, Vehicle};
use super::section::{Range64, Section};
use super::vehicle_file::REACH;

/// Times of an engine, s: a delay and half a ramp are at most what the kernel's table holds.
const SECONDS: Range64 = Range64::Within(0.0, 40.0);

/// `Some(None)` without an engine, `None` when a problem was written down.
///
/// Beside the first five keys an engine that says nothing more is an ideal one: it starts and stops at once and its
/// gimbal follows at once. Only its tank cannot be guessed where there are several; without one it cannot be started.
///
/// * `tanks` — of the vehicle, when they could be read.
pub(super) fn read_engine(root: &Section<'_>, tanks: Option<&[Tank]>) -> Option<Option<Engine>> {
    if !root.has("engine") {
        return Some(None);
    }
    let section = root.section("engine")?;
    let pivot = section.vector("pivot_m", REACH, "pivot_m = [x, y, z] in structural axes");
    let direction = section.direction("force_direction");
    let thrust =
        section.number("thrust_n", Range64::UpTo(1e7), "the thrust in newtons, such as thrust_n = 420.0");
    let impulse = section.number(
        "specific_impulse_s",
        Range64::UpTo(1e5),
        "the specific impulse in seconds, such as specific_impulse_s = 312.0",
    );
    let travel = section.number(
        "gimbal_travel_deg",
        Range64::Within(0.0, 60.0),
        "gimbal_travel_deg either way, such as 9.0; 0.0 for a fixed engine",
    );
    let fastest = Range64::Within(0.01, 1e4);
    let hint = "the fastest turn of a gimbal, such as gimbal_rate_deg_s = 6.0";
    let rate = section.number_or("gimbal_rate_deg_s", fastest, hint, f64::INFINITY);
    let hint = "the time constant of the gimbal, such as gimbal_lag_s = 0.05";
    let lag = section.number_or("gimbal_lag_s", Range64::Within(0.0, 10.0), hint, 0.0);
    let axis = match section.has("first_axis") {
        true => section.direction_across("first_axis", ("force_direction", direction)),
        false => direction.map(usual_first_axis),
    };
    let seconds = |key: &'static str, hint: &str| section.number_or(key, SECONDS, hint, 0.0);
    let start_delay = seconds("start_delay_s", "command to first thrust, such as start_delay_s = 0.1");
    let rise = seconds("rise_s", "first to full thrust, such as rise_s = 0.3");
    let shutdown_delay =
        seconds("shutdown_delay_s", "command to first loss of thrust, such as shutdown_delay_s = 0.05");
    let tail_off = seconds("tail_off_s", "full thrust to none, such as tail_off_s = 0.25");
    let feed = read_feed(&section, root, tanks);
    section.finish();
    let (tank, body) = feed?;
    Some(Some(Engine {
        body,
        tank,
        pivot_m: pivot?,
        force_direction: direction?,
        thrust_n: thrust?,
        specific_impulse_s: impulse?,
        gimbal_travel_rad: travel?.to_radians(),
        gimbal_rate_rad_s: rate?.to_radians(),
        gimbal_lag_s: lag?,
        first_axis: axis?,
        start_delay_s: start_delay?,
        rise_s: rise?,
        shutdown_delay_s: shutdown_delay?,
        tail_off_s: tail_off?,
    }))
}

/// Tank and body, each `None` where nothing says which; `None` when a problem was written down.
fn read_feed(
    section: &Section<'_>,
    root: &Section<'_>,
    tanks: Option<&[Tank]>,
) -> Option<(Option<String>, Option<String>)> {
    let one_of = |key: &'static str, known: &[String]| match section.has(key) {
        true => section.reference(key, known, key).map(Some),
        false => Some(None),
    };
    let tank = one_of("tank", &root.names_in("tank"));
    let body = one_of("body", &root.names_in("body"));
    let (tank, body, tanks) = (tank?, body?, tanks?);
    let feed = match (&tank, tanks) {
        (None, [only]) => Some(only),
        (None, _) => None,
        (Some(name), _) => tanks.iter().find(|tank| &tank.name == name),
    };
    Some((feed.map(|tank| tank.name.clone()), body.or_else(|| feed.map(|tank| tank.body.clone()))))
}

/// The structural axis that follows the one nearest to the force (y after x, z after y, x after z), made perpendicular
/// to the force.
fn usual_first_axis(force: [f64; 3]) -> [f64; 3] {
    let force = Vector3::from(force);
    let mut next = Vector3::zeros();
    next[(force.iamax() + 1) % 3] = 1.0;
    (next - force * force.dot(&next)).normalize().into()
}

/// `Some(None)` for a gimbal that works, `None` when a problem was written down.
///
/// * `vehicle` — when it could be read.
pub(super) fn read_gimbal(
    root: &Section<'_>,
    duration: Option<f64>,
    vehicle: Option<&Vehicle>,
) -> Option<Option<StuckGimbal>> {
    if !root.has("gimbal") {
        return Some(None);
    }
    let section = root.section("gimbal")?;
    let end = duration.unwrap_or(f64::MAX);
    let from = section.number("stuck_from_s", Range64::NotNegative, "the first moment in seconds");
    let hint = "stuck_deg = [first, second], the angles at which it stays";
    let at = match section.has("stuck_deg") {
        true => section.pair_or("stuck_deg", Range64::Within(-60.0, 60.0), hint, [0.0; 2]).map(Some),
        false => Some(None),
    };
    let told = section.switch_or("told", "told = false, where the kernel does not know", true);
    section.finish();
    let (from_s, at, told) = (from?, at?, told?);
    if from_s >= end {
        let wrong = format!("is not before the end of the run at {end} s");
        section.complain("stuck_from_s", wrong, format!("below {end}"));
        return None;
    }
    let travel = vehicle?.engine.as_ref().map_or(0.0, |engine| engine.gimbal_travel_rad.to_degrees());
    if travel == 0.0 {
        let wrong = "stands beside a vehicle without a main engine on a gimbal";
        root.complain(
            "gimbal",
            wrong,
            "no [gimbal], or an [engine] with gimbal_travel_deg in the vehicle file",
        );
        return None;
    }
    if at.is_some_and(|at| at.iter().any(|angle| angle.abs() > travel * (1.0 + 1e-12))) {
        let wrong = format!("is beyond the travel of {travel:.4} deg either way");
        section.complain("stuck_deg", wrong, format!("angles within {travel:.4} deg"));
        return None;
    }
    let at_rad = at.map(|at| at.map(f64::to_radians));
    Some(Some(StuckGimbal { from_s, at_rad, told }))
}
