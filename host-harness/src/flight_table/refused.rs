//! A refusal in words: byte, field, value, and what would be right.

use stackhold_kernel::config::{ConfigError, EngineField, JetField, TimingField};
use stackhold_kernel::flight_table::layout::{
    AT_COMMAND_DELAY, AT_CYCLE, AT_MINIMUM_OFF, LONGEST, MARKER, VERSION, VERSION_1, bytes_of, jet_at,
};
use stackhold_kernel::flight_table::{Refusal, Why};
use stackhold_kernel::mass_properties::MassPropertiesError;

use super::fields::{Field, fields, jet_name, text};

/// What is wrong with a table, and what would be right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refused {
    /// Byte, field and value.
    pub what: String,
    /// What would be right.
    pub right: String,
}

/// Says why a table is refused.
///
/// * `bytes` — the table; `jets` — names of its jets, if they are known.
#[must_use]
pub fn refused(refusal: &Refusal, bytes: &[u8], jets: &[String]) -> Refused {
    let offset = usize::from(refusal.offset);
    let said = |what: String, right: &str| Refused { what, right: right.to_owned() };
    match refusal.why {
        Why::TooLong => said(
            format!("it has {} bytes or more", refusal.found),
            &format!("at most {LONGEST} bytes, which 32 jets fill"),
        ),
        Why::CutOff => said(
            format!("it has {} bytes and ends before its header does", refusal.found),
            &format!("a whole table, {} bytes or more", bytes_of(VERSION_1, 1)),
        ),
        Why::Marker => {
            let found = refusal.found.to_le_bytes().escape_ascii().to_string();
            let marker = MARKER.escape_ascii();
            said(
                format!("byte 0, marker: \"{found}\""),
                &format!("\"{marker}\", which every table begins with"),
            )
        }
        Why::Length => said(
            format!(
                "byte {offset}, length: it says {} bytes, and there are {}",
                stated(offset, bytes),
                refusal.found
            ),
            "the whole file, nothing cut off and nothing added",
        ),
        Why::Checksum => said(
            format!(
                "byte {offset}, checksum: it says {:08x}, and its bytes have {:08x}",
                stated(offset, bytes),
                refusal.found
            ),
            "a file as it was written: some byte of this one has changed",
        ),
        Why::Version => said(
            format!("byte {offset}, format version: {}", refusal.found),
            &format!("{VERSION_1} to {VERSION}, the versions that this program reads"),
        ),
        Why::TooManyJets => said(format!("it has {} jets", refusal.found), "at most 32 jets"),
        Why::Superseded => said("the load was given up".to_owned(), "to load it again"),
        Why::Value(error) => value(error, offset, bytes, jets),
        _ => {
            let field = field_at(offset, bytes);
            let right = field.as_ref().map_or("another value", |field| field.range);
            said(named(offset, field.as_ref(), bytes, jets), right)
        }
    }
}

/// The word that stands at an offset.
fn stated(offset: usize, bytes: &[u8]) -> u32 {
    bytes.iter().skip(offset).take(4).rev().fold(0, |word, &byte| (word << 8) | u32::from(byte))
}

fn half(offset: usize, bytes: &[u8]) -> u32 {
    bytes.iter().skip(offset).take(2).rev().fold(0, |word, &byte| (word << 8) | u32::from(byte))
}

/// The field that an offset lies in.
fn field_at(offset: usize, bytes: &[u8]) -> Option<Field> {
    fields(bytes).into_iter().rfind(|field| field.offset <= offset)
}

/// Byte, jet, field and value.
fn named(offset: usize, field: Option<&Field>, bytes: &[u8], jets: &[String]) -> String {
    let Some(field) = field else { return format!("byte {offset}") };
    let jet = field.jet.map_or_else(String::new, |index| format!("{}: ", jet_name(index, jets)));
    let unit = if field.unit.is_empty() { String::new() } else { format!(" {}", field.unit) };
    format!("byte {offset}, {jet}{} = {}{unit}", field.words, text(field, bytes))
}

fn value(error: ConfigError, offset: usize, bytes: &[u8], jets: &[String]) -> Refused {
    let field = field_at(offset, bytes);
    let what = match error {
        ConfigError::NoJets => format!("byte {offset}: there is no jet"),
        ConfigError::MassProperties(
            MassPropertiesError::InertiaNotSymmetric
            | MassPropertiesError::InertiaNotPositiveDefinite
            | MassPropertiesError::InertiaTriangle,
        ) => format!("byte {offset}, inertia = {} kg m2", together(offset, 9, bytes)),
        ConfigError::AxisPriority => {
            let order: Vec<String> = bytes.iter().skip(offset).take(3).map(u8::to_string).collect();
            format!("byte {offset}, axes in the order they are served = {}", order.join(", "))
        }
        ConfigError::Jet { index, field: JetField::Direction } => {
            let jet = jet_name(usize::from(index), jets);
            format!("byte {offset}, {jet}: direction of force = {}", together(offset, 3, bytes))
        }
        ConfigError::Engine(EngineField::Direction) => {
            format!("byte {offset}, engine: direction of force = {}", together(offset, 3, bytes))
        }
        ConfigError::Engine(EngineField::FirstAxis) => {
            format!("byte {offset}, engine: first gimbal axis = {}", together(offset, 3, bytes))
        }
        _ => named(offset, field.as_ref(), bytes, jets),
    };
    let general = field.map_or("another value", |field| field.range);
    Refused { what, right: right(error, bytes).unwrap_or_else(|| general.to_owned()) }
}

/// Several floats in a row.
fn together(offset: usize, count: usize, bytes: &[u8]) -> String {
    let floats = (0..count).map(|index| f32::from_bits(stated(offset + 4 * index, bytes)).to_string());
    format!("({})", floats.collect::<Vec<_>>().join(", "))
}

/// What would be right where that depends on other fields.
fn right(error: ConfigError, bytes: &[u8]) -> Option<String> {
    let (cycle, off) = (half(AT_CYCLE, bytes), half(AT_MINIMUM_OFF, bytes));
    let said = match error {
        ConfigError::MassProperties(error) => match error {
            MassPropertiesError::InertiaNotSymmetric => "a symmetric matrix".to_owned(),
            MassPropertiesError::InertiaNotPositiveDefinite => {
                "principal moments that are all above 0".to_owned()
            }
            MassPropertiesError::InertiaTriangle => {
                "principal moments of which none exceeds the sum of the others".to_owned()
            }
            _ => return None,
        },
        ConfigError::NoJets => "1 to 32 jets".to_owned(),
        ConfigError::Timing(TimingField::MinimumOff | TimingField::CommandDelay) => {
            format!("less than the cycle of {cycle} ticks")
        }
        ConfigError::Timing(TimingField::MeasurementAgeLimit) => {
            format!("1 to {} ticks, six cycles", 6 * cycle)
        }
        ConfigError::Jet { field: JetField::MinimumOn, .. } => {
            let most = i64::from(cycle) - i64::from(off);
            format!("1 to {most} ticks, the cycle of {cycle} less the shortest off-time of {off}")
        }
        ConfigError::Jet { field: JetField::DeadTime, .. } => format!(
            "0 or more, and with the command delay of {} ticks and the pulse offset at most the cycle of {cycle} ticks",
            half(AT_COMMAND_DELAY, bytes)
        ),
        ConfigError::Jet { index, field: JetField::PulseOffset } => format!(
            "less than a cycle, and an impulse left to the shortest pulse of {} ticks",
            half(jet_at(usize::from(index)) + 44, bytes)
        ),
        ConfigError::Jet { field: JetField::FlowAboveLimit, .. } => {
            "a flow, thrust over specific impulse and standard gravity, within its group's flow limit"
                .to_owned()
        }
        _ => return None,
    };
    Some(said)
}
