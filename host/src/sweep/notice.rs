//! What happens on the way, for the operator and the log.

use std::{fmt, time::Duration};

use protocol::Greeting;

use super::{AliveSign, Device, Guard, Target, check::CheckChannel};
use crate::{readings::PinValue, units::Volts};

/// Something that happened; no reason to end.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Notice {
    /// The switching board has introduced itself.
    Greeted(Greeting),
    /// The meter can be read; its words about itself, and the measured time between readings.
    MeterReady {
        /// Its answer to `*IDN?`, where it gives one.
        identity: Option<String>,
        /// Time between two readings.
        period: Duration,
    },
    /// The meter is faster or slower than its profile says.
    OtherRate {
        /// The profile's.
        expected: Duration,
        /// Measured.
        found: Duration,
    },
    /// A channel is closed and settled.
    Visiting {
        /// What hangs on it.
        target: Target,
        /// Visits done.
        done: usize,
        /// Visits planned.
        total: usize,
    },
    /// A pin has been decided.
    Decided {
        /// The pin, by its index.
        pin: usize,
        /// What was read.
        value: PinValue,
        /// Pins decided.
        done: usize,
        /// Pins planned.
        total: usize,
    },
    /// The meter's display shows a sign.
    Guard(Guard),
    /// The check channel read something else than it should; the pins since the last good check are read
    /// again, with one reading more dropped after each step.
    CheckFailed {
        /// What it should read.
        expected: Option<Volts>,
        /// What it read.
        seen: PinValue,
        /// Pins that are read again.
        voided: usize,
    },
    /// The board shows a sign of life, and the operator has chosen to go on.
    AliveOverridden {
        /// The pin, by its index.
        pin: usize,
        /// The sign.
        sign: AliveSign,
    },
    /// The lid is open: the sweep waits until it is shut.
    LidOpen,
    /// The switching board opened its channels or started again; the sweep goes on at the same pin.
    Resumed {
        /// Why.
        reason: String,
    },
    /// The meter sent something that could not be read; it was skipped.
    MeterNoise(String),
    /// A device went away; every channel is open and the sweep waits.
    LinkLost {
        /// Which one.
        device: Device,
        /// Its port.
        port: String,
        /// The system's words.
        reason: String,
    },
    /// A device is back.
    LinkRestored {
        /// Which one.
        device: Device,
        /// Its port.
        port: String,
    },
}

impl Notice {
    /// Whether it only tells how far the sweep is: such notices follow from other events and are not logged.
    #[must_use]
    pub const fn is_progress(&self) -> bool {
        matches!(self, Self::Visiting { .. } | Self::Decided { .. })
    }
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Greeted(greeting) => {
                let (major, minor, patch) = greeting.firmware;
                write!(f, "switching board: {} channels, firmware {major}.{minor}.{patch}", greeting.channels)
            }
            Self::MeterReady { identity, period } => {
                let rate = 1.0 / period.as_secs_f64().max(1e-6);
                match identity {
                    Some(identity) => write!(f, "meter: {identity}, {rate:.1} readings/s"),
                    None => write!(f, "meter: {rate:.1} readings/s"),
                }
            }
            Self::OtherRate { expected, found } => write!(
                f,
                "the meter sends a reading every {} ms, its profile says {} ms: going by what it sends",
                found.as_millis(),
                expected.as_millis()
            ),
            Self::Visiting { done, total, .. } => write!(f, "visit {} of {total}", done + 1),
            Self::Decided { done, total, value, .. } => write!(f, "pin {done} of {total}: {value}"),
            Self::Guard(guard) => write!(f, "meter: {guard}; {}", guard.remedy()),
            Self::CheckFailed { expected, seen, voided } => {
                let instead = expected.map_or_else(String::new, |expected| format!(" instead of {expected}"));
                match (seen.volts(), expected) {
                    // What agrees at last is right: it is the readings before that were not.
                    (Some(seen), Some(expected)) if CheckChannel::shows(seen, *expected) => write!(
                        f,
                        "the check channel reads {expected} only after other readings: the meter lags more than its \
                         profile says, or its readings scatter"
                    )?,
                    (None, _) if matches!(seen, PinValue::Unread(_)) => {
                        write!(f, "the check channel never came to rest: the meter's readings scatter")?;
                    }
                    _ => write!(
                        f,
                        "the check channel reads {seen}{instead}: the meter lags more than its profile says"
                    )?,
                }
                write!(f, "; {voided} pins are read again")
            }
            Self::AliveOverridden { sign, .. } => {
                write!(f, "going on by the operator's decision although the board seems alive: {sign}")
            }
            Self::LidOpen => f.write_str("the lid is open: close it to go on"),
            Self::Resumed { reason } => write!(f, "going on at the same pin after {reason}"),
            Self::LinkLost { device, port, reason } => {
                write!(
                    f,
                    "the {device} at {port} went away ({reason}): plug it in again, the sweep waits with every channel open"
                )
            }
            Self::LinkRestored { device, port } => write!(f, "the {device} at {port} is back"),
            Self::MeterNoise(problem) => write!(f, "meter: skipped what could not be read: {problem}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::readings::Unread;

    #[test]
    fn a_check_that_failed_says_why_it_did() {
        let failed = |expected: Option<f64>, seen| {
            let expected = expected.map(Volts::of);
            Notice::CheckFailed { expected, seen, voided: 16 }.to_string()
        };
        let volts = |value| PinValue::Volts(Volts::of(value));
        for (expected, seen, words) in [
            (
                Some(0.47),
                volts(0.654),
                "the check channel reads 0.654 instead of 0.470: the meter lags more than its profile says; ",
            ),
            (
                None,
                PinValue::Overload,
                "the check channel reads OL: the meter lags more than its profile says; ",
            ),
            (
                Some(0.47),
                volts(0.471),
                "the check channel reads 0.470 only after other readings: the meter lags more than its profile says, or its \
                 readings scatter; ",
            ),
            (
                Some(0.47),
                PinValue::Unread(Unread::NotSettled { slope: 0.3 }),
                "the check channel never came to rest: the meter's readings scatter; ",
            ),
        ] {
            assert_eq!(failed(expected, seen), format!("{words}16 pins are read again"));
        }
    }
}
