//! Attitude hold: the phase plane of three coupled axes.
//!
//! The deadband is freedom, and a good hold spends it. Nothing is fired while every axis is within its
//! half-width. When one has met its edge, all axes are settled in one firing: each gets a range of
//! rates from which it coasts for a common horizon without touching its edges (a box, not a point),
//! and selection finds the least waste in that box.
//!
//! *Waste* is what makes a steady push cheap. A standing disturbance must be paid anyway, at best at
//! the price π of the linear program for its torque; a jet that helps is charged only its reduced
//! price `c_j − π·a_j`, which is zero for exactly the jets of that optimum. Firing only those costs the
//! theoretical price whatever the pulse pattern (linear-programming duality; see for example Chvátal,
//! *Linear Programming*, 1983, ch. 5). Without a disturbance π is zero and waste is propellant.
//!
//! What a state will cost later ([`Outlook`]) is an estimate, made of the closed forms of the
//! two-sided and the one-sided limit cycle (textbook: for example Sidi, *Spacecraft Dynamics and
//! Control*, 1997, ch. 9, chapter number from memory). It only ranks firings in whole ticks that are all
//! good enough; a bad estimate costs propellant, never pointing. The shares below were found by
//! flying; `DEVELOPERS.md` says how to fly them again.

use crate::config::Timing;
use crate::effectiveness::Effect;
use crate::jet::{Jet, JetMask};
use crate::linalg::Vec3;
use crate::math;
use crate::pulse;
use crate::selection::Demand;

/// An axis is treated as outside beyond this many half-widths: meeting the edge is not leaving it.
const OUTSIDE: f32 = 1.03;
/// An axis outside its deadband is asked to be back after about this many cycles.
const RETURN_CYCLES: f32 = 60.0;
/// Part of the longest possible coast under a standing push that is asked for. Less leaves room to
/// settle other axes with jets that would be fired anyway; more saves openings.
const COAST_SHARE: f32 = 0.6;
/// Part of the half-width that a coast against a push may use: it turns there, and a little more push
/// than expected must not make it touch the edge.
const FAR_SHARE: f32 = 0.85;
/// Part of the natural crossing time of an undisturbed limit cycle that every answer must last.
const CROSSING_SHARE: f32 = 0.5;
/// Part of the room that the box uses under a standing push: its middle, where rounding to whole ticks
/// does no harm.
const MIDDLE_SHARE: f32 = 0.6;
/// Share of a smallest bit that every firing costs beside its impulse (cold starts, valve cycles).
const OVERHEAD: f32 = 0.1;
/// A bit that changes the rate by less is none, rad/s.
pub(crate) const LEAST_RATE_RAD_S: f32 = 1e-12;
/// How soon is soon, as a share of the natural period.
const SOON: f32 = 0.6;

/// Limits of a hold, per body axis.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Deadband {
    /// Half-width of the deadband, rad.
    pub half_width_rad: Vec3,
    /// Largest rate asked for, rad/s.
    pub rate_limit_rad_s: Vec3,
}

impl Deadband {
    /// Whether the error of every axis is within so many half-widths.
    #[must_use]
    pub fn holds(&self, error_rad: Vec3, half_widths: f32) -> bool {
        let widths = self.half_width_rad.0;
        error_rad.0.iter().zip(widths).all(|(error, width)| error.abs() <= half_widths * width)
    }

    /// Whether every limit is a positive finite number (half-widths at most π, rates at most 1 rad/s).
    #[must_use]
    pub fn is_valid(&self) -> bool {
        self.half_width_rad.0.iter().all(|&w| w > 1e-6 && w <= 3.15)
            && self.rate_limit_rad_s.0.iter().all(|&r| r > 1e-7 && r <= 1.0)
    }
}

/// Where the stack is when this cycle's pulses open; body axes.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Situation {
    /// Attitude error, rad.
    pub angle_rad: Vec3,
    /// Rate, rad/s.
    pub rate_rad_s: Vec3,
    /// Standing acceleration, rad/s².
    pub drift_rad_s2: Vec3,
}

/// The smallest firing that mainly moves one axis, and what it costs to turn the axis alone.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct AxisBit {
    /// Rate change of the smallest single-jet firing on this axis, rad/s.
    pub rate_rad_s: f32,
    /// Its propellant, kg.
    pub propellant_kg: f32,
    /// Waste of raising and of lowering this axis's rate with the others left alone, kg per rad/s; that of the
    /// firing itself until it is worked out.
    pub turn_price: [f32; 2],
}

/// The smallest single-jet firing of each axis: among the jets whose largest rate change is on that
/// axis, the smallest. An axis without such a jet takes the jet that moves it most.
#[must_use]
pub fn axis_bits(jets: &[Jet], effects: &[Effect], usable: JetMask, timing: &Timing) -> [AxisBit; 3] {
    let mut own = [AxisBit::default(); 3];
    let mut any = [AxisBit::default(); 3];
    for (j, (jet, effect)) in jets.iter().zip(effects).enumerate() {
        if !usable.contains(j) {
            continue;
        }
        let acting_s = pulse::acting_time(jet.minimum_on_ticks, jet, timing);
        let rate = (effect.turn_rad_s2 * acting_s).0.map(f32::abs);
        let largest = math::max(rate[0], math::max(rate[1], rate[2]));
        for axis in 0..3 {
            let propellant_kg = jet.flow_kg_s() * acting_s;
            let turn_price = [propellant_kg / math::max(rate[axis], LEAST_RATE_RAD_S); 2];
            let bit = AxisBit { rate_rad_s: rate[axis], propellant_kg, turn_price };
            let smaller = own[axis].rate_rad_s == 0.0 || rate[axis] < own[axis].rate_rad_s;
            if rate[axis] >= largest && smaller {
                own[axis] = bit;
            }
            if rate[axis] > any[axis].rate_rad_s {
                any[axis] = bit;
            }
        }
    }
    for (own, any) in own.iter_mut().zip(any) {
        if own.rate_rad_s == 0.0 {
            *own = any;
        }
    }
    own
}

/// Whether some axis has left its deadband `ahead_s` from now and is not on its way back,
/// or turns faster than its limit.
#[must_use]
pub fn must_fire(now: &Situation, deadband: &Deadband, ahead_s: f32, cycle_s: f32) -> bool {
    (0..3).any(|axis| {
        let width = deadband.half_width_rad[axis];
        let limit = deadband.rate_limit_rad_s[axis];
        let (angle, rate, drift) = (now.angle_rad[axis], now.rate_rad_s[axis], now.drift_rad_s2[axis]);
        let end = angle + (rate + 0.5 * drift * ahead_s) * ahead_s;
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

/// The box of rate changes that settles every axis for the common horizon.
///
/// `steady` says that a standing disturbance is being paid for.
#[must_use]
pub fn settle(
    now: &Situation,
    deadband: &Deadband,
    bits: &[AxisBit; 3],
    cycle_s: f32,
    steady: bool,
) -> Demand<3> {
    let mut horizon_s = f32::INFINITY;
    for (axis, bit) in bits.iter().enumerate() {
        let width = deadband.half_width_rad[axis];
        let own = axis_horizon(now.angle_rad[axis], now.drift_rad_s2[axis], width, bit);
        horizon_s = math::min(horizon_s, own);
    }
    horizon_s = math::max(horizon_s, 2.0 * cycle_s);
    let mut demand = Demand { low: [0.0; 3], high: [0.0; 3] };
    for axis in 0..3 {
        let (low, high) = axis_rates(axis, now, deadband, bits, horizon_s, cycle_s);
        let trim = if steady { 0.5 * (1.0 - MIDDLE_SHARE) * (high - low) } else { 0.0 };
        demand.low[axis] = low + trim - now.rate_rad_s[axis];
        demand.high[axis] = high - trim - now.rate_rad_s[axis];
    }
    demand
}

/// How long one axis is asked to coast, s: a share of the longest coast under its push that stays
/// within the deadband, or of the natural crossing time where next to nothing pushes.
fn axis_horizon(angle: f32, drift: f32, width: f32, bit: &AxisBit) -> f32 {
    let crossing = CROSSING_SHARE * 4.0 * width / math::max(bit.rate_rad_s, 1e-9);
    let push = drift.abs();
    if push * crossing * crossing < 0.1 * width {
        return crossing;
    }
    // Room on the side the push comes from, and on the side it goes to.
    let towards = if drift < 0.0 { -angle } else { angle };
    let behind = math::clamp(FAR_SHARE * width + towards, 0.0, 2.0 * width);
    let ahead = math::clamp(width - towards, 0.0, 2.0 * width);
    let s = math::sqrt(2.0 * behind * push);
    COAST_SHARE * (s + math::sqrt(s * s + 2.0 * push * ahead)) / push
}

/// Rates from which an axis inside its deadband coasts for `horizon_s` without touching an edge.
fn coasting_rates(angle: f32, drift: f32, width: f32, horizon_s: f32) -> (f32, f32) {
    let highest = |room: f32, push: f32| {
        // Largest ω with ωt + ½·push·t² ≤ room for all t up to the horizon.
        if push < 0.0 && -push * horizon_s * horizon_s > 2.0 * room {
            math::sqrt(-2.0 * room * push)
        } else {
            room / horizon_s - 0.5 * push * horizon_s
        }
    };
    let (to_above, to_below) =
        if drift < 0.0 { (FAR_SHARE * width, width) } else { (width, FAR_SHARE * width) };
    let above = math::max(to_above - angle, 0.0);
    let below = math::max(to_below + angle, 0.0);
    (-highest(below, -drift), highest(above, drift))
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
    let outside = angle.abs() - OUTSIDE * width;
    let (mut low, mut high) = coasting_rates(angle, drift, width, horizon_s);
    if outside > 0.0 {
        let bit = bits.get(axis).map_or(0.0, |bit| bit.rate_rad_s);
        let back = return_rate(outside, limit, cycle_s);
        let room = math::max(0.5 * bit, back);
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

/// What states will cost: every axis will have to be turned round when it meets an edge, the sooner the dearer.
///
/// Made once for all the states that are compared: they differ in rate only.
#[derive(Clone, Copy, Debug)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Outlook {
    axes: [AxisOutlook; 3],
}

/// One axis, mirrored so that the push is towards the positive edge.
#[derive(Clone, Copy, Debug, Default)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
struct AxisOutlook {
    /// 1, or -1 where it is mirrored.
    sign: f32,
    push: f32,
    /// Room behind and ahead, rad.
    behind: f32,
    ahead: f32,
    /// Smallest bit, rad/s.
    smallest: f32,
    /// Price of a bit that raises and of one that lowers the rate, and of an opening, kg.
    raise: f32,
    lower: f32,
    opening: f32,
    /// Time between firings that is natural here, s.
    period_s: f32,
}

impl Outlook {
    /// Where a stack is, in which deadband, with which smallest bits.
    #[must_use]
    pub fn new(now: &Situation, deadband: &Deadband, bits: &[AxisBit; 3]) -> Self {
        let mut axes = [AxisOutlook::default(); 3];
        for (axis, (into, bit)) in axes.iter_mut().zip(bits).enumerate() {
            let (drift, width) = (now.drift_rad_s2[axis], deadband.half_width_rad[axis]);
            let sign = if drift < 0.0 { -1.0 } else { 1.0 };
            let [raise, lower] = bit.turn_price;
            let (raise, lower) = if drift < 0.0 { (lower, raise) } else { (raise, lower) };
            let (angle, push) = (sign * now.angle_rad[axis], sign * drift);
            let smallest = math::max(bit.rate_rad_s, LEAST_RATE_RAD_S);
            let slow = math::sqrt(width / math::max(push, 1e-20));
            *into = AxisOutlook {
                sign,
                push,
                behind: math::max(width + angle, 0.0),
                ahead: math::max(width - angle, 0.0),
                smallest,
                raise: raise * smallest,
                lower: lower * smallest,
                opening: OVERHEAD * bit.propellant_kg,
                period_s: 4.0 * math::min(width / smallest, slow),
            };
        }
        Self { axes }
    }

    /// What it will cost with these rates, rad/s, kg, where that is under `most`; else some number that is not.
    #[must_use]
    pub fn cost_under_kg(&self, rate_rad_s: Vec3, most: f32) -> f32 {
        let mut cost = 0.0;
        for (axis, rate) in self.axes.iter().zip(rate_rad_s.0) {
            // No axis costs less than nothing.
            if cost >= most {
                break;
            }
            cost += axis.cost_kg(rate);
        }
        cost
    }
}

impl AxisOutlook {
    fn cost_kg(&self, rate: f32) -> f32 {
        let Self { push, behind, ahead, period_s, .. } = *self;
        let rate = self.sign * rate;
        let against = rate * rate - 2.0 * push * behind;
        // When an edge is met, at which speed less what the push has brought (that is owed anyway), and
        // the price of turning round there.
        let (time_s, speed, price) = if rate < 0.0 && against > 0.0 {
            let speed = math::sqrt(against);
            (2.0 * behind / (speed - rate), speed, self.raise)
        } else {
            let speed = math::sqrt(rate * rate + 2.0 * push * ahead);
            let time_s = if rate > 0.0 {
                2.0 * ahead / (rate + speed)
            } else {
                (speed - rate) / math::max(push, 1e-20)
            };
            (time_s, speed - push * time_s, self.lower)
        };
        let bits_to_turn = math::max(speed, 0.0) / self.smallest;
        // A slow arrival still takes a whole bit; a very slow one may be left to the push.
        let turning = math::max(math::min(1.0, 2.0 * bits_to_turn), bits_to_turn) * price;
        period_s * (turning / (SOON * period_s + time_s) + self.opening / (0.05 * period_s + time_s))
    }
}
