//! The live screen of a sweep: notices to state.

use super::Screen;
use crate::{
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    label,
    live::{Mood, State, Terminal},
    probe::{Expects, Fit},
    readings::PinValue,
    session::Session,
    sweep::{Notice, Target},
};

/// A live screen for one sweep.
pub(super) struct LiveSweep {
    terminal: Terminal,
    state: State,
    expects: Expects,
    /// What is to be read once the screen is gone.
    kept: Vec<String>,
}

impl LiveSweep {
    /// Takes the terminal over; `None` where there is none.
    pub(super) fn take(session: &Session) -> Result<Option<Self>, Failure> {
        let expects = session.expects().or_fail(ExitStatus::Configuration)?;
        let terminal = Terminal::take(false).map_err(|error| {
            Failure::new(ExitStatus::Io, format!("cannot draw on this terminal: {error}"))
                .hint("without --live a line shows the progress")
        })?;
        let connector = &session.header.connector;
        let board =
            session.header.board.as_ref().map_or_else(String::new, |board| format!(", board {board}"));
        let mut state =
            State::new(format!("sweep {}{board}", connector.name), connector, &session.repaired());
        "waiting for switching board and meter".clone_into(&mut state.sentence);
        "Ctrl-C stops; every channel is opened then".clone_into(&mut state.keys);
        Ok(terminal.map(|terminal| Self { terminal, state, expects, kept: Vec::new() }))
    }

    /// Takes a notice of the sweep.
    pub(super) fn notice(&mut self, notice: &Notice) {
        take_in(notice, &self.expects, &mut self.state, &mut self.kept);
        // A terminal that cannot be drawn on is no reason to stop a sweep.
        let _ = self.terminal.show(&self.state);
    }

    /// Gives the terminal back and tells what must not be lost with the screen.
    pub(super) fn give_back(self, screen: &mut Screen) {
        drop(self.terminal);
        for text in self.kept {
            screen.tell(&text);
        }
    }
}

/// Notices to state.
pub(super) fn take_in(notice: &Notice, expects: &Expects, state: &mut State, kept: &mut Vec<String>) {
    match notice {
        Notice::Visiting { target: Target::Pin(pin), .. } => {
            let name = state.name_of(*pin);
            state.go_to(Some(*pin));
            state.mood = Mood::Calm;
            state.sentence = match expects.of(*pin) {
                Some(expected) => format!("reading {name}: expected {}", expected.value),
                None => format!("reading {name}"),
            };
        }
        Notice::Visiting { target: Target::Check, .. } => {
            state.go_to(None);
            "reading the check channel".clone_into(&mut state.sentence);
        }
        Notice::Decided { pin, value, .. } => {
            let name = state.name_of(*pin);
            let differs = !matches!(value, PinValue::Unread(_)) && expects.fit(*pin, *value) == Fit::Differs;
            state.read(*pin, Some(*value), differs);
            state.seen = format!("{name} {value}");
            let expected = expects.of(*pin).map_or(PinValue::Overload, |expected| expected.value);
            state.find(&name, differs.then(|| format!("{name} expected {expected}, seen {value}")));
        }
        other => {
            // A device may call itself anything.
            let text = label::message(&other.to_string()).into_owned();
            if !matches!(other, Notice::Greeted(_) | Notice::MeterReady { .. }) {
                state.mood = Mood::Trouble;
                state.sentence.clone_from(&text);
                kept.push(text.clone());
            }
            state.seen = text;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{connector, units::Volts};

    #[test]
    fn a_sweep_is_shown_pin_by_pin_and_its_troubles_are_kept() {
        let connector = connector::from_toml(connector::DEMO).unwrap();
        let expects = Expects::new(&connector, None);
        let mut state = State::new("sweep J5".to_owned(), &connector, &[]);
        let mut kept = Vec::new();
        let visiting = Notice::Visiting { target: Target::Pin(15), done: 0, total: 40 };
        take_in(&visiting, &expects, &mut state, &mut kept);
        assert_eq!(state.sentence, "reading A16");
        let value = PinValue::Volts(Volts::of(0.002));
        let decided = Notice::Decided { pin: 15, value, done: 1, total: 40 };
        take_in(&decided, &expects, &mut state, &mut kept);
        // The drawing says that nothing hangs there.
        assert_eq!(state.found, ["A16 expected OL, seen 0.002"]);
        assert_eq!(state.done, (1, 40));
        let identity = Some("ACME \u{202e}1".to_owned());
        let ready = Notice::MeterReady { identity, period: std::time::Duration::from_millis(100) };
        take_in(&ready, &expects, &mut state, &mut kept);
        assert!(state.seen.contains("ACME \\u202e1"), "{}", state.seen);
        take_in(&Notice::LidOpen, &expects, &mut state, &mut kept);
        assert_eq!((state.mood, kept.len()), (Mood::Trouble, 1));
    }
}
