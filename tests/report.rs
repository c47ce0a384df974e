//! The HTML reports: structure, numbers equal to the summary, escaping, size, honest thinning.
//!
//! The flights are made by `limit_cycle` below: rigid axes under a steady push, held by single pulses at the
//! deadband's edge. It stands in for a run, so that this file needs neither kernel nor simulator.

use serde_json::{Value, json};
use stackhold_harness::record::{
    CycleRow, EngineRecord, ImpulseAccount, InterfaceLoads, JetTotals, PeakLoad, RunRecord, SelectionChecks,
    ValveEdge,
};
use stackhold_harness::report::{
    ComparedOption, Flight, StackPicture, ToldPicture, comparison_report, run_report,
};
use stackhold_harness::scenario::model::*;
use stackhold_harness::sign_margin::{AxisMargin, FailureMargins, LOOKED_WITHIN_M, SignMargins, Weakest};
use stackhold_kernel::status::Status;

const HALF_WIDTH_DEG: [f64; 3] = [0.6, 0.45, 0.45];

fn body(name: &str, mass_kg: f64, centre_of_mass_m: [f64; 3], hull: Hull) -> Body {
    Body {
        name: name.to_owned(),
        mass_kg,
        centre_of_mass_m,
        inertia_kg_m2: [[900.0, 0.0, 0.0], [0.0, 1500.0, 0.0], [0.0, 0.0, 1400.0]],
        orientation_xyzw: [0.0, 0.0, 0.0, 1.0],
        hull,
        hull_offset_m: [0.0; 3],
    }
}

fn jet(name: &str, position_m: [f64; 3], force_direction: [f64; 3], thrust_n: f64, state: JetState) -> Jet {
    let size = force_direction.iter().map(|c| c * c).sum::<f64>().sqrt();
    Jet {
        name: name.to_owned(),
        body: "tug".to_owned(),
        tank: "tug_tank".to_owned(),
        position_m,
        force_direction: force_direction.map(|c| c / size),
        thrust_n,
        specific_impulse_s: 220.0,
        minimum_on_s: 0.03,
        opening_delay_s: 0.01,
        rise_s: 0.01,
        closing_delay_s: 0.01,
        tail_off_s: 0.02,
        short_pulse_loss: 0.2,
        short_pulse_time_s: 0.05,
        group: 0,
        state,
        plume: None,
    }
}

fn vehicle() -> Vehicle {
    let ready = JetState::Ready;
    let jets = vec![
        jet("aft_top_plus_y", [-1.6, -0.9, 0.8], [0.0, 1.0, 0.1], 22.0, ready),
        jet("aft_top_minus_y", [-1.6, 0.9, 0.8], [0.0, -1.0, 0.1], 22.0, ready),
        jet("aft_low_plus_y", [-1.5, -0.9, -0.7], [0.0, 1.0, -0.1], 22.0, ready),
        jet("aft_low_minus_y", [-1.5, 0.9, -0.7], [0.0, -1.0, -0.1], 22.0, ready),
        jet("aft_side_plus_z", [-1.6, 0.7, -1.0], [0.0, 0.0, 1.0], 22.0, JetState::Dead),
        jet("aft_side_minus_z", [-1.6, 0.7, 1.0], [0.0, 0.0, -1.0], 22.0, ready),
        jet("fore_top_plus_y", [1.1, -0.9, 0.6], [0.2, 1.0, 0.0], 10.0, JetState::Forbidden),
        jet("fore_top_minus_y", [1.1, 0.9, 0.6], [0.2, -1.0, 0.0], 10.0, ready),
        jet("fore_keel_plus_z", [1.2, 0.0, -1.0], [0.0, 0.1, 1.0], 10.0, ready),
        jet("fore_keel_minus_z", [1.2, -0.1, 1.0], [0.0, 0.1, -1.0], 10.0, ready),
        jet("stern_port_plus_x", [-1.8, 0.5, 0.5], [1.0, 0.0, 0.0], 40.0, ready),
        jet("stern_low_plus_x", [-1.8, -0.4, -0.5], [1.0, 0.0, 0.0], 40.0, ready),
        jet("bow_minus_x", [1.4, 0.3, 0.7], [-1.0, 0.0, 0.1], 10.0, ready),
    ];
    Vehicle {
        name: "tug_and_client".to_owned(),
        design_centre_of_mass_m: [-0.1, 0.0, 0.0],
        bodies: vec![
            body("tug", 1400.0, [-0.1, 0.0, 0.0], Hull::Box([3.2, 1.8, 2.0])),
            body("client", 2100.0, [3.6, 0.5, 0.2], Hull::Box([4.0, 2.4, 2.2])),
            body("spent_stage", 1800.0, [7.4, 0.6, 0.2], Hull::Cylinder { radius_m: 1.1, length_m: 3.6 }),
        ],
        tanks: vec![Tank {
            name: "tug_tank".to_owned(),
            body: "tug".to_owned(),
            position_m: [-0.8, 0.0, 0.0],
            propellant_kg: 240.0,
            unusable_kg: 4.0,
        }],
        jets,
        engine: Some(Engine {
            body: Some("tug".to_owned()),
            tank: Some("tug_tank".to_owned()),
            pivot_m: [-1.7, 0.0, 0.0],
            force_direction: [1.0, 0.0, 0.0],
            thrust_n: 420.0,
            specific_impulse_s: 318.0,
            gimbal_travel_rad: 0.1,
            gimbal_rate_rad_s: 0.1,
            gimbal_lag_s: 0.05,
            first_axis: [0.0, 1.0, 0.0],
            start_delay_s: 0.1,
            rise_s: 0.3,
            shutdown_delay_s: 0.1,
            tail_off_s: 0.2,
        }),
        interfaces: vec![Interface {
            name: "grapple".to_owned(),
            position_m: [1.6, 0.0, 0.0],
            far_side: ["client", "spent_stage"].map(str::to_owned).to_vec(),
        }],
    }
}

fn scenario(name: &str, duration_s: f64) -> Scenario {
    let names = |list: &[&str]| list.iter().map(|s| (*s).to_owned()).collect::<Vec<_>>();
    let hold = |scale: f64| Mode::Hold {
        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
        half_width_rad: HALF_WIDTH_DEG.map(|deg| (deg * scale).to_radians()),
        rate_limit_rad_s: [0.05, 0.04, 0.04].map(f64::to_radians),
    };
    let zero_sensors = Sensors {
        attitude_noise_rad: 2e-5,
        attitude_quantum_rad: 0.0,
        rate_noise_rad_s: 3e-6,
        rate_quantum_rad_s: 0.0,
        rate_bias_rad_s: [1e-6, 0.0, -2e-6],
        attitude_delay_s: 0.1,
        rate_delay_s: 0.1,
        accelerometer: None,
    };
    Scenario {
        name: name.to_owned(),
        description: "A servicing tug holds a dead client with its spent stage while a vent pushes."
            .to_owned(),
        seed: 20_417,
        duration_s,
        vehicle: vehicle(),
        stack: names(&["tug", "client", "spent_stage"]),
        told: Told {
            stack: names(&["tug", "client", "spent_stage"]),
            mass_factor: 1.0,
            centre_of_mass_error_m: [0.0; 3],
            thrust_factor: 1.0,
            interface_limits_kept: true,
        },
        kernel: KernelSettings {
            tick_s: 0.005,
            cycle_ticks: 50,
            minimum_off_ticks: 4,
            command_delay_ticks: 2,
            measurement_age_limit_s: 2.0,
            assumed_attitude_noise_rad: 2e-5,
            assumed_rate_noise_rad_s: 3e-6,
            assumed_bias_walk_rad_s: 0.0,
            assumed_disturbance_walk_rad_s2: 0.0,
            assumed_firing_error: 0.05,
            trade: Trade::default(),
            bending: Vec::new(),
        },
        flight_table: FlightTableSettings { configuration: name.to_owned(), sequence: 1 },
        initial: Initial { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], rate_rad_s: [0.0; 3] },
        phases: vec![
            Phase { start_s: 0.0, early: false, mode: hold(1.0) },
            Phase { start_s: 0.55 * duration_s, early: false, mode: Mode::FreeDrift },
            Phase { start_s: 0.6 * duration_s, early: false, mode: hold(2.0) },
        ],
        disturbances: vec![Disturbance {
            name: "client_vent".to_owned(),
            start_s: 0.0,
            stop_s: duration_s,
            body: Some("client".to_owned()),
            push: Push::Vent {
                position_m: [5.0, 1.7, 0.4],
                force_n: [0.0, -0.01, 0.004],
                torque_n_m: [0.0; 3],
            },
        }],
        joints: Vec::new(),
        sloshes: Vec::new(),
        orbit: None,
        releases: Vec::new(),
        stuck_gimbal: None,
        shut_offs: Vec::new(),
        sensors: zero_sensors,
        actuators: Actuators {
            thrust_scatter: 0.02,
            pulse_scatter: 0.03,
            engine_thrust_error: 0.0,
            engine_misalignment_rad: [0.0; 2],
        },
        requirements: Vec::new(),
        variants: vec![Variant {
            interface_limits_kept: true,
            release: Parted::Told,
            name: "told_bare_tug".to_owned(),
            description: "The same kernel told the bare tug's mass properties.".to_owned(),
            stack: None,
            told_stack: Some(names(&["tug"])),
            configuration: None,
            requirements: None,
        }],
    }
}

/// A plausible flight: each axis drifts under its push and is kicked back at the deadband's edge.
fn limit_cycle(name: &str, scenario: &Scenario, roughness: f64) -> RunRecord {
    let cycle_s = scenario.kernel.tick_s * f64::from(scenario.kernel.cycle_ticks);
    let push = [2.0e-7, -5.0e-7, 9.0e-7].map(|a| a * roughness);
    let kick = [6.0e-5, 5.0e-5, 7.0e-5].map(|k| k * roughness);
    let rows = (scenario.duration_s / cycle_s).floor() as usize;
    let jets = scenario.vehicle.jets.len();
    let mut record = RunRecord {
        name: name.to_owned(),
        cycles: Vec::with_capacity(rows),
        edges: Vec::new(),
        jets: vec![JetTotals::default(); jets],
        engine: EngineRecord::default(),
        impulse: ImpulseAccount::default(),
        partings: Vec::new(),
        selections: SelectionChecks {
            checked: 0,
            worst_optimality_gap: 3.2e-6,
            worst_residual: 1e-6,
            unproven: 0,
        },
        interfaces: vec![InterfaceLoads {
            interface: "grapple".to_owned(),
            phases: vec![
                PeakLoad { force_n: 13.25, force_at_s: 1.5, moment_n_m: 41.75, moment_at_s: 2.5 },
                PeakLoad::default(),
                PeakLoad { force_n: 12.125, force_at_s: 900.0, moment_n_m: 40.5, moment_at_s: 901.0 },
            ],
        }],
        phase_starts_s: Vec::new(),
        status_cycles: Vec::new(),
        centre_of_mass_m: [[4.1, 0.46, 0.16]; 2],
        arms_m: [vec![[0.1, 0.2, 0.3]; jets], vec![[0.1, 0.2, 0.3]; jets]],
        command_hash: 0x0123_4567_89ab_cdef,
        table_identity: 0xfeed_0042,
        wall_s: 0.213,
    };
    let (mut angle, mut rate, mut used) = ([0.001, -0.002, 0.0005], [1e-5, 2e-5, -1e-5], 0.0);
    for row in 0..rows {
        let time_s = row as f64 * cycle_s;
        let drifting = time_s >= 0.55 * scenario.duration_s && time_s < 0.6 * scenario.duration_s;
        let wide = if time_s < 0.6 * scenario.duration_s { 1.0 } else { 2.0 };
        let mut fired = 0;
        for axis in 0..3 {
            let half = (HALF_WIDTH_DEG[axis] * wide).to_radians() * (0.9 + 0.1 * roughness);
            let out = (angle[axis] > half && rate[axis] > 0.0) || (angle[axis] < -half && rate[axis] < 0.0);
            if out && !drifting {
                let sign = -f64::signum(rate[axis]);
                let jet = (axis * 4 + usize::from(sign > 0.0) * 2 + row % 2) % jets;
                let on_s = 0.05 + 0.02 * ((row % 7) as f64);
                let kicks = (rate[axis].abs() / kick[axis]).ceil().max(1.0);
                rate[axis] += sign * kick[axis] * (kicks + 0.2 * f64::sin(row as f64));
                record.edges.push(ValveEdge { time_s, jet, open: true, thrust_n: 22.0 });
                record.edges.push(ValveEdge { time_s: time_s + on_s, jet, open: false, thrust_n: 22.0 });
                let kg = 22.0 * on_s / (220.0 * 9.80665);
                used += kg;
                let totals = &mut record.jets[jet];
                totals.valve_cycles += 1;
                totals.on_time_s += on_s;
                totals.impulse_n_s += 22.0 * on_s;
                totals.propellant_kg += kg;
                fired |= 1 << jet;
            }
            rate[axis] += push[axis] * cycle_s;
            angle[axis] += rate[axis] * cycle_s;
        }
        let status = if drifting {
            2
        } else if fired != 0 {
            1
        } else {
            0
        };
        record.selections.checked += u64::from(fired != 0);
        let wobble = 2e-6 * f64::sin(row as f64 * 1.7);
        record.cycles.push(CycleRow {
            time_s,
            attitude_xyzw: [angle[0] / 2.0, angle[1] / 2.0, angle[2] / 2.0, 1.0],
            rate_rad_s: rate,
            error_rad: if drifting { [0.0; 3] } else { angle },
            joint_angles_rad: [0.0; 2],
            slosh_angles_rad: [0.0; 2],
            slosh_speeds_m_s: [0.0; 2],
            velocity_m_s: [used * 0.04, used * -0.02, used * 0.01 + 1e-6 * time_s],
            estimated_rate_rad_s: rate.map(|r| r + wobble),
            estimated_error_rad: if drifting { [0.0; 3] } else { angle },
            estimated_disturbance_rad_s2: push.map(|p| p * (1.0 - f64::exp(-time_s / 200.0)) + wobble * 1e-3),
            engine_thrust_n: 0.0,
            engine_propellant_kg: 0.0,
            gimbal_rad: [0.0; 2],
            foreseen_s: f64::INFINITY,
            status,
            jets_on: fired,
            propellant_kg: used,
            released: None,
        });
    }
    for status in [0, 1, 2] {
        let count = record.cycles.iter().filter(|row| row.status == status).count() as u64;
        record.status_cycles.push((status, count));
    }
    record
}

fn summary(record: &RunRecord, worst_deg: f64, met: bool) -> Value {
    let used = record.cycles.last().map_or(0.0, |row| row.propellant_kg);
    json!({
        "verdict": if met { "met" } else { "missed" },
        "requirements": [
            { "figure": "worst_axis_error_deg", "at_most": 1.32, "at_least": null, "value": worst_deg,
              "margin": 1.32 - worst_deg, "margin_fraction": (1.32 - worst_deg) / 1.32, "met": met },
            { "figure": "propellant_over_bound", "at_most": 1.1, "at_least": null, "value": 1.0627,
              "margin": 0.0373, "margin_fraction": 0.0339, "met": true },
            { "figure": "selections_checked", "at_most": null, "at_least": 10.0, "value": 512.0,
              "margin": 502.0, "margin_fraction": 50.2, "met": true },
        ],
        "propellant_kg": used,
        "propellant_bound_kg": used / 1.0627,
        "propellant_over_bound": 1.0627,
        "worst_axis_error_deg": worst_deg,
        "selections_checked": record.selections.checked,
        "worst_optimality_gap": record.selections.worst_optimality_gap,
        "pointing": { "absolute_error_deg": [0.61, 0.5, 0.44], "mean_error_deg": [0.01, 0.2, 0.03] },
    })
}

/// Made-up margins: −x without one jet is the weakest; told the bare tug, +y is wrong now.
fn margins(told_bare: bool) -> SignMargins {
    let axis = |name: &str, margin_m: Option<f64>, left_m: Option<f64>| AxisMargin {
        axis: name.to_owned(),
        outcome: "delivered",
        turned: true,
        margin_m,
        direction: margin_m.map(|_| [0.6, 0.0, -0.8]),
        left_m,
        wrong_way: left_m.is_some_and(|left| left < 0.0),
    };
    let left = if told_bare { -1.375 } else { 2.125 };
    let healthy = vec![
        axis("+x", Some(3.0625), Some(3.0625)),
        axis("-x", None, None),
        axis("+y", Some(2.125), Some(left)),
        axis("-y", Some(4.5), Some(4.5)),
        axis("+z", Some(5.5), Some(5.5)),
        axis("-z", Some(6.5), Some(6.5)),
    ];
    let mut failed = healthy.clone();
    failed[1] = axis("-x", Some(0.8125), Some(0.8125));
    failed[3] = AxisMargin { turned: false, ..axis("-y", None, None) };
    let weakest = |failed_jet: Option<&str>, axis: &str, margin_m: f64| Weakest {
        failed_jet: failed_jet.map(str::to_owned),
        axis: axis.to_owned(),
        margin_m,
        direction: [0.6, 0.0, -0.8],
    };
    SignMargins {
        looked_within_m: LOOKED_WITHIN_M,
        weakest: Some(weakest(None, "+y", 2.125)),
        weakest_with_a_failure: Some(weakest(Some("aft_top_plus_y"), "-x", 0.8125)),
        healthy,
        failures: vec![FailureMargins { jet: "aft_top_plus_y".to_owned(), axes: failed }],
    }
}

fn stack(told_bare: bool) -> StackPicture {
    let inertia = [[9100.0, -2300.0, -700.0], [-2300.0, 61_000.0, 210.0], [-700.0, 210.0, 60_400.0]];
    let bare = ToldPicture {
        mass_kg: 1640.0,
        centre_of_mass_m: [-0.2, 0.0, 0.0],
        inertia_kg_m2: [[900.0, 0.0, 0.0], [0.0, 1500.0, 0.0], [0.0, 0.0, 1400.0]],
    };
    let truth = ToldPicture { mass_kg: 5540.0, centre_of_mass_m: [4.1, 0.46, 0.16], inertia_kg_m2: inertia };
    StackPicture {
        bodies: ["tug", "client", "spent_stage"].map(str::to_owned).to_vec(),
        mass_kg: truth.mass_kg,
        centre_of_mass_m: truth.centre_of_mass_m,
        inertia_kg_m2: inertia,
        design_centre_of_mass_m: [-0.1, 0.0, 0.0],
        told: Some(if told_bare { bare } else { truth }),
        sign_margins: Some(margins(told_bare)),
    }
}

/// A page with the scenario's own flight and its variant.
fn two_flights(scenario: &Scenario) -> String {
    let (truth, bare) =
        (limit_cycle("told_truth", scenario, 1.0), limit_cycle("told_bare_tug", scenario, 2.5));
    let (good, bad) = (summary(&truth, 1.234, true), summary(&bare, 1.6178, false));
    let flights = [
        Flight { record: &truth, summary: &good, stack: stack(false) },
        Flight { record: &bare, summary: &bad, stack: stack(true) },
    ];
    run_report(scenario, &flights)
}

/// Writes pages to look at; run with `cargo test -p stackhold-tests --test report -- --ignored`.
#[test]
#[ignore = "writes pages for people to look at: cargo test -p stackhold-tests --test report -- --ignored"]
fn write_pages_to_look_at() {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
    let keep = scenario("keep_the_spent_stage", 7200.0);
    let mut release = scenario("release_the_spent_stage", 7200.0);
    release.stack.pop();
    let records = [
        limit_cycle("told_truth", &keep, 1.0),
        limit_cycle("told_bare_tug", &keep, 2.5),
        limit_cycle("told_truth", &release, 0.7),
    ];
    let summaries = [
        summary(&records[0], 1.234, true),
        summary(&records[1], 1.6178, false),
        summary(&records[2], 1.2, true),
    ];
    let mut released = stack(false);
    released.bodies.pop();
    released.centre_of_mass_m = [2.2, 0.3, 0.1];
    let flight = |index: usize, stack: StackPicture| Flight {
        record: &records[index],
        summary: &summaries[index],
        stack,
    };
    let kept = [flight(0, stack(false)), flight(1, stack(true))];
    let let_go = [flight(2, released)];
    let options = [
        ComparedOption { scenario: &keep, flights: &kept },
        ComparedOption { scenario: &release, flights: &let_go },
    ];
    let long = scenario("twelve_hours", 43_200.0);
    let pages = [
        ("run.html", two_flights(&keep)),
        ("one.html", run_report(&keep, &kept[..1])),
        ("comparison.html", comparison_report(&options)),
        ("long.html", two_flights(&long)),
    ];
    for (name, page) in pages {
        let path = folder.join(name);
        std::fs::write(&path, page).expect("the page can be written");
        println!("{}", path.display());
    }
}

/// The embedded data, as the page's script reads them.
fn data_of(page: &str) -> Value {
    let (_, after) = page.split_once("id=\"report-data\">").expect("the page carries its data");
    let (json, _) = after.split_once("</script>").expect("the data end");
    serde_json::from_str(json).expect("the data are JSON")
}

/// Numbers of a JSON array; gaps become `NaN`.
fn numbers(value: &Value) -> Vec<f64> {
    value.as_array().expect("an array").iter().map(|v| v.as_f64().unwrap_or(f64::NAN)).collect()
}

/// Panels that share the named scale, one per flight.
fn panels<'a>(data: &'a Value, scale: &str) -> Vec<&'a Value> {
    data["panels"].as_array().expect("panels").iter().filter(|panel| panel["scale"] == scale).collect()
}

/// The table row whose key is shown as code.
fn row_of<'a>(page: &'a str, key: &str) -> &'a str {
    let at = page.find(&format!("<code>{key}</code>")).unwrap_or_else(|| panic!("no row for {key}"));
    let end = page[at..].find("</tr>").expect("the row ends");
    &page[at..at + end]
}

/// Machine-readable numbers of a piece of the page.
fn data_values(piece: &str) -> Vec<f64> {
    piece
        .split("<data value=\"")
        .skip(1)
        .map(|rest| rest.split('"').next().expect("a quote").parse().expect("a number"))
        .collect()
}

#[test]
fn every_section_and_picture_is_there() {
    let scenario = scenario("keep_the_spent_stage", 1200.0);
    let page = two_flights(&scenario);
    for heading in [
        "Verdict",
        "Requirements",
        "What was asked",
        "The stack and its jets",
        "Sign margins",
        "Pointing",
        "Jets and propellant",
        "Interface loads",
        "What the kernel knew",
        "All figures",
        "How to fly it again",
        "Cautions",
        "Told and true",
        "Phase planes",
        "Histories",
    ] {
        let found = page.contains(&format!(">{heading}</h2>")) || page.contains(&format!(">{heading}</h3>"));
        assert!(found, "no heading {heading}");
    }
    for caution in
        ["Not qualified for flight", "hold only for the model given", "certified people", "come first"]
    {
        assert!(page.contains(caution), "no caution: {caution}");
    }
    assert_eq!(page.matches("<svg class=\"plane\"").count(), 6, "three phase planes for each of two flights");
    assert_eq!(page.matches("<svg class=\"stack\"").count(), 1, "both flights have the same stack");
    for view in ["seen from −y", "seen from +z", "seen from +x"] {
        assert!(page.contains(view), "no view {view}");
    }
    for jet in &scenario.vehicle.jets {
        assert!(page.contains(&jet.name.replace('_', " ")), "jet {} is missing", jet.name);
    }
    let data = data_of(&page);
    for scale in [
        "error-0",
        "error-1",
        "error-2",
        "rate-0",
        "rate-1",
        "rate-2",
        "propellant",
        "velocity",
        "disturbance",
    ] {
        assert_eq!(panels(&data, scale).len(), 2, "{scale} for each of two flights");
    }
    assert_eq!(
        data["strips"].as_array().map(Vec::len),
        Some(4),
        "firings and status for each of two flights"
    );
    assert!(page.contains("20417") && page.contains("feed0042") && page.contains("0123456789abcdef"));
    assert!(page.contains("stackhold run keep_the_spent_stage.toml"));
}

#[test]
fn the_page_asks_nothing_of_a_network_and_carries_the_licence() {
    let page = two_flights(&scenario("alone", 600.0));
    assert!(page.contains("default-src 'none'"), "the page's policy forbids loading");
    for loader in ["src=\"", "<link", "@import", "url("] {
        assert!(!page.contains(loader), "the page loads something by {loader}");
    }
    assert!(page.contains("The MIT License (MIT)") && page.contains("Permission is hereby granted"));
}

#[test]
fn numbers_on_the_page_equal_the_summary() {
    let scenario = scenario("numbers", 1200.0);
    let record = limit_cycle("told_truth", &scenario, 1.0);
    let variant = limit_cycle("told_bare_tug", &scenario, 2.0);
    let (first, second) = (summary(&record, 1.234_567_891, true), summary(&variant, 1.617_8, false));
    let flights = [
        Flight { record: &record, summary: &first, stack: stack(false) },
        Flight { record: &variant, summary: &second, stack: stack(true) },
    ];
    let page = run_report(&scenario, &flights);
    for (key, value) in first.as_object().expect("an object") {
        if let Some(number) = value.as_f64() {
            let other = second[key].as_f64().expect("both flights have the figure");
            assert_eq!(data_values(row_of(&page, key)), [number, other], "{key}");
        }
    }
    assert_eq!(
        data_values(row_of(&page, "pointing.absolute_error_deg")),
        [0.61, 0.5, 0.44, 0.61, 0.5, 0.44],
        "lists and inner objects are shown too"
    );
    let (_, table) = page.split_once("<table class=\"requirements\">").expect("a table of requirements");
    let (table, _) = table.split_once("</table>").expect("its end");
    let wanted: Vec<f64> = [&first, &second]
        .iter()
        .flat_map(|summary| summary["requirements"].as_array().expect("a list"))
        .map(|requirement| requirement["value"].as_f64().expect("a number"))
        .collect();
    assert_eq!(data_values(table), wanted);
    assert!(table.contains("at most 1.32°") && table.contains("−0.2978°"), "bound and negative margin");
    assert_eq!(table.matches("<tr class=\"missed\">").count(), 1);
}

#[test]
fn the_verdict_follows_the_summary() {
    let scenario = scenario("verdicts", 600.0);
    let record = limit_cycle("told_truth", &scenario, 1.0);
    for (met, word, sentence) in [
        (true, "Met", "all 3 requirements are met"),
        (false, "Missed", "1 of 3 requirements is missed: worst axis error"),
    ] {
        let figures = summary(&record, if met { 1.0 } else { 2.0 }, met);
        let page =
            run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
        assert_eq!(page.matches("class=\"verdict met\"").count(), usize::from(met));
        assert_eq!(page.matches("class=\"verdict missed\"").count(), usize::from(!met));
        assert!(page.contains(&format!("</span> {word}</p>")), "{word}");
        assert!(page.contains(sentence), "{sentence}");
    }
}

#[test]
fn text_from_files_stays_text() {
    let attack = "<script>alert(1)</script>";
    let mut scenario = scenario(attack, 600.0);
    scenario.description = format!("{attack} & \"quoted\"");
    scenario.vehicle.jets[0].name = "</script><img src=x onerror=alert(2)>".to_owned();
    scenario.vehicle.jets[1].name = "\" onload=\"alert(3)".to_owned();
    scenario.vehicle.bodies[1].name = attack.to_owned();
    scenario.disturbances[0].name = attack.to_owned();
    scenario.variants[0].description = attack.to_owned();
    let record = limit_cycle("told_bare_tug", &scenario, 1.0);
    let mut figures = summary(&record, 1.0, true);
    figures["note"] = json!(attack);
    figures["requirements"][0]["figure"] = json!(attack);
    let mut picture = stack(false);
    picture.bodies[1] = attack.to_owned();
    let flights = [Flight { record: &record, summary: &figures, stack: picture }];
    let options = [ComparedOption { scenario: &scenario, flights: &flights }];
    for page in [run_report(&scenario, &flights), comparison_report(&options)] {
        assert_eq!(page.matches("<script").count(), 3, "data, library, script and no other");
        assert_eq!(page.matches("</script").count(), 3);
        assert!(!page.contains("<img") && !page.contains("\" onload=\""));
        assert!(page.contains("&lt;script&gt;alert(1)&lt;/script&gt;"), "the name is shown as text");
        let data = data_of(&page);
        let label = data["strips"][0]["rows"][0]["label"].as_str().expect("a label");
        assert_eq!(label, "</script><img src=x onerror=alert(2)>", "the data give the name back unharmed");
    }
}

#[test]
fn a_twelve_hour_report_stays_under_five_megabytes() {
    let mut scenario = scenario("twelve_hours", 43_200.0);
    let jets = &mut scenario.vehicle.jets;
    for count in jets.len()..32 {
        jets.push(jet(
            &format!("jet_number_{count}"),
            [0.0, 0.0, 1.0],
            [1.0, 0.0, 0.0],
            5.0,
            JetState::Ready,
        ));
    }
    // The worst for thinning: noise on everything, a status that flickers, every jet as often as can be seen apart.
    let restless = |name: &str| {
        let mut record = limit_cycle(name, &scenario, 1.0);
        record.edges.clear();
        for (count, row) in record.cycles.iter_mut().enumerate() {
            let noise = 1e-3 * f64::sin(count as f64 * 1.3) * f64::cos(count as f64 * 0.71);
            row.error_rad = row.error_rad.map(|e| e + noise);
            row.rate_rad_s = row.rate_rad_s.map(|r| r + noise);
            row.estimated_rate_rad_s = row.estimated_rate_rad_s.map(|r| r - noise);
            row.status = (count % 3) as u8;
            for jet in (0..scenario.vehicle.jets.len()).filter(|_| count % 48 == 0) {
                let edge = |time_s, open| ValveEdge { time_s, jet, open, thrust_n: 22.0 };
                record.edges.extend([edge(row.time_s, true), edge(row.time_s + 0.1, false)]);
            }
        }
        record
    };
    let records = [restless("told_truth"), restless("told_bare_tug")];
    let figures = summary(&records[0], 1.0, true);
    let flights = records.each_ref().map(|record| Flight { record, summary: &figures, stack: stack(false) });
    let page = run_report(&scenario, &flights);
    assert!(page.len() < 5_000_000, "{} bytes", page.len());
    assert!(page.len() > 1_000_000, "{} bytes: the histories are missing", page.len());
}

#[test]
fn thinning_keeps_extremes_at_their_time_and_invents_nothing() {
    let mut scenario = scenario("spikes", 43_200.0);
    scenario.variants.clear();
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    let (up, down, fast) = (12_347, 60_001, 150_001);
    record.cycles[up].error_rad[1] = 0.5;
    record.cycles[down].error_rad[1] = -0.4;
    record.cycles[fast].rate_rad_s[2] = 0.03;
    let figures = summary(&record, 28.6, false);
    let page = run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
    let data = data_of(&page);
    let at = |panel: &Value, time_s: f64, want: f64| {
        let (x, y) = (numbers(&panel["x"]), numbers(&panel["lines"][0]["y"]));
        let place = x.iter().position(|x| (x - time_s).abs() < 1e-3).expect("the spike's time is kept");
        assert!((y[place] - want).abs() <= 1e-5 * want.abs(), "{} for {want}", y[place]);
    };
    let pitch = panels(&data, "error-1")[0];
    at(pitch, record.cycles[up].time_s, 0.5_f64.to_degrees());
    at(pitch, record.cycles[down].time_s, -(0.4_f64.to_degrees()));
    let yaw_rate =
        data["panels"].as_array().expect("panels").iter().find(|p| p["scale"] == "rate-2").expect("yaw");
    let lines = yaw_rate["lines"].as_array().expect("lines");
    let truth = lines.iter().find(|line| line["label"] == "true").expect("the true rate");
    let most = numbers(&truth["y"]).into_iter().fold(f64::MIN, f64::max);
    assert!((most - 0.03_f64.to_degrees()).abs() < 1e-4, "{most}");
    let (x, y) = (numbers(&pitch["x"]), numbers(&pitch["lines"][0]["y"]));
    assert!(x.len() < 6000 && x.windows(2).all(|pair| pair[0] < pair[1]), "thinned, in order");
    for (time_s, value) in x.iter().zip(&y).filter(|(_, value)| !value.is_nan()) {
        let row = (time_s / 0.25).round() as usize;
        let sample = record.cycles[row].error_rad[1].to_degrees();
        assert!(
            (value - sample).abs() <= 1e-5 * sample.abs(),
            "at {time_s} s {value} is no sample: {sample}"
        );
    }
    let gap: Vec<f64> = x.iter().zip(&y).filter(|(_, y)| y.is_nan()).map(|(x, _)| *x).collect();
    assert!(
        gap.iter().all(|t| *t >= 23_760.0 && *t < 25_920.0) && gap.len() >= 2,
        "free drift is a gap: {gap:?}"
    );
}

#[test]
fn firings_add_up_to_the_valve_edges() {
    let scenario = scenario("firings", 20_000.0);
    let record = limit_cycle("told_truth", &scenario, 1.0);
    let figures = summary(&record, 1.0, true);
    let page = run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
    let data = data_of(&page);
    for (jet, row) in data["strips"][0]["rows"].as_array().expect("rows").iter().enumerate() {
        let spans: Vec<Vec<f64>> = row["spans"].as_array().expect("spans").iter().map(numbers).collect();
        let count: f64 = spans.iter().map(|span| span[2]).sum();
        let on_s: f64 = spans.iter().map(|span| span[3]).sum();
        assert_eq!(count as u64, record.jets[jet].valve_cycles, "jet {jet}");
        assert!((on_s - record.jets[jet].on_time_s).abs() < 1e-3, "jet {jet}");
    }
}

#[test]
fn jets_show_their_state_and_a_torque_that_changes_sign() {
    let page = two_flights(&scenario("jets", 600.0));
    for label in ["aft side plus z (dead)", "fore top plus y (forbidden)"] {
        assert!(page.contains(&format!(">{label}</text>")), "no label {label} in the picture");
    }
    let row = |jet: &str| {
        let at = page.find(&format!("<th scope=\"row\">{jet}</th>")).expect("the jet's row");
        page[at..].split("</tr>").next().expect("the row").to_owned()
    };
    // By hand: 40 N along x at (-1.7, -0.4, -0.5) m from the design centre of mass.
    assert!(row("stern low plus x").contains("(0, −20, 16)"), "{}", row("stern low plus x"));
    // By hand: the force along +y acts 1.2 m ahead of the design centre of mass (yaw positive) and
    // 3 m behind the actual one (yaw negative); the aft jet lies behind both.
    assert!(row("fore top plus y").ends_with("</span>yaw</td>"), "{}", row("fore top plus y"));
    assert!(row("aft top plus y").ends_with("–</td>"), "{}", row("aft top plus y"));
    assert!(page.contains("(4.2, 0.46, 0.16) m from the one the jets were laid out for"));
}

#[test]
fn interface_loads_are_told_phase_by_phase() {
    let page = two_flights(&scenario("keep_the_spent_stage", 1200.0));
    let (_, section) = page.split_once("<section id=\"interfaces\"").unwrap();
    let (section, _) = section.split_once("</section>").unwrap();
    let count = |words: &str| section.matches(words).count();
    // Three phases in each of two flights.
    assert_eq!(count("<td>grapple</td>"), 6);
    assert_eq!((count(">13.25<"), count(">40.5<")), (2, 2));
    assert!(page.contains("N at (5, 1.7, 0.4) m, on the client"));
}

#[test]
fn sign_margins_are_told_for_every_flight() {
    let page = two_flights(&scenario("keep_the_spent_stage", 1200.0));
    let (_, section) = page.split_once("<section id=\"margins\"").unwrap();
    let (section, _) = section.split_once("</section>").unwrap();
    let count = |words: &str| section.matches(words).count();
    assert_eq!(
        count("+y turns the wrong way once the centre of mass lies more than 2.125 m along (0.6, 0, −0.8)"),
        2
    );
    assert_eq!(count("Weakest with one jet failed (aft top plus y): −x turns the wrong way"), 2);
    // Six axes healthy and six without the jet, in each of two flights.
    assert_eq!(count("<td class=\"n\">over 100</td>"), 4);
    assert_eq!(count("not turned"), 2);
    assert_eq!(count("−1.375, wrong way"), 1);
    assert_eq!(count("turns the WRONG WAY on +y"), 1);
}

#[test]
fn what_was_told_stands_beside_what_is_true() {
    let page = two_flights(&scenario("told", 600.0));
    let (_, table) = page.split_once("<table class=\"told\">").expect("the table");
    let (table, _) = table.split_once("</table>").expect("its end");
    assert_eq!(table.matches("≠ ").count(), 6, "five rows of the variant and the caption: {table}");
    assert!(table.contains("1640\u{a0}kg") && table.contains("5540\u{a0}kg"));
}

#[test]
fn a_comparison_reads_out_the_cheaper_option_and_marks_differences() {
    let keep = scenario("keep", 1200.0);
    let mut release = scenario("release", 1200.0);
    release.seed = 7;
    release.initial.rate_rad_s = [1e-4, 0.0, 0.0];
    let records = [limit_cycle("told_truth", &keep, 1.0), limit_cycle("told_truth", &release, 1.0)];
    let mut summaries = [summary(&records[0], 1.0, true), summary(&records[1], 1.4, false)];
    summaries[0]["propellant_kg"] = json!(2.0);
    summaries[1]["propellant_kg"] = json!(1.5);
    let mut released = stack(false);
    released.bodies.pop();
    released.centre_of_mass_m[0] = 2.0;
    let kept = [Flight { record: &records[0], summary: &summaries[0], stack: stack(false) }];
    let let_go = [Flight { record: &records[1], summary: &summaries[1], stack: released }];
    let options = [
        ComparedOption { scenario: &keep, flights: &kept },
        ComparedOption { scenario: &release, flights: &let_go },
    ];
    let page = comparison_report(&options);
    assert!(page.contains("Keep: all 3 requirements are met."));
    assert!(page.contains("Release: 1 of 3 requirements is missed: worst axis error."));
    assert!(page.contains(
        "Propellant is least with release: 1.5\u{a0}kg, 25\u{a0}% less than with keep (2\u{a0}kg)."
    ));
    assert!(
        page.contains("Worst axis error is least with keep: 1°, 28.6\u{a0}% less than with release (1.4°).")
    );
    assert!(page.contains("Not the same task: keep and release have different seeds, initial states."));
    assert_eq!(page.matches("<svg class=\"stack\"").count(), 2, "each stack has its picture");
    assert!(row_of(&page, "propellant_kg").contains("−25\u{a0}%"));
    assert!(!row_of(&page, "propellant_over_bound").contains("%"));

    // One scenario alone is compared by its flights.
    let both = [kept[0].clone(), Flight { record: &records[1], summary: &summaries[1], stack: stack(true) }];
    let page = comparison_report(&[ComparedOption { scenario: &keep, flights: &both }]);
    assert!(page.contains("Propellant is least with told the truth: 1.5\u{a0}kg"));
    assert!(!page.contains("Not the same task"));
}

#[test]
fn every_kernel_status_has_words_of_its_own() {
    let mut scenario = scenario("status", 600.0);
    scenario.phases.truncate(1);
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    let all = stackhold_kernel::status::Status::ALL;
    record.status_cycles = all.iter().map(|status| (status.number(), 1)).collect();
    let figures = summary(&record, 1.0, true);
    let page = run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
    for status in all {
        let label = format!("<th scope=\"row\">{} ", status.number());
        let at = page.find(&label).unwrap_or_else(|| panic!("{status:?} is not listed"));
        let row = page[at..].split("</tr>").next().expect("the row");
        assert!(!row.contains("list of status numbers"), "{status:?} has no words: {row}");
    }
}

/// A real browser opens the page: no error on its console, and every picture drawn. Needs `chromium`.
#[test]
#[ignore = "needs a browser (Debian package chromium): cargo test -p stackhold-tests --test report -- --ignored"]
fn a_browser_draws_every_picture_without_an_error() {
    let folder = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
    let path = folder.join("browser.html");
    let page = two_flights(&scenario("browser", 3600.0));
    std::fs::write(&path, &page).expect("the page can be written");
    let profile = format!("--user-data-dir={}", folder.join("browser-profile").display());
    let output = std::process::Command::new("chromium")
        .args(["--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"])
        .args(["--disable-background-networking", "--disable-component-update", "--disable-sync"])
        .args(["--enable-logging=stderr", "--virtual-time-budget=5000", "--dump-dom", &profile])
        .arg(format!("file://{}", path.display()))
        .output()
        .expect("chromium is installed");
    let (drawn, said) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    let errors: Vec<&str> = said.lines().filter(|line| line.contains("CONSOLE")).collect();
    assert!(errors.is_empty(), "{errors:?}");
    let charts = page.matches("<div class=\"chart\"").count();
    assert_eq!(charts, 22);
    assert_eq!(drawn.matches("<canvas").count(), charts, "every history has its canvas");
}

#[test]
fn a_flight_without_hold_cycles_or_figures_is_still_a_page() {
    let mut scenario = scenario("nothing", 600.0);
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode: Mode::FreeDrift }];
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    let empty = json!({ "verdict": "met", "requirements": [] });
    let page = run_report(&scenario, &[Flight { record: &record, summary: &empty, stack: stack(false) }]);
    assert!(
        page.contains("No commanded attitude was held")
            && page.contains("no requirement was set, so nothing was judged")
    );
    record.cycles.clear();
    record.edges.clear();
    let page = run_report(&scenario, &[Flight { record: &record, summary: &empty, stack: stack(false) }]);
    assert!(page.contains("How to fly it again"));
}

#[test]
fn a_watched_drift_is_drawn_with_what_wakes_it_and_then_with_its_deadband() {
    let mut scenario = scenario("watch", 600.0);
    let mode = Mode::Watch {
        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
        wake_angle_rad: [5.0_f64.to_radians(); 3],
        wake_rate_rad_s: [0.1_f64.to_radians(); 3],
        half_width_rad: [2.0_f64.to_radians(); 3],
        rate_limit_rad_s: [0.05_f64.to_radians(); 3],
    };
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode }];
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    for row in &mut record.cycles {
        row.status = if row.time_s < 200.0 { Status::Drifting.number() } else { Status::Woken.number() };
    }
    let figures = summary(&record, 1.0, true);
    let page = run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
    let data = data_of(&page);
    let panel = &panels(&data, "error-0")[0];
    assert!(numbers(&panel["lines"][0]["y"]).iter().all(|error| error.is_finite()), "no gap");
    let limits: Vec<(f64, f64, f64)> = panel["limits"]
        .as_array()
        .expect("limits")
        .iter()
        .map(|limit| ["from", "to", "level"].map(|key| limit[key].as_f64().expect("a number")))
        .map(|[from, to, level]| (from, to, (level * 1e6).round() * 1e-6))
        .collect();
    let (from, to) = ((0.0, 200.0), (200.0, 600.0));
    assert_eq!(
        limits,
        [(from.0, from.1, 5.0), (from.0, from.1, -5.0), (to.0, to.1, 2.0), (to.0, to.1, -2.0)]
    );
    assert_eq!(panel["limits"][0]["label"], "wakes beyond ±5°");
    assert!(page.contains("wakes beyond (5, 5, 5)°, then deadband half-width (2, 2, 2)°"));
    assert_eq!(page.matches("<svg class=\"plane\"").count(), 3, "a phase plane for each axis");
}

/// Deflected by half about yaw from 20 s to 80 s, with a tenth of dead zone: 4/9 of full rate are asked for.
#[test]
fn what_the_hand_controller_asks_for_is_drawn_and_what_is_left_alone() {
    let mut scenario = scenario("by_hand", 200.0);
    let moved = |at_s, yaw| Deflection { at_s, deflection: [0.0, 0.05, yaw] };
    let by_hand = Mode::Hand {
        deflections: vec![moved(10.0, -0.5), moved(70.0, 0.0)],
        dead_zone: 0.1,
        full_rate_rad_s: [0.009; 3],
        half_width_rad: [0.5_f64.to_radians(); 3],
        rate_limit_rad_s: [0.05_f64.to_radians(); 3],
        asks_for_bits: false,
    };
    scenario.phases = vec![
        Phase { start_s: 0.0, early: false, mode: Mode::FreeDrift },
        Phase { start_s: 10.0, early: false, mode: by_hand },
        Phase { start_s: 150.0, early: false, mode: Mode::FreeDrift },
    ];
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    for row in &mut record.cycles {
        row.estimated_error_rad = [0.25_f64.to_radians(), 0.0, 0.0];
    }
    let figures = summary(&record, 1.0, true);
    let drawn = run_report(&scenario, &[Flight { record: &record, summary: &figures, stack: stack(false) }]);
    let data = data_of(&drawn);
    let line = |figure: &str, label: &str| {
        let panel = panels(&data, figure)[0];
        let lines = panel["lines"].as_array().expect("lines");
        let found = lines.iter().find(|line| line["label"] == label).expect("this line");
        numbers(&panel["x"]).into_iter().zip(numbers(&found["y"])).collect::<Vec<(f64, f64)>>()
    };
    let error = line("error-0", "off what is followed, estimate");
    let (pitch, yaw) = (line("rate-1", "asked for by hand"), line("rate-2", "asked for by hand"));
    let flown = |time: f64| (10.0..150.0).contains(&time);
    assert!(error.iter().all(|(time, y)| if flown(*time) { (y - 0.25).abs() < 1e-6 } else { y.is_nan() }));
    assert!(pitch.iter().all(|(time, y)| if flown(*time) { *y == 0.0 } else { y.is_nan() }), "dead zone");
    for (time, rate) in yaw.into_iter().filter(|(time, _)| flown(*time)) {
        let asked = if (20.0..80.0).contains(&time) { -0.004_f64.to_degrees() } else { 0.0 };
        assert!((rate - asked).abs() < 1e-5, "at {time} s: {rate}");
    }
    assert!(drawn.contains("Dotted line: what the hand controller asks for."));
    assert!(!two_flights(&self::scenario("no_hand", 600.0)).contains("what the hand controller asks for"));
}

/// Held, turned by 60° about roll at 0.3 °/s from 100 s to 300 s and held in the slew's own deadband, then held in another.
#[test]
fn a_slew_is_drawn_on_its_way_and_then_with_its_deadband() {
    let mut scenario = scenario("slew", 600.0);
    let attitude_xyzw = [0.0, 0.0, 0.0, 1.0];
    let rate_limit_rad_s = [0.05_f64.to_radians(); 3];
    let hold = |half_width_deg: f64| Mode::Hold {
        attitude_xyzw,
        half_width_rad: [half_width_deg.to_radians(); 3],
        rate_limit_rad_s,
    };
    let slew = Mode::Slew {
        attitude_xyzw,
        pace: Pace::Quick { rate_limit_rad_s: 0.3_f64.to_radians() },
        half_width_rad: [0.5_f64.to_radians(); 3],
        rate_limit_rad_s,
    };
    let phase = |start_s, mode| Phase { start_s, early: false, mode };
    scenario.phases = vec![phase(0.0, hold(0.5)), phase(100.0, slew), phase(400.0, hold(1.5))];
    let mut record = limit_cycle("told_truth", &scenario, 1.0);
    for row in &mut record.cycles {
        let turns = row.time_s >= 100.0 && row.time_s < 300.0;
        let still_deg = if turns { 0.3 * (300.0 - row.time_s) } else { 0.2 };
        row.error_rad = [-still_deg.to_radians(), 0.0, 0.0];
        row.rate_rad_s = [if turns { 0.3_f64.to_radians() } else { 0.0 }, 0.0, 0.0];
        row.estimated_error_rad = [0.25_f64.to_radians(), 0.0, 0.0];
    }
    let figures = summary(&record, 1.0, true);
    let page = |record: &RunRecord| {
        run_report(&scenario, &[Flight { record, summary: &figures, stack: stack(false) }])
    };
    let drawn = page(&record);
    let data = data_of(&drawn);
    let panel = panels(&data, "error-0")[0];
    let (x, held) = (numbers(&panel["x"]), numbers(&panel["lines"][0]["y"]));
    let off_path = numbers(&panel["lines"][1]["y"]);
    for ((time, held), off_path) in x.iter().zip(held).zip(off_path) {
        if (100.0..300.0).contains(time) {
            assert!(held.is_nan() && (off_path - 0.25).abs() < 1e-6, "at {time} s: {held}, {off_path}");
        } else {
            assert!(off_path.is_nan() && (held + 0.2).abs() < 1e-6, "at {time} s: {held}, {off_path}");
        }
    }
    let ends = |limit: &Value| {
        ["from", "to", "level"].map(|key| (limit[key].as_f64().expect("a number") * 1e6).round() / 1e6)
    };
    let limits =
        |panel: &Value| panel["limits"].as_array().expect("limits").iter().map(ends).collect::<Vec<_>>();
    let (own, later) = ([0.0, 400.0], [400.0, 600.0]);
    let both = |[from, to]: [f64; 2], level: f64| [[from, to, level], [from, to, -level]];
    assert_eq!(
        limits(panel),
        [both(own, 0.5), both(later, 1.5)].concat(),
        "one line as long as it is the same"
    );
    let rates = panels(&data, "rate-0")[0];
    let (before, after) = ([0.0, 100.0], [300.0, 600.0]);
    assert_eq!(limits(rates), [both(before, 0.05), both(after, 0.05)].concat(), "none on the way");

    let (angle, rate) = (panels(&data, "slew-angle")[0], panels(&data, "slew-rate")[0]);
    let at = |panel: &Value, time_s: f64| {
        let place = numbers(&panel["x"]).iter().position(|time| *time == time_s).expect("this sample");
        numbers(&panel["lines"][0]["y"])[place]
    };
    assert!((at(angle, 200.0) - 30.0).abs() < 1e-4 && (at(angle, 399.0) - 0.2).abs() < 1e-6);
    assert!(at(angle, 99.0).is_nan() && at(angle, 401.0).is_nan(), "nothing outside of its phase");
    assert!((at(rate, 200.0) - 0.3).abs() < 1e-6);
    assert_eq!(limits(rate), [[100.0, 400.0, 0.3]]);
    assert_eq!(angle["marks"], json!([{ "at": 300.0, "label": "arrives after 200\u{a0}s" }]));
    assert_eq!(rate["marks"][0]["at"], 300.0);

    assert!(
        drawn.contains("Phase plane of roll, about x for Told the truth: error from −0.2° to −0.2°"),
        "only what is held"
    );
    assert!(drawn.contains("A slew is shown once it has arrived."));
    assert!(!two_flights(&self::scenario("no_slew", 600.0)).contains("data-figure=\"slew\""));

    // One that turns on does not arrive, and is not held.
    for row in record.cycles.iter_mut().filter(|row| row.time_s >= 300.0 && row.time_s < 400.0) {
        row.rate_rad_s[0] = 0.3_f64.to_radians();
    }
    let data = data_of(&page(&record));
    assert_eq!(panels(&data, "slew-angle")[0]["marks"], json!([]));
    assert!(at(panels(&data, "error-0")[0], 399.0).is_nan());
}

#[test]
fn a_flight_that_strays_much_further_does_not_flatten_the_first_one() {
    let mut scenario = scenario("stray", 1200.0);
    scenario.phases.truncate(1);
    let near = limit_cycle("told_truth", &scenario, 1.0);
    let mut far = near.clone();
    far.name = "told_bare_tug".to_owned();
    // Turns through half a turn about an axis between y and z: the rotation vector comes back reversed.
    for (count, row) in far.cycles.iter_mut().enumerate() {
        let angle = (count as f64 * 1e-3 + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU);
        let angle = angle - std::f64::consts::PI;
        row.error_rad = [0.0, 0.6 * angle, 0.8 * angle];
    }
    let figures = summary(&near, 1.0, true);
    let flights = [
        Flight { record: &near, summary: &figures, stack: stack(false) },
        Flight { record: &far, summary: &figures, stack: stack(true) },
    ];
    let page = run_report(&scenario, &flights);
    let data = data_of(&page);
    assert_eq!(panels(&data, "error-1").len(), 1, "the first flight keeps a scale of its own");
    let wide = panels(&data, "error-1-wide");
    assert_eq!(wide.len(), 1);
    assert!(page.contains("one scale for all flights") && page.contains("(wider scale)"));
    let (x, y) = (numbers(&wide[0]["x"]), numbers(&wide[0]["lines"][0]["y"]));
    let wrap_s = 3142.0 * 0.25;
    let gap = x.iter().zip(&y).filter(|(_, y)| y.is_nan()).map(|(x, _)| *x).collect::<Vec<_>>();
    assert_eq!(gap.len(), 1, "one gap where the numbers jump: {gap:?}");
    assert!(gap[0] > wrap_s - 0.25 && gap[0] < wrap_s, "{gap:?} is not between the samples at {wrap_s} s");
    assert!(x.windows(2).all(|pair| pair[0] < pair[1]));
}

/// The price of an impulse was once shown in N·m·s: the shorter ending had been found first.
#[test]
fn the_longest_unit_that_ends_a_key_is_its_unit() {
    let keys = [
        ("multipliers_kg_per_n_m_s", "multipliers", "kg/(N·m·s)", "kg/(N m s)"),
        ("angular_impulse_n_m_s", "angular_impulse", "N·m·s", "N m s"),
        ("propellant_kg_per_day", "propellant", "kg/day", "kg/day"),
        ("disturbance_deg_s2", "disturbance", "°/s²", "deg/s2"),
        ("worst_axis_error_over_half_width", "worst_axis_error_over_half_width", "", ""),
        ("_kg", "_kg", "", ""),
    ];
    for (key, stem, typeset, plain) in keys {
        let (found, unit) = stackhold_harness::units::split(key);
        assert_eq!((found, unit.typeset, unit.plain), (stem, typeset, plain), "{key}");
    }
}
