//! What limits or steers the choice of jets: shared limits, what interfaces may carry, price weights, the wish to spare
//! translation, and what is shut off during a run.

use stackhold_kernel::jet::LOADS;

use super::model::{
    FlowLimit, InterfaceLimit, Jet, JetState, PriceWeight, Shut, ShutOff, SpareTranslation, Told, Trade,
    Vehicle,
};
use super::section::{Range64, Section};
use crate::interface_loads::load_shares;

/// Share of an interface's limit that selection leaves unused where the scenario says nothing: scatter, rates and
/// ramps put a few hundredths on top of what it counts.
const KEPT_BACK: f64 = 0.1;

/// Standard gravity, m/s² (exact, CGPM 1901).
const STANDARD_GRAVITY_M_S2: f64 = 9.806_65;

/// Limits, weights and wishes; `None` when a problem was written down.
///
/// * `kernel` — the section `[kernel]`; `jets` — with their states, empty when the vehicle was refused; `flown` — the
///   vehicle, and what the kernel is told, where both could be read.
pub(super) fn read_trade(
    root: &Section<'_>,
    kernel: &Section<'_>,
    jets: &[Jet],
    flown: Option<(&Vehicle, &Told)>,
) -> Option<Trade> {
    let thrust_factor = flown.map_or(1.0, |(_, told)| told.thrust_factor);
    let most = kernel.integer("most_jets_at_once", 1..=32, "a whole number from 1 to 32", Some(32));
    let spare = read_spare_translation(kernel);
    let limits = read_flow_limits(root, jets, thrust_factor);
    let weights = read_price_weights(root, jets);
    let interfaces = read_interface_limits(root, flown);
    Some(Trade {
        most_jets_at_once: u8::try_from(most?).ok()?,
        flow_limits: limits?,
        price_weights: weights?,
        spare_translation: spare?,
        interface_limits: interfaces?,
    })
}

/// What interfaces may carry.
fn read_interface_limits(
    root: &Section<'_>,
    flown: Option<(&Vehicle, &Told)>,
) -> Option<Vec<InterfaceLimit>> {
    let mut limits: Vec<InterfaceLimit> = Vec::new();
    let mut loads = 0;
    let mut sound = true;
    for section in &root.sections("interface_limit")? {
        let Some(limit) = read_interface_limit(section, flown.map(|(vehicle, _)| vehicle)) else {
            sound = false;
            continue;
        };
        if limits.iter().any(|known| known.interface == limit.interface) {
            section.complain("interface", "has a limit already", "each interface once");
            sound = false;
        }
        loads += usize::from(limit.force_n.is_some()) + usize::from(limit.moment_n_m.is_some());
        if loads > LOADS {
            let wrong = format!("brings more than {LOADS} limits to this scenario");
            section.complain("interface", wrong, format!("at most {LOADS} forces and moments in all"));
            sound = false;
        }
        if let Some((vehicle, told)) = flown {
            sound &= every_jet_may_open((section, "interface"), vehicle, std::slice::from_ref(&limit), told);
        }
        limits.push(limit);
    }
    sound.then_some(limits)
}

fn read_interface_limit(section: &Section<'_>, vehicle: Option<&Vehicle>) -> Option<InterfaceLimit> {
    let hint = "interface = \"grapple\"";
    let interface = match vehicle {
        None => section.text("interface", hint),
        Some(vehicle) => {
            let names: Vec<String> = vehicle.interfaces.iter().map(|one| one.name.clone()).collect();
            section.reference("interface", &names, "interface of the vehicle")
        }
    };
    let bound = |key: &'static str, hint: &str| match section.has(key) {
        true => section.number(key, Range64::UpTo(1e9), hint).map(Some),
        false => Some(None),
    };
    let force = bound("force_n", "the largest force it may carry, such as force_n = 80.0");
    let moment = bound("moment_n_m", "the largest moment it may carry, such as moment_n_m = 40.0");
    let hint = "the share of a limit that selection leaves unused, such as kept_back = 0.1";
    let kept_back = section.number_or("kept_back", Range64::Within(0.0, 0.9), hint, KEPT_BACK);
    section.finish();
    let (force_n, moment_n_m) = (force?, moment?);
    if (force_n, moment_n_m) == (None, None) {
        section.complain("moment_n_m", "is missing, and so is force_n", "force_n or moment_n_m, or both");
        return None;
    }
    Some(InterfaceLimit { interface: interface?, force_n, moment_n_m, kept_back: kept_back? })
}

/// A jet that alone puts more on an interface than that may carry could never open.
pub(super) fn every_jet_may_open(
    (section, key): (&Section<'_>, &str),
    vehicle: &Vehicle,
    limits: &[InterfaceLimit],
    told: &Told,
) -> bool {
    let Err(too_much) = load_shares(vehicle, limits, told) else { return true };
    let wrong = format!("has a jet that could never open: {too_much}");
    section.complain(key, wrong, "a larger limit, or the jet in jets_forbidden");
    false
}

/// `Some(None)` without the wish, `None` when a problem was written down.
fn read_spare_translation(kernel: &Section<'_>) -> Option<Option<SpareTranslation>> {
    const SHARE: &str = "spare_translation_share";
    const WITHIN: &str = "spare_translation_within_m_s";
    let hint = "the largest extra propellant as a share, such as spare_translation_share = 0.1";
    if !kernel.has(SHARE) {
        if kernel.has(WITHIN) {
            kernel.complain(SHARE, format!("is missing beside {WITHIN}"), format!("add {hint}"));
            return None;
        }
        return Some(None);
    }
    let share = kernel.number(SHARE, Range64::UpTo(100.0), hint);
    let hint = "the largest velocity left behind, such as spare_translation_within_m_s = 0.0002";
    let within = kernel.number_or(WITHIN, Range64::Within(0.0, 1e4), hint, 0.0);
    Some(Some(SpareTranslation { extra_share: share?, within_m_s: within? }))
}

fn read_flow_limits(root: &Section<'_>, jets: &[Jet], thrust_factor: f64) -> Option<Vec<FlowLimit>> {
    let mut limits: Vec<FlowLimit> = Vec::new();
    let mut sound = true;
    for section in &root.sections("manifold")? {
        let group = section.integer("group", 0..=15, "group, 0 to 15", None);
        let hint = "the largest propellant flow, such as flow_limit_kg_s = 0.012";
        let limit = section.number("flow_limit_kg_s", Range64::UpTo(1e4), hint);
        section.finish();
        let (Some(group), Some(flow_limit_kg_s)) = (group.and_then(|g| u8::try_from(g).ok()), limit) else {
            sound = false;
            continue;
        };
        if limits.iter().any(|limit| limit.group == group) {
            section.complain("group", "has a limit already", "each group once");
            sound = false;
        }
        sound &= group_exists(section, jets, group);
        sound &= every_jet_fits(section, jets, (group, flow_limit_kg_s), thrust_factor);
        limits.push(FlowLimit { group, flow_limit_kg_s });
    }
    sound.then_some(limits)
}

fn group_exists(section: &Section<'_>, jets: &[Jet], group: u8) -> bool {
    if jets.is_empty() || jets.iter().any(|jet| jet.group == group) {
        return true;
    }
    let mut groups: Vec<u8> = jets.iter().map(|jet| jet.group).collect();
    groups.sort_unstable();
    groups.dedup();
    let list = groups.iter().map(u8::to_string).collect::<Vec<_>>().join(", ");
    section.complain("group", "has no jet of the vehicle", format!("one of {list}"));
    false
}

/// A jet that alone takes more than its group may could never open.
fn every_jet_fits(
    section: &Section<'_>,
    jets: &[Jet],
    (group, limit_kg_s): (u8, f64),
    thrust_factor: f64,
) -> bool {
    let flow = |jet: &Jet| jet.thrust_n * thrust_factor / (jet.specific_impulse_s * STANDARD_GRAVITY_M_S2);
    let members = jets.iter().filter(|jet| jet.group == group && jet.state == JetState::Ready);
    let Some(largest) = members.max_by(|a, b| flow(a).total_cmp(&flow(b))) else { return true };
    // As far as the kernel's own rounding goes.
    if flow(largest) <= limit_kg_s * (1.0 + 1e-6) {
        return true;
    }
    let wrong = format!(
        "is less than jet \"{}\" takes alone, {:.6} kg/s: it could never open",
        largest.name,
        flow(largest)
    );
    let least = (flow(largest) * 1e6).ceil() / 1e6;
    section.complain("flow_limit_kg_s", wrong, format!("at least {least}, or the jet in jets_forbidden"));
    false
}

fn read_price_weights(root: &Section<'_>, jets: &[Jet]) -> Option<Vec<PriceWeight>> {
    let mut weights: Vec<PriceWeight> = Vec::new();
    let mut sound = true;
    for section in &root.sections("jet_price")? {
        let jet = read_jet_name(section, jets);
        let hint = "what a kilogram through this jet counts for, such as weight = 3.0";
        let weight = section.number("weight", Range64::Within(1e-3, 1e3), hint);
        section.finish();
        let (Some(jet), Some(weight)) = (jet, weight) else {
            sound = false;
            continue;
        };
        if weights.iter().any(|known| known.jet == jet) {
            section.complain("jet", "has a weight already", "each jet once");
            sound = false;
        }
        weights.push(PriceWeight { jet, weight });
    }
    sound.then_some(weights)
}

/// A jet of the vehicle; without a vehicle, any text.
fn read_jet_name(section: &Section<'_>, jets: &[Jet]) -> Option<String> {
    if jets.is_empty() {
        return section.text("jet", "jet = \"aft_top_plus_x\"");
    }
    let names: Vec<String> = jets.iter().map(|jet| jet.name.clone()).collect();
    section.reference("jet", &names, "jet of the vehicle")
}

/// What is shut off during the run; `None` when a problem was written down.
pub(super) fn read_shut_offs(
    root: &Section<'_>,
    jets: &[Jet],
    duration: Option<f64>,
) -> Option<Vec<ShutOff>> {
    let sections = root.sections("shut_off")?;
    let shut_offs: Vec<Option<ShutOff>> =
        sections.iter().map(|section| read_shut_off(section, jets, duration)).collect();
    shut_offs.into_iter().collect()
}

fn read_shut_off(section: &Section<'_>, jets: &[Jet], duration: Option<f64>) -> Option<ShutOff> {
    let end = duration.unwrap_or(f64::MAX);
    let start = section.number("start_s", Range64::NotNegative, "the first moment in seconds");
    let stop = section.number_or("stop_s", Range64::Positive, "the last moment in seconds", end);
    let what = read_shut(section, jets);
    section.finish();
    let (start_s, stop_s) = (start?, stop?);
    if start_s >= end {
        let wrong = format!("is not before the end of the run at {end} s");
        section.complain("start_s", wrong, format!("below {end}"));
        return None;
    }
    if stop_s <= start_s {
        section.complain("stop_s", format!("is not after start_s = {start_s}"), format!("above {start_s}"));
        return None;
    }
    Some(ShutOff { start_s, stop_s, what: what? })
}

fn read_shut(section: &Section<'_>, jets: &[Jet]) -> Option<Shut> {
    match (section.has("group"), section.has("jet")) {
        (true, true) => {
            section.complain("jet", "stands beside group", "either group or jet");
            None
        }
        (false, false) => {
            section.complain("group", "is missing, and so is jet", "group = 2, or jet = \"name\"");
            None
        }
        (true, false) => {
            let group = section.integer("group", 0..=15, "group, 0 to 15", None)?;
            let group = u8::try_from(group).ok()?;
            group_exists(section, jets, group).then_some(Shut::Group(group))
        }
        (false, true) => read_jet_name(section, jets).map(Shut::Jet),
    }
}
