//! Whether a jig is sound: from what three plates read on it to named faults with their channels.
//!
//! ```text
//! open plate ──┐
//! short plate ─┼─► common (the whole jig) ─► channels (one by one) ─► findings
//! ladder plate ┘        panel (lid, button, sense, bleed) ──────────►
//! ```
//!
//! What all channels have in common is found first and taken out, so that a clip that is off is one finding and
//! not sixty. Where a fault of the common line hides the channels, that is said, and they are not judged. Pure.

mod channels;
mod common;
mod finding;
mod fit;
mod panel;
mod plates;

use protocol::Channel;

use crate::units::{Ohms, Volts};

pub use finding::{Fault, Finding};
pub use panel::{Bled, Cell, Panel};
pub use plates::ladder_resistor;

/// Path resistance that is called high, unless told otherwise: leads 0.5 Ω, a multiplexer of the recommended kinds
/// 4.5 Ω, contacts and wires (docs/facts.md 2.3), and some reserve. PhotoMOS relays of 25 Ω need more.
pub const PATH_LIMIT: Ohms = Ohms::of(10.0);

/// What one channel reads on one plate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
    /// A number.
    Load {
        /// As the meter shows it.
        volts: Volts,
        /// The resistance that it stands for, by the source of the meter's profile.
        ohms: Ohms,
    },
    /// Nothing conducts, or too little.
    Overload,
    /// The readings did not come to rest.
    Unsettled,
    /// Not read.
    Unread,
}

/// What a channel should lead to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Lead {
    /// To this position of the plates, counted from 0.
    Plate(usize),
    /// To the check resistor.
    Check(Ohms),
    /// To nothing that is known.
    Nothing,
}

/// What three plates read on one jig. All lists are by channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Survey {
    /// What each channel should lead to.
    pub leads: Vec<Lead>,
    /// Readings with the open plate.
    pub open: Vec<Seen>,
    /// Readings with the short plate.
    pub short: Vec<Seen>,
    /// Readings with the ladder plate.
    pub ladder: Vec<Seen>,
    /// The resistance of one count of the meter near zero.
    pub count: Ohms,
    /// The largest resistance that the meter shows as a number.
    pub most: Ohms,
    /// Path resistance that is called high.
    pub path_limit: Ohms,
    /// What the panel showed.
    pub panel: Panel,
}

/// What is wrong with a jig.
#[derive(Debug, Clone, PartialEq)]
pub struct Diagnosis {
    /// Faults, those of the whole jig first.
    pub findings: Vec<Finding>,
    /// What could not be judged, and why.
    pub unclear: Vec<String>,
    /// Path resistance of the channels: smallest, middle, largest.
    pub paths: Option<[Ohms; 3]>,
    /// Current of the meter as a part of what its profile says, from the ladder plate.
    pub current: Option<f64>,
}

/// Finds what is wrong.
#[must_use]
pub fn diagnose(survey: &Survey) -> Diagnosis {
    let mut diagnosis = Diagnosis { findings: Vec::new(), unclear: Vec::new(), paths: None, current: None };
    if survey.panel.lid_shut == Some(false) {
        diagnosis.unclear.push("no channel can be closed, so the plates were not read".to_owned());
    } else if let Some(base) = common::diagnose(survey, &mut diagnosis) {
        channels::diagnose(survey, &base, &mut diagnosis);
    }
    panel::diagnose(&survey.panel, &mut diagnosis);
    diagnosis
}

impl Seen {
    /// The resistance, where there is a number.
    #[must_use]
    pub fn ohms(self) -> Option<f64> {
        match self {
            Self::Load { ohms, .. } => Some(ohms.get()),
            _ => None,
        }
    }

    /// The voltage, where there is a number.
    #[must_use]
    pub fn volts(self) -> Option<f64> {
        match self {
            Self::Load { volts, .. } => Some(volts.get()),
            _ => None,
        }
    }

    /// In words.
    fn shown(self) -> String {
        match self {
            Self::Load { volts, .. } => format!("{volts} V"),
            Self::Overload => "OL".to_owned(),
            Self::Unsettled => "nothing that settles".to_owned(),
            Self::Unread => "nothing".to_owned(),
        }
    }
}

impl Survey {
    /// Channels with a position on the plates.
    fn plated(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        self.leads.iter().enumerate().filter_map(|(channel, lead)| match lead {
            Lead::Plate(position) => Some((channel, *position)),
            _ => None,
        })
    }

    /// The check channel and its resistor.
    fn check(&self) -> Option<(usize, Ohms)> {
        self.leads.iter().enumerate().find_map(|(channel, lead)| match lead {
            Lead::Check(ohms) => Some((channel, *ohms)),
            _ => None,
        })
    }

    fn at(list: &[Seen], channel: usize) -> Seen {
        list.get(channel).copied().unwrap_or(Seen::Unread)
    }
}

/// Channels as a person lists them: `1, 4 to 7`.
#[must_use]
pub fn list(channels: &[Channel]) -> String {
    let mut runs: Vec<[u8; 2]> = Vec::new();
    for &Channel(channel) in channels {
        match runs.last_mut() {
            Some([_, last]) if last.checked_add(1) == Some(channel) => *last = channel,
            _ => runs.push([channel, channel]),
        }
    }
    let shown = |[first, last]: &[u8; 2]| match last - first {
        0 => first.to_string(),
        1 => format!("{first}, {last}"),
        _ => format!("{first} to {last}"),
    };
    runs.iter().map(shown).collect::<Vec<_>>().join(", ")
}

/// A channel by its index; a switching board has 255 at most.
fn channel(index: usize) -> Channel {
    Channel(u8::try_from(index).unwrap_or(u8::MAX))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn channels_are_listed_in_runs() {
        let check = |channels: &[u8], expected: &str| {
            let channels: Vec<Channel> = channels.iter().copied().map(Channel).collect();
            assert_eq!(list(&channels), expected);
        };
        check(&[], "");
        check(&[3], "3");
        check(&[3, 4], "3, 4");
        check(&[0, 1, 2, 3, 9, 254], "0 to 3, 9, 254");
        check(&[9, 8, 7], "9, 8, 7");
    }
}
