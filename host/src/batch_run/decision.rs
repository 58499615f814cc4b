//! What the operator decides about a board that a sweep has left in doubt, as its log tells it.

/// A decision about the last sweep of a board.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Decision {
    /// A doubtful result is taken as it is.
    Keep,
    /// The board is given up.
    Skip,
}

impl Decision {
    /// The word for it in a session log.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Keep => "keep",
            Self::Skip => "skip",
        }
    }

    /// The decision that a word of a log stands for, if any.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        [Self::Keep, Self::Skip].into_iter().find(|decision| decision.word() == word)
    }
}
