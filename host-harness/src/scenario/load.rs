//! From a path, a name or texts to a checked [`Scenario`].

use std::cell::RefCell;
use std::path::Path;

use toml::Spanned;
use toml::de::DeTable;

use super::library::{find, library, library_vehicles};
use super::model::{Scenario, Vehicle};
use super::phase_file::Files;
use super::problem::{Notes, Problem, ScenarioError};
use super::suggest::{listed, nearest};
use super::{scenario_file, text, vehicle_file};

/// Marks a vehicle file that comes with the program.
const LIBRARY_PREFIX: &str = "library:";

/// A vehicle file: the name to show for it, and its text; or what is wrong and what would be right.
type Found = Result<(String, String), (String, String)>;

/// Reads a scenario file and the vehicle file it refers to.
///
/// # Errors
/// [`ScenarioError::Unreadable`] when the file cannot be read, [`ScenarioError::Refused`] with every
/// problem found in the two files otherwise.
pub fn load(path: &Path) -> Result<Scenario, ScenarioError> {
    let scenario = text::read(path)?;
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let vehicle = |reference: &str| -> Found {
        let own = find(library_vehicles(), reference.trim_end_matches(".toml")).is_some();
        let remedy = if own {
            format!(
                "a path relative to this scenario's folder, or \"{LIBRARY_PREFIX}{reference}\" for the one that comes with the program"
            )
        } else {
            BESIDE.to_owned()
        };
        beside(folder, reference, remedy)
    };
    let others = |reference: &str| beside(folder, reference, BESIDE.to_owned());
    read(&path.display().to_string(), &scenario, &vehicle, &others)
}

/// What a reference to a file should be.
const BESIDE: &str = "a path relative to this scenario's folder";

/// A file beside a scenario; `remedy` for one that is not there.
fn beside(folder: &Path, reference: &str, remedy: String) -> Found {
    let file = folder.join(reference);
    let shown = file.display().to_string();
    if !file.exists() {
        return Err((format!("is no file: there is no {shown}"), remedy));
    }
    match text::read(&file) {
        Ok(text) => Ok((shown, text)),
        Err(ScenarioError::Unreadable { cause, remedy, .. }) => {
            Err((format!("cannot be read: {cause}"), remedy))
        }
        Err(other) => Err(("cannot be read".to_owned(), other.to_string())),
    }
}

/// Reads a scenario that comes with the program, by its name.
///
/// # Errors
/// [`ScenarioError::NotFound`] for an unknown name.
pub fn load_embedded(name: &str) -> Result<Scenario, ScenarioError> {
    let text = find(library(), name).ok_or_else(|| ScenarioError::NotFound { asked: name.to_owned() })?;
    read(&format!("{LIBRARY_PREFIX}{name}.toml"), text, &from_library, &no_other)
}

/// Reads a scenario by the name of one that comes with the program, or by path.
///
/// # Errors
/// As [`load`] and [`load_embedded`].
pub fn load_named_or_path(asked: &str) -> Result<Scenario, ScenarioError> {
    let path = Path::new(asked);
    if find(library(), asked).is_some() {
        load_embedded(asked)
    } else if path.exists() {
        load(path)
    } else {
        Err(ScenarioError::NotFound { asked: asked.to_owned() })
    }
}

/// Reads a scenario from texts: its own, and that of whatever vehicle file it names.
///
/// # Errors
/// [`ScenarioError::Refused`] with every problem found in the two texts.
pub fn parse(scenario: (&str, &str), vehicle: (&str, &str)) -> Result<Scenario, ScenarioError> {
    let given = |_: &str| -> Found { Ok((vehicle.0.to_owned(), text::tidy(vehicle.1))) };
    read(scenario.0, &text::tidy(scenario.1), &given, &no_other)
}

/// Where nothing but the vehicle is to be had.
fn no_other(_: &str) -> Found {
    Err(("is not to be had here".to_owned(), "a scenario file with this one beside it".to_owned()))
}

/// What lies beside a scenario, and what was found wrong with it.
struct Others<'f> {
    find: &'f dyn Fn(&str) -> Found,
    problems: RefCell<Vec<Problem>>,
}

impl Files for Others<'_> {
    fn text(&self, reference: &str) -> Found {
        (self.find)(reference)
    }

    fn refuse(&self, problems: Vec<Problem>) {
        self.problems.borrow_mut().extend(problems);
    }
}

/// A vehicle of the library, with or without the prefix and the ending.
fn from_library(reference: &str) -> Found {
    let name = reference.strip_prefix(LIBRARY_PREFIX).unwrap_or(reference);
    let name = name.strip_suffix(".toml").unwrap_or(name);
    if let Some(text) = find(library_vehicles(), name) {
        return Ok((format!("{LIBRARY_PREFIX}{name}.toml"), text.to_owned()));
    }
    let names: Vec<String> = library_vehicles().iter().map(|(name, _)| format!("{name}.toml")).collect();
    let known = || names.iter().map(String::as_str);
    let list = format!("one of {} after {LIBRARY_PREFIX}", listed(known()));
    let remedy = match nearest(&format!("{name}.toml"), known()) {
        Some(meant) => format!("did you mean \"{LIBRARY_PREFIX}{meant}\"? {list}"),
        None => list,
    };
    Err((format!("names no vehicle of the library: \"{reference}\""), remedy))
}

/// All files, every problem of all.
fn read(
    file: &str,
    text: &str,
    vehicle: &dyn Fn(&str) -> Found,
    others: &dyn Fn(&str) -> Found,
) -> Result<Scenario, ScenarioError> {
    let notes = Notes::new(file, text);
    let mut problems = Vec::new();
    let others = Others { find: others, problems: RefCell::default() };
    let scenario = table_of(&notes, text).and_then(|table| {
        let vehicle = read_vehicle(&notes, table.get_ref(), vehicle, &mut problems);
        scenario_file::read(&notes, table.get_ref(), vehicle, &others)
    });
    let mut all = notes.into_problems();
    all.append(&mut problems);
    all.extend(others.problems.into_inner());
    match scenario {
        Some(scenario) if all.is_empty() => Ok(scenario),
        _ => Err(ScenarioError::Refused(all)),
    }
}

fn read_vehicle<'t>(
    notes: &Notes<'t>,
    table: &DeTable<'t>,
    vehicle: &dyn Fn(&str) -> Found,
    problems: &mut Vec<Problem>,
) -> Option<Vehicle> {
    let reference = scenario_file::vehicle_reference(notes, table)?;
    let found =
        if reference.starts_with(LIBRARY_PREFIX) { from_library(&reference) } else { vehicle(&reference) };
    let (file, text) = match found {
        Ok(found) => found,
        Err((wrong, remedy)) => {
            scenario_file::refuse_vehicle(notes, table, &wrong, &remedy);
            return None;
        }
    };
    let notes = Notes::new(&file, &text);
    let vehicle = table_of(&notes, &text).and_then(|table| vehicle_file::read(&notes, table.get_ref()));
    let found = notes.into_problems();
    let sound = found.is_empty();
    problems.extend(found);
    vehicle.filter(|_| sound)
}

/// The file as a table; `None` when it is not TOML, with each fault written down.
fn table_of<'t>(notes: &Notes<'_>, text: &'t str) -> Option<Spanned<DeTable<'t>>> {
    let (table, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let span = error.span().unwrap_or(text.len()..text.len());
        let value = notes.excerpt(&span);
        let wrong = format!("is not valid TOML: {}", error.message());
        notes.add(span, "", "", value, wrong, syntax_remedy(error.message()));
    }
    errors.is_empty().then_some(table)
}

/// What to do about a fault of syntax.
fn syntax_remedy(message: &str) -> String {
    let remedy = if message.contains("duplicate key") {
        "each key once in its table; a second entry of a list needs a header of its own, such as [[jet]]"
    } else {
        "lines such as thrust_n = 22.0, name = \"text\", position_m = [0.0, 0.2, 0.8], [kernel] or [[jet]]; \
         numbers without their unit, text in double quotes"
    };
    remedy.to_owned()
}
