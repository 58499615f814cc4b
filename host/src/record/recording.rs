//! From the lines of a log to its record, a line at a time.

use protocol::{Answer, BoardMessage, Event};
use serde_json::Value;

use super::{
    Action, Confirmed, Ended, JudgedBy, Measured, Noted, Overridden, Practice, Removed, SweepRecord,
};
use crate::{
    fingerprint::Fingerprint,
    log::{Conditions, Header, LogEvent, LogLine, LogTrouble, Zero},
    moment::Moment,
    session::{Replay, Session, SessionError},
};

/// Takes the lines of a log and makes a record of them.
#[derive(Debug)]
pub struct Recording {
    session: Session,
    replay: Replay,
    record: SweepRecord,
    /// When the first channel was closed, and the end of the last visit.
    span: Option<(Moment, Moment)>,
}

impl Recording {
    /// Begins with the header.
    ///
    /// # Errors
    /// [`SessionError`] if the header cannot be used.
    pub fn new(header: Header) -> Result<Self, SessionError> {
        let session = Session::new(header)?;
        let record = blank(&session);
        Ok(Self { replay: Replay::new(&session), session, record, span: None })
    }

    /// Takes what a reader of the log hands out next: a line, or what stands in the place of one.
    pub fn item(&mut self, item: &Result<LogLine, LogTrouble>) {
        self.replay.item(item);
        match item {
            Ok(line) => self.take(line),
            Err(trouble) => self.record.troubles.push(trouble.to_string()),
        }
    }

    fn take(&mut self, line: &LogLine) {
        let record = &mut self.record;
        match &line.event {
            LogEvent::JigMessage { message } => self.jig(message, line.at),
            // A visit ends when the next request moves the switch.
            LogEvent::SentToJig { frame } => {
                use protocol::Request::{Advance, OpenAll, Select};
                if let (Advance { .. } | Select { .. } | OpenAll, Some((_, last))) =
                    (&frame.request, &mut self.span)
                {
                    *last = line.at;
                }
            }
            LogEvent::PinResult { result, .. } => {
                // Where no channel is closed, pins are probed by hand: the first touch is the beginning.
                self.span.get_or_insert((result.settled, line.at)).1 = line.at;
            }
            LogEvent::Conditions(conditions) => record.conditions = *conditions,
            LogEvent::Zero(zero) => record.zero = Some(zero.clone()),
            LogEvent::Note { text } => {
                record.notes.push(Noted { line: line.number, at: line.at, text: text.clone() });
            }
            LogEvent::Override { what, by, why } => {
                let (what, by, why) = (what.clone(), by.clone(), why.clone());
                record.overrides.push(Overridden { what, by, why });
            }
            LogEvent::Confirmed { what, by } => {
                record.confirmed.push(Confirmed { what: *what, by: by.clone() });
            }
            LogEvent::Measured { what, volts, safe } => {
                record.measured.push(Measured { what: what.clone(), volts: *volts, safe: *safe });
            }
            LogEvent::Operator { action, detail } => {
                record.actions.push(Action { action: action.clone(), detail: detail.clone() });
            }
            LogEvent::Told { text } => record.told.push(text.clone()),
            LogEvent::Judgement { value } => record.printed = Some(value.clone()),
            LogEvent::Redacted { was, removed, by } => {
                let (was, removed, by) = (was.clone(), removed.clone(), by.clone());
                record.removed.push(Removed { was, removed, by });
            }
            LogEvent::End { how, detail } => {
                record.ended = Some(Ended { how: *how, detail: detail.clone() });
            }
            LogEvent::Header(_)
            | LogEvent::MeterBytes { .. }
            | LogEvent::JigNoise { .. }
            | LogEvent::SentToMeter { .. }
            | LogEvent::LinkLost { .. }
            | LogEvent::LinkRestored { .. } => {}
        }
    }

    /// The record; `fingerprint` is that of all bytes of the log.
    #[must_use]
    pub fn finish(self, fingerprint: Fingerprint) -> SweepRecord {
        let Self { session, replay, mut record, span } = self;
        let replayed = replay.finish();
        record.fingerprint = fingerprint;
        record.readings = session.readings(&replayed.values).values;
        record.judgement = match session.judge(&replayed.values).transpose() {
            Ok(judgement) => judgement,
            Err(unfitting) => {
                record.troubles.push(unfitting.to_string());
                None
            }
        };
        record.took = span.map_or(std::time::Duration::ZERO, |(first, last)| last.since(first));
        record.checks = session.header.wiring.check().map(|_| replayed.checks);
        record.shown = replayed.values;
        record.evidence = replayed.results;
        record.paired_otherwise = replayed.changed;
        record.from_result_line = replayed.from_result_line;
        record
    }

    fn jig(&mut self, message: &BoardMessage, at: Moment) {
        match message {
            BoardMessage::Answer { answer: Answer::Greeting(greeting), .. } => {
                self.record.jig = Some(*greeting);
            }
            BoardMessage::Answer { answer: Answer::Settled { .. }, .. }
            | BoardMessage::Event { event: Event::Settled { .. }, .. } => {
                self.span.get_or_insert((at, at));
            }
            _ => {}
        }
    }
}

/// What the header says, and nothing of the rest.
fn blank(session: &Session) -> SweepRecord {
    let header = &session.header;
    SweepRecord {
        fingerprint: Fingerprint::of(&[]),
        session: header.session.clone(),
        program: header.program.clone(),
        started: header.started.clone(),
        board: header.board.clone(),
        operator: header.operator.clone(),
        connector: header.connector.clone(),
        wiring: header.wiring.clone(),
        profile: session.profile.clone(),
        jig: None,
        reference: header.reference.as_ref().map(|source| JudgedBy {
            fingerprint: source.fingerprint,
            path: source.path.clone(),
            known_good: session.reference.as_ref().map(|reference| reference.boards.len()),
        }),
        zero: header.zero.clone().filter(|zero: &Zero| !zero.paths.is_empty()),
        conditions: Conditions::default(),
        settings: session.settings.clone(),
        practice: header.practice.as_ref().map(practice),
        shown: Vec::new(),
        readings: Vec::new(),
        evidence: Vec::new(),
        paired_otherwise: Vec::new(),
        from_result_line: Vec::new(),
        judgement: None,
        printed: None,
        notes: Vec::new(),
        overrides: Vec::new(),
        confirmed: Vec::new(),
        measured: Vec::new(),
        actions: Vec::new(),
        told: Vec::new(),
        removed: Vec::new(),
        ended: None,
        took: std::time::Duration::ZERO,
        checks: None,
        troubles: Vec::new(),
    }
}

fn practice(whole: &Value) -> Practice {
    let texts = |key: &str| -> Vec<String> {
        let list = whole.get(key).and_then(Value::as_array);
        list.into_iter().flatten().filter_map(Value::as_str).map(str::to_owned).collect()
    };
    Practice { faults: texts("faults"), jig_troubles: texts("jig_troubles"), whole: whole.clone() }
}
