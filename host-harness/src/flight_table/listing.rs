//! The listing of a flight table: plain text, aligned, every field with its unit.

use std::fmt::Write;

use super::FlightTable;
use super::fields::FieldValue;
use crate::cli::columns;

/// How keys of loads begin.
const LOAD: &str = "load_share.";

/// Hexadecimal digits as they are said on a voice link: letters by the spelling alphabet of the Radio Regulations
/// (ITU, Appendix 14), digits as plain words, in pairs.
#[must_use]
pub fn aloud(hexadecimal: &str) -> String {
    let word = |digit: char| match digit {
        '0' => "zero",
        '1' => "one",
        '2' => "two",
        '3' => "three",
        '4' => "four",
        '5' => "five",
        '6' => "six",
        '7' => "seven",
        '8' => "eight",
        '9' => "nine",
        'a' => "alfa",
        'b' => "bravo",
        'c' => "charlie",
        'd' => "delta",
        'e' => "echo",
        'f' => "foxtrot",
        _ => "?",
    };
    let words: Vec<&str> = hexadecimal.chars().map(word).collect();
    words.chunks(2).map(|pair| pair.join(" ")).collect::<Vec<_>>().join(", ")
}

/// Everything that the table says, for two people who compare it.
#[must_use]
pub fn listing(table: &FlightTable) -> String {
    let mut text = heading(table);
    let (jets, others): (Vec<&FieldValue>, Vec<&FieldValue>) =
        table.fields.iter().partition(|field| field.jet.is_some());
    let engine = is_told(&others, "engine.", "0");
    let accelerometer = is_told(&others, "accelerometer.", "inf");
    // A group without jets, and without a limit, would fill a line with nothing; so would what is not there.
    let used = |field: &FieldValue| {
        let section = field.field.split('.').next();
        match section {
            Some("flow_limit_kg_s") => field.text != "inf",
            Some("engine") => engine != Some(false) || is_head(field),
            Some("accelerometer") => accelerometer != Some(false) || is_head(field),
            _ => true,
        }
    };
    let rows = others.iter().filter(|field| used(field)).map(|field| row(field)).collect();
    let _ = write!(text, "\n{}\n", columns(&["byte", "field", "value", "unit", "allowed"], rows, &[1, 3, 4]));
    let is_unlimited = |field: &&&FieldValue| field.field.starts_with("flow_limit_kg_s.") && !used(field);
    let unlimited = others.iter().filter(is_unlimited).count();
    if unlimited > 0 {
        let _ = writeln!(text, "{unlimited} groups have no flow limit (value inf).");
    }
    if engine == Some(false) {
        text.push_str("There is no main engine (15 values 0).\n");
    }
    if accelerometer == Some(false) {
        text.push_str("There is no accelerometer (3 values inf).\n");
    }
    let _ = write!(text, "\nPlace and force of the jets, structural axes\n{}\n", places(&jets));
    let _ = write!(text, "\nValves and use of the jets\n{}\n", valves(&jets));
    let loads = loads(&jets);
    if !loads.is_empty() {
        text.push_str(
            "\nShare of the loads that each jet takes up alone, in 255ths, whatever their direction; jets that are open \
             together take up 255 at most\n",
        );
        for (index, load) in (1..).zip(&table.loads) {
            let _ = writeln!(text, "load {index}: 255 are the {load}");
        }
        let _ = writeln!(text, "{loads}");
    }
    if table.jets.is_empty() {
        text.push_str("\nNames of jets are not in the file: name the scenario too to see them.\n");
    }
    text
}

/// Kind and length of a section.
fn is_head(field: &FieldValue) -> bool {
    field.field.ends_with(".kind") || field.field.ends_with(".length_bytes")
}

/// Whether a section says anything but `nothing`; `None` where the table has no such section.
fn is_told(fields: &[&FieldValue], section: &str, nothing: &str) -> Option<bool> {
    let values = || fields.iter().filter(|field| field.field.starts_with(section) && !is_head(field));
    values().next()?;
    Some(values().any(|field| field.text != nothing))
}

fn heading(table: &FlightTable) -> String {
    let made_of = if table.scenario.is_empty() { String::new() } else { format!(" of {}", table.scenario) };
    let rows = [
        ("vehicle", table.vehicle.clone()),
        ("configuration", table.configuration.clone()),
        ("sequence number", table.sequence.to_string()),
        ("checksum", format!("{}   {}", table.checksum, aloud(&table.checksum))),
        ("identity", format!("{}   {}", table.identity, aloud(&table.identity))),
        ("length", format!("{} bytes, format version {}", table.length_bytes, table.format_version)),
    ];
    let mut text = format!("Flight table{made_of}\n\n");
    for (what, value) in rows {
        let _ = writeln!(text, "{what:<16} {value}");
    }
    text.push_str(
        "\nThe checksum is that of the file; the identity, that of its values, stands in telemetry, reports and \
         summaries.\n",
    );
    text
}

fn row(field: &FieldValue) -> Vec<String> {
    vec![
        field.offset.to_string(),
        field.words.clone(),
        field.text.clone(),
        field.unit.to_owned(),
        field.allowed.to_owned(),
    ]
}

/// Fields of each jet in turn. Those that stand elsewhere in the table are in chunks of their own.
fn per_jet<'f>(jets: &'f [&'f FieldValue]) -> impl Iterator<Item = &'f [&'f FieldValue]> {
    let is_load = |field: &FieldValue| field.field.starts_with(LOAD);
    jets.chunk_by(move |a, b| a.jet == b.jet && is_load(a) == is_load(b))
}

fn cells(jet: &[&FieldValue], keys: &[&str]) -> Vec<String> {
    let first = jet.first();
    let mut cells = vec![
        first.map_or_else(String::new, |field| field.offset.to_string()),
        first.and_then(|field| field.jet.clone()).unwrap_or_default(),
    ];
    let found = |key: &&str| jet.iter().find(|field| field.field == *key).map(|field| field.text.clone());
    cells.extend(keys.iter().map(|key| found(key).unwrap_or_default()));
    cells
}

/// A row for each jet: where it stands, its name, and these fields; loads have rows of their own.
fn rows(jets: &[&FieldValue], keys: &[&str]) -> Vec<Vec<String>> {
    let wanted = |jet: &&[&FieldValue]| jet.iter().any(|field| keys.contains(&field.field.as_str()));
    per_jet(jets).filter(wanted).map(|jet| cells(jet, keys)).collect()
}

fn places(jets: &[&FieldValue]) -> String {
    let keys = [
        "position_m.x",
        "position_m.y",
        "position_m.z",
        "direction.x",
        "direction.y",
        "direction.z",
        "thrust_n",
        "specific_impulse_s",
    ];
    let header = [
        "byte",
        "jet",
        "x m",
        "y m",
        "z m",
        "force x",
        "force y",
        "force z",
        "thrust N",
        "specific impulse s",
    ];
    columns(&header, rows(jets, &keys), &[1])
}

/// Nothing where no jet takes up a share of any load.
fn loads(jets: &[&FieldValue]) -> String {
    let shares = || jets.iter().filter(|field| field.field.starts_with(LOAD));
    if shares().all(|field| field.text == "0") {
        return String::new();
    }
    let mut keys: Vec<&str> = shares().map(|field| field.field.as_str()).collect();
    keys.sort_unstable();
    keys.dedup();
    let numbered = (1..=keys.len()).map(|load| format!("load {load}"));
    let header: Vec<String> = ["byte", "jet"].map(str::to_owned).into_iter().chain(numbered).collect();
    let header: Vec<&str> = header.iter().map(String::as_str).collect();
    columns(&header, rows(jets, &keys), &[1])
}

fn valves(jets: &[&FieldValue]) -> String {
    let keys = ["enabled", "group", "minimum_on_ticks", "dead_time_s", "pulse_offset_s", "price_weight"];
    let header = [
        "byte",
        "jet",
        "may be fired",
        "group",
        "shortest on-time ticks",
        "dead time s",
        "pulse offset s",
        "price weight",
    ];
    columns(&header, rows(jets, &keys), &[1])
}
