//! Flight tables as files: from a scenario to the bytes a board loads, and back to what people read.
//!
//! The format stands in [`stackhold_kernel::flight_table`]; the kernel writes and reads it. Here are the names
//! and the sequence number of a table, its listing, and refusals in words.

mod fields;
mod listing;
mod refused;

use anyhow::{Context, Result, bail};
use serde::Serialize;
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::flight_table::layout::AT_VERSION;
use stackhold_kernel::flight_table::{Label, NAME_LENGTH, Name, Refusal, encode, read, table_bytes};

use crate::cli::number;
use crate::interface_loads::load_words;
use crate::scenario::model::{Scenario, Variant};
use crate::table::{self, JETS};

pub use fields::{Difference, FieldValue};
pub use listing::{aloud, listing};
pub use refused::{Refused, refused};

/// A flight table with what people want to know of it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct FlightTable {
    /// Name of the scenario, and of its variant, that it was made of or held against; empty without one.
    pub scenario: String,
    /// The vehicle it is for.
    pub vehicle: String,
    /// The stack it is for.
    pub configuration: String,
    /// Its number among the tables of the vehicle.
    pub sequence: u32,
    /// Version of the format.
    pub format_version: u16,
    /// Length, bytes.
    pub length_bytes: usize,
    /// Identity of the values, as in telemetry and reports.
    pub identity: String,
    /// Checksum, hexadecimal.
    pub checksum: String,
    /// Every field, in the order of the bytes.
    pub fields: Vec<FieldValue>,
    /// Names of the jets; empty when no scenario tells them.
    #[serde(skip)]
    pub jets: Vec<String>,
    /// What all of each load is, in words; empty when no scenario tells it.
    pub loads: Vec<String>,
    /// The bytes.
    #[serde(skip)]
    pub bytes: Vec<u8>,
    /// The values, as a board reads them.
    #[serde(skip)]
    pub values: ConfigurationTable<JETS>,
}

impl FlightTable {
    /// Reads a table from its bytes, with names of jets if they are known.
    ///
    /// # Errors
    /// What a board would refuse too.
    pub fn read(bytes: &[u8], jets: &[String]) -> Result<Self, Refusal> {
        let (label, values) = read::<JETS>(bytes)?;
        let named = if jets.len() == values.jets.len() { jets } else { &[] };
        let end = bytes.len().saturating_sub(4);
        let checksum = bytes[end..].iter().rev().fold(0_u32, |word, byte| (word << 8) | u32::from(*byte));
        Ok(Self {
            scenario: String::new(),
            vehicle: label.vehicle.as_str().to_owned(),
            configuration: label.configuration.as_str().to_owned(),
            sequence: label.sequence,
            format_version: u16::from_le_bytes([bytes[AT_VERSION], bytes[AT_VERSION + 1]]),
            length_bytes: bytes.len(),
            identity: format!("{:08x}", values.identity),
            checksum: format!("{checksum:08x}"),
            fields: fields::values(bytes, named),
            jets: named.to_vec(),
            loads: Vec::new(),
            bytes: bytes.to_vec(),
            values,
        })
    }

    /// Fields that differ in another table, in the order of the bytes.
    #[must_use]
    pub fn differences(&self, other: &Self) -> Vec<Difference> {
        fields::differences(&self.fields, &other.fields)
    }
}

/// Makes the flight table of a scenario, or of one of its variants.
///
/// * `sequence` — instead of the scenario's own.
///
/// # Errors
/// A variant that is not there, a name too long for a table, or values that no board would take.
pub fn issue(scenario: &Scenario, variant: Option<&str>, sequence: Option<u32>) -> Result<FlightTable> {
    let variant = variant.map(|name| find(scenario, name)).transpose()?;
    let own = || (scenario.stack.clone(), scenario.told.clone());
    let (stack, told) = variant.map_or_else(own, |variant| scenario.as_flown_in(variant));
    let values = table::build(scenario, &stack, &told)?;
    let configuration = configuration(scenario, variant);
    let label = Label {
        vehicle: name(&scenario.vehicle.name, "name of the vehicle file")?,
        configuration: name(configuration, "configuration of the scenario's [flight_table]")?,
        sequence: sequence.unwrap_or(scenario.flight_table.sequence),
    };
    let mut bytes = vec![0; table_bytes(values.jets.len())];
    if encode(&label, &values, &mut bytes) != Some(bytes.len()) {
        bail!("{} jets do not fit into a flight table", values.jets.len());
    }
    let jets: Vec<String> = scenario.vehicle.jets.iter().map(|jet| jet.name.clone()).collect();
    let mut made = match FlightTable::read(&bytes, &jets) {
        Ok(made) => made,
        Err(refusal) => {
            let Refused { what, right } = refused(&refusal, &bytes, &jets);
            bail!("the kernel would refuse the table of {}: {what}; right would be {right}", scenario.name);
        }
    };
    if told.interface_limits_kept {
        made.loads = load_words(&scenario.kernel.trade.interface_limits, number);
    }
    made.scenario = match variant {
        Some(variant) => format!("{}_{}", scenario.name, variant.name),
        None => scenario.name.clone(),
    };
    Ok(made)
}

/// A variant by its name.
///
/// # Errors
/// There is none of this name; says which there are.
pub fn find<'s>(scenario: &'s Scenario, name: &str) -> Result<&'s Variant> {
    let found = scenario.variants.iter().find(|variant| variant.name == name);
    let names: Vec<&str> = scenario.variants.iter().map(|variant| variant.name.as_str()).collect();
    let known = match names.as_slice() {
        [] => "it has none".to_owned(),
        names => format!("right would be one of {}", names.join(", ")),
    };
    found.with_context(|| format!("{} has no variant \"{name}\": {known}", scenario.name))
}

/// A variant with another stack is another configuration; one that is only told otherwise is not.
fn configuration<'s>(scenario: &'s Scenario, variant: Option<&'s Variant>) -> &'s str {
    let own = variant.and_then(|v| match (&v.configuration, &v.stack) {
        (Some(own), _) => Some(own.as_str()),
        (None, Some(_)) => Some(v.name.as_str()),
        (None, None) => None,
    });
    own.unwrap_or(&scenario.flight_table.configuration)
}

fn name(text: &str, what: &str) -> Result<Name> {
    Name::new(text).with_context(|| {
        format!(
            "\"{text}\", the {what}, has {} letters: a flight table holds at most {NAME_LENGTH}",
            text.len()
        )
    })
}
