//! Which switching board this is, among all on the bench.

use std::fmt;

/// What tells a switching board from others.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum BoardName {
    /// The number of its microcontroller.
    Id([u8; 8]),
    /// What the operator calls it, where the microcontroller has no number.
    Named(String),
    /// Nothing: it has no number, and nobody named it. Two of these may be the same board or not.
    Unnamed,
}

impl BoardName {
    /// The name of a board that told this number, and of which the operator may have said what it is called.
    #[must_use]
    pub fn new(unique_id: [u8; 8], called: Option<&str>) -> Self {
        match (unique_id, called) {
            // A name that the operator gave counts only where there is no number: it is easily given to the wrong board.
            (id, _) if id != [0; 8] => Self::Id(id),
            (_, Some(name)) => Self::Named(name.to_owned()),
            (_, None) => Self::Unnamed,
        }
    }

    /// Reads `switching board 3f00…` or its sixteen digits alone.
    #[must_use]
    pub fn from_hex(text: &str) -> Option<Self> {
        let digits = text.strip_prefix("switching board ").unwrap_or(text);
        let bytes = crate::fingerprint::unhex(digits)?;
        bytes.try_into().ok().filter(|id| *id != [0; 8]).map(Self::Id)
    }
}

impl fmt::Display for BoardName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Id(id) => write!(f, "switching board {}", crate::fingerprint::hex(id)),
            Self::Named(name) => write!(f, "switching board `{name}`"),
            Self::Unnamed => f.write_str("an unnamed switching board"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_counts_more_than_a_name() {
        assert_eq!(BoardName::new([7; 8], Some("left")), BoardName::Id([7; 8]));
        assert_eq!(BoardName::new([0; 8], Some("left")), BoardName::Named("left".into()));
        assert_eq!(BoardName::new([0; 8], None), BoardName::Unnamed);
        let id = BoardName::Id([0x3f, 1, 2, 3, 4, 5, 6, 7]);
        assert_eq!(BoardName::from_hex(&id.to_string()), Some(id));
        assert_eq!(BoardName::from_hex("0000000000000000"), None);
        assert_eq!(BoardName::from_hex("3f"), None);
    }
}
