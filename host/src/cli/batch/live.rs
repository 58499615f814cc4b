//! The live screen of a batch: prompts, notices and verdicts to state, and the line that is typed.

use std::{
    sync::{
        Arc, Mutex, PoisonError,
        atomic::{AtomicBool, Ordering},
        mpsc::{Receiver, channel},
    },
    thread,
};

use ratatui::crossterm::event::{KeyCode, KeyEvent, KeyModifiers};

use crate::{
    batch_run::{Job, Prompt},
    cli::{keys::next_key, live_sweep::take_in},
    connector::Connector,
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    live::{Mood, State, Terminal},
    probe::Expects,
    session::Session,
    sweep::Notice,
};

/// A live screen for a batch.
pub(super) struct Live {
    terminal: Terminal,
    state: State,
    batch: String,
    expects: Option<Expects>,
    typed: Arc<Mutex<String>>,
}

const KEYS: &str = "a name or Enter starts  /again  /keep  /skip  /note TEXT  /stop  /help";

/// Longest line that is typed: names and notes are shorter.
const LONGEST: usize = 1000;

impl Live {
    /// Takes the terminal over and begins to read its keys; `None` where there is no terminal.
    pub(super) fn take(
        batch: &str,
        connector: &Connector,
        stop: &Arc<AtomicBool>,
    ) -> Result<Option<(Self, Receiver<String>)>, Failure> {
        let terminal = Terminal::take(true).map_err(|error| {
            Failure::new(ExitStatus::Io, format!("cannot draw on this terminal: {error}"))
                .hint("without --live the same is told in lines")
        })?;
        let Some(terminal) = terminal else { return Ok(None) };
        let mut state = State::new(format!("batch {batch}"), connector, &[]);
        KEYS.clone_into(&mut state.keys);
        let typed = Arc::new(Mutex::new(String::new()));
        let lines = listen(Arc::clone(&typed), Arc::clone(stop));
        Ok(Some((Self { terminal, state, batch: batch.to_owned(), expects: None, typed }, lines)))
    }

    /// Shows what is waited for.
    pub(super) fn ask(&mut self, prompt: &Prompt, text: &str) {
        self.state.mood = mood(prompt);
        text.clone_into(&mut self.state.sentence);
    }

    /// A sweep begins: its rows are empty.
    pub(super) fn begin(&mut self, job: &Job, session: &Session) -> Result<(), Failure> {
        let connector = &session.header.connector;
        let title = format!("batch {}, board {} ({}), {}", self.batch, job.place, job.board, connector.name);
        let seen = std::mem::take(&mut self.state.seen);
        self.state = State { seen, ..State::new(title, connector, &session.repaired()) };
        "waiting for switching board and meter".clone_into(&mut self.state.sentence);
        "Ctrl-C stops; every channel is opened then".clone_into(&mut self.state.keys);
        self.expects = Some(session.expects().or_fail(ExitStatus::Configuration)?);
        Ok(())
    }

    /// Takes a notice of the sweep; gives what must not be lost with the screen.
    pub(super) fn notice(&mut self, notice: &Notice) -> Vec<String> {
        let mut kept = Vec::new();
        if let Some(expects) = &self.expects {
            take_in(notice, expects, &mut self.state, &mut kept);
        }
        self.show();
        kept
    }

    /// The sweep is over.
    pub(super) fn end(&mut self) {
        self.state.go_to(None);
        KEYS.clone_into(&mut self.state.keys);
    }

    /// Shows what was told since it was shown last: a verdict with its findings, a notice about the jig.
    pub(super) fn told(&mut self, news: &[String]) {
        if !news.is_empty() {
            self.state.seen = in_one_line(news);
        }
        self.show();
    }

    /// Draws, with what is being typed.
    pub(super) fn show(&mut self) {
        let typed = self.typed.lock().unwrap_or_else(PoisonError::into_inner).clone();
        self.state.typing = (!typed.is_empty()).then(|| format!("{typed}_   (Enter sends)"));
        // A terminal that cannot be drawn on is no reason to stop a batch.
        let _ = self.terminal.show(&self.state);
    }
}

fn in_one_line(news: &[String]) -> String {
    let lines = news.iter().flat_map(|text| text.lines()).map(str::trim);
    lines.filter(|line| !line.is_empty()).collect::<Vec<_>>().join("; ")
}

/// How a prompt is meant.
const fn mood(prompt: &Prompt) -> Mood {
    match prompt {
        Prompt::Remedy { .. } => Mood::Trouble,
        Prompt::Reseat { .. } | Prompt::Unfinished(_) | Prompt::NoName(_) | Prompt::NoCommand { .. } => {
            Mood::Again
        }
        _ => Mood::Calm,
    }
}

/// Reads keys until nobody takes the lines any more.
fn listen(typed: Arc<Mutex<String>>, stop: Arc<AtomicBool>) -> Receiver<String> {
    let (sender, lines) = channel();
    thread::spawn(move || {
        while let Some(key) = next_key() {
            let mut typed = typed.lock().unwrap_or_else(PoisonError::into_inner);
            match press(key, &mut typed) {
                Pressed::Line(line) => {
                    if sender.send(line).is_err() {
                        return;
                    }
                }
                Pressed::Nothing => {}
                Pressed::Stop => stop.store(true, Ordering::Relaxed),
            }
        }
    });
    lines
}

/// What a key does.
#[derive(Debug, PartialEq, Eq)]
enum Pressed {
    Nothing,
    Line(String),
    Stop,
}

fn press(key: KeyEvent, typed: &mut String) -> Pressed {
    match key.code {
        KeyCode::Char('c' | 'd') if key.modifiers.contains(KeyModifiers::CONTROL) => return Pressed::Stop,
        KeyCode::Enter => return Pressed::Line(std::mem::take(typed)),
        KeyCode::Esc => typed.clear(),
        KeyCode::Backspace => drop(typed.pop()),
        KeyCode::Char(c) if !key.modifiers.contains(KeyModifiers::CONTROL) && typed.len() < LONGEST => {
            typed.push(c);
        }
        _ => {}
    }
    Pressed::Nothing
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_typed_and_ctrl_c_stops() {
        let mut typed = String::new();
        for code in ['T', '1', 'x'].map(KeyCode::Char).into_iter().chain([KeyCode::Backspace]) {
            assert_eq!(press(KeyEvent::from(code), &mut typed), Pressed::Nothing);
        }
        assert_eq!(press(KeyEvent::from(KeyCode::Enter), &mut typed), Pressed::Line("T1".to_owned()));
        // Enter alone is the start button.
        assert_eq!(press(KeyEvent::from(KeyCode::Enter), &mut typed), Pressed::Line(String::new()));
        press(KeyEvent::from(KeyCode::Char('q')), &mut typed);
        press(KeyEvent::from(KeyCode::Esc), &mut typed);
        assert_eq!(typed, "");
        let control = KeyEvent::new(KeyCode::Char('c'), KeyModifiers::CONTROL);
        assert_eq!(press(control, &mut typed), Pressed::Stop);
    }

    #[test]
    fn what_was_told_stands_in_one_line() {
        let news = ["T1  J5  differs: open joint B8", "notice: channel 14 wears", "  next: clean it\n"];
        let news = news.map(str::to_owned);
        assert_eq!(
            in_one_line(&news),
            "T1  J5  differs: open joint B8; notice: channel 14 wears; next: clean it"
        );
    }

    #[test]
    fn what_needs_attention_looks_so() {
        assert_eq!(mood(&Prompt::Name), Mood::Calm);
        assert_eq!(mood(&Prompt::Remedy { connector: 0 }), Mood::Trouble);
    }
}
