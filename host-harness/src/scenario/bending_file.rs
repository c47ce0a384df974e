//! What the kernel is told of how the stack swings.

use stackhold_kernel::bending::MODES;

use super::model::ToldBending;
use super::section::{Range64, Section};

/// All told modes, none for a missing key; `None` when a problem was written down.
pub(super) fn read_told_bending(root: &Section<'_>) -> Option<Vec<ToldBending>> {
    let sections = root.sections("told_bending")?;
    let modes: Vec<Option<ToldBending>> = sections.iter().map(read_mode).collect();
    if let Some(beyond) = sections.get(MODES) {
        beyond.complain("frequency_hz", "is of one mode too many", format!("at most {MODES}"));
        return None;
    }
    modes.into_iter().collect()
}

fn read_mode(section: &Section<'_>) -> Option<ToldBending> {
    let hint = "of the free stack, as stackhold authority says it, such as frequency_hz = 0.6";
    let frequency = section.number("frequency_hz", Range64::Within(1e-3, 100.0), hint);
    let hint = "damping over critical, such as damping_ratio = 0.005";
    let damping = section.number_or("damping_ratio", Range64::Within(0.0, 1.0), hint, 0.005);
    let hint = "amplitude of the angle that the sensors turn through, such as swing_deg = 0.05";
    let swing = section.number("swing_deg", Range64::Within(0.0, 28.0), hint);
    section.finish();
    Some(ToldBending { frequency_hz: frequency?, damping_ratio: damping?, swing_rad: swing?.to_radians() })
}
