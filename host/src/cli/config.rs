//! Which configuration a command asks, and where it lies.

use std::path::{Path, PathBuf};

use clap::Args as Arguments;
use directories::ProjectDirs;

use super::inputs;
use crate::{configuration::Configuration, exit_status::ExitStatus, failure::Failure};

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

    /// Where this configuration is or would be, for a person.
    pub(super) fn shown(&self) -> String {
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

/// A port that was neither typed nor configured.
pub(super) fn no_port(option: &str, device: &str, config: &Args) -> Failure {
    Failure::new(
        ExitStatus::Usage,
        format!("expected the port of the {device}, found neither {option} nor one in {}", config.shown()),
    )
    .hint(format!(
        "`pintally {} find` lists the ports; name one with {option} PORT",
        option.trim_start_matches('-')
    ))
    .hint("`pintally init` keeps it in the configuration; --practice needs no port")
}
