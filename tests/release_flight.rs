//! A release in a whole flight: the kernel has the other table in the same cycle, the books of the flight close over
//! it, and its files and its report show it.
#![allow(missing_docs)]

use std::sync::LazyLock;

use stackhold_harness::bound::required_impulse_n_m_s;
use stackhold_harness::closed_loop::{self, Kernel};
use stackhold_harness::metrics::Metrics;
use stackhold_harness::output::{Flown, picture, summary, write_states};
use stackhold_harness::record::RunRecord;
use stackhold_harness::report::{Flight, run_report};
use stackhold_harness::scenario::model::{Scenario, Told};
use stackhold_harness::table::{self, JETS};
use stackhold_harness::verdict::judge;
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput, Witness};
use stackhold_tests::flying::{figure, fly};
use stackhold_tests::recorded_flights::shortened;

static FLOWN: LazyLock<(Scenario, RunRecord, Metrics)> = LazyLock::new(|| {
    let scenario = shortened("release_the_stage", 1800.0);
    let (record, metrics) = fly(&scenario);
    (scenario, record, metrics)
});

/// A kernel that notes when it was given which table.
struct Noting {
    controller: Controller<JETS>,
    cycles: u32,
    taken: Vec<(u32, u32)>,
}

impl Kernel for Noting {
    fn cycle<W: Witness>(
        &mut self,
        input: &CycleInput,
        witness: &mut W,
    ) -> anyhow::Result<CycleOutput<JETS>> {
        self.cycles += 1;
        self.controller.cycle(input, witness)
    }

    fn take_up(&mut self, table: &ConfigurationTable<JETS>) -> anyhow::Result<()> {
        self.taken.push((self.cycles, table.identity));
        Kernel::take_up(&mut self.controller, table)
    }
}

fn noted(scenario: &Scenario, told: &Told) -> (RunRecord, Noting) {
    let seat = |table: &ConfigurationTable<JETS>| {
        let controller = Controller::new(table.clone()).expect("a good table");
        Ok(Noting { controller, cycles: 0, taken: Vec::new() })
    };
    closed_loop::fly_on(scenario, &scenario.stack, told, "flight", &mut |_| (), seat).expect("flies")
}

/// 600 s are 2,500 cycles of 0.24 s; the table is that of a flight without the stage from the start.
#[test]
fn the_table_of_what_stays_comes_in_the_cycle_of_the_release() {
    let mut scenario = shortened("release_the_stage", 610.0);
    let (record, kernel) = noted(&scenario, &scenario.told);
    let left: Vec<String> = scenario.stack[..3].to_vec();
    let told = Told { stack: left.clone(), ..scenario.told.clone() };
    let table = table::build(&scenario, &left, &told).expect("a table");
    assert_eq!(kernel.taken, [(2500, table.identity)]);
    assert_eq!((record.partings[0].time_s, record.partings[0].table_identity), (600.0, table.identity));
    assert!(record.cycles[2499].released.is_none() && record.cycles[2500].released.is_some());
    // Between two cycles: the next one.
    scenario.releases[0].at_s = 600.01;
    assert_eq!(noted(&scenario, &scenario.told).1.taken, [(2501, table.identity)]);
    // What was told is told without what went, whatever it was.
    let tug = Told { stack: scenario.stack[..2].to_vec(), ..scenario.told.clone() };
    let own = table::build(&scenario, &left, &tug).expect("a table");
    assert_eq!(noted(&scenario, &tug).1.taken, [(2501, own.identity)]);
    scenario.releases[0].told = false;
    assert_eq!(noted(&scenario, &scenario.told).1.taken, []);
    // Nothing on the far side, nothing to release.
    scenario.stack = left;
    scenario.told.stack.pop();
    let (record, kernel) = noted(&scenario, &scenario.told);
    assert!(kernel.taken.is_empty() && record.partings.is_empty());
}

/// Before the release both flights are the same to the last bit, for nothing of it costs or moves anything.
#[test]
fn a_release_to_come_changes_nothing() {
    let scenario = shortened("release_the_stage", 599.9);
    let held = Scenario { releases: Vec::new(), ..scenario.clone() };
    let still = |scenario: &Scenario| RunRecord { wall_s: 0.0, ..fly(scenario).0 };
    assert!(still(&scenario) == still(&held));
}

#[test]
fn the_books_of_the_flight_close_over_a_release() {
    let (_, record, metrics) = &*FLOWN;
    let needed = required_impulse_n_m_s(&record.impulse);
    for (needed, given) in needed.iter().zip(record.impulse.jets_n_m_s) {
        // Jet damping is no impulse of the jets: parts in a million of the 43 N m s.
        assert!((needed - given).abs() < 4e-4, "{needed} N m s needed, {given} given");
    }
    let bound = metrics.bound.as_ref().expect("a bound");
    assert!(bound.proven, "{:?}", bound.doubts);
    assert!(figure(metrics, "propellant_over_bound") > 1.0);
    assert!(figure(metrics, "momentum_error_at_release") < 1e-13);
    // What jets gave does not jump where the springs push.
    let rows: Vec<_> = record.cycles.iter().filter(|row| (row.time_s - 600.0).abs() < 0.3).collect();
    for pair in rows.windows(2) {
        let jump =
            (0..3).map(|i| (pair[1].velocity_m_s[i] - pair[0].velocity_m_s[i]).abs()).fold(0.0, f64::max);
        assert!(jump < 2e-3, "{jump} m/s");
    }
    assert!(record.partings[0].velocity_m_s[1] > 0.02);
}

#[test]
fn what_stays_holds_on_and_what_went_leaves() {
    let (_, record, metrics) = &*FLOWN;
    assert!(figure(metrics, "worst_axis_error_over_half_width") < 1.1);
    let rate = |time: f64| {
        let row = record.cycles.iter().find(|row| row.time_s >= time).expect("flown");
        row.rate_rad_s.map(|r| r.to_degrees().abs()).into_iter().fold(0.0, f64::max)
    };
    assert!(rate(600.2) > 0.1 && rate(700.0) < 0.02, "{} and {} deg/s", rate(600.2), rate(700.0));
    assert_eq!(figure(metrics, "forbidden_openings"), 0.0);
    let seconds = figure(metrics, "seconds_to_keep_out");
    assert!(seconds > 100.0 && seconds < 400.0, "{seconds} s");
    // Ten metres at the speed of the springs, more or less: the parts turn, and the orbit bends the way.
    let speed = record.partings[0].velocity_m_s.iter().map(|v| v * v).sum::<f64>().sqrt();
    assert!((seconds * speed / 10.0 - 1.0).abs() < 0.3, "{seconds} s at {speed} m/s");
}

#[test]
fn files_and_report_show_the_release() {
    let (scenario, record, metrics) = &*FLOWN;
    let mut states = Vec::new();
    write_states(&mut states, scenario, record).expect("written");
    let states = String::from_utf8(states).expect("text");
    let mut lines = states.lines();
    let header = lines.next().expect("a header");
    assert!(
        header.ends_with("released_up_m,released_ahead_m,released_across_m,clearance_m,released_rate_deg_s")
    );
    let columns = header.split(',').count();
    let row = |index: usize| states.lines().nth(1 + index).expect("a row").split(',').collect::<Vec<_>>();
    assert!(row(2499).len() == columns && row(2499)[columns - 2].is_empty());
    let last: f64 = row(record.cycles.len() - 1)[columns - 2].parse().expect("a clearance");
    let clearance = record.cycles.last().and_then(|row| row.released).expect("released").clearance_m;
    assert!((last - clearance).abs() < 1e-8 * clearance);
    let held = Scenario { releases: Vec::new(), ..shortened("release_the_stage", 2.4) };
    let mut plain = Vec::new();
    write_states(&mut plain, &held, &fly(&held).0).expect("written");
    assert!(
        String::from_utf8(plain)
            .expect("text")
            .starts_with(&format!("{}\n", header.split_once(",released_up_m").expect("there").0))
    );

    let verdict = judge(&scenario.requirements, &metrics.figures);
    let summary = summary(scenario, &scenario.stack, &scenario.told, record, metrics, &verdict, "fly");
    assert_eq!(summary["releases"][0]["interface"], "stage_clamp");
    let (stack, told) = (scenario.stack.clone(), scenario.told.clone());
    let flown = Flown { stack, told, record: record.clone(), metrics: metrics.clone(), verdict, summary };
    let stack = picture(scenario, &flown).expect("drawn");
    let page = run_report(scenario, &[Flight { record, summary: &flown.summary, stack }]);
    for words in
        ["id=\"release\"", "Spent stage released at 600", "keep-out distance 10", "along the flight, m"]
    {
        assert!(page.contains(words), "{words}");
    }
}
