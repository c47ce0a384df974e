//! Broken scenario and vehicle files, each with the message it must give: file, line, column, key,
//! value, what is wrong, what would be right.

use std::fs;
use std::path::{Path, PathBuf};

use stackhold_harness::scenario::{self, Problem, ScenarioError};

const SCENARIO: &str = r#"name = "small_hold"
description = "A small pair holds."
vehicle = "small.toml"
stack = ["carrier", "load"]
jets_forbidden = ["roll_plus"]
duration_s = 600.0
seed = 3

[kernel]
tick_s = 0.004
cycle_ticks = 50

[[phase]]
start_s = 0.0
mode = "free_drift"

[[phase]]
start_s = 60.0
mode = "hold"
half_width_deg = [0.5, 0.5, 0.4]
rate_limit_deg_s = 0.05
attitude_xyzw = [0.0, 0.6, 0.0, 0.8]

[[disturbance]]
name = "seep"
kind = "vent"
start_s = 10.0
stop_s = 90.0
position_m = [1.0, 0.2, 0.3]
force_n = [0.0, 0.01, 0.0]

[sensors]
attitude_noise_deg = 0.005
rate_bias_deg_s = [0.0001, 0.0, 0.0]
delay_s = 0.12

[[requirement]]
figure = "worst_axis_error_deg"
at_most = 0.55

[[variant]]
name = "told_carrier"
description = "The kernel still believes in the carrier alone."
told_stack = ["carrier"]
"#;

const VEHICLE: &str = r#"name = "small"
design_centre_of_mass_m = [0.0, 0.0, 0.0]

[[body]]
name = "carrier"
mass_kg = 500.0
centre_of_mass_m = [0.0, 0.0, 0.0]
inertia_kg_m2 = { xx = 300.0, yy = 400.0, zz = 500.0, xy = 10.0, xz = 0.0, yz = -5.0 }
box_m = [2.0, 2.1, 2.2]

[[body]]
name = "load"
mass_kg = 240.0
centre_of_mass_m = [3.0, 0.5, 0.0]
turned_about = "z"
turned_deg = 30.0
uniform = "cylinder"
cylinder_radius_m = 0.8
cylinder_length_m = 2.4

[[tank]]
name = "main_tank"
body = "carrier"
position_m = [0.1, 0.0, 0.0]
propellant_kg = 40.0
unusable_kg = 1.0

[[jet_kind]]
name = "plain"
thrust_n = 10.0
specific_impulse_s = 220.0
minimum_on_s = 0.024
opening_delay_s = 0.008
rise_s = 0.006
closing_delay_s = 0.006
tail_off_s = 0.010
short_pulse_loss = 0.1
short_pulse_time_s = 0.03

[[jet]]
name = "roll_plus"
kind = "plain"
body = "carrier"
tank = "main_tank"
position_m = [0.0, 1.0, 0.0]
force_direction = [0.0, 0.0, 1.0]
group = 2

[[jet]]
name = "roll_minus"
kind = "plain"
body = "carrier"
tank = "main_tank"
position_m = [0.0, -1.0, 0.0]
force_direction = [0.0, 0.0, 1.0]
thrust_n = 9.0

[engine]
pivot_m = [-1.0, 0.0, 0.0]
force_direction = [1.0, 0.0, 0.0]
thrust_n = 400.0
specific_impulse_s = 310.0
gimbal_travel_deg = 8.0

[[interface]]
name = "grip"
position_m = [1.5, 0.2, 0.0]
far_side = ["load"]
"#;

/// Where a corpus entry is broken.
#[derive(Clone, Copy, PartialEq)]
enum In {
    Scenario,
    Vehicle,
}

/// One broken file: an edit of a good one, and the one problem it must give.
struct Case {
    file: In,
    /// Part of the good text, found once, and what it becomes.
    edit: (&'static str, &'static str),
    /// Start of the offending part in the broken text: the mark must begin here.
    at: &'static str,
    owner: &'static str,
    key: &'static str,
    value: &'static str,
    wrong: &'static str,
    remedy: &'static str,
}

/// `at` is written with `|` before the marked place.
#[allow(clippy::too_many_arguments)]
const fn case(
    file: In,
    edit: (&'static str, &'static str),
    at: &'static str,
    owner: &'static str,
    key: &'static str,
    value: &'static str,
    wrong: &'static str,
    remedy: &'static str,
) -> Case {
    Case { file, edit, at, owner, key, value, wrong, remedy }
}

use In::{Scenario as S, Vehicle as V};

/// Broken scenario files.
#[rustfmt::skip]
const SCENARIO_CORPUS: &[Case] = &[
    // Keys.
    case(S, ("duration_s = 600.0", "duration_s = 600.0\ndurations = 5.0"), "|durations = 5.0", "", "durations", "5.0",
        "is no known key", "did you mean duration_s?"),
    case(S, ("seed = 3", "sede = 3"), "|sede", "", "sede", "3", "is no known key", "did you mean seed?"),
    case(S, ("delay_s = 0.12", "delay_s = 0.12\nrate_noise_rad_s = 0.1"), "|rate_noise_rad_s", "sensors", "rate_noise_rad_s",
        "0.1", "is no known key", "did you mean rate_noise_deg_s?"),
    case(S, ("duration_s = 600.0\n", ""), "|name =", "", "duration_s", "", "is missing", "duration_s = 7200.0"),
    case(S, ("name = \"small_hold\"\n", ""), "|description", "", "name", "", "is missing", "name = \"my_scenario\""),
    case(S, ("vehicle = \"small.toml\"\n", ""), "|name =", "", "vehicle", "", "is missing", "path relative to this file"),
    case(S, ("stack = [\"carrier\", \"load\"]\n", ""), "|name =", "", "stack", "", "is missing", "\"carrier\" and \"load\""),
    // Names.
    case(S, ("\"small_hold\"", "\"Small hold\""), "|\"Small hold\"", "", "name", "\"Small hold\"", "is no name", "small_hold"),
    case(S, ("\"A small pair holds.\"", "\" \""), "|\" \"", "", "description", "\" \"", "is empty", "one sentence"),
    case(S, ("[sensors]", "[flight_table]\nconfiguration = \"carrier_with_the_load_that_it_found\"\n\n[sensors]"),
        "|\"carrier_with_the_load_that_it_found\"", "flight_table", "configuration", "\"carrier_with_the_load_that_it_found\"",
        "has 35 letters, more than a flight table holds", "at most 32 letters"),
    case(S, ("[sensors]", "[flight_table]\nconfiguration = \"Carrier\"\n\n[sensors]"), "|\"Carrier\"", "flight_table",
        "configuration", "\"Carrier\"", "is no name", "carrier"),
    // Numbers.
    case(S, ("600.0", "inf"), "|inf", "", "duration_s", "inf", "is not finite", "duration_s = 7200.0"),
    case(S, ("600.0", "nan"), "|nan", "", "duration_s", "nan", "is not finite", "duration_s = 7200.0"),
    case(S, ("600.0", "-600.0"), "|-600.0", "", "duration_s", "-600.0", "must be above zero", "duration_s = 7200.0"),
    case(S, ("600.0", "\"600\""), "|\"600\"", "", "duration_s", "\"600\"", "is text where a number is needed", "duration_s = 7200.0"),
    case(S, ("600.0", "900000.0"), "|900000.0", "", "duration_s", "900000.0", "too many to keep in memory", "at most 800000"),
    case(S, ("600.0\nseed", "0.1\nseed"), "|0.1\nseed", "", "duration_s", "0.1", "is shorter than one cycle of 0.2 s", "at least 0.2"),
    case(S, ("seed = 3", "seed = -3"), "|-3", "", "seed", "-3", "must lie between 0 and", "a whole number from 0"),
    case(S, ("seed = 3", "seed = 3.5"), "|3.5", "", "seed", "3.5", "is a number where a whole number is needed", "a whole number from 0"),
    case(S, ("seed = 3", "seed = 99999999999999999999"), "|9999", "", "seed", "99999999999999999999", "is beyond 64 bits", "a whole number from 0"),
    case(S, ("seed = 3", "seed = 2024-01-01"), "|2024", "", "seed", "2024-01-01", "is a date where", "a whole number from 0"),
    // Stack, told, jets.
    case(S, ("\"load\"]", "\"laod\"]"), "|\"laod\"", "", "stack", "\"laod\"", "\"laod\" is no known body", "did you mean \"load\"? one of \"carrier\" and \"load\""),
    case(S, ("\"load\"]", "\"carrier\"]"), "|\"carrier\"]\njets", "", "stack", "\"carrier\"", "names \"carrier\" twice", "each name once"),
    case(S, ("[\"carrier\", \"load\"]", "[]"), "|[]", "", "stack", "[]", "is empty", "at least one of"),
    case(S, ("[\"carrier\", \"load\"]", "\"carrier\""), "|\"carrier\"\njets", "", "stack", "\"carrier\"", "is text where a list of names is needed", "stack = [\"name\", ..]"),
    case(S, ("[\"carrier\", \"load\"]", "[\"load\"]"), "|[\"load\"]", "", "stack", "[\"load\"]", "leaves out \"carrier\", which carries jet \"roll_plus\"", "a stack with \"carrier\""),
    case(S, ("seed = 3", "told_stack = [\"tug\"]"), "|\"tug\"", "", "told_stack", "\"tug\"", "\"tug\" is no known body", "\"carrier\" and \"load\""),
    case(S, ("seed = 3", "told_mass_factor = 0"), "factor = |0\n", "", "told_mass_factor", "0", "must lie between 0.1 and 10", "told over true"),
    case(S, ("seed = 3", "told_centre_of_mass_error_m = [0.1, 0.2]"), "|[0.1, 0.2]", "", "told_centre_of_mass_error_m", "[0.1, 0.2]", "has 2 entries where a list of 3 numbers is needed", "[x, y, z]"),
    case(S, ("[\"roll_plus\"]", "[\"roll_pluss\"]"), "|\"roll_pluss\"", "", "jets_forbidden", "\"roll_pluss\"", "is no known jet", "did you mean \"roll_plus\"?"),
    case(S, ("seed = 3", "jets_dead = [\"roll_plus\"]"), "|[\"roll_plus\"]\n\n", "", "jets_dead", "[\"roll_plus\"]", "names \"roll_plus\", which is forbidden too", "each jet in one list"),
    case(S, ("[\"roll_plus\"]", "[\"roll_plus\", \"roll_minus\"]"), "|[\"roll_plus\", ", "", "jets_forbidden", "[\"roll_plus\", \"roll_minus\"]", "leaves no jet to fire", "at least one jet in neither list"),
    // Constraints of the trade.
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nmost_jets_at_once = 0"), "|0\n\n", "kernel", "most_jets_at_once", "0", "must lie between 1 and 32", "a whole number from 1 to 32"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nspare_translation_within_m_s = 0.1"), "|[kernel]", "kernel", "spare_translation_share", "", "is missing beside spare_translation_within_m_s", "spare_translation_share = 0.1"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nspare_translation_share = -0.1"), "|-0.1", "kernel", "spare_translation_share", "-0.1", "must be above zero and at most 100", "spare_translation_share = 0.1"),
    case(S, ("[sensors]", "[[manifold]]\ngroup = 0\nflow_limit_kg_s = 0.0\n\n[sensors]"), "|0.0\n\n[sensors]", "manifold 1", "flow_limit_kg_s", "0.0", "must be above zero", "flow_limit_kg_s = 0.012"),
    // 9 N / (220 s x 9.80665 m/s2) = 0.0041715 kg/s.
    case(S, ("[sensors]", "[[manifold]]\ngroup = 0\nflow_limit_kg_s = 0.004\n\n[sensors]"), "|0.004\n\n[sensors]", "manifold 1", "flow_limit_kg_s", "0.004", "is less than jet \"roll_minus\" takes alone, 0.004172 kg/s", "at least 0.004172"),
    case(S, ("[sensors]", "[[manifold]]\ngroup = 7\nflow_limit_kg_s = 0.02\n\n[sensors]"), "|7\nflow", "manifold 1", "group", "7", "has no jet of the vehicle", "one of 0, 2"),
    case(S, ("[sensors]", "[[manifold]]\ngroup = 0\nflow_limit_kg_s = 0.02\n\n[[manifold]]\ngroup = 0\nflow_limit_kg_s = 0.03\n\n[sensors]"), "|0\nflow_limit_kg_s = 0.03", "manifold 2", "group", "0", "has a limit already", "each group once"),
    case(S, ("[sensors]", "[[manifold]]\nflow_limit_kg_s = 0.02\n\n[sensors]"), "|[[manifold]]", "manifold 1", "group", "", "is missing", "group, 0 to 15"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grasp\"\nforce_n = 50.0\n\n[sensors]"), "|\"grasp\"", "interface_limit 1", "interface", "\"grasp\"", "is no known interface", "\"grip\""),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\n\n[sensors]"), "|[[interface_limit]]", "interface_limit 1", "moment_n_m", "", "is missing, and so is force_n", "force_n or moment_n_m, or both"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nforce_n = 0.0\n\n[sensors]"), "|0.0\n\n[sensors]", "interface_limit 1", "force_n", "0.0", "must be above zero", "force_n = 80.0"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nmoment_n_m = -1.0\n\n[sensors]"), "|-1.0", "interface_limit 1", "moment_n_m", "-1.0", "must be above zero", "moment_n_m = 40.0"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nforce_n = 50.0\nkept_back = 1.0\n\n[sensors]"), "|1.0\n\n[sensors]", "interface_limit 1", "kept_back", "1.0", "must lie between 0 and 0.9", "kept_back = 0.1"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nforce_n = 50.0\n\n[[interface_limit]]\ninterface = \"grip\"\nmoment_n_m = 50.0\n\n[sensors]"), "|\"grip\"\nmoment", "interface_limit 2", "interface", "\"grip\"", "has a limit already", "each interface once"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nmoment_n_m = 1.0\n\n[sensors]"), "|\"grip\"", "interface_limit 1", "interface", "\"grip\"", "has a jet that could never open: jet \"roll_minus\" alone puts 2.19 N m on grip, and selection has 0.90 N m", "a larger limit, or the jet in jets_forbidden"),
    case(S, ("[sensors]", "[[interface_limit]]\ninterface = \"grip\"\nforce_n = 50.0\n\n[[joint]]\nname = \"bends\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|[[interface_limit]]", "", "interface_limit", "[[interface_limit]]", "stands beside [[joint]]: loads are watched in a rigid stack only", "either [[interface_limit]] or [[joint]]"),
    case(S, ("[sensors]", "[[jet_price]]\njet = \"roll_minos\"\nweight = 2.0\n\n[sensors]"), "|\"roll_minos\"", "jet_price 1", "jet", "\"roll_minos\"", "is no known jet", "did you mean \"roll_minus\"?"),
    case(S, ("[sensors]", "[[jet_price]]\njet = \"roll_minus\"\nweight = 0.0\n\n[sensors]"), "|0.0\n\n[sensors]", "jet_price 1", "weight", "0.0", "must lie between 0.001 and 1000", "weight = 3.0"),
    case(S, ("[sensors]", "[[told_bending]]\nfrequency_hz = 0.0\nswing_deg = 0.1\n\n[sensors]"), "|0.0\nswing", "told_bending 1", "frequency_hz", "0.0", "must lie between 0.001 and 100", "frequency_hz = 0.6"),
    case(S, ("[sensors]", "[[told_bending]]\nfrequency_hz = 0.6\n\n[sensors]"), "|[[told_bending]]", "told_bending 1", "swing_deg", "", "is missing", "swing_deg = 0.05"),
    case(S, ("[sensors]", "[[told_bending]]\nfrequency_hz = 0.6\nswing_deg = 0.0\n\n[[told_bending]]\nfrequency_hz = 0.7\nswing_deg = 0.0\n\n[[told_bending]]\nfrequency_hz = 0.8\nswing_deg = 0.0\n\n[sensors]"), "|0.8\nswing", "told_bending 3", "frequency_hz", "0.8", "is of one mode too many", "at most 2"),
    case(S, ("[sensors]", "[[shut_off]]\nstart_s = 5.0\n\n[sensors]"), "|[[shut_off]]", "shut_off 1", "group", "", "is missing, and so is jet", "group = 2, or jet = \"name\""),
    case(S, ("[sensors]", "[[shut_off]]\nstart_s = 5.0\ngroup = 0\njet = \"roll_minus\"\n\n[sensors]"), "|\"roll_minus\"\n\n[sensors]", "shut_off 1", "jet", "\"roll_minus\"", "stands beside group", "either group or jet"),
    case(S, ("[sensors]", "[[shut_off]]\nstart_s = 5.0\nstop_s = 4.0\ngroup = 0\n\n[sensors]"), "|4.0\n", "shut_off 1", "stop_s", "4.0", "is not after start_s = 5", "above 5"),
    case(S, ("[sensors]", "[[shut_off]]\nstart_s = 700.0\nstop_s = 800.0\ngroup = 0\n\n[sensors]"), "|700.0", "shut_off 1", "start_s", "700.0", "is not before the end of the run at 600 s", "below 600"),
    // Kernel.
    case(S, ("[kernel]\ntick_s = 0.004\ncycle_ticks = 50\n", ""), "|name =", "", "kernel", "", "is missing", "a table headed [kernel]"),
    case(S, ("tick_s = 0.004\n", ""), "|[kernel]", "kernel", "tick_s", "", "is missing", "tick_s = 0.004"),
    case(S, ("0.004", "0.03"), "|0.03", "kernel", "tick_s", "0.03", "is longer than minimum_on_s = 0.024 of jet \"roll_plus\"", "at most 0.024"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 5\nmeasurement_age_limit_s = 0.12"), "|5\n", "kernel", "cycle_ticks", "5",
        "makes a cycle of 0.02 s, shorter than minimum_on_s = 0.024 of jet \"roll_plus\"", "at least 6"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 20000"), "|20000", "kernel", "cycle_ticks", "20000", "must lie between 1 and 16384", "cycle_ticks = 60"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nminimum_off_ticks = 50"), "|50\n\n", "kernel", "minimum_off_ticks", "50", "must lie between 0 and 49", "below cycle_ticks"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nminimum_off_ticks = 45"), "|45\n\n", "kernel", "minimum_off_ticks", "45", "leaves no room in a cycle of 50 ticks for the shortest pulse of jet \"roll_plus\", 6 ticks", "at most 44"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\ncommand_delay_ticks = 49"), "|49\n\n", "kernel", "command_delay_ticks", "49", "takes to act", "at most"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\ncommand_delay_ticks = -1"), "|-1", "kernel", "command_delay_ticks", "-1", "must lie between 0 and 49", "below cycle_ticks"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nmeasurement_age_limit_s = 2.0"), "|2.0", "kernel", "measurement_age_limit_s", "2.0", "is longer than the 6 cycles", "at most 1.2"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nmeasurement_age_limit_s = 0.1"), "|0.1\n", "kernel", "measurement_age_limit_s", "0.1", "would refuse every measurement: they arrive 0.12 s old", "above the sensors' delays"),
    case(S, ("cycle_ticks = 50", "cycle_ticks = 50\nassumed_firing_error = 2"), "|2\n", "kernel", "assumed_firing_error", "2", "must lie between 0 and 1", "a fraction"),
    case(S, ("[kernel]", "[[kernel]]"), "|[[kernel]]", "", "kernel", "[[kernel]]", "is a list where a table is needed", "a table headed [kernel]"),
    // Phases.
    case(S, ("start_s = 0.0", "start_s = 5.0"), "|5.0", "phase 1", "start_s", "5.0", "starts late", "start_s = 0.0"),
    case(S, ("start_s = 60.0", "start_s = 0.0"), "|0.0\nmode = \"hold\"", "phase 2", "start_s", "0.0", "is not after the phase before it, which starts at 0 s", "above 0"),
    case(S, ("start_s = 60.0", "start_s = 601.0"), "|601.0", "phase 2", "start_s", "601.0", "is not before the end of the run at 600 s", "below 600, or a longer duration_s"),
    case(S, ("start_s = 60.0\n", ""), "|[[phase]]\nmode", "phase 2", "start_s", "", "is missing", "the start in seconds"),
    case(S, ("mode = \"hold\"", "mode = \"holt\""), "|\"holt\"", "phase 2", "mode", "\"holt\"", "\"holt\" is no known word", "did you mean \"hold\"? one of \"free_drift\""),
    case(S, ("0.5, 0.4]", "0.0, 0.4]"), "|0.0, 0.4]", "phase 2", "half_width_deg", "0.0", "must be above zero and at most 90", "half_width_deg = 0.5"),
    case(S, ("[0.5, 0.5, 0.4]", "true"), "|true", "phase 2", "half_width_deg", "true", "is true or false where a list of 3 numbers is needed", "half_width_deg = 0.5"),
    case(S, ("rate_limit_deg_s = 0.05\n", ""), "|[[phase]]\nstart_s = 60", "phase 2", "rate_limit_deg_s", "", "is missing", "rate_limit_deg_s = 0.05"),
    case(S, ("[0.0, 0.6, 0.0, 0.8]", "[0.0, 0.6, 0.0, 0.9]"), "|[0.0, 0.6", "phase 2", "attitude_xyzw", "[0.0, 0.6, 0.0, 0.9]", "has length 1.081665 where a unit quaternion is needed", "scalar last"),
    case(S, ("[0.0, 0.6, 0.0, 0.8]", "[0.0, 0.6, 0.8]"), "|[0.0, 0.6", "phase 2", "attitude_xyzw", "[0.0, 0.6, 0.8]", "has 3 entries where a list of 4 numbers is needed", "scalar last"),
    case(S, ("mode = \"free_drift\"", "mode = \"impulse\""), "|[[phase]]\nstart_s = 0", "phase 1", "rate_change_deg_s", "", "is missing", "rate_change_deg_s = [0.3, 0.0, 0.0]"),
    case(S, ("mode = \"free_drift\"", "mode = \"free_drift\"\nhalf_width_deg = 1.0"), "|half_width_deg = 1.0", "phase 1", "half_width_deg", "1.0", "is no known key", "known here: early, mode, start_s"),
    case(S, ("mode = \"free_drift\"", "mode = \"free_drift\"\nearly = true"), "|true", "phase 1", "early", "true", "is said of the first phase", "left out"),
    case(S, ("mode = \"hold\"", "mode = \"hold\"\nearly = true"), "|true", "phase 2", "early", "true", "waits for a phase that is never done", "left out, or after \"damp\""),
    case(S, ("mode = \"hold\"", "mode = \"hold\"\nearly = 1"), "|1\n", "phase 2", "early", "1", "is a number where true or false is needed", "early = true"),
    case(S, ("mode = \"free_drift\"", "mode = \"translate\"\nhalf_width_deg = 0.5\nrate_limit_deg_s = 0.05\nvelocity_change_m_s = [0.0, 0.0, 0.0]"), "|[0.0, 0.0, 0.0]\n", "phase 1", "velocity_change_m_s", "[0.0, 0.0, 0.0]", "asks for nothing", "a velocity change"),
    case(S, ("mode = \"free_drift\"", "mode = \"burn\"\nhalf_width_deg = 0.5\nrate_limit_deg_s = 0.05\nsettling_s = 900.0\nvelocity_change_m_s = [5.0, 0.0, 0.0]"), "|900.0", "phase 1", "settling_s", "900.0", "must lie between 0 and 600", "settling_s = 10.0"),
    case(S, ("mode = \"free_drift\"", "mode = \"damp\""), "|[[phase]]\nstart_s = 0", "phase 1", "rate_limit_deg_s", "", "is missing", "rate_limit_deg_s = 0.02"),
    case(S, ("mode = \"free_drift\"", "mode = \"damp\"\nrate_limit_deg_s = 0.0"), "|0.0\n\n[[phase]]\nstart_s = 60", "phase 1", "rate_limit_deg_s", "0.0", "must be above zero and at most 57", "rate_limit_deg_s = 0.02"),
    case(S, ("mode = \"hold\"", "mode = \"watch\"\nwake_angle_deg = 5.0"), "|[[phase]]\nstart_s = 60", "phase 2", "wake_rate_deg_s", "", "is missing", "wake_rate_deg_s = 0.1"),
    case(S, ("mode = \"free_drift\"", "mode = \"rotate\"\nabout = [1.0, 0.0, 0.5]\nrate_deg_s = 0.3\nrate_error_deg_s = 0.01\nnutation_limit_deg = 2.0\nstray_limit_deg = 10.0"), "|[1.0, 0.0, 0.5]", "phase 1", "about", "[1.0, 0.0, 0.5]", "has length 1.118034", "the same direction at length one"),
    case(S, ("mode = \"free_drift\"", "mode = \"rotate\"\nabout = [1.0, 0.0, 0.0]\nrate_deg_s = 0.3\nrate_error_deg_s = 0.4\nnutation_limit_deg = 2.0\nstray_limit_deg = 10.0"), "|0.4\n", "phase 1", "rate_error_deg_s", "0.4", "is above the rate of 0.3 deg/s", "at most 0.3"),
    case(S, ("mode = \"free_drift\"", "mode = \"rotate\"\nabout = [1.0, 0.0, 0.0]\nrate_deg_s = 0.3\nrate_error_deg_s = 0.01\nnutation_limit_deg = 2.0"), "|[[phase]]\nstart_s = 0", "phase 1", "stray_limit_deg", "", "is missing", "stray_limit_deg = 10.0"),
    case(S, ("mode = \"free_drift\"", "mode = \"rotate\"\nabout = [1.0, 0.0, 0.0]\nfree_axis_within_deg = 0.0\nrate_deg_s = 0.3\nrate_error_deg_s = 0.01\nnutation_limit_deg = 2.0\nstray_limit_deg = 10.0"), "|0.0\nrate_deg_s", "phase 1", "free_axis_within_deg", "0.0", "must lie between 0.1 and 90", "90.0 for the nearest"),
    // Disturbances.
    case(S, ("kind = \"vent\"", "kind = \"leak\""), "|\"leak\"", "disturbance \"seep\"", "kind", "\"leak\"", "\"leak\" is no known word", "\"vent\" and \"torque\""),
    case(S, ("force_n = [0.0, 0.01, 0.0]", "force_n = [0.0, 0.01, 0.0]\ntorque_n_m = [0.0, 0.0]"), "|[0.0, 0.0]\n", "disturbance \"seep\"", "torque_n_m", "[0.0, 0.0]", "has 2 entries where a list of 3 numbers is needed", "torque_n_m = [x, y, z]"),
    case(S, ("stop_s = 90.0", "stop_s = 90.0\nbody = \"lode\""), "|\"lode\"", "disturbance \"seep\"", "body", "\"lode\"", "\"lode\" is no known body", "one of \"carrier\" and \"load\""),
    case(S, ("stop_s = 90.0", "stop_s = 9.0"), "|9.0", "disturbance \"seep\"", "stop_s", "9.0", "is not after start_s = 10", "above 10"),
    case(S, ("start_s = 10.0\nstop_s = 90.0", "start_s = 700.0"), "|700.0", "disturbance \"seep\"", "start_s", "700.0", "is not before the end of the run at 600 s", "below 600"),
    case(S, ("[sensors]", "[[disturbance]]\nname = \"seep\"\nkind = \"torque\"\ntorque_n_m = [0.0, 0.0, 0.1]\n\n[sensors]"), "|\"seep\"\nkind = \"torque\"", "disturbance \"seep\"", "name", "\"seep\"", "is taken already", "a name that no other one has"),
    case(S, ("force_n = [0.0, 0.01, 0.0]", "force_n = [0.0, 0.01, 0.0]\nbody = \"laod\""), "|\"laod\"", "disturbance \"seep\"", "body", "\"laod\"", "is no known body", "did you mean \"load\"?"),
    // Joints.
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 30.0\ndamping_ratio = 0.01\n\n[sensors]"), "|30.0", "joint \"grip\"", "frequency_hz", "30.0", "must lie between 0.01 and 10", "frequency_hz = 0.3"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = -0.01\n\n[sensors]"), "|-0.01", "joint \"grip\"", "damping_ratio", "-0.01", "must lie between 0 and 1", "damping over critical"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\ninitial_deg = 45.0\n\n[sensors]"), "|45.0", "joint \"grip\"", "initial_deg", "45.0", "must lie between -10 and 10", "a small angle"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|[[joint]]", "joint \"grip\"", "hinge_m", "", "is missing", "hinge_m = [x, y, z]"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 2.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|[0.0, 0.0, 2.0]", "joint \"grip\"", "axis", "[0.0, 0.0, 2.0]", "has length 2.000000", "the same direction at length one"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"carrier\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|[\"carrier\"]\nhinge", "joint \"grip\"", "bodies", "[\"carrier\"]", "names \"carrier\", which carries jet \"roll_plus\"", "the far side of the joint"),
    case(S, ("[sensors]", "[[joint]]\nname = \"grip\"\nbodies = [\"laod\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|\"laod\"]\nhinge", "joint \"grip\"", "bodies", "\"laod\"", "is no known body", "did you mean \"load\"?"),
    case(S, ("[sensors]", "[[joint]]\nname = \"a\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n[[joint]]\nname = \"b\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 1.0, 0.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n[[joint]]\nname = \"c\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [1.0, 0.0, 0.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|\"c\"", "joint \"c\"", "name", "\"c\"", "is one joint too many", "at most 2"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 50.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|50.0", "slosh 1", "mass_kg", "50.0", "is more than the 40 kg in the tank", "the part of the tank's propellant that swings"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|\"main\"\nmass", "slosh 1", "tank", "\"main\"", "is no known tank", "main_tank"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.0\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|0.0\nhangs", "slosh 1", "length_m", "0.0", "must lie between 0.01 and 10", "length_m, such as 0.25"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\ndamping_per_s = -1.0\n\n[sensors]"), "|-1.0", "slosh 1", "damping_per_s", "-1.0", "must lie between 0 and 10", "in free fall"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|\"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]", "slosh 2", "tank", "\"main_tank\"", "swings twice", "each tank once"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|\"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]", "slosh 3", "tank", "\"main_tank\"", "is one tank too many", "at most 2"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|\"main_tank\"\nmass_kg", "slosh 1", "tank", "\"main_tank\"", "swings beside [[joint]]", "either [[slosh]] or [[joint]]"),
    case(S, ("[sensors]", "[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n[orbit]\naltitude_km = 400.0\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.0, 0.0, 1.0]\n\n[sensors]"), "|\"main_tank\"\nmass_kg", "slosh 1", "tank", "\"main_tank\"", "swings beside [orbit]", "either [[slosh]] or [orbit]"),
    case(S, ("told_stack = [\"carrier\"]\n", "told_stack = [\"carrier\"]\n[[variant.requirement]]\nfigure = \"propelant_kg\"\nat_most = 1.0\n"), "|\"propelant_kg\"", "requirement 1", "figure", "\"propelant_kg\"", "is no known figure", "did you mean \"propellant_kg\"?"),
    // Orbit.
    case(S, ("[sensors]", "[orbit]\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.0, 0.0, 1.0]\n\n[sensors]"), "|[orbit]", "orbit", "altitude_km", "", "is missing, and so is rate_deg_s", "altitude_km = 500.0"),
    case(S, ("[sensors]", "[orbit]\naltitude_km = 500.0\nrate_deg_s = 0.06\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.0, 0.0, 1.0]\n\n[sensors]"), "|0.06", "orbit", "rate_deg_s", "0.06", "stands beside altitude_km", "either"),
    case(S, ("[sensors]", "[orbit]\naltitude_km = 50.0\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.0, 0.0, 1.0]\n\n[sensors]"), "|50.0\nup", "orbit", "altitude_km", "50.0", "must lie between 100 and 1000000", "altitude_km = 500.0"),
    case(S, ("[sensors]", "[orbit]\nrate_deg_s = 0.0\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.0, 0.0, 1.0]\n\n[sensors]"), "|0.0\nup", "orbit", "rate_deg_s", "0.0", "must be above zero and at most 0.2", "rate_deg_s = 0.063"),
    case(S, ("[sensors]", "[orbit]\naltitude_km = 500.0\nup_at_start = [1.0, 0.0, 0.0]\n\n[sensors]"), "|[orbit]", "orbit", "normal", "", "is missing", "of length one"),
    // cos 53.13 deg = 0.6.
    case(S, ("[sensors]", "[orbit]\naltitude_km = 500.0\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [0.6, 0.0, 0.8]\n\n[sensors]"), "|[0.6, 0.0, 0.8]\n", "orbit", "normal", "[0.6, 0.0, 0.8]", "stands at 53.13 deg to up_at_start, not at 90", "normal = [0.000000, 0.000000, 1.000000]"),
    case(S, ("[sensors]", "[orbit]\naltitude_km = 500.0\nup_at_start = [1.0, 0.0, 0.0]\nnormal = [-1.0, 0.0, 0.0]\n\n[sensors]"), "|[-1.0", "orbit", "normal", "[-1.0, 0.0, 0.0]", "stands at 180.00 deg", "a direction at 90 deg"),
    // Releases.
    case(S, ("[sensors]", "[[release]]\nat_s = 600.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n\n[sensors]"), "|600.0\ninterface", "release 1", "at_s", "600.0", "is not before the end of the run at 600 s", "below 600"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grasp\"\nkeep_out_m = 5.0\n\n[sensors]"), "|\"grasp\"", "release 1", "interface", "\"grasp\"", "is no known interface", "\"grip\""),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\n\n[sensors]"), "|[[release]]", "release 1", "keep_out_m", "", "is missing", "keep_out_m = 5.0"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[release]]\nat_s = 200.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n\n[sensors]"), "|\"grip\"\nkeep_out_m = 5.0\n\n[sensors]", "release 2", "interface", "\"grip\"", "is one release too many", "at most 1"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[joint]]\nname = \"bends\"\nbodies = [\"load\"]\nhinge_m = [2.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01\n\n[sensors]"), "|\"grip\"\nkeep_out", "release 1", "interface", "\"grip\"", "parts a stack with [[joint]]: what swings is not divided", "either [[release]] or [[joint]]"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[slosh]]\ntank = \"main_tank\"\nmass_kg = 5.0\nlength_m = 0.2\nhangs_along = [1.0, 0.0, 0.0]\n\n[sensors]"), "|\"grip\"\nkeep_out", "release 1", "interface", "\"grip\"", "parts a stack with [[slosh]]", "either [[release]] or [[slosh]]"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\nspring_scatter = 2.0\n\n[sensors]"), "|2.0\n\n[sensors]", "release 1", "spring_scatter", "2.0", "must lie between 0 and 0.3", "spring_scatter = 0.05"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[release.spring]]\nenergy_j = 0.0\n\n[sensors]"), "|0.0\n\n[sensors]", "spring 1", "energy_j", "0.0", "must be above zero", "energy_j = 2.0"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[release.spring]]\nenergy_j = 1.0\ndirection = [0.0, 0.0, 2.0]\n\n[sensors]"), "|[0.0, 0.0, 2.0]", "spring 1", "direction", "[0.0, 0.0, 2.0]", "has length 2.000000 where a unit vector is needed", "direction = [0.000000, 0.000000, 1.000000]"),
    case(S, ("[sensors]", "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n[[release.spring]]\nenergy_j = 1.0\nposition_m = [3.0, 0.5, 0.0]\n\n[sensors]"), "|[[release.spring]]", "spring 1", "direction", "", "is missing, and the spring sits at the centre of mass of what goes", "of the force on what stays"),
    case(S, (", \"load\"]\njets_forbidden = [\"roll_plus\"]\nduration_s = 600.0\nseed = 3\n\n[kernel]", "]\njets_forbidden = [\"roll_plus\"]\nduration_s = 600.0\nseed = 3\n\n[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n\n[kernel]"), "|\"grip\"\nkeep_out", "release 1", "interface", "\"grip\"", "has bodies of this stack on one side only", "something to let go, and something that stays"),
    case(S, ("seed = 3\n\n[kernel]", "told_stack = [\"load\"]\n\n[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n\n[kernel]"), "|\"grip\"\nkeep_out", "release 1", "interface", "\"grip\"", "takes all that the kernel is told of along: load", "a told_stack with a body that stays"),
    case(S, ("told_stack = [\"carrier\"]", "release = \"held\""), "|\"held\"", "variant \"told_carrier\"", "release", "\"held\"", "is \"held\", but nothing is released", "a [[release]] in the scenario"),
    case(S, ("told_stack = [\"carrier\"]", "release = \"kept\""), "|\"kept\"", "variant \"told_carrier\"", "release", "\"kept\"", "is no known word", "\"told\", \"untold\" and \"held\""),
    // Sensors.
    case(S, ("attitude_noise_deg = 0.005", "attitude_noise_deg = -0.005"), "|-0.005", "sensors", "attitude_noise_deg", "-0.005", "must lie between 0 and 10", "attitude_noise_deg = 0.005"),
    case(S, ("[0.0001, 0.0, 0.0]", "[0.0001, \"0\", 0.0]"), "|\"0\"", "sensors", "rate_bias_deg_s", "\"0\"", "is text where a number is needed", "rate_bias_deg_s = [x, y, z]"),
    // Requirements.
    case(S, ("worst_axis_error_deg", "worst_error_deg"), "|\"worst_error_deg\"", "requirement 1", "figure", "\"worst_error_deg\"", "\"worst_error_deg\" is no known figure", "did you mean \"worst_axis_error_deg\"? known figures:"),
    case(S, ("worst_axis_error_deg", "peak_force_at_grapple_n"), "|\"peak_force_at_grapple_n\"", "requirement 1", "figure", "\"peak_force_at_grapple_n\"", "is no known figure", "peak_force_at_{interface}_n"),
    case(S, ("at_most = 0.55\n", ""), "|[[requirement]]", "requirement 1", "at_most", "", "is missing, and so is at_least", "at_most or at_least, or both"),
    case(S, ("at_most = 0.55", "at_most = 0.55\nat_least = 0.6"), "|0.6\n\n[[v", "requirement 1", "at_least", "0.6", "is above at_most = 0.55: nothing can meet both", "at most 0.55"),
    case(S, ("at_most = 0.55", "at_most = nan"), "|nan", "requirement 1", "at_most", "nan", "is not finite", "a bound in the figure's unit"),
    // Variants.
    case(S, ("\"told_carrier\"", "\"told_truth\""), "|\"told_truth\"", "variant \"told_truth\"", "name", "\"told_truth\"", "is the name of the scenario's own flight", "another name"),
    case(S, ("told_stack = [\"carrier\"]\n", ""), "|[[variant]]", "variant \"told_carrier\"", "stack", "", "is missing, and so is told_stack", "stack, told_stack, interface_limits or release"),
    case(S, ("told_stack = [\"carrier\"]", "interface_limits = \"ignored\""), "|\"ignored\"", "variant \"told_carrier\"", "interface_limits", "\"ignored\"", "is no known word", "\"kept\" and \"disregarded\""),
    case(S, ("told_stack = [\"carrier\"]", "stack = [\"load\"]"), "|[\"load\"]", "variant \"told_carrier\"", "stack", "[\"load\"]", "leaves out \"carrier\"", "a stack with \"carrier\""),
    case(S, ("told_stack = [\"carrier\"]", "interface_limits = \"disregarded\""), "|\"disregarded\"", "variant \"told_carrier\"", "interface_limits", "\"disregarded\"", "disregards what is not there", "an [[interface_limit]] in the scenario"),
    // Not TOML at all.
    case(S, ("\"small_hold\"", "small_hold"), "|small_hold", "", "", "small_hold", "is not valid TOML: string values must be quoted", "text in double quotes"),
    case(S, ("seed = 3", "duration_s = 700.0"), "|duration_s = 700", "", "", "duration_s", "is not valid TOML: duplicate key", "each key once"),
    case(S, ("[[variant]]", "[[variant]"), "|\nname = \"told", "", "", "", "is not valid TOML: unclosed array table", "[[jet]]"),
    case(S, ("seed = 3", "seed"), "|\n\n[kernel]", "", "", "", "is not valid TOML: key with no value", "thrust_n = 22.0"),
    // Gimbal, engine errors, accelerometer.
    case(S, ("[sensors]", "[gimbal]\nstuck_from_s = 700.0\n\n[sensors]"), "|700.0", "gimbal", "stuck_from_s", "700.0", "is not before the end of the run at 600 s", "below 600"),
    case(S, ("[sensors]", "[gimbal]\ntold = true\n\n[sensors]"), "|[gimbal]", "gimbal", "stuck_from_s", "", "is missing", "the first moment in seconds"),
    case(S, ("[sensors]", "[gimbal]\nstuck_from_s = 9.0\nstuck_deg = [0.0, 8.5]\n\n[sensors]"), "|[0.0, 8.5]", "gimbal", "stuck_deg", "[0.0, 8.5]", "is beyond the travel of 8.0000 deg either way", "angles within 8.0000 deg"),
    case(S, ("[sensors]", "[gimbal]\nstuck_from_s = 9.0\nstuck_deg = [0.0, 1.0, 2.0]\n\n[sensors]"), "|[0.0, 1.0, 2.0]", "gimbal", "stuck_deg", "[0.0, 1.0, 2.0]", "has 3 entries where a list of 2 numbers is needed", "stuck_deg = [first, second]"),
    case(S, ("[sensors]", "[gimbal]\nstuck_from_s = 9.0\ntold = \"no\"\n\n[sensors]"), "|\"no\"", "gimbal", "told", "\"no\"", "is text where true or false is needed", "told = false"),
    case(S, ("[sensors]", "[actuators]\nengine_thrust_error = -0.5\n\n[sensors]"), "|-0.5", "actuators", "engine_thrust_error", "-0.5", "must lie between -0.3 and 0.3", "a fraction"),
    case(S, ("[sensors]", "[actuators]\nengine_misalignment_deg = 0.1\n\n[sensors]"), "|0.1\n\n[sensors]", "actuators", "engine_misalignment_deg", "0.1", "is a number where a list of 2 numbers is needed", "[first, second]"),
    case(S, ("delay_s = 0.12", "delay_s = 0.12\nvelocity_quantum_m_s = 0.001"), "|0.001", "sensors", "velocity_quantum_m_s", "0.001", "stands without accelerometer_m", "accelerometer_m = [x, y, z] beside it"),
    case(S, ("delay_s = 0.12", "delay_s = 0.12\naccelerometer_m = [0.0, 0.0, 0.0]\nvelocity_noise_m_s = -1.0"), "|-1.0", "sensors", "velocity_noise_m_s", "-1.0", "must lie between 0 and 10", "velocity_noise_m_s = 0.0002"),
    case(S, ("delay_s = 0.12", "delay_s = 0.12\naccelerometer_m = [0.0, 0.0, 0.0]\n\n[[joint]]\nname = \"grip\"\nbodies = [\"load\"]\nhinge_m = [1.0, 0.0, 0.0]\naxis = [0.0, 0.0, 1.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.01"), "|[0.0, 0.0, 0.0]\n\n[[joint]]", "sensors", "accelerometer_m", "[0.0, 0.0, 0.0]", "stands beside [[joint]]", "one of the two"),
];

/// Broken vehicle files.
#[rustfmt::skip]
const VEHICLE_CORPUS: &[Case] = &[
    case(V, ("mass_kg = 500.0", "mass_kg = -500.0"), "|-500.0", "body \"carrier\"", "mass_kg", "-500.0", "must be above zero", "dry mass in kilograms"),
    case(V, ("mass_kg = 500.0\n", ""), "|[[body]]\nname = \"carrier\"", "body \"carrier\"", "mass_kg", "", "is missing", "dry mass in kilograms"),
    case(V, ("mass_kg = 500.0", "mass_lb = 500.0"), "|[[body]]\nname = \"carrier\"", "body \"carrier\"", "mass_kg", "", "is missing", "dry mass in kilograms"),
    case(V, ("mass_kg = 500.0", "mass_kg = 1e12"), "|1e12", "body \"carrier\"", "mass_kg", "1e12", "is beyond 1e9", "dry mass in kilograms"),
    case(V, ("centre_of_mass_m = [3.0,", "centre_of_mass_m = [3000.0,"), "|3000.0", "body \"load\"", "centre_of_mass_m", "3000.0", "must lie between -1000 and 1000", "structural axes"),
    case(V, ("zz = 500.0", "zz = 900.0"), "|{ xx", "body \"carrier\"", "inertia_kg_m2", "{ xx = 300.0, yy = 400.0, zz = 900.0, xy = 10.0, xz = 0.0, y...", "breaks the triangle inequality: principal moments 299", "minus the integrals"),
    case(V, ("xy = 10.0", "xy = 500.0"), "|{ xx", "body \"carrier\"", "inertia_kg_m2", "{ xx = 300.0, yy = 400.0, zz = 500.0, xy = 500.0, xz = 0.0, ...", "is not positive definite: principal moments -", "minus the integrals"),
    case(V, (", yz = -5.0", ""), "|{ xx", "body \"carrier\": inertia_kg_m2", "yz", "", "is missing", "minus the integral"),
    case(V, ("yy = 400.0", "yy = 0.0"), "|0.0, zz", "body \"carrier\": inertia_kg_m2", "yy", "0.0", "must be above zero", "a moment of inertia"),
    case(V, ("yz = -5.0", "zy = -5.0, yz = -5.0"), "|zy", "body \"carrier\": inertia_kg_m2", "zy", "-5.0", "is no known key", "known here: xx, xy, xz, yy, yz, zz"),
    case(V, ("box_m = [2.0, 2.1, 2.2]", "box_m = [2.0, 2.1, 2.2]\nuniform = \"box\""), "|\"box\"", "body \"carrier\"", "uniform", "\"box\"", "stands beside inertia_kg_m2", "one of the two"),
    case(V, ("uniform = \"cylinder\"", "uniform = \"box\""), "|\"box\"", "body \"load\"", "uniform", "\"box\"", "is another shape than the hull", "uniform = \"cylinder\" with cylinder_radius_m"),
    case(V, ("uniform = \"cylinder\"\n", ""), "|[[body]]\nname = \"load\"", "body \"load\"", "inertia_kg_m2", "", "is missing", "or uniform = \"box\" or \"cylinder\""),
    case(V, ("uniform = \"cylinder\"", "uniform = \"cylinder\"\nhull_offset_m = [0.1, 0.0, 0.0]"), "|[0.1, 0.0, 0.0]\ncyl", "body \"load\"", "hull_offset_m", "[0.1, 0.0, 0.0]", "cannot stand beside uniform", "inertia_kg_m2 in place of uniform"),
    case(V, ("box_m = [2.0, 2.1, 2.2]\n", ""), "|[[body]]\nname = \"carrier\"", "body \"carrier\"", "box_m", "", "is missing", "full side lengths"),
    case(V, ("box_m = [2.0, 2.1, 2.2]", "box_m = [2.0, 0.0, 2.2]"), "|0.0, 2.2]", "body \"carrier\"", "box_m", "0.0", "must be above zero and at most 1000", "full side lengths"),
    case(V, ("box_m = [2.0, 2.1, 2.2]", "box_m = [2.0, 2.1, 2.2]\ncylinder_radius_m = 1.0"), "|[2.0, 2.1", "body \"carrier\"", "box_m", "[2.0, 2.1, 2.2]", "stands beside a cylinder", "either box_m, or cylinder_radius_m"),
    case(V, ("turned_about = \"z\"", "turned_about = \"w\""), "|\"w\"", "body \"load\"", "turned_about", "\"w\"", "\"w\" is no known word", "\"x\", \"y\" and \"z\""),
    case(V, ("turned_about = \"z\"\n", ""), "|[[body]]\nname = \"load\"", "body \"load\"", "turned_about", "", "is missing", "turned_about = \"x\""),
    case(V, ("turned_deg = 30.0", "turned_deg = 30.0\norientation_xyzw = [0.0, 0.0, 0.0, 1.0]"), "|[0.0, 0.0, 0.0, 1.0]", "body \"load\"", "orientation_xyzw", "[0.0, 0.0, 0.0, 1.0]", "stands beside turned_about", "either orientation_xyzw"),
    // Tanks.
    case(V, ("body = \"carrier\"\nposition_m = [0.1", "body = \"load_\"\nposition_m = [0.1"), "|\"load_\"", "tank \"main_tank\"", "body", "\"load_\"", "\"load_\" is no known body", "did you mean \"load\"?"),
    case(V, ("unusable_kg = 1.0", "unusable_kg = 41.0"), "|41.0", "tank \"main_tank\"", "unusable_kg", "41.0", "is more than the 40 kg in the tank", "at most propellant_kg = 40"),
    case(V, ("propellant_kg = 40.0\nunusable_kg = 1.0", "propellant_kg = -1.0"), "|-1.0", "tank \"main_tank\"", "propellant_kg", "-1.0", "must not be negative", "propellant_kg = 150.0"),
    // Jets.
    case(V, ("[[jet]]\nname = \"roll_minus\"\nkind = \"plain\"\nbody = \"carrier\"\ntank = \"main_tank\"", "[[jet]]\nname = \"roll_minus\"\nkind = \"plain\"\nbody = \"carrier\"\ntank = \"main\""), "|\"main\"", "jet \"roll_minus\"", "tank", "\"main\"", "\"main\" is no known tank", "one of \"main_tank\""),
    case(V, ("name = \"roll_minus\"\nkind = \"plain\"", "name = \"roll_minus\"\nkind = \"plane\""), "|\"plane\"", "jet \"roll_minus\"", "kind", "\"plane\"", "\"plane\" is no known jet_kind", "did you mean \"plain\"?"),
    case(V, ("name = \"roll_minus\"", "name = \"roll_plus\""), "|\"roll_plus\"\nkind = \"plain\"\nbody = \"carrier\"\ntank = \"main_tank\"\nposition_m = [0.0, -1.0", "jet \"roll_plus\"", "name", "\"roll_plus\"", "is taken already", "a name that no other one has"),
    case(V, ("force_direction = [0.0, 0.0, 1.0]\nthrust_n", "force_direction = [0.0, 0.6, 1.0]\nthrust_n"), "|[0.0, 0.6", "jet \"roll_minus\"", "force_direction", "[0.0, 0.6, 1.0]", "has length 1.166190 where a unit vector is needed", "force_direction = [0.000000, 0.514496, 0.857493]"),
    case(V, ("force_direction = [0.0, 0.0, 1.0]\nthrust_n", "force_direction = [0.0, 0.0, 0.0]\nthrust_n"), "|[0.0, 0.0, 0.0]\nthrust", "jet \"roll_minus\"", "force_direction", "[0.0, 0.0, 0.0]", "has length 0.000000", "a direction such as force_direction = [1.0, 0.0, 0.0]"),
    case(V, ("thrust_n = 9.0", "thrust_n = 0.0"), "|0.0\n\n[engine]", "jet \"roll_minus\"", "thrust_n", "0.0", "must be above zero", "the steady thrust in newtons"),
    case(V, ("thrust_n = 10.0", "thrust_n = 1e300"), "|1e300", "jet_kind \"plain\"", "thrust_n", "1e300", "is beyond 1e9", "the steady thrust in newtons"),
    case(V, ("group = 2", "group = 16"), "|16", "jet \"roll_plus\"", "group", "16", "must lie between 0 and 15", "group, 0 to 15"),
    case(V, ("minimum_on_s = 0.024", "minimum_on_s = 0.0"), "|0.0\nopening", "jet_kind \"plain\"", "minimum_on_s", "0.0", "must be above zero", "minimum_on_s = 0.028"),
    case(V, ("thrust_n = 9.0", "minimum_on_s = 0.007"), "|0.007", "jet \"roll_minus\"", "minimum_on_s", "0.007", "too short: the jet would begin to shut at 0.0130 s, before its full thrust at 0.0140 s", "at least 0.0080 s"),
    case(V, ("short_pulse_loss = 0.1", "short_pulse_loss = 1.0"), "|1.0\nshort", "jet_kind \"plain\"", "short_pulse_loss", "1.0", "must lie between 0 and 0.9", "fraction of specific impulse lost"),
    case(V, ("thrust_n = 9.0", "thrust_lbf = 2.0"), "|thrust_lbf", "jet \"roll_minus\"", "thrust_lbf", "2.0", "is no known key", "did you mean thrust_n?"),
    case(V, ("thrust_n = 9.0", "thrust_n = 9.0\nstate = \"dead\""), "|state", "jet \"roll_minus\"", "state", "\"dead\"", "is no known key", "known here:"),
    // Engine.
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 90.0"), "|90.0", "engine", "gimbal_travel_deg", "90.0", "must lie between 0 and 60", "0.0 for a fixed engine"),
    case(V, ("force_direction = [1.0, 0.0, 0.0]", "force_direction = [2.0, 0.0, 0.0]"), "force_direction = |[2.0", "engine", "force_direction", "[2.0, 0.0, 0.0]", "has length 2.000000", "force_direction = [1.000000, 0.000000, 0.000000]"),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\ngimbal_rate_deg_s = 0.0"), "|0.0\n\n[[interface]]", "engine", "gimbal_rate_deg_s", "0.0", "must lie between 0.01 and 10000", "gimbal_rate_deg_s = 6.0"),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\ngimbal_lag_s = -0.1"), "|-0.1", "engine", "gimbal_lag_s", "-0.1", "must lie between 0 and 10", "gimbal_lag_s = 0.05"),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\ntail_off_s = 40.1"), "|40.1", "engine", "tail_off_s", "40.1", "must lie between 0 and 40", "tail_off_s = 0.25"),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\ntank = \"mane_tank\""), "|\"mane_tank\"", "engine", "tank", "\"mane_tank\"", "\"mane_tank\" is no known tank", "did you mean \"main_tank\"?"),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\nbody = \"bus\""), "|\"bus\"", "engine", "body", "\"bus\"", "\"bus\" is no known body", "one of \"carrier\" and \"load\""),
    case(V, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 8.0\nfirst_axis = [0.6, 0.8, 0.0]"), "|[0.6, 0.8, 0.0]", "engine", "first_axis", "[0.6, 0.8, 0.0]", "stands at 53.13 deg to force_direction, not at 90", "first_axis = [0.000000, 1.000000, 0.000000], the nearest direction at 90 deg"),
    // Not TOML at all.
    case(V, ("[[tank]]", "[[interface]]\nname = \"joint\"\nposition_m = [1.0, 0.0, 0.0]\nfar_side = [\"carrier\", \"load\"]\n\n[[tank]]"), "|[\"carrier\", \"load\"]", "interface \"joint\"", "far_side", "[\"carrier\", \"load\"]", "holds every body", "only the bodies beyond the interface"),
    case(V, ("[[tank]]", "[[interface]]\nname = \"joint\"\nposition_m = [1.0, 0.0, 0.0]\n\n[[tank]]"), "|[[interface]]", "interface \"joint\"", "far_side", "", "is missing", "\"carrier\" and \"load\""),
    case(V, ("[[jet]]\nname = \"roll_minus\"", "[jet.plume]\nbody = \"lode\"\ndistance_m = 1.0\n\n[[jet]]\nname = \"roll_minus\""), "|\"lode\"", "jet \"roll_plus\": plume", "body", "\"lode\"", "is no known body", "one of \"carrier\" and \"load\""),
    case(V, ("[[jet]]\nname = \"roll_minus\"", "[jet.plume]\nbody = \"load\"\n\n[[jet]]\nname = \"roll_minus\""), "|[jet.plume]", "jet \"roll_plus\": plume", "distance_m", "", "is missing", "from the nozzle"),
    case(V, ("thrust_n = 9.0", "thrust_n = 9.0 N"), "|9.0 N", "", "", "9.0 N", "is not valid TOML", "numbers without their unit"),
];

/// The good text with one edit; the part to edit must be there once.
fn broken(text: &str, (from, to): (&str, &str)) -> String {
    assert_eq!(text.matches(from).count(), 1, "{from:?} must be found once in the good text");
    text.replacen(from, to, 1)
}

/// Line and column (in characters, from 1) of the `|` of `at` in a text.
fn place(text: &str, at: &str) -> (usize, usize) {
    let (before, after) = at.split_once('|').expect("at holds a mark");
    let start =
        text.find(&format!("{before}{after}")).unwrap_or_else(|| panic!("{at:?} not found")) + before.len();
    let line_start = text[..start].rfind('\n').map_or(0, |newline| newline + 1);
    (text[..start].matches('\n').count() + 1, text[line_start..start].chars().count() + 1)
}

fn problems(scenario: &str, vehicle: &str) -> Vec<Problem> {
    match scenario::parse(("small_hold.toml", scenario), ("small.toml", vehicle)) {
        Ok(_) => Vec::new(),
        Err(error) => error.problems().to_vec(),
    }
}

/// Checks one entry; the fault, if any, as text.
fn check(case: &Case) -> Result<(), String> {
    let (mut scenario, mut vehicle) = (SCENARIO.to_owned(), VEHICLE.to_owned());
    let (file, text) = match case.file {
        S => ("small_hold.toml", &mut scenario),
        V => ("small.toml", &mut vehicle),
    };
    *text = broken(text, case.edit);
    let (line, column) = place(text, case.at);
    let line_text = text.lines().nth(line - 1).unwrap_or_default().to_owned();
    let found = problems(&scenario, &vehicle);
    let fits = |problem: &&Problem| {
        (problem.file.as_str(), problem.line, problem.column) == (file, line, column)
            && (problem.owner.as_str(), problem.key.as_str()) == (case.owner, case.key)
            && problem.value == case.value
            && problem.wrong.contains(case.wrong)
            && problem.remedy.contains(case.remedy)
    };
    let Some(problem) = found.iter().find(fits) else {
        return Err(format!("{:?}: wanted {file}:{line}:{column}, found {found:#?}", case.edit));
    };
    let message = problem.render(false);
    let parts = [format!("{file}:{line}:{column}"), line_text, case.remedy.to_owned(), case.wrong.to_owned()];
    match parts.iter().find(|part| !message.contains(part.as_str())) {
        None => Ok(()),
        Some(part) => Err(format!("{:?}: {part:?} is not in\n{message}", case.edit)),
    }
}

fn check_all(corpus: &[Case]) {
    let faults: Vec<String> = corpus.iter().filter_map(|case| check(case).err()).collect();
    assert!(faults.is_empty(), "{} of {}:\n{}", faults.len(), corpus.len(), faults.join("\n"));
}

#[test]
fn the_unbroken_pair_of_files_is_accepted() {
    assert_eq!(problems(SCENARIO, VEHICLE), []);
}

#[test]
fn every_broken_scenario_gives_its_message() {
    check_all(SCENARIO_CORPUS);
}

#[test]
fn every_broken_vehicle_gives_its_message() {
    check_all(VEHICLE_CORPUS);
}

/// One slip gives one problem, not a cascade; a mistyped key of a value that must be there gives two
/// (the unknown and the missing one).
#[test]
fn one_slip_gives_no_cascade() {
    for case in SCENARIO_CORPUS.iter().chain(VEHICLE_CORPUS) {
        let (scenario, vehicle) = match case.file {
            S => (broken(SCENARIO, case.edit), VEHICLE.to_owned()),
            V => (SCENARIO.to_owned(), broken(VEHICLE, case.edit)),
        };
        let found = problems(&scenario, &vehicle);
        let mistyped = found.iter().any(|problem| problem.wrong == "is no known key");
        assert!(found.len() <= 1 + usize::from(mistyped), "{:?}: {found:#?}", case.edit);
    }
}

/// Values out of range: the edit, and the key and value that must be named. The remedy always gives
/// an example or a limit.
#[rustfmt::skip]
const OUT_OF_RANGE: &[(In, (&str, &str), &str, &str)] = &[
    (S, ("delay_s = 0.12", "delay_s = 11.0"), "delay_s", "11.0"),
    (S, ("[sensors]", "[[told_bending]]\nfrequency_hz = 0.6\nswing_deg = 0.1\ndamping_ratio = 1.5\n\n[sensors]"), "damping_ratio", "1.5"),
    (S, ("[sensors]", "[[told_bending]]\nfrequency_hz = 0.6\nswing_deg = 30.0\n\n[sensors]"), "swing_deg", "30.0"),
    (S, ("delay_s = 0.12", "delay_s = 0.12\nrate_delay_s = 11.0"), "rate_delay_s", "11.0"),
    (S, ("attitude_noise_deg = 0.005", "attitude_noise_deg = 20.0"), "attitude_noise_deg", "20.0"),
    (S, ("[sensors]", "[actuators]\nthrust_scatter = 0.5\n\n[sensors]"), "thrust_scatter", "0.5"),
    (S, ("[sensors]", "[actuators]\npulse_scatter = -0.1\n\n[sensors]"), "pulse_scatter", "-0.1"),
    (S, ("tick_s = 0.004", "tick_s = 0.000001"), "tick_s", "0.000001"),
    (S, ("tick_s = 0.004", "tick_s = -0.004"), "tick_s", "-0.004"),
    (S, ("cycle_ticks = 50", "cycle_ticks = 50\nmeasurement_age_limit_s = -1.0"), "measurement_age_limit_s", "-1.0"),
    (S, ("cycle_ticks = 50", "cycle_ticks = 50\nassumed_rate_noise_deg_s = 0.0"), "assumed_rate_noise_deg_s", "0.0"),
    (S, ("[sensors]", "[initial]\nrate_deg_s = [0.0, 400.0, 0.0]\n\n[sensors]"), "rate_deg_s", "400.0"),
    (S, ("[sensors]", "[flight_table]\nsequence = 0\n\n[sensors]"), "sequence", "0"),
    (S, ("[sensors]", "[flight_table]\nsequence = 4294967296\n\n[sensors]"), "sequence", "4294967296"),
    (S, ("start_s = 60.0", "start_s = -60.0"), "start_s", "-60.0"),
    (S, ("rate_limit_deg_s = 0.05", "rate_limit_deg_s = 91.0"), "rate_limit_deg_s", "91.0"),
    (S, ("rate_limit_deg_s = 0.05", "rate_limit_deg_s = -0.05"), "rate_limit_deg_s", "-0.05"),
    (S, ("mode = \"free_drift\"", "mode = \"impulse\"\nrate_change_deg_s = [0.0, 0.0, 95.0]"), "rate_change_deg_s", "95.0"),
    (S, ("mode = \"free_drift\"", "mode = \"impulse\"\nrate_change_deg_s = [0.0, 0.0, 0.1]\nvelocity_change_m_s = [2e4, 0.0, 0.0]"), "velocity_change_m_s", "2e4"),
    (S, ("start_s = 10.0", "start_s = -10.0"), "start_s", "-10.0"),
    (S, ("stop_s = 90.0", "stop_s = -1.0"), "stop_s", "-1.0"),
    (S, ("position_m = [1.0, 0.2", "position_m = [1.0, 2000.0"), "position_m", "2000.0"),
    (V, ("cylinder_radius_m = 0.8", "cylinder_radius_m = -0.8"), "cylinder_radius_m", "-0.8"),
    (V, ("cylinder_length_m = 2.4", "cylinder_length_m = 0.0"), "cylinder_length_m", "0.0"),
    (V, ("turned_deg = 30.0", "turned_deg = 1000.0"), "turned_deg", "1000.0"),
    (V, ("unusable_kg = 1.0", "unusable_kg = -1.0"), "unusable_kg", "-1.0"),
    (V, ("specific_impulse_s = 220.0", "specific_impulse_s = 0.0"), "specific_impulse_s", "0.0"),
    (V, ("opening_delay_s = 0.008", "opening_delay_s = -0.008"), "opening_delay_s", "-0.008"),
    (V, ("\nrise_s = 0.006", "\nrise_s = -0.006"), "rise_s", "-0.006"),
    (V, ("closing_delay_s = 0.006", "closing_delay_s = 11.0"), "closing_delay_s", "11.0"),
    (V, ("tail_off_s = 0.010", "tail_off_s = -0.010"), "tail_off_s", "-0.010"),
    (V, ("short_pulse_time_s = 0.03", "short_pulse_time_s = 0.0"), "short_pulse_time_s", "0.0"),
    (V, ("thrust_n = 400.0", "thrust_n = -400.0"), "thrust_n", "-400.0"),
    (V, ("specific_impulse_s = 310.0", "specific_impulse_s = -310.0"), "specific_impulse_s", "-310.0"),
    (V, ("pivot_m = [-1.0", "pivot_m = [-1001.0"), "pivot_m", "-1001.0"),
    (V, ("design_centre_of_mass_m = [0.0", "design_centre_of_mass_m = [nan"), "design_centre_of_mass_m", "nan"),
];

/// A key nobody knows, put into every kind of table.
const STRAY: &[(In, &str)] = &[
    (S, "[kernel]"),
    (S, "[[phase]]\nstart_s = 0.0"),
    (S, "[[phase]]\nstart_s = 60.0"),
    (S, "[[disturbance]]"),
    (S, "[sensors]"),
    (S, "[[requirement]]"),
    (S, "[[variant]]"),
    (S, "seed = 3"),
    (V, "name = \"small\""),
    (V, "[[body]]\nname = \"load\""),
    (V, "[[tank]]"),
    (V, "[[jet_kind]]"),
    (V, "[[jet]]\nname = \"roll_minus\""),
    (V, "[engine]"),
];

/// A second table under a taken name, one of every kind that has names.
#[rustfmt::skip]
const TWINS: &[(In, &str, &str)] = &[
    (S, "variant \"told_carrier\"", "\n[[variant]]\nname = \"told_carrier\"\ndescription = \"Again.\"\nstack = [\"carrier\"]\n"),
    (V, "body \"load\"", "\n[[body]]\nname = \"load\"\nmass_kg = 1.0\ncentre_of_mass_m = [0.0, 0.0, 0.0]\nuniform = \"box\"\nbox_m = [1.0, 1.0, 1.0]\n"),
    (V, "tank \"main_tank\"", "\n[[tank]]\nname = \"main_tank\"\nbody = \"load\"\nposition_m = [0.0, 0.0, 0.0]\npropellant_kg = 1.0\n"),
    (V, "jet_kind \"plain\"", "\n[[jet_kind]]\nname = \"plain\"\nthrust_n = 1.0\n"),
];

fn both(file: In, edit: impl Fn(&str) -> String) -> Vec<Problem> {
    match file {
        S => problems(&edit(SCENARIO), VEHICLE),
        V => problems(SCENARIO, &edit(VEHICLE)),
    }
}

#[test]
fn every_value_out_of_range_is_named() {
    for (file, edit, key, value) in OUT_OF_RANGE {
        let found = both(*file, |text| broken(text, *edit));
        let [problem] = &found[..] else { panic!("{edit:?}: {found:#?}") };
        assert_eq!((problem.key.as_str(), problem.value.as_str()), (*key, *value), "{edit:?}");
        assert!(problem.wrong.contains("must") || problem.wrong.contains("finite"), "{}", problem.wrong);
        assert!(!problem.remedy.is_empty(), "{edit:?}");
    }
}

#[test]
fn a_stray_key_is_refused_in_every_table() {
    let more = ["[actuators]", "[initial]", "[gimbal]\nstuck_from_s = 9.0"];
    let actuators = SCENARIO.to_owned() + &more.map(|table| format!("\n{table}\nstray_m = 1.0\n")).concat();
    let found = problems(&actuators, VEHICLE);
    let owners: Vec<&str> = found.iter().map(|problem| problem.owner.as_str()).collect();
    assert_eq!(owners, ["actuators", "initial", "gimbal"], "{found:#?}");
    for (file, header) in STRAY {
        let found = both(*file, |text| broken(text, (header, &format!("{header}\nstray_m = 1.0"))));
        let [problem] = &found[..] else { panic!("{header:?}: {found:#?}") };
        assert_eq!(
            (problem.key.as_str(), problem.wrong.as_str()),
            ("stray_m", "is no known key"),
            "{header:?}"
        );
    }
}

#[test]
fn twins_are_refused_in_every_list() {
    for (file, owner, table) in TWINS {
        let found = both(*file, |text| format!("{text}{table}"));
        let [problem] = &found[..] else { panic!("{owner}: {found:#?}") };
        assert_eq!((problem.owner.as_str(), problem.key.as_str()), (*owner, "name"));
        assert!(problem.wrong.contains("is taken already"), "{}", problem.wrong);
    }
}

#[test]
fn the_list_that_leaves_no_jet_is_named() {
    let dead =
        broken(SCENARIO, ("jets_forbidden = [\"roll_plus\"]", "jets_dead = [\"roll_plus\", \"roll_minus\"]"));
    let found = problems(&dead, VEHICLE);
    let [problem] = &found[..] else { panic!("{found:#?}") };
    assert_eq!((problem.key.as_str(), problem.wrong.as_str()), ("jets_dead", "leaves no jet to fire"));
}

#[test]
fn a_file_far_too_large_is_not_read() {
    let large = format!("{SCENARIO}# {}", "x".repeat(5 << 20));
    let path = folder("large", large.as_bytes(), VEHICLE.as_bytes()).join("small_hold.toml");
    assert!(message(&path).contains("a scenario of a few kilobytes"), "{}", message(&path));
}

#[test]
fn all_problems_of_both_files_are_collected() {
    let scenario = broken(&broken(SCENARIO, ("600.0", "-1.0")), ("\"vent\"", "\"wind\""));
    let vehicle = broken(&broken(VEHICLE, ("group = 2", "group = -2")), ("240.0", "0.0"));
    let error = scenario::parse(("a.toml", &scenario), ("b.toml", &vehicle)).expect_err("four problems");
    let keys: Vec<&str> = error.problems().iter().map(|problem| problem.key.as_str()).collect();
    assert_eq!(keys, ["duration_s", "kind", "mass_kg", "group"]);
    let message = error.to_string();
    for part in ["--> a.toml:6:14", "--> b.toml:13:11", "4 problems in all"] {
        assert!(message.contains(part), "{part:?} is not in\n{message}");
    }
}

#[test]
fn more_jets_than_the_kernel_holds_are_refused() {
    let mut vehicle = VEHICLE.to_owned();
    for extra in 0..31 {
        vehicle.push_str(&format!(
            "\n[[jet]]\nname = \"extra_{extra}\"\nkind = \"plain\"\nbody = \"carrier\"\ntank = \"main_tank\"\n\
             position_m = [0.0, 0.0, 0.0]\nforce_direction = [0.0, 0.0, 1.0]\n"
        ));
    }
    let found = problems(SCENARIO, &vehicle);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert_eq!((found[0].key.as_str(), found[0].value.as_str()), ("name", "\"extra_30\""));
    assert!(found[0].wrong.contains("is jet 33 of 33"), "{}", found[0].wrong);
    assert!(found[0].remedy.contains("at most 32 jets"), "{}", found[0].remedy);
    let cut = vehicle.rfind("\n[[jet]]").expect("a last jet");
    assert_eq!(problems(SCENARIO, &vehicle[..cut]), []);
}

#[test]
fn a_gimbal_that_is_not_there_cannot_be_stuck() {
    let stuck = SCENARIO.to_owned() + "\n[gimbal]\nstuck_from_s = 9.0\n";
    assert_eq!(problems(&stuck, VEHICLE), []);
    let fixed = broken(VEHICLE, ("gimbal_travel_deg = 8.0", "gimbal_travel_deg = 0.0"));
    let found = problems(&stuck, &fixed);
    let [problem] = &found[..] else { panic!("{found:#?}") };
    assert_eq!((problem.key.as_str(), problem.owner.as_str()), ("gimbal", ""));
    assert!(problem.wrong.contains("without a main engine on a gimbal"), "{}", problem.wrong);
}

/// A folder of its own under the build's scratch space, with both files in it.
fn folder(name: &str, scenario: &[u8], vehicle: &[u8]) -> PathBuf {
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("scenario_rejects").join(name);
    fs::create_dir_all(&folder).expect("scratch folder");
    fs::write(folder.join("small_hold.toml"), scenario).expect("scenario written");
    fs::write(folder.join("small.toml"), vehicle).expect("vehicle written");
    folder
}

fn message(path: &Path) -> String {
    scenario::load(path).expect_err("refused").to_string()
}

#[test]
fn byte_order_mark_and_line_ends_of_other_systems_are_read() {
    let with_mark = |text: &str| format!("\u{feff}{}", text.replace('\n', "\r\n"));
    let good = folder("crlf", with_mark(SCENARIO).as_bytes(), with_mark(VEHICLE).as_bytes());
    let read = scenario::load(&good.join("small_hold.toml")).expect("accepted");
    let plain = scenario::parse(("a", SCENARIO), ("b", VEHICLE)).expect("accepted");
    assert_eq!(read, plain);
    let wrong = broken(SCENARIO, ("0.55", "nan"));
    let bad = folder("crlf_bad", with_mark(&wrong).as_bytes(), VEHICLE.as_bytes());
    let text = message(&bad.join("small_hold.toml"));
    let (line, column) = place(&wrong, "|nan");
    assert!(text.contains(&format!("small_hold.toml:{line}:{column}")), "{text}");
}

#[test]
fn text_that_is_not_utf_8_is_named_with_line_and_byte() {
    let mut bytes = SCENARIO.as_bytes().to_vec();
    let at = SCENARIO.find("small pair").expect("in the description");
    bytes[at] = 0xe9;
    let path = folder("latin", &bytes, VEHICLE.as_bytes()).join("small_hold.toml");
    let text = message(&path);
    for part in ["small_hold.toml cannot be read", "line 2, byte 18: 0xE9 is not UTF-8", "saved as UTF-8"] {
        assert!(text.contains(part), "{part:?} is not in\n{text}");
    }
    let wide: Vec<u8> = "\u{feff}name".encode_utf16().flat_map(u16::to_le_bytes).collect();
    let path = folder("wide", &wide, VEHICLE.as_bytes()).join("small_hold.toml");
    assert!(message(&path).contains("it is UTF-16"));
    let path = folder("latin_vehicle", SCENARIO.as_bytes(), b"name = \"\xe9\"").join("small_hold.toml");
    let text = message(&path);
    for part in ["small_hold.toml:3:11", "vehicle cannot be read: line 1, byte 9: 0xE9 is not UTF-8"] {
        assert!(text.contains(part), "{part:?} is not in\n{text}");
    }
}

#[test]
fn files_that_are_not_there_are_named() {
    let here = folder("gone", SCENARIO.as_bytes(), VEHICLE.as_bytes());
    assert!(message(&here.join("other.toml")).contains("other.toml cannot be read"));
    assert!(message(&here).contains("it is a folder"));
    let elsewhere = broken(SCENARIO, ("small.toml", "smal.toml"));
    let path = folder("gone_vehicle", elsewhere.as_bytes(), VEHICLE.as_bytes()).join("small_hold.toml");
    let error = scenario::load(&path).expect_err("no such vehicle");
    let [problem] = error.problems() else { panic!("{error}") };
    assert_eq!((problem.line, problem.key.as_str(), problem.value.as_str()), (3, "vehicle", "\"smal.toml\""));
    assert!(problem.wrong.contains("is no file") && problem.wrong.contains("smal.toml"), "{}", problem.wrong);
    assert!(problem.remedy.contains("relative to this scenario's folder"), "{}", problem.remedy);
    // The library's own file under its plain name, away from the library.
    let elsewhere = broken(SCENARIO, ("small.toml", "servicing_tug.toml"));
    let path = folder("own_vehicle", elsewhere.as_bytes(), VEHICLE.as_bytes()).join("small_hold.toml");
    assert!(message(&path).contains("\"library:servicing_tug.toml\""), "{}", message(&path));
    let elsewhere = broken(SCENARIO, ("small.toml", "library:servicing_tog.toml"));
    let path = folder("library_slip", elsewhere.as_bytes(), VEHICLE.as_bytes()).join("small_hold.toml");
    assert!(message(&path).contains("did you mean \"library:servicing_tug.toml\"?"), "{}", message(&path));
}

#[test]
fn unknown_names_list_the_library() {
    let error = scenario::load_named_or_path("docked_hodl").expect_err("no such scenario");
    assert_eq!(error, ScenarioError::NotFound { asked: "docked_hodl".to_owned() });
    let text = error.to_string();
    assert!(text.contains("did you mean \"docked_hold\"?") && text.contains("\"steady_vent\""), "{text}");
    assert!(scenario::load_embedded("nothing").is_err());
}

/// What stays must be able to fly: its jets keep their tanks, and one of them may be fired.
#[test]
fn a_release_that_leaves_nothing_to_fly_with_is_refused() {
    let release = "[[release]]\nat_s = 100.0\ninterface = \"grip\"\nkeep_out_m = 5.0\n\n[sensors]";
    let scenario = SCENARIO.replace("[sensors]", release);
    let refused = |vehicle: &str| {
        let Err(ScenarioError::Refused(problems)) =
            scenario::parse(("small.toml", &scenario), ("small_vehicle.toml", vehicle))
        else {
            panic!("accepted")
        };
        ScenarioError::Refused(problems).to_string()
    };
    let all = refused(&VEHICLE.replace("far_side = [\"load\"]", "far_side = [\"carrier\"]"));
    assert!(all.contains("takes every jet along that may be fired"), "{all}");
    let tank =
        VEHICLE.replace("name = \"main_tank\"\nbody = \"carrier\"", "name = \"main_tank\"\nbody = \"load\"");
    assert_ne!(tank, VEHICLE);
    let tank = refused(&tank);
    assert!(tank.contains("takes \"main_tank\" along, the tank of jet"), "{tank}");
    assert!(tank.contains("an interface with each jet and its tank on one side"), "{tank}");
}
