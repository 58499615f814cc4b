//! One sweep, as a batch sees it.

use crate::{
    compare::{Judgement, Kind, PinVerdict, Placement, Verdict},
    units::Volts,
};

/// One sweep of one board: what a batch needs of it, and small enough to keep thousands.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Ticket number or other name of the board.
    pub board: String,
    /// When it was swept: RFC 3339 text.
    pub when: String,
    /// The verdict.
    pub outcome: Outcome,
    /// How the board was wrongly connected, if it was; then its pins say nothing.
    pub placement: Option<Placement>,
    /// What all junctions of the board drop more than in the reference.
    pub shared: Option<Volts>,
    /// One a pin, in the order of the connector.
    pub pins: Vec<PinEntry>,
    /// Named faults.
    pub faults: Vec<Fault>,
}

/// The verdict on a board, without its reason.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Outcome {
    /// All pins are within their limits.
    Matches,
    /// Some pins differ.
    Differs,
    /// Nothing is condemned, but not all could be judged.
    Inconclusive,
}

impl Outcome {
    /// The name in files.
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Matches => "matches",
            Self::Differs => "differs",
            Self::Inconclusive => "inconclusive",
        }
    }
}

/// One pin of a sweep.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PinEntry {
    /// What a good board would read today, if that is a voltage.
    pub expected: Option<Volts>,
    /// Reading minus expected, where both are voltages.
    pub difference: Option<Volts>,
    /// How far a good pin may differ.
    pub limit: Option<Volts>,
    /// What was said about it.
    pub state: PinState,
}

/// What a sweep said about a pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PinState {
    /// Within its limit.
    Sound,
    /// Differs, and is blamed or unexplained.
    Faulty,
    /// Moved by the fault of another pin, not read, or without a reference.
    Unclear,
}

/// A named fault.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// What is wrong.
    pub kind: Kind,
    /// The pins at fault, by index.
    pub pins: Vec<usize>,
}

impl Entry {
    /// What a batch needs of a judgement.
    #[must_use]
    pub fn of(judgement: &Judgement, when: &str) -> Self {
        let outcome = match judgement.verdict {
            Verdict::Matches { .. } => Outcome::Matches,
            Verdict::Differs(_) => Outcome::Differs,
            Verdict::Inconclusive(_) => Outcome::Inconclusive,
        };
        let pins = judgement.pins.iter().map(|pin| {
            let beyond = pin.difference.zip(pin.limit).is_some_and(|(d, limit)| d.get().abs() > limit.get());
            let state = match pin.verdict {
                // Pulled along by a fault elsewhere: explained, but no evidence about the jig.
                PinVerdict::Matches if beyond => PinState::Unclear,
                PinVerdict::Matches => PinState::Sound,
                PinVerdict::AtFault | PinVerdict::Unexplained => PinState::Faulty,
                PinVerdict::MovesAlong
                | PinVerdict::Unread(_)
                | PinVerdict::NoReference
                | PinVerdict::Misplaced => PinState::Unclear,
            };
            PinEntry { expected: pin.expected.volts(), difference: pin.difference, limit: pin.limit, state }
        });
        Self {
            board: judgement.board.clone(),
            when: when.to_owned(),
            outcome,
            placement: judgement.placement,
            shared: judgement.shared.drop,
            pins: pins.collect(),
            faults: judgement
                .findings
                .iter()
                .map(|finding| Fault { kind: finding.kind, pins: finding.pins.clone() })
                .collect(),
        }
    }
}
