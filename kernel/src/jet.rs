//! A reaction jet as the kernel knows it, and sets of jets.

use crate::linalg::Vec3;

/// Standard gravity, m/s² (exact, CGPM 1901).
pub const STANDARD_GRAVITY_M_S2: f32 = 9.806_65;

/// Loads that jets share, such as the force and the moment at an interface.
pub const LOADS: usize = 4;

/// What jets that are open together may put of each load, in the unit of [`Jet::load_share`].
pub const WHOLE_LOAD: u8 = u8::MAX;

/// One jet as told to the kernel.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Jet {
    /// Where the line of force passes, structural axes, m.
    pub position_m: Vec3,
    /// Direction of the force **on the vehicle** (not of the plume), unit vector, body axes.
    pub direction: Vec3,
    /// Steady thrust, N.
    pub thrust_n: f32,
    /// Steady specific impulse, s; the flow is `thrust / (specific impulse · g0)`.
    pub specific_impulse_s: f32,
    /// Shortest on-time the valve is asked for, ticks.
    pub minimum_on_ticks: u16,
    /// From the opening command to the moment from which full thrust would give the same impulse
    /// (dead time and half the rise), s.
    pub dead_time_s: f32,
    /// What the tail adds less what the dead time takes, s: a pulse that opens and closes delivers
    /// `thrust · (on-time + pulse_offset_s)`.
    pub pulse_offset_s: f32,
    /// Manifold or isolation group, 0..=15.
    pub group: u8,
    /// What a kilogram through this jet counts for in a selection, 1 for a kilogram: a hot or worn jet is
    /// spared by a larger one.
    pub price_weight: f32,
    /// Size of each load that the jet alone puts on the stack at steady thrust, in parts of [`WHOLE_LOAD`], rounded up; 0
    /// for none.
    pub load_share: [u8; LOADS],
    /// Whether the jet may be fired at all.
    pub enabled: bool,
}

/// What an open jet takes of what jets share.
#[derive(Clone, Copy, Debug, PartialEq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Takes {
    /// Propellant flow, kg/s.
    pub flow_kg_s: f32,
    /// Parts of each load.
    pub load_share: [u8; LOADS],
    /// Group whose flow it is, 0..=15.
    pub group: u8,
}

impl Jet {
    /// Propellant flow at steady thrust, kg/s.
    #[must_use]
    pub fn flow_kg_s(&self) -> f32 {
        self.thrust_n / (self.specific_impulse_s * STANDARD_GRAVITY_M_S2)
    }

    /// What it takes of what jets share, at steady thrust.
    ///
    /// * `still_open` — it is open already, and its loads have been counted.
    #[must_use]
    pub fn takes(&self, still_open: bool) -> Takes {
        let load_share = if still_open { [0; LOADS] } else { self.load_share };
        Takes { flow_kg_s: self.flow_kg_s(), load_share, group: self.group }
    }

    /// What a second of full thrust counts for in a selection, kg/s: the flow by its weight.
    #[must_use]
    pub fn price_kg_s(&self) -> f32 {
        self.flow_kg_s() * self.price_weight
    }
}

/// A set of jets, one bit each; jet `j` is bit `j`, so 32 jets at most.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct JetMask(pub u32);

impl JetMask {
    /// No jet.
    pub const NONE: Self = Self(0);
    /// Every jet.
    pub const ALL: Self = Self(u32::MAX);

    /// Whether jet `index` is in the set; `false` beyond 31.
    #[must_use]
    pub fn contains(self, index: usize) -> bool {
        index < 32 && self.0 & (1 << index) != 0
    }

    /// The set with jet `index`; unchanged beyond 31.
    #[must_use]
    pub fn with(self, index: usize) -> Self {
        if index < 32 { Self(self.0 | (1 << index)) } else { self }
    }

    /// The set without jet `index`.
    #[must_use]
    pub fn without(self, index: usize) -> Self {
        if index < 32 { Self(self.0 & !(1 << index)) } else { self }
    }

    /// Jets in the set.
    #[must_use]
    pub fn count(self) -> u32 {
        self.0.count_ones()
    }

    /// The jet of the set that acts longest, the first one of several.
    ///
    /// * `acting_s` — one entry per jet, zero or more.
    pub(crate) fn longest(self, acting_s: &[f32]) -> Option<usize> {
        let mut longest = (-1.0, None);
        for (j, &time) in acting_s.iter().enumerate().filter(|(j, _)| self.contains(*j)) {
            if time > longest.0 {
                longest = (time, Some(j));
            }
        }
        longest.1
    }

    /// Indices of the jets in the set, in order.
    pub fn indices(self) -> impl Iterator<Item = usize> {
        let mut left = self.0;
        core::iter::from_fn(move || {
            let index = left.trailing_zeros();
            left &= left.wrapping_sub(1);
            (index < 32).then_some(index as usize)
        })
    }

    /// Jets in both sets.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self(self.0 & other.0)
    }
}
