//! What a sweep must know of the meter's time.

use std::time::Duration;

use crate::units::Volts;

/// When a reading may be believed. Made from a meter profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Who starts a conversion.
    pub pacing: Pacing,
    /// Time from one conversion to the next, as the profile states it.
    pub period: Duration,
    /// Readings that are spoilt by a step at the input, counting the conversion in progress (METERS: a
    /// dual-slope converter without averaging spoils 1, sinc filters and display averaging more).
    pub spoilt: u8,
    /// Distinct readings that must agree.
    pub agree: u8,
    /// Distinct overloads wanted before a pin is called open: one more than for a number, since an overload
    /// is also what a lifted probe shows.
    pub agree_overload: u8,
    /// How far agreeing readings may lie apart.
    pub tolerance: Volts,
    /// How late the system may hand over bytes: 16 ms for common USB adapters (their latency timer, from
    /// memory of the adapter's data sheet).
    pub delivery: Duration,
    /// How long readings that move to and fro are waited for.
    pub patience: Duration,
    /// How long readings that move one way (a capacitor that charges) are waited for.
    pub ramp_limit: Duration,
    /// How long the meter may say nothing at all.
    pub silence: Duration,
}

/// Who starts a conversion.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pacing {
    /// The meter converts and sends by itself.
    Streaming,
    /// The meter converts by itself and sends its latest result when asked.
    Polled,
    /// The meter converts when asked.
    Triggered,
}

impl Timing {
    /// Least time that a pin can take on this meter, from the closed and settled switch to the last agreeing
    /// reading, with conversions in step with the switch.
    #[must_use]
    pub fn floor(&self) -> Duration {
        self.period * (u32::from(self.spoilt) + u32::from(self.agree))
    }
}
