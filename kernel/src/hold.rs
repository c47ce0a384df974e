//! Attitude hold: the phase plane of three coupled axes.
//!
//! The deadband is freedom, and a good hold spends it. Nothing is fired while every axis will stay
//! within its half-width until the next cycle. When one will not, all axes are settled in one firing:
//! each gets a range of rates from which it coasts for a common horizon without touching its edges
//! (a box, not a point), and selection finds the least waste in that box.
//!
//! *Waste* is what makes a steady push cheap. A standing disturbance must be paid anyway, at best at
//! the price π of the linear program for its torque; a jet that helps is charged only its reduced
//! price `c_j − π·a_j`, which is zero for exactly the jets of that optimum. Firing only those costs the
//! theoretical price whatever the pulse pattern (linear-programming duality; see for example Chvátal,
//! *Linear Programming*, 1983, ch. 5).
//!
//! Small demands are combinatorial: a jet fires for its minimum on-time or not at all. There the
//! answer of the relaxed program, every single jet and every pair of jets are compared by waste plus
//! what the state they leave will cost.

use crate::config::Timing;
use crate::effectiveness::Effect;
use crate::jet::{Jet, JetMask};
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::selection::Demand;

/// Limits of a hold, per body axis.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Deadband {
    /// Half-width of the deadband, rad.
    pub half_width_rad: Vec3,
    /// Largest rate asked for, rad/s.
    pub rate_limit_rad_s: Vec3,
}

impl Deadband {
    /// Whether every limit is a positive finite number (at most π, at most 1 rad/s).
    #[must_use]
    pub fn is_valid(&self) -> bool {
        self.half_width_rad.0.iter().all(|&w| w > 0.0 && w <= 3.15)
            && self.rate_limit_rad_s.0.iter().all(|&r| r > 0.0 && r <= 1.0)
    }
}

/// Where the stack is when this cycle's pulses open; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Situation {
    /// Attitude error, rad.
    pub angle_rad: Vec3,
    /// Rate, rad/s.
    pub rate_rad_s: Vec3,
    /// Standing acceleration, rad/s².
    pub drift_rad_s2: Vec3,
}

/// The smallest firing that mainly moves one axis.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct AxisBit {
    /// Its rate change on that axis, rad/s.
    pub rate_rad_s: f32,
    /// Its propellant, kg.
    pub propellant_kg: f32,
}

/// An axis outside its deadband is asked to be back after about this many cycles.
const RETURN_CYCLES: f32 = 60.0;
/// Part of the longest possible coast under a standing push that is asked for: the rest is margin for
/// what the observer does not know.
const COAST_SHARE: f32 = 0.9;
/// Part of the natural crossing time of an undisturbed limit cycle that every answer must last.
const CROSSING_SHARE: f32 = 0.5;

/// The smallest single-jet firing of each axis: among the jets whose largest effect, in units of the
/// half-width, is on that axis, the smallest rate change. An axis without such a jet takes the jet
/// that moves it most.
#[must_use]
pub fn axis_bits(
    jets: &[Jet],
    effects: &[Effect],
    usable: JetMask,
    timing: &Timing,
) -> [AxisBit; 3] {
    let mut own = [AxisBit::default(); 3];
    let mut any = [AxisBit::default(); 3];
    for (j, (jet, effect)) in jets.iter().zip(effects).enumerate() {
        if !usable.contains(j) {
            continue;
        }
        let acting_s = pulse::acting_time(jet.minimum_on_ticks, jet, timing);
        let rate = (effect.turn_rad_s2 * acting_s).0.map(f32::abs);
        let propellant_kg = jet.flow_kg_s() * acting_s;
        let largest = math::max(rate[0], math::max(rate[1], rate[2]));
        for axis in 0..3 {
            let bit = AxisBit { rate_rad_s: rate[axis], propellant_kg };
            if rate[axis] >= largest
                && (own[axis].rate_rad_s == 0.0 || rate[axis] < own[axis].rate_rad_s)
            {
                own[axis] = bit;
            }
            if rate[axis] > any[axis].rate_rad_s {
                any[axis] = bit;
            }
        }
    }
    for axis in 0..3 {
        if own[axis].rate_rad_s == 0.0 {
            own[axis] = any[axis];
        }
    }
    own
}

/// Whether some axis will leave its deadband within `ahead_s`, or is outside and not on its way back,
/// or turns faster than its limit.
#[must_use]
pub fn must_fire(now: &Situation, deadband: &Deadband, ahead_s: f32, cycle_s: f32) -> bool {
    (0..3).any(|axis| {
        let width = deadband.half_width_rad[axis];
        let limit = deadband.rate_limit_rad_s[axis];
        let (angle, rate, drift) = (now.angle_rad[axis], now.rate_rad_s[axis], now.drift_rad_s2[axis]);
        let end = angle + rate * ahead_s + 0.5 * drift * ahead_s * ahead_s;
        let end_rate = rate + drift * ahead_s;
        // Mirrored so that the near edge is the positive one.
        let (end, end_rate) = if end < 0.0 { (-end, -end_rate) } else { (end, end_rate) };
        let returning = -0.5 * return_rate(end - width, limit, cycle_s);
        (end > width && end_rate > returning) || rate.abs() > 1.05 * limit
    })
}

/// Rate asked of an axis that is `outside` its deadband by so much, rad/s, positive.
fn return_rate(outside: f32, limit: f32, cycle_s: f32) -> f32 {
    math::clamp(outside / (RETURN_CYCLES * cycle_s), 0.0, limit)
}

/// The longest coast of one axis under a standing push that stays within the deadband, s, and the
/// natural crossing time where nothing pushes.
fn axis_horizon(angle: f32, drift: f32, width: f32, bit: &AxisBit) -> f32 {
    let crossing = CROSSING_SHARE * 4.0 * width / math::max(bit.rate_rad_s, 1e-9);
    let push = drift.abs();
    // Room on the side the push comes from, and on the side it goes to.
    let towards = if drift < 0.0 { -angle } else { angle };
    let behind = math::clamp(width + towards, 0.0, 2.0 * width);
    let ahead = math::clamp(width - towards, 0.0, 2.0 * width);
    if push * crossing * crossing < 0.1 * width {
        return crossing;
    }
    let s = math::sqrt(2.0 * behind * push);
    let coast = COAST_SHARE * (s + math::sqrt(s * s + 2.0 * push * ahead)) / push;
    math::min(coast, math::max(crossing, coast * 0.999))
}

/// Rates from which an axis inside its deadband coasts for `horizon_s` without touching an edge.
fn coasting_rates(angle: f32, drift: f32, width: f32, horizon_s: f32) -> (f32, f32) {
    let highest = |room: f32, push: f32| {
        // Largest ω with ωt + ½·push·t² ≤ room for all t up to the horizon.
        let at_end = room / horizon_s - 0.5 * push * horizon_s;
        if push < 0.0 && -push * horizon_s * horizon_s > 2.0 * room {
            math::sqrt(-2.0 * room * push)
        } else {
            at_end
        }
    };
    let above = math::max(width - angle, 0.0);
    let below = math::max(width + angle, 0.0);
    (-highest(below, -drift), highest(above, drift))
}

/// The box of rate changes that settles every axis for the common horizon.
#[must_use]
pub fn settle(
    now: &Situation,
    deadband: &Deadband,
    bits: &[AxisBit; 3],
    cycle_s: f32,
) -> Demand<3> {
    let mut horizon_s = f32::INFINITY;
    for axis in 0..3 {
        let width = deadband.half_width_rad[axis];
        let own = axis_horizon(now.angle_rad[axis], now.drift_rad_s2[axis], width, &bits[axis]);
        horizon_s = math::min(horizon_s, own);
    }
    horizon_s = math::max(horizon_s, 2.0 * cycle_s);
    let mut demand = Demand { low: [0.0; 3], high: [0.0; 3] };
    for axis in 0..3 {
        let (low, high) = axis_rates(axis, now, deadband, bits, horizon_s, cycle_s);
        demand.low[axis] = low - now.rate_rad_s[axis];
        demand.high[axis] = high - now.rate_rad_s[axis];
    }
    demand
}

/// Allowed rates of one axis after the firing.
fn axis_rates(
    axis: usize,
    now: &Situation,
    deadband: &Deadband,
    bits: &[AxisBit; 3],
    horizon_s: f32,
    cycle_s: f32,
) -> (f32, f32) {
    let width = deadband.half_width_rad[axis];
    let limit = deadband.rate_limit_rad_s[axis];
    let (angle, drift) = (now.angle_rad[axis], now.drift_rad_s2[axis]);
    let outside = angle.abs() - width;
    let (mut low, mut high) = coasting_rates(angle, drift, width, horizon_s);
    if outside > 0.0 {
        let back = return_rate(outside, limit, cycle_s);
        let room = math::max(0.5 * bits[axis].rate_rad_s, back);
        (low, high) = if angle > 0.0 { (low - back - room, -back) } else { (back, high + back + room) };
    }
    let (low, high) = (math::clamp(low, -limit, limit), math::clamp(high, -limit, limit));
    if low <= high {
        (low, high)
    } else {
        let middle = 0.5 * (low + high);
        (middle, middle)
    }
}

/// What a state costs later, kg: every axis will have to be turned round when it meets an edge, the
/// sooner the dearer.
#[must_use]
pub fn cost_to_go(after: &Situation, deadband: &Deadband, bits: &[AxisBit; 3]) -> f32 {
    let mut cost = 0.0;
    for axis in 0..3 {
        cost += axis_cost(
            after.angle_rad[axis],
            after.rate_rad_s[axis],
            after.drift_rad_s2[axis],
            deadband.half_width_rad[axis],
            &bits[axis],
        );
    }
    cost
}

/// Share of a bit that meeting the edge a push leads to costs: the impulse itself is owed anyway.
const OVERHEAD: f32 = 0.25;

fn axis_cost(angle: f32, rate: f32, drift: f32, width: f32, bit: &AxisBit) -> f32 {
    // Mirrored so that the push is towards the positive edge.
    let (angle, rate, push) =
        if drift < 0.0 { (-angle, -rate, -drift) } else { (angle, rate, drift) };
    let behind = math::max(width + angle, 0.0);
    let ahead = math::max(width - angle, 0.0);
    let nominal_s = 4.0 * width / math::max(bit.rate_rad_s, 1e-9);
    let (time_s, speed, owed);
    let against = rate * rate - 2.0 * push * behind;
    if rate < 0.0 && against > 0.0 {
        // Over-fired: meets the edge the push comes from.
        speed = math::sqrt(against);
        time_s = 2.0 * behind / (speed - rate);
        owed = 0.0;
    } else {
        speed = math::sqrt(rate * rate + 2.0 * push * ahead);
        let denominator = rate + speed;
        time_s = if rate > 0.0 || denominator > 1e-3 * speed {
            if denominator > 0.0 { 2.0 * ahead / denominator } else { 1e9 }
        } else {
            (speed - rate) / math::max(push, 1e-30)
        };
        // Of the speed at the edge, what the push itself has brought is owed anyway.
        owed = push * time_s;
    }
    let own = math::max(speed - owed, 0.0);
    let size = bit.propellant_kg
        * math::max(OVERHEAD, math::min(1.0, 2.0 * own / math::max(bit.rate_rad_s, 1e-12)));
    let surplus = bit.propellant_kg * own / math::max(bit.rate_rad_s, 1e-12);
    (size + surplus) * nominal_s / (nominal_s + time_s)
}

/// What the small-firing search needs to know.
#[derive(Clone, Copy, Debug)]
pub struct Firing<'a> {
    /// The jets.
    pub jets: &'a [Jet],
    /// Their effects.
    pub effects: &'a [Effect],
    /// Reduced price of each jet per second of acting time, kg/s.
    pub waste: &'a [f32],
    /// Jets that may open in this cycle.
    pub usable: JetMask,
    /// Time base.
    pub timing: &'a Timing,
    /// Where the stack is.
    pub now: &'a Situation,
    /// Limits.
    pub deadband: &'a Deadband,
    /// Smallest bits.
    pub bits: &'a [AxisBit; 3],
}

/// At most two jets with whole ticks, and what choosing them costs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SmallFiring {
    /// Jet and ticks; zero ticks for none.
    pub pulses: [(usize, u16); 2],
    /// Waste plus cost to go, kg.
    pub cost_kg: f32,
}

/// Singles kept as first halves of pairs.
const KEPT: usize = 4;
/// A firing must last: no axis may call again within this many cycles.
const LASTING_CYCLES: f32 = 4.0;

impl Firing<'_> {
    /// State after a rate change.
    fn after(&self, change: Vec3) -> Situation {
        Situation { rate_rad_s: self.now.rate_rad_s + change, ..*self.now }
    }

    /// Waste plus cost to go of a rate change that wastes `waste_kg`; `None` when an axis would call
    /// again at once.
    #[must_use]
    pub fn cost(&self, change: Vec3, waste_kg: f32) -> Option<f32> {
        let after = self.after(change);
        let cycle_s = self.timing.cycle_s();
        if must_fire(&after, self.deadband, LASTING_CYCLES * cycle_s, cycle_s) {
            return None;
        }
        Some(waste_kg + cost_to_go(&after, self.deadband, self.bits))
    }

    /// Rate change and waste of one pulse.
    fn pulse(&self, j: usize, ticks: u16) -> Option<(Vec3, f32)> {
        let acting_s = pulse::acting_time(ticks, self.jets.get(j)?, self.timing);
        Some((self.effects.get(j)?.turn_rad_s2 * acting_s, self.waste.get(j)? * acting_s))
    }

    /// The cheapest one or two pulses that settle every axis, if any do.
    #[must_use]
    pub fn smallest(&self) -> Option<SmallFiring> {
        let mut best: Option<SmallFiring> = None;
        // Partial singles: cheapest states left, whether or not every axis is settled yet.
        let mut kept: [(f32, usize, u16); KEPT] = [(f32::INFINITY, 0, 0); KEPT];
        for (j, jet) in self.jets.iter().enumerate() {
            if !self.usable.contains(j) {
                continue;
            }
            let mut tried = 0;
            for axis in 0..4 {
                let Some(ticks) = self.ticks_for(j, jet, axis) else { continue };
                if ticks == tried {
                    continue;
                }
                tried = ticks;
                let Some((change, waste_kg)) = self.pulse(j, ticks) else { continue };
                let pulses = [(j, ticks), (0, 0)];
                keep_better(&mut best, pulses, self.cost(change, waste_kg));
                let partial = waste_kg + cost_to_go(&self.after(change), self.deadband, self.bits);
                keep_sorted(&mut kept, (partial, j, ticks));
            }
        }
        for &(partial, first, ticks) in &kept {
            if !partial.is_finite() {
                continue;
            }
            let Some((change, waste_kg)) = self.pulse(first, ticks) else { continue };
            for (j, jet) in self.jets.iter().enumerate() {
                if j == first || !self.usable.contains(j) {
                    continue;
                }
                let Some((more, more_waste)) = self.pulse(j, jet.minimum_on_ticks) else { continue };
                let pulses = [(first, ticks), (j, jet.minimum_on_ticks)];
                keep_better(&mut best, pulses, self.cost(change + more, waste_kg + more_waste));
            }
        }
        best
    }

    /// Ticks worth trying on jet `j`: the shortest pulse (`axis` 3), or the pulse that just stops one
    /// axis when that is longer.
    fn ticks_for(&self, j: usize, jet: &Jet, axis: usize) -> Option<u16> {
        if axis == 3 {
            return Some(jet.minimum_on_ticks);
        }
        let rate = self.now.rate_rad_s[axis];
        let effect = self.effects.get(j)?.turn_rad_s2[axis];
        if rate * effect >= 0.0 {
            return None;
        }
        let ticks = pulse::shape(-rate / effect, jet, self.timing, false);
        let most = jet.minimum_on_ticks.saturating_mul(4);
        (ticks > jet.minimum_on_ticks && ticks <= most).then_some(ticks)
    }
}

fn keep_better(best: &mut Option<SmallFiring>, pulses: [(usize, u16); 2], cost: Option<f32>) {
    if let Some(cost_kg) = cost {
        if best.is_none_or(|b| cost_kg < b.cost_kg) {
            *best = Some(SmallFiring { pulses, cost_kg });
        }
    }
}

fn keep_sorted(kept: &mut [(f32, usize, u16); KEPT], new: (f32, usize, u16)) {
    let mut carried = new;
    for slot in kept.iter_mut() {
        if carried.0 < slot.0 {
            core::mem::swap(slot, &mut carried);
        }
    }
}
