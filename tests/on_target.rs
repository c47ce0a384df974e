//! Sources that run on boards, for tests on a workstation. Shared as source: a package for bare targets cannot
//! be part of this workspace.

pub use stackhold_harness::board::recording;

#[path = "on-target/src/adversarial.rs"]
pub mod adversarial;
#[path = "on-target/src/digest.rs"]
pub mod digest;
#[path = "on-target/src/line.rs"]
pub mod line;
#[path = "on-target/src/maths.rs"]
pub mod maths;
#[path = "on-target/src/random.rs"]
pub mod random;
#[path = "on-target/src/replay.rs"]
pub mod replay;
