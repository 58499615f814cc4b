//! What became of the pins that were repaired, and the checklist for afterwards, as text.

use std::fmt::Write;

use super::{
    fault, name,
    words::{self, Sign},
};
use crate::{
    compare::{Judgement, PinVerdict},
    connector::Connector,
    readings::PinValue,
    record::SweepRecord,
    repair::{PinNote, RepairNotes},
};

/// A noted pin, as a page shows it.
pub(super) struct Repaired<'a> {
    /// The note itself.
    pub(super) noted: &'a PinNote,
    /// Its index in the connector.
    pub(super) index: usize,
    /// Its name.
    pub(super) pin: String,
    /// What was noted, in words.
    pub(super) note: String,
    /// What it reads now.
    pub(super) reads: String,
    /// What it should read, where it is judged.
    pub(super) expected: Option<PinValue>,
    /// What became of it.
    pub(super) sign: Sign,
    /// The same in words.
    pub(super) became: String,
}

/// What became of the noted pins of a sweep, in the order of the notes.
pub(super) fn repaired_pins(record: &SweepRecord) -> Vec<Repaired<'_>> {
    let (connector, notes) = (&record.connector, &record.settings.repair);
    let noted = notes.pins.iter().filter_map(|note| Some((connector.index_of(&note.name)?, note)));
    noted
        .map(|(index, note)| {
            let judged = record.judgement.as_ref().and_then(|judgement| judgement.pins.get(index));
            let finding = record.judgement.as_ref().and_then(|judgement| {
                let finding = judgement.findings.iter().find(|finding| finding.pins.contains(&index))?;
                Some(fault(connector, finding.kind, &finding.pins))
            });
            Repaired {
                noted: note,
                index,
                pin: name(connector, index),
                note: note.to_string(),
                reads: reads(record.readings.get(index), note),
                expected: judged.map(|pin| pin.expected),
                sign: judged.map_or(Sign::Unjudged, Sign::of),
                became: finding
                    .or_else(|| judged.map(words::verdict))
                    .unwrap_or_else(|| "not judged".to_owned()),
            }
        })
        .collect()
}

/// Jumpers that were planned and are not noted as done; nothing where there are none.
pub(super) fn still_planned(notes: &RepairNotes) -> Option<String> {
    let planned: Vec<&str> = notes.still_planned().map(|pin| pin.name.as_str()).collect();
    (!planned.is_empty()).then(|| format!("jumpers planned and not noted as done: {}", planned.join(", ")))
}

/// What became of the noted pins, one line each; nothing where none is noted.
#[must_use]
pub fn repaired(
    connector: &Connector,
    notes: &RepairNotes,
    values: &[PinValue],
    judgement: Option<&Judgement>,
) -> String {
    let mut out = String::new();
    let pins = notes.indices(connector);
    if pins.is_empty() {
        return out;
    }
    // Writing to a string cannot fail.
    let _ = writeln!(out, "Repaired pins:");
    for (pin, note) in pins.into_iter().zip(&notes.pins) {
        let seen = reads(values.get(pin), note);
        let became = judgement.map_or_else(String::new, |judgement| verdict(connector, judgement, pin));
        let _ = writeln!(out, "  {:>4}  {note}: {seen}{became}", name(connector, pin));
    }
    if let Some(planned) = still_planned(notes) {
        let _ = writeln!(out, "  {planned}");
    }
    out
}

/// The user's own list, each with a box to tick; nothing where there is none.
#[must_use]
pub fn checklist(notes: &RepairNotes) -> String {
    let mut out = String::new();
    if !notes.checklist.is_empty() {
        let _ = writeln!(out, "Once the board has power:");
        for item in &notes.checklist {
            let _ = writeln!(out, "  [ ] {item}");
        }
    }
    out
}

fn reads(value: Option<&PinValue>, note: &PinNote) -> String {
    match value {
        None | Some(PinValue::Unread(_)) => "was not read".to_owned(),
        Some(value @ PinValue::Volts(_)) if note.unconnected => {
            format!("reads {value}, though it is to have no connection")
        }
        Some(value) => format!("reads {value}"),
    }
}

fn verdict(connector: &Connector, judgement: &Judgement, pin: usize) -> String {
    if let Some(finding) = judgement.findings.iter().find(|finding| finding.pins.contains(&pin)) {
        let share = finding.probability * 100.0;
        return format!("  ! {} ({share:.0} %)", fault(connector, finding.kind, &finding.pins));
    }
    match judgement.pins.get(pin).map(|pin| (pin.verdict, pin.expected)) {
        Some((PinVerdict::Matches, _)) => ", matches".to_owned(),
        Some((PinVerdict::MovesAlong, expected)) => format!(", expected {expected}  ~ moves along"),
        Some((PinVerdict::AtFault | PinVerdict::Unexplained, expected)) => {
            format!(", expected {expected}  ? differs")
        }
        Some((PinVerdict::NoReference, _)) => ", no reference".to_owned(),
        Some((PinVerdict::Unread(_) | PinVerdict::Misplaced, _)) | None => String::new(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        connector::{self, PinName},
        repair::{Jumper, Pad, PinNote},
        units::Volts,
    };

    #[test]
    fn each_noted_pin_is_told_with_what_it_reads() {
        let connector = connector::from_toml(connector::DEMO).unwrap();
        let note = |name: &str, jumper| PinNote {
            name: PinName::new(name),
            pad: Some(Pad::Lifted),
            trace: None,
            jumper,
            unconnected: false,
            note: None,
        };
        let notes = RepairNotes {
            pins: vec![note("A3", Some(Jumper::Done)), note("A2", Some(Jumper::Planned))],
            checklist: vec!["picture".to_owned()],
        };
        let mut values = vec![PinValue::Overload; connector.pins.len()];
        values[2] = PinValue::Volts(Volts::of(0.612));
        assert_eq!(
            repaired(&connector, &notes, &values, None),
            "Repaired pins:\n    A3  lifted pad, jumper done: reads 0.612\n    A2  lifted pad, jumper planned: reads \
             OL\n  jumpers planned and not noted as done: A2\n"
        );
        assert_eq!(checklist(&notes), "Once the board has power:\n  [ ] picture\n");
        assert_eq!(repaired(&connector, &RepairNotes::default(), &values, None), "");
    }
}
