//! Profiles as TOML: what is written, checked into what is meant.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{DiodeSource, DiodeTest, Origin, Profile, Talk, Timing};
use crate::{
    meter::{DataBits, Format, LineFormat, Parity, PortSettings},
    units::{Amperes, Ohms, Volts},
};

/// Why a profile cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ProfileError {
    /// Not TOML, or a field that is missing, unknown or of another type.
    #[error("cannot read the meter profile")]
    Toml(#[source] Box<toml::de::Error>),
    /// TOML that cannot be changed in its place.
    #[error("cannot change the meter profile: {0}")]
    Edit(String),
    /// A field with a value that no meter can have.
    #[error("{field} of meter profile {profile}: expected {expected}, found {found}")]
    Field {
        /// Name of the profile.
        profile: String,
        /// Table and name of the field.
        field: &'static str,
        /// What was expected.
        expected: &'static str,
        /// What was found.
        found: String,
    },
}

/// A profile as it is written. The fields carry their units in their names, since TOML has none.
#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ProfileFile {
    name: String,
    title: String,
    format: Format,
    origin: Origin,
    notes: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    overload_from: Option<f64>,
    port: PortSettings,
    talk: TalkFile,
    timing: TimingFile,
    diode: DiodeFile,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    line: Option<LineFormat>,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "lowercase", deny_unknown_fields)]
enum TalkFile {
    Streaming,
    Polled { poll: String, timeout_ms: u64 },
    Triggered { remote: bool, timeout_ms: u64 },
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct TimingFile {
    readings_per_second: f64,
    spoilt: u32,
    agree: u32,
    tolerance_volts: Volts,
    #[serde(default)]
    adapter_delay_ms: u64,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct DiodeFile {
    overload_volts: Volts,
    resolution_volts: Volts,
    source: SourceFile,
}

#[derive(Debug, Clone, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
enum SourceFile {
    ConstantCurrent { amperes: Amperes, compliance_volts: Volts },
    BehindResistance { open_circuit_volts: Volts, ohms: Ohms },
}

pub(super) fn parse(text: &str) -> Result<Profile, ProfileError> {
    let file: ProfileFile = toml::from_str(text).map_err(|error| ProfileError::Toml(Box::new(error)))?;
    Profile::try_from(file)
}

pub(super) fn print(profile: &Profile) -> String {
    toml::to_string_pretty(&ProfileFile::from(profile.clone())).expect("plain tables of strings and numbers")
}

impl TryFrom<ProfileFile> for Profile {
    type Error = ProfileError;

    fn try_from(file: ProfileFile) -> Result<Self, ProfileError> {
        let profile = Self {
            talk: match file.talk {
                TalkFile::Streaming => Talk::Streaming,
                TalkFile::Polled { poll, timeout_ms } => {
                    Talk::Polled { poll: poll.into_bytes(), timeout: Duration::from_millis(timeout_ms) }
                }
                TalkFile::Triggered { remote, timeout_ms } => {
                    Talk::Triggered { remote, timeout: Duration::from_millis(timeout_ms) }
                }
            },
            timing: Timing {
                readings_per_second: file.timing.readings_per_second,
                spoilt: file.timing.spoilt,
                agree: file.timing.agree,
                tolerance: file.timing.tolerance_volts,
                adapter_delay: Duration::from_millis(file.timing.adapter_delay_ms),
            },
            diode: DiodeTest {
                source: match file.diode.source {
                    SourceFile::ConstantCurrent { amperes, compliance_volts } => {
                        DiodeSource::ConstantCurrent { current: amperes, compliance: compliance_volts }
                    }
                    SourceFile::BehindResistance { open_circuit_volts, ohms } => {
                        DiodeSource::BehindResistance { open_circuit: open_circuit_volts, resistance: ohms }
                    }
                },
                overload_above: file.diode.overload_volts,
                resolution: file.diode.resolution_volts,
            },
            name: file.name,
            title: file.title,
            format: file.format,
            origin: file.origin,
            notes: file.notes,
            port: file.port,
            overload_from: file.overload_from,
            line: file.line,
        };
        check(&profile)?;
        Ok(profile)
    }
}

impl From<Profile> for ProfileFile {
    fn from(profile: Profile) -> Self {
        let ms = |span: Duration| u64::try_from(span.as_millis()).unwrap_or(u64::MAX);
        Self {
            talk: match profile.talk {
                Talk::Streaming => TalkFile::Streaming,
                Talk::Polled { poll, timeout } => TalkFile::Polled {
                    // A poll that was not text could not have been read from a profile.
                    poll: String::from_utf8_lossy(&poll).into_owned(),
                    timeout_ms: ms(timeout),
                },
                Talk::Triggered { remote, timeout } => {
                    TalkFile::Triggered { remote, timeout_ms: ms(timeout) }
                }
            },
            timing: TimingFile {
                readings_per_second: profile.timing.readings_per_second,
                spoilt: profile.timing.spoilt,
                agree: profile.timing.agree,
                tolerance_volts: profile.timing.tolerance,
                adapter_delay_ms: ms(profile.timing.adapter_delay),
            },
            diode: DiodeFile {
                source: match profile.diode.source {
                    DiodeSource::ConstantCurrent { current, compliance } => {
                        SourceFile::ConstantCurrent { amperes: current, compliance_volts: compliance }
                    }
                    DiodeSource::BehindResistance { open_circuit, resistance } => {
                        SourceFile::BehindResistance { open_circuit_volts: open_circuit, ohms: resistance }
                    }
                },
                overload_volts: profile.diode.overload_above,
                resolution_volts: profile.diode.resolution,
            },
            name: profile.name,
            title: profile.title,
            format: profile.format,
            origin: profile.origin,
            notes: profile.notes,
            port: profile.port,
            overload_from: profile.overload_from,
            line: profile.line,
        }
    }
}

fn check(profile: &Profile) -> Result<(), ProfileError> {
    let require = |holds: bool, field, expected, found: String| {
        if holds {
            Ok(())
        } else {
            Err(ProfileError::Field { profile: profile.name.clone(), field, expected, found })
        }
    };
    let within = |field, expected, value: f64, least: f64, most: f64| {
        require((least..=most).contains(&value), field, expected, value.to_string())
    };
    let positive = |field, volts: Volts| {
        within(field, "more than 0 and at most 20 volts", volts.get(), f64::MIN_POSITIVE, 20.0)
    };
    let name_fits = !profile.name.is_empty()
        && profile
            .name
            .bytes()
            .all(|byte| byte.is_ascii_lowercase() || byte.is_ascii_digit() || byte == b'-');
    require(name_fits, "name", "lower-case letters, digits and dashes", format!("{:?}", profile.name))?;
    require(
        (50..=4_000_000).contains(&profile.port.baud),
        "port.baud",
        "50 to 4000000",
        profile.port.baud.to_string(),
    )?;
    let timing = &profile.timing;
    let rate = timing.readings_per_second;
    within("timing.readings_per_second", "0.05 to 10000", rate, 0.05, 10_000.0)?;
    require(timing.spoilt <= 100, "timing.spoilt", "at most 100 readings", timing.spoilt.to_string())?;
    require(
        // One reading agrees with itself: then nothing would tell a spoilt one, on a pin or on the check channel.
        (2..=100).contains(&timing.agree),
        "timing.agree",
        "2 to 100 readings, since one alone proves nothing",
        timing.agree.to_string(),
    )?;
    positive("timing.tolerance_volts", timing.tolerance)?;
    require(
        timing.adapter_delay <= Duration::from_secs(1),
        "timing.adapter_delay_ms",
        "at most 1000",
        timing.adapter_delay.as_millis().to_string(),
    )?;
    let diode = &profile.diode;
    positive("diode.overload_volts", diode.overload_above)?;
    positive("diode.resolution_volts", diode.resolution)?;
    require(
        diode.resolution.get() < diode.overload_above.get(),
        "diode.resolution_volts",
        "less than diode.overload_volts",
        diode.resolution.get().to_string(),
    )?;
    match diode.source {
        DiodeSource::ConstantCurrent { current, compliance } => {
            let expected = "more than 0 and at most 0.02 amperes";
            within("diode.source.amperes", expected, current.get(), f64::MIN_POSITIVE, 0.02)?;
            positive("diode.source.compliance_volts", compliance)?;
        }
        DiodeSource::BehindResistance { open_circuit, resistance } => {
            positive("diode.source.open_circuit_volts", open_circuit)?;
            within("diode.source.ohms", "1 to 10000000 ohms", resistance.get(), 1.0, 1e7)?;
        }
    }
    match &profile.talk {
        Talk::Streaming => {}
        Talk::Polled { poll, timeout } => {
            require(!poll.is_empty(), "talk.poll", "at least one character", "none".to_owned())?;
            check_timeout(*timeout, &require)?;
        }
        Talk::Triggered { timeout, .. } => {
            let found = format!("kind triggered with format {}", profile.format.name());
            let expected = "triggered only with format scpi";
            require(profile.format == Format::Scpi, "talk.kind", expected, found)?;
            check_timeout(*timeout, &require)?;
        }
    }
    if let Some(limit) = profile.overload_from {
        let expected = "more than 1000, since diode readings lie below";
        within("overload_from", expected, limit, 1000.0, f64::MAX)?;
        let found = format!("a limit with format {}", profile.format.name());
        require(profile.format == Format::Scpi, "overload_from", "a limit only with format scpi", found)?;
    }
    let is_line = profile.format == Format::Line;
    let expected = "the table [line] with format line and only then";
    let found = format!("format {}", profile.format.name());
    require(profile.line.is_some() == is_line, "line", expected, found)?;
    if let Some(Err((field, expected, found))) = profile.line.as_ref().map(LineFormat::check) {
        require(false, field, expected, found)?;
    }
    if matches!(profile.format, Format::Es11 | Format::Es14) {
        let port = &profile.port;
        let fits = matches!(
            (port.data_bits, port.parity),
            (DataBits::Seven, Parity::Odd) | (DataBits::Eight, Parity::None)
        );
        let found = format!("{} bits, parity {:?}", u8::from(port.data_bits), port.parity);
        require(fits, "port.parity", "7 bits with odd parity, or 8 bits without", found)?;
    }
    Ok(())
}

fn check_timeout(
    timeout: Duration,
    require: &dyn Fn(bool, &'static str, &'static str, String) -> Result<(), ProfileError>,
) -> Result<(), ProfileError> {
    require(
        (Duration::from_millis(50)..=Duration::from_secs(60)).contains(&timeout),
        "talk.timeout_ms",
        "50 to 60000",
        timeout.as_millis().to_string(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The shipped profile with one line replaced, and what is said about it.
    fn check(profile: &str, line: &str, replacement: &str) -> String {
        let text = crate::meter::shipped(profile).unwrap().to_toml();
        assert!(text.contains(line), "{line} is not in {text}");
        let error = Profile::from_toml(&text.replacen(line, replacement, 1)).unwrap_err();
        error.to_string()
    }

    #[test]
    fn an_error_names_the_field_and_what_was_expected_and_found() {
        for (profile, line, replacement, message) in [
            (
                "fs9721",
                "readings_per_second = 3.0",
                "readings_per_second = 0.0",
                "timing.readings_per_second of meter profile fs9721: expected 0.05 to 10000, found 0",
            ),
            (
                "fs9721",
                "name = \"fs9721\"",
                "name = \"My Meter\"",
                "name of meter profile My Meter: expected lower-case letters, digits and dashes, found \"My Meter\"",
            ),
            (
                "fs9721",
                "agree = 2",
                "agree = 1",
                "timing.agree of meter profile fs9721: expected 2 to 100 readings, since one alone proves nothing, found 1",
            ),
            (
                "es14",
                "parity = \"odd\"",
                "parity = \"even\"",
                "port.parity of meter profile es14: expected 7 bits with odd parity, or 8 bits without, found 7 bits, parity Even",
            ),
            (
                "fs9721",
                "format = \"fs9721\"",
                "format = \"line\"",
                "line of meter profile fs9721: expected the table [line] with format line and only then, found format line",
            ),
            (
                "text-lines",
                "value_column = 2",
                "value_column = 0",
                "line.value_column of meter profile text-lines: expected a column from 1 to 64, found 0",
            ),
            (
                "scpi-bench",
                "amperes = 0.001",
                "amperes = 1.0",
                "diode.source.amperes of meter profile scpi-bench: expected more than 0 and at most 0.02 amperes, found 1",
            ),
        ] {
            assert_eq!(check(profile, line, replacement), message);
        }
    }

    #[test]
    fn a_field_that_is_not_known_is_named() {
        let text = crate::meter::shipped("fs9721").unwrap().to_toml().replace("baud =", "speed =");
        let error = Profile::from_toml(&text).unwrap_err();
        let source = std::error::Error::source(&error).unwrap().to_string();
        assert!(source.contains("speed"), "{source}");
    }
}
