//! Where text goes, and whether it may move or carry colour.

use std::io::Write;
use std::time::{Duration, Instant};

use anyhow::Result;
use indicatif::{ProgressBar, ProgressStyle};

use crate::scenario::ScenarioError;
use crate::verdict::EXIT_COULD_NOT_RUN;

/// A run shorter than this shows no progress.
const PATIENCE: Duration = Duration::from_millis(500);

/// Output, errors, and what the terminal behind them can do.
pub struct Console<'a> {
    out: &'a mut dyn Write,
    err: &'a mut dyn Write,
    out_colour: bool,
    err_colour: bool,
    progress: bool,
}

/// Meaning of a coloured word; the word says the same without colour.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ink {
    /// A requirement met.
    Met,
    /// A requirement missed, or an error.
    Missed,
    /// A heading.
    Heading,
}

impl<'a> Console<'a> {
    /// No terminal: no colour, no progress.
    pub fn plain(out: &'a mut dyn Write, err: &'a mut dyn Write) -> Self {
        Self { out, err, out_colour: false, err_colour: false, progress: false }
    }

    /// With what the terminals can do. Colour also needs that `NO_COLOR` is unset or empty and `TERM`
    /// is not `dumb`; the caller looks at the environment.
    pub fn terminal(
        out: &'a mut dyn Write,
        err: &'a mut dyn Write,
        out_is_terminal: bool,
        err_is_terminal: bool,
        colour_wanted: bool,
    ) -> Self {
        Self {
            out,
            err,
            out_colour: out_is_terminal && colour_wanted,
            err_colour: err_is_terminal && colour_wanted,
            progress: err_is_terminal,
        }
    }

    /// Prints a line of the result. A reader that has closed the pipe has seen enough: the rest is
    /// dropped and the verdict stands.
    ///
    /// # Errors
    /// When the output cannot be written for another reason.
    pub fn line(&mut self, text: &str) -> Result<()> {
        match writeln!(self.out, "{text}") {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
            other => Ok(other?),
        }
    }

    /// A word in its ink, where the output wants colour.
    #[must_use]
    pub fn inked(&self, word: &str, ink: Ink) -> String {
        paint(word, ink, self.out_colour)
    }

    /// Prints an error with its causes.
    pub fn error(&mut self, error: &anyhow::Error) {
        // Nothing is left to do when the error output is closed as well.
        let _ = self.print_error(error);
    }

    fn print_error(&mut self, error: &anyhow::Error) -> std::io::Result<()> {
        if let Some(scenario) = error.downcast_ref::<ScenarioError>() {
            return writeln!(self.err, "{}", scenario.render(self.err_colour));
        }
        writeln!(self.err, "{}: {error}", paint("could not run", Ink::Missed, self.err_colour))?;
        for cause in error.chain().skip(1) {
            writeln!(self.err, "  because: {cause}")?;
        }
        Ok(())
    }

    /// Prints help, version or a usage error as the parser worded it; returns the exit code.
    pub fn usage(&mut self, error: &clap::Error) -> i32 {
        let (to, colour, code): (&mut dyn Write, bool, i32) = if error.use_stderr() {
            (&mut *self.err, self.err_colour, EXIT_COULD_NOT_RUN)
        } else {
            (&mut *self.out, self.out_colour, 0)
        };
        let text = error.render();
        let _ = if colour { write!(to, "{}", text.ansi()) } else { write!(to, "{text}") };
        code
    }

    /// A progress display for one flight; silent unless the error output is a terminal and the flight
    /// takes long.
    #[must_use]
    pub fn progress(&self, name: &str) -> Progress {
        Progress { name: name.to_owned(), shown: self.progress, began: Instant::now(), bar: None }
    }
}

fn paint(word: &str, ink: Ink, colour: bool) -> String {
    let code = match ink {
        Ink::Met => "1;32",
        Ink::Missed => "1;31",
        Ink::Heading => "1",
    };
    if colour { format!("\u{1b}[{code}m{word}\u{1b}[0m") } else { word.to_owned() }
}

/// Progress of one flight.
pub struct Progress {
    name: String,
    shown: bool,
    began: Instant,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Shows the share that is done, 0..=1.
    pub fn set(&mut self, share: f64) {
        if !self.shown || self.began.elapsed() < PATIENCE {
            return;
        }
        let name = &self.name;
        let bar = self.bar.get_or_insert_with(|| {
            let bar = ProgressBar::new(1000);
            let style = ProgressStyle::with_template("{msg} {bar:30} {percent:>3} %  {eta} left");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar.set_message(format!("flying {name}"));
            bar
        });
        bar.set_position((share.clamp(0.0, 1.0) * 1000.0) as u64);
    }

    /// Shows how far a flight at the pace of the wall clock has come, s.
    pub fn set_time(&mut self, time_s: f64, duration_s: f64) {
        if !self.shown {
            return;
        }
        let bar = self.bar.get_or_insert_with(|| {
            let bar = ProgressBar::new(1000);
            let style = ProgressStyle::with_template("{msg} {bar:30}");
            bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
            bar
        });
        bar.set_message(format!("flying {} in real time: {time_s:.1} s of {duration_s} s", self.name));
        bar.set_position((time_s / duration_s * 1000.0) as u64);
    }

    /// Clears the display.
    pub fn done(self) {
        if let Some(bar) = self.bar {
            bar.finish_and_clear();
        }
    }
}
