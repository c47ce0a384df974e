//! Helpers shared by the test files of this folder.

pub mod on_target;
pub mod recorded_flights;

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
