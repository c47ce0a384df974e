//! Helpers shared by the test files of this folder.
