//! What can be wrong with a practice jig, and how it is written.

use std::{fmt, str::FromStr};

use protocol::Channel;

use crate::{
    label,
    units::{Ohms, Volts},
};

/// One thing that is wrong with a jig. Channels and banks are counted from 0; a bank is 16 channels.
#[derive(Debug, Clone, PartialEq)]
pub enum JigTrouble {
    /// `worn:CHANNEL=OHMS`: the contact has this resistance too much.
    Worn(Channel, Ohms),
    /// `dead:CHANNEL`: the contact never closes, or its wire is broken.
    Dead(Channel),
    /// `crossed:CHANNEL+CHANNEL`: two wires are exchanged.
    Crossed([Channel; 2]),
    /// `leaky:CHANNEL=OHMS`: the wire leaks to ground.
    Leaky(Channel, Ohms),
    /// `bridged:CHANNEL+CHANNEL` or `...=OHMS`: two wires touch.
    Bridged([Channel; 2], Ohms),
    /// `stuck:CHANNEL`: the contact never opens.
    Stuck(Channel),
    /// `bank-dead:BANK`: the enable line of a bank is broken.
    BankDead(u8),
    /// `banks:BANK+BANK`: two banks are plugged into each other's place.
    BanksExchanged([u8; 2]),
    /// `shifted`: the cable is plugged in one position off.
    Shifted,
    /// `clamps`: a single-supply multiplexer shows its own clamp diode on every open pin.
    Clamps,
    /// `supply-clamp=VOLTS`: the multiplexer's supply on the other side of ground ends at this voltage, below what
    /// the meter drives.
    SupplyClamp(Volts),
    /// `common-leak=OHMS`: the common line leaks to ground.
    CommonLeak(Ohms),
    /// `common-short`: the common line touches ground.
    CommonShort,
    /// `bleed-stuck`: the bleed resistor stays on the common line.
    BleedStuck,
    /// `bleed-missing`: there is no bleed resistor.
    BleedMissing,
    /// `check=OHMS`: another resistor on the check channel than the wiring says.
    Check(Ohms),
    /// `check-open`: no resistor on the check channel.
    CheckOpen,
    /// `clip=OHMS`: the red clip touches ground through this resistance.
    Clip(Ohms),
    /// `clip-off`: the red clip hangs in the air.
    ClipOff,
    /// `ground-off`: board or plate is not joined to the jig's ground, where the red clip is.
    GroundOff,
    /// `sense-dead`: the sense input sees nothing.
    SenseDead,
    /// `sense-off=VOLTS`: the sense input shows so much too much.
    SenseOff(Volts),
    /// `lid-open` and `lid-closed`: the lid contact is stuck.
    LidStuck {
        /// What it always tells.
        closed: bool,
    },
    /// `button-pressed` and `button-dead`: the start button is stuck.
    ButtonStuck {
        /// What it always tells.
        pressed: bool,
    },
}

/// A jig trouble could not be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "jig trouble `{}` is not known: expected worn:CHANNEL=OHMS, dead:CHANNEL, crossed:CHANNEL+CHANNEL, \
     leaky:CHANNEL=OHMS, bridged:CHANNEL+CHANNEL, stuck:CHANNEL, bank-dead:BANK, banks:BANK+BANK, common-leak=OHMS, \
     check=OHMS, clip=OHMS, supply-clamp=VOLTS, sense-off=VOLTS, or one of {}; channels and banks counted from 0",
    label::shown(found),
    words()
)]
pub struct ParseJigTroubleError {
    /// What was written.
    pub found: String,
}

/// Troubles that are a word and nothing else.
const WORDS: [(&str, JigTrouble); 13] = [
    ("shifted", JigTrouble::Shifted),
    ("clamps", JigTrouble::Clamps),
    ("common-short", JigTrouble::CommonShort),
    ("bleed-stuck", JigTrouble::BleedStuck),
    ("bleed-missing", JigTrouble::BleedMissing),
    ("check-open", JigTrouble::CheckOpen),
    ("clip-off", JigTrouble::ClipOff),
    ("ground-off", JigTrouble::GroundOff),
    ("sense-dead", JigTrouble::SenseDead),
    ("lid-open", JigTrouble::LidStuck { closed: false }),
    ("lid-closed", JigTrouble::LidStuck { closed: true }),
    ("button-pressed", JigTrouble::ButtonStuck { pressed: true }),
    ("button-dead", JigTrouble::ButtonStuck { pressed: false }),
];

impl FromStr for JigTrouble {
    type Err = ParseJigTroubleError;

    fn from_str(found: &str) -> Result<Self, ParseJigTroubleError> {
        read(found.trim()).ok_or_else(|| ParseJigTroubleError { found: found.trim().to_owned() })
    }
}

impl fmt::Display for JigTrouble {
    /// As it is written on the command line.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = match self {
            Self::Worn(channel, ohms) => format!("worn:{channel}={}", ohms.get()),
            Self::Dead(channel) => format!("dead:{channel}"),
            Self::Crossed([a, b]) => format!("crossed:{a}+{b}"),
            Self::Leaky(channel, ohms) => format!("leaky:{channel}={}", ohms.get()),
            Self::Bridged([a, b], ohms) => format!("bridged:{a}+{b}={}", ohms.get()),
            Self::Stuck(channel) => format!("stuck:{channel}"),
            Self::BankDead(bank) => format!("bank-dead:{bank}"),
            Self::BanksExchanged([a, b]) => format!("banks:{a}+{b}"),
            Self::SupplyClamp(volts) => format!("supply-clamp={}", volts.get()),
            Self::CommonLeak(ohms) => format!("common-leak={}", ohms.get()),
            Self::Check(ohms) => format!("check={}", ohms.get()),
            Self::Clip(ohms) => format!("clip={}", ohms.get()),
            Self::SenseOff(volts) => format!("sense-off={}", volts.get()),
            word => {
                let known = WORDS.iter().find(|(_, trouble)| trouble == word);
                known.map_or_else(String::new, |(text, _)| (*text).to_owned())
            }
        };
        f.pad(&text)
    }
}

fn read(text: &str) -> Option<JigTrouble> {
    if let Some((_, trouble)) = WORDS.iter().find(|(word, _)| *word == text) {
        return Some(trouble.clone());
    }
    let (rest, value) = match text.split_once('=') {
        Some((rest, value)) => {
            (rest, Some(value.trim().parse::<f64>().ok().filter(|value| value.is_finite())?))
        }
        None => (text, None),
    };
    let ohms = value.filter(|value| *value >= 0.0).and_then(Ohms::new);
    let (word, places) = match rest.split_once(':') {
        Some((word, places)) => {
            (word, places.split('+').map(|at| at.trim().parse::<u8>().ok()).collect::<Option<_>>()?)
        }
        None => (rest, Vec::<u8>::new()),
    };
    let channels: Vec<Channel> = places.iter().copied().map(Channel).collect();
    Some(match (word.trim(), channels.as_slice(), value, ohms) {
        ("worn", &[channel], _, Some(ohms)) => JigTrouble::Worn(channel, ohms),
        ("dead", &[channel], None, _) => JigTrouble::Dead(channel),
        ("crossed", &[a, b], None, _) if a != b => JigTrouble::Crossed([a, b]),
        ("leaky", &[channel], _, Some(ohms)) => JigTrouble::Leaky(channel, ohms),
        ("bridged", &[a, b], None, _) if a != b => JigTrouble::Bridged([a, b], Ohms::ZERO),
        ("bridged", &[a, b], _, Some(ohms)) if a != b => JigTrouble::Bridged([a, b], ohms),
        ("stuck", &[channel], None, _) => JigTrouble::Stuck(channel),
        ("bank-dead", &[bank], None, _) => JigTrouble::BankDead(bank.0),
        ("banks", &[a, b], None, _) if a != b => JigTrouble::BanksExchanged([a.0, b.0]),
        ("supply-clamp", [], Some(volts), Some(_)) => JigTrouble::SupplyClamp(Volts::new(volts)?),
        ("common-leak", [], _, Some(ohms)) => JigTrouble::CommonLeak(ohms),
        ("check", [], _, Some(ohms)) => JigTrouble::Check(ohms),
        ("clip", [], _, Some(ohms)) => JigTrouble::Clip(ohms),
        ("sense-off", [], Some(volts), _) => JigTrouble::SenseOff(Volts::new(volts)?),
        _ => return None,
    })
}

fn words() -> String {
    WORDS.iter().map(|(word, _)| *word).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn troubles_go_to_text_and_back() {
        let written = ["worn:3=12", "dead:0", "crossed:4+5", "leaky:7=20000", "bridged:1+2=0.5", "stuck:9"]
            .into_iter()
            .chain([
                "bank-dead:1",
                "banks:0+2",
                "supply-clamp=1.8",
                "common-leak=900",
                "check=470",
                "clip=20",
            ])
            .chain(["sense-off=-0.3"])
            .chain(WORDS.iter().map(|(word, _)| *word));
        for text in written {
            assert_eq!(text.parse::<JigTrouble>().unwrap().to_string(), text);
        }
        for text in
            ["worn:3", "dead:300", "crossed:4+4", "leaky:7=-1", "bridged:1", "clamps:1", "", "worn:x=1"]
        {
            let error = text.parse::<JigTrouble>().unwrap_err();
            assert_eq!(error.found, text);
        }
    }
}
