#![doc = include_str!("../PROTOCOL.md")]
#![no_std]

mod channel;
mod event;
mod request;
pub mod version;

pub use channel::Channel;
pub use event::{Answer, BoardKind, BoardMessage, Event, Fault, Greeting, OpenReason};
pub use request::{Light, Pace, Request, RequestFrame, Sound};

/// Channels that one [`Request::LoadPlan`] carries at most; longer plans come in several requests.
pub const PLAN_CHUNK: usize = 32;

/// Steps that a switching board keeps at most: 128 channels with a visit to the check channel every 16
/// steps need 136.
pub const PLAN_STEPS: usize = 160;
