//! Profiles as TOML: what is written, checked into what is meant.

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{DiodeSource, DiodeTest, Origin, Profile, Talk, Timing, check};
use crate::{
    meter::{Format, LineFormat, PortSettings},
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
        check::all(&profile)?;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_field_that_is_not_known_is_named() {
        let text = crate::meter::shipped("fs9721").unwrap().to_toml().replace("baud =", "speed =");
        let error = Profile::from_toml(&text).unwrap_err();
        let source = std::error::Error::source(&error).unwrap().to_string();
        assert!(source.contains("speed"), "{source}");
    }
}
