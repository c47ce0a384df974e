//! Every field of a flight table: where it stands, what it is called, its unit and range.

use serde::Serialize;
use serde_json::{Value, json};
use stackhold_kernel::config::{GROUPS, MODES};
use stackhold_kernel::flight_table::layout::{
    self as at, ENGINE, FILTER, JETS, STACK, TIMING, VERSION, VERSION_1, VERSION_3, bytes_of, jet_at,
    jets_in, load_at, version_of,
};
use stackhold_kernel::jet::LOADS;

/// How a field is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Byte,
    Half,
    Word,
    Hex,
    Float,
    Text(usize),
    Switch,
}

/// A field and where it stands.
#[derive(Clone, Debug)]
pub(super) struct Field {
    pub(super) offset: usize,
    pub(super) kind: Kind,
    /// Key, with the unit in it.
    pub(super) key: String,
    pub(super) words: String,
    pub(super) unit: &'static str,
    pub(super) range: &'static str,
    /// Jet it belongs to, from 0.
    pub(super) jet: Option<usize>,
}

/// A field with its value.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FieldValue {
    /// Offset in the table, bytes.
    pub offset: usize,
    /// Jet it belongs to, by name or number.
    pub jet: Option<String>,
    /// Key, with the unit in it.
    pub field: String,
    /// In words.
    #[serde(skip)]
    pub words: String,
    /// Its value; `null` for no limit, and for the place of an accelerometer that is not there.
    pub value: Value,
    /// The value as people read it: a float with as many digits as make it this float again.
    #[serde(skip)]
    pub text: String,
    /// Unit.
    pub unit: &'static str,
    /// Its range.
    pub allowed: &'static str,
}

/// A field that two tables differ in.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Difference {
    /// Jet it belongs to, by name or number.
    pub jet: Option<String>,
    /// Key, with the unit in it.
    pub field: String,
    /// In words.
    #[serde(skip)]
    pub words: String,
    /// In the first table.
    pub first: String,
    /// In the second table.
    pub second: String,
    /// Unit.
    pub unit: &'static str,
}

/// All fields of a table, whose bytes tell its version and its jets.
pub(super) fn fields(bytes: &[u8]) -> Vec<Field> {
    // One that is refused may say anything.
    let (version, jets) = (version_of(bytes), jets_in(bytes).min(32));
    let mut all = Vec::new();
    let mut put = into(&mut all);
    put(0, Kind::Text(4), "marker", "marker", "", "SHFT");
    put(at::AT_VERSION, Kind::Half, "format_version", "format version", "", const_range(version));
    put(at::AT_SECTIONS, Kind::Half, "sections", "sections", "", const_range(at::sections(version)));
    put(at::AT_LENGTH, Kind::Word, "length_bytes", "length", "bytes", "as many as there are");
    put(at::AT_SEQUENCE, Kind::Word, "sequence", "sequence number", "", "1 or more");
    put(at::AT_IDENTITY, Kind::Hex, "identity", "identity of the values", "", "any");
    put(at::AT_VEHICLE, Kind::Text(32), "vehicle", "vehicle", "", "a name, the board's");
    put(at::AT_CONFIGURATION, Kind::Text(32), "configuration", "configuration", "", "a name, as commanded");
    stack(&mut put);
    timing(&mut put);
    filter(&mut put);
    selection(&mut put, version);
    if version >= VERSION {
        engine(&mut put);
    }
    head(&mut put, JETS.start, "jets", "48 for each of 1 to 32 jets");
    drop(put);
    for index in 0..jets {
        jet(&mut all, index);
    }
    if version > VERSION_1 {
        bending(&mut all, jets);
    }
    if version >= VERSION_3 {
        loads(&mut all, jets);
    }
    if version >= VERSION {
        accelerometer(&mut all, jets);
    }
    let offset = bytes_of(version, jets) - at::CHECKSUM_BYTES;
    all.push(Field {
        offset,
        kind: Kind::Hex,
        key: "checksum".to_owned(),
        words: "checksum".to_owned(),
        unit: "",
        range: "that of the bytes before it",
        jet: None,
    });
    all
}

/// Takes fields of no jet in.
fn into(all: &mut Vec<Field>) -> impl FnMut(usize, Kind, &str, &str, &'static str, &'static str) {
    |offset, kind, key, words, unit, range| {
        let (key, words) = (key.to_owned(), words.to_owned());
        all.push(Field { offset, kind, key, words, unit, range, jet: None });
    }
}

fn const_range(number: u16) -> &'static str {
    match number {
        1 => "1",
        2 => "2",
        3 => "3",
        4 => "4",
        5 => "5",
        6 => "6",
        7 => "7",
        9 => "9",
        _ => "as this version has it",
    }
}

type Put<'a> = &'a mut dyn FnMut(usize, Kind, &str, &str, &'static str, &'static str);

/// Kind and length of a section; its kind is its number.
fn head(put: Put, start: usize, section: &str, length: &'static str) {
    let range = match section {
        "stack" => "1",
        "timing" => "2",
        "filter" => "3",
        "selection" => "4",
        "jets" => "5",
        "bending" => "6",
        "loads" => "7",
        "engine" => "8",
        _ => "9",
    };
    put(start, Kind::Half, &format!("{section}.kind"), &format!("section {section}: kind"), "", range);
    let words = format!("section {section}: length");
    put(start + 2, Kind::Half, &format!("{section}.length_bytes"), &words, "bytes", length);
}

fn stack(put: Put) {
    head(put, STACK.start, "stack", "52");
    put(STACK.body(), Kind::Float, "mass_kg", "mass", "kg", "above 0");
    for (index, axis) in ["x", "y", "z"].iter().enumerate() {
        let offset = at::AT_CENTRE_OF_MASS + 4 * index;
        let key = format!("centre_of_mass_m.{axis}");
        put(offset, Kind::Float, &key, &format!("centre of mass {axis}"), "m", "finite");
    }
    for (index, axes) in ["xx", "xy", "xz", "yx", "yy", "yz", "zx", "zy", "zz"].iter().enumerate() {
        let offset = at::AT_INERTIA + 4 * index;
        let key = format!("inertia_kg_m2.{axes}");
        put(offset, Kind::Float, &key, &format!("inertia {axes}"), "kg m2", "as a whole that of a body");
    }
}

fn timing(put: Put) {
    head(put, TIMING.start, "timing", "16");
    put(TIMING.body(), Kind::Float, "tick_s", "valve tick", "s", "1e-5 to 1");
    let words = "oldest measurement acted on";
    put(at::AT_AGE_LIMIT, Kind::Word, "measurement_age_limit_ticks", words, "ticks", "1 to 6 cycles");
    put(at::AT_CYCLE, Kind::Half, "cycle_ticks", "control cycle", "ticks", "1 to 16384");
    put(at::AT_MINIMUM_OFF, Kind::Half, "minimum_off_ticks", "shortest off-time", "ticks", "below the cycle");
    let words = "start of a cycle to its pulses";
    put(at::AT_COMMAND_DELAY, Kind::Half, "command_delay_ticks", words, "ticks", "below the cycle");
    put(at::AT_UNUSED, Kind::Half, "unused", "not used", "", "0");
}

fn filter(put: Put) {
    head(put, FILTER.start, "filter", "20");
    let rows = [
        ("attitude_noise_rad", "attitude noise, one sigma", "rad", "1e-9 to 1"),
        ("rate_noise_rad_s", "rate noise, one sigma", "rad/s", "1e-9 to 1"),
        ("bias_walk_rad_s_per_root_s", "wander of the gyro bias", "rad/s per root s", "0 to 1"),
        ("disturbance_walk_rad_s2_per_root_s", "wander of the disturbance", "rad/s2 per root s", "0 to 1"),
        ("firing_error", "error of a firing, one sigma", "fraction", "0 to 1"),
    ];
    for (index, (key, words, unit, range)) in rows.into_iter().enumerate() {
        put(FILTER.body() + 4 * index, Kind::Float, key, words, unit, range);
    }
}

fn selection(put: Put, version: u16) {
    let length = if version < VERSION { "140" } else { "76" };
    head(put, at::SELECTION.start, "selection", length);
    for (index, place) in ["first", "second", "third"].iter().enumerate() {
        let offset = at::SELECTION.body() + index;
        let words = format!("axis served {place}");
        put(
            offset,
            Kind::Byte,
            &format!("axis_priority.{place}"),
            &words,
            "",
            "0 roll, 1 pitch, 2 yaw; each once",
        );
    }
    put(at::AT_MOST_JETS, Kind::Byte, "most_jets_at_once", "most jets open at once", "", "1 to 32");
    let words = "extra price for sparing translation";
    let key = "spare_translation_share";
    put(at::AT_EXTRA_SHARE, Kind::Float, key, words, "fraction", "0 (off) to 100");
    let key = "spare_translation_within_m_s";
    put(at::AT_WITHIN, Kind::Float, key, "velocity left behind then", "m/s", "0 to 1e4");
    for group in 0..at::groups(version) {
        let key = format!("flow_limit_kg_s.{group}");
        let words = format!("flow limit of group {group}");
        let offset = at::AT_FLOW_LIMITS + 4 * group;
        let range = if group < GROUPS { "above 0; inf for no limit" } else { "inf: there is no such group" };
        put(offset, Kind::Float, &key, &words, "kg/s", range);
    }
}

fn engine(put: Put) {
    head(put, ENGINE.start, "engine", "60");
    for (index, axis) in ["x", "y", "z"].iter().enumerate() {
        let key = format!("engine.pivot_m.{axis}");
        let offset = ENGINE.body() + 4 * index;
        put(offset, Kind::Float, &key, &format!("engine: pivot {axis}"), "m", "-1000 to 1000");
    }
    let axes = [
        (at::AT_ENGINE_DIRECTION, "direction", "direction of force", "length 1 within 1e-3"),
        (at::AT_FIRST_AXIS, "first_axis", "first gimbal axis", "length 1, across the force, within 1e-3"),
    ];
    for (start, key, words, range) in axes {
        for (index, axis) in ["x", "y", "z"].iter().enumerate() {
            let (key, words) = (format!("engine.{key}.{axis}"), format!("engine: {words} {axis}"));
            put(start + 4 * index, Kind::Float, &key, &words, "", range);
        }
    }
    let rows = [
        (at::AT_ENGINE_THRUST, "thrust_n", "thrust", "N", "above 0, to 1e7"),
        (at::AT_ENGINE_IMPULSE, "specific_impulse_s", "specific impulse", "s", "above 0, to 1e5"),
        (at::AT_TRAVEL, "travel_rad", "gimbal travel either way", "rad", "0 (fixed) to 0.5"),
        (
            at::AT_GIMBAL_RATE,
            "gimbal_rate_rad_s",
            "gimbal rate",
            "rad/s",
            "above 0; inf for no limit; 0 if fixed",
        ),
        (at::AT_START, "start_s", "start", "s", "0 to 60"),
        (at::AT_TAIL, "tail_s", "tail", "s", "0 to 60"),
    ];
    for (offset, key, words, unit, range) in rows {
        put(offset, Kind::Float, &format!("engine.{key}"), &format!("engine: {words}"), unit, range);
    }
}

fn accelerometer(all: &mut Vec<Field>, jets: usize) {
    let section = at::accelerometer(jets);
    let mut put = into(all);
    head(&mut put, section.start, "accelerometer", "12");
    for (index, axis) in ["x", "y", "z"].iter().enumerate() {
        let (key, words) = (format!("accelerometer.place_m.{axis}"), format!("accelerometer: place {axis}"));
        let range = "-1000 to 1000; inf for none";
        put(section.body() + 4 * index, Kind::Float, &key, &words, "m", range);
    }
}

fn bending(all: &mut Vec<Field>, jets: usize) {
    let section = at::bending(jets);
    let mut put = into(all);
    head(&mut put, section.start, "bending", "24");
    let rows = [
        ("frequency_hz", "frequency", "Hz", "1e-3 to 100; 0 for no mode"),
        ("damping_ratio", "damping ratio", "", "0 to 1; 0 without a mode"),
        ("swing_rad", "swing", "rad", "0 to 0.5; 0 without a mode"),
    ];
    for mode in 0..MODES {
        let start = section.body() + at::MODE_BYTES * mode;
        for (index, (key, words, unit, range)) in rows.into_iter().enumerate() {
            let (key, words) =
                (format!("bending.{mode}.{key}"), format!("bending mode {}: {words}", mode + 1));
            put(start + 4 * index, Kind::Float, &key, &words, unit, range);
        }
    }
}

fn loads(all: &mut Vec<Field>, jets: usize) {
    head(&mut into(all), at::loads(jets).start, "loads", "4 for each jet");
    for index in 0..jets {
        for load in 0..LOADS {
            let words = format!("share of load {}", load + 1);
            let (key, range) = (format!("load_share.{load}"), "0 to 255, which is all of it");
            let offset = load_at(jets, index) + load;
            all.push(Field { offset, kind: Kind::Byte, key, words, unit: "", range, jet: Some(index) });
        }
    }
}

fn jet(all: &mut Vec<Field>, index: usize) {
    let start = jet_at(index);
    let mut put = |offset: usize, kind, key: String, words: String, unit, range| {
        all.push(Field { offset: start + offset, kind, key, words, unit, range, jet: Some(index) });
    };
    for (index, axis) in ["x", "y", "z"].iter().enumerate() {
        let words = format!("position {axis}");
        put(4 * index, Kind::Float, format!("position_m.{axis}"), words, "m", "-1000 to 1000");
    }
    for (index, axis) in ["x", "y", "z"].iter().enumerate() {
        let words = format!("direction of force {axis}");
        let range = "length 1 within 1e-3";
        put(at::JET_DIRECTION + 4 * index, Kind::Float, format!("direction.{axis}"), words, "", range);
    }
    let floats = [
        (at::JET_THRUST, "thrust_n", "thrust", "N", "above 0, to 1e6"),
        (at::JET_SPECIFIC_IMPULSE, "specific_impulse_s", "specific impulse", "s", "above 0, to 1e5"),
        (at::JET_DEAD_TIME, "dead_time_s", "dead time", "s", "0 or more; acts within a cycle"),
        (at::JET_PULSE_OFFSET, "pulse_offset_s", "pulse offset", "s", "leaves every pulse an impulse"),
        (at::JET_PRICE_WEIGHT, "price_weight", "price weight", "", "1e-3 to 1e3"),
    ];
    for (offset, key, words, unit, range) in floats {
        put(offset, Kind::Float, key.to_owned(), words.to_owned(), unit, range);
    }
    let range = "1 to the cycle less the shortest off-time";
    let words = "shortest on-time".to_owned();
    put(at::JET_MINIMUM_ON, Kind::Half, "minimum_on_ticks".to_owned(), words, "ticks", range);
    put(at::JET_GROUP, Kind::Byte, "group".to_owned(), "group".to_owned(), "", "0 to 15");
    let words = "may it be fired".to_owned();
    put(at::JET_ENABLED, Kind::Switch, "enabled".to_owned(), words, "", "no, yes");
}

/// The fields of a table with their values.
pub(super) fn values(bytes: &[u8], names: &[String]) -> Vec<FieldValue> {
    fields(bytes).into_iter().map(|field| value(&field, bytes, names)).collect()
}

fn value(field: &Field, bytes: &[u8], names: &[String]) -> FieldValue {
    let text = text(field, bytes);
    let value = match field.kind {
        Kind::Float => text.parse::<f64>().ok().filter(|v| v.is_finite()).map_or(Value::Null, |v| json!(v)),
        Kind::Byte | Kind::Half | Kind::Word => json!(text.parse::<u64>().ok()),
        Kind::Switch => json!(text == "yes"),
        Kind::Hex | Kind::Text(_) => json!(text),
    };
    FieldValue {
        offset: field.offset,
        jet: field.jet.map(|index| jet_name(index, names)),
        field: field.key.clone(),
        words: field.words.clone(),
        value,
        text,
        unit: field.unit,
        allowed: field.range,
    }
}

/// A jet by name, or by its number from 1.
pub(super) fn jet_name(index: usize, names: &[String]) -> String {
    names.get(index).cloned().unwrap_or_else(|| format!("jet {}", index + 1))
}

/// The value of a field as people read it; what is cut off reads as nothing.
pub(super) fn text(field: &Field, bytes: &[u8]) -> String {
    let left = bytes.get(field.offset..).unwrap_or(&[]);
    let word = |width: usize| {
        left.get(..width).map(|part| part.iter().rev().fold(0_u32, |word, b| (word << 8) | u32::from(*b)))
    };
    let read = match field.kind {
        Kind::Byte => word(1).map(|v| v.to_string()),
        Kind::Half => word(2).map(|v| v.to_string()),
        Kind::Word => word(4).map(|v| v.to_string()),
        Kind::Hex => word(4).map(|v| format!("{v:08x}")),
        Kind::Float => word(4).map(|v| float(f32::from_bits(v))),
        Kind::Switch => word(1).map(|v| match v {
            0 => "no".to_owned(),
            1 => "yes".to_owned(),
            other => other.to_string(),
        }),
        Kind::Text(length) => left.get(..length).map(letters),
    };
    read.unwrap_or_default()
}

/// The shortest decimal that is this float again.
fn float(value: f32) -> String {
    let size = value.abs();
    if size != 0.0 && size.is_finite() && !(1e-4..1e7).contains(&size) {
        return format!("{value:e}");
    }
    value.to_string()
}

/// Letters up to the first zero; whatever is none is written as its number.
fn letters(bytes: &[u8]) -> String {
    let end = bytes.iter().rposition(|&byte| byte != 0).map_or(0, |last| last + 1);
    bytes[..end].escape_ascii().to_string()
}

/// Fields with other values, in the order of the bytes. What an older version cannot tell counts as what it is taken for;
/// jets that only one table has are left out.
pub(super) fn differences(first: &[FieldValue], second: &[FieldValue]) -> Vec<Difference> {
    let newer = second.iter().filter(|field| !first.iter().any(|other| same(field, other)));
    let mut all: Vec<&FieldValue> = first.iter().chain(newer).collect();
    all.sort_by_key(|field| field.offset);
    let mut found = Vec::new();
    for field in all.into_iter().filter(|field| field.field != "checksum") {
        let (Some(in_first), Some(in_second)) = (said_of(field, first), said_of(field, second)) else {
            continue;
        };
        if in_first != in_second {
            found.push(Difference {
                jet: field.jet.clone(),
                field: field.field.clone(),
                words: field.words.clone(),
                first: in_first.to_owned(),
                second: in_second.to_owned(),
                unit: field.unit,
            });
        }
    }
    found
}

fn same(field: &FieldValue, other: &FieldValue) -> bool {
    other.field == field.field && other.jet == field.jet
}

/// The value of a field in a table, or what the table is taken for where its version has no such field.
fn said_of<'t>(field: &FieldValue, table: &'t [FieldValue]) -> Option<&'t str> {
    if let Some(own) = table.iter().find(|own| same(field, own)) {
        return Some(&own.text);
    }
    let is_of_values = !field.field.ends_with(".kind") && !field.field.ends_with(".length_bytes");
    let has_jet = field.jet.is_none() || table.iter().any(|own| own.jet == field.jet);
    let (section, _) = field.field.split_once('.').filter(|_| is_of_values && has_jet)?;
    match section {
        "bending" | "load_share" | "engine" => Some("0"),
        "accelerometer" | "flow_limit_kg_s" => Some("inf"),
        _ => None,
    }
}
