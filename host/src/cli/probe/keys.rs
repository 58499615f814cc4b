//! What the operator types, as deeds.

use std::sync::mpsc::Sender;

use crate::{
    cli::typed,
    connector::{Connector, PinName},
    label,
    probe::Deed,
};

/// What a typed word means.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Typed {
    /// Something that the walk acts on.
    Deed(Deed),
    /// End for now.
    Quit,
    /// Not understood: what to tell, without the keys.
    Unknown(String),
}

/// What the keys do, in one line.
pub(super) const HELP: &str = "Enter confirms that a held pin shows nothing, s skip, u take back, b back, r repeat, \
                               j A5 jump to A5, p pause, g go on, q end for now";

/// Understands a line, or a key that was pressed by itself.
pub(super) fn understand(text: &str, connector: &Connector) -> Typed {
    let text = text.trim();
    let pin = |name: &str| connector.index_of(&PinName::new(name));
    Typed::Deed(match text {
        "" => Deed::Confirm,
        "s" => Deed::Skip,
        "u" => Deed::Undo,
        "b" => Deed::Back,
        "r" => Deed::Repeat,
        "p" => Deed::Pause,
        "g" => Deed::GoOn,
        "q" => return Typed::Quit,
        other => {
            let name = other.strip_prefix("j ").unwrap_or(other);
            match pin(name).or_else(|| pin(&name.trim().to_uppercase())) {
                Some(pin) => Deed::Jump(pin),
                None => {
                    return Typed::Unknown(format!(
                        "expected a key or a pin, found {}",
                        label::Found(name.trim())
                    ));
                }
            }
        }
    })
}

/// Reads lines in a thread of its own until there are no more; a closed input is no wish to end.
pub(super) fn listen(sender: Sender<String>) {
    std::thread::spawn(move || {
        for line in typed::lines() {
            if sender.send(line).is_err() {
                break;
            }
        }
    });
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector;

    #[test]
    fn keys_are_understood() {
        let connector = connector::from_toml(connector::DEMO).unwrap();
        let a5 = connector.index_of(&PinName::new("A5")).unwrap();
        for (text, typed) in [
            ("", Typed::Deed(Deed::Confirm)),
            (" ", Typed::Deed(Deed::Confirm)),
            ("s", Typed::Deed(Deed::Skip)),
            ("j A5", Typed::Deed(Deed::Jump(a5))),
            ("a5", Typed::Deed(Deed::Jump(a5))),
            ("q", Typed::Quit),
        ] {
            assert_eq!(understand(text, &connector), typed, "{text:?}");
        }
        for (text, told) in [("j Z9", "`Z9`"), ("x", "`x`"), ("\u{1b}[A", "`\\u{1b}[A`")] {
            let told = format!("expected a key or a pin, found {told}");
            assert_eq!(understand(text, &connector), Typed::Unknown(told), "{text:?}");
        }
    }
}
