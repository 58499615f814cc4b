//! What stays the same at one bench: ports, meter, people and places, so that they need not be typed each time.
//!
//! Text goes in, values come out. Where the file lies and which commands ask it is the command line's business.

use std::path::{Path, PathBuf};

use serde::Deserialize;
use toml::Spanned;

use crate::{
    connector::{TomlProblem, line_of, read_toml},
    label::{self, LabelProblem},
    meter,
    port::{Address, AddressError},
};

/// Defaults of a bench. Everything may be absent, and what is typed goes first.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Configuration {
    /// Port of the switching board.
    pub jig: Option<Address>,
    /// Port of the meter.
    pub meter: Option<Address>,
    /// Meter profile: a shipped one by name, or a file.
    pub profile: Option<String>,
    /// Wiring file of the jig.
    pub wiring: Option<PathBuf>,
    /// Zero file of the jig, as `jig zero` writes it.
    pub zero: Option<PathBuf>,
    /// Data directory: session logs and history.
    pub data: Option<PathBuf>,
    /// Who works at this bench.
    pub operator: Option<String>,
}

/// Why a configuration cannot be used: where, what was expected and what was found.
#[derive(Debug, thiserror::Error)]
#[error("{}{problem}", line.map(|line| format!("line {line}: ")).unwrap_or_default())]
pub struct ConfigurationError {
    /// Line, counted from 1; `None` where the trouble belongs to no line.
    pub line: Option<u64>,
    /// What it is.
    pub problem: ConfigurationProblem,
}

/// What is wrong with a configuration.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ConfigurationProblem {
    /// Not TOML, or a key that is unknown, twice there or of another type.
    #[error(transparent)]
    Toml(#[from] TomlProblem),
    /// A port that is none.
    #[error("{key}: {problem}")]
    Port {
        /// Key of the port.
        key: &'static str,
        /// What is wrong with it.
        problem: AddressError,
    },
    /// A name of a person, file or folder that is none.
    #[error("{key}: {problem}")]
    Label {
        /// Key of the name.
        key: &'static str,
        /// What is wrong with it.
        problem: LabelProblem,
    },
}

impl Configuration {
    /// Reads a configuration from the text of a TOML file. Files that it names are looked for from `folder` on,
    /// the folder of the configuration itself.
    ///
    /// # Errors
    /// [`ConfigurationError`], which names the line.
    pub fn from_toml(text: &str, folder: &Path) -> Result<Self, ConfigurationError> {
        let file: File = read_toml(text)
            .map_err(|(line, problem)| ConfigurationError { line, problem: problem.into() })?;
        let reader = Reader { text, folder };
        Ok(Self {
            jig: reader.port("jig", file.jig)?,
            meter: reader.port("meter", file.meter)?,
            profile: reader.profile(file.profile)?,
            wiring: reader.path("wiring", file.wiring)?,
            zero: reader.path("zero", file.zero)?,
            data: reader.path("data", file.data)?,
            operator: reader.name("operator", file.operator)?,
        })
    }

    /// Writes it as the text of a TOML file, with a comment on top.
    #[must_use]
    pub fn to_toml(&self) -> String {
        let path = |path: &PathBuf| path.display().to_string();
        let values = [
            ("jig", self.jig.as_ref().map(Address::to_string)),
            ("meter", self.meter.as_ref().map(Address::to_string)),
            ("profile", self.profile.clone()),
            ("wiring", self.wiring.as_ref().map(path)),
            ("zero", self.zero.as_ref().map(path)),
            ("data", self.data.as_ref().map(path)),
            ("operator", self.operator.clone()),
        ];
        let mut text = "# What stays the same at this bench. What is typed on the command line goes first.\n\
                        # Keys: jig, meter, profile, wiring, zero, data, operator (docs/formats.md).\n"
            .to_owned();
        for (key, value) in values {
            if let Some(value) = value {
                text.push_str(&format!("{key} = {}\n", toml::Value::String(value)));
            }
        }
        text
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    jig: Option<Spanned<String>>,
    meter: Option<Spanned<String>>,
    profile: Option<Spanned<String>>,
    wiring: Option<Spanned<String>>,
    zero: Option<Spanned<String>>,
    data: Option<Spanned<String>>,
    operator: Option<Spanned<String>>,
}

/// Checks one value after another.
struct Reader<'a> {
    text: &'a str,
    folder: &'a Path,
}

type Checked<T> = Result<Option<T>, ConfigurationError>;

impl Reader<'_> {
    fn port(&self, key: &'static str, found: Option<Spanned<String>>) -> Checked<Address> {
        self.checked(found, |text| {
            text.parse().map_err(|problem| ConfigurationProblem::Port { key, problem })
        })
    }

    fn name(&self, key: &'static str, found: Option<Spanned<String>>) -> Checked<String> {
        self.checked(found, |text| {
            label::name(text)
                .map(str::to_owned)
                .map_err(|problem| ConfigurationProblem::Label { key, problem })
        })
    }

    fn path(&self, key: &'static str, found: Option<Spanned<String>>) -> Checked<PathBuf> {
        self.checked(found, |text| match text.trim() {
            "" => Err(ConfigurationProblem::Label { key, problem: LabelProblem::Empty }),
            path => Ok(self.folder.join(path)),
        })
    }

    /// The name of a shipped profile stays a name; anything else is a file.
    fn profile(&self, found: Option<Spanned<String>>) -> Checked<String> {
        match found {
            Some(name) if meter::shipped(name.get_ref()).is_some() => Ok(Some(name.into_inner())),
            found => Ok(self.path("profile", found)?.map(|path| path.display().to_string())),
        }
    }

    fn checked<T>(
        &self,
        found: Option<Spanned<String>>,
        check: impl FnOnce(&str) -> Result<T, ConfigurationProblem>,
    ) -> Checked<T> {
        let Some(found) = found else { return Ok(None) };
        let line = Some(line_of(self.text, found.span().start));
        check(found.get_ref()).map(Some).map_err(|problem| ConfigurationError { line, problem })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> Result<Configuration, ConfigurationError> {
        Configuration::from_toml(text, Path::new("bench"))
    }

    #[test]
    fn everything_may_be_absent() {
        assert_eq!(read("").unwrap(), Configuration::default());
    }

    #[test]
    fn files_are_looked_for_beside_the_configuration() {
        let found =
            read("profile = \"my-meter.toml\"\nwiring = \"jigs/j5.toml\"\ndata = \"/srv/bench\"\n").unwrap();
        assert_eq!(found.profile, Some(Path::new("bench").join("my-meter.toml").display().to_string()));
        assert_eq!(found.wiring, Some(Path::new("bench").join("jigs/j5.toml")));
        assert_eq!(found.data, Some(PathBuf::from("/srv/bench")));
        assert_eq!(read("profile = \"fs9721\"\n").unwrap().profile.as_deref(), Some("fs9721"));
    }

    #[test]
    fn what_is_written_is_read_back() {
        let whole = Configuration {
            jig: Some(Address::Tcp { host: "::1".to_owned(), port: 4001 }),
            meter: Some(Address::Serial(r"\\.\COM12".to_owned())),
            profile: Some("fs9721".to_owned()),
            wiring: Some(PathBuf::from("/srv/jigs/\"j5\".toml")),
            zero: Some(PathBuf::from("/srv/jigs/zero.toml")),
            data: Some(PathBuf::from("/srv/pintally")),
            operator: Some("Kim Ågren".to_owned()),
        };
        for configuration in [whole, Configuration::default()] {
            let text = configuration.to_toml();
            assert_eq!(read(&text).unwrap(), configuration, "{text}");
        }
    }

    #[test]
    fn errors_name_the_line() {
        let check = |text: &str, expected: &str| {
            assert_eq!(read(text).unwrap_err().to_string(), expected, "{text}");
        };
        check("jig = \"tcp:\"\n", "line 1: jig: expected a serial port or tcp:HOST:PORT, found \"tcp:\"");
        check("\nmeter = \"\"\n", "line 2: meter: expected a serial port or tcp:HOST:PORT, found \"\"");
        check("operator = \" \"\n", "line 1: operator: expected some text, found none");
        check("operator = \"\\u001B\"\n", "line 1: operator: expected printable characters, found U+001B");
        check("# mine\ndata = \"\"\n", "line 2: data: expected some text, found none");
        check(
            "port = \"COM3\"\n",
            "line 1: unknown field `port`, expected one of `jig`, `meter`, `profile`, `wiring`, `zero`, `data`, `operator`",
        );
        check("profile = 3\n", "line 1: invalid type: integer `3`, expected a string");
        check("jig = \"a\"\njig = \"b\"\n", "line 2: duplicate key");
    }
}
