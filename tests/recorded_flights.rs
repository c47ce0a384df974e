//! Flights of the library as the kernel saw them, and inputs that no flight should bring, for replay
//! elsewhere: on a board, or with the kernel built for another number of jets.

use rand::{Rng, RngExt, SeedableRng};
use rand_pcg::Pcg64;
use stackhold_harness::closed_loop::fly_watched;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::{JetState, Mode, Scenario, ToldBending};
use stackhold_harness::table::{self, JETS};
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::cycle::{
    AttitudeSample, Burn, Command, CycleInput, CycleOutput, Hand, HandDemand, Pace, RateSample, Rotation,
    Slew, Translation, VelocitySample,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::Vec3;

pub use crate::on_target::digest;
pub use stackhold_harness::board::recording as layout;

use layout::{END, START, write_cycle, write_flight};

/// One flight: what the kernel was told, what went in and what came out, cycle by cycle.
#[derive(Clone, Debug)]
pub struct RecordedFlight {
    /// Name, at most 32 ASCII characters.
    pub name: String,
    /// The table.
    pub table: ConfigurationTable<JETS>,
    /// Inputs, and the outputs where the flight was flown.
    pub inputs: Vec<CycleInput>,
    /// Outputs of the closed loop; empty for inputs that were made up.
    pub outputs: Vec<CycleOutput<JETS>>,
}

/// Everything that is replayed on a board: closed loops first, made-up inputs after them.
#[must_use]
pub fn all() -> Vec<RecordedFlight> {
    let docked = docked_hold(2400.0);
    let bare = flown("docked_told_bare_tug", &shortened("docked_hold", 720.0), Some("told_bare_tug"));
    let released = flown("stage_released", &shortened("docked_hold", 1200.0), Some("stage_released"));
    let vent = flown("steady_vent", &shortened("steady_vent", 1200.0), None);
    let mut flights = vec![tampered(&docked, 11)];
    for (seed, jets) in [(21, 16), (22, 5), (23, 2), (24, 0)] {
        flights.push(storm(&docked, seed, jets, 1000));
    }
    let mut all = vec![docked, bare, released, vent];
    all.extend(["roll", "pitch", "yaw"].map(|axis| {
        let name = format!("one_axis_firing_{axis}");
        flown(&name, &load_embedded(&name).expect("an embedded scenario"), None)
    }));
    all.push(flown("slew_precessing", &shortened("slew_precessing", 240.0), None));
    all.push(flown("push_forward", &shortened("push_forward", 180.0), Some("stage_released")));
    all.push(flown("burn_forward", &quick_burn(), None));
    all.push(flown("half_closed_grip", &shortened("half_closed_grip", 400.0), None));
    all.push(flown("bent_grip_hold", &shortened("bent_grip_hold", 720.0), None));
    all.push(flown("firing_with_velocity", &with_velocity(), None));
    all.push(flown("slow_rotation", &two_rotations(), None));
    all.push(flown("firings_in_rhythm", &in_rhythm(), None));
    all.extend(flights);
    all
}

/// The same vehicle with another number of jets: 12, four fewer, or 24, eight more; what a cycle takes is budgeted for
/// these sizes of the kernel too. A hold, a firing in three rows and one in six, and made-up inputs.
#[must_use]
pub fn with_jets(jets: usize) -> Vec<RecordedFlight> {
    let named = |what: &str| format!("{jets}_jets_{what}");
    let fly = |what: &str, scenario: Scenario| flown(&named(what), &refitted(scenario, jets), None);
    let docked = fly("docked_hold", shortened("docked_hold", 1200.0));
    let firing = fly("one_axis_firing_yaw", shortened("one_axis_firing_yaw", 60.0));
    let velocity = fly("firing_with_velocity", with_velocity());
    let storm = RecordedFlight { name: named("storm"), ..storm(&docked, 25, jets, 500) };
    vec![docked, firing, velocity, storm]
}

/// Jets that the vehicle can do without, first.
const SPARE_JETS: [&str; 4] = ["fore_low_minus_x", "fore_low_plus_y", "fore_left_plus_z", "mid_left_minus_y"];

/// A scenario whose vehicle has fewer jets, or more: some of its own once again, on the other side.
fn refitted(mut scenario: Scenario, count: usize) -> Scenario {
    let jets = &mut scenario.vehicle.jets;
    for spare in SPARE_JETS.iter().take(jets.len().saturating_sub(count)) {
        jets.retain(|jet| jet.name != *spare);
    }
    let ready: Vec<_> = jets.iter().filter(|jet| jet.state == JetState::Ready).cloned().collect();
    for mut jet in ready.into_iter().take(count.saturating_sub(jets.len())) {
        jet.name = format!("{}_mirrored", jet.name);
        jet.position_m[1] = -jet.position_m[1];
        jet.force_direction[1] = -jet.force_direction[1];
        jets.push(jet);
    }
    assert_eq!(jets.len(), count, "no layout of so many jets");
    scenario
}

/// The demonstration's own flight, its first `duration_s` seconds.
#[must_use]
pub fn docked_hold(duration_s: f64) -> RecordedFlight {
    flown("docked_hold", &shortened("docked_hold", duration_s), None)
}

/// The bytes that `tests/on-target` replays.
#[must_use]
pub fn recording(flights: &[RecordedFlight]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut put = |word: u32| bytes.extend(word.to_le_bytes());
    put(START);
    for flight in flights {
        write_flight(&flight.name, &flight.table, &mut put);
        flight.inputs.iter().for_each(|input| write_cycle(input, &mut put));
    }
    put(END);
    bytes
}

/// An embedded scenario, cut short.
#[must_use]
pub fn shortened(name: &str, duration_s: f64) -> Scenario {
    let mut scenario = load_embedded(name).expect("an embedded scenario");
    scenario.duration_s = duration_s;
    scenario
}

/// The firing about yaw, with a velocity change asked for as well: six rows.
fn with_velocity() -> Scenario {
    let mut scenario = shortened("one_axis_firing_yaw", 60.0);
    for phase in &mut scenario.phases {
        if let Mode::Impulse { velocity_change_m_s, .. } = &mut phase.mode {
            *velocity_change_m_s = Some([0.004, -0.003, 0.002]);
        }
    }
    scenario
}

/// A burn of a few seconds, with a settling push before it.
fn quick_burn() -> Scenario {
    let mut scenario = shortened("burn_forward", 100.0);
    for phase in &mut scenario.phases {
        if let Mode::Burn { velocity_change_m_s, .. } = &mut phase.mode {
            *velocity_change_m_s = velocity_change_m_s.map(|velocity| velocity / 15.0);
            phase.start_s = 10.0;
        }
    }
    scenario
}

/// A limit cycle that is turned round every 27.9 s, in step with a bending mode that the kernel is told.
fn in_rhythm() -> Scenario {
    let mut scenario = shortened("one_axis_limit_cycle", 300.0);
    if let Mode::Hold { half_width_rad, .. } = &mut scenario.phases[0].mode {
        *half_width_rad = [0.1_f64.to_radians(); 3];
    }
    scenario.kernel.bending =
        vec![ToldBending { frequency_hz: 7.5 / 27.92, damping_ratio: 0.0003, swing_rad: 0.0 }];
    scenario
}

/// A slow rotation about the axis of least inertia, then one about that of greatest.
fn two_rotations() -> Scenario {
    let mut scenario = shortened("slow_rotation", 360.0);
    let mut next = scenario.phases[0].clone();
    next.start_s = 180.0;
    if let Mode::Rotate { about, .. } = &mut next.mode {
        *about = [0.0, 0.0, 1.0];
    }
    scenario.phases.push(next);
    scenario
}

/// Flies a scenario, or one of its variants, and keeps what the kernel saw.
#[must_use]
pub fn flown(name: &str, scenario: &Scenario, variant: Option<&str>) -> RecordedFlight {
    let variant = variant.map(|name| {
        scenario.variants.iter().find(|variant| variant.name == name).expect("a variant of the scenario")
    });
    let own = || (scenario.stack.clone(), scenario.told.clone());
    let (stack, told) = variant.map_or_else(own, |variant| scenario.as_flown_in(variant));
    assert!(scenario.releases.is_empty(), "a recorded flight has one table, a release brings another");
    let (mut inputs, mut outputs) = (Vec::new(), Vec::new());
    fly_watched(scenario, &stack, &told, name, &mut |_| {}, &mut |input, output| {
        inputs.push(*input);
        outputs.push(*output);
    })
    .expect("the library flies");
    let table = table::build(scenario, &stack, &told).expect("a table for a stack that has flown");
    RecordedFlight { name: name.to_owned(), table, inputs, outputs }
}

/// A flown flight with its clock moved so that it wraps halfway, and with inputs spoiled now and then:
/// one cycle in four, and outages of up to forty cycles.
#[must_use]
pub fn tampered(flight: &RecordedFlight, seed: u64) -> RecordedFlight {
    let mut random = Pcg64::seed_from_u64(seed);
    let halfway = flight.inputs.get(flight.inputs.len() / 2).map_or(0, |input| input.tick);
    let shift = 0_u32.wrapping_sub(halfway);
    let mut outage = 0;
    let inputs = flight.inputs.iter().map(|input| {
        let mut input = shifted(*input, shift);
        if outage == 0 && random.random_bool(0.005) {
            outage = random.random_range(1..40);
        }
        if outage > 0 {
            outage -= 1;
            input.attitude = None;
            input.rate = None;
        } else if random.random_bool(0.25) {
            spoil(&mut input, &mut random);
        }
        input
    });
    let inputs = inputs.collect();
    RecordedFlight { name: format!("{}_spoiled", flight.name), inputs, outputs: Vec::new(), ..flight.clone() }
}

fn shifted(mut input: CycleInput, shift: u32) -> CycleInput {
    input.tick = input.tick.wrapping_add(shift);
    if let Some(sample) = &mut input.attitude {
        sample.tick = sample.tick.wrapping_add(shift);
    }
    if let Some(sample) = &mut input.rate {
        sample.tick = sample.tick.wrapping_add(shift);
    }
    input
}

/// Spoils one thing of a cycle's input.
fn spoil(input: &mut CycleInput, random: &mut Pcg64) {
    let wild = wild(random);
    let place = random.random_range(0..3);
    match random.random_range(0..10) {
        0 => input.attitude = None,
        1 => input.rate = None,
        2 => input.inhibited = JetMask(random.next_u32()),
        3 => input.command = command(random),
        4 => input.tick = input.tick.wrapping_add(random.random_range(0..240)),
        5 => input.tick = input.tick.wrapping_sub(random.random_range(0..240)),
        kind => {
            let (attitude, rate) = (input.attitude.as_mut(), input.rate.as_mut());
            match kind {
                6 => attitude.into_iter().for_each(|sample| sample.attitude_xyzw[place] = wild),
                7 => rate.into_iter().for_each(|sample| sample.rate_rad_s[place] = wild),
                8 => attitude.into_iter().for_each(|sample| sample.valid = false),
                _ => rate.into_iter().for_each(|sample| sample.tick ^= 1 << random.random_range(0..32)),
            }
        }
    }
}

/// Cycles whose every number is drawn at random, with only the first `jets` jets of the table enabled.
#[must_use]
pub fn storm(flight: &RecordedFlight, seed: u64, jets: usize, cycles: usize) -> RecordedFlight {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut table = flight.table.clone();
    for (j, jet) in table.jets.iter_mut().enumerate() {
        jet.enabled = j < jets;
    }
    let cycle_ticks = u32::from(table.timing.cycle_ticks);
    // The clock wraps after two hundred cycles.
    let mut tick = 0_u32.wrapping_sub(200 * cycle_ticks);
    let mut wanted = command(&mut random);
    let inputs = (0..cycles).map(|_| {
        tick = tick.wrapping_add(if random.random_bool(0.01) { random.next_u32() } else { cycle_ticks });
        if random.random_bool(0.05) {
            wanted = command(&mut random);
        }
        let age = if random.random_bool(0.9) { 30 } else { random.random_range(0..600) };
        CycleInput {
            tick,
            attitude: Some(AttitudeSample {
                attitude_xyzw: attitude(&mut random),
                tick: tick.wrapping_sub(age),
                valid: random.random_bool(0.95),
            }),
            rate: Some(RateSample {
                rate_rad_s: vector(&mut random, 0.02),
                tick: tick.wrapping_sub(age),
                valid: random.random_bool(0.95),
            }),
            velocity: Some(VelocitySample {
                counted_m_s: vector(&mut random, 0.01),
                tick: tick.wrapping_sub(age),
                valid: random.random_bool(0.95),
            }),
            command: wanted,
            inhibited: JetMask(if random.random_bool(0.2) { random.next_u32() } else { 0 }),
            shut_groups: 0,
            gimbal_stuck: false,
        }
    });
    RecordedFlight {
        name: format!("storm_{jets}_jets"),
        inputs: inputs.collect(),
        table,
        outputs: Vec::new(),
    }
}

/// A command: mostly one that can be flown.
fn command(random: &mut Pcg64) -> Command {
    match random.random_range(0..16) {
        0 => Command::Drift,
        8 => {
            Command::Watch { attitude_xyzw: attitude(random), wake: limits(random), deadband: limits(random) }
        }
        9 => Command::Damp { rate_limit_rad_s: vector(random, 0.002).map(f32::abs) },
        10 => Command::Hand(Hand {
            deflection: vector(random, 1.0),
            dead_zone: random.random_range(0.0..0.5),
            full_rate_rad_s: vector(random, 0.01).map(f32::abs),
            deadband: limits(random),
            asks_for: if random.random_bool(0.5) { HandDemand::Rate } else { HandDemand::Bit },
        }),
        11 | 12 => Command::Slew(Slew {
            attitude_xyzw: attitude(random),
            pace: if random.random_bool(0.5) {
                Pace::Quick { rate_limit_rad_s: random.random_range(0.001..0.02) }
            } else {
                let stray_rad = if random.random_bool(0.5) { 0.0 } else { 1.0 };
                Pace::Cheap { duration_s: random.random_range(2.0..60.0), stray_rad }
            },
            deadband: limits(random),
        }),
        13 => Command::Rotate(Rotation {
            about: about(random),
            free_axis_within_rad: random.random_range(0.1..1.5),
            rate_rad_s: random.random_range(1e-4..0.02),
            rate_error_rad_s: if random.random_bool(0.05) { wild(random) } else { 1e-4 },
            nutation_rad: random.random_range(0.01..0.4),
            stray_rad: random.random_range(0.01..0.4),
        }),
        15 => Command::Burn(Burn {
            serial: random.random_range(0..4),
            attitude_xyzw: attitude(random),
            velocity_change_m_s: [random.random_range(0.1..3.0), 0.0, random.random_range(-0.3..0.3)],
            deadband: limits(random),
            settling_s: if random.random_bool(0.5) { 0.0 } else { 1.0 },
        }),
        14 => Command::Translate(Translation {
            serial: random.random_range(0..4),
            attitude_xyzw: attitude(random),
            velocity_change_m_s: vector(random, 0.05),
            deadband: limits(random),
        }),
        1 | 2 => Command::Impulse {
            serial: random.random_range(0..4),
            rate_change_rad_s: vector(random, 0.01),
            velocity_change_m_s: None,
        },
        3 => Command::Impulse {
            serial: random.random_range(0..4),
            rate_change_rad_s: vector(random, 0.002),
            velocity_change_m_s: Some(vector(random, 0.01)),
        },
        _ => Command::Hold { attitude_xyzw: attitude(random), deadband: limits(random) },
    }
}

/// An axis: along one of the body's, or anywhere, or none at all.
fn about(random: &mut Pcg64) -> [f32; 3] {
    let [x, y, z, _] = attitude(random);
    let length = (x * x + y * y + z * z).sqrt();
    match random.random_range(0..4) {
        0 => [1.0, 0.0, 0.0],
        1 => [0.0, 0.0, 1.0],
        2 => [x, y, z],
        _ => [x, y, z].map(|part| part / length),
    }
}

fn limits(random: &mut Pcg64) -> Deadband {
    Deadband {
        half_width_rad: Vec3(vector(random, 0.02).map(f32::abs)),
        rate_limit_rad_s: Vec3(vector(random, 0.005).map(f32::abs)),
    }
}

/// A vector of about `size`; one number in a hundred is wild.
fn vector(random: &mut Pcg64, size: f32) -> [f32; 3] {
    [(); 3].map(|()| if random.random_bool(0.01) { wild(random) } else { random.random_range(-size..size) })
}

/// An attitude: near no rotation, or anywhere, or none at all.
fn attitude(random: &mut Pcg64) -> [f32; 4] {
    let size = if random.random_bool(0.8) { 0.02 } else { 1.0 };
    let [x, y, z] = vector(random, size);
    let w = random.random_range(0.5..1.0_f32);
    let length = (x * x + y * y + z * z + w * w).sqrt();
    if random.random_bool(0.02) { [x, y, z, w] } else { [x, y, z, w].map(|c| c / length) }
}

/// A number that should not have come: any bits at all, or one of the usual suspects.
fn wild(random: &mut Pcg64) -> f32 {
    let suspects =
        [f32::NAN, f32::INFINITY, f32::NEG_INFINITY, f32::MAX, f32::MIN_POSITIVE, -0.0, 1e-42, 20.0];
    if random.random_bool(0.5) {
        suspects[random.random_range(0..suspects.len())]
    } else {
        f32::from_bits(random.next_u32())
    }
}
