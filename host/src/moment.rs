//! Time as a value.

use std::{fmt, time::Duration};

use serde::{Deserialize, Serialize};

/// A point in time of one session: microseconds since it began, on the host's monotonic clock.
///
/// Pure rooms take it as an argument and never ask a clock, so that a replay, a simulation and a live sweep
/// run the same code.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Moment(u64);

impl Moment {
    /// The beginning of the session.
    pub const START: Self = Self(0);

    /// Takes microseconds since the session began.
    #[must_use]
    pub const fn from_micros(micros: u64) -> Self {
        Self(micros)
    }

    /// Microseconds since the session began.
    #[must_use]
    pub const fn as_micros(self) -> u64 {
        self.0
    }

    /// Time from `earlier` to `self`; zero if `earlier` is later.
    #[must_use]
    pub const fn since(self, earlier: Self) -> Duration {
        Duration::from_micros(self.0.saturating_sub(earlier.0))
    }

    /// The moment `span` later.
    #[must_use]
    pub fn after(self, span: Duration) -> Self {
        Self(self.0.saturating_add(u64::try_from(span.as_micros()).unwrap_or(u64::MAX)))
    }

    /// The moment `span` earlier, not before the beginning.
    #[must_use]
    pub fn before(self, span: Duration) -> Self {
        Self(self.0.saturating_sub(u64::try_from(span.as_micros()).unwrap_or(u64::MAX)))
    }
}

impl fmt::Display for Moment {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}.{:06} s", self.0 / 1_000_000, self.0 % 1_000_000))
    }
}
