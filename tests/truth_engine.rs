//! The truth's main engine and gimbal: rocket equation, trim, closed forms of gimbal and transients, books.

#[path = "truth_scene.rs"]
mod scene;

use nalgebra::Vector3;
use scene::{accelerometer, body, diagonal, engine, jet, near, pulse, scene, truth, worst};
use stackhold_harness::record::EngineEdge;
use stackhold_harness::scenario;
use stackhold_harness::scenario::model::{
    Disturbance, Engine, Interface, Jet, Push, Scenario, Slosh, StuckGimbal,
};
use stackhold_harness::truth::engine::Mount;
use stackhold_harness::truth::{Truth, TruthError};

const G0: f64 = 9.806_65;

/// An engine at the centre of mass of `mass_kg`, its tank there too.
fn rocket(mass_kg: f64, thrust_n: f64, isp_s: f64, propellant_kg: f64) -> Scenario {
    let mut scenario = scene(mass_kg, [1.0, 0.0, 0.0], diagonal([100.0; 3]));
    scenario.vehicle.bodies[0].mass_kg = mass_kg - propellant_kg;
    scenario.vehicle.tanks[0].propellant_kg = propellant_kg;
    scenario.vehicle.engine = Some(engine([1.0, 0.0, 0.0], thrust_n, isp_s, 10.0));
    scenario
}

fn the_engine(scenario: &mut Scenario) -> &mut Engine {
    scenario.vehicle.engine.as_mut().unwrap()
}

/// Starts and stops the engine once.
fn burn(truth: &mut Truth, start_s: f64, stop_s: f64) {
    truth.command_engine(true, start_s).unwrap();
    truth.command_engine(false, stop_s).unwrap();
}

/// ROCKET: Tsiolkovsky, `Δv = Isp g0 ln(m0 / m1)`, computed with numpy. The burn ends where the tank runs dry, after a
/// start that takes its time; the gimbal stands at an angle, so that the gain lies along the thrust line and nothing
/// across it.
#[test]
fn rocket_equation() {
    for (mass, propellant, isp, want) in
        [(2000.0, 500.0, 310.0, 874.571_192_700_869_5), (1200.0, 54.351_537_097_871_06, 220.0, 100.0)]
    {
        let mut scenario = rocket(mass, 1000.0, isp, propellant);
        (the_engine(&mut scenario).start_delay_s, the_engine(&mut scenario).rise_s) = (0.1, 0.4);
        let mut truth = truth(&scenario);
        let angles = [0.05, -0.12];
        truth.command_gimbal(angles, 0.0).unwrap();
        truth.command_engine(true, 0.5).unwrap();
        truth.advance_to(2000.0);
        // Turned about y, then about what z has become: written out for force along x.
        let line = [angles[1].cos() * angles[0].cos(), angles[1].sin(), -angles[1].cos() * angles[0].sin()];
        near("Δv", truth.velocity_m_s(), line.map(|part| part * want), 1e-9 * want).unwrap();
        let unladen = propellant * isp * G0 / mass;
        near("Δv without the loss of mass", truth.velocity_m_s(), line.map(|part| part * unladen), 1.0)
            .unwrap_err();
        near("propellant", [truth.propellant_used_kg()], [propellant], 1e-11 * propellant).unwrap();
        let record = truth.engine_record();
        near("impulse", [record.impulse_n_s], [propellant * isp * G0], 1e-6).unwrap();
        assert_eq!((record.starts, truth.engine_thrust_n()), (1, Some(0.0)), "a dry tank");
        truth.command_engine(false, 2001.0).unwrap();
        truth.command_engine(true, 2002.0).unwrap();
        truth.advance_to(2010.0);
        near("dry for good", truth.velocity_m_s(), line.map(|part| part * want), 1e-9 * want).unwrap();
    }
}

/// 30 m/s of the demonstration's docked stack, its gimbal led after the centre of mass four times a second: what
/// Tsiolkovsky allows for the propellant used, along one line.
#[test]
fn a_burn_of_the_docked_stack() {
    let mut scenario = scenario::load_embedded(scenario::DEMO).unwrap();
    scenario.disturbances.clear();
    let engine = scenario.vehicle.engine.clone().unwrap();
    let mount = Mount::from(&engine);
    let mut truth = truth(&scenario);
    let start_kg = truth.mass_properties().mass_kg;
    burn(&mut truth, 3.0, 265.0);
    let mut line = None;
    for n in 0..1200 {
        let through = Vector3::from(truth.mass_properties().centre_of_mass_m) - Vector3::from(engine.pivot_m);
        line = line.or(Some(through.normalize()));
        truth.command_gimbal(mount.angles(&through), truth.time_s()).unwrap();
        truth.advance_to(0.25 * f64::from(n + 1));
    }
    let used = truth.engine_record().propellant_kg;
    let want = 312.0 * G0 * f64::ln(start_kg / (start_kg - used));
    let gained = Vector3::from(truth.velocity_m_s());
    let across = gained - line.unwrap() * gained.dot(&line.unwrap());
    println!(
        "{used} kg, {gained:?} of {want} m/s, {} m/s across, rate {:?}",
        across.norm(),
        truth.rate_rad_s()
    );
    assert!((used - 36.0).abs() < 0.5 && truth.propellant_used_kg() == used);
    // Nobody steers: what the gimbal is late by turns the stack by half a degree, and the thrust with it.
    near("gained", [gained.norm()], [want], 1e-4 * want).unwrap();
    assert!(across.norm() < 0.02 * want && Vector3::from(truth.rate_rad_s()).norm() < 2e-4, "{across}");
}

/// TVC-1: pivot (-2, 0, 0), centre of mass (1.5, 0.08, -0.05), thrust along +x at zero.
const PIVOT: [f64; 3] = [-2.0, 0.0, 0.0];
const CENTRE: [f64; 3] = [1.5, 0.08, -0.05];

/// TVC-1 (geometry, computed with numpy): direction through the centre of mass; yaw about z `atan2(dy, dx)`; the plane
/// projection `atan2(dz, dx)`, whose pitch about +y has the other sign; and the pitch of a mount that yaws first.
#[test]
fn trim_through_the_centre_of_mass() {
    let through = Vector3::from(CENTRE) - Vector3::from(PIVOT);
    let unit = [0.999_636_932_5, 0.022_848_844_17, -0.014_280_527_61];
    near("direction", through.normalize().into(), unit, 1e-10).unwrap();
    let mut mounted = engine(PIVOT, 400.0, 310.0, 10.0);
    let check = |mount: Mount, want: [f64; 2]| {
        let angles = mount.angles(&through);
        near("angles", angles.map(f64::to_degrees), want, 1e-9).unwrap();
        near("back again", mount.direction(angles).into(), unit, 1e-10).unwrap();
    };
    // Outer gimbal about +y: its angle is the plane projection; the inner one's sine is the y component.
    let inner = unit[1].asin().to_degrees();
    check(Mount::from(&mounted), [0.818_455_461_7, inner]);
    // Outer gimbal about +z: yaw first; the inner one turns about -y, where pitch counts the other way.
    mounted.first_axis = [0.0, 0.0, 1.0];
    assert_eq!(mounted.second_axis(), [0.0, -1.0, 0.0]);
    check(Mount::from(&mounted), [1.309_389_819, -0.818_241_773_9]);
}

/// TVC-2 (statics, computed with numpy): 400 N untrimmed make (0, 20, 32) N·m about the centre of mass; trimmed nothing;
/// 0.1 deg off after trim 2.444347175 N·m.
#[test]
fn torque_untrimmed_and_trimmed() {
    let mut scenario = scene(1e6, CENTRE, diagonal([1e9; 3]));
    scenario.vehicle.engine = Some(engine(PIVOT, 400.0, 1e9, 10.0));
    let torque = |scenario: &Scenario, angles: [f64; 2]| {
        let mut truth = truth(scenario);
        truth.command_gimbal(angles, 0.0).unwrap();
        burn(&mut truth, 0.0, 2.0);
        truth.advance_to(3.0);
        Vector3::from(truth.impulse_account().engine_n_m_s) / 2.0
    };
    near("untrimmed", torque(&scenario, [0.0; 2]).into(), [0.0, 20.0, 32.0], 1e-6).unwrap();
    let through = Vector3::from(CENTRE) - Vector3::from(PIVOT);
    let trim = Mount::from(&*the_engine(&mut scenario)).angles(&through);
    near("trimmed", torque(&scenario, trim).into(), [0.0; 3], 1e-6).unwrap();
    near("half a trim", torque(&scenario, trim.map(|angle| 0.5 * angle)).into(), [0.0; 3], 1.0).unwrap_err();
    let off = 0.1_f64.to_radians();
    let residual = torque(&scenario, [trim[0], trim[1] + off]).norm();
    near("0.1 deg off", [residual], [2.444_347_175], 1e-6).unwrap();
    // The same by a line of force that is off by so much.
    scenario.actuators.engine_misalignment_rad = [0.0, off];
    near("misaligned", [torque(&scenario, trim).norm()], [2.444_347_175], 1e-6).unwrap();
    // A tenth more thrust, and flow.
    scenario.actuators.engine_thrust_error = 0.1;
    near("strong", [torque(&scenario, trim).norm()], [1.1 * 2.444_347_175], 1e-6).unwrap();
}

/// Rate and time constant of the gimbal below.
const RATE: f64 = 0.1;
const LAG: f64 = 0.25;

fn slow_gimbal() -> Scenario {
    let mut scenario = rocket(1000.0, 400.0, 310.0, 100.0);
    let engine = the_engine(&mut scenario);
    (engine.gimbal_rate_rad_s, engine.gimbal_lag_s) = (RATE, LAG);
    engine.gimbal_travel_rad = 0.15;
    scenario
}

/// From zero to `command` with rate limit and lag: at full rate until the gap is rate times lag, then exponentially.
fn followed(command: f64, time: f64) -> f64 {
    let (way, gap) = (command.signum(), command.abs());
    let corner = ((gap - RATE * LAG) / RATE).max(0.0);
    let angle = if time < corner {
        RATE * time
    } else {
        gap - (gap - RATE * corner) * (-(time - corner) / LAG).exp()
    };
    way * angle
}

#[test]
fn the_gimbal_follows_at_its_rate_and_then_exponentially() {
    let scenario = slow_gimbal();
    // Far, so that the rate limits; near, so that it does not; beyond the stops.
    for command in [[0.12, -0.02], [-0.1, 0.024], [9.0, -1.0]] {
        let stopped = command.map(|angle: f64| angle.clamp(-0.15, 0.15));
        let (mut once, mut often) = (truth(&scenario), truth(&scenario));
        once.command_gimbal(command, 1.0).unwrap();
        for n in 1..=400 {
            let time = 0.01 * f64::from(n);
            once.advance_to(time);
            if n > 100 {
                // Said again and again it is no other command.
                often.command_gimbal(command, time - 0.01).unwrap();
            }
            often.advance_to(time);
            let want = stopped.map(|angle| followed(angle, (time - 1.0).max(0.0)));
            near("once", once.gimbal_rad().unwrap(), want, 1e-12).unwrap();
            near("often", often.gimbal_rad().unwrap(), want, 1e-12).unwrap();
        }
        once.advance_to(30.0);
        assert_eq!(once.gimbal_rad(), Some(stopped), "arrives to the last bit");
    }
    // Turned round halfway: from there by the same law.
    let mut truth = truth(&scenario);
    truth.command_gimbal([0.12, 0.0], 0.0).unwrap();
    truth.command_gimbal([0.0, 0.0], 0.5).unwrap();
    truth.advance_to(0.7);
    near("back", truth.gimbal_rad().unwrap(), [0.05 + followed(-0.05, 0.2), 0.0], 1e-12).unwrap();
}

#[test]
fn a_gimbal_without_a_lag_runs_into_its_command() {
    let mut scenario = slow_gimbal();
    the_engine(&mut scenario).gimbal_lag_s = 0.0;
    let mut limited = truth(&scenario);
    limited.command_gimbal([0.1, -0.03], 0.0).unwrap();
    for (time, want) in [(0.2, [0.02, -0.02]), (0.5, [0.05, -0.03]), (1.0, [0.1, -0.03]), (7.0, [0.1, -0.03])]
    {
        limited.advance_to(time);
        near("limited", limited.gimbal_rad().unwrap(), want, 1e-15).unwrap();
    }
    the_engine(&mut scenario).gimbal_rate_rad_s = f64::INFINITY;
    let mut ideal = truth(&scenario);
    ideal.command_gimbal([0.1, -0.03], 0.0).unwrap();
    ideal.advance_to(0.0);
    assert_eq!(ideal.gimbal_rad(), Some([0.1, -0.03]));
    the_engine(&mut scenario).gimbal_travel_rad = 0.0;
    let mut fixed = truth(&scenario);
    fixed.command_gimbal([0.1, -0.03], 0.0).unwrap();
    fixed.advance_to(5.0);
    assert_eq!(fixed.gimbal_rad(), Some([0.0; 2]));
}

#[test]
fn a_stuck_gimbal_heeds_no_command() {
    let stuck = |from_s: f64, at_rad: Option<[f64; 2]>| {
        let mut scenario = slow_gimbal();
        scenario.stuck_gimbal = Some(StuckGimbal { from_s, at_rad, told: true });
        let mut truth = truth(&scenario);
        truth.command_gimbal([0.12, -0.06], 0.0).unwrap();
        truth
    };
    let mut where_it_is = stuck(0.5, None);
    where_it_is.command_gimbal([0.0; 2], 2.0).unwrap();
    for time in [0.5, 3.0, 20.0] {
        where_it_is.advance_to(time);
        near("stays", where_it_is.gimbal_rad().unwrap(), [0.05, followed(-0.06, 0.5)], 1e-12).unwrap();
    }
    // From the start it has never been elsewhere; later it runs there.
    let mut from_the_start = stuck(0.0, Some([0.03, 0.01]));
    for time in [0.0, 0.1, 9.0] {
        from_the_start.advance_to(time);
        assert_eq!(from_the_start.gimbal_rad(), Some([0.03, 0.01]));
    }
    let mut later = stuck(0.5, Some([0.15, followed(-0.06, 0.5)]));
    later.advance_to(0.9);
    near("runs", later.gimbal_rad().unwrap(), [0.09, followed(-0.06, 0.5)], 1e-12).unwrap();
    later.advance_to(30.0);
    near("stays", later.gimbal_rad().unwrap(), [0.15, followed(-0.06, 0.5)], 1e-12).unwrap();
}

/// What a moving gimbal turns: `∫ F l sin(angle) dt`, the angle by the closed form above, Simpson's rule with fine
/// steps. The engine stands 2 m behind the centre of mass of something that hardly turns.
#[test]
fn a_moving_gimbal_pushes_as_its_angle_says() {
    let mut scenario = scene(1e7, [2.0, 0.0, 0.0], diagonal([1e10; 3]));
    scenario.vehicle.engine =
        Some(Engine { gimbal_rate_rad_s: RATE, gimbal_lag_s: LAG, ..engine([0.0; 3], 400.0, 1e9, 10.0) });
    let mut truth = truth(&scenario);
    truth.command_engine(true, 0.0).unwrap();
    truth.command_gimbal([0.0, 0.12], 1.0).unwrap();
    for (time, steps) in [(1.7, 70_000_u32), (4.0, 300_000)] {
        truth.advance_to(time);
        let step = (time - 1.0) / f64::from(steps);
        let torque = |n: f64| -2.0 * 400.0 * followed(0.12, n * step).sin();
        let sum: f64 = (0..steps)
            .map(f64::from)
            .map(|n| (torque(n) + 4.0 * torque(n + 0.5) + torque(n + 1.0)) * step / 6.0)
            .sum();
        near("impulse", truth.impulse_account().engine_n_m_s, [0.0, 0.0, sum], 1e-6 * sum.abs()).unwrap();
    }
}

/// Times of a start and of a shutdown, s.
const TIMES: [f64; 4] = [0.11, 0.32, 0.07, 0.26];

fn slow_start() -> Scenario {
    let mut scenario = rocket(1000.0, 400.0, 1e9, 100.0);
    let engine = the_engine(&mut scenario);
    [engine.start_delay_s, engine.rise_s, engine.shutdown_delay_s, engine.tail_off_s] = TIMES;
    scenario
}

/// Areas under thrust: a trapezoid, and triangles where it is told to stop before it has risen.
#[test]
fn impulse_of_start_and_tail_off() {
    let [start, rise, shutdown, tail] = TIMES;
    let delivered = |commands: &[(bool, f64)]| {
        let mut truth = truth(&slow_start());
        for &(on, time) in commands {
            truth.command_engine(on, time).unwrap();
        }
        truth.advance_to(20.0);
        near("momentum", truth.momentum_n_s(), [truth.engine_record().impulse_n_s, 0.0, 0.0], 1e-4).unwrap();
        truth.engine_record()
    };
    for on in [0.5, 3.7, 11.0] {
        let found = delivered(&[(true, 0.2), (false, 0.2 + on)]);
        let want = 400.0 * (on - start - 0.5 * rise + shutdown + 0.5 * tail);
        near("trapezoid", [found.impulse_n_s], [want], 1e-10).unwrap();
        near("on-time", [found.on_time_s], [on], 1e-14).unwrap();
        near("propellant", [found.propellant_kg], [want / (1e9 * G0)], 1e-16).unwrap();
        let edges = [EngineEdge { time_s: 0.2, on: true }, EngineEdge { time_s: 0.2 + on, on: false }];
        assert_eq!((found.starts, found.edges.as_slice()), (1, &edges[..]));
    }
    // 0.2 s on: it rises for 0.2 - 0.11 + 0.07 s to half its thrust, and falls from there at the slope of its tail.
    let share = (0.2 - start + shutdown) / rise;
    let want = 0.5 * 400.0 * share * share * (rise + tail);
    near("triangle", [delivered(&[(true, 1.0), (false, 1.2)]).impulse_n_s], [want], 1e-10).unwrap();
    // Told to stop so soon that thrust would begin after it has to end: nothing.
    assert_eq!(delivered(&[(true, 1.0), (false, 1.03)]).impulse_n_s, 0.0);
    // Said twice is said once.
    let twice = delivered(&[(true, 0.2), (true, 0.4), (false, 2.0), (false, 3.0)]);
    assert_eq!((twice.starts, twice.edges.len()), (1, 2));
    let open = {
        let mut truth = truth(&slow_start());
        truth.command_engine(true, 1.0).unwrap();
        truth.advance_to(4.5);
        truth.engine_record().on_time_s
    };
    assert_eq!(open, 3.5, "an engine that is still on counts");
}

/// A stack of two tanks whose propellant is heavy, turning, with an engine that is never trimmed.
fn heavy_propellant() -> Scenario {
    let mut scenario =
        scene(1000.0, [1.0, 0.1, -0.2], [[900.0, 50.0, -30.0], [50.0, 1500.0, 20.0], [-30.0, 20.0, 1700.0]]);
    scenario.vehicle.tanks =
        vec![scene::tank("tank", [3.0, 0.4, 0.0]), scene::tank("aft", [-0.5, -0.3, 0.8])];
    scenario.vehicle.engine = Some(Engine {
        gimbal_rate_rad_s: RATE,
        gimbal_lag_s: LAG,
        start_delay_s: 0.05,
        rise_s: 0.1,
        tail_off_s: 0.2,
        ..engine([-1.0, 0.5, 0.2], 22.0, 40.0, 10.0)
    });
    scenario.initial.rate_rad_s = [0.02, -0.03, 0.05];
    scenario
}

/// The truth 20 s on, pushed by the engine at trim, and by a jet with its place, thrust and delays.
fn fired_both_ways(scenario: &mut Scenario) -> (Truth, Truth) {
    let engine = the_engine(scenario).clone();
    scenario.vehicle.jets = vec![Jet {
        opening_delay_s: engine.start_delay_s,
        rise_s: engine.rise_s,
        tail_off_s: engine.tail_off_s,
        ..jet(engine.pivot_m, [1.0, 0.0, 0.0], engine.thrust_n, engine.specific_impulse_s)
    }];
    let (mut by_engine, mut by_jet) = (truth(scenario), truth(scenario));
    burn(&mut by_engine, 0.3, 15.0);
    pulse(&mut by_jet, 0, 0.3, 15.0);
    by_engine.advance_to(20.0);
    by_jet.advance_to(20.0);
    (by_engine, by_jet)
}

/// An engine whose gimbal stands still is a jet: the same motion, of which `truth_jets` shows that another
/// formulation has it too.
#[test]
fn a_still_engine_is_a_jet() {
    let mut scenario = heavy_propellant();
    let (by_engine, by_jet) = fired_both_ways(&mut scenario);
    near("rate", by_engine.rate_rad_s(), by_jet.rate_rad_s(), 1e-9).unwrap();
    near("velocity", by_engine.velocity_m_s(), by_jet.velocity_m_s(), 1e-9).unwrap();
    near("place", by_engine.position_m(), by_jet.position_m(), 1e-8).unwrap();
    near("tanks", [by_engine.propellant_kg()[0]], [by_jet.propellant_kg()[0]], 1e-12).unwrap();
    let moved = worst(
        by_engine.mass_properties().centre_of_mass_m,
        truth(&scenario).mass_properties().centre_of_mass_m,
    );
    assert!(moved > 1e-3, "the centre of mass must have travelled: {moved} m");
    assert!(
        by_jet.impulse_account().engine_n_m_s == [0.0; 3]
            && by_engine.impulse_account().jets_n_m_s == [0.0; 3]
    );
}

/// The same with liquid that swings: the frame that goes along takes its speed with it.
#[test]
fn a_still_engine_throws_liquid_as_a_jet_does() {
    let mut scenario = heavy_propellant();
    scenario.sloshes = vec![Slosh {
        tank: "aft".into(),
        mass_kg: 8.0,
        pivot_m: [-0.5, -0.3, 0.8],
        length_m: 0.4,
        hangs_along: [0.0, 0.6, 0.8],
        damping_per_s: 0.01,
    }];
    let (by_engine, by_jet) = fired_both_ways(&mut scenario);
    near("rate", by_engine.rate_rad_s(), by_jet.rate_rad_s(), 1e-7).unwrap();
    near("swing", by_engine.slosh_angles_rad(), by_jet.slosh_angles_rad(), 1e-6).unwrap();
    near("velocity", by_engine.velocity_m_s(), by_jet.velocity_m_s(), 1e-7).unwrap();
    assert!(by_jet.slosh_angles_rad()[0] > 0.1);
}

/// Momentum change = engine + jets + disturbance - gyroscopic, each with propellant that takes momentum along (the
/// jets' made small by fast propellant, the engine's a part of its books) and none of them small.
#[test]
fn the_books_close() {
    let mut scenario = heavy_propellant();
    scenario.vehicle.jets = vec![jet([2.0, -0.7, 0.1], [0.0, 0.6, 0.8], 15.0, 1e9)];
    let push = Push::Vent { position_m: [3.0, 0.0, 0.5], force_n: [0.1, -0.4, 0.2], torque_n_m: [0.0; 3] };
    scenario.disturbances =
        vec![Disturbance { name: "vent".into(), start_s: 2.0, stop_s: 15.0, body: None, push }];
    let mut truth = truth(&scenario);
    burn(&mut truth, 0.5, 12.0);
    for n in 0..10 {
        let time = f64::from(n);
        truth.command_gimbal([0.02 * (time - 4.0), 0.03 * (3.0 - time)], time).unwrap();
        pulse(&mut truth, 0, time, time + 0.3);
        truth.advance_to(time + 0.9);
    }
    truth.advance_to(20.0);
    let books = truth.impulse_account();
    let parts = [books.engine_n_m_s, books.jets_n_m_s, books.disturbance_n_m_s, books.gyroscopic_n_m_s];
    let sum = [0, 1, 2].map(|i| parts[0][i] + parts[1][i] + parts[2][i] - parts[3][i]);
    near("books", books.momentum_change_n_m_s, sum, 1e-6).unwrap();
    for (part, sign) in parts.iter().zip([1.0, 1.0, 1.0, -1.0]) {
        let without = [0, 1, 2].map(|i| sum[i] - sign * part[i]);
        near("books with a page torn out", books.momentum_change_n_m_s, without, 1.0).unwrap_err();
    }
}

/// A burn that makes the stack fast does not turn it by what is lost between large numbers: through the centre of mass
/// and off every axis, it leaves it at rest.
#[test]
fn a_fast_stack_keeps_its_attitude() {
    let mut scenario = rocket(1000.0, 400.0, 310.0, 500.0);
    scenario.vehicle.bodies[0].inertia_kg_m2 = diagonal([100.0, 200.0, 300.0]);
    let mut truth = truth(&scenario);
    truth.command_gimbal([0.1, -0.07], 0.0).unwrap();
    burn(&mut truth, 1.0, 1500.0);
    truth.advance_to(1600.0);
    let gained = Vector3::from(truth.velocity_m_s()).norm();
    assert!(gained > 500.0, "{gained}");
    near("rate", truth.rate_rad_s(), [0.0; 3], 1e-12).unwrap();
    // The place goes on from where the burn has left it, at the velocity it has left.
    let (place, velocity) = (Vector3::from(truth.position_m()), Vector3::from(truth.velocity_m_s()));
    truth.advance_to(2600.0);
    let further = (Vector3::from(truth.position_m()) - place) / 1000.0;
    near("further", further.into(), velocity.into(), 1e-9 * gained).unwrap();
}

/// How the time is cut into pieces does not matter.
#[test]
fn pieces_of_time_do_not_matter() {
    let fly = |pieces: u32| {
        let mut scenario = heavy_propellant();
        scenario.sensors.accelerometer = Some(accelerometer([2.0, -1.0, 0.5]));
        scenario.vehicle.jets = vec![jet([2.0, -0.7, 0.1], [0.0, 0.6, 0.8], 15.0, 30.0)];
        let mut truth = truth(&scenario);
        burn(&mut truth, 0.1, 2.3);
        pulse(&mut truth, 0, 0.4, 1.3);
        truth.command_gimbal([0.12, -0.02], 0.2).unwrap();
        truth.command_gimbal([-0.05, 0.06], 1.15).unwrap();
        (1..=pieces).for_each(|n| truth.advance_to(4.0 * f64::from(n) / f64::from(pieces)));
        truth
    };
    let whole = fly(1);
    for pieces in [16, 400, 4001] {
        let cut = fly(pieces);
        near("rate", cut.rate_rad_s(), whole.rate_rad_s(), 1e-10).unwrap();
        near("velocity", cut.velocity_m_s(), whole.velocity_m_s(), 1e-10).unwrap();
        near("propellant", [cut.propellant_used_kg()], [whole.propellant_used_kg()], 1e-12).unwrap();
        let (one, other) = (cut.counted_velocity_m_s().unwrap(), whole.counted_velocity_m_s().unwrap());
        near("count", one, other, 1e-10).unwrap();
    }
}

/// An engine behind a client pushes it through the interface with its share of the thrust: `F m₂ / M`.
#[test]
fn an_interface_carries_what_the_engine_pushes_beyond_it() {
    let mut scenario = rocket(1000.0, 420.0, 1e9, 10.0);
    scenario.vehicle.bodies.push(body("client", 500.0, [1.0, 0.0, 0.0], diagonal([80.0; 3])));
    scenario.stack.push("client".into());
    let interface =
        Interface { name: "grapple".into(), position_m: [1.0, 0.0, 0.0], far_side: vec!["client".into()] };
    scenario.vehicle.interfaces.push(interface);
    let peak = |scenario: &Scenario| {
        let mut truth = truth(scenario);
        burn(&mut truth, 0.5, 3.0);
        truth.advance_to(5.0);
        truth.close_phase();
        truth.interface_loads()[0].phases[0].force_n
    };
    near("towed", [peak(&scenario)], [420.0 * 500.0 / 1500.0], 1e-6).unwrap();
    // On the far side it pushes the near one.
    the_engine(&mut scenario).body = Some("client".into());
    near("towing", [peak(&scenario)], [420.0 * 1000.0 / 1500.0], 1e-6).unwrap();
}

#[test]
fn an_engine_that_is_not_there_does_nothing() {
    let mut scenario = rocket(1000.0, 400.0, 310.0, 100.0);
    scenario.vehicle.bodies.push(body("pod", 50.0, [0.0; 3], diagonal([10.0; 3])));
    the_engine(&mut scenario).body = Some("pod".into());
    let mut absent = truth(&scenario);
    burn(&mut absent, 0.0, 5.0);
    absent.advance_to(6.0);
    assert_eq!((absent.momentum_n_s(), absent.propellant_used_kg()), ([0.0; 3], 0.0));
    assert_eq!(absent.engine_record().starts, 1, "it was commanded all the same");
}

#[test]
fn refusals() {
    let mut scenario = rocket(1000.0, 400.0, 310.0, 100.0);
    let mut commanded = truth(&scenario);
    commanded.advance_to(2.0);
    let late = |time_s: f64, earliest_s: f64| Err(TruthError::EngineTooLate { time_s, earliest_s });
    assert_eq!(commanded.command_engine(true, 1.0), late(1.0, 2.0));
    commanded.command_engine(true, 4.0).unwrap();
    assert_eq!(commanded.command_engine(false, 3.0), late(3.0, 4.0));
    assert!(commanded.command_engine(false, f64::NAN).is_err());
    commanded.command_gimbal([0.01; 2], 5.0).unwrap();
    assert_eq!(commanded.command_gimbal([0.0; 2], 4.5), late(4.5, 5.0));
    let none = commanded.command_gimbal([0.0, f64::NAN], 6.0);
    assert!(none.unwrap_err().to_string().contains("finite"));
    the_engine(&mut scenario).tank = None;
    assert_eq!(truth(&scenario).command_engine(true, 0.0), Err(TruthError::NoEngine));
    the_engine(&mut scenario).tank = Some("barrel".into());
    let error = Truth::new(&scenario, &scenario.stack).unwrap_err();
    assert_eq!(error, TruthError::UnknownEngineTank("barrel".into()));
    scenario.vehicle.engine = None;
    let mut without = truth(&scenario);
    assert_eq!(without.command_engine(true, 0.0), Err(TruthError::NoEngine));
    assert_eq!(without.command_gimbal([0.0; 2], 0.0), Err(TruthError::NoEngine));
    assert_eq!((without.gimbal_rad(), without.engine_thrust_n()), (None, None));
}
