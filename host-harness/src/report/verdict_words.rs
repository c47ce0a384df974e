//! The verdict in words, the requirements with their margins, and every figure of the summary.

use std::collections::BTreeSet;

use maud::{Markup, html};
use serde_json::Value;

use super::lane::Lane;
use super::words;

/// One requirement as `summary.json` gives it.
#[derive(Clone, Debug, PartialEq)]
pub struct Required {
    figure: String,
    value: Option<f64>,
    at_most: Option<f64>,
    at_least: Option<f64>,
    margin: Option<f64>,
    margin_fraction: Option<f64>,
    met: bool,
}

/// Requirements of a lane, in the summary's order.
pub fn requirements(lane: &Lane<'_>) -> Vec<Required> {
    let listed = lane.flight.summary.get("requirements").and_then(Value::as_array);
    listed.into_iter().flatten().map(required).collect()
}

fn required(entry: &Value) -> Required {
    let number = |key: &str| entry.get(key).and_then(Value::as_f64);
    let (at_most, at_least, margin) = (number("at_most"), number("at_least"), number("margin"));
    let bound = at_most.or(at_least).filter(|bound| *bound != 0.0);
    let fraction = margin.zip(bound).map(|(margin, bound)| margin / bound.abs());
    Required {
        figure: entry.get("figure").and_then(Value::as_str).unwrap_or("figure not named").to_owned(),
        value: number("value"),
        at_most,
        at_least,
        margin,
        margin_fraction: number("margin_fraction").or(fraction),
        met: entry.get("met").and_then(Value::as_bool).unwrap_or(false),
    }
}

/// Whether the lane's verdict is `met`.
pub fn is_met(lane: &Lane<'_>) -> bool {
    lane.flight.summary.get("verdict").and_then(Value::as_str) == Some("met")
}

impl Required {
    fn words(&self) -> (String, &'static str) {
        words::figure(&self.figure)
    }

    fn bound(&self) -> String {
        let (_, unit) = self.words();
        let parts = [("at most", self.at_most), ("at least", self.at_least)];
        let said: Vec<String> = parts
            .iter()
            .filter_map(|(word, bound)| bound.map(|b| format!("{word} {}", words::with_unit(b, unit))))
            .collect();
        if said.is_empty() { "no bound".to_owned() } else { said.join(" and ") }
    }

    fn value(&self) -> String {
        let (_, unit) = self.words();
        self.value.map_or_else(|| "not measured".to_owned(), |value| words::with_unit(value, unit))
    }
}

/// How a lane did, in a sentence without its end.
pub fn outcome(lane: &Lane<'_>) -> String {
    let all = requirements(lane);
    let missed: Vec<String> = all.iter().filter(|r| !r.met).map(|r| r.words().0.to_lowercase()).collect();
    match (all.len(), missed.len()) {
        (0, _) => "no requirement was set, so nothing was judged".to_owned(),
        (1, 0) => "its one requirement is met".to_owned(),
        (count, 0) => format!("all {count} requirements are met"),
        (1, 1) => format!("its one requirement is missed: {}", missed.join(", ")),
        (count, misses) => {
            let verb = if misses == 1 { "is" } else { "are" };
            format!("{misses} of {count} requirements {verb} missed: {}", missed.join(", "))
        }
    }
}

/// The verdict box of one lane.
pub fn verdict(lane: &Lane<'_>) -> Markup {
    let met = is_met(lane);
    let (class, sign, word) = if met { ("met", "✓", "Met") } else { ("missed", "✗", "Missed") };
    let tightest = requirements(lane)
        .into_iter()
        .filter(|r| r.margin_fraction.is_some())
        .min_by(|a, b| a.margin_fraction.unwrap_or(0.0).total_cmp(&b.margin_fraction.unwrap_or(0.0)));
    html! {
        div class=(format!("verdict {class}")) {
            p.word { span.sign aria-hidden="true" { (sign) } " " (word) }
            p.lane { (lane.title) ": " (outcome(lane)) "." }
            @if !lane.note.is_empty() { p.note { (lane.note) } }
            @if let Some(tight) = tightest {
                p {
                    @if tight.met { "Tightest: " } @else { "Furthest out: " }
                    (tight.words().0.to_lowercase()) " " (tight.value()) ", " (tight.bound())
                    " (margin " (percent(tight.margin_fraction.unwrap_or(0.0))) ")."
                }
            }
            @if let Some(sentence) = price(lane) { p { (sentence) } }
        }
    }
}

/// A fraction in percent; a large one in times.
fn percent(fraction: f64) -> String {
    if fraction.abs() >= 10.0 {
        return format!("{}\u{a0}times", words::number(fraction.round()));
    }
    words::with_unit((fraction * 1000.0).round() / 10.0, "%")
}

/// Propellant beside its bound, in a sentence.
fn price(lane: &Lane<'_>) -> Option<String> {
    let used = lane.figure("propellant_kg")?;
    if let Some(slews) = slew_price(lane) {
        return Some(format!("Propellant used {}; {slews}", words::with_unit(used, "kg")));
    }
    let Some(bound) = lane.figure("propellant_bound_kg") else {
        let reference = lane.figure("propellant_reference_price_kg").map_or_else(String::new, |price| {
            format!("; the reference price, not proven to be one, is {}", words::with_unit(price, "kg"))
        });
        let used = words::with_unit(used, "kg");
        return Some(format!("Propellant used {used}; no lower bound was proven{reference}."));
    };
    let (used, bound) = (words::with_unit(used, "kg"), words::with_unit(bound, "kg"));
    // Without a disturbance the bound is next to nothing; the limit cycle is what a hold is measured by.
    if let Some(times) = lane.figure("hold_propellant_over_limit_cycle") {
        let times = words::number(times);
        return Some(format!(
            "Propellant used {used}; in holds {times} times the closed-form limit cycle of the smallest bits."
        ));
    }
    Some(match lane.figure("propellant_over_bound") {
        Some(times) => {
            format!(
                "Propellant used {used}, {} times the theoretical lower bound of {bound}.",
                words::number(times)
            )
        }
        // Little is owed to what the stack began with, ended with and was pushed by.
        None => format!(
            "Propellant used {used}; a lower bound of {bound} over the whole flight says nothing of it."
        ),
    })
}

/// What slews took beside the two prices of the same turns: a bound over the whole flight says nothing of them, for what
/// starts a turn stops it again.
fn slew_price(lane: &Lane<'_>) -> Option<String> {
    let (used, eigenaxis) = (lane.figure("slew_propellant_kg")?, lane.figure("slew_price_eigenaxis_kg")?);
    let kg = |value| words::with_unit(value, "kg");
    let precessing = lane
        .figure("slew_price_precessing_kg")
        .map_or_else(String::new, |price| format!(", and {} left to precess", kg(price)));
    Some(format!(
        "its turns took {}, and take at least {} about one axis all the way{precessing}.",
        kg(used),
        kg(eigenaxis)
    ))
}

/// Requirements of all lanes with values and margins.
pub fn requirement_table(lanes: &[Lane<'_>]) -> Markup {
    let rows: Vec<(&Lane<'_>, Required)> =
        lanes.iter().flat_map(|lane| requirements(lane).into_iter().map(move |r| (lane, r))).collect();
    if rows.is_empty() {
        return html! { p { "The scenario sets no requirement, so nothing was judged." } };
    }
    let several = lanes.len() > 1;
    html! {
        div.scroll {
            table.requirements {
                caption { "Requirements with margins. A negative margin is a miss." }
                thead { tr {
                    @if several { th scope="col" { "Flight" } }
                    th scope="col" { "Figure" }
                    th scope="col" { "Result" }
                    th.n scope="col" { "Value" }
                    th.n scope="col" { "Required" }
                    th.n scope="col" { "Margin" }
                    th scope="col" { "Share of the bound used" }
                } }
                tbody { @for (lane, row) in &rows { (requirement_row(lane, row, several)) } }
            }
        }
    }
}

fn requirement_row(lane: &Lane<'_>, row: &Required, several: bool) -> Markup {
    let (name, unit) = row.words();
    html! {
        tr class=(if row.met { "met" } else { "missed" }) {
            @if several { td { (lane.title) } }
            th scope="row" { (name) }
            td.result {
                @if row.met { span.sign aria-hidden="true" { "✓ " } "met" }
                @else { span.sign aria-hidden="true" { "✗ " } "missed" }
            }
            td.n { (value_cell(row.value, unit)) }
            td.n { (row.bound()) }
            td.n {
                @match row.margin {
                    Some(margin) => {
                        (words::with_unit(margin, unit))
                        @if let Some(fraction) = row.margin_fraction { " (" (percent(fraction)) ")" }
                    }
                    None => { "none" }
                }
            }
            td { (used_bar(row)) }
        }
    }
}

fn value_cell(value: Option<f64>, unit: &str) -> Markup {
    html! {
        @match value {
            Some(value) => { data value=(value) { (words::with_unit(value, unit)) } }
            None => { "not measured" }
        }
    }
}

/// A bar that is full at the bound; only for upper bounds, where a share means something.
fn used_bar(row: &Required) -> Markup {
    let share = row.value.zip(row.at_most.filter(|bound| *bound > 0.0)).map(|(value, bound)| value / bound);
    html! {
        @if let Some(share) = share.filter(|share| *share >= 0.0) {
            @let shown = (share.min(1.25) * 80.0 * 10.0).round() / 10.0;
            svg.used viewBox="0 0 104 12" role="img" aria-label=(format!("{} of the bound", percent(share))) {
                rect.rest x="0" y="2" width="80" height="8" {}
                rect.part x="0" y="2" width=(shown) height="8" {}
                path.edge d="M80 0V12" {}
            }
            " " (percent(share))
        } @else { "–" }
    }
}

/// A figure of the summary: key, words, and one value per lane.
struct FigureRow {
    key: String,
    values: Vec<Option<Value>>,
}

/// Keys that the page shows elsewhere.
const SHOWN_ELSEWHERE: [&str; 6] =
    ["verdict", "requirements", "scenario", "flight", "description", "command"];

fn figure_rows(lanes: &[Lane<'_>]) -> Vec<FigureRow> {
    let flat: Vec<Vec<(String, Value)>> = lanes.iter().map(|lane| flattened(lane.flight.summary)).collect();
    let mut seen = BTreeSet::new();
    let keys = flat.iter().flatten().map(|(key, _)| key.clone()).filter(|key| seen.insert(key.clone()));
    let find = |figures: &[(String, Value)], key: &str| {
        figures.iter().find(|(name, _)| name == key).map(|(_, value)| value.clone())
    };
    keys.collect::<Vec<_>>()
        .into_iter()
        .map(|key| FigureRow { values: flat.iter().map(|figures| find(figures, &key)).collect(), key })
        .collect()
}

/// Numbers, words and short lists of a summary; members of objects as `object.member`.
fn flattened(summary: &Value) -> Vec<(String, Value)> {
    const DEPTH: usize = 3;
    let mut out = Vec::new();
    let mut waiting: Vec<(String, &Value, usize)> = vec![(String::new(), summary, 0)];
    while let Some((path, value, depth)) = waiting.pop() {
        match value {
            Value::Object(members) if depth < DEPTH => {
                for (key, member) in members.iter().rev() {
                    let inner = if path.is_empty() { key.clone() } else { format!("{path}.{key}") };
                    if !(depth == 0 && SHOWN_ELSEWHERE.contains(&key.as_str())) {
                        waiting.push((inner, member, depth + 1));
                    }
                }
            }
            Value::Array(items)
                if items.len() <= 6 && items.iter().all(|item| !item.is_object() && !item.is_array()) =>
            {
                out.push((path, value.clone()));
            }
            Value::Number(_) | Value::String(_) | Value::Bool(_) | Value::Null => {
                out.push((path, value.clone()))
            }
            _ => {}
        }
    }
    out
}

/// Every figure of the summaries, one column per lane, differences from the first lane told.
pub fn figure_table(lanes: &[Lane<'_>]) -> Markup {
    html! {
        div.scroll {
            table.figures {
                caption {
                    "Every figure of the summary, with its key there."
                    @if lanes.len() > 1 { " Percentages tell the difference from the first flight; rows that differ are marked ≠." }
                }
                thead { tr {
                    th scope="col" { "Figure" }
                    th scope="col" { "Key" }
                    @for lane in lanes { th.n scope="col" { (lane.title) } }
                } }
                tbody { @for row in figure_rows(lanes) { (figure_row(&row)) } }
            }
        }
    }
}

fn figure_row(row: &FigureRow) -> Markup {
    let last = row.key.rsplit('.').next().unwrap_or(&row.key);
    let (name, unit) = words::figure(last);
    let owner = row.key.rsplit_once('.').map(|(owner, _)| words::title(&owner.replace('.', ", ")));
    let first = row.values.first().cloned().flatten();
    let differs = row.values.iter().any(|value| *value != first);
    html! {
        tr.differs[differs] {
            th scope="row" {
                @if differs { span.mark { "≠ " } }
                @if let Some(owner) = owner { (owner) ": " (name.to_lowercase()) } @else { (name) }
            }
            td.key { code { (row.key) } }
            @for (place, value) in row.values.iter().enumerate() {
                td.n {
                    (shown(value.as_ref(), unit))
                    @if place > 0 && let Some(change) = change(first.as_ref(), value.as_ref()) {
                        " " span.change { (change) }
                    }
                }
            }
        }
    }
}

fn shown(value: Option<&Value>, unit: &str) -> Markup {
    html! {
        @match value {
            None | Some(Value::Null) => { "–" }
            Some(Value::Bool(yes)) => { (if *yes { "yes" } else { "no" }) }
            Some(Value::String(text)) => { (text) }
            Some(Value::Number(number)) => { (value_cell(number.as_f64(), unit)) }
            Some(Value::Array(items)) => {
                @for (place, item) in items.iter().enumerate() {
                    @if place > 0 { ", " }
                    (shown(Some(item), if place + 1 == items.len() { unit } else { "" }))
                }
            }
            Some(Value::Object(_)) => { "see summary.json" }
        }
    }
}

fn change(first: Option<&Value>, value: Option<&Value>) -> Option<String> {
    let (first, value) = (first?.as_f64()?, value?.as_f64()?);
    if first == 0.0 || first == value {
        return None;
    }
    let percent = (value - first) / first.abs() * 100.0;
    if percent.abs() >= 1000.0 {
        return Some(format!("{}\u{a0}times", words::number((value / first).round())));
    }
    let size = if percent.abs() >= 10.0 { percent.round() } else { (percent * 10.0).round() / 10.0 };
    Some(format!("{}{}", if size > 0.0 { "+" } else { "" }, words::with_unit(size, "%")))
}

/// The sentences that a comparison is read out with: verdicts, price and pointing of the options.
///
/// One scenario alone is compared by its flights, several scenarios by their own flights.
pub fn read_out(lanes: &[Lane<'_>]) -> Vec<String> {
    let own: Vec<&Lane<'_>> = lanes.iter().filter(|lane| lane.own).collect();
    let alone = own.len() < 2;
    let compared = if alone { lanes.iter().collect() } else { own };
    let name = |lane: &Lane<'_>| if alone { lane.title.clone() } else { words::title(&lane.scenario.name) };
    let mut said: Vec<String> =
        compared.iter().map(|lane| format!("{}: {}.", name(lane), outcome(lane))).collect();
    let ranks = [("propellant_kg", "Propellant", "kg"), ("worst_axis_error_deg", "Worst axis error", "°")];
    for (key, what, unit) in ranks {
        let known: Vec<(String, f64)> =
            compared.iter().filter_map(|lane| lane.figure(key).map(|value| (name(lane), value))).collect();
        said.extend(ranked(known, what, unit));
    }
    said
}

/// Which option has least of something, and how much less than the one with most.
fn ranked(mut known: Vec<(String, f64)>, what: &str, unit: &str) -> Option<String> {
    known.sort_by(|a, b| a.1.total_cmp(&b.1));
    let [(least, low), .., (most, high)] = known.as_slice() else { return None };
    if low == high {
        return Some(format!("{what} is the same: {}.", words::with_unit(*low, unit)));
    }
    let less = if *high > 0.0 { percent((high - low) / high) } else { "–".to_owned() };
    Some(format!(
        "{what} is least with {}: {}, {less} less than with {} ({}).",
        least.to_lowercase(),
        words::with_unit(*low, unit),
        most.to_lowercase(),
        words::with_unit(*high, unit)
    ))
}

/// What makes the compared scenarios different tasks.
pub fn unlike(lanes: &[Lane<'_>]) -> Vec<String> {
    let Some(first) = lanes.first().map(|lane| lane.scenario) else { return Vec::new() };
    let others = lanes.iter().filter(|lane| lane.own).skip(1).map(|lane| lane.scenario);
    let said = others.map(|other| (other, first.differences(other))).filter(|(_, what)| !what.is_empty());
    said.map(|(other, what)| {
        let (a, b) = (words::plain(&first.name), words::plain(&other.name));
        format!("Not the same task: {a} and {b} have different {}.", what.join(", "))
    })
    .collect()
}
