//! Why a connector cannot be used.

use std::fmt;

use crate::{
    delimited::LineError,
    label::{self, Found, LabelProblem},
};

use super::{LAST_POSITION, LONGEST_FILE, MOST_PINS, PinName, TomlProblem};

/// Where in a file something is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Place {
    /// Line, counted from 1; `None` where the trouble belongs to no line, or the data came from no file.
    pub line: Option<u64>,
    /// The pin that it is about.
    pub pin: Option<PinName>,
}

/// Why a connector cannot be used: where, what was expected and what was found.
#[derive(Debug, thiserror::Error)]
#[error("{place}{problem}")]
pub struct ConnectorError {
    /// Where it is.
    pub place: Place,
    /// What it is.
    pub problem: ConnectorProblem,
}

/// What is wrong with a connector.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
#[allow(missing_docs, reason = "the messages say what each field holds")]
pub enum ConnectorProblem {
    #[error("expected connector {expected}, found {}", Found(found))]
    OtherConnector { expected: String, found: String },
    #[error("expected at least one pin, found none")]
    NoPins,
    #[error("expected at most {MOST_PINS} pins, found {found}")]
    TooManyPins { found: usize },
    #[error("expected a file of at most {LONGEST_FILE} bytes, found {found}")]
    FileTooLong { found: usize },
    #[error("expected each pin once, found it again{}", first.map(|line| format!("; the first is on line {line}")).unwrap_or_default())]
    PinTwice { first: Option<u64> },
    #[error("expected one pin in each place, found pin {by} in row {row} at position {position} too")]
    PlaceTaken { row: Row, position: u16, by: PinName },
    #[error("expected a position from 1 to {LAST_POSITION}, found {}", Found(found))]
    Position { found: String },
    #[error("expected the role ground, power, signal or unconnected, found {}", Found(found))]
    Role { found: String },
    #[error("expected its pair to be a pin of this connector, found {}", Found(found.as_str()))]
    PairUnknown { found: PinName },
    #[error("expected its pair to be another pin, found itself")]
    PairSelf,
    #[error("expected its pair {other} to name it in return, found that {other} names {}", found.as_ref().map_or("no pair", PinName::as_str))]
    PairNotMutual { other: PinName, found: Option<PinName> },
    #[error("{field}: {problem}")]
    Label { field: &'static str, problem: LabelProblem },
    #[error(transparent)]
    Toml(#[from] TomlProblem),
    #[error("expected a column `pin` in the first line, found {}", Found(found))]
    NoPinColumn { found: String },
    #[error("expected the columns pin, row, position, net, role and pair, found {}", Found(found))]
    UnknownColumn { found: String },
    #[error("expected each column once, found {} again", Found(found))]
    ColumnTwice { found: String },
    #[error("expected {expected} fields as in the first line, found {found}")]
    FieldCount { expected: usize, found: usize },
    #[error(transparent)]
    Line(#[from] LineError),
}

/// A row, for messages: drawings without rows have one that has no name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Row(pub Option<String>);

impl ConnectorError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> Option<&'static str> {
        use ConnectorProblem as P;
        match &self.problem {
            P::PinTwice { .. } => {
                Some("give each pin a name of its own; two pins on one net get the same `net`")
            }
            P::PlaceTaken { .. } => Some("count positions from 1 in each row"),
            P::Role { .. } => {
                Some("leave the role out where it is not known: it is learned from known-good boards")
            }
            P::PairUnknown { .. } | P::PairSelf | P::PairNotMutual { .. } => {
                Some("a pair is two pins that each name the other; leave `pair` out where there is none")
            }
            P::NoPins | P::NoPinColumn { .. } => {
                Some("a connector is a TOML file with [[pin]] tables or a CSV with a column `pin`")
            }
            _ => None,
        }
    }
}

impl fmt::Display for Place {
    /// `line 7, pin A3: `, or as much of it as is known.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        // The pin may come from a file whose names were not checked yet.
        let pin = self.pin.as_ref().map(|pin| label::shown(pin.as_str())).filter(|pin| !pin.is_empty());
        match (self.line, pin) {
            (Some(line), Some(pin)) => write!(f, "line {line}, pin {pin}: "),
            (Some(line), None) => write!(f, "line {line}: "),
            (None, Some(pin)) => write!(f, "pin {pin}: "),
            (None, None) => Ok(()),
        }
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.0.as_deref().unwrap_or("(no name)"))
    }
}
