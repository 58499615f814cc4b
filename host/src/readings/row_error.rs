//! Why a row of a table of readings cannot be used.

use crate::{
    connector::PinName,
    delimited::LineError,
    label::{Found, LabelProblem},
};

use super::typed::TypedError;

/// Why a row cannot be used: where, what was expected and what was found.
#[derive(Debug, thiserror::Error)]
#[error("line {line}, column {column}: {problem}")]
pub struct RowError {
    /// Line, counted from 1.
    pub line: u64,
    /// Where on the line, in characters counted from 1.
    pub column: usize,
    /// What is wrong.
    pub problem: RowProblem,
}

/// What is wrong with a row.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
#[allow(missing_docs, reason = "the messages say what each field holds")]
pub enum RowProblem {
    #[error("expected the columns board, pin and reading, found an empty table")]
    Empty,
    #[error("expected the columns board, pin and reading, found {}", Found(found))]
    Columns { found: String },
    #[error("expected {expected} fields as in the first line, found {found}")]
    FieldCount { expected: usize, found: usize },
    #[error("board: {0}")]
    Board(LabelProblem),
    #[error("expected the rows of a board to stand together, found board {board} again")]
    BoardAgain { board: String },
    #[error("expected a pin of connector {connector}, found {}", Found(found))]
    UnknownPin { connector: String, found: String, alike: Option<PinName> },
    #[error(
        "expected each pin of a board once, found pin {pin} of board {board} again; the first is on line {first}"
    )]
    PinTwice { board: String, pin: PinName, first: u64 },
    #[error(transparent)]
    Reading(#[from] TypedError),
    #[error(transparent)]
    Line(#[from] LineError),
}

impl RowError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> Option<String> {
        match &self.problem {
            RowProblem::Empty | RowProblem::Columns { .. } => {
                Some("the first line names the columns: board,pin,reading".to_owned())
            }
            RowProblem::FieldCount { .. } => Some(
                "where readings have a decimal comma, separate the columns with ; instead of ,".to_owned(),
            ),
            RowProblem::BoardAgain { .. } => {
                Some("sort the table by board, or give the second board a name of its own".to_owned())
            }
            RowProblem::UnknownPin { alike: Some(alike), .. } => Some(format!("did you mean pin {alike}?")),
            RowProblem::PinTwice { .. } => {
                Some("measure the pin again, or keep the row that is known to be right".to_owned())
            }
            RowProblem::Reading(error) => Some(error.hint()),
            RowProblem::Line(LineError::NotUtf8) => Some("save the table as CSV in UTF-8".to_owned()),
            _ => None,
        }
    }
}
