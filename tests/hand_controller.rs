//! The recorded hand controller: read as written, refused with file, line, column and what would be right.
#![allow(missing_docs)]

use std::fs;
use std::path::Path;
use std::sync::atomic::{AtomicU32, Ordering};

use stackhold_harness::scenario::model::{Deflection, Mode, Scenario};
use stackhold_harness::scenario::{self, Problem, ScenarioError};

const GOOD: &str = "time_s,x,y,z\n# about roll first\n0.0,0.5,0.0,0.0\n2.5,0.0,-1.0,0.25\n";

/// The library's scenario by hand with a recording beside it, or with another line for its deflections.
fn read(recording: &str, line: &str) -> Result<Scenario, ScenarioError> {
    static READS: AtomicU32 = AtomicU32::new(0);
    let read = READS.fetch_add(1, Ordering::Relaxed).to_string();
    let folder = Path::new(env!("CARGO_TARGET_TMPDIR")).join("hand_controller").join(read);
    fs::create_dir_all(&folder).expect("a folder");
    let (_, text) =
        scenario::library().iter().find(|(name, _)| *name == "rate_by_hand").expect("in the library");
    let start = text.find("deflections = [").expect("its deflections");
    let end = start + text[start..].find("\n]\n").expect("their end") + 3;
    let text = format!("{}{line}\n{}", &text[..start], &text[end..]);
    let text = text.replace("servicing_tug.toml", "library:servicing_tug.toml");
    let path = folder.join("by_hand.toml");
    fs::write(&path, text).expect("writes");
    fs::write(folder.join("stick.csv"), recording).expect("writes");
    scenario::load(&path)
}

fn problem(recording: &str) -> Problem {
    match read(recording, "deflections_file = \"stick.csv\"") {
        Err(error) => match error.problems() {
            [problem] => problem.clone(),
            others => panic!("{others:#?}"),
        },
        Ok(_) => panic!("{recording:?} was read"),
    }
}

#[test]
fn a_recording_is_flown_as_if_it_stood_in_the_scenario() {
    let of = |scenario: Scenario| match scenario.phases[0].mode.clone() {
        Mode::Hand { deflections, .. } => deflections,
        other => panic!("{other:?}"),
    };
    let recorded = of(read(GOOD, "deflections_file = \"stick.csv\"").expect("reads"));
    let written =
        of(read("", "deflections = [[0.0, 0.5, 0.0, 0.0], [2.5, 0.0, -1.0, 0.25]]").expect("reads"));
    assert_eq!(recorded, written);
    assert_eq!(recorded[1], Deflection { at_s: 2.5, deflection: [0.0, -1.0, 0.25] });
}

#[test]
fn what_is_wrong_in_a_recording_is_named_with_its_place() {
    let cases = [
        ("seconds,x,y,z\n0.0,0.0,0.0,0.0\n", 1, 1, "", "another header"),
        ("time_s,x,y,z\n0.0,0.5,0.0\n", 2, 1, "", "3 columns where there are 4"),
        ("time_s,x,y,z\n0.0,0.5,half,0.0\n", 2, 9, "y", "no number"),
        ("time_s,x,y,z\n0.0,0.5,0.0,NaN\n", 2, 13, "z", "no number"),
        ("time_s,x,y,z\n1.0,0.5,0.0,0.0\n1.0,0.0,0.0,0.0\n", 3, 1, "", "1 s out of order"),
        ("time_s,x,y,z\n-1.0,0.5,0.0,0.0\n", 2, 1, "", "-1 s out of order"),
        ("time_s,x,y,z\n0.0,0.5,0.0,0.0\n3.0,0.0,-1.5,0.0\n", 3, 1, "", "-1.5 of full travel at 3 s"),
        ("time_s,x,y,z\n", 1, 1, "", "no deflection"),
    ];
    for (text, line, column, key, wrong) in cases {
        let problem = problem(text);
        assert!(problem.file.ends_with("stick.csv"), "{}", problem.file);
        assert_eq!((problem.line, problem.column, problem.key.as_str()), (line, column, key), "{text:?}");
        assert!(problem.wrong.contains(wrong), "{text:?}: {}", problem.wrong);
        assert!(!problem.remedy.is_empty());
    }
}

#[test]
fn what_is_wrong_in_the_scenario_is_named_there() {
    let cases = [
        ("deflections_file = \"stack.csv\"", "deflections_file", "is no file"),
        (
            "deflections_file = \"stick.csv\"\ndeflections = [[0.0, 0.0, 0.0, 0.0]]",
            "deflections_file",
            "beside deflections",
        ),
        ("deflections = [[0.0, 1.0, 0.0]]", "deflections", "no list of rows of 4 numbers"),
        ("deflections = [[0.0, 1.2, 0.0, 0.0]]", "deflections", "asks for 1.2 of full travel"),
        ("deflections = []", "deflections", "holds no deflection"),
        ("", "deflections", "is missing"),
        ("deflections = [[0.0, 1.0, 0.0, 0.0]]\nasks_for = \"bits\"", "asks_for", "bits"),
    ];
    for (line, key, wrong) in cases {
        let error = read(GOOD, line).expect_err(line);
        let [problem] = error.problems() else { panic!("{line}: {:#?}", error.problems()) };
        assert_eq!(problem.key, key, "{line}");
        assert!(format!("{} {}", problem.wrong, problem.value).contains(wrong), "{line}: {problem:#?}");
    }
}
