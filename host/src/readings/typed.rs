//! What a person types for a reading: `.318`, `0.318`, `0,318`, `318mV`, `OL`, `open`.

use crate::{label::Found, units::Volts};

use super::{PinValue, Unread};

/// Volts that a typed reading may have at most, either way. Diode test drives at most some volts (handhelds
/// 2 to 4 V, with a range for LEDs up to about 15 V: common practice), so more is a slip of the pen or a
/// number in millivolts.
pub const MOST_VOLTS: f64 = 20.0;

/// Characters of a typed reading at most.
const LONGEST: usize = 32;

/// Why a typed reading cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TypedError {
    /// A whole number without a unit: volts are as likely as millivolts.
    #[error("expected a unit or a decimal point, found {}", Found(found))]
    NoUnit {
        /// What was typed.
        found: String,
    },
    /// No number and no overload.
    #[error("expected volts such as 0.318 or 318mV, or OL, found {}", Found(found))]
    NotAReading {
        /// What was typed.
        found: String,
    },
    /// More than diode test shows on any meter.
    #[error("expected at most {MOST_VOLTS} V, found {}", Found(found))]
    TooLarge {
        /// What was typed.
        found: String,
    },
}

impl TypedError {
    /// What to do about it.
    #[must_use]
    pub fn hint(&self) -> String {
        match self {
            // Displays of 3 1/2 digits show an overload as a 1 at the left and nothing else (common practice).
            Self::NoUnit { found } if found == "1" => {
                "write OL if the display showed a single 1 at the left, 0.001 or 1mV for a millivolt"
                    .to_owned()
            }
            Self::NoUnit { found } => {
                let volts = number(found).map_or(0.0, |number| number.value) / 1000.0;
                format!("write {volts:.3} or {found}mV if these are millivolts, {found}V if they are volts")
            }
            Self::NotAReading { .. } => {
                "write OL for an overload, and - for a pin that was passed over".to_owned()
            }
            Self::TooLarge { .. } => {
                "readings are volts in diode test; write mV behind millivolts".to_owned()
            }
        }
    }
}

/// Understands a typed reading.
///
/// Volts with a decimal point or comma, with or without `V`; millivolts with `mV`; `OL` in the ways in which
/// meters and people write it; `-` or nothing for a pin that was passed over.
///
/// # Errors
/// [`TypedError`]. A whole number other than 0 has no meaning without a unit and is never guessed.
pub fn parse(text: &str) -> Result<PinValue, TypedError> {
    let text = text.trim();
    // Nearly all readings look like 0.318; the rest of this function is for the others.
    if let Some(volts) = plain(text) {
        return Ok(PinValue::Volts(volts));
    }
    if text.is_empty() || text == "-" || text.eq_ignore_ascii_case("skipped") {
        return Ok(PinValue::Unread(Unread::Skipped));
    }
    if is_overload(text) {
        return Ok(PinValue::Overload);
    }
    let found = || text.to_owned();
    let not_a_reading = || TypedError::NotAReading { found: found() };
    if text.chars().count() > LONGEST {
        return Err(not_a_reading());
    }
    let (digits, unit) = split_unit(text);
    let number = number(digits).ok_or_else(not_a_reading)?;
    let volts = match unit {
        Unit::Millivolts => number.value / 1000.0,
        Unit::Volts => number.value,
        // Zero is zero in any unit.
        Unit::None if !number.has_point && number.value != 0.0 => {
            return Err(TypedError::NoUnit { found: found() });
        }
        Unit::None => number.value,
    };
    match Volts::new(volts) {
        Some(volts) if volts.get().abs() <= MOST_VOLTS => Ok(PinValue::Volts(volts)),
        _ => Err(TypedError::TooLarge { found: found() }),
    }
}

enum Unit {
    None,
    Volts,
    Millivolts,
}

struct Number {
    value: f64,
    /// It has a decimal sign or an exponent, so that it was meant as volts.
    has_point: bool,
}

/// A small number of the form 0.318 or .318.
fn plain(text: &str) -> Option<Volts> {
    let (whole, fraction) = text.split_once('.')?;
    let digits = |part: &str| part.bytes().all(|byte| byte.is_ascii_digit());
    if whole.len() > 1 || !(1..=9).contains(&fraction.len()) || !digits(whole) || !digits(fraction) {
        return None;
    }
    Volts::new(text.parse().ok()?)
}

/// `OL` as displays show it (with a point that wanders with the range, and with a zero for its O), and the
/// words that stand for it in notes.
fn is_overload(text: &str) -> bool {
    const WORDS: [&str; 4] = ["open", "overload", "over", "inf"];
    let text = text.strip_prefix(['+', '-']).unwrap_or(text);
    if WORDS.iter().any(|word| text.eq_ignore_ascii_case(word)) {
        return true;
    }
    let mut letters = text.chars().filter(|c| !matches!(c, '.' | ' '));
    text.len() <= 6
        && matches!(letters.next(), Some('O' | 'o' | '0'))
        && matches!(letters.next(), Some('L' | 'l'))
        && letters.next().is_none()
}

fn split_unit(text: &str) -> (&str, Unit) {
    if let Some(digits) = text.strip_suffix("mV").or_else(|| text.strip_suffix("mv")) {
        (digits.trim_end(), Unit::Millivolts)
    } else if let Some(digits) = text.strip_suffix(['V', 'v']) {
        (digits.trim_end(), Unit::Volts)
    } else {
        (text, Unit::None)
    }
}

/// A decimal number with at most one decimal sign, point or comma.
fn number(text: &str) -> Option<Number> {
    // The minus sign of word processors.
    let text = text.replace('\u{2212}', "-").replacen(',', ".", 1);
    let unsigned = text.strip_prefix(['+', '-']).unwrap_or(&text);
    // Only these characters: Rust would also read "inf", "nan" and "infinity".
    if !unsigned.starts_with(|c: char| c.is_ascii_digit() || c == '.')
        || !unsigned
            .bytes()
            .all(|byte| byte.is_ascii_digit() || matches!(byte, b'.' | b'e' | b'E' | b'+' | b'-'))
    {
        return None;
    }
    let value: f64 = text.parse().ok()?;
    let has_point = unsigned.contains(['.', 'e', 'E']);
    value.is_finite().then_some(Number { value, has_point })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn understands_what_people_type() {
        let check = |text: &str, expected: f64| {
            assert_eq!(parse(text), Ok(PinValue::Volts(Volts::of(expected))), "{text}");
        };
        for text in [
            "0.319", ".319", "0,319", ",319", "319mV", "319 mV", "319mv", "319,0mV", "+0.319", "0.319V",
            "0.319 V", "00.319", "3.19E-1", "319e-3",
        ] {
            check(text, 0.319);
        }
        check("-0.004", -0.004);
        check("\u{2212}0.004", -0.004);
        check("0", 0.0);
        check("0 V", 0.0);
        check("2V", 2.0);
        check("1.", 1.0);
        check("20.000", 20.0);
        check("0.3193", 0.3193);
    }

    #[test]
    fn understands_overload_however_written() {
        for text in
            ["OL", "O.L", ".OL", "OL.", "0L", "0.L", "ol", "O L", "-OL", "open", "Open", "overload", "inf"]
        {
            assert_eq!(parse(text), Ok(PinValue::Overload), "{text}");
        }
    }

    #[test]
    fn a_dash_or_nothing_is_a_pin_passed_over() {
        for text in ["", " ", "-", "skipped"] {
            assert_eq!(parse(text), Ok(PinValue::Unread(Unread::Skipped)), "{text:?}");
        }
    }

    #[test]
    fn asks_for_the_unit_of_a_whole_number() {
        for text in ["319", "1", "-4", "00319"] {
            let error = parse(text).unwrap_err();
            assert_eq!(error, TypedError::NoUnit { found: text.to_owned() });
        }
        let hint = |text| parse(text).unwrap_err().hint();
        assert_eq!(hint("18"), "write 0.018 or 18mV if these are millivolts, 18V if they are volts");
        assert_eq!(hint("-4"), "write -0.004 or -4mV if these are millivolts, -4V if they are volts");
        assert!(hint("1").contains("OL"));
    }

    #[test]
    fn nothing_else_is_a_reading() {
        for text in [
            "nan", "NaN", "infinity", "1.2.3", "1,234.5", "0.3 18", "e", ".", "V", "mV", "--1.0", "0x1.0",
            "319uV", "0LL", "O", "L", "0.319A", "1e999x", "１.５",
        ] {
            assert_eq!(parse(text), Err(TypedError::NotAReading { found: text.to_owned() }));
        }
        let long = "0".repeat(40) + ".1";
        assert_eq!(parse(&long), Err(TypedError::NotAReading { found: long }));
    }

    #[test]
    fn more_than_a_meter_can_show_is_a_slip() {
        for text in ["319.0", "319V", "20.001", "-21.0", "1e300", "99999999 mV"] {
            assert_eq!(parse(text), Err(TypedError::TooLarge { found: text.to_owned() }));
        }
        assert_eq!(parse("1e999"), Err(TypedError::NotAReading { found: "1e999".to_owned() }));
    }
}
