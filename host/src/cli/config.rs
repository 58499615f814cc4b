//! Which configuration a command asks, and where it lies.

use std::path::{Path, PathBuf};

use clap::Args as Arguments;
use directories::ProjectDirs;

use super::inputs;
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

/// Meter profile where neither the command line nor the configuration names one.
pub(super) const PROFILE: &str = "bench-stream";

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

    /// The port of the switching board: what was typed, else what is configured.
    pub(super) fn jig(
        &self,
        typed: Option<Address>,
        configured: Option<Address>,
    ) -> Result<Address, Failure> {
        typed.or(configured).ok_or_else(|| self.no_port("--jig", "switching board"))
    }

    /// The port of the meter: what was typed, else what is configured.
    pub(super) fn meter(
        &self,
        typed: Option<Address>,
        configured: Option<Address>,
    ) -> Result<Address, Failure> {
        typed.or(configured).ok_or_else(|| self.no_port("--meter", "meter"))
    }

    /// The port of the meter and its profile, for a command that takes the port without an option before it.
    pub(super) fn watched(
        &self,
        typed: Option<Address>,
        profile: Option<&str>,
    ) -> Result<(Address, Profile), Failure> {
        let config = self.load()?;
        let port = typed.or(config.meter).ok_or_else(|| self.no_port("PORT", "meter"))?;
        Ok((port, inputs::profile(profile.or(config.profile.as_deref()).unwrap_or(PROFILE))?))
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

/// Where the user's own configuration lies on this system; `None` without a home directory.
pub(super) fn place() -> Option<PathBuf> {
    ProjectDirs::from("", "", "pintally").map(|dirs| dirs.config_dir().join("config.toml"))
}
