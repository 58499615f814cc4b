//! Which channel of the switching board leads to which pin.

use std::collections::HashMap;

use protocol::Channel;

use crate::{
    label::{self, Found, LabelProblem},
    units::Ohms,
};

use super::{Connector, PinName, Place, TomlProblem};

/// Channels that a switching board can have at most: their number is told in one byte of its greeting.
pub const MOST_CHANNELS: u8 = u8::MAX;

/// Resistance that the resistor on a check channel may have: at the test currents of meters (0.3 to
/// 1.5 mA, common practice) it must read well above zero and well below overload.
pub const CHECK_RESISTOR_OHMS: std::ops::RangeInclusive<f64> = 10.0..=10_000.0;

/// How a jig connects the pins of a connector to the channels of the switching board.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// What the jig or its cable is called.
    pub(super) name: String,
    /// One channel a pin, in the order of [`Connector::pins`], each once.
    pub(super) channels: Vec<Channel>,
    /// The channel that leads to a known resistor.
    pub(super) check: Option<CheckChannel>,
}

/// A channel that leads to a known resistor to board ground instead of a pin: visited now and then, it shows
/// whether readings still belong to the channel that was selected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CheckChannel {
    /// The channel.
    pub channel: Channel,
    /// Its resistor.
    pub resistor: Ohms,
}

/// Why a wiring cannot be used: where, what was expected and what was found.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{place}{problem}")]
pub struct WiringError {
    /// Where it is.
    pub place: Place,
    /// What it is.
    pub problem: WiringProblem,
}

/// What is wrong with a wiring.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
#[allow(missing_docs, reason = "the messages say what each field holds")]
pub enum WiringProblem {
    #[error("name: {0}")]
    Name(LabelProblem),
    #[error("expected a wiring for connector {expected}, found one for {}", Found(found))]
    OtherConnector { expected: String, found: String },
    #[error("expected a pin of connector {connector}, found {}", Found(found))]
    UnknownPin { connector: String, found: String },
    #[error("expected a channel for every pin of connector {connector}, found none for {}", several(missing))]
    PinsMissing { connector: String, missing: Vec<PinName> },
    #[error("expected one channel for each of {pins} pins, found {found}")]
    TooManyChannels { pins: usize, found: usize },
    #[error("expected a channel from 0 to {}, found {found}", MOST_CHANNELS - 1)]
    NoChannel { found: i64 },
    #[error("expected each channel once, found channel {channel} for {first} too")]
    ChannelTwice { channel: Channel, first: Lead },
    #[error("expected one of the {channels} channels (0 to {}) of the switching board, found channel {channel}", channels.saturating_sub(1))]
    NotOnBoard { channel: Channel, channels: u8 },
    #[error("expected a check resistor from {} to {} ohm, found {found}", CHECK_RESISTOR_OHMS.start(), CHECK_RESISTOR_OHMS.end())]
    Resistor { found: f64 },
    #[error("expected at most {MOST_CHANNELS} pins on one switching board, found {found}")]
    TooManyPins { found: usize },
    #[error(transparent)]
    Toml(#[from] TomlProblem),
}

/// Where a channel leads.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lead {
    /// To a pin.
    Pin(PinName),
    /// To the resistor of the check channel.
    Check,
}

impl Wiring {
    /// Pin i of the connector on channel i, without a check channel.
    ///
    /// # Errors
    /// [`WiringProblem::TooManyPins`] if the connector has more pins than any switching board has channels.
    pub fn straight(connector: &Connector) -> Result<Self, WiringError> {
        let found = connector.pins.len();
        if found > usize::from(MOST_CHANNELS) {
            return Err(WiringError {
                place: Place::default(),
                problem: WiringProblem::TooManyPins { found },
            });
        }
        let channels = (0..MOST_CHANNELS).take(found).map(Channel).collect();
        Ok(Self { name: "straight".to_owned(), channels, check: None })
    }

    /// Makes a wiring of one channel a pin, in the order of the connector.
    ///
    /// # Errors
    /// [`WiringError`] if the name cannot be shown, a pin has no channel, a channel comes twice or the check
    /// resistor is none that can be told from an open or shorted channel.
    pub fn new(
        name: &str,
        connector: &Connector,
        channels: Vec<Channel>,
        check: Option<CheckChannel>,
    ) -> Result<Self, WiringError> {
        let at = |pin: Option<&PinName>, problem| WiringError {
            place: Place { line: None, pin: pin.cloned() },
            problem,
        };
        let name = label::name(name).map_err(|problem| at(None, WiringProblem::Name(problem)))?;
        if channels.len() > connector.pins.len() {
            let (pins, found) = (connector.pins.len(), channels.len());
            return Err(at(None, WiringProblem::TooManyChannels { pins, found }));
        }
        if channels.len() < connector.pins.len() {
            let missing = connector.pins.iter().skip(channels.len()).map(|pin| pin.name.clone()).collect();
            let connector = connector.name.clone();
            return Err(at(None, WiringProblem::PinsMissing { connector, missing }));
        }
        let mut taken = Taken::default();
        if let Some(check) = check {
            taken.check(check).map_err(|problem| at(None, problem))?;
        }
        for (pin, &channel) in connector.pins.iter().zip(&channels) {
            taken.pin(channel, &pin.name).map_err(|problem| at(Some(&pin.name), problem))?;
        }
        Ok(Self { name: name.to_owned(), channels, check })
    }

    /// What the jig or its cable is called.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// One channel a pin, in the order of [`Connector::pins`].
    #[must_use]
    pub fn channels(&self) -> &[Channel] {
        &self.channels
    }

    /// The channel that leads to a known resistor, if there is one.
    #[must_use]
    pub const fn check(&self) -> Option<CheckChannel> {
        self.check
    }

    /// Index of the pin to which a channel leads.
    #[must_use]
    pub fn pin_of(&self, channel: Channel) -> Option<usize> {
        self.channels.iter().position(|&other| other == channel)
    }

    /// Checks that a switching board has all the channels.
    ///
    /// # Errors
    /// [`WiringProblem::NotOnBoard`], with the pin, for the first channel that does not exist.
    pub fn fits(&self, connector: &Connector, channels: u8) -> Result<(), WiringError> {
        let pins = connector.pins.iter().map(|pin| Some(&pin.name)).zip(&self.channels);
        let check = self.check.iter().map(|check| (None, &check.channel));
        for (pin, &channel) in pins.chain(check) {
            if channel.0 >= channels {
                return Err(WiringError {
                    place: Place { line: None, pin: pin.cloned() },
                    problem: WiringProblem::NotOnBoard { channel, channels },
                });
            }
        }
        Ok(())
    }
}

impl WiringError {
    /// What to do about it.
    #[must_use]
    pub const fn hint(&self) -> Option<&'static str> {
        use WiringProblem as P;
        match &self.problem {
            P::NoChannel { .. } => Some("channels are counted from 0"),
            P::NotOnBoard { .. } => {
                Some("use a switching board with more channels, or wire the pin to a channel that exists")
            }
            P::ChannelTwice { .. } => {
                Some("each pin needs a channel of its own, or their readings cannot be told apart")
            }
            P::OtherConnector { .. } => Some("name the wiring of the jig for this connector"),
            P::UnknownPin { .. } => Some("pins are named as in the connector file"),
            _ => None,
        }
    }
}

impl std::fmt::Display for Lead {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Pin(pin) => write!(f, "pin {pin}"),
            Self::Check => f.write_str("the check resistor"),
        }
    }
}

/// The channels that already lead somewhere.
#[derive(Default)]
pub(super) struct Taken(HashMap<Channel, Lead>);

impl Taken {
    pub(super) fn pin(&mut self, channel: Channel, pin: &PinName) -> Result<(), WiringProblem> {
        self.take(channel, Lead::Pin(pin.clone()))
    }

    pub(super) fn check(&mut self, check: CheckChannel) -> Result<(), WiringProblem> {
        if !CHECK_RESISTOR_OHMS.contains(&check.resistor.get()) {
            return Err(WiringProblem::Resistor { found: check.resistor.get() });
        }
        self.take(check.channel, Lead::Check)
    }

    fn take(&mut self, channel: Channel, lead: Lead) -> Result<(), WiringProblem> {
        match self.0.insert(channel, lead) {
            None => Ok(()),
            Some(first) => Err(WiringProblem::ChannelTwice { channel, first }),
        }
    }
}

/// The first few pins of a list that may be long.
fn several(pins: &[PinName]) -> String {
    const SHOWN: usize = 8;
    let mut text: Vec<_> = pins.iter().take(SHOWN).map(PinName::as_str).collect();
    let more = format!("{} more", pins.len().saturating_sub(SHOWN));
    if pins.len() > SHOWN {
        text.push(&more);
    }
    text.join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::Pin;

    fn connector() -> Connector {
        Connector::new("J1", ["1", "2", "A3"].map(Pin::named).to_vec()).unwrap()
    }

    #[test]
    fn straight_is_pin_by_pin() {
        let wiring = Wiring::straight(&connector()).unwrap();
        assert_eq!(wiring.channels(), [Channel(0), Channel(1), Channel(2)]);
        let many = Connector::new("J1", (0..256).map(|i| Pin::named(&i.to_string())).collect()).unwrap();
        assert_eq!(
            Wiring::straight(&many).unwrap_err().to_string(),
            "expected at most 255 pins on one switching board, found 256"
        );
    }

    #[test]
    fn a_channel_exists_on_the_switching_board() {
        let connector = connector();
        let check = Some(CheckChannel { channel: Channel(9), resistor: Ohms::of(470.0) });
        let wiring = Wiring::new("jig", &connector, vec![Channel(0), Channel(1), Channel(7)], check).unwrap();
        assert_eq!(wiring.fits(&connector, 10), Ok(()));
        let message = |channels| wiring.fits(&connector, channels).unwrap_err().to_string();
        assert_eq!(
            message(9),
            "expected one of the 9 channels (0 to 8) of the switching board, found channel 9"
        );
        assert_eq!(
            message(7),
            "pin A3: expected one of the 7 channels (0 to 6) of the switching board, found channel 7"
        );
        assert!(wiring.fits(&connector, 0).is_err());
    }

    #[test]
    fn a_wiring_is_checked_however_it_is_made() {
        let connector = connector();
        let message = |channels: &[u8], check| {
            let channels = channels.iter().copied().map(Channel).collect();
            Wiring::new("jig", &connector, channels, check).unwrap_err().to_string()
        };
        assert_eq!(
            message(&[0], None),
            "expected a channel for every pin of connector J1, found none for 2, A3"
        );
        assert_eq!(message(&[0, 1, 2, 3], None), "expected one channel for each of 3 pins, found 4");
        assert_eq!(
            message(&[0, 1, 0], None),
            "pin A3: expected each channel once, found channel 0 for pin 1 too"
        );
        let check = CheckChannel { channel: Channel(3), resistor: Ohms::of(20e3) };
        assert_eq!(
            message(&[0, 1, 2], Some(check)),
            "expected a check resistor from 10 to 10000 ohm, found 20000"
        );
    }

    #[test]
    fn a_long_list_of_pins_is_cut() {
        let pins: Vec<_> = (1..=10).map(|i| PinName::new(&i.to_string())).collect();
        assert_eq!(several(&pins), "1, 2, 3, 4, 5, 6, 7, 8, 2 more");
        assert_eq!(several(&pins[..2]), "1, 2");
    }
}
