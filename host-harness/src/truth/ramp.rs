//! Thrust that moves towards its target at a constant slope: piecewise linear in time with known corners.

/// Thrust as it stands now.
#[derive(Clone, Copy, Debug)]
pub struct Ramp {
    /// Thrust now, N.
    pub thrust: f64,
    /// Rate of change of thrust, N/s.
    pub slope: f64,
    /// Time at which the present ramp ends, s; infinite without one.
    pub end: f64,
    target: f64,
}

impl Ramp {
    /// No thrust, and none on its way.
    pub const QUIET: Self = Self { thrust: 0.0, slope: 0.0, end: f64::INFINITY, target: 0.0 };

    /// Thrust starts towards `target`, N, at `time`, s, as steeply as `full` N in `full_time` s.
    pub fn start(&mut self, target: f64, (full, full_time): (f64, f64), time: f64) {
        self.target = target;
        let gap = target - self.thrust;
        if full_time > 0.0 && gap != 0.0 {
            self.slope = (full / full_time).copysign(gap);
            self.end = time + gap / self.slope;
        } else {
            self.arrive();
        }
    }

    /// The ramp has arrived.
    pub fn arrive(&mut self) {
        self.thrust = self.target;
        self.slope = 0.0;
        self.end = f64::INFINITY;
    }

    /// Thrust stops now.
    pub fn quit(&mut self) {
        self.target = 0.0;
        self.arrive();
    }

    /// The same in other units of thrust: each newton counts `times` as many from now on.
    pub fn scale(&mut self, times: f64) {
        for value in [&mut self.thrust, &mut self.slope, &mut self.target] {
            *value *= times;
        }
    }

    /// Whether it pushes now or will have pushed a moment later.
    #[must_use]
    pub fn active(&self) -> bool {
        self.thrust > 0.0 || self.slope > 0.0
    }

    /// Thrust `step` s from now, within the present ramp, N.
    #[must_use]
    pub fn after(&self, step: f64) -> f64 {
        // Rounding must not leave a breath of negative thrust at the end of the tail.
        (self.thrust + self.slope * step).max(0.0)
    }

    /// Largest thrust of the next `step` s, N.
    #[must_use]
    pub fn largest(&self, now: f64, step: f64) -> f64 {
        self.thrust.max(self.after(step.min(self.end - now)))
    }

    /// Linear impulse over the next `step` s, within the present ramp, N·s.
    #[must_use]
    pub fn impulse(&self, step: f64) -> f64 {
        0.5 * (self.thrust + self.after(step)) * step
    }
}
