//! The scenarios and vehicles that come inside the program.

/// Name of the scenario flown without an argument.
pub const DEMO: &str = "docked_hold";

macro_rules! embedded {
    ($($name:literal),* $(,)?) => {
        &[$(($name, include_str!(concat!("../../scenarios/", $name, ".toml")))),*]
    };
}

const SCENARIOS: &[(&str, &str)] = embedded![
    "docked_hold",
    "bare_tug_hold",
    "steady_vent",
    "gravity_gradient_hold",
    "flexible_grip_hold",
    "sloshing_tank_hold",
    "bent_grip_hold",
    "noisy_undisturbed_hold",
    "one_axis_limit_cycle",
    "one_axis_firing_roll",
    "one_axis_firing_pitch",
    "one_axis_firing_yaw",
    "watched_drift",
    "damp_a_tumble",
    "coarse_and_fine_hold",
    "rate_by_hand",
    "slew_quick",
    "slew_cheap",
    "slew_precessing",
    "push_forward",
    "burn_forward",
    "part_and_burn",
    "half_closed_grip",
    "slow_rotation",
    "slow_rotation_in_orbit",
    "slow_rotation_stage_released",
    "release_the_stage",
];

const VEHICLES: &[(&str, &str)] = embedded!["servicing_tug", "plain_block"];

/// Name and text of every scenario that comes with the program; the first is the demonstration.
#[must_use]
pub fn library() -> &'static [(&'static str, &'static str)] {
    SCENARIOS
}

/// Name (without `.toml`) and text of every vehicle file that comes with the program.
#[must_use]
pub fn library_vehicles() -> &'static [(&'static str, &'static str)] {
    VEHICLES
}

/// Text of one entry, by its name without `.toml`.
pub(super) fn find(entries: &[(&str, &'static str)], name: &str) -> Option<&'static str> {
    entries.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}
