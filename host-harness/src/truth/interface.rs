//! What an interface between two parts of the stack has to carry.
//!
//! The stack is rigid; an interface is a place where it could be taken apart into a near and a far side. With
//! the acceleration of the whole known, Newton and Euler for the far side alone leave the load on the
//! interface as the only unknown. With `c`, `J` of the stack, `c₂`, `m₂`, `J₂` of the far side, `p` the
//! interface, all in body axes, `F`, `T` what pushes on the stack from outside (torque about `c`), `F₂`, `T₂`
//! the part of it that pushes on the far side (torque about `p`):
//!
//! * `α = J⁻¹ (T − ω × J ω)`, `a₂ = F / M + α × (c₂ − c) + ω × (ω × (c₂ − c))`,
//! * force on the far side `m₂ a₂ − F₂`,
//! * moment on the far side about `p`: `J₂ α + ω × J₂ ω + (c₂ − p) × m₂ a₂ − T₂`.
//!
//! The near side feels the opposite. Left out: how the load spreads over latches, the ringing of a structure
//! that is not rigid (a firing that starts at once loads a soft joint up to twice as much), preload, the
//! momentum of propellant moving through the far side, and what the gravity gradient pulls at it (some hundredths of a
//! newton for a tonne at five metres in a low orbit). A stack with sprung joints is not watched.

use nalgebra::Vector3;

use super::motion::{Inertial, Wrench};
use crate::record::{InterfaceLoads, PeakLoad};
use crate::scenario::model::{Interface, Vehicle};
use crate::stack::{Composite, Stack};

/// Force and moment that the near side puts on the far side; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Load {
    /// Force, N.
    pub force: Vector3<f64>,
    /// Moment about the interface, N·m.
    pub moment: Vector3<f64>,
}

/// What acts on a rigid stack at a moment, body axes; torques about the structural origin.
#[derive(Clone, Copy, Debug)]
pub struct Moment<'a> {
    /// Mass properties of the stack.
    pub whole: &'a Inertial,
    /// Mass properties of the far side.
    pub far: &'a Composite,
    /// Body rate, rad/s.
    pub rate: Vector3<f64>,
    /// Everything that pushes from outside.
    pub all: Wrench,
    /// The part of it that pushes on the far side.
    pub on_far: Wrench,
}

/// The load on an interface at `place`, structural axes, m: the equations at the head of this module.
#[must_use]
pub fn load(place: &Vector3<f64>, at: &Moment<'_>) -> Load {
    let (whole, far, rate) = (at.whole, at.far, at.rate);
    let turning = whole.inverse * (at.all.about(&whole.centre) - rate.cross(&(whole.inertia * rate)));
    let offset = far.centre - whole.centre;
    let acceleration = at.all.force / whole.mass + turning.cross(&offset) + rate.cross(&rate.cross(&offset));
    let carried = acceleration * far.mass;
    Load {
        force: carried - at.on_far.force,
        moment: far.inertia * turning
            + rate.cross(&(far.inertia * rate))
            + (far.centre - place).cross(&carried)
            - at.on_far.about(place),
    }
}

/// Names of the bodies of `present` on the far side of an interface; `None` where nothing is on one of its
/// sides.
#[must_use]
pub fn far_bodies(interface: &Interface, present: &[String]) -> Option<Vec<String>> {
    let is_far = |body: &&String| interface.far_side.contains(body);
    let far: Vec<String> = present.iter().filter(is_far).cloned().collect();
    (!far.is_empty() && far.len() < present.len()).then_some(far)
}

/// Watches one interface and keeps the largest loads.
#[derive(Clone, Debug)]
pub struct Watch {
    name: String,
    place: Vector3<f64>,
    /// The far side; none once there is nothing on one of the sides.
    far: Option<Stack>,
    /// Which jets, plumes and disturbances push on the far side, and whether the main engine does.
    jets: Vec<bool>,
    plumes: Vec<bool>,
    disturbances: Vec<bool>,
    engine: bool,
    peak: PeakLoad,
    peaks: Vec<PeakLoad>,
}

impl Watch {
    /// A watch over `interface`; `None` where nothing is on one of its sides.
    ///
    /// * `pushed` — per disturbance, the body it pushes on; without one it counts as on the near side.
    #[must_use]
    pub fn new(
        interface: &Interface,
        vehicle: &Vehicle,
        present: &[String],
        pushed: &[Option<&String>],
    ) -> Option<Self> {
        let far = far_bodies(interface, present)?;
        Some(Self {
            name: interface.name.clone(),
            place: interface.position_m.into(),
            jets: vehicle.jets.iter().map(|jet| far.contains(&jet.body)).collect(),
            plumes: vehicle
                .jets
                .iter()
                .map(|jet| jet.plume.as_ref().is_some_and(|plume| far.contains(&plume.body)))
                .collect(),
            disturbances: pushed.iter().map(|body| body.is_some_and(|body| far.contains(body))).collect(),
            engine: vehicle
                .engine
                .as_ref()
                .and_then(|e| e.body.as_ref())
                .is_some_and(|body| far.contains(body)),
            far: Some(Stack::new(vehicle, &far)),
            peak: PeakLoad::default(),
            peaks: Vec::new(),
        })
    }

    /// Whether a jet pushes on the far side.
    #[must_use]
    pub fn jet_is_far(&self, jet: usize) -> bool {
        self.jets.get(jet).is_some_and(|far| *far)
    }

    /// Whether the plume of a jet pushes on the far side.
    #[must_use]
    pub fn plume_is_far(&self, jet: usize) -> bool {
        self.plumes.get(jet).is_some_and(|far| *far)
    }

    /// Whether a disturbance pushes on the far side.
    #[must_use]
    pub fn disturbance_is_far(&self, disturbance: usize) -> bool {
        self.disturbances.get(disturbance).is_some_and(|far| *far)
    }

    /// Whether the main engine pushes on the far side.
    #[must_use]
    pub fn engine_is_far(&self) -> bool {
        self.engine
    }

    /// Looks at a moment.
    ///
    /// * `propellant` — one entry per tank of the vehicle, kg; `on_far` — what pushes on the far side.
    pub fn look(
        &mut self,
        time: f64,
        (whole, propellant): (&Inertial, &[f64]),
        rate: Vector3<f64>,
        (all, on_far): (Wrench, Wrench),
    ) {
        let Some(far) = &self.far else { return };
        let far = far.with_propellant(propellant);
        let load = load(&self.place, &Moment { whole, far: &far, rate, all, on_far });
        let (force_n, moment_n_m) = (load.force.norm(), load.moment.norm());
        if force_n > self.peak.force_n {
            (self.peak.force_n, self.peak.force_at_s) = (force_n, time);
        }
        if moment_n_m > self.peak.moment_n_m {
            (self.peak.moment_n_m, self.peak.moment_at_s) = (moment_n_m, time);
        }
    }

    /// The stack is another one from now on.
    pub fn follow(&mut self, vehicle: &Vehicle, present: &[String]) {
        let interface = vehicle.interfaces.iter().find(|interface| interface.name == self.name);
        let far = interface.and_then(|interface| far_bodies(interface, present));
        self.far = far.map(|far| Stack::new(vehicle, &far));
    }

    /// Closes a phase: the peaks since the last one are put aside.
    pub fn close_phase(&mut self) {
        self.peaks.push(std::mem::take(&mut self.peak));
    }

    /// The peaks of the phases closed so far.
    #[must_use]
    pub fn loads(&self) -> InterfaceLoads {
        InterfaceLoads { interface: self.name.clone(), phases: self.peaks.clone() }
    }
}
