//! Prints a judgement and turns it into an exit status: the same for a sweep and its replay.

use clap::ValueEnum;

use super::{Screen, inputs};
use crate::{
    compare::{Judgement, Verdict},
    connector::Connector,
    exit_status::ExitStatus,
    failure::Failure,
    readings::{BoardReadings, PinValue, Unread},
    repair::RepairNotes,
    report,
    session::{Session, describe_zero},
};

/// How to print a judgement.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum Format {
    /// For a person
    Text,
    /// One JSON object a board and line
    Json,
    /// One row a pin
    Csv,
}

/// Prints what was read and how it is judged.
pub(super) fn print(
    connector: &Connector,
    readings: &BoardReadings,
    judgement: Option<&Judgement>,
    format: Format,
    screen: &mut Screen,
) -> Result<ExitStatus, Failure> {
    match (judgement, format) {
        (Some(judgement), Format::Text) => screen.line(report::text(connector, judgement).trim_end())?,
        (Some(judgement), Format::Json) => screen.line(&report::json(connector, judgement, true))?,
        (Some(judgement), Format::Csv) => {
            screen.line(report::CSV_HEADER)?;
            screen.line(report::csv(connector, judgement).trim_end())?;
        }
        (None, Format::Json) => screen.line(&report::readings_json(connector, readings))?,
        (None, Format::Text | Format::Csv) => {
            // Without a reference the readings themselves are the result, in the form that `reference make` and
            // `compare` take.
            screen.line(report::READINGS_HEADER)?;
            let rows = report::readings_csv(connector, readings);
            if !rows.is_empty() {
                screen.line(rows.trim_end())?;
            }
        }
    }
    screen.flush()?;
    Ok(status(&readings.values, judgement))
}

/// Tells what became of the pins that were repaired, after a judgement in text; and the checklist for afterwards.
pub(super) fn print_repair(
    connector: &Connector,
    notes: &RepairNotes,
    readings: &BoardReadings,
    judgement: Option<&Judgement>,
    format: Format,
    screen: &mut Screen,
) -> Result<(), Failure> {
    if judgement.is_some() && format == Format::Text {
        let text = report::repaired(connector, notes, &readings.values, judgement);
        for line in text.lines() {
            screen.line(line)?;
        }
        screen.flush()?;
    }
    for line in report::checklist(notes).lines() {
        screen.tell(line);
    }
    Ok(())
}

/// Names the pins whose readings did not settle while they were visited.
pub(super) fn unsettled(connector: &Connector, values: &[PinValue]) -> Option<String> {
    let is_unsettled =
        |value: &PinValue| matches!(value, PinValue::Unread(Unread::NotSettled { .. } | Unread::NoReading));
    let pins: Vec<&str> = connector
        .pins
        .iter()
        .zip(values)
        .filter(|(_, value)| is_unsettled(value))
        .map(|(pin, _)| pin.name.as_str())
        .collect();
    (!pins.is_empty()).then(|| format!("not settled: {}", inputs::pin_list(&pins)))
}

/// Tells, after a judgement in text, which zero was subtracted.
pub(super) fn print_zero(session: &Session, format: Format, screen: &mut Screen) -> Result<(), Failure> {
    match session.header.zero.as_ref().and_then(describe_zero).filter(|_| format == Format::Text) {
        Some(zero) => screen.line(&zero),
        None => Ok(()),
    }
}

/// How a command ends after this judgement: live, in a replay and in a report alike. Without a reference nothing was to be
/// judged, and the command did what it was asked if every pin was read; it says aloud that nothing was judged.
pub(super) fn status(readings: &[PinValue], judgement: Option<&Judgement>) -> ExitStatus {
    match judgement.map(|judgement| &judgement.verdict) {
        Some(Verdict::Matches { .. }) => ExitStatus::Matches,
        Some(Verdict::Differs(_)) => ExitStatus::Differs,
        Some(Verdict::Inconclusive(_)) => ExitStatus::Inconclusive,
        None if readings.iter().any(|value| matches!(value, PinValue::Unread(_))) => ExitStatus::Inconclusive,
        None => ExitStatus::Matches,
    }
}
