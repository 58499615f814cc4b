//! What the history keeps of a sweep, and how it follows from the sweep's record. Pure.

use std::time::Duration;

use jiff::Timestamp;

use super::pins::PinRow;
use crate::{
    compare::Verdict,
    fingerprint::Fingerprint,
    log::Ending,
    readings::PinValue,
    record::SweepRecord,
    session::{BatchPlace, short_current},
};

/// Everything that the history keeps of one sweep.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// What, when, and what came of it.
    pub sweep: SweepRow,
    /// Names of the connector's pins, in order.
    pub pin_names: Vec<String>,
    /// The reference and the known-good boards in it.
    pub reference: Option<(Fingerprint, Option<u32>)>,
    /// How the sweep was made.
    pub conditions: ConditionsRow,
    /// The pins, in the order of the connector.
    pub pins: Vec<PinRow>,
    /// The findings, the surest first.
    pub findings: Vec<FindingRow>,
    /// Notes, overrides, and what was removed.
    pub notes: Vec<NoteRow>,
}

/// A sweep in a list.
#[derive(Debug, Clone, PartialEq)]
pub struct SweepRow {
    /// Names the session; its log is `logs/SESSION.jsonl`.
    pub session: String,
    /// Length of the log in bytes.
    pub bytes: u64,
    /// SHA-256 of the log.
    pub log: Fingerprint,
    /// When it began, as in the log.
    pub started: String,
    /// When it began, in microseconds since 1970-01-01 UTC, if `started` is a time.
    pub started_us: Option<i64>,
    /// The board, if it has a name.
    pub board: Option<String>,
    /// Name of the connector.
    pub connector: String,
    /// The batch to which it belongs.
    pub batch: Option<BatchPlace>,
    /// Whether the board was an emulated one.
    pub practice: bool,
    /// How it ended; `None` if its log was cut short.
    pub ending: Option<Ending>,
    /// How long it took.
    pub took: Duration,
    /// `matches`, `differs` or `inconclusive`; `None` without a reference.
    pub verdict: Option<String>,
    /// The verdict in words.
    pub words: Option<String>,
    /// How the whole board was wrongly connected, if it was.
    pub placement: Option<String>,
    /// Pins that differ.
    pub flagged: u32,
    /// Pins without a reading.
    pub unread: u32,
    /// Lines of the log that cannot be used.
    pub troubles: u32,
}

/// How a sweep was made.
#[derive(Debug, Clone, PartialEq)]
pub struct ConditionsRow {
    /// The program that wrote the log.
    pub program: String,
    /// Who swept.
    pub operator: Option<String>,
    /// Profile of the meter.
    pub meter: String,
    /// What the meter drives into a short in diode test, in amperes.
    pub meter_amperes: f64,
    /// Number of the switching board.
    pub jig: Option<String>,
    /// Name of the wiring.
    pub wiring: String,
    /// Where the reference was found.
    pub reference_path: Option<String>,
    /// Whether path resistances were taken out.
    pub zeroed: bool,
    /// Temperature of the board in kelvin.
    pub kelvin: Option<f64>,
    /// Good and failed looks at the check channel.
    pub checks: Option<(u32, u32)>,
    /// What all pins had in common: drop in volts, kelvin warmer, ratio of currents, path in ohms.
    pub shared: [Option<f64>; 4],
    /// What was put into an emulated board: JSON.
    pub put_in: Option<String>,
}

/// A finding.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingRow {
    /// Its kind, as in files: `open_joint`, ...
    pub kind: String,
    /// Names of its pins.
    pub pins: Vec<String>,
    /// Its resistance, where it has one.
    pub ohms: Option<f64>,
    /// Its probability.
    pub probability: f64,
}

/// Something that a person wrote or did.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NoteRow {
    /// What it is.
    pub kind: NoteKind,
    /// Its number: the line of a note, the order of the others from 1.
    pub number: u64,
    /// When a note was written, in microseconds since the session began.
    pub at_us: Option<u64>,
    /// The words.
    pub text: String,
    /// Who, if known.
    pub by: Option<String>,
}

/// What a [`NoteRow`] is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoteKind {
    /// Somebody wrote something down.
    Note,
    /// Somebody overrode a check.
    Override,
    /// Something was removed on request.
    Removed,
}

impl NoteKind {
    /// The name in the database.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Note => "note",
            Self::Override => "override",
            Self::Removed => "removed",
        }
    }

    pub(super) fn from_code(code: &str) -> Option<Self> {
        [Self::Note, Self::Override, Self::Removed].into_iter().find(|kind| kind.code() == code)
    }
}

/// The name of an ending in the database and in JSON.
#[must_use]
pub const fn ending_code(ending: Ending) -> &'static str {
    match ending {
        Ending::Complete => "complete",
        Ending::Stopped => "stopped",
        Ending::Failed => "failed",
    }
}

pub(super) fn ending_from_code(code: &str) -> Option<Ending> {
    [Ending::Complete, Ending::Stopped, Ending::Failed]
        .into_iter()
        .find(|&ending| ending_code(ending) == code)
}

impl Entry {
    /// What to keep of a record whose log has so many bytes.
    #[must_use]
    pub fn of(record: &SweepRecord, bytes: u64) -> Self {
        let judgement = record.judgement.as_ref();
        let pin_name = |pin: &usize| {
            record.connector.pins.get(*pin).map_or_else(|| "?".to_owned(), |pin| pin.name.as_str().to_owned())
        };
        let unread = record.readings.iter().filter(|value| matches!(value, PinValue::Unread(_))).count();
        let sweep = SweepRow {
            session: record.session.clone(),
            bytes,
            log: record.fingerprint,
            started: record.started.clone(),
            started_us: record.started.parse::<Timestamp>().ok().map(Timestamp::as_microsecond),
            board: record.board.clone(),
            connector: record.connector.name.clone(),
            batch: record.settings.batch.clone(),
            practice: record.practice.is_some(),
            ending: record.ended.as_ref().map(|ended| ended.how),
            took: record.took,
            verdict: judgement.map(|judgement| judgement.verdict.code().to_owned()),
            words: judgement.map(|judgement| judgement.verdict.to_string()),
            placement: judgement.and_then(|judgement| judgement.placement).map(|p| p.code().to_owned()),
            flagged: judgement.map_or(0, |judgement| count(judgement.flagged.len())),
            unread: count(unread),
            troubles: count(record.troubles.len()),
        };
        let pins = match judgement {
            Some(judgement) => judgement.pins.iter().map(PinRow::judged).collect(),
            None => record.readings.iter().map(|&value| PinRow::read(value)).collect(),
        };
        let findings = judgement.map_or(&[][..], |judgement| &judgement.findings).iter();
        Self {
            sweep,
            pin_names: record.connector.pins.iter().map(|pin| pin.name.as_str().to_owned()).collect(),
            reference: record.reference.as_ref().map(|by| (by.fingerprint, by.known_good.map(count))),
            conditions: conditions(record),
            pins,
            findings: findings
                .map(|finding| FindingRow {
                    kind: finding.kind.code().to_owned(),
                    pins: finding.pins.iter().map(pin_name).collect(),
                    ohms: finding.ohms.map(|ohms| ohms.get()),
                    probability: finding.probability,
                })
                .collect(),
            notes: notes(record),
        }
    }
}

impl SweepRow {
    /// Whether every pin was visited and the board matches.
    #[must_use]
    pub fn matches(&self) -> bool {
        self.verdict.as_deref() == Some(Verdict::Matches { pins: 0 }.code())
    }
}

fn conditions(record: &SweepRecord) -> ConditionsRow {
    let shared = record.judgement.as_ref().map(|judgement| judgement.shared).unwrap_or_default();
    ConditionsRow {
        program: record.program.clone(),
        operator: record.operator.clone(),
        meter: record.profile.name.clone(),
        meter_amperes: short_current(record.profile.diode.source).get(),
        jig: record.jig_id(),
        wiring: record.wiring.name().to_owned(),
        reference_path: record.reference.as_ref().and_then(|by| by.path.clone()),
        zeroed: record.zero.is_some(),
        kelvin: record.conditions.temperature.map(|kelvin| kelvin.get()),
        checks: record.checks.map(|checks| (checks.good, checks.failed)),
        shared: [
            shared.drop.map(|volts| volts.get()),
            shared.warmer.map(|kelvin| kelvin.get()),
            shared.current_ratio,
            shared.path.map(|ohms| ohms.get()),
        ],
        put_in: record.practice.as_ref().map(|practice| practice.whole.to_string()),
    }
}

fn notes(record: &SweepRecord) -> Vec<NoteRow> {
    let notes = record.notes.iter().map(|note| NoteRow {
        kind: NoteKind::Note,
        number: note.line,
        at_us: Some(note.at.as_micros()),
        text: note.text.clone(),
        by: None,
    });
    let overrides = (1..).zip(&record.overrides).map(|(number, over)| NoteRow {
        kind: NoteKind::Override,
        number,
        at_us: None,
        text: format!("{}: {}", over.what, over.why),
        by: Some(over.by.clone()),
    });
    let removed = (1..).zip(&record.removed).map(|(number, removed)| NoteRow {
        kind: NoteKind::Removed,
        number,
        at_us: None,
        text: format!("{}, removed {}", removed.was, removed.removed),
        by: removed.by.clone(),
    });
    notes.chain(overrides).chain(removed).collect()
}

/// A length that is shown; more than 4 billion of anything does not fit a log.
fn count(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}
