//! A connector as a TOML file.

use serde::Deserialize;
use toml::Spanned;

use super::{
    Connector, LAST_POSITION, MOST_PINS, Pin, PinName, Role, check,
    error::{ConnectorError, ConnectorProblem as Problem, Place},
    toml_file::{Text, line_of, read},
};

/// Reads a connector from the text of a TOML file: `name`, and one `[[pin]]` table a pin, or the same as
/// `pin = [ { name = "A1", ... }, ... ]`.
///
/// # Errors
/// [`ConnectorError`], which names the line and the pin.
pub fn from_toml(text: &str) -> Result<Connector, ConnectorError> {
    let file: File = read(text).map_err(|(line, problem)| ConnectorError {
        place: Place { line, pin: None },
        problem: problem.into(),
    })?;
    // Before the lines are looked up, which would take long for a file with very many tables.
    if file.pin.len() > MOST_PINS {
        let problem = Problem::TooManyPins { found: file.pin.len() };
        return Err(ConnectorError { place: Place::default(), problem });
    }
    let drawn = file.pin.into_iter().map(|drawn| pin(text, drawn)).collect::<Result<_, _>>()?;
    check::checked(&file.name, drawn)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: String,
    #[serde(default)]
    pin: Vec<PinTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PinTable {
    name: Spanned<Text>,
    row: Option<Text>,
    position: Option<Spanned<i64>>,
    net: Option<String>,
    role: Option<Spanned<String>>,
    pair: Option<Text>,
    note: Option<String>,
}

fn pin(text: &str, table: PinTable) -> Result<check::Drawn, ConnectorError> {
    let line = line_of(text, table.name.span().start);
    let name = PinName::new(&table.name.into_inner().into_string());
    let at = |byte: usize, problem| ConnectorError {
        place: Place { line: Some(line_of(text, byte)), pin: Some(name.clone()) },
        problem,
    };
    let position = match table.position {
        None => None,
        Some(position) => match u16::try_from(*position.get_ref()) {
            Ok(found @ 1..=LAST_POSITION) => Some(found),
            _ => {
                let found = position.get_ref().to_string();
                return Err(at(position.span().start, Problem::Position { found }));
            }
        },
    };
    let role = match table.role {
        None => None,
        Some(role) => match Role::from_word(role.get_ref()) {
            Some(found) => Some(found),
            None => {
                let found = role.get_ref().clone();
                return Err(at(role.span().start, Problem::Role { found }));
            }
        },
    };
    let pin = Pin {
        row: table.row.map(|row| row.into_string().trim().to_owned()),
        position,
        net: table.net.map(|net| net.trim().to_owned()),
        role,
        pair: table.pair.map(|pair| PinName::new(&pair.into_string())),
        note: table.note.map(|note| note.trim().to_owned()).filter(|note| !note.is_empty()),
        name,
    };
    Ok((Some(line), pin))
}

#[cfg(test)]
mod tests {
    use super::super::{LONGEST_FILE, TomlProblem};
    use super::*;

    #[test]
    fn reads_tables_and_inline_tables_alike() {
        let tables = r#"
            name = "J1"
            [[pin]]
            name = 1
            row = "A"
            position = 1
            net = " GND "
            role = "Ground"
            [[pin]]
            name = "2"
            pair = 3
            note = "under the shield"
            [[pin]]
            name = "3"
            pair = "2"
            note = ""
        "#;
        let inline = r#"
            name = "J1"
            pin = [
              { name = 1, row = "A", position = 1, net = "GND", role = "ground" },
              { name = 2, pair = 3, note = "under the shield" },
              { name = 3, pair = 2 },
            ]
        "#;
        let connector = from_toml(tables).unwrap();
        assert_eq!(connector, from_toml(inline).unwrap());
        assert_eq!(connector.name, "J1");
        let first = Pin {
            row: Some("A".to_owned()),
            position: Some(1),
            net: Some("GND".to_owned()),
            role: Some(Role::Ground),
            ..Pin::named("1")
        };
        assert_eq!(connector.pins[0], first);
        assert_eq!(connector.pins[1].note.as_deref(), Some("under the shield"));
        assert_eq!(connector.pins[2].note, None);
    }

    #[test]
    fn errors_name_line_and_pin() {
        let check = |pins: &str, expected: &str| {
            let text = format!("name = \"J1\"\npin = [\n{pins}\n]\n");
            assert_eq!(from_toml(&text).unwrap_err().to_string(), expected, "{pins}");
        };
        check(
            "{ name = 1 },\n{ name = 2 },\n{ name = 1 }",
            "line 5, pin 1: expected each pin once, found it again; the first is on line 3",
        );
        check("{ name = 1,\n position = 0 }", "line 4, pin 1: expected a position from 1 to 1024, found `0`");
        check(
            "{ name = 1, position = 70000 }",
            "line 3, pin 1: expected a position from 1 to 1024, found `70000`",
        );
        check(
            "{ name = 1, role = \"gnd\" }",
            "line 3, pin 1: expected the role ground, power, signal or unconnected, found `gnd`",
        );
        check(
            "{ name = 1, color = \"red\" }",
            "line 3: unknown field `color`, expected one of `name`, `row`, `position`, `net`, `role`, `pair`, `note`",
        );
        check("{ row = \"A\" }", "line 3: missing field `name`");
        check("{ name = 1.5 }", "line 3: expected a text or a whole number");
        check("{ name = \" \" }", "line 3: pin: expected some text, found none");
        check("", "expected at least one pin, found none");
        check(
            "{ name = 1, net = \"\\u001B[2J\" }",
            "line 3, pin 1: net: expected printable characters, found U+001B",
        );
        check(
            "{ name = 1, \"\\u0007\" = 2 }",
            "line 3: unknown field `\\u{7}`, expected one of `name`, `row`, `position`, `net`, `role`, `pair`, `note`",
        );
    }

    #[test]
    fn a_file_has_a_name_and_a_limit() {
        assert_eq!(from_toml("[[pin]]\nname = 1").unwrap_err().to_string(), "line 1: missing field `name`");
        let long = "#".repeat(LONGEST_FILE + 1);
        assert!(matches!(from_toml(&long).unwrap_err().problem, Problem::Toml(TomlProblem::TooLong { .. })));
    }
}
