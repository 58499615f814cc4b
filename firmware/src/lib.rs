//! The switching board of Pintally: what every microcontroller shares.
//!
//! The host sends requests, the board steps a switch through the channels of a jig. This library decides
//! what is closed and when; it is given bytes and the time, and gives back bytes and the next time that
//! it wants to be asked. It knows no microcontroller, has no heap and no panic path. The same code runs
//! in every image, in the practice bench of the host, and in the tests.
//!
//! ```text
//!  bytes ─► link ─► board ─► sequencer ─► contacts ─► switch ─► pins
//!             ▲       │ ▲         │
//!  bytes ◄────┘◄──────┘ └─ silence, panel (lid, button, light, buzzer, sense, bleed)
//! ```
//!
//! # Electrical invariants
//!
//! 1. At most one channel is closed. [`contacts`] is the only caller of [`Switch::close`], and it calls
//!    only after it has opened everything.
//! 2. Break before make: a channel is closed only when everything has been open for at least
//!    [`Waits::break_us`]. The wait counts from the first reading of the clock *after* the pins moved,
//!    so that it can be longer than stated, never shorter.
//! 3. Settled means settled: [`Waits::make_us`] and the settle time of the request lie between the pins
//!    moving and the answer.
//! 4. Everything is open at start, and opens when the host is silent for 2 s, when the lid opens, when a
//!    frame cannot be read, when the host does not read, and when the switch reports a fault.
//! 5. Only a frame with a good checksum, on the link that greeted last, counts as the host being there.
//! 6. A channel that does not exist is refused and moves no pin.
//! 7. Whatever the firmware does: in reset, and with the microcontroller unpowered, only resistors on the
//!    enable lines hold the switch open. That is the schematic's job, not this library's.
//!
//! # Units
//!
//! Times are µs, in names that end in `_us`: `u64` since the start of the board, `u32` for waits.
//!
//! # Example
//!
//! ```
//! use firmware::{Board, Identity, NoFittings, Switch, SwitchFault, Waits};
//! use protocol::{Accumulator, Answer, BoardKind, BoardMessage, Channel, Request, RequestFrame, ResetCause, encode};
//!
//! struct Nothing;
//! impl Switch for Nothing {
//!     fn kind(&self) -> BoardKind { BoardKind::Practice }
//!     fn channels(&self) -> u8 { 16 }
//!     fn waits(&self) -> Waits { Waits { break_us: 50, make_us: 300 } }
//!     fn open_all(&mut self) -> Result<(), SwitchFault> { Ok(()) }
//!     fn close(&mut self, _: Channel) -> Result<(), SwitchFault> { Ok(()) }
//! }
//!
//! let identity = Identity { boot_id: 1, unique_id: [0; 8], reset: ResetCause::Power };
//! let mut board = Board::<_, _, 1>::new(Nothing, NoFittings, identity, 0);
//! board.push(0, &encode(&RequestFrame { seq: 1, request: Request::Greet { min: 1, max: 1 } }), 10);
//! board.poll(10);
//! let mut out = [0; 128];
//! let length = board.take_output(0, &mut out);
//! let message = Accumulator::<BoardMessage>::new().items(&out[..length]).next().unwrap().unwrap();
//! let BoardMessage::Answer { seq: 1, answer: Answer::Greeting(greeting), .. } = message else { panic!() };
//! assert_eq!((greeting.version, greeting.channels, greeting.timing.break_us), (1, 16, 50));
//! ```
#![no_std]
#![cfg_attr(not(test), warn(clippy::indexing_slicing, clippy::panic, clippy::unreachable))]
#![cfg_attr(not(test), warn(clippy::arithmetic_side_effects, reason = "overflow and division may panic"))]

mod board;
pub mod contacts;
mod identity;
mod link;
mod log;
pub mod panel;
mod sequencer;
pub mod signals;
mod silence;
pub mod switch;
mod time;
mod voice;

pub use board::Board;
pub use identity::{FIRMWARE_VERSION, Identity};
pub use link::OUTGOING;
pub use panel::{Fittings, NoFittings};
pub use signals::{Lamp, Tone};
pub use silence::SILENCE_LIMIT_US;
pub use switch::{
    ActiveLevel, Contact, Description, Expanders, MultiplexerBanks, ReadBack, ShiftRegisters, Switch,
    SwitchFault, Waits,
};
