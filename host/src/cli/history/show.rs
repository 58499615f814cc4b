//! Shows one board over time.

use serde_json::json;

use super::list::{as_json, came_of_it, in_words, when};
use crate::{
    cli::{Screen, verdict::Format},
    compare::PinVerdict,
    delimited::guarded,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    history::{Change, Entry, Found, History, NoteKind, NoteRow, changes, log_of, pins::PinRow},
    label::{printable, shown},
    log::LogReader,
    readings::PinValue,
    session::Settings,
};

/// Pins that are named where more than this changed would help nobody.
const MOST_CHANGES: usize = 12;

/// Runs the command.
pub(super) fn run(
    board: &str,
    format: Format,
    history: &History,
    screen: &mut Screen,
) -> Result<(), Failure> {
    let entries = history.board(board)?;
    match format {
        Format::Text => text(board, &entries, history, screen)?,
        Format::Json => {
            for (at, entry) in entries.iter().enumerate() {
                let mut object = entry_as_json(entry, before(&entries, at));
                let settings = settings(entry, history);
                object["repaired"] = json!(settings.repaired);
                object["repair"] = json!(settings.repair);
                screen.line(&object.to_string())?;
            }
        }
        Format::Csv => screen.line(csv(&entries).or_fail(ExitStatus::Software)?.trim_end())?,
    }
    screen.flush()
}

/// The sweep of the same connector before this one.
fn before(entries: &[Entry], at: usize) -> Option<&Entry> {
    let connector = &entries.get(at)?.sweep.connector;
    entries[..at].iter().rev().find(|entry| entry.sweep.connector == *connector)
}

/// What a sweep was set up with: its repair notes are kept in its log. A log that is gone tells nothing.
fn settings(entry: &Entry, history: &History) -> Settings {
    let log = LogReader::open(&log_of(history.data(), &entry.sweep.session));
    log.ok().and_then(|log| Settings::from_value(&log.header().settings).ok()).unwrap_or_default()
}

fn text(board: &str, entries: &[Entry], history: &History, screen: &mut Screen) -> Result<(), Failure> {
    let plural = if entries.len() == 1 { "" } else { "s" };
    screen.line(&format!("Board {}: {} sweep{plural}", shown(board), entries.len()))?;
    for (at, entry) in entries.iter().enumerate() {
        let Entry { sweep, conditions, .. } = entry;
        let verdict = match (&sweep.words, sweep.ending) {
            (Some(words), Some(crate::log::Ending::Complete)) => printable(words),
            _ => came_of_it(sweep),
        };
        screen.line(&format!("\n{}  {}  {verdict}", when(sweep), shown(&sweep.connector)))?;
        let mut made = vec![format!("meter {}", shown(&conditions.meter))];
        made.extend(conditions.operator.as_deref().map(|name| format!("by {}", shown(name))));
        made.push(match &entry.reference {
            Some((fingerprint, Some(boards))) => format!("reference {fingerprint:.12} of {boards} boards"),
            Some((fingerprint, None)) => format!("reference {fingerprint:.12}"),
            None => "no reference".to_owned(),
        });
        made.push(format!("jig {}", conditions.jig.as_deref().map_or("without a number".into(), shown)));
        if sweep.practice {
            made.push("practice".to_owned());
        }
        screen.line(&format!("  {}", made.join(", ")))?;
        show_repair(&settings(entry, history), screen)?;
        for finding in &entry.findings {
            screen.line(&format!("  ! {} ({:.0} %)", in_words(finding), finding.probability * 100.0))?;
        }
        if let Some(changed) = before(entries, at).and_then(|before| changes(before, entry)) {
            show_changes(&changed, screen)?;
        }
        for note in &entry.notes {
            screen.line(&format!("  {}", note_in_words(note)))?;
        }
        if sweep.troubles > 0 {
            screen.line(&format!("  {} lines of the log cannot be used", sweep.troubles))?;
        }
        screen.line(&format!("  log {}.jsonl, SHA-256 {:.12}", shown(&sweep.session), sweep.log))?;
    }
    Ok(())
}

/// What was noted of the pins that were repaired, a line a pin.
fn show_repair(settings: &Settings, screen: &mut Screen) -> Result<(), Failure> {
    if !settings.repaired.is_empty() {
        let pins: Vec<String> = settings.repaired.iter().map(|pin| shown(pin.as_str())).collect();
        screen.line(&format!("  repaired: {}", pins.join(", ")))?;
    }
    for note in &settings.repair.pins {
        screen.line(&format!("  repair {}: {}", shown(note.name.as_str()), printable(&note.to_string())))?;
    }
    Ok(())
}

fn show_changes(changed: &[Change], screen: &mut Screen) -> Result<(), Failure> {
    if changed.is_empty() {
        return screen.line("  no pin has changed its verdict since the sweep before");
    }
    screen.line("  changed since the sweep before:")?;
    for change in changed.iter().take(MOST_CHANGES) {
        let (before, after) = (in_short(&change.before), in_short(&change.after));
        screen.line(&format!("    pin {}: {before}, now {after}", shown(&change.pin)))?;
    }
    match changed.len().saturating_sub(MOST_CHANGES) {
        0 => Ok(()),
        more => screen.line(&format!("    and {more} more pins; JSON lists them")),
    }
}

/// A pin in a few words: `0.654 matches`.
fn in_short(pin: &PinRow) -> String {
    match pin.verdict {
        None | Some(PinVerdict::Unread(_)) => pin.reading.to_string(),
        Some(verdict) => format!("{} {}", pin.reading, verdict_words(verdict)),
    }
}

const fn verdict_words(verdict: PinVerdict) -> &'static str {
    match verdict {
        PinVerdict::Matches => "matches",
        PinVerdict::AtFault => "at fault",
        PinVerdict::MovesAlong => "moves along",
        PinVerdict::Unexplained => "differs",
        PinVerdict::Unread(_) => "unread",
        PinVerdict::NoReference => "not judged",
        PinVerdict::Misplaced => "misplaced",
    }
}

fn note_in_words(note: &NoteRow) -> String {
    let by = note.by.as_deref().map_or(String::new(), |by| format!(" (by {})", shown(by)));
    let text = printable(&note.text);
    match note.kind {
        NoteKind::Note => format!("note: {text}{by}"),
        NoteKind::Override => format!("overridden: {text}{by}"),
        NoteKind::Removed => format!("removed on request: {text}{by}"),
    }
}

fn entry_as_json(entry: &Entry, before: Option<&Entry>) -> serde_json::Value {
    let found = Found { sweep: entry.sweep.clone(), findings: entry.findings.clone() };
    let mut object = as_json(&found);
    let pin = |(name, pin): (&String, &PinRow)| {
        json!({
            "pin": name,
            "reading": value(pin.reading),
            "difference": pin.difference.map(|volts| volts.get()),
            "verdict": pin.verdict.map(verdict_words),
        })
    };
    let changed = before.and_then(|before| changes(before, entry));
    let changed = changed.map(|list| list.into_iter().map(|change| change.pin).collect::<Vec<_>>());
    let notes: Vec<_> = entry
        .notes
        .iter()
        .map(|note| json!({ "kind": note.kind.code(), "text": note.text, "by": note.by }))
        .collect();
    object["operator"] = json!(entry.conditions.operator);
    object["meter"] = json!(entry.conditions.meter);
    object["jig"] = json!(entry.conditions.jig);
    object["reference_sha256"] = json!(entry.reference.map(|(fingerprint, _)| fingerprint.to_string()));
    object["pins"] = entry.pin_names.iter().zip(&entry.pins).map(pin).collect();
    object["changed_pins"] = json!(changed);
    object["notes"] = json!(notes);
    object
}

/// A reading in JSON: volts, `"OL"`, or null.
fn value(value: PinValue) -> serde_json::Value {
    match value {
        PinValue::Volts(volts) => json!(volts.get()),
        PinValue::Overload => json!("OL"),
        PinValue::Unread(_) => serde_json::Value::Null,
    }
}

fn csv(entries: &[Entry]) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["started", "connector", "pin", "reading", "difference", "verdict", "session"])?;
    for entry in entries {
        for (name, pin) in entry.pin_names.iter().zip(&entry.pins) {
            let volts = |volts: crate::units::Volts| format!("{:.6}", volts.get());
            writer.write_record([
                &*guarded(&entry.sweep.started),
                &*guarded(&entry.sweep.connector),
                &*guarded(name),
                &*pin.reading.volts().map_or_else(|| pin.reading.to_string(), volts),
                &*pin.difference.map(volts).unwrap_or_default(),
                pin.verdict.map_or("", verdict_words),
                &*guarded(&entry.sweep.session),
            ])?;
        }
    }
    let bytes = writer.into_inner().map_err(|error| error.into_error())?;
    // Everything that went in was text.
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}
