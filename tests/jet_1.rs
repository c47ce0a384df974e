//! Reference layout JET-1: twelve jets of an invented geometry, and the torques that numpy 2.4.6 makes of it.
#![allow(dead_code, missing_docs)]

/// Positions, m.
pub const POSITIONS: [[f64; 3]; 12] = [
    [-0.8, 0.5, 0.0],
    [-0.8, -0.5, 0.0],
    [0.8, 0.5, 0.0],
    [0.8, -0.5, 0.0],
    [0.0, -0.6, 0.5],
    [0.0, -0.6, -0.5],
    [0.0, 0.6, 0.5],
    [0.0, 0.6, -0.5],
    [0.7, 0.0, -0.6],
    [-0.7, 0.0, -0.6],
    [0.7, 0.0, 0.6],
    [-0.7, 0.0, 0.6],
];

/// Directions of force.
pub const DIRECTIONS: [[f64; 3]; 12] = [
    [1.0, 0.0, 0.0],
    [1.0, 0.0, 0.0],
    [-1.0, 0.0, 0.0],
    [-1.0, 0.0, 0.0],
    [0.0, 1.0, 0.0],
    [0.0, 1.0, 0.0],
    [0.0, -1.0, 0.0],
    [0.0, -1.0, 0.0],
    [0.0, 0.0, 1.0],
    [0.0, 0.0, 1.0],
    [0.0, 0.0, -1.0],
    [0.0, 0.0, -1.0],
];

/// Centre of mass that the jets were laid out for, m.
pub const DESIGN: [f64; 3] = [0.0; 3];

/// Centre of mass of the docked stack, m.
pub const DOCKED: [f64; 3] = [2.6, 0.12, -0.08];

/// Torque about `DESIGN` per newton, `(position − centre) × direction`: rows x, y, z, one column a jet.
pub const TORQUE_ABOUT_DESIGN: [[f64; 12]; 3] = [
    [0.0, 0.0, 0.0, 0.0, -0.5, 0.5, 0.5, -0.5, 0.0, 0.0, 0.0, 0.0],
    [0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, -0.7, 0.7, 0.7, -0.7],
    [-0.5, 0.5, 0.5, -0.5, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0],
];

/// The same about `DOCKED`.
pub const TORQUE_ABOUT_DOCKED: [[f64; 12]; 3] = [
    [0.0, 0.0, 0.0, 0.0, -0.58, 0.42, 0.58, -0.42, -0.12, -0.12, 0.12, 0.12],
    [0.08, 0.08, -0.08, -0.08, 0.0, 0.0, 0.0, 0.0, 1.9, 3.3, -1.9, -3.3],
    [-0.38, 0.62, 0.38, -0.62, -2.6, -2.6, 2.6, 2.6, 0.0, 0.0, 0.0, 0.0],
];
