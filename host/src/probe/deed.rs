//! What the operator does besides touching pins.

use std::fmt;

use crate::connector::{Connector, PinName};

/// A key, a word, or the foot switch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Deed {
    /// Enter, space or the foot switch: the probe is held on the pin and nothing shows.
    Confirm,
    /// Pass the pin over.
    Skip,
    /// Take back what was taken last.
    Undo,
    /// Go to the pin before.
    Back,
    /// Begin this pin again and say it again.
    Repeat,
    /// Go to this pin, by its index.
    Jump(usize),
    /// Take nothing until told to go on.
    Pause,
    /// Go on after a pause.
    GoOn,
    /// The session is carried on after an interruption; the meter's stream begins afresh.
    Resume,
}

/// A log names a deed that is not known.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("expected an operator's deed such as confirm, skip or jump to a pin, found {0}")]
pub struct UnknownDeed(pub String);

impl Deed {
    /// The deed as it stands in the log: action and detail.
    #[must_use]
    pub fn to_log(&self, connector: &Connector) -> (&'static str, Option<String>) {
        let detail = match self {
            Self::Jump(pin) => connector.pins.get(*pin).map(|pin| pin.name.to_string()),
            _ => None,
        };
        (self.word(), detail)
    }

    /// The deed that stands in a log.
    ///
    /// # Errors
    /// The error names what was found.
    pub fn from_log(action: &str, detail: Option<&str>, connector: &Connector) -> Result<Self, UnknownDeed> {
        let plain = [
            Self::Confirm,
            Self::Skip,
            Self::Undo,
            Self::Back,
            Self::Repeat,
            Self::Pause,
            Self::GoOn,
            Self::Resume,
        ];
        if let Some(deed) = plain.into_iter().find(|deed| deed.word() == action) {
            return Ok(deed);
        }
        let pin = detail.filter(|_| action == "jump").map(PinName::new);
        pin.and_then(|pin| connector.index_of(&pin))
            .map(Self::Jump)
            .ok_or_else(|| UnknownDeed(format!("{action} {}", detail.unwrap_or_default()).trim().to_owned()))
    }

    const fn word(&self) -> &'static str {
        match self {
            Self::Confirm => "confirm",
            Self::Skip => "skip",
            Self::Undo => "undo",
            Self::Back => "back",
            Self::Repeat => "repeat",
            Self::Jump(_) => "jump",
            Self::Pause => "pause",
            Self::GoOn => "go on",
            Self::Resume => "resume",
        }
    }
}

impl fmt::Display for Deed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::Pin;

    #[test]
    fn deeds_survive_their_log() {
        let connector = Connector { name: "J1".into(), pins: vec![Pin::named("A1"), Pin::named("A2")] };
        for deed in [Deed::Confirm, Deed::GoOn, Deed::Resume, Deed::Jump(1)] {
            let (action, detail) = deed.to_log(&connector);
            assert_eq!(Deed::from_log(action, detail.as_deref(), &connector), Ok(deed));
        }
        for (action, detail) in [("jump", Some("A9")), ("jump", None), ("dance", None)] {
            assert!(Deed::from_log(action, detail, &connector).is_err(), "{action} {detail:?}");
        }
    }
}
