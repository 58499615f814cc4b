//! Questions and answers on a terminal, or from a script.

use std::{
    io::{self, IsTerminal},
    path::Path,
};

use crate::{
    cli::{Screen, typed},
    exit_status::ExitStatus,
    failure::{Failure, OrFail},
    label,
};

/// Asks one question after another.
pub(super) struct Interview<'s> {
    screen: &'s mut Screen,
    /// Nobody is asked: what stands in brackets is taken.
    is_silent: bool,
    is_terminal: bool,
}

/// A question, and the option that answers it too.
pub(super) struct Question {
    option: &'static str,
    text: String,
    /// What stands in brackets.
    pub(super) default: Option<String>,
}

impl Question {
    pub(super) fn new(option: &'static str, text: &str) -> Self {
        Self { option, text: text.to_owned(), default: None }
    }

    /// Takes this for an empty answer.
    pub(super) fn or(self, default: &str) -> Self {
        Self { default: Some(default.to_owned()), ..self }
    }
}

impl<'s> Interview<'s> {
    pub(super) fn new(screen: &'s mut Screen, is_silent: bool) -> Self {
        Self { screen, is_silent, is_terminal: io::stdin().is_terminal() }
    }

    /// Explains a question, if questions are asked.
    pub(super) fn say(&mut self, text: &str) {
        if !self.is_silent {
            self.screen.tell(text);
        }
    }

    /// Tells what was done.
    pub(super) fn tell(&mut self, text: &str) {
        self.screen.tell(text);
    }

    /// Tells what could be done next.
    pub(super) fn advise(&mut self, text: &str) {
        self.screen.say(text);
    }

    /// Takes what was given as an option, else asks until the answer can be used. An answer that cannot be used ends
    /// the command where nobody is there to give another.
    pub(super) fn ask<T>(
        &mut self,
        question: Question,
        given: Option<&str>,
        check: impl Fn(&str) -> Result<T, String>,
    ) -> Result<T, Failure> {
        let Question { option, text, default } = question;
        let wrong = |problem: String| Failure::new(ExitStatus::Usage, format!("{option}: {problem}"));
        let default = default.as_deref();
        if given.is_some() || self.is_silent {
            let answer =
                given.or(default).ok_or_else(|| wrong("expected an answer, found none".to_owned()))?;
            return check(answer).map_err(wrong);
        }
        let prompt = match default {
            Some(default) => format!("{text} [{default}]: "),
            None => format!("{text}: "),
        };
        loop {
            let typed = self.answer(&prompt)?;
            let answer = Some(typed.trim()).filter(|answer| !answer.is_empty()).or(default);
            match answer.map_or(Err("expected an answer, found none".to_owned()), &check) {
                Ok(value) => return Ok(value),
                Err(problem) if self.is_terminal => self.screen.tell(&format!("  {problem}")),
                Err(problem) => return Err(wrong(problem)),
            }
        }
    }

    /// Whether a file that exists may be written over.
    pub(super) fn may_overwrite(&mut self, path: &Path) -> Result<bool, Failure> {
        if self.is_silent {
            return Err(Failure::new(
                ExitStatus::Usage,
                format!("{} exists: nothing was written", path.display()),
            )
            .hint(
                "--overwrite writes over it; another place is named with --output FILE and --config FILE",
            ));
        }
        let text = format!("{} exists. Write over it", path.display());
        let question = Question { option: "--overwrite", text, default: Some("no".to_owned()) };
        self.ask(question, None, |text| match text.to_ascii_lowercase().as_str() {
            "y" | "yes" => Ok(true),
            "n" | "no" => Ok(false),
            _ => Err(format!("expected yes or no, found `{text}`")),
        })
    }

    /// One line from standard input. A script sees its answer beside the question, as a person does.
    fn answer(&mut self, prompt: &str) -> Result<String, Failure> {
        self.screen.prompt(prompt);
        let line = typed::next(&mut io::stdin().lock()).or_fail(ExitStatus::Io)?;
        if !self.is_terminal {
            self.screen.tell(line.as_deref().unwrap_or_default().trim());
        }
        line.ok_or_else(|| {
            Failure::new(ExitStatus::Usage, "expected an answer, found the end of the input")
                .hint("--yes takes what stands in brackets; each question has an option, see --help")
        })
    }
}

/// What stands in brackets where nothing is needed.
pub(super) const NONE: &str = "none";

pub(super) fn list(text: &str) -> impl Iterator<Item = &str> {
    text.split(',').map(str::trim).filter(|part| !part.is_empty() && !part.eq_ignore_ascii_case(NONE))
}

pub(super) fn joined(parts: &[String]) -> Option<String> {
    if parts.is_empty() { None } else { Some(parts.join(",")) }
}

pub(super) fn name(text: &str) -> Result<String, String> {
    label::name(text).map(str::to_owned).map_err(|problem| problem.to_string())
}

pub(super) fn optional<T>(
    text: &str,
    check: impl Fn(&str) -> Result<T, String>,
) -> Result<Option<T>, String> {
    if text.eq_ignore_ascii_case(NONE) { Ok(None) } else { check(text).map(Some) }
}
