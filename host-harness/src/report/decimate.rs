//! Thinning of long histories without losing what matters.

/// Rows to keep, ascending, so that a picture of the kept rows has the outline of all of them.
///
/// `series` are columns of equal length. The rows are cut into at most `stretches` equal stretches;
/// of each, the row where each column is least and the row where it is greatest are kept, so every
/// kept row is a true sample at its true time, and no peak is lost. First and last rows are kept,
/// and so are both rows around a change between a number and a gap (`NaN`).
pub fn keep_rows(series: &[&[f64]], stretches: usize) -> Vec<usize> {
    let rows = series.iter().map(|column| column.len()).min().unwrap_or(0);
    if rows <= 2 * stretches * series.len().max(1) {
        return (0..rows).collect();
    }
    let length = rows.div_ceil(stretches.max(1));
    let mut kept = vec![0, rows - 1];
    for column in series {
        let column = &column[..rows];
        for (stretch, values) in column.chunks(length).enumerate() {
            kept.extend(extremes(values).into_iter().flatten().map(|row| stretch * length + row));
        }
        for row in 1..rows {
            if column[row].is_nan() != column[row - 1].is_nan() {
                kept.extend([row - 1, row]);
            }
        }
    }
    kept.sort_unstable();
    kept.dedup();
    kept
}

/// Places of the least and the greatest number; `None` where all are gaps.
fn extremes(values: &[f64]) -> [Option<usize>; 2] {
    let numbers = || values.iter().enumerate().filter(|(_, value)| !value.is_nan());
    let least = numbers().min_by(|a, b| a.1.total_cmp(b.1));
    let greatest = numbers().max_by(|a, b| a.1.total_cmp(b.1));
    [least.map(|(row, _)| row), greatest.map(|(row, _)| row)]
}

/// Least and greatest number of a column, gaps left out.
pub fn range(values: &[f64]) -> Option<(f64, f64)> {
    let [least, greatest] = extremes(values);
    Some((values[least?], values[greatest?]))
}

/// Spans `[start, end, count, on-time]` of one row of a strip chart, joined where the gap between
/// them is shorter than `resolution`; counts and on-times add up, so nothing is lost but the gaps.
pub fn join_spans(spans: &[[f64; 4]], resolution: f64) -> Vec<[f64; 4]> {
    let mut joined: Vec<[f64; 4]> = Vec::new();
    for span in spans {
        match joined.last_mut() {
            Some(last) if span[0] - last[1] < resolution => {
                last[1] = last[1].max(span[1]);
                last[2] += span[2];
                last[3] += span[3];
            }
            _ => joined.push(*span),
        }
    }
    joined
}
