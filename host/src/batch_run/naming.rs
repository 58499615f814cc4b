//! What the boards of a batch are called.

use crate::label;

/// Where the names of boards come from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Naming {
    /// They are scanned or typed.
    Asked,
    /// They count up from this one.
    Counted(String),
}

/// The name after this one: its last digits count up and keep their zeros; `None` if it ends in no digit, or the next
/// would be no name.
#[must_use]
pub fn next_name(name: &str) -> Option<String> {
    let stem = name.trim_end_matches(|c: char| c.is_ascii_digit());
    let digits = &name[stem.len()..];
    // As many digits as a number of this size can have for sure.
    let number: u128 = digits.parse().ok().filter(|_| digits.len() <= 30)?;
    let next = format!("{stem}{:0width$}", number + 1, width = digits.len());
    label::name(&next).is_ok().then_some(next)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_count_up() {
        for (name, next) in [
            ("T100", Some("T101")),
            ("T099", Some("T100")),
            ("T99", Some("T100")),
            ("7", Some("8")),
            ("26-03/009", Some("26-03/010")),
            ("ü9", Some("ü10")),
            ("T", None),
            ("T1b", None),
            ("", None),
        ] {
            assert_eq!(next_name(name).as_deref(), next, "{name}");
        }
        assert_eq!(next_name(&"9".repeat(40)), None);
        assert_eq!(next_name(&format!("{}9", "T".repeat(63))), None);
    }
}
