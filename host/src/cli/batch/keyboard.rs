//! What is typed at a batch: by a person, by a barcode reader that acts as a keyboard, or by a program.

use std::{
    collections::VecDeque,
    io::{self, IsTerminal},
    sync::mpsc::{self, Receiver, TryRecvError},
    thread,
};

use crate::cli::typed::lines;

/// Typed lines, one at a time.
pub(super) struct Keyboard {
    lines: Receiver<String>,
    /// Lines that were typed before the question that they wait for.
    ahead: VecDeque<String>,
    /// Somebody sits there. A program that answers may be ahead.
    is_person: bool,
    /// Nothing will be typed any more.
    has_ended: bool,
}

impl Keyboard {
    /// Reads standard input.
    pub(super) fn standard() -> Self {
        let (sender, received) = mpsc::channel();
        // Ends with the process: a read of standard input cannot be called off.
        thread::spawn(move || {
            for line in lines() {
                if sender.send(line).is_err() {
                    return;
                }
            }
        });
        Self::new(received, io::stdin().is_terminal())
    }

    /// Takes the lines of a live screen.
    pub(super) fn live(lines: Receiver<String>) -> Self {
        Self::new(lines, true)
    }

    const fn new(lines: Receiver<String>, is_person: bool) -> Self {
        Self { lines, ahead: VecDeque::new(), is_person, has_ended: false }
    }

    /// The next line; `None` if none was typed yet, or none will be.
    pub(super) fn line(&mut self) -> Option<String> {
        self.ahead.pop_front().or_else(|| self.receive())
    }

    /// Whether nothing will be typed any more.
    pub(super) const fn has_ended(&self) -> bool {
        self.has_ended
    }

    /// Before a question: forgets what a person typed before it and what would start a sweep, since the board on the jig is
    /// still the one before, or still alive; and what would decide about a verdict that nobody has seen. Returns whether
    /// there was any. Names and other commands wait for their turn.
    pub(super) fn forget_starts(&mut self, name_starts: bool) -> bool {
        while let Some(line) = self.receive() {
            self.ahead.push_back(line);
        }
        if !self.is_person {
            return false;
        }
        let before = self.ahead.len();
        self.ahead.retain(|line| match line.trim() {
            "" | "/again" | "/keep" | "/skip" => false,
            line => line.starts_with('/') || !name_starts,
        });
        self.ahead.len() < before
    }

    fn receive(&mut self) -> Option<String> {
        let received = self.lines.try_recv();
        self.has_ended |= received == Err(TryRecvError::Disconnected);
        received.ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kept(typed: &[&str], is_person: bool, name_starts: bool) -> (bool, Vec<String>) {
        let (sender, lines) = mpsc::channel();
        typed.iter().for_each(|line| sender.send((*line).to_owned()).unwrap());
        let mut keyboard = Keyboard::new(lines, is_person);
        let forgot = keyboard.forget_starts(name_starts);
        (forgot, std::iter::from_fn(|| keyboard.line()).collect())
    }

    #[test]
    fn what_a_person_typed_before_the_question_starts_nothing() {
        let typed = ["", "T2", "/note lifted pad", " "];
        assert_eq!(kept(&typed, true, false), (true, vec!["T2".to_owned(), "/note lifted pad".to_owned()]));
        assert_eq!(kept(&typed, true, true), (true, vec!["/note lifted pad".to_owned()]));
        assert_eq!(kept(&["T2"], true, false), (false, vec!["T2".to_owned()]));
        assert_eq!(
            kept(&["/keep", "/skip", "/again", "/stop"], true, true),
            (true, vec!["/stop".to_owned()])
        );
        // A program has said everything beforehand.
        assert_eq!(kept(&typed, false, true), (false, typed.map(str::to_owned).to_vec()));
    }

    #[test]
    fn the_end_is_known_once_everything_was_read() {
        let (sender, lines) = mpsc::channel();
        sender.send("T1".to_owned()).unwrap();
        drop(sender);
        let mut keyboard = Keyboard::new(lines, false);
        assert_eq!((keyboard.line().as_deref(), keyboard.has_ended()), (Some("T1"), false));
        assert_eq!((keyboard.line(), keyboard.has_ended()), (None, true));
    }
}
