//! Faults as text: on the command line, and in a TOML or JSON file.

use std::{fmt, str::FromStr};

use serde::Deserialize;

use super::{BRIDGE, Fault, Placement, SHORT};
use crate::{
    connector::PinName,
    label,
    units::{Ohms, Volts},
};

/// The words, for messages and help.
const WORDS: &str = "open:PIN, short:PIN, bridge:PIN+PIN, raised:PIN=OHMS, leak:PIN=OHMS, swap:PIN+PIN, missing:PIN, \
                     placement:reversed|shifted|turned, live:PIN=VOLTS or charged:PIN=VOLTS";

/// Largest resistance that a fault may have, in ohms: beyond it nothing is left to see.
const LARGEST_OHMS: f64 = 100e6;

/// Largest voltage of a powered or charged net, in volts: above 60 V DC a jig is the wrong tool (IEC 61010-031
/// scope).
const LARGEST_VOLTS: f64 = 60.0;

/// Why a fault could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum ParseFaultError {
    /// The word before the colon is none of ours.
    #[error("fault `{}` is not known: expected {WORDS}", label::shown(found))]
    Word {
        /// What was written.
        found: String,
    },
    /// The pins are too many or too few.
    #[error("fault `{}` needs {expected}: expected {example}", label::shown(found))]
    Pins {
        /// What was written.
        found: String,
        /// How many pins.
        expected: &'static str,
        /// A fault of this word.
        example: &'static str,
    },
    /// A value is missing, not wanted, or no number in range.
    #[error("fault `{}` needs {expected} after `=`: expected {example}", label::shown(found))]
    Value {
        /// What was written.
        found: String,
        /// What kind of value.
        expected: &'static str,
        /// A fault of this word.
        example: &'static str,
    },
}

/// Faults read from a file.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FaultList {
    /// Each as it would be written on the command line.
    pub faults: Vec<Fault>,
}

/// Why a list of faults could not be read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FaultListError {
    /// The text is not TOML, or not a list of faults.
    #[error("expected `faults = [\"open:A4\", ...]`, found something else: {0}")]
    Toml(#[from] toml::de::Error),
    /// The text is not JSON, or not a list of faults.
    #[error("expected {{\"faults\": [\"open:A4\", ...]}}, found something else: {0}")]
    Json(#[from] serde_json::Error),
}

impl FaultList {
    /// Reads `faults = ["open:A4", "bridge:A4+A5"]`.
    ///
    /// # Errors
    /// [`FaultListError::Toml`] with the place in the text.
    pub fn from_toml(text: &str) -> Result<Self, FaultListError> {
        Ok(toml::from_str(text)?)
    }

    /// Reads `{"faults": ["open:A4", "bridge:A4+A5"]}`.
    ///
    /// # Errors
    /// [`FaultListError::Json`] with the place in the text.
    pub fn from_json(text: &str) -> Result<Self, FaultListError> {
        Ok(serde_json::from_str(text)?)
    }
}

impl FromStr for Fault {
    type Err = ParseFaultError;

    fn from_str(found: &str) -> Result<Self, ParseFaultError> {
        let text = found.trim();
        let unknown = || ParseFaultError::Word { found: text.to_owned() };
        let (word, rest) = text.split_once(':').ok_or_else(unknown)?;
        // From the right, so that the pins may hold anything but the last `=`.
        let (pins, value) =
            rest.rsplit_once('=').map_or((rest, None), |(pins, value)| (pins, Some(value.trim())));
        let given = Given { text, pins, value };
        Ok(match word.trim() {
            "open" => Self::Open(given.plain("open:A4")?),
            "missing" => Self::Missing(given.plain("missing:A4")?),
            "short" => Self::Short(given.pin("short:A4")?, given.ohms_or(SHORT, "short:A4=2")?),
            "raised" => Self::Raised(given.pin("raised:A4=150")?, given.ohms("raised:A4=150")?),
            "leak" => Self::Leak(given.pin("leak:A4=900")?, given.ohms("leak:A4=900")?),
            "bridge" => Self::Bridge(given.two("bridge:A4+A5")?, given.ohms_or(BRIDGE, "bridge:A4+A5=0.5")?),
            "swap" => {
                given.no_value("swap:A4+A6")?;
                Self::Swap(given.two("swap:A4+A6")?)
            }
            "live" => Self::Live(given.pin("live:A4=3.7")?, given.volts("live:A4=3.7")?),
            "charged" => Self::Charged(given.pin("charged:A4=0.4")?, given.volts("charged:A4=0.4")?),
            "placement" => Self::Placement(given.placement()?),
            _ => return Err(unknown()),
        })
    }
}

struct Given<'a> {
    text: &'a str,
    pins: &'a str,
    value: Option<&'a str>,
}

impl Given<'_> {
    fn value_error(&self, expected: &'static str, example: &'static str) -> ParseFaultError {
        ParseFaultError::Value { found: self.text.to_owned(), expected, example }
    }

    fn pin(&self, example: &'static str) -> Result<PinName, ParseFaultError> {
        let name = PinName::new(self.pins);
        if name.as_str().is_empty() || self.pins.contains('+') {
            return Err(ParseFaultError::Pins { found: self.text.to_owned(), expected: "one pin", example });
        }
        Ok(name)
    }

    fn plain(&self, example: &'static str) -> Result<PinName, ParseFaultError> {
        self.no_value(example)?;
        self.pin(example)
    }

    fn no_value(&self, example: &'static str) -> Result<(), ParseFaultError> {
        match self.value {
            Some(_) => Err(self.value_error("nothing", example)),
            None => Ok(()),
        }
    }

    fn two(&self, example: &'static str) -> Result<[PinName; 2], ParseFaultError> {
        let names: Vec<PinName> = self.pins.split('+').map(PinName::new).collect();
        match <[PinName; 2]>::try_from(names) {
            Ok([a, b]) if a != b && !a.as_str().is_empty() && !b.as_str().is_empty() => Ok([a, b]),
            _ => Err(ParseFaultError::Pins {
                found: self.text.to_owned(),
                expected: "two different pins",
                example,
            }),
        }
    }

    fn number(&self) -> Option<f64> {
        self.value?.parse::<f64>().ok().filter(|value| value.is_finite())
    }

    fn ohms(&self, example: &'static str) -> Result<Ohms, ParseFaultError> {
        self.number()
            .filter(|ohms| (0.0..=LARGEST_OHMS).contains(ohms))
            .and_then(Ohms::new)
            .ok_or_else(|| self.value_error("ohms between 0 and 100000000", example))
    }

    fn ohms_or(&self, usual: Ohms, example: &'static str) -> Result<Ohms, ParseFaultError> {
        if self.value.is_none() { Ok(usual) } else { self.ohms(example) }
    }

    fn volts(&self, example: &'static str) -> Result<Volts, ParseFaultError> {
        self.number()
            .filter(|volts| volts.abs() <= LARGEST_VOLTS)
            .and_then(Volts::new)
            .ok_or_else(|| self.value_error("volts between -60 and 60", example))
    }

    fn placement(&self) -> Result<Placement, ParseFaultError> {
        match (self.pins.trim(), self.value) {
            ("reversed", None) => Ok(Placement::LeadsReversed),
            ("turned", None) => Ok(Placement::Turned),
            ("shifted", None) => Ok(Placement::Shifted(1)),
            ("shifted", Some(step)) => match step.parse::<i8>() {
                Ok(step) if step != 0 => Ok(Placement::Shifted(step)),
                _ => {
                    Err(self.value_error("a whole number of positions that is not 0", "placement:shifted=-1"))
                }
            },
            ("reversed" | "turned", Some(_)) => Err(self.value_error("nothing", "placement:turned")),
            _ => Err(ParseFaultError::Word { found: self.text.to_owned() }),
        }
    }
}

impl fmt::Display for Fault {
    /// As it is written on the command line; values that are the usual ones are left out.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Self::Open(pin) => format!("open:{pin}"),
            Self::Raised(pin, ohms) => format!("raised:{pin}={}", ohms.get()),
            Self::Short(pin, ohms) if *ohms == SHORT && !holds_value(pin) => format!("short:{pin}"),
            Self::Short(pin, ohms) => format!("short:{pin}={}", ohms.get()),
            Self::Leak(pin, ohms) => format!("leak:{pin}={}", ohms.get()),
            Self::Bridge([a, b], ohms) if *ohms == BRIDGE && !holds_value(a) && !holds_value(b) => {
                format!("bridge:{a}+{b}")
            }
            Self::Bridge([a, b], ohms) => format!("bridge:{a}+{b}={}", ohms.get()),
            Self::Swap([a, b]) => format!("swap:{a}+{b}"),
            Self::Missing(pin) => format!("missing:{pin}"),
            Self::Placement(Placement::LeadsReversed) => "placement:reversed".to_owned(),
            Self::Placement(Placement::Turned) => "placement:turned".to_owned(),
            Self::Placement(Placement::Shifted(1)) => "placement:shifted".to_owned(),
            Self::Placement(Placement::Shifted(step)) => format!("placement:shifted={step}"),
            Self::Live(pin, volts) => format!("live:{pin}={}", volts.get()),
            Self::Charged(pin, volts) => format!("charged:{pin}={}", volts.get()),
        };
        f.pad(&text)
    }
}

/// Whether what stands behind the last `=` of a pin's name could be taken for the value of a fault.
fn holds_value(pin: &PinName) -> bool {
    pin.as_str().contains('=')
}

impl TryFrom<String> for Fault {
    type Error = ParseFaultError;
    fn try_from(text: String) -> Result<Self, ParseFaultError> {
        text.parse()
    }
}

impl From<Fault> for String {
    fn from(fault: Fault) -> Self {
        fault.to_string()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_fault_go_both_ways() {
        for text in [
            "open:A4",
            "short:A9",
            "short:A9=7.5",
            "bridge:A4+A5",
            "bridge:A4+A5=0.1",
            "raised:B3=150",
            "leak:B7=900",
            "swap:A4+A6",
            "missing:B2",
            "placement:reversed",
            "placement:shifted",
            "placement:shifted=-2",
            "placement:turned",
            "live:12=-3.7",
            "charged:12=0.4",
        ] {
            let fault: Fault = text.parse().unwrap();
            assert_eq!(fault.to_string(), text);
        }
        assert_eq!(" open: A4 ".parse::<Fault>().unwrap().to_string(), "open:A4");
    }

    #[test]
    fn errors_say_what_was_expected() {
        for (text, message) in [
            (
                "broken:A4",
                "fault `broken:A4` is not known: expected open:PIN, short:PIN, bridge:PIN+PIN, raised:PIN=OHMS, \
                 leak:PIN=OHMS, swap:PIN+PIN, missing:PIN, placement:reversed|shifted|turned, live:PIN=VOLTS or \
                 charged:PIN=VOLTS",
            ),
            ("open:", "fault `open:` needs one pin: expected open:A4"),
            ("open:A4+A5", "fault `open:A4+A5` needs one pin: expected open:A4"),
            ("open:A4=3", "fault `open:A4=3` needs nothing after `=`: expected open:A4"),
            ("bridge:A4", "fault `bridge:A4` needs two different pins: expected bridge:A4+A5"),
            ("bridge:A4+A4", "fault `bridge:A4+A4` needs two different pins: expected bridge:A4+A5"),
            (
                "raised:B3",
                "fault `raised:B3` needs ohms between 0 and 100000000 after `=`: expected raised:A4=150",
            ),
            (
                "leak:B3=NaN",
                "fault `leak:B3=NaN` needs ohms between 0 and 100000000 after `=`: expected leak:A4=900",
            ),
            (
                "live:B3=400",
                "fault `live:B3=400` needs volts between -60 and 60 after `=`: expected live:A4=3.7",
            ),
            (
                "placement:shifted=0",
                "fault `placement:shifted=0` needs a whole number of positions that is not 0 after `=`: expected \
                 placement:shifted=-1",
            ),
            ("open:A4+\u{1b}[2J", "fault `open:A4+\\u{1b}[2J` needs one pin: expected open:A4"),
            (
                "live:\u{0}=x",
                "fault `live:\\u{0}=x` needs volts between -60 and 60 after `=`: expected live:A4=3.7",
            ),
        ] {
            assert_eq!(text.parse::<Fault>().unwrap_err().to_string(), message);
        }
    }

    #[test]
    fn lists_come_from_toml_and_json() {
        let faults = vec!["open:A4".parse().unwrap(), "bridge:A4+A5".parse().unwrap()];
        let toml = FaultList::from_toml("faults = [\"open:A4\", \"bridge:A4+A5\"]").unwrap();
        let json = FaultList::from_json(r#"{"faults": ["open:A4", "bridge:A4+A5"]}"#).unwrap();
        assert_eq!(toml.faults, faults);
        assert_eq!(json.faults, faults);
        let error = FaultList::from_json(r#"{"faults": ["opn:A4"]}"#).unwrap_err().to_string();
        assert!(error.contains("fault `opn:A4` is not known"), "{error}");
        assert!(FaultList::from_toml("fault = []").is_err());
    }

    /// Found by fuzzing: the usual value was left out, and a part of the name read in its place.
    #[test]
    fn a_pin_with_an_equals_sign_keeps_its_name() {
        for text in ["short:A=2B=2", "bridge:A+B=1=0.5", "bridge:A=1+B=0.5", "short:A=1=3"] {
            let fault: Fault = text.parse().unwrap();
            assert_eq!(fault.to_string().parse(), Ok(fault.clone()), "{text}: {fault}");
        }
    }

    proptest::proptest! {
        #[test]
        fn no_text_is_a_panic(text in ".*") {
            let _ = text.parse::<Fault>();
        }

        #[test]
        fn what_is_read_is_written_the_same(
            word in "(open|short|raised|leak|bridge|swap|missing|live|charged|placement)",
            rest in ":[A-C][1-9](\\+[A-C][1-9])?(=[0-9]{1,6}(\\.[0-9]{1,3})?)?",
        ) {
            if let Ok(fault) = format!("{word}{rest}").parse::<Fault>() {
                proptest::prop_assert_eq!(fault.to_string().parse::<Fault>(), Ok(fault));
            }
        }
    }
}
