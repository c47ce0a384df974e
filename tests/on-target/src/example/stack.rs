//! A canned stack for the example: a rigid body in `f32` that the image carries in place of a spacecraft.
//!
//! It takes mass properties and jets from the flight table, so it shows that an image works and not that the kernel is
//! right: for that there is the simulator of the host, which shares nothing with the kernel.

use core::cell::Cell;
use core::convert::Infallible;

use embedded_hal::digital::{ErrorType, OutputPin};
use stackhold_kernel::config::ConfigurationTable;
use stackhold_kernel::cycle::{AttitudeSample, RateSample};
use stackhold_kernel::linalg::{Mat3, Vec3};

/// A steady push that the table does not mention, N·m: about that of a small vent metres from the centre of mass.
const PUSH_N_M: Vec3 = Vec3::new(-0.02, -0.06, 0.07);
/// The jets give this share of the thrust they are told to have.
const THRUST_SHARE: f32 = 0.98;
/// Rate at the start, rad/s.
const FIRST_RATE_RAD_S: Vec3 = Vec3::new(7e-5, -5e-5, 3e-5);

/// A valve's coil: what a pin of the board would drive.
#[derive(Debug, Default)]
pub struct Coil(Cell<bool>);

impl Coil {
    /// Whether the valve is open.
    pub fn is_open(&self) -> bool {
        self.0.get()
    }
}

impl ErrorType for &Coil {
    type Error = Infallible;
}

impl OutputPin for &Coil {
    fn set_low(&mut self) -> Result<(), Infallible> {
        self.0.set(false);
        Ok(())
    }

    fn set_high(&mut self) -> Result<(), Infallible> {
        self.0.set(true);
        Ok(())
    }
}

/// What a jet does while its valve is open.
#[derive(Clone, Copy, Default)]
struct Thruster {
    torque_n_m: Vec3,
    /// Added at the end of a pulse, s of full thrust.
    tail_s: f32,
    flow_kg_s: f32,
    was_open: bool,
}

/// The stack: body axes, about the centre of mass.
pub struct Stack<const N: usize> {
    inertia_kg_m2: Mat3,
    inverse: Mat3,
    thrusters: [Thruster; N],
    tick_s: f32,
    /// Inertial to body, `[x, y, z, w]`.
    attitude: [f32; 4],
    rate_rad_s: Vec3,
    /// Propellant used, kg.
    pub propellant_kg: f32,
    /// Valves opened.
    pub openings: u32,
}

impl<const N: usize> Stack<N> {
    /// The stack that a table describes, at the attitude `[0, 0, 0, 1]`; `None` when its inertia has no inverse.
    pub fn new(table: &ConfigurationTable<N>) -> Option<Self> {
        let mut thrusters = [Thruster::default(); N];
        for (thruster, jet) in thrusters.iter_mut().zip(&table.jets) {
            let force_n = jet.direction * (jet.thrust_n * THRUST_SHARE);
            let torque_n_m = (jet.position_m - table.centre_of_mass_m).cross(force_n);
            let (tail_s, flow_kg_s) = (jet.pulse_offset_s, jet.flow_kg_s() * THRUST_SHARE);
            *thruster = Thruster { torque_n_m, tail_s, flow_kg_s, was_open: false };
        }
        Some(Self {
            inertia_kg_m2: table.inertia_kg_m2,
            inverse: table.inertia_kg_m2.inverse()?,
            thrusters,
            tick_s: table.timing.tick_s,
            attitude: [0.0, 0.0, 0.0, 1.0],
            rate_rad_s: FIRST_RATE_RAD_S,
            propellant_kg: 0.0,
            openings: 0,
        })
    }

    /// One tick with the valves as they are: Euler's equations, first order in the tick.
    pub fn advance(&mut self, coils: &[Coil; N]) {
        let mut impulse_n_m_s = PUSH_N_M * self.tick_s;
        for (thruster, coil) in self.thrusters.iter_mut().zip(coils) {
            let open = coil.is_open();
            let closes = thruster.was_open && !open;
            let acting_s = if open { self.tick_s } else { 0.0 } + if closes { thruster.tail_s } else { 0.0 };
            impulse_n_m_s = impulse_n_m_s + thruster.torque_n_m * acting_s;
            self.propellant_kg += thruster.flow_kg_s * acting_s;
            self.openings += u32::from(open && !thruster.was_open);
            thruster.was_open = open;
        }
        let gyroscopic = self.rate_rad_s.cross(self.inertia_kg_m2 * self.rate_rad_s);
        self.rate_rad_s = self.rate_rad_s + self.inverse * (impulse_n_m_s - gyroscopic * self.tick_s);
        self.turn(self.rate_rad_s * self.tick_s);
    }

    /// Turns the body by a small angle, body axes, rad: what the body sees turns the other way.
    fn turn(&mut self, Vec3([a, b, c]): Vec3) {
        let [x, y, z, w] = self.attitude;
        let (a, b, c) = (-a / 2.0, -b / 2.0, -c / 2.0);
        let [x, y, z, w] = [
            x + a * w + b * z - c * y,
            y + b * w + c * x - a * z,
            z + c * w + a * y - b * x,
            w - a * x - b * y - c * z,
        ];
        // One step of Newton's: the length is near 1.
        let shorten = (3.0 - (x * x + y * y + z * z + w * w)) / 2.0;
        self.attitude = [x, y, z, w].map(|value| value * shorten);
    }

    /// What perfect sensors say at this tick.
    pub fn measured(&self, tick: u32) -> (AttitudeSample, RateSample) {
        (
            AttitudeSample { attitude_xyzw: self.attitude, tick, valid: true },
            RateSample { rate_rad_s: self.rate_rad_s.0, tick, valid: true },
        )
    }

    /// Largest angle of an axis from the attitude at the start, rad; for small ones.
    pub fn worst_axis_error_rad(&self) -> f32 {
        let [x, y, z, _] = self.attitude.map(|value| 2.0 * value.abs());
        let larger = |a: f32, b: f32| if a > b { a } else { b };
        larger(x, larger(y, z))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::tests::{JETS_OF_TEST, table};

    /// Free motion keeps the angular momentum seen from outside (any textbook of mechanics: Euler's equations are its
    /// conservation in body axes).
    #[test]
    fn angular_momentum_is_kept_without_torque() {
        let mut stack = Stack::<JETS_OF_TEST>::new(&table()).unwrap();
        stack.rate_rad_s = Vec3::new(0.02, -0.03, 0.015);
        let coils: [Coil; JETS_OF_TEST] = Default::default();
        let outside = |stack: &Stack<JETS_OF_TEST>| {
            let attitude = stackhold_kernel::quaternion::UnitQuaternion::from_array(stack.attitude).unwrap();
            attitude.conjugate().rotate(stack.inertia_kg_m2 * stack.rate_rad_s)
        };
        let before = outside(&stack);
        for _ in 0..5_000 {
            stack.rate_rad_s = stack.rate_rad_s - stack.inverse * (PUSH_N_M * stack.tick_s);
            stack.advance(&coils);
        }
        let lost = (outside(&stack) - before).norm() / before.norm();
        assert!(lost < 2e-3, "{lost}");
        assert!(stack.worst_axis_error_rad() > 0.2, "it did turn");
    }

    /// A pulse of a jet changes the momentum by its lever arm times its impulse: 3 m × 20 N × 0.98 × (0.040 + 0.002) s.
    #[test]
    fn a_pulse_delivers_its_impulse_with_its_tail() {
        let mut stack = Stack::<JETS_OF_TEST>::new(&table()).unwrap();
        stack.rate_rad_s = Vec3::ZERO;
        let coils: [Coil; JETS_OF_TEST] = Default::default();
        (&coils[0]).set_high().unwrap();
        (0..10).for_each(|_| stack.advance(&coils));
        (&coils[0]).set_low().unwrap();
        stack.advance(&coils);
        let momentum = stack.inertia_kg_m2 * stack.rate_rad_s - PUSH_N_M * (11.0 * stack.tick_s);
        let expected = 3.0 * 20.0 * 0.98 * 0.042;
        assert!((momentum.0[2] - expected).abs() < 1e-4 * expected, "{momentum:?}");
        assert_eq!(stack.openings, 1);
        // 20 N at 250 s: flow by the definition of specific impulse.
        let used = 20.0 * 0.98 * 0.042 / (250.0 * 9.806_65);
        assert!((stack.propellant_kg - used).abs() < 1e-4 * used);
    }
}
