//! What interfaces carry when jets fire: by jet, and by firing about a single axis.
//!
//! Steady thrust on the stack at rest, by the equations of [`crate::truth::interface`]. Jets of one firing
//! open together and close one by one as their on-times run out; the largest load of these stages counts.
//! Ramps, scatter and rate are left out here; a flight (`stackhold run`) has them. A demand that takes
//! several control cycles is flown with what each cycle can do at most, by other jets than these and with
//! larger loads. The kernel does not limit these loads when it selects: whoever must keep them low bounds the
//! figures of a flight in a requirement, and limits the jets open at once or forbids some.

use nalgebra::Vector3;
use serde::Serialize;

use crate::authority::AxisAuthority;
use crate::bound::usable;
use crate::scenario::model::{Interface, Jet, Scenario};
use crate::stack::{Stack, full_tanks};
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

fn one(scenario: &Scenario, interface: &Interface, axes: &[AxisAuthority]) -> Option<InterfaceAuthority> {
    let (vehicle, present) = (&scenario.vehicle, &scenario.stack);
    let far_side = far_bodies(interface, present)?;
    let propellant = full_tanks(vehicle);
    let whole = Inertial::new(&Stack::new(vehicle, present).with_propellant(&propellant), None, None);
    let far = Stack::new(vehicle, &far_side).with_propellant(&propellant);
    let place = Vector3::from(interface.position_m);
    let of = |jet: &Jet| -> Load {
        let push = |place_m: [f64; 3], force: Vector3<f64>| Wrench {
            force,
            torque: Vector3::from(place_m).cross(&force),
            ..Wrench::default()
        };
        let nozzle = push(jet.position_m, Vector3::from(jet.force_direction) * jet.thrust_n);
        let strikes = jet.striking(present);
        let plume = strikes
            .map_or_else(Wrench::default, |plume| push(plume.place_m(jet), Vector3::from(plume.push_n(jet))));
        let (mut all, mut on_far) = (nozzle, Wrench::default());
        all.add(&plume, 1.0);
        on_far.add(&nozzle, if far_side.contains(&jet.body) { 1.0 } else { 0.0 });
        on_far.add(&plume, if strikes.is_some_and(|p| far_side.contains(&p.body)) { 1.0 } else { 0.0 });
        load(&place, &Moment { whole: &whole, far: &far, rate: Vector3::zeros(), all, on_far })
    };
    let jets = vehicle.jets.iter().filter(|jet| usable(jet, present)).map(|jet| {
        let load = of(jet);
        JetLoad { jet: jet.name.clone(), force_n: load.force.into(), moment_n_m: load.moment.into() }
    });
    let axis_load = |axis: &AxisAuthority| {
        let fired: Vec<(f64, Load)> = axis
            .rotation
            .jets
            .iter()
            .filter(|firing| firing.on_ticks > 0)
            .filter_map(|firing| {
                let jet = vehicle.jets.iter().find(|jet| jet.name == firing.jet)?;
                Some((firing.on_time_s, of(jet)))
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
        far_mass_kg: far.mass,
        jets: jets.collect(),
        axes: axes.iter().filter_map(axis_load).collect(),
        far_side,
    })
}
