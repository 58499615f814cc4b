//! Where commands print: results on stdout, all else on stderr. Control characters of names, files and devices get to
//! neither.

use std::io::{self, Write};

use crate::{exit_status::ExitStatus, failure::Failure, label};

/// The two streams of a command. Styles are stripped where the stream is no terminal or `NO_COLOR` is set.
pub struct Screen {
    out: Box<dyn Write>,
    err: Box<dyn Write>,
    is_quiet: bool,
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
        }
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
