//! The kernel's own solver on allocation examples and linear programs with known answers.
mod selection_layouts;

use selection_layouts::jet_1::{DESIGN, DOCKED};
use selection_layouts::{Layout, jet_1_full, jet_1_torque};
use stackhold_kernel::jet::JetMask;
use stackhold_kernel::selection::{Demand, End, Outcome, Program, Rule, Selection, select};

const INF: f32 = f32::INFINITY;

/// Whether `got` is `wanted` to `relative` of its size (of 1 for small numbers).
fn close(got: f64, wanted: f64, relative: f64) -> bool {
    (got - wanted).abs() <= relative * wanted.abs().max(1.0)
}

/// Selects on a layout and checks optimum, on-times (1-based jet numbers; `None` when the optimum has more
/// than one vertex) and, when given, multipliers.
fn allocation<const M: usize>(
    layout: &Layout<M>,
    usable: JetMask,
    wanted: [f32; M],
    optimum: f64,
    on_times: Option<&[(usize, f64)]>,
    duals: Option<[f64; M]>,
) -> Selection<M, 16> {
    let demand = Demand::point(wanted);
    let mut problem = layout.problem(&demand);
    problem.usable = usable;
    let answer: Selection<M, 16> = select(&problem);
    assert_eq!(answer.outcome, Outcome::Exact);
    assert_eq!(answer.lambda, 1.0);
    let sum: f64 = answer.on_time.iter().map(|t| f64::from(*t)).sum();
    assert!(close(sum / optimum, 1.0, 1.0e-6), "{sum} instead of {optimum}");
    // Seen to fail: two parts in a hundred thousand off the expected value are noticed.
    assert!(!close(sum / (optimum * 1.000_02), 1.0, 1.0e-6));
    for (got, wanted) in layout.deliver(&answer.on_time).iter().zip(wanted) {
        assert!((got - f64::from(wanted)).abs() <= 2.0e-6 * optimum, "{got} {wanted}");
    }
    if let Some(on_times) = on_times {
        for (jet, time) in answer.on_time.iter().enumerate() {
            let wanted = on_times.iter().find(|(number, _)| number - 1 == jet).map_or(0.0, |(_, t)| *t);
            assert!(
                (f64::from(*time) - wanted).abs() <= 2.0e-6 * optimum,
                "jet {}: {time} {wanted}",
                jet + 1
            );
        }
    }
    if let Some(duals) = duals {
        for (got, wanted) in answer.multipliers.iter().zip(duals) {
            assert!(close(f64::from(*got), wanted, 2.0e-6), "{got} {wanted}");
        }
    }
    answer
}

// Reference values AL-0 to AL-10: invented geometry JET-1, optimum by scipy 1.17.1 HiGHS and exact rational
// enumeration of bases. On-times at unit thrust are impulses in N·s.

#[test]
fn nothing_fires_for_nothing() {
    // AL-0.
    let layout = jet_1_torque(DOCKED, 100.0);
    let demand = Demand::point([0.0; 3]);
    let answer: Selection<3, 16> = select(&layout.problem(&demand));
    assert_eq!(answer.outcome, Outcome::Nothing);
    assert!(answer.on_time.iter().all(|t| *t == 0.0 && t.is_sign_positive()));
}

#[test]
fn pitch_about_the_design_centre() {
    // AL-1: two vertices are optimal (jet 11 or jet 12 alone), the duals are not unique either.
    let answer =
        allocation(&jet_1_torque(DESIGN, 100.0), JetMask::ALL, [0.0, 3.0, 0.0], 30.0 / 7.0, None, None);
    // The lowest index breaks the tie: jets 10 and 11 both turn +y about the design centre.
    assert!(answer.on_time.iter().filter(|t| **t > 0.0).count() <= 2);
}

#[test]
fn pitch_about_the_docked_centre_takes_other_jets() {
    // AL-2.
    allocation(
        &jet_1_torque(DOCKED, 100.0),
        JetMask::ALL,
        [0.0, 3.0, 0.0],
        62.0 / 55.0,
        Some(&[(6, 6.0 / 55.0), (7, 6.0 / 55.0), (10, 10.0 / 11.0)]),
        Some([2.0, 0.375_757_575_8, -0.061_538_461_54]),
    );
}

#[test]
fn a_pure_couple_costs_the_same_about_any_centre() {
    // AL-3 and AL-4.
    let couple = [(10, 15.0 / 7.0), (11, 15.0 / 7.0)];
    for centre in [DESIGN, DOCKED] {
        let wanted = [0.0, 0.0, 0.0, 0.0, 3.0, 0.0];
        allocation(&jet_1_full(centre, 100.0), JetMask::ALL, wanted, 30.0 / 7.0, Some(&couple), None);
    }
}

#[test]
fn a_demand_in_all_three_axes() {
    // AL-5.
    allocation(
        &jet_1_torque(DOCKED, 100.0),
        JetMask::ALL,
        [0.4, -2.0, 1.1],
        12_794.0 / 10_725.0,
        Some(&[(6, 1171.0 / 14_300.0), (7, 7221.0 / 14_300.0), (12, 20.0 / 33.0)]),
        Some([2.0, -0.230_303_030_3, -0.061_538_461_54]),
    );
}

#[test]
fn a_push_without_torque() {
    // AL-6.
    allocation(
        &jet_1_full(DOCKED, 100.0),
        JetMask::ALL,
        [0.0, 0.0, 10.0, 0.0, 0.0, 0.0],
        1384.0 / 35.0,
        Some(&[(6, 1.2), (7, 1.2), (9, 165.0 / 7.0), (12, 95.0 / 7.0)]),
        None,
    );
}

#[test]
fn roll_alone() {
    // AL-7.
    allocation(
        &jet_1_torque(DOCKED, 100.0),
        JetMask::ALL,
        [1.0, 0.0, 0.0],
        2.0,
        Some(&[(6, 1.0), (7, 1.0)]),
        Some([2.0, 0.0, -0.061_538_461_54]),
    );
}

#[test]
fn short_pulses_bring_in_a_second_jet() {
    // AL-8: as AL-2 with 0.7 N·s per jet.
    allocation(
        &jet_1_torque(DOCKED, 0.7),
        JetMask::ALL,
        [0.0, 3.0, 0.0],
        1.318_315_789,
        Some(&[(6, 0.127_578_947_4), (7, 0.127_578_947_4), (9, 0.363_157_894_7), (10, 0.7)]),
        Some([2.0, 0.652_631_578_9, -0.061_538_461_54]),
    );
}

#[test]
fn a_failed_jet_makes_one_direction_dearer() {
    // AL-9: jet 10 failed off.
    let usable = JetMask(!(1 << 9));
    let layout = jet_1_torque(DOCKED, 100.0);
    allocation(&layout, usable, [0.0, 3.0, 0.0], 1.957_894_737, None, None);
    allocation(&layout, usable, [0.0, -3.0, 0.0], 1.127_272_727, None, None);
}

#[test]
fn the_price_of_a_standing_torque() {
    // AL-10: rate against (1e-4, −5e-4, 2e-4) N·m, as torque and as couple; duals are d(rate)/d(b), b = −torque.
    let against = [-1.0e-4, 5.0e-4, -2.0e-4];
    allocation(
        &jet_1_torque(DOCKED, 100.0),
        JetMask::ALL,
        against,
        0.000_302_843_822_8,
        None,
        Some([-2.0, 0.230_303_030_3, 0.061_538_461_54]),
    );
    let [x, y, z] = against;
    allocation(
        &jet_1_full(DOCKED, 100.0),
        JetMask::ALL,
        [0.0, 0.0, 0.0, x, y, z],
        0.001_314_285_714,
        None,
        None,
    );
}

/// Largest `a` with `B·u = a·v` and `low ≤ u ≤ high`, by the kernel's solver; also `u`.
fn direct_allocation<const M: usize, const N: usize>(
    b: &[[f64; N]; M],
    limits: &[(f64, f64); N],
    v: [f64; M],
) -> (f64, Vec<f64>) {
    // u = low + x; the last column is −a·v.
    let mut columns: Vec<[f32; M]> = (0..N).map(|j| std::array::from_fn(|row| b[row][j] as f32)).collect();
    columns.push(v.map(|x| -x as f32));
    let mut cost = vec![0.0_f32; N];
    cost.push(-1.0);
    let mut limit: Vec<f32> = limits.iter().map(|(low, high)| (high - low) as f32).collect();
    limit.push(INF);
    let rows: [f32; M] = std::array::from_fn(|row| {
        -limits.iter().zip(b[row]).map(|((low, _), x)| low * x).sum::<f64>() as f32
    });
    let mut program = Program::<M, 8>::new(&columns, &cost, &limit, JetMask::ALL).unwrap();
    assert_eq!(program.minimise(&rows, &rows), End::Optimal);
    let x = program.solution();
    let u = limits.iter().zip(&x).map(|((low, _), x)| low + f64::from(*x)).collect();
    (f64::from(x[N]), u)
}

#[test]
fn direct_allocation_on_a_textbook_matrix() {
    // AL-D: formulation Bodson, J. Guid. Control Dyn. 25(4) 2002; matrix in the style of Durham 1993 (from memory).
    let b = [[1.0, 0.0, -0.5], [0.0, 1.0, -0.5]];
    for (v, u) in [([1.0, 1.0], [1.0, 1.0, -1.0]), ([1.0, 0.0], [1.0, -0.5, -1.0])] {
        let (a, got) = direct_allocation(&b, &[(-1.0, 1.0); 3], v);
        assert!(close(a, 1.5, 2.0e-6), "{a}");
        for (got, wanted) in got.iter().zip(u) {
            assert!(close(*got, wanted, 3.0e-6), "{got} {wanted}");
        }
    }
}

#[test]
fn direct_allocation_on_a_published_aircraft() {
    // AL-A: matrix Härkegård and Glad, Automatica 41 (2005) 137-144 (numbers from memory); demand ours;
    // optimum by scipy 1.17.1 HiGHS.
    let b =
        [[0.0, -4.2423, 4.2423, 1.4871], [1.6532, -1.2735, -1.2735, 0.0024], [0.0, -0.2805, 0.2805, -0.8823]];
    let degree = std::f64::consts::PI / 180.0;
    let side = (-30.0 * degree, 30.0 * degree);
    let (a, u) =
        direct_allocation(&b, &[(-55.0 * degree, 25.0 * degree), side, side, side], [1.5, -0.8, 0.2]);
    assert!(close(a, 2.253_632_298, 3.0e-6), "{a}");
    for (got, wanted) in
        u.iter().zip([-0.959_931_088_6, -0.354_465_143_1, 30_f64.to_radians(), -0.231_700_703_1])
    {
        assert!(close(*got, wanted, 5.0e-6), "{got} {wanted}");
    }
}

/// A published program: minimise `cost·x`, `A·x ≤ b` (or `= b`), `x ≥ 0`.
struct Published<const M: usize, const N: usize> {
    a: [[f64; N]; M],
    b: [f64; M],
    cost: [f64; N],
    optimum: f64,
    /// The optimal vertex, when there is only one.
    x: Option<[f64; N]>,
    /// d(optimum)/d(b), when unique.
    duals: Option<[f64; M]>,
}

impl<const M: usize, const N: usize> Published<M, N> {
    fn program(&self) -> Program<M, 8> {
        let columns: Vec<[f32; M]> =
            (0..N).map(|j| std::array::from_fn(|row| self.a[row][j] as f32)).collect();
        let cost = self.cost.map(|c| c as f32);
        Program::new(&columns, &cost, &[INF; N], JetMask::ALL).unwrap()
    }

    /// Solves it by both rules of pivoting, rows at most `b` or, if `equal`, exactly.
    fn check(&self, equal: bool) {
        let high = self.b.map(|b| b as f32);
        let low = if equal { high } else { [-INF; M] };
        for rule in [Rule::Largest, Rule::LowestIndex] {
            let mut program = self.program();
            program.set_rule(rule);
            assert_eq!(program.minimise(&low, &high), End::Optimal);
            let x = program.solution();
            let value: f64 = self.cost.iter().zip(x).map(|(c, x)| c * f64::from(x)).sum();
            assert!(close(value, self.optimum, 2.0e-6), "{rule:?}: {value}");
            assert!(!close(value, self.optimum * 1.001, 2.0e-6), "seen to fail");
            let size = self.x.map_or(1.0, |x| x.iter().fold(1.0, |a: f64, b| a.max(*b)));
            for (got, wanted) in x.iter().zip(self.x.into_iter().flatten()) {
                assert!((f64::from(*got) - wanted).abs() <= 3.0e-6 * size, "{rule:?}: {got} {wanted}");
            }
            for (got, wanted) in program.row_multipliers().iter().zip(self.duals.into_iter().flatten()) {
                assert!(close(f64::from(*got), wanted, 3.0e-6), "{rule:?}: {got} {wanted}");
            }
            assert!(program.pivots() < 40, "{rule:?}: {} pivots", program.pivots());
        }
    }
}

// Optimum, vertex and duals of the published programs: scipy 1.17.1 HiGHS and exact rational enumeration of bases.

#[test]
fn beale_does_not_cycle() {
    // LP-BEALE: E. M. L. Beale, Cycling in the dual simplex algorithm, Nav. Res. Log. Quart. 2 (1955) 269-275.
    Published {
        a: [[0.25, -8.0, -1.0, 9.0], [0.5, -12.0, -0.5, 3.0], [0.0, 0.0, 1.0, 0.0]],
        b: [0.0, 0.0, 1.0],
        cost: [-0.75, 20.0, -0.5, 6.0],
        optimum: -1.25,
        x: Some([1.0, 0.0, 1.0, 0.0]),
        duals: Some([0.0, -1.5, -1.25]),
    }
    .check(false);
    // LP-BEALE2: the scaled variant widely printed (Chvátal; Bertsimas).
    Published {
        a: [[0.25, -60.0, -0.04, 9.0], [0.5, -90.0, -0.02, 3.0], [0.0, 0.0, 1.0, 0.0]],
        b: [0.0, 0.0, 1.0],
        cost: [-0.75, 150.0, -0.02, 6.0],
        optimum: -0.05,
        x: Some([0.04, 0.0, 1.0, 0.0]),
        duals: Some([0.0, -1.5, -0.05]),
    }
    .check(false);
}

#[test]
fn kuhn_bounded_and_unbounded() {
    // LP-KUHN: rows 1-2 and costs Chvátal, Linear Programming (1983) ch. 3; third row from memory (Balinski and
    // Tucker 1969).
    let kuhn = Published {
        a: [[-2.0, -9.0, 1.0, 9.0], [1.0 / 3.0, 1.0, -1.0 / 3.0, -2.0], [2.0, 3.0, -1.0, -12.0]],
        b: [0.0, 0.0, 2.0],
        cost: [-2.0, -3.0, 1.0, 12.0],
        optimum: -2.0,
        x: Some([2.0, 0.0, 2.0, 0.0]),
        duals: Some([0.0, 0.0, -1.0]),
    };
    kuhn.check(false);
    // LP-KUHN-U: without the third row it is unbounded along (1, 0, 1, 0).
    for rule in [Rule::Largest, Rule::LowestIndex] {
        let mut program = kuhn.program();
        program.set_rule(rule);
        assert_eq!(program.minimise(&[-INF; 3], &[0.0, 0.0, INF]), End::Unbounded);
    }
}

#[test]
fn marshall_and_suurballe_does_not_cycle() {
    // LP-MS: Marshall and Suurballe, Nav. Res. Log. Quart. 16 (1969) 121-137 (data from memory).
    Published {
        a: [[0.6, -6.4, 4.8], [0.2, -1.8, 0.6], [0.4, -1.6, 0.2], [0.0, 1.0, 0.0]],
        b: [0.0, 0.0, 0.0, 1.0],
        cost: [-0.4, -0.4, 1.8],
        optimum: -2.0,
        x: Some([4.0, 1.0, 0.0]),
        duals: Some([0.0, 0.0, -1.0, -2.0]),
    }
    .check(false);
}

#[test]
fn klee_and_minty_cubes() {
    // LP-KM2, LP-KM3, LP-KM4: Klee and Minty 1972.
    Published {
        a: [[1.0, 0.0], [4.0, 1.0]],
        b: [5.0, 25.0],
        cost: [-2.0, -1.0],
        optimum: -25.0,
        x: Some([0.0, 25.0]),
        duals: Some([0.0, -1.0]),
    }
    .check(false);
    Published {
        a: [[1.0, 0.0, 0.0], [4.0, 1.0, 0.0], [8.0, 4.0, 1.0]],
        b: [5.0, 25.0, 125.0],
        cost: [-4.0, -2.0, -1.0],
        optimum: -125.0,
        x: Some([0.0, 0.0, 125.0]),
        duals: Some([0.0, 0.0, -1.0]),
    }
    .check(false);
    Published {
        a: [[1.0, 0.0, 0.0, 0.0], [4.0, 1.0, 0.0, 0.0], [8.0, 4.0, 1.0, 0.0], [16.0, 8.0, 4.0, 1.0]],
        b: [5.0, 25.0, 125.0, 625.0],
        cost: [-8.0, -4.0, -2.0, -1.0],
        optimum: -625.0,
        x: Some([0.0, 0.0, 0.0, 625.0]),
        duals: Some([0.0, 0.0, 0.0, -1.0]),
    }
    .check(false);
    // LP-KM3C: the form of Chvátal 1983 ch. 4 (from memory).
    Published {
        a: [[1.0, 0.0, 0.0], [20.0, 1.0, 0.0], [200.0, 20.0, 1.0]],
        b: [1.0, 100.0, 10_000.0],
        cost: [-100.0, -10.0, -1.0],
        optimum: -10_000.0,
        x: Some([0.0, 0.0, 10_000.0]),
        duals: Some([0.0, 0.0, -1.0]),
    }
    .check(false);
}

#[test]
fn a_small_program_of_the_textbooks() {
    // LP-WIKI: Wikipedia, Simplex algorithm, optimum −20 at z = 5 (rows from memory).
    Published {
        a: [[3.0, 2.0, 1.0], [2.0, 5.0, 3.0]],
        b: [10.0, 15.0],
        cost: [-2.0, -3.0, -4.0],
        optimum: -20.0,
        x: Some([0.0, 0.0, 5.0]),
        duals: Some([0.0, -1.333_333_333]),
    }
    .check(false);
}

#[test]
fn degenerate_redundant_and_contradictory_rows() {
    // LP-DEG: own; two optimal vertices.
    Published {
        a: [[1.0, 1.0], [1.0, 1.0], [1.0, 0.0]],
        b: [1.0, 1.0, 1.0],
        cost: [-1.0, -1.0],
        optimum: -1.0,
        x: None,
        duals: None,
    }
    .check(false);
    // LP-RED: redundant equalities, read in the test of an open library.
    Published {
        a: [[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]],
        b: [1.0, 2.0, 3.0],
        cost: [2.0, 1.0],
        optimum: 1.0,
        x: Some([0.0, 1.0]),
        duals: None,
    }
    .check(true);
    // LP-INF: own; x1 + x2 cannot be both 1 and 2.
    let mut program =
        Program::<2, 2>::new(&[[1.0, 1.0], [1.0, 1.0]], &[1.0, 1.0], &[INF; 2], JetMask::ALL).unwrap();
    assert_eq!(program.minimise(&[1.0, 2.0], &[1.0, 2.0]), End::Infeasible);
}
