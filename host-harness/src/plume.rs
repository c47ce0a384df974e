//! Plumes that strike the stack: what is left of a jet's push, and where its line leads.
//!
//! A plume leaves the nozzle along the jet's line of force, backwards. Where it strikes a body on that line,
//! at a distance `s` from the nozzle, it pushes with a force `P` in proportion to thrust. Jet and plume push
//! through the same point, so together they are one force `f d + P` through it: another line of force,
//! another direction and another size, which say all of it. The flow is as before, so the specific impulse is
//! lower in proportion. That is how the truth pushes, and what the kernel is told in the fields that its table
//! has. Where the struck body is not in the stack it is told, it is told the jet alone.
//!
//! Left out: a plume whose centre of pressure lies off the line of force, which would add a torque about the
//! line (the kernel's table would need a torque for each jet beside direction, thrust and place); plumes that
//! miss at first and strike when bodies turn; heating and contamination.

use nalgebra::Vector3;

use crate::scenario::model::{Jet, Plume};

impl Plume {
    /// Force on the struck body at steady thrust of `jet`, N.
    #[must_use]
    pub fn push_n(&self, jet: &Jet) -> [f64; 3] {
        let head_on = self.lost_share * jet.thrust_n;
        [0, 1, 2].map(|i| self.force_n[i] - head_on * jet.force_direction[i])
    }

    /// Where it strikes, structural axes, m.
    #[must_use]
    pub fn place_m(&self, jet: &Jet) -> [f64; 3] {
        [0, 1, 2].map(|i| jet.position_m[i] - self.distance_m * jet.force_direction[i])
    }
}

impl Jet {
    /// Its plume, where the body that it strikes is in the stack.
    #[must_use]
    pub fn striking(&self, present: &[String]) -> Option<&Plume> {
        self.plume.as_ref().filter(|plume| present.contains(&plume.body))
    }

    /// The jet as it pushes a stack of these bodies: itself, or with a plume that strikes one of them the jet
    /// that has the same effect, whose `position_m` is a point of its line of force and no longer the nozzle.
    #[must_use]
    pub fn on(&self, present: &[String]) -> Self {
        let plain = Self { plume: None, ..self.clone() };
        let Some(plume) = self.striking(present) else { return plain };
        let net = Vector3::from(self.force_direction) * self.thrust_n + Vector3::from(plume.push_n(self));
        let thrust_n = net.norm();
        Self {
            position_m: plume.place_m(self),
            force_direction: (net / thrust_n).into(),
            thrust_n,
            specific_impulse_s: self.specific_impulse_s * thrust_n / self.thrust_n,
            ..plain
        }
    }
}

/// All jets as they push a stack of these bodies.
#[must_use]
pub fn on(jets: &[Jet], present: &[String]) -> Vec<Jet> {
    jets.iter().map(|jet| jet.on(present)).collect()
}
