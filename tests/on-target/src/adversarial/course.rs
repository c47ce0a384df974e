//! What goes into the kernel, cycle by cycle: a crude motion that answers to the jets, seen through
//! sensors that lie now and then, and commands that change their mind.

use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{
    AttitudeSample, Burn, Command, CycleInput, CycleOutput, Hand, HandDemand, Pace, RateSample, Rotation,
    Slew, Translation, VelocitySample,
};
use stackhold_kernel::hold::Deadband;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::math;
use stackhold_kernel::quaternion::UnitQuaternion;

use super::super::random::Random;

/// How much goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Weather {
    /// Nothing but noise.
    Fair,
    /// One cycle in four is spoilt in one place, and samples stay away for many cycles.
    Rough,
    /// Every number is drawn anew in every cycle.
    Storm,
}

/// One vehicle's course.
pub struct Course {
    weather: Weather,
    cycle_ticks: u32,
    cycle_s: f32,
    tick: u32,
    attitude: UnitQuaternion,
    rate_rad_s: Vec3,
    /// Standing acceleration, rad/s².
    push_rad_s2: Vec3,
    /// Rate change of one cycle with a typical jet, rad/s: the measure of everything.
    stride_rad_s: f32,
    command: Command,
    /// Cycles until samples come again.
    silence: u32,
}

impl Course {
    /// The start of a course for a vehicle.
    pub fn new<const N: usize>(random: &mut Random, controller: &Controller<N>) -> Self {
        let timing = controller.table().timing;
        let effects = controller.effectiveness().effects();
        let strongest = effects.iter().flat_map(|effect| effect.turn_rad_s2.0);
        let strongest = strongest.fold(0.0, |most, turn| math::max(turn.abs(), most));
        let cycle_s = timing.cycle_s();
        let stride_rad_s = math::clamp(strongest * cycle_s, 1e-7, 0.02);
        let pushed = if random.one_in(3) { 0.0 } else { 0.05 * stride_rad_s / cycle_s };
        let weather = match random.below(4) {
            0 | 1 => Weather::Fair,
            2 => Weather::Rough,
            _ => Weather::Storm,
        };
        Self {
            weather,
            cycle_ticks: u32::from(timing.cycle_ticks),
            cycle_s,
            // Any clock, and in one course of four one that wraps soon.
            tick: if random.one_in(4) { 0_u32.wrapping_sub(random.below(20_000)) } else { random.word() },
            attitude: UnitQuaternion::from_array(attitude(random, 1.0)).unwrap_or_default(),
            rate_rad_s: Vec3(random.vector(stride_rad_s)),
            push_rad_s2: Vec3(random.vector(pushed)),
            stride_rad_s,
            command: Command::Drift,
            silence: 0,
        }
    }

    /// The input of the next cycle.
    pub fn input(&mut self, random: &mut Random) -> CycleInput {
        self.tick = self.tick.wrapping_add(self.cycle_ticks);
        let orders_last = match (self.weather, &self.command) {
            (Weather::Storm, _) => 20,
            // It coasts only when it has settled.
            (_, Command::Rotate(_)) => 600,
            _ => 150,
        };
        if self.command == Command::Drift || random.one_in(orders_last) {
            self.command = self.order(random);
        }
        let age = random.below(self.cycle_ticks);
        let (attitude, rate_rad_s) = match self.weather {
            Weather::Storm => (attitude(random, 0.02), random.vector(0.02)),
            _ => (self.seen_attitude(random), self.seen_rate(random)),
        };
        let tick = self.tick.wrapping_sub(age);
        let velocity = self.seen_velocity(random, tick);
        let mut input = CycleInput {
            tick: self.tick,
            attitude: Some(AttitudeSample { attitude_xyzw: attitude, tick, valid: true }),
            rate: Some(RateSample { rate_rad_s, tick, valid: true }),
            velocity,
            command: self.command,
            inhibited: JetMask::NONE,
            shut_groups: 0,
            gimbal_stuck: false,
        };
        match self.weather {
            Weather::Fair => {}
            Weather::Rough => self.spoil_now_and_then(random, &mut input),
            Weather::Storm => {
                spoil(random, &mut input, self.cycle_ticks);
                if random.one_in(100) {
                    self.tick = self.tick.wrapping_add(random.word());
                }
            }
        }
        input
    }

    fn seen_attitude(&self, random: &mut Random) -> [f32; 4] {
        self.attitude.turned_by(Vec3(random.vector(1e-5))).to_array()
    }

    fn seen_rate(&self, random: &mut Random) -> [f32; 3] {
        let noise = Vec3(random.vector(0.01 * self.stride_rad_s));
        (self.rate_rad_s + noise).0
    }

    /// What an accelerometer has counted, for a part of the courses; drawn aside, as it came later.
    fn seen_velocity(&self, random: &Random, tick: u32) -> Option<VelocitySample> {
        let mut aside = random.clone();
        if !self.cycle_ticks.is_multiple_of(3) || aside.one_in(20) {
            return None;
        }
        let mut counted_m_s = aside.vector(0.01);
        if self.weather != Weather::Fair && aside.one_in(100) {
            counted_m_s[aside.below(3) as usize % 3] = aside.wild();
        }
        Some(VelocitySample { counted_m_s, tick, valid: !aside.one_in(50) })
    }

    fn spoil_now_and_then(&mut self, random: &mut Random, input: &mut CycleInput) {
        if self.silence == 0 && random.one_in(200) {
            self.silence = 1 + random.below(40);
        }
        if self.silence > 0 {
            self.silence -= 1;
            (input.attitude, input.rate) = (None, None);
        } else if random.one_in(4) {
            spoil(random, input, self.cycle_ticks);
        }
    }

    /// A command that fits the vehicle; one number in some of them is wild.
    fn order(&self, random: &mut Random) -> Command {
        let turn = self.stride_rad_s * random.of_any_size(-3, 4);
        let mut rate_change_rad_s = random.vector(turn);
        if random.one_in(2) {
            // About one axis alone.
            rate_change_rad_s[random.below(3) as usize % 3] = 0.0;
            rate_change_rad_s[random.below(3) as usize % 3] = 0.0;
        }
        let serial = random.ticks_below(8);
        let mut order = match random.below(16) {
            0 => Command::Drift,
            8 => Command::Watch {
                attitude_xyzw: self.attitude.turned_by(Vec3(random.vector(0.02))).to_array(),
                wake: self.limits(random),
                deadband: self.limits(random),
            },
            9 => Command::Damp {
                rate_limit_rad_s: [(); 3].map(|()| self.stride_rad_s * random.of_any_size(-6, 2)),
            },
            10 | 11 => Command::Hand(self.hand(random)),
            12 | 13 => Command::Slew(self.slew(random)),
            14 | 15 => Command::Rotate(self.rotation(random)),
            1 | 2 => Command::Impulse { serial, rate_change_rad_s, velocity_change_m_s: None },
            3 => {
                Command::Impulse { serial, rate_change_rad_s, velocity_change_m_s: Some(random.vector(0.02)) }
            }
            _ => {
                let turned = self.attitude.turned_by(Vec3(random.vector(0.05)));
                let any = attitude(random, 1.0);
                let deadband = self.limits(random);
                let attitude_xyzw = if random.one_in(8) { any } else { turned.to_array() };
                Command::Hold { attitude_xyzw, deadband }
            }
        };
        // Drawn aside: what is drawn after this is what it was before there were translations.
        let mut aside = random.clone();
        if aside.one_in(8) {
            let push = self.push(&mut aside);
            order = if aside.one_in(3) {
                Command::Burn(self.burn(&push, &mut aside))
            } else {
                Command::Translate(push)
            };
        }
        if self.weather != Weather::Fair && random.one_in(8) {
            spoil_order(random, &mut order);
        }
        order
    }

    fn limits(&self, random: &mut Random) -> Deadband {
        let widths = [(); 3].map(|()| random.of_any_size(-12, -3));
        let limits = [(); 3].map(|()| self.stride_rad_s * random.of_any_size(0, 6));
        Deadband { half_width_rad: Vec3(widths), rate_limit_rad_s: Vec3(limits) }
    }

    fn slew(&self, random: &mut Random) -> Slew {
        let size = random.of_any_size(-10, 2);
        let turned = self.attitude.turned_by(Vec3(random.vector(size)));
        let pace = if random.one_in(2) {
            Pace::Quick { rate_limit_rad_s: self.stride_rad_s * random.of_any_size(0, 9) }
        } else {
            let stray_rad = if random.one_in(3) { 0.0 } else { random.between(0.0, 2.0) };
            Pace::Cheap { duration_s: self.cycle_s * random.of_any_size(5, 10), stray_rad }
        };
        Slew { attitude_xyzw: turned.to_array(), pace, deadband: self.limits(random) }
    }

    fn push(&self, random: &mut Random) -> Translation {
        let size = random.of_any_size(-14, 2);
        let mut velocity_change_m_s = random.vector(size);
        if random.one_in(2) {
            // Along one axis alone.
            velocity_change_m_s[random.below(3) as usize % 3] = 0.0;
            velocity_change_m_s[random.below(3) as usize % 3] = 0.0;
        }
        Translation {
            serial: random.ticks_below(8),
            attitude_xyzw: self.attitude.turned_by(Vec3(random.vector(0.01))).to_array(),
            velocity_change_m_s,
            deadband: self.limits(random),
        }
    }

    fn burn(&self, push: &Translation, random: &mut Random) -> Burn {
        Burn {
            serial: push.serial,
            attitude_xyzw: push.attitude_xyzw,
            velocity_change_m_s: push.velocity_change_m_s.map(|velocity| 20.0 * velocity),
            deadband: push.deadband,
            settling_s: if random.one_in(2) { 0.0 } else { self.cycle_s * random.of_any_size(0, 6) },
        }
    }

    fn hand(&self, random: &mut Random) -> Hand {
        let deflection = random.vector(1.0);
        Hand {
            deflection: deflection.map(|share| if random.one_in(2) { 0.0 } else { share }),
            dead_zone: random.between(0.0, 0.3),
            full_rate_rad_s: [(); 3].map(|()| self.stride_rad_s * random.of_any_size(0, 8)),
            deadband: self.limits(random),
            asks_for: if random.one_in(3) { HandDemand::Bit } else { HandDemand::Rate },
        }
    }

    fn rotation(&self, random: &mut Random) -> Rotation {
        let [x, y, z] = random.vector(1.0);
        let length = math::max(math::sqrt(x * x + y * y + z * z), 1e-3);
        let rate_rad_s = self.stride_rad_s * random.of_any_size(0, 8);
        Rotation {
            about: [x, y, z].map(|part| part / length),
            free_axis_within_rad: random.between(0.1, 1.5),
            rate_rad_s,
            rate_error_rad_s: rate_rad_s * random.of_any_size(-4, 0),
            nutation_rad: random.of_any_size(-4, -1),
            stray_rad: random.of_any_size(-6, 1),
        }
    }

    /// Moves on by one cycle with what the kernel asked for.
    pub fn fly<const N: usize>(&mut self, controller: &Controller<N>, output: &CycleOutput<N>) {
        let tick_s = controller.table().timing.tick_s;
        let mut change = self.push_rad_s2 * self.cycle_s;
        for (effect, &ticks) in controller.effectiveness().effects().iter().zip(&output.on_ticks) {
            if ticks > 0 {
                change = change + effect.turn_rad_s2 * (math::from_ticks(ticks) * tick_s);
            }
        }
        let rate = self.rate_rad_s + change;
        // A vehicle that has got away is stopped, so that the course goes on.
        let tame = rate.0.iter().all(|r| r.abs() < 0.5);
        self.rate_rad_s = if tame { rate } else { Vec3::ZERO };
        self.attitude = self.attitude.turned_by(self.rate_rad_s * self.cycle_s);
    }
}

/// Mass properties told in flight: a little other than they were, or wild.
pub fn retold<const N: usize>(random: &mut Random, table: &ConfigurationTable<N>) -> (f32, Vec3, Mat3) {
    let share = random.between(0.8, 1.25);
    let shift = Vec3(random.vector(0.2));
    let mut mass_kg = table.mass_kg * share;
    let mut inertia = table.inertia_kg_m2;
    inertia.0.iter_mut().flatten().for_each(|entry| *entry *= share);
    if random.one_in(4) {
        let wild = random.wild();
        let place = random.below(3) as usize % 3;
        if random.one_in(2) { mass_kg = wild } else { inertia.0[place][place] = wild }
    }
    (mass_kg, table.centre_of_mass_m + shift, inertia)
}

/// An attitude about so far from no rotation; one in fifty has not the length of one.
fn attitude(random: &mut Random, size: f32) -> [f32; 4] {
    let [x, y, z] = random.vector(size);
    let w = random.between(0.5, 1.0);
    let length = math::sqrt(x * x + y * y + z * z + w * w);
    if random.one_in(50) { [x, y, z, w] } else { [x, y, z, w].map(|c| c / length) }
}

/// Spoils one thing of a cycle's input.
fn spoil(random: &mut Random, input: &mut CycleInput, cycle_ticks: u32) {
    let wild = random.wild();
    let place = random.below(3) as usize % 3;
    let (attitude, rate) = (input.attitude.as_mut(), input.rate.as_mut());
    match random.below(12) {
        0 => input.attitude = None,
        1 => input.rate = None,
        2 => input.inhibited = JetMask(random.word()),
        3 => input.shut_groups = random.word(),
        4 => input.tick = input.tick.wrapping_add(random.below(2 * cycle_ticks)),
        5 => input.tick = input.tick.wrapping_sub(random.below(2 * cycle_ticks)),
        6 => attitude.into_iter().for_each(|sample| sample.attitude_xyzw[place] = wild),
        7 => rate.into_iter().for_each(|sample| sample.rate_rad_s[place] = wild),
        8 => attitude.into_iter().for_each(|sample| sample.valid = false),
        9 => rate.into_iter().for_each(|sample| sample.valid = false),
        10 => spoil_order(random, &mut input.command),
        _ => rate.into_iter().for_each(|sample| sample.tick ^= 1 << random.below(32)),
    }
}

/// Puts a wild number into a command.
fn spoil_order(random: &mut Random, order: &mut Command) {
    let wild = random.wild();
    let place = random.below(3) as usize % 3;
    match order {
        Command::Drift => {}
        Command::Watch { wake, .. } => wake.half_width_rad[place] = wild,
        Command::Damp { rate_limit_rad_s } => rate_limit_rad_s[place] = wild,
        Command::Hand(hand) => match random.below(4) {
            0 => hand.deflection[place] = wild,
            1 => hand.dead_zone = wild,
            2 => hand.full_rate_rad_s[place] = wild,
            _ => hand.deadband.half_width_rad[place] = wild,
        },
        Command::Slew(slew) => match random.below(3) {
            0 => slew.attitude_xyzw[place] = wild,
            1 => slew.deadband.half_width_rad[place] = wild,
            _ => match &mut slew.pace {
                Pace::Quick { rate_limit_rad_s } => *rate_limit_rad_s = wild,
                Pace::Cheap { duration_s, stray_rad } => {
                    *(if random.one_in(2) { duration_s } else { stray_rad }) = wild;
                }
            },
        },
        Command::Burn(burn) => match random.below(4) {
            0 => burn.attitude_xyzw[place] = wild,
            1 => burn.velocity_change_m_s[place] = wild,
            2 => burn.settling_s = wild,
            _ => burn.deadband.half_width_rad[place] = wild,
        },
        Command::Translate(push) => match random.below(3) {
            0 => push.attitude_xyzw[place] = wild,
            1 => push.velocity_change_m_s[place] = wild,
            _ => push.deadband.half_width_rad[place] = wild,
        },
        Command::Rotate(rotation) => match random.below(6) {
            0 => rotation.about[place] = wild,
            1 => rotation.free_axis_within_rad = wild,
            2 => rotation.rate_rad_s = wild,
            3 => rotation.rate_error_rad_s = wild,
            4 => rotation.nutation_rad = wild,
            _ => rotation.stray_rad = wild,
        },
        Command::Hold { attitude_xyzw, deadband } => match random.below(3) {
            0 => attitude_xyzw[place] = wild,
            1 => deadband.half_width_rad[place] = wild,
            _ => deadband.rate_limit_rad_s[place] = wild,
        },
        Command::Impulse { rate_change_rad_s, velocity_change_m_s, .. } => match velocity_change_m_s {
            Some(velocity) if random.one_in(2) => velocity[place] = wild,
            _ => rate_change_rad_s[place] = wild,
        },
    }
}
