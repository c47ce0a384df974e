//! What the jets can do about the actual centre of mass: torque and force of each, cross-coupling,
//! attainable torque and its price in every direction, what each single jet failure costs, and how wrong
//! the told centre of mass may be ([`crate::sign_margin`]), what interfaces between bodies carry
//! ([`crate::interface_loads`]), and what the main engine leaves to the jets ([`crate::engine_authority`]).
//!
//! Steady thrust, all jets free to fire at any share of the time (0 to 1). Two linear programs per
//! direction `v`: the attainable torque is the largest `λ` with `Σ u_j T_j = λ v`, `0 ≤ u ≤ 1`; the
//! price is the least propellant of one N·m·s along `v`. What the pilot calls one axis is an
//! acceleration axis: with products of inertia the torque that turns one axis alone is `J e`.

use std::f64::consts::{PI, TAU};

use anyhow::{Context, Result, bail};
use microlp::{ComparisonOp, LinearExpr, OptimizationDirection, Problem, Variable};
use nalgebra::{Matrix3, Vector3};
use serde::Serialize;

use crate::bound::{Bit, STANDARD_GRAVITY_M_S2, certify, cross, norm, sub, usable};
use crate::engine_authority::{EngineAuthority, engine_authority};
use crate::interface_loads::{InterfaceAuthority, interface_loads};
use crate::metrics::{self, AXES};
use crate::plume;
use crate::scenario::model::{JetState, Scenario, Told};
use crate::select::{self, Rotation};
use crate::sign_margin::{SignMargins, sign_margins};
use crate::stack::{self, MassProperties};
use crate::truth::joints::{FreeMode, free_modes};

/// Directions spread evenly over the sphere (Fibonacci lattice).
pub const DIRECTIONS: usize = 200;

/// Torque below this share of the jet's largest component says nothing about its sign.
const SIGN_SHARE: f64 = 0.1;

/// A torque below this share of what the healthy layout gives along an axis counts as unattainable.
const GONE: f64 = 1e-6;

/// One jet about the actual centre of mass.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JetAuthority {
    /// Name.
    pub jet: String,
    /// Whether it may fire, and why not.
    pub state: JetState,
    /// Whether its body is there.
    pub present: bool,
    /// Force on the vehicle, structural axes, N.
    pub force_n: [f64; 3],
    /// Torque about the actual centre of mass, N·m.
    pub torque_n_m: [f64; 3],
    /// Torque about the centre of mass the jets were laid out for, N·m.
    pub design_torque_n_m: [f64; 3],
    /// Angular acceleration, deg/s².
    pub acceleration_deg_s2: [f64; 3],
    /// Axes on which the torque has changed sign against the design.
    pub sign_changed: Vec<&'static str>,
    /// What its plume does to the stack; counted in force and torque above, not in those of the design.
    pub plume: Option<PlumeAuthority>,
}

/// What a plume does to the stack that it strikes, at steady thrust.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PlumeAuthority {
    /// The body it strikes.
    pub body: String,
    /// Where, structural axes, m.
    pub place_m: [f64; 3],
    /// Force on the stack, structural axes, N.
    pub force_n: [f64; 3],
    /// Torque about the actual centre of mass, N·m.
    pub torque_n_m: [f64; 3],
    /// Share of the thrust that is left along the jet's own direction.
    pub thrust_left_share: f64,
}

/// One commanded acceleration axis, one direction.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AxisAuthority {
    /// `+x` .. `-z`.
    pub axis: String,
    /// Largest acceleration with the other axes still, deg/s²; 0 when it cannot be had.
    pub acceleration_deg_s2: f64,
    /// Largest torque along the body axis alone, N·m.
    pub torque_n_m: f64,
    /// Least propellant per rate change with the other axes still; `None` when it cannot be had.
    pub price_kg_per_deg_s: Option<f64>,
    /// Off-axis over commanded acceleration of what is selected as the kernel is told, flown on the
    /// true stack; `None` when nothing is selected or nothing moves the right way.
    pub coupling_as_told: Option<f64>,
    /// The same for what is selected about the design centre of mass.
    pub coupling_about_design: Option<f64>,
    /// Whether the selection about the design centre of mass turns the stack the wrong way.
    pub design_turns_wrong_way: bool,
    /// Smallest rate change one minimum pulse makes on this side, deg/s, of the jets that turn this axis
    /// more than the others.
    pub smallest_bit_deg_s: Option<f64>,
    /// Whether no jet does, so that the one with the largest share on this side stands in.
    pub smallest_bit_is_stand_in: bool,
    /// Jet of the smallest bit.
    pub smallest_bit_jet: Option<String>,
    /// Propellant of the smallest bit, kg.
    pub smallest_bit_kg: Option<f64>,
    /// Jets and on-times for the asked rate change, by the kernel's own selection.
    pub rotation: Rotation,
}

/// Extremes over directions.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Spread {
    /// Directions looked at (axes included).
    pub directions: usize,
    /// Directions in which no torque can be had.
    pub unattainable_directions: usize,
    /// Smallest attainable torque, N·m.
    pub least_torque_n_m: f64,
    /// Its direction.
    pub least_torque_direction: [f64; 3],
    /// Largest attainable torque, N·m.
    pub most_torque_n_m: f64,
    /// Its direction.
    pub most_torque_direction: [f64; 3],
    /// Lowest price where torque can be had, kg per N·m·s.
    pub lowest_price_kg_per_n_m_s: Option<f64>,
    /// Highest price where torque can be had, kg per N·m·s.
    pub highest_price_kg_per_n_m_s: Option<f64>,
    /// Direction of the highest price.
    pub highest_price_direction: Option<[f64; 3]>,
}

/// What the loss of one jet costs.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Failure {
    /// The jet.
    pub jet: String,
    /// Whether the others still turn the stack in every direction.
    pub every_direction_left: bool,
    /// Acceleration axes that can no longer be turned alone, `+x` .. `-z`.
    pub axes_lost: Vec<String>,
    /// Attainable torque in the worst direction, N·m; 0 when a direction is lost.
    pub least_torque_n_m: f64,
    /// That direction.
    pub least_torque_direction: [f64; 3],
    /// Largest price over the healthy price where torque can still be had; `None` when nowhere.
    pub worst_price_ratio: Option<f64>,
}

/// Mass properties for files.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct MassFigures {
    /// Mass, kg.
    pub mass_kg: f64,
    /// Centre of mass, structural axes, m.
    pub centre_of_mass_m: [f64; 3],
    /// Inertia about it, kg·m²; off-diagonal elements are minus the integral.
    pub inertia_kg_m2: [[f64; 3]; 3],
    /// Principal moments, ascending, kg·m².
    pub principal_moments_kg_m2: [f64; 3],
}

/// Everything `stackhold authority` says.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Authority {
    /// Scenario.
    pub scenario: String,
    /// Bodies that are there.
    pub stack: Vec<String>,
    /// True mass properties at the start.
    pub actual: MassFigures,
    /// What the kernel is told.
    pub told: MassFigures,
    /// Centre of mass the jets were laid out for, m.
    pub design_centre_of_mass_m: [f64; 3],
    /// Actual less design, m.
    pub centre_of_mass_shift_m: [f64; 3],
    /// Largest product of inertia over the smallest moment.
    pub largest_product_over_smallest_moment: f64,
    /// One entry per jet.
    pub jets: Vec<JetAuthority>,
    /// Rate change the rotations below are for, deg/s.
    pub rate_change_deg_s: f64,
    /// Six entries: `+x`, `-x`, `+y`, `-y`, `+z`, `-z`.
    pub axes: Vec<AxisAuthority>,
    /// Attainable torque and price over all directions.
    pub attainable: Spread,
    /// Whether the usable jets can turn the stack in every direction.
    pub every_direction: bool,
    /// One entry per usable jet.
    pub failures: Vec<Failure>,
    /// How wrong the told centre of mass may be.
    pub sign_margins: SignMargins,
    /// What interfaces between bodies carry.
    pub interfaces: Vec<InterfaceAuthority>,
    /// The main engine, where one is there.
    pub engine: Option<EngineAuthority>,
    /// How the free stack swings at its sprung joints, tanks full.
    pub free_modes: Vec<FreeMode>,
}

/// Usable jets as columns: torque at full thrust, N·m, and flow at full thrust, kg/s.
#[derive(Clone, Debug)]
pub struct Layout {
    /// Index in the vehicle.
    pub index: Vec<usize>,
    /// Torque about a stated point, N·m.
    pub torque_n_m: Vec<[f64; 3]>,
    /// Propellant flow, kg/s.
    pub flow_kg_s: Vec<f64>,
}

impl Layout {
    /// The usable jets of a scenario about `centre_m`.
    #[must_use]
    pub fn about(scenario: &Scenario, centre_m: [f64; 3]) -> Self {
        Self::believed(scenario, centre_m, &scenario.stack)
    }

    /// The same with the plumes that would strike a stack of these bodies.
    #[must_use]
    pub fn believed(scenario: &Scenario, centre_m: [f64; 3], bodies: &[String]) -> Self {
        let mut layout = Self { index: Vec::new(), torque_n_m: Vec::new(), flow_kg_s: Vec::new() };
        for (index, jet) in scenario.vehicle.jets.iter().enumerate() {
            if usable(jet, &scenario.stack) {
                let jet = jet.on(bodies);
                let force = jet.force_direction.map(|d| d * jet.thrust_n);
                layout.index.push(index);
                layout.torque_n_m.push(cross(sub(jet.position_m, centre_m), force));
                layout.flow_kg_s.push(jet.thrust_n / (jet.specific_impulse_s * STANDARD_GRAVITY_M_S2));
            }
        }
        layout
    }

    /// Without its `k`-th jet.
    #[must_use]
    pub fn without(&self, k: usize) -> Self {
        let mut fewer = self.clone();
        fewer.index.remove(k);
        fewer.torque_n_m.remove(k);
        fewer.flow_kg_s.remove(k);
        fewer
    }

    /// Largest torque along `direction` with nothing across it, N·m; zero when none.
    ///
    /// # Errors
    /// When the linear program fails.
    pub fn attainable_n_m(&self, direction: [f64; 3]) -> Result<f64> {
        let scale = self.torque_n_m.iter().map(|t| norm(*t)).fold(0.0, f64::max);
        if scale == 0.0 {
            return Ok(0.0);
        }
        let length = norm(direction);
        let mut problem = Problem::new(OptimizationDirection::Maximize);
        let lambda = problem.add_var(1.0, (0.0, f64::INFINITY));
        let shares: Vec<Variable> =
            self.torque_n_m.iter().map(|_| problem.add_var(0.0, (0.0, 1.0))).collect();
        for row in 0..3 {
            let mut sum = LinearExpr::empty();
            add(&mut sum, lambda, -direction[row] / length);
            for (share, torque) in shares.iter().zip(&self.torque_n_m) {
                add(&mut sum, *share, torque[row] / scale);
            }
            problem.add_constraint(sum, ComparisonOp::Eq, 0.0);
        }
        let outcome = problem.solve().context("linear program of the attainable torque")?;
        let Some(solution) = outcome.solution() else { bail!("attainable torque: interrupted") };
        let found = solution.objective() * scale;
        Ok(if found > GONE * scale { found } else { 0.0 })
    }

    /// Least propellant of one N·m·s along `direction`, kg, proven from below; `None` when it is out of
    /// reach.
    #[must_use]
    pub fn price_kg_per_n_m_s(&self, direction: [f64; 3]) -> Option<f64> {
        let length = norm(direction);
        let usable = vec![true; self.index.len()];
        let columns = std::slice::from_ref(&self.torque_n_m);
        let slack = [1e-12; 3];
        certify(columns, &self.flow_kg_s, &usable, direction.map(|d| d / length), slack)
            .ok()
            .map(|certificate| certificate.value_kg)
            .filter(|price| *price > 0.0)
    }

    /// Whether the jets turn the stack in every direction: their torques span three dimensions and some
    /// firing with **every** effective jet on gives no torque at all (positive spanning; the largest
    /// least share is found by a linear program).
    ///
    /// # Errors
    /// When the linear program fails.
    pub fn every_direction(&self) -> Result<bool> {
        let scale = self.torque_n_m.iter().map(|t| norm(*t)).fold(0.0, f64::max);
        let unit: Vec<[f64; 3]> = self
            .torque_n_m
            .iter()
            .filter(|t| norm(**t) > 1e-9 * scale)
            .map(|t| t.map(|c| c / norm(*t)))
            .collect();
        let gram: Matrix3<f64> = unit.iter().map(|t| Vector3::from(*t) * Vector3::from(*t).transpose()).sum();
        let smallest = gram.symmetric_eigenvalues().min();
        if unit.len() < 4 || smallest < 1e-12 * unit.len() as f64 {
            return Ok(false);
        }
        let mut problem = Problem::new(OptimizationDirection::Maximize);
        let least = problem.add_var(1.0, (0.0, 1.0));
        let shares: Vec<Variable> = unit.iter().map(|_| problem.add_var(0.0, (0.0, 1.0))).collect();
        for row in 0..3 {
            let mut sum = LinearExpr::empty();
            for (share, torque) in shares.iter().zip(&unit) {
                add(&mut sum, *share, torque[row]);
            }
            problem.add_constraint(sum, ComparisonOp::Eq, 0.0);
        }
        for share in &shares {
            problem.add_constraint([(*share, 1.0), (least, -1.0)], ComparisonOp::Ge, 0.0);
        }
        let outcome = problem.solve().context("linear program of positive spanning")?;
        Ok(outcome.solution().is_some_and(|solution| solution.objective() > 1e-6))
    }

    /// Least propellant flow of jets that make this torque, N·m, by shares of time from 0 to 1, kg/s; `None` when it is
    /// out of reach.
    #[must_use]
    pub fn least_flow_kg_s(&self, torque_n_m: [f64; 3]) -> Option<f64> {
        let scale = self.torque_n_m.iter().map(|t| norm(*t)).fold(0.0, f64::max);
        let most = self.flow_kg_s.iter().copied().fold(0.0, f64::max);
        let mut problem = Problem::new(OptimizationDirection::Minimize);
        let shares: Vec<Variable> =
            self.flow_kg_s.iter().map(|flow| problem.add_var(flow / most, (0.0, 1.0))).collect();
        for row in 0..3 {
            let mut sum = LinearExpr::empty();
            for (share, torque) in shares.iter().zip(&self.torque_n_m) {
                add(&mut sum, *share, torque[row] / scale);
            }
            problem.add_constraint(sum, ComparisonOp::Eq, torque_n_m[row] / scale);
        }
        let outcome = problem.solve().ok()?;
        outcome.solution().map(|solution| solution.objective() * most)
    }

    /// Shares of time (all at most 1 after scaling) that turn along `direction` for the least
    /// propellant; `None` when it is out of reach.
    fn cheapest(&self, direction: [f64; 3]) -> Option<Vec<f64>> {
        let scale = self.torque_n_m.iter().map(|t| norm(*t)).fold(0.0, f64::max);
        let flow = self.flow_kg_s.iter().copied().fold(0.0, f64::max);
        let mut problem = Problem::new(OptimizationDirection::Minimize);
        let open = (0.0, f64::INFINITY);
        let times: Vec<Variable> = self.flow_kg_s.iter().map(|f| problem.add_var(f / flow, open)).collect();
        for row in 0..3 {
            let mut sum = LinearExpr::empty();
            for (time, torque) in times.iter().zip(&self.torque_n_m) {
                add(&mut sum, *time, torque[row] / scale);
            }
            problem.add_constraint(sum, ComparisonOp::Eq, direction[row] / norm(direction));
        }
        let outcome = problem.solve().ok()?;
        let solution = outcome.solution()?;
        Some(times.iter().map(|time| solution.var_value(*time)).collect())
    }

    /// Torque of given shares, N·m.
    fn torque_of(&self, shares: &[f64]) -> [f64; 3] {
        let mut sum = [0.0; 3];
        for (share, torque) in shares.iter().zip(&self.torque_n_m) {
            sum = [0, 1, 2].map(|i| sum[i] + share * torque[i]);
        }
        sum
    }
}

/// Rounding dust only spoils the solver's scaling.
fn add(sum: &mut LinearExpr, variable: Variable, coefficient: f64) {
    if coefficient.abs() > 1e-9 {
        sum.add(variable, coefficient);
    }
}

/// `n` directions spread evenly over the sphere (Fibonacci lattice: equal areas in z, golden-angle
/// turns).
#[must_use]
pub fn sphere(n: usize) -> Vec<[f64; 3]> {
    let golden = PI * (3.0 - 5.0_f64.sqrt());
    (0..n)
        .map(|k| {
            let z = 1.0 - (2.0 * k as f64 + 1.0) / n as f64;
            let (r, turn) = ((1.0 - z * z).sqrt(), (golden * k as f64) % TAU);
            [r * turn.cos(), r * turn.sin(), z]
        })
        .collect()
}

/// `+x`, `-x`, .. with their unit vectors.
pub(crate) fn signed_axes() -> [(String, [f64; 3]); 6] {
    std::array::from_fn(|k| {
        let (axis, sign) = (k / 2, if k % 2 == 0 { 1.0 } else { -1.0 });
        let mut unit = [0.0; 3];
        unit[axis] = sign;
        (format!("{}{}", if sign > 0.0 { '+' } else { '-' }, AXES[axis]), unit)
    })
}

/// Works out the authority of a scenario's own flight at its start.
///
/// * `rate_change_deg_s` — for the on-times per axis.
///
/// # Errors
/// When no jet is usable, the mass properties are singular, or the kernel refuses its table.
pub fn authority(scenario: &Scenario, rate_change_deg_s: f64) -> Result<Authority> {
    let vehicle = &scenario.vehicle;
    let actual = stack::composite(vehicle, &scenario.stack, &stack::full_tanks(vehicle));
    let told = told_properties(scenario, &scenario.told);
    let layout = Layout::about(scenario, actual.centre_of_mass_m);
    if layout.index.is_empty() {
        bail!("no jet of this stack may fire");
    }
    let inertia = actual.inertia();
    let inverse = inertia.try_inverse().context("the stack's inertia is singular")?;
    let directions: Vec<[f64; 3]> =
        sphere(DIRECTIONS).into_iter().chain(signed_axes().map(|(_, unit)| unit)).collect();
    let healthy = survey(&layout, &directions)?;
    let pushing = plume::on(&vehicle.jets, &scenario.stack);
    let arms: Vec<[f64; 3]> =
        pushing.iter().map(|jet| actual.arm_m(jet.position_m, jet.force_direction)).collect();
    let bits = metrics::bits(&pushing, &scenario.stack, actual.inertia_kg_m2, &arms)?;
    let context = Axes { scenario, layout: &layout, inertia, inverse, told: &told, bits: &bits };
    let axes = signed_axes()
        .into_iter()
        .map(|(name, unit)| context.axis(name, unit, rate_change_deg_s))
        .collect::<Result<Vec<AxisAuthority>>>()?;
    Ok(Authority {
        scenario: scenario.name.clone(),
        stack: scenario.stack.clone(),
        actual: figures(&actual),
        told: figures(&told),
        design_centre_of_mass_m: vehicle.design_centre_of_mass_m,
        centre_of_mass_shift_m: sub(actual.centre_of_mass_m, vehicle.design_centre_of_mass_m),
        largest_product_over_smallest_moment: product_share(&actual.inertia_kg_m2),
        jets: jets(scenario, &actual, &inverse),
        rate_change_deg_s,
        interfaces: interface_loads(scenario, &axes),
        engine: engine_authority(scenario)?,
        free_modes: free_modes(&scenario.vehicle, &scenario.joints, &scenario.stack),
        axes,
        attainable: spread(&directions, &healthy),
        every_direction: layout.every_direction()?,
        failures: failures(scenario, &layout, &inertia, &directions, &healthy)?,
        sign_margins: sign_margins(scenario, &scenario.stack, &scenario.told)?,
    })
}

/// Mass properties as the kernel is told them.
#[must_use]
pub fn told_properties(scenario: &Scenario, told: &Told) -> MassProperties {
    let vehicle = &scenario.vehicle;
    let mut told_is = stack::composite(vehicle, &told.stack, &stack::full_tanks(vehicle));
    told_is.mass_kg *= told.mass_factor;
    told_is.inertia_kg_m2 = told_is.inertia_kg_m2.map(|row| row.map(|v| v * told.mass_factor));
    for (centre, error) in told_is.centre_of_mass_m.iter_mut().zip(told.centre_of_mass_error_m) {
        *centre += error;
    }
    told_is
}

/// Mass properties with their principal moments.
#[must_use]
pub fn figures(properties: &MassProperties) -> MassFigures {
    MassFigures {
        mass_kg: properties.mass_kg,
        centre_of_mass_m: properties.centre_of_mass_m,
        inertia_kg_m2: properties.inertia_kg_m2,
        principal_moments_kg_m2: properties.principal().moments_kg_m2,
    }
}

fn product_share(inertia: &[[f64; 3]; 3]) -> f64 {
    let products = [inertia[0][1], inertia[0][2], inertia[1][2]];
    let moments = [inertia[0][0], inertia[1][1], inertia[2][2]];
    products.iter().fold(0.0, |m: f64, p| m.max(p.abs())) / moments.iter().copied().fold(f64::MAX, f64::min)
}

fn jets(scenario: &Scenario, actual: &MassProperties, inverse: &Matrix3<f64>) -> Vec<JetAuthority> {
    let design = scenario.vehicle.design_centre_of_mass_m;
    let one = |jet: &crate::scenario::model::Jet| {
        let pushing = jet.on(&scenario.stack);
        let force = pushing.force_direction.map(|d| d * pushing.thrust_n);
        let torque = cross(sub(pushing.position_m, actual.centre_of_mass_m), force);
        let plain = jet.force_direction.map(|d| d * jet.thrust_n);
        let design_torque = cross(sub(jet.position_m, design), plain);
        let strikes = jet.striking(&scenario.stack).map(|plume| PlumeAuthority {
            body: plume.body.clone(),
            place_m: plume.place_m(jet),
            force_n: plume.push_n(jet),
            torque_n_m: cross(sub(plume.place_m(jet), actual.centre_of_mass_m), plume.push_n(jet)),
            thrust_left_share: (0..3).map(|i| force[i] * jet.force_direction[i]).sum::<f64>() / jet.thrust_n,
        });
        let turn: [f64; 3] = (inverse * Vector3::from(torque)).into();
        let significant =
            |t: [f64; 3], i: usize| t[i].abs() > SIGN_SHARE * t.iter().fold(0.0_f64, |m, c| m.max(c.abs()));
        let changed = |i: &usize| {
            significant(torque, *i) && significant(design_torque, *i) && torque[*i] * design_torque[*i] < 0.0
        };
        JetAuthority {
            jet: jet.name.clone(),
            state: jet.state,
            present: scenario.stack.contains(&jet.body),
            force_n: force,
            torque_n_m: torque,
            design_torque_n_m: design_torque,
            acceleration_deg_s2: turn.map(f64::to_degrees),
            sign_changed: (0..3).filter(changed).map(|i| AXES[i]).collect(),
            plume: strikes,
        }
    };
    scenario.vehicle.jets.iter().map(one).collect()
}

/// Attainable torque and price along one direction.
#[derive(Clone, Copy, Debug)]
struct Reach {
    torque_n_m: f64,
    price_kg_per_n_m_s: Option<f64>,
}

fn survey(layout: &Layout, directions: &[[f64; 3]]) -> Result<Vec<Reach>> {
    let one = |direction: &[f64; 3]| {
        let torque_n_m = layout.attainable_n_m(*direction)?;
        let price_kg_per_n_m_s = if torque_n_m > 0.0 { layout.price_kg_per_n_m_s(*direction) } else { None };
        Ok(Reach { torque_n_m, price_kg_per_n_m_s })
    };
    directions.iter().map(one).collect()
}

fn spread(directions: &[[f64; 3]], reach: &[Reach]) -> Spread {
    let pairs = || directions.iter().zip(reach);
    let by_torque =
        |a: &(&[f64; 3], &Reach), b: &(&[f64; 3], &Reach)| a.1.torque_n_m.total_cmp(&b.1.torque_n_m);
    let none = (&[0.0; 3], &Reach { torque_n_m: 0.0, price_kg_per_n_m_s: None });
    let least = pairs().min_by(by_torque).unwrap_or(none);
    let most = pairs().max_by(by_torque).unwrap_or(none);
    let priced = || pairs().filter_map(|(d, r)| r.price_kg_per_n_m_s.map(|p| (*d, p)));
    let dearest = priced().max_by(|a, b| a.1.total_cmp(&b.1));
    Spread {
        directions: directions.len(),
        unattainable_directions: reach.iter().filter(|r| r.torque_n_m == 0.0).count(),
        least_torque_n_m: least.1.torque_n_m,
        least_torque_direction: *least.0,
        most_torque_n_m: most.1.torque_n_m,
        most_torque_direction: *most.0,
        lowest_price_kg_per_n_m_s: priced().map(|(_, p)| p).reduce(f64::min),
        highest_price_kg_per_n_m_s: dearest.map(|(_, p)| p),
        highest_price_direction: dearest.map(|(d, _)| d),
    }
}

fn failures(
    scenario: &Scenario,
    layout: &Layout,
    inertia: &Matrix3<f64>,
    directions: &[[f64; 3]],
    healthy: &[Reach],
) -> Result<Vec<Failure>> {
    let one = |k: usize| {
        let left = layout.without(k);
        let reach = survey(&left, directions)?;
        let all = spread(directions, &reach);
        let ratios = reach.iter().zip(healthy).filter_map(|(now, before)| {
            now.price_kg_per_n_m_s.zip(before.price_kg_per_n_m_s).map(|(now, before)| now / before)
        });
        let worst_price_ratio = ratios.reduce(f64::max);
        let mut axes_lost = Vec::new();
        for (name, unit) in signed_axes() {
            let wanted = (inertia * Vector3::from(unit)).into();
            // Gone already with every jet healthy is not this failure's doing.
            if left.attainable_n_m(wanted)? == 0.0 && layout.attainable_n_m(wanted)? > 0.0 {
                axes_lost.push(name);
            }
        }
        let every_direction_left = left.every_direction()?;
        Ok(Failure {
            jet: scenario.vehicle.jets[layout.index[k]].name.clone(),
            every_direction_left,
            axes_lost,
            least_torque_n_m: if every_direction_left { all.least_torque_n_m } else { 0.0 },
            least_torque_direction: all.least_torque_direction,
            worst_price_ratio,
        })
    };
    (0..layout.index.len()).map(one).collect()
}

/// What the six axes have in common.
struct Axes<'a> {
    scenario: &'a Scenario,
    layout: &'a Layout,
    inertia: Matrix3<f64>,
    inverse: Matrix3<f64>,
    told: &'a MassProperties,
    bits: &'a [Bit],
}

impl Axes<'_> {
    fn axis(&self, name: String, unit: [f64; 3], rate_change_deg_s: f64) -> Result<AxisAuthority> {
        let wanted: [f64; 3] = (self.inertia * Vector3::from(unit)).into();
        let per_rad = self.layout.price_kg_per_n_m_s(wanted).map(|price| price * norm(wanted));
        // The jets were laid out with nothing in the way of their plumes.
        let design = Layout::believed(self.scenario, self.scenario.vehicle.design_centre_of_mass_m, &[]);
        let about_told =
            Layout::believed(self.scenario, self.told.centre_of_mass_m, &self.scenario.told.stack);
        let told_wanted = (self.told.inertia() * Vector3::from(unit)).into();
        let (coupling_as_told, _) = self.coupling(&about_told, told_wanted, unit);
        let (coupling_about_design, design_turns_wrong_way) = self.coupling(&design, wanted, unit);
        let (axis, sign) = (0..3).map(|i| (i, unit[i])).find(|(_, s)| *s != 0.0).unwrap_or((0, 1.0));
        let this_side = || self.bits.iter().filter(|bit| bit.rate_change_rad_s[axis] * sign > 0.0);
        let size = |bit: &Bit| bit.rate_change_rad_s[axis].abs();
        let share = |bit: &Bit| size(bit) / norm(bit.rate_change_rad_s);
        let own = this_side().filter(|bit| bit.axis() == axis).min_by(|a, b| size(a).total_cmp(&size(b)));
        let smallest = own.or_else(|| this_side().max_by(|a, b| share(a).total_cmp(&share(b))));
        let change = unit.map(|u| (u * rate_change_deg_s).to_radians());
        Ok(AxisAuthority {
            axis: name,
            acceleration_deg_s2: (self.layout.attainable_n_m(wanted)? / norm(wanted)).to_degrees(),
            torque_n_m: self.layout.attainable_n_m(unit)?,
            price_kg_per_deg_s: per_rad.map(f64::to_radians),
            coupling_as_told,
            coupling_about_design,
            design_turns_wrong_way,
            smallest_bit_deg_s: smallest.map(|bit| size(bit).to_degrees()),
            smallest_bit_is_stand_in: own.is_none(),
            smallest_bit_jet: smallest.map(|bit| self.scenario.vehicle.jets[bit.jet].name.clone()),
            smallest_bit_kg: smallest.map(|bit| bit.propellant_kg),
            rotation: select::rotation(self.scenario, change)?,
        })
    }

    /// Off-axis over commanded acceleration on the true stack of what is cheapest for `wanted` in
    /// another layout of the same jets, and whether it turns the wrong way.
    fn coupling(&self, believed: &Layout, wanted: [f64; 3], unit: [f64; 3]) -> (Option<f64>, bool) {
        let Some(shares) = believed.cheapest(wanted) else { return (None, false) };
        let turn: [f64; 3] = (self.inverse * Vector3::from(self.layout.torque_of(&shares))).into();
        let along: f64 = turn.iter().zip(unit).map(|(t, u)| t * u).sum();
        let across = norm(sub(turn, unit.map(|u| u * along)));
        if along > 0.0 { (Some(across / along), false) } else { (None, true) }
    }
}
