//! Which configuration a command asks, and where it lies.

use std::path::{Path, PathBuf};

use clap::Args as Arguments;
use directories::ProjectDirs;

use super::{inputs, options};
use crate::{
    configuration::Configuration, exit_status::ExitStatus, failure::Failure, meter::Profile, port::Address,
};

/// Which configuration to ask
#[derive(Debug, Clone, Default, Arguments)]
#[group(id = "configuration")]
pub(super) struct Args {
    /// Take what is not typed from this configuration instead of the user's own (`pintally init` writes one)
    #[arg(long, value_name = "FILE")]
    pub(super) config: Option<PathBuf>,
}

/// What a command takes from the configuration where nothing was typed.
pub(super) struct Defaults<'a> {
    asked: &'a Args,
    said: Configuration,
    needs_ports: bool,
}

impl Args {
    /// Reads the configuration. One that was named must be there; the user's own may be absent.
    pub(super) fn load(&self) -> Result<Configuration, Failure> {
        let path = match (&self.config, place()) {
            (Some(path), _) => path.clone(),
            (None, Some(path)) if path.exists() => path,
            (None, _) => return Ok(Configuration::default()),
        };
        let text = inputs::text(&path)?;
        let folder = path.parent().unwrap_or(Path::new(""));
        Configuration::from_toml(&text, folder).map_err(|error| {
            Failure::new(
                ExitStatus::Configuration,
                inputs::About {
                    what: "cannot use configuration",
                    name: path.display().to_string(),
                    source: Box::new(error),
                },
            )
            .hint("change or remove that line; `pintally init` writes a new configuration")
        })
    }

    /// Reads the configuration for a command that has options for what is in it. The practice bench takes only people
    /// and places from it: it is the same bench everywhere.
    pub(super) fn defaults(&self, practice: bool) -> Result<Defaults<'_>, Failure> {
        let whole = self.load()?;
        let said = match practice {
            true => Configuration { operator: whole.operator, data: whole.data, ..Configuration::default() },
            false => whole,
        };
        Ok(Defaults { asked: self, said, needs_ports: !practice })
    }

    /// The port of the meter and its profile, for a command that takes the port without an option before it.
    pub(super) fn watched(
        &self,
        typed: Option<Address>,
        profile: Option<&str>,
    ) -> Result<(Address, Profile), Failure> {
        let config = self.load()?;
        let port = typed.or(config.meter).ok_or_else(|| self.no_port("PORT", "meter"))?;
        Ok((port, inputs::profile(profile.or(config.profile.as_deref()).unwrap_or(options::PROFILE))?))
    }

    /// The port of the switching board, for a command that takes it without an option before it.
    pub(super) fn jig(&self, typed: Option<Address>) -> Result<Address, Failure> {
        self.either(typed, |config| config.jig, "switching board")
    }

    /// The port of the meter, for a command that takes it without an option before it.
    pub(super) fn meter(&self, typed: Option<Address>) -> Result<Address, Failure> {
        self.either(typed, |config| config.meter, "meter")
    }

    /// The port that was typed; the configuration is only asked where none was, so that a broken one is in nobody's way.
    fn either(
        &self,
        typed: Option<Address>,
        of: impl FnOnce(Configuration) -> Option<Address>,
        device: &str,
    ) -> Result<Address, Failure> {
        match typed {
            Some(port) => Ok(port),
            None => of(self.load()?).ok_or_else(|| self.no_port("PORT", device)),
        }
    }

    fn no_port(&self, option: &str, device: &str) -> Failure {
        let place = self.shown();
        let command = if device == "meter" { "meter" } else { "jig" };
        Failure::new(
            ExitStatus::Usage,
            format!("expected the port of the {device}, found neither {option} nor one in {place}"),
        )
        .hint(format!("`pintally {command} find` lists the ports"))
        .hint("`pintally init` keeps it in the configuration")
    }

    /// Where this configuration is or would be, for a person.
    fn shown(&self) -> String {
        match self.config.clone().or_else(place) {
            Some(path) => path.display().to_string(),
            None => "the configuration".to_owned(),
        }
    }
}

impl Defaults<'_> {
    /// The port of the switching board, which must be known by now.
    pub(super) fn jig(&self, typed: &mut Option<Address>) -> Result<(), Failure> {
        self.port(typed, self.said.jig.as_ref(), "--jig", "switching board")
    }

    /// The port of the meter, which must be known by now.
    pub(super) fn meter(&self, typed: &mut Option<Address>) -> Result<(), Failure> {
        self.port(typed, self.said.meter.as_ref(), "--meter", "meter")
    }

    /// The meter profile.
    pub(super) fn profile(&self, typed: &mut Option<String>) {
        fill(typed, self.said.profile.as_ref());
    }

    /// The wiring file of the jig.
    pub(super) fn wiring(&self, typed: &mut Option<PathBuf>) {
        fill(typed, self.said.wiring.as_ref());
    }

    /// The zero file of the jig.
    pub(super) fn zero(&self, typed: &mut Option<PathBuf>) {
        fill(typed, self.said.zero.as_ref());
    }

    /// The data directory.
    pub(super) fn data(&self, typed: &mut Option<PathBuf>) {
        fill(typed, self.said.data.as_ref());
    }

    /// Who works at the bench.
    pub(super) fn operator(&self, typed: &mut Option<String>) {
        fill(typed, self.said.operator.as_ref());
    }

    fn port(
        &self,
        typed: &mut Option<Address>,
        said: Option<&Address>,
        option: &str,
        device: &str,
    ) -> Result<(), Failure> {
        fill(typed, said);
        match typed.is_none() && self.needs_ports {
            true => Err(self.asked.no_port(option, device)),
            false => Ok(()),
        }
    }
}

fn fill<T: Clone>(typed: &mut Option<T>, said: Option<&T>) {
    if typed.is_none() {
        *typed = said.cloned();
    }
}

/// Where the user's own configuration lies on this system; `None` without a home directory.
pub(super) fn place() -> Option<PathBuf> {
    ProjectDirs::from("", "", "pintally").map(|dirs| dirs.config_dir().join("config.toml"))
}
