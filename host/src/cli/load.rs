//! Files that commands take: opened, read and understood, or an error that names the file.

use std::path::Path;

use crate::{
    connector::{self, Connector},
    exit_status::ExitStatus,
    failure::Failure,
    meter::{self, Profile},
};

/// Largest text file that is read whole; connectors, profiles and references are far smaller.
const LARGEST: u64 = 16 << 20;

/// Reads a text file whole.
///
/// # Errors
/// [`ExitStatus::NoInput`] if it cannot be read, [`ExitStatus::Data`] if it is no text or too large.
pub(super) fn text(path: &Path) -> Result<String, Failure> {
    let name = path.display();
    let size = std::fs::metadata(path).map_err(|error| missing(path, &error))?.len();
    if size > LARGEST {
        let found = format!("{name} is too large: expected at most {LARGEST} bytes, found {size}");
        return Err(Failure::new(ExitStatus::Data, found).hint("check that it is the file you mean"));
    }
    let bytes = std::fs::read(path).map_err(|error| missing(path, &error))?;
    String::from_utf8(bytes).map_err(|error| {
        let at = error.utf8_error().valid_up_to();
        Failure::new(
            ExitStatus::Data,
            format!("{name} is no text: expected UTF-8, found another byte at offset {at}"),
        )
        .hint("save the file as UTF-8 text")
    })
}

/// Reads a connector from TOML or CSV, whichever its name says.
///
/// # Errors
/// As [`text`], and [`ExitStatus::Configuration`] if the connector cannot be used.
pub(super) fn connector(path: &Path) -> Result<Connector, Failure> {
    let text = text(path)?;
    let name = path.file_name().map_or_else(|| "connector".into(), |name| name.to_string_lossy());
    connector::from_file(&name, &text)
        .map_err(|error| Failure::new(ExitStatus::Configuration, format!("{}: {error}", path.display())))
}

/// Takes a profile by the name of a shipped one, or reads it from a file.
///
/// # Errors
/// As [`text`], and [`ExitStatus::Configuration`] if the profile cannot be used.
pub(super) fn profile(name: &str) -> Result<Profile, Failure> {
    if let Some(profile) = meter::shipped(name) {
        return Ok(profile);
    }
    let path = Path::new(name);
    if !path.exists() {
        return Err(Failure::new(
            ExitStatus::NoInput,
            format!("expected a shipped profile or a file, found neither of the name {name:?}"),
        )
        .hint("`pintally meter profiles` lists the shipped profiles"));
    }
    Profile::from_toml(&text(path)?)
        .map_err(|error| Failure::new(ExitStatus::Configuration, format!("{}: {error}", path.display())))
}

fn missing(path: &Path, error: &std::io::Error) -> Failure {
    Failure::new(ExitStatus::NoInput, format!("{} cannot be read: {error}", path.display()))
        .hint("check the name and the folder")
}
