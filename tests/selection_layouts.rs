//! Jet layouts and demands for the selection tests and benches.
//!
//! All layouts are invented; what makes each of them awkward is said at its name.
#![allow(dead_code, missing_docs)]

use jet_1::DOCKED;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64;
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, Offer, Problem};

#[path = "jet_1.rs"]
pub mod jet_1;

/// Columns, prices and limits.
#[derive(Clone, Debug)]
pub struct Layout<const M: usize> {
    pub columns: Vec<[f32; M]>,
    pub price: Vec<f32>,
    pub limit: Vec<f32>,
}

impl<const M: usize> Layout<M> {
    pub fn problem<'a>(&'a self, demand: &'a Demand<M>) -> Problem<'a, M> {
        Problem {
            columns: &self.columns,
            price: &self.price,
            limit: &self.limit,
            usable: JetMask::ALL,
            demand,
            priority: Self::IN_ORDER,
        }
    }

    /// Rows in the order of their numbers.
    pub const IN_ORDER: [u8; M] = {
        let (mut priority, mut row) = ([0; M], 0);
        while row < M {
            priority[row] = row as u8;
            row += 1;
        }
        priority
    };

    /// The jets looked over.
    pub fn offer<const N: usize>(&self) -> Offer<M, N> {
        Offer::new(&self.columns, &self.price, &self.limit, JetMask::ALL).expect("a sane layout")
    }

    /// Largest full pulse of a row.
    pub fn pulse(&self, row: usize) -> f64 {
        let pulses =
            self.columns.iter().zip(&self.limit).map(|(c, l)| f64::from(c[row].abs()) * f64::from(*l));
        let top = pulses.fold(0.0, f64::max);
        if top > 0.0 { top } else { 1.0 }
    }

    /// What on-times deliver.
    pub fn deliver(&self, on_time: &[f32]) -> [f64; M] {
        let mut sum = [0.0; M];
        for (column, time) in self.columns.iter().zip(on_time) {
            for (sum, entry) in sum.iter_mut().zip(column) {
                *sum += f64::from(*entry) * f64::from(*time);
            }
        }
        sum
    }

    pub fn cost(&self, on_time: &[f32]) -> f64 {
        self.price.iter().zip(on_time).map(|(p, t)| f64::from(*p) * f64::from(*t)).sum()
    }
}

fn cross(a: [f64; 3], b: [f64; 3]) -> [f64; 3] {
    [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
}

/// Unit-thrust effects of JET-1 about a centre of mass: torque, then force.
pub fn jet_1_effects(centre: [f64; 3]) -> Vec<([f64; 3], [f64; 3])> {
    jet_1::POSITIONS
        .iter()
        .zip(jet_1::DIRECTIONS)
        .map(|(p, d)| (cross([p[0] - centre[0], p[1] - centre[1], p[2] - centre[2]], d), d))
        .collect()
}

/// Three torque rows of JET-1, unit thrust, price 1 per second.
pub fn jet_1_torque(centre: [f64; 3], limit: f32) -> Layout<3> {
    let columns: Vec<_> = jet_1_effects(centre).iter().map(|(t, _)| t.map(|x| x as f32)).collect();
    Layout { price: vec![1.0; 12], limit: vec![limit; 12], columns }
}

/// Six rows of JET-1 in the reference values' order, force before torque; unit thrust, price 1 per second.
pub fn jet_1_full(centre: [f64; 3], limit: f32) -> Layout<6> {
    let columns = jet_1_effects(centre)
        .iter()
        .map(|(t, f)| [f[0], f[1], f[2], t[0], t[1], t[2]].map(|x| x as f32))
        .collect();
    Layout { price: vec![1.0; 12], limit: vec![limit; 12], columns }
}

/// JET-1 about the docked centre of mass: rows turn, then push, unit thrust, price 1 per second.
fn reference<const M: usize>() -> Layout<M> {
    let rows = |(turn, push): ([f64; 3], [f64; 3])| -> [f32; M] {
        std::array::from_fn(|row| (if row < 3 { turn[row] } else { push[row - 3] }) as f32)
    };
    let columns = jet_1_effects(DOCKED).into_iter().map(rows).collect();
    Layout { price: vec![1.0; 12], limit: vec![0.4; 12], columns }
}

/// Six jets along the axes; yaw can be made one way only.
pub fn one_sided_yaw() -> Layout<3> {
    let columns = vec![
        [1.0, 0.0, 0.0],
        [-1.0, 0.0, 0.0],
        [0.0, 1.0, 0.0],
        [0.0, -1.0, 0.0],
        [0.0, 0.0, 1.0],
        [0.0, 0.5, 1.0],
    ];
    Layout { price: vec![1.0; 6], limit: vec![1.0; 6], columns }
}

/// What makes a layout awkward.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Nothing: jets anywhere, pushing anywhere.
    Plain,
    /// Thrusts from 0.5 N to 500 N.
    Mixed,
    /// All jets and the centre of mass in one plane: two axes of torque are gone.
    Coplanar,
    /// Forces one-sided, so that one torque can be made one way only.
    OneSided,
    /// Directions within a thousandth of the axes, many of them nearly parallel.
    Parallel,
    /// Every third line of force leads through the centre of mass; what rounding leaves of its torque is taken out, as the
    /// kernel takes it out of a jet's effect.
    Through,
    /// Every jet twice.
    Twins,
    /// Torques in a plane tilted against the axes, exactly.
    RankTwo,
    /// Torques in a plane along the axes: yaw is gone.
    RankTwoAlong,
    /// Torques along one line, exactly.
    RankOne,
    /// Torques in a tilted plane but for the rounding of `f32`, which an exact solver lives on and no kernel in `f32` can.
    RoundedTwo,
    /// Torques along one line but for rounding.
    RoundedOne,
    /// As `Through`, and what rounding leaves of the torque stays.
    RoundedThrough,
    /// A third of the jets cost nothing.
    Free,
    /// The twelve jets of reference layout JET-1 about the docked centre of mass, unit thrust and price.
    Reference,
}

/// Kinds whose numbers mean what they say; those of [`ROUNDED`] do not.
pub const KINDS: [Kind; 11] = [
    Kind::Plain,
    Kind::Mixed,
    Kind::Coplanar,
    Kind::OneSided,
    Kind::Parallel,
    Kind::Through,
    Kind::Twins,
    Kind::RankTwo,
    Kind::RankTwoAlong,
    Kind::RankOne,
    Kind::Free,
];

/// Kinds that are short of a rank, or hold torques that are not there, but for rounding.
pub const ROUNDED: [Kind; 3] = [Kind::RoundedTwo, Kind::RoundedOne, Kind::RoundedThrough];

/// A standard normal number (Box and Muller).
pub fn normal(rng: &mut Pcg64) -> f64 {
    let u: f64 = rng.random_range(1.0e-12..1.0);
    let v: f64 = rng.random_range(0.0..std::f64::consts::TAU);
    (-2.0 * u.ln()).sqrt() * v.cos()
}

/// A random layout of `count` jets about the docked centre of mass: rows turn (rad/s²), then push (m/s²),
/// of a stack of 1,800 kg with moments 900, 5,200 and 5,100 kg·m²; prices in kg/s; 0.4 s at most.
pub fn random<const M: usize>(kind: Kind, count: usize, rng: &mut Pcg64) -> Layout<M> {
    if kind == Kind::Reference {
        return reference();
    }
    let mut layout = Layout { columns: Vec::new(), price: Vec::new(), limit: vec![0.4; count] };
    for jet in 0..count {
        let (position, direction) = geometry(kind, jet, rng);
        let thrust = if kind == Kind::Mixed { 10.0_f64.powf(rng.random_range(-0.301..=2.699)) } else { 22.0 };
        let arm: [f32; 3] = std::array::from_fn(|i| (position[i] - DOCKED[i]) as f32);
        let force: [f32; 3] = direction.map(|x| (x * thrust) as f32);
        // In f32, as the kernel does it: that is where the rounding noise comes from.
        let torque = [
            arm[1] * force[2] - arm[2] * force[1],
            arm[2] * force[0] - arm[0] * force[2],
            arm[0] * force[1] - arm[1] * force[0],
        ];
        let torque = if kind == Kind::Through && jet.is_multiple_of(3) { [0.0; 3] } else { torque };
        let turn = [torque[0] / 900.0, torque[1] / 5200.0, torque[2] / 5100.0];
        let mut column: [f32; M] =
            std::array::from_fn(|row| if row < 3 { turn[row] } else { force[row - 3] / 1800.0 });
        match kind {
            Kind::Twins if jet % 2 == 1 => column = layout.columns[jet - 1],
            Kind::RankTwo => {
                let [roll, pitch] = [column[0], column[1]].map(coarse);
                (column[0], column[1], column[2]) = (roll, pitch, 0.5 * roll - 0.25 * pitch);
            }
            Kind::RankTwoAlong => column[2] = 0.0,
            Kind::RankOne => {
                let roll = coarse(column[0]);
                (column[0], column[1], column[2]) = (roll, 0.75 * roll, -0.25 * roll);
            }
            Kind::RoundedTwo => column[2] = 0.3 * column[0] - 0.2 * column[1],
            Kind::RoundedOne => (column[1], column[2]) = (0.7 * column[0], -0.2 * column[0]),
            _ => {}
        }
        let mut price = (thrust / (9.806_65 * rng.random_range(200.0..300.0))) as f32;
        if kind == Kind::Free && rng.random_range(0..3) == 0 {
            price = 0.0;
        }
        layout.columns.push(column);
        layout.price.push(price);
    }
    layout
}

/// The nearest multiple of 2^-22: quarters of sums of such entries are exact.
fn coarse(entry: f32) -> f32 {
    (entry * 4_194_304.0).round() / 4_194_304.0
}

fn geometry(kind: Kind, jet: usize, rng: &mut Pcg64) -> ([f64; 3], [f64; 3]) {
    let mut p: [f64; 3] = std::array::from_fn(|_| rng.random_range(-1.0..1.0));
    let mut d: [f64; 3] = std::array::from_fn(|_| normal(rng));
    match kind {
        Kind::Coplanar => (p[2], d[2]) = (DOCKED[2], 0.0),
        Kind::OneSided => {
            d = [d[0], d[1].abs(), 0.0];
            p[2] = p[2].abs();
        }
        Kind::Parallel => {
            d = [1.0 + 1.0e-3 * d[0], 1.0e-3 * d[1], 1.0e-3 * d[2]];
            d.rotate_right(jet % 3);
            if jet % 2 == 1 {
                d = d.map(|x| -x);
            }
        }
        Kind::Through | Kind::RoundedThrough if jet.is_multiple_of(3) => {
            d = std::array::from_fn(|i| DOCKED[i] - p[i])
        }
        _ => {}
    }
    let length = d.iter().map(|x| x * x).sum::<f64>().sqrt();
    (p, d.map(|x| x / length))
}

/// A random demand, in turn: attainable, any direction from a hundredth to thirty times a full pulse, one axis from a
/// millionth to a million pulses, attainable and down to a millionth. A third of them are boxes.
pub fn demand<const M: usize>(layout: &Layout<M>, turn: usize, rng: &mut Pcg64) -> Demand<M> {
    let mut b = [0.0_f64; M];
    match turn % 4 {
        1 => {
            let size = 10.0_f64.powf(rng.random_range(-2.0..1.5));
            b = std::array::from_fn(|row| normal(rng) * size * layout.pulse(row));
        }
        2 => {
            let row = rng.random_range(0..M);
            let sign = if rng.random::<bool>() { 1.0 } else { -1.0 };
            b[row] = sign * layout.pulse(row) * 10.0_f64.powf(rng.random_range(-6.0..6.0));
        }
        _ => {
            let size = if turn.is_multiple_of(4) { 1.0 } else { 10.0_f64.powf(rng.random_range(-6.0..0.0)) };
            for (column, limit) in layout.columns.iter().zip(&layout.limit) {
                if rng.random_range(0..3) == 0 {
                    let time = size * rng.random::<f64>() * f64::from(*limit);
                    for (b, entry) in b.iter_mut().zip(column) {
                        *b += f64::from(*entry) * time;
                    }
                }
            }
        }
    }
    boxed(layout, b, rng)
}

fn boxed<const M: usize>(layout: &Layout<M>, b: [f64; M], rng: &mut Pcg64) -> Demand<M> {
    let mut demand = Demand::point(b.map(|x| x as f32));
    if rng.random_range(0..3) == 0 {
        let size = (0..M).map(|row| b[row].abs() / layout.pulse(row)).fold(0.0, f64::max);
        for row in 0..M {
            let half = size * layout.pulse(row) * 10.0_f64.powf(rng.random_range(-3.0..0.0));
            (demand.low[row], demand.high[row]) = ((b[row] - half) as f32, (b[row] + half) as f32);
        }
    }
    demand
}

/// A generator for a named series.
pub fn series(seed: u64) -> Pcg64 {
    Pcg64::seed_from_u64(seed)
}
