//! What is wrong with a scenario, and where.

use std::cell::RefCell;
use std::fmt;
use std::ops::Range;
use std::path::PathBuf;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};
use serde::Serialize;

use super::suggest::{listed, nearest};

/// Longest excerpt of a value in a message, characters.
const EXCERPT_LENGTH: usize = 60;
/// Most problems written out in one message.
const MOST_SHOWN: usize = 25;

/// One thing wrong with a scenario or vehicle file.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Problem {
    /// File, as the user named it or as its scenario refers to it.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// What the key belongs to, such as `jet "aft_top_plus_x"`; empty at the top of the file.
    pub owner: String,
    /// Key; empty when the file is not readable as TOML.
    pub key: String,
    /// Value as written; empty for a missing key.
    pub value: String,
    /// What is wrong.
    pub wrong: String,
    /// What would be right.
    pub remedy: String,
    /// The offending line.
    pub line_text: String,
    /// Offending part of `line_text`, bytes.
    #[serde(skip)]
    pub marked: Range<usize>,
}

impl Problem {
    /// The message with the offending line, for a terminal (`styled`) or plain.
    #[must_use]
    pub fn render(&self, styled: bool) -> String {
        let subject = match (self.owner.as_str(), self.key.as_str()) {
            ("", "") => self.wrong.clone(),
            ("", key) => format!("{key} {}", self.wrong),
            (owner, "") => format!("{owner} {}", self.wrong),
            (owner, key) => format!("{owner}: {key} {}", self.wrong),
        };
        let mark = AnnotationKind::Primary.span(self.marked.clone());
        let snippet = Snippet::source(self.line_text.as_str())
            .line_start(self.line)
            .path(self.file.as_str())
            .annotation(mark);
        let report = Level::ERROR
            .primary_title(subject)
            .element(snippet)
            .element(Level::HELP.with_name("right would be").message(self.remedy.as_str()));
        let renderer = if styled { Renderer::styled() } else { Renderer::plain() };
        renderer.decor_style(DecorStyle::Ascii).term_width(200).render(&[report])
    }
}

/// Why a scenario cannot be flown.
#[derive(Clone, Debug, PartialEq)]
pub enum ScenarioError {
    /// Neither a file nor a scenario of the library.
    NotFound {
        /// What was asked for.
        asked: String,
    },
    /// The file is there and cannot be read.
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        cause: String,
        /// What to do.
        remedy: String,
    },
    /// The files were read and refused.
    Refused(Vec<Problem>),
}

impl ScenarioError {
    /// Every problem found in the files; empty when they could not be read at all.
    #[must_use]
    pub fn problems(&self) -> &[Problem] {
        match self {
            Self::Refused(problems) => problems,
            Self::NotFound { .. } | Self::Unreadable { .. } => &[],
        }
    }

    /// The whole message, for a terminal (`styled`) or plain.
    #[must_use]
    pub fn render(&self, styled: bool) -> String {
        match self {
            Self::NotFound { asked } => {
                let names = || super::library().iter().map(|(name, _)| *name);
                let meant = nearest(asked.trim_end_matches(".toml"), names())
                    .map_or_else(String::new, |name| format!("did you mean \"{name}\"? "));
                format!(
                    "error: \"{asked}\" is neither a file nor a scenario of the library\n  \
                     right would be: {meant}the path of a scenario file, or one of {}",
                    listed(names())
                )
            }
            Self::Unreadable { path, cause, remedy } => {
                format!("error: {} cannot be read: {cause}\n  right would be: {remedy}", path.display())
            }
            Self::Refused(problems) => {
                let mut parts: Vec<String> =
                    problems.iter().take(MOST_SHOWN).map(|problem| problem.render(styled)).collect();
                match problems.len() {
                    0 | 1 => {}
                    2..=MOST_SHOWN => parts.push(format!("{} problems in all", problems.len())),
                    all => parts.push(format!("{all} problems in all, the first {MOST_SHOWN} shown")),
                }
                parts.join("\n\n")
            }
        }
    }
}

impl fmt::Display for ScenarioError {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str(&self.render(false))
    }
}

impl std::error::Error for ScenarioError {}

/// One file's text, and the problems found in it so far.
pub(super) struct Notes<'t> {
    file: &'t str,
    text: &'t str,
    problems: RefCell<Vec<Problem>>,
}

impl<'t> Notes<'t> {
    /// No problem yet.
    pub(super) fn new(file: &'t str, text: &'t str) -> Self {
        Self { file, text, problems: RefCell::new(Vec::new()) }
    }

    /// The text between two bytes, on one line, shortened.
    pub(super) fn excerpt(&self, span: &Range<usize>) -> String {
        let text = self.text.get(span.clone()).unwrap_or_default();
        let line: Vec<&str> = text.split_whitespace().collect();
        let line = line.join(" ");
        if line.chars().count() <= EXCERPT_LENGTH {
            return line;
        }
        let head: String = line.chars().take(EXCERPT_LENGTH).collect();
        format!("{head}...")
    }

    /// Writes a problem down. `span` is the offending part of the text.
    pub(super) fn add(
        &self,
        span: Range<usize>,
        owner: &str,
        key: &str,
        value: String,
        wrong: String,
        remedy: String,
    ) {
        let start = floor_boundary(self.text, span.start);
        let line_start = self.text[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = self.text[start..].find('\n').map_or(self.text.len(), |at| start + at);
        let line_text = self.text[line_start..line_end].to_owned();
        let end = floor_boundary(self.text, span.end.clamp(start, line_end));
        let problem = Problem {
            file: self.file.to_owned(),
            line: self.text[..line_start].matches('\n').count() + 1,
            column: self.text[line_start..start].chars().count() + 1,
            owner: owner.to_owned(),
            key: key.to_owned(),
            value,
            wrong,
            remedy,
            line_text,
            marked: start - line_start..end - line_start,
        };
        // What several jets take from one kind is wrong once.
        let mut problems = self.problems.borrow_mut();
        if !problems.contains(&problem) {
            problems.push(problem);
        }
    }

    /// Whether nothing was written down.
    pub(super) fn is_empty(&self) -> bool {
        self.problems.borrow().is_empty()
    }

    /// Every problem written down, in order.
    pub(super) fn into_problems(self) -> Vec<Problem> {
        let mut problems = self.problems.into_inner();
        problems.sort_by_key(|problem| (problem.line, problem.column));
        problems
    }
}

/// The last character boundary at or before a byte.
fn floor_boundary(text: &str, byte: usize) -> usize {
    let mut byte = byte.min(text.len());
    while !text.is_char_boundary(byte) {
        byte -= 1;
    }
    byte
}
