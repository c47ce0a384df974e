//! What the main engine does about the actual centre of mass: the trim of its gimbal, and what torque is left over
//! with the gimbal stuck or the engine fixed. Can the jets carry it, at what price, and where not, for how long?
//!
//! Steady thrust without errors of thrust or direction; other tanks full; a torque as it stands at that moment, from rest,
//! `ω × J ω` left out: it is of second order in what is turned until then. The jets carry a torque when some shares of time
//! (0 to 1) of the usable ones make its opposite; the flow is the least that does, by linear programming. A share near 1
//! leaves nothing to hold the attitude with. What the jets push the stack sideways meanwhile is not looked at.

use anyhow::{Context, Result};
use nalgebra::Vector3;
use serde::Serialize;

use crate::authority::Layout;
use crate::bound::{STANDARD_GRAVITY_M_S2, norm};
use crate::scenario::model::{Engine, Scenario};
use crate::stack::{self, MassProperties};
use crate::truth::engine::Mount;

/// Attitude error at which a burn counts as lost, degrees.
pub const ATTITUDE_LIMIT_DEG: f64 = 5.0;
/// How much of what its tank can give is burnt when a gimbal that stays at the trim of the start is looked at.
const BURNT_SHARES: [f64; 3] = [0.25, 0.5, 1.0];
/// A torque below this share of thrust times a metre is none.
const NO_TORQUE: f64 = 1e-9;

/// How the gimbal stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum GimbalState {
    /// As near to the trim as its travel allows.
    Trimmed,
    /// Stuck at zero.
    StuckAtZero,
    /// Stuck at the trim of the start.
    StuckAtTrim,
    /// Stuck where the scenario says.
    StuckAsSaid,
    /// There is none.
    Fixed,
}

/// A torque that the engine makes, and what the jets can do about it.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EngineCase {
    /// How the gimbal stands.
    pub gimbal: GimbalState,
    /// Propellant that the engine has burnt since the start, kg.
    pub burnt_kg: f64,
    /// Angles about first and second axis, degrees.
    pub gimbal_deg: [f64; 2],
    /// How far the line of force passes the centre of mass, m.
    pub thrust_line_off_m: f64,
    /// Torque about the centre of mass, body axes, N·m.
    pub torque_n_m: [f64; 3],
    /// Largest torque of the jets against it, N·m.
    pub jets_against_it_n_m: f64,
    /// Its share of that; `None` where the jets have none.
    pub share_of_jets: Option<f64>,
    /// Least flow with which the jets carry it, kg/s; `None` where they cannot.
    pub jets_flow_kg_s: Option<f64>,
    /// From rest to [`ATTITUDE_LIMIT_DEG`] with the jets against it as well as they can, s; `None` where they carry it.
    pub seconds_to_limit: Option<f64>,
    /// The same with the jets quiet, s; `None` without a torque.
    pub seconds_to_limit_jets_quiet: Option<f64>,
}

/// The main engine about the actual centre of mass.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct EngineAuthority {
    /// Thrust, N.
    pub thrust_n: f64,
    /// Propellant flow, kg/s.
    pub flow_kg_s: f64,
    /// Its tank, if the vehicle file says which.
    pub tank: Option<String>,
    /// Propellant in it that can be used, kg.
    pub usable_kg: Option<f64>,
    /// Travel of the gimbal either way, degrees; zero for a fixed engine.
    pub gimbal_travel_deg: f64,
    /// Angles about first and second axis that lead the thrust through the centre of mass at the start, degrees.
    pub trim_deg: [f64; 2],
    /// What the travel leaves beside the trim, degrees; negative where it does not suffice.
    pub travel_left_deg: f64,
    /// Attitude error of the times below, degrees.
    pub attitude_limit_deg: f64,
    /// The cases.
    pub cases: Vec<EngineCase>,
}

/// The main engine of a scenario's own flight; `None` where none is there.
///
/// # Errors
/// When the mass properties are singular or a linear program fails.
pub fn engine_authority(scenario: &Scenario) -> Result<Option<EngineAuthority>> {
    let vehicle = &scenario.vehicle;
    let there = |engine: &&Engine| engine.body.as_ref().is_none_or(|body| scenario.stack.contains(body));
    let Some(engine) = vehicle.engine.as_ref().filter(there) else { return Ok(None) };
    let tank = vehicle.tanks.iter().find(|tank| engine.tank.as_ref() == Some(&tank.name));
    let usable_kg = tank.map(|tank| tank.propellant_kg - tank.unusable_kg);
    let study = Study { scenario, engine, mount: engine.into() };
    let travel = engine.gimbal_travel_rad;
    let trim = study.trim(&study.mass_after(0.0));
    let within = trim.map(|angle| angle.clamp(-travel, travel));
    let mut wanted = Vec::new();
    let usable = usable_kg.filter(|usable| *usable > 0.0);
    let later = || usable.into_iter().flat_map(|usable| BURNT_SHARES.map(|share| share * usable));
    if travel > 0.0 {
        wanted.push((GimbalState::Trimmed, 0.0, within));
        wanted.push((GimbalState::StuckAtZero, 0.0, [0.0; 2]));
        wanted.extend(later().map(|burnt| (GimbalState::StuckAtTrim, burnt, within)));
        let said = scenario.stuck_gimbal.and_then(|stuck| stuck.at_rad);
        wanted.extend(said.map(|angles| (GimbalState::StuckAsSaid, 0.0, angles)));
    } else {
        wanted.push((GimbalState::Fixed, 0.0, [0.0; 2]));
        wanted.extend(later().map(|burnt| (GimbalState::Fixed, burnt, [0.0; 2])));
    }
    let cases = wanted.into_iter().map(|case| study.case(case)).collect::<Result<_>>()?;
    let largest = trim.iter().fold(0.0_f64, |most, angle| most.max(angle.abs()));
    Ok(Some(EngineAuthority {
        thrust_n: engine.thrust_n,
        flow_kg_s: engine.thrust_n / (engine.specific_impulse_s * STANDARD_GRAVITY_M_S2),
        tank: engine.tank.clone(),
        usable_kg,
        gimbal_travel_deg: travel.to_degrees(),
        trim_deg: trim.map(f64::to_degrees),
        travel_left_deg: (travel - largest).to_degrees(),
        attitude_limit_deg: ATTITUDE_LIMIT_DEG,
        cases,
    }))
}

struct Study<'a> {
    scenario: &'a Scenario,
    engine: &'a Engine,
    mount: Mount,
}

impl Study<'_> {
    /// Mass properties after the engine has burnt so many kilograms.
    fn mass_after(&self, burnt_kg: f64) -> MassProperties {
        let vehicle = &self.scenario.vehicle;
        let mut propellant = stack::full_tanks(vehicle);
        for (left, tank) in propellant.iter_mut().zip(&vehicle.tanks) {
            if self.engine.tank.as_ref() == Some(&tank.name) {
                *left -= burnt_kg;
            }
        }
        stack::composite(vehicle, &self.scenario.stack, &propellant)
    }

    fn arm(&self, mass: &MassProperties) -> Vector3<f64> {
        Vector3::from(self.engine.pivot_m) - Vector3::from(mass.centre_of_mass_m)
    }

    /// Angles that lead the thrust through the centre of mass, rad.
    fn trim(&self, mass: &MassProperties) -> [f64; 2] {
        self.mount.angles(&-self.arm(mass))
    }

    fn case(&self, (gimbal, burnt_kg, angles): (GimbalState, f64, [f64; 2])) -> Result<EngineCase> {
        let mass = self.mass_after(burnt_kg);
        let force = self.mount.direction(angles) * self.engine.thrust_n;
        let mut torque = self.arm(&mass).cross(&force);
        if torque.norm() < NO_TORQUE * self.engine.thrust_n {
            torque = Vector3::zeros();
        }
        let size = torque.norm();
        let layout = Layout::about(self.scenario, mass.centre_of_mass_m);
        let against = (-torque).into();
        let jets = if size > 0.0 { layout.attainable_n_m(against)? } else { 0.0 };
        let jets_flow_kg_s = if size > 0.0 { layout.least_flow_kg_s(against) } else { Some(0.0) };
        let inverse = mass.inertia().try_inverse().context("the stack's inertia is singular")?;
        let seconds = |left: f64| {
            let acceleration = (inverse * torque).norm() * left / size;
            (left > 0.0).then(|| (2.0 * ATTITUDE_LIMIT_DEG.to_radians() / acceleration).sqrt())
        };
        let seconds_to_limit = if jets_flow_kg_s.is_some() { None } else { seconds((size - jets).max(0.0)) };
        Ok(EngineCase {
            gimbal,
            burnt_kg,
            gimbal_deg: angles.map(f64::to_degrees),
            thrust_line_off_m: size / self.engine.thrust_n,
            torque_n_m: torque.into(),
            jets_against_it_n_m: jets,
            share_of_jets: match (size > 0.0, jets > 0.0) {
                (false, _) => Some(0.0),
                (true, true) => Some(size / jets),
                (true, false) => None,
            },
            jets_flow_kg_s,
            seconds_to_limit,
            seconds_to_limit_jets_quiet: seconds(size),
        })
    }
}

impl GimbalState {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Trimmed => "trimmed",
            Self::StuckAtZero => "stuck at zero",
            Self::StuckAtTrim => "stuck at the trim of the start",
            Self::StuckAsSaid => "stuck as the scenario says",
            Self::Fixed => "fixed",
        }
    }
}

impl EngineCase {
    /// What it comes to, in one sentence; nothing where no torque is left over.
    #[must_use]
    pub fn sentence(&self, number: fn(f64) -> String) -> Option<String> {
        let size = norm(self.torque_n_m);
        if size == 0.0 {
            return None;
        }
        let lead = match self.gimbal {
            GimbalState::Trimmed => "Trimmed as far as its travel goes".to_owned(),
            GimbalState::Fixed => "Fixed as it is".to_owned(),
            state => format!("With its gimbal {}", state.words()),
        };
        let when = if self.burnt_kg > 0.0 {
            format!(" and {} kg burnt", number(self.burnt_kg))
        } else {
            String::new()
        };
        let lead = format!("{lead}{when}, {} N m are left over", number(size));
        let most = number(self.jets_against_it_n_m);
        let limit = number(ATTITUDE_LIMIT_DEG);
        Some(match (self.share_of_jets, self.jets_flow_kg_s, self.seconds_to_limit) {
            (Some(share), Some(flow), _) => format!(
                "{lead}: the jets carry it with {} % of what they can do against it, for {} kg/s.",
                number((share * 1e4).round() / 100.0),
                number(flow)
            ),
            (_, None, Some(seconds)) => format!(
                "{lead}: the jets CANNOT carry it, they have {most} N m against it. At their most the stack turns by \
                 {limit} deg from rest in {} s.",
                number(seconds)
            ),
            _ => format!("{lead}: all that the jets have against it, {most} N m."),
        })
    }
}

impl EngineAuthority {
    /// Of every way in which the gimbal may stand, the case that leaves most over.
    #[must_use]
    pub fn worst_cases(&self) -> Vec<&EngineCase> {
        let mut worst: Vec<&EngineCase> = Vec::new();
        for case in &self.cases {
            match worst.iter_mut().find(|other| other.gimbal == case.gimbal) {
                Some(other) if norm(case.torque_n_m) > norm(other.torque_n_m) => *other = case,
                Some(_) => {}
                None => worst.push(case),
            }
        }
        worst
    }

    /// The trim, in sentences.
    #[must_use]
    pub fn sentences(&self, number: fn(f64) -> String) -> Vec<String> {
        let from = match (&self.tank, self.usable_kg) {
            (Some(tank), Some(usable)) => format!(
                "from {tank}, of which {} kg can be used: {} s.",
                number(usable),
                number(usable / self.flow_kg_s)
            ),
            _ => "from no tank that the vehicle file names: it cannot be started.".to_owned(),
        };
        let lead = format!("{} N, {} kg/s {from}", number(self.thrust_n), number(self.flow_kg_s));
        let [first, second] = self.trim_deg.map(number);
        let trim = if self.gimbal_travel_deg == 0.0 {
            format!(
                "It is fixed; through the centre of mass it would point {first} deg about its first axis and {second} deg about its second from where it does."
            )
        } else {
            let travel = number(self.gimbal_travel_deg);
            let left = number(self.travel_left_deg.abs());
            let answer = if self.travel_left_deg >= 0.0 {
                format!("within its travel of {travel} deg, which leaves {left} deg to steer with")
            } else {
                format!("BEYOND its travel of {travel} deg by {left} deg")
            };
            format!(
                "Its thrust passes through the centre of mass with the gimbal at {first} deg about its first axis and \
                 {second} deg about its second: {answer}."
            )
        };
        vec![lead, trim]
    }
}
