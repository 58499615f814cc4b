//! What changed from one sweep of a connector to the next. Pure.

use super::{pins::PinRow, rows::Entry};
use crate::{compare::PinVerdict, readings::PinValue};

/// A pin whose verdict, or whose kind of reading, is another one than the time before.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Name of the pin.
    pub pin: String,
    /// The time before.
    pub before: PinRow,
    /// This time.
    pub after: PinRow,
}

/// What changed from `before` to `after`; `None` if they are not of the same connector.
#[must_use]
pub fn changes(before: &Entry, after: &Entry) -> Option<Vec<Change>> {
    if before.sweep.connector != after.sweep.connector || before.pin_names != after.pin_names {
        return None;
    }
    let pins = after.pin_names.iter().zip(before.pins.iter().zip(&after.pins));
    let changed = pins.filter(|(_, (before, after))| differ(before, after));
    Some(
        changed
            .map(|(pin, (before, after))| Change { pin: pin.clone(), before: *before, after: *after })
            .collect(),
    )
}

/// Verdicts carry the limits with them, so a reading that moved within them is no change.
fn differ(before: &PinRow, after: &PinRow) -> bool {
    let is_judged = |row: &PinRow| !matches!(row.verdict, None | Some(PinVerdict::Misplaced));
    if is_judged(before) && is_judged(after) {
        let kind = |row: &PinRow| row.verdict.map(|verdict| std::mem::discriminant(&verdict));
        return kind(before) != kind(after);
    }
    let kind = |value: PinValue| std::mem::discriminant(&value);
    kind(before.reading) != kind(after.reading)
}
