#![doc = include_str!("../PROTOCOL.md")]
#![no_std]

mod accumulator;
mod channel;
mod cobs;
mod event;
mod fault;
pub mod frame;
mod greeting;
mod message;
mod request;
pub mod size;
mod table;
pub mod version;
mod wire;

pub use accumulator::{Accumulator, FrameError, Items};
pub use channel::Channel;
pub use event::{Answer, BoardMessage, Event, FrameTrouble, OpenReason, Status};
pub use fault::Fault;
pub use frame::{Frame, encode};
pub use greeting::{BoardKind, Greeting, Parts, ResetCause, Timing};
pub use message::{Message, UnknownContent};
pub use request::{Light, Pace, Request, RequestFrame, Sound};
pub use size::{MAX_FRAME, PLAN_CHUNK, PLAN_STEPS};
