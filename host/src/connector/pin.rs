//! One pin of a connector.

use std::fmt;

use serde::{Deserialize, Serialize};

/// A pin of a connector and what is known of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Pin {
    /// What the drawing calls it.
    pub name: PinName,
    /// Row in which it stands; `None` where the drawing does not tell.
    pub row: Option<String>,
    /// Place in the row, counted from 1; `None` where the drawing does not tell.
    pub position: Option<u16>,
    /// Net on which it is. Two pins with the same net share it.
    pub net: Option<String>,
    /// What it does; learned from known-good boards where `None`.
    pub role: Option<Role>,
    /// The other leg of its differential pair.
    pub pair: Option<PinName>,
    /// A remark of whoever drew the connector.
    pub note: Option<String>,
}

/// Name of a pin as the drawing has it: `4`, `A12`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct PinName(String);

/// What a pin does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Board ground.
    Ground,
    /// A supply rail.
    Power,
    /// Anything that carries a signal.
    Signal,
    /// Not connected on purpose.
    Unconnected,
}

impl Pin {
    /// A pin of which nothing is known but its name.
    #[must_use]
    pub fn named(name: &str) -> Self {
        Self {
            name: PinName::new(name),
            row: None,
            position: None,
            net: None,
            role: None,
            pair: None,
            note: None,
        }
    }
}

impl Role {
    /// The role with this name, in either case.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Ground, Self::Power, Self::Signal, Self::Unconnected]
            .into_iter()
            .find(|role| role.word().eq_ignore_ascii_case(word.trim()))
    }

    /// Its name.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Ground => "ground",
            Self::Power => "power",
            Self::Signal => "signal",
            Self::Unconnected => "unconnected",
        }
    }
}

impl PinName {
    /// Takes a name as the drawing has it, without the white space around it.
    #[must_use]
    pub fn new(name: &str) -> Self {
        Self(name.trim().to_owned())
    }

    /// The name as text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl fmt::Display for PinName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}
