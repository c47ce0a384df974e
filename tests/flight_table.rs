//! The flight table: its checksum against the published one, its bytes against a table written by hand from the
//! specification, and everything that must be refused, kept or found on a board.

use proptest::prelude::*;
use proptest::test_runner::Config;
use stackhold_harness::flight_table::issue;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::table::JETS;
use stackhold_kernel::config::{
    Accelerometer, BendingField, BendingMode, ConfigError, ConfigurationTable, Engine, EngineField,
    FilterField, FilterSettings, GROUPS, JetField, MODES, SharedLimits, SpareTranslation, Timing,
    TimingField,
};
use stackhold_kernel::controller::{Change, Controller};
use stackhold_kernel::cycle::{AttitudeSample, Command, CycleInput, CycleOutput, RateSample};
use stackhold_kernel::flight_table::layout::{
    AT_COMMAND_DELAY, AT_CYCLE, AT_SEQUENCE, JET_ENABLED, JET_THRUST, jet_at,
};
use stackhold_kernel::flight_table::{
    Armed, Checksum, FlightTables, Health, LONGEST, Label, NAME_LENGTH, Name, Refusal, SLICE_BYTES, Stage,
    Why, encode, read, table_bytes,
};
use stackhold_kernel::jet::{Jet, JetMask};
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::mass_properties::MassPropertiesError;
use stackhold_kernel::status::Status;
use stackhold_tests::recorded_flights::{RecordedFlight, docked_hold, flown, shortened};

type Table = ConfigurationTable<JETS>;
type Tables = FlightTables<JETS, { table_bytes(JETS) }>;

/// Bytes of the demonstration's table: 16 jets.
const DEMO_BYTES: usize = 384 + 52 * 16;

/// The catalogue's own description and implementation of the checksum.
const PUBLISHED: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_MEF);

fn name(text: &str) -> Name {
    Name::new(text).expect("a name")
}

/// The demonstration's table: vehicle `servicing_tug`, stack `tug_client_and_stage`.
fn demo(sequence: u32) -> Vec<u8> {
    let scenario = load_embedded("docked_hold").expect("the demonstration reads");
    issue(&scenario, None, Some(sequence)).expect("a table").bytes
}

fn stack() -> Name {
    name("tug_client_and_stage")
}

/// The same values with another sequence number, or others by `edit`.
fn edited(bytes: &[u8], edit: impl FnOnce(&mut Vec<u8>)) -> Vec<u8> {
    let mut edited = bytes.to_vec();
    edit(&mut edited);
    let end = edited.len() - 4;
    let sum = PUBLISHED.checksum(&edited[..end]);
    edited[end..].copy_from_slice(&sum.to_le_bytes());
    edited
}

fn put(offset: usize, new: &[u8]) -> impl FnOnce(&mut Vec<u8>) {
    let new = new.to_vec();
    move |bytes| bytes[offset..offset + new.len()].copy_from_slice(&new)
}

/// A table of the current version without what an older version has no place for.
fn older(bytes: &[u8], version: u8) -> Vec<u8> {
    let jets = usize::from(u16::from_le_bytes([bytes[330], bytes[331]])) / 48;
    let (sections, end) = match version {
        1 => (5, 332 + 48 * jets),
        2 => (6, 360 + 48 * jets),
        _ => (7, 364 + 52 * jets),
    };
    edited(bytes, |bytes| {
        bytes.drain(end..bytes.len() - 4);
        let length = bytes.len() as u32;
        put(4, &[version, 0, sections, 0])(bytes);
        put(8, &length.to_le_bytes())(bytes);
        put(184, &[4, 0, 140, 0])(bytes);
        put(264, &f32::INFINITY.to_le_bytes().repeat(16))(bytes);
    })
}

/// A table of 16 jets with another engine, and an accelerometer.
fn with_engine(bytes: &[u8]) -> Vec<u8> {
    let floats =
        [[-1.25, 0.125, -0.0625], [1.0, 0.0, 0.0], [0.0, 0.6, 0.8], [420.0, 312.0, 0.15], [0.1, 0.2, 0.1]];
    edited(bytes, |bytes| {
        for (index, float) in floats.as_flattened().iter().enumerate() {
            put(268 + 4 * index, &f32::to_le_bytes(*float))(bytes);
        }
        put(1200, &[[0x00, 0x00, 0x80, 0x3e]; 3].concat())(bytes);
    })
}

fn armed(tables: &mut Tables, bytes: &[u8]) -> Result<Armed, Refusal> {
    let loaded = tables.load(bytes)?;
    let verified = tables.verify(loaded, &stack())?;
    tables.arm(verified)
}

/// Banks of the tug with the demonstration's table in force, and the controller that flies it.
fn flying(sequence: u32) -> (Tables, Controller<JETS>) {
    let mut tables = Tables::new(name("servicing_tug"));
    let armed = armed(&mut tables, &demo(sequence)).expect("a good table");
    let controller = tables.start(armed).expect("a good table");
    (tables, controller)
}

// -------------------------------------------------------------------------------------- checksum

/// Check value of CRC-32/MEF in the public catalogue of CRC algorithms (G. Cook, "Catalogue of parametrised
/// CRC algorithms", as the crate `crc-catalog` carries it).
#[test]
fn the_checksum_has_the_published_check_value() {
    assert_eq!(Checksum::of(b"123456789"), 0xD2C2_2F51);
    assert_eq!(crc::CRC_32_MEF.check, 0xD2C2_2F51);
    assert_eq!(crc::CRC_32_MEF.poly, 0x741B_8CD7);
    assert_eq!(Checksum::of(b""), u32::MAX);
}

/// Powers of x modulo the polynomial: what an error in one bit does to the checksum, one entry per bit.
fn powers(count: usize) -> Vec<u32> {
    let next = |r: &u32| Some(if r >> 31 == 1 { (r << 1) ^ 0x741B_8CD7 } else { r << 1 });
    std::iter::successors(Some(1), next).take(count).collect()
}

/// Whether some two or four flipped bits among the first `powers.len()` leave the checksum as it was.
fn an_even_error_is_missed(powers: &[u32]) -> bool {
    // Every pair of bits gives a sum; with bit 0 as the lowest of four, a third bit must give the same.
    let mut known = vec![0_u64; 1 << 20];
    let slot = |sum: u32| ((sum >> 12) as usize & 0xf_ffff, sum & 63);
    for &power in powers {
        let (word, bit) = slot(power ^ 1);
        known[word] |= 1 << bit;
    }
    let mut sorted: Vec<u32> = powers.iter().map(|power| power ^ 1).collect();
    sorted.sort_unstable();
    if sorted.windows(2).any(|pair| pair[0] == pair[1]) {
        return true;
    }
    for (j, second) in powers.iter().enumerate().skip(1) {
        for third in &powers[j + 1..] {
            let sum = second ^ third;
            let (word, bit) = slot(sum);
            if known[word] >> bit & 1 == 1 && sorted.binary_search(&sum).is_ok() {
                return true;
            }
        }
    }
    false
}

/// P. Koopman, "32-Bit Cyclic Redundancy Codes for Internet Applications", Dependable Systems and Networks
/// 2002: 0xBA0DC66B has Hamming distance 6 up to 16,360 bits of data, and no further. Every odd number of
/// errors is found because x + 1 divides the polynomial, which then has an even number of terms.
#[test]
fn five_flipped_bits_are_found_in_the_longest_table_and_the_published_limit_is_exact() {
    assert_eq!((0xBA0D_C66B_u32 << 1) | 1, 0x741B_8CD7, "one polynomial in two notations");
    assert_eq!((0x741B_8CD7_u32.count_ones() + 1) % 2, 0);
    let (most, checksum) = (16_360, 32);
    assert!(8 * LONGEST <= most + checksum);
    let powers = powers(most + checksum + 1);
    assert!(!an_even_error_is_missed(&powers[..most + checksum]));
    assert!(an_even_error_is_missed(&powers), "one bit further");
}

proptest! {
    #![proptest_config(Config { cases: 256, ..stackhold_tests::properties() })]

    #[test]
    fn the_checksum_is_the_catalogues(bytes in prop::collection::vec(any::<u8>(), 0..300), cut in 0_usize..300) {
        let (first, second) = bytes.split_at(cut.min(bytes.len()));
        let mut sum = Checksum::START;
        sum.add(first);
        sum.add(second);
        prop_assert_eq!(sum.value(), PUBLISHED.checksum(&bytes));
    }

    #[test]
    fn up_to_five_flipped_bits_are_refused(bits in prop::collection::btree_set(0_usize..DEMO_BYTES * 8, 1..=5)) {
        let mut bytes = demo(1);
        for bit in bits {
            bytes[bit / 8] ^= 1 << (bit % 8);
        }
        prop_assert!(read::<JETS>(&bytes).is_err());
    }
}

// ----------------------------------------------------------------------------------------- bytes

/// A table in `tests/flight_tables`: offset, bytes, what they are.
fn golden(text: &str) -> Vec<u8> {
    let mut bytes = Vec::new();
    for line in text.lines().filter(|line| !line.starts_with('#')) {
        let (offset, rest) = line.split_once(':').expect("an offset");
        assert_eq!(offset.trim().parse::<usize>().expect("a number"), bytes.len(), "{line}");
        let written = rest.split('#').next().expect("bytes");
        bytes.extend(written.split_whitespace().map(|hex| u8::from_str_radix(hex, 16).expect("a byte")));
    }
    bytes
}

/// The same values as the specification's fields, written down once more.
fn small_tug() -> (Label, ConfigurationTable<1>) {
    let label = Label { vehicle: name("small_tug"), configuration: name("small_tug_alone"), sequence: 7 };
    let mut flow_limit_kg_s = [f32::INFINITY; 16];
    flow_limit_kg_s[3] = 1.0 / 32.0;
    let jet = Jet {
        position_m: Vec3([-1.5, 0.75, -0.5]),
        direction: Vec3([0.0, 0.6, 0.8]),
        thrust_n: 22.0,
        specific_impulse_s: 285.0,
        minimum_on_ticks: 4,
        dead_time_s: 11.0 / 1024.0,
        pulse_offset_s: 1.0 / 512.0,
        group: 3,
        price_weight: 2.5,
        load_share: [26, 255, 0, 3],
        enabled: true,
    };
    let table = ConfigurationTable {
        identity: 0xCAFE_0042,
        mass_kg: 500.0,
        centre_of_mass_m: Vec3([0.5, -0.25, 0.125]),
        inertia_kg_m2: Mat3([[300.0, -20.0, 10.0], [-20.0, 400.0, -5.0], [10.0, -5.0, 500.0]]),
        jets: [jet].into_iter().collect(),
        timing: Timing {
            tick_s: 1.0 / 128.0,
            cycle_ticks: 32,
            minimum_off_ticks: 3,
            command_delay_ticks: 2,
            measurement_age_limit_ticks: 128,
        },
        filter: FilterSettings {
            attitude_noise_rad: 1.0 / 8192.0,
            rate_noise_rad_s: 1.0 / 65536.0,
            bias_walk_rad_s: 1.0 / 536_870_912.0,
            disturbance_walk_rad_s2: 1.0 / 33_554_432.0,
            firing_error: 1.0 / 64.0,
        },
        axis_priority: [2, 0, 1],
        shared: SharedLimits { most_jets_at_once: 4, flow_limit_kg_s },
        spare_translation: SpareTranslation { extra_share: 0.25, within_m_s: 1.0 / 1024.0 },
        bending: [
            BendingMode { frequency_hz: 0.375, damping_ratio: 1.0 / 128.0, swing_rad: 1.0 / 1024.0 },
            BendingMode { frequency_hz: 1.5, damping_ratio: 1.0 / 256.0, swing_rad: 0.0 },
        ],
        engine: Engine {
            pivot_m: Vec3([-1.25, 0.125, -0.0625]),
            direction: Vec3([0.6, 0.8, 0.0]),
            first_axis: Vec3([-0.8, 0.6, 0.0]),
            thrust_n: 420.0,
            specific_impulse_s: 312.0,
            travel_rad: 5.0 / 32.0,
            gimbal_rate_rad_s: 3.0 / 32.0,
            start_s: 11.0 / 64.0,
            tail_s: 5.0 / 64.0,
        },
        accelerometer: Accelerometer { place_m: Vec3([0.75, -0.5, 0.25]) },
    };
    (label, table)
}

/// The same as an older version tells them: without engine and accelerometer.
fn small_tug_before() -> (Label, ConfigurationTable<1>) {
    let (label, table) = small_tug();
    (label, ConfigurationTable { engine: Engine::NONE, accelerometer: Accelerometer::NONE, ..table })
}

#[test]
fn a_table_written_by_hand_is_read_and_written_byte_for_byte() {
    let golden = golden(include_str!("flight_tables/small_tug.hex"));
    let (label, table) = small_tug();
    assert_eq!(read::<1>(&golden).expect("a good table"), (label, table.clone()));
    let mut bytes = [0xaa; 452];
    assert_eq!(encode(&label, &table, &mut bytes), Some(436));
    assert_eq!(bytes[..436], golden[..]);
    assert_eq!(bytes[436..], [0xaa; 16], "nothing is written beyond");
    assert_eq!(PUBLISHED.checksum(&golden[..432]).to_le_bytes(), golden[432..]);
    assert_eq!(encode(&label, &table, &mut [0; 435]), None, "no room");
}

#[test]
fn thirty_two_jets_fill_the_longest_table() {
    let (label, one) = small_tug();
    let mut table = ConfigurationTable::<32> {
        identity: one.identity,
        mass_kg: one.mass_kg,
        centre_of_mass_m: one.centre_of_mass_m,
        inertia_kg_m2: one.inertia_kg_m2,
        jets: std::iter::repeat_n(one.jets[0], 32).collect(),
        timing: one.timing,
        filter: one.filter,
        axis_priority: one.axis_priority,
        shared: one.shared,
        spare_translation: one.spare_translation,
        bending: one.bending,
        engine: one.engine,
        accelerometer: one.accelerometer,
    };
    table.jets[31].group = 15;
    let mut bytes = [0; LONGEST];
    assert_eq!(encode(&label, &table, &mut bytes), Some(2048));
    assert_eq!((LONGEST, table_bytes(32)), (2048, 2048));
    assert_eq!(read::<32>(&bytes).expect("a good table"), (label, table));
}

#[test]
fn a_table_of_version_3_is_one_without_engine_and_accelerometer() {
    let golden = golden(include_str!("flight_tables/small_tug_version_3.hex"));
    assert_eq!(read::<1>(&golden).expect("a good table"), small_tug_before());
    // Half of one version and half of the other is neither.
    let with = edited(&golden, |bytes| bytes[6] = 9);
    assert_eq!(read::<1>(&with).expect_err("nine sections").why, Why::Sections);
    let short = edited(&golden, put(186, &[76]));
    let refusal = read::<1>(&short).expect_err("16 limits");
    assert_eq!((refusal.why, refusal.offset, refusal.found), (Why::SectionLength, 186, 76));
    let longer = edited(&golden, |bytes| {
        bytes.splice(416..416, [[9, 0, 12, 0], [0; 4], [0; 4], [0; 4]].concat());
        bytes[8..12].copy_from_slice(&436_u32.to_le_bytes());
    });
    assert_eq!(read::<1>(&longer).expect_err("more than its sections").why, Why::SectionLength);
}

/// Groups that there are no more may have no limit in an older table, and no jet.
#[test]
fn an_older_table_that_uses_groups_16_to_31_is_refused_at_their_place() {
    for version in [1, 2, 3] {
        let good = older(&demo(1), version);
        read::<JETS>(&good).expect("a good table");
        for group in GROUPS as u8..32 {
            let at = 200 + 4 * usize::from(group);
            for limit in [1.0, 0.0, f32::MAX, f32::NAN, f32::NEG_INFINITY] {
                let bytes = edited(&good, put(at, &limit.to_le_bytes()));
                let refusal = read::<JETS>(&bytes).expect_err("a limit of no group");
                let why = Why::Value(ConfigError::FlowLimit { group });
                assert_eq!(refusal, Refusal { why, offset: at as u16, found: limit.to_bits() });
            }
        }
        for group in [16, 31] {
            let bytes = edited(&good, put(jet_at(6) + 46, &[group]));
            let refusal = read::<JETS>(&bytes).expect_err("a jet of no group");
            let why = Why::Value(ConfigError::Jet { index: 6, field: JetField::Group });
            let offset = jet_at(6) as u16 + 46;
            assert_eq!(refusal, Refusal { why, offset, found: u32::from(group) });
        }
    }
}

#[test]
fn a_table_of_version_2_is_one_without_loads() {
    let golden = golden(include_str!("flight_tables/small_tug_version_2.hex"));
    let (label, mut table) = small_tug_before();
    table.jets[0].load_share = [0; 4];
    assert_eq!(read::<1>(&golden).expect("a good table"), (label, table));
    // Half of one version and half of the other is neither.
    let with = edited(&golden, |bytes| bytes[6] = 7);
    assert_eq!(read::<1>(&with).expect_err("seven sections").why, Why::Sections);
    let longer = edited(&golden, |bytes| {
        bytes.splice(408..408, [7, 0, 4, 0, 1, 2, 3, 4]);
        bytes[8..12].copy_from_slice(&420_u32.to_le_bytes());
    });
    assert_eq!(read::<1>(&longer).expect_err("more than its sections").why, Why::SectionLength);
}

#[test]
fn a_table_of_version_1_is_one_without_bending_modes_and_loads() {
    let golden = golden(include_str!("flight_tables/small_tug_version_1.hex"));
    let (label, mut table) = small_tug_before();
    table.bending = [BendingMode::NONE; MODES];
    table.jets[0].load_share = [0; 4];
    assert_eq!(read::<1>(&golden).expect("a good table"), (label, table));
    // Half of one version and half of the other is neither.
    let with = edited(&golden, |bytes| bytes[6] = 6);
    assert_eq!(read::<1>(&with).expect_err("six sections").why, Why::Sections);
    let longer = edited(&golden, |bytes| {
        bytes.splice(380..380, [0; 28]);
        bytes[8..12].copy_from_slice(&412_u32.to_le_bytes());
    });
    assert_eq!(read::<1>(&longer).expect_err("more than its jets").why, Why::SectionLength);
}

/// The check in memory knows that its bank tells no engine and no accelerometer, and whether it tells modes and loads.
#[test]
fn values_from_a_table_of_an_older_version_are_checked_and_restored() {
    let lengths = [(1, 1104), (2, 1132), (3, 1200)];
    for (version, length) in lengths {
        let old = older(&demo(1), version);
        assert_eq!(old.len(), length);
        values_are_restored(&old);
    }
}

fn values_are_restored(old: &[u8]) {
    let mut tables = Tables::new(name("servicing_tug"));
    let armed = armed(&mut tables, old).expect("a good table");
    let mut controller = tables.start(armed).expect("starts");
    for _ in 0..100 {
        assert_eq!(tables.check(&mut controller), Health::Sound);
    }
    let mut other = controller.table().clone();
    other.bending[1] = BendingMode { frequency_hz: 1.0, damping_ratio: 0.0, swing_rad: 0.01 };
    let mut loaded = controller.table().clone();
    loaded.jets[7].load_share[1] = 9;
    let mut pushed = controller.table().clone();
    pushed.engine = small_tug().1.engine;
    let mut sensed = controller.table().clone();
    sensed.accelerometer.place_m = Vec3::ZERO;
    let mut limited = controller.table().clone();
    limited.shared.flow_limit_kg_s[15] = 1.0;
    let told = controller.table().clone();
    for other in [other, loaded, pushed, sensed, limited] {
        controller.take_up(other).expect("a good table");
        let found = (0..19).map(|_| tables.check(&mut controller)).find(|health| *health != Health::Sound);
        assert_eq!(found, Some(Health::ValuesRestored));
        assert_eq!(controller.table(), &told);
    }
}

/// A number within limits.
fn within(low: f32, high: f32) -> impl Strategy<Value = f32> {
    (0.0_f32..=1.0).prop_map(move |share| (low + share * (high - low)).clamp(low, high))
}

fn any_jet() -> impl Strategy<Value = Jet> {
    let numbers = (prop::array::uniform3(within(-1e3, 1e3)), within(0.5, 1e6), within(1.0, 1e5));
    let times = (within(0.0, 0.4), within(-0.01, 0.4), within(1e-3, 1e3), 1_u16..=60);
    (numbers, times, 0_u8..16, any::<bool>(), 0_usize..6, any::<[u8; 4]>()).prop_map(
        |((position_m, thrust_n, specific_impulse_s), times, group, enabled, side, load_share)| {
            let mut direction = [-0.0; 3];
            direction[side % 3] = if side < 3 { 1.0 } else { -1.0 };
            let (dead_time_s, pulse_offset_s, price_weight, minimum_on_ticks) = times;
            Jet {
                position_m: Vec3(position_m),
                direction: Vec3(direction),
                thrust_n,
                specific_impulse_s,
                minimum_on_ticks,
                dead_time_s,
                pulse_offset_s,
                group,
                price_weight,
                load_share,
                enabled,
            }
        },
    )
}

/// None, a fixed one, or one on a gimbal.
fn any_engine() -> impl Strategy<Value = Engine> {
    let numbers = (prop::array::uniform3(within(-1e3, 1e3)), within(0.5, 1e7), within(1.0, 1e5));
    let gimbal = (within(1e-3, 0.5), prop_oneof![Just(f32::INFINITY), within(1e-4, 10.0)]);
    let gimbal = prop_oneof![Just((0.0, 0.0)), gimbal];
    let told = (numbers, gimbal, within(0.0, 60.0), within(0.0, 60.0), 0_usize..3, any::<bool>()).prop_map(
        |((pivot_m, thrust_n, specific_impulse_s), gimbal, start_s, tail_s, axis, back)| {
            let (mut direction, mut first_axis) = ([-0.0; 3], [0.0; 3]);
            (direction[axis], first_axis[(axis + 1) % 3]) = (if back { -1.0 } else { 1.0 }, -1.0);
            let (travel_rad, gimbal_rate_rad_s) = gimbal;
            Engine {
                pivot_m: Vec3(pivot_m),
                direction: Vec3(direction),
                first_axis: Vec3(first_axis),
                thrust_n,
                specific_impulse_s,
                travel_rad,
                gimbal_rate_rad_s,
                start_s,
                tail_s,
            }
        },
    );
    prop_oneof![Just(Engine::NONE), told]
}

fn any_accelerometer() -> impl Strategy<Value = Accelerometer> {
    let told = prop::array::uniform3(within(-1e3, 1e3));
    prop_oneof![Just(Accelerometer::NONE), told.prop_map(|place| Accelerometer { place_m: Vec3(place) })]
}

fn any_table() -> impl Strategy<Value = Table> {
    let jets = prop::collection::vec(any_jet(), 1..=32);
    let stack = (within(1.0, 1e6), prop::array::uniform3(within(-50.0, 50.0)), within(1.0, 1e7));
    let timing = (within(0.02, 1.0), 70_u16..=16_384, 0_u16..=10, 0_u16..=4, 1_u32..=420);
    let filter = (within(1e-9, 1.0), within(1e-9, 1.0), prop::array::uniform3(within(0.0, 1.0)));
    let choice = (1_u8..=32, within(0.0, 100.0), within(0.0, 1e4), 0_usize..6, any::<u32>());
    let mode = (within(1e-3, 100.0), within(0.0, 1.0), within(0.0, 0.5)).prop_map(
        |(frequency_hz, damping_ratio, swing_rad)| BendingMode { frequency_hz, damping_ratio, swing_rad },
    );
    let bending = prop::array::uniform2(prop_oneof![Just(BendingMode::NONE), mode]);
    (jets, stack, timing, filter, choice, bending, any_engine(), any_accelerometer()).prop_map(
        |(jets, stack, timing, filter, choice, bending, engine, accelerometer)| {
            let (mass_kg, centre, j) = stack;
            let (tick_s, cycle_ticks, minimum_off_ticks, command_delay_ticks, age) = timing;
            let (attitude_noise_rad, rate_noise_rad_s, [bias, disturbance, firing_error]) = filter;
            let (most_jets_at_once, extra_share, within_m_s, order, identity) = choice;
            let orders = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
            let mut flow_limit_kg_s = [f32::INFINITY; GROUPS];
            flow_limit_kg_s[15] = 1e6;
            ConfigurationTable {
                identity,
                mass_kg,
                centre_of_mass_m: Vec3(centre),
                inertia_kg_m2: Mat3([[j, 0.1 * j, 0.0], [0.1 * j, 1.2 * j, -0.0], [0.0, -0.0, 0.9 * j]]),
                jets: jets.into_iter().collect(),
                timing: Timing {
                    tick_s,
                    cycle_ticks,
                    minimum_off_ticks,
                    command_delay_ticks,
                    measurement_age_limit_ticks: age,
                },
                filter: FilterSettings {
                    attitude_noise_rad,
                    rate_noise_rad_s,
                    bias_walk_rad_s: bias,
                    disturbance_walk_rad_s2: disturbance,
                    firing_error,
                },
                axis_priority: orders[order],
                shared: SharedLimits { most_jets_at_once, flow_limit_kg_s },
                spare_translation: SpareTranslation { extra_share, within_m_s },
                bending,
                engine,
                accelerometer,
            }
        },
    )
}

proptest! {
    #![proptest_config(Config { cases: 256, ..stackhold_tests::properties() })]

    /// Whatever the kernel flies, it flies from bytes: to the last bit, signs of zeros included.
    #[test]
    fn every_table_comes_back_as_it_went(table in any_table(), sequence in 1_u32..) {
        prop_assert_eq!(table.validate().map(|_| ()), Ok(()));
        let label = Label { vehicle: name("a"), configuration: name("z_9"), sequence };
        let mut bytes = [0; LONGEST];
        let length = encode(&label, &table, &mut bytes).expect("room");
        prop_assert_eq!(length, table_bytes(table.jets.len()));
        let (label_again, again) = read::<JETS>(&bytes[..length]).expect("a good table");
        prop_assert_eq!(label_again, label);
        prop_assert_eq!(&again, &table);
        let mut twice = [0; LONGEST];
        encode(&label, &again, &mut twice).expect("room");
        prop_assert_eq!(bytes, twice, "not-a-number and minus zero do not show above");
    }

    /// Nothing that comes in makes the reader stumble; only a table is taken for one.
    #[test]
    fn nonsense_is_refused(mut bytes in prop::collection::vec(any::<u8>(), 0..LONGEST), dressed in any::<bool>()) {
        if dressed && bytes.len() >= 64 {
            let length = bytes.len() as u32;
            bytes[..8].copy_from_slice(b"SHFT\x04\x00\x09\x00");
            bytes[8..12].copy_from_slice(&length.to_le_bytes());
            bytes = edited(&bytes, |_| {});
        }
        prop_assert!(read::<JETS>(&bytes).is_err());
    }
}

// -------------------------------------------------------------------------------------- refusals

/// What is in force, to the last bit: the bank's checksum, and what the kernel would do next.
fn in_force(tables: &Tables, controller: &Controller<JETS>) -> (Option<u32>, Option<Label>, String) {
    (tables.checksum(), tables.label().copied(), format!("{controller:?}"))
}

#[test]
fn every_flipped_bit_and_every_truncation_is_refused_and_what_is_in_force_stays() {
    let (mut tables, controller) = flying(1);
    let before = in_force(&tables, &controller);
    let good = demo(2);
    let mut refused = 0;
    for bit in 0..8 * good.len() {
        let mut bytes = good.clone();
        bytes[bit / 8] ^= 1 << (bit % 8);
        let refusal = armed(&mut tables, &bytes).expect_err("a flipped bit");
        let named = match bit / 8 {
            0..4 => refusal.why == Why::Marker,
            8..12 => refusal.why == Why::Length,
            _ => refusal.why == Why::Checksum,
        };
        assert!(named, "bit {bit}: {refusal}");
        refused += 1;
    }
    for length in 0..good.len() {
        let refusal = armed(&mut tables, &good[..length]).expect_err("cut off");
        assert!(matches!(refusal.why, Why::CutOff | Why::Length), "{length} bytes: {refusal}");
        assert_eq!(refusal.found as usize, length);
        refused += 1;
    }
    assert_eq!(refused, 9 * DEMO_BYTES);
    let longer = [&good[..], &[0]].concat();
    assert_eq!(armed(&mut tables, &longer).expect_err("longer").why, Why::Length);
    assert_eq!(armed(&mut tables, &[0; 2049]).expect_err("too long").why, Why::TooLong);
    assert_eq!(in_force(&tables, &controller), before);
    let _ = armed(&mut tables, &good).expect("and then the good one is taken");
}

/// A wrong field with a right checksum: where, what it is made, and what is said of it.
#[test]
fn every_field_out_of_range_is_refused_by_its_name_and_place() {
    let (mut tables, controller) = flying(1);
    let before = in_force(&tables, &controller);
    let float = |value: f32| value.to_le_bytes().to_vec();
    let half = |value: u16| value.to_le_bytes().to_vec();
    let value = Why::Value;
    let mass = |error| value(ConfigError::MassProperties(error));
    let timing = |field| value(ConfigError::Timing(field));
    let filter = |field| value(ConfigError::Filter(field));
    let jet = |index, field| value(ConfigError::Jet { index, field });
    let bending = |mode, field| value(ConfigError::Bending { mode, field });
    let mut cases: Vec<(usize, Vec<u8>, Why)> = vec![
        (4, half(0), Why::Version),
        (4, half(5), Why::Version),
        (6, half(7), Why::Sections),
        (12, vec![0; 4], Why::Sequence),
        (20, b"Servicing".to_vec(), Why::Name),
        (33, vec![0, b'x'], Why::Name),
        (52, vec![0], Why::Name),
        (52, vec![b'a'; NAME_LENGTH - 1].into_iter().chain([b'-']).collect(), Why::Name),
        (88, float(0.0), mass(MassPropertiesError::Mass)),
        (88, float(f32::NAN), mass(MassPropertiesError::Mass)),
        (96, float(f32::INFINITY), mass(MassPropertiesError::CentreOfMass)),
        (112, float(f32::NAN), mass(MassPropertiesError::InertiaNotFinite)),
        (104, float(-1.0), mass(MassPropertiesError::InertiaNotPositiveDefinite)),
        (104, float(4.3e4), mass(MassPropertiesError::InertiaTriangle)),
        (144, float(0.0), timing(TimingField::Tick)),
        (144, float(1.5), timing(TimingField::Tick)),
        (148, vec![0; 4], timing(TimingField::MeasurementAgeLimit)),
        (148, vec![105, 1, 0, 0], timing(TimingField::MeasurementAgeLimit)),
        (152, half(0), timing(TimingField::Cycle)),
        (152, half(16_385), timing(TimingField::Cycle)),
        (154, half(60), timing(TimingField::MinimumOff)),
        (156, half(60), timing(TimingField::CommandDelay)),
        (158, half(1), Why::Unused),
        (164, float(0.0), filter(FilterField::AttitudeNoise)),
        (168, float(2.0), filter(FilterField::RateNoise)),
        (172, float(-1e-9), filter(FilterField::BiasWalk)),
        (176, float(f32::NAN), filter(FilterField::DisturbanceWalk)),
        (180, float(1.01), filter(FilterField::FiringError)),
        (188, vec![0, 1, 1], value(ConfigError::AxisPriority)),
        (191, vec![0], value(ConfigError::MostJetsAtOnce)),
        (191, vec![33], value(ConfigError::MostJetsAtOnce)),
        (192, float(-0.1), value(ConfigError::SpareTranslation)),
        (196, float(1.1e4), value(ConfigError::SpareTranslation)),
        (200, float(0.0), value(ConfigError::FlowLimit { group: 0 })),
        (260, float(f32::NAN), value(ConfigError::FlowLimit { group: 15 })),
        (1104, float(101.0), bending(0, BendingField::Frequency)),
        (1104, float(f32::NAN), bending(0, BendingField::Frequency)),
        (1108, float(0.5), bending(0, BendingField::DampingRatio)),
        (1116, float(-0.5), bending(1, BendingField::Frequency)),
        (1124, float(0.01), bending(1, BendingField::Swing)),
    ];
    let sections =
        [(84, 1), (140, 2), (160, 3), (184, 4), (264, 8), (328, 5), (1100, 6), (1128, 7), (1196, 9)];
    for (start, kind) in sections {
        cases.push((start, half(kind + 1), Why::SectionKind));
        cases.push((start + 2, half(7), Why::SectionLength));
    }
    for index in [0_u8, 7, 15] {
        let at = jet_at(usize::from(index));
        cases.extend([
            (at, float(1001.0), jet(index, JetField::Position)),
            (at + 8, float(f32::NAN), jet(index, JetField::Position)),
            (at + 24, float(0.0), jet(index, JetField::Thrust)),
            (at + 24, float(1.1e6), jet(index, JetField::Thrust)),
            (at + 28, float(-285.0), jet(index, JetField::SpecificImpulse)),
            (at + 32, float(-0.001), jet(index, JetField::DeadTime)),
            (at + 32, float(0.235), jet(index, JetField::DeadTime)),
            (at + 36, float(-0.028), jet(index, JetField::PulseOffset)),
            (at + 36, float(0.25), jet(index, JetField::PulseOffset)),
            (at + 40, float(0.0), jet(index, JetField::PriceWeight)),
            (at + 44, half(0), jet(index, JetField::MinimumOn)),
            (at + 44, half(56), jet(index, JetField::MinimumOn)),
            (at + 46, vec![16], jet(index, JetField::Group)),
            (at + 47, vec![2], Why::Enabled),
        ]);
    }
    for (offset, new, why) in cases {
        let bytes = edited(&demo(2), put(offset, &new));
        let refusal = armed(&mut tables, &bytes).expect_err("out of range");
        assert_eq!(refusal.why, why, "byte {offset}: {refusal}");
        // A name is refused as a whole.
        let place = if why == Why::Name { if offset < 52 { 20 } else { 52 } } else { offset };
        assert_eq!(usize::from(refusal.offset), place, "{refusal}");
        let low = new.iter().take(4).rev().fold(0_u32, |word, &byte| (word << 8) | u32::from(byte));
        let whole = !matches!(why, Why::Name);
        assert!(!whole || refusal.found == low, "{refusal}: not {low:#x}");
    }
    let engine = |field| value(ConfigError::Engine(field));
    let cases = [
        (268, 1001.0, engine(EngineField::Pivot)),
        (276, f32::NAN, engine(EngineField::Pivot)),
        (280, 0.99, engine(EngineField::Direction)),
        (292, 0.002, engine(EngineField::FirstAxis)),
        (304, 0.0, engine(EngineField::Thrust)),
        (304, 1.1e7, engine(EngineField::Thrust)),
        (308, f32::INFINITY, engine(EngineField::SpecificImpulse)),
        (312, 0.6, engine(EngineField::Travel)),
        (316, 0.0, engine(EngineField::GimbalRate)),
        (320, 61.0, engine(EngineField::Start)),
        (324, -0.1, engine(EngineField::Tail)),
        (1200, f32::INFINITY, value(ConfigError::Accelerometer)),
        (1204, -1001.0, value(ConfigError::Accelerometer)),
        (1208, f32::NAN, value(ConfigError::Accelerometer)),
    ];
    for (offset, new, why) in cases {
        let bytes = edited(&with_engine(&demo(2)), put(offset, &new.to_le_bytes()));
        let refusal = armed(&mut tables, &bytes).expect_err("out of range");
        assert_eq!(refusal, Refusal { why, offset: offset as u16, found: new.to_bits() });
    }
    // A number that is left of what is not told.
    let bytes = edited(&demo(2), |bytes| {
        put(268, &[0; 60])(bytes);
        put(324, &float(0.1))(bytes);
    });
    let refusal = armed(&mut tables, &bytes).expect_err("a tail of no engine");
    assert_eq!((refusal.why, refusal.offset), (engine(EngineField::Direction), 280));
    let bytes = edited(&demo(2), put(1204, &float(0.1)));
    let refusal = armed(&mut tables, &bytes).expect_err("half a place");
    assert_eq!((refusal.why, refusal.offset), (value(ConfigError::Accelerometer), 1200));
    // Not symmetric, no direction, and a flow beyond its group's limit: fields that no single number spoils.
    let bytes = edited(&demo(2), put(108, &float(2506.0)));
    let refusal = armed(&mut tables, &bytes).expect_err("lopsided");
    assert_eq!(refusal.why, mass(MassPropertiesError::InertiaNotSymmetric));
    let bytes = edited(&demo(2), put(jet_at(4) + 16, &float(-0.9)));
    let refusal = armed(&mut tables, &bytes).expect_err("a short direction");
    assert_eq!((refusal.why, usize::from(refusal.offset)), (jet(4, JetField::Direction), jet_at(4) + 12));
    let bytes = edited(&demo(2), put(200, &float(1e-4)));
    let refusal = armed(&mut tables, &bytes).expect_err("a jet that could never open");
    assert_eq!(refusal.why, jet(0, JetField::FlowAboveLimit));
    assert_eq!(in_force(&tables, &controller), before);
}

#[test]
fn no_jet_and_more_jets_than_the_kernel_holds_are_refused() {
    let none = edited(&demo(1), |bytes| {
        bytes.drain(1132..1196);
        bytes[1130] = 0;
        bytes.drain(332..1100);
        bytes[330..332].copy_from_slice(&[0, 0]);
        bytes[8..12].copy_from_slice(&384_u32.to_le_bytes());
    });
    let refusal = read::<JETS>(&none).expect_err("no jet");
    assert_eq!((refusal.why, refusal.offset), (Why::Value(ConfigError::NoJets), 330));
    assert_eq!(read::<16>(&demo(1)).map(|(_, table)| table.jets.len()), Ok(16));
    let refusal = read::<15>(&demo(1)).expect_err("sixteen jets");
    assert_eq!((refusal.why, refusal.found), (Why::TooManyJets, 16));
}

#[test]
fn a_good_table_of_another_vehicle_or_for_another_stack_is_refused_at_the_letter_that_differs() {
    let (mut tables, controller) = flying(1);
    let before = in_force(&tables, &controller);
    let other = edited(&demo(2), put(20, b"servicing_tag"));
    let refusal = armed(&mut tables, &other).expect_err("another vehicle");
    assert_eq!(refusal, Refusal { why: Why::Vehicle, offset: 31, found: u32::from(b'a') });
    let scenario = load_embedded("docked_hold").expect("the demonstration reads");
    let released = issue(&scenario, Some("stage_released"), Some(2)).expect("a table").bytes;
    let refusal = armed(&mut tables, &released).expect_err("another stack");
    assert_eq!((refusal.why, refusal.offset), (Why::Configuration, 52 + 4));
    assert_eq!(in_force(&tables, &controller), before);
    // It is the table that was wrong for the command, not the table itself.
    let loaded = tables.load(&released).expect("room");
    let verified = tables.verify(loaded, &name("tug_and_client")).expect("asked for");
    assert_eq!(verified.label().sequence, 2);
}

#[test]
fn the_same_or_an_older_sequence_number_is_refused() {
    let (mut tables, mut controller) = flying(5);
    for old in [1, 4, 5] {
        let refusal = armed(&mut tables, &demo(old)).expect_err("not newer");
        assert_eq!(refusal, Refusal { why: Why::Sequence, offset: AT_SEQUENCE as u16, found: old });
    }
    let newer = armed(&mut tables, &demo(6)).expect("newer");
    assert_eq!(tables.activate(newer, &mut controller), Ok(Change::Continued));
    assert_eq!(tables.label().map(|label| label.sequence), Some(6));
    assert_eq!(armed(&mut tables, &demo(6)).expect_err("again").why, Why::Sequence);
}

/// What a step returned is worth nothing once its load has been given up.
#[test]
fn a_step_of_a_load_that_was_given_up_is_refused() {
    let (mut tables, mut controller) = flying(1);
    let first = armed(&mut tables, &demo(2)).expect("good");
    let second = armed(&mut tables, &demo(3)).expect("good");
    assert_eq!(tables.activate(first, &mut controller).expect_err("superseded").why, Why::Superseded);
    assert_eq!(tables.activate(second, &mut controller), Ok(Change::Continued));
    let loaded = tables.load(&demo(4)).expect("room");
    tables.give_up();
    assert_eq!(tables.verify(loaded, &stack()).expect_err("given up").why, Why::Superseded);
    // Piece by piece, as a link brings it.
    let bytes = demo(4);
    let loading = tables.begin();
    for piece in bytes.chunks(100) {
        tables.append(&loading, piece).expect("room");
    }
    let loaded = tables.end(loading).expect("all of it");
    assert_eq!(tables.stage(), Stage::Loaded);
    let verified = tables.verify(loaded, &stack()).expect("good");
    assert_eq!(verified.checksum(), PUBLISHED.checksum(&bytes[..bytes.len() - 4]));
    let loading = tables.begin();
    assert_eq!(tables.arm(verified).expect_err("superseded").why, Why::Superseded);
    tables.append(&loading, &[0; 2048]).expect("room");
    assert_eq!(tables.append(&loading, &[0]).expect_err("no room").why, Why::TooLong);
}

/// An upset between verification and activation.
#[test]
fn a_table_spoiled_while_it_waited_is_not_activated() {
    let (mut tables, mut controller) = flying(1);
    let before = in_force(&tables, &controller);
    for bit in (0..8 * DEMO_BYTES).step_by(77) {
        let waiting = armed(&mut tables, &demo(2)).expect("good");
        assert!(tables.flip_bit(true, bit));
        assert!(tables.foresee(&waiting, &controller).is_err());
        tables.activate(waiting, &mut controller).expect_err("spoiled");
        assert_eq!(in_force(&tables, &controller), before, "bit {bit}");
    }
}

// ---------------------------------------------------------------------------------------- flights

fn equal<const N: usize>(a: &CycleOutput<N>, b: &CycleOutput<N>) -> bool {
    // Debug writes every float so that it is that float again.
    a.on_ticks == b.on_ticks && format!("{a:?}") == format!("{b:?}")
}

/// Flights whose outputs the closed loop left behind: holds with a vent, firings in three and six rows.
fn flights() -> Vec<(RecordedFlight, Vec<u8>)> {
    let firing = load_embedded("one_axis_firing_yaw").expect("a scenario of the library");
    let docked = load_embedded("docked_hold").expect("the demonstration reads");
    vec![
        (docked_hold(3600.0), issue(&docked, None, None).expect("a table").bytes),
        (
            flown("released", &shortened("docked_hold", 1200.0), Some("stage_released")),
            issue(&docked, Some("stage_released"), None).expect("a table").bytes,
        ),
        (flown("firing", &firing, None), issue(&firing, None, None).expect("a table").bytes),
    ]
}

/// The flight's own inputs through a kernel whose table came as bytes: equal valve commands mean an equal
/// motion, hence equal inputs, all the way. The check runs beside it and finds nothing; a table with the same
/// values, activated every third cycle, changes no bit either.
#[test]
fn a_flight_with_a_table_from_bytes_is_the_flight_bit_for_bit() {
    let mut fired = 0;
    for (flight, bytes) in flights() {
        let (label, _) = read::<JETS>(&bytes).expect("a good table");
        let mut tables = Tables::new(label.vehicle);
        let take = |tables: &mut Tables, bytes: &[u8]| {
            let loaded = tables.load(bytes).expect("room");
            let verified = tables.verify(loaded, &label.configuration).expect("good");
            tables.arm(verified).expect("good")
        };
        let first = take(&mut tables, &bytes);
        let mut controller = tables.start(first).expect("good");
        assert_eq!(controller.table(), &flight.table, "{}", flight.name);
        for (cycle, (input, output)) in flight.inputs.iter().zip(&flight.outputs).enumerate() {
            if cycle % 3 == 2 {
                let sequence = label.sequence + 1 + cycle as u32;
                let again = edited(&bytes, put(AT_SEQUENCE, &sequence.to_le_bytes()));
                let armed = take(&mut tables, &again);
                assert_eq!(tables.foresee(&armed, &controller), Ok(Change::Continued));
                assert_eq!(tables.activate(armed, &mut controller), Ok(Change::Continued));
            }
            let found = controller.step(input);
            assert!(equal(&found, output), "{} cycle {cycle}: {found:?} {output:?}", flight.name);
            assert_eq!(tables.check(&mut controller), Health::Sound, "{} cycle {cycle}", flight.name);
            fired += found.on_ticks.iter().filter(|&&ticks| ticks > 0).count();
        }
        assert_eq!(tables.upsets(), 0);
    }
    assert!(fired > 60, "only {fired} pulses were compared");
}

/// The demonstration's hold in the middle of its vent, and the inputs that follow.
fn in_mid_flight(cycles: usize) -> (Tables, Controller<JETS>, Vec<CycleInput>) {
    let (tables, mut controller) = flying(1);
    let flight = docked_hold(1500.0);
    for input in &flight.inputs[..cycles] {
        controller.step(input);
    }
    (tables, controller, flight.inputs[cycles..].to_vec())
}

/// Better mass properties, a jet shut, other limits and other filter settings: the kernel goes on from what it
/// knows. What it estimates at the very next cycle is what it would have been, but for what the new figures
/// say of the short way from the last measurement.
#[test]
fn a_change_of_values_keeps_what_is_estimated_and_does_not_kick() {
    let (mut tables, mut controller, inputs) = in_mid_flight(4000);
    // The jet that would fire most.
    let mut pulses = [0; JETS];
    let mut unchanged = controller.clone();
    for input in &inputs {
        let output = unchanged.step(input);
        output
            .on_ticks
            .iter()
            .zip(&mut pulses)
            .filter(|(ticks, _)| **ticks > 0)
            .for_each(|(_, count)| *count += 1);
    }
    let (busiest, fired) = pulses.into_iter().enumerate().max_by_key(|(_, count)| *count).expect("jets");
    assert!(fired > 1, "{fired} pulses");
    let bytes = edited(&demo(2), |bytes| {
        put(88, &3600.0_f32.to_le_bytes())(bytes);
        put(92, &4.2_f32.to_le_bytes())(bytes);
        put(168, &2e-5_f32.to_le_bytes())(bytes);
        put(191, &[3])(bytes);
        put(jet_at(busiest) + JET_ENABLED, &[0])(bytes);
    });
    let waiting = armed(&mut tables, &bytes).expect("good");
    let mut unchanged = controller.clone();
    assert_eq!(tables.activate(waiting, &mut controller), Ok(Change::Continued));
    assert_eq!(controller.table().mass_kg, 3600.0);
    let (after, without) = (controller.step(&inputs[0]), unchanged.step(&inputs[0]));
    assert!(without.disturbance_rad_s2.norm() > 0.0, "it has learnt the vent");
    let moved = |a: Vec3, b: Vec3| (a - b).norm();
    assert!(moved(after.motion.rate_rad_s, without.motion.rate_rad_s) < 1e-6);
    assert!(moved(after.error_rad, without.error_rad) < 2e-6);
    assert!(
        moved(after.disturbance_rad_s2, without.disturbance_rad_s2)
            < 0.01 * without.disturbance_rad_s2.norm()
    );
    assert_eq!(after.on_ticks, without.on_ticks, "no firing of its own");
    let mut fired = 0;
    for input in &inputs[1..] {
        let output = controller.step(input);
        assert_eq!(output.on_ticks[busiest], 0, "the jet that was shut");
        assert!(output.on_ticks.iter().filter(|&&ticks| ticks > 0).count() <= 3);
        fired += output.on_ticks.iter().filter(|&&ticks| ticks > 0).count();
    }
    assert!(fired > 0, "nothing fired: nothing was shown");
}

/// Another cycle or another number of jets: pulses on the books cannot be read any more.
#[test]
fn another_time_base_or_number_of_jets_starts_as_after_power_on() {
    let fewer = edited(&demo(2), |bytes| {
        bytes.drain(1192..1196);
        bytes[1130] = 60;
        bytes.drain(jet_at(15)..jet_at(16));
        bytes[330..332].copy_from_slice(&(15_u16 * 48).to_le_bytes());
        bytes[8..12].copy_from_slice(&1164_u32.to_le_bytes());
    });
    let slower = edited(&demo(2), put(AT_CYCLE, &[64, 0]));
    let later = edited(&demo(2), put(AT_COMMAND_DELAY, &[3, 0]));
    for bytes in [fewer, slower, later] {
        let (mut tables, mut controller, inputs) = in_mid_flight(4000);
        let waiting = armed(&mut tables, &bytes).expect("good");
        assert_eq!(tables.foresee(&waiting, &controller), Ok(Change::Restarted));
        assert_eq!(tables.activate(waiting, &mut controller), Ok(Change::Restarted));
        let mut without = CycleInput { attitude: None, rate: None, ..inputs[0] };
        assert_eq!(controller.step(&without).status, Status::Starting);
        without.attitude = inputs[1].attitude;
        without.rate = inputs[1].rate;
        without.tick = inputs[1].tick;
        let output = controller.step(&without);
        assert_eq!(output.disturbance_rad_s2, Vec3::ZERO, "what it had learnt is gone");
        assert_ne!(output.status, Status::Starting);
    }
}

/// An open-loop demand that is being worked off goes on with what it still owes.
#[test]
fn what_is_owed_survives_a_change_of_tables() {
    let (mut tables, mut controller) = flying(1);
    let rate_change_rad_s = [0.03, 0.0, 0.0];
    let command = Command::Impulse { serial: 1, rate_change_rad_s, velocity_change_m_s: None };
    let input = |tick: u32| CycleInput {
        tick,
        attitude: Some(AttitudeSample { attitude_xyzw: [0.0, 0.0, 0.0, 1.0], tick, valid: true }),
        rate: Some(RateSample { rate_rad_s: [0.0; 3], tick, valid: true }),
        velocity: None,
        command,
        inhibited: JetMask::NONE,
        shut_groups: 0,
        gimbal_stuck: false,
    };
    for cycle in 1..4 {
        controller.step(&input(60 * cycle));
    }
    let owed = controller.owed_impulse().0;
    assert!(owed[0] > 0.005 && owed[0] < 0.025, "half done: {owed:?}");
    let lighter = edited(&demo(2), put(jet_at(2) + JET_THRUST, &21.0_f32.to_le_bytes()));
    let waiting = armed(&mut tables, &lighter).expect("good");
    assert_eq!(tables.activate(waiting, &mut controller), Ok(Change::Continued));
    assert_eq!(controller.owed_impulse().0, owed);
    let output = controller.step(&input(240));
    assert!(output.on_ticks.iter().any(|&ticks| ticks > 0), "{output:?}");
}

// ---------------------------------------------------------------------------------------- upsets

/// Checks until something is found; the number of cycles and what it was.
fn found(tables: &mut Tables, controller: &mut Controller<JETS>, most: usize) -> Option<(usize, Health)> {
    (1..=most).find_map(|cycle| {
        let health = tables.check(controller);
        (health != Health::Sound).then_some((cycle, health))
    })
}

/// Banks with both filled, and the check somewhere on its way.
fn settled(cycles: usize) -> (Tables, Controller<JETS>) {
    let (mut tables, mut controller) = flying(1);
    assert_eq!(found(&mut tables, &mut controller, 300 + cycles), None);
    assert_eq!(tables.stage(), Stage::Copy);
    (tables, controller)
}

#[test]
fn an_upset_in_either_bank_is_found_in_time_and_mended() {
    let (slices, mut worst) = (DEMO_BYTES.div_ceil(SLICE_BYTES), 0);
    for progress in [0, 1, 17, slices - 1, slices, slices + 20] {
        let (settled, controller) = settled(progress);
        let most = settled.cycles_to_find();
        assert_eq!(most, 3 * slices);
        for bit in (0..8 * DEMO_BYTES).step_by(13) {
            for spare in [false, true] {
                let (mut tables, mut controller) = (settled.clone(), controller.clone());
                let before = in_force(&tables, &controller);
                assert!(tables.flip_bit(spare, bit));
                let (cycles, health) = found(&mut tables, &mut controller, most).expect("found in time");
                worst = worst.max(cycles);
                assert_eq!(health, if spare { Health::SpareSpoiled } else { Health::BankReplaced });
                assert_eq!(tables.upsets(), 1);
                assert_eq!(in_force(&tables, &controller), before, "what flies is what flew");
                assert_eq!(found(&mut tables, &mut controller, 2 * most), None, "mended");
                assert_eq!(tables.stage(), Stage::Copy);
            }
        }
    }
    assert!(worst > slices, "the limit means something: {worst}");
}

/// While a table waits there is no copy.
#[test]
fn a_bank_without_a_copy_is_lost_and_said_to_be_until_another_table_flies() {
    let (mut tables, mut controller) = settled(0);
    let before = format!("{controller:?}");
    let waiting = armed(&mut tables, &demo(2)).expect("good");
    assert!(tables.flip_bit(false, 8 * 30));
    let (_, health) = found(&mut tables, &mut controller, 200).expect("found");
    assert_eq!(health, Health::BankLost);
    for _ in 0..300 {
        assert_eq!(tables.check(&mut controller), Health::BankLost);
    }
    assert_eq!(format!("{controller:?}"), before, "the values in force go on");
    assert_eq!(tables.upsets(), 1);
    assert_eq!(tables.stage(), Stage::Armed, "what waits is sound");
    assert_eq!(tables.activate(waiting, &mut controller), Ok(Change::Continued));
    assert_eq!(found(&mut tables, &mut controller, 300), None);
    assert_eq!(tables.stage(), Stage::Copy);
}

/// Both banks hit before the check comes round: nothing is taken from either.
#[test]
fn two_spoiled_banks_leave_the_values_in_force_alone() {
    let (mut tables, mut controller) = settled(3);
    let before = format!("{controller:?}");
    assert!(tables.flip_bit(false, 8 * 100) && tables.flip_bit(true, 8 * 900));
    let mut said = Vec::new();
    for _ in 0..300 {
        said.push(tables.check(&mut controller));
    }
    assert!(said.contains(&Health::BankLost) && !said.contains(&Health::BankReplaced));
    assert_eq!(said.last(), Some(&Health::BankLost));
    assert_eq!(format!("{controller:?}"), before);
}

#[test]
fn a_waiting_table_that_is_spoiled_must_be_loaded_again() {
    let (mut tables, mut controller) = settled(0);
    let waiting = armed(&mut tables, &demo(2)).expect("good");
    assert!(tables.flip_bit(true, 8 * 500 + 3));
    let most = tables.cycles_to_find();
    assert_eq!(found(&mut tables, &mut controller, most).map(|found| found.1), Some(Health::SpareSpoiled));
    assert_eq!(tables.activate(waiting, &mut controller).expect_err("dropped").why, Why::Superseded);
    assert_eq!(tables.label().map(|label| label.sequence), Some(1));
}

/// Values in force that are not those of the bank: a controller made from a table with one field changed stands
/// for one whose memory was hit.
#[test]
fn spoiled_values_are_taken_from_the_bank_anew() {
    type Spoil = fn(&mut Table);
    let spoils: [Spoil; 17] = [
        |t| t.mass_kg += 1.0,
        |t| t.centre_of_mass_m[1] = -t.centre_of_mass_m[1],
        |t| t.inertia_kg_m2.0[2][2] *= 1.01,
        |t| t.timing.measurement_age_limit_ticks ^= 1,
        |t| t.timing.minimum_off_ticks ^= 1,
        |t| t.timing.cycle_ticks ^= 64,
        |t| t.filter.firing_error *= 2.0,
        |t| t.axis_priority = [1, 0, 2],
        |t| t.shared.flow_limit_kg_s[14] = 1.0,
        |t| t.spare_translation.within_m_s = -0.0,
        |t| t.jets[0].enabled = false,
        |t| t.jets[9].thrust_n = 21.9,
        |t| t.jets[11].load_share[2] = 1,
        |t| t.jets[15].direction[0] = -0.0,
        |t| t.jets.truncate(15),
        |t| t.engine = small_tug().1.engine,
        |t| t.accelerometer.place_m = Vec3::ZERO,
    ];
    let (settled, good) = settled(5);
    for (case, spoil) in spoils.into_iter().enumerate() {
        let mut table = good.table().clone();
        spoil(&mut table);
        let mut controller = Controller::new(table).expect("still flyable");
        let mut tables = settled.clone();
        let (cycles, health) = found(&mut tables, &mut controller, 19).expect("found within a round");
        assert_eq!(health, Health::ValuesRestored, "case {case}");
        assert!(cycles <= 19, "16 jets and three pieces");
        assert_eq!(controller.table(), good.table(), "case {case}");
        assert_eq!(controller.effectiveness(), good.effectiveness(), "case {case}");
        assert_eq!(found(&mut tables, &mut controller, 400), None, "case {case}");
        assert_eq!(tables.checksum(), settled.checksum());
    }
}

/// Each number of an engine and an accelerometer in force, one bit of it flipped.
#[test]
fn every_number_of_an_engine_and_an_accelerometer_is_checked_and_restored() {
    type Number = fn(&mut Table) -> &mut f32;
    let numbers: [Number; 18] = [
        |t| &mut t.engine.pivot_m[0],
        |t| &mut t.engine.pivot_m[1],
        |t| &mut t.engine.pivot_m[2],
        |t| &mut t.engine.direction[0],
        |t| &mut t.engine.direction[1],
        |t| &mut t.engine.direction[2],
        |t| &mut t.engine.first_axis[0],
        |t| &mut t.engine.first_axis[1],
        |t| &mut t.engine.first_axis[2],
        |t| &mut t.engine.thrust_n,
        |t| &mut t.engine.specific_impulse_s,
        |t| &mut t.engine.travel_rad,
        |t| &mut t.engine.gimbal_rate_rad_s,
        |t| &mut t.engine.start_s,
        |t| &mut t.engine.tail_s,
        |t| &mut t.accelerometer.place_m[0],
        |t| &mut t.accelerometer.place_m[1],
        |t| &mut t.accelerometer.place_m[2],
    ];
    let mut settled = Tables::new(name("servicing_tug"));
    let first = armed(&mut settled, &with_engine(&demo(1))).expect("a good table");
    let mut good = settled.start(first).expect("a good table");
    assert_eq!(found(&mut settled, &mut good, 300), None);
    for (case, number) in numbers.into_iter().enumerate() {
        let mut table = good.table().clone();
        let number = number(&mut table);
        *number = f32::from_bits(number.to_bits() ^ 1);
        let mut controller = Controller::new(table).expect("still flyable");
        let mut tables = settled.clone();
        let found = found(&mut tables, &mut controller, 19).map(|(_, health)| health);
        assert_eq!(found, Some(Health::ValuesRestored), "case {case}");
        assert_eq!(controller.table(), good.table(), "case {case}");
    }
}

/// A tank has drained, the kernel has been told: that is no upset, and it outlives the mending of one.
#[test]
fn mass_properties_told_since_are_no_upset_and_stay() {
    let (mut tables, mut controller) = settled(0);
    let (centre, inertia) = (controller.table().centre_of_mass_m, controller.table().inertia_kg_m2);
    controller.retell(3650.0, centre, inertia).expect("physical");
    assert_eq!(found(&mut tables, &mut controller, 400), None);
    let mut hit = controller.table().clone();
    hit.jets[3].price_weight = 2.0;
    let mut hit = Controller::new(hit).expect("flyable");
    hit.retell(3650.0, centre, inertia).expect("physical");
    assert_eq!(found(&mut tables, &mut hit, 19).map(|found| found.1), Some(Health::ValuesRestored));
    assert_eq!(hit.table(), controller.table());
    assert_eq!(hit.table().mass_kg, 3650.0);
    assert_eq!(found(&mut tables, &mut hit, 400), None);
}

#[test]
fn nothing_is_checked_before_the_first_table() {
    let mut tables = Tables::new(name("servicing_tug"));
    let (_, mut controller) = flying(1);
    assert_eq!(tables.check(&mut controller), Health::NoTable);
    assert_eq!((tables.label(), tables.checksum()), (None, None));
    assert!(!tables.flip_bit(false, 0), "there is nothing to be hit");
}

// ----------------------------------------------------------------------------------------- names

#[test]
fn names_are_what_the_specification_says() {
    for good in ["a", "tug_2", "a23456789_123456789_123456789_12"] {
        assert_eq!(Name::new(good).expect("a name").as_str(), good);
    }
    for bad in
        ["", "Tug", "2tug", "_tug", "tug-2", "tug 2", "tüg", "a\0b", "a23456789_123456789_123456789_123"]
    {
        assert_eq!(Name::new(bad), None, "{bad:?}");
    }
}

/// Numbers go over links: they never change meaning.
#[test]
fn numbers_of_refusals_and_of_what_the_check_found_are_those_of_the_record() {
    let refusals = [
        (Why::TooLong, 1),
        (Why::CutOff, 2),
        (Why::Marker, 3),
        (Why::Length, 4),
        (Why::Checksum, 5),
        (Why::Version, 10),
        (Why::Sections, 11),
        (Why::SectionKind, 12),
        (Why::SectionLength, 13),
        (Why::Name, 20),
        (Why::Sequence, 21),
        (Why::Vehicle, 22),
        (Why::Configuration, 23),
        (Why::Unused, 30),
        (Why::Enabled, 31),
        (Why::TooManyJets, 32),
        (Why::Value(ConfigError::NoJets), 33),
        (Why::Superseded, 40),
    ];
    for (why, number) in refusals {
        assert_eq!(why.number(), number, "{why:?}");
    }
    let found = [
        (Health::Sound, 0),
        (Health::NoTable, 1),
        (Health::SpareSpoiled, 10),
        (Health::BankReplaced, 11),
        (Health::ValuesRestored, 12),
        (Health::BankLost, 20),
    ];
    for (health, number) in found {
        assert_eq!(health.number(), number, "{health:?}");
    }
    let stages = [Stage::Free, Stage::Copy, Stage::Loading, Stage::Loaded, Stage::Verified, Stage::Armed];
    assert_eq!(stages.map(|stage| stage as u8), [0, 1, 2, 3, 4, 5]);
}

/// A controller with its table within 4 KiB for 16 jets; the banks beside it are twice the bytes and a little.
#[test]
fn the_state_fits_its_memory() {
    let tables = size_of::<FlightTables<16, { table_bytes(16) }>>();
    println!("controller {} bytes, banks {tables} bytes (16 jets, this host)", size_of::<Controller<16>>());
    assert!(size_of::<Controller<16>>() <= 4096 + 200, "on a board pointers are shorter");
    assert!(tables <= 2 * DEMO_BYTES + 192);
}
