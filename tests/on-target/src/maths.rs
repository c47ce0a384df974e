//! Ways to the functions of the kernel's one door to mathematics: its own, and those of two libraries. Boards count their
//! instructions, the host their errors; the choice that `kernel/src/math.rs` documents stands on both.

use micromath::F32Ext;
use stackhold_kernel::math;

/// A function of one number; of two results the second is zero where there is only one.
pub type Of = fn(f32) -> (f32, f32);

/// A function, and ways to it by name; the kernel's own first.
pub struct Function {
    /// Name.
    pub name: &'static str,
    /// Smallest and largest argument that is tried, both positive.
    pub range: [f32; 2],
    /// Ways.
    pub ways: &'static [(&'static str, Of)],
}

impl Function {
    /// So many arguments in its range, evenly by their bits.
    pub fn arguments(&self, count: u32) -> impl Iterator<Item = f32> {
        let [low, high] = self.range.map(|end| u64::from(end.to_bits()));
        (0..u64::from(count)).map(move |i| {
            let bits = low + (high - low) * i / u64::from(count - 1).max(1);
            f32::from_bits(bits as u32)
        })
    }
}

/// All of them, over what a control cycle asks for.
pub const FUNCTIONS: [Function; 4] = [
    Function {
        name: "root",
        range: [1e-12, 1e6],
        ways: &[
            ("kernel", |x| (math::sqrt(x), 0.0)),
            ("libm", |x| (libm::sqrtf(x), 0.0)),
            ("micromath", |x| (F32Ext::sqrt(x), 0.0)),
            ("micromath_refined", |x| (refined_root(x), 0.0)),
        ],
    },
    Function {
        name: "inverse_root_near_one",
        range: [0.98, 1.02],
        ways: &[
            ("kernel", |x| (math::inverse_sqrt_near_one(x), 0.0)),
            ("libm", |x| (1.0 / libm::sqrtf(x), 0.0)),
            ("micromath", |x| (F32Ext::invsqrt(x), 0.0)),
            ("micromath_refined", |x| (refined(x), 0.0)),
        ],
    },
    Function {
        name: "sine_and_cosine",
        range: [0.1, core::f32::consts::PI],
        ways: &[
            ("kernel", math::sine_and_cosine),
            ("libm", |x| (libm::sinf(x), libm::cosf(x))),
            ("micromath", |x| (F32Ext::sin(x), F32Ext::cos(x))),
        ],
    },
    Function {
        name: "angle_of_point",
        range: [0.05, 20.0],
        ways: &[
            ("kernel", |x| (math::atan2(x, 1.0), 0.0)),
            ("libm", |x| (libm::atan2f(x, 1.0), 0.0)),
            ("micromath", |x| (F32Ext::atan2(x, 1.0), 0.0)),
        ],
    },
];

/// A coarse root, and three steps of Newton's.
fn refined_root(x: f32) -> f32 {
    let step = |y: f32| 0.5 * (y + x / y);
    step(step(step(F32Ext::sqrt(x))))
}

/// A coarse inverse root, and three steps of Newton's: it takes so many.
fn refined(x: f32) -> f32 {
    let step = |y: f32| y * (1.5 - 0.5 * x * y * y);
    step(step(step(F32Ext::invsqrt(x))))
}
