//! `stackhold`.
fn main() {}
