//! Which jets, how long: one demand put to the kernel's own selection, with what it delivers on the
//! stack as it really is.
//!
//! The kernel selects for what it is **told**, in rows of rate change and velocity change; demands in
//! impulse are turned into those with the told mass properties. The longest on-time is one control
//! cycle, or the first of 2, 5, 10, 20, 50, .. cycles in which the demand can be delivered.

use anyhow::{Context, Result};
use nalgebra::Vector3;
use serde::Serialize;
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::effectiveness::Effectiveness;
use stackhold_kernel::jet::{Jet, JetMask, LOADS};
use stackhold_kernel::selection::{Demand, Outcome, Problem, Selection, select};
use stackhold_kernel::whole_ticks::{TickProblem, TickRule, WholeTicks, choose, left_over_price};

use crate::authority::told_properties;
use crate::bound::{cross, pulse, sub};
use crate::certificate::SelectionCertificate;
use crate::plume;
use crate::scenario::model::Scenario;
use crate::selection_check;
use crate::stack::{self, MassProperties};
use crate::table::{self, JETS};

/// Cycles tried for the longest on-time.
const CYCLES: [u32; 14] = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10_000, 20_000];

/// Most nodes that the choice of whole ticks looks into: the kernel itself looks into fewer.
const MOST_NODES: u16 = 4_000;

/// Longest on-time when time does not matter, s.
const LONG_S: f64 = 1e5;

/// One jet of an answer.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Firing {
    /// Name.
    pub jet: String,
    /// Time at full thrust that is wanted, s.
    pub acting_time_s: f64,
    /// Between the valve commands, whole ticks, s; 0 when the jet stays shut in whole ticks.
    pub on_time_s: f64,
    /// The same in valve ticks.
    pub on_ticks: u64,
    /// Propellant of that pulse, with the loss of a short one, kg.
    pub propellant_kg: f64,
}

/// Angular and linear effect of a firing.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct Effect {
    /// Angular impulse about the centre of mass, body axes, N·m·s.
    pub angular_impulse_n_m_s: [f64; 3],
    /// Linear impulse, body axes, N·s.
    pub linear_impulse_n_s: [f64; 3],
    /// Change of body rate, deg/s.
    pub rate_change_deg_s: [f64; 3],
    /// Change of velocity, m/s.
    pub velocity_change_m_s: [f64; 3],
}

/// Jets and on-times for a rate change, by the kernel's own selection.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Rotation {
    /// How the selection ended.
    pub outcome: &'static str,
    /// Share of the demand that is delivered.
    pub share: f64,
    /// Jets and on-times.
    pub jets: Vec<Firing>,
    /// Propellant, kg.
    pub propellant_kg: f64,
    /// Effect on the stack as it is, with whole ticks.
    pub as_flown: Effect,
}

/// The choice of whole ticks, by what the kernel is told.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct InWholeTicks {
    /// Asked less delivered (of the delivered share), angular, N·m·s.
    pub left_over_angular_n_m_s: [f64; 3],
    /// The same, linear, N·s; `None` where linear impulse is free.
    pub left_over_linear_n_s: Option<[f64; 3]>,
    /// Price of the pulses, kg; propellant at steady specific impulse where all price weights are 1.
    pub price_kg: f64,
    /// Price of the pulses and of what is left over, kg: what was minimised.
    pub cost_kg: f64,
    /// Least cost with any on-times, proven by multipliers, kg.
    pub relaxed_cost_kg: f64,
    /// Cost above what the search proves to be the least in whole ticks, relative; what `f32` sums lose
    /// when the search was complete.
    pub gap: f64,
    /// Nodes the search looked into.
    pub nodes: u16,
}

/// Everything `stackhold select` says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Answer {
    /// Scenario.
    pub scenario: String,
    /// What was asked: angular impulse, body axes, N·m·s.
    pub asked_angular_impulse_n_m_s: [f64; 3],
    /// Linear impulse asked with it, N·s; `None` leaves it free.
    pub asked_linear_impulse_n_s: Option<[f64; 3]>,
    /// How the selection ended.
    pub outcome: &'static str,
    /// Share of the demand that is delivered.
    pub share: f64,
    /// Longest on-time allowed, s.
    pub longest_on_time_s: f64,
    /// The same in control cycles.
    pub cycles: u32,
    /// Jets and on-times.
    pub jets: Vec<Firing>,
    /// Effect by what the kernel is told, on-times not rounded.
    pub delivered: Effect,
    /// Asked less delivered, angular, N·m·s.
    pub left_over_angular_n_m_s: [f64; 3],
    /// Asked less delivered, linear, N·s.
    pub left_over_linear_n_s: Option<[f64; 3]>,
    /// Whether jets were chosen so as to spare translation.
    pub translation_spared: bool,
    /// How well whole ticks do; `None` when nothing fires, or for longer than the search counts.
    pub in_whole_ticks: Option<InWholeTicks>,
    /// Effect on the stack as it is, with whole ticks, valve delays and ramps.
    pub as_flown: Effect,
    /// Propellant at steady specific impulse, on-times not rounded, kg.
    pub propellant_kg: f64,
    /// What it would cost with any on-time allowed, kg; `None` when it cannot be delivered at all.
    pub propellant_given_time_kg: Option<f64>,
    /// Propellant as flown, short pulses paid at their worse specific impulse, kg.
    pub propellant_as_flown_kg: f64,
    /// Price of each angular row at the optimum, kg per N·m·s; kilograms by the jets' price weights.
    pub multipliers_kg_per_n_m_s: [f64; 3],
    /// Price of each linear row, kg per N·s.
    pub multipliers_kg_per_n_s: Option<[f64; 3]>,
    /// Price (propellant by the jets' price weights) above the bound that the multipliers prove, relative.
    pub optimality_gap: f64,
    /// Whether the multipliers prove the answer.
    pub proven: bool,
}

/// A solved demand before it is put into units for people.
struct Solved<const M: usize> {
    answer: Selection<M, JETS>,
    check: selection_check::SelectionCheck,
    cycles: u32,
    longest_s: f64,
    ticks: Option<WholeTicks<M, JETS>>,
    certificate: SelectionCertificate,
}

/// Puts an impulse demand to the kernel's selection.
///
/// * `angular_n_m_s` — about the centre of mass the kernel is told, body axes; `linear_n_s` — `None`
///   leaves the linear impulse free. `within_s` — longest on-time, s; `None` as the module says.
///
/// # Errors
/// When the kernel refuses its table.
pub fn answer(
    scenario: &Scenario,
    angular_n_m_s: [f64; 3],
    linear_n_s: Option<[f64; 3]>,
    within_s: Option<f64>,
) -> Result<Answer> {
    Ok(answer_certified(scenario, angular_n_m_s, linear_n_s, within_s)?.0)
}

/// As [`answer`], with what must be known to check the selection without this program.
///
/// # Errors
/// As [`answer`].
pub fn answer_certified(
    scenario: &Scenario,
    angular_n_m_s: [f64; 3],
    linear_n_s: Option<[f64; 3]>,
    within_s: Option<f64>,
) -> Result<(Answer, SelectionCertificate)> {
    let told = told_properties(scenario, &scenario.told);
    let inverse = told.inertia().try_inverse().context("the told inertia is singular")?;
    let change: [f64; 3] = (inverse * Vector3::from(angular_n_m_s)).into();
    let kernel = Kernel::new(scenario)?;
    // A price of a rate change is turned into the price of an impulse by the same inertia.
    let priced = |y: [f64; 3]| -> [f64; 3] { (inverse * Vector3::from(y)).into() };
    let both = |linear: [f64; 3]| Asked::for_both(change, linear.map(|p| p / told.mass_kg));
    let free = match linear_n_s {
        None => Some(kernel.solve(&Asked::for_turning(change), within_s)),
        Some(_) => None,
    };
    let spared = free.as_ref().and_then(|free| kernel.sparing(free, change, within_s));
    let translation_spared = spared.is_some();
    let (common, multipliers, linear_multipliers) = match (linear_n_s, free, spared) {
        (None, Some(solved), None) => {
            (Common::of(&solved), priced(solved.answer.multipliers.map(f64::from)), None)
        }
        (_, _, Some(solved)) => {
            let [a, b, c, d, e, f] = solved.answer.multipliers.map(f64::from);
            (Common::of(&solved), priced([a, b, c]), Some([d, e, f].map(|y| y / told.mass_kg)))
        }
        (linear, _, None) => {
            let solved = kernel.solve(&both(linear.unwrap_or_default()), within_s);
            let [a, b, c, d, e, f] = solved.answer.multipliers.map(f64::from);
            (Common::of(&solved), priced([a, b, c]), Some([d, e, f].map(|y| y / told.mass_kg)))
        }
    };
    let delivered = kernel.delivered(&common.acting_s, &told);
    let patient = match linear_n_s {
        None => kernel.patient(&Asked::for_turning(change)),
        Some(linear) => kernel.patient(&both(linear)),
    };
    let jets = kernel.firings(&common);
    let in_whole_ticks = kernel.in_whole_ticks(&common, &delivered, &told, linear_n_s.is_some());
    let answer = Answer {
        scenario: scenario.name.clone(),
        asked_angular_impulse_n_m_s: angular_n_m_s,
        asked_linear_impulse_n_s: linear_n_s,
        outcome: common.outcome,
        share: common.share,
        longest_on_time_s: common.longest_s,
        cycles: common.cycles,
        left_over_angular_n_m_s: sub(angular_n_m_s, delivered.angular_impulse_n_m_s),
        left_over_linear_n_s: linear_n_s.map(|p| sub(p, delivered.linear_impulse_n_s)),
        delivered,
        translation_spared,
        in_whole_ticks,
        as_flown: kernel.as_flown(&jets),
        propellant_kg: kernel.steady_propellant_kg(&common.acting_s),
        propellant_given_time_kg: patient,
        propellant_as_flown_kg: jets.iter().map(|jet| jet.propellant_kg).sum(),
        jets,
        multipliers_kg_per_n_m_s: multipliers,
        multipliers_kg_per_n_s: linear_multipliers,
        optimality_gap: common.gap,
        proven: common.proven,
    };
    Ok((answer, common.certificate))
}

/// Jets and on-times for a change of body rate (rad/s).
///
/// # Errors
/// When the kernel refuses its table.
pub fn rotation(scenario: &Scenario, rate_change_rad_s: [f64; 3]) -> Result<Rotation> {
    let kernel = Kernel::new(scenario)?;
    let solved = kernel.solve(&Asked::for_turning(rate_change_rad_s), None);
    let common = Common::of(&solved);
    let jets = kernel.firings(&common);
    Ok(Rotation {
        outcome: common.outcome,
        share: common.share,
        propellant_kg: jets.iter().map(|jet| jet.propellant_kg).sum(),
        as_flown: kernel.as_flown(&jets),
        jets,
    })
}

/// What is selected for a change of body rate when time does not matter.
#[derive(Clone, Debug, PartialEq)]
pub struct Turning {
    /// How the selection ended.
    pub outcome: &'static str,
    /// Time at full thrust per jet of the vehicle, not rounded, s.
    pub acting_s: Vec<f64>,
}

/// Jets and acting times for each of several changes of body rate (rad/s), no on-time at its limit.
///
/// # Errors
/// When the kernel refuses its table.
pub fn turnings(scenario: &Scenario, rate_changes_rad_s: &[[f64; 3]]) -> Result<Vec<Turning>> {
    let kernel = Kernel::new(scenario)?;
    let one = |change: &[f64; 3]| {
        let common = Common::of(&kernel.solve_any(&Asked::for_turning(*change), Some(LONG_S)));
        Turning { outcome: common.outcome, acting_s: common.acting_s }
    };
    Ok(rate_changes_rad_s.iter().map(one).collect())
}

/// Rate change (three) and velocity change (three) per second.
type Row = [f32; 6];

/// A demand, and the rows it is made in.
struct Asked<const M: usize> {
    rows: fn(&Row) -> [f32; M],
    demand: Demand<M>,
    /// Served first to last when not all rows can be.
    priority: [u8; M],
}

impl Asked<3> {
    /// A change of body rate (rad/s), velocity left free.
    fn for_turning(change: [f64; 3]) -> Self {
        let demand = Demand::point(change.map(|w| w as f32));
        Self { rows: |e| [e[0], e[1], e[2]], demand, priority: [0, 1, 2] }
    }
}

impl Asked<6> {
    /// A change of body rate (rad/s) and of velocity (m/s).
    fn for_both([a, b, c]: [f64; 3], [x, y, z]: [f64; 3]) -> Self {
        Self::for_rows(Demand::point([a, b, c, x, y, z].map(|w| w as f32)))
    }

    fn for_rows(demand: Demand<6>) -> Self {
        Self { rows: |e| *e, demand, priority: [0, 1, 2, 3, 4, 5] }
    }
}

/// What does not depend on the number of rows.
struct Common {
    outcome: &'static str,
    share: f64,
    cycles: u32,
    longest_s: f64,
    acting_s: Vec<f64>,
    ticks: Option<Vec<u16>>,
    whole: Option<[f64; 4]>,
    nodes: u16,
    gap: f64,
    proven: bool,
    certificate: SelectionCertificate,
}

impl Common {
    fn of<const M: usize>(solved: &Solved<M>) -> Self {
        Self {
            outcome: outcome_word(solved.answer.outcome),
            share: f64::from(solved.answer.lambda),
            cycles: solved.cycles,
            longest_s: solved.longest_s,
            acting_s: solved.answer.on_time.iter().map(|t| f64::from(*t)).collect(),
            ticks: solved.ticks.as_ref().map(|ticks| ticks.on_ticks.to_vec()),
            whole: solved
                .ticks
                .as_ref()
                .map(|ticks| [ticks.price, ticks.cost, ticks.relaxed_cost, ticks.bound].map(f64::from)),
            nodes: solved.ticks.as_ref().map_or(0, |ticks| ticks.nodes),
            gap: solved.check.gap,
            proven: solved.check.ok(),
            certificate: solved.certificate.clone(),
        }
    }
}

/// Stable words for how a selection ended.
#[must_use]
pub fn outcome_word(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Nothing => "nothing_asked",
        Outcome::Exact => "delivered",
        Outcome::Shortened => "shortened",
        Outcome::Prioritised => "axes_by_priority",
        Outcome::Coupled => "delivered_but_for_coupling",
        Outcome::NoJets => "no_jets",
        Outcome::Refused => "refused",
        Outcome::Stalled => "stalled",
    }
}

/// The kernel as it is told, and the stack as it is.
struct Kernel<'a> {
    scenario: &'a Scenario,
    table: ConfigurationTable<JETS>,
    rows: Vec<Row>,
    actual: MassProperties,
}

impl<'a> Kernel<'a> {
    fn new(scenario: &'a Scenario) -> Result<Self> {
        let table = table::build(scenario, &scenario.stack, &scenario.told)?;
        let told = table.validate().context("the kernel refuses its table")?;
        let effectiveness = Effectiveness::<JETS>::new(&table.jets, &told);
        let row = |e: &stackhold_kernel::effectiveness::Effect| {
            let ([a, b, c], [d, e, f]) = (e.turn_rad_s2.0, e.push_m_s2.0);
            [a, b, c, d, e, f]
        };
        let rows = effectiveness.effects().iter().map(row).collect();
        let vehicle = &scenario.vehicle;
        let actual = stack::composite(vehicle, &scenario.stack, &stack::full_tanks(vehicle));
        Ok(Self { scenario, table, rows, actual })
    }

    /// The kernel's selection with the shortest limit that delivers all of the demand, else the longest; the whole
    /// ticks are chosen for the share that is delivered.
    fn solve<const M: usize>(&self, asked: &Asked<M>, within_s: Option<f64>) -> Solved<M> {
        let mut solved = self.solve_any(asked, within_s);
        solved.ticks = self.choose_ticks(asked, &solved);
        solved
    }

    /// Whole ticks for an answer: its demand, or the share of it that the answer delivers.
    fn choose_ticks<const M: usize>(
        &self,
        asked: &Asked<M>,
        solved: &Solved<M>,
    ) -> Option<WholeTicks<M, JETS>> {
        let longest = (solved.longest_s / self.scenario.kernel.tick_s + 1e-6).floor();
        if solved.answer.on_time.iter().all(|t| *t == 0.0) || longest > f64::from(u16::MAX) {
            return None;
        }
        let demand = match solved.answer.outcome {
            Outcome::Exact => asked.demand,
            _ => Demand::point(solved.answer.achieved),
        };
        let timing = &self.table.timing;
        let rules: Vec<TickRule> = self
            .table
            .jets
            .iter()
            .map(|jet| {
                let rule = TickRule::of(jet, timing, false);
                // Over several cycles a pulse runs through the edges and may close anywhere.
                let longest = (longest as u16).max(rule.shortest);
                if solved.cycles > 1 { TickRule { longest, through_edge: 0, ..rule } } else { rule }
            })
            .collect();
        let (columns, price) = (self.columns(asked), self.prices());
        let usable = self.usable();
        let left_over = left_over_price(&columns, &price, usable, &solved.answer.multipliers);
        let problem = TickProblem {
            columns: &columns,
            price: &price,
            rules: &rules,
            usable,
            demand: &demand,
            left_over_price: &left_over,
            tick_s: timing.tick_s,
            shared: &self.table.shared,
            loaded: [0; LOADS],
            most_nodes: MOST_NODES,
        };
        Some(choose(&problem))
    }

    fn columns<const M: usize>(&self, asked: &Asked<M>) -> Vec<[f32; M]> {
        self.rows.iter().map(asked.rows).collect()
    }

    /// Of every jet, kg/s.
    fn prices(&self) -> Vec<f32> {
        self.table.jets.iter().map(Jet::price_kg_s).collect()
    }

    /// Jets that may fire.
    fn usable(&self) -> JetMask {
        let enabled = self.table.jets.iter().enumerate().filter(|(_, jet)| jet.enabled);
        enabled.fold(JetMask::NONE, |mask, (j, _)| mask.with(j))
    }

    /// The answer that spares translation, where the table wishes for it and it costs no more than the wish
    /// allows.
    fn sparing(&self, free: &Solved<3>, change: [f64; 3], within_s: Option<f64>) -> Option<Solved<6>> {
        let wish = self.table.spare_translation;
        if !wish.is_on() || free.answer.outcome != Outcome::Exact {
            return None;
        }
        let [a, b, c] = change.map(|w| w as f32);
        let v = wish.within_m_s;
        let demand = Demand::between([a, b, c, -v, -v, -v], [a, b, c, v, v, v]);
        let spared = self.solve(&Asked::for_rows(demand), within_s);
        let prices = self.prices();
        let price =
            |times: &[f32]| -> f64 { prices.iter().zip(times).map(|(price, t)| f64::from(price * t)).sum() };
        let most = (1.0 + f64::from(wish.extra_share)) * price(&free.answer.on_time);
        let taken = spared.answer.outcome == Outcome::Exact && price(&spared.answer.on_time) <= most;
        taken.then_some(spared)
    }

    /// As [`Self::solve`], without whole ticks.
    fn solve_any<const M: usize>(&self, asked: &Asked<M>, within_s: Option<f64>) -> Solved<M> {
        let (columns, price) = (self.columns(asked), self.prices());
        let usable = self.usable();
        let cycle_s = f64::from(self.table.timing.cycle_s());
        let attempt = |longest_s: f64, cycles: u32| {
            let limit = vec![longest_s as f32; columns.len()];
            let problem = Problem {
                columns: &columns,
                price: &price,
                limit: &limit,
                usable,
                demand: &asked.demand,
                priority: asked.priority,
            };
            let answer = select::<M, JETS>(&problem);
            let check = selection_check::check_selection(&problem, &answer);
            let certificate = SelectionCertificate::new(&problem, &answer);
            Solved { answer, check, cycles, longest_s, ticks: None, certificate }
        };
        if let Some(within_s) = within_s {
            return attempt(within_s, (within_s / cycle_s).ceil().clamp(1.0, 1e9) as u32);
        }
        let mut tried = CYCLES.iter().map(|cycles| attempt(f64::from(*cycles) * cycle_s, *cycles));
        let one_cycle = tried.next().unwrap_or_else(|| attempt(cycle_s, 1));
        let done = |s: &Solved<M>| matches!(s.answer.outcome, Outcome::Exact | Outcome::Nothing);
        if done(&one_cycle) {
            return one_cycle;
        }
        let mut last = one_cycle;
        for solved in tried {
            let enough = done(&solved);
            last = solved;
            if enough {
                break;
            }
        }
        last
    }

    /// Propellant with any on-time allowed, kg.
    fn patient<const M: usize>(&self, asked: &Asked<M>) -> Option<f64> {
        let solved = self.solve_any(asked, Some(LONG_S));
        let acting: Vec<f64> = solved.answer.on_time.iter().map(|t| f64::from(*t)).collect();
        (solved.answer.outcome == Outcome::Exact).then(|| self.steady_propellant_kg(&acting))
    }

    /// Whole ticks for each jet that fires: as chosen, or rounded where on-times are too long for that.
    fn firings(&self, common: &Common) -> Vec<Firing> {
        let jets = self.scenario.vehicle.jets.iter().zip(&self.table.jets).zip(&common.acting_s).enumerate();
        jets.filter_map(|(j, ((jet, told), acting))| {
            let chosen = common.ticks.as_ref().and_then(|ticks| ticks.get(j)).map(|ticks| u64::from(*ticks));
            let ticks = chosen.unwrap_or_else(|| self.rounded(*acting, told));
            if ticks == 0 && *acting == 0.0 {
                return None;
            }
            let on_time_s = ticks as f64 * self.scenario.kernel.tick_s;
            let propellant_kg = if ticks > 0 { pulse(jet, on_time_s).propellant_kg } else { 0.0 };
            let jet = jet.name.clone();
            Some(Firing { jet, acting_time_s: *acting, on_time_s, on_ticks: ticks, propellant_kg })
        })
        .collect()
    }

    /// Ticks nearest to an acting time, s.
    fn rounded(&self, acting_s: f64, told: &Jet) -> u64 {
        let tick_s = self.scenario.kernel.tick_s;
        let shortest = u64::from(told.minimum_on_ticks);
        let offset = f64::from(told.pulse_offset_s);
        if acting_s < 0.5 * (shortest as f64 * tick_s + offset) {
            0
        } else {
            (((acting_s - offset) / tick_s).round().max(0.0) as u64).max(shortest)
        }
    }

    /// What the chosen ticks leave of what on-times deliver, and how good the choice is.
    fn in_whole_ticks(
        &self,
        common: &Common,
        delivered: &Effect,
        told: &MassProperties,
        linear: bool,
    ) -> Option<InWholeTicks> {
        let ([price_kg, cost_kg, relaxed_cost_kg, bound_kg], ticks) =
            common.whole.zip(common.ticks.as_ref())?;
        let tick_s = self.scenario.kernel.tick_s;
        let acting_s: Vec<f64> = self
            .table
            .jets
            .iter()
            .zip(ticks)
            .map(|(jet, ticks)| match ticks {
                0 => 0.0,
                _ => f64::from(*ticks) * tick_s + f64::from(jet.pulse_offset_s),
            })
            .collect();
        let whole = self.delivered(&acting_s, told);
        Some(InWholeTicks {
            left_over_angular_n_m_s: sub(delivered.angular_impulse_n_m_s, whole.angular_impulse_n_m_s),
            left_over_linear_n_s: linear.then(|| sub(delivered.linear_impulse_n_s, whole.linear_impulse_n_s)),
            price_kg,
            cost_kg,
            relaxed_cost_kg,
            gap: if cost_kg > 0.0 { (1.0 - bound_kg / cost_kg).max(0.0) } else { 0.0 },
            nodes: common.nodes,
        })
    }

    fn steady_propellant_kg(&self, acting_s: &[f64]) -> f64 {
        self.table.jets.iter().zip(acting_s).map(|(jet, t)| f64::from(jet.flow_kg_s()) * t).sum()
    }

    /// By what the kernel is told, times not rounded.
    fn delivered(&self, acting_s: &[f64], told: &MassProperties) -> Effect {
        let jets = plume::on(&self.scenario.vehicle.jets, &self.scenario.told.stack);
        let jets = jets.iter().zip(acting_s);
        let factor = self.scenario.told.thrust_factor;
        effect(
            told,
            jets.map(|(jet, t)| (jet.position_m, jet.force_direction.map(|d| d * jet.thrust_n * factor * t))),
        )
    }

    /// On the stack as it is.
    fn as_flown(&self, firings: &[Firing]) -> Effect {
        let jets = plume::on(&self.scenario.vehicle.jets, &self.scenario.stack);
        let fired = firings.iter().filter(|firing| firing.on_ticks > 0);
        effect(
            &self.actual,
            fired.filter_map(|firing| {
                let jet = jets.iter().find(|jet| jet.name == firing.jet)?;
                let impulse = pulse(jet, firing.on_time_s).impulse_n_s;
                Some((jet.position_m, jet.force_direction.map(|d| d * impulse)))
            }),
        )
    }
}

/// Sum of impulses at points, about the centre of mass.
fn effect(stack: &MassProperties, impulses: impl Iterator<Item = ([f64; 3], [f64; 3])>) -> Effect {
    let (mut angular, mut linear) = (Vector3::zeros(), Vector3::zeros());
    for (position, impulse) in impulses {
        angular += Vector3::from(cross(sub(position, stack.centre_of_mass_m), impulse));
        linear += Vector3::from(impulse);
    }
    let turn: [f64; 3] =
        stack.inertia().try_inverse().map_or([f64::NAN; 3], |inverse| (inverse * angular).into());
    Effect {
        angular_impulse_n_m_s: angular.into(),
        linear_impulse_n_s: linear.into(),
        rate_change_deg_s: turn.map(f64::to_degrees),
        velocity_change_m_s: (linear / stack.mass_kg).into(),
    }
}
