//! Open-loop demands: a point to deliver exactly, spread over as many cycles as it takes.
//!
//! Nothing will measure what was delivered, so what pulses cannot do exactly is carried to the next
//! cycle. The demand is done when what is left is under half the smallest pulses it would take.

use crate::controller::Controller;
use crate::cycle::Witness;
use crate::jet::JetMask;
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::selection::Demand;
use crate::status::Status;

/// No stack is asked to turn faster, rad/s.
const ABSURD_RATE_RAD_S: f32 = 1.0;
/// No stack is pushed by more with reaction jets, m/s.
const ABSURD_VELOCITY_M_S: f32 = 1e4;

/// What an open-loop demand still owes.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Owed {
    serial: Option<u16>,
    rate_rad_s: Vec3,
    velocity_m_s: Option<Vec3>,
    done: bool,
}

impl Owed {
    /// Nothing was ever demanded.
    pub(crate) const NOTHING: Self =
        Self { serial: None, rate_rad_s: Vec3::ZERO, velocity_m_s: None, done: true };

    /// Takes up a demand with a new serial number; `false` when it is not finite or beyond all reason.
    pub(crate) fn take_up(
        &mut self,
        serial: u16,
        rate_rad_s: [f32; 3],
        velocity_m_s: Option<[f32; 3]>,
    ) -> bool {
        let rate_rad_s = Vec3(rate_rad_s);
        let velocity_m_s = velocity_m_s.map(Vec3);
        let within = |v: Vec3, limit: f32| v.0.iter().all(|c| c.abs() <= limit);
        if !within(rate_rad_s, ABSURD_RATE_RAD_S)
            || !velocity_m_s.is_none_or(|v| within(v, ABSURD_VELOCITY_M_S))
        {
            return false;
        }
        if self.serial != Some(serial) {
            *self = Self { serial: Some(serial), rate_rad_s, velocity_m_s, done: false };
        }
        true
    }
}

impl<const N: usize> Controller<N> {
    /// What the open-loop demand in force still owes: rate change, rad/s, and velocity change, m/s (zero
    /// where translation was left free), body axes. What was too small to fire for stays here.
    #[must_use]
    pub fn owed_impulse(&self) -> (Vec3, Vec3) {
        (self.owed.rate_rad_s, self.owed.velocity_m_s.unwrap_or(Vec3::ZERO))
    }

    /// Ticks and status of one cycle of an open-loop demand.
    pub(crate) fn work_off(
        &mut self,
        open_tick: u32,
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        if self.owed.done {
            return ([0; N], Status::Quiet);
        }
        let cycle_s = self.table.timing.cycle_s();
        let rate = self.owed.rate_rad_s.0;
        let (on_time, outcome) = if let Some(velocity) = self.owed.velocity_m_s {
            let ([a, b, c], [d, e, f]) = (rate, velocity.0);
            let want = Demand::point([a, b, c, d, e, f]);
            let answer = self.pose_full(want, usable, cycle_s, witness);
            (answer.on_time, answer.outcome)
        } else {
            let want = Demand::point(rate);
            let answer = self.pose_angular(want, Vec3::ZERO, usable, cycle_s, witness).answer;
            (answer.on_time, answer.outcome)
        };
        let (on_ticks, status) = self.shaped(&on_time, outcome, open_tick);
        if on_ticks.iter().all(|&t| t == 0) {
            // Only what is answered in full and still too small to fire for is done with; what cannot be
            // served now stays owed, and its status says so in every cycle.
            self.owed.done = status == Status::Firing;
            return (on_ticks, if self.owed.done { Status::Quiet } else { status });
        }
        self.charge(&on_ticks, open_tick);
        (on_ticks, status)
    }

    /// Takes off what these pulses will deliver.
    fn charge(&mut self, on_ticks: &[u16; N], open_tick: u32) {
        let open = self.open_at(open_tick);
        let timing = &self.table.timing;
        for (j, ((jet, effect), &ticks)) in
            self.table.jets.iter().zip(self.effectiveness.effects()).zip(on_ticks).enumerate()
        {
            // A jet that was open already has had its dead time, and its tail was counted then.
            let acting_s = if open.contains(j) {
                math::from_ticks(ticks) * timing.tick_s
            } else {
                pulse::acting_time(ticks, jet, timing)
            };
            self.owed.rate_rad_s = self.owed.rate_rad_s - effect.turn_rad_s2 * acting_s;
            if let Some(velocity) = &mut self.owed.velocity_m_s {
                *velocity = *velocity - effect.push_m_s2 * acting_s;
            }
        }
    }
}
