//! Judgements as CSV: one row a pin, for a spreadsheet.

use super::json::verdict_code;
use crate::{compare::Judgement, connector::Connector, units::Volts};

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

/// Quotes a field where RFC 4180 asks for it.
fn field(text: &str) -> String {
    if text.contains([',', '"', '\n', '\r']) {
        format!("\"{}\"", text.replace('"', "\"\""))
    } else {
        text.to_owned()
    }
}
