//! A connector as a table of pins.

use crate::delimited::{Fields, Lines, Separator};

use super::{
    Connector, LAST_POSITION, LONGEST_FILE, MOST_PINS, Pin, PinName, Role, check,
    error::{ConnectorError, ConnectorProblem as Problem, Place},
};

/// Reads a connector from the text of a CSV file with the columns `pin`, `row`, `position`, `net`, `role`
/// and `pair`, in any order; all but `pin` may be left out, and so may any of their fields. The table has
/// no place for the name of the connector, so that is given: the name of the file, say.
///
/// The separator is `,`, `;` or a tab, told by the first line.
///
/// # Errors
/// [`ConnectorError`], which names the line and the pin.
pub fn from_csv(name: &str, text: &str) -> Result<Connector, ConnectorError> {
    let at = |line, pin: Option<&PinName>, problem| ConnectorError {
        place: Place { line, pin: pin.cloned() },
        problem,
    };
    if text.len() > LONGEST_FILE {
        return Err(at(None, None, Problem::FileTooLong { found: text.len() }));
    }
    let mut lines = Lines::new(text.as_bytes());
    let mut fields = Fields::default();
    let mut header: Option<(Separator, Vec<Column>)> = None;
    let mut drawn = Vec::new();
    loop {
        let (line, row) = match lines.next_line() {
            Ok(Some(found)) => found,
            Ok(None) => break,
            Err(error) => return Err(at(Some(lines.number()), None, error.into())),
        };
        let separator =
            header.as_ref().map_or_else(|| Separator::of_header(row), |(separator, _)| *separator);
        fields.split(row, separator).map_err(|error| at(Some(line), None, error.into()))?;
        match &header {
            None => {
                let columns = columns(&fields, row).map_err(|problem| at(Some(line), None, problem))?;
                header = Some((separator, columns));
            }
            Some(_) if fields.are_blank() => {}
            Some((_, columns)) => {
                drawn.push((
                    Some(line),
                    pin(&fields, columns)
                        .map_err(|(name, problem)| at(Some(line), name.as_ref(), problem))?,
                ));
            }
        }
        if drawn.len() > MOST_PINS {
            return Err(at(Some(line), None, Problem::TooManyPins { found: drawn.len() }));
        }
    }
    check::checked(name, drawn)
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Column {
    Pin,
    Row,
    Position,
    Net,
    Role,
    Pair,
}

fn columns(fields: &Fields, line: &str) -> Result<Vec<Column>, Problem> {
    let mut columns = Vec::with_capacity(fields.len());
    for index in 0..fields.len() {
        let found = fields.get(index);
        let column = match found.to_ascii_lowercase().as_str() {
            "pin" => Column::Pin,
            "row" => Column::Row,
            "position" => Column::Position,
            "net" => Column::Net,
            "role" => Column::Role,
            "pair" => Column::Pair,
            _ => return Err(Problem::UnknownColumn { found: found.to_owned() }),
        };
        if columns.contains(&column) {
            return Err(Problem::ColumnTwice { found: found.to_owned() });
        }
        columns.push(column);
    }
    if columns.contains(&Column::Pin) {
        Ok(columns)
    } else {
        Err(Problem::NoPinColumn { found: line.to_owned() })
    }
}

fn pin(fields: &Fields, columns: &[Column]) -> Result<Pin, (Option<PinName>, Problem)> {
    let field = |wanted| {
        let index = columns.iter().position(|&column| column == wanted)?;
        Some(fields.get(index)).filter(|text| !text.is_empty())
    };
    let name = PinName::new(field(Column::Pin).unwrap_or_default());
    let at = |problem| (Some(name.clone()).filter(|name| !name.as_str().is_empty()), problem);
    if fields.len() != columns.len() {
        return Err(at(Problem::FieldCount { expected: columns.len(), found: fields.len() }));
    }
    let position = match field(Column::Position) {
        None => None,
        Some(text) => match text.parse() {
            Ok(position @ 1..=LAST_POSITION) => Some(position),
            _ => return Err(at(Problem::Position { found: text.to_owned() })),
        },
    };
    let role = match field(Column::Role) {
        None => None,
        Some(text) => match Role::from_word(text) {
            Some(role) => Some(role),
            None => return Err(at(Problem::Role { found: text.to_owned() })),
        },
    };
    Ok(Pin {
        row: field(Column::Row).map(str::to_owned),
        position,
        net: field(Column::Net).map(str::to_owned),
        role,
        pair: field(Column::Pair).map(PinName::new),
        note: None,
        name,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_come_in_any_order_and_may_be_left_out() {
        let pin = |name: &str, row: Option<&str>, position| Pin {
            row: row.map(str::to_owned),
            position,
            ..Pin::named(name)
        };
        let check = |text: &str, expected: Vec<Pin>| {
            assert_eq!(
                from_csv("J1", text).unwrap(),
                Connector { name: "J1".to_owned(), pins: expected },
                "{text}"
            );
        };
        check("pin\n1\n2\n", vec![pin("1", None, None), pin("2", None, None)]);
        check("pin,row,position\n1,A,1\n2,,\n", vec![pin("1", Some("A"), Some(1)), pin("2", None, None)]);
        check(
            "\u{feff}Position;Pin\r\n7;A1\r\n\r\n;A2\r\n",
            vec![pin("A1", None, Some(7)), pin("A2", None, None)],
        );
        let (one, two) = (PinName::new("1"), PinName::new("2"));
        check(
            "role,net,pair,pin\nground,GND,,0\n,\"D,P\",2,1\nsignal,,1,2\n",
            vec![
                Pin { role: Some(Role::Ground), net: Some("GND".to_owned()), ..Pin::named("0") },
                Pin { net: Some("D,P".to_owned()), pair: Some(two), ..Pin::named("1") },
                Pin { role: Some(Role::Signal), pair: Some(one), ..Pin::named("2") },
            ],
        );
    }

    #[test]
    fn errors_name_line_and_pin() {
        let check = |text: &str, expected: &str| {
            assert_eq!(from_csv("J1", text).unwrap_err().to_string(), expected, "{text}");
        };
        check(
            "pin\n1\n2\n1\n",
            "line 4, pin 1: expected each pin once, found it again; the first is on line 2",
        );
        check(
            "pin,row,position\n1,A,1\n\n2,A,1\n",
            "line 4, pin 2: expected one pin in each place, found pin 1 in row A at position 1 too",
        );
        check("pin,position\n1,0\n", "line 2, pin 1: expected a position from 1 to 1024, found `0`");
        check("pin,position\n1,first\n", "line 2, pin 1: expected a position from 1 to 1024, found `first`");
        check(
            "pin,role\n1,gnd\n",
            "line 2, pin 1: expected the role ground, power, signal or unconnected, found `gnd`",
        );
        check(
            "pin,pair\n1,2\n2,\n",
            "line 2, pin 1: expected its pair 2 to name it in return, found that 2 names no pair",
        );
        check("pin,pair\n1,9\n", "line 2, pin 1: expected its pair to be a pin of this connector, found `9`");
        check(
            "pin,colour\n",
            "line 1: expected the columns pin, row, position, net, role and pair, found `colour`",
        );
        check("pin,Pin\n", "line 1: expected each column once, found `Pin` again");
        check("row,net\n", "line 1: expected a column `pin` in the first line, found `row,net`");
        check("pin,net\n1\n", "line 2, pin 1: expected 2 fields as in the first line, found 1");
        check("pin,net\n,GND\n", "line 2: pin: expected some text, found none");
        check(
            "pin,net\n1,\"GND\n",
            "line 2: expected the quote at column 3 to be closed at the end of its field",
        );
        check("pin\n", "expected at least one pin, found none");
        check("", "expected at least one pin, found none");
    }
}
