//! The truth's jets: levers about the actual centre of mass, valve timing, propellant, and what a firing
//! does to a body whose mass and centre of mass change under it.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::{Matrix3, Vector3};
use scene::jet_1::{self, DESIGN, DOCKED};
use scene::{PROPELLANT_KG, diagonal, jet, near, pulse, scene, tank, truth, worst};
use stackhold_harness::scenario::model::{Disturbance, Jet, JetState, Push, Scenario};
use stackhold_harness::truth::{Truth, TruthError};

const G0: f64 = 9.806_65;

fn layout(centre: [f64; 3], position_sign: f64) -> Scenario {
    let mut scenario = scene(1000.0, centre, diagonal([1000.0, 2000.0, 2500.0]));
    let place = |p: [f64; 3]| p.map(|x| x * position_sign);
    let jets = jet_1::POSITIONS.iter().zip(jet_1::DIRECTIONS);
    scenario.vehicle.jets = jets.map(|(p, d)| jet(place(*p), d, 22.0, 285.0)).collect();
    scenario
}

/// Rows Tx, Ty, Tz of the published effectiveness matrix about the centre of mass.
fn check_levers(centre: [f64; 3], rows: [[f64; 12]; 3], position_sign: f64) -> Result<(), String> {
    let arms = truth(&layout(centre, position_sign)).arms_m();
    for (axis, row) in rows.iter().enumerate() {
        let got: [f64; 12] = std::array::from_fn(|jet| arms[jet][axis]);
        near(&format!("torque row {axis}"), got, *row, 1e-14)?;
    }
    Ok(())
}

/// JET-1, both centres of mass: statics, `(r - c) × d`, computed with numpy on an invented geometry. A sign
/// error planted in the positions is caught.
#[test]
fn levers_about_the_design_and_the_shifted_centre_of_mass() {
    let (design, shifted) = (jet_1::TORQUE_ABOUT_DESIGN, jet_1::TORQUE_ABOUT_DOCKED);
    check_levers(DESIGN, design, 1.0).unwrap();
    check_levers(DOCKED, shifted, 1.0).unwrap();
    check_levers(DOCKED, shifted, -1.0).unwrap_err();
    check_levers(DOCKED, design, 1.0).unwrap_err();
}

/// Mean torque about the actual centre of mass of these jets over a short firing, from the books, N·m.
fn fired_torque(centre: [f64; 3], jets: &[usize]) -> [f64; 3] {
    let mut truth = truth(&layout(centre, 1.0));
    for &jet in jets {
        pulse(&mut truth, jet, 0.0, 0.02);
    }
    truth.advance_to(0.1);
    truth.impulse_account().jets_n_m_s.map(|x| x / 0.02)
}

/// JET-2 to JET-4 as flown (jets counted from 0 here, from 1 in the stock): a pure couple does not see the
/// shift; jet 10's pitch torque changes sign; a pair that is balanced about the design centre is not.
#[test]
fn torques_as_flown() {
    let couple = |centre| {
        let (a, b) = (fired_torque(centre, &[10]), fired_torque(centre, &[9]));
        [0, 1, 2].map(|i| (a[i] + b[i]) / 22.0)
    };
    near("couple, design", couple(DESIGN), [0.0, 1.4, 0.0], 1e-12).unwrap();
    near("couple, shifted", couple(DOCKED), [0.0, 1.4, 0.0], 1e-12).unwrap();
    near("jet 10, design", fired_torque(DESIGN, &[10]), [0.0, 15.4, 0.0], 1e-11).unwrap();
    let reversed = [2.64, -41.8, 0.0];
    near("jet 10, shifted", fired_torque(DOCKED, &[10]), reversed, 1e-11).unwrap();
    near("jet 10, opposite", fired_torque(DOCKED, &[8]), reversed, 1e-11).unwrap_err();
    near("pair, design", fired_torque(DESIGN, &[0, 1]), [0.0; 3], 1e-11).unwrap();
    near("pair, shifted", fired_torque(DOCKED, &[0, 1]), [0.0, 3.52, 5.28], 1e-11).unwrap();
}

/// JET-5: 20 ms of jet 10 on the inertia of MP-2, from rest. The published figure is pure impulse arithmetic; a
/// simulated pulse adds the ω × Jω of its 20 ms, up to 1.1e-10 rad/s.
#[test]
fn rate_change_of_one_pulse() {
    let mut scenario = layout(DOCKED, 1.0);
    scenario.vehicle.bodies[0].inertia_kg_m2 = [
        [1_107.487_915_874_524_8, 85.935_741_444_866_96, -28.222_232_275_557_314],
        [85.935_741_444_866_96, 2_293.203_510_361_959_6, 31.877_777_169_733],
        [-28.222_232_275_557_314, 31.877_777_169_733, 2_771.689_491_063_895_7],
    ];
    let mut truth = truth(&scenario);
    pulse(&mut truth, 10, 0.0, 0.02);
    truth.advance_to(0.02);
    let want = [7.631_804_393_009_4e-5, -0.000_367_485_026_102_348_2, 5.003_616_524_371_98e-6];
    near("rate", truth.rate_rad_s(), want, 1.2e-10).unwrap();
    near("rate, wrong sign", truth.rate_rad_s(), want.map(|x| -x), 1.2e-10).unwrap_err();
    let account = truth.impulse_account();
    near("impulse", account.jets_n_m_s, [0.0528, -0.836, 0.0], 1e-9).unwrap();
}

/// SPIN-2: two jets of 22 N at 0.9 m spin 1200 kg·m² up by 0.33 rad/s in 10 s (H = T t; IAP/TU Wien, Space
/// Propulsion, slide 68), with propellant so fast that it carries nothing away.
#[test]
fn spin_up() {
    let mut scenario = scene(1000.0, DOCKED, diagonal([1200.0, 1200.0, 1200.0]));
    let at = |y: f64| [DOCKED[0], DOCKED[1] + y, DOCKED[2]];
    scenario.vehicle.jets =
        vec![jet(at(-0.9), [1.0, 0.0, 0.0], 22.0, 1e9), jet(at(0.9), [-1.0, 0.0, 0.0], 22.0, 1e9)];
    let mut truth = truth(&scenario);
    pulse(&mut truth, 0, 0.0, 10.0);
    pulse(&mut truth, 1, 0.0, 10.0);
    truth.advance_to(11.0);
    near("rate", truth.rate_rad_s(), [0.0, 0.0, 0.33], 1e-9).unwrap();
    near("a couple moves nothing", truth.velocity_m_s(), [0.0; 3], 1e-9).unwrap();
}

/// One jet through the centre of mass of `mass_kg`, its tank there too.
fn rocket(mass_kg: f64, thrust_n: f64, isp_s: f64, propellant_kg: f64) -> Scenario {
    let mut scenario = scene(mass_kg, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    scenario.vehicle.bodies[0].mass_kg = mass_kg - propellant_kg;
    scenario.vehicle.tanks[0].propellant_kg = propellant_kg;
    scenario.vehicle.jets = vec![jet([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], thrust_n, isp_s)];
    scenario
}

/// ROCKET: Tsiolkovsky, `Δv = Isp g0 ln(m0 / m1)`. The burn ends where the tank runs dry.
#[test]
fn rocket_equation() {
    for (mass, propellant, isp, want) in
        [(2000.0, 500.0, 310.0, 874.571_192_700_869_5), (1200.0, 54.351_537_097_871_06, 220.0, 100.0)]
    {
        let mut truth = truth(&rocket(mass, 1000.0, isp, propellant));
        truth.command_valve(0, true, 0.5).unwrap();
        truth.advance_to(2000.0);
        near("Δv", truth.velocity_m_s(), [0.0, want, 0.0], 1e-10 * want).unwrap();
        near(
            "Δv without the loss of mass",
            truth.velocity_m_s(),
            [0.0, propellant * isp * G0 / mass, 0.0],
            1.0,
        )
        .unwrap_err();
        near("propellant", [truth.propellant_used_kg()], [propellant], 1e-11 * propellant).unwrap();
        near("thrust of a dry tank", [truth.thrust_n(0).unwrap()], [0.0], 0.0).unwrap();
        let burn = propellant * isp * G0 / 1000.0;
        near("impulse", [truth.jet_totals()[0].impulse_n_s], [1000.0 * burn], 1e-7).unwrap();
    }
}

/// A tank that runs dry while a vent blows on, one that is dry from the start, and propellant that cannot be
/// used: the rest of the motion stays finite and the jets stay silent.
#[test]
fn dry_tanks() {
    for (propellant, unusable, want) in [(0.01, 0.004, 0.006), (0.0, 0.0, 0.0), (0.5, 0.6, 0.0)] {
        let mut scenario = rocket(1000.0, 22.0, 285.0, propellant);
        scenario.vehicle.tanks[0].unusable_kg = unusable;
        scenario.vehicle.jets[0].rise_s = 0.1;
        scenario.vehicle.jets[0].tail_off_s = 0.3;
        let push =
            Push::Vent { position_m: [1.0, 1.0, 0.0], force_n: [0.0, 0.0, 0.01], torque_n_m: [0.0; 3] };
        scenario.disturbances =
            vec![Disturbance { name: "vent".into(), start_s: 0.0, stop_s: 1e3, body: None, push }];
        let mut truth = truth(&scenario);
        for n in 0..20 {
            pulse(&mut truth, 0, f64::from(n), f64::from(n) + 0.2);
        }
        truth.advance_to(30.0);
        near("used", [truth.propellant_used_kg()], [want], 1e-11).unwrap();
        near("impulse", [truth.jet_totals()[0].impulse_n_s], [want * 285.0 * G0], 1e-8).unwrap();
        assert!(truth.rate_rad_s().iter().all(|x| x.is_finite()));
        let edges = truth.edges();
        assert_eq!((edges.len(), edges[38].thrust_n), (40, 22.0 * f64::from(u8::from(want > 0.0))));
    }
}

/// MDOT (definition of specific impulse; G0 of the third CGPM, 1901): 22 N at 285 s, 1 N at 220 s, 10 N at
/// an exhaust velocity of 1900 m/s.
#[test]
fn propellant_flow() {
    for (thrust, isp, want) in [
        (22.0, 285.0, 0.007_871_493_573_864_71),
        (1.0, 220.0, 0.000_463_507_369_535_422),
        (10.0, 1900.0 / G0, 0.005_263_157_894_736_842),
    ] {
        let mut truth = truth(&rocket(1000.0, thrust, isp, PROPELLANT_KG));
        truth.command_valve(0, true, 0.0).unwrap();
        truth.advance_to(1.0);
        let before = truth.propellant_used_kg();
        truth.advance_to(2.0);
        near("flow", [truth.propellant_used_kg() - before], [want], 1e-12 * want).unwrap();
        near("tank", [truth.propellant_kg()[0]], [PROPELLANT_KG - 2.0 * want], 1e-14).unwrap();
    }
}

/// LEDGER: three jets of 22 N at 285 s, on for 20, 40 and 100 ms (definition).
#[test]
fn ledger_of_three_jets() {
    let mut truth = truth(&layout(DOCKED, 1.0));
    for (jet, on) in [(0, 0.02), (5, 0.04), (11, 0.10)] {
        pulse(&mut truth, jet, 0.3, 0.3 + on);
    }
    truth.advance_to(1.0);
    let totals = truth.jet_totals();
    let sum = |f: fn(&stackhold_harness::record::JetTotals) -> f64| totals.iter().map(f).sum::<f64>();
    near("kg", [sum(|jet| jet.propellant_kg)], [0.001_259_438_971_818_353_4], 1.3e-15).unwrap();
    near("N s", [sum(|jet| jet.impulse_n_s)], [3.52], 3.5e-12).unwrap();
    near("on-time", [sum(|jet| jet.on_time_s)], [0.16], 1e-14).unwrap();
    assert_eq!(totals.iter().map(|jet| jet.valve_cycles).sum::<u64>(), 3);
}

/// A jet with opening delay 10 ms, rise 20 ms, closing delay 15 ms, tail-off 40 ms; 20 N.
fn slow_jet() -> Jet {
    Jet {
        opening_delay_s: 0.01,
        rise_s: 0.02,
        closing_delay_s: 0.015,
        tail_off_s: 0.04,
        ..jet([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], 20.0, 285.0)
    }
}

fn slow(commands: &[(bool, f64)]) -> Truth {
    let mut scenario = scene(1000.0, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    scenario.vehicle.jets = vec![slow_jet()];
    let mut truth = truth(&scenario);
    for &(open, time) in commands {
        truth.command_valve(0, open, time).unwrap();
    }
    truth
}

fn delivered(commands: &[(bool, f64)]) -> f64 {
    let mut truth = slow(commands);
    truth.advance_to(5.0);
    truth.jet_totals()[0].impulse_n_s
}

/// The area of the thrust trapezoid (geometry): F (on + closing delay + tail/2 - opening delay - rise/2).
#[test]
fn impulse_of_a_pulse_is_the_area_of_its_trapezoid() {
    for on in [0.05, 0.1, 0.333, 2.0] {
        let want = 20.0 * (on + 0.015 + 0.02 - 0.01 - 0.01);
        near("impulse", [delivered(&[(true, 0.2), (false, 0.2 + on)])], [want], 1e-12).unwrap();
        near("thrust × time", [20.0 * on], [want], 1e-12).unwrap_err();
    }
}

/// Pulses that never become trapezoids; areas of their triangles and trapezoids by hand.
#[test]
fn pulses_cut_short_and_resumed() {
    // Falls at 20 ms from half thrust: triangle up 10 ms, triangle down 20 ms.
    near("cut short", [delivered(&[(true, 0.0), (false, 0.005)])], [20.0 * 0.0075], 1e-13).unwrap();
    // Re-opened at half thrust of the tail (fall from 115 ms, rise from 135 ms), closed again.
    let resumed = [(true, 0.0), (false, 0.1), (true, 0.125), (false, 0.2)];
    let areas = 0.5 * 0.02 + 0.085 + 0.75 * 0.02 + 0.75 * 0.01 + 0.07 + 0.5 * 0.04;
    near("resumed in the tail", [delivered(&resumed)], [20.0 * areas], 1e-12).unwrap();
    // Re-opened so soon that the fall never begins: one long pulse, though two valve cycles.
    let unbroken = [(true, 0.0), (false, 0.1), (true, 0.104), (false, 0.2)];
    near("never fell", [delivered(&unbroken)], [delivered(&[(true, 0.0), (false, 0.2)])], 1e-12).unwrap();
    let mut truth = slow(&unbroken);
    truth.advance_to(1.0);
    assert_eq!(truth.jet_totals()[0].valve_cycles, 2);
}

/// A valve closed before its opening delay has run out: no thrust, no propellant, but a valve cycle.
#[test]
fn closed_before_the_delay_has_run_out() {
    let mut scenario = scene(1000.0, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    scenario.vehicle.jets = vec![Jet { closing_delay_s: 0.005, ..slow_jet() }];
    let fired = |on: f64| {
        let mut truth = truth(&scenario);
        pulse(&mut truth, 0, 0.0, on);
        truth.advance_to(1.0);
        truth.jet_totals()[0]
    };
    let nothing = fired(0.004);
    assert_eq!((nothing.impulse_n_s, nothing.propellant_kg, nothing.valve_cycles), (0.0, 0.0, 1));
    near("on-time", [nothing.on_time_s], [0.004], 0.0).unwrap();
    assert!(fired(0.006).impulse_n_s > 0.0, "a millisecond of thrust must be seen");
}

/// Thrust at its corners and half way between, by hand.
#[test]
fn thrust_follows_its_ramps() {
    let mut truth = slow(&[(true, 0.0), (false, 0.1)]);
    for (time, want) in
        [(0.01, 0.0), (0.02, 10.0), (0.03, 20.0), (0.115, 20.0), (0.135, 10.0), (0.155, 0.0), (0.2, 0.0)]
    {
        truth.advance_to(time);
        near(&format!("thrust at {time}"), [truth.thrust_n(0).unwrap()], [want], 1e-12).unwrap();
    }
    let edges: Vec<_> = truth.edges().iter().map(|edge| (edge.time_s, edge.open, edge.thrust_n)).collect();
    assert_eq!(edges, [(0.0, true, 20.0), (0.1, false, 20.0)]);
}

/// Young pulses use more: propellant against a fine midpoint sum of thrust / (Isp(t) g0).
#[test]
fn short_pulses_cost_more() {
    let mut scenario = scene(1000.0, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    let (loss, time) = (0.3, 0.05);
    scenario.vehicle.jets = vec![Jet { short_pulse_loss: loss, short_pulse_time_s: time, ..slow_jet() }];
    let used = |on: f64| {
        let mut truth = truth(&scenario);
        pulse(&mut truth, 0, 0.0, on);
        truth.advance_to(10.0);
        truth.jet_totals()[0]
    };
    for on in [0.02, 0.1, 1.0] {
        let thrust = |t: f64| 20.0 * (t / 0.02).min(1.0).min((on + 0.005 - t) / 0.04 + 1.0).max(0.0);
        // 20 ms: falls at 25 ms of age, full thrust was reached at 20 ms.
        const POINTS: u32 = 400_000;
        let width = (on + 0.005 + 0.04) / f64::from(POINTS);
        let flow = |t: f64| thrust(t) / (285.0 * G0 * (1.0 - loss * (-t / time).exp()));
        let want: f64 = (0..POINTS).map(|n| flow((f64::from(n) + 0.5) * width) * width).sum();
        near("propellant", [used(on).propellant_kg], [want], 1e-8 * want).unwrap();
    }
    let isp = |on: f64| used(on).impulse_n_s / (used(on).propellant_kg * G0);
    assert!(isp(0.02) < 0.85 * 285.0 && isp(0.02) > 0.70 * 285.0, "{}", isp(0.02));
    assert!(isp(5.0) > 0.99 * 285.0, "{}", isp(5.0));
}

/// A valve that re-opens while the tail still pushes goes on with its pulse: the young-pulse loss is paid once,
/// not twice; after a pause it is paid again.
#[test]
fn a_pulse_resumed_in_its_tail_is_not_young_again() {
    let mut scenario = scene(1000.0, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    scenario.vehicle.jets = vec![Jet { short_pulse_loss: 0.3, short_pulse_time_s: 0.05, ..slow_jet() }];
    let isp_of_second_half = |pause: f64| {
        let mut truth = truth(&scenario);
        pulse(&mut truth, 0, 0.0, 2.0);
        pulse(&mut truth, 0, 2.0 + pause, 2.1 + pause);
        // The second opening delay runs out 10 ms later: from there on, tail or no tail.
        truth.advance_to(2.01 + pause);
        let before = truth.jet_totals()[0];
        truth.advance_to(5.0);
        let after = truth.jet_totals()[0];
        (after.impulse_n_s - before.impulse_n_s) / ((after.propellant_kg - before.propellant_kg) * G0)
    };
    near("resumed in the tail", [isp_of_second_half(0.03)], [285.0], 1e-6).unwrap();
    assert!(isp_of_second_half(0.2) < 0.95 * 285.0, "{}", isp_of_second_half(0.2));
}

/// Dead jets, and jets of bodies that are not there, deliver nothing and use nothing; a forbidden jet would
/// fire if somebody commanded it.
#[test]
fn dead_and_absent_jets_do_nothing() {
    let mut scenario = layout(DOCKED, 1.0);
    scenario.vehicle.bodies.push(scene::body("client", 100.0, [5.0, 0.0, 0.0], diagonal([10.0; 3])));
    scenario.vehicle.jets[0].state = JetState::Dead;
    scenario.vehicle.jets[1].body = "client".into();
    scenario.vehicle.jets[2].state = JetState::Forbidden;
    let mut truth = truth(&scenario);
    for jet in [0, 1, 2] {
        pulse(&mut truth, jet, 0.0, 0.1);
    }
    truth.advance_to(1.0);
    let impulse: Vec<f64> = truth.jet_totals().iter().map(|jet| jet.impulse_n_s).collect();
    near("impulse", [impulse[0], impulse[1], impulse[2]], [0.0, 0.0, 2.2], 1e-14).unwrap();
    assert_eq!(truth.edges().iter().filter(|edge| edge.thrust_n == 0.0).count(), 4);
}

/// LC-8: a jet that starts and stops 50 ms late lets a body of 8600 kg·m² that crosses 0.5° at w overshoot to
/// `θ + w d + w²/(2 α)` (own derivation, numpy); LC-3 numbers: 22 N at 3.3 m, w = half a pulse's rate change.
#[test]
fn late_jet_overshoots_the_deadband() {
    const RATE: f64 = 8.441_860_465_116_279e-5;
    let half_width = 0.5_f64.to_radians();
    let check = |delay: f64| {
        let mut scenario = scene(1000.0, [0.0; 3], diagonal([8600.0; 3]));
        let late = jet([3.3, 0.0, 0.0], [0.0, -1.0, 0.0], 22.0, 285.0);
        scenario.vehicle.jets = vec![Jet { opening_delay_s: delay, closing_delay_s: delay, ..late }];
        scenario.initial.rate_rad_s = [0.0, 0.0, RATE];
        let mut truth = truth(&scenario);
        let crossing = half_width / RATE;
        pulse(&mut truth, 0, crossing, crossing + 0.02);
        let alpha = 22.0 * 3.3 / 8600.0;
        truth.advance_to(crossing + 0.05 + RATE / alpha);
        let angle = -2.0 * truth.attitude_xyzw()[2].asin();
        near("peak", [angle], [0.008_731_289_283_227_462], 1e-9 * 0.0087)?;
        near("at rest there", truth.rate_rad_s(), [0.0; 3], 1e-10)?;
        truth.advance_to(crossing + 1.0);
        near("reversed", truth.rate_rad_s(), [0.0, 0.0, -RATE], 1e-10)
    };
    check(0.05).unwrap();
    check(0.045).unwrap_err();
}

/// Jet damping (W. T. Thomson, Introduction to Space Dynamics, from memory: `J dω/dt = -ṁ (b² - a²) ω` for
/// propellant that moves from radius a to radius b): two opposed jets at b, their tank at the centre of mass,
/// leave a spin that decays exponentially.
#[test]
fn jet_damping() {
    let mut scenario = scene(1000.0, [0.0; 3], diagonal([50.0, 50.0, 80.0]));
    let (b, thrust, isp) = (2.0, 22.0, 50.0);
    scenario.vehicle.jets = vec![
        jet([b, 0.0, 0.0], [-1.0, 0.0, 0.0], thrust, isp),
        jet([-b, 0.0, 0.0], [1.0, 0.0, 0.0], thrust, isp),
    ];
    scenario.initial.rate_rad_s = [0.0, 0.0, 0.1];
    let mut truth = truth(&scenario);
    truth.command_valve(0, true, 0.0).unwrap();
    truth.command_valve(1, true, 0.0).unwrap();
    truth.advance_to(60.0);
    let flow = 2.0 * thrust / (isp * G0);
    let want = 0.1 * (-flow * b * b * 60.0 / 80.0).exp();
    assert!(want < 0.08, "the damping must be worth checking");
    near("rate", truth.rate_rad_s(), [0.0, 0.0, want], 1e-10).unwrap();
}

/// A stack of two tanks and three jets whose propellant is heavy, so that all that a changing mass does
/// can be seen.
fn heavy_propellant() -> Scenario {
    let mut scenario =
        scene(1000.0, [1.0, 0.1, -0.2], [[900.0, 50.0, -30.0], [50.0, 1500.0, 20.0], [-30.0, 20.0, 1700.0]]);
    let tanks = [[3.0, 0.4, 0.0], [-0.5, -0.3, 0.8]];
    scenario.vehicle.tanks = vec![tank("fore", tanks[0]), tank("aft", tanks[1])];
    let feed = |tank: &str, jet: Jet| Jet { tank: tank.into(), ..jet };
    scenario.vehicle.jets = vec![
        feed("fore", jet([-1.0, 0.5, 0.2], [1.0, 0.0, 0.0], 22.0, 40.0)),
        feed("aft", jet([2.0, -0.7, 0.1], [0.0, 0.6, 0.8], 15.0, 30.0)),
        feed("aft", jet([4.0, 0.2, -0.9], [0.0, -0.8, 0.6], 10.0, 50.0)),
    ];
    scenario.initial.rate_rad_s = [0.02, -0.03, 0.05];
    scenario
}

/// The same motion formulated otherwise: Newton and Euler about the moving centre of mass with variable
/// mass (textbook form), in body rates, written for this test and integrated with small steps.
struct NewtonEuler<'a> {
    scenario: &'a Scenario,
    /// Factor on the terms of expelled momentum; 1 for the physics, 0 to see that they matter.
    damping: f64,
}

/// Rate, attitude matrix (body to inertial), velocity and place of the centre of mass.
#[derive(Clone, Copy)]
struct Moving(Vector3<f64>, Matrix3<f64>, Vector3<f64>, Vector3<f64>);

impl Moving {
    fn plus(&self, slope: &Self, step: f64) -> Self {
        let Self(a, b, c, d) = self;
        Self(a + slope.0 * step, b + slope.1 * step, c + slope.2 * step, d + slope.3 * step)
    }
}

impl NewtonEuler<'_> {
    /// Mass, centre of mass and inertia at `time`, all jets on since zero.
    fn mass(&self, time: f64) -> (f64, Vector3<f64>, Matrix3<f64>) {
        let vehicle = &self.scenario.vehicle;
        let hub = &vehicle.bodies[0];
        let mut parts = vec![(hub.mass_kg, Vector3::from(hub.centre_of_mass_m))];
        for tank in &vehicle.tanks {
            let mine = vehicle.jets.iter().filter(|jet| jet.tank == tank.name);
            let flow: f64 = mine.map(|jet| jet.thrust_n / (jet.specific_impulse_s * G0)).sum();
            parts.push((tank.propellant_kg - flow * time, Vector3::from(tank.position_m)));
        }
        let mass: f64 = parts.iter().map(|(mass, _)| mass).sum();
        let centre = parts.iter().map(|(mass, at)| at * *mass).sum::<Vector3<f64>>() / mass;
        let own = Matrix3::from_fn(|row, column| hub.inertia_kg_m2[row][column]);
        let inertia = parts.iter().fold(own, |sum, (mass, at)| {
            let cross = (at - centre).cross_matrix();
            sum - cross * cross * *mass
        });
        (mass, centre, inertia)
    }

    fn slope(&self, state: &Moving, time: f64) -> Moving {
        let Moving(rate, turn, velocity, _) = *state;
        let (mass, centre, inertia) = self.mass(time);
        let change = (self.mass(time + 1e-3).2 - self.mass(time - 1e-3).2) / 2e-3;
        let zero = Vector3::zeros();
        let (mut force, mut torque, mut out, mut damping, mut line, mut lost) =
            (zero, zero, zero, zero, zero, 0.0);
        for jet in &self.scenario.vehicle.jets {
            let flow = jet.thrust_n / (jet.specific_impulse_s * G0);
            let arm = Vector3::from(jet.position_m) - centre;
            let push = Vector3::from(jet.force_direction) * jet.thrust_n;
            let tank = self.scenario.vehicle.tanks.iter().find(|tank| tank.name == jet.tank).unwrap();
            force += push;
            torque += arm.cross(&push);
            out += arm * flow;
            damping += arm.cross(&rate.cross(&arm)) * flow;
            line += (Vector3::from(jet.position_m) - Vector3::from(tank.position_m)) * flow;
            lost += flow;
        }
        let expelled = (rate.cross(&out) - line * (lost / mass)) * self.damping;
        let damping = (damping - out.cross(&line) / mass) * self.damping;
        let momentum = inertia * rate;
        let turning = torque - rate.cross(&momentum) - damping - change * rate;
        Moving(
            inertia.try_inverse().unwrap() * turning,
            turn * rate.cross_matrix(),
            turn * (force - expelled) / mass,
            velocity - turn * out / mass,
        )
    }

    fn fly(&self, until: f64, steps: u32) -> Moving {
        let rate = Vector3::from(self.scenario.initial.rate_rad_s);
        let mut state = Moving(rate, Matrix3::identity(), Vector3::zeros(), Vector3::zeros());
        let step = until / f64::from(steps);
        for n in 0..steps {
            let time = f64::from(n) * step;
            let a = self.slope(&state, time);
            let b = self.slope(&state.plus(&a, 0.5 * step), time + 0.5 * step);
            let c = self.slope(&state.plus(&b, 0.5 * step), time + 0.5 * step);
            let d = self.slope(&state.plus(&c, step), time + step);
            let sixth = step / 6.0;
            state = state.plus(&a, sixth).plus(&b, 2.0 * sixth).plus(&c, 2.0 * sixth).plus(&d, sixth);
        }
        state
    }
}

/// Momenta about a fixed point and Newton-Euler about the moving centre of mass agree, while propellant
/// leaves two tanks, the centre of mass travels and the vehicle drifts.
#[test]
fn two_formulations_agree() {
    let scenario = heavy_propellant();
    let mut truth = truth(&scenario);
    for jet in 0..3 {
        truth.command_valve(jet, true, 0.0).unwrap();
    }
    truth.advance_to(20.0);
    let compare = |damping: f64| {
        let want = NewtonEuler { scenario: &scenario, damping }.fly(20.0, 4000);
        near("rate", truth.rate_rad_s(), want.0.into(), 1e-9)?;
        near("velocity", truth.velocity_m_s(), want.2.into(), 1e-9)?;
        near("place", truth.position_m(), want.3.into(), 1e-8)?;
        let turn: [f64; 9] = truth.attitude().matrix().as_slice().try_into().unwrap();
        near("attitude", turn, want.1.as_slice().try_into().unwrap(), 1e-9)
    };
    compare(1.0).unwrap();
    assert!(compare(0.0).unwrap_err().starts_with("rate"), "what the propellant carries away must matter");
    let moved = worst(
        truth.mass_properties().centre_of_mass_m,
        Truth::new(&scenario, &scenario.stack).unwrap().mass_properties().centre_of_mass_m,
    );
    assert!(moved > 1e-3, "the centre of mass must have travelled: {moved} m");
}

/// The books close: momentum change = jets + disturbance - gyroscopic, jet damping (which is in none of
/// them) being made small by fast propellant. A torque missing from the books would show.
#[test]
fn the_books_close() {
    let mut scenario = heavy_propellant();
    for jet in &mut scenario.vehicle.jets {
        jet.specific_impulse_s = 1e9;
        jet.rise_s = 0.01;
        jet.tail_off_s = 0.02;
    }
    scenario.disturbances = vec![
        Disturbance {
            name: "vent".into(),
            start_s: 2.0,
            stop_s: 15.0,
            body: None,
            push: Push::Vent {
                position_m: [3.0, 0.0, 0.5],
                force_n: [0.1, -0.4, 0.2],
                torque_n_m: [0.05, -0.02, 0.04],
            },
        },
        Disturbance {
            name: "couple".into(),
            start_s: 0.0,
            stop_s: 8.0,
            push: Push::Torque { torque_n_m: [0.3, 0.2, -0.1] },
            body: None,
        },
    ];
    let mut truth = truth(&scenario);
    for n in 0..15 {
        let start = f64::from(n) * 1.1;
        pulse(&mut truth, n as usize % 3, start, start + 0.04 * f64::from(n + 1));
    }
    truth.advance_to(30.0);
    let books = truth.impulse_account();
    let sum = [0, 1, 2].map(|i| books.jets_n_m_s[i] + books.disturbance_n_m_s[i] - books.gyroscopic_n_m_s[i]);
    near("books", books.momentum_change_n_m_s, sum, 1e-7).unwrap();
    let without = [0, 1, 2].map(|i| books.jets_n_m_s[i] - books.gyroscopic_n_m_s[i]);
    near("books without the disturbance", books.momentum_change_n_m_s, without, 1.0).unwrap_err();
    // Body-axes disturbances are constants: their integrals are products (statics, r × F).
    let lever = Vector3::new(3.0, 0.0, 0.5) - Vector3::from(truth.mass_properties().centre_of_mass_m);
    let vent = lever.cross(&Vector3::new(0.1, -0.4, 0.2)) + Vector3::new(0.05, -0.02, 0.04);
    let want = vent * 13.0 + Vector3::new(0.3, 0.2, -0.1) * 8.0;
    near("disturbance", books.disturbance_n_m_s, want.into(), 1e-9).unwrap();
}

/// A vent pushes from its start to its stop and not a moment longer, wherever the cycles fall: force ×
/// time over mass (Newton), and nothing but coast afterwards.
#[test]
fn disturbances_start_and_stop_on_time() {
    let mut scenario = scene(1000.0, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    let push = Push::Vent { position_m: [1.0, 0.0, 0.0], force_n: [0.0, 0.0, 2.0], torque_n_m: [0.0; 3] };
    scenario.disturbances =
        vec![Disturbance { name: "vent".into(), start_s: 0.333, stop_s: 1.777, body: None, push }];
    let mut truth = truth(&scenario);
    for cycle in 1..=20 {
        truth.advance_to(f64::from(cycle) * 0.25);
    }
    near("velocity", truth.velocity_m_s(), [0.0, 0.0, 2.0 * 1.444 / 1000.0], 1e-16).unwrap();
    let momentum = truth.momentum_n_s();
    truth.advance_to(1000.0);
    assert_eq!(truth.momentum_n_s(), momentum, "coast keeps momentum to the last bit");
}

/// How the time is cut into pieces does not matter.
#[test]
fn pieces_of_time_do_not_matter() {
    let fly = |stops: &[f64]| {
        let mut scenario = heavy_propellant();
        scenario.vehicle.jets.iter_mut().for_each(|jet| {
            jet.rise_s = 0.03;
            jet.short_pulse_loss = 0.2;
            jet.short_pulse_time_s = 0.05;
        });
        let mut truth = truth(&scenario);
        pulse(&mut truth, 0, 0.1, 0.9);
        pulse(&mut truth, 1, 0.4, 1.3);
        stops.iter().for_each(|&stop| truth.advance_to(stop));
        (truth.rate_rad_s(), truth.velocity_m_s(), truth.propellant_used_kg())
    };
    let whole = fly(&[2.0]);
    let many: Vec<f64> = (1..=200).map(|n| f64::from(n) * 0.01).collect();
    let pieces = fly(&many);
    near("rate", pieces.0, whole.0, 1e-10).unwrap();
    near("velocity", pieces.1, whole.1, 1e-10).unwrap();
    near("propellant", [pieces.2], [whole.2], 1e-12).unwrap();
}

fn mean_and_sigma(values: &[f64]) -> (f64, f64) {
    let count = values.len() as f64;
    let mean = values.iter().sum::<f64>() / count;
    (mean, (values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (count - 1.0)).sqrt())
}

/// Thrust scatter per run and per pulse has the stated sigma, repeats with the seed, and each jet has draws
/// of its own. Bounds: four sigma of the sample mean and of the sample sigma (Gauss).
#[test]
fn thrust_scatter() {
    let impulses = |seed: u64, thrust_scatter: f64, pulse_scatter: f64, pulses: u32| -> Vec<f64> {
        let mut scenario = layout(DOCKED, 1.0);
        scenario.seed = seed;
        scenario.actuators.thrust_scatter = thrust_scatter;
        scenario.actuators.pulse_scatter = pulse_scatter;
        let mut truth = truth(&scenario);
        for n in 0..pulses {
            pulse(&mut truth, 3, f64::from(n), f64::from(n) + 0.1);
            pulse(&mut truth, 4, f64::from(n), f64::from(n) + 0.1);
        }
        truth.advance_to(f64::from(pulses));
        truth.edges().iter().filter(|edge| edge.open).map(|edge| edge.thrust_n / 22.0 - 1.0).collect()
    };
    const COUNT: f64 = 400.0;
    let runs: Vec<f64> = (0..400).map(|seed| impulses(seed, 0.02, 0.0, 1)[0]).collect();
    let (mean, sigma) = mean_and_sigma(&runs);
    near("mean per run", [mean], [0.0], 4.0 * 0.02 / COUNT.sqrt()).unwrap();
    near("sigma per run", [sigma], [0.02], 4.0 * 0.02 / (2.0 * COUNT).sqrt()).unwrap();
    let pulses = impulses(7, 0.0, 0.01, 200);
    let (mean, sigma) = mean_and_sigma(&pulses);
    near("mean per pulse", [mean], [0.0], 4.0 * 0.01 / COUNT.sqrt()).unwrap();
    near("sigma per pulse", [sigma], [0.01], 4.0 * 0.01 / (2.0 * COUNT).sqrt()).unwrap();
    assert_eq!(pulses, impulses(7, 0.0, 0.01, 200), "the seed decides");
    assert_ne!(pulses, impulses(8, 0.0, 0.01, 200));
    assert_ne!(pulses[0], pulses[1], "jets have streams of their own");
}

/// Refusals name what is wrong.
#[test]
fn refusals() {
    let scenario = layout(DOCKED, 1.0);
    let unknown = Truth::new(&scenario, &["nobody".into()]).unwrap_err();
    assert_eq!(unknown, TruthError::UnknownBody("nobody".into()));
    let twice = Truth::new(&scenario, &["hub".into(), "hub".into()]).unwrap_err();
    assert_eq!(twice, TruthError::RepeatedBody("hub".into()));
    let mut impossible = scenario.clone();
    impossible.vehicle.bodies[0].inertia_kg_m2 = diagonal([1.0, 1.0, 3.0]);
    assert!(matches!(Truth::new(&impossible, &scenario.stack).unwrap_err(), TruthError::Unphysical(_)));
    let mut untanked = scenario.clone();
    untanked.vehicle.jets[4].tank = "none".into();
    assert!(matches!(Truth::new(&untanked, &scenario.stack).unwrap_err(), TruthError::UnknownTank { .. }));
    let mut truth = truth(&scenario);
    assert!(matches!(truth.command_valve(12, true, 0.0), Err(TruthError::UnknownJet { jet: 12, jets: 12 })));
    truth.advance_to(1.0);
    assert!(matches!(truth.command_valve(0, true, 0.9), Err(TruthError::CommandTooLate { .. })));
    assert!(matches!(truth.command_valve(0, true, f64::NAN), Err(TruthError::CommandTooLate { .. })));
    truth.command_valve(0, true, 2.0).unwrap();
    assert!(matches!(truth.command_valve(0, false, 1.5), Err(TruthError::CommandTooLate { .. })));
}
