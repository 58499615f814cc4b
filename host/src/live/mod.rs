//! The live screen: one sentence that says what to do, and below it the rows with the place in them and what is found.
//!
//! ```text
//! actions of a walk, notices of a sweep ─► state ─► view (a buffer) ─► terminal
//! ```
//!
//! State and drawing are pure and know no terminal; [`Terminal`] is the edge that owns one and gives it back, whatever
//! happens. No colour carries a meaning of its own: each mark is a character too.

mod state;
mod terminal;
mod view;

pub use state::{Cell, Mark, Mood, Row, State};
pub use terminal::{Palette, Terminal};
pub use view::draw;
