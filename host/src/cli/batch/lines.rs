//! Lines of the keyboard, or of a barcode reader that acts as one, told apart by what was on the screen when they came.

use std::{collections::VecDeque, sync::mpsc::Receiver};

use crate::batch_run::Event;

/// Lines that were typed.
pub(super) struct Lines {
    typed: Receiver<String>,
    /// Lines that came while a sweep ran.
    early: VecDeque<String>,
}

impl Lines {
    pub(super) const fn new(typed: Receiver<String>) -> Self {
        Self { typed, early: VecDeque::new() }
    }

    /// The next line, where there is one.
    pub(super) fn next(&mut self) -> Option<Event> {
        let early = self.early.pop_front().map(Event::Early);
        early.or_else(|| self.typed.try_recv().ok().map(Event::Line))
    }

    /// A sweep is over, and its verdict is not told yet: what came until now came too early to be an answer.
    pub(super) fn swept(&mut self) {
        self.early.extend(self.typed.try_iter());
    }
}

#[cfg(test)]
mod tests {
    use std::sync::mpsc::channel;

    use super::*;

    #[test]
    fn what_came_during_a_sweep_comes_first_and_is_called_early() {
        let (sender, typed) = channel();
        let mut lines = Lines::new(typed);
        let send = |text: &str| sender.send(text.to_owned()).unwrap();
        send("T1");
        assert_eq!(lines.next(), Some(Event::Line("T1".to_owned())));
        send("");
        lines.swept();
        send("T2");
        assert_eq!(lines.next(), Some(Event::Early(String::new())));
        assert_eq!(lines.next(), Some(Event::Line("T2".to_owned())));
        assert_eq!(lines.next(), None);
    }
}
