//! The controller's contract: whatever comes in, what goes out is safe and says so.
#![allow(missing_docs)]

use proptest::prelude::*;
use proptest::test_runner::Config;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::table::{self, JETS};
use stackhold_kernel::config::{
    Accelerometer, ConfigError, ConfigurationTable, Engine, EngineField, FilterField, JetField, TimingField,
};
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{
    AttitudeSample, Burn, Command, CycleInput, CycleOutput, Hand, HandDemand, Pace, RateSample, Rotation,
    Slew, Translation, VelocitySample,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::mass_properties::MassPropertiesError;
use stackhold_kernel::status::{Status, Trust};

type Table = ConfigurationTable<JETS>;

fn demo_table() -> Table {
    let scenario = load_embedded("docked_hold").expect("the demo reads");
    table::build(&scenario, &scenario.stack, &scenario.told).expect("the demo's table")
}

fn hold_of(half_width_rad: f32) -> Command {
    let deadband = Deadband { half_width_rad: Vec3([half_width_rad; 3]), rate_limit_rad_s: Vec3([0.001; 3]) };
    Command::Hold { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], deadband }
}

const HOLD: f32 = 0.008;

/// A hand controller at rest.
const STICK: Hand = Hand {
    deflection: [0.0; 3],
    dead_zone: 0.05,
    full_rate_rad_s: [0.005; 3],
    deadband: Deadband { half_width_rad: Vec3([HOLD; 3]), rate_limit_rad_s: Vec3([0.001; 3]) },
    asks_for: HandDemand::Rate,
};

/// A turn about one axis.
const TURN: Slew = Slew {
    attitude_xyzw: [0.0, 0.6, 0.0, 0.8],
    pace: Pace::Quick { rate_limit_rad_s: 0.01 },
    deadband: STICK.deadband,
};

/// A slow rotation of the docked stack about its long axis.
const SPIN: Rotation = Rotation {
    about: [1.0, 0.0, 0.0],
    free_axis_within_rad: 0.5,
    rate_rad_s: 0.005,
    rate_error_rad_s: 1e-4,
    nutation_rad: 0.04,
    stray_rad: 0.2,
};

/// A push forwards and a little up.
const PUSH: Translation = Translation {
    serial: 1,
    attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
    velocity_change_m_s: [0.02, 0.0, 0.01],
    deadband: STICK.deadband,
};

/// A burn along the line of force of the docked stack.
const BURN: Burn = Burn {
    serial: 1,
    attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
    velocity_change_m_s: [3.0, 0.4, -0.15],
    deadband: STICK.deadband,
    settling_s: 1.0,
};

/// A kernel with its clock, fed by hand.
struct Bench {
    controller: Controller<JETS>,
    tick: u32,
    cycle: u32,
}

impl Bench {
    fn new(start: u32) -> Self {
        let table = demo_table();
        let cycle = u32::from(table.timing.cycle_ticks);
        Self { controller: Controller::new(table).expect("a good table"), tick: start, cycle }
    }

    /// A cycle with good samples of a motionless stack turned by `turn` about its axes, rad.
    fn good(&self, turn: [f32; 3], command: Command) -> CycleInput {
        let [x, y, z] = turn.map(|t| -0.5 * t);
        CycleInput {
            tick: self.tick,
            attitude: Some(AttitudeSample { attitude_xyzw: [x, y, z, 1.0], tick: self.tick, valid: true }),
            rate: Some(RateSample { rate_rad_s: [0.0; 3], tick: self.tick, valid: true }),
            velocity: None,
            command,
            inhibited: JetMask::NONE,
            shut_groups: 0,
            gimbal_stuck: false,
        }
    }

    fn step(&mut self, input: &CycleInput) -> CycleOutput<JETS> {
        let output = self.controller.step(input);
        check(&output, &self.controller, input);
        self.tick = self.tick.wrapping_add(self.cycle);
        output
    }

    fn settle(&mut self, turn: [f32; 3], cycles: usize) -> CycleOutput<JETS> {
        let mut last = None;
        for _ in 0..cycles {
            let input = self.good(turn, hold_of(HOLD));
            last = Some(self.step(&input));
        }
        last.expect("at least one cycle")
    }
}

/// What every output must keep to.
fn check(output: &CycleOutput<JETS>, controller: &Controller<JETS>, input: &CycleInput) {
    let table = controller.table();
    let timing = &table.timing;
    for (j, &ticks) in output.on_ticks.iter().enumerate() {
        let Some(jet) = table.jets.get(j) else {
            assert_eq!(ticks, 0, "jet {j} does not exist");
            continue;
        };
        assert!(ticks <= timing.cycle_ticks);
        assert!(ticks == timing.cycle_ticks || ticks <= timing.cycle_ticks - timing.minimum_off_ticks);
        let shut = input.inhibited.contains(j) || input.shut_groups & (1 << jet.group) != 0;
        assert!(ticks == 0 || (jet.enabled && !shut), "jet {j} must not open");
    }
    let fires = output.on_ticks.iter().any(|&t| t > 0);
    assert!(!fires || output.status.trust() != Trust::Withheld, "{:?} fires", output.status);
    assert!(fires || output.status != Status::Firing, "says it fires and does not");
    assert!(!fires || output.status != Status::Choosing, "fires while it chooses");
    let motion = output.motion;
    assert!(motion.rate_rad_s.is_finite() && output.error_rad.is_finite(), "{output:?}");
    assert!(output.disturbance_rad_s2.is_finite() && output.bias_rad_s.is_finite());
    assert!(output.foreseen_s >= 0.0, "{output:?}");
    assert!(motion.attitude.to_array().iter().all(|c| c.is_finite()));
}

fn quiet(output: &CycleOutput<JETS>) -> bool {
    output.on_ticks.iter().all(|&t| t == 0)
}

// ---------------------------------------------------------------------------------------- inputs

#[test]
fn before_the_first_good_measurement_nothing_fires() {
    let mut bench = Bench::new(0);
    for _ in 0..10 {
        let mut input = bench.good([0.1, 0.0, 0.0], hold_of(HOLD));
        input.attitude = None;
        let output = bench.step(&input);
        assert_eq!(output.status, Status::Starting);
        assert!(quiet(&output));
    }
    assert!(!quiet(&bench.settle([0.02, 0.0, 0.0], 1)), "and then it holds");
}

#[test]
fn an_error_beyond_the_deadband_is_answered_and_one_inside_is_not() {
    let mut bench = Bench::new(0);
    assert!(quiet(&bench.settle([0.5 * HOLD, -0.5 * HOLD, 0.0], 20)));
    for (axis, sign) in [(0, 1.0), (1, 1.0), (2, 1.0), (0, -1.0), (1, -1.0), (2, -1.0)] {
        let mut bench = Bench::new(0);
        let mut turn = [0.0; 3];
        turn[axis] = sign * 1.5 * HOLD;
        let output = bench.settle(turn, 1);
        assert_eq!(output.status, Status::Firing);
        let mut change = Vec3::ZERO;
        for (effect, &ticks) in bench.controller.effectiveness().effects().iter().zip(&output.on_ticks) {
            change = change + effect.turn_rad_s2 * (f32::from(ticks) * 0.004);
        }
        assert!(change[axis] * sign < 0.0, "axis {axis}, error {sign}: rate changed by {change:?}");
    }
}

#[test]
fn a_late_measurement_does_not_fire_twice() {
    // The sensor keeps repeating the instant before the first firing, with the stack outside.
    let mut bench = Bench::new(1_000);
    assert!(!quiet(&bench.settle([1.2 * HOLD, 0.0, 0.0], 1)));
    for late in 1..5 {
        let mut input = bench.good([1.2 * HOLD, 0.0, 0.0], hold_of(HOLD));
        input.attitude = input.attitude.map(|s| AttitudeSample { tick: 1_000, ..s });
        input.rate = input.rate.map(|s| RateSample { tick: 1_000, ..s });
        let output = bench.step(&input);
        assert_eq!(output.status, Status::Predicted, "no sample counts twice");
        assert!(quiet(&output), "fired again {late} cycles later");
        assert!(output.motion.rate_rad_s[0] < -1e-6, "the ledger knows that it is on its way back");
    }
}

#[test]
fn attitude_and_rate_may_be_of_different_instants() {
    for (attitude_age, rate_age) in [(0, 30), (30, 0), (70, 10)] {
        let mut bench = Bench::new(10_000);
        for _ in 0..5 {
            let mut input = bench.good([0.0; 3], hold_of(HOLD));
            input.attitude = input.attitude.map(|s| AttitudeSample { tick: s.tick - attitude_age, ..s });
            input.rate = input.rate.map(|s| RateSample { tick: s.tick - rate_age, ..s });
            let output = bench.step(&input);
            assert_eq!(output.status, Status::Quiet, "ages {attitude_age} and {rate_age}");
        }
    }
}

#[test]
fn bad_samples_are_refused_by_name_and_the_kernel_flies_on() {
    let nan = f32::NAN;
    let bad_attitudes =
        [[nan, 0.0, 0.0, 1.0], [0.0; 4], [0.0, 0.0, 0.0, f32::INFINITY], [3.0, 0.0, 0.0, 1.0]];
    for xyzw in bad_attitudes {
        let mut bench = Bench::new(0);
        bench.settle([0.0; 3], 20);
        let mut input = bench.good([0.0; 3], hold_of(HOLD));
        input.attitude = input.attitude.map(|s| AttitudeSample { attitude_xyzw: xyzw, ..s });
        let output = bench.step(&input);
        assert_eq!(output.status, Status::Predicted, "{xyzw:?}");
        assert!(output.error_rad.norm() < 1e-5, "{xyzw:?} reached the estimate");
    }
    for rate in [[nan, 0.0, 0.0], [f32::INFINITY, 0.0, 0.0], [0.0, 1e9, 0.0]] {
        let mut bench = Bench::new(0);
        bench.settle([0.0; 3], 20);
        let mut input = bench.good([0.0; 3], hold_of(HOLD));
        input.rate = input.rate.map(|s| RateSample { rate_rad_s: rate, ..s });
        let output = bench.step(&input);
        assert_eq!(output.status, Status::RateMissing, "{rate:?}");
        assert!(output.motion.rate_rad_s.norm() < 1e-6, "{rate:?} reached the estimate");
    }
    for (ahead, word) in [(1_u32, "future"), (5_000_u32.wrapping_neg(), "too old")] {
        let mut bench = Bench::new(10_000);
        bench.settle([0.0; 3], 20);
        let mut input = bench.good([0.1, 0.0, 0.0], hold_of(HOLD));
        let tick = bench.tick.wrapping_add(ahead);
        input.attitude = input.attitude.map(|s| AttitudeSample { tick, ..s });
        assert_eq!(bench.step(&input).status, Status::Predicted, "{word}");
    }
}

#[test]
fn a_silent_sensor_shuts_the_jets_at_the_age_limit_and_no_sooner() {
    let mut bench = Bench::new(0);
    bench.settle([0.0; 3], 20);
    let limit = bench.controller.table().timing.measurement_age_limit_ticks;
    let heard = bench.tick - bench.cycle;
    for _ in 0..30 {
        let mut input = bench.good([0.0; 3], hold_of(HOLD));
        (input.attitude, input.rate) = (None, None);
        let age = input.tick - heard;
        let output = bench.step(&input);
        let expected = if age > limit { Status::Stale } else { Status::Predicted };
        assert_eq!(output.status, expected, "age {age}, limit {limit}");
    }
    assert_eq!(bench.settle([0.0; 3], 1).status, Status::Quiet, "and recovers at the first good sample");
}

#[test]
fn a_command_that_cannot_be_flown_leaves_the_last_one_in_force() {
    let nan = f32::NAN;
    let deadband = Deadband { half_width_rad: Vec3([HOLD; 3]), rate_limit_rad_s: Vec3([0.001; 3]) };
    let bad = [
        Command::Hold { attitude_xyzw: [nan; 4], deadband },
        hold_of(0.0),
        hold_of(nan),
        hold_of(-1.0),
        Command::Hold {
            attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
            deadband: Deadband { rate_limit_rad_s: Vec3([f32::INFINITY; 3]), ..deadband },
        },
        Command::Watch { attitude_xyzw: [0.0; 4], wake: deadband, deadband },
        Command::Damp { rate_limit_rad_s: [1e-4, nan, 1e-4] },
        Command::Damp { rate_limit_rad_s: [1e-4, 0.0, 1e-4] },
        Command::Hand(Hand { deflection: [0.0, 1.01, 0.0], ..STICK }),
        Command::Hand(Hand { deflection: [0.0, nan, 0.0], ..STICK }),
        Command::Hand(Hand { dead_zone: 0.95, ..STICK }),
        Command::Hand(Hand { full_rate_rad_s: [0.01, 0.01, f32::INFINITY], ..STICK }),
        Command::Slew(Slew { attitude_xyzw: [0.0; 4], ..TURN }),
        Command::Slew(Slew { pace: Pace::Quick { rate_limit_rad_s: 0.0 }, ..TURN }),
        Command::Slew(Slew { pace: Pace::Quick { rate_limit_rad_s: nan }, ..TURN }),
        Command::Slew(Slew { pace: Pace::Cheap { duration_s: f32::INFINITY, stray_rad: 0.0 }, ..TURN }),
        Command::Slew(Slew { pace: Pace::Cheap { duration_s: 0.5, stray_rad: 0.0 }, ..TURN }),
        Command::Slew(Slew { pace: Pace::Cheap { duration_s: 100.0, stray_rad: nan }, ..TURN }),
        Command::Slew(Slew { pace: Pace::Cheap { duration_s: 100.0, stray_rad: -0.1 }, ..TURN }),
        Command::Burn(Burn { velocity_change_m_s: [nan, 0.0, 0.0], ..BURN }),
        Command::Burn(Burn { velocity_change_m_s: [0.0; 3], ..BURN }),
        Command::Burn(Burn { velocity_change_m_s: [0.0, 2e4, 0.0], ..BURN }),
        Command::Burn(Burn { attitude_xyzw: [0.0; 4], ..BURN }),
        Command::Burn(Burn { settling_s: nan, ..BURN }),
        Command::Burn(Burn { settling_s: -1.0, ..BURN }),
        Command::Translate(Translation { velocity_change_m_s: [nan, 0.0, 0.0], ..PUSH }),
        Command::Translate(Translation { velocity_change_m_s: [0.0, -1.1e3, 0.0], ..PUSH }),
        Command::Translate(Translation { attitude_xyzw: [0.0; 4], ..PUSH }),
        Command::Rotate(Rotation { about: [1.0, 1.0, 0.0], ..SPIN }),
        Command::Rotate(Rotation { about: [nan, 0.0, 0.0], ..SPIN }),
        Command::Rotate(Rotation { free_axis_within_rad: 2.0, ..SPIN }),
        Command::Rotate(Rotation { rate_rad_s: -0.005, ..SPIN }),
        Command::Rotate(Rotation { rate_error_rad_s: 0.006, ..SPIN }),
        Command::Rotate(Rotation { nutation_rad: 0.0, ..SPIN }),
        Command::Rotate(Rotation { stray_rad: nan, ..SPIN }),
        Command::Impulse { serial: 1, rate_change_rad_s: [nan, 0.0, 0.0], velocity_change_m_s: None },
        Command::Impulse { serial: 1, rate_change_rad_s: [0.0; 3], velocity_change_m_s: Some([nan; 3]) },
        Command::Impulse { serial: 1, rate_change_rad_s: [3.5e22, 0.0, 0.0], velocity_change_m_s: None },
        Command::Impulse { serial: 1, rate_change_rad_s: [0.0; 3], velocity_change_m_s: Some([2e4; 3]) },
    ];
    for command in bad {
        let mut bench = Bench::new(0);
        bench.settle([0.5 * HOLD, 0.0, 0.0], 20);
        let input = bench.good([0.5 * HOLD, 0.0, 0.0], command);
        let output = bench.step(&input);
        assert_eq!(output.status, Status::CommandRefused, "{command:?}");
        // Only a hold measures an error: the one that was in force still does.
        assert!((output.error_rad[0] - 0.5 * HOLD).abs() < 1e-4, "{command:?}");
    }
}

#[test]
fn an_inhibited_jet_stays_shut_and_an_empty_layout_says_so() {
    let outside = [1.5 * HOLD, -1.5 * HOLD, 1.5 * HOLD];
    let mut bench = Bench::new(0);
    for _ in 0..20 {
        let input = CycleInput { inhibited: JetMask::ALL, ..bench.good(outside, hold_of(HOLD)) };
        let output = bench.step(&input);
        assert!(quiet(&output));
        assert_eq!(output.status, Status::NoJets);
    }
    assert!(!quiet(&bench.settle(outside, 1)), "as good as ever afterwards");
    let mut bench = Bench::new(0);
    let first = bench.settle(outside, 1);
    let used = first.on_ticks.iter().position(|&t| t > 0).expect("some jet answers");
    let mut bench = Bench::new(0);
    let inhibited = JetMask::NONE.with(used);
    let input = CycleInput { inhibited, ..bench.good(outside, hold_of(HOLD)) };
    assert_eq!(bench.step(&input).on_ticks[used], 0, "another jet must do");
}

/// Any float, the awkward ones often.
fn awkward() -> impl Strategy<Value = f32> {
    prop_oneof![
        Just(f32::NAN),
        Just(f32::INFINITY),
        Just(-0.0_f32),
        Just(f32::MIN_POSITIVE / 4.0),
        Just(f32::MAX),
        any::<f32>(),
        -1.0_f32..1.0,
    ]
}

fn awkward_input() -> impl Strategy<Value = CycleInput> {
    let sample = (prop::array::uniform4(awkward()), prop::array::uniform3(awkward()), any::<[bool; 4]>());
    (sample, -400_i32..100, prop::array::uniform3(awkward()), any::<u32>(), 0_u8..13).prop_map(
        |((q, w, [has_q, has_w, good_q, good_w]), late, three, inhibited, kind)| {
            let deadband = Deadband { half_width_rad: Vec3(three), rate_limit_rad_s: Vec3([1e-3; 3]) };
            let small = |v: [f32; 3]| v.map(|c| 1e-3 * c);
            CycleInput {
                // Relative to the bench's clock; see `shifted`.
                tick: 0,
                attitude: has_q.then_some(AttitudeSample {
                    attitude_xyzw: if good_q { [0.003, -0.002, 0.004, 1.0] } else { q },
                    tick: late as u32,
                    valid: good_q || has_w,
                }),
                rate: has_w.then_some(RateSample {
                    rate_rad_s: if good_w { [1e-5, 2e-5, -1e-5] } else { w },
                    tick: late as u32,
                    valid: good_w || has_q,
                }),
                velocity: has_q.then_some(VelocitySample {
                    counted_m_s: if good_q { [1e-3, 2e-3, -1e-3] } else { w },
                    tick: late as u32,
                    valid: good_w || has_w,
                }),
                command: match kind {
                    0 => Command::Drift,
                    1 => hold_of(HOLD),
                    2 => Command::Hold { attitude_xyzw: q, deadband },
                    3 => Command::Watch {
                        attitude_xyzw: [0.0, 0.0, 0.0, 1.0],
                        wake: Deadband { half_width_rad: Vec3([2e-3; 3]), ..deadband },
                        deadband: if good_w { STICK.deadband } else { deadband },
                    },
                    4 => Command::Damp { rate_limit_rad_s: if good_q { [1e-5; 3] } else { three } },
                    5 | 6 => Command::Hand(Hand {
                        deflection: if good_w { three.map(|c| c.clamp(-1.0, 1.0)) } else { three },
                        asks_for: if kind == 5 { HandDemand::Rate } else { HandDemand::Bit },
                        ..STICK
                    }),
                    7 | 8 => Command::Slew(Slew {
                        attitude_xyzw: if good_q { [0.0, 0.6, 0.0, 0.8] } else { q },
                        pace: if kind == 7 {
                            Pace::Quick { rate_limit_rad_s: if good_w { 0.02 } else { three[0] } }
                        } else {
                            let [duration_s, stray_rad, _] = if good_w { [60.0, 0.5, 0.0] } else { three };
                            Pace::Cheap { duration_s, stray_rad }
                        },
                        ..TURN
                    }),
                    11 => Command::Burn(Burn {
                        velocity_change_m_s: if good_w { BURN.velocity_change_m_s } else { three },
                        attitude_xyzw: if good_q { BURN.attitude_xyzw } else { q },
                        ..BURN
                    }),
                    10 => Command::Translate(Translation {
                        velocity_change_m_s: if good_w { [0.02, 0.0, 0.01] } else { three },
                        attitude_xyzw: if good_q { [0.0, 0.0, 0.0, 1.0] } else { q },
                        ..PUSH
                    }),
                    9 => Command::Rotate(Rotation { about: if good_w { SPIN.about } else { three }, ..SPIN }),
                    _ => Command::Impulse {
                        serial: (inhibited & 7) as u16,
                        rate_change_rad_s: small(w),
                        velocity_change_m_s: good_q.then_some(small(three)),
                    },
                },
                inhibited: JetMask(if good_w { 0 } else { inhibited }),
                shut_groups: if good_q { 0 } else { inhibited.rotate_left(9) },
                gimbal_stuck: false,
            }
        },
    )
}

fn shifted(input: CycleInput, now: u32) -> CycleInput {
    CycleInput {
        tick: now,
        attitude: input.attitude.map(|s| AttitudeSample { tick: now.wrapping_add(s.tick), ..s }),
        rate: input.rate.map(|s| RateSample { tick: now.wrapping_add(s.tick), ..s }),
        velocity: input.velocity.map(|s| VelocitySample { tick: now.wrapping_add(s.tick), ..s }),
        ..input
    }
}

proptest! {
    #![proptest_config(Config { cases: 128, ..stackhold_tests::properties() })]

    /// No input sequence makes it panic, leak a NaN, open a forbidden jet or break the valves' limits, and
    /// a good input afterwards is answered as ever. The clock wraps on the way.
    #[test]
    fn whatever_comes_in_what_goes_out_is_safe(inputs in prop::collection::vec(awkward_input(), 1..60)) {
        let mut bench = Bench::new(u32::MAX - 900);
        let mut last = bench.settle([0.0; 3], 1);
        for input in inputs {
            let input = shifted(input, bench.tick);
            last = bench.step(&input);
        }
        // Left to good measurements of a stack at rest, the estimate comes to rest too (the standing
        // disturbance it was taught by nonsense dies away over minutes: a few bits are left).
        for _ in 0..1_500 {
            let input = bench.good([0.0; 3], Command::Drift);
            last = bench.step(&input);
        }
        prop_assert_eq!(last.status, Status::Drifting);
        prop_assert!(last.motion.rate_rad_s.norm() < 2e-4, "{:?}", last.motion);
    }
}

// ----------------------------------------------------------------------------------------- table

#[test]
fn every_bad_field_of_a_table_is_named_with_its_index() {
    let refused = |edit: &dyn Fn(&mut Table)| {
        let mut table = demo_table();
        edit(&mut table);
        Controller::new(table).err()
    };
    let jet = |index, field| Some(ConfigError::Jet { index, field });
    assert_eq!(refused(&|_| ()), None, "the demo's own table is good");
    assert_eq!(refused(&|t| t.jets.clear()), Some(ConfigError::NoJets));
    assert_eq!(
        refused(&|t| t.mass_kg = f32::NAN),
        Some(ConfigError::MassProperties(MassPropertiesError::Mass))
    );
    assert_eq!(
        refused(&|t| t.inertia_kg_m2 = Mat3::diagonal(1.0, 1.0, 3.0)),
        Some(ConfigError::MassProperties(MassPropertiesError::InertiaTriangle))
    );
    for value in [f32::NAN, f32::INFINITY, 2e3] {
        assert_eq!(refused(&|t| t.jets[3].position_m[1] = value), jet(3, JetField::Position));
    }
    assert_eq!(refused(&|t| t.jets[2].direction = Vec3([0.5, 0.5, 0.0])), jet(2, JetField::Direction));
    assert_eq!(refused(&|t| t.jets[1].direction[0] = f32::NAN), jet(1, JetField::Direction));
    for value in [0.0, -22.0, f32::NAN, f32::INFINITY] {
        assert_eq!(refused(&|t| t.jets[4].thrust_n = value), jet(4, JetField::Thrust));
        assert_eq!(refused(&|t| t.jets[5].specific_impulse_s = value), jet(5, JetField::SpecificImpulse));
    }
    assert_eq!(refused(&|t| t.jets[0].minimum_on_ticks = 0), jet(0, JetField::MinimumOn));
    assert_eq!(refused(&|t| t.jets[0].minimum_on_ticks = 61), jet(0, JetField::MinimumOn));
    // A pulse that has to close within the off-time of the next cycle's pulse cannot be flown.
    assert_eq!(refused(&|t| t.timing.minimum_off_ticks = 55), jet(0, JetField::MinimumOn));
    assert_eq!(refused(&|t| t.jets[3].dead_time_s = 0.235), jet(3, JetField::DeadTime), "beyond the ledger");
    assert_eq!(refused(&|t| t.jets[6].dead_time_s = -0.001), jet(6, JetField::DeadTime));
    assert_eq!(refused(&|t| t.jets[6].pulse_offset_s = -0.028), jet(6, JetField::PulseOffset));
    assert_eq!(refused(&|t| t.jets[7].group = 16), jet(7, JetField::Group));
    let timing = |field| Some(ConfigError::Timing(field));
    assert_eq!(refused(&|t| t.timing.tick_s = 0.0), timing(TimingField::Tick));
    assert_eq!(refused(&|t| t.timing.cycle_ticks = 0), timing(TimingField::Cycle));
    assert_eq!(refused(&|t| t.timing.minimum_off_ticks = 60), timing(TimingField::MinimumOff));
    assert_eq!(refused(&|t| t.timing.command_delay_ticks = 60), timing(TimingField::CommandDelay));
    assert_eq!(
        refused(&|t| t.timing.measurement_age_limit_ticks = 0),
        timing(TimingField::MeasurementAgeLimit)
    );
    assert_eq!(
        refused(&|t| t.timing.measurement_age_limit_ticks = 60 * 6 + 1),
        timing(TimingField::MeasurementAgeLimit)
    );
    let filter = |field| Some(ConfigError::Filter(field));
    assert_eq!(refused(&|t| t.filter.attitude_noise_rad = 0.0), filter(FilterField::AttitudeNoise));
    assert_eq!(refused(&|t| t.filter.rate_noise_rad_s = f32::NAN), filter(FilterField::RateNoise));
    assert_eq!(refused(&|t| t.filter.bias_walk_rad_s = -1.0), filter(FilterField::BiasWalk));
    assert_eq!(refused(&|t| t.filter.disturbance_walk_rad_s2 = -1.0), filter(FilterField::DisturbanceWalk));
    assert_eq!(refused(&|t| t.filter.firing_error = 1.5), filter(FilterField::FiringError));
    for priority in [[0, 1, 1], [0, 1, 3], [8, 1, 2]] {
        assert_eq!(refused(&|t| t.axis_priority = priority), Some(ConfigError::AxisPriority), "{priority:?}");
    }
}

/// A bipropellant engine behind the stack that pushes it forward; numbers of our own.
fn some_engine() -> Engine {
    Engine {
        pivot_m: Vec3([-1.2, 0.1, 0.0]),
        direction: Vec3([1.0, 0.0, 0.0]),
        first_axis: Vec3([0.0, 1.0, 0.0]),
        thrust_n: 420.0,
        specific_impulse_s: 312.0,
        travel_rad: 0.15,
        gimbal_rate_rad_s: 0.1,
        start_s: 0.2,
        tail_s: 0.1,
    }
}

#[test]
fn every_bad_field_of_an_engine_is_named() {
    type Edit = fn(&mut Engine);
    let refused = |edit: Edit| {
        let mut table = demo_table();
        table.engine = some_engine();
        edit(&mut table.engine);
        Controller::new(table).err()
    };
    let good: [Edit; 6] = [
        |_| (),
        |e| e.gimbal_rate_rad_s = f32::INFINITY,
        |e| (e.travel_rad, e.gimbal_rate_rad_s) = (0.0, 0.0),
        |e| (e.start_s, e.tail_s) = (0.0, 0.0),
        |e| (e.travel_rad, e.start_s, e.tail_s, e.thrust_n) = (0.5, 60.0, 60.0, 1e7),
        |e| *e = Engine::NONE,
    ];
    for (case, edit) in good.into_iter().enumerate() {
        assert_eq!(refused(edit), None, "case {case}");
    }
    let bad: [(Edit, EngineField); 32] = [
        (|e| e.pivot_m[2] = 1e3 + 1.0, EngineField::Pivot),
        (|e| e.pivot_m[0] = f32::NAN, EngineField::Pivot),
        (|e| e.pivot_m[1] = f32::NEG_INFINITY, EngineField::Pivot),
        (|e| e.direction[0] = 0.998, EngineField::Direction),
        (|e| e.direction[0] = 1.002, EngineField::Direction),
        (|e| e.direction[1] = f32::NAN, EngineField::Direction),
        (|e| e.direction = Vec3::ZERO, EngineField::Direction),
        (|e| e.first_axis[1] = 0.998, EngineField::FirstAxis),
        (|e| e.first_axis[1] = -1.002, EngineField::FirstAxis),
        (|e| e.first_axis[0] = 0.0011, EngineField::FirstAxis),
        (|e| e.first_axis[0] = -0.0011, EngineField::FirstAxis),
        (|e| e.first_axis = e.direction, EngineField::FirstAxis),
        (|e| e.first_axis[2] = f32::NAN, EngineField::FirstAxis),
        (|e| e.thrust_n = 0.0, EngineField::Thrust),
        (|e| e.thrust_n = -420.0, EngineField::Thrust),
        (|e| e.thrust_n = 1.1e7, EngineField::Thrust),
        (|e| e.thrust_n = f32::NAN, EngineField::Thrust),
        (|e| e.specific_impulse_s = 0.0, EngineField::SpecificImpulse),
        (|e| e.specific_impulse_s = 1.1e5, EngineField::SpecificImpulse),
        (|e| e.specific_impulse_s = f32::NAN, EngineField::SpecificImpulse),
        (|e| e.travel_rad = -0.01, EngineField::Travel),
        (|e| e.travel_rad = 0.501, EngineField::Travel),
        (|e| e.travel_rad = f32::NAN, EngineField::Travel),
        (|e| e.gimbal_rate_rad_s = 0.0, EngineField::GimbalRate),
        (|e| e.gimbal_rate_rad_s = f32::NAN, EngineField::GimbalRate),
        (|e| (e.travel_rad, e.gimbal_rate_rad_s) = (0.0, -0.1), EngineField::GimbalRate),
        (|e| e.start_s = -0.001, EngineField::Start),
        (|e| e.start_s = 60.1, EngineField::Start),
        (|e| e.start_s = f32::NAN, EngineField::Start),
        (|e| e.tail_s = -0.001, EngineField::Tail),
        (|e| e.tail_s = 60.1, EngineField::Tail),
        // Neither an engine nor none.
        (|e| *e = Engine { tail_s: 1.0, ..Engine::NONE }, EngineField::Direction),
    ];
    for (case, (edit, field)) in bad.into_iter().enumerate() {
        assert_eq!(refused(edit), Some(ConfigError::Engine(field)), "case {case}");
    }
    assert!(some_engine().is_told() && !Engine::NONE.is_told());
}

/// Right-handed: first axis × second axis = direction.
#[test]
fn the_inner_gimbal_turns_about_an_axis_across_the_outer_one_and_the_force() {
    for (direction, first, second) in [
        ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]),
        ([0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]),
        ([0.6, -0.8, 0.0], [0.8, 0.6, 0.0], [0.0, 0.0, 1.0]),
    ] {
        let engine = Engine { direction: Vec3(direction), first_axis: Vec3(first), ..some_engine() };
        assert_eq!(engine.second_axis(), Vec3(second));
        assert_eq!(Vec3(first).cross(engine.second_axis()), Vec3(direction));
    }
}

#[test]
fn an_accelerometer_is_somewhere_near_or_nowhere() {
    let refused = |place: [f32; 3]| {
        let mut table = demo_table();
        table.accelerometer.place_m = Vec3(place);
        Controller::new(table).err()
    };
    let (inf, nan) = (f32::INFINITY, f32::NAN);
    for place in [[0.0; 3], [1e3, -1e3, 4.0], [inf; 3]] {
        assert_eq!(refused(place), None, "{place:?}");
        let told = Accelerometer { place_m: Vec3(place) }.is_told();
        assert_eq!(told, place[0].is_finite());
    }
    for place in [[inf, 0.0, 0.0], [inf, inf, -inf], [nan; 3], [0.0, nan, 0.0], [0.0, 0.0, 1001.0]] {
        assert_eq!(refused(place), Some(ConfigError::Accelerometer), "{place:?}");
    }
}

/// A stack that turns by the kernel's own table, without noise, under pulses that act late by a dead time.
struct LateStack {
    bench: Bench,
    turn_rad: [f64; 3],
    /// Jet, and seconds from when to when it acts.
    pulses: Vec<(usize, f64, f64)>,
}

impl LateStack {
    fn new(dead_time_s: f32, turn_rad: [f64; 3]) -> Self {
        let mut table = demo_table();
        for jet in &mut table.jets {
            (jet.dead_time_s, jet.pulse_offset_s) = (dead_time_s, 0.0);
        }
        let controller = Controller::new(table).expect("a good table");
        Self { bench: Bench { controller, ..Bench::new(0) }, turn_rad, pulses: Vec::new() }
    }

    /// Turn (rad) and rate (rad/s) at a time.
    fn motion(&self, time_s: f64) -> ([f64; 3], [f64; 3]) {
        let (mut turn, mut rate) = (self.turn_rad, [0.0; 3]);
        for &(jet, from_s, to_s) in &self.pulses {
            let (from_s, to_s) = (from_s.min(time_s), to_s.min(time_s));
            let effect = self.bench.controller.effectiveness().effects()[jet].turn_rad_s2;
            for axis in 0..3 {
                let change = f64::from(effect[axis]) * (to_s - from_s);
                rate[axis] += change;
                turn[axis] += change * (time_s - 0.5 * (from_s + to_s));
            }
        }
        (turn, rate)
    }

    /// One cycle of hold on what the sensors would truly see.
    fn step(&mut self) -> [u16; JETS] {
        let timing = &self.bench.controller.table().timing;
        let tick_s = f64::from(timing.tick_s);
        let dead_time_s = f64::from(self.bench.controller.table().jets[0].dead_time_s);
        let (turn, rate) = self.motion(f64::from(self.bench.tick) * tick_s);
        let mut input = self.bench.good(turn.map(|t| t as f32), hold_of(HOLD));
        input.rate = input.rate.map(|sample| RateSample { rate_rad_s: rate.map(|r| r as f32), ..sample });
        let output = self.bench.step(&input);
        for (jet, &ticks) in output.on_ticks.iter().enumerate().filter(|(_, ticks)| **ticks > 0) {
            let from_s = f64::from(output.open_tick) * tick_s + dead_time_s;
            self.pulses.push((jet, from_s, from_s + f64::from(ticks) * tick_s));
        }
        output.on_ticks
    }

    /// What is commanded in twenty cycles, and the rate that all of it brings in the end, rad/s.
    fn settle(&mut self) -> (Vec<[u16; JETS]>, [f64; 3]) {
        let commanded = (0..20).map(|_| self.step()).collect();
        (commanded, self.motion(1.0e3).1)
    }
}

/// Pulses that act late are owed when the next cycles decide, and count as if they had acted: the stack is fired
/// for as with prompt jets, however late the pulses are, up to the cycle that a dead time may be.
#[test]
fn a_pulse_that_acts_late_is_not_fired_for_again() {
    for (axis, sign) in [(0, 1.0), (1, 1.0), (2, 1.0), (0, -1.0), (1, -1.0), (2, -1.0)] {
        for half_widths in [1.1, 1.2, 1.3, 2.0, 3.0] {
            let mut turn_rad = [0.0; 3];
            turn_rad[axis] = sign * half_widths * f64::from(HOLD);
            let (prompt, wanted) = LateStack::new(0.0, turn_rad).settle();
            assert!(prompt[0] != [0; JETS] && wanted[axis] * turn_rad[axis] < 0.0, "it is sent back");
            for dead_time_s in [0.05, 0.1, 0.2, 0.23] {
                let case = format!("{half_widths} half-widths out on axis {axis}, {dead_time_s} s late");
                let (late, brought) = LateStack::new(dead_time_s, turn_rad).settle();
                if half_widths < 2.0 {
                    // One firing settles it, and the little way it drifts until then changes nothing.
                    assert_eq!(late, prompt, "{case}");
                    assert!(late[1..].iter().all(|ticks| *ticks == [0; JETS]), "{case}");
                } else {
                    // Over several cycles the firing is posed again, from a little further on.
                    let share = brought[axis] / wanted[axis];
                    assert!((0.9..1.1).contains(&share), "{case}: {share} of what prompt jets bring");
                }
            }
        }
    }
}

#[test]
fn a_first_sample_from_the_future_does_not_lock_the_kernel_out() {
    for (attitude_ahead, rate_ahead) in [(1 << 24, 0), (0, 1 << 24)] {
        let mut bench = Bench::new(0);
        let mut input = bench.good([0.0; 3], hold_of(HOLD));
        input.attitude = input.attitude.map(|s| AttitudeSample { tick: s.tick + attitude_ahead, ..s });
        input.rate = input.rate.map(|s| RateSample { tick: s.tick + rate_ahead, ..s });
        assert_eq!(bench.step(&input).status, Status::Starting);
        assert_eq!(bench.settle([0.0; 3], 2).status, Status::Quiet);
    }
}

#[test]
fn a_silence_of_any_length_ends_at_the_next_good_sample() {
    let mut bench = Bench::new(0);
    bench.settle([0.0; 3], 5);
    // Past half the clock's range, in strides as long as missed cycles can be.
    for _ in 0..40 {
        bench.tick = bench.tick.wrapping_add(100_000_000);
        let mut input = bench.good([0.0; 3], hold_of(HOLD));
        (input.attitude, input.rate) = (None, None);
        assert_eq!(bench.step(&input).status, Status::Stale);
    }
    assert_eq!(bench.settle([0.0; 3], 2).status, Status::Quiet);
}

#[test]
fn an_open_loop_demand_survives_a_cycle_that_cannot_serve_it() {
    let command =
        Command::Impulse { serial: 3, rate_change_rad_s: [0.01, 0.0, 0.0], velocity_change_m_s: None };
    let mut bench = Bench::new(0);
    bench.settle([0.0; 3], 20);
    let input = bench.good([0.0; 3], command);
    assert!(!quiet(&bench.step(&input)));
    let before = bench.controller.owed_impulse().0;
    let input = CycleInput { inhibited: JetMask::ALL, ..bench.good([0.0; 3], command) };
    assert_eq!(bench.step(&input).status, Status::NoJets);
    assert_eq!(bench.controller.owed_impulse().0, before, "nothing was delivered, nothing is forgotten");
    let input = bench.good([0.0; 3], command);
    assert!(!quiet(&bench.step(&input)), "it goes on");
}

#[test]
fn retold_mass_properties_act_like_a_new_table_and_bad_ones_change_nothing() {
    let table = demo_table();
    let [x, y, z] = table.centre_of_mass_m.0;
    let moved = Table { centre_of_mass_m: Vec3([x - 0.4, y - 0.3, z + 0.1]), ..table.clone() };
    let fresh = Controller::new(moved.clone()).expect("a good table");
    let mut retold = Controller::new(table).expect("a good table");
    let before = retold.effectiveness().clone();
    let bad = Mat3::diagonal(1.0, 1.0, 3.0);
    assert_eq!(
        retold.retell(moved.mass_kg, moved.centre_of_mass_m, bad),
        Err(MassPropertiesError::InertiaTriangle)
    );
    assert_eq!(retold.effectiveness(), &before);
    retold.retell(moved.mass_kg, moved.centre_of_mass_m, moved.inertia_kg_m2).expect("physical");
    let pairs = retold.effectiveness().effects().iter().zip(fresh.effectiveness().effects());
    for (a, b) in pairs {
        assert!((a.turn_rad_s2 - b.turn_rad_s2).norm() < 1e-8, "{a:?} {b:?}");
    }
    assert_ne!(fresh.effectiveness(), &before, "the centre of mass did move");
    assert_eq!(retold.table().centre_of_mass_m, moved.centre_of_mass_m);
}

#[test]
fn status_numbers_are_those_of_the_record() {
    let numbers = [
        (Status::Quiet, 0),
        (Status::Firing, 1),
        (Status::Drifting, 2),
        (Status::Choosing, 3),
        (Status::Rotating, 4),
        (Status::SettingUp, 5),
        (Status::LeastAxis, 8),
        (Status::Woken, 9),
        (Status::Shortened, 10),
        (Status::Prioritised, 11),
        (Status::Predicted, 12),
        (Status::RateMissing, 13),
        (Status::Rhythm, 15),
        (Status::Stale, 20),
        (Status::Starting, 21),
        (Status::Learning, 22),
        (Status::CommandRefused, 30),
        (Status::AxisRefused, 31),
        (Status::SlewRefused, 32),
        (Status::PushRefused, 33),
        (Status::BurnRefused, 34),
        (Status::SelectionFailed, 40),
        (Status::NoJets, 41),
    ];
    assert_eq!(numbers.map(|(status, _)| status), Status::ALL);
    for (status, number) in numbers {
        assert_eq!(status.number(), number);
    }
}

// ------------------------------------------------------------------------------------- open loop

#[test]
fn an_open_loop_demand_is_delivered_in_whole_and_only_once() {
    let want = [0.002_f32, -0.001, 0.0015];
    let command = Command::Impulse { serial: 7, rate_change_rad_s: want, velocity_change_m_s: None };
    let mut bench = Bench::new(0);
    bench.settle([0.0; 3], 20);
    let mut given = Vec3::ZERO;
    let mut open = JetMask::NONE;
    let (mut chose, mut choosing) = (0, 0);
    for _ in 0..200 {
        let input = bench.good([0.0; 3], command);
        let output = bench.step(&input);
        choosing = if output.status == Status::Choosing { choosing + 1 } else { 0 };
        chose += usize::from(choosing == 1);
        assert!(choosing <= 17, "a choice takes sixteen cycles and the one that puts it off");
        let mut through = JetMask::NONE;
        let jets = &bench.controller.table().jets;
        for (j, (jet, effect)) in jets.iter().zip(bench.controller.effectiveness().effects()).enumerate() {
            let ticks = output.on_ticks[j];
            let tail = if ticks > 0 && !open.contains(j) { jet.pulse_offset_s } else { 0.0 };
            given = given + effect.turn_rad_s2 * (f32::from(ticks) * 0.004 + tail);
            through = if ticks >= 60 { through.with(j) } else { through };
        }
        open = through;
    }
    // What is left is under half the smallest pulses that could deliver it.
    let left = Vec3(want) - given;
    let smallest = bench.controller.axis_bits().iter().map(|b| b.rate_rad_s).fold(0.0, f32::max);
    assert!(left.norm() < 2.0 * smallest, "left {left:?}, bit {smallest}");
    assert!(given.norm() > 10.0 * smallest, "the demand is many bits");
    assert!(chose > 1, "whole ticks are chosen at the end of the demand, and that nothing more is worth it");
}
