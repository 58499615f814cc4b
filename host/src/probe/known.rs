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
    /// The best place to prove the probe before `pin` is called open: the nearest pin that was read already and told
    /// apart from it, else the nearest that a reference knows, else the ground clip.
    pub(super) fn for_pin(pin: usize, results: &[Option<PinResult>], expects: &Expects) -> Self {
        let told_apart = |&other: &usize| {
            other != pin && (expects.of(pin).is_none() || expects.are_told_apart(pin, other))
        };
        let nearest = |choice: &mut dyn FnMut(usize) -> Option<(Volts, Volts)>| {
            (0..results.len())
                .filter(told_apart)
                .filter_map(|other| choice(other).map(|(value, limit)| (other, value, limit)))
                .min_by_key(|&(other, ..)| other.abs_diff(pin))
                .map(|(pin, value, limit)| Self::Pin { pin, value, limit })
        };
        let read = |other: usize| {
            let value = results.get(other)?.as_ref()?.value;
            let is_trusted = expects.of(other).is_none_or(|expected| expected.holds(value));
            Some((value.volts().filter(|_| is_trusted)?, SAME_AGAIN))
        };
        let expected = |other: usize| {
            let expected = expects.of(other)?;
            Some((expected.value.volts()?, expected.limit))
        };
        nearest(&mut { read }).or_else(|| nearest(&mut { expected })).unwrap_or(Self::GroundClip)
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
