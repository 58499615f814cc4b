//! Readings without a judgement, in the forms that known-good boards are read back from.

use serde_json::json;

use super::csv_field;
use crate::{
    connector::Connector,
    readings::{BoardReadings, PinValue},
};

/// Head of the table that [`readings_csv`] writes rows of.
pub const READINGS_HEADER: &str = "board,pin,reading";

/// One row a pin that was read, with all decimals that the meter gave; `reference make` and `compare` take them.
#[must_use]
pub fn readings_csv(connector: &Connector, readings: &BoardReadings) -> String {
    let board = csv_field(&readings.board);
    let read = connector.pins.iter().zip(&readings.values);
    read.filter_map(|(pin, &value)| {
        let reading = written(value)?;
        Some(format!("{board},{},{reading}\n", csv_field(pin.name.as_str())))
    })
    .collect()
}

/// The same as one line of JSON, without its line end. Pins that were not read are `null`.
#[must_use]
pub fn readings_json(connector: &Connector, readings: &BoardReadings) -> String {
    let pins: Vec<_> = connector
        .pins
        .iter()
        .zip(&readings.values)
        .map(|(pin, value)| {
            let reading = match value {
                PinValue::Volts(volts) => json!(rounded(volts.get())),
                PinValue::Overload => json!("OL"),
                PinValue::Unread(_) => json!(null),
            };
            json!({ "pin": pin.name.as_str(), "reading": reading })
        })
        .collect();
    json!({ "board": readings.board, "verdict": "not_judged", "pins": pins }).to_string()
}

/// A reading as it is read back: volts with at least three decimals, since a number without a point wants a unit.
fn written(value: PinValue) -> Option<String> {
    match value {
        PinValue::Volts(volts) => {
            let volts = rounded(volts.get());
            let decimals = volts.to_string().split_once('.').map_or(0, |(_, decimals)| decimals.len());
            Some(format!("{volts:.*}", decimals.max(3)))
        }
        PinValue::Overload => Some("OL".to_owned()),
        PinValue::Unread(_) => None,
    }
}

/// To a microvolt, which is a count of the finest meters (six and a half digits at 1 V); what stands behind it comes from
/// the arithmetic.
fn rounded(volts: f64) -> f64 {
    // Adding zero makes a negative zero a zero.
    (volts * 1e6).round() / 1e6 + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{connector::Pin, readings::Unread, units::Volts};

    #[test]
    fn what_is_written_is_read_back_as_it_was() {
        let values = [0.0, 1.0, 0.3184, 0.59, 0.123_456_7, -0.000_000_1]
            .map(|volts| PinValue::Volts(Volts::of(volts)))
            .into_iter()
            .chain([PinValue::Overload, PinValue::Unread(Unread::Skipped)])
            .collect();
        let pins: Vec<Pin> = ["1", "2", "+3", "4", "5", "6", "7", "8"].map(Pin::named).to_vec();
        let connector = Connector::new("J1", pins).unwrap();
        let readings = BoardReadings { board: "=T1, rev \"B\"".to_owned(), values };
        let board = "\"'=T1, rev \"\"B\"\"\"";
        let expected = ["1,0.000", "2,1.000", "'+3,0.3184", "4,0.590", "5,0.123457", "6,0.000", "7,OL"]
            .map(|row| format!("{board},{row}\n"))
            .concat();
        let written = readings_csv(&connector, &readings);
        assert_eq!(written, expected);
        let table = format!("{READINGS_HEADER}\n{written}");
        let strict = crate::readings::csv::Strictness::StopAtBadRow;
        let mut boards = crate::readings::csv::Boards::new(table.as_bytes(), &connector, strict).unwrap();
        let back = boards.next().unwrap().unwrap();
        assert_eq!(back.board, readings.board);
        assert_eq!(back.values[2], PinValue::Volts(Volts::of(0.3184)));
        assert_eq!(
            readings_json(
                &connector,
                &BoardReadings { board: "T1".to_owned(), values: readings.values[2..4].to_vec() }
            ),
            r#"{"board":"T1","pins":[{"pin":"1","reading":0.3184},{"pin":"2","reading":0.59}],"verdict":"not_judged"}"#
        );
    }
}
