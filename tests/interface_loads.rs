//! Loads on interfaces: two bodies by hand, action and reaction, flights, and the stages of a firing.
mod handmade;

use handmade::{close, jet, scenario};
use nalgebra::Vector3;
use proptest::prelude::*;
use stackhold_harness::authority::authority;
use stackhold_harness::closed_loop::fly;
use stackhold_harness::interface_loads::{InterfaceAuthority, load_shares};
use stackhold_harness::metrics;
use stackhold_harness::record::ValveEdge;
use stackhold_harness::scenario::load_named_or_path;
use stackhold_harness::scenario::model::{
    Body, Disturbance, Interface, InterfaceLimit, Mode, Phase, Push, Scenario, Told,
};
use stackhold_harness::stack::Stack;
use stackhold_harness::truth::Truth;
use stackhold_harness::truth::interface::{Load, Moment, load};
use stackhold_harness::truth::motion::{Inertial, Wrench};

/// A near body of 100 kg at the origin and a far one of 300 kg at 4 m along x, joined at 1 m; jets of 8 N on
/// the near body. Composite by hand: 400 kg at (3, 0, 0); about z 20 + 100·3² + 60 + 300·1² = 1,280 kg·m².
fn two_bodies() -> Scenario {
    let mut jets = vec![
        jet("along", [-1.0, 0.0, 0.0], [1.0, 0.0, 0.0]),
        jet("across", [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
        jet("far_across", [4.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
    ];
    for jet in &mut jets {
        jet.thrust_n = 8.0;
    }
    jets[2].body = "far".into();
    let mut made = scenario(jets, [0.0; 3], [10.0, 20.0, 20.0], 10.0);
    made.vehicle.bodies[0].mass_kg = 100.0;
    let near = made.vehicle.bodies[0].clone();
    made.vehicle.bodies.push(Body {
        name: "far".into(),
        mass_kg: 300.0,
        centre_of_mass_m: [4.0, 0.0, 0.0],
        inertia_kg_m2: [[30.0, 0.0, 0.0], [0.0, 60.0, 0.0], [0.0, 0.0, 60.0]],
        ..near
    });
    // Next to no propellant, with a specific impulse that uses next to nothing of it.
    made.vehicle.tanks[0].propellant_kg = 1e-3;
    made.vehicle.jets.iter_mut().for_each(|jet| jet.specific_impulse_s = 1e5);
    made.stack.push("far".into());
    made.told.stack.push("far".into());
    made.vehicle.interfaces =
        vec![Interface { name: "joint".into(), position_m: [1.0, 0.0, 0.0], far_side: vec!["far".into()] }];
    made
}

/// Loads on the joint of [`two_bodies`] at a rate, rad/s, under a force, N, at a place, m, on the near or the
/// far body.
fn joint(rate: [f64; 3], force: [f64; 3], place: [f64; 3], on_far: bool) -> Load {
    let made = two_bodies();
    let names = |list: &[&str]| list.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    let whole = Inertial::new(&Stack::new(&made.vehicle, &made.stack).with_propellant(&[0.0]), None, None);
    let far = Stack::new(&made.vehicle, &names(&["far"])).with_propellant(&[0.0]);
    let force = Vector3::from(force);
    let all = Wrench { force, torque: Vector3::from(place).cross(&force), ..Wrench::default() };
    let on_far = if on_far { all } else { Wrench::default() };
    let at = Moment { whole: &whole, far: &far, rate: rate.into(), all, on_far };
    load(&Vector3::new(1.0, 0.0, 0.0), &at)
}

fn is(found: Vector3<f64>, wanted: [f64; 3]) -> bool {
    (found - Vector3::from(wanted)).norm() < 1e-12
}

#[test]
fn two_bodies_by_hand() {
    // 8 N along the line of both centres of mass: 0.02 m/s² for all, so 300 · 0.02 = 6 N for the far body; no
    // moment.
    let along = joint([0.0; 3], [8.0, 0.0, 0.0], [-1.0, 0.0, 0.0], false);
    assert!(is(along.force, [6.0, 0.0, 0.0]) && is(along.moment, [0.0; 3]), "{along:?}");
    // 8 N across at −1 m, 4 m behind the centre of mass: −32 N·m over 1,280 kg·m² is −0.025 rad/s²; the far
    // body, 1 m ahead, goes 0.02 − 0.025 = −0.005 m/s², so −1.5 N; about the joint 60 · (−0.025) + 3 · (−1.5)
    // = −6 N·m. The near body the other way round: 0.02 + 3 · 0.025 = 0.095 m/s², 9.5 N, of which the jet
    // gives 8.
    let across = joint([0.0; 3], [0.0, 8.0, 0.0], [-1.0, 0.0, 0.0], false);
    assert!(is(across.force, [0.0, -1.5, 0.0]) && is(across.moment, [0.0, 0.0, -6.0]), "{across:?}");
    // 8 N across on the far body at its centre, 1 m ahead: 8 N·m are 0.00625 rad/s²; 0.02 + 0.00625 = 0.02625
    // m/s² take 7.875 N of the 8, so −0.125 N; about the joint 60 · 0.00625 + 3 · (−0.125) = 0 N·m. (The near
    // body: 0.02 − 3 · 0.00625 = 0.00125 m/s², 0.125 N, and 20 · 0.00625 = 0.125 N·m, by 0.125 N at its arm
    // of 1 m alone.)
    let far = joint([0.0; 3], [0.0, 8.0, 0.0], [4.0, 0.0, 0.0], true);
    assert!(is(far.force, [0.0, -0.125, 0.0]) && is(far.moment, [0.0; 3]), "{far:?}");
    // Turning at 0.1 rad/s about z, nothing pushing: the far body goes round the centre of mass 1 m away, 300
    // · 0.01 · 1 N inwards.
    let spinning = joint([0.0, 0.0, 0.1], [0.0; 3], [0.0; 3], false);
    assert!(is(spinning.force, [-3.0, 0.0, 0.0]) && is(spinning.moment, [0.0; 3]), "{spinning:?}");
    // At rates about x and z the stack's pitch follows Euler's equation, ω̇y = (Jz − Jx) ωz ωx / Jy with Jx =
    // 40, Jy = Jz = 1,280: 0.96875 · 0.02 = 0.019375 rad/s². The far body's own rate of angular momentum
    // about y is 60 ω̇y + (30 − 60) ωz ωx = 0.5625 N·m; its centre moves by ω̇ × (1, 0, 0) + ω (ω · (1, 0,
    // 0)) − ω² (1, 0, 0) = (−0.01, 0, −0.019375 + 0.02), so the force is (−3, 0, 0.1875) N, and about the
    // joint 3 m behind −3 · 0.1875 are added.
    let both = joint([0.2, 0.0, 0.1], [0.0; 3], [0.0; 3], false);
    assert!(is(both.force, [-3.0, 0.0, 0.1875]) && is(both.moment, [0.0, 0.0, 0.0]), "{both:?}");
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// The far side upon the near side is the opposite of the near side upon the far side, whatever moves and
    /// pushes.
    #[test]
    fn action_is_reaction(
        rate in prop::array::uniform3(-0.5_f64..0.5),
        forces in prop::array::uniform2(prop::array::uniform3(-50.0_f64..50.0)),
        places in prop::array::uniform2(prop::array::uniform3(-5.0_f64..5.0)),
        joint in prop::array::uniform3(-5.0_f64..5.0),
        split in 1_usize..4,
    ) {
        let demo = load_named_or_path("docked_hold").unwrap();
        let full = [150.0, 140.0];
        let part = |names: &[String]| Stack::new(&demo.vehicle, names).with_propellant(&full);
        let whole = Inertial::new(&part(&demo.stack), None, None);
        let (near, far) = (part(&demo.stack[..split]), part(&demo.stack[split..]));
        let push = |k: usize| {
            let force = Vector3::from(forces[k]);
            Wrench { force, torque: Vector3::from(places[k]).cross(&force), ..Wrench::default() }
        };
        let mut all = push(0);
        all.add(&push(1), 1.0);
        let (rate, place) = (Vector3::from(rate), Vector3::from(joint));
        let on_far = load(&place, &Moment { whole: &whole, far: &far, rate, all, on_far: push(1) });
        let on_near = load(&place, &Moment { whole: &whole, far: &near, rate, all, on_far: push(0) });
        prop_assert!((on_far.force + on_near.force).norm() < 1e-9 * (1.0 + on_far.force.norm()), "{on_far:?} {on_near:?}");
        prop_assert!((on_far.moment + on_near.moment).norm() < 1e-9 * (1.0 + on_far.moment.norm()), "{on_far:?} {on_near:?}");
    }
}

/// Peak loads of one pulse of a jet from 1 s to 1.2 s on the truth.
fn pulse(scenario: &Scenario, jet: usize) -> (f64, f64, f64) {
    let mut truth = Truth::new(scenario, &scenario.stack).unwrap();
    truth.command_valve(jet, true, 1.0).unwrap();
    truth.command_valve(jet, false, 1.2).unwrap();
    truth.advance_to(3.0);
    truth.close_phase();
    let loads = truth.interface_loads();
    let peak = loads[0].phases[0];
    (peak.force_n, peak.moment_n_m, peak.force_at_s)
}

#[test]
fn a_pulse_loads_the_joint_as_by_hand() {
    let mut made = two_bodies();
    // With ramps and without: the largest load is that of steady thrust, found between the control cycles
    // too. The rate gathered, 0.005 rad/s, adds 300 · 0.005² · 1 N along x, 0.01 N across 1.5 N.
    for ramp in [0.0, 0.05] {
        made.vehicle.jets.iter_mut().for_each(|jet| (jet.rise_s, jet.tail_off_s) = (ramp, ramp));
        let (force, moment, _) = pulse(&made, 0);
        assert!(close(force, 6.0, 1e-5) && moment < 1e-6, "{force} {moment}");
        let (force, moment, at) = pulse(&made, 1);
        assert!(
            close(force, 1.5, 1e-4) && close(moment, 6.0, 1e-5) && (1.0..=1.2).contains(&at),
            "{force} {moment} {at}"
        );
        let (force, moment, _) = pulse(&made, 2);
        assert!(close(force, 0.125, 1e-3) && moment < 1e-4, "{force} {moment}");
    }
    // A vent of 3 N on the far body pushes all at 0.0075 m/s², which takes 2.25 N of the 3: 0.75 N go through
    // the joint; on the near body it would be the 2.25 N.
    for (body, wanted) in [(Some("far".to_owned()), 0.75), (None, 2.25)] {
        let vent = Push::Vent { position_m: [5.0, 0.0, 0.0], force_n: [3.0, 0.0, 0.0], torque_n_m: [0.0; 3] };
        made.disturbances =
            vec![Disturbance { name: "vent".into(), start_s: 0.5, stop_s: 2.5, push: vent, body }];
        let mut truth = Truth::new(&made, &made.stack).unwrap();
        truth.advance_to(3.0);
        truth.close_phase();
        assert!(close(truth.interface_loads()[0].phases[0].force_n, wanted, 1e-5));
    }
    // Nothing on the far side: nothing to watch.
    made.disturbances.clear();
    made.stack.pop();
    made.vehicle.jets.truncate(2);
    assert!(Truth::new(&made, &made.stack).unwrap().interface_loads().is_empty());
}

/// Largest force and moment between two times by the loads of single jets, from the valve edges and the ramps
/// of each pulse: thrust is a trapezium, so the largest load stands at one of the corners.
fn by_valve_edges(
    scenario: &Scenario,
    edges: &[ValveEdge],
    interface: &InterfaceAuthority,
    from: f64,
    to: f64,
) -> (f64, f64) {
    let mut pulses: Vec<(usize, f64, f64)> = Vec::new();
    for edge in edges {
        match pulses.iter_mut().rfind(|(jet, _, _)| *jet == edge.jet) {
            Some(pulse) if !edge.open => pulse.2 = edge.time_s,
            _ => pulses.push((edge.jet, edge.time_s, f64::INFINITY)),
        }
    }
    let corners_of = |(jet, open, shut): &(usize, f64, f64)| {
        let jet = &scenario.vehicle.jets[*jet];
        let (rise, fall) = (open + jet.opening_delay_s, shut + jet.closing_delay_s);
        [rise, rise + jet.rise_s, fall, fall + jet.tail_off_s]
    };
    let share = |pulse: &(usize, f64, f64), time: f64| {
        let [rise, full, fall, shut] = corners_of(pulse);
        ((time - rise) / (full - rise)).min((shut - time) / (shut - fall)).clamp(0.0, 1.0)
    };
    let times = pulses.iter().flat_map(corners_of).filter(|time| (from..to).contains(time));
    let (mut force_n, mut moment_n_m) = (0.0_f64, 0.0_f64);
    for time in times {
        let (mut force, mut moment) = (Vector3::zeros(), Vector3::zeros());
        for pulse in &pulses {
            let name = &scenario.vehicle.jets[pulse.0].name;
            let load = interface.jets.iter().find(|load| load.jet == *name).unwrap();
            force += Vector3::from(load.force_n) * share(pulse, time);
            moment += Vector3::from(load.moment_n_m) * share(pulse, time);
        }
        force_n = force_n.max(force.norm());
        moment_n_m = moment_n_m.max(moment.norm());
    }
    (force_n, moment_n_m)
}

#[test]
fn peaks_are_kept_phase_by_phase_and_bounded_by_a_requirement() {
    let mut demo = load_named_or_path("docked_hold").unwrap();
    demo.initial.rate_rad_s = [0.0; 3];
    demo.duration_s = 60.0;
    demo.disturbances.clear();
    demo.actuators.thrust_scatter = 0.0;
    demo.actuators.pulse_scatter = 0.0;
    let turn = |change: [f64; 3]| Mode::Impulse {
        rate_change_rad_s: change.map(f64::to_radians),
        velocity_change_m_s: None,
    };
    demo.phases = vec![
        Phase { start_s: 0.0, early: false, mode: turn([0.0, 0.1, 0.0]) },
        Phase { start_s: 20.0, early: false, mode: Mode::FreeDrift },
        Phase { start_s: 40.0, early: false, mode: turn([0.0, -0.1, 0.0]) },
    ];
    let record = fly(&demo, &demo.stack, &demo.told, "told_truth", &mut |_| {}).unwrap();
    let found = authority(&demo, 0.1).unwrap();
    for (loads, expected) in record.interfaces.iter().zip(&found.interfaces) {
        assert_eq!(loads.interface, expected.interface);
        let [there, coast, back] = loads.phases.as_slice() else { panic!("{loads:?}") };
        for (peak, from) in [(there, 0.0), (back, 40.0)] {
            let (force, moment) = by_valve_edges(&demo, &record.edges, expected, from, from + 20.0);
            println!(
                "{} from {from} s: {:.3} N {:.3} N·m flown, {force:.3} N {moment:.3} N·m by the valve edges",
                loads.interface, peak.force_n, peak.moment_n_m
            );
            assert!(close(peak.force_n, force, 5e-3), "{peak:?} {force}");
            assert!(close(peak.moment_n_m, moment, 5e-3), "{peak:?} {moment}");
        }
        // Coasting at 0.1 deg/s: centripetal only.
        assert!(coast.force_n > 0.0 && coast.force_n < 0.02, "{coast:?}");
        assert!((40.0..60.0).contains(&back.moment_at_s), "{back:?}");
    }
    let figures = metrics::measure(&demo, &demo.stack, &record).unwrap().figures;
    let most = record.interfaces[0].phases.iter().map(|peak| peak.moment_n_m).fold(0.0, f64::max);
    assert_eq!(figures.get("peak_moment_at_grapple_n_m"), Some(most));
    assert!(figures.get("peak_force_at_stage_clamp_n").unwrap() > 0.0);
}

#[test]
fn the_stages_of_a_firing_are_those_of_its_valves() {
    let demo = load_named_or_path("docked_hold").unwrap();
    let found = authority(&demo, 0.1).unwrap();
    assert_eq!(found.interfaces.len(), 2);
    for interface in &found.interfaces {
        for axis in &interface.axes {
            let rotation = &found.axes.iter().find(|other| other.axis == axis.axis).unwrap().rotation;
            let (mut force_n, mut moment_n_m) = (0.0_f64, 0.0_f64);
            for tick in 0..1000 {
                let time = (f64::from(tick) + 0.5) * 0.004;
                let (mut force, mut moment) = (Vector3::zeros(), Vector3::zeros());
                for firing in rotation.jets.iter().filter(|firing| firing.on_time_s > time) {
                    let load = interface.jets.iter().find(|load| load.jet == firing.jet).unwrap();
                    force += Vector3::from(load.force_n);
                    moment += Vector3::from(load.moment_n_m);
                }
                force_n = force_n.max(force.norm());
                moment_n_m = moment_n_m.max(moment.norm());
            }
            assert!(
                close(axis.peak_force_n, force_n, 1e-12) && close(axis.peak_moment_n_m, moment_n_m, 1e-12),
                "{axis:?}"
            );
        }
    }
    // By hand: every jet of the demonstration is on the tug, and 2,600 of 3,700 kg are beyond the grapple. A
    // jet that turns nothing would pass 2,600 / 3,700 of its force on; what turning adds or takes is less
    // than its force.
    for load in &found.interfaces[0].jets {
        let jet = demo.vehicle.jets.iter().find(|jet| jet.name == load.jet).unwrap();
        let plain = Vector3::from(jet.force_direction) * jet.thrust_n * 2600.0 / 3700.0;
        assert!((Vector3::from(load.force_n) - plain).norm() < jet.thrust_n, "{load:?}");
    }
}

// ---------------------------------------------------------------------------------------- limits

fn limit(interface: &str, force_n: Option<f64>, moment_n_m: Option<f64>, kept_back: f64) -> InterfaceLimit {
    InterfaceLimit { interface: interface.into(), force_n, moment_n_m, kept_back }
}

/// The loads of [`two_bodies_by_hand`] over 12 N and 8 N·m, in 255ths and rounded up: 6/12 is 127.5, 1.5/12 is 31.9,
/// 0.125/12 is 2.7, and 6/8 is 191.25.
#[test]
fn shares_of_two_bodies_by_hand() {
    let made = two_bodies();
    let shares = |limits: &[InterfaceLimit], told: &Told| load_shares(&made.vehicle, limits, told);
    let by_hand = [[128, 0, 0, 0], [32, 192, 0, 0], [3, 0, 0, 0]];
    let all = limit("joint", Some(12.0), Some(8.0), 0.0);
    assert_eq!(shares(std::slice::from_ref(&all), &made.told).unwrap(), by_hand);
    // What is kept back makes the limit smaller; a moment alone comes first; told twice the thrust, twice the share.
    let kept_back = limit("joint", None, Some(16.0), 0.5);
    let moments = [[0; 4], [192, 0, 0, 0], [0; 4]];
    assert_eq!(shares(std::slice::from_ref(&kept_back), &made.told).unwrap(), moments);
    let half = limit("joint", None, Some(32.0), 0.5);
    let told = Told { thrust_factor: 2.0, ..made.told.clone() };
    assert_eq!(shares(&[half], &told).unwrap(), moments);
    // Told twice the mass, the same loads.
    let told = Told { mass_factor: 2.0, ..made.told.clone() };
    assert_eq!(shares(&[kept_back], &told).unwrap(), moments);
    // Exactly all of it is not too much; a little less is.
    assert_eq!(shares(&[limit("joint", Some(6.0), None, 0.0)], &made.told).unwrap()[0][0], 255);
    let too_much = shares(&[limit("joint", Some(5.9), None, 0.0)], &made.told).unwrap_err();
    assert_eq!((too_much.jet.as_str(), too_much.unit), ("along", "N"));
    assert!(close(too_much.puts, 6.0, 1e-4) && close(too_much.room, 5.9, 1e-12), "{too_much}");
    // Nobody beyond the joint, as far as the kernel is told: nothing to spare.
    let near = Told { stack: vec!["body".into()], ..made.told.clone() };
    assert_eq!(shares(&[all], &near).unwrap(), [[0; 4]; 3]);
}

/// Largest sum of shares that are open together, by the edges of the valves.
fn most_open(shares: &[[u8; 4]], edges: &[ValveEdge]) -> [u32; 4] {
    let (mut open, mut most) = ([0_u32; 4], [0_u32; 4]);
    for at in edges.chunk_by(|a, b| a.time_s == b.time_s) {
        // Those that close now make room for those that open now.
        for edge in at.iter().filter(|edge| !edge.open) {
            (0..4).for_each(|load| open[load] -= u32::from(shares[edge.jet][load]));
        }
        for edge in at.iter().filter(|edge| edge.open) {
            (0..4).for_each(|load| open[load] += u32::from(shares[edge.jet][load]));
        }
        most = std::array::from_fn(|load| most[load].max(open[load]));
    }
    most
}

/// Every mode that fires, with a grapple that carries little more than what one jet puts on it: shares keep to the
/// whole, loads to the limit, tenth kept back and all; without the limit the same flight goes beyond it. Also where the
/// pulses of one jet run through the edge of a cycle and another opens there.
#[test]
fn no_mode_puts_more_on_an_interface_than_it_may_carry() {
    for name in [
        "docked_hold",
        "coarse_and_fine_hold",
        "slew_quick",
        "slew_cheap",
        "rate_by_hand",
        "one_axis_firing_roll",
        "slow_rotation",
    ] {
        let mut made = load_named_or_path(name).unwrap();
        made.duration_s = made.duration_s.min(1200.0);
        made.kernel.trade.interface_limits = vec![limit("grapple", None, Some(31.0), 0.1)];
        let most = |told: &Told| {
            let record = fly(&made, &made.stack, told, "told_truth", &mut |_| {}).unwrap();
            let phases = record.interfaces[0].phases.iter();
            (phases.map(|peak| peak.moment_n_m).fold(0.0, f64::max), record)
        };
        let (kept_n_m, record) = most(&made.told);
        let (free_n_m, _) = most(&Told { interface_limits_kept: false, ..made.told.clone() });
        let shares = load_shares(&made.vehicle, &made.kernel.trade.interface_limits, &made.told).unwrap();
        let open = most_open(&shares, &record.edges);
        println!("{name}: {kept_n_m:.2} N·m, {open:?} of 255 open; without the limit {free_n_m:.2} N·m");
        assert!(open[0] > 0 && open.iter().all(|share| *share <= 255), "{name}: {open:?}");
        // 27.9 N·m may be put on it; thrust and pulses scatter by 1 %, one sigma each.
        assert!(kept_n_m <= 27.9 * 1.03, "{name}: {kept_n_m}");
        assert!(free_n_m > 31.0, "{name}: {free_n_m} anyhow");
    }
}
