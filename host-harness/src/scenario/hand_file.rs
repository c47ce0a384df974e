//! A recorded hand controller: comma-separated values with the header `time_s,x,y,z`.
//!
//! Each line holds from its moment on, s after the start of the phase, until the next one; deflections about the body
//! axes are shares of full travel, -1 to 1. Lines that start with `#` are remarks.

use std::ops::Range;

use super::model::Deflection;
use super::problem::{Notes, Problem};

/// Columns, in order.
const COLUMNS: [&str; 4] = ["time_s", "x", "y", "z"];
const HEADER: &str = "the header time_s,x,y,z and lines such as 12.5,0.0,-1.0,0.0";

/// Reads a recording.
///
/// * `file` — the name to show for it.
///
/// # Errors
/// Every problem found.
pub(super) fn read(file: &str, text: &str) -> Result<Vec<Deflection>, Vec<Problem>> {
    let notes = Notes::new(file, text);
    let mut reader = csv::ReaderBuilder::new()
        .comment(Some(b'#'))
        .flexible(true)
        .has_headers(false)
        .from_reader(text.as_bytes());
    let refuse = |span: Range<usize>, key: &str, wrong: String, remedy: &str| {
        let value = notes.excerpt(&span);
        notes.add(span, "", key, value, wrong, remedy.to_owned());
    };
    let mut rows = Vec::new();
    let mut spans = Vec::new();
    let mut is_first = true;
    for record in reader.records() {
        let record = match record {
            Ok(record) => record,
            Err(error) => {
                let byte = error.position().map_or(0, |position| position.byte() as usize);
                refuse(byte..byte, "", format!("is not readable: {error}"), HEADER);
                break;
            }
        };
        let start = record.position().map_or(0, |position| position.byte() as usize);
        // Fields without quotes: one comma before each but the first.
        let span = |field: usize| {
            let range = record.range(field).unwrap_or(0..0);
            start + range.start + field..start + range.end + field
        };
        let whole = start..start + record.as_slice().len() + record.len().saturating_sub(1);
        if core::mem::take(&mut is_first) {
            if record.iter().map(str::trim).ne(COLUMNS) {
                refuse(whole, "", "starts with another header".to_owned(), HEADER);
                break;
            }
            continue;
        }
        if record.len() != COLUMNS.len() {
            let wrong = format!("has {} columns where there are {}", record.len(), COLUMNS.len());
            refuse(whole, "", wrong, HEADER);
            continue;
        }
        let mut numbers = [0.0_f64; 4];
        for (field, (number, key)) in numbers.iter_mut().zip(COLUMNS).enumerate() {
            let value = record.get(field).unwrap_or("").trim();
            match value.parse::<f64>() {
                Ok(parsed) if parsed.is_finite() => *number = parsed,
                _ => refuse(span(field), key, "is no number".to_owned(), "a finite number, such as 0.5"),
            }
        }
        let [at_s, x, y, z] = numbers;
        rows.push(Deflection { at_s, deflection: [x, y, z] });
        spans.push(whole);
    }
    let is_sound = notes.is_empty();
    if is_sound && let Some((row, wrong, remedy)) = fault(&rows) {
        let span = spans.get(row).cloned().unwrap_or(0..0);
        refuse(span, "", wrong, &remedy);
    }
    let problems = notes.into_problems();
    if problems.is_empty() { Ok(rows) } else { Err(problems) }
}

/// The first row that cannot be flown, what is wrong with it, and what would be right.
pub(super) fn fault(rows: &[Deflection]) -> Option<(usize, String, String)> {
    if rows.is_empty() {
        return Some((0, "holds no deflection".to_owned(), "one at least".to_owned()));
    }
    for (index, row) in rows.iter().enumerate() {
        let earlier = index.checked_sub(1).and_then(|before| rows.get(before));
        if row.at_s < 0.0 || earlier.is_some_and(|earlier| row.at_s <= earlier.at_s) {
            let wrong = format!("has {} s out of order", row.at_s);
            return Some((index, wrong, "times from 0 that rise from row to row".to_owned()));
        }
        if let Some(beyond) = row.deflection.iter().find(|share| share.abs() > 1.0) {
            let wrong = format!("asks for {beyond} of full travel at {} s", row.at_s);
            return Some((index, wrong, "shares between -1 and 1".to_owned()));
        }
    }
    None
}
