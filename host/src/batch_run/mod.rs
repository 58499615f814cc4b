//! Boards one after another: who asks for what when, from the first board to the last.
//!
//! Sans-IO: what happened goes in ([`Event`]), what to do comes out ([`Action`]). The edge waits for the button and the
//! keys, sweeps, signals and prints; it decides nothing. How boards are judged is none of this room's business: it only
//! asks for another try where a sweep left a doubt.
//!
//! Nothing is kept but the session logs. Where a batch was stopped, or its program killed, follows from them
//! ([`Progress::of`]).

mod decision;
mod exchange;
mod machine;
mod naming;
mod progress;

pub use decision::Decision;
pub use exchange::{Action, Event, Job, Prompt, Reason, Setup};
pub use machine::Machine;
pub use naming::{Naming, next_name};
pub use progress::{OnTheJig, Past, Progress};

use crate::compare::{Difference, Doubt as Unsure, Judgement, Verdict};

/// What came of the sweep of one connector.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// All pins match.
    Matches,
    /// Some differ.
    Differs,
    /// Not judged: there is no reference.
    Unjudged,
    /// Nothing is condemned, and another sweep could not change that.
    Inconclusive,
    /// Another sweep may tell more.
    Doubtful(Doubt),
    /// It did not reach its end: jig, meter or board need attention.
    Failed,
}

/// Why a sweep leaves a doubt.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// Pins near their limit, or without a reading: the same contacts may read better a second time.
    Reading,
    /// The connector is not seated as it should be, or something else is wrong with the whole set-up.
    Seating,
}

impl Outcome {
    /// Of a judgement.
    #[must_use]
    pub const fn of(judgement: Option<&Judgement>) -> Self {
        let Some(judgement) = judgement else { return Self::Unjudged };
        match judgement.verdict {
            Verdict::Matches { .. } => Self::Matches,
            Verdict::Differs(Difference::Placement(_)) => Self::Doubtful(Doubt::Seating),
            Verdict::Differs(_) => Self::Differs,
            Verdict::Inconclusive(Unsure::NoReference { .. } | Unsure::OtherMeter) => Self::Inconclusive,
            Verdict::Inconclusive(Unsure::Unread { .. } | Unsure::Weak { .. }) => {
                Self::Doubtful(Doubt::Reading)
            }
        }
    }

    /// What is worse comes later.
    const fn rank(self) -> u8 {
        match self {
            Self::Matches => 0,
            Self::Unjudged => 1,
            Self::Inconclusive | Self::Doubtful(Doubt::Reading) => 2,
            Self::Differs | Self::Doubtful(Doubt::Seating) => 3,
            Self::Failed => 4,
        }
    }

    /// The worse of two: a board is as good as its worst connector.
    #[must_use]
    pub const fn worse(self, other: Self) -> Self {
        if other.rank() > self.rank() { other } else { self }
    }
}
