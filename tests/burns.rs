//! Burns of the main engine by the kernel: trim against published geometry, figures of the docked stack and after the release, stuck
//! gimbals, and what must cut the engine off.
#![allow(missing_docs)]

use nalgebra::Vector3;
use proptest::prelude::*;
use stackhold_harness::closed_loop::{self, Kernel};
use stackhold_harness::metrics::{self, Metrics};
use stackhold_harness::record::RunRecord;
use stackhold_harness::scenario::model::{Mode, Phase, Scenario, StuckGimbal};
use stackhold_harness::table::{self, JETS};
use stackhold_kernel::config::Engine;
use stackhold_kernel::controller::Controller;
use stackhold_kernel::cycle::{CycleInput, CycleOutput, Witness};
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::mass_properties::MassProperties;
use stackhold_kernel::status::Status;
use stackhold_tests::flying::{figure, fly, from_library};

fn burn_of(figures: &Metrics, name: &str) -> f64 {
    figure(figures, &format!("burn_{name}"))
}

fn counts(record: &RunRecord, status: Status) -> u64 {
    record
        .status_cycles
        .iter()
        .find(|(number, _)| *number == status.number())
        .map_or(0, |(_, cycles)| *cycles)
}

// ------------------------------------------------------------------------------- outside checks

/// An engine on the x axis whose outer gimbal turns about y, the inner about z.
fn engine(travel_rad: f32) -> Engine {
    Engine {
        pivot_m: Vec3([-2.0, 0.0, 0.0]),
        direction: Vec3([1.0, 0.0, 0.0]),
        first_axis: Vec3([0.0, 1.0, 0.0]),
        thrust_n: 420.0,
        specific_impulse_s: 312.0,
        travel_rad,
        gimbal_rate_rad_s: 0.1,
        start_s: 0.2,
        tail_s: 0.2,
    }
}

/// Gimbal trim through the centre of mass: pivot (-2, 0, 0), centre of mass (1.5, 0.08, -0.05), thrust along +x (geometry; row TVC-1
/// of the project's reference values, computed in double precision): direction (0.9996369325, 0.02284884417, -0.01428052761); in
/// projection yaw 1.309389819 deg, and for a mount that turns about z first, -0.8182417739 deg of dz; ours turns about y first.
#[test]
fn the_trim_is_that_of_published_geometry() {
    let engine = engine(0.15);
    let [first, second] = engine.trim_rad(Vec3([1.5, 0.08, -0.05]));
    let direction = engine.force_direction([first, second]);
    for (found, expected) in
        direction.0.iter().zip([0.999_636_932_5, 0.022_848_844_17, -0.014_280_527_61_f64])
    {
        assert!((f64::from(*found) - expected).abs() < 1e-7, "{direction:?}");
    }
    // About y first: the plane projection of z, with the sign that takes +x to -z; then what is left about z, asin of y.
    let projected = (0.05_f64 / 3.5).atan().to_degrees();
    assert!((f64::from(first).to_degrees() - projected).abs() < 1e-4, "{first}");
    assert!(
        (f64::from(second).to_degrees() - 0.022_848_844_17_f64.asin().to_degrees()).abs() < 1e-4,
        "{second}"
    );
}

proptest! {
    #![proptest_config(stackhold_tests::properties())]

    /// At trim the engine turns nothing, however it is hung, as long as the travel lets it; and slopes are those of differences.
    #[test]
    fn a_trimmed_engine_turns_nothing(
        pivot in prop::array::uniform3(-3.0_f32..3.0),
        centre in prop::array::uniform3(-0.8_f32..0.8),
        axis in 0_usize..3,
        angles in prop::array::uniform2(-0.2_f32..0.2),
    ) {
        let unit = |axis: usize| { let mut unit = Vec3([0.0; 3]); unit[axis % 3] = 1.0; unit };
        let engine = Engine { pivot_m: Vec3(pivot), direction: unit(axis), first_axis: unit(axis + 1), ..engine(0.5) };
        let stack = MassProperties::new(900.0, Vec3(centre), Mat3([[500.0, 0.0, 0.0], [0.0, 800.0, 20.0], [0.0, 20.0, 900.0]]))
            .expect("physical");
        let trim = engine.trim_rad(Vec3(centre));
        let lever = engine.turn_slopes(&stack, trim).map(|slope| slope.norm());
        if trim.iter().all(|angle| angle.abs() < 0.499) {
            let left = engine.turn_rad_s2(&stack, trim).norm();
            prop_assert!(left <= 2e-5 * (lever[0] + lever[1] + 1e-3), "{trim:?} leaves {left}");
        }
        let step = 1e-3_f32;
        let slopes = engine.turn_slopes(&stack, angles);
        for (which, slope) in slopes.into_iter().enumerate() {
            let moved = |by: f32| { let mut moved = angles; moved[which] += by; engine.turn_rad_s2(&stack, moved) };
            let difference = (moved(step) - moved(-step)) * (0.5 / step);
            prop_assert!((difference - slope).norm() <= 2e-3 * (lever[0] + lever[1]), "{difference:?} {slope:?}");
        }
    }
}

// -------------------------------------------------------------------------------------- figures

/// 30 m/s: the goals of the project, docked and after the stage has gone. The velocity asked for leads along the line of force.
#[test]
fn thirty_metres_a_second_are_gained_straight() {
    for (stack, change) in [
        (&["tug", "grapple_mast", "client", "spent_stage"][..], [29.696, 4.0, -1.5]),
        (&["tug", "grapple_mast", "client"][..], [29.96, 0.62, -0.75]),
        (&["tug", "grapple_mast"][..], [29.99, 0.35, -0.6]),
    ] {
        let mut scenario = from_library("burn_forward");
        scenario.stack = stack.iter().map(|body| (*body).to_owned()).collect();
        scenario.told.stack.clone_from(&scenario.stack);
        asks(&mut scenario, change);
        let (record, figures) = fly(&scenario);
        println!(
            "{} bodies: attitude {:.3} deg, velocity missed {:.5}, across {:.5}, propellant {:.5} of the rocket equation, jets {:.5}",
            stack.len(),
            burn_of(&figures, "attitude_error_deg"),
            burn_of(&figures, "velocity_error"),
            burn_of(&figures, "velocity_across"),
            burn_of(&figures, "propellant_over_rocket_equation"),
            burn_of(&figures, "jets_share")
        );
        assert_eq!(counts(&record, Status::BurnRefused), 0);
        // The edge of the deadband of 0.2 deg when the engine starts.
        assert!(burn_of(&figures, "attitude_error_deg") <= 0.21);
        assert!(burn_of(&figures, "velocity_error") <= 0.002);
        assert!(burn_of(&figures, "velocity_across") <= 0.002);
        assert!(burn_of(&figures, "propellant_over_rocket_equation") <= 1.001);
        assert!(burn_of(&figures, "jets_share") <= 0.005);
    }
}

fn asks(scenario: &mut Scenario, change_m_s: [f64; 3]) {
    let Phase { mode: Mode::Burn { velocity_change_m_s, .. }, .. } = &mut scenario.phases[1] else {
        panic!("a burn")
    };
    *velocity_change_m_s = change_m_s;
}

/// The whole shift in one run, and its options side by side.
#[test]
fn a_whole_shift_is_flown_in_one_run() {
    let scenario = from_library("part_and_burn");
    let (record, figures) = fly(&scenario);
    let verdict =
        stackhold_harness::verdict::judge(&scenario.requirements_of(&record.name), &figures.figures);
    assert!(verdict.met, "{verdict:?}");
    assert!(figure(&figures, "least_clearance_after_leaving_m") >= 10.0);
}

// --------------------------------------------------------------------------------- stuck gimbals

fn stuck(from_s: f64, at_rad: Option<[f64; 2]>, told: bool) -> (RunRecord, Metrics) {
    let mut scenario = from_library("burn_forward");
    scenario.stuck_gimbal = Some(StuckGimbal { from_s, at_rad, told });
    fly(&scenario)
}

/// Stuck at trim in mid-burn, told: the jets carry what the moving centre of mass and the misalignment leave.
#[test]
fn a_gimbal_stuck_at_trim_is_flown_by_the_jets() {
    let (record, figures) = stuck(110.0, None, true);
    println!(
        "stuck at trim: attitude {:.3} deg, across {:.5}, propellant {:.5}, jets {:.5}",
        burn_of(&figures, "attitude_error_deg"),
        burn_of(&figures, "velocity_across"),
        burn_of(&figures, "propellant_over_rocket_equation"),
        burn_of(&figures, "jets_share")
    );
    assert_eq!(counts(&record, Status::BurnRefused), 0);
    assert!(burn_of(&figures, "velocity_error") <= 0.005);
    // A few half-widths of 0.2 deg: the push comes at once, and the jets are small beside it.
    assert!(burn_of(&figures, "attitude_error_deg") <= 0.7);
}

/// Stuck at zero the line of force misses the centre of mass by more than the jets can carry: refused before anything burns, and
/// `authority` has the figure.
#[test]
fn a_gimbal_stuck_at_zero_is_refused_beforehand() {
    let (record, figures) = stuck(0.0, Some([0.0; 2]), true);
    assert!(counts(&record, Status::BurnRefused) > 1_000);
    assert_eq!((record.engine.starts, burn_of(&figures, "propellant_kg")), (0, 0.0));
    let last = record.cycles.last().expect("rows");
    assert!(
        last.estimated_error_rad.iter().all(|error| error.to_degrees().abs() < 0.25),
        "the attitude is held"
    );
}

/// Nobody has told the kernel: the engine is cut off when the attitude leaves.
#[test]
fn an_engine_that_pushes_astray_is_cut_off() {
    let (record, figures) = stuck(0.0, Some([0.0; 2]), false);
    assert_eq!(record.engine.starts, 1);
    println!(
        "stuck at zero, untold: {:.2} deg, {:.1} s",
        burn_of(&figures, "attitude_error_deg"),
        record.engine.on_time_s
    );
    assert!(record.engine.on_time_s < 5.0 && counts(&record, Status::BurnRefused) > 1_000);
    // It is cut off at 12 half-widths, 2.4 deg, and turns on until the jets have stopped it.
    assert!(burn_of(&figures, "attitude_error_deg") < 4.0);
}

// ------------------------------------------------------------------------------------- cut-offs

/// The kernel, with something done to its inputs from a moment on.
struct Meddled<F> {
    controller: Controller<JETS>,
    meddle: F,
    /// On-times of the engine, cycle by cycle.
    engine: Vec<u16>,
}

impl<F: FnMut(&mut CycleInput, usize)> Kernel for &mut Meddled<F> {
    fn cycle<W: Witness>(
        &mut self,
        input: &CycleInput,
        witness: &mut W,
    ) -> anyhow::Result<CycleOutput<JETS>> {
        let mut input = *input;
        (self.meddle)(&mut input, self.engine.len());
        let output = self.controller.step_witnessed(&input, witness);
        self.engine.push(output.engine.on_ticks);
        Ok(output)
    }

    fn take_up(&mut self, _: &stackhold_kernel::config::ConfigurationTable<JETS>) -> anyhow::Result<()> {
        anyhow::bail!("nothing is released here")
    }
}

/// Cycles of the engine in a flight whose inputs something has been done to, and its record.
fn meddled(meddle: impl FnMut(&mut CycleInput, usize)) -> (Vec<u16>, RunRecord) {
    let scenario = from_library("burn_forward");
    let table = table::build(&scenario, &scenario.stack, &scenario.told).expect("a table");
    let mut kernel =
        Meddled { controller: Controller::new(table).expect("a good table"), meddle, engine: Vec::new() };
    let (record, _) =
        closed_loop::fly_on(&scenario, &scenario.stack, &scenario.told, "meddled", &mut |_| (), |_| {
            Ok(&mut kernel)
        })
        .expect("flies");
    (kernel.engine.clone(), record)
}

/// From 100 s on: 417 cycles of 0.24 s.
const LATER: usize = 417;

#[test]
fn another_command_cuts_the_engine_off_at_once_and_it_does_not_come_back() {
    let hold = {
        let (engine, _) = meddled(|_, _| ());
        assert!(engine[LATER] > 0, "it burns then");
        stackhold_kernel::cycle::Command::Drift
    };
    let (engine, _) = meddled(|input, cycle| {
        if (LATER..LATER + 50).contains(&cycle) {
            input.command = hold;
        }
    });
    assert!(engine[LATER - 1] > 0 && engine[LATER..LATER + 50].iter().all(|&ticks| ticks == 0));
}

/// Silent sensors: after the table's limit the engine is cut off, and what was left of the burn is not begun again.
#[test]
fn an_engine_without_measurements_is_cut_off_for_good() {
    let (engine, record) = meddled(|input, cycle| {
        if (LATER..LATER + 100).contains(&cycle) {
            (input.attitude, input.rate) = (None, None);
        }
    });
    let last = engine.iter().rposition(|&ticks| ticks > 0).expect("it has burnt");
    assert!((LATER..LATER + 10).contains(&last), "cut off in cycle {last}");
    assert!(record.cycles.last().expect("rows").velocity_m_s[0] < 15.0);
    let metrics =
        metrics::measure(&from_library("burn_forward"), &from_library("burn_forward").stack, &record);
    assert!(metrics.is_ok());
    assert!(
        Vector3::from(record.cycles.last().expect("rows").rate_rad_s).norm().to_degrees() < 0.1,
        "held again"
    );
}
