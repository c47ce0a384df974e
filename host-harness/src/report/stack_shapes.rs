//! Geometry of the stack's picture: views, outlines of hulls, places for labels.

use crate::scenario::model::{Body, Hull};

/// One of the three views. Pictures have `right` to the right and `up` upwards.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct View {
    /// Caption.
    pub name: &'static str,
    /// Structural axis to the right.
    pub right: usize,
    /// Structural axis upwards.
    pub up: usize,
    /// Structural axis at right angles to the picture.
    pub normal: usize,
    /// Sign of that axis towards the reader.
    pub towards: f64,
}

/// From the side, from above and along the first axis; each right-handed as seen by the reader.
pub const VIEWS: [View; 3] = [
    View { name: "seen from −y", right: 0, up: 2, normal: 1, towards: -1.0 },
    View { name: "seen from +z", right: 0, up: 1, normal: 2, towards: 1.0 },
    View { name: "seen from +x", right: 1, up: 2, normal: 0, towards: 1.0 },
];

impl View {
    /// Components of a structural vector to the right and upwards.
    pub fn flat(&self, vector: [f64; 3]) -> [f64; 2] {
        [vector[self.right], vector[self.up]]
    }

    /// Component towards the reader.
    pub fn depth(&self, vector: [f64; 3]) -> f64 {
        vector[self.normal] * self.towards
    }
}

/// Rotates a vector by a scalar-last unit quaternion (active sense: own axes into structural axes).
pub fn rotate([x, y, z, w]: [f64; 4], v: [f64; 3]) -> [f64; 3] {
    let cross = |a: [f64; 3], b: [f64; 3]| {
        [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]]
    };
    let axis = [x, y, z];
    let twice = cross(axis, v).map(|c| 2.0 * c);
    let turn = cross(axis, twice);
    [v[0] + w * twice[0] + turn[0], v[1] + w * twice[1] + turn[1], v[2] + w * twice[2] + turn[2]]
}

/// Points whose convex hull is the body's hull, structural axes, m.
pub fn hull_points(body: &Body) -> Vec<[f64; 3]> {
    let own: Vec<[f64; 3]> = match body.hull {
        Hull::Box(sides) => {
            let half = sides.map(|side| side / 2.0);
            // The eight corners: bit k of the count chooses the side along axis k.
            (0..8_u8)
                .map(|corner| {
                    std::array::from_fn(|axis| if corner >> axis & 1 == 1 { half[axis] } else { -half[axis] })
                })
                .collect()
        }
        Hull::Cylinder { radius_m, length_m } => (0..48)
            .flat_map(|step| {
                let angle = f64::from(step) * std::f64::consts::TAU / 48.0;
                let (y, z) = (radius_m * angle.cos(), radius_m * angle.sin());
                [[-length_m / 2.0, y, z], [length_m / 2.0, y, z]]
            })
            .collect(),
    };
    let place = |point: [f64; 3]| {
        let moved = std::array::from_fn(|i| point[i] + body.hull_offset_m[i]);
        let turned = rotate(body.orientation_xyzw, moved);
        std::array::from_fn(|i| turned[i] + body.centre_of_mass_m[i])
    };
    own.into_iter().map(place).collect()
}

/// Convex outline of points in a plane, counter-clockwise (Andrew's monotone chain).
pub fn outline(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    points.dedup();
    if points.len() < 3 {
        return points;
    }
    let mut chain = half_chain(points.iter());
    chain.pop();
    chain.extend(half_chain(points.iter().rev()));
    chain.pop();
    chain
}

fn half_chain<'a>(points: impl Iterator<Item = &'a [f64; 2]>) -> Vec<[f64; 2]> {
    let mut chain: Vec<[f64; 2]> = Vec::new();
    for point in points {
        while let [.., a, b] = chain.as_slice() {
            let turn = (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]);
            if turn > 0.0 {
                break;
            }
            chain.pop();
        }
        chain.push(*point);
    }
    chain
}

/// A rectangle: left, top, width, height.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rect {
    /// Left edge.
    pub x: f64,
    /// Top edge.
    pub y: f64,
    /// Width.
    pub w: f64,
    /// Height.
    pub h: f64,
}

impl Rect {
    /// Area shared with another one.
    pub fn shared(&self, other: &Self) -> f64 {
        let w = (self.x + self.w).min(other.x + other.w) - self.x.max(other.x);
        let h = (self.y + self.h).min(other.y + other.h) - self.y.max(other.y);
        w.max(0.0) * h.max(0.0)
    }

    /// How far it sticks out of another one, as an area.
    fn outside(&self, of: &Self) -> f64 {
        self.w * self.h - self.shared(of)
    }

    /// The point of the rectangle nearest to a point.
    pub fn nearest(&self, point: [f64; 2]) -> [f64; 2] {
        [point[0].clamp(self.x, self.x + self.w), point[1].clamp(self.y, self.y + self.h)]
    }
}

/// Finds places for labels one by one: near their anchors, off each other and off what is drawn.
#[derive(Clone, Debug)]
pub struct LabelPlaces {
    /// Where labels may be.
    page: Rect,
    /// What must not be covered.
    taken: Vec<Rect>,
    /// What had better not be covered.
    shy_of: Vec<Rect>,
}

impl LabelPlaces {
    /// Starts with an empty page; `shy_of` are shapes labels had better not lie on.
    pub fn new(page: Rect, shy_of: Vec<Rect>) -> Self {
        Self { page, taken: Vec::new(), shy_of }
    }

    /// Marks something that must not be covered.
    pub fn take(&mut self, rect: Rect) {
        self.taken.push(rect);
    }

    /// Marks a line by a chain of small rectangles.
    pub fn take_line(&mut self, from: [f64; 2], to: [f64; 2]) {
        const STEPS: u8 = 8;
        for step in 0..=STEPS {
            let part = f64::from(step) / f64::from(STEPS);
            let x = from[0] + (to[0] - from[0]) * part;
            let y = from[1] + (to[1] - from[1]) * part;
            self.take(Rect { x: x - 3.0, y: y - 3.0, w: 6.0, h: 6.0 });
        }
    }

    /// Place for a label of the given size near an anchor; preferred on the side of `away`, and, if
    /// `shy`, off the shapes.
    pub fn place(&mut self, anchor: [f64; 2], away: [f64; 2], size: [f64; 2], shy: bool) -> Rect {
        let mut best = (f64::MAX, Rect { x: anchor[0], y: anchor[1], w: size[0], h: size[1] });
        for ring in 0..14_u8 {
            for spoke in 0..24_u8 {
                let angle = f64::from(spoke) * std::f64::consts::TAU / 24.0;
                let (across, down) = (angle.cos(), angle.sin());
                let reach = 5.0 + 12.0 * f64::from(ring);
                let x = anchor[0] + across * (reach + size[0] / 2.0) - size[0] / 2.0;
                let y = anchor[1] + down * (reach + size[1] / 2.0) - size[1] / 2.0;
                let rect = Rect { x, y, w: size[0], h: size[1] };
                let lean = 1.0 - (across * away[0] + down * away[1]);
                let cost = self.cost(&rect, shy) + reach + 14.0 * lean;
                if cost < best.0 {
                    best = (cost, rect);
                }
            }
        }
        self.take(best.1);
        best.1
    }

    fn cost(&self, rect: &Rect, shy: bool) -> f64 {
        let covered: f64 = self.taken.iter().map(|taken| rect.shared(taken)).sum();
        let on_shapes: f64 = if shy { self.shy_of.iter().map(|shape| rect.shared(shape)).sum() } else { 0.0 };
        20.0 * rect.outside(&self.page) + 5.0 * covered + 0.1 * on_shapes
    }
}
