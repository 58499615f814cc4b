//! What the host asks of the switching board.

use heapless::Vec;
use serde::{Deserialize, Serialize};

use crate::{Channel, PLAN_CHUNK};

/// A request with the number that its answer will echo.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub struct RequestFrame {
    /// Chosen by the host, one higher for each request, wrapping.
    pub seq: u16,
    /// What is asked.
    pub request: Request,
}

/// What the host asks. Each request gets exactly one [`Answer`](crate::Answer) with its number.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Request {
    /// Opens the conversation: the versions that the host speaks. Also opens every channel. Every other
    /// request is refused until this one was answered by `Greeting`.
    Greet {
        /// Oldest version that the host understands.
        min: u8,
        /// Newest version that the host understands.
        max: u8,
    },
    /// Asks for the time of the switching board, and feeds its silence timer.
    Ping,
    /// Opens every channel and ends a running plan.
    OpenAll,
    /// Closes one channel after a break. Answered by `Settled` when the settle time is over.
    Select {
        /// The channel to close.
        channel: Channel,
        /// Time from closing to `Settled`, in µs, beyond the make time of the switch itself.
        settle_us: u32,
    },
    /// Hands over a part of the plan and opens every channel. A part with `first` 0 begins a new plan.
    LoadPlan {
        /// Step number of the first channel in this part; must equal the number of steps loaded so far.
        first: u16,
        /// Channels in the order in which they will be visited.
        channels: Vec<Channel, PLAN_CHUNK>,
    },
    /// Starts the loaded plan at its first step. Answered by `Settled` for that step.
    Start {
        /// How many steps the host believes are loaded; a mismatch is refused.
        steps: u16,
        /// Time from closing to `Settled`, in µs, beyond the make time of the switch itself.
        settle_us: u32,
        /// Who moves on to the next step.
        pace: Pace,
    },
    /// Goes to a step of a plan started with [`Pace::Advance`]. Answered by `Settled`, or by `PlanEnded`
    /// when `step` is one past the last.
    ///
    /// Naming the step makes the request safe to repeat: an answer that was lost costs no pin.
    Advance {
        /// The step after the present one, or the present one again (the switch then stays as it is).
        step: u16,
    },
    /// Shows the state of the work to the operator.
    Indicate {
        /// Two-colour light, each state also with a blink of its own.
        light: Light,
        /// Buzzer pattern, played once.
        sound: Sound,
    },
    /// Asks for the voltage on the common line, measured through at least 100 kΩ, with the switch left as
    /// it is: every channel open, or one selected.
    Sense,
    /// Closes one channel with the bleed resistor on the common line, holds it, and opens both. Answered
    /// by `Bled`.
    Bleed {
        /// The channel to discharge.
        channel: Channel,
        /// How long the bleed resistor stays on, in µs.
        hold_us: u32,
    },
    /// Asks for the state of the switch and its inputs; changes nothing.
    Status,
}

/// Who moves a started plan to its next step.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Pace {
    /// The host, by [`Request::Advance`].
    Advance,
    /// The switching board, after the given time in µs from `Settled`.
    Dwell {
        /// How long a channel stays closed after it has settled, in µs.
        dwell_us: u32,
    },
}

/// What the light tells. Colour is never the only carrier: the blink differs too.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Light {
    /// Dark.
    Off,
    /// Waiting for the operator.
    Ready,
    /// A sweep is running.
    Busy,
    /// All pins match.
    Matches,
    /// Some pins differ.
    Differs,
    /// Not all pins could be judged.
    Inconclusive,
    /// The jig, the meter or the link needs attention.
    Trouble,
}

/// What the buzzer plays, once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "defmt", derive(defmt::Format))]
pub enum Sound {
    /// Nothing.
    Silent,
    /// Ready for the next board.
    Ready,
    /// All pins match.
    Matches,
    /// Some pins differ.
    Differs,
    /// Not all pins could be judged.
    Inconclusive,
    /// Trouble.
    Trouble,
}
