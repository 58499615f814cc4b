//! What the switching board says.

use serde::{Deserialize, Serialize};

use crate::Channel;

/// A message of the switching board: the answer to one request, or something that happened by itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BoardMessage {
    /// The one answer to the request with this number.
    Answer {
        /// Number of the request.
        seq: u16,
        /// Time on the switching board's clock, in µs since its start.
        at_us: u64,
        /// What came of it.
        answer: Answer,
    },
    /// Something that no request asked for.
    Event {
        /// Time on the switching board's clock, in µs since its start.
        at_us: u64,
        /// What happened.
        event: Event,
    },
}

/// What came of a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Answer {
    /// To `Greet`.
    Greeting(Greeting),
    /// To `Ping`: `at_us` of the message is the time asked for.
    Pong,
    /// To `OpenAll`: every channel is open.
    Opened,
    /// To `Select`, `Start` and `Advance`: the channel is closed and its settle time is over.
    Settled {
        /// Step of the plan; `None` after `Select`.
        step: Option<u16>,
        /// The closed channel.
        channel: Channel,
    },
    /// To `LoadPlan`: the part was kept.
    PlanLoaded {
        /// Steps loaded so far.
        steps: u16,
    },
    /// To `Advance` after the last step: the plan is over and every channel is open.
    PlanEnded,
    /// To `Indicate`.
    Indicated,
    /// To `Sense`: voltage of the common line against board ground.
    SenseVoltage {
        /// In mV, with its sign.
        millivolts: i32,
    },
    /// The request was not carried out. The switch is open, unless the reason says otherwise.
    Refused(Fault),
}

/// Something that no request asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Event {
    /// A step of a plan with fixed dwell is closed and settled.
    Settled {
        /// Step of the plan.
        step: u16,
        /// The closed channel.
        channel: Channel,
    },
    /// Every channel was opened without the host asking.
    Opened {
        /// Why.
        reason: OpenReason,
    },
    /// The start button was pressed or released, debounced.
    Button {
        /// Down or up.
        pressed: bool,
    },
    /// The lid moved.
    Lid {
        /// Closed or open.
        closed: bool,
    },
    /// The common line carries a voltage although nothing should drive it.
    SenseVoltage {
        /// In mV, with its sign.
        millivolts: i32,
    },
    /// Something is wrong that belongs to no request.
    Fault(Fault),
}

/// Why every channel was opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum OpenReason {
    /// A plan with fixed dwell is over.
    PlanEnded,
    /// No frame with a good checksum came for the silence limit.
    HostSilent,
    /// The lid is open.
    LidOpen,
    /// The switch could not be driven or read back.
    SwitchFault,
}

/// What is wrong. As an answer: why a request was not carried out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Fault {
    /// No version is spoken by both sides; the switching board's are told.
    Version {
        /// Oldest version that the switching board understands.
        min: u8,
        /// Newest version that the switching board understands.
        max: u8,
    },
    /// The frame had a good checksum, but its content is no request of this version.
    UnknownRequest,
    /// A frame was damaged: its checksum, length or stuffing is wrong.
    DamagedFrame,
    /// The channel does not exist. The switch is left as it was.
    ChannelOutOfRange {
        /// What was asked for.
        channel: Channel,
        /// Channels that exist.
        channels: u8,
    },
    /// The plan is longer than the switching board can keep.
    PlanTooLong {
        /// Steps that fit.
        capacity: u16,
    },
    /// A part of the plan is missing or comes twice.
    PlanGap {
        /// Step that should come next.
        expected: u16,
    },
    /// `Start` named another number of steps than are loaded, or none are.
    PlanMismatch {
        /// Steps loaded.
        loaded: u16,
    },
    /// `Advance` without a plan that waits for it.
    NoPlan,
    /// A later request came before this one was done.
    Superseded,
    /// The lid is open: nothing is closed until it is shut.
    LidOpen,
    /// The switch could not be driven or read back; every channel is open as far as is known.
    SwitchFault,
    /// The switching board has no such part (a sense input, say).
    NotFitted,
    /// The answer was cut off by an opening for the given reason.
    Opened(OpenReason),
}

/// What a switching board tells of itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Greeting {
    /// Version of the protocol that both sides will use.
    pub version: u8,
    /// How it switches.
    pub kind: BoardKind,
    /// Another value after each reset, so that an answer from before is never taken for one from after.
    pub boot_id: u32,
    /// Channels that exist, counted from 0.
    pub channels: u8,
    /// Major, minor and patch number of the firmware.
    pub firmware: (u8, u8, u8),
    /// Names this one unit.
    pub unique_id: [u8; 8],
}

/// How a switching board switches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum BoardKind {
    /// Analog multiplexers on address lines.
    Multiplexer,
    /// Relays or PhotoMOS on shift registers.
    ShiftRegister,
    /// Relays or PhotoMOS on I²C expanders.
    Expander,
    /// No hardware: the practice bench.
    Practice,
}
