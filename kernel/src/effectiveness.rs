//! What each jet does to this stack: rate change and velocity change per second of on-time, about
//! the actual centre of mass.
//!
//! The rows are accelerations, not torques: with products of inertia a pure torque turns more than
//! one axis, and what the pilot calls one axis is an acceleration axis.

use heapless::Vec;

use crate::jet::Jet;
use crate::linalg::Vec3;
use crate::mass_properties::MassProperties;
use crate::math;

/// Entries below this share of what they are computed from are rounding noise and count as zero
/// (2^-20): a jet whose line of force leads through the centre of mass does not turn.
const ROUNDING: f32 = 9.536_743e-7;

/// Effect of one jet at steady thrust.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Effect {
    /// Angular acceleration, body axes, rad/s².
    pub turn_rad_s2: Vec3,
    /// Linear acceleration of the centre of mass, body axes, m/s².
    pub push_m_s2: Vec3,
}

impl Effect {
    /// The effect of a jet about the stack's centre of mass.
    #[must_use]
    pub fn of(jet: &Jet, stack: &MassProperties) -> Self {
        let turn = stack.turn(torque_n_m(jet, stack.centre_of_mass_m()));
        let push = force_n(jet) * (1.0 / stack.mass_kg());
        Self {
            turn_rad_s2: without_rounding(turn, largest(turn)),
            push_m_s2: without_rounding(push, largest(push)),
        }
    }
}

/// Effects of all jets about the current centre of mass; at most `N` jets.
#[derive(Clone, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Effectiveness<const N: usize> {
    effects: Vec<Effect, N>,
}

impl<const N: usize> Effectiveness<N> {
    /// Builds the accelerations of the torques `(p_j − c) × f_j` and the forces `f_j`. Cheap enough to do
    /// anew whenever the centre of mass moves (one cross product and one 3×3 product a jet); adding up
    /// shifts instead would add up their rounding.
    #[must_use]
    pub fn new(jets: &[Jet], stack: &MassProperties) -> Self {
        let mut made = Self::default();
        made.measure(jets, stack);
        made
    }

    /// Works all effects out anew.
    pub(crate) fn measure(&mut self, jets: &[Jet], stack: &MassProperties) {
        self.effects.clear();
        for jet in jets.iter().take(N) {
            // Cannot fail: at most N are taken.
            let _ = self.effects.push(Effect::of(jet, stack));
        }
    }

    /// One entry per jet, in the table's order.
    #[must_use]
    pub fn effects(&self) -> &[Effect] {
        &self.effects
    }
}

/// Force of a jet at steady thrust, body axes, N.
#[must_use]
pub fn force_n(jet: &Jet) -> Vec3 {
    jet.direction * jet.thrust_n
}

/// Torque of a jet at steady thrust about a centre of mass (structural axes, m), body axes, N·m.
#[must_use]
pub fn torque_n_m(jet: &Jet, centre_of_mass_m: Vec3) -> Vec3 {
    let (force, arm) = (force_n(jet), jet.position_m - centre_of_mass_m);
    let most = math::sqrt(arm.dot(arm) * force.dot(force));
    without_rounding(arm.cross(force), most)
}

/// Largest magnitude of an entry.
fn largest(vector: Vec3) -> f32 {
    vector.0.iter().fold(0.0, |top, x| math::max(x.abs(), top))
}

/// The vector with entries set to zero that are rounding noise of what is as large as `most`.
fn without_rounding(vector: Vec3, most: f32) -> Vec3 {
    Vec3(vector.0.map(|x| if x.abs() < ROUNDING * most { 0.0 } else { x }))
}
