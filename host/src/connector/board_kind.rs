//! The connectors of one kind of board, and the order in which to check them.

use serde::Deserialize;
use toml::Spanned;

use crate::label::{self, Found, LabelProblem};

use super::{
    Connector, ConnectorError, ConnectorProblem, Place, TomlProblem, from_file, is_table,
    toml_file::{line_of, read},
};

/// Connectors that a board kind lists at most: a bound for files that are none.
pub const MOST_CONNECTORS: usize = 256;

/// A kind of board: which connectors it has, and which stand close enough together that solder and flux of
/// one repair reach the next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BoardKind {
    /// What this kind of board is called.
    pub name: String,
    /// Its connectors, in the order in which to check them when none of them was repaired.
    pub connectors: Vec<KindConnector>,
}

/// One connector of a board kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KindConnector {
    /// What the board's drawing calls it.
    pub name: String,
    /// Its connector file, from the folder of the board kind's file on.
    pub file: String,
    /// The wiring of its jig, from the same folder on; pin by pin where `None`.
    pub wiring: Option<String>,
    /// Connectors beside it, as indices into [`BoardKind::connectors`].
    pub neighbours: Vec<usize>,
}

/// Why a board kind cannot be used: where, what was expected and what was found.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{place}{problem}")]
pub struct BoardKindError {
    /// Where it is; never a pin.
    pub place: Place,
    /// What it is.
    pub problem: BoardKindProblem,
}

/// What is wrong with a board kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
#[allow(missing_docs, reason = "the messages say what each field holds")]
pub enum BoardKindProblem {
    #[error("{field}: {problem}")]
    Label { field: &'static str, problem: LabelProblem },
    #[error("expected at least one connector, found none")]
    NoConnectors,
    #[error("expected at most {MOST_CONNECTORS} connectors, found {found}")]
    TooManyConnectors { found: usize },
    #[error("expected each connector once, found {name} again; the first is on line {first}")]
    ConnectorTwice { name: String, first: u64 },
    #[error("expected another connector of this board as a neighbour of {name}, found {}", Found(found))]
    Neighbour { name: String, found: String },
    #[error("expected a file in or below the folder of this one, found {}", Found(found))]
    Outside { found: String },
    #[error(transparent)]
    Toml(#[from] TomlProblem),
}

impl BoardKind {
    /// Reads a board kind from the text of a TOML file: `name`, and one `[[connector]]` table each with
    /// `name`, `file` and optionally `wiring` and `neighbours`.
    ///
    /// # Errors
    /// [`BoardKindError`], which names the line.
    pub fn from_toml(text: &str) -> Result<Self, BoardKindError> {
        let at = |byte: Option<usize>, problem| BoardKindError {
            place: Place { line: byte.map(|byte| line_of(text, byte)), pin: None },
            problem,
        };
        let file: File = read(text).map_err(|(line, problem)| BoardKindError {
            place: Place { line, pin: None },
            problem: problem.into(),
        })?;
        let named = |field, found: &Spanned<String>| match label::name(found.get_ref()) {
            Ok(name) => Ok(name.to_owned()),
            Err(problem) => Err(at(Some(found.span().start), BoardKindProblem::Label { field, problem })),
        };
        let path = |field, found: &Spanned<String>| {
            let path = named(field, found)?;
            if stays_below(&path) {
                Ok(path)
            } else {
                Err(at(Some(found.span().start), BoardKindProblem::Outside { found: path }))
            }
        };
        let name = named("name", &file.name)?;
        match file.connector.len() {
            0 => return Err(at(None, BoardKindProblem::NoConnectors)),
            found if found > MOST_CONNECTORS => {
                return Err(at(None, BoardKindProblem::TooManyConnectors { found }));
            }
            _ => {}
        }
        let names = file
            .connector
            .iter()
            .map(|table| named("connector", &table.name))
            .collect::<Result<Vec<_>, _>>()?;
        let mut connectors = Vec::with_capacity(names.len());
        for (index, table) in file.connector.iter().enumerate() {
            let name = names[index].clone();
            if let Some(first) = names[..index].iter().position(|other| *other == name) {
                let first = line_of(text, file.connector[first].name.span().start);
                return Err(at(
                    Some(table.name.span().start),
                    BoardKindProblem::ConnectorTwice { name, first },
                ));
            }
            let neighbours = table
                .neighbours
                .iter()
                .map(|found| {
                    let other = names.iter().position(|other| other == found.get_ref().trim());
                    other.filter(|&other| other != index).ok_or_else(|| {
                        let found_name = found.get_ref().clone();
                        let problem = BoardKindProblem::Neighbour { name: name.clone(), found: found_name };
                        at(Some(found.span().start), problem)
                    })
                })
                .collect::<Result<_, _>>()?;
            connectors.push(KindConnector {
                file: path("file", &table.file)?,
                wiring: table.wiring.as_ref().map(|wiring| path("wiring", wiring)).transpose()?,
                neighbours,
                name,
            });
        }
        Ok(Self { name, connectors })
    }

    /// Index of the connector with this name.
    #[must_use]
    pub fn index_of(&self, name: &str) -> Option<usize> {
        self.connectors.iter().position(|connector| connector.name == name)
    }

    /// The order in which to check the connectors after one was repaired: that one, its neighbours (where
    /// its solder, flux and debris may have gone), then the others as they are listed. Each comes once.
    ///
    /// Neighbours are mutual: it is enough that one of two names the other.
    #[must_use]
    pub fn order(&self, repaired: usize) -> Vec<usize> {
        let mut order = Vec::with_capacity(self.connectors.len());
        let mut visit = |index: usize| {
            if index < self.connectors.len() && !order.contains(&index) {
                order.push(index);
            }
        };
        visit(repaired);
        for &neighbour in self.connectors.get(repaired).iter().flat_map(|connector| &connector.neighbours) {
            visit(neighbour);
        }
        for (index, connector) in self.connectors.iter().enumerate() {
            if connector.neighbours.contains(&repaired) {
                visit(index);
            }
        }
        (0..self.connectors.len()).for_each(visit);
        order
    }
}

impl KindConnector {
    /// Reads the connector from the text of its file. A table of pins has no name for it, so it takes the one
    /// in the board kind.
    ///
    /// # Errors
    /// [`ConnectorError`], also if the file is that of another connector.
    pub fn connector(&self, text: &str) -> Result<Connector, ConnectorError> {
        let mut connector = from_file(&self.file, text)?;
        if is_table(&self.file) {
            connector.name.clone_from(&self.name);
        } else if connector.name != self.name {
            let (expected, found) = (self.name.clone(), connector.name);
            return Err(ConnectorError {
                place: Place::default(),
                problem: ConnectorProblem::OtherConnector { expected, found },
            });
        }
        Ok(connector)
    }
}

impl BoardKindError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> Option<&'static str> {
        match &self.problem {
            BoardKindProblem::Outside { .. } => Some(
                "keep the connector and wiring files beside the board kind, and name them without a leading / or ..",
            ),
            BoardKindProblem::NoConnectors => {
                Some("add a [[connector]] table with `name` and `file` for each")
            }
            BoardKindProblem::Neighbour { .. } => {
                Some("neighbours are named as in the `name` of their own [[connector]] table")
            }
            _ => None,
        }
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: Spanned<String>,
    #[serde(default)]
    connector: Vec<ConnectorTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConnectorTable {
    name: Spanned<String>,
    file: Spanned<String>,
    wiring: Option<Spanned<String>>,
    #[serde(default)]
    neighbours: Vec<Spanned<String>>,
}

/// Whether a path leads from a folder to a file in or below it, on any system: a board kind that came by
/// mail must not make Pintally read elsewhere.
fn stays_below(path: &str) -> bool {
    !path.contains(':') && path.split(['/', '\\']).all(|part| !part.is_empty() && part != "..")
}

#[cfg(test)]
mod tests {
    use super::*;

    const KIND: &str = r#"
name = "Larkspur 12 main board"
[[connector]]
name = "J2"
file = "j2.toml"
[[connector]]
name = "J5"
file = "j5-display.toml"
wiring = "jigs/j5.toml"
neighbours = ["J7"]
[[connector]]
name = "J7"
file = "./j7.csv"
[[connector]]
name = "J9"
file = "j9.csv"
neighbours = ["J5", "J2"]
"#;

    #[test]
    fn reads_connectors_in_order() {
        let kind = BoardKind::from_toml(KIND).unwrap();
        assert_eq!(kind.name, "Larkspur 12 main board");
        assert_eq!(kind.index_of("J7"), Some(2));
        assert_eq!(
            kind.connectors[1],
            KindConnector {
                name: "J5".to_owned(),
                file: "j5-display.toml".to_owned(),
                wiring: Some("jigs/j5.toml".to_owned()),
                neighbours: vec![2],
            }
        );
    }

    #[test]
    fn the_repaired_connector_comes_first_and_its_neighbours_next() {
        let kind = BoardKind::from_toml(KIND).unwrap();
        assert_eq!(kind.order(1), [1, 2, 3, 0]);
        assert_eq!(kind.order(2), [2, 1, 0, 3]);
        assert_eq!(kind.order(3), [3, 1, 0, 2]);
        assert_eq!(kind.order(99), [0, 1, 2, 3]);
    }

    #[test]
    fn a_connector_has_the_name_that_the_board_kind_gives_it() {
        let kind = BoardKind::from_toml(KIND).unwrap();
        assert_eq!(kind.connectors[2].connector("pin\n1\n").unwrap().name, "J7");
        let toml =
            |name: &str| kind.connectors[1].connector(&format!("name = \"{name}\"\n[[pin]]\nname = 1"));
        assert_eq!(toml("J5").unwrap().name, "J5");
        assert_eq!(toml("J6").unwrap_err().to_string(), "expected connector J5, found `J6`");
    }

    #[test]
    fn errors_name_the_line() {
        let check = |body: &str, expected: &str| {
            let text = format!("name = \"K\"\n{body}");
            assert_eq!(BoardKind::from_toml(&text).unwrap_err().to_string(), expected, "{body}");
        };
        check("", "expected at least one connector, found none");
        check("[[connector]]\nname = \"J1\"\n", "line 2: missing field `file`");
        check(
            "connector = [\n{ name = \"J1\", file = \"a\" },\n{ name = \"J1\", file = \"b\" }]",
            "line 4: expected each connector once, found J1 again; the first is on line 3",
        );
        let one = |rest: &str| format!("[[connector]]\nname = \"J1\"\n{rest}");
        check(
            &one("file = \"a\"\nneighbours = [\"J1\"]"),
            "line 5: expected another connector of this board as a neighbour of J1, found `J1`",
        );
        check(&one("file = \"\""), "line 4: file: expected some text, found none");
        check(
            &one("file = \"a\"\ncolour = 1"),
            "line 5: unknown field `colour`, expected one of `name`, `file`, `wiring`, `neighbours`",
        );
        for path in ["/etc/x", "../x", "a/../../x", "C:x", r"..\\x", r"\\\\server\\x", "a//b", "file:x"] {
            let found = path.replace(r"\\", r"\");
            check(
                &one(&format!("file = \"{path}\"")),
                &format!("line 4: expected a file in or below the folder of this one, found `{found}`"),
            );
        }
    }
}
