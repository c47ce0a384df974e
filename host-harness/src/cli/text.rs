//! Numbers, labels and tables for a terminal.

use comfy_table::{CellAlignment, ContentArrangement, Table, presets};

use crate::units;
use crate::verdict::Judgement;

/// Four significant digits; a power of ten only when the number needs one.
pub fn number(value: f64) -> String {
    if !value.is_finite() {
        return "none".to_owned();
    }
    let size = value.abs();
    if size == 0.0 {
        return "0".to_owned();
    }
    if value.fract() == 0.0 && size < 1e7 {
        return format!("{value:.0}");
    }
    if !(1e-3..1e6).contains(&size) {
        return format!("{value:.3e}");
    }
    // The exponent after rounding, so that 9.99996 shows as 10.00.
    let rounded = format!("{size:.3e}");
    let exponent: i32 = rounded.split_once('e').and_then(|(_, e)| e.parse().ok()).unwrap_or(0);
    format!("{value:.*}", usize::try_from(3 - exponent).unwrap_or(0))
}

/// The same, `-` for nothing.
pub fn maybe(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), number)
}

/// Three components.
pub fn vector(components: [f64; 3]) -> String {
    format!("({})", components.map(number).join(", "))
}

/// A share as a percentage.
pub fn percent(share: f64) -> String {
    format!("{} %", number((share * 1e4).round() / 100.0))
}

/// Words and unit (empty for a bare number) of a key such as `worst_axis_error_deg`.
pub fn label(key: &str) -> (String, &'static str) {
    let (stem, unit) = units::split(key);
    let words = stem.replace('_', " ").replace("99 73 percent", "99.73 %").replace("95 percent", "95 %");
    (words, unit.plain)
}

/// A table without lines; every column but the first `left` ones is aligned to the right.
pub fn table(header: &[&str], rows: Vec<Vec<String>>, left: usize) -> String {
    columns(header, rows, &(0..left).collect::<Vec<_>>())
}

/// A table without lines; every column but those in `left` is aligned to the right.
pub fn columns(header: &[&str], rows: Vec<Vec<String>>, left: &[usize]) -> String {
    let mut table = Table::new();
    table.load_style(presets::NOTHING);
    table.set_content_arrangement(ContentArrangement::Disabled);
    table.set_header(header.iter().map(|cell| (*cell).to_owned()).collect::<Vec<String>>());
    table.add_rows(rows);
    for (index, column) in table.column_iter_mut().enumerate() {
        if !left.contains(&index) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table.trim_fmt()
}

/// What is asked of a figure.
pub fn bound(judgement: &Judgement) -> String {
    let parts = [("at most", judgement.at_most), ("at least", judgement.at_least)];
    let said: Vec<String> =
        parts.iter().filter_map(|(word, b)| b.map(|b| format!("{word} {}", number(b)))).collect();
    said.join(" and ")
}

/// A row of blocks, one per column of time, that shows shares of a half-width: eighths up to the edge,
/// `!` beyond a tenth over it.
pub fn strip(shares: &[f64]) -> String {
    const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let block = |share: &f64| {
        if !share.is_finite() {
            ' '
        } else if *share > 1.1 {
            '!'
        } else {
            BLOCKS[((share * 8.0).floor() as usize).min(7)]
        }
    };
    shares.iter().map(block).collect()
}
