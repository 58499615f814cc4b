//! Answers of the R&S/HAMEG HM8012 to the question `S?`.
//!
//! ```text
//! 0.5432 V CR            number, blank, unit
//! ```
//!
//! Read in the HM8012 manual, pp. 31-33. Not in what was read: what an overload looks like; anything that is no
//! number or OL is an error here and never a value. The answer does not tell diode test from volts.

use nom::{
    Parser, bytes::complete::take_while1, character::complete::space1, combinator::map_opt, error::context,
};

use super::{
    Content, Cut, Lines, Wire,
    display_text::{Quantity, shown, unit},
    lines::text,
    rule::{Matched, content},
};
use crate::meter::{Flags, Function, Problem, Reading};

/// The decoder of the format.
#[derive(Debug)]
pub(crate) struct Hm8012(pub(crate) Lines);

impl Wire for Hm8012 {
    fn cut(&mut self, waiting: &[u8]) -> Cut {
        self.0.cut(waiting)
    }

    fn read(&mut self, frame: &[u8], into: &mut Reading) -> Result<Content, Problem> {
        let line = text(frame);
        let (number, (quantity, power)) = content(line, rule)?;
        let value =
            shown(number, b'.', power).ok_or_else(|| Problem::text("a number such as 0.5432", number))?;
        let function = match quantity {
            // Volts, AC or DC, or diode test.
            Quantity::Voltage => None,
            Quantity::Resistance => Some(Function::Resistance),
            _ => Some(Function::Other),
        };
        *into = Reading { value, function, flags: Flags::default() };
        Ok(Content::Reading)
    }

    fn give_up(&self, frame_length: usize) -> usize {
        frame_length
    }

    fn reset(&mut self) {
        self.0.reset();
    }
}

#[inline]
fn rule(input: &[u8]) -> Matched<'_, (&[u8], (Quantity, i8))> {
    let word = || take_while1(|byte: u8| byte != b' ');
    let unit = map_opt(word(), unit);
    let (rest, (number, _, unit)) =
        (context("a number", word()), context("a blank", space1), context("a unit", unit)).parse(input)?;
    Ok((rest, (number, unit)))
}
