//! Tables of separated values, line by line.
//!
//! Own code instead of a CSV library because each error must name its line and column exactly (also after
//! blank lines and with CRLF), a stray quote must spoil its own line only, and an endless line must not fill
//! the memory. A quoted field may hold separators and doubled quotes, but no line break: no name or number
//! here has one.

use std::{
    borrow::Cow,
    io::{self, BufRead, BufReader, Read},
};

/// Bytes in one line at most.
pub const LONGEST_LINE: usize = 64 * 1024;

/// What stands between the fields of a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Separator {
    /// `,`
    Comma,
    /// `;`, where a comma is the decimal sign.
    Semicolon,
    /// A tab, as pasted from a spreadsheet.
    Tab,
}

/// Why a line is no row of a table.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LineError {
    /// The line is longer than any row needs to be.
    #[error("expected lines of at most {LONGEST_LINE} bytes, found a longer one")]
    TooLong,
    /// The line is no text.
    #[error("expected UTF-8 text, found other bytes")]
    NotUtf8,
    /// A quote is opened and not closed, or text follows the closing quote.
    #[error("expected the quote at column {column} to be closed at the end of its field")]
    Quote {
        /// Where the quote stands, in characters from 1.
        column: usize,
    },
    /// The file or stream cannot be read.
    #[error("cannot read on: {0}")]
    Io(io::Error),
}

/// The lines of a file or stream, one at a time, with their numbers.
#[derive(Debug)]
pub struct Lines<R> {
    reader: BufReader<R>,
    buffer: Vec<u8>,
    number: u64,
    ended: bool,
    /// The rest of a line that is too long is still to come.
    in_long_line: bool,
}

/// The fields of one line. Kept from line to line, so that reading a table allocates nothing.
#[derive(Debug, Default)]
pub struct Fields {
    text: String,
    /// End in `text` and first column on the line, one a field.
    marks: Vec<(usize, usize)>,
}

/// A text with one of these in front is a formula to a spreadsheet, which runs it (OWASP, "CSV Injection"; from memory).
const FORMULA: [char; 4] = ['=', '+', '-', '@'];

/// A name as it stands in a table that we write: with an apostrophe in front where a spreadsheet would run it.
#[must_use]
pub fn guarded(name: &str) -> Cow<'_, str> {
    match is_formula(name) {
        true => Cow::Owned(format!("'{name}")),
        false => Cow::Borrowed(name),
    }
}

/// The name that [`guarded`] wrote.
#[must_use]
pub fn unguarded(field: &str) -> &str {
    field.strip_prefix('\'').filter(|name| is_formula(name)).unwrap_or(field)
}

/// Whether it is a formula, perhaps one that is guarded already: what is written is read back as it was.
fn is_formula(name: &str) -> bool {
    name.trim_start_matches('\'').starts_with(FORMULA)
}

impl From<io::Error> for LineError {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

impl Separator {
    /// Tells the separator from the first line of a table: the one that it has most of.
    #[must_use]
    pub fn of_header(line: &str) -> Self {
        let count = |separator: Self| line.matches(separator.char()).count();
        let (mut best, mut most) = (Self::Comma, count(Self::Comma));
        for other in [Self::Semicolon, Self::Tab] {
            if count(other) > most {
                (best, most) = (other, count(other));
            }
        }
        best
    }

    const fn char(self) -> char {
        match self {
            Self::Comma => ',',
            Self::Semicolon => ';',
            Self::Tab => '\t',
        }
    }
}

impl<R: Read> Lines<R> {
    /// Reads from the beginning.
    pub fn new(reader: R) -> Self {
        Self {
            reader: BufReader::with_capacity(1 << 16, reader),
            buffer: Vec::new(),
            number: 0,
            ended: false,
            in_long_line: false,
        }
    }

    /// The next line that is not blank, without its line end, and its number from 1; `None` at the end.
    ///
    /// A byte order mark before the first line is passed over.
    ///
    /// # Errors
    /// [`LineError`]; the number of the line is that of [`Lines::number`]. Only [`LineError::Io`] ends the
    /// lines, others spoil one line.
    pub fn next_line(&mut self) -> Result<Option<(u64, &str)>, LineError> {
        loop {
            if self.ended || !self.fill()? {
                return Ok(None);
            }
            // The borrow checker does not see that `text` is returned at once, so blankness is asked first.
            if self.buffer.iter().any(|byte| !byte.is_ascii_whitespace()) {
                break;
            }
        }
        let bytes = match self.buffer.strip_prefix(b"\xEF\xBB\xBF") {
            Some(rest) if self.number == 1 => rest,
            _ => &self.buffer,
        };
        let text = std::str::from_utf8(bytes).map_err(|_| LineError::NotUtf8)?;
        Ok(Some((self.number, text.trim_end_matches(['\r', '\n']))))
    }

    /// Number of the line read last, from 1.
    #[must_use]
    pub const fn number(&self) -> u64 {
        self.number
    }

    /// Reads one line into the buffer; false at the end.
    fn fill(&mut self) -> Result<bool, LineError> {
        // Only now: whoever gives up at a line that is too long does not wait for its end, which may never come.
        if self.in_long_line {
            self.skip_rest()?;
            self.in_long_line = false;
        }
        self.buffer.clear();
        let limit = LONGEST_LINE as u64 + 1;
        let read = self
            .reader
            .by_ref()
            .take(limit)
            .read_until(b'\n', &mut self.buffer)
            .inspect_err(|_| self.ended = true)?;
        if read == 0 {
            self.ended = true;
            return Ok(false);
        }
        self.number += 1;
        if self.buffer.len() > LONGEST_LINE {
            self.in_long_line = !self.buffer.ends_with(b"\n");
            return Err(LineError::TooLong);
        }
        Ok(true)
    }

    /// Passes over the rest of a line that is too long, without keeping it.
    fn skip_rest(&mut self) -> Result<(), LineError> {
        let mut ended = false;
        while !ended {
            let chunk = match self.reader.fill_buf() {
                Ok(chunk) => chunk,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
                Err(error) => {
                    self.ended = true;
                    return Err(error.into());
                }
            };
            let (used, found) = match chunk.iter().position(|&byte| byte == b'\n') {
                Some(at) => (at + 1, true),
                None => (chunk.len(), chunk.is_empty()),
            };
            ended = found;
            self.reader.consume(used);
        }
        Ok(())
    }
}

impl Fields {
    /// Splits a line.
    ///
    /// # Errors
    /// [`LineError::Quote`] if a quote is not closed at the end of its field.
    pub fn split(&mut self, line: &str, separator: Separator) -> Result<(), LineError> {
        self.text.clear();
        self.marks.clear();
        let separator = separator.char();
        if !line.contains('"') {
            let mut column = 1;
            for field in line.split(separator) {
                self.text.push_str(field);
                self.marks.push((self.text.len(), column));
                column += field.chars().count() + 1;
            }
            return Ok(());
        }
        self.split_quoted(line, separator)
    }

    /// How many fields the line has.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.marks.len()
    }

    /// Whether no line was split yet.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.marks.is_empty()
    }

    /// Whether all fields are empty, as in the lines of separators that spreadsheets write for empty rows.
    #[must_use]
    pub fn are_blank(&self) -> bool {
        self.text.trim().is_empty()
    }

    /// A field without the white space around it; empty if the line is shorter.
    #[must_use]
    pub fn get(&self, index: usize) -> &str {
        let start = match index.checked_sub(1) {
            None => 0,
            Some(before) => self.marks.get(before).map_or(self.text.len(), |&(end, _)| end),
        };
        self.marks.get(index).map_or("", |&(end, _)| self.text[start..end].trim())
    }

    /// Where a field begins, counted in characters from 1.
    #[must_use]
    pub fn column(&self, index: usize) -> usize {
        self.marks.get(index).map_or(1, |&(_, column)| column)
    }

    fn split_quoted(&mut self, line: &str, separator: char) -> Result<(), LineError> {
        let mut chars = line.chars().enumerate().peekable();
        let end = line.chars().count();
        loop {
            let begin = chars.peek().map_or(end, |&(at, _)| at) + 1;
            while chars.next_if(|&(_, c)| c == ' ').is_some() {}
            if let Some((quote, _)) = chars.next_if(|&(_, c)| c == '"') {
                let unclosed = LineError::Quote { column: quote + 1 };
                loop {
                    match chars.next() {
                        Some((_, '"')) if chars.next_if(|&(_, c)| c == '"').is_some() => self.text.push('"'),
                        Some((_, '"')) => break,
                        Some((_, c)) => self.text.push(c),
                        None => return Err(unclosed),
                    }
                }
                while chars.next_if(|&(_, c)| c == ' ').is_some() {}
                if chars.peek().is_some_and(|&(_, c)| c != separator) {
                    return Err(unclosed);
                }
            } else {
                while let Some((_, c)) = chars.next_if(|&(_, c)| c != separator) {
                    self.text.push(c);
                }
            }
            self.marks.push((self.text.len(), begin));
            if chars.next().is_none() {
                return Ok(());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn split(line: &str, separator: Separator) -> Result<Vec<(String, usize)>, String> {
        let mut fields = Fields::default();
        fields.split(line, separator).map_err(|error| error.to_string())?;
        Ok((0..fields.len()).map(|i| (fields.get(i).to_owned(), fields.column(i))).collect())
    }

    #[test]
    fn names_are_no_formulas_and_are_read_back() {
        for (name, written) in [
            ("=1+1", "'=1+1"),
            ("+5V", "'+5V"),
            ("-12V", "'-12V"),
            ("@A1", "'@A1"),
            ("'=1", "''=1"),
            ("'", "'"),
            ("'A", "'A"),
            ("A=1", "A=1"),
            ("", ""),
        ] {
            assert_eq!((&*guarded(name), unguarded(written)), (written, name));
        }
        // What somebody else wrote stays.
        assert_eq!(unguarded("+5V"), "+5V");
    }

    #[test]
    fn splits_lines_into_fields() {
        let check = |line, separator, expected: &[(&str, usize)]| {
            let expected: Vec<_> = expected.iter().map(|&(t, c)| (t.to_owned(), c)).collect();
            assert_eq!(split(line, separator), Ok(expected), "{line}");
        };
        check("a,b,c", Separator::Comma, &[("a", 1), ("b", 3), ("c", 5)]);
        check("a,,", Separator::Comma, &[("a", 1), ("", 3), ("", 4)]);
        check("", Separator::Comma, &[("", 1)]);
        check(" a ; 0,318 ", Separator::Semicolon, &[("a", 1), ("0,318", 5)]);
        check("a\tb", Separator::Tab, &[("a", 1), ("b", 3)]);
        check(r#""a,b",c"#, Separator::Comma, &[("a,b", 1), ("c", 7)]);
        check(r#" "a ""x""" ,"",d"#, Separator::Comma, &[("a \"x\"", 1), ("", 13), ("d", 16)]);
        check(r#"3" pad,c"#, Separator::Comma, &[("3\" pad", 1), ("c", 8)]);
        check(r#""a","#, Separator::Comma, &[("a", 1), ("", 5)]);
        check("ö,b", Separator::Comma, &[("ö", 1), ("b", 3)]);
        check(r#""ö",b"#, Separator::Comma, &[("ö", 1), ("b", 5)]);
    }

    #[test]
    fn a_quote_is_closed_at_the_end_of_its_field() {
        for line in [r#"a,"b"#, r#"a,"b"c"#, r#"a,"b""#] {
            let message = split(line, Separator::Comma);
            let closed = line.ends_with(r#"b""#);
            assert_eq!(message.is_ok(), closed, "{line}");
            assert!(closed || message.is_err_and(|m| m.contains("column 3")), "{line}");
        }
    }

    #[test]
    fn lines_keep_their_numbers() {
        let mut lines = Lines::new("\u{feff}a,b\r\n\r\n\n  \nc\r\nd".as_bytes());
        let mut found = Vec::new();
        while let Some((number, line)) = lines.next_line().unwrap() {
            found.push((number, line.to_owned()));
        }
        assert_eq!(found, [(1, "a,b".to_owned()), (5, "c".to_owned()), (6, "d".to_owned())]);
    }

    #[test]
    fn a_bad_line_spoils_only_itself() {
        let mut bytes = vec![b'x'; 3 * LONGEST_LINE];
        bytes.extend(b"\nsecond\n\xFF\xFE\nfourth");
        let mut lines = Lines::new(bytes.as_slice());
        assert!(matches!(lines.next_line(), Err(LineError::TooLong)));
        assert_eq!(lines.next_line().unwrap(), Some((2, "second")));
        assert!(matches!(lines.next_line(), Err(LineError::NotUtf8)));
        assert_eq!(lines.number(), 3);
        assert_eq!(lines.next_line().unwrap(), Some((4, "fourth")));
        assert_eq!(lines.next_line().unwrap(), None);
        assert!(lines.buffer.capacity() <= 2 * LONGEST_LINE + 2);
    }
}
