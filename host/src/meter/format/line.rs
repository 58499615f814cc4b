//! Lines of text that the user describes, for any meter that sends such.
//!
//! ```text
//! DIODE ; 0,543 ; V  CR LF        separator ";", value in column 2, unit in column 3, decimal comma
//! ```
//!
//! The description is the table `[line]` of a profile.

use serde::{Deserialize, Serialize};

use super::{
    Content, Cut, Lines, Wire,
    decimal::scientific,
    display_text::{Quantity, shown, unit},
    lines::text,
    scpi::{OVERLOAD_FROM, no_value},
};
use crate::meter::{Flags, Function, NoValue, Number, Problem, Reading, Sign};

/// How a line of a user's meter is read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LineFormat {
    /// What stands between columns; left out, it is any run of blanks and tabs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub separator: Option<char>,
    /// Column of the value, from 1.
    pub value_column: usize,
    /// Unit of the values, where it is not in the line: `V`, `mV` or `uV`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Column of the unit, where it is in the line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_column: Option<usize>,
    /// Column that tells the function, where one does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub function_column: Option<usize>,
    /// What stands there in diode test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub diode_word: Option<String>,
    /// What stands in the value's column for an overload. `OL` with a point anywhere is known without.
    #[serde(default)]
    pub overload: Vec<String>,
    /// Whether the decimals are behind a comma.
    #[serde(default)]
    pub decimal_comma: bool,
}

impl LineFormat {
    /// Name of the field that does not fit, what was expected there and what was found.
    pub(crate) fn check(&self) -> Result<(), (&'static str, &'static str, String)> {
        const COLUMNS: &str = "a column from 1 to 64";
        let columns = [
            ("line.value_column", Some(self.value_column)),
            ("line.unit_column", self.unit_column),
            ("line.function_column", self.function_column),
        ];
        for (field, column) in columns {
            if let Some(column) = column.filter(|column| !(1..=64).contains(column)) {
                return Err((field, COLUMNS, column.to_string()));
            }
        }
        for (field, column) in
            [("line.unit_column", self.unit_column), ("line.function_column", self.function_column)]
        {
            if column == Some(self.value_column) {
                return Err((field, "another column than line.value_column", self.value_column.to_string()));
            }
        }
        match (&self.unit, self.unit_column) {
            (Some(text), None) if volts(text).is_some() => {}
            (Some(text), None) => return Err(("line.unit", "V, mV or uV", format!("{text:?}"))),
            (None, Some(_)) => {}
            (Some(_), Some(_)) => {
                let expected = "either line.unit or line.unit_column";
                return Err(("line.unit", expected, "both".to_owned()));
            }
            (None, None) => {
                let expected = "either line.unit or line.unit_column";
                return Err(("line.unit", expected, "neither".to_owned()));
            }
        }
        if self.function_column.is_some() != self.diode_word.is_some() {
            let found = "only one of them".to_owned();
            return Err(("line.diode_word", "a word together with line.function_column", found));
        }
        if self.overload.iter().any(|word| word.trim().is_empty()) {
            return Err(("line.overload", "words", "an empty one".to_owned()));
        }
        match self.separator {
            Some('.' | '+' | '-' | '0'..='9' | '\r' | '\n') => {
                let found = format!("{:?}", self.separator.unwrap_or_default());
                Err(("line.separator", "a character that is in no number and ends no line", found))
            }
            Some(separator) if !separator.is_ascii() => {
                Err(("line.separator", "a character of ASCII", format!("{separator:?}")))
            }
            Some(',') if self.decimal_comma => {
                let expected = "another separator than the decimal comma";
                Err(("line.separator", expected, "\",\"".to_owned()))
            }
            _ => Ok(()),
        }
    }
}

/// The decoder of the format.
#[derive(Debug)]
pub(crate) struct Line {
    lines: Lines,
    format: LineFormat,
    /// Power of ten of the unit that is the same for all lines.
    volts: Option<i8>,
    /// What the columns hold, up to the last one that is looked at.
    columns: Vec<Column>,
    overload: Vec<Vec<u8>>,
}

/// What a column holds.
#[derive(Debug, Clone, Copy)]
enum Column {
    Value,
    Unit,
    Function,
    Other,
}

impl Line {
    pub(crate) fn new(lines: Lines, format: LineFormat) -> Self {
        let known = [
            (Column::Function, format.function_column),
            (Column::Unit, format.unit_column),
            (Column::Value, Some(format.value_column)),
        ];
        let last = known.iter().filter_map(|(_, place)| *place).max().unwrap_or(0);
        let mut columns = vec![Column::Other; last];
        for (column, place) in known {
            // Columns are counted from 1.
            if let Some(slot) = place.and_then(|place| columns.get_mut(place.checked_sub(1)?)) {
                *slot = column;
            }
        }
        let overload = format.overload.iter().map(|word| word.trim().as_bytes().to_vec()).collect();
        Self { lines, volts: format.unit.as_deref().and_then(volts), columns, overload, format }
    }
}

impl Wire for Line {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.lines.cut(waiting)
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let line = text(frame);
        // Plain ASCII, the usual case, in one pass without a branch for each byte.
        let bounds = |(low, high): (u8, u8), byte: &u8| (low.min(*byte), high.max(*byte));
        let (low, high) = line.iter().fold((u8::MAX, 0), bounds);
        if (low < b' ' || high > b'~') && !is_text(line) {
            return Err(Problem::text("text", line));
        }
        let found = match self.format.separator.and_then(|separator| u8::try_from(separator).ok()) {
            Some(separator) => self.pick(Separated { rest: Some(line), separator }),
            None => self.pick(line.split(u8::is_ascii_whitespace).filter(|word| !word.is_empty())),
        };
        let value = found.value.ok_or_else(|| Problem::text("the column of the value", line))?;
        let (quantity, power) = match self.volts {
            Some(power) => Some((Quantity::Voltage, power)),
            None => unit(found.unit.ok_or_else(|| Problem::text("the column of the unit", line))?),
        }
        .ok_or_else(|| Problem::text("a unit such as mV", line))?;
        self.value(value, power, &mut into.value)
            .ok_or_else(|| Problem::text("a number or an overload", line))?;
        let function = match (&self.format.diode_word, quantity) {
            (Some(word), _) => {
                let shown =
                    found.function.ok_or_else(|| Problem::text("the column of the function", line))?;
                match (shown == word.as_bytes(), quantity) {
                    (true, Quantity::Voltage) => Some(Function::Diode),
                    (true, _) => return Err(Problem::text("volts in diode test", line)),
                    (false, _) => Some(Function::Other),
                }
            }
            // Volts, or diode test.
            (None, Quantity::Voltage) => None,
            (None, Quantity::Resistance) => Some(Function::Resistance),
            (None, _) => Some(Function::Other),
        };
        into.function = function;
        into.flags = Flags::default();
        Ok(Content::Reading)
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.lines.reset();
    }
}

/// Text that is more than plain ASCII, such as a degree sign in UTF-8, but no control characters.
fn is_text(line: &[u8]) -> bool {
    std::str::from_utf8(line).is_ok() && line.iter().all(|byte| *byte == b'\t' || !byte.is_ascii_control())
}

/// What stands between separators.
struct Separated<'a> {
    rest: Option<&'a [u8]>,
    separator: u8,
}

impl<'a> Iterator for Separated<'a> {
    type Item = &'a [u8];

    #[inline]
    fn next(&mut self) -> Option<&'a [u8]> {
        let rest = self.rest?;
        // Columns are a few characters long: looking for the separator costs less than preparing a fast search.
        let mut end = 0;
        while end < rest.len() && rest[end] != self.separator {
            end += 1;
        }
        self.rest = rest.get(end + 1..);
        Some(&rest[..end])
    }
}

/// The columns of a line that mean something.
#[derive(Debug, Default)]
struct Found<'a> {
    value: Option<&'a [u8]>,
    unit: Option<&'a [u8]>,
    function: Option<&'a [u8]>,
}

impl Line {
    fn pick<'a>(&self, words: impl Iterator<Item = &'a [u8]>) -> Found<'a> {
        let mut found = Found::default();
        for (column, word) in self.columns.iter().zip(words) {
            match column {
                Column::Value => found.value = Some(word.trim_ascii()),
                Column::Unit => found.unit = Some(word.trim_ascii()),
                Column::Function => found.function = Some(word.trim_ascii()),
                Column::Other => {}
            }
        }
        found
    }

    /// Reads the column of the value, in units of 10^`power`; `None` if it is neither a number nor an overload.
    #[inline]
    fn value(&self, text: &[u8], power: i8, into: &mut Result<Number, NoValue>) -> Option<()> {
        let point = if self.format.decimal_comma { b',' } else { b'.' };
        // Before numbers, since a word such as `9999` may be one; and it may begin with a minus, as `----` does.
        let is_overload = |word: &[u8]| self.overload.iter().any(|known| known == word);
        if is_overload(text) {
            *into = Err(NoValue::Overload(Sign::Plus));
        } else if text.strip_prefix(b"-").is_some_and(|rest| is_overload(rest.trim_ascii_start())) {
            *into = Err(NoValue::Overload(Sign::Minus));
        } else if let Ok(([], number)) = scientific(text, point) {
            // Text meters may print an exponent; the display forms do not.
            match no_value(number, OVERLOAD_FROM) {
                Some(reason) => *into = Err(reason),
                None => *into = Ok(number.scaled(power)?),
            }
        } else {
            *into = shown(text, point, power)?;
        }
        Some(())
    }
}

fn volts(text: &str) -> Option<i8> {
    match unit(text.as_bytes()) {
        Some((Quantity::Voltage, power)) => Some(power),
        _ => None,
    }
}
