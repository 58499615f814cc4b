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
    display_text::{Quantity, shown, unit},
    lines::text,
    scpi::{OVERLOAD_FROM, classify},
};
use crate::meter::{Flags, Function, NoValue, Problem, Reading, Sign};

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
}

impl Line {
    pub(crate) const fn new(lines: Lines, format: LineFormat) -> Self {
        Self { lines, format }
    }
}

impl Wire for Line {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.lines.cut(waiting)
    }

    fn read(&mut self, frame: &[u8]) -> Result<Content, Problem> {
        let line = text(frame);
        let Ok(words) = std::str::from_utf8(line) else {
            return Err(Problem::text("text", line));
        };
        let column = |number: usize, expected| {
            let found = match self.format.separator {
                Some(separator) => words.split(separator).nth(number - 1),
                None => words.split_ascii_whitespace().nth(number - 1),
            };
            found.map(str::trim).ok_or_else(|| Problem::text(expected, line))
        };
        let text = column(self.format.value_column, "the column of the value")?;
        let (quantity, power) = match (&self.format.unit, self.format.unit_column) {
            (Some(text), _) => volts(text).map(|power| (Quantity::Voltage, power)),
            (None, Some(number)) => unit(column(number, "the column of the unit")?.as_bytes()),
            (None, None) => None,
        }
        .ok_or_else(|| Problem::text("a unit such as mV", line))?;
        let value = self.value(text, power).ok_or_else(|| Problem::text("a number or an overload", line))?;
        let is_diode = match (&self.format.diode_word, self.format.function_column) {
            (Some(word), Some(number)) => Some(column(number, "the column of the function")? == word),
            _ => None,
        };
        let function = match (is_diode, quantity) {
            (Some(true), Quantity::Voltage) => Some(Function::Diode),
            (Some(true), _) => return Err(Problem::text("volts in diode test", line)),
            (Some(false), _) => Some(Function::Other),
            // Volts, or diode test.
            (None, Quantity::Voltage) => None,
            (None, Quantity::Resistance) => Some(Function::Resistance),
            (None, _) => Some(Function::Other),
        };
        Ok(Content::Reading(Reading { value, function, flags: Flags::default() }))
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.lines.reset();
    }
}

impl Line {
    fn value(&self, text: &str, power: i8) -> Option<Result<crate::meter::Number, NoValue>> {
        let is_overload = |word: &str| self.format.overload.iter().any(|known| known.trim() == word);
        // The word itself may begin with a minus, as in `----`.
        if is_overload(text) {
            return Some(Err(NoValue::Overload(Sign::Plus)));
        }
        if text.strip_prefix('-').is_some_and(|rest| is_overload(rest.trim_start())) {
            return Some(Err(NoValue::Overload(Sign::Minus)));
        }
        let digits = if self.format.decimal_comma { text.replace(',', ".") } else { text.to_owned() };
        // Text meters may print an exponent; the display forms do not.
        match super::decimal::decimal(digits.as_bytes()) {
            Ok(([], number)) => {
                let value = classify(number, OVERLOAD_FROM, digits.as_bytes()).ok()?;
                value.map_or_else(|reason| Some(Err(reason)), |_| number.scaled(power).map(Ok))
            }
            _ => shown(digits.as_bytes(), power),
        }
    }
}

fn volts(text: &str) -> Option<i8> {
    match unit(text.as_bytes()) {
        Some((Quantity::Voltage, power)) => Some(power),
        _ => None,
    }
}
