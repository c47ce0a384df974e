//! Every public type of the kernel can be logged by `defmt`: the feature is off on a host, so its source is read.

use std::fs;
use std::path::Path;

use stackhold_tests::rust_files;

const DERIVED: &str = "#[cfg_attr(feature = \"defmt\", derive(defmt::Format))]";

/// Names of the public types of a source that cannot be logged, and how many there are in all.
fn unlogged(source: &str) -> (Vec<String>, usize) {
    let lines: Vec<_> = source.lines().collect();
    let (mut missing, mut all) = (Vec::new(), 0);
    for (place, line) in lines.iter().enumerate() {
        let Some(rest) = line.strip_prefix("pub struct ").or_else(|| line.strip_prefix("pub enum ")) else {
            continue;
        };
        all += 1;
        let name = rest.split(|letter: char| !letter.is_alphanumeric()).next().unwrap_or_default();
        let mut above =
            lines[..place].iter().rev().take_while(|line| line.starts_with("#[") || line.starts_with("///"));
        let by_hand = source.contains(&format!("impl defmt::Format for {name}"));
        if !by_hand && !above.any(|line| *line == DERIVED) {
            missing.push(name.to_owned());
        }
    }
    (missing, all)
}

#[test]
fn every_public_type_can_be_logged() {
    let mut types = 0;
    for file in rust_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("../kernel/src")) {
        let (missing, all) = unlogged(&fs::read_to_string(&file).unwrap());
        assert!(missing.is_empty(), "{}: {missing:?} cannot be logged", file.display());
        types += all;
    }
    assert!(types > 50, "the types were not found: {types}");
}

/// The check can fail.
#[test]
fn the_check_notices() {
    let good = format!("#[derive(Debug)]\n{DERIVED}\n#[repr(u8)]\npub enum Good {{\n}}\n");
    assert_eq!(unlogged(&good), (vec![], 1));
    let bad = format!("{good}/// Words.\n#[derive(Debug)]\npub struct Bad<const N: usize> {{\n}}\n");
    assert_eq!(unlogged(&bad), (vec!["Bad".to_owned()], 2));
}
