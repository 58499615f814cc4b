//! Where commands print: results on stdout, all else on stderr. Control characters of names, files and devices get to
//! neither.

use std::io::{self, IsTerminal, Write};

use crate::{exit_status::ExitStatus, failure::Failure, label};

/// The two streams of a command. Styles are stripped where the stream is no terminal or `NO_COLOR` is set.
pub struct Screen {
    out: Box<dyn Write>,
    err: Box<dyn Write>,
    is_quiet: bool,
    /// What waits while a live screen has the terminal.
    held: Option<Held>,
}

/// What is told while a live screen has the terminal, until it is given back.
struct Held {
    /// Results wait too: stdout is the same terminal.
    holds_results: bool,
    /// Texts in their order, and whether each is a result.
    texts: Vec<(bool, String)>,
    /// How many of them the live screen has shown.
    shown: usize,
}

impl Screen {
    /// The streams of this process.
    #[must_use]
    pub fn standard() -> Self {
        // Buffered: a batch prints a line a board, and a write a line would cost more than the judgement.
        Self {
            out: Box::new(io::BufWriter::with_capacity(1 << 16, anstream::stdout())),
            err: Box::new(anstream::stderr()),
            is_quiet: false,
            held: None,
        }
    }

    /// Keeps everything back that would be printed over a live screen, until [`release`](Self::release).
    pub fn hold(&mut self) {
        let holds_results = io::stdout().is_terminal();
        self.held.get_or_insert(Held { holds_results, texts: Vec::new(), shown: 0 });
    }

    /// Prints what was kept back.
    ///
    /// # Errors
    /// [`ExitStatus::Io`] if stdout cannot be written.
    pub fn release(&mut self) -> Result<(), Failure> {
        for (is_result, text) in self.held.take().map_or_else(Vec::new, |held| held.texts) {
            match is_result {
                true => self.line(&text).and_then(|()| self.flush())?,
                false => self.tell(&text),
            }
        }
        Ok(())
    }

    /// What was kept back since this was asked last, for the live screen.
    pub fn news(&mut self) -> Vec<String> {
        let Some(held) = &mut self.held else { return Vec::new() };
        let news = held.texts.iter().skip(held.shown).map(|(_, text)| text.clone()).collect();
        held.shown = held.texts.len();
        news
    }

    /// Keeps to itself what is only progress or advice.
    #[must_use]
    pub fn quiet(mut self, is_quiet: bool) -> Self {
        self.is_quiet = is_quiet;
        self
    }

    /// Whether the operator wants quiet.
    #[must_use]
    pub const fn is_quiet(&self) -> bool {
        self.is_quiet
    }

    /// Where results go.
    pub fn out(&mut self) -> &mut dyn Write {
        &mut self.out
    }

    /// Prints a line of results.
    ///
    /// # Errors
    /// [`ExitStatus::Io`] if stdout cannot be written.
    pub fn line(&mut self, text: &str) -> Result<(), Failure> {
        if let Some(held) = self.held.as_mut().filter(|held| held.holds_results) {
            held.texts.push((true, text.to_owned()));
            return Ok(());
        }
        writeln!(self.out, "{}", label::plain(text)).map_err(|error| {
            Failure::new(ExitStatus::Io, format!("cannot write to standard output: {error}"))
        })
    }

    /// Hands everything printed so far to the system.
    ///
    /// # Errors
    /// [`ExitStatus::Io`] if stdout cannot be written.
    pub fn flush(&mut self) -> Result<(), Failure> {
        self.out.flush().map_err(|error| {
            Failure::new(ExitStatus::Io, format!("cannot write to standard output: {error}"))
        })
    }

    /// Tells the operator something that is no result and must be heard: a warning, what to do.
    pub fn tell(&mut self, text: &str) {
        if let Some(held) = &mut self.held {
            held.texts.push((false, text.to_owned()));
            return;
        }
        // If stderr is gone there is nobody to tell.
        let _ = writeln!(self.err, "{}", label::message(text));
    }

    /// Tells of progress and of what could be done next, unless the operator wants quiet.
    pub fn say(&mut self, text: &str) {
        if !self.is_quiet {
            self.tell(text);
        }
    }

    /// Asks the operator something; the answer goes on the same line.
    pub fn prompt(&mut self, text: &str) {
        let _ = write!(self.err, "{text}").and_then(|()| self.err.flush());
    }

    /// Shows why the command failed.
    pub fn failure(&mut self, failure: &Failure) {
        let _ = self.out.flush();
        self.tell(&failure.to_string());
    }
}

impl Drop for Screen {
    fn drop(&mut self) {
        let _ = self.out.flush();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_live_screen_hears_of_all_that_is_kept_back_and_of_each_once() {
        let mut screen = Screen::standard();
        assert_eq!(screen.news(), [""; 0]);
        screen.hold();
        screen.tell("T1  J5  matches");
        screen.tell("notice: channel 14 wears");
        assert_eq!(screen.news(), ["T1  J5  matches", "notice: channel 14 wears"]);
        screen.tell("board 1, T1: matches");
        assert_eq!(screen.news(), ["board 1, T1: matches"]);
        assert_eq!(screen.news(), [""; 0]);
    }
}
