//! What the TOML files of a connector, a wiring, a board kind and a configuration have in common.

use serde::{Deserialize, de::DeserializeOwned};

use crate::label;

use super::LONGEST_FILE;

/// Why a text is no TOML file of the kind that was expected.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TomlProblem {
    /// The file is longer than any such file needs to be.
    #[error("expected a file of at most {LONGEST_FILE} bytes, found {found}")]
    TooLong {
        /// Bytes that were found.
        found: usize,
    },
    /// The text is not TOML, or has a key that is unknown, missing, twice there or of another type.
    #[error("{message}")]
    Content {
        /// What the TOML library says, made printable.
        message: String,
    },
}

/// A name that may be written without quotes where it is a number: `name = 4`.
#[derive(Deserialize)]
#[serde(untagged, expecting = "expected a text or a whole number")]
pub(super) enum Text {
    Words(String),
    Number(i64),
}

impl Text {
    pub(super) fn into_string(self) -> String {
        match self {
            Self::Words(words) => words,
            Self::Number(number) => number.to_string(),
        }
    }
}

/// Parses a TOML file into its stored form; the error comes with its line.
pub(crate) fn read<T: DeserializeOwned>(text: &str) -> Result<T, (Option<u64>, TomlProblem)> {
    if text.len() > LONGEST_FILE {
        return Err((None, TomlProblem::TooLong { found: text.len() }));
    }
    toml::from_str(text).map_err(|error| {
        let line = error.span().map(|span| line_of(text, span.start));
        let message = label::printable(&error.message().trim_end().replace('\n', "; "));
        (line, TomlProblem::Content { message })
    })
}

/// Line of a byte, counted from 1.
pub(crate) fn line_of(text: &str, byte: usize) -> u64 {
    let before = text.as_bytes().get(..byte).unwrap_or(text.as_bytes());
    1 + before.iter().filter(|&&byte| byte == b'\n').count() as u64
}
