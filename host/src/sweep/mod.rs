//! A sweep: which channel when, which reading to which pin, and when a reading may be believed.
//!
//! ```text
//! plan ─► conductor ─► requests, questions to the meter
//!             ▲
//!  bytes ─► observer ─► pin results            (a replay runs the observer alone)
//! ```
//!
//! Pure but for `run`: bytes, messages and `now` go in. This room does not judge a board; it only refuses to
//! go on when a reading shows that the board is alive.

mod alive;
mod check;
mod conductor;
mod ear;
mod flood;
mod floor;
mod guard;
mod lag;
mod notice;
mod observer;
mod plan;
mod run;
mod settle;
mod stream;
mod suspicion;
mod talk;
mod timing;
mod trouble;
mod volts;

pub use alive::AliveSign;
pub use conductor::{Conductor, Output, Score};
pub(crate) use ear::{Ear, Oddity};
pub use floor::{Floor, Overhead, Visits};
pub use guard::Guard;
pub use lag::{Lag, LagError, LagNews, LagSetup, Way, measure_lag};
pub use notice::Notice;
pub use observer::{Observation, Observer, PinResult, Setting};
pub use plan::{Plan, Target, Visit};
pub use run::{Device, Devices, Heard, Record, Recorder, Swept, Unrecorded, run};
pub use settle::{Settling, Step};
pub(crate) use stream::Belongs;
pub use stream::Stream;
pub use talk::{AtMeter, Talk, Unanswered, silent};
pub use timing::{Pacing, Timing};
pub use trouble::SweepError;
pub use volts::{Measured, Stops, measure_volts};
