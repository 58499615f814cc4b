//! How a nom rule that does not match becomes a [`Problem`] that names the byte.

use nom::{
    Input, Parser,
    error::{ContextError, ErrorKind, ParseError},
};

use crate::meter::Problem;

/// Where a rule did not match, and what it wanted there.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Miss {
    /// Bytes left of the frame.
    left: usize,
    expected: Option<&'static str>,
}

impl<'a> ParseError<&'a [u8]> for Miss {
    fn from_error_kind(input: &'a [u8], _: ErrorKind) -> Self {
        Self { left: input.input_len(), expected: None }
    }

    fn append(_: &'a [u8], _: ErrorKind, other: Self) -> Self {
        other
    }
}

impl<'a> ContextError<&'a [u8]> for Miss {
    /// The innermost rule that has a name gives it.
    fn add_context(_: &'a [u8], context: &'static str, mut other: Self) -> Self {
        other.expected.get_or_insert(context);
        other
    }
}

/// Holds a frame, cut out whole, against a rule that must use all of it.
pub(crate) fn content<'a, O>(
    frame: &'a [u8],
    mut rule: impl Parser<&'a [u8], Output = O, Error = Miss>,
) -> Result<O, Problem> {
    let miss = match rule.parse(frame) {
        Ok(([], output)) => return Ok(output),
        Ok((rest, _)) => Miss { left: rest.len(), expected: Some("the end of the frame") },
        Err(nom::Err::Error(miss) | nom::Err::Failure(miss)) => miss,
        Err(nom::Err::Incomplete(_)) => Miss { left: 0, expected: None },
    };
    let expected = miss.expected.unwrap_or("another value");
    let index = frame.len().saturating_sub(miss.left);
    Err(match frame.get(index) {
        Some(&found) => Problem::Byte { place: index + 1, expected, found },
        None => Problem::Short { expected, length: frame.len() },
    })
}
