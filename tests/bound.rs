//! The propellant bound and the limit-cycle reference against independent figures.
mod handmade;

use handmade::{close, jet_1_docked, record, row};
use nalgebra::Vector3;
use proptest::prelude::*;
use stackhold_harness::bound::{
    Bit, certify, limit_cycle_reference, minimum_pulse, propellant_bound, two_sided_cycle,
};
use stackhold_harness::metrics;
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::model::{JetState, Scenario, Slosh, Tank};

const G0: f64 = 9.806_65;
const DAY_S: f64 = 86_400.0;

/// Reference value AL-10 (linear program of the docked layout JET-1, scipy 1.17.1 HiGHS with duality):
/// constant disturbance torque (1e-4, −5e-4, 2e-4) N·m for a day, Isp 285 s, floor 0.0003028438228 N,
/// 0.009361963134 kg a day, duals (−2, 0.2303030303, 0.06153846154) by b = −torque.
const AL_10_TORQUE: [f64; 3] = [1e-4, -5e-4, 2e-4];
const AL_10_FORCE_N: f64 = 0.000_302_843_822_8;
const AL_10_KG_DAY: f64 = 0.009_361_963_134;
const AL_10_DUALS: [f64; 3] = [-2.0, 0.230_303_030_3, 0.061_538_461_54];
const AL_10_COUPLES_N: f64 = 0.001_314_285_714;

/// A day of AL-10: the jets delivered exactly what the disturbance asks, with the jets of the optimum.
fn al_10() -> (Scenario, RunRecord) {
    let scenario = jet_1_docked(DAY_S);
    let mut record = record(&scenario, vec![row(0.0, [0.0; 3], [0.0; 3])]);
    record.impulse.disturbance_n_m_s = AL_10_TORQUE.map(|t| t * DAY_S);
    record.impulse.jets_n_m_s = AL_10_TORQUE.map(|t| -t * DAY_S);
    record.jets[0].impulse_n_s = 100.0;
    (scenario, record)
}

#[test]
fn holding_against_a_constant_torque_costs_what_an_independent_solver_says() {
    let (scenario, record) = al_10();
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(bound.proven, "{:?}", bound.doubts);
    assert!(bound.worst_ratio <= 1.0);
    assert!(close(bound.value_kg, AL_10_KG_DAY, 1e-9), "{}", bound.value_kg);
    assert!(close(bound.value_kg * 285.0 * G0 / DAY_S, AL_10_FORCE_N, 1e-9));
    for (got, dual) in bound.multipliers_kg_per_n_m_s.iter().zip(AL_10_DUALS) {
        assert!(close(got * 285.0 * G0, dual, 1e-8), "{got} {dual}");
    }
    // Seen to fail: one per mille off the expected value is noticed.
    assert!(!close(bound.value_kg, AL_10_KG_DAY * 1.001, 1e-9));
}

/// Liquid that swings moves the centre of mass, and with it every arm: the multipliers must hold wherever it can be,
/// so that what they prove is less, and not much less.
#[test]
fn liquid_that_swings_lowers_the_bound() {
    let (mut scenario, mut record) = al_10();
    let propellant_kg = 100.0;
    let hub = scenario.vehicle.bodies[0].name.clone();
    scenario.vehicle.tanks = vec![Tank {
        name: "tank".into(),
        body: hub,
        position_m: record.centre_of_mass_m[0],
        propellant_kg,
        unusable_kg: 0.0,
    }];
    let proven = |scenario: &Scenario, record: &RunRecord| {
        let bound = propellant_bound(scenario, &scenario.stack, record).unwrap();
        assert!(bound.proven, "{:?}", bound.doubts);
        (bound.value_kg, bound.centres_checked)
    };
    let (rigid, centres) = proven(&scenario, &record);
    scenario.sloshes = vec![Slosh {
        tank: "tank".into(),
        mass_kg: 60.0,
        pivot_m: record.centre_of_mass_m[0],
        length_m: 0.2,
        hangs_along: [1.0, 0.0, 0.0],
        damping_per_s: 0.0,
    }];
    let (swinging, more) = proven(&scenario, &record);
    assert_eq!(more, centres + 7, "eight corners in place of one centre");
    assert!((0.9 * rigid..rigid).contains(&swinging), "{swinging} of {rigid}");
    // By hand: with every arm moved to a corner the whole demand must still cost at least this.
    let dry: f64 = scenario.vehicle.bodies.iter().map(|body| body.mass_kg).sum();
    let reach = 60.0 * 0.2 / (dry + propellant_kg);
    let y = Vector3::from(
        propellant_bound(&scenario, &scenario.stack, &record).unwrap().multipliers_kg_per_n_m_s,
    );
    for mask in 0..8_u8 {
        let moved: Vector3<f64> = Vector3::from_fn(|i, _| if mask & (1 << i) == 0 { -reach } else { reach });
        for (jet, arm) in scenario.vehicle.jets.iter().zip(&record.arms_m[0]) {
            let arm = Vector3::from(*arm) - moved.cross(&Vector3::from(jet.force_direction));
            assert!(y.dot(&arm) <= 1.0 / (jet.specific_impulse_s * G0) * (1.0 + 1e-12), "{}", jet.name);
        }
    }
    // A tank that is not there moves nothing.
    scenario.vehicle.tanks[0].body = "elsewhere".into();
    record.jets.iter_mut().for_each(|totals| totals.propellant_kg = 0.0);
    assert_eq!(proven(&scenario, &record).0, rigid);
}

#[test]
fn the_sign_of_the_disturbance_reaches_the_duals() {
    // The optimum alone cannot tell: the torque columns of JET-1 come in pairs of opposite sign.
    let (scenario, mut record) = al_10();
    record.impulse.disturbance_n_m_s = record.impulse.disturbance_n_m_s.map(|t| -t);
    record.impulse.jets_n_m_s = record.impulse.jets_n_m_s.map(|t| -t);
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(close(bound.value_kg, AL_10_KG_DAY, 1e-9));
    for (got, dual) in bound.multipliers_kg_per_n_m_s.iter().zip(AL_10_DUALS) {
        assert!(close(got * 285.0 * G0, -dual, 1e-8));
    }
}

#[test]
fn six_rows_give_the_price_without_net_force() {
    // AL-10, couples only: 0.001314285714 N.
    let (scenario, record) = al_10();
    let columns: Vec<[f64; 6]> = record.arms_m[0]
        .iter()
        .zip(&scenario.vehicle.jets)
        .map(|(a, jet)| {
            let f = jet.force_direction;
            [a[0], a[1], a[2], f[0], f[1], f[2]]
        })
        .collect();
    let demand = [-1e-4, 5e-4, -2e-4, 0.0, 0.0, 0.0];
    let certificate = certify(&[columns], &[1.0; 12], &[true; 12], demand, [0.0; 6]).unwrap();
    assert!(close(certificate.value_kg, AL_10_COUPLES_N, 1e-8), "{}", certificate.value_kg);
    assert!(certificate.worst_ratio <= 1.0);
}

#[test]
fn one_lever_costs_torque_over_lever_and_specific_impulse() {
    // LC-7 (Space Propulsion, IAP/TU Wien, slide 81, m = T t / (L Isp)): 2e-3 N·m for a day with a 3 m
    // lever and 220 s costs 0.02669802449 kg, whatever the size of the pulses.
    let price = 1.0 / (220.0 * G0);
    let arms = vec![[0.0, 3.0, 0.0], [0.0, -3.0, 0.0]];
    let demand = [0.0, -2e-3 * DAY_S, 0.0];
    let certificate = certify(&[arms], &[price; 2], &[true; 2], demand, [0.0; 3]).unwrap();
    assert!(close(certificate.value_kg, 0.026_698_024_49, 1e-9), "{}", certificate.value_kg);
}

#[test]
fn an_impulse_that_no_jet_can_give_is_refused() {
    let arms = vec![[0.0, 3.0, 0.0]];
    let refused = certify(&[arms], &[1.0], &[true], [0.0, -1.0, 0.0], [0.0; 3]).unwrap_err();
    assert!(refused.to_string().contains("cannot deliver"), "{refused}");
    let arms = vec![[0.0, 3.0, 0.0], [0.0, -3.0, 0.0]];
    let refused = certify(&[arms], &[1.0; 2], &[true; 2], [1.0, 0.0, 0.0], [0.0; 3]).unwrap_err();
    assert!(refused.to_string().contains("row"), "{refused}");
}

#[test]
fn a_dead_jet_raises_the_price_and_never_counts() {
    // AL-2 and AL-9 (JET-1, scipy HiGHS and exact enumeration): (0, 3, 0) N·m·s costs 62/55 N·s with all
    // jets and 1.957894737 N·s without jet 10.
    let (scenario, _) = al_10();
    let arms = record(&scenario, vec![]).arms_m[0].clone();
    let price = |usable: [bool; 12]| {
        certify(std::slice::from_ref(&arms), &[1.0; 12], &usable, [0.0, 3.0, 0.0], [0.0; 3]).unwrap().value_kg
    };
    assert!(close(price([true; 12]), 62.0 / 55.0, 1e-9));
    let without_10: [bool; 12] = std::array::from_fn(|j| j != 9);
    assert!(close(price(without_10), 1.957_894_737, 1e-9));

    let (mut scenario, mut record) = al_10();
    record.impulse.disturbance_n_m_s = [0.0, -3.0, 0.0];
    record.impulse.jets_n_m_s = [0.0, 3.0, 0.0];
    scenario.vehicle.jets[9].state = JetState::Dead;
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(close(bound.value_kg * 285.0 * G0, 1.957_894_737, 1e-9));
}

#[test]
fn momentum_change_and_gyroscopic_torque_are_accounted_with_their_signs() {
    let (scenario, mut record) = al_10();
    record.impulse.momentum_change_n_m_s = [0.0, 10.0, 0.0];
    record.impulse.gyroscopic_n_m_s = [0.0, -4.0, 0.0];
    record.impulse.disturbance_n_m_s = [0.0, 3.0, 0.0];
    record.impulse.jets_n_m_s = [0.0, 3.0, 0.0];
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert_eq!(bound.angular_impulse_n_m_s, [0.0, 3.0, 0.0]);
    assert!(close(bound.value_kg * 285.0 * G0, 62.0 / 55.0, 1e-9));
}

#[test]
fn an_account_that_does_not_close_is_only_a_reference_price() {
    let (scenario, mut record) = al_10();
    record.impulse.jets_n_m_s[1] *= 1.2;
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(!bound.proven);
    assert!(bound.doubts[0].contains("does not close"), "{:?}", bound.doubts);
}

#[test]
fn a_centre_of_mass_that_moved_without_a_tank_is_only_a_reference_price() {
    let (scenario, mut record) = al_10();
    record.centre_of_mass_m[1][0] += 1e-3;
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(!bound.proven);
    assert!(bound.doubts[0].contains("centre of mass"), "{:?}", bound.doubts);
}

/// AL-10 with propellant draining from a tank far forward, so that the centre of mass moves aft.
fn drained() -> (Scenario, RunRecord) {
    let (mut scenario, mut record) = al_10();
    scenario.vehicle.tanks[0] = Tank {
        name: "tank".into(),
        body: "hub".into(),
        position_m: [6.6, 0.12, -0.08],
        propellant_kg: 250.0,
        unusable_kg: 0.0,
    };
    // (1000 kg at 2.6 m, 250 kg at 6.6 m) has its centre of mass at 3.4 m.
    let centre = |propellant: f64| (1000.0 * 2.6 + propellant * 6.6) / (1000.0 + propellant);
    record.jets[0].propellant_kg = 100.0;
    for (k, propellant) in [250.0, 150.0].into_iter().enumerate() {
        let c = [centre(propellant), 0.12, -0.08];
        record.centre_of_mass_m[k] = c;
        let jets = scenario.vehicle.jets.iter();
        record.arms_m[k] = jets.map(|j| handmade::arm(j.position_m, c, j.force_direction)).collect();
    }
    (scenario, record)
}

#[test]
fn a_draining_tank_is_followed_and_the_weaker_lever_counts() {
    let (scenario, record) = drained();
    let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
    assert!(bound.proven, "{:?}", bound.doubts);
    let prices = vec![1.0 / (285.0 * G0); 12];
    let at = |k: usize| {
        let arms = &record.arms_m[k..=k];
        certify(arms, &prices, &[true; 12], bound.angular_impulse_n_m_s, [0.0; 3]).unwrap().value_kg
    };
    // Never above the price at either end, since each end might have been all of the run.
    assert!(bound.value_kg <= at(0).min(at(1)) * (1.0 + 1e-9));
    // Along the path, jet by jet, the certificate holds.
    for step in 0..=100 {
        let propellant = 250.0 - f64::from(step);
        let c = [(1000.0 * 2.6 + propellant * 6.6) / (1000.0 + propellant), 0.12, -0.08];
        for jet in &scenario.vehicle.jets {
            let arm = handmade::arm(jet.position_m, c, jet.force_direction);
            let reward: f64 = arm.iter().zip(bound.multipliers_kg_per_n_m_s).map(|(a, y)| a * y).sum();
            assert!(reward <= prices[0] * (1.0 + 1e-12));
        }
    }
    // A certificate for the end alone breaks at the start: the check above can fail.
    let end = certify(&record.arms_m[1..], &prices, &[true; 12], bound.angular_impulse_n_m_s, [0.0; 3]);
    let y = end.unwrap().multipliers;
    let reward = |arm: &[f64; 3]| arm.iter().zip(y).map(|(a, y)| a * y).sum::<f64>();
    assert!(record.arms_m[0].iter().any(|arm| reward(arm) > prices[0] * 1.01));
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// Weak duality, whatever the pulsing: any firing history costs at least the bound of what it delivered.
    #[test]
    fn no_firing_beats_the_bound(impulses in prop::collection::vec(0.0_f64..50.0, 12)) {
        let scenario = jet_1_docked(DAY_S);
        let mut record = record(&scenario, vec![]);
        let mut delivered = [0.0; 3];
        for (j, impulse) in impulses.iter().enumerate() {
            record.jets[j].impulse_n_s = *impulse;
            record.jets[j].propellant_kg = impulse / (285.0 * G0);
            for (sum, arm) in delivered.iter_mut().zip(record.arms_m[0][j]) {
                *sum += arm * impulse;
            }
        }
        record.impulse.jets_n_m_s = delivered;
        record.impulse.momentum_change_n_m_s = delivered;
        record.centre_of_mass_m[1] = record.centre_of_mass_m[0];
        let spent: f64 = record.jets.iter().map(|jet| jet.propellant_kg).sum();
        let bound = propellant_bound(&scenario, &scenario.stack, &record).unwrap();
        prop_assert!(bound.worst_ratio <= 1.0);
        prop_assert!(bound.value_kg <= spent);
    }
}

#[test]
fn the_two_sided_cycle_has_its_closed_form_period_and_price() {
    // LC-3 (textbook topic, re-derived; event simulation agrees): J = 8600 kg·m², bit 0.44 N·s at 3.3 m,
    // half-width 0.5 deg, Isp 285 s: period 413.4939826 s, 7.614614873e-7 kg/s (pulses taken as instants).
    let half_width = 0.5_f64.to_radians();
    let (period, rate) = two_sided_cycle(half_width, 0.44 * 3.3 / 8600.0, 0.44 / (285.0 * G0));
    assert!(close(period, 413.493_982_6, 1e-9), "{period}");
    assert!(close(rate, 7.614_614_873e-7, 1e-9), "{rate}");
    // LC-2 (the same pair of figures as LC-1 read with the width as half-width; two jets of 5 N at 0.5 m,
    // 30 ms, J = 112.5 kg·m², 1900 m/s): 52.41987756 s less the two pulses of 0.03 s.
    let (period, rate) = two_sided_cycle(half_width, 5.0 * 0.03 / 112.5, 2.0 * 5.0 * 0.03 / 1900.0);
    assert!(close(period, 52.419_877_56 - 0.06, 1e-9), "{period}");
    assert!(close(rate, 6.024_231_425e-6 * 52.419_877_56 / period, 1e-9), "{rate}");
    // LC-1 (Space Propulsion, IAP/TU Wien, slide 79, prints 26.241 s and 1.2e-5 kg/s): its angle is the
    // full width. Taking it as half-width is the factor of two that this test would show.
    let (full_width_period, _) =
        two_sided_cycle(half_width / 2.0, 5.0 * 0.03 / 112.5, 3.157_894_737e-4 / 2.0);
    assert!((full_width_period + 0.06 - 26.241).abs() < 2e-3, "{full_width_period}");
    assert!(!close(period, full_width_period, 0.4));
}

#[test]
fn the_reference_takes_the_smallest_own_bit_of_each_axis() {
    let scenario = jet_1_docked(100.0);
    let jets = &scenario.vehicle.jets;
    let bit =
        |jet: usize, change: [f64; 3], kg: f64| Bit { jet, rate_change_rad_s: change, propellant_kg: kg };
    let bits =
        [bit(0, [1e-5, 2e-4, 0.0], 1e-4), bit(1, [-3e-5, -1e-4, 0.0], 1e-4), bit(2, [0.0, 1e-5, 3e-4], 2e-4)];
    let half = [0.01, 0.02, 0.03];
    let [x, y, z] = limit_cycle_reference(jets, &bits, half);
    // y: the smaller of its two directions; z: its only one.
    let (y, z) = (y.unwrap(), z.unwrap());
    assert_eq!((y.jet.as_str(), y.stand_in), ("jet_2", false));
    assert!(close(y.rate_kg_s, 1e-4 * 1e-4 / (4.0 * 0.02), 1e-12));
    assert_eq!((z.jet.as_str(), z.stand_in), ("jet_3", false));
    assert!(close(z.rate_kg_s, 2e-4 * 3e-4 / (4.0 * 0.03), 1e-12));
    // x is nobody's own axis: the jet with the largest share on it stands in, and says so.
    let x = x.unwrap();
    assert_eq!((x.jet.as_str(), x.stand_in), ("jet_2", true));
    assert!(close(x.bit_rate_change_rad_s, 3e-5, 1e-12));
}

#[test]
fn the_bit_of_a_jet_is_its_trapezoid_and_its_worse_specific_impulse() {
    let mut jet = handmade::jet("one", [0.0; 3], [1.0, 0.0, 0.0]);
    let ideal = minimum_pulse(&jet);
    assert!(close(ideal.impulse_n_s, 0.44, 1e-12));
    assert!(close(ideal.propellant_kg, 0.44 / (285.0 * G0), 1e-12));
    jet.opening_delay_s = 0.004;
    jet.rise_s = 0.003;
    jet.closing_delay_s = 0.005;
    jet.tail_off_s = 0.006;
    // Steady for 20 − 4 − 3 + 5 = 18 ms, half of rise and tail-off.
    assert!(close(minimum_pulse(&jet).impulse_n_s, 22.0 * (0.018 + 0.0015 + 0.003), 1e-12));
    jet.short_pulse_loss = 0.4;
    jet.short_pulse_time_s = 1e9;
    let lossy = minimum_pulse(&jet);
    assert!(close(lossy.propellant_kg, lossy.impulse_n_s / (0.6 * 285.0 * G0), 1e-9));
    jet.opening_delay_s = 0.03;
    assert_eq!(minimum_pulse(&jet).impulse_n_s, 0.0);
}

#[test]
fn bits_of_a_scenario_follow_its_inertia() {
    // JET-5 with a diagonal inertia: jet 11 (22 N, 20 ms) about the docked centre of mass gives
    // (0.0528, −0.836, 0) N·m·s.
    let scenario = jet_1_docked(1.0);
    let arms = record(&scenario, vec![]).arms_m[0].clone();
    let inertia = [[1000.0, 0.0, 0.0], [0.0, 8600.0, 0.0], [0.0, 0.0, 9000.0]];
    let bits = metrics::bits(&scenario.vehicle.jets, &scenario.stack, inertia, &arms).unwrap();
    let change = bits[10].rate_change_rad_s;
    assert!(close(change[0], 0.0528 / 1000.0, 1e-9) && close(change[1], -0.836 / 8600.0, 1e-9));
    assert_eq!(bits[10].axis(), 1);
}
