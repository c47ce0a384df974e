//! Plumes that strike the stack: by hand, in the truth, as the kernel is told, and through an interface.
mod handmade;

use handmade::{close, jet, scenario};
use nalgebra::Vector3;
use proptest::prelude::*;
use stackhold_harness::authority::authority;
use stackhold_harness::closed_loop::fly;
use stackhold_harness::metrics::measure;
use stackhold_harness::scenario::load_named_or_path;
use stackhold_harness::scenario::model::{Body, Interface, Jet, JetState, Plume, Scenario};
use stackhold_harness::table;
use stackhold_harness::truth::Truth;

/// 10 N along x at 1 m above the origin; its plume strikes a slanted face 2 m behind, which takes (−1, 0, 2)
/// N.
fn struck() -> Jet {
    let plume = Plume { body: "panel".into(), distance_m: 2.0, lost_share: 0.0, force_n: [-1.0, 0.0, 2.0] };
    Jet { thrust_n: 10.0, plume: Some(plume), ..jet("struck", [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]) }
}

fn with_panel(mut made: Scenario) -> Scenario {
    let hub = made.vehicle.bodies[0].clone();
    made.vehicle.bodies.push(Body { name: "panel".into(), mass_kg: 1.0, ..hub });
    made.stack.push("panel".into());
    made.told.stack.push("panel".into());
    made
}

fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|name| (*name).to_owned()).collect()
}

#[test]
fn the_line_of_force_is_that_of_both_forces_by_hand() {
    // Jet: (10, 0, 0) at (0, 0, 1), 10 N·m about y. Plume: (−1, 0, 2) at (−2, 0, 1), 1 · (−1) − (−2) · 2 = 3
    // N·m about y. Together (9, 0, 2) N and (0, 13, 0) N·m.
    let effective = struck().on(&names(&["hub", "panel"]));
    let force = Vector3::from(effective.force_direction) * effective.thrust_n;
    assert!((force - Vector3::new(9.0, 0.0, 2.0)).norm() < 1e-12);
    let torque = Vector3::from(effective.position_m).cross(&force);
    assert!((torque - Vector3::new(0.0, 13.0, 0.0)).norm() < 1e-12);
    // The same flow: thrust over specific impulse.
    let flow = |jet: &Jet| jet.thrust_n / jet.specific_impulse_s;
    assert!(close(flow(&effective), flow(&struck()), 1e-12));
    // Nothing there to strike: the plain jet. Struck once is struck once.
    assert_eq!(struck().on(&names(&["hub"])), Jet { plume: None, ..struck() });
    assert_eq!(effective.on(&names(&["hub", "panel"])), effective);
    // Head-on, a tenth lost on the same line.
    let plume = Plume { body: "panel".into(), distance_m: 2.0, lost_share: 0.1, force_n: [0.0; 3] };
    let head_on = Jet { plume: Some(plume), ..struck() }.on(&names(&["panel"]));
    assert!(close(head_on.thrust_n, 9.0, 1e-12) && head_on.force_direction == [1.0, 0.0, 0.0]);
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// One force on one line stands for jet and plume exactly, whatever they are.
    #[test]
    fn jet_and_plume_are_one_force(
        place in prop::array::uniform3(-3.0_f64..3.0),
        towards in prop::array::uniform3(-1.0_f64..1.0),
        distance_m in 0.01_f64..20.0,
        lost_share in 0.0_f64..0.3,
        push in prop::array::uniform3(-2.0_f64..2.0),
        about in prop::array::uniform3(-5.0_f64..5.0),
    ) {
        let towards = Vector3::from(towards);
        prop_assume!(towards.norm() > 0.1);
        let plume = Plume { body: "hub".into(), distance_m, lost_share, force_n: push };
        let plain = jet("one", place, towards.normalize().into());
        let one = Jet { plume: Some(plume), ..plain };
        let effective = one.on(&names(&["hub"]));
        let wrench = |place: [f64; 3], force: Vector3<f64>| {
            (force, (Vector3::from(place) - Vector3::from(about)).cross(&force))
        };
        let direction = Vector3::from(one.force_direction);
        let nozzle = wrench(one.position_m, direction * one.thrust_n);
        let place = Vector3::from(one.position_m) - direction * distance_m;
        let strike = wrench(place.into(), Vector3::from(push) - direction * (lost_share * one.thrust_n));
        let both = wrench(effective.position_m, Vector3::from(effective.force_direction) * effective.thrust_n);
        prop_assert!((both.0 - nozzle.0 - strike.0).norm() < 1e-10);
        prop_assert!((both.1 - nozzle.1 - strike.1).norm() < 1e-9);
    }
}

#[test]
fn the_truth_pushes_with_jet_and_plume_and_uses_the_flow_of_the_jet() {
    // On a hub of 1,000 kg and a panel of 1 kg at the origin, a pulse of 0.2 s with both ramps gives 10 N for
    // 0.2 s.
    let mut one = struck();
    (one.rise_s, one.tail_off_s) = (0.05, 0.05);
    let mut made = with_panel(scenario(vec![one], [0.0; 3], [1e3, 1e3, 1e3], 10.0));
    made.vehicle.tanks[0].propellant_kg = 1.0;
    let flown = |stack: &[String]| {
        let mut truth = Truth::new(&made, stack).unwrap();
        truth.command_valve(0, true, 1.0).unwrap();
        truth.command_valve(0, false, 1.2).unwrap();
        truth.advance_to(3.0);
        truth
    };
    let both = flown(&made.stack);
    let plain = flown(&names(&["hub"]));
    assert!(close(both.propellant_used_kg(), plain.propellant_used_kg(), 1e-9));
    // The hub twice over and 1 kg: 2,000 kg·m² and 1,002 kg with the propellant.
    let momentum = both.momentum_n_s();
    assert!(close(momentum[0], 1.8, 1e-3) && close(momentum[2], 0.4, 1e-3), "{momentum:?}");
    assert!(close(both.angular_momentum_n_m_s()[1], 2.6, 1e-3), "{:?}", both.angular_momentum_n_m_s());
    assert!(close(plain.momentum_n_s()[0], 2.0, 1e-3) && close(plain.angular_momentum_n_m_s()[1], 2.0, 1e-3));
}

/// The demonstration with its small forward jet in use: the plume strikes the client's face, which stands 1.9
/// m ahead, and loses a third of the push; its force on the face leans aside.
fn demo() -> Scenario {
    let mut demo = load_named_or_path("docked_hold").unwrap();
    let strike = |jet: &mut Jet| {
        jet.state = JetState::Ready;
        let plume =
            Plume { body: "client".into(), distance_m: 1.9, lost_share: 0.3, force_n: [0.0, -0.8, 0.4] };
        jet.plume = Some(plume);
    };
    demo.vehicle.jets.iter_mut().filter(|jet| jet.name == "fore_low_minus_x").for_each(strike);
    // Struck as well, and used in every axis: the jet that no failure can spare.
    let skim = |jet: &mut Jet| {
        let plume =
            Plume { body: "spent_stage".into(), distance_m: 2.5, lost_share: 0.0, force_n: [0.9, -1.5, 0.6] };
        jet.plume = Some(plume);
    };
    demo.vehicle.jets.iter_mut().filter(|jet| jet.name == "fore_top_plus_y").for_each(skim);
    demo.variants.clear();
    demo
}

#[test]
fn told_of_its_plumes_the_kernel_moves_an_axis_alone() {
    let demo = demo();
    let told = authority(&demo, 0.1).unwrap();
    // Told a stack without what is struck, the kernel is told plain jets.
    let mut unaware = demo.clone();
    unaware.told.stack.retain(|body| body != "spent_stage" && body != "client");
    let plain = table::build(&unaware, &demo.stack, &unaware.told).unwrap();
    let aware = table::build(&demo, &demo.stack, &demo.told).unwrap();
    let changed: Vec<&str> = demo
        .vehicle
        .jets
        .iter()
        .zip(plain.jets.iter().zip(&aware.jets))
        .filter(|(_, (plain, aware))| plain != aware)
        .map(|(jet, _)| jet.name.as_str())
        .collect();
    assert_eq!(changed, ["fore_low_minus_x", "fore_top_plus_y"]);
    let skimmed = told.jets.iter().find(|jet| jet.jet == "fore_top_plus_y").unwrap();
    assert!(close(skimmed.plume.as_ref().unwrap().thrust_left_share, 4.5 / 6.0, 1e-12));
    for axis in &told.axes {
        assert!(axis.coupling_as_told.is_none_or(|coupling| coupling < 1e-9), "{axis:?}");
        let rotation = &axis.rotation;
        if rotation.outcome != "delivered" {
            continue;
        }
        let rates = rotation.as_flown.rate_change_deg_s;
        let number = ["x", "y", "z"].iter().position(|name| axis.axis.ends_with(name)).unwrap();
        let wanted: f64 = if axis.axis.starts_with('+') { 0.1 } else { -0.1 };
        let off = (0..3).filter(|i| *i != number).map(|i| rates[i].powi(2)).sum::<f64>().sqrt();
        println!("{}: {:.4} deg/s, off-axis {:.2} %", axis.axis, rates[number], off * 1e3);
        assert!(close(rates[number], wanted, 0.05) && off < 0.05 * wanted.abs(), "{axis:?}");
    }
    // Whoever forgets the plume of a jet in use couples: the same firing, the plume put back.
    let mut forgetful = demo.clone();
    for jet in &mut forgetful.vehicle.jets {
        jet.plume = None;
    }
    let believed = authority(&forgetful, 0.1).unwrap();
    let firing = &believed.axes[1].rotation;
    assert!(firing.jets.iter().any(|firing| firing.jet == "fore_top_plus_y"));
    let mut rates = Vector3::zeros();
    for fired in &firing.jets {
        let really = told.jets.iter().find(|jet| jet.jet == fired.jet).unwrap();
        rates += Vector3::from(really.acceleration_deg_s2) * fired.acting_time_s;
    }
    let off = rates[1].hypot(rates[2]) / rates[0].abs();
    println!("-x without knowing of the plume: {rates:?} deg/s, off-axis {:.0} %", off * 100.0);
    assert!(off > 0.1, "{rates:?}");
}

#[test]
fn a_hold_with_plumes_closes_its_books() {
    let mut demo = demo();
    demo.duration_s = 1800.0;
    let record = fly(&demo, &demo.stack, &demo.told, "told_truth", &mut |_| {}).unwrap();
    let metrics = measure(&demo, &demo.stack, &record).unwrap();
    let bound = metrics.bound.unwrap();
    assert!(bound.proven, "{:?}", bound.doubts);
    let over = metrics.figures.get("propellant_over_bound").unwrap();
    println!(
        "worst axis error {:?} deg, over the bound {over:.3}",
        metrics.figures.get("worst_axis_error_deg")
    );
    assert!((1.0..2.0).contains(&over), "{over}");
    assert!(metrics.figures.get("worst_axis_error_deg").unwrap() < 0.55);
    assert_eq!(metrics.figures.get("selections_unproven"), Some(0.0));
}

#[test]
fn a_plume_on_the_far_side_goes_through_the_interface() {
    // 8 N backwards on a near body of 100 kg, half of it back on the far body of 300 kg: all go at −4 / 400 =
    // −0.01 m/s², which takes −3 N of the far body; its plume gives +4, so the joint gives −7 N. Nothing
    // turns.
    let plume = Plume { body: "far".into(), distance_m: 2.0, lost_share: 0.5, force_n: [0.0; 3] };
    let back = Jet { thrust_n: 8.0, plume: Some(plume), ..jet("back", [0.5, 0.0, 0.0], [-1.0, 0.0, 0.0]) };
    let mut made = scenario(
        vec![back, jet("aside", [0.5, 0.0, 0.0], [0.0, 1.0, 0.0])],
        [0.0; 3],
        [10.0, 20.0, 20.0],
        10.0,
    );
    made.vehicle.bodies[0].mass_kg = 100.0;
    let near = made.vehicle.bodies[0].clone();
    made.vehicle.bodies.push(Body {
        name: "far".into(),
        mass_kg: 300.0,
        centre_of_mass_m: [4.0, 0.0, 0.0],
        ..near
    });
    made.stack.push("far".into());
    made.told.stack.push("far".into());
    made.vehicle.tanks[0].propellant_kg = 1e-3;
    made.vehicle.interfaces =
        vec![Interface { name: "joint".into(), position_m: [1.0, 0.0, 0.0], far_side: names(&["far"]) }];
    made.vehicle.jets.iter_mut().for_each(|jet| jet.specific_impulse_s = 1e5);
    let found = authority(&made, 0.1).unwrap();
    let load = &found.interfaces[0].jets[0];
    assert!(
        close(load.force_n[0], -7.0, 1e-5) && load.force_n[1] == 0.0 && load.moment_n_m == [0.0; 3],
        "{load:?}"
    );
    let mut truth = Truth::new(&made, &made.stack).unwrap();
    truth.command_valve(0, true, 1.0).unwrap();
    truth.command_valve(0, false, 1.2).unwrap();
    truth.advance_to(2.0);
    truth.close_phase();
    assert!(close(truth.interface_loads()[0].phases[0].force_n, 7.0, 1e-5));
}
