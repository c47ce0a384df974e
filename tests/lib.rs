//! Helpers shared by the test files of this folder.

pub mod flying;
pub mod on_target;
pub mod recorded_flights;

use std::fs;
use std::path::{Path, PathBuf};

use proptest::test_runner::{Config, FileFailurePersistence};

/// Settings of every property test: what fails is kept beside its test file (`NAME.regressions`), to be
/// committed and written out as a plain test.
#[must_use]
pub fn properties() -> Config {
    Config {
        failure_persistence: Some(Box::new(FileFailurePersistence::WithSource("regressions"))),
        ..Config::default()
    }
}

/// The source files in a folder and in those below it.
///
/// # Panics
/// When a folder cannot be read.
#[must_use]
pub fn rust_files(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    entries
        .flat_map(|path| if path.is_dir() { rust_files(&path) } else { vec![path] })
        .filter(|path| path.extension().is_some_and(|extension| extension == "rs"))
        .collect()
}
