//! A wiring as a TOML file.

use std::collections::BTreeMap;

use protocol::Channel;
use serde::Deserialize;
use toml::Spanned;

use crate::{label, units::Ohms};

use super::{
    Connector, MOST_CHANNELS, PinName, Place,
    toml_file::{line_of, read},
    wiring::{CheckChannel, Taken, Wiring, WiringError, WiringProblem},
};

impl Wiring {
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

fn channel(found: i64) -> Result<Channel, WiringProblem> {
    u8::try_from(found)
        .ok()
        .filter(|&channel| channel < MOST_CHANNELS)
        .map(Channel)
        .ok_or(WiringProblem::NoChannel { found })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::Pin;

    fn connector() -> Connector {
        Connector::new("J1", ["1", "2", "A3"].map(Pin::named).to_vec()).unwrap()
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
}
