//! Vehicles drawn at random: plausible ones, and ones that are hard to steer or to reckon with.

use stackhold_kernel::config::{
    Accelerometer, BendingMode, ConfigurationTable, Engine, FilterSettings, MODES, SharedLimits,
    SpareTranslation, Timing,
};
use stackhold_kernel::jet::{Jet, LOADS};
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::math;

use super::super::random::Random;

/// What is hard about a vehicle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Layout {
    /// Jets anywhere, pointing anywhere.
    Irregular,
    /// Jets along the axes at corners of a box, many of them equivalent: degenerate selections.
    Corners,
    /// Every jet twice.
    Twins,
    /// All forces in one plane: an axis that is hardly there.
    Flat,
    /// Thrusts and arms of very different size.
    Mixed,
}

/// A table of one to `N` jets. One in twenty holds a number that should be refused.
pub fn table<const N: usize>(random: &mut Random, identity: u32) -> ConfigurationTable<N> {
    let timing = timing(random);
    let mass_kg = random.of_any_size(6, 18);
    // The size of a box of the density of a spacecraft, about 60 kg/m³.
    let size_m = math::sqrt(math::sqrt(mass_kg)) * random.between(0.5, 1.5);
    let mut table = ConfigurationTable {
        identity,
        mass_kg,
        centre_of_mass_m: Vec3(random.vector(size_m)),
        inertia_kg_m2: inertia(random, mass_kg * size_m * size_m),
        jets: Default::default(),
        timing,
        filter: filter(random),
        axis_priority: priority(random),
        shared: SharedLimits::NONE,
        spare_translation: SpareTranslation::OFF,
        bending: [BendingMode::NONE; MODES],
        engine: Engine::NONE,
        accelerometer: Accelerometer::NONE,
    };
    let layout = match random.below(8) {
        0..=3 => Layout::Irregular,
        4 => Layout::Corners,
        5 => Layout::Twins,
        6 => Layout::Flat,
        _ => Layout::Mixed,
    };
    let jets = if random.one_in(3) { 1 + random.below(N as u32) as usize } else { N };
    let usual_thrust_n = mass_kg * random.of_any_size(-14, -7);
    let mut last = jet(random, layout, size_m, usual_thrust_n, &timing);
    for j in 0..jets {
        if layout != Layout::Twins || j % 2 == 0 {
            last = jet(random, layout, size_m, usual_thrust_n, &timing);
        }
        // Cannot fail: at most N are made.
        let _ = table.jets.push(last);
    }
    share(random, &mut table);
    table.bending = [bending(random, &timing), bending(random, &timing)];
    // Drawn aside: what is drawn after this is what it was before there were engines and accelerometers.
    let mut aside = Random::new(random.clone().bits());
    if aside.one_in(3) {
        table.engine = engine(&mut aside, mass_kg, size_m);
    }
    if aside.one_in(3) {
        table.accelerometer = Accelerometer { place_m: Vec3(aside.vector(size_m)) };
    }
    if random.one_in(20) {
        spoil(random, &mut table);
    }
    table
}

fn timing(random: &mut Random) -> Timing {
    let cycle_ticks = 4 + random.ticks_below(300);
    Timing {
        tick_s: random.of_any_size(-10, -6),
        cycle_ticks,
        minimum_off_ticks: random.ticks_below(cycle_ticks / 4),
        command_delay_ticks: random.ticks_below(cycle_ticks / 4),
        measurement_age_limit_ticks: u32::from(cycle_ticks) * (1 + random.below(6)),
    }
}

fn filter(random: &mut Random) -> FilterSettings {
    FilterSettings {
        attitude_noise_rad: random.of_any_size(-20, -8),
        rate_noise_rad_s: random.of_any_size(-24, -10),
        bias_walk_rad_s: if random.one_in(4) { 0.0 } else { random.of_any_size(-30, -14) },
        disturbance_walk_rad_s2: if random.one_in(4) { 0.0 } else { random.of_any_size(-30, -14) },
        firing_error: random.between(0.0, 0.3),
    }
}

/// None, or one, of any damping, with a swing or without: of any frequency, or of a period that firings in every so many
/// cycles meet in step.
fn bending(random: &mut Random, timing: &Timing) -> BendingMode {
    if !random.one_in(3) {
        return BendingMode::NONE;
    }
    let cycles = 1.0 + random.below(3) as f32;
    let met = math::clamp(1.0 / (cycles * timing.cycle_s()), 1e-3, 100.0);
    BendingMode {
        frequency_hz: if random.one_in(2) { met } else { random.of_any_size(-8, 4) },
        damping_ratio: if random.one_in(2) { 0.0 } else { random.of_any_size(-12, -1) },
        swing_rad: if random.one_in(4) { 0.0 } else { random.of_any_size(-16, -4) },
    }
}

/// Fixed, or on a gimbal, with or without a limit to its rate; along an axis or pointing anywhere.
fn engine(random: &mut Random, mass_kg: f32, size_m: f32) -> Engine {
    let layout = if random.one_in(2) { Layout::Corners } else { Layout::Irregular };
    let direction = direction(random, layout);
    // Across the direction and an axis that it does not lie along.
    let [x, y, _] = direction.0.map(f32::abs);
    let other = if x < 0.6 {
        Vec3([1.0, 0.0, 0.0])
    } else if y < 0.6 {
        Vec3([0.0, 1.0, 0.0])
    } else {
        Vec3([0.0, 0.0, 1.0])
    };
    let across = direction.cross(other);
    let is_fixed = random.one_in(4);
    let rate_rad_s = if random.one_in(4) { f32::INFINITY } else { random.of_any_size(-8, 1) };
    Engine {
        pivot_m: Vec3(random.vector(2.0 * size_m)),
        direction,
        first_axis: across * (1.0 / across.norm()),
        thrust_n: mass_kg * random.of_any_size(-6, 2),
        specific_impulse_s: random.between(200.0, 460.0),
        travel_rad: if is_fixed { 0.0 } else { random.between(0.01, 0.5) },
        gimbal_rate_rad_s: if is_fixed { 0.0 } else { rate_rad_s },
        start_s: random.between(0.0, 3.0),
        tail_s: random.between(0.0, 2.0),
    }
}

fn priority(random: &mut Random) -> [u8; 3] {
    let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    orders.get(random.below(6) as usize).copied().unwrap_or([0, 1, 2])
}

/// An inertia of about `scale`, kg·m²: that of a box of three sides, with products of inertia.
fn inertia(random: &mut Random, scale: f32) -> Mat3 {
    let [a, b, c] = [(); 3].map(|()| random.between(0.1, 1.0));
    let [x, y, z] = [b + c, a + c, a + b].map(|moment| moment * scale * 0.2);
    let least = math::min(a, math::min(b, c)) * scale * 0.2;
    let [xy, xz, yz] = random.vector(0.3 * least);
    Mat3([[x, xy, xz], [xy, y, yz], [xz, yz, z]])
}

fn jet(random: &mut Random, layout: Layout, size_m: f32, usual_thrust_n: f32, timing: &Timing) -> Jet {
    let cycle_s = timing.cycle_s();
    let longest = timing.cycle_ticks - timing.minimum_off_ticks;
    let minimum_on_ticks = 1 + random.ticks_below(longest / 2);
    let shortest_s = math::from_ticks(minimum_on_ticks) * timing.tick_s;
    let strength = match layout {
        Layout::Mixed => random.of_any_size(-5, 5),
        Layout::Corners => 1.0,
        _ => random.between(0.5, 2.0),
    };
    let corner = |random: &mut Random| if random.one_in(2) { size_m } else { -size_m };
    let position_m = match layout {
        Layout::Corners => [(); 3].map(|()| corner(random)),
        _ => random.vector(2.0 * size_m),
    };
    Jet {
        position_m: Vec3(position_m),
        direction: direction(random, layout),
        thrust_n: usual_thrust_n * strength,
        specific_impulse_s: random.between(60.0, 330.0),
        minimum_on_ticks,
        dead_time_s: random.between(0.0, 0.25) * cycle_s,
        pulse_offset_s: if random.one_in(2) { 0.0 } else { random.between(-0.4, 0.2) * shortest_s },
        group: random.below(4) as u8,
        price_weight: if random.one_in(4) { random.between(0.5, 4.0) } else { 1.0 },
        load_share: [0; LOADS],
        enabled: !random.one_in(12),
    }
}

/// A unit vector.
fn direction(random: &mut Random, layout: Layout) -> Vec3 {
    let axes = [[1.0, 0.0, 0.0], [-1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, -1.0, 0.0], [0.0, 0.0, 1.0]];
    if layout == Layout::Corners {
        return Vec3(axes.get(random.below(6) as usize).copied().unwrap_or([0.0, 0.0, -1.0]));
    }
    let [x, y, z] = random.vector(1.0);
    let vector = Vec3([x, y, if layout == Layout::Flat { 0.0 } else { z }]);
    let length = vector.norm();
    if length > 0.1 { vector * (1.0 / length) } else { Vec3([1.0, 0.0, 0.0]) }
}

/// Limits that jets share, and the wish to spare translation: in some vehicles.
fn share<const N: usize>(random: &mut Random, table: &mut ConfigurationTable<N>) {
    if random.one_in(3) {
        table.shared.most_jets_at_once = 1 + random.below(8) as u8;
    }
    if random.one_in(4) {
        let most = table.jets.iter().fold(0.0, |most, jet| math::max(jet.flow_kg_s(), most));
        let limit = most * random.between(1.0, 4.0);
        table.shared.flow_limit_kg_s.iter_mut().take(2).for_each(|flow| *flow = limit);
    }
    // Drawn aside: what is drawn after this is what it was before there were loads.
    let mut aside = random.clone();
    if aside.one_in(4) {
        let most = 1 + aside.below(256);
        let shares = table.jets.iter_mut().flat_map(|jet| jet.load_share.iter_mut().take(2));
        shares.for_each(|share| *share = aside.below(most) as u8);
    }
    if random.one_in(3) {
        let spare =
            SpareTranslation { extra_share: random.between(0.0, 1.0), within_m_s: random.between(0.0, 0.1) };
        table.spare_translation = spare;
    }
}

/// Puts a number where it should be refused, or at least do no harm.
fn spoil<const N: usize>(random: &mut Random, table: &mut ConfigurationTable<N>) {
    let wild = random.wild();
    let place = random.below(3) as usize;
    let number = random.below(N as u32) as usize;
    let jet = table.jets.get_mut(number);
    match random.below(8) {
        0 => table.mass_kg = wild,
        1 => table.centre_of_mass_m[place] = wild,
        2 => table.inertia_kg_m2.0[place][0] = wild,
        3 => table.timing.tick_s = wild,
        4 => table.filter.attitude_noise_rad = wild,
        5 => jet.into_iter().for_each(|jet| jet.thrust_n = wild),
        6 => jet.into_iter().for_each(|jet| jet.position_m[place] = wild),
        _ => jet.into_iter().for_each(|jet| jet.pulse_offset_s = wild),
    }
}
