//! How a nom rule that does not match becomes a [`Problem`] that names the byte; rules that several formats use.

use nom::{
    IResult, Input, Parser,
    combinator::{map, verify},
    error::{ContextError, ErrorKind, ParseError},
    multi::fold_many_m_n,
    number::complete::u8,
};

use super::Cut;
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

/// What a rule finds at the front of the input, with the rest.
pub(crate) type Matched<'a, T> = IResult<&'a [u8], T, Miss>;

/// Says that a rule does not match at this place.
pub(crate) fn miss<T>(input: &[u8], kind: ErrorKind) -> Matched<'_, T> {
    Err(nom::Err::Error(Miss::from_error_kind(input, kind)))
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

/// Cuts a frame of fixed length. `check` tells of each byte that has come so far whether it may stand there, so
/// that a frame that cannot be is dropped at its first wrong byte.
pub(crate) fn fixed(waiting: &[u8], length: usize, check: impl Fn(usize, u8) -> (bool, &'static str)) -> Cut {
    for (index, &found) in waiting.iter().take(length).enumerate() {
        let (fits, expected) = check(index, found);
        if !fits {
            return Cut::Broken { drop: 1, problem: Problem::Byte { place: index + 1, expected, found } };
        }
    }
    if waiting.len() < length { Cut::More } else { Cut::Frame(length) }
}

/// A number of so many ASCII digits.
pub(crate) fn digits(count: usize) -> impl Fn(&[u8]) -> Matched<'_, i64> {
    move |input| {
        let digit = map(verify(u8, u8::is_ascii_digit), |byte| i64::from(byte - b'0'));
        fold_many_m_n(count, count, digit, || 0i64, |sum, digit| sum * 10 + digit).parse(input)
    }
}
