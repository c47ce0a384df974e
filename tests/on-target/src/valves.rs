//! From a cycle's on-times to output pins: what a board's timer interrupt does, once a valve tick.
//!
//! The control task and the interrupt share nothing but a queue of [`Pulses`]. Pins are those of `embedded-hal`, high for
//! open. Every pin is written at every tick, so that one that was upset is right again a tick later. Whatever is not
//! understood shuts all valves: the interrupt never guesses what the control task would have wanted.

use embedded_hal::digital::{OutputPin, PinState};
use stackhold_kernel::cycle::CycleOutput;

/// The pulses of one cycle, on their way from the control task to the interrupt.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pulses<const N: usize> {
    /// Tick at which they open.
    pub open_tick: u32,
    /// On-time of each jet, ticks from there; the whole cycle: open through its edge.
    pub on_ticks: [u16; N],
}

impl<const N: usize> From<&CycleOutput<N>> for Pulses<N> {
    fn from(output: &CycleOutput<N>) -> Self {
        Self { open_tick: output.open_tick, on_ticks: output.on_ticks }
    }
}

/// Why all valves were shut. The numbers never change meaning.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
#[repr(u8)]
pub enum Fault {
    /// A cycle's pulses ended and none had come for the next.
    Missed = 1,
    /// Pulses came after the tick at which they open, more than a cycle before it, or while others still waited.
    OutOfStep = 2,
    /// A pin could not be set; all stay shut until [`Valves::release`].
    Pin = 3,
}

impl Fault {
    /// The stable number.
    #[must_use]
    pub const fn number(self) -> u8 {
        self as u8
    }
}

/// The valves of `N` jets, each behind a pin.
#[derive(Debug)]
pub struct Valves<P, const N: usize> {
    pins: [P; N],
    cycle_ticks: u16,
    waiting: Option<Pulses<N>>,
    acting: Option<Pulses<N>>,
    locked: bool,
}

impl<P: OutputPin, const N: usize> Valves<P, N> {
    /// Shuts all valves. They are locked if a pin did not obey.
    ///
    /// * `cycle_ticks` — of the table in force.
    pub fn new(pins: [P; N], cycle_ticks: u16) -> Self {
        let mut valves = Self { pins, cycle_ticks, waiting: None, acting: None, locked: false };
        valves.shut_all();
        valves
    }

    /// The interrupt of one tick.
    ///
    /// * `now` — the tick; may wrap. * `come` — what the control task has sent since the last tick.
    ///
    /// # Errors
    /// Why all valves were shut in this tick; a missed cycle is told once.
    pub fn tick(&mut self, now: u32, come: Option<Pulses<N>>) -> Result<(), Fault> {
        if self.locked {
            self.shut_all();
            return Err(Fault::Pin);
        }
        if let Some(pulses) = come {
            let ahead = pulses.open_tick.wrapping_sub(now);
            if self.waiting.is_some() || ahead > u32::from(self.cycle_ticks) {
                self.shut_all();
                return Err(Fault::OutOfStep);
            }
            self.waiting = Some(pulses);
        }
        if self.waiting.is_some_and(|pulses| pulses.open_tick == now) {
            self.acting = self.waiting.take();
        }
        let Some(pulses) = self.acting else {
            return self.drive(now, Pulses { open_tick: now, on_ticks: [0; N] });
        };
        if now.wrapping_sub(pulses.open_tick) >= u32::from(self.cycle_ticks) {
            self.shut_all();
            return Err(if self.locked { Fault::Pin } else { Fault::Missed });
        }
        self.drive(now, pulses)
    }

    /// The safe state: nothing acts, nothing waits, every pin is low. Whether all pins obeyed; if not, they are locked.
    pub fn shut_all(&mut self) -> bool {
        (self.acting, self.waiting) = (None, None);
        let mut obeyed = true;
        // Every pin, also after one that did not obey.
        for pin in &mut self.pins {
            obeyed &= pin.set_low().is_ok();
        }
        self.locked |= !obeyed;
        obeyed
    }

    /// Lets valves open again after a pin did not obey. For whoever answers for that, not for the control task.
    pub fn release(&mut self) {
        self.locked = false;
    }

    fn drive(&mut self, now: u32, pulses: Pulses<N>) -> Result<(), Fault> {
        let since = now.wrapping_sub(pulses.open_tick);
        for (pin, on_ticks) in self.pins.iter_mut().zip(pulses.on_ticks) {
            if pin.set_state(PinState::from(since < u32::from(on_ticks))).is_err() {
                self.locked = true;
            }
        }
        if self.locked {
            self.shut_all();
            return Err(Fault::Pin);
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    extern crate std;

    use core::cell::Cell;
    use embedded_hal::digital::{Error, ErrorKind, ErrorType};
    use std::vec::Vec;

    use super::*;

    const CYCLE: u16 = 10;

    /// A pin that can be broken.
    #[derive(Default)]
    struct Pin {
        high: Cell<bool>,
        broken: Cell<bool>,
    }

    #[derive(Debug)]
    struct Broken;

    impl Error for Broken {
        fn kind(&self) -> ErrorKind {
            ErrorKind::Other
        }
    }

    impl ErrorType for &Pin {
        type Error = Broken;
    }

    impl OutputPin for &Pin {
        fn set_low(&mut self) -> Result<(), Broken> {
            self.set(false)
        }

        fn set_high(&mut self) -> Result<(), Broken> {
            self.set(true)
        }
    }

    impl Pin {
        fn set(&self, high: bool) -> Result<(), Broken> {
            if self.broken.get() {
                return Err(Broken);
            }
            self.high.set(high);
            Ok(())
        }
    }

    fn pulses(open_tick: u32, on_ticks: [u16; 2]) -> Option<Pulses<2>> {
        Some(Pulses { open_tick, on_ticks })
    }

    /// Runs ticks from `first`; what comes is given by place. The ticks, from the first, at which each valve was open, and
    /// the faults with theirs.
    fn run(first: u32, ticks: u32, come: &[(u32, Option<Pulses<2>>)]) -> ([Vec<u32>; 2], Vec<(u32, Fault)>) {
        let pins = [Pin::default(), Pin::default()];
        let mut valves = Valves::new(pins.each_ref(), CYCLE);
        let (mut open, mut faults) = ([Vec::new(), Vec::new()], Vec::new());
        for place in 0..ticks {
            let now = come.iter().find(|(at, _)| *at == place).and_then(|(_, pulses)| *pulses);
            if let Err(fault) = valves.tick(first.wrapping_add(place), now) {
                faults.push((place, fault));
            }
            for (pin, open) in pins.iter().zip(&mut open) {
                if pin.high.get() {
                    open.push(place);
                }
            }
        }
        (open, faults)
    }

    #[test]
    fn pulses_open_at_their_tick_for_their_ticks_also_when_the_clock_wraps() {
        for first in [0, 500, u32::MAX - 3] {
            let tick = |place| first.wrapping_add(place);
            let come = [(0, pulses(tick(2), [3, 0])), (10, pulses(tick(12), [0, 1]))];
            let (open, faults) = run(first, 20, &come);
            assert_eq!(open, [[2, 3, 4].to_vec(), [12].to_vec()]);
            assert_eq!(faults, []);
        }
    }

    #[test]
    fn a_pulse_of_the_whole_cycle_stays_open_through_its_edge() {
        let come = [(0, pulses(2, [CYCLE, 0])), (10, pulses(12, [4, 0]))];
        let (open, faults) = run(0, 20, &come);
        assert_eq!(open[0], (2..16).collect::<Vec<_>>());
        assert_eq!(faults, []);
    }

    #[test]
    fn a_missed_cycle_shuts_all_and_the_next_good_one_goes_on() {
        let come = [(0, pulses(2, [CYCLE, 5])), (20, pulses(22, [3, 0]))];
        let (open, faults) = run(0, 30, &come);
        assert_eq!(open[0], [(2..12).collect::<Vec<_>>(), (22..25).collect()].concat());
        assert_eq!(faults, [(12, Fault::Missed)]);
    }

    #[test]
    fn pulses_out_of_step_are_dropped_and_all_valves_shut() {
        // A tick late; more than a cycle early; a second before the first has opened.
        let good = (0, pulses(2, [8, 8]));
        let (open, faults) = run(0, 12, &[good, (5, pulses(4, [5, 5]))]);
        assert_eq!((open[0].as_slice(), faults.as_slice()), (&[2, 3, 4][..], &[(5, Fault::OutOfStep)][..]));
        let (open, faults) = run(0, 12, &[good, (5, pulses(16, [5, 5]))]);
        assert_eq!((open[1].as_slice(), faults.as_slice()), (&[2, 3, 4][..], &[(5, Fault::OutOfStep)][..]));
        let (open, faults) = run(0, 12, &[good, (1, pulses(3, [5, 5]))]);
        assert_eq!((open[0].as_slice(), faults.as_slice()), (&[][..], &[(1, Fault::OutOfStep)][..]));
    }

    #[test]
    fn a_pin_that_does_not_obey_keeps_all_shut_until_released() {
        let pins = [Pin::default(), Pin::default()];
        let mut valves = Valves::new(pins.each_ref(), CYCLE);
        assert_eq!(valves.tick(0, pulses(0, [0, 9])), Ok(()));
        assert!(pins[1].high.get());
        pins[0].broken.set(true);
        assert_eq!(valves.tick(1, None), Err(Fault::Pin));
        assert!(!pins[1].high.get(), "the valve that obeys is shut");
        pins[0].broken.set(false);
        assert_eq!(valves.tick(2, pulses(3, [0, 9])), Err(Fault::Pin));
        assert_eq!(valves.tick(3, None), Err(Fault::Pin));
        assert!(!pins[1].high.get());
        valves.release();
        assert_eq!(valves.tick(4, pulses(4, [0, 9])), Ok(()));
        assert!(pins[1].high.get());
    }
}
