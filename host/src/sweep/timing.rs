//! What a sweep must know of the meter's time.

use std::time::Duration;

use crate::{
    meter::{Profile, Talk},
    units::Volts,
};

/// When a reading may be believed. Made from a meter profile.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Who starts a conversion.
    pub pacing: Pacing,
    /// Time from one conversion to the next, as the profile states it.
    pub period: Duration,
    /// Readings that are spoilt by a step at the input, counting the conversion in progress (docs/facts.md 3.1: a
    /// dual-slope converter without averaging spoils 1, sinc filters and display averaging more).
    pub spoilt: u8,
    /// Distinct readings that must agree.
    pub agree: u8,
    /// Distinct overloads wanted before a pin is called open. More than for a number by what a step spoils and
    /// one: a meter that averages shows an overload as long as a single one is among what it averages, so a
    /// lag that the check channel does not see yet could call the pin after an open one open.
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

/// How long readings that move to and fro are waited for, at least (docs/facts.md 2.4: 2 s, common practice).
const PATIENCE: Duration = Duration::from_secs(2);

/// How long a rail that charges is waited for: 4700 µF at 1 mA reach 0.5 V in 2.4 s, at 0.3 mA in 8 s.
const RAMP_LIMIT: Duration = Duration::from_secs(10);

/// How long a meter may say nothing, at least.
const SILENCE: Duration = Duration::from_secs(3);

impl Timing {
    /// What a meter profile says of time.
    #[must_use]
    pub fn of(profile: &Profile) -> Self {
        let period = profile.period();
        let (pacing, answer) = match profile.talk {
            Talk::Streaming => (Pacing::Streaming, Duration::ZERO),
            Talk::Polled { timeout, .. } => (Pacing::Polled, timeout),
            Talk::Triggered { timeout, .. } => (Pacing::Triggered, timeout),
        };
        let count = |number: u32| u8::try_from(number).unwrap_or(u8::MAX);
        let agree = count(profile.timing.agree).max(1);
        Self {
            pacing,
            period,
            spoilt: count(profile.timing.spoilt),
            agree,
            agree_overload: agree.saturating_add(count(profile.timing.spoilt)).saturating_add(1),
            tolerance: profile.timing.tolerance,
            delivery: profile.timing.adapter_delay,
            patience: PATIENCE.max(period * 10),
            ramp_limit: RAMP_LIMIT.max(period * 20),
            // Two answers in a row may get lost, and each is waited for twice: until it is late, and then until
            // the line has been quiet for as long again.
            silence: SILENCE.max(period * 6).max(answer * 6 + period),
        }
    }

    /// A meter that sends ten readings a second, for tests.
    #[cfg(test)]
    pub(crate) const TEN_A_SECOND: Self = Self {
        pacing: Pacing::Streaming,
        period: Duration::from_millis(100),
        spoilt: 1,
        agree: 2,
        agree_overload: 3,
        tolerance: Volts::of(0.002),
        delivery: Duration::from_millis(16),
        patience: PATIENCE,
        ramp_limit: RAMP_LIMIT,
        silence: SILENCE,
    };

    /// About how long a visit takes on this meter, before anything is known of the switching board.
    #[must_use]
    pub fn estimate(&self) -> Duration {
        self.period * (u32::from(self.spoilt) + u32::from(self.agree))
    }
}
