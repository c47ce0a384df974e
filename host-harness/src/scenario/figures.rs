//! The figures a requirement may name.

/// A figure of `summary.json` that a requirement may bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Figure {
    /// Key, with its unit; `{axis}` stands for `x`, `y` or `z`, `{interface}` for an interface of the
    /// vehicle.
    pub name: &'static str,
    /// What it measures.
    pub meaning: &'static str,
}

/// What `{axis}` stands for.
const AXES: [&str; 3] = ["x", "y", "z"];

const fn figure(name: &'static str, meaning: &'static str) -> Figure {
    Figure { name, meaning }
}

/// Every figure a requirement may name.
pub const FIGURES: &[Figure] = &[
    figure("worst_axis_error_deg", "largest attitude error of any axis, from capture on"),
    figure("worst_axis_error_over_half_width", "the same as a multiple of that axis's deadband half-width"),
    figure("peak_axis_error_deg", "largest attitude error of any axis, capture included"),
    figure("capture_time_s", "time until all axes were inside their deadbands"),
    figure("time_outside_deadband_s", "time with any axis outside its deadband"),
    figure("time_outside_deadband_fraction", "the same over the time of holding"),
    figure("ape_max_deg", "largest absolute performance error"),
    figure("ape_max_{axis}_deg", "the same about one axis"),
    figure("ape_95_percent_deg", "absolute performance error not exceeded for 95 % of the time"),
    figure("ape_95_percent_{axis}_deg", "the same about one axis"),
    figure("ape_99_73_percent_deg", "absolute performance error not exceeded for 99.73 % of the time"),
    figure("ape_99_73_percent_{axis}_deg", "the same about one axis"),
    figure("mpe_deg", "largest mean performance error"),
    figure("mpe_{axis}_deg", "the same about one axis"),
    figure("rpe_max_deg", "largest relative performance error"),
    figure("rpe_max_{axis}_deg", "the same about one axis"),
    figure("pde_deg", "largest performance drift error"),
    figure("pde_{axis}_deg", "the same about one axis"),
    figure("worst_rate_deg_s", "largest body rate of any axis"),
    figure("worst_axis_hold_rate_deg_s", "largest body rate of any axis while holding"),
    figure("hold_rate_max_{axis}_deg_s", "the same about one axis"),
    figure("propellant_kg", "propellant used"),
    figure("propellant_kg_per_day", "propellant used, per day"),
    figure("propellant_over_bound", "propellant used over its theoretical lower bound"),
    figure("hold_propellant_kg", "propellant used while holding"),
    figure(
        "hold_propellant_over_limit_cycle",
        "the same over the closed form of the undisturbed limit cycle",
    ),
    figure("valve_cycles_total", "openings of all valves"),
    figure("worst_jet_valve_cycles", "openings of the busiest valve"),
    figure("worst_jet_duty", "on-time of the busiest jet over the run's time"),
    figure("mean_on_time_s", "mean on-time of a pulse"),
    figure("pulses_{axis}", "pulses that turn this axis most"),
    figure("limit_cycle_period_s", "mean limit-cycle period of the slowest axis"),
    figure("limit_cycle_period_{axis}_s", "the same of one axis"),
    figure("limit_cycle_periods_{axis}", "limit-cycle periods seen on one axis"),
    figure("velocity_gathered_m_s", "velocity of the centre of mass gathered over the run"),
    figure("velocity_{axis}_m_s", "the same along one inertial axis"),
    figure("peak_force_at_{interface}_n", "largest force between the sides of an interface"),
    figure("peak_moment_at_{interface}_n_m", "largest moment about an interface"),
    figure("joint_angle_max_deg", "largest angle of any sprung joint"),
    figure(
        "joint_swing_at_end_deg",
        "half of the widest swing of any sprung joint, peak to peak, in the last tenth of the run",
    ),
    figure("slosh_angle_max_deg", "largest angle of any swinging liquid from where it hung at time zero"),
    figure("slosh_speed_max_m_s", "largest speed of any swinging liquid against its tank"),
    figure("slosh_speed_at_end_m_s", "the same in the last tenth of the run"),
    figure("cross_coupling", "rate change off the commanded axis over the commanded change"),
    figure(
        "left_alone_rate_{axis}_deg_s",
        "largest rate of this axis while only others are turned by hand and no jet fires",
    ),
    figure("left_alone_rate_share", "the same of any axis over the rate asked for about another"),
    figure(
        "left_alone_peak_rate_{axis}_deg_s",
        "largest rate of this axis while only others are turned by hand, firings included",
    ),
    figure("left_alone_peak_rate_share", "the same of any axis over the rate asked for about another"),
    figure("damping_time_s", "time until every rate is within the limit of a damping"),
    figure("damped_rate_deg_s", "largest rate of any axis at the end of a damping"),
    figure("rotation_set_up_time_s", "time until a slow rotation is set up and left alone"),
    figure("rotation_rate_error_share", "largest error of its rate while it coasts, over the rate asked for"),
    figure(
        "rotation_nutation_max_deg",
        "largest angle between its axis and the angular momentum while it coasts",
    ),
    figure(
        "rotation_stray_max_deg",
        "largest angle of the angular momentum in inertial space from where it was when a coast began",
    ),
    figure(
        "rotation_set_up_over_price",
        "propellant of the first set-up over the least price of the rate change asked for",
    ),
    figure("rotation_renewals", "times that it was set up again"),
    figure("rotation_coast_firings", "cycles after the first set-up in which a jet opened"),
    figure("rotation_first_coast_s", "time from the first set-up to the next"),
    figure(
        "rotation_foresight_error_share",
        "largest error of the time to the next set-up as foreseen halfway there, over the time really left",
    ),
    figure("woken_at_s", "time at which a watched drift woke"),
    figure("watched_error_max_deg", "largest attitude error of any axis while a watched drift sleeps"),
    figure(
        "slew_time_s",
        "time from the command of a slew to its arrival, within the deadband and all but at rest",
    ),
    figure(
        "slew_overshoot_over_half_width",
        "largest error of any axis beyond the target of a slew, in deadband half-widths",
    ),
    figure("slew_stray_deg", "largest turn away from the eigenaxis of a slew"),
    figure("slew_propellant_kg", "propellant of slews that began at rest"),
    figure(
        "slew_price_eigenaxis_kg",
        "least propellant for the same turns in the same time about their eigenaxes",
    ),
    figure(
        "slew_price_precessing_kg",
        "least propellant for the same turns in the same time without torque on the way",
    ),
    figure("slew_propellant_over_eigenaxis_price", "propellant of slews over the price about the eigenaxes"),
    figure(
        "slew_propellant_over_precessing_price",
        "propellant of slews over the price without torque on the way",
    ),
    figure("translation_time_s", "time from the command of a translation until the kernel has done with it"),
    figure("translation_velocity_error", "velocity missing or too much then, over what was asked for"),
    figure(
        "translation_error_over_half_width",
        "largest attitude error of any axis until then, over its half-width",
    ),
    figure("translation_propellant_kg", "propellant until then"),
    figure("translation_price_kg", "least propellant for the velocity gained, without turning"),
    figure("translation_propellant_over_price", "the one over the other"),
    figure("burn_time_s", "time from the command of a main-engine burn until its thrust has died away"),
    figure("burn_velocity_error", "velocity missing or too much then, over what was asked for"),
    figure("burn_velocity_across", "the part of it across the velocity change asked for, over that"),
    figure(
        "burn_attitude_error_deg",
        "largest attitude error of any axis from where the kernel wants it while the engine burns",
    ),
    figure(
        "burn_line_error_deg",
        "largest angle between the line of force and the velocity change asked for, from 10 s after full thrust on",
    ),
    figure("burn_before_kg", "propellant of jets from the command of a burn until the engine's first thrust"),
    figure("burn_propellant_kg", "propellant of engine and jets from the first thrust until then"),
    figure(
        "burn_price_kg",
        "propellant for the velocity gained meanwhile by the rocket equation of the engine alone",
    ),
    figure("burn_propellant_over_rocket_equation", "the one over the other"),
    figure("burn_jets_share", "propellant of jets while the engine burns, over that of both"),
    figure(
        "least_clearance_m",
        "least distance between the hulls of what stays and of what was released, once they have parted by 5 cm; 0 where they never do",
    ),
    figure(
        "seconds_to_keep_out",
        "time from a release until the hulls are as far apart as its keep-out distance",
    ),
    figure("least_clearance_after_leaving_m", "least distance between the hulls from that moment on"),
    figure("release_rate_change_deg_s", "size of the change of rate that a release gives to what stays"),
    figure("released_body_rate_deg_s", "largest size of the rate of what was released"),
    figure(
        "momentum_error_at_release",
        "momentum, linear or angular, that both parts and the whole differ by, over what they have",
    ),
    figure("forbidden_openings", "openings of valves that were forbidden or shut off then"),
    figure("selections_unproven", "jet selections whose optimality was not proven"),
    figure("worst_optimality_gap", "largest relative gap of a jet selection to its dual bound"),
    figure("worst_selection_residual", "largest relative residual of a selection's demand"),
];

/// Whether a requirement may name this figure.
///
/// * `interfaces` — of the vehicle; without a vehicle any will do.
pub(super) fn known(name: &str, interfaces: Option<&[String]>) -> bool {
    FIGURES.iter().any(|figure| match figure.name.split_once("{interface}") {
        Some((stem, unit)) => name
            .strip_prefix(stem)
            .and_then(|rest| rest.strip_suffix(unit))
            .is_some_and(|interface| interfaces.is_none_or(|known| known.iter().any(|k| k == interface))),
        None => AXES.iter().any(|axis| figure.name.replace("{axis}", axis) == name),
    })
}
