//! Which channel of the switching board leads to which pin.

use std::collections::{BTreeMap, HashMap};

use protocol::Channel;
use serde::Deserialize;
use toml::Spanned;

use crate::{
    label::{self, Found, LabelProblem},
    units::Ohms,
};

use super::{
    Connector, PinName, Place, TomlProblem,
    toml_file::{line_of, read},
};

/// Channels that a switching board can have at most: their number is told in one byte of its greeting.
pub const MOST_CHANNELS: u8 = u8::MAX;

/// Resistance that the resistor on a check channel may have: at the test currents of meters (0.3 to
/// 1.5 mA, common practice) it must read well above zero and well below overload.
pub const CHECK_RESISTOR_OHMS: std::ops::RangeInclusive<f64> = 10.0..=10_000.0;

/// How a jig connects the pins of a connector to the channels of the switching board.
#[derive(Debug, Clone, PartialEq)]
pub struct Wiring {
    /// What the jig or its cable is called.
    name: String,
    /// One channel a pin, in the order of [`Connector::pins`], each once.
    channels: Vec<Channel>,
    /// The channel that leads to a known resistor.
    check: Option<CheckChannel>,
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
    #[source]
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

    /// Reads a wiring from the text of a TOML file: `name`, `[channels]` with a channel a pin, and
    /// optionally `connector` (then it is refused for any other) and `[check]` with `channel` and `ohms`.
    ///
    /// # Errors
    /// [`WiringError`], which names the line and the pin.
    pub fn from_toml(text: &str, connector: &Connector) -> Result<Self, WiringError> {
        let at = |byte: Option<usize>, pin: Option<&PinName>, problem| WiringError {
            place: Place { line: byte.map(|byte| line_of(text, byte)), pin: pin.cloned() },
            problem,
        };
        let file: File = read(text).map_err(|(line, problem)| WiringError {
            place: Place { line, pin: None },
            problem: problem.into(),
        })?;
        let start = file.name.span().start;
        let name = label::name(file.name.get_ref())
            .map_err(|problem| at(Some(start), None, WiringProblem::Name(problem)))?;
        if let Some(found) = file.connector.filter(|found| found.get_ref().trim() != connector.name) {
            let expected = connector.name.clone();
            let start = found.span().start;
            return Err(at(
                Some(start),
                None,
                WiringProblem::OtherConnector { expected, found: found.into_inner() },
            ));
        }
        let mut taken = Taken::default();
        let check = match &file.check {
            None => None,
            Some(table) => {
                let start = table.channel.span().start;
                let channel =
                    channel(*table.channel.get_ref()).map_err(|problem| at(Some(start), None, problem))?;
                let resistor = Ohms::new(*table.ohms.get_ref())
                    .ok_or(WiringProblem::Resistor { found: *table.ohms.get_ref() });
                let check = resistor.and_then(|resistor| {
                    let check = CheckChannel { channel, resistor };
                    taken.check(check).map(|()| check)
                });
                Some(check.map_err(|problem| at(Some(table.ohms.span().start), None, problem))?)
            }
        };
        // In the order of the file, so that the error names the first line that is wrong.
        let mut entries: Vec<_> = file.channels.get_ref().iter().collect();
        entries.sort_by_key(|(_, found)| found.span().start);
        let mut channels = vec![None; connector.pins.len()];
        for (pin, found) in entries {
            let start = Some(found.span().start);
            let pin = PinName::new(pin);
            let index = connector.index_of(&pin).ok_or_else(|| {
                let problem = WiringProblem::UnknownPin {
                    connector: connector.name.clone(),
                    found: pin.as_str().to_owned(),
                };
                at(start, None, problem)
            })?;
            let channel = channel(*found.get_ref()).map_err(|problem| at(start, Some(&pin), problem))?;
            taken.pin(channel, &pin).map_err(|problem| at(start, Some(&pin), problem))?;
            channels[index] = Some(channel);
        }
        let missing: Vec<_> = connector
            .pins
            .iter()
            .zip(&channels)
            .filter(|(_, c)| c.is_none())
            .map(|(pin, _)| pin.name.clone())
            .collect();
        if !missing.is_empty() {
            let connector = connector.name.clone();
            return Err(at(
                Some(file.channels.span().start),
                None,
                WiringProblem::PinsMissing { connector, missing },
            ));
        }
        Ok(Self { name: name.to_owned(), channels: channels.into_iter().flatten().collect(), check })
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

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    name: Spanned<String>,
    connector: Option<Spanned<String>>,
    check: Option<CheckTable>,
    channels: Spanned<BTreeMap<String, Spanned<i64>>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CheckTable {
    channel: Spanned<i64>,
    ohms: Spanned<f64>,
}

/// The channels that already lead somewhere.
#[derive(Default)]
struct Taken(HashMap<Channel, Lead>);

impl Taken {
    fn pin(&mut self, channel: Channel, pin: &PinName) -> Result<(), WiringProblem> {
        self.take(channel, Lead::Pin(pin.clone()))
    }

    fn check(&mut self, check: CheckChannel) -> Result<(), WiringProblem> {
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

fn channel(found: i64) -> Result<Channel, WiringProblem> {
    u8::try_from(found)
        .ok()
        .filter(|&channel| channel < MOST_CHANNELS)
        .map(Channel)
        .ok_or(WiringProblem::NoChannel { found })
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
    fn reads_channels_and_the_check_channel() {
        let text = "name = \"jig 2\"\nconnector = \"J1\"\n[check]\nchannel = 0\nohms = 470\n\
                    [channels]\nA3 = 1\n2 = 2\n1 = 3\n";
        let wiring = Wiring::from_toml(text, &connector()).unwrap();
        assert_eq!(wiring.name(), "jig 2");
        assert_eq!(wiring.channels(), [Channel(3), Channel(2), Channel(1)]);
        let check = CheckChannel { channel: Channel(0), resistor: Ohms::of(470.0) };
        assert_eq!(wiring.check(), Some(check));
        assert_eq!(wiring.pin_of(Channel(1)), Some(2));
        assert_eq!(wiring.pin_of(Channel(0)), None);
        let made = Wiring::new("jig 2", &connector(), wiring.channels().to_vec(), Some(check)).unwrap();
        assert_eq!(made, wiring);
    }

    #[test]
    fn errors_name_line_and_pin() {
        let check = |body: &str, expected: &str| {
            let text = format!("name = \"jig 2\"\n{body}");
            assert_eq!(Wiring::from_toml(&text, &connector()).unwrap_err().to_string(), expected, "{body}");
        };
        check(
            "[channels]\n1=0\n2=0\nA3=2",
            "line 4, pin 2: expected each channel once, found channel 0 for pin 1 too",
        );
        check("[channels]\n1=0\n9=1", "line 4: expected a pin of connector J1, found `9`");
        check(
            "[channels]\n1=0\n",
            "line 2: expected a channel for every pin of connector J1, found none for 2, A3",
        );
        check("[channels]\n1=255\n", "line 3, pin 1: expected a channel from 0 to 254, found 255");
        check("[channels]\n1=-1\n", "line 3, pin 1: expected a channel from 0 to 254, found -1");
        check("[channels]\n1=0\n1=1\n", "line 4: duplicate key");
        check(
            "connector = \"J2\"\n[channels]\n",
            "line 2: expected a wiring for connector J1, found one for `J2`",
        );
        check(
            "[check]\nchannel=1\nohms=470\n[channels]\n1=0\n2=1\n",
            "line 7, pin 2: expected each channel once, found channel 1 for the check resistor too",
        );
        check(
            "[check]\nchannel=1\nohms=0\n[channels]\n",
            "line 4: expected a check resistor from 10 to 10000 ohm, found 0",
        );
        check(
            "[check]\nchannel=1\nohms=nan\n[channels]\n",
            "line 4: expected a check resistor from 10 to 10000 ohm, found NaN",
        );
        check("", "line 1: missing field `channels`");
        check(
            "[chanels]\n",
            "line 2: unknown field `chanels`, expected one of `name`, `connector`, `check`, `channels`",
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
