//! The numbers behind the pictures, as the page's script reads them.

use maud::PreEscaped;
use serde::Serialize;

/// All pictures that the script draws.
#[derive(Debug, Default, Serialize)]
pub struct PageData {
    /// Longest flight, s.
    pub duration_s: f64,
    /// Line pictures over time.
    pub panels: Vec<Panel>,
    /// Strip pictures over time.
    pub strips: Vec<Strip>,
}

/// One line picture over time.
#[derive(Debug, Serialize)]
pub struct Panel {
    /// Panels with the same name share their vertical scale.
    pub scale: String,
    /// Words beside the vertical axis.
    pub axis: String,
    /// Unit of the vertical axis.
    pub unit: String,
    /// Whether zero must be on the vertical axis.
    pub from_zero: bool,
    /// Times, s.
    pub x: Vec<f64>,
    /// Lines.
    pub lines: Vec<Line>,
    /// Limits drawn across.
    pub limits: Vec<Limit>,
    /// Moments drawn upright.
    pub marks: Vec<Mark>,
}

/// One line.
#[derive(Debug, Serialize)]
pub struct Line {
    /// What it is, for the read-out.
    pub label: String,
    /// Which ink, counted from zero.
    pub ink: usize,
    /// Stroke: 0 solid, 1 dashed, 2 dotted.
    pub dash: u8,
    /// Values at the panel's times; gaps are `null`.
    pub y: Vec<f64>,
}

/// A level drawn from one time to another.
#[derive(Debug, Serialize)]
pub struct Limit {
    /// From, s.
    pub from: f64,
    /// To, s.
    pub to: f64,
    /// Level, in the panel's unit.
    pub level: f64,
    /// Words at the line.
    pub label: String,
    /// Whether the vertical axis must reach it.
    pub reach: bool,
    /// Whether the words stand at the start of the line; at its end otherwise.
    pub at_start: bool,
}

/// A moment.
#[derive(Debug, Serialize)]
pub struct Mark {
    /// When, s.
    pub at: f64,
    /// Words at the line.
    pub label: String,
}

/// One strip picture over time: named rows with spans.
#[derive(Debug, Serialize)]
pub struct Strip {
    /// Which ink.
    pub ink: usize,
    /// What one span counts ("pulse", "cycle").
    pub counts: &'static str,
    /// Rows from the top.
    pub rows: Vec<StripRow>,
}

/// One row of a strip picture.
#[derive(Debug, Serialize)]
pub struct StripRow {
    /// Name of the row.
    pub label: String,
    /// `[start s, end s, count, on-time s]`.
    pub spans: Vec<[f64; 4]>,
}

/// Rounds to `digits` significant digits; what the page shows needs no more.
pub fn rounded(value: f64, digits: usize) -> f64 {
    format!("{value:.*e}", digits.saturating_sub(1)).parse().unwrap_or(f64::NAN)
}

/// Rounds a time to 0.1 ms.
pub fn rounded_time(seconds: f64) -> f64 {
    (seconds * 1e4).round() / 1e4
}

/// The data as a script element's content: JSON with the letters escaped that could end the element.
pub fn embed(data: &PageData) -> PreEscaped<String> {
    let json = serde_json::to_string(data).unwrap_or_else(|_| "null".to_owned());
    let mut safe = String::with_capacity(json.len());
    for letter in json.chars() {
        match letter {
            // Inside JSON these letters occur in strings only, where the escape means the same.
            '<' | '>' | '&' | '\u{2028}' | '\u{2029}' => safe.push_str(&format!("\\u{:04x}", letter as u32)),
            _ => safe.push(letter),
        }
    }
    PreEscaped(safe)
}
