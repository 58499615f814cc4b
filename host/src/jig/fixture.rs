//! What tests of this room let a switching board say.

use protocol::{Answer, BoardKind, BoardMessage, Greeting, Parts, ResetCause, Timing};

/// The greeting of a practice board of 16 channels without parts.
pub(super) fn greeting(unique_id: [u8; 8]) -> Answer {
    Answer::Greeting(Greeting {
        version: 1,
        kind: BoardKind::Practice,
        boot_id: 1,
        reset: ResetCause::Power,
        channels: 16,
        plan_steps: 16,
        firmware: (0, 1, 0),
        unique_id,
        parts: Parts::default(),
        timing: Timing { break_us: 1, make_us: 1, silence_us: 2_000_000 },
    })
}

/// An answer, by the number of its request and the board's clock.
pub(super) const fn answer(seq: u16, at_us: u64, answer: Answer) -> BoardMessage {
    BoardMessage::Answer { seq, at_us, answer }
}
