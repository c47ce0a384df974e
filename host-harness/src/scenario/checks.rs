//! Checks of physics that need more than one number.

use nalgebra::{Matrix3, SymmetricEigen};

/// Length within which a direction or quaternion is taken as meant to be of unit length.
const UNIT_TOLERANCE: f64 = 0.01;

/// Slack of the triangle inequality, fraction of the largest moment: a flat plate sits on it.
const TRIANGLE_SLACK: f64 = 1e-9;

/// The vector at unit length, or its length when that is further than 1 % from one.
pub(super) fn unit<const N: usize>(vector: [f64; N]) -> Result<[f64; N], f64> {
    let length = vector.iter().map(|x| x * x).sum::<f64>().sqrt();
    if (length - 1.0).abs() > UNIT_TOLERANCE {
        return Err(length);
    }
    Ok(vector.map(|x| x / length))
}

/// Why a symmetric matrix is no inertia of a rigid body, if it is none.
pub(super) fn inertia_fault(inertia: &[[f64; 3]; 3]) -> Option<String> {
    let matrix = Matrix3::from_fn(|row, column| inertia[row][column]);
    let mut moments: Vec<f64> = SymmetricEigen::new(matrix).eigenvalues.iter().copied().collect();
    moments.sort_by(f64::total_cmp);
    let [small, middle, large] = moments[..] else { return None };
    let shown = format!("principal moments {small:.4}, {middle:.4} and {large:.4} kg m2");
    if small <= 0.0 {
        return Some(format!("is not positive definite: {shown}"));
    }
    if small + middle < large * (1.0 - TRIANGLE_SLACK) {
        return Some(format!(
            "breaks the triangle inequality: {shown}, where no moment may exceed the sum of the other two"
        ));
    }
    None
}

/// Inertia of a box of even density about its centre, kg·m²; full side lengths, m.
pub(super) fn box_inertia(mass_kg: f64, [x, y, z]: [f64; 3]) -> [[f64; 3]; 3] {
    let twelfth = mass_kg / 12.0;
    diagonal([twelfth * (y * y + z * z), twelfth * (x * x + z * z), twelfth * (x * x + y * y)])
}

/// Inertia of a cylinder of even density along x about its centre, kg·m².
pub(super) fn cylinder_inertia(mass_kg: f64, radius_m: f64, length_m: f64) -> [[f64; 3]; 3] {
    let across = mass_kg / 12.0 * (3.0 * radius_m * radius_m + length_m * length_m);
    diagonal([mass_kg / 2.0 * radius_m * radius_m, across, across])
}

fn diagonal([xx, yy, zz]: [f64; 3]) -> [[f64; 3]; 3] {
    [[xx, 0.0, 0.0], [0.0, yy, 0.0], [0.0, 0.0, zz]]
}

/// Quaternion `[x, y, z, w]` that takes components in axes turned by `angle_rad` about a main axis
/// (0 for x) into components in the axes they were turned from.
pub(super) fn turned(axis: usize, angle_rad: f64) -> [f64; 4] {
    let (sine, cosine) = (angle_rad / 2.0).sin_cos();
    let mut quaternion = [0.0, 0.0, 0.0, cosine];
    quaternion[axis] = sine;
    quaternion
}
