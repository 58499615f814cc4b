//! A place whose reading is known: touching it proves that probe, leads and meter work.

use super::{Expects, expect::SAME_AGAIN};
use crate::{readings::PinValue, sweep::PinResult, units::Volts};

/// Where to touch to prove the probe.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Known {
    /// A pin, and what it reads.
    Pin {
        /// The pin, by its index.
        pin: usize,
        /// What it should read.
        value: Volts,
        /// How far it may differ.
        limit: Volts,
    },
    /// The clip of the red lead: it reads nothing but the leads.
    GroundClip,
}

/// Leads, tip and clip on themselves stay below this: 20 ohm at 1 mA, twice what worn leads have (docs/facts.md 2.3).
const SHORT: Volts = Volts::of(0.020);

impl Known {
    /// The best place to prove the probe before `pin` is called open: the nearest pin that was read already, as it
    /// should, and can be told apart from it; else the ground clip, which reads the same on every board. A pin that only
    /// the reference knows proves nothing: this board may differ there, and the proof would be asked for again and again.
    pub(super) fn for_pin(pin: usize, results: &[Option<PinResult>], expects: &Expects) -> Self {
        let is_told_apart =
            |other: usize| other != pin && (expects.of(pin).is_none() || expects.are_told_apart(pin, other));
        let read = |other: usize| {
            let value = results.get(other)?.as_ref()?.value;
            let is_trusted = expects.of(other).is_none_or(|expected| expected.holds(value));
            value.volts().filter(|_| is_trusted)
        };
        (0..results.len())
            .filter(|&other| is_told_apart(other))
            .filter_map(|other| read(other).map(|value| (other, value)))
            .min_by_key(|&(other, _)| other.abs_diff(pin))
            .map_or(Self::GroundClip, |(pin, value)| Self::Pin { pin, value, limit: SAME_AGAIN })
    }

    /// Whether a reading is that of the known place.
    #[must_use]
    pub fn holds(&self, seen: PinValue) -> bool {
        let Some(seen) = seen.volts() else { return false };
        match *self {
            Self::Pin { value, limit, .. } => (seen.get() - value.get()).abs() <= limit.get(),
            Self::GroundClip => seen.get().abs() <= SHORT.get(),
        }
    }
}
