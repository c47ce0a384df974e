//! What a good scenario file becomes: units, defaults, shapes, library.

use std::f64::consts::FRAC_1_SQRT_2;
use std::fs;
use std::path::Path;

use stackhold_harness::scenario::model::{
    Hull, InterfaceLimit, JetState, Mode, Push, Release, Scenario, Shut, ShutOff, SpareTranslation, Trade,
};
use stackhold_harness::scenario::{self, FIGURES};
use stackhold_harness::{closed_loop, metrics, table};

const VEHICLE: &str = r#"
name = "pair"
design_centre_of_mass_m = [0.1, 0.0, 0.0]

[[body]]
name = "carrier"
mass_kg = 12
centre_of_mass_m = [0.0, 0.0, 0.0]
uniform = "box"
box_m = [1.0, 2.0, 3.0]

[[body]]
name = "load"
mass_kg = 12.0
centre_of_mass_m = [3.0, 0.5, 0.0]
turned_about = "y"
turned_deg = 90.0
uniform = "cylinder"
cylinder_radius_m = 2.0
cylinder_length_m = 3.0

[[body]]
name = "odd"
mass_kg = 5.0
centre_of_mass_m = [0.0, 1.0, 0.0]
inertia_kg_m2 = { xx = 3.0, yy = 4.0, zz = 5.0, xy = 0.1, xz = 0.2, yz = -0.3 }
cylinder_radius_m = 0.5
cylinder_length_m = 1.0
hull_offset_m = [0.1, 0.0, -0.1]

[[tank]]
name = "tank"
body = "carrier"
position_m = [0.1, 0.0, 0.0]
propellant_kg = 4.0

[[jet_kind]]
name = "plain"
thrust_n = 10.0
specific_impulse_s = 220.0
minimum_on_s = 0.024
opening_delay_s = 0.008
rise_s = 0.006
closing_delay_s = 0.006
tail_off_s = 0.013
short_pulse_loss = 0.1
short_pulse_time_s = 0.03

[[jet]]
name = "plus"
kind = "plain"
body = "carrier"
tank = "tank"
position_m = [0.0, 1.0, 0.0]
force_direction = [0.0, 0.0, 1.005]

[[jet]]
name = "minus"
kind = "plain"
body = "carrier"
tank = "tank"
position_m = [0.0, -1.0, 0.0]
force_direction = [0.0, 0.0, 1.0]
thrust_n = 9.0
group = 3
"#;

const SCENARIO: &str = r#"
name = "pair_hold"
description = "A pair holds."
vehicle = "pair.toml"
stack = ["carrier", "load"]
jets_dead = ["minus"]
duration_s = 100.0

[kernel]
tick_s = 0.004
cycle_ticks = 50

[[phase]]
start_s = 0.0
mode = "hold"
half_width_deg = 0.5
rate_limit_deg_s = [0.1, 0.2, 0.3]

[[phase]]
start_s = 50.0
mode = "impulse"
rate_change_deg_s = [0.0, 180.0e-2, 0.0]

[[disturbance]]
name = "push"
kind = "torque"
torque_n_m = [0.0, 0.0, 0.01]

[[requirement]]
figure = "ape_max_x_deg"
at_least = 0.0

[[variant]]
name = "load_gone"
description = "Without the load."
stack = ["carrier"]
"#;

fn read(scenario: &str) -> Scenario {
    scenario::parse(("pair_hold.toml", scenario), ("pair.toml", VEHICLE)).expect("a good scenario")
}

/// The demonstration with something added at the end of its file.
fn read_demo(more: &str) -> Scenario {
    let scenario = include_str!("../host-harness/scenarios/docked_hold.toml");
    let vehicle = include_str!("../host-harness/scenarios/servicing_tug.toml");
    scenario::parse(("docked_hold.toml", &format!("{scenario}{more}")), ("servicing_tug.toml", vehicle))
        .expect("a good scenario")
}

fn close(found: f64, wanted: f64) {
    assert!((found - wanted).abs() <= 1e-12 * wanted.abs().max(1.0), "{found} is not {wanted}");
}

#[test]
fn angles_of_the_file_become_radians() {
    let scenario = read(SCENARIO);
    let Mode::Hold { half_width_rad, rate_limit_rad_s, attitude_xyzw } = &scenario.phases[0].mode else {
        panic!("a hold")
    };
    // 180 deg are pi: half a degree is pi / 360.
    half_width_rad.iter().for_each(|&width| close(width, std::f64::consts::PI / 360.0));
    close(rate_limit_rad_s[2], std::f64::consts::PI / 600.0);
    assert_eq!(*attitude_xyzw, [0.0, 0.0, 0.0, 1.0]);
    let Mode::Impulse { rate_change_rad_s, velocity_change_m_s } = &scenario.phases[1].mode else {
        panic!("an impulse")
    };
    close(rate_change_rad_s[1], std::f64::consts::PI / 100.0);
    assert_eq!(*velocity_change_m_s, None);
    let more =
        "\n[initial]\nrate_deg_s = [0.0, 36.0, 0.0]\n\n[sensors]\nrate_bias_deg_s = [0.18, 0.0, 0.0]\n";
    let scenario = read(&format!("{SCENARIO}{more}"));
    close(scenario.initial.rate_rad_s[1], std::f64::consts::PI / 5.0);
    close(scenario.sensors.rate_bias_rad_s[0], std::f64::consts::PI / 1000.0);
    let demo = scenario::load_embedded(scenario::DEMO).expect("reads");
    let engine = demo.vehicle.engine.expect("the tug has a main engine");
    close(engine.gimbal_travel_rad, std::f64::consts::PI / 20.0);
    close(engine.gimbal_rate_rad_s, 7.0 * std::f64::consts::PI / 180.0);
}

/// An engine that says no more than where, which way and how strong is an ideal one, fed by the only tank.
#[test]
fn an_engine_of_few_words_is_ideal() {
    let with = |direction: &str, more: &str| {
        let engine = format!(
            "\n[engine]\npivot_m = [-1.0, 0.0, 0.0]\nforce_direction = {direction}\nthrust_n = 400.0\n\
             specific_impulse_s = 310.0\ngimbal_travel_deg = 8.0\n{more}"
        );
        let vehicle = format!("{VEHICLE}{engine}");
        scenario::parse(("a", SCENARIO), ("b", &vehicle)).expect("a good scenario").vehicle
    };
    let vehicle = with("[1.0, 0.0, 0.0]", "");
    let (engine, tank) = (vehicle.engine.expect("an engine"), &vehicle.tanks[0]);
    assert_eq!((engine.tank.as_ref(), engine.body.as_ref()), (Some(&tank.name), Some(&tank.body)));
    assert_eq!((engine.gimbal_rate_rad_s, engine.gimbal_lag_s), (f64::INFINITY, 0.0));
    assert_eq!([engine.start_delay_s, engine.rise_s, engine.shutdown_delay_s, engine.tail_off_s], [0.0; 4]);
    assert_eq!((engine.first_axis, engine.second_axis()), ([0.0, 1.0, 0.0], [0.0, 0.0, 1.0]));
    // The axis after the one nearest to the force, at right angles to it.
    for (direction, first, second) in [
        ("[0.0, -1.0, 0.0]", [0.0, 0.0, 1.0], [-1.0, 0.0, 0.0]),
        ("[0.0, 0.0, 1.0]", [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
        ("[0.8, 0.6, 0.0]", [-0.6, 0.8, 0.0], [0.0, 0.0, 1.0]),
    ] {
        let engine = with(direction, "").engine.expect("an engine");
        for axis in 0..3 {
            close(engine.first_axis[axis], first[axis]);
            close(engine.second_axis()[axis], second[axis]);
        }
    }
    // With several tanks nobody guesses: it is drawn, but not started.
    let second_tank = "\n[[tank]]\nname = \"spare\"\nbody = \"carrier\"\nposition_m = [0.0, 0.0, 0.0]\npropellant_kg = 1.0\n";
    let engine = with("[1.0, 0.0, 0.0]", second_tank).engine.expect("an engine");
    assert_eq!((engine.tank, engine.body), (None, None));
}

#[test]
fn gimbal_engine_errors_and_accelerometer_are_read() {
    let engine = "\n[engine]\npivot_m = [-1.0, 0.0, 0.0]\nforce_direction = [1.0, 0.0, 0.0]\nthrust_n = 400.0\n\
                  specific_impulse_s = 310.0\ngimbal_travel_deg = 9.0\n";
    let vehicle = format!("{VEHICLE}{engine}");
    let read = |more: &str| {
        scenario::parse(("a", &format!("{SCENARIO}{more}")), ("b", &vehicle)).expect("a good scenario")
    };
    let plain = read("");
    assert_eq!((plain.stuck_gimbal, plain.sensors.accelerometer), (None, None));
    assert_eq!(
        (plain.actuators.engine_thrust_error, plain.actuators.engine_misalignment_rad),
        (0.0, [0.0; 2])
    );
    let found = read(
        "\n[gimbal]\nstuck_from_s = 12.0\nstuck_deg = [-9.0, 4.5]\ntold = false\n\n[actuators]\n\
         engine_thrust_error = -0.02\nengine_misalignment_deg = [0.18, -0.36]\n\n[sensors]\n\
         accelerometer_m = [0.5, 0.25, -0.5]\nvelocity_noise_m_s = 0.001\nvelocity_quantum_m_s = 0.002\n\
         acceleration_bias_m_s2 = [1e-5, 0.0, -1e-5]\ndelay_s = 0.1\n",
    );
    let stuck = found.stuck_gimbal.expect("a stuck gimbal");
    let pi = std::f64::consts::PI;
    let [first, second] = stuck.at_rad.expect("angles");
    assert_eq!((stuck.from_s, stuck.told), (12.0, false));
    close(first, -pi / 20.0);
    close(second, pi / 40.0);
    assert_eq!(found.actuators.engine_thrust_error, -0.02);
    close(found.actuators.engine_misalignment_rad[1], -pi / 500.0);
    let one = found.sensors.accelerometer.expect("an accelerometer");
    assert_eq!((one.position_m, one.noise_m_s, one.quantum_m_s), ([0.5, 0.25, -0.5], 0.001, 0.002));
    assert_eq!((one.bias_m_s2, one.delay_s), ([1e-5, 0.0, -1e-5], 0.1));
    let later = read(
        "\n[gimbal]\nstuck_from_s = 12.0\n\n[sensors]\naccelerometer_m = [0.0, 0.0, 0.0]\nvelocity_delay_s = 0.2\n",
    );
    assert_eq!(later.stuck_gimbal.map(|stuck| (stuck.at_rad, stuck.told)), Some((None, true)));
    assert_eq!(later.sensors.accelerometer.map(|one| one.delay_s), Some(0.2));
}

/// Moments of a uniform block and a uniform cylinder about their centres: m (b² + c²) / 12,
/// m r² / 2 and m (3 r² + l²) / 12, as in any mechanics textbook.
#[test]
fn uniform_shapes_have_the_textbook_moments() {
    let scenario = read(SCENARIO);
    let [carrier, load, odd] = &scenario.vehicle.bodies[..] else { panic!("three bodies") };
    assert_eq!(carrier.inertia_kg_m2, [[13.0, 0.0, 0.0], [0.0, 10.0, 0.0], [0.0, 0.0, 5.0]]);
    assert_eq!(load.inertia_kg_m2, [[24.0, 0.0, 0.0], [0.0, 21.0, 0.0], [0.0, 0.0, 21.0]]);
    assert_eq!(odd.inertia_kg_m2, [[3.0, 0.1, 0.2], [0.1, 4.0, -0.3], [0.2, -0.3, 5.0]]);
    assert_eq!(odd.hull, Hull::Cylinder { radius_m: 0.5, length_m: 1.0 });
    assert_eq!(odd.hull_offset_m, [0.1, 0.0, -0.1]);
}

/// Turned by +90 deg about y, the own x axis points along structural -z (right-hand rule).
#[test]
fn a_turned_body_s_quaternion_takes_own_into_structural_components() {
    let load = &read(SCENARIO).vehicle.bodies[1];
    let [x, y, z, w] = load.orientation_xyzw;
    [x, y - FRAC_1_SQRT_2, z, w - FRAC_1_SQRT_2].iter().for_each(|&difference| close(difference, 0.0));
    let turn = nalgebra::UnitQuaternion::from_quaternion(nalgebra::Quaternion::new(w, x, y, z));
    let axis = turn * nalgebra::Vector3::x();
    assert!((axis + nalgebra::Vector3::z()).norm() < 1e-12, "{axis}");
    let spelt = VEHICLE.replace(
        "turned_about = \"y\"\nturned_deg = 90.0",
        "orientation_xyzw = [0.0, 0.70710678118654752, 0.0, 0.70710678118654752]",
    );
    let other = scenario::parse(("a", SCENARIO), ("b", &spelt)).expect("a good scenario");
    for (one, two) in other.vehicle.bodies[1].orientation_xyzw.iter().zip(load.orientation_xyzw) {
        close(*one, two);
    }
}

#[test]
fn jets_take_from_their_kind_what_they_do_not_say() {
    let scenario = read(SCENARIO);
    let [plus, minus] = &scenario.vehicle.jets[..] else { panic!("two jets") };
    assert_eq!((plus.thrust_n, minus.thrust_n), (10.0, 9.0));
    assert_eq!((plus.specific_impulse_s, minus.specific_impulse_s), (220.0, 220.0));
    assert_eq!((plus.group, minus.group), (0, 3));
    assert_eq!((plus.state, minus.state), (JetState::Ready, JetState::Dead));
    assert_eq!((plus.opening_delay_s, plus.rise_s), (0.008, 0.006));
    assert_eq!((plus.closing_delay_s, plus.tail_off_s), (0.006, 0.013));
    assert_eq!((plus.short_pulse_loss, plus.short_pulse_time_s), (0.1, 0.03));
    // Half a percent too long: normalised.
    assert_eq!(plus.force_direction, [0.0, 0.0, 1.0]);
}

#[test]
fn what_is_left_out_gets_its_default() {
    let scenario = read(SCENARIO);
    assert_eq!(scenario.seed, 1);
    assert_eq!(scenario.told.stack, scenario.stack);
    assert_eq!((scenario.told.mass_factor, scenario.told.thrust_factor), (1.0, 1.0));
    assert_eq!(scenario.told.centre_of_mass_error_m, [0.0; 3]);
    assert_eq!(scenario.vehicle.tanks[0].unusable_kg, 0.0);
    assert_eq!(scenario.vehicle.engine, None);
    assert!(scenario.vehicle.interfaces.is_empty() && scenario.disturbances[0].body.is_none());
    assert_eq!((scenario.sensors.attitude_delay_s, scenario.sensors.rate_delay_s), (0.0, 0.0));
    assert_eq!(scenario.actuators.pulse_scatter, 0.0);
    assert_eq!(scenario.initial.rate_rad_s, [0.0; 3]);
    // 0.006 s + 0.013 s until the valve is shut: 4.75 ticks, so 5.
    assert_eq!(scenario.kernel.minimum_off_ticks, 5);
    assert_eq!(scenario.kernel.command_delay_ticks, 0);
    assert_eq!(scenario.kernel.measurement_age_limit_s, 1.0);
    close(scenario.kernel.assumed_firing_error, 0.01);
    let push = &scenario.disturbances[0];
    assert_eq!((push.start_s, push.stop_s), (0.0, 100.0));
    assert_eq!(push.push, Push::Torque { torque_n_m: [0.0, 0.0, 0.01] });
    assert_eq!(scenario.variants[0].stack, Some(vec!["carrier".to_owned()]));
    assert_eq!(scenario.variants[0].told_stack, None);
}

#[test]
fn interfaces_are_read_and_their_loads_may_be_required() {
    let demo = scenario::load_embedded("docked_hold").expect("reads");
    let [grapple, clamp] = demo.vehicle.interfaces.as_slice() else {
        panic!("{:?}", demo.vehicle.interfaces)
    };
    assert_eq!((grapple.name.as_str(), grapple.position_m), ("grapple", [4.25, 0.0, 0.0]));
    assert_eq!(grapple.far_side, ["client", "spent_stage"]);
    assert_eq!(clamp.far_side, ["spent_stage"]);
    assert_eq!(demo.disturbances[0].body.as_deref(), Some("client"));
    // The mast reaches 1.85 / 2 m beyond its centre, and the client's near face stands there.
    assert!((grapple.position_m[0] - (3.325 + 0.925)).abs() < 1e-12);
}

#[test]
fn a_rate_sensor_may_have_a_delay_of_its_own_and_a_vent_a_torque() {
    let delays = |more: &str| {
        let sensors = read(&format!("{SCENARIO}\n[sensors]\n{more}")).sensors;
        (sensors.attitude_delay_s, sensors.rate_delay_s)
    };
    assert_eq!(delays("delay_s = 0.2\n"), (0.2, 0.2));
    assert_eq!(delays("delay_s = 0.2\nrate_delay_s = 0.04\n"), (0.2, 0.04));
    assert_eq!(delays("rate_delay_s = 0.04\n"), (0.0, 0.04));
    let vent = |torque: &str| {
        let push = "kind = \"vent\"\nposition_m = [1.0, 0.0, 0.0]\nforce_n = [0.0, 0.01, 0.0]\n";
        let plain = "kind = \"torque\"\ntorque_n_m = [0.0, 0.0, 0.01]\n";
        read(&SCENARIO.replace(plain, &format!("{push}{torque}"))).disturbances[0].push
    };
    let (position_m, force_n) = ([1.0, 0.0, 0.0], [0.0, 0.01, 0.0]);
    assert_eq!(vent(""), Push::Vent { position_m, force_n, torque_n_m: [0.0; 3] });
    let torque_n_m = [0.0, 0.02, 0.0];
    assert_eq!(vent("torque_n_m = [0.0, 0.02, 0.0]\n"), Push::Vent { position_m, force_n, torque_n_m });
}

#[test]
fn joints_and_the_body_a_push_acts_on_are_read() {
    assert!(read(SCENARIO).joints.is_empty());
    assert_eq!(read(SCENARIO).disturbances[0].body, None);
    let more = "\n[[joint]]\nname = \"grip\"\nbodies = [\"load\", \"odd\"]\nhinge_m = [1.5, 0.0, 0.1]\n\
                axis = [0.0, 1.005, 0.0]\nfrequency_hz = 0.3\ndamping_ratio = 0.02\ninitial_deg = 0.18\n";
    let scenario = read(&format!("{}{more}", SCENARIO.replace("\"torque\"", "\"torque\"\nbody = \"load\"")));
    assert_eq!(scenario.disturbances[0].body.as_deref(), Some("load"));
    let [joint] = &scenario.joints[..] else { panic!("one joint") };
    assert_eq!(
        (joint.name.as_str(), &joint.bodies[..]),
        ("grip", &["load".to_owned(), "odd".to_owned()][..])
    );
    assert_eq!((joint.hinge_m, joint.axis), ([1.5, 0.0, 0.1], [0.0, 1.0, 0.0]));
    assert_eq!((joint.frequency_hz, joint.damping_ratio), (0.3, 0.02));
    close(joint.initial_rad, std::f64::consts::PI / 1000.0);
}

#[test]
fn liquid_that_swings_is_read() {
    assert!(read(SCENARIO).sloshes.is_empty());
    let more =
        "\n[[slosh]]\ntank = \"tank\"\nmass_kg = 3.0\nlength_m = 0.2\nhangs_along = [0.0, 1.005, 0.0]\n";
    let scenario = read(&format!("{SCENARIO}{more}"));
    let [slosh] = &scenario.sloshes[..] else { panic!("one tank") };
    assert_eq!((slosh.tank.as_str(), slosh.mass_kg, slosh.length_m), ("tank", 3.0, 0.2));
    // Its pivot is the tank's place unless said otherwise; no damper.
    assert_eq!((slosh.pivot_m, slosh.damping_per_s), ([0.1, 0.0, 0.0], 0.0));
    assert_eq!(slosh.hangs_along, [0.0, 1.0, 0.0]);
    let scenario = read(&format!("{SCENARIO}{more}pivot_m = [0.4, 0.1, 0.0]\ndamping_per_s = 0.02\n"));
    assert_eq!((scenario.sloshes[0].pivot_m, scenario.sloshes[0].damping_per_s), ([0.4, 0.1, 0.0], 0.02));
}

/// A variant that says what it must meet need not meet what the scenario requires.
#[test]
fn a_variant_may_have_requirements_of_its_own() {
    let own = read(SCENARIO);
    assert_eq!(own.requirements_of("load_gone"), own.requirements);
    let more = "\n[[variant.requirement]]\nfigure = \"propellant_kg\"\nat_most = 0.5\n";
    let scenario = read(&format!("{SCENARIO}{more}"));
    let [one] = &scenario.requirements_of("load_gone")[..] else { panic!("one requirement") };
    assert_eq!((one.figure.as_str(), one.at_most, one.at_least), ("propellant_kg", Some(0.5), None));
    assert_eq!(scenario.requirements_of("told_truth"), scenario.requirements);
    assert_eq!(scenario.requirements[0].figure, "ape_max_x_deg");
}

/// LIB-1 of the truth's checks: 7000 km from the Earth's centre. The normal is made exactly perpendicular.
#[test]
fn an_orbit_is_read() {
    assert_eq!(read(SCENARIO).orbit, None);
    let more =
        "\n[orbit]\naltitude_km = 621.863\nup_at_start = [0.0, 0.0, 1.0]\nnormal = [0.0, -1.0, 0.005]\n";
    let orbit = read(&format!("{SCENARIO}{more}")).orbit.expect("an orbit");
    assert!((orbit.rate_rad_s - 0.001_078_007_612_872_506).abs() < 1e-15);
    assert_eq!((orbit.up_at_start, orbit.normal), ([0.0, 0.0, 1.0], [0.0, -1.0, 0.0]));
    let rate = more.replace("altitude_km = 621.863", "rate_deg_s = 0.09");
    let orbit = read(&format!("{SCENARIO}{rate}")).orbit.expect("an orbit");
    close(orbit.rate_rad_s, std::f64::consts::PI / 2000.0);
}

#[test]
fn the_constraints_of_the_trade_are_read_and_reach_the_kernel() {
    assert_eq!(read(SCENARIO).kernel.trade, Trade::default());
    assert!(read(SCENARIO).shut_offs.is_empty());
    let kernel = "[kernel]\nmost_jets_at_once = 3\nspare_translation_share = 0.1\nspare_translation_within_m_s = 0.002\n";
    let lists = "\n[[manifold]]\ngroup = 3\nflow_limit_kg_s = 0.02\n\n[[jet_price]]\njet = \"plus\"\nweight = 2.5\n\n\
                 [[shut_off]]\nstart_s = 10.0\nstop_s = 20.0\ngroup = 3\n\n[[shut_off]]\nstart_s = 30.0\njet = \"plus\"\n";
    let scenario = read(&format!("{}{lists}", SCENARIO.replace("[kernel]\n", kernel)));
    let trade = &scenario.kernel.trade;
    assert_eq!(trade.spare_translation, Some(SpareTranslation { extra_share: 0.1, within_m_s: 0.002 }));
    let group = ShutOff { start_s: 10.0, stop_s: 20.0, what: Shut::Group(3) };
    let jet = ShutOff { start_s: 30.0, stop_s: 100.0, what: Shut::Jet("plus".into()) };
    assert_eq!(scenario.shut_offs, [group, jet]);
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    assert_eq!(table.shared.most_jets_at_once, 3);
    assert_eq!((table.shared.flow_limit_kg_s[3], table.shared.flow_limit_kg_s[0]), (0.02, f32::INFINITY));
    assert_eq!((table.jets[0].price_weight, table.jets[1].price_weight), (2.5, 1.0));
    assert_eq!((table.spare_translation.extra_share, table.spare_translation.within_m_s), (0.1, 0.002));
    table.validate().expect("the kernel takes it");
    // Every one of them makes another table.
    let plain = table::build(&read(SCENARIO), &scenario.stack, &scenario.told).expect("a table");
    assert_ne!(table.identity, plain.identity);
}

#[test]
fn limits_of_interfaces_are_read_and_reach_kernel_and_verdict() {
    let demo = read_demo("");
    assert!(demo.kernel.trade.interface_limits.is_empty());
    let limited = read_demo(
        "\n[[interface_limit]]\ninterface = \"grapple\"\nmoment_n_m = 60.0\nkept_back = 0.2\n\n\
         [[interface_limit]]\ninterface = \"stage_clamp\"\nforce_n = 30.0\nmoment_n_m = 50.0\n\n\
         [[variant]]\nname = \"carefree\"\ndescription = \"As if they carried anything.\"\ninterface_limits = \"disregarded\"\n",
    );
    let limit = |interface: &str, force_n, moment_n_m, kept_back| InterfaceLimit {
        interface: interface.into(),
        force_n,
        moment_n_m,
        kept_back,
    };
    let limits = [limit("grapple", None, Some(60.0), 0.2), limit("stage_clamp", Some(30.0), Some(50.0), 0.1)];
    assert_eq!(limited.kernel.trade.interface_limits, limits);
    let own = demo.requirements.len();
    let required: Vec<(String, Option<f64>)> =
        limited.requirements_of("told_truth")[own..].iter().map(|r| (r.figure.clone(), r.at_most)).collect();
    let wanted = [
        ("peak_moment_at_grapple_n_m", 60.0),
        ("peak_force_at_stage_clamp_n", 30.0),
        ("peak_moment_at_stage_clamp_n_m", 50.0),
    ];
    assert_eq!(required, wanted.map(|(figure, most)| (figure.to_owned(), Some(most))));
    let build = |scenario: &Scenario, told| table::build(scenario, &scenario.stack, told).expect("a table");
    let (plain, told) = (build(&demo, &demo.told), build(&limited, &limited.told));
    assert!(plain.jets.iter().all(|jet| jet.load_share == [0; 4]));
    assert!(
        told.jets
            .iter()
            .all(|jet| jet.load_share[..3].iter().all(|share| *share > 0) && jet.load_share[3] == 0)
    );
    told.validate().expect("the kernel takes it");
    assert_ne!(told.identity, plain.identity);
    // The same flight as if there were no limits: the same table.
    let carefree = limited.variants.iter().find(|variant| variant.name == "carefree").expect("a variant");
    let (stack, told) = limited.as_flown_in(carefree);
    assert_eq!((stack, build(&limited, &told)), (limited.stack.clone(), plain));
}

#[test]
fn told_bending_modes_are_read_and_reach_the_kernel() {
    assert!(read(SCENARIO).kernel.bending.is_empty());
    let modes = "\n[[told_bending]]\nfrequency_hz = 0.25\ndamping_ratio = 0.01\nswing_deg = 0.09\n\n\
                 [[told_bending]]\nfrequency_hz = 2.0\nswing_deg = 0.0\n";
    let scenario = read(&format!("{SCENARIO}{modes}"));
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    let told = table.bending.map(|mode| [mode.frequency_hz, mode.damping_ratio, mode.swing_rad]);
    assert_eq!(told, [[0.25, 0.01, 0.001_570_796_4], [2.0, 0.005, 0.0]]);
    table.validate().expect("the kernel takes it");
    let plain = table::build(&read(SCENARIO), &scenario.stack, &scenario.told).expect("a table");
    assert_ne!(table.identity, plain.identity);
}

/// The impulse of a start and of a tail as a rectangle: half of each ramp counts.
#[test]
fn engine_and_accelerometer_reach_the_kernel() {
    let engine = "\n[engine]\npivot_m = [-1.0, 0.0, 0.25]\nforce_direction = [0.0, 0.0, 1.0]\nthrust_n = 400.0\n\
                  specific_impulse_s = 300.0\ngimbal_travel_deg = 9.0\ngimbal_rate_deg_s = 18.0\nstart_delay_s = 0.25\n\
                  rise_s = 0.5\nshutdown_delay_s = 0.125\ntail_off_s = 0.25\nfirst_axis = [0.0, -1.0, 0.0]\n";
    let with = |vehicle: &str, more: &str| {
        let scenario = SCENARIO.replace("duration_s = 100.0", &format!("duration_s = 100.0\n{more}"));
        let scenario = format!("{scenario}\n[sensors]\naccelerometer_m = [0.5, 0.25, -0.5]\n");
        scenario::parse(("pair_hold.toml", &scenario), ("pair.toml", vehicle)).expect("a good scenario")
    };
    let build = |scenario: &Scenario, present: &[String]| {
        table::build(scenario, present, &scenario.told).expect("a table")
    };
    let (vehicle, less) = (format!("{VEHICLE}{engine}"), "told_thrust_factor = 0.5");
    let scenario = with(&vehicle, less);
    let table = build(&scenario, &scenario.stack);
    table.validate().expect("the kernel takes it");
    let found = &table.engine;
    assert_eq!([found.pivot_m, found.direction].map(|v| v.0), [[-1.0, 0.0, 0.25], [0.0, 0.0, 1.0]]);
    assert_eq!((found.first_axis.0, found.second_axis().0), ([0.0, -1.0, 0.0], [1.0, 0.0, 0.0]));
    assert_eq!((found.thrust_n, found.specific_impulse_s), (200.0, 300.0), "as told");
    assert_eq!((found.travel_rad, found.gimbal_rate_rad_s), (0.157_079_64, 0.314_159_27));
    assert_eq!((found.start_s, found.tail_s), (0.5, 0.25));
    assert_eq!(table.accelerometer.place_m.0, [0.5, 0.25, -0.5]);
    // Each of them makes another table.
    let without = build(&with(VEHICLE, less), &scenario.stack);
    assert!(!without.engine.is_told() && without.accelerometer.is_told());
    assert_ne!(table.identity, without.identity);
    // Travel beyond what a table tells is left unused, and its slowest ramps still fit.
    let wide = vehicle
        .replace("gimbal_travel_deg = 9.0", "gimbal_travel_deg = 60.0")
        .replace("start_delay_s = 0.25\nrise_s = 0.5", "start_delay_s = 40.0\nrise_s = 40.0")
        .replace("shutdown_delay_s = 0.125\ntail_off_s = 0.25", "shutdown_delay_s = 40.0\ntail_off_s = 40.0")
        .replace("gimbal_rate_deg_s = 18.0\n", "");
    let wide = build(&with(&wide, ""), &scenario.stack);
    wide.validate().expect("the kernel takes it");
    assert_eq!((wide.engine.travel_rad, wide.engine.gimbal_rate_rad_s), (0.5, f32::INFINITY));
    assert_eq!((wide.engine.start_s, wide.engine.tail_s), (60.0, 60.0));
    // One that is not there, or that nothing feeds, is not told.
    assert!(!build(&scenario, &["load".to_owned()]).engine.is_told());
    let tank =
        "\n[[tank]]\nname = \"other\"\nbody = \"load\"\nposition_m = [3.0, 0.5, 0.0]\npropellant_kg = 1.0\n";
    let unfed = with(&format!("{vehicle}{tank}"), "");
    assert!(!build(&unfed, &unfed.stack).engine.is_told());
}

/// As measured with format version 3, of 32 groups: `stackhold table pair_hold.toml --json`.
#[test]
fn a_table_without_engine_and_accelerometer_keeps_the_identity_it_had() {
    let scenario = read(SCENARIO);
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    assert_eq!(table.identity, 0x6ba0_1d9c);
}

#[test]
fn a_flight_table_is_called_after_the_scenario_unless_said_otherwise() {
    let plain = read(SCENARIO).flight_table;
    assert_eq!((plain.configuration, plain.sequence), (read(SCENARIO).name, 1));
    let named = "\n[flight_table]\nconfiguration = \"pair_and_odd\"\nsequence = 4_000_000_000\n";
    let named = read(&format!("{SCENARIO}{named}")).flight_table;
    assert_eq!((named.configuration.as_str(), named.sequence), ("pair_and_odd", 4_000_000_000));
}

/// A rectangular distribution one quantum wide has a standard deviation of q / sqrt 12.
#[test]
fn the_observer_is_told_the_sensors_noise() {
    let sensors = "\n[sensors]\nattitude_noise_deg = 0.03\nattitude_quantum_deg = 0.04\nrate_noise_deg_s = 0.002\n\
                   delay_s = 0.2\n\n[actuators]\nthrust_scatter = 0.03\npulse_scatter = 0.04\n";
    let scenario = read(&format!("{SCENARIO}{sensors}"));
    close(scenario.kernel.assumed_attitude_noise_rad, (0.0009_f64 + 0.0016 / 12.0).sqrt().to_radians());
    close(scenario.kernel.assumed_rate_noise_rad_s, 0.002_f64.to_radians());
    close(scenario.kernel.assumed_firing_error, 0.05);
}

#[test]
fn every_scenario_of_the_library_reads_by_name_and_from_disk_alike() {
    let names: Vec<&str> = scenario::library().iter().map(|(name, _)| *name).collect();
    assert_eq!(names.first(), Some(&scenario::DEMO));
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../host-harness/scenarios");
    for name in &names {
        let embedded = scenario::load_named_or_path(name).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(embedded.name, *name);
        let path = folder.join(format!("{name}.toml"));
        let read = scenario::load(&path).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(read, embedded);
        let named =
            scenario::load_named_or_path(path.to_str().expect("a plain path")).expect("a good scenario");
        assert_eq!(named, embedded);
    }
    // No file of the folder is left out of the program.
    let vehicles: Vec<&str> = scenario::library_vehicles().iter().map(|(name, _)| *name).collect();
    for entry in fs::read_dir(&folder).expect("the library's folder") {
        let file = entry.expect("an entry").file_name().into_string().expect("a plain name");
        let name = file.strip_suffix(".toml").unwrap_or_else(|| panic!("{file} is no scenario"));
        assert!(names.contains(&name) || vehicles.contains(&name), "{file} is not embedded");
    }
}

#[test]
fn a_scenario_anywhere_may_use_a_vehicle_of_the_library() {
    let (_, text) = scenario::library()[0];
    let text = text.replace("\"servicing_tug.toml\"", "\"library:servicing_tug.toml\"");
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("scenario_reads");
    fs::create_dir_all(&folder).expect("scratch folder");
    let path = folder.join("mine.toml");
    fs::write(&path, text).expect("scenario written");
    let read = scenario::load(&path).unwrap_or_else(|error| panic!("{error}"));
    assert_eq!(read, scenario::load_embedded(scenario::DEMO).expect("the demonstration"));
}

#[test]
fn figures_are_named_once_and_carry_a_meaning() {
    for (index, figure) in FIGURES.iter().enumerate() {
        assert!(!figure.meaning.is_empty(), "{}", figure.name);
        assert!(FIGURES[..index].iter().all(|earlier| earlier.name != figure.name), "{} twice", figure.name);
    }
}

/// A requirement may only name what a flight measures.
#[test]
fn releases_and_what_becomes_of_them_in_variants_are_read() {
    assert!(read(SCENARIO).releases.is_empty());
    let scenario = scenario::load_embedded("release_the_stage").expect("reads");
    let [release] = &scenario.releases[..] else { panic!("one release") };
    assert_eq!((release.at_s, release.interface.as_str(), release.keep_out_m), (600.0, "stage_clamp", 10.0));
    assert_eq!((release.spring_scatter, release.springs.len(), release.told), (0.05, 2, true));
    let of = |name: &str| {
        let variant = scenario.variants.iter().find(|variant| variant.name == name).expect("a variant");
        scenario.with_releases_of(variant).releases.clone()
    };
    assert_eq!(of("stage_kept"), []);
    assert_eq!(of("kernel_not_told"), [Release { told: false, ..release.clone() }]);
}

/// Where nothing is said a spring sits at the interface and pushes away from the centre of mass of what goes.
#[test]
fn a_spring_pushes_from_the_interface_away_from_what_goes() {
    let text = |name: &str| {
        let all = [scenario::library(), scenario::library_vehicles()].concat();
        all.iter().find(|(known, _)| *known == name).expect("in the library").1
    };
    let release = "[[release]]\nat_s = 60.0\ninterface = \"stage_clamp\"\nkeep_out_m = 3.0\n\n\
                   [[release.spring]]\nenergy_j = 2.0\n";
    let file = format!("{}\n{release}", text("docked_hold"));
    let scenario =
        scenario::parse(("docked_hold.toml", &file), ("servicing_tug.toml", text("servicing_tug")))
            .expect("good");
    let spring = scenario.releases[0].springs[0];
    assert_eq!((spring.position_m, spring.energy_j), ([5.73, 1.42, -0.55], 2.0));
    // The stage's centre of mass is at (5.35, 2.45, -0.55), and it has no tanks.
    let length = 0.38_f64.hypot(1.03);
    for (got, want) in spring.direction.iter().zip([0.38 / length, -1.03 / length, 0.0]) {
        assert!((got - want).abs() < 1e-12, "{:?}", spring.direction);
    }
}

#[test]
fn every_figure_a_requirement_may_name_is_measured() {
    let mut scenario = scenario::load_embedded("one_axis_firing_roll").expect("reads");
    scenario.duration_s = 2.4;
    let flown =
        closed_loop::fly(&scenario, &scenario.stack, &scenario.told, "short", &mut |_| {}).expect("flies");
    let measured = metrics::measure(&scenario, &scenario.stack, &flown).expect("measured");
    let keys: Vec<&str> = measured.figures.iter().map(|(key, _)| key).collect();
    for figure in FIGURES {
        for axis in ["x", "y", "z"] {
            let name = figure.name.replace("{axis}", axis).replace("{interface}", "grapple");
            assert!(keys.contains(&name.as_str()), "{name} is not measured");
        }
    }
}

/// What the reader accepts the kernel's own validation accepts too, for every flight of the library.
#[test]
fn the_kernel_takes_every_flight_of_the_library() {
    for (name, _) in scenario::library() {
        let mut scenario = scenario::load_embedded(name).expect("reads");
        scenario.duration_s = 2.4;
        let mut flights = vec![(scenario.stack.clone(), scenario.told.clone())];
        flights.extend(scenario.variants.iter().map(|variant| scenario.as_flown_in(variant)));
        for (stack, told) in flights {
            let flown = closed_loop::fly(&scenario, &stack, &told, name, &mut |_| {});
            assert!(flown.is_ok(), "{name} with {stack:?} told {:?}: {:?}", told.stack, flown.err());
        }
    }
}
