//! A session once more, from the events of its log.

use super::Session;
use crate::{
    connector::Connector,
    log::{Ending, LogEvent, LogLine, LogTrouble, TroubleKind},
    meter::Profile,
    probe::{Action, Deed, Walk},
    readings::{PinValue, Unread},
    sweep::{Observation, Observer, PinResult, Setting},
};

/// What the operator does in a log when the voltages are measured and the meter is connected.
pub const CONNECT: &str = "connect the meter";

/// Feeds the events of a log to the pairing, as they came.
#[derive(Debug)]
pub struct Replay {
    pairing: Pairing,
    setting: Setting,
    profile: Profile,
    connector: Connector,
    recorded: Vec<Option<PinResult>>,
    ended: Option<Ending>,
    overrides: Vec<String>,
    checks: Checks,
    gaps: u32,
    /// Pins with a result line, in the order of these.
    latest: Vec<usize>,
}

/// What the visits to the check channel showed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Checks {
    /// It read what it should.
    pub good: u32,
    /// It read something else, so that the pins since the last good one were read again.
    pub failed: u32,
}

/// Who pairs readings with pins.
#[derive(Debug)]
enum Pairing {
    /// By the channels of a jig.
    Jig(Box<Observer>),
    /// By the touches of a hand.
    Hand(Box<Walk>),
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
    /// Pins whose readings are no longer all there, so that their result line in the log stands for them.
    pub from_result_line: Vec<usize>,
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
        let pairing = match &session.hand {
            Some(setting) => Pairing::Hand(Box::new(Walk::new(setting.clone(), &session.profile))),
            None => Pairing::Jig(Box::new(Observer::new(session.setting(), &session.profile))),
        };
        Self {
            pairing,
            setting: session.setting(),
            profile: session.profile.clone(),
            connector: session.header.connector.clone(),
            recorded: vec![None; pins],
            ended: None,
            overrides: Vec::new(),
            checks: Checks::default(),
            gaps: 0,
            latest: Vec::new(),
        }
    }

    /// Takes what a reader of the log hands out next: a line, or what stands in the place of one. Every reading of a
    /// log goes through here, so that none pairs across a gap.
    pub fn item(&mut self, item: &Result<LogLine, LogTrouble>) {
        match item {
            Ok(line) => self.take(line),
            // Nothing comes after it.
            Err(trouble) if matches!(trouble.kind, TroubleKind::Torn) => {}
            Err(_) => self.gap(),
        }
    }

    fn take(&mut self, line: &LogLine) {
        match &line.event {
            LogEvent::PinResult { result, .. } => {
                if let Some(slot) = self.recorded.get_mut(result.pin) {
                    *slot = Some(result.clone());
                    self.latest.push(result.pin);
                }
            }
            LogEvent::Override { what, why, .. } => self.overrides.push(format!("{what}: {why}")),
            LogEvent::End { how, .. } => self.ended = Some(*how),
            // What happened before the meter was connected is no part of the pairing, live or here.
            LogEvent::Operator { action, .. }
                if action == CONNECT && matches!(self.pairing, Pairing::Jig(_)) =>
            {
                self.pairing = Pairing::Jig(Box::new(Observer::new(self.setting.clone(), &self.profile)));
            }
            event => match &mut self.pairing {
                Pairing::Jig(observer) => jig(observer, event, line, &mut self.checks),
                // Which pin was in hand after the gap nobody knows: only result lines count from here on.
                Pairing::Hand(_) if self.gaps > 0 => self.deed_after_a_gap(event),
                Pairing::Hand(walk) => {
                    for action in hand(walk, event, line, &self.connector) {
                        if let Action::Undone { pin } = action
                            && let Some(slot) = self.recorded.get_mut(pin)
                        {
                            slot.clone_from(&walk.results()[pin]);
                            if let Some(at) = self.latest.iter().rposition(|&taken| taken == pin) {
                                self.latest.remove(at);
                            }
                        }
                    }
                }
            },
        }
    }

    /// The walk by hand as the log leaves it, to go on with; `None` for a sweep on a jig.
    #[must_use]
    pub fn into_walk(self) -> Option<Walk> {
        match self.pairing {
            Pairing::Hand(walk) => Some(*walk),
            Pairing::Jig(_) => None,
        }
    }

    /// Lines are missing or damaged here. The pin at hand is not read from what is left of it; its own result line
    /// stands, where that is whole.
    fn gap(&mut self) {
        self.gaps += 1;
        if let Pairing::Jig(observer) = &mut self.pairing {
            observer.gap();
        }
    }

    /// What the operator took back by hand after a gap has no value, neither the one that was taken back nor the one
    /// before it.
    fn deed_after_a_gap(&mut self, event: &LogEvent) {
        let LogEvent::Operator { action, detail } = event else { return };
        if let Ok(Deed::Undo) = Deed::from_log(action, detail.as_deref(), &self.connector)
            && let Some(pin) = self.latest.pop()
            && let Some(slot) = self.recorded.get_mut(pin)
        {
            *slot = None;
        }
    }

    /// What the log says.
    #[must_use]
    pub fn finish(self) -> Replayed {
        let (mut results, mut values) = match &self.pairing {
            Pairing::Jig(observer) => (observer.results().to_vec(), observer.values()),
            Pairing::Hand(walk) => (walk.results().to_vec(), walk.values()),
        };
        let mut from_result_line = Vec::new();
        if self.gaps > 0 {
            // A result line has a checksum of its own, and was written by who had heard everything.
            let is_by_hand = matches!(self.pairing, Pairing::Hand(_));
            for (pin, recorded) in self.recorded.iter().enumerate() {
                if is_by_hand && recorded.is_none() {
                    (values[pin], results[pin]) = (PinValue::Unread(Unread::NoReading), None);
                }
                let is_void = values[pin] == PinValue::Unread(Unread::Voided);
                if let Some(result) = recorded.as_ref().filter(|_| results[pin] != *recorded && !is_void) {
                    values[pin] = result.value;
                    results[pin].clone_from(recorded);
                    from_result_line.push(pin);
                }
            }
        }
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
            values,
            results,
            from_result_line,
            changed,
            ended: self.ended,
            overrides: self.overrides,
            checks: self.checks,
        }
    }
}

fn jig(observer: &mut Observer, event: &LogEvent, line: &LogLine, checks: &mut Checks) {
    match event {
        LogEvent::MeterBytes { bytes } => {
            for observation in observer.meter_bytes(bytes, line.at) {
                match observation {
                    Observation::Checked => checks.good += 1,
                    Observation::CheckFailed { .. } => checks.failed += 1,
                    _ => {}
                }
            }
        }
        LogEvent::JigMessage { message } => {
            let _ = observer.jig_message(message, line.at);
        }
        LogEvent::LinkLost { link, .. } => drop(observer.lost((*link).into())),
        LogEvent::SentToJig { frame } => observer.sent_to_jig(frame, line.at),
        LogEvent::SentToMeter { asks_for_reading: true, .. } => observer.asked_meter(line.at),
        _ => {}
    }
}

fn hand(walk: &mut Walk, event: &LogEvent, line: &LogLine, connector: &Connector) -> Vec<Action> {
    match event {
        LogEvent::MeterBytes { bytes } => walk.meter_bytes(bytes, line.at),
        LogEvent::SentToMeter { asks_for_reading: true, .. } => {
            walk.asked_meter(line.at);
            Vec::new()
        }
        // A deed that this version does not know moved nothing when the log was written by it.
        LogEvent::Operator { action, detail } => Deed::from_log(action, detail.as_deref(), connector)
            .map_or_else(|_| Vec::new(), |deed| walk.deed(&deed, line.at)),
        _ => Vec::new(),
    }
}
