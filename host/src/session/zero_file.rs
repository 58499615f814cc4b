//! The zero of a jig as a file: the path resistance of each channel, of which jig, on which day. Pure.

use std::{fmt::Write as _, time::Duration};

use protocol::Channel;
use serde::{Deserialize, Serialize};

use crate::{
    connector::{Connector, Wiring},
    fingerprint::Fingerprint,
    jig::BoardName,
    label::{self, Found},
    log::Zero,
    units::{Amperes, Ohms},
};

/// Version of the file that this program writes. Reads this and all before it.
const VERSION: u32 = 1;

/// A zero older than this is called old. Relays that stay idle for a week may show up to 50 Ω where they had 1.5 Ω
/// (docs/facts.md 2.3, reed multiplexer).
pub const AGE_LIMIT: Duration = Duration::from_secs(7 * 24 * 3600);

/// A zero after which there were more sweeps is called old: contacts settle within some 2000 cycles (docs/facts.md 2.3,
/// reed multiplexer), and a sweep closes each channel once to measure its voltage and once to read it.
pub const SWEEP_LIMIT: u64 = 1000;

/// A path above this is no path: no zero is taken of it. PhotoMOS of the worst kind have 25 Ω (docs/facts.md 2.3).
pub const HIGHEST_PATH: Ohms = Ohms::of(100.0);

/// The zero of a jig.
#[derive(Debug, Clone, PartialEq)]
pub struct ZeroFile {
    /// When it was measured: RFC 3339 text.
    pub measured: String,
    /// The switching board.
    pub board: BoardName,
    /// Name of the wiring, for people.
    pub wiring_name: String,
    /// The wiring, by what leads where.
    pub wiring: Fingerprint,
    /// Name of the meter profile.
    pub meter: String,
    /// Current by which the resistances were computed, into a short.
    pub current: Amperes,
    /// How often each channel was read.
    pub readings: u32,
    /// Resistance of one count of the meter.
    pub count: Ohms,
    /// Channel, path, and how far its readings lay apart.
    pub paths: Vec<Path>,
}

/// The path of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Path {
    /// The channel.
    pub channel: Channel,
    /// Middle of its readings.
    pub ohms: Ohms,
    /// Largest less smallest of its readings.
    pub spread: Ohms,
}

/// Why a zero cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ZeroError {
    /// The text is no zero file.
    #[error("expected a zero file: {0}")]
    Unreadable(String),
    /// It was written by a newer program.
    #[error("expected a zero file of version {VERSION} or older, found version {found}")]
    Newer {
        /// The version in it.
        found: u32,
    },
    /// A path cannot be.
    #[error("channel {channel}: expected a path from 0 to {} ohm, found {found}", HIGHEST_PATH.get())]
    Path {
        /// The channel.
        channel: Channel,
        /// In ohms.
        found: f64,
    },
    /// A channel comes twice.
    #[error("channel {0}: expected one path, found two")]
    Twice(Channel),
    /// It is the zero of another switching board.
    #[error("expected the zero of {expected}, found that of {found}")]
    OtherBoard {
        /// The one that answers.
        expected: BoardName,
        /// The one in the file.
        found: BoardName,
    },
    /// The switching board has no number of its own, and nobody named it.
    #[error("this switching board has no number of its own, so whose zero this is cannot be told")]
    Unnamed,
    /// The wiring is another one.
    #[error("expected a zero of the wiring {}, found one of {}", Found(expected), Found(found))]
    OtherWiring {
        /// The present one.
        expected: String,
        /// The one in the file.
        found: String,
    },
    /// The wiring is another one of the same name.
    #[error(
        "expected a zero of the present connector and its wiring {}, found one of another connector, or of the wiring before it was changed",
        Found(wiring)
    )]
    SameName {
        /// What both are called.
        wiring: String,
    },
    /// The meter is another one.
    #[error("expected a zero taken with the meter {}, found one of {}", Found(expected), Found(found))]
    OtherMeter {
        /// The present one.
        expected: String,
        /// The one in the file.
        found: String,
    },
}

impl ZeroError {
    /// What to do next.
    #[must_use]
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::Unnamed => "name the switching board with --jig-name, for its zero and for every sweep",
            Self::Newer { .. } => {
                "use the program that wrote it, or measure the zero again: pintally jig zero"
            }
            _ => "measure the zero of this jig with this meter: pintally jig zero",
        }
    }
}

/// Names a wiring by what leads where, whatever it is called.
#[must_use]
pub fn wiring_fingerprint(connector: &Connector, wiring: &Wiring) -> Fingerprint {
    let mut text = String::new();
    for (pin, channel) in connector.pins.iter().zip(wiring.channels()) {
        // Writing into a String never fails.
        let _ = writeln!(text, "{} {channel}", pin.name);
    }
    if let Some(check) = wiring.check() {
        let _ = writeln!(text, "check {} {}", check.channel, check.resistor.get());
    }
    Fingerprint::of(text.as_bytes())
}

impl ZeroFile {
    /// Reads a zero file.
    ///
    /// # Errors
    /// [`ZeroError`]
    pub fn from_toml(text: &str) -> Result<Self, ZeroError> {
        let unreadable = |what: &dyn std::fmt::Display| {
            // Only the first line of the parser: the rest draws the place of the error.
            ZeroError::Unreadable(label::printable(what.to_string().lines().next().unwrap_or_default()))
        };
        let version: Version = toml::from_str(text).map_err(|error| unreadable(&error.message()))?;
        if version.version > VERSION {
            return Err(ZeroError::Newer { found: version.version });
        }
        let file: File = toml::from_str(text).map_err(|error| unreadable(&error.message()))?;
        let named = |text: &str| label::name(text).map(str::to_owned).map_err(|problem| unreadable(&problem));
        let mut paths: Vec<Path> = Vec::with_capacity(file.paths.len());
        for &(channel, ohms, spread) in &file.paths {
            let within = |ohms: f64| {
                Ohms::new(ohms)
                    .filter(|ohms| (0.0..=HIGHEST_PATH.get()).contains(&ohms.get()))
                    .ok_or(ZeroError::Path { channel, found: ohms })
            };
            if paths.iter().any(|path| path.channel == channel) {
                return Err(ZeroError::Twice(channel));
            }
            paths.push(Path { channel, ohms: within(ohms)?, spread: within(spread)? });
        }
        let board = match (file.switching_board, file.jig_name) {
            (Some(id), None) => {
                BoardName::from_hex(&id).ok_or_else(|| unreadable(&"switching_board is no number of one"))?
            }
            (None, Some(name)) => BoardName::Named(named(&name)?),
            _ => return Err(unreadable(&"expected either switching_board or jig_name")),
        };
        Ok(Self {
            measured: named(&file.measured)?,
            board,
            wiring_name: named(&file.wiring)?,
            wiring: file.wiring_sha256,
            meter: named(&file.meter)?,
            current: file.current_amperes,
            readings: file.readings,
            count: file.count_ohms,
            paths,
        })
    }

    /// The file as text.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let mut text = String::from(
            "# Path resistances of a jig, measured on its short plate. `pintally sweep --zero` subtracts them.\n",
        );
        let quoted = |value: &str| toml::Value::from(value).to_string();
        let board = match &self.board {
            BoardName::Named(name) => format!("jig_name = {}", quoted(name)),
            other => format!("switching_board = {}", quoted(&other.to_string())),
        };
        // Writing into a String never fails.
        let _ = write!(
            text,
            "version = {VERSION}\nmeasured = {}\n{board}\nwiring = {}\nwiring_sha256 = \"{}\"\nmeter = {}\n\
             current_amperes = {}\nreadings = {}\ncount_ohms = {:.3}\n# channel, ohms, largest less smallest reading\npaths = [\n",
            quoted(&self.measured),
            quoted(&self.wiring_name),
            self.wiring,
            quoted(&self.meter),
            self.current.get(),
            self.readings,
            self.count.get(),
        );
        for Path { channel, ohms, spread } in &self.paths {
            let _ = writeln!(text, "  [{channel}, {:.3}, {:.3}],", ohms.get(), spread.get());
        }
        text.push_str("]\n");
        text
    }

    /// Checks that this is the zero of this wiring and meter.
    ///
    /// # Errors
    /// [`ZeroError::OtherWiring`], [`ZeroError::OtherMeter`]
    pub fn fits(&self, connector: &Connector, wiring: &Wiring, meter: &str) -> Result<(), ZeroError> {
        if self.wiring != wiring_fingerprint(connector, wiring) {
            let (expected, found) = (wiring.name().to_owned(), self.wiring_name.clone());
            if expected == found {
                return Err(ZeroError::SameName { wiring: found });
            }
            return Err(ZeroError::OtherWiring { expected, found });
        }
        if self.meter != meter {
            return Err(ZeroError::OtherMeter { expected: meter.to_owned(), found: self.meter.clone() });
        }
        Ok(())
    }

    /// Checks that this is the zero of the switching board that answers.
    ///
    /// # Errors
    /// [`ZeroError::OtherBoard`], [`ZeroError::Unnamed`]
    pub fn is_of(&self, board: &BoardName) -> Result<(), ZeroError> {
        match board {
            BoardName::Unnamed => Err(ZeroError::Unnamed),
            board if *board == self.board => Ok(()),
            board => Err(ZeroError::OtherBoard { expected: board.clone(), found: self.board.clone() }),
        }
    }

    /// How long ago it was measured; `None` if one of the two texts is no moment or it lies ahead.
    #[must_use]
    pub fn age(&self, now: &str) -> Option<Duration> {
        let then: jiff::Timestamp = self.measured.parse().ok()?;
        let now: jiff::Timestamp = now.parse().ok()?;
        Duration::try_from(now.duration_since(then)).ok()
    }

    /// As it stands in a session log.
    #[must_use]
    pub fn to_log(&self) -> Zero {
        let paths = self.paths.iter().map(|path| (path.channel, path.ohms)).collect();
        Zero { measured: Some(self.measured.clone()), paths }
    }
}

/// What a report says of the zero that was subtracted; nothing where it is not known when it was measured.
#[must_use]
pub fn describe(zero: &Zero) -> Option<String> {
    let day = zero.measured.as_ref()?.split('T').next()?;
    let ohms = || zero.paths.iter().map(|(_, ohms)| ohms.get());
    let low = ohms().fold(f64::INFINITY, f64::min);
    let high = ohms().fold(f64::NEG_INFINITY, f64::max);
    (!zero.paths.is_empty()).then(|| format!("jig zero of {day}: {low:.1} to {high:.1} ohm, subtracted"))
}

#[derive(Deserialize)]
struct Version {
    version: u32,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[allow(dead_code, reason = "read before, by itself")]
    version: u32,
    measured: String,
    switching_board: Option<String>,
    jig_name: Option<String>,
    wiring: String,
    wiring_sha256: Fingerprint,
    meter: String,
    current_amperes: Amperes,
    readings: u32,
    count_ohms: Ohms,
    paths: Vec<(Channel, f64, f64)>,
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::connector::Pin;

    fn connector() -> Connector {
        Connector::new("J1", ["1", "2"].map(Pin::named).to_vec()).unwrap()
    }

    fn zero(board: BoardName) -> ZeroFile {
        let path =
            |channel, ohms| Path { channel: Channel(channel), ohms: Ohms::of(ohms), spread: Ohms::of(0.1) };
        ZeroFile {
            measured: "2026-11-20T08:00:00Z".into(),
            board,
            wiring_name: "straight".into(),
            wiring: wiring_fingerprint(&connector(), &Wiring::straight(&connector()).unwrap()),
            meter: "bench-stream".into(),
            current: Amperes::of(0.001),
            readings: 3,
            count: Ohms::of(0.1),
            paths: vec![path(0, 0.8), path(1, 1.4)],
        }
    }

    #[test]
    fn a_zero_survives_its_file() {
        for board in [BoardName::Id([0x3f, 0, 1, 2, 3, 4, 5, 6]), BoardName::Named("bench \"2\"".into())] {
            let zero = zero(board);
            assert_eq!(ZeroFile::from_toml(&zero.to_toml()), Ok(zero));
        }
    }

    #[test]
    fn a_zero_of_something_else_is_refused() {
        let id = BoardName::Id([1; 8]);
        let zero = zero(id.clone());
        assert_eq!(zero.is_of(&id), Ok(()));
        assert_eq!(zero.is_of(&BoardName::Unnamed), Err(ZeroError::Unnamed));
        let error = zero.is_of(&BoardName::Id([2; 8])).unwrap_err().to_string();
        assert_eq!(
            error,
            "expected the zero of switching board 0202020202020202, found that of switching board 0101010101010101"
        );
        let straight = Wiring::straight(&connector()).unwrap();
        assert_eq!(zero.fits(&connector(), &straight, "bench-stream"), Ok(()));
        assert!(matches!(zero.fits(&connector(), &straight, "fs9721"), Err(ZeroError::OtherMeter { .. })));
        let turned = Wiring::new("turned", &connector(), vec![Channel(1), Channel(0)], None).unwrap();
        let error = zero.fits(&connector(), &turned, "bench-stream").unwrap_err().to_string();
        assert_eq!(error, "expected a zero of the wiring `turned`, found one of `straight`");
    }

    #[test]
    fn a_damaged_file_is_refused() {
        let good = zero(BoardName::Id([1; 8])).to_toml();
        let check = |from: &str, to: &str, expected: &str| {
            let error = ZeroFile::from_toml(&good.replace(from, to)).unwrap_err().to_string();
            assert_eq!(error, expected);
        };
        check("[0, 0.800", "[0, -0.800", "channel 0: expected a path from 0 to 100 ohm, found -0.8");
        check("[0, 0.800", "[0, nan", "channel 0: expected a path from 0 to 100 ohm, found NaN");
        check("[0, 0.800", "[1, 0.800", "channel 1: expected one path, found two");
        check("version = 1", "version = 2", "expected a zero file of version 1 or older, found version 2");
        check("version = 1", "", "expected a zero file: missing field `version`");
        check("meter = \"bench-stream\"\n", "", "expected a zero file: missing field `meter`");
    }

    #[test]
    fn a_zero_grows_old() {
        let zero = zero(BoardName::Id([1; 8]));
        assert_eq!(zero.age("2026-11-21T08:00:00Z"), Some(Duration::from_secs(24 * 3600)));
        assert_eq!(zero.age("2026-11-19T08:00:00Z"), None);
        assert_eq!(zero.age("yesterday"), None);
        assert_eq!(describe(&zero.to_log()).unwrap(), "jig zero of 2026-11-20: 0.8 to 1.4 ohm, subtracted");
        assert_eq!(describe(&Zero { measured: None, paths: zero.to_log().paths }), None);
    }
}
