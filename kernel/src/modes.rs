//! What the modes do in one cycle. The hold is in [`crate::holding`], open-loop demands are in [`crate::open_loop`], the
//! hand controller is in [`crate::by_hand`], slews are in [`crate::slew`], translations are in
//! [`crate::translation`], burns of the main engine are
//! in [`crate::burn`], slow rotation is in [`crate::rotation`].

use crate::by_hand::ByHand;
use crate::command::{Burn, Command, HandDemand, Translation};
use crate::controller::Controller;
use crate::cycle::Witness;
use crate::hold::Deadband;
use crate::jet::JetMask;
use crate::linalg::Vec3;
use crate::observer::Motion;
use crate::pending::Pending;
use crate::posing::quiet_if_idle;
use crate::quaternion::UnitQuaternion;
use crate::rotation::Rotating;
use crate::selection::Demand;
use crate::status::Status;

/// Damping goes on until rates are within this share of their limits: noise must not ask again at once.
pub(crate) const WELL_WITHIN: f32 = 0.5;
/// Longest acting time that damping is planned for, s: long enough for the jets that do it at the least price.
pub(crate) const UNHURRIED_S: f32 = 3_600.0;

/// What jets are to do in a cycle: ticks and status, and the attitude error that led to it, rad.
pub(crate) type Fired<const N: usize> = ([u16; N], Status, Vec3);

/// What the mode in force keeps from cycle to cycle; what another one kept is forgotten.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub(crate) enum Kept {
    Nothing,
    ByHand(ByHand),
    Rotating(Rotating),
}

impl Kept {
    /// What flying by hand keeps.
    pub(crate) fn by_hand(&self) -> ByHand {
        match self {
            Self::ByHand(by_hand) => *by_hand,
            Self::Nothing | Self::Rotating(_) => ByHand::START,
        }
    }

    /// What a rotation keeps.
    pub(crate) fn rotating(&self) -> Rotating {
        match self {
            Self::Rotating(rotating) => *rotating,
            Self::Nothing | Self::ByHand(_) => Rotating::START,
        }
    }
}

/// What a hand controller's deflections ask for, where one is in command.
fn hand_demand(command: &Command) -> Option<HandDemand> {
    match command {
        Command::Hand(hand) => Some(hand.asks_for),
        _ => None,
    }
}

impl<const N: usize> Controller<N> {
    /// What is left of an open-loop demand is flown by no mode that owes rate changes of its own, nor what is left of those by a
    /// demand.
    pub(crate) fn leave_owed(&mut self, command: &Command) {
        let rotates = |command: &Command| matches!(command, Command::Rotate(_));
        let by_bits = |command: &Command| hand_demand(command) == Some(HandDemand::Bit);
        let was = |is: fn(&Command) -> bool| self.command.as_ref().is_some_and(is);
        if rotates(command) || was(rotates) || by_bits(command) != was(by_bits) {
            self.owed.leave();
            self.pending.forget_choice();
        }
    }

    /// Prepares for a command that differs from the one in force, and the attitude that it wants.
    pub(crate) fn take_mode(&mut self, command: &Command, target: Option<UnitQuaternion>) {
        self.target = target.unwrap_or(self.target);
        (self.is_woken, self.foreseen_s) = (false, f32::INFINITY);
        let goes_on = |push: &Translation| matches!(&self.command, Some(Command::Translate(before)) if before.is_the_push(push));
        let burns_on =
            |burn: &Burn| matches!(&self.command, Some(Command::Burn(before)) if before.is_the_burn(burn));
        let begins = match command {
            Command::Slew(_) => true,
            Command::Translate(push) => !goes_on(push),
            Command::Burn(burn) => !burns_on(burn),
            _ => false,
        };
        if !matches!(command, Command::Burn(_)) || begins {
            self.cut_off();
        }
        let leaves = matches!(self.pending, Pending::Burn(_)) && !matches!(command, Command::Burn(_));
        if begins || leaves {
            self.pending = Pending::Nothing;
        }
        if hand_demand(command) != self.command.as_ref().and_then(hand_demand) {
            self.kept = Kept::Nothing;
        }
        if matches!(command, Command::Rotate(_)) {
            self.kept = Kept::Nothing;
        }
    }

    /// What the command in force asks of this cycle. The hold is what most cycles are for: the other modes stand aside.
    #[inline(always)]
    pub(crate) fn fire(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        usable: JetMask,
        gimbal_stuck: bool,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let without_error = |(ticks, status)| (ticks, status, Vec3::ZERO);
        match self.command {
            None | Some(Command::Drift) => ([0; N], Status::Drifting, Vec3::ZERO),
            Some(Command::Watch { wake, deadband, .. }) => {
                self.watch(open_tick, motion, (&wake, &deadband), usable, witness)
            }
            Some(Command::Damp { rate_limit_rad_s }) => {
                without_error(self.damp(open_tick, motion, rate_limit_rad_s, usable, witness))
            }
            Some(Command::Hold { deadband, .. }) => {
                let error_rad = motion.attitude.error_from(self.target);
                let (ticks, status) = self.hold(open_tick, (motion, error_rad), &deadband, usable, witness);
                (ticks, status, error_rad)
            }
            Some(Command::Hand(hand)) => self.fly_by_hand(open_tick, motion, &hand, usable, witness),
            Some(Command::Slew(slew)) => self.slew(open_tick, motion, &slew, usable, witness),
            Some(Command::Burn(burn)) => self.burn(open_tick, motion, (&burn, gimbal_stuck), usable, witness),
            Some(Command::Translate(push)) => self.translate(open_tick, motion, &push, usable, witness),
            Some(Command::Rotate(rotation)) => self.rotate(open_tick, motion, &rotation, usable, witness),
            Some(Command::Impulse { .. }) => without_error(self.work_off(open_tick, usable, witness)),
        }
    }

    /// Free drift until a limit is crossed, then hold.
    #[inline(never)]
    fn watch(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        (wake, deadband): (&Deadband, &Deadband),
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> Fired<N> {
        let error_rad = motion.attitude.error_from(self.target);
        let crosses = |axis: usize| {
            error_rad[axis].abs() > wake.half_width_rad[axis]
                || motion.rate_rad_s[axis].abs() > wake.rate_limit_rad_s[axis]
        };
        self.is_woken |= (0..3).any(crosses);
        if !self.is_woken {
            return ([0; N], Status::Drifting, error_rad);
        }
        let (ticks, status) = self.hold(open_tick, (motion, error_rad), deadband, usable, witness);
        let status = if status.number() < Status::Woken.number() { Status::Woken } else { status };
        (ticks, status, error_rad)
    }

    /// Takes rates out that are beyond their limits.
    ///
    /// What takes longer than a cycle is planned as a whole, at the least price, and each cycle does the same share of all
    /// of it: the direction is kept.
    #[inline(never)]
    fn damp(
        &mut self,
        open_tick: u32,
        motion: &Motion,
        limit_rad_s: [f32; 3],
        usable: JetMask,
        witness: &mut impl Witness,
    ) -> ([u16; N], Status) {
        let rate = motion.rate_rad_s + self.owed_rate(open_tick);
        let within = rate.0.iter().zip(&limit_rad_s).all(|(rate, limit)| rate.abs() <= *limit);
        if within && self.open_at(open_tick) == JetMask::NONE {
            return ([0; N], Status::Quiet);
        }
        let mut demand = Demand::point([0.0; 3]);
        let edges = demand.low.iter_mut().zip(&mut demand.high);
        for ((low, high), (rate, limit)) in edges.zip(rate.0.iter().zip(&limit_rad_s)) {
            (*low, *high) = (-rate - WELL_WITHIN * limit, -rate + WELL_WITHIN * limit);
        }
        let answer = self.pose_angular(demand, Vec3::ZERO, usable, UNHURRIED_S, witness).answer;
        quiet_if_idle(self.spread(&answer, open_tick))
    }
}
