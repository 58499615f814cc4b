//! Short texts from outside: names of pins, nets, boards and people.
//!
//! They end up on terminals, in HTML and in file names of reports, so what could change how the text around
//! them is shown (control characters, direction marks) is refused where they come in.

use std::{borrow::Cow, fmt};

/// Characters in the name of a pin, row, net, connector, wiring or board at most.
pub const LONGEST_NAME: usize = 64;

/// Characters in a note at most.
pub const LONGEST_NOTE: usize = 500;

/// Why a text from outside cannot be a name or a note.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum LabelProblem {
    /// There is nothing but white space.
    #[error("expected some text, found none")]
    Empty,
    /// It is longer than names and notes may be.
    #[error("expected at most {most} characters, found {found}")]
    TooLong {
        /// Characters that are allowed.
        most: usize,
        /// Characters that were found.
        found: usize,
    },
    /// It would change how the text around it is shown.
    #[error("expected printable characters, found U+{:04X}", u32::from(*found))]
    Unprintable {
        /// The first such character.
        found: char,
    },
}

/// Checks a name and takes the white space around it away.
///
/// # Errors
/// [`LabelProblem`] if it is empty, longer than [`LONGEST_NAME`] or not printable.
pub fn name(text: &str) -> Result<&str, LabelProblem> {
    match limited(text, LONGEST_NAME)? {
        "" => Err(LabelProblem::Empty),
        name => Ok(name),
    }
}

/// Checks a note, which may be empty, and takes the white space around it away.
///
/// # Errors
/// [`LabelProblem`] if it is longer than [`LONGEST_NOTE`] or not printable. A note is one line.
pub fn note(text: &str) -> Result<&str, LabelProblem> {
    limited(text, LONGEST_NOTE)
}

/// Characters of a message from elsewhere that are shown at most.
const LONGEST_MESSAGE: usize = 500;

/// Shows a text that was found in a file, however strange, inside a message: in back quotes, with control
/// characters spelt out, and cut when it is longer than a name.
#[derive(Debug, Clone, Copy)]
pub struct Found<'a>(pub &'a str);

/// Spells out what is not printable in a message made by a library from the text of a file, and cuts it when
/// it is long.
#[must_use]
pub fn printable(message: &str) -> String {
    cut(message, LONGEST_MESSAGE)
}

/// Shows what should be a name and may be anything: with control characters spelt out, and cut when it is
/// longer than a name.
#[must_use]
pub fn shown(name: &str) -> String {
    cut(name, LONGEST_NAME)
}

impl fmt::Display for Found<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}`", shown(self.0))
    }
}

fn limited(text: &str, most: usize) -> Result<&str, LabelProblem> {
    let text = text.trim();
    // A character has one byte or more: most texts need no counting.
    if text.len() > most {
        let found = text.chars().count();
        if found > most {
            return Err(LabelProblem::TooLong { most, found });
        }
    }
    match text.chars().find(|&c| is_unprintable(c)) {
        Some(found) => Err(LabelProblem::Unprintable { found }),
        None => Ok(text),
    }
}

/// Control characters, line and paragraph separators, and the marks that change the direction of text
/// (Unicode Standard, section 23.2 "Layout Controls").
#[must_use]
pub fn is_unprintable(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{061C}')
}

/// Characters of a line that are shown at most.
const LONGEST_SHOWN: usize = 2000;

/// Text of any length and several lines as it may go to a terminal: control characters are spelt out, whoever put them
/// there. As JSON spells them (RFC 8259, section 7), so that a line of JSON stays one: all of them have four digits.
#[must_use]
pub fn plain(text: &str) -> Cow<'_, str> {
    let is_odd = |c: char| is_unprintable(c) && !matches!(c, '\n' | '\t');
    if !text.chars().any(is_odd) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len());
    for c in text.chars() {
        match is_odd(c) {
            true => shown.push_str(&format!("\\u{:04x}", u32::from(c))),
            false => shown.push(c),
        }
    }
    Cow::Owned(shown)
}

/// A message for a person: as [`plain`], and no line longer than a person would read.
#[must_use]
pub fn message(text: &str) -> Cow<'_, str> {
    let text = plain(text);
    if text.lines().all(|line| line.len() <= LONGEST_SHOWN) {
        return text;
    }
    let lines: Vec<String> = text.lines().map(|line| cut(line, LONGEST_SHOWN)).collect();
    Cow::Owned(lines.join("\n"))
}

fn cut(text: &str, most: usize) -> String {
    let mut shown = String::with_capacity(text.len().min(most));
    let mut chars = text.chars();
    for c in chars.by_ref().take(most) {
        if is_unprintable(c) {
            shown.extend(c.escape_default());
        } else {
            shown.push(c);
        }
    }
    if chars.next().is_some() {
        shown.push_str("...");
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn messages_command_no_terminal_and_end() {
        assert_eq!(message("pin 4\n  hint: solder"), "pin 4\n  hint: solder");
        assert_eq!(message("\u{1b}[2J\r\u{202e}x"), "\\u001b[2J\\u000d\\u202ex");
        assert_eq!(message(&format!("a\n{}", "x".repeat(9000))).len(), 2 + LONGEST_SHOWN + 3);
        assert_eq!(plain(&"x".repeat(9000)).len(), 9000);
    }

    /// Notes in logs from elsewhere may hold anything, and serde_json leaves all of it but C0 as it is.
    #[test]
    fn json_stays_json() {
        let all: String = (0..=0xffff).filter_map(char::from_u32).filter(|&c| is_unprintable(c)).collect();
        let line = serde_json::json!({ "note": all }).to_string();
        let shown = plain(&line);
        assert!(!shown.chars().any(is_unprintable) && shown != line);
        assert_eq!(serde_json::from_str::<serde_json::Value>(&shown).unwrap()["note"], *all);
    }

    #[test]
    fn names_are_short_and_printable() {
        assert_eq!(name("  A12 "), Ok("A12"));
        assert_eq!(name("Größe µ"), Ok("Größe µ"));
        assert_eq!(name(&"ü".repeat(64)), Ok("ü".repeat(64).as_str()));
        assert_eq!(name(" \t"), Err(LabelProblem::Empty));
        assert_eq!(name(&"x".repeat(65)), Err(LabelProblem::TooLong { most: 64, found: 65 }));
        assert_eq!(name("A\u{1b}[2J"), Err(LabelProblem::Unprintable { found: '\u{1b}' }));
        assert_eq!(name("A\u{202e}1"), Err(LabelProblem::Unprintable { found: '\u{202e}' }));
        assert_eq!(name("A\nB"), Err(LabelProblem::Unprintable { found: '\n' }));
        assert_eq!(note("  "), Ok(""));
    }

    #[test]
    fn strange_texts_are_shown_harmlessly() {
        assert_eq!(Found("a\u{1b}[31m\n").to_string(), "`a\\u{1b}[31m\\n`");
        assert_eq!(Found(&"y".repeat(65)).to_string(), format!("`{}...`", "y".repeat(64)));
        assert_eq!(shown("a\u{7}"), "a\\u{7}");
        assert_eq!(printable("key `\u{7}`"), "key `\\u{7}`");
        assert_eq!(printable(&"y".repeat(501)), format!("{}...", "y".repeat(500)));
    }
}
