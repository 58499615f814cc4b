//! Why a command could not do its work, for a person: what was expected, what was found, what to do next.

use std::{error::Error, fmt};

use crate::exit_status::ExitStatus;

/// A failed command: an exit status, an error with its causes, and hints that name the next action.
#[derive(Debug)]
pub struct Failure {
    /// How the command ends.
    pub status: ExitStatus,
    /// What went wrong; its sources are shown below it.
    pub error: Box<dyn Error + Send + Sync>,
    /// What to do next, one line each.
    pub hints: Vec<String>,
}

impl Failure {
    /// Takes an error that ends a command.
    pub fn new(status: ExitStatus, error: impl Into<Box<dyn Error + Send + Sync>>) -> Self {
        Self { status, error: error.into(), hints: Vec::new() }
    }

    /// Adds what to do next.
    #[must_use]
    pub fn hint(mut self, hint: impl Into<String>) -> Self {
        self.hints.push(hint.into());
        self
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "error: {}", self.error)?;
        let mut cause = self.error.source();
        while let Some(error) = cause {
            write!(f, "\n  because: {error}")?;
            cause = error.source();
        }
        for hint in &self.hints {
            write!(f, "\n  hint: {hint}")?;
        }
        Ok(())
    }
}

/// Names the exit status of an error on its way to the command line.
pub trait OrFail<T> {
    /// Ends the command with this status if the result is an error.
    ///
    /// # Errors
    /// The error, as a [`Failure`] with the given status.
    fn or_fail(self, status: ExitStatus) -> Result<T, Failure>;
}

impl<T, E: Into<Box<dyn Error + Send + Sync>>> OrFail<T> for Result<T, E> {
    fn or_fail(self, status: ExitStatus) -> Result<T, Failure> {
        self.map_err(|error| Failure::new(status, error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(Debug, thiserror::Error)]
    #[error("pin 4 is named twice")]
    struct Twice;

    #[derive(Debug, thiserror::Error)]
    #[error("cannot use connector file J5.toml")]
    struct Unusable(#[source] Twice);

    #[test]
    fn shows_causes_and_hints() {
        let failure =
            Failure::new(ExitStatus::Configuration, Unusable(Twice)).hint("give each pin its own name");
        assert_eq!(
            failure.to_string(),
            "error: cannot use connector file J5.toml\n  because: pin 4 is named twice\n  hint: give each pin its own name"
        );
    }
}
