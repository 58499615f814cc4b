//! The live screen of a walk by hand: actions to state, keys without Enter.

use std::{
    io,
    sync::{
        Arc, Mutex, PoisonError,
        mpsc::{Receiver, Sender, channel},
    },
};

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::{
    cli::keys::next_key,
    connector::PinName,
    live::{Mood, State, Terminal},
    meter::NoValue,
    probe::{Action, How, Walk, sentence},
    readings::PinValue,
    session::Session,
};

/// What is being typed after `j`.
type Typing = Arc<Mutex<Option<String>>>;

/// The live screen.
pub(super) struct Live {
    terminal: Terminal,
    state: State,
    names: Vec<PinName>,
    typing: Typing,
    /// What was typed and not understood.
    complaints: Receiver<String>,
    /// The latest thing to do, to be shown again when a trouble is over.
    asked: String,
}

/// Keys that were pressed, as words, and where the screen hears which of them are not understood.
pub(super) struct Keys {
    pub(super) typed: Receiver<String>,
    pub(super) complaints: Sender<String>,
}

const KEYS: &str = "Enter open  s skip  u undo  b back  r repeat  j jump  p pause  g go on  q end";

impl Live {
    /// Takes the terminal over, where there is one, and begins to read its keys.
    pub(super) fn take(session: &Session, walk: &Walk) -> io::Result<Option<(Self, Keys)>> {
        let Some(terminal) = Terminal::take(true)? else { return Ok(None) };
        let connector = &session.header.connector;
        let board =
            session.header.board.as_ref().map_or_else(String::new, |board| format!(", board {board}"));
        let repaired = session.repaired();
        let mut state = State::new(format!("probe {}{board}", connector.name), connector, &repaired);
        KEYS.clone_into(&mut state.keys);
        let names = connector.pins.iter().map(|pin| pin.name.clone()).collect();
        let (complain, complaints) = channel();
        let (typing, asked) = (Typing::default(), String::new());
        let mut live = Self { terminal, state, names, typing, complaints, asked };
        // A session that is carried on has read pins already.
        for pin in 0..live.names.len() {
            live.refresh(pin, walk);
        }
        let (sender, typed) = channel();
        listen(sender, Arc::clone(&live.typing));
        Ok(Some((live, Keys { typed, complaints: complain })))
    }

    /// Shows what came of an action, or only what has changed by itself.
    pub(super) fn show(&mut self, action: Option<&Action>, walk: &Walk) {
        if let Some(action) = action {
            self.take_in(action, walk);
        }
        if let Some(text) = self.complaints.try_iter().last() {
            self.state.seen = text;
        }
        self.state.go_to(walk.pin());
        self.state.meter = match walk.shown() {
            None => "meter: nothing yet".to_owned(),
            // As the pins show it: a bench meter sends more digits than anybody reads.
            Some(Ok(number)) => format!("meter {}", PinValue::Volts(number.to_volts())),
            Some(Err(NoValue::Overload(_))) => "meter OL".to_owned(),
            Some(Err(NoValue::NotMeasured)) => "meter -".to_owned(),
        };
        let typing = self.typing.lock().unwrap_or_else(PoisonError::into_inner).clone();
        self.state.typing = typing.map(|typed| format!("jump to pin: {typed}_   (Enter goes, Esc does not)"));
        // A terminal that cannot be drawn on is no reason to stop probing: sounds and the log go on.
        let _ = self.terminal.show(&self.state);
    }

    fn take_in(&mut self, action: &Action, walk: &Walk) {
        let text = sentence(action, &self.names);
        match action {
            Action::Took { result, .. } => {
                self.refresh(result.pin, walk);
                self.state.seen = text;
                return;
            }
            Action::Undone { pin } => {
                self.refresh(*pin, walk);
                self.state.seen = text;
                return;
            }
            Action::NothingBefore | Action::ShowsNumber => {
                self.state.seen = text;
                return;
            }
            Action::GuardGone => {
                self.state.seen = text;
                self.state.mood = Mood::Calm;
                self.state.sentence.clone_from(&self.asked);
                return;
            }
            Action::Guard(guard) if !guard.blocks() => {
                self.state.seen = text;
                return;
            }
            _ => {}
        }
        self.state.mood = match action {
            Action::Again { .. }
            | Action::Either { .. }
            | Action::Unsettled { .. }
            | Action::Prove { .. }
            | Action::NotProof { .. } => Mood::Again,
            Action::Guard(_) | Action::Alive { .. } | Action::Dead { .. } | Action::MeterSilent { .. } => {
                Mood::Trouble
            }
            _ => Mood::Calm,
        };
        if self.state.mood != Mood::Trouble {
            self.asked.clone_from(&text);
        }
        self.state.sentence = text;
    }

    /// Shows a pin as the walk has it.
    fn refresh(&mut self, pin: usize, walk: &Walk) {
        let Some(name) = self.names.get(pin) else { return };
        let value = walk.results().get(pin).and_then(Option::as_ref).map(|result| result.value);
        let how = value.map(|value| walk.how(pin, value));
        let differs = how == Some(How::Differs);
        self.state.read(pin, value, differs);
        let expected = walk.expects().of(pin).map_or(PinValue::Overload, |expected| expected.value);
        let line = value.filter(|_| differs).map(|seen| format!("{name} expected {expected}, seen {seen}"));
        self.state.find(name.as_str(), line);
    }
}

/// Reads keys until nobody takes them any more.
fn listen(sender: Sender<String>, typing: Typing) {
    std::thread::spawn(move || {
        while let Some(key) = next_key() {
            let mut typed = typing.lock().unwrap_or_else(PoisonError::into_inner);
            if let Some(word) = press(key, &mut typed)
                && sender.send(word).is_err()
            {
                return;
            }
        }
    });
}

/// What a key means: a word as it would be typed in plain mode, or a letter of a pin's name.
fn press(key: KeyEvent, typing: &mut Option<String>) -> Option<String> {
    let is_control = key.modifiers.contains(KeyModifiers::CONTROL);
    match (key.code, typing.as_mut()) {
        (KeyCode::Char('c' | 'd'), _) if is_control => Some("q".to_owned()),
        (KeyCode::Esc, _) => {
            *typing = None;
            None
        }
        (KeyCode::Enter, Some(_)) => {
            typing.take().filter(|name| !name.is_empty()).map(|name| format!("j {name}"))
        }
        (KeyCode::Backspace, Some(name)) => {
            name.pop();
            None
        }
        (KeyCode::Char(c), Some(name)) if !is_control => {
            name.push(c);
            None
        }
        (KeyCode::Enter | KeyCode::Char(' '), None) => Some(String::new()),
        (KeyCode::Char('j'), None) => {
            *typing = Some(String::new());
            None
        }
        (KeyCode::Char(c), None) if !is_control => Some(c.to_string()),
        (KeyCode::Backspace, None) => Some("u".to_owned()),
        (KeyCode::Left, None) => Some("b".to_owned()),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_act_at_once_and_a_pin_is_typed_after_j() {
        let mut typing = None;
        let mut keys = |codes: &[KeyCode]| -> Vec<String> {
            codes.iter().filter_map(|&code| press(KeyEvent::from(code), &mut typing)).collect()
        };
        assert_eq!(keys(&[KeyCode::Enter, KeyCode::Char(' '), KeyCode::Char('s')]), ["", "", "s"]);
        let jump = [KeyCode::Char('j'), KeyCode::Char('A'), KeyCode::Char('5'), KeyCode::Enter];
        assert_eq!(keys(&jump), ["j A5"]);
        assert_eq!(keys(&[KeyCode::Char('j'), KeyCode::Char('A'), KeyCode::Esc, KeyCode::Char('q')]), ["q"]);
        let control = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        assert_eq!(press(control, &mut Some("A".to_owned())).as_deref(), Some("q"));
    }
}
