//! An image that links only if no panic path is left in the kernel: its panic handler calls a function
//! that is nowhere. Where the optimised code of everything below cannot panic, the linker drops the handler
//! with the call; where a single path is left, the linker fails.
//!
//! It is linked, not run. What it covers is the code of a control cycle and of what is told between cycles.
//! Formatting of errors is left out: no board needs it.
#![no_std]
#![no_main]

use core::hint::black_box;
use core::panic::PanicInfo;

use stackhold_kernel::config::{ConfigError, ConfigurationTable};
use stackhold_kernel::controller::{Change, Controller};
use stackhold_kernel::cycle::{CycleInput, CycleOutput};
use stackhold_kernel::flight_table::{
    Armed, FlightTables, Health, Label, Loaded, Name, Refusal, Verified, encode, table_bytes,
};
use stackhold_kernel::linalg::{Mat3, Vec3};
use stackhold_kernel::mass_properties::MassPropertiesError;
use stackhold_kernel::telemetry;

#[panic_handler]
fn panicked(_: &PanicInfo<'_>) -> ! {
    unsafe extern "C" {
        fn a_panic_path_is_left_in_the_kernel() -> !;
    }
    // SAFETY: never linked.
    unsafe { a_panic_path_is_left_in_the_kernel() }
}

/// Where the image starts; keeps everything that must not panic, unknown to the optimiser.
#[unsafe(no_mangle)]
extern "C" fn reset() {
    flown::<16>();
    loaded();
    #[cfg(not(feature = "planted-panic"))]
    flown::<24>();
    #[cfg(feature = "planted-panic")]
    black_box(planted as fn(&[f32], usize) -> f32);
}

/// A kernel for at most `N` jets.
fn flown<const N: usize>() {
    type Retold = Result<(), MassPropertiesError>;
    black_box(Controller::new as fn(ConfigurationTable<N>) -> Result<Controller<N>, ConfigError>);
    black_box(Controller::step as fn(&mut Controller<N>, &CycleInput) -> CycleOutput<N>);
    black_box(Controller::retell as fn(&mut Controller<N>, f32, Vec3, Mat3) -> Retold);
    black_box(Controller::table as fn(&Controller<N>) -> &ConfigurationTable<N>);
    black_box(telemetry::write as fn(&CycleOutput<N>, u32, &mut [u8]) -> Option<usize>);
    black_box(telemetry::read as fn(&[u8]) -> Option<(CycleOutput<N>, u32)>);
}

/// Flight tables: from bytes to the table in force, and their check in memory.
fn loaded() {
    type Tables = FlightTables<16, { table_bytes(16) }>;
    type Kernel = Controller<16>;
    black_box(Tables::load as fn(&mut Tables, &[u8]) -> Result<Loaded, Refusal>);
    black_box(Tables::verify as fn(&mut Tables, Loaded, &Name) -> Result<Verified, Refusal>);
    black_box(Tables::arm as fn(&mut Tables, Verified) -> Result<Armed, Refusal>);
    black_box(Tables::start as fn(&mut Tables, Armed) -> Result<Kernel, Refusal>);
    black_box(Tables::activate as fn(&mut Tables, Armed, &mut Kernel) -> Result<Change, Refusal>);
    black_box(Tables::foresee as fn(&Tables, &Armed, &Kernel) -> Result<Change, Refusal>);
    black_box(Tables::check as fn(&mut Tables, &mut Kernel) -> Health);
    black_box(Tables::cycles_to_find as fn(&Tables) -> usize);
    black_box(Tables::flip_bit as fn(&mut Tables, bool, usize) -> bool);
    black_box(encode::<16> as fn(&Label, &ConfigurationTable<16>, &mut [u8]) -> Option<usize>);
    black_box(Name::new as fn(&str) -> Option<Name>);
    black_box(Name::as_str as fn(&Name) -> &str);
}

/// An index that depends on data.
#[cfg(feature = "planted-panic")]
fn planted(values: &[f32], place: usize) -> f32 {
    values[place]
}
