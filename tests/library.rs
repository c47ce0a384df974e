//! Every flight of the scenario library, whole: what is told the truth about its stack meets what is asked of it,
//! and what is told something else does not.
#![allow(missing_docs)]

use std::borrow::Cow;

use stackhold_harness::scenario::model::{Mode, Scenario, Told};
use stackhold_harness::scenario::{library, load_embedded};
use stackhold_harness::verdict::{Verdict, judge};
use stackhold_harness::{closed_loop, metrics};

/// Name, verdict and whether the kernel was told the truth of every flight of a scenario.
fn flights(scenario: &Scenario) -> Vec<(String, Verdict, bool)> {
    type Flight<'a> = (String, Cow<'a, Scenario>, Vec<String>, Told);
    let own: Flight<'_> =
        ("told_truth".to_owned(), Cow::Borrowed(scenario), scenario.stack.clone(), scenario.told.clone());
    let variants = scenario.variants.iter().map(|variant| {
        let (stack, told) = scenario.as_flown_in(variant);
        (variant.name.clone(), scenario.with_releases_of(variant), stack, told)
    });
    let fly = |(name, flown, stack, told): Flight<'_>| {
        let record = closed_loop::fly(&flown, &stack, &told, &name, &mut |_| ()).expect("flies");
        let measured = metrics::measure(&flown, &stack, &record).expect("measured");
        let verdict = judge(&scenario.requirements_of(&name), &measured.figures);
        // Whatever the flight: no selection is proven to less than this.
        let gap = measured.figures.get("worst_optimality_gap").expect("measured");
        assert!(gap <= 5e-5, "{}, {name}: {gap:e}", scenario.name);
        let releases_told = flown.releases.iter().all(|release| release.told);
        (name, verdict, told.stack == stack && told.interface_limits_kept && releases_told)
    };
    [own].into_iter().chain(variants).map(fly).collect()
}

#[test]
fn every_flight_told_the_truth_meets_its_requirements_and_no_other_does() {
    let mut wrong = Vec::new();
    for (name, _) in library() {
        let scenario = load_embedded(name).expect("reads");
        for (flight, verdict, told_truth) in flights(&scenario) {
            let missed: Vec<&str> = verdict
                .requirements
                .iter()
                .filter(|judged| !judged.met)
                .map(|judged| judged.figure.as_str())
                .collect();
            println!("{name}, {flight}: {}", if verdict.met { "met".into() } else { missed.join(", ") });
            assert!(!verdict.requirements.is_empty(), "{name}, {flight}: nothing is asked");
            if verdict.met != told_truth {
                wrong.push(format!("{name}, {flight}: {missed:?}"));
            }
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// Whether a phase is of a mode.
type Is = fn(&Mode) -> bool;

/// Each of these modes is flown on the tug alone, on the docked stack, and after the stage has gone.
#[test]
fn every_mode_is_flown_on_every_configuration() {
    let bodies: [&[&str]; 3] = [
        &["tug", "grapple_mast"],
        &["tug", "grapple_mast", "client"],
        &["tug", "grapple_mast", "client", "spent_stage"],
    ];
    let modes: [(&str, Is); 7] = [
        ("watch", |mode| matches!(mode, Mode::Watch { .. })),
        ("damp", |mode| matches!(mode, Mode::Damp { .. })),
        ("hold", |mode| matches!(mode, Mode::Hold { .. })),
        ("hand", |mode| matches!(mode, Mode::Hand { .. })),
        ("slew", |mode| matches!(mode, Mode::Slew { .. })),
        ("translate", |mode| matches!(mode, Mode::Translate { .. })),
        ("impulse", |mode| matches!(mode, Mode::Impulse { .. })),
    ];
    let scenarios: Vec<Scenario> =
        library().iter().map(|(name, _)| load_embedded(name).expect("reads")).collect();
    for (mode, is) in modes {
        for stack in bodies {
            let flown = scenarios.iter().filter(|s| s.phases.iter().any(|phase| is(&phase.mode))).any(|s| {
                let honest = s.variants.iter().filter(|variant| variant.told_stack.is_none());
                honest
                    .filter_map(|variant| variant.stack.as_ref())
                    .chain([&s.stack])
                    .any(|flown| flown == stack)
            });
            assert!(flown, "{mode} is not flown on {stack:?}");
        }
    }
}
