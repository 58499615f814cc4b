//! Judgements as CSV: one row a pin, for a spreadsheet.

use super::json::verdict_code;
use crate::{
    compare::{Change, Judgement},
    connector::Connector,
    delimited::guarded,
    record::SweepRecord,
    units::Volts,
};

/// The header of the rows that [`csv()`] makes.
pub const CSV_HEADER: &str = "board,pin,reading,reference,expected,difference,limit,verdict,finding";

/// One judgement as rows of CSV, a pin a row, each with its line end.
#[must_use]
pub fn csv(connector: &Connector, judgement: &Judgement) -> String {
    let mut out = String::new();
    for (index, pin) in judgement.pins.iter().enumerate() {
        let finding = judgement.findings.iter().find(|f| f.evidence.iter().any(|e| e.pin == index));
        let number = |volts: Option<Volts>| volts.map_or_else(String::new, |v| format!("{v:.4}"));
        let row = [
            field(&judgement.board),
            field(&super::name(connector, index)),
            pin.reading.to_string(),
            pin.reference.to_string(),
            pin.expected.to_string(),
            number(pin.difference),
            number(pin.limit),
            verdict_code(&pin.verdict).to_owned(),
            finding.map_or_else(
                || judgement.placement.map_or_else(String::new, |p| p.code().to_owned()),
                |f| f.kind.code().to_owned(),
            ),
        ];
        out.push_str(&row.join(","));
        out.push('\n');
    }
    out
}

/// What became of each pin of a board between two sweeps, as rows of CSV with their header.
#[must_use]
pub fn change_csv(before: &SweepRecord, after: &SweepRecord, change: &Change) -> String {
    let mut out = String::from("board,pin,before,after,change\n");
    let board = field(after.board.as_deref().unwrap_or(&after.session));
    for (pin, what) in change.pins.iter().enumerate() {
        let value =
            |record: &SweepRecord| record.readings.get(pin).map_or_else(String::new, ToString::to_string);
        let name = field(&super::name(&after.connector, pin));
        out.push_str(&format!("{board},{name},{},{},{}\n", value(before), value(after), what.code()));
    }
    out
}

/// A name as a field of a table: no formula to a spreadsheet, and quoted where RFC 4180 asks for it.
#[must_use]
pub fn field(name: &str) -> String {
    let text = guarded(name);
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.into_owned()
    }
}
