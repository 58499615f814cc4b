//! The reference as a file: TOML that a person can read, mail and diff.
//!
//! One block a pin, with its evidence and the reading of every known-good board in the order of `boards`, so
//! that a changed reading is one changed line.

use serde::{Deserialize, Serialize};

use super::{Conditions, OddBoard, OddPin, PinEvidence, Polarity, Reference};
use crate::{
    connector::{PinName, Role},
    label::Found,
    readings::{BoardReadings, PinValue, Unread},
    units::{Amperes, Kelvin, Volts},
};

/// Version of the file that this program writes.
pub const CURRENT: u32 = 1;

/// Oldest version that this program reads.
const MIN: u32 = 1;

/// What the first line of the file calls it.
const FORMAT: &str = "pintally reference";

/// A reference file that cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum Unreadable {
    /// Not TOML, or a field is missing or has another type.
    #[error("expected a reference file, found something else")]
    Toml(#[from] Box<toml::de::Error>),
    /// Another kind of file.
    #[error("expected format \"{FORMAT}\", found {}", Found(found))]
    Format {
        /// What the file calls itself.
        found: String,
    },
    /// A file of a version that this program does not know.
    #[error("expected reference version {MIN} to {CURRENT}, found {found}")]
    Version {
        /// The file's version.
        found: u32,
    },
    /// A pin has another number of readings than there are boards.
    #[error("expected {expected} readings at pin {}, one a board, found {found}", Found(pin))]
    Count {
        /// Which pin.
        pin: String,
        /// Boards of the file.
        expected: usize,
        /// Readings of the pin.
        found: usize,
    },
    /// A reading is neither a voltage nor `OL` nor `-`.
    #[error("expected volts, \"OL\" or \"-\" at pin {}, found {}", Found(pin), Found(found))]
    Reading {
        /// Which pin.
        pin: String,
        /// What stands there.
        found: String,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    format: String,
    version: u32,
    connector: String,
    boards: Vec<String>,
    #[serde(default)]
    conditions: StoredConditions,
    #[serde(default, rename = "odd_board", skip_serializing_if = "Vec::is_empty")]
    odd: Vec<StoredOdd>,
    #[serde(default, rename = "pin")]
    pins: Vec<StoredPin>,
}

#[derive(Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
struct StoredConditions {
    #[serde(skip_serializing_if = "Option::is_none")]
    meter: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    test_current_amperes: Option<Amperes>,
    #[serde(skip_serializing_if = "Option::is_none")]
    compliance_volts: Option<Volts>,
    polarity: StoredPolarity,
    #[serde(skip_serializing_if = "Option::is_none")]
    temperature_kelvin: Option<Kelvin>,
    #[serde(skip_serializing_if = "Option::is_none")]
    date: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    note: Option<String>,
}

#[derive(Default, Clone, Copy, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum StoredPolarity {
    #[default]
    RedOnGround,
    BlackOnGround,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredOdd {
    board: String,
    pins: Vec<StoredOddPin>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredOddPin {
    pin: String,
    seen: StoredValue,
    others: StoredValue,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct StoredPin {
    name: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    role: Option<Role>,
    count: usize,
    overloads: usize,
    #[serde(skip_serializing_if = "Option::is_none")]
    centre: Option<Volts>,
    #[serde(skip_serializing_if = "Option::is_none")]
    spread: Option<Volts>,
    readings: Vec<StoredValue>,
}

/// A voltage as a number, `OL`, or `-` where the pin was not read.
#[derive(Clone, Serialize, Deserialize)]
#[serde(untagged)]
enum StoredValue {
    Volts(Volts),
    Word(String),
}

impl Reference {
    /// The reference as the text of its file.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let pins = self.pins.iter().enumerate().map(|(index, pin)| StoredPin {
            name: pin.name.as_str().to_owned(),
            role: pin.role,
            count: pin.count,
            overloads: pin.overloads,
            centre: pin.centre.map(tidy),
            spread: pin.spread.map(tidy),
            readings: self.boards.iter().filter_map(|b| b.values.get(index)).map(|v| stored(*v)).collect(),
        });
        let file = File {
            format: FORMAT.to_owned(),
            version: CURRENT,
            connector: self.connector.clone(),
            boards: self.boards.iter().map(|board| board.board.clone()).collect(),
            conditions: StoredConditions {
                meter: self.conditions.meter.clone(),
                test_current_amperes: self.conditions.test_current,
                compliance_volts: self.conditions.compliance,
                polarity: match self.conditions.polarity {
                    Polarity::RedOnGround => StoredPolarity::RedOnGround,
                    Polarity::BlackOnGround => StoredPolarity::BlackOnGround,
                },
                temperature_kelvin: self.conditions.temperature,
                date: self.conditions.date.clone(),
                note: self.conditions.note.clone(),
            },
            odd: self.odd.iter().map(stored_odd).collect(),
            pins: pins.collect(),
        };
        toml::to_string(&file).expect("plain structs of text, numbers and lists are TOML")
    }

    /// Reads the text of a reference file. What was learned is taken as written; to learn again, give the boards
    /// to [`learn`](super::learn()).
    ///
    /// # Errors
    /// [`Unreadable`], which names what was expected and what was found.
    pub fn from_toml(text: &str) -> Result<Self, Unreadable> {
        let file: File = toml::from_str(text).map_err(Box::new)?;
        if file.format != FORMAT {
            return Err(Unreadable::Format { found: file.format });
        }
        if !(MIN..=CURRENT).contains(&file.version) {
            return Err(Unreadable::Version { found: file.version });
        }
        let mut boards: Vec<BoardReadings> = file
            .boards
            .iter()
            .map(|name| BoardReadings { board: name.clone(), values: Vec::new() })
            .collect();
        let mut pins = Vec::with_capacity(file.pins.len());
        for pin in file.pins {
            if pin.readings.len() != boards.len() {
                return Err(Unreadable::Count {
                    pin: pin.name,
                    expected: boards.len(),
                    found: pin.readings.len(),
                });
            }
            for (board, reading) in boards.iter_mut().zip(pin.readings) {
                board.values.push(value(&pin.name, reading)?);
            }
            pins.push(PinEvidence {
                name: PinName::new(&pin.name),
                role: pin.role,
                count: pin.count,
                overloads: pin.overloads,
                centre: pin.centre,
                spread: pin.spread,
            });
        }
        let mut odd = Vec::with_capacity(file.odd.len());
        for board in file.odd {
            let mut apart = Vec::with_capacity(board.pins.len());
            for pin in board.pins {
                apart.push(OddPin {
                    name: PinName::new(&pin.pin),
                    seen: value(&pin.pin, pin.seen)?,
                    others: value(&pin.pin, pin.others)?,
                });
            }
            odd.push(OddBoard { board: board.board, pins: apart });
        }
        Ok(Self {
            connector: file.connector,
            conditions: Conditions {
                meter: file.conditions.meter,
                test_current: file.conditions.test_current_amperes,
                compliance: file.conditions.compliance_volts,
                polarity: match file.conditions.polarity {
                    StoredPolarity::RedOnGround => Polarity::RedOnGround,
                    StoredPolarity::BlackOnGround => Polarity::BlackOnGround,
                },
                temperature: file.conditions.temperature_kelvin,
                date: file.conditions.date,
                note: file.conditions.note,
            },
            boards,
            pins,
            odd,
        })
    }
}

fn stored_odd(odd: &OddBoard) -> StoredOdd {
    let pin = |pin: &OddPin| StoredOddPin {
        pin: pin.name.as_str().to_owned(),
        seen: stored(pin.seen),
        others: stored(pin.others),
    };
    StoredOdd { board: odd.board.clone(), pins: odd.pins.iter().map(pin).collect() }
}

fn stored(value: PinValue) -> StoredValue {
    match value {
        PinValue::Volts(volts) => StoredValue::Volts(volts),
        PinValue::Overload => StoredValue::Word("OL".to_owned()),
        PinValue::Unread(_) => StoredValue::Word("-".to_owned()),
    }
}

fn value(pin: &str, stored: StoredValue) -> Result<PinValue, Unreadable> {
    match stored {
        StoredValue::Volts(volts) => Ok(PinValue::Volts(volts)),
        StoredValue::Word(word) if word == "OL" => Ok(PinValue::Overload),
        StoredValue::Word(word) if word == "-" => Ok(PinValue::Unread(Unread::NotListed)),
        StoredValue::Word(found) => Err(Unreadable::Reading { pin: pin.to_owned(), found }),
    }
}

/// A learned value to 10 microvolts: more digits than any meter gives, fewer than binary fractions print.
fn tidy(volts: Volts) -> Volts {
    Volts::new((volts.get() * 1e5).round() / 1e5).unwrap_or(volts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        connector::{Connector, Pin},
        reference::learn,
    };

    fn connector() -> Connector {
        let pin = |name: &str| Pin {
            name: PinName::new(name),
            row: None,
            position: None,
            net: None,
            role: None,
            pair: None,
            note: None,
        };
        Connector { name: "J5".into(), pins: vec![pin("1"), pin("2"), pin("3")] }
    }

    fn board(name: &str, first: f64) -> BoardReadings {
        BoardReadings {
            board: name.into(),
            values: vec![
                PinValue::Volts(Volts::of(first)),
                PinValue::Overload,
                PinValue::Unread(Unread::NotListed),
            ],
        }
    }

    #[test]
    fn a_file_comes_back_as_it_was() {
        let conditions = Conditions { date: Some("2026-03-01".into()), ..Conditions::default() };
        let boards = [board("G1", 0.501), board("G2", 0.499)];
        let reference = learn(&connector(), &boards, conditions).unwrap();
        let text = reference.to_toml();
        let mut back = Reference::from_toml(&text).unwrap();
        back.pins[0].spread = reference.pins[0].spread;
        assert_eq!(back, reference);
        assert!(text.contains("readings = [0.501, 0.499]"), "{text}");
    }

    #[test]
    fn says_what_it_expected() {
        let good = learn(&connector(), &[board("G1", 0.5)], Conditions::default()).unwrap().to_toml();
        for (from, to, expected) in [
            ("version = 1", "version = 9", "expected reference version 1 to 1, found 9"),
            (FORMAT, "recipe", "expected format \"pintally reference\", found `recipe`"),
            ("[0.5]", "[0.5, 0.6]", "expected 1 readings at pin `1`, one a board, found 2"),
            ("[\"OL\"]", "[\"0l\"]", "expected volts, \"OL\" or \"-\" at pin `2`, found `0l`"),
        ] {
            let text = good.replace(from, to);
            assert_ne!(text, good, "{from} stands in the file");
            assert_eq!(Reference::from_toml(&text).unwrap_err().to_string(), expected);
        }
    }
}
