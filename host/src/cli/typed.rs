//! Lines that are typed, or come from a program in place of a keyboard: of limited length, whatever sends them.

use std::io::{self, BufRead, Read};

/// A terminal hands over lines of at most 4096 bytes (Linux, termios(3), canonical mode).
const LONGEST: u64 = 4096;

/// Lines of standard input until there are no more.
pub(super) fn lines() -> impl Iterator<Item = String> {
    let mut input = io::stdin().lock();
    std::iter::from_fn(move || next(&mut input).ok().flatten())
}

/// The next line without its end; `None` when there are no more. Of a longer line the beginning is kept.
pub(super) fn next(input: &mut impl BufRead) -> io::Result<Option<String>> {
    let mut line = Vec::new();
    if input.by_ref().take(LONGEST).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if !line.ends_with(b"\n") {
        skip_rest(input)?;
    }
    let line = String::from_utf8_lossy(&line);
    Ok(Some(line.trim_end_matches(['\r', '\n']).to_owned()))
}

fn skip_rest(input: &mut impl BufRead) -> io::Result<()> {
    loop {
        let chunk = match input.fill_buf() {
            Ok(chunk) => chunk,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        let (used, is_end) = match chunk.iter().position(|&byte| byte == b'\n') {
            Some(at) => (at + 1, true),
            None => (chunk.len(), chunk.is_empty()),
        };
        input.consume(used);
        if is_end {
            return Ok(());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(typed: &[u8]) -> Vec<String> {
        let mut input = io::BufReader::with_capacity(7, typed);
        std::iter::from_fn(|| next(&mut input).unwrap()).collect()
    }

    #[test]
    fn lines_are_read_as_they_are_typed() {
        assert_eq!(all(b"s\n\r\nj A5\r\nlast"), ["s", "", "j A5", "last"]);
        assert_eq!(all(b"\xffA\n"), ["\u{fffd}A"]);
        assert_eq!(all(b""), [""; 0]);
    }

    #[test]
    fn of_a_line_that_is_too_long_the_beginning_is_kept() {
        let long = [&vec![b'x'; 100_000][..], b"\nnext\n"].concat();
        let lines = all(&long);
        assert_eq!((lines[0].len() as u64, &lines[1..]), (LONGEST, &["next".to_owned()][..]));
    }
}
