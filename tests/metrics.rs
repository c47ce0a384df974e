//! Every figure against hand-made records whose answers are known.
mod handmade;

use std::f64::consts::TAU;

use handmade::{close, hold_from, jet, jet_1_docked, record, row};
use stackhold_harness::held::{Kept, Span, spans};
use stackhold_harness::metrics::{
    Figures, Metrics, limit_cycle_period_s, mean, measure, pointing_statistics, window_means,
};
use stackhold_harness::record::{
    CycleRow, JetTotals, Momentum, Parting, Relative, RunRecord, SelectionChecks, ValveEdge,
};
use stackhold_harness::scenario::model::{
    Disturbance, JetState, Joint, Mode, Pace, Phase, Push, Requirement, Scenario, Shut, ShutOff, Slosh,
};
use stackhold_harness::verdict::judge;
use stackhold_kernel::status::Status;

fn measured(scenario: &Scenario, record: &RunRecord) -> Metrics {
    measure(scenario, &scenario.stack, record).unwrap()
}

fn figure(metrics: &Metrics, key: &str) -> f64 {
    metrics.figures.get(key).unwrap_or_else(|| panic!("no figure {key}"))
}

#[test]
fn pointing_errors_follow_the_standard_on_the_ten_sample_fixture() {
    // EC-4 (arithmetic fixture by the definitions of ECSS-E-ST-60-10C): two windows of five samples.
    let e = [0.10, 0.12, 0.11, 0.15, 0.12, 0.20, 0.22, 0.21, 0.25, 0.22];
    let means = window_means(&e, 2);
    assert!(close(means[0], 0.12, 1e-12) && close(means[1], 0.22, 1e-12));
    let both = pointing_statistics(&e, 2, 5).unwrap();
    assert!(close(both.ape_max, 0.25, 1e-12));
    assert!(close(both.mpe_max, 0.22, 1e-12));
    assert!(close(both.pde_max, 0.1, 1e-12));
    let first = pointing_statistics(&e[..5], 1, 5).unwrap();
    assert!(close(first.rpe_max, 0.03, 1e-12), "{}", first.rpe_max);
    // Sabotaged: with the windows swapped in length the figures differ.
    assert!(!close(pointing_statistics(&e, 3, 5).unwrap().pde_max, 0.1, 1e-3));
}

#[test]
fn pointing_errors_follow_the_standard_on_the_closed_form_signal() {
    // EC-5: e(t) = 0.02 + 1e-5 t + 0.05 sin(2πt/100) over 500 s: MPE 0.0225, rms about the mean
    // 0.03515917859, maximum 0.0742502533 at 425.0507 s. In degrees, in a record, at midpoints.
    let samples = 50_000;
    let dt = 500.0 / f64::from(samples);
    let rows: Vec<CycleRow> = (0..samples)
        .map(|k| {
            let t = (f64::from(k) + 0.5) * dt;
            let e = 0.02 + 1e-5 * t + 0.05 * (TAU * t / 100.0).sin();
            row(t, [0.0, e.to_radians(), 0.0], [0.0; 3])
        })
        .collect();
    let errors: Vec<f64> = rows.iter().map(|r| r.error_rad[1].to_degrees()).collect();
    assert!(close(mean(&errors), 0.0225, 1e-12));
    let spread = errors.iter().map(|e| (e - 0.0225).powi(2)).collect::<Vec<_>>();
    assert!(close(mean(&spread).sqrt(), 0.035_159_178_59, 1e-6));
    let scenario = jet_1_docked(500.0);
    let metrics = measured(&scenario, &record(&scenario, rows));
    assert!(close(figure(&metrics, "ape_max_y_deg"), 0.074_250_253_3, 1e-7));
    assert!(close(figure(&metrics, "worst_axis_error_deg"), 0.074_250_253_3, 1e-7));
    assert!(figure(&metrics, "ape_max_deg") < 0.075);
    // RPE over fixed intervals of 10 s: about a crossing the sine runs from −sin 18° to sin 18° of its
    // amplitude; whole windows start at multiples of a tenth of its period, so 0°..36° is the steepest.
    // There the mean is 0.05 (1 − cos 36°)/(π/5) and the far end 0.05 sin 36°, the near end 0.
    let mean_first = 0.05 * (1.0 - (TAU / 10.0).cos()) / (TAU / 10.0);
    let steepest = f64::max(mean_first, 0.05 * (TAU / 10.0).sin() - mean_first) + 5e-5;
    assert!((figure(&metrics, "rpe_max_y_deg") - steepest).abs() < 5e-5, "{steepest}");
    // Ten windows of half a period: the best mean is that of a crest, 0.02 + drift + 0.1/π.
    let crest = 0.02 + 1e-5 * 425.0 + 0.1 / std::f64::consts::PI;
    assert!(close(figure(&metrics, "mpe_y_deg"), crest, 1e-6));
    // Largest less smallest mean: the crest at 425 s against the trough at 75 s.
    let trough = 0.02 + 1e-5 * 75.0 - 0.1 / std::f64::consts::PI;
    assert!(close(figure(&metrics, "pde_y_deg"), crest - trough, 1e-6));
    assert_eq!(figure(&metrics, "ape_max_x_deg"), 0.0);
}

#[test]
fn quantiles_are_by_time() {
    let errors: Vec<f64> = (1..=10_000).map(|k| -f64::from(k)).collect();
    let all = pointing_statistics(&errors, 10, 10).unwrap();
    assert_eq!((all.ape_95, all.ape_99_73, all.ape_max), (9500.0, 9973.0, 10_000.0));
}

/// A hold that starts outside, comes in after 2 s, and leaves by a tenth for one cycle.
fn captured_late() -> (Scenario, RunRecord) {
    let mut scenario = jet_1_docked(10.0);
    let half = 0.01;
    scenario.phases = vec![hold_from(0.0, [half, 2.0 * half, half])];
    let error = |k: usize| match k {
        0..20 => [3.0 * half, 0.0, 0.0],
        50 => [0.0, 0.0, -1.1 * half],
        60 => [0.0, 1.5 * half, 0.0],
        _ => [0.5 * half, 0.0, 0.0],
    };
    let rows = (0..100).map(|k| row(k as f64 * 0.1, error(k), [0.001, 0.0, 0.002])).collect();
    let record = record(&scenario, rows);
    (scenario, record)
}

#[test]
fn errors_count_from_capture_and_the_time_outside_from_the_start() {
    let (scenario, record) = captured_late();
    let metrics = measured(&scenario, &record);
    assert!(close(figure(&metrics, "capture_time_s"), 2.0, 1e-12));
    // The largest angle is on the axis with the wider deadband; the worst ratio is on another.
    assert!(close(figure(&metrics, "worst_axis_error_deg"), 0.015_f64.to_degrees(), 1e-12));
    assert!(close(figure(&metrics, "worst_axis_error_over_half_width"), 1.1, 1e-12));
    assert!(close(figure(&metrics, "peak_axis_error_deg"), 0.03_f64.to_degrees(), 1e-12));
    // Twenty cycles of a tenth of a second before capture, one after.
    assert!(close(figure(&metrics, "time_outside_deadband_s"), 2.1, 1e-9));
    assert!(close(figure(&metrics, "time_outside_deadband_fraction"), 0.21, 1e-9));
    assert!(close(figure(&metrics, "hold_rate_max_z_deg_s"), 0.002_f64.to_degrees(), 1e-12));
    assert!(close(figure(&metrics, "worst_rate_deg_s"), 0.002_f64.to_degrees(), 1e-12));
}

#[test]
fn a_hold_that_never_captures_counts_from_its_start() {
    let (scenario, mut record) = captured_late();
    for row in &mut record.cycles {
        row.error_rad = [0.05, 0.0, 0.0];
    }
    let metrics = measured(&scenario, &record);
    assert_eq!(figure(&metrics, "capture_time_s"), 0.0);
    assert!(close(figure(&metrics, "worst_axis_error_over_half_width"), 5.0, 1e-12));
    assert!(close(figure(&metrics, "time_outside_deadband_fraction"), 1.0, 1e-12));
}

/// How well a slew's end is kept is a figure of the slew: the pointing of the hold after it is the hold's alone.
#[test]
fn the_end_of_a_slew_is_no_hold() {
    let mut scenario = jet_1_docked(10.0);
    let half = [0.01; 3];
    let mode = Mode::Slew {
        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
        pace: Pace::Quick { rate_limit_rad_s: 0.1 },
        half_width_rad: half,
        rate_limit_rad_s: [0.01; 3],
    };
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode }, hold_from(6.0, half)];
    let motion = |k: i32| match k {
        0..40 => ([0.1 * f64::from(40 - k) * 0.1, 0.0, 0.0], [-0.1, 0.0, 0.0]),
        40..60 => ([0.0, 0.009, 0.0], [0.0; 3]),
        _ => ([0.0, 0.002, 0.0], [0.0; 3]),
    };
    let seen = |k: i32| {
        let (error_rad, rate_rad_s) = motion(k);
        // Components of the inertial frame turn against the body.
        let attitude_xyzw = [(-0.5 * error_rad[0]).sin(), 0.0, 0.0, (0.5 * error_rad[0]).cos()];
        CycleRow { attitude_xyzw, ..row(f64::from(k) * 0.1, error_rad, rate_rad_s) }
    };
    let rows = (0..100).map(seen).collect();
    let flown = record(&scenario, rows);
    let kept = |span: Span| (span.kept, span.from_s, span.to_s);
    let spans: Vec<_> = spans(&scenario, &flown.cycles).into_iter().map(kept).collect();
    assert_eq!(spans, [(Kept::Slewing, 0.0, 4.0), (Kept::Arrived, 4.0, 6.0), (Kept::Held, 6.0, 10.0)]);
    let metrics = measured(&scenario, &flown);
    assert!(close(figure(&metrics, "slew_time_s"), 4.0, 1e-12));
    assert!(close(figure(&metrics, "slew_overshoot_over_half_width"), 0.9, 1e-12));
    assert!(close(figure(&metrics, "worst_axis_error_deg"), 0.002_f64.to_degrees(), 1e-12));
}

/// A watch that sleeps for five seconds, up to 0.05 rad, and is then the hold of [`captured_late`]; or never wakes.
#[test]
fn a_watched_drift_is_a_hold_once_it_has_woken() {
    let (mut scenario, held) = captured_late();
    let half = [0.01, 0.02, 0.01];
    let mode = Mode::Watch {
        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
        wake_angle_rad: [0.05; 3],
        wake_rate_rad_s: [0.01; 3],
        half_width_rad: half,
        rate_limit_rad_s: [0.001; 3],
    };
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode }];
    scenario.duration_s = 15.0;
    let drift = (0..50).map(|k| row(f64::from(k) * 0.1, [0.0, f64::from(-k) * 1e-3, 0.0], [0.0; 3]));
    let hold = held.cycles.into_iter().map(|row| CycleRow {
        time_s: row.time_s + 5.0,
        status: Status::Woken.number(),
        ..row
    });
    let flown = record(&scenario, drift.chain(hold).collect());
    let metrics = measured(&scenario, &flown);
    assert_eq!(figure(&metrics, "woken_at_s"), 5.0);
    assert!(close(figure(&metrics, "watched_error_max_deg"), 0.049_f64.to_degrees(), 1e-12));
    assert!(close(figure(&metrics, "capture_time_s"), 2.0, 1e-12));
    assert!(close(figure(&metrics, "worst_axis_error_over_half_width"), 1.1, 1e-12));
    assert!(close(figure(&metrics, "peak_axis_error_deg"), 0.03_f64.to_degrees(), 1e-12));
    assert!(close(figure(&metrics, "time_outside_deadband_fraction"), 0.21, 1e-9));
    let mut asleep = flown.clone();
    asleep.cycles.iter_mut().for_each(|row| row.status = Status::Drifting.number());
    let metrics = measured(&scenario, &asleep);
    assert_eq!(metrics.figures.get("worst_axis_error_deg"), None);
    assert!(close(figure(&metrics, "watched_error_max_deg"), 0.049_f64.to_degrees(), 1e-12));
}

#[test]
fn without_a_hold_there_is_no_pointing_figure() {
    let (mut scenario, record) = captured_late();
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode: Mode::FreeDrift }];
    let metrics = measured(&scenario, &record);
    for key in ["worst_axis_error_deg", "ape_max_deg", "time_outside_deadband_s"] {
        assert_eq!(metrics.figures.get(key), None);
        assert!(metrics.figures.iter().any(|(k, _)| k == key), "the key stays");
    }
}

#[test]
fn cross_coupling_is_peak_across_over_reached_along() {
    let mut scenario = jet_1_docked(20.0);
    let impulse = Mode::Impulse { rate_change_rad_s: [0.0, 0.004, 0.0], velocity_change_m_s: None };
    scenario.phases = vec![Phase { start_s: 5.0, early: false, mode: impulse }];
    // From a standing rate: 0.001 along y at first; across peaks at 3e-5·√2 in the middle of the firing.
    let rate = |t: f64| {
        let done = ((t - 5.0) / 2.0).clamp(0.0, 1.0);
        let bulge = 4.0 * done * (1.0 - done) * 3e-5;
        [1e-4 + bulge, 0.001 + 0.004 * done, -2e-4 - bulge]
    };
    let mut rows: Vec<CycleRow> =
        (0..200).map(|k| k as f64 * 0.1).map(|t| row(t, [0.0; 3], rate(t))).collect();
    // Long after the firing something else happens: not the firing's coupling.
    rows[150].rate_rad_s[0] = 1.0;
    let mut record = record(&scenario, rows);
    let edge = |time_s: f64, open: bool| ValveEdge { time_s, jet: 0, open, thrust_n: 22.0 };
    record.edges = vec![edge(5.0, true), edge(7.0, false)];
    let metrics = measured(&scenario, &record);
    let expected = 3e-5 * 2.0_f64.sqrt() / 0.004;
    assert!(close(figure(&metrics, "cross_coupling"), expected, 1e-9));
    // Pushed the wrong way: no ratio would be honest.
    for row in &mut record.cycles {
        row.rate_rad_s[1] *= -1.0;
    }
    assert_eq!(figure(&measured(&scenario, &record), "cross_coupling"), f64::INFINITY);
}

#[test]
fn the_period_of_a_limit_cycle_is_found_on_a_triangle_wave() {
    // Two-sided cycle of 413.49 s (LC-3) with half-width h: rate ±w, error a triangle of amplitude h.
    let (period, half) = (413.493_982_6, 0.5_f64.to_radians());
    let rows: Vec<CycleRow> = (0..100_000)
        .map(|k| {
            let t = f64::from(k) * 0.1;
            let phase = (t / period).fract();
            let rate = if phase < 0.5 { 4.0 * half / period } else { -4.0 * half / period };
            let error = if phase < 0.5 { 4.0 * phase - 1.0 } else { 3.0 - 4.0 * phase } * half;
            row(t, [0.0, error, 0.0], [0.0, rate, 0.0])
        })
        .collect();
    let (found, periods) = limit_cycle_period_s(&rows, 1).unwrap();
    assert!((found - period).abs() < 0.2 / 23.0, "{found}");
    // 10,000 s hold 24 turns on the far side (from 0.5 periods on) and 24 on the near (from 1 period on).
    assert_eq!(periods, 23 + 23);
    assert_eq!(limit_cycle_period_s(&rows, 0), None);
    // A one-sided cycle turns on one side only: the disturbance turns the rate on the way out.
    let one_sided: Vec<CycleRow> = (0..4500)
        .map(|k| {
            let phase = (f64::from(k) * 0.1 / 150.0).fract() - 0.5;
            row(f64::from(k) * 0.1, [half + phase * phase * 1e-4, 0.0, 0.0], [phase * 1e-4, 0.0, 0.0])
        })
        .collect();
    let (found, periods) = limit_cycle_period_s(&one_sided, 0).unwrap();
    assert!((found - 150.0).abs() < 0.2 && periods == 1, "{found} {periods}");
}

/// Two joints: one bends most early on, the other swings most at the end, between -0.2 and 0.3 mrad.
#[test]
fn joints_that_still_swing_at_the_end_are_seen() {
    let mut scenario = jet_1_docked(100.0);
    let rows = |swinging: bool| -> Vec<CycleRow> {
        let mut rows: Vec<CycleRow> =
            (0..1000).map(|k| row(f64::from(k) * 0.1, [0.0; 3], [0.0; 3])).collect();
        for (k, row) in rows.iter_mut().enumerate().filter(|_| swinging) {
            let side = if k % 2 == 0 { -0.2e-3 } else { 0.3e-3 };
            row.joint_angles_rad = [if k < 900 { -5e-3 } else { 1e-4 }, side];
        }
        rows
    };
    let still = record(&scenario, rows(true));
    assert_eq!(
        measured(&scenario, &still).figures.get("joint_swing_at_end_deg"),
        None,
        "no joint, no figure"
    );
    scenario.joints = vec![Joint {
        name: "grip".into(),
        bodies: vec!["hub".into()],
        hinge_m: [0.0; 3],
        axis: [0.0, 0.0, 1.0],
        frequency_hz: 0.3,
        damping_ratio: 0.01,
        initial_rad: 0.0,
    }];
    let metrics = measured(&scenario, &record(&scenario, rows(true)));
    assert!(close(figure(&metrics, "joint_angle_max_deg"), 5e-3_f64.to_degrees(), 1e-12));
    assert!(close(figure(&metrics, "joint_swing_at_end_deg"), 0.25e-3_f64.to_degrees(), 1e-12));
    let metrics = measured(&scenario, &record(&scenario, rows(false)));
    assert_eq!(figure(&metrics, "joint_swing_at_end_deg"), 0.0);
}

/// Damped for six seconds, to 2 mrad/s about z at the end; what turns afterwards does not count.
#[test]
fn what_a_damping_leaves_is_measured_at_its_end() {
    let mut scenario = jet_1_docked(10.0);
    let damp = Mode::Damp { rate_limit_rad_s: [0.01, 0.01, 0.001] };
    let free = Phase { start_s: 6.0, early: false, mode: Mode::FreeDrift };
    scenario.phases = vec![Phase { start_s: 0.0, early: false, mode: damp }, free];
    let rate = |k: usize| match k {
        0..30 => [0.02, 0.0, 0.0],
        30..60 => [0.001, 0.0, -0.002],
        _ => [0.05, 0.0, 0.0],
    };
    let rows = (0..100).map(|k| row(k as f64 * 0.1, [0.0; 3], rate(k))).collect();
    let metrics = measured(&scenario, &record(&scenario, rows));
    assert!(close(figure(&metrics, "damped_rate_deg_s"), 0.002_f64.to_degrees(), 1e-12));
    assert_eq!(figure(&metrics, "damping_time_s"), f64::INFINITY, "z is never within its limit");
}

/// Liquid of two tanks: the first goes furthest, the second is the faster one, and at the end only it moves.
#[test]
fn liquid_that_swings_is_seen() {
    let mut scenario = jet_1_docked(100.0);
    let rows: Vec<CycleRow> = (0..1000)
        .map(|k| CycleRow {
            slosh_angles_rad: [if k == 500 { 2.0 } else { 0.1 }, 1.0],
            slosh_speeds_m_s: if k < 900 { [0.01, if k == 3 { 0.03 } else { 0.0 }] } else { [0.0, 0.002] },
            ..row(f64::from(k) * 0.1, [0.0; 3], [0.0; 3])
        })
        .collect();
    let flown = record(&scenario, rows);
    assert_eq!(measured(&scenario, &flown).figures.get("slosh_angle_max_deg"), None, "none, no figure");
    scenario.sloshes = vec![Slosh {
        tank: "tank".into(),
        mass_kg: 1.0,
        pivot_m: [0.0; 3],
        length_m: 0.2,
        hangs_along: [1.0, 0.0, 0.0],
        damping_per_s: 0.0,
    }];
    let metrics = measured(&scenario, &flown);
    assert!(close(figure(&metrics, "slosh_angle_max_deg"), 2.0_f64.to_degrees(), 1e-12));
    assert_eq!(figure(&metrics, "slosh_speed_max_m_s"), 0.03);
    assert_eq!(figure(&metrics, "slosh_speed_at_end_m_s"), 0.002);
}

#[test]
fn propellant_and_valves_are_summed_by_jet_and_axis() {
    let mut scenario = jet_1_docked(1000.0);
    scenario.phases = vec![hold_from(0.0, [0.01; 3])];
    let mut rows: Vec<CycleRow> = (0..10_000).map(|k| row(k as f64 * 0.1, [0.001; 3], [0.0; 3])).collect();
    rows[9999].velocity_m_s = [0.3, 0.0, -0.4];
    let mut record = record(&scenario, rows);
    let totals = |valve_cycles, on_time_s, propellant_kg| JetTotals {
        valve_cycles,
        on_time_s,
        impulse_n_s: 22.0 * on_time_s,
        propellant_kg,
    };
    // Jet 1 turns z most (arm (0, 0.08, −0.38)), jet 5 x most by its small moment, jet 11 y.
    record.jets[0] = totals(10, 0.4, 0.003);
    record.jets[4] = totals(7, 0.2, 0.002);
    record.jets[10] = totals(30, 2.0, 0.015);
    let metrics = measured(&scenario, &record);
    assert!(close(figure(&metrics, "propellant_kg"), 0.02, 1e-12));
    assert!(close(figure(&metrics, "propellant_kg_per_day"), 0.02 * 86.4, 1e-12));
    assert_eq!(figure(&metrics, "valve_cycles_total"), 47.0);
    assert_eq!(figure(&metrics, "worst_jet_valve_cycles"), 30.0);
    assert!(close(figure(&metrics, "on_time_s"), 2.6, 1e-12));
    assert!(close(figure(&metrics, "mean_on_time_s"), 2.6 / 47.0, 1e-12));
    assert!(close(figure(&metrics, "worst_jet_duty"), 0.002, 1e-12));
    assert_eq!(figure(&metrics, "pulses_x"), 7.0);
    assert_eq!(figure(&metrics, "pulses_y"), 30.0);
    assert_eq!(figure(&metrics, "pulses_z"), 10.0);
    assert!(close(figure(&metrics, "velocity_gathered_m_s"), 0.5, 1e-12));
    assert!(close(figure(&metrics, "velocity_z_m_s"), -0.4, 1e-12));
}

#[test]
fn the_price_of_a_hold_is_its_share_after_capture() {
    let (scenario, mut record) = captured_late();
    for row in &mut record.cycles {
        row.propellant_kg = if row.time_s < 2.0 - 1e-9 { 0.0 } else { 0.4 };
    }
    record.jets[0].propellant_kg = 1.0;
    let metrics = measured(&scenario, &record);
    assert!(close(figure(&metrics, "hold_propellant_kg"), 0.6, 1e-12));
    // Nothing cycles: no ratio.
    assert_eq!(metrics.figures.get("hold_propellant_over_limit_cycle"), None);
}

/// The cycle of LC-3 flown exactly on one axis: bits of jets 9 and 11 of the layout at each turn.
fn flown_limit_cycle(extra: f64) -> (Scenario, RunRecord) {
    let mut scenario = jet_1_docked(10_000.0);
    let half = 0.5_f64.to_radians();
    scenario.phases = vec![hold_from(0.0, [half; 3])];
    // Smallest bit of y: jets 9 and 11, 22 N · 20 ms · 1.9 m on 8600 kg·m², period 8 · half / change.
    let change = 0.44 * 1.9 / 8600.0;
    let (period, bit) = (8.0 * half / change, 0.44 / (285.0 * 9.806_65));
    let turns = |t: f64| (t / period * 2.0 + 0.5).floor();
    let rows = (0..100_000).map(|k| {
        let t = f64::from(k) * 0.1;
        let phase = (t / period + 0.25).fract();
        let error = if phase < 0.5 { 4.0 * phase - 1.0 } else { 3.0 - 4.0 * phase } * half;
        let rate = if phase < 0.5 { 0.5 * change } else { -0.5 * change };
        let mut row = row(t, [0.0, error, 0.0], [0.0, rate, 0.0]);
        row.propellant_kg = turns(t) * bit * extra;
        row
    });
    let mut record = record(&scenario, rows.collect());
    for turn in 1..=turns(9999.9) as u32 {
        let time_s = (f64::from(turn) - 0.5) * 0.5 * period - 0.05;
        record.edges.push(ValveEdge { time_s, jet: 8, open: true, thrust_n: 22.0 });
        record.edges.push(ValveEdge { time_s: time_s + 0.02, jet: 8, open: false, thrust_n: 22.0 });
    }
    record.jets[8].propellant_kg = turns(9999.9) * bit * extra;
    (scenario, record)
}

#[test]
fn a_hold_on_its_limit_cycle_costs_the_closed_form_of_the_axis_that_cycles() {
    let (scenario, record) = flown_limit_cycle(1.0);
    let metrics = measured(&scenario, &record);
    let ratio = figure(&metrics, "hold_propellant_over_limit_cycle");
    assert!(close(ratio, 1.0, 1e-4), "{ratio}");
    // x and z stand still: counting their closed forms as well would flatter.
    let rates: Vec<f64> =
        metrics.limit_cycle_reference.iter().flatten().flatten().map(|axis| axis.rate_kg_s).collect();
    assert_eq!(rates.len(), 3);
    let (scenario, dearer) = flown_limit_cycle(1.5);
    let ratio = figure(&measured(&scenario, &dearer), "hold_propellant_over_limit_cycle");
    assert!(close(ratio, 1.5, 1e-4), "{ratio}");
    // Beside a disturbance the closed form says nothing.
    let mut pushed = scenario;
    let push = Push::Torque { torque_n_m: [1e-6; 3] };
    pushed.disturbances.push(Disturbance {
        name: "push".into(),
        start_s: 0.0,
        stop_s: 1.0,
        body: None,
        push,
    });
    assert_eq!(measured(&pushed, &dearer).figures.get("hold_propellant_over_limit_cycle"), None);
    // One that pushes at a body that is not there does not push.
    pushed.disturbances[0].body = Some("released".into());
    assert_eq!(
        measured(&pushed, &dearer).figures.get("hold_propellant_over_limit_cycle"),
        Some(ratio),
        "nothing pushes"
    );
}

#[test]
fn the_bound_is_a_figure_only_when_proven() {
    let (scenario, mut record) = captured_late();
    record.impulse.disturbance_n_m_s = [0.0, -3.0, 0.0];
    record.impulse.jets_n_m_s = [0.0, 3.0, 0.0];
    record.jets[0].propellant_kg = 0.001;
    record.jets[0].impulse_n_s = 2.0;
    let metrics = measured(&scenario, &record);
    // AL-2: 62/55 N·s at 285 s.
    let bound = 62.0 / 55.0 / (285.0 * 9.806_65);
    assert!(close(figure(&metrics, "propellant_bound_kg"), bound, 1e-9));
    assert!(close(figure(&metrics, "propellant_over_bound"), 0.001 / bound, 1e-9));
    assert_eq!(metrics.figures.get("propellant_reference_price_kg"), None);
    record.centre_of_mass_m[1][1] += 0.01;
    let metrics = measured(&scenario, &record);
    assert_eq!(metrics.figures.get("propellant_bound_kg"), None);
    assert_eq!(metrics.figures.get("propellant_over_bound"), None);
    assert!(close(figure(&metrics, "propellant_reference_price_kg"), bound, 1e-9));
}

#[test]
fn selection_checks_are_passed_on() {
    let (scenario, mut record) = captured_late();
    record.selections =
        SelectionChecks { checked: 12, worst_optimality_gap: 3e-6, worst_residual: 2e-6, unproven: 1 };
    let metrics = measured(&scenario, &record);
    assert_eq!(figure(&metrics, "selections_checked"), 12.0);
    assert_eq!(figure(&metrics, "selections_unproven"), 1.0);
    assert_eq!(figure(&metrics, "worst_optimality_gap"), 3e-6);
    assert_eq!(figure(&metrics, "worst_selection_residual"), 2e-6);
}

#[test]
fn a_record_of_another_vehicle_or_of_nothing_is_refused() {
    let (scenario, mut record) = captured_late();
    record.jets.pop();
    assert!(measure(&scenario, &scenario.stack, &record).is_err());
    record.cycles.clear();
    let refused = measure(&scenario, &scenario.stack, &record).unwrap_err().to_string();
    assert!(refused.contains("no cycle"), "{refused}");
}

#[test]
fn requirements_are_judged_with_their_margin() {
    let mut figures = Figures::default();
    figures.push("worst_axis_error_deg", 0.55);
    figures.push("pulses_y", 60.0);
    figures.push("propellant_over_bound", None);
    figures.push("cross_coupling", f64::NAN);
    let requirement =
        |figure: &str, at_most, at_least| Requirement { figure: figure.into(), at_most, at_least };
    let good = [
        requirement("worst_axis_error_deg", Some(0.6), None),
        requirement("pulses_y", None, Some(50.0)),
        requirement("pulses_y", Some(60.0), Some(60.0)),
    ];
    let verdict = judge(&good, &figures);
    assert!(verdict.met);
    assert_eq!((verdict.word(), verdict.exit_code()), ("met", 0));
    assert!(close(verdict.requirements[0].margin.unwrap(), 0.05, 1e-9));
    assert!(close(verdict.requirements[0].margin_fraction.unwrap(), 0.05 / 0.6, 1e-9));
    assert!(close(verdict.requirements[1].margin.unwrap(), 10.0, 1e-12));
    let bad = [
        requirement("worst_axis_error_deg", Some(0.5), None),
        requirement("worst_axis_error_deg", Some(0.6), Some(0.58)),
        requirement("propellant_over_bound", Some(1.1), None),
        requirement("cross_coupling", Some(0.02), None),
        requirement("no_such_figure", Some(1.0), None),
        requirement("pulses_y", None, None),
        requirement("pulses_y", Some(f64::NAN), Some(1.0)),
    ];
    let verdict = judge(&bad, &figures);
    assert_eq!((verdict.word(), verdict.exit_code(), verdict.missed()), ("missed", 1, bad.len()));
    assert!(close(verdict.requirements[1].margin.unwrap(), -0.03, 1e-9));
    assert_eq!(verdict.requirements[2].value, None);
    assert!(!judge(&[good.as_slice(), &bad[..1]].concat(), &figures).met);
}

/// A rotation about z of moments (1000, 8600, 9000) kg·m², by hand: set up for two cycles, left alone, set up again at
/// 3 s, left alone to the end. The attitude stays as it is, so that what the rate's direction changes by is stray.
#[test]
fn a_rotation_is_measured_by_momentum() {
    let mut scenario = jet_1_docked(10.0);
    scenario.phases = vec![Phase {
        start_s: 0.0,
        early: false,
        mode: Mode::Rotate {
            about: [0.0, 0.6, 0.8],
            free_axis_within_rad: 1.5,
            rate_rad_s: 0.01,
            rate_error_rad_s: 1e-3,
            nutation_rad: 0.1,
            stray_rad: 0.1,
        },
    }];
    let rows = (0..100).map(|k| {
        let mut row = row(
            f64::from(k) * 0.1,
            [0.0; 3],
            match k {
                // Far off while it is set up: not counted.
                0..20 => [0.003, 0.0, 0.002],
                20 => [0.0, 0.0, 0.01],
                // Momentum (1, 0, 91.8) N·m·s.
                21..30 => [0.001, 0.0, 0.0102],
                30..35 => [0.0, 0.002, 0.009],
                // Momentum (0, 1.72, 89.1) N·m·s.
                _ => [0.0, 0.0002, 0.0099],
            },
        );
        row.status = if (20..30).contains(&k) || k >= 35 { 4 } else { 5 };
        // Halfway through the first coast, half a second before its end, 0.6 s are foreseen.
        row.foreseen_s = if k == 25 { 0.6 } else { 100.0 };
        row.jets_on = if k < 20 || (31..34).contains(&k) { 1 } else { 0 };
        row
    });
    let record = record(&scenario, rows.collect());
    let metrics = measured(&scenario, &record);
    let expected = [
        ("rotation_set_up_time_s", 2.0),
        ("rotation_rate_error_share", 0.02),
        ("rotation_nutation_max_deg", f64::atan(1.72 / 89.1).to_degrees()),
        ("rotation_stray_max_deg", f64::atan(1.0 / 91.8).to_degrees()),
        ("rotation_renewals", 1.0),
        ("rotation_coast_firings", 3.0),
        ("rotation_first_coast_s", 1.0),
        ("rotation_foresight_error_share", 0.2),
    ];
    for (key, value) in expected {
        let found = figure(&metrics, key);
        assert!(close(found, value, 1e-6), "{key}: {found} for {value}");
    }
    scenario.phases = vec![hold_from(0.0, [0.01; 3])];
    let metrics = measured(&scenario, &record);
    assert!(expected.iter().all(|(key, _)| metrics.figures.get(key).is_none()), "no rotation was asked for");
}

/// What the propellant of a set-up is held against is the price of the change that was asked for: with jets that are couples
/// of one arm, on paper.
#[test]
fn a_set_up_is_held_against_the_price_of_its_change() {
    // z is turned by the first and the second, half a metre from the centre of mass each; no jet turns x or y.
    let jets = [("one", 0.5, 1.0), ("other", -0.5, -1.0), ("back", 0.5, -1.0), ("and_back", -0.5, 1.0)];
    let jets = jets.map(|(name, x, way)| jet(name, [x, 0.0, 0.0], [0.0, way, 0.0])).to_vec();
    let mut scenario = handmade::scenario(jets, [0.0; 3], [1000.0, 8600.0, 9000.0], 1.0);
    scenario.phases = vec![Phase {
        start_s: 0.0,
        early: false,
        mode: Mode::Rotate {
            about: [0.0, 0.0, 1.0],
            free_axis_within_rad: 1.5,
            rate_rad_s: 0.01,
            rate_error_rad_s: 1e-3,
            nutation_rad: 0.1,
            stray_rad: 0.1,
        },
    }];
    let rows = (0..10).map(|k| {
        let mut row = row(f64::from(k) * 0.1, [0.0; 3], [0.0, 0.0, if k < 5 { 0.002 } else { 0.01 }]);
        row.status = if k < 5 { 5 } else { 4 };
        row.propellant_kg = if k < 5 { 0.0 } else { 0.09 };
        row
    });
    let record = record(&scenario, rows.collect());
    // 9000 kg·m² by 0.008 rad/s at half a metre: 144 N·s.
    let jet = &scenario.vehicle.jets[0];
    let price = 144.0 / (jet.specific_impulse_s * 9.806_65);
    let found = figure(&measured(&scenario, &record), "rotation_set_up_over_price");
    assert!(close(found, 0.09 / price, 1e-9), "{found} for {}", 0.09 / price);
}

/// A release at 10 s, keep-out distance 2 m; linear momenta that miss 0.42 N·s, angular ones that miss nothing.
fn parting() -> Parting {
    let momentum = |x, z| Momentum { linear_n_s: [x, 0.0, 0.0], angular_n_m_s: [0.0, 0.0, z] };
    Parting {
        time_s: 10.0,
        interface: "clamp".into(),
        bodies: vec!["load".into()],
        masses_kg: [3.0, 1.0],
        keep_out_m: 2.0,
        spring_energy_j: 1.0,
        spring_impulses_n_s: vec![1.0],
        before: momentum(1.0, 4.0),
        after: [momentum(-20.0, 1.0), momentum(21.42, 3.0)],
        since: [Momentum::default(); 2],
        rate_change_rad_s: [3e-3, -4e-3, 0.0],
        released_rate_rad_s: [0.0; 3],
        velocity_m_s: [0.0; 3],
        arms_m: Vec::new(),
        table_identity: 1,
    }
}

/// Rows once a second with this clearance from 10 s on.
fn parted(scenario: &Scenario, clearance: impl Fn(f64) -> f64) -> RunRecord {
    let rows = (0..100).map(|k| {
        let time_s = f64::from(k);
        let since = time_s - 10.0;
        let released = (since >= 0.0).then(|| Relative {
            position_m: [0.0; 3],
            clearance_m: clearance(since),
            rate_rad_s: if k == 40 { 0.02 } else { 0.01 },
        });
        CycleRow { released, ..row(time_s, [0.0; 3], [0.0; 3]) }
    });
    RunRecord { partings: vec![parting()], ..record(scenario, rows.collect()) }
}

#[test]
fn clearance_counts_once_the_hulls_have_parted() {
    let scenario = jet_1_docked(100.0);
    let figures = |clearance: &dyn Fn(f64) -> f64| measured(&scenario, &parted(&scenario, clearance)).figures;
    // Leaves, is 2 m away after 20 s, comes back to 1.5 m at 60 s.
    let back =
        figures(&|since| if since <= 30.0 { 0.1 * since } else { (3.0 - 0.05 * (since - 30.0)).max(1.5) });
    assert_eq!(back.get("least_clearance_m"), Some(0.1));
    assert_eq!(back.get("seconds_to_keep_out"), Some(20.0));
    assert_eq!(back.get("least_clearance_after_leaving_m"), Some(1.5));
    assert!(close(back.get("release_rate_change_deg_s").unwrap(), 5e-3_f64.to_degrees(), 1e-12));
    assert!(close(back.get("released_body_rate_deg_s").unwrap(), 0.02_f64.to_degrees(), 1e-12));
    assert!(close(back.get("momentum_error_at_release").unwrap(), 0.42 / (20.0 + 21.42 + 1.0), 1e-12));
    // Touches after it had parted.
    let touches = figures(&|since| if since == 50.0 { 0.0 } else { 0.1 * since });
    assert_eq!(touches.get("least_clearance_m"), Some(0.0));
    // Never parts, never leaves: a requirement of either is missed.
    let stuck = figures(&|_| 0.01);
    assert_eq!(stuck.get("least_clearance_m"), Some(0.0));
    assert_eq!(stuck.get("seconds_to_keep_out"), Some(f64::INFINITY));
    assert_eq!(stuck.get("least_clearance_after_leaving_m"), None);
    let none = measured(&scenario, &record(&scenario, vec![row(0.0, [0.0; 3], [0.0; 3])])).figures;
    for figure in ["least_clearance_m", "seconds_to_keep_out", "momentum_error_at_release"] {
        assert_eq!(none.get(figure), None, "{figure}");
    }
}

/// Openings count that were commanded while the jet was forbidden or shut off, by group or by name; a cycle that began before the
/// shut-off could not know of it, though its pulse opens within.
#[test]
fn openings_of_jets_that_must_stay_shut_are_counted() {
    let mut scenario = jet_1_docked(100.0);
    scenario.vehicle.jets[0].state = JetState::Forbidden;
    scenario.vehicle.jets[1].group = 5;
    let delay_s = scenario.kernel.tick_s * f64::from(scenario.kernel.command_delay_ticks);
    let off = |what| ShutOff { start_s: 20.0, stop_s: 30.0, what };
    scenario.shut_offs = vec![off(Shut::Group(5)), off(Shut::Jet(scenario.vehicle.jets[2].name.clone()))];
    let openings = |edges: &[(f64, usize, bool)]| {
        let edge = |&(time_s, jet, open)| ValveEdge { time_s, jet, open, thrust_n: 1.0 };
        let mut flown = record(&scenario, vec![row(0.0, [0.0; 3], [0.0; 3])]);
        flown.edges = edges.iter().map(edge).collect();
        figure(&measured(&scenario, &flown), "forbidden_openings")
    };
    assert_eq!(openings(&[(5.0, 3, true), (5.0, 1, true), (5.0, 2, true), (25.0, 3, true)]), 0.0);
    assert_eq!(openings(&[(5.0, 0, true), (5.1, 0, false)]), 1.0);
    assert_eq!(openings(&[(25.0, 1, true), (25.1, 1, false), (26.0, 2, true)]), 2.0);
    assert_eq!(openings(&[(20.0 - 0.1 + delay_s, 1, true), (30.0 + delay_s, 1, true)]), 0.0);
    assert_eq!(openings(&[(20.0 + delay_s, 1, true)]), 1.0);
}
