//! The figures a requirement may name.

/// A figure of `summary.json` that a requirement may bound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Figure {
    /// Key, with its unit.
    pub name: &'static str,
    /// What it measures.
    pub meaning: &'static str,
}

const fn figure(name: &'static str, meaning: &'static str) -> Figure {
    Figure { name, meaning }
}

/// Every figure a requirement may name.
pub const FIGURES: &[Figure] = &[
    figure("worst_axis_error_deg", "largest attitude error of any axis while holding"),
    figure("worst_axis_error_over_half_width", "the same as a multiple of that axis's deadband half-width"),
    figure("ape_max_deg", "largest absolute performance error"),
    figure("mpe_deg", "mean performance error"),
    figure("rpe_max_deg", "largest relative performance error"),
    figure("worst_rate_deg_s", "largest body rate of any axis"),
    figure("time_outside_deadband_s", "time with any axis outside its deadband"),
    figure("propellant_kg", "propellant used"),
    figure("propellant_over_bound", "propellant used over its theoretical lower bound"),
    figure("valve_cycles_total", "openings of all valves"),
    figure("worst_jet_valve_cycles", "openings of the busiest valve"),
    figure("worst_jet_duty", "on-time of the busiest jet over the run's time"),
    figure("velocity_gathered_m_s", "velocity of the centre of mass gathered over the run"),
    figure("cross_coupling", "rate change off the commanded axis over the commanded change"),
    figure("limit_cycle_period_s", "mean limit-cycle period of the slowest axis"),
    figure("selections_unproven", "jet selections whose optimality was not proven"),
    figure("worst_optimality_gap", "largest relative gap of a jet selection to its dual bound"),
];

/// The figure with this key.
pub(super) fn known(name: &str) -> bool {
    FIGURES.iter().any(|figure| figure.name == name)
}
