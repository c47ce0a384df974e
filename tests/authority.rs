//! Authority and the select command against independent figures.
mod handmade;

use handmade::{close, engine, jet_1, jet_1_docked, six};
use proptest::prelude::*;
use stackhold_harness::authority::{Layout, authority, sphere};
use stackhold_harness::engine_authority::{EngineAuthority, EngineCase, GimbalState, engine_authority};
use stackhold_harness::scenario::model::{JetState, Scenario, StuckGimbal};
use stackhold_harness::select;
use stackhold_harness::truth::Truth;

const G0: f64 = 9.806_65;

/// The docked layout JET-1 with jets of one newton.
fn unit_thrust() -> (Scenario, Layout) {
    let mut scenario = jet_1_docked(1.0);
    for jet in &mut scenario.vehicle.jets {
        jet.thrust_n = 1.0;
    }
    let layout = Layout::about(&scenario, jet_1::DOCKED);
    (scenario, layout)
}

#[test]
fn torques_follow_the_shifted_centre_of_mass() {
    let (scenario, layout) = unit_thrust();
    for (j, torque) in layout.torque_n_m.iter().enumerate() {
        for (axis, row) in jet_1::TORQUE_ABOUT_DOCKED.iter().enumerate() {
            assert!((torque[axis] - row[j]).abs() < 1e-12, "jet {} axis {axis}", j + 1);
        }
    }
    let found = authority(&scenario, 0.1).unwrap();
    // JET-3: jet 11 pushes the other way in pitch: 0.7 about the design centre of mass, −1.9 about the
    // docked one. Jet 9 mirrors it; jets 10 and 12, behind both centres, keep their signs.
    let changed = |j: usize| found.jets[j].sign_changed.contains(&"y");
    assert!(close(found.jets[10].design_torque_n_m[1], 0.7, 1e-12));
    assert!(close(found.jets[10].torque_n_m[1], -1.9, 1e-12));
    assert_eq!([changed(8), changed(9), changed(10), changed(11)], [true, false, true, false]);
}

#[test]
fn the_price_of_a_direction_is_that_of_an_independent_solver() {
    // AL-2, AL-5, AL-7 (scipy HiGHS and exact enumeration), N·s at one newton; kg by Isp 285 s.
    let (_, layout) = unit_thrust();
    for (torque, impulse) in
        [([0.0, 3.0, 0.0], 62.0 / 55.0), ([0.4, -2.0, 1.1], 12_794.0 / 10_725.0), ([1.0, 0.0, 0.0], 2.0)]
    {
        let size = f64::sqrt(torque.iter().map(|t| t * t).sum());
        let price = layout.price_kg_per_n_m_s(torque).unwrap();
        assert!(close(price * size * 285.0 * G0, impulse, 1e-9), "{torque:?}");
        assert!(!close(price * size * 285.0 * G0, impulse * 1.001, 1e-9));
    }
}

#[test]
fn attainable_torque_is_that_of_direct_allocation_by_hand() {
    // About the design centre of mass, JET-1 by hand: pitch from jets 10 and 11 (0.7 each, force cancels
    // or not, it is free): 1.4 N·m; yaw from jets 2 and 3: 1.0 N·m; roll from jets 6 and 7: 1.0 N·m.
    let scenario = unit_thrust().0;
    let layout = Layout::about(&scenario, [0.0; 3]);
    for (direction, most) in [([0.0, 2.0, 0.0], 1.4), ([0.0, 0.0, 1.0], 1.0), ([-3.0, 0.0, 0.0], 1.0)] {
        assert!(close(layout.attainable_n_m(direction).unwrap(), most, 1e-9), "{direction:?}");
    }
    // All of it at once: the corner of the box (1, 1.4, 1).
    let corner = f64::sqrt(1.0 + 1.96 + 1.0);
    assert!(close(layout.attainable_n_m([1.0, 1.4, 1.0]).unwrap(), corner, 1e-9));
}

#[test]
fn a_failed_jet_costs_what_an_independent_solver_says() {
    // AL-9: without jet 10, (0, 3, 0) costs 1.957894737 N·s and (0, −3, 0) still 1.127272727.
    let (scenario, layout) = unit_thrust();
    let left = layout.without(9);
    let price =
        |layout: &Layout, y: f64| layout.price_kg_per_n_m_s([0.0, y, 0.0]).unwrap() * 3.0 * 285.0 * G0;
    assert!(close(price(&left, 1.0), 1.957_894_737, 1e-9));
    assert!(close(price(&left, -1.0), 1.127_272_727, 1e-9));
    let found = authority(&scenario, 0.1).unwrap();
    let ten = found.failures.iter().find(|f| f.jet == "jet_10").unwrap();
    assert!(ten.every_direction_left && ten.axes_lost.is_empty());
    assert!(ten.worst_price_ratio.unwrap() >= 1.957_894_737 / 1.127_272_727 - 1e-9);
}

#[test]
fn losing_the_only_jet_of_an_axis_is_seen() {
    let mut scenario = six();
    let found = authority(&scenario, 0.1).unwrap();
    assert!(found.every_direction);
    for failure in &found.failures {
        // Every jet is the only one of its signed axis.
        let sign = if failure.jet.starts_with("plus") { '+' } else { '-' };
        let axis = failure.jet.chars().last().unwrap();
        assert_eq!(failure.axes_lost, [format!("{sign}{axis}")], "{}", failure.jet);
        assert!(!failure.every_direction_left);
        assert_eq!(failure.least_torque_n_m, 0.0);
    }
    // By hand: 22 N at 1 m over 100 kg·m², and the price 100/22 · 22/(285 g0) per rad/s.
    assert!(close(found.axes[0].acceleration_deg_s2, 0.22_f64.to_degrees(), 1e-9));
    assert!(close(found.axes[0].price_kg_per_deg_s.unwrap(), 100.0_f64.to_radians() / (285.0 * G0), 1e-9));
    assert!(close(found.axes[5].smallest_bit_deg_s.unwrap(), (0.44_f64 / 300.0).to_degrees(), 1e-9));
    assert_eq!(found.axes[5].smallest_bit_jet.as_deref(), Some("minus_z"));
    // A forbidden jet is as good as gone.
    scenario.vehicle.jets[2].state = JetState::Forbidden;
    let found = authority(&scenario, 0.1).unwrap();
    assert!(!found.every_direction);
    assert_eq!(found.failures.len(), 5);
    assert_eq!((found.axes[2].acceleration_deg_s2, found.axes[2].price_kg_per_deg_s), (0.0, None));
    assert!(found.attainable.unattainable_directions > 0);
}

#[test]
fn a_pair_of_planes_does_not_span_space() {
    // Only x and y torques: rank two, though every jet has its opposite.
    let mut scenario = six();
    scenario.vehicle.jets.truncate(4);
    assert!(!Layout::about(&scenario, [0.0; 3]).every_direction().unwrap());
}

#[test]
fn selecting_about_the_design_centre_couples_and_reverses() {
    let (scenario, _) = unit_thrust();
    let found = authority(&scenario, 0.1).unwrap();
    for axis in &found.axes {
        // Told the truth, an axis moves alone.
        assert!(axis.coupling_as_told.unwrap() < 1e-9, "{}", axis.axis);
    }
    // AL-1: about the design centre of mass +y takes jet 10 or 11 alone (two optimal vertices); JET-3:
    // jet 11 turns the docked stack the wrong way. Either way it couples.
    let pitch = &found.axes[2];
    assert!(pitch.design_turns_wrong_way || pitch.coupling_about_design.unwrap() > 1e-3);
    // Roll by jets 6 and 7 keeps a pure couple about x: no coupling, whatever the centre.
    assert!(found.axes[0].coupling_about_design.unwrap() < 1.0);
}

#[test]
fn one_axis_firing_moves_one_axis_by_the_kernels_selection() {
    let mut scenario = jet_1_docked(1.0);
    for body in &mut scenario.vehicle.bodies {
        // A product of inertia of a tenth of a moment.
        body.inertia_kg_m2[0][1] = 100.0;
        body.inertia_kg_m2[1][0] = 100.0;
    }
    let found = select::rotation(&scenario, [0.0, 0.002, 0.0]).unwrap();
    assert_eq!(found.outcome, "delivered");
    let [x, y, z] = found.as_flown.rate_change_deg_s;
    let wanted = 0.002_f64.to_degrees();
    // As flown: whole ticks of 1 ms in pulses of a few hundred.
    assert!(close(y, wanted, 5e-3) && x.abs() < 5e-3 * wanted && z.abs() < 5e-3 * wanted, "{x} {y} {z}");
}

#[test]
fn the_select_command_gives_the_published_optimum() {
    // AL-2: (0, 3, 0) N·m·s costs 62/55 N·s: jets 6 and 7 with 6/55, jet 10 with 10/11. AL-4, with no
    // net force: 30/7 N·s, whatever the centre of mass.
    let (scenario, _) = unit_thrust();
    let free = select::answer(&scenario, [0.0, 3.0, 0.0], None, Some(10.0)).unwrap();
    assert_eq!(free.outcome, "delivered");
    assert!(free.proven && free.optimality_gap < 1e-4);
    assert!(close(free.propellant_kg * 285.0 * G0, 62.0 / 55.0, 1e-5));
    let times: Vec<(&str, f64)> = free.jets.iter().map(|j| (j.jet.as_str(), j.acting_time_s)).collect();
    assert_eq!(times.iter().map(|t| t.0).collect::<Vec<_>>(), ["jet_6", "jet_7", "jet_10"]);
    assert!(close(times[0].1, 6.0 / 55.0, 1e-4) && close(times[2].1, 10.0 / 11.0, 1e-4));
    // Multipliers of AL-2: (2, 0.3757575758, −0.06153846154) N·s per N·m·s.
    for (y, dual) in free.multipliers_kg_per_n_m_s.iter().zip([2.0, 0.375_757_575_8, -0.061_538_461_54]) {
        assert!(close(y * 285.0 * G0, dual, 1e-4), "{y} {dual}");
    }
    assert!(free.left_over_angular_n_m_s.iter().all(|left| left.abs() < 1e-4));
    let still = select::answer(&scenario, [0.0, 3.0, 0.0], Some([0.0; 3]), Some(10.0)).unwrap();
    assert!(close(still.propellant_kg * 285.0 * G0, 30.0 / 7.0, 1e-5));
    assert!(still.delivered.linear_impulse_n_s.iter().all(|p| p.abs() < 1e-4));
    // Jets capped at 0.7 N·s: AL-8, 1.318315789 N·s.
    let capped = select::answer(&scenario, [0.0, 3.0, 0.0], None, Some(0.7)).unwrap();
    assert!(close(capped.propellant_kg * 285.0 * G0, 1.318_315_789, 1e-5), "{}", capped.propellant_kg);
    assert!(close(capped.propellant_given_time_kg.unwrap() * 285.0 * G0, 62.0 / 55.0, 1e-5));
    // Out of reach in the time given: the direction is kept.
    let short = select::answer(&scenario, [0.0, 300.0, 0.0], None, Some(0.7)).unwrap();
    assert_eq!(short.outcome, "shortened");
    assert!(short.share < 0.1 && short.left_over_angular_n_m_s[1] > 100.0);
    // Without a limit it takes as many cycles as it needs.
    let whole = select::answer(&scenario, [0.0, 300.0, 0.0], None, None).unwrap();
    assert_eq!(whole.outcome, "delivered");
    assert!(whole.cycles > 100);
}

#[test]
fn on_times_allow_for_delays_and_ramps() {
    // 22 N that opens 4 ms late, rises in 4 ms, closes 7 ms late and dies in 6 ms: at steady thrust it acts
    // 0.5·4 + 4 ms less and 7 + 0.5·6 ms more than it is open, so it stays open 4 ms less than it acts.
    let mut scenario = six();
    for jet in &mut scenario.vehicle.jets {
        (jet.opening_delay_s, jet.rise_s, jet.closing_delay_s, jet.tail_off_s) = (0.004, 0.004, 0.007, 0.006);
    }
    let found = select::answer(&scenario, [1.1, 0.0, 0.0], None, None).unwrap();
    let [firing] = found.jets.as_slice() else { panic!("{:?}", found.jets) };
    assert!(close(firing.acting_time_s, 0.05, 1e-5));
    assert_eq!((firing.jet.as_str(), firing.on_ticks), ("plus_x", 46));
    assert!(close(found.as_flown.angular_impulse_n_m_s[0], 1.1, 1e-9));
    // A tenth of its shortest pulse is not worth two: it stays shut and says what is left.
    let tiny = select::answer(&scenario, [0.05, 0.0, 0.0], None, None).unwrap();
    assert_eq!((tiny.jets[0].on_ticks, tiny.as_flown.angular_impulse_n_m_s), (0, [0.0; 3]));
    assert!(close(tiny.in_whole_ticks.unwrap().left_over_angular_n_m_s[0], 0.05, 1e-5));
    // A fifth is: two jets against each other, five ticks apart, 22 N for 5 ms at 1 m.
    let less = select::answer(&scenario, [0.11, 0.0, 0.0], None, None).unwrap();
    let ticks =
        less.jets.iter().map(|jet| jet.on_ticks).fold((0, u64::MAX), |(a, b), t| (a.max(t), b.min(t)));
    assert_eq!((less.jets.len(), ticks.0 - ticks.1), (2, 5));
    assert!(close(less.as_flown.angular_impulse_n_m_s[0], 0.11, 1e-9));
}

#[test]
fn told_otherwise_the_answer_shows_what_really_happens() {
    let mut scenario = jet_1_docked(1.0);
    scenario.told.centre_of_mass_error_m = [-2.6, -0.12, 0.08];
    let found = select::answer(&scenario, [0.0, 3.0, 0.0], None, Some(10.0)).unwrap();
    assert!(close(found.delivered.angular_impulse_n_m_s[1], 3.0, 1e-4));
    // AL-1: jet 10 or 11, or both, with 30/7 N·s together; about the true centre of mass 3.3 and −1.9 m.
    let really = found.as_flown.angular_impulse_n_m_s[1];
    let open: f64 = found.jets.iter().map(|jet| jet.on_time_s).sum();
    let share = found.jets.first().map_or(0.0, |jet| jet.on_time_s / open);
    let mixed = |first: f64, second: f64| (first * share + second * (1.0 - share)) * 30.0 / 7.0;
    assert!(found.jets.len() <= 2, "{:?}", found.jets);
    assert!(close(really, mixed(3.3, -1.9), 0.05) || close(really, mixed(-1.9, 3.3), 0.05), "{really}");
}

/// The six jets about the geometry of TVC-1: centre of mass less pivot (3.5, 0.08, -0.05) m.
fn with_engine(thrust_n: f64, travel_deg: f64) -> Scenario {
    let mut scenario = six();
    scenario.vehicle.engine = Some(engine([-3.5, -0.08, 0.05], thrust_n, 310.0, travel_deg));
    scenario
}

fn engine_of(scenario: &Scenario) -> EngineAuthority {
    engine_authority(scenario).unwrap().expect("an engine")
}

fn case(found: &EngineAuthority, gimbal: GimbalState) -> &EngineCase {
    found.cases.iter().find(|case| case.gimbal == gimbal).expect("such a case")
}

/// TVC-1 and TVC-2 (geometry and statics, computed with numpy), and by hand: jets of 22 N·m a side against (0, 20, 32)
/// N·m stop at 22 about z, so that they take 22/32 of it and leave (0, 6.25, 10) N·m to moments of 200 and 300 kg·m².
#[test]
fn a_gimbal_stuck_at_zero_is_more_than_the_jets_can_carry() {
    let found = engine_of(&with_engine(400.0, 9.0));
    assert!(close(found.trim_deg[0], 0.818_455_461_7, 1e-8), "{:?}", found.trim_deg);
    assert!(close(found.trim_deg[1], 0.022_848_844_17_f64.asin().to_degrees(), 1e-8), "{:?}", found.trim_deg);
    assert!(close(found.travel_left_deg, 9.0 - found.trim_deg[1], 1e-12));
    let trimmed = case(&found, GimbalState::Trimmed);
    assert_eq!(
        (trimmed.torque_n_m, trimmed.jets_flow_kg_s, trimmed.seconds_to_limit),
        ([0.0; 3], Some(0.0), None)
    );
    let zero = case(&found, GimbalState::StuckAtZero);
    let [x, y, z] = zero.torque_n_m;
    assert!(x.abs() < 1e-9 && close(y, 20.0, 1e-9) && close(z, 32.0, 1e-9), "{:?}", zero.torque_n_m);
    assert!(close(zero.thrust_line_off_m, 0.08_f64.hypot(0.05), 1e-9));
    assert!(close(zero.share_of_jets.unwrap(), 32.0 / 22.0, 1e-7));
    assert_eq!(zero.jets_flow_kg_s, None);
    let turning = (6.25_f64 / 200.0).hypot(10.0 / 300.0);
    let seconds = (2.0 * 5.0_f64.to_radians() / turning).sqrt();
    assert!(close(zero.seconds_to_limit.unwrap(), seconds, 1e-6), "{:?}", zero.seconds_to_limit);
    let quiet = (2.0 * 5.0_f64.to_radians() / (20.0_f64 / 200.0).hypot(32.0 / 300.0)).sqrt();
    assert!(close(zero.seconds_to_limit_jets_quiet.unwrap(), quiet, 1e-6));
    // The truth takes as long: jets quiet, then at their most.
    for (jets, seconds) in [(vec![], quiet), (vec![(3, 20.0 / 32.0), (5, 1.0)], seconds)] {
        let mut scenario = with_engine(400.0, 9.0);
        scenario.vehicle.tanks[0].propellant_kg = 1.0;
        scenario.vehicle.bodies[0].mass_kg = 999.0;
        for (jet, share) in &jets {
            scenario.vehicle.jets[*jet].thrust_n *= share;
        }
        let mut truth = Truth::new(&scenario, &scenario.stack).unwrap();
        truth.command_engine(true, 0.0).unwrap();
        for (jet, _) in &jets {
            truth.command_valve(*jet, true, 0.0).unwrap();
        }
        truth.advance_to(seconds);
        let angle = 2.0 * truth.attitude_xyzw()[3].acos();
        assert!(close(angle, 5.0_f64.to_radians(), 0.02), "{} deg", angle.to_degrees());
    }
    let words = zero.sentence(|number| format!("{number:.3}")).unwrap();
    assert!(
        words.contains("37.736 N m are left over: the jets CANNOT carry it, they have 25.943 N m"),
        "{words}"
    );
}

/// Half the thrust: (0, 10, 16) N·m, carried with 16/22 of what the jets can do, by 26 N·m at one metre and 285 s.
#[test]
fn what_the_jets_can_carry_has_a_price() {
    let found = engine_of(&with_engine(200.0, 9.0));
    let zero = case(&found, GimbalState::StuckAtZero);
    assert!(close(zero.share_of_jets.unwrap(), 16.0 / 22.0, 1e-7));
    assert!(close(zero.jets_flow_kg_s.unwrap(), 26.0 / (285.0 * G0), 1e-7), "{:?}", zero.jets_flow_kg_s);
    assert_eq!(zero.seconds_to_limit, None);
    let words = zero.sentence(|number| format!("{number:.4}")).unwrap();
    assert!(
        words.contains("the jets carry it with 72.7300 % of what they can do against it, for 0.0093 kg/s"),
        "{words}"
    );
    // Without the jet that turns against z nothing is left that way.
    let mut scenario = with_engine(200.0, 9.0);
    scenario.vehicle.jets[5].state = JetState::Dead;
    let zero = engine_of(&scenario);
    let zero = case(&zero, GimbalState::StuckAtZero);
    assert_eq!((zero.share_of_jets, zero.jets_against_it_n_m, zero.jets_flow_kg_s), (None, 0.0, None));
    assert_eq!(zero.seconds_to_limit, zero.seconds_to_limit_jets_quiet);
}

/// 100 kg at (0, 0.5, 0) m of 1,100 kg: the centre of mass goes from y = 50/1100 m to 0 as they burn, and the line of
/// force stays where it was. By hand: `F p × c / |c - p|` about the origin, p the pivot, c the centre at the start.
#[test]
fn a_trim_that_stays_is_left_behind_by_the_centre_of_mass() {
    let mut scenario = six();
    scenario.vehicle.tanks[0].position_m = [0.0, 0.5, 0.0];
    scenario.vehicle.tanks[0].propellant_kg = 102.0;
    scenario.vehicle.tanks[0].unusable_kg = 2.0;
    scenario.vehicle.bodies[0].mass_kg = 998.0;
    scenario.vehicle.bodies[0].centre_of_mass_m = [0.0, -1.0 / 998.0, 0.0];
    scenario.vehicle.engine = Some(engine([-2.0, 0.0, 0.0], 400.0, 310.0, 9.0));
    let found = engine_of(&scenario);
    assert!(close(found.usable_kg.unwrap(), 100.0, 1e-12));
    let stuck: Vec<&EngineCase> =
        found.cases.iter().filter(|case| case.gimbal == GimbalState::StuckAtTrim).collect();
    let burnt: Vec<f64> = stuck.iter().map(|case| case.burnt_kg).collect();
    assert_eq!(burnt, [25.0, 50.0, 100.0]);
    let start = 50.0 / 1100.0;
    assert!(close(found.trim_deg[1], (start / 2.0_f64.hypot(start)).asin().to_degrees(), 1e-9));
    let last = 400.0 * (-2.0 * start) / 2.0_f64.hypot(start);
    assert!(close(stuck[2].torque_n_m[2], last, 1e-9), "{:?}", stuck[2].torque_n_m);
    assert!(
        found
            .worst_cases()
            .iter()
            .any(|case| case.gimbal == GimbalState::StuckAtTrim && case.burnt_kg == 100.0)
    );
    assert_eq!(found.worst_cases().len(), 3);
    // Fixed it leaves that over which a gimbal would have taken, and least when the tank is empty.
    scenario.vehicle.engine.as_mut().unwrap().gimbal_travel_rad = 0.0;
    let found = engine_of(&scenario);
    assert!(found.cases.iter().all(|case| case.gimbal == GimbalState::Fixed && case.gimbal_deg == [0.0; 2]));
    assert!(
        close(found.cases[0].torque_n_m[2], 400.0 * start, 1e-9) && found.cases[3].torque_n_m[2].abs() < 1e-9
    );
}

#[test]
fn a_travel_that_does_not_suffice_is_said() {
    let mut scenario = with_engine(400.0, 1.0);
    scenario.stuck_gimbal = Some(StuckGimbal { from_s: 0.0, at_rad: Some([0.01, -0.01]), told: true });
    let found = engine_of(&scenario);
    assert!(close(found.travel_left_deg, 1.0 - found.trim_deg[1], 1e-9) && found.travel_left_deg < 0.0);
    let trimmed = case(&found, GimbalState::Trimmed);
    // Off by what is missing of the second angle, at 3.5013 m.
    let off = (found.trim_deg[1] - 1.0).to_radians().sin() * f64::hypot(3.5, 0.08).hypot(0.05);
    assert!(close(trimmed.thrust_line_off_m, off, 1e-3), "{} {off}", trimmed.thrust_line_off_m);
    assert!(
        found.sentences(|number| format!("{number:.3}"))[1]
            .contains("BEYOND its travel of 1.000 deg by 0.309 deg")
    );
    assert_eq!(case(&found, GimbalState::StuckAsSaid).gimbal_deg, [0.01, -0.01].map(f64::to_degrees));
    // Not there, nothing to say.
    scenario.vehicle.engine.as_mut().unwrap().body = Some("pod".into());
    assert_eq!(engine_authority(&scenario).unwrap(), None);
    assert_eq!(engine_authority(&six()).unwrap(), None);
}

#[test]
fn the_sphere_is_even() {
    let directions = sphere(200);
    let mut sum = [0.0; 3];
    for d in &directions {
        assert!(close(d.iter().map(|c| c * c).sum::<f64>(), 1.0, 1e-12));
        sum = [sum[0] + d[0], sum[1] + d[1], sum[2] + d[2]];
    }
    assert!(sum.iter().all(|c| c.abs() < 1.0), "{sum:?}");
    // Equal areas: as many in the upper half as in the lower.
    assert_eq!(directions.iter().filter(|d| d[2] > 0.0).count(), 100);
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// The price is a norm's dual: no firing is cheaper than the price of what it delivers.
    #[test]
    fn no_firing_is_cheaper_than_its_price(shares in prop::collection::vec(0.0_f64..1.0, 12)) {
        let (_, layout) = unit_thrust();
        let mut torque = [0.0; 3];
        for (share, column) in shares.iter().zip(&layout.torque_n_m) {
            for (sum, c) in torque.iter_mut().zip(column) {
                *sum += share * c;
            }
        }
        let size = f64::sqrt(torque.iter().map(|t| t * t).sum());
        prop_assume!(size > 1e-6);
        let spent: f64 = shares.iter().sum::<f64>() / (285.0 * G0);
        prop_assert!(layout.price_kg_per_n_m_s(torque).unwrap() * size <= spent * (1.0 + 1e-9));
        // What these shares deliver is attainable.
        prop_assert!(layout.attainable_n_m(torque).unwrap() >= size * (1.0 - 1e-7));
    }
}
