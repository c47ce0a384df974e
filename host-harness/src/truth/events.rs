//! Moments at which the forces change their law: the integrator stops at each of them exactly.

/// What happens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Event {
    /// A valve is commanded open; steady thrust of the pulse, N.
    Open(usize, f64),
    /// A valve is commanded closed; steady thrust of the pulse it ends, N.
    Close(usize, f64),
    /// A jet's thrust starts towards this value, N.
    Rise(usize, f64),
    /// A jet's thrust starts to fall.
    Fall(usize),
    /// The main engine is commanded on or off.
    Engine(bool),
    /// Its thrust starts to rise.
    EngineRise,
    /// Its thrust starts to fall.
    EngineFall,
    /// Its gimbal is commanded to these angles about first and second axis, rad.
    Gimbal([f64; 2]),
    /// Its gimbal gets stuck.
    Jam,
    /// A disturbance starts.
    Start(usize),
    /// A disturbance stops.
    Stop(usize),
}

/// Pending events in order of time; equal times keep the order in which they were handed in.
#[derive(Clone, Debug, Default)]
pub struct Queue {
    /// Latest first, so that the next one is at the end.
    pending: Vec<(f64, Event)>,
}

impl Queue {
    /// An empty queue with room for `capacity` events.
    #[must_use]
    pub fn with_capacity(capacity: usize) -> Self {
        Self { pending: Vec::with_capacity(capacity) }
    }

    /// Adds an event at `time`, s.
    pub fn push(&mut self, time: f64, event: Event) {
        let place = self.pending.partition_point(|&(other, _)| other > time);
        self.pending.insert(place, (time, event));
    }

    /// Drops the events at or after `time`, s, for which `doomed` holds.
    pub fn cancel_from(&mut self, time: f64, doomed: impl Fn(Event) -> bool) {
        self.pending.retain(|&(at, event)| at < time || !doomed(event));
    }

    /// Time of the next event, s; infinite without one.
    #[must_use]
    pub fn next_time(&self) -> f64 {
        self.pending.last().map_or(f64::INFINITY, |&(time, _)| time)
    }

    /// Takes the next event if it is due at `time`, s; with its own time.
    pub fn pop_due(&mut self, time: f64) -> Option<(f64, Event)> {
        if self.next_time() <= time { self.pending.pop() } else { None }
    }
}
