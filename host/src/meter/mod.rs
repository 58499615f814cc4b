//! From a meter's bytes to readings: push bytes, pull [`Stamped`] readings.
//!
//! This room knows formats and what a meter can show. It does not know pins, boards or ports.

mod reading;

pub use reading::{Flags, Function, NoValue, Number, Reading, Sign, Stamped};
