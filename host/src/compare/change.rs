//! Before and after: what a repair changed on one board, and what it broke.

use super::{Judgement, PinVerdict};

/// What became of each pin and each finding between two sweeps of one board.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// One a pin, in the order of the connector.
    pub pins: Vec<PinChange>,
    /// Findings of the first sweep that are gone, by index.
    pub gone: Vec<usize>,
    /// Findings of the second sweep that the first had too, by index.
    pub left: Vec<usize>,
    /// Findings of the second sweep that are new, by index.
    pub new: Vec<usize>,
}

/// What became of one pin.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum PinChange {
    /// Matched and matches.
    Sound,
    /// Differed and matches.
    Repaired,
    /// Matched and differs.
    Broken,
    /// Differed and differs.
    Left,
    /// Not judged in one of the two sweeps.
    Unclear,
}

impl PinChange {
    /// The name in files: `repaired`, ...
    #[must_use]
    pub const fn code(self) -> &'static str {
        match self {
            Self::Sound => "sound",
            Self::Repaired => "repaired",
            Self::Broken => "broken",
            Self::Left => "left",
            Self::Unclear => "unclear",
        }
    }
}

impl Change {
    /// What became of a board between two judgements on the same connector.
    #[must_use]
    pub fn between(before: &Judgement, after: &Judgement) -> Self {
        let pins = before.pins.iter().zip(&after.pins).map(|(before, after)| {
            match (differs(before.verdict), differs(after.verdict)) {
                (Some(false), Some(false)) => PinChange::Sound,
                (Some(true), Some(false)) => PinChange::Repaired,
                (Some(false), Some(true)) => PinChange::Broken,
                (Some(true), Some(true)) => PinChange::Left,
                _ => PinChange::Unclear,
            }
        });
        let pins = pins.collect();
        let is_in = |judgement: &Judgement, kind, at: &[usize]| {
            judgement.findings.iter().any(|finding| finding.kind == kind && finding.pins == at)
        };
        let gone = (0..before.findings.len()).filter(|&index| {
            let finding = &before.findings[index];
            !is_in(after, finding.kind, &finding.pins)
        });
        let gone = gone.collect();
        let (left, new) = (0..after.findings.len()).partition(|&index| {
            let finding = &after.findings[index];
            is_in(before, finding.kind, &finding.pins)
        });
        Self { pins, gone, left, new }
    }

    /// Pins of one kind of change, by index.
    #[must_use]
    pub fn pins(&self, change: PinChange) -> Vec<usize> {
        (0..self.pins.len()).filter(|&pin| self.pins[pin] == change).collect()
    }
}

/// Whether a pin differs; `None` where it was not judged.
const fn differs(verdict: PinVerdict) -> Option<bool> {
    match verdict {
        PinVerdict::Matches => Some(false),
        PinVerdict::AtFault | PinVerdict::MovesAlong | PinVerdict::Unexplained => Some(true),
        PinVerdict::Unread(_) | PinVerdict::NoReference | PinVerdict::Misplaced => None,
    }
}
