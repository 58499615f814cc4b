//! What the switching board says: one answer to each request, and what happens by itself.

use serde::{Deserialize, Serialize};

use crate::{Channel, Fault, Greeting};

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
    /// To `Select`, `Start` and `Advance`: the channel is closed and its settle time is over. `at_us` of
    /// the message is the moment when it was over.
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
    /// To `Advance` past the last step: the plan is over and every channel is open.
    PlanEnded,
    /// To `Indicate`.
    Indicated,
    /// To `Sense`: voltage of the common line against board ground.
    SenseVoltage {
        /// In mV, with its sign.
        millivolts: i32,
    },
    /// To `Bleed`: the bleed resistor is off again and every channel is open.
    Bled,
    /// To `Status`.
    Status(Status),
    /// The request was not carried out; [`Fault`] says why and what became of the switch.
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
    /// A frame could not be read, so no answer can name its request. Told once until a good frame comes.
    BadFrame {
        /// What is wrong with it.
        trouble: FrameTrouble,
    },
    /// Messages were dropped because the host did not read them; every channel is open meanwhile.
    Lost {
        /// How many messages were dropped; stays at the largest value once it is reached.
        messages: u16,
    },
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
    /// A frame could not be read: the link is not to be trusted.
    BadFrame,
    /// The host does not read what the switching board says.
    HostDeaf,
    /// A host greeted on the other link of this switching board.
    OtherHost,
}

/// What is wrong with a frame that could not be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum FrameTrouble {
    /// Its stuffing or checksum is wrong.
    Damaged,
    /// It is longer than any message.
    TooLong,
    /// Its checksum is good, but there is not even a request number in it.
    Unknown,
}

/// The state of the switch and its inputs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct Status {
    /// The closed channel, settled or not.
    pub closed: Option<Channel>,
    /// The present step of a running plan.
    pub step: Option<u16>,
    /// Whether the lid is closed; `None` without a lid contact.
    pub lid_closed: Option<bool>,
    /// Whether the start button is down; `None` without a button.
    pub button_pressed: Option<bool>,
    /// Frames on this link that could not be read since the start; stays at the largest value.
    pub bad_frames: u16,
}
