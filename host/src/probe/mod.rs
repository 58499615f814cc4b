//! Probing by hand: keeps the place, sees touches in the meter's stream, and says what to touch next.
//!
//! ```text
//! bytes ─► decoder ─► tip (lifted? touched? settled?) ─► walk ─► actions: ask, take, ask again, prove the probe
//!                              operator's deeds ───────────┘                (a replay runs the walk alone)
//! ```
//!
//! Pure but for `run`: bytes, deeds and `now` go in, actions come out. Whatever depends on time is decided at the moment
//! at which it was due, before the next input is looked at; so a replay of the bytes and deeds takes the same readings
//! as the live run. This room judges no board: it compares a reading with what is expected only to know whether a
//! second touch is worth asking for.

mod action;
mod deed;
mod expect;
mod known;
mod melody;
mod run;
mod tip;
mod walk;
mod words;

pub use action::{Action, How, Tone};
pub use deed::Deed;
pub use expect::{Expected, Expects, Fit};
pub use known::Known;
pub use melody::{Beep, GAP, melody};
pub use run::{Bench, Heard, Probed, Score, run};
pub use walk::{Setting, State, Walk};
pub use words::{sentence, spoken};
