//! A connector drawn from its outline: rows of the same length, and how their pins are counted.

use super::{Connector, ConnectorError, MOST_PINS, Pin, PinName, Role};

/// How a drawing counts the pins of a connector with straight rows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Numbering {
    /// By row and position: A1, A2, A3 ... B1, B2.
    ByRow,
    /// One row after the other, each from the same end: 1, 2, 3 in the first, 4, 5, 6 in the second.
    RowAfterRow,
    /// To and fro between the rows: 1, 3, 5 in the first, 2, 4, 6 in the second.
    Across,
    /// Around, each row from where the last one ended: 1, 2, 3 in the first, 6, 5, 4 in the second.
    Around,
}

/// Draws a connector of rows with the same number of positions, counted from the marked end. The ground pins are
/// drawn as such; all else is left to be learned or drawn later.
///
/// # Errors
/// [`RectangleError`] if a ground pin is none of the connector, or the pins make no connector.
pub fn rectangle(
    name: &str,
    rows: &[String],
    positions: u16,
    numbering: Numbering,
    ground: &[PinName],
) -> Result<Connector, RectangleError> {
    let (count, length) = (rows.len(), usize::from(positions));
    let pins = count.saturating_mul(length);
    // Before the pins are made: a slip of a finger must not ask for millions of them.
    if pins > MOST_PINS {
        return Err(RectangleError::TooManyPins { found: pins });
    }
    let place = |number: usize| match numbering {
        Numbering::Across => (number % count, number / count),
        Numbering::Around if (number / length) % 2 == 1 => (number / length, length - 1 - number % length),
        _ => (number / length, number % length),
    };
    let pin = |number: usize| {
        let (row, index) = place(number);
        let row = rows[row].trim();
        let position = index as u16 + 1;
        let name = match numbering {
            Numbering::ByRow => PinName::new(&format!("{row}{position}")),
            _ => PinName::new(&(number + 1).to_string()),
        };
        let is_ground = ground.contains(&name);
        Pin {
            row: Some(row.to_owned()),
            position: Some(position),
            net: is_ground.then(|| "GND".to_owned()),
            role: is_ground.then_some(Role::Ground),
            pair: None,
            note: None,
            name,
        }
    };
    let connector = Connector::new(name, (0..pins).map(pin).collect())?;
    match ground.iter().find(|pin| connector.index_of(pin).is_none()) {
        Some(pin) => Err(RectangleError::UnknownGround { found: pin.clone(), connector: connector.name }),
        None => Ok(connector),
    }
}

/// Why no connector can be drawn.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum RectangleError {
    /// More pins than a connector has.
    #[error("expected at most {MOST_PINS} pins, found {found}")]
    TooManyPins {
        /// Rows times positions.
        found: usize,
    },
    /// A ground pin that is none of its pins.
    #[error("expected ground pins of connector {connector}, found {}", crate::label::Found(found.as_str()))]
    UnknownGround {
        /// What was named.
        found: PinName,
        /// The connector.
        connector: String,
    },
    /// The pins make no connector.
    #[error(transparent)]
    Connector(#[from] ConnectorError),
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawn(
        rows: &[&str],
        positions: u16,
        numbering: Numbering,
        ground: &[&str],
    ) -> Result<Connector, RectangleError> {
        let rows: Vec<String> = rows.iter().map(|&row| row.to_owned()).collect();
        let ground: Vec<PinName> = ground.iter().map(|&pin| PinName::new(pin)).collect();
        rectangle("J1", &rows, positions, numbering, &ground)
    }

    #[test]
    fn counts_as_drawings_do() {
        let check = |numbering, expected: &str| {
            let connector = drawn(&["A", "B"], 3, numbering, &[]).unwrap();
            let shown: Vec<String> = connector
                .pins
                .iter()
                .map(|pin| format!("{}={}{}", pin.name, pin.row.as_ref().unwrap(), pin.position.unwrap()))
                .collect();
            assert_eq!(shown.join(" "), expected, "{numbering:?}");
        };
        check(Numbering::ByRow, "A1=A1 A2=A2 A3=A3 B1=B1 B2=B2 B3=B3");
        check(Numbering::RowAfterRow, "1=A1 2=A2 3=A3 4=B1 5=B2 6=B3");
        check(Numbering::Across, "1=A1 2=B1 3=A2 4=B2 5=A3 6=B3");
        // As the pins of a dual in-line package are counted.
        check(Numbering::Around, "1=A1 2=A2 3=A3 4=B3 5=B2 6=B1");
    }

    #[test]
    fn ground_pins_are_drawn_and_the_rest_is_left_open() {
        let connector = drawn(&["A"], 3, Numbering::ByRow, &["A2"]).unwrap();
        let roles: Vec<_> = connector.pins.iter().map(|pin| (pin.role, pin.net.as_deref())).collect();
        assert_eq!(roles, [(None, None), (Some(Role::Ground), Some("GND")), (None, None)]);
    }

    #[test]
    fn what_makes_no_connector_is_told() {
        let check = |rows: &[&str], positions, ground: &[&str], expected: &str| {
            let error = drawn(rows, positions, Numbering::ByRow, ground).unwrap_err();
            assert_eq!(error.to_string(), expected);
        };
        check(&["A"], 0, &[], "expected at least one pin, found none");
        check(&[], 9, &[], "expected at least one pin, found none");
        check(&["A", "B"], u16::MAX, &[], "expected at most 1024 pins, found 131070");
        check(&["A"], 3, &["A4"], "expected ground pins of connector J1, found `A4`");
        check(&["A", "A"], 2, &[], "pin A1: expected each pin once, found it again");
    }
}
