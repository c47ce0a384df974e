//! Reading one table of a file: typed values, each refused with its place, its value and a remedy.

use std::cell::RefCell;
use std::ops::Range;

use nalgebra::Vector3;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::checks::unit;
use super::problem::Notes;
use super::suggest::{listed, nearest};

/// Largest magnitude of any number; anything beyond is a slip, and `f32` must hold its square.
const LARGEST_NUMBER: f64 = 1e9;
/// Smallest number taken as above zero.
const SMALLEST_POSITIVE: f64 = 1e-12;
/// Largest cosine at which two directions are still taken as meant to be perpendicular.
const PERPENDICULAR: f64 = 0.01;

/// What a number may be.
#[derive(Clone, Copy, Debug)]
pub(super) enum Range64 {
    /// Anything finite.
    Any,
    /// Above zero.
    Positive,
    /// Zero or above.
    NotNegative,
    /// Between two limits, both allowed.
    Within(f64, f64),
    /// Above zero and at most this.
    UpTo(f64),
}

impl Range64 {
    /// What is wrong with a number, if anything.
    fn fault(self, number: f64) -> Option<String> {
        if !number.is_finite() {
            return Some("is not finite".to_owned());
        }
        if number.abs() > LARGEST_NUMBER {
            return Some(format!("is beyond {LARGEST_NUMBER:e}, which no real figure here is"));
        }
        match self {
            Self::Any => None,
            Self::Positive => (number < SMALLEST_POSITIVE).then(|| "must be above zero".to_owned()),
            Self::NotNegative => (number < 0.0).then(|| "must not be negative".to_owned()),
            Self::Within(low, high) => {
                (number < low || number > high).then(|| format!("must lie between {low} and {high}"))
            }
            Self::UpTo(high) => (number < SMALLEST_POSITIVE || number > high)
                .then(|| format!("must be above zero and at most {high}")),
        }
    }
}

/// One table of a file and what it is called in messages.
pub(super) struct Section<'t> {
    notes: &'t Notes<'t>,
    table: &'t DeTable<'t>,
    span: Range<usize>,
    /// Such as `jet "aft_top_plus_x"`; empty at the top of the file.
    owner: String,
    asked: RefCell<Vec<&'static str>>,
}

impl<'t> Section<'t> {
    /// The whole file.
    pub(super) fn root(notes: &'t Notes<'t>, table: &'t DeTable<'t>) -> Self {
        Self { notes, table, span: 0..0, owner: String::new(), asked: RefCell::default() }
    }

    fn value(&self, key: &'static str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.asked.borrow_mut().push(key);
        self.table.get(key)
    }

    /// Whether a key is there.
    pub(super) fn has(&self, key: &'static str) -> bool {
        self.value(key).is_some()
    }

    /// Accepts keys that nothing asks for, because what decides about them is wrong itself.
    pub(super) fn accept(&self, keys: &[&'static str]) {
        self.asked.borrow_mut().extend(keys);
    }

    /// Writes down what is wrong with a key's value; at the section's header when it is missing.
    pub(super) fn complain(&self, key: &str, wrong: impl Into<String>, remedy: impl Into<String>) {
        let span = self.table.get(key).map_or_else(|| self.span.clone(), Spanned::span);
        self.complain_at(span, key, wrong, remedy);
    }

    fn complain_at(
        &self,
        span: Range<usize>,
        key: &str,
        wrong: impl Into<String>,
        remedy: impl Into<String>,
    ) {
        let value = if self.table.contains_key(key) { self.notes.excerpt(&span) } else { String::new() };
        self.notes.add(span, &self.owner, key, value, wrong.into(), remedy.into());
    }

    fn missing(&self, key: &'static str, hint: &str) {
        // The header is the place where the reader adds the key.
        self.complain(key, "is missing", format!("add {hint}"));
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'t>>, wanted: &str, hint: &str) {
        let found = value.get_ref();
        let is = match found {
            DeValue::String(_) => "text",
            DeValue::Integer(_) | DeValue::Float(_) => "a number",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        self.complain_at(value.span(), key, format!("is {is} where {wanted} is needed"), hint);
    }

    /// A number in range; `None` when a problem was written down.
    pub(super) fn number(&self, key: &'static str, range: Range64, hint: &str) -> Option<f64> {
        let Some(value) = self.value(key) else {
            self.missing(key, hint);
            return None;
        };
        self.number_of(key, value, range, hint)
    }

    /// The same with a default for a missing key.
    pub(super) fn number_or(
        &self,
        key: &'static str,
        range: Range64,
        hint: &str,
        default: f64,
    ) -> Option<f64> {
        match self.value(key) {
            Some(value) => self.number_of(key, value, range, hint),
            None => Some(default),
        }
    }

    fn number_of(&self, key: &str, value: &Spanned<DeValue<'t>>, range: Range64, hint: &str) -> Option<f64> {
        let Some(number) = as_number(value.get_ref()) else {
            self.wrong_type(key, value, "a number", hint);
            return None;
        };
        if let Some(fault) = range.fault(number) {
            self.complain_at(value.span(), key, fault, hint);
            return None;
        }
        Some(number)
    }

    /// A whole number between two limits; `None` when a problem was written down.
    pub(super) fn integer(
        &self,
        key: &'static str,
        limits: std::ops::RangeInclusive<i64>,
        hint: &str,
        default: Option<i64>,
    ) -> Option<i64> {
        let Some(value) = self.value(key) else {
            if default.is_none() {
                self.missing(key, hint);
            }
            return default;
        };
        let Some(number) = as_integer(value.get_ref()) else {
            let wanted = "a whole number";
            match value.get_ref() {
                DeValue::Integer(_) => self.complain_at(value.span(), key, "is beyond 64 bits", hint),
                _ => self.wrong_type(key, value, wanted, hint),
            }
            return None;
        };
        if !limits.contains(&number) {
            let wrong = format!("must lie between {} and {}", limits.start(), limits.end());
            self.complain_at(value.span(), key, wrong, hint);
            return None;
        }
        Some(number)
    }

    /// Three numbers; `None` when a problem was written down.
    pub(super) fn vector(&self, key: &'static str, range: Range64, hint: &str) -> Option<[f64; 3]> {
        let Some(value) = self.value(key) else {
            self.missing(key, hint);
            return None;
        };
        self.numbers_of(key, value, range, hint)
    }

    /// A list of rows of `M` numbers each; `None` when a problem was written down.
    pub(super) fn rows<const M: usize>(&self, key: &'static str, hint: &str) -> Option<Vec<[f64; M]>> {
        let Some(value) = self.value(key) else {
            self.missing(key, hint);
            return None;
        };
        let rows = value.get_ref().as_array().map(|rows| {
            let row = |row: &Spanned<DeValue<'_>>| {
                let numbers = row.get_ref().as_array()?.iter().map(|number| as_number(number.get_ref()));
                let numbers: Vec<f64> = numbers.collect::<Option<_>>()?;
                <[f64; M]>::try_from(numbers).ok()
            };
            rows.iter().map(row).collect::<Option<Vec<_>>>()
        });
        let rows = rows.flatten();
        if rows.is_none() {
            self.complain_at(value.span(), key, format!("is no list of rows of {M} numbers"), hint);
        }
        rows
    }

    /// The same, zero for a missing key.
    pub(super) fn vector_or_zero(&self, key: &'static str, hint: &str) -> Option<[f64; 3]> {
        if self.has(key) { self.vector(key, Range64::Any, hint) } else { Some([0.0; 3]) }
    }

    /// Two numbers; the default for a missing key, `None` when a problem was written down.
    pub(super) fn pair_or(
        &self,
        key: &'static str,
        range: Range64,
        hint: &str,
        default: [f64; 2],
    ) -> Option<[f64; 2]> {
        self.value(key).map_or(Some(default), |value| self.numbers_of(key, value, range, hint))
    }

    /// `true` or `false`; the default for a missing key, `None` when a problem was written down.
    pub(super) fn switch_or(&self, key: &'static str, hint: &str, default: bool) -> Option<bool> {
        let Some(value) = self.value(key) else { return Some(default) };
        let found = value.get_ref().as_bool();
        if found.is_none() {
            self.wrong_type(key, value, "true or false", hint);
        }
        found
    }

    /// Three numbers, or one for every axis.
    pub(super) fn per_axis(&self, key: &'static str, range: Range64, hint: &str) -> Option<[f64; 3]> {
        match self.value(key).map(|value| as_number(value.get_ref()).is_some()) {
            Some(true) => self.number(key, range, hint).map(|number| [number; 3]),
            _ => self.vector(key, range, hint),
        }
    }

    /// A vector of unit length, normalised; refused when it is more than 1 % off.
    pub(super) fn direction(&self, key: &'static str) -> Option<[f64; 3]> {
        let vector = self.vector(key, Range64::Any, &format!("{key} = [x, y, z] of length one"))?;
        unit(vector)
            .map_err(|length| {
                let remedy = if length > 1e-6 {
                    let [x, y, z] = vector.map(|part| part / length);
                    format!("{key} = [{x:.6}, {y:.6}, {z:.6}], the same direction at length one")
                } else {
                    format!("a direction such as {key} = [1.0, 0.0, 0.0]")
                };
                self.complain(key, format!("has length {length:.6} where a unit vector is needed"), remedy);
            })
            .ok()
    }

    /// A direction made exactly perpendicular to another one; refused when it is far from it.
    ///
    /// * `base` — key and value of the other one, if that is sound.
    pub(super) fn direction_across(
        &self,
        key: &'static str,
        (base_key, base): (&str, Option<[f64; 3]>),
    ) -> Option<[f64; 3]> {
        let (direction, base) = (Vector3::from(self.direction(key)?), Vector3::from(base?));
        let along = base.dot(&direction);
        let rest = direction - base * along;
        if along.abs() <= PERPENDICULAR {
            return Some(rest.normalize().into());
        }
        let wrong = format!("stands at {:.2} deg to {base_key}, not at 90", along.acos().to_degrees());
        let remedy = if rest.norm() > PERPENDICULAR {
            let [x, y, z] = rest.normalize().into();
            format!("{key} = [{x:.6}, {y:.6}, {z:.6}], the nearest direction at 90 deg")
        } else {
            format!("a direction at 90 deg to {base_key}")
        };
        self.complain(key, wrong, remedy);
        None
    }

    /// A unit quaternion `[x, y, z, w]`, normalised; the default for a missing key.
    pub(super) fn quaternion_or(&self, key: &'static str, default: [f64; 4]) -> Option<[f64; 4]> {
        let Some(value) = self.value(key) else { return Some(default) };
        let hint =
            format!("{key} = [x, y, z, w] of length one, scalar last; [0.0, 0.0, 0.0, 1.0] for no turn");
        let numbers = self.numbers_of::<4>(key, value, Range64::Any, &hint)?;
        unit(numbers)
            .map_err(|length| {
                let wrong = format!("has length {length:.6} where a unit quaternion is needed");
                self.complain(key, wrong, hint);
            })
            .ok()
    }

    fn numbers_of<const N: usize>(
        &self,
        key: &str,
        value: &'t Spanned<DeValue<'t>>,
        range: Range64,
        hint: &str,
    ) -> Option<[f64; N]> {
        let wanted = format!("a list of {N} numbers");
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_type(key, value, &wanted, hint);
            return None;
        };
        if list.len() != N {
            let wrong = format!("has {} entries where {wanted} is needed", list.len());
            self.complain_at(value.span(), key, wrong, hint);
            return None;
        }
        let mut numbers = [0.0; N];
        let mut sound = true;
        for (slot, entry) in numbers.iter_mut().zip(list.iter()) {
            match self.number_of(key, entry, range, hint) {
                Some(number) => *slot = number,
                None => sound = false,
            }
        }
        sound.then_some(numbers)
    }

    /// A text that is not blank; `None` when a problem was written down.
    pub(super) fn text(&self, key: &'static str, hint: &str) -> Option<String> {
        let Some(value) = self.value(key) else {
            self.missing(key, hint);
            return None;
        };
        let Some(text) = value.get_ref().as_str() else {
            self.wrong_type(key, value, "text in double quotes", hint);
            return None;
        };
        if text.trim().is_empty() {
            self.complain(key, "is empty", hint);
            return None;
        }
        Some(text.to_owned())
    }

    /// A name of letters, digits and `_`, starting with a letter, at most 64 long.
    pub(super) fn name(&self, key: &'static str, hint: &str) -> Option<String> {
        let text = self.text(key, hint)?;
        let mut letters = text.chars();
        let starts = letters.next().is_some_and(|first| first.is_ascii_lowercase());
        if starts && text.len() <= 64 && letters.all(is_name_letter) {
            return Some(text);
        }
        let mended: String =
            text.to_lowercase().chars().map(|c| if is_name_letter(c) { c } else { '_' }).take(64).collect();
        let remedy = format!("small letters, digits and _, a letter first, at most 64: \"{mended}\"");
        self.complain(key, "is no name", remedy);
        None
    }

    /// One of a few words; `None` when a problem was written down.
    pub(super) fn choice(
        &self,
        key: &'static str,
        words: &[&'static str],
        hint: &str,
    ) -> Option<&'static str> {
        let text = self.text(key, hint)?;
        self.refer(key, &text, words.iter().copied(), "word")
            .and_then(|found| words.iter().find(|word| **word == found).copied())
    }

    /// The key's own text when it is among `known`; otherwise a problem that lists what is known.
    pub(super) fn refer<'w>(
        &self,
        key: &'static str,
        text: &str,
        known: impl Iterator<Item = &'w str> + Clone,
        noun: &str,
    ) -> Option<String> {
        if known.clone().any(|name| name == text) {
            return Some(text.to_owned());
        }
        let span = self.table.get(key).map_or_else(|| self.span.clone(), Spanned::span);
        self.unknown_name(span, key, text, known, noun);
        None
    }

    /// The section's own name, whatever it is.
    pub(super) fn own_name(&self) -> Option<String> {
        name_of(self.table).map(str::to_owned)
    }

    /// A number whose faults are written down elsewhere already: nothing is written down here.
    pub(super) fn quiet_number(&self, key: &'static str, range: Range64) -> Option<f64> {
        let number = self.value(key).and_then(|value| as_number(value.get_ref()));
        number.filter(|&number| range.fault(number).is_none())
    }

    /// A text that must be one of the names that exist.
    pub(super) fn reference(&self, key: &'static str, known: &[String], noun: &str) -> Option<String> {
        let hint = format!("{key} = one of {}", listed(known.iter().map(String::as_str)));
        let text = self.text(key, &hint)?;
        self.refer(key, &text, known.iter().map(String::as_str), noun)
    }

    fn unknown_name<'w>(
        &self,
        span: Range<usize>,
        key: &str,
        text: &str,
        known: impl Iterator<Item = &'w str> + Clone,
        noun: &str,
    ) {
        let list = format!("one of {}", listed(known.clone()));
        let remedy = match nearest(text, known) {
            Some(meant) => format!("did you mean \"{meant}\"? {list}"),
            None => list,
        };
        self.complain_at(span, key, format!("\"{text}\" is no known {noun}"), remedy);
    }

    /// A list of names out of `known`, none twice; empty for a missing key.
    pub(super) fn names<'w>(
        &self,
        key: &'static str,
        known: impl Iterator<Item = &'w str> + Clone,
        noun: &str,
    ) -> Option<Vec<String>> {
        let Some(value) = self.value(key) else { return Some(Vec::new()) };
        let hint = format!("{key} = [\"name\", ..] with names of {}", listed(known.clone()));
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_type(key, value, "a list of names", &hint);
            return None;
        };
        let mut names: Vec<String> = Vec::new();
        let mut sound = true;
        for entry in list {
            match entry.get_ref().as_str() {
                None => self.wrong_type(key, entry, "a name in double quotes", &hint),
                Some(name) if !known.clone().any(|one| one == name) => {
                    self.unknown_name(entry.span(), key, name, known.clone(), noun);
                }
                Some(name) if names.iter().any(|one| one == name) => {
                    let wrong = format!("names \"{name}\" twice");
                    self.complain_at(entry.span(), key, wrong, "each name once");
                }
                Some(name) => {
                    names.push(name.to_owned());
                    continue;
                }
            }
            sound = false;
        }
        sound.then_some(names)
    }

    /// A list of names that must not be empty.
    pub(super) fn some_names<'w>(
        &self,
        key: &'static str,
        known: impl Iterator<Item = &'w str> + Clone,
        noun: &str,
    ) -> Option<Vec<String>> {
        let hint = format!("{key} = [\"name\", ..] with at least one of {}", listed(known.clone()));
        if !self.has(key) {
            self.missing(key, &hint);
            return None;
        }
        let names = self.names(key, known, noun)?;
        if names.is_empty() {
            self.complain(key, "is empty", hint);
            return None;
        }
        Some(names)
    }

    /// A table of this section, if there.
    pub(super) fn section(&self, key: &'static str) -> Option<Section<'t>> {
        let value = self.value(key)?;
        let Some(table) = value.get_ref().as_table() else {
            self.wrong_type(key, value, "a table", &format!("a table headed [{key}]"));
            return None;
        };
        let owner = if self.owner.is_empty() { key.to_owned() } else { format!("{}: {key}", self.owner) };
        Some(Section { notes: self.notes, table, span: value.span(), owner, asked: RefCell::default() })
    }

    /// The tables of a list, in order, none for a missing key; called by their names where they have
    /// one. `None` when a problem was written down.
    pub(super) fn sections(&self, key: &'static str) -> Option<Vec<Section<'t>>> {
        let Some(value) = self.value(key) else { return Some(Vec::new()) };
        let hint = format!("one or more tables headed [[{key}]]");
        let Some(list) = value.get_ref().as_array() else {
            self.wrong_type(key, value, "a list of tables", &hint);
            return None;
        };
        let mut sections = Vec::new();
        for (index, entry) in list.iter().enumerate() {
            let Some(table) = entry.get_ref().as_table() else {
                self.wrong_type(key, entry, "a table", &hint);
                return None;
            };
            let name = name_of(table);
            let owner =
                name.map_or_else(|| format!("{key} {}", index + 1), |name| format!("{key} \"{name}\""));
            let asked = RefCell::default();
            sections.push(Section { notes: self.notes, table, span: entry.span(), owner, asked });
        }
        Some(sections)
    }

    /// The same with at least one entry.
    pub(super) fn some_sections(&self, key: &'static str, hint: &str) -> Option<Vec<Section<'t>>> {
        let sections = self.sections(key)?;
        if sections.is_empty() {
            self.complain(key, "has no entry", hint);
            return None;
        }
        Some(sections)
    }

    /// Names of the tables of a list, as far as they have one; nothing is written down.
    pub(super) fn names_in(&self, key: &str) -> Vec<String> {
        let list = self.table.get(key).and_then(|value| value.get_ref().as_array());
        let tables = list.into_iter().flatten().filter_map(|entry| entry.get_ref().as_table());
        tables.filter_map(name_of).map(str::to_owned).collect()
    }

    /// Refuses every key that was never asked for.
    pub(super) fn finish(&self) {
        let asked = self.asked.borrow();
        for key in self.table.keys() {
            let word: &str = key.get_ref();
            if asked.contains(&word) {
                continue;
            }
            let mut known: Vec<&str> = asked.clone();
            known.sort_unstable();
            known.dedup();
            let list = format!("known here: {}", known.join(", "));
            let remedy = match nearest(word, known.iter().copied()) {
                Some(meant) => format!("did you mean {meant}? {list}"),
                None => list,
            };
            let value = self.table.get(word).map(Spanned::span).unwrap_or_default();
            let value = self.notes.excerpt(&value);
            self.notes.add(key.span(), &self.owner, word, value, "is no known key".to_owned(), remedy);
        }
    }
}

/// Refuses names that occur twice, pointing at the later one.
pub(super) fn refuse_twins<'s, 't: 's>(sections: impl Iterator<Item = &'s Section<'t>>) {
    let mut seen: Vec<&str> = Vec::new();
    for section in sections {
        let Some(name) = name_of(section.table) else { continue };
        if seen.contains(&name) {
            section.complain("name", format!("\"{name}\" is taken already"), "a name that no other one has");
        } else {
            seen.push(name);
        }
    }
}

fn name_of<'s>(table: &'s DeTable<'_>) -> Option<&'s str> {
    table.get("name").and_then(|name| name.get_ref().as_str())
}

fn is_name_letter(letter: char) -> bool {
    letter.is_ascii_lowercase() || letter.is_ascii_digit() || letter == '_'
}

fn as_number(value: &DeValue<'_>) -> Option<f64> {
    match value {
        DeValue::Float(float) => float.as_str().parse().ok(),
        // Every whole number a scenario can hold is far below 2^53.
        DeValue::Integer(_) => as_integer(value).map(|number| number as f64),
        _ => None,
    }
}

fn as_integer(value: &DeValue<'_>) -> Option<i64> {
    let integer = value.as_integer()?;
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}
