//! `stackhold table`.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use anyhow::{Context, Result, anyhow, bail};
use serde_json::{Value, json};
use stackhold_kernel::flight_table::LONGEST;

use super::console::Console;
use super::{CAUTION, Common, flights};
use crate::flight_table::{Difference, FlightTable, Refused, issue, listing, refused};
use crate::output::Folder;

/// What is asked about a flight table.
pub struct Asked<'a> {
    /// The scenario it is made of, or held against.
    pub scenario: Option<&'a str>,
    /// The variant of it.
    pub variant: Option<&'a str>,
    /// Sequence number instead of the scenario's.
    pub sequence: Option<u32>,
    /// A file to be read back.
    pub inspect: Option<&'a Path>,
}

/// Makes a flight table, or reads one back.
pub fn table(asked: &Asked, common: &Common, console: &mut Console<'_>) -> Result<i32> {
    let made = asked.scenario.map(|name| {
        let scenario = flights::load(name, None)?;
        issue(&scenario, asked.variant, asked.sequence)
    });
    let made = made.transpose()?;
    match (asked.inspect, made) {
        (Some(file), made) => inspect(file, made.as_ref(), common, console),
        (None, Some(made)) => write(&made, asked, common, console),
        (None, None) => bail!(
            "nothing to do: name a scenario to make its flight table, or a file to read back with --inspect FILE"
        ),
    }
}

fn write(made: &FlightTable, asked: &Asked, common: &Common, console: &mut Console<'_>) -> Result<i32> {
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let (file, text) = (format!("{}.table", made.scenario), format!("{}.listing.txt", made.scenario));
    if let Some(folder) = &folder {
        folder.write_bytes(&file, &made.bytes)?;
        folder.write(&text, &listing(made))?;
        folder.write_summary(&json!(made))?;
    }
    if common.json {
        console.line(&format!("{:#}", json!(made)))?;
        return Ok(0);
    }
    console.line(listing(made).trim_end())?;
    console.line("")?;
    let name = asked.scenario.unwrap_or_default();
    match &folder {
        Some(folder) => {
            let place = folder.path();
            console.line(&format!("Wrote {file}, {text} and summary.json into {}.", place.display()))?;
            let variant = flights::variant_words(asked.variant);
            let file = place.join(&file);
            console.line(&format!("Next: stackhold table {name}{variant} --inspect {}", file.display()))?;
        }
        None => console.line(&format!("Next: stackhold table {name} --out DIR   (writes {file})"))?,
    }
    console.line(CAUTION)?;
    Ok(0)
}

fn inspect(
    file: &Path,
    made: Option<&FlightTable>,
    common: &Common,
    console: &mut Console<'_>,
) -> Result<i32> {
    let folder = common.out.as_deref().map(Folder::prepare).transpose()?;
    let bytes = bytes_of(file)?;
    let names = made.map_or(&[][..], |made| &made.jets);
    let mut found = FlightTable::read(&bytes, names).map_err(|refusal| {
        let Refused { what, right } = refused(&refusal, &bytes, names);
        anyhow!("{what}; right would be {right}").context(format!("{} is refused", file.display()))
    })?;
    found.loads = made.map_or_else(Vec::new, |made| made.loads.clone());
    let differences = made.map(|made| made.differences(&found));
    let summary = summary(&found, made, differences.as_deref());
    if let Some(folder) = &folder {
        folder.write_summary(&summary)?;
    }
    if common.json {
        console.line(&format!("{summary:#}"))?;
        return Ok(0);
    }
    console.line(listing(&found).trim_end())?;
    if let (Some(made), Some(differences)) = (made, &differences) {
        console.line("")?;
        say_differences(made, &found, differences, console)?;
    }
    console.line("")?;
    console.line(CAUTION)?;
    Ok(0)
}

/// The bytes of a file, as far as a table can be long.
fn bytes_of(file: &Path) -> Result<Vec<u8>> {
    let shown = file.display();
    let mut bytes = Vec::new();
    let opened = File::open(file).with_context(|| format!("cannot open the flight table {shown}"))?;
    // One byte more, so that what is too long is seen to be.
    let read = opened.take(LONGEST as u64 + 1).read_to_end(&mut bytes);
    read.with_context(|| format!("cannot read the flight table {shown}"))?;
    Ok(bytes)
}

fn summary(found: &FlightTable, made: Option<&FlightTable>, differences: Option<&[Difference]>) -> Value {
    let mut summary = json!(found);
    if let (Value::Object(map), Some(made)) = (&mut summary, made) {
        map.insert("scenario".to_owned(), json!(made.scenario));
        map.insert("differences_from_scenario".to_owned(), json!(differences));
    }
    summary
}

fn say_differences(
    made: &FlightTable,
    found: &FlightTable,
    differences: &[Difference],
    console: &mut Console<'_>,
) -> Result<()> {
    let name = &made.scenario;
    if made.values.jets.len() != found.values.jets.len() {
        let (theirs, ours) = (found.values.jets.len(), made.values.jets.len());
        console.line(&format!("It has {theirs} jets, that of {name} {ours}."))?;
    }
    if differences.is_empty() {
        return console.line(&format!("It is the table that {name} gives, byte for byte."));
    }
    console.line(&format!("What {name} gives → what the file holds:"))?;
    for one in differences {
        let jet = one.jet.as_ref().map_or_else(String::new, |jet| format!("{jet}: "));
        let unit = if one.unit.is_empty() { String::new() } else { format!(" {}", one.unit) };
        console.line(&format!("  {jet}{}: {} → {}{unit}", one.words, one.first, one.second))?;
    }
    Ok(())
}
