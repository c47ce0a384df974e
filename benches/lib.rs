//! Inputs shared by the benches of this folder.
