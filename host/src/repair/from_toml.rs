//! Repair notes as a TOML file.

use serde::Deserialize;
use toml::Spanned;

use super::{Jumper, Pad, PinNote, RepairNotes};
use crate::{
    connector::{Connector, LONGEST_FILE, PinName},
    label::{self, Found, LabelProblem},
};

/// A file of repair notes cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}{problem}", .line.map_or_else(String::new, |line| format!("line {line}: ")))]
pub struct RepairError {
    /// Where, counted from 1.
    pub line: Option<u64>,
    /// What is wrong there.
    pub problem: RepairProblem,
}

/// What is wrong with repair notes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum RepairProblem {
    /// The file is longer than any such file needs to be.
    #[error("expected a file of at most {LONGEST_FILE} bytes, found {found}")]
    TooLong {
        /// Bytes that were found.
        found: usize,
    },
    /// The text is not TOML, or has a key that is unknown or of another type.
    #[error("{message}")]
    Content {
        /// What the TOML library says, made printable.
        message: String,
    },
    /// The notes are about another connector.
    #[error("expected notes about connector {expected}, found some about {}", Found(found))]
    OtherConnector {
        /// The connector that is checked.
        expected: String,
        /// The one in the file.
        found: String,
    },
    /// The connector has no such pin.
    #[error("expected a pin of connector {connector}, found {}", Found(found))]
    UnknownPin {
        /// The connector.
        connector: String,
        /// What was found.
        found: String,
    },
    /// A pin is noted twice.
    #[error("expected one note a pin, found a second one for pin {pin}")]
    Twice {
        /// The pin.
        pin: PinName,
    },
    /// A pin is left unconnected and has a jumper.
    #[error("expected pin {pin} either with a jumper or not connected on purpose, found both")]
    Contradiction {
        /// The pin.
        pin: PinName,
    },
    /// A word is none of those that are known.
    #[error("expected {expected}, found {}", Found(found))]
    Word {
        /// What is known.
        expected: Expected,
        /// What was found.
        found: String,
    },
    /// A text cannot be shown.
    #[error(transparent)]
    Text(#[from] LabelProblem),
}

/// Words that a key takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Expected {
    /// Of `pad`.
    Pad,
    /// Of `jumper`.
    Jumper,
}

impl std::fmt::Display for Expected {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Pad => "pad damaged, lifted or missing",
            Self::Jumper => "jumper planned or done",
        })
    }
}

impl RepairNotes {
    /// Reads notes from the text of a TOML file.
    ///
    /// # Errors
    /// [`RepairError`], which names the line.
    pub fn from_toml(text: &str, connector: &Connector) -> Result<Self, RepairError> {
        let at = |byte: usize, problem| RepairError { line: Some(line_of(text, byte)), problem };
        if text.len() > LONGEST_FILE {
            return Err(RepairError { line: None, problem: RepairProblem::TooLong { found: text.len() } });
        }
        let file: File = toml::from_str(text).map_err(|error| RepairError {
            line: error.span().map(|span| line_of(text, span.start)),
            problem: RepairProblem::Content {
                message: label::printable(&error.message().trim_end().replace('\n', "; ")),
            },
        })?;
        if let Some(found) = file.connector.filter(|found| found.get_ref().trim() != connector.name) {
            let (start, expected) = (found.span().start, connector.name.clone());
            return Err(at(start, RepairProblem::OtherConnector { expected, found: found.into_inner() }));
        }
        let text_of = |found: Spanned<String>| {
            let start = found.span().start;
            label::note(found.get_ref()).map(str::to_owned).map_err(|problem| at(start, problem.into()))
        };
        let mut notes = Self::default();
        for pin in file.pin {
            let start = pin.name.span().start;
            let name = PinName::new(pin.name.get_ref());
            if connector.index_of(&name).is_none() {
                let (connector, found) = (connector.name.clone(), name.as_str().to_owned());
                return Err(at(start, RepairProblem::UnknownPin { connector, found }));
            }
            if notes.of(&name).is_some() {
                return Err(at(start, RepairProblem::Twice { pin: name }));
            }
            if pin.unconnected && pin.jumper.is_some() {
                return Err(at(start, RepairProblem::Contradiction { pin: name }));
            }
            let pad = pin.pad.map(|word| {
                known(&word, &[("damaged", Pad::Damaged), ("lifted", Pad::Lifted), ("missing", Pad::Missing)])
                    .ok_or_else(|| unknown(word, Expected::Pad, &at))
            });
            let jumper = pin.jumper.map(|word| {
                known(&word, &[("planned", Jumper::Planned), ("done", Jumper::Done)])
                    .ok_or_else(|| unknown(word, Expected::Jumper, &at))
            });
            notes.pins.push(PinNote {
                name,
                pad: pad.transpose()?,
                trace: pin.trace.map(text_of).transpose()?,
                jumper: jumper.transpose()?,
                unconnected: pin.unconnected,
                note: pin.note.map(text_of).transpose()?,
            });
        }
        notes.checklist = file.checklist.into_iter().map(text_of).collect::<Result<_, _>>()?;
        Ok(notes)
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    connector: Option<Spanned<String>>,
    #[serde(default)]
    pin: Vec<FilePin>,
    #[serde(default)]
    checklist: Vec<Spanned<String>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct FilePin {
    name: Spanned<String>,
    pad: Option<Spanned<String>>,
    trace: Option<Spanned<String>>,
    jumper: Option<Spanned<String>>,
    #[serde(default)]
    unconnected: bool,
    note: Option<Spanned<String>>,
}

fn known<T: Copy>(word: &Spanned<String>, words: &[(&str, T)]) -> Option<T> {
    words.iter().find(|(known, _)| known.eq_ignore_ascii_case(word.get_ref().trim())).map(|&(_, value)| value)
}

fn unknown(
    word: Spanned<String>,
    expected: Expected,
    at: &impl Fn(usize, RepairProblem) -> RepairError,
) -> RepairError {
    at(word.span().start, RepairProblem::Word { expected, found: word.into_inner() })
}

/// Line of a byte, counted from 1.
fn line_of(text: &str, byte: usize) -> u64 {
    let before = text.as_bytes().get(..byte).unwrap_or(text.as_bytes());
    1 + before.iter().filter(|&&byte| byte == b'\n').count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector;

    const NOTES: &str = r#"
connector = "J5"
checklist = ["current below 0.1 A at power-on", "picture at full brightness"]

[[pin]]
name = "A4"
pad = "missing"
trace = "via beside C12"
jumper = "done"

[[pin]]
name = "A16"
unconnected = true
note = "wire left off: the net is unused in this model"
"#;

    fn read(text: &str) -> Result<RepairNotes, RepairError> {
        RepairNotes::from_toml(text, &connector::from_toml(connector::DEMO).unwrap())
    }

    #[test]
    fn notes_are_read_and_worded() {
        let notes = read(NOTES).unwrap();
        assert_eq!(notes.pins[0].to_string(), "missing pad, jumper done, trace to via beside C12");
        assert!(notes.pins[1].to_string().starts_with("not connected on purpose, wire left off"));
        assert_eq!(notes.checklist.len(), 2);
        // They survive their log.
        let value = serde_json::to_value(&notes).unwrap();
        assert_eq!(serde_json::from_value::<RepairNotes>(value).unwrap(), notes);
    }

    #[test]
    fn what_is_wrong_is_named_with_its_line() {
        for (text, expected) in [
            ("connector = \"J7\"", "line 1: expected notes about connector J5, found some about `J7`"),
            ("[[pin]]\nname = \"Z1\"", "line 2: expected a pin of connector J5, found `Z1`"),
            (
                "[[pin]]\nname = \"A4\"\n[[pin]]\nname = \"A4\"",
                "line 4: expected one note a pin, found a second one for pin A4",
            ),
            (
                "[[pin]]\nname = \"A4\"\npad = \"burnt\"",
                "line 3: expected pad damaged, lifted or missing, found `burnt`",
            ),
            (
                "[[pin]]\nname = \"A4\"\njumper = \"done\"\nunconnected = true",
                "line 2: expected pin A4 either with a jumper or not connected on purpose, found both",
            ),
        ] {
            assert_eq!(read(text).unwrap_err().to_string(), expected);
        }
        assert_eq!(read("[[pin]]\nnames = \"A4\"").unwrap_err().line, Some(2));
        assert!(read("checklist = [\"\\u001b[2J\"]").is_err());
    }
}
