//! A session once more, from the events of its log.

use super::Session;
use crate::{
    log::{Ending, LogEvent, LogLine},
    readings::PinValue,
    sweep::{Observation, Observer, PinResult},
};

/// Feeds the events of a log to the pairing, as they came.
#[derive(Debug)]
pub struct Replay {
    observer: Observer,
    recorded: Vec<Option<PinResult>>,
    ended: Option<Ending>,
    overrides: Vec<String>,
    checks: Checks,
}

/// What the visits to the check channel showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Checks {
    /// It read what it should.
    pub good: u32,
    /// It read something else, so that the pins since the last good one were read again.
    pub failed: u32,
}

/// What came of a replay.
#[derive(Debug, Clone, PartialEq)]
pub struct Replayed {
    /// The value of each pin, by index, as the meter showed it.
    pub values: Vec<PinValue>,
    /// The evidence of each pin, by index.
    pub results: Vec<Option<PinResult>>,
    /// Pins whose result in the log is another than that of the replay: none, unless pairing has changed since
    /// the log was written or lines of it are lost.
    pub changed: Vec<usize>,
    /// How the session ended; `None` if the log was cut short.
    pub ended: Option<Ending>,
    /// What the operator overrode, with the reason.
    pub overrides: Vec<String>,
    /// What the check channel showed.
    pub checks: Checks,
}

impl Replay {
    /// Begins a replay.
    #[must_use]
    pub fn new(session: &Session) -> Self {
        let pins = session.header.connector.pins.len();
        Self {
            observer: Observer::new(session.setting(), &session.profile),
            recorded: vec![None; pins],
            ended: None,
            overrides: Vec::new(),
            checks: Checks::default(),
        }
    }

    /// Takes the next event of the log.
    pub fn take(&mut self, line: &LogLine) {
        match &line.event {
            LogEvent::MeterBytes { bytes } => {
                for observation in self.observer.meter_bytes(bytes, line.at) {
                    match observation {
                        Observation::Checked => self.checks.good += 1,
                        Observation::CheckFailed { .. } => self.checks.failed += 1,
                        _ => {}
                    }
                }
            }
            LogEvent::JigMessage { message } => {
                let _ = self.observer.jig_message(message, line.at);
            }
            LogEvent::SentToJig { frame } => self.observer.sent_to_jig(frame, line.at),
            LogEvent::SentToMeter { asks_for_reading: true, .. } => self.observer.asked_meter(line.at),
            LogEvent::PinResult { result, .. } => {
                if let Some(slot) = self.recorded.get_mut(result.pin) {
                    *slot = Some(result.clone());
                }
            }
            LogEvent::Override { what, why, .. } => self.overrides.push(format!("{what}: {why}")),
            LogEvent::End { how, .. } => self.ended = Some(*how),
            _ => {}
        }
    }

    /// What the log says.
    #[must_use]
    pub fn finish(self) -> Replayed {
        let results = self.observer.results().to_vec();
        let differs = |&pin: &usize| match (&self.recorded[pin], &results[pin]) {
            // A pin that was voided later stands in the log as it was first read.
            (Some(recorded), Some(result)) => {
                recorded != result && !matches!(result.value, PinValue::Unread(_))
            }
            (Some(_), None) => true,
            (None, _) => false,
        };
        let changed = (0..results.len()).filter(differs).collect();
        Replayed {
            values: self.observer.values(),
            results,
            changed,
            ended: self.ended,
            overrides: self.overrides,
            checks: self.checks,
        }
    }
}
