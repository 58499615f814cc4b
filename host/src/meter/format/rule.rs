//! How a nom rule that does not match becomes a [`Problem`] that names the byte; rules that several formats use.

use nom::{
    IResult, Input, Parser,
    error::{ContextError, ErrorKind, ParseError},
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
#[inline]
pub(crate) fn miss<T>(input: &[u8], kind: ErrorKind) -> Matched<'_, T> {
    Err(nom::Err::Error(Miss::from_error_kind(input, kind)))
}

/// Holds a frame, cut out whole, against a rule that must use all of it.
#[inline]
pub(crate) fn content<'a, O>(
    frame: &'a [u8],
    mut rule: impl Parser<&'a [u8], Output = O, Error = Miss>,
) -> Result<O, Problem> {
    match rule.parse(frame) {
        Ok(([], output)) => Ok(output),
        Ok((rest, _)) => {
            Err(problem(frame, &Miss { left: rest.len(), expected: Some("the end of the frame") }))
        }
        Err(nom::Err::Error(miss) | nom::Err::Failure(miss)) => Err(problem(frame, &miss)),
        Err(nom::Err::Incomplete(_)) => Err(problem(frame, &Miss { left: 0, expected: None })),
    }
}

#[cold]
fn problem(frame: &[u8], miss: &Miss) -> Problem {
    let expected = miss.expected.unwrap_or("another value");
    let index = frame.len().saturating_sub(miss.left);
    match frame.get(index) {
        Some(&found) => Problem::Byte { place: index + 1, expected, found },
        None => Problem::Short { expected, length: frame.len() },
    }
}

/// Cuts a frame of fixed length. `check` tells of each byte that has come so far whether it may stand there, so
/// that a frame that cannot be is dropped at its first wrong byte.
#[inline]
pub(crate) fn fixed<const LENGTH: usize>(
    waiting: &[u8],
    check: impl Fn(usize, u8) -> (bool, &'static str),
) -> Cut {
    // A whole good frame, the usual case, is checked without a branch for each byte.
    if let Some(frame) = waiting.first_chunk::<LENGTH>() {
        let is_good = frame.iter().enumerate().fold(true, |good, (index, byte)| good & check(index, *byte).0);
        if is_good {
            return Cut::Frame { skip: 0, length: LENGTH };
        }
    }
    for (index, &found) in waiting.iter().take(LENGTH).enumerate() {
        let (fits, expected) = check(index, found);
        if !fits {
            return Cut::Broken { drop: 1, problem: Problem::Byte { place: index + 1, expected, found } };
        }
    }
    Cut::More
}

/// Any byte.
#[inline]
pub(crate) fn byte(input: &[u8]) -> Matched<'_, u8> {
    match input.split_first() {
        Some((byte, rest)) => Ok((rest, *byte)),
        None => miss(input, ErrorKind::Eof),
    }
}

/// A number of so many ASCII digits.
#[inline]
pub(crate) fn digits<const COUNT: usize>(input: &[u8]) -> Matched<'_, i64> {
    let Some((digits, rest)) = input.split_first_chunk::<COUNT>() else {
        return miss(&input[input.len()..], ErrorKind::Eof);
    };
    match digits.iter().position(|digit| !digit.is_ascii_digit()) {
        None => Ok((rest, digits.iter().fold(0, |sum, digit| sum * 10 + i64::from(digit - b'0')))),
        Some(wrong) => miss(&input[wrong..], ErrorKind::Digit),
    }
}
