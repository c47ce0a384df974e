//! `stackhold table`: what it writes, what it says of a file, and how it refuses one.

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;
use stackhold_harness::cli::main_with_writers;
use stackhold_harness::flight_table::{FlightTable, aloud};
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::table;
use stackhold_kernel::config::GROUPS;
use stackhold_kernel::flight_table::layout::{JET_ENABLED, JET_MINIMUM_ON, JET_THRUST, jet_at};

/// The catalogue's own checksum.
const PUBLISHED: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_MEF);

/// Exit code, output, error output.
fn stackhold(words: &[&str]) -> (i32, String, String) {
    let (mut out, mut err) = (Vec::new(), Vec::new());
    let code = main_with_writers(["stackhold", "table"].iter().chain(words), &mut out, &mut err);
    (code, String::from_utf8(out).unwrap(), String::from_utf8(err).unwrap())
}

/// A fresh folder of this test.
fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join("flight_table").join(name);
    let _ = fs::remove_dir_all(&path);
    path
}

/// The demonstration's table as written, and where.
fn written(name: &str, words: &[&str]) -> (PathBuf, Vec<u8>) {
    let out = folder(name);
    let words = [&["docked_hold", "--out", out.to_str().unwrap()], words].concat();
    let (code, _, err) = stackhold(&words);
    assert_eq!((code, err.as_str()), (0, ""));
    let file = out.join("docked_hold.table");
    let bytes = fs::read(&file).unwrap_or_default();
    (file, bytes)
}

/// The file with some bytes changed and the checksum set right again.
fn changed(name: &str, offset: usize, new: &[u8]) -> PathBuf {
    let (file, mut bytes) = written(name, &[]);
    bytes[offset..offset + new.len()].copy_from_slice(new);
    let end = bytes.len() - 4;
    let sum = PUBLISHED.checksum(&bytes[..end]);
    bytes[end..].copy_from_slice(&sum.to_le_bytes());
    fs::write(&file, bytes).unwrap();
    file
}

#[test]
fn a_table_is_written_with_its_listing_and_summary() {
    let (file, bytes) = written("written", &["--sequence", "41"]);
    assert_eq!(bytes.len(), 384 + 16 * 52);
    let sum = PUBLISHED.checksum(&bytes[..1212]);
    let listing = fs::read_to_string(file.with_file_name("docked_hold.listing.txt")).unwrap();
    let summary = fs::read_to_string(file.with_file_name("summary.json")).unwrap();
    let summary: Value = serde_json::from_str(&summary).unwrap();
    let scenario = load_embedded("docked_hold").unwrap();
    let values = table::build(&scenario, &scenario.stack, &scenario.told).unwrap();
    assert_eq!(summary["checksum"], format!("{sum:08x}"));
    assert_eq!(summary["identity"], format!("{:08x}", values.identity), "as reports and summaries have it");
    assert_eq!((summary["sequence"].as_u64(), summary["length_bytes"].as_u64()), (Some(41), Some(1216)));
    assert_eq!(summary["vehicle"], "servicing_tug");
    assert_eq!(summary["configuration"], "tug_client_and_stage");
    // Two people who compare it, one of them by voice.
    assert!(listing.contains(&format!("checksum         {sum:08x}   {}", aloud(&format!("{sum:08x}")))));
    for line in [
        "   88  mass                                                 3700  kg                 above 0",
        "  144  valve tick                                          0.004  s                  1e-5 to 1",
        "  476  fore_low_minus_x                no      2                       7       0.0085           0.001             1",
    ] {
        assert!(listing.contains(line), "{line}\n{listing}");
    }
    assert!(!listing.contains('\u{1b}'));
}

/// Every byte of the file belongs to a field that is listed.
#[test]
fn the_fields_of_the_summary_cover_the_file() {
    let (_, bytes) = written("covered", &[]);
    let found = FlightTable::read(&bytes, &[]).unwrap();
    let mut offsets: Vec<usize> = found.fields.iter().map(|field| field.offset).collect();
    assert_eq!(offsets.first(), Some(&0));
    offsets.push(bytes.len());
    for pair in offsets.windows(2) {
        assert!(pair[1] > pair[0] && matches!(pair[1] - pair[0], 1 | 2 | 4 | 32), "{pair:?}");
    }
    // A decimal as listed is the very float that flies.
    for field in
        found.fields.iter().filter(|field| field.field == "thrust_n" || field.field.starts_with("inertia"))
    {
        let bits = u32::from_le_bytes(bytes[field.offset..field.offset + 4].try_into().unwrap());
        assert_eq!(field.text.parse::<f32>().unwrap().to_bits(), bits, "{}", field.field);
    }
}

#[test]
fn a_variant_with_another_stack_is_another_configuration() {
    let out = folder("variant");
    let (code, ..) =
        stackhold(&["docked_hold", "--variant", "stage_released", "--out", out.to_str().unwrap()]);
    assert_eq!(code, 0);
    let bytes = fs::read(out.join("docked_hold_stage_released.table")).unwrap();
    let found = FlightTable::read(&bytes, &[]).unwrap();
    assert_eq!((found.configuration.as_str(), found.values.mass_kg), ("tug_and_client", 2800.0));
    // One that is only told otherwise is for the same stack.
    let (code, out, _) = stackhold(&["docked_hold", "--variant", "told_bare_tug"]);
    assert!(code == 0 && out.contains("configuration    tug_client_and_stage"), "{out}");
    let (code, _, err) = stackhold(&["docked_hold", "--variant", "stage_relesed"]);
    assert!(
        code == 2 && err.contains("stage_relesed") && err.contains("told_bare_tug, stage_released"),
        "{err}"
    );
}

#[test]
fn a_file_read_back_is_held_against_its_scenario() {
    let (file, _) = written("read_back", &[]);
    let file = file.to_str().unwrap();
    let (code, out, _) = stackhold(&["--inspect", file]);
    assert_eq!(code, 0);
    assert!(out.contains("jet 16") && out.contains("name the scenario too"), "{out}");
    let (code, out, _) = stackhold(&["docked_hold", "--inspect", file]);
    assert!(code == 0 && out.contains("It is the table that docked_hold gives, byte for byte."), "{out}");
    assert!(out.contains("aft_top_plus_x") && out.contains("Caution:"));
    let other = changed("other", jet_at(3) + JET_ENABLED, &[1]);
    let (code, out, _) = stackhold(&["docked_hold", "--inspect", other.to_str().unwrap()]);
    assert!(code == 0 && out.contains("  fore_low_minus_x: may it be fired: no → yes\n"), "{out}");
    assert!(!out.contains("byte for byte"));
    let (_, out, _) = stackhold(&["docked_hold", "--inspect", other.to_str().unwrap(), "--json"]);
    let summary: Value = serde_json::from_str(&out).unwrap();
    let differences = summary["differences_from_scenario"].as_array().unwrap();
    assert_eq!(differences.len(), 1);
    assert_eq!(
        (&differences[0]["jet"], &differences[0]["field"]),
        (&"fore_low_minus_x".into(), &"enabled".into())
    );
}

/// The file, the byte, the field, the value, and what would be right.
#[test]
fn a_file_that_no_board_would_take_is_refused_in_words() {
    let float = |value: f32| value.to_le_bytes();
    let (thrust, shortest) = (jet_at(5) + JET_THRUST, jet_at(1) + JET_MINIMUM_ON);
    let cases: [(usize, &[u8], &str); 9] = [
        (thrust, &float(-22.0), "byte 596, aft_mid_minus_y: thrust = -22 N; right would be above 0, to 1e6"),
        (
            shortest,
            &[56, 0],
            "byte 424, aft_low_right_plus_x: shortest on-time = 56 ticks; right would be 1 to 55 ticks, the cycle of \
             60 less the shortest off-time of 5",
        ),
        (88, &float(f32::NAN), "byte 88, mass = NaN kg; right would be above 0"),
        (
            156,
            &[60, 0],
            "byte 156, start of a cycle to its pulses = 60 ticks; right would be less than the cycle of 60",
        ),
        (
            148,
            &[200, 1, 0, 0],
            "byte 148, oldest measurement acted on = 456 ticks; right would be 1 to 360 ticks",
        ),
        (
            188,
            &[0, 1, 1],
            "axes in the order they are served = 0, 1, 1; right would be 0 roll, 1 pitch, 2 yaw",
        ),
        (104, &float(-1.0), "byte 104, inertia = (-1, -2506.7732, 758.06964,"),
        (12, &[0; 4], "byte 12, sequence number = 0; right would be 1 or more"),
        (
            4,
            &[9, 0],
            "byte 4, format version: 9; right would be 1 to 4, the versions that this program reads",
        ),
    ];
    for (case, (offset, new, said)) in cases.into_iter().enumerate() {
        let file = changed(&format!("refused_{case}"), offset, new);
        let (code, out, err) = stackhold(&["docked_hold", "--inspect", file.to_str().unwrap()]);
        assert_eq!((code, out.as_str()), (2, ""));
        assert!(err.contains("docked_hold.table is refused") && err.contains(said), "{said}\n{err}");
    }
}

/// 1132 is where the shares of the first jet stand: see the table's specification.
#[test]
fn loads_are_listed_where_there_are_some_with_what_they_are_shares_of() {
    let (code, plain, _) = stackhold(&["docked_hold"]);
    assert_eq!((code, plain.contains("load 1")), (0, false));
    let (code, out, err) = stackhold(&["half_closed_grip"]);
    assert_eq!(code, 0, "{err}");
    for said in [
        "load 1: 255 are the force at grapple, 18 N\n",
        "load 2: 255 are the moment at grapple, 36 N m\n",
        "\n 1132  aft_top_plus_x           220      72       0       0\n",
    ] {
        assert!(out.contains(said), "{said}\n{out}");
    }
    let (code, out, err) = stackhold(&["half_closed_grip", "--variant", "limits_disregarded"]);
    assert_eq!((code, out.contains("load 1")), (0, false), "{err}");
}

/// An engine of 420 N that pushes forward, and an accelerometer, in the place of none.
fn with_engine(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    let engine = [
        [-1.25, 0.125, -0.0625],
        [1.0, 0.0, 0.0],
        [0.0, 0.6, 0.8],
        [420.0, 312.0, 0.15],
        [f32::INFINITY, 0.2, 0.1],
    ];
    let engine = engine.as_flattened().iter().flat_map(|float| float.to_le_bytes());
    bytes.splice(268..328, engine);
    bytes.splice(1200..1212, [0.5_f32, 0.0, -0.25].iter().flat_map(|float| float.to_le_bytes()));
    sealed(bytes)
}

/// No engine in the place of one.
fn without_engine(bytes: &[u8]) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes.splice(268..328, [0; 60]);
    sealed(bytes)
}

/// With the checksum set right.
fn sealed(mut bytes: Vec<u8>) -> Vec<u8> {
    let end = bytes.len() - 4;
    let sum = PUBLISHED.checksum(&bytes[..end]);
    bytes[end..].copy_from_slice(&sum.to_le_bytes());
    bytes
}

#[test]
fn an_engine_and_an_accelerometer_are_listed_where_there_are_some() {
    let (file, bytes) = written("engine", &[]);
    let listed = |bytes: &[u8]| {
        fs::write(&file, bytes).unwrap();
        stackhold(&["--inspect", file.to_str().unwrap()])
    };
    let (code, none, _) = listed(&without_engine(&bytes));
    assert_eq!(code, 0);
    for said in ["There is no main engine (15 values 0).\n", "There is no accelerometer (3 values inf).\n"] {
        assert!(none.contains(said), "{none}");
    }
    assert!(!none.contains("engine: thrust") && !none.contains("accelerometer: place"), "{none}");
    assert!(none.contains("16 groups have no flow limit"), "{none}");
    let (_, own, _) = listed(&bytes);
    assert!(own.contains("engine: thrust") && own.contains("There is no accelerometer"), "{own}");
    let (code, some, err) = listed(&with_engine(&bytes));
    assert_eq!(code, 0, "{err}");
    for said in ["engine: thrust", "engine: gimbal rate", "accelerometer: place z"] {
        assert!(some.lines().any(|line| line.contains(said)), "{said}\n{some}");
    }
    assert!(!some.contains("There is no"), "{some}");
    // What is wrong with one, in words.
    let mut bent = with_engine(&bytes);
    bent.splice(292..296, 0.1_f32.to_le_bytes());
    let (code, _, err) = listed(&sealed(bent));
    let said =
        "byte 292, engine: first gimbal axis = (0.1, 0.6, 0.8); right would be length 1, across the force";
    assert!(code == 2 && err.contains(said), "{err}");
}

/// What an older version cannot tell is what it is taken for: values differ, and not because they are missing.
#[test]
fn a_file_of_an_older_version_is_held_against_a_newer_table() {
    let bytes = without_engine(&written("older", &[]).1);
    let mut old = bytes.clone();
    old.drain(1196..1212);
    for (offset, new) in [(4, 3_u16), (6, 7), (8, 1200), (186, 140)] {
        old.splice(offset..offset + 2, new.to_le_bytes());
    }
    old.splice(264..328, f32::INFINITY.to_le_bytes().repeat(16));
    let old = FlightTable::read(&sealed(old), &[]).unwrap();
    let limits = old.fields.iter().filter(|field| field.field.starts_with("flow_limit_kg_s."));
    assert_eq!(limits.count(), 2 * GROUPS);
    let differ = |bytes: &[u8]| {
        let new = FlightTable::read(bytes, &[]).unwrap();
        let there = new.differences(&old);
        let back = old.differences(&new);
        assert!(there.iter().zip(&back).all(|(a, b)| (&a.first, &a.second) == (&b.second, &b.first)));
        assert_eq!(there.len(), back.len());
        there.into_iter().map(|one| (one.field, one.first, one.second)).collect::<Vec<_>>()
    };
    let own = |(field, first, second): (&str, &str, &str)| (field.into(), first.into(), second.into());
    let form = [
        ("format_version", "4", "3"),
        ("sections", "9", "7"),
        ("length_bytes", "1216", "1200"),
        ("selection.length_bytes", "76", "140"),
    ];
    assert_eq!(differ(&bytes), form.map(own));
    let found = differ(&with_engine(&bytes));
    let count = |section: &str| found.iter().filter(|(field, ..)| field.starts_with(section)).count();
    // Zeros of the engine differ in nothing from none.
    assert_eq!((count("engine."), count("accelerometer.")), (12, 3));
    assert!(found.contains(&own(("engine.thrust_n", "420", "0"))), "{found:?}");
    assert!(found.contains(&own(("accelerometer.place_m.z", "-0.25", "inf"))), "{found:?}");
}

#[test]
fn a_file_that_is_no_whole_table_is_refused_in_words() {
    let (file, bytes) = written("broken", &[]);
    let spoiled = [&bytes[..400], &[bytes[400] ^ 4], &bytes[401..]].concat();
    let sum = PUBLISHED.checksum(&spoiled[..1212]);
    let own = PUBLISHED.checksum(&bytes[..1212]);
    let cases: [(&[u8], String); 5] = [
        (&bytes[..500], "byte 8, length: it says 1216 bytes, and there are 500".to_owned()),
        (&bytes[..10], "it has 10 bytes and ends before its header does".to_owned()),
        (b"name = \"docked_hold\"", "byte 0, marker: \"name\"; right would be \"SHFT\"".to_owned()),
        (&spoiled, format!("checksum: it says {own:08x}, and its bytes have {sum:08x}")),
        (&[0; 5000], "or more; right would be at most 2048 bytes".to_owned()),
    ];
    for (content, said) in cases {
        fs::write(&file, content).unwrap();
        let (code, out, err) = stackhold(&["--inspect", file.to_str().unwrap()]);
        assert_eq!((code, out.as_str()), (2, ""));
        assert!(err.contains(&said), "{said}\n{err}");
    }
    let (code, _, err) = stackhold(&["--inspect", "no_such.table"]);
    assert!(code == 2 && err.contains("cannot open the flight table no_such.table"), "{err}");
    let (code, _, err) = stackhold(&[]);
    assert!(code == 2 && err.contains("--inspect FILE"), "{err}");
}

#[test]
fn a_vehicle_whose_name_does_not_fit_is_named() {
    let mut scenario = load_embedded("docked_hold").unwrap();
    scenario.vehicle.name = "a_tug_with_a_name_of_forty_letters_or_so".to_owned();
    let error = stackhold_harness::flight_table::issue(&scenario, None, None).unwrap_err().to_string();
    assert!(
        error.contains("a_tug_with_a_name") && error.contains("40 letters") && error.contains("at most 32"),
        "{error}"
    );
}

/// Every scenario of the library, and every variant of one, has a table.
#[test]
fn the_library_has_flight_tables() {
    for (name, _) in stackhold_harness::scenario::library() {
        let scenario = load_embedded(name).unwrap();
        let variants = scenario.variants.iter().map(|variant| Some(variant.name.as_str()));
        for variant in [None].into_iter().chain(variants) {
            let made = stackhold_harness::flight_table::issue(&scenario, variant, None);
            made.unwrap_or_else(|error| panic!("{name} {variant:?}: {error}"));
        }
    }
}

/// Radio Regulations (ITU), Appendix 14: the spelling alphabet of letters.
#[test]
fn hexadecimal_digits_are_said_by_the_spelling_alphabet() {
    assert_eq!(aloud("0123abcdef"), "zero one, two three, alfa bravo, charlie delta, echo foxtrot");
    assert_eq!(aloud("456789"), "four five, six seven, eight nine");
}
