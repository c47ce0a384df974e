//! Constraints of the trade, flown: what is shut off stays shut, what is limited stays within its limit, what
//! is spared is spared, and the stack still goes where it was told.
#![allow(missing_docs)]

use stackhold_harness::closed_loop::fly_watched;
use stackhold_harness::metrics::{self, Metrics};
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::load_embedded;
use stackhold_harness::scenario::model::{
    FlowLimit, Mode, PriceWeight, Scenario, Shut, ShutOff, SpareTranslation,
};
use stackhold_harness::{select, table};
use stackhold_kernel::config::{ConfigError, JetField};
use stackhold_kernel::controller::Controller;

/// Standard gravity, m/s² (exact, CGPM 1901).
const G0: f64 = 9.806_65;

/// On-times of every cycle of a flight, and its record.
struct Flown {
    record: RunRecord,
    cycles: Vec<Vec<u16>>,
}

fn fly(scenario: &Scenario) -> Flown {
    let mut cycles = Vec::new();
    let mut watch = |_: &_, output: &stackhold_kernel::cycle::CycleOutput<{ table::JETS }>| {
        cycles.push(output.on_ticks.to_vec());
    };
    let record = fly_watched(scenario, &scenario.stack, &scenario.told, "flight", &mut |_| (), &mut watch)
        .expect("flies");
    Flown { record, cycles }
}

fn measured(scenario: &Scenario, flown: &Flown) -> Metrics {
    metrics::measure(scenario, &scenario.stack, &flown.record).expect("measured")
}

fn figure(metrics: &Metrics, key: &str) -> f64 {
    metrics.figures.get(key).unwrap_or_else(|| panic!("{key} was not measured"))
}

fn library(name: &str) -> Scenario {
    load_embedded(name).expect("reads")
}

impl Flown {
    /// Most jets open in one cycle.
    fn most_open(&self) -> usize {
        self.cycles.iter().map(|ticks| ticks.iter().filter(|t| **t > 0).count()).max().unwrap_or(0)
    }

    /// Largest flow of a group in one cycle, kg/s, at steady thrust.
    fn largest_flow(&self, scenario: &Scenario, group: u8) -> f64 {
        let flow = |ticks: &Vec<u16>| -> f64 {
            let jets = scenario.vehicle.jets.iter().zip(ticks);
            jets.filter(|(jet, ticks)| **ticks > 0 && jet.group == group)
                .map(|(jet, _)| jet.thrust_n / (jet.specific_impulse_s * G0))
                .sum()
        };
        self.cycles.iter().map(flow).fold(0.0, f64::max)
    }

    /// Body rate change from first to last cycle, rad/s.
    fn rate_change(&self) -> [f64; 3] {
        let rows = &self.record.cycles;
        let (first, last) = (rows.first().expect("rows"), rows.last().expect("rows"));
        std::array::from_fn(|axis| last.rate_rad_s[axis] - first.rate_rad_s[axis])
    }

    /// Speed gathered by the last cycle, m/s.
    fn speed(&self) -> f64 {
        let v = self.record.cycles.last().expect("rows").velocity_m_s;
        v.iter().map(|v| v * v).sum::<f64>().sqrt()
    }

    fn propellant_kg(&self) -> f64 {
        self.record.cycles.last().expect("rows").propellant_kg
    }
}

/// A tug that turns by a rate change, deg/s, open loop.
fn turning(rate_change_deg_s: [f64; 3]) -> Scenario {
    let mut scenario = library("one_axis_firing_roll");
    scenario.duration_s = 12.0;
    for phase in &mut scenario.phases {
        if let Mode::Impulse { rate_change_rad_s, .. } = &mut phase.mode {
            *rate_change_rad_s = rate_change_deg_s.map(f64::to_radians);
        }
    }
    scenario
}

/// Largest miss of a rate change, as a share of its largest component.
fn miss(flown: &Flown, rate_change_deg_s: [f64; 3]) -> f64 {
    let wanted = rate_change_deg_s.map(f64::to_radians);
    let size = wanted.iter().fold(0.0_f64, |size, w| size.max(w.abs()));
    flown
        .rate_change()
        .iter()
        .zip(wanted)
        .map(|(got, wanted)| (got - wanted).abs() / size)
        .fold(0.0, f64::max)
}

// ------------------------------------------------------------------------------------- shut off

#[test]
fn a_group_that_is_shut_off_stays_shut_and_the_others_hold() {
    let mut scenario = library("docked_hold");
    scenario.duration_s = 1_200.0;
    let free = fly(&scenario);
    let uses = |flown: &Flown, group: u8, from: usize, to: usize| {
        flown.cycles[from..to].iter().any(|ticks| {
            scenario.vehicle.jets.iter().zip(ticks).any(|(jet, ticks)| jet.group == group && *ticks > 0)
        })
    };
    let cycle_s = scenario.kernel.tick_s * f64::from(scenario.kernel.cycle_ticks);
    // The middle third of the flight, from a moment that is a cycle's start.
    let (from, to) = (free.cycles.len() / 3, 2 * free.cycles.len() / 3);
    let group = (0..4)
        .find(|&g| uses(&free, g, from, to) && uses(&free, g, to, free.cycles.len()))
        .expect("a busy group");
    let mut shut = scenario.clone();
    shut.shut_offs = vec![ShutOff {
        start_s: from as f64 * cycle_s,
        stop_s: to as f64 * cycle_s,
        what: Shut::Group(group),
    }];
    let flown = fly(&shut);
    assert!(!uses(&flown, group, from, to), "group {group} opened while shut off");
    assert!(
        uses(&flown, group, 0, from) || uses(&flown, group, to, flown.cycles.len()),
        "it is used otherwise"
    );
    let worst = figure(&measured(&shut, &flown), "worst_axis_error_over_half_width");
    println!("group {group} shut off: worst error {worst:.3} of the half-width");
    assert!(worst <= 1.3, "{worst}");
}

#[test]
fn a_jet_that_is_shut_off_stays_shut() {
    let rate = [0.0, 0.1, 0.0];
    let scenario = turning(rate);
    let free = fly(&scenario);
    let busy = (0..scenario.vehicle.jets.len())
        .max_by_key(|&j| free.cycles.iter().map(|t| u32::from(t[j])).sum::<u32>());
    let busy = busy.expect("a jet");
    let mut shut = scenario;
    let name = shut.vehicle.jets[busy].name.clone();
    shut.shut_offs = vec![ShutOff { start_s: 0.0, stop_s: shut.duration_s, what: Shut::Jet(name) }];
    let flown = fly(&shut);
    assert!(free.cycles.iter().any(|ticks| ticks[busy] > 0));
    assert!(flown.cycles.iter().all(|ticks| ticks[busy] == 0));
}

// --------------------------------------------------------------------------------- shared limits

#[test]
fn jets_take_turns_where_only_so_many_may_open() {
    let rate = [0.15, -0.1, 0.12];
    let free = fly(&turning(rate));
    assert!(free.most_open() > 2, "the limit would not be felt: {}", free.most_open());
    for most in [1, 2] {
        let mut scenario = turning(rate);
        scenario.kernel.trade.most_jets_at_once = most;
        let flown = fly(&scenario);
        let miss = miss(&flown, rate);
        println!("at most {most} at once: {} open, miss {miss:.4}", flown.most_open());
        assert!(flown.most_open() <= usize::from(most));
        assert!(miss <= 0.05, "{miss}");
    }
}

#[test]
fn a_hold_keeps_to_the_limits_and_still_holds() {
    let mut scenario = library("docked_hold");
    scenario.duration_s = 1_800.0;
    let free = fly(&scenario);
    assert!(free.most_open() > 1, "the limit would not be felt");
    scenario.kernel.trade.most_jets_at_once = 1;
    let flown = fly(&scenario);
    let worst = figure(&measured(&scenario, &flown), "worst_axis_error_over_half_width");
    println!(
        "one jet at a time: worst error {worst:.3} of the half-width, {:.4} kg against {:.4} kg",
        flown.propellant_kg(),
        free.propellant_kg()
    );
    assert_eq!(flown.most_open(), 1);
    assert!(worst <= 1.3, "{worst}");
}

#[test]
fn a_manifold_never_flows_more_than_it_may() {
    let rate = [0.15, -0.1, 0.12];
    let free_scenario = turning(rate);
    let free = fly(&free_scenario);
    let (group, flow) = (0..4)
        .map(|g| (g, free.largest_flow(&free_scenario, g)))
        .max_by(|a, b| a.1.total_cmp(&b.1))
        .expect("four");
    let mut scenario = turning(rate);
    let members = scenario.vehicle.jets.iter().filter(|jet| jet.group == group);
    let one = members.map(|jet| jet.thrust_n / (jet.specific_impulse_s * G0)).fold(0.0, f64::max);
    assert!(flow > 1.01 * one, "group {group} opens one jet at a time anyhow: {flow} against {one}");
    scenario.kernel.trade.flow_limits = vec![FlowLimit { group, flow_limit_kg_s: one }];
    let flown = fly(&scenario);
    let miss = miss(&flown, rate);
    println!("group {group}: {flow:.5} kg/s free, {one:.5} allowed, miss {miss:.4}");
    assert!(flown.largest_flow(&scenario, group) <= one * 1.000_01);
    assert!(miss <= 0.05, "{miss}");
}

#[test]
fn limits_that_make_no_sense_are_named() {
    let scenario = library("docked_hold");
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    let refused = |change: &dyn Fn(&mut stackhold_kernel::config::ConfigurationTable<{ table::JETS }>)| {
        let mut bad = table.clone();
        change(&mut bad);
        Controller::new(bad).err()
    };
    assert_eq!(refused(&|t| t.shared.most_jets_at_once = 0), Some(ConfigError::MostJetsAtOnce));
    assert_eq!(refused(&|t| t.shared.most_jets_at_once = 33), Some(ConfigError::MostJetsAtOnce));
    for limit in [0.0, -1.0, f32::NAN] {
        assert_eq!(
            refused(&|t| t.shared.flow_limit_kg_s[5] = limit),
            Some(ConfigError::FlowLimit { group: 5 })
        );
    }
    let alone = ConfigError::Jet { index: 0, field: JetField::FlowAboveLimit };
    assert_eq!(refused(&|t| t.shared.flow_limit_kg_s[0] = 0.001), Some(alone));
    for weight in [0.0, -1.0, f32::NAN, f32::INFINITY] {
        let named = ConfigError::Jet { index: 2, field: JetField::PriceWeight };
        assert_eq!(refused(&|t| t.jets[2].price_weight = weight), Some(named));
    }
    for share in [-0.1, f32::NAN, 101.0] {
        assert_eq!(
            refused(&|t| t.spare_translation.extra_share = share),
            Some(ConfigError::SpareTranslation)
        );
    }
}

// ----------------------------------------------------------------------------------- what is spared

#[test]
fn a_dear_jet_is_spared_and_propellant_stays_true() {
    let rate = [0.0, 0.1, 0.0];
    let scenario = turning(rate);
    let free = fly(&scenario);
    let mut halved = 0;
    for (j, jet) in scenario.vehicle.jets.iter().enumerate() {
        let before = free.record.jets[j].on_time_s;
        if before == 0.0 {
            continue;
        }
        let mut dear = scenario.clone();
        dear.kernel.trade.price_weights = vec![PriceWeight { jet: jet.name.clone(), weight: 20.0 }];
        let flown = fly(&dear);
        let after = flown.record.jets[j].on_time_s;
        println!(
            "{}: open {before:.3} s, {after:.3} s when dear; {:.5} kg, {:.5} kg; miss {:.4}",
            jet.name,
            free.propellant_kg(),
            flown.propellant_kg(),
            miss(&flown, rate)
        );
        assert!(after <= before + 2.0 * jet.minimum_on_s, "{}: {before} s, {after} s", jet.name);
        assert!(miss(&flown, rate) <= 0.03);
        // True propellant: other jets at their own price, nowhere near twenty times as much.
        assert!(flown.propellant_kg() < 5.0 * free.propellant_kg());
        if after <= 0.5 * before {
            halved += 1;
            assert!(flown.propellant_kg() > free.propellant_kg(), "{} was the cheaper one", jet.name);
        }
    }
    assert!(halved > 0, "no jet was spared");
}

#[test]
fn translation_is_spared_as_far_as_the_wish_goes() {
    let rate = [0.0, 0.5, 0.25];
    let bare = || {
        let mut scenario = turning(rate);
        scenario.stack = vec!["tug".into(), "grapple_mast".into()];
        scenario.told.stack.clone_from(&scenario.stack);
        scenario
    };
    let free = fly(&bare());
    let with = |extra_share: f64| {
        let mut scenario = bare();
        let wish = SpareTranslation { extra_share, within_m_s: 0.2 * free.speed() };
        scenario.kernel.trade.spare_translation = Some(wish);
        fly(&scenario)
    };
    let spared = with(10.0);
    let hardly = with(1e-6);
    println!(
        "speed left behind {:.5} m/s, {:.5} m/s when spared; {:.4} kg, {:.4} kg; miss {:.4}",
        free.speed(),
        spared.speed(),
        free.propellant_kg(),
        spared.propellant_kg(),
        miss(&spared, rate)
    );
    // Each axis within its limit; a few per cent for the thrust's short pulses.
    assert!(spared.speed() <= 3.0_f64.sqrt() * 0.2 * 1.05 * free.speed());
    assert!(miss(&spared, rate) <= 0.03);
    assert!(spared.propellant_kg() > free.propellant_kg());
    // A wish that may cost nothing changes nothing.
    assert_eq!(hardly.cycles, free.cycles);
}

#[test]
fn the_select_command_follows_weights_and_wishes() {
    let mut scenario = turning([0.0, 0.5, 0.25]);
    scenario.stack = vec!["tug".into(), "grapple_mast".into()];
    scenario.told.stack.clone_from(&scenario.stack);
    let angular = [0.0, 10.0, 5.0];
    let length = |v: [f64; 3]| v.iter().map(|c| c * c).sum::<f64>().sqrt();
    let free = select::answer(&scenario, angular, None, Some(2.0)).expect("answers");
    let speed = length(free.delivered.velocity_change_m_s);
    let wished = |extra_share: f64| {
        let mut scenario = scenario.clone();
        let wish = SpareTranslation { extra_share, within_m_s: 0.1 * speed };
        scenario.kernel.trade.spare_translation = Some(wish);
        select::answer(&scenario, angular, None, Some(2.0)).expect("answers")
    };
    let spared = wished(5.0);
    assert!(spared.translation_spared && !free.translation_spared);
    assert!(length(spared.delivered.velocity_change_m_s) <= 0.18 * speed);
    assert!(spared.propellant_kg > free.propellant_kg && spared.propellant_kg <= 6.0 * free.propellant_kg);
    let unmet = wished(0.5 * (spared.propellant_kg / free.propellant_kg - 1.0));
    assert!(!unmet.translation_spared, "half of what it costs is not enough");
    assert_eq!(unmet.propellant_kg, free.propellant_kg);
    // Every jet twice as dear: the same choice, twice the price, the same propellant.
    let mut dear = scenario.clone();
    let names = scenario.vehicle.jets.iter().map(|jet| jet.name.clone());
    dear.kernel.trade.price_weights = names.map(|jet| PriceWeight { jet, weight: 2.0 }).collect();
    let dear = select::answer(&dear, angular, None, Some(2.0)).expect("answers");
    assert_eq!((&dear.jets, dear.propellant_kg), (&free.jets, free.propellant_kg));
    let price = |answer: &select::Answer| answer.in_whole_ticks.as_ref().expect("whole ticks").price_kg;
    assert!((price(&dear) / price(&free) - 2.0).abs() < 1e-5);
    assert!(free.in_whole_ticks.as_ref().is_some_and(|whole| whole.relaxed_cost_kg <= whole.cost_kg));
}
