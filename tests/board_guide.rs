//! The guide for boards names every status and every finding of the table's check, with its number and its trust.

use stackhold_kernel::flight_table::Health;
use stackhold_kernel::status::{Status, Trust};

const GUIDE: &str = include_str!("../kernel/README.md");
const VERIFY: &str = include_str!("on-target/verify");

/// Cells of the row that starts with this number and name.
fn row(number: u8, name: &str) -> Option<Vec<&'static str>> {
    let mut rows = GUIDE.lines().filter_map(|line| {
        let cells: Vec<_> = line.strip_prefix("| ")?.strip_suffix(" |")?.split(" | ").collect();
        let right = cells.first() == Some(&number.to_string().as_str()) && cells.get(1) == Some(&&*name);
        right.then_some(cells)
    });
    let found = rows.next();
    assert_eq!(rows.next(), None, "{name} stands there twice");
    found
}

fn words(trust: Trust) -> &'static str {
    match trust {
        Trust::Full => "full",
        Trust::Degraded => "degraded",
        Trust::Withheld => "withheld",
    }
}

#[test]
fn every_status_is_there_with_what_to_do() {
    for status in Status::ALL {
        let row = row(status.number(), &format!("`{status:?}`"));
        let Some(row) = row else { panic!("{status:?} ({}) has no row", status.number()) };
        let [_, _, trust, means, to_do] = row.as_slice() else { panic!("{row:?}") };
        assert_eq!(*trust, words(status.trust()), "{status:?}");
        assert!(!means.trim().is_empty() && !to_do.trim().is_empty(), "{row:?}");
    }
}

#[test]
fn every_finding_of_the_tables_check_is_there() {
    let all = [
        Health::Sound,
        Health::NoTable,
        Health::SpareSpoiled,
        Health::BankReplaced,
        Health::ValuesRestored,
        Health::BankLost,
    ];
    for health in all {
        // A new one must be added above.
        match health {
            Health::Sound
            | Health::NoTable
            | Health::SpareSpoiled
            | Health::BankReplaced
            | Health::ValuesRestored
            | Health::BankLost => {}
        }
        assert!(row(health.number(), &format!("`{health:?}`")).is_some(), "{health:?} has no row");
    }
}

/// The commands that the guide names are parts of the program.
#[test]
fn every_part_of_verify_that_is_named_exists() {
    let known =
        VERIFY.lines().find_map(|line| line.strip_prefix("all) parts=(")?.strip_suffix(") ;;")).unwrap();
    let named = GUIDE.split("verify ").skip(1).filter_map(|rest| rest.split_once('`'));
    let named: Vec<_> =
        named.map(|(part, _)| part).filter(|part| !part.contains(char::is_whitespace)).collect();
    assert!(named.len() >= 6, "{named:?}");
    for part in named {
        assert!(known.split(' ').any(|word| word == part), "verify has no part {part}");
    }
}
