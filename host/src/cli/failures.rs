//! What the errors of other rooms mean for a command: how it ends, and what to do next. With it `?` is enough.

use crate::{
    exit_status::ExitStatus,
    failure::Failure,
    history::HistoryError,
    port::PortError,
    practice::serve::ServeError,
    reference::Unfitting,
    session::ZeroError,
    sweep::{LagError, SweepError},
};

impl From<PortError> for Failure {
    fn from(error: PortError) -> Self {
        let hint = error.hint();
        Self::new(ExitStatus::Unavailable, error).hint(hint)
    }
}

impl From<ServeError> for Failure {
    fn from(error: ServeError) -> Self {
        let hint = error.hint();
        Self::new(ExitStatus::Unavailable, error).hint(hint)
    }
}

impl From<HistoryError> for Failure {
    fn from(error: HistoryError) -> Self {
        let hint = error.hint();
        Self::new(error.exit_status(), error).hint(hint)
    }
}

impl From<ZeroError> for Failure {
    fn from(error: ZeroError) -> Self {
        let hint = error.hint();
        Self::new(ExitStatus::Configuration, error).hint(hint)
    }
}

impl From<SweepError> for Failure {
    fn from(error: SweepError) -> Self {
        Self { status: error.exit_status(), hints: error.hints(), error: error.into() }
    }
}

impl From<LagError> for Failure {
    fn from(error: LagError) -> Self {
        Self { status: error.exit_status(), hints: error.hints(), error: error.into() }
    }
}

impl From<Unfitting> for Failure {
    fn from(error: Unfitting) -> Self {
        let hint = error.hint();
        Self::new(ExitStatus::Configuration, error).hint(hint)
    }
}
