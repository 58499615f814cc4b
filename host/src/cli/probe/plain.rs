//! What happens in plain lines: for a slow line, a screen reader, a file.

use crate::{
    cli::Screen,
    connector::{Connector, PinName},
    probe::{Action, Walk, sentence},
};

/// Tells what happens, a line an action.
pub(super) struct Plain {
    names: Vec<PinName>,
}

impl Plain {
    pub(super) fn new(connector: &Connector) -> Self {
        Self { names: connector.pins.iter().map(|pin| pin.name.clone()).collect() }
    }

    /// Tells of an action.
    pub(super) fn show(&self, action: &Action, walk: &Walk, screen: &mut Screen) {
        let text = sentence(action, &self.names);
        match action {
            Action::Took { .. } => {
                let done = walk.results().iter().flatten().count();
                screen.tell(&format!("{text} ({done} of {})", walk.order().len()));
            }
            Action::Again { .. }
            | Action::Either { .. }
            | Action::Prove { .. }
            | Action::Alive { .. }
            | Action::Dead { .. } => {
                screen.tell(&format!("! {text}"));
            }
            _ => screen.tell(&text),
        }
    }
}
