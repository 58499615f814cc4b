//! What is known of a meter, and what it needs to be read.

mod check;
mod file;
mod measured;

use std::time::Duration;

use serde::{Deserialize, Serialize};

use super::{
    PortSettings,
    format::{Format, LineFormat},
};
use crate::units::{Amperes, Ohms, Volts};

pub use file::ProfileError;
pub use measured::Measured;

/// A meter: its format, its port, how it talks, how fast, and what its diode test drives.
///
/// Profiles are TOML. Some come with the program ([`shipped`]); a user adds more as files.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "file::ProfileFile", into = "file::ProfileFile")]
pub struct Profile {
    /// What it is called on the command line, in lower case with dashes.
    pub name: String,
    /// What it is called on screens.
    pub title: String,
    /// What it sends.
    pub format: Format,
    /// How far to trust this profile.
    pub origin: Origin,
    /// Where the settings come from and what to mind.
    pub notes: String,
    /// Port settings.
    pub port: PortSettings,
    /// Who speaks first.
    pub talk: Talk,
    /// How fast, and how many readings to wait for.
    pub timing: Timing,
    /// The diode test.
    pub diode: DiodeTest,
    /// Numbers from here on are an overload, for SCPI-like meters that are older than SCPI's 9.9E37.
    pub overload_from: Option<f64>,
    /// How lines are read, with [`Format::Line`].
    pub line: Option<LineFormat>,
}

/// How far to trust a profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Origin {
    /// From a maker's document, never tried on a real meter.
    Documented,
    /// From memory of a maker's document, never tried on a real meter.
    FromMemory,
    /// Tried on a real meter.
    Tried,
}

/// Who speaks first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Talk {
    /// The meter sends each conversion by itself.
    Streaming,
    /// The meter converts by itself and sends its newest conversion when asked.
    Polled {
        /// What asks.
        poll: Vec<u8>,
        /// How long an answer may take.
        timeout: Duration,
    },
    /// The meter converts when asked, in SCPI words, and then sends.
    Triggered {
        /// Whether `SYST:REM` is sent first; the 34401A class needs it over RS-232.
        remote: bool,
        /// How long an answer may take.
        timeout: Duration,
    },
}

/// How fast a meter is, and how many readings to wait for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Timing {
    /// Readings a second.
    pub readings_per_second: f64,
    /// Readings that mix old and new input after a step, the running conversion included (`jig` and `meter lag`
    /// measure it).
    pub spoilt: u32,
    /// Readings that must agree before one is taken.
    pub agree: u32,
    /// How far readings may lie apart and still agree.
    pub tolerance: Volts,
    /// How long the adapter may hold bytes back.
    pub adapter_delay: Duration,
}

/// What the diode test drives and shows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DiodeTest {
    /// What the meter drives through the pin.
    pub source: DiodeSource,
    /// Above this the meter shows OL.
    pub overload_above: Volts,
    /// One count.
    pub resolution: Volts,
}

/// The source that a meter's diode test puts between its leads.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DiodeSource {
    /// A current that holds until the voltage reaches the compliance.
    ConstantCurrent {
        /// The current.
        current: Amperes,
        /// The voltage across open leads.
        compliance: Volts,
    },
    /// A voltage behind a resistance, as in many handhelds: I = (Voc − V)/R.
    BehindResistance {
        /// The voltage across open leads, Voc.
        open_circuit: Volts,
        /// The resistance, R.
        resistance: Ohms,
    },
}

impl Profile {
    /// Reads a profile from TOML.
    ///
    /// # Errors
    /// Names the field, what was expected there and what was found.
    pub fn from_toml(text: &str) -> Result<Self, ProfileError> {
        file::parse(text)
    }

    /// The profile as TOML that [`from_toml`](Self::from_toml) reads back the same.
    #[must_use]
    pub fn to_toml(&self) -> String {
        file::print(self)
    }

    /// Time between two conversions.
    #[must_use]
    pub fn period(&self) -> Duration {
        Duration::from_secs_f64(self.timing.readings_per_second.recip())
    }
}

/// The text of the profile of this name that comes with the program, with its comments.
#[must_use]
pub fn shipped_text(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(shipped, _)| *shipped == name).map(|(_, text)| *text)
}

/// The profile of this name that comes with the program.
#[must_use]
pub fn shipped(name: &str) -> Option<Profile> {
    Profile::from_toml(shipped_text(name)?).ok()
}

impl Profile {
    /// All profiles that come with the program.
    pub fn all_shipped() -> impl Iterator<Item = Self> {
        SHIPPED.iter().filter_map(|(_, text)| Self::from_toml(text).ok())
    }
}

/// Names and texts.
const SHIPPED: [(&str, &str); 13] = [
    ("scpi-bench", include_str!("../../profiles/scpi-bench.toml")),
    ("bench-stream", include_str!("../../profiles/bench-stream.toml")),
    ("fs9721", include_str!("../../profiles/fs9721.toml")),
    ("fs9922", include_str!("../../profiles/fs9922.toml")),
    ("es14", include_str!("../../profiles/es14.toml")),
    ("es14-8n1", include_str!("../../profiles/es14-8n1.toml")),
    ("es11", include_str!("../../profiles/es11.toml")),
    ("d14", include_str!("../../profiles/d14.toml")),
    ("t16", include_str!("../../profiles/t16.toml")),
    ("tpi183", include_str!("../../profiles/tpi183.toml")),
    ("tpi196", include_str!("../../profiles/tpi196.toml")),
    ("hm8012", include_str!("../../profiles/hm8012.toml")),
    ("text-lines", include_str!("../../profiles/text-lines.toml")),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shipped_profile_is_valid_and_survives_its_own_toml() {
        let mut names = Vec::new();
        for (name, text) in SHIPPED {
            let profile = Profile::from_toml(text).unwrap();
            assert_eq!(profile.name, name);
            assert_eq!(Profile::from_toml(&profile.to_toml()).unwrap(), profile, "{}", profile.name);
            names.push(profile.name);
        }
        names.sort();
        names.dedup();
        assert_eq!(names.len(), SHIPPED.len());
    }
}
