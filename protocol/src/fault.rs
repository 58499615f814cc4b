//! Why a request was not carried out.

use serde::{Deserialize, Serialize};

use crate::{Channel, OpenReason};

/// Why a request was not carried out.
///
/// Each variant says what became of the switch: *left* (as it was before the request) or *opened* (every
/// channel is open).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault {
    /// No version is spoken by both sides; the switching board's are told. Opened.
    ///
    /// This variant and [`Request::Greet`](crate::Request::Greet) keep their bytes in every version.
    Version {
        /// Oldest version that the switching board understands.
        min: u8,
        /// Newest version that the switching board understands.
        max: u8,
    },
    /// The frame had a good checksum, but its content is no request of this version. Opened.
    UnknownRequest,
    /// No `Greet` came on this link since the switching board started, or another link greeted since.
    /// Left.
    NotGreeted,
    /// The channel does not exist. Left.
    ChannelOutOfRange {
        /// What was asked for.
        channel: Channel,
        /// Channels that exist.
        channels: u8,
    },
    /// The plan would be longer than the switching board can keep; the steps before this part are kept.
    /// Opened.
    PlanTooLong {
        /// Steps that fit.
        capacity: u16,
    },
    /// A part of the plan is missing or comes twice; what was loaded is kept. Opened.
    PlanGap {
        /// Step that should come next.
        expected: u16,
    },
    /// `Start` named another number of steps than are loaded, or none are. Left.
    PlanMismatch {
        /// Steps loaded.
        loaded: u16,
    },
    /// `Advance` without a running plan that waits for it. Left.
    NoPlan,
    /// `Advance` to a step that is neither the present one nor the next. Left.
    WrongStep {
        /// The step that comes next.
        expected: u16,
    },
    /// A later request took the place of this one before it was done. The later one rules the switch.
    Superseded,
    /// The lid is open: nothing is closed until it is shut. Opened.
    LidOpen,
    /// The switch could not be driven or read back. Opened as far as is known.
    SwitchFault,
    /// The switching board has no such part (a sense input, say). Left.
    NotFitted,
    /// Every channel was opened, for this reason, before the request was done. Opened.
    Opened(OpenReason),
}
