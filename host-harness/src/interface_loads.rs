//! What interfaces carry when jets fire: by jet, and by firing about a single axis.
//!
//! Steady thrust on the stack at rest, by the equations of [`crate::truth::interface`]. Jets of one firing
//! open together and close one by one as their on-times run out; the largest load of these stages counts.
//! Ramps, scatter and rate are left out here; a flight (`stackhold run`) has them. A demand that takes
//! several control cycles is flown with what each cycle can do at most, by other jets than these and with
//! larger loads, unless the scenario limits the interface.
//!
//! **Limits.** The kernel is told of each jet which share of the limit it takes up alone, and adds shares up whatever
//! their direction: see [`stackhold_kernel::config::SharedLimits`].

use nalgebra::Vector3;
use serde::Serialize;
use stackhold_kernel::jet::{LOADS, WHOLE_LOAD};
use thiserror::Error;

use crate::authority::AxisAuthority;
use crate::bound::usable;
use crate::scenario::model::{Interface, InterfaceLimit, Jet, JetState, Scenario, Told, Vehicle};
use crate::stack::{Composite, Stack, full_tanks};
use crate::truth::interface::{Load, Moment, far_bodies, load};
use crate::truth::motion::{Inertial, Wrench};

/// Load of one jet at steady thrust.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct JetLoad {
    /// Name.
    pub jet: String,
    /// Force that the near side puts on the far side, body axes, N.
    pub force_n: [f64; 3],
    /// Moment about the interface that it puts on the far side, body axes, N·m.
    pub moment_n_m: [f64; 3],
    /// Share that it alone takes up, as the kernel is told, of what may be put on the interface; `None` without a limit.
    pub share_told: Option<f64>,
}

/// Largest load of the firing for one axis.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct AxisLoad {
    /// `+x` .. `-z`.
    pub axis: String,
    /// Largest force, N.
    pub peak_force_n: f64,
    /// Largest moment about the interface, N·m.
    pub peak_moment_n_m: f64,
}

/// One interface with bodies on both sides.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct InterfaceAuthority {
    /// Name.
    pub interface: String,
    /// Where, structural axes, m.
    pub position_m: [f64; 3],
    /// Bodies on the far side that are there.
    pub far_side: Vec<String>,
    /// Their mass, kg.
    pub far_mass_kg: f64,
    /// What it may carry.
    pub limit: Option<InterfaceLimit>,
    /// One entry per usable jet.
    pub jets: Vec<JetLoad>,
    /// One entry per axis that something is selected for.
    pub axes: Vec<AxisLoad>,
}

/// Loads on every interface of a scenario's own flight at its start.
///
/// * `axes` — with the firings that the kernel selects for them.
#[must_use]
pub fn interface_loads(scenario: &Scenario, axes: &[AxisAuthority]) -> Vec<InterfaceAuthority> {
    scenario.vehicle.interfaces.iter().filter_map(|interface| one(scenario, interface, axes)).collect()
}

/// An interface of a stack at rest with full tanks.
struct Loaded<'a> {
    present: &'a [String],
    far_side: Vec<String>,
    place: Vector3<f64>,
    whole: Inertial,
    far: Composite,
}

impl<'a> Loaded<'a> {
    /// `None` where nothing is on one of its sides.
    fn new(vehicle: &Vehicle, interface: &Interface, present: &'a [String]) -> Option<Self> {
        let far_side = far_bodies(interface, present)?;
        let of = |bodies: &[String]| Stack::new(vehicle, bodies).with_propellant(&full_tanks(vehicle));
        let (whole, far) = (Inertial::new(&of(present), None, None), of(&far_side));
        Some(Self { present, far_side, place: interface.position_m.into(), whole, far })
    }

    /// The same as the kernel is told: bodies, and where the centre of mass is. Masses that are all wrong by one factor
    /// change nothing.
    fn as_told(vehicle: &Vehicle, interface: &Interface, told: &'a Told) -> Option<Self> {
        let mut loaded = Self::new(vehicle, interface, &told.stack)?;
        loaded.whole.centre += Vector3::from(told.centre_of_mass_error_m);
        Some(loaded)
    }

    /// What a jet puts on it at steady thrust, with its plume.
    fn by(&self, jet: &Jet) -> Load {
        let push = |place_m: [f64; 3], force: Vector3<f64>| Wrench {
            force,
            torque: Vector3::from(place_m).cross(&force),
            ..Wrench::default()
        };
        let nozzle = push(jet.position_m, Vector3::from(jet.force_direction) * jet.thrust_n);
        let strikes = jet.striking(self.present);
        let plume = strikes
            .map_or_else(Wrench::default, |plume| push(plume.place_m(jet), Vector3::from(plume.push_n(jet))));
        let is_far = |body: &String| if self.far_side.contains(body) { 1.0 } else { 0.0 };
        let (mut all, mut on_far) = (nozzle, Wrench::default());
        all.add(&plume, 1.0);
        on_far.add(&nozzle, is_far(&jet.body));
        on_far.add(&plume, strikes.map_or(0.0, |plume| is_far(&plume.body)));
        load(&self.place, &Moment { whole: &self.whole, far: &self.far, rate: Vector3::zeros(), all, on_far })
    }
}

/// A jet that alone puts more on an interface than may be put on it: it could never be opened.
#[derive(Clone, Debug, PartialEq, Error)]
#[error(
    "jet \"{jet}\" alone puts {puts:.2} {unit} on {interface}, and selection has {room:.2} {unit} of the limit"
)]
pub struct TooMuchAlone {
    /// The jet.
    pub jet: String,
    /// The interface.
    pub interface: String,
    /// What it puts on it, and what may be put on it.
    pub puts: f64,
    /// Limit less what is kept back.
    pub room: f64,
    /// `N` or `N m`.
    pub unit: &'static str,
}

/// What may be put on interfaces, in words, in the order of [`load_shares`].
#[must_use]
pub fn load_words(limits: &[InterfaceLimit], number: fn(f64) -> String) -> Vec<String> {
    let words = move |limit: &InterfaceLimit| {
        let (name, room) = (limit.interface.clone(), 1.0 - limit.kept_back);
        let force = limit.force_n.map(|most| format!("force at {name}, {} N", number(most * room)));
        let moment = limit.moment_n_m.map(|most| format!("moment at {name}, {} N m", number(most * room)));
        force.into_iter().chain(moment)
    };
    limits.iter().flat_map(words).collect()
}

/// The share of every limit that each jet of the vehicle takes up, as the kernel is told: a force, a moment, or both
/// of each limited interface in turn.
///
/// # Errors
/// A jet that may be fired takes up more than all of a limit.
pub fn load_shares(
    vehicle: &Vehicle,
    limits: &[InterfaceLimit],
    told: &Told,
) -> Result<Vec<[u8; LOADS]>, TooMuchAlone> {
    let mut shares = vec![[0; LOADS]; vehicle.jets.len()];
    let mut slot = 0;
    for limit in limits.iter().filter(|_| told.interface_limits_kept) {
        let interface = vehicle.interfaces.iter().find(|interface| interface.name == limit.interface);
        let loaded = interface.and_then(|interface| Loaded::as_told(vehicle, interface, told));
        let force: fn(&Load) -> f64 = |load| load.force.norm();
        let moment: fn(&Load) -> f64 = |load| load.moment.norm();
        for (most, size, unit) in [(limit.force_n, force, "N"), (limit.moment_n_m, moment, "N m")] {
            let Some(most) = most else { continue };
            let room = most * (1.0 - limit.kept_back);
            for (jet, shares) in vehicle.jets.iter().zip(&mut shares) {
                let puts = loaded.as_ref().map_or(0.0, |loaded| size(&loaded.by(jet))) * told.thrust_factor;
                let fires = jet.state == JetState::Ready && told.stack.contains(&jet.body);
                // Rounded up, but for the rounding of the numbers themselves.
                let parts = (puts / room * f64::from(WHOLE_LOAD) - 1e-6).ceil();
                if fires && parts > f64::from(WHOLE_LOAD) {
                    let (jet, interface) = (jet.name.clone(), limit.interface.clone());
                    return Err(TooMuchAlone { jet, interface, puts, room, unit });
                }
                if let Some(share) = shares.get_mut(slot) {
                    *share = parts as u8;
                }
            }
            slot += 1;
        }
    }
    Ok(shares)
}

fn one(scenario: &Scenario, interface: &Interface, axes: &[AxisAuthority]) -> Option<InterfaceAuthority> {
    let vehicle = &scenario.vehicle;
    let loaded = Loaded::new(vehicle, interface, &scenario.stack)?;
    let limits = &scenario.kernel.trade.interface_limits;
    let limit = limits.iter().find(|limit| limit.interface == interface.name);
    let told = |limit| load_shares(vehicle, std::slice::from_ref(limit), &scenario.told).ok();
    let shares = limit.filter(|_| scenario.told.interface_limits_kept).and_then(told);
    let jets = vehicle.jets.iter().filter(|jet| usable(jet, &scenario.stack)).map(|jet| {
        let load = loaded.by(jet);
        let share_told = shares.as_ref().and_then(|shares| {
            let (_, share) = vehicle.jets.iter().zip(shares).find(|(told, _)| told.name == jet.name)?;
            share.iter().max().map(|share| f64::from(*share) / f64::from(WHOLE_LOAD))
        });
        JetLoad {
            jet: jet.name.clone(),
            force_n: load.force.into(),
            moment_n_m: load.moment.into(),
            share_told,
        }
    });
    let axis_load = |axis: &AxisAuthority| {
        let fired: Vec<(f64, Load)> = axis
            .rotation
            .jets
            .iter()
            .filter(|firing| firing.on_ticks > 0)
            .filter_map(|firing| {
                let jet = vehicle.jets.iter().find(|jet| jet.name == firing.jet)?;
                Some((firing.on_time_s, loaded.by(jet)))
            })
            .collect();
        // While the jet that closes at `until` is open, so are all that close later.
        let stage = |until: f64| {
            let open = fired.iter().filter(|(on_time, _)| *on_time >= until);
            open.fold(Load::default(), |sum, (_, load)| Load {
                force: sum.force + load.force,
                moment: sum.moment + load.moment,
            })
        };
        let stages: Vec<Load> = fired.iter().map(|(on_time, _)| stage(*on_time)).collect();
        let most = |size: fn(&Load) -> f64| stages.iter().map(size).reduce(f64::max);
        Some(AxisLoad {
            axis: axis.axis.clone(),
            peak_force_n: most(|load| load.force.norm())?,
            peak_moment_n_m: most(|load| load.moment.norm())?,
        })
    };
    Some(InterfaceAuthority {
        interface: interface.name.clone(),
        position_m: interface.position_m,
        far_mass_kg: loaded.far.mass,
        limit: limit.cloned(),
        jets: jets.collect(),
        axes: axes.iter().filter_map(axis_load).collect(),
        far_side: loaded.far_side,
    })
}
